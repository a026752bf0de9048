"""ASAM MDF logs from a stranger: nothing in them is run, and what they declare is not believed."""

from __future__ import annotations

import os
import struct
import subprocess
import sys
import textwrap
import time
import tracemalloc
import warnings
import zlib
from pathlib import Path

import numpy as np
import pytest
from mdf_files import RECORD, Builder, Channel, Plain, plain

from tuneassist.errors import LogError
from tuneassist.reading import read_log
from tuneassist.reading.mdf import blocks as mdf_blocks
from tuneassist.reading.mdf import data as mdf_data
from tuneassist.reading.mdf.formula import (
    MOST_DEPTH,
    MOST_SIGNS,
    MOST_STEPS,
    FormulaError,
    parse_formula,
)

X = np.array([0.0, 1.0, 2.5, -3.0])
RAW = 2000.0 + np.arange(200)
"""What the engine speed's two bytes hold."""


def rpm(conversion) -> np.ndarray:
    return read(plain(conversion)).samples["rpm"].to_numpy()


def read(made: Builder, name: str = "log.mf4"):
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        return read_log(made.save(Path(folder) / name))


def refusal(made: Builder, *, within_s: float = 5.0, within_mib: float = 64.0) -> str:
    """Return the words that a log is refused with, in bounded time and memory."""
    tracemalloc.start()
    start = time.perf_counter()
    try:
        with pytest.raises(LogError) as caught:
            read(made)
        took_s = time.perf_counter() - start
        peak = tracemalloc.get_traced_memory()[1] / 2**20
    finally:
        tracemalloc.stop()
    words = str(caught.value)
    assert took_s < within_s, words
    assert peak < within_mib, words
    assert caught.value.exit_status == 3
    assert len(words) < 600
    assert words.isprintable()
    assert words.startswith("log.mf4")
    return words


# --- formulas -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("formula", "expected"),
    [
        ("X", X),
        ("x1", X),
        ("0.5*X^1", 0.5 * X),
        ("2 + 3*X", 2 + 3 * X),
        ("-X^2", -(X**2)),
        ("X^-1", [np.nan, 1.0, 0.4, -1 / 3]),
        ("2^3^2 + 0*X", np.full(4, 512.0)),
        ("2**3 + X", 8 + X),
        ("(X - 1) / (X + 1)", (X - 1) / (X + 1)),
        ("10 - 4 - 3 + 0*X", np.full(4, 3.0)),
        ("16 / 4 / 2 + 0*X", np.full(4, 2.0)),
        ("1.5e1*X", 15 * X),
        (".5*X", 0.5 * X),
        ("sqrt(abs(X))", np.sqrt(np.abs(X))),
        ("pow(X, 2)", X**2),
        ("exp(ln(4)) + 0*X", np.full(4, 4.0)),
        ("log10(1000) + 0*X", np.full(4, 3.0)),
        ("SIN(X)^2 + cos(X)^2", np.ones(4)),
        ("arctan(1) + 0*X", np.full(4, np.pi / 4)),
        ("7", np.full(4, 7.0)),
        ("--X", X),
        ("14.7 / X", [np.nan, 14.7, 5.88, -4.9]),
        ("10^(200*X)", [1.0, 1e200, np.nan, 0.0]),  # overflows; and 1e-600 is nought
    ],
)
def test_a_formula_gives_what_arithmetic_gives(formula, expected) -> None:
    np.testing.assert_allclose(parse_formula(formula)(X), expected, rtol=1e-12)


