"""What to hold next: reach, doubt, order, and the sheet."""

from __future__ import annotations

import io
import itertools
from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.console import Console

from tuneassist.errors import InputError, NoEvidenceError, SetupError
from tuneassist.evidence.cell_table import holds_near
from tuneassist.evidence.lattice import fit_lattice
from tuneassist.evidence.load_envelope import (
    LoadEnvelope,
    band_speeds,
    envelope_of_holds,
    load_limits,
)
from tuneassist.grid import Axes, bilinear_weights
from tuneassist.loop.hold_order import band_of, move_seconds, ordered_holds, short_path
from tuneassist.loop.hold_selection import after_holds, improve_by_exchange
from tuneassist.loop.operating_points import (
    cells_past_ceilings,
    driving_weight,
    operating_point_table,
    visits_per_cell,
)
from tuneassist.loop.plan import Plan, plan_holds
from tuneassist.loop.settings import PlanSettings, RegionWeight
from tuneassist.loop.uncertainty import MapUncertainty, map_uncertainty
from tuneassist.one_log import LogEvidence
from tuneassist.pipeline import Evidence
from tuneassist.reduction import reduce_log
from tuneassist.settings import Ceiling, EngineSettings, LimitSettings, Setup, Target
from tuneassist.show.display import Display
from tuneassist.show.plan import plan_screen

AXES = Axes(
    rpm=np.array([1000.0, 2000, 3000, 4000, 5000, 6000]),
    load=np.array([40.0, 60, 80, 100, 120, 140]),
)
EVERYWHERE = np.full(AXES.size, 100.0)


def setup(**changes: object) -> Setup:
    given_ = {
        "target": Target(np.ones(AXES.shape)),
        "engine": EngineSettings(),
        "limits": LimitSettings(),
        **changes,
    }
    return Setup(axes=AXES, **given_)  # type: ignore[arg-type]


def evidence(rpm: np.ndarray, load: np.ndarray, **columns: np.ndarray) -> Evidence:
    """Evidence with a fit of a sloping surface to holds at these places, 0.4 % scatter."""
    rng = np.random.default_rng(3)
    need = 0.02 * (rpm - 3500) / 2500 + 0.03 * (load - 90) / 50 + rng.normal(0, 0.004, len(rpm))
    fit = fit_lattice(AXES, bilinear_weights(AXES, rpm, load), need, np.full(len(rpm), 1e-3))
    holds = pd.DataFrame(
        {"rpm": rpm, "load": load, "samples": 60, "within_se": 1e-3, "is_used": True}
    )
    return Evidence(undisputed(**columns), holds, fit, ())


def undisputed(**columns: np.ndarray) -> pd.DataFrame:
    nothing = {"is_disputed": False, "ci_low_pct": 0.0, "ci_high_pct": 0.0}
    return pd.DataFrame({"rpm": AXES.cell_rpm(), "load": AXES.cell_load(), **nothing, **columns})


def half_known() -> Evidence:
    """Forty holds, all of them below 3500 rpm."""
    rng = np.random.default_rng(5)
    return evidence(rng.uniform(1000, 3500, 40), rng.uniform(40, 140, 40))


# -- doubt ------------------------------------------------------------------------------------


def test_a_hold_shrinks_doubt_as_bayes_rule_says():
    """Rank-one updates against the textbook posterior, C - C H'(H C H' + R)^-1 H C."""
    rng = np.random.default_rng(1)
    root = rng.normal(size=(6, 6))
    covariance = root @ root.T
    noise = rng.uniform(0.1, 1.0, 5)
    doubt = MapUncertainty(covariance, noise, np.full(5, 0.2))
    chosen = [3, 0, 3]
    after = doubt
    for point in chosen:
        after = after.after(point)
    h = np.zeros((3, 6))
    h[np.arange(3), chosen] = 1.0
    h[:, 5] = 1.0
    inner = h @ covariance @ h.T + np.diag(noise[chosen])
    expected = covariance - covariance @ h.T @ np.linalg.inv(inner) @ h @ covariance
    np.testing.assert_allclose(after.covariance, expected, atol=1e-9)
    np.testing.assert_allclose(after.without(0).after(0).covariance, expected, atol=1e-9)
    assert doubt.gains()[3] == pytest.approx(doubt.total - doubt.after(3).total)


def test_doubt_is_the_fits_own_covariance_read_between_breakpoints():
    known = half_known()
    places = pd.DataFrame({"rpm": [1500.0, 5500.0], "load": [50.0, 130.0], "weight": 1.0})
    doubt = map_uncertainty(known, places, axes=AXES, kind="aim", settings=PlanSettings())
    assert known.fit is not None
    weights = bilinear_weights(AXES, places["rpm"], places["load"]).toarray()
    expected = np.sqrt(np.diag(weights @ known.fit.covariance @ weights.T))
    np.testing.assert_allclose(doubt.standard_error, expected)
    assert doubt.standard_error[1] > 2.0 * doubt.standard_error[0]


# -- notes ------------------------------------------------------------------------------------


