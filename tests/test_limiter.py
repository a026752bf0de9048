"""The limiter: closest within all rules at once, and every rule seen to be needed."""

import importlib.util
from dataclasses import replace
from pathlib import Path

import cvxpy as cp
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tuneassist.correction import check_grid, limit_step, projection, propose_raw, rules
from tuneassist.correction.limiter import weights
from tuneassist.correction.limiter_input import build_limiter_input
from tuneassist.correction.projection import project
from tuneassist.correction.ruleset import assemble
from tuneassist.errors import RuleBreachError
from tuneassist.grid import Axes, Grid, compose_pct
from tuneassist.settings import (
    Ceiling,
    CorrectionSettings,
    EngineSettings,
    Region,
    Setup,
    Target,
    default_limits,
)

_spec = importlib.util.spec_from_file_location(
    "limits_benchmark", Path(__file__).parents[1] / "benchmarks" / "limits.py"
)
bench = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(bench)
CENTRE = 4  # of three by three
BOOST_LOADS = (120.0, 150.0, 180.0)
HOT = {"exhaust_temp": Ceiling(900.0, 950.0)}
DIESEL_AIR = {"ignition": "compression", "acts_on": "boost"}


def lean(amount=10.0, **more):
    return {"deviation_pct": amount, **more}


def limit(changes=None, *, current=None, **setting):
    cells, setup = bench.crafted(changes, **setting)
    grid = Grid.zeros(setup.axes) if current is None else Grid(setup.axes, current)
    return limit_step(cells, current=grid, setup=setup)


def test_boost_is_not_leaned_where_no_hold_touches_the_cell_whatever_its_moving_samples_tell():
    known = lean(-5.0, worth=6.0, own_high_pct=-3.0)
    held = limit({CENTRE: {**known, "holds": 1}}, load=BOOST_LOADS)
    passed = limit({CENTRE: {**known, "holds": 0}}, load=BOOST_LOADS)
    assert held.step_pct.ravel()[CENTRE] < -1.0
    assert passed.step_pct.ravel()[CENTRE] == 0.0
    assert "the hold in the cell itself" in passed.reasons[CENTRE]


# --- random cases -------------------------------------------------------------------------------


def test_random_triples_hold_every_rule_and_behave():
    # the benchmark has more of them, and every run of the tests on a new machine takes 2000
    found, _ = bench.run(seed=20, start=0, stop=500, every=4)
    assert found == []


def as_modelled(wanted, weight, case_rules):
    """The same problem in a general modeller's words, solved by an operator-splitting method."""
    grid = cp.Variable(len(wanted))
    first, second = case_rules.pairs.T
    apart = grid[first] - grid[second]
    problem = cp.Problem(
        cp.Minimize(cp.sum(cp.multiply(weight / weight.max(), cp.square(grid - wanted)))),
        [
            grid >= case_rules.lower,
            grid <= case_rules.upper,
            apart <= case_rules.pair_upper,
            apart >= case_rules.pair_lower,
        ],
    )
    accuracy = {"eps_abs": 1e-11, "eps_rel": 1e-11, "max_iter": 400_000, "polishing": True}
    problem.solve(solver=cp.OSQP, **accuracy)
    assert problem.status == cp.OPTIMAL
    return grid.value


def test_projection_equals_the_general_modellers_answer():
    # oracle: cvxpy with OSQP (ADMM), another method and library than the limiter's
    shared = 0
    for number in range(400):
        cells, current, setup = bench.random_case(np.random.default_rng([30, number]))
        inputs = build_limiter_input(cells, current=current, setup=setup)
        case_rules, weight = assemble(inputs), weights(cells, setup)
        wanted = inputs.value_at(1 + inputs.raw / 100)
        clipped = np.clip(wanted, case_rules.lower, case_rules.upper)
        answer = project(wanted, weight, case_rules)
        moving = case_rules.upper - case_rules.lower > 1e-9
        is_shared = (np.abs(answer - clipped) > 1e-3).sum() > 1
        if not (is_shared and moving.sum() > 1 and len(case_rules.pairs)):
            continue
        shared += 1
        assert answer == pytest.approx(as_modelled(wanted, weight, case_rules), abs=1e-6)
        if shared == 60:
            return
    pytest.fail(f"only {shared} cases put a slope rule to work")


