"""What a step adds is foreseen: torque, heat, duty and boost; nothing rises unwatched."""

from __future__ import annotations

import importlib.util
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

from tuneassist.correction import (
    ceiling_notes,
    check_grid,
    describe_limits,
    lean_target_notes,
    limit_step,
    unmonitored_ceilings,
    unsafe_held,
)
from tuneassist.grid import Grid
from tuneassist.pipeline import Proposal, propose_from, reduce_log
from tuneassist.settings import (
    Ceiling,
    CorrectionSettings,
    EngineSettings,
    Setup,
    Target,
    default_limits,
)
from tuneassist.simulate import SessionPlan, draw_engine, petrol_car, simulate_session, van_car

_spec = importlib.util.spec_from_file_location(
    "limits_benchmark", Path(__file__).parents[1] / "benchmarks" / "limits.py"
)
bench = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(bench)
CENTRE = 4  # of three by three
DIESEL = {"ignition": "compression"}
DIESEL_AIR = {"ignition": "compression", "acts_on": "boost"}
SPARK_AIR = {"ignition": "spark", "acts_on": "boost"}
TORQUE = {"torque": Ceiling(400.0)}


def lean(amount, **more):
    return {"deviation_pct": amount, **more}


def limit(changes, **setting):
    cells, setup = bench.crafted(changes, **setting)
    current = Grid.zeros(setup.axes)
    result = limit_step(cells, current=current, setup=setup)
    assert check_grid(result.grid, current=current, setup=setup, cells=cells) == ()
    return result


# --- by hand ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("setting", "cell", "step"),
    [
        # 1 + (400 / 380 - 1) / 1.2 = 1.043860
        (DIESEL | {"ceilings": TORQUE}, lean(20.0, torque_nm_max=380.0), 4.3),
        (DIESEL | {"ceilings": TORQUE, "foresee_margin_pct": 0.0},
         lean(20.0, torque_nm_max=380.0), 5.2),
        # heat from 25 degC: 1 + (695 / 650 - 1) / 1.2 = 1.057692
        (DIESEL | {"ceilings": {"exhaust_temp": Ceiling(720.0)}},
         lean(20.0, exhaust_temp_c_max=675.0), 5.7),
        # rail pressure does not follow the fuel
        (DIESEL | {"ceilings": {"rail_pressure": Ceiling(180e3)}},
         lean(20.0, rail_pressure_kpa_max=179e3), 20.0),
        # less air at the same fuel: at least 1 / 1.057692 of it
        (DIESEL_AIR | {"ceilings": {"exhaust_temp": Ceiling(720.0)}},
         lean(20.0, exhaust_temp_c_max=675.0), -5.4),
        (DIESEL_AIR | {"ceilings": TORQUE}, lean(-20.0, torque_nm_max=380.0), 4.3),
        # a spark engine is not held by torque when it gets richer, nor by heat
        ({"ceilings": TORQUE}, lean(20.0, torque_nm_max=399.0), 20.0),
        ({"ceilings": {"exhaust_temp": Ceiling(900.0)}}, lean(20.0, exhaust_temp_c_max=899.0), 20),
        # leaner heats it: at least 1 / (1 + (875 / 850 - 1) / 1.2) of the fuel
        ({"ceilings": {"exhaust_temp": Ceiling(900.0)}},
         lean(-20.0, exhaust_temp_c_max=875.0), -2.3),
        # the injectors' end: 1 + (100 / 95 - 1) / 1.2 = 1.043860; at the end nothing more
        ({"ceilings": {"injector_duty": Ceiling(85.0)}}, lean(20.0, injector_duty_pct_max=95.0),
         4.3),
        ({"ceilings": {"injector_duty": Ceiling(85.0)}}, lean(9.0, injector_duty_pct_max=100.0),
         0.0),
        (SPARK_AIR | {"ceilings": {"injector_duty": Ceiling(85.0), "boost": Ceiling(200.0)}},
         lean(-20.0, injector_duty_pct_max=80.0, manifold_pressure_kpa=150.0), 5.2),
    ],
)  # fmt: skip
def test_a_step_stops_where_its_reading_may_meet_the_ceiling(setting, cell, step):
    assert limit({CENTRE: cell}, **setting).step_pct[CENTRE] == pytest.approx(step, abs=0.05)