def test_a_map_that_is_known_well_enough_needs_no_holds_and_that_is_said_first():
    known = half_known()
    short = plan_holds(known, setup=setup(), minutes=5, visits=EVERYWHERE)
    for enough, is_said in ((short.doubt_before_pct, True), (short.doubt_before_pct - 1e-6, False)):
        made = plan_holds(
            known,
            setup=setup(),
            minutes=5,
            settings=PlanSettings(enough_pct=enough),
            visits=EVERYWHERE,
        )
        assert any("no further holds needed" in note for note in made.notes) == is_said
    fall = made.doubt_before_pct - made.doubt_after_pct
    made = plan_holds(
        known, setup=setup(), minutes=5, settings=PlanSettings(enough_pct=99.0), visits=EVERYWHERE
    )
    assert f"would take another {fall:.2f} % off" in made.notes[0]


def test_cells_without_evidence_beyond_what_was_driven_are_named_with_the_reason():
    known = half_known()
    words = np.full(AXES.size, "good", dtype=object)
    words[[0, 34, 35]] = "none"  # 1000 rpm at 40 lies within reach, 6000 rpm at 120 and 140 do not
    visits = EVERYWHERE.copy()
    visits[[34, 35]] = 0.0
    known.cells["confidence"] = words
    target = np.ones(AXES.shape)
    said = " ".join(
        plan_holds(known, setup=setup(target=Target(target)), minutes=5, visits=visits).notes
    )
    assert "2 cells without evidence are out of reach" in said
    assert "6000 rpm, 120 kPa; 6000 rpm, 140 kPa." in said
    assert "1000 rpm" not in said
    target[5, 5] = np.nan  # left alone: nothing is missing there
    said = " ".join(
        plan_holds(known, setup=setup(target=Target(target)), minutes=5, visits=visits).notes
    )
    assert "1 cell without evidence is out of reach" in said
    assert "6000 rpm, 140" not in said


def test_a_list_that_stops_at_its_cap_says_so():
    rules = PlanSettings(max_holds=4)
    made = plan_holds(half_known(), setup=setup(), minutes=60, settings=rules, visits=EVERYWHERE)
    assert len(made.holds) == 4
    assert any("stops at 4 holds" in note and "plan.max_holds" in note for note in made.notes)
    short = plan_holds(half_known(), setup=setup(), minutes=2, visits=EVERYWHERE)
    assert not any("stops at" in note for note in short.notes)


def test_where_no_hold_is_worth_its_time_that_is_said_and_no_more_time_is_asked_for():
    rules = PlanSettings(min_gain_share=1.0)  # no single hold removes all of the uncertainty
    for minutes in (5, 600):
        with pytest.raises(NoEvidenceError, match=r"No further holds needed.*min_gain_share"):
            plan_holds(
                half_known(), setup=setup(), minutes=minutes, settings=rules, visits=EVERYWHERE
            )
    with pytest.raises(InputError, match="too short"):  # where one would, it is a matter of time
        plan_holds(half_known(), setup=setup(), minutes=0.1, visits=EVERYWHERE)


# -- reach ------------------------------------------------------------------------------------


def test_holds_stay_where_samples_have_been():
    visits = np.zeros(AXES.shape)
    visits[1:4, :3] = 50.0
    visits[5, 5] = 2.0  # one sample less than a visit
    plan = plan_holds(None, setup=setup(), minutes=10, visits=visits)
    assert plan.holds["rpm"].between(1500, 4500).all()
    assert plan.holds["load"].between(40, 90).all()


def test_reach_may_grow_by_half_a_cell_and_no_more():
    visits = np.zeros(AXES.shape)
    visits[2, 2] = 50.0
    known = Evidence(pd.DataFrame(), pd.DataFrame(), None, ())
    wide = operating_point_table(
        known, setup=setup(), settings=PlanSettings(reach_cells=1.0), visits=visits
    )
    assert (wide["rpm"].min(), wide["rpm"].max()) == (2000, 4000)
    with pytest.raises(SetupError, match="reach_cells"):
        PlanSettings(reach_cells=1.01)


def test_a_passed_ceiling_bars_its_cell_and_more_load_at_that_speed():
    heat = np.full(AXES.shape, 700.0)
    heat[3, 2] = 900.0  # 4000 rpm, 80: exactly at the ceiling
    heat[1, 2] = 899.9  # just below is no breach
    limits = LimitSettings(ceilings=MappingProxyType({"exhaust_temp": Ceiling(900.0)}))
    car = setup(limits=limits)
    known = evidence(*random_places(60), exhaust_temp_c_max=heat.ravel())
    barred = np.zeros(AXES.shape, dtype=bool)
    barred[3, 2:] = True
    np.testing.assert_array_equal(cells_past_ceilings(known.cells, car), barred)
    plan = plan_holds(known, setup=car, minutes=60, visits=EVERYWHERE)
    near = plan.holds["rpm"].between(3001, 4999) & plan.holds["load"].gt(60)
    assert not near.any()
    assert plan.holds["rpm"].between(1500, 2500).any()
    assert any("ceiling" in note for note in plan.notes)


