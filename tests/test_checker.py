"""The checker: sees every breach, sees no other, and shares no code with what it checks."""

import ast
import importlib.util
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tuneassist import correction
from tuneassist.correction import check_grid, checker, limit_step, require_clean
from tuneassist.errors import GridError, RuleBreachError
from tuneassist.grid import Axes, Grid
from tuneassist.settings import Ceiling

_spec = importlib.util.spec_from_file_location(
    "limits_benchmark", Path(__file__).parents[1] / "benchmarks" / "limits.py"
)
bench = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(bench)
CENTRE = 4  # of three by three
BOOST_LOADS = (120.0, 150.0, 180.0)
HOT = {"exhaust_temp": Ceiling(900.0, 950.0)}
DIESEL_AIR = {"ignition": "compression", "acts_on": "boost"}


def away(amount, **more):
    return {"deviation_pct": amount, **more}


#: For each check: a case and a new value of the centre that break this rule and no other, with the
#: nearest value that holds it; hand arithmetic beside it.
BREAKS = {
    "values": ({}, {"held": np.nan}, 0.0, np.nan),
    "evidence": ({CENTRE: away(5.0, confidence="none")}, {}, 0.1, 0.0),
    "own_need": ({CENTRE: away(5.0)}, {}, 5.1, 5.0),
    "step": ({CENTRE: away(9.0)}, {"max_step_pct": 5.0}, 5.1, 5.0),
    "step_at_confidence": (
        {CENTRE: away(9.0, confidence="fair")},
        {"step_at_fair_pct": 5.0},
        5.1,
        5.0,
    ),
    "total": ({CENTRE: away(9.0)}, {"max_total_pct": 5.0}, 5.1, 5.0),
    "slope_rpm": ({CENTRE: away(9.0)}, {"max_slope_rpm_pct": 5.0}, 5.1, 5.0),
    "slope_load": ({CENTRE: away(9.0)}, {"max_slope_load_pct": 5.0}, 5.1, 5.0),
    # 0.99 / 1.042 = 0.95010, 0.99 / 1.043 = 0.94919
    "richest": ({CENTRE: away(10.0)}, {"richest_lambda": 0.95}, 4.3, 4.2),
    # 0.81 / 0.953 = 0.84995, 0.81 / 0.952 = 0.85084
    "leanest": ({CENTRE: away(-10.0)}, {"leanest_lambda": 0.85}, -4.8, -4.7),
    "boost_leanest": (
        {CENTRE: away(-10.0)},
        {"boost_leanest_lambda": 0.85, "load": BOOST_LOADS},
        -4.8,
        -4.7,
    ),
    "lean_in_boost": (
        {CENTRE: away(-10.0, confidence="fair")},
        {"lean_in_boost": "good", "load": BOOST_LOADS},
        -0.1,
        0.0,
    ),
    "unsafe_step_barred": (
        {CENTRE: away(-10.0, unsafe_step_barred="a dead sensor")},
        {},
        -0.1,
        0.0,
    ),
    # the lean end at -6 %: 0.94 / 0.922 = 1.0195, 0.94 / 0.921 = 1.0206
    "own_evidence": (
        {CENTRE: away(-10.0, worth=2.0, own_high_pct=-6.0)},
        {"load": BOOST_LOADS},
        -7.9,
        -7.8,
    ),
    "lean_step_in_boost": (
        {CENTRE: away(-10.0)},
        {"load": BOOST_LOADS, "max_lean_step_in_boost_pct": 5.0},
        -5.1,
        -5.0,
    ),
    "lean_total_in_boost": (
        {CENTRE: away(-10.0)},
        {"load": BOOST_LOADS, "max_lean_total_in_boost_pct": 5.0},
        -5.1,
        -5.0,
    ),
    "ceilings": (
        {CENTRE: away(-10.0), 0: {"exhaust_temp_c_max": 901.0}},
        {"ceilings": HOT},
        -0.1,
        0.0,
    ),
    # 190 x 1.186 - 101.325 = 124.015, 190 x 1.187 - 101.325 = 124.205
    "boost_ceiling": (
        {CENTRE: away(-30.0, manifold_pressure_kpa=190.0)},
        {"ceilings": {"boost": Ceiling(124.1)}, **DIESEL_AIR},
        18.7,
        18.6,
    ),
    # 1 + (400 / 360 - 1) / 1.2 = 1.09259
    "foreseen": (
        {CENTRE: away(20.0, torque_nm_max=360.0)},
        {"ignition": "compression", "ceilings": {"torque": Ceiling(400.0)}},
        9.3,
        9.2,
    ),
    "raise_fuel_unwatched": (
        {CENTRE: away(5.0)},
        {"ignition": "compression", "raise_fuel_unwatched": False},
        0.1,
        0.0,
    ),
    "step_back": ({CENTRE: {"exhaust_temp_c_max": 951.0}}, {"ceilings": HOT}, 1.9, 2.0),
    "resolution": ({CENTRE: away(9.0)}, {}, 5.05, 5.0),
}