def test_a_neighbours_reading_counts_where_the_cell_has_none_of_its_own():
    changes = {CENTRE: lean(20.0), 0: {"torque_nm_max": 380.0}, 8: {"torque_nm_max": 200.0}}
    assert limit(changes, ceilings=TORQUE, **DIESEL).step_pct[CENTRE] == pytest.approx(4.3)
    # its own says there is room: half of a step reaches the neighbour's readings, 2 x 4.386 %
    changes[CENTRE] = lean(20.0, torque_nm_max=200.0)
    assert limit(changes, ceilings=TORQUE, **DIESEL).step_pct[CENTRE] == pytest.approx(8.7)
    # a lean spark engine is not kept lean for what its neighbour's injectors do
    duty = {CENTRE: lean(10.0, injector_duty_pct_max=60.0), 0: {"injector_duty_pct_max": 99.0}}
    ceilings = {"injector_duty": Ceiling(85.0)}
    assert limit(duty, ceilings=ceilings).step_pct[CENTRE] == pytest.approx(10.0)


def test_a_step_back_asks_no_more_of_the_injectors_than_they_have():
    hot = {"exhaust_temp": Ceiling(900.0, 950.0), "injector_duty": Ceiling(85.0)}
    cell = {"exhaust_temp_c_max": 960.0}
    assert limit({CENTRE: cell}, ceilings=hot).step_pct[CENTRE] == pytest.approx(2.0)
    cell |= {"injector_duty_pct_max": 100.0}
    result = limit({CENTRE: cell}, ceilings=hot)
    assert result.step_pct[CENTRE] == 0.0
    assert "keep out of this cell" in result.reasons[CENTRE]


def test_where_the_injectors_end_the_reason_says_that_less_boost_is_the_way():
    duty = {"injector_duty": Ceiling(85.0)}
    result = limit({CENTRE: lean(9.0, injector_duty_pct_max=100.0)}, ceilings=duty)
    assert "reduce boost instead" in result.reasons[CENTRE]
    assert result.binding["rule"].tolist() == ["foreseen"]


# --- a diesel's fuel ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ceilings", "readings", "rises"),
    [
        ({}, {}, False),
        (TORQUE, {}, False),
        (TORQUE, {"torque_nm_max": 100.0}, True),
        ({}, {"torque_nm_max": 100.0}, False),  # logged, and nothing says how much is too much
        ({"boost": Ceiling(124.1)}, {"manifold_pressure_kpa": 120.0}, True),
        ({"injector_duty": Ceiling(85.0)}, {"injector_duty_pct_max": 20.0}, False),
    ],
)
def test_a_diesels_fuel_rises_only_where_something_watches_it(ceilings, readings, rises):
    setting = {"ceilings": ceilings, "raise_fuel_unwatched": False, **DIESEL}
    result = limit({CENTRE: lean(5.0, **readings)}, **setting)
    assert bool(result.step_pct[CENTRE] > 0) is rises
    taken_on = limit({CENTRE: lean(5.0, **readings)}, **setting | {"raise_fuel_unwatched": True})
    assert taken_on.step_pct[CENTRE] == pytest.approx(5.0)
    less = limit({CENTRE: lean(-5.0, **readings)}, **setting)
    assert less.step_pct[CENTRE] == pytest.approx(-5.0)


@pytest.mark.parametrize(
    ("readings", "why"),
    [
        ([0.0] * 9, "never passes 200 degC (highest 0 degC)"),
        ([20.0] * 9, "never passes 200 degC (highest 20 degC)"),
        ([600.0] * 8 + [649.0], "moves by less than 50 degC over the whole map (600 to 649 degC)"),
        ([600.0] * 8 + [650.0], ""),
        ([120.0] * 8 + [200.0], "never passes 200 degC (highest 200 degC)"),
        ([120.0] * 8 + [201.0], ""),
    ],
)
def test_a_sensor_of_heat_must_live(readings, why):
    changes = {cell: {"exhaust_temp_c_max": top} for cell, top in enumerate(readings)}
    changes[CENTRE] |= lean(5.0)
    setting = {"ceilings": {"exhaust_temp": Ceiling(720.0)}, "raise_fuel_unwatched": False}
    result = limit(changes, **setting, **DIESEL)
    assert bool(result.step_pct[CENTRE] > 0) is (not why)
    cells, setup = bench.crafted(changes, **setting, **DIESEL)
    assert unmonitored_ceilings(cells, setup=setup) == (("exhaust_temp",) if why else ())
    notes = ceiling_notes(cells, setup=setup)
    if why:
        assert why in result.reasons[CENTRE]
        assert "log exhaust_temp" in result.reasons[CENTRE]
        assert notes == (
            f"exhaust_temp {why}: it counts as not logged, and its ceiling protects nothing",
        )
    else:
        assert notes == ()


def test_a_dead_sensor_beyond_its_ceiling_still_closes_the_way():
    changes = {cell: {"exhaust_temp_c_max": 900.0} for cell in range(9)}
    changes[CENTRE] |= lean(5.0)
    ceilings = {"exhaust_temp": Ceiling(720.0)}
    assert limit(changes, ceilings=ceilings, **DIESEL).step_pct[CENTRE] == 0.0


