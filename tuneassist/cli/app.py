"""The installed command: its sub-commands, and the one place where errors become messages."""

from __future__ import annotations

import gc
import os
import sys
import warnings
from typing import Annotated, Any

import typer

from tuneassist import __version__, stopping
from tuneassist.cli import streams
from tuneassist.cli.commands import HELP_NAMES, LazyGroup
from tuneassist.cli.console import tell
from tuneassist.errors import InputError, OutputError, TuneassistError
from tuneassist.inert import NAME_LENGTH, told
from tuneassist.show.cautions import all_cautions
from tuneassist.stopping import INTERRUPTED

STOPPED = "stopped; a result is written whole or not at all."
INTERNAL = 1
HELP_START = "Usage:"
"""How help begins, which a group shows where no command is named."""
GARBAGE_THRESHOLD = 50_000
"""Objects between two looks for garbage in cycles; Python's own figure is 700 or 2,000. [1]"""
THREAD_VARIABLES = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


class _Group(LazyGroup):
    """Turns what a command raises into one message and an exit status."""

    def make_context(self, *args: Any, **kwargs: Any) -> Any:
        """Read the words ahead of the command."""
        try:
            return super().make_context(*args, **kwargs)
        except Exception as error:
            _clean_usage(error)
            raise

    def invoke(self, ctx: Any) -> Any:
        """Run the command."""
        try:
            return super().invoke(ctx)
        except TuneassistError as error:
            tell(str(error))
            raise typer.Exit(error.exit_status) from None
        except KeyboardInterrupt:
            tell(STOPPED)
            raise typer.Exit(INTERRUPTED) from None
        except typer.Abort:
            raise
        except Exception as error:
            stopping.refuse_late()  # a library may make an error of its own of a stop
            if hasattr(error, "exit_code"):  # typer's own: wrong usage, and the way out
                _clean_usage(error)
                raise
            if isinstance(error, OSError) and error.filename is not None:
                tell(_file_words(error))
                raise typer.Exit(InputError.exit_status) from None
            tell(_mistake_words(error))
            raise typer.Exit(INTERNAL) from None


def _clean_usage(error: Any) -> None:
    """Let wrong usage be told in one line of bounded length: it repeats what was typed."""
    if not hasattr(error, "format_message"):
        return
    said = error.format_message()
    if not said.startswith(HELP_START):
        error.format_message = lambda: told(said)


def _file_words(error: OSError) -> str:
    """Name the file or folder that the system refuses to look at: its name may be too long."""
    name = os.fsdecode(error.filename) if isinstance(error.filename, bytes) else error.filename
    said = error.strerror or type(error).__name__
    return f"{told(name, NAME_LENGTH)}: it cannot be used: {said}. Name another file or folder."


def _mistake_words(error: Exception) -> str:
    """Say that the program itself failed, and where, in one sentence and without a traceback."""
    place = error.__traceback__
    while place is not None and place.tb_next is not None:
        place = place.tb_next
    said = f"{type(error).__name__}: {told(error)}"
    where = f" ({place.tb_frame.f_code.co_name}, line {place.tb_lineno})" if place else ""
    return (
        f"a mistake in the program, not in your files: {said}{where}. "
        "A result is written whole or not at all. Please report this line."
    )


app = typer.Typer(
    cls=_Group,
    name="tuneassist",
    help="From logged rolling-road sessions to a safe, bounded correction grid, with the doubt "
    "shown.",
    epilog="\n\n".join(
        (
            "Exit status: 0 done, 2 wrong usage, 3 an input cannot be used, 4 no usable steady "
            "evidence, 5 a grid breaks a rule, 6 the engine did not answer.",
            "Before anybody loads or drives what this program proposes:",
            *all_cautions(),
        )
    ),
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,  # plain help: the framed one takes twice as long to start
    pretty_exceptions_enable=False,
    context_settings=HELP_NAMES,
)


def _show_version(is_asked: bool) -> None:
    if is_asked:
        typer.echo(f"tuneassist {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool,
        typer.Option(
            "--version",
            metavar="",
            help="Show the version and stop.",
            callback=_show_version,
            is_eager=True,
        ),
    ] = False,
) -> None:
    """Hold the options that belong to no command; the help text stands above."""


def main() -> None:
    """Run the command line, and end the process with its exit status."""
    try:
        stopping.listen()
        streams.keep_writable()
        status = _run()
        stopping.be_quiet()
    except stopping.Stopped as stop:
        status = stop.status
        _say_stopped()
    if stopping.asked() is not None:
        stopping.end(status)
    stopping.clear_away()
    gc.freeze()  # the system takes the memory back at once, without a last look for cycles
    sys.exit(status)


def _run() -> int:
    """Run the command and return its exit status."""
    # The matrices here are small (some hundred cells). Handing them to several threads makes the
    # linear algebra about twenty times slower than one thread is, and logs are read no faster.
    # This has to stand before numpy is first imported; who sets the variables is left in peace.
    for name in THREAD_VARIABLES:
        os.environ.setdefault(name, "1")
    # A command is short and makes few cycles: looking for them costs a tenth of a short run.
    gc.set_threshold(GARBAGE_THRESHOLD)
    if not sys.warnoptions:  # a library's warning to programmers is no message to a tuner
        warnings.simplefilter("ignore")
    status = 0
    try:
        app(prog_name="tuneassist")
    except SystemExit as leaving:
        status = leaving.code if isinstance(leaving.code, int) else int(leaving.code is not None)
    if (words := streams.failure_message()) and status == 0:
        tell(words)
        status = OutputError.exit_status
    return status


def _say_stopped() -> None:
    stopping.has_told()
    tell(STOPPED)
