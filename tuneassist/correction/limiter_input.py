"""The limiter's input as arrays: cells, grid in force and settings, one value per cell.

Boost, lambda now, manifold pressure and exceeded ceilings are worked out here once, so that each
rule is a few lines.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.correction.cell_readings import (
    column_or,
    highest_pressure,
    in_boost,
    read_tops,
)
from tuneassist.correction.raw_step import Flags, is_evidence
from tuneassist.errors import GridError
from tuneassist.grid import Axes, Floats, Grid
from tuneassist.settings import LEAN_IN_BOOST_WORDS, LimitSettings, Setup

NEAR = 1e-6  # breakpoints closer than this are the same [rpm], [load unit]
LABELS: Mapping[str, int] = {"low": 1, "fair": 2, "good": 3}


@dataclass(frozen=True, eq=False)
class TightestLimit:
    """A limit per cell, the tightest of general rule and regions, and which of them sets it."""

    values: Floats
    set_by: npt.NDArray[np.int64]

    def name(self, cell: int, regions: tuple[str, ...]) -> str:
        """Say which region sets the limit; empty for the general rule."""
        index = int(self.set_by[cell])
        return "" if index < 0 else f" in {regions[index]}"


@dataclass(frozen=True, eq=False)
class LimiterInput:
    """Everything that a rule may use, one value per cell in cell order.

    Parameters
    ----------
    setup, axes
        The setup in force and the breakpoints.
    current, is_value
        The grid in force, 0 where it has no value, and where it has one. [%]
    raw
        The step asked for. [%]
    is_evidence
        Cells that may move at all.
    level
        Confidence: 0 none, 1 low, 2 fair, 3 good.
    deviation
        Deviation from target, + is leaner. [%]
    lambda_rich, lambda_lean
        Lambda now: the smaller and the larger of the measured one and the one that target and
        deviation give (they differ where fuel trims were at work). [lambda]
    pressure_kpa, barometer_kpa
        Absolute manifold pressure now, nan unknown, and the barometer. [kPa]
    is_boost
        In boost, or not known to be out of it.
    beyond, beyond_hard
        Per ceiling channel: cells whose own reading was beyond the ceiling, the hard ceiling.
    seen
        Per ceiling channel: the highest reading near the cell.
    worth, lean_end
        Evidence near the cell, counted in holds, and the lean end of the intervals of surface and
        cell; None where the evidence does not have it. [1], [%]
    is_held
        Whether a hold touches the cell; True where the evidence does not tell.
    is_few
        Fewer holds in all than `LimitSettings.few_holds`, or a doubt that counts on the lean side.
    barred
        Why no cell may move the unsafe way, one text per cell; empty where it may.
    """

    setup: Setup
    axes: Axes
    current: Floats
    is_value: Flags
    raw: Floats
    is_evidence: Flags
    level: npt.NDArray[np.int64]
    deviation: Floats
    lambda_rich: Floats
    lambda_lean: Floats
    pressure_kpa: Floats
    barometer_kpa: Floats
    is_boost: Flags
    beyond: Mapping[str, Flags]
    beyond_hard: Mapping[str, Flags]
    seen: Mapping[str, Floats]
    worth: Floats | None
    lean_end: Floats
    is_held: Flags
    is_few: bool
    barred: npt.NDArray[np.object_]

    @property
    def limits(self) -> LimitSettings:
        """The safety rules in force."""
        return self.setup.limits

    @property
    def acts_on_fuel(self) -> bool:
        """True where the grid corrects fuel, False where it corrects boost."""
        return self.setup.correction.acts_on == "fuel"

    @property
    def is_spark(self) -> bool:
        """Spark ignition."""
        return self.setup.engine.ignition == "spark"

    @property
    def safe_way(self) -> int:
        """+1 where a larger grid value is the safe way, -1 where a smaller one is."""
        return 1 if self.is_spark and self.acts_on_fuel else -1

    @property
    def region_names(self) -> tuple[str, ...]:
        """The tuner's words for the regions."""
        return tuple(region.name for region in self.limits.regions)

    def value_at(self, ratio: Floats) -> Floats:
        """Grid value that multiplies what the cell delivers now by ``ratio``. [%]"""
        return self.current + (ratio - 1.0) * (100.0 + self.current)

    def tightest(self, name: str, *, largest: bool = False) -> TightestLimit:
        """Take the tightest of ``limits.<name>`` and the regions that set it."""
        general = getattr(self.limits, name)
        values = np.full(len(self.current), _rank(general))
        set_by = np.full(len(self.current), -1, dtype=np.int64)
        for index, region in enumerate(self.limits.regions):
            own = getattr(region, name)
            if own is None:
                continue
            rank = _rank(own)
            tighter = self._inside(index) & ((values < rank) if largest else (values > rank))
            values[tighter] = rank
            set_by[tighter] = index
        return TightestLimit(values, set_by)

    def _inside(self, index: int) -> Flags:
        region = self.limits.regions[index]
        rpm, load = self.axes.cell_rpm(), self.axes.cell_load()
        return np.asarray(
            (rpm >= region.rpm[0])
            & (rpm <= region.rpm[1])
            & (load >= region.load[0])
            & (load <= region.load[1])
        )


