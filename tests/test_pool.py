"""Rounds pool as total need, and fade where a later round contradicts them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tuneassist.grid import Grid
from tuneassist.loop.pooling import Round, drift_ln, drift_since_rounds, pool_rounds
from tuneassist.loop.response import Response
from tuneassist.pipeline import LogEvidence, gather, reduce_log
from tuneassist.settings import Setup
from tuneassist.simulate import SessionPlan, draw_engine, simulate_session

ENGINE = draw_engine(np.random.default_rng(11))
SETUP = Setup(axes=ENGINE.car.axes, target=ENGINE.car.target)
START = Grid.zeros(SETUP.axes)
PLAN = SessionPlan(holds=40, rate_hz=5, warm_up_s=0)
EXPECTED = Response("as expected", "")


def drifted(offset: float, low: float, high: float) -> Response:
    return Response("as expected", "", offset_pct=offset, offset_low_pct=low, offset_high_pct=high)


def logged(seed: int, grid: Grid | None = None, more_pct: float = 0.0) -> LogEvidence:
    from dataclasses import replace

    engine = replace(ENGINE, extra_need_pct=more_pct)
    session = simulate_session(engine, PLAN, grid=grid, rng=np.random.default_rng(seed))
    return reduce_log(session.samples, name=f"log {seed}", setup=SETUP)


@pytest.fixture(scope="module")
def logs() -> list[LogEvidence]:
    return [logged(1), logged(2)]


def test_a_drift_counts_only_beyond_doubt():
    assert drift_ln(drifted(2.0, 1.2, 2.8)) == pytest.approx(np.log(1.02))
    assert drift_ln(drifted(-2.0, -2.8, -1.2)) == pytest.approx(-np.log(0.98))
    assert drift_ln(drifted(2.0, -0.1, 4.1)) == 0.0
    assert drift_ln(Response("first round", "")) == 0.0


def test_a_round_fades_by_every_drift_after_it_and_not_by_its_own():
    """Drifts of 3 % before round 2 and 4 % before round 3: hypot, oldest first."""
    grid = START
    rounds = [
        Round(1, (), grid, EXPECTED),
        Round(2, (), grid, drifted(3.0, 2.0, 4.0)),
        Round(3, (), grid, drifted(4.0, 3.0, 5.0)),
    ]
    a, b = np.log(1.03), np.log(1.04)
    assert drift_since_rounds(rounds) == pytest.approx([np.hypot(a, b), b, 0.0], abs=1e-12)
    assert drift_since_rounds(rounds[:1]) == [0.0]


def test_rounds_under_one_grid_pool_as_logs_of_one_round_do(logs):
    two = [Round(1, (logs[0],), START, EXPECTED), Round(2, (logs[1],), START, EXPECTED)]
    pooled = pool_rounds(two, setup=SETUP, current=START)
    together = gather(logs, setup=SETUP, current=START)
    pd.testing.assert_frame_equal(pooled.cells, together.cells)


def test_the_same_engine_under_two_grids_pools_to_one_need(logs):
    """A second round under a grid of +5 % must tell the same total need as one without."""
    grid = Grid(SETUP.axes, np.full(SETUP.axes.shape, 5.0))
    rounds = [Round(1, (logs[0],), START, EXPECTED), Round(2, (logged(2, grid),), grid, EXPECTED)]
    under = pool_rounds(rounds, setup=SETUP, current=START)
    bare = gather(logs, setup=SETUP, current=START)
    both = under.cells["deviation_pct"].notna() & bare.cells["deviation_pct"].notna()
    apart = (under.cells["deviation_pct"] - bare.cells["deviation_pct"])[both].abs()
    assert both.sum() > 80
    assert apart.quantile(0.9) < 0.5


def test_deviations_are_told_relative_to_the_grid_in_the_controller_now(logs):
    now = Grid(SETUP.axes, np.full(SETUP.axes.shape, 4.0))
    one = [Round(1, (logs[0],), START, EXPECTED)]
    bare = pool_rounds(one, setup=SETUP, current=START).cells["deviation_pct"]
    under = pool_rounds(one, setup=SETUP, current=now).cells["deviation_pct"]
    # contract: corrections compose by multiplication
    assert under.dropna().to_numpy() == pytest.approx(
        (100 * ((1 + bare.dropna() / 100) / 1.04 - 1)).to_numpy(), abs=1e-9
    )


def test_an_older_round_that_is_contradicted_fades_behind_the_newer(logs):
    """The engine needs 2.5 % more since round 2. Pooled plainly the need lies between; faded, near
    the newer round's."""
    newer = logged(3, more_pct=2.5)
    older = Round(1, (logs[0],), START, EXPECTED)
    found = drifted(2.5, 2.2, 2.8)
    plain = pool_rounds([older, Round(2, (newer,), START, EXPECTED)], setup=SETUP, current=START)
    faded = pool_rounds([older, Round(2, (newer,), START, found)], setup=SETUP, current=START)
    truth = 100 * np.log(
        1 + ENGINE.true_error_pct(SETUP.axes.cell_rpm(), SETUP.axes.cell_load()) / 100
    ) + 100 * np.log(1.025)
    misses = []
    for pooled in (plain, faded):
        known = pooled.cells["confidence"].isin(["fair", "good"]).to_numpy()
        need = 100 * np.log1p(pooled.cells["deviation_pct"].to_numpy() / 100)
        misses.append(float(np.median((need - truth)[known])))
    assert misses[0] < -0.6  # the old round drags
    assert abs(misses[1]) < 0.5 * abs(misses[0])
