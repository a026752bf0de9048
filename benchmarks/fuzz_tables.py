"""Valid Arrow, Feather, Parquet and MDF logs of many kinds, with numbers forged where they matter.

Damage at random rarely leaves a file that is read beyond its head. Here one field of a valid file
says something else: an offset, a length, a count, a link to another block.
"""

from __future__ import annotations

import io
import re
import struct
import tempfile
import warnings
import zlib
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

NAMES = ("Time (s)", "Engine speed (rpm)", "MAP (kPa)", "Lambda", "Coolant (degC)")
NUMBERS = (
    -(2**63), -(2**40), -(2**31), -2, -1, 0, 1, 2, 7, 255, 2**15, 2**16, 2**31 - 1, 2**31, 2**32,
    2**40, 2**48, 2**62, 2**63 - 1,
)  # fmt: skip
FORMULAS = (
    "X*2", "0.5*X^1", "X/0", "(X", "X**9**9", "sqrt(X)", "Y", "", "9**9**9", "X1+X2", "1e999*X",
    "X if X else 1", "__import__", "-" * 300 + "X", "(" * 300 + "X" + ")" * 300, "\u00d72", "X\0",
)  # fmt: skip
ROWS = 400


def numbers(count: int) -> dict[str, Any]:
    """Return a short log that can be read: speed, load and lambda that stand and move."""
    i = np.arange(count)
    return {
        "Time (s)": i / 10.0,
        "Engine speed (rpm)": 2000.0 + 500.0 * (i // 100),
        "MAP (kPa)": 60.0 + 10.0 * (i // 200),
        "Lambda": 1.0 + 0.01 * np.sin(i),
        "Coolant (degC)": np.full(count, 90.0),
    }


# --- Arrow, Feather, Parquet ----------------------------------------------------------------------


def _odd(values: Any, kind: int) -> Any:
    """Return a column as another type, so that it has offsets, indices or children."""
    import pyarrow as pa

    plain = pa.array(values)
    words = pa.array([f"{value:g}" for value in values])
    makers = (
        lambda: plain,
        lambda: words,
        lambda: words.cast(pa.large_string()),
        lambda: words.cast(pa.binary()),
        words.dictionary_encode,
        lambda: pa.array([[word] for word in words.to_pylist()]),
        lambda: pa.StructArray.from_arrays([words], names=["a"]),
        lambda: pa.array([f"{word} or so, as it was read" for word in words.to_pylist()]).cast(
            pa.string_view()
        ),
        lambda: plain.cast(pa.decimal128(20, 4), safe=False),
        lambda: plain.cast(pa.float32()).cast(pa.float16()),
        lambda: pa.array([None if i % 3 else w for i, w in enumerate(words.to_pylist())]),
        lambda: pa.nulls(len(values)),
        lambda: plain.cast(pa.int64(), safe=False).cast(pa.timestamp("ns")),
        lambda: plain.cast(pa.int64(), safe=False).cast(pa.duration("ms")),
        lambda: pa.RunEndEncodedArray.from_arrays([len(values)], [1.0]),
        lambda: pa.array([[1.0, 2.0]] * len(values), pa.list_(pa.float64(), 2)),
    )
    return makers[kind % len(makers)]()


def _table(rng: np.random.Generator) -> Any:
    import pyarrow as pa

    columns = {}
    for name, values in numbers(ROWS).items():
        kind = int(rng.integers(0, 16)) if rng.random() < 0.5 else 0
        columns[name] = _odd(values, kind)
    return pa.table(columns)


def _arrow(rng: np.random.Generator, *, is_stream: bool) -> bytes:
    import pyarrow as pa

    table = _table(rng)
    packing = (None, "zstd", "lz4")[rng.integers(3)]
    sink = io.BytesIO()
    new = pa.ipc.new_stream if is_stream else pa.ipc.new_file
    options = pa.ipc.IpcWriteOptions(compression=packing)
    with new(sink, table.schema, options=options) as writer:
        writer.write_table(table, max_chunksize=int(rng.choice([50, 1000])))
    return sink.getvalue()


def _parquet(rng: np.random.Generator) -> bytes:
    import pyarrow as pa
    from pyarrow import parquet

    table = _table(rng)
    plain = [
        i for i, field in enumerate(table.schema)
        if not str(field.type).startswith(("halffloat", "run_end", "string_view"))
    ]  # fmt: skip
    table, sink = table.select(plain), io.BytesIO()
    options = {
        "compression": str(rng.choice(["none", "snappy", "gzip", "zstd"])),
        "use_dictionary": bool(rng.integers(2)),
        "data_page_version": str(rng.choice(["1.0", "2.0"])),
        "data_page_size": int(rng.choice([100, 10_000])),
        "row_group_size": int(rng.choice([100, 1000])),
        "write_page_checksum": bool(rng.integers(2)),
    }
    try:
        parquet.write_table(table, sink, **options)
    except (pa.ArrowException, OSError):
        parquet.write_table(pa.table(numbers(ROWS)), sink)
    return sink.getvalue()


def _forge_number(data: bytes, rng: np.random.Generator) -> bytes:
    """Replace a whole number where it is aligned: one that looks like a length, as a rule."""
    size = int(rng.choice([4, 8]))
    words = np.frombuffer(data[: len(data) // size * size], dtype=f"<i{size}")
    fitting = np.flatnonzero((words > 0) & (words < 100_000))
    if not len(fitting) or rng.random() < 0.1:
        fitting = np.arange(len(words))
    if not len(fitting):
        return data
    at = int(rng.choice(fitting)) * size
    value = NUMBERS[rng.integers(len(NUMBERS))] % 2 ** (8 * size)
    if rng.random() < 0.3:
        value = (int(words[at // size]) + int(rng.integers(-9, 10))) % 2 ** (8 * size)
    return data[:at] + value.to_bytes(size, "little") + data[at + size :]


def _forge_footer(data: bytes, rng: np.random.Generator) -> bytes:
    """Change bytes of a Parquet file's footer or of a page's head."""
    (length,) = struct.unpack("<I", data[-8:-4])
    out = bytearray(data)
    start = len(data) - 8 - length
    for _ in range(int(rng.integers(1, 4))):
        low, high = (start, len(data) - 8) if rng.random() < 0.7 else (4, min(60, start))
        out[int(rng.integers(low, max(low + 1, high)))] = int(rng.integers(256))
    return bytes(out)


# --- MDF ------------------------------------------------------------------------------------------


@lru_cache(maxsize=32)
def _mdf(kind: int, formula: int) -> bytes:
    """Write a log as MDF 4 with conversions of several kinds, packed or not."""
    from asammdf import MDF, Signal

    conversions = (
        None, {"a": 0.5, "b": 1.0}, {"formula": FORMULAS[formula]},
        {"raw_0": 0, "phys_0": 0, "raw_1": 9000, "phys_1": 4500, "interpolation": True},
        {"lower_0": 0, "upper_0": 1e4, "text_0": {"formula": FORMULAS[formula]},
         "default_addr": b""},
        {"val_0": 2000, "text_0": "idle", "default_addr": b"-"},
        {"P1": 0.0, "P2": 1.0, "P3": 0.0, "P4": 0.0, "P5": 0.0, "P6": 2.0},
    )  # fmt: skip
    columns = numbers(ROWS)
    stamps = columns.pop("Time (s)")
    signals = [
        Signal(
            values.astype(np.int32) if name.startswith("Engine") else values, stamps, name=name,
            conversion=conversions[kind % 7] if name.startswith("Engine") else None,
        )
        for name, values in columns.items()
    ]  # fmt: skip
    with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        path = Path(folder) / "t.mf4"
        with MDF(version="4.10") as file:
            file.append(signals[:2], common_timebase=True)
            file.append(signals[2:], common_timebase=bool(kind % 2))
            file.save(path, overwrite=True, compression=kind % 3)
        return path.read_bytes()


def _blocks(data: bytes) -> list[int]:
    return [found.start() for found in re.finditer(rb"##[A-Z][A-Z]", data)]


def _forge_block(data: bytes, rng: np.random.Generator) -> bytes:
    """Change one field of a block: a link, a length, a count, a size, a flag."""
    places = _blocks(data)
    if not places:
        return data
    at = int(rng.choice(places))
    (length,) = struct.unpack_from("<Q", data, at + 8)
    span = int(min(max(length, 32), 200))
    out, kind = bytearray(data), rng.random()
    if kind < 0.35:  # a link to another block
        place = at + 24 + 8 * int(rng.integers(0, max(1, (span - 24) // 8)))
        out[place : place + 8] = struct.pack("<Q", int(rng.choice(places)))
    elif kind < 0.7:
        size = int(rng.choice([1, 2, 4, 8]))
        place = at + 8 + size * int(rng.integers(0, max(1, (span - 8) // size)))
        value = NUMBERS[rng.integers(len(NUMBERS))] % 2 ** (8 * size)
        out[place : place + size] = value.to_bytes(size, "little")
    else:
        out[at + int(rng.integers(0, span))] = int(rng.integers(256))
    return bytes(out[: len(data)])


def _swollen_block(data: bytes, rng: np.random.Generator) -> bytes:
    """Hang a packed block of many zeros, or of a forged size, under a group."""
    groups = [found.start() for found in re.finditer(rb"##DG", data)]
    counts = [found.start() for found in re.finditer(rb"##CG", data)]
    if not groups or not counts:
        return data
    size = int(2 ** rng.uniform(8, 27))
    body = zlib.compress(bytes(size), 9)
    said = size if rng.random() < 0.5 else int(2 ** rng.uniform(0, 62))
    data += b"\0" * (-len(data) % 8)
    out = bytearray(data)
    struct.pack_into("<Q", out, int(rng.choice(groups)) + 40, len(data))
    struct.pack_into("<Q", out, int(rng.choice(counts)) + 80, int(2 ** rng.uniform(0, 50)))
    kind = int(rng.integers(0, 3))
    head = struct.pack(
        "<4sI2Q2s2BI2Q", b"##DZ", 0, 48 + len(body), 0, b"DT", kind, 0, 8, said, len(body)
    )
    return bytes(out) + head + body


# --- a case ---------------------------------------------------------------------------------------


def forged_log(rng: np.random.Generator) -> tuple[str, bytes]:
    """Return name and bytes of a log with something forged in it."""
    kind = int(rng.integers(0, 5))
    if kind >= 3:
        try:
            data = _mdf(int(rng.integers(0, 14)), int(rng.integers(0, len(FORMULAS))))
        except ImportError:
            kind = 0
        else:
            for _ in range(int(rng.integers(0, 4))):
                data = _forge_block(data, rng)
            return "forged.mf4", _swollen_block(data, rng) if rng.random() < 0.15 else data
    if kind == 2:
        data = _parquet(rng)
        forge = _forge_footer if rng.random() < 0.7 else _forge_number
        return "forged.parquet", forge(data, rng)
    data = _arrow(rng, is_stream=kind == 1)
    for _ in range(int(rng.integers(0, 4))):
        data = _forge_number(data, rng)
    return ("forged.stream" if kind else "forged.feather"), data
