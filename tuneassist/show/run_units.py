"""Units in which full-load runs are shown: from the option, the setup or the logs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

from tuneassist.own_units import OutputUnits, units_for
from tuneassist.reading import Log
from tuneassist.settings import UNIT_SYSTEMS, Setup, UnitSettings

__all__ = ["SYSTEMS", "OutputUnits", "units_of"]

SYSTEMS: Mapping[str, UnitSettings] = MappingProxyType(dict(UNIT_SYSTEMS))
"""Choices of ``--units``."""


def units_of(
    logs: Sequence[Log], car: Setup | None = None, system: UnitSettings | None = None
) -> OutputUnits:
    """Return the units to show: those of the system given, else of the setup, else of the logs.

    The first log that has a unit counts; lbf.ft goes with hp. The unit of the mixture never comes
    from the system.

    Parameters
    ----------
    logs
        As read.
    car
        Its ``[units]``, target, ceilings and load axis.
    system
        One of `SYSTEMS`.
    """
    logged = {name: unit for log in reversed(logs) for name, unit in log.units.items()}
    return units_for(car, logged, system=system)
