"""``tuneassist rounds``: the tune loop, one folder per tune."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tuneassist.cli.options import AsJson, Logs, SetupFile, Strict

if TYPE_CHECKING:
    from tuneassist.loop.history import Kind
    from tuneassist.parallel import LogsAtHand
    from tuneassist.settings import Setup
    from tuneassist.workflow.steps import AddedRound, StepDone, TuneStatus

HALTED = 6
"""Exit status of a round that halted the loop, by the contract."""

Folder = Annotated[
    Path, typer.Argument(metavar="DIR", help="The tune's folder.", show_default=False)
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
        help="Correction grid that the controller holds now. Left out: all zeros.",
        show_default=False,
    ),
]


def start(folder: Folder, setup: SetupFile, *, grid: Grid = None) -> None:
    """Open a tune: a new folder that keeps setup, grids, evidence and history.

    Everything in it is plain text, and nothing in it is ever deleted.
    """
    from tuneassist.cli.console import screen, show
    from tuneassist.show.rounds import started_screen
    from tuneassist.workflow import steps

    tune = steps.start(folder, setup=setup, grid=grid)
    show(screen(), started_screen(folder, setup=tune.setup, has_grid=grid is not None))


def add(folder: Folder, logs: Logs, strict: Strict = False, json: AsJson = False) -> None:
    """Add logs recorded with what the controller holds now, and propose the next grid.

    First the engine's answer to the last change is measured; when it did not answer as it should,
    nothing is proposed and the exit status is 6. Else the proposal rests on all rounds so far. A
    log that cannot be used is set aside and named.
    """
    from tuneassist.cli.inputs import find_logs, reduce_logs
    from tuneassist.workflow import steps

    def reduce(setup: Setup) -> LogsAtHand:
        return reduce_logs(find_logs(logs), setup=setup, is_strict=strict)

    _tell_round(steps.add(folder, reduce), as_json=json)


def accept(folder: Folder) -> None:
    """Say that the last proposal is in the controller now."""
    _step(folder, "accept")


def reject(folder: Folder) -> None:
    """Say that the last proposal was not loaded; its evidence still counts."""
    _step(folder, "reject")


def undo(folder: Folder) -> None:
    """Go back to the state before the last step; nothing is deleted."""
    _step(folder, "undo")


def found(folder: Folder, answer: Answer, json: AsJson = False) -> None:
    """Say what you found after the loop halted, so that it can go on.

    not-loaded: the accepted grid was not in the controller after all; the round is judged again.
    sign-mended, loop-opened: mended now; log again. wrong-log: a log of another car or table; log
    again. fuel-changed: fuel, injector, pressure or sensor changed; the evidence starts afresh
    from this round.
    """
    from tuneassist.workflow import steps

    came = steps.found(folder, answer)
    if isinstance(came, steps.AddedRound):
        _tell_round(came, as_json=json)
    elif json:
        _show_status(steps.status_of(came.tune), as_json=True)
    else:
        _tell_step(came)


def status(folder: Folder, json: AsJson = False) -> None:
    """Show every round, the engine's answers, and whether to go on or stop, and why."""
    from tuneassist.workflow import steps

    _show_status(steps.status(folder), as_json=json)


COMMANDS = (start, add, accept, reject, status, undo, found)
"""Sub-commands in the order of the help."""


def _step(folder: Path, kind: Kind) -> None:
    from tuneassist.workflow import steps

    _tell_step(steps.step(folder, kind))


def _tell_round(came: AddedRound, *, as_json: bool) -> None:
    """Print a round that was written, and end with the exit status that it deserves."""
    from tuneassist.cli.console import look_of, screen, show, show_json, tell
    from tuneassist.show.rounds import grid_name, round_screen

    judged = came.judged
    if as_json:
        show_json(_round_summary(came))
    else:
        console = screen()
        view = round_screen(
            judged.shown,
            judged.result.round.response,
            number=judged.mark.number,
            in_force=grid_name(judged.mark.in_force),
            advice=judged.advice,
            logs=came.logs,
            folder=came.folder,
            display=look_of(console),
            is_simulated=came.is_simulated,
        )
        show(console, view)
    if judged.result.is_halt:
        tell(f"round {judged.mark.number} halted: {judged.result.round.response.why}.")
        raise typer.Exit(HALTED)


def _round_summary(came: AddedRound) -> dict[str, Any]:
    from tuneassist.files.result_writer import RESULT_FILES
    from tuneassist.show.notes import proposal_notes
    from tuneassist.show.rounds import grid_name
    from tuneassist.workflow.result import proposal_summary
    from tuneassist.workflow.round_result import round_record

    judged = came.judged
    summary = proposal_summary(
        judged.shown,
        logs=came.logs,
        files={name: came.folder / name for name in RESULT_FILES},
        notes=proposal_notes(judged.shown, came.logs),
        in_force=grid_name(judged.mark.in_force),
        is_simulated=came.is_simulated,
    )
    summary["logs"] = [name for name, _ in judged.mark.logs]
    return {"round": round_record(judged, ()), **summary}


def _tell_step(done: StepDone) -> None:
    from tuneassist.cli.console import screen, show, tell
    from tuneassist.show.rounds import step_screen

    if done.objection is not None:
        tell(done.warning)
        raise typer.Exit(done.objection.exit_status)
    view = step_screen(
        done.tune.state,
        done.kind,
        folder=done.tune.path,
        took_back=done.took_back,
        was_held=done.was_held,
        advice=done.advice,
        has_step=done.has_step,
    )
    show(screen(), view)


def _show_status(found: TuneStatus, *, as_json: bool) -> None:
    from tuneassist.cli.console import look_of, screen, show, show_json
    from tuneassist.show.rounds import status_screen

    if as_json:
        show_json(found.record())
        return
    console = screen()
    view = status_screen(
        found.state,
        found.looks,
        found.advice,
        setup=found.setup,
        folder=found.path,
        display=look_of(console),
        has_step=found.has_step,
        held=found.held or (),
    )
    show(console, view)
