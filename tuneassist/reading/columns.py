"""From a picked column to values in the unit inside: unit settled, checked, converted, cleaned."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tuneassist.channels import CHANNELS, Channel
from tuneassist.errors import LogError
from tuneassist.reading.doubt import check_header, check_trim, check_two_scales
from tuneassist.reading.guard import MAX_IMPOSSIBLE_SHARE, Mixture, check_text
from tuneassist.reading.judge import check_values, judging_channel, mixture_of, settle_unit
from tuneassist.reading.log import Cells, Floats
from tuneassist.reading.picks import Pick, check_unit_text
from tuneassist.settings import Setup
from tuneassist.units import convert, unit_named

_HUGE = 1e12  # no measurement in any unit
AFR_CONVERTED = "AFR became lambda with a stoichiometric AFR of"
"""Words of the one note that tells of a conversion as asked for, and of no doubt."""


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
    channel = judging_channel(pick, load_unit, setup)
    mixture = mixture_of(setup)
    if channel.quantity == "pressure" and channel.plausible is CHANNELS["boost"].plausible:
        check_two_scales(pick, cells.numbers, where=where)
    check_unit_text(pick, channel.quantity, name=name)
    note = check_text(cells, where=where, line=first_text_line)
    notes = [f"Column {pick.heading.text!r}: {note}"] if note else []
    numbers = cells.numbers
    if channel.quantity != "number":
        contradicted = check_header(pick, numbers, channel, mixture, where=where)
        notes.extend([contradicted] if contradicted else [])
        check_trim(pick, numbers, channel, where=where)
        pick, said = settle_unit(pick, numbers, channel, mixture, setup, where=where)
        notes.extend(said)
        check_values(pick, numbers, setup, where=where)
    inside = load_unit if pick.channel == "load" else channel.unit
    if channel.quantity == "number":
        values = numbers.copy()
        inside = pick.unit or inside
    else:
        values = convert(numbers, pick.unit or inside, inside, afr_stoich=mixture.afr_stoich)
    if pick.unit == "afr":
        notes.append(_afr_note(pick, mixture, setup))
    column = Column(
        pick,
        values,
        inside,
        (),
        _possible(pick, channel, inside),
        channel.plausible.zero_is_off,
        mixture.afr_stoich,
    )
    values, said = _blank_impossible(column, where=where)
    return replace(column, numbers=values, notes=(*notes, *said))


def extend_column(column: Column, numbers: Floats) -> tuple[Floats, Floats]:
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
        In the unit inside, nan where there is no measurement; and those that were none.
    """
    pick, (low, high) = column.pick, column.possible
    values = numbers
    if pick.unit and pick.unit != column.unit_inside:
        values = convert(numbers, pick.unit, column.unit_inside, afr_stoich=column.afr_stoich)
    with np.errstate(invalid="ignore"):
        is_fine = (values >= low) & (values <= high) & (np.abs(values) <= _HUGE)
    if is_fine.all():
        return values, values[:0]
    is_given = ~np.isnan(values)
    is_off = (values == 0) & column.zero_is_off
    return np.where(is_fine, values, np.nan), values[is_given & ~is_fine & ~is_off]


def check_possible(column: Column, wrong: int, given: int, first: float, *, where: str) -> None:
    """Refuse a column of which many values are no measurement.

    Parameters
    ----------
    column
        With its unit settled.
    wrong, given
        Values that are none, of how many. [1]
    first
        The first of them. [unit inside]
    where
        File and column, for messages.
    """
    pick, (low, high) = column.pick, column.possible
    is_mixture = pick.unit is not None and unit_named(pick.unit).quantity == "mixture"
    if wrong > MAX_IMPOSSIBLE_SHARE * max(1, given) and not is_mixture:
        raise LogError(
            f"{wrong} of {given} values cannot be {pick.channel.replace('_', ' ')}: "
            f"the first is {first:g} {column.unit_inside}, and {low:g} to {high:g} is possible.",
            where=where,
            mend="Check the sensor, the column and its unit.",
        )


def _possible(pick: Pick, channel: Channel, unit: str) -> tuple[float, float]:
    """Return from where to where a value is a measurement. [unit inside]"""
    if pick.channel == "load" and channel.quantity == "pressure":
        kin = CHANNELS["manifold_pressure" if channel.plausible.zero_is_off else "boost"]
        low, high = (float(v) for v in convert(list(kin.possible), "kPa", unit))
        return low, high
    return channel.possible


def _afr_note(pick: Pick, mixture: Mixture, setup: Setup | None) -> str:
    origin = "the setup's fuel" if setup else "petrol, since no setup was given"
    return f"Column {pick.heading.text!r}: {AFR_CONVERTED} {mixture.afr_stoich:g} ({origin})."


def _blank_impossible(column: Column, *, where: str) -> tuple[Floats, list[str]]:
    """Blank single cells that are no measurement; refuse where they are many."""
    values, (low, high), header = column.numbers, column.possible, column.pick.heading.text
    is_given = ~np.isnan(values)
    with np.errstate(invalid="ignore"):
        is_out = is_given & ((values < low) | (values > high) | (np.abs(values) > _HUGE))
    is_off = is_out & (values == 0) & column.zero_is_off
    wrong = values[is_out & ~is_off]
    notes = []
    if len(wrong):
        first = float(wrong[0])
        check_possible(column, len(wrong), int(is_given.sum()), first, where=where)
        notes.append(
            f"Column {header!r}: {len(wrong)} impossible value(s) were left out, the first "
            f"{first:g} {column.unit_inside}."
        )
    if is_off.any():
        notes.append(
            f"Column {header!r}: {int(is_off.sum())} zero(s) were left out; the sensor "
            "was not ready."
        )
    return np.where(is_out, np.nan, values), notes
