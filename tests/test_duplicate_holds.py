"""A session that stands in a log again and again is one session: counted once, and said."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tuneassist.evidence.duplicate_holds import COLUMNS, is_original
from tuneassist.files.setup_file import read_setup
from tuneassist.grid import Grid
from tuneassist.one_log import LogEvidence
from tuneassist.pipeline import Evidence, gather
from tuneassist.reduction import reduce_log
from tuneassist.simulate import SessionPlan, simulate_session
from tuneassist.simulate.sample_logs import petrol_engine

CAR = read_setup(Path(__file__).resolve().parent.parent / "sample_logs" / "petrol-setup.toml")
START = Grid.zeros(CAR.axes)
PAUSE_S = 5.0


def session(seed: int = 1) -> pd.DataFrame:
    plan = SessionPlan(holds=40)
    return simulate_session(petrol_engine(), plan, rng=np.random.default_rng(seed)).samples


def repeated(samples: pd.DataFrame, times: int) -> pd.DataFrame:
    length_s = float(np.ptp(samples["time_s"])) + PAUSE_S
    parts = [samples.assign(time_s=samples["time_s"] + k * length_s) for k in range(times)]
    return pd.concat(parts, ignore_index=True)


def gathered(*logs: LogEvidence) -> Evidence:
    return gather(logs, setup=CAR, current=START)


@pytest.fixture(scope="module")
def once() -> LogEvidence:
    return reduce_log(session(), name="a", setup=CAR)


@pytest.mark.parametrize("times", [2, 130, 200, 400])
def test_holds_that_stand_again_and_again_say_what_they_say_once(once, times: int) -> None:
    holds = pd.concat([once.holds] * times, ignore_index=True)
    again = replace(once, holds=holds, blocks=pd.concat([once.blocks] * times))
    one, many = gathered(once), gathered(again)
    pd.testing.assert_frame_equal(many.cells, one.cells)
    assert one.cells["confidence"].isin(["fair", "good"]).sum() > 30
    assert f"{(times - 1) * len(once.holds)} of {times * len(once.holds)} holds repeat" in str(
        many.notes
    )


def test_a_long_log_of_one_session_repeated_proposes_what_the_session_proposes(once) -> None:
    samples = session()
    part = replace(CAR, steady=replace(CAR.steady, estimate_rows=len(samples)))
    long = reduce_log(repeated(samples, 12), name="a", setup=part)
    assert len(long.holds) > 11 * len(once.holds)
    one, many = gathered(once).cells, gathered(long).cells
    assert (many["confidence"] == one["confidence"]).mean() > 0.95
    # delay and settling are estimated from a part of the session where it is a long log's first
    apart = (many["deviation_pct"] - one["deviation_pct"]).abs()
    assert apart.mean() < 0.1
    assert apart.max() < 0.5


def test_a_session_in_two_files_is_counted_once(once) -> None:
    other = replace(once, name="b", holds=once.holds.assign(log="b"))
    both = gathered(once, other)
    assert not both.holds.loc[both.holds["log"].eq("b"), "is_used"].any()
    np.testing.assert_allclose(
        both.cells["se_pct"].astype(float), gathered(once).cells["se_pct"].astype(float)
    )


def test_two_sessions_of_one_drive_are_not_copies(once) -> None:
    other = reduce_log(session(2), name="b", setup=CAR)
    both = gathered(once, other)
    assert both.holds["is_used"].sum() == len(once.holds) + len(other.holds)
    assert not any("repeat" in note for note in both.notes)


@pytest.mark.parametrize("name", COLUMNS)
def test_a_hold_that_differs_in_anything_that_counts_is_its_own(name: str) -> None:
    one = {"rpm": 2512.5, "load": 50.25, "total_need_ln": 0.02, "within_se": 0.001, "samples": 90.0}
    frame = pd.DataFrame([{**one, "stop": ""}] * 3)
    value = "lean" if name == "stop" else one[name] * (1.0 + 1e-6)
    frame.loc[1, name] = value
    assert is_original(frame).tolist() == [True, True, False]
    if name != "stop":
        frame.loc[1, name] = one[name] * (1.0 + 1e-12)  # what sums over another part differ by
        assert is_original(frame).tolist() == [True, False, False]
