"""What a rule allows: a range of grid values per cell, or a largest difference between neighbours.

Every range is widened to include the value in force: "no worse than now".
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tuneassist.correction.limiter_input import LimiterInput, TightestLimit
from tuneassist.grid import Floats
from tuneassist.own_units import mixture

Words = Callable[[int], str]


@dataclass(frozen=True, eq=False)
class Bound:
    """What one rule allows each cell: grid values from ``lower`` to ``upper``. [%]"""

    name: str
    lower: Floats
    upper: Floats
    words: Words


@dataclass(frozen=True)
class SlopeBound:
    """Largest difference between neighbours along one axis (0 rpm, 1 load). [% per cell]"""

    name: str
    axis: int
    limit: float
    words: str


def box(
    inputs: LimiterInput,
    name: str,
    words: Words,
    *,
    lower: Floats | None = None,
    upper: Floats | None = None,
) -> Bound:
    """Build a bound that always allows the value in force: no worse than now."""
    free = np.full(len(inputs.current), np.inf)
    return Bound(
        name,
        np.minimum(-free if lower is None else lower, inputs.current),
        np.maximum(free if upper is None else upper, inputs.current),
        words,
    )


def ratio_bound(
    inputs: LimiterInput,
    name: str,
    words: Words,
    *,
    low: Floats | None = None,
    high: Floats | None = None,
) -> Bound:
    """Bound from the smallest and largest multiple of what the cell delivers now; nan is free."""
    lower = None if low is None else inputs.value_at(np.where(np.isnan(low), 0.0, low))
    upper = None if high is None else inputs.value_at(np.where(np.isnan(high), np.inf, high))
    return box(inputs, name, words, lower=lower, upper=upper)


def lean_bound(inputs: LimiterInput, name: str, tightest: TightestLimit, word: str) -> Bound:
    """Bound from the leanest lambda that may be predicted after the change; nan is unbounded."""

    def words(cell: int) -> str:
        limit = mixture(float(tightest.values[cell]), inputs.setup)
        return f"{word}, {limit}{tightest.name(cell, inputs.region_names)}"

    ratio = inputs.lambda_lean / tightest.values
    if inputs.acts_on_fuel:
        return ratio_bound(inputs, name, words, low=ratio)
    return ratio_bound(inputs, name, words, high=1.0 / ratio)


def step_bound(
    inputs: LimiterInput,
    name: str,
    step: Floats,
    words: Words,
) -> Bound:
    """Bound from the largest step either way. [%]"""
    low, high = 1.0 - step / 100.0, 1.0 + step / 100.0
    return ratio_bound(inputs, name, words, low=low, high=high)
