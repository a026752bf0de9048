"""How near to target one proposal brings simulated engines, beside plain methods and the best grid.

Run ``python benchmarks/accuracy.py --help``. Every engine is drawn afresh from the seed and every
number is simulated. Logs go through files and the public API, as a shop's would.

Columns: share of operating points within +-1 % of target, and rms deviation. "held" looks at the
operating points inside the convex hull of the holds, "all" at the whole envelope of the engine,
where the logs never went included.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import tempfile
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.spatial import Delaunay

from tuneassist.correction import check_grid
from tuneassist.errors import NoEvidenceError
from tuneassist.files.setup_file import read_setup
from tuneassist.grid import Grid, compose_pct
from tuneassist.loop.rounds import add_round
from tuneassist.pipeline import propose, reduce_log
from tuneassist.reading import read_log
from tuneassist.settings import Setup
from tuneassist.simulate import Session, SessionPlan, TrueEngine, draw_engine, simulate_session
from tuneassist.simulate.logs import Dialect, standard_columns, write_log
from tuneassist.simulate.sample_logs import petrol_engine, setup_text

SAMPLES = Path(__file__).resolve().parent.parent / "sample_logs"
Score = tuple[float, float]


def late(engine: TrueEngine) -> TrueEngine:
    return replace(engine, chain=replace(engine.chain, extra_delay_s=0.5))


def bad_sensor(engine: TrueEngine) -> TrueEngine:
    return replace(engine, chain=replace(engine.chain, offset_pct=5.0))


def nearly_flat(engine: TrueEngine) -> TrueEngine:
    """The same surface, nowhere farther from target than 0.5 %."""
    error = engine.error
    share = 0.5 / float(np.abs(error.at(*engine.operating_points())).max())
    small = replace(error, plane=error.plane * share, heights=error.heights * share)
    return replace(engine, error=small)


def creeping(engine: TrueEngine) -> TrueEngine:
    """2 % off after every move, fading over 6 s."""
    return replace(engine, chain=replace(engine.chain, tail_pct=2.0, tail_s=6.0))


def creeping_by_load(engine: TrueEngine) -> TrueEngine:
    found = creeping(engine)
    return replace(found, chain=replace(found.chain, tail_follows_load=True))


@dataclass(frozen=True)
class Case:
    """A kind of session: plan, how many logs it is spread over, and what is wrong with them.

    ``truth`` changes the engine that the result is judged by, ``engine`` what is logged of it.
    """

    plan: SessionPlan = field(default_factory=SessionPlan)
    logs: int = 1
    engine: Callable[[TrueEngine], TrueEngine] = lambda engine: engine
    bad_log: int | None = None
    truth: Callable[[TrueEngine], TrueEngine] = lambda engine: engine


CASES = {
    "normal": Case(),
    "half of the holds": Case(SessionPlan(holds=38)),
    "3 % spikes": Case(SessionPlan(spike_share=0.03)),
    "2 Hz logger": Case(SessionPlan(rate_hz=2.0)),
    "polled logger": Case(SessionPlan(is_polled=True)),
    "0.5 s delay": Case(engine=late),
    "closed loop": Case(SessionPlan(is_closed_loop=True)),
    "whole-second stamps": Case(SessionPlan(stamp_s=1.0)),
    "one bad log in five": Case(SessionPlan(holds=15), logs=5, bad_log=2),
    "1 Hz logger": Case(SessionPlan(rate_hz=1.0, ramp_s=(2.0, 3.0))),
    "nearly flat": Case(truth=nearly_flat),
    "nearly flat, 1 Hz": Case(SessionPlan(rate_hz=1.0, ramp_s=(2.0, 3.0)), truth=nearly_flat),
    "tail after moves": Case(engine=creeping),
    "tail that follows load": Case(engine=creeping_by_load),
    "nearly flat, tail": Case(engine=creeping, truth=nearly_flat),
    "short holds, tail": Case(SessionPlan(hold_s=(5.0, 8.0)), engine=creeping),
    "never warm": Case(SessionPlan(is_never_warm=True)),
}


def sessions(case: Case, engine: TrueEngine, rng: np.random.Generator) -> list[Session]:
    made = []
    for number in range(case.logs):
        logged = bad_sensor(engine) if number == case.bad_log else engine
        made.append(simulate_session(case.engine(logged), case.plan, rng=rng))
    return made


def through_files(made: list[Session], engine: TrueEngine, folder: Path) -> tuple[list, Setup]:
    """Write the sessions as a logger would, and read them back."""
    columns = standard_columns(made[0])
    text = setup_text(engine.car, columns, rev_limit_rpm=7000)
    (folder / "setup.toml").write_text(text, encoding="utf-8")
    setup = read_setup(folder / "setup.toml")
    logs = []
    for number, session in enumerate(made):
        path = folder / f"simulated-{number}.csv"
        write_log(path, session, Dialect(columns=columns))
        logs.append(read_log(path, setup=setup))
    return logs, setup


def nearest_cell_mean(logs: list, setup: Setup, *, only_steady: bool) -> Grid:
    """The plain method: mean deviation of the samples nearest to each breakpoint."""
    axes, target = setup.axes, setup.target.table
    frames = []
    for log in logs:
        samples = log.samples
        keep = samples["lambda"].notna() & samples["rpm"].notna() & samples["load"].notna()
        if "coolant_temp_c" in samples:
            keep &= samples["coolant_temp_c"] >= setup.steady.min_coolant_c
        keep &= samples["lambda"] < 1.25
        if only_steady:
            rate = max(1, round(1.5 / float(samples["time_s"].diff().median())))
            for name, band in (("rpm", 60.0), ("load", 4.0)):
                window = samples[name].rolling(rate)
                keep &= (window.max() - window.min()) <= band
        frames.append(samples[keep])
    samples = pd.concat(frames)
    row = np.abs(samples["rpm"].to_numpy()[:, None] - axes.rpm).argmin(axis=1)
    column = np.abs(samples["load"].to_numpy()[:, None] - axes.load).argmin(axis=1)
    need = samples["lambda"].to_numpy() / target[row, column]
    for name in ("fuel_trim_short_pct", "fuel_trim_long_pct"):
        if name in samples:
            need = need * (1.0 + samples[name].to_numpy() / 100.0)
    cell = row * len(axes.load) + column
    mean = pd.Series(100.0 * (need - 1.0)).groupby(cell).mean()
    return Grid(axes, mean.reindex(range(axes.size), fill_value=0.0).to_numpy().reshape(axes.shape))


def score(engine: TrueEngine, grid: Grid, is_held: np.ndarray | None = None) -> Score:
    rpm, load = engine.operating_points()
    miss = engine.miss_pct(rpm, load, grid)
    miss = miss if is_held is None else miss[is_held]
    return 100.0 * float(np.mean(np.abs(miss) <= 1.0)), float(np.sqrt(np.mean(miss**2)))


def held_points(engine: TrueEngine, holds: pd.DataFrame) -> np.ndarray:
    rpm, load = engine.operating_points()
    axes = engine.car.axes
    scale = np.array([np.ptp(axes.rpm), np.ptp(axes.load)])
    hull = Delaunay(holds[["rpm", "load"]].to_numpy(dtype=float) / scale)
    return hull.find_simplex(np.column_stack([rpm, load]) / scale) >= 0


@dataclass
class Row:
    """One engine's scores by method and place, and its intervals against the truth."""

    scores: dict[str, Score]
    calibration: pd.DataFrame
    status: str = "proposed"


