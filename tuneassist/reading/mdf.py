"""ASAM MDF 4 logs: channels of several rates on one time line, no value made up.

Rows are the stamps of the fastest of speed, load and lambda. A slower channel's value stands at
the row nearest to its own stamp, and the rows between stay blank; `tuneassist.evidence.refresh`
interpolates speed, load and lambda there as it does for every log with blanks, and carries the
others forward. Of a channel that is faster than the rows each row takes the reading nearest to it,
which leans to no side and is one that was logged; where a peak matters
(`tuneassist.channels.Channel.keeps_peak`) it takes the highest.

Needs the extra ``mdf`` (asammdf). Records are read block by block.
"""

from __future__ import annotations

import io
from collections import Counter
from collections.abc import Iterator, Mapping, Set
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from tuneassist.errors import LogError
from tuneassist.reading.headers import channel_of, read_heading
from tuneassist.reading.joint import Around, Joint, join
from tuneassist.reading.log import Cells, Dialect, Piece, Wanted
from tuneassist.reading.picks import listed
from tuneassist.reading.records import GroupReader, Records, as_cells, silent
from tuneassist.reading.source import Source

TIME = ("Time", "s")
"""Header and unit of the time line that the groups' own are joined to."""
_TIMED = (0, 1)  # what a master channel counts in: unsaid, or time; not angle, distance or index
MOST_VISITS = 10_000
"""Times that one place is looked up while a file is opened; blocks are shared, but by no more
channels than that. [1]"""
MOST_NAMES = 12
"""Names of channels in one note. [1]"""


@dataclass(frozen=True)
class _Place:
    name: str
    unit: str
    group: int
    index: int


class MdfParts:
    """An MDF 4 file part by part.

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
        self._places, untimed = _places(self._file, wanted, self._name)
        notes = []
        if untimed:
            notes.append(
                "Channel(s) without a time of their own were left out: "
                f"{listed(untimed, MOST_NAMES)}."
            )
        self._places, twice = _told_apart(self._places)
        if twice:
            notes.append(
                "Names that stand more than once carry the number of their group: "
                f"{listed(twice, MOST_NAMES)}."
            )
        self._notes = tuple(notes)
        self.headers = (TIME, *((p.name, p.unit) for p in self._places))
        self.preamble = _said(self._file)
        self.dialect = Dialect(encoding="mdf", header_line=0, data_line=1)
        self.is_whole = True

    def first(self, wanted: Wanted) -> Piece:
        """Read the first rows."""
        groups = self._groups(wanted)
        if not groups:
            empty = Cells(np.empty(0))
            return Piece(np.empty(0, dtype=np.int64), dict.fromkeys(wanted.indices, empty))
        main = [group for group in groups if group.wanted & wanted.main] or groups
        line = min(main, key=lambda group: group.step_s)
        self._pieces = _joined(line, [g for g in groups if g is not line], self._rows, wanted.peaks)
        piece = next(self._pieces)
        self.is_whole = not len(line.held.time_s)
        return replace(piece, notes=self._notes)

    def more(self, wanted: Wanted) -> Iterator[Piece]:
        """Read on behind the first rows."""
        return self._pieces

    def _groups(self, wanted: Wanted) -> list[GroupReader]:
        """Return a reader for each group of which a channel is wanted."""
        channels: dict[int, dict[int, int]] = {}
        for column in wanted.indices:
            if column:  # 0 is the time line
                place = self._places[column - 1]
                channels.setdefault(place.group, {})[column] = place.index
        return [
            GroupReader(
                self._file,
                group,
                own,
                rows=self._rows,
                damaged=lambda words: _damaged(self._name, words),
            )
            for group, own in channels.items()
        ]


def _joined(
    line: GroupReader, others: list[GroupReader], rows: int, peaks: Mapping[int, int]
) -> Iterator[Piece]:
    """Yield parts of the line's rows, with what the other groups have near them."""
    first, step_s = 1, line.step_s
    steps = [other.step_s for other in others]
    behind: list[Records | None] = [None] * len(others)
    while first == 1 or len(line.held.time_s):
        own = line.take(rows)
        last_s = float(own.time_s[-1]) if len(own.time_s) else np.inf
        next_s = float(line.held.time_s[0]) if len(line.held.time_s) else np.inf
        cells = {0: as_cells(own.time_s)}
        cells |= {column: as_cells(values) for column, values in own.columns.items()}
        for place, other in enumerate(others):
            near = Around.of(behind[place], other.take_near(last_s, next_s), other.held)
            behind[place] = near.last()
            rule = Joint(step_s, steps[place])
            for column, values in near.records.columns.items():
                sign = peaks.get(column, 0)
                cells[column] = as_cells(join(near, values, own.time_s, rule, peak=sign))
        yield Piece(np.arange(first, first + len(own.time_s)), cells)
        first += len(own.time_s)


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
    stream = source.keep_open(_Unwinding(io.FileIO(source.path)))  # named files it would read whole
    _check_head(stream.read(16), source.name)
    stream.seek(0)
    try:
        with silent():
            file = source.keep_open(MDF(stream))
        stream.is_watched = False
        return file
    except Exception as error:  # asammdf raises whatever its parts raise
        _put_down(error)
        raise _damaged(source.name, str(error)) from error


