"""What the tests of runs, report and figures share: simulated logs as files, and a tune of them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
from typer.testing import CliRunner, Result

from tuneassist.cli.app import app
from tuneassist.files.grid_file import read_grid, write_grid_text
from tuneassist.files.setup_file import read_setup
from tuneassist.grid import Grid
from tuneassist.simulate import SessionPlan, simulate_session
from tuneassist.simulate.full_load import (
    FullLoadLog,
    FullLoadPlan,
    TorqueCurve,
    simulate_full_load,
    stock_diesel,
    tuned_diesel,
)
from tuneassist.simulate.logs import Dialect, standard_columns, write_log
from tuneassist.simulate.sample_logs import petrol_engine

SAMPLES = Path(__file__).resolve().parents[1] / "sample_logs"
PETROL, VAN = SAMPLES / "petrol-setup.toml", SAMPLES / "van-setup.toml"
TORQUE = {"Torque (N.m)": 1.0, "Torque (lbf.ft)": 1.3558179483314004}  # NIST SP 811: lbf.ft in N.m
COLUMNS = {
    "time_s": "Time (s)",
    "rpm": "Engine speed (rpm)",
    "pedal_pct": "Pedal (percent)",
    "boost_kpa": "Boost pressure (kPa)",
    "exhaust_temp_c": "Exhaust gas temperature (degC)",
    "lambda": "Lambda (lambda)",
    "barometer_kpa": "Barometric pressure (kPa)",
    "intake_temp_c": "Intake air temperature (degC)",
}


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(a) for a in arguments])


def write_full_load(
    path: Path, log: FullLoadLog, *, torque: str = "Torque (N.m)", mark: str = "# simulated"
) -> Path:
    frame = log.samples[list(COLUMNS)].rename(columns=COLUMNS).round(4)
    frame[torque] = (log.samples["torque_nm"] / TORQUE[torque]).round(3)
    path.write_text(f"{mark}\n{frame.to_csv(index=False)}", encoding="utf-8", newline="")
    return path


def full_load(
    curve: TorqueCurve, *, seed: int, plan: FullLoadPlan | None = None, name: str = "simulated"
) -> FullLoadLog:
    rng = np.random.default_rng(seed)
    return simulate_full_load(curve, plan or FullLoadPlan(), rng=rng, name=name)


def write_sides(folder: Path, *, exhaust_c: float = 810.0) -> tuple[Path, Path]:
    """A stock and a tuned diesel; the tuned one is too hot by the default limits."""
    plan = replace(FullLoadPlan(), exhaust_c=exhaust_c, boost_kpa=150.0)
    before = write_full_load(folder / "before.csv", full_load(stock_diesel(), seed=1))
    after = write_full_load(folder / "after.csv", full_load(tuned_diesel(), seed=2, plan=plan))
    return before, after


def write_tunes(folder: Path) -> Path:
    folder.mkdir()
    setup = read_setup(VAN)
    (folder / "setup.toml").write_text(VAN.read_text(encoding="utf-8"), encoding="utf-8")
    rpm = np.arange(1200.0, 4200.0, 50.0)
    lines = ['setup = "setup.toml"']
    for name, kind, pct, curve in (
        ("standard", "standard", 0.0, stock_diesel()),
        ("for the trailer", "towing", 4.0, tuned_diesel().scaled(-8.0)),
    ):
        grid = Grid(setup.axes, np.full(setup.axes.shape, pct))
        (folder / f"{kind}.csv").write_text(write_grid_text(grid), encoding="utf-8")
        run_frame = pd.DataFrame({"rpm": rpm, "torque_nm": curve.torque(rpm).round(1)})
        run_frame.to_csv(folder / f"{kind}-run.csv", index=False)
        lines += ["[[tune]]", f'name = "{name}"', f'kind = "{kind}"', f'grid = "{kind}.csv"',
                  f'run = "{kind}-run.csv"']  # fmt: skip
    (folder / "tunes.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


def write_session(path: Path, *, grid: Grid | None, number: int) -> None:
    """A session of holds on the simulated petrol engine, with a grid in force."""
    session = simulate_session(
        petrol_engine(),
        SessionPlan(holds=40, rate_hz=8),
        grid=grid,
        rng=np.random.default_rng(number),
    )
    marks = (f"# simulated session {number}",)
    write_log(path, session, Dialect(columns=standard_columns(session), preamble=marks))


def write_tune(folder: Path, *, rounds: int = 2) -> Path:
    """A tune of simulated sessions, each logged with the grid that was accepted before."""
    text = PETROL.read_text(encoding="utf-8")
    setup_file = folder / "car.toml"
    setup_file.write_text(
        text[: text.index("[channels]")] + text[text.index("[axes]") :], encoding="utf-8"
    )
    axes, tune, grid = read_setup(setup_file).axes, folder / "tune", None
    assert run("rounds", "start", tune, "--setup", setup_file).exit_code == 0
    for number in range(1, rounds + 1):
        log = folder / f"round-{number}.csv"
        write_session(log, grid=grid, number=number)
        added = run("rounds", "add", tune, log)
        assert added.exit_code == 0, added.output
        if number < rounds:
            assert run("rounds", "accept", tune).exit_code == 0
            grid = read_grid(tune / f"round-{number:02d}" / "grid.csv", axes=axes)
    return tune