def test_two_cells_share_a_slope_by_their_precision():
    # two cells ask for +8 and -8 and may differ by 10; standard errors 0.5 and 1.0, weights 4 : 1.
    # Lagrange: g1 = 8 - m/4, g2 = -8 + m/1, g1 - g2 = 10 -> m = 4.8, g1 = 6.8, g2 = -3.2
    changes = {0: lean(8.0), 1: lean(-8.0, se_pct=1.0)}
    changes |= {cell: {"confidence": "none"} for cell in range(2, 9)}
    result = limit(changes, max_slope_load_pct=10.0)
    assert result.grid.flat()[:2] == pytest.approx([6.8, -3.2])
    assert result.projected[:2] == pytest.approx([6.8, -3.2], abs=1e-9)


# --- properties ---------------------------------------------------------------------------------

percents = st.floats(-30, 30, allow_subnormal=False)


@settings(max_examples=60, deadline=None)
@given(percents, st.floats(0.1, 20), st.floats(0, 10), st.sampled_from(sorted(bench.WIDER)))
def test_a_wider_rule_never_gives_a_lone_cell_a_smaller_move(deviation, bound, more, key):
    changes = {cell: {"confidence": "none"} for cell in range(9)}
    changes[CENTRE] = lean(deviation)
    base = {"leanest_lambda": 0.9, "boost_leanest_lambda": 0.9, "richest_lambda": 0.9}.get(key, 0.0)
    way, size = (np.sign(bench.WIDER[key]), 0.01) if base else (1, 1)
    narrow, wide = base + way * size * bound, base + way * size * (bound + more)
    load = BOOST_LOADS if key == "boost_leanest_lambda" else (40.0, 60.0, 80.0)
    moves = [limit(changes, load=load, **{key: v}).step_pct[CENTRE] for v in (narrow, wide)]
    assert abs(moves[1]) >= abs(moves[0]) - 1e-9
    assert not np.delete(limit(changes, load=load, **{key: wide}).step_pct, CENTRE).any()


@settings(max_examples=60, deadline=None)
@given(st.lists(percents, min_size=9, max_size=9), st.lists(percents, min_size=9, max_size=9))
def test_no_cell_moves_against_or_beyond_its_own_need(deviations, held):
    changes = {cell: lean(value) for cell, value in enumerate(deviations)}
    cells, setup = bench.crafted(changes, max_slope_rpm_pct=4.0, max_slope_load_pct=3.0)
    result = limit_step(cells, current=Grid(setup.axes, np.reshape(held, (3, 3))), setup=setup)
    raw = cells["raw_pct"].to_numpy()
    assert (np.abs(result.step_pct) <= np.abs(raw) + 1e-6).all()
    assert (result.step_pct * raw >= 0).all()


@settings(max_examples=40, deadline=None)
@given(st.lists(percents, min_size=9, max_size=9), st.integers(0, 8))
def test_a_one_way_cell_never_moves_the_wrong_way(deviations, hot):
    changes = {cell: lean(value) for cell, value in enumerate(deviations)}
    changes[hot] |= {"exhaust_temp_c_max": 960.0, "torque_nm_max": 500.0}
    near = np.zeros((3, 3), dtype=bool)
    row, column = divmod(hot, 3)
    near[max(row - 1, 0) : row + 2, max(column - 1, 0) : column + 2] = True
    ceilings = {**HOT, "torque": Ceiling(400.0)}
    assert (limit(changes, ceilings=ceilings).step_pct[near.ravel()] >= 0).all()
    for acts_on in ("fuel", "boost"):
        diesel = limit(changes, ceilings=ceilings, ignition="compression", acts_on=acts_on)
        assert (diesel.step_pct[near.ravel()] <= 0).all()


