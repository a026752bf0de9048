"""A setup made from logs: read at once by the other commands, or left with just its questions."""

from __future__ import annotations

import json
import tomllib
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner, Result

from tuneassist.cli import setup as command
from tuneassist.cli.app import app
from tuneassist.errors import LogError, SetupError
from tuneassist.files.grid_file import write_grid_text
from tuneassist.files.open_questions import OPEN, OpenQuestionsError
from tuneassist.files.setup_draft import toml_string
from tuneassist.files.setup_file import read_setup
from tuneassist.grid import Axes, Grid
from tuneassist.settings import LimitSettings, default_limits
from tuneassist.simulate.cars import petrol_car
from tuneassist.units import ATMOSPHERE_KPA
from tuneassist.workflow.first_table import axis_of, cautious_target, units_on_axis
from tuneassist.workflow.setup_start import start_setup, write_setup

SAMPLES = Path(__file__).parents[1] / "sample_logs"
PETROL, VAN = SAMPLES / "petrol-session-1.csv", SAMPLES / "van-session-1.csv"


def run(*arguments: object, typed: str | None = None) -> Result:
    return CliRunner().invoke(app, [str(a) for a in arguments], input=typed)


def made(tmp_path: Path, *arguments: object, **given: Any) -> dict[str, Any]:
    """Run the command with --json, which asks nothing."""
    done = run("setup", *arguments, "-o", tmp_path / "car.toml", "--json", **given)
    assert done.exit_code == 0, done.output
    return dict(json.loads(done.stdout))


def keys(record: dict[str, Any]) -> list[str]:
    return [question["key"] for question in record["questions"]]


