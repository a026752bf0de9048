"""Samples over time, thinned: bounded, the same in any parts, and each with what became of it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tuneassist.evidence.time_trace import MOST_SAMPLES, TRACE_COLUMNS, TimeTrace
from tuneassist.pipeline import reduce_log, reduce_parts
from tuneassist.settings import Setup
from tuneassist.simulate import SessionPlan, draw_engine, simulate_session

ENGINE = draw_engine(np.random.default_rng(5))
SETUP = Setup(axes=ENGINE.car.axes, target=ENGINE.car.target)


def traced(rows: int, part: int) -> pd.DataFrame:
    trace, t = TimeTrace(), np.arange(rows, dtype=float)
    for start in range(0, rows, part):
        mine = t[start : start + part]
        at = mine[trace.wanted(len(mine))]
        trace.add(at, at, at, np.zeros(len(at)), ["used"] * len(at))
    return trace.table()


@pytest.mark.parametrize("rows", [1, MOST_SAMPLES, 2 * MOST_SAMPLES, 70_001])
def test_a_trace_is_bounded_even_and_the_same_in_any_parts(rows: int) -> None:
    whole = traced(rows, rows)
    assert min(rows, MOST_SAMPLES) <= len(whole) < 2 * MOST_SAMPLES
    assert len(set(np.diff(whole["time_s"]))) <= 1
    for part in (777, 5_000):
        pd.testing.assert_frame_equal(traced(rows, part), whole)


def test_every_sample_has_its_fate_and_the_need_of_its_hold() -> None:
    plan = SessionPlan(holds=12, rate_hz=5, warm_up_s=60)
    session = simulate_session(ENGINE, plan, rng=np.random.default_rng(3))
    found = reduce_log(session.samples, name="a", setup=SETUP)
    trace = found.trace
    assert trace is not None
    assert list(trace.columns) == list(TRACE_COLUMNS)
    assert len(trace) == found.samples  # a short log is kept whole
    assert {"engine cold", "moving", "settling", "used"} <= set(trace["fate"])
    counts = trace["fate"].value_counts()
    pd.testing.assert_series_equal(
        counts.sort_index(), found.fates[found.fates > 0].sort_index(), check_names=False
    )
    for hold in found.holds.itertuples():
        inside = trace[trace["time_s"].between(hold.start_s, hold.end_s) & trace["fate"].eq("used")]
        # a hold's value is robust, and has the tail of the move before it taken off
        assert inside["need_pct"].median() == pytest.approx(100 * np.expm1(hold.need_ln), abs=1.0)


def test_a_log_in_parts_is_traced_whole_and_in_order() -> None:
    plan = SessionPlan(holds=12, rate_hz=5, warm_up_s=0)
    samples = simulate_session(ENGINE, plan, rng=np.random.default_rng(3)).samples
    parts = (samples.iloc[start : start + 300] for start in range(0, len(samples), 300))
    found = reduce_parts(parts, name="a", setup=SETUP)
    assert found.trace is not None
    assert len(found.trace) == found.samples > 600
    assert found.trace["time_s"].is_monotonic_increasing
