"""The records of one group of an ASAM MDF file, block by block.

A group holds the channels of one rate with their stamps. What the file calls invalid is blank.
"""

from __future__ import annotations

import contextlib
import io
from collections.abc import Callable, Mapping
from copy import copy
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.reading.log import Cells, Floats
from tuneassist.reading.numbers import parse_words

Values = npt.NDArray[Any]
"""A channel's values: floats, nan where there is none, or texts."""
_PLAIN = 0  # the library's number for a block that is not packed
STEPS = 500
"""Records by whose stamps a group's rate is judged, however long its blocks are. [1]"""
Damaged = Callable[[str], Exception]
"""Makes an error of words about what is damaged."""


@dataclass(frozen=True, eq=False)
class Records:
    """Some records of a group.

    Parameters
    ----------
    time_s
        Stamps, shape (n,). [s]
    columns
        Position of a column to its values, shape (n,) each.
    """

    time_s: Floats
    columns: Mapping[int, Values]

    def split(self, count: int) -> tuple[Records, Records]:
        """Part the first records from the rest."""
        first = {i: values[:count] for i, values in self.columns.items()}
        rest = {i: values[count:] for i, values in self.columns.items()}
        return Records(self.time_s[:count], first), Records(self.time_s[count:], rest)

    def followed_by(self, more: Records) -> Records:
        """Put further records behind these."""
        values = {i: np.concatenate([own, more.columns[i]]) for i, own in self.columns.items()}
        return Records(np.concatenate([self.time_s, more.time_s]), values)


class GroupReader:
    """Reads the wanted channels of one group, and holds what is not yet taken.

    Parameters
    ----------
    file
        The open file of the library.
    group
        Its number.
    channels
        Position of a column to the channel's number in the group.
    rows
        Records of a block. [rows]
    damaged
        Makes the error of a channel that cannot be read.
    """

    def __init__(
        self,
        file: Any,
        group: int,
        channels: Mapping[int, int],
        *,
        rows: int,
        damaged: Damaged,
    ) -> None:
        self._file, self._group, self._channels = file, group, dict(channels)
        self._rows, self._damaged = rows, damaged
        _cut_blocks(file.groups[group], rows)
        self.count = int(file.groups[group].channel_group.cycles_nr)
        self._next = 0
        self.held = self._block()

    @property
    def wanted(self) -> frozenset[int]:
        """Positions of the columns that it reads."""
        return frozenset(self._channels)

    @property
    def step_s(self) -> float:
        """Median of the first steps that are held; endless with fewer than two records. [s]"""
        steps = np.diff(self.held.time_s[:STEPS])
        return float(np.median(steps)) if len(steps) else np.inf

    def take(self, count: int) -> Records:
        """Return the next records, at most so many, and keep one more at least if there is one."""
        while len(self.held.time_s) <= count and self._more():
            pass
        taken, self.held = self.held.split(count)
        return taken

    def take_near(self, last_s: float, next_s: float) -> Records:
        """Return the records up to the middle of two stamps; all if the second is endless."""
        while self._count_near(last_s, next_s) == len(self.held.time_s) and self._more():
            pass
        taken, self.held = self.held.split(self._count_near(last_s, next_s))
        return taken

    def _count_near(self, last_s: float, next_s: float) -> int:
        time_s = self.held.time_s
        is_beyond = time_s - last_s >= next_s - time_s
        return int(np.argmax(is_beyond)) if is_beyond.any() else len(time_s)

    def _more(self) -> bool:
        if self._next >= self.count:
            return False
        self.held = self.held.followed_by(self._block())
        return True

    def _block(self) -> Records:
        time_s: Floats = np.empty(0)
        values: dict[int, Values] = {}
        for column, channel in self._channels.items():
            time_s, values[column] = self._channel(channel)
            if any(len(one) != len(time_s) for one in values.values()):
                raise self._damaged("channels of one group differ in length")
        self._next = self._next + self._rows if len(time_s) else self.count
        return Records(time_s, values)

    def _channel(self, index: int) -> tuple[Floats, Values]:
        content = self._file.groups[self._group]
        try:
            for one in (index, self._file.masters_db.get(self._group, index)):
                _require_inside(content, one)
            with silent():
                signal = self._file.get(
                    group=self._group,
                    index=index,
                    record_offset=self._next,
                    record_count=self._rows,
                    ignore_invalidation_bits=True,
                )
            time_s = np.asarray(signal.timestamps, dtype=float)
            if signal.samples.ndim != 1 or len(signal.samples) != len(time_s):
                raise ValueError("not one value for each stamp")
            return time_s, _valid(signal.samples, signal.invalidation_bits)
        except Exception as error:  # the library raises whatever its parts raise
            raise self._damaged(f"channel {content.channels[index].name!r}: {error}") from error


def _cut_blocks(content: Any, rows: int) -> None:
    """Let the library see a long plain block as several, for it reads a block whole.

    A logger that writes as it goes leaves one block as long as the log.
    """
    group = content.channel_group
    size = rows * (group.samples_byte_nr + group.invalidation_bytes_nr)
    pieces: list[Any] = []
    for block in list(content.get_data_blocks()):
        is_plain = block.block_type == _PLAIN and block.original_size == block.compressed_size
        if not is_plain or not size or block.invalidation_block or block.block_limit is not None:
            pieces.append(block)
            continue
        for start in range(0, block.original_size, size):
            piece = copy(block)
            piece.address = block.address + start
            piece.original_size = min(size, block.original_size - start)
            piece.compressed_size = piece.original_size
            pieces.append(piece)
    content.data_blocks = pieces


def _require_inside(content: Any, index: int) -> None:
    """Refuse a channel that does not lie inside its record.

    The library reads such a channel from memory beyond the record: strange values, or a crash.
    """
    channel, group = content.channels[index], content.channel_group
    end = channel.byte_offset + -(-(channel.bit_offset + channel.bit_count) // 8)
    if end > group.samples_byte_nr + group.invalidation_bytes_nr:
        raise ValueError("it does not lie inside the record")


def _valid(samples: Values, is_invalid: Any) -> Values:
    """Return floats or texts, blank where the file says that they are invalid."""
    invalid = np.zeros(len(samples), dtype=bool)
    if is_invalid is not None:
        invalid = np.asarray(is_invalid, dtype=bool)
    if samples.dtype.kind in "biuf":
        return np.where(invalid, np.nan, samples.astype(float))
    texts = np.empty(len(samples), dtype=object)
    texts[:] = [
        word.decode("utf-8", "replace") if isinstance(word, bytes) else str(word)
        for word in samples.tolist()
    ]
    texts[invalid] = ""
    return texts


def as_cells(values: Values) -> Cells:
    """Return a column's cells."""
    if values.dtype.kind == "f":
        return Cells(values)
    return parse_words(pd.Series([str(value) for value in values], dtype=str), ".")


def silent() -> contextlib.AbstractContextManager[object]:
    """Keep the library from printing tracebacks of its own on standard output."""
    return contextlib.redirect_stdout(io.StringIO())