def test_a_count_of_knock_that_stays_at_zero_is_no_dead_sensor():
    changes = {cell: {"knock_max": 0.0} for cell in range(9)}
    cells, setup = bench.crafted(changes, ceilings={"knock": Ceiling(3.0)})
    assert ceiling_notes(cells, setup=setup) == ()


# --- a spark engine's boost ---------------------------------------------------------------------


def test_a_spark_engines_boost_is_not_raised_without_a_ceiling_and_a_known_pressure():
    rich = lean(-5.0, manifold_pressure_kpa=150.0)
    load = {"load": (200.0, 400.0, 600.0), "load_unit": "mg/stroke", **SPARK_AIR}
    bare = limit({CENTRE: rich}, **load)
    assert bare.step_pct[CENTRE] == 0.0
    assert "the missing ceiling on boost" in bare.reasons[CENTRE]
    assert not bare.needs_less_fuel_pct.any()  # never advice to lean it by other means
    ceilings = {"boost": Ceiling(124.1)}
    assert limit({CENTRE: rich}, ceilings=ceilings, **load).step_pct[CENTRE] > 5.0
    assert limit({CENTRE: lean(-5.0)}, ceilings=ceilings, **load).step_pct[CENTRE] == 0.0
    assert limit({CENTRE: lean(5.0)}, **load).step_pct[CENTRE] < 0.0
    diesel = load | {"ignition": "compression"}
    assert limit({CENTRE: rich}, **diesel).step_pct[CENTRE] > 5.0


# --- logs ---------------------------------------------------------------------------------------


@lru_cache
def drive(kind: str, seed: int = 3):
    engine = draw_engine(np.random.default_rng(seed), car=van_car() if kind == "van" else None)
    return engine, simulate_session(engine, SessionPlan(), rng=np.random.default_rng(seed)).samples


def asked_for_more(kind: str, change, **limits) -> Proposal:
    """A log of an engine that is 8 % leaner than the target everywhere, besides its own errors."""
    engine, samples = drive(kind)
    car = engine.car
    rpm, load = car.axes.cell_rpm(), car.axes.cell_load()
    table = np.clip(car.commanded_lambda(rpm, load) / 1.08, 0.6, 9.0).reshape(car.axes.shape)
    setup = Setup(
        axes=car.axes,
        target=Target(table),
        engine=EngineSettings(ignition=car.ignition),
        correction=CorrectionSettings(known_offset_pct=8.0, uniform_offset_pct=60.0),
        limits=replace(default_limits(car.ignition), **limits),
    )
    log = reduce_log(change(samples.copy()), name="log", setup=setup)
    return propose_from([log], setup=setup, current=Grid.zeros(car.axes))


HEAT, PRESSURE = "exhaust_temp_c", "manifold_pressure_kpa"


def test_the_log_as_it_is_lets_a_diesels_fuel_rise():
    made = asked_for_more("van", lambda samples: samples)
    assert (made.cells["step_pct"] > 3.0).sum() > 20


@pytest.mark.parametrize("heat", [None, 0.0, 20.0])
def test_a_diesel_that_nothing_watches_gets_no_more_fuel(heat):
    def blind(samples):
        bare = samples.drop(columns=[HEAT, PRESSURE])
        return bare if heat is None else bare.assign(**{HEAT: heat})

    made = asked_for_more("van", blind)
    assert (made.cells["raw_pct"] > 3.0).sum() > 20
    assert (made.cells["step_pct"] <= 0.0).all()
    held = made.cells.loc[made.cells["raw_pct"] > 3.0, "reason"]
    assert held.str.contains("log exhaust_temp or boost or manifold_pressure").all()
    says = " ".join(made.evidence.notes)
    assert ("no log has a reading" if heat is None else "never passes 200 degC") in says
    on_own_risk = asked_for_more("van", blind, raise_fuel_unwatched=True)
    assert (on_own_risk.cells["step_pct"] > 3.0).sum() > 20


def test_a_diesel_whose_exhaust_is_blank_in_boost_gets_no_more_fuel_there():
    def blank(samples):
        hidden = samples[HEAT].where(samples["load"] < 24.0)
        return samples.drop(columns=PRESSURE).assign(**{HEAT: hidden})

    made = asked_for_more("van", blank, boost_above_load=24.0)
    cells = made.cells
    far = cells["load"] > 30.0  # 28 mg touches cells that were watched
    assert (cells.loc[far, "raw_pct"] > 3.0).sum() > 10
    assert (cells.loc[far, "step_pct"] <= 0.0).all()
    assert (cells.loc[cells["load"] < 24.0, "step_pct"] > 3.0).any()
    assert "exhaust_temp has no reading in" in " ".join(made.evidence.notes)