def test_without_evidence_nothing_changes_even_on_a_broken_grid():
    changes = {cell: lean(20.0, confidence="none") for cell in range(9)}
    wild = np.array([[50.0, -50.0, 7.03], [0.0, 99.0, np.nan], [3.0, -20.0, 1.0]])
    result = limit(changes, current=wild, max_slope_rpm_pct=1.0, max_total_pct=5.0)
    assert np.array_equal(result.grid.values, wild, equal_nan=True)
    assert not result.step_pct.any()
    assert result.binding.empty


def test_a_grid_that_breaks_every_slope_still_has_an_answer():
    wild = np.array([[40.0, -40.0, 40.0], [-40.0, 40.0, -40.0], [40.0, -40.0, 40.0]])
    changes = {cell: lean(20.0 if cell % 2 else -20.0) for cell in range(9)}
    cells, setup = bench.crafted(changes, max_slope_rpm_pct=2.0, max_slope_load_pct=2.0)
    current = Grid(setup.axes, wild)
    result = limit_step(cells, current=current, setup=setup)
    assert (np.abs(result.grid.values) < np.abs(wild)).all()
    assert check_grid(result.grid, current=current, setup=setup, cells=cells) == ()


@pytest.mark.parametrize(("deviation", "given_back"), [(5.07, 5.0), (-5.07, -5.0), (0.7, 0.7)])
def test_rounding_is_toward_no_change(deviation, given_back):
    assert limit({CENTRE: lean(deviation)}).grid.flat()[CENTRE] == pytest.approx(given_back)


def test_rounding_never_leaves_a_value_off_the_lattice_but_may_leave_it_alone():
    # current 3.14; +0.03 would be 3.17: the next value that the controller takes below is 3.1
    current = np.zeros((3, 3))
    current[1, 1] = 3.14
    change = {CENTRE: lean(0.03, confidence="good")}
    cells, setup = bench.crafted(change)
    cells["raw_pct"] = [0.03 if cell == CENTRE else 0.0 for cell in range(9)]
    result = limit_step(cells, current=Grid(setup.axes, current), setup=setup)
    assert result.grid.flat()[CENTRE] == 3.14
    assert result.step_pct[CENTRE] == 0


def test_the_step_composes_current_into_the_new_grid():
    rng = np.random.default_rng(40)
    for _ in range(50):
        cells, current, setup = bench.random_case(rng)
        result = limit_step(cells, current=current, setup=setup)
        composed = compose_pct(current.flat(), result.step_pct)
        assert composed == pytest.approx(result.grid.flat(), abs=1e-9, nan_ok=True)


def test_results_are_frozen_and_inputs_untouched():
    cells, setup = bench.crafted({CENTRE: lean()})
    before = cells.copy()
    result = limit_step(cells, current=Grid.zeros(setup.axes), setup=setup)
    assert cells.equals(before)
    for array in (result.step_pct, result.projected, result.grid.values):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 1.0


# --- words --------------------------------------------------------------------------------------


def test_each_binding_rule_is_named_with_what_the_cell_would_have_got():
    result = limit({CENTRE: lean(10.0)}, max_step_pct=4.0)
    row = result.binding.iloc[0]
    assert (row["rule"], row["rpm"], row["load"]) == ("max_step_pct", 2000.0, 60.0)
    assert row["would_have_got_pct"] == pytest.approx(10.0)
    assert row["got_pct"] == pytest.approx(4.0)
    words = result.reasons[CENTRE]
    assert "asks for 10.0 % more fuel" in words
    assert "held by the largest step (4 %)" in words
    assert words.endswith("gets 4.0 % more fuel")
    assert result.cells["reason"].tolist() == list(result.reasons)


def test_a_slope_names_the_neighbour_that_it_is_held_to():
    result = limit({CENTRE: lean(10.0)}, max_slope_rpm_pct=6.0)
    assert set(result.binding["rule"]) == {"max_slope_rpm_pct"}
    assert "slope along rpm (6 % per cell) to 1000 rpm, 60" in result.reasons[CENTRE]


def test_a_step_back_names_the_reading():
    result = limit({CENTRE: {"exhaust_temp_c_max": 961.0}}, ceilings=HOT)
    assert result.step_pct[CENTRE] == pytest.approx(2.0)
    assert "past the hard ceiling: exhaust temp 961 degC" in result.reasons[CENTRE]


