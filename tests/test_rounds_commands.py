"""The tune loop through the command line: what it writes, says and refuses, and how it ends."""

from __future__ import annotations

import csv
import json
import shutil
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner, Result

from tuneassist.cli.app import app
from tuneassist.files.grid_file import read_grid
from tuneassist.grid import compose_pct
from tuneassist.show.rounds import pending_steps
from tuneassist.simulate import SessionPlan, TrueEngine, draw_engine, simulate_session
from tuneassist.simulate.logs import Dialect, standard_columns, write_log
from tuneassist.simulate.sample_logs import setup_text
from tuneassist.workflow import round_evaluation

ENGINE = draw_engine(np.random.default_rng(31))
PLAN = SessionPlan(holds=25, rate_hz=5, warm_up_s=0, gaps=0)
FOUR = ("step.csv", "grid.csv", "cells.csv", "proposal.json")
STATUS_KEYS = [
    "number",
    "cells_seen",
    "cells_inside",
    "rms_pct",
    "response",
    "response_low",
    "response_high",
]
"""contract.md, `rounds status --json`."""


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(a) for a in arguments])


def ok(*arguments: object, status: int = 0) -> str:
    result = run(*arguments)
    assert result.exit_code == status, result.output
    return result.output


def flat(text: str) -> str:
    """A screen's words without its line breaks."""
    return " ".join(text.split())


@dataclass(frozen=True)
class Car:
    """A car on the rollers: its setup file, and a logger."""

    home: Path

    @property
    def tune(self) -> Path:
        return self.home / "tune"

    def log(
        self, name: str, seed: int, *, engine: TrueEngine = ENGINE, grid: str = "", **plan: Any
    ) -> Path:
        """Log a session with a grid of the tune in the controller."""
        held = read_grid(self.tune / grid, axes=ENGINE.car.axes) if grid else None
        session = simulate_session(
            engine, replace(PLAN, **plan), grid=held, rng=np.random.default_rng(seed)
        )
        columns = standard_columns(session)
        write_log(self.home / name, session, Dialect(columns))
        (self.home / "car.toml").write_text(
            setup_text(ENGINE.car, columns, rev_limit_rpm=6800), encoding="utf-8"
        )
        return self.home / name

    def status(self) -> dict[str, Any]:
        return dict(json.loads(ok("rounds", "status", self.tune, "--json")))

    def table(self, name: str) -> np.ndarray:
        """A grid file's numbers by the standard library's reader."""
        with (self.tune / name).open(encoding="utf-8", newline="") as stream:
            rows = list(csv.reader(stream))[1:]
        return np.array([[float(cell) for cell in row[1:]] for row in rows])


@pytest.fixture
def car(begun_home: Path, tmp_path: Path) -> Car:
    """A car whose first round was logged, added and not yet decided upon."""
    shutil.copytree(begun_home, tmp_path, dirs_exist_ok=True)
    return Car(tmp_path)


def halted(car: Car, engine: TrueEngine) -> str:
    """Accept the first round's grid, and log an engine with a fault."""
    ok("rounds", "accept", car.tune)
    log = car.log("b.csv", 2, engine=engine, grid="round-01/grid.csv")
    return ok("rounds", "add", car.tune, log, status=6)


DEAF = replace(ENGINE, grid_response=0.0)


def test_a_round_writes_the_four_files_and_what_it_stands_on(car: Car) -> None:
    names = {path.name for path in (car.tune / "round-01").iterdir()}
    assert names == {
        *FOUR,
        "in-force.csv",
        "holds.csv",
        "blocks.csv",
        "peaks.csv",
        "trace.csv",
        "visits.csv",
        "evidence.json",
    }
    step, grid = car.table("round-01/step.csv"), car.table("round-01/grid.csv")
    assert (step != 0).sum() > 20
    np.testing.assert_allclose(compose_pct(np.zeros_like(step), step), grid, atol=1e-9)
    record = json.loads((car.tune / "round-01" / "proposal.json").read_text(encoding="utf-8"))
    assert [one["role"] for one in record["inputs"]] == ["setup", "grid", "log"]
    assert record["round"]["number"] == 1


