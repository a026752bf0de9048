"""What every sample of a log teaches: one session, on two engines, beside plain methods.

Run ``python benchmarks/every_sample.py --help``. ``own`` is the package's simulator, ``other`` the
engine of `other_engine`, whose physics share nothing with it. Every session is written to a file,
read, and reduced once; each method then works on the same reduced log:

``program``  holds and the samples between them.
``holds``    the same program without the samples between: the yardstick ``old``.
``plain``    mean per cell, of steady samples or of all, whichever leaves less (rms of the case).
``knows``    a fit that is told the dynamics (other engine only).

Evidence is judged, not caution: what a cell deviates is taken out in full, no limit of a step. A
cell that is left blank corrects nothing. Points are judged near which the warm engine was logged,
all alike. One line per case and engine: medians over the engines of the share of points within 1 %
and the rms of what is left [%]; then, pooled over the engines, how many of the 95 % intervals hold
the truth, by confidence, with their median half width [%]; under ``day`` the log's own offset,
which no log can tell, counts as true. With ``--rounds 3`` the loop instead: whole rounds on the
package's simulator, with default limits.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any

sys.path.insert(0, os.environ.get("TUNEASSIST_TREE", str(Path(__file__).resolve().parents[1])))

import accuracy
import numpy as np
import other_engine
import other_judge
import pandas as pd
from other_truth import truth
from other_witness import Session as OtherSession
from other_witness import witness_cells
from scipy.ndimage import maximum_filter

from tuneassist.files.setup_file import read_setup
from tuneassist.grid import Axes, Floats, Grid, bilinear_weights
from tuneassist.one_log import LogEvidence
from tuneassist.pipeline import gather, reduce_log
from tuneassist.reading import Log, read_log
from tuneassist.settings import Setup, Target
from tuneassist.simulate import SessionPlan, TrueEngine, draw_engine, simulate_session
from tuneassist.simulate.engine import ErrorSurface

TREE = "TUNEASSIST_TREE"
"""Environment variable with the checkout whose package is judged; ``--tree`` sets it."""
HERE = Path(__file__).resolve().parent
MESH_RPM, MESH_LOAD, REACH = other_judge.MESH_RPM, other_judge.MESH_LOAD, other_judge.REACH
WARM_C = 67.0
"""The own simulator enriches below 65 degC."""
CAM_PCT, CAM_WIDTH_RPM = 6.0, 25.0
CLASSES = other_judge.CLASSES


@dataclass(frozen=True, eq=False)
class ChangeOver(ErrorSurface):
    """A surface with a step over speed, as where a cam changes over."""

    at_rpm: float = 4000.0
    step_pct: float = CAM_PCT

    def at(self, rpm: Floats, load: Floats) -> Floats:
        """Fuelling error, + is leaner than commanded. [%]"""
        share = 1.0 / (1.0 + np.exp(-np.clip((rpm - self.at_rpm) / CAM_WIDTH_RPM, -50.0, 50.0)))
        return np.asarray(super().at(rpm, load) + self.step_pct * share)


def _same(engine: TrueEngine, rng: np.random.Generator) -> TrueEngine:
    return engine


def _with_chain(engine: TrueEngine, rng: np.random.Generator, **chain: float) -> TrueEngine:
    return replace(engine, chain=replace(engine.chain, **chain))


def _flat(engine: TrueEngine, rng: np.random.Generator) -> TrueEngine:
    none = replace(engine.error, plane=np.zeros(4), heights=0.0 * engine.error.heights)
    return replace(engine, error=none)


def _cam(engine: TrueEngine, rng: np.random.Generator) -> TrueEngine:
    """Step in the middle of a cell, up or down."""
    rpm, error = engine.car.axes.rpm, engine.error
    middle = rng.choice(((rpm[1:] + rpm[:-1]) / 2.0)[4:9])
    side = rng.choice([-1.0, 1.0])
    return replace(engine, error=ChangeOver(**vars(error), at_rpm=middle, step_pct=side * CAM_PCT))


def _fine_table(engine: TrueEngine, rng: np.random.Generator) -> TrueEngine:
    """The same target in a table of 24 x 24."""
    old, per_axis = engine.car.axes, 24
    rpm = np.round(np.linspace(old.rpm[0], old.rpm[-1], per_axis))
    load = np.round(np.linspace(old.load[0], old.load[-1], per_axis), 1)
    axes = Axes(rpm=rpm, load=load, load_name=old.load_name, load_unit=old.load_unit)
    at = (grid.ravel() for grid in np.meshgrid(rpm, load, indexing="ij"))
    table = (bilinear_weights(old, *at) @ engine.car.target.table.ravel()).reshape(axes.shape)
    return replace(engine, car=replace(engine.car, axes=axes, target=Target(table.round(3))))


@dataclass(frozen=True)
class OwnCase:
    """One kind of session on one kind of engine of the package's own simulator.

    `driven` differs from `USUAL`; the plan is made where it is driven, for the simulator of an
    older checkout does not know all of it.
    """

    driven: dict[str, Any] = field(default_factory=dict)
    change: Callable[[TrueEngine, np.random.Generator], TrueEngine] = _same

    def plan(self) -> SessionPlan:
        """What is driven, and how it is logged."""
        try:
            return SessionPlan(**(USUAL | self.driven))
        except TypeError as unknown:
            raise SystemExit(f"the simulator of this checkout cannot drive it: {unknown}") from None


USUAL: dict[str, Any] = {
    "rate_hz": 20.0,
    "hold_s": (10.0, 10.0),
    "ramp_s": (1.0, 3.0),
    "warm_up_s": 0.0,
}
OWN_CASES: dict[str, OwnCase] = {
    "holds": OwnCase(),
    "speed-sweeps": OwnCase({"style": "speed sweeps"}),
    "load-sweeps": OwnCase({"style": "load sweeps", "levels": 9}),
    "road": OwnCase({"style": "road"}),
    "15-holds": OwnCase({"holds": 15}),
    "1-hz": OwnCase({"rate_hz": 1.0}),
    "2-hz": OwnCase({"rate_hz": 2.0}),
    "polled": OwnCase({"rate_hz": 10.0, "is_polled": True}),
    "lag-0.5": OwnCase(change=partial(_with_chain, sensor_tau_s=0.5)),
    "settling-2": OwnCase(change=partial(_with_chain, tail_pct=2.0)),
    "24x24": OwnCase(change=_fine_table),
    "cam-6": OwnCase(change=_cam),
    "trims": OwnCase({"is_closed_loop": True}),
    "flat": OwnCase(change=_flat),
}
CASES = tuple(OWN_CASES)


@dataclass(frozen=True, eq=False)
class _Truth:
    """Deviation at rest without any correction, at speeds and loads, and the points judged.

    `day` is the log's own offset, in ln, which no log can tell.
    """

    error_pct: Callable[[Floats, Floats], Floats]
    rpm: Floats
    load: Floats
    day: float = 0.0


@dataclass(frozen=True, eq=False)
class Scene:
    """A reduced log, and the truth it is judged by.

    Parameters
    ----------
    tables
        Deviations by the methods that need no reduced log, shape (cells,) each; nan is blank. [%]
    reduced_s
        Time that the reduction took.
    """

    log: LogEvidence
    setup: Setup
    true: _Truth
    tables: dict[str, Floats]
    reduced_s: float


@dataclass(frozen=True, eq=False)
class Outcome:
    """Share within 1 % [1] and rms [%] by method, the program's intervals, and its time."""

    scores: dict[str, tuple[float, float]]
    intervals: dict[str, pd.DataFrame] = field(repr=False)
    seconds: float = 0.0