def test_a_hard_ceiling_without_evidence_changes_nothing_and_says_keep_out():
    change = {CENTRE: {"exhaust_temp_c_max": 961.0, "confidence": "none"}}
    result = limit(change, ceilings=HOT)
    assert not result.step_pct.any()
    assert "keep out of this cell" in result.reasons[CENTRE]
    assert "keep out" not in limit({CENTRE: {"exhaust_temp_c_max": 961.0}}, ceilings=HOT).reasons[4]


# --- making way above a smoke floor -------------------------------------------------------------

SMOKE = {"ignition": "compression", "kind": "floor", "max_slope_rpm_pct": 10.0,
         "max_slope_load_pct": 10.0}  # fmt: skip
ABOVE = {cell: lean(10.0) for cell in range(9)}
BESIDE = (1, 3, 5, 7)


def smoking(**more):
    return ABOVE | {CENTRE: lean(-19.0, **more)}


def test_cells_above_a_smoke_floor_make_way_for_one_below_it():
    """19.8 % less fuel is asked for, the slope allows 10 to a neighbour, and neighbours give 5."""
    result = limit(smoking(), **SMOKE)
    assert result.step_pct[CENTRE] == pytest.approx(-15.0)
    assert result.step_pct[list(BESIDE)] == pytest.approx([-5.0] * 4)
    assert not result.step_pct[[0, 2, 6, 8]].any()
    assert "makes way for 2000 rpm, 60, which is below the floor" in result.reasons[1]
    cells, setup = bench.crafted(smoking(), **SMOKE)
    current = Grid.zeros(setup.axes)
    assert check_grid(result.grid, current=current, setup=setup, cells=cells) == ()


def test_a_cell_makes_way_no_further_than_asked_and_never_twice():
    result = limit(ABOVE | {CENTRE: lean(-12.0)}, **SMOKE)
    # -12.87 asked; four neighbours at a tenth of the weight: (12.87 + 4 x 0.1 x 10) / 1.4 = 12.05
    assert result.step_pct[CENTRE] == pytest.approx(-12.0)
    assert result.step_pct[list(BESIDE)] == pytest.approx([-2.0] * 4)
    before = np.zeros((3, 3))
    before.ravel()[[CENTRE, *BESIDE]] = -15.0, -5.0, -5.0, -5.0, -5.0
    again = limit(smoking(), current=before, **SMOKE)
    assert not again.step_pct.any()
    assert "which asks for nothing itself" not in again.reasons[1]
    kept = limit(smoking(), make_way_pct=0.0, **SMOKE)
    assert kept.step_pct[CENTRE] == pytest.approx(-10.0)
    assert not kept.step_pct[list(BESIDE)].any()


def test_no_cell_makes_way_where_rounding_took_the_need_back():
    """In steps of 1 % the centre asks for -9.6 and stays at -9, neighbours could go to 1."""
    before = np.zeros((3, 3))
    before.ravel()[[CENTRE, *BESIDE]] = -9.0, 1.176, 1.176, 1.176, 1.176
    change = ABOVE | {CENTRE: {"deviation_pct": 0.3}}  # 0.3 against the 1 % kept: 0.7 asked for
    result = limit(change, current=before, resolution_pct=1.0, **SMOKE)
    assert (result.projected[list(BESIDE)] < 1.0).all()
    assert not result.step_pct.any()


def test_where_less_fuel_could_hurt_no_cell_makes_way():
    for other in ({"ignition": "spark"}, {"kind": "aim"}, {"acts_on": "boost"}):
        sign = -1.0 if other.get("acts_on") == "boost" else 1.0
        result = limit(smoking(), **(SMOKE | other))
        by_own_need = [0.0] * 4 if other != {"kind": "aim"} else [10.0] * 4
        got = result.step_pct[list(BESIDE)]
        assert (got >= -1e-9).all(), other
        assert (got <= np.array(by_own_need) + 1e-9).all(), other
        assert sign * result.step_pct[CENTRE] >= -10.0 - 1e-9


