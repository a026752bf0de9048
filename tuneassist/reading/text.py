"""From bytes to text: the encoding found, UTF-8 with line feeds handed on in blocks of whole lines.

A file that is short is decoded whole. Of a longer one the encoding is found in its first part, and
the rest follows block by block.
"""

from __future__ import annotations

import codecs
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from tuneassist.errors import LogError
from tuneassist.reading.ahead import ReadAhead
from tuneassist.reading.bounds import check_line, check_unused
from tuneassist.reading.source import Source, empty

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
    with ReadAhead(_pieces(source, first), depth=2) as pieces:
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
            f"this is a binary file: {odd} of its first {len(codes)} bytes are no text.",
            where=name,
            mend="Export the log as CSV.",
        )
