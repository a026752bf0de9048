"""Hostile logs: formulas, forged offsets, bombs, expressions that grow, and logs that are long."""

from __future__ import annotations

import gzip
import io
import json
import struct
import warnings
import zlib
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from hostile_box import BOUNDED, REFUSED, Act, Box, Ran
from hostile_list import (
    PETROL,
    SESSION,
    attack,
    each,
    long_csv,
    long_full_load,
    plain_setup,
    repeated,
    samples,
)
from pyarrow import parquet

RPM = "Engine speed (rpm)"
MIB = 1 << 20

# --- formulas in ASAM MDF files -------------------------------------------------------------------


def write_mdf(path: Path, conversion: Any = None, *, rows: int = 4000, on: str = RPM) -> Path:
    """Write a session as MDF 4, one of its channels with a conversion."""
    from asammdf import MDF, Signal

    frame = samples().iloc[:rows]
    stamps = frame["Time (s)"].to_numpy()
    signals = []
    for name in list(frame)[1:]:
        values = frame[name].to_numpy()
        if name == on and conversion is not None:
            values = values.astype(np.int32)
        own = conversion if name == on else None
        signals.append(Signal(values, stamps, name=name, conversion=own))
    with warnings.catch_warnings(), MDF(version="4.10") as file:
        warnings.simplefilter("ignore")
        file.append(signals, common_timebase=True)
        file.save(path, overwrite=True)
    return path


def payload() -> str:
    """Words that pass for a quoted text and run a command."""
    inner = (
        'where.__globals__["__builtins__"]["__import__"]("os")'
        '.system("touch ../marker")'  # relative: the library makes every x of a formula large
    )
    return f'"\'" + str({inner}) + "\'"'


def plain_payload() -> str:
    return '__import__("os").system("touch ../marker")'


def library(box: Box, name: str, text: str) -> Path:
    """Write a module that stands before the installed one."""
    folder = box.root / f"library-{name}"
    folder.mkdir(exist_ok=True)
    (folder / f"{name}.py").write_text(text, encoding="utf-8")
    return folder


def tell_tale(box: Box, *names: str) -> tuple[Path, ...]:
    """Write stand-ins that leave the marker when an expression reaches them."""
    body = (
        "from pathlib import Path\n"
        "def _reached(*args, **kwargs):\n"
        f"    Path({str(box.marker)!r}).touch()\n"
        "    raise ValueError('an expression was evaluated')\n"
    )
    asked_for = "__version__ = '2.99.0'\nset_num_threads = set_vml_num_threads = len\n"
    evaluators = "evaluate = re_evaluate = validate = NumExpr = _reached\n"
    words = {
        "numexpr": body + asked_for + evaluators,
        "sympy": f"{body}lambdify = sympify = _reached\ndef symbols(name): return name\n",
    }
    return tuple(library(box, name, words[name]) for name in names)


def names_formula(*words: str) -> Any:
    """Ask that a message names what is refused."""

    def check(ran: Ran) -> Sequence[str]:
        missing = [word for word in words if word not in ran.err]
        return [f"the message does not name {word!r}" for word in missing]

    return check


def _nested(formula: str, kind: str) -> dict[str, Any]:
    inner = {"formula": formula}
    if kind == "value-to-text":
        return {"val_0": 1, "text_0": "idle", "default_addr": inner}
    if kind == "value-to-formula":
        return {"val_0": 900, "text_0": inner, "default_addr": b"other"}
    if kind == "range-to-text":
        return {"lower_0": 0, "upper_0": 1e5, "text_0": inner, "default_addr": b""}
    if kind == "range-default":
        return {"lower_0": 0, "upper_0": 1, "text_0": b"idle", "default_addr": inner}
    if kind == "twice":
        return {"lower_0": 0, "upper_0": 1e5, "text_0": _nested(formula, "range-to-text")}
    return {"mask_0": 0xFFFF, "text_0": inner, "upper_0": 1e5, "lower_0": 0}