def random_places(n: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(11)
    return rng.uniform(1000, 6000, n), rng.uniform(40, 140, n)


def test_the_rev_limit_is_kept_with_its_margin():
    car = setup(engine=EngineSettings(rev_limit_rpm=5200))
    plan = plan_holds(None, setup=car, minutes=30, visits=EVERYWHERE)
    assert plan.holds["rpm"].max() == 5000.0  # 5200 less the margin of 200 is still allowed
    tight = PlanSettings(rev_margin_rpm=201)
    plan = plan_holds(None, setup=car, minutes=30, visits=EVERYWHERE, settings=tight)
    assert plan.holds["rpm"].max() < 5000.0


def test_cells_without_a_target_are_left_alone():
    table = np.ones(AXES.shape)
    table[:, 4:] = np.nan
    plan = plan_holds(None, setup=setup(target=Target(table)), minutes=30, visits=EVERYWHERE)
    assert plan.places["load"].max() < 120
    assert plan.holds["load"].max() < 120


def driven_setup() -> Setup:
    return setup(engine=EngineSettings(rev_limit_rpm=6500))


def driven_log(rpm: np.ndarray, load: np.ndarray) -> LogEvidence:
    """A warm log at these speeds and loads, lambda at target."""
    samples = pd.DataFrame(
        {
            "time_s": 0.1 * np.arange(len(rpm)),
            "rpm": rpm,
            "load": load,
            "lambda": 1.0,
            "coolant_temp_c": 90.0,
        }
    )
    return reduce_log(samples, name="drive", setup=driven_setup())


def highest_within_a_gap(rpm: np.ndarray, load: np.ndarray, at_rpm: float) -> float:
    near = np.abs(rpm - at_rpm) <= 1000.0  # every gap of AXES
    return float(load[near].max()) if near.any() else -np.inf


@pytest.mark.parametrize("pedal", ["pedal_pct", "throttle_pct"])
@pytest.mark.parametrize("estimate_rows", [100_000, 1_000])  # whole, and part by part
def test_no_hold_is_asked_for_at_a_load_that_was_met_only_on_overrun(
    pedal: str, estimate_rows: int
) -> None:
    rng = np.random.default_rng(5)
    rpm = np.concatenate([rng.uniform(1500, 6000, 1500), rng.uniform(1500, 6000, 600)])
    load = np.concatenate([rng.uniform(60.0, 95.0, 1500), rng.uniform(39.0, 45.0, 600)])
    wish = np.concatenate([rng.uniform(15.0, 60.0, 1500), np.zeros(600)])
    samples = pd.DataFrame(
        {"time_s": 0.1 * np.arange(2100), "rpm": rpm, "load": load, "lambda": 1.0, pedal: wish,
         "coolant_temp_c": 90.0}
    )  # fmt: skip
    car = driven_setup()
    car = replace(car, steady=replace(car.steady, estimate_rows=estimate_rows))
    lowest = {}
    for name, frame in (("overrun", samples), ("no pedal", samples.drop(columns=pedal))):
        log = reduce_log(frame, name="drive", setup=car)
        assert log.driven is not None
        lowest[name] = log.driven["load_low"].min()
        known = Evidence(undisputed(), log.holds.assign(is_used=False), None, (log,))
        holds = plan_holds(known, setup=car, minutes=120).holds
        asked = holds["load"].min()
        assert (asked >= 60.0) == (name == "overrun"), asked  # 60 is the least with the pedal down
    assert lowest["overrun"] == pytest.approx(60.0, abs=1.5)
    assert lowest["no pedal"] < 45.0  # nothing tells of the overrun there


#: Highest load of a turbo engine that has no boost at 1000 rpm and all of it from 2500 on.
FULL_LOAD = ([1000.0, 1600, 2500, 6000], [85.0, 95, 140, 140])


def test_full_load_at_middle_speed_is_not_asked_for_at_low_speed():
    """Part load down to 1000 rpm, and one downshift that passes 1400 rpm at 120 kPa."""
    rng = np.random.default_rng(2)
    rpm = np.concatenate([rng.uniform(900, 6100, 2000), np.linspace(2600, 1400, 36)])
    load = 39.0 + (np.interp(rpm, *FULL_LOAD) - 39.0) * rng.uniform(0, 1.01, len(rpm))
    load[-36:] = 120.0
    log = driven_log(rpm, load)
    assert log.visits is not None
    assert log.visits.reshape(AXES.shape)[0, 4] >= 3  # nearest to 1000 rpm and 120 kPa
    known = Evidence(undisputed(), log.holds.assign(is_used=False), None, (log,))
    holds = plan_holds(known, setup=driven_setup(), minutes=120).holds
    assert holds.loc[holds["rpm"].eq(1000.0), "load"].max() < 90.0
    assert holds.loc[holds["rpm"].between(2500, 5000), "load"].max() >= 130.0
    blind = replace(known, logs=())
    asked = plan_holds(blind, setup=driven_setup(), minutes=120, visits=log.visits).holds
    assert asked.loc[asked["rpm"].eq(1000.0), "load"].max() > 110.0  # by the cells alone


@settings(max_examples=25)
@given(st.integers(0, 10**6), st.integers(3, 40))
def test_no_planned_hold_lies_above_what_was_driven_within_a_gap_of_its_speed(seed, legs):
    rng = np.random.default_rng(seed)
    corner_rpm = rng.uniform(900, 6400, legs)
    corner_load = 35 + (np.interp(corner_rpm, *FULL_LOAD) - 35) * rng.uniform(0, 1, legs)
    at = np.linspace(0, legs - 1, 25 * legs)
    rpm = np.interp(at, np.arange(legs), corner_rpm)
    load = np.interp(at, np.arange(legs), corner_load)
    log = driven_log(rpm, load)
    known = Evidence(undisputed(), log.holds.assign(is_used=False), None, (log,))
    try:
        holds = plan_holds(known, setup=driven_setup(), minutes=200).holds
    except NoEvidenceError:
        return
    for at_rpm, at_load in holds[["rpm", "load"]].to_numpy():
        assert at_load <= highest_within_a_gap(rpm, load, at_rpm)
        assert at_load >= -highest_within_a_gap(rpm, -load, at_rpm)
        assert rpm.min() - 125.0 <= at_rpm <= rpm.max() + 125.0  # half a band of speed


def test_two_wild_readings_are_no_reach():
    rpm, load = np.full(300, 2000.0), np.linspace(50, 90, 300)
    for wild, is_reached in ((2, False), (3, True)):
        load[:wild] = 138.0
        log = driven_log(rpm, load)
        assert log.driven is not None
        assert (log.driven["load_high"].max() > 100) == is_reached


def test_speeds_more_than_a_gap_apart_say_nothing_about_those_between():
    at = np.repeat([1000.0, 3000.0, 5000.0], 3)
    load = np.tile([50.0, 70.0, 90.0], 3)
    low, high = load_limits(AXES, envelope_of_holds(AXES, at, load))
    known = np.isfinite(high)
    speeds = band_speeds(AXES)
    assert set(speeds[known]) == {1000.0, 3000.0, 5000.0}
    low, high = load_limits(
        AXES, envelope_of_holds(AXES, np.array([1000.0, 2500]), np.array([60.0, 120]))
    )
    assert set(speeds[np.isfinite(high)]) == {1000.0, 1750.0, 2500.0}  # within a gap of both
    assert high[3] == pytest.approx(90.0)  # halfway between 60 and 120
    assert low[3] == high[3]


def test_a_log_of_which_only_the_holds_are_kept_reaches_as_far_as_they_do():
    log = driven_log(np.linspace(1000, 6000, 600), np.interp(np.arange(600), [0, 599], [50, 120]))
    places = {"rpm": [1000.0, 2000, 2000, 3000], "load": [60.0, 60, 100, 80]}
    old = replace(log, driven=None, holds=pd.DataFrame(places | {"samples": 50}))
    known = Evidence(undisputed(), old.holds.assign(is_used=False, within_se=1e-3), None, (old,))
    table = operating_point_table(known, setup=setup(), settings=PlanSettings(), visits=EVERYWHERE)
    found = table.groupby("rpm")["load"].max().to_dict()
    assert found == {1000.0: 60.0, 1500.0: 80.0, 2000.0: 100.0, 2500.0: 90.0, 3000.0: 80.0}


def test_reach_is_the_same_however_the_log_is_cut():
    rng = np.random.default_rng(3)
    rpm, load = rng.uniform(600, 7000, 5000), rng.uniform(20, 160, 5000)
    load[rng.integers(0, 5000, 300)] = np.nan
    whole, parts = (LoadEnvelope(AXES, margin_cells=0.5) for _ in range(2))
    whole.add(rpm, load)
    for start in range(0, 5000, 7):
        parts.add(rpm[start : start + 7], load[start : start + 7])
    pd.testing.assert_frame_equal(whole.table(), parts.table())
    near = np.abs(rpm - 2000) <= 125
    assert (
        whole.table().set_index("rpm").loc[2000.0, "load_high"]
        == np.sort(load[near & (load <= 150)])[-3]
    )


def test_without_counts_the_holds_and_what_lies_between_them_are_the_reach():
    rpm = np.array([1000.0, 2000, 3000, 1000, 2000, 3000])
    load = np.array([40.0, 40, 40, 100, 100, 100])
    holds = pd.DataFrame({"rpm": rpm, "load": load, "samples": 30})
    visits = visits_per_cell(Evidence(pd.DataFrame(), holds, None, ()), AXES).reshape(AXES.shape)
    assert (visits[:3, :4] >= 3).all()  # 60 and 80 had no hold but were crossed
    assert (visits[3:] == 0).all()
    assert (visits[:, 4:] == 0).all()


# -- choice -----------------------------------------------------------------------------------


def test_holds_go_where_nothing_is_known():
    plan = plan_holds(
        half_known(), setup=setup(), minutes=5, visits=EVERYWHERE,
        settings=PlanSettings(top_weight=1.0),
    )  # fmt: skip
    assert plan.holds["rpm"].gt(3500).mean() > 0.5  # the others tie the session to what is known
    assert plan.holds["doubt_pct"].mean() > 1.2 * plan.places["doubt_before_pct"].mean()
    assert plan.doubt_after_pct < 0.7 * plan.doubt_before_pct
    assert not plan.is_spread


def test_promised_doubt_is_what_a_fit_of_those_holds_would_have():
    """The promise against an independent reckoning of the posterior at fixed strengths."""
    known = half_known()
    rules = PlanSettings(max_holds=10)
    plan = plan_holds(known, setup=setup(), minutes=60, visits=EVERYWHERE, settings=rules)
    fit = known.fit
    assert fit is not None
    h = bilinear_weights(AXES, plan.holds["rpm"], plan.holds["load"]).toarray()
    r = (fit.hold_scatter**2 + 1e-6) * np.eye(len(h)) + fit.log_scatter**2
    gain = fit.covariance @ h.T @ np.linalg.inv(h @ fit.covariance @ h.T + r)
    after = fit.covariance - gain @ h @ fit.covariance
    w = bilinear_weights(AXES, plan.places["rpm"], plan.places["load"]).toarray()
    variance = np.diag(w @ after @ w.T)
    expected = 100 * np.sqrt(np.average(variance, weights=plan.places["weight"]))
    assert plan.doubt_after_pct == pytest.approx(expected, rel=1e-6)


def test_exchanges_come_near_the_best_of_all_choices():
    """From the three worst places, against all 220 choices of three out of twelve."""
    place = np.random.default_rng(4).uniform(0, 4, (12, 2))
    square = np.sum((place[:, None] - place[None]) ** 2, axis=2)
    covariance = np.zeros((13, 13))
    covariance[:12, :12] = np.exp(-0.5 * square)
    covariance[12, 12] = 0.01
    doubt = MapUncertainty(covariance, np.full(12, 0.05), np.full(12, 1 / 12))
    totals = {
        three: after_holds(doubt, list(three)).total
        for three in itertools.combinations(range(12), 3)
    }
    worst = max(totals, key=lambda three: totals[three])
    allowed = np.ones(12, dtype=bool)
    found = improve_by_exchange(doubt, list(worst), allowed, price=None)
    assert after_holds(doubt, found).total <= 1.02 * min(totals.values())
    allowed[found[0]] = False
    start = [point for point in range(12) if allowed[point]][:3]
    assert allowed[improve_by_exchange(doubt, start, allowed, price=None)].all()
    dear = np.where(np.isin(np.arange(12), worst), 1.0, 2.0)
    assert sorted(improve_by_exchange(doubt, list(worst), allowed, price=dear)) == sorted(worst)


def test_against_a_floor_holds_go_where_it_may_be_undercut():
    """Rich at high load, clear of the floor by 35 % and more at low load."""
    rpm, load = random_places(60)
    need = 0.6 - 0.7 * (load - 40) / 100
    noisy = need + np.random.default_rng(6).normal(0, 0.004, 60)
    own = np.full(60, 1e-3)
    scale = np.exp(-noisy)
    fit = fit_lattice(
        AXES, bilinear_weights(AXES, rpm, load), -np.expm1(-noisy), own * scale, scale=scale
    )
    holds = pd.DataFrame({"rpm": rpm, "load": load, "samples": 60, "within_se": own})
    known = Evidence(undisputed(), holds.assign(is_used=True), fit, ())
    places = pd.DataFrame({"rpm": 3500.0, "load": [40.0, 80.0, 140.0], "weight": 1.0})
    doubt = map_uncertainty(known, places, axes=AXES, kind="floor", settings=PlanSettings())
    np.testing.assert_allclose(doubt.weight, [0.0, 0.0, 1.0], atol=0.01)
    car = setup(target=Target(np.full(AXES.shape, 1.3), kind="floor"))
    rules = PlanSettings(max_holds=12)
    plan = plan_holds(known, setup=car, minutes=60, visits=EVERYWHERE, settings=rules)
    assert plan.holds["load"].gt(90).mean() > 0.8


def test_a_disputed_cell_is_held_again_before_others():
    rpm, load = random_places(60)
    cell = 14
    at = (AXES.cell_rpm()[cell], AXES.cell_load()[cell])
    odd = np.arange(AXES.size) == cell
    spread = {"is_disputed": odd, "ci_high_pct": np.where(odd, 5.0, 0.0)}
    known = evidence(rpm, load, **spread)
    few = PlanSettings(max_holds=3)
    for what, is_held in ((known, True), (evidence(rpm, load), False)):
        holds = plan_holds(what, setup=setup(), minutes=60, visits=EVERYWHERE, settings=few).holds
        assert ((holds["rpm"] == at[0]) & (holds["load"] == at[1])).any() == is_held


def test_a_cell_that_waits_to_be_leaned_is_held_before_others():
    rpm, load = random_places(60)
    cell = 14
    at = (AXES.cell_rpm()[cell], AXES.cell_load()[cell])
    known = evidence(rpm, load, waits_in_boost=np.arange(AXES.size) == cell)
    few = PlanSettings(max_holds=3)
    for what, is_held in ((known, True), (evidence(rpm, load), False)):
        holds = plan_holds(what, setup=setup(), minutes=60, visits=EVERYWHERE, settings=few).holds
        assert ((holds["rpm"] == at[0]) & (holds["load"] == at[1])).any() == is_held


def test_chosen_holds_beat_random_ones_of_the_same_number():
    known, rules = half_known(), PlanSettings(max_holds=12)
    plan = plan_holds(known, setup=setup(), minutes=60, visits=EVERYWHERE, settings=rules)
    doubt = map_uncertainty(known, plan.places, axes=AXES, kind="aim", settings=rules)
    rng = np.random.default_rng(2)
    random = []
    for _ in range(50):
        left = doubt
        for point in rng.choice(len(plan.places), 12, replace=False):
            left = left.after(int(point))
        random.append(100 * np.sqrt(left.total))
    assert plan.doubt_after_pct < min(random)


def test_with_no_fit_holds_are_spread_over_all_of_the_reach():
    rules = PlanSettings(max_holds=36, top_weight=1.0)
    plan = plan_holds(None, setup=setup(), minutes=60, visits=EVERYWHERE, settings=rules)
    assert plan.is_spread
    held = plan.holds[["rpm", "load"]].to_numpy() / [1000.0, 20.0]
    cells = np.stack([AXES.cell_rpm() / 1000.0, AXES.cell_load() / 20.0], axis=1)
    away = np.abs(cells[:, None] - held[None]).max(axis=2).min(axis=1)
    assert away.max() <= 1.0  # no breakpoint is farther than one cell from a hold
    assert any("spread evenly" in note for note in plan.notes)


@pytest.mark.parametrize(("holds", "is_spread"), [(11, True), (12, False)])
def test_a_fit_is_believed_from_enough_holds_on(holds: int, is_spread: bool):
    rpm, load = (
        m.ravel()[:holds] for m in np.meshgrid([1000.0, 3000, 5000, 6000], [40.0, 90, 140])
    )
    known = evidence(rpm, load)
    assert known.fit is not None
    known = replace(known, fit=replace(known.fit, is_surface=True))
    plan = plan_holds(known, setup=setup(), minutes=10, visits=EVERYWHERE)
    assert plan.is_spread is is_spread


def test_a_region_of_weight_zero_gets_no_holds_for_its_own_sake():
    regions = (RegionWeight(rpm=(3501, 9000), load=(0, 999), weight=0.0),)
    plan = plan_holds(
        None, setup=setup(), minutes=5, visits=EVERYWHERE, settings=PlanSettings(regions=regions)
    )
    assert plan.holds["rpm"].max() <= 4000  # the point beside it still tells about it
    with pytest.raises(NoEvidenceError, match="weight 0"):
        plan_holds(
            None, setup=setup(), minutes=5, visits=EVERYWHERE,
            settings=PlanSettings(regions=(RegionWeight((0, 9999), (0, 999), 0.0),)),
        )  # fmt: skip


def test_low_and_middle_speeds_weigh_most_by_default():
    rpm = np.linspace(1000, 6000, 51)
    weight = driving_weight(AXES, rpm, np.full(51, 60.0), PlanSettings())
    assert (weight[rpm <= 3500] == 1.0).all()
    assert weight[-1] == pytest.approx(0.3)
    assert (np.diff(weight) <= 1e-12).all()


# -- time and order ---------------------------------------------------------------------------


@given(minutes=st.floats(0.5, 40.0), rest=st.floats(0, 60), holds=st.integers(1, 30))
def test_a_plan_never_takes_longer_than_the_time_there_is(minutes, rest, holds):
    rules = PlanSettings(rest_s=rest, max_holds=holds)
    plan = plan_holds(None, setup=setup(), minutes=minutes, visits=EVERYWHERE, settings=rules)
    assert 0 < plan.total_s <= 60 * minutes
    assert len(plan.holds) <= holds
    last = plan.holds.iloc[-1]
    assert last["start_s"] + last["hold_s"] == pytest.approx(plan.total_s)
    assert not plan.holds.duplicated(["rpm", "load"]).any()


def test_time_too_short_for_one_hold_is_refused():
    with pytest.raises(InputError, match="one hold takes 13 s"):
        plan_holds(None, setup=setup(), minutes=0.2, visits=EVERYWHERE)
    assert len(plan_holds(None, setup=setup(), minutes=0.217, visits=EVERYWHERE).holds) == 1


def test_nothing_logged_and_no_reach_is_refused():
    with pytest.raises(NoEvidenceError, match="within the engine's reach"):
        plan_holds(None, setup=setup(), minutes=10)


def test_light_load_comes_first_and_heavy_holds_are_rested_between():
    rules = PlanSettings()
    rpm, load = random_places(40)
    holds = ordered_holds(rpm, load, axes=AXES, highest_load=140.0, settings=rules)
    assert sorted(holds["point"]) == list(range(40))
    heavy = holds.index[holds["band"].eq("heavy")]
    assert (
        holds.loc[: heavy[0] - 1, "band"].eq("light").sum()
        >= 0.35 * holds["band"].eq("light").sum()
    )
    assert holds.loc[heavy[0] :, "band"].isin(["heavy", "light"]).all()
    ends = holds["start_s"] + holds["hold_s"]
    for before, after in itertools.pairwise(heavy):
        assert holds.loc[after, "start_s"] - ends[before] >= rules.rest_s - 1e-9
    filled = [after - before > 1 for before, after in itertools.pairwise(heavy)]
    assert any(filled)  # light holds stand in rests, and shorten the waiting
    waits = holds.loc[heavy[1:], "rest_s"].to_numpy()
    assert waits[np.array(filled)].max() < waits[~np.array(filled)].min()


def test_bands_begin_at_their_share_of_the_highest_load():
    rules = PlanSettings(middle_share=0.45, heavy_share=0.65)
    assert band_of(np.array([44.9, 45.0, 64.9, 65.0]), 100.0, rules).tolist() == [0, 1, 1, 2]


def test_a_move_takes_its_price():
    """1 s to ask, 2 s for each of 2000 rpm, 0.5 s for each of three load breakpoints: 6.5 s."""
    cost = move_seconds(AXES, np.array([1000.0, 3000]), np.array([40.0, 100]), PlanSettings())
    assert cost[0, 1] == pytest.approx(6.5)


def test_a_short_path_is_near_the_shortest_of_all():
    """Against all 5,040 orders of seven further points."""
    rng = np.random.default_rng(8)
    for _ in range(5):
        place = rng.uniform(size=(8, 2))
        cost = np.linalg.norm(place[:, None] - place[None], axis=2)
        paths = ((0, *rest) for rest in itertools.permutations(range(1, 8)))
        best = min(sum(cost[a, b] for a, b in itertools.pairwise(p)) for p in paths)
        found = short_path(cost, 0)
        assert sorted(found) == list(range(8))
        assert sum(cost[a, b] for a, b in itertools.pairwise(found)) <= 1.15 * best


def test_no_turned_section_shortens_the_path():
    rng = np.random.default_rng(9)
    place = rng.uniform(size=(25, 2))
    cost = np.linalg.norm(place[:, None] - place[None], axis=2)

    def length(path: list[int]) -> float:
        return sum(cost[a, b] for a, b in itertools.pairwise(path))

    path = short_path(cost, 4)
    assert path[0] == 4
    for i, j in itertools.combinations(range(1, 25), 2):
        turned = path[:i] + path[i : j + 1][::-1] + path[j + 1 :]
        assert length(turned) >= length(path) - 1e-9


@pytest.mark.parametrize(
    ("name", "value"),
    [("hold_s", 2.9), ("rest_s", -1.0), ("heavy_share", 1.1), ("middle_share", 0.7),
     ("max_holds", 0), ("move_s", float("inf")), ("floor_clear_pct", -1.0)],
)  # fmt: skip
def test_settings_out_of_range_are_refused_by_name(name: str, value: float):
    with pytest.raises(SetupError, match=f"plan.{name}"):
        PlanSettings(**{name: value})


# -- what is shown ----------------------------------------------------------------------------


def test_holds_near_are_those_that_confidence_counts():
    """One meaning of near: a hold that touches the cell or one of its eight neighbours."""
    known = evidence(np.array([2900.0, 4030.0, 4800.0]), np.array([80.0, 80.0, 120.0]))
    stopped = known.holds.iloc[:1].assign(stop="lean")
    holds = pd.concat([known.holds.assign(stop=""), stopped], ignore_index=True)
    plan = plan_holds(
        replace(known, holds=holds), setup=setup(), minutes=200, visits=EVERYWHERE,
        settings=PlanSettings(max_holds=200, min_gain_share=0.0),
    )  # fmt: skip
    weights = bilinear_weights(AXES, known.holds["rpm"], known.holds["load"])
    said = holds_near(weights, AXES).reshape(AXES.shape)
    # by hand, at 80 kPa: 2900 rpm touches 2000 and 3000, 4030 only 4000 (its weight at 5000 is
    # 0.03); at 100 kPa also 4800, which touches 4000 and 5000 at 120
    assert said[:, 2].tolist() == [1, 1, 2, 2, 1, 0]
    assert said[:, 3].tolist() == [1, 1, 3, 3, 2, 1]
    at = plan.holds.set_index(["rpm", "load"])["holds_near"]
    for row, rpm in enumerate(AXES.rpm):
        for column, load in enumerate(AXES.load):
            if (rpm, load) in at.index:
                assert at[rpm, load] == said[row, column]
    words = plan.holds["why"].str.split().str[0].replace("no", "0").astype(int)
    assert words.tolist() == plan.holds["holds_near"].tolist()
    assert plan.holds["holds_near"].max() == 3


def test_a_line_of_the_plan_fits_80_columns_in_any_unit():
    wide = replace(AXES, load=AXES.load / 1.1 - 101.0, load_unit="mbar gauge")
    plan = plan_holds(
        half_known(), setup=setup(), minutes=60, visits=EVERYWHERE,
        settings=PlanSettings(hold_s=120.0),
    )  # fmt: skip
    holds = plan.holds.assign(load=-123.4, doubt_pct=100.0, doubt_after_pct=99.9, holds_near=1234)
    shown = plan_screen(
        replace(plan, holds=holds.assign(rest_s=100.0, start_s=59999.0)),
        setup=replace(setup(), axes=wide), display=Display(),
    )  # fmt: skip
    console = Console(width=80, record=True, file=io.StringIO())
    console.print(shown)
    lines = console.export_text().splitlines()
    table = lines[lines.index("What to hold next, in this order") + 1 :][: len(plan.holds) + 2]
    assert table[1].split()[0] == "1"
    assert table[-2].split()[0] == str(len(plan.holds))  # one line each
    assert table[-1].lstrip().startswith("near:")


# -- the sheet --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("count", "ignition"), [(1, "spark"), (29, "compression"), (60, "spark"), (90, "compression")]
)
def test_the_sheet_is_one_page_with_every_hold_and_nothing_cut_off(count: int, ignition: str):
    pytest.importorskip("matplotlib")
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    from tuneassist.show.plan_sheet import CAUTION, plan_sheet
    from tuneassist.show.plots import picture

    car = setup(engine=EngineSettings(label="a $5 car", ignition=ignition))
    rules = PlanSettings(max_holds=count, min_gain_share=0.0)
    plan = plan_holds(None, setup=car, minutes=200, visits=EVERYWHERE, settings=rules)
    figure = plan_sheet(plan, setup=car, is_simulated=True)
    renderer = FigureCanvasAgg(figure).get_renderer()
    page = figure.bbox
    texts = [text.get_text() for text in figure.texts]
    assert CAUTION[ignition] in texts
    assert any("simulated data" in text for text in texts)
    for text in figure.texts:
        box = text.get_window_extent(renderer)
        assert box.x0 >= 0
        assert box.x1 <= page.x1
    listed = [
        cell.get_text().get_text()
        for frame in figure.axes
        for table in frame.tables
        for (row, column), cell in table.get_celld().items()
        if row > 0 and column == 0
    ]
    assert sorted(map(int, listed)) == list(range(1, len(plan.holds) + 1))
    assert picture(figure, "png").startswith(b"\x89PNG")
    pdf = picture(figure, "pdf")
    assert pdf.count(b"/Type /Page\n") + pdf.count(b"/Type /Page ") == 1


