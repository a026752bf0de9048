"""Numbers in the reader's units: which unit each quantity is shown in, and how it is written.

The unit comes from ``--units``, else from ``[units]`` of the setup, else from the setup's own
numbers (target, ceilings, load axis), else from the logs, else it is the one inside. Files and JSON
keep their fixed units and the load axis its own; only sentences, screens, pages and figures follow.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextvars import ContextVar
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from tuneassist.settings import (
    CEILING_CHANNELS,
    UNIT_QUANTITIES,
    UNIT_SYSTEMS,
    EngineSettings,
    Setup,
    UnitSettings,
)
from tuneassist.units import ATMOSPHERE_KPA, UNITS, VACUUM, Floats, convert, find_unit

MOST_DECIMALS: Mapping[str, int] = {
    "kPa": 1, "psi": 2, "bar": 3, "mbar": 0, "hPa": 0, "inHg": 2, "degC": 1, "degF": 1, "K": 1,
    "N.m": 1, "lbf.ft": 1, "kW": 1, "hp": 1, "PS": 1, "km/h": 1, "mph": 1,
}  # fmt: skip
"""Most decimals of each unit: finer than any sensor of an engine or dyno resolves. [1]"""
_REFERENCES = {"gauge": "gauge", "absolute": "absolute", "abs": "absolute"}


def with_unit(value: float, unit: str) -> str:
    """Write a number with its unit once, rounded.

    Parameters
    ----------
    value
        In the unit.
    unit
        Unit word; "lambda" goes before its number, and "as logged" is left out.

    Examples
    --------
    >>> with_unit(0.8604, "lambda"), with_unit(12.648, "AFR"), with_unit(676.666, "degC")
    ('lambda 0.860', '12.65 AFR', '676.7 degC')
    """
    if unit == "lambda":
        return f"lambda {value:.3f}"
    if unit == "AFR":
        return f"{value:.2f} AFR"
    digits = digits_of(value, unit)
    return digits if unit == "as logged" else f"{digits} {unit}"


def digits_of(value: float, unit: str = "") -> str:
    """Write a number in four digits, large ones in full, with no more decimals than its unit has.

    Examples
    --------
    >>> digits_of(1250.06, "degF"), digits_of(7.25189, "psi absolute"), digits_of(0.34473, "bar")
    ('1250', '7.25', '0.345')
    """
    if unit == "lambda":
        return f"{value:.3f}"
    if unit == "AFR":
        return f"{value:.2f}"
    rounded = float(f"{value:.4g}")
    decimals = MOST_DECIMALS.get(unit.split(" ", maxsplit=1)[0])
    return f"{rounded if decimals is None else round(rounded, decimals):z.10g}"


@dataclass(frozen=True)
class OutputUnits:
    """Units in which every quantity is shown; `units_for` chooses them.

    Parameters
    ----------
    torque, power, temperature, speed
        Unit words; speed is road speed.
    pressure
        Unit word, which may name a reference: "psi gauge" shows every pressure that has a
        reference above the barometer.
    afr_stoich
        The mixture is shown as AFR, with this for lambda 1; None shows lambda. [kg/kg]
    barometer_kpa
        Between a gauge and an absolute pressure. [kPa absolute]
    """

    torque: str = "N.m"
    power: str = "kW"
    pressure: str = "kPa"
    temperature: str = "degC"
    afr_stoich: float | None = None
    speed: str = "km/h"
    barometer_kpa: float = ATMOSPHERE_KPA

    def word(self, inside: str) -> str:
        """Return the unit shown for a unit inside, with its reference; others are unchanged.

        Examples
        --------
        >>> units = OutputUnits(pressure="psi", temperature="degF")
        >>> units.word("kPa gauge"), units.word("kPa"), units.word("degC"), units.word("%")
        ('psi gauge', 'psi', 'degF', '%')
        >>> OutputUnits(pressure="inHg gauge").word("kPa absolute")
        'inHg gauge'
        """
        unit, _, reference = inside.partition(" ")
        if unit == "kPa":
            chosen, _, wanted = self.pressure.partition(" ")
            return f"{chosen} {(wanted or reference) if reference else ''}".strip()
        if inside == "lambda":
            return "lambda" if self.afr_stoich is None else "AFR"
        known = {"N.m": self.torque, "kW": self.power, "degC": self.temperature, "km/h": self.speed}
        return known.get(inside, inside)

    def values(self, values: npt.ArrayLike, inside: str) -> Floats:
        """Convert values from a unit inside to that of `word`; other units are unchanged.

        Examples
        --------
        >>> OutputUnits(temperature="degF").values([100.0], "degC").round(9).tolist()
        [212.0]
        """
        unit, numbers = self.word(inside), np.asarray(values, dtype=float)
        if unit == inside:
            return numbers
        if inside == "lambda":
            return convert(numbers, "lambda", "afr", afr_stoich=self.afr_stoich)
        (old, _, was), (new, _, now) = inside.partition(" "), unit.partition(" ")
        if was and _REFERENCES.get(was) != _REFERENCES.get(now):
            to_gauge = _REFERENCES.get(now) == "gauge"
            numbers = numbers + (-self.barometer_kpa if to_gauge else self.barometer_kpa)
        return convert(numbers, old, new)

    def shown(self, value: float, inside: str) -> float:
        """Convert one value to the unit of `word`."""
        return float(self.values(value, inside))

    def said(self, value: float, inside: str) -> str:
        """Write a value with its unit.

        Examples
        --------
        >>> OutputUnits(pressure="psi").said(50.0, "kPa absolute")
        '7.25 psi absolute'
        """
        return with_unit(self.shown(value, inside), self.word(inside))

    def span(self, low: float, high: float, inside: str) -> str:
        """Write a range with its unit once.

        Examples
        --------
        >>> OutputUnits(temperature="degF").span(20.0, 60.0, "degC")
        '68 to 140 degF'
        >>> OutputUnits().span(0.8, 0.9, "lambda")
        'lambda 0.800 to 0.900'
        """
        unit = self.word(inside)
        first, last = (digits_of(self.shown(end, inside), unit) for end in (low, high))
        return f"lambda {first} to {last}" if unit == "lambda" else f"{first} to {last} {unit}"

    def change(self, value: float, inside: str) -> float:
        """Convert a difference: a degree more is no reading, and a reference falls out."""
        if inside == "lambda":
            return value * (self.afr_stoich or 1.0)
        unit = self.word(inside).split(" ")[0]
        old = UNITS.get(inside.split(" ", maxsplit=1)[0])
        return value if old is None else value * old.factor / UNITS[unit].factor

    def said_change(self, value: float, inside: str) -> str:
        """Write a difference with its unit.

        Examples
        --------
        >>> OutputUnits(temperature="degF").said_change(50.0, "degC")
        '90 degF'
        """
        return with_unit(self.change(value, inside), self.word(inside).split(" ")[0])

    def unit_of(self, channel: str, inside: str) -> str:
        """Return the unit in which a limited channel is shown, with its reference.

        Examples
        --------
        >>> units = OutputUnits(pressure="psi", temperature="degF")
        >>> units.unit_of("boost", "kPa gauge"), units.unit_of("rail_pressure", "kPa")
        ('psi gauge', 'psi')
        >>> units.unit_of("exhaust_temp", "degC"), units.unit_of("lambda", "lambda")
        ('degF', 'lambda')
        """
        return self.word(inside)

    def converted(self, values: npt.ArrayLike, channel: str, inside: str) -> Floats:
        """Convert values of a limited channel to the unit of `unit_of`."""
        return self.values(values, inside)

    def reading(self, value: float, channel: str, inside: str) -> str:
        """Format a reading of a limited channel with its unit.

        Examples
        --------
        >>> OutputUnits(afr_stoich=14.7).reading(0.86, "lambda", "lambda")
        '12.64 AFR'
        """
        return self.said(value, inside)

    def changes(self) -> Mapping[str, tuple[str, float]]:
        """Return, for a difference in "kPa" and "degC", the unit shown and its size."""
        words = {inside: self.word(inside) for inside in ("kPa", "degC")}
        return {inside: (unit, UNITS[unit].factor) for inside, unit in words.items()}


_chosen: ContextVar[UnitSettings] = ContextVar("chosen_units", default=UnitSettings())  # noqa: B039 - frozen


def choose_units(system: str | None) -> None:
    """Show everything from here on in a system of units, whatever the setups say.

    The command line calls this for ``--units``; in Python give the setup `UnitSettings`.

    Parameters
    ----------
    system
        One of `UNIT_SYSTEMS`; None goes back to the units of the setups.
    """
    _chosen.set(UnitSettings() if system is None else UNIT_SYSTEMS[system])


def as_chosen(setup: Setup) -> Setup:
    """Return the setup with the units of `choose_units` before its own."""
    units = _chosen.get().over(setup.units)
    return setup if units == setup.units else replace(setup, units=units)


def units_for(
    setup: Setup | None,
    logged: Mapping[str, str] | None = None,
    *,
    system: UnitSettings | None = None,
) -> OutputUnits:
    """Return the units to show.

    Parameters
    ----------
    setup
        Its ``[units]``, target, ceilings and load axis; None without one.
    logged
        Channel to the unit in which logs have it; counts where the setup leaves a unit open.
    system
        Goes before both, such as one of `UNIT_SYSTEMS`; None takes what `choose_units` was told.
    """
    logged = logged or {}
    own = (_chosen.get() if system is None else system).over(
        setup.units if setup else UnitSettings()
    )
    power = (
        own.power or logged.get("power") or _POWER_OF.get(own.torque or logged.get("torque", ""))
    )
    beside = {**logged, "power": power} if power else logged
    torque = own.torque or _ceiling_unit("torque", setup) or torque_unit(beside)
    return OutputUnits(
        torque=torque,
        power=power or "kW",
        pressure=own.pressure or _pressure_unit(setup, logged),
        temperature=own.temperature or temperature_unit(logged, setup),
        afr_stoich=_afr_stoich(own.mixture, logged.get("lambda"), setup),
        speed=own.speed or _logged_as("road speed", logged.get("vehicle_speed")) or "km/h",
        barometer_kpa=setup.limits.barometer_kpa if setup else ATMOSPHERE_KPA,
    )


_POWER_OF = {"lbf.ft": "hp"}
_PRESSURES = ("boost", "manifold_pressure")


def _pressure_unit(setup: Setup | None, logged: Mapping[str, str]) -> str:
    """Return the unit of the boost ceiling, else of the axis, else of the logs."""
    words = [_ceiling_unit("boost", setup)]
    if setup is not None and "axes.load_unit" in setup.given:
        words.append(setup.axes.load_unit)
    words += [logged.get(name) for name in _PRESSURES]
    found = (_logged_as("pressure", word) for word in words)
    return next((word for word in found if word), "kPa")


def _logged_as(quantity: str, word: str | None) -> str:
    """Return the unit word where it is one of the quantity, such as no sensor's volts."""
    reading = find_unit(word) if word else None
    is_fit = reading is not None and UNITS[reading.word].quantity == quantity
    return reading.word.removesuffix(VACUUM) if reading is not None and is_fit else ""


