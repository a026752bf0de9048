"""Unit words, the spellings that loggers use for them, exact conversions, and fuels.

Exact factors come from the definitions that NIST SP 811 (2008), appendix B, builds on: the inch is
0.0254 m, the pound 0.45359237 kg, standard gravity 9.80665 m/s2. Nothing is rounded before use.

The mixture is not a plain factor: AFR = lambda x stoichiometric AFR of the fuel, and phi, the
fuel-air equivalence ratio, is 1/lambda.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

import numpy as np
import numpy.typing as npt

from tuneassist.errors import InputError

Floats = npt.NDArray[np.float64]
Quantity = Literal[
    "time",
    "engine speed",
    "pressure",
    "temperature",
    "mixture",
    "share",
    "voltage",
    "power",
    "torque",
    "road speed",
    "mass flow",
    "mass per stroke",
    "number",
]
Reference = Literal["absolute", "gauge"]

ATMOSPHERE_KPA = 101.325
"""Standard atmosphere, exact (NIST SP 811). [kPa]"""

_INCH_M = 0.0254  # exact
_FOOT_M = 0.3048  # exact
_POUND_KG = 0.45359237  # exact
_GRAVITY = 9.80665  # standard gravity, exact [m/s2]
_LBF_N = _POUND_KG * _GRAVITY  # 4.4482216152605 N
_MERCURY_KG_M3 = 13595.1  # conventional density of mercury, exact by convention


@dataclass(frozen=True)
class Unit:
    """A unit word and its conversion to the unit inside: ``inside = value * factor + offset``.

    Parameters
    ----------
    word
        The word of the setup file.
    quantity
        What it measures; only units of one quantity convert into each other.
    factor, offset
        Conversion to the quantity's unit inside; not used for the mixture.
    """

    word: str
    quantity: Quantity
    factor: float = 1.0
    offset: float = 0.0


INSIDE: Mapping[Quantity, str] = MappingProxyType(
    {
        "time": "s",
        "engine speed": "rpm",
        "pressure": "kPa",
        "temperature": "degC",
        "mixture": "lambda",
        "share": "percent",
        "voltage": "V",
        "power": "kW",
        "torque": "N.m",
        "road speed": "km/h",
        "mass flow": "g/s",
        "mass per stroke": "mg/stroke",
        "number": "1",
    }
)
"""The unit that each quantity has inside the program."""

_ALL = (
    Unit("s", "time"),
    Unit("ms", "time", 1e-3),
    Unit("min", "time", 60.0),
    Unit("rpm", "engine speed"),
    Unit("rad/s", "engine speed", 30.0 / math.pi),
    Unit("krpm", "engine speed", 1000.0),
    Unit("kPa", "pressure"),
    Unit("bar", "pressure", 100.0),
    Unit("psi", "pressure", _LBF_N / _INCH_M**2 / 1000.0),  # 6.894757293168 kPa
    Unit("inHg", "pressure", _MERCURY_KG_M3 * _GRAVITY * _INCH_M / 1000.0),  # 3.386389 kPa
    Unit("mbar", "pressure", 0.1),
    Unit("hPa", "pressure", 0.1),
    Unit("Pa", "pressure", 1e-3),
    Unit("MPa", "pressure", 1000.0),
    Unit("degC", "temperature"),
    Unit("degF", "temperature", 5.0 / 9.0, -160.0 / 9.0),
    Unit("K", "temperature", 1.0, -273.15),
    Unit("lambda", "mixture"),
    Unit("afr", "mixture"),
    Unit("phi", "mixture"),
    Unit("percent", "share"),
    Unit("ratio", "share", 100.0),
    Unit("V", "voltage"),
    Unit("mV", "voltage", 1e-3),
    Unit("kW", "power"),
    Unit("hp", "power", 550.0 * _FOOT_M * _LBF_N / 1000.0),  # 0.74569987158227 kW
    Unit("PS", "power", 75.0 * _GRAVITY / 1000.0),  # 0.73549875 kW
    Unit("N.m", "torque"),
    Unit("lbf.ft", "torque", _LBF_N * _FOOT_M),  # 1.3558179483314 N.m
    Unit("km/h", "road speed"),
    Unit("mph", "road speed", 1.609344),  # 0.44704 m/s
    Unit("m/s", "road speed", 3.6),
    Unit("g/s", "mass flow"),
    Unit("kg/h", "mass flow", 1.0 / 3.6),
    Unit("lb/min", "mass flow", _POUND_KG * 1000.0 / 60.0),
    Unit("mg/stroke", "mass per stroke"),
    Unit("1", "number"),
)
VACUUM = " vacuum"
"""End of a unit word that counts down from the barometer: 10 inHg vacuum is -10 inHg gauge."""
_DOWN = tuple(
    Unit(f"{unit.word}{VACUUM}", unit.quantity, -unit.factor)
    for unit in _ALL
    if unit.quantity == "pressure"
)
UNITS: Mapping[str, Unit] = MappingProxyType({unit.word: unit for unit in (*_ALL, *_DOWN)})
"""Unit word to `Unit`."""

_SPELLINGS: Mapping[str, str] = MappingProxyType(
    {
        "s": "s sec secs second seconds sek sekunden seg segundos secondes",
        "ms": "ms msec msecs millisecond milliseconds millisekunden",
        "min": "min mins minutes minuten",
        "rpm": "rpm 1/min /min min-1 min^-1 u/min upm r/min rev/min revs/min tr/min t/min r.p.m.",
        "rad/s": "rad/s rad/sec rad.s-1 rads-1",
        "krpm": "krpm rpmx1000 rpm*1000 x1000rpm 1000rpm rpm/1000",
        "kPa": "kpa kilopascal",
        "bar": "bar bars",
        "psi": "psi lb/in2 lbf/in2 lb/sqin",
        "inHg": "inhg in.hg inchhg",
        "mbar": "mbar millibar",
        "hPa": "hpa hectopascal",
        "Pa": "pa pascal",
        "MPa": "mpa megapascal",
        "degC": "degc °c c celsius centigrade deg.c degreesc gradc gradcelsius degcelsius °celsius",
        "degF": "degf °f f fahrenheit deg.f degreesf degfahrenheit °fahrenheit",
        "K": "k kelvin degk °k",
        "lambda": "lambda λ lam lambdas",
        "afr": "afr a/f a:f afr:1 air/fuel air-fuel kg/kg",
        "phi": "phi φ ϕ eqr",
        "percent": "percent % pct prozent %%",
        "ratio": "ratio fraction 0-1 0..1",
        "V": "v volt volts vdc",
        "mV": "mv millivolt millivolts",
        "kW": "kw kilowatt kilowatts",
        "hp": "hp bhp whp horsepower",
        "PS": "ps ch cv pk metrichp hp(m)",
        "N.m": "n.m nm n-m newtonmeter newtonmetre newtonmeters",
        "lbf.ft": "lbf.ft lbfft lb-ft lbft lb.ft ft-lb ftlb ft.lb ft-lbs ftlbs lb-fts lbs-ft lbsft "
        "ft.lbf ft-lbf lbf-ft ft.lbs lbs.ft",
        "km/h": "km/h kmh kph kmph km/hr",
        "mph": "mph mi/h miles/h",
        "m/s": "m/s m/sec",
        "g/s": "g/s g/sec gps",
        "kg/h": "kg/h kg/hr kgh",
        "lb/min": "lb/min lbs/min",
        "mg/stroke": "mg/stroke mg/str mg/hub mg/stk mg/cyl mg/cp mg/coup mg/st mg/zyl",
        "1": "1 - -- [-] count counts none # n/a no. step steps gear",
    }
)
_SPELT: Mapping[str, str] = MappingProxyType(
    {spelling: word for word, line in _SPELLINGS.items() for spelling in line.split()}
)
_REFERENCE = re.compile(
    r"^(?P<unit>.+?)[\s.]?(?:(?P<absolute>\(a\)|\(abs\)|absolute|abs|a)"
    r"|(?P<gauge>\(g\)|gauge|gage|gau|relative|rel|boost|g|u)"
    r"|(?P<vacuum>\(vac\)|vacuum|vac))$"
)


@dataclass(frozen=True)
class UnitReading:
    """Meaning of a spelling: the unit word, and for a pressure the reference if it is named.

    Parameters
    ----------
    word
        Unit word.
    reference
        "absolute", "gauge", or None where the spelling does not say.
    """

    word: str
    reference: Reference | None = None


def _plain(text: str) -> str:
    """Fold case, width, degree and minus signs, multiplication dots and blanks."""
    swapped = text.replace("º", "°").replace("˚", "°").replace("Â°", "°").replace("℃", "°C")
    folded = unicodedata.normalize("NFKC", swapped).casefold().replace("−", "-").replace("ü", "u")
    for dot in ("·", "⋅", "•", "∙"):
        folded = folded.replace(dot, ".")
    return "".join(folded.split())


def find_unit(text: str) -> UnitReading | None:
    """Read a unit as loggers spell it.

    Parameters
    ----------
    text
        The spelling, without brackets: ``"°C"``, ``"min-1"``, ``"psig"``.

    Returns
    -------
    UnitReading or None
        None when the spelling is not known.

    Examples
    --------
    >>> find_unit("1/min")
    UnitReading(word='rpm', reference=None)
    >>> find_unit("bar(g)")
    UnitReading(word='bar', reference='gauge')
    >>> find_unit("in.Hg vac")
    UnitReading(word='inHg vacuum', reference='gauge')
    >>> find_unit("furlong") is None
    True
    """
    spelling = _plain(text)
    if spelling in _SPELT:
        return UnitReading(_SPELT[spelling])
    parts = _REFERENCE.match(spelling)
    word = _SPELT.get(parts["unit"]) if parts else None
    if parts is None or word is None or UNITS[word].quantity != "pressure":
        return None
    if parts["vacuum"]:
        return UnitReading(f"{word}{VACUUM}", "gauge")
    return UnitReading(word, "absolute" if parts["absolute"] else "gauge")


def plain_unit(text: str) -> str:
    """Write a unit that names its reference as the program does; leave any other as it is.

    Examples
    --------
    >>> plain_unit("psig"), plain_unit("bar(a)"), plain_unit("mg/stroke")
    ('psi gauge', 'bar absolute', 'mg/stroke')
    """
    reading = find_unit(text)
    if reading is None or reading.reference is None:
        return text
    if reading.word.endswith(VACUUM):
        return reading.word
    return f"{reading.word} {reading.reference}"


def units_of(quantity: Quantity) -> tuple[str, ...]:
    """Return the unit words that measure a quantity, the one inside first; none of a vacuum."""
    words = [unit.word for unit in _ALL if unit.quantity == quantity]
    return tuple(words)


def unit_named(word: str) -> Unit:
    """Return the `Unit` of a word or of a known spelling.

    Raises
    ------
    InputError
        When the unit is not known; the message lists the words.
    """
    if word in UNITS:
        return UNITS[word]
    reading = find_unit(word)
    if reading is None:
        raise InputError(
            f"the unit {word!r} is not known.", mend=f"Known units: {', '.join(UNITS)}."
        )
    return UNITS[reading.word]


def convert(
    values: npt.ArrayLike, unit_from: str, unit_to: str, *, afr_stoich: float | None = None
) -> Floats:
    """Convert values from one unit to another of the same quantity.

    Parameters
    ----------
    values
        Numbers in ``unit_from``; nan stays nan.
    unit_from, unit_to
        Unit words or known spellings.
    afr_stoich
        Stoichiometric air-fuel ratio by mass; needed between ``afr`` and the other two mixture
        units. [kg/kg]

    Returns
    -------
    numpy.ndarray
        A new array in ``unit_to``. A mixture of zero has no reciprocal and becomes inf.

    Raises
    ------
    InputError
        When a unit is unknown, the quantities differ, or ``afr_stoich`` is missing.

    Examples
    --------
    >>> convert([32.0, 212.0], "degF", "degC").round(9).tolist()
    [0.0, 100.0]
    >>> float(convert(13.23, "afr", "lambda", afr_stoich=14.7).round(9))
    0.9
    """
    source, wanted = unit_named(unit_from), unit_named(unit_to)
    numbers = np.array(values, dtype=float)
    if source.quantity != wanted.quantity:
        raise InputError(
            f"{wanted.word} is needed, but {source.word} is given: a {source.quantity} cannot "
            f"become a {wanted.quantity}.",
            mend=f"Give one of {', '.join(units_of(wanted.quantity))}.",
        )
    if source.word == wanted.word:
        return numbers
    if source.quantity == "mixture":
        return _convert_mixture(numbers, source.word, wanted.word, afr_stoich)
    inside = numbers * source.factor + source.offset
    return np.asarray((inside - wanted.offset) / wanted.factor)


def _convert_mixture(
    values: Floats, unit_from: str, unit_to: str, afr_stoich: float | None
) -> Floats:
    if "afr" in (unit_from, unit_to) and not (afr_stoich and afr_stoich > 0):
        raise InputError(
            f"{unit_from} to {unit_to} needs the fuel's stoichiometric air-fuel ratio, "
            f"got {afr_stoich!r}.",
            mend="Give engine.fuel or engine.afr_stoich in the setup.",
        )
    stoich = afr_stoich or math.nan
    with np.errstate(divide="ignore"):
        mixture = {"lambda": lambda v: v, "afr": lambda v: v / stoich, "phi": lambda v: 1.0 / v}
        inverse = {"lambda": lambda v: v, "afr": lambda v: v * stoich, "phi": lambda v: 1.0 / v}
        return np.asarray(inverse[unit_to](mixture[unit_from](values)), dtype=float)


AIR_PER_OXYGEN = 138.24
"""Mass of air per amount of O2; reproduces Heywood (1988) eq. 3.6. Dry air with argon gives
138.256, O2 + 3.76 N2 gives 137.331: the choice moves an AFR by 0.66 %. [kg/kmol]"""


def stoichiometric_afr(hydrogen: float, oxygen: float = 0.0) -> float:
    """Stoichiometric air-fuel ratio by mass of a fuel CHyOz.

    Parameters
    ----------
    hydrogen, oxygen
        Atoms of hydrogen and of oxygen per atom of carbon. [1]

    Returns
    -------
    float
        ``A (1 + y/4 - z/2) / (12.011 + 1.008 y + 15.999 z)`` with A = 138.24. [kg/kg]

    References
    ----------
    J. B. Heywood, Internal Combustion Engine Fundamentals, 1988, eq. 3.6.

    Examples
    --------
    >>> round(stoichiometric_afr(3.0, 0.5), 3)  # ethanol
    9.002
    """
    air = AIR_PER_OXYGEN * (1.0 + hydrogen / 4.0 - oxygen / 2.0)
    return air / (12.011 + 1.008 * hydrogen + 15.999 * oxygen)


@dataclass(frozen=True)
class Fuel:
    """A fuel that the setup may name.

    Parameters
    ----------
    name
        The fuel in words.
    afr_stoich
        Stoichiometric air-fuel ratio by mass. [kg/kg]
    source
        Where the figure comes from.
    """

    name: str
    afr_stoich: float
    source: str


_CFR = "composition of 40 CFR 1065.655(d) table 1 in Heywood eq. 3.6"
FUELS: Mapping[str, Fuel] = MappingProxyType(
    {
        "petrol": Fuel(
            "petrol", 14.7, "US DOE AFDC, Fuel Property Comparison: 14.7; the scale of most gauges"
        ),
        "e10": Fuel("petrol with 10 % ethanol", 14.04, f"CH1.92O0.03, {_CFR}"),
        "e85": Fuel(
            "85 % ethanol", 9.90, f"CH2.73O0.38, {_CFR}; 9.80 by blending, pump fuel varies"
        ),
        "ethanol": Fuel("ethanol", 9.00, f"CH3O0.5, {_CFR}"),
        "methanol": Fuel("methanol", 6.47, f"CH4O, {_CFR}"),
        "diesel": Fuel("diesel", 14.5, f"No. 2 diesel CH1.80, {_CFR}: 14.499"),
        "lpg": Fuel("liquefied petroleum gas", 15.64, f"CH2.64, {_CFR}"),
        "cng": Fuel("compressed natural gas", 16.66, f"CH3.78O0.016, {_CFR}: 16.655"),
    }
)
"""Fuel word to `Fuel`; ``engine.afr_stoich`` of a setup overrides the figure."""
