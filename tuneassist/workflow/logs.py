"""Read and reduce log files, with distinct names and no duplicates."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Protocol

from tuneassist.errors import LogError
from tuneassist.inert import inert
from tuneassist.parallel import Answer, LogFile, LogsAtHand, try_file, try_files, usable_logs
from tuneassist.reading import Log, read_log
from tuneassist.settings import Setup


class ReadingProgress(Protocol):
    """Takes the progress of reading logs."""

    def for_log(self, index: int, name: str) -> Callable[[float], None]:
        """Return a callback that takes the share of this log that is done."""

    def after_log(self, count: int, name: str) -> None:
        """Take the number of logs done and the name of the last one."""


class NoProgress:
    """Shows no progress."""

    def for_log(self, index: int, name: str) -> Callable[[float], None]:
        """Return a callback that does nothing."""
        return lambda share: None

    def after_log(self, count: int, name: str) -> None:
        """Do nothing."""


def distinct_names(paths: Sequence[Path]) -> list[str]:
    """Return file names, each with as many parent folders as make it distinct.

    They are the names of the logs from here on and are safe to show. Names that become equal by
    that are numbered.

    Parameters
    ----------
    paths
        The files.

    Examples
    --------
    >>> distinct_names([Path("mon/a.csv"), Path("tue/a.csv"), Path("tue/b.csv")])
    ['mon/a.csv', 'tue/a.csv', 'b.csv']
    """
    parts = [[inert(part) for part in path.parts] for path in paths]
    names = [inert(path.name) for path in paths]
    depth = 1
    while depth < max((len(own) for own in parts), default=1):
        depth += 1
        taken = [name for name in names if names.count(name) > 1]
        if not taken:
            break
        names = [
            "/".join(own[-depth:]) if name in taken else name
            for name, own in zip(names, parts, strict=True)
        ]
    return _numbered(names, paths)


def _numbered(names: list[str], paths: Sequence[Path]) -> list[str]:
    """Number different files whose names are equal once they are safe to show."""
    files: dict[str, list[Path]] = {}
    for name, path in zip(names, paths, strict=True):
        if path not in files.setdefault(name, []):
            files[name].append(path)
    places = [files[name].index(path) + 1 for name, path in zip(names, paths, strict=True)]
    return [
        f"{name} ({place})" if place > 1 else name
        for name, place in zip(names, places, strict=True)
    ]


def read_logs(
    paths: Sequence[Path], *, setup: Setup | None, progress: ReadingProgress | None = None
) -> list[Log]:
    """Read logs whole.

    Parameters
    ----------
    paths
        The logs.
    setup
        Names the channels; None finds them by their headers.
    progress
        Takes the progress of reading.

    Raises
    ------
    LogError
        When a log cannot be used or is named twice.
    """
    reporter = progress or NoProgress()
    logs = []
    for index, (path, name) in enumerate(zip(paths, distinct_names(paths), strict=True)):
        log = read_log(path, setup=setup, progress=reporter.for_log(index, name))
        logs.append(replace(log, name=name))
    refuse_duplicates(logs)
    return logs


def reduce_logs(
    paths: Sequence[Path],
    *,
    setup: Setup,
    is_strict: bool = False,
    workers: int = 1,
    scheduler: str | None = None,
    progress: ReadingProgress | None = None,
) -> LogsAtHand:
    """Read logs and reduce them to holds.

    Parameters
    ----------
    paths
        The logs.
    setup
        The car's setup.
    is_strict
        Raise when a log cannot be used, instead of setting it aside.
    workers, scheduler
        As for `tuneassist.parallel.reduce_files`.
    progress
        Takes the progress of reading.

    Raises
    ------
    LogError
        When no log can be used, with ``is_strict`` when one cannot, or when a log is named twice.
    """
    reporter = progress or NoProgress()
    files = [LogFile(p, name) for p, name in zip(paths, distinct_names(paths), strict=True)]
    if scheduler is None and (workers == 1 or len(files) == 1):
        answers: Iterable[Answer] = (
            try_file(file, setup, reporter.for_log(index, file.name))
            for index, file in enumerate(files)
        )
    else:
        answers = try_files(
            files, setup, workers=workers, scheduler=scheduler, done=reporter.after_log
        )
    found = usable_logs(files, answers, is_strict=is_strict)
    refuse_duplicates([one.log for one in found.used])
    return found


def with_prefix(prefix: str, logs: LogsAtHand) -> LogsAtHand:
    """Put a prefix before the logs' names: files of different sessions often share a name.

    Parameters
    ----------
    prefix
        Such as the name of a round.
    logs
        The reduced logs.
    """
    used = [one.called(f"{prefix}/{one.log.name}") for one in logs.used]
    unusable = {f"{prefix}/{name}": why for name, why in logs.unusable.items()}
    return replace(logs, used=used, unusable=unusable)


def refuse_duplicates(logs: Sequence[Log]) -> None:
    """Refuse two logs with the same bytes: evidence counted twice looks more certain than it is.

    Parameters
    ----------
    logs
        The logs as read.

    Raises
    ------
    LogError
        When there are such logs; the message names both.
    """
    seen: dict[str, str] = {}
    for log in logs:
        if log.sha256 in seen:
            raise LogError(
                f"this log is the same as {seen[log.sha256]}, byte for byte.",
                where=log.name,
                mend="Name each log once: evidence counted twice looks more certain than it is.",
            )
        seen[log.sha256] = log.name


def says_simulated(log: Log) -> bool:
    """Return whether a log's name, or a line above its header, says that it is simulated.

    Parameters
    ----------
    log
        The log as read.
    """
    if "simulated" in log.name.casefold():
        return True
    return any("simulated" in line.casefold() for line in log.preamble)


def is_simulated(logs: Sequence[Log], setup: Setup | None) -> bool:
    """Return whether the car's label or any log says that the data are simulated.

    Parameters
    ----------
    logs
        The logs as read.
    setup
        The car's setup; None without one.
    """
    label = setup.engine.label if setup else ""
    return "simulated" in label.casefold() or any(says_simulated(log) for log in logs)
