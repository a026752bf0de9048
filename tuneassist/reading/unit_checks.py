"""Does a column's unit fit its values? A wrong unit is refused with the likely one named.

The bulk of a column is held against the channel's plausible range by quantiles, so that single
spikes and a logger's words for "no value" decide nothing. Where header, setup and values do not
agree on what a column is, nothing is chosen in silence.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from tuneassist.channels import CHANNELS, Channel, Plausible
from tuneassist.errors import LogError
from tuneassist.reading.log import Cells, Floats
from tuneassist.reading.matching import (
    Match,
    UnclearError,
    is_gauge_axis,
    is_remark,
    setup_line,
    transfer_line,
)
from tuneassist.reading.timeline import TimeReader
from tuneassist.settings import Setup
from tuneassist.units import UNITS, Quantity, convert, find_unit, unit_named, units_of

SENTINELS = (
    -9999.0, -9999.9, -999.0, -999.25, 9999.0, 99999.0, 65535.0, 65534.0, 32767.0, -32768.0,
    -32767.0, 655.35, 6553.5, 2147483647.0, -2147483648.0, 4294967295.0,
)  # fmt: skip
"""What loggers write for "no value"; left out when a unit is found or checked."""
HUGE = 1e9
PETROL_SCALE = 14.7
"""The scale that most air-fuel gauges show whatever the fuel."""
MAX_TEXT_SHARE = 0.2
MAX_IMPOSSIBLE_SHARE = 0.2
_RAIL_SHARE = 0.05


#: Load in percent: a cylinder's filling passes 100 in boost, and a share of full load stays under.
#: Ratios (0 to 1, or to 4 in boost) fall below. Common practice, no source.
FILLING = Plausible(p10=(0.0, 200.0), p50=(4.5, 350.0), p95=(5.0, 450.0), zero_is_off=True)


@dataclass(frozen=True)
class Mixture:
    """What the unit checks must know of the fuel.

    Parameters
    ----------
    afr_stoich
        Stoichiometric air-fuel ratio. [kg/kg]
    is_spark
        Spark ignition, which burns no bulk of a log leaner than about 1.3.
    """

    afr_stoich: float = PETROL_SCALE
    is_spark: bool = False


def measured(values: Floats, plausible: Plausible) -> Floats:
    """Return the values from which a unit is found: no nan, no sentinel, no stop of the sensor."""
    kept = values[np.isfinite(values) & (np.abs(values) < HUGE) & ~np.isin(values, SENTINELS)]
    if plausible.zero_is_off:
        kept = kept[kept != 0]
    return kept


def _without_rail(values: Floats) -> Floats:
    """Leave out the highest value if it repeats: a saturated sensor does not show its unit."""
    if not len(values):
        return values
    at_top = values >= values.max()
    return values[~at_top] if _RAIL_SHARE < at_top.mean() < 1.0 else values


def fits(values: Floats, unit: str, channel: Channel, mixture: Mixture) -> bool:
    """Tell whether the bulk of the values can be this channel in this unit.

    Parameters
    ----------
    values
        Measured values in ``unit``, as `measured` returns them.
    unit
        Unit word to try.
    """
    if not len(values):
        return True
    if channel.quantity == "share" and unit == "percent" and _is_disguised_share(values, channel):
        return False
    inside = convert(values, unit, channel.unit or unit, afr_stoich=mixture.afr_stoich)
    if channel.quantity == "mixture":
        inside = _without_rail(inside)
    bulk = np.quantile(inside, [0.1, 0.5, 0.95])
    ranges = (channel.plausible.p10, channel.plausible.p50, channel.plausible.p95)
    return all(low <= q <= high for q, (low, high) in zip(bulk, ranges, strict=True))


def _is_disguised_share(values: Floats, channel: Channel) -> bool:
    """Detect a ratio of 0 to 1, or a trim written as a multiplier, labelled percent."""
    low, high = (float(q) for q in np.quantile(values, [0.02, 0.98]))
    if channel.name.startswith("fuel_trim"):
        around_one = low > 0.6 and high < 1.5 and low < 1.0 < high
        return (around_one and len(np.unique(values)) > 5) or (low > 75 and high < 135)
    return high <= 1.05 and high >= 0.3 and high - low >= 0.2 and low >= -0.1


def fitting_units(values: Floats, channel: Channel, mixture: Mixture) -> tuple[str, ...]:
    """Return the units whose plausible range holds the values; equal conversions count once."""
    found: list[str] = []
    seen: set[tuple[float, float]] = set()
    for word in units_of(channel.quantity):
        unit = unit_named(word)
        key = (unit.factor, unit.offset)
        if channel.quantity != "mixture" and key in seen:
            continue
        seen.add(key)
        if fits(values, word, channel, mixture):
            found.append(word)
    return tuple(found)


def reference_channel(name: str, load_unit: str, is_gauge_axis: bool) -> Channel:
    """Return the channel whose ranges apply to a column; load borrows them from its kind."""
    channel = CHANNELS[name]
    if name != "load":
        return channel
    quantity = unit_named(load_unit).quantity
    if quantity == "pressure":
        kin = CHANNELS["boost" if is_gauge_axis else "manifold_pressure"]
        return replace(channel, quantity="pressure", unit="kPa", plausible=kin.plausible)
    if quantity == "share":
        return replace(channel, quantity="share", unit="percent", plausible=FILLING)
    return replace(channel, quantity=quantity, unit=load_unit)


def check_unit(
    values: Floats, unit: str, channel: Channel, mixture: Mixture, *, where: str, header: str
) -> None:
    """Refuse a unit that the values cannot be in.

    Raises
    ------
    LogError
        Names the column, the range of its values, the likely unit, and the line that mends it.
    """
    kept = measured(values, channel.plausible)
    if len(kept) and fits(kept, unit, channel, mixture):
        _check_petrol_scale(kept, unit, channel, mixture, where=where)
        return
    if not len(kept):
        _refuse_nothing(values, channel, where=where)
        return
    low, high = (float(q) for q in np.quantile(kept, [0.1, 0.95]))
    guess, entry = _likely(kept, unit, channel, mixture, header)
    raise LogError(
        f"the values cannot be {channel.name.replace('_', ' ')} in {unit}: most lie between "
        f"{low:g} and {high:g}. {guess}",
        where=where,
        mend=f"If this is the right column, write under [channels]: {entry}.",
    )


def _likely(
    values: Floats, unit: str, channel: Channel, mixture: Mixture, header: str
) -> tuple[str, str]:
    """Return what the values look like, and the setup line for it."""
    absolute, gauge = CHANNELS["manifold_pressure"], CHANNELS["boost"]
    low = float(np.quantile(values, 0.1))
    if channel.plausible is absolute.plausible and low < 0 and fits(values, unit, gauge, mixture):
        return "They look like gauge pressure.", setup_line("boost", header, unit)
    if channel.plausible is gauge.plausible and low > 0 and fits(values, unit, absolute, mixture):
        return "They look like absolute pressure.", setup_line("manifold_pressure", header, unit)
    likely = [u for u in fitting_units(values, channel, mixture) if u != unit]
    if likely:
        entry = setup_line(channel.name, header, likely[0])
        return f"They look like {' or '.join(likely)}.", entry
    guess = "No unit fits them: they look like another channel's column."
    if channel.name.startswith("fuel_trim"):
        guess = "They look like a multiplier around 1 or 100; a trim of 0 must mean no change."
    return guess, setup_line(channel.name, header, unit)


def _refuse_nothing(values: Floats, channel: Channel, *, where: str) -> None:
    given = values[np.isfinite(values)]
    if not len(given) or not channel.is_decisive:
        return
    if channel.plausible.zero_is_off and (given == 0).all():
        state = "the engine never turned" if channel.name == "rpm" else "the sensor never worked"
        raise LogError(f"every value is zero: {state}.", where=where)
    if (given == 0).any() and channel.plausible.zero_is_off:
        return
    raise LogError(
        f"every value is a placeholder such as {given[0]:g}.",
        where=where,
        mend="Check the sensor and log again.",
    )


def _check_petrol_scale(
    values: Floats, unit: str, channel: Channel, mixture: Mixture, *, where: str
) -> None:
    """Refuse AFR on the petrol scale where the setup's fuel has another."""
    if unit != "afr" or not mixture.is_spark or channel.quantity != "mixture":
        return
    middle = float(np.median(values))
    if middle / mixture.afr_stoich > 1.25 and 0.7 < middle / PETROL_SCALE < 1.15:
        raise LogError(
            f"an AFR of {middle:.3g} is lambda {middle / mixture.afr_stoich:.2f} with the fuel's "
            f"stoichiometric AFR of {mixture.afr_stoich:g}. It looks like a gauge on the petrol "
            "scale of 14.7.",
            where=where,
            mend="If so, write under [engine]: afr_stoich = 14.7; or log lambda.",
        )


