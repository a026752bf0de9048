"""Fuel trims that stand still beside lambda lean nothing in boost until the setup says so."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tuneassist.evidence.standing_trims import STANDING_PCT
from tuneassist.grid import Grid
from tuneassist.pipeline import Proposal, propose_from, reduce_log
from tuneassist.reduction import reduce_parts
from tuneassist.settings import Setup
from tuneassist.simulate import SessionPlan, TrueEngine, draw_engine, simulate_session

BOOST_KPA, SHARE_PCT = 105.0, -6.0


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


def proposed(samples: pd.DataFrame, setup: Setup) -> Proposal:
    log = reduce_log(samples, name="simulated", setup=setup)
    return propose_from([log], setup=setup, current=Grid.zeros(setup.axes))


def turned_lean(engine: TrueEngine, found: Proposal) -> int:
    """Cells in boost that the step makes leaner and leaves more than 1.5 % lean."""
    axes = engine.car.axes
    rpm, load = axes.cell_rpm(), axes.cell_load()
    before = engine.true_deviation_pct(rpm, load)
    after = engine.true_deviation_pct(rpm, load, found.grid)
    lost = (after > 1.5) & (after > before + 0.05) & (load > BOOST_KPA)
    return int((lost & engine.car.is_inside(rpm, load)).sum())


def acting(setup: Setup) -> Setup:
    return replace(setup, correction=replace(setup.correction, standing_trims_act=True))


@pytest.mark.parametrize("seed", [2, 3, 5])
def test_a_long_trim_that_stands_and_does_not_act_leans_nothing_in_boost(seed: int) -> None:
    engine, samples, setup = drive(seed)
    logged = idle_trims(samples)
    assert turned_lean(engine, proposed(logged, acting(setup))) > 0  # what the key takes on
    found = proposed(logged, setup)
    assert turned_lean(engine, found) == 0
    steps = found.cells.loc[found.cells["load"].gt(BOOST_KPA), "step_pct"]
    assert (steps >= 0).all()
    barred = found.cells["unsafe_step_barred"].astype(str)
    assert barred.str.contains("stand still at -6.0 % here").any()
    assert barred.str.contains("standing_trims_act = true").any()


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
    light = found.cells[found.cells["load"].lt(BOOST_KPA - 10.0)]
    assert not light["unsafe_step_barred"].astype(str).str.contains("stand still").any()


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