@pytest.mark.parametrize(
    ("formula", "why"),
    [
        ("", "its end stands where a number or X should"),
        ("9**9**9**9", "not a finite number"),
        ("9^9^9^9 * X", "not a finite number"),
        ("1/0", "not a finite number"),
        ("1e999", "not a finite number"),
        ('"a"*10**10', "has no meaning"),
        ("X.real", "has no meaning"),
        ("X[0]", "has no meaning"),
        ("[X for X in X]", "has no meaning"),
        ("lambda X", "'lambda' is not known"),
        ("__import__('os')", "has no meaning"),
        ("eval(X)", "'eval' is not known"),
        ("foo(X)", "'foo' is not known"),
        ("log(X)", "log10 and ln are known"),
        ("Y + 1", "'Y' is not known"),
        ("X X", "'X' stands where it should end"),
        ("2X", "'X' stands where it should end"),
        ("(X", "its end stands where '\\)' should"),
        ("X)", "stands where it should end"),
        ("sin X", "stands where '\\(' should"),
        ("pow(X)", "stands where ',' should"),
        ("X +", "its end"),
        ("X & 1", "has no meaning"),
        ("X == 1", "has no meaning"),
        ("0x1F", "'x1F' stands"),
        ("1_000", "has no meaning"),
        ("x\u0661", "has no meaning"),
        ("\u0661", "has no meaning"),
        ("X\0", "has no meaning"),
        ("(" * 100 + "X" + ")" * 100, f"deeper than {MOST_DEPTH}"),
        ("-" * 100 + "X", f"deeper than {MOST_DEPTH}"),
        ("X^" * 100 + "X", f"deeper than {MOST_DEPTH}"),
        ("+".join(["X"] * 100), f"more than {MOST_STEPS} operations"),
        ("1" * 1000, f"longer than {MOST_SIGNS}"),
    ],
)
def test_a_formula_outside_the_grammar_is_refused_at_once(formula, why) -> None:
    start = time.perf_counter()
    with pytest.raises(FormulaError, match=why):
        parse_formula(formula)
    assert time.perf_counter() - start < 0.5


def test_a_formula_at_its_bounds_is_read() -> None:
    assert parse_formula("+".join(["X"] * (MOST_STEPS + 1)))(X).tolist() == (65 * X).tolist()
    inner = MOST_DEPTH - 1
    assert parse_formula("(" * inner + "X" + ")" * inner)(X).tolist() == X.tolist()


PAYLOADS = (  # the first one once ran what it says while a log was only checked
    """("'",X.__init__.__globals__["__builtins__"]["open"]("{marker}","w"),"'")""",
    "eval(\"open('{marker}', 'w')\")",
    'X + eval(\'open("{marker}", "w").close() or 0\')',
    "__import__('os').system('echo > {marker}')",
    "(X, open('{marker}', 'w'))",
    "().__class__.__base__.__subclasses__()",
    "exec(\"open('{marker}', 'w')\")",
)


def nested(made: Builder, formula: str, how: str) -> int:
    """Put a formula behind a table's texts."""
    inner = made.formula(formula)
    if how == "values":
        return made.conversion(7, [1.0], [made.text("one"), inner])
    if how == "ranges":
        return made.conversion(8, [0.0, 1e6], [inner, 0])
    if how == "twice":
        middle = made.conversion(8, [0.0, 1e6], [inner, 0])
        return made.conversion(7, [1.0], [made.text("one"), middle])
    return inner


@pytest.mark.parametrize("how", ["alone", "values", "ranges", "twice"])
@pytest.mark.parametrize("payload", PAYLOADS)
def test_a_formula_that_runs_something_is_refused_with_channel_and_formula(
    tmp_path, payload, how
) -> None:
    marker = tmp_path / "marker"
    formula = payload.format(marker=marker.as_posix())
    words = refusal(plain(lambda made: nested(made, formula, how)))
    assert "'Engine speed'" in words
    assert formula[:12] in words.replace("\\'", "'")
    assert not marker.exists()


