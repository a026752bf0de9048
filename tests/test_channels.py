"""The glossary is complete, consistent, and reads headers as shops write them."""

from __future__ import annotations

from itertools import combinations

import pytest

from tuneassist.channels import CHANNELS, channels_called, plain_words
from tuneassist.reading.headers import channel_of, read_heading
from tuneassist.units import INSIDE

# The contract's channel names with the columns of the samples.
COLUMNS = {
    "time": "time_s", "rpm": "rpm", "load": "load", "lambda": "lambda",
    "lambda_target": "lambda_target", "coolant_temp": "coolant_temp_c",
    "coolant_volts": "coolant_volts", "intake_temp": "intake_temp_c",
    "exhaust_temp": "exhaust_temp_c", "manifold_pressure": "manifold_pressure_kpa",
    "boost": "boost_kpa", "barometer": "barometer_kpa", "throttle": "throttle_pct",
    "pedal": "pedal_pct", "fuel_trim_short": "fuel_trim_short_pct",
    "fuel_trim_long": "fuel_trim_long_pct", "knock": "knock",
    "injector_duty": "injector_duty_pct", "rail_pressure": "rail_pressure_kpa",
    "torque": "torque_nm", "power": "power_kw", "vehicle_speed": "vehicle_speed_kmh",
    "gear": "gear", "oil_temp": "oil_temp_c", "oil_pressure": "oil_pressure_kpa",
    "battery_volts": "battery_volts", "lambda_second": "lambda_second",
    "fuel_pressure": "fuel_pressure_kpa", "water_methanol": "water_methanol",
    "nitrous": "nitrous", "ethanol_content": "ethanol_content_pct", "closed_loop": "closed_loop",
    **{f"knock_{number}": f"knock_{number}" for number in range(2, 13)},
}  # fmt: skip


def test_the_glossary_holds_the_contracts_channels_and_columns():
    assert {name: channel.column for name, channel in CHANNELS.items()} == COLUMNS


def test_no_phrase_names_two_channels():
    for one, other in combinations(CHANNELS.values(), 2):
        assert not one.phrases & other.phrases, (one.name, other.name)


@pytest.mark.parametrize("name", [n for n in CHANNELS if n != "load"])
def test_units_inside_are_those_of_the_quantity(name):
    channel = CHANNELS[name]
    assert channel.unit == INSIDE[channel.quantity]
    assert channel.possible[0] < channel.possible[1]


