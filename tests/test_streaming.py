"""Long logs: parts joined without a seam, memory that does not grow, and the same as read whole."""

from __future__ import annotations

import gzip
import subprocess
import sys
from dataclasses import replace
from functools import lru_cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from frames import channel_peaks, sums_of
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from tuneassist.characterise import characterise
from tuneassist.evidence.groups import Groups
from tuneassist.evidence.steady import USUAL_RATIOS, USUAL_SHARES
from tuneassist.evidence.visits import PROMPT, RunningPeaks, count_nearest, nearest_cell
from tuneassist.files.setup_file import read_setup
from tuneassist.one_log import NO_LAMBDA, LogEvidence
from tuneassist.reading import LogReader, read_log, text_layout
from tuneassist.reading.source import Prefetcher
from tuneassist.reduction import reduce_log, reduce_parts
from tuneassist.simulate import SessionPlan, simulate_session
from tuneassist.simulate.sample_logs import petrol_engine

SAMPLES = Path(__file__).resolve().parent.parent / "sample_logs"
CAR = read_setup(SAMPLES / "petrol-setup.toml")
#: Everything that is estimated is given, so that whole and part by part must agree.
GIVEN = replace(
    CAR,
    steady=replace(
        CAR.steady,
        lambda_delay_s=0.1,
        settle_s=1.2,
        sensor_richest_lambda=0.68,
        sensor_leanest_lambda=1.36,
    ),
)
SHORT = 1000  # the fewest rows that a first part may have


def cut(samples: pd.DataFrame, at: list[int]) -> list[pd.DataFrame]:
    edges = [0, *sorted(set(at)), len(samples)]
    return [samples.iloc[a:b] for a, b in pairwise(edges) if b > a]


@lru_cache(maxsize=8)
def drive(seed: int = 1, **plan: object) -> pd.DataFrame:
    made = SessionPlan(**{"holds": 40, **plan})
    return simulate_session(petrol_engine(), made, rng=np.random.default_rng(seed)).samples


# --- parts without a seam -------------------------------------------------------------------------


FIRST = 3000  # rows of the first part


@lru_cache
def in_two_parts() -> LogEvidence:
    return reduce_parts(cut(drive(), [FIRST]), name="x", setup=CAR)


@settings(max_examples=12)
@given(st.lists(st.integers(FIRST + 1, 6000), max_size=12))
def test_holds_do_not_hang_on_where_the_rest_is_cut(at: list[int]) -> None:
    samples, one = drive(), in_two_parts()
    many = reduce_parts(cut(samples, [FIRST, *at]), name="x", setup=CAR)
    pd.testing.assert_frame_equal(many.holds, one.holds, rtol=1e-12)
    pd.testing.assert_series_equal(many.fates, one.fates)
    pd.testing.assert_frame_equal(many.peaks, one.peaks)
    pd.testing.assert_frame_equal(many.blocks, one.blocks, check_exact=True)
    pd.testing.assert_frame_equal(many.driven, one.driven)
    assert np.array_equal(many.visits, one.visits)
    assert many.notes == one.notes
    assert many.samples == one.samples == len(samples)


