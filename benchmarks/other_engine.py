"""A second engine with physics of its own, as a judge of what the program makes of logs.

Run ``python benchmarks/other_engine.py --help``. The engine (`other_truth`), the drives
(`other_drives`) and the dynamics (`other_dynamics`) share no code with the program and its own
simulator, and were written without a look at how the program estimates: two wall films, boost that
comes up, plug flow in the exhaust, a sensor that hangs on pressure, unequal cylinders, a lambda
loop of its own. `other_judge` says what a proposal leaves of the truth where the log was, and how
often its intervals hold it. Beside it stand ``plain``, means of the steady samples per cell,
``knows``, a fit that is told the dynamics (`other_witness`), and ``floor``, a table that holds the
truth at its breakpoints. One line per case: medians over the engines, intervals pooled over them;
under ``day`` a log's own offset, which no log can tell, counts as true. A cell that is left blank
corrects nothing, and its points count.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")

import argparse
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
from other_drives import Drive, after, holds, idling, load_sweeps, road, speed_sweeps
from other_dynamics import Options, Table, Trace, logged, simulate
from other_judge import (
    CLASSES,
    Verdict,
    best_cells,
    grid_text,
    judge,
    plain_cells,
    setup_text,
    target_table,
    usual_axes,
    visited_points,
    write_log,
)
from other_truth import OtherEngine, Rng, draw_engine, truth, with_body
from other_witness import Session, witness_cells

__all__ = [
    "CASES",
    "Case",
    "Drive",
    "Options",
    "OtherEngine",
    "Session",
    "Table",
    "Trace",
    "draw_engine",
    "judge",
    "logged",
    "run_case",
    "session",
    "setup_text",
    "simulate",
    "truth",
    "visited_points",
]

HERE = Path(__file__).resolve().parent
NO_EVIDENCE = 4
SLOWEST_S = 900.0


@dataclass(frozen=True)
class Case:
    """One kind of session on one kind of engine."""

    drive: Callable[[Rng], Drive]
    logger: str = "20 Hz"
    kind: str = "usual"
    body: dict[str, float] = field(default_factory=dict)
    options: Options = field(default_factory=Options)
    shape: tuple[int, int] = (16, 12)
    grid_pct: float = 0.0
    """Size of a random grid in force."""


def _holds(n: int, hold_s: float, rng: Rng) -> Drive:
    return holds(n, hold_s, rng)


def _warming(n: int, hold_s: float, warm_up_s: float, rng: Rng) -> Drive:
    return after(idling(warm_up_s, rng), holds(n, hold_s, rng), rng)


PATIENT = partial(_holds, 75, 10.0)
CASES: dict[str, Case] = {
    "holds": Case(PATIENT),
    "speed-sweeps": Case(partial(speed_sweeps, 40.0)),
    "load-sweeps": Case(partial(load_sweeps, 2.0)),
    "road": Case(partial(road, 10.0)),
    "15-holds": Case(partial(_holds, 15, 10.0)),
    "1-hz": Case(PATIENT, logger="1 Hz"),
    "2-hz": Case(PATIENT, logger="2 Hz"),
    "polled": Case(PATIENT, logger="polled"),
    "lag-0.5": Case(PATIENT, body={"sensor_s": 0.5}),
    "settling-2": Case(PATIENT, body={"tail": 0.02}),
    "24x24": Case(PATIENT, shape=(24, 24)),
    "cam-6": Case(PATIENT, kind="cam"),
    "trims": Case(PATIENT, options=Options(has_trims=True)),
    "flat": Case(PATIENT, kind="flat"),
    "10-hz": Case(PATIENT, logger="10 Hz"),
    "grid": Case(PATIENT, grid_pct=6.0),
    "spikes": Case(PATIENT, options=Options(spike_share=0.004)),
    "warm-up": Case(partial(_warming, 75, 10.0, 90.0), options=Options(warm_up_s=90.0)),
    "road-trims": Case(partial(road, 10.0), options=Options(has_trims=True)),
}
USUAL = tuple(CASES)[:14]
"""Cases that are run where none are named."""


@dataclass(frozen=True)
class Outcome:
    """The program's verdict on one engine beside the yardsticks'."""

    tool: Verdict
    of_day: Verdict
    """The program's, with the log's own offset counted as true."""
    plain: Verdict
    knows: Verdict
    floor: Verdict
    has_failed: bool
    simulated_s: float
    proposed_s: float


def session(case: Case, seed: int, number: int) -> Session:
    """Draw engine `number` and log it.

    Engine and drive are the same in every case that asks for the same kind.
    """
    engine = draw_engine(np.random.default_rng([seed, number]), case.kind)
    engine = with_body(engine, **case.body)
    rng = np.random.default_rng([seed, number, 1])
    target = target_table(*usual_axes(*case.shape))
    values = case.grid_pct * rng.uniform(-1.0, 1.0, target.cells.shape).round(2)
    grid = Table(target.rpm, target.load, values)
    drive = case.drive(rng)
    trace = simulate(engine, drive, target, rng, options=case.options, grid=grid)
    log = logged(engine, trace, rng, case.logger, case.options)
    return Session(engine, target, grid, drive, trace, log, case.options)


def run_case(name: str, tree: Path, seed: int, number: int) -> Outcome:
    """Simulate one session, let the program of `tree` propose on it, and judge both."""
    case, start = CASES[name], time.perf_counter()
    drawn = session(case, seed, number)
    engine, target, grid, log = drawn.engine, drawn.target, drawn.grid, drawn.log
    simulated = time.perf_counter() - start
    with tempfile.TemporaryDirectory() as folder:
        start = time.perf_counter()
        cells = propose(tree, Path(folder), log, target, grid)
        proposed = time.perf_counter() - start
    points, has_failed = visited_points(log), cells is None
    nothing = best_cells(engine, target).assign(deviation_pct=np.nan)
    plain = plain_cells(log, target)
    cells = nothing if has_failed else cells
    return Outcome(
        tool=judge(engine, cells, points, grid),
        of_day=judge(engine, cells, points, grid, drawn.trace.day),
        plain=judge(engine, plain, points, grid),
        knows=judge(engine, witness_cells(drawn), points, grid),
        floor=judge(engine, best_cells(engine, target, grid), points, grid),
        has_failed=has_failed,
        simulated_s=simulated,
        proposed_s=proposed,
    )


def propose(
    tree: Path, folder: Path, log: pd.DataFrame, target: Table, grid: Table
) -> pd.DataFrame | None:
    """Run ``propose`` of a checkout in a process of its own; None where it has no evidence."""
    write_log(log, folder / "log.csv")
    (folder / "grid.csv").write_text(grid_text(grid), encoding="utf-8")
    (folder / "setup.toml").write_text(setup_text(target, tuple(log)), encoding="utf-8")
    command = [sys.executable, "-m", "tuneassist", "propose", "log.csv", "--setup", "setup.toml"]
    command += ["--grid", "grid.csv", "--out", "out", "--quiet"]
    env = {**os.environ, "PYTHONPATH": str(tree.resolve())}
    done = subprocess.run(
        command, cwd=folder, env=env, capture_output=True, text=True, timeout=SLOWEST_S, check=False
    )
    if done.returncode == NO_EVIDENCE:
        return None
    if done.returncode != 0:
        raise RuntimeError(f"propose ended with {done.returncode}:\n{done.stderr}")
    return pd.read_csv(folder / "out" / "cells.csv")


YARDSTICKS = {"tool": "program", "plain": "plain", "knows": "knows", "floor": "floor"}
HEAD = (
    f"{'':14s} {''.join(f'{name:>14s}   ' for name in YARDSTICKS.values())}"
    "intervals hold the truth, %, and cells\n"
    f"{'case':14s} {4 * '  within    rms   '}"
    f"{'all':>5s} {'day':>5s} {'good':>10s} {'fair':>10s} {'low':>10s} {'blank':>6s} {'s/log':>11s}"
)


def line_of(name: str, outcomes: Sequence[Outcome]) -> str:
    """One line of the table: medians, pooled intervals, seconds to simulate and to propose."""
    parts = [f"{name:14s}"]
    for who in YARDSTICKS:
        verdicts = [getattr(o, who) for o in outcomes]
        inside = 100.0 * np.median([v.inside for v in verdicts])
        parts.append(f"{inside:6.1f}% {np.median([v.rms_pct for v in verdicts]):6.2f}  ")
    tool = [o.tool for o in outcomes]
    parts += [f"{_share(v, CLASSES, False):>5s}" for v in (tool, [o.of_day for o in outcomes])]
    parts += [f"{_share(tool, (name,), True):>10s}" for name in CLASSES]
    parts.append(f"{100.0 * np.median([v.blank for v in tool]):5.1f}%")
    seconds = [np.median([getattr(o, w) for o in outcomes]) for w in ("simulated_s", "proposed_s")]
    parts.append(f"{seconds[0]:4.1f} + {seconds[1]:4.1f}")
    failed = sum(o.has_failed for o in outcomes)
    return " ".join(parts) + (f"  no evidence in {failed} of {len(outcomes)}" if failed else "")


def _share(verdicts: Sequence[Verdict], names: Sequence[str], with_count: bool) -> str:
    held = sum(v.held.get(name, 0) for v in verdicts for name in names)
    cells = sum(v.cells.get(name, 0) for v in verdicts for name in names)
    if not cells:
        return "-"
    return f"{100.0 * held / cells:.1f}" + (f"/{cells}" if with_count else "")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--engines", type=int, default=10, help="engines per case")
    parser.add_argument("--tree", type=Path, default=HERE.parent, help="checkout to judge")
    parser.add_argument("--cases", default=",".join(USUAL), help=f"of: {', '.join(CASES)}")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=1, help="engines side by side")
    asked = parser.parse_args()
    names = asked.cases.split(",")
    unknown = [name for name in names if name not in CASES]
    if unknown:
        parser.error(f"no case {', '.join(unknown)}; known: {', '.join(CASES)}")
    print(HEAD, flush=True)
    with ProcessPoolExecutor(asked.workers) as pool:
        for name in names:
            run = partial(run_case, name, asked.tree, asked.seed)
            print(line_of(name, list(pool.map(run, range(asked.engines)))), flush=True)


if __name__ == "__main__":
    main()
