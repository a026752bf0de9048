"""The rules: each bound by hand arithmetic, regions, boost, neighbours, and the listing."""

import importlib.util
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest

from tuneassist.channels import CHANNELS
from tuneassist.correction import build_rules, describe_limits, unmonitored_ceilings
from tuneassist.correction.limiter_input import build_limiter_input
from tuneassist.correction.limits_table import WHY
from tuneassist.errors import GridError, SetupError
from tuneassist.grid import Grid
from tuneassist.settings import (
    CEILING_CHANNELS,
    Ceiling,
    LimitSettings,
    Region,
    default_limits,
)

_spec = importlib.util.spec_from_file_location(
    "limits_benchmark", Path(__file__).parents[1] / "benchmarks" / "limits.py"
)
bench = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(bench)
CENTRE = 4  # of three by three
BOOST_LOADS = (120.0, 150.0, 180.0)
LEAN, RICH = {CENTRE: {"deviation_pct": 10.0}}, {CENTRE: {"deviation_pct": -10.0}}


def rules_of(changes=None, *, current=None, **setting):
    cells, setup = bench.crafted(changes, **setting)
    grid = Grid.zeros(setup.axes) if current is None else Grid(setup.axes, current)
    return build_rules(cells, current=grid, setup=setup)


def held(values):
    table = np.zeros((3, 3))
    table.ravel()[list(values)] = list(values.values())
    return table


def test_step_composes_on_what_the_cell_holds():
    # 1.20 x 1.05 = 1.26: a cell at +20 % may go to +26 % with a step of 5 %
    rules = rules_of(LEAN, current=held({CENTRE: 20.0}), max_step_pct=5.0)
    assert rules.upper[CENTRE] == pytest.approx(26.0, abs=1e-12)


@pytest.mark.parametrize(("word", "step"), [("low", 1.0), ("fair", 2.0), ("good", 3.0)])
def test_step_follows_confidence(word, step):
    rules = rules_of(
        {CENTRE: {"deviation_pct": 10.0, "confidence": word}},
        step_at_low_pct=1.0,
        step_at_fair_pct=2.0,
        step_at_good_pct=3.0,
    )
    assert rules.upper[CENTRE] == pytest.approx(step)
    assert rules.binding(CENTRE, 1).name == "step_at_confidence"


def test_total_is_of_the_finished_grid_and_never_worse_than_now():
    rules = rules_of(LEAN, current=held({CENTRE: 3.0}), max_total_pct=5.0)
    assert rules.upper[CENTRE] == pytest.approx(5.0)
    rules = rules_of(LEAN, current=held({CENTRE: 7.0}), max_total_pct=5.0)
    assert rules.upper[CENTRE] == rules.lower[CENTRE] == 7.0


def test_richest_lambda_is_judged_after_the_step():
    # lambda now 0.9 x 1.10 = 0.99; 0.99 / 0.95 = 1.042105: at most 4.2105 % more fuel
    rules = rules_of(LEAN, richest_lambda=0.95)
    assert rules.upper[CENTRE] == pytest.approx(100 * (0.99 / 0.95 - 1), abs=1e-9)
    assert "richest mixture allowed, lambda 0.950" in rules.binding(CENTRE, 1).words(CENTRE)


def test_the_smoke_floor_is_the_compression_engines_richest_lambda():
    rules = rules_of(LEAN, ignition="compression", richest_lambda=0.95)
    assert "smoke floor" in rules.binding(CENTRE, 1).words(CENTRE)


def test_leanest_lambda_is_judged_after_the_step():
    # 0.81 / 0.85: fuel may fall to 0.952941 of what it is
    rules = rules_of(RICH, leanest_lambda=0.85)
    assert rules.lower[CENTRE] == pytest.approx(100 * (0.81 / 0.85 - 1), abs=1e-9)


def test_already_beyond_a_lambda_bound_may_not_get_worse():
    assert rules_of(LEAN, richest_lambda=1.0).upper[CENTRE] == 0.0
    assert rules_of(RICH, leanest_lambda=0.8).lower[CENTRE] == 0.0


def test_with_two_readings_of_lambda_the_prudent_one_rules():
    change = {CENTRE: {"deviation_pct": 10.0, "lambda_measured": 0.96}}
    rules = rules_of(change, richest_lambda=0.95)
    assert rules.upper[CENTRE] == pytest.approx(100 * (0.96 / 0.95 - 1), abs=1e-9)


