"""What a log shows before there is a setup: columns with their units, and what is in doubt."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tuneassist.channels import CHANNELS, Channel
from tuneassist.errors import LogError
from tuneassist.grid import Floats
from tuneassist.inert import inert
from tuneassist.reading import LogReader
from tuneassist.reading.headers import Heading, channel_of, read_heading
from tuneassist.reading.log import ColumnReport, Wanted
from tuneassist.reading.matching import Match, UnclearError, check_unit_text, match_columns
from tuneassist.reading.read import FIRST_ROWS, MIN_ROWS, open_parts
from tuneassist.reading.source import Source
from tuneassist.reading.unit_checks import (
    Mixture,
    channel_as_logged,
    check_values,
    fitting_units,
    infer_unit,
    measured,
)
from tuneassist.units import UNITS, units_of
from tuneassist.workflow.logs import says_simulated

MOST_VALUES = 20_000
"""Values of a column that are kept from each part of a log, evenly chosen: enough to tell where it
was. [1]"""
LOAD_QUANTITIES = ("mass per stroke", "mass flow")
"""Quantities of a column that may be the load though no channel is called so."""
PRESSURES = ("manifold_pressure", "boost")


@dataclass(frozen=True, eq=False)
class LogSurvey:
    """One log as it reads without a setup.

    Parameters
    ----------
    name
        File name.
    headings
        Every column's header.
    found
        Channel to the report of its column, of the channels that are in no doubt.
    values
        Position of a column to some of its values, as logged.
    notes
        What the reader corrected, assumed or left out.
    is_simulated
        Whether the log says that it is simulated.
    refused
        Positions of columns whose unit in the header cannot be right.
    """

    name: str
    headings: tuple[Heading, ...]
    found: Mapping[str, ColumnReport]
    values: Mapping[int, Floats]
    notes: tuple[str, ...]
    is_simulated: bool
    refused: frozenset[int] = frozenset()

    def heading_of(self, header: str) -> Heading | None:
        """Return the heading with this text; None where there is none or several."""
        same = [heading for heading in self.headings if heading.text == header]
        return same[0] if len(same) == 1 else None

    def unit_of(self, heading: Heading, channel: str) -> str | None:
        """Return the unit of a column: as it was read, else as its header says."""
        for report in self.found.values():
            if report.header == heading.text and report.unit in UNITS:
                return report.unit
        if heading.index in self.refused:
            return None
        kinds = {CHANNELS[channel].quantity} if channel != "load" else set()
        unit = heading.unit
        return unit if unit and (not kinds or UNITS[unit].quantity in kinds) else None

    def in_doubt(self) -> dict[str, tuple[Heading, ...]]:
        """Return the columns whose channel is known by their words, and was left out in doubt."""
        used = {report.header for report in self.found.values()}
        doubts: dict[str, list[Heading]] = {}
        for heading in self.headings:
            channel = channel_of(heading)
            if channel and channel not in self.found and heading.text not in used:
                doubts.setdefault(channel, []).append(heading)
        return {channel: tuple(headings) for channel, headings in doubts.items()}

    def units_that_fit(self, heading: Heading, channel: str) -> tuple[str, ...]:
        """Return the units in which a column's values can be its channel; all where none fits."""
        kind: Channel = CHANNELS[channel]
        kept = measured(self.values.get(heading.index, np.empty(0)), kind.plausible)
        fitting = fitting_units(kept, kind, Mixture()) if len(kept) else ()
        return fitting or units_of(kind.quantity)

    def load_columns(self) -> tuple[Heading, ...]:
        """Return the columns that may be the load axis: pressures, fuel injected, air drawn."""
        headers = {self.found[name].header for name in PRESSURES if name in self.found}
        return tuple(
            heading
            for heading in self.headings
            if heading.text in headers
            or channel_of(heading) in ("load", *PRESSURES)
            or (heading.unit and UNITS[heading.unit].quantity in LOAD_QUANTITIES)
        )


