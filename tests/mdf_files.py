"""ASAM MDF 4 files built by hand, block by block, so that any byte of them may lie.

Layouts from the ASAM MDF 4.1 standard, written down from memory. asammdf reads files on its own and
finds the same values in them: see the tests of conversions and codings in ``test_hostile_mdf.py``.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import numpy as np

SLOTS = 64  # identification


class Builder:
    """Puts blocks behind each other and knows where each begins."""

    def __init__(self, version: str = "4.10") -> None:
        head = b"MDF     " + version.encode().ljust(8, b"\0") + b"by hand\0" + bytes(4)
        self.data = bytearray((head + struct.pack("<H", 410)).ljust(SLOTS, b"\0"))
        self.header = self.add(b"##HD", [0] * 6, bytes(32))

    def add(self, kind: bytes, links: Sequence[int] = (), data: bytes = b"") -> int:
        """Append a block; returns its place."""
        self.data += bytes(-len(self.data) % 8)
        place = len(self.data)
        length = 24 + 8 * len(links) + len(data)
        self.data += kind + bytes(4) + struct.pack(f"<QQ{len(links)}Q", length, len(links), *links)
        self.data += data
        return place

    def link(self, place: int, number: int, target: int) -> None:
        """Set a link of a block."""
        struct.pack_into("<Q", self.data, place + 24 + 8 * number, target)

    def text(self, words: str | bytes) -> int:
        raw = words if isinstance(words, bytes) else words.encode()
        return self.add(b"##TX", (), raw + b"\0")

    def conversion(
        self, kind: int, values: Sequence[float] = (), refs: Sequence[int] = (), unit: int = 0
    ) -> int:
        head = struct.pack("<BBHHHdd", kind, 0, 0, len(refs), len(values), 0.0, 0.0)
        packed = struct.pack(f"<{len(values)}d", *values)
        return self.add(b"##CC", [0, unit, 0, 0, *refs], head + packed)

    def formula(self, words: str) -> int:
        return self.conversion(3, (), [self.text(words)])

    def zipped(self, raw: bytes, *, columns: int = 0, declared: int | None = None) -> int:
        """Append a deflated block, column by column where columns are given."""
        body = raw
        if columns:
            lines = len(raw) // columns
            table = np.frombuffer(raw, np.uint8, lines * columns).reshape(lines, columns)
            body = table.T.tobytes() + raw[lines * columns :]
        packed = zlib.compress(body, 9)
        size = len(raw) if declared is None else declared
        return self.packed(packed, size, how=int(bool(columns)), columns=columns)

    def packed(self, packed: bytes, declared: int, *, how: int = 0, columns: int = 0) -> int:
        head = struct.pack("<2sBxIQQ", b"DT", how, columns, declared, len(packed))
        return self.add(b"##DZ", (), head + packed)

    def group(
        self,
        channels: Sequence[Channel],
        *,
        records: int,
        size: int,
        invalid: int = 0,
        flags: int = 0,
        record_id: int = 0,
    ) -> int:
        """Append a group of channels; returns its place. Its stream is set by `stream`."""
        first = 0
        for one in reversed(channels):
            first = self.channel(one, first)
        body = struct.pack("<QQHH4xII", record_id, records, flags, 0, size, invalid)
        return self.add(b"##CG", [0, first, 0, 0, 0, 0], body)

    def channel(self, one: Channel, following: int = 0) -> int:
        unit = self.text(one.unit) if one.unit else 0
        body = struct.pack(
            "<BBBBIIIIBBHdddddd",
            *(one.kind, int(one.kind in (2, 3)), one.data_type, one.bit_offset, one.byte_offset),
            *(one.bits, one.flags, one.invalid_bit, 0, 0, 0, *[0.0] * 6),
        )
        links = [following, one.parts, self.text(one.name), 0, one.conversion, 0, unit, 0]
        return self.add(b"##CN", links, body)

    def stream(self, groups: Sequence[int], data: int, *, id_bytes: int = 0) -> int:
        """Append the data group of some channel groups behind the last one."""
        for one, following in pairwise(groups):
            self.link(one, 0, following)
        place = self.add(b"##DG", [0, groups[0], data, 0], bytes([id_bytes]).ljust(8, b"\0"))
        before, number = self.header, 0
        while after := struct.unpack_from("<Q", self.data, before + 24 + 8 * number)[0]:
            before = after
        self.link(before, number, place)
        return place

    def save(self, path: Path) -> Path:
        path.write_bytes(bytes(self.data))
        return path


@dataclass
class Channel:
    """A channel; a real number of 64 bits unless said otherwise."""

    name: str
    byte_offset: int
    unit: str = ""
    kind: int = 0
    data_type: int = 4
    bits: int = 64
    bit_offset: int = 0
    flags: int = 0
    invalid_bit: int = 0
    conversion: int = 0
    parts: int = 0


@dataclass
class Plain:
    """A log of one group, with speed in two bytes so that a conversion may act on it."""

    rows: int = 200
    extra: list[Channel] = field(default_factory=list)

    def records(self) -> np.ndarray:
        rng = np.random.default_rng(1)
        table = np.zeros(
            self.rows, dtype=[("t", "<f8"), ("rpm", "<u2"), ("map", "<f8"), ("lam", "<f8")]
        )
        table["t"] = np.arange(self.rows) * 0.1
        table["rpm"] = 2000 + np.arange(self.rows)
        table["map"] = 60 + rng.normal(0, 0.5, self.rows)
        table["lam"] = 1 + rng.normal(0, 0.01, self.rows)
        return table

    def channels(self, conversion: int = 0) -> list[Channel]:
        return [
            Channel("t", 0, "s", kind=2),
            Channel("Engine speed", 8, "rpm", data_type=0, bits=16, conversion=conversion),
            Channel("MAP", 10, "kPa"),
            Channel("Lambda", 18, "lambda"),
            *self.extra,
        ]


RECORD = 26
"""Bytes of a record of `Plain`."""


def plain(conversion=None, *, rows: int = 200, extra: Sequence[Channel] = ()) -> Builder:
    """Build a log whose engine speed is converted by what the function adds to the file."""
    made, log = Builder(), Plain(rows, list(extra))
    raw = log.records().tobytes()
    address = conversion(made) if conversion else 0
    data = made.add(b"##DT", (), raw)
    group = made.group(log.channels(address), records=rows, size=RECORD)
    made.stream([group], data)
    return made
