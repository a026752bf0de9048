"""Verify a round: fingerprints, composition, and every rule in force now."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pandas as pd

from tuneassist.correction import check_grid
from tuneassist.correction.breaches import Breach
from tuneassist.correction.less_fuel import after_air, fuel_setup
from tuneassist.errors import InputError, RuleBreachError
from tuneassist.files.json_file import parse_record, take
from tuneassist.files.result_reader import cells_of
from tuneassist.files.round_files import PUT_BACK, RoundFiles, differing_cell, fuel_grid
from tuneassist.files.tune_folder import TuneFolder
from tuneassist.grid import Grid
from tuneassist.loop.held_then import with_pressure_now
from tuneassist.loop.history import RoundEntry
from tuneassist.loop.history_changes import FUEL_FILE
from tuneassist.pipeline import highest_seen
from tuneassist.settings import Setup

ROUNDING = 1e-5
"""Share by which a breach may be due to ``cells.csv``, which is written with four decimals. [1]"""
MOST_NAMED = 10
"""Most breaches that a message names. [1]"""


def verify_round(tune: TuneFolder, entry: RoundEntry) -> None:
    """Refuse a round whose files were changed, or whose grid breaks a rule.

    Parameters
    ----------
    tune
        The tune.
    entry
        A round that counts. Its grid is checked against the rules while it waits to be loaded:
        limits may have been changed since a grid was accepted.

    Raises
    ------
    InputError
        When a file was changed, is missing or damaged; names the file and the cell.
    RuleBreachError
        When the grid breaks a rule that is in force now; names the file and the cells.
    """
    tune.evidence(entry)
    files, axes = tune.files(entry), tune.setup.axes
    in_force = tune.in_force(entry)
    grid = files.proposed(axes)
    for name in ("cells.csv", "proposal.json"):
        files.read(name)
    is_waiting = tune.state.is_pending and entry is tune.state.rounds[-1]
    if is_waiting:
        _require_rules(tune, entry, grid=grid, in_force=in_force)


def round_breaches(
    tune: TuneFolder, entry: RoundEntry, *, grid: Grid, in_force: Grid
) -> tuple[str, ...]:
    """Return every rule in force now that a grid breaks on the evidence of a round, in words.

    Parameters
    ----------
    tune
        The tune.
    entry
        The round whose proposal waits.
    grid
        The grid to check: the one proposed, or one that was made of it.
    in_force
        The grid with which the round was logged.

    Raises
    ------
    InputError
        When a file of the round was changed, is missing or damaged.
    """
    files = tune.files(entry)
    cells = cells_of(files.read("cells.csv"), tune.setup, where=str(files.folder / "cells.csv"))
    setup = _as_proposed(tune.setup, files)
    _require_same_cells(files, cells, files.proposed(grid.axes))
    seen = _with_readings(tune, entry, cells, now=in_force)
    breaches = check_grid(grid, current=in_force, setup=setup, cells=seen)
    return tuple(_breach_sentences(breaches, setup))


def _require_rules(tune: TuneFolder, entry: RoundEntry, *, grid: Grid, in_force: Grid) -> None:
    files = tune.files(entry)
    _refuse_breaches(files, "grid.csv", round_breaches(tune, entry, grid=grid, in_force=in_force))
    if entry.takes_fuel:
        _refuse_breaches(files, FUEL_FILE, _fuel_breaches(tune, entry, in_force))


def _refuse_breaches(files: RoundFiles, name: str, words: tuple[str, ...]) -> None:
    if words:
        more = [f"And {len(words) - MOST_NAMED} more."] if len(words) > MOST_NAMED else []
        raise RuleBreachError(
            f"{files.folder / name}: the grid breaks {len(words)} rule(s); do not load "
            "it. Reject it, or take the round back.",
            (*words[:MOST_NAMED], *more),
        )


def _fuel_breaches(tune: TuneFolder, entry: RoundEntry, in_force: Grid) -> tuple[str, ...]:
    """Return every rule for fuel that a round's fuel to take away breaks, in words."""
    files, axes = tune.files(entry), tune.setup.axes
    setup = fuel_setup(_as_proposed(tune.setup, files))
    cells = cells_of(files.read("cells.csv"), tune.setup, where=str(files.folder / "cells.csv"))
    step = files.grid("step.csv", axes).flat()
    breaches = check_grid(
        fuel_grid(files, axes),
        current=tune.fuel(entry.fuel) or Grid.zeros(axes),
        setup=setup,
        cells=after_air(_with_readings(tune, entry, cells, now=in_force), step),
    )
    return tuple(_breach_sentences(breaches, setup))


def _require_same_cells(files: RoundFiles, cells: pd.DataFrame, grid: Grid) -> None:
    for name, values in (("step", files.grid("step.csv", grid.axes)), ("grid", grid)):
        written = cells[f"{name}_pct"].to_numpy(dtype=float).reshape(grid.axes.shape)
        if cell := differing_cell(Grid(grid.axes, written), values):
            raise InputError(
                f"it does not agree with {name}.csv: {cell}.",
                where=str(files.folder / "cells.csv"),
                mend=PUT_BACK,
            )


def _as_proposed(setup: Setup, files: RoundFiles) -> Setup:
    """Return the setup with the gain of the proposal, which the response may have changed."""
    where = str(files.folder / "proposal.json")
    record = parse_record(files.read("proposal.json"), where=where, mend=PUT_BACK)
    try:
        kept = take(take(record, "settings", dict), "correction", dict)
        gain, tolerance = (float(take(kept, key, int, float)) for key in ("gain", "tolerance_pct"))
        correction = replace(setup.correction, gain=gain, tolerance_pct=tolerance)
    except ValueError as error:
        raise InputError(f"{error}.", where=where, mend=PUT_BACK) from error
    return replace(setup, correction=correction)


def _with_readings(
    tune: TuneFolder, entry: RoundEntry, cells: pd.DataFrame, *, now: Grid
) -> pd.DataFrame:
    """Add the highest readings near each cell, from every round that the proposal uses."""
    rests_on = [one for one in tune.state.evidence if one.number <= entry.number]
    logs = [(log, one) for one in rests_on for log in tune.evidence(one).counted]
    if tune.setup.correction.acts_on == "boost":
        held = {one.name: tune.in_force(one) for one in rests_on}
        barometer = tune.setup.limits.barometer_kpa
        logs = [
            (with_pressure_now(log, then=held[one.name], now=now, barometer_kpa=barometer), one)
            for log, one in logs
        ]
    return cells.assign(**highest_seen([log for log, _ in logs]))


def _breach_sentences(breaches: tuple[Breach, ...], setup: Setup) -> Iterator[str]:
    """Yield the breaches in words, without those due to the rounding of ``cells.csv``."""
    for one in breaches:
        is_back = one.rule == "step_back_pct"  # rounded to the controller's resolution
        slack = setup.limits.resolution_pct if is_back else ROUNDING * max(1.0, abs(one.bound))
        if not abs(one.value - one.bound) <= slack:
            yield one.sentence
