"""Transients that act one way only are not taken for the surface."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.testing import assert_allclose

from tuneassist.evidence.map_fit import both_ways, fit_map
from tuneassist.evidence.moving_blocks import BLOCK_COLUMNS
from tuneassist.grid import Axes, bilinear_weights
from tuneassist.settings import Setup, Target

AXES = Axes(np.linspace(1000.0, 6000.0, 6), np.linspace(30.0, 180.0, 6))


def blocks_of(need_ln: np.ndarray, transient: np.ndarray, rng: np.random.Generator) -> pd.DataFrame:
    """Blocks all over the map whose load moves by ``transient`` within a second."""
    count = len(need_ln)
    blocks = pd.DataFrame(0.0, index=range(count), columns=list(BLOCK_COLUMNS))
    start_s = 2.0 * np.arange(count)
    return blocks.assign(
        start_s=start_s,
        end_s=start_s + 1.9,
        samples=19.0,
        rpm=rng.uniform(1000.0, 6000.0, count),
        load=rng.uniform(30.0, 180.0, count),
        need_ln=need_ln,
        total_need_ln=need_ln,
        rate_per_s=np.abs(transient),
        load_transient_1=transient,
        log_number=0,
    )


def test_enrichment_on_every_rise_is_no_rich_map() -> None:
    rng = np.random.default_rng(5)
    transient = rng.uniform(-0.25, 0.25, 500)
    need = -0.4 * np.maximum(transient, 0.0) + rng.normal(0.0, 0.004, 500)
    blocks = blocks_of(need, transient, rng)
    setup = Setup(axes=AXES, target=Target(np.ones(AXES.shape)))
    none = pd.DataFrame({"total_need_ln": [], "within_se": [], "rpm": [], "load": []}, dtype=float)
    empty = bilinear_weights(AXES, none["rpm"], none["load"])
    nothing = np.zeros(0, dtype=bool)

    found = fit_map(setup, none, empty, np.zeros(0, dtype=np.int64), nothing, blocks=blocks)

    assert found is not None
    # on average the blocks are rich by 2.5 %, and the engine at rest is right
    assert np.abs(np.median(found.fit.theta)) < 0.005
    assert np.mean(np.abs(found.fit.theta) <= found.fit.half_width()) > 0.9


def test_both_ways_keeps_each_column_and_its_size() -> None:
    assert_allclose(both_ways(np.array([[-0.2, 0.1]])), [[-0.2, 0.1, 0.2, 0.1]])