def seen(name, value):
    changes, setting, *_ = BREAKS[name]
    setting = dict(setting)
    held = np.zeros(9)
    held[CENTRE] = setting.pop("held", 0.0)
    cells, setup = bench.crafted(changes, **setting)
    new = held.copy()
    new[CENTRE] = value
    current, grid = (Grid(setup.axes, v.reshape(3, 3)) for v in (held, new))
    return check_grid(grid, current=current, setup=setup, cells=cells)


@pytest.mark.parametrize("check", checker.CHECKS, ids=lambda check: check.__name__)
def test_each_breach_is_seen_by_its_own_check_alone(check, monkeypatch):
    _, _, broken, sound = BREAKS[check.__name__]
    assert seen(check.__name__, sound) == ()
    breaches = seen(check.__name__, broken)
    assert len({breach.rule for breach in breaches}) == 1
    for breach in breaches:
        assert breach.sentence.startswith(breach.rule)
        assert f"{breach.rpm:g} rpm, {breach.load:g}" in breach.sentence
    others = tuple(other for other in checker.CHECKS if other is not check)
    monkeypatch.setattr(checker, "CHECKS", others)
    assert seen(check.__name__, broken) == ()


@pytest.mark.parametrize(("holds", "is_broken"), [(0, True), (1, False)])
def test_a_cell_leaned_in_boost_without_a_hold_is_seen_whatever_its_moving_samples_tell(
    holds, is_broken
):
    known = away(-10.0, worth=6.0, own_high_pct=-6.0, holds=holds)
    cells, setup = bench.crafted({CENTRE: known}, load=BOOST_LOADS)
    values = np.zeros(9)
    values[CENTRE] = -2.0
    zeros, grid = Grid.zeros(setup.axes), Grid(setup.axes, values.reshape(3, 3))
    breaches = check_grid(grid, current=zeros, setup=setup, cells=cells)
    said = [one.sentence for one in breaches if one.rule == "own_evidence"]
    assert any("moving samples alone" in one for one in said) is is_broken


def test_every_check_has_its_crafted_breach():
    assert {check.__name__ for check in checker.CHECKS} == set(BREAKS)


def test_a_breach_says_what_where_how_much_and_what_is_allowed():
    (breach,) = seen("step", 5.1)
    assert (breach.rule, breach.rpm, breach.load) == ("max_step_pct", 2000.0, 60.0)
    assert breach.value == pytest.approx(5.1)
    assert breach.bound == 5.0
    assert breach.sentence == ("max_step_pct: at 2000 rpm, 60 kPa: changes by 5.1 %, more than 5 %")


def test_a_pushed_value_of_a_sound_grid_is_seen():
    # any change of a finished grid in a cell without evidence, or off the lattice, must show
    rng = np.random.default_rng(50)
    for _ in range(100):
        cells, current, setup = bench.random_case(rng)
        sound = limit_step(cells, current=current, setup=setup).grid
        finite = np.flatnonzero(np.isfinite(sound.flat()))
        if not len(finite):
            continue
        values = sound.values.copy()
        values.ravel()[rng.choice(finite)] += 0.37 * setup.limits.resolution_pct
        pushed = Grid(setup.axes, values)
        assert check_grid(sound, current=current, setup=setup, cells=cells) == ()
        assert check_grid(pushed, current=current, setup=setup, cells=cells) != ()