def own_scene(name: str, seed: int, number: int) -> Scene:
    """Draw an engine of the package's simulator, log it, and reduce the log."""
    case = OWN_CASES[name]
    engine = draw_engine(np.random.default_rng([seed, number]))
    engine = case.change(engine, np.random.default_rng([seed, number, 2]))
    made = simulate_session(engine, case.plan(), rng=np.random.default_rng([seed, number, 1]))
    with tempfile.TemporaryDirectory() as folder:
        logs, setup = accuracy.through_files([made], engine, Path(folder))
    rpm, load = own_points(engine, made.samples)
    return _scene(logs[0], setup, _Truth(engine.true_deviation_pct, rpm, load), {})


def own_points(engine: TrueEngine, samples: pd.DataFrame) -> tuple[Floats, Floats]:
    """Mesh points that the engine can hold and near which it was logged warm and fuelled."""
    axes = engine.car.axes
    is_seen = (samples["coolant_temp_c"] > WARM_C) & (samples["throttle_pct"] > 0.5)
    seen = samples[is_seen]
    rpm = np.arange(axes.rpm[0], axes.rpm[-1] + 1.0, MESH_RPM)
    load = np.arange(axes.load[0], axes.load[-1] + 1.0, MESH_LOAD)
    edges = (_edges(rpm, MESH_RPM), _edges(load, MESH_LOAD))
    count, _, _ = np.histogram2d(seen["rpm"], seen["load"], bins=edges)
    near = maximum_filter(count, size=2 * REACH + 1, mode="constant") > 0.0
    row, column = np.nonzero(near)
    is_inside = engine.car.is_inside(rpm[row], load[column])
    return rpm[row][is_inside], load[column][is_inside]