@each(
    "Critical 1",
    "a quoted payload in a formula",
    {
        "check": "check",
        "propose": "propose",
        "coverage": "coverage",
        "runs": "runs",
        "plan": "plan",
    },
)
def mdf_payload(box: Box, command: str) -> Iterable[Act]:
    log = write_mdf(box.work / "a.mf4", {"formula": payload()})
    yield Act(_reading(command, log, plain_setup(box)), REFUSED)


def _reading(command: str, log: Path, setup: Path) -> list[str | Path]:
    """Words of a command that reads a log."""
    extra: dict[str, list[str | Path]] = {
        "check": [log],
        "propose": [log, "--out", "out"],
        "coverage": [log],
        "plan": [log, "--minutes", "20"],
        "runs": ["--before", log, "--after", log],
    }
    return [command, *extra[command], "--setup", setup]


@each(
    "Critical 1",
    "a payload with stand-ins for the libraries that evaluate",
    {"no-sympy": ("numexpr",), "sympy": ("numexpr", "sympy"), "only-sympy": ("sympy",)},
)
def mdf_never_evaluated(box: Box, names: object) -> Iterable[Act]:
    path = tell_tale(box, *names)  # type: ignore[misc]
    for formula in (payload(), plain_payload(), "X*2", "sin(X)"):
        log = write_mdf(box.work / "a.mf4", {"formula": formula})
        yield Act(["check", log], note=formula[:20], path=path)


@attack("Critical 1", "the libraries that evaluate are missing")
def mdf_without_numexpr(box: Box) -> Iterable[Act]:
    path = (library(box, "sympy", "raise ImportError('missing')\n"),)
    log = write_mdf(box.work / "a.mf4", {"formula": plain_payload()})
    yield Act(["check", log], REFUSED, path=path)


@each(
    "Critical 1",
    "a payload inside a table of another kind",
    {
        kind: kind
        for kind in (
            "value-to-text", "value-to-formula", "range-to-text", "range-default", "twice",
            "bitfield",
        )
    },
)  # fmt: skip
def mdf_nested(box: Box, kind: str) -> Iterable[Act]:
    for number, words in enumerate((payload(), plain_payload())):
        log = write_mdf(box.work / f"{number}.mf4", _nested(words, kind))
        yield Act(["check", log, "--setup", plain_setup(box)], REFUSED, note=f"payload {number}")


@attack("Critical 1", "a payload on the time line")
def mdf_payload_on_time(box: Box) -> Iterable[Act]:
    log = write_mdf(box.work / "a.mf4", {"formula": "1*X"}, on="Lambda")
    data = log.read_bytes()
    place = data.index(b"##CC")
    time = _channel_named(data, b"time")
    if time:
        data = data[: time + 56] + struct.pack("<Q", place) + data[time + 64 :]
    log.write_bytes(data)
    yield Act(["check", log], path=tell_tale(box, "numexpr", "sympy"))


def _channel_named(data: bytes, name: bytes) -> int:
    """Return the place of the channel block whose name this is; 0 where there is none."""
    start = -1
    while (start := data.find(b"##CN", start + 1)) >= 0:
        (at,) = struct.unpack_from("<Q", data, start + 24 + 16)
        if data[at + 24 :].startswith(name):
            return start
    return 0


def _is_halved(ran: Ran) -> Sequence[str]:
    """Ask that a formula was worked out or refused, never left out."""
    if ran.status != 0:
        return ()
    for column in json.loads(ran.out)["logs"][0]["columns"]:
        if column["channel"] == "rpm" and column["highest"] > 0.6 * samples()[RPM].max():
            return [f"raw values are read as engine speed (up to {column['highest']:g})"]
    return ()


@each(
    "Critical 2",
    "a conversion that the library drops without a word",
    {
        "power": "0.5*X^1",
        "unknown": "half(X)",
        "syntax": "0.5*X+",
        "name": "0.5*Y",
        "words": "X half",
    },
)
def mdf_dropped(box: Box, formula: str) -> Iterable[Act]:
    log = write_mdf(box.work / "a.mf4", {"formula": formula})
    worked_out = frozenset({0, 3}) if formula == "0.5*X^1" else REFUSED
    words = ["check", log, "--json"]
    yield Act(words, worked_out, must=_is_halved)
    yield Act(words, worked_out, path=(library(box, "sympy", "raise ImportError\n"),))
    if formula != "0.5*X^1":
        yield Act(words, REFUSED, must=names_formula(formula, "Engine speed"))


