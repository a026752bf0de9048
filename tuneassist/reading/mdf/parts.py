"""ASAM MDF 4 logs: channels of several rates on one time line, no value made up.

Rows are the stamps of the fastest of speed, load and lambda. A slower channel's value stands at
the row nearest to its own stamp, and the rows between stay blank; `tuneassist.evidence.refresh`
interpolates speed, load and lambda there as it does for every log with blanks, and carries the
others forward. Of a channel that is faster than the rows each row takes the reading nearest to it,
which leans to no side and is one that was logged; where a peak matters
(`tuneassist.channels.Channel.keeps_peak`) it takes the highest.

A log may come from a stranger. It is read by this package's own few rules and by no library that
offers more, for what such libraries do with a file's formulas, attachments and declared sizes runs
code and takes memory. `tuneassist.reading.mdf.blocks` checks what the file declares.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence, Set
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.errors import LogError
from tuneassist.reading.cell_parsing import parse_words
from tuneassist.reading.headers import channel_of, read_heading
from tuneassist.reading.log import Cells, Dialect, Floats, Piece, Wanted
from tuneassist.reading.matching import listed
from tuneassist.reading.mdf.blocks import Blocks, MdfGroup, read_groups
from tuneassist.reading.mdf.data import read_records
from tuneassist.reading.mdf.values import Values, decoder, is_readable, shown
from tuneassist.reading.source import Source

TIME = ("Time", "s")
"""Header and unit of the time line that the groups' own are joined to."""
_TIMED = (0, 1)  # what a master channel counts in: unsaid, or time; not angle, distance or index
AFTER_STEPS = 4.0
"""How far behind the last row a channel is read on, in steps of the slower of the two. [1]"""
_HEAD_BYTES, _UNFINISHED = 64, slice(60, 62)  # of the file's first block, and its marks there
MOST_HELD = 60_000_000
"""Values that wait in memory for the rows that they belong to, all groups together. [1]"""
MOST_SAID = (50, 2000)
"""Lines of what the file says about itself that are kept, and their length. [1], [characters]"""
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
        self._rows = rows
        self._blocks = _opened(source)
        self._groups, said = read_groups(self._blocks)
        places, left_out = _places(self._groups, wanted)
        notes = []
        for why, names in left_out.items():
            if names:
                notes.append(f"Channel(s) {why} were left out: {listed(names, MOST_NAMES)}.")
        self._places, twice = _told_apart(places)
        if twice:
            notes.append(
                "Names that stand more than once carry the number of their group: "
                f"{listed(twice, MOST_NAMES)}."
            )
        self._notes = tuple(notes)
        self.headers = (TIME, *((p.name, p.unit) for p in self._places))
        self.preamble = _lines(said)
        self.dialect = Dialect(encoding="mdf", header_line=0, data_line=1)

    def pieces(self, wanted: Wanted) -> Generator[Piece, None, None]:
        """Read the log from its start, some rows at a time."""
        groups = self._readers(wanted)
        if not groups:
            empty = Cells(np.empty(0))
            yield Piece(np.empty(0, dtype=np.int64), dict.fromkeys(wanted.indices, empty))
            return
        main = [group for group in groups if group.wanted & wanted.main] or groups
        line = min(main, key=lambda group: group.step_s)
        others = [group for group in groups if group is not line]
        joined = _on_one_time_line(line, others, self._rows, wanted.peaks)
        yield replace(next(joined), notes=self._notes)
        yield from joined

    def _readers(self, wanted: Wanted) -> list[GroupReader]:
        """Return a reader for each group of which a channel is wanted."""
        channels: dict[int, dict[int, int]] = {}
        for column in wanted.indices:
            if column:  # 0 is the time line
                place = self._places[column - 1]
                channels.setdefault(place.group, {})[column] = place.index
        return [
            GroupReader(
                _timed(self._blocks, self._groups[group], own),
                wanted=frozenset(own),
                rows=self._rows,
                most=MOST_HELD // len(channels),
                too_many=lambda: self._blocks.not_read(
                    "one group of its channels has too many records between two stamps of another"
                ),
            )
            for group, own in channels.items()
        ]


def _timed(blocks: Blocks, group: MdfGroup, columns: Mapping[int, int]) -> Iterator[Records]:
    """Yield a group's records with the wanted columns, given each one's channel."""
    assert group.master is not None
    master = group.channels[group.master]
    stamps = decoder(blocks, group, master)
    decoders = {
        column: decoder(blocks, group, group.channels[index]) for column, index in columns.items()
    }
    first = 0
    for records in read_records(blocks, group):
        time_s = stamps(records, first)
        if time_s.dtype.kind != "f":
            raise blocks.not_read(f"the stamps, channel {shown(master.name)}, are texts")
        yield Records(time_s, {i: decode(records, first) for i, decode in decoders.items()})
        first += len(records)


