"""Time stamps of every kind become rising seconds, and what was mended is said."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tuneassist.errors import LogError
from tuneassist.reading import read_log
from tuneassist.reading.clock import build_timeline
from tuneassist.reading.log import Cells
from tuneassist.reading.straight import SESSION_PAUSE_S

ROWS = 120


def read_stamps(tmp_path, stamps, header="Time (s)", delimiter=","):
    lines = [delimiter.join([header, "RPM", "MAP (kPa)", "Lambda"])]
    lines += [delimiter.join([str(s), str(2000 + i), "50", "1"]) for i, s in enumerate(stamps)]
    path = Path(tmp_path) / "log.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return read_log(path)


def timeline(stamps, unit="s"):
    cells = Cells(np.array(stamps, dtype=float))
    return build_timeline(cells, unit=unit, unit_how="header", where="log", entry="time %s")


def clock(seconds, template="{h:02d}:{m:02d}:{s:06.3f}"):
    return [
        template.format(h=int(t // 3600) % 24, m=int(t // 60) % 60, s=t % 60, si=int(t % 60))
        for t in seconds
    ]


STEPS = np.arange(ROWS) * 0.125  # exact in binary, so that texts carry it exactly


@pytest.mark.parametrize(
    ("stamps", "header", "delimiter"),
    [
        (STEPS, "Time (s)", ","),
        (STEPS * 1000, "Time (ms)", ","),
        (STEPS / 60, "Time (min)", ","),
        (STEPS, "Time", ","),
        (STEPS * 1000, "Time", ","),
        (STEPS * 1000 + 1.7e12, "Timestamp", ","),
        (clock(STEPS + 3600 * 9), "Time", ","),
        (clock(STEPS + 86395), "Time", ","),
        ([c.replace(".", ",") for c in clock(STEPS + 3600)], "Zeit", ";"),
        ([f"2025-11-25T{c}" for c in clock(STEPS + 3600)], "Timestamp", ","),
        ([f"2025-11-25 {c}" for c in clock(STEPS + 3600)], "Timestamp", ","),
        ([f"2025-11-25T{c}Z" for c in clock(STEPS + 3600)], "Timestamp", ","),
        ([f"2025-11-25T{c}+01:00" for c in clock(STEPS + 3600)], "Timestamp", ","),
        ([f"25.11.2025 {c}" for c in clock(STEPS + 3600)], "Zeit", ","),
        ([f"11/25/2025 {c} PM" for c in clock(STEPS + 3600)], "Time", ","),
        (clock(STEPS + 1800, "{m:02d}:{s:06.3f}"), "Time", ","),
        (clock(STEPS + 3595, "{m:02d}:{s:06.3f}"), "Time", ","),
    ],
)
def test_every_kind_of_stamp_gives_the_same_seconds(tmp_path, stamps, header, delimiter):
    log = read_stamps(tmp_path, stamps, header, delimiter)
    seconds = log.samples["time_s"].to_numpy()
    np.testing.assert_allclose(seconds - seconds[0], STEPS, atol=2e-3)
    assert log.dropped == ()


def test_whole_second_stamps_are_spread_over_their_second_and_it_is_said(tmp_path):
    log = read_stamps(tmp_path, np.arange(ROWS) // 10)
    np.testing.assert_allclose(log.samples["time_s"], np.arange(ROWS) / 10, atol=1e-9)
    assert any("share a time stamp" in note and "spread evenly" in note for note in log.notes)
    assert log.dropped == ()


def test_a_log_that_starts_in_mid_second_keeps_its_rate(tmp_path):
    stamps = (np.arange(ROWS) + 7) // 10  # three rows in the first second, then ten in each
    log = read_stamps(tmp_path, stamps)
    np.testing.assert_allclose(np.diff(log.samples["time_s"]), 0.1, atol=1e-9)


def test_a_clock_of_whole_seconds_is_spread_too(tmp_path):
    log = read_stamps(tmp_path, clock(np.arange(ROWS) // 5, "{h:02d}:{m:02d}:{si:02d}"), "Time")
    np.testing.assert_allclose(log.samples["time_s"], np.arange(ROWS) / 5, atol=1e-9)


def test_single_repeats_are_dropped_and_counted(tmp_path):
    stamps = STEPS.copy()
    stamps[[40, 80]] = stamps[[39, 79]]
    log = read_stamps(tmp_path, stamps)
    assert log.dropped == (("time stamp repeated", 2),)
    assert len(log.samples) == ROWS - 2


def test_a_step_back_is_dropped_and_counted(tmp_path):
    stamps = STEPS.copy()
    stamps[50:53] -= 3.0
    log = read_stamps(tmp_path, stamps)
    assert log.dropped == (("time stepped back", 3),)
    assert set(range(52, 55)).isdisjoint(log.samples["row"])


def test_a_lone_stamp_far_ahead_takes_only_its_own_row(tmp_path):
    stamps = STEPS.copy()
    stamps[60] = 99999.0
    log = read_stamps(tmp_path, stamps)
    assert log.dropped == (("time stepped back", 1),)
    assert log.samples["time_s"].max() == STEPS[-1]


def test_a_log_that_starts_again_becomes_two_sessions(tmp_path):
    stamps = np.concatenate([STEPS, STEPS])
    log = read_stamps(tmp_path, stamps)
    seconds = log.samples["time_s"].to_numpy()
    assert len(seconds) == 2 * ROWS
    assert np.diff(seconds)[ROWS - 1] == pytest.approx(SESSION_PAUSE_S)
    np.testing.assert_allclose(np.delete(np.diff(seconds), ROWS - 1), 0.125, atol=1e-9)
    assert any("starts again 1 time" in note for note in log.notes)


def test_rows_without_a_stamp_are_dropped_and_counted(tmp_path):
    stamps = [*STEPS[:30], "", *STEPS[31:]]
    assert read_stamps(tmp_path, stamps).dropped == (("no time stamp", 1),)


def test_a_gap_stays_a_gap(tmp_path):
    stamps = STEPS + 30.0 * (np.arange(ROWS) >= 60)
    log = read_stamps(tmp_path, stamps)
    assert np.diff(log.samples["time_s"]).max() == pytest.approx(30.125)


@pytest.mark.parametrize(
    ("stamps", "header", "message"),
    [
        (STEPS * 1000, "Time (s)", "time in s cannot step by 125; they look like ms"),
        (STEPS, "Time (ms)", "time in ms cannot step by 0.125; they look like s"),
        (np.arange(6000.0), "Time", "could be s or ms"),
        (np.zeros(ROWS), "Time (s)", "time stands still"),
        (STEPS[::-1], "Time (s)", "time runs backwards"),
        ([""] * ROWS, "Time (s)", "holds no times"),
        (["late"] * ROWS, "Time (s)", "holds no times.*'late'"),
        (np.where(np.arange(ROWS) % 2, STEPS, STEPS[::-1]), "Time (s)", "time does not rise"),
    ],
)  # fmt: skip
def test_time_that_cannot_be_is_refused(tmp_path, stamps, header, message):
    with pytest.raises(LogError, match=message):
        read_stamps(tmp_path, stamps, header)


@given(start=st.floats(0, 1e5), shift=st.floats(-1e4, 1e6))
def test_shifting_all_stamps_shifts_the_seconds_and_nothing_else(start, shift):
    stamps = start + STEPS
    one, other = timeline(stamps), timeline(stamps + shift)
    np.testing.assert_allclose(other.seconds - one.seconds, shift, atol=1e-6)
    assert one.dropped == other.dropped == ()


@given(stamps=st.lists(st.floats(-10, 1000), min_size=10, max_size=60))
def test_whatever_the_stamps_the_seconds_that_stay_rise(stamps):
    try:
        result = timeline(stamps)
    except LogError:
        return
    assert (np.diff(result.seconds[result.is_usable]) > 0).all()
    assert np.isnan(result.seconds[~result.is_usable]).all()
    assert len(stamps) - int(result.is_usable.sum()) == sum(n for _, n in result.dropped)
