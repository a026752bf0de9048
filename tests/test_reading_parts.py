"""A log read part by part says what it says read whole: its time, its columns, its refusals."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tuneassist.errors import LogError
from tuneassist.files.setup_file import read_setup
from tuneassist.reading import read_log, text_layout
from tuneassist.reading.columns import MOST_SAMPLED, ColumnChecker
from tuneassist.reading.log import Cells
from tuneassist.reading.timeline import SESSION_PAUSE_S, TimeReader
from tuneassist.settings import ChannelSource

SAMPLES = Path(__file__).resolve().parent.parent / "sample_logs"
CAR = replace(read_setup(SAMPLES / "petrol-setup.toml"), channels={})
ROWS, FIRST = 3000, 1000
AT = np.arange(ROWS)
HEADERS = {"time": "Time (s)", "rpm": "RPM", "map": "MAP (kPa)", "lam": "Lambda [lambda]"}
PLAIN = {
    "time": np.char.mod("%.2f", AT * 0.05),
    "rpm": np.char.mod("%.1f", 3000 + 1500 * np.sin(AT / 90)),
    "map": np.char.mod("%.2f", 95 + 55 * np.sin(AT / 70)),
    "lam": np.char.mod("%.4f", 0.98 + 0.1 * np.sin(AT / 50)),
}


def with_first(rows: int):
    return replace(CAR, steady=replace(CAR.steady, estimate_rows=rows))


def write(folder: Path, headers=(), delimiter=",", **columns) -> Path:
    named = {**HEADERS, **dict(headers)}
    cells = {**PLAIN, **columns}
    lines = [delimiter.join(named[key] for key in cells)]
    lines += [delimiter.join(row) for row in zip(*cells.values(), strict=True)]
    path = folder / "log.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def both(path: Path, car=None):
    """Read in parts and whole; what they say, or the words in which they refuse."""
    found = []
    for rows in (FIRST, 100_000):
        try:
            setup = with_first(rows) if car is None else replace(
                car, steady=replace(car.steady, estimate_rows=rows)
            )  # fmt: skip
            found.append(read_log(path, setup=setup))
        except LogError as error:
            found.append(str(error))
    return found


def the_same(path: Path):
    parts, whole = both(path)
    pd.testing.assert_frame_equal(parts.samples, whole.samples, rtol=1e-9, atol=1e-9)
    assert dict(parts.dropped) == dict(whole.dropped)
    return parts


@pytest.fixture(autouse=True)
def small_blocks(monkeypatch):
    monkeypatch.setattr(text_layout, "_PIECE", 1 << 14)
    monkeypatch.setattr(text_layout, "BLOCK_BYTES", 20_001)


# --- clocks ---------------------------------------------------------------------------------------


def stamps(form: str, began: str = "23:58:30") -> list[str]:
    first = pd.Timestamp(f"2024-03-01 {began}")
    return [(first + pd.Timedelta(milliseconds=50 * int(i))).strftime(form) for i in AT]


@pytest.mark.parametrize("bad", [20, 998, 999, 1000, 1001, 2500])
@pytest.mark.parametrize("word", ["--:--", "late", ""])
@pytest.mark.parametrize("form", ["%Y-%m-%d %H:%M:%S.%f", "%Y-%m-%dT%H:%M:%S.%f", "%H:%M:%S"])
def test_a_bad_stamp_costs_its_own_row_wherever_it_stands(tmp_path, form, bad, word) -> None:
    time = stamps(form)
    time[bad] = word
    log = the_same(write(tmp_path, {"time": "Time"}, time=time))
    assert log.dropped == (("no time stamp", 1),)
    assert set(range(2, ROWS + 2)) - set(log.samples["row"]) == {bad + 2}


@pytest.mark.parametrize("form", ["%H:%M:%S", "%H:%M:%S.%f", "%Y-%m-%d %H:%M:%S"])
@pytest.mark.parametrize("began", ["23:59:30", "23:58:30"])  # in the first part, and behind it
def test_a_clock_of_whole_seconds_goes_on_past_midnight(tmp_path, form, began) -> None:
    log = the_same(write(tmp_path, {"time": "Time"}, time=stamps(form, began)))
    seconds = log.samples["time_s"].to_numpy()
    assert seconds[-1] - seconds[0] == pytest.approx(0.05 * (ROWS - 1), abs=1e-6)
    assert not any("starts again" in note for note in log.notes)


# --- rows of nothing ------------------------------------------------------------------------------


@pytest.mark.parametrize("place", [500, 2000])  # in the first part, and behind it
def test_a_row_of_delimiters_alone_is_no_row_wherever_it_stands(tmp_path, place) -> None:
    path = write(tmp_path)
    lines = path.read_text(encoding="utf-8").splitlines()
    lines.insert(place, ",,,")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    log = the_same(path)
    assert (log.rows_read, log.dropped) == (ROWS, ())
    assert len(log.samples) == ROWS and place + 1 not in set(log.samples["row"])


# --- stamps at the edges of parts -----------------------------------------------------------------


def in_parts(values: np.ndarray, cuts: list[int]) -> np.ndarray:
    pieces = [Cells(values[a:b]) for a, b in pairwise([0, *cuts, len(values)])]
    time = TimeReader(pieces[0], unit="s", unit_how="header", where="log", entry="time %s")
    return np.concatenate(
        [time.read(*both).seconds for both in pairwise([*pieces, None]) if both[0] is not None]
    )


@settings(max_examples=300)
@given(
    cuts=st.lists(st.integers(4, 15), max_size=6, unique=True).map(sorted),
    moved=st.lists(
        st.tuples(st.integers(0, 5), st.integers(-3, 3), st.sampled_from([1000.0, -2.0, np.nan])),
        max_size=3,
    ),
    restart=st.integers(100, 560) | st.none(),
    nudge=st.integers(0, 20),
)
def test_where_a_log_is_cut_does_not_move_its_time(cuts, moved, restart, nudge) -> None:
    values = np.arange(600) * 0.125
    if restart is not None:
        values[restart:] -= values[restart]
    cuts = [35 * cut + nudge for cut in cuts]
    for which, beside, change in moved:
        values[[*cuts, 300][which % (len(cuts) + 1)] + beside] += change
    np.testing.assert_allclose(in_parts(values, cuts), in_parts(values, []), atol=1e-9)


@pytest.mark.parametrize("place", range(995, 1005))
def test_a_stamp_that_juts_out_at_the_edge_of_a_part_takes_its_own_row(tmp_path, place) -> None:
    values = AT * 0.05
    values[place] += 1000.0
    log = the_same(write(tmp_path, time=np.char.mod("%.2f", values)))
    assert log.dropped == (("time stepped back", 1),)
    assert (np.diff(log.samples["time_s"]) > 0).all()


@pytest.mark.parametrize("place", [981, 990, 999, 1000, 1001])
def test_a_restart_at_the_edge_of_a_part_loses_no_row(tmp_path, place) -> None:
    values = np.where(place > AT, AT, AT - place) * 0.05
    log = the_same(write(tmp_path, time=np.char.mod("%.2f", values)))
    assert len(log.samples) == ROWS
    step = np.diff(log.samples["time_s"])
    assert step[place - 1] == pytest.approx(SESSION_PAUSE_S)


def test_a_few_steps_back_in_a_short_last_part_are_judged_by_the_whole_log() -> None:
    values = np.arange(600) * 0.125
    values[-19:] = 1.0
    np.testing.assert_allclose(in_parts(values, [300, 581]), in_parts(values, []))


# --- columns that come late -----------------------------------------------------------------------


def late(values, first: int = 1800) -> np.ndarray:
    return np.where(first > AT, "", values)


TRIM = np.char.mod("%.1f", 6 + AT % 5 * 0.1)


def test_a_column_that_is_blank_at_first_is_in_use_when_it_comes(tmp_path) -> None:
    log = the_same(write(tmp_path, {"trim": "STFT (%)"}, trim=late(TRIM)))
    trims = log.samples["fuel_trim_short_pct"]
    assert trims[:1800].isna().all()
    assert trims[1800:].between(6, 7).all()


def test_a_column_that_stays_blank_is_left_out_and_it_is_said(tmp_path) -> None:
    log = the_same(write(tmp_path, {"trim": "STFT (%)"}, trim=late(TRIM, ROWS)))
    assert "fuel_trim_short_pct" not in log.samples
    assert any("holds no numbers" in note for note in log.notes)


def test_a_unit_is_told_by_the_values_that_come_late(tmp_path) -> None:
    # 176 to 203 degF are 80 to 95 degC; as degC an engine would have boiled dry
    hot = np.where(AT < 1800, "", np.char.mod("%.0f", 176 + AT % 28))
    log = the_same(write(tmp_path, {"hot": "Coolant temperature"}, hot=hot))
    assert log.samples["coolant_temp_c"].median() == pytest.approx((189.5 - 32) / 1.8, abs=0.5)


@pytest.mark.parametrize("silent", ["", "0"])
def test_a_unit_that_late_values_do_not_tell_is_asked_for(tmp_path, silent) -> None:
    # 0.5 to 1.1 may be bar, psi of a weak charger, or kPa of none
    boost = np.where(AT < 1800, silent, np.char.mod("%.1f", 0.5 + AT % 7 * 0.1))
    found = both(write(tmp_path, {"boost": "Boost"}, boost=boost))
    for words in found:
        assert "column 'Boost'" in words, words
        assert "no unit is given" in words
        assert 'boost = { column = "Boost", unit =' in words


# --- what is refused ------------------------------------------------------------------------------


def changed(key: str, first: int, words) -> dict[str, np.ndarray]:
    return {key: np.where(first > AT, PLAIN[key], words)}


PSI = np.char.mod("%.2f", PLAIN["map"].astype(float) / 6.894757)  # kPa to the psi, NIST SP 811


@pytest.mark.parametrize(
    ("spoilt", "message"),
    [
        (changed("lam", 1740, "ERR"), "row 1742: 1260 of 3000 cells are text and not numbers"),
        (changed("rpm", 1500, "65535"), "1500 of 3000 values cannot be rpm: the first is 65535"),
        (changed("time", 2000, "x"), "row 2002: 1000 of 3000 cells are text"),
    ],
)
def test_what_a_whole_log_is_refused_for_it_is_refused_for_in_parts(
    tmp_path, spoilt, message
) -> None:
    parts, whole = both(write(tmp_path, **spoilt))
    assert parts == whole
    assert message in parts


def test_a_unit_that_changes_is_refused_either_way_and_called_so_where_it_shows(tmp_path) -> None:
    parts, whole = both(write(tmp_path, **changed("map", 2000, PSI)))
    assert "cannot be load in kPa: most lie between" in whole
    assert "begins in kPa, and what follows does not fit that" in parts


def test_what_a_whole_log_may_hold_it_may_hold_in_parts(tmp_path) -> None:
    # 17 % of the cells, all of them behind the first part: a fifth is allowed
    log = the_same(write(tmp_path, **changed("lam", 2500, "ERR")))
    assert log.samples["lambda"].isna().sum() == 500


def test_an_engine_that_stops_in_the_last_part_is_no_doubt(tmp_path) -> None:
    log = the_same(write(tmp_path, **changed("rpm", 2400, "0.0")))
    assert len(log.samples) == ROWS


def test_the_values_kept_for_judging_are_few_and_even() -> None:
    from tuneassist.reading.columns import build_column
    from tuneassist.reading.headers import read_heading
    from tuneassist.reading.matching import Match

    values = np.linspace(800.0, 6000.0, 400_000)
    pick = Match("rpm", read_heading(0, "RPM"), "header", "rpm", "header")
    column = build_column(pick, Cells(values), setup=None, name="x", first_text_line=0)
    watch = ColumnChecker(column)
    for part in np.array_split(values, 9):
        watch.add(Cells(part), np.arange(len(part)))
    kept = np.concatenate(watch._sampled)
    assert MOST_SAMPLED / 2 < len(kept) <= MOST_SAMPLED
    wanted = np.quantile(values, [0.1, 0.5, 0.95])
    np.testing.assert_allclose(np.quantile(kept, [0.1, 0.5, 0.95]), wanted, rtol=1e-3)


# --- the barometer --------------------------------------------------------------------------------


@pytest.mark.parametrize("filled", [AT % 5 == 0, AT % 5 == 3, (AT < 900) | (AT > 2100)])
def test_blanks_of_the_barometer_take_what_it_said_last(tmp_path, filled) -> None:
    drift = 100 - AT / 500  # 6 kPa over the log, as on a way up a hill
    boost = PLAIN["map"].astype(float) - drift
    path = write(
        tmp_path,
        {"map": "Boost (kPa)", "baro": "Barometer (kPa)"},
        map=np.char.mod("%.3f", boost),
        baro=np.where(filled, np.char.mod("%.3f", drift), ""),
    )
    log = the_same(path)
    last = pd.Series(np.where(filled, drift, np.nan)).ffill().bfill()
    np.testing.assert_allclose(log.samples["load"], boost + last, atol=2e-3)


def test_a_column_named_by_the_setup_may_come_late_too(tmp_path) -> None:
    named = replace(CAR, channels={"fuel_trim_long": ChannelSource("Slow", unit="percent")})
    path = write(tmp_path, {"slow": "Slow"}, slow=late(TRIM, 2000))
    parts, whole = both(path, named)
    pd.testing.assert_frame_equal(parts.samples, whole.samples)
    assert parts.samples["fuel_trim_long_pct"].notna().sum() == 1000
