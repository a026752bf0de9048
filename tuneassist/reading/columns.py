"""From a picked column to values in the unit inside: unit settled, checked, converted, cleaned."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tuneassist.channels import CHANNELS, Channel
from tuneassist.errors import LogError
from tuneassist.reading.doubt import check_header, check_trim
from tuneassist.reading.guard import (
    MAX_IMPOSSIBLE_SHARE,
    Mixture,
    check_text,
    check_unit,
    fitting_units,
    judge_by,
    measured,
    setup_line,
)
from tuneassist.reading.log import Cells, Floats
from tuneassist.reading.picks import Pick, UnclearError, check_unit_text, is_gauge_axis
from tuneassist.settings import Setup
from tuneassist.units import convert, units_of

_FAR_OFF_SHARE = 0.15  # fewer samples than this near the axis: the unit is in doubt
_HUGE = 1e12  # no measurement in any unit
_AT_HOME_SHARE = 0.5  # more than this on the axis in another unit: that is the likely one


@dataclass(frozen=True, eq=False)
class Column:
    """A channel's values.

    Parameters
    ----------
    pick
        The column, with its unit settled.
    numbers
        One per row, nan where there is no measurement. [unit inside]
    unit_inside
        That unit.
    notes
        What was assumed or left out.
    possible
        From and to of what is a measurement. [unit inside]
    zero_is_off
        A value of zero is no measurement.
    afr_stoich
        With which AFR became lambda. [kg/kg]
    """

    pick: Pick
    numbers: Floats
    unit_inside: str
    notes: tuple[str, ...]
    possible: tuple[float, float] = (-np.inf, np.inf)
    zero_is_off: bool = False
    afr_stoich: float = 0.0


def build_column(
    pick: Pick, cells: Cells, *, setup: Setup | None, name: str, first_text_line: int
) -> Column:
    """Settle a column's unit, hold its values against it, and convert them.

    Parameters
    ----------
    pick, cells
        The column and what stands in it.
    setup
        The car's setup, for the fuel and the axes.
    name
        File name, for messages.
    first_text_line
        Line of the first cell of text, if there is one.

    Raises
    ------
    LogError
        When the unit is unknown, in doubt, or cannot be what the values are in.
    """
    where = f"{name}, column {pick.heading.text!r}"
    load_unit = setup.axes.load_unit if setup else (pick.unit or "1")
    channel = _judge(pick, load_unit, setup)
    mixture = _mixture(setup)
    check_unit_text(pick, channel.quantity, name=name)
    note = check_text(cells, where=where, line=first_text_line)
    notes = [f"Column {pick.heading.text!r}: {note}"] if note else []
    numbers = cells.numbers
    if channel.quantity != "number":
        said_note = check_header(pick, numbers, channel, mixture, where=where)
        notes.extend([said_note] if said_note else [])
        check_trim(pick, numbers, channel, where=where)
        pick, said = _settle_unit(pick, numbers, channel, mixture, setup, where=where)
        notes.extend(said)
        check_unit(
            numbers, pick.unit or "", channel, mixture, where=where, header=pick.heading.text
        )
    inside = load_unit if pick.channel == "load" else channel.unit
    if channel.quantity == "number":
        values = numbers.copy()
        inside = pick.unit or inside
    else:
        values = convert(numbers, pick.unit or inside, inside, afr_stoich=mixture.afr_stoich)
        if setup is not None:
            _check_axis(pick, numbers, channel, setup, where=where)
    possible = _possible(pick, channel, inside)
    values, said = _blank_impossible(values, pick, channel, inside, possible, where=where)
    notes.extend(said)
    if pick.unit == "afr":
        notes.append(_afr_note(pick, mixture, setup))
    return Column(
        pick,
        values,
        inside,
        tuple(notes),
        possible,
        channel.plausible.zero_is_off,
        mixture.afr_stoich,
    )


def extend_column(column: Column, numbers: Floats) -> tuple[Floats, int]:
    """Convert a further part of a column whose unit was settled in the first.

    Parameters
    ----------
    column
        As the first part gave it.
    numbers
        The further part. [unit as read]

    Returns
    -------
    values, wrong
        In the unit inside, nan where there is no measurement; and how many cells were none.
    """
    pick, (low, high) = column.pick, column.possible
    values = numbers
    if pick.unit and pick.unit != column.unit_inside:
        values = convert(numbers, pick.unit, column.unit_inside, afr_stoich=column.afr_stoich)
    with np.errstate(invalid="ignore"):
        is_fine = (values >= low) & (values <= high) & (np.abs(values) <= _HUGE)
    if is_fine.all():
        return values, 0
    is_given = ~np.isnan(values)
    is_off = (values == 0) & column.zero_is_off
    return np.where(is_fine, values, np.nan), int((is_given & ~is_fine & ~is_off).sum())


def _possible(pick: Pick, channel: Channel, unit: str) -> tuple[float, float]:
    """Return from where to where a value is a measurement. [unit inside]"""
    if pick.channel == "load" and channel.quantity == "pressure":
        kin = CHANNELS["manifold_pressure" if channel.plausible.zero_is_off else "boost"]
        low, high = (float(v) for v in convert(list(kin.possible), "kPa", unit))
        return low, high
    return channel.possible


def _judge(pick: Pick, load_unit: str, setup: Setup | None) -> Channel:
    """Return the channel whose ranges hold for the column as logged, gauge or absolute."""
    if not pick.shift:
        return judge_by(pick.channel, load_unit, is_gauge_axis(setup))
    if pick.channel == "load":
        return judge_by("load", load_unit, pick.shift > 0)
    as_logged = CHANNELS["boost" if pick.shift > 0 else "manifold_pressure"]
    return replace(as_logged, name=pick.channel)


def _mixture(setup: Setup | None) -> Mixture:
    if setup is None:
        return Mixture()
    return Mixture(setup.engine.afr_stoich, setup.engine.ignition == "spark")


def _afr_note(pick: Pick, mixture: Mixture, setup: Setup | None) -> str:
    origin = "the setup's fuel" if setup else "petrol, since no setup was given"
    return (
        f"Column {pick.heading.text!r}: AFR became lambda with a stoichiometric AFR of "
        f"{mixture.afr_stoich:g} ({origin})."
    )


def _settle_unit(
    pick: Pick,
    numbers: Floats,
    channel: Channel,
    mixture: Mixture,
    setup: Setup | None,
    *,
    where: str,
) -> tuple[Pick, list[str]]:
    """Give a column without a unit the only one that its values allow, and say so."""
    if pick.unit is not None:
        return pick, []
    kept = measured(numbers, channel.plausible)
    inside = channel.unit
    if not len(kept) or ((kept == 0).all() and channel.quantity != "temperature"):
        return replace(pick, unit=inside, unit_how="inside"), []
    fitting, by = fitting_units(kept, channel, mixture), ""
    if len(fitting) > 1 and pick.channel in ("rpm", "load") and setup is not None:
        at_home = [u for u in fitting if _axis_share(kept, u, channel, setup) > _AT_HOME_SHARE]
        fitting, by = (tuple(at_home), " on the table's axis") if at_home else (fitting, "")
    if len(fitting) == 1:
        note = (
            f"Column {pick.heading.text!r} has no unit; its values can only be "
            f"{pick.channel.replace('_', ' ')} in {fitting[0]}{by}."
        )
        return replace(pick, unit=fitting[0], unit_how="values"), [note]
    low, high = (float(q) for q in np.quantile(kept, [0.1, 0.95]))
    choice = fitting or units_of(channel.quantity)
    doubt = "could be" if fitting else "fit none of"
    raise UnclearError(
        f"no unit is given, and values between {low:g} and {high:g} {doubt} {', '.join(choice)}.",
        where=where,
        mend="Under [channels] write: "
        f"{setup_line(pick.channel, pick.heading.text, choice[0])}, with the right unit.",
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


def _check_axis(pick: Pick, numbers: Floats, channel: Channel, setup: Setup, *, where: str) -> None:
    """Refuse a unit that puts the log beside the table while another puts it on the table."""
    if pick.channel not in ("rpm", "load") or pick.shift or pick.unit is None:
        return
    kept = measured(numbers, channel.plausible)
    near = _axis_share(kept, pick.unit, channel, setup, slack=0.8)
    if near >= _FAR_OFF_SHARE:
        return
    likely = [
        unit
        for unit in fitting_units(kept, channel, _mixture(setup))
        if unit != pick.unit and _axis_share(kept, unit, channel, setup) >= _AT_HOME_SHARE
    ]
    if likely:
        low, high = (float(q) for q in np.quantile(kept, [0.1, 0.95]))
        raise LogError(
            f"values between {low:g} and {high:g} {pick.unit} lie beside the table's "
            f"{pick.channel} axis; they look like {' or '.join(likely)}.",
            where=where,
            mend="If so, write under [channels]: "
            f"{setup_line(pick.channel, pick.heading.text, likely[0])}.",
        )


def _blank_impossible(
    values: Floats,
    pick: Pick,
    channel: Channel,
    unit: str,
    possible: tuple[float, float],
    *,
    where: str,
) -> tuple[Floats, list[str]]:
    """Blank single cells that are no measurement; refuse where they are many."""
    low, high = possible
    is_given = ~np.isnan(values)
    with np.errstate(invalid="ignore"):
        is_out = is_given & ((values < low) | (values > high) | (np.abs(values) > _HUGE))
    is_off = is_out & (values == 0) & channel.plausible.zero_is_off
    wrong = int((is_out & ~is_off).sum())
    if wrong > MAX_IMPOSSIBLE_SHARE * max(1, int(is_given.sum())) and channel.quantity != "mixture":
        first = float(values[is_out & ~is_off][0])
        raise LogError(
            f"{wrong} of {int(is_given.sum())} values cannot be {pick.channel.replace('_', ' ')}: "
            f"the first is {first:g} {unit}, and {low:g} to {high:g} is possible.",
            where=where,
            mend="Check the sensor, the column and its unit.",
        )
    notes = []
    if wrong:
        first = float(values[is_out & ~is_off][0])
        notes.append(
            f"Column {pick.heading.text!r}: {wrong} impossible value(s) were left out, the first "
            f"{first:g} {unit}."
        )
    if is_off.any():
        notes.append(
            f"Column {pick.heading.text!r}: {int(is_off.sum())} zero(s) were left out; the sensor "
            "was not ready."
        )
    return np.where(is_out, np.nan, values), notes
