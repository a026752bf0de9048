"""The main job on the bundled sample logs, judged by the simulator's truth: all is simulated."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tuneassist.correction import check_grid
from tuneassist.files.setup_file import read_setup
from tuneassist.grid import Grid
from tuneassist.pipeline import Proposal, propose
from tuneassist.reading import Log, read_log
from tuneassist.settings import Setup
from tuneassist.simulate import TrueEngine
from tuneassist.simulate.sample_logs import petrol_engine, van_engine

BUNDLED = Path(__file__).resolve().parents[1] / "sample_logs"
ENGINES = {"petrol": petrol_engine, "van": van_engine}


@lru_cache
def setup(car: str) -> Setup:
    return read_setup(BUNDLED / f"{car}-setup.toml")


@lru_cache
def engine(car: str) -> TrueEngine:
    return ENGINES[car]()


@lru_cache
def logs(car: str, sessions: int) -> tuple[Log, ...]:
    paths = [BUNDLED / f"{car}-session-{number}.csv" for number in range(1, sessions + 1)]
    return tuple(read_log(path, setup=setup(car)) for path in paths)


@lru_cache
def proposal(car: str, sessions: int) -> Proposal:
    return propose(logs(car, sessions), setup=setup(car))


def nearest_cell_mean(car: str, sessions: int) -> Grid:
    """The plain method, apart from the program: warm, fuelled samples to their nearest cell."""
    axes, target = setup(car).axes, setup(car).target.table
    samples = pd.concat([log.samples for log in logs(car, sessions)])
    samples = samples.dropna(subset=["rpm", "load", "lambda"])
    samples = samples[(samples["coolant_temp_c"] >= 70.0) & (samples["lambda"] < 1.25)]
    row = np.abs(samples["rpm"].to_numpy()[:, None] - axes.rpm).argmin(axis=1)
    column = np.abs(samples["load"].to_numpy()[:, None] - axes.load).argmin(axis=1)
    need = 100.0 * (samples["lambda"].to_numpy() / target[row, column] - 1.0)
    mean = pd.Series(need).groupby(row * len(axes.load) + column).mean()
    return Grid(axes, mean.reindex(range(axes.size), fill_value=0.0).to_numpy().reshape(axes.shape))


def truth_at_cells(car: str) -> np.ndarray:
    axes = setup(car).axes
    return engine(car).true_deviation_pct(axes.cell_rpm(), axes.cell_load())


# --- petrol -------------------------------------------------------------------------------------


@pytest.mark.parametrize("sessions", [1, 2])
def test_petrol_after_one_proposal_is_nearer_to_target_than_the_plain_mean(sessions: int) -> None:
    share, rms = engine("petrol").score(proposal("petrol", sessions).grid)
    plain_share, plain_rms = engine("petrol").score(nearest_cell_mean("petrol", sessions))
    none_share, none_rms = engine("petrol").score(None)
    assert rms < 0.75 * plain_rms < 0.75 * none_rms
    assert share > plain_share + 10.0 > none_share
    # and no better than the best grid that there is, which no method may beat
    _, best_rms = engine("petrol").score(engine("petrol").best_grid())
    assert rms > best_rms


def test_a_second_session_makes_petrol_better() -> None:
    one, two = (engine("petrol").score(proposal("petrol", n).grid) for n in (1, 2))
    assert two[1] < one[1]
    assert two[0] > one[0]


@pytest.mark.parametrize("sessions", [1, 2])
def test_hardly_a_cell_is_moved_the_wrong_way(sessions: int) -> None:
    found, truth = proposal("petrol", sessions).cells, truth_at_cells("petrol")
    step = found["step_pct"].to_numpy()
    outside = (truth < found["ci_low_pct"].to_numpy()) | (truth > found["ci_high_pct"].to_numpy())
    wrong = (step * truth < 0) & outside
    assert (step != 0).sum() > 60
    assert wrong.sum() <= 0.05 * (step != 0).sum()
    assert np.abs(truth[wrong]).max(initial=0.0) < 1.5


@pytest.mark.parametrize("sessions", [1, 2])
def test_petrol_intervals_hold_the_truth(sessions: int) -> None:
    found, truth = proposal("petrol", sessions).cells, truth_at_cells("petrol")
    inside = engine("petrol").car.is_inside(found["rpm"].to_numpy(), found["load"].to_numpy())
    known = inside & found["confidence"].ne("none").to_numpy()
    assert known.sum() > 90
    low, high = found["ci_low_pct"].to_numpy()[known], found["ci_high_pct"].to_numpy()[known]
    # one engine is one draw, and its cells go together: nine in ten at least
    assert np.mean((truth[known] >= low) & (truth[known] <= high)) >= 0.9


@pytest.mark.parametrize(("car", "sessions"), [("petrol", 1), ("petrol", 2), ("van", 1)])
def test_no_evidence_means_no_change(car: str, sessions: int) -> None:
    found = proposal(car, sessions).cells
    silent = found["confidence"].eq("none")
    assert silent.any()
    assert found.loc[silent, "step_pct"].eq(0).all()
    assert found.loc[silent, "grid_pct"].eq(0).all()  # nothing was in force
    assert found["reason"].str.len().gt(0).all()


# --- van ----------------------------------------------------------------------------------------


def test_the_vans_smoke_is_cut_and_no_lean_cell_is_touched() -> None:
    # Against a floor only the rich side is a miss.
    _, before = engine("van").score(None)
    _, after = engine("van").score(proposal("van", 1).grid)
    assert before > 1.5
    assert after < 0.75 * before
    found = proposal("van", 1).cells
    assert (found["step_pct"] <= 0).all()  # smoke is cut by less fuel
    assert found.loc[found["deviation_pct"] > 10.0, "step_pct"].eq(0).all()


def test_the_van_is_warm_by_its_senders_voltage() -> None:
    evidence = proposal("van", 1).evidence
    samples = logs("van", 1)[0].samples
    assert "coolant_temp_c" not in samples
    cold = int((samples["coolant_volts"] > 0.8).sum())
    assert cold > 500
    assert evidence.fates["engine cold"] == pytest.approx(cold, abs=5)
    assert not any("warm" in note for note in evidence.notes)


# --- both ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(("car", "sessions"), [("petrol", 2), ("van", 1)])
def test_the_same_logs_give_the_same_proposal(car: str, sessions: int) -> None:
    again = propose(logs(car, sessions), setup=setup(car))
    pd.testing.assert_frame_equal(again.cells, proposal(car, sessions).cells, check_exact=True)
    np.testing.assert_array_equal(again.grid.values, proposal(car, sessions).grid.values)


@pytest.mark.parametrize(("car", "sessions"), [("petrol", 1), ("petrol", 2), ("van", 1)])
def test_the_independent_checker_agrees_and_cells_tell_what_the_grid_holds(
    car: str, sessions: int
) -> None:
    made = proposal(car, sessions)
    cells = made.limited.source
    zeros = Grid.zeros(setup(car).axes)
    assert not check_grid(made.grid, current=zeros, setup=setup(car), cells=cells)
    np.testing.assert_allclose(made.cells["grid_pct"], made.grid.flat())
    np.testing.assert_allclose(made.cells["step_pct"], made.grid.flat(), atol=1e-9)
    assert int(made.evidence.fates.sum()) == sum(len(x.samples) for x in logs(car, sessions))


def test_a_second_round_on_top_of_the_first_keeps_what_was_right() -> None:
    # The log was taken with nothing loaded. Told that the first grid was in force, the program
    # must take the deviation for what is left and compose: (1 + grid)(1 + step) - 1.
    first = proposal("petrol", 1)
    second = propose(logs("petrol", 1), setup=setup("petrol"), current=first.grid)
    ratio = (1 + first.grid.flat() / 100) * (1 + second.cells["step_pct"].to_numpy() / 100)
    np.testing.assert_allclose(second.grid.flat(), 100 * (ratio - 1), atol=1e-9)
    moved = second.cells["confidence"].eq("good").to_numpy() & (np.abs(first.grid.flat()) > 2)
    same = np.sign(second.cells["deviation_pct"]) == np.sign(first.cells["deviation_pct"])
    assert same[moved].mean() > 0.95
