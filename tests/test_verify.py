"""`verify` tells what is wrong in a grid itself; the limiter's own check judges the change."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner, Result

from tuneassist.cli.app import app
from tuneassist.correction import check_grid, verify_grid
from tuneassist.correction.breaches import percent
from tuneassist.errors import RuleBreachError
from tuneassist.files.grid_file import write_grid_text
from tuneassist.files.setup_file import read_setup
from tuneassist.grid import Axes, Grid
from tuneassist.workflow.verify import verify_file

PETROL = Path(__file__).parents[1] / "sample_logs" / "petrol-setup.toml"
CAR = read_setup(PETROL)
BOOST = int(np.argmax(CAR.axes.load))
"""Column of the highest load, in boost."""


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(a) for a in arguments])


def written(path: Path, values: np.ndarray) -> Path:
    path.write_text(write_grid_text(Grid(CAR.axes, values)), encoding="utf-8")
    return path


def grid_of(value: float = 0.0) -> np.ndarray:
    return np.full(CAR.axes.shape, value)


def bad_total() -> np.ndarray:
    return grid_of(400.0)


def bad_slope() -> np.ndarray:
    values = grid_of()
    values[5:, :] = 25.0
    return values


def bad_lean_total() -> np.ndarray:
    values = grid_of(-5.0)
    values[:, BOOST] = -14.0
    return values


def bad_resolution() -> np.ndarray:
    values = grid_of()
    values[2, 3] = 1.23
    return values


BAD = {
    "max_total_pct": bad_total,
    "max_slope_rpm_pct": bad_slope,
    "max_lean_total_in_boost_pct": bad_lean_total,
    "resolution_pct": bad_resolution,
}


def test_the_python_call_finds_what_the_command_finds(tmp_path: Path) -> None:
    bad = written(tmp_path / "bad.csv", bad_slope())
    found = verify_file(bad, setup=PETROL, against=bad)
    result = run("verify", bad, "-s", PETROL, "--against", bad)
    assert found.carried_over == len(found.breaches) > 0
    with pytest.raises(RuleBreachError) as caught:
        found.require_clean()
    assert " ".join(str(caught.value).split()) in " ".join(result.stderr.split())
    verify_file(written(tmp_path / "zero.csv", grid_of()), setup=PETROL).require_clean()


@pytest.mark.parametrize("rule", BAD)
def test_a_bad_grid_against_itself_is_bad_and_marked_as_carried_over(
    rule: str, tmp_path: Path
) -> None:
    bad = written(tmp_path / "bad.csv", BAD[rule]())
    alone = run("verify", bad, "-s", PETROL)
    result = run("verify", bad, "-s", PETROL, "--against", bad)
    assert alone.exit_code == result.exit_code == 5
    assert f"{rule}: at " in result.stderr
    assert "of them carried over from" in result.stderr
    assert "; carried over from the grid in force" in result.stderr
    assert "carried over" not in alone.stderr
    record = json.loads(run("verify", bad, "-s", PETROL, "--against", bad, "--json").stdout)
    assert record["is_clean"] is False
    assert record["carried_over"] == len(record["breaches"]) > 0
    assert all(breach["is_carried_over"] for breach in record["breaches"])
    assert {breach["rule"] for breach in record["breaches"]} == {rule}


def test_a_plus_400_percent_grid_is_named_in_every_cell(tmp_path: Path) -> None:
    bad = written(tmp_path / "bad.csv", bad_total())
    result = run("verify", bad, "-s", PETROL, "--against", bad)
    cells = CAR.axes.size
    assert (
        f"{cells} breaches of the rules, {cells} of them carried over from {bad}" in result.stderr
    )
    assert "holds +400 %, more than 30 %" in result.stderr


def test_what_the_change_brought_in_is_not_called_carried_over(tmp_path: Path) -> None:
    old = grid_of()
    old[0, 0] = 50.0  # too much in itself, and too steep toward both neighbours
    new = old.copy()
    new[0, 0] = 55.0  # worse than it was
    new[7, 3] = 40.0  # new
    setup = replace(
        CAR, limits=replace(CAR.limits, max_slope_rpm_pct=99.0, max_slope_load_pct=99.0)
    )
    found = verify_grid(Grid(CAR.axes, new), current=Grid(CAR.axes, old), setup=setup)
    totals = {(b.rpm, b.load): b.is_carried_over for b in found if b.rule == "max_total_pct"}
    first = (float(CAR.axes.rpm[0]), float(CAR.axes.load[0]))
    later = (float(CAR.axes.rpm[7]), float(CAR.axes.load[3]))
    assert totals == {first: False, later: False}
    new[0, 0] = 45.0  # better than it was, and still too much
    found = verify_grid(Grid(CAR.axes, new), current=Grid(CAR.axes, old), setup=setup)
    totals = {(b.rpm, b.load): b.is_carried_over for b in found if b.rule == "max_total_pct"}
    assert totals == {first: True, later: False}


def test_rules_on_changes_are_named_as_well_and_nothing_is_named_twice() -> None:
    old, new = grid_of(20.0), grid_of(45.0)  # x1.208: a step above 15 %, and a total above 30 %
    found = verify_grid(Grid(CAR.axes, new), current=Grid(CAR.axes, old), setup=CAR)
    places = [(b.rule, b.rpm, b.load) for b in found]
    assert len(places) == len(set(places)) == 2 * CAR.axes.size
    assert {b.rule for b in found} == {"max_total_pct", "max_step_pct"}
    assert not any(b.is_carried_over for b in found)


def test_a_slope_turned_round_is_not_carried_over() -> None:
    old, new = grid_of(), grid_of()
    old[5:, :], new[:5, :] = 12.0, 12.0  # 12 % per cell where 10 are allowed, now the other way
    found = verify_grid(Grid(CAR.axes, new), current=Grid(CAR.axes, old), setup=CAR)
    slopes = [b for b in found if b.rule == "max_slope_rpm_pct"]
    assert len(slopes) == CAR.axes.shape[1]
    assert not any(b.is_carried_over for b in slopes)


def test_the_limiters_own_check_still_allows_no_worse_than_now() -> None:
    for make in BAD.values():
        bad = Grid(CAR.axes, make())
        assert check_grid(bad, current=bad, setup=CAR) == ()


def test_a_sound_grid_against_itself_is_clean(tmp_path: Path) -> None:
    good = written(tmp_path / "good.csv", grid_of(3.0))
    result = run("verify", good, "-s", PETROL, "--against", good)
    assert result.exit_code == 0, result.output
    record = json.loads(run("verify", good, "-s", PETROL, "--against", good, "--json").stdout)
    assert record["is_clean"] is True
    assert record["carried_over"] == 0


def test_where_nothing_tells_boost_the_sentence_says_what_would() -> None:
    axes = Axes(CAR.axes.rpm, CAR.axes.load, load_name="throttle", load_unit="%")
    setup = replace(CAR, axes=axes)
    grid = Grid(axes, grid_of(-14.0))
    (first, *_) = verify_grid(grid, current=None, setup=setup)
    assert first.rule == "max_lean_total_in_boost_pct"
    assert "boost_above_load" in first.sentence
    told = replace(setup, limits=replace(setup.limits, boost_above_load=float(axes.load[-2])))
    found = verify_grid(grid, current=None, setup=told)
    assert {b.load for b in found} == {float(axes.load[-1])}
    assert "boost_above_load" not in found[0].sentence


def test_a_breach_names_the_load_unit_of_both_cells_and_no_idle_decimals(tmp_path: Path) -> None:
    values = grid_of()
    values[3, 3] = 10.9
    grid = written(tmp_path / "steep.csv", values)
    words = run("verify", grid, "-s", PETROL, "--against", written(tmp_path / "old.csv", grid_of()))
    rpm, load, unit = CAR.axes.rpm, CAR.axes.load, CAR.axes.load_unit
    beside = f"{rpm[3]:g} rpm, {load[4]:g} {unit}"
    at = f"at {rpm[3]:g} rpm, {load[3]:g} {unit}: differs by 10.9 % from {beside}; limit"
    assert at in words.stderr
    assert "10.900" not in words.stderr


def test_a_value_just_beyond_its_limit_does_not_read_like_it() -> None:
    assert percent(5.0004, 5.0) == "5.0004"
    assert percent(-0.0002, sign="+") == "0"  # no negative zero
