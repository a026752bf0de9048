"""A boost grid tells boost before and after; where air may not rise, the fuel to take away."""

from __future__ import annotations

import csv
import importlib.util
import io
import json
import os
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from rich.console import Console
from typer.testing import CliRunner, Result

from tuneassist.channels import CHANNELS
from tuneassist.cli.app import app
from tuneassist.correction import check_grid, less_fuel, limit_step
from tuneassist.correction.boost_forecast import (
    EARLIER,
    MEASURED,
    UNREAD,
    barometer_words,
    boost_forecast,
    pressure_unit,
)
from tuneassist.errors import RuleBreachError
from tuneassist.evidence.as_logged import AsLogged
from tuneassist.files.grid_file import read_grid
from tuneassist.files.result_writer import OWN_FILES, RESULT_FILES
from tuneassist.files.setup_file import read_setup
from tuneassist.grid import Grid
from tuneassist.loop.held_then import acting_on_lambda, with_pressure_now
from tuneassist.loop.history_changes import FUEL_FILE
from tuneassist.loop.pooling import Round, pool_rounds
from tuneassist.loop.response import Response
from tuneassist.pipeline import LogEvidence, Proposal, cells_with_boost, highest_seen, raw_step
from tuneassist.pipeline import propose as propose_logs
from tuneassist.reading import read_log
from tuneassist.settings import Ceiling, ChannelSource, CorrectionSettings, Setup
from tuneassist.show.boost import less_fuel_section
from tuneassist.show.display import Display
from tuneassist.simulate.logs import write_log
from tuneassist.simulate.route import SessionPlan
from tuneassist.simulate.sample_logs import VAN_FIRST, van_engine
from tuneassist.simulate.session import simulate_session
from tuneassist.workflow.boost_files import fuel_contents

ROOT = Path(__file__).parents[1]
VAN, VAN_LOG = ROOT / "sample_logs" / "van-setup.toml", ROOT / "sample_logs" / "van-session-1.csv"
CENTRE = 4  # of three by three
DIESEL_AIR = {"ignition": "compression", "acts_on": "boost", "kind": "floor"}
CEILING = {"ceilings": {"boost": Ceiling(124.1)}}
KPA_PER_PSI = 6.894757293168
"""NIST Special Publication 811, appendix B.8."""

_spec = importlib.util.spec_from_file_location(
    "limits_benchmark", ROOT / "benchmarks" / "limits.py"
)
bench = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(bench)


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(a) for a in arguments], env={"COLUMNS": "80"})


def done(*arguments: object, status: int = 0) -> str:
    result = run(*arguments)
    assert result.exit_code == status, result.output
    assert "Traceback" not in result.output
    return " ".join(result.output.split())


def boost_setup(folder: Path, ceilings: str = 'boost = { ceiling = 12, unit = "psi" }') -> Path:
    text = VAN.read_text(encoding="utf-8").replace('acts_on = "fuel"', 'acts_on = "boost"')
    path = folder / "boost.toml"
    path.write_text(f"{text}\n[limits.ceilings]\n{ceilings}\n", encoding="utf-8")
    return path


# --- boost before and after ---------------------------------------------------------------------


def test_boost_after_a_step_is_absolute_pressure_times_the_step_less_the_barometer() -> None:
    # by hand: 190 kPa absolute, barometer 98: 92 kPa gauge now. +8 %: 190 x 1.08 = 205.2, less 98
    # = 107.2. -5 %: 190 x 0.95 = 180.5, less 98 = 82.5. Without a barometer 101.325: 88.675 now,
    # +8 %: 103.875. In the third cell nothing was logged.
    setup = bench.crafted(**DIESEL_AIR)[1]
    cells = pd.DataFrame({"manifold_pressure_kpa": [190.0, 190.0, np.nan], "barometer_kpa": 98.0})
    step = np.array([8.0, -5.0, 8.0])
    told = boost_forecast(cells, step, setup)
    assert told["boost_now_kpa"].tolist()[:2] == pytest.approx([92.0, 92.0])
    assert told["boost_after_kpa"].tolist()[:2] == pytest.approx([107.2, 82.5])
    assert told["boost_basis"].tolist() == [MEASURED, MEASURED, UNREAD]
    assert told[["boost_now_kpa", "boost_after_kpa"]].iloc[2].isna().all()
    standard = boost_forecast(cells.drop(columns="barometer_kpa"), step, setup)
    assert standard["boost_now_kpa"].iloc[0] == pytest.approx(88.675)
    assert standard["boost_after_kpa"].iloc[0] == pytest.approx(103.875)
    assert barometer_words(cells, setup) == "a barometer of 98.0 kPa, as logged"
    assert "none was logged" in barometer_words(cells.drop(columns="barometer_kpa"), setup)


