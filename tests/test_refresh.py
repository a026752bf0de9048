"""Repeats of a polled logger are told from steadiness, and nothing is made up between values."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from frames import time_line_of
from hypothesis import given
from hypothesis import strategies as st

from tuneassist.evidence.refresh import change_rows, refresh_interval


def wander(n: int, seed: int = 1) -> np.ndarray:
    return 1000 + np.cumsum(np.random.default_rng(seed).standard_normal(n))


def polled(values: np.ndarray, period: int, turn: int = 0) -> np.ndarray:
    """The column of a logger that renews it every ``period`` rows and repeats it between."""
    rows = np.arange(len(values))
    return values[np.maximum(rows - (rows - turn) % period, 0)]


def frame(rpm: np.ndarray, load: np.ndarray, lam: np.ndarray) -> pd.DataFrame:
    n = len(rpm)
    columns = {"time_s": np.arange(n) * 0.1, "row": np.arange(n) + 2}
    return pd.DataFrame({**columns, "rpm": rpm, "load": load, "lambda": lam})


MAIN = ("rpm", "load", "lambda")


# --- the interval -------------------------------------------------------------------------------


@pytest.mark.parametrize("period", [1, 2, 3, 5, 12])
@pytest.mark.parametrize("turn", [0, 1])
def test_the_refresh_interval_of_a_polled_channel_is_found(period: int, turn: int) -> None:
    assert refresh_interval(polled(wander(2000), period, turn)) == period


def test_a_polled_channel_whose_new_value_often_equals_the_old_is_still_found() -> None:
    rough = np.round(wander(3000) / 2.0) * 2.0  # many renewals show no change
    assert refresh_interval(polled(rough, 4)) == 4


@pytest.mark.parametrize("step", [0.5, 2.0, 5.0])
def test_quantised_noise_is_not_taken_for_polling(step: float) -> None:
    rng = np.random.default_rng(2)
    noisy = np.round((3000 + 2.0 * rng.standard_normal(3000)) / step) * step
    assert np.mean(np.diff(noisy) == 0) > 0.05  # it does repeat
    assert refresh_interval(noisy) == 1


def test_a_channel_that_hardly_changes_tells_nothing() -> None:
    # 19 changes are too few, 20 are enough (the first row counts as one)
    for changes, found in ((19, 1), (20, 7)):
        assert refresh_interval(np.repeat(np.arange(float(changes)), 7)) == found


def test_blanks_are_no_change() -> None:
    values = np.array([np.nan, 1.0, np.nan, 1.0, 2.0, np.nan, 2.0, 3.0])
    assert change_rows(values).tolist() == [1, 4, 7]
    assert change_rows(np.full(3, np.nan)).size == 0


# --- the time line ------------------------------------------------------------------------------


def test_a_plain_log_stays_as_it_is() -> None:
    samples = frame(wander(300), wander(300, 2), wander(300, 3))
    line, refresh = time_line_of(samples, MAIN)
    pd.testing.assert_frame_equal(line, samples.astype(float))
    assert not refresh.is_polled
    assert refresh.interval_s == pytest.approx(0.1)


@given(st.tuples(*[st.sampled_from([1, 2, 3, 5, 8])] * 3), st.integers(0, 2**16))
def test_no_value_is_invented(periods: tuple[int, int, int], seed: int) -> None:
    # Every value on the line lies between the renewed values before and after it.
    n = 600
    true = [wander(n, seed + k) for k in range(3)]
    pairs = enumerate(zip(true, periods, strict=True))
    samples = frame(*(polled(values, period, k % period) for k, (values, period) in pairs))
    line, refresh = time_line_of(samples, MAIN)
    assert refresh.rows == dict(zip(MAIN, periods, strict=True))
    assert refresh.interval_s == pytest.approx(0.1 * max(periods))
    at = np.round(line["time_s"].to_numpy() / 0.1).astype(int)
    for k, (name, period) in enumerate(zip(MAIN, periods, strict=True)):
        logged = samples[name].to_numpy()
        before = np.maximum(at - (at - k % period) % period, 0)
        after = np.minimum(before + period, n - 1)
        found = line[name].to_numpy()
        known = np.isfinite(found)
        assert known[1:-1].mean() > 0.97
        low = np.minimum(logged[before], logged[after])[known]
        high = np.maximum(logged[before], logged[after])[known]
        assert (found[known] >= low - 1e-9).all()
        assert (found[known] <= high + 1e-9).all()


def test_the_slowest_channel_keeps_its_own_values_at_the_rows_where_it_was_renewed() -> None:
    true = wander(400)
    samples = frame(wander(400, 2), wander(400, 3), polled(true, 5))
    line, refresh = time_line_of(samples, MAIN)
    assert refresh.is_polled
    np.testing.assert_array_equal(line["row"], np.arange(0, 400, 5) + 2)
    np.testing.assert_allclose(line["lambda"], true[::5])
    np.testing.assert_allclose(line["rpm"], samples["rpm"].to_numpy()[::5])


def test_between_renewals_a_ramp_is_read_on_its_line_and_not_on_its_steps() -> None:
    # speed (1000 + row) renewed at rows 0, 4, 8..., lambda at 2, 6, 10...: half way between
    rows = np.arange(400.0)
    samples = frame(polled(1000 + rows, 4), wander(400), polled(wander(400), 4, 2))
    line, _ = time_line_of(samples, MAIN)
    at = np.round(line["time_s"].to_numpy() / 0.1)
    inner = (at > 4) & (at < 392)
    np.testing.assert_allclose(line["rpm"][inner], 1000 + at[inner])


def test_a_still_polled_channel_is_renewed_in_its_turn() -> None:
    # While nothing changes every fifth row still counts; else a rest would have no samples.
    values = polled(np.r_[wander(200), np.full(200, 1.0), wander(200, 5)], 5)
    samples = frame(wander(600, 2), wander(600, 3), values)
    line, _ = time_line_of(samples, MAIN)
    still = line["lambda"] == 1.0
    assert still.sum() == pytest.approx(40, abs=1)


@pytest.mark.parametrize(("blank_rows", "is_bridged"), [(9, True), (10, False)])
def test_a_long_blank_is_not_bridged(blank_rows: int, is_bridged: bool) -> None:
    # ten rows of 0.1 s between known neighbours are 1.0 s, the longest gap; eleven are not bridged
    samples = frame(wander(300), wander(300, 2), wander(300, 3))
    samples.loc[100 : 99 + blank_rows, "rpm"] = np.nan
    line, _ = time_line_of(samples, MAIN)
    inside = line["rpm"].iloc[100 : 100 + blank_rows]
    assert inside.notna().all() if is_bridged else inside.isna().all()
    assert line["rpm"].drop(inside.index).notna().all()


def test_a_blank_at_either_end_stays_blank() -> None:
    samples = frame(wander(300), wander(300, 2), wander(300, 3))
    samples.loc[:3, "lambda"] = np.nan
    samples.loc[296:, "lambda"] = np.nan
    line, _ = time_line_of(samples, MAIN)
    assert line["lambda"].isna().to_numpy().nonzero()[0].tolist() == [
        0,
        1,
        2,
        3,
        296,
        297,
        298,
        299,
    ]


def test_a_channel_without_any_value_stays_without() -> None:
    samples = frame(wander(50), wander(50, 2), np.full(50, np.nan))
    line, refresh = time_line_of(samples, MAIN)
    assert line["lambda"].isna().all()
    assert refresh.rows["lambda"] == 1


def test_other_channels_carry_their_last_value_and_the_input_is_untouched() -> None:
    samples = frame(wander(100), wander(100, 2), wander(100, 3))
    samples["coolant_temp_c"] = np.nan
    samples.loc[10, "coolant_temp_c"] = 85.0
    before = samples.copy()
    line, _ = time_line_of(samples, MAIN)
    assert line["coolant_temp_c"].iloc[:10].isna().all()
    assert (line["coolant_temp_c"].iloc[10:] == 85.0).all()
    pd.testing.assert_frame_equal(samples, before)


def test_a_slow_channel_that_speaks_between_the_kept_rows_is_heard() -> None:
    rows = np.arange(600)
    moves = 0.9 + 0.01 * np.sin(rows)
    samples = pd.DataFrame(
        {
            "time_s": rows * 0.02,
            "rpm": 2000.0 + rows % 7,
            "load": 60.0 + rows % 5,
            "lambda": np.where(rows % 5 == 2, moves, np.nan),
            "coolant_temp_c": np.where(rows % 100 == 0, 90.0, np.nan),
        }
    )
    line, _ = time_line_of(samples, MAIN)
    assert len(line) < 200
    assert line["coolant_temp_c"].eq(90.0).all()
