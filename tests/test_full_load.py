"""The truth-known full-load runs: that they are what they say, checked by their own physics."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad, trapezoid

from tuneassist.simulate.full_load import (
    FullLoadPlan,
    TipInPlan,
    TorqueCurve,
    simulate_full_load,
    simulate_tip_ins,
    stock_diesel,
    tuned_diesel,
)

QUIET = FullLoadPlan(noise_nm=0.0, rpm_noise=0.0, repeat_pct=0.0)


def pull_samples(curve: TorqueCurve, plan: FullLoadPlan, pull: int = 1) -> pd.DataFrame:
    log = simulate_full_load(curve, plan, rng=np.random.default_rng(0))
    return log.samples[log.truth["pull"] == pull]


def test_the_two_diesels_are_of_the_size_that_is_common_practice() -> None:
    # common practice, no source: 110 kW and 300 N.m stock, 152 kW and just under 600 N.m tuned
    assert stock_diesel().peak_torque()[0] == pytest.approx(300.0, abs=0.5)
    assert stock_diesel().peak_power()[0] == pytest.approx(110.0, abs=0.5)
    assert 590.0 < tuned_diesel().peak_torque()[0] < 600.0
    assert tuned_diesel().peak_power()[0] == pytest.approx(152.0, abs=0.5)


def test_a_quiet_pull_logs_the_curve_itself_over_the_air() -> None:
    samples = pull_samples(stock_diesel(), replace(QUIET, air_loss=1.05))
    share = np.clip((samples["pedal_pct"] - 5.0) / 95.0, 0.0, 1.0)
    assert np.all(share > 0.98)
    np.testing.assert_allclose(
        samples["torque_nm"], stock_diesel().torque(samples["rpm"].to_numpy()) / 1.05, rtol=1e-12
    )


def test_the_inertia_roller_takes_the_time_that_its_energy_needs() -> None:
    # t = I int dw / T, integrated afresh by quadrature
    plan = replace(QUIET, inertia_kg_m2=5.0, rate_hz=200.0)
    samples = pull_samples(tuned_diesel(), plan)
    duration = float(np.ptp(samples["time_s"]))
    curve, per_rpm = tuned_diesel(), np.pi / 30.0
    wanted = quad(
        lambda rpm: 5.0 * per_rpm / float(curve.torque(np.array(rpm))), 1200, 4200, limit=200
    )[0]
    assert duration == pytest.approx(wanted, abs=0.01)
    # and the work done is the change of kinetic energy, I (w2^2 - w1^2) / 2
    omega = samples["rpm"].to_numpy() * per_rpm
    work = trapezoid(samples["torque_nm"] * omega, samples["time_s"])
    assert work == pytest.approx(2.5 * (omega[-1] ** 2 - omega[0] ** 2), rel=1e-3)


def test_repeats_scatter_by_what_the_plan_says() -> None:
    plan = FullLoadPlan(pulls=200, noise_nm=0.0, rpm_noise=0.0, repeat_pct=0.5, rate_hz=5.0)
    log = simulate_full_load(stock_diesel(), plan, rng=np.random.default_rng(3))
    ratio = log.samples["torque_nm"] / stock_diesel().torque(log.samples["rpm"].to_numpy())
    per_pull = ratio.groupby(log.truth["pull"]).median().drop(index=0)
    # the standard error of a standard deviation of 200 is 5 %
    assert 100.0 * per_pull.std() == pytest.approx(0.5, rel=0.2)


def test_scaled_and_hollow_curves_are_what_they_say() -> None:
    rpm = np.linspace(1200.0, 4200.0, 50)
    np.testing.assert_allclose(
        stock_diesel().scaled(2.0).torque(rpm), 1.02 * stock_diesel().torque(rpm)
    )
    flat = TorqueCurve((1000, 4000), (200, 200), dip_rpm=2500, dip_pct=8.0)
    assert float(flat.torque(np.array(2500.0))) == pytest.approx(184.0)


@pytest.mark.parametrize(
    ("logs", "columns"),
    [("torque", {"torque_nm"}), ("power", {"power_kw"}), ("both", {"torque_nm", "power_kw"}),
     ("neither", set())],
)  # fmt: skip
def test_logs_hold_what_was_asked_for(logs: str, columns: set[str]) -> None:
    samples = pull_samples(stock_diesel(), replace(QUIET, logs=logs))
    assert {"torque_nm", "power_kw"} & set(samples) == columns


def test_the_first_order_step_answers_as_its_formula() -> None:
    plan = TipInPlan(noise_nm=0.0, dead_s=0.1, tau_s=0.3, rate_hz=100.0)
    log = simulate_tip_ins(plan, rng=np.random.default_rng(0))
    time = log.samples["time_s"].to_numpy()
    inside = (time > 5.3) & (time < 8.0)
    # the step begins between the samples at 4.99 and 5.00 s
    wanted = 40.0 + 200.0 * (1.0 - np.exp(-(time[inside] - 5.0 - 0.1) / 0.3))
    assert np.max(np.abs(log.samples["torque_nm"].to_numpy()[inside] - wanted)) < 4.0


def test_the_second_order_step_overshoots_as_its_formula() -> None:
    # overshoot exp(-pi z / sqrt(1 - z^2)) of a second-order step: z 0.4 -> 25.38 %
    plan = TipInPlan(noise_nm=0.0, damping=0.4, frequency_rad_s=8.0, rate_hz=200.0)
    log = simulate_tip_ins(plan, rng=np.random.default_rng(0))
    over = (log.samples["torque_nm"].max() - 240.0) / 200.0
    assert over == pytest.approx(np.exp(-np.pi * 0.4 / np.sqrt(1 - 0.16)), abs=0.002)


def test_one_seed_gives_one_log() -> None:
    first, second = (
        simulate_full_load(stock_diesel(), FullLoadPlan(), rng=np.random.default_rng(7))
        for _ in range(2)
    )
    pd.testing.assert_frame_equal(first.samples, second.samples)
