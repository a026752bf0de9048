"""From bytes to lines of text, and where in them header, units and data are.

The encoding is found in the first part; UTF-8 with line feeds is handed on in blocks of whole
lines. Of the layout only the head of the file is looked at. Rows of numbers are found first; the
header is the row above them that names most channels, so that lines before it may hold anything.
"""

from __future__ import annotations

import codecs
import csv
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence, Set
from dataclasses import dataclass, field, replace

import numpy as np

from tuneassist.channels import channels_called
from tuneassist.errors import LogError
from tuneassist.reading.cell_parsing import CLOCK, GROUPED, SIGNED, is_blank, is_number
from tuneassist.reading.headers import read_heading
from tuneassist.reading.source import (
    MOST_COLUMNS,
    MOST_HEADER_CHARS,
    Prefetcher,
    Source,
    check_line,
    check_unused,
    empty,
    too_wide,
)
from tuneassist.units import find_unit

_CONTROL = np.array([code for code in range(32) if code not in (9, 10, 12, 13, 26)], dtype=np.uint8)
_HEAD = 65536
_LINE_END = 10
_PIECE = 1 << 20
BLOCK_BYTES = 1 << 22
"""Bytes read at a time after the first part: some 100,000 rows, which stay in a core's cache."""
FIRST_BYTES = 1 << 26
"""The first part ends here however few rows it holds: no shop's row is that long. [bytes]"""


@dataclass(frozen=True)
class Text:
    """A file's first part as UTF-8 with line feeds.

    Parameters
    ----------
    data
        The text, of a longer file up to the end of a line.
    encoding
        What it was written in.
    notes
        What had to be assumed or mended.
    is_whole
        The file ends here.
    rest
        Bytes that were read beyond it, not yet decoded.
    more
        Text that was read beyond it.
    wide_name
        Order of the bytes, where the encoding is UTF-16.
    """

    data: bytes = field(repr=False)
    encoding: str
    notes: tuple[str, ...] = ()
    is_whole: bool = True
    rest: bytes = field(default=b"", repr=False)
    wide_name: str = "utf-16-le"
    more: bytes = field(default=b"", repr=False)

    def cut(self, lines: int) -> Text:
        """Return the text with no more than this many lines in its first part."""
        ends = np.flatnonzero(np.frombuffer(self.data, dtype=np.uint8) == _LINE_END)
        if len(ends) <= lines:
            return self
        end = int(ends[lines - 1]) + 1
        if not self.data[end:].strip():
            return self
        return replace(self, data=self.data[:end], more=self.data[end:])


def read_first(source: Source, *, rows: int) -> Text:
    """Read the first part of an open file, all of it when it has no more than this many lines.

    Parameters
    ----------
    source
        The file, open at its start.
    rows
        Lines of the first part. [lines]

    Raises
    ------
    LogError
        When the file is empty or no text.
    """
    pieces: list[bytes] = []
    lines = size = 0
    while lines <= rows and size < FIRST_BYTES:
        piece = source.read(_PIECE)
        pieces.append(piece)
        lines += max(piece.count(b"\n"), piece.count(b"\r"))
        size += len(piece)
        if not lines:
            check_line(size, name=source.name)
        if len(piece) < _PIECE:
            return decode(b"".join(pieces), source.name)
    data = b"".join(pieces)
    cut = _cut(data, source.name)
    first = decode(data[:cut], source.name)
    is_big = data.startswith(codecs.BOM_UTF16_BE) or first.encoding == "utf-16-be"
    return replace(
        first, is_whole=False, rest=data[cut:], wide_name="utf-16-be" if is_big else "utf-16-le"
    )


def _cut(data: bytes, name: str) -> int:
    """Find where the last whole line ends."""
    encoding = _wide_encoding(data[:_HEAD])
    is_big = encoding == "utf-16-be" or data.startswith(codecs.BOM_UTF16_BE)
    pad = b"\0" if encoding else b""
    place, end = -1, b""
    for mark in (b"\n", b"\r"):
        end = pad + mark if is_big else mark + pad
        place = data.rfind(end)
        while encoding and place > 0 and place % 2:  # these bytes across the middle of a letter
            place = data.rfind(end, 0, place + 1)
        if place > 0:
            break
    if place <= 0:
        raise LogError(
            f"there is no end of a line in the first {len(data) >> 20} MiB.",
            where=name,
            mend="The file is damaged; export the log again.",
        )
    return place + len(end)


def blocks(source: Source, first: Text) -> Iterator[bytes]:
    """Yield the text behind the first part, in blocks of whole lines.

    Raises
    ------
    LogError
        When a line does not end.
    """
    with Prefetcher(_pieces(source, first), depth=2) as pieces:
        yield from _whole_lines(pieces, first, source.name)