def test_a_raw_step_that_was_not_limited_is_seen():
    rng = np.random.default_rng(51)
    objected = 0
    for _ in range(200):
        cells, _, setup = bench.random_case(rng)
        current = Grid.zeros(setup.axes)
        raw = Grid(setup.axes, cells["raw_pct"].to_numpy().reshape(setup.axes.shape))
        objected += bool(check_grid(raw, current=current, setup=setup, cells=cells))
    assert objected >= 184  # small tables without a doubt or a limit in the way may be sound


def test_a_grid_file_alone_is_held_to_total_slope_and_resolution():
    _, setup = bench.crafted(max_total_pct=5.0, max_slope_rpm_pct=2.0, max_slope_load_pct=3.0)
    table = np.array([[0.0, 3.1, 3.1], [0.0, 3.1, 5.15], [2.1, 3.1, 5.1]])
    breaches = check_grid(Grid(setup.axes, table), current=None, setup=setup)
    assert sorted({breach.rule for breach in breaches}) == [
        "max_slope_load_pct",
        "max_slope_rpm_pct",
        "max_total_pct",
        "resolution_pct",
    ]


def test_against_the_current_grid_the_step_is_checked_and_no_worse_than_now_is_allowed():
    _, setup = bench.crafted(max_step_pct=2.0, max_total_pct=5.0, max_slope_load_pct=3.0)
    held = np.array([[9.0, 0.0, 0.0], [0.0, 0.0, 0.0], [0.0, 0.0, 0.0]])
    current = Grid(setup.axes, held)
    assert check_grid(current, current=current, setup=setup) == ()
    assert {b.rule for b in check_grid(current, current=None, setup=setup)} == {
        "max_total_pct",
        "max_slope_load_pct",
    }
    moved = held.copy()
    moved[0, 0] = 6.0  # 1.06 / 1.09: 2.75 % down
    breaches = check_grid(Grid(setup.axes, moved), current=current, setup=setup)
    assert [breach.rule for breach in breaches] == ["max_step_pct"]


def test_other_breakpoints_are_refused():
    cells, setup = bench.crafted()
    other = Grid.zeros(Axes(np.array([1.0, 2.0]), np.array([1.0, 2.0])))
    with pytest.raises(GridError, match="breakpoints"):
        check_grid(other, current=None, setup=setup)
    zeros = Grid.zeros(setup.axes)
    with pytest.raises(GridError, match="not in the grid's order"):
        check_grid(zeros, current=zeros, setup=setup, cells=cells.iloc[::-1])
    with pytest.raises(GridError, match="breakpoints"):
        check_grid(zeros, current=zeros, setup=setup, cells=cells.iloc[:5])


def test_require_clean_names_every_breach_and_passes_none():
    require_clean(())
    with pytest.raises(RuleBreachError, match="nothing is written") as caught:
        require_clean(seen("step", 5.1))
    assert caught.value.exit_status == 5
    assert "max_step_pct: at 2000 rpm, 60" in str(caught.value)


def test_a_solver_answer_off_by_a_hair_more_than_the_slack_is_seen():
    changes, setting, *_ = BREAKS["total"]
    cells, setup = bench.crafted(changes, **setting)
    setup = replace(setup, limits=replace(setup.limits, resolution_pct=1e-7))
    current = Grid.zeros(setup.axes)
    for extra, objects in ((1e-7, False), (1e-5, True)):
        values = np.zeros(9)
        values[CENTRE] = 5.0 + extra
        grid = Grid(setup.axes, values.reshape(3, 3))
        assert bool(check_grid(grid, current=current, setup=setup, cells=cells)) is objects


def test_the_checker_imports_nothing_of_what_it_checks():
    room = Path(correction.__file__).parent
    checkers = {"checker", "checks_engine", "checks_size", "breaches", "checked_grid"}
    makers = {path.stem for path in room.glob("*.py")} - checkers - {"__init__"}
    assert {"rules", "ruleset", "bounds", "limiter_input", "projection", "limiter"} <= makers
    for name in checkers:
        tree = ast.parse((room / f"{name}.py").read_text(encoding="utf-8"))
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom) and node.module:
                full = {f"{node.module}.{alias.name}" for alias in node.names} | {node.module}
            elif isinstance(node, ast.Import):
                full = {alias.name for alias in node.names}
            else:
                continue
            assert not {f"tuneassist.correction.{maker}" for maker in makers} & full
            assert "tuneassist.units" not in full
