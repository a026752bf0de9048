"""`check` says what a log teaches: quick changes, drift, and the minutes that count."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from tuneassist.cli.app import app
from tuneassist.evidence.log_taught import LogTaught, QuickChange
from tuneassist.evidence.moving_blocks import TRANSIENT_COLUMNS
from tuneassist.files.setup_file import read_setup
from tuneassist.grid import Grid
from tuneassist.one_log import LogEvidence
from tuneassist.pipeline import gather
from tuneassist.reduction import reduce_log
from tuneassist.show.taught import drift_words, minutes_words, transient_words
from tuneassist.simulate import SessionPlan, simulate_session
from tuneassist.simulate.sample_logs import petrol_engine
from tuneassist.workflow.check import taught_alone

SAMPLES = Path(__file__).resolve().parents[1] / "sample_logs"
CAR = read_setup(SAMPLES / "petrol-setup.toml")


@lru_cache(maxsize=1)
def log() -> LogEvidence:
    plan = SessionPlan(holds=25)
    drive = simulate_session(petrol_engine(), plan, rng=np.random.default_rng(4)).samples
    return reduce_log(drive, name="a.csv", setup=CAR)


def taught(one: LogEvidence) -> LogTaught:
    return taught_alone(one, gather([one], setup=CAR, current=Grid.zeros(CAR.axes)), CAR)


def on_a_flat_map(blocks: pd.DataFrame) -> LogEvidence:
    noise = np.random.default_rng(2).normal(0.0, 0.003, len(log().holds))
    return replace(log(), holds=log().holds.assign(need_ln=noise), blocks=blocks)


def blocks_with(load_size: float) -> pd.DataFrame:
    """Blocks on a flat map, with a wall film of 0.3 s of known size and a little noise."""
    rng = np.random.default_rng(1)
    blocks = log().blocks
    assert blocks is not None
    blocks = pd.concat([blocks] * 3, ignore_index=True)
    columns = {name: np.zeros(len(blocks)) for name in TRANSIENT_COLUMNS}
    columns["load_transient_0"] = rng.normal(0.0, 0.1, len(blocks))
    need = load_size * columns["load_transient_0"] + rng.normal(0.0, 0.003, len(blocks))
    return blocks.assign(need_ln=need, **columns)


def test_a_wall_film_of_known_size_is_told_within_its_doubt() -> None:
    found = taught(on_a_flat_map(blocks_with(0.15)))
    change = next(one for one in found.changes if one.signal == "load")
    # ln 1.1 decays with 0.3 s: its mean over the first second, times the size
    true_pct = 100.0 * 0.15 * np.log(1.1) * 0.3 * (1.0 - np.exp(-1.0 / 0.3))
    assert change.is_seen
    assert abs(change.reads_pct - true_pct) < max(1.5 * change.half_width_pct, 0.01)
    assert change.fades_s == pytest.approx(0.3, abs=0.05)
    assert found.transient_share > 0.5


def test_no_wall_film_is_called_no_effect() -> None:
    found = taught(on_a_flat_map(blocks_with(0.0)))
    change = next(one for one in found.changes if one.signal == "load")
    assert not change.is_seen
    assert np.isnan(change.fades_s)
    assert found.transient_share < 0.2
    assert "a quick 10 % rise in load: no effect seen" in transient_words(found)


def test_minutes_add_up_from_holds_and_moving_samples() -> None:
    one = log()
    found = taught(one)
    assert one.blocks is not None
    held = one.holds.loc[one.holds["stop"].eq(""), "samples"].sum()
    interval_min = one.refresh.interval_s / 60.0
    assert found.held_min == pytest.approx(held * interval_min)
    assert 0 < found.moving_min <= one.blocks["samples"].sum() * interval_min + 1e-9
    assert found.taught_min < found.logged_min == pytest.approx(one.samples * interval_min)
    assert f"of {found.logged_min:.1f} min" in minutes_words(found)


def test_without_moving_samples_only_the_holds_count_and_no_share_is_claimed() -> None:
    found = taught(replace(log(), blocks=None))
    assert found.changes == ()
    assert np.isnan(found.transient_share)
    assert (found.moving_min, found.held_min > 0) == (0.0, True)
    assert transient_words(found) == "no moving samples to tell by"


def drifting(pct_per_log: float) -> LogTaught:
    one = log()
    assert one.blocks is not None

    def moved(rows: pd.DataFrame) -> pd.DataFrame:
        share = rows["start_s"] / one.holds["end_s"].max()
        return rows.assign(need_ln=rows["need_ln"] + np.log1p(pct_per_log / 100.0) * share)

    return taught(replace(one, holds=moved(one.holds), blocks=moved(one.blocks)))


def test_a_drift_is_told_with_its_doubt_and_its_direction() -> None:
    found = drifting(8.0)
    assert found.is_drifting
    assert found.drift_pct == pytest.approx(8.0, abs=2.0 * found.drift_half_width_pct + 1.0)
    assert "% leaner in the course of the log (+-" in drift_words(found)
    assert drift_words(taught(log())).startswith("none seen (")


def test_words_of_what_cannot_be_told() -> None:
    nothing = LogTaught((), np.nan, np.nan, np.nan, False, 0.0, 0.0, 3.0)
    assert drift_words(nothing) == "cannot be told: too few readings over time"
    richer = QuickChange("load", 10.0, -1.2, 0.3, 0.31)
    said = transient_words(replace(nothing, changes=(richer,), transient_share=0.6))
    assert "reads 1.2 % richer (+-0.3, 95 %)" in said
    assert "fades in about 0.3 s" in said
    assert "60 % of the scatter" in said


def test_check_shows_it_on_the_screen_and_in_json() -> None:
    arguments = ["check", str(SAMPLES / "petrol-session-1.csv")]
    named = [*arguments, "--setup", str(SAMPLES / "petrol-setup.toml")]
    screen = " ".join(CliRunner().invoke(app, named).stdout.split())
    for words in ("What this log tells", "a quick 10 % rise in load", "min:", "sensor lag"):
        assert words in screen
    record = json.loads(CliRunner().invoke(app, [*named, "--json"]).stdout)["logs"][0]
    told = record["taught"]
    assert told["minutes_that_teach"] == pytest.approx(
        told["minutes_in_holds"] + told["minutes_moving"]
    )
    assert {one["signal"] for one in told["quick_changes"]} == {"load", "speed"}
    assert record["evidence"]["delay"]["sensor_lag_standard_error_seconds"] >= 0.05
    alone = " ".join(CliRunner().invoke(app, arguments).stdout.split())
    assert "With --setup also:" in alone
    assert "What this log tells" not in alone


def test_the_minutes_that_are_shown_add_up() -> None:
    # 0.36 + 19.06 is 19.42: each rounded by itself would be 0.4 + 19.1, beside 19.4
    found = LogTaught((), np.nan, np.nan, np.nan, False, 0.36, 19.06, 20.5)
    assert minutes_words(found) == "19.4 of 20.5 min: 0.4 in holds, 19.0 while moving"
