"""``tuneassist propose``: logs in, a limited and checked correction grid out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tuneassist.cli.console import look_of, screen, show, show_json, tell
from tuneassist.cli.options import AsJson, Logs, Overwrite, Scheduler, SetupFile, Strict, Workers

if TYPE_CHECKING:
    from tuneassist.parallel import LogsAtHand
    from tuneassist.settings import Setup
    from tuneassist.workflow.write import ProposalWritten

Out = Annotated[
    Path,
    typer.Option(
        "--out",
        "-o",
        metavar="FOLDER",
        help="Folder for the result: step.csv, grid.csv, cells.csv, proposal.json.",
        show_default=False,
    ),
]
GridFile = Annotated[
    Path | None,
    typer.Option(
        "--grid",
        "-g",
        metavar="FILE",
        help="Correction grid that the controller held while these logs were recorded. "
        "Left out: all zeros.",
        show_default=False,
    ),
]
Quiet = Annotated[
    bool,
    typer.Option(
        "--quiet",
        "-q",
        metavar="",
        help="Print one line, no tables; doubts go to standard error.",
    ),
]


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
    json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Propose a bounded correction from logs, and write it as a grid.

    Steady warm stretches are compared with the target, cell by cell. Where there is no evidence
    nothing changes; every rule of the setup holds; a second, independent check looks at the grid
    before anything is written. A log that cannot be used is set aside and named.
    """
    from tuneassist.cli.inputs import find_logs, reduce_logs
    from tuneassist.show.labels import grid_words
    from tuneassist.workflow.write import propose_files

    def reduce(car: Setup) -> LogsAtHand:
        return reduce_logs(
            find_logs(logs), setup=car, is_strict=strict, workers=workers, scheduler=scheduler
        )

    done = propose_files(
        reduce, setup=setup, out=out, grid=grid, in_force=grid_words(grid), overwrite=overwrite
    )
    if json:
        show_json(_summary(done))
    else:
        show_screen(done, out=out, has_grid=grid is not None, is_quiet=quiet)


def _summary(done: ProposalWritten) -> dict[str, Any]:
    """Return what ``--json`` prints."""
    from tuneassist.files.result_writer import RESULT_FILES
    from tuneassist.show.notes import proposal_notes
    from tuneassist.workflow.result import proposal_summary

    return proposal_summary(
        done.proposal,
        logs=done.logs,
        files={name: done.folder / name for name in RESULT_FILES},
        notes=proposal_notes(done.proposal, done.logs),
        in_force=done.in_force,
        is_simulated=done.is_simulated,
    )


def show_screen(done: ProposalWritten, *, out: Path, has_grid: bool, is_quiet: bool) -> None:
    """Print the screen of a proposal that was written, or one line of it."""
    from tuneassist.show import proposal as screens
    from tuneassist.show.notes import proposal_doubts

    made, console = done.proposal, screen()
    if is_quiet:
        words = screens.short_words(made, out, has_grid=has_grid)
        console.print(words, soft_wrap=True)  # one line, however narrow the terminal
        for doubt in proposal_doubts(made, done.logs):
            tell(doubt)
        return
    has_step = bool((made.limited.step_pct != 0).any())
    show(
        console,
        screens.proposal_screen(
            made,
            logs=done.logs,
            in_force=done.in_force,
            display=look_of(console),
            is_simulated=done.is_simulated,
        ),
        screens.written_screen(out, setup=made.setup, has_step=has_step, has_grid=has_grid),
    )
