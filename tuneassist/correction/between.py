"""A grid between two checked ones: the closest to what is wanted within slopes and resolution.

The safer of the two values in every cell makes a grid that keeps every rule that both keep: the
greater of two values changes from cell to cell no more than either does, and so does the smaller.
It is where the projection starts, so that there is always an answer, and rounding goes toward it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tuneassist.correction.bounds import Bound, SlopeBound
from tuneassist.correction.projection import project, round_to_resolution
from tuneassist.correction.raw_step import Flags
from tuneassist.correction.ruleset import RuleSet, slope_pairs
from tuneassist.grid import Axes, Floats, Grid
from tuneassist.settings import LimitSettings, Setup


@dataclass(frozen=True, eq=False)
class BetweenGrids:
    """A grid between two, before and after rounding.

    Parameters
    ----------
    grid
        What the controller takes; nan where either of the two has no value. [%]
    projected
        Its values before rounding. [%]
    """

    grid: Grid
    projected: Floats


def unsafe_way(setup: Setup) -> int:
    """Return -1 where a smaller value is the unsafe way (spark, fuel), else +1.

    More air, and more fuel of a compression engine, are unsafe and stronger at once.
    """
    is_spark = setup.engine.ignition == "spark"
    return -1 if is_spark and setup.correction.acts_on == "fuel" else 1


def safer_of(first: Floats, second: Floats, setup: Setup) -> Floats:
    """Return the safer of two values in every cell. [%]"""
    return (np.maximum if unsafe_way(setup) < 0 else np.minimum)(first, second)


def grid_between(
    wanted: Floats, safer: Floats, furthest: Floats, *, axes: Axes, setup: Setup
) -> BetweenGrids:
    """Find the grid closest to what is wanted, from the safer value to the furthest in each cell.

    Parameters
    ----------
    wanted
        Values asked for, in cell order. [%]
    safer
        Where the answer starts and rounding goes to: a grid that keeps the rules; nan has no value.
        [%]
    furthest
        How far each cell may go from there. [%]
    axes, setup
        Breakpoints, and the rules on slope and resolution.

    Raises
    ------
    RuleBreachError
        When the solver fails.
    """
    is_value = np.isfinite(safer)
    rules = _rules(np.nan_to_num(safer), np.where(is_value, furthest, 0.0), is_value, axes, setup)
    asked = np.clip(np.where(is_value, wanted, 0.0), rules.lower, rules.upper)
    projected = project(asked, np.ones(len(asked)), rules)
    values = round_to_resolution(projected, rules) + 0.0
    table = np.where(is_value, values, np.nan).reshape(axes.shape)
    return BetweenGrids(Grid(axes, table), np.where(is_value, projected, np.nan))


def _rules(safer: Floats, furthest: Floats, is_value: Flags, axes: Axes, setup: Setup) -> RuleSet:
    """Both ends as bounds, the slopes between neighbours, and the resolution."""
    slopes = _slopes(setup.limits)
    pairs, pair_rule = slope_pairs(axes, is_value, slopes)
    limit = np.array([slope.limit for slope in slopes])[pair_rule]
    apart = safer[pairs[:, 0]] - safer[pairs[:, 1]]
    lower, upper = np.minimum(safer, furthest), np.maximum(safer, furthest)
    return RuleSet(
        current=safer,
        anchor=safer,
        lower=lower,
        upper=upper,
        bounds=(Bound("between", lower, upper, lambda cell: "the two tunes"),),
        pairs=pairs,
        pair_lower=np.minimum(-limit, apart),
        pair_upper=np.maximum(limit, apart),
        pair_rule=pair_rule,
        slopes=slopes,
        resolution=setup.limits.resolution_pct,
        is_forced=np.zeros(len(safer), dtype=bool),
        forced_words=lambda cell: "",
        is_value=is_value,
    )


def _slopes(limits: LimitSettings) -> tuple[SlopeBound, ...]:
    named = (("max_slope_rpm_pct", 0, "rpm"), ("max_slope_load_pct", 1, "load"))
    return tuple(
        SlopeBound(name, axis, getattr(limits, name), f"the slope along {word}")
        for name, axis, word in named
    )
