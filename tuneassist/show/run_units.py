"""Units in which full-load runs are shown: from the option, the setup or the logs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

from tuneassist.own_units import OutputUnits, units_for
from tuneassist.reading import Log
from tuneassist.runs import RunsComparison
from tuneassist.runs.refusal import Refusal
from tuneassist.settings import UNIT_SYSTEMS, Setup, UnitSettings
from tuneassist.unit_sentences import said_in

__all__ = ["SYSTEMS", "OutputUnits", "said_in_units", "units_of"]

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


def said_in_units(found: RunsComparison, units: OutputUnits) -> RunsComparison:
    """Return the comparison with its sentences in the units to show; its numbers stay."""
    pulls = found.pulls
    if "conditions" in pulls:
        words = pulls["conditions"].map(lambda one: said_in(str(one), units))
        pulls = pulls.assign(conditions=words)
    return replace(
        found,
        pulls=pulls,
        notes=tuple(said_in(note, units) for note in found.notes),
        refusals=refusals_in_units(found.refusals, units),
    )


def refusals_in_units(refusals: Sequence[Refusal], units: OutputUnits) -> tuple[Refusal, ...]:
    """Return refusals with their sentences in the units to show."""
    return tuple(replace(one, description=said_in(one.description, units)) for one in refusals)