class _Unwinding(io.BufferedReader):
    """A file whose blocks are followed, and that refuses to be followed in a circle.

    Blocks name their successors; in a damaged file one may name a block before it, and the library
    would go round for ever.
    """

    def __init__(self, raw: io.RawIOBase) -> None:
        super().__init__(raw)
        self.is_watched = True
        self._visits: Counter[int] = Counter()

    def seek(self, offset: int, whence: int = 0, /) -> int:
        if self.is_watched:
            self._visits[offset] += 1
            if self._visits[offset] > MOST_VISITS:
                raise OSError("its blocks follow each other in a circle")
        return super().seek(offset, whence)


def _check_head(head: bytes, name: str) -> None:
    """Refuse what the library would write to, or read by other rules."""
    if head.startswith(b"UnFin"):
        raise LogError(
            "the ASAM MDF file is unfinished: the logger was cut off while it wrote.",
            where=name,
            mend="Finish the file with the logger's own software, or export the log as CSV.",
        )
    version = head[8:12].decode("ascii", "replace").strip(" \0")
    if version[:1] in ("2", "3"):
        raise LogError(
            f"this is an ASAM MDF file of version {version}, which is not read.",
            where=name,
            mend="Save it as version 4, or export the log as CSV.",
        )


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


def _places(file: Any, wanted: Set[str], name: str) -> tuple[list[_Place], list[str]]:
    """List the channels, and the names of those whose group has no stamps of time.

    A group's own time is left to the joined one unless the setup names it.
    """
    found: list[_Place] = []
    untimed: list[str] = []
    try:
        for group, content in enumerate(file.groups):
            master = file.masters_db.get(group)
            if master is None or content.channels[master].sync_type not in _TIMED:
                untimed += [channel.name for channel in content.channels]
                continue
            for index, channel in enumerate(content.channels):
                is_time = channel_of(read_heading(0, channel.name)) == "time"
                if index != master and (not is_time or channel.name in wanted):
                    found.append(_Place(channel.name, _unit_of(channel), group, index))
    except Exception as error:  # asammdf raises whatever its parts raise
        raise _damaged(name, str(error)) from error
    return found, untimed


def _unit_of(channel: Any) -> str:
    """Return the channel's unit, or the one that only its conversion holds."""
    return str(channel.unit or getattr(channel.conversion, "unit", "") or "")


def _told_apart(places: list[_Place]) -> tuple[list[_Place], list[str]]:
    """Put its group behind a name that stands more than once, so that a setup can name it."""
    names = Counter(place.name for place in places)
    pairs = Counter((place.name, place.group) for place in places)
    found = []
    for place in places:
        if names[place.name] > 1:
            within = f", channel {place.index}" if pairs[place.name, place.group] > 1 else ""
            name = f"{place.name} [group {place.group + 1}{within}]"
            found.append(replace(place, name=name))
        else:
            found.append(place)
    return found, [name for name, count in names.items() if count > 1]


def _said(file: Any) -> tuple[str, ...]:
    try:
        words = str(file.header.comment or "")
    except Exception:  # a comment that is no XML is no reason to refuse the log
        return ()
    return tuple(line[:2000] for line in words.splitlines() if line.strip())[:50]
