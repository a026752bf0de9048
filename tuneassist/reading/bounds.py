"""What a file may unpack to; the readers ask here before memory is taken.

A file that came from outside may be made to unpack to far more than any log holds. What one of
this size on the disk can honestly hold is bounded, however long the log is.
"""

from __future__ import annotations

from tuneassist.errors import LogError

FREE_BYTES = 1 << 27
"""Every file may unpack to this: a million rows of an engine that idles pack to next to nothing.
[bytes]"""
MOST_EXPANSION = 100
"""Beyond that it may unpack to this many times its size. Sessions pack 4:1, tables with many idle
channels 30:1; the lower the bound, the sooner a trap is left. [1]"""
MOST_HELD_BYTES = 1 << 29
"""What may be unpacked at once, such as one batch of a table or one page of each column: a quarter
of the memory that a reading may take. [bytes]"""
MOST_CELL_BYTES = 1 << 8
"""The longest cell of text in a table; a reading or a stamp has some 40. [bytes]"""
MOST_LINE_BYTES = 1 << 20
"""The longest line of a text: 2,000 channels take some 20,000. [bytes]"""
MOST_BLANK_LINES, MOST_BLANK_SHARE = 1_000_000, 0.8
"""More blank lines than this, and a larger share of all lines, are no log; some loggers write one
behind each row. [1]"""
MOST_UNUSED_BYTES = 1 << 30
"""Room that a logger took and did not fill (bytes of zero) in one stretch. [bytes]"""
MOST_COLUMNS = 10_000
"""Columns of a log: the widest have some 2,000. [1]"""
MOST_ROWS = 50_000_000
"""Rows of a log: 58 days at 10 a second, 14 hours at 1,000. [1]"""
MOST_HEADER_CHARS = 1_000
"""The longest header, its unit included. [1]"""
VALUE_BYTES = 8
"""A number as it is worked with, whatever the file takes for it. [bytes]"""


def check_unused(unused: int, *, name: str) -> None:
    """Refuse a file that goes on and on with bytes of zero.

    Raises
    ------
    LogError
        When there are more than `MOST_UNUSED_BYTES` in one stretch.
    """
    if unused > MOST_UNUSED_BYTES:
        raise LogError(
            f"the file holds {in_words(MOST_UNUSED_BYTES)} or more of nothing but zeros.",
            where=name,
            mend="Cut it behind its last row, or export the log again.",
        )


def check_rows(rows: int, *, name: str) -> None:
    """Refuse a log of more rows than any session has.

    Raises
    ------
    LogError
        When there are more than `MOST_ROWS`.
    """
    if rows > MOST_ROWS:
        raise LogError(
            f"the log has more than {MOST_ROWS:,} rows.",
            where=name,
            mend="Export the sessions one by one, or at fewer rows a second.",
        )


def check_unpacked(unpacked: float, on_disk: float, *, name: str) -> None:
    """Refuse what unpacks to more than a log of its size does.

    Parameters
    ----------
    unpacked
        What it comes to, or has come to so far. [bytes]
    on_disk
        What it takes, or what of it has been read so far. [bytes]
    name
        File name, for messages.

    Raises
    ------
    LogError
        When it is too much.
    """
    if unpacked > FREE_BYTES + MOST_EXPANSION * on_disk:
        raise LogError(
            f"{in_words(on_disk)} unpack to {in_words(unpacked)} or more, over {MOST_EXPANSION} "
            "times as much, which no log does.",
            where=name,
            mend="Export the log again, as CSV without packing.",
        )


def check_held(held: float, what: str, *, name: str) -> None:
    """Refuse a piece that would take too much memory at once.

    Raises
    ------
    LogError
        When it is too much.
    """
    if held > MOST_HELD_BYTES:
        raise LogError(
            f"{what} unpacks to {in_words(held)}; at most {in_words(MOST_HELD_BYTES)} are "
            "unpacked at once.",
            where=name,
            mend="Write the table in smaller parts, or export the log as CSV.",
        )


def check_headers(headers: tuple[tuple[str, str], ...], *, name: str) -> None:
    """Refuse more columns, or longer headers, than a log has.

    Raises
    ------
    LogError
        When there are more.
    """
    if len(headers) > MOST_COLUMNS:
        raise too_wide(len(headers), name)
    for place, (text, unit) in enumerate(headers):
        if len(text) + len(unit) > MOST_HEADER_CHARS:
            raise LogError(
                f"the header has {len(text) + len(unit)} characters: {text[:40]!r} and so on.",
                where=f"{name}, column {place + 1}",
                mend=f"A header has at most {MOST_HEADER_CHARS}; export the log again.",
            )


def check_line(length: int, *, name: str, row: int | None = None) -> None:
    """Refuse a line that is longer than any row of a log.

    Raises
    ------
    LogError
        When it is.
    """
    if length > MOST_LINE_BYTES:
        raise LogError(
            f"a line takes {in_words(length)} or more; the longest rows take "
            f"{in_words(MOST_LINE_BYTES)}.",
            where=name if row is None else f"{name}, row {row}",
            mend="The file is damaged; export the log again.",
        )


def too_wide(columns: int, name: str) -> LogError:
    """Return the error for a table with too many columns."""
    return LogError(
        f"the table has {columns} columns; a log has at most {MOST_COLUMNS}.",
        where=name,
        mend="Export the log again with fewer channels.",
    )


def in_words(size: float) -> str:
    """Write a size as a person reads it.

    Examples
    --------
    >>> in_words(326_000), in_words(6.2e9)
    ('326 kB', '6.2 GB')
    """
    for unit, factor in (("TB", 1e12), ("GB", 1e9), ("MB", 1e6), ("kB", 1e3)):
        if size >= factor:
            return f"{size / factor:.3g} {unit}"
    return f"{size:.0f} bytes"