def test_a_cell_held_to_one_without_evidence_says_so_with_the_limit_and_the_way_out():
    unseen = {cell: {"confidence": "none", "deviation_pct": np.nan} for cell in BESIDE}
    result = limit(smoking() | unseen, **SMOKE)
    assert result.step_pct[CENTRE] == pytest.approx(-10.0)
    assert not result.step_pct[list(BESIDE)].any()
    said = result.reasons[CENTRE]
    assert "held by the slope along rpm (10 % per cell) to 1000 rpm, 60" in said
    assert "a cell without evidence: hold there if the engine can" in said
    assert "raise max_slope_rpm_pct" in said
    assert "raise max_slope_load_pct" in said


def test_the_checker_lets_a_cell_make_way_only_beside_one_that_needs_it():
    cells, setup = bench.crafted(smoking(), **SMOKE)
    current = Grid.zeros(setup.axes)

    def breaches(values):
        grid = Grid(setup.axes, np.array(values, dtype=float).reshape(3, 3))
        return {b.rule for b in check_grid(grid, current=current, setup=setup, cells=cells)}

    assert breaches([0, -5, 0, 0, -15, 0, 0, -5, 0]) == {"max_slope_load_pct"}
    assert breaches([0, -5, 0, -5, -15, -5, 0, -5, 0]) == set()
    assert "own_need" in breaches([0, -5.1, 0, -5, -15, -5, 0, -5, 0])
    assert "own_need" in breaches([0, 0, -5, 0, -10, 0, 0, 0, 0])  # a corner alone
    assert "own_need" in breaches([0, 1, 0, 0, -9, 0, 0, 0, 0])  # never more fuel


# --- boost --------------------------------------------------------------------------------------


def test_what_the_boost_ceiling_forbids_is_handed_back_as_fuel():
    # 18 psi gauge = 124.1 kPa, common-practice example of a mild tune. 190 kPa abs now, lambda 20 %
    # too rich: 1/0.8 of the air is 237.5 kPa abs, the ceiling 225.425. Air x1.186 (after rounding),
    # lambda 0.8 x 1.186 = 0.9488 of target: 5.12 % less fuel closes the rest.
    change = {CENTRE: lean(-20.0, manifold_pressure_kpa=190.0)}
    result = limit(change, ceilings={"boost": Ceiling(124.1)}, kind="floor", **DIESEL_AIR)
    assert result.step_pct[CENTRE] == pytest.approx(18.6)
    assert result.needs_less_fuel_pct[CENTRE] == pytest.approx(100 * (1 - 0.8 * 1.186), abs=1e-6)
    assert "needs less fuel here: 5.1 %" in result.reasons[CENTRE]
    gauge = 190.0 * (1 + result.step_pct[CENTRE] / 100) - 101.325
    assert 124.1 - 0.2 < gauge <= 124.1


def test_a_hot_diesel_is_told_to_lose_fuel_not_air():
    change = {CENTRE: lean(0.0, exhaust_temp_c_max=800.0, manifold_pressure_kpa=150.0)}
    ceilings = {"exhaust_temp": Ceiling(720.0, 760.0)}
    result = limit(change, ceilings=ceilings, **DIESEL_AIR)
    assert not result.step_pct.any()
    assert result.needs_less_fuel_pct[CENTRE] == pytest.approx(2.0)


def test_nothing_is_handed_back_where_the_air_may_rise():
    change = {CENTRE: lean(-5.0, manifold_pressure_kpa=150.0)}
    result = limit(change, ceilings={"boost": Ceiling(124.1)}, kind="floor", **DIESEL_AIR)
    assert result.step_pct[CENTRE] == pytest.approx(5.2)
    assert not result.needs_less_fuel_pct.any()


# --- defaults -----------------------------------------------------------------------------------


