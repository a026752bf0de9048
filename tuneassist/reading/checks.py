"""Is there enough in a log to go on? What is missing is named, with the line that would mend it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from tuneassist.channels import CHANNELS
from tuneassist.errors import LogError
from tuneassist.reading.columns import Column
from tuneassist.reading.guard import setup_line
from tuneassist.reading.headers import Heading
from tuneassist.reading.log import Piece
from tuneassist.reading.picks import Pick, listed
from tuneassist.settings import Setup

MIN_ROWS = 5
"""Fewer rows of data than this are no log. [rows]"""
MIN_FILLED_SHARE = 0.02
"""A channel that a proposal needs must have a number in at least this share of the rows. [1]"""
TRIMS = ("fuel_trim_short", "fuel_trim_long")


def check_rows(piece: Piece, name: str) -> None:
    """Refuse a log of hardly a row."""
    if len(piece.lines) < MIN_ROWS:
        raise LogError(
            f"the log holds {len(piece.lines)} row(s) of data.",
            where=name,
            mend=f"At least {MIN_ROWS} are needed, and a hold takes several seconds.",
        )


def check_found(
    picks: Mapping[str, Pick], headings: Sequence[Heading], setup: Setup | None, *, name: str
) -> None:
    """Refuse a log without the channels that everything stands on."""
    missing = [] if "time" in picks else ["time"]
    if setup is not None:
        missing += [c for c in ("rpm", "load") if c not in picks]
        if not any(c in picks for c in ("lambda", *TRIMS)):
            missing.append("lambda")
    if missing:
        raise _missing(missing, headings, setup, name=name)
    if len(picks) == 1:
        raise LogError(
            "no column but time was recognised.", where=name, mend=_header_list(headings)
        )


def _missing(
    missing: Sequence[str], headings: Sequence[Heading], setup: Setup | None, *, name: str
) -> LogError:
    lines = "; ".join(setup_line(c, "...", _unit_for(c, setup)) for c in missing)
    return LogError(
        f"no column was found for {', '.join(missing)}.",
        where=name,
        mend=f"{_header_list(headings)} Name the right ones under [channels]: {lines}.",
    )


def _header_list(headings: Sequence[Heading]) -> str:
    return f"The log's columns: {listed([h.text for h in headings if h.text])}."


def _unit_for(channel: str, setup: Setup | None) -> str | None:
    if channel == "load":
        return setup.axes.load_unit if setup else None
    return CHANNELS[channel].unit


def check_filled(
    columns: Mapping[str, Column],
    headings: Sequence[Heading],
    filled: Mapping[str, int],
    *,
    rows: int,
    name: str,
    share: float = MIN_FILLED_SHARE,
) -> None:
    """Refuse a log whose needed channels are all but empty, given how many cells are not."""
    needed = ["rpm", "load"]
    if not any(trim in columns for trim in TRIMS):
        needed.append("lambda")
    for channel in needed:
        column = columns.get(channel)
        count = filled.get(channel, 0)
        if count < max(MIN_ROWS, share * rows):
            raise LogError(
                f"{channel} has a number in only {count} of {rows} rows.",
                where=f"{name}, column {column.pick.heading.text!r}" if column else name,
                mend=f"Check the sensor, or name another column. {_header_list(headings)}",
            )