def run(seed: int, name: str) -> Row:
    case, rng = CASES[name], np.random.default_rng(seed)
    engine = case.truth(draw_engine(rng))
    with tempfile.TemporaryDirectory() as folder:
        logs, setup = through_files(sessions(case, engine, rng), engine, Path(folder))
    try:
        proposal = propose(logs, setup=setup)
    except NoEvidenceError as refusal:
        return Row({}, pd.DataFrame(), f"refused: {refusal}")
    return judge(engine, logs, setup, proposal)


def judge(engine: TrueEngine, logs: list, setup: Setup, proposal) -> Row:
    holds = proposal.evidence.holds
    is_held = held_points(engine, holds[holds["stop"].eq("")])
    grids = {
        "no change": Grid.zeros(setup.axes),
        "mean of all": nearest_cell_mean(logs, setup, only_steady=False),
        "mean of steady": nearest_cell_mean(logs, setup, only_steady=True),
        "tuneassist": proposal.grid,
        "best possible": engine.best_grid(),
    }
    scores = {f"{name} | held": score(engine, grid, is_held) for name, grid in grids.items()}
    scores |= {f"{name} | all": score(engine, grid) for name, grid in grids.items()}
    cells = proposal.evidence.cells
    truth = engine.true_deviation_pct(cells["rpm"].to_numpy(), cells["load"].to_numpy())
    inside = (cells["ci_low_pct"] <= truth) & (truth <= cells["ci_high_pct"])
    own = np.where(cells["samples"] > 0, "own holds", "between")
    calibration = pd.DataFrame(
        {
            "confidence": cells["confidence"],
            "from": own,
            "inside": inside,
            "half_width": (cells["ci_high_pct"] - cells["ci_low_pct"]) / 2.0,
        }
    )
    return Row(scores, calibration[cells["confidence"] != "none"])


