"""From the fit to cells: reach, confidence, bounds at a sensor's stop, highest values."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from frames import channel_peaks

from tuneassist.evidence.cell_table import (
    cell_table,
    confidence_words,
)
from tuneassist.evidence.hull import hull_of, is_supported
from tuneassist.evidence.lattice import LatticeFit, fit_lattice
from tuneassist.grid import Axes, Grid, bilinear_weights
from tuneassist.settings import CorrectionSettings, Target

AXES = Axes(rpm=np.array([1000.0, 2000, 3000, 4000, 5000]), load=np.array([20.0, 60, 100, 140]))
TARGET = Target(np.full(AXES.shape, 0.9))
WORDS = CorrectionSettings(
    good_half_width_pct=1.2, fair_half_width_pct=2.5, low_half_width_pct=5.0, fair_min_holds=2
)


def holds_at(points: list[tuple[float, float]], need: float = 0.03, stop: str = "") -> pd.DataFrame:
    rpm, load = np.array(points, dtype=float).reshape(-1, 2).T
    frame = pd.DataFrame({"rpm": rpm, "load": load, "samples": 50.0, "need_ln": need})
    return frame.assign(stop=stop)


def table(
    holds: pd.DataFrame,
    *,
    current: Grid | None = None,
    target: Target = TARGET,
    fit: LatticeFit | None = None,
) -> pd.DataFrame:
    weights = bilinear_weights(AXES, holds["rpm"], holds["load"])
    is_value = holds["stop"].eq("").to_numpy()
    if fit is None and is_value.any():
        y = holds["need_ln"].to_numpy(dtype=float)[is_value]
        fit = fit_lattice(AXES, weights[is_value], y, np.full(len(y), 1e-3))
    holds = holds.assign(total_need_ln=holds["need_ln"], within_se=1e-3, log_number=0)
    return cell_table(
        AXES,
        target=target,
        current=Grid.zeros(AXES) if current is None else current,
        holds=holds,
        weights=weights,
        fit=fit,
        correction=WORDS,
    )


def table_with_doubt(holds: pd.DataFrame, fit: LatticeFit, lean_ln: float) -> pd.DataFrame:
    return cell_table(
        AXES,
        target=TARGET,
        current=Grid.zeros(AXES),
        holds=holds.assign(total_need_ln=holds["need_ln"], within_se=1e-3, log_number=0),
        weights=bilinear_weights(AXES, holds["rpm"], holds["load"]),
        fit=fit,
        correction=WORDS,
        lean_ln=lean_ln,
    )


def cell(found: pd.DataFrame, rpm: float, load: float) -> pd.Series:
    return found[(found["rpm"] == rpm) & (found["load"] == load)].iloc[0]


# --- confidence ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("half_width", "holds", "word"),
    [(1.2, 2, "good"), (1.21, 2, "fair"), (2.5, 2, "fair"), (2.51, 2, "low"), (5.0, 2, "low"),
     (5.01, 2, "none"), (1.2, 1, "low"), (2.5, 1, "low"), (5.0, 0, "low"), (np.nan, 9, "none"),
     (np.inf, 9, "none")],
)  # fmt: skip
def test_confidence_at_its_boundaries(half_width: float, holds: int, word: str) -> None:
    found = confidence_words(np.array([half_width]), np.array([holds]), np.array([True]), WORDS)
    assert found.tolist() == [word]


def test_out_of_reach_there_is_no_confidence() -> None:
    found = confidence_words(np.array([0.1]), np.array([9]), np.array([False]), WORDS)
    assert found.tolist() == ["none"]


# --- reach --------------------------------------------------------------------------------------


def reach(points: list[tuple[float, float]]) -> np.ndarray:
    holds = holds_at(points)
    weights = bilinear_weights(AXES, holds["rpm"], holds["load"])
    own = np.asarray(weights.sum(axis=0)).ravel()
    rpm, load = holds["rpm"].to_numpy(), holds["load"].to_numpy()
    return is_supported(AXES, hull_of(AXES, rpm, load), own).reshape(AXES.shape)


def test_a_cell_between_others_is_reached_and_one_beyond_is_not() -> None:
    found = reach([(1000, 20), (1000, 100), (4000, 20), (4000, 100)])
    assert found[:4, :3].all()  # the corners by their own, the rest inside the hull
    assert not found[4].any()
    assert not found[:, 3].any()


def test_without_an_area_only_own_holds_count() -> None:
    own = np.zeros(AXES.shape, dtype=bool)
    own[[0, 2, 4], 0] = True
    np.testing.assert_array_equal(reach([(1000, 20), (3000, 20), (5000, 20)]), own)  # on a line
    own[4, 0] = False
    np.testing.assert_array_equal(reach([(1000, 20), (3000, 20)]), own)
    assert not reach([]).any()


@pytest.mark.parametrize(("load", "is_reached"), [(62.1, True), (61.9, False)])
def test_a_hold_counts_for_a_cell_from_a_twentieth_of_its_weight(
    load: float, is_reached: bool
) -> None:
    # 40 units of load are one cell: 2 of them give the next cell 0.05
    assert reach([(3000, load)])[2, 2] == is_reached


# --- the table ----------------------------------------------------------------------------------


def grid_of_holds() -> pd.DataFrame:
    rng = np.random.default_rng(1)
    points = [(r, c) for r in (1000, 1500, 2500, 3500) for c in (25, 60, 95)]
    holds = holds_at(points)
    slope = 0.04 * (holds["rpm"] - 1000.0) / 1000.0 + 0.02 * (holds["load"] - 20.0) / 40.0
    return holds.assign(need_ln=0.03 + slope + 0.002 * rng.standard_normal(len(holds)))


def level_fit(holds: pd.DataFrame) -> LatticeFit:
    """A fit that is the same in every cell, so that only the grid in force tells cells apart."""
    weights = bilinear_weights(AXES, holds["rpm"], holds["load"])
    fit = fit_lattice(AXES, weights, holds["need_ln"], np.full(len(holds), 1e-3))
    same = np.full(AXES.size, float(holds["need_ln"].iloc[0]))
    return replace(fit, theta=same, covariance=1e-6 * np.eye(AXES.size))


def test_deviation_counts_holds_and_samples_by_hand() -> None:
    found = table(grid_of_holds())
    corner = cell(found, 1000, 20)
    # (1000, 25) has 0.875 of it; (1500, 25) has half of that: 1.3125 x 50 = 65.6 samples
    assert corner["samples"] == 66
    assert corner["holds"] == 2
    assert corner["deviation_pct"] == pytest.approx(100 * np.expm1(0.03), abs=0.3)
    assert corner["ci_low_pct"] < corner["deviation_pct"] < corner["ci_high_pct"]
    assert corner["confidence"] == "good"
    assert corner["lambda_measured"] == pytest.approx(0.9 * (1 + corner["deviation_pct"] / 100))
    assert corner["effective_n"] > 0
    assert corner["evidence"] == ""
    assert corner["holds_in_all"] == 12


def test_without_a_pattern_no_cell_is_more_than_low() -> None:
    rng = np.random.default_rng(1)
    holds = grid_of_holds().assign(need_ln=0.03 + 0.002 * rng.standard_normal(12))
    found = table(holds)
    assert set(found["confidence"]) == {"low", "none"}
    assert (
        found.loc[found["confidence"].eq("low"), "evidence"]
        .eq("the holds show no pattern over speed and load")
        .all()
    )


def test_what_was_seen_in_a_cell_itself_is_told_apart_from_its_neighbours() -> None:
    # three holds at the breakpoint, by hand: 0.17; one with half of it and two with 1/16 tell
    # 1/4 and 1/256 as much; each of scatter s and own error 0.001; nothing touches (1000, 140)
    holds = pd.concat([grid_of_holds(), holds_at([(4000, 60)] * 3, need=0.17)], ignore_index=True)
    weights = bilinear_weights(AXES, holds["rpm"], holds["load"])
    fit = fit_lattice(AXES, weights, holds["need_ln"], np.full(len(holds), 1e-3))
    found = table(holds, fit=fit)
    own = cell(found, 4000, 60)
    middle = (own["own_low_pct"] + own["own_high_pct"]) / 2.0
    # the middle of exp(a - h) and exp(a + h) lies exp(a) (cosh(h) - 1) above exp(a)
    h = np.log((1 + own["own_high_pct"] / 100) / (1 + own["own_low_pct"] / 100)) / 2
    assert middle == pytest.approx(100 * (np.exp(0.17) * np.cosh(h) - 1), abs=0.01)
    least = np.sqrt((fit.hold_scatter**2 + 1e-6) / (3 + 1 / 4 + 2 / 256))
    quantile = fit.half_width()[0] / fit.standard_error[0]
    assert h == pytest.approx(quantile * least, rel=0.02)
    assert np.isnan(cell(found, 1000, 140)["own_high_pct"])
    moved = cell(table_with_doubt(holds, fit, lean_ln=0.05), 4000, 60)
    assert moved["own_high_pct"] > own["own_high_pct"] + 5.0


def test_where_the_evidence_does_not_reach_nothing_is_claimed() -> None:
    found = table(grid_of_holds())
    beyond = cell(found, 5000, 140)
    assert beyond["confidence"] == "none"
    assert beyond["evidence"] == "no evidence"
    assert beyond[["deviation_pct", "ci_low_pct", "ci_high_pct", "se_pct"]].isna().all()
    assert beyond["effective_n"] == 0.0
    assert np.isnan(beyond["lambda_measured"])


def test_the_correction_in_force_is_taken_off_the_total_need() -> None:
    # Total need 5 % with 5 % in force everywhere: nothing is left to do. Where 2 % is in force
    # 1.05 / 1.02 - 1 = 2.94 % is left.
    holds = grid_of_holds().assign(need_ln=np.log(1.05))
    values = np.full(AXES.shape, 5.0)
    values[1, 1] = 2.0
    found = table(holds, current=Grid(AXES, values), fit=level_fit(holds))
    assert cell(found, 1000, 20)["deviation_pct"] == pytest.approx(0.0, abs=1e-3)
    assert cell(found, 2000, 60)["deviation_pct"] == pytest.approx(2.941, abs=1e-3)
    for name in ("ci_low_pct", "ci_high_pct"):  # the interval moves along
        shift = cell(found, 2000, 60)[name] - cell(found, 1000, 20)[name]
        assert shift == pytest.approx(2.941, abs=0.05)


def test_a_blank_cell_in_force_counts_as_no_correction() -> None:
    values = np.zeros(AXES.shape)
    values[1, 1] = np.nan
    blank = table(grid_of_holds(), current=Grid(AXES, values))
    pd.testing.assert_frame_equal(blank, table(grid_of_holds()))


def test_against_a_floor_the_deviation_is_that_of_lambda() -> None:
    # lambda 2.6 over a floor of 1.3: + 100 %, fitted on the scale 1 - 1.3 / 2.6 = 0.5
    holds = grid_of_holds().assign(need_ln=np.log(2.0))
    weights = bilinear_weights(AXES, holds["rpm"], holds["load"])
    y = np.full(len(holds), 0.5) + 1e-4 * np.cos(np.arange(len(holds)))
    fit = fit_lattice(AXES, weights, y, np.full(len(y), 1e-3))
    floor = Target(np.full(AXES.shape, 1.3), kind="floor")
    found = cell(table(holds, target=floor, fit=fit), 2000, 60)
    assert found["deviation_pct"] == pytest.approx(100.0, abs=0.1)
    assert found["ci_low_pct"] < 100 < found["ci_high_pct"]


# --- a sensor at its stop -----------------------------------------------------------------------


@pytest.mark.parametrize(("stop", "known", "open_end"), [
    ("lean", "ci_low_pct", "ci_high_pct"), ("rich", "ci_high_pct", "ci_low_pct"),
])  # fmt: skip
def test_a_hold_at_the_stop_bounds_its_cell_on_one_side(
    stop: str, known: str, open_end: str
) -> None:
    sign = 1 if stop == "lean" else -1
    holds = holds_at([(3000, 100)] * 2, need=sign * 0.3, stop=stop)
    found = cell(table(holds), 3000, 100)
    assert found[known] == pytest.approx(100 * np.expm1(sign * 0.3))
    assert np.isnan(found[open_end])
    assert np.isnan(found["deviation_pct"])
    assert found["confidence"] == "none"
    assert f"at its {stop} stop" in found["evidence"]
    assert "size unknown" in found["evidence"]


def test_of_several_bounds_the_one_nearest_to_zero_is_claimed() -> None:
    # leaner than 20 % and leaner than 35 %: 20 % is what all of them allow
    lean = pd.concat([holds_at([(3000, 100)], n, "lean") for n in np.log([1.35, 1.2])])
    assert cell(table(lean.reset_index(drop=True)), 3000, 100)["ci_low_pct"] == pytest.approx(20.0)


@pytest.mark.parametrize(("load", "is_bound"), [(91.0, True), (69.0, False)])
def test_a_stop_bounds_a_cell_from_a_quarter_of_its_weight(load: float, is_bound: bool) -> None:
    # (60, 100): 69 gives the upper cell 0.225, 91 gives it 0.775
    found = cell(table(holds_at([(3000, load)], 0.3, "lean")), 3000, 100)
    assert np.isfinite(found["ci_low_pct"]) == is_bound


def test_a_stop_takes_the_claim_from_a_cell_only_where_it_outweighs_the_values() -> None:
    values = grid_of_holds()
    # one stop leaves the value, but doubted: what is read beside a stop is a biased choice
    for count, word in ((1, "low"), (9, "none")):
        stops = holds_at([(2000, 60)] * count, 0.3, "lean")
        both = pd.concat([values, stops], ignore_index=True)
        assert cell(table(both), 2000, 60)["confidence"] == word
    assert cell(table(values), 2000, 60)["confidence"] == "good"


def test_only_stops_and_no_value_leave_the_other_cells_unknown() -> None:
    found = table(holds_at([(3000, 100)], 0.3, "lean"))
    others = found[(found["rpm"] != 3000) | (found["load"] != 100)]
    assert others["evidence"].eq("no evidence").all()
    assert (found["effective_n"] == 0).all()


# --- highest values -----------------------------------------------------------------------------


def test_peaks_are_the_second_highest_near_each_cell() -> None:
    line = pd.DataFrame(
        {
            "rpm": [1000.0, 1100, 1499, 1400, 3000, 3100, np.nan, 2000],
            "load": [20.0, 25, 39, 20, 100, 100, 100, 60],
            "exhaust_temp_c": [700.0, 720, 1999, 710, 500, np.nan, 2500, 640],
        }
    )
    found = channel_peaks(line, AXES, ("exhaust_temp_c", "knock"))
    assert list(found.columns) == ["exhaust_temp_c_max"]
    peaks = found["exhaust_temp_c_max"].to_numpy().reshape(AXES.shape)
    assert peaks[0, 0] == 720.0  # 1999 is one wild reading
    assert np.isnan(peaks[2, 2])  # one value alone is not seen twice
    assert np.isnan(peaks[1, 1])
    assert np.isnan(np.delete(peaks.ravel(), 0)).all()


def test_a_prompt_reading_on_the_way_counts_where_it_was_and_a_spike_does_not() -> None:
    # breakpoints 1000 and 2000 rpm: a climb passes 2000 in one sample, whose neighbours confirm it;
    # then a spike of 99 at 1000; a temperature of the same course is that of the cell before
    line = pd.DataFrame(
        {"rpm": [1000.0, 1400, 1900, 1300, 1000, 1000, 1000], "load": 20.0,
         "injector_duty_pct": [70.0, 80, 90, 85, 60, 99, 60]}
    )  # fmt: skip
    line["exhaust_temp_c"] = line["injector_duty_pct"]
    found = channel_peaks(line, AXES, ("injector_duty_pct", "exhaust_temp_c"))
    duty, heat = (found[name].to_numpy().reshape(AXES.shape)[:2, 0] for name in found)
    assert duty.tolist() == [85.0, 85.0]  # 90 and 99 as far as a neighbour reaches
    assert heat[0] == 85.0
    assert np.isnan(heat[1])


def test_samples_belong_to_the_nearest_breakpoint_and_the_edge_takes_what_is_outside() -> None:
    line = pd.DataFrame(
        {"rpm": [1499.0, 1499, 1501, 1501, 9000, 9000], "load": 20.0,
         "knock": [1.0, 1, 2, 2, 3, 3]}
    )  # fmt: skip
    found = channel_peaks(line, AXES, ("knock",))["knock_max"].to_numpy().reshape(AXES.shape)
    assert found[:, 0].tolist()[:2] == [1.0, 2.0]
    assert found[4, 0] == 3.0


def test_a_log_without_places_or_channels_has_no_peaks() -> None:
    line = pd.DataFrame({"rpm": [np.nan] * 2, "load": [1.0] * 2, "knock": [3.0] * 2})
    assert channel_peaks(line, AXES, ("knock",))["knock_max"].isna().all()
    assert channel_peaks(line.fillna(1.0), AXES, ("knock",))["knock_max"].notna().sum() == 1
    assert channel_peaks(line.fillna(1.0), AXES, ("torque_nm",)).shape == (AXES.size, 0)


def test_stricter_words_need_narrower_intervals() -> None:
    strict = replace(WORDS, good_half_width_pct=0.5)
    half = np.array([0.6])
    near, reached = np.array([3]), np.array([True])
    assert confidence_words(half, near, reached, strict).tolist() == ["fair"]
    assert confidence_words(half, near, reached, WORDS).tolist() == ["good"]
