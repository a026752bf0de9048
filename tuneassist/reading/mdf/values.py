"""From the bytes of records to a channel's physical values, nan or blank where they are invalid.

The rules of the standard (ASAM MDF 4.1, the ``##CC`` block): linear ``P1 + P2 X``; rational
``(P1 X^2 + P2 X + P3) / (P4 X^2 + P5 X + P6)``; formula; tables with and without interpolation,
whose ends hold outside; ranges to values; values and ranges to texts, each of which may in turn be
a conversion of the raw value; texts to values and to texts. A conversion that is not known here is
never left out: raw values would pass for physical ones.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from tuneassist.errors import LogError
from tuneassist.reading.log import Floats
from tuneassist.reading.mdf.blocks import (
    MASTER,
    VALUE,
    VIRTUAL,
    VIRTUAL_MASTER,
    Blocks,
    MdfChannel,
    MdfGroup,
)
from tuneassist.reading.mdf.data import Bytes2d
from tuneassist.reading.mdf.formula import MOST_SIGNS, FormulaError, parse_formula

Values = npt.NDArray[Any]
"""A channel's values: floats, nan where there is none, or texts."""


Decode = Callable[[Bytes2d, int], Values]
"""From records and the number of the first to values."""

Marks = npt.NDArray[np.bool_]

_WHOLE = range(0, 4)  # coded as whole numbers, odd ones with the high byte first
_SIGNED = (2, 3)
_REAL = (4, 5)
_TEXTS = {6: "latin-1", 7: "utf-8", 8: "utf-16-le", 9: "utf-16-be"}
_HIGH_FIRST = (1, 3, 5)
_BY_COUNT = (VIRTUAL, VIRTUAL_MASTER)
_NONE_VALID, _SAYS_VALID = 1, 2  # bits of a channel's flags
_REAL_BITS = {16: "<f2", 32: "<f4", 64: "<f8"}


def is_readable(channel: MdfChannel) -> bool:
    """Tell whether a channel holds one number or one short text per record."""
    if channel.is_array or channel.is_structure or channel.kind not in (VALUE, MASTER, *_BY_COUNT):
        return False
    is_short = channel.data_type not in _TEXTS or channel.bit_count <= 8 * MOST_WORD
    return (channel.data_type in (*_WHOLE, *_REAL, *_TEXTS) and is_short) or _counts(channel)


def _counts(channel: MdfChannel) -> bool:
    return channel.kind in _BY_COUNT


def decoder(blocks: Blocks, group: MdfGroup, channel: MdfChannel) -> Decode:
    """Return what reads a channel out of records.

    Parameters
    ----------
    blocks
        The file.
    group
        The channel's group.
    channel
        A channel that `is_readable`.

    Raises
    ------
    LogError
        When it lies outside the record, or its coding or conversion is not known.
    """
    is_text = channel.data_type in _TEXTS and not _counts(channel)
    raw = _raw_by_count if _counts(channel) else _raw(blocks, group, channel)
    convert = read_conversion(
        blocks,
        channel.conversion,
        channel=channel.name,
        is_text=is_text,
        is_whole=channel.data_type in _WHOLE or _counts(channel),
    )
    invalid = _invalid(blocks, group, channel)

    def decode(records: Bytes2d, first: int) -> Values:
        with np.errstate(all="ignore"):
            values = convert(raw(records, first))
        values = values.astype(float) if values.dtype.kind != "O" else values
        values[invalid(records)] = "" if values.dtype.kind == "O" else np.nan
        return values

    return decode


def _raw_by_count(records: Bytes2d, first: int) -> Floats:
    return np.arange(first, first + len(records), dtype=float)


