"""Exhaust temperature belongs to the cell that made it, and nothing beyond a ceiling is lost."""

from __future__ import annotations

from itertools import pairwise
from types import MappingProxyType

import numpy as np
import pandas as pd
import pytest
from frames import channel_peaks
from hypothesis import given, settings
from hypothesis import strategies as st

from tuneassist.evidence.heat import HeatPeaks
from tuneassist.grid import Axes
from tuneassist.reduction import reduce_log, reduce_parts
from tuneassist.settings import Ceiling, EngineSettings, LimitSettings, Setup, Target
from tuneassist.simulate.signals import first_order_lag

AXES = Axes(rpm=np.array([1000.0, 2000, 3000, 4000, 5000]), load=np.array([40.0, 60, 80, 100, 120]))
HZ = 10
CEILING, HARD = 900.0, 950.0


def drive(
    *legs: tuple[float, float, float, float],
    tau_s: float = 2.0,
    late_s: float = 0.0,
    noise_c: float = 0.0,
) -> pd.DataFrame:
    """Holds of (seconds, rpm, load, temperature of the gas), half a second from one to the next."""
    seconds, rpm, load, gas = (np.array(column) for column in zip(*legs, strict=True))
    ends = np.cumsum(seconds + 0.5)
    knots = np.column_stack([ends - seconds - 0.5 + 0.5, ends]).ravel()
    time_s = np.arange(0.0, ends[-1], 1.0 / HZ)
    at = {name: np.interp(time_s, knots, np.repeat(x, 2)) for name, x in
          (("rpm", rpm), ("load", load), ("gas", gas))}  # fmt: skip
    heat = first_order_lag(at["gas"], tau_s=tau_s, dt_s=1.0 / HZ)
    heat = np.interp(time_s - late_s, time_s, heat)
    heat = heat + np.random.default_rng(1).normal(0, noise_c, len(heat))
    return pd.DataFrame(
        {"time_s": time_s, "rpm": at["rpm"], "load": at["load"], "exhaust_temp_c": heat}
    )


def temperatures(samples: pd.DataFrame) -> np.ndarray:
    peaks = HeatPeaks(AXES, ceiling_c=CEILING)
    columns = ("time_s", "rpm", "load", "exhaust_temp_c")
    peaks.add(*(samples[name].to_numpy(dtype=float) for name in columns))
    return peaks.column().reshape(AXES.shape)


COOL, HOT = (1, 1), (3, 3)  # 2000 rpm and 60; 4000 rpm and 100


@pytest.mark.parametrize("tau_s", [2.0, 3.0, 5.0])
def test_heat_on_the_way_is_that_of_the_cell_before(tau_s: float) -> None:
    """A hold at 980 degC, then one at 700: the second reads 950 and more as it is entered."""
    samples = drive(
        (20, 2000, 60, 700), (20, 4000, 100, 980), (20, 2000, 60, 700), tau_s=tau_s, noise_c=1.0
    )
    plain = channel_peaks(samples, AXES, ("exhaust_temp_c",))["exhaust_temp_c_max"].to_numpy()
    assert plain.reshape(AXES.shape)[COOL] > CEILING  # by the moment of the reading alone
    found = temperatures(samples)
    assert found[COOL] == pytest.approx(700.0, abs=20.0)
    assert found[HOT] == pytest.approx(980.0, abs=10.0)
    assert np.nanmax(np.delete(found.ravel(), [6, 18]), initial=0.0) <= CEILING


def test_the_hot_cell_is_named_though_its_reading_came_after_it() -> None:
    """A short stay at a gas of 1100 degC: with a dead time the sensor peaks after it was left."""
    samples = drive((20, 2000, 60, 700), (2, 4000, 100, 1100), (20, 2000, 60, 700),
                    tau_s=2.5, late_s=1.0)  # fmt: skip
    inside = samples["rpm"].eq(4000)
    assert samples.loc[inside, "exhaust_temp_c"].max() < CEILING
    found = temperatures(samples)
    assert found[HOT] > CEILING
    assert np.nanmax(found) == pytest.approx(samples["exhaust_temp_c"].nlargest(2).iloc[1])


def test_a_cell_that_is_hot_itself_is_hot_after_a_hotter_one() -> None:
    samples = drive((20, 4000, 100, 1000), (20, 3000, 80, 930), noise_c=1.0)
    found = temperatures(samples)
    assert found[2, 2] == pytest.approx(933.0, abs=5.0)
    assert found[HOT] == pytest.approx(1000.0, abs=5.0)


def test_where_a_reading_still_falls_at_the_end_of_a_long_stay_the_end_counts() -> None:
    """From 1000 degC to a gas of 800 for 8 s at tau 6 s: 800 + 200 exp(-8/6) = 853 is its most."""
    samples = drive((30, 4000, 100, 1000), (8, 3000, 80, 800), (20, 1000, 40, 500), tau_s=6.0)
    found = temperatures(samples)
    assert found[2, 2] == pytest.approx(800 + 200 * np.exp(-8 / 6), abs=8.0)
    short = drive((30, 4000, 100, 1000), (4, 3000, 80, 800), (20, 1000, 40, 500), tau_s=6.0)
    assert np.isnan(temperatures(short)[2, 2])  # what the cell itself makes is not known


