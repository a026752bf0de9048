"""What was really loaded, and back to an earlier grid: recorded, checked, followed and undone."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from test_rounds_commands import Car, flat, ok, run

from tuneassist.errors import InputError, RuleBreachError
from tuneassist.files.grid_file import read_grid, write_grid_text
from tuneassist.workflow.tune import Tune


@pytest.fixture
def car(begun_home: Path, tmp_path: Path) -> Car:
    shutil.copytree(begun_home, tmp_path / "home")
    return Car(tmp_path / "home")


def written(car: Car, change: Callable[[np.ndarray], object], of: str = "round-01") -> Path:
    """A grid file of the tune with edits by hand."""
    grid = read_grid(car.tune / of / "grid.csv")
    values = grid.values.copy()
    change(values)
    path = car.home / "mine.csv"
    path.write_text(write_grid_text(replace(grid, values=values)), encoding="utf-8")
    return path


def gentle(car: Car) -> Callable[[np.ndarray], object]:
    """Half a percent less in the cell with the largest step, towards what was there before."""
    step = car.table("round-01/step.csv")
    place = np.unravel_index(np.argmax(np.abs(step)), step.shape)

    def change(values: np.ndarray) -> None:
        values[place] -= 0.5 * np.sign(step[place])

    return change


def far(values: np.ndarray) -> None:
    values[4, 4] += 30.0


def files_of(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name != ".tuneassist-lock"
    }


# --- what was really loaded ----------------------------------------------------------------------


def test_a_hand_edit_within_the_rules_is_what_the_controller_holds(car: Car) -> None:
    mine = written(car, gentle(car))
    said = flat(ok("rounds", "accept", car.tune, "--grid", mine))
    assert "the controller holds loaded-01/grid.csv now" in said
    assert "broken" not in said
    status = car.status()
    assert status["controller_holds"] == "loaded-01"
    assert (status["proposed"], status["rejected"], status["edited"]) == (None, [], ["round-01"])
    assert status["broken_rules"] == []
    np.testing.assert_array_equal(car.table("loaded-01/grid.csv"), read_grid(mine).values)
    shown = flat(ok("rounds", "status", car.tune))
    assert "loaded-01/grid.csv, as you reported: round-01 edited by hand" in shown


def test_a_breach_is_named_and_nothing_is_recorded_without_a_reason(car: Car) -> None:
    before = files_of(car.tune)
    said = ok("rounds", "accept", car.tune, "--grid", written(car, far), status=5)
    assert "max_step_pct" in said
    assert '--despite "reason"' in flat(said)
    assert files_of(car.tune) == before


def test_the_reason_for_a_breach_is_kept_in_history_status_and_page(car: Car) -> None:
    mine = written(car, far)
    reason = "read the plugs: lean here"
    ok("rounds", "accept", car.tune, "--grid", mine, "--despite", reason)
    for said in (
        ok("rounds", "status", car.tune),
        ok("rounds", "history", car.tune),
    ):
        assert reason in flat(said)
        assert "max_step_pct" in said
    (broken,) = car.status()["broken_rules"]
    assert (broken["name"], broken["despite"]) == ("loaded-01", reason)
    assert car.status()["check"] == "broken"
    shown = flat(ok("rounds", "status", car.tune))
    assert "STOP A rule was broken knowingly: " in shown
    assert "GO ON" not in shown
    assert "Load a grid that keeps every rule" in shown
    assert any("max_step_pct" in one for one in broken["breaches"])
    page = car.home / "page0.html"
    ok("report", car.tune, "--out", page)
    text = flat(page.read_text(encoding="utf-8"))
    assert reason in text
    assert "max_step_pct" in text
    sheet = car.home / "sheet.html"
    ok("report", car.tune, "--out", sheet, "--customer")
    assert "a limit that protects the engine was set aside by hand" in flat(
        sheet.read_text(encoding="utf-8")
    )
    assert "In the controller, as reported: loaded-01/grid.csv" in flat(
        (car.home / "page0.html").read_text(encoding="utf-8")
    )
    assert "Expected after the step" not in text


def test_the_evidence_goes_on_with_the_grid_that_was_really_loaded(car: Car) -> None:
    """Four percent more fuel everywhere than proposed: the engine answers that."""

    def richer(values: np.ndarray) -> None:
        values[:] = 100.0 * ((1.0 + values / 100.0) * 1.04 - 1.0)

    ok("rounds", "accept", car.tune, "--grid", written(car, richer), "--despite", "cold day")
    log = car.log("b.csv", 2, grid="loaded-01/grid.csv")
    ok("rounds", "add", car.tune, log)
    record = json.loads((car.tune / "round-02" / "proposal.json").read_text(encoding="utf-8"))
    response = record["round"]["response"]
    assert record["round"]["in_force"] == "loaded-01"
    assert response["verdict"] == "as expected"
    assert response["response"] == pytest.approx(1.0, abs=0.1)
    np.testing.assert_array_equal(
        car.table("round-02/in-force.csv"), car.table("loaded-01/grid.csv")
    )
    step = car.table("round-02/step.csv")
    assert np.median(step[step != 0]) == pytest.approx(-4.0, abs=1.5)  # and takes it out again


def test_a_grid_may_be_edited_again_later_and_each_edit_is_undone_alone(car: Car) -> None:
    ok("rounds", "accept", car.tune)
    accepted = car.status()
    ok("rounds", "accept", car.tune, "--grid", written(car, far), "--despite", "first try")
    first = car.status()
    ok("rounds", "accept", car.tune, "--grid", written(car, far), "--despite", "second try")
    assert car.status()["controller_holds"] == "loaded-02"
    said = flat(ok("rounds", "undo", car.tune))
    assert "Undone: load." in said
    again = f'rounds accept {car.tune} --grid FILE --despite "REASON"'
    assert again.replace(" ", "") in "".join(said.split())  # long paths wrap
    assert "load loaded-01/grid.csv before the next log" in said
    assert car.status() == first
    ok("rounds", "undo", car.tune)
    assert car.status() == accepted
    assert [p.name for p in sorted((car.tune / "kept").iterdir())] == ["loaded-01-1", "loaded-02-1"]


def test_a_grid_is_accepted_by_hand_before_the_first_log_too(car: Car) -> None:
    ok("rounds", "undo", car.tune)
    small = written(car, lambda values: values.fill(1.0), of="kept/round-01-1")
    ok("rounds", "accept", car.tune, "--grid", small)
    assert car.status()["controller_holds"] == "loaded-01"
    too_much = written(car, lambda values: values.fill(60.0), of="kept/round-01-1")
    assert "max_total_pct" in ok("rounds", "accept", car.tune, "--grid", too_much, status=5)


def test_a_change_without_evidence_is_a_breach_after_a_plain_accept_as_well(car: Car) -> None:
    """No proposal waits then: the rules that ask for evidence are checked on all of it."""
    ok("rounds", "accept", car.tune)
    unknown = np.argwhere(~np.isfinite(deviations(car)))

    def change(values: np.ndarray) -> None:
        values[tuple(unknown[0])] += 0.5

    said = ok("rounds", "accept", car.tune, "--grid", written(car, change), status=5)
    assert "evidence: at" in said
    assert "changed without evidence" in said


def deviations(car: Car) -> np.ndarray:
    import pandas as pd

    cells = pd.read_csv(car.tune / "round-01" / "cells.csv")
    values = cells["deviation_pct"].where(cells["confidence"].ne("none"))
    return values.to_numpy().reshape(car.table("round-01/grid.csv").shape)


def test_blank_cells_step_files_other_axes_and_empty_reasons_are_refused(car: Car) -> None:
    before = files_of(car.tune)

    def blank(values: np.ndarray) -> None:
        values[1, 1] = np.nan

    said = flat(ok("rounds", "accept", car.tune, "--grid", written(car, blank), status=3))
    assert "is blank, one of 1" in said
    assert "Write what the controller holds there" in said
    step = car.tune / "round-01" / "step.csv"
    assert "step of a proposal" in ok("rounds", "accept", car.tune, "--grid", step, status=3)
    assert "nope.csv" in ok("rounds", "accept", car.tune, "--grid", "nope.csv", status=3)
    mine = written(car, far)
    for reason in ("", "  ", "...", "a" * 501):
        said = ok("rounds", "accept", car.tune, "--grid", mine, "--despite", reason, status=3)
        assert "Give it in words" in said
    text = mine.read_text(encoding="utf-8").replace("rpm/load,", "rpm/load,1", 1)
    mine.write_text(text, encoding="utf-8")
    ok("rounds", "accept", car.tune, "--grid", mine, status=3)
    ok("rounds", "accept", car.tune, "--despite", "no grid", status=2)
    assert files_of(car.tune) == before


@given(data=st.binary(max_size=300), despite=st.none() | st.text(max_size=30))
@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_any_bytes_and_any_reason_are_refused_in_words_or_recorded(
    car: Car, data: bytes, despite: str | None
) -> None:
    mine = car.home / "odd.csv"
    mine.write_bytes(data)
    reason = () if despite is None else ("--despite", despite)
    before = files_of(car.tune)
    result = run("rounds", "accept", car.tune, "--grid", mine, *reason)
    assert result.exit_code in (2, 3)
    assert result.output.strip()
    assert "Traceback" not in result.output
    assert files_of(car.tune) == before


# --- back to an earlier grid ---------------------------------------------------------------------


def test_the_grid_of_a_round_is_written_to_be_loaded_and_counts_once_it_is(car: Car) -> None:
    ok("rounds", "accept", car.tune)
    accepted = car.status()
    ok("rounds", "add", car.tune, car.log("b.csv", 2, grid="round-01/grid.csv"))
    waiting = car.status()
    said = flat(ok("rounds", "restore", car.tune, 0))
    assert "Written: restored-01/grid.csv. The controller still holds round-01/grid.csv." in said
    assert not car.table("restored-01/grid.csv").any()  # what was there at the start
    status = car.status()
    assert (status["controller_holds"], status["to_load"]) == ("round-01", "restored-01")
    assert status["rejected"] == ["round-02"]  # its proposal is not what is loaded next
    held = ok("rounds", "add", car.tune, car.home / "b.csv", status=3)
    assert "restored-01/grid.csv waits to be loaded" in flat(held)
    ok("rounds", "accept", car.tune)
    assert car.status()["controller_holds"] == "restored-01"
    ok("rounds", "undo", car.tune)
    ok("rounds", "reject", car.tune)
    assert car.status()["controller_holds"] == "round-01"
    ok("rounds", "undo", car.tune)
    ok("rounds", "undo", car.tune)
    assert car.status() == waiting
    assert [p.name for p in (car.tune / "kept").iterdir()] == ["restored-01-1"]
    ok("rounds", "undo", car.tune)
    assert car.status() == accepted


def test_logs_after_a_restore_are_taken_with_the_grid_that_came_back(car: Car) -> None:
    ok("rounds", "accept", car.tune)
    ok("rounds", "restore", car.tune, 0)
    ok("rounds", "accept", car.tune)
    log = car.log("b.csv", 2, grid="restored-01/grid.csv")
    ok("rounds", "add", car.tune, log)
    history = json.loads((car.tune / "history.json").read_text(encoding="utf-8"))["events"]
    assert history[-1]["in_force"] == "restored-01"
    assert not car.table("round-02/in-force.csv").any()
    record = json.loads((car.tune / "round-02" / "proposal.json").read_text(encoding="utf-8"))
    assert record["round"]["response"]["verdict"] != "no answer"


def test_what_cannot_be_brought_back_is_said(car: Car) -> None:
    assert "holds the grid of round 0 already" in ok("rounds", "restore", car.tune, 0, status=3)
    assert "was not loaded" in ok("rounds", "restore", car.tune, 1, status=3)
    ok("rounds", "accept", car.tune)
    assert "holds the grid of round 1 already" in ok("rounds", "restore", car.tune, 1, status=3)
    for number in ("7", "-1", "99999999999999999999"):
        said = flat(ok("rounds", "restore", car.tune, "--", number, status=3))
        assert f"there is no round {number}" in said
    ok("rounds", "restore", car.tune, "one", status=2)
    assert not (car.tune / "restored-01").exists()


def test_an_edited_round_comes_back_as_it_was_loaded_with_its_reason(car: Car) -> None:
    ok("rounds", "accept", car.tune, "--grid", written(car, far), "--despite", "by the plugs")
    ok("rounds", "restore", car.tune, 0)
    ok("rounds", "accept", car.tune)
    ok("rounds", "restore", car.tune, 1)  # its total is within the rules, and its reason is known
    np.testing.assert_array_equal(
        car.table("restored-02/grid.csv"), car.table("loaded-01/grid.csv")
    )


def test_a_grid_brought_back_meets_the_rules_in_force_now(car: Car) -> None:
    ok("rounds", "accept", car.tune)
    ok("rounds", "restore", car.tune, 0)
    ok("rounds", "accept", car.tune)
    setup = car.tune / "setup.toml"
    text = setup.read_text(encoding="utf-8")
    strict = text.replace("[limits]\n", "[limits]\nmax_total_pct = 1.0\nmax_step_pct = 1.0\n", 1)
    setup.write_text(strict, encoding="utf-8")
    said = ok("rounds", "restore", car.tune, 1, status=5)
    assert "max_total_pct" in said
    setup.write_text(text, encoding="utf-8")
    ok("rounds", "restore", car.tune, 1)
    setup.write_text(strict, encoding="utf-8")
    said = ok("rounds", "accept", car.tune, status=5)
    assert "came into force since" in flat(said)
    setup.write_text(text, encoding="utf-8")
    ok("rounds", "accept", car.tune)


# --- all steps -----------------------------------------------------------------------------------


def test_the_history_shows_every_step_with_time_reason_and_what_was_loaded(car: Car) -> None:
    ok("rounds", "accept", car.tune, "--grid", written(car, far), "--despite", "by the plugs")
    ok("rounds", "restore", car.tune, 0)
    ok("rounds", "accept", car.tune)
    ok("rounds", "undo", car.tune)
    steps = json.loads(ok("rounds", "history", car.tune, "--json"))["steps"]
    assert [one["kind"] for one in steps] == ["start", "add", "load", "restore", "accept", "undo"]
    assert [one["controller_holds"] for one in steps] == [
        "start", "start", "loaded-01", "loaded-01", "restored-01", "loaded-01",
    ]  # fmt: skip
    assert [one["is_undone"] for one in steps] == [False, False, False, False, True, False]
    assert [one["to_load"] for one in steps] == [
        "", "round-01", "", "restored-01", "", "restored-01",
    ]  # fmt: skip
    assert steps[2]["reason"] == "by the plugs"
    assert steps[2]["breaches"]
    assert all(one["time"].startswith("20") for one in steps)
    said = flat(ok("rounds", "history", car.tune))
    assert "mine.csv loaded, round-01 edited by hand" in said
    assert "(undone)" in said


def test_a_notebook_takes_the_same_steps(car: Car) -> None:
    tune = Tune.open(car.tune)
    mine = written(car, far)
    with pytest.raises(RuleBreachError, match="max_step_pct"):
        tune.accept(mine)
    with pytest.raises(InputError, match="without a grid"):
        tune.accept(despite="because")
    standing = tune.accept(mine, despite="by the plugs")
    assert standing.controller_holds == "loaded-01"
    assert "by the plugs" in repr(standing)
    assert tune.restore(0).to_load == "restored-01"
    assert list(tune.history()["kind"]) == ["start", "add", "load", "restore"]
    np.testing.assert_array_equal(tune.grid_in_force().values, read_grid(mine).values)


# --- folders that were damaged -------------------------------------------------------------------


def test_a_changed_damaged_or_missing_hand_grid_is_told_and_can_be_undone(car: Car) -> None:
    ok("rounds", "accept", car.tune, "--grid", written(car, far), "--despite", "by the plugs")
    folder = car.tune / "loaded-01"
    sound = files_of(folder)
    shown = folder / "grid.csv"
    shown.write_text(shown.read_text(encoding="utf-8").replace(",", ";"), encoding="utf-8")
    assert car.status()["controller_holds"] == "loaded-01"  # as a spreadsheet may save it
    for name in sound:
        old, new = (b"by the", b"by all") if name == "change.json" else (b",0,", b",7,")
        assert old in sound[name]
        (folder / name).write_bytes(sound[name].replace(old, new, 1))
        said = flat(ok("rounds", "status", car.tune, status=3))
        assert "changed since" in said
        assert name in said
        (folder / name).unlink()
        assert name in ok("rounds", "status", car.tune, status=3)
        (folder / name).write_bytes(sound[name])
    shutil.rmtree(folder)
    assert "loaded-01" in ok("rounds", "status", car.tune, status=3)
    ok("rounds", "undo", car.tune)
    assert car.status()["proposed"] == "round-01"


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("name", "../../elsewhere"),
        ("name", "loaded-02"),
        ("of", "round-07"),
        ("made", 3),
        ("breaches", "none"),
        ("despite", None),
        ("files", [1]),
    ],
)
def test_a_damaged_event_of_a_hand_grid_is_told_with_its_file(
    car: Car, key: str, value: object
) -> None:
    ok("rounds", "accept", car.tune, "--grid", written(car, far), "--despite", "by the plugs")
    path = car.tune / "history.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    record["events"][-1][key] = value
    path.write_text(json.dumps(record), encoding="utf-8")
    for command in ("status", "history", "undo"):
        said = ok("rounds", command, car.tune, status=3)
        assert "history.json" in said


def test_something_else_in_the_place_of_a_hand_grid_is_left_alone(car: Car) -> None:
    (car.tune / "loaded-01").mkdir()
    (car.tune / "loaded-01" / "photo.jpg").write_bytes(b"x")
    said = flat(
        ok("rounds", "accept", car.tune, "--grid", written(car, far), "--despite", "x y", status=3)
    )
    assert "in the place of loaded 1" in said
    assert (car.tune / "loaded-01" / "photo.jpg").exists()


def test_a_tune_of_the_first_form_takes_the_new_steps_and_keeps_its_own(car: Car) -> None:
    for name in ("tune.json", "history.json"):
        path = car.tune / name
        record = json.loads(path.read_text(encoding="utf-8"))
        path.write_text(json.dumps({**record, "format": 1}), encoding="utf-8")
    before = json.loads((car.tune / "history.json").read_text(encoding="utf-8"))["events"]
    ok("rounds", "accept", car.tune, "--grid", written(car, gentle(car)))
    after = json.loads((car.tune / "history.json").read_text(encoding="utf-8"))
    assert after["format"] == 2
    assert after["events"][:-1] == before
    assert car.status()["controller_holds"] == "loaded-01"
