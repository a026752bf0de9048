"""Units that people log, analog sensors by their transfer, and raw SAE J1979 bytes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tuneassist.errors import LogError, SetupError, TuneassistError
from tuneassist.files.setup_file import read_setup
from tuneassist.grid import Axes
from tuneassist.reading import read_log
from tuneassist.reading.columns import apply_transfer
from tuneassist.reading.log import Cells
from tuneassist.reading.obd import (
    PARAMETERS,
    decode_responses,
)
from tuneassist.settings import ChannelSource, Setup, Target

ROWS = 400
TIME = np.arange(ROWS) * 0.1
WAVE = np.sin(TIME)
RPM = 3000 + 1500 * WAVE
MAP = 110 + 60 * np.cos(TIME)  # kPa absolute
LAMBDA = 0.95 + 0.06 * WAVE


def make_setup(channels=None, *, load_name="manifold pressure", **more):
    axes = Axes(
        rpm=np.array([1000.0, 2000.0, 4000.0, 6000.0]),
        load=np.array([30.0, 60.0, 120.0, 180.0]),
        load_name=load_name,
    )
    return Setup(axes=axes, target=Target(np.ones(axes.shape)), channels=channels or {}, **more)


def write(tmp_path, columns):
    path = tmp_path / "log.csv"
    path.write_text(pd.DataFrame(columns).to_csv(index=False), encoding="utf-8")
    return path


def basis(**changed):
    columns = {"Time (s)": TIME, "RPM": RPM, "MAP (kPa)": MAP, "Lambda": LAMBDA}
    return {**columns, **changed}


def read_one(tmp_path, columns, channel_column, setup=None):
    return read_log(write(tmp_path, columns), setup=setup or make_setup()).samples[channel_column]


# --- units: factors from NIST SP 811 (2008), appendix B ------------------------------------------

PSI, INHG, HP, PS, LBF_FT, MPH = 6.894757, 3.386389, 0.7456999, 0.7354988, 1.355818, 1.609344


@pytest.mark.parametrize(
    ("header", "logged", "column", "inside"),
    [
        ("MAP (psia)", MAP / PSI, "load", MAP),
        ("MAP (bar abs)", MAP / 100, "load", MAP),
        ("MAP (inHg)", MAP / INHG, "load", MAP),
        ("MAP (psig)", (MAP - 98.0) / PSI, "load", MAP),
        ("MAP (inHg vac)", (98.0 - MAP) / INHG, "load", MAP),
        ("Boost (psi vacuum)", (98.0 - MAP) / PSI, "boost_kpa", MAP - 98.0),
        ("Oil temperature (degF)", 200 + 20 * WAVE, "oil_temp_c", (168 + 20 * WAVE) / 1.8),
        ("Boost (psi)", (MAP - 98.0) / PSI, "boost_kpa", MAP - 98.0),
        ("Boost (bar)", (MAP - 98.0) / 100, "boost_kpa", MAP - 98.0),
        ("Boost (bar abs)", MAP / 100, "manifold_pressure_kpa", MAP),
        ("Coolant (degF)", 180 + 20 * WAVE, "coolant_temp_c", (148 + 20 * WAVE) / 1.8),
        ("Coolant (K)", 350 + 10 * WAVE, "coolant_temp_c", 76.85 + 10 * WAVE),
        ("Vehicle speed (mph)", 60 + 20 * WAVE, "vehicle_speed_kmh", (60 + 20 * WAVE) * MPH),
        ("Power (hp)", 150 + 50 * WAVE, "power_kw", (150 + 50 * WAVE) * HP),
        ("Power (PS)", 150 + 50 * WAVE, "power_kw", (150 + 50 * WAVE) * PS),
        ("Torque (lbf.ft)", 200 + 50 * WAVE, "torque_nm", (200 + 50 * WAVE) * LBF_FT),
        ("Engine speed (rad/s)", RPM * np.pi / 30, "rpm", RPM),
        ("Lambda (phi)", 1 / LAMBDA, "lambda", LAMBDA),
        ("AFR", LAMBDA * 14.7, "lambda", LAMBDA),
        ("Throttle (ratio)", 0.5 + 0.4 * WAVE, "throttle_pct", 50 + 40 * WAVE),
    ],
)
def test_a_logged_unit_becomes_the_one_inside(tmp_path, header, logged, column, inside) -> None:
    columns = basis(**{"Baro (kPa)": np.full(ROWS, 98.0)})
    kin = {"rpm": "RPM", "lambda": "Lambda", "load": "MAP (kPa)", "boost_kpa": "MAP (kPa)",
           "manifold_pressure_kpa": "MAP (kPa)"}  # fmt: skip
    columns.pop(kin.get(column, ""), None)
    columns[header] = logged
    found = read_one(tmp_path, columns, column)
    np.testing.assert_allclose(found, inside, rtol=2e-6, atol=1e-3)


def test_gauge_pressure_without_a_logged_barometer_takes_the_setups(tmp_path) -> None:
    columns = basis(**{"Boost (psi)": (MAP - 101.325) / PSI})
    del columns["MAP (kPa)"]
    log = read_log(write(tmp_path, columns), setup=make_setup())
    np.testing.assert_allclose(log.samples["load"], MAP, rtol=1e-5)
    assert any("none was logged" in note for note in log.notes)


# --- an analog sensor's transfer -----------------------------------------------------------------

LINE = ((0.0, 0.68), (5.0, 1.36))


def wideband(**more):
    entry = {"column": "WB out (V)", "unit": "V", "transfer": LINE, "transfer_unit": "lambda"}
    return ChannelSource(**{**entry, **more})


def volts_log(volts):
    columns = basis(**{"WB out (V)": volts})
    del columns["Lambda"]
    return columns


def test_volts_become_lambda_by_the_line_that_the_setup_states(tmp_path) -> None:
    # 0.68 + 0.136 V^-1 x 2.0 V = 0.952
    volts = (LAMBDA - 0.68) / 0.136
    log = read_log(write(tmp_path, volts_log(volts)), setup=make_setup({"lambda": wideband()}))
    np.testing.assert_allclose(log.samples["lambda"], LAMBDA, rtol=1e-12)
    assert any("0 to 5 V became 0.68 to 1.36 lambda" in note for note in log.notes)
    assert apply_transfer(np.array([2.0]), LINE)[0] == pytest.approx(0.952)


def test_a_table_is_straight_between_its_pairs_and_held_beyond(tmp_path) -> None:
    table = ((0.5, 10.0), (2.0, 14.0), (4.5, 20.0))
    afr = apply_transfer(np.array([0.45, 0.5, 1.25, 3.25, 4.6, 0.1, 5.0, np.nan]), table)
    np.testing.assert_allclose(afr, [10, 10, 12, 17, 20, np.nan, np.nan, np.nan])
    source = wideband(transfer=table, transfer_unit="afr")
    volts = np.interp(LAMBDA * 14.7, [10.0, 14.0, 20.0], [0.5, 2.0, 4.5])
    log = read_log(write(tmp_path, volts_log(volts)), setup=make_setup({"lambda": source}))
    np.testing.assert_allclose(log.samples["lambda"], LAMBDA, rtol=1e-9)


def test_a_wrong_transfer_gives_what_cannot_be_lambda_and_is_refused(tmp_path) -> None:
    source = wideband(transfer=((0.0, 10.0), (5.0, 20.0)))  # that is AFR
    volts = (LAMBDA - 0.68) / 0.136
    with pytest.raises(LogError, match=r"cannot be lambda.*look like afr"):
        read_log(write(tmp_path, volts_log(volts)), setup=make_setup({"lambda": source}))


def test_a_gauge_sender_is_brought_to_absolute_pressure(tmp_path) -> None:
    source = ChannelSource("MAP out", "V", ((0.5, 0.0), (4.5, 30.0)), "psig")
    columns = basis(**{"MAP out": 0.5 + (MAP - 101.325) / PSI / 7.5, "Baro (kPa)": 101.325})
    del columns["MAP (kPa)"]
    found = read_log(write(tmp_path, columns), setup=make_setup({"load": source})).samples["load"]
    above = MAP > 101.325  # the sender holds its end below
    np.testing.assert_allclose(found[above], MAP[above], rtol=1e-5)


SETUP_TEXT = """
[axes]
rpm = [1000, 2000, 4000]
load = [30.0, 60.0, 120.0]
[target]
table = [[1.0, 1.0, 1.0], [1.0, 1.0, 1.0], [1.0, 1.0, 1.0]]
[channels]
"""


def setup_of(tmp_path: Path, entry: str):
    path = tmp_path / "setup.toml"
    path.write_text(SETUP_TEXT + entry + "\n", encoding="utf-8")
    return read_setup(path)


def test_the_setup_file_states_a_transfer_and_raw_bytes(tmp_path) -> None:
    entry = (
        'lambda = { column = "WB out (V)", unit = "V", transfer = [[0.0, 0.68], [5.0, 1.36]], '
        'transfer_unit = "lambda" }\nrpm = { column = "010C", raw = "0C" }'
    )
    channels = setup_of(tmp_path, entry).channels
    assert channels["lambda"] == wideband()
    assert channels["rpm"] == ChannelSource("010C", raw="0C")


@pytest.mark.parametrize(
    ("entry", "message"),
    [
        ('lambda = { column = "a", unit = "V" }', "unit of voltage"),
        ('lambda = { column = "a", unit = "V", transfer = 3 }', "not a list of pairs"),
        ('lambda = { column = "a", transfer = [[0.0, 1.0], [5.0, 1.3]] }', "transfer_unit"),
        ('lambda = { column = "a", transfer_unit = "afr" }', "beside a transfer"),
        ('lambda = { column = "a", transfer = [[0.0, 0.7]], transfer_unit = "lambda" }', "pairs"),
        ('lambda = { column = "a", transfer = [[5.0, 1.3], [0.0, 0.7]], transfer_unit = "afr" }',
         "rising"),
        ('lambda = { column = "a", transfer = [[0.0, 1.0], [5.0, "x"]], transfer_unit = "afr" }',
         "pair 2"),
        ('lambda = { column = "a", transfer = [[0.0, 1.0], [5.0, 2.0]], transfer_unit = "kPa" }',
         "unit of pressure"),
        ('rpm = { column = "a", raw = "FF" }', "not a known parameter.*0C"),
        ('rpm = { column = "a", raw = "05" }', "05 is coolant_temp, not rpm"),
        ('rpm = { column = "a", raw = "0C", unit = "rpm" }', "unit of their own"),
        ('rpm = { column = "a", raw = "0C", raw_as = "octal" }', "hex"),
    ],
)  # fmt: skip
def test_an_entry_that_cannot_be_meant_is_refused(tmp_path, entry, message) -> None:
    with pytest.raises(SetupError, match=message) as caught:
        setup_of(tmp_path, entry)
    assert "channels." in str(caught.value)


# --- raw bytes: the checks of the project's references, section 9 --------------------------------

CHECKS = [
    (0x04, "80", 50.196), (0x05, "7B", 83.0), (0x06, "70", -12.5), (0x07, "90", 12.5),
    (0x08, "70", -12.5), (0x09, "90", 12.5), (0x0B, "65", 101.0), (0x0C, "1A F8", 1726.0),
    (0x0F, "7B", 83.0), (0x10, "05 DC", 15.00), (0x11, "80", 50.196), (0x33, "65", 101.0),
    (0x24, "80 00 40 00", 1.0), (0x2B, "73 33 40 00", 0.899994), (0x34, "80 00 80 00", 1.0),
    (0x3B, "73 33 80 00", 0.899994), (0x43, "01 80", 150.588), (0x44, "99 99", 1.199982),
    # from memory: speed A km/h, rail (256A + B) 10 kPa, supply (256A + B)/1000 V, shares A 100/255
    (0x0D, "32", 50.0), (0x23, "01 2C", 3000.0), (0x42, "35 E8", 13.8), (0x45, "80", 50.196),
    (0x49, "80", 50.196), (0x5C, "7B", 83.0),
]  # fmt: skip


def decoded(pid, text, **more):
    return decode_responses(Cells(np.array([np.nan]), pd.Series([text])), pid, is_hex=True, **more)


@pytest.mark.parametrize(("pid", "answer", "value"), CHECKS)
def test_an_answer_means_what_the_standard_scales_it_to(pid, answer, value) -> None:
    whole = f"41{pid:02X}" + answer.replace(" ", "")
    for text in (answer, answer.lower(), answer.replace(" ", ""), f"0x{answer[:2]}{answer[2:]}",
                 f"41 {pid:02X} {answer}", whole):  # fmt: skip
        assert decoded(pid, text).numbers[0] == pytest.approx(value, abs=6e-4 * abs(value) * 0.01)
    number = int(answer.replace(" ", ""), 16)
    as_number = decode_responses(Cells(np.array([float(number)])), pid, is_hex=False)
    assert as_number.numbers[0] == decoded(pid, answer).numbers[0]


def test_a_lambda_of_one_is_one_and_lean_is_above() -> None:
    assert decoded(0x24, "80 00 00 00").numbers[0] == 1.0  # 0.999424 with a rounded factor
    assert decoded(0x44, "99 99").numbers[0] > 1.0
    assert PARAMETERS[0x10].size == 2


@pytest.mark.parametrize("answer", ["1A", "1A F8 00", "GG 00", "NO DATA", "7F 01 12"])
def test_an_answer_of_another_length_is_no_value(answer) -> None:
    found = decoded(0x0C, answer)
    assert np.isnan(found.numbers[0])
    assert found.text_count == 1


def test_digits_are_taken_as_the_setup_says_and_never_guessed() -> None:
    # "26" is 38 in hexadecimal: -2 degC against -14 degC
    assert decoded(0x05, "26").numbers[0] == -2.0
    assert decode_responses(Cells(np.array([26.0])), 0x05, is_hex=False).numbers[0] == -14.0


def test_a_log_of_raw_bytes_reads_as_the_values(tmp_path) -> None:
    words = [f"{round(v * 4):04X}" for v in RPM]
    water = [f"41 05 {int(v) + 40:02X}" for v in 70 + 10 * WAVE]
    mixture = [f"{round(v * 32768):04X}8000" for v in LAMBDA]
    words[7] = "NO DATA"
    columns = basis(**{"010C": words, "0105": water, "0134": mixture})
    del columns["RPM"], columns["Lambda"]
    raw = {
        "rpm": ChannelSource("010C", raw="0C"),
        "coolant_temp": ChannelSource("0105", raw="05"),
        "lambda": ChannelSource("0134", raw="34"),
    }
    log = read_log(write(tmp_path, columns), setup=make_setup(raw))
    rpm = log.samples["rpm"].to_numpy()
    np.testing.assert_allclose(np.delete(rpm, 7), np.delete(RPM, 7), atol=0.13)
    assert np.isnan(rpm[7])
    np.testing.assert_allclose(log.samples["lambda"], LAMBDA, atol=2e-5)
    np.testing.assert_allclose(log.samples["coolant_temp_c"], np.floor(70 + 10 * WAVE))
    assert any("raw bytes became rpm" in note for note in log.notes)


def test_bytes_that_look_like_numbers_are_still_bytes(tmp_path) -> None:
    # every cell of this column is digits or 1E5-like, which a reader of numbers would take
    speeds = np.resize([0x1E50, 0x2000, 0x1990, 0x2E10], ROWS)
    columns = basis(**{"010C": [f"{v:04X}" for v in speeds]})
    del columns["RPM"]
    log = read_log(
        write(tmp_path, columns), setup=make_setup({"rpm": ChannelSource("010C", raw="0C")})
    )
    np.testing.assert_allclose(log.samples["rpm"], speeds / 4.0)


def test_raw_bytes_under_the_wrong_parameter_are_refused(tmp_path) -> None:
    columns = basis(**{"010C": [f"{int(v * 4):04X}" for v in RPM]})
    del columns["RPM"]
    setup = make_setup({"coolant_temp": ChannelSource("010C", raw="05")})
    with pytest.raises(TuneassistError, match="text and not numbers"):
        read_log(write(tmp_path, {**columns, "RPM": RPM}), setup=setup)
