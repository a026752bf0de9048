"""Values found by hand become the map that logs would give, and bad lists are named and refused."""

from __future__ import annotations

import importlib.util
import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner, Result

import tuneassist
from tuneassist.cli.app import app
from tuneassist.correction import check_grid
from tuneassist.correction.cell_readings import in_boost
from tuneassist.errors import InputError, NoEvidenceError, TuneassistError
from tuneassist.files.grid_file import read_grid, write_grid_text
from tuneassist.files.result_writer import RESULT_FILES
from tuneassist.files.setup_file import read_setup
from tuneassist.files.spot_file import read_spots, spots_of
from tuneassist.grid import Grid, compose_pct
from tuneassist.settings import Setup
from tuneassist.spots import LEAST_DOUBT_PCT, USUAL_DOUBT_PCT
from tuneassist.workflow.spots import propose_spots

ROOT = Path(__file__).parents[1]
PETROL = ROOT / "sample_logs" / "petrol-setup.toml"
VAN = ROOT / "sample_logs" / "van-setup.toml"
CAR = read_setup(PETROL)
RPM, LOAD = (
    points.ravel() for points in np.meshgrid([1500, 2100, 2700, 3400, 4200], [45, 55, 66, 78])
)
KPA_PER_PSI = 6.894757293168
"""NIST Special Publication 811, appendix B.8."""


def surface(rpm: np.ndarray, load: np.ndarray) -> np.ndarray:
    return 1.0 + 2.5 * (rpm - 1500.0) / 2700.0 + 3.0 * (load - 45.0) / 33.0


def table(**columns: object) -> pd.DataFrame:
    plain = pd.DataFrame({"rpm": RPM, "load": LOAD, "correction_pct": surface(RPM, LOAD)})
    return plain.assign(**columns)


def listed(path: Path, frame: pd.DataFrame) -> Path:
    path.write_text(frame.to_csv(index=False), encoding="utf-8")
    return path


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(a) for a in arguments])


def spots_command(folder: Path, frame: pd.DataFrame, *more: object) -> Result:
    spots = listed(folder / "by-hand.csv", frame)
    return run("spots", spots, "-s", PETROL, "-o", folder / "out", *more)


def refused(result: Result, status: int, folder: Path) -> str:
    assert result.exit_code == status, result.output
    assert "Traceback" not in result.output
    assert not (folder / "out").exists()
    return " ".join(result.stderr.split())


def test_twenty_spots_become_the_four_files_and_the_map_between_them(tmp_path: Path) -> None:
    result = spots_command(tmp_path, table(), "--json")
    assert result.exit_code == 0, result.output
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == sorted(RESULT_FILES)
    cells = pd.read_csv(tmp_path / "out" / "cells.csv")
    inside = cells[cells["rpm"].between(1600, 4000) & cells["load"].between(50, 70)]
    truth = surface(inside["rpm"].to_numpy(), inside["load"].to_numpy())
    assert len(inside) == 18
    assert np.abs(inside["deviation_pct"] - truth).max() < 0.5
    assert np.abs(inside["grid_pct"] - truth).max() < 0.6  # rounded to the controller's 0.1 %
    record = json.loads((tmp_path / "out" / "proposal.json").read_text(encoding="utf-8"))
    assert [one["role"] for one in record["inputs"]] == ["setup", "spots"]
    assert record["spots"][0]["used"] == 20
    assert record["logs_given"] == 0
    grid = tmp_path / "out" / "grid.csv"
    assert run("verify", grid, "-s", PETROL).exit_code == 0