def _rank(value: float | str) -> float:
    """Numbers stay; "low" to "never" become 1 to 4, the larger the tighter."""
    if isinstance(value, str):
        return float(1 + LEAN_IN_BOOST_WORDS.index(value))
    return float(value)


def build_limiter_input(cells: pd.DataFrame, *, current: Grid, setup: Setup) -> LimiterInput:
    """Lay cells, current grid and settings out as arrays.

    Parameters
    ----------
    cells
        From `propose_raw`: one row per cell in cell order, with ``raw_pct``.
    current
        The grid that the controller holds now.
    setup
        The setup in force.

    Returns
    -------
    LimiterInput
        Arrays in cell order.

    Raises
    ------
    GridError
        When cells or current grid do not follow the setup's axes.
    """
    axes = current.axes
    _check_order(cells, axes, setup)
    held = current.flat()
    is_value = np.isfinite(held)
    words = cells["confidence"].to_numpy(dtype=object)
    level = np.array([LABELS.get(str(word), 0) for word in words], dtype=np.int64)
    known = is_evidence(cells)
    rich, lean = _lambda_now(cells, known)
    barometer = column_or(cells, "barometer_kpa", setup.limits.barometer_kpa)
    pressure = highest_pressure(cells, axes, barometer)
    raw = np.nan_to_num(cells["raw_pct"].to_numpy(dtype=float), nan=0.0)
    beyond, hard, seen = _ceilings(cells, setup.limits)
    return LimiterInput(
        setup=setup,
        axes=axes,
        current=np.where(is_value, held, 0.0),
        is_value=is_value,
        raw=raw,
        is_evidence=known & is_value,
        level=level,
        deviation=cells["deviation_pct"].to_numpy(dtype=float),
        lambda_rich=rich,
        lambda_lean=lean,
        pressure_kpa=pressure,
        barometer_kpa=barometer,
        is_boost=in_boost(cells, axes, setup.limits),
        beyond=beyond,
        beyond_hard=hard,
        seen=seen,
        worth=cells["worth"].to_numpy(dtype=float) if "worth" in cells else None,
        lean_end=_lean_end(cells),
        is_held=column_or(cells, "holds", np.inf) > 0,
        is_few=bool((column_or(cells, "holds_in_all", np.inf) < setup.limits.few_holds).any())
        or bool((column_or(cells, "lean_doubt_pct", 0.0) > 0.0).any()),
        barred=_barred(cells),
    )


def _lean_end(cells: pd.DataFrame) -> Floats:
    """Lean end of the intervals of surface and own holds; nan where either is not known. [%]"""
    ends = [cells[name] for name in ("ci_high_pct", "own_high_pct") if name in cells]
    return np.asarray(np.max([end.to_numpy(dtype=float) for end in ends], axis=0))


def _barred(cells: pd.DataFrame) -> npt.NDArray[np.object_]:
    if "unsafe_step_barred" not in cells:
        return np.full(len(cells), "", dtype=object)
    return cells["unsafe_step_barred"].fillna("").to_numpy(dtype=object)


def _check_order(cells: pd.DataFrame, axes: Axes, setup: Setup) -> None:
    fits = axes.is_same(setup.axes) and len(cells) == axes.size
    if fits:
        fits = bool(
            (np.abs(cells["rpm"].to_numpy(dtype=float) - axes.cell_rpm()) < NEAR).all()
            and (np.abs(cells["load"].to_numpy(dtype=float) - axes.cell_load()) < NEAR).all()
        )
    if not fits:
        raise GridError(
            "cells, current grid and setup do not share the same breakpoints in the same order.",
            where=axes.where,
            mend="Use a grid written for this setup's axes.",
        )


def _lambda_now(cells: pd.DataFrame, known: Flags) -> tuple[Floats, Floats]:
    """Smaller and larger lambda now, by deviation and as measured; nan without evidence."""
    target = cells["target_lambda"].to_numpy(dtype=float)
    needed = target * (1.0 + cells["deviation_pct"].to_numpy(dtype=float) / 100.0)
    needed = np.where(known, needed, np.nan)
    measured = column_or(cells, "lambda_measured", np.nan)
    measured = np.where(known & (measured > 0), measured, needed)
    return np.minimum(needed, measured), np.maximum(needed, measured)


def _ceilings(
    cells: pd.DataFrame, limits: LimitSettings
) -> tuple[dict[str, Flags], dict[str, Flags], dict[str, Floats]]:
    """Cells beyond each ceiling, beyond the hard one, and readings, of the channels logged."""
    beyond, hard, seen = {}, {}, {}
    for name, top in read_tops(cells, limits).items():
        ceiling = limits.ceilings[name]
        if np.isnan(top).all():
            continue
        seen[name] = top
        beyond[name] = top > ceiling.ceiling
        hard[name] = top > (np.inf if ceiling.hard is None else ceiling.hard)
    return beyond, hard, seen