def _afr_stoich(word: str | None, logged: str | None, setup: Setup | None) -> float | None:
    """Return the stoichiometric AFR if the mixture is shown as AFR; None for lambda."""
    word = word or (logged if setup is None else setup.target.unit)
    if word != "afr":
        return None
    return (setup.engine if setup is not None else EngineSettings()).afr_stoich


def mixture_unit(setup: Setup | None) -> str:
    """Return the unit of mixtures: that of ``[units]``, else of the target: "lambda" or "AFR"."""
    word = None if setup is None else setup.units.mixture or setup.target.unit
    return "AFR" if word == "afr" else "lambda"


def mixture(value: float, setup: Setup | None) -> str:
    """Write a lambda in the unit of `mixture_unit`, with the unit once.

    Parameters
    ----------
    value
        The lambda. [lambda]
    setup
        Unit of the target, and the fuel's stoichiometric AFR.
    """
    if setup is not None and mixture_unit(setup) == "AFR":
        return with_unit(value * setup.engine.afr_stoich, "AFR")
    return with_unit(value, "lambda")


def reading(value: float, name: str, setup: Setup) -> str:
    """Write a reading of a channel in the unit of ``[units]``, else of its ceiling.

    Parameters
    ----------
    value
        In the unit inside. [unit of `CEILING_CHANNELS`]
    name
        The channel.
    setup
        The ceilings, with the unit in which each was given.
    """
    return f"{number(value, name, setup)} {unit_word(name, setup)}"