@pytest.mark.parametrize(
    ("header", "channel", "unit"),
    [
        ("Engine speed (rpm)", "rpm", "rpm"), ("RPM", "rpm", "rpm"), ("nmot [1/min]", "rpm", "rpm"),
        ("Drehzahl", "rpm", None), ("Motordrehzahl [U/min]", "rpm", "rpm"),
        ("Régime moteur (tr/min)", "rpm", "rpm"), ("EngineSpeed_rpm", "rpm", "rpm"),
        ("Crank speed (rad/s)", "rpm", "rad/s"), ("Speed (rpm)", "rpm", "rpm"),
        ("MAP (kPa)", "manifold_pressure", "kPa"), ("MAP_kPa", "manifold_pressure", "kPa"),
        ("Manifold absolute pressure", "manifold_pressure", None),
        ("Inlet pressure abs (psi)", "manifold_pressure", "psi"),
        ("Saugrohrdruck [hPa]", "manifold_pressure", "hPa"),
        ("Boost gauge (psi)", "boost", "psi"), ("Boost [bar(g)]", "boost", "bar"),
        ("MAP (psig)", "boost", "psi"), ("Boost (kPa abs)", "manifold_pressure", "kPa"),
        ("AFR", "lambda", "afr"), ("Wideband (AFR)", "lambda", "afr"), ("A/F", "lambda", "afr"),
        ("Lambda 1", "lambda", "lambda"), ("O2 lambda", "lambda", "lambda"),
        ("Lambda [-]", "lambda", "lambda"), ("λ", "lambda", "lambda"), ("Wideband", "lambda", None),
        ("Richesse", "lambda", "phi"), ("Equivalence ratio", "lambda", None),
        ("Target AFR", "lambda_target", "afr"), ("Lambda Soll", "lambda_target", "lambda"),
        ("Commanded lambda", "lambda_target", "lambda"),
        ("ECT (°C)", "coolant_temp", "degC"), ("CLT", "coolant_temp", None),
        ("Water temp degF", "coolant_temp", "degF"), ("Water (degF)", "coolant_temp", "degF"),
        ("Kühlmitteltemperatur", "coolant_temp", None), ("Temp. eau (°C)", "coolant_temp", "degC"),
        ("ECT (V)", "coolant_volts", "V"), ("Coolant sensor voltage", "coolant_volts", None),
        ("STFT", "fuel_trim_short", None), ("Short term fuel trim bank 1 (%)", "fuel_trim_short",
        "percent"), ("LTFT %", "fuel_trim_long", "percent"), ("TPS", "throttle", None),
        ("Throttle position (%)", "throttle", "percent"), ("TPS%", "throttle", "percent"),
        ("Papillon", "throttle", None), ("Accelerator pedal position", "pedal", None),
        ("EGT1 (°C)", "exhaust_temp", "degC"), ("Abgastemperatur", "exhaust_temp", None),
        ("IAT C", "intake_temp", "degC"), ("Charge air temp", "intake_temp", None),
        ("Zeit [s]", "time", "s"), ("Time (sec)", "time", "s"), ("Temps (ms)", "time", "ms"),
        ("Elapsed (s)", "time", "s"), ("Timestamp", "time", None),
        ("Barometric pressure (inHg)", "barometer", "inHg"), ("Vehicle speed, km/h",
        "vehicle_speed", "km/h"), ("Drehmoment (Nm)", "torque", "N.m"), ("Power (hp)", "power",
        "hp"), ("Oil press bar", "oil_pressure", "bar"), ("Vbat", "battery_volts", None),
        ("Engine load [%]", "load", "percent"), ("Air mass (mg/stroke)", "load", "mg/stroke"),
        ("Injector duty cycle (%)", "injector_duty", "percent"), ("Gear", "gear", None),
        ("Fuel rail pressure (MPa)", "rail_pressure", "MPa"), ("Knock level", "knock", None),
    ],
)  # fmt: skip
def test_headers_are_matched_with_their_unit(header, channel, unit):
    heading = read_heading(0, header)
    assert (channel_of(heading), heading.unit) == (channel, unit)


@pytest.mark.parametrize(
    "header",
    ["Roller rpm", "Turbo speed", "Lambda min", "Lambda correction", "Fuel temp", "Injection time",
     "RPM limit", "MAP error", "", "Notes", "Ambient temp", "Spark advance", "Throttle target"],
)  # fmt: skip
def test_headers_that_only_resemble_a_channel_are_left_alone(header):
    assert channel_of(read_heading(0, header)) is None


def test_the_unit_row_gives_the_unit():
    heading = read_heading(0, "Coolant", "[°F]")
    assert (channel_of(heading), heading.unit) == ("coolant_temp", "degF")


def test_an_unknown_unit_in_brackets_is_kept_for_the_message():
    heading = read_heading(0, "Coolant (degR)")
    assert (channel_of(heading), heading.unit, heading.unit_text) == ("coolant_temp", None, "degR")


def test_a_remark_in_brackets_is_no_unit():
    heading = read_heading(0, "MAP (manifold absolute pressure)")
    assert (channel_of(heading), heading.reference) == ("manifold_pressure", "absolute")
    assert heading.unit_text == ""


def test_plain_words_do_not_depend_on_case_accents_or_numbers():
    assert plain_words("KÜHLMITTEL-Temperatur 2") == plain_words("kuhlmittel temp")
    assert channels_called(()) == ()
