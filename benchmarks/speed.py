"""How fast logs become a proposal, as ratios to a yardstick timed in the same run.

Run ``python benchmarks/speed.py --help``. The yardstick is ``nearest_means.py``, which reads a log
and takes nearest-cell means. Program and yardstick are timed in turns, each as a process of its own
with its start-up. Times are medians over the turns, the ratio is the median of the turns' ratios,
and its lowest and highest stand in brackets: the yardstick holds the whole log, so that its time
hangs on how readily the system gives it memory. Logs are simulated sessions, one after the other
in time. The load average is printed, for ratios from a busy computer say little.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
from pyarrow import csv, parquet

from tuneassist.simulate import SessionPlan, simulate_session
from tuneassist.simulate.sample_logs import petrol_engine

HERE = Path(__file__).resolve().parent
SETUP = HERE.parent / "sample_logs" / "petrol-setup.toml"
PSI_KPA = 6.894757293168361
SESSIONS, PAUSE_S = 6, 2.0
MAX_MEMORY_MIB = 600.0


@dataclass(frozen=True)
class Run:
    """Wall times of a command's turns, and the largest resident memory."""

    walls_s: tuple[float, ...]
    peak_mib: float

    @property
    def wall_s(self) -> float:
        """Median wall time. [s]"""
        return float(np.median(self.walls_s))


def columns_of(samples: object, start_s: float) -> pa.Table:
    s = {name: samples[name].to_numpy() for name in samples}  # type: ignore[index, attr-defined]
    return pa.table(
        {
            "Elapsed (s)": np.round(s["time_s"] + start_s, 2),
            "Crank speed (rpm)": np.round(s["rpm"]),
            "Inlet pressure abs (psi)": np.round(s["load"] / PSI_KPA, 3),
            "Wideband (AFR)": np.round(s["lambda"] * 14.7, 2),
            "Water (degF)": np.round(s["coolant_temp_c"] * 1.8 + 32.0, 1),
            "Throttle position (percent)": np.round(s["throttle_pct"], 1),
        }
    )


def sessions(count: int) -> list[object]:
    engine, rng = petrol_engine(), np.random.default_rng(7)
    return [simulate_session(engine, SessionPlan(), rng=rng).samples for _ in range(count)]


def write_long(path: Path, rows: int) -> Path:
    """Write sessions behind each other until the log is long enough."""
    made, start_s, left, turn = sessions(SESSIONS), 0.0, rows, 0
    first = columns_of(made[0], 0.0)
    if path.suffix == ".parquet":
        writer = parquet.ParquetWriter(path, first.schema)
    else:
        writer = csv.CSVWriter(path, first.schema)
    with writer:
        while left > 0:
            table = columns_of(made[turn % SESSIONS], start_s).slice(0, left)
            writer.write_table(table)
            start_s = table["Elapsed (s)"][-1].as_py() + PAUSE_S
            left, turn = left - table.num_rows, turn + 1
    return path


def write_many(folder: Path, count: int) -> Path:
    folder.mkdir()
    engine = petrol_engine()
    for number in range(count):
        rng = np.random.default_rng(100 + number)
        samples = simulate_session(engine, SessionPlan(), rng=rng).samples
        csv.write_csv(columns_of(samples, 0.0), folder / f"session-{number:02d}.csv")
    return folder


def once(command: Sequence[str]) -> Run:
    """Run a command in a process of its own; its peak memory is read as Linux tells it."""
    began = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    _, complaint = process.communicate() if not hasattr(os, "wait4") else (None, None)
    peak = float("nan")
    if hasattr(os, "wait4"):
        complaint = process.stderr.read() if process.stderr else b""
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        peak = usage.ru_maxrss / 1024.0
    wall = time.perf_counter() - began
    if process.returncode != 0:
        raise SystemExit(f"{command} failed: {(complaint or b'').decode()[-600:]}")
    return Run((wall,), peak)


def in_turns(turns: int, *commands: Sequence[str]) -> list[Run]:
    runs: list[list[Run]] = [[] for _ in commands]
    for _ in range(turns):
        for place, command in enumerate(commands):
            runs[place].append(once(command))
    return [Run(tuple(run.wall_s for run in own), max(run.peak_mib for run in own)) for own in runs]


def program(*words: object) -> list[str]:
    return [str(Path(sys.executable).parent / "tuneassist"), *map(str, words)]


def propose(log: Path, out: Path, *more: object) -> list[str]:
    return program("propose", log, "-s", SETUP, "-o", out, "--overwrite", "-q", *more)


def python(*words: object) -> list[str]:
    return [sys.executable, *map(str, words)]


def tell(what: str, ours: Run, other: Run, wanted: str, *, note: str = "") -> None:
    ratios = np.divide(ours.walls_s, other.walls_s)
    spread = f"({ratios.min():.2f} to {ratios.max():.2f})"
    print(
        f"{what:42s} {ours.wall_s:6.2f} s {other.wall_s:6.2f} s {np.median(ratios):6.2f} "
        f"{spread:14s} {wanted}{note}",
        flush=True,
    )


def load_words() -> str:
    return f"load {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else "load unknown"


def compare_long(folder: Path, rows: int, turns: int, kind: str, wanted: str) -> Run:
    log = write_long(folder / f"{rows}.{kind}", rows)
    size = log.stat().st_size / 1e6
    ours, plain = in_turns(
        turns, propose(log, folder / "out"), python(HERE / "nearest_means.py", log, SETUP)
    )
    log.unlink()
    note = f"; {size:.0f} MB, peak {ours.peak_mib:.0f} MiB (at most {MAX_MEMORY_MIB:.0f})"
    tell(f"propose, {rows:,} rows of {kind}", ours, plain, wanted, note=note)
    return ours


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--turns", type=int, default=3, help="turns of which the shortest counts")
    parser.add_argument("--rows", type=int, default=10_000_000, help="rows of the long log")
    parser.add_argument("--files", type=int, default=40, help="files for the workers")
    asked = parser.parse_args()
    print(f"{os.cpu_count()} cores, {load_words()} at the start")
    print(f"{'':42s} {'program':>8s} {'yardstick':>9s} {'ratio':>5s}")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        small = asked.rows // 5
        short = compare_long(folder, small, asked.turns, "csv", "at most 3.0")
        long = compare_long(folder, asked.rows, asked.turns, "csv", "at most 2.0")
        linear = Run(tuple(5 * wall for wall in short.walls_s), short.peak_mib)
        tell("growth: over 5 times the short log's time", long, linear, "at most 1.0")
        compare_long(folder, asked.rows, asked.turns, "parquet", "at most 2.5")
        one = write_many(folder / "one", 1)
        imports = "import pandas, scipy.optimize, statsmodels.api"
        turns = 2 * asked.turns
        ours, plain = in_turns(turns, propose(one, folder / "out"), python("-c", imports))
        tell("propose, one session", ours, plain, f"at most 2.0 of `{imports}`")
        ours, plain = in_turns(4 * turns, program("--help"), python("-c", "import typer, rich"))
        tell("--help", ours, plain, "at most 1.5 of `import typer, rich`")
        many = write_many(folder / "many", asked.files)
        alone, two = in_turns(
            asked.turns,
            propose(many, folder / "out"),
            propose(many, folder / "out", "--workers", 2),
        )
        tell(f"{asked.files} files: one worker over two", alone, two, "at least 1.6")
    print(f"{load_words()} at the end")


if __name__ == "__main__":
    main()
