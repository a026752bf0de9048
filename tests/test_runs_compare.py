"""The whole comparison on simulated cars: truth recovered, limits named, refusals said."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tuneassist.runs import (
    AirState,
    NamedSamples,
    Pull,
    Refusal,
    RunsComparison,
    RunSettings,
    compare,
    compare_runs,
    refusals_frame,
)
from tuneassist.settings import Ceiling, EngineSettings, LimitSettings, default_limits
from tuneassist.simulate.full_load import (
    FullLoadLog,
    FullLoadPlan,
    TorqueCurve,
    simulate_full_load,
    stock_diesel,
    tuned_diesel,
)

DIESEL, PETROL = EngineSettings(ignition="compression"), EngineSettings(ignition="spark")
PLAN = FullLoadPlan()
WATCHED = ("boost_kpa", "exhaust_temp_c", "lambda")


def log(curve: TorqueCurve, name: str, plan: FullLoadPlan = PLAN, seed: int = 0) -> FullLoadLog:
    return simulate_full_load(curve, plan, rng=np.random.default_rng(seed), name=name)


def compared(plan: FullLoadPlan = PLAN, **settings: object) -> RunsComparison:
    return compare_runs(
        [log(stock_diesel(), "stock", plan, 1)],
        [log(tuned_diesel(), "tuned", plan, 2)],
        settings=RunSettings(**settings),  # type: ignore[arg-type]
        engine=DIESEL,
    )


def peak(found: RunsComparison, side: str, quantity: str) -> pd.Series:
    table = found.peaks.set_index(["side", "quantity"])
    return table.loc[(side, quantity)]


def test_a_diesel_of_common_size_is_recovered_from_110_kw_and_300_nm_to_152_and_600() -> None:
    # 110 kW, 300 N.m stock; 152 kW, just under 600 N.m tuned, with a clutch rated to 900 N.m:
    # common practice, no source
    found = compared(replace(PLAN, pulls=5, repeat_pct=0.3))
    for side, curve in (("before", stock_diesel()), ("after", tuned_diesel())):
        torque, power = peak(found, side, "torque"), peak(found, side, "power")
        assert torque["peak"] == pytest.approx(curve.peak_torque()[0], rel=0.006)
        assert power["peak"] == pytest.approx(curve.peak_power()[0], rel=0.006)
        assert torque["low"] < torque["peak"] < torque["high"]
    assert peak(found, "before", "power")["peak"] == pytest.approx(110.0, abs=1.0)
    assert peak(found, "before", "torque")["peak"] == pytest.approx(300.0, abs=3.0)
    assert peak(found, "after", "power")["peak"] == pytest.approx(152.0, abs=1.0)
    assert peak(found, "after", "torque")["peak"] == pytest.approx(597.0, abs=4.0)
    assert peak(found, "after", "torque")["peak"] < 900.0
    assert peak(found, "after", "torque")["rpm"] == pytest.approx(1900.0, abs=100.0)


def test_the_gain_holds_the_true_gain_at_nearly_every_speed() -> None:
    found = compared()
    gain = found.gain[(found.gain["n_before"] == 3) & (found.gain["n_after"] == 3)]
    rpm = gain["rpm"].to_numpy()
    true = tuned_diesel().torque(rpm) - stock_diesel().torque(rpm)
    assert np.abs(gain["gain_nm"] - true).max() < 8.0
    is_held = (gain["gain_low_nm"] <= true) & (true <= gain["gain_high_nm"])
    assert is_held.mean() > 0.8
    driven = found.driven.iloc[0]
    speeds = np.arange(1600.0, 2601.0, 10.0)
    wanted = float(np.mean(tuned_diesel().torque(speeds) - stock_diesel().torque(speeds)))
    assert driven["low"] <= wanted <= driven["high"]


@pytest.mark.parametrize("logs", ["torque", "power", "both", "neither"])
@pytest.mark.parametrize("rate_hz", [10.0, 50.0])
def test_torque_comes_from_whatever_tells_it(logs: str, rate_hz: float) -> None:
    # a quiet speed signal: acceleration is its derivative
    plan = replace(PLAN, logs=logs, inertia_kg_m2=8.0, rate_hz=rate_hz, rpm_noise=0.3)
    found = compared(plan, inertia_kg_m2=8.0 if logs == "neither" else None)
    assert set(found.pulls["torque_from"]) == {
        {"both": "torque", "neither": "inertia"}.get(logs, logs)
    }
    # the dependence of torque on air and repeat is in the acceleration too
    assert peak(found, "after", "torque")["peak"] == pytest.approx(596.0, rel=0.02)
    assert peak(found, "before", "power")["peak"] == pytest.approx(110.0, rel=0.02)


def test_torque_that_cannot_be_told_is_a_refusal_for_each_pull() -> None:
    found = compared(replace(PLAN, logs="neither"))
    assert not found.is_usable
    assert [r.name for r in found.refusals].count("no torque or power") == 6


# --- standard air -------------------------------------------------------------------------------


def test_a_thin_day_is_corrected_back_by_the_standard() -> None:
    # 97 kPa dry, 308 K: alpha_a 1.04529 (references 2.1); the engine gives 1/1.04529 of its torque
    thin = replace(PLAN, air_loss=1.04529, barometer_kpa=97.0, air_temp_c=34.85, repeat_pct=0.1)
    fair = replace(PLAN, barometer_kpa=99.0, air_temp_c=24.85, repeat_pct=0.1)
    before, after = log(stock_diesel(), "fair", fair, 1), log(stock_diesel(), "thin", thin, 2)
    options = {"engine": PETROL, "limits": LimitSettings()}
    as_measured = RunSettings(different_air="as measured")
    plain = compare_runs([before], [after], settings=as_measured, **options)  # type: ignore[arg-type]
    assert plain.driven.iloc[0]["gain_pct"] == pytest.approx(100 * (1 / 1.04529 - 1), abs=0.4)
    settings = RunSettings(standard="iso1585", relative_humidity_pct=0.0)
    found = compare_runs([before], [after], settings=settings, **options)  # type: ignore[arg-type]
    assert found.is_corrected
    assert found.driven.iloc[0]["gain_pct"] == pytest.approx(0.0, abs=0.4)
    by_side = found.pulls.groupby("side")["factor"].mean()
    assert by_side["after"] == pytest.approx(1.04529, abs=5e-6)
    assert by_side["before"] == pytest.approx(1.0)
    curve = found.curves.iloc[-1]
    assert curve["torque_nm"] == pytest.approx(curve["factor"] * curve["measured_torque_nm"])


def test_outside_the_range_no_side_is_corrected_and_the_factor_is_shown() -> None:
    thin = replace(PLAN, barometer_kpa=93.3, air_temp_c=39.85)
    logs = [log(stock_diesel(), "fair", PLAN, 1)], [log(stock_diesel(), "thin", thin, 2)]
    settings = RunSettings(standard="iso1585", relative_humidity_pct=0.0)
    found = compare_runs(*logs, settings=settings, engine=PETROL)
    assert not found.is_corrected
    assert (found.curves["factor"] == 1.0).all()
    outside = [r for r in found.refusals if r.name == "outside the standard's range"]
    assert [r.where for r in outside] == [f"after, thin, pull {k}" for k in (1, 2, 3)]
    assert outside[0].numbers["factor"] == pytest.approx(1.10586, abs=5e-6)
    assert any("3 of 6 pulls" in note for note in found.notes)
    forced = compare_runs(*logs, settings=replace(settings, apply_beyond_range=True), engine=PETROL)
    assert forced.is_corrected
    assert len([r for r in forced.refusals if r.name == "outside the standard's range"]) == 3


def test_given_air_stands_above_the_log_and_a_charged_engine_is_warned_of() -> None:
    settings = RunSettings(standard="din70020")
    logs = [log(stock_diesel(), "a", PLAN, 1)], [log(stock_diesel(), "b", PLAN, 2)]
    air = AirState(98.0, 29.85, source="workshop's barometer")
    found = compare_runs(*logs, settings=settings, engine=DIESEL, air_before=air)
    by_side = found.pulls.groupby("side")["factor"].mean()
    assert by_side["before"] == pytest.approx(1.05116, abs=5e-6)  # DIN 70020, references 2.3
    assert any(note.startswith("after, b: The engine is charged") for note in found.notes)
    assert "workshop's barometer" in found.pulls.iloc[0]["conditions"]


def test_no_barometer_no_correction() -> None:
    plain = log(stock_diesel(), "a", PLAN, 1)
    blind = NamedSamples("b", plain.samples.drop(columns="barometer_kpa"))
    found = compare_runs([blind], [], settings=RunSettings(standard="din70020"), engine=DIESEL)
    assert not found.is_corrected
    assert {"no air state"} <= {r.name for r in found.refusals}
    assert len(found.curves)


# --- limits along the pull ----------------------------------------------------------------------


def test_each_breach_is_named_with_its_speed() -> None:
    plan = replace(PLAN, exhaust_c=775.0, boost_kpa=130.0, lambda_at_low=1.10)
    found = compare_runs([], [log(tuned_diesel(), "tuned", plan)], engine=DIESEL)
    breaches = found.breaches[found.breaches["pull"] == 1].set_index("limit_name")
    assert set(breaches.index) == {
        "exhaust_temp ceiling", "exhaust_temp hard ceiling", "boost ceiling", "smoke floor",
    }  # fmt: skip
    # exhaust 775 - 220 (1 - revs share): above 720 from revs 0.75, 3450 rpm; 760 from 0.932, 3995
    assert breaches.loc["exhaust_temp ceiling", "rpm_from"] == pytest.approx(3450, abs=40)
    assert breaches.loc["exhaust_temp hard ceiling", "rpm_from"] == pytest.approx(3995, abs=40)
    # lambda 1.10 + 0.2 revs: below 1.15 up to revs 0.25, 1950 rpm; worst at the bottom
    floor = breaches.loc["smoke floor"]
    assert floor["rpm_to"] == pytest.approx(1950, abs=40)
    assert floor["rpm_at_worst"] == found.pulls.iloc[0]["rpm_from"]
    for row in breaches.itertuples():
        assert f"{row.rpm_at_worst:.0f} rpm" in row.words
    quiet = found.limit_checks[~found.limit_checks["is_breach"].astype(bool)]
    assert set(quiet["limit_name"]) == {"leanest lambda"}


def test_a_single_wild_sample_is_no_breach_and_two_are() -> None:
    plain = log(stock_diesel(), "a", replace(PLAN, pulls=1, exhaust_c=600.0)).samples
    middle = plain.index[(plain["rpm"] > 2400) & (plain["pedal_pct"] > 95)][0]
    for wild, number in ((1, 0), (2, 2)):
        samples = plain.copy()
        samples.loc[middle : middle + wild - 1, "exhaust_temp_c"] = 999.0
        found = compare_runs([NamedSamples("a", samples)], [], engine=DIESEL)
        assert len(found.breaches) == number  # ceiling and hard ceiling
        if number:
            assert found.breaches.iloc[0]["rpm_from"] == pytest.approx(2410, abs=25)


def test_a_limit_whose_channel_is_not_logged_was_not_watched_and_that_is_said() -> None:
    plain = log(stock_diesel(), "a").samples.drop(columns=["exhaust_temp_c", "lambda"])
    found = compare_runs([NamedSamples("a", plain)], [], engine=DIESEL)
    unwatched = [r.description for r in found.refusals if r.name == "limit not watched"]
    assert len(unwatched) == 4  # exhaust ceiling and hard ceiling, smoke floor, leanest lambda
    assert any("exhaust temp is not logged" in words for words in unwatched)


def test_boost_is_gauge_whatever_was_logged() -> None:
    plain = log(stock_diesel(), "a").samples
    absolute = plain.assign(manifold_pressure_kpa=plain["boost_kpa"] + 99.0)
    by_barometer = absolute.drop(columns="boost_kpa")
    by_default = by_barometer.drop(columns="barometer_kpa")
    limits = replace(default_limits("compression"), barometer_kpa=100.0)
    worst = {}
    for name, samples in (("gauge", plain), ("both", by_barometer), ("default", by_default)):
        found = compare_runs([NamedSamples(name, samples)], [], engine=DIESEL, limits=limits)
        watched = found.limit_checks[found.limit_checks["limit_name"] == "boost ceiling"]
        worst[name] = watched["worst"].max()
        assert any("No barometer" in note for note in found.notes) is (name == "default")
    assert worst["both"] == pytest.approx(worst["gauge"])
    assert worst["default"] == pytest.approx(worst["gauge"] - 1.0)


def test_lean_in_boost_holds_for_spark_ignition_and_only_in_boost() -> None:
    plain = log(stock_diesel(), "a", replace(PLAN, boost_kpa=60.0)).samples
    lean = plain.assign(**{"lambda": 1.02})
    limits = LimitSettings(ceilings={"torque": Ceiling(1000.0)})
    for boost, number in ((60.0, 3), (0.0, 0)):
        samples = lean.assign(boost_kpa=boost)
        found = compare_runs([NamedSamples("a", samples)], [], engine=PETROL, limits=limits)
        assert list(found.breaches["limit_name"]) == ["leanest lambda in boost"] * number
    # nothing tells whether it is in boost: then it may be
    blind = NamedSamples("a", lean.drop(columns="boost_kpa"))
    assert len(compare_runs([blind], [], engine=PETROL, limits=limits).breaches) == 3


# --- what is said -------------------------------------------------------------------------------


def test_one_log_given_twice_is_one_run() -> None:
    plain = log(stock_diesel(), "a", replace(PLAN, pulls=1))
    found = compare_runs([plain, plain], [], engine=DIESEL)
    assert len(found.pulls) == 1
    assert [r.name for r in found.refusals if r.name == "copy"] == ["copy"]
    assert "copy of before, a, pull 1" in refusals_frame(found.refusals)["description"].str.cat()


def test_logs_of_one_name_are_runs_of_their_own() -> None:
    logs = [log(stock_diesel(), "run", replace(PLAN, pulls=1), seed) for seed in (1, 2)]
    found = compare_runs(logs, [], engine=DIESEL)
    assert set(found.curves["log"]) == {"run", "run (2)"}
    assert found.mean["n"].max() == 2


def test_one_run_a_side_gives_a_gain_without_an_interval() -> None:
    found = compared(replace(PLAN, pulls=1))
    assert found.is_usable
    assert found.gain["gain_low_nm"].isna().all()
    assert np.isfinite(found.gain["noise_low_nm"]).all()
    assert found.driven["low"].isna().all()
    assert found.equivalence().verdict == "cannot tell"
    assert "at least 1 more run" in found.equivalence().statement


def test_nothing_given_is_no_error() -> None:
    found = compare_runs([], [])
    assert not found.is_usable
    assert found.breaches.empty
    assert found.equivalence().verdict == "cannot tell"


def test_the_logs_are_left_as_they_were() -> None:
    plain = log(stock_diesel(), "a")
    copy = plain.samples.copy()
    compare_runs([plain], [plain], engine=DIESEL, settings=RunSettings(standard="din70020"))
    pd.testing.assert_frame_equal(plain.samples, copy)


def test_rising_and_falling_pulls_together_are_said() -> None:
    up = log(stock_diesel(), "up", replace(PLAN, pulls=1, stabs=0, part_load=0)).samples
    down = up.assign(rpm=up["rpm"].to_numpy()[::-1], torque_nm=up["torque_nm"].to_numpy()[::-1],
                     pedal_pct=up["pedal_pct"].to_numpy()[::-1])  # fmt: skip
    found = compare_runs([NamedSamples("up", up), NamedSamples("down", down)], [], engine=DIESEL)
    assert list(found.pulls["direction"]) == ["rising", "falling"]
    assert any("one direction only" in note for note in found.notes)


def test_an_untouched_car_is_equivalent_and_a_touched_one_is_different() -> None:
    plan = replace(PLAN, pulls=4, repeat_pct=0.4)
    before = [log(stock_diesel(), "standard", plan, 1)]
    same = compare_runs(before, [log(stock_diesel(), "fitted", plan, 2)], engine=DIESEL)
    assert same.equivalence().verdict == "equivalent"
    touched = log(stock_diesel().scaled(5.0), "fitted", plan, 3)
    other = compare_runs(before, [touched], engine=DIESEL).equivalence()
    assert other.verdict == "different"
    torque = other.bands[other.bands["channel"] == "torque"]
    assert torque["mean_difference"].mean() == pytest.approx(5.0, abs=0.8)
    assert set(torque["verdict"]) == {"different"}


def test_the_channels_run_along_the_mean_curve() -> None:
    found = compared()
    for name in WATCHED:
        assert found.mean[name].notna().all()
    # lambda 1.25 + 0.2 revs
    at = found.mean[(found.mean["side"] == "before") & (found.mean["rpm"] == 2700.0)].iloc[0]
    assert at["lambda"] == pytest.approx(1.35, abs=0.02)


# --- damaged logs -------------------------------------------------------------------------------


@pytest.mark.parametrize("value", [np.nan, 0.0, -1.0, 100.0])
@pytest.mark.parametrize("column", ["time_s", "rpm", "pedal_pct", "torque_nm", "barometer_kpa"])
def test_a_dead_channel_is_refused_in_words_and_never_a_fault(column: str, value: float) -> None:
    good = log(stock_diesel(), "good", seed=1)
    dead = NamedSamples("dead", good.samples.assign(**{column: value}))
    settings = RunSettings(standard="din70020")
    found = compare_runs([dead], [good], settings=settings, engine=DIESEL)
    assert found.equivalence().verdict in ("cannot tell", "different")
    told = refusals_frame(found.refusals)
    dead_pulls = (found.pulls["side"] == "before").sum()
    is_said = told["where"].str.startswith("before, dead").any()
    assert is_said
    if column in ("time_s", "rpm"):
        assert dead_pulls == 0
    if column == "barometer_kpa" and value != 100.0:
        assert not found.is_corrected


def test_whole_second_stamps_and_a_repeating_index_do_not_hide_pulls() -> None:
    good = log(stock_diesel(), "good").samples
    stamped = good.assign(time_s=np.floor(good["time_s"]))
    repeating = good.set_axis(np.zeros(len(good), dtype=int))
    for samples in (stamped, repeating):
        assert len(compare_runs([NamedSamples("log", samples)], [], engine=DIESEL).pulls) == 3


def test_the_steps_that_pulls_open_are_those_that_a_look_at_every_pull_finds() -> None:
    rng = np.random.default_rng(3)
    rules = RunSettings()
    first = np.cumsum(rng.uniform(8.0, 20.0, 40))
    pulls = [
        Pull("x", n, pd.DataFrame({"time_s": [start, start + 6.0]}), "rising", "pedal_pct")
        for n, start in enumerate(first, start=1)
    ]
    at = np.append(rng.uniform(0.0, first[-1] + 20.0, 300), [first[0] - rules.response_s, first[5]])
    steps = [Refusal("speed moved", "", {"start_s": float(time)}) for time in at]
    wanted = [any(a - rules.response_s <= t <= a + 6.0 for a in first) for t in at]
    assert 50 < sum(wanted) < 290
    assert compare._starts_a_pull(steps, pulls, rules).tolist() == wanted
    assert not compare._starts_a_pull([Refusal("no pedal", ""), *steps], [], rules).any()
