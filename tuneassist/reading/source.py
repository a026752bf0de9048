"""From a path to bytes: file kind, decompression, hash and size limits.

A log may be larger than memory, so bytes come in pieces. The hash is that of the file on the disk,
compressed or not. A malicious file may decompress to far more than any log holds; the size is
therefore limited by the file's size on the disk, and every reader checks here before it allocates
memory.
"""

from __future__ import annotations

import hashlib
import queue
import threading
from collections.abc import Iterator, Mapping
from contextlib import ExitStack
from pathlib import Path
from types import MappingProxyType, TracebackType
from typing import IO, Any, Generic, Literal, Protocol, TypeVar

from tuneassist.errors import LogError
from tuneassist.inert import inert

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
            f"the file holds {in_words(MOST_UNUSED_BYTES)} or more of zero bytes only.",
            where=name,
            mend="Cut it after its last row, or export the log again.",
        )


def check_row_count(rows: int, *, name: str) -> None:
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
            mend="Export the sessions one at a time, or with fewer rows per second.",
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


Kind = Literal["text", "parquet", "arrow", "stream", "mdf"]

_PACKED: Mapping[bytes, str] = MappingProxyType({b"\x1f\x8b": "gzip", b"\x28\xb5\x2f\xfd": "zstd"})
_TABLES: Mapping[bytes, Kind] = MappingProxyType(
    {
        b"PAR1": "parquet",
        b"ARROW1": "arrow",
        b"\xff\xff\xff\xff": "stream",
        b"MDF ": "mdf",
        b"UnFinMF ": "mdf",
    }
)
_OTHER_FORMATS: Mapping[bytes, str] = MappingProxyType(
    {
        b"PK\x03\x04": "a zip archive or a workbook",
        b"\xd0\xcf\x11\xe0": "a workbook in the old binary form",
        b"%PDF": "a PDF document",
        b"FEA1": "a Feather file of the old version 1",
    }
)
MAGIC_BYTES = 8
_PIECE = 1 << 20


class Closable(Protocol):
    """Anything that can be closed."""

    def close(self) -> None:
        """Close the file."""


_Closing = TypeVar("_Closing", bound=Closable)


class _Hashing:
    """A file whose bytes are hashed as they are read."""

    closed = False

    def __init__(self, stream: IO[bytes]) -> None:
        self._stream = stream
        self.count = 0
        self.hash = hashlib.sha256()

    def read(self, size: int = -1, /) -> bytes:
        data = self._stream.read(size)
        self.hash.update(data)
        self.count += len(data)
        return data

    def readable(self) -> bool:
        return True

    def close(self) -> None:
        self._stream.close()