def test_the_installed_command_writes_on_success_and_nothing_on_an_error(tmp_path: Path) -> None:
    spots = listed(tmp_path / "by-hand.csv", table())
    gone, out = tmp_path / "gone.csv", tmp_path / "out"
    done = {
        name: subprocess.run(
            [sys.executable, "-m", "tuneassist", "spots", path, "-s", PETROL, "-o", out, "-q"],
            capture_output=True,
            check=False,
            timeout=120,
        )
        for name, path in (("gone", gone), ("found", spots))
    }
    assert [done[name].returncode for name in ("gone", "found")] == [3, 0]
    assert b"gone.csv" in done["gone"].stderr
    assert b"Traceback" not in done["gone"].stderr
    assert b"cells of 144 changed" in done["found"].stdout


def test_cells_beyond_the_spots_are_named_and_stay(tmp_path: Path) -> None:
    spots_command(tmp_path, table())
    cells = pd.read_csv(tmp_path / "out" / "cells.csv")
    far = cells[(cells["rpm"] > 5000) | (cells["load"] > 100)]
    assert (far["step_pct"] == 0).all()
    assert far["reason"].str.contains("no evidence").all()


def test_a_list_that_may_be_total_or_change_is_asked_for(tmp_path: Path) -> None:
    held = tmp_path / "held.csv"
    held.write_text(write_grid_text(Grid(CAR.axes, np.full(CAR.axes.shape, 2.0))), encoding="utf-8")
    words = refused(spots_command(tmp_path, table(), "-g", held), 3, tmp_path)
    assert "total correction or a change" in words
    assert "--values total or change" in words
    assert spots_command(tmp_path, table(), "-g", held, "--values", "change").exit_code == 0


@pytest.mark.parametrize("way", ["option", "column"])
def test_a_change_on_top_of_the_grid_equals_the_total_that_it_composes_to(
    way: str, tmp_path: Path
) -> None:
    held = Grid(CAR.axes, np.full(CAR.axes.shape, 2.0))
    total = compose_pct(2.0, surface(RPM, LOAD))
    if way == "column":
        change = table().rename(columns={"correction_pct": "change_pct"})
        whole = table(correction_pct=total).rename(columns={"correction_pct": "total_pct"})
        made = [propose_spots(frame, setup=CAR, current=held) for frame in (change, whole)]
    else:
        pairs = ((table(), "change"), (table(correction_pct=total), "total"))
        made = [propose_spots(f, setup=CAR, current=held, values=v) for f, v in pairs]
    one, two = (p.grid.flat() for p in made)
    assert np.abs(one - 2.0).max() > 3.0
    assert np.abs(one - two).max() < 0.11  # the last digit of the controller may fall either way
    assert np.allclose(*(p.evidence.fit.theta for p in made), atol=1e-6)


def test_a_column_that_says_otherwise_than_the_option_is_refused(tmp_path: Path) -> None:
    frame = table().rename(columns={"correction_pct": "total_pct"})
    words = refused(spots_command(tmp_path, frame, "--values", "change"), 3, tmp_path)
    assert 'the column says "total"' in words


def test_spots_at_one_place_that_contradict_each_other_are_named_and_count_less() -> None:
    frame = pd.concat([table(), pd.DataFrame([[2110, 55.2, 14.0]], columns=table().columns)])
    made = propose_spots(frame, setup=CAR)
    (note,) = [n for n in made.evidence.notes if "contradict each other" in n]
    where = table().index[(RPM == 2100) & (LOAD == 55)][0] + 2
    assert f"row {where} and row 22" in note
    holds = made.evidence.holds
    assert (holds["within_se"] > 0.02).sum() == 2
    plain = propose_spots(table(), setup=CAR).evidence.cells
    width = made.evidence.cells["ci_high_pct"] - made.evidence.cells["ci_low_pct"]
    near = (plain["rpm"] == 2000) & (plain["load"] == 60)
    assert (width[near] > (plain["ci_high_pct"] - plain["ci_low_pct"])[near]).all()


def test_honest_scatter_at_one_place_is_no_contradiction() -> None:
    rng = np.random.default_rng(5)
    twice = pd.concat([table(), table()], ignore_index=True)
    twice["correction_pct"] += rng.normal(0.0, USUAL_DOUBT_PCT, len(twice))
    made = propose_spots(twice, setup=CAR)
    assert not [n for n in made.evidence.notes if "contradict" in n]


