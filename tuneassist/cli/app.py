"""The installed command, and the one place where errors become messages."""

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
from tuneassist.cli.waiting import WORKING, end_waiting, show_waiting
from tuneassist.errors import InputError, OutputError, TuneassistError
from tuneassist.inert import NAME_LENGTH, one_line
from tuneassist.show.cautions import all_cautions
from tuneassist.stopping import INTERRUPTED

STOPPED = "stopped; a result is written whole or not at all."
INTERNAL = 1
HELP_START = "Usage:"
"""How help begins, which a group shows when no command is named."""
GARBAGE_THRESHOLD = 50_000
"""New objects between two collections; Python's default is 700 or 2,000. [1]"""
THREAD_VARIABLES = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


class _Group(LazyGroup):
    """Turns what a command raises into one message and an exit status."""

    def make_context(self, *args: Any, **kwargs: Any) -> Any:
        """Parse the options before the command."""
        try:
            return super().make_context(*args, **kwargs)
        except Exception as error:
            _clean_usage(error)
            raise

    def invoke(self, ctx: Any) -> Any:
        """Run the command."""
        show_waiting(WORKING)
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
            stopping.raise_if_stopped()  # a library may turn a stop into an error of its own
            if hasattr(error, "exit_code"):  # typer's own: wrong usage, and the way out
                _clean_usage(error)
                raise
            if isinstance(error, OSError) and error.filename is not None:
                tell(_file_words(error))
                raise typer.Exit(InputError.exit_status) from None
            tell(_mistake_words(error))
            raise typer.Exit(INTERNAL) from None
        finally:
            end_waiting()


def _clean_usage(error: Any) -> None:
    """Limit a usage error, which repeats what was typed, to one line of bounded length."""
    if not hasattr(error, "format_message"):
        return
    message = error.format_message()
    if not message.startswith(HELP_START):
        error.format_message = lambda: one_line(message)


def _file_words(error: OSError) -> str:
    """Name the file or folder that the system refuses, such as one with too long a name."""
    name = os.fsdecode(error.filename) if isinstance(error.filename, bytes) else error.filename
    message = error.strerror or type(error).__name__
    return f"{one_line(name, NAME_LENGTH)}: cannot be used: {message}. Name another file or folder."


def _mistake_words(error: Exception) -> str:
    """Describe an internal error and its place in one sentence, without a traceback."""
    place = error.__traceback__
    while place is not None and place.tb_next is not None:
        place = place.tb_next
    message = f"{type(error).__name__}: {one_line(error)}"
    where = f" ({place.tb_frame.f_code.co_name}, line {place.tb_lineno})" if place else ""
    return (
        f"a mistake in the program, not in your files: {message}{where}. "
        "A result is written whole or not at all. Please report this message."
    )


app = typer.Typer(
    cls=_Group,
    name="tuneassist",
    help="Turn logged dyno sessions into a safe, limited correction grid, and show how far "
    "to trust it.",
    epilog="\n\n".join(
        (
            "Exit status: 0 done, 2 wrong usage, 3 an input cannot be used, 4 no usable steady "
            "evidence, 5 a grid breaks a rule, 6 the engine did not answer.",
            "Before you load or drive a proposal:",
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
            help="Show the version and exit.",
            callback=_show_version,
            is_eager=True,
        ),
    ] = False,
) -> None:
    """Take the options that belong to no command; the help text is above."""


def main() -> None:
    """Run the command line, and end the process with its exit status."""
    try:
        stopping.handle_signals()
        streams.keep_writable()
        status = _run()
        stopping.restore_signals()
    except stopping.Stopped as stop:
        status = stop.status
        _say_stopped()
    if stopping.requested_status() is not None:
        stopping.exit_now(status)
    stopping.delete_unfinished()
    gc.freeze()  # no last collection: the system frees the memory at once
    sys.exit(status)


def _run() -> int:
    """Run the command and return its exit status."""
    # The matrices are small (some hundred cells): several threads make the linear algebra about
    # twenty times slower than one, and read logs no faster. Must be set before numpy is imported;
    # a value that the user has set is kept.
    for name in THREAD_VARIABLES:
        os.environ.setdefault(name, "1")
    # A command is short and makes few cycles: collecting them costs a tenth of a short run.
    gc.set_threshold(GARBAGE_THRESHOLD)
    if not sys.warnoptions:  # warnings for programmers are of no use to a tuner
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
    stopping.mark_reported()
    tell(STOPPED)