@pytest.mark.parametrize(
    "plan",
    [{}, {"is_closed_loop": True}, {"is_polled": True}, {"rate_hz": 4.0, "gaps": 3}],
    ids=["plain", "trims", "polled", "gaps"],
)
def test_part_by_part_finds_the_holds_that_are_found_at_once(plan: dict[str, object]) -> None:
    # Bands and scatter are estimated from the first part here and from all of it there, so that
    # a few holds at their edges may differ; what both have must be equal.
    samples = drive(3, holds=80, **plan)
    whole = reduce_log(samples, name="x", setup=GIVEN)
    parts = reduce_parts(
        cut(samples, [len(samples) // 2, *range(len(samples) // 2, len(samples), 777)]),
        name="x",
        setup=GIVEN,
    )
    both = whole.holds.merge(parts.holds, on=["start_s", "end_s", "samples"], suffixes=("", "_p"))
    assert len(both) >= 0.8 * len(whole.holds) > 20
    for name in ("rpm", "load", "need_ln", "target_lambda"):
        np.testing.assert_allclose(both[f"{name}_p"], both[name], rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(both["within_se_p"], both["within_se"], rtol=0.25)
    assert abs(len(parts.holds) - len(whole.holds)) <= 0.1 * len(whole.holds)
    assert int(parts.fates.sum()) == parts.samples


def spotted(samples: pd.DataFrame) -> pd.DataFrame:
    """Blank speeds and wild lambdas here and there."""
    rng, n = np.random.default_rng(0), len(samples)
    wild = np.where(rng.random(n) < 0.02, rng.uniform(0.5, 1.8, n), 1.0)
    rpm = samples["rpm"].where(rng.random(n) > 0.01)
    return samples.assign(rpm=rpm, **{"lambda": samples["lambda"] * wild})


def seldom(samples: pd.DataFrame) -> pd.DataFrame:
    """Coolant once a minute."""
    is_told = np.arange(len(samples)) % 600 == 0
    return samples.assign(coolant_temp_c=samples["coolant_temp_c"].where(is_told))


def in_turn(samples: pd.DataFrame) -> pd.DataFrame:
    """One main channel to a row, the others blank."""
    turn = np.arange(len(samples)) % 3
    main = enumerate(("rpm", "load", "lambda"))
    return samples.assign(**{name: samples[name].where(turn == k) for k, name in main})


def trailing(samples: pd.DataFrame) -> pd.DataFrame:
    """A tail of 2 % behind every move of load."""
    place = (samples["load"].diff().abs() > 3.0).cumsum()
    age_s = samples["time_s"] - samples.groupby(place)["time_s"].transform("min")
    return samples.assign(**{"lambda": samples["lambda"] * (1.0 + 0.02 * np.exp(-age_s / 4.0))})


KINDS = {
    "steady": drive,
    "trims alone": lambda: drive(is_closed_loop=True).drop(columns="lambda"),
    "polled": lambda: drive(is_polled=True),
    "one channel to a row": lambda: in_turn(drive()),
    "1 Hz": lambda: drive(rate_hz=1.0, holds=60),
    "pauses": lambda: drive(rate_hz=4.0, gaps=3),
    "never warm": lambda: drive(is_never_warm=True),
    "coolant seldom": lambda: seldom(drive()),
    "no coolant": lambda: drive().drop(columns="coolant_temp_c"),
    "spikes and blanks": lambda: spotted(drive()),
    "tail": lambda: trailing(drive()),
}


@pytest.mark.parametrize("kind", KINDS)
def test_a_log_of_every_kind_is_the_same_in_one_part_and_in_many_to_the_bit(kind: str) -> None:
    samples = KINDS[kind]()
    nature = characterise(samples, setup=CAR)
    holds, fates, blocks = sums_of([samples], nature, CAR)
    many = sums_of(cut(samples, list(range(200, len(samples), 317))), nature, CAR)
    assert (len(holds) > 20) == (kind != "never warm")
    # a tail is taken out by a matrix product, whose last bit hangs on the number of holds
    exactly = {"rtol": 1e-12} if kind == "tail" else {"check_exact": True}
    pd.testing.assert_frame_equal(many[0], holds, **exactly)
    pd.testing.assert_series_equal(many[1], fates)
    pd.testing.assert_frame_equal(many[2], blocks, check_exact=True)
    assert (len(blocks) > 20) == (kind != "never warm")


def test_without_lambda_nothing_is_a_fuel_cut() -> None:
    samples = drive(is_closed_loop=True)
    assert reduce_log(samples, name="a.csv", setup=CAR).fates["fuel cut"] > 20
    bare = reduce_log(samples.drop(columns="lambda"), name="a.csv", setup=CAR)
    assert bare.fates["fuel cut"] == 0
    assert NO_LAMBDA in bare.notes


def test_samples_are_counted_near_cells_though_each_row_has_one_channel() -> None:
    samples = drive()
    whole = reduce_log(samples, name="a.csv", setup=CAR)
    turns = reduce_log(in_turn(samples), name="a.csv", setup=CAR)
    apart = np.abs(turns.visits - whole.visits).sum()
    assert apart < 0.1 * whole.visits.sum()


@pytest.mark.parametrize("rows", [0, 1, 2, 30])
def test_a_log_of_hardly_any_rows_has_no_holds_and_breaks_nothing(rows: int) -> None:
    found = reduce_log(drive().head(rows), name="a.csv", setup=CAR)
    assert found.holds.empty
    assert found.fates.sum() == found.samples == rows


def test_one_long_hold_across_many_parts_is_one_hold() -> None:
    samples = drive(5, holds=30)
    long = SessionPlan(points=np.array([[2500.0, 70.0]]), hold_s=(400.0, 401.0), warm_up_s=0.0)
    hold = simulate_session(petrol_engine(), long, rng=np.random.default_rng(2)).samples
    joined = pd.concat(
        [samples, hold.assign(time_s=hold["time_s"] + samples["time_s"].iloc[-1] + 5.0)],
        ignore_index=True,
    )
    at = list(range(len(samples), len(joined), 500))
    found = reduce_parts(cut(joined, at), name="x", setup=CAR)
    whole = reduce_log(joined, name="x", setup=CAR)
    longest = found.holds["samples"].idxmax()
    assert found.holds["samples"][longest] > 4 * 500
    for name in ("start_s", "end_s", "samples"):
        assert found.holds[name][longest] == whole.holds[name][whole.holds["samples"].idxmax()]


def test_a_coolant_channel_that_speaks_late_is_no_warm_engine_until_then() -> None:
    samples = drive(seed=3)
    late = samples["coolant_temp_c"].where(np.arange(len(samples)) >= 2 * SHORT)
    short = replace(GIVEN, steady=replace(GIVEN.steady, estimate_rows=SHORT))
    found = reduce_log(samples.assign(coolant_temp_c=late), name="a.csv", setup=short)
    assert found.fates["engine cold"] >= 2 * SHORT
    assert found.holds["start_s"].min() >= samples["time_s"].iloc[2 * SHORT]
    assert len(found.holds) > 5


def test_channels_of_a_whole_log_that_never_speak_choose_no_filter() -> None:
    samples = drive(seed=3)
    short = replace(GIVEN, steady=replace(GIVEN.steady, estimate_rows=SHORT))
    without = ["coolant_temp_c", "coolant_volts", "throttle_pct", "pedal_pct"]
    bare = samples.drop(columns=[name for name in without if name in samples])
    blank = bare.assign(coolant_temp_c=np.nan, throttle_pct=np.nan)
    for setup in (GIVEN, short):
        told = [reduce_log(frame, name="a.csv", setup=setup) for frame in (bare, blank)]
        pd.testing.assert_frame_equal(told[0].holds, told[1].holds)
        assert len(told[0].holds) > 20


def test_a_log_that_fits_is_reduced_at_once_whatever_the_limit() -> None:
    samples = drive()
    plain = reduce_log(samples, name="x", setup=CAR)
    wide = replace(CAR, steady=replace(CAR.steady, estimate_rows=len(samples)))
    assert reduce_log(samples, name="x", setup=wide).holds.equals(plain.holds)
    narrow = replace(CAR, steady=replace(CAR.steady, estimate_rows=SHORT))
    assert not reduce_log(samples, name="x", setup=narrow).holds.equals(plain.holds)


# --- reading part by part -------------------------------------------------------------------------


def long_text(rows: int = 6000) -> str:
    lines = (SAMPLES / "petrol-session-1.csv").read_text(encoding="utf-8").splitlines()
    return "\n".join(lines[: rows + 2]) + "\n"


def narrow(rows: int = SHORT):
    return replace(CAR, steady=replace(CAR.steady, estimate_rows=rows))


@pytest.mark.parametrize("packing", ["", "gzip"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-be", "cp1252"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_a_long_log_reads_the_same_part_by_part(tmp_path, monkeypatch, encoding, end, packing):

    monkeypatch.setattr(text_layout, "_PIECE", 1 << 15)
    monkeypatch.setattr(text_layout, "BLOCK_BYTES", 50_001)
    content = long_text().replace("simulated 1.6", "simulated é 1.6").replace("\n", end)
    data = content.encode(encoding)
    path = tmp_path / "log.csv"
    path.write_bytes(gzip.compress(data) if packing else data)
    parts = list(LogReader(path, setup=narrow()).parts())
    assert len(parts) > 2
    long = read_log(path, setup=narrow())
    whole = read_log(path, setup=CAR)
    pd.testing.assert_frame_equal(long.samples, whole.samples)
    for name in ("sha256", "rows_read", "rows_kept", "columns", "dropped", "dialect", "preamble"):
        assert getattr(long, name) == getattr(whole, name), name
    assert whole.rows_kept == len(whole.samples)


def spoil(text: str) -> str:
    lines = text.splitlines()
    lines[4000] = lines[4000][:9]  # cut
    lines[4100] = lines[4100].replace(",", ",n/a,", 1).rsplit(",", 1)[0]  # a blank cell
    lines[4200] = ""
    lines[4300] = '"' + lines[4300].replace(",", '",', 1)  # in quotation marks
    lines[4400] = lines[4400].split(",", 2)[0] + ",ERR," + lines[4400].split(",", 2)[2]
    lines[4500] = lines[4500].split(",", 2)[0] + ",99999," + lines[4500].split(",", 2)[2]
    return "\n".join(lines) + "\n"


def test_damage_behind_the_first_part_is_left_out_and_said_with_its_row(tmp_path) -> None:
    path = tmp_path / "log.csv"
    path.write_text(spoil(long_text()), encoding="utf-8")
    long, whole = read_log(path, setup=narrow()), read_log(path, setup=CAR)
    pd.testing.assert_frame_equal(long.samples, whole.samples)
    assert dict(long.dropped) == dict(whole.dropped) != {}
    assert any("1 impossible value" in note for note in long.notes)
    assert any("1 cell(s) of text" in note for note in long.notes)


@pytest.mark.parametrize("kind", ["restart", "coarse", "clock", "midnight", "back"])
def test_time_goes_on_across_parts(tmp_path, kind) -> None:
    lines = long_text().splitlines()
    cells = [line.split(",", 1) for line in lines[2:]]
    stamps = np.arange(len(cells)) * 0.1
    text = [f"{t:.2f}" for t in stamps]
    if kind == "restart":
        text = [f"{t - 350.0 if t > 350.0 else t:.2f}" for t in stamps]
    if kind == "coarse":
        text = [f"{np.floor(t / 10) * 5:.0f}" for t in stamps]  # 100 rows share a stamp
    if kind in ("clock", "midnight"):
        first = 86_400 - 300.0 if kind == "midnight" else 3600.0
        clock = (stamps + first) % 86_400
        text = [f"{int(c // 3600):02d}:{int(c // 60 % 60):02d}:{c % 60:06.3f}" for c in clock]
    if kind == "back":
        text[4321] = "1.00"
    body = [f"{t},{rest}" for t, (_, rest) in zip(text, cells, strict=True)]
    path = tmp_path / "log.csv"
    path.write_text("\n".join([*lines[:2], *body]) + "\n", encoding="utf-8")
    bare = {name: entry for name, entry in CAR.channels.items() if name != "time"}
    long = read_log(path, setup=replace(narrow(), channels=bare))
    whole = read_log(path, setup=replace(CAR, channels=bare))
    assert dict(long.dropped) == dict(whole.dropped)
    assert (np.diff(long.samples["time_s"]) > 0).all()
    np.testing.assert_allclose(long.samples["time_s"], whole.samples["time_s"], atol=2e-6)


def test_a_last_row_cut_short_in_a_block_of_its_own_is_left_out(tmp_path, monkeypatch) -> None:

    monkeypatch.setattr(text_layout, "_PIECE", 1 << 15)
    content = long_text()
    path = tmp_path / "log.csv"
    path.write_text(content + content[-30:-12], encoding="utf-8", newline="")
    size = path.stat().st_size
    for block in (size // 40, size // 41, 4001):
        monkeypatch.setattr(text_layout, "BLOCK_BYTES", block)
        log = read_log(path, setup=narrow())
        assert dict(log.dropped) == {"row cut short or with too many cells": 1}
        assert log.rows_kept == 6000


def test_an_error_behind_the_first_part_comes_through_and_the_thread_ends(tmp_path) -> None:
    text = long_text()
    lines = text.splitlines()
    broken = [line[: len(line) // 2] if i > 4000 else line for i, line in enumerate(lines)]
    path = tmp_path / "log.csv"
    path.write_text("\n".join(broken) + "\n", encoding="utf-8")
    with pytest.raises(ValueError, match=r"log.csv, row 4\d\d\d.* rows do not have 10 cells"):
        read_log(path, setup=narrow())


def test_reading_ahead_keeps_order_and_hands_errors_on() -> None:
    def items():
        yield from range(50)
        raise ZeroDivisionError

    got = []
    with pytest.raises(ZeroDivisionError), Prefetcher(items(), depth=3) as ahead:
        for item in ahead:
            got.append(item)
    assert got == list(range(50))


MEASURE = """
import resource, sys
from tuneassist.files.setup_file import read_setup
from tuneassist.parallel import LogFile, reduce_file
from pathlib import Path
car = read_setup(Path(sys.argv[1]))
found = reduce_file(LogFile(Path(sys.argv[2]), "x"), car)
print(found.evidence.samples, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="peak memory is read as Linux tells it, in KiB")
def test_memory_does_not_grow_with_the_log(tmp_path) -> None:
    lines = long_text(12_000).splitlines(keepends=True)
    rows = [line.split(",", 1)[1] for line in lines[2:]]
    peaks = []
    for tiles in (60, 180):
        path = tmp_path / f"{tiles}.csv"
        with path.open("w", encoding="utf-8") as stream:
            stream.writelines(lines[:2])
            for tile in range(tiles):
                first = tile * len(rows)
                stream.writelines(f"{(first + i) / 10:.1f},{row}" for i, row in enumerate(rows))
        made = subprocess.run(
            [sys.executable, "-c", MEASURE, SAMPLES / "petrol-setup.toml", path],
            capture_output=True, text=True, check=True,
        )  # fmt: skip
        samples, peak = (int(word) for word in made.stdout.split())
        assert samples == tiles * len(rows)
        peaks.append(peak / 1024)
    # 1,440,000 rows more, which would take 130 MB as samples alone
    assert peaks[1] - peaks[0] < 30.0, peaks


# --- what long logs are worked out with -----------------------------------------------------------


def test_the_usual_ratios_are_scipys() -> None:
    low, high = USUAL_SHARES
    assert (CAR.steady.quiet_share, CAR.steady.keep_share) == USUAL_SHARES
    for n in (2, 3, 4, 7, 16, 30):
        law = stats.studentized_range
        ratio = law.ppf(high, n, np.inf) / law.ppf(low, n, np.inf)
        assert USUAL_RATIOS[n - 2] == pytest.approx(float(ratio), rel=1e-9)
    assert len(USUAL_RATIOS) == 29


@given(st.lists(st.integers(1, 40), min_size=1, max_size=30), st.integers(0, 99))
def test_medians_of_groups_are_those_of_pandas(sizes: list[int], seed: int) -> None:
    labels = np.repeat(np.arange(len(sizes)), sizes)
    values = np.random.default_rng(seed).normal(size=len(labels)).round(1)
    wanted = pd.Series(values).groupby(labels).median().to_numpy()
    assert np.array_equal(Groups.of(labels).median(values), wanted)


def test_groups_of_very_different_lengths_have_the_same_medians() -> None:
    sizes = [1] * 300 + [20_000]
    labels = np.repeat(np.arange(len(sizes)), sizes)
    values = np.random.default_rng(1).normal(size=len(labels))
    wanted = pd.Series(values).groupby(labels).median().to_numpy()
    assert np.array_equal(Groups.of(labels).median(values), wanted)


PEAKED = ("exhaust_temp_c", "injector_duty_pct", "manifold_pressure_kpa")


def peaks_of_parts(at: list[int]) -> pd.DataFrame:
    running = RunningPeaks(CAR.axes, PEAKED)
    for part in cut(drive(), at):
        running.add(part["rpm"].to_numpy(), part["load"].to_numpy(), part)
    return running.table()


@lru_cache
def peaks_of_the_whole() -> pd.DataFrame:
    return channel_peaks(drive(), CAR.axes, PEAKED)


@given(st.lists(st.integers(1, 5000), max_size=6))
def test_peaks_of_parts_are_those_of_the_whole(at: list[int]) -> None:
    pd.testing.assert_frame_equal(peaks_of_parts(at), peaks_of_the_whole(), check_exact=True)


def test_peaks_are_the_second_highest_readings_and_prompt_ones_those_seen_twice_running() -> None:
    samples, found = drive(), peaks_of_parts([2000])
    cells = nearest_cell(CAR.axes, samples["rpm"].to_numpy(), samples["load"].to_numpy())
    for name in PEAKED:
        readings = samples[name].groupby(cells)
        plain = readings.agg(lambda values: values.nlargest(2).iloc[-1]).where(readings.count() > 1)
        if name in PROMPT:
            before, after = samples[name].shift(), samples[name].shift(-1)
            near = np.minimum(samples[name], np.fmax(before, after))
            plain = np.fmax(plain, near.groupby(cells).max())
        np.testing.assert_array_equal(found[f"{name}_max"], plain.reindex(range(CAR.axes.size)))


def test_visits_are_samples_near_each_cell() -> None:
    # 800 rpm and 30 kPa are the first breakpoints; half a cell outside still counts, more does not
    rpm = np.array([800.0, 610.0, 590.0, np.nan, 6500.0])
    load = np.array([30.0, 30.0, 30.0, 30.0, 180.0])
    visits = count_nearest(CAR.axes, rpm, load, margin_cells=0.5)
    assert (visits[0], visits[-1], visits.sum()) == (2, 1, 3)