def test_a_lone_spot_that_all_around_it_contradict_is_named_by_its_row() -> None:
    frame = table()
    frame.loc[7, "correction_pct"] += 12.0
    made = propose_spots(frame, setup=CAR)
    (note,) = [n for n in made.evidence.notes if "those around them contradict" in n]
    assert "row 9 (" in note
    assert "leaner" in note


@pytest.mark.parametrize("header", ["load (psi)", "load_psi", "Inlet pressure abs (psi)"])
def test_load_in_another_unit_is_converted(header: str) -> None:
    psi = table().rename(columns={"load": header})
    psi[header] = LOAD / KPA_PER_PSI
    found = spots_of(psi, setup=CAR)
    assert np.allclose(found.table["load"], LOAD)


def test_a_column_named_by_the_setup_is_read_in_the_unit_of_its_entry() -> None:
    source = replace(CAR.channels["load"], column="P2", unit="psi")
    car = replace(CAR, channels={**CAR.channels, "load": source})
    frame = table(load=LOAD / KPA_PER_PSI).rename(columns={"load": "P2"})
    assert np.allclose(spots_of(frame, setup=car).table["load"], LOAD)


def test_gauge_pressure_gets_the_barometer_on_an_absolute_axis_and_it_is_said() -> None:
    gauge = (LOAD - CAR.limits.barometer_kpa) / KPA_PER_PSI
    frame = table(load=gauge).rename(columns={"load": "boost (psi)"})
    found = spots_of(frame, setup=CAR)
    assert np.allclose(found.table["load"], LOAD)
    assert [n for n in found.notes if "barometer_kpa" in n]


BAD_ROWS = {
    "rpm,load,correction_pct\n1500,60,3\n1600,60,abc\n": "row 3, column 3: 'abc' is not a plain",
    "rpm,load,correction_pct\n1500,60,3\n,60,3\n": "row 3, column 1: the speed is missing",
    "rpm,load,correction_pct\n1500,60,3\n1600,,3\n": "row 3, column 2: the load is missing",
    "rpm,load,correction_pct\n1500,60\n": "row 2, column 3: the correction is missing",
    "rpm,load,correction_pct\n-3,60,3\n": "row 2, column 1: the speed is -3 rpm",
    "rpm,load,correction_pct\n1500,60,-100\n": "row 2, column 3: -100 % is no correction",
    "rpm,load,correction_pct\n1500,60,1050\n": "row 2, column 3: 1050 % is no correction",
    "rpm,load,correction_pct\n1500,60,5%\n": "row 2, column 3: '5%' is not a plain number",
    "rpm,load,correction_pct\n1500,1e999,5\n": "row 2, column 2: '1e999' is not a plain number",
    "rpm,load,correction_pct,doubt_pct\n1500,60,5,0\n": "row 2, column 4: a doubt of 0 %",
    "rpm,load,correction_pct,repeats\n1500,60,5,2.5\n": "row 2, column 4: 2.5 is no count",
    "rpm,load,factor\n1500,60,1.05\n": "row 1: no column is correction_pct",
    "rpm,load (furlong),correction_pct\n1500,60,5\n": "'furlong' is not one of pressure",
    "rpm,load (degC),correction_pct\n1500,60,5\n": "'degC' is not one of pressure",
    "rpm,load,correction (lambda)\n1500,60,5\n": "'lambda' is not percent",
    "rpm,load,total_pct,change_pct\n1500,60,5,5\n": "several columns could be correction_pct",
    "rpm,load,correction_pct\n": "holds no value",
    "": "the file is empty",
    "rpm/load,40,60\n1500,,\n2000,,\n": "holds no value",
    "rpm/load,40,60\n1500,,300\n2000,,\n": "a value is 300 %",
    "rpm/load,40,60\n1500,,x\n2000,,\n": "row 2, column 3",
    'rpm,load,correction_pct\n1500,"60,3\n': "stray quotation mark",
    'rpm,load,correction_pct\n1500,60,"3,5"\n': "decimal comma",
}


