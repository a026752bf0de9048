"""Holds that lie close together are found apart, and what travels is no hold."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from frames import sums_of
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import lfilter

from tuneassist.characterise import characterise
from tuneassist.evidence.steady import cover_pairs, rolling_mean
from tuneassist.evidence.travel import find_standing, travel_rows
from tuneassist.files.setup_file import read_setup
from tuneassist.grid import Grid
from tuneassist.one_log import LogEvidence
from tuneassist.pipeline import propose_from
from tuneassist.reading import read_log
from tuneassist.reduction import reduce_log, reduce_parts

SAMPLES = Path(__file__).resolve().parent.parent / "sample_logs"
CAR = read_setup(SAMPLES / "petrol-setup.toml")
WANDER_RPM, WANDER_SHARE, WANDER_S = 4.0, 0.002, 2.0
NOISE_RPM, NOISE_SHARE = 5.0, 0.005
STEP_S = 0.05


def drive(
    legs: list[tuple[float, float, float]],
    rate_hz: float,
    *,
    seed: int = 1,
    wander: float = 1.0,
    hunt: tuple[float, float] = (0.0, 1.0),
) -> pd.DataFrame:
    """Log a drive along straight legs: ``(seconds, rpm, load)`` at the end of each.

    ``wander`` multiplies how far speed and load drift about the set point; ``hunt`` is half the
    height of a swing in rpm, and how long it lasts in seconds.
    """
    rng = np.random.default_rng(seed)
    knots = np.array(legs)
    at_s = np.cumsum(knots[:, 0])
    fine_s = np.arange(0.0, at_s[-1], STEP_S)
    keep = np.exp(-STEP_S / WANDER_S)
    shocks = wander * np.sqrt(1 - keep**2) * rng.standard_normal((2, len(fine_s)))
    drift = lfilter([1.0], [1.0, -keep], shocks, axis=1)
    rpm = np.interp(fine_s, at_s, knots[:, 1]) + WANDER_RPM * drift[0]
    load = np.interp(fine_s, at_s, knots[:, 2]) * (1 + WANDER_SHARE * drift[1])
    rpm += hunt[0] * np.sin(2 * np.pi * fine_s / hunt[1])
    time_s = np.arange(0.0, fine_s[-1], 1.0 / rate_hz)
    row = np.round(time_s / STEP_S).astype(int)
    n = len(time_s)
    return pd.DataFrame(
        {
            "time_s": time_s,
            "rpm": rpm[row] + NOISE_RPM * rng.standard_normal(n),
            "load": load[row] * (1 + NOISE_SHARE * rng.standard_normal(n)),
            "lambda": 0.97 + 0.03 * np.sin(rpm[row] / 700.0) + 0.006 * rng.standard_normal(n),
            "coolant_temp_c": 90.0,
        }
    )


def holding(
    points: np.ndarray, move_s: float, *, shortest_s: float = 8.0, longest_s: float = 18.0
) -> tuple[list[tuple[float, float, float]], pd.DataFrame]:
    """Legs that hold each point, and when each is held."""
    rng = np.random.default_rng(len(points))
    legs = [(0.0, *points[0])]
    held, now_s = [], 0.0
    for rpm, load in points:
        if now_s:
            legs.append((move_s, rpm, load))
            now_s += move_s
        seconds = rng.uniform(shortest_s, longest_s)
        legs.append((seconds, rpm, load))
        held.append((now_s, now_s + seconds, rpm, load))
        now_s += seconds
    return legs, pd.DataFrame(held, columns=["start_s", "end_s", "rpm", "load"])


def raster() -> np.ndarray:
    """Ten speeds by six loads, one load after the other and back, as on a dynamometer."""
    loads = np.array([40.0, 60.0, 80.0, 100.0, 125.0, 150.0])
    return np.array(
        [
            (rpm, load)
            for number, rpm in enumerate(np.arange(1500.0, 6100.0, 500.0))
            for load in (loads if number % 2 == 0 else loads[::-1])
        ]
    )


def scattered() -> np.ndarray:
    rng = np.random.default_rng(4)
    return np.column_stack([rng.uniform(1200, 6200, 60), rng.uniform(35, 170, 60)])


def reduced(samples: pd.DataFrame) -> LogEvidence:
    return reduce_log(samples, name="a.csv", setup=CAR)


# --- holds apart ----------------------------------------------------------------------------------


@pytest.mark.parametrize("rate_hz", [1.0, 2.0, 5.0, 10.0, 20.0])
@pytest.mark.parametrize("move_s", [1.0, 1e-3], ids=["1 s", "at once"])
@pytest.mark.parametrize("points", [raster, scattered])
def test_all_holds_are_found_apart(points, move_s: float, rate_hz: float) -> None:
    legs, truth = holding(points(), move_s)
    holds = reduced(drive(legs, rate_hz)).holds
    shared_s = np.minimum(holds["end_s"].to_numpy()[:, None], truth["end_s"].to_numpy())
    shared_s -= np.maximum(holds["start_s"].to_numpy()[:, None], truth["start_s"].to_numpy())
    assert len(holds) == len(truth) == 60
    np.testing.assert_array_equal(shared_s.argmax(axis=1), np.arange(60))
    # a sample of the next set point may stand at an end, where the step fell between two samples
    others_s = np.sort(shared_s, axis=1)[:, -2]
    assert others_s.max() <= max(1.0 / rate_hz, 0.3)
    assert np.abs(holds["rpm"].to_numpy() - truth["rpm"].to_numpy()).max() < 15.0
    assert np.abs(holds["load"].to_numpy() / truth["load"].to_numpy() - 1.0).max() < 0.012


@pytest.mark.parametrize("rate_hz", [2.0, 5.0])
def test_holds_are_found_apart_where_stamps_are_whole_seconds(tmp_path, rate_hz: float) -> None:
    legs, truth = holding(raster(), 1.0)
    samples = drive(legs, rate_hz)
    path = tmp_path / "a.csv"
    text = samples.assign(time_s=np.floor(samples["time_s"]).astype(int)).rename(
        columns={"time_s": "Time (s)", "rpm": "Engine speed (rpm)", "load": "MAP (kPa)",
                 "lambda": "Lambda", "coolant_temp_c": "Coolant (degC)"}
    )  # fmt: skip
    text.to_csv(path, index=False, float_format="%.4f")
    bare = replace(CAR, channels={})
    holds = reduce_log(read_log(path, setup=bare).samples, name="a.csv", setup=bare).holds
    middle_s = (holds["start_s"] + holds["end_s"]).to_numpy() / 2
    number = np.searchsorted(truth["end_s"].to_numpy(), middle_s)
    assert np.array_equal(number, np.arange(60))
    assert np.abs(holds["rpm"].to_numpy() - truth["rpm"].to_numpy()).max() < 15.0


def test_a_pause_in_the_log_parts_holds_and_costs_none_beside_it() -> None:
    legs, truth = holding(raster(), 1.0)
    samples = drive(legs, 10.0)
    pause = (truth["start_s"][20] + 6.0, truth["start_s"][21] + 4.0)  # into the next hold
    found = reduced(samples[~samples["time_s"].between(*pause)]).holds
    assert not ((found["start_s"] < pause[0]) & (found["end_s"] > pause[1])).any()
    assert len(found) >= 59


def test_neighbours_are_joined_by_a_window_that_holds_both() -> None:
    # windows of 4 rows: that at 0 passes and that at 4, so that all 8 samples are at rest
    passed = np.array([True, False, False, False, True])
    assert cover_pairs(passed, 4).tolist() == [False, True, True, True, False, True, True, True]


@given(st.integers(1, 40), st.integers(0, 60), st.integers(0, 99))
def test_means_of_windows_do_not_hang_on_where_the_values_begin(
    rows: int, skipped: int, seed: int
) -> None:
    values = 3000.0 + np.random.default_rng(seed).standard_normal(120)
    found = rolling_mean(values, rows)
    windows = np.lib.stride_tricks.sliding_window_view(values, rows)
    np.testing.assert_allclose(found, windows.mean(axis=1), rtol=1e-12)
    assert np.array_equal(rolling_mean(values[skipped:], rows), found[skipped:])


# --- what travels ---------------------------------------------------------------------------------


def sweep(rate: float, rate_hz: float, **how: object) -> pd.DataFrame:
    seconds = 5000.0 / rate
    return drive([(0.0, 1000, 60), (seconds, 6000, 60), (seconds, 1000, 60)], rate_hz, **how)


@pytest.mark.parametrize("rate_hz", [1.0, 5.0, 10.0])
@pytest.mark.parametrize("rate", [10.0, 25.0, 50.0])
def test_a_sweep_of_speed_is_no_hold(rate: float, rate_hz: float) -> None:
    samples = sweep(rate, rate_hz)
    found = reduced(samples)
    # at 10 rpm/s it stays within 35 rpm for 14 s where it turns round at 6000: a 20th of a cell
    middle_s = (found.holds["start_s"] + found.holds["end_s"]) / 2
    assert (np.abs(middle_s - 5000.0 / rate) < 3.0).all()
    assert len(found.holds) <= (1 if rate == 10.0 else 0)
    assert found.fates["sweeping"] > 0.4 * len(samples)
    (note,) = (note for note in found.notes if "sweep" in note)
    assert note.startswith("a.csv: This log is a sweep")
    assert "a hold of about ten seconds at a point teaches more surely" in note


@pytest.mark.parametrize("rate", [0.2, 0.5, 1.0, 3.0])
def test_a_slow_ramp_of_load_is_no_hold(rate: float) -> None:
    seconds = 120.0 / rate
    found = reduced(drive([(0.0, 3000, 35), (seconds, 3000, 155)], 10.0))
    assert len(found.holds) == 0
    assert any("This log is a sweep:" in note for note in found.notes)


@pytest.mark.parametrize("rate_hz", [1.0, 10.0])
@pytest.mark.parametrize("rate", [10.0, 25.0, 50.0])
def test_a_sweep_is_evidence_but_never_good(rate: float, rate_hz: float) -> None:
    found = reduced(drive([(0.0, 1000, 60), (5000.0 / rate, 6000, 60)], rate_hz))
    assert found.holds.empty
    made = propose_from([found], setup=CAR, current=Grid.zeros(CAR.axes))
    known = made.cells[made.cells["confidence"].ne("none")]
    assert len(known) and not known["confidence"].eq("good").any()
    assert known["load"].between(40.0, 80.0).all()  # next to where it went, nowhere else
    assert any("This log is a sweep" in note for note in made.evidence.notes)


@pytest.mark.parametrize("rate_hz", [1.0, 10.0])
@pytest.mark.parametrize("rate", [10.0, 20.0, 40.0])
def test_what_stands_between_slow_ramps_is_a_hold(rate: float, rate_hz: float) -> None:
    speeds = np.arange(1500.0, 5600.0, 500.0)
    legs, truth = holding(
        np.column_stack([speeds, np.full(9, 70.0)]), 500.0 / rate, shortest_s=10, longest_s=14
    )
    holds = reduced(drive(legs, rate_hz)).holds
    assert len(holds) == 9
    assert np.abs(holds["rpm"].to_numpy() - truth["rpm"].to_numpy()).max() < 15.0


def test_two_places_a_small_step_apart_are_two_holds() -> None:
    # 100 rpm are within what a window of 1.5 s may spread at 6000 rpm with some noise
    points = np.array([[5000.0, 90.0], [6000.0, 90.0], [6100.0, 90.0], [5000.0, 90.0]])
    legs, truth = holding(points, 1.0, shortest_s=12.0)
    holds = reduced(drive(legs, 10.0)).holds
    assert len(holds) == 4
    assert np.abs(holds["rpm"].to_numpy() - truth["rpm"].to_numpy()).max() < 15.0


@pytest.mark.parametrize("rate_hz", [1.0, 10.0])
@pytest.mark.parametrize("period_s", [1.5, 3.0, 8.0])
def test_hunting_by_30_rpm_is_no_travel(period_s: float, rate_hz: float) -> None:
    points = np.array([[2500.0 + 1500 * (i % 2), 60.0 + 10 * (i % 3)] for i in range(16)])
    legs, truth = holding(points, 1.0, shortest_s=11.0)
    found = reduced(drive(legs, rate_hz, hunt=(30.0, period_s)))
    assert len(found.holds) >= 15
    assert found.fates["sweeping"] < 0.04 * found.samples
    number = np.searchsorted(truth["end_s"], (found.holds["start_s"] + found.holds["end_s"]) / 2)
    assert len(set(number)) >= 15


@pytest.mark.parametrize("rate_hz", [1.0, 10.0])
def test_a_brake_that_wanders_three_times_as_far_keeps_its_holds(rate_hz: float) -> None:
    legs, _ = holding(raster(), 1.0)
    found = reduced(drive(legs, rate_hz, wander=3.0))
    assert len(found.holds) >= 57
    assert found.fates["sweeping"] < 0.04 * found.samples


def test_travel_is_measured_in_cells() -> None:
    # 150 rpm in a minute: a tenth of a gap of 1500, and all of one of 150
    samples = drive([(0.0, 3000, 60), (60.0, 3150, 60)], 10.0)
    rows = []
    for gap in (1500.0, 150.0):
        axes = replace(CAR.axes, rpm=np.arange(1500.0, 7600.0, gap))
        found = find_standing(
            *(samples[name].to_numpy() for name in ("time_s", "rpm", "load")),
            axes=axes,
            interval_s=0.1,
            settings=CAR.steady,
        )
        assert found.is_steady.mean() > 0.95
        rows.append(int(found.is_standing.sum()))
    assert rows[0] > 0.9 * len(samples)
    assert rows[1] == 0


@pytest.mark.parametrize(("height", "is_kept"), [(60.0, True), (95.0, False)])
def test_a_stretch_that_goes_to_and_fro_may_not_go_too_far_either(
    height: float, is_kept: bool
) -> None:
    # on the finest axes 70 rpm are no travel; 95 rpm in 20 s are slow enough for any ten of them
    top = 3000 + height
    legs = [(0.0, 3000, 60), (20.0, top, 60), (20.0, 3000, 60), (20.0, top, 60), (20.0, 3000, 60)]
    samples = drive(legs, 10.0, wander=0.1)
    found = find_standing(
        *(samples[name].to_numpy() for name in ("time_s", "rpm", "load")),
        axes=replace(CAR.axes, rpm=np.arange(1500.0, 7600.0, 150.0)),
        interval_s=0.1,
        settings=CAR.steady,
    )
    assert found.is_joined[1:].all()
    assert found.is_standing.any() == is_kept


def test_the_long_window_is_longer_than_the_short_one_however_slow_the_logger() -> None:
    assert travel_rows(0.1, CAR.steady) == 101
    assert travel_rows(5.0, CAR.steady) == 8  # four rows are a short window


# --- whole and part by part -----------------------------------------------------------------------


@lru_cache(maxsize=4)
def mixed(rate_hz: float) -> pd.DataFrame:
    """Holds with steps at once, slow ramps between holds, a sweep, hunting at small steps."""
    rng = np.random.default_rng(7)
    legs, _ = holding(raster()[:30], 1e-3)
    legs += [(200.0, 6000, 60), (150.0, 1800, 60)]
    for rpm in (1800, 2300, 2800, 3300):
        legs += [(500.0 / rng.uniform(8, 25), rpm, 60), (rng.uniform(6, 14), rpm, 60)]
    for rpm in (3340, 3400, 3490, 3600):
        legs += [(0.5, rpm, 60), (rng.uniform(4, 16), rpm, 60)]
    legs += [(90.0, 3600, 120), (12.0, 3600, 120)]
    samples = drive(legs, rate_hz, hunt=(12.0, 5.0))
    return samples[~samples["time_s"].between(300.0, 304.0)].reset_index(drop=True)


def require_the_same_in_parts(samples: pd.DataFrame, edges: list[int]) -> None:
    nature = characterise(samples, setup=CAR)
    parts = (samples.iloc[low:high] for low, high in pairwise([0, *edges, len(samples)]))
    holds, fates, blocks = sums_of([samples], nature, CAR)
    found = sums_of(parts, nature, CAR)
    assert len(holds) > 30
    pd.testing.assert_frame_equal(found[0], holds, check_exact=True)
    pd.testing.assert_series_equal(found[1], fates)
    assert fates["sweeping"] > 0
    assert len(blocks) > 20
    pd.testing.assert_frame_equal(found[2], blocks, check_exact=True)


@settings(max_examples=20)
@given(st.sampled_from([1.0, 4.0, 10.0]), st.lists(st.integers(1, 12_000), max_size=12))
def test_a_log_in_parts_has_the_holds_of_the_log_held_whole_to_the_bit(
    rate_hz: float, at: list[int]
) -> None:
    samples = mixed(rate_hz)
    require_the_same_in_parts(samples, sorted({row for row in at if row < len(samples)}))


@pytest.mark.parametrize(("rate_hz", "rows"), [(1.0, 7), (4.0, 13), (10.0, 43)])
def test_a_log_in_crumbs_has_the_holds_of_the_log_held_whole_to_the_bit(
    rate_hz: float, rows: int
) -> None:
    samples = mixed(rate_hz)
    require_the_same_in_parts(samples, list(range(rows, len(samples), rows)))


def test_a_sweep_that_a_fuel_cut_breaks_is_one_sweep_wherever_the_log_is_cut() -> None:
    samples = sweep(10.0, 10.0)
    cold = samples["coolant_temp_c"].where(samples.index % 700 > 120, 20.0)  # breaks the stretch
    samples = samples.assign(coolant_temp_c=cold)
    parts = [samples.iloc[low : low + 800] for low in range(0, len(samples), 800)]
    found = reduce_parts(parts, name="a.csv", setup=CAR)
    assert len(found.holds) <= 1
    assert any("This log is a sweep:" in note for note in found.notes)
