"""From what was typed to logs: folders and patterns opened up, names told apart, progress shown."""

from __future__ import annotations

import atexit
import glob
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING

from tuneassist.cli.console import tell
from tuneassist.errors import LogError

if TYPE_CHECKING:
    from rich.progress import Progress as Bar

    from tuneassist.parallel import ReducedLog
    from tuneassist.reading import Log
    from tuneassist.settings import Setup

LOG_SUFFIXES = frozenset(
    {".csv", ".txt", ".tsv", ".log", ".dat", ".asc", ".gz", ".zst"}
    | {".parquet", ".arrow", ".feather", ".mf4"}
)
"""Suffixes that are taken for logs in a folder; a file that is named is always read."""
STANDARD_INPUT = "-"
GRID_START = b"rpm/load"
PATIENCE_S = 0.7
"""A bar is shown only when reading takes longer than this. [s]"""


def find_logs(typed: Sequence[Path]) -> list[Path]:
    """Return the log files that were meant, folders and patterns opened up.

    Standard input is put into a temporary file, which goes when the program ends: a log is read
    twice where its format or its hash asks for it.

    Raises
    ------
    LogError
        When a folder or a pattern holds no log, or standard input is named twice.
    """
    paths: list[Path] = []
    if sum(str(path) == STANDARD_INPUT for path in typed) > 1:
        raise LogError("it can be read once only.", where="standard input")
    for path in typed:
        if str(path) == STANDARD_INPUT:
            paths.append(_from_standard_input())
        elif path.is_dir():
            paths.extend(_in_folder(path))
        elif not path.exists() and glob.has_magic(str(path)):
            paths.extend(_matching(str(path)))
        else:
            paths.append(path)
    return paths


def _from_standard_input() -> Path:
    """Save standard input, piece by piece."""
    folder = tempfile.mkdtemp(prefix="tuneassist-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    path = Path(folder) / "standard-input"
    try:
        with path.open("wb") as stream:
            shutil.copyfileobj(sys.stdin.buffer, stream, 1 << 20)
    except OSError as error:
        raise LogError(f"it cannot be read ({error}).", where="standard input") from error
    return path


def _matching(pattern: str) -> list[Path]:
    """Open a pattern up, since not every shell does it."""
    found = sorted(Path(name) for name in glob.glob(pattern))  # noqa: PTH207
    found = [path for path in found if path.is_file()]
    if not found:
        raise LogError("no file matches this pattern.", where=pattern)
    return found


def _in_folder(folder: Path) -> list[Path]:
    """List a folder's logs by name, correction grids left out, and say which."""
    found = sorted(
        path
        for path in folder.iterdir()
        if path.suffix.lower() in LOG_SUFFIXES and path.is_file() and not path.name.startswith(".")
    )
    logs = [path for path in found if not _is_grid(path)]
    if not logs:
        raise LogError(
            "the folder holds no log files.",
            where=str(folder),
            mend=f"Log files end in {', '.join(sorted(LOG_SUFFIXES))}.",
        )
    names = ", ".join(path.name for path in logs)
    left = len(found) - len(logs)
    grids = f"; {left} correction grid(s) left out" if left else ""
    tell(f"{folder}: {len(logs)} log file(s): {names}{grids}")
    return logs


def _is_grid(path: Path) -> bool:
    try:
        with path.open("rb") as stream:
            head = stream.read(64)
    except OSError:
        return False
    return head.removeprefix(b"\xef\xbb\xbf").lower().replace(b'"', b"").startswith(GRID_START)


def distinct_names(paths: Sequence[Path]) -> list[str]:
    """Return file names, with as many folders before each as tell them apart.

    Examples
    --------
    >>> distinct_names([Path("mon/a.csv"), Path("tue/a.csv"), Path("tue/b.csv")])
    ['mon/a.csv', 'tue/a.csv', 'b.csv']
    """
    names = [path.name for path in paths]
    depth = 1
    while depth < max((len(path.parts) for path in paths), default=1):
        depth += 1
        taken = [name for name in names if names.count(name) > 1]
        if not taken:
            break
        names = [
            "/".join(path.parts[-depth:]) if name in taken else name
            for name, path in zip(names, paths, strict=True)
        ]
    return names


def read_logs(paths: Sequence[Path], *, setup: Setup | None) -> list[Log]:
    """Read logs, with a bar where it takes long and somebody watches.

    Raises
    ------
    LogError
        When a log cannot be used, or the same one comes twice.
    """
    from tuneassist.reading import read_log

    logs = []
    with _Progress(len(paths)) as bar:
        for index, (path, name) in enumerate(zip(paths, distinct_names(paths), strict=True)):
            log = read_log(path, setup=setup, progress=bar.for_log(index, name))
            logs.append(replace(log, name=name))
    refuse_twins(logs)
    return logs


def reduce_logs(
    paths: Sequence[Path], *, setup: Setup, workers: int = 1, scheduler: str | None = None
) -> list[ReducedLog]:
    """Read logs and reduce them to holds, with a bar where it takes long and somebody watches.

    Parameters
    ----------
    paths
        The logs.
    setup
        The car's setup.
    workers, scheduler
        As for `tuneassist.parallel.reduce_files`.

    Raises
    ------
    LogError
        When a log cannot be used, or the same one comes twice.
    """
    from tuneassist.parallel import LogFile, reduce_file, reduce_files

    files = [LogFile(p, name) for p, name in zip(paths, distinct_names(paths), strict=True)]
    with _Progress(len(files)) as bar:
        if scheduler is None and (workers == 1 or len(files) == 1):
            reduced = [
                reduce_file(file, setup, bar.for_log(index, file.name))
                for index, file in enumerate(files)
            ]
        else:
            reduced = reduce_files(
                files, setup, workers=workers, scheduler=scheduler, done=bar.after_log
            )
    refuse_twins([one.log for one in reduced])
    return reduced


def refuse_twins(logs: Sequence[Log]) -> None:
    """Refuse two logs with the same bytes: holds counted twice look surer than they are.

    Raises
    ------
    LogError
        With both names.
    """
    seen: dict[str, str] = {}
    for log in logs:
        if log.sha256 in seen:
            raise LogError(
                f"this log is the same as {seen[log.sha256]}, byte for byte.",
                where=log.name,
                mend="Name each log once: evidence counted twice looks surer than it is.",
            )
        seen[log.sha256] = log.name


class _Progress:
    """A bar on standard error that appears only when reading takes long."""

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

    def for_log(self, index: int, name: str) -> Callable[[float], None]:
        """Return what a reader calls with the share of this log that is done."""

        def say(share: float) -> None:
            is_late = time.monotonic() - self._start > PATIENCE_S
            if self._bar is None and is_late and sys.stderr.isatty():
                self._bar = self._started()
            if self._bar is not None:
                done = index + share
                self._bar.update(self._bar.task_ids[0], completed=done, description=name)

        return say

    def after_log(self, count: int, name: str) -> None:
        """Show that so many logs are done, this one last."""
        self.for_log(count, name)(0.0)

    def _started(self) -> Bar:
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn

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


def says_simulated(log: Log) -> bool:
    """Tell whether a log's name or the lines above its header say that it is simulated."""
    if "simulated" in log.name.casefold():
        return True
    return any("simulated" in line.casefold() for line in log.preamble)


def is_simulated(logs: Sequence[Log], setup: Setup | None) -> bool:
    """Tell whether the car's label or any log says that the data are simulated."""
    label = setup.engine.label if setup else ""
    return "simulated" in label.casefold() or any(says_simulated(log) for log in logs)