def test_a_pull_without_a_stop_counts_where_it_was_read_and_just_before() -> None:
    time_s = np.arange(0.0, 8.0, 0.1)
    samples = pd.DataFrame(
        {
            "time_s": time_s,
            "rpm": np.linspace(1000, 5000, len(time_s)),
            "load": 100.0,
            "exhaust_temp_c": np.linspace(600, 1000, len(time_s)),
        }
    )
    found, plain = temperatures(samples), channel_peaks(samples, AXES, ("exhaust_temp_c",))
    plain_table = plain["exhaust_temp_c_max"].to_numpy().reshape(AXES.shape)
    assert (found[:, 3] >= plain_table[:, 3]).all()
    assert plain_table[2, 3] < CEILING < found[2, 3]  # 3000 rpm was left within the last 2 s


def test_where_the_engine_never_rested_readings_on_the_way_stand() -> None:
    samples = drive((20, 2000, 60, 700), (20, 4000, 60, 760))
    found = temperatures(samples)
    assert 650 < found[2, 1] < 720  # 3000 rpm, passed in a quarter of a second


@settings(max_examples=200)
@given(
    st.lists(
        st.tuples(
            st.floats(0.2, 12.0), st.floats(900, 5100), st.floats(30, 130), st.floats(500, 1200)
        ),
        min_size=2,
        max_size=8,
    ),
    st.floats(0.0, 6.0),
    st.floats(0.0, 30.0),
)
def test_a_reading_beyond_the_ceiling_always_shows(legs, tau_s, noise_c) -> None:
    """The highest two readings that fall to one cell show in one, wherever they belong to."""
    samples = drive(*legs, tau_s=tau_s, late_s=0.5, noise_c=noise_c)
    plain = channel_peaks(samples, AXES, ("exhaust_temp_c",))["exhaust_temp_c_max"].to_numpy()
    found = temperatures(samples)
    if np.nanmax(plain) > CEILING:
        assert np.nanmax(found) > CEILING
    if np.nanmax(plain) > HARD:
        assert np.nanmax(found) > HARD


@settings(max_examples=30)
@given(st.lists(st.integers(1, 950), max_size=30))
def test_parts_say_what_the_whole_says(at: list[int]) -> None:
    samples = drive(
        (12, 2000, 60, 700), (9, 4000, 100, 980), (1, 3000, 80, 700), (6, 2000, 60, 950),
        (40, 1000, 40, 400), (20, 4000, 120, 1000), tau_s=15.0, late_s=0.5, noise_c=2.0,
    )  # fmt: skip
    peaks = HeatPeaks(AXES, ceiling_c=CEILING)
    edges = [0, *sorted(set(at)), len(samples)]
    for start, end in pairwise(edges):
        part = samples.iloc[start:end]
        columns = ("time_s", "rpm", "load", "exhaust_temp_c")
        peaks.add(*(part[name].to_numpy(dtype=float) for name in columns))
    np.testing.assert_array_equal(peaks.column().reshape(AXES.shape), temperatures(samples))


def test_a_clock_that_jumps_by_ages_is_no_error() -> None:
    samples = drive((20, 2000, 60, 700), (20, 4000, 100, 980))
    samples.loc[300:, "time_s"] += 1e13
    found = temperatures(samples)
    assert found[COOL] == pytest.approx(700.0, abs=1.0)
    assert found[HOT] > HARD


def hot_setup() -> Setup:
    limits = LimitSettings(ceilings=MappingProxyType({"exhaust_temp": Ceiling(CEILING, HARD)}))
    return Setup(axes=AXES, target=Target(np.ones(AXES.shape)), engine=EngineSettings(),
                 limits=limits)  # fmt: skip


def test_a_reduced_log_has_each_cells_own_temperature_whole_or_in_parts() -> None:
    legs = [(20, 2000, 60, 700), (20, 4000, 100, 980), (20, 2000, 60, 700)] * 3
    samples = drive(*legs, noise_c=1.0).assign(**{"lambda": 1.0, "coolant_temp_c": 90.0})
    whole = reduce_log(samples, name="whole", setup=hot_setup()).peaks["exhaust_temp_c_max"]
    parts = reduce_parts(
        [samples.iloc[:1000], samples.iloc[1000:1300], samples.iloc[1300:]],
        name="parts", setup=hot_setup(),
    ).peaks["exhaust_temp_c_max"]  # fmt: skip
    table = whole.to_numpy().reshape(AXES.shape)
    assert table[COOL] < 720
    assert table[HOT] > HARD
    np.testing.assert_array_equal(whole, parts)
