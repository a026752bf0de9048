"""All rules at once: bounds, slopes, and the step back past a hard ceiling."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.correction import rules
from tuneassist.correction.bounds import Bound, SlopeBound, Words
from tuneassist.correction.limiter_input import LimiterInput, build_limiter_input
from tuneassist.correction.raw_step import Flags
from tuneassist.grid import Axes, Floats, Grid
from tuneassist.settings import Setup

DUST = 1e-9  # far below any controller's resolution, far above the rounding of doubles [%]


@dataclass(frozen=True, eq=False)
class RuleSet:
    """All rules, ready for the projection; grid values in percent, cell order.

    Parameters
    ----------
    current
        The grid in force, 0 where it has no value.
    anchor
        The grid that meets every rule whatever was asked for: the current one, stepped back where
        a hard ceiling was exceeded.
    lower, upper
        Bounds of the new value; equal where the cell may not move.
    bounds
        The rules that made them, strictest-first by name where they tie.
    pairs, pair_lower, pair_upper, pair_rule
        Neighbours (first, second), bounds of ``new[first] - new[second]``, index into ``slopes``.
    slopes
        The slope rules.
    resolution
        What the controller takes; 0 for no rounding.
    is_forced, forced_words
        Cells that must step back, and why.
    is_value
        Cells where the grid in force has a value.
    """

    current: Floats
    anchor: Floats
    lower: Floats
    upper: Floats
    bounds: tuple[Bound, ...]
    pairs: npt.NDArray[np.int64]
    pair_lower: Floats
    pair_upper: Floats
    pair_rule: npt.NDArray[np.int64]
    slopes: tuple[SlopeBound, ...]
    resolution: float
    is_forced: Flags
    forced_words: Words
    is_value: Flags

    def binding(self, cell: int, way: int) -> Bound:
        """Return the first rule that sets the cell's bound upward (+1) or downward (-1)."""
        if way > 0:
            return min(self.bounds, key=lambda bound: float(bound.upper[cell]))
        return max(self.bounds, key=lambda bound: float(bound.lower[cell]))


def build_rules(cells: pd.DataFrame, *, current: Grid, setup: Setup) -> RuleSet:
    """Turn cells, current grid and settings into bounds.

    Parameters
    ----------
    cells
        From `propose_raw`, in cell order.
    current
        The grid that the controller holds now; nan leaves a cell alone.
    setup
        Limits, ignition, target kind and what the grid acts on.

    Returns
    -------
    RuleSet
        Always solvable: the anchor meets every rule.

    Raises
    ------
    GridError
        When cells or grid do not follow the setup's axes.
    """
    return assemble(build_limiter_input(cells, current=current, setup=setup))


def assemble(inputs: LimiterInput) -> RuleSet:
    """Collect every registered rule's bounds and the step back between them."""
    bounds = [b for b in (rule(inputs) for rule in rules.BOX_RULES) if b is not None]
    resolution = max((rule(inputs) for rule in rules.ROUNDING_RULES), default=0.0)
    lower, upper = _intersect(bounds, inputs)
    anchor, is_forced, words = _step_back(inputs, lower, upper, resolution)
    own = [b for b in (rule(inputs) for rule in rules.NEED_RULES) if b is not None]
    own_lower, own_upper = _intersect(own, inputs)
    lower = np.where(is_forced & (anchor > inputs.current), anchor, np.maximum(lower, own_lower))
    upper = np.where(is_forced & (anchor < inputs.current), anchor, np.minimum(upper, own_upper))
    slopes = tuple(rule(inputs) for rule in rules.PAIR_RULES)
    pairs, pair_rule = slope_pairs(inputs.axes, inputs.is_value, slopes)
    limit = np.array([slope.limit for slope in slopes] or [0.0])[pair_rule]
    apart = anchor[pairs[:, 0]] - anchor[pairs[:, 1]]
    return RuleSet(
        current=inputs.current,
        anchor=anchor,
        lower=np.minimum(lower, anchor),
        upper=np.maximum(upper, anchor),
        bounds=(*bounds, *own),
        pairs=pairs,
        pair_lower=np.minimum(-limit, apart),
        pair_upper=np.maximum(limit, apart),
        pair_rule=pair_rule,
        slopes=slopes,
        resolution=resolution,
        is_forced=is_forced,
        forced_words=words,
        is_value=inputs.is_value,
    )


def _intersect(bounds: list[Bound], inputs: LimiterInput) -> tuple[Floats, Floats]:
    lower = np.full(len(inputs.current), -np.inf)
    upper = np.full(len(inputs.current), np.inf)
    for bound in bounds:
        np.maximum(lower, bound.lower, out=lower)
        np.minimum(upper, bound.upper, out=upper)
    return np.where(inputs.is_value, lower, 0.0), np.where(inputs.is_value, upper, 0.0)


def _step_back(
    inputs: LimiterInput, lower: Floats, upper: Floats, resolution: float
) -> tuple[Floats, Flags, Words]:
    """Least values past a hard ceiling: the whole step back, or as far as the bounds allow."""
    demands = [rule(inputs) for rule in rules.STEP_BACK_RULES]
    if not demands:
        return inputs.current, np.zeros(len(inputs.current), dtype=bool), lambda cell: ""
    demand = demands[0]
    way, end = (1.0, upper) if inputs.safe_way > 0 else (-1.0, lower)
    whole = np.where(way > 0, demand.lower, demand.upper)
    asks = np.isfinite(whole) & inputs.is_value
    wanted = way * np.where(asks, whole, inputs.current)
    room = way * end
    if resolution > 0:
        wanted = _to_resolution(np.ceil(wanted / resolution - DUST), resolution)
        room = _to_resolution(np.floor(room / resolution + DUST), resolution)
    least = np.maximum(np.minimum(wanted, room), way * inputs.current)
    anchor = np.where(asks, way * least, inputs.current)
    return anchor, asks & (np.abs(anchor - inputs.current) > DUST), demand.words


def _to_resolution(steps: Floats, resolution: float) -> Floats:
    return np.asarray(np.round(steps * resolution, 10))


def slope_pairs(
    axes: Axes, is_value: Flags, slopes: tuple[SlopeBound, ...]
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Neighbours that a slope rule joins, and which; cells without a value have none."""
    pairs = axes.neighbour_pairs()
    along_load = np.arange(len(pairs)) >= (axes.shape[0] - 1) * axes.shape[1]
    rule = np.full(len(pairs), -1, dtype=np.int64)
    for index, slope in enumerate(slopes):
        rule[along_load == (slope.axis == 1)] = index
    kept = (rule >= 0) & is_value[pairs].all(axis=1)
    return pairs[kept], rule[kept]
