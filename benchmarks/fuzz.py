"""Mutated logs, setups and tune folders: no traceback, no hang, no flood of memory, no lie.

Run ``python benchmarks/fuzz.py --minutes 10``. A case follows from its number, by a generator that
is seeded with it. There are four kinds, and ``--only`` picks some of them:

``log``     a sample log of any format, damaged at random
``forged``  a valid Arrow, Feather, Parquet or MDF log of which one field says something else
``setup``   a setup with other values, keys and sections; what it proposes must pass ``verify``
``tune``    a tune's folder with changed, swapped, missing and linked files, against the commands
            that take one; what is accepted or added must pass ``verify``

A child process tries one case after the other; the parent ends it when a case takes longer than
``--seconds``. What a case may end with is a result, one of the package's own errors, or an exit
status of the contract. Anything else is saved, with the words of what happened, and the run goes
on behind it. A tune's times and marks differ from run to run, so that what was saved is to be
tried rather than the number. Finds that were mended live on in ``tests/corpus``.
"""

from __future__ import annotations

import argparse
import contextlib
import gzip
import io
import subprocess
import sys
import tempfile
import threading
import time
import traceback
import warnings
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from tuneassist.settings import Setup

HERE = Path(__file__).resolve().parent
if str(HERE) not in sys.path:  # this file may have been loaded by its path
    sys.path.insert(0, str(HERE))

from fuzz_day import SUFFIX as DAY  # noqa: E402
from fuzz_day import attempt_day, mutated_day  # noqa: E402
from fuzz_folders import SUFFIXES, attempt_folder, mutated_setup, mutated_tune  # noqa: E402
from fuzz_tables import forged_log  # noqa: E402

SAMPLES = HERE.parent / "sample_logs"
MAX_SECONDS, MAX_MIB = 10.0, 1024.0
KINDS = ("log", "forged", "setup", "tune", "day")
SHARES = (0.35, 0.27, 0.1, 0.16, 0.12)
"""How often each kind is tried. [1]"""
MEMORY_BYTES = 6 << 30
"""Address space of a child, where the system can bound it: a bomb is not to take all. [B]"""
Bytes = Callable[[bytes, np.random.Generator], bytes]

TOKENS = (
    b"", b"nan", b"inf", b"-inf", b"1e308", b"-1e308", b"1e-320", b"-0", b"9" * 400, b"0x1F",
    b"1,5", b"1.234,5", b"1,234.5", b'"', b'""', b'"1"', b"'", b";", b",", b"\t", b"|", b"\n",
    b"\r", b"\r\n", b"\0", b"\xff\xfe", b"\xef\xbb\xbf", b"\x1a", b"sep=;", b"-9999", b"65535",
    b"true", b"12:34:56", b"25:61:99", b"2024-02-30 10:00:00", b"1:00 PM", b"#DIV/0!", b"%",
    b"\xc3\xa9", b"\xe2\x88\x92" b"5", b"RPM", b"Lambda", b"Time (ms)", b"MAP (psig)", b"()", b"[",
)  # fmt: skip


# --- what is mutated ------------------------------------------------------------------------------


