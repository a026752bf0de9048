"""From a path to bytes: what kind of file it is, unpacked as it is read, with its hash.

A log may be longer than memory, so that bytes come in pieces. The hash is of the file as it lies
on the disk, packed or not.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from contextlib import ExitStack
from pathlib import Path
from types import MappingProxyType, TracebackType
from typing import IO, Any, Literal, Protocol, TypeVar

from tuneassist.errors import LogError
from tuneassist.inert import inert
from tuneassist.reading.bounds import check_unpacked

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
    """What wants to be closed."""

    def close(self) -> None:
        """Let go of the file."""


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
            raise LogError("there is no such file.", where=str(self.path), ends_job=True) from error
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
