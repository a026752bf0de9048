"""A round of sweeps, without a single hold, tells whether the engine answered the last change."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tuneassist.grid import Grid
from tuneassist.loop.rounds import add_round
from tuneassist.one_log import LogEvidence
from tuneassist.reduction import reduce_log
from tuneassist.settings import Setup
from tuneassist.simulate import SessionPlan, draw_engine, simulate_session

ENGINE = draw_engine(np.random.default_rng(500))
SETUP = Setup(axes=ENGINE.car.axes, target=ENGINE.car.target)
ZEROS = Grid.zeros(SETUP.axes)


def sweeps(number: int, grid: Grid, answer: float = 1.0) -> LogEvidence:
    plan = SessionPlan(style="speed sweeps", holds=20, warm_up_s=0, rate_hz=5)
    engine = replace(ENGINE, grid_response=answer)
    made = simulate_session(engine, plan, grid=grid, rng=np.random.default_rng(number))
    return reduce_log(made.samples, name=f"r{number}", setup=SETUP)


def test_sweeps_alone_tell_a_grid_that_acts_from_one_that_does_not() -> None:
    first = add_round([], [sweeps(1, ZEROS)], setup=SETUP, current=ZEROS)
    grid = first.proposal.grid
    assert np.abs(grid.flat()).max() > 3.0
    found = {}
    for answer in (1.0, 0.0):
        log = sweeps(2, grid, answer)
        assert len(log.holds) < 5
        found[answer] = add_round([first.round], [log], setup=SETUP, current=grid)
    good, deaf = found[1.0], found[0.0]
    assert good.round.response.response == pytest.approx(1.0, abs=0.15)
    assert (good.round.response.verdict, good.is_halt) == ("as expected", False)
    assert (deaf.round.response.verdict, deaf.is_halt) == ("no answer", True)
    assert not deaf.proposal.limited.step_pct.any()