@lru_cache(maxsize=1)
def basis() -> tuple[tuple[str, bytes], ...]:
    """Return sample logs of every format, cut short: name and bytes."""
    import pyarrow as pa
    from pyarrow import csv, feather, parquet

    petrol = b"\n".join((SAMPLES / "petrol-session-1.csv").read_bytes().split(b"\n")[:2500])
    van = b"\n".join((SAMPLES / "van-session-1.csv").read_bytes().split(b"\n")[:2500])
    table = csv.read_csv(io.BytesIO(petrol), read_options=csv.ReadOptions(skip_rows=1))
    made = [("petrol.csv", petrol), ("van.csv", van), ("short.csv", petrol[:4000])]
    made.append(("wide.csv", petrol[:60_000].decode().encode("utf-16")))
    clock = b"Time,RPM,MAP,Lambda\n" + b"".join(
        b"10:%02d:%05.2f,%d,%d,0.9%d\n"
        % (i // 600, i / 10 % 60, 2000 + i % 900, 60 + i % 40, i % 9)
        for i in range(2000)
    )
    made += [("clock.csv", clock), ("packed.csv.gz", gzip.compress(petrol, mtime=0))]
    for name, write in (("t.parquet", parquet.write_table), ("t.arrow", feather.write_feather)):
        sink = io.BytesIO()
        write(table, sink)
        made.append((name, sink.getvalue()))
    stream = io.BytesIO()
    with pa.ipc.new_stream(stream, table.schema) as writer:
        writer.write_table(table)
    made.append(("t.stream", stream.getvalue()))
    return (*made, *_typed(), *_mdf(table))


def _typed() -> list[tuple[str, bytes]]:
    """Make tables with columns of every type that a log may have, packed and plain."""
    import pyarrow as pa
    from pyarrow import parquet

    place = np.arange(3000)
    wave = np.sin(place / 20.0)
    texts = pa.array([f"{value:.3f}" for value in 0.95 + 0.05 * wave])
    table = pa.table(
        {
            "Time": pa.array(1_700_000_000_000_000 + place * 50_000).cast(pa.timestamp("us")),
            "RPM": pa.array((3000 + 900 * wave).astype("int16")),
            "MAP (kPa)": pa.array([f"{value:.1f}" for value in 60 + 20 * wave], pa.large_string()),
            "Lambda": texts.dictionary_encode(),
            "Coolant (degC)": pa.array(np.where(place % 9, 90.0, np.nan), from_pandas=True),
            "Knock": pa.array(place % 2 == 0),
            "Gear": pa.nulls(len(place)),
            "Throttle": pa.array([[value] for value in wave]),
        }
    )
    made = []
    for packing in (None, "zstd"):
        for name, new in (("arrow", pa.ipc.new_file), ("stream", pa.ipc.new_stream)):
            sink = io.BytesIO()
            options = pa.ipc.IpcWriteOptions(compression=packing)
            with new(sink, table.schema, options=options) as writer:
                writer.write_table(table, max_chunksize=1700)
            made.append((f"typed-{packing}.{name}", sink.getvalue()))
        sink = io.BytesIO()
        parquet.write_table(table, sink, compression=packing or "none", row_group_size=1700)
        made.append((f"typed-{packing}.parquet", sink.getvalue()))
    return made


def _mdf(table: object) -> list[tuple[str, bytes]]:
    try:
        from asammdf import MDF, Signal
    except ImportError:
        return []
    with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        path = Path(folder) / "t.mf4"
        with MDF(version="4.10") as file:
            names = table.schema.names  # type: ignore[attr-defined]
            stamps = table[names[0]].to_numpy()  # type: ignore[index]
            file.append([Signal(table[n].to_numpy(), stamps, name=n) for n in names[1:]])  # type: ignore[index]
            file.save(path, overwrite=True)
        return [("t.mf4", path.read_bytes())]


# --- how it is mutated ----------------------------------------------------------------------------


def _place(data: bytes, rng: np.random.Generator) -> int:
    """Pick a place, near the head as often as anywhere: there the layout is found."""
    end = len(data) + 1
    return int(rng.integers(0, min(end, 700) if rng.random() < 0.5 else end))


def _span(data: bytes, rng: np.random.Generator) -> tuple[int, int]:
    start = _place(data, rng)
    return start, start + int(2 ** rng.uniform(0, 14))


def flip(data: bytes, rng: np.random.Generator) -> bytes:
    out = bytearray(data)
    for _ in range(int(2 ** rng.uniform(0, 7))):
        if out:
            out[min(_place(data, rng), len(out) - 1)] = int(rng.integers(256))
    return bytes(out)


def drop(data: bytes, rng: np.random.Generator) -> bytes:
    start, end = _span(data, rng)
    return data[:start] + data[end:]


def double(data: bytes, rng: np.random.Generator) -> bytes:
    start, end = _span(data, rng)
    return data[:end] + data[start:end] * int(2 ** rng.uniform(0, 5)) + data[end:]


def move(data: bytes, rng: np.random.Generator) -> bytes:
    start, end = _span(data, rng)
    rest, to = data[:start] + data[end:], _place(data, rng)
    return rest[:to] + data[start:end] + rest[to:]


def token(data: bytes, rng: np.random.Generator) -> bytes:
    for _ in range(int(2 ** rng.uniform(0, 5))):
        at, word = _place(data, rng), TOKENS[rng.integers(len(TOKENS))]
        data = data[:at] + word + data[at + int(rng.integers(0, 8)) :]
    return data


def forge(data: bytes, rng: np.random.Generator) -> bytes:
    """Write whole numbers that sizes, offsets and places must not have."""
    out = bytearray(data)
    for _ in range(int(2 ** rng.uniform(0, 3))):
        width = int(rng.choice([4, 8]))
        at = _place(data, rng) // width * width
        least, most = -(2 ** (8 * width - 1)), 2 ** (8 * width - 1) - 1
        some = (least, most, -1, 0, 1, 2**31 - 1, len(data), int(rng.integers(least, most)))
        number = some[rng.integers(len(some))]
        out[at : at + width] = number.to_bytes(width, "little", signed=True)
    return bytes(out[: len(data)])


def cells(data: bytes, rng: np.random.Generator) -> bytes:
    """Give a run of cells of one column another content."""
    mark = (b",", b";", b"\t")[rng.integers(3)]
    lines = data.split(b"\n")
    column, word = int(rng.integers(0, 9)), TOKENS[rng.integers(len(TOKENS))]
    start = int(rng.integers(0, len(lines)))
    for i in range(start, min(len(lines), start + int(2 ** rng.uniform(0, 12)))):
        parts = lines[i].split(mark)
        if column < len(parts):
            parts[column] = word if rng.random() < 0.9 else parts[column][::-1]
            lines[i] = mark.join(parts)
    return b"\n".join(lines)


def column(data: bytes, rng: np.random.Generator) -> bytes:
    """Scale, repeat, empty or freeze a whole column."""
    mark = (b",", b";")[rng.integers(2)]
    lines = [line.split(mark) for line in data.split(b"\n")]
    at, kind = int(rng.integers(0, 9)), int(rng.integers(5))
    factor = float(rng.choice([1e-6, 1e-3, -1.0, 1e3, 1e9]))
    for row in lines[2:]:
        if at < len(row):
            if kind == 0:
                try:
                    row[at] = f"{float(row[at]) * factor:g}".encode()
                except ValueError:
                    continue
            elif kind == 1:
                row.append(row[at])
            elif kind == 2:
                row[at] = b""
            elif kind == 3:
                row[at] = lines[min(5, len(lines) - 1)][0]
            else:
                row[at] = b"%d" % rng.integers(0, 10**6)
    return b"\n".join(mark.join(row) for row in lines)


def lines(data: bytes, rng: np.random.Generator) -> bytes:
    """Shuffle, reverse or repeat lines."""
    rows = data.split(b"\n")
    start = int(rng.integers(0, len(rows)))
    end = start + int(2 ** rng.uniform(0, 12))
    part = rows[start:end]
    kind = int(rng.integers(4))
    if kind == 0:
        part = [part[i] for i in rng.permutation(len(part))]
    elif kind == 1:
        part = part[::-1]
    elif kind == 2:
        part = part * int(2 ** rng.uniform(0, 6))
    else:
        part = [b""] * len(part)
    return b"\n".join([*rows[:start], *part, *rows[end:]])


def cut(data: bytes, rng: np.random.Generator) -> bytes:
    return data[: _place(data, rng)]


def other(data: bytes, rng: np.random.Generator) -> bytes:
    """Go on as another log, after a cut."""
    _, more = basis()[rng.integers(len(basis()))]
    return data[: _place(data, rng)] + more[_place(more, rng) :]


def packed(data: bytes, rng: np.random.Generator) -> bytes:
    return gzip.compress(data, 1, mtime=0) if rng.random() < 0.5 else data.replace(b"\n", b"\r\n")


def swollen(data: bytes, rng: np.random.Generator) -> bytes:
    """Make it long: up to some 20 MB of the same."""
    if rng.random() < 0.9:
        return data
    start, end = _span(data, rng)
    part = data[start:end]
    return data[:end] + part * min(int(2 ** rng.uniform(4, 18)), 20_000_000 // max(1, len(part)))


MUTATIONS: tuple[Bytes, ...] = (
    forge, flip, drop, double, move, token, token, cells, cells, column, lines, cut, other, packed,
    swollen,
)  # fmt: skip


def damaged(data: bytes, rng: np.random.Generator) -> bytes:
    """Damage a text at random."""
    some = MUTATIONS[:-2]
    return some[rng.integers(len(some))](data, rng)


@dataclass(frozen=True)
class Case:
    """One mutated log, setup or tune.

    Parameters
    ----------
    number
        Everything follows from it.
    name
        The sample's name; its suffix tells nothing to the program, and to `attempt` whether this
        is an archive with a setup or a tune.
    data
        The log, or the archive.
    """

    number: int
    name: str
    data: bytes


def kind_of(number: int) -> str:
    return str(np.random.default_rng([2027, number]).choice(KINDS, p=SHARES))


def case(number: int) -> Case:
    rng, kind = np.random.default_rng([2026, number]), kind_of(number)
    if kind == "forged":
        return Case(number, *forged_log(rng))
    if kind == "setup":
        return Case(number, "case.setup", mutated_setup(rng, damaged))
    if kind == "tune":
        return Case(number, "case.tune", mutated_tune(rng, damaged))
    if kind == "day":
        return Case(number, f"case{DAY}", mutated_day(rng, damaged))
    name, data = basis()[rng.integers(len(basis()))]
    is_table = not name.endswith(".csv")
    for _ in range(int(rng.integers(1, 5))):
        some = MUTATIONS[:5] if is_table and rng.random() < 0.8 else MUTATIONS
        data = some[rng.integers(len(some))](data, rng)
    return Case(number, name, data)


# --- what it must stand ---------------------------------------------------------------------------


def attempt(path: Path, number: int = 0) -> str:
    """Try a case as the program would, in one of several ways.

    Returns
    -------
    str
        Empty when it ended in a result or an error of the package, and nothing was printed on the
        way; else the traceback, or what was printed.
    """
    if path.suffix in (*SUFFIXES, DAY):
        try:
            return (attempt_day if path.suffix == DAY else attempt_folder)(path, number)
        except Exception:
            return traceback.format_exc()
    from tuneassist.errors import TuneassistError
    from tuneassist.files.setup_file import read_setup

    car = read_setup(SAMPLES / ("van-setup.toml" if number % 5 == 4 else "petrol-setup.toml"))
    if number % 2:
        car = replace(car, channels={})
    if number % 3 == 2:
        car = replace(car, steady=replace(car.steady, estimate_rows=1000))
    said, words = io.StringIO(), ""
    try:
        with contextlib.redirect_stdout(said):
            _go(path, number, car)
    except TuneassistError as error:
        words = f"an error of several lines: {error}" if "\n" in str(error) else ""
    except Exception:
        words = traceback.format_exc()
    return words or (f"printed: {said.getvalue()}" if said.getvalue() else "")


def _go(path: Path, number: int, car: Setup) -> None:
    from tuneassist.grid import Grid
    from tuneassist.parallel import LogFile, reduce_file
    from tuneassist.pipeline import propose_from
    from tuneassist.reading import LogReader

    if number % 7 == 6:
        reader = LogReader(path)
        list(reader.parts())
        reader.log()
    else:
        found = reduce_file(LogFile(path, path.name), car)
        propose_from([found.evidence], setup=car, current=Grid.zeros(car.axes))


def peak_mib() -> float:
    """Largest resident memory so far; nan where the system does not tell."""
    try:
        import resource
    except ImportError:
        return float("nan")
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def bound_memory() -> None:
    """Let an allocation fail that would take the computer; only where the system can."""
    with contextlib.suppress(ImportError, ValueError, OSError):
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))