def check_text(cells: Cells, *, where: str, line: int) -> str:
    """Refuse a column of words; return a note where a few cells hold some.

    Parameters
    ----------
    cells
        The column.
    where
        File and column.
    line
        Line of the first such cell.
    """
    if not cells.text_count:
        return ""
    example = cells.text_example[1]
    numbers = int(np.isfinite(cells.numbers).sum())
    check_texts(cells.text_count, numbers, example, where=f"{where}, row {line}")
    return (
        f"{cells.text_count} cell(s) of text were left out, the first {example[:40]!r} in row "
        f"{line}."
    )


def check_texts(texts: int, numbers: int, example: str, *, where: str) -> None:
    """Refuse a column of words, given how many cells are text and how many are numbers."""
    if texts > MAX_TEXT_SHARE * (numbers + texts):
        raise LogError(
            f"{texts} of {numbers + texts} cells are text and not numbers, "
            f"the first is {example[:40]!r}.",
            where=where,
            mend="Export the log with numbers, or name another column under [channels].",
        )


_FAR_OFF_SHARE = 0.15  # fewer samples than this near the axis: the unit is in doubt
_ON_AXIS_SHARE = 0.5  # more than this on the axis in another unit: that is the likely one


def check_values(match: Match, numbers: Floats, setup: Setup | None, *, where: str) -> None:
    """Refuse a unit that a column's values cannot be in.

    Parameters
    ----------
    match
        The column, with its unit settled.
    numbers
        Its values, or an even choice of them. [unit as read]
    setup
        The car's setup, for the fuel and the axes.
    where
        File and column, for messages.
    """
    channel = channel_as_logged(
        match, setup.axes.load_unit if setup else (match.unit or "1"), setup
    )
    if channel.quantity == "number":
        return
    check_unit(
        numbers,
        match.unit or "",
        channel,
        mixture_of(setup),
        where=where,
        header=match.heading.text,
    )
    if setup is not None:
        _check_axis(match, numbers, channel, setup, where=where)