CHILD = """
import os, sys, types

marker = {marker!r}

def run(*args, **kwargs):
    open(marker, "w").close()
    raise SystemExit("an evaluating library was reached")

how = {how!r}
if how == "blocked":
    sys.modules.update(numexpr=None, sympy=None, asammdf=None)
if how == "trapped":
    import numexpr  # pandas loads it as well, and asks for its version

    numexpr.evaluate = numexpr.validate = run
    sys.modules["sympy"] = types.ModuleType("sympy")
    sys.modules["sympy"].lambdify = sys.modules["sympy"].symbols = run

from tuneassist.cli.app import main

sys.argv = ["tuneassist", "check", {log!r}]
try:
    main()
except SystemExit as end:
    status = end.code
print("STATUS", status, how, sys.modules.get("asammdf"))
"""


@pytest.mark.parametrize("how", ["as installed", "blocked", "trapped"])
def test_checking_a_log_reaches_no_library_that_evaluates(tmp_path, how) -> None:
    if how == "trapped":
        pytest.importorskip("numexpr")
    marker = tmp_path / "marker"
    formula = PAYLOADS[0].format(marker=marker.as_posix())
    log = plain(lambda made: nested(made, formula, "values")).save(tmp_path / "log.mf4")
    script = CHILD.format(marker=str(marker), how=how, log=str(log))
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(script)],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        env={**os.environ, "COLUMNS": "400"},
    )
    last = done.stdout.strip().splitlines()[-1]
    assert last == f"STATUS 3 {how} None"
    assert "Engine speed" in done.stderr
    assert "Traceback" not in done.stderr
    assert not marker.exists()


def test_a_text_of_the_file_cannot_write_to_the_terminal() -> None:
    words = refusal(plain(lambda made: made.formula("X + \x1b[2J\u202e" + "y" * 150)))
    assert "\\x1b" in words
    assert "\\u202e" in words


# --- conversions ----------------------------------------------------------------------------------


def near(raw: float, line: list[float]) -> int:
    return int(np.argmin(np.abs(np.array(line) - raw)))


KEYS, SPEEDS = [2000.0, 2050.0, 2150.0], [800.0, 900.0, 1300.0]
TABLE = [v for pair in zip(KEYS, SPEEDS, strict=True) for v in pair]
NUMBERS = {
    "linear": (1, [100.0, 0.5], 100.0 + 0.5 * RAW),
    # (P1 x^2 + P2 x + P3) / (P4 x^2 + P5 x + P6), ASAM MDF 4.1, the conversion block
    "rational": (2, [1.0, 2.0, 3.0, 0.0, 0.5, 6.0], (RAW**2 + 2 * RAW + 3) / (0.5 * RAW + 6)),
    "rational, plain": (2, [0.0, 1.0, 0.0, 0.0, 0.0, 4.0], RAW / 4),
    "curve": (4, TABLE, np.interp(RAW, KEYS, SPEEDS)),
    "steps": (5, TABLE, np.array([SPEEDS[near(x, KEYS)] for x in RAW])),
    "ranges": (
        6,
        [2000.0, 2049.0, 900.0, 2050.0, 2099.0, 1000.0, 1100.0],
        np.where(RAW <= 2049, 900.0, np.where(RAW <= 2099, 1000.0, 1100.0)),
    ),
}


@pytest.mark.parametrize("name", NUMBERS)
def test_a_conversion_gives_what_the_standard_says_and_asammdf_too(tmp_path, name) -> None:
    asammdf = pytest.importorskip("asammdf")
    kind, values, expected = NUMBERS[name]
    made = plain(lambda made: made.conversion(kind, values))
    np.testing.assert_allclose(rpm(lambda made: made.conversion(kind, values)), expected)
    if name == "ranges":
        return  # of whole numbers it takes the upper end alone
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with asammdf.MDF(made.save(tmp_path / "a.mf4")) as file:
            np.testing.assert_allclose(file.get("Engine speed").samples, expected)


def test_a_formula_is_worked_out_and_power_is_no_other_thing() -> None:
    np.testing.assert_allclose(rpm(lambda made: made.formula("0.5*X^1 + 10")), 0.5 * RAW + 10)


