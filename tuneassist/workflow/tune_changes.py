"""Steps of a tune that bring in a grid: one loaded after edits by hand, or an earlier one again."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from tuneassist.errors import GridError
from tuneassist.files.brought_in_grid import grid_contents
from tuneassist.files.round_files import fingerprints
from tuneassist.files.tune_folder import TuneFolder, open_tune
from tuneassist.grid import Grid
from tuneassist.inert import NAME_LENGTH, one_line
from tuneassist.loop.history import WITH_FUEL, Event, Kind, require, require_restorable
from tuneassist.loop.history_changes import LOADED, RESTORED, GridEntry, change_details
from tuneassist.workflow.grid_in_force import read_in_force
from tuneassist.workflow.tune_rules import (
    breaches_as_next,
    breaches_in_itself,
    checked_reason,
    named,
    require_reason,
)
from tuneassist.workflow.tune_steps import (
    StepDone,
    new_mark,
    now,
    require_fuel_waits,
    with_pending,
)


def load(
    folder: Path, grid: Path, *, despite: str | None = None, with_fuel: bool = True
) -> StepDone:
    """Record a grid that was loaded after edits by hand.

    Parameters
    ----------
    folder
        The tune's folder.
    grid
        File of the whole grid that the controller holds now.
    despite
        Why it was loaded although it breaks a rule; None where it breaks none.
    with_fuel
        Whether the fuel to take away, where the proposal has it, was typed in too.

    Raises
    ------
    InputError
        When the loop has halted, or the grid or the reason cannot be used.
    RuleBreachError
        When the grid breaks a rule and no reason is given; nothing is recorded.
    """
    reason = checked_reason(despite)
    with open_tune(folder) as tune:
        require(tune.state, "load")
        require_fuel_waits(tune.state, with_fuel=with_fuel)
        loaded = read_in_force(grid, tune.setup.axes)
        current = tune.grid(tune.state.current)
        _refuse_blanks(loaded, current, grid)
        broken = breaches_as_next(tune, loaded, current)
        require_reason(broken, reason, what=str(grid), deed="loaded")
        entry = GridEntry(
            name=tune.state.next_name(LOADED),
            made=new_mark(),
            of=tune.state.edited,
            source=one_line(grid.name, NAME_LENGTH),
            breaches=named(broken),
            despite=reason,
        )
        more = {WITH_FUEL: True} if with_fuel and tune.state.fuel_waits else {}
        return _brought_in(tune, "load", loaded, entry, broken, **more)


def restore(folder: Path, number: int, *, despite: str | None = None) -> StepDone:
    """Write the grid that was loaded after a round as the one to load next.

    Parameters
    ----------
    folder
        The tune's folder.
    number
        Of the round; 0 is the grid before the first.
    despite
        Why it is to be loaded although it breaks a rule that is in force now.

    Raises
    ------
    InputError
        When there is no such grid, or the loop has halted.
    RuleBreachError
        When the grid breaks a rule and no reason is given; nothing is written.
    """
    reason = checked_reason(despite)
    with open_tune(folder) as tune:
        name = require_restorable(tune.state, number)
        grid = tune.grid(name)
        broken = breaches_in_itself(tune, grid)
        before = tune.state.grid_entry(name)
        if not reason and before is not None and set(named(broken)) <= set(before.breaches):
            reason = before.despite  # the same breaches were answered for when it was loaded
        what = f"the grid of round {number}"
        require_reason(broken, reason, what=what, deed="loaded again")
        entry = GridEntry(
            name=tune.state.next_name(RESTORED),
            made=new_mark(),
            of=name,
            breaches=named(broken),
            despite=reason,
        )
        return _brought_in(tune, "restore", grid, entry, broken, number=number)


def _brought_in(
    tune: TuneFolder,
    kind: Kind,
    grid: Grid,
    entry: GridEntry,
    broken: tuple[str, ...],
    **more: int,
) -> StepDone:
    """Write the grid's folder, then the event that makes it count."""
    tune.require_room(entry.name)
    contents = grid_contents(grid, entry, broken)
    entry = replace(entry, files=fingerprints(contents))
    event = Event(kind, now(), {**change_details(entry), **more})
    tune.require_possible(event)
    tune.write_folder(entry.name, contents)
    was_held = tune.state.current
    return with_pending(StepDone(tune.record_event(event), kind, was_held=was_held))


def _refuse_blanks(loaded: Grid, current: Grid, path: Path) -> None:
    blank = np.isnan(loaded.flat()) & ~np.isnan(current.flat())
    if not blank.any():
        return
    where = int(np.argmax(blank))
    rpm, load_value = loaded.axes.cell_rpm()[where], loaded.axes.cell_load()[where]
    raise GridError(
        f"the cell at {rpm:g} rpm, {load_value:g} is blank, one of {int(blank.sum())}.",
        where=str(path),
        mend="Write what the controller holds there; 0 is no correction.",
    )
