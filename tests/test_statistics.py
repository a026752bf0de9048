"""Means of correlated samples, against published values and statsmodels."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import lfilter

from tuneassist.evidence.statistics import (
    cluster_covariance,
    effective_sample_size,
    pooled_autocorrelation,
)

seeds = st.integers(0, 2**32 - 1)


def ar1(n: int, rho: float, rng: np.random.Generator) -> np.ndarray:
    shocks = rng.standard_normal(n) * np.sqrt(1 - rho**2)
    return np.asarray(lfilter([1.0], [1.0, -rho], shocks, zi=[rho * rng.standard_normal()])[0])


# --- effective sample size ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("n", "rho", "exact", "limit"),
    # references section 4.1, n / (1 + 2 sum (1 - k/n) rho^k); limit n (1 - rho) / (1 + rho)
    [(100, 0.5, 33.784, 33.333), (100, 0.9, 5.814, 5.263), (300, 0.9, 16.304, 15.789),
     (50, 0.8, 6.098, 5.556)],
)  # fmt: skip
def test_effective_sample_size_of_the_references_table(
    n: int, rho: float, exact: float, limit: float
) -> None:
    found = effective_sample_size(n, rho ** np.arange(1, n))
    assert found == pytest.approx(exact, abs=5e-4)
    assert found > n * (1 - rho) / (1 + rho) == pytest.approx(limit, abs=5e-4)


def test_effective_sample_size_is_capped_at_the_samples_and_never_below_one() -> None:
    # references section 4.1: rho -0.5 would give 296 for 100 samples
    assert effective_sample_size(100, (-0.5) ** np.arange(1, 100)) == 100.0
    assert effective_sample_size(100, np.ones(99)) == 1.0
    assert effective_sample_size(7, []) == 7.0
    assert effective_sample_size(1, [0.9]) == 1.0


def test_effective_sample_size_is_the_variance_ratio_of_means() -> None:
    rng, n, rho = np.random.default_rng(4), 50, 0.8
    means = np.array([ar1(n, rho, rng).mean() for _ in range(6000)])
    # standard error of a variance of 6000 means is 1.8 %
    assert 1 / means.var() == pytest.approx(
        effective_sample_size(n, rho ** np.arange(1, n)), rel=0.06
    )


# --- pooled autocorrelation ---------------------------------------------------------------------


def test_pooled_autocorrelation_finds_that_of_an_ar1() -> None:
    rng = np.random.default_rng(1)
    values = pd.Series(np.concatenate([ar1(400, 0.8, rng) for _ in range(50)]))
    rho = pooled_autocorrelation(values, pd.Series(np.repeat(np.arange(50), 400)), max_lag=10)
    np.testing.assert_allclose(rho, 0.8 ** np.arange(1, len(rho) + 1), atol=0.03)
    assert len(rho) >= 9


def test_products_never_cross_the_border_of_a_group() -> None:
    # within its group every sample equals the next, across the border the sign turns: were the
    # border crossed, the correlation would be 0 instead of 1
    values = pd.Series(np.tile([1.0, 1.0, -1.0, -1.0], 50))
    rho = pooled_autocorrelation(values, pd.Series(np.repeat(np.arange(100), 2)), max_lag=5)
    np.testing.assert_allclose(rho, [1.0])


def test_white_noise_and_silence_have_no_correlation() -> None:
    rng = np.random.default_rng(2)
    group = pd.Series(np.zeros(5000, dtype=int))
    white = pooled_autocorrelation(pd.Series(rng.standard_normal(5000)), group, max_lag=30)
    assert np.abs(white).sum() < 0.1
    assert pooled_autocorrelation(pd.Series(np.zeros(5000)), group, max_lag=30).size == 0


# --- clusters -----------------------------------------------------------------------------------


@given(seeds, st.integers(2, 15), st.integers(1, 3))
def test_cluster_covariance_is_statsmodels(seed: int, groups: int, k: int) -> None:
    rng = np.random.default_rng(seed)
    cluster = np.concatenate([np.arange(groups), rng.integers(0, groups, 45)])
    x = np.column_stack([np.ones(len(cluster)), rng.standard_normal((len(cluster), k))])
    y = rng.standard_normal(groups)[cluster] + rng.standard_normal(len(cluster))
    fit = sm.OLS(y, x).fit(cov_type="cluster", cov_kwds={"groups": cluster})
    mine = cluster_covariance(x, fit.resid, cluster)
    np.testing.assert_allclose(mine, fit.cov_params(), rtol=1e-8, atol=1e-12)


def test_clusters_by_hand_and_labels_do_not_matter() -> None:
    # mean of (1, 3, -2, -2), clusters (1, 1, 2, 2): sums 4 and -4, factor 2/1 x 3/3 = 2,
    # covariance 2 x (16 + 16) / 4^2 = 4
    x, residual = np.ones((4, 1)), np.array([1.0, 3.0, -2.0, -2.0])
    for labels in ([1, 1, 2, 2], ["b", "b", "a", "a"]):
        assert float(cluster_covariance(x, residual, labels)[0, 0]) == pytest.approx(4.0)
    # each row a cluster of its own: 4/3 x 3/3 x (1 + 9 + 4 + 4) / 16 = 1.5
    assert float(cluster_covariance(x, residual, [1, 2, 3, 4])[0, 0]) == pytest.approx(1.5)