@pytest.mark.parametrize("size", [10.0, 12.0])
def test_one_round_of_the_default_limits_takes_smooth_errors_away(size):
    # a smooth made-up error of +-size on 12 x 12, known to +-0.6 % everywhere
    axes = Axes(np.linspace(800, 6500, 12), np.linspace(30, 200, 12), "manifold pressure", "kPa")
    x, y = np.meshgrid(np.linspace(0, 2 * np.pi, 12), np.linspace(0, 2 * np.pi, 12))
    truth = (size * np.sin(x) * np.cos(y)).ravel()
    target = np.where(axes.cell_load() > 100, 0.85, 0.95)
    cells, _ = bench.crafted()
    cells = cells.iloc[np.zeros(axes.size, dtype=int)].reset_index(drop=True)
    cells = cells.assign(rpm=axes.cell_rpm(), load=axes.cell_load(), target_lambda=target)
    cells = cells.assign(
        deviation_pct=truth, se_pct=0.3, ci_low_pct=truth - 0.6, ci_high_pct=truth + 0.6
    )
    setup = Setup(
        axes=axes,
        target=Target(target.reshape(axes.shape)),
        engine=EngineSettings(ignition="spark"),
        limits=default_limits("spark"),
    )
    raw = propose_raw(cells, target_kind="aim", correction=CorrectionSettings())
    result = limit_step(raw, current=Grid.zeros(axes), setup=setup)
    left = 100 * ((1 + truth / 100) / (1 + result.step_pct / 100) - 1)
    # in boost a rich cell is left where one proposal may lean it no further
    is_held = (axes.cell_load() > 105) & (truth < -5)
    assert np.sqrt(np.mean(left[~is_held] ** 2)) < 0.15
    assert np.abs(left[~is_held]).max() < 0.75
    assert left[is_held].max() < 0
    np.testing.assert_allclose(result.step_pct[is_held], -5.0, atol=0.11)


# --- every rule is needed -----------------------------------------------------------------------

#: For each rule: a case that only this rule keeps right, and the check that must see it gone.
NEEDED = {
    "evidence": ({CENTRE: {"target_lambda": np.nan}}, {"force": 5.0}, "evidence"),
    "ceilings": ({CENTRE: lean(-5.0, exhaust_temp_c_max=920.0)}, {"ceilings": HOT}, "ceilings"),
    "boost_ceiling": (
        {CENTRE: lean(-20.0, manifold_pressure_kpa=190.0)},
        {"ceilings": {"boost": Ceiling(124.1)}, **DIESEL_AIR},
        "boost_ceiling",
    ),
    "foreseen": (
        {CENTRE: lean(15.0, torque_nm_max=380.0)},
        {"ignition": "compression", "ceilings": {"torque": Ceiling(400.0)}},
        "foreseen",
    ),
    "raise_fuel_unwatched": (
        {CENTRE: lean(5.0)},
        {"ignition": "compression", "raise_fuel_unwatched": False},
        "raise_fuel_unwatched",
    ),
    "unsafe_step_barred": (
        {CENTRE: lean(-5.0, unsafe_step_barred="its sensor is dead")},
        {},
        "unsafe_step_barred",
    ),
    "own_evidence": (
        {CENTRE: lean(-5.0, worth=1.0, own_high_pct=-3.0)},
        {"load": BOOST_LOADS},
        "own_evidence",
    ),
    "max_lean_step_in_boost_pct": (
        {CENTRE: lean(-5.0)},
        {"load": BOOST_LOADS, "max_lean_step_in_boost_pct": 2.0},
        "max_lean_step_in_boost_pct",
    ),
    "max_lean_total_in_boost_pct": (
        {CENTRE: lean(-5.0)},
        {"load": BOOST_LOADS, "max_lean_total_in_boost_pct": 2.0},
        "max_lean_total_in_boost_pct",
    ),
    "lean_in_boost": (
        {CENTRE: lean(-5.0, confidence="fair")},
        {"load": BOOST_LOADS, "lean_in_boost": "good"},
        "lean_in_boost",
    ),
    "richest_lambda": ({CENTRE: lean(5.0)}, {"richest_lambda": 0.92}, "richest_lambda"),
    "boost_leanest_lambda": (
        {CENTRE: lean(-10.0)},
        {"load": BOOST_LOADS, "boost_leanest_lambda": 0.85},
        "boost_leanest_lambda",
    ),
    "leanest_lambda": ({CENTRE: lean(-10.0)}, {"leanest_lambda": 0.85}, "leanest_lambda"),
    "step_at_confidence": (
        {CENTRE: lean(5.0, confidence="low")},
        {"step_at_low_pct": 2.0},
        "step_at_confidence",
    ),
    "max_step_pct": ({CENTRE: lean(5.0)}, {"max_step_pct": 2.0}, "max_step_pct"),
    "max_total_pct": ({CENTRE: lean(5.0)}, {"max_total_pct": 2.0}, "max_total_pct"),
    "own_need": (
        {0: lean(12.0)} | {cell: {"confidence": "none"} for cell in (2, 3, 5, 6, 7, 8)},
        {"max_slope_load_pct": 5.0},
        "own_need",
    ),
    "step_back_pct": ({CENTRE: {"exhaust_temp_c_max": 960.0}}, {"ceilings": HOT}, "step_back_pct"),
    "max_slope_rpm_pct": ({CENTRE: lean(5.0)}, {"max_slope_rpm_pct": 2.0}, "max_slope_rpm_pct"),
    "max_slope_load_pct": ({CENTRE: lean(5.0)}, {"max_slope_load_pct": 2.0}, "max_slope_load_pct"),
    "resolution_pct": ({CENTRE: lean(5.037)}, {}, "resolution_pct"),
}
REGISTRIES = ("BOX_RULES", "NEED_RULES", "STEP_BACK_RULES", "PAIR_RULES", "ROUNDING_RULES")
REGISTERED = [rule.__name__ for name in REGISTRIES for rule in getattr(rules, name)]


