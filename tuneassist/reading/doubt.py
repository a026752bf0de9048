"""Where header, setup and values do not agree on what a column is: nothing is chosen in silence."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from tuneassist.channels import Channel
from tuneassist.errors import LogError
from tuneassist.reading.clock import build_timeline
from tuneassist.reading.guard import Mixture, fits, measured, setup_line
from tuneassist.reading.log import Cells, Floats
from tuneassist.reading.picks import Pick, UnclearError, is_remark, transfer_line
from tuneassist.units import UNITS, Quantity, find_unit, unit_named

SMALL_TRIM_PCT = 0.3
"""Trims in percent whose bulk stays under this, and finer than a tenth, may be ratios. A step of
the standard's trims is 0.78 %. [%]"""
LEAST_MANIFOLD_KPA = 12.0
"""No petrol engine runs for long at a lower absolute pressure (common practice, no source); a gauge
falls below it whenever the throttle closes. [kPa]"""
FULL_LOAD_PCT = 60.0
"""With the throttle never below this a manifold is not drawn empty, and a gauge need not fall
below zero. [%]"""
PSI_PER_INHG = 0.491154
"""Conventional inch of mercury in psi, as in `tuneassist.units`. [psi]"""
DEEPEST_PSI, DEEPEST_INHG = -13.0, -30.5
"""No engine runs for long in a deeper vacuum than the first, 12 kPa absolute, and no gauge shows
more than the second. [psi], [inHg]"""
CLEAR_VACUUM_INHG, CLEAR_BOOST_PSI = -5.0, 2.0
"""Beyond these a column shows vacuum as well as boost. [inHg], [psi]"""
_TRIMS = ("fuel_trim_short", "fuel_trim_long")


def check_header(
    pick: Pick, numbers: Floats, channel: Channel, mixture: Mixture, *, where: str
) -> str:
    """Refuse a setup's unit that the header contradicts, unless the values cannot be the header's.

    Parameters
    ----------
    pick, numbers
        The column, and its values as logged, or as a transfer gave them.
    channel
        Whose ranges hold.
    mixture
        The fuel.
    where
        File and column.

    Returns
    -------
    str
        A note where the header's unit was set aside; else empty.

    Raises
    ------
    LogError
        Names both units, and what to write.
    """
    said = _contradicted(pick, channel.quantity)
    if not said:
        return ""
    kept = measured(numbers, channel.plausible)
    unit, source = pick.heading.unit or "", pick.source
    one_kind = UNITS[unit].quantity == UNITS[said].quantity
    if one_kind and source is not None and source.transfer is None:
        can_be = bool(len(kept)) and fits(kept, unit, channel, mixture)
        if not can_be or _is_small_trim(pick, kept):
            return _set_aside(pick, said)
    raise _contradiction(pick, said, where)


def check_time_header(pick: Pick, cells: Cells, *, where: str) -> str:
    """Do the same for time, whose unit is judged by its steps.

    Parameters
    ----------
    pick, cells
        The column of time, and what stands in it.
    where
        File and column.

    Raises
    ------
    LogError
        As `check_header` does.
    """
    said = _contradicted(pick, "time")
    if not said or UNITS[pick.heading.unit or "1"].quantity != "time":
        return ""
    try:
        build_timeline(cells, unit=pick.heading.unit, unit_how="header", where=where, entry="%s")
    except LogError:
        return _set_aside(pick, said)
    raise _contradiction(pick, said, where)


def _contradicted(pick: Pick, quantity: Quantity) -> str:
    """Return the setup's unit where the header says another; else nothing."""
    heading, source = pick.heading, pick.source
    said = find_unit(source.unit) if source and source.unit else None
    if said is None or not heading.unit or not heading.unit_text:
        return ""
    is_same = _are_equal(heading.unit, said.word) or is_remark(heading, quantity)
    return "" if is_same else said.word


def _set_aside(pick: Pick, said: str) -> str:
    heading = pick.heading
    return f"Column {heading.text!r} says {heading.unit}; the setup's {said} was used."


def _contradiction(pick: Pick, said: str, where: str) -> LogError:
    unit = pick.heading.unit or ""
    if pick.source is not None and pick.source.transfer is not None:
        right = f'write unit = "{unit}" and the transfer\'s readings in {unit}'
    elif UNITS[unit].quantity == UNITS[said].quantity:
        right = f"write: {setup_line(pick.channel, pick.heading.text, unit)}"
    elif UNITS[unit].quantity == "voltage":
        right = f"name another column, or give the sensor's curve: {transfer_line(pick)}"
    else:
        right = "name another column"
    return LogError(
        f"the header says {unit}, and channels.{pick.channel} of the setup says {said}.",
        where=where,
        mend=f"If the header is right, {right}; if the setup is, mend the header in the log.",
    )


def _are_equal(one: str, other: str) -> bool:
    first, second = UNITS[one], UNITS[other]
    return one == other or (
        first.quantity == second.quantity != "mixture"
        and (first.factor, first.offset) == (second.factor, second.offset)
    )


