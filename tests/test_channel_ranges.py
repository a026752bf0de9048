"""Where a filter takes much of a log, the range seen stands beside the range asked for."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tuneassist.errors import NoEvidenceError
from tuneassist.evidence.channel_ranges import ChannelRanges
from tuneassist.files.setup_file import read_setup
from tuneassist.grid import Axes, Grid
from tuneassist.pipeline import propose_from
from tuneassist.reduction import reduce_log, reduce_parts
from tuneassist.settings import Setup
from tuneassist.simulate import SessionPlan, simulate_session
from tuneassist.simulate.sample_logs import petrol_engine

SAMPLES = Path(__file__).resolve().parents[1] / "sample_logs"
CAR = read_setup(SAMPLES / "petrol-setup.toml")


@lru_cache(maxsize=1)
def drive() -> pd.DataFrame:
    plan = SessionPlan(holds=25)
    return simulate_session(petrol_engine(), plan, rng=np.random.default_rng(4)).samples


def with_axis(name: str, unit: str) -> Setup:
    axes = Axes(rpm=CAR.axes.rpm, load=CAR.axes.load, load_name=name, load_unit=unit)
    return replace(CAR, axes=axes)


def notes_of(samples: pd.DataFrame, setup: Setup = CAR) -> str:
    return " ".join(reduce_log(samples, name="a.csv", setup=setup).notes)


def test_an_ordinary_session_is_not_remarked_on() -> None:
    assert "of the samples" not in notes_of(drive())


def test_gauge_values_on_an_absolute_axis_are_told_with_both_ranges_and_the_question() -> None:
    low, high = drive()["load"].min() - 101.325, drive()["load"].max() - 101.325
    said = notes_of(drive().assign(load=drive()["load"] - 101.325))
    assert said.startswith("a.csv: ")
    assert f"runs from {low:.3g} to {high:.3g} kPa in the log, its axis from 30 to 180" in said
    assert "absolute and the other gauge pressure" in said
    assert "a difference of about 101 kPa" in said


def test_a_load_that_is_no_pressure_is_not_asked_about_gauge() -> None:
    said = notes_of(
        drive().assign(load=drive()["load"] * 100.0), with_axis("air mass", "mg/stroke")
    )
    assert "air mass runs from" in said
    assert "gauge" not in said


@pytest.mark.parametrize(("share", "is_said"), [(0.24, False), (0.25, True)])
def test_the_share_from_which_it_is_said_is_the_settings(share: float, is_said: bool) -> None:
    ranges = ChannelRanges()
    ranges.add(pd.DataFrame({"rpm": [1000.0, 2000.0], "load": [40.0, 900.0]}))
    outside = round(1000 * share)
    fates = pd.Series({"outside the table": outside, "used": 1000 - outside})
    assert bool(ranges.notes(fates, name="x", setup=CAR)) == is_said


def test_no_evidence_from_a_cold_engine_gives_the_range_and_the_least_asked_for() -> None:
    # 85 degC taken for degF is 29 degC; the setup reads the coolant in degF, so it is told so
    cold = drive().assign(coolant_temp_c=29.0)
    found = reduce_log(cold, name="a.csv", setup=CAR)
    with pytest.raises(NoEvidenceError) as caught:
        propose_from([found], setup=CAR, current=Grid.zeros(CAR.axes))
    said = str(caught.value)
    assert "coolant runs from 84.2 to 84.2 degF in the log, and the minimum is 158 degF" in said
    assert "or is the column in another unit than degF?" in said
    assert "\n" not in said  # one line, as every message


def test_a_warm_up_that_takes_long_gives_the_range_without_a_doubt_of_the_unit() -> None:
    warming = np.where(np.arange(len(drive())) < 0.4 * len(drive()), 40.0, 90.0)
    said = notes_of(drive().assign(coolant_temp_c=warming))
    assert "coolant runs from 104 to 194 degF" in said
    assert "another unit" not in said


def test_a_senders_voltage_is_told_with_its_limit() -> None:
    frame = drive().drop(columns="coolant_temp_c").assign(coolant_volts=2.5)
    assert "from 2.50 to 2.50 V in the log, and the maximum is 0.8 V" in notes_of(frame)


def test_a_log_in_parts_is_told_the_range_of_the_whole() -> None:
    gauge = drive().assign(load=drive()["load"] - 101.325)
    half = len(gauge) // 2
    parts = [gauge.iloc[:half], gauge.iloc[half:]]
    whole, cut = notes_of(gauge), " ".join(reduce_parts(parts, name="a.csv", setup=CAR).notes)
    assert whole.split("axes: ")[1] == cut.split("axes: ")[1]


def test_a_sweep_is_said_to_be_used_and_a_hold_to_teach_more_surely() -> None:
    fates = pd.Series({"sweeping": 800, "used": 200})
    (said,) = ChannelRanges().notes(fates, name="x.csv", setup=CAR)
    assert said.startswith("x.csv: This log is a sweep:")
    assert "used as moving samples" in said
    assert "teaches more surely" in said
