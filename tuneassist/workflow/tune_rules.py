"""The rules that a grid breaks which a step brings into a tune, and the reason to take it."""

from __future__ import annotations

from collections.abc import Iterable

from tuneassist.correction import check_grid, verify_grid
from tuneassist.errors import InputError, RuleBreachError
from tuneassist.files.round_verification import MOST_NAMED, round_breaches
from tuneassist.files.tune_folder import TuneFolder
from tuneassist.grid import Grid
from tuneassist.inert import inert
from tuneassist.loop.history_changes import MOST_REASON
from tuneassist.loop.pooling import pool_rounds
from tuneassist.pipeline import raw_step


def verify_to_load(tune: TuneFolder) -> None:
    """Refuse a grid that waits to be loaded again if it breaks a rule that came since.

    Parameters
    ----------
    tune
        The tune.

    Raises
    ------
    InputError
        When a file of it was changed or is missing.
    RuleBreachError
        When it breaks rules that were not in force when it was brought back.
    """
    entry = tune.state.grid_entry(tune.state.to_load)
    if entry is None:
        return
    broken = named(breaches_in_itself(tune, tune.grid(entry.name)))
    if new := [sentence for sentence in broken if sentence not in entry.breaches]:
        raise RuleBreachError(
            f"{tune.grid_path(entry.name)}: the grid breaks {len(new)} rule(s) that came into "
            "force since it was brought back; do not load it. Reject it, or undo the step.",
            tuple(new),
        )


def checked_reason(despite: str | None) -> str:
    """Return a reason in words, safe to show; empty where none is given.

    Parameters
    ----------
    despite
        As the person wrote it.

    Raises
    ------
    InputError
        When it is blank or too long.
    """
    if despite is None:
        return ""
    words = " ".join(inert(despite[: MOST_REASON + 1]).split())
    if not any(mark.isalnum() for mark in words) or len(despite) > MOST_REASON:
        raise InputError(
            "the reason cannot be used.", mend=f"Give it in words, at most {MOST_REASON} letters."
        )
    return words


def breaches_as_next(tune: TuneFolder, grid: Grid, current: Grid) -> tuple[str, ...]:
    """Return every rule that a grid breaks as the next one, on the evidence so far.

    Parameters
    ----------
    tune
        The tune.
    grid
        The grid to check.
    current
        The grid in the controller before it.
    """
    state, setup = tune.state, tune.setup
    if state.is_pending:
        return round_breaches(tune, state.rounds[-1], grid=grid, in_force=current)
    if not state.evidence:
        found = verify_grid(grid, current=current, setup=setup)
        return tuple(one.sentence for one in found if not one.is_carried_over)
    fuel = tune.fuel(state.fuel)
    pooled = pool_rounds(tune.rounds(state.evidence), setup=setup, current=current, fuel=fuel)
    cells = raw_step(pooled.cells, setup)
    return tuple(o.sentence for o in check_grid(grid, current=current, setup=setup, cells=cells))


def breaches_in_itself(tune: TuneFolder, grid: Grid) -> tuple[str, ...]:
    """Return the rules that a grid breaks by itself: it was in the controller before.

    Parameters
    ----------
    tune
        The tune.
    grid
        The grid to check.
    """
    return tuple(one.sentence for one in check_grid(grid, current=None, setup=tune.setup))


def named(broken: Iterable[str]) -> tuple[str, ...]:
    """Return the first broken rules in words, and how many more there are.

    Parameters
    ----------
    broken
        All of them.
    """
    words = tuple(broken)
    more = len(words) - MOST_NAMED
    return (*words[:MOST_NAMED], *([f"And {more} more."] if more > 0 else []))


def require_reason(broken: tuple[str, ...], reason: str, *, what: str, deed: str) -> None:
    """Refuse broken rules without a reason.

    Parameters
    ----------
    broken
        The broken rules in words.
    reason
        Why they are accepted; empty without one.
    what, deed
        The grid, and what is done with it, for the message.

    Raises
    ------
    RuleBreachError
        When a rule is broken and no reason is given.
    """
    if broken and not reason:
        count = "1 breach" if len(broken) == 1 else f"{len(broken)} breaches"
        raise RuleBreachError(
            f"{what}: {count} of the rules; nothing was recorded. If it is {deed} all the same, "
            'repeat with --despite "reason".',
            named(broken),
        )
