"""The independent checker: a finished grid against every rule, cell by cell.

Written from the contract in plain loops and its own arithmetic. It shares no code with the rules or
the limiter, so that each catches the other's mistakes. It checks what the grid does to the
engine (the multiple of fuel or air that a cell gets, the lambda that follows), not how it was
found.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

import pandas as pd

from tuneassist.correction import checks_engine, checks_size
from tuneassist.correction.breaches import Breach
from tuneassist.correction.checked_grid import CheckedGrid, build_checked_grid
from tuneassist.errors import RuleBreachError
from tuneassist.grid import Grid
from tuneassist.settings import Setup

CHECKS: tuple[Callable[[CheckedGrid], Iterator[Breach]], ...] = (
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
    checks_engine.unsafe_step_barred,
    checks_engine.own_evidence,
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
    """Check a finished grid against every rule.

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
    checked = build_checked_grid(grid, current=current, setup=setup, cells=cells)
    return tuple(breach for check in CHECKS for breach in check(checked))


def verify_grid(grid: Grid, *, current: Grid | None, setup: Setup) -> tuple[Breach, ...]:
    """Check a grid by itself, and as a change of the grid in force where there is one.

    `check_grid` checks a change, which may leave an existing breach as it is. This also reports
    the breaches that the grid in force already has.

    Parameters
    ----------
    grid
        The grid to check.
    current
        The grid that the controller holds now. None leaves out every rule on changes.
    setup
        The rules in force.

    Returns
    -------
    tuple of Breach
        Those of the grid in itself first; the ones that the grid in force has as much are marked.

    Raises
    ------
    GridError
        When grid, current grid and setup do not share the same breakpoints.
    """
    in_itself = check_grid(grid, current=None, setup=setup)
    if current is None:
        return in_itself
    by_change = check_grid(grid, current=current, setup=setup)
    brought_in = {(one.rule, one.rpm, one.load) for one in by_change}
    known = {(one.rule, one.rpm, one.load) for one in in_itself}
    listed = [
        one if (one.rule, one.rpm, one.load) in brought_in else _carried_over(one)
        for one in in_itself
    ]
    return (*listed, *(one for one in by_change if (one.rule, one.rpm, one.load) not in known))


def _carried_over(breach: Breach) -> Breach:
    sentence = f"{breach.sentence}; carried over from the grid in force"
    return replace(breach, sentence=sentence, is_carried_over=True)


def require_clean(breaches: Sequence[Breach]) -> None:
    """Raise when there are breaches.

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