def _pieces(source: Source, first: Text) -> Iterator[tuple[bytes, bool]]:
    """Yield the bytes behind the first part, and whether they are the last."""
    is_end = first.is_whole
    raw, unused = first.rest, 0
    while not is_end:
        piece = source.read(BLOCK_BYTES)
        is_end = len(piece) < BLOCK_BYTES
        unused = unused + len(piece) if piece.startswith(b"\0") and not piece.strip(b"\0") else 0
        check_unused(unused, name=source.name)
        yield raw + piece, is_end
        raw = b""
    if first.is_whole:
        yield raw, True


def _whole_lines(pieces: Iterable[tuple[bytes, bool]], first: Text, name: str) -> Iterator[bytes]:
    decoder = codecs.getincrementaldecoder(first.wide_name)("replace")
    is_wide = first.encoding.startswith("utf-16")
    held = first.more
    for raw, is_end in pieces:
        if is_wide:
            plain = decoder.decode(raw, is_end).encode("utf-8", errors="replace")
        else:
            plain = _utf8(raw, first.encoding)
        held += plain
        is_split = held.endswith(b"\r") and not is_end
        body = _line_feeds(held[:-1] if is_split else held)
        body = body.rstrip(b"\0") if is_end else body
        last = body.rfind(b"\n") + 1
        if not body[last:].strip(b"\0"):
            body = body[:last]  # room that the logger took and did not fill
        check_line(len(body) - last, name=name)
        end = len(body) if is_end else last
        held = body[end:] + (b"\r" if is_split else b"")
        if end:
            yield body[:end].replace(b"\0", b"?")


def _line_feeds(body: bytes) -> bytes:
    if b"\r" in body:
        body = body.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    return body


def _utf8(raw: bytes, encoding: str) -> bytes:
    if raw.isascii() or encoding != "cp1252":
        return raw
    return raw.decode("cp1252", errors="replace").encode("utf-8")


def decode(data: bytes, name: str) -> Text:
    """Find the encoding and bring the text to UTF-8.

    Raises
    ------
    LogError
        When the file is not text, or empty.
    """
    if not data.strip(b"\0 \t\r\n"):
        raise empty(name)
    notes: list[str] = []
    if not data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        whole = data.rstrip(b"\0")
        if len(whole) < len(data) and b"\0" not in whole[-2:]:
            tail = len(data) - len(whole)
            if tail > 1:
                notes.append(f"{tail} null bytes at the end of the file were left out.")
                data = whole
    text, encoding = _to_text(data, name)
    if encoding == "cp1252":
        notes.append("The file is not UTF-8; it was read as Windows-1252.")
    plain = text.replace("\r\n", "\n").replace("\r", "\n").replace("\0", "?")
    return Text(plain.encode("utf-8", errors="replace"), encoding, tuple(notes))


def _to_text(data: bytes, name: str) -> tuple[str, str]:
    encoding = _wide_encoding(data[:_HEAD])
    if encoding:
        return data.decode(encoding, errors="replace").lstrip("\ufeff"), encoding
    _refuse_binary(data[:_HEAD], name)
    try:
        return data.decode("utf-8-sig"), "utf-8"
    except UnicodeDecodeError as error:
        if error.start >= len(data) - 4:  # cut in the middle of a letter
            return data[: error.start].decode("utf-8-sig"), "utf-8"
        return data.removeprefix(codecs.BOM_UTF8).decode("cp1252", errors="replace"), "cp1252"


