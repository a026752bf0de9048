"""Raw bytes of OBD responses (SAE J1979, ISO 15031-5, mode 01) to values.

The paid standard was not seen. The formulas are those on which the diagnostic layer of scapy 2.x
and two public tables of parameter identifiers agree; the meaning of the "equivalence ratio" and the
formulas of parameters 0D, 23, 42, 45, 49 and 5C are from memory.

Known pitfalls: 2/65536 is not rounded to 0.0000305; air flow has two bytes; and the parameters
called "equivalence ratio" hold lambda (above 1 is lean), not its reciprocal.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.errors import SetupError
from tuneassist.reading.log import Cells, Floats

_RESPONSE_HEAD = "41"  # a response to mode 01 repeats the mode plus 0x40, and the parameter


@dataclass(frozen=True)
class Parameter:
    """One parameter identifier.

    Parameters
    ----------
    size
        Bytes of a response. [1]
    unit
        Unit word of the value.
    channels
        Channels that it can serve.
    formula
        From bytes, shape (n, size), to values, shape (n,).
    """

    size: int
    unit: str
    channels: tuple[str, ...]
    formula: Callable[[Floats], Floats]


def _word(b: Floats) -> Floats:
    return np.asarray(256.0 * b[:, 0] + b[:, 1])


def _share(b: Floats) -> Floats:
    return np.asarray(b[:, 0] * 100.0 / 255.0)


def _celsius(b: Floats) -> Floats:
    return np.asarray(b[:, 0] - 40.0)


def _trim(b: Floats) -> Floats:
    """Positive adds fuel."""
    return np.asarray((b[:, 0] - 128.0) * 100.0 / 128.0)


def _plain(b: Floats) -> Floats:
    return np.asarray(b[:, 0])


def _lambda(b: Floats) -> Floats:
    """Return 1/32768 per step: the standard's 2/65536, exact in binary."""
    return _word(b) * 2.0 / 65536.0


def _table() -> dict[int, Parameter]:
    short, long = ("fuel_trim_short",), ("fuel_trim_long",)
    found = {
        0x04: Parameter(1, "percent", ("load",), _share),
        0x05: Parameter(1, "degC", ("coolant_temp",), _celsius),
        0x06: Parameter(1, "percent", short, _trim),
        0x07: Parameter(1, "percent", long, _trim),
        0x08: Parameter(1, "percent", short, _trim),
        0x09: Parameter(1, "percent", long, _trim),
        0x0B: Parameter(1, "kPa", ("manifold_pressure", "load"), _plain),
        0x0C: Parameter(2, "rpm", ("rpm",), lambda b: _word(b) / 4.0),
        0x0D: Parameter(1, "km/h", ("vehicle_speed",), _plain),
        0x0F: Parameter(1, "degC", ("intake_temp",), _celsius),
        0x10: Parameter(2, "g/s", ("load",), lambda b: _word(b) / 100.0),
        0x11: Parameter(1, "percent", ("throttle",), _share),
        0x23: Parameter(2, "kPa", ("rail_pressure",), lambda b: _word(b) * 10.0),
        0x33: Parameter(1, "kPa", ("barometer",), _plain),
        0x42: Parameter(2, "V", ("battery_volts",), lambda b: _word(b) / 1000.0),
        0x43: Parameter(2, "percent", ("load",), lambda b: _word(b) * 100.0 / 255.0),
        0x44: Parameter(2, "lambda", ("lambda_target",), _lambda),
        0x45: Parameter(1, "percent", ("throttle",), _share),
        0x49: Parameter(1, "percent", ("pedal",), _share),
        0x5C: Parameter(1, "degC", ("oil_temp",), _celsius),
    }
    sensors = (*range(0x24, 0x2C), *range(0x34, 0x3C))
    return found | {pid: Parameter(4, "lambda", ("lambda",), _lambda) for pid in sensors}


PARAMETERS: Mapping[int, Parameter] = MappingProxyType(_table())
"""Parameter identifier to what it holds; those that no channel here can use are left out."""


