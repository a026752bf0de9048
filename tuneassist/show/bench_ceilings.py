"""The ceilings on a bench sheet: each with what to look at and what may be entered once passed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from tuneassist.correction.ceiling_sensors import HEAT
from tuneassist.own_units import channel_words, mixture, reading
from tuneassist.settings import Setup

LAMBDA = "lambda"
"""Row of the mixture: lean in boost for spark ignition, the smoke floor for compression."""
TIGHTER = "tighter in some regions"
LOOK_AT: Mapping[str, Mapping[str, str]] = MappingProxyType(
    {
        "spark": {
            "exhaust_temp": "Lean here? Ignition late? Let it idle until it cools.",
            "boost": "Wastegate or its hose, boost control. Look for knock before the next pull.",
            "torque": "Ratio and inertia set right? Straps, clutch, gearbox.",
            "rail_pressure": "Regulator, pump and sensor against a gauge.",
            "injector_duty": "Fuel pressure falling? At full duty no more fuel comes.",
            "knock": "Right fuel? Charge air hot? Lean? Ignition early? No pull until it is found.",
            LAMBDA: "Fuel pressure, pump, filter. A leak or misfire reads lean too.",
        },
        "compression": {
            "exhaust_temp": "Smoke? Boost leak, air filter, too much fuel. Idle until it cools.",
            "boost": "Vanes or actuator stuck? Hoses tight? The turbine overspeeds.",
            "torque": "Ratio and inertia set right? Straps, clutch, gearbox.",
            "rail_pressure": "Regulator, pump and sensor against a gauge.",
            "injector_duty": "Injection too long for this speed: too much fuel.",
            "knock": "Injection early? An injector that drips? No pull until it is found.",
            LAMBDA: "Smoke? Boost leak, air filter, turbine late: too much fuel for the air.",
        },
    }
)
"""What to look at, by ignition and channel."""
BARRED: Mapping[tuple[str, str], str] = MappingProxyType(
    {
        ("spark", "fuel"): "nothing leaner here",
        ("spark", "boost"): "no more boost here",
        ("compression", "fuel"): "no more fuel here",
        ("compression", "boost"): "no more boost here, less fuel",
    }
)
"""What may be entered beyond a ceiling, by ignition and what the grid corrects."""
_BACK = {
    ("spark", "fuel"): "more fuel",
    ("spark", "boost"): "less boost",
    ("compression", "fuel"): "less fuel",
    ("compression", "boost"): "less boost",
}
_OWN_ENTRY = {
    ("spark", "fuel", "injector_duty"): "nothing leaner here; less boost or load",
    ("spark", "fuel", "knock"): "nothing leaner here; ignition later",
    ("spark", "boost", "knock"): "less boost here; ignition later",
    ("compression", "boost", "exhaust_temp"): "boost stays, less fuel",
}
"""Entries that differ from `BARRED`."""


@dataclass(frozen=True)
class CeilingRow:
    """A row of the table of ceilings.

    Parameters
    ----------
    name
        The channel in words.
    limit, hard
        Ceiling and hard ceiling with their unit; ``hard`` is empty without one.
    look_at
        What to look at when it was passed.
    enter
        What may be entered then.
    """

    name: str
    limit: str
    hard: str
    look_at: str
    enter: str


def ceiling_rows(setup: Setup) -> tuple[CeilingRow, ...]:
    """Return a row for every ceiling of a setup, and for knock and mixture.

    Parameters
    ----------
    setup
        Ceilings, ignition, and the units in which they were given.
    """
    return tuple(_rows(setup))


def past_hard(setup: Setup) -> str:
    """Return what is entered beyond a hard ceiling; empty where the setup has none.

    Parameters
    ----------
    setup
        The size of the step back, ignition, and what the grid corrects.
    """
    kind = (setup.engine.ignition, setup.correction.acts_on)
    names = {name for name, one in setup.limits.ceilings.items() if one.hard is not None}
    if not names:
        return ""
    size = f"{setup.limits.step_back_pct:g} %"
    if kind != ("compression", "boost") or HEAT not in names:
        return f"{size} {_BACK[kind]}"
    # a hot diesel must not lose air at the same fuel: its fuel steps back
    hot = f"{size} less fuel, boost stays"
    return hot if names == {HEAT} else f"{size} less boost; {channel_words(HEAT)}: {hot}"


def _rows(setup: Setup) -> Iterator[CeilingRow]:
    ceilings = setup.limits.ceilings
    for name, one in ceilings.items():
        hard = "" if one.hard is None else f"hard {reading(one.hard, name, setup)}"
        yield _row(name, reading(one.ceiling, name, setup), hard, setup)
    if setup.engine.ignition == "spark" and "knock" not in ceilings:
        yield _row("knock", "any under load", "", setup)
    yield _mixture_row(setup)


def _row(name: str, limit: str, hard: str, setup: Setup) -> CeilingRow:
    words = channel_words(name)
    kind = (setup.engine.ignition, setup.correction.acts_on)
    enter = _OWN_ENTRY.get((*kind, name)) or BARRED[kind]
    look_at = LOOK_AT[setup.engine.ignition][name]
    return CeilingRow(f"{words[:1].upper()}{words[1:]}", limit, hard, look_at, enter)


def _mixture_row(setup: Setup) -> CeilingRow:
    """Return the lean end in boost of spark ignition, or the smoke floor of compression."""
    look_at = LOOK_AT[setup.engine.ignition][LAMBDA]
    regions = setup.limits.regions
    if setup.engine.ignition == "spark":
        limit = f"leaner than {mixture(setup.limits.boost_leanest_lambda, setup)}"
        parts = TIGHTER if any(one.leanest_lambda is not None for one in regions) else ""
        enter = "nothing leaner; more fuel first"
        return CeilingRow("Mixture in boost", limit, parts, look_at, enter)
    limit = f"richer than {mixture(setup.limits.richest_lambda, setup)}"
    parts = TIGHTER if any(one.richest_lambda is not None for one in regions) else ""
    return CeilingRow("Mixture, smoke floor", limit, parts, look_at, "less fuel here")