def test_air_moves_lambda_the_other_way():
    # too rich by 10 %: 0.81; up to 0.85 takes 0.85 / 0.81 of the air
    rules = rules_of(RICH, ignition="compression", acts_on="boost", leanest_lambda=0.85)
    assert rules.upper[CENTRE] == pytest.approx(100 * (0.85 / 0.81 - 1), abs=1e-9)


@pytest.mark.parametrize(
    ("load", "unit", "changes", "limits", "boost"),
    [
        (BOOST_LOADS, "kPa", {}, {}, [True] * 3),
        ((14.0, 15.0, 16.0), "psi", {}, {}, [False, False, True]),  # 96.5, 103.4, 110.3 kPa
        ((1.0, 1.05, 1.06), "bar", {}, {}, [False, False, True]),
        ((200.0, 400.0, 600.0), "mg/stroke", {}, {"boost_above_load": 400.0}, [False, False, True]),
        ((200.0, 400.0, 600.0), "mg/stroke", {}, {}, [True] * 3),  # unknown counts as boost
        (
            (200.0, 400.0, 600.0),
            "mg/stroke",
            {0: {"manifold_pressure_kpa": 105.0}, 1: {"manifold_pressure_kpa": 105.1}},
            {},
            [False, True, True],
        ),
    ],
)
def test_where_boost_begins(load, unit, changes, limits, boost):
    cells, setup = bench.crafted(changes, load=load, load_unit=unit, **limits)
    inputs = build_limiter_input(cells, current=Grid.zeros(setup.axes), setup=setup)
    assert inputs.is_boost[:3].tolist() == boost


@pytest.mark.parametrize(
    ("needed", "word", "may"),
    [
        ("good", "good", True),
        ("good", "fair", False),
        ("fair", "fair", True),
        ("fair", "low", False),
        ("never", "good", False),
    ],
)
def test_spark_leans_in_boost_only_at_the_confidence_set(needed, word, may):
    change = {CENTRE: {"deviation_pct": -10.0, "confidence": word}}
    cells, setup = bench.crafted(change, load=BOOST_LOADS, lean_in_boost=needed)
    rules = build_rules(cells, current=Grid.zeros(setup.axes), setup=setup)
    assert bool(rules.lower[CENTRE] < 0) is may


def test_out_of_boost_and_on_compression_leaning_is_not_held():
    assert rules_of(RICH, lean_in_boost="never").lower[CENTRE] < 0
    diesel = rules_of(RICH, ignition="compression", load=BOOST_LOADS, lean_in_boost="never")
    assert diesel.lower[CENTRE] < 0


@pytest.mark.parametrize(
    ("ignition", "acts_on", "open_way"),
    [("spark", "fuel", 1), ("compression", "fuel", -1), ("spark", "boost", -1)],
)
def test_beyond_a_ceiling_the_cell_and_eight_neighbours_are_one_way(ignition, acts_on, open_way):
    for deviation in (-10.0, 10.0):
        changes = {cell: {"deviation_pct": deviation} for cell in range(9)}
        changes[0] = {**changes[0], "torque_nm_max": 401.0}
        rules = rules_of(  # a spark engine's boost rises under a ceiling of its own only
            changes,
            ignition=ignition,
            acts_on=acts_on,
            ceilings={"torque": Ceiling(400.0), "boost": Ceiling(300.0)},
        )
        asks = (1 if deviation > 0 else -1) * (1 if acts_on == "fuel" else -1)
        still = rules.upper - rules.lower < 1e-12
        near = [0, 1, 3, 4]  # the corner and the three that touch it
        expected = [cell in near and asks != open_way for cell in range(9)]
        assert still.tolist() == expected


def test_at_the_ceiling_is_not_beyond_it():
    changes = {CENTRE: {"deviation_pct": -10.0, "knock_max": 4.0}}
    assert rules_of(changes, ceilings={"knock": Ceiling(4.0)}).lower[CENTRE] < 0


def test_a_hot_diesel_neither_gains_nor_loses_air():
    for deviation in (-10.0, 10.0):
        changes = {CENTRE: {"deviation_pct": deviation, "exhaust_temp_c_max": 800.0}}
        rules = rules_of(
            changes,
            ignition="compression",
            acts_on="boost",
            ceilings={"exhaust_temp": Ceiling(720.0, 760.0)},
        )
        assert rules.lower[CENTRE] == rules.upper[CENTRE] == 0.0
        assert not rules.is_forced.any()