def test_the_loop_converges_and_its_status_follows(car: Car) -> None:
    for number in (2, 3):
        ok("rounds", "accept", car.tune)
        log = car.log(f"{number}.csv", number, grid=f"round-0{number - 1}/grid.csv")
        ok("rounds", "add", car.tune, log)
    status = car.status()
    unsafe = ["unsafe_step_held", "unsafe_step_rules", "unsafe_steps"]
    grids = ["controller_holds", "proposed", "rejected", "edited", "to_load", "setup"]
    grids.append("broken_rules")
    assert list(status) == ["rounds", "advice", "why", "check", *grids, *unsafe, "verdict"]
    assert [list(one) for one in status["rounds"]] == [STATUS_KEYS] * 3
    first, second, third = status["rounds"]
    assert [one["number"] for one in status["rounds"]] == [1, 2, 3]
    assert first["response"] is None
    record = json.loads((car.tune / "round-02" / "proposal.json").read_text(encoding="utf-8"))
    assert record["round"]["response"]["verdict"] == "as expected"
    assert second["response_low"] < second["response"] < second["response_high"]
    assert third["rms_pct"] < 0.5 * first["rms_pct"]
    assert third["cells_inside"] > first["cells_inside"]
    assert status["advice"] in ("continue", "finished")
    scores = [
        ENGINE.score(read_grid(car.tune / f"round-0{n}" / "grid.csv", axes=ENGINE.car.axes))[1]
        for n in (1, 3)
    ]
    assert scores[1] < scores[0] < ENGINE.score(None)[1]
    record = json.loads((car.tune / "round-03" / "proposal.json").read_text(encoding="utf-8"))
    roles = [one["role"] for one in record["inputs"]]
    assert roles == ["setup", "grid", "evidence", "evidence", "log"]
    assert record["round"]["rests_on"] == ["round-01", "round-02", "round-03"]


def test_a_rejected_proposal_leaves_the_grid_and_keeps_the_evidence(car: Car) -> None:
    before = car.status()["rounds"][0]
    ok("rounds", "reject", car.tune)
    ok("rounds", "add", car.tune, car.log("b.csv", 2))
    assert not car.table("round-02/in-force.csv").any()
    after = car.status()["rounds"]
    assert after[0] == before
    assert after[1]["cells_seen"] >= before["cells_seen"]
    assert after[1]["response"] is None  # nothing was changed, so nothing can answer


@pytest.mark.parametrize("fault", [0.0, -1.0])
def test_an_engine_that_does_not_answer_ends_with_6_and_gets_no_step(
    car: Car, fault: float
) -> None:
    said = halted(car, replace(ENGINE, grid_response=fault))
    assert said.startswith(" STOP  The loop has halted: ")
    assert "rounds found" in said
    assert not car.table("round-02/step.csv").any()
    np.testing.assert_array_equal(car.table("round-02/grid.csv"), car.table("round-01/grid.csv"))
    status = car.status()
    assert status["advice"] == "halt"
    assert status["why"]
    assert status["rounds"][1]["response_high"] < 0.5
    # what was measured in the round, not what the earlier rounds predict
    assert status["rounds"][1]["rms_pct"] > 0.8 * status["rounds"][0]["rms_pct"]
    for command in ("accept", "reject"):
        assert "halted at round 2" in ok("rounds", command, car.tune, status=3)
    assert "halted" in ok("rounds", "add", car.tune, car.log("c.csv", 3), status=3)


def test_not_loaded_after_all_judges_the_round_under_the_grid_before(car: Car) -> None:
    halted(car, DEAF)
    said = ok("rounds", "found", car.tune, "not-loaded")
    assert "cannot tell" in said
    assert car.table("round-02/step.csv").any()
    assert not car.table("round-02/in-force.csv").any()
    assert [path.name for path in (car.tune / "kept").iterdir()] == ["round-02-2"]
    record = json.loads((car.tune / "round-02" / "proposal.json").read_text(encoding="utf-8"))
    assert record["logs"][0]["name"] == "round-02/b.csv"  # told by the reading, back then
    shown = ok("rounds", "status", car.tune)
    assert "not-loaded" in shown
    ok("rounds", "accept", car.tune)


def test_changed_fuel_starts_afresh_from_the_round_that_found_it(car: Car) -> None:
    said = halted(car, replace(ENGINE, extra_need_pct=10.0))
    assert "more fuel everywhere" in said.replace("\n    ", " ")
    ok("rounds", "found", car.tune, "fuel-changed", "--json")
    record = json.loads((car.tune / "round-02" / "proposal.json").read_text(encoding="utf-8"))
    assert record["round"]["rests_on"] == ["round-02"]
    step = car.table("round-02/step.csv")
    assert np.median(step[step != 0]) == pytest.approx(10.0, abs=3.0)
    assert "no evidence since" in " ".join(ok("rounds", "status", car.tune).split())