def run_rounds(seed: int, rounds: int) -> pd.DataFrame:
    """The loop on one engine, beside pooled cell means round after round."""
    rng = np.random.default_rng(seed)
    engine, plan = draw_engine(rng), SessionPlan()
    known, grid, plain, rows = [], None, None, []
    for number in range(1, rounds + 1):
        with tempfile.TemporaryDirectory() as folder:
            made = [simulate_session(engine, plan, grid=grid, rng=rng)]
            logs, setup = through_files(made, engine, Path(folder))
            made = [simulate_session(engine, plan, grid=plain, rng=rng)]
            plain_logs, _ = through_files(made, engine, Path(folder))
        grid = Grid.zeros(setup.axes) if grid is None else grid
        plain = Grid.zeros(setup.axes) if plain is None else plain
        reduced = [reduce_log(log.samples, name=f"round {number}", setup=setup) for log in logs]
        result = add_round(known, reduced, setup=setup, current=grid)
        proposal = result.proposal
        breaches = check_grid(
            proposal.grid, current=grid, setup=proposal.setup, cells=proposal.cells
        )
        known, grid = [*known, result.round], result.proposal.grid
        mean = nearest_cell_mean(plain_logs, setup, only_steady=True)
        plain = Grid(setup.axes, compose_pct(plain.values, mean.values))
        if number == 1:
            holds = result.proposal.evidence.holds
            is_held = held_points(engine, holds[holds["stop"].eq("")])
        rows.append(
            {
                "round": number,
                "inside": score(engine, grid, is_held)[0],
                "rms": score(engine, grid, is_held)[1],
                "inside everywhere": score(engine, grid)[0],
                "rms everywhere": score(engine, grid)[1],
                "mean inside": score(engine, plain, is_held)[0],
                "mean rms": score(engine, plain, is_held)[1],
                "breaches": len(breaches),
                "halted": result.is_halt,
            }
        )
    return pd.DataFrame(rows)


def report_rounds(frames: list[pd.DataFrame]) -> None:
    table = pd.concat(frames).groupby("round")
    mean, worst = table.mean(), table.agg({"inside": "min", "rms": "max"})
    halted, breaches = table["halted"].sum(), table["breaches"].sum()
    print(f"\nrounds of 75 holds on {len(frames)} simulated engines, default settings")
    print("  round   held: within 1 %   rms   worst engine   all: within 1 %   rms   ", end="")
    print("cell means: within 1 %   rms   breaches  halts")
    for number in mean.index:
        row = mean.loc[number]
        print(
            f"  {number:5d} {row['inside']:16.1f} % {row['rms']:5.2f} "
            f"{worst.loc[number, 'inside']:8.1f} % {worst.loc[number, 'rms']:5.2f} "
            f"{row['inside everywhere']:14.1f} % {row['rms everywhere']:5.2f} "
            f"{row['mean inside']:23.1f} % {row['mean rms']:5.2f} "
            f"{breaches[number]:9d} {halted[number]:6d}"
        )


def report(name: str, rows: list[Row]) -> None:
    print(f"\n{name}: {len(rows)} simulated engines, one round, default settings")
    refused = [row for row in rows if row.status != "proposed"]
    for row in refused[:1]:
        print(f"  {len(refused)} of {len(rows)} {row.status}")
    kept = [row for row in rows if row.status == "proposed"]
    if not kept:
        return
    print(f"  {'':16} {'held: within 1 %':>18} {'rms':>6} {'worst engine':>13}", end="")
    print(f" {'all: within 1 %':>18} {'rms':>6}")
    for method in ("no change", "mean of all", "mean of steady", "tuneassist", "best possible"):
        held = np.array([row.scores[f"{method} | held"] for row in kept])
        everywhere = np.array([row.scores[f"{method} | all"] for row in kept])
        print(
            f"  {method:16} {held[:, 0].mean():16.1f} % {held[:, 1].mean():6.2f} "
            f"{held[:, 0].min():11.1f} % {everywhere[:, 0].mean():16.1f} % "
            f"{everywhere[:, 1].mean():6.2f}"
        )


def calibration_table(rows: list[Row]) -> None:
    table = pd.concat([row.calibration for row in rows if not row.calibration.empty])
    print("\n95 % intervals that hold the truth, by confidence (all cases above)")
    for keys in (["confidence"], ["confidence", "from"]):
        groups = table.groupby(keys, sort=True)
        for key, group in groups:
            words = ", ".join(key)
            print(
                f"  {words:20} {len(group):7d} cells  {100.0 * group['inside'].mean():5.1f} % "
                f"inside, median half width {group['half_width'].median():.2f} %"
            )


def sample_log() -> None:
    """The bundled petrol session against the truth it was made from."""
    engine, setup = petrol_engine(), read_setup(SAMPLES / "petrol-setup.toml")
    logs = [read_log(SAMPLES / "petrol-session-1.csv", setup=setup)]
    report("bundled petrol log", [judge(engine, logs, setup, propose(logs, setup=setup))])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--engines", type=int, default=12, help="engines per case")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--case", action="append", choices=sorted(CASES), help="default: all")
    parser.add_argument("--rounds", type=int, default=1, help="more than 1: the loop instead")
    parser.add_argument("--workers", type=int, default=os.cpu_count())
    options = parser.parse_args()
    if options.rounds > 1:
        with ProcessPoolExecutor(options.workers) as pool:
            seeds = [1000 * options.seed + number for number in range(options.engines)]
            report_rounds(list(pool.map(run_rounds, seeds, [options.rounds] * len(seeds))))
        return
    sample_log()
    rows: list[Row] = []
    with ProcessPoolExecutor(options.workers) as pool:
        for name in options.case or CASES:
            seeds = [1000 * options.seed + number for number in range(options.engines)]
            made = list(pool.map(run, seeds, [name] * len(seeds)))
            report(name, made)
            rows += made
    calibration_table(rows)


if __name__ == "__main__":
    main()
