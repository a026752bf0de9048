"""The same session in every dialect gives the same samples; setup, load, and what is said."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tuneassist.errors import LogError, SetupError
from tuneassist.grid import Axes
from tuneassist.reading import read_log
from tuneassist.settings import ChannelSource, EngineSettings, Setup, Target

ROWS = 200
TIME = np.arange(ROWS) * 0.05
WAVE = np.sin(TIME)
RPM = np.round(3000 + 1500 * WAVE)
MAP = np.round(90 + 50 * np.cos(TIME), 1)
LAMBDA = np.round(0.95 + 0.05 * WAVE, 3)
COOLANT = np.round(60 + 2 * TIME, 1)
HEADER = ["Time (s)", "Engine speed (rpm)", "MAP (kPa)", "Lambda", "Coolant (°C)"]
COLUMNS = [TIME, RPM, MAP, LAMBDA, COOLANT]


def rows_of(columns, decimal=".", digits=3):
    return [
        [f"{value:.{digits}f}".replace(".", decimal) for value in row]
        for row in zip(*columns, strict=True)
    ]


def text_of(header, rows, delimiter=",", end="\n"):
    return end.join(delimiter.join(row) for row in [header, *rows]) + end


def write(folder, text, encoding="utf-8", name="log.csv"):
    path = Path(folder) / name
    path.write_bytes(text.encode(encoding))
    return path


def make_setup(load_name="manifold pressure", load_unit="kPa", load=(30, 60, 120, 180), **more):
    axes = Axes(
        rpm=np.array([1000.0, 2000.0, 4000.0, 6000.0]),
        load=np.array(load, dtype=float),
        load_name=load_name,
        load_unit=load_unit,
    )
    return Setup(axes=axes, target=Target(np.ones(axes.shape)), **more)


def report(log, channel):
    return next(c for c in log.columns if c.channel == channel)


PLAIN = rows_of(COLUMNS)
COMMA = rows_of(COLUMNS, ",")
BARE = ["Time", "Engine speed", "MAP", "Lambda", "Coolant"]
UNITS = ["s", "1/min", "kPa", "-", "°C"]
PREAMBLE = "Session of a test\nDate,25.11.2025\nRate,20,Hz\n\n"
DIALECTS = {
    "comma": (text_of(HEADER, PLAIN), "utf-8"),
    "semicolon": (text_of(HEADER, PLAIN, ";"), "utf-8"),
    "tab": (text_of(HEADER, PLAIN, "\t"), "utf-8"),
    "bar": (text_of(HEADER, PLAIN, "|"), "utf-8"),
    "semicolon and decimal comma": (text_of(HEADER, COMMA, ";"), "utf-8"),
    "tab and decimal comma": (text_of(HEADER, COMMA, "\t"), "utf-8"),
    "byte order mark": (text_of(HEADER, PLAIN), "utf-8-sig"),
    "utf-16 with mark": (text_of(HEADER, PLAIN), "utf-16"),
    "utf-16 without mark": (text_of(HEADER, PLAIN), "utf-16-le"),
    "windows-1252": (text_of(HEADER, COMMA, ";"), "cp1252"),
    "windows line ends": (text_of(HEADER, PLAIN, end="\r\n"), "utf-8"),
    "old line ends": (text_of(HEADER, PLAIN, end="\r"), "utf-8"),
    "no last line end": (text_of(HEADER, PLAIN).rstrip("\n"), "utf-8"),
    "square brackets": (
        text_of([h.replace("(", "[").replace(")", "]") for h in HEADER], PLAIN), "utf-8"),
    "unit row": (text_of(BARE, [UNITS, *PLAIN]), "utf-8"),
    "unit row in brackets": (text_of(BARE, [[f"[{u}]" for u in UNITS], *PLAIN]), "utf-8"),
    "preamble": (PREAMBLE + text_of(HEADER, PLAIN), "utf-8"),
    "preamble, unit row, semicolon": (
        PREAMBLE.replace(",", ";") + text_of(BARE, [UNITS, *COMMA], ";"), "utf-8"),
    "preamble padded by a spreadsheet": (
        "Rate,20,,,\nChannels,5,,,\n" + text_of(HEADER, PLAIN), "utf-8"),
    "separator line": ("sep=;\n" + text_of(HEADER, PLAIN, ";"), "utf-8"),
    "trailing commas": (text_of([*HEADER, ""], [[*row, ""] for row in PLAIN]), "utf-8"),
    "trailing commas in the rows": (text_of(HEADER, [[*row, ""] for row in PLAIN]), "utf-8"),
    "blank lines between": (text_of(HEADER, PLAIN).replace("\n", "\n\n"), "utf-8"),
    "quoted": (
        text_of([f'"{h}"' for h in HEADER], [[f'"{c}"' for c in r] for r in PLAIN]), "utf-8"),
    "quoted decimal commas between commas": (
        text_of([f'"{h}"' for h in HEADER], [[f'"{c}"' for c in r] for r in COMMA]), "utf-8"),
    "spaces around": (text_of(HEADER, [[f" {c} " for c in r] for r in PLAIN]), "utf-8"),
    "milliseconds, psi, afr, degF": (
        text_of(
            ["Time (ms)", "RPM", "MAP (psi)", "AFR", "ECT (degF)"],
            rows_of([TIME * 1000, RPM, MAP / 6.894757293168, LAMBDA * 14.7, COOLANT * 1.8 + 32],
                    digits=9)), "utf-8"),
    "bar, phi, kelvin": (
        text_of(
            ["Time [s]", "nmot [U/min]", "MAP [bar]", "Lambda [phi]", "Water temp [K]"],
            rows_of([TIME, RPM, MAP / 100, 1 / LAMBDA, COOLANT + 273.15], digits=9)), "utf-8"),
    "radians, hectopascal": (
        text_of(
            ["Time [s]", "Engine speed [rad/s]", "MAP [hPa]", "Lambda", "Kühlmittel [°C]"],
            rows_of([TIME, RPM * np.pi / 30, MAP * 10, LAMBDA, COOLANT], digits=9)), "utf-8"),
    "another order and foreign columns": (
        text_of(
            ["Notes", "Lambda", "MAP (kPa)", "Spark", "Time (s)", "RPM", "Coolant (degC)"],
            [["ok, fine"[:2], r[3], r[2], "12.5", r[0], r[1], r[4]] for r in PLAIN]), "utf-8"),
}  # fmt: skip


@pytest.mark.parametrize("dialect", DIALECTS)
def test_every_dialect_gives_the_same_samples(tmp_path, dialect):
    text, encoding = DIALECTS[dialect]
    log = read_log(write(tmp_path, text, encoding), setup=make_setup())
    samples = log.samples
    assert log.rows_read == len(samples) == ROWS
    assert log.dropped == ()
    expected = {
        "time_s": TIME, "rpm": RPM, "load": MAP, "manifold_pressure_kpa": MAP, "lambda": LAMBDA,
        "coolant_temp_c": COOLANT,
    }  # fmt: skip
    assert set(samples.columns) == {"row", *expected}
    for column, values in expected.items():
        assert samples[column].dtype == float
        np.testing.assert_allclose(samples[column], values, rtol=1e-7, atol=2e-6, err_msg=column)


def test_rows_are_the_files_own_line_numbers(tmp_path):
    text = PREAMBLE + text_of(BARE, [UNITS, *PLAIN])
    log = read_log(write(tmp_path, text))
    lines = text.split("\n")
    for place in (0, 17, ROWS - 1):
        line = lines[int(log.samples["row"].iloc[place]) - 1]
        assert float(line.split(",")[0]) == pytest.approx(log.samples["time_s"].iloc[place])
    assert (log.dialect.header_line, log.dialect.data_line) == (5, 7)


def test_row_numbers_skip_the_cut_lines(tmp_path):
    rows = [list(row) for row in PLAIN]
    rows[10] = rows[10][:2]
    log = read_log(write(tmp_path, text_of(HEADER, rows)))
    assert log.dropped == (("row cut short or with too many cells", 1),)
    assert 12 not in set(log.samples["row"])
    assert len(log.samples) == ROWS - 1
    assert any("row 12" in note for note in log.notes)


def test_the_log_carries_its_hash_and_name(tmp_path):
    path = write(tmp_path, text_of(HEADER, PLAIN))
    log = read_log(path)
    assert log.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert log.name == "log.csv"


def test_progress_rises_to_one(tmp_path):
    seen: list[float] = []
    read_log(write(tmp_path, text_of(HEADER, PLAIN)), progress=seen.append)
    assert seen == sorted(seen)
    assert seen[-1] == 1.0


def test_blank_cells_become_nan_and_are_counted(tmp_path):
    rows = [list(row) for row in PLAIN]
    for place, blank in enumerate(["", "-", "NaN", "n/a", "  ", "---", "null"]):
        rows[20 + place][4] = blank
    log = read_log(write(tmp_path, text_of(HEADER, rows)), setup=make_setup())
    assert log.samples["coolant_temp_c"].isna().sum() == 7
    assert report(log, "coolant_temp").blank == 7
    assert len(log.samples) == ROWS


def test_a_slow_channel_keeps_its_gaps(tmp_path):
    rows = [[*row[:4], row[4] if i % 20 == 0 else ""] for i, row in enumerate(PLAIN)]
    log = read_log(write(tmp_path, text_of(HEADER, rows)), setup=make_setup())
    assert log.samples["coolant_temp_c"].notna().sum() == ROWS // 20


def test_the_report_says_what_each_column_became(tmp_path):
    header = ["Time (s)", "RPM", "Inlet pressure abs (psi)", "Wideband (AFR)", "Marker"]
    rows = rows_of([TIME, RPM, MAP / 6.894757293168, LAMBDA * 14.7, WAVE])
    log = read_log(write(tmp_path, text_of(header, rows)), setup=make_setup())
    assert [(c.header, c.channel) for c in log.columns] == [
        ("Time (s)", "time"), ("RPM", "rpm"), ("Inlet pressure abs (psi)", "load"),
        ("Inlet pressure abs (psi)", "manifold_pressure"), ("Wideband (AFR)", "lambda"),
        ("Marker", None),
    ]  # fmt: skip
    load = report(log, "load")
    assert (load.unit, load.unit_inside, load.how, load.unit_how) == (
        "psi", "kPa", "header", "header"
    )  # fmt: skip
    assert (load.low, load.high) == pytest.approx((MAP.min(), MAP.max()), abs=0.01)
    assert any("14.7" in note for note in log.notes)


# --- the setup's entries -------------------------------------------------------------------------


def test_an_entry_wins_over_the_headers_words_and_unit(tmp_path):
    header = ["Time (s)", "RPM", "MAP (kPa)", "Lambda 1", "Lambda 2"]
    text = text_of(header, rows_of([TIME, RPM, MAP, LAMBDA, LAMBDA * 14.7]))
    setup = make_setup(channels={"lambda": ChannelSource("Lambda 2", "afr")})
    log = read_log(write(tmp_path, text), setup=setup)
    np.testing.assert_allclose(log.samples["lambda"], LAMBDA, atol=1e-3)
    assert report(log, "lambda").how == report(log, "lambda").unit_how == "setup"


def test_a_conflict_of_setup_and_header_unit_is_said(tmp_path):
    text = text_of(HEADER, PLAIN).replace("MAP (kPa)", "MAP (psi)")
    source = ChannelSource("MAP (psi)", "kPa")
    setup = make_setup(channels={"load": source, "manifold_pressure": source})
    log = read_log(write(tmp_path, text), setup=setup)
    np.testing.assert_allclose(log.samples["load"], MAP)
    assert any("says psi; the setup's kPa was used" in note for note in log.notes)


def test_an_entry_works_on_headers_that_say_nothing(tmp_path):
    text = text_of(["a", "b", "c", "d"], rows_of([TIME, RPM, MAP, LAMBDA]))
    channels = {
        "time": ChannelSource("a", "s"), "rpm": ChannelSource("b", "rpm"),
        "load": ChannelSource("c", "kPa"), "lambda": ChannelSource("d", "lambda"),
    }  # fmt: skip
    log = read_log(write(tmp_path, text), setup=make_setup(channels=channels))
    np.testing.assert_allclose(log.samples["load"], MAP)
    np.testing.assert_allclose(log.samples["manifold_pressure_kpa"], MAP)


@pytest.mark.parametrize(
    ("channels", "kind", "message"),
    [
        ({"rpm": ChannelSource("Engine sped (rpm)")}, LogError,
         r"not in the log\. Did you mean 'Engine speed \(rpm\)'"),
        # alike by nothing but the unit in brackets
        ({"load": ChannelSource("Boost (kPa)")}, LogError, r"not in the log\. Its columns: "),
        # alike, but it stands for another channel
        ({"load": ChannelSource("Engine sped (rpm)")}, LogError, r"not in the log\. Its columns: "),
        ({"rpm": ChannelSource("MAP (kPa)", "kPa")}, SetupError, "measures pressure.*rad/s"),
        ({"rpm": ChannelSource("MAP (kPa)", "furlong")}, SetupError, "'furlong', .*not a known"),
        ({"oil": ChannelSource("MAP (kPa)")}, SetupError, r"channels\.oil is not a known channel"),
    ],
)  # fmt: skip
def test_an_entry_that_cannot_be_right_is_refused(tmp_path, channels, kind, message):
    path = write(tmp_path, text_of(HEADER, PLAIN))
    with pytest.raises(kind, match=message):
        read_log(path, setup=make_setup(channels=channels))


def test_two_candidates_are_listed_and_none_is_taken(tmp_path):
    header = ["Time (s)", "RPM", "MAP (kPa)", "Lambda 1", "Lambda 2"]
    path = write(tmp_path, text_of(header, rows_of([TIME, RPM, MAP, LAMBDA, LAMBDA])))
    with pytest.raises(LogError, match=r"several columns could be lambda: 'Lambda 1', 'Lambda 2'"):
        read_log(path, setup=make_setup())
    log = read_log(path)
    assert "lambda" not in log.samples
    assert any("Lambda 2" in note for note in log.notes)


# --- units that are not written down -------------------------------------------------------------


@pytest.mark.parametrize(
    "header", ["Inj Duty (%)", "Injectors duty cycle [%]", "FUEL_INJECTOR_DUTY (%)", "IDC [%]"]
)
def test_the_injectors_duty_is_known_by_its_names(tmp_path, header):
    log = duty_log(tmp_path, header)
    assert log.samples["injector_duty_pct"].max() == pytest.approx(88.0)


@pytest.mark.parametrize("header", ["Duty (%)", "Duty cycle [%]", "DC (%)"])
def test_a_duty_that_names_no_part_is_asked_about_and_not_taken(tmp_path, header):
    log = duty_log(tmp_path, header)
    assert "injector_duty_pct" not in log.samples
    [note] = [note for note in log.notes if "injector_duty" in note]
    line = note.split("[channels]: ")[1].split("; if not")[0]
    assert line == f'injector_duty = {{ column = "{header}", unit = "percent" }}'
    told = make_setup(channels={"injector_duty": ChannelSource(column=header, unit="percent")})
    given = duty_log(tmp_path, header, setup=told)
    assert given.samples["injector_duty_pct"].max() == pytest.approx(88.0)
    assert not any("names no part" in note or "left out" in note for note in given.notes)
    left = duty_log(tmp_path, header, setup=make_setup(unread=("injector_duty",)))
    assert not any("injector_duty" in note for note in left.notes)


@pytest.mark.parametrize("header", ["Wastegate duty (%)", "Boost duty [%]", "VVT duty cycle (%)"])
def test_the_duty_of_another_part_is_neither_taken_nor_asked_about(tmp_path, header):
    log = duty_log(tmp_path, header)
    assert "injector_duty_pct" not in log.samples
    assert not any("injector_duty" in note for note in log.notes)


def duty_log(folder, header, setup=None):
    """A log in which the duty rises to 88 %, 40 s at 10 Hz."""
    n = np.arange(400)
    columns = [0.1 * n, 2000 + n, 50 + 0.1 * n, np.full(400, 0.95), 8 + 0.2005012531 * n]
    text = text_of(["Time (s)", "RPM", "MAP (kPa)", "Lambda", header], rows_of(columns))
    return read_log(write(folder, text), setup=setup)


def test_a_missing_unit_is_settled_by_values_that_allow_one_only_and_said(tmp_path):
    text = text_of(["Time", "Engine speed", "MAP", "Lambda"], rows_of(COLUMNS[:4]))
    log = read_log(write(tmp_path, text), setup=make_setup())
    np.testing.assert_allclose(log.samples["load"], MAP)
    assert report(log, "manifold_pressure").unit_how == "values"
    assert any("'MAP' has no unit" in note and "in kPa" in note for note in log.notes)
    assert any("Time has no unit" in note for note in log.notes)


def test_a_missing_unit_that_values_leave_open_is_asked_for(tmp_path):
    # 60 to 80 is a warm engine in degC and a cold one in degF.
    path = write(tmp_path, text_of([*HEADER[:4], "Coolant"], PLAIN))
    with pytest.raises(LogError, match=r"no unit is given.*degC, degF.*coolant_temp = \{ column"):
        read_log(path, setup=make_setup())
    log = read_log(path)
    assert "coolant_temp_c" not in log.samples
    assert any("degC, degF" in note for note in log.notes)


def test_a_wideband_without_a_unit_is_asked_for(tmp_path):
    path = write(tmp_path, text_of([*HEADER[:3], "Wideband"], rows_of(COLUMNS[:4])))
    with pytest.raises(LogError, match="lambda, phi"):
        read_log(path, setup=make_setup())


def test_a_wideband_without_a_unit_around_thirteen_is_afr(tmp_path):
    columns = [TIME, RPM, MAP, LAMBDA * 14.7]
    log = read_log(write(tmp_path, text_of([*HEADER[:3], "Wideband"], rows_of(columns))),
                   setup=make_setup())  # fmt: skip
    np.testing.assert_allclose(log.samples["lambda"], LAMBDA, atol=1e-3)
    assert report(log, "lambda").unit_how == "values"


@pytest.mark.parametrize(("fuel", "stoich"), [("diesel", 14.5), ("methanol", 6.47)])
def test_afr_uses_the_setups_fuel(tmp_path, fuel, stoich):
    text = text_of([*HEADER[:3], "AFR"], rows_of([TIME, RPM, MAP, LAMBDA * stoich], digits=6))
    setup = make_setup(engine=EngineSettings(fuel=fuel, afr_stoich=stoich))
    log = read_log(write(tmp_path, text), setup=setup)
    np.testing.assert_allclose(log.samples["lambda"], LAMBDA, atol=1e-6)


# --- load ----------------------------------------------------------------------------------------


def load_log(tmp_path, header, values, **setup):
    text = text_of(
        [*HEADER[:2], "Lambda", *header], rows_of([TIME, RPM, LAMBDA, *values], digits=6)
    )
    return read_log(write(tmp_path, text), setup=make_setup(**setup))


def test_load_in_psi_when_the_axis_is_in_psi(tmp_path):
    psi = MAP / 6.894757293168
    log = load_log(tmp_path, ["MAP (kPa)"], [MAP], load_unit="psi", load=(4, 10, 20, 30))
    np.testing.assert_allclose(log.samples["load"], psi, atol=1e-5)
    np.testing.assert_allclose(log.samples["manifold_pressure_kpa"], MAP, atol=1e-5)


def test_a_boost_gauge_serves_an_absolute_axis_with_the_standard_barometer_said(tmp_path):
    log = load_log(tmp_path, ["Boost gauge (psi)"], [(MAP - 101.325) / 6.894757293168])
    np.testing.assert_allclose(log.samples["load"], MAP, atol=1e-4)
    np.testing.assert_allclose(log.samples["manifold_pressure_kpa"], MAP, atol=1e-4)
    np.testing.assert_allclose(log.samples["boost_kpa"], MAP - 101.325, atol=1e-4)
    assert any("barometer of 101.325 kPa (none was logged)" in note for note in log.notes)


def test_a_logged_barometer_goes_before_the_standard_one(tmp_path):
    log = load_log(tmp_path, ["Boost (bar)", "Baro (mbar)"], [(MAP - 96) / 100, MAP * 0 + 960])
    np.testing.assert_allclose(log.samples["load"], MAP, atol=1e-4)
    assert any("logged barometer" in note for note in log.notes)


def test_an_axis_of_boost_takes_the_barometer_off_an_absolute_column(tmp_path):
    log = load_log(tmp_path, ["MAP (kPa)"], [MAP], load_name="boost", load=(-60, -20, 20, 60))
    np.testing.assert_allclose(log.samples["load"], MAP - 101.325, atol=1e-5)


def test_an_axis_of_boost_prefers_the_gauge(tmp_path):
    header = ["MAP (kPa)", "Boost (kPa)"]
    log = load_log(tmp_path, header, [MAP, MAP - 97], load_name="boost", load=(-60, -20, 20, 60))
    np.testing.assert_allclose(log.samples["load"], MAP - 97, atol=1e-5)


def test_load_by_throttle_when_the_axis_is_throttle(tmp_path):
    log = load_log(
        tmp_path, ["MAP (kPa)", "TPS (%)"], [MAP, 50 + 40 * WAVE],
        load_name="throttle", load_unit="percent", load=(0, 20, 50, 100),
    )  # fmt: skip
    np.testing.assert_allclose(log.samples["load"], 50 + 40 * WAVE, atol=1e-5)


def test_load_in_percent_by_its_own_name(tmp_path):
    log = load_log(
        tmp_path, ["MAP (kPa)", "Calculated load (%)"], [MAP, 50 + 40 * WAVE],
        load_name="engine load", load_unit="percent", load=(0, 20, 50, 100),
    )  # fmt: skip
    np.testing.assert_allclose(log.samples["load"], 50 + 40 * WAVE, atol=1e-5)


def test_load_in_air_mass(tmp_path):
    log = load_log(
        tmp_path, ["Air mass (mg/stroke)"], [400 + 200 * WAVE],
        load_name="air mass", load_unit="mg/stroke", load=(100, 300, 500, 700),
    )  # fmt: skip
    np.testing.assert_allclose(log.samples["load"], 400 + 200 * WAVE, atol=1e-5)


def test_a_load_of_the_wrong_kind_is_not_taken(tmp_path):
    with pytest.raises(LogError, match=r"no column was found for load.*Engine load.*kPa"):
        load_log(tmp_path, ["Engine load (%)"], [50 + 40 * WAVE])


# --- properties ----------------------------------------------------------------------------------


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    values=st.lists(st.floats(0.6, 1.4), min_size=8, max_size=30),
    delimiter=st.sampled_from([",", ";", "\t"]),
    swap=st.booleans(),
)
def test_written_values_are_read_back(tmp_path, values, delimiter, swap):
    n = len(values)
    rows = [[repr(i * 0.1), "2000", "50.5", repr(value)] for i, value in enumerate(values)]
    header = HEADER[:4]
    if swap:
        header, rows = header[::-1], [row[::-1] for row in rows]
    log = read_log(write(tmp_path, text_of(header, rows, delimiter)))
    np.testing.assert_allclose(log.samples["lambda"], values, rtol=1e-12)
    assert len(log.samples) == n


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    place=st.integers(0, 2000),
    junk=st.binary(min_size=1, max_size=40),
    cut=st.integers(0, 4000),
)
def test_mutated_bytes_never_end_in_anything_but_a_message(tmp_path, place, junk, cut):
    good = text_of(HEADER, PLAIN[:60]).encode()
    path = tmp_path / "mutated.csv"
    path.write_bytes((good[:place] + junk + good[place:])[: max(cut, place)])
    try:
        log = read_log(path, setup=make_setup())
    except LogError as error:
        assert str(error)  # a message, and no other kind of exception
    else:
        assert np.isfinite(log.samples["time_s"]).all()
        assert (np.diff(log.samples["time_s"]) > 0).all()


def test_a_column_report_can_be_written_as_json(tmp_path):
    log = read_log(write(tmp_path, text_of(HEADER, PLAIN)))
    assert json.loads(json.dumps(log.columns[1].__dict__))["channel"] == "rpm"
