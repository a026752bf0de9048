"""The loop can be tried without a car: a simulated one is driven with any grid in one command."""

from __future__ import annotations

import io
import json
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from simulated_days import blocks_of, lines_of, run_blocks
from typer.testing import CliRunner

from tuneassist.cli.app import app
from tuneassist.cli.simulate import CarName, StyleName
from tuneassist.errors import GridError, InputError
from tuneassist.files.grid_file import read_grid
from tuneassist.files.setup_file import read_setup
from tuneassist.grid import Axes, Grid
from tuneassist.settings import Target
from tuneassist.simulate.cars import petrol_car
from tuneassist.simulate.drive import CARS, STYLES, drive, drive_pulls, spots_by_hand
from tuneassist.simulate.sample_logs import petrol_engine

SAMPLES = Path(__file__).resolve().parents[1] / "sample_logs"
WALK = [block for block in blocks_of("README.md") if "tuneassist simulate" in block[1]]
"""The walk through the loop, as the README shows it."""


def run(*arguments: object) -> tuple[int, str]:
    done = CliRunner().invoke(app, [str(a) for a in arguments])
    return done.exit_code, done.output


def test_the_readmes_walk_through_on_the_simulated_car_ends_finished(tmp_path: Path) -> None:
    assert len(lines_of(WALK)) >= 10
    shutil.copytree(SAMPLES, tmp_path / "sample_logs")
    again = ("sh", "tuneassist rounds status tune --json")
    status = json.loads(run_blocks([*WALK, again], tmp_path)[-1][1])
    assert status["advice"] == "finished", status["why"]
    rms = [one["rms_pct"] for one in status["rounds"]]
    assert rms[0] > 3.0  # the engine starts several percent off
    assert rms[-1] < 0.25 * rms[0]
    assert 0.8 < status["rounds"][1]["response"] < 1.2  # it answered as it should


@pytest.mark.parametrize("car", ["petrol", "van"])
def test_session_1_without_a_grid_is_the_sample_log_to_the_byte(car: str) -> None:
    assert drive(car) == (SAMPLES / f"{car}-session-1.csv").read_bytes()


def table(log: bytes) -> pd.DataFrame:
    return pd.read_csv(io.BytesIO(log), skiprows=1)


def flat(percent: float, axes: Axes | None = None) -> Grid:
    axes = petrol_car().axes if axes is None else axes
    return Grid(axes, np.full(axes.shape, percent))


def test_a_grid_of_ten_percent_makes_lambda_richer_by_just_that() -> None:
    before, after = table(drive("petrol")), table(drive("petrol", grid=flat(10.0)))
    inside = before["Wideband (AFR)"].between(10.5, 18.0)  # off the sensor's stops
    ratio = (before["Wideband (AFR)"] / after["Wideband (AFR)"])[inside]
    assert ratio.median() == pytest.approx(1.10, abs=0.002)  # lambda = air / fuel
    assert before["Crank speed (rpm)"].equals(after["Crank speed (rpm)"])


def test_a_grid_on_breakpoints_of_its_own_acts_at_once() -> None:
    coarse = Axes(rpm=np.array([500.0, 9000.0]), load=np.array([10.0, 300.0]))
    assert drive("petrol", grid=flat(10.0, coarse)) == drive("petrol", grid=flat(10.0))


def test_the_same_session_repeats_and_another_is_another_drive() -> None:
    two = drive("petrol", session=2)
    assert two == drive("petrol", session=2)
    assert two.startswith(b"# simulated session 2, ")
    one = table(drive("petrol"))["Crank speed (rpm)"]
    assert not table(two)["Crank speed (rpm)"][: len(one)].equals(one)


def test_every_style_and_car_of_the_simulator_is_offered_by_the_command() -> None:
    assert {style.value for style in StyleName} == set(STYLES)
    assert {car.value for car in CarName} == set(CARS)
    logs = [drive("van", style=style) for style in STYLES]
    assert len(set(logs)) == len(STYLES)


def test_names_that_are_not_known_are_refused() -> None:
    with pytest.raises(InputError, match="One of petrol, van"):
        drive("bicycle")
    with pytest.raises(InputError, match="One of holds"):
        drive("petrol", style="backwards")
    with pytest.raises(InputError, match="from 1 to"):
        drive("petrol", session=0)


HEAD = b"rpm/load,30,180\n"
BAD_GRIDS = {
    "nothing": (b"", "empty"),
    "blank cell": (HEAD + b"800,0,\n6500,0,0\n", "1 cell(s) are empty, the first at 800 rpm"),
    "no fuel": (HEAD + b"800,0,-100\n6500,0,0\n", "takes away all of the fuel"),
    "other unit": (b"rpm/load,4,26\n800,0,0\n6500,0,0\n", "manifold pressure in kPa"),
    "other speeds": (b"rpm/load,30,180\n8,0,0\n65,0,0\n", "speed in rpm"),
    "words": (HEAD + b"800,more,0\n6500,0,0\n", "more"),
    "a log": ((SAMPLES / "petrol-session-1.csv").read_bytes()[:5000], "grid"),
    "bytes": (bytes(range(256)) * 8, ""),
    "falling": (HEAD + b"6500,0,0\n800,0,0\n", "does not rise"),
    "infinite": (HEAD + b"800,inf,0\n6500,0,0\n", "inf"),
}


@pytest.mark.parametrize("name", BAD_GRIDS)
def test_a_grid_that_no_car_can_hold_leaves_no_log(name: str, tmp_path: Path) -> None:
    content, words = BAD_GRIDS[name]
    (tmp_path / "grid.csv").write_bytes(content)
    status, said = run("simulate", "petrol", "-g", tmp_path / "grid.csv", "-o", tmp_path / "a.csv")
    assert status == 3
    assert words in " ".join(said.split())
    assert said.startswith("tuneassist: ")
    assert [path.name for path in tmp_path.iterdir()] == ["grid.csv"]