def child(first: int, step: int, only: list[str]) -> None:
    """Try cases until the parent ends this, and say each number before and after."""
    warnings.simplefilter("ignore")
    bound_memory()
    with tempfile.TemporaryDirectory() as folder:
        number = first
        while True:
            if only and kind_of(number) not in only:
                number += step
                continue
            made = case(number)
            path = Path(folder) / made.name
            path.write_bytes(made.data)
            print(f"try {number}", flush=True)
            words = attempt(path, number)
            if not words and peak_mib() > MAX_MIB:
                words = f"memory of {peak_mib():.0f} MiB"
            print(f"done {number} {words!r}", flush=True)
            if peak_mib() > 0.8 * MAX_MIB:  # start afresh, so that the next case is judged alone
                return
            number += step


# --- the run --------------------------------------------------------------------------------------


class Watch:
    """Listens to a child and knows what it is at and since when."""

    def __init__(self, first: int, step: int, only: list[str]) -> None:
        words = [sys.executable, __file__, "--child", str(first), "--step", str(step)]
        words += [word for kind in only for word in ("--only", kind)]
        self.process = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
        self.number, self.since, self.is_trying = first, time.monotonic(), False
        self.cases, self.finds = 0, list[tuple[int, str]]()
        self._ear = threading.Thread(target=self._listen, daemon=True)
        self._ear.start()

    def _listen(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            word, _, rest = line.strip().partition(" ")
            number, _, words = rest.partition(" ")
            self.number, self.since = int(number), time.monotonic()
            self.is_trying = word == "try"
            self.cases += word == "done"
            if words.strip("'\""):
                self.finds.append((self.number, words))

    def end(self) -> None:
        """Stop the child and hear the rest of what it said."""
        self.process.kill()
        self.process.wait()
        self._ear.join()


def save(folder: Path, number: int, words: str) -> None:
    made = case(number)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{number}-{made.name}").write_bytes(made.data)
    with (folder / "finds.txt").open("a", encoding="utf-8") as stream:
        stream.write(f"{number} {made.name}: {words}\n")
    print(f"case {number} ({made.name}): {words[-300:]}", flush=True)


def run(asked: argparse.Namespace) -> int:
    """Try cases for some minutes; returns the number of finds."""
    minutes, first, step, folder = asked.minutes, asked.first, asked.step, asked.finds
    end = time.monotonic() + 60.0 * minutes
    number, cases, finds = first, 0, 0
    while time.monotonic() < end:
        watch = Watch(number, step, asked.only)
        hang = ""
        while time.monotonic() < end and watch.process.poll() is None and not hang:
            time.sleep(0.2)
            if watch.is_trying and time.monotonic() - watch.since > asked.seconds:
                hang = f"longer than {asked.seconds:g} s"
        is_dead = watch.process.poll() not in (None, 0) and not hang
        watch.end()
        for found in watch.finds:
            save(folder, *found)
        if hang or is_dead:
            save(folder, watch.number, hang or f"the process died ({watch.process.returncode})")
        finds += len(watch.finds) + bool(hang or is_dead)
        cases += watch.cases
        number = watch.number + step
    print(f"{cases} cases in {minutes:g} min, numbers {first} to {number}, {finds} find(s)")
    return finds


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=1.0)
    parser.add_argument("--first", type=int, default=0, help="number of the first case")
    parser.add_argument("--step", type=int, default=1)
    parser.add_argument("--finds", type=Path, default=Path("fuzz-finds"))
    parser.add_argument("--only", action="append", default=[], choices=KINDS)
    parser.add_argument("--seconds", type=float, default=MAX_SECONDS, help="what a case may take")
    parser.add_argument("--child", type=int, default=None, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.child is not None:
        child(asked.child, asked.step, asked.only)
    elif run(asked):
        sys.exit(1)


if __name__ == "__main__":
    main()
