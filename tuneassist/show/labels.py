"""The program's own words for what the stages call by short names."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType

from tuneassist.evidence.delay import SensorDelay
from tuneassist.evidence.holds import Settling
from tuneassist.own_units import number, reading
from tuneassist.settings import Setup

RULE_WORDS: Mapping[str, str] = MappingProxyType(
    {
        "evidence": "no change without evidence",
        "own_need": "no further than the cell's own need",
        "max_step_pct": "largest step",
        "step_at_confidence": "largest step at this confidence",
        "max_total_pct": "largest total",
        "max_slope_rpm_pct": "slope between neighbours along rpm",
        "max_slope_load_pct": "slope between neighbours along load",
        "richest_lambda": "richest predicted lambda",
        "leanest_lambda": "leanest predicted lambda",
        "boost_leanest_lambda": "leanest predicted lambda in boost",
        "lean_in_boost": "leaning in boost",
        "ceilings": "beyond a logged channel's ceiling",
        "boost_ceiling": "boost ceiling",
        "step_back_pct": "step back past a hard ceiling",
        "foreseen": "ceiling that a larger step may exceed",
        "raise_fuel_unwatched": "nothing read that shows more fuel",
        "resolution_pct": "rounded to what the controller takes",
        "unsafe_step_barred": "a doubt that bars the unsafe way",
        "own_evidence": "leaning in boost on the cell's own evidence only",
        "max_lean_step_in_boost_pct": "largest lean step in boost",
        "max_lean_total_in_boost_pct": "largest lean total in boost",
        "values": "values that the grid in force has",
    }
)
"""Rule to a few words; a rule that is not listed is shown by its name."""

OUTCOME_WORDS: Mapping[str, str] = MappingProxyType(
    {
        "no value": "rpm or load missing",
        "engine cold": "engine not warm yet",
        "fuel cut": "fuel cut on overrun",
        "outside the table": "outside the axes",
        "no target there": "target leaves it alone",
        "moving": "speed or load moving",
        "sweeping": "slow sweep, not at rest",
        "settling": "mixture still settling",
        "short hold": "hold too short",
        "no lambda": "no lambda reading",
        "spike": "lone wild reading",
        "load at its end": "load at its sensor's end",
        "sensor at its stop": "sensor at its stop",
        "used": "used as evidence",
    }
)
"""What became of a sample, in words."""

SOURCE_WORDS: Mapping[str, str] = MappingProxyType(
    {"log": "found in the log", "setup": "given by the setup", "default": "the default"}
)


def rule_words(rule: str) -> str:
    """Return a rule's words."""
    return RULE_WORDS.get(rule, rule.replace("_", " "))


def outcome_words(fate: str) -> str:
    """Return the words for what became of a sample."""
    return OUTCOME_WORDS.get(fate, fate)


def delay_words(delay: SensorDelay) -> str:
    """Say how late lambda is, how sure that is, and how it goes with the flow."""
    if delay.source != "log":
        return f"{delay.delay_s:.2f} s, {SOURCE_WORDS[delay.source]}: {delay.why}"
    sure = 1.96 * delay.standard_error_s
    text = f"{delay.delay_s:.2f} s +-{sure:.2f} (95 %), {delay.why}"
    if abs(delay.flow_delay_s) < 0.005:
        return f"{text}; the same at every flow"
    more = "more" if delay.flow_delay_s > 0 else "less"
    return (
        f"{text}; at half this log's middle flow {abs(delay.flow_delay_s):.2f} s {more} "
        f"(gas travels slower there); sensor lag {delay.lag_s:.2f} s"
    )


def settling_words(settling: Settling) -> str:
    """Say how long the mixture settles after a move."""
    return f"{settling.settle_s:.2f} s, {SOURCE_WORDS[settling.source]} ({settling.why})"


def grid_words(grid: Path | None) -> str:
    """Say which grid was taken to be in the controller while the logs were recorded.

    Examples
    --------
    >>> grid_words(None)[:9]
    'all zeros'
    """
    if grid is None:
        return (
            "all zeros, for no --grid was given; if the controller holds corrections already, "
            "name them with --grid"
        )
    return str(grid)


def corrected_quantity(setup: Setup) -> str:
    """Name what the grid moves."""
    return "fuel" if setup.correction.acts_on == "fuel" else "absolute manifold pressure"


def step_words(setup: Setup) -> str:
    """Say what a step's sign means."""
    more = "fuel" if setup.correction.acts_on == "fuel" else "air"
    return f"percent of {corrected_quantity(setup)}: + more {more}, - less"


def ceiling_words(name: str, setup: Setup) -> str:
    """Write a channel's ceiling in the unit in which the setup gave it."""
    ceiling = setup.limits.ceilings[name]
    hard = (
        "no hard ceiling" if ceiling.hard is None else f"hard {number(ceiling.hard, name, setup)}"
    )
    return f"{reading(ceiling.ceiling, name, setup)}, {hard}"
