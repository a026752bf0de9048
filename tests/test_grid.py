"""Axes, bilinear weights against scipy, and how percents compose."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import RegularGridInterpolator

from tuneassist.errors import GridError
from tuneassist.grid import (
    Axes,
    Grid,
    axis_weights,
    bilinear_weights,
    compose_pct,
    step_between_pct,
)

UNIT = Axes(rpm=np.array([0.0, 1.0]), load=np.array([0.0, 1.0]))
# references section 6: theta (10, 20, 30, 45) at (u, v) = (0,0), (1,0), (0,1), (1,1); here u is the
# speed and v the load, and a table's rows follow the speed.
WORKED = Grid(UNIT, np.array([[10.0, 30.0], [20.0, 45.0]]))

percents = st.floats(-90.0, 300.0)
steps = st.floats(1.0, 1000.0)


@st.composite
def axes_and_table(draw: st.DrawFn) -> tuple[Axes, np.ndarray]:
    sides = []
    for _ in range(2):
        gaps = draw(st.lists(steps, min_size=1, max_size=6))
        sides.append(draw(st.floats(-500.0, 500.0)) + np.cumsum([0.0, *gaps]))
    axes = Axes(rpm=sides[0], load=sides[1])
    seed = draw(st.integers(0, 2**32 - 1))
    return axes, np.random.default_rng(seed).uniform(-50.0, 50.0, axes.shape)


shares = st.lists(st.tuples(st.floats(-0.5, 1.5), st.floats(-0.5, 1.5)), min_size=1, max_size=20)


def places(axes: Axes, at: list[tuple[float, float]]) -> tuple[np.ndarray, np.ndarray]:
    share = np.array(at)
    rpm = axes.rpm[0] + share[:, 0] * (axes.rpm[-1] - axes.rpm[0])
    return rpm, axes.load[0] + share[:, 1] * (axes.load[-1] - axes.load[0])


# --- weights ------------------------------------------------------------------------------------


@given(axes_and_table(), shares)
def test_look_up_is_scipys_bilinear_interpolation_with_the_edge_held(
    made: tuple[Axes, np.ndarray], at: list[tuple[float, float]]
) -> None:
    axes, table = made
    rpm, load = places(axes, at)
    held = np.stack(
        [
            np.clip(rpm, axes.rpm[0], axes.rpm[-1]),
            np.clip(load, axes.load[0], axes.load[-1]),
        ],
        axis=1,
    )
    scipys = RegularGridInterpolator((axes.rpm, axes.load), table, method="linear")(held)
    np.testing.assert_allclose(Grid(axes, table).at(rpm, load), scipys, rtol=0, atol=1e-9)


@given(axes_and_table(), shares)
def test_weights_are_not_negative_sum_to_one_and_sit_on_at_most_four_cells(
    made: tuple[Axes, np.ndarray], at: list[tuple[float, float]]
) -> None:
    axes, _ = made
    weights = bilinear_weights(axes, *places(axes, at)).toarray()
    assert weights.shape == (len(at), axes.size)
    assert (weights >= 0).all()
    np.testing.assert_allclose(weights.sum(axis=1), 1.0, rtol=0, atol=1e-12)
    assert ((weights > 0).sum(axis=1) <= 4).all()


def test_worked_example_of_the_references() -> None:
    # 0.375 x 10 + 0.125 x 20 + 0.375 x 30 + 0.125 x 45 = 23.125; centre (10+20+30+45)/4 = 26.25
    weights = bilinear_weights(UNIT, [0.25], [0.5]).toarray()[0]
    np.testing.assert_allclose(weights, [0.375, 0.375, 0.125, 0.125], atol=1e-15)
    assert float(weights @ weights) == pytest.approx(0.3125, abs=1e-15)
    assert WORKED.at([0.25], [0.5])[0] == pytest.approx(23.125, abs=1e-12)
    assert WORKED.at([0.5], [0.5])[0] == pytest.approx(26.25, abs=1e-12)


def test_breakpoints_give_their_own_value() -> None:
    axes = Axes(rpm=np.array([800.0, 1200.0, 2000.0]), load=np.array([20.0, 60.0]))
    weights = bilinear_weights(axes, axes.cell_rpm(), axes.cell_load()).toarray()
    np.testing.assert_array_equal(weights, np.eye(6))


def test_the_edge_holds_outside() -> None:
    assert WORKED.at([-3.0], [0.5])[0] == pytest.approx(20.0)  # (10 + 30) / 2
    assert WORKED.at([9.0], [9.0])[0] == pytest.approx(45.0)
    lower, share = axis_weights(np.array([1.0, 2.0, 4.0]), np.array([0.0, 1.0, 2.0, 3.0, 4.0, 9.0]))
    assert lower.tolist() == [0, 0, 1, 1, 1, 1]
    assert share.tolist() == [0.0, 0.0, 0.0, 0.5, 1.0, 1.0]


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_a_point_that_is_no_number_is_refused(bad: float) -> None:
    for rpm, load in (([bad], [0.5]), ([0.5], [bad])):
        with pytest.raises(GridError, match="operating point is not a number"):
            bilinear_weights(UNIT, rpm, load)


def test_no_points_give_no_rows() -> None:
    assert bilinear_weights(UNIT, [], []).shape == (0, 4)


# --- axes ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rpm", "says"),
    [
        ([800.0], "1 breakpoint"),
        ([], "0 breakpoint"),
        ([800.0, np.nan], "not a number"),
        ([800.0, np.inf], "not a number"),
        ([800.0, 800.0], r"does not rise: 800 is followed by 800 \(breakpoints 1 and 2\)"),
        ([800.0, 1200.0, 1000.0], r"does not rise: 1200 is followed by 1000 \(breakpoints 2 and 3"),
        ([[800.0, 900.0]], "breakpoint"),
    ],
)
def test_axes_that_cannot_be_used_say_which_and_why(rpm: list[float], says: str) -> None:
    with pytest.raises(GridError, match=says) as rpm_error:
        Axes(rpm=np.array(rpm), load=np.array([0.0, 1.0]), where="car.toml: axes")
    assert "the rpm axis" in str(rpm_error.value)
    assert "car.toml: axes" in str(rpm_error.value)
    with pytest.raises(GridError, match="the load axis"):
        Axes(rpm=np.array([0.0, 1.0]), load=np.array(rpm))


def test_two_breakpoints_are_enough_and_cannot_be_written_to() -> None:
    mine = np.array([0.0, 1.0])
    axes = Axes(rpm=mine, load=mine)
    mine[0] = 7.0
    assert axes.rpm.tolist() == [0.0, 1.0]
    with pytest.raises(ValueError, match="read-only"):
        axes.rpm[0] = 3.0


def test_cells_are_in_rows_of_rpm_with_load_fastest() -> None:
    axes = Axes(rpm=np.array([1.0, 2.0]), load=np.array([10.0, 20.0, 30.0]))
    assert axes.cell_rpm().tolist() == [1, 1, 1, 2, 2, 2]
    assert axes.cell_load().tolist() == [10, 20, 30, 10, 20, 30]
    assert sorted(map(tuple, axes.neighbour_pairs().tolist())) == [
        (0, 1), (0, 3), (1, 2), (1, 4), (2, 5), (3, 4), (4, 5),
    ]  # fmt: skip


def test_same_axes_are_told_from_others() -> None:
    assert UNIT.is_same(Axes(rpm=np.array([0.0, 1.0]), load=np.array([0.0, 1.0]), load_name="x"))
    assert not UNIT.is_same(Axes(rpm=np.array([0.0, 1.0]), load=np.array([0.0, 1.001])))
    assert not UNIT.is_same(Axes(rpm=np.array([0.0, 1.0, 2.0]), load=np.array([0.0, 1.0])))


# --- grids --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("values", "says"),
    [
        (np.zeros((2, 3)), r"shape \(2, 3\), the axes need \(2, 2\)"),
        (np.array([[0.0, np.inf], [0.0, 0.0]]), "infinite"),
        (np.array([[0.0, -100.0], [0.0, 0.0]]), "takes away all of the fuel"),
    ],
)
def test_a_grid_that_cannot_be_is_refused(values: np.ndarray, says: str) -> None:
    with pytest.raises(GridError, match=says):
        Grid(UNIT, values)


def test_a_grid_may_hold_no_value_and_just_above_minus_100() -> None:
    grid = Grid(UNIT, np.array([[np.nan, -99.99], [0.0, 0.0]]))
    assert np.isnan(grid.flat()[0])
    assert grid.flat()[1] == -99.99
    assert Grid.zeros(UNIT).flat().tolist() == [0.0] * 4


# --- percents -----------------------------------------------------------------------------------


def test_percents_multiply_and_never_add() -> None:
    assert float(compose_pct(10.0, 10.0)) == pytest.approx(21.0)  # 1.1 x 1.1 = 1.21
    assert float(compose_pct(-50.0, 100.0)) == pytest.approx(0.0, abs=1e-12)  # 0.5 x 2 = 1
    assert float(step_between_pct(10.0, 21.0)) == pytest.approx(10.0)


@given(percents, percents, percents)
def test_composition_is_associative_commutative_and_has_zero(a: float, b: float, c: float) -> None:
    left = compose_pct(compose_pct(a, b), c)
    np.testing.assert_allclose(left, compose_pct(a, compose_pct(b, c)), rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(compose_pct(a, b), compose_pct(b, a), rtol=1e-12, atol=1e-12)
    assert float(compose_pct(a, 0.0)) == a


@given(percents, percents)
def test_composition_is_what_the_ratios_do(a: float, b: float) -> None:
    ratio = (1 + a / 100) * (1 + b / 100)
    np.testing.assert_allclose(compose_pct(a, b), 100 * (ratio - 1), rtol=1e-9, atol=1e-9)
    # the sum misses by the product of the two, which is nothing only when one of them is
    np.testing.assert_allclose(compose_pct(a, b) - (a + b), a * b / 100, rtol=1e-6, atol=1e-9)


@given(percents, percents)
def test_the_step_between_undoes_the_composition(a: float, b: float) -> None:
    np.testing.assert_allclose(step_between_pct(a, compose_pct(a, b)), b, rtol=1e-7, atol=1e-7)
    np.testing.assert_allclose(compose_pct(a, step_between_pct(a, b)), b, rtol=1e-7, atol=1e-7)
