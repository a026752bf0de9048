"""Steady stretches to holds: settling, spikes, stops, and an honest standard error."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from frames import reduce_to_holds
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import lfilter

from tuneassist.evidence.holds import (
    find_settling,
    number_stretches,
    since_start_s,
    smooth_mask,
)
from tuneassist.settings import SteadySettings

DEFAULT = SteadySettings()
DT_S = 0.1


def ar1(n: int, rho: float, rng: np.random.Generator) -> np.ndarray:
    shocks = rng.standard_normal(n) * np.sqrt(1 - rho**2)
    return np.asarray(lfilter([1.0], [1.0, -rho], shocks, zi=[rho * rng.standard_normal()])[0])


def log(
    levels: list[float] | np.ndarray,
    *,
    rows: int = 80,
    noise: float = 0.005,
    rho: float = 0.7,
    tau_s: float = 0.0,
    seed: int = 1,
) -> tuple[pd.DataFrame, np.ndarray]:
    """Holds of ``rows`` rows at each level of need, one row of move between them."""
    rng = np.random.default_rng(seed)
    n = (rows + 1) * len(levels)
    time_s = np.arange(n) * DT_S
    place = np.arange(n) % (rows + 1)
    stretch = np.where(place < rows, np.arange(n) // (rows + 1) + 1, 0)
    level = np.repeat(np.asarray(levels, dtype=float), rows + 1)
    before = np.repeat(np.r_[levels[0], np.asarray(levels)[:-1]], rows + 1)
    left = np.exp(-place * DT_S / tau_s) if tau_s else np.zeros(n)
    need = level + (before - level) * left + noise * ar1(n, rho, rng)
    line = pd.DataFrame(
        {
            "time_s": time_s,
            "rpm": 2000 + 100.0 * stretch,
            "load": 60.0,
            "need_ln": need,
            "target_lambda": 1.0,
            "is_at_stop": "",
        }
    )
    return line, stretch


def reduced(
    line: pd.DataFrame, stretch: np.ndarray, settle_s: float = 0.0, **changes: float
) -> tuple[pd.DataFrame, pd.Series]:
    return reduce_to_holds(
        line,
        stretch=stretch,
        settle_s=settle_s,
        interval_s=DT_S,
        settings=replace(DEFAULT, **changes),
    )


# --- stretches ----------------------------------------------------------------------------------


def test_stretches_are_numbered_and_end_at_gaps_and_pauses() -> None:
    usable = np.array([True, True, False, True, True, True])
    time_s = np.array([0.0, 0.1, 0.2, 0.3, 1.3, 2.4])
    # from 0.3 to 1.3 is 1.0 s and no pause, from 1.3 to 2.4 is one
    assert number_stretches(usable, time_s, max_gap_s=1.0).tolist() == [1, 1, 0, 2, 2, 3]
    assert not number_stretches(np.zeros(3, dtype=bool), time_s[:3], max_gap_s=1.0).any()


def test_age_is_counted_from_the_first_sample_of_the_stretch() -> None:
    found = since_start_s(np.array([1, 1, 2, 2]), np.array([5.0, 5.5, 7.0, 8.0]))
    assert found.tolist() == [0.0, 0.5, 0.0, 1.0]


def test_a_lone_sample_does_not_break_a_mask() -> None:
    mask = np.array([True] * 6 + [False] + [True] * 6)
    assert smooth_mask(mask).all()
    assert not smooth_mask(~mask).any()


# --- settling -----------------------------------------------------------------------------------


@pytest.mark.parametrize("tau_s", [0.3, 0.6, 1.0])
def test_settling_follows_the_true_lag(tau_s: float) -> None:
    # Steps of 5 % against a noise of 0.2 %: what is left passes below the noise after
    # tau ln(0.05 / 0.002), and the spread exceeds 1.2 of the noise a little longer than half that.
    rng = np.random.default_rng(3)
    line, stretch = log(0.05 * rng.choice([-1, 1], 40), tau_s=tau_s, noise=0.002)
    time_s = line["time_s"].to_numpy()
    need = line["need_ln"].to_numpy()
    found = find_settling(need, stretch, time_s, lag_s=0.05, interval_s=DT_S, settings=DEFAULT)
    assert found.source == "log"
    assert 2.0 * tau_s < found.settle_s < 5.0 * tau_s
    # and what is left then is below the noise of a sample
    assert 0.1 * np.exp(-found.settle_s / tau_s) < 0.004


def test_without_a_lag_the_shortest_settling_is_taken_and_three_lags_at_least() -> None:
    rng = np.random.default_rng(3)
    line, stretch = log(0.05 * rng.choice([-1, 1], 40))
    time_s, need = line["time_s"].to_numpy(), line["need_ln"].to_numpy()
    found = [
        find_settling(need, stretch, time_s, lag_s=t, interval_s=DT_S, settings=DEFAULT)
        for t in (0.05, 0.3)
    ]
    assert [one.settle_s for one in found] == pytest.approx([0.5, 0.9])


def test_a_slow_logger_settles_no_later_for_want_of_samples() -> None:
    # 60 holds of 8 samples of plain noise: the later four, from which the middle is taken, lie
    # nearer to it than the others by (1 - 1/4) / (1 + 1/4), and that is no settling
    settled = []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        stretch = np.repeat(np.arange(1, 61), 8)
        time_s = np.arange(480.0)
        need = 0.005 * rng.standard_normal(480)
        found = find_settling(need, stretch, time_s, lag_s=0.1, interval_s=1.0, settings=DEFAULT)
        assert found.source == "log"
        settled.append(found.settle_s)
    assert np.mean(np.array(settled) <= 1.0) >= 0.9


@pytest.mark.parametrize(("count", "source"), [(9, "default"), (10, "log")])
def test_ten_long_stretches_are_needed(count: int, source: str) -> None:
    line, stretch = log(np.zeros(count))
    found = find_settling(
        line["need_ln"].to_numpy(),
        stretch,
        line["time_s"].to_numpy(),
        lag_s=0.05,
        interval_s=DT_S,
        settings=DEFAULT,
    )
    assert found.source == source
    if source == "default":
        assert found.settle_s == DEFAULT.default_settle_s == 1.5
        assert "only 9 long stretches" in found.why


def test_a_given_settling_is_taken() -> None:
    line, stretch = log(np.zeros(12))
    found = find_settling(
        line["need_ln"].to_numpy(),
        stretch,
        line["time_s"].to_numpy(),
        lag_s=9.0,
        interval_s=DT_S,
        settings=replace(DEFAULT, settle_s=2.5),
    )
    assert (found.settle_s, found.source) == (2.5, "setup")


# --- holds --------------------------------------------------------------------------------------


def test_one_stretch_is_one_hold_with_its_mean() -> None:
    line, stretch = log([0.02, -0.03], noise=0.0)
    holds, fate = reduced(line, stretch, settle_s=1.0)
    assert holds["need_ln"].tolist() == pytest.approx([0.02, -0.03])
    assert holds["rpm"].tolist() == pytest.approx([2100.0, 2200.0])
    assert holds["samples"].tolist() == [70, 70]  # 80 less the 10 of the first second
    assert holds["start_s"].tolist() == pytest.approx([1.0, 9.1])
    assert fate.value_counts().to_dict() == {"used": 140, "settling": 20, "": 2}


@pytest.mark.parametrize(("rows", "is_kept"), [(15, True), (14, False)])
def test_a_hold_shorter_than_the_shortest_is_dropped(rows: int, is_kept: bool) -> None:
    # 15 rows of 0.1 s are 1.5 s
    line, stretch = log([0.0, 0.01], rows=rows)
    holds, fate = reduced(line, stretch)
    assert len(holds) == (2 if is_kept else 0)
    assert set(fate[stretch > 0]) == {"used" if is_kept else "short hold"}


def test_fewer_values_of_lambda_than_the_fewest_make_no_hold() -> None:
    for values, count in ((4, 1), (3, 0)):
        line, stretch = log([0.0], noise=0.0)
        keep = np.linspace(0, 79, values).astype(int)
        line["need_ln"] = line["need_ln"].where(line.index.isin(keep))
        holds, fate = reduced(line, stretch)
        assert len(holds) == count
        assert (fate == "no lambda").sum() == 80 - values


def test_spikes_are_removed_and_counted() -> None:
    line, stretch = log([0.02] * 5, noise=0.002)
    clean, _ = reduced(line, stretch)
    wild = [20, 41, 100, 333]
    line.loc[wild, "need_ln"] += 0.3
    holds, fate = reduced(line, stretch)
    assert (fate[wild] == "spike").all()
    assert (fate == "spike").sum() <= len(wild) + 1
    np.testing.assert_allclose(holds["need_ln"], clean["need_ln"], atol=3e-4)


def test_lambda_logged_in_coarse_steps_has_no_spikes() -> None:
    # lambda 0.9536 with 0.35 % of noise, logged to 0.01: three of four samples read 0.95, and the
    # others are values too; without them the mean would be 0.95, 0.38 % rich.
    line, stretch = log([np.log(0.9536)] * 20, noise=0.0035, rho=0.3)
    rounded = np.log(np.round(np.exp(line["need_ln"]), 2))
    assert 0.6 < (np.abs(rounded - np.log(0.95)) < 1e-9).mean() < 0.9
    holds, fate = reduced(line.assign(need_ln=rounded), stretch)
    assert (fate == "spike").mean() < 0.01  # two steps away is wild
    assert holds["need_ln"].mean() == pytest.approx(np.log(0.9536), abs=8e-4)


def test_a_hold_at_the_sensors_stop_is_a_bound_and_no_value() -> None:
    line, stretch = log([0.1, 0.3, -0.3], noise=0.0)
    line.loc[stretch == 2, "is_at_stop"] = "lean"
    line.loc[stretch == 3, "is_at_stop"] = "rich"
    holds, fate = reduced(line, stretch)
    assert holds["stop"].tolist() == ["", "lean", "rich"]
    assert holds["need_ln"].tolist() == pytest.approx([0.1, 0.3, -0.3])
    assert holds["within_se"].isna().tolist() == [False, True, True]
    assert holds["effective_n"].tolist()[1:] == [0.0, 0.0]
    assert (fate[stretch > 1] == "sensor at its stop").all()


@pytest.mark.parametrize(("share", "stop"), [(8, ""), (9, "lean")])
def test_a_tenth_of_the_samples_at_the_stop_is_where_a_value_ends(share: int, stop: str) -> None:
    # 8 of 80 samples are 10 % and still a value without them, 9 are more
    line, stretch = log([0.1], noise=0.0)
    at = np.linspace(30, 79, share).astype(int)
    line.loc[at, "is_at_stop"] = "lean"
    line.loc[at, "need_ln"] = 0.3
    holds, fate = reduced(line, stretch)
    assert holds["stop"].tolist() == [stop]
    if stop == "":
        assert holds["need_ln"].tolist() == pytest.approx([0.1])
        assert (fate[at] == "sensor at its stop").all()


def test_a_drifting_head_is_dropped_and_said_to_be_settling() -> None:
    line, stretch = log([0.0, 0.02, 0.01], noise=0.002, tau_s=0.0)
    clean, _ = reduced(line, stretch)
    head = line.index[stretch == 2][:25]
    line.loc[head, "need_ln"] += 0.03
    holds, fate = reduced(line, stretch)
    assert (fate[head] == "settling").mean() > 0.95
    np.testing.assert_allclose(holds["need_ln"], clean["need_ln"], atol=1e-3)
    assert (fate[stretch != 2] != "settling").all()


def test_what_is_left_of_a_hold_without_its_head_and_spikes_may_be_too_short() -> None:
    # 24 rows, the first third off by 5 %: 16 rows are left, and with two spikes 14, 1.5 s are 15
    line, stretch = log([0.0], rows=24, noise=0.001)
    line.loc[:7, "need_ln"] += 0.05
    line.loc[[22, 23], "need_ln"] += 0.2
    holds, fate = reduced(line, stretch)
    assert holds.empty
    assert (fate[8:22] == "short hold").all()


def test_nothing_usable_gives_no_holds_with_the_same_columns() -> None:
    line, stretch = log([0.0, 0.01])
    full, _ = reduced(line, stretch)
    for empty, _ in (
        reduced(line, np.zeros_like(stretch)),
        reduced(line.assign(need_ln=np.nan), stretch),
        reduced(line, stretch, settle_s=99.0),
    ):
        assert list(empty.columns) == list(full.columns)
        assert empty.empty


# --- the standard error -------------------------------------------------------------------------


@pytest.mark.parametrize(("rho", "tolerance"), [(0.0, 0.1), (0.5, 0.2), (0.7, 0.25)])
def test_the_standard_error_is_the_scatter_of_hold_means(rho: float, tolerance: float) -> None:
    # 300 holds of truth zero: the root mean square of their means is known to 4 %. Correlation
    # that a hold of 8 s is too short to show stays out; the fit's hold scatter takes it in.
    line, stretch = log(np.zeros(300), rho=rho, noise=0.007)
    holds, _ = reduced(line, stretch)
    truth = float(np.sqrt(np.mean(holds["need_ln"] ** 2)))
    stated = float(np.sqrt(np.mean(holds["within_se"] ** 2)))
    assert stated == pytest.approx(truth, rel=tolerance)
    naive = 0.007 / np.sqrt(80)  # sqrt((1 + 0.7) / (1 - 0.7)) = 2.4 times this at 0.7
    assert (stated > 1.8 * naive) == (rho == 0.7)


# --- properties ---------------------------------------------------------------------------------


@settings(max_examples=20)
@given(st.integers(-800_000, 800_000).map(lambda k: k / 8), st.integers(0, 20))
def test_shifting_time_leaves_the_holds_equal(shift_s: float, seed: int) -> None:
    # eighths of a second are exact in binary, so that no sample falls on the other side of a limit
    line, stretch = log([0.0, 0.02, -0.01], rows=30, seed=seed)
    line["time_s"] = np.arange(len(line)) / 8
    holds, fate = reduced(line, stretch, settle_s=0.55)
    moved, moved_fate = reduced(line.assign(time_s=line["time_s"] + shift_s), stretch, 0.55)
    pd.testing.assert_series_equal(fate, moved_fate)
    times = ["start_s", "end_s"]
    pd.testing.assert_frame_equal(holds.drop(columns=times), moved.drop(columns=times))
    np.testing.assert_allclose(moved["start_s"] - shift_s, holds["start_s"], atol=1e-6)


@given(st.integers(1, 5))
def test_splitting_a_log_between_holds_leaves_them_equal(at: int) -> None:
    line, stretch = log(np.linspace(-0.02, 0.02, 6), rows=40)
    whole, _ = reduced(line, stretch)
    cut = np.flatnonzero(stretch == at)[-1] + 1
    parts = [
        reduced(line[rows].reset_index(drop=True), stretch[rows])[0]
        for rows in (slice(None, cut), slice(cut, None))
    ]
    joined = pd.concat(parts, ignore_index=True)
    columns = ["start_s", "end_s", "rpm", "load", "samples", "need_ln", "stop"]
    pd.testing.assert_frame_equal(joined[columns], whole[columns])


@settings(max_examples=20)
@given(st.permutations(range(5)))
def test_the_order_of_stretches_does_not_matter(order: list[int]) -> None:
    line, stretch = log(np.linspace(-0.02, 0.02, 5), rows=30, noise=0.001)
    whole, _ = reduced(line, stretch)
    renamed = np.where(stretch > 0, np.array([0, *[k + 1 for k in order]])[stretch], 0)
    again, _ = reduced(line, renamed)
    pd.testing.assert_frame_equal(whole, again)
