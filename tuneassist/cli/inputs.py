"""Find the logs that were named, read them, and show progress."""

from __future__ import annotations

import atexit
import contextlib
import glob
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from types import TracebackType
from typing import IO, TYPE_CHECKING

import typer

from tuneassist import stopping, workflow
from tuneassist.cli.console import tell
from tuneassist.cli.waiting import PATIENCE_S, WORKING, end_waiting, show_waiting
from tuneassist.errors import LogError
from tuneassist.inert import NAME_LENGTH, listed, one_line

if TYPE_CHECKING:
    from rich.progress import Progress as Bar

    from tuneassist.parallel import LogsAtHand
    from tuneassist.reading import Log
    from tuneassist.settings import Setup

STANDARD_INPUT = "-"
_PIECE = 1 << 20
_OPEN: list[IO[bytes]] = []
"""Temporary files, which must stay open until the program ends."""


def find_logs(typed: Sequence[Path]) -> list[Path]:
    """Return the log files that were named; folders and patterns are expanded.

    Standard input and pipes are saved to a temporary file, deleted when the program ends: some
    formats, and the hash, need a second read.

    Raises
    ------
    LogError
        When a folder or a pattern holds no log, or standard input is named twice.
    """
    paths: list[Path] = []
    if sum(str(path) == STANDARD_INPUT for path in typed) > 1:
        raise LogError("it can be read only once.", where="standard input")
    for path in typed:
        if str(path) == STANDARD_INPUT:
            paths.append(_spooled(path))
        elif path.is_dir():
            paths.extend(_in_folder(path))
        elif path.exists() and not path.is_file():
            paths.append(_spooled(path))
        elif not path.exists() and glob.has_magic(str(path)):
            paths.extend(_matching(str(path)))
        else:
            paths.append(path)
    return paths


def _spooled(path: Path) -> Path:
    """Save a stream that can be read only once, piece by piece."""
    is_standard = str(path) == STANDARD_INPUT
    where = "standard input" if is_standard else str(path)
    if is_standard and sys.stdin is None:
        raise LogError("it is closed.", where=where, mend="Pipe a log into it, or name a file.")
    try:
        saved, stream = _place_for("standard input" if is_standard else path.name)
        with contextlib.nullcontext(sys.stdin.buffer) if is_standard else path.open("rb") as source:
            shutil.copyfileobj(source, stream, _PIECE)
        stream.flush()
    except (OSError, ValueError) as error:
        raise LogError(f"it cannot be read ({error}).", where=where) from error
    return saved


def _place_for(name: str) -> tuple[Path, IO[bytes]]:
    """Make a temporary file that is deleted with the program, and a path to read it.

    On Linux the file has no name and is read through ``/proc``, so that nothing is left
    even after a kill. On other systems it has a name, and a kill leaves it behind.
    """
    atexit.register(stopping.delete_unfinished)
    folder = Path(tempfile.mkdtemp(prefix="tuneassist-"))
    stopping.delete_at_exit(folder)
    saved = folder / name
    nameless = tempfile.TemporaryFile(buffering=_PIECE)  # noqa: SIM115 - open to the end
    shown = Path(f"/proc/{os.getpid()}/fd/{nameless.fileno()}")
    if sys.platform == "linux" and shown.is_file():
        _OPEN.append(nameless)
        saved.symlink_to(shown)
        return saved, nameless
    nameless.close()
    stream = saved.open("wb")
    _OPEN.append(stream)
    return saved, stream


def _matching(pattern: str) -> list[Path]:
    """Expand a pattern, since not every shell does, and name the files that are not logs."""
    found = sorted(Path(name) for name in glob.glob(pattern))  # noqa: PTH207
    logs, left = workflow.log_files.usable_logs(
        [path for path in found if path.is_file()], suffix=Path(pattern).suffix
    )
    if not logs:
        raise LogError(
            "no file matches this pattern."
            if not left
            else f"no log matches this pattern: {left}.",
            where=pattern,
            mend="Name the file itself to have it read." if left else "",
        )
    if left:
        tell(f"{one_line(pattern, NAME_LENGTH)}: {left}")
    return logs


def _in_folder(folder: Path) -> list[Path]:
    """List a folder's logs by name, and name the files that are not logs."""
    found = sorted(p for p in folder.iterdir() if p.is_file() and not p.name.startswith("."))
    logs, left = workflow.log_files.usable_logs(found)
    if not logs:
        raise LogError(
            "the folder holds no log files.",
            where=str(folder),
            mend=f"Log files end in {', '.join(sorted(workflow.log_files.LOG_SUFFIXES))}.",
        )
    names = listed(path.name for path in logs)
    shown = one_line(folder, NAME_LENGTH)
    tell(f"{shown}: {len(logs)} log file(s): {names}{'; ' if left else ''}{left}")
    return logs


def read_logs(paths: Sequence[Path], *, setup: Setup | None) -> list[Log]:
    """Read logs whole, with a progress bar on a terminal."""
    with _Progress(len(paths)) as bar:
        return workflow.logs.read_logs(paths, setup=setup, progress=bar)


def reducer(
    typed: Sequence[Path], *, is_strict: bool, workers: int = 1, scheduler: str | None = None
) -> Callable[[Setup], LogsAtHand]:
    """Return a callback that finds and reduces the logs once the setup is known.

    It shows a progress bar on a terminal; see `tuneassist.workflow.logs.reduce_logs`.
    """

    def reduce(setup: Setup) -> LogsAtHand:
        paths = find_logs(typed)
        refuse_both(workers, scheduler)
        with _Progress(len(paths)) as bar:
            return workflow.logs.reduce_logs(
                paths,
                setup=setup,
                is_strict=is_strict,
                workers=workers,
                scheduler=scheduler,
                progress=bar,
            )

    return reduce


def refuse_both(workers: int, scheduler: str | None) -> None:
    """Refuse ``--workers`` together with ``--scheduler``.

    Raises
    ------
    typer.BadParameter
        Wrong usage.
    """
    if workers > 1 and scheduler is not None:
        raise typer.BadParameter(
            "--workers and --scheduler exclude each other: a scheduler has its own workers."
        )


class _Progress:
    """A bar on standard error that appears when reading takes long."""

    def __init__(self, count: int) -> None:
        self._count = count
        self._start = time.monotonic()
        self._bar: Bar | None = None

    def __enter__(self) -> _Progress:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        place: TracebackType | None,
    ) -> None:
        if self._bar is not None:
            self._bar.stop()
        show_waiting(WORKING)  # what was read is worked on now

    def for_log(self, index: int, name: str) -> Callable[[float], None]:
        """Return a callback that takes the share of this log that is done."""

        def say(share: float) -> None:
            is_late = time.monotonic() - self._start > PATIENCE_S
            if self._bar is None and is_late and sys.stderr.isatty():
                self._bar = self._started()
            if self._bar is not None:
                done = index + share
                self._bar.update(self._bar.task_ids[0], completed=done, description=name)

        return say

    def after_log(self, count: int, name: str) -> None:
        """Take the number of logs done and the name of the last one."""
        self.for_log(count, name)(0.0)

    def _started(self) -> Bar:
        # imported when a bar is needed: most logs are read without one
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn

        end_waiting()
        bar = Progress(
            TextColumn("reading {task.description}", markup=False),
            BarColumn(),
            TaskProgressColumn(),
            console=Console(file=sys.stderr, markup=False, highlight=False),
            transient=True,
        )
        bar.add_task("", total=self._count)
        bar.start()
        return bar