@pytest.mark.parametrize("text", BAD_ROWS)
def test_what_is_wrong_is_named_with_its_row_and_nothing_is_written(
    text: str, tmp_path: Path
) -> None:
    spots = tmp_path / "by-hand.csv"
    spots.write_text(text, encoding="utf-8")
    result = run("spots", spots, "-s", PETROL, "-o", tmp_path / "out")
    words = refused(result, 3, tmp_path)
    assert BAD_ROWS[text] in words
    assert "by-hand.csv" in words


def test_more_values_than_anyone_finds_are_refused_in_either_form() -> None:
    with pytest.raises(InputError, match="there are 2001 values"):
        spots_of(pd.concat([table()] * 101).head(2001), setup=CAR)


def test_a_semicolon_list_with_decimal_commas_and_remarks_is_read(tmp_path: Path) -> None:
    spots = tmp_path / "liste.csv"
    text = "rpm;load;correction_pct;remark\n1500;60,5;3,5;knocked, then ok.\n;;;\n1600;61;-2;\n"
    spots.write_bytes(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())
    found = read_spots(spots, setup=CAR)
    assert found.table["correction_pct"].tolist() == [3.5, -2.0]
    assert found.table["where"].tolist() == ["row 2", "row 4"]
    assert [n for n in found.notes if "'remark'" in n]


def test_a_doubt_and_repeats_decide_what_a_spot_counts() -> None:
    sure, unsure = (
        propose_spots(table(**columns), setup=CAR).evidence
        for columns in ({"repeats": 9}, {"doubt_pct": 3.0})
    )
    assert np.allclose(sure.holds["within_se"], USUAL_DOUBT_PCT / 300.0)
    assert np.allclose(unsure.holds["within_se"], 0.03)
    width = [(e.cells["ci_high_pct"] - e.cells["ci_low_pct"]).median() for e in (sure, unsure)]
    assert width[1] > 1.5 * width[0]


def test_no_count_of_repeats_makes_a_spot_exact() -> None:
    sure = propose_spots(table(repeats=1000, doubt_pct=0.01), setup=CAR).evidence
    assert (sure.holds["within_se"] == LEAST_DOUBT_PCT / 100.0).all()


def test_a_grid_with_blanks_serves_as_spots_and_a_blank_is_not_zero(tmp_path: Path) -> None:
    values = np.full(CAR.axes.shape, np.nan)
    picked = [(2, 1), (2, 4), (4, 2), (5, 4), (6, 1), (7, 4), (8, 2), (3, 3), (7, 2), (5, 1)]
    for row, column in picked:
        values[row, column] = 5.0 + 0.01 * row
    sparse = tmp_path / "sparse.csv"
    sparse.write_text(write_grid_text(Grid(CAR.axes, values)), encoding="utf-8")
    found = read_spots(sparse, setup=CAR)
    assert len(found.table) == len(picked)
    made = propose_spots(sparse, setup=CAR)
    cells = made.evidence.cells
    between = cells[(cells["rpm"] == CAR.axes.rpm[4]) & (cells["load"] == CAR.axes.load[3])]
    assert between["deviation_pct"].iloc[0] == pytest.approx(5.0, abs=0.3)


