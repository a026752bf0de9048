"""``tuneassist sheet``: write the bench sheet of a day."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tuneassist import workflow
from tuneassist.cli import console
from tuneassist.cli.commands import new_app
from tuneassist.cli.inputs import reducer
from tuneassist.cli.options import AsJson, Overwrite, Strict
from tuneassist.cli.plan import HoldSeconds, SetupOfLogs, start_of, with_hold

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tuneassist.show.bench_sheet import BenchDay

Known = Annotated[
    list[Path] | None,
    typer.Argument(
        metavar="DIR|LOG",
        help="A tune's folder, or log files with --setup. Without either: --setup alone.",
        show_default=False,
    ),
]
Out = Annotated[
    Path,
    typer.Option(
        "--out", "-o", metavar="FILE", help="The page, a new .html file.", show_default=False
    ),
]
Minutes = Annotated[
    float | None,
    typer.Option(
        "--minutes",
        "-m",
        metavar="M",
        help="Time for holds on a warm engine, in minutes. Needed to plan them.",
        show_default=False,
    ),
]
Done = Annotated[
    list[Path] | None,
    typer.Option(
        "--done",
        metavar="LOG",
        help="A log of this day, or a folder of them: what was held in it is ticked. May be "
        "repeated.",
        show_default=False,
    ),
]
ZeroFile = Annotated[
    Path | None,
    typer.Option(
        "--zero",
        metavar="FILE",
        help="What runs --zero --json printed, saved to a file: its verdict and the file's date "
        "are shown, and the box is ticked if it is equivalent.",
        show_default=False,
    ),
]
app = new_app()


@app.command()
def sheet(
    known: Known = None,
    *,
    out: Out,
    minutes: Minutes = None,
    hold_seconds: HoldSeconds = None,
    setup: SetupOfLogs = None,
    done: Done = None,
    zero: ZeroFile = None,
    overwrite: Overwrite = False,
    strict: Strict = False,
    json: AsJson = False,
) -> None:
    """Write the bench sheet of a day: one page to print for the shop wall.

    It prints to one page of A4 or Letter: what to check first, when the engine is warm, standard
    and zero runs, values to write in, every ceiling and what to do when it is passed, and the holds
    in driving order with boxes to tick. The file needs no network.
    """
    _check_usage(known or [], minutes, setup, done)
    workflow.sheet.require_sheet(out, overwrite=overwrite)
    day = _day(known or [], minutes, hold_seconds, setup, is_strict=strict)
    if zero is not None:
        day = workflow.sheet.with_zero(day, zero)
    if done:
        day = workflow.sheet.with_done(day, reducer(done, is_strict=strict))
    workflow.sheet.write_sheet(day, out)
    _tell(day, out, as_json=json)


def _check_usage(
    known: Sequence[Path], minutes: float | None, setup: Path | None, done: list[Path] | None
) -> None:
    if minutes is not None and not 0 < minutes < float("inf"):
        raise typer.BadParameter(f"--minutes must be greater than 0 and finite, not {minutes:g}.")
    if not known and setup is None:
        raise typer.BadParameter("name a tune's folder, or logs with --setup, or --setup alone.")
    if known and minutes is None:
        raise typer.BadParameter("--minutes is needed to plan the holds.")
    if not known and (minutes is not None or done):
        raise typer.BadParameter(
            "--minutes and --done need a plan: name a tune's folder, or logs with --setup."
        )


def _day(
    known: Sequence[Path],
    minutes: float | None,
    hold_seconds: float | None,
    setup: Path | None,
    *,
    is_strict: bool,
) -> BenchDay:
    if minutes is None:
        assert setup is not None  # _check_usage
        return workflow.sheet.day_of_setup(setup)
    start = with_hold(start_of(known, setup, is_strict=is_strict), hold_seconds)
    if setup is None:
        return workflow.sheet.day_of_tune(known[0], start, minutes)
    return workflow.sheet.day_of_plan(start, minutes)


def _tell(day: BenchDay, out: Path, *, as_json: bool) -> None:
    holds = 0 if day.plan is None else len(day.plan.holds)
    if as_json:
        simulated = {"simulated": True} if day.is_simulated else {}
        told = {"out": str(out), "holds": holds, "done": sum(day.done)}
        console.write_json({**simulated, **told, "set_aside": dict(day.set_aside)})
        return
    for name, why in day.set_aside.items():
        console.tell(f"{name} was set aside: {why}")
    words = f"{holds} holds, {sum(day.done)} of them done" if holds else "no holds planned"
    lines = [f"Written: {out} ({words})", "Print it from a browser: one page of A4 or Letter."]
    console.write(console.screen(), *lines)
