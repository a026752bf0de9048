"""``tuneassist plan``: list what to hold next, in order."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tuneassist import show, workflow
from tuneassist.cli import console
from tuneassist.cli.commands import new_app
from tuneassist.cli.inputs import reducer
from tuneassist.cli.options import AsJson, Overwrite, Strict
from tuneassist.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tuneassist.loop.plan import Plan
    from tuneassist.workflow.plan import PlanStart

Known = Annotated[
    list[Path],
    typer.Argument(
        metavar="DIR|LOG",
        help="A tune's folder, or log files with --setup.",
        show_default=False,
    ),
]
Minutes = Annotated[
    float,
    typer.Option(
        "--minutes",
        "-m",
        metavar="M",
        help="Time available on a warm engine, in minutes.",
        show_default=False,
    ),
]
HoldSeconds = Annotated[
    float | None,
    typer.Option(
        "--hold-seconds",
        metavar="S",
        help="Length of each hold in seconds. Default: hold_s under [plan] in the setup, or 12.",
        show_default=False,
    ),
]
SetupOfLogs = Annotated[
    Path | None,
    typer.Option(
        "--setup",
        "-s",
        metavar="FILE",
        help="The car's setup file (TOML). A tune's folder has its own.",
        show_default=False,
    ),
]
CsvFile = Annotated[
    Path | None,
    typer.Option(
        "--csv",
        metavar="FILE",
        help="Also write the holds to a new CSV file.",
        show_default=False,
    ),
]
SheetFile = Annotated[
    Path | None,
    typer.Option(
        "--sheet",
        metavar="FILE",
        help="Also draw a one-page sheet for the operator: .png, .svg or .pdf.",
        show_default=False,
    ),
]
app = new_app()


@app.command()
def plan(
    known: Known,
    *,
    minutes: Minutes,
    hold_seconds: HoldSeconds = None,
    setup: SetupOfLogs = None,
    csv: CsvFile = None,
    sheet: SheetFile = None,
    overwrite: Overwrite = False,
    strict: Strict = False,
    json: AsJson = False,
) -> None:
    """List the holds that reduce doubt most in the time available.

    Cells in which the car is driven weigh more: low and middle speeds, or as [plan] in the setup
    says. Holds stay within the range that was logged. Light loads come first, with rests between
    heavy holds.
    """
    if not 0 < minutes < float("inf"):
        raise typer.BadParameter(f"--minutes must be greater than 0 and finite, not {minutes:g}.")
    workflow.plan.require_plan_files(csv, sheet, overwrite=overwrite)
    start = with_hold(start_of(known, setup, is_strict=strict), hold_seconds)
    made = start.plan(minutes)
    written = workflow.plan.write_plan(made, start, csv=csv, sheet=sheet)
    if json:
        _write_json(made, start)
    else:
        _write_screen(made, start, written)


def _write_json(made: Plan, start: PlanStart) -> None:
    record = show.plan.plan_record(made, setup=start.setup, is_simulated=start.is_simulated)
    console.write_json({**record, "set_aside": start.unusable})


def _write_screen(made: Plan, start: PlanStart, written: Sequence[Path]) -> None:
    screen = console.screen()
    view = show.plan.plan_screen(
        made, setup=start.setup, display=console.display_of(screen), is_simulated=start.is_simulated
    )
    console.write(screen, view, *show.plan.written_lines(written))


def with_hold(start: PlanStart, seconds: float | None) -> PlanStart:
    """Return the start with the length of holds from the command line."""
    if seconds is None:
        return start
    try:
        return start.with_hold_s(seconds)
    except InputError as error:
        raise typer.BadParameter(f"--hold-seconds: {error}") from error


def start_of(known: Sequence[Path], setup: Path | None, *, is_strict: bool) -> PlanStart:
    """Return what a plan starts from: a tune's folder, or logs with a setup."""
    if len(known) == 1 and workflow.plan.is_tune(known[0]):
        if setup is not None:
            raise typer.BadParameter("A tune's folder has its own setup. Leave out --setup.")
        return workflow.plan.start_of_tune(known[0])
    if setup is None:
        raise typer.BadParameter(_without_setup(known))
    return workflow.plan.start_of_logs(reducer(known, is_strict=is_strict), setup=setup)


def _without_setup(known: Sequence[Path]) -> str:
    """Explain what is missing when neither a tune's folder nor a setup was given."""
    first = known[0]
    if not first.exists():
        problem = f"{first}: there is no such file or folder."
    elif first.is_dir():
        problem = f"{first}: no tune was started in this folder."
    else:
        problem = f"{first}: a log needs --setup."
    return f"{problem} Name a tune's folder, or logs (or their folder) with --setup."