@each(
    "Critical 2",
    "a formula without bounds",
    {
        "power": "9**9**9**9", "roof": "9^9^9^9", "text": '"a"*10**10', "list": "(1,)*10**9",
        "shift": "1<<10**10", "long": "X" + "+X" * 200_000,
        "deep": "(" * 20_000 + "X" + ")" * 20_000,
        "minus": "-" * 100_000 + "X", "digits": "9" * 500_000,
    },
)  # fmt: skip
def mdf_endless(box: Box, formula: str) -> Iterable[Act]:
    log = write_mdf(box.work / "a.mf4", {"formula": formula})
    yield Act(["check", log], frozenset({0, 3}))


@attack("Critical 2", "Ctrl-C while a formula is worked out")
def mdf_endless_stopped(box: Box) -> Iterable[Act]:
    import signal

    log = write_mdf(box.work / "a.mf4", {"formula": "9**9**9**9"})
    right = frozenset({130})
    yield Act(["check", log], right, signal=signal.SIGINT, after_s=3.0, may_end=True)


# --- forged blocks of ASAM MDF files --------------------------------------------------------------


def _patched(data: bytes, at: int, form: str, *values: int) -> bytes:
    new = struct.pack(form, *values)
    return data[:at] + new + data[at + len(new) :]


def _packed_block(body: bytes, size: int, *, kind: int = 0, param: int = 0) -> bytes:
    length = 48 + len(body)
    head = struct.pack(
        "<4sI2Q2s2BI2Q", b"##DZ", 0, length, 0, b"DT", kind, 0, param, size, len(body)
    )
    return head + body + b"\0" * (-length % 8)


def _blanks(size: int) -> bytes:
    """Pack so many zeros."""
    packer, piece, left, parts = zlib.compressobj(9), bytes(8 * MIB), size, []
    while left > 0:
        parts.append(packer.compress(piece[: min(left, len(piece))]))
        left -= len(piece)
    return b"".join([*parts, packer.flush()])


def mdf_bytes(box: Box) -> bytes:
    return write_mdf(box.work / "basis.mf4").read_bytes()


def _groups(data: bytes) -> tuple[int, int, int]:
    """Places of the first data group, its channel group, and the size of a record."""
    dg = data.index(b"##DG")
    cg = data.index(b"##CG")
    (size,) = struct.unpack_from("<I", data, cg + 96)
    return dg, cg, size


def _with_data(data: bytes, block: bytes, cycles: int) -> bytes:
    """Hang another block under the first group."""
    dg, cg, _ = _groups(data)
    data += b"\0" * (-len(data) % 8)
    place = len(data)
    data = _patched(data, dg + 24 + 16, "<Q", place)
    return _patched(data, cg + 80, "<Q", cycles) + block


