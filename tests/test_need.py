"""What a sample needs: lambda against target, composed with the trims that were already applied."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tuneassist.evidence.need import (
    STOP_WORDS,
    TRIM_COLUMNS,
    from_surface_scale,
    inside_axes,
    need_values,
    scatter_scale,
    surface_scale,
    target_at,
)
from tuneassist.grid import Axes
from tuneassist.settings import SteadySettings

AXES = Axes(rpm=np.array([1000.0, 2000.0, 4000.0]), load=np.array([40.0, 100.0]))


def need(
    frame: dict[str, list[float]], target: float | list[float] = 1.0, **stops: float
) -> pd.DataFrame:
    columns = {name: np.array(values) for name, values in frame.items()}
    count = len(next(iter(columns.values())))
    found, stop = need_values(
        columns.get("lambda"),
        target_lambda=np.broadcast_to(target, count).astype(float),
        trims={name: columns[name] for name in TRIM_COLUMNS if name in columns},
        stops=(stops.get("richest", 0.0), stops.get("leanest", np.inf)),
        settings=SteadySettings(),
    )
    return pd.DataFrame({"need_ln": found, "is_at_stop": np.array(STOP_WORDS, dtype=object)[stop]})


# --- the formula --------------------------------------------------------------------------------


def test_need_by_hand() -> None:
    # 0.95 / 0.90 x 1.05 x 0.98 = 1.0861667: 8.62 % more fuel, not 5.56 + 5 - 2 = 8.56
    frame = {
        "lambda": [0.95],
        "fuel_trim_short_pct": [5.0],
        "fuel_trim_long_pct": [-2.0],
    }
    found = float(np.expm1(need(frame, 0.90)["need_ln"].iloc[0]))
    assert 100 * found == pytest.approx(8.616667, abs=1e-5)


def test_the_published_fuel_multiplier() -> None:
    # references section 1: AFR 13.2 measured, 12.5 wanted gives 1.0560
    found = need({"lambda": [13.2 / 14.7]}, 12.5 / 14.7)["need_ln"].iloc[0]
    assert float(np.exp(found)) == pytest.approx(1.0560, abs=5e-5)


@given(st.floats(0.7, 1.4), st.floats(-24, 24), st.floats(-24, 24), st.floats(0.7, 1.2))
def test_open_and_closed_loop_agree_on_what_the_cell_needs(
    bare: float, short: float, long: float, target: float
) -> None:
    # With trims in force the same cell runs at bare / (1 + short) / (1 + long).
    trimmed = bare / (1 + short / 100) / (1 + long / 100)
    closed = need(
        {"lambda": [trimmed], "fuel_trim_short_pct": [short], "fuel_trim_long_pct": [long]}, target
    )
    opened = need({"lambda": [bare]}, target)
    assert closed["need_ln"].iloc[0] == pytest.approx(opened["need_ln"].iloc[0], abs=1e-12)


def test_without_lambda_the_need_is_the_trims_and_only_where_a_target_is() -> None:
    trims = {"fuel_trim_short_pct": [10.0, 10.0], "fuel_trim_long_pct": [10.0, 10.0]}
    found = need(trims, [1.0, np.nan])["need_ln"]
    assert float(np.exp(found[0])) == pytest.approx(1.21)
    assert np.isnan(found[1])


@pytest.mark.parametrize("lam", [0.0, -1.0, np.nan])
def test_a_lambda_that_cannot_be_has_no_need(lam: float) -> None:
    assert np.isnan(need({"lambda": [lam]})["need_ln"].iloc[0])


def test_a_blank_trim_makes_the_need_unknown_not_zero() -> None:
    found = need({"lambda": [1.0], "fuel_trim_short_pct": [np.nan]})
    assert np.isnan(found["need_ln"].iloc[0])


# --- stops --------------------------------------------------------------------------------------


def test_a_trim_at_its_stop_counts_in_the_direction_in_which_it_pulls() -> None:
    # +25 % means that the controller adds all the fuel it can and the cell may need yet more: lean
    frame = {
        "lambda": [1.0] * 4,
        "fuel_trim_short_pct": [24.9, 25.0, -25.0, 0.0],
        "fuel_trim_long_pct": [0.0, 0.0, 0.0, -30.0],
    }
    assert need(frame)["is_at_stop"].tolist() == ["", "lean", "rich", "rich"]


def test_a_sensor_at_its_stop_is_marked_within_its_width() -> None:
    frame = {"lambda": [1.36, 1.3594, 1.3590, 0.68, 0.6803, 0.6805]}
    found = need(frame, richest=0.68, leanest=1.36)["is_at_stop"].tolist()
    # 0.05 % of 1.36 is 0.00068, of 0.68 is 0.00034
    assert found == ["lean", "lean", "", "rich", "rich", ""]


def test_the_arrays_given_are_not_changed() -> None:
    lam, target = np.array([0.0, 1.36]), np.ones(2)
    need_values(lam, target_lambda=target, trims={}, stops=(0.68, 1.36), settings=SteadySettings())
    assert (lam.tolist(), target.tolist()) == ([0.0, 1.36], [1.0, 1.0])


# --- the target at a sample ---------------------------------------------------------------------


def test_target_is_looked_up_as_the_controller_does() -> None:
    table = np.array([[1.0, 0.9], [1.0, 0.8], [0.9, 0.8]])
    found = target_at(AXES, table, np.array([1500.0, 9000.0]), np.array([70.0, 40.0]))
    np.testing.assert_allclose(found, [(1.0 + 0.9 + 1.0 + 0.8) / 4, 0.9])


def test_a_sample_belongs_to_no_target_where_cells_left_alone_have_half_the_say() -> None:
    table = np.array([[1.0, 0.9], [1.0, 0.8], [np.nan, np.nan]])
    # between 2000 and 4000 rpm the known row's share falls from 1 to 0
    rpm = np.array([2900.0, 2999.0, 3000.0, 3500.0, np.nan])
    found = target_at(AXES, table, rpm, np.full(5, 40.0))
    np.testing.assert_allclose(found, [1.0, 1.0, np.nan, np.nan, np.nan])


def test_points_outside_the_axes_count_up_to_the_margin() -> None:
    # outermost cells: 1000 rpm wide below, 2000 above; half a cell is 500 and 1000
    rpm = np.array([499.0, 500.0, 5000.0, 5001.0, 2000.0, np.nan])
    found = inside_axes(AXES, rpm, np.full(6, 50.0), margin_cells=0.5)
    assert found.tolist() == [False, True, True, False, True, False]
    load = np.array([9.9, 10.0, 130.0, 130.1])
    found = inside_axes(AXES, np.full(4, 2000.0), load, margin_cells=0.5)
    assert found.tolist() == [False, True, True, False]


# --- scales -------------------------------------------------------------------------------------


@given(st.floats(-1.0, 2.5), st.sampled_from(["aim", "floor"]))
def test_the_surfaces_scale_goes_there_and_back(value: float, kind: str) -> None:
    there = surface_scale(np.array([value]), kind)
    np.testing.assert_allclose(from_surface_scale(there, kind), value, atol=1e-9)


@given(st.floats(-0.5, 2.0))
def test_scatter_scale_is_the_slope_of_the_surfaces_scale(value: float) -> None:
    step = 1e-6
    ends = surface_scale(np.array([value - step, value + step]), "floor")
    slope = float(np.diff(ends)[0]) / (2 * step)
    assert scatter_scale(np.array([value]), "floor")[0] == pytest.approx(slope, rel=1e-6)
    assert scatter_scale(np.array([value]), "aim")[0] == 1.0


def test_the_floors_scale_is_the_share_of_the_fuel_that_the_floor_allows() -> None:
    # lambda 2.6 over a floor of 1.3: half of the fuel that the floor allows is not used
    assert surface_scale(np.log([2.6 / 1.3]), "floor")[0] == pytest.approx(0.5)
    assert np.isfinite(from_surface_scale(np.array([1.0, 2.0]), "floor")).all()