def _raw(blocks: Blocks, group: MdfGroup, channel: MdfChannel) -> Decode:
    start, kind = channel.byte_offset, channel.data_type
    count = -(-(channel.bit_offset + channel.bit_count) // 8)
    if not channel.bit_count or start + count > group.data_bytes:
        raise blocks.damaged(f"channel {shown(channel.name)} does not lie inside the record")
    if kind in _TEXTS:
        return lambda records, _: _words(records[:, start : start + count], _TEXTS[kind])
    if kind in _REAL:
        if channel.bit_count not in _REAL_BITS or channel.bit_offset:
            raise blocks.damaged(
                f"channel {shown(channel.name)} is a real number of {channel.bit_count} bits"
            )
        real = _REAL_BITS[channel.bit_count]
        return lambda records, _: (
            _low_first(records, start, count, kind).view(real)[:, 0].astype(float)
        )
    if count > 8 or channel.bit_offset > 7:
        raise blocks.not_read(f"channel {shown(channel.name)} has more than 64 bits, not read")
    return _whole(channel, count)


def _low_first(records: Bytes2d, start: int, count: int, kind: int) -> Bytes2d:
    """Return a channel's bytes, the low one first."""
    part = records[:, start : start + count]
    return np.ascontiguousarray(part[:, ::-1] if kind in _HIGH_FIRST else part)


def _whole(channel: MdfChannel, count: int) -> Decode:
    start, kind, bits = channel.byte_offset, channel.data_type, channel.bit_count

    def decode(records: Bytes2d, _: int) -> Floats:
        wide = np.zeros((len(records), 8), dtype=np.uint8)
        wide[:, :count] = _low_first(records, start, count, kind)
        numbers = wide.view("<u8")[:, 0] >> np.uint64(channel.bit_offset)
        numbers = numbers << np.uint64(64 - bits)  # what stands above it drops out
        if kind in _SIGNED:
            return (numbers.view(np.int64) >> np.int64(64 - bits)).astype(float)
        return (numbers >> np.uint64(64 - bits)).astype(float)

    return decode


def _words(part: Bytes2d, coding: str) -> Values:
    out = np.empty(len(part), dtype=object)
    out[:] = [row.tobytes().decode(coding, "replace").split("\0", 1)[0] for row in part]
    return out


def _invalid(blocks: Blocks, group: MdfGroup, channel: MdfChannel) -> Callable[[Bytes2d], Marks]:
    """Return what tells which records have no valid value of a channel."""
    if channel.flags & _NONE_VALID:
        return lambda records: np.ones(len(records), dtype=bool)
    if not channel.flags & _SAYS_VALID or not group.invalid_bytes:
        return lambda records: np.zeros(len(records), dtype=bool)
    at, bit = divmod(channel.invalid_bit, 8)
    if at >= group.invalid_bytes:
        raise blocks.damaged(
            f"channel {shown(channel.name)} has its mark of validity outside the record"
        )
    place = group.data_bytes + at
    return lambda records: (records[:, place] >> bit & 1).astype(bool)


MOST_NESTED = 100
"""Conversions inside a channel's conversion, each of which costs a pass over the values. [1]"""
MOST_DEPTH = 4
"""Conversions inside each other. [1]"""
MOST_WORD = 64
"""Length of a text that may stand for a value; longer ones are cut and tell nothing. [characters]
"""
MOST_SHOWN = 80
"""Length of a formula or a name in a message. [characters]"""

Convert = Callable[[Values], Values]
"""From raw values, floats or texts, to physical ones, floats or texts."""
Outcome = str | Convert
"""What a table gives: a text, or the conversion of the raw value."""

_HEAD = struct.Struct("<BBHHHdd")
_PLAIN, _LINEAR, _RATIONAL, _FORMULA, _CURVE, _STEPS, _RANGES = range(7)
_VALUE_TEXTS, _RANGE_TEXTS, _TEXT_VALUES, _TEXT_TEXTS = range(7, 11)
_OF_TEXTS = (_TEXT_VALUES, _TEXT_TEXTS)


def shown(words: str) -> str:
    """Return words of the file for a message: short, quoted, control signs spelled out."""
    return repr(words if len(words) <= MOST_SHOWN else words[: MOST_SHOWN - 1] + "…")


def read_conversion(
    blocks: Blocks, address: int, *, channel: str, is_text: bool, is_whole: bool
) -> Convert:
    """Return a channel's conversion.

    Parameters
    ----------
    blocks
        The file.
    address
        Place of the conversion; 0 for none. [bytes]
    channel
        The channel's name, for messages.
    is_text
        Whether raw values are texts.
    is_whole
        Whether they are whole numbers, whose ranges include their upper end.

    Raises
    ------
    LogError
        When the conversion is damaged or not known; a formula is named.
    """
    return _Reader(blocks, channel, is_text, is_whole).convert(address, 0)


class _Reader:
    """Reads the conversion of one channel."""

    def __init__(self, blocks: Blocks, channel: str, is_text: bool, is_whole: bool) -> None:
        self._blocks, self._channel = blocks, channel
        self._is_text, self._is_whole = is_text, is_whole
        self._count = 0
        self._words: dict[int, str] = {}

    def _refused(self, words: str) -> LogError:
        return self._blocks.not_read(
            f"channel {shown(self._channel)} cannot be converted from raw values: {words}"
        )

    def _damaged(self, words: str) -> LogError:
        return self._blocks.damaged(f"the conversion of channel {shown(self._channel)}: {words}")

    def convert(self, address: int, depth: int) -> Convert:
        if not address:
            return _as_it_is
        self._count += 1
        if depth > MOST_DEPTH or self._count > MOST_NESTED:
            raise self._refused(
                f"more than {MOST_NESTED} conversions, or {MOST_DEPTH} inside each other"
            )
        block = self._blocks.read(address, b"##CC", links=4)
        if len(block.data) < _HEAD.size:
            raise self._damaged("its block is too short")
        kind, _, _, ref_count, value_count, _, _ = _HEAD.unpack_from(block.data)
        if len(block.data) < _HEAD.size + 8 * value_count or len(block.links) < 4 + ref_count:
            raise self._damaged("its block is too short for its table")
        if kind in range(_LINEAR, _TEXT_TEXTS + 1) and (kind in _OF_TEXTS) != self._is_text:
            raise self._refused(f"its kind, number {kind}, does not fit such values")
        values = np.frombuffer(block.data, "<f8", value_count, _HEAD.size)
        return self._of_kind(kind, values, block.links[4 : 4 + ref_count], depth)

    def _of_kind(self, kind: int, p: Floats, refs: tuple[int, ...], depth: int) -> Convert:
        works: Mapping[int, Callable[[], Convert]] = {
            _PLAIN: lambda: _as_it_is,
            _LINEAR: lambda: self._polynomial(p, 2),
            _RATIONAL: lambda: self._polynomial(p, 6),
            _FORMULA: lambda: self._formula(refs),
            _CURVE: lambda: self._table(p, is_curve=True),
            _STEPS: lambda: self._table(p, is_curve=False),
            _RANGES: lambda: self._ranges(p),
            _VALUE_TEXTS: lambda: self._texts(p, refs, depth, is_range=False),
            _RANGE_TEXTS: lambda: self._texts(p, refs, depth, is_range=True),
            _TEXT_VALUES: lambda: self._of_texts(p, refs, is_value=True),
            _TEXT_TEXTS: lambda: self._of_texts(p, refs, is_value=False),
        }
        if kind not in works:
            raise self._refused(f"its kind, number {kind}, is not read")
        return works[kind]()

    def _polynomial(self, p: Floats, count: int) -> Convert:
        if len(p) < count or not np.isfinite(p[:count]).all():
            raise self._damaged("its parameters are missing or not finite numbers")
        if count == 2:
            return lambda raw: _finite(p[0] + p[1] * raw)
        if not p[3:6].any():
            raise self._damaged("it divides by zero")
        return lambda raw: _finite(np.polyval(p[:3], raw) / np.polyval(p[3:6], raw))

    def _formula(self, refs: tuple[int, ...]) -> Convert:
        text = self._blocks.text(refs[0], 4 * MOST_SIGNS + 1) if refs else ""
        try:
            return parse_formula(text)
        except FormulaError as error:
            raise self._refused(f"its formula {shown(text)} is not read, for {error}") from error

    def _table(self, p: Floats, *, is_curve: bool) -> Convert:
        keys, values = p[0 : len(p) // 2 * 2 : 2], p[1::2]
        if not len(keys) or not (np.diff(keys) > 0).all() or not np.isfinite(p).all():
            raise self._damaged("the keys of its table do not rise")
        if is_curve:
            return lambda raw: np.interp(raw, keys, values)
        middles = (keys[:-1] + keys[1:]) / 2.0  # in the middle the lower key counts
        return lambda raw: np.where(
            np.isnan(raw), np.nan, values[np.searchsorted(middles, raw, side="left")]
        )

    def _ranges(self, p: Floats) -> Convert:
        count = len(p) // 3
        values = np.append(p[2 : 3 * count : 3], p[3 * count] if len(p) > 3 * count else np.nan)
        find = self._finder(p[0 : 3 * count : 3], p[1 : 3 * count : 3])
        return lambda raw: _finite(np.where(np.isnan(raw), np.nan, values[find(raw)]))

    def _finder(self, low: Floats, high: Floats) -> Callable[[Floats], npt.NDArray[np.intp]]:
        """Return what finds the range of each value; their count where there is none."""
        if np.isnan(low).any() or not (low <= high).all() or not (np.diff(low) > 0).all():
            raise self._damaged("the ranges of its table do not rise")
        if not (low[1:] >= high[:-1]).all():
            raise self._damaged("the ranges of its table overlap")
        is_whole, count = self._is_whole, len(low)

        def find(raw: Floats) -> npt.NDArray[np.intp]:
            if not count:
                return np.zeros(len(raw), dtype=np.intp)
            at = np.searchsorted(low, raw, side="right") - 1
            is_below = raw <= high[at] if is_whole else (raw < high[at]) | (raw == low[at])
            return np.where((at >= 0) & is_below, at, count)

        return find

    def _texts(self, p: Floats, refs: tuple[int, ...], depth: int, *, is_range: bool) -> Convert:
        count = len(p) // 2 if is_range else len(p)
        if len(refs) < count:
            raise self._damaged("its table has fewer texts than keys")
        outcomes = [self._outcome(ref, depth) for ref in refs[: count + 1]]
        outcomes += [""] * (count + 1 - len(outcomes))
        low, high = p[0 : 2 * count : 2], p[1 : 2 * count : 2]
        return _chosen(outcomes, self._finder(low, high) if is_range else _exact(p))

    def _outcome(self, ref: int, depth: int) -> Outcome:
        if ref and self._blocks.bytes_at(ref, 4) == b"##CC":
            return self.convert(ref, depth + 1)
        return self._word(ref)

    def _word(self, ref: int) -> str:
        if ref not in self._words:
            word = self._blocks.text(ref, 4 * MOST_WORD + 4)
            self._words[ref] = word if len(word) <= MOST_WORD else word[: MOST_WORD - 1] + "…"
        return self._words[ref]

    def _of_texts(self, p: Floats, refs: tuple[int, ...], *, is_value: bool) -> Convert:
        count = len(refs) if is_value else len(refs) // 2
        keys = [self._word(ref) for ref in (refs if is_value else refs[0 : 2 * count : 2])]
        if is_value:
            if len(p) < count:
                raise self._damaged("its table has fewer values than texts")
            table = dict(zip(keys, p[:count].tolist(), strict=True))
            default = float(p[count]) if len(p) > count else np.nan
            return lambda raw: np.array([table.get(word, default) for word in raw], dtype=float)
        words = dict(zip(keys, (self._word(ref) for ref in refs[1 : 2 * count : 2]), strict=True))
        last = self._word(refs[-1]) if len(refs) % 2 else ""
        return lambda raw: _objects([words.get(word, last or word) for word in raw])


def _as_it_is(raw: Values) -> Values:
    return raw


def _finite(values: Floats) -> Floats:
    return np.where(np.isfinite(values), values, np.nan)


def _exact(keys: Floats) -> Callable[[Floats], npt.NDArray[np.intp]]:
    order = np.argsort(keys, kind="stable")
    line = keys[order]

    def find(raw: Floats) -> npt.NDArray[np.intp]:
        if not len(line):
            return np.zeros(len(raw), dtype=np.intp)
        at = np.minimum(np.searchsorted(line, raw), len(line) - 1)
        return np.where(line[at] == raw, order[at], len(line))

    return find


def _chosen(outcomes: Sequence[Outcome], find: Callable[[Floats], npt.NDArray[np.intp]]) -> Convert:
    """Return what gives each value its text, or what the conversion in its place makes of it."""
    words = _objects(["" if callable(one) else one for one in outcomes])
    inner = [(place, one) for place, one in enumerate(outcomes) if callable(one)]

    def convert(raw: Values) -> Values:
        where = find(raw)
        out: Values = words[where]
        for place, one in inner:
            at = np.flatnonzero(where == place)
            if len(at):
                out[at] = as_texts(one(raw[at]))
        return out

    return convert


def as_texts(values: Values) -> Values:
    """Return numbers as the shortest text that stands for each; blank where there is none."""
    if values.dtype.kind == "O":
        return values
    out: Values = values.astype("U32").astype(object)
    out[np.isnan(values)] = ""
    return out


def _objects(words: Sequence[str]) -> Values:
    out = np.empty(len(words), dtype=object)
    out[:] = words
    return out
