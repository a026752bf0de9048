"""``tuneassist propose``: logs in, a limited and checked correction grid out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tuneassist.cli.console import look_of, screen, show, show_json, tell
from tuneassist.cli.options import AsJson, Logs, Overwrite, Scheduler, SetupFile, Strict, Workers

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tuneassist.pipeline import Proposal
    from tuneassist.reading import Log


def propose(
    logs: Logs,
    setup: SetupFile,
    out: Annotated[
        Path,
        typer.Option(
            "--out",
            "-o",
            metavar="FOLDER",
            help="Folder for the result: step.csv, grid.csv, cells.csv, proposal.json.",
            show_default=False,
        ),
    ],
    *,
    grid: Annotated[
        Path | None,
        typer.Option(
            "--grid",
            "-g",
            metavar="FILE",
            help="Correction grid that the controller held while these logs were recorded. "
            "Left out: all zeros.",
            show_default=False,
        ),
    ] = None,
    overwrite: Overwrite = False,
    workers: Workers = 1,
    scheduler: Scheduler = None,
    strict: Strict = False,
    json: AsJson = False,
    quiet: Annotated[
        bool,
        typer.Option(
            "--quiet",
            "-q",
            metavar="",
            help="Print one line, no tables; doubts go to standard error.",
        ),
    ] = False,
) -> None:
    """Propose a bounded correction from logs, and write it as a grid.

    Steady warm stretches are compared with the target, cell by cell. Where there is no evidence
    nothing changes; every rule of the setup holds; a second, independent check looks at the grid
    before anything is written. A log that cannot be used is set aside and named.
    """
    from tuneassist.cli.inputs import find_logs, reduce_logs
    from tuneassist.files.proposal_folder import RESULT_FILES
    from tuneassist.files.setup_file import read_setup
    from tuneassist.grid import Grid
    from tuneassist.pipeline import propose_from
    from tuneassist.show.notes import proposal_notes
    from tuneassist.show.words import grid_words
    from tuneassist.workflow import result
    from tuneassist.workflow.in_force import read_in_force
    from tuneassist.workflow.logs import is_simulated
    from tuneassist.workflow.write import input_files, write_made

    result.require_free(out, overwrite=overwrite)
    car = read_setup(setup)
    current = read_in_force(grid, car.axes) if grid else None
    found = reduce_logs(
        find_logs(logs), setup=car, is_strict=strict, workers=workers, scheduler=scheduler
    )
    read = [one.log for one in found.used]
    simulated = is_simulated(read, car)
    with found.told():
        made = propose_from(
            [one.evidence for one in found.used], setup=car, current=current or Grid.zeros(car.axes)
        ).beside(found.unusable)
    folder = write_made(
        out,
        made,
        logs=read,
        inputs=input_files(car, setup, grid, read),
        in_force=grid_words(grid),
        is_simulated=simulated,
        overwrite=overwrite,
    )
    if not json:
        show_screen(made, read, out=out, grid=grid, is_simulated=simulated, is_quiet=quiet)
        return
    show_json(
        result.proposal_summary(
            made,
            logs=read,
            files={name: folder / name for name in RESULT_FILES},
            notes=proposal_notes(made, read),
            in_force=grid_words(grid),
            is_simulated=simulated,
        )
    )


def show_screen(
    made: Proposal,
    logs: Sequence[Log],
    *,
    out: Path,
    grid: Path | None,
    is_simulated: bool,
    is_quiet: bool,
) -> None:
    """Print the screen of a proposal that was written, or one line of it."""
    from tuneassist.show import proposal as screens
    from tuneassist.show.notes import proposal_doubts
    from tuneassist.show.words import grid_words

    console = screen()
    if is_quiet:
        words = screens.short_words(made, out, has_grid=grid is not None)
        console.print(words, soft_wrap=True)  # one line, however narrow the terminal
        for doubt in proposal_doubts(made, logs):
            tell(doubt)
        return
    has_step = bool((made.limited.step_pct != 0).any())
    show(
        console,
        screens.proposal_screen(
            made,
            logs=logs,
            in_force=grid_words(grid),
            look=look_of(console),
            is_simulated=is_simulated,
        ),
        screens.written_screen(out, setup=made.setup, has_step=has_step, has_grid=grid is not None),
    )