def test_verify_does_not_take_blanks_for_zero(tmp_path: Path) -> None:
    full = np.full(CAR.axes.shape, 8.0)
    sparse = np.full(CAR.axes.shape, np.nan)
    sparse[3, 3] = 9.0
    paths = {}
    for name, values in (("full", full), ("sparse", sparse), ("blank", sparse * np.nan)):
        paths[name] = tmp_path / f"{name}.csv"
        paths[name].write_text(write_grid_text(Grid(CAR.axes, values)), encoding="utf-8")
    alone = run("verify", paths["sparse"], "-s", PETROL)
    assert alone.exit_code == 0
    words = " ".join(alone.stdout.split())
    assert "sparse.csv:1cell,norule" in "".join(words.split())  # long paths wrap
    assert "143 cells are blank, which is not zero, and not checked" in words
    held = run("verify", paths["sparse"], "-s", PETROL, "--against", paths["full"], "--json")
    assert held.exit_code == 0, held.output
    assert json.loads(held.stdout)["blank_cells"] == 143
    full[3, 4] = -9.0  # the value beside a blank is what the controller holds, 18 % away
    paths["full"].write_text(write_grid_text(Grid(CAR.axes, full)), encoding="utf-8")
    steep = run("verify", paths["sparse"], "-s", PETROL, "--against", paths["full"])
    assert steep.exit_code == 5
    assert "max_slope_load_pct: at 2000 rpm, 60 kPa" in " ".join(steep.stderr.split())
    nothing = run("verify", paths["blank"], "-s", PETROL)
    assert nothing.exit_code == 3
    assert "every cell is blank" in nothing.stderr


def test_a_sheet_whose_blanks_were_saved_as_zeros_is_asked_about() -> None:
    zeros = table(correction_pct=np.where(np.arange(len(RPM)) < 12, 0.0, 4.0))
    assert [n for n in spots_of(zeros, setup=CAR).notes if "12 of 20 values are 0 %" in n]
    assert not [n for n in spots_of(table(), setup=CAR).notes if "0 %" in n]


def test_factors_in_place_of_percents_are_asked_about() -> None:
    factors = table(correction_pct=1.0 + surface(RPM, LOAD) / 100.0)
    assert [n for n in spots_of(factors, setup=CAR).notes if "a factor of 1.05" in n]


def test_spots_outside_the_axes_are_named_and_left_out(tmp_path: Path) -> None:
    frame = pd.concat([table(), pd.DataFrame([[9000, 60, 3.0]], columns=table().columns)])
    result = spots_command(tmp_path, frame, "--json")
    (note,) = [n for n in json.loads(result.stdout)["notes"] if "outside the axes" in n]
    assert "row 22 (9000 rpm" in note
    only = spots_command(tmp_path, frame.tail(1), "--overwrite")
    assert only.exit_code == 4
    assert "outside the axes: row 2 (9000 rpm, 60 kPa)" in " ".join(only.stderr.split())


def test_one_spot_is_no_map(tmp_path: Path) -> None:
    assert spots_command(tmp_path, table().head(1)).exit_code == 0
    cells = pd.read_csv(tmp_path / "out" / "cells.csv")
    assert (cells["step_pct"] != 0).sum() <= 4  # the corners of its own cell
    assert cells["confidence"].isin(["none", "low"]).all()


def boost_table() -> pd.DataFrame:
    rpm, load = (
        m.ravel() for m in np.meshgrid([2500, 3000, 3500, 4000, 4600], [80, 95, 110, 125, 140])
    )
    rise = -3.0 - 5.0 * (load - 80.0) / 60.0
    return pd.DataFrame({"rpm": rpm, "load": load, "correction_pct": rise})


def test_in_boost_spots_lean_no_further_than_the_rules_and_less_than_they_say() -> None:
    twice = pd.concat([boost_table(), boost_table().assign(rpm=lambda f: f["rpm"] + 20)])
    made = propose_spots(twice, setup=CAR)
    source = made.limited.source
    assert check_grid(made.grid, current=made.current, setup=CAR, cells=source) == ()
    is_boost = in_boost(source, CAR.axes, CAR.limits)
    assert (source["lean_doubt_pct"] > 1.9).all()  # a drift of the gauge cannot be ruled out
    assert made.cells.loc[is_boost, "step_pct"].min() >= -CAR.limits.max_lean_step_in_boost_pct
    asked = source.loc[is_boost & (source["confidence"] != "none"), "deviation_pct"]
    assert asked.min() < -7.0
    lone = propose_spots(boost_table().query("load < 100 or load > 130"), setup=CAR).cells
    between = lone[is_boost & lone["load"].isin([110]) & lone["rpm"].between(2600, 4500)]
    assert (between["step_pct"] >= 0).all()  # no spot of its own, so no leaner


