"""``tuneassist rounds``: the tune loop, one folder per tune."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tuneassist import files, show, workflow
from tuneassist.cli import console
from tuneassist.cli.commands import COMMANDS, new_app
from tuneassist.cli.inputs import reducer
from tuneassist.cli.options import AsJson, SetupFile, Strict
from tuneassist.cli.spots import Meant
from tuneassist.errors import InputError

if TYPE_CHECKING:
    from tuneassist.loop.history import Kind
    from tuneassist.loop.verdict import Verdict
    from tuneassist.workflow.tune_steps import AddedRound, StepDone, TuneStatus

HALTED = 6
"""Exit status of a round that halted the loop, by the contract."""

Folder = Annotated[
    Path, typer.Argument(metavar="DIR", help="The tune's folder.", show_default=False)
]
RoundLogs = Annotated[
    list[Path] | None,
    typer.Argument(
        metavar="LOG",
        help="Log files. A folder means the log files in it, - means standard input.",
        show_default=False,
    ),
]
Spots = Annotated[
    Path | None,
    typer.Option(
        "--spots",
        metavar="FILE",
        help="Values found by hand with this grid in the controller: rpm, load, correction_pct "
        "(doubt_pct and repeats may follow), or a grid file with blank cells.",
        show_default=False,
    ),
]
Answer = Annotated[
    str,
    typer.Argument(
        metavar="ANSWER",
        help="not-loaded, sign-mended, loop-opened, wrong-log or fuel-changed.",
        show_default=False,
    ),
]
Grid = Annotated[
    Path | None,
    typer.Option(
        "--grid",
        "-g",
        metavar="FILE",
        help="Correction grid that is in the controller now. Default: all zeros.",
        show_default=False,
    ),
]
Loaded = Annotated[
    Path | None,
    typer.Option(
        "--grid",
        "-g",
        metavar="FILE",
        help="The whole grid that was really loaded. Default: the last proposal.",
        show_default=False,
    ),
]
Despite = Annotated[
    str | None,
    typer.Option(
        "--despite",
        metavar="REASON",
        help="Why a grid that breaks a rule is loaded all the same. Kept in the history.",
        show_default=False,
    ),
]
WithoutFuel = Annotated[
    bool,
    typer.Option(
        "--without-fuel",
        help="The fuel to take away was not typed in, the boost grid alone was.",
    ),
]
Number = Annotated[
    int,
    typer.Argument(
        metavar="N", help="Number of the round; 0 is the grid before the first.", show_default=False
    ),
]
NewSetup = Annotated[
    Path, typer.Argument(metavar="SETUP", help="The new setup file.", show_default=False)
]
Reason = Annotated[
    str | None,
    typer.Option(
        "--reason",
        metavar="TEXT",
        help="Why it is changed. Kept in the history.",
        show_default=False,
    ),
]
app = new_app(COMMANDS["rounds"][1])


@app.command()
def start(folder: Folder, setup: SetupFile, *, grid: Grid = None) -> None:
    """Start a tune in a new folder.

    The folder keeps setup, grids, evidence and history as plain text. Nothing in it is ever
    deleted.
    """
    tune = workflow.tune_steps.start(folder, setup=setup, grid=grid)
    view = show.rounds.started_screen(folder, setup=tune.setup, has_grid=grid is not None)
    console.write(console.screen(), view)


@app.command()
def add(
    folder: Folder,
    logs: RoundLogs = None,
    *,
    spots: Spots = None,
    values: Meant = None,
    strict: Strict = False,
    json: AsJson = False,
) -> None:
    """Add logs of the grid in the controller and propose the next one.

    First measures how the engine answered the last change. If it did not answer as it should,
    nothing is proposed and the exit status is 6. Otherwise the proposal uses the evidence of all
    rounds. A log that cannot be used is set aside and named. Values found by hand count as holds,
    beside logs or alone; they measure no answer.
    """
    if not logs and spots is None:
        raise typer.BadParameter("name a log, or a list of values found by hand with --spots.")
    if values is not None and spots is None:
        raise typer.BadParameter("--values goes with --spots.")
    found = None
    if spots is not None:
        found = workflow.tune_steps.ByHand(spots, None if values is None else values.value)
    reduce = reducer(logs, is_strict=strict) if logs else None
    _write_round(workflow.tune_steps.add(folder, reduce, by_hand=found), as_json=json)


@app.command()
def accept(
    folder: Folder,
    *,
    grid: Loaded = None,
    despite: Despite = None,
    without_fuel: WithoutFuel = False,
) -> None:
    """Record what the controller holds: the proposal, or a grid of yours.

    A grid with edits by hand is checked against every rule. If it breaks one, it is recorded only
    with a reason. Earlier evidence still counts, with the grid that was loaded. Where a boost grid
    has fuel to take away beside it, both are taken as typed in.
    """
    changes, with_fuel = workflow.tune_changes, not without_fuel
    if grid is not None:
        _write_step(changes.load(folder, grid, despite=despite, with_fuel=with_fuel))
    elif despite is not None:
        raise typer.BadParameter("--despite goes with --grid.")
    else:
        _write_step(workflow.tune_steps.step(folder, "accept", with_fuel=with_fuel))


@app.command()
def restore(folder: Folder, number: Number, *, despite: Despite = None) -> None:
    """Write the grid of an earlier round as the one to load.

    Nothing is taken back: it is a new step. Load the grid, then run accept.
    """
    _write_step(workflow.tune_changes.restore(folder, number, despite=despite))


@app.command()
def setup(folder: Folder, new: NewSetup, *, reason: Reason = None) -> None:
    """Put another target or other limits in force.

    Axes, load, channels and what the grid acts on must stay. The evidence stays and counts from
    the new target. A proposal that waits is evaluated again; rules that the grid in the controller
    breaks are named.
    """
    _write_step(workflow.tune_setup.change_setup(folder, new, reason=reason))


@app.command()
def history(folder: Folder, json: AsJson = False) -> None:
    """Show every step with its time, reason and grid."""
    steps = workflow.tune_history.history(folder)
    if json:
        console.write_json(workflow.tune_history.history_record(steps))
    else:
        console.write(console.screen(), show.rounds_history.history_screen(steps, folder=folder))


@app.command()
def reject(folder: Folder) -> None:
    """Record that the last proposal was not loaded.

    Its evidence still counts.
    """
    _step(folder, "reject")


@app.command()
def status(folder: Folder, json: AsJson = False) -> None:
    """Show every round, the engine's answers and what to do next."""
    _write_status(workflow.tune_steps.status(folder), as_json=json)