def _edges(middles: Floats, step: float) -> Floats:
    return np.append(middles - step / 2.0, middles[-1] + step / 2.0)


def other_scene(name: str, seed: int, number: int) -> Scene:
    """Draw an engine with other physics, log it, and reduce the log."""
    drawn = other_engine.session(other_engine.CASES[name], seed, number)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        other_judge.write_log(drawn.log, folder / "log.csv")
        text = other_judge.setup_text(drawn.target, tuple(drawn.log))
        (folder / "setup.toml").write_text(text, encoding="utf-8")
        setup = read_setup(folder / "setup.toml")
        log = read_log(folder / "log.csv", setup=setup)
    points = other_judge.visited_points(drawn.log)
    true = _Truth(partial(truth, drawn.engine), *points, day=drawn.trace.day)
    return _scene(log, setup, true, _other_tables(drawn))


def _other_tables(drawn: OtherSession) -> dict[str, Floats]:
    steady = other_judge.plain_cells(drawn.log, drawn.target)
    tables = {"steady mean": steady, "knows": witness_cells(drawn)}
    return {name: cells["deviation_pct"].to_numpy() for name, cells in tables.items()}


def _scene(
    log: Log,
    setup: Setup,
    true: _Truth,
    tables: dict[str, Floats],
) -> Scene:
    for name, only_steady in (("steady mean", True), ("mean of all", False)):
        grid = accuracy.nearest_cell_mean([log], setup, only_steady=only_steady)
        tables.setdefault(name, np.ravel(grid.values))
    start = time.perf_counter()
    reduced = reduce_log(log.samples, name="log", setup=setup)
    spent = time.perf_counter() - start
    return Scene(reduced, setup, true, tables, spent)


def left_pct(scene: Scene, deviation: Floats) -> Floats:
    """What is left at the judged points once the deviations are taken out; blank takes none."""
    cells = np.log1p(np.nan_to_num(deviation) / 100.0)
    true = scene.true
    taken = bilinear_weights(scene.setup.axes, true.rpm, true.load) @ cells
    error = np.log1p(true.error_pct(true.rpm, true.load) / 100.0)
    return np.asarray(100.0 * np.expm1(error - taken))


def score(scene: Scene, deviation: Floats) -> tuple[float, float]:
    """Share of the points within 1 %, and the rms of what is left. [1], [%]"""
    left = left_pct(scene, deviation)
    return float(np.mean(np.abs(left) <= 1.0)), float(np.sqrt(np.mean(left**2)))