@pytest.mark.parametrize("answer", ["sign-mended", "loop-opened", "wrong-log"])
def test_after_a_mend_the_round_is_logged_again(car: Car, answer: str) -> None:
    halted(car, DEAF)
    ok("rounds", "found", car.tune, answer)
    assert not (car.tune / "round-02").exists()
    assert (car.tune / "kept" / "round-02-1").is_dir()
    assert "round-02 already" in ok("rounds", "add", car.tune, car.home / "b.csv", status=3)
    log = car.log("c.csv", 3, grid="round-01/grid.csv")
    ok("rounds", "add", car.tune, log)
    status = car.status()
    assert status["rounds"][1]["response_low"] < 1.0 < status["rounds"][1]["response_high"] + 0.1
    assert answer in ok("rounds", "status", car.tune)


def test_undo_after_a_halt_takes_the_round_back(car: Car) -> None:
    before = car.status
    ok("rounds", "accept", car.tune)
    accepted = before()
    log = car.log("b.csv", 2, engine=DEAF, grid="round-01/grid.csv")
    ok("rounds", "add", car.tune, log, status=6)
    ok("rounds", "undo", car.tune)
    assert car.status() == accepted
    ok("rounds", "add", car.tune, log, status=6)  # undone logs may come again


def test_what_undo_took_back_is_told_with_the_command_that_brings_it_back(car: Car) -> None:
    ok("rounds", "accept", car.tune)
    said = flat(ok("rounds", "undo", car.tune))
    assert "Undone: accept." in said
    assert f"To redo it: tuneassist rounds accept {car.tune}" in said
    assert f"To redo it: tuneassist rounds add {car.tune} a.csv" in flat(
        ok("rounds", "undo", car.tune)
    )
    ok("rounds", "add", car.tune, car.home / "a.csv")
    halted(car, DEAF)
    ok("rounds", "found", car.tune, "wrong-log")
    said = flat(ok("rounds", "undo", car.tune))
    assert f"To redo it: tuneassist rounds found {car.tune} wrong-log" in said


def grids_of(status: dict[str, Any]) -> tuple[Any, Any, Any]:
    return status["controller_holds"], status["proposed"], status["rejected"]


def test_what_is_held_proposed_and_rejected_are_told_apart(car: Car) -> None:
    assert grids_of(car.status()) == ("start", "round-01", [])
    waiting = flat(ok("rounds", "status", car.tune))
    assert "controller holds start-grid.csv" in waiting
    assert "proposed round-01/grid.csv, not loaded yet" in waiting
    ok("rounds", "reject", car.tune)
    assert grids_of(car.status()) == ("start", None, ["round-01"])
    assert "rejected round-01: do not load" in flat(ok("rounds", "status", car.tune))
    ok("rounds", "undo", car.tune)
    ok("rounds", "accept", car.tune)
    assert grids_of(car.status()) == ("round-01", None, [])


@pytest.mark.parametrize("word", ["accept", "reject", ""])
def test_the_report_prints_no_rejected_grid_and_says_what_is_held(car: Car, word: str) -> None:
    if word:
        ok("rounds", word, car.tune)
    ok("report", car.tune, "--out", car.home / "page.html")
    page = flat((car.home / "page.html").read_text(encoding="utf-8"))
    held = "round-01/grid.csv" if word == "accept" else "start-grid.csv"
    assert f"In the controller, as reported: {held}" in page
    assert ("not loaded yet: the whole grid to type in" in page) == (not word)
    assert ("Expected after the step" in page) == (word != "reject")
    assert ("was rejected: it is not in the controller" in page) == (word == "reject")


