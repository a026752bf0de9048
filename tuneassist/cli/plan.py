"""``tuneassist plan``: what to hold next, in order."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tuneassist.cli.options import AsJson, Overwrite, Strict

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tuneassist.loop.plan import Plan
    from tuneassist.parallel import LogsAtHand
    from tuneassist.settings import Setup
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
    typer.Option("--minutes", "-m", metavar="M", help="Time on a warm engine.", show_default=False),
]
HoldSeconds = Annotated[
    float | None,
    typer.Option(
        "--hold-seconds",
        metavar="S",
        help="Length of each hold; left out: plan.hold_s of the setup, or its default.",
        show_default=False,
    ),
]
SetupOfLogs = Annotated[
    Path | None,
    typer.Option(
        "--setup",
        "-s",
        metavar="FILE",
        help="The car's setup file (TOML); a tune's folder has its own.",
        show_default=False,
    ),
]
CsvFile = Annotated[
    Path | None,
    typer.Option("--csv", metavar="FILE", help="Also write a new CSV.", show_default=False),
]
SheetFile = Annotated[
    Path | None,
    typer.Option(
        "--sheet",
        metavar="FILE",
        help="Also draw one page for the operator: .png, .svg or .pdf.",
        show_default=False,
    ),
]


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
    """List the holds that take most of the remaining doubt away for the time.

    Weighted by where the car is driven (low and middle speeds, or as [plan] in the setup says),
    within reach as logged, light load first, with rests between heavy holds.
    """
    if not 0 < minutes < float("inf"):
        raise typer.BadParameter(f"{minutes:g} minutes is no time. Give more than 0.")
    _require_free(csv, sheet, overwrite=overwrite)
    start = _with_hold(_start(known, setup, is_strict=strict), hold_seconds)
    made = start.plan(minutes)
    written = _write(made, start, csv=csv, sheet=sheet)
    if json:
        _show_json(made, start)
    else:
        _show_screen(made, start, written)


def _require_free(csv: Path | None, sheet: Path | None, *, overwrite: bool) -> None:
    """Refuse files that could not be written, before any work is done."""
    from tuneassist.workflow.new_file import require_new_file

    for path in (csv, sheet):
        if path is not None:
            require_new_file(path, overwrite=overwrite)
    if sheet is not None:
        from tuneassist.show.plots import plot_format, require_matplotlib

        require_matplotlib()
        plot_format(sheet.suffix)


def _show_json(made: Plan, start: PlanStart) -> None:
    from tuneassist.cli.console import show_json
    from tuneassist.show.plan import plan_record

    record = plan_record(made, setup=start.setup, is_simulated=start.is_simulated)
    show_json({**record, "set_aside": start.unusable})


def _show_screen(made: Plan, start: PlanStart, written: Sequence[Path]) -> None:
    from tuneassist.cli.console import look_of, screen, show
    from tuneassist.show.plan import plan_screen, written_lines

    console = screen()
    view = plan_screen(
        made, setup=start.setup, display=look_of(console), is_simulated=start.is_simulated
    )
    show(console, view, *written_lines(written))


def _with_hold(start: PlanStart, seconds: float | None) -> PlanStart:
    from tuneassist.errors import InputError

    if seconds is None:
        return start
    try:
        return start.with_hold_s(seconds)
    except InputError as error:
        raise typer.BadParameter(f"--hold-seconds: {error}") from error


def _start(known: Sequence[Path], setup: Path | None, *, is_strict: bool) -> PlanStart:
    from tuneassist.cli.inputs import find_logs, reduce_logs
    from tuneassist.workflow.plan import is_tune, start_of_logs, start_of_tune

    if len(known) == 1 and is_tune(known[0]):
        if setup is not None:
            raise typer.BadParameter("A tune's folder has its own setup; leave --setup out.")
        return start_of_tune(known[0])
    if setup is None:
        raise typer.BadParameter(_without_setup(known))

    def reduce(car: Setup) -> LogsAtHand:
        return reduce_logs(find_logs(known), setup=car, is_strict=is_strict)

    return start_of_logs(reduce, setup=setup)


def _without_setup(known: Sequence[Path]) -> str:
    """Say what is wrong where neither a tune's folder nor a setup was named."""
    first = known[0]
    if not first.exists():
        problem = f"{first}: there is no such file or folder."
    elif first.is_dir():
        problem = f"{first}: no tune was started in this folder."
    else:
        problem = f"{first}: a log needs --setup."
    return f"{problem} Name a tune's folder, or logs (or their folder) with --setup."


def _write(made: Plan, start: PlanStart, *, csv: Path | None, sheet: Path | None) -> list[Path]:
    """Write what was asked for, each file whole or not at all."""
    from tuneassist.files.safe_files import write_atomically
    from tuneassist.files.serialise import frame_csv

    if csv is not None:
        write_atomically(csv, frame_csv(made.holds).encode("utf-8"))
    if sheet is not None:
        from tuneassist.show.plan_sheet import plan_sheet
        from tuneassist.show.plots import picture, plot_format

        figure = plan_sheet(made, setup=start.setup, is_simulated=start.is_simulated)
        write_atomically(sheet, picture(figure, plot_format(sheet.suffix)))
    return [path for path in (csv, sheet) if path is not None]
