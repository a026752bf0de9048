"""Time stamps of every kind become rising seconds, and what was mended is said."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyarrow import parquet

from tuneassist.errors import LogError
from tuneassist.files.setup_file import read_setup
from tuneassist.reading import read_log
from tuneassist.reading.log import Cells
from tuneassist.reading.timeline import SESSION_PAUSE_S, TimeReader
from tuneassist.settings import ChannelSource

ROWS = 120
CAR = read_setup(Path(__file__).resolve().parent.parent / "sample_logs" / "petrol-setup.toml")


def read_stamps(tmp_path, stamps, header="Time (s)", delimiter=","):
    lines = [delimiter.join([header, "RPM", "MAP (kPa)", "Lambda"])]
    lines += [delimiter.join([str(s), str(2000 + i), "50", "1"]) for i, s in enumerate(stamps)]
    path = Path(tmp_path) / "log.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return read_log(path)


def timeline(stamps, unit="s"):
    cells = Cells(np.array(stamps, dtype=float))
    time = TimeReader(cells, unit=unit, unit_how="header", where="log", entry="time %s")
    return time.read(cells)


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


@given(
    steps=st.lists(st.sampled_from([0.125, 0.25, 0.0]), min_size=30, max_size=60),
    moved=st.lists(st.tuples(st.integers(0, 29), st.floats(-10, 1000)), max_size=3),
)
def test_whatever_the_stamps_the_seconds_that_stay_rise(steps, moved):
    stamps = list(np.cumsum(steps))
    for place, stamp in moved:
        stamps[place] = stamp
    try:
        result = timeline(stamps)
    except LogError:
        return
    assert (np.diff(result.seconds[result.is_usable]) > 0).all()
    assert np.isnan(result.seconds[~result.is_usable]).all()
    assert len(stamps) - int(result.is_usable.sum()) == sum(n for _, n in result.dropped)


# --- whole minutes, minutes, and stamps of the file's own type ------------------------------------

FAST = np.arange(3000) * 0.05  # two and a half minutes at 20 Hz


def dated(seconds):
    return [pd.Timestamp("2024-03-01 10:00:00") + pd.Timedelta(seconds=float(s)) for s in seconds]


@pytest.mark.parametrize(
    "form", ["%Y-%m-%d %H:%M", "%d.%m.%Y %H:%M", "%I:%M %p", "%Y-%m-%dT%H:%MZ", "%H:%M:00"]
)
def test_stamps_of_whole_minutes_are_refused_with_what_to_export(tmp_path, form):
    stamps = [moment.strftime(form) for moment in dated(FAST)]
    message = "have minutes only.*Export the time with seconds"
    with pytest.raises(LogError, match=message):
        read_stamps(tmp_path, stamps, "Time")
    with pytest.raises(LogError, match=message):  # all of it within one minute
        read_stamps(tmp_path, stamps[:500], "Time")


def test_two_parts_that_may_be_hours_and_minutes_are_asked_about(tmp_path):
    stamps = [moment.strftime("%H:%M") for moment in dated(FAST)]
    with pytest.raises(LogError, match=r"hours and minutes or minutes and seconds.*1000 rows"):
        read_stamps(tmp_path, stamps, "Time")
    # ten rows for each stamp are ten a second
    log = read_stamps(tmp_path, clock(np.arange(ROWS) // 10, "{m:02d}:{si:02d}"), "Time")
    np.testing.assert_allclose(log.samples["time_s"], np.arange(ROWS) / 10, atol=1e-9)


@pytest.mark.parametrize("rate_hz", [4.0, 5.0, 10.0, 20.0, 50.0])
def test_minutes_without_a_unit_are_asked_about_and_not_taken_for_seconds(tmp_path, rate_hz):
    stamps = np.arange(2400) / rate_hz / 60
    with pytest.raises(LogError, match=r"could be s or min.*unit = \"min\""):
        read_stamps(tmp_path, stamps, "Time")


@pytest.mark.parametrize("rate_hz", [1.0, 10.0, 50.0, 100.0, 200.0])
def test_seconds_without_a_unit_are_seconds_at_every_usual_rate(tmp_path, rate_hz):
    log = read_stamps(tmp_path, np.arange(300) / rate_hz + 0.125, "Time")
    assert np.diff(log.samples["time_s"]) == pytest.approx(1 / rate_hz)


def table_of(times):
    row = np.arange(len(times))
    return pa.table(
        {
            "Time": times,
            "RPM": pa.array(3000 + 500 * np.sin(row / 30)),
            "MAP (kPa)": pa.array(90 + 20 * np.sin(row / 20)),
            "Lambda": pa.array(1 + 0.05 * np.sin(row / 10)),
        }
    )


TYPES = [pa.timestamp("ms"), pa.timestamp("us", tz="UTC"), pa.duration("ms")]


def read_table(folder, times, car=None):
    path = Path(folder) / "log.parquet"
    parquet.write_table(table_of(times), path)
    return read_log(path, setup=car)


@pytest.mark.parametrize("unit", ["ms", "min", "s", None])
@pytest.mark.parametrize("kind", TYPES, ids=str)
def test_a_typed_stamp_carries_its_unit_whatever_the_setup_says(tmp_path, kind, unit):
    ticks = np.rint((1e9 + FAST) * (1e6 if kind.unit == "us" else 1e3)).astype("int64")
    car = replace(CAR, channels={"time": ChannelSource("Time", unit=unit)})
    log = read_table(tmp_path, pa.array(ticks).cast(kind), car)
    np.testing.assert_allclose(np.diff(log.samples["time_s"]), 0.05, atol=1e-6)
    said = [f"the setup's {unit} was not used" in note for note in log.notes]
    assert any(said) == (unit in ("ms", "min"))
    assert not any(note.endswith("was used.") for note in log.notes)


@pytest.mark.parametrize("kind", TYPES, ids=str)
def test_typed_stamps_of_whole_minutes_are_refused_and_never_offered_as_ms(tmp_path, kind):
    minutes = (FAST // 60 * 60 * (1e6 if kind.unit == "us" else 1e3)).astype("int64")
    with pytest.raises(LogError, match="have minutes only"):
        read_table(tmp_path, pa.array(minutes).cast(kind))


def test_typed_stamps_too_far_apart_are_refused_without_offering_a_unit(tmp_path):
    moments = pa.array(np.arange(400) * 7000).cast(pa.timestamp("ms"))
    with pytest.raises(LogError, match="step by 7 s") as found:
        read_table(tmp_path, moments)
    assert " ms" not in str(found.value)


@pytest.mark.parametrize("kind", [pa.time32("s"), pa.time32("ms"), pa.time64("us")], ids=str)
def test_a_typed_time_of_day_goes_on_past_midnight(tmp_path, kind):
    seconds = (86_400 - 60 + FAST) % 86_400
    each = {"s": 1, "ms": 1e3, "us": 1e6}[kind.unit]
    ticks = np.floor(seconds * each + 1e-6).astype("int32" if kind.bit_width == 32 else "int64")
    log = read_table(tmp_path, pa.array(ticks).cast(kind))
    span = log.samples["time_s"].iloc[-1] - log.samples["time_s"].iloc[0]
    assert span == pytest.approx(FAST[-1], abs=1e-3)
    assert not any("starts again" in note for note in log.notes)


# --- decimal commas -------------------------------------------------------------------------------


def comma_log(folder, spell, rows=2000, off=600, delimiter=";"):
    """Write a log that begins with the engine off, in whole numbers."""
    at = np.arange(rows)
    lam = 0.98 + 0.05 * np.sin(at / 40)
    cells = ["1" if i < off else spell(v) for i, v in zip(at, lam, strict=True)]
    lines = [delimiter.join(["Time (ms)", "RPM", "MAP (kPa)", "Lambda"])]
    lines += [
        delimiter.join([str(100 * i), "0" if i < off else str(3000 + i % 50), "100", cell])
        for i, cell in zip(at, cells, strict=True)
    ]
    path = Path(folder) / "log.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path, np.where(at < off, 1.0, lam)


@pytest.mark.parametrize("digits", [1, 2, 3, 4])
def test_decimal_commas_behind_many_whole_numbers_are_decimal_commas(tmp_path, digits):
    path, lam = comma_log(tmp_path, lambda v: f"{v:.{digits}f}".replace(".", ","))
    log = read_log(path)
    assert log.dialect.decimal == ","
    np.testing.assert_allclose(log.samples["lambda"], lam, atol=0.6 * 10**-digits)


def test_decimal_commas_in_quotation_marks_are_found_late_too(tmp_path):
    path, lam = comma_log(tmp_path, lambda v: f'"{v:.3f}"'.replace(".", ","), delimiter=",")
    np.testing.assert_allclose(read_log(path).samples["lambda"], lam, atol=6e-4)


def test_decimal_signs_that_are_mixed_late_are_refused(tmp_path):
    path, _ = comma_log(tmp_path, lambda v: f"{v:.3f}".replace(".", ","))
    lines = path.read_text(encoding="utf-8").splitlines()
    lines[2] = lines[2].replace(";100;", ";100.5;")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    with pytest.raises(LogError, match=r"mixed: '100.5' in row 3, '\d,\d+' in row 6\d\d"):
        read_log(path)


def test_a_decimal_comma_behind_the_first_part_is_text_and_never_a_thousand(tmp_path):
    path, _ = comma_log(tmp_path, lambda v: f"{v - 0.1:.3f}".replace(".", ","), off=1200)
    running = path.read_text(encoding="utf-8").replace(";0;100;", ";900;100;")
    path.write_text(running, encoding="utf-8")
    car = replace(CAR, channels={}, steady=replace(CAR.steady, estimate_rows=1000))
    with pytest.raises(LogError, match=r"cells are text and not numbers, the first is '0,8"):
        read_log(path, setup=car)


def test_text_with_decimal_commas_in_a_table_is_read(tmp_path):
    at = np.arange(3000)
    lam = 0.98 + 0.05 * np.sin(at / 40)
    words = ["1" if i < 600 else f"{v:.3f}".replace(".", ",") for i, v in enumerate(lam)]
    table = table_of(pa.array(FAST)).set_column(0, "Time (s)", pa.array(FAST))
    path = tmp_path / "log.parquet"
    parquet.write_table(table.set_column(3, "Lambda", pa.array(words)), path)
    log = read_log(path)
    np.testing.assert_allclose(log.samples["lambda"], np.where(at < 600, 1, lam), atol=6e-4)
    words[5] = "1.05"
    parquet.write_table(table.set_column(3, "Lambda", pa.array(words)), path)
    with pytest.raises(
        LogError, match=r"column 'Lambda': decimal points and .*'1.05' and '\d,\d+'"
    ):
        read_log(path)


def test_rows_of_one_stamp_are_never_spread_past_the_next_stamp(tmp_path):
    """Stamps of whole seconds that come every two seconds, now and then every one."""
    stamps = [0, 2, 4, 5, 7, 8, 10, 12, 13, 15]
    rows = [f"{s},{1500 + 10 * s + k},50,1.0" for s in stamps for k in range(4)]
    path = tmp_path / "polled.csv"
    path.write_text("\n".join(["Time (s),Engine speed (rpm),Load (%),Lambda", *rows]) + "\n")
    log = read_log(path)
    time_s = log.samples["time_s"].to_numpy()
    assert (np.diff(time_s) > 0).all()
    np.testing.assert_allclose(time_s[8:12], [4.0, 4.25, 4.5, 4.75])  # the next stamp is at 5 s
    np.testing.assert_allclose(time_s[4:8], [2.0, 2.5, 3.0, 3.5])