def test_boost_ceiling_bounds_gauge_pressure_after_the_change():
    # 200 kPa abs is 98.675 gauge; the ceiling 124.1 gauge is 225.425 abs: 12.7125 % more air
    changes = {CENTRE: {"deviation_pct": -20.0, "manifold_pressure_kpa": 200.0}}
    setting = {
        "ignition": "compression",
        "acts_on": "boost",
        "load": (150.0, 300.0, 450.0),
        "load_unit": "mg/stroke",
        "ceilings": {"boost": Ceiling(124.1)},
    }
    rules = rules_of(changes, **setting)
    assert rules.upper[CENTRE] == pytest.approx(100 * (225.425 / 200 - 1), abs=1e-9)
    assert rules_of({CENTRE: {"deviation_pct": -20.0}}, **setting).upper[CENTRE] == 0.0


@pytest.mark.parametrize(
    ("ignition", "acts_on", "least"), [("spark", "fuel", 2.0), ("compression", "fuel", -2.0)]
)
def test_past_a_hard_ceiling_the_cell_must_step_back(ignition, acts_on, least):
    changes = {CENTRE: {"exhaust_temp_c_max": 960.0}}
    rules = rules_of(
        changes,
        ignition=ignition,
        acts_on=acts_on,
        ceilings={"exhaust_temp": Ceiling(900.0, 950.0)},
    )
    assert rules.anchor[CENTRE] == rules.lower[CENTRE] == rules.upper[CENTRE] == least
    assert rules.is_forced.tolist() == [cell == CENTRE for cell in range(9)]


def test_a_step_back_is_rounded_to_the_safe_side_and_goes_no_further_than_the_other_rules():
    changes = {CENTRE: {"exhaust_temp_c_max": 960.0}}
    ceilings = {"exhaust_temp": Ceiling(900.0, 950.0)}
    assert rules_of(changes, ceilings=ceilings, step_back_pct=1.91).anchor[CENTRE] == 2.0
    assert rules_of(changes, ceilings=ceilings, max_step_pct=1.27).anchor[CENTRE] == 1.2


def test_a_step_back_comes_before_slope():
    changes = {cell: {"confidence": "none"} for cell in range(9) if cell != CENTRE}
    changes[CENTRE] = {"exhaust_temp_c_max": 960.0}
    ceilings = {"exhaust_temp": Ceiling(900.0, 950.0)}
    rules = rules_of(changes, ceilings=ceilings, max_slope_rpm_pct=0.5, max_slope_load_pct=0.5)
    apart = rules.anchor[rules.pairs[:, 0]] - rules.anchor[rules.pairs[:, 1]]
    assert (apart <= rules.pair_upper).all()
    assert (apart >= rules.pair_lower).all()
    assert rules.anchor[CENTRE] == 2.0


def test_a_slope_that_is_broken_now_may_stay_but_not_grow():
    rules = rules_of(current=held({CENTRE: 14.0}), max_slope_rpm_pct=10.0, max_slope_load_pct=10.0)
    touches = (rules.pairs == CENTRE).any(axis=1)
    widest = np.maximum(rules.pair_upper, -rules.pair_lower)
    assert (widest[touches] == 14.0).all()
    assert (np.minimum(rules.pair_upper, -rules.pair_lower)[touches] == 10.0).all()
    assert (widest[~touches] == 10.0).all()


def test_no_slope_goes_through_a_cell_without_a_value():
    rules = rules_of(current=held({CENTRE: np.nan}))
    assert not (rules.pairs == CENTRE).any()
    assert len(rules.pairs) == 12 - 4


def test_a_region_only_tightens_and_only_inside_its_edges():
    region = Region((2000.0, 3000.0), (60.0, 60.0), name="cruise", max_step_pct=3.0)
    loose = replace(region, max_step_pct=30.0)
    changes = {cell: {"deviation_pct": 10.0} for cell in range(9)}
    rules = rules_of(changes, max_step_pct=8.0, regions=(region, loose))
    inside = [cell in (4, 7) for cell in range(9)]
    assert rules.upper == pytest.approx(np.where(inside, 3.0, 8.0))
    assert "cruise" in rules.binding(CENTRE, 1).words(CENTRE)
    assert "cruise" not in rules.binding(0, 1).words(0)