@pytest.mark.parametrize("kind", [7, 8])
def test_a_text_for_a_special_value_leaves_the_rest_to_the_inner_conversion(kind) -> None:
    def conversion(made: Builder) -> int:
        inner, word = made.formula("X/2"), made.text("n/a")
        keys = [2010.0] if kind == 7 else [2010.0, 2010.0]
        return made.conversion(kind, keys, [word, inner])

    expected = np.where(RAW == 2010, np.nan, RAW / 2)
    np.testing.assert_allclose(rpm(conversion), expected)


def test_texts_that_are_numbers_count_as_those_numbers() -> None:
    def conversion(made: Builder) -> int:
        return made.conversion(8, [0.0, 2099.0], [made.text("1500"), made.text("2500.5")])

    np.testing.assert_allclose(rpm(conversion), np.where(RAW <= 2099, 1500.0, 2500.5))


def test_a_value_that_no_range_holds_is_blank_and_never_raw() -> None:
    found = rpm(lambda made: made.conversion(6, [2000.0, 2099.0, 900.0]))
    np.testing.assert_allclose(found, np.where(RAW <= 2099, 900.0, np.nan))


@pytest.mark.parametrize(
    ("kind", "values", "words"),
    [
        (11, [1.0], "number 11, is not read"),
        (99, [], "number 99, is not read"),
        (9, [1.0], "number 9, does not fit"),
        (1, [1.0], "parameters are missing"),
        (1, [0.0, np.nan], "not finite numbers"),
        (2, [1.0, 0.0, 0.0, 0.0, 0.0, 0.0], "divides by zero"),
        (4, [2.0, 1.0, 1.0, 2.0], "keys of its table do not rise"),
        (4, [], "keys of its table do not rise"),
        (6, [5.0, 1.0, 1.0], "ranges of its table do not rise"),
        (6, [0.0, 5.0, 1.0, 3.0, 9.0, 2.0], "overlap"),
        (7, [1.0, 2.0], "fewer texts than keys"),
        (3, [], "formula '' is not read"),
    ],
)
def test_a_conversion_that_is_not_applied_is_an_error(kind, values, words) -> None:
    said = refusal(plain(lambda made: made.conversion(kind, values)))
    assert words in said
    assert "'Engine speed'" in said


def test_conversions_inside_each_other_end() -> None:
    def circle(made: Builder) -> int:
        place = made.conversion(8, [0.0, 1e6], [0, 0])
        made.link(place, 4, place)
        return place

    def fan(made: Builder) -> int:  # a hundred inside each of a hundred inside ...
        place = made.formula("X")
        for _ in range(4):
            place = made.conversion(7, [float(i) for i in range(100)], [place] * 101)
        return place

    for conversion in (circle, fan):
        assert "inside each other" in refusal(plain(conversion))


def test_a_table_whose_text_is_huge_holds_little_of_it() -> None:
    def conversion(made: Builder) -> int:
        huge = made.text("1" * 4_000_000)
        return made.conversion(7, [float(i) for i in range(60_000)], [huge] * 60_001)

    words = refusal(plain(conversion))
    assert "Engine speed" in words