def _on_one_time_line(
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
            # beyond the last row nothing is taken from farther than a step
            half_step_s = last_s + AFTER_STEPS * max(step_s, steps[place])
            near = Neighbours.of(
                behind[place], other.take_near(last_s, min(next_s, half_step_s)), other.held
            )
            behind[place] = near.last()
            rule = Resampling(step_s, steps[place])
            for column, values in near.records.columns.items():
                sign = peaks.get(column, 0)
                cells[column] = as_cells(resample(near, values, own.time_s, rule, peak=sign))
        yield Piece(np.arange(first, first + len(own.time_s)), cells)
        first += len(own.time_s)


def _opened(source: Source) -> Blocks:
    stream = source.keep_open(source.path.open("rb"))
    blocks = Blocks(stream, source.name)
    _check_head(blocks.bytes_at(0, _HEAD_BYTES), source.name)
    return blocks


def _check_head(head: bytes, name: str) -> None:
    """Refuse what is not finished, or is read by other rules."""
    if head.startswith(b"UnFin") or any(head[_UNFINISHED]):
        raise LogError(
            "the ASAM MDF file is unfinished: the logger was cut off while it wrote.",
            where=name,
            mend="Finish the file with the logger's own software, or export the log as CSV.",
        )
    version = head[8:16].decode("ascii", "replace").strip(" \0")
    if not version.startswith("4."):
        raise LogError(
            f"this is an ASAM MDF file of version {ascii(version)[1:-1]}, which is not read.",
            where=name,
            mend="Save it as version 4, or export the log as CSV.",
        )


def _places(groups: list[MdfGroup], wanted: Set[str]) -> tuple[list[_Place], dict[str, list[str]]]:
    """List the channels, and the names of those that are left out, by the reason why.

    A group's own time is left to the joined one unless the setup names it.
    """
    found: list[_Place] = []
    untimed: list[str] = []
    unread: list[str] = []
    for number, group in enumerate(groups):
        master = group.master
        is_timed = master is not None and (
            group.channels[master].counts_in in _TIMED and is_readable(group.channels[master])
        )
        for index, channel in enumerate(group.channels):
            if channel.is_structure or index == (master if is_timed else None):
                continue
            if not is_timed:
                untimed.append(channel.name)
            elif not is_readable(channel):
                unread.append(channel.name)
            elif not _is_time(channel.name) or channel.name in wanted:
                found.append(_Place(channel.name, channel.unit, number, index))
    return found, {
        "without a time of their own": untimed,
        "that do not have one number per record": unread,
    }


def _is_time(name: str) -> bool:
    return channel_of(read_heading(0, name)) == "time"


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


def _lines(said: str) -> tuple[str, ...]:
    most, length = MOST_SAID
    return tuple(line[:length] for line in said.splitlines() if line.strip())[:most]


@dataclass(frozen=True, eq=False)
class Neighbours:
    """Records near some rows, with one more on either side where there is one.

    Parameters
    ----------
    records
        All of them.
    own
        Which of them belong to the rows.
    """

    records: Records
    own: slice

    @classmethod
    def of(cls, before: Records | None, own: Records, after: Records) -> Neighbours:
        """Put the record before and the first of those after around the rows' own."""
        start = len(before.time_s) if before else 0
        both = before.followed_by(own) if before else own
        return cls(both.followed_by(after.split(1)[0]), slice(start, start + len(own.time_s)))

    def last(self) -> Records:
        """Return the last record that is not beyond the rows."""
        return self.records.split(self.own.stop)[0].split(max(0, self.own.stop - 1))[1]


@dataclass(frozen=True)
class Resampling:
    """How far a value may stand from where it was read.

    Parameters
    ----------
    row_s, own_s
        Median step of the rows and of the channel. [s]
    """

    row_s: float
    own_s: float

    SIMILAR = 1.5
    """A channel whose step is longer than this many rows is slower than they are. [1]"""
    JITTER = 1.5
    """Stamps of similar rates jitter: a blank row looks so many half steps for a value. [1]"""

    @property
    def half_step_s(self) -> float:
        """Half a step, the rows' or the channel's own. [s]"""
        return 0.5 * max(self.row_s, self.own_s, 2e-9) * (1.0 + 1e-9)

    @property
    def most_shift_s(self) -> float:
        """How far a blank row may look for a value, zero for a slower channel. [s]"""
        return self.JITTER * self.half_step_s if self.own_s <= self.SIMILAR * self.row_s else 0.0


def resample(
    near: Neighbours, values: Values, line_s: Floats, rule: Resampling, *, peak: int = 0
) -> Values:
    """Put a channel's values on another time line without making a value up.

    Each value goes to its nearest row. Where stamps of like rates waver, two values meet at a row
    and the next has none: that one takes the value nearest to it, which may stand twice.

    Parameters
    ----------
    near
        The channel's stamps. [s]
    values
        What was logged at them, shape (n,).
    line_s
        Stamps of the rows, rising, shape (rows,). [s]
    rule
        How far a value may be moved.
    peak
        Of several values for a row the nearest counts (0), the highest (1) or the lowest (-1).

    Returns
    -------
    array of shape (rows,)
        Blank where the channel has nothing.
    """
    is_text = values.dtype.kind == "O"
    out: Values = (
        np.full(len(line_s), "", dtype=object) if is_text else np.full(len(line_s), np.nan)
    )
    time_s = near.records.time_s
    if not len(line_s) or not len(time_s):
        return out
    row = _nearest(time_s[near.own], line_s)
    away = np.abs(line_s[row] - time_s[near.own])
    at = np.flatnonzero(away <= rule.half_step_s)
    at = at[np.argsort(-away[at], kind="stable")]  # the nearest is written last
    out[row[at]] = values[near.own][at]
    if peak and not is_text:
        highest = np.full(len(line_s), np.nan)
        np.fmax.at(highest, row[at], peak * values[near.own][at])
        out = peak * highest
    is_blank = np.ones(len(line_s), dtype=bool)
    is_blank[row[at]] = False
    blank = np.flatnonzero(is_blank)
    found = _nearest(line_s[blank], time_s)
    is_near = np.abs(time_s[found] - line_s[blank]) <= rule.most_shift_s
    out[blank[is_near]] = values[found[is_near]]
    return out


def _nearest(time_s: Floats, line_s: Floats) -> npt.NDArray[np.intp]:
    """Return the place of the stamp in the line that is nearest to each moment."""
    after = np.clip(np.searchsorted(line_s, time_s), 0, len(line_s) - 1)
    before = np.maximum(after - 1, 0)
    return np.where(time_s - line_s[before] < line_s[after] - time_s, before, after)


STEPS = 500
"""Records by whose stamps a group's rate is found, however long its blocks are. [1]"""


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
        return _concatenated([self, more])


class GroupReader:
    """Reads the wanted channels of one group, and holds what is not yet taken.

    Parameters
    ----------
    records
        The group's records in their order, some at a time, with stamps.
    wanted
        Positions of the columns that they have.
    rows
        Records that are read at a time at least. [rows]
    most
        Values that are held at most. [1]
    too_many
        Makes the error of more.
    """

    def __init__(
        self,
        records: Iterator[Records],
        *,
        wanted: frozenset[int],
        rows: int,
        most: int,
        too_many: Callable[[], Exception],
    ) -> None:
        self.wanted = wanted
        self._records, self._rows, self._most, self._too_many = records, rows, most, too_many
        empty: Floats = np.empty(0)
        self.held = Records(empty, {})
        self._more()

    @property
    def step_s(self) -> float:
        """Median of the first steps that are held; endless with fewer than two records. [s]"""
        stamps = self.held.time_s[:STEPS]
        steps = np.diff(stamps[np.isfinite(stamps)])
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
        """Read on, the more the more is held, so that it is not copied time and again."""
        found = [self.held] if len(self.held.time_s) else []
        count = 0
        for records in self._records:
            found.append(records)
            count += len(records.time_s)
            if (len(self.held.time_s) + count) * (1 + len(self.wanted)) > self._most:
                raise self._too_many()
            if count >= max(self._rows, len(self.held.time_s)):
                break
        if count:
            self.held = _concatenated(found)
        elif not self.held.columns:
            self.held = Records(self.held.time_s, dict.fromkeys(self.wanted, np.empty(0)))
        return count > 0


def _concatenated(parts: Sequence[Records]) -> Records:
    """Put records behind each other."""
    values = {i: np.concatenate([part.columns[i] for part in parts]) for i in parts[0].columns}
    return Records(np.concatenate([part.time_s for part in parts]), values)


def as_cells(values: Values) -> Cells:
    """Return a column's cells."""
    if values.dtype.kind == "f":
        return Cells(values)
    return parse_words(pd.Series([str(value) for value in values], dtype=str), ".")
