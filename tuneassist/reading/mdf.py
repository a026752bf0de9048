"""ASAM MDF 4 logs: channels of several rates on one time line, no value made up.

Rows are the stamps of the fastest of speed, load and lambda. A slower channel's value stands at
the row nearest to its own stamp, which moves it by half a row at most, and the rows between stay
blank; `tuneassist.evidence.refresh` interpolates speed, load and lambda there as it does for every
log with blanks, and carries the others forward. Of a channel that is faster than the rows each row
keeps the highest value since the row before, so that no peak is lost.

Needs the extra ``mdf`` (asammdf). A channel is read whole when it is wanted; memory grows with the
length of such a log.
"""

from __future__ import annotations

import contextlib
import io
from collections.abc import Iterator, Set
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.errors import LogError
from tuneassist.reading.headers import channel_of, read_heading
from tuneassist.reading.log import Cells, Dialect, Floats, Piece, Wanted
from tuneassist.reading.numbers import parse_words
from tuneassist.reading.source import Source

TIME = ("Time", "s")
"""Header and unit of the time line that the groups' own are joined to."""


@dataclass(frozen=True)
class _Place:
    name: str
    unit: str
    group: int
    index: int


@dataclass(frozen=True, eq=False)
class _Channel:
    time_s: Floats
    cells: Cells

    @property
    def step_s(self) -> float:
        """Typical time between values. [s]"""
        steps = np.diff(self.time_s)
        steps = steps[steps > 0]
        return float(np.median(steps)) if len(steps) else float("inf")


class MdfParts:
    """An MDF file; the parts are cut from the joined columns.

    Parameters
    ----------
    source
        The file.
    wanted
        Headers that the setup names.
    rows
        Rows of a part. [rows]

    Raises
    ------
    LogError
        When the library is missing or the file is damaged.
    """

    def __init__(self, source: Source, *, wanted: Set[str] = frozenset(), rows: int) -> None:
        self._name, self._rows = source.name, rows
        self._file = _opened(source)
        self._places = _places(self._file, wanted, self._name)
        self.headers = (TIME, *((p.name, p.unit) for p in self._places))
        self.preamble = _said(self._file)
        self.dialect = Dialect(encoding="mdf", header_line=0, data_line=1)
        self._lines: npt.NDArray[np.int64] = np.empty(0, dtype=np.int64)
        self._cells: dict[int, Cells] = {}

    @property
    def is_whole(self) -> bool:
        """Whether the first part is all there is; known after `first`."""
        return len(self._lines) <= self._rows

    def first(self, wanted: Wanted) -> Piece:
        """Read the wanted channels, join them, and return the first rows."""
        own = [i for i in wanted.indices if i > 0]
        channels = {i: self._channel(self._places[i - 1]) for i in own}
        self._file.close()
        main = [channels[i] for i in own if i in wanted.main] or list(channels.values())
        if not main:
            return Piece(self._lines, {i: Cells(np.empty(0)) for i in wanted.indices})
        line_s = min(main, key=lambda one: one.step_s).time_s
        self._lines = np.arange(1, len(line_s) + 1)
        self._cells = {i: join(channels[i].time_s, channels[i].cells, line_s) for i in own}
        self._cells[0] = Cells(line_s)
        return self._part(0)

    def more(self, wanted: Wanted) -> Iterator[Piece]:
        """Return the further rows."""
        for start in range(self._rows, len(self._lines), self._rows):
            yield self._part(start)

    def _part(self, start: int) -> Piece:
        rows = slice(start, start + self._rows)
        cells = {i: _cut(cells, rows) for i, cells in self._cells.items()}
        return Piece(self._lines[rows], cells)

    def _channel(self, place: _Place) -> _Channel:
        try:
            content = self._file.groups[place.group]
            for index in (place.index, self._file.masters_db.get(place.group, place.index)):
                _require_inside(content, index)
            with _silent():
                signal = self._file.get(group=place.group, index=place.index)
            samples, time_s = signal.samples, np.asarray(signal.timestamps, dtype=float)
            if samples.ndim != 1 or len(samples) != len(time_s):
                raise ValueError("not one value for each stamp")
            cells = _numbers(samples)
        except Exception as error:  # asammdf raises whatever its parts raise
            raise _damaged(self._name, f"channel {place.name!r}: {error}") from error
        is_invalid = signal.invalidation_bits
        if is_invalid is not None:
            keep = ~np.asarray(is_invalid, dtype=bool)
            time_s = time_s[keep]
            words = None if cells.words is None else cells.words[keep].reset_index(drop=True)
            cells = Cells(cells.numbers[keep], words, cells.text_count, cells.text_example)
        return _Channel(time_s, cells)


