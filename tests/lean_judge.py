"""A judge that knows a simulated engine: what a proposal makes of its cells in boost."""

from __future__ import annotations

import pandas as pd

from tuneassist.grid import Grid
from tuneassist.pipeline import Proposal, propose_from, reduce_log
from tuneassist.settings import Setup
from tuneassist.simulate import TrueEngine

BOOST_KPA = 105.0


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
