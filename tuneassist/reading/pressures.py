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
from tuneassist.reading.picks import Pick, is_gauge_axis, left_out
from tuneassist.reading.plan import or_unread
from tuneassist.settings import Setup
from tuneassist.units import ATMOSPHERE_KPA, convert, unit_named

ON_THE_AXIS = 0.8
"""With this share of the samples on the load axis one way, and as many off it the other way, the
axis tells gauge from absolute. [1]"""


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
    _check_one_reference(work)
    is_spark = work.setup is None or work.setup.engine.ignition == "spark"
    settled: set[int] = set()  # columns that the axes tell to be gauge
    for name in ("load", "boost"):
        column = work.columns.get(name)
        if column is None or unit_named(column.unit_inside).quantity != "pressure":
            continue
        if not _is_gauge(work, name, column):
            continue
        if name == "load" and _fits_gauge_axis(work, column):
            settled.add(column.pick.heading.index)
        if column.pick.heading.index in settled:
            continue
        where = f"{work.name}, column {column.pick.heading.text!r}"
        values = convert(column.numbers, column.unit_inside, "kPa")
        try:
            check_boost(column.pick, values, others, is_spark=is_spark, where=where)
        except LogError as error:
            if not may_leave_out(column.pick, error, work.setup):
                raise or_unread(error, name, work.setup) from error
            work.notes.append(left_out(error, work.name))
            del work.columns[name]


def _is_gauge(work: PartWork, name: str, column: Column) -> bool:
    """Tell whether the column, as it was logged, is taken to count from the barometer."""
    return (name == "boost" or is_gauge_axis(work.setup)) != bool(column.pick.shift)


def _check_one_reference(work: PartWork) -> None:
    """Refuse one column that is gauge for load and absolute for boost, or the other way round."""
    load, boost = work.columns.get("load"), work.columns.get("boost")
    if load is None or boost is None or load.pick.heading.index != boost.pick.heading.index:
        return
    words = {True: "gauge", False: "absolute"}
    of_load, of_boost = _is_gauge(work, "load", load), _is_gauge(work, "boost", boost)
    if of_load != of_boost:
        raise LogError(
            f"the column is taken as {words[of_load]} for load and {words[of_boost]} for boost.",
            where=f"{work.name}, column {load.pick.heading.text!r}",
            mend="Under [channels] give both entries the same unit, such as "
            f'"{load.pick.unit or "kPa"} gauge".',
        )


def _fits_gauge_axis(work: PartWork, column: Column) -> bool:
    """Tell whether the load lies on the table as gauge pressure, and would not as absolute."""
    if work.setup is None:
        return False
    points = work.setup.axes.load
    atmosphere = convert(work.setup.limits.barometer_kpa, "kPa", column.unit_inside)
    values = column.numbers[np.isfinite(column.numbers)]
    as_gauge, as_absolute = (
        float(np.mean((at >= points[0]) & (at <= points[-1]))) if len(at) else 0.0
        for at in (values, values - atmosphere)
    )
    return as_gauge >= ON_THE_AXIS and as_absolute <= 1.0 - ON_THE_AXIS


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
            work.notes.append(
                f"manifold_pressure: {origin} was added to {load.pick.heading.text!r}."
            )
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