def survey_log(path: Path) -> LogSurvey:
    """Read a log without a setup.

    Parameters
    ----------
    path
        The file.

    Raises
    ------
    LogError
        When it cannot be read.
    """
    try:
        reader = LogReader(path)
        for _ in reader.parts():
            pass
    except LogError as error:
        return _survey_in_doubt(path, error)
    log = reader.log()
    headings, values, _ = _columns_of(path)
    found: dict[str, ColumnReport] = {}
    for report in log.columns:
        if report.channel is not None:
            found.setdefault(report.channel, report)
    return LogSurvey(log.name, headings, found, values, log.notes, says_simulated(log))


def _survey_in_doubt(path: Path, error: LogError) -> LogSurvey:
    """Survey a log that is only read once a setup tells a unit or a column.

    Raises
    ------
    LogError
        The error, where no unit and no column of a setup would mend it.
    """
    headings, values, preamble = _columns_of(path)
    name = inert(path.name)
    matches = match_columns(headings, None, name=name).matches
    found, notes, refused = {}, [error.without(name)], set()
    for channel, match in matches.items():
        numbers = values.get(match.heading.index, np.empty(0))
        try:
            match = _with_unit(match, numbers, error, name)  # noqa: PLW2901 - the unit is now known
        except LogError as said:
            if isinstance(said, UnclearError) and said is not error:
                continue
            if not _is_about_unit(match, numbers):
                if CHANNELS[channel].is_decisive:
                    raise
                notes.append(said.without(name))  # left out, as the reader does
                continue
            refused.add(match.heading.index)
            notes.append(said.without(name))
            continue
        unit = match.unit or ""
        found[channel] = ColumnReport(
            match.heading.text, channel, unit, how="header", unit_how=match.unit_how
        )
    if "time" in matches and not refused:
        raise error
    is_simulated = any("simulated" in line.casefold() for line in (name, *preamble))
    return LogSurvey(name, headings, found, values, tuple(notes), is_simulated, frozenset(refused))


def _with_unit(match: Match, numbers: Floats, error: LogError, name: str) -> Match:
    """Return a column with the unit that holds for it, as the reader finds it without a setup."""
    where = f"{name}, column {match.heading.text!r}"
    if match.channel == "time":
        if error.where.startswith(where):
            raise error
        return match
    kind = channel_as_logged(match, match.unit or "1", None)
    check_unit_text(match, kind.quantity, name=name)
    match, _ = infer_unit(match, numbers, kind, Mixture(), None, where=where)
    check_values(match, numbers, None, where=where)
    return match


def _is_about_unit(match: Match, numbers: Floats) -> bool:
    """Tell whether another unit may be right for a column."""
    if match.channel == "time":
        return len(numbers) >= MIN_ROWS and bool((np.diff(numbers) >= 0).all())
    kind = CHANNELS[match.channel]
    kept = measured(numbers, kind.plausible)
    return bool(len(kept)) and bool(fitting_units(kept, kind, Mixture()))


def _columns_of(
    path: Path,
) -> tuple[tuple[Heading, ...], dict[int, Floats], tuple[str, ...]]:
    """Return headers, values of the columns that mean something, and the lines above the header."""
    with Source(path) as source:
        parts = open_parts(source, wanted=set(), rows=FIRST_ROWS)
        headings = tuple(read_heading(i, *texts) for i, texts in enumerate(parts.headers))
        wanted = tuple(h.index for h in headings if channel_of(h) or h.unit)
        some: dict[int, list[Floats]] = {index: [] for index in wanted}
        with closing(parts.pieces(Wanted(wanted))) as pieces:
            for piece in pieces:
                for index, kept in some.items():
                    kept.append(_evenly(piece.cells[index].numbers))
        values = {index: np.concatenate(kept) for index, kept in some.items() if kept}
        return headings, values, parts.preamble


def _evenly(numbers: Floats) -> Floats:
    stride = max(1, len(numbers) // MOST_VALUES)
    chosen = numbers[::stride]
    return np.asarray(chosen[np.isfinite(chosen)])