def channel_as_logged(match: Match, load_unit: str, setup: Setup | None) -> Channel:
    """Return the channel whose ranges hold for the column as logged, gauge or absolute."""
    if not match.shift:
        return reference_channel(match.channel, load_unit, is_gauge_axis(setup))
    if match.channel == "load":
        return reference_channel("load", load_unit, match.shift > 0)
    as_logged = CHANNELS["boost" if match.shift > 0 else "manifold_pressure"]
    return replace(as_logged, name=match.channel)


def mixture_of(setup: Setup | None) -> Mixture:
    """Return what the unit checks must know of the setup's fuel; petrol without one."""
    if setup is None:
        return Mixture()
    return Mixture(setup.engine.afr_stoich, setup.engine.ignition == "spark")


def infer_unit(
    match: Match,
    numbers: Floats,
    channel: Channel,
    mixture: Mixture,
    setup: Setup | None,
    *,
    where: str,
) -> tuple[Match, list[str]]:
    """Give a column without a unit the only one that its values allow, and say so."""
    if match.unit is not None:
        return match, []
    kept = measured(numbers, channel.plausible)
    inside = channel.unit
    if not len(kept) or ((kept == 0).all() and channel.quantity != "temperature"):
        return replace(match, unit=inside, unit_how="inside"), []
    fitting, by = fitting_units(kept, channel, mixture), ""
    if len(fitting) > 1 and match.channel in ("rpm", "load") and setup is not None:
        on_axis = [u for u in fitting if _axis_share(kept, u, channel, setup) > _ON_AXIS_SHARE]
        fitting, by = (tuple(on_axis), " on the table's axis") if on_axis else (fitting, "")
    if len(fitting) == 1:
        note = (
            f"Column {match.heading.text!r} has no unit; its values can only be "
            f"{match.channel.replace('_', ' ')} in {fitting[0]}{by}."
        )
        return replace(match, unit=fitting[0], unit_how="values"), [note]
    low, high = (float(q) for q in np.quantile(kept, [0.1, 0.95]))
    choice = fitting or units_of(channel.quantity)
    how = "could be" if fitting else "fit none of"
    raise UnclearError(
        f"no unit is given, and values between {low:g} and {high:g} {how} {', '.join(choice)}.",
        where=where,
        mend="Under [channels] write: "
        f"{setup_line(match.channel, match.heading.text, choice[0])}, with the right unit.",
    )


