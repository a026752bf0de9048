"""Where header, setup and values do not agree, the log is refused with what would mend it."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from pyarrow import parquet

from tuneassist.errors import LogError
from tuneassist.grid import Axes
from tuneassist.reading import LogReader, read_log
from tuneassist.reading.headers import channel_of, read_heading
from tuneassist.settings import ChannelSource, EngineSettings, Setup, SteadySettings, Target

ROWS = 400
TIME = np.arange(ROWS) * 0.1
WAVE = np.sin(TIME)
RPM = 3000 + 1500 * WAVE
MAP = 90 + 60 * np.cos(TIME)  # kPa absolute, 30 to 150
LAMBDA = 0.98 + 0.06 * WAVE
PSI = 6.894757  # kPa, NIST SP 811 (2008), appendix B


def make_setup(ignition="spark", rows=100_000, **channels):
    axes = Axes(rpm=np.array([1000.0, 2000.0, 4000.0]), load=np.array([30.0, 60.0, 120.0, 180.0]))
    return Setup(
        axes=axes,
        target=Target(np.ones(axes.shape)),
        channels=channels,
        engine=EngineSettings(ignition=ignition),
        steady=SteadySettings(estimate_rows=rows),
    )


def write(tmp_path, columns):
    path = tmp_path / "log.csv"
    path.write_text(pd.DataFrame(columns).to_csv(index=False), encoding="utf-8")
    return path


def read(tmp_path, columns, setup=None):
    return read_log(write(tmp_path, columns), setup=setup or make_setup())


def basis(**changed):
    return {"Time (s)": TIME, "RPM": RPM, "Lambda": LAMBDA, **changed}


# --- a header against the setup -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("header", "unit", "values", "channel"),
    [
        ("Boost [psi]", "kPa", (MAP - 101.3) / PSI, "boost"),
        ("Coolant (degF)", "degC", 80 + 5 * WAVE, "coolant_temp"),
        ("Coolant, degF", "degC", 80 + 5 * WAVE, "coolant_temp"),
        ("Oil temp (V)", "degC", 3 + WAVE, "oil_temp"),
    ],
)
def test_a_unit_that_the_header_contradicts_is_refused(
    tmp_path, header, unit, values, channel
) -> None:
    setup = make_setup(**{channel: ChannelSource(header, unit)})
    with pytest.raises(LogError) as caught:
        read(tmp_path, basis(**{"MAP (kPa)": MAP, header: values}), setup)
    said = read_heading(0, header).unit
    for word in ("log.csv", repr(header), f"says {said}", f"says {unit}"):
        assert word in str(caught.value)


def test_a_header_that_the_values_deny_gives_way_to_the_setup(tmp_path) -> None:
    setup = make_setup(load=ChannelSource("MAP (psi)", "kPa"))
    log = read(tmp_path, basis(**{"MAP (psi)": MAP}), setup)
    np.testing.assert_allclose(log.samples["load"], MAP)
    np.testing.assert_allclose(log.samples["manifold_pressure_kpa"], MAP)
    assert any("says psi; the setup's kPa was used" in note for note in log.notes)


def test_time_is_held_to_its_header_unless_its_steps_deny_it(tmp_path) -> None:
    columns = {"Time (s)": TIME, "RPM": RPM, "MAP (kPa)": MAP, "Lambda": LAMBDA}
    setup = make_setup(time=ChannelSource("Time (s)", "min"))
    with pytest.raises(LogError, match=r"header says s, and channels\.time of the setup says min"):
        read(tmp_path, columns, setup)
    setup = make_setup(time=ChannelSource("Time (s)", "ms"))
    log = read(tmp_path, {**columns, "Time (s)": 1000 * TIME}, setup)
    np.testing.assert_allclose(np.diff(log.samples["time_s"]), 0.1)
    assert any("says s; the setup's ms was used" in note for note in log.notes)


def test_units_of_one_size_do_not_contradict_each_other(tmp_path) -> None:
    setup = make_setup(load=ChannelSource("MAP (mbar)", "hPa"))
    log = read(tmp_path, basis(**{"MAP (mbar)": MAP * 10}), setup)
    np.testing.assert_allclose(log.samples["load"], MAP)
    assert log.notes == ()


def test_a_letter_that_names_a_bank_is_no_unit(tmp_path) -> None:
    columns = {"Time (s)": TIME, "RPM": RPM, "MAP (kPa)": MAP, "Lambda (F)": LAMBDA}
    setup = make_setup(**{"lambda": ChannelSource("Lambda (F)", "lambda")})
    np.testing.assert_allclose(read(tmp_path, columns, setup).samples["lambda"], LAMBDA)


def test_one_column_for_two_channels_that_cannot_be_one_is_refused(tmp_path) -> None:
    columns = {"Time (s)": TIME, "RPM": RPM, "AFR": 14.7 * LAMBDA}
    setup = make_setup(load=ChannelSource("AFR", "psi"))
    with pytest.raises(LogError, match=r"'AFR'.*lambda in afr and load in psi"):
        read(tmp_path, columns, setup)


def test_an_unknown_unit_in_a_tables_metadata_is_refused_as_in_a_header(tmp_path) -> None:
    pressure = pa.field("MAP", pa.float64(), metadata={b"unit": b"kgf/cm2"})
    table = pa.table(basis(MAP=MAP / 98.0665))
    path = tmp_path / "log.parquet"
    parquet.write_table(table.cast(table.schema.set(3, pressure)), path)
    with pytest.raises(LogError, match=r"'kgf/cm2' is not known"):
        read_log(path, setup=make_setup())
    with pytest.raises(LogError, match=r"'kgf/cm2' is not known"):
        read(tmp_path, basis(**{"MAP (kgf/cm2)": MAP / 98.0665}))


# --- sensors --------------------------------------------------------------------------------------

VOLTS = (LAMBDA - 0.68) / 0.136
LINE = {"transfer": ((0.0, 0.68), (5.0, 1.36)), "transfer_unit": "lambda"}


def sensed(values, header="WB (V)"):
    return {"Time (s)": TIME, "RPM": RPM, "MAP (kPa)": MAP, header: values}


@pytest.mark.parametrize("unit", [None, "lambda"])
def test_volts_ask_for_the_sensors_curve_and_are_never_lambda(tmp_path, unit) -> None:
    header = "Wideband (V)"
    setup = make_setup(**({"lambda": ChannelSource(header, unit)} if unit else {}))
    with pytest.raises(LogError, match=r'unit = "V", transfer = .*transfer_unit = "lambda"'):
        read(tmp_path, sensed(VOLTS, header), setup)


def test_millivolts_under_a_transfer_in_volts_are_refused_with_both_named(tmp_path) -> None:
    setup = make_setup(**{"lambda": ChannelSource("WB (mV)", "V", **LINE)})
    with pytest.raises(LogError, match=r"from 0 to 5 V; the header says mV"):
        read(tmp_path, sensed(1000 * VOLTS, "WB (mV)"), setup)


def test_readings_beyond_the_transfer_are_counted_in_every_part(tmp_path) -> None:
    count = 1500
    time_s = np.arange(count) * 0.1
    wave = np.sin(time_s)
    volts = 2.2 + 0.4 * wave
    volts[50:90] = 11.8
    volts[1300:1333] = 11.8
    columns = {"Time (s)": time_s, "RPM": 3000 + 900 * wave, "MAP (kPa)": 90 + 50 * wave}
    path = write(tmp_path, {**columns, "WB (V)": volts})
    entry = ChannelSource("WB (V)", "V", **LINE)
    whole = read_log(path, setup=make_setup(**{"lambda": entry}))
    assert whole.samples["lambda"].isna().sum() == 73
    assert any("73 reading(s) beyond" in note for note in whole.notes)
    reader = LogReader(path, setup=make_setup(rows=1000, **{"lambda": entry}))
    assert sum(len(part) for part in reader.parts()) == count
    notes = " ".join(reader.log().notes)
    assert "40 reading(s) beyond" in notes
    assert "behind the first part, 33 reading(s) beyond" in notes


def test_a_raw_cell_that_fails_is_named_by_its_row(tmp_path) -> None:
    words = [f"{round(v * 4):04X}" for v in RPM]
    words[5] = "NO DATA"  # the header is row 1
    columns = {"Time (s)": TIME, "R": words, "MAP (kPa)": MAP, "Lambda": LAMBDA}
    log = read(tmp_path, columns, make_setup(rpm=ChannelSource("R", raw="0C")))
    assert any("'NO DATA' in row 7" in note for note in log.notes)


def test_whole_numbers_under_hexadecimal_ask_for_raw_as_number(tmp_path) -> None:
    columns = {"Time (s)": TIME, "R": np.round(RPM * 4).astype(int), "MAP (kPa)": MAP,
               "Lambda": LAMBDA}  # fmt: skip
    setup = make_setup(rpm=ChannelSource("R", raw="0C"))
    with pytest.raises(LogError, match='raw_as = "number"'):
        read(tmp_path, columns, setup)
    path = tmp_path / "log.parquet"
    parquet.write_table(pa.table(columns), path)
    with pytest.raises(LogError, match='raw_as = "number"'):
        read_log(path, setup=setup)
    setup = make_setup(rpm=ChannelSource("R", raw="0C", raw_as="number"))
    np.testing.assert_allclose(read_log(path, setup=setup).samples["rpm"], RPM, atol=0.13)


# --- trims ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("header", "values"),
    [
        ("LTFT", 1.05 + 0.02 * WAVE),
        ("LTFT", 0.95 + 0.02 * WAVE),
        ("LTFT", 1.0 + 0.02 * WAVE),
        ("LTFT (%)", 0.05 + 0.03 * WAVE),
        ("STFT (%)", -0.05 + 0.03 * WAVE),
    ],
)
def test_a_trim_that_may_be_a_multiplier_or_a_ratio_is_asked_about(
    tmp_path, header, values
) -> None:
    with pytest.raises(LogError, match=re.escape(f"'{header}'")) as caught:
        read(tmp_path, basis(**{"MAP (kPa)": MAP, header: values}))
    assert 'unit = "percent"' in str(caught.value)


def test_the_answers_about_a_trim_are_taken(tmp_path) -> None:
    def trim(header, values, **entry):
        setup = make_setup(fuel_trim_long=ChannelSource(header, **entry))
        log = read(tmp_path, basis(**{"MAP (kPa)": MAP, header: values}), setup)
        return log.samples["fuel_trim_long_pct"].to_numpy()

    small, factor = 0.05 + 0.03 * WAVE, 1.05 + 0.02 * WAVE
    np.testing.assert_allclose(trim("LTFT (%)", small, unit="ratio"), 100 * small)
    np.testing.assert_allclose(trim("LTFT (%)", small, unit="percent"), small)
    curve = {"transfer": ((0.5, -50.0), (1.5, 50.0)), "transfer_unit": "percent"}
    np.testing.assert_allclose(trim("LTFT", factor, unit="1", **curve), 100 * (factor - 1))


@pytest.mark.parametrize("values", [0.78125 * np.round(3 * WAVE), 0.1 * np.round(2 * WAVE)])
def test_a_trim_near_zero_in_the_loggers_steps_is_percent(tmp_path, values) -> None:
    log = read(tmp_path, basis(**{"MAP (kPa)": MAP, "LTFT (%)": values}))
    np.testing.assert_allclose(log.samples["fuel_trim_long_pct"], values, atol=1e-12)


# --- boost: gauge or absolute ---------------------------------------------------------------------

BOOSTS = [
    ("Ladedruck (mbar)", "mbar", 0.1), ("Boost Pressure (kPa)", "kPa", 1.0),
    ("Turbo pressure (psi)", "psi", PSI),
]  # fmt: skip


@pytest.mark.parametrize(("header", "unit", "kpa"), BOOSTS)
def test_absolute_pressure_under_a_boost_name_is_asked_about(tmp_path, header, unit, kpa) -> None:
    columns = basis(**{header: MAP / kpa})
    with pytest.raises(LogError, match=f'"{unit} gauge".*"{unit} absolute"'):
        read(tmp_path, columns)
    blind = read_log(write(tmp_path, columns))
    assert not {"boost_kpa", "manifold_pressure_kpa"} & set(blind.samples)
    for said, over in ((f"{unit} absolute", 0.0), (f"{unit} gauge", 101.325)):
        log = read(tmp_path, columns, make_setup(boost=ChannelSource(header, said)))
        np.testing.assert_allclose(log.samples["load"], MAP + over, rtol=1e-6)


@pytest.mark.parametrize(("header", "unit", "kpa"), BOOSTS)
def test_gauge_boost_that_falls_below_zero_is_gauge(tmp_path, header, unit, kpa) -> None:
    log = read(tmp_path, basis(**{header: (MAP - 101.325) / kpa}))
    np.testing.assert_allclose(log.samples["load"], MAP, rtol=1e-6)


def test_gauge_boost_that_never_falls_below_zero_is_read_where_there_is_no_doubt(tmp_path) -> None:
    idle = np.clip(60 * np.cos(TIME), 1.0, None)  # a diesel's, or one that shows no vacuum
    above = 70 + 40 * np.cos(TIME)  # 30 to 110 kPa, as in a log of full load only
    for setup in (make_setup("compression"), make_setup()):
        np.testing.assert_allclose(
            read(tmp_path, basis(**{"Boost (kPa)": idle}), setup).samples["boost_kpa"], idle
        )
    sure = [
        (make_setup("compression"), {}),
        (make_setup(), {"TPS (%)": 95 + 3 * WAVE}),
        (make_setup(), {"MAP (kPa)": above + 99.0}),
    ]
    for setup, more in sure:
        log = read(tmp_path, basis(**{"Boost (kPa)": above, **more}), setup)
        np.testing.assert_allclose(log.samples["boost_kpa"], above)


INHG = 3.386389  # kPa, conventional inch of mercury, NIST SP 811 (2008), appendix B
GAUGE = MAP - 101.325
TWO_SCALES = np.where(GAUGE < 0, GAUGE / INHG, GAUGE / PSI)


@pytest.mark.parametrize(
    "header",
    ["Boost (psi)", "Boost (inHg)", "Boost", "Boost (psi/inHg)", "Boost/Vac (inHg/psi)"],
)
def test_a_gauge_with_vacuum_in_inhg_and_boost_in_psi_is_asked_about_and_read_as_advised(
    tmp_path, header
) -> None:
    log = basis(**{header: TWO_SCALES.round(2)})
    with pytest.raises(LogError, match=r"vacuum in inHg and boost in psi") as caught:
        read(tmp_path, log)
    said = str(caught.value)
    assert f'column = "{header}"' in said
    pairs = re.search(r"transfer = (\[\[.*?\]\])", said)
    unit = re.search(r'unit = "(\w+)", transfer', said)
    advised = ChannelSource(
        header, unit[1], transfer=tuple(map(tuple, json.loads(pairs[1]))), transfer_unit="psi gauge"
    )
    load = read(tmp_path, log, make_setup(load=advised)).samples["load"]
    np.testing.assert_allclose(load, MAP, atol=0.05)
    if "psi" not in header:  # one unit all through, said with both its words
        settled = make_setup(load=ChannelSource(header, "inHg gauge"))
        load = read(tmp_path, log, settled).samples["load"]
        np.testing.assert_allclose(load, 101.325 + TWO_SCALES * INHG, atol=0.05)
        with pytest.raises(LogError, match="vacuum in inHg and boost in psi"):
            read(tmp_path, log, make_setup(load=ChannelSource(header, "inHg")))


@pytest.mark.parametrize(
    ("header", "values"),
    [
        ("Boost (psi)", GAUGE / PSI),
        ("Boost (kPa)", GAUGE),
        ("Boost (inHg)", np.minimum(GAUGE, 0.0) / INHG),  # no boost to be on another scale
        ("MAP (inHg)", MAP / INHG),
    ],
)
def test_a_pressure_on_one_scale_is_not_asked_about(tmp_path, header, values) -> None:
    assert np.isfinite(read(tmp_path, basis(**{header: values})).samples["load"]).all()


def on_a_boost_axis(*loads: float, **channels: ChannelSource) -> Setup:
    axes = Axes(np.array([1000.0, 4000.0]), np.array(loads), load_name="boost", load_unit="kPa")
    return replace(make_setup(**channels), axes=axes, target=Target(np.ones(axes.shape)))


def test_an_axis_that_only_gauge_pressure_lies_on_leaves_no_doubt(tmp_path) -> None:
    above = 60 + 30 * np.cos(TIME)  # boost throughout, 30 to 90 kPa
    columns = basis(**{"Boost (kPa)": above})
    log = read(tmp_path, columns, on_a_boost_axis(0.0, 60.0, 120.0))
    np.testing.assert_allclose(log.samples["load"], above)
    np.testing.assert_allclose(log.samples["boost_kpa"], above)
    with pytest.raises(LogError, match="looks like an absolute pressure"):
        read(tmp_path, columns, on_a_boost_axis(-100.0, 0.0, 120.0))  # either would lie on it


def test_one_column_is_not_gauge_for_one_channel_and_absolute_for_another(tmp_path) -> None:
    both = {
        "load": ChannelSource("Boost (kPa)", "kPa"),
        "boost": ChannelSource("Boost (kPa)", "kPa absolute"),
    }
    with pytest.raises(LogError, match="gauge for load and absolute for boost"):
        read(tmp_path, basis(**{"Boost (kPa)": MAP}), make_setup(**both))


def test_a_unit_that_changes_in_mid_log_is_called_so(tmp_path) -> None:
    rows = 4000
    time = np.arange(rows) * 0.1
    pressure = 90 + 60 * np.cos(time)
    columns = {
        "Time (s)": time,
        "RPM": 3000 + 1500 * np.sin(time),
        "Lambda": 0.98 + 0.06 * np.sin(time),
        "MAP (kPa)": np.where(time < 200, pressure, pressure / PSI),
    }
    with pytest.raises(LogError, match=r"begins in kPa, .* changed in mid-log"):
        read(tmp_path, columns, make_setup(rows=1000))


# --- a channel that is not to be read -------------------------------------------------------------


def test_a_channel_in_doubt_may_be_left_unread_and_the_message_says_how(tmp_path) -> None:
    twice = {"EGT 1": 700 + WAVE, "EGT 2": 690 + WAVE}
    columns = basis(**{"MAP (kPa)": MAP, "TPS (V)": 2 + WAVE, **twice})
    with pytest.raises(LogError, match="To leave it unread: exhaust_temp = false"):
        read(tmp_path, columns)
    one = replace(make_setup(), unread=frozenset({"exhaust_temp"}))
    with pytest.raises(LogError, match="To leave it unread: throttle = false"):
        read(tmp_path, columns, one)
    both = replace(make_setup(), unread=frozenset({"exhaust_temp", "throttle"}))
    log = read(tmp_path, columns, both)
    assert not {"exhaust_temp_c", "throttle_pct"} & set(log.samples)
    assert len(log.samples) == ROWS


def test_trims_are_never_advised_to_be_left_unread(tmp_path) -> None:
    columns = basis(**{"MAP (kPa)": MAP, "STFT 1 (%)": WAVE, "STFT 2 (%)": -WAVE})
    with pytest.raises(LogError, match="several columns could be fuel_trim_short") as caught:
        read(tmp_path, columns)
    assert "unread" not in str(caught.value)


# --- headers --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("header", "channel", "unit"),
    [
        ("O2 eq ratio", "lambda", None),
        ("A/F Ratio", "lambda", "afr"),
        ("n [U/min]", "rpm", "rpm"),
        ("n", None, None),
        ("RPM x1000", "rpm", "krpm"),
        ("Mass Air Flow Rate (g/s)", "load", "g/s"),
        ("Température liquide de refroidissement", "coolant_temp", None),
        ("Pression collecteur d'admission", "manifold_pressure", None),
        ("Relativer Ladedruck", "boost", None),
        ("Rapport air carburant", "lambda", None),
        ("Boost/Vac (psi)", "boost", "psi"),
        ("Torque (ft·lbs)", "torque", "lbf.ft"),
        ("Lambdawert", "lambda", "lambda"),
        ("Lambda [group 2]", "lambda", "lambda"),
        ("Rapport", "gear", None),
        ("Device Time", "time", None),
        ("Local Time", "time", None),
    ],
)
def test_more_headers_are_known(header, channel, unit) -> None:
    heading = read_heading(0, header)
    assert (channel_of(heading), heading.unit) == (channel, unit)
