"""Where a milder tune is made: between two grids, on the safe side, under the next stronger one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.correction.between import grid_between, safer_of, unsafe_way
from tuneassist.correction.cell_readings import in_boost
from tuneassist.grid import Floats, Grid
from tuneassist.loop.derive_bounds import ShareBound
from tuneassist.loop.settings import TuneSettings
from tuneassist.loop.towing_checks import is_heavy
from tuneassist.loop.tune_model import Tune
from tuneassist.settings import Setup

CLOSE_PCT = 1e-6
"""Values that differ by less than this are the same. [%]"""


@dataclass(frozen=True, eq=False)
class Corners:
    """Both grids in cell order, and how far each cell may go from the safer of the two. [%]"""

    standard: Floats
    strong: Floats
    safer: Floats
    furthest: Floats
    why_safer: npt.NDArray[np.object_]

    def at_share(self, share: Floats) -> Floats:
        """Value at a share of the way from standard to strong, in logarithms. [%]"""
        start, end = np.log1p(self.standard / 100.0), np.log1p(self.strong / 100.0)
        return np.asarray(100.0 * np.expm1(start + share * (end - start)))

    def share_of(self, values: Floats) -> Floats:
        """Share of the way that values are at; nan where both are alike. [1]"""
        start, end = np.log1p(self.standard / 100.0), np.log1p(self.strong / 100.0)
        is_apart = np.abs(self.strong - self.standard) > CLOSE_PCT
        way = np.where(is_apart, end - start, 1.0)
        return np.where(is_apart, (np.log1p(values / 100.0) - start) / way, np.nan)


@dataclass(frozen=True, eq=False)
class Tried:
    """A grid, its values before rounding, and how far each cell could go. [%]"""

    grid: Grid
    projected: Floats
    furthest: Floats


@dataclass(frozen=True, eq=False)
class TuneFrame:
    """What one tune is made in: its setup, the two grids, and the next stronger tune."""

    setup: Setup
    corners: Corners
    above: Tune

    def closest(self, asked: Floats, bounds: Sequence[ShareBound]) -> Tried:
        """Return the grid closest to the shares asked for, within all bounds."""
        way, corners = unsafe_way(self.setup), self.corners
        most = corners.at_share(np.min([bound.most for bound in bounds], axis=0))
        ends = [way * corners.furthest, way * most, way * self.above.grid.flat()]
        furthest = way * np.maximum(np.min(ends, axis=0), way * corners.safer)
        found = grid_between(
            corners.at_share(asked), corners.safer, furthest,
            axes=self.setup.axes, setup=self.setup,
        )  # fmt: skip
        return Tried(found.grid, found.projected, furthest)


def corners_of(standard: Tune, strong: Tune) -> Corners:
    """Lay both grids out, with the safer value of each cell and why it may go no further."""
    setup = strong.setup
    own, other = standard.grid.flat(), strong.grid.flat()
    is_value = np.isfinite(own) & np.isfinite(other)
    own, other = np.where(is_value, own, np.nan), np.where(is_value, other, np.nan)
    safer = safer_of(own, other, setup)
    is_strong_safer = unsafe_way(setup) * (other - own) < -CLOSE_PCT
    furthest = other
    why = np.where(is_strong_safer, f"no less safe than {strong.name}", "").astype(object)
    if unsafe_way(setup) < 0:
        rich = _rich_cells(setup)
        furthest = np.where(rich, safer, furthest)
        why[rich & ~is_strong_safer] = "the richer of the two in boost and at high load"
    return Corners(own, other, safer, furthest, why)


def _rich_cells(setup: Setup) -> npt.NDArray[np.bool_]:
    """Cells in boost, not known to be out of it, or at high load."""
    axes = setup.axes
    frame = pd.DataFrame({"rpm": axes.cell_rpm(), "load": axes.cell_load()})
    heavy = is_heavy(axes, setup.limits, share=TuneSettings().heavy_share)
    return np.asarray(in_boost(frame, axes, setup.limits) | heavy)