@pytest.mark.parametrize(("hard", "check"), [(760, "hard"), (990, "ceiling")])
def test_an_exceeded_ceiling_overrides_go_on(tmp_path: Path, hard: int, check: str) -> None:
    car = Car(tmp_path)
    log = car.log("a.csv", 1)
    setup = tmp_path / "car.toml"
    ceiling = (
        f"\n[limits.ceilings]\nexhaust_temp = {{ ceiling = 750, hard = {hard}, unit = 'degC' }}\n"
    )
    setup.write_text(setup.read_text(encoding="utf-8") + ceiling, encoding="utf-8")
    ok("rounds", "start", car.tune, "--setup", setup)
    for screen in (ok("rounds", "add", car.tune, log), ok("rounds", "status", car.tune)):
        said = flat(screen)
        assert said.startswith("STOP Exceeded: exhaust temp ")
        assert f"ceiling {hard if check == 'hard' else 750}." in said
        assert "GO ON" not in said
        assert said.index("Next: Find and fix the cause of the exceeded limit") < said.index("Also")
        assert "Only when the cause is found and fixed: type " in said
        assert " Type " not in said  # nothing is to be loaded while the verdict is STOP
        assert said.count("keep out of those cells") == 1
    assert car.status()["check"] == check
    assert car.status()["verdict"]["word"] == "STOP"
    assert "exhaust temp" in car.status()["verdict"]["cells"][0]["why"]
    assert car.status()["advice"] == "continue"  # the contract's word for scripts


def test_undo_of_accept_says_to_load_the_earlier_grid(car: Car) -> None:
    ok("rounds", "accept", car.tune)
    said = flat(ok("rounds", "undo", car.tune))
    assert said.startswith("CHECK Undone: accept.")
    assert "Undo changes nothing in the controller." in said
    assert "load start-grid.csv before the next log" in said
    assert "The controller holds" not in said
    ok("rounds", "reject", car.tune)
    assert "Undo changes nothing" not in flat(ok("rounds", "undo", car.tune))  # nothing was loaded


def test_undo_works_where_the_rounds_folder_is_missing(car: Car) -> None:
    ok("rounds", "accept", car.tune)
    (car.tune / "round-01").rename(car.home / "elsewhere")
    assert "Undone: accept." in ok("rounds", "undo", car.tune)


def test_a_round_without_a_step_has_nothing_to_type_in(tmp_path: Path) -> None:
    car = Car(tmp_path)
    log = car.log("a.csv", 1)
    setup = tmp_path / "car.toml"
    text = setup.read_text(encoding="utf-8")
    coarse = "[limits]\nresolution_pct = 10.0\n"  # no step is as large
    setup.write_text(text.replace("[limits]\n", coarse, 1), encoding="utf-8")
    ok("rounds", "start", car.tune, "--setup", setup)
    told = [ok("rounds", "add", car.tune, log), ok("rounds", "status", car.tune)]
    assert not car.table("round-01/step.csv").any()
    ok("rounds", "accept", car.tune)
    told.append(ok("rounds", "undo", car.tune))
    for screen in map(flat, told):
        assert "Nothing to type in: no cell changes" in screen
        assert "into the controller" not in screen


def test_a_finished_tune_may_leave_its_last_small_step_out(tmp_path: Path) -> None:
    steps = " ".join(pending_steps(tmp_path / "round-03", is_finished=True))
    assert steps.startswith("No further step is needed.")
    assert steps.index("rounds reject") < steps.index("rounds accept")
    assert not pending_steps(tmp_path / "round-03")[0].startswith(("Nothing", "No further"))


def test_the_same_log_twice_is_refused_with_its_round(car: Car) -> None:
    ok("rounds", "accept", car.tune)
    copy = car.home / "copy.csv"
    copy.write_bytes((car.home / "a.csv").read_bytes())
    said = ok("rounds", "add", car.tune, copy, status=3)
    assert "copy.csv" in said
    assert "round-01 already" in said


@pytest.mark.parametrize(
    ("steps", "says"),
    [
        ((), "neither accepted nor rejected"),
        (("accept", "accept"), "no proposal to accept"),
        (("reject", "reject"), "no proposal to reject"),
        (("undo", "undo"), "nothing to undo"),
    ],
)
def test_steps_out_of_order_end_with_3_and_write_nothing(
    car: Car, steps: tuple[str, ...], says: str
) -> None:
    for step in steps[:-1]:
        ok("rounds", step, car.tune)
    before = (car.tune / "history.json").read_bytes()
    command = (steps[-1], car.tune) if steps else ("add", car.tune, car.home / "a.csv")
    assert says in ok("rounds", *command, status=3).replace("\n", " ")
    assert (car.tune / "history.json").read_bytes() == before


