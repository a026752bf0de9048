"""``tuneassist setup``: write a setup to start from, made from logs."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tuneassist import workflow
from tuneassist.cli import console
from tuneassist.cli.commands import new_app
from tuneassist.cli.inputs import find_logs
from tuneassist.cli.options import AsJson, Logs, Overwrite
from tuneassist.cli.waiting import end_waiting
from tuneassist.errors import InputError
from tuneassist.inert import NAME_LENGTH, one_line

if TYPE_CHECKING:
    from tuneassist.files.open_questions import Question
    from tuneassist.workflow.setup_start import SetupStart, WrittenSetup

LATER = "?"
"""Answer that leaves a question for later."""
NO_WORDS = ("axes.rpm", "axes.load", "target.table")
"""Questions that are not answered by a word; they are left in the file."""

Out = Annotated[
    Path,
    typer.Option(
        "--out", "-o", metavar="FILE", help="The setup file to write (TOML).", show_default=False
    ),
]
AxesGrid = Annotated[
    Path | None,
    typer.Option(
        "--grid",
        "-g",
        metavar="FILE",
        help="A grid file with the controller's axes. Default: breakpoints where the logs were.",
        show_default=False,
    ),
]
Fuel = Annotated[
    str | None,
    typer.Option(
        "--fuel",
        metavar="FUEL",
        help="The fuel, such as petrol or diesel; tuneassist keys fuels lists them.",
        show_default=False,
    ),
]
IgnitionOption = Annotated[
    str | None,
    typer.Option(
        "--ignition",
        metavar="KIND",
        help="spark or compression, where the fuel does not tell.",
        show_default=False,
    ),
]
LoadColumn = Annotated[
    str | None,
    typer.Option(
        "--load",
        metavar="HEADER",
        help="Header of the column that is the table's load axis.",
        show_default=False,
    ),
]
LoadUnit = Annotated[
    str | None,
    typer.Option(
        "--load-unit",
        metavar="UNIT",
        help="Unit of the load breakpoints of --grid, such as kPa or psi gauge.",
        show_default=False,
    ),
]
NoInput = Annotated[
    bool,
    typer.Option(
        "--no-input", metavar="", help="Ask nothing; what is open stands as a question in the file."
    ),
]
app = new_app()


@app.command()
def setup(
    logs: Logs,
    out: Out,
    *,
    grid: AxesGrid = None,
    fuel: Fuel = None,
    ignition: IgnitionOption = None,
    load: LoadColumn = None,
    load_unit: LoadUnit = None,
    no_input: NoInput = False,
    overwrite: Overwrite = False,
    json: AsJson = False,
) -> None:
    """Write a commented setup to start from, made from logs.

    Channels and units as found, breakpoints from the grid or from where the logs were, a cautious
    target, and every limit with its reason. What the logs do not tell is asked in a terminal; else
    it stands as a "?" in the file, and check names it. No unit is guessed.
    """
    workflow.output_paths.require_new_file(out, overwrite=overwrite)
    start = workflow.setup_start.start_setup(find_logs(logs), grid=grid)
    if load_unit is not None and grid is None:
        raise typer.BadParameter("--load-unit is the unit of the breakpoints of --grid; give both.")
    given = {"engine.fuel": fuel, "engine.ignition": ignition, "channels.load.column": load}
    given |= {"axes.load_unit": load_unit}
    for key, answer in given.items():
        if answer is not None:
            start = _with_option(start, key, answer)
    if not no_input and not json and _is_terminal():
        start = _asked_all(start)
    written = workflow.setup_start.write_setup(start, out, overwrite=overwrite)
    for name, why in start.set_aside.items():
        console.tell(f"{one_line(name, NAME_LENGTH)} was set aside: {why}")
    if json:
        _write_json(written, start)
    else:
        _write_screen(written, start)


def _is_terminal() -> bool:
    return sys.stdin is not None and sys.stdin.isatty()


def _with_option(start: SetupStart, key: str, answer: str) -> SetupStart:
    try:
        return start.with_answer(key, start.accepted(key, answer))
    except InputError as error:
        raise typer.BadParameter(str(error)) from error


def _asked_all(start: SetupStart) -> SetupStart:
    """Ask each open question once; an answer may open another."""
    seen: set[str] = set(NO_WORDS)
    while left := [q for q in start.questions() if q.key not in seen]:
        seen.add(left[0].key)
        answer = _answer(start, left[0])
        if answer != LATER:
            start = start.with_answer(left[0].key, answer)
    return start


def _answer(start: SetupStart, question: Question) -> str:
    """Ask until an answer fits; Enter leaves the question for later."""
    end_waiting()
    for number, choice in enumerate(question.choices, start=1):
        typer.echo(f"  {number}  {one_line(choice, NAME_LENGTH)}", err=True)
    while True:
        try:
            words = typer.prompt(
                f"{question.key}: {question.text}? (Enter: later)",
                default=LATER,
                show_default=False,
                err=True,
            )
        except typer.Abort:
            raise KeyboardInterrupt from None
        if words.strip() in ("", LATER):
            return LATER
        try:
            return start.accepted(question.key, words)
        except InputError as error:
            console.tell(str(error))


def _write_json(written: WrittenSetup, start: SetupStart) -> None:
    console.write_json(
        {
            "setup": str(written.path),
            "questions": [
                {"key": q.key, "question": q.text, "choices": list(q.choices)}
                for q in written.questions
            ],
            "complaints": list(written.complaints),
            "set_aside": dict(start.set_aside),
        }
    )


def _write_screen(written: WrittenSetup, start: SetupStart) -> None:
    screen = console.screen()
    console.write(screen, f"{written.path}: a setup to start from. Read every line of it.")
    if written.questions:
        console.write(screen, f'Open, each a "{LATER}" in the file:')
    for question in written.questions:
        console.write(screen, f"  - {question.key}: {question.text}{_choices(question)}?")
    for complaint in written.complaints:
        console.write(screen, f"  ! {complaint}")
    console.write(screen, f"Next: tuneassist check {start.paths[0]} --setup {written.path}")


def _choices(question: Question) -> str:
    """Return the choices in brackets, where the question does not name them."""
    if all(choice in question.text for choice in question.choices):
        return ""
    return f" ({', '.join(one_line(choice, NAME_LENGTH) for choice in question.choices)})"