@pytest.mark.parametrize(
    ("changes", "logged", "unit"),
    [
        ({"load_unit": "kPa", "ceiling": "psi", "channel": "bar"}, {"boost": "inHg"}, "psi"),
        ({"load_unit": "kPa", "channel": "bar"}, {"boost": "inHg"}, "bar"),
        ({"load_unit": "psi gauge"}, {"boost": "inHg"}, "psi"),
        ({"load_unit": "percent"}, {"boost": "V", "manifold_pressure": "inHg"}, "inHg"),
        ({"load_unit": "percent"}, {}, "kPa"),
    ],
)
def test_boost_is_told_in_the_persons_unit(changes, logged, unit) -> None:
    ceilings = (
        {"boost": Ceiling(124.1, given_unit=changes["ceiling"])} if "ceiling" in changes else {}
    )
    setup = bench.crafted(load_unit=changes["load_unit"], ceilings=ceilings, **DIESEL_AIR)[1]
    if "channel" in changes:
        setup = replace(setup, channels={"boost": ChannelSource("P2", changes["channel"])})
    assert pressure_unit(setup, logged) == unit


@pytest.fixture(scope="module")
def made() -> Proposal:
    """The van's log proposed under a boost grid with a ceiling of 12 psi."""
    setup = read_setup(VAN)
    limits = replace(setup.limits, ceilings={"boost": Ceiling(12 * KPA_PER_PSI, given_unit="psi")})
    setup = replace(setup, correction=CorrectionSettings(acts_on="boost"), limits=limits)
    return propose_logs(read_log(VAN_LOG, setup=setup), setup=setup)


def a_log(made: Proposal, pressure: float, **more: float) -> LogEvidence:
    """Evidence with one highest pressure in every cell."""
    cells = range(made.setup.axes.size)
    peaks = pd.DataFrame({"manifold_pressure_kpa_max": pressure, **more}, index=cells)
    return replace(made.evidence.logs[0], peaks=peaks)


def test_a_pressure_logged_under_an_earlier_grid_is_brought_to_the_one_in_force(
    made: Proposal,
) -> None:
    # by hand: 190 kPa read at 0 %, the cell holds +10 % now: 190 x 1.10 = 209 kPa. Gauge
    # 209 - 101.325 = 107.675. The ceiling of 124.1 gauge is 225.425 absolute: 225.425 / 209 =
    # 1.0786, so +7.8 % is the most; counted from the reading it would be 225.425 / 190 = +18.6 %.
    axes = read_setup(VAN).axes
    zero, ten = Grid.zeros(axes), Grid(axes, np.full(axes.shape, 10.0))
    brought = highest_seen([with_pressure_now(a_log(made, 190.0), then=zero, now=ten)])
    told = boost_forecast(pd.DataFrame(brought), np.zeros(axes.size), read_setup(VAN))
    assert told["boost_now_kpa"].iloc[0] == pytest.approx(107.675)
    assert set(told["boost_basis"]) == {EARLIER}
    top = brought["manifold_pressure_kpa"].iloc[0]
    change = {CENTRE: {"deviation_pct": -20.0, "manifold_pressure_kpa": top}}
    cells, setup = bench.crafted(change, **CEILING, **DIESEL_AIR)
    held = Grid(setup.axes, np.full(setup.axes.shape, 10.0))
    step = limit_step(cells, current=held, setup=setup).step_pct[CENTRE]
    assert 7.6 < step <= 7.86