def intervals(scene: Scene, cells: pd.DataFrame) -> pd.DataFrame:
    """Confidence, half width and whether it holds the truth, for every cell with an interval."""
    known = cells.dropna(subset=["ci_low_pct", "ci_high_pct"])
    known = known[known["confidence"].isin(CLASSES)]
    true = scene.true.error_pct(known["rpm"].to_numpy(), known["load"].to_numpy())
    low, high = known["ci_low_pct"].to_numpy(), known["ci_high_pct"].to_numpy()
    of_day = 100.0 * np.expm1(np.log1p(true / 100.0) + scene.true.day)
    return pd.DataFrame(
        {
            "confidence": known["confidence"].to_numpy(),
            "half_width": (high - low) / 2.0,
            "holds_truth": (low <= true) & (true <= high),
            "holds_day": (low <= of_day) & (of_day <= high),
        }
    )


def run_case(name: str, engine: str, seed: int, number: int) -> Outcome:
    """Judge every method on one engine's session."""
    scene = (own_scene if engine == "own" else other_scene)(name, seed, number)
    zero = Grid.zeros(scene.setup.axes)
    has_blocks = hasattr(scene.log, "blocks")
    only_holds = replace(scene.log, blocks=None) if has_blocks else scene.log
    logs = {"program": scene.log, "holds": only_holds}
    scores, found, seconds = {}, {}, {}
    for method, log in logs.items():
        start = time.perf_counter()
        cells = gather([log], setup=scene.setup, current=zero).cells
        seconds[method] = time.perf_counter() - start
        scores[method] = score(scene, cells["deviation_pct"].to_numpy())
        found[method] = intervals(scene, cells)
    scores |= {method: score(scene, table) for method, table in scene.tables.items()}
    return Outcome(scores, found, scene.reduced_s + seconds["program"])


def medians(outcomes: Sequence[Outcome], method: str) -> tuple[float, float] | None:
    """Share within 1 % and rms, both in percent; None where the method was not run."""
    if method not in outcomes[0].scores:
        return None
    share, rms = np.median([one.scores[method] for one in outcomes], axis=0)
    return 100.0 * float(share), float(rms)


def plain_name(outcomes: Sequence[Outcome]) -> str:
    """The plain mean that leaves less."""
    names = ("steady mean", "mean of all")
    return min(names, key=lambda name: np.median([one.scores[name][1] for one in outcomes]))


HEAD = (
    f"{'':13s} {'':5s} {'program':>14s} {'holds':>14s} {'plain':>15s}  {'knows':>14s}   "
    f"{'intervals hold the truth [%] / half width [%] / cells':s}\n"
    f"{'case':13s} {'':5s} {'  within   rms' * 3}    {'within   rms':>12s}   "
    f"{'all':>11s} {'day':>6s} {'good':>16s} {'fair':>16s} {'low':>16s} {'holds: all':>11s} "
    f"{'s/log':>6s}"
)


def line_of(name: str, engine: str, outcomes: Sequence[Outcome]) -> str:
    """One line of the table; the mean of all samples is marked ``a``, of steady ones ``s``."""
    plain = plain_name(outcomes)
    parts = [f"{name:13s} {engine:5s}"]
    parts += [_pair(medians(outcomes, method)) for method in ("program", "holds", plain)]
    parts.append("s" if plain == "steady mean" else "a")
    parts.append(_pair(medians(outcomes, "knows")))
    found = pd.concat([one.intervals["program"] for one in outcomes])
    parts.append(f"{_coverage(found, with_count=False):>13s}")
    parts.append(f"{100.0 * found['holds_day'].mean():6.1f}")
    for cls in CLASSES:
        parts.append(f"{_coverage(found[found['confidence'] == cls], with_count=True):>16s}")
    before = pd.concat([one.intervals["holds"] for one in outcomes])
    parts.append(f"{_coverage(before, with_count=False):>11s}")
    parts.append(f"{np.median([one.seconds for one in outcomes]):6.1f}")
    return " ".join(parts)


