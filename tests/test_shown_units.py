"""Numbers are shown in the reader's units: one choice for sentences, screens, pages, figures."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from tuneassist.errors import SetupError
from tuneassist.files.setup_file import read_setup
from tuneassist.own_units import OutputUnits, as_chosen, choose_units, mixture, reading, units_for
from tuneassist.settings import UNIT_SYSTEMS, UnitSettings

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