def _honest(data: bytes) -> bytes:
    size = 4 << 30
    return _with_data(data, _packed_block(_blanks(size), size), size // _groups(data)[2])


def _lying(data: bytes) -> bytes:
    body = _blanks(4 << 30)
    return _with_data(data, _packed_block(body, 4000), 4000 // _groups(data)[2])


def _transposed(data: bytes) -> bytes:
    size, record = 2 << 30, _groups(data)[2]
    block = _packed_block(_blanks(size), size, kind=1, param=record)
    return _with_data(data, block, size // record)


def _claimed(data: bytes) -> bytes:
    return _with_data(data, _packed_block(_blanks(4000), 1 << 61), 1 << 40)


def _listed_often(data: bytes, *, times: int = 5_000) -> bytes:
    """Name one packed block again and again: some 80 GB of records."""
    record = _groups(data)[2]
    size = (16 * MIB) // record * record
    data += b"\0" * (-len(data) % 8)
    place = len(data)
    data += _packed_block(_blanks(size), size)
    data += b"\0" * (-len(data) % 8)
    links = struct.pack(f"<{times + 1}Q", 0, *([place] * times))
    length = 24 + len(links) + 16
    head = struct.pack("<4sI2Q", b"##DL", 0, length, times + 1)
    tail = struct.pack("<B3sIQ", 1, b"\0" * 3, times, size)
    return _with_data(data, head + links + tail, times * size // record)


def _record(data: bytes, size: int) -> bytes:
    return _patched(data, _groups(data)[1] + 96, "<I", size)


def _cycles(data: bytes, count: int) -> bytes:
    return _patched(data, _groups(data)[1] + 80, "<Q", count)


def _plain_length(data: bytes, length: int) -> bytes:
    at = data.index(b"##DT")
    return _patched(data, at + 8, "<Q", length)


MDF_FORGED: dict[str, Any] = {
    "packed-4-gb": _honest,
    "packed-lies": _lying,
    "packed-transposed": _transposed,
    "packed-claims": _claimed,
    "listed-often": _listed_often,
    "record-2-gb": lambda d: _record(d, 2**31),
    "record-4-gb": lambda d: _record(d, 2**32 - 1),
    "record-0": lambda d: _record(d, 0),
    "record-1": lambda d: _record(d, 1),
    "cycles-huge": lambda d: _cycles(d, 2**40),
    "cycles-most": lambda d: _cycles(d, 2**63 - 1),
    "both": lambda d: _cycles(_record(d, 2**30), 2**33),
    "length-huge": lambda d: _plain_length(_cycles(d, 2**36), 2**42),
    "invalid-bytes": lambda d: _patched(d, _groups(d)[1] + 100, "<I", 2**31),
    "id-length": lambda d: _patched(d, _groups(d)[0] + 56, "<B", 8),
}


@each("Bounds MDF", "a forged block", MDF_FORGED)
def mdf_forged(box: Box, forge: Any) -> Iterable[Act]:
    log = box.work / "bomb.mf4"
    log.write_bytes(forge(mdf_bytes(box)))
    yield Act(["check", log, "--setup", plain_setup(box)], BOUNDED)


# --- forged offsets in Arrow and Feather files ----------------------------------------------------


def arrow_table(kind: str, rows: int = 3000) -> pa.Table:
    """Return a session whose engine speed stands as another type, so that it has offsets."""
    frame = samples().iloc[:rows]
    words = pa.array([f"{value:.0f}" for value in frame[RPM]])
    makers: dict[str, Any] = {
        "string": lambda: words,
        "large-string": lambda: words.cast(pa.large_string()),
        "binary": lambda: words.cast(pa.binary()),
        "large-binary": lambda: words.cast(pa.large_binary()),
        "dictionary": words.dictionary_encode,
        "list": lambda: pa.array([[word] for word in words.to_pylist()]),
        "struct": lambda: pa.StructArray.from_arrays([words], names=["a"]),
        "map": lambda: pa.array(
            [[(word, 1)] for word in words.to_pylist()], pa.map_(pa.string(), pa.int8())
        ),
        "view": lambda: pa.array(
            [word + " rpm or so, that is" for word in words.to_pylist()], pa.string_view()
        ),
        "null": lambda: pa.array([None, *words.to_pylist()[1:]], pa.string()),
    }
    return pa.table({name: makers[kind]() if name == RPM else frame[name] for name in frame})


def arrow_bytes(table: pa.Table, *, is_stream: bool, compression: str | None = None) -> bytes:
    sink = io.BytesIO()
    options = pa.ipc.IpcWriteOptions(compression=compression)
    new = pa.ipc.new_stream if is_stream else pa.ipc.new_file
    with new(sink, table.schema, options=options) as writer:
        writer.write_table(table)
    return sink.getvalue()


def offsets_of(column: Any) -> list[bytes]:
    """Return the integer buffers of an array, as they stand in the file, longest first."""
    chunk = column.chunk(0)
    parts = [chunk, chunk.dictionary] if pa.types.is_dictionary(chunk.type) else [chunk]
    buffers = [b for part in parts for b in part.buffers() if b is not None and b.size > 64]
    return [b.to_pybytes()[: b.size // 8 * 8] for b in buffers]


def forged(data: bytes, table: pa.Table) -> Iterable[tuple[str, bytes]]:
    """Yield copies of a file with numbers forged inside the column's buffers."""
    for number, buffer in enumerate(offsets_of(table.column(RPM))):
        start = data.find(buffer[:64])
        if start < 0:
            continue
        middle, end = start + len(buffer) // 16 * 8, start + len(buffer) - 8
        for name, place, value in (
            ("most in the middle", middle, 2**31 - 1),
            ("negative", middle, -(2**31)),
            ("most at the end", end, 2**31 - 1),
            ("all bits at the start", start, -1),
        ):
            yield f"buffer {number}, {name}", _patched(data, place, "<ii", value, value)


ARROW_KINDS = (
    "string", "large-string", "binary", "large-binary", "dictionary", "list", "struct", "map",
    "view", "null",
)  # fmt: skip


@each("High 3", "forged offsets of an Arrow type", {kind: kind for kind in ARROW_KINDS})
def arrow_offsets(box: Box, kind: str) -> Iterable[Act]:
    table = arrow_table(kind)
    for is_stream in (False, True):
        data = arrow_bytes(table, is_stream=is_stream)
        for number, (note, made) in enumerate(forged(data, table)):
            log = box.work / f"{number}{'.stream' if is_stream else '.feather'}"
            log.write_bytes(made)
            yield Act(["check", log], BOUNDED, note=f"{log.suffix} {note}")


@attack("High 3", "a good log beside a crafted one, on two workers")
def arrow_beside_good(box: Box) -> Iterable[Act]:
    table = arrow_table("string")
    data = arrow_bytes(table, is_stream=False)
    for number, (_, made) in enumerate(forged(data, table)):
        log = box.work / f"bad-{number}.arrow"
        log.write_bytes(made)
        yield Act(
            ["check", SESSION, log, "--workers", "2", "--setup", PETROL],
            frozenset({0, 3}),
            must=_blames(log.name),
        )


def _blames(name: str) -> Any:
    def check(ran: Ran) -> Sequence[str]:
        said = ran.err + ran.out
        if "worker" in ran.err and "die" in ran.err:
            return ["worker processes died of it"]
        return [] if ran.status == 0 or name in said else ["the bad log is not named"]

    return check


@attack("High 3", "forged lengths of rows, buffers and unpacked sizes")
def arrow_lengths(box: Box) -> Iterable[Act]:
    table = arrow_table("string")
    rows = table.num_rows
    for is_stream in (False, True):
        data = arrow_bytes(table, is_stream=is_stream)
        packed = arrow_bytes(table, is_stream=is_stream, compression="zstd")
        made = [(f"rows {n}", data.replace(_q(rows), _q(n))) for n in (-1, 2**40, 2**62, rows + 9)]
        made += [(f"bytes {n}", data.replace(_q(8 * rows), _q(n))) for n in (-1, 2**40, 2**62)]
        made += [(f"unpacked {n}", packed.replace(_q(8 * rows), _q(n))) for n in (-2, 2**40, 2**62)]
        for number, (note, content) in enumerate(made):
            log = box.work / f"{number}{'.stream' if is_stream else '.arrow'}"
            log.write_bytes(content)
            yield Act(["check", log], BOUNDED, note=f"{log.suffix} {note}")


def _q(value: int) -> bytes:
    return struct.pack("<q", value)


# --- bombs ----------------------------------------------------------------------------------------


def _names() -> list[str]:
    return list(samples())


@each("Bounds Arrow", "packed batches that unpack to 6 GB", {"file": False, "stream": True})
def arrow_batch_bomb(box: Box, is_stream: bool) -> Iterable[Act]:
    zeros = pa.array(np.zeros(50_000_000))
    table = pa.table(dict.fromkeys([*_names(), *(f"c{i}" for i in range(10))], zeros))
    log = box.work / "bomb.arrow"
    log.write_bytes(arrow_bytes(table, is_stream=is_stream, compression="zstd"))
    del table, zeros
    yield Act(["check", log, "--setup", plain_setup(box)], BOUNDED)


@attack("Bounds Arrow", "one batch named a thousand times")
def arrow_many_batches(box: Box) -> Iterable[Act]:
    batch = pa.record_batch(_steady(5_000_000))
    log = box.work / "bomb.stream"
    options = pa.ipc.IpcWriteOptions(compression="zstd")
    sink = io.BytesIO()
    with pa.ipc.new_stream(sink, batch.schema, options=options) as writer:
        writer.write_batch(batch)
        start = sink.tell()
        writer.write_batch(batch)
        one = sink.getvalue()[start:]
    head = sink.getvalue()[:start]
    log.write_bytes(head + one * 1000 + b"\xff\xff\xff\xff\0\0\0\0")
    yield Act(["check", log], BOUNDED)


def _steady(rows: int) -> dict[str, Any]:
    """Return columns of an engine that stands still while time goes on."""
    values = (1.0, 2000.0, 80.0, 1.0, 90.0)
    columns = {n: pa.array(np.full(rows, v)) for n, v in zip(_names(), values, strict=True)}
    return columns | {_names()[0]: pa.array(np.arange(rows) / 10.0)}


def _write_parquet(path: Path, columns: dict[str, Any], **options: Any) -> Path:
    parquet.write_table(pa.table(columns), path, **options)
    return path


@each("Bounds Parquet", "6,000 rows that share one long value", {"1-mb": 1, "16-mb": 16})
def parquet_dictionary_bomb(box: Box, mib: int) -> Iterable[Act]:
    rows = 6000
    word = pa.DictionaryArray.from_arrays(pa.array(np.zeros(rows, np.int32)), ["1" * mib * MIB])
    columns = dict.fromkeys(_names(), word)
    log = _write_parquet(box.work / "bomb.parquet", columns, compression="zstd")
    yield Act(["check", log], BOUNDED)
    yield Act(["propose", log, "--setup", plain_setup(box), "--out", "out"], BOUNDED)


@each("Bounds Parquet", "a page that unpacks to much more", {"words": True, "numbers": False})
def parquet_page_bomb(box: Box, is_words: bool) -> Iterable[Act]:
    columns = (
        dict.fromkeys(_names(), pa.array(["1" * 600 * MIB])) if is_words else _steady(60_000_000)
    )
    log = _write_parquet(
        box.work / "bomb.parquet", columns, compression="zstd",
        use_dictionary=False, data_page_size=2**31 - 1, write_batch_size=100_000_000,
        row_group_size=100_000_000, write_statistics=False,
    )  # fmt: skip
    del columns
    yield Act(["check", log], BOUNDED)


def _more_groups(path: Path, times: int) -> Path:
    """Let the footer name the file's one row group so many times."""
    data = path.read_bytes()
    metadata, more = (parquet.ParquetFile(path).metadata for _ in range(2))
    for _ in range(times.bit_length() - 1):
        metadata.append_row_groups(more)
        more = _again(metadata)
    (length,) = struct.unpack("<I", data[-8:-4])
    path.write_bytes(data[: -8 - length] + _footer(metadata))
    return path


def _footer(metadata: Any) -> bytes:
    sink = io.BytesIO()
    metadata.write_metadata_file(sink)
    return sink.getvalue()[4:]


def _again(metadata: Any) -> Any:
    return parquet.read_metadata(io.BytesIO(b"PAR1" + _footer(metadata)))


@attack("Bounds Parquet", "ten thousand million rows in a small file")
def parquet_endless_rows(box: Box) -> Iterable[Act]:
    rows = 5_000_000
    time_s = pa.array(np.zeros(rows))
    columns = dict.fromkeys(_names(), time_s)
    log = _write_parquet(
        box.work / "rows.parquet", columns, compression="zstd", row_group_size=rows
    )
    _more_groups(log, 2048)
    yield Act(["check", log], BOUNDED)


@attack("Bounds Parquet", "a footer that claims more than there is")
def parquet_claims(box: Box) -> Iterable[Act]:
    log = box.work / "basis.parquet"
    parquet.write_table(pa.Table.from_pandas(samples().iloc[:3000]), log)
    data = log.read_bytes()
    for note, length in (("longer than the file", 2**31 - 1), ("all bits", 2**32 - 1), ("none", 0)):
        made = box.work / "claims.parquet"
        made.write_bytes(data[:-8] + struct.pack("<I", length) + b"PAR1")
        yield Act(["check", made], BOUNDED, note=note)


def _frame(piece: bytes, how: str) -> bytes:
    if how == "gzip":
        return gzip.compress(piece, 9, mtime=0)
    return bytes(pa.compress(piece, codec="zstd", asbytes=True))


def write_packed(path: Path, how: str, first: bytes, piece: bytes, times: int) -> Path:
    """Write packed text: its beginning, and then the same piece so many times."""
    head, frame = _frame(first, how), _frame(piece, how)
    with path.open("wb") as stream:
        stream.write(head)
        for _ in range(times):
            stream.write(frame)
    return path


HEAD = b"Time (s),Engine speed (rpm),MAP (kPa),Lambda,Coolant (degC)\n"
ROWS = b"".join(b"%.1f,2000,80,1.0,90\n" % (i / 10.0) for i in range(200))
PIECES: dict[str, tuple[bytes, bytes]] = {
    "blanks": (HEAD + ROWS, b" "),
    "blanks-first": (b"", b" "),
    "empty-lines": (HEAD + ROWS, b"\n"),
    "empty-lines-first": (b"", b"\n"),
    "lines-of-blanks": (HEAD + ROWS, b" " * 99 + b"\n"),
    "rows": (HEAD + ROWS, b"20.0,2000,80,1.0,90\n"),
    "commas": (HEAD + ROWS, b","),
    "zeros": (HEAD + ROWS, b"\0"),
    "quote": (HEAD + ROWS + b'"', b"a"),
    "digits": (HEAD + ROWS, b"1"),
}


@each(
    "Bounds packed",
    "packed text that unpacks to 3 or 100 GB",
    {
        f"{how}-{gb}-gb-{name}": (how, gb, name)
        for how, gb, names in (
            ("zstd", 3, PIECES), ("zstd", 100, ("blanks", "empty-lines", "rows", "blanks-first")),
            ("gzip", 3, ("blanks", "rows")), ("gzip", 100, ("rows",)),
        )
        for name in names
    },
)  # fmt: skip
def packed(box: Box, variant: tuple[str, int, str]) -> Iterable[Act]:
    how, gb, name = variant
    first, word = PIECES[name]
    piece = word * (32 * MIB // len(word))
    log = write_packed(box.work / "log.csv.packed", how, first, piece, gb * 1000 // 32)
    yield Act(["check", log, "--setup", plain_setup(box)], BOUNDED)


@attack("Bounds packed", "plain text on a sparse disk: 100 GB of nothing")
def sparse(box: Box) -> Iterable[Act]:
    log = box.work / "log.csv"
    log.write_bytes(HEAD + ROWS)
    with log.open("r+b") as stream:
        stream.truncate(100 << 30)
    yield Act(["check", log], BOUNDED)


# --- regular expressions that grow ----------------------------------------------------------------


@each(
    "Bounds text",
    "a grid file of blanks",
    {
        "blanks": " " * 3_900_000 + "x", "lines": "\n" * 3_900_000 + "x",
        "tabs-none": "\u2003" * 1_200_000 + "x", "quote": '"' + " " * 3_900_000,
        "letters": "x" * 3_900_000, "blanks-after": "rpm/load" + " " * 3_900_000 + "x",
    },
)  # fmt: skip
def grid_of_blanks(box: Box, text: str) -> Iterable[Act]:
    grid = box.work / "grid.csv"
    grid.write_text(text, encoding="utf-8")
    yield Act(["verify", grid, "--setup", PETROL], REFUSED)


@each(
    "Bounds text",
    "a text in a folder of logs",
    {"lines": b"\n" * 66_000, "blanks": b" " * 66_000, "quotes": b'"' * 66_000,
     "both": b' \n"' * 22_000, "digits": b"1" * 66_000, "lines-of-digits": b"11\n" * 22_000},
)  # fmt: skip
def folder_text(box: Box, text: bytes) -> Iterable[Act]:
    folder = box.work / "logs"
    folder.mkdir()
    (folder / "notes.txt").write_bytes(text)
    (folder / "log.csv").write_bytes(SESSION.read_bytes())
    yield Act(["check", folder], frozenset({0, 3}))


@each(
    "Bounds text",
    "a header that is very long",
    {
        "brackets": "(" * 200_000, "square": "[" * 200_000, "blanks": "a" + " " * 500_000 + "b",
        "pairs": "()" * 100_000, "open-blank": "( " * 100_000, "digits": "1" * 500_000,
        "letters": "aB" * 250_000, "x10": "x10 " * 100_000, "dots": "1." * 100_000,
        "angle": "<" * 300_000, "many": "a,b" * 200_000, "quoted": '"' + "(\n" * 100_000 + '"',
    },
)  # fmt: skip
def long_header(box: Box, header: str) -> Iterable[Act]:
    log = box.work / "log.csv"
    lines = SESSION.read_text(encoding="utf-8").splitlines()[1:2000]
    lines[0] += f",{header}"
    log.write_text("\n".join([lines[0], *(f"{line},1" for line in lines[1:])]), encoding="utf-8")
    yield Act(["check", log], frozenset({0, 3}))
    setup = box.work / "other.toml"
    text = PETROL.read_text(encoding="utf-8")
    setup.write_text(text.replace("Wideband (AFR)", "Narrowband (AFR)"), encoding="utf-8")
    yield Act(["check", log, "--setup", setup], REFUSED)


# --- long logs ------------------------------------------------------------------------------------


@each(
    "Long logs",
    "5,000,000 rows",
    {name: name for name in ("propose", "check", "coverage", "plan")},
)
def long_log(box: Box, command: str) -> Iterable[Act]:
    yield Act(_reading(command, long_csv(box), plain_setup(box)), frozenset({0}))


@attack("Long logs", "5,000,000 rows added to a tune")
def long_rounds_add(box: Box) -> Iterable[Act]:
    box.run("rounds", "start", "tune", "--setup", plain_setup(box))
    yield Act(["rounds", "add", "tune", long_csv(box)], frozenset({0}))


@attack("Long logs", "5,000,000 rows of full load before and after")
def long_runs(box: Box) -> Iterable[Act]:
    before, after = long_full_load(box), box.work / "after.csv"
    after.write_bytes(b"# after\n" + before.read_bytes())
    yield Act(["runs", "--before", before, "--after", after], frozenset({0, 4}))


@attack("Long logs", "5,000,000 rows as a run of a set of tunes")
def long_tunes_check(box: Box) -> Iterable[Act]:
    log = long_full_load(box)
    zeros = Path("zeros.csv")
    box.run("rounds", "start", "tune", "--setup", PETROL)
    (box.work / zeros).write_bytes((box.work / "tune" / "start-grid.csv").read_bytes())
    entry = f'[[tune]]\nname = "{{}}"\nkind = "{{}}"\ngrid = "{zeros}"\nrun = "{log.name}"\n'
    (box.work / log.name).symlink_to(log)
    (box.work / "car.toml").write_bytes(PETROL.read_bytes())
    text = 'setup = "car.toml"\n' + entry.format("a", "standard") + entry.format("b", "power")
    (box.work / "tunes.toml").write_text(text, encoding="utf-8")
    yield Act(["tunes", "check", box.work], frozenset({0, 3, 5}))


@each("Long logs", "one session again and again", {"130-times": 130, "200-times": 200})
def session(box: Box, times: int) -> Iterable[Act]:
    log = repeated(box, times)
    yield Act(["propose", log, "--setup", plain_setup(box), "--out", "out"], frozenset({0}))


@attack("Long logs", "one session named 200 times, as 200 files")
def session_files(box: Box) -> Iterable[Act]:
    folder = box.work / "logs"
    folder.mkdir()
    data = SESSION.read_bytes()
    for number in range(200):
        (folder / f"{number:03}.csv").write_bytes(data + b"\n" * number)
    yield Act(["propose", folder, "--setup", PETROL, "--out", "out"], frozenset({0}))