def test_rounds_count_with_the_pressure_under_the_grid_in_force(made: Proposal) -> None:
    axes, first = made.setup.axes, made.evidence.logs[0]
    ten = Grid(axes, np.full(axes.shape, 10.0))
    logged = Round(1, (first,), Grid.zeros(axes), Response("first round", ""))
    read = first.peaks["manifold_pressure_kpa_max"].to_numpy()
    now = pool_rounds([logged], setup=made.setup, current=ten).cells["manifold_pressure_kpa"]
    np.testing.assert_allclose(now, 1.1 * read)
    on_fuel = replace(made.setup, correction=CorrectionSettings())
    same = pool_rounds([logged], setup=on_fuel, current=ten).cells["manifold_pressure_kpa"]
    np.testing.assert_allclose(same, read)


def test_a_reading_under_the_grid_in_force_goes_before_one_brought(made: Proposal) -> None:
    axes = read_setup(VAN).axes
    zero, down = Grid.zeros(axes), Grid(axes, np.full(axes.shape, -10.0))
    # 220 kPa was read at 0 %: 198 at the -10 % held now, at which 195 was read
    old = with_pressure_now(a_log(made, 220.0), then=zero, now=down)
    new = with_pressure_now(a_log(made, 195.0), then=down, now=down)
    seen = pd.DataFrame(highest_seen([old, new]))
    told = boost_forecast(seen, np.zeros(axes.size), read_setup(VAN))
    assert told["boost_now_kpa"].iloc[0] == pytest.approx(195.0 - 101.325)
    assert set(told["boost_basis"]) == {MEASURED}
    assert seen["manifold_pressure_kpa"].iloc[0] == 220.0  # the limits take the highest


def test_the_logged_barometer_reaches_boost_and_its_ceiling(made: Proposal) -> None:
    setup = read_setup(VAN)
    samples = pd.DataFrame({
        "time_s": np.arange(40) / 10.0, "rpm": 1800.0, "load": 36.0,
        "manifold_pressure_kpa": 190.0, CHANNELS["barometer"].column: [90.0, 92.0] * 20,
    })  # fmt: skip
    seen = AsLogged(samples, setup)
    seen.add(samples.head(13))
    seen.add(samples.tail(27))
    assert seen.peaks()["barometer_kpa"].tolist() == pytest.approx(
        [91.0] * setup.axes.size, abs=0.1
    )
    low, high = a_log(made, 190.0, barometer_kpa=91.0), a_log(made, 190.0, barometer_kpa=95.0)
    assert (
        highest_seen([high, low])["barometer_kpa"].iloc[0] == 91.0
    )  # the one that tells more boost


# --- fuel to take away --------------------------------------------------------------------------


def test_what_air_may_not_give_is_taken_from_the_fuel_by_hand_arithmetic() -> None:
    # 190 kPa, lambda 20 % too rich, ceiling 124.1 gauge = 225.425 absolute: air +18.6 %, and lambda
    # 0.8 x 1.186 = 0.9488 of the floor. With 1 % kept above a floor the fuel is
    # 0.9488 / 1.01 - 1 = -6.06 %, which the controller takes as -6.0 %.
    change = {CENTRE: {"deviation_pct": -20.0, "manifold_pressure_kpa": 190.0}}
    cells, setup = bench.crafted(change, resolution_pct=0.1, **CEILING, **DIESEL_AIR)
    limited = limit_step(cells, current=Grid.zeros(setup.axes), setup=setup)
    less = less_fuel(limited, setup=setup, current=None)
    assert limited.step_pct[CENTRE] == pytest.approx(18.6)
    assert less.grid.flat()[CENTRE] == pytest.approx(-6.0)
    assert np.delete(less.grid.flat(), CENTRE).tolist() == [0.0] * 8
    told = cells_with_boost(limited, setup, less)
    assert told["boost_after_kpa"].iloc[CENTRE] == pytest.approx(190.0 * 1.186 - 101.325)
    assert told["fuel_to_take_away_pct"].iloc[CENTRE] == pytest.approx(-6.0)
    # what is in the fuel table already stays, and the rest comes on top of it, by composition
    two = Grid(setup.axes, np.full(setup.axes.shape, -2.0))
    on_top = less_fuel(limited, setup=setup, current=two)
    assert on_top.grid.flat()[CENTRE] == pytest.approx(100 * (0.98 * 0.9394 - 1), abs=0.1)
    assert np.delete(on_top.grid.flat(), CENTRE).tolist() == [-2.0] * 8