def _texts(figure, renderer):
    """All text that is drawn, but for the cells of the tables, with its place on the page."""
    from matplotlib.text import Text

    in_tables = {
        cell.get_text()
        for frame in figure.axes
        for table in frame.tables
        for cell in table.get_celld().values()
    }
    for found in figure.findobj(Text):
        is_drawn = found.get_visible() and found.get_text().strip() and found not in in_tables
        if is_drawn and (found.axes is None or found.axes.axison):
            yield found.get_text(), found.get_window_extent(renderer)


def _sheet(count: int, steps: int, notes: tuple[str, ...], label: str):
    from tuneassist.show.plan_sheet import plan_sheet

    axes = Axes(
        rpm=np.linspace(1000.0, 6500.0, steps), load=np.linspace(-4.35, 25.25, steps),
        load_name="manifold pressure " * 9, load_unit="psi gauge",
    )  # fmt: skip
    number = np.arange(1, count + 1)
    at = pd.DataFrame({"rpm": np.resize(axes.rpm, count), "load": np.resize(axes.load, count)})
    at["load"] += 0.5 * np.diff(axes.load)[0] * (number % 3)
    holds = at.assign(number=number, start_s=13.0 * number, hold_s=12.0, rest_s=28.0, band="heavy")
    places = at.assign(is_allowed=number % 2 > 0, doubt_before_pct=1.0)
    plan = Plan(holds, places, 1.0, 0.5, 13.0 * count, False, notes=notes)
    car = Setup(axes=axes, target=Target(np.ones(axes.shape)), engine=EngineSettings(label=label))
    return plan_sheet(plan, setup=car, is_simulated=True)