# --- how values are coded -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("coding", "packed", "expected"),
    [
        ((0, 16, 0), struct.pack("<H", 65535), 65535.0),
        ((1, 16, 0), struct.pack(">H", 513), 513.0),
        ((2, 16, 0), struct.pack("<h", -2), -2.0),
        ((3, 32, 0), struct.pack(">i", -70000), -70000.0),
        ((0, 12, 4), struct.pack("<H", 0xABC5), float(0xABC)),
        ((2, 12, 4), struct.pack("<H", 0xFFF5), -1.0),
        ((1, 12, 2), struct.pack(">H", (0x123 << 2) | 3), float(0x123)),
        ((0, 24, 0), b"\x01\x02\x03", float(0x030201)),
        ((0, 1, 3), b"\x08", 1.0),
        ((0, 64, 0), struct.pack("<Q", 2**63), 2.0**63),
        ((4, 32, 0), struct.pack("<f", 1.5), 1.5),
        ((5, 64, 0), struct.pack(">d", -1.25), -1.25),
        ((4, 16, 0), struct.pack("<e", 0.5), 0.5),
        ((6, 64, 0), b"12.5\0\0\0\0", 12.5),
    ],
)
def test_a_value_is_read_as_it_is_coded(tmp_path, coding, packed, expected) -> None:
    data_type, bits, bit_offset = coding
    made, log = Builder(), Plain()
    whole = log.records().tobytes()
    raw = b"".join(whole[i : i + RECORD] + packed for i in range(0, len(whole), RECORD))
    channels = log.channels()
    channels.append(
        Channel("Torque", RECORD, "N.m", data_type=data_type, bits=bits, bit_offset=bit_offset)
    )
    data = made.add(b"##DT", (), raw)
    made.stream([made.group(channels, records=200, size=RECORD + len(packed))], data)
    path = made.save(tmp_path / "a.mf4")
    assert set(raw_values(path, "Torque")) == {expected}
    if data_type != 6:
        asammdf = pytest.importorskip("asammdf")
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with asammdf.MDF(path) as file:
                assert set(file.get("Torque", raw=True).samples.tolist()) == {expected}


def raw_values(path: Path, name: str) -> list[float]:
    """Read one channel without asking whether it is plausible."""
    from tuneassist.reading.mdf.blocks import Blocks
    from tuneassist.reading.mdf.parts import as_cells
    from tuneassist.reading.mdf.values import decoder

    with path.open("rb") as stream:
        blocks = Blocks(stream, path.name)
        (group,), _ = mdf_blocks.read_groups(blocks)
        channel = next(one for one in group.channels if one.name == name)
        decode = decoder(blocks, group, channel)
        found = [as_cells(decode(r, 0)).numbers for r in mdf_data.read_records(blocks, group)]
    return np.concatenate(found).tolist()


@pytest.mark.parametrize("id_bytes", [1, 2, 4, 8])
@pytest.mark.parametrize("piece", [37, 1 << 20])
def test_groups_that_share_a_stream_are_told_apart(monkeypatch, id_bytes, piece) -> None:
    monkeypatch.setattr(mdf_data, "PIECE", piece)
    made, log = Builder(), Plain()
    whole, stream = log.records().tobytes(), bytearray()
    for i in range(200):
        stream += (7).to_bytes(id_bytes, "little") + whole[RECORD * i : RECORD * (i + 1)]
        if i % 10 == 0:
            stream += (3).to_bytes(id_bytes, "little") + struct.pack("<dd", i * 0.1, 80.0 + i / 100)
        if i % 7 == 0:
            stream += (9).to_bytes(id_bytes, "little") + struct.pack("<I", i) + b"\7" * i
    one = made.group(log.channels(), records=200, size=RECORD, record_id=7)
    slow = [Channel("t", 0, "s", kind=2), Channel("Coolant", 8, "degC")]
    two = made.group(slow, records=20, size=16, record_id=3)
    texts = made.group([], records=29, size=0, flags=1, record_id=9)
    data = made.add(b"##DT", (), bytes(stream))
    made.stream([one, two, texts], data, id_bytes=id_bytes)
    samples = read(made).samples
    np.testing.assert_array_equal(samples["rpm"], RAW)
    coolant = samples["coolant_temp_c"].dropna()
    np.testing.assert_allclose(coolant, 80.0 + np.arange(0, 200, 10) / 100)


def test_channels_of_several_values_or_of_texts_outside_the_record_are_left_out_and_named() -> None:
    extra = [Channel("Note", 0, kind=1), Channel("Picture", 0, data_type=10)]
    log = read(plain(extra=extra))
    assert any("'Note', 'Picture'" in note and "left out" in note for note in log.notes)
    np.testing.assert_array_equal(log.samples["rpm"], RAW)