def test_a_map_that_is_rich_all_over_is_a_scale_and_is_not_leaned() -> None:
    made = propose_spots(table(correction_pct=-12.0 - 0.1 * surface(RPM, LOAD)), setup=CAR)
    assert (made.cells["step_pct"] >= 0).all()
    assert [n for n in made.evidence.notes if "the whole map reads" in n]


def test_the_order_of_the_rows_does_not_matter() -> None:
    mixed = table().sample(frac=1.0, random_state=3)
    one, two = (propose_spots(frame, setup=CAR) for frame in (table(), mixed))
    assert np.allclose(one.evidence.fit.theta, two.evidence.fit.theta, atol=2e-4)


@pytest.fixture(scope="module")
def session() -> tuneassist.Log:
    return tuneassist.read_log(ROOT / "sample_logs" / "petrol-session-1.csv", setup=CAR)


def truth_table() -> pd.DataFrame:
    """Spots from the known map of the sample log's car."""
    truth = read_grid(ROOT / "sample_logs" / "petrol-simulated-truth.csv")
    at = truth.at(RPM, LOAD)
    return table(correction_pct=at)


def test_spots_and_logs_are_one_map(session: tuneassist.Log, tmp_path: Path) -> None:
    alone = tuneassist.propose(session, setup=CAR).evidence
    both = propose_spots(truth_table(), setup=CAR, logs=session).evidence
    assert set(both.holds["log"]) == {session.name, "spots"}
    assert len(both.holds) == len(alone.holds) + len(RPM)
    spots = listed(tmp_path / "by-hand.csv", truth_table())
    log = ROOT / "sample_logs" / "petrol-session-1.csv"
    result = run("spots", spots, log, "-s", PETROL, "-o", tmp_path / "out")
    assert result.exit_code == 0, result.output
    assert "20 spots found by hand; 1 log" in " ".join(result.stdout.split())
    record = json.loads((tmp_path / "out" / "proposal.json").read_text(encoding="utf-8"))
    assert [one["name"] for one in record["logs"]] == ["petrol-session-1.csv"]
    assert record["logs_given"] == 1


def test_spots_do_not_vouch_for_the_sensor_of_a_log(session: tuneassist.Log) -> None:
    dead = session.samples.assign(**{"lambda": 0.95})
    mute = replace(session, samples=dead)
    alone = propose_spots(truth_table(), setup=CAR)
    both = propose_spots(truth_table(), setup=CAR, logs=mute)
    assert np.array_equal(both.grid.values, alone.grid.values, equal_nan=True)
    assert any("lambda does not respond" in why for why in both.evidence.set_aside.values())


def floor_table(size: float) -> pd.DataFrame:
    car = read_setup(VAN)
    rpm, load = (m.ravel() for m in np.meshgrid(car.axes.rpm[2:-2], car.axes.load[3:-2]))
    return pd.DataFrame({"rpm": rpm, "load": load, "correction_pct": size + 0.0004 * rpm})


def fuel_van() -> Setup:
    car = read_setup(VAN)
    return replace(car, correction=replace(car.correction, acts_on="fuel"))


def test_against_a_smoke_floor_spots_take_fuel_away_and_add_none() -> None:
    van = fuel_van()
    assert van.target.kind == "floor"
    less = propose_spots(floor_table(-6.0), setup=van)
    assert less.cells["step_pct"].min() < -3.0
    known = less.cells[less.cells["raw_pct"] != 0]
    by_hand = -6.0 + 0.0004 * known["rpm"]
    assert np.abs(known["raw_pct"] - by_hand).max() < 0.5  # what was found, and no margin beside it
    more = propose_spots(floor_table(4.0), setup=van)
    assert (more.cells["step_pct"] <= 0).all()
    assert [n for n in more.evidence.notes if "smoke floor" in n]


