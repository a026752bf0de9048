"""``tuneassist propose``: turn logs into a limited and checked correction grid."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tuneassist import files, show, workflow
from tuneassist.cli import console
from tuneassist.cli.commands import new_app
from tuneassist.cli.inputs import reducer
from tuneassist.cli.options import (
    AsJson,
    Logs,
    Overwrite,
    PlotFile,
    Scheduler,
    SetupFile,
    Strict,
    Workers,
)

if TYPE_CHECKING:
    from tuneassist.workflow.proposal import WrittenProposal

Out = Annotated[
    Path,
    typer.Option(
        "--out",
        "-o",
        metavar="FOLDER",
        help="Folder for the result: step.csv, grid.csv, cells.csv and proposal.json.",
        show_default=False,
    ),
]
GridFile = Annotated[
    Path | None,
    typer.Option(
        "--grid",
        "-g",
        metavar="FILE",
        help="Correction grid that was in the controller while the logs were recorded. Default: "
        "all zeros.",
        show_default=False,
    ),
]
Quiet = Annotated[
    bool,
    typer.Option(
        "--quiet",
        "-q",
        metavar="",
        help="Print one line instead of tables; doubts go to standard error.",
    ),
]
app = new_app()


@app.command()
def propose(
    logs: Logs,
    setup: SetupFile,
    out: Out,
    *,
    grid: GridFile = None,
    overwrite: Overwrite = False,
    workers: Workers = 1,
    scheduler: Scheduler = None,
    strict: Strict = False,
    plot: PlotFile = None,
    json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Propose a limited correction grid from logs and write it.

    Compares steady, warm stretches with the target, cell by cell. A cell without evidence does not
    change. Every rule of the setup holds, and an independent checker verifies the grid before it
    is written. A log that cannot be used is set aside and named.
    """
    if plot is not None:
        workflow.pictures.require_picture(plot, overwrite=overwrite)
    reduce = reducer(logs, is_strict=strict, workers=workers, scheduler=scheduler)
    done = workflow.proposal.propose_files(
        reduce, setup=setup, out=out, grid=grid, overwrite=overwrite
    )
    if plot is not None:
        workflow.pictures.draw_proposal(plot, done)
    write_result(done, out=out, has_grid=grid is not None, json=json, quiet=quiet)
    if plot is not None and not (json or quiet):
        console.write(console.screen(), f"\nPicture written: {plot}")


def write_result(
    done: WrittenProposal, *, out: Path, has_grid: bool, json: bool, quiet: bool
) -> None:
    """Show a proposal that was written.

    Parameters
    ----------
    done
        The proposal.
    out
        Its folder, as typed.
    has_grid
        Whether a grid in force was given.
    json, quiet
        As JSON, or in one line.
    """
    if json:
        console.write_json(_summary(done, has_grid=has_grid))
    elif quiet:
        _write_line(done, out=out, has_grid=has_grid)
    else:
        _write_screen(done, out=out, has_grid=has_grid)


def _summary(done: WrittenProposal, *, has_grid: bool) -> dict[str, Any]:
    """Return what ``--json`` prints."""
    summary = workflow.proposal_files.proposal_summary(
        done.proposal,
        logs=done.logs,
        files={name: done.folder / name for name in _written_names(done)},
        notes=show.notes.proposal_notes(done.proposal, done.logs),
        in_force=done.in_force,
        is_simulated=done.is_simulated,
    )
    verdict = workflow.verdicts.verdict_of_proposal(done.proposal, done.folder, has_grid=has_grid)
    return {**summary, "verdict": verdict.record()}


def _written_names(done: WrittenProposal) -> tuple[str, ...]:
    names = files.result_writer.RESULT_FILES
    return names if done.proposal.fuel is None else files.result_writer.OWN_FILES


def _write_line(done: WrittenProposal, *, out: Path, has_grid: bool) -> None:
    """Print one line without wrapping; doubts go to standard error."""
    words = show.proposal.short_words(done.proposal, out, has_grid=has_grid)
    console.screen().print(words, soft_wrap=True)
    verdict = workflow.verdicts.verdict_of_proposal(done.proposal, out)
    if verdict.word != "GO ON":
        console.tell(f"{verdict.word}: {verdict.reason}")
    for doubt in show.notes.proposal_doubts(done.proposal, done.logs):
        console.tell(doubt)


def _write_screen(done: WrittenProposal, *, out: Path, has_grid: bool) -> None:
    screen, made = console.screen(), done.proposal
    verdict = workflow.verdicts.verdict_of_proposal(made, out, has_grid=has_grid)
    view = show.proposal.proposal_screen(
        made,
        logs=done.logs,
        in_force=done.in_force,
        display=console.display_of(screen),
        is_simulated=done.is_simulated,
    )
    has_step = bool((made.limited.step_pct != 0).any())
    written = show.proposal.written_screen(
        out,
        setup=made.setup,
        has_step=has_step,
        has_grid=has_grid,
        takes_fuel=made.fuel is not None,
    )
    console.write(
        screen, show.verdict.verdict_section(verdict, made.setup.axes.load_unit), view, written
    )