class Source:
    """A log file, open for reading from its start.

    Parameters
    ----------
    path
        The file.

    Raises
    ------
    LogError
        When it is missing, a folder, empty, no log, or may not be read.
    """

    def __init__(self, path: str | Path) -> None:
        self.path = Path(path)
        self.name = inert(self.path.name)
        self._file: _Hashing | None = None
        self._kept = ExitStack()
        head = self._head()
        self._size = self.path.stat().st_size
        self.packing = _packing(head)
        self.kind: Kind = "text"
        if self.packing:
            self._refuse_packed_table()
        else:
            self.kind = _kind_of(head, self.name)

    def _head(self) -> bytes:
        if self.path.is_dir():
            raise LogError(
                "this is a folder, not a log file.",
                where=str(self.path),
                mend="Name the files in it.",
            )
        try:
            with self.path.open("rb") as stream:
                head = stream.read(MAGIC_BYTES)
        except FileNotFoundError as error:
            raise LogError(
                "there is no such file.", where=str(self.path), stops_run=True
            ) from error
        except (OSError, ValueError) as error:
            raise LogError(f"the file cannot be read ({error}).", where=str(self.path)) from error
        if not head:
            raise empty(self.name)
        return head

    def _refuse_packed_table(self) -> None:
        with self as unpacked:
            head = unpacked.read(MAGIC_BYTES)
        if not head:
            raise empty(self.name)
        if _packing(head) or _kind_of(head, self.name) != "text":
            raise LogError(
                "the archive holds another archive or a binary table.",
                where=self.name,
                mend="Unpack the log first; packed logs are read as text only.",
            )

    def __enter__(self) -> Source:
        self._file = _Hashing(self.path.open("rb"))
        self._bytes: Any = self._file
        if self.packing:
            import pyarrow as pa

            self._unpacked = 0
            self._bytes = pa.CompressedInputStream(pa.PythonFile(self._file, "r"), self.packing)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        place: TracebackType | None,
    ) -> None:
        self._kept.close()
        if self._file is not None:
            self._file.close()

    def keep_open(self, reader: _Closing) -> _Closing:
        """Close a library's own reader of the file together with the file; returns the reader."""
        self._kept.callback(reader.close)
        return reader

    def read(self, size: int) -> bytes:
        """Return the next bytes, unpacked; fewer than ``size`` only at the end."""
        pieces: list[bytes] = []
        missing = size
        try:
            while missing > 0 and (piece := self._bytes.read(min(missing, 16 * _PIECE))):
                pieces.append(piece)
                missing -= len(piece)
                self._check_unpacked(len(piece))
        except OSError as error:
            if self.packing:
                raise LogError(
                    f"the {self.packing} archive is damaged: it cannot be unpacked.",
                    where=self.name,
                    mend="Copy or export the log again.",
                ) from error
            raise LogError(f"the file cannot be read ({error}).", where=self.name) from error
        return pieces[0] if len(pieces) == 1 else b"".join(pieces)

    def _check_unpacked(self, more: int) -> None:
        if self.packing and self._file is not None:
            self._unpacked += more
            check_unpacked(self._unpacked, self._file.count, name=self.name)

    @property
    def share(self) -> float:
        """Share of the file's bytes that has been read."""
        read = self._file.count if self._file else 0
        return min(1.0, read / max(1, self._size))

    def sha256(self) -> str:
        """Hash of the whole file, what has not been read included."""
        assert self._file is not None
        while self._file.read(_PIECE):
            pass
        return self._file.hash.hexdigest()


def empty(name: str) -> LogError:
    """Return the error for a file without a row."""
    return LogError("the file is empty.", where=name, mend="Export the log again.")


def _packing(head: bytes) -> str | None:
    return next((how for magic, how in _PACKED.items() if head.startswith(magic)), None)


def _kind_of(head: bytes, name: str) -> Kind:
    for magic, kind in _OTHER_FORMATS.items():
        if head.startswith(magic):
            raise LogError(
                f"this is {kind}, not a log.",
                where=name,
                mend="Export or unpack the log as CSV.",
            )
    found = (kind for magic, kind in _TABLES.items() if head.startswith(magic))
    return next(found, "text")


_T = TypeVar("_T")


class Prefetcher(Generic[_T]):
    """Fetches what an iterator yields in a thread of its own, from the moment it is entered.

    Parameters
    ----------
    items
        The iterator; what it raises is raised where the item would have come.
    depth
        Items that wait at most; memory is bounded by them. [1]

    Examples
    --------
    >>> with Prefetcher(iter("abc"), depth=2) as letters:
    ...     "".join(letters)
    'abc'
    """

    def __init__(self, items: Iterator[_T], *, depth: int) -> None:
        self._items = items
        self._waiting: queue.Queue[tuple[list[_T], BaseException | None]] = queue.Queue(depth)
        self._is_left = threading.Event()
        self._thread = threading.Thread(target=self._fetch, name="reading ahead", daemon=True)

    def __enter__(self) -> Prefetcher[_T]:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        place: TracebackType | None,
    ) -> None:
        self._is_left.set()
        self._thread.join()

    def __iter__(self) -> Iterator[_T]:
        while True:
            found, error = self._waiting.get()
            if error is not None:
                raise error
            if not found:
                return
            yield found[0]

    def _fetch(self) -> None:
        try:
            for item in self._items:
                if not self._put(([item], None)):
                    return
        except BaseException as error:
            self._put(([], error))
        self._put(([], None))

    def _put(self, item: tuple[list[_T], BaseException | None]) -> bool:
        while not self._is_left.is_set():
            try:
                self._waiting.put(item, timeout=0.1)
            except queue.Full:
                continue
            return True
        return False
