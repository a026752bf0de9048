"""ASAM MDF 4 logs: channels of several rates on one time line, no value made up.

Rows are the stamps of the fastest of speed, load and lambda. A slower channel's value stands at
the row nearest to its own stamp, and the rows between stay blank; `tuneassist.evidence.refresh`
interpolates speed, load and lambda there as it does for every log with blanks, and carries the
others forward. Of a channel that is faster than the rows each row takes the reading nearest to it,
which leans to no side and is one that was logged; where a peak matters
(`tuneassist.channels.Channel.keeps_peak`) it takes the highest.

A log may come from a stranger. It is read by this package's own few rules and by no library that
offers more, for what such libraries do with a file's formulas, attachments and declared sizes runs
code and takes memory. `tuneassist.reading.mdf_blocks` checks what the file declares.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Set
from dataclasses import dataclass, replace

import numpy as np

from tuneassist.errors import LogError
from tuneassist.reading.headers import channel_of, read_heading
from tuneassist.reading.joint import Around, Joint, join
from tuneassist.reading.log import Cells, Dialect, Piece, Wanted
from tuneassist.reading.mdf_blocks import Blocks
from tuneassist.reading.mdf_conversions import shown
from tuneassist.reading.mdf_data import read_records
from tuneassist.reading.mdf_groups import MdfGroup, read_groups
from tuneassist.reading.mdf_values import decoder, is_readable
from tuneassist.reading.picks import listed
from tuneassist.reading.records import GroupReader, Records, as_cells
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
        self.is_whole = True

    def first(self, wanted: Wanted) -> Piece:
        """Read the first rows."""
        groups = self._readers(wanted)
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
            # beyond the last row nothing is taken from farther than a step
            reach_s = last_s + AFTER_STEPS * max(step_s, steps[place])
            near = Around.of(
                behind[place], other.take_near(last_s, min(next_s, reach_s)), other.held
            )
            behind[place] = near.last()
            rule = Joint(step_s, steps[place])
            for column, values in near.records.columns.items():
                sign = peaks.get(column, 0)
                cells[column] = as_cells(join(near, values, own.time_s, rule, peak=sign))
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