def test_air_taken_back_past_a_hard_ceiling_takes_its_fuel_along() -> None:
    # on the floor with 240 kPa where 230 is the hardest: air -2 %, lambda 2 % under the floor
    change = {CENTRE: {"manifold_pressure_kpa": 240.0}}
    ceilings = {"boost": Ceiling(110.0, hard=128.0)}
    cells, setup = bench.crafted(change, ceilings=ceilings, richest_lambda=0.5, **DIESEL_AIR)
    limited = limit_step(cells, current=Grid.zeros(setup.axes), setup=setup)
    assert limited.step_pct[CENTRE] == pytest.approx(-2.0)
    less = less_fuel(limited, setup=setup, current=None)
    assert less.grid.flat()[CENTRE] == pytest.approx(100 * (0.98 / 1.01 - 1), abs=0.11)


def test_a_cell_that_a_shut_neighbour_holds_by_the_slope_gets_less_fuel_too() -> None:
    lean = {"deviation_pct": -12.0, "manifold_pressure_kpa": 150.0}
    change = {CENTRE: {"deviation_pct": -12.0, "manifold_pressure_kpa": 225.0}, CENTRE + 1: lean}
    slopes = {"max_slope_load_pct": 4.0}
    cells, setup = bench.crafted(change, **slopes, **CEILING, **DIESEL_AIR)
    limited = limit_step(cells, current=Grid.zeros(setup.axes), setup=setup)
    assert limited.step_pct[CENTRE + 1] == pytest.approx(4.0, abs=0.3)  # of 13.6 asked for
    assert limited.needs_less_fuel_pct[CENTRE + 1] > 5.0
    # a largest step gives more air in the next round: no fuel for that
    cells, setup = bench.crafted({CENTRE: lean}, max_step_pct=5.0, **CEILING, **DIESEL_AIR)
    limited = limit_step(cells, current=Grid.zeros(setup.axes), setup=setup)
    assert limited.step_pct[CENTRE] == pytest.approx(5.0)
    assert less_fuel(limited, setup=setup, current=None) is None


def test_a_spark_engine_never_gets_a_leaning_fuel_grid(made: Proposal) -> None:
    change = {CENTRE: {"deviation_pct": -10.0, "manifold_pressure_kpa": 224.0}}
    cells, setup = bench.crafted(change, ignition="spark", acts_on="boost", **CEILING)
    limited = limit_step(cells, current=Grid.zeros(setup.axes), setup=setup)
    assert "boost_ceiling" in limited.binding["rule"].tolist()
    assert not limited.needs_less_fuel_pct.any()
    asked = replace(limited, needs_less_fuel_pct=np.full(9, 5.0))
    for one in (limited, asked):
        assert less_fuel(one, setup=setup, current=None) is None
    told = cells_with_boost(limited, setup, None)
    assert "fuel_to_take_away_pct" not in told
    held = Proposal(setup, Grid.zeros(setup.axes), made.evidence, limited, told)
    screen = Console(width=80, record=True, file=io.StringIO())
    screen.print(less_fuel_section(held, Display()))
    words = " ".join(screen.export_text().split())
    assert "Air must not rise here: leave the cell rich" in words
    assert "2000 rpm, 60 kPa: no fuel is taken away there" in words


def drawn(number: int) -> tuple[pd.DataFrame, Grid, Setup, Grid]:
    """A random boost case of a compression engine, and a fuel grid in force."""
    rng = np.random.default_rng([77, number])
    raw, current, setup = bench.random_case(rng)
    correction = replace(setup.correction, acts_on="boost")
    engine = replace(setup.engine, ignition="compression")
    setup = replace(setup, correction=correction, engine=engine)
    grain = setup.limits.resolution_pct
    taken = rng.uniform(0.0, 3.0, setup.axes.shape) * (rng.random() < 0.5)
    fuel = Grid(setup.axes, -np.round(grain * np.round(taken / grain), 10))
    raw = raw_step(raw.drop(columns=["raw_pct", "reason"]), setup)
    return raw, current, setup, fuel