def parameter(raw: str, *, channel: str, where: str) -> tuple[int, Parameter]:
    """Read a parameter identifier of the setup, such as "0C" or "0x0C".

    Raises
    ------
    SetupError
        If the parameter is unknown, or cannot be this channel.
    """
    key = f"channels.{channel}.raw"
    try:
        pid = int(raw, 16)
    except ValueError:
        pid = -1
    if pid not in PARAMETERS:
        known = ", ".join(f"{number:02X}" for number in PARAMETERS)
        raise SetupError(
            f"{key} is {raw!r}, which is not a known parameter.",
            where=where,
            mend=f"Known, in hexadecimal: {known}.",
        )
    found = PARAMETERS[pid]
    if channel not in found.channels:
        raise SetupError(
            f"{key} is {raw!r}: parameter {pid:02X} is {' or '.join(found.channels)}, not "
            f"{channel}.",
            where=where,
            mend="Name the column under the right channel.",
        )
    return pid, found


def decode_responses(cells: Cells, pid: int, *, is_hex: bool) -> Cells:
    """Turn logged responses into values.

    Parameters
    ----------
    cells
        The column: bytes in hexadecimal, A first ("1A F8", "0x1AF8", or with the response's head
        "41 0C 1A F8"), or one whole number 256 A + B.
    pid
        The parameter.
    is_hex
        Whether it is hexadecimal. This is not guessed: "26" is 38 in one and 26 in the other.

    Returns
    -------
    Cells
        Values; a cell of another length is counted as text.

    Examples
    --------
    >>> raw = Cells(np.full(2, np.nan), pd.Series(["1A F8", "410C1AF8"]))
    >>> decode_responses(raw, 0x0C, is_hex=True).numbers.tolist()
    [1726.0, 1726.0]
    """
    found = PARAMETERS[pid]
    if not is_hex:
        return _from_numbers(cells, found)
    words = cells.words if cells.words is not None else pd.Series([""] * len(cells.numbers))
    text = words.fillna("").str.strip().str.replace(r"0[xX]|[\s:_-]", "", regex=True).str.upper()
    head = f"{_RESPONSE_HEAD}{pid:02X}"
    digits = 2 * found.size
    is_whole_response = text.str.startswith(head) & (text.str.len() == digits + len(head))
    text = text.where(~is_whole_response, text.str[len(head) :])
    is_bytes = text.str.fullmatch(rf"[0-9A-F]{{{digits}}}").to_numpy(dtype=bool)
    values = np.full(len(text), np.nan)
    values[is_bytes] = found.formula(_bytes_of("".join(text[is_bytes]), found.size))
    return _counted(values, is_bytes | text.eq("").to_numpy(dtype=bool), words)


def _bytes_of(text: str, size: int) -> Floats:
    return np.frombuffer(bytes.fromhex(text), dtype=np.uint8).reshape(-1, size).astype(float)


def _from_numbers(cells: Cells, found: Parameter) -> Cells:
    numbers = cells.numbers
    is_whole = (numbers >= 0) & (numbers < 256.0**found.size) & (numbers == np.floor(numbers))
    whole = np.where(is_whole, numbers, 0.0).astype(np.uint64)
    shifts = 8 * np.arange(found.size - 1, -1, -1, dtype=np.uint64)
    parts = ((whole[:, None] >> shifts) & np.uint64(255)).astype(float)
    values = np.where(is_whole, found.formula(parts), np.nan)
    words = cells.words if cells.words is not None else pd.Series(numbers).astype(str)
    is_fine = is_whole | (np.isnan(numbers) & (cells.text_count == 0))
    return _counted(values, is_fine, words)


def _counted(values: Floats, is_fine: npt.NDArray[np.bool_], words: pd.Series[str]) -> Cells:
    wrong = np.flatnonzero(~is_fine)
    example = (int(wrong[0]), str(words.iloc[wrong[0]])) if len(wrong) else (0, "")
    return Cells(values, words, len(wrong), example)
