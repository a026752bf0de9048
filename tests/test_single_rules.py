"""Rules that one line of code stands for: each of them held by a test of its own."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from frames import reduce_to_holds
from scipy import sparse

from tuneassist import Axes, Grid, Setup, check_grid, read_setup
from tuneassist.evidence import lattice
from tuneassist.evidence.lattice import PRIOR_MEDIAN, axis_positions, fit_lattice
from tuneassist.evidence.random_effects import RandomEffects, speed_walk
from tuneassist.grid import bilinear_weights
from tuneassist.loop.advice import Advice, AdviceSettings, RoundSummary, advise, summarise_round
from tuneassist.loop.response import Response, _Comparison, _fit_line
from tuneassist.loop.settings import PlanSettings
from tuneassist.reduction import reduce_parts
from tuneassist.settings import LimitSettings, SteadySettings, Target
from tuneassist.simulate import SessionPlan, simulate_session
from tuneassist.simulate.sample_logs import petrol_engine

SAMPLES = Path(__file__).resolve().parent.parent / "sample_logs"
AXES = Axes(rpm=np.arange(1000.0, 6000.0, 1000.0), load=np.array([20.0, 40, 60, 80]))
SETUP = Setup(axes=AXES, target=Target(np.ones(AXES.shape)))


# --- the interval holds the doubt about how smooth the map is -------------------------------------


def some_holds(m: int = 40) -> lattice._Problem:
    rng = np.random.default_rng(3)
    rpm, load = rng.uniform(1000.0, 5000.0, m), rng.uniform(20.0, 80.0, m)
    need = 0.05 * np.sin(rpm / 900.0) * np.cos(load / 25.0) + 0.004 * rng.standard_normal(m)
    weights = sparse.csr_matrix(bilinear_weights(AXES, rpm, load))
    return lattice._Problem(
        weights=weights,
        y=need,
        own_variance=np.full(m, 1e-6),
        scale=np.ones(m),
        log_index=np.zeros(m, dtype=np.int64),
        penalties=lattice._penalties(AXES),
        robust_weight=np.ones(m),
        effects=RandomEffects.of(speed_walk(AXES, axis_positions(AXES.rpm)), weights, None),
    )


def test_the_interval_holds_what_comes_from_not_knowing_the_strengths() -> None:
    """Law of total variance: strengths are drawn from what the likelihood leaves open (Laplace),
    and the surface that follows varies by just what the fit adds to the covariance."""
    problem = some_holds()
    fit = fit_lattice(AXES, problem.weights, problem.y, np.full(40, 1e-3), robust=False)
    best = np.log(fit.strengths)

    def cost(p: np.ndarray) -> float:
        return lattice._evaluate(problem, p).cost  # minus twice the log posterior

    step, n = 0.05, len(best)
    unit = np.eye(n) * step
    hessian = np.array(
        [
            [
                cost(best + a + b) - cost(best + a - b) - cost(best - a + b) + cost(best - a - b)
                for b in unit
            ]
            for a in unit
        ]
    ) / (4.0 * step**2)
    small = 0.1  # of the spread, so that the surface goes with the strengths in a straight line
    rng = np.random.default_rng(5)
    drawn = rng.multivariate_normal(best, 2.0 * small**2 * np.linalg.inv(hessian), size=400)
    surfaces = np.array([lattice._evaluate(problem, p).theta for p in drawn])
    spread = surfaces.var(axis=0) / small**2
    added = np.diag(fit.covariance) - np.diag(lattice._covariance(problem, best))
    assert added.sum() == pytest.approx(spread.sum(), rel=0.2)
    assert added.sum() > 0.01 * np.diag(fit.covariance).sum()


def test_a_fit_that_is_asked_for_values_only_states_less_doubt_than_the_whole_one() -> None:
    problem = some_holds()
    ones = np.full(40, 1e-3)
    whole = fit_lattice(AXES, problem.weights, problem.y, ones, robust=False)
    values = fit_lattice(AXES, problem.weights, problem.y, ones, robust=False, warm_start=whole)
    np.testing.assert_allclose(values.theta, whole.theta, atol=1e-4)
    assert (whole.standard_error >= values.standard_error - 1e-6).all()
    # beyond the outermost holds the walk over speed has most of the doubt in both
    assert whole.standard_error.mean() > 1.02 * values.standard_error.mean()
    assert len(whole.strengths) == len(PRIOR_MEDIAN)


# --- the checker's slope: what was there may stay, its mirror image may not -----------------------


@pytest.mark.parametrize("along", [0, 1])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_slope_in_force_may_stay_and_may_not_turn_round(along: int, sign: float) -> None:
    limits = LimitSettings(
        max_slope_rpm_pct=3.0, max_slope_load_pct=3.0, max_step_pct=50.0, max_total_pct=50.0
    )
    setup = replace(SETUP, limits=limits)
    values = np.zeros(AXES.shape)
    first = (slice(0, 2), slice(None)) if along == 0 else (slice(None), slice(0, 2))
    values[first] = sign * 6.0
    held = Grid(AXES, values)
    assert check_grid(held, current=held, setup=setup) == ()
    turned = check_grid(Grid(AXES, -values), current=held, setup=setup)
    rule = "max_slope_rpm_pct" if along == 0 else "max_slope_load_pct"
    assert rule in {breach.rule for breach in turned}
    assert all(breach.bound == 3.0 for breach in turned if breach.rule == rule)
    steeper = check_grid(Grid(AXES, values * 1.05), current=held, setup=setup)
    assert {breach.bound for breach in steeper if breach.rule == rule} == {6.0}


# --- holds ----------------------------------------------------------------------------------------


def stretches(needs: list[np.ndarray]) -> tuple[pd.DataFrame, np.ndarray]:
    """Each list of needs as a stretch of its own, at ten rows a second."""
    stretch = np.repeat(np.arange(1, len(needs) + 1), [len(need) for need in needs])
    n = len(stretch)
    line = pd.DataFrame(
        {
            "time_s": 0.1 * np.arange(n) + 5.0 * stretch,
            "rpm": 2000.0 + 100.0 * stretch,
            "load": 60.0,
            "need_ln": np.concatenate(needs),
            "target_lambda": 1.0,
            "is_at_stop": "",
        }
    )
    return line, stretch


def holds_of(needs: list[np.ndarray]) -> tuple[pd.DataFrame, pd.Series]:
    line, stretch = stretches(needs)
    settings = replace(SteadySettings(), min_hold_s=0.5)
    return reduce_to_holds(line, stretch=stretch, settle_s=0.0, interval_s=0.1, settings=settings)


def test_a_holds_scatter_leans_on_the_logs_as_if_by_five_samples() -> None:
    """A few samples agree by luck: six equal ones do not make a hold without any scatter."""
    rng = np.random.default_rng(8)
    quiet = np.full(6, 0.01)
    needs = [0.002 * rng.standard_normal(80) for _ in range(4)]
    holds, fate = holds_of([*needs, quiet])
    assert (fate == "used").all()
    residual = np.concatenate([need - need.mean() for need in [*needs, quiet]])
    common = float(np.sum(residual**2) / (len(residual) - 5))
    for need, row in zip([*needs, quiet], holds.itertuples(), strict=True):
        own = float(np.sum((need - need.mean()) ** 2))
        variance = (own + 5.0 * common) / (len(need) - 1 + 5.0)
        assert row.within_se == pytest.approx(np.sqrt(variance / row.effective_n), rel=1e-9)
    assert holds["within_se"].iloc[-1] > 0.0002


def test_a_head_that_still_drifts_without_its_first_third_is_dropped_once_more() -> None:
    rng = np.random.default_rng(9)
    level = np.r_[np.full(30, 0.05), np.full(20, 0.012), np.zeros(40)]  # 0.012 is no spike
    steady = 0.001 * rng.standard_normal(90)
    holds, fate = holds_of([level + steady, steady])
    assert (fate[:50] == "settling").all()
    assert (fate[50:] == "used").all()
    assert holds["samples"].tolist() == [40, 90]
    assert abs(holds["need_ln"].iloc[0]) < 0.001


# --- the engine's answer --------------------------------------------------------------------------


def test_a_wild_hold_pulls_the_line_of_the_answer_as_far_as_three_deviations_do() -> None:
    rng = np.random.default_rng(4)
    expected = rng.uniform(-0.05, 0.05, 20)
    sd = 0.004
    measured = 0.9 * expected + sd * rng.standard_normal(20)
    far = int(np.argmax(expected))

    def answer(by: float) -> float:
        moved = measured.copy()
        moved[far] += by
        pair = _Comparison(
            expected, moved, np.full(20, sd**2), np.zeros((20, 1)), expected, expected
        )
        return float(_fit_line(pair, [expected]).value[0])

    weight = expected[far] / float(np.sum(expected**2))  # of one hold in least squares
    pull = answer(0.06) - answer(0.0)  # fifteen deviations off
    assert 0.0 < pull < 4.0 * sd * weight
    assert pull < 0.3 * 0.06 * weight  # what least squares would give


# --- the advice -----------------------------------------------------------------------------------

EVEN = PlanSettings(top_weight=1.0)  # every cell weighs the same


def cells(*, deviation: float, se: float, step: float) -> pd.DataFrame:
    """20 cells, all alike."""
    n = AXES.size
    return pd.DataFrame(
        {
            "rpm": AXES.cell_rpm(),
            "load": AXES.cell_load(),
            "target_lambda": np.ones(n),
            "confidence": "good",
            "deviation_pct": deviation,
            "se_pct": se,
            "ci_low_pct": deviation - 2.0 * se,
            "ci_high_pct": deviation + 2.0 * se,
            "step_pct": step,
        }
    )


def told(table: pd.DataFrame) -> Advice:
    answered = Response("as expected", "", 1.0, 0.9, 1.1)
    now = summarise_round(3, table, answered, setup=SETUP)
    before = RoundSummary(2, 20, 2, 5.0)
    return advise(table, answered, setup=SETUP, now=now, before=before, plan=EVEN)


def test_steps_that_rules_hold_at_nothing_are_no_engine_at_rest_though_none_is_far() -> None:
    """1.5 % off and sure to 0.4 %: outside the tolerance of 1, inside the 2 that are far."""
    held = cells(deviation=1.5, se=0.2, step=0.0)
    assert AdviceSettings().tolerance_pct < 1.5 < AdviceSettings().far_pct
    assert told(held).word == "continue"
    unsure = cells(deviation=1.5, se=0.9, step=0.0)  # not to be told from scatter: at rest
    assert told(unsure).word == "finished"


def test_a_far_cell_that_a_rule_holds_does_not_keep_a_map_going_that_moves_elsewhere() -> None:
    table = cells(deviation=0.2, se=0.05, step=1.0)
    table.loc[7, ["deviation_pct", "ci_low_pct", "ci_high_pct"]] = [3.0, 2.9, 3.1]
    moved = told(table)
    assert moved.word == "continue"
    assert "Far from target: 2000 rpm and 80 kPa" in moved.why
    table.loc[7, "step_pct"] = 0.0
    assert "Far from target" not in told(table).why


# --- long logs ------------------------------------------------------------------------------------


def test_a_polled_log_with_the_shortest_windows_does_not_hang_on_where_it_is_cut() -> None:
    """Windows of two rows: what a polled channel read ahead of the cut must still be at hand."""
    car: Setup = read_setup(SAMPLES / "petrol-setup.toml")
    car = replace(car, steady=replace(car.steady, window_s=0.05, min_samples=2))
    plan = SessionPlan(holds=40, is_polled=True)
    samples = simulate_session(petrol_engine(), plan, rng=np.random.default_rng(2)).samples
    first = len(samples) // 2

    def parts(at: list[int]) -> list[pd.DataFrame]:
        return [samples.iloc[a:b] for a, b in pairwise([0, first, *at, len(samples)])]

    one = reduce_parts(parts([]), name="x", setup=car)
    many = reduce_parts(parts(list(range(first + 13, len(samples), 13))), name="x", setup=car)
    pd.testing.assert_frame_equal(many.holds, one.holds, rtol=1e-12)
    pd.testing.assert_series_equal(many.fates, one.fates)