def _wide_encoding(head: bytes) -> str:
    """Name UTF-16 by its mark, or by every second byte of plain text being zero."""
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    codes = np.frombuffer(head[: len(head) // 2 * 2], dtype=np.uint8)
    if len(codes) < 20:
        return ""
    even, odd = float(np.mean(codes[::2] == 0)), float(np.mean(codes[1::2] == 0))
    if odd > 0.8 and even < 0.05:
        return "utf-16-le"
    return "utf-16-be" if even > 0.8 and odd < 0.05 else ""


def _refuse_binary(head: bytes, name: str) -> None:
    codes = np.frombuffer(head, dtype=np.uint8)
    odd = int(np.isin(codes, _CONTROL).sum())
    if odd > max(4, 0.005 * len(codes)):
        raise LogError(
            f"this is a binary file: {odd} of its first {len(codes)} bytes are not text.",
            where=name,
            mend="Export the log as CSV.",
        )


HEAD_LINES = 400
_DELIMITERS = ("\t", ";", ",", "|")
_ROWS_OF_DATA = 3  # rows of numbers that must follow each other to be data
_SHOWN = 100  # cells of a row that are looked at for a better message
_ABOVE = 6  # rows above the data among which the header is looked for

Row = list[str]


@dataclass(frozen=True)
class Layout:
    """What the head of the file tells.

    Parameters
    ----------
    delimiter, decimal
        Between cells, and inside numbers.
    header, data
        Position of the header and of the first row of numbers, counted from 0.
    headers
        Header and unit cell of every named column.
    width
        Cells per row of data.
    """

    delimiter: str
    decimal: str
    header: int
    data: int
    headers: tuple[tuple[str, str], ...]
    width: int


def find_layout(lines: Sequence[str], *, name: str, wanted: Set[str] = frozenset()) -> Layout:
    """Find the layout from the first lines of a file.

    Parameters
    ----------
    lines
        The first lines, without line ends.
    name
        File name, for messages.
    wanted
        Headers that the setup names; a row that holds them is the header.

    Raises
    ------
    LogError
        When there are no columns, no numbers, or no header above the numbers.
    """
    delimiter = _find_delimiter(lines, name=name)
    rows = [split_line(line, delimiter) for line in lines]
    widest = max(map(len, rows), default=0)
    if widest > MOST_COLUMNS:
        raise too_wide(widest, name)
    data = _first_data_row(rows)
    if data is None:
        raise _no_numbers(rows, name)
    width = Counter(len(row) for row in rows[data:] if any(c.strip() for c in row))
    cells = width.most_common(1)[0][0]
    header, unit_row = _find_header(rows, data, cells, name=name, wanted=wanted)
    last_named = header if unit_row is None else unit_row
    while data - 1 > last_named and _is_data(rows[data - 1]):
        data -= 1  # a first row that was cut
    headers = _trim(rows[header])
    units = rows[unit_row] if unit_row is not None else []
    padded = [*units, *[""] * len(headers)]
    if len(headers) > cells or (len(headers) < cells and delimiter == ","):
        _check_width(len(headers), cells, rows[data], name=name, line=data + 1)
    decimal = _find_decimal(rows[data:], delimiter, name=name, first_line=data + 1)
    pairs = tuple((text.strip(), padded[i].strip()) for i, text in enumerate(headers))
    return Layout(delimiter, decimal, header, data, pairs, cells)


def split_line(line: str, delimiter: str) -> Row:
    """Cut one line into cells."""
    try:
        return next(csv.reader([line], delimiter=delimiter), [])
    except csv.Error:  # a cell longer than the csv module takes
        return line.split(delimiter)


def _trim(row: Row) -> Row:
    kept = list(row)
    while kept and not kept[-1].strip():
        kept.pop()
    return kept


def _find_delimiter(lines: Sequence[str], *, name: str) -> str:
    """Take the delimiter that cuts most lines into the same number of cells, two or more."""
    if lines and lines[0].casefold().startswith("sep=") and len(lines[0]) == 5:
        return lines[0][4]
    filled = [line for line in lines if line.strip()]
    best, share = "", 0.0
    for delimiter in _DELIMITERS:
        counts = Counter(len(split_line(line, delimiter)) for line in filled)
        counts.pop(1, None)
        common = counts.most_common(1)
        found = common[0][1] / len(filled) if common else 0.0
        if found > share + 0.02:
            best, share = delimiter, found
    if not best:
        raise LogError(
            "no columns were found: no comma, semicolon or tab cuts the lines into cells.",
            where=name,
            mend="Export the log as CSV with a header row.",
        )
    return best


def _is_data(row: Row) -> bool:
    filled = [cell for cell in row if not is_blank(cell)]
    if not filled:
        return False
    numbers = sum(is_number(cell) or CLOCK.search(cell) is not None for cell in filled)
    return numbers >= 0.5 * len(filled) or (numbers >= 2 and is_number(filled[0]))


def _first_data_row(rows: Sequence[Row]) -> int | None:
    """Find the first of three rows of numbers in a row, or of fewer that end the file."""
    filled = [i for i, row in enumerate(rows) if any(cell.strip() for cell in row)]
    for place, i in enumerate(filled):
        following = filled[place : place + _ROWS_OF_DATA]
        widths = {len(rows[k]) for k in following[:2]}
        if all(_is_data(rows[k]) for k in following) and len(widths) == 1 and len(rows[i]) > 1:
            return i
    last = [i for i in filled if _is_data(rows[i]) and len(rows[i]) > 1]
    return last[0] if last else None


def _names_found(row: Row, wanted: Set[str]) -> int:
    headings = [read_heading(0, cell) for cell in row if len(cell) <= MOST_HEADER_CHARS]
    found = sum(bool(channels_called(heading.words_bare)) for heading in headings)
    found += sum(bool(channels_called(heading.words)) for heading in headings)
    return found + 4 * sum(cell.strip() in wanted for cell in row)


def _unit_share(row: Row) -> float:
    filled = [cell.strip().strip("[](){}<>") for cell in row if cell.strip()]
    return sum(find_unit(cell) is not None for cell in filled) / len(filled) if filled else 0.0


def _find_header(
    rows: Sequence[Row], data: int, width: int, *, name: str, wanted: Set[str]
) -> tuple[int, int | None]:
    above = [i for i in range(data) if len(_trim(rows[i])) > 1][-_ABOVE:]
    fitting = [i for i in above if 2 * len(_trim(rows[i])) >= width] or above[-1:]
    if not fitting:
        raise LogError(
            "there is no header: the first row holds numbers already.",
            where=f"{name}, row {data + 1}",
            mend="Export the log with its column names.",
        )
    scores = {i: _names_found(rows[i], wanted) for i in fitting}
    best = max(scores.values())
    named = [i for i in fitting if scores[i] == best]
    if best == 0 and len(named) > 1:
        named = [i for i in named if _unit_share(rows[i]) < 0.5] or named
        named = named[-1:]
    header = named[0]
    below = [i for i in fitting if i > header and _unit_share(rows[i]) >= 0.5]
    return header, (below[0] if below else None)


def _check_width(names: int, cells: int, row: Row, *, name: str, line: int) -> None:
    if names < cells and not any(cell.strip() for cell in row[names:]):
        return  # trailing delimiters
    mend = "Export the log again; every row needs as many cells as the header."
    if cells > names and cells >= 2 * names - 1:
        mend = "Decimal commas in a comma-separated file? Export with ';' or a decimal point."
    raise LogError(
        f"the header names {names} columns, but the rows hold {cells} cells.",
        where=f"{name}, row {line}",
        mend=mend,
    )


def _find_decimal(rows: Sequence[Row], delimiter: str, *, name: str, first_line: int) -> str:
    """Read the decimal sign off the cells; a comma with three digits alone may be thousands."""
    seen: dict[str, tuple[int, str]] = {}
    for offset, row in enumerate(rows):
        for cell in row:
            word = cell.strip()
            if re.fullmatch(r"[-+]?\d{1,3}(?:\.\d{3})+,\d+", word):
                return ","
            if re.fullmatch(r"[-+]?\d{1,3}(?:,\d{3})+\.\d+", word):
                return "."
            sign = re.fullmatch(r"[-+]?\d*([.,])\d+(?:[eE][-+]?\d+)?", word)
            if sign:
                seen.setdefault(sign[1], (first_line + offset, word))
    if len(seen) == 2 and delimiter != ",":
        raise _mixed(seen["."], seen[","], name)
    return "," if "," in seen and "." not in seen else "."


def _mixed(point: tuple[int, str], comma: tuple[int, str], name: str) -> LogError:
    return LogError(
        f"decimal points and decimal commas are mixed: {point[1]!r} in row {point[0]}, "
        f"{comma[1]!r} in row {comma[0]}.",
        where=name,
        mend="Export the log with one decimal sign.",
    )


def find_decimal_sign(layout: Layout, data: bytes, *, name: str) -> Layout:
    """Look for decimal commas in all of the first part, where its first lines show none.

    With the engine off the first lines may hold whole numbers only.

    Parameters
    ----------
    layout
        As the first lines tell.
    data
        The first part.
    name
        File name, for messages.

    Raises
    ------
    LogError
        When decimal points and decimal commas are mixed.
    """
    if layout.decimal == "," or (b'"' if layout.delimiter == "," else b",") not in data:
        return layout
    comma = _first_decimal(data, layout, ",", GROUPED)
    point = _first_decimal(data, layout, "[.]", GROUPED if comma else None)
    if comma and point and layout.delimiter != ",":
        raise _mixed(point, comma, name)
    if point or not (comma or _first_decimal(data, layout, ",", None)):
        return layout
    return replace(layout, decimal=",")


def _first_decimal(
    data: bytes, layout: Layout, sign: str, but: str | None
) -> tuple[int, str] | None:
    """Find the first cell that is a number with this decimal sign, and its row."""
    is_quoted = layout.delimiter == "," == sign
    edges = b'"' if is_quoted else b'["\n%s]' % re.escape(layout.delimiter.encode())
    other = b"(?! *%s *%s)" % (but.encode(), edges) if but else b""
    number = SIGNED.replace("([.,])", sign).encode()
    cell = rb"(?<=%s)%s *(%s) *(?=%s)" % (edges, other, number, edges)
    start = 0
    for _ in range(layout.data):
        start = data.find(b"\n", start) + 1
    found = re.compile(cell).search(data, max(start - 1, 0))
    return (data.count(b"\n", 0, found.start()) + 1, found[1].decode()) if found else None


def _no_numbers(rows: Sequence[Row], name: str) -> LogError:
    if any(_names_found(row[:_SHOWN], frozenset()) for row in rows):
        return LogError(
            "there is a header, but no row of numbers below it.",
            where=name,
            mend="Export the log again; it holds no data.",
        )
    return LogError(
        f"no table of numbers was found in the first {len(rows)} lines.",
        where=name,
        mend="Export the log as CSV with a header row.",
    )
