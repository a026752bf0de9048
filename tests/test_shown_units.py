"""Numbers are shown in the reader's units: one choice for sentences, screens, pages, figures."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from tuneassist.errors import SetupError
from tuneassist.files.setup_file import read_setup
from tuneassist.own_units import OutputUnits, as_chosen, choose_units, mixture, reading, units_for
from tuneassist.settings import UNIT_SYSTEMS, UnitSettings
from tuneassist.unit_sentences import restated_as_logged, restated_as_made

SAMPLES = Path(__file__).parents[1] / "sample_logs"


def setup_with(tmp_path: Path, lines: str) -> Path:
    text = (SAMPLES / "petrol-setup.toml").read_text(encoding="utf-8")
    for target in SAMPLES.glob("*target*.csv"):
        (tmp_path / target.name).write_bytes(target.read_bytes())
    path = tmp_path / "car.toml"
    path.write_text(f"{text}\n{lines}\n", encoding="utf-8")
    return path


def test_units_of_the_setup_are_those_of_every_sentence(tmp_path: Path) -> None:
    units = '[units]\npressure = "psig"\ntemperature = "degF"\nmixture = "AFR"\ntorque = "lb-ft"'
    car = read_setup(setup_with(tmp_path, units))
    assert reading(900.0, "exhaust_temp", car) == "1652 degF"
    assert mixture(1.0, car) == f"{car.engine.afr_stoich:.2f} AFR"
    shown = units_for(car)
    assert (shown.torque, shown.power) == ("lbf.ft", "hp")
    # 101.325 kPa absolute is 0 psi gauge where the setup's barometer is the standard atmosphere
    assert shown.said(101.325, "kPa absolute") == "0 psi gauge"


@pytest.mark.parametrize("key", ["pressure", "temperature", "speed", "torque", "power", "mixture"])
def test_wrong_unit_names_its_key_and_what_fits(tmp_path: Path, key: str) -> None:
    wrong = "phi" if key == "mixture" else "rpm"
    with pytest.raises(SetupError, match=rf'key units\.{key}: "{wrong}" cannot .* one of'):
        read_setup(setup_with(tmp_path, f'[units]\n{key} = "{wrong}"'))


def test_option_goes_before_the_setup_and_leaves_the_mixture(tmp_path: Path) -> None:
    car = read_setup(setup_with(tmp_path, '[units]\npressure = "bar"\nmixture = "afr"'))
    choose_units("imperial")
    try:
        seen = as_chosen(car)
    finally:
        choose_units(None)
    assert seen.units == replace(UNIT_SYSTEMS["imperial"], mixture="afr")
    assert as_chosen(car) is car


def test_setup_goes_before_the_logs_and_logs_before_the_inside_unit() -> None:
    logged = {"boost": "psi", "coolant_temp": "degF", "power": "PS", "vehicle_speed": "mph"}
    assert units_for(None, logged) == OutputUnits("N.m", "PS", "psi", "degF", None, "mph")
    only_bar = UnitSettings(pressure="bar")
    assert units_for(None, logged, system=only_bar).pressure == "bar"
    assert units_for(None, {"boost": "V"}) == OutputUnits()  # a sensor's volts are no pressure


def test_difference_of_readings_is_no_reading() -> None:
    units = OutputUnits(pressure="psi gauge", temperature="degF")
    assert units.said_change(50.0, "degC") == "90 degF"
    assert units.said_change(6.894757, "kPa absolute") == "1 psi"


def with_lines(tmp_path: Path, section: str, lines: str) -> Path:
    path = setup_with(tmp_path, "")
    text = path.read_text(encoding="utf-8")
    if f"\n[{section}]\n" not in text:
        text += f"\n[{section}]\n"
    path.write_text(text.replace(f"\n[{section}]\n", f"\n[{section}]\n{lines}\n"), encoding="utf-8")
    return path


GIVEN = (
    """
min_coolant_c = { value = 158, unit = "degF" }
sensor_richest_lambda = { value = 10.29, unit = "afr" }
""",
    """
