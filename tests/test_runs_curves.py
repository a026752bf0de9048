"""Smoothing, means of repeats, gain and peaks: against statsmodels, scipy and known truth."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from scipy.signal import savgol_coeffs

from tuneassist.runs import Refusal, RunSettings
from tuneassist.runs.curves import mean_curves, runs_matrix, speed_grid
from tuneassist.runs.gain import (
    NO_REPEATS,
    band_means,
    driven_gain,
    find_peaks_of_mean,
    gain_curve,
    uncovered_note,
)
from tuneassist.runs.smoothing import local_quadratic_weights, smooth
from tuneassist.runs.statistics import mean_of_repeats, welch
from tuneassist.simulate.signals import ar1_noise

SETTINGS = RunSettings()
GRID = np.arange(1500.0, 4001.0, 50.0)


def curves(before: np.ndarray, after: np.ndarray, rpm: np.ndarray = GRID) -> pd.DataFrame:
    """Curves of runs whose torque is given, one run per row."""
    parts = [
        pd.DataFrame(
            {"side": side, "log": side, "pull": number, "rpm": rpm, "torque_nm": torque,
             "power_kw": torque * rpm * np.pi / 30_000.0, "torque_se_nm": 1.0}
        )
        for side, runs in (("before", before), ("after", after))
        for number, torque in enumerate(np.atleast_2d(runs), start=1)
    ]  # fmt: skip
    return pd.concat(parts, ignore_index=True).dropna()


# --- smoothing ----------------------------------------------------------------------------------


def test_the_local_parabola_is_the_weighted_least_squares_fit_of_statsmodels() -> None:
    rng = np.random.default_rng(0)
    x, y = np.sort(rng.uniform(1000, 4000, 120)), rng.normal(300, 20, 120)
    at = np.array([1300.0, 2222.0, 3900.0])
    found = local_quadratic_weights(x, at, half_width=250.0) @ y
    for value, point in zip(found, at, strict=True):
        weight = np.clip(1 - np.abs((x - point) / 250.0) ** 3, 0, None) ** 3
        fit = sm.WLS(y, np.vander((x - point) / 250.0, 3), weights=weight).fit()
        assert value == pytest.approx(fit.params[2], rel=1e-9)


def test_on_equal_spacing_the_weights_fall_together_with_savitzky_golay_as_tapers_vanish() -> None:
    # With three samples in a window both are the sample itself; with seven, both keep moments of
    # order 0..3: the defining property of the filter of order 2 (scipy's savgol_coeffs has it too)
    x = np.arange(-3.0, 4.0)
    ours = local_quadratic_weights(x, np.array([0.0]), half_width=4.0)[0]
    theirs = savgol_coeffs(7, 2, use="dot")
    for weights in (ours, theirs):
        np.testing.assert_allclose([weights @ x**k for k in range(4)], [1, 0, 0, 0], atol=1e-12)


@given(
    st.tuples(st.floats(-200, 200), st.floats(-200, 200), st.floats(-200, 200)),
    st.integers(0, 1000),
)
def test_a_parabola_comes_back_unharmed_at_any_spacing(
    coefficients: tuple[float, float, float], seed: int
) -> None:
    x = np.sort(np.random.default_rng(seed).uniform(1000.0, 4000.0, 200))
    u = (x - 2500.0) / 1000.0
    at = speed_grid(float(x.min()), float(x.max()), 50.0)
    v = (at - 2500.0) / 1000.0
    y, wanted = (np.polynomial.polynomial.polyval(w, coefficients) for w in (u, v))
    found = smooth(x, y, at, half_width=300.0)
    is_known = np.isfinite(found.value)
    assert is_known.mean() > 0.9
    np.testing.assert_allclose(found.value[is_known], wanted[is_known], atol=1e-6)


def test_a_peak_is_kept_where_straight_lines_lose_it() -> None:
    # a hump of standard deviation 300 rpm, 100 N.m high on 300 N.m, looked at with one window
    x = np.linspace(1000.0, 4000.0, 300)
    y = 300.0 + 100.0 * np.exp(-0.5 * ((x - 2400.0) / 300.0) ** 2)
    ours = np.nanmax(smooth(x, y, GRID, half_width=200.0).value)
    lines = sm.nonparametric.lowess(y, x, frac=400.0 / 3000.0, it=0, return_sorted=False).max()
    assert 400.0 - ours < 0.5
    assert 400.0 - lines > 3.0


def test_the_noise_inside_a_run_is_what_its_standard_error_says() -> None:
    rng = np.random.default_rng(2)
    x = np.linspace(1200.0, 4200.0, 200)
    truth = 300.0 - 20.0 * ((GRID - 2500.0) / 1000.0) ** 2
    held = []
    for rho in (0.0, 0.3, 0.5):
        hits = []
        for _ in range(200):
            noise = ar1_noise(200, rho=rho, sd=4.0, rng=rng)
            y = 300.0 - 20.0 * ((x - 2500.0) / 1000.0) ** 2 + noise
            found = smooth(x, y, GRID, half_width=200.0)
            hits.append(np.abs(found.value - truth) <= 1.96 * found.se)
        held.append(float(np.mean(hits)))
    # what of correlated noise the curve swallows is put back by a rule that errs on the wide side
    assert 0.93 <= held[0] <= 0.985
    assert min(held) >= 0.93


def test_nothing_is_extrapolated_and_a_slow_logger_widens_the_window() -> None:
    x = np.linspace(2000.0, 3000.0, 12)  # 90.9 rpm apart: 0.75 * 6 * 90.9 = 409
    found = smooth(x, np.full(12, 250.0), np.array([1990.0, 2500.0, 3010.0]), half_width=200.0)
    assert np.isnan(found.value[[0, 2]]).all()
    assert found.value[1] == pytest.approx(250.0)
    assert found.half_width == pytest.approx(409.0909, abs=1e-3)


def test_too_few_samples_give_no_value() -> None:
    x = np.array([2000.0, 2100, 2200, 2300, 2400])
    assert np.isnan(smooth(x, x, np.array([2200.0]), half_width=500.0).value).all()
    x = np.append(x, 2500.0)
    assert np.isfinite(smooth(x, x, np.array([2250.0]), half_width=500.0).value).all()


# --- repeats ------------------------------------------------------------------------------------


def test_mean_and_standard_deviation_of_40_cfr_1065_602() -> None:
    # y = 10.60, 11.91, 11.09: mean 11.20, s 0.6619 [R]
    found = mean_of_repeats(np.array([[10.60], [11.91], [11.09]]))
    assert found.mean[0] == pytest.approx(11.20, abs=5e-3)
    assert found.sd[0] == pytest.approx(0.6619, abs=5e-5)
    low, high = stats.t.interval(0.95, 2, 11.20, 0.6619 / np.sqrt(3))
    assert (found.low[0], found.high[0]) == (
        pytest.approx(low, abs=1e-3), pytest.approx(high, abs=1e-3),
    )  # fmt: skip


def test_welch_of_40_cfr_1065_602() -> None:
    # 1205.3, s 9.399 (N 11) vs 1123.8, s 10.583 (N 7): t 16.63, nu 11.76 [R]
    def with_moments(mean: float, sd: float, n: int) -> np.ndarray:
        shape = np.arange(n, dtype=float)
        return ((shape - shape.mean()) / shape.std(ddof=1) * sd + mean)[:, None]

    found = welch(with_moments(1123.8, 10.583, 7), with_moments(1205.3, 9.399, 11))
    assert found.t[0] == pytest.approx(16.63, abs=5e-3)
    assert found.df[0] == pytest.approx(11.76, abs=5e-3)


def test_welch_interval_equals_scipys_at_every_column_with_gaps() -> None:
    rng = np.random.default_rng(4)
    a, b = rng.normal(300, 4, (4, 6)), rng.normal(310, 8, (3, 6))
    a[0, 2] = b[1, 4] = np.nan
    found = welch(a, b, level=0.9)
    for k in range(6):
        first, second = (v[np.isfinite(v[:, k]), k] for v in (a, b))
        wanted = stats.ttest_ind(second, first, equal_var=False).confidence_interval(0.9)
        assert found.low[k] == pytest.approx(wanted.low)
        assert found.high[k] == pytest.approx(wanted.high)


def test_one_run_has_a_mean_and_no_interval() -> None:
    found = mean_of_repeats(np.array([[300.0, np.nan]]))
    assert found.mean[0] == 300.0
    assert np.isnan([found.low[0], found.high[0], found.sd[0], found.mean[1]]).all()


# --- curves, gain, peaks ------------------------------------------------------------------------


MANY = np.arange(1000, 3000) * 50.0  # two thousand speeds, each an independent case


def test_band_of_repeats_holds_the_truth_about_95_times_in_100() -> None:
    runs = 300.0 + np.random.default_rng(5).normal(0.0, 1.5, (3, len(MANY)))
    mean = mean_curves(curves(runs, runs, MANY), SETTINGS)
    mean = mean[mean["side"] == "before"]
    held = mean["torque_low_nm"].le(300.0) & mean["torque_high_nm"].ge(300.0)
    assert len(held) == 2000
    assert 0.929 <= held.mean() <= 0.971


def test_gain_interval_holds_the_true_gain_about_95_times_in_100() -> None:
    rng = np.random.default_rng(6)
    a, b = (v * (1.0 + rng.normal(0.0, 0.01, (4, len(MANY)))) for v in (300.0, 330.0))
    frame = gain_curve(curves(a, b, MANY), SETTINGS)
    for unit, truth in (("nm", 30.0), ("pct", 10.0)):
        held = frame[f"gain_low_{unit}"].le(truth) & frame[f"gain_high_{unit}"].ge(truth)
        assert len(held) == 2000
        assert 0.929 <= held.mean() <= 0.971


def test_gain_by_hand() -> None:
    # before 100, 102; after 110, 114: means 101 and 112, gain 11; se sqrt(2/2 + 8/2) = 2.2361
    # df = 5^2 / (1^2/1 + 4^2/1) = 25/17 = 1.4706
    a, b = (np.outer(v, np.ones(2)) for v in ([100.0, 102.0], [110.0, 114.0]))
    row = gain_curve(curves(a, b, np.array([2000.0, 2050.0])), SETTINGS).iloc[0]
    assert row["gain_nm"] == pytest.approx(11.0)
    half = stats.t.ppf(0.975, 25 / 17) * np.sqrt(5.0)
    assert row["gain_high_nm"] - row["gain_nm"] == pytest.approx(half)
    assert row["gain_kw"] == pytest.approx(11.0 * 2000.0 / 9549.29659)
    assert (row["n_before"], row["n_after"]) == (2, 2)
    assert row["df"] == pytest.approx(25 / 17)


def test_one_run_a_side_says_that_there_is_no_interval() -> None:
    frame = gain_curve(curves(np.full(51, 300.0), np.full(51, 330.0)), SETTINGS)
    assert frame["gain_low_nm"].isna().all()
    assert set(frame["method"]) == {NO_REPEATS}
    # noise inside the runs alone: se 1 N.m each, 1.95996 * sqrt(2)
    np.testing.assert_allclose(frame["noise_high_nm"] - frame["gain_nm"], 2.7718, atol=5e-5)


def test_gain_stands_only_where_both_sides_went() -> None:
    a, b = np.full(51, 300.0), np.full(51, 330.0)
    b[GRID < 2000] = np.nan
    frame = gain_curve(curves(a, b), SETTINGS)
    assert frame["rpm"].min() == 2000.0
    assert frame["rpm"].max() == 4000.0


def test_driven_gain_averages_each_run_over_1600_to_2600() -> None:
    # torque a + b rpm has its mean over the band at 2100 rpm
    a = np.array([100.0, 101.0])[:, None] + 0.05 * GRID
    found = driven_gain(curves(a, a + 30.0 + 0.01 * GRID), SETTINGS)
    assert isinstance(found, pd.DataFrame)
    torque = found.iloc[0]
    assert torque["before"] == pytest.approx(100.5 + 0.05 * 2100.0)
    assert torque["gain"] == pytest.approx(30.0 + 21.0)
    # equal scatter: se 1/sqrt(2) * ... each side s 0.7071, n 2 -> se 0.7071, df 2
    assert torque["high"] - torque["gain"] == pytest.approx(
        stats.t.ppf(0.975, 2) * 0.70711, rel=1e-4
    )
    assert found.iloc[1]["unit"] == "kW"


def test_runs_that_start_late_give_the_gain_of_what_they_cover_and_say_the_rest() -> None:
    # as pulls from 2150 rpm: 2150 to 2600 of the speeds driven, 1600 to 2600
    rpm = np.arange(2150.0, 4001.0, 50.0)
    a = np.vstack([100.0 + 0.05 * rpm, 102.0 + 0.05 * rpm])
    found = driven_gain(curves(a, a + 0.01 * rpm, rpm), SETTINGS)
    assert isinstance(found, pd.DataFrame)
    torque = found.iloc[0]
    assert (torque["rpm_from"], torque["rpm_to"]) == (2150.0, 2600.0)
    assert torque["before"] == pytest.approx(101.0 + 0.05 * 2375.0)  # straight lines: the middle
    assert torque["gain"] == pytest.approx(23.75)
    said = uncovered_note(found, SETTINGS)
    assert "1600 to 2150 rpm" in said
    assert "--driven" in said
    whole = driven_gain(curves(np.full(51, 300.0), np.full(51, 330.0)), SETTINGS)
    assert isinstance(whole, pd.DataFrame)
    assert uncovered_note(whole, SETTINGS) == ""


@pytest.mark.parametrize(("first", "is_enough"), [(2200.0, True), (2250.0, False)])
def test_a_sliver_of_the_speeds_driven_is_no_gain(first: float, is_enough: bool) -> None:
    rpm = np.arange(first, 4001.0, 50.0)
    found = driven_gain(curves(np.full(len(rpm), 300.0), np.full(len(rpm), 330.0), rpm), SETTINGS)
    assert isinstance(found, pd.DataFrame) is is_enough
    if isinstance(found, Refusal):
        assert found.numbers["rpm_from"] == 1600.0
        assert "2250 to 2600 rpm" in found.description
        assert "--driven" in found.description
    assert len(band_means(curves(np.full(len(rpm), 300.0), np.full(len(rpm), 1.0), rpm),
                          "torque_nm", (1600.0, 2600.0), SETTINGS)) == 0  # fmt: skip


def test_speeds_beyond_every_run_are_refused_in_words() -> None:
    found = driven_gain(
        curves(np.full(51, 300.0), np.full(51, 330.0)), RunSettings(driven_rpm=(5000.0, 6000.0))
    )
    assert isinstance(found, Refusal)
    assert "share none" in found.description


def test_a_run_that_ends_early_makes_no_peak() -> None:
    # the short run is 50 N.m higher: where it ends the mean falls, and its end is no peak
    long, short = 300.0 - ((GRID - 2500.0) / 100.0) ** 2, np.full(51, 350.0)
    short[GRID > 2000.0] = np.nan
    mean = mean_curves(curves(np.vstack([long, short]), long), SETTINGS)
    peaks = find_peaks_of_mean(mean)
    before = peaks[(peaks["side"] == "before") & (peaks["quantity"] == "torque")].iloc[0]
    assert before["n"] == 2
    assert before["rpm"] <= 2000.0
    assert bool(before["is_at_edge"])
    after = peaks[(peaks["side"] == "after") & (peaks["quantity"] == "torque")].iloc[0]
    assert (after["rpm"], after["peak"]) == (2500.0, pytest.approx(300.0))
    assert not after["is_at_edge"]


def test_runs_of_two_logs_stay_apart() -> None:
    frame = pd.concat(
        [curves(np.full(51, 300.0), np.full(51, 1.0)).assign(log=name) for name in ("a", "b")]
    )
    assert runs_matrix(frame[frame["side"] == "before"], "torque_nm", GRID).shape == (2, 51)