# --- declared sizes -------------------------------------------------------------------------------

HUGE = 2**62


def packed(block, *, rows: int = 200, size: int = RECORD) -> Builder:
    """Build a log whose records are what the function adds to the file."""
    made, log = Builder(), Plain()
    data = block(made, log.records().tobytes())
    made.stream([made.group(log.channels(), records=rows, size=size)], data)
    return made


def listed(made: Builder, raw: bytes, *, times: int = 1, head: bool = True) -> int:
    half = len(raw) // 2
    parts = [made.zipped(raw[:half]), made.zipped(raw[half:], columns=RECORD)] * times
    body = struct.pack("<B3xI", 0, len(parts)) + bytes(8 * len(parts))
    place = made.add(b"##DL", [0, *parts], body)
    return made.add(b"##HL", [place], bytes(8)) if head else place


def through(codec: str, how: int):
    import pyarrow as pa

    def block(made: Builder, raw: bytes) -> int:
        sink = pa.BufferOutputStream()
        with pa.CompressedOutputStream(sink, codec) as out:
            out.write(raw)
        return made.packed(sink.getvalue().to_pybytes(), len(raw), how=how)

    return block


GOOD = {
    "plain": lambda made, raw: made.add(b"##DT", (), raw),
    "deflated": lambda made, raw: made.zipped(raw),
    "by column": lambda made, raw: made.zipped(raw, columns=RECORD),
    "by column, cut": lambda made, raw: made.zipped(raw + b"rest", columns=RECORD),
    "listed": listed,
    "listed without a head": lambda made, raw: listed(made, raw, head=False),
    "zstd": through("zstd", 2),
    "lz4": through("lz4", 4),
}


@pytest.mark.parametrize("name", GOOD)
@pytest.mark.parametrize("piece", [11, 4096, 1 << 20])
def test_packed_records_read_as_they_were(monkeypatch, name, piece) -> None:
    monkeypatch.setattr(mdf_data, "PIECE", piece * 16 if name == "deflated" else piece)
    samples = read(packed(GOOD[name])).samples
    np.testing.assert_array_equal(samples["rpm"], RAW)
    np.testing.assert_allclose(samples["lambda"], Plain().records()["lam"])


def bomb(size: int) -> bytes:
    """Return packed noughts; what is packed apart may be repeated."""
    work, piece = zlib.compressobj(9), bytes(1 << 20)
    first, again = (work.compress(piece) + work.flush(zlib.Z_FULL_FLUSH) for _ in range(2))
    return first + again * ((size >> 20) - 1)


def circle_of_lists(made: Builder, raw: bytes) -> int:
    place = listed(made, raw, head=False)
    made.link(place, 0, place)
    return place


BAD = {
    "declares more than it holds": (
        lambda made, raw: made.zipped(raw, declared=10 * len(raw)),
        "another size than it declares",
    ),
    "declares less than it holds": (
        lambda made, raw: made.zipped(raw * 10, declared=len(raw) - 5),
        r"records of 26 bytes are declared",
    ),
    "holds more than it declares": (
        lambda made, raw: made.packed(bomb(50 << 20), len(raw) + 1),
        "another size than it declares",
    ),
    "declares without bound": (
        lambda made, raw: made.packed(zlib.compress(raw), HUGE),
        "packed bytes declare",
    ),
    "declares a huge block by column": (
        lambda made, raw: made.packed(zlib.compress(raw), HUGE, how=1, columns=RECORD),
        "in one piece",
    ),
    "a bomb that keeps its word": (
        lambda made, raw: made.packed(bomb(300 << 20), 300 << 20),
        "packed bytes declare",
    ),
    "has columns of nothing": (
        lambda made, raw: made.packed(zlib.compress(raw), len(raw), how=1),
        "columns without a length",
    ),
    "packed in an unknown way": (
        lambda made, raw: made.packed(zlib.compress(raw), len(raw), how=200),
        "number 200",
    ),
    "packed bytes are noise": (
        lambda made, raw: made.packed(b"noise" * 9, len(raw)),
        "cannot be unpacked",
    ),
    "zstd bytes are noise": (
        lambda made, raw: made.packed(b"noise" * 9, len(raw), how=2),
        "cannot be unpacked",
    ),
    "lists one block time and again": (
        lambda made, raw: listed(made, raw, times=10_000),
        "overlap",
    ),
    "lists in a circle": (circle_of_lists, "in a loop|overlap"),
    "records by column": (
        lambda made, raw: made.add(b"##LD", [0, 0], bytes(16)),
        "by column, which is not read",
    ),
    "no records": (lambda made, raw: 0, "0 bytes held"),
}