def number(value: float, name: str, setup: Setup) -> str:
    """Write the number of `reading` alone."""
    inside, units = CEILING_CHANNELS[name][1], _units_of_channel(name, setup)
    return digits_of(units.shown(value, inside), units.word(inside))


def unit_word(name: str, setup: Setup) -> str:
    """Return the unit word of a ceiling, with its reference."""
    return _units_of_channel(name, setup).word(CEILING_CHANNELS[name][1])


def _units_of_channel(name: str, setup: Setup) -> OutputUnits:
    """Return the units of ``[units]``, else of the channel's own ceiling, else those inside."""
    return units_before(setup, _ceiling_unit(name, setup))


def units_before(setup: Setup | None, given: str | None) -> OutputUnits:
    """Return the units of ``--units`` and ``[units]``, else one that was given, else those inside.

    Parameters
    ----------
    setup
        Its ``[units]``; None without one.
    given
        Unit word in which a ceiling or a logged channel was given.
    """
    own = _chosen.get().over(setup.units if setup else UnitSettings())
    given = (given or "").removesuffix(VACUUM)
    quantity = UNITS[given].quantity if given in UNITS else None
    for key, of in UNIT_QUANTITIES.items():
        if of == quantity and key != "mixture":
            own = own.over(UnitSettings(**{key: given}))
    words = {key: unit for key, unit in vars(own).items() if unit and key != "mixture"}
    barometer_kpa = setup.limits.barometer_kpa if setup else ATMOSPHERE_KPA
    return OutputUnits(**words, barometer_kpa=barometer_kpa)