def test_a_log_without_steady_evidence_ends_with_4_and_writes_nothing(car: Car) -> None:
    ok("rounds", "accept", car.tune)
    before = (car.tune / "history.json").read_bytes()
    cold = car.log("cold.csv", 5, holds=8, warm_up_s=60.0, is_never_warm=True)
    assert "engine" in ok("rounds", "add", car.tune, cold, status=4)
    assert (car.tune / "history.json").read_bytes() == before
    assert not (car.tune / "round-02").exists()


def test_json_goes_to_standard_output_alone(car: Car) -> None:
    ok("rounds", "accept", car.tune)
    log = car.log("b.csv", 2, grid="round-01/grid.csv")
    result = run("rounds", "add", car.tune, log, "--json")
    record = json.loads(result.stdout)
    assert record["round"]["number"] == 2
    assert record["round"]["response"]["verdict"] == "as expected"
    assert sorted(record["files"]) == sorted(FOUR)
    assert record["simulated"] is True


def test_a_halt_is_written_even_where_a_rule_asks_for_a_step_back(
    car: Car, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Past a hard ceiling the rules demand a change; a halted round still may change nothing."""
    setup = car.tune / "setup.toml"
    ok("rounds", "undo", car.tune)
    text = setup.read_text(encoding="utf-8")
    hot = "\n[limits.ceilings.exhaust_temp]\nceiling = 300.0\nhard = 310.0\n"
    (car.home / "hot.toml").write_text(text + hot, encoding="utf-8")
    hot_tune = Car(car.home / "hot")
    hot_tune.home.mkdir()
    ok("rounds", "start", hot_tune.tune, "-s", car.home / "hot.toml")
    ok("rounds", "add", hot_tune.tune, car.home / "a.csv")
    ok("rounds", "accept", hot_tune.tune)
    log = hot_tune.log("b.csv", 2, engine=DEAF, grid="round-01/grid.csv")
    ok("rounds", "add", hot_tune.tune, log, status=6)
    assert not hot_tune.table("round-02/step.csv").any()


def test_a_log_of_another_car_is_named_and_left_out(car: Car) -> None:
    ok("rounds", "accept", car.tune)
    other = draw_engine(np.random.default_rng(77))
    logs = [
        car.log(f"{name}.csv", seed, engine=engine, grid="round-01/grid.csv")
        for name, seed, engine in (("b", 2, ENGINE), ("wrong", 3, other), ("c", 4, ENGINE))
    ]
    result = run("rounds", "add", car.tune, *logs, "--json")
    assert result.exit_code == 0, result.output
    record = json.loads(result.stdout)
    assert list(record["round"]["logs_set_aside"]) == ["round-02/wrong.csv"]
    kept = json.loads((car.tune / "round-02" / "evidence.json").read_text(encoding="utf-8"))
    assert len(kept["logs"]) == 3  # kept, and not counted
    assert list(kept["logs_set_aside"]) == ["round-02/wrong.csv"]


def test_a_grid_at_the_start_is_what_deviations_are_told_under(tmp_path: Path) -> None:
    made = Car(tmp_path)
    made.log("a.csv", 1)
    held = tmp_path / "held.csv"
    axes = ENGINE.car.axes
    rows = [",".join(["rpm/load", *map(str, axes.load)])]
    rows += [",".join([str(rpm), *["4.0"] * len(axes.load)]) for rpm in axes.rpm]
    held.write_text("\n".join(rows) + "\n", encoding="utf-8")
    ok("rounds", "start", made.tune, "-s", tmp_path / "car.toml", "--grid", held)
    log = made.log("b.csv", 1, grid="start-grid.csv")
    ok("rounds", "add", made.tune, log)
    np.testing.assert_array_equal(made.table("round-01/in-force.csv"), 4.0)
    step, grid = made.table("round-01/step.csv"), made.table("round-01/grid.csv")
    np.testing.assert_allclose(100 * (1.04 * (1 + step / 100) - 1), grid, atol=1e-9)


def test_a_program_that_fails_between_leaves_no_half_round(
    car: Car, monkeypatch: pytest.MonkeyPatch
) -> None:
    ok("rounds", "accept", car.tune)
    log = car.log("b.csv", 2, grid="round-01/grid.csv")
    with monkeypatch.context() as patch:
        patch.setattr(round_evaluation, "evidence_contents", lambda *_: 1 / 0)
        assert run("rounds", "add", car.tune, log).exit_code == 1
    assert not (car.tune / "round-02").exists()
    ok("rounds", "add", car.tune, log)
