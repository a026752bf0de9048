"""Finding full-load pulls: against simulated logs whose pulls are known, and by hand-made ones."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tuneassist.runs import RunSettings, find_pulls
from tuneassist.simulate.full_load import (
    FullLoadLog,
    FullLoadPlan,
    simulate_full_load,
    stock_diesel,
    tuned_diesel,
)

PLAN = FullLoadPlan()


def simulated(plan: FullLoadPlan = PLAN, seed: int = 0) -> FullLoadLog:
    return simulate_full_load(tuned_diesel(), plan, rng=np.random.default_rng(seed))


def ramp(
    seconds: float, rpm: tuple[float, float], *, rate: float = 20.0, pedal: float = 100.0
) -> pd.DataFrame:
    """Two seconds of rest, a wide-open ramp without noise, two seconds of rest."""
    n = round(seconds * rate) + 1
    rest = round(2 * rate)
    speed = np.concatenate([np.full(rest, rpm[0]), np.linspace(*rpm, n), np.full(rest, rpm[1])])
    opening = np.concatenate([np.zeros(rest), np.full(n, pedal), np.zeros(rest)])
    return pd.DataFrame(
        {"time_s": np.arange(len(speed)) / rate, "rpm": speed, "pedal_pct": opening}
    )


#: nothing is cut off the ends, so that borders are exact
BARE = RunSettings(edge_share=0.0, settle_after_open_s=0.0)


@pytest.mark.parametrize("rate_hz", [8.0, 20.0, 100.0])
@pytest.mark.parametrize("inertia", [None, 6.0])
def test_every_simulated_pull_is_found_and_nothing_else(
    rate_hz: float, inertia: float | None
) -> None:
    log = simulated(FullLoadPlan(pulls=4, stabs=2, rate_hz=rate_hz, inertia_kg_m2=inertia))
    found = find_pulls(log.samples, name="log")
    assert len(found.pulls) == 4
    for pull in found.pulls:
        truth = log.truth.loc[pull.samples.index, "pull"]
        assert set(truth) == {pull.number}
        assert pull.direction == "rising"
        low, high = pull.rpm_range
        assert low < (1400 if inertia is None else 1500)  # half a second after opening is cut off
        assert high > 4050
    assert [r.name for r in found.refusals] == ["stab", "stab"]


def test_every_row_has_a_fate_and_the_caller_keeps_his_frame() -> None:
    log = simulated()
    before = log.samples.copy()
    found = find_pulls(log.samples)
    pd.testing.assert_frame_equal(log.samples, before)
    assert found.row_states.index.equals(log.samples.index)
    assert set(found.row_states) == {"not wide open", "wide open, no pull", "cut off", "pull"}
    assert (found.row_states == "pull").sum() == sum(len(p.samples) for p in found.pulls)
    assert set(log.truth.loc[found.row_states == "wide open, no pull", "part"]) == {"stab"}


@pytest.mark.parametrize(("seconds", "name"), [(2.0, None), (1.9, "stab")])
def test_a_pull_lasts_two_seconds_and_less_is_a_stab(seconds: float, name: str | None) -> None:
    found = find_pulls(ramp(seconds, (1500, 3500), rate=50.0), settings=BARE)
    assert [r.name for r in found.refusals] == ([] if name is None else [name])
    assert len(found.pulls) == (name is None)


@pytest.mark.parametrize(("top", "name"), [(2500.0, None), (2490.0, "narrow")])
def test_a_pull_goes_through_a_thousand_rpm(top: float, name: str | None) -> None:
    found = find_pulls(ramp(5.0, (1500, top)), settings=BARE)
    assert [r.name for r in found.refusals] == ([] if name is None else [name])
    if name:
        assert found.refusals[0].numbers["span_rpm"] == pytest.approx(top - 1500)


@pytest.mark.parametrize(("rate", "name"), [(4.0, None), (3.8, "sparse")])
def test_a_pull_has_twenty_samples(rate: float, name: str | None) -> None:
    found = find_pulls(ramp(4.8, (1500, 3500), rate=rate), settings=BARE)
    assert [r.name for r in found.refusals] == ([] if name is None else [name])


@pytest.mark.parametrize(("pedal", "number"), [(90.0, 1), (89.9, 0)])
def test_wide_open_is_ninety_percent(pedal: float, number: int) -> None:
    found = find_pulls(ramp(5.0, (1500, 3500), pedal=pedal))
    assert len(found.pulls) == number
    assert [r.name for r in found.refusals] == ([] if number else ["never wide open"])


def test_falling_speed_is_a_pull_of_its_own_direction() -> None:
    found = find_pulls(ramp(6.0, (3800, 1500)))
    assert [p.direction for p in found.pulls] == ["falling"]


def test_a_gear_change_splits_a_pull_in_two() -> None:
    speed = np.concatenate(
        [np.linspace(1500, 4000, 100), np.linspace(4000, 2600, 8), np.linspace(2600, 4000, 100)]
    )
    frame = pd.DataFrame({"time_s": np.arange(len(speed)) / 20.0, "rpm": speed, "pedal_pct": 100.0})
    first, second = find_pulls(frame).pulls
    # half a second after opening, 250 rpm, is cut off, and 2 % of the range at each end
    assert first.rpm_range == (pytest.approx(1750.0, abs=30.0), pytest.approx(3950.0, abs=30.0))
    assert second.rpm_range == (pytest.approx(2628.0, abs=30.0), pytest.approx(3972.0, abs=30.0))


def test_the_limiter_and_the_held_start_are_cut_off() -> None:
    rng = np.random.default_rng(1)
    speed = np.concatenate(
        [np.full(60, 1500.0), np.linspace(1500, 4000, 120), 3950 + 60 * np.sin(np.arange(60))]
    ) + rng.normal(0.0, 3.0, 240)
    frame = pd.DataFrame({"time_s": np.arange(240) / 20.0, "rpm": speed, "pedal_pct": 100.0})
    (pull,) = find_pulls(frame).pulls
    first, last = pull.samples.index[[0, -1]]
    assert 55 <= first <= 65
    assert 175 <= last <= 183


def test_without_pedal_load_tells_and_part_load_does_not_pass() -> None:
    log = simulated(FullLoadPlan(pulls=3, part_load=2))
    found = find_pulls(log.samples.drop(columns="pedal_pct"))
    assert [set(log.truth.loc[p.samples.index, "pull"]) for p in found.pulls] == [{1}, {2}, {3}]
    assert all(p.full_load_channel == "load" for p in found.pulls)
    assert "log the pedal" in found.notes[0]


def test_part_load_at_speeds_without_a_pull_is_no_pull() -> None:
    log = simulated(FullLoadPlan(pulls=1, part_load=0))
    slow = ramp(10.0, (4500, 6000)).assign(load=25.0)
    slow["time_s"] += log.samples["time_s"].max() + 1.0
    frame = pd.concat([log.samples.drop(columns="pedal_pct"), slow.drop(columns="pedal_pct")])
    assert len(find_pulls(frame.reset_index(drop=True)).pulls) == 1


def test_a_flap_that_is_always_open_is_not_taken_for_a_throttle() -> None:
    log = simulated(FullLoadPlan(pulls=2, part_load=2))
    flap = log.samples.drop(columns="pedal_pct").assign(throttle_pct=97.0)
    found = find_pulls(flap)
    assert len(found.pulls) == 2
    assert found.pulls[0].full_load_channel == "load"
    assert "flap" in found.notes[0]


def test_full_load_that_cannot_be_told_is_refused() -> None:
    log = simulated()
    blind = find_pulls(log.samples.drop(columns=["pedal_pct", "load"]))
    assert [r.name for r in blind.refusals] == ["full load not told"]
    no_speed = find_pulls(log.samples.drop(columns="rpm"))
    assert [r.name for r in no_speed.refusals] == ["channel missing"]
    assert "rpm" in no_speed.refusals[0].description


def test_blanks_of_a_mixed_rate_logger_do_not_break_a_pull() -> None:
    log = simulated()
    frame = log.samples.copy()
    frame.loc[frame.index % 4 != 0, "pedal_pct"] = np.nan
    assert len(find_pulls(frame).pulls) == 3
    # a pedal that is silent for longer than it may be held says nothing
    frame.loc[frame.index % 20 != 0, "pedal_pct"] = np.nan
    assert len(find_pulls(frame).pulls) == 0


def test_a_pause_of_the_log_ends_a_pull() -> None:
    frame = ramp(8.0, (1500, 4000))
    broken = frame[(frame["time_s"] < 5.5) | (frame["time_s"] > 6.5)].reset_index(drop=True)
    spans = [p.rpm_range for p in find_pulls(broken).pulls]
    assert all(high < 2600 or low > 2850 for low, high in spans)


@given(st.floats(-1e4, 1e6), st.integers(0, 5))
def test_shifting_time_changes_nothing(shift: float, seed: int) -> None:
    log = simulated(FullLoadPlan(pulls=1, rate_hz=8.0), seed)
    moved = log.samples.assign(time_s=log.samples["time_s"] + round(shift, 2))
    first, second = find_pulls(log.samples), find_pulls(moved)
    assert [list(p.samples.index) for p in first.pulls] == [
        list(p.samples.index) for p in second.pulls
    ]


def test_a_slow_logger_and_noise_do_not_hide_a_pull() -> None:
    plan = replace(FullLoadPlan(), rate_hz=4.0, rpm_noise=15.0, noise_nm=10.0)
    found = 0
    for seed in range(20):
        log = simulate_full_load(stock_diesel(), plan, rng=np.random.default_rng(seed))
        found += len(find_pulls(log.samples).pulls)
    assert found == 60


def staircase(hold_s: float, move_s: float, *, rate: float = 20.0, steps: int = 12) -> pd.DataFrame:
    """A session of holds, 250 rpm apart, in which the highest load at each speed is a hold."""
    corners = np.arange(steps).repeat(2) * (hold_s + move_s)
    corners[1::2] += hold_s
    time = np.arange(0.0, corners[-1], 1.0 / rate)
    rpm = np.interp(time, corners, (1500.0 + 250.0 * np.arange(steps)).repeat(2))
    noisy = rpm + np.random.default_rng(3).normal(0.0, 4.0, len(rpm))
    return pd.DataFrame({"time_s": time, "rpm": noisy, "load": 80.0})


@pytest.mark.parametrize("hold_s", [3.0, 6.0])
@pytest.mark.parametrize("opening", [{}, {"throttle_pct": 100.0}, {"pedal_pct": 100.0}])
def test_a_staircase_of_holds_is_no_pull(hold_s: float, opening: dict[str, float]) -> None:
    frame = staircase(hold_s, 1.0).assign(**opening)
    found = find_pulls(frame, name="session")
    assert not found.pulls
    assert [r.name for r in found.refusals] == ["stands still"]
    assert "steady holds" in found.refusals[0].description


@pytest.mark.parametrize(("hold_s", "number"), [(0.0, 1), (2.2, 1), (2.7, 0)])
def test_a_pull_may_stand_still_for_less_than_a_third_of_its_time(
    hold_s: float, number: int
) -> None:
    # 3 s up, a hold, 2.5 s up: 70 % moving makes the hold 2.36 s; the window of one second sees
    # the ends of the hold as moving
    time = np.arange(0.0, 5.5 + hold_s, 0.02)
    rpm = np.interp(time, [0.0, 3.0, 3.0 + hold_s, 5.5 + hold_s], [1500, 2700, 2700, 3700])
    frame = pd.DataFrame({"time_s": time, "rpm": rpm, "pedal_pct": 100.0})
    bare = replace(BARE, rise_window_s=0.1)
    assert len(find_pulls(frame, settings=bare).pulls) == number


def test_a_slow_sweep_and_a_pull_that_dies_at_the_top_are_pulls() -> None:
    # 20 rpm/s of a slow brake; and a rate that falls to a quarter, as against the wind
    slow = ramp(150.0, (1500, 4500), rate=10.0)
    slow["rpm"] += np.random.default_rng(1).normal(0.0, 4.0, len(slow))
    assert len(find_pulls(slow).pulls) == 1
    time = np.arange(0.0, 10.0, 0.05)
    dying = 1500.0 + 600.0 * time - 22.5 * time**2  # 600 rpm/s down to 150
    frame = pd.DataFrame({"time_s": time, "rpm": dying, "pedal_pct": 100.0})
    assert len(find_pulls(frame).pulls) == 1