def _pair(found: tuple[float, float] | None) -> str:
    return f"{'-':>14s}" if found is None else f"{found[0]:7.1f}% {found[1]:5.2f}"


def _coverage(found: pd.DataFrame, *, with_count: bool) -> str:
    if found.empty:
        return "-"
    words = f"{100.0 * found['holds_truth'].mean():.1f}/{found['half_width'].median():.2f}"
    return f"{words}/{len(found)}" if with_count else words


def summary(lines: dict[tuple[str, str], Sequence[Outcome]]) -> str:
    """Name the cases in which the program leaves more than the holds alone or the plain mean."""
    said = []
    for (name, engine), outcomes in lines.items():
        rms = {m: np.median([o.scores[m][1] for o in outcomes]) for m in outcomes[0].scores}
        rivals = ("holds", plain_name(outcomes))
        worse = [f"{m} ({rms[m]:.2f})" for m in rivals if rms[m] < rms["program"]]
        if worse:
            said.append(f"  {name}, {engine}: {rms['program']:.2f} left; {', '.join(worse)}")
    return "\n".join(["cases in which another leaves less (rms, %):", *(said or ["  none"])])


def run_rounds(engines: int, seed: int, rounds: int, pool: ProcessPoolExecutor) -> None:
    """Run the loop with default limits, as `accuracy` does, and print its medians as well."""
    seeds = [1000 * seed + number for number in range(engines)]
    frames = list(pool.map(accuracy.run_rounds, seeds, [rounds] * engines))
    accuracy.report_rounds(frames)
    table = pd.concat(frames).groupby("round")[["inside", "rms"]].median()
    print("  medians over the engines, held:")
    for number, row in table.iterrows():
        print(f"  {number:5d} {row['inside']:16.1f} % {row['rms']:5.2f}")


def arguments(words: Sequence[str] | None = None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--engines", type=int, default=10, help="engines per case")
    parser.add_argument("--cases", default=",".join(CASES), help=f"of: {', '.join(CASES)}")
    parser.add_argument("--engine", choices=("own", "other", "both"), default="both")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--tree", type=Path, default=HERE.parent, help="checkout to judge")
    parser.add_argument("--rounds", type=int, default=1, help="more than 1: the loop instead")
    parser.add_argument("--workers", type=int, default=1, help="engines side by side")
    asked = parser.parse_args(words)
    unknown = [name for name in asked.cases.split(",") if name not in CASES]
    if unknown:
        parser.error(f"no case {', '.join(unknown)}; known: {', '.join(CASES)}")
    if asked.engines < 1:
        parser.error(f"--engines {asked.engines}: at least 1 is needed")
    return asked


def again_in(tree: Path) -> int:
    """Run this same command with the package of another checkout; return its exit status."""
    if not (tree / "tuneassist" / "__init__.py").is_file():
        raise SystemExit(f"{tree}: no checkout of tuneassist; --tree wants one.")
    env = {**os.environ, TREE: str(tree)}
    return subprocess.run([sys.executable, *sys.argv], env=env, check=False).returncode


def main() -> None:
    asked = arguments()
    tree = asked.tree.resolve()
    if tree != Path(os.environ.get(TREE, HERE.parent)).resolve():
        sys.exit(again_in(tree))
    with ProcessPoolExecutor(asked.workers) as pool:
        if asked.rounds > 1:
            run_rounds(asked.engines, asked.seed, asked.rounds, pool)
            return
        engines = ("own", "other") if asked.engine == "both" else (asked.engine,)
        print(HEAD, flush=True)
        done: dict[tuple[str, str], Sequence[Outcome]] = {}
        for name in asked.cases.split(","):
            for engine in engines:
                run = partial(run_case, name, engine, asked.seed)
                done[name, engine] = list(pool.map(run, range(asked.engines)))
                print(line_of(name, engine, done[name, engine]), flush=True)
    print(summary(done))


if __name__ == "__main__":
    main()