def test_cells_of_another_order_are_refused():
    cells, setup = bench.crafted()
    with pytest.raises(GridError, match="same breakpoints"):
        build_rules(cells.iloc[::-1], current=Grid.zeros(setup.axes), setup=setup)


def test_ceiling_channels_are_columns_of_the_glossary():
    for name, (column, _) in CEILING_CHANNELS.items():
        assert CHANNELS[name].column == column


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("ceilings", {"oil_colour": Ceiling(1.0)}),
        ("resolution_pct", 0.0),
        ("lean_in_boost", "sometimes"),
        ("richest_lambda", 1.2),
        ("weight_se_floor_pct", 9.0),
        ("max_step_pct", 100.0),
    ],
)
def test_limits_that_cannot_be_are_refused_by_name(key, value):
    with pytest.raises(SetupError, match=f"limits.{key}"):
        LimitSettings(**{key: value})


def test_regions_and_ceilings_that_cannot_be_are_refused():
    with pytest.raises(SetupError, match="from low to high"):
        Region((3000.0, 2000.0), (0.0, 1.0))
    with pytest.raises(SetupError, match="lean_in_boost"):
        Region((0.0, 1.0), (0.0, 1.0), lean_in_boost="always")
    with pytest.raises(SetupError, match="at or above the ceiling"):
        Ceiling(900.0, 850.0)


def test_defaults_hold_what_their_documentation_says():
    spark, diesel = default_limits("spark"), default_limits("compression")
    words = default_limits.__doc__
    assert spark.ceilings["exhaust_temp"] == Ceiling(900.0, 950.0)
    assert diesel.ceilings["exhaust_temp"] == Ceiling(720.0, 760.0)
    assert spark.ceilings["injector_duty"] == Ceiling(85.0)
    for figure in ("900/950", "720/760", "85 %", "124.1", "1.15"):
        assert figure in words
    # 18 psi by the exact pound-force per square inch of references section 10.1
    assert diesel.ceilings["boost"].ceiling == pytest.approx(18 * 6.894757293168, abs=0.01)
    assert diesel.richest_lambda == 1.15


def test_every_rule_is_listed_with_its_origin_and_reason():
    plain = {field.name for field in fields(LimitSettings)} - {"ceilings", "regions"}
    assert set(WHY) == plain
    region = Region((0.0, 9e3), (0.0, 50.0), name="idle", richest_lambda=0.9)
    _, setup = bench.crafted(ceilings={"torque": Ceiling(400.0)}, regions=(region,))
    setup = replace(setup, given=frozenset({"limits.max_step_pct", "limits.ceilings.torque"}))
    table = describe_limits(setup).set_index("rule")
    assert {f"limits.{name}" for name in plain} <= set(table.index)
    assert table.loc["limits.max_step_pct", ["value", "from"]].tolist() == ["50", "file"]
    assert table.loc["limits.max_total_pct", "from"] == "default"
    assert table.loc["limits.ceilings.torque", "value"] == "400, no hard ceiling"
    assert table.loc["limits.ceilings.torque", ["unit", "from"]].tolist() == ["N.m", "file"]
    assert table.loc["limits.region (idle).richest_lambda", "value"] == "0.9"
    assert (table["why"].str.len() > 10).all()


@pytest.mark.parametrize(
    ("ignition", "acts_on", "way"),
    [
        ("spark", "fuel", "richer"),
        ("compression", "fuel", "less fuel"),
        ("compression", "boost", "less boost, and less fuel by other means"),
    ],
)
def test_the_listing_opens_with_which_way_is_safe(ignition, acts_on, way):
    _, setup = bench.crafted(ignition=ignition, acts_on=acts_on)
    first = describe_limits(setup).iloc[0]
    assert (first["rule"], first["value"]) == ("safe way", way)
    assert "damaged by" in first["why"]


def test_a_ceiling_without_a_reading_is_named():
    ceilings = {name: Ceiling(1.0) for name in ("torque", "knock", "boost")}
    cells, setup = bench.crafted({0: {"knock_max": 0.5}}, ceilings=ceilings)
    assert unmonitored_ceilings(cells, setup=setup) == ("torque", "boost")
    cells.loc[0, "manifold_pressure_kpa"] = 90.0
    assert unmonitored_ceilings(cells, setup=setup) == ("torque",)
