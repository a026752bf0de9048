"""Damaged logs, wrong units and wrong columns: one clear message each, and no false alarm."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import pytest

from tuneassist.errors import LogError, TuneassistError
from tuneassist.grid import Axes
from tuneassist.reading import read_log
from tuneassist.settings import ChannelSource, EngineSettings, Setup, Target

ROWS = 300
TIME = np.arange(ROWS) * 0.1
WAVE = np.sin(TIME)
GOOD = {
    "Time (s)": TIME,
    "Engine speed (rpm)": 3200 + 1800 * WAVE,
    "MAP (kPa)": 95 + 60 * np.cos(TIME),
    "Lambda": 0.95 + 0.06 * WAVE,
    "Coolant (degC)": 70 + TIME / 2,
    "Throttle (%)": 50 + 40 * WAVE,
    "STFT (%)": 5 * np.cos(3 * TIME),
}


def make_setup(**more):
    axes = Axes(
        rpm=np.array([1000.0, 2000.0, 4000.0, 6000.0]),
        load=np.array([30.0, 60.0, 120.0, 180.0]),
        load_name="manifold pressure",
    )
    return Setup(axes=axes, target=Target(np.ones(axes.shape)), **more)


def text_of(columns, delimiter=","):
    rows = [
        delimiter.join(c if isinstance(c, str) else f"{c:.6g}" for c in row)
        for row in zip(*columns.values(), strict=True)
    ]
    return "\n".join([delimiter.join(columns), *rows]) + "\n"


def replaced(**changes):
    """Return the good columns with some renamed or refilled: old_header=(new header, values)."""
    names = {h.split(" (")[0].replace(" ", "_"): h for h in GOOD}
    swaps = {names[key]: change for key, change in changes.items()}
    return dict(swaps.get(h, (h, values)) for h, values in GOOD.items())


def without(*headers):
    return {h: v for h, v in GOOD.items() if h not in headers}


def spoiled(values, places, cell):
    cells = [f"{v:.6g}" for v in values]
    for place in places:
        cells[place] = cell
    return cells


def read_text(tmp_path, content, setup=None, name="log.csv"):
    path = Path(tmp_path) / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
    return read_log(path, setup=setup or make_setup())


GOOD_TEXT = text_of(GOOD)
LINES = GOOD_TEXT.splitlines()
NOISE = np.random.default_rng(5)
FLOOD = [str(i) if i < 4 else "NaN" for i in range(ROWS)]

DAMAGED = {
    "empty": (b"", "the file is empty"),
    "blank lines only": ("\n\n  \n", "the file is empty"),
    "null bytes only": (b"\0" * 5000, "the file is empty"),
    "random bytes": (NOISE.bytes(20000), "binary file"),
    "a picture": (b"\x89PNG\r\n\x1a\n" + NOISE.bytes(3000), "binary file"),
    "gzip": (gzip.compress(GOOD_TEXT.encode())[:-900], "gzip archive is damaged"),
    "a workbook": (b"PK\x03\x04" + NOISE.bytes(500), "zip archive or a workbook"),
    "parquet": (b"PAR1" + NOISE.bytes(500), "Parquet file"),
    "measurement data format": (b"MDF     4.10" + NOISE.bytes(500), "ASAM MDF"),
    "a letter": ("Dear workshop\nthe car runs well\nregards\n" * 9, "no columns were found"),
    "a letter with commas": ("Dear workshop, all well\nregards, me\n" * 9, "no table of numbers"),
    "one column": ("RPM\n" + "\n".join(str(900 + i) for i in range(50)), "no columns were found"),
    "header only": (LINES[0] + "\n", "no row of numbers"),
    "header and units only": ("Time,RPM,MAP\ns,rpm,kPa\n", "no row of numbers"),
    "one row": ("\n".join(LINES[:2]), "holds 1 row"),
    "four rows": ("\n".join(LINES[:5]), "holds 4 row"),
    "no header": ("\n".join(LINES[1:]), "no header"),
    "many cut lines": (
        "\n".join(line[: len(line) // 2] if i % 4 == 1 else line for i, line in enumerate(LINES)),
        r"of 300 rows do not have 7 cells.*damaged"),
    "header shorter than the rows": (
        "\n".join([",".join(LINES[0].split(",")[:5]), *LINES[1:]]),
        "names 5 columns, but the rows hold 7"),
    "header longer than the rows": (
        "\n".join([LINES[0] + ",Oil (degC)", *LINES[1:]]), "names 8 columns, but the rows hold 7"),
    "decimal commas between commas": (
        "Time (s),RPM,MAP (kPa),Lambda\n"
        + "\n".join(f"{i},05,850,5,50,5,1,02" for i in range(50)), "Decimal commas"),
    "mixed decimal signs": (
        "Time (s);RPM;MAP (kPa);Lambda\n"
        + "\n".join(f"{i}.05;850{',' if i % 2 else '.'}5;50;1" for i in range(50)),
        "decimal points and decimal commas are mixed"),
    "many open quotation marks": (
        "\n".join([LINES[0], *('"' * (i % 9 == 4) + line for i, line in enumerate(LINES[1:]))]),
        "33 of 300 rows do not have 7 cells.*row 6|row 6: 33 of 300"),
    "a quotation mark inside a cell": (
        "\n".join([*LINES[:50], 'x"1,2"' + LINES[50][LINES[50].index(",") :], *LINES[51:]]),
        "row 51: a stray quotation mark"),
    "no time": (text_of(without("Time (s)")),
        r"no column was found for time.*'MAP \(kPa\)'.*time ="),
    "no speed": (text_of(without("Engine speed (rpm)")), "no column was found for rpm"),
    "no load": (text_of(without("MAP (kPa)")), "no column was found for load.*kPa"),
    "no lambda and no trim": (
        text_of(without("Lambda", "STFT (%)")), "no column was found for lambda"),
    "lambda twice": (
        text_of(GOOD).replace("Throttle (%)", "Lambda"), "'Lambda' is used more than .*4 and 6"),
    "two sensors": (
        text_of(GOOD).replace("Throttle (%)", "Lambda 2"), "several columns could be lambda"),
    "NaN flood in lambda": (
        text_of(replaced(Lambda=("Lambda", FLOOD), STFT=("x", TIME))),
        "lambda has a number in only 3 of 300"),
    "NaN flood in speed": (
        text_of(replaced(Engine_speed=("RPM", ["NaN"] * ROWS))),
        "rpm has a number in only 0 of 300"),
    "blank load": (text_of(replaced(MAP=("MAP (kPa)", [""] * ROWS))),
        "load has a number in only 0"),
    "NaN flood in time": (
        text_of(replaced(Time=("Time (s)", ["NaN"] * ROWS))), "holds no times"),
    "words for lambda": (
        text_of(replaced(Lambda=("Lambda", ["rich", "lean"] * (ROWS // 2)))),
        "300 of 300 cells are text.*'rich'.*row 2|column 'Lambda', row 2"),
    "half words": (
        text_of(replaced(Lambda=("Lambda", spoiled(GOOD["Lambda"], range(0, 300, 2), "ERR")))),
        "150 of 300 cells are text"),
    "huge numbers": (
        text_of(replaced(Engine_speed=("RPM", np.full(ROWS, 1e30)))),
        "every value is a placeholder"),
    "placeholders only": (
        text_of(replaced(MAP=("MAP (kPa)", np.full(ROWS, -9999.0)))),
        "every value is a placeholder"),
    "many impossible": (
        text_of(
            replaced(Coolant=("Coolant (degC)", np.where(np.arange(ROWS) % 3, 80.0, -9999.0)))),
        "100 of 300 values cannot be coolant temp"),
    "engine never ran": (
        text_of(replaced(Engine_speed=("RPM", np.zeros(ROWS)))), "the engine never turned"),
    "sensor never ready": (
        text_of(replaced(Lambda=("Lambda", np.zeros(ROWS)))), "the sensor never worked"),
    "time stands still": (text_of(replaced(Time=("Time (s)", TIME * 0 + 5))), "time stands still"),
    "time backwards": (text_of(replaced(Time=("Time (s)", TIME[::-1]))), "time runs backwards"),
    "time shuffled": (
        text_of(replaced(Time=("Time (s)", NOISE.permutation(TIME)))), "time does not rise"),
    "swapped speed and lambda": (
        text_of({**GOOD, "Engine speed (rpm)": GOOD["Lambda"],
                 "Lambda": GOOD["Engine speed (rpm)"]}), "cannot be rpm in rpm"),
    "swapped coolant and speed": (
        text_of({**GOOD, "Engine speed (rpm)": GOOD["Coolant (degC)"],
                 "Coolant (degC)": GOOD["Engine speed (rpm)"]}), "cannot be rpm in rpm"),
    "swapped lambda and pressure": (
        text_of({**GOOD, "MAP (kPa)": GOOD["Lambda"], "Lambda": GOOD["MAP (kPa)"]}),
        "cannot be load in kPa.*bar|cannot be lambda in lambda"),
    "unknown unit": (
        text_of(GOOD).replace("(degC)", "(degR)"),
        "'degR' is not known; coolant_temp needs one of degC"),
    "lambda in volts": (
        text_of(GOOD).replace("Lambda", "Lambda (V)", 1),
        "'V' measures voltage; lambda needs one of"),
}  # fmt: skip


@pytest.mark.parametrize("case", DAMAGED)
def test_a_damaged_log_is_refused_with_one_clear_message(tmp_path, case):
    content, message = DAMAGED[case]
    with pytest.raises(LogError, match=message) as caught:
        read_text(tmp_path, content)
    assert str(caught.value).startswith(("log.csv", str(tmp_path)))
    assert caught.value.exit_status == 3


def test_a_folder_and_a_missing_file_are_named(tmp_path):
    with pytest.raises(LogError, match="this is a folder"):
        read_log(tmp_path)
    with pytest.raises(LogError, match="no such file"):
        read_log(tmp_path / "nowhere.csv")


# --- the unit guard ------------------------------------------------------------------------------

WRONG_UNITS = {
    "an AFR of 0.9": (replaced(Lambda=("AFR", GOOD["Lambda"])),
                      r"cannot be lambda in afr.*look like lambda.*unit = \"lambda\""),
    "a lambda of 14": (replaced(Lambda=("Lambda", GOOD["Lambda"] * 14.7)), "look like afr"),
    "a coolant of 190 degC": (
        replaced(Coolant=("Coolant (degC)", GOOD["Coolant (degC)"] * 1.8 + 32)),
        r"cannot be coolant temp in degC.*look like degF.*unit = \"degF\""),
    "a coolant of 350 degC": (
        replaced(Coolant=("Coolant (degC)", GOOD["Coolant (degC)"] + 273.15)), "look like .*K"),
    "a coolant of 80 K": (replaced(Coolant=("Coolant (K)", GOOD["Coolant (degC)"])), "degC"),
    "a pressure in psi called kPa": (
        replaced(MAP=("MAP (kPa)", GOOD["MAP (kPa)"] / 6.894757)), "look like .*psi"),
    "a boosted pressure in psi called kPa": (
        replaced(MAP=("MAP (kPa)", (120 + 50 * WAVE) / 6.894757)), "look like .*psi"),
    "a pressure in bar called kPa": (
        replaced(MAP=("MAP (kPa)", GOOD["MAP (kPa)"] / 100)), "look like bar"),
    "a pressure in hPa called kPa": (
        replaced(MAP=("MAP (kPa)", GOOD["MAP (kPa)"] * 10)), "look like mbar"),
    "a gauge pressure called absolute": (
        replaced(MAP=("MAP (kPa)", GOOD["MAP (kPa)"] - 101.3)),
        "look like gauge pressure.*boost = "),
    "an absolute pressure called boost": (
        {**without("MAP (kPa)"), "Boost (kPa)": 110 + 40 * WAVE + 20}, "look like absolute"),
    "a speed in rad/s": (
        replaced(Engine_speed=("RPM", GOOD["Engine speed (rpm)"] * np.pi / 30)), "look like rad/s"),
    "a speed in thousands": (
        replaced(Engine_speed=("RPM", GOOD["Engine speed (rpm)"] / 1000)), "look like krpm"),
    "time in ms called s": (replaced(Time=("Time (s)", TIME * 1000)), "look like ms"),
    "time in s called ms": (replaced(Time=("Time (ms)", TIME)), "look like s"),
    "a throttle of 0 to 1 percent": (
        replaced(Throttle=("Throttle (%)", GOOD["Throttle (%)"] / 100)), "look like ratio"),
    "a throttle of 80 as ratio": (
        replaced(Throttle=("Throttle (ratio)", GOOD["Throttle (%)"])), "look like percent"),
    "a trim as multiplier": (
        replaced(STFT=("STFT (%)", 1 + GOOD["STFT (%)"] / 100)), "multiplier around 1"),
    "a trim around 100": (replaced(STFT=("STFT (%)", 100 + GOOD["STFT (%)"])), "multiplier"),
    "exhaust in degF": (
        {**GOOD, "EGT (degC)": (700 + 200 * WAVE) * 1.8 + 32}, "exhaust temp in degC.*degF"),
    "millivolts called volts": (
        {**GOOD, "Coolant (V)": 800 + 300 * WAVE}, "coolant volts in V.*look like mV"),
}  # fmt: skip


@pytest.mark.parametrize("case", WRONG_UNITS)
def test_a_wrong_unit_is_refused_with_the_likely_one(tmp_path, case):
    columns, message = WRONG_UNITS[case]
    with pytest.raises(LogError, match=message) as caught:
        read_text(tmp_path, text_of(columns))
    assert "[channels]" in str(caught.value)


@pytest.mark.parametrize("case", ["an AFR of 0.9", "a coolant of 190 degC", "time in ms called s"])
def test_a_wrong_unit_is_refused_without_a_setup_too(tmp_path, case):
    path = tmp_path / "log.csv"
    path.write_text(text_of(WRONG_UNITS[case][0]), encoding="utf-8")
    with pytest.raises(LogError, match=WRONG_UNITS[case][1]):
        read_log(path)


def test_an_entry_of_the_setup_is_guarded_too(tmp_path):
    setup = make_setup(channels={"lambda": ChannelSource("Lambda", "afr")})
    with pytest.raises(LogError, match="look like lambda"):
        read_text(tmp_path, GOOD_TEXT, setup)


def test_the_line_that_mends_a_unit_mends_it(tmp_path):
    columns, _ = WRONG_UNITS["a coolant of 190 degC"]
    setup = make_setup(channels={"coolant_temp": ChannelSource("Coolant (degC)", "degF")})
    log = read_text(tmp_path, text_of(columns), setup)
    np.testing.assert_allclose(log.samples["coolant_temp_c"], GOOD["Coolant (degC)"], atol=1e-3)


def test_the_line_that_mends_a_gauge_pressure_mends_it(tmp_path):
    columns, _ = WRONG_UNITS["a gauge pressure called absolute"]
    setup = make_setup(channels={"boost": ChannelSource("MAP (kPa)", "kPa")})
    log = read_text(tmp_path, text_of(columns), setup)
    # The column holds the absolute pressure less 101.3; the barometer of the setup is 101.325.
    np.testing.assert_allclose(log.samples["load"], GOOD["MAP (kPa)"] + 0.025, atol=1e-3)
    np.testing.assert_allclose(log.samples["boost_kpa"], GOOD["MAP (kPa)"] - 101.3, atol=1e-3)


def test_a_gauge_on_the_petrol_scale_is_found_with_another_fuel(tmp_path):
    columns = replaced(Lambda=("AFR", GOOD["Lambda"] * 14.7))
    setup = make_setup(engine=EngineSettings(fuel="e85", afr_stoich=9.9))
    with pytest.raises(LogError, match=r"petrol scale of 14.7.*afr_stoich = 14.7"):
        read_text(tmp_path, text_of(columns), setup)


def test_a_doubtful_column_that_nothing_hangs_on_is_left_out_and_said(tmp_path):
    columns = {**GOOD, "Battery (V)": 13800 + WAVE, "Oil temp (degC)": 900 + WAVE}
    log = read_text(tmp_path, text_of(columns))
    assert {"battery_volts", "oil_temp_c"}.isdisjoint(log.samples.columns)
    assert sum("It was left out" in note for note in log.notes) == 2


# --- no false alarm ------------------------------------------------------------------------------

SOUND = {
    "the good log": GOOD,
    "idle only": replaced(
        Engine_speed=("RPM", 780 + 15 * WAVE), MAP=("MAP (kPa)", 33 + WAVE),
        Throttle=("Throttle (%)", 0.4 + 0.02 * WAVE)),
    "a cold start at -20": replaced(Coolant=("Coolant (degC)", -20 + TIME / 3)),
    "a cold start in degF": replaced(Coolant=("Coolant (degF)", -4 + TIME)),
    "an exhaust of 1050": {**GOOD, "EGT (degC)": 750 + 300 * WAVE},
    "a diesel at lambda 1.3 to 8": replaced(Lambda=("Lambda", 4.6 + 3.3 * WAVE)),
    "a diesel's AFR": replaced(Lambda=("AFR", 14.5 * (4.6 + 3.3 * WAVE))),
    "free air in the overrun": replaced(
        Lambda=("Lambda", np.where(np.arange(ROWS) % 10 < 3, 10.1, GOOD["Lambda"]))),
    "free air for most of the log": replaced(
        Lambda=("Lambda", np.where(np.arange(ROWS) % 10 < 6, 10.1, GOOD["Lambda"]))),
    "an AFR at its stop in the overrun": replaced(
        Lambda=("AFR", np.where(np.arange(ROWS) % 10 < 4, 22.4, 14.7 * GOOD["Lambda"]))),
    "zeros while the sensor heats": replaced(
        Lambda=("Lambda", np.where(np.arange(ROWS) < 100, 0.0, GOOD["Lambda"]))),
    "engine off at first": replaced(
        Engine_speed=("RPM", np.where(np.arange(ROWS) < 90, 0.0, GOOD["Engine speed (rpm)"]))),
    "trims that never move": replaced(STFT=("STFT (%)", np.zeros(ROWS))),
    "a trim of one step": replaced(STFT=("STFT (%)", np.full(ROWS, 0.78))),
    "throttle shut": replaced(Throttle=("Throttle (%)", np.zeros(ROWS))),
    "throttle wide open": replaced(Throttle=("Throttle (%)", np.full(ROWS, 100.0))),
    "high boost": replaced(MAP=("MAP (kPa)", 220 + 160 * WAVE)),
    "mountain air": {**GOOD, "Baro (kPa)": np.full(ROWS, 62.0)},
    "one number a second": {**GOOD, "Time (s)": np.arange(ROWS) * 1.0},
    "one thousand a second": {**GOOD, "Time (s)": np.arange(ROWS) / 1000},
    "a sender's volts": {**without("Coolant (degC)"), "ECT (V)": 2.5 - TIME / 20},
    "trims without lambda": without("Lambda"),
}  # fmt: skip


@pytest.mark.parametrize("case", SOUND)
def test_sound_logs_are_not_refused(tmp_path, case):
    setup = make_setup(
        engine=EngineSettings(ignition="compression" if "diesel" in case else "spark")
    )
    log = read_text(tmp_path, text_of(SOUND[case]), setup)
    assert len(log.samples) == ROWS
    assert not [note for note in log.notes if "left out" in note and "not ready" not in note]


# --- what is mended and said ---------------------------------------------------------------------


@pytest.mark.parametrize("spike", ["-9999", "1e30", "65535", "1e400", "-3.4e38"])
def test_a_spike_becomes_a_counted_gap(tmp_path, spike):
    cells = spoiled(GOOD["Coolant (degC)"], [10, 200], spike)
    log = read_text(tmp_path, text_of(replaced(Coolant=("Coolant (degC)", cells))))
    assert list(np.flatnonzero(log.samples["coolant_temp_c"].isna())) == [10, 200]
    assert any("2 impossible value(s)" in note for note in log.notes)
    assert len(log.samples) == ROWS


def test_zeros_of_a_heating_sensor_are_gaps_and_said(tmp_path):
    log = read_text(tmp_path, text_of(SOUND["zeros while the sensor heats"]))
    assert log.samples["lambda"].isna().sum() == 100
    assert any("100 zero(s)" in note for note in log.notes)


@pytest.mark.parametrize(
    ("decimal", "thousands"), [(".", "3,200.5"), (",", "3.200,5")], ids=["point", "comma"]
)
def test_thousands_and_words_are_read_with_either_decimal_sign(tmp_path, decimal, thousands):
    cells = spoiled(GOOD["Lambda"], [7], "COLD")
    text = text_of(replaced(Lambda=("Lambda", cells)), ";").replace(".", decimal)
    lines = text.splitlines()
    row = lines[100].split(";")
    lines[100] = ";".join([row[0], thousands, *row[2:]])
    log = read_text(tmp_path, "\n".join(lines))
    assert log.samples["rpm"][99] == 3200.5
    expected = np.where(np.arange(ROWS) == 7, np.nan, GOOD["Lambda"])
    np.testing.assert_allclose(log.samples["lambda"], expected, atol=1e-5)


def test_a_few_words_among_numbers_are_gaps_and_said(tmp_path):
    cells = spoiled(GOOD["Lambda"], [5, 6], "WARMUP")
    log = read_text(tmp_path, text_of(replaced(Lambda=("Lambda", cells))))
    assert log.samples["lambda"].isna().sum() == 2
    assert any("'WARMUP' in row 7" in note for note in log.notes)


@pytest.mark.parametrize("cut", [1, 12, 25])
def test_a_last_line_cut_by_a_power_loss_is_dropped_and_counted(tmp_path, cut):
    text = GOOD_TEXT[: -len(LINES[-1]) - 1] + LINES[-1][:cut]
    log = read_text(tmp_path, text)
    assert log.dropped == (("row cut short or with too many cells", 1),)
    assert len(log.samples) == ROWS - 1


def test_one_open_quotation_mark_costs_one_row(tmp_path):
    text = "\n".join([*LINES[:50], '"' + LINES[50], *LINES[51:]])
    log = read_text(tmp_path, text)
    assert log.dropped == (("row cut short or with too many cells", 1),)
    assert 51 not in set(log.samples["row"])


def test_null_bytes_after_a_power_loss_are_left_out(tmp_path):
    log = read_text(tmp_path, GOOD_TEXT.encode() + b"\0" * 4096)
    assert len(log.samples) == ROWS
    assert any("4096 null bytes" in note for note in log.notes)


def test_a_header_that_comes_again_is_no_sample(tmp_path):
    text = "\n".join([*LINES[:100], LINES[0], *LINES[100:]])
    log = read_text(tmp_path, text)
    assert len(log.samples) == ROWS
    assert ("no time stamp", 1) in log.dropped


def test_a_latin_byte_in_utf8_is_read_as_windows_1252_and_said(tmp_path):
    log = read_text(tmp_path, GOOD_TEXT.replace("degC", "°C").encode("cp1252"))
    assert log.dialect.encoding == "cp1252"
    assert any("Windows-1252" in note for note in log.notes)


def test_every_error_is_one_that_the_command_line_catches(tmp_path):
    with pytest.raises(TuneassistError):
        read_text(tmp_path, b"")
