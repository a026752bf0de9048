"""The commands over what to hold next and a set of tunes: what they read, write and refuse."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner, Result

from tuneassist.cli.app import app
from tuneassist.errors import SetupError
from tuneassist.files.grid_file import write_grid_text
from tuneassist.files.plan_section import read_plan_settings
from tuneassist.files.setup_file import read_setup
from tuneassist.grid import Grid
from tuneassist.loop.settings import PlanSettings, RegionWeight
from tuneassist.simulate import SessionPlan, draw_engine, simulate_session
from tuneassist.simulate.logs import Dialect, standard_columns, write_log
from tuneassist.simulate.sample_logs import setup_text
from tuneassist.workflow.logs import reduce_logs
from tuneassist.workflow.plan import start_of_logs, start_of_tune

ENGINE = draw_engine(np.random.default_rng(51))
AXES = ENGINE.car.axes
PLAN = SessionPlan(holds=25, rate_hz=5, warm_up_s=0, gaps=0)


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(a) for a in arguments])


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A log, a setup, and a tune with one round on that log."""
    folder = tmp_path_factory.mktemp("plan")
    session = simulate_session(ENGINE, PLAN, rng=np.random.default_rng(1))
    columns = standard_columns(session)
    write_log(folder / "a.csv", session, Dialect(columns))
    text = setup_text(ENGINE.car, columns, rev_limit_rpm=6800)
    (folder / "car.toml").write_text(text, encoding="utf-8")
    assert run("rounds", "start", folder / "tune", "-s", folder / "car.toml").exit_code == 0
    assert run("rounds", "add", folder / "tune", folder / "a.csv").exit_code == 0
    return folder


def holds_of(result: Result) -> list[dict[str, object]]:
    assert result.exit_code == 0, result.output
    return list(json.loads(result.stdout)["holds"])


def test_a_tune_and_its_log_give_the_same_plan(home: Path) -> None:
    of_tune = holds_of(run("plan", home / "tune", "-m", "8", "--json"))
    of_log = holds_of(run("plan", home / "a.csv", "-s", home / "car.toml", "-m", "8", "--json"))
    assert of_tune == of_log
    assert len(of_tune) > 10


def test_python_calls_give_the_plan_of_the_command(home: Path) -> None:
    shown = [
        (row["rpm"], row["load"]) for row in holds_of(run("plan", home / "tune", "-m", 8, "--json"))
    ]
    of_logs = start_of_logs(
        lambda car: reduce_logs([home / "a.csv"], setup=car), setup=home / "car.toml"
    )
    for start in (start_of_tune(home / "tune"), of_logs):
        made = start.plan(8)
        assert [tuple(at) for at in made.holds[["rpm", "load"]].to_numpy()] == shown
        longer = start.with_hold_s(15).plan(8)
        assert longer.holds["hold_s"].eq(15).all()
        assert len(longer.holds) < len(made.holds)


def test_a_plan_is_written_as_csv_and_as_a_page(home: Path, tmp_path: Path) -> None:
    table, page = tmp_path / "plan.csv", tmp_path / "plan.pdf"
    command = ("plan", home / "tune", "-m", "5", "--csv", table, "--sheet", page)
    result = run(*command)
    assert result.exit_code == 0, result.output
    assert result.stdout.count("Written") == 1
    with table.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == len(holds_of(run("plan", home / "tune", "-m", "5", "--json")))
    last = rows[-1]
    assert float(last["start_s"]) + float(last["hold_s"]) <= 300.0
    assert page.read_bytes().startswith(b"%PDF-")
    again = run(*command)
    assert again.exit_code == 3
    assert "--overwrite" in again.output
    assert run(*command, "--overwrite").exit_code == 0


def test_logs_need_a_setup_and_a_tune_has_its_own(home: Path) -> None:
    assert run("plan", home / "a.csv", "-m", "5").exit_code == 2
    assert run("plan", home / "tune", "-m", "5", "-s", home / "car.toml").exit_code == 2


def test_what_is_no_tune_and_no_log_is_named_with_what_would_be_right(
    home: Path, tmp_path: Path
) -> None:
    (tmp_path / "logs").mkdir()
    for path, words in (
        (tmp_path / "nowhere", "there is no such file or folder"),
        (tmp_path / "logs", "no tune was started in this folder"),
        (home / "a.csv", "a log needs --setup"),
    ):
        result = run("plan", path, "-m", "5")
        assert result.exit_code == 2
        assert f"{path}: {words}" in " ".join(result.stderr.split())


@pytest.mark.parametrize("minutes", ["0", "-3", "nan", "inf"])
def test_minutes_that_are_not_above_zero_are_wrong_usage(home: Path, minutes: str) -> None:
    result = run("plan", home / "tune", "-m", minutes)
    assert result.exit_code == 2
    assert "--minutes must be greater than 0" in " ".join(result.stderr.split())


