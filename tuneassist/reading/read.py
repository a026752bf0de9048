"""Read one log: file, table, columns, time, samples, in that order, part by part."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pandas as pd

from tuneassist.arguments import file_path, of_kind
from tuneassist.errors import LogError, SetupError
from tuneassist.reading.ahead import ReadAhead
from tuneassist.reading.log import Log, Progress
from tuneassist.reading.part import FirstPart
from tuneassist.reading.source import Source
from tuneassist.reading.tally import Tally
from tuneassist.settings import READ_SETUP, Setup, SteadySettings

FIRST_ROWS = SteadySettings().estimate_rows
"""Rows of the first part where no setup says otherwise. [rows]"""
MOST_AHEAD, AHEAD_VALUES = 12, 2_000_000
"""Parts that are read ahead of their use: at most so many, and no more than hold so many values
(16 MB). [1]"""


def read_log(
    path: str | Path, *, setup: Setup | None = None, progress: Progress | None = None
) -> Log:
    """Read a log file into samples in the units inside.

    Parameters
    ----------
    path
        The file.
    setup
        The car's setup. With one, what a proposal needs must be there and in no doubt; without,
        what can be recognised is read and doubts become notes.
    progress
        Called with the share done.

    Returns
    -------
    Log
        Samples, and what was recognised, converted, mended and dropped.

    Raises
    ------
    LogError
        When the file cannot be used; the message says why and what would be right.
    """
    reader = LogReader(path, setup=setup, progress=progress)
    parts = list(reader.parts())
    whole = parts[0] if len(parts) == 1 else pd.concat(parts, ignore_index=True)
    return replace(reader.log(), samples=whole)


class LogReader:
    """Reads one log part by part, so that memory does not grow with the log.

    Parameters
    ----------
    path, setup, progress
        As for `read_log`.

    Examples
    --------
    ::

        reader = LogReader("long.csv", setup=setup)
        for samples in reader.parts():
            ...
        log = reader.log()  # its ``samples`` are the last part's
    """

    def __init__(
        self,
        path: str | Path,
        *,
        setup: Setup | None = None,
        progress: Progress | None = None,
    ) -> None:
        if setup is not None:
            of_kind(setup, Setup, what="setup", mend=READ_SETUP, error=SetupError)
        self._path, self._setup = file_path(path, error=LogError), setup
        self._rows = setup.steady.estimate_rows if setup else FIRST_ROWS
        self._say = progress or (lambda share: None)
        self._log: Log | None = None

    def log(self) -> Log:
        """Return what was read, without the samples; to be called after the last part.

        Raises
        ------
        LogError
            When the log as a whole cannot be used.
        """
        if self._log is None:
            raise RuntimeError("the log has not been read to its end")
        return self._log

    def parts(self) -> Iterator[pd.DataFrame]:
        """Yield the samples, the first part first.

        Raises
        ------
        LogError
            When the file cannot be used.
        """
        with Source(self._path) as source:
            state = FirstPart(source, self._setup, self._rows, self._say)
            tally = Tally(state)
            if state.is_whole:
                yield state.samples
            else:
                depth = min(MOST_AHEAD, AHEAD_VALUES // max(1, state.samples.size))
                pieces = map(tally.add, state.further())
                with closing(state), ReadAhead(pieces, depth=max(2, depth)) as ahead:
                    yield state.samples
                    for samples in ahead:
                        self._say(source.share)
                        if len(samples):
                            yield samples
            tally.check()
            self._say(1.0)
            self._log = tally.log(source)
