"""What the messages of an Arrow stream declare: rows and sizes, before anything is unpacked.

The layout of a message is that of Arrow's ``Message.fbs``: flat tables whose fields are found
through a list of places. pyarrow has checked that they lie within the message; only the few fields
that tell sizes are read here.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Any

_DICTIONARY, _BATCH = 2, 3  # MessageHeader of Message.fbs
_UNPACKED = -1  # a buffer's length where a packing did not pay


@dataclass(frozen=True)
class Declared:
    """What one message says of itself.

    Parameters
    ----------
    rows
        Rows of the batch. [rows]
    size
        What its buffers come to, unpacked. [bytes]
    is_packed
        They are packed, so that memory is taken for all of them.
    dictionary
        Number of the dictionary that it carries; None for a batch of the table.
    is_delta
        It adds to that dictionary.
    """

    rows: int
    size: int
    is_packed: bool
    dictionary: int | None = None
    is_delta: bool = False


class _Flat:
    """A flat table at a place of a message."""

    def __init__(self, data: memoryview, at: int) -> None:
        self._data, self._at = data, at
        self._fields = at - self._one("<i", at)

    def _one(self, form: str, at: int) -> int:
        if at < 0:
            raise ValueError("a place before the message")
        return int(struct.unpack_from(form, self._data, at)[0])

    def _place(self, field: int) -> int:
        """Return where a field is, 0 where it is left out."""
        entry = 4 + 2 * field
        if entry >= self._one("<H", self._fields):
            return 0
        offset = self._one("<H", self._fields + entry)
        return self._at + offset if offset else 0

    def number(self, field: int, form: str) -> int:
        at = self._place(field)
        return self._one(form, at) if at else 0

    def table(self, field: int) -> _Flat | None:
        at = self._place(field)
        return _Flat(self._data, at + self._one("<I", at)) if at else None

    def pairs(self, field: int) -> list[tuple[int, int]]:
        """Return a list of pairs of long integers."""
        at = self._place(field)
        if not at:
            return []
        start = at + self._one("<I", at)
        count = self._one("<I", start)
        body = self._data[start + 4 : start + 4 + 16 * count]
        return list(struct.iter_unpack("<qq", body))


def declared(message: Any) -> Declared | None:
    """Read what a message declares; None where it carries no rows.

    Parameters
    ----------
    message
        A ``pyarrow.ipc.Message``.

    Raises
    ------
    ValueError
        When a size is negative or lies outside the message.
    struct.error
        When the message is cut.
    """
    data = memoryview(message.metadata).cast("B")
    said = _Flat(data, struct.unpack_from("<I", data)[0])
    kind, header = said.number(1, "<B"), said.table(2)
    if kind not in (_DICTIONARY, _BATCH) or header is None:
        return None
    batch = header.table(1) if kind == _DICTIONARY else header
    if batch is None:
        return None
    is_packed = batch.table(3) is not None
    body = memoryview(b"") if message.body is None else memoryview(message.body).cast("B")
    size = sum(_size(body, *place, is_packed=is_packed) for place in batch.pairs(2))
    rows = batch.number(0, "<q")
    if rows < 0:
        raise ValueError(f"a batch of {rows} rows")
    if kind == _BATCH:
        return Declared(rows, size, is_packed)
    return Declared(rows, size, is_packed, header.number(0, "<q"), bool(header.number(2, "<B")))


def _size(body: memoryview, offset: int, length: int, *, is_packed: bool) -> int:
    """Return what a buffer comes to; a packed one begins with it."""
    if offset < 0 or length < 0 or offset + length > len(body):
        raise ValueError("a buffer outside its message")
    if not is_packed or not length:
        return length
    size = int(struct.unpack_from("<q", body, offset)[0])
    if size < _UNPACKED:
        raise ValueError(f"a buffer of {size} bytes")
    return length - 8 if size == _UNPACKED else size
