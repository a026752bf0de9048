"""The benchmark of every sample: what it judges by, and that it runs on both engines."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tuneassist.grid import bilinear_weights
from tuneassist.simulate import SessionPlan, draw_engine, simulate_session

BENCHMARKS = str(Path(__file__).resolve().parents[1] / "benchmarks")
sys.path.insert(0, BENCHMARKS)
try:
    import every_sample as bench
finally:
    sys.path.remove(BENCHMARKS)

ENGINES = ("own", "other")


@pytest.fixture(scope="module", params=ENGINES)
def scene(request: pytest.FixtureRequest) -> bench.Scene:
    make = bench.own_scene if request.param == "own" else bench.other_scene
    return make("15-holds", 1, 0)


def truth_at_cells(scene: bench.Scene) -> np.ndarray:
    rpm, load = (g.ravel() for g in np.meshgrid(*_axes(scene), indexing="ij"))
    return scene.true.error_pct(rpm, load)


def _axes(scene: bench.Scene) -> tuple[np.ndarray, np.ndarray]:
    return scene.setup.axes.rpm, scene.setup.axes.load


def test_both_engines_know_the_same_cases() -> None:
    assert set(bench.CASES) <= set(bench.other_engine.CASES)


def test_the_truth_at_the_cells_leaves_next_to_nothing(scene: bench.Scene) -> None:
    share, rms = bench.score(scene, truth_at_cells(scene))
    assert share > 0.97
    assert rms < 0.5


def test_blank_cells_leave_all_of_the_error(scene: bench.Scene) -> None:
    error = scene.true.error_pct(scene.true.rpm, scene.true.load)
    _, rms = bench.score(scene, np.full(scene.setup.axes.size, np.nan))
    assert rms == pytest.approx(np.sqrt(np.mean(error**2)))


def test_a_correction_off_by_two_percent_leaves_two_percent(scene: bench.Scene) -> None:
    right = truth_at_cells(scene)
    best = bench.left_pct(scene, right)
    off = bench.left_pct(scene, 100.0 * ((1.0 + right / 100.0) * 1.02 - 1.0))
    assert np.log1p(best / 100.0) - np.log1p(off / 100.0) == pytest.approx(np.log(1.02))


def test_points_lie_where_the_log_was(scene: bench.Scene) -> None:
    weights = bilinear_weights(scene.setup.axes, scene.true.rpm, scene.true.load)
    assert 0 < (np.asarray(weights.sum(axis=0)).ravel() > 0).sum() < scene.setup.axes.size


def test_own_points_lie_near_rows_and_none_beyond() -> None:
    engine = draw_engine(np.random.default_rng(2))
    plan = SessionPlan(points=np.array([[3000.0, 90.0]]), warm_up_s=0.0, gaps=0)
    samples = simulate_session(engine, plan, rng=np.random.default_rng(3)).samples
    held = samples[(samples["rpm"] - 3000.0).abs().lt(60.0) & samples["load"].between(85, 95)]
    rpm, load = bench.own_points(engine, held)
    away = np.abs(rpm[:, None] - held["rpm"].to_numpy()).min(axis=1)
    assert len(rpm) > 20
    assert away.max() <= (bench.REACH + 0.5) * bench.MESH_RPM
    assert np.abs(load - 90.0).max() <= 5.0 + (bench.REACH + 0.5) * bench.MESH_LOAD
    cold = held.assign(coolant_temp_c=40.0)
    assert len(bench.own_points(engine, cold)[0]) == 0


def test_intervals_are_counted_against_the_truth(scene: bench.Scene) -> None:
    rpm, load = (g.ravel() for g in np.meshgrid(*_axes(scene), indexing="ij"))
    true = truth_at_cells(scene)
    cells = pd.DataFrame({"rpm": rpm, "load": load, "confidence": "good"})
    cells = cells.assign(ci_low_pct=true - 0.5, ci_high_pct=true + 0.5)
    cells.loc[0, ["ci_low_pct", "ci_high_pct"]] = true[0] + 0.1, true[0] + 1.1
    cells.loc[1, ["ci_low_pct", "ci_high_pct"]] = np.nan
    cells.loc[2, "confidence"] = "none"
    cells.loc[3, ["ci_low_pct", "ci_high_pct"]] = true[3] - 1.1, true[3] - 0.1
    found = bench.intervals(scene, cells)
    assert len(found) == len(cells) - 2
    assert found["holds_truth"].sum() == len(cells) - 4
    assert found["half_width"].to_numpy() == pytest.approx(0.5)


def test_a_change_over_steps_by_six_percent_between_breakpoints() -> None:
    engine = draw_engine(np.random.default_rng(4))
    stepped = bench.OWN_CASES["cam-6"].change(engine, np.random.default_rng(5))
    at = stepped.error.at_rpm
    ends, load = np.array([at - 300.0, at + 300.0]), np.full(2, 80.0)
    added = stepped.error.at(ends, load) - engine.error.at(ends, load)
    assert abs(added[1] - added[0]) == pytest.approx(6.0, abs=0.01)
    assert np.abs(engine.car.axes.rpm - at).min() >= 200.0


def test_a_fine_table_keeps_the_target() -> None:
    engine = draw_engine(np.random.default_rng(4))
    fine = bench.OWN_CASES["24x24"].change(engine, np.random.default_rng(5))
    assert fine.car.axes.shape == (24, 24)
    rpm, load = engine.operating_points()
    assert fine.car.target_lambda(rpm, load) == pytest.approx(
        engine.car.target_lambda(rpm, load), abs=0.006
    )


@pytest.mark.parametrize("engine", ENGINES)
def test_every_sample_of_a_sweep_teaches_more_than_its_holds(engine: str) -> None:
    outcome = bench.run_case("speed-sweeps", engine, 1, 0)
    assert outcome.scores["program"][1] < 0.5 * outcome.scores["holds"][1]
    words = bench.line_of("speed-sweeps", engine, [outcome])
    assert words.split()[:2] == ["speed-sweeps", engine]
    assert f"{100.0 * outcome.scores['program'][0]:.1f}%" in words
    assert ("knows" in outcome.scores) == (engine == "other")


def test_the_summary_names_the_cases_that_another_does_better() -> None:
    good = {
        "program": (1.0, 0.3),
        "holds": (0.9, 0.4),
        "steady mean": (0.5, 2),
        "mean of all": (0.5, 1),
    }
    bad = good | {"mean of all": (1.0, 0.2)}
    outcomes = {
        ("road", "own"): [bench.Outcome(good, {})],
        ("flat", "own"): [bench.Outcome(bad, {})],
    }
    said = bench.summary(outcomes)
    assert "road" not in said
    assert "flat, own: 0.30 left; mean of all (0.20)" in said
    assert replace(outcomes["road", "own"][0]).scores == good


def test_an_unknown_case_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        bench.arguments(["--cases", "holds,moon"])
    assert "no case moon" in capsys.readouterr().err


def test_the_offset_of_a_log_counts_as_true_where_it_is_asked_for(scene: bench.Scene) -> None:
    true = truth_at_cells(scene)
    rpm, load = (g.ravel() for g in np.meshgrid(*_axes(scene), indexing="ij"))
    cells = pd.DataFrame({"rpm": rpm, "load": load, "confidence": "good"})
    cells = cells.assign(ci_low_pct=true + 0.5, ci_high_pct=true + 2.0)
    found = bench.intervals(replace(scene, true=replace(scene.true, day=0.01)), cells)
    assert not found["holds_truth"].any()
    assert found["holds_day"].all()