def test_the_length_of_a_hold_may_be_asked_for(home: Path) -> None:
    short = holds_of(run("plan", home / "tune", "-m", "8", "--hold-seconds", "6", "--json"))
    plain = holds_of(run("plan", home / "tune", "-m", "8", "--json"))
    assert {hold["hold_s"] for hold in short} == {6.0}
    assert {hold["hold_s"] for hold in plain} == {PlanSettings().hold_s}
    assert len(short) > len(plain)
    result = run("plan", home / "tune", "-m", "8", "--hold-seconds", "1")
    assert result.exit_code == 2
    assert "from 3 to 120 seconds" in " ".join(result.stderr.split())


def test_a_tune_without_a_round_says_what_to_log_first(home: Path, tmp_path: Path) -> None:
    run("rounds", "start", tmp_path / "new", "-s", home / "car.toml")
    result = run("plan", tmp_path / "new", "-m", "5")
    assert result.exit_code == 4
    assert "sweeps speed and load" in result.output


def test_the_setup_may_say_where_the_car_is_driven(home: Path, tmp_path: Path) -> None:
    text = (home / "car.toml").read_text(encoding="utf-8")
    said = (
        "\n[plan]\nhold_s = 15.0\n"
        "[[plan.region]]\nrpm = [800, 3000]\nload = [0, 200.0]\nweight = 0.0\n"
    )
    (tmp_path / "car.toml").write_text(text + said, encoding="utf-8")
    assert read_plan_settings(home / "car.toml") == PlanSettings()
    wanted = replace(
        PlanSettings(), hold_s=15.0, regions=(RegionWeight((800.0, 3000.0), (0.0, 200.0), 0.0),)
    )
    assert read_plan_settings(tmp_path / "car.toml") == wanted
    read_setup(tmp_path / "car.toml")  # the section is no unknown one
    asked = run("plan", home / "a.csv", "-s", tmp_path / "car.toml", "-m", "5", "--json")
    holds = holds_of(asked)
    assert all(one["hold_s"] == 15.0 for one in holds)
    assert np.mean([float(str(one["rpm"])) > 3000 for one in holds]) > 0.8


@pytest.mark.parametrize(
    ("said", "key"),
    [
        ("hold_z = 1.0", "plan.hold_z"),
        ('hold_s = "long"', "plan.hold_s"),
        ("hold_s = 900.0", "hold_s"),
        ("[[plan.region]]\nrpm = [1, 2]\nload = [1, 2]", "weight"),
        ("[[plan.region]]\nrpm = [2, 1]\nload = [1, 2]\nweight = 1.0", "rpm"),
        ("[[plan.region]]\nrpm = [1, 2, 3]\nload = [1, 2]\nweight = 1.0", "rpm"),
    ],
)
def test_a_mistake_in_the_section_is_told_with_its_key(
    home: Path, tmp_path: Path, said: str, key: str
) -> None:
    text = (home / "car.toml").read_text(encoding="utf-8")
    path = tmp_path / "car.toml"
    path.write_text(f"{text}\n[plan]\n{said}\n", encoding="utf-8")
    with pytest.raises(SetupError) as caught:
        read_plan_settings(path)
    assert key in str(caught.value)
    assert str(path) in str(caught.value)


def tunes(folder: Path, home: Path, standard_pct: float) -> Path:
    folder.mkdir()
    (folder / "car.toml").write_text(
        (home / "car.toml").read_text(encoding="utf-8"), encoding="utf-8"
    )
    for name, percent in (("standard", standard_pct), ("power", 2.0)):
        grid = Grid(AXES, np.full(AXES.shape, percent))
        (folder / f"{name}.csv").write_text(write_grid_text(grid), encoding="utf-8")
    (folder / "tunes.toml").write_text(
        'setup = "car.toml"\n'
        '[[tune]]\nname = "standard"\nkind = "standard"\ngrid = "standard.csv"\n'
        '[[tune]]\nname = "strong"\nkind = "power"\ngrid = "power.csv"\n',
        encoding="utf-8",
    )
    return folder


def test_a_set_of_tunes_is_checked_and_a_standard_that_changes_something_ends_with_5(
    home: Path, tmp_path: Path
) -> None:
    good = run("tunes", "check", tunes(tmp_path / "good", home, 0.0))
    assert good.exit_code == 0, good.output
    assert "All checks passed." in good.output
    bad = run("tunes", "check", tunes(tmp_path / "bad", home, 1.0))
    assert bad.exit_code == 5
    assert "NOT OK" in bad.output
    record = json.loads(run("tunes", "check", tmp_path / "bad", "--json").stdout)
    assert record["is_ok"] is False
    assert {one["topic"] for one in record["findings"] if one["verdict"] == "breach"} == {
        "standard"
    }
    assert run("tunes", "check", tmp_path / "gone").exit_code == 3