def check_trim(pick: Pick, numbers: Floats, channel: Channel, *, where: str) -> None:
    """Ask where a trim may be a multiplier around 1, or a ratio under the name of percent.

    Raises
    ------
    UnclearError
        With the entries of which one is right.
    """
    if pick.channel not in _TRIMS or pick.unit_how == "setup":
        return
    kept = measured(numbers, channel.plausible)
    if not len(kept):
        return
    low, high = (float(q) for q in np.quantile(kept, [0.02, 0.98]))
    column = pick.heading.text
    percent = setup_line(pick.channel, column, "percent")
    if pick.unit is None and low > 0.6 and high < 1.5:
        factor = percent.replace(
            'unit = "percent"',
            'unit = "1", transfer = [[0.5, -50.0], [1.5, 50.0]], transfer_unit = "percent"',
        )
        raise UnclearError(
            f"no unit is given, and values between {low:g} and {high:g} could be a multiplier "
            "around 1 or a trim in percent.",
            where=where,
            mend=f"Under [channels] write for a multiplier: {factor}; for percent: {percent}.",
        )
    if pick.unit == "percent" and _is_small_trim(pick, kept):
        raise UnclearError(
            f"the header says percent, but values between {low:g} and {high:g} look like a ratio.",
            where=where,
            mend=f"Under [channels] write: {setup_line(pick.channel, column, 'ratio')}, or "
            f"{percent}.",
        )


def _is_small_trim(pick: Pick, kept: Floats) -> bool:
    given = kept[kept != 0]
    if pick.channel not in _TRIMS or len(given) < 0.02 * len(kept) or not len(given):
        return False
    is_fine = np.abs(given * 10.0 - np.round(given * 10.0)) > 1e-3
    return bool(np.quantile(np.abs(given), 0.98) <= SMALL_TRIM_PCT and is_fine.mean() > 0.5)


def check_boost(
    pick: Pick, pressure_kpa: Floats, others: Mapping[str, Floats], *, is_spark: bool, where: str
) -> None:
    """Ask where a pressure that is called boost may be absolute.

    Gauge boost of a spark engine falls below zero when the throttle closes, and an absolute
    pressure never does; a diesel's gauge boost is about 0 at idle, and an absolute one about 100,
    which its plausible range catches.

    Parameters
    ----------
    pick
        The column, gauge by its name alone.
    pressure_kpa
        Its values. [kPa]
    others
        Values of throttle, pedal and absolute manifold pressure, of those that have columns of
        their own. [%, kPa]
    is_spark
        Whether the engine is one of spark ignition, or may be.
    where
        File and column.

    Raises
    ------
    UnclearError
        With both entries.
    """
    given = pressure_kpa[np.isfinite(pressure_kpa)]
    if pick.heading.reference or not is_spark or not len(given):
        return
    low = float(np.quantile(given, 0.02))
    if low < LEAST_MANIFOLD_KPA or _is_full_load(others) or _is_apart(pressure_kpa, others):
        return
    unit = unit_named(pick.unit or "kPa").word
    entries = (
        setup_line(pick.channel, pick.heading.text, f"{unit} {reference}")
        for reference in ("gauge", "absolute")
    )
    raise UnclearError(
        "by its name or by the load axis this counts from the barometer, but it never falls below "
        f"{low:.3g} kPa and looks like an absolute pressure.",
        where=where,
        mend=f"Say which it is, under [channels]: {', or '.join(entries)}.",
    )


def check_two_scales(pick: Pick, numbers: Floats, *, where: str) -> None:
    """Ask where one column may show vacuum in inHg and boost in psi, as many gauges do.

    Parameters
    ----------
    pick, numbers
        A column of gauge pressure, and its values as logged.
    where
        File and column.

    Raises
    ------
    UnclearError
        With the entries of which one is right. A setup that says "inHg gauge" is believed.
    """
    named = pick.heading.unit_text.casefold()
    says_both = pick.unit is None and "psi" in named and "hg" in named
    given = numbers[np.isfinite(numbers)]
    if not len(given) or (pick.source is not None and pick.source.transfer is not None):
        return
    low, high = (float(q) for q in np.quantile(given, [0.02, 0.98]))
    is_both = low >= DEEPEST_INHG and high > CLEAR_BOOST_PSI
    if pick.unit == "inHg":
        said = find_unit(pick.source.unit) if pick.source and pick.source.unit else None
        if said is not None and said.reference == "gauge":
            return
        may_be = is_both and low < CLEAR_VACUUM_INHG
    else:
        may_be = is_both and low < DEEPEST_PSI and pick.unit in (None, "psi")
    if not (says_both or may_be):
        return
    unit = "inHg" if pick.heading.unit == "inHg" else "psi"
    line = setup_line(pick.channel, pick.heading.text, unit).removesuffix(" }")
    two = (
        f"{line}, transfer = [[-30.0, {-30.0 * PSI_PER_INHG:.4g}], [0.0, 0.0], [60.0, 60.0]], "
        'transfer_unit = "psi gauge" }'
    )
    one = setup_line(pick.channel, pick.heading.text, "inHg gauge")
    raise UnclearError(
        f"values between {low:.3g} and {high:.3g} look like a gauge that shows vacuum in inHg and "
        "boost in psi, which no one unit fits.",
        where=where,
        mend=f"Under [channels] write, if so: {two}; or, if all of it is inHg: {one}.",
    )


def _is_full_load(others: Mapping[str, Floats]) -> bool:
    return any(
        np.isfinite(others[name]).any() and np.nanquantile(others[name], 0.05) >= FULL_LOAD_PCT
        for name in ("throttle", "pedal")
        if name in others
    )


def _is_apart(pressure_kpa: Floats, others: Mapping[str, Floats]) -> bool:
    """Tell whether a logged absolute pressure lies about a barometer above the column."""
    if "manifold_pressure" not in others:
        return False
    gap = others["manifold_pressure"] - pressure_kpa
    return bool(np.isfinite(gap).any() and np.nanmedian(gap) > 50.0)
