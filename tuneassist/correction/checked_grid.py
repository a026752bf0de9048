"""What the checker works on: one record per cell, and simple queries about it.

Part of the checker: shares no code with the rules or the limiter.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import pandas as pd

from tuneassist.channels import is_gauge_name
from tuneassist.errors import GridError
from tuneassist.grid import Axes, Grid
from tuneassist.settings import (
    CEILING_CHANNELS,
    LIVE_EXHAUST_RANGE_C,
    LIVE_EXHAUST_TOP_C,
    Setup,
)

PASCALS = {
    "kPa": 1e3,
    "bar": 1e5,
    "psi": 6894.757293168,
    "inHg": 3386.38864034,
    "mbar": 100.0,
    "hPa": 100.0,
    "Pa": 1.0,
    "MPa": 1e6,
}
READ = (
    "rpm",
    "load",
    "target_lambda",
    "deviation_pct",
    "ci_low_pct",
    "ci_high_pct",
    "confidence",
    "lambda_measured",
    "manifold_pressure_kpa",
    "barometer_kpa",
    "worth",
    "holds",
    "own_high_pct",
    "holds_in_all",
    "lean_doubt_pct",
    "unsafe_step_barred",
)
NAN = math.nan
SAME_PLACE = 1e-6  # breakpoints closer than this are the same [rpm], [load unit]


@dataclass(frozen=True)
class CheckedCell:
    """One cell: where it is, what it held, what it would hold, and what is known about it.

    Parameters
    ----------
    row, column, rpm, load, unit
        Place. [1], [1], [rpm], [load unit]
    old, new
        Grid value now and after. [%]
    is_evidence
        Has a target, a confidence above "none" and a deviation.
    confidence
        As in the cells frame.
    deviation, ci_low, ci_high
        Deviation from target and its interval. [%]
    lambdas
        What the lambda may be now: by target and deviation, and as measured. [lambda]
    pressure, barometer
        Absolute manifold pressure near the cell, nan unknown, and barometer. [kPa]
    tops
        Ceiling channel to the highest reading near the cell, nan never seen.
    worth, holds, own_high, holds_in_all
        Evidence near the cell, counted in holds, the holds that touch the cell, the lean end of the
        cell's own readings, and the number of holds of all cells; None where the evidence does not
        have it.
    lean_doubt
        How much leaner than measured the mixture may be, by a doubt about the logs. [%]
    barred
        Why the cell may not move the unsafe way; empty where it may.
    """

    row: int
    column: int
    rpm: float
    load: float
    unit: str
    old: float
    new: float
    is_evidence: bool = False
    confidence: str = "none"
    deviation: float = NAN
    ci_low: float = NAN
    ci_high: float = NAN
    lambdas: tuple[float, ...] = ()
    pressure: float = NAN
    barometer: float = NAN
    tops: tuple[tuple[str, float], ...] = ()
    worth: float | None = None
    holds: float = math.inf
    own_high: float = NAN
    holds_in_all: float = math.inf
    lean_doubt: float = 0.0
    barred: str = ""

    @property
    def where(self) -> str:
        """Place in words."""
        return f"{self.rpm:g} rpm, {self.load:g} {self.unit}"

    @property
    def ratio(self) -> float:
        """Multiple of fuel or air that the change gives the cell."""
        return (100.0 + self.new) / (100.0 + self.old)

    def top(self, channel: str) -> float:
        """Highest reading near the cell, nan never seen; boost from either pressure."""
        read = dict(self.tops).get(channel, NAN)
        gauge = self.pressure - self.barometer
        if channel != "boost" or math.isnan(gauge):
            return read
        return gauge if math.isnan(read) else max(read, gauge)


@dataclass(frozen=True, eq=False)
class CheckedGrid:
    """A grid to be checked, cell by cell."""

    setup: Setup
    axes: Axes
    cells: tuple[CheckedCell, ...]
    has_current: bool
    has_cells: bool

    @property
    def rows(self) -> int:
        """Number of rpm breakpoints."""
        return len(self.axes.rpm)

    @property
    def columns(self) -> int:
        """Number of load breakpoints."""
        return len(self.axes.load)

    @property
    def is_spark(self) -> bool:
        """Spark ignition."""
        return self.setup.engine.ignition == "spark"

    @property
    def on_fuel(self) -> bool:
        """The grid corrects fuel, not boost."""
        return self.setup.correction.acts_on == "fuel"

    @property
    def safe_way(self) -> int:
        """More fuel is safe for a spark engine (+1); less fuel or less boost otherwise (-1)."""
        if self.on_fuel and self.is_spark:
            return 1
        return -1

    def at(self, row: int, column: int) -> CheckedCell:
        """Return the cell in a row and a column."""
        return self.cells[row * self.columns + column]

    def lambda_after(self, cell: CheckedCell, now: float) -> float:
        """Lambda that follows: more fuel is richer, more air is leaner."""
        return now / cell.ratio if self.on_fuel else now * cell.ratio

    def is_leaner(self, cell: CheckedCell) -> bool:
        """The change makes the cell leaner."""
        return cell.ratio < 1.0 if self.on_fuel else cell.ratio > 1.0

    def is_hard(self, cell: CheckedCell) -> bool:
        """A hard ceiling asks this cell to step back; a hot diesel loses no air for it."""
        for channel, ceiling in self.setup.limits.ceilings.items():
            past = ceiling.hard is not None and cell.top(channel) > ceiling.hard
            if past and self.may_lose_air(channel):
                return True
        return False

    def may_lose_air(self, channel: str) -> bool:
        """False where less air at the same fuel would make a too hot diesel hotter."""
        return self.is_spark or self.on_fuel or channel != "exhaust_temp"

    def is_near_ceiling(self, cell: CheckedCell, channel: str) -> bool:
        """The cell, or one that touches it by a side or a corner, was beyond the ceiling."""
        ceiling = self.setup.limits.ceilings[channel].ceiling
        for row in range(max(cell.row - 1, 0), min(cell.row + 2, self.rows)):
            for column in range(max(cell.column - 1, 0), min(cell.column + 2, self.columns)):
                if self.at(row, column).top(channel) > ceiling:
                    return True
        return False

    def touching(self, cell: CheckedCell) -> list[CheckedCell]:
        """Cells that touch this one by a side or a corner."""
        return [
            self.at(row, column)
            for row in range(max(cell.row - 1, 0), min(cell.row + 2, self.rows))
            for column in range(max(cell.column - 1, 0), min(cell.column + 2, self.columns))
            if (row, column) != (cell.row, cell.column)
        ]

    def reading_near(self, cell: CheckedCell, channel: str) -> float:
        """The cell's own highest reading, else the highest that touches it; nan none at all."""
        own = cell.top(channel)
        if not math.isnan(own):
            return own
        others = [other.top(channel) for other in self.touching(cell)]
        return max((top for top in others if not math.isnan(top)), default=NAN)

    def is_sensor_live(self, channel: str) -> bool:
        """The sensor responds: exhaust warms from idle to load, any other channel changes."""
        tops = [cell.top(channel) for cell in self.cells]
        tops = [top for top in tops if not math.isnan(top)]
        if not tops:
            return False
        spread = max(tops) - min(tops)
        if channel == "exhaust_temp":
            return spread >= LIVE_EXHAUST_RANGE_C and max(tops) > LIVE_EXHAUST_TOP_C
        return spread > 0 or len(tops) == 1

    def axis_kpa(self, cell: CheckedCell, barometer: float) -> float:
        """Absolute pressure by the load axis, nan where that is not a pressure. [kPa]"""
        if not self.is_pressure_axis:
            return NAN
        word, _, reference = self.axes.load_unit.partition(" ")
        pressure = cell.load * PASCALS[word] / 1000.0
        counts_from_air = not reference and is_gauge_name(self.axes.load_name)
        return pressure + barometer if reference == "gauge" or counts_from_air else pressure

    @property
    def is_pressure_axis(self) -> bool:
        """The load axis is a pressure, with or without its reference."""
        return self.axes.load_unit.partition(" ")[0] in PASCALS

    def in_boost(self, cell: CheckedCell) -> bool:
        """In boost, or not known to be out of it."""
        limits = self.setup.limits
        by_load = limits.boost_above_load is not None and cell.load > limits.boost_above_load
        if self.is_pressure_axis:
            pressure = self.axis_kpa(cell, limits.barometer_kpa)
            return by_load or pressure > limits.boost_above_kpa
        if limits.boost_above_load is not None:
            return by_load
        return math.isnan(cell.pressure) or cell.pressure > limits.boost_above_kpa

    def knows_boost(self, cell: CheckedCell) -> bool:
        """Whether it is known if the cell is in boost."""
        by_axis = self.is_pressure_axis or self.setup.limits.boost_above_load is not None
        return by_axis or not math.isnan(cell.pressure)

    def pressures(self, cell: CheckedCell) -> list[float]:
        """Absolute pressures of the cell by axis, log and boost channel, where known. [kPa]"""
        known = (
            self.axis_kpa(cell, cell.barometer),
            cell.pressure,
            cell.top("boost") + cell.barometer,
        )
        return [pressure for pressure in known if math.isfinite(pressure)]


