"""Which samples are steady, warm, fuelled and off the sensor's stops."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import lfilter

from tuneassist.evidence.steady import (
    band_width,
    driver_of,
    find_rest,
    is_cut,
    is_warm,
    range_ratio,
    rolling_range,
    sensor_stops,
    warmth_of,
    window_rows,
    without_spikes,
)
from tuneassist.settings import SteadySettings

DEFAULT = SteadySettings()
CRITICAL = 1.44  # references section 3.1, lambda (0.2, 0.1, 0.1): a 5 % level under white noise


def line(rpm: np.ndarray, load: np.ndarray | float = 100.0, dt_s: float = 0.1) -> pd.DataFrame:
    n = len(rpm)
    loads = np.broadcast_to(np.asarray(load, dtype=float), n)
    return pd.DataFrame({"time_s": np.arange(n) * dt_s, "rpm": rpm, "load": loads})


def steady(frame: pd.DataFrame, **changes: float) -> np.ndarray:
    arrays = (frame[name].to_numpy(dtype=float) for name in ("time_s", "rpm", "load"))
    return find_rest(*arrays, interval_s=0.1, settings=replace(DEFAULT, **changes)).is_steady


def ar1(shape: tuple[int, int], rho: float, rng: np.random.Generator) -> np.ndarray:
    shocks = rng.standard_normal(shape) * np.sqrt(1 - rho**2)
    start = rho * rng.standard_normal((shape[0], 1))
    return np.asarray(lfilter([1.0], [1.0, -rho], shocks, axis=1, zi=start)[0])


def r_statistic(
    x: np.ndarray,
    weights: tuple[float, float, float] = (0.2, 0.1, 0.1),
    *,
    filtered: float | None = None,
    nu2: float | None = None,
    delta2: float | None = None,
) -> np.ndarray:
    """Cao and Rhinehart's ratio along the last axis, the yardstick; x[..., 0] is the value before.

    Update of references section 3.1: nu2 from X - Xf before Xf moves, then Xf, then delta2.
    Left out, the states start where white noise of variance one would have them.
    """
    l1, l2, l3 = weights
    first = x[..., :1]
    start = first if filtered is None else np.full_like(first, filtered)
    xf = lfilter([l1], [1, l1 - 1], x[..., 1:], axis=-1, zi=(1 - l1) * start)[0]
    gap = x[..., 1:] - np.concatenate([start, xf[..., :-1]], axis=-1)
    n0 = np.full_like(first, 2 / (2 - l1) if nu2 is None else nu2)
    d0 = np.full_like(first, 2.0 if delta2 is None else delta2)
    nu = lfilter([l2], [1, l2 - 1], gap**2, axis=-1, zi=(1 - l2) * n0)[0]
    delta = lfilter([l3], [1, l3 - 1], np.diff(x, axis=-1) ** 2, axis=-1, zi=(1 - l3) * d0)[0]
    return np.asarray((2 - l1) * nu / delta)


# --- the range of normal values -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("n", "low_5", "high_5", "high_1"),
    # Percentage points of the range of n standard normal values: lower 5 %, upper 5 % and upper
    # 1 %, Pearson and Hartley, Biometrika Tables for Statisticians I, table 22 (from memory)
    [(5, 1.03, 3.858, 4.603), (10, 1.86, 4.474, 5.157), (20, 2.63, 5.012, 5.645)],
)
def test_range_ratio_is_that_of_the_published_percentage_points(
    n: int, low_5: float, high_5: float, high_1: float
) -> None:
    upper = range_ratio(n, quiet_share=0.95, keep_share=0.99)
    assert upper == pytest.approx(high_1 / high_5, rel=4e-4)
    across = range_ratio(n, quiet_share=0.05, keep_share=0.95)
    assert across == pytest.approx(high_5 / low_5, rel=0.006)  # the lower point has two decimals


@pytest.mark.parametrize(
    ("n", "high_5", "d2"), [(5, 3.858, 2.326), (10, 4.474, 3.078), (20, 5.012, 3.735)]
)
def test_range_ratio_integrates_to_tippetts_mean_range(n: int, high_5: float, d2: float) -> None:
    # Tippett, Biometrika 17, 1925, 364-387: mean range in standard deviations (the d2 of control
    # charts, from memory). A mean is the integral of the quantile over the share.
    nodes, weights = np.polynomial.legendre.leggauss(24)
    shares = (nodes + 1) / 2
    quantile = [range_ratio(n, quiet_share=0.95, keep_share=float(p)) for p in shares]
    assert high_5 * float(np.sum(weights / 2 * quantile)) == pytest.approx(d2, rel=2e-3)


@given(st.integers(2, 9), st.lists(st.floats(-1e3, 1e3), min_size=9, max_size=30))
def test_rolling_range_is_the_range_of_each_window(rows: int, values: list[float]) -> None:
    x = np.array(values)
    windows = np.lib.stride_tricks.sliding_window_view(x, rows)
    np.testing.assert_allclose(rolling_range(x, rows), np.ptp(windows, axis=1))


def test_too_few_values_have_no_window() -> None:
    assert rolling_range(np.arange(3.0), 4).size == 0
    assert not steady(line(np.full(15, 2000.0))).any()  # 1.5 s at 10 Hz are 16 rows
    assert steady(line(np.full(16, 2000.0), np.full(16, 50.0))).all()


@pytest.mark.parametrize(("interval_s", "rows"), [(0.1, 16), (0.05, 31), (0.5, 4), (1.0, 4)])
def test_window_is_the_set_time_but_at_least_the_fewest_samples(
    interval_s: float, rows: int
) -> None:
    assert window_rows(interval_s, DEFAULT) == rows


def test_band_follows_the_noise_between_floor_and_ceiling() -> None:
    ratio = range_ratio(16, quiet_share=0.2, keep_share=0.999)
    for quiet, expected in ((1.0, 10.0), (20.0, 20.0 * ratio), (100.0, 60.0)):
        spread = np.full(50, quiet)
        band = band_width(spread, floor=10.0, ceiling=60.0, rows=16, settings=DEFAULT)
        assert float(band) == pytest.approx(expected)
    nothing = band_width(np.full(3, np.nan), floor=10.0, ceiling=60.0, rows=16, settings=DEFAULT)
    assert float(nothing) == 10.0


# --- the yardstick ------------------------------------------------------------------------------


def test_the_yardstick_reproduces_the_published_trace() -> None:
    # references section 3.1: Xf = Xprev = 10, nu2 0.02, delta2 0.04
    x = np.array([10, 10.2, 9.9, 10.1, 10.0, 10.3, 11, 12, 13, 14, 15])
    found = r_statistic(x, filtered=10.0, nu2=0.02, delta2=0.04)
    expected = [0.99, 0.8704, 0.823486, 0.807267, 0.948264, 2.124096, 3.947348, 6.352481, 8.996463,
                11.713554]  # fmt: skip
    np.testing.assert_allclose(found, expected, atol=1e-6)


def test_the_yardsticks_critical_value_is_the_published_one() -> None:
    draws = r_statistic(np.random.default_rng(8).standard_normal((20_000, 120)))[:, -1]
    # standard error of the 95 % point of 20,000 draws is about 0.009
    assert float(np.quantile(draws, 0.95)) == pytest.approx(1.439, abs=0.03)
    ramp = r_statistic(np.arange(400.0))
    assert ramp[-1] == pytest.approx(45.0, rel=1e-3)  # (2 - 0.2) / 0.2^2


def test_correlated_noise_at_rest_is_kept_where_the_yardstick_rejects_it() -> None:
    rng = np.random.default_rng(3)
    noise = ar1((4, 3000), 0.8, rng)
    kept, rejected = [], []
    for one, other in zip(noise[::2], noise[1::2], strict=True):
        # the noise alone is wider than the fixed floor of 1 % of speed: 16 values of sd 14 rpm
        frame = line(3000 + 14 * one, 100 * (1 + 0.01 * other))
        kept.append(steady(frame).mean())
        rejected.append((r_statistic(one)[200:] > CRITICAL).mean())
    assert np.mean(rejected) == pytest.approx(0.962, abs=0.02)  # references section 3.1
    assert min(kept) > 0.97


@pytest.mark.parametrize("move", ["ramp", "step"])
def test_moves_are_noticed_by_both(move: str) -> None:
    rng = np.random.default_rng(5)
    rest, moving = np.zeros(600), np.arange(1.0, 21.0)
    path = np.r_[rest, 60 * moving, rest + 1200] if move == "ramp" else np.r_[rest, rest + 1200]
    rpm = 2000 + path + 5 * rng.standard_normal(len(path))
    found = steady(line(rpm, 80 + 0.4 * rng.standard_normal(len(path))))
    turn = np.arange(600, 620) if move == "ramp" else np.array([599, 600])
    if move == "ramp":
        assert not found[turn[:-1]].any()  # the last of them is at rest again
    else:  # both sides of a step are at rest, but no window may hold both
        stretches = np.flatnonzero(np.diff(found.astype(int)) != 0)
        assert found.mean() > 0.97
        assert stretches.size == 0 or np.abs(stretches - 600).min() < 16
    assert (r_statistic(rpm / 5.0)[turn + 2] > CRITICAL).all()
    assert found[:580].mean() > 0.97
    assert found[660:].mean() > 0.97


@pytest.mark.parametrize("name", ["rpm", "load"])
@pytest.mark.parametrize(("share", "is_kept"), [(0.97, True), (1.03, False)])
def test_slow_drift_passes_just_inside_the_band_and_not_just_outside(
    name: str, share: float, is_kept: bool
) -> None:
    # Over a window of 16 rows the range is 15 steps. Bands: 25 rpm at 2000 rpm (1 % is less),
    # and 2.5 % of a load that works from 30 to 130: 2.5.
    n = 200
    drift = np.concatenate([np.zeros(n), np.arange(n), np.full(n, n - 1.0)]) / 15 * share
    rpm = np.full(3 * n, 2000.0)
    load = np.full(3 * n, 30.0)
    if name == "rpm":
        rpm = 2000 + 25 * drift
    else:
        load = 30 + 2.5 * drift
    # a part elsewhere gives the load its working range
    frame = line(np.r_[rpm, np.full(60, rpm[-1])], np.r_[load, np.full(60, 130.0)])
    middle = steady(frame, rpm_band_pct=0.0)[n + 20 : 2 * n - 20]
    assert middle.all() if is_kept else not middle.any()


def test_a_lone_spike_is_no_move_and_two_in_a_row_are() -> None:
    for wild, is_kept in ((1, True), (2, False)):
        rpm = np.full(100, 2000.0)
        rpm[50 : 50 + wild] = 6000.0
        assert steady(line(rpm, 100.0))[50] == is_kept
    np.testing.assert_array_equal(without_spikes(np.array([1.0, 9, 1, 1])), [1, 1, 1, 1])


@pytest.mark.parametrize(("pause_s", "is_kept"), [(1.0, True), (1.1, False)])
def test_a_pause_ends_a_window(pause_s: float, is_kept: bool) -> None:
    frame = line(np.full(20, 2000.0))
    frame.loc[10:, "time_s"] += (
        pause_s - 0.1
    )  # ten rows either side: no window of 16 in one of them
    assert steady(frame).all() == is_kept
    assert steady(frame).any() == is_kept


@pytest.mark.parametrize("name", ["rpm", "load"])
def test_a_blank_is_never_steady_nor_bridged(name: str) -> None:
    frame = line(np.full(60, 2000.0))
    frame.loc[30, name] = np.nan
    found = steady(frame)
    assert not found[30]
    assert found[:30].all()
    assert found[31:].all()
    frame.loc[[10, 20, 40, 50], name] = np.nan  # no 16 rows without a blank are left
    assert not steady(frame).any()
    frame[name] = np.nan
    assert not steady(frame).any()


def test_holds_at_one_load_are_steady_though_the_log_has_no_working_range() -> None:
    rng = np.random.default_rng(1)
    rpm = np.repeat([2000.0, 3000.0, 4000.0], 100) + 5 * rng.standard_normal(300)
    found = steady(line(rpm, 100 + 0.5 * rng.standard_normal(300)))
    assert found.mean() > 0.9


# --- warm ---------------------------------------------------------------------------------------


def warm(frame: pd.DataFrame) -> np.ndarray | None:
    name = warmth_of(frame)
    return None if name is None else is_warm(name, frame[name].to_numpy(dtype=float), DEFAULT)


def test_warm_by_temperature_at_the_limit() -> None:
    frame = pd.DataFrame({"coolant_temp_c": [69.9, 70.0, np.nan, 90.0]})
    found = warm(frame)
    assert found is not None
    assert found.tolist() == [False, True, False, True]


def test_warm_by_voltage_at_the_limit_and_a_dead_wire_is_not_warm() -> None:
    frame = pd.DataFrame({"coolant_volts": [0.801, 0.8, 0.6, 0.0, np.nan]})
    found = warm(frame)
    assert found is not None
    assert found.tolist() == [False, True, True, False, False]


def test_temperature_goes_before_voltage_and_a_blank_one_is_not_warm() -> None:
    both = pd.DataFrame({"coolant_temp_c": [50.0, 90.0], "coolant_volts": [0.5, 3.0]})
    found = warm(both)
    assert found is not None
    assert found.tolist() == [False, True]
    found = warm(both[["coolant_volts"]])
    assert found is not None
    assert found.tolist() == [True, False]
    found = warm(both.assign(coolant_temp_c=np.nan))  # a long log's later parts tell
    assert found is not None
    assert not found.any()
    assert warm(pd.DataFrame({"rpm": [1.0]})) is None


# --- the sensor's stops -------------------------------------------------------------------------


def reading(*values: float) -> np.ndarray:
    return np.r_[np.linspace(0.85, 1.15, 40), values, np.nan]


def test_a_stop_is_an_extreme_that_stays_for_five_samples() -> None:
    assert sensor_stops(reading(*[1.36] * 5, *[0.68] * 5), DEFAULT) == (0.68, 1.36)
    assert sensor_stops(reading(*[1.36] * 4, *[0.68] * 4), DEFAULT) == (0.0, np.inf)


def test_no_stop_is_believed_where_every_sensor_still_reads() -> None:
    # every wide-band sensor reads at least from 0.8 to 1.25 (common practice, no source)
    assert sensor_stops(reading(*[1.24] * 9, *[0.81] * 9), DEFAULT) == (0.0, np.inf)
    assert sensor_stops(reading(*[1.25] * 9, *[0.8] * 9), DEFAULT) == (0.8, 1.25)


def test_noise_at_the_extreme_is_no_stop() -> None:
    rng = np.random.default_rng(2)
    assert sensor_stops(1.0 + 0.15 * rng.standard_normal(5000), DEFAULT) == (0.0, np.inf)


def test_stops_given_by_hand_go_first() -> None:
    given_by_hand = replace(DEFAULT, sensor_richest_lambda=0.7, sensor_leanest_lambda=1.3)
    assert sensor_stops(reading(*[1.36] * 9), given_by_hand) == (0.7, 1.3)
    assert sensor_stops(np.array([np.nan]), given_by_hand) == (0.7, 1.3)
    assert sensor_stops(np.empty(0), DEFAULT) == (0.0, np.inf)


# --- overrun ------------------------------------------------------------------------------------


def fuelled(frame: pd.DataFrame, target: np.ndarray, **ignition: str) -> np.ndarray:
    name = driver_of(frame)
    driver = None if name is None else frame[name].to_numpy(dtype=float)
    lam = frame["lambda"].to_numpy(dtype=float)
    return ~is_cut(lam, driver, target=target, settings=DEFAULT, **ignition)


@pytest.mark.parametrize("driver", ["pedal_pct", "throttle_pct"])
def test_fuel_cut_is_a_closed_throttle_with_lambda_far_lean(driver: str) -> None:
    # defaults: closed is 3 % or less, far lean above 1.25 times the target of 0.9, 1.125
    frame = pd.DataFrame({"lambda": [1.13, 1.12, 1.13, 1.9, 1.13], driver: [3, 3, 3.1, 50, np.nan]})
    found = fuelled(frame, np.full(5, 0.9))
    assert found.tolist() == [False, True, True, True, False]


def test_without_a_throttle_only_a_reading_no_engine_fires_at_is_a_cut() -> None:
    frame = pd.DataFrame({"lambda": [1.39, 1.41, np.nan]})
    target = np.ones(3)
    assert fuelled(frame, target).tolist() == [True, False, True]


def test_the_pedal_goes_before_the_throttle() -> None:
    frame = pd.DataFrame({"lambda": [1.5], "pedal_pct": [0.0], "throttle_pct": [80.0]})
    assert not fuelled(frame, np.ones(1))[0]


def test_a_diesel_that_burns_lean_is_not_taken_for_a_fuel_cut() -> None:
    frame = pd.DataFrame({"lambda": [4.5, 1.4]})
    target = np.full(2, 1.3)
    assert fuelled(frame, target, ignition="compression").all()
    assert not fuelled(frame, target, ignition="spark")[0]
