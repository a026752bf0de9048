"""Fuel trims that stand still beside lambda lean nothing in boost until the setup says so."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from lean_judge import BOOST_KPA, proposed, turned_lean

from tuneassist.evidence.standing_trims import STANDING_PCT
from tuneassist.pipeline import reduce_log
from tuneassist.reduction import reduce_parts
from tuneassist.settings import Setup
from tuneassist.simulate import SessionPlan, TrueEngine, draw_engine, simulate_session

SHARE_PCT = -6.0


def drive(seed: int) -> tuple[TrueEngine, pd.DataFrame, Setup]:
    """A session of an engine whose truth is known, in open loop."""
    rng = np.random.default_rng(seed)
    engine = draw_engine(rng)
    samples = simulate_session(engine, SessionPlan(holds=75, warm_up_s=0.0), rng=rng).samples
    return engine, samples, Setup(axes=engine.car.axes, target=engine.car.target)


def with_trims(samples: pd.DataFrame, short: object, long: object) -> pd.DataFrame:
    return samples.assign(fuel_trim_short_pct=short, fuel_trim_long_pct=long)


def idle_trims(samples: pd.DataFrame, *, in_boost_only: bool = True) -> pd.DataFrame:
    """Trims that the controller shows and does not apply: short at 0, long standing at -6 %."""
    is_there = samples["load"].to_numpy() > BOOST_KPA if in_boost_only else True
    return with_trims(samples, 0.0, np.where(is_there, SHARE_PCT, 0.0))


def acting(setup: Setup) -> Setup:
    return replace(setup, correction=replace(setup.correction, standing_trims_act=True))


@pytest.mark.parametrize("seed", [2, 3, 5])
def test_a_long_trim_that_stands_and_does_not_act_leans_nothing_in_boost(seed: int) -> None:
    engine, samples, setup = drive(seed)
    logged = idle_trims(samples)
    assert turned_lean(engine, proposed(logged, acting(setup))) > 0  # what the key takes on
    found = proposed(logged, setup)
    assert turned_lean(engine, found) == 0
    (note,) = (n for n in found.evidence.notes if "fuel trims stand still" in n)
    assert "at -6.0 %" in note
    assert "standing_trims_act = true" in note


def test_trims_that_move_or_stand_at_nothing_are_not_doubted() -> None:
    _, samples, setup = drive(1)
    busy = np.where(np.arange(len(samples)) % 7 < 3, -6.2, -5.8)  # a loop that hunts
    for trimmed in (with_trims(samples, busy, 0.0), with_trims(samples, 0.0, 0.0), samples):
        assert STANDING_PCT not in reduce_log(trimmed, name="x", setup=setup).peaks
    above = with_trims(samples, 0.0, 6.0)  # reads leaner than it may be: no way to lean by
    assert STANDING_PCT not in reduce_log(above, name="x", setup=setup).peaks


def test_below_boost_a_standing_trim_bars_nothing() -> None:
    _, samples, setup = drive(1)
    found = proposed(idle_trims(samples, in_boost_only=False), setup)
    acts = proposed(idle_trims(samples, in_boost_only=False), acting(setup))
    light = found.cells["load"].lt(BOOST_KPA)
    pd.testing.assert_series_equal(
        found.cells["own_high_pct"][light], acts.cells["own_high_pct"][light]
    )
    wide = (found.cells["own_high_pct"] > acts.cells["own_high_pct"] + 3.0) & ~light
    assert wide.sum() > 10


@pytest.mark.parametrize("rows", [37, 5000])
def test_what_stands_is_the_same_wherever_the_log_is_cut(rows: int) -> None:
    _, samples, setup = drive(2)
    logged = idle_trims(samples)
    small = replace(setup, steady=replace(setup.steady, estimate_rows=5000))
    first, rest = logged.iloc[:5000], logged.iloc[5000:]
    parts = [first, *(rest.iloc[k : k + rows] for k in range(0, len(rest), rows))]
    whole = reduce_log(logged, name="x", setup=setup).peaks[STANDING_PCT]
    cut = reduce_parts(iter(parts), name="x", setup=small).peaks[STANDING_PCT]
    np.testing.assert_array_equal(cut.to_numpy(), whole.to_numpy())