def build_checked_grid(
    grid: Grid, *, current: Grid | None, setup: Setup, cells: pd.DataFrame | None
) -> CheckedGrid:
    """Lay a grid and its evidence out as one record per cell.

    Parameters
    ----------
    grid, current, setup, cells
        As in `check_grid`.

    Returns
    -------
    CheckedGrid
        Ready for the checks.

    Raises
    ------
    GridError
        When breakpoints differ.
    """
    axes = grid.axes
    same = axes.is_same(setup.axes) and (current is None or axes.is_same(current.axes))
    if not same or (cells is not None and len(cells) != axes.size):
        raise GridError(
            "the grid does not have the breakpoints of the setup, the current grid or the cells.",
            where=axes.where,
            mend="Check a grid against the setup that it was made with.",
        )
    new = grid.flat().tolist()
    old = current.flat().tolist() if current is not None else [NAN] * axes.size
    tops = [f"{CEILING_CHANNELS[name][0]}_max" for name in setup.limits.ceilings]
    names = () if cells is None else [name for name in (*READ, *tops) if name in cells]
    rows = {} if cells is None else {name: cells[name].tolist() for name in names}
    width = len(axes.load)
    seen = []
    for row, rpm in enumerate(axes.rpm.tolist()):
        for column, load in enumerate(axes.load.tolist()):
            place = {"row": row, "column": column, "rpm": rpm, "load": load, "unit": axes.load_unit}
            index = row * width + column
            known = {name: values[index] for name, values in rows.items()}
            seen.append(_checked_cell(place, old[index], new[index], known, setup))
    return CheckedGrid(setup, axes, tuple(seen), current is not None, cells is not None)