def test_against_a_floor_spots_are_not_mixed_with_logs(tmp_path: Path) -> None:
    spots = listed(tmp_path / "by-hand.csv", floor_table(-3.0))
    log = ROOT / "sample_logs" / "van-session-1.csv"
    result = run("spots", spots, log, "-s", VAN, "-o", tmp_path / "out")
    assert "the target is a floor" in refused(result, 3, tmp_path)


def test_the_python_call_gives_and_writes_what_the_command_does(tmp_path: Path) -> None:
    assert spots_command(tmp_path, table()).exit_code == 0
    made = tuneassist.propose_spots(tmp_path / "by-hand.csv", setup=CAR)
    folder = tuneassist.write_proposal(made, tmp_path / "python")
    for name in ("grid.csv", "step.csv", "cells.csv"):
        assert (folder / name).read_bytes() == (tmp_path / "out" / name).read_bytes()
    again = tuneassist.propose_spots(
        tuneassist.read_spots(tmp_path / "by-hand.csv", setup=CAR), setup=CAR
    )
    assert again.grid == made.grid
    assert "Proposal for" in repr(made)
    assert "<" in made._repr_html_()


def test_a_report_can_be_made_of_it(tmp_path: Path) -> None:
    assert spots_command(tmp_path, table()).exit_code == 0
    page = tmp_path / "page.html"
    result = run("report", tmp_path / "out", "-o", page)
    assert result.exit_code == 0, result.output
    assert "found by hand" in page.read_text(encoding="utf-8")


def _benchmark() -> object:
    path = ROOT / "benchmarks" / "spots.py"
    spec = importlib.util.spec_from_file_location("spots_benchmark", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["spots_benchmark"] = module
    spec.loader.exec_module(module)
    return module


def test_forty_spots_of_a_known_map_bring_95_percent_of_the_points_within_1_percent() -> None:
    mean = _benchmark().scores("smooth", range(500, 512)).mean()  # type: ignore[attr-defined]
    assert mean["within"] >= 0.95
    rougher = _benchmark().scores("middling", range(500, 512)).mean()  # type: ignore[attr-defined]
    assert 0.93 <= rougher["points_inside"] <= 0.99


HEADERS = st.sampled_from(
    ["rpm", "load", "correction_pct", "total_pct", "doubt_pct", "load (psi)", "x"]
)
CELLS = st.one_of(
    st.sampled_from(
        ["", "1500", "60", "-3.5", "1e9", "nan", "inf", "1,5", '"', "\x00", "-0", "9" * 400]
    ),
    st.text(max_size=6),
)


@settings(
    max_examples=60,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
@given(
    names=st.lists(HEADERS, max_size=5),
    rows=st.lists(st.lists(CELLS, max_size=5), max_size=6),
    tail=st.binary(max_size=20),
)
def test_no_list_ends_otherwise_than_with_spots_or_clear_words(
    names: list[str], rows: list[list[str]], tail: bytes, tmp_path: Path
) -> None:
    text = "\n".join([",".join(names), *(",".join(row) for row in rows)])
    path = tmp_path / "fuzzed.csv"
    path.write_bytes(text.encode("utf-8", "surrogatepass") + tail)
    try:
        found = read_spots(path, setup=CAR)
        propose_spots(found, setup=CAR)
    except InputError as error:
        assert error.mend
    except TuneassistError:
        pass
    else:
        assert np.isfinite(found.table[["rpm", "load", "correction_pct"]]).all(axis=None)


def test_no_evidence_is_not_an_error_of_the_input(tmp_path: Path) -> None:
    with pytest.raises(NoEvidenceError, match="outside the axes"):
        propose_spots(table(rpm=20000.0), setup=CAR)