def log_of(path: Path, columns: dict[str, np.ndarray]) -> Path:
    rows = np.column_stack(list(columns.values()))
    lines = [",".join(columns), *(",".join(f"{x:.4f}" for x in row) for row in rows)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def drive(**more: np.ndarray) -> dict[str, np.ndarray]:
    """A short drive in plain columns; ``more`` replaces or adds."""
    n = 400
    t = np.arange(n) / 10.0
    base = {
        "Time (s)": t,
        "Engine speed (rpm)": 2500.0 + 1500.0 * np.sin(t / 8.0),
        "MAP (kPa)": 90.0 + 50.0 * np.sin(t / 5.0),
        "Lambda": 0.95 + 0.05 * np.sin(t / 3.0),
        "Coolant temperature (degC)": np.full(n, 88.0),
    }
    return base | more


def without(*names: str, **more: np.ndarray) -> dict[str, np.ndarray]:
    return {name: values for name, values in drive(**more).items() if name not in names}


def test_the_petrol_log_gives_a_setup_that_proposes_at_once(tmp_path: Path) -> None:
    record = made(tmp_path, PETROL, "--fuel", "petrol")
    assert record["questions"] == record["complaints"] == []
    setup = read_setup(tmp_path / "car.toml")
    assert setup.engine.ignition == "spark"
    assert setup.channels["lambda"].unit == "afr"
    assert setup.channels["load"].unit == setup.axes.load_unit == "psi"
    out = tmp_path / "out"
    done = run("propose", PETROL, "-s", tmp_path / "car.toml", "-o", out, "--quiet")
    assert done.exit_code == 0, done.output
    steps = np.genfromtxt(out / "step.csv", delimiter=",", skip_header=1)[:, 1:]
    assert (steps != 0).sum() > 30


def test_check_names_exactly_the_questions_that_the_van_leaves(tmp_path: Path) -> None:
    record = made(tmp_path, VAN)
    assert keys(record)[:3] == ["engine.fuel", "engine.ignition", "channels.load.column"]
    load = next(q for q in record["questions"] if q["key"] == "channels.load.column")
    assert load["choices"] == ["Injected fuel", "Manifold pressure abs"]
    done = run("check", VAN, "-s", tmp_path / "car.toml")
    assert done.exit_code == 3
    assert f"{len(record['questions'])} questions are open" in done.output
    assert all(key in done.output for key in keys(record))
    for arguments in (("propose", VAN, "-o", tmp_path / "out"), ("limits",)):
        refused = run(*arguments, "-s", tmp_path / "car.toml")
        assert refused.exit_code == 3
        assert "questions are open" in refused.output
    assert not (tmp_path / "out").exists()


def test_the_vans_setup_is_whole_once_fuel_and_load_are_said(tmp_path: Path) -> None:
    record = made(tmp_path, VAN, "--fuel", "diesel", "--load", "injected fuel".capitalize())
    assert record["questions"] == []
    setup = read_setup(tmp_path / "car.toml")
    assert (setup.engine.ignition, setup.target.kind) == ("compression", "floor")
    assert setup.axes.load_unit == "mg/stroke"
    assert setup.target.table.min() > default_limits("compression").richest_lambda
    assert run("check", VAN, "-s", tmp_path / "car.toml").exit_code == 0


def test_a_grid_gives_the_axes_and_the_log_tells_their_unit(tmp_path: Path) -> None:
    axes = petrol_car().axes
    (tmp_path / "grid.csv").write_text(write_grid_text(Grid.zeros(axes)), encoding="utf-8")
    record = made(tmp_path, PETROL, "--fuel", "petrol", "--grid", tmp_path / "grid.csv")
    assert record["questions"] == []
    setup = read_setup(tmp_path / "car.toml")
    assert setup.axes.is_same(axes)
    assert setup.axes.load_unit == "kPa"  # the log is in psi


def test_a_grid_whose_unit_the_log_does_not_tell_is_asked_about(tmp_path: Path) -> None:
    axes = Axes(rpm=np.array([800.0, 6500.0]), load=np.array([0.0, 300.0]))
    (tmp_path / "grid.csv").write_text(write_grid_text(Grid.zeros(axes)), encoding="utf-8")
    record = made(tmp_path, PETROL, "--fuel", "petrol", "--grid", tmp_path / "grid.csv")
    assert keys(record) == ["axes.load_unit", "target.table"]
    choices = record["questions"][0]["choices"]
    assert {"kPa", "psi", "inHg"} <= set(choices)
    assert "Pa" not in choices  # 30,000 to 180,000


def boost_log(tmp_path: Path) -> Path:
    gauge = {"Boost (psi)": -3.0 + 8.0 * np.sin(drive()["Time (s)"] / 5.0)}
    return log_of(tmp_path / "a.csv", without("MAP (kPa)") | gauge)


def test_the_unit_of_the_grids_load_axis_can_be_given_so_that_the_target_is_written(
    tmp_path: Path,
) -> None:
    axes = Axes(rpm=np.array([800.0, 6500.0]), load=np.array([-13.0, 0.0, 12.0]))
    (tmp_path / "grid.csv").write_text(write_grid_text(Grid.zeros(axes)), encoding="utf-8")
    given = (boost_log(tmp_path), "--fuel", "petrol", "--grid", tmp_path / "grid.csv")
    asked = made(tmp_path, *given)["questions"][0]
    assert asked["key"] == "axes.load_unit"
    assert all(unit.endswith(" gauge") for unit in asked["choices"])  # -13 is below vacuum
    assert made(tmp_path, *given, "--load-unit", "psig", "--overwrite")["questions"] == []
    assert read_setup(tmp_path / "car.toml").axes.load_unit == "psi gauge"
    assert run("setup", *given, "-o", tmp_path / "b.toml", "--load-unit", "mile").exit_code == 2


def test_lines_with_their_mark_taken_away_read_the_log_as_before(tmp_path: Path) -> None:
    log = boost_log(tmp_path)
    assert made(tmp_path, log, "--fuel", "petrol")["complaints"] == []
    text = (tmp_path / "car.toml").read_text(encoding="utf-8")
    assert "# manifold_pressure = {" in text
    for channel in ("manifold_pressure", "boost"):
        text = text.replace(f"# {channel} = {{", f"{channel} = {{")
    (tmp_path / "car.toml").write_text(text, encoding="utf-8")
    assert run("check", log, "-s", tmp_path / "car.toml").exit_code == 0


def test_lambda_without_a_unit_is_never_guessed(tmp_path: Path) -> None:
    log = log_of(tmp_path / "a.csv", without("Lambda") | {"Wideband": drive()["Lambda"]})
    record = made(tmp_path, log, "--fuel", "petrol")
    assert keys(record) == ["channels.lambda.unit"]
    assert record["questions"][0]["choices"] == ["lambda", "phi"]  # both are near 1
    line = next(
        text
        for text in (tmp_path / "car.toml").read_text(encoding="utf-8").splitlines()
        if text.startswith("lambda = ")
    )
    assert 'column = "Wideband", unit = "?"' in line
    assert "lambda or phi?" in line
    text = (tmp_path / "car.toml").read_text(encoding="utf-8")
    (tmp_path / "car.toml").write_text(
        text.replace('unit = "?"', 'unit = "lambda"'), encoding="utf-8"
    )
    assert run("check", log, "-s", tmp_path / "car.toml").exit_code == 0


def test_a_log_without_lambda_asks_for_its_column(tmp_path: Path) -> None:
    log = log_of(tmp_path / "a.csv", without("Lambda") | {"AIN3": drive()["Lambda"]})
    record = made(tmp_path, log, "--fuel", "petrol")
    assert keys(record) == ["channels.lambda.column"]
    assert "AIN3" in record["questions"][0]["choices"]


def test_two_columns_of_coolant_are_asked_about(tmp_path: Path) -> None:
    log = log_of(tmp_path / "a.csv", drive(**{"ECT (degC)": np.full(400, 87.0)}))
    record = made(tmp_path, log, "--fuel", "petrol")
    assert keys(record) == ["channels.coolant_temp.column"]
    assert record["questions"][0]["choices"] == ["Coolant temperature (degC)", "ECT (degC)"]


def test_afr_on_another_fuel_asks_for_the_scale_of_the_gauge(tmp_path: Path) -> None:
    assert keys(made(tmp_path, PETROL, "--fuel", "e85")) == ["engine.afr_stoich"]


def test_gauge_pressure_stays_gauge(tmp_path: Path) -> None:
    record = made(tmp_path, boost_log(tmp_path), "--fuel", "petrol")
    assert record["questions"] == record["complaints"] == []
    setup = read_setup(tmp_path / "car.toml")
    assert (setup.axes.load_unit, setup.axes.load_name) == ("psi gauge", "boost")
    assert setup.axes.load[0] >= -ATMOSPHERE_KPA / 6.894757
    assert setup.axes.load[0] <= -10
    at = int(np.searchsorted(setup.axes.load, 4.0))
    assert setup.target.table[0, at] <= 0.92  # rich in boost


def test_a_log_of_idle_alone_leaves_its_axes_open(tmp_path: Path) -> None:
    t = drive()["Time (s)"]
    low = {"Engine speed (rpm)": 850 + 20 * np.sin(t), "MAP (kPa)": 34 + 2 * np.sin(t)}
    record = made(tmp_path, log_of(tmp_path / "a.csv", drive(**low)), "--fuel", "petrol")
    assert keys(record) == ["axes.rpm", "target.table"]
    with pytest.raises(OpenQuestionsError, match="2 questions are open"):
        read_setup(tmp_path / "car.toml")


def test_a_terminal_is_asked_and_enter_leaves_a_question(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(command, "_is_terminal", lambda: True)
    out = tmp_path / "car.toml"
    done = run("setup", VAN, "-o", out, typed="kerosene\ndiesel\n1\n")
    assert done.exit_code == 0, done.output
    assert "'kerosene' does not answer" in done.output
    setup = read_setup(out)
    assert setup.engine.fuel == "diesel"  # and the ignition was not asked for
    assert setup.channels["load"].column == "Injected fuel"
    done = run("setup", VAN, "-o", out, "--overwrite", typed="\n\nInjected fuel\n")
    assert done.exit_code == 0, done.output
    with pytest.raises(OpenQuestionsError, match=r"engine\.fuel"):
        read_setup(out)
    asked = run("setup", VAN, "-o", out, "--overwrite", "--no-input", typed="diesel\n")
    assert asked.exit_code == 0
    assert b'fuel = "?"' in out.read_bytes()


def test_an_end_of_input_writes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(command, "_is_terminal", lambda: True)
    done = run("setup", VAN, "-o", tmp_path / "car.toml", typed="")
    assert done.exit_code != 0
    assert list(tmp_path.iterdir()) == []


def test_an_existing_file_stays_unless_overwrite_is_said(tmp_path: Path) -> None:
    out = tmp_path / "car.toml"
    out.write_bytes(b"mine")
    assert run("setup", PETROL, "-o", out, "--no-input").exit_code == 3
    assert out.read_bytes() == b"mine"
    assert run("setup", PETROL, "-o", out, "--no-input", "--overwrite").exit_code == 0
    assert out.read_bytes() != b"mine"


@pytest.mark.parametrize(
    ("arguments", "status"),
    [
        (["gone.csv"], 3),
        ([SAMPLES / "petrol-setup.toml"], 3),
        ([PETROL, "--grid", PETROL], 3),
        ([PETROL, "--grid", "gone.csv"], 3),
        ([PETROL, "--fuel", "kerosene"], 2),
        ([PETROL, "--ignition", "maybe"], 2),
        ([PETROL, "--load", "no such header"], 2),
        ([], 2),
    ],
)
def test_what_cannot_be_used_writes_nothing(
    arguments: list[object], status: int, tmp_path: Path
) -> None:
    done = run("setup", *arguments, "-o", tmp_path / "car.toml", "--no-input")
    assert done.exit_code == status, done.output
    assert list(tmp_path.iterdir()) == []


def test_one_bad_log_is_set_aside_and_named(tmp_path: Path) -> None:
    (tmp_path / "bad.csv").write_bytes(b"nothing of use\n" * 20)
    record = made(tmp_path, tmp_path / "bad.csv", PETROL, "--fuel", "petrol")
    assert list(record["set_aside"]) == ["bad.csv"]
    assert record["questions"] == []


def test_a_header_that_only_one_log_has_is_left_to_be_found(tmp_path: Path) -> None:
    one = log_of(tmp_path / "a.csv", drive())
    other = without("Coolant temperature (degC)", "MAP (kPa)")
    more = {"ECT (degC)": drive()["Coolant temperature (degC)"]}
    more["Manifold pressure (kPa)"] = drive()["MAP (kPa)"]
    two = log_of(tmp_path / "b.csv", other | more)
    record = made(tmp_path, one, two, "--fuel", "petrol")
    assert record["questions"] == record["complaints"] == []
    assert "coolant_temp" not in read_setup(tmp_path / "car.toml").channels
    assert run("check", one, two, "-s", tmp_path / "car.toml", "--strict").exit_code == 0


def test_every_limit_is_there_as_a_comment_that_holds_its_default(tmp_path: Path) -> None:
    made(tmp_path, PETROL, "--fuel", "petrol")
    text = (tmp_path / "car.toml").read_text(encoding="utf-8")
    head = text.index("# [limits]")
    taken = [
        line.removeprefix("# ")
        for line in text[head:].splitlines()
        if not line.startswith("# Past")
    ]
    (tmp_path / "car.toml").write_text(text[:head] + "\n".join(taken), encoding="utf-8")
    unmarked = read_setup(tmp_path / "car.toml")
    default = default_limits("spark")
    for field in fields(LimitSettings):
        if field.name not in ("ceilings", "regions"):
            assert getattr(unmarked.limits, field.name) == getattr(default, field.name)
    assert {n: (c.ceiling, c.hard) for n, c in unmarked.limits.ceilings.items()} == {
        n: (c.ceiling, c.hard) for n, c in default.ceilings.items()
    }
    named = {key.split(".")[1] for key in unmarked.given if key.startswith("limits.")}
    assert {"max_step_pct", "boost_leanest_lambda", "ceilings"} <= named


def test_a_question_mark_in_any_setup_is_named_and_not_taken_for_a_value(tmp_path: Path) -> None:
    text = (SAMPLES / "petrol-setup.toml").read_text(encoding="utf-8")
    asked = text.replace('load_unit = "kPa"', 'load_unit = "?"')
    (tmp_path / "car.toml").write_text(asked, encoding="utf-8")
    with pytest.raises(SetupError, match=r"1 question is open: axes\.load_unit \(in which unit"):
        read_setup(tmp_path / "car.toml")


def test_units_on_an_axis_by_hand() -> None:
    psi = np.linspace(5.0, 26.0, 50)  # 34 to 179 kPa absolute
    assert units_on_axis(psi, "psi", False, np.array([30.0, 180.0])) == ("kPa",)
    assert units_on_axis(psi, "psi", False, np.array([4.0, 27.0])) == ("psi",)
    gauge = units_on_axis(psi, "psi", False, np.array([-70.0, 80.0]))
    assert "kPa gauge" in gauge
    assert "kPa" not in gauge


@given(low=st.floats(-1e6, 1e6), span=st.floats(1e-3, 1e6), most=st.integers(3, 20))
def test_breakpoints_rise_are_few_and_cover_the_log(low: float, span: float, most: int) -> None:
    points = axis_of(np.linspace(low, low + span, 500), most=most)
    if points is None:  # too narrow for its size
        assert span <= 2e-6 * max(1.0, abs(low) + span)
        return
    assert 2 <= len(points) <= most
    assert (np.diff(points) > 0).all()
    assert points[0] <= low + 0.006 * span
    assert points[-1] >= low + 0.994 * span


def test_a_spark_target_never_gets_leaner_with_load_and_keeps_the_rules_in_boost() -> None:
    axes = petrol_car().axes
    table = cautious_target(axes, "spark")
    assert (np.diff(table, axis=1) <= 0).all()
    limits = default_limits("spark")
    boost = axes.load > limits.boost_above_kpa
    assert table[:, boost].max() <= limits.boost_leanest_lambda
    assert table.min() > limits.richest_lambda


@given(st.text(max_size=80))
def test_any_header_survives_as_a_toml_string(text: str) -> None:
    safe = "".join("?" if 0xD800 <= ord(mark) < 0xE000 else mark for mark in text)
    assert tomllib.loads(f"x = {toml_string(text)}")["x"] == safe


HEADERS = (
    "MAP (kPa)", "MAP", "Boost (psi)", "Boost", "Load (%)", "Load", "Injected fuel (mg/stroke)",
    "Lambda", "AFR", "Wideband", "Lambda 2", "STFT (%)", "ECT", "Coolant", "Water (degF)",
    "Throttle", "Knock", "Air (g/s)", "\u0394\x7f\"'=\\", "Torque", "Duty", "IAT", "EGT (K)",
)  # fmt: skip
COLUMN = st.tuples(st.sampled_from(HEADERS), st.floats(-50, 3000), st.floats(0, 1500))


@settings(max_examples=150)
@given(
    columns=st.lists(COLUMN, max_size=7, unique_by=lambda one: one[0]),
    fuel=st.sampled_from([None, "petrol", "diesel", "e85", "lpg"]),
    rpm=st.sampled_from([0.0, 30.0, 2500.0]),
)
def test_any_log_ends_in_a_setup_its_questions_or_one_message(
    columns: list[tuple[str, float, float]],
    fuel: str | None,
    rpm: float,
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    folder = tmp_path_factory.mktemp("fuzz")
    t = np.arange(120) / 10.0
    frame = {"Time (s)": t, "RPM": rpm * (1.0 + 0.4 * np.sin(t))}
    frame |= {name: middle + spread * np.sin(t / 2) for name, middle, spread in columns}
    log, out = log_of(folder / "a.csv", frame), folder / "car.toml"
    try:
        start = start_setup([log])
    except LogError as error:
        assert str(error)
        return
    if fuel:
        start = start.with_answer("engine.fuel", start.accepted("engine.fuel", fuel))
    written = write_setup(start, out)
    opened = sorted(question.key for question in written.questions)
    try:
        read_setup(out)
    except OpenQuestionsError as error:
        assert opened
        assert all(key in str(error) for key in opened[:15])
        assert out.read_text(encoding="utf-8").count(f'"{OPEN}"') >= len(opened)
    else:
        assert opened == []


def test_time_without_a_unit_is_asked_and_not_refused(tmp_path: Path) -> None:
    stamps = {"Time": 4.0 * np.arange(800)}  # a row every 4 s, or every 4 ms
    columns = stamps | {name: np.tile(v, 2) for name, v in without("Time (s)").items()}
    record = made(tmp_path, log_of(tmp_path / "a.csv", columns), "--fuel", "petrol")
    assert keys(record) == ["channels.time.unit"]
    assert {"s", "ms"} <= set(record["questions"][0]["choices"])
    head = (tmp_path / "car.toml").read_text(encoding="utf-8").split("[engine]")[0]
    assert "unit of time is not given" in " ".join(head.replace("#", " ").split())


def test_a_unit_that_the_values_deny_is_asked_and_not_copied(tmp_path: Path) -> None:
    cold = {"Coolant temperature (K)": np.linspace(80.0, 92.0, 400)}  # degC, or warm degF
    columns = without("Coolant temperature (degC)") | cold
    record = made(tmp_path, log_of(tmp_path / "a.csv", columns), "--fuel", "petrol")
    assert keys(record) == ["channels.coolant_temp.unit"]
    assert record["questions"][0]["choices"] == ["degC", "degF"]
    assert 'unit = "K"' not in (tmp_path / "car.toml").read_text(encoding="utf-8")


def test_an_engine_that_never_turned_is_no_question(tmp_path: Path) -> None:
    log = log_of(tmp_path / "a.csv", drive(**{"Engine speed (rpm)": np.zeros(400)}))
    done = run("setup", log, "-o", tmp_path / "car.toml", "--no-input")
    assert done.exit_code == 3
    assert "the engine never turned" in done.output
    assert not (tmp_path / "car.toml").exists()


def test_of_two_faults_the_one_that_no_unit_mends_is_told(tmp_path: Path) -> None:
    stopped = {"Engine speed (rpm)": np.zeros(400), "Coolant temperature (K)": np.full(400, 88.0)}
    log = log_of(tmp_path / "a.csv", without("Coolant temperature (degC)") | stopped)
    done = run("setup", log, "-o", tmp_path / "car.toml", "--no-input")
    assert done.exit_code == 3
    assert "the engine never turned" in done.output