def test_an_extreme_grid_is_driven_and_read_back(tmp_path: Path) -> None:
    (tmp_path / "grid.csv").write_bytes(HEAD + b"800,-99,400\n6500,900,0\n")
    assert read_grid(tmp_path / "grid.csv").flat().max() == 900
    log = tmp_path / "a.csv"
    assert run("simulate", "petrol", "-g", tmp_path / "grid.csv", "-o", log)[0] == 0
    status, said = run("check", log)
    assert status == 0, said
    assert "Traceback" not in said


def test_a_step_is_no_grid_and_a_taken_name_stays(tmp_path: Path) -> None:
    for name in ("step.csv", "grid.csv", "proposal.json"):
        (tmp_path / name).write_bytes(HEAD + b"800,0,0\n6500,0,0\n")
    status, said = run("simulate", "petrol", "-g", tmp_path / "step.csv", "-o", tmp_path / "a.csv")
    assert (status, (tmp_path / "a.csv").exists()) == (3, False)
    assert "step of a proposal" in said
    (tmp_path / "a.csv").write_bytes(b"mine")
    assert run("simulate", "petrol", "-o", tmp_path / "a.csv")[0] == 3
    assert (tmp_path / "a.csv").read_bytes() == b"mine"
    assert run("simulate", "petrol", "-o", tmp_path / "a.csv", "--overwrite")[0] == 0
    assert b"simulated session 1" in (tmp_path / "a.csv").read_bytes()[:40]
    assert run("simulate", "petrol", "-o", tmp_path / "none" / "a.csv")[0] == 3


def test_json_says_what_was_driven(tmp_path: Path) -> None:
    status, said = run("simulate", "van", "-o", tmp_path / "v.csv", "--session", 7, "--json")
    assert status == 0
    record = json.loads(said)
    assert record["session"] == 7
    assert record["is_simulated"] is True
    assert Path(record["log"]).read_bytes() == drive("van", session=7)


def test_a_blank_names_its_own_cell() -> None:
    values = np.zeros(petrol_car().axes.shape)
    values[3, 5] = np.nan
    with pytest.raises(GridError, match=r"first at 2000 rpm and load 80\."):
        drive("petrol", grid=Grid(petrol_car().axes, values))


def test_full_load_pulls_follow_the_truth_and_the_grid() -> None:
    one, two = (table(drive_pulls("petrol", 2, grid=grid)) for grid in (None, flat(10.0)))
    pull = one["Throttle position (percent)"].gt(90)
    assert pull.astype(int).diff().eq(1).sum() == 2
    ratio = (one["Wideband (AFR)"] / two["Wideband (AFR)"])[pull]
    assert ratio.median() == pytest.approx(1.10, abs=0.003)
    rpm = one["Crank speed (rpm)"][pull].to_numpy()
    aimed = petrol_engine().true_lambda(rpm, petrol_car().highest_load(rpm))
    read = one["Wideband (AFR)"][pull].to_numpy() / 14.7
    assert np.median(np.abs(read / aimed - 1.0)) < 0.01  # the gauge's noise is 0.7 %
    more = table(drive_pulls("petrol", 2, more_load_pct=10.0))
    torque = "Torque (lbf.ft)"
    assert (more[torque] / one[torque])[pull].median() == pytest.approx(1.115, abs=0.01)


def test_values_found_by_hand_scatter_by_one_percent_about_the_truth() -> None:
    engine, setup = petrol_engine(), read_setup(SAMPLES / "petrol-setup.toml")
    for wanted, offset in ((None, 1.0), ((setup.axes, Target(setup.target.table * 0.95)), 0.95)):
        found = pd.read_csv(io.BytesIO(spots_by_hand("petrol", 300, wanted=wanted)))
        assert found["remark"].eq("simulated").all()
        true = engine.true_deviation_pct(found["rpm"].to_numpy(), found["load (kPa)"].to_numpy())
        wrong = found["total_pct"] - (100.0 * ((1.0 + true / 100.0) / offset - 1.0))
        assert abs(wrong.mean()) < 0.2
        assert 0.85 < wrong.std() < 1.25
    van = pd.read_csv(io.BytesIO(spots_by_hand("van", 50)))
    assert van["total_pct"].lt(2.0).all()  # on a floor only what smokes is turned down


def test_the_controllers_grid_as_it_comes_changes_nothing(tmp_path: Path) -> None:
    assert run("simulate", "van", "--zeros", "-o", tmp_path / "zero.csv")[0] == 0
    zeros = read_grid(tmp_path / "zero.csv")
    assert not zeros.flat().any()
    assert drive("van", grid=zeros) == drive("van")


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (("--pulls", 3, "--spots", 3), 2, "--pulls and --spots exclude each other"),
        (("--setup", SAMPLES / "petrol-setup.toml"), 2, "--setup goes with --spots"),
        (("--pulls", 0), 3, "Give a number from 1 to"),
        (("--spots", 10**9), 3, "Give a number from 1 to"),
        (("--pulls", 2, "--more-load", "nan"), 3, "more load is not possible"),
        (("--spots", 3, "--setup", SAMPLES / "van-setup.toml"), 3, "this car counts it in kPa"),
    ],
)
def test_a_job_that_is_not_possible_leaves_no_file(
    words: tuple[object, ...], status: int, said: str, tmp_path: Path
) -> None:
    done, output = run("simulate", "petrol", *words, "-o", tmp_path / "a.csv")
    assert (done, said in " ".join(output.split())) == (status, True), output
    assert not list(tmp_path.iterdir())