@app.command()
def undo(folder: Folder) -> None:
    """Undo the last step; nothing is deleted."""
    _step(folder, "undo")


@app.command()
def found(folder: Folder, answer: Answer, json: AsJson = False) -> None:
    """Record what caused a halt, so that the loop can go on.

    not-loaded: the accepted grid was not in the controller; the round is evaluated again.
    sign-mended, loop-opened: corrected now; log again. wrong-log: the log is of another car or
    table; log again. fuel-changed: fuel, injector, pressure or sensor changed; the evidence starts
    again with this round.
    """
    came = workflow.tune_steps.found(folder, answer)
    if isinstance(came, workflow.tune_steps.AddedRound):
        _write_round(came, as_json=json)
    elif json:
        _write_status(workflow.tune_steps.status_of(came.tune), as_json=True)
    else:
        _write_step(came)


def _step(folder: Path, kind: Kind) -> None:
    _write_step(workflow.tune_steps.step(folder, kind))


def _write_round(came: AddedRound, *, as_json: bool) -> None:
    """Print a round, and exit with status 6 if it halted the loop."""
    evaluated = came.evaluated
    if as_json:
        console.write_json(_round_summary(came))
    else:
        screen = console.screen()
        view = show.rounds.round_screen(
            evaluated.shown,
            evaluated.result.round.response,
            number=evaluated.mark.number,
            in_force=show.rounds.grid_name(evaluated.mark.in_force),
            advice=evaluated.advice,
            logs=came.logs,
            folder=came.folder,
            display=console.display_of(screen),
            is_simulated=came.is_simulated,
            verdict=came.verdict,
        )
        opening = show.verdict.verdict_section(came.verdict, came.tune.setup.axes.load_unit)
        console.write(screen, opening, view)
    if evaluated.result.is_halt:
        response = evaluated.result.round.response
        why = response.why if as_json else response.verdict  # the screen has said it all
        console.tell(f"round {evaluated.mark.number} halted: {why}.")
        raise typer.Exit(HALTED)


def _round_summary(came: AddedRound) -> dict[str, Any]:
    evaluated = came.evaluated
    names = files.result_writer
    has_fuel = evaluated.shown.fuel is not None
    written = names.OWN_FILES if has_fuel else names.RESULT_FILES
    summary = workflow.proposal_files.proposal_summary(
        evaluated.shown,
        logs=came.logs,
        files={name: came.folder / name for name in written},
        notes=show.notes.proposal_notes(evaluated.shown, came.logs),
        in_force=show.rounds.grid_name(evaluated.mark.in_force),
        is_simulated=came.is_simulated,
    )
    summary["logs"] = [name for name, _ in evaluated.mark.logs]
    summary["verdict"] = came.verdict.record()
    return {"round": workflow.round_evaluation.round_record(evaluated, ()), **summary}


def _write_step(done: StepDone) -> None:
    if done.objection is not None:
        console.tell(done.warning)
        raise typer.Exit(done.objection.exit_status)
    view = show.rounds.step_screen(
        done.tune.state,
        done.kind,
        folder=done.tune.path,
        took_back=done.took_back,
        was_held=done.was_held,
        advice=done.advice,
        has_step=done.has_step,
        verdict=_verdict_after(done),
    )
    console.write(console.screen(), view)


def _verdict_after(done: StepDone) -> Verdict | None:
    """Return the verdict on the tune after a step; None where the last round cannot be read."""
    try:
        return workflow.verdicts.verdict_of_tune(done.tune)
    except InputError:  # the step is recorded all the same, such as undo of a lost round
        return None


def _write_status(found: TuneStatus, *, as_json: bool) -> None:
    if as_json:
        console.write_json(found.record())
        return
    screen = console.screen()
    view = show.rounds.status_screen(
        found.state,
        found.looks,
        found.advice,
        setup=found.setup,
        folder=found.path,
        display=console.display_of(screen),
        has_step=found.has_step,
        held=found.held or (),
        verdict=found.verdict,
    )
    opening = show.verdict.verdict_section(found.verdict, found.setup.axes.load_unit)
    console.write(screen, opening, view)