def _axis_share(
    numbers: Floats, unit: str, channel: Channel, setup: Setup, slack: float = 1.0
) -> float:
    """Share of the values that lie on the setup's axis when read in this unit."""
    is_rpm = channel.name == "rpm"
    points = setup.axes.rpm if is_rpm else setup.axes.load
    values = convert(numbers, unit, "rpm" if is_rpm else setup.axes.load_unit)
    low, high = float(points[0]), float(points[-1])
    low, high = min(low * slack, low / slack), max(high * slack, high / slack)
    return float(np.mean((values >= low) & (values <= high))) if len(values) else 1.0


def _check_axis(
    match: Match, numbers: Floats, channel: Channel, setup: Setup, *, where: str
) -> None:
    """Refuse a unit that puts the log outside the axis if another puts it on the axis."""
    if match.channel not in ("rpm", "load") or match.shift or match.unit is None:
        return
    kept = measured(numbers, channel.plausible)
    near = _axis_share(kept, match.unit, channel, setup, slack=0.8)
    if near >= _FAR_OFF_SHARE:
        return
    likely = [
        unit
        for unit in fitting_units(kept, channel, mixture_of(setup))
        if unit != match.unit and _axis_share(kept, unit, channel, setup) >= _ON_AXIS_SHARE
    ]
    if likely:
        low, high = (float(q) for q in np.quantile(kept, [0.1, 0.95]))
        raise LogError(
            f"values between {low:g} and {high:g} {match.unit} lie outside the table's "
            f"{match.channel} axis; they look like {' or '.join(likely)}.",
            where=where,
            mend="If so, write under [channels]: "
            f"{setup_line(match.channel, match.heading.text, likely[0])}.",
        )


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
TRIMS = ("fuel_trim_short", "fuel_trim_long")


def check_header(
    match: Match, numbers: Floats, channel: Channel, mixture: Mixture, *, where: str
) -> str:
    """Refuse a setup's unit that the header contradicts, unless the values cannot be the header's.

    Parameters
    ----------
    match, numbers
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
    said = _contradicted(match, channel.quantity)
    if not said:
        return ""
    kept = measured(numbers, channel.plausible)
    unit, source = match.heading.unit or "", match.source
    one_kind = UNITS[unit].quantity == UNITS[said].quantity
    if one_kind and source is not None and source.transfer is None:
        can_be = bool(len(kept)) and fits(kept, unit, channel, mixture)
        if not can_be or _is_small_trim(match, kept):
            return _set_aside(match, said)
    raise _contradiction(match, said, where)


def check_time_header(match: Match, cells: Cells, *, where: str) -> str:
    """Do the same for time, whose unit is checked by its steps.

    Parameters
    ----------
    match, cells
        The column of time, and what stands in it.
    where
        File and column.

    Raises
    ------
    LogError
        As `check_header` does.
    """
    said = _contradicted(match, "time")
    if not said or UNITS[match.heading.unit or "1"].quantity != "time":
        return ""
    try:
        unit = match.heading.unit
        time = TimeReader(cells, unit=unit, unit_how="header", where=where, entry="%s")
        time.read(cells)
    except LogError:
        return _set_aside(match, said)
    raise _contradiction(match, said, where)


def _contradicted(match: Match, quantity: Quantity) -> str:
    """Return the setup's unit where the header says another; else nothing."""
    heading, source = match.heading, match.source
    said = find_unit(source.unit) if source and source.unit else None
    if said is None or not heading.unit or not heading.unit_text:
        return ""
    is_same = _are_equal(heading.unit, said.word) or is_remark(heading, quantity)
    return "" if is_same else said.word


def _set_aside(match: Match, said: str) -> str:
    heading = match.heading
    return f"Column {heading.text!r} says {heading.unit}; the setup's {said} was used."


def _contradiction(match: Match, said: str, where: str) -> LogError:
    unit = match.heading.unit or ""
    if match.source is not None and match.source.transfer is not None:
        right = f'write unit = "{unit}" and the transfer\'s readings in {unit}'
    elif UNITS[unit].quantity == UNITS[said].quantity:
        right = f"write: {setup_line(match.channel, match.heading.text, unit)}"
    elif UNITS[unit].quantity == "voltage":
        right = f"name another column, or give the sensor's curve: {transfer_line(match)}"
    else:
        right = "name another column"
    return LogError(
        f"the header says {unit}, and channels.{match.channel} of the setup says {said}.",
        where=where,
        mend=f"If the header is right, {right}; if the setup is, correct the header in the log.",
    )