def _checked_cell(
    place: dict[str, Any], old: float, new: float, known: dict[str, Any], setup: Setup
) -> CheckedCell:
    if not known:
        return CheckedCell(**place, old=old, new=new)
    _require_order(place, known)
    deviation, confidence = float(known["deviation_pct"]), str(known["confidence"])
    barometer = float(known.get("barometer_kpa", NAN))
    return CheckedCell(
        **place,
        old=old,
        new=new,
        is_evidence=_is_usable(known) and confidence in ("low", "fair", "good"),
        confidence=confidence,
        deviation=deviation,
        ci_low=float(known["ci_low_pct"]),
        ci_high=float(known["ci_high_pct"]),
        lambdas=_lambdas(known),
        pressure=float(known.get("manifold_pressure_kpa", NAN)),
        barometer=barometer if math.isfinite(barometer) else setup.limits.barometer_kpa,
        tops=_tops(known, setup),
        worth=float(known["worth"]) if "worth" in known else None,
        holds=float(known.get("holds", math.inf)),
        own_high=float(known.get("own_high_pct", NAN)),
        holds_in_all=float(known.get("holds_in_all", math.inf)),
        lean_doubt=float(known.get("lean_doubt_pct", 0.0)),
        barred=str(known.get("unsafe_step_barred") or ""),
    )


def _require_order(place: dict[str, Any], known: dict[str, Any]) -> None:
    """Refuse a row of another cell than the grid has at its place."""
    if abs(known["rpm"] - place["rpm"]) <= SAME_PLACE >= abs(known["load"] - place["load"]):
        return
    raise GridError(
        f"the cells are not in the grid's order: found {known['rpm']:g} rpm, {known['load']:g}, "
        f"expected {place['rpm']:g} rpm, {place['load']:g}.",
        where="cells",
    )


def _is_usable(known: dict[str, Any]) -> bool:
    """Whether the cell has a target and a possible deviation."""
    target, deviation = float(known["target_lambda"]), float(known["deviation_pct"])
    return target > 0 and -100.0 < deviation < math.inf and math.isfinite(target)


def _lambdas(known: dict[str, Any]) -> tuple[float, ...]:
    """Lambda now, by target and deviation, and as measured where it was."""
    by_deviation = float(known["target_lambda"]) * (1.0 + float(known["deviation_pct"]) / 100.0)
    measured = float(known.get("lambda_measured", NAN))
    is_measured = measured > 0 and math.isfinite(measured)
    return (by_deviation, measured) if is_measured else (by_deviation,)


def _tops(known: dict[str, Any], setup: Setup) -> tuple[tuple[str, float], ...]:
    """Highest reading near the cell of every channel with a ceiling."""
    return tuple(
        (name, float(known.get(f"{CEILING_CHANNELS[name][0]}_max", NAN)))
        for name in setup.limits.ceilings
    )