def test_fuel_to_take_away_is_never_positive_never_less_and_breaks_no_rule() -> None:
    found = 0
    for number in range(80):
        raw, current, setup, fuel = drawn(number)
        limited = limit_step(raw, current=current, setup=setup)
        less = less_fuel(limited, setup=setup, current=fuel)
        if less is None:
            continue
        found += 1
        values, before, limits = less.grid.flat(), fuel.flat(), setup.limits
        assert np.isfinite(values).all()
        assert (values <= 0).all()
        assert (values <= before + 1e-9).all()
        moved = 100.0 * (1.0 - (100.0 + values) / (100.0 + before))
        assert moved.max() <= limits.max_step_pct + 1e-6
        assert (np.abs(values) <= np.maximum(limits.max_total_pct, np.abs(before)) + 1e-6).all()
        breaches = check_grid(less.grid, current=fuel, setup=less.setup, cells=less.limited.source)
        assert [one.sentence for one in breaches] == [], number
    assert found > 25


# --- the files and the screen -------------------------------------------------------------------


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """The van's log under a boost grid with a low ceiling, by the installed command."""
    home = tmp_path_factory.mktemp("boost")
    made = subprocess.run(
        [sys.executable, "-m", "tuneassist", "propose", VAN_LOG, "-s", boost_setup(home), "-o",
         home / "out"],
        capture_output=True, text=True, check=False, env={**_environment(), "COLUMNS": "80"},
    )  # fmt: skip
    assert made.returncode == 0, made.stderr
    return home, made.stdout


def _environment() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8"}