barometer_kpa = { value = 29.92, unit = "inHg" }
boost_above_kpa = { value = 1, unit = "psi gauge" }
knock_above_kpa = { value = 7, unit = "psi" }
richest_lambda = { value = 10.29, unit = "AFR" }
""",
)


def test_settings_and_limits_may_be_given_with_a_unit(tmp_path: Path) -> None:
    # NIST SP 811 (2008) B.8: 1 psi = 6.894757 kPa, 1 inHg (conventional) = 3.386389 kPa
    path = with_lines(tmp_path, "limits", GIVEN[1])
    path.write_text(path.read_text("utf-8") + f"\n[steady]\n{GIVEN[0]}", encoding="utf-8")
    car = read_setup(path)
    assert car.steady.min_coolant_c == pytest.approx(70.0)
    assert car.steady.sensor_richest_lambda == pytest.approx(0.7)
    assert car.limits.richest_lambda == pytest.approx(0.7)
    assert car.limits.barometer_kpa == pytest.approx(29.92 * 3.386389)
    assert car.limits.boost_above_kpa == pytest.approx(29.92 * 3.386389 + 6.894757)
    assert car.limits.knock_above_kpa == pytest.approx(7 * 6.894757)
    assert "limits.barometer_kpa" in car.given


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('knock_above_kpa = { value = 7, unit = "degF" }', 'unit: "degF" is no unit of pressure'),
        ("knock_above_kpa = { value = 7 }", "knock_above_kpa.unit: this key is missing"),
        ('barometer_kpa = { value = 0, unit = "psi gauge" }', "barometer counts from vacuum"),
        ('knock_above_kpa = { value = "7", unit = "psi" }', "Write a number"),
        ('max_step_pct = { value = 7, unit = "psi" }', "max_step_pct: .* has the wrong type"),
    ],
)
def test_wrong_number_with_a_unit_says_what_is_right(tmp_path: Path, line: str, words: str) -> None:
    with pytest.raises(SetupError, match=words):
        read_setup(with_lines(tmp_path, "limits", line))


CEILINGS = {  # given, and inside by NIST SP 811 (2008) B.8
    "boost": ("20", "psi gauge", 137.89514),
    "exhaust_temp": ("1652", "degF", 900.0),
    "torque": ("300", "lbf.ft", 300 * 1.3558179),
    "rail_pressure": ("2000", "psi", 2000 * 6.894757),
    "injector_duty": ("0.9", "ratio", 90.0),
}


@pytest.mark.parametrize("name", CEILINGS)
def test_every_ceiling_takes_its_unit(tmp_path: Path, name: str) -> None:
    value, unit, inside = CEILINGS[name]
    line = f'[limits.ceilings]\n{name} = {{ ceiling = {value}, hard = 1e5, unit = "{unit}" }}'
    line = line.replace("1e5", f"{float(value) * 1.1}")
    car = read_setup(setup_with(tmp_path, line))
    assert car.limits.ceilings[name].ceiling == pytest.approx(inside)
    if unit != "ratio":
        assert reading(inside, name, car) == f"{value} {unit}"


def test_a_vacuum_counts_down_in_a_log_and_is_refused_elsewhere(tmp_path: Path) -> None:
    entry = 'boost = { ceiling = 20, unit = "inHg vacuum" }'
    with pytest.raises(SetupError, match=r'counts down .* "inHg gauge"'):
        read_setup(setup_with(tmp_path, f"[limits.ceilings]\n{entry}"))
    with pytest.raises(SetupError, match=r"units\.pressure"):
        read_setup(setup_with(tmp_path, '[units]\npressure = "inHg vac"'))
    assert units_for(None, {"boost": "inHg vacuum"}).pressure == "inHg"


def test_a_reference_in_the_units_moves_a_range_by_the_barometer(tmp_path: Path) -> None:
    # 1 atm = 101.325 kPa and 14.69595 psi (NIST SP 811 (2008) B.8)
    car = read_setup(setup_with(tmp_path, '[units]\npressure = "psi gauge"'))
    assert reading(0.0, "boost", car) == "0 psi gauge"
    car = replace(car, units=UnitSettings(pressure="psi absolute"))
    assert reading(0.0, "boost", car) == "14.7 psi absolute"


def test_a_note_on_a_log_is_in_the_logs_units_where_the_setup_says_nothing() -> None:
    car = replace(read_setup(SAMPLES / "petrol-setup.toml"), given=frozenset())
    note = "coolant runs from 20 to 60 degC in the log, load from 30 to 250 kPa"
    logged = {"coolant_temp": "degF", "manifold_pressure": "psi"}
    as_logged = "coolant runs from 68 to 140 degF in the log, load from 30 to 250 kPa"
    assert restated_as_logged(note, car, logged) == as_logged
    metric = replace(car, units=UNIT_SYSTEMS["metric"])
    assert restated_as_logged(note, metric, logged) == note


def test_words_of_a_round_shown_in_other_units_are_told_in_the_setups_own() -> None:
    """139.1 kPa is 20.17 psi; the place of the table stays as its axis is."""
    car = read_setup(SAMPLES / "van-setup.toml")
    once = "boost 20.17 psi gauge at 2900 rpm and 55 mg/stroke, ceiling 18 psi gauge"
    told = restated_as_made(once, car)
    assert "boost 139.1 kPa gauge at 2900 rpm and 55 mg/stroke, ceiling 124.1 kPa gauge" in told
    assert restated_as_made(told, car) == told