@pytest.mark.parametrize(
    ("count", "steps", "notes", "label"),
    [
        (60, 12, ("cells without evidence are out of reach and not listed: " * 7,), "a car"),
        (120, 20, ("a long note that says this and that " * 9,) * 6, "A $5 car " + "W" * 200),
    ],
)
def test_on_the_sheet_no_text_is_cut_off_and_none_lies_over_another(count, steps, notes, label):
    pytest.importorskip("matplotlib")
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    figure = _sheet(count, steps, notes, label)
    renderer = FigureCanvasAgg(figure).get_renderer()
    figure.draw(renderer)
    page = figure.bbox
    found = list(_texts(figure, renderer))
    for words, box in found:
        assert box.x0 >= 0 and box.x1 <= page.x1 and box.y0 >= 0 and box.y1 <= page.y1, words
    for (words, box), (others, other) in itertools.combinations(found, 2):
        assert not box.overlaps(other), (words, others)
    for frame in figure.axes:
        for table in frame.tables:
            for cell in table.get_celld().values():
                wide = cell.get_text().get_window_extent(renderer).width
                assert wide <= cell.get_window_extent(renderer).width, cell.get_text().get_text()
    said = " ".join(words for words, _ in found)
    assert ("30 more holds are listed by tuneassist plan" in " ".join(said.split())) == (count > 90)
