"""The errors of moving blocks, found from what a fit leaves of them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tuneassist.evidence.block_errors import (
    FIRST_SD,
    LEAST_PART,
    MAX_GROWTH,
    MAX_RATE_PER_S,
    MAX_TOGETHER,
    MEMORY_S,
    MIN_CHECK_HOLDS,
    fit_parts,
    growth,
    log_and_cell,
    run_length,
    variance_columns,
    with_shared,
)
from tuneassist.grid import Axes

AXES = Axes(rpm=np.linspace(1000, 6000, 6), load=np.array([40.0, 80, 120, 160]))


def columns_of(rng: np.random.Generator, count: int) -> np.ndarray:
    blocks = pd.DataFrame(
        {"samples": rng.integers(1, 40, count), "rate_per_s": rng.exponential(0.3, count)}
    )
    return variance_columns(blocks, 0.05 * rng.standard_normal(count))


@pytest.mark.parametrize(
    "sd", [(0.005, 0.03, 0.02, 0.2), (0.012, 0.005, 0.1, 0.05), (0.003, 0.05, 0.005, 0.6)]
)
def test_known_parts_are_found_from_their_residuals(sd: tuple[float, ...]) -> None:
    rng = np.random.default_rng(1)
    columns = columns_of(rng, 20_000)
    truth = columns @ np.square(sd)
    parts = fit_parts(np.sqrt(truth) * rng.standard_normal(20_000), columns, FIRST_SD**2)
    found = columns @ parts
    # squares beyond nine variances are cut, which takes 1 % of a normal's variance
    assert np.median(np.abs(np.log(found / truth))) < 0.06
    large = np.square(sd) * columns.mean(axis=0) > 0.1 * truth.mean()
    np.testing.assert_allclose(np.sqrt(parts[large]), np.array(sd)[large], rtol=0.12)


def test_outliers_hardly_move_the_parts_and_no_blocks_leave_the_guess() -> None:
    rng = np.random.default_rng(2)
    columns = columns_of(rng, 4000)
    residual = np.sqrt(columns @ FIRST_SD**2) * rng.standard_normal(4000)
    wild = np.where(np.arange(4000) < 40, 10.0 * residual, residual)
    clean, swayed = (fit_parts(one, columns, FIRST_SD**2) for one in (residual, wild))
    assert (columns @ swayed).mean() < 1.2 * (columns @ clean).mean()
    nothing = fit_parts(np.zeros(0), columns[:0], FIRST_SD**2)
    np.testing.assert_allclose(nothing, FIRST_SD**2, rtol=1e-6)
    assert (fit_parts(np.zeros(4000), columns, FIRST_SD**2) >= LEAST_PART).all()


def test_a_gear_change_counts_as_the_fastest_move() -> None:
    blocks = pd.DataFrame({"samples": [4, 4], "rate_per_s": [MAX_RATE_PER_S, 50.0]})
    columns = variance_columns(blocks, np.array([0.1, 0.1]))
    np.testing.assert_allclose(columns[0], [1.0, 0.25, MAX_RATE_PER_S**2, 0.01])
    np.testing.assert_allclose(columns[1], columns[0])


@pytest.mark.parametrize("rho", [0.0, 0.3, 0.5, 0.7])
def test_a_run_is_as_long_as_the_theory_of_first_order_residuals_says(rho: float) -> None:
    # the variance of a mean of AR(1) values is (1 + rho) / (1 - rho) times that of independent ones
    # (Priestley, Spectral Analysis and Time Series, 1981, section 5.3.2)
    rng = np.random.default_rng(3)
    values = np.zeros(30_000)
    for at, draw in enumerate(rng.standard_normal(30_000)):
        values[at] = rho * values[at - 1] + np.sqrt(1 - rho**2) * draw
    found = run_length(values, np.zeros(30_000, dtype=np.int64), np.arange(30_000.0))
    assert found == pytest.approx((1 + rho) / (1 - rho), rel=0.1)


def test_runs_end_with_the_log_and_with_time_and_are_bounded() -> None:
    steady, log = np.ones(400), np.zeros(400, dtype=np.int64)
    assert run_length(steady, log, np.arange(400.0)) == MAX_TOGETHER
    assert run_length(steady, np.arange(400), np.arange(400.0)) == 1.0
    assert run_length(steady, log, np.arange(400.0) * 2.0 * MEMORY_S) == 1.0


def test_blocks_that_share_an_error_tell_as_much_as_the_exact_variance_of_their_mean() -> None:
    rng = np.random.default_rng(4)
    variance = rng.uniform(0.5, 2.0, 30) * 1e-4
    group = np.repeat([0, 1, 2], [1, 9, 20])
    shared = np.array([3e-5, 1e-4, 0.0])[group]
    found = with_shared(variance, group, shared)
    for one in range(3):
        own = group == one
        whole = np.diag(variance[own]) + shared[own][0]
        of_mean = 1.0 / np.linalg.inv(whole).sum()  # of the best mean of the group
        assert 1.0 / np.sum(1.0 / found[own]) == pytest.approx(of_mean, rel=1e-9)
    np.testing.assert_allclose(found[group == 2], variance[group == 2])


def test_groups_are_those_of_one_log_in_one_cell() -> None:
    blocks = pd.DataFrame(
        {
            "log_number": [0, 0, 1, 0, 1],
            "rpm": [2010.0, 1990, 2000, 3000, 2020],
            "load": [81.0, 79, 80, 80, 82],
        }
    )
    group = log_and_cell(AXES, blocks)
    assert group[0] == group[1]
    assert group[2] == group[4]
    assert len({group[0], group[2], group[3]}) == 3


def test_where_the_holds_agree_nothing_grows() -> None:
    rng = np.random.default_rng(5)
    of_hold, of_surface = np.full(200, 1e-5), np.full(200, 2e-5)
    near = 0.9 * np.sqrt(of_hold + of_surface) * rng.standard_normal(200)
    assert growth(near, of_hold, of_surface) == 1.0


@pytest.mark.parametrize("factor", [4.0, 20.0])
def test_a_known_factor_is_found(factor: float) -> None:
    rng = np.random.default_rng(6)
    of_hold, of_surface = np.full(4000, 1e-5), rng.uniform(1.0, 3.0, 4000) * 1e-5
    residual = np.sqrt(of_hold + factor * of_surface) * rng.standard_normal(4000)
    assert growth(residual, of_hold, of_surface) == pytest.approx(factor, rel=0.1)


def test_the_factor_is_bounded_and_few_holds_prove_nothing() -> None:
    ones = np.full(MIN_CHECK_HOLDS, 1e-6)
    assert growth(np.ones(MIN_CHECK_HOLDS), ones, ones) == MAX_GROWTH
    assert growth(np.ones(MIN_CHECK_HOLDS - 1), ones[1:], ones[1:]) == 1.0