def _are_equal(one: str, other: str) -> bool:
    first, second = UNITS[one], UNITS[other]
    return one == other or (
        first.quantity == second.quantity != "mixture"
        and (first.factor, first.offset) == (second.factor, second.offset)
    )


def check_trim(match: Match, numbers: Floats, channel: Channel, *, where: str) -> None:
    """Refuse a trim that may be a multiplier around 1, or a ratio labelled percent.

    Raises
    ------
    UnclearError
        With the entries of which one is right.
    """
    if match.channel not in TRIMS or match.unit_how == "setup":
        return
    kept = measured(numbers, channel.plausible)
    if not len(kept):
        return
    low, high = (float(q) for q in np.quantile(kept, [0.02, 0.98]))
    column = match.heading.text
    percent = setup_line(match.channel, column, "percent")
    if match.unit is None and low > 0.6 and high < 1.5:
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
    if match.unit == "percent" and _is_small_trim(match, kept):
        raise UnclearError(
            f"the header says percent, but values between {low:g} and {high:g} look like a ratio.",
            where=where,
            mend=f"Under [channels] write: {setup_line(match.channel, column, 'ratio')}, or "
            f"{percent}.",
        )


def _is_small_trim(match: Match, kept: Floats) -> bool:
    given = kept[kept != 0]
    if match.channel not in TRIMS or len(given) < 0.02 * len(kept) or not len(given):
        return False
    is_fine = np.abs(given * 10.0 - np.round(given * 10.0)) > 1e-3
    return bool(np.quantile(np.abs(given), 0.98) <= SMALL_TRIM_PCT and is_fine.mean() > 0.5)


def check_boost(
    match: Match, pressure_kpa: Floats, others: Mapping[str, Floats], *, is_spark: bool, where: str
) -> None:
    """Refuse a pressure called boost that may be absolute.

    Gauge boost of a spark engine falls below zero when the throttle closes, and an absolute
    pressure never does; a diesel's gauge boost is about 0 at idle, and an absolute one about 100,
    which its plausible range catches.

    Parameters
    ----------
    match
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
    if match.heading.reference or not is_spark or not len(given):
        return
    low = float(np.quantile(given, 0.02))
    if low < LEAST_MANIFOLD_KPA or _is_full_load(others) or _is_apart(pressure_kpa, others):
        return
    unit = unit_named(match.unit or "kPa").word
    entries = (
        setup_line(match.channel, match.heading.text, f"{unit} {reference}")
        for reference in ("gauge", "absolute")
    )
    raise UnclearError(
        "by its name or by the load axis this counts from the barometer, but it never falls below "
        f"{low:.3g} kPa and looks like an absolute pressure.",
        where=where,
        mend=f"Say which it is, under [channels]: {', or '.join(entries)}.",
    )


def check_two_scales(match: Match, numbers: Floats, *, where: str) -> None:
    """Refuse a column that may show vacuum in inHg and boost in psi, as many gauges do.

    Parameters
    ----------
    match, numbers
        A column of gauge pressure, and its values as logged.
    where
        File and column.

    Raises
    ------
    UnclearError
        With the entries of which one is right. A setup that says "inHg gauge" is believed.
    """
    named = match.heading.unit_text.casefold()
    says_both = match.unit is None and "psi" in named and "hg" in named
    given = numbers[np.isfinite(numbers)]
    if not len(given) or (match.source is not None and match.source.transfer is not None):
        return
    low, high = (float(q) for q in np.quantile(given, [0.02, 0.98]))
    is_both = low >= DEEPEST_INHG and high > CLEAR_BOOST_PSI
    if match.unit == "inHg":
        said = find_unit(match.source.unit) if match.source and match.source.unit else None
        if said is not None and said.reference == "gauge":
            return
        may_be = is_both and low < CLEAR_VACUUM_INHG
    else:
        may_be = is_both and low < DEEPEST_PSI and match.unit in (None, "psi")
    if not (says_both or may_be):
        return
    unit = "inHg" if match.heading.unit == "inHg" else "psi"
    line = setup_line(match.channel, match.heading.text, unit).removesuffix(" }")
    two = (
        f"{line}, transfer = [[-30.0, {-30.0 * PSI_PER_INHG:.4g}], [0.0, 0.0], [60.0, 60.0]], "
        'transfer_unit = "psi gauge" }'
    )
    one = setup_line(match.channel, match.heading.text, "inHg gauge")
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