def test_torque_just_under_its_ceiling_is_not_taken_past_it():
    _, samples = drive("van")
    top = float(samples["torque_nm"].max())
    ceilings = {**default_limits("compression").ceilings, "torque": Ceiling(top + 1.0)}
    made = asked_for_more("van", lambda s: s, ceilings=ceilings)
    after = made.cells["torque_nm_max"] * (1.0 + made.cells["step_pct"] / 100.0)
    assert (made.cells["torque_nm_max"] * (1.0 + made.cells["raw_pct"] / 100.0) > top + 1.0).any()
    assert after.max() <= top + 1.0
    assert "foreseen" in set(made.limited.binding["rule"])


def test_full_duty_promises_no_more_fuel():
    made = asked_for_more("petrol", lambda s: s.assign(injector_duty_pct=100.0))
    assert (made.cells["raw_pct"] > 3.0).sum() > 20
    assert (made.cells["step_pct"] <= 0.0).all()
    free = asked_for_more("petrol", lambda s: s)
    assert (free.cells["step_pct"] > 3.0).sum() > 20


# --- a target leaner than the rules let it be -----------------------------------------------------


def test_a_target_leaner_in_boost_than_its_limit_is_told():
    car = petrol_car()
    setup = Setup(axes=car.axes, target=car.target)
    (note,) = lean_target_notes(setup)
    # load 110 and 125 to 140 kPa have targets over 0.92: up to 0.964 at 800 rpm, 110 kPa
    assert "boost_leanest_lambda allows (lambda 0.920) in " in note
    assert "up to lambda 0.964 at 800 rpm, 110" in note
    wider = replace(setup, limits=replace(setup.limits, boost_leanest_lambda=0.964))
    assert lean_target_notes(wider) == ()
    assert lean_target_notes(replace(setup, engine=EngineSettings(ignition="compression"))) == ()


def test_a_load_axis_that_does_not_tell_boost_waits_for_the_pressure():
    cells, setup = bench.crafted(
        {CENTRE: {"manifold_pressure_kpa": 140.0}},
        load=(200.0, 400.0, 600.0),
        load_unit="mg/stroke",
        boost_leanest_lambda=0.85,
    )
    assert lean_target_notes(setup) == ()
    cells["manifold_pressure_kpa"] = cells["manifold_pressure_kpa"].fillna(90.0)
    assert " in 1 cell," in lean_target_notes(setup, cells)[0]


@pytest.mark.parametrize(
    ("ignition", "yours", "not_yours"),
    [
        ("spark", ("max_lean_step_in_boost_pct", "max_lean_total_in_boost_pct",
                   "boost_leanest_lambda", "boost_lean_min_holds", "boost_lean_end_pct",
                   "few_holds", "lean_in_boost", "foresee_margin_pct"), "raise_fuel_unwatched"),
        ("compression", ("raise_fuel_unwatched", "foresee_margin_pct"), "boost_leanest_lambda"),
    ],
)  # fmt: skip
def test_the_listing_says_which_defaults_are_careful_and_the_users_to_change(
    ignition, yours, not_yours
):
    car = van_car() if ignition == "compression" else petrol_car()
    setup = Setup(
        axes=car.axes,
        target=car.target,
        engine=EngineSettings(ignition=ignition),
        limits=default_limits(ignition),
    )
    why = describe_limits(setup).set_index("rule")["why"]
    for name in yours:
        assert why[f"limits.{name}"].endswith("(careful default; change it in [limits])")
    assert "careful default" not in why[f"limits.{not_yours}"]
    own = replace(setup, given=frozenset({f"limits.{yours[0]}"}))
    assert (
        "careful default"
        not in describe_limits(own).set_index("rule").loc[f"limits.{yours[0]}", "why"]
    )
    assert "; a step that may exceed it is limited" in why["limits.ceilings.exhaust_temp"]


@pytest.mark.parametrize(
    ("setting", "cell", "is_told"),
    [
        # a hot diesel that would lose air, and one that would gain fuel: both add heat
        (DIESEL_AIR, lean(20.0, exhaust_temp_c_max=719.0), True),
        (DIESEL, lean(20.0, exhaust_temp_c_max=719.0), True),
        # a lean spark engine asks for fuel that its injectors do not have: asked the safe way
        ({}, lean(20.0, injector_duty_pct_max=100.0), False),
    ],
)
def test_scripts_hear_of_heat_that_was_foreseen_and_held(setting, cell, is_told):
    ceilings = {"exhaust_temp": Ceiling(720.0), "injector_duty": Ceiling(85.0)}
    _, setup = bench.crafted({}, ceilings=ceilings, **setting)
    result = limit({CENTRE: cell}, ceilings=ceilings, **setting)
    assert "foreseen" in set(result.binding["rule"])
    told = [one.rules for one in unsafe_held(result.held_back, setup=setup)]
    assert any("foreseen" in rules for rules in told) is is_told