def _require_inside(content: Any, index: int) -> None:
    """Refuse a channel that does not lie inside its record.

    The library reads such a channel from memory beyond the record: strange values, or a crash.
    """
    channel, group = content.channels[index], content.channel_group
    end = channel.byte_offset + -(-(channel.bit_offset + channel.bit_count) // 8)
    if end > group.samples_byte_nr + group.invalidation_bytes_nr:
        raise ValueError("it does not lie inside the record")


def join(time_s: Floats, cells: Cells, line_s: Floats) -> Cells:
    """Put a channel's cells on another time line without making a value up.

    Parameters
    ----------
    time_s, cells
        The channel's stamps, and what was logged at them. [s]
    line_s
        Stamps of the rows, rising. [s]

    Returns
    -------
    Cells
        One per row, blank where the channel has none; see the module's words.
    """
    if len(time_s) == len(line_s) and bool((time_s == line_s).all()):
        return cells
    row = np.searchsorted(line_s, time_s)
    row = np.clip(row, 1, len(line_s) - 1) if len(line_s) > 1 else np.zeros_like(row)
    if len(line_s) > 1:
        row -= time_s - line_s[row - 1] < line_s[row] - time_s
    half = 0.5 * float(np.median(np.diff(line_s))) if len(line_s) > 1 else np.inf
    apart = np.abs(line_s[row] - time_s)
    is_near = apart <= np.maximum(half, 1e-9) * (1.0 + 1e-9) if len(line_s) > 1 else apart >= 0
    out = np.full(len(line_s), np.nan)
    values = np.where(is_near, cells.numbers, np.nan)
    np.fmax.at(out, row, values)
    if cells.words is None:
        return Cells(out)
    words = np.full(len(line_s), "", dtype=object)
    words[row[is_near]] = cells.words.to_numpy(dtype=object)[is_near]
    return parse_words(pd.Series(words, dtype=str), ".")


def _cut(cells: Cells, rows: slice) -> Cells:
    if cells.words is None:
        return Cells(cells.numbers[rows])
    return parse_words(cells.words.iloc[rows].reset_index(drop=True), ".")


def _numbers(samples: npt.NDArray[Any]) -> Cells:
    if samples.dtype.kind in "biuf":
        return Cells(samples.astype(float))
    words = [
        word.decode("utf-8", "replace") if isinstance(word, bytes) else str(word)
        for word in samples.tolist()
    ]
    return parse_words(pd.Series(words, dtype=str), ".")


def _opened(source: Source) -> Any:
    try:
        from asammdf import MDF
    except ImportError as error:
        raise LogError(
            "this is an ASAM MDF file, and the library that reads it is missing.",
            where=source.name,
            mend="Install it with: pip install tuneassist[mdf]; or export the log as CSV.",
        ) from error
    import logging

    logging.getLogger("asammdf").setLevel(logging.CRITICAL)
    try:
        with _silent():
            return MDF(source.path)
    except Exception as error:  # asammdf raises whatever its parts raise
        _put_down(error)
        raise _damaged(source.name, str(error)) from error


def _silent() -> contextlib.AbstractContextManager[object]:
    """Keep the library from printing tracebacks of its own on standard output."""
    return contextlib.redirect_stdout(io.StringIO())


def _put_down(error: BaseException) -> None:
    """Close a half-made reader by hand: its own closing trips over what was never set."""
    trace = error.__traceback__
    while trace is not None:
        half = trace.tb_frame.f_locals.get("self")
        if type(half).__module__.startswith("asammdf") and hasattr(half, "__dict__"):
            half.__dict__["_closed"] = True
            for name in ("_file", "_mapped_file", "_tempfile"):
                stream: Any = getattr(half, name, None)
                if hasattr(stream, "close"):
                    stream.close()
        trace = trace.tb_next


def _damaged(name: str, words: str) -> LogError:
    return LogError(
        f"the ASAM MDF file is damaged and cannot be read ({' '.join(words.split())[:120]}).",
        where=name,
        mend="Copy or export the log again.",
    )


def _places(file: Any, wanted: Set[str], name: str) -> list[_Place]:
    """List the channels; a group's own time is left to the joined one unless the setup names it."""
    found: list[_Place] = []
    try:
        for group, content in enumerate(file.groups):
            master = file.masters_db.get(group)
            for index, channel in enumerate(content.channels):
                is_time = channel_of(read_heading(0, channel.name)) == "time"
                if index != master and (not is_time or channel.name in wanted):
                    found.append(_Place(channel.name, channel.unit or "", group, index))
    except Exception as error:  # asammdf raises whatever its parts raise
        raise _damaged(name, str(error)) from error
    return found


def _said(file: Any) -> tuple[str, ...]:
    try:
        words = str(file.header.comment or "")
    except Exception:  # a comment that is no XML is no reason to refuse the log
        return ()
    return tuple(line[:2000] for line in words.splitlines() if line.strip())[:50]
