"""Units in which full-load runs are shown: those that were logged, or a system that was named."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from tuneassist.reading import Log
from tuneassist.units import UNITS

_TORQUE_OF = {"hp": "lbf.ft"}
_POWER_OF = {"lbf.ft": "hp"}
_PRESSURES = ("boost", "manifold_pressure")


@dataclass(frozen=True)
class OutputUnits:
    """Units in which torque, power and boost are shown.

    Parameters
    ----------
    torque, power
        Unit words.
    pressure
        Unit word for boost and manifold pressure; rail pressure stays in kPa.
    """

    torque: str = "N.m"
    power: str = "kW"
    pressure: str = "kPa"

    def shown(self, value: float, inside: str) -> float:
        """Convert a torque in N.m or a power in kW to the unit shown; others stay as they are."""
        return value / UNITS[self.word(inside)].factor if inside in ("N.m", "kW") else value

    def word(self, inside: str) -> str:
        """Return the unit shown for "N.m" or "kW"; other units stay as they are."""
        return {"N.m": self.torque, "kW": self.power}.get(inside, inside)

    def unit_of(self, channel: str, inside: str) -> str:
        """Return the unit in which a watched channel is shown.

        Examples
        --------
        >>> units = OutputUnits(pressure="psi")
        >>> units.unit_of("boost", "kPa"), units.unit_of("rail_pressure", "kPa")
        ('psi', 'kPa')
        """
        return self.pressure if channel in _PRESSURES else inside


SYSTEMS: Mapping[str, OutputUnits] = MappingProxyType(
    {
        "metric": OutputUnits("N.m", "kW", "kPa"),
        "imperial": OutputUnits("lbf.ft", "hp", "psi"),
        "ps": OutputUnits("N.m", "PS", "bar"),
    }
)
"""What ``--units`` names."""


def units_of(logs: Sequence[Log]) -> OutputUnits:
    """Return the units that the logs use: the first that has one; lbf.ft goes with hp."""
    found: dict[str, str] = {}
    for log in logs:
        for column in log.columns:
            channel = "pressure" if column.channel in _PRESSURES else column.channel
            if channel in ("torque", "power", "pressure") and column.unit in UNITS:
                found.setdefault(channel, column.unit)
    torque = found.get("torque") or _TORQUE_OF.get(found.get("power", ""), "N.m")
    power = found.get("power") or _POWER_OF.get(found.get("torque", ""), "kW")
    pressure = found.get("pressure", "kPa")
    is_pressure = UNITS[pressure].quantity == "pressure"  # a sensor's volts are no unit to show
    return OutputUnits(torque, power, pressure if is_pressure else "kPa")