@pytest.mark.parametrize("name", BAD)
def test_records_whose_sizes_contradict_each_other_are_refused(name) -> None:
    import re

    block, words = BAD[name]
    assert re.search(words, refusal(packed(block)))


@pytest.mark.parametrize(
    ("rows", "size", "words"),
    [
        (HUGE, RECORD, "records of 26 bytes are declared"),
        (201, RECORD, "records of 26 bytes are declared"),
        (HUGE, 0, "does not lie inside the record|records of no bytes"),
        (1, 2**32 - 1, "4,194,304 are read"),
        (200, 25, "does not lie inside the record"),
    ],
)
def test_records_of_a_forged_number_or_length_are_refused(rows, size, words) -> None:
    import re

    assert re.search(words, refusal(packed(GOOD["plain"], rows=rows, size=size)))


def test_more_records_than_bytes_are_refused_and_as_many_are_read(monkeypatch) -> None:
    made = packed(
        lambda made, raw: made.packed(zlib.compress(bytes(9_000 * RECORD)), 9_000 * RECORD)
    )
    monkeypatch.setattr(mdf_data, "FREE_RECORDS", 150)
    struct.pack_into("<Q", made.data, made.data.index(b"##CG") + 24 + 48 + 8, 9_000)
    assert "packed bytes declare 9,000 records" in refusal(made)
    monkeypatch.setattr(mdf_data, "FREE_RECORDS", 9_000)
    assert "declare" not in refusal(made)  # it is refused for what the records hold


@pytest.mark.parametrize("bits", [0, 65, 1000, 2**32 - 1])
@pytest.mark.parametrize("data_type", [0, 4])
def test_a_channel_of_a_forged_width_is_refused(data_type, bits) -> None:
    made, log = Builder(), Plain()
    channels = log.channels()
    channels[1].data_type, channels[1].bits = data_type, bits
    data = made.add(b"##DT", (), log.records().tobytes())
    made.stream([made.group(channels, records=200, size=RECORD)], data)
    refusal(made)


def test_a_text_too_long_to_stand_for_a_number_is_left_out_and_named() -> None:
    made, log = Builder(), Plain(extra=[Channel("Note", 0, data_type=6, bits=2**32 - 1)])
    data = made.add(b"##DT", (), log.records().tobytes())
    made.stream([made.group(log.channels(), records=200, size=RECORD)], data)
    assert any("'Note'" in note for note in read(made).notes)


def test_counts_without_a_byte_in_the_file_make_no_rows() -> None:
    made = Builder()
    channels = [
        Channel(n, 0, k, kind=k2) for n, k, k2 in (("t", "s", 3), ("Engine speed", "rpm", 6))
    ]
    made.stream([made.group(channels, records=HUGE, size=0)], 0)
    assert "records of no bytes" in refusal(made)


def test_a_block_that_claims_more_than_the_file_is_refused_before_it_is_read() -> None:
    for kind in (b"##HD", b"##DG", b"##CG", b"##CN", b"##TX", b"##DT"):
        for offset, number in ((8, HUGE), (16, HUGE), (8, 2**64 - 1), (16, 10**6)):
            made = plain()
            struct.pack_into("<Q", made.data, made.data.index(kind) + offset, number)
            assert "##" in refusal(made) or "block" in refusal(made)


