"""Smoothness, dips and tip-in, against closed forms and simulated truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from tuneassist.runs import NamedSamples, RunSettings, compare_runs, tip_ins
from tuneassist.runs.curves import mean_curves
from tuneassist.runs.drivability import SUMMARY, find_dips, roughness, summarise
from tuneassist.runs.tip_in import STEPS, crossing_s
from tuneassist.settings import EngineSettings
from tuneassist.simulate.full_load import (
    FullLoadPlan,
    TipInPlan,
    TorqueCurve,
    simulate_full_load,
    simulate_tip_ins,
)

DIESEL = EngineSettings(ignition="compression")
SETTINGS = RunSettings()
PLATEAU = TorqueCurve((1000, 4500), (300, 300))


def steps(plan: TipInPlan, seed: int = 0) -> pd.DataFrame:
    log = simulate_tip_ins(plan, rng=np.random.default_rng(seed))
    found = tip_ins(log.samples, side="before", name="log")
    assert found.refusals == ()
    return found.table


# --- smoothness ---------------------------------------------------------------------------------


def test_roughness_of_a_sine_is_its_amplitude_over_root_two() -> None:
    rpm = np.linspace(1200.0, 4200.0, 3000)
    torque = 300.0 + 0.01 * rpm + 6.0 * np.sin(2.0 * np.pi * rpm / 60.0)
    in_nm, in_pct = roughness(rpm, torque, SETTINGS)
    assert in_nm == pytest.approx(6.0 / np.sqrt(2.0), rel=0.01)
    assert in_pct == pytest.approx(100.0 * 6.0 / np.sqrt(2.0) / 327.0, rel=0.02)


def test_a_smooth_curve_has_no_roughness_however_bent() -> None:
    rpm = np.linspace(1200.0, 4200.0, 400)
    assert roughness(rpm, 400.0 - 50.0 * ((rpm - 2400.0) / 1000.0) ** 2, SETTINGS)[0] < 0.02
    assert np.isnan(roughness(rpm[:3], rpm[:3], SETTINGS)).all()


def test_a_rougher_engine_is_rougher_in_newton_metres_and_in_percent() -> None:
    rng = np.random.default_rng(0)
    plan = FullLoadPlan(rate_hz=50.0, noise_nm=1.0, stabs=0, part_load=0)
    smooth, rough = (
        simulate_full_load(PLATEAU, replace(plan, ripple_pct=pct), rng=rng, name=str(pct))
        for pct in (0.0, 3.0)
    )
    table = compare_runs([smooth], [rough], engine=DIESEL).smoothness.set_index("unit")
    assert table.loc["N.m", "change_low"] > 0
    assert table.loc["%", "change_low"] > 0
    # 3 % amplitude is 2.12 % rms; noise of 1 N.m of 300 is added in squares
    assert table.loc["%", "after"] == pytest.approx(np.hypot(3 / np.sqrt(2), 1 / 3), rel=0.06)
    assert (table["n_before"] == 3).all()


# --- dips ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("depth", [6.0, 12.0])
def test_a_dip_is_found_with_its_depth_and_speed(depth: float) -> None:
    rng = np.random.default_rng(1)
    hollow = replace(PLATEAU, dip_rpm=2600.0, dip_pct=depth, dip_width_rpm=150.0)
    plan = FullLoadPlan(rate_hz=50.0, noise_nm=1.5, stabs=0, part_load=0)
    before = simulate_full_load(PLATEAU, plan, rng=rng, name="before")
    after = simulate_full_load(hollow, plan, rng=rng, name="after")
    dips = compare_runs([before], [after], engine=DIESEL).dips
    assert list(dips["side"]) == ["after"]
    row = dips.iloc[0]
    assert row["rpm"] == pytest.approx(2600.0, abs=50.0)
    assert row["depth_pct"] == pytest.approx(depth, rel=0.15)
    assert row["depth_nm"] == pytest.approx(3.0 * depth, rel=0.15)
    assert (row["runs_with"], row["n"]) == (3, 3)
    assert row["low_pct"] <= row["depth_pct"] <= row["high_pct"]


def test_a_hollow_below_three_percent_is_no_dip() -> None:
    hollow = replace(PLATEAU, dip_rpm=2600.0, dip_pct=2.0, dip_width_rpm=150.0)
    plan = FullLoadPlan(noise_nm=0.2, stabs=0, part_load=0)
    log = simulate_full_load(hollow, plan, rng=np.random.default_rng(2))
    assert compare_runs([log], [], engine=DIESEL).dips.empty
    settings = RunSettings(dip_pct=1.5)
    assert len(compare_runs([log], [], settings=settings, engine=DIESEL).dips) == 1


def test_a_dip_is_measured_from_its_lower_shoulder_in_every_run() -> None:
    # shoulders 300 and 280, bottom 252: 28 N.m under the lower, a tenth; second run 310, 290, 261
    rpm = np.arange(2000.0, 2250.0, 50.0)
    runs = [[290.0, 300.0, 252.0, 280.0, 270.0], [300.0, 310.0, 261.0, 290.0, 280.0]]
    curves = pd.concat(
        [
            pd.DataFrame({"side": "after", "log": "a", "pull": k, "rpm": rpm, "torque_nm": torque})
            for k, torque in enumerate(runs)
        ]
    )
    dips = find_dips(mean_curves(curves, SETTINGS), curves, SETTINGS)
    row = dips.iloc[0]
    assert (row["rpm"], row["depth_nm"]) == (2100.0, pytest.approx(28.5))
    assert row["depth_pct"] == pytest.approx(10.0)
    # both runs are a tenth deep: the interval is that point
    assert (row["low_pct"], row["high_pct"]) == (pytest.approx(10.0), pytest.approx(10.0))


# --- tip-in -------------------------------------------------------------------------------------


@pytest.mark.parametrize("tau", [0.15, 0.3, 0.6])
def test_first_order_rise_is_tau_ln_9(tau: float) -> None:
    table = steps(TipInPlan(tau_s=tau, rate_hz=100.0))
    assert len(table) == 4
    np.testing.assert_allclose(table["rise_s"], tau * np.log(9.0), atol=0.02, rtol=0.04)
    # the answer is a twentieth done after dead time and tau ln(1/0.95); the pedal's own tenth
    # falls inside one sample of 0.01 s
    wanted = 0.15 + tau * np.log(1 / 0.95)
    np.testing.assert_allclose(table["first_torque_s"], wanted, atol=0.02)
    assert (table["overshoot_pct"] < 2 * table["overshoot_noise_pct"] + 0.5).all()


@pytest.mark.parametrize("damping", [0.3, 0.5])
def test_second_order_overshoot_is_that_of_the_damping(damping: float) -> None:
    # exp(-pi z / sqrt(1 - z^2)): z 0.3 -> 37.23 %, 0.5 -> 16.30 %
    wanted = {0.3: 37.23, 0.5: 16.30}[damping]
    assert wanted == pytest.approx(
        100.0 * np.exp(-np.pi * damping / np.sqrt(1.0 - damping**2)), abs=5e-3
    )
    plan = TipInPlan(damping=damping, rate_hz=100.0, frequency_rad_s=8.0)
    np.testing.assert_allclose(steps(plan)["overshoot_pct"], wanted, atol=1.0)


def test_the_steps_are_described() -> None:
    row = steps(TipInPlan()).iloc[0]
    assert list(steps(TipInPlan()).columns) == STEPS
    assert row["start_s"] == pytest.approx(5.0, abs=0.03)
    assert row["pedal_from_pct"] == pytest.approx(15.0, abs=0.2)
    assert row["pedal_to_pct"] == pytest.approx(70.0, abs=0.2)
    assert row["torque_to_nm"] == pytest.approx(240.0, abs=0.5)
    assert (row["rpm_from"], row["rpm_to"]) == (1750.0, 2250.0)
    assert row["resolution_s"] == pytest.approx(0.02)


def refused(samples: pd.DataFrame) -> set[str]:
    return {r.name for r in tip_ins(samples, side="before", name="log").refusals}


def test_steps_that_cannot_be_read_are_refused_by_name() -> None:
    samples = simulate_tip_ins(TipInPlan(), rng=np.random.default_rng(3)).samples
    time = samples["time_s"].to_numpy()
    assert refused(samples.drop(columns="pedal_pct")) == {"no pedal"}
    assert refused(samples.drop(columns="torque_nm")) == {"no torque"}
    running_away = samples.assign(rpm=2000.0 + 400.0 * (time % 10.0 - 5.0).clip(min=0.0))
    assert refused(running_away) == {"speed moved"}
    let_go = samples.assign(pedal_pct=samples["pedal_pct"].where(time % 10.0 < 6.2, 15.0))
    assert refused(let_go) == {"pedal not held"}
    flat = samples.assign(torque_nm=100.0 + np.random.default_rng(0).normal(0, 1, len(time)))
    assert refused(flat) == {"no answer"}
    creeping = samples.assign(torque_nm=40.0 + 40.0 * (time % 10.0 - 5.0).clip(min=0.0))
    assert refused(creeping) == {"not settled"}


@pytest.mark.parametrize(("change", "number"), [(9.0, 4), (11.0, 0)])
def test_speed_may_change_by_ten_percent_during_a_step(change: float, number: int) -> None:
    samples = simulate_tip_ins(TipInPlan(), rng=np.random.default_rng(4)).samples
    share = ((samples["time_s"] % 10.0 - 5.0) / 3.0).clip(0.0, 1.0)
    moving = samples.assign(rpm=2000.0 * (1.0 + change / 100.0 * (share - 0.5)))
    assert len(tip_ins(moving, side="before", name="log").table) == number


def test_power_and_throttle_serve_as_well() -> None:
    log = simulate_tip_ins(TipInPlan(), rng=np.random.default_rng(5)).samples
    other = log.rename(columns={"pedal_pct": "throttle_pct"})
    other["power_kw"] = other.pop("torque_nm") * other["rpm"] * np.pi / 30_000.0
    first, second = (tip_ins(s, side="before", name="log").table for s in (log, other))
    np.testing.assert_allclose(second["rise_s"], first["rise_s"], atol=1e-9)


def test_before_and_after_are_compared_over_repeats() -> None:
    before = simulate_tip_ins(TipInPlan(tau_s=0.4), rng=np.random.default_rng(6), name="a")
    after = simulate_tip_ins(TipInPlan(tau_s=0.2), rng=np.random.default_rng(7), name="b")
    found = compare_runs([before], [after], engine=DIESEL)
    row = found.responses.set_index("measure").loc["rise from 10 to 90 %"]
    assert (row["n_before"], row["n_after"]) == (4, 4)
    assert row["change"] == pytest.approx(-0.2 * np.log(9.0), abs=0.03)
    assert row["change_high"] < 0
    first, second = (
        found.steps.loc[found.steps["side"] == side, "rise_s"] for side in ("before", "after")
    )
    wanted = stats.ttest_ind(second, first, equal_var=False).confidence_interval()
    assert (row["change_low"], row["change_high"]) == (
        pytest.approx(wanted.low), pytest.approx(wanted.high),
    )  # fmt: skip


def test_one_step_a_side_has_no_interval_and_says_so() -> None:
    plan = TipInPlan(steps=1)
    logs = [simulate_tip_ins(plan, rng=np.random.default_rng(k), name=str(k)) for k in (1, 2)]
    row = compare_runs(logs[:1], logs[1:], engine=DIESEL).responses.iloc[0]
    assert np.isnan(row["change_low"])
    assert "no interval" in row["method"]


def test_a_log_without_steps_has_an_empty_table() -> None:
    samples = pd.DataFrame({"time_s": np.arange(50.0), "rpm": 2000.0, "pedal_pct": 20.0,
                            "torque_nm": 100.0})  # fmt: skip
    assert tip_ins(samples, side="before", name="log").table.empty
    assert tip_ins(samples[:0], side="before", name="log").refusals[0].name == "no torque"
    found = compare_runs([NamedSamples("log", samples)], [], engine=DIESEL)
    assert list(found.responses.columns) == SUMMARY
    assert summarise(found.steps, {"x": ("rise_s", "s")}, SETTINGS).empty


def test_a_crossing_lies_between_samples() -> None:
    time, values = np.array([0.0, 1.0, 2.0]), np.array([0.0, 4.0, 8.0])
    assert crossing_s(time, values, 0.0) == 0.0
    assert crossing_s(time, values, 5.0) == 1.25
    assert np.isnan(crossing_s(time, values, 9.0))
