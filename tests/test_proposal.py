"""The raw step: signs, gain, dead band, floor, and nothing without evidence."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tuneassist.correction import propose_raw
from tuneassist.grid import Axes
from tuneassist.settings import CorrectionSettings, EngineSettings, Setup, Target

FUEL = CorrectionSettings()
BOOST = CorrectionSettings(acts_on="boost")


def one_cell(deviation, *, half=1.0, confidence="good", target=0.9):
    return pd.DataFrame(
        {
            "target_lambda": [target],
            "deviation_pct": [deviation],
            "ci_low_pct": [deviation - half],
            "ci_high_pct": [deviation + half],
            "confidence": [confidence],
        }
    )


def raw(cells, *, kind="aim", correction=FUEL):
    return propose_raw(cells, target_kind=kind, correction=correction)["raw_pct"].iloc[0]


@pytest.mark.parametrize("deviation", [-12.0, -3.0, 4.0, 25.0])
def test_at_unit_gain_fuel_follows_the_contract_equation(deviation):
    # contract: c = 100 (lambda/target - 1), + is more fuel
    assert raw(one_cell(deviation)) == pytest.approx(deviation, abs=1e-12)


def test_boost_is_target_over_measured_lambda():
    # contract and issue 4: pressure times target/measured. 1.14 where 1.20 is wanted:
    # 1.20 / 1.14 = 1.0526316, so 5.26316 % more air
    deviation = 100 * (1.14 / 1.20 - 1)
    cells = one_cell(deviation, target=1.20)
    assert raw(cells, kind="floor", correction=BOOST) == pytest.approx(5.2631579, abs=1e-6)


@pytest.mark.parametrize(
    ("gain", "ratio"),
    [(0.5, 0.5), (0.8, 0.2), (1.5, -0.5)],
)
def test_the_loop_shrinks_as_the_published_ratio_one_minus_gain(gain, ratio):
    # references section 8: e(k+1) = (1 - gamma g) e(k), here in ln(lambda/target) with g = 1
    step = raw(one_cell(10.0), correction=CorrectionSettings(gain=gain))
    after = np.log(1.10 / (1 + step / 100))
    assert after == pytest.approx(ratio * np.log(1.10), abs=1e-12)


@given(st.floats(-60, 150), st.floats(0.05, 0.95))
def test_half_the_gain_twice_is_the_gain(deviation, gain):
    cells = one_cell(deviation, half=0.0)
    settings = [CorrectionSettings(gain=g, tolerance_pct=0) for g in (gain, 2 * gain)]
    half, whole = (1 + raw(cells, correction=s) / 100 for s in settings)
    assert half**2 == pytest.approx(whole, rel=1e-9)


@given(st.floats(-60, 150))
def test_air_undoes_what_fuel_does(deviation):
    cells = one_cell(deviation, half=0.0)
    fuel, air = 1 + raw(cells) / 100, 1 + raw(cells, correction=BOOST) / 100
    assert fuel * air == pytest.approx(1.0, rel=1e-9)


@pytest.mark.parametrize(
    ("deviation", "half", "moves"),
    [
        (0.5, 0.5, False),  # at the tolerance, interval touches zero: dead
        (0.5, 0.49, True),  # the interval no longer holds zero
        (0.51, 0.6, True),  # beyond the tolerance
        (-0.5, 0.5, False),
        (-0.5, 0.49, True),
        (0.3, np.nan, False),  # an unknown interval counts as holding zero
    ],
)
def test_dead_band_needs_both_a_small_deviation_and_an_interval_with_zero(deviation, half, moves):
    assert bool(raw(one_cell(deviation, half=half))) is moves


@pytest.mark.parametrize("acts_on", [FUEL, BOOST])
def test_leaner_than_a_floor_asks_for_nothing_and_richer_does(acts_on):
    assert raw(one_cell(8.0), kind="floor", correction=acts_on) == 0
    assert raw(one_cell(-8.0), kind="floor", correction=acts_on) != 0


@pytest.mark.parametrize(
    "cells",
    [
        one_cell(9.0, confidence="none"),
        one_cell(9.0, confidence="excellent"),
        one_cell(9.0, target=np.nan),
        one_cell(np.nan),
        one_cell(np.inf),
        one_cell(-100.0),
    ],
)
def test_without_evidence_nothing_is_asked_for(cells):
    result = propose_raw(cells, target_kind="aim", correction=FUEL)
    assert result["raw_pct"].iloc[0] == 0
    assert result["reason"].iloc[0].startswith(("no change", "left alone"))


def test_reasons_say_size_side_interval_and_direction():
    words = propose_raw(one_cell(4.25), target_kind="aim", correction=FUEL)["reason"].iloc[0]
    assert words == "4.2 % leaner than target (+3.2 to +5.2 %, good): asks for 4.2 % more fuel"


def test_the_given_frame_is_not_changed():
    cells = one_cell(5.0)
    before = cells.copy()
    propose_raw(cells, target_kind="aim", correction=FUEL)
    pd.testing.assert_frame_equal(cells, before)


# --- room above a smoke floor ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("deviation", "asked"),
    [
        (-4.0, 100.0 * (0.96 / 1.01 - 1.0)),  # up to the floor and 1 % above it
        (-0.3, 100.0 * (0.997 / 1.01 - 1.0)),  # below the floor, however little
        (0.4, 100.0 * (1.004 / 1.01 - 1.0)),
        (0.7, 0.0),  # within 0.5 % of the room that is kept
        (1.0, 0.0),
        (30.0, 0.0),  # leaner than that needs nothing, and never more fuel
    ],
)
def test_against_a_smoke_floor_a_cell_is_brought_a_margin_above_it(deviation, asked):
    cells = propose_raw(
        one_cell(deviation), target_kind="floor", correction=FUEL, floor_margin_pct=1.0
    )
    assert cells["raw_pct"].iloc[0] == pytest.approx(asked)
    assert ("1 % above the floor" in cells["reason"].iloc[0]) == (asked != 0)
    aim = propose_raw(one_cell(-4.0), target_kind="aim", correction=FUEL, floor_margin_pct=1.0)
    assert aim["raw_pct"].iloc[0] == pytest.approx(-4.0)


@pytest.mark.parametrize(
    ("ignition", "kind", "acts_on", "room"),
    [
        ("compression", "floor", "fuel", 1.0),
        ("compression", "aim", "fuel", 0.0),
        ("compression", "floor", "boost", 0.0),  # more boost is not the safe way
        ("spark", "floor", "fuel", 0.0),  # nor is less fuel for a spark engine
    ],
)
def test_room_above_a_floor_is_made_the_safe_way_only(ignition, kind, acts_on, room):
    axes = Axes(rpm=np.array([1000.0, 2000.0]), load=np.array([10.0, 20.0]))
    setup = Setup(
        axes=axes,
        target=Target(np.full((2, 2), 1.3), kind=kind),
        engine=EngineSettings(ignition=ignition),
        correction=CorrectionSettings(acts_on=acts_on),
    )
    assert setup.floor_margin_pct == room
