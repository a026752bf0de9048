"""From the bytes of records to a channel's physical values, nan or blank where they are invalid."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from tuneassist.reading.log import Floats
from tuneassist.reading.mdf_blocks import Blocks
from tuneassist.reading.mdf_conversions import MOST_WORD, read_conversion, shown
from tuneassist.reading.mdf_data import Bytes2d
from tuneassist.reading.mdf_groups import (
    MASTER,
    VALUE,
    VIRTUAL,
    VIRTUAL_MASTER,
    MdfChannel,
    MdfGroup,
)
from tuneassist.reading.records import Values

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
