"""ASAM MDF logs: channels of several rates on one time line, and no value made up."""

from __future__ import annotations

import sys
import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tuneassist.channels import CHANNELS, KNOCK
from tuneassist.errors import LogError
from tuneassist.files.setup_file import read_setup
from tuneassist.reading import LogReader, read, read_log
from tuneassist.reading.mdf import data as mdf_data
from tuneassist.reading.mdf.blocks import Blocks
from tuneassist.reading.mdf.parts import Neighbours, Records, Resampling, resample
from tuneassist.reduction import reduce_log
from tuneassist.settings import CEILING_CHANNELS, ChannelSource
from tuneassist.simulate import SessionPlan, simulate_session
from tuneassist.simulate.sample_logs import petrol_engine

asammdf = pytest.importorskip("asammdf")
SAMPLES = Path(__file__).resolve().parent.parent / "sample_logs"
CAR = read_setup(SAMPLES / "petrol-setup.toml")
pytestmark = pytest.mark.filterwarnings("ignore")  # the library's own


def setup():
    return replace(CAR, channels={})


def write(path: Path, *groups: dict[str, tuple[str, np.ndarray, np.ndarray]]) -> Path:
    """Write groups of channels: name to unit, stamps [s] and values."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with asammdf.MDF(version="4.10") as file:
            for group in groups:
                file.append(
                    [
                        asammdf.Signal(samples=v, timestamps=t, unit=unit, name=name)
                        for name, (unit, t, v) in group.items()
                    ],
                    common_timebase=True,
                )
            file.save(path, overwrite=True)
    return path


SESSION = simulate_session(
    petrol_engine(), SessionPlan(holds=30, rate_hz=50.0), rng=np.random.default_rng(4)
).samples


def of_rates(lambda_every: int = 1, coolant_every: int = 1):
    """Return the session with slower lambda and coolant, as their loggers would sample them."""
    time_s = SESSION["time_s"].to_numpy()
    slow, cold = slice(2, None, lambda_every), slice(0, None, coolant_every)
    fast = {
        "Engine speed": ("rpm", time_s, SESSION["rpm"].to_numpy()),
        "MAP": ("kPa", time_s, SESSION["load"].to_numpy()),
        "Throttle": ("%", time_s, SESSION["throttle_pct"].to_numpy()),
    }
    wide = {"Lambda": ("", time_s[slow] + 0.003, SESSION["lambda"].to_numpy()[slow])}
    water = {"Coolant": ("degC", time_s[cold], SESSION["coolant_temp_c"].to_numpy()[cold])}
    return fast, wide, water


def test_channels_of_one_rate_read_as_they_were_written(tmp_path) -> None:
    fast, _, water = of_rates()
    wide = {"Lambda": ("", SESSION["time_s"].to_numpy(), SESSION["lambda"].to_numpy())}
    found = read_log(write(tmp_path / "a.mf4", fast, wide, water), setup=setup())
    for name in ("rpm", "load", "lambda", "coolant_temp_c", "throttle_pct"):
        np.testing.assert_allclose(found.samples[name], SESSION[name], rtol=1e-12)


def test_slower_channels_stand_at_their_own_stamps_and_leave_the_rest_blank(tmp_path) -> None:
    log = read_log(write(tmp_path / "a.mf4", *of_rates(5, 100)), setup=setup())
    assert len(log.samples) == len(SESSION)
    lam = log.samples["lambda"]
    assert lam.notna().mean() == pytest.approx(1 / 5, rel=0.01)
    assert set(lam.dropna()) <= set(SESSION["lambda"])
    at = np.flatnonzero(lam.notna())
    assert np.array_equal(at, np.arange(2, len(SESSION), 5)[: len(at)])  # 3 ms are under half a row
    assert log.samples["coolant_temp_c"].notna().mean() == pytest.approx(0.01, rel=0.1)


def test_mixed_rates_give_the_needs_that_the_engine_has(tmp_path) -> None:
    log = read_log(write(tmp_path / "a.mf4", *of_rates(5, 100)), setup=setup())
    mixed = reduce_log(log.samples, name="x", setup=setup())
    whole = reduce_log(SESSION, name="x", setup=setup())
    assert mixed.refresh.rows["lambda"] == 5
    assert mixed.fates["used"] > 0.8 * whole.fates["used"] / 5
    both = pd.merge_asof(mixed.holds, whole.holds, on="start_s", direction="nearest", tolerance=0.5)
    gap = (both["need_ln_x"] - both["need_ln_y"]).dropna()
    assert len(gap) > 20
    assert gap.abs().median() < 0.002


def test_peaks_are_seen_where_speed_and_load_have_other_stamps(tmp_path) -> None:
    time_s = SESSION["time_s"].to_numpy()
    speed = {"Engine speed": ("rpm", time_s[::4], SESSION["rpm"].to_numpy()[::4])}
    _, wide, water = of_rates()
    load = {"MAP": ("kPa", time_s[::3] + 0.001, SESSION["load"].to_numpy()[::3])}
    heat = {"EGT": ("degC", time_s, 600.0 + 0.03 * SESSION["rpm"].to_numpy())}
    log = read_log(write(tmp_path / "a.mf4", speed, wide, water, load, heat), setup=setup())
    found = reduce_log(log.samples, name="x", setup=setup())
    seen = found.peaks["exhaust_temp_c_max"].to_numpy()
    rpm = setup().axes.cell_rpm()
    known = np.isfinite(seen)
    assert known.sum() > 30
    assert np.corrcoef(rpm[known], seen[known])[0, 1] > 0.95


def test_of_a_faster_channel_no_peak_is_lost(tmp_path) -> None:
    fast, wide, water = of_rates()
    quick = np.arange(0.0, float(SESSION["time_s"].iloc[-1]), 0.002)
    heat = 700.0 + 20.0 * np.sin(quick)
    heat[12345] = 931.0
    hot = {"EGT": ("degC", quick, heat)}
    log = read_log(write(tmp_path / "a.mf4", fast, wide, water, hot), setup=setup())
    assert log.samples["exhaust_temp_c"].max() == 931.0
    assert len(log.samples) == len(SESSION)


def test_of_a_faster_channel_the_nearest_reading_counts_where_no_peak_matters(tmp_path) -> None:
    # 5 readings to a row, white noise: the highest of each would lie 1.16 deviations too high
    rng = np.random.default_rng(11)
    fast, wide, _ = of_rates()
    quick = np.arange(0.0, float(SESSION["time_s"].iloc[-1]), 0.004)
    noise = {
        "STFT": ("%", 3.0, 2.0, "fuel_trim_short_pct"),
        "Lambda target": ("", 0.9, 0.02, "lambda_target"),
        "Baro": ("kPa", 98.0, 0.5, "barometer_kpa"),
        "IAT": ("degC", 25.0, 1.0, "intake_temp_c"),
        "Coolant": ("degC", 88.0, 1.0, "coolant_temp_c"),
        "Torque": ("N.m", 200.0, 9.0, "torque_nm"),
    }
    group = {
        name: (unit, quick, rng.normal(mean, spread, len(quick)))
        for name, (unit, mean, spread, _) in noise.items()
    }
    samples = read_log(write(tmp_path / "a.mf4", fast, wide, group), setup=setup()).samples
    for name, (_, mean, spread, column) in noise.items():
        off = samples[column].mean() - mean
        assert abs(off) < 4.0 * spread / np.sqrt(len(samples)), name
        assert set(samples[column].dropna()) <= set(group[name][2]), name


def test_peaks_are_kept_of_the_channels_that_a_ceiling_or_a_guard_is_held_against() -> None:
    # torque has a ceiling, but gains are measured by it, and they must lean to no side
    keeping = {name for name, channel in CHANNELS.items() if channel.keeps_peak}
    # a burst of another fuel between two rows counts as well: those samples teach nothing
    guards = {"manifold_pressure", "water_methanol", "nitrous"}
    # and so does a knock between two rows, in whichever of the columns
    assert keeping == (set(CEILING_CHANNELS) - {"torque"}) | guards | set(KNOCK)


def test_a_sensor_that_falls_keeps_its_lowest_reading_which_is_the_peak(tmp_path) -> None:
    fast, wide, _ = of_rates()
    quick = np.arange(0.0, float(SESSION["time_s"].iloc[-1]), 0.002)
    volts = np.full(len(quick), 2.0)
    volts[12345] = 0.5
    car = replace(
        CAR,
        channels={
            "exhaust_temp": ChannelSource(
                "Probe", "V", transfer=((0.0, 1000.0), (5.0, 0.0)), transfer_unit="degC"
            )
        },
    )
    path = write(tmp_path / "a.mf4", fast, wide, {"Probe": ("V", quick, volts)})
    assert read_log(path, setup=car).samples["exhaust_temp_c"].max() == pytest.approx(900.0)


def joined(time_s, values, line_s, *, row_s, own_s, peak=0):
    near = Neighbours(Records(time_s, {0: values}), slice(0, len(time_s)))
    return resample(near, values, line_s, Resampling(row_s, own_s), peak=peak)


@given(st.integers(0, 10_000), st.floats(0.005, 0.5), st.floats(0.0, 0.4))
def test_a_join_makes_no_value_up_and_takes_the_nearest_or_the_highest(seed, step, late) -> None:
    rng = np.random.default_rng(seed)
    line_s = np.arange(200) * 0.05
    time_s = late + np.arange(0.0, 12.0, step)
    values = rng.permutation(len(time_s)).astype(float)
    found = joined(time_s, values, line_s, row_s=0.05, own_s=step)
    highest = joined(time_s, values, line_s, row_s=0.05, own_s=step, peak=1)
    reach = 0.5 * max(0.05, step)
    for row in np.flatnonzero(np.isfinite(found)):
        apart = np.abs(time_s - line_s[row])
        own = apart[values == found[row]]
        assert len(own) == 1
        assert own[0] <= 1.5 * reach + 1e-9
        if step > 0.075:  # slower than the rows: no value stands twice
            assert own[0] <= reach + 1e-9
            assert (found == found[row]).sum() == 1
        elif apart.min() < 0.025 - 1e-9:
            assert own[0] == pytest.approx(apart.min())
        assert highest[row] >= values[apart < 0.025 - 1e-9].max(initial=-np.inf)


@pytest.mark.parametrize("late", [0.0, 0.004, 0.005])
def test_like_rates_whose_stamps_waver_leave_no_row_blank_and_lean_to_no_side(
    tmp_path, late
) -> None:
    # three groups of 100 Hz whose stamps waver by 3 ms, as messages on a bus do
    rng = np.random.default_rng(3)

    def stamps(offset: float) -> np.ndarray:
        return offset + np.arange(0.01, 60.0, 0.01) + rng.uniform(-0.003, 0.003, 5999)

    speed, load, wide = stamps(0.0), stamps(late), stamps(late)
    path = write(
        tmp_path / "a.mf4",
        {"Engine speed": ("rpm", speed, np.full(len(speed), 3000.0))},
        {"MAP": ("kPa", load, 90.0 + rng.normal(0, 2, len(load)))},
        {"Lambda": ("lambda", wide, 1.0 + rng.normal(0, 0.01, len(wide)))},
    )
    samples = read_log(path, setup=setup()).samples
    for column, mean, spread in (("load", 90.0, 2.0), ("lambda", 1.0, 0.01)):
        assert samples[column].notna().mean() > 0.998
        assert abs(samples[column].mean() - mean) < 4.0 * spread / np.sqrt(len(samples))
        assert samples[column].nunique() > 0.75 * len(samples)
    short = replace(setup(), steady=replace(CAR.steady, estimate_rows=1000))
    pd.testing.assert_frame_equal(
        pd.concat(list(LogReader(path, setup=short).parts()), ignore_index=True), samples
    )


def test_a_name_that_stands_twice_can_be_named_by_its_group(tmp_path) -> None:
    fast, wide, _ = of_rates()
    other = {"Lambda": ("", wide["Lambda"][1], wide["Lambda"][2] + 0.1)}
    path = write(tmp_path / "a.mf4", fast, wide, other)
    with pytest.raises(LogError, match=r"'Lambda \[group 2\]', 'Lambda \[group 3\]'"):
        read_log(path, setup=setup())
    means = [
        read_log(
            path, setup=replace(CAR, channels={"lambda": ChannelSource(f"Lambda [group {group}]")})
        )
        .samples["lambda"]
        .mean()
        for group in (2, 3)
    ]
    assert means[1] - means[0] == pytest.approx(0.1)


def test_a_unit_that_only_the_conversion_holds_counts(tmp_path) -> None:
    fast, wide, _ = of_rates()
    psi = SESSION["load"].to_numpy() / 6.894757  # NIST SP 811, appendix B
    path = tmp_path / "a.mf4"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with asammdf.MDF(version="4.10") as file:
            raw = np.round(psi * 1000).astype("u2")
            conversion = {"a": 0.001, "b": 0.0}
            time_s = fast["MAP"][1]
            for group in ({"Engine speed": fast["Engine speed"]}, wide):
                for name, (unit, t, v) in group.items():
                    file.append(asammdf.Signal(v, t, unit=unit, name=name))
            file.append(asammdf.Signal(raw, time_s, name="MAP", conversion=conversion))
            channel = file.groups[-1].channels[1]
            channel.unit, channel.conversion.unit = "", "psi"
            file.save(path, overwrite=True)
    log = read_log(path, setup=setup())
    assert next(c for c in log.columns if c.header == "MAP").unit == "psi"
    np.testing.assert_allclose(log.samples["load"], SESSION["load"], atol=0.01)


def test_an_unfinished_file_is_called_so_and_left_as_it_is(tmp_path) -> None:
    path = write(tmp_path / "a.mf4", *of_rates())
    data = b"UnFinMF " + path.read_bytes()[8:]
    path.write_bytes(data)
    with pytest.raises(LogError, match=r"unfinished.*logger's own software"):
        read_log(path, setup=setup())
    assert path.read_bytes() == data


def test_a_file_of_version_3_is_called_so(tmp_path) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with asammdf.MDF(version="3.30") as file:
            file.append(asammdf.Signal(np.arange(9.0), np.arange(9.0), name="Engine speed"))
            path = Path(file.save(tmp_path / "a.mdf"))
    with pytest.raises(LogError, match=r"version 3\.30, which is not read.*version 4"):
        read_log(path, setup=setup())


def test_values_that_the_file_calls_invalid_are_left_out(tmp_path) -> None:
    fast, _, water = of_rates()
    time_s, lam = SESSION["time_s"].to_numpy(), SESSION["lambda"].to_numpy()
    bad = np.zeros(len(lam), dtype=bool)
    bad[100:120] = True
    path = tmp_path / "a.mf4"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with asammdf.MDF(version="4.10") as file:
            for group in (fast, water):
                file.append(
                    [asammdf.Signal(v, t, unit=u, name=n) for n, (u, t, v) in group.items()],
                    common_timebase=True,
                )
            file.append(asammdf.Signal(lam, time_s, name="Lambda", invalidation_bits=bad))
            file.save(path, overwrite=True)
    found = read_log(path, setup=setup()).samples["lambda"].to_numpy()
    assert len(found) == len(SESSION)
    assert np.isnan(found[100:120]).all()
    assert np.isfinite(found[130:]).all()


@pytest.mark.parametrize("compression", [0, 2])
@pytest.mark.parametrize("rows", [1000, 1777])
def test_a_file_of_several_rates_reads_the_same_part_by_part(tmp_path, rows, compression) -> None:
    path = write(tmp_path / "plain.mf4", *of_rates(5, 100))
    if compression:  # packed and transposed blocks of 4 MB at most, as the standard advises
        with asammdf.MDF(path) as file:
            path = Path(file.save(tmp_path / "packed.mf4", compression=compression))
    short = replace(setup(), steady=replace(CAR.steady, estimate_rows=rows))
    assert len(SESSION) > 3 * rows
    parts = list(LogReader(path, setup=short).parts())
    assert len(parts) == -(-len(SESSION) // rows)
    pd.testing.assert_frame_equal(
        pd.concat(parts, ignore_index=True), read_log(path, setup=setup()).samples
    )


def test_of_a_long_block_only_what_a_part_needs_is_read(tmp_path, monkeypatch) -> None:
    # a logger that writes as it goes leaves one block as long as the log
    path = write(tmp_path / "a.mf4", *of_rates())
    monkeypatch.setattr(mdf_data, "PIECE", 8192)
    counts = []
    bytes_at = Blocks.bytes_at

    def counting(self, address, count):
        counts.append(count)
        return bytes_at(self, address, count)

    monkeypatch.setattr(Blocks, "bytes_at", counting)
    monkeypatch.setattr(
        read, "MAX_PREFETCHED_VALUES", 1
    )  # the fewest parts ahead, however fast the thread
    short = replace(setup(), steady=replace(CAR.steady, estimate_rows=1000))
    first = next(iter(LogReader(path, setup=short).parts()))
    record_bytes = 4 * 8  # stamp and three channels
    assert len(first) == 1000 < len(SESSION) / 3
    assert max(counts) <= 8192
    assert sum(counts) < 0.8 * record_bytes * len(SESSION)
    np.testing.assert_array_equal(first["rpm"], SESSION["rpm"][:1000])


def test_channels_without_a_time_are_left_out_and_named(tmp_path) -> None:
    path = write(tmp_path / "a.mf4", *of_rates(), {"Torque": ("N.m", np.arange(9.0), np.ones(9))})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with asammdf.MDF(path) as file:
            master = file.groups[3].channels[0]
            place = master.address + 24 + 8 * 8 + 1  # links, then the type; how it is synchronised
    data = bytearray(path.read_bytes())
    assert data[place] == 1  # time
    data[place] = 2  # angle
    path.write_bytes(bytes(data))
    log = read_log(path, setup=setup())
    assert "torque_nm" not in log.samples
    assert any("without a time" in note and "'Torque'" in note for note in log.notes)
    assert len(log.samples) == len(SESSION)


@pytest.mark.parametrize("keep", [0.02, 0.3, 0.8])
def test_a_damaged_file_is_refused_in_words_or_read(tmp_path, keep) -> None:
    path = write(tmp_path / "a.mf4", *of_rates(5, 100))
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * keep)])
    try:
        read_log(path, setup=setup())
    except LogError as error:
        assert "a.mf4" in str(error)


def test_a_channel_beyond_its_record_is_refused_and_never_read(tmp_path) -> None:
    # found by the fuzzer: the library would read foreign memory
    path = write(tmp_path / "a.mf4", *of_rates())
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with asammdf.MDF(path) as file:
            channel = next(c for c in file.groups[0].channels if c.name == "MAP")
            place = channel.address + 24 + 8 * 8 + 4  # links, then types; the byte offset
    data = bytearray(path.read_bytes())
    assert int.from_bytes(data[place : place + 4], "little") == channel.byte_offset
    data[place : place + 4] = (500).to_bytes(4, "little")
    path.write_bytes(bytes(data))
    with pytest.raises(LogError, match="does not lie inside the record"):
        read_log(path, setup=setup())


def test_blocks_that_follow_each_other_in_a_circle_are_refused(tmp_path) -> None:
    # found by the fuzzer: the library would go round for ever
    path = write(tmp_path / "a.mf4", *of_rates())
    with asammdf.MDF(path) as file:
        group = file.groups[1].channel_group.address
    data = bytearray(path.read_bytes())
    assert data[group : group + 4] == b"##CG"
    data[group + 24 : group + 32] = group.to_bytes(8, "little")  # the next group is this one
    path.write_bytes(bytes(data))
    with pytest.raises(LogError, match="in a loop"):
        read_log(path, setup=setup())


def test_a_log_reads_where_no_library_for_the_format_is_installed(tmp_path, monkeypatch) -> None:
    path = write(tmp_path / "a.mf4", *of_rates())
    monkeypatch.setitem(sys.modules, "asammdf", None)
    assert len(read_log(path, setup=setup()).samples) == len(SESSION)