def _ceiling_unit(name: str, setup: Setup | None) -> str | None:
    """Return the unit of a channel's ceiling as the setup gave it, else of the channel it names.

    A temperature is one of `TEMPERATURES`: a gauge in degF has the others in degF. None where the
    setup says nothing.
    """
    ceiling = setup.limits.ceilings.get(name) if setup is not None else None
    if setup is None or ceiling is None:
        return None
    if ceiling.given_unit is not None:
        return ceiling.given_unit
    alike = (name, *TEMPERATURES) if name in TEMPERATURES else (name,)
    sources = (setup.channels.get(one) for one in alike)
    units = (source.transfer_unit or source.unit for source in sources if source is not None)
    inside = CEILING_CHANNELS[name][1].partition(" ")[0]
    quantity = UNITS[inside].quantity if inside in UNITS else ""
    return next((word for unit in units if (word := _logged_as(quantity, unit))), None)


TORQUE_OF = {"hp": "lbf.ft"}
"""Unit of torque that goes with a unit of power."""
TEMPERATURES = ("exhaust_temp", "coolant_temp", "intake_temp", "oil_temp")
"""Channels that decide the unit of temperatures, the most important first."""


def torque_unit(logged: Mapping[str, str]) -> str:
    """Return the unit of torque to show for logs with these units, by channel.

    Examples
    --------
    >>> torque_unit({"torque": "lbf.ft"}), torque_unit({"power": "hp"}), torque_unit({})
    ('lbf.ft', 'lbf.ft', 'N.m')
    """
    return logged.get("torque") or TORQUE_OF.get(logged.get("power", ""), "N.m")


def temperature_unit(logged: Mapping[str, str], setup: Setup | None) -> str:
    """Return degF where the setup's ceiling, else the log, is in it."""
    words = [_ceiling_unit("exhaust_temp", setup), *(logged.get(n) for n in TEMPERATURES)]
    return next((word for word in words if word in ("degC", "degF")), "degC")


def channel_words(name: str) -> str:
    """Write a channel's name as words.

    Examples
    --------
    >>> channel_words("exhaust_temp")
    'exhaust temp'
    """
    return name.replace("_", " ")
