"""From a path to text: the file's bytes, their hash, and the encoding they are written in."""

from __future__ import annotations

import codecs
import hashlib
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from tuneassist.errors import LogError

_OTHER_FORMATS: tuple[tuple[bytes, str], ...] = (
    (b"\x1f\x8b", "a gzip archive"),
    (b"\x28\xb5\x2f\xfd", "a zstd archive"),
    (b"PK\x03\x04", "a zip archive or a workbook"),
    (b"\xd0\xcf\x11\xe0", "a workbook in the old binary form"),
    (b"PAR1", "a Parquet file"),
    (b"ARROW1", "an Arrow file"),
    (b"MDF ", "an ASAM MDF file"),
    (b"UnFinMF ", "an unfinished ASAM MDF file"),
    (b"%PDF", "a PDF document"),
)
_CONTROL = np.array([code for code in range(32) if code not in (9, 10, 12, 13, 26)], dtype=np.uint8)
_HEAD = 65536


@dataclass(frozen=True)
class Source:
    """A log file's bytes.

    Parameters
    ----------
    name, path
        File name for messages, and where it is.
    data
        Everything in it.
    sha256
        Of ``data``.
    """

    name: str
    path: Path
    data: bytes = field(repr=False)
    sha256: str


def open_source(path: str | Path) -> Source:
    """Read a file whole.

    Raises
    ------
    LogError
        When it is missing, a folder, empty, or may not be read.
    """
    place = Path(path)
    if place.is_dir():
        raise LogError(
            "this is a folder, not a log file.", where=str(place), mend="Name the files in it."
        )
    try:
        data = place.read_bytes()
    except FileNotFoundError as error:
        raise LogError("there is no such file.", where=str(place)) from error
    except (OSError, ValueError) as error:
        raise LogError(f"the file cannot be read ({error}).", where=str(place)) from error
    if not data.strip(b"\0 \t\r\n"):
        raise LogError("the file is empty.", where=place.name, mend="Export the log again.")
    return Source(place.name, place, data, hashlib.sha256(data).hexdigest())


@dataclass(frozen=True)
class Text:
    """A file's text as UTF-8 with line feeds.

    Parameters
    ----------
    data
        The text.
    encoding
        What it was written in.
    notes
        What had to be assumed or mended.
    """

    data: bytes = field(repr=False)
    encoding: str
    notes: tuple[str, ...] = ()


def decode(source: Source) -> Text:
    """Find the encoding and bring the text to UTF-8.

    Raises
    ------
    LogError
        When the file is not text.
    """
    data = source.data
    for magic, kind in _OTHER_FORMATS:
        if data.startswith(magic):
            raise LogError(
                f"this is {kind}, not a text log.",
                where=source.name,
                mend="Export or unpack the log as CSV.",
            )
    notes: list[str] = []
    if not data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        whole = data.rstrip(b"\0")
        if len(whole) < len(data) and b"\0" not in whole[-2:]:
            tail = len(data) - len(whole)
            if tail > 1:
                notes.append(f"{tail} null bytes at the end of the file were left out.")
                data = whole
    text, encoding = _to_text(data, source.name)
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
