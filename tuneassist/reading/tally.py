"""The further parts of a long log: converted as the first was, and added up for the report."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from tuneassist.errors import LogError
from tuneassist.inert import told
from tuneassist.reading.bounds import check_rows
from tuneassist.reading.clock import extend_timeline, head_of
from tuneassist.reading.log import ColumnReport, Floats, Log, Piece
from tuneassist.reading.part import FirstPart, may_leave_out
from tuneassist.reading.pressures import PartWork, apply_barometer, samples_of
from tuneassist.reading.sensors import BEYOND_WORDS, sensed
from tuneassist.reading.source import Source
from tuneassist.reading.straight import refuse_falling
from tuneassist.reading.watch import Texts, Watch


class Tally:
    """Adds the further parts up."""

    def __init__(self, first: FirstPart) -> None:
        self._first = first
        self._going_on = first.timeline.going_on
        self._rows = len(first.work.lines)
        self._dropped = Counter(dict(first.work.piece.dropped))
        self._dropped_time = Counter(dict(first.timeline.dropped))
        self._watches = {name: Watch(column) for name, column in first.as_logged.items()}
        self._time_texts = Texts()
        if not first.is_whole:
            self._count_times(first.work.piece)
            for name in self._watches:
                self._watched(name, first.work.piece)
        self._said = {name: (w.wrong, w.texts.count, w.beyond) for name, w in self._watches.items()}
        self._barometer_kpa = first.barometer_kpa
        self._kept = len(first.samples)
        self._blank_times = int((~np.isfinite(first.timeline.seconds)).sum())
        self._ends = [float(v) for v in first.samples["time_s"].iloc[[0, -1]]]
        steps = np.diff(first.samples["time_s"].to_numpy(dtype=float))
        self._step_s = float(np.median(steps)) if len(steps) else float("nan")
        self._ranges = {name: _Range.of(c.numbers) for name, c in first.work.columns.items()}

    def add(self, pieces: tuple[Piece, Piece | None]) -> pd.DataFrame:
        """Convert a further part and count it, given the one that follows; returns its samples."""
        piece, following = pieces
        first = self._first
        self._rows += len(piece.lines)
        check_rows(self._rows, name=first.name)
        self._dropped.update(dict(piece.dropped))
        time = first.picks["time"].heading.index
        seconds, dropped, self._going_on = extend_timeline(
            piece.cells[time],
            self._going_on,
            where=first.time_where,
            ahead=head_of(following.cells[time]) if following else None,
        )
        self._count_times(piece)
        self._dropped_time.update(dict(dropped))
        self._blank_times += sum(count for _, count in dropped)
        work = PartWork(first.setup, first.name, piece)
        for name, column in first.as_logged.items():
            work.columns[name] = replace(column, numbers=self._watched(name, piece))
        self._barometer_kpa = apply_barometer(work, self._barometer_kpa)
        for name, column in work.columns.items():
            self._ranges[name].add(column.numbers)
        samples = samples_of(work, seconds)
        self._kept += len(samples)
        if len(samples):
            self._ends[1] = float(samples["time_s"].iloc[-1])
        return samples

    def _count_times(self, piece: Piece) -> None:
        """Count times that are text where they should be numbers."""
        if not self._first.timeline.is_clock:
            cells = piece.cells[self._first.picks["time"].heading.index]
            self._time_texts.add(cells, piece.lines, int(np.isfinite(cells.numbers).sum()))

    def _watched(self, name: str, piece: Piece) -> Floats:
        pick = self._first.as_logged[name].pick
        cells = sensed(pick, piece.cells[pick.heading.index])
        return self._watches[name].add(cells, piece.lines)

    def check(self) -> None:
        """Hold a long log as a whole against what a short one is held against.

        Raises
        ------
        LogError
            When a needed channel is all but empty, a column's unit does not fit its values, too
            many of its cells are text or impossible, or time falls too often.
        """
        first = self._first
        if first.is_whole:
            return
        self._time_texts.check(first.time_where)
        stamps = self._rows - self._dropped_time["no time stamp"]
        refuse_falling(self._dropped_time["time stepped back"], stamps, first.time_where)
        for name, watch in self._watches.items():
            try:
                watch.check(first.setup, first.name)
            except LogError as error:
                if not may_leave_out(first.as_logged[name].pick, error, first.setup):
                    raise
                first.work.notes.append(f"{error.without(first.name)} It is in doubt.")
        filled = {name: self._rows - found.blank for name, found in self._ranges.items()}
        first.check_filled(filled, self._rows, is_all=True)

    def log(self, source: Source) -> Log:
        """Return the log without its samples."""
        first = self._first
        lost = sum(self._dropped.values())
        notes = [*first.work.notes]
        for name, watch in self._watches.items():
            header = first.as_logged[name].pick.heading.text
            wrong, texts, beyond = self._said[name]
            counts = {
                "impossible value(s) were left out.": watch.wrong - wrong,
                "cell(s) of text were left out.": watch.texts.count - texts,
                BEYOND_WORDS: watch.beyond - beyond,
            }
            notes += [
                f"Column {header!r}: behind the first part, {count} {why}"
                for why, count in counts.items()
                if count
            ]
        return Log(
            name=first.name,
            path=first.path,
            sha256=source.sha256(),
            samples=first.samples.iloc[:0],
            columns=_reports(first, self._ranges, self._blank_times, self._ends),
            dropped=(*self._dropped.items(), *self._dropped_time.items()),
            notes=tuple(dict.fromkeys(told(note) for note in notes)),
            rows_read=self._rows + lost,
            dialect=first.parts.dialect,
            preamble=first.parts.preamble,
            rows_kept=self._kept,
            span_s=self._ends[1] - self._ends[0],
            step_s=self._step_s,
        )


@dataclass
class _Range:
    """Blanks, lowest and highest value of a column."""

    blank: int
    low: float
    high: float

    @classmethod
    def of(cls, values: Floats) -> _Range:
        made = cls(0, float("nan"), float("nan"))
        made.add(values)
        return made

    def add(self, values: Floats) -> None:
        low, high = float(np.fmin.reduce(values)), float(np.fmax.reduce(values))
        self.low, self.high = float(np.fmin(self.low, low)), float(np.fmax(self.high, high))
        if not np.isfinite(values.sum()):
            self.blank += int((~np.isfinite(values)).sum())


def _reports(
    first: FirstPart, ranges: Mapping[str, _Range], blank_times: int, ends: Sequence[float]
) -> tuple[ColumnReport, ...]:
    """Report every column in the file's order; one that serves two channels comes twice."""
    uses: dict[int, list[ColumnReport]] = {}
    pick, timeline = first.picks["time"], first.timeline
    uses[pick.heading.index] = [
        ColumnReport(
            pick.heading.text,
            "time",
            timeline.unit,
            "s",
            pick.how,
            timeline.unit_how,
            blank_times,
            ends[0],
            ends[1],
        )
    ]
    for name, column in first.work.columns.items():
        pick, found = column.pick, ranges[name]
        uses.setdefault(pick.heading.index, []).append(
            ColumnReport(
                pick.heading.text,
                name,
                pick.unit or "",
                column.unit_inside,
                pick.how,
                pick.unit_how,
                found.blank,
                found.low,
                found.high,
            )
        )
    return tuple(
        report for h in first.headings for report in uses.get(h.index, [ColumnReport(h.text, None)])
    )