@pytest.mark.parametrize(("kind", "link"), [(b"##DG", 0), (b"##CG", 0), (b"##CN", 0)])
def test_blocks_that_name_themselves_as_the_next_end(kind, link) -> None:
    made = plain()
    place = made.data.index(kind)
    made.link(place, link, place)
    assert "in a loop" in refusal(made)


def test_structures_inside_each_other_end() -> None:
    made = plain()
    place = made.data.index(b"##CN")
    made.link(place, 1, place)  # a channel made of itself
    assert "nested deeper" in refusal(made)


def test_more_channels_than_any_logger_has_are_refused(monkeypatch) -> None:
    monkeypatch.setattr(mdf_blocks, "MOST_CHANNELS", 4)
    assert len(read(plain()).samples) == 200
    monkeypatch.setattr(mdf_blocks, "MOST_CHANNELS", 3)
    assert "more than 3 channels" in refusal(plain())


def test_a_comment_is_read_up_to_a_bound_and_no_entity_in_it_is_expanded() -> None:
    bombs = "".join(f'<!ENTITY a{i} "{f"&a{i - 1};" * 10}">' for i in range(1, 20))
    for words, said in (
        (f"<!DOCTYPE x [{bombs}]><HDcomment><TX>idle &a19; run</TX></HDcomment>", "idle &a19; run"),
        ("<HDcomment><TX>plain &amp; simple</TX></HDcomment>", "plain & simple"),
        ("<HDcomment><TX>" + "x" * 20_000_000, None),
        ("<TX" * 30_000, None),
    ):
        made = plain()
        place = made.add(b"##MD", (), words.encode())
        made.link(made.header, 5, place)
        start = time.perf_counter()
        log = read(made)
        assert time.perf_counter() - start < 5.0
        assert log.preamble == ((said,) if said else ())


@pytest.mark.parametrize("stamp", [np.nan, np.inf, 0.0, 1e300, -1e300])
def test_stamps_that_do_not_run_are_refused(stamp) -> None:
    made, log = Builder(), Plain()
    table = log.records()
    table["t"] = stamp
    data = made.add(b"##DT", (), table.tobytes())
    made.stream([made.group(log.channels(), records=200, size=RECORD)], data)
    refusal(made)


def test_a_fast_group_beside_a_slow_one_is_held_up_to_a_bound(monkeypatch) -> None:
    from tuneassist.reading.mdf import parts as mdf

    made, log = Builder(), Plain()
    data = made.add(b"##DT", (), log.records().tobytes())
    made.stream([made.group(log.channels(), records=200, size=RECORD)], data)
    fast = np.zeros((400_000, 2))
    fast[:, 0] = np.linspace(0.0, 30.0, len(fast))
    fast[:, 1] = 85.0
    channels = [Channel("t", 0, "s", kind=2), Channel("Coolant", 8, "degC")]
    data = made.add(b"##DT", (), fast.tobytes())
    made.stream([made.group(channels, records=len(fast), size=16)], data)
    assert read(made).samples["coolant_temp_c"].notna().all()
    monkeypatch.setattr(mdf, "MOST_HELD", 200_000)
    assert "too many records between two stamps" in refusal(made)
    fast[:, 0] = np.nan
    made.data[data + 24 : data + 24 + fast.nbytes] = fast.tobytes()
    assert "too many records between two stamps" in refusal(made)


@pytest.mark.parametrize("version", ["5.00", "0", "\x1b[2J", ""])
def test_a_version_that_is_not_known_is_named(version) -> None:
    made = plain()
    made.data[8:16] = version.encode().ljust(8, b"\0")
    assert "which is not read" in refusal(made)


def test_marks_of_an_unfinished_file_are_believed() -> None:
    made = plain()
    made.data[60] = 1
    assert "unfinished" in refusal(made)
