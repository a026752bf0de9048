"""From raw step to limited step: one projection onto all rules, and a reason for every cell."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from tuneassist.correction.ceiling_sensors import HEAT
from tuneassist.correction.limiter_input import LimiterInput, build_limiter_input
from tuneassist.correction.projection import project, round_to_resolution
from tuneassist.correction.raw_step import Flags
from tuneassist.correction.reasons import HeldBack, explain
from tuneassist.correction.rules import makes_way
from tuneassist.correction.ruleset import DUST, RuleSet, assemble
from tuneassist.grid import Floats, Grid, step_between_pct
from tuneassist.settings import Setup
from tuneassist.threads import on_one_thread

WIDEST_PCT = 1000.0  # a larger step is clipped before the rules, which would stop it anyway [%]

SHUT_TO_AIR = ("ceilings", "boost_ceiling", "foreseen", "max_total_pct")
"""Rules that go on holding the air back in every later round."""
SHORT_PCT = 1e-6  # less than this short of what was asked for is the noise of the projection [%]

WAY_WEIGHT = 0.1  # of a cell that asks for nothing and may make way: needs come first [1]


@dataclass(frozen=True, eq=False)
class LimitedStep:
    """The step within all rules: the only one that a writer accepts.

    Parameters
    ----------
    grid
        The correction grid after the change; nan where the grid in force has no value. [%]
    step_pct
        Change per cell in cell order; 0 where nothing is proposed. [%]
    reasons
        Why each cell was changed, held or clamped, in words.
    needs_less_fuel_pct
        Boost only: fuel to take away by other means because the air must not rise. [%]
    held_back
        One entry per cell and rule that held it back.
    projected
        Grid values before rounding. [%]
    source
        The cells that were limited.
    """

    grid: Grid
    step_pct: Floats
    reasons: tuple[str, ...]
    needs_less_fuel_pct: Floats
    held_back: tuple[HeldBack, ...]
    projected: Floats
    source: pd.DataFrame = field(repr=False)

    @property
    def binding(self) -> pd.DataFrame:
        """``rule, rpm, load, would_have_got_pct, got_pct, words``: a row per entry held back."""
        return pd.DataFrame(list(self.held_back), columns=list(HeldBack._fields))

    @property
    def cells(self) -> pd.DataFrame:
        """The cells given, with ``step_pct, grid_pct, reason, needs_less_fuel_pct``."""
        return self.source.assign(
            step_pct=self.step_pct,
            grid_pct=self.grid.flat(),
            reason=list(self.reasons),
            needs_less_fuel_pct=self.needs_less_fuel_pct,
        )


@on_one_thread
def limit_step(cells: pd.DataFrame, *, current: Grid, setup: Setup) -> LimitedStep:
    """Find the closest step to the raw one within all rules at once.

    Parameters
    ----------
    cells
        From `propose_raw`: one row per cell in cell order, with ``raw_pct`` and ``reason``.
    current
        The grid that the controller holds now.
    setup
        Limits, ignition, target kind and what the grid acts on.

    Returns
    -------
    LimitedStep
        Frozen; its grid still has to pass `check_grid` before anything is written.

    Raises
    ------
    GridError
        When cells or grid do not follow the setup's axes.
    RuleBreachError
        When the solver fails.
    """
    inputs = build_limiter_input(cells, current=current, setup=setup)
    rules = assemble(inputs)
    asked = np.clip(inputs.raw, -99.0, WIDEST_PCT)
    wanted = inputs.value_at(1.0 + asked / 100.0)
    weight = weights(cells, setup) * np.where(makes_way(inputs), WAY_WEIGHT, 1.0)
    projected = project(wanted, weight, rules)
    values = _undo_idle_way_making(round_to_resolution(projected, rules), inputs, rules)
    values = np.where(np.abs(values - inputs.current) <= DUST, inputs.current, values)
    values = values + 0.0  # no minus zero in a file
    step = np.where(values == inputs.current, 0.0, step_between_pct(inputs.current, values))
    reasons, held_back = explain(cells, inputs, rules, wanted, projected=projected, values=values)
    is_shut = _is_shut_to_air(inputs, rules, wanted, projected)
    handed_back = _needs_less_fuel(inputs, is_shut, step)
    reasons = tuple(
        reason if fuel == 0 else f"{reason}; needs less fuel here: {fuel:.1f} %"
        for reason, fuel in zip(reasons, handed_back.tolist(), strict=True)
    )
    grid_values = np.where(inputs.is_value, values, np.nan)
    return LimitedStep(
        grid=Grid(current.axes, grid_values.reshape(current.axes.shape)),
        step_pct=_frozen(step),
        reasons=reasons,
        needs_less_fuel_pct=_frozen(handed_back),
        held_back=held_back,
        projected=_frozen(np.where(inputs.is_value, projected, np.nan)),
        source=cells,
    )


def _undo_idle_way_making(values: Floats, inputs: LimiterInput, rules: RuleSet) -> Floats:
    """Undo cells that make way for a neighbour whose own change was lost in rounding."""
    may, values = makes_way(inputs), values.copy()
    first, second = rules.pairs[:, 0], rules.pairs[:, 1]
    while True:
        lowered = values < rules.anchor - DUST
        beside = np.zeros(len(values), dtype=bool)
        beside[first[lowered[second]]] = True
        beside[second[lowered[first]]] = True
        idle = may & lowered & ~(beside | rules.is_forced)
        if not idle.any():
            return values
        values[idle] = rules.anchor[idle]


def _frozen(values: Floats) -> Floats:
    values.setflags(write=False)
    return values


def weights(cells: pd.DataFrame, setup: Setup) -> Floats:
    """Weigh cells by precision, 1/se^2, the standard error held between the settings. [1/%^2]"""
    floor, cap = setup.limits.weight_se_floor_pct, setup.limits.weight_se_cap_pct
    se = cells["se_pct"].to_numpy(dtype=float)
    return 1.0 / np.clip(np.where(np.isfinite(se), se, cap), floor, cap) ** 2


def _is_shut_to_air(
    inputs: LimiterInput, rules: RuleSet, wanted: Floats, projected: Floats
) -> Flags:
    """Cells whose air must not rise as far as they ask: held, stepped back, or beside such a cell.

    Not those that a largest step or their confidence holds: the next round gives them more air.
    """
    shut = np.full(len(wanted), np.inf)
    for bound in rules.bounds:
        if bound.name in SHUT_TO_AIR:
            shut = np.minimum(shut, bound.upper)
    held = inputs.is_evidence & ((wanted > shut + DUST) | rules.is_forced)
    by_slope = inputs.is_evidence & (projected < np.minimum(wanted, rules.upper) - SHORT_PCT)
    first, second = rules.pairs[:, 0], rules.pairs[:, 1]
    while True:
        beside = np.zeros(len(held), dtype=bool)
        beside[first[held[second]]] = True
        beside[second[held[first]]] = True
        more = by_slope & beside & ~held
        if not more.any():
            return held
        held = held | more


def _needs_less_fuel(inputs: LimiterInput, is_shut: Flags, step: Floats) -> Floats:
    """Fuel to take away where the air must not rise: 100 (1 - lambda after / target). [%]

    Of a compression engine only: less fuel would lean a spark engine past every rule.
    """
    fuel = np.zeros(len(step))
    if inputs.acts_on_fuel or inputs.is_spark:
        return fuel
    after = (1.0 + inputs.deviation / 100.0) * (1.0 + step / 100.0)
    fuel = np.where(is_shut, np.maximum(100.0 * (1.0 - after), 0.0), 0.0)
    hot = inputs.beyond_hard.get(HEAT)
    if hot is not None:
        least = inputs.limits.step_back_pct
        fuel = np.where(hot & inputs.is_evidence, np.maximum(fuel, least), fuel)
    return np.asarray(fuel)
