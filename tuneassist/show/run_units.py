"""Units in which full-load runs are shown: from the option, the setup or the logs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from tuneassist.grid import Floats
from tuneassist.own_units import mixture_unit, temperature_unit, torque_unit, with_unit
from tuneassist.reading import Log
from tuneassist.settings import EngineSettings, Setup
from tuneassist.units import UNITS, convert

_POWER_OF = {"lbf.ft": "hp"}
_PRESSURES = ("boost", "manifold_pressure")


@dataclass(frozen=True)
class OutputUnits:
    """Units in which torque, power and limited channels along a pull are shown.

    Parameters
    ----------
    torque, power
        Unit words.
    pressure
        Unit word for boost and manifold pressure; rail pressure stays in kPa.
    temperature
        Unit word.
    afr_stoich
        The mixture is shown as AFR, with this for lambda 1; None shows lambda. [kg/kg]
    """

    torque: str = "N.m"
    power: str = "kW"
    pressure: str = "kPa"
    temperature: str = "degC"
    afr_stoich: float | None = None

    def shown(self, value: float, inside: str) -> float:
        """Convert a torque in N.m or a power in kW to the unit shown; other units are unchanged."""
        return value / UNITS[self.word(inside)].factor if inside in ("N.m", "kW") else value

    def word(self, inside: str) -> str:
        """Return the unit shown for "N.m" or "kW"; other units are unchanged."""
        return {"N.m": self.torque, "kW": self.power}.get(inside, inside)

    def unit_of(self, channel: str, inside: str) -> str:
        """Return the unit in which a limited channel is shown, with its reference.

        Examples
        --------
        >>> units = OutputUnits(pressure="psi", temperature="degF")
        >>> units.unit_of("boost", "kPa gauge"), units.unit_of("rail_pressure", "kPa")
        ('psi gauge', 'kPa')
        >>> units.unit_of("exhaust_temp", "degC"), units.unit_of("lambda", "lambda")
        ('degF', 'lambda')
        """
        if inside == "lambda" and self.afr_stoich is not None:
            return "AFR"
        if inside == "degC":
            return self.temperature
        return inside.replace("kPa", self.pressure) if channel in _PRESSURES else self.word(inside)

    def converted(self, values: npt.ArrayLike, channel: str, inside: str) -> Floats:
        """Convert values of a limited channel to the unit of `unit_of`."""
        unit, numbers = self.unit_of(channel, inside), np.asarray(values, dtype=float)
        if unit == inside:
            return numbers
        words = ["afr" if word == "AFR" else word.split(" ")[0] for word in (inside, unit)]
        return convert(numbers, words[0], words[1], afr_stoich=self.afr_stoich)

    def reading(self, value: float, channel: str, inside: str) -> str:
        """Format a reading of a limited channel with its unit.

        Examples
        --------
        >>> OutputUnits(afr_stoich=14.7).reading(0.86, "lambda", "lambda")
        '12.64 AFR'
        """
        return with_unit(
            float(self.converted(value, channel, inside)), self.unit_of(channel, inside)
        )

    def changes(self) -> Mapping[str, tuple[str, float]]:
        """Return, for a difference in "kPa" and "degC", the unit shown and its size."""
        return {
            inside: (unit, UNITS[unit].factor)
            for inside, unit in (("kPa", self.pressure), ("degC", self.temperature))
        }


SYSTEMS: Mapping[str, OutputUnits] = MappingProxyType(
    {
        "metric": OutputUnits("N.m", "kW", "kPa", "degC"),
        "imperial": OutputUnits("lbf.ft", "hp", "psi", "degF"),
        "ps": OutputUnits("N.m", "PS", "bar", "degC"),
    }
)
"""Choices of ``--units``."""


def units_of(
    logs: Sequence[Log], car: Setup | None = None, system: OutputUnits | None = None
) -> OutputUnits:
    """Return the units to show: those of the system given, else of the setup, else of the logs.

    The first log that has a unit counts; lbf.ft goes with hp. The unit of the mixture never comes
    from the system.

    Parameters
    ----------
    logs
        As read.
    car
        Its target gives the unit of the mixture, its ceiling that of exhaust temperature.
    system
        One of `SYSTEMS`.
    """
    logged = {name: unit for log in reversed(logs) for name, unit in log.units.items()}
    afr_stoich = _afr_stoich(logged.get("lambda"), car)
    if system is not None:
        return replace(system, afr_stoich=afr_stoich)
    torque = torque_unit(logged)
    power = logged.get("power") or _POWER_OF.get(logged.get("torque", ""), "kW")
    logged_pressure = next((logged[name] for name in _PRESSURES if name in logged), "kPa")
    is_pressure = UNITS[logged_pressure].quantity == "pressure"  # not a sensor's volts
    pressure = logged_pressure if is_pressure else "kPa"
    return OutputUnits(torque, power, pressure, temperature_unit(logged, car), afr_stoich)


def _afr_stoich(logged: str | None, car: Setup | None) -> float | None:
    """Return the stoichiometric AFR if the mixture is shown as AFR; None for lambda."""
    if car is not None:
        return car.engine.afr_stoich if mixture_unit(car) == "AFR" else None
    return EngineSettings().afr_stoich if logged == "afr" else None
