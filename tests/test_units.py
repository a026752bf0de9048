"""Conversions against exact definitions, fuels against published compositions."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tuneassist.errors import InputError
from tuneassist.units import (
    FUELS,
    INSIDE,
    UNITS,
    UnitReading,
    convert,
    find_unit,
    stoichiometric_afr,
    unit_named,
    units_of,
)


# NIST SP 811 (2008) appendix B and the exact definitions of inch, pound and standard gravity, as
# collected in the project's references, section 10.1.
@pytest.mark.parametrize(
    ("value", "unit", "wanted", "published", "rel"),
    [
        (1.0, "psi", "Pa", 6894.757293168, 1e-12),
        (1.0, "lbf.ft", "N.m", 1.3558179483314, 1e-12),
        (1.0, "hp", "kW", 0.74569987158227, 1e-12),
        (1.0, "PS", "kW", 0.73549875, 1e-12),
        (1.0, "mph", "m/s", 0.44704, 1e-12),
        (1.0, "inHg", "Pa", 3386.389, 2e-7),  # published to seven digits
        (1.0, "bar", "kPa", 100.0, 0),
        (1013.25, "hPa", "kPa", 101.325, 1e-12),
        (1013.25, "mbar", "Pa", 101325.0, 1e-12),
        (0.101325, "MPa", "kPa", 101.325, 1e-12),
        (100.0, "km/h", "m/s", 100 / 3.6, 1e-12),
        (3.6, "kg/h", "g/s", 1.0, 1e-12),
        (1.0, "lb/min", "g/s", 453.59237 / 60, 1e-12),
        (2 * math.pi, "rad/s", "rpm", 60.0, 1e-12),  # one turn a second
        (212.0, "degF", "degC", 100.0, 1e-12),
        (-40.0, "degF", "degC", -40.0, 1e-12),
        (0.0, "K", "degC", -273.15, 1e-12),
        (0.5, "ratio", "percent", 50.0, 1e-12),
        (250.0, "ms", "s", 0.25, 1e-12),
        (800.0, "mV", "V", 0.8, 1e-12),
    ],
)
def test_factors_equal_the_published_ones(value, unit, wanted, published, rel):
    assert convert(value, unit, wanted) == pytest.approx(published, rel=rel, abs=1e-12)


# References, section 10.2: power from torque and speed, computed there from the definitions.
@pytest.mark.parametrize(
    ("torque_nm", "rpm", "kilowatt", "horse", "metric_horse"),
    [(200, 3000, 62.8319, 84.2589, 85.4275), (350, 5500, 201.5855, 270.3306, None)],
)
def test_torque_and_speed_make_the_published_power(torque_nm, rpm, kilowatt, horse, metric_horse):
    watt = torque_nm * float(convert(rpm, "rpm", "rad/s"))
    assert watt / 1000 == pytest.approx(kilowatt, abs=5e-5)
    assert float(convert(watt / 1000, "kW", "hp")) == pytest.approx(horse, abs=5e-5)
    if metric_horse:
        assert float(convert(watt / 1000, "kW", "PS")) == pytest.approx(metric_horse, abs=5e-5)


def test_pound_feet_at_speed_make_the_published_power():
    # References, section 10.2: 250 lbf.ft at 4000 rpm is 190.3996 hp (250 x 4000 / 5252.11312).
    watt = float(convert(250, "lbf.ft", "N.m")) * float(convert(4000, "rpm", "rad/s"))
    assert float(convert(watt / 1000, "kW", "hp")) == pytest.approx(190.3996, abs=5e-5)


def test_mixture_by_hand():
    # 13.2 / 14.7 = 0.89796; its reciprocal is 1.11364.
    assert convert(13.2, "afr", "lambda", afr_stoich=14.7) == pytest.approx(0.897959, abs=1e-6)
    assert convert(13.2, "afr", "phi", afr_stoich=14.7) == pytest.approx(1.113636, abs=1e-6)
    assert convert(0.8, "phi", "lambda") == pytest.approx(1.25)
    assert convert(0.9, "lambda", "afr", afr_stoich=9.0) == pytest.approx(8.1)


def test_a_mixture_of_zero_has_no_reciprocal_and_warns_of_nothing():
    assert np.isinf(convert([0.0], "phi", "lambda")).all()


PAIRS = [(a, b) for quantity in INSIDE for a in units_of(quantity) for b in units_of(quantity)]


@given(
    pair=st.sampled_from(PAIRS),
    values=st.lists(st.floats(0.01, 1e5), min_size=1, max_size=5),
    stoich=st.floats(5, 20),
)
def test_there_and_back_is_the_identity(pair, values, stoich):
    there = convert(values, *pair, afr_stoich=stoich)
    back = convert(there, *pair[::-1], afr_stoich=stoich)
    np.testing.assert_allclose(back, values, rtol=1e-9, atol=1e-9)


def test_convert_leaves_its_argument_alone_and_keeps_nan():
    values = np.array([1.0, np.nan])
    result = convert(values, "bar", "bar")
    result[0] = 9.0
    assert values[0] == 1.0
    assert np.isnan(result[1])


def test_every_quantity_has_its_inside_unit_with_factor_one():
    for quantity, word in INSIDE.items():
        assert UNITS[word].quantity == quantity
        assert (UNITS[word].factor, UNITS[word].offset) == (1.0, 0.0)


CONTRACT_WORDS = (
    "s, ms, rpm, rad/s, kPa, bar, psi, inHg, mbar, hPa, Pa, degC, degF, K, lambda, afr, phi, "
    "percent, ratio, V, kW, hp, PS, N.m, lbf.ft, km/h, mph, g/s, kg/h, mg/stroke"
)


@pytest.mark.parametrize("word", CONTRACT_WORDS.split(", "))
def test_every_word_of_the_contract_is_known_and_spells_itself(word):
    assert UNITS[word].word == word
    assert find_unit(word) == UnitReading(word)


@pytest.mark.parametrize(
    ("spelling", "word", "reference"),
    [
        ("°C", "degC", None), ("ºC", "degC", None), ("Â°C", "degC", None), ("C", "degC", None),
        ("deg C", "degC", None), ("Celsius", "degC", None), ("F", "degF", None),
        ("°F", "degF", None), ("%", "percent", None), ("1/min", "rpm", None),
        ("min-1", "rpm", None), ("min⁻¹", "rpm", None), ("U/min", "rpm", None),
        ("tr/min", "rpm", None), ("RPM", "rpm", None), ("Nm", "N.m", None), ("N·m", "N.m", None),
        ("ft-lb", "lbf.ft", None), ("lb-ft", "lbf.ft", None), ("ft·lbf", "lbf.ft", None),
        ("kph", "km/h", None), ("volts", "V", None), ("sec", "s", None), ("msec", "ms", None),
        ("AFR", "afr", None), ("λ", "lambda", None), ("KPA", "kPa", None),
        ("in Hg", "inHg", None), ("psig", "psi", "gauge"), ("psia", "psi", "absolute"),
        ("bar(g)", "bar", "gauge"), ("bar abs", "bar", "absolute"), ("kPa gauge", "kPa", "gauge"),
        ("mg/Hub", "mg/stroke", None), ("rad/sec", "rad/s", None), ("bhp", "hp", None),
    ],
)  # fmt: skip
def test_spellings_of_headers(spelling, word, reference):
    assert find_unit(spelling) == UnitReading(word, reference)


@pytest.mark.parametrize("spelling", ["", "furlong", "degC vac", "degR", "Vg", "degC abs"])
def test_unknown_spellings_are_not_guessed(spelling):
    assert find_unit(spelling) is None


def test_an_unknown_unit_names_itself_and_the_known_ones():
    with pytest.raises(InputError, match=r"'furlong' is not known.*kPa"):
        unit_named("furlong")


def test_a_wrong_quantity_names_needed_got_and_the_mend():
    with pytest.raises(InputError, match=r"kPa is needed, but degC is given.*Give one of kPa, bar"):
        convert(1.0, "degC", "kPa")


def test_afr_without_a_fuel_is_refused():
    with pytest.raises(InputError, match=r"stoichiometric air-fuel ratio.*engine\.afr_stoich"):
        convert(14.7, "afr", "lambda")


# J. B. Heywood, Internal Combustion Engine Fundamentals (1988), table D.4, as recalled in the
# references, section 1; hydrogen and oxygen atoms per carbon atom.
@pytest.mark.parametrize(
    ("hydrogen", "oxygen", "published"),
    [(18 / 8, 0, 15.13), (3, 0.5, 9.00), (4, 1, 6.47), (8 / 3, 0, 15.67), (4, 0, 17.23),
     (8 / 7, 0, 13.50), (1, 0, 13.27), (1.87, 0, 14.6), (1.8, 0, 14.5)],
)  # fmt: skip
def test_stoichiometric_ratio_equals_the_handbook(hydrogen, oxygen, published):
    assert stoichiometric_afr(hydrogen, oxygen) == pytest.approx(published, abs=0.006)


# Compositions of 40 CFR 1065.655(d) table 1 (2015 edition). AFDC, Fuel Property Comparison, gives
# petrol 14.7 and ethanol 9. Tolerance 1 %: petrol's composition gives 14.57.
@pytest.mark.parametrize(
    ("fuel", "hydrogen", "oxygen"),
    [("petrol", 1.85, 0), ("e10", 1.92, 0.03), ("e85", 2.73, 0.38), ("diesel", 1.80, 0),
     ("lpg", 2.64, 0), ("cng", 3.78, 0.016), ("ethanol", 3, 0.5), ("methanol", 4, 1)],
)  # fmt: skip
def test_fuels_agree_with_the_regulatory_composition(fuel, hydrogen, oxygen):
    assert FUELS[fuel].afr_stoich == pytest.approx(
        stoichiometric_afr(hydrogen, oxygen), rel=0.01 if fuel == "petrol" else 6e-4
    )


def test_fuels_are_the_contracts_and_name_their_source():
    assert set(FUELS) == {
        "petrol", "e10", "e85", "ethanol", "methanol", "diesel", "lpg", "cng"
    }  # fmt: skip
    assert FUELS["petrol"].afr_stoich == 14.7
    assert FUELS["diesel"].afr_stoich == 14.5
    assert all(fuel.source for fuel in FUELS.values())