def breaches_of(name):
    changes, setting, _ = NEEDED[name]
    setting = dict(setting)
    force = setting.pop("force", None)
    cells, setup = bench.crafted(changes, **setting)
    if force is not None:  # a step asked for where nothing may be: what a broken stage would send
        cells["raw_pct"] = np.where(np.arange(9) == CENTRE, force, 0.0)
    current = Grid.zeros(setup.axes)
    result = limit_step(cells, current=current, setup=setup)
    return {b.rule for b in check_grid(result.grid, current=current, setup=setup, cells=cells)}


@pytest.mark.parametrize("name", REGISTERED)
def test_without_any_one_rule_the_checker_objects(name, monkeypatch):
    assert breaches_of(name) == set()
    for registry in REGISTRIES:
        kept = tuple(rule for rule in getattr(rules, registry) if rule.__name__ != name)
        monkeypatch.setattr(rules, registry, kept)
    assert NEEDED[name][2] in breaches_of(name)


@pytest.mark.parametrize(
    ("key", "region", "changes", "rule"),
    [
        ("max_step_pct", 2.0, {CENTRE: lean(5.0)}, "max_step_pct"),
        ("max_total_pct", 2.0, {CENTRE: lean(5.0)}, "max_total_pct"),
        ("richest_lambda", 0.92, {CENTRE: lean(5.0)}, "richest_lambda"),
        ("leanest_lambda", 0.85, {CENTRE: lean(-10.0)}, "leanest_lambda"),
        ("lean_in_boost", "never", {CENTRE: lean(-10.0)}, "lean_in_boost"),
    ],
)
def test_without_its_regions_the_checker_objects(key, region, changes, rule):
    place = Region((2000.0, 2000.0), (0.0, 900.0), **{key: region})
    cells, setup = bench.crafted(changes, load=BOOST_LOADS, regions=(place,))
    current = Grid.zeros(setup.axes)
    sound = limit_step(cells, current=current, setup=setup)
    blind = replace(setup, limits=replace(setup.limits, regions=()))
    wrong = limit_step(cells, current=current, setup=blind)
    assert check_grid(sound.grid, current=current, setup=setup, cells=cells) == ()
    seen = check_grid(wrong.grid, current=current, setup=setup, cells=cells)
    assert {breach.rule for breach in seen} == {rule}


def test_a_solver_that_fails_writes_nothing(monkeypatch):
    monkeypatch.setattr(projection, "SOLVED", "never said")
    changes = {0: lean(8.0), 1: lean(-8.0)}
    with pytest.raises(RuleBreachError, match="nothing is proposed"):
        limit(changes, max_slope_load_pct=10.0)