def rows_of(path: Path) -> list[list[str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.reader(stream))


def test_the_command_writes_both_grids_and_tells_boost_in_the_unit_of_the_ceiling(written) -> None:
    home, screen = written
    cells = pd.read_csv(home / "out" / "cells.csv")
    assert cells.columns[-4:].tolist() == [
        "boost_now_psi", "boost_after_psi", "boost_basis", "fuel_to_take_away_pct",
    ]  # fmt: skip
    assert cells.columns[12] == "reason"  # the contract's columns stand before them
    moved = cells[(cells["step_pct"] > 0) & cells["boost_now_psi"].notna()]
    assert len(moved) >= 2
    air = 101.325 / KPA_PER_PSI
    after = (moved["boost_now_psi"] + air) * (1 + moved["step_pct"] / 100) - air
    np.testing.assert_allclose(moved["boost_after_psi"], after, atol=2e-4)
    blind = cells["boost_basis"] == "no reading"
    assert (cells["samples"][~blind] > 0).all()
    assert cells.loc[blind, ["boost_now_psi", "boost_after_psi"]].isna().all(axis=None)
    fuel = np.array([[float(v) for v in row[1:]] for row in rows_of(home / "out" / FUEL_FILE)[1:]])
    assert fuel.shape == (10, 8)
    assert (fuel <= 0).all() and (fuel < 0).sum() >= 4
    np.testing.assert_allclose(np.round(fuel, 1), fuel, atol=1e-9)  # the controller takes 0.1 %
    np.testing.assert_allclose(cells["fuel_to_take_away_pct"], fuel.ravel(), atol=1e-4)
    short = cells["reason"].str.contains("needs less fuel here")
    assert short.sum() >= 4
    assert (fuel.ravel()[short] < 0).all()
    record = json.loads((home / "out" / "proposal.json").read_text(encoding="utf-8"))
    assert record["boost"]["unit"] == "psi gauge"
    assert "none was logged" in record["boost"]["counts_from"]
    assert record["fuel_to_take_away"]["file"] == FUEL_FILE
    words = " ".join(screen.split())
    assert "Boost now → after the step, psi gauge" in words
    first = moved.iloc[0]
    assert f"{first['boost_now_psi']:.1f}→{first['boost_after_psi']:.1f}" in words
    assert "reduce fuel by other means" in words
    assert f"{FUEL_FILE} into the fuel table together with grid.csv" in words
    assert max(len(line) for line in screen.splitlines()) <= 80


def test_the_report_page_shows_both_maps_and_what_both_grids_will_do(written) -> None:
    home, _ = written
    done("report", home / "out", "--out", home / "page.html")
    page = (home / "page.html").read_text(encoding="utf-8")
    assert "Boost now, and after the step of the proposal, psi gauge" in page
    assert "for the fuel table, not loaded yet" in page
    cells = pd.read_csv(home / "out" / "cells.csv")
    moved = cells[(cells["step_pct"] > 0) & cells["boost_now_psi"].notna()].iloc[0]
    assert f"{moved['boost_now_psi']:.1f} → {moved['boost_after_psi']:.1f}" in page
    taken = cells[(cells["fuel_to_take_away_pct"] < -8) & (cells["step_pct"] == 0)].iloc[0]
    ratio = (1 + taken["deviation_pct"] / 100) / (1 + taken["fuel_to_take_away_pct"] / 100)
    assert f"{100 * (ratio - 1):+.1f}" in page  # expected after both


@pytest.mark.parametrize(
    ("name", "change", "words"),
    [
        (FUEL_FILE, ("-8.2", "8.2"), "only takes fuel away"),
        (FUEL_FILE, ("-8.2", "-3"), "do not agree"),
        (FUEL_FILE, None, FUEL_FILE),
        ("cells.csv", ("boost_now_psi", "boost_now_furlong"), "no unit of pressure"),
        ("cells.csv", ("boost_after_psi", "boost_afterwards"), "boost_after_psi are missing"),
        ("cells.csv", ("no reading", "a guess"), "boost_basis is not one of"),
    ],
)
def test_a_folder_whose_boost_or_fuel_was_changed_is_refused_by_name(
    written, tmp_path: Path, name: str, change: tuple[str, str] | None, words: str
) -> None:
    shutil.copytree(written[0] / "out", tmp_path / "out")
    path = tmp_path / "out" / name
    if change is None:
        path.unlink()
    else:
        path.write_text(path.read_text(encoding="utf-8").replace(*change), encoding="utf-8")
    assert words in done("report", tmp_path / "out", "--out", tmp_path / "p.html", status=3)
    assert not (tmp_path / "p.html").exists()


def test_a_second_result_without_fuel_leaves_no_old_fuel_file(written, tmp_path: Path) -> None:
    shutil.copytree(written[0] / "out", tmp_path / "out")
    done("propose", VAN_LOG, "-s", VAN, "-o", tmp_path / "out", "--overwrite", "-q")
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == sorted(RESULT_FILES)
    assert pd.read_csv(tmp_path / "out" / "cells.csv").columns[-1] == "reason"  # a fuel grid


def test_a_fuel_grid_that_gives_fuel_or_takes_too_much_is_never_written(made: Proposal) -> None:
    assert fuel_contents(made)[FUEL_FILE].startswith("rpm/load,6,12")
    assert {*OWN_FILES} == {*RESULT_FILES, FUEL_FILE}  # the only names that a folder may hold
    taken = made.fuel.grid.flat()
    for value, words in ((1.0, "would give fuel"), (-29.0, "breaks a rule")):
        values = np.where(taken < 0, value, 0.0).reshape(made.setup.axes.shape)
        limited = replace(made.fuel.limited, grid=Grid(made.setup.axes, values))
        with pytest.raises(RuleBreachError, match=words):
            fuel_contents(replace(made, fuel=replace(made.fuel, limited=limited)))


# --- rounds -------------------------------------------------------------------------------------

AIR_VAN = replace(van_engine(), acts_on="boost")
"""The sample van, whose grid corrects air."""


@pytest.fixture(scope="module")
def first_round(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("rounds")
    done("rounds", "start", home / "tune", "--setup", boost_setup(home))
    said = done("rounds", "add", home / "tune", VAN_LOG)
    assert "together: each is the whole grid" in said
    assert "--without-fuel" in said
    return home


@pytest.fixture
def tune(first_round: Path, tmp_path: Path) -> Path:
    shutil.copytree(first_round, tmp_path / "car")
    return tmp_path / "car" / "tune"


def logged_with_both(tune: Path) -> Path:
    """A session with both grids of the first round in the controller: air over fuel."""
    axes = AIR_VAN.car.axes
    air = read_grid(tune / "round-01" / "grid.csv", axes=axes)
    fuel = read_grid(tune / "round-01" / FUEL_FILE, axes=axes)
    session = simulate_session(
        AIR_VAN, SessionPlan(stamp_s=0.001), grid=acting_on_lambda(air, fuel),
        rng=np.random.default_rng(4),
    )  # fmt: skip
    write_log(tune.parent / "second.csv", session, VAN_FIRST)
    return tune.parent / "second.csv"


def test_the_answer_is_judged_by_both_grids_and_the_next_fuel_grid_is_whole(tune: Path) -> None:
    assert FUEL_FILE in done("rounds", "accept", tune)
    done("rounds", "add", tune, logged_with_both(tune))
    status = json.loads(run("rounds", "status", tune, "--json").stdout)
    now = status["rounds"][-1]
    assert status["fuel_taken_away_by"] == "round-01"
    assert now["response_low"] < 1.0 < now["response_high"] < 1.5
    # the map that both leave is nearer the floor than the first was
    assert now["rms_pct"] < 0.8 * status["rounds"][0]["rms_pct"]
    axes = AIR_VAN.car.axes
    first, second = (read_grid(tune / f"round-0{n}" / FUEL_FILE, axes=axes) for n in (1, 2))
    assert (second.flat() <= first.flat() + 1e-9).all()  # the whole grid, nothing is given back
    assert json.loads((tune / "history.json").read_text())["format"] == 3
    assert "in the fuel table" in done("rounds", "history", tune)
    # undone, the fuel is out of the account again
    done("rounds", "undo", tune)
    done("rounds", "undo", tune)
    assert "fuel_taken_away_by" not in json.loads(run("rounds", "status", tune, "--json").stdout)
    assert json.loads((tune / "history.json").read_text())["format"] == 3  # nothing is deleted


def test_boost_alone_can_be_accepted_and_a_restored_grid_brings_its_own_fuel(tune: Path) -> None:
    done("rounds", "accept", tune, "--without-fuel")
    assert json.loads((tune / "history.json").read_text())["format"] == 2
    done("rounds", "undo", tune)
    done("rounds", "accept", tune)
    said = done("rounds", "restore", tune, 0)
    assert "set all that was taken from the fuel back to 0" in said
    done("rounds", "accept", tune)
    assert "fuel_taken_away_by" not in json.loads(run("rounds", "status", tune, "--json").stdout)
    assert "The fuel table goes with it: type" in done("rounds", "restore", tune, 1)
    said = done("rounds", "accept", tune, "--without-fuel", status=3)
    assert "there is none to leave out" in said


def test_a_fuel_file_that_was_changed_is_not_accepted(tune: Path) -> None:
    path = tune / "round-01" / FUEL_FILE
    before = (tune / "history.json").read_bytes()
    path.write_text(path.read_text(encoding="utf-8").replace("-8.2", "-28.2"), encoding="utf-8")
    said = done("rounds", "accept", tune, status=3)
    assert FUEL_FILE in said and "changed since it was written" in said
    assert (tune / "history.json").read_bytes() == before


def test_a_fuel_grid_that_breaks_a_rule_in_force_is_not_accepted(tune: Path) -> None:
    setup = tune / "setup.toml"
    text = setup.read_text(encoding="utf-8")
    tighter = text.replace(
        "\n[limits.ceilings]", "\n[limits]\nmax_total_pct = 9\n[limits.ceilings]"
    )
    setup.write_text(tighter, encoding="utf-8")
    said = done("rounds", "accept", tune, status=5)
    assert FUEL_FILE in said and "more than 9 %" in said


def test_air_and_fuel_act_on_lambda_as_one_boost_grid() -> None:
    # 4.5 % more air and 5 % less fuel: 1.045 / 0.95 = 1.10 of the lambda before
    axes = AIR_VAN.car.axes
    air, fuel = (Grid(axes, np.full(axes.shape, value)) for value in (4.5, -5.0))
    assert acting_on_lambda(air, fuel).flat() == pytest.approx(np.full(axes.size, 10.0))
    assert acting_on_lambda(air, None) is air
