"""One part of a log being worked on, and its pressures brought to one reference."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.channels import CHANNELS
from tuneassist.errors import LogError
from tuneassist.reading.columns import Column
from tuneassist.reading.doubt import check_boost
from tuneassist.reading.log import Floats, Piece
from tuneassist.reading.picks import Pick, is_gauge_axis
from tuneassist.settings import Setup
from tuneassist.units import ATMOSPHERE_KPA, convert, unit_named


@dataclass(eq=False)
class PartWork:
    """What has been read so far of one part of a log."""

    setup: Setup | None
    name: str
    piece: Piece
    columns: dict[str, Column] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)

    @property
    def lines(self) -> npt.NDArray[np.int64]:
        """Line in the file of every row."""
        return self.piece.lines


def check_gauges(
    work: PartWork, may_leave_out: Callable[[Pick, LogError, Setup | None], bool]
) -> None:
    """Ask where what is gauge by its name alone may be absolute.

    Parameters
    ----------
    work
        The first part.
    may_leave_out
        Tells whether a column in doubt is left out with a note.
    """
    others: dict[str, Floats] = {
        name: work.columns[name].numbers
        for name in ("throttle", "pedal", "manifold_pressure")
        if name in work.columns
    }
    is_spark = work.setup is None or work.setup.engine.ignition == "spark"
    for name in ("boost", "load"):
        column = work.columns.get(name)
        if column is None or unit_named(column.unit_inside).quantity != "pressure":
            continue
        if (name == "boost" or is_gauge_axis(work.setup)) != bool(column.pick.shift):
            where = f"{work.name}, column {column.pick.heading.text!r}"
            values = convert(column.numbers, column.unit_inside, "kPa")
            try:
                check_boost(column.pick, values, others, is_spark=is_spark, where=where)
            except LogError as error:
                if not may_leave_out(column.pick, error, work.setup):
                    raise
                work.notes.append(f"{error} It was left out.")
                del work.columns[name]


def apply_barometer(work: PartWork, before_kpa: float | None = None) -> float | None:
    """Bring gauge pressures to absolute and back, with the logged barometer where there is one.

    Parameters
    ----------
    work
        The part.
    before_kpa
        What the barometer said last in the parts before; None where it has said nothing. [kPa]

    Returns
    -------
    float
        What it said last. [kPa]
    """
    fixed = work.setup.limits.barometer_kpa if work.setup else ATMOSPHERE_KPA
    pressure: Floats = np.full(len(work.lines), fixed)
    origin = f"a barometer of {fixed:g} kPa (none was logged)"
    logged = work.columns.get("barometer")
    if logged is not None:
        pressure, before_kpa = _carried(logged.numbers, before_kpa, fixed)
        origin = "the logged barometer"
    for name, column in list(work.columns.items()):
        if column.pick.shift:
            change = column.pick.shift * convert(pressure, "kPa", column.unit_inside)
            work.columns[name] = replace(column, numbers=column.numbers + change)
            sign = "added to" if column.pick.shift > 0 else "taken from"
            work.notes.append(f"{name}: {origin} was {sign} {column.pick.heading.text!r}.")
    _add_manifold_pressure(work, pressure, origin)
    return before_kpa


def _carried(
    numbers: Floats, before_kpa: float | None, fixed_kpa: float
) -> tuple[Floats, float | None]:
    """Fill a barometer's blanks with what it said last, and before it spoke with what it says."""
    given = np.flatnonzero(np.isfinite(numbers))
    if len(given) == len(numbers) > 0:
        return numbers, float(numbers[-1])
    if not len(given):
        return np.full(len(numbers), fixed_kpa if before_kpa is None else before_kpa), before_kpa
    place = np.searchsorted(given, np.arange(len(numbers)), side="right") - 1
    first = float(numbers[given[0]]) if before_kpa is None else before_kpa
    filled = np.where(place < 0, first, numbers[given[np.maximum(place, 0)]])
    return filled, float(numbers[given[-1]])


def _add_manifold_pressure(work: PartWork, barometer: Floats, origin: str) -> None:
    """Derive absolute manifold pressure from load or boost where it has no column of its own."""
    if "manifold_pressure" in work.columns:
        return
    load, boost = work.columns.get("load"), work.columns.get("boost")
    setup = work.setup
    if setup and load and unit_named(setup.axes.load_unit).quantity == "pressure":
        values = convert(load.numbers, load.unit_inside, "kPa")
        if is_gauge_axis(setup):
            values = values + barometer
        work.columns["manifold_pressure"] = Column(load.pick, values, "kPa", ())
    elif boost:
        work.columns["manifold_pressure"] = Column(boost.pick, boost.numbers + barometer, "kPa", ())
        work.notes.append(f"manifold_pressure: {origin} was added to {boost.pick.heading.text!r}.")


def samples_of(work: PartWork, seconds: Floats) -> pd.DataFrame:
    """Return the rows that have a time as samples."""
    columns: dict[str, object] = {"row": work.lines, "time_s": seconds}
    for name, channel in CHANNELS.items():
        if name in work.columns:
            columns[channel.column] = work.columns[name].numbers
    is_usable = np.isfinite(seconds)
    frame = pd.DataFrame(columns, copy=False)
    return frame if is_usable.all() else frame[is_usable].reset_index(drop=True)
