"""The independent checker: a finished grid against every rule, cell by cell.

Written from the contract in plain loops and its own arithmetic. It shares no code with the rules or
the limiter, so that a mistake in one is seen by the other. It asks what the grid does to the
engine (the multiple of fuel or air that a cell gets, the lambda that follows), not how it was
found.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import pandas as pd

from tuneassist.correction import checks_engine, checks_size
from tuneassist.correction.breaches import Breach
from tuneassist.correction.sight import Job, look
from tuneassist.errors import RuleBreachError
from tuneassist.grid import Grid
from tuneassist.settings import Setup

CHECKS: tuple[Callable[[Job], Iterator[Breach]], ...] = (
    checks_size.values,
    checks_size.evidence,
    checks_size.own_need,
    checks_size.step,
    checks_size.step_at_confidence,
    checks_size.total,
    checks_size.slope_rpm,
    checks_size.slope_load,
    checks_engine.richest,
    checks_engine.leanest,
    checks_engine.boost_leanest,
    checks_engine.lean_in_boost,
    checks_engine.barred,
    checks_engine.leaned_on_its_own,
    checks_engine.lean_step_in_boost,
    checks_engine.lean_total_in_boost,
    checks_engine.ceilings,
    checks_engine.boost_ceiling,
    checks_engine.foreseen,
    checks_engine.raise_fuel_unwatched,
    checks_engine.step_back,
    checks_size.resolution,
)
"""Every check; a rule that is added gets one here."""


def check_grid(
    grid: Grid, *, current: Grid | None, setup: Setup, cells: pd.DataFrame | None = None
) -> tuple[Breach, ...]:
    """Hold a finished grid against every rule.

    Parameters
    ----------
    grid
        The grid that would be typed in.
    current
        The grid that the controller holds now. None leaves out every rule on changes.
    setup
        The rules in force.
    cells
        The evidence that the grid rests on, in cell order. None leaves out the rules that need it;
        a step back past a hard ceiling may then show as a slope that it had to break.

    Returns
    -------
    tuple of Breach
        Empty when every rule holds.

    Raises
    ------
    GridError
        When grid, current grid, cells and setup do not share the same breakpoints.
    """
    job = look(grid, current=current, setup=setup, cells=cells)
    return tuple(breach for check in CHECKS for breach in check(job))


def require_clean(breaches: Sequence[Breach]) -> None:
    """Raise when the checker objects.

    Raises
    ------
    RuleBreachError
        With one sentence per breach.
    """
    if breaches:
        raise RuleBreachError(
            f"The grid breaks {len(breaches)} rule(s); nothing is written.",
            tuple(breach.sentence for breach in breaches),
        )
