"""Labels for rules, sample outcomes and other short names used inside the program."""

from __future__ import annotations

import math
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
        "ceilings": "a logged channel above its ceiling",
        "boost_ceiling": "boost ceiling",
        "step_back_pct": "step back above a hard ceiling",
        "foreseen": "a larger step may exceed a ceiling",
        "raise_fuel_unwatched": "more fuel without a sensor that shows it",
        "resolution_pct": "rounded to the controller's resolution",
        "unsafe_step_barred": "a doubt that blocks the unsafe way",
        "own_evidence": "leaning in boost on the cell's own evidence only",
        "max_lean_step_in_boost_pct": "largest lean step in boost",
        "max_lean_total_in_boost_pct": "largest lean total in boost",
        "values": "a value where the grid in force has one",
    }
)
"""Rule to its label; a rule that is not listed is shown by its name."""

OUTCOME_WORDS: Mapping[str, str] = MappingProxyType(
    {
        "no value": "rpm or load missing",
        "engine cold": "engine not warm yet",
        "fuel cut": "fuel cut on overrun",
        "outside the table": "outside the axes",
        "no target there": "no target value",
        "moving": "speed or load changing, no hold",
        "sweeping": "slow sweep, no hold",
        "settling": "mixture still settling",
        "short hold": "hold too short",
        "no lambda": "no lambda reading",
        "spike": "single outlier",
        "load at its end": "load at the end of its sensor's range",
        "sensor at its stop": "lambda at the end of its sensor's range",
        "used": "used as evidence, in holds",
    }
)
"""Outcome of a sample to its label."""

SOURCE_WORDS: Mapping[str, str] = MappingProxyType(
    {"log": "found in the log", "setup": "given by the setup", "default": "the default"}
)


def rule_words(rule: str) -> str:
    """Return the label of a rule."""
    return RULE_WORDS.get(rule, rule.replace("_", " "))


def outcome_words(outcome: str) -> str:
    """Return the label of a sample's outcome."""
    return OUTCOME_WORDS.get(outcome, outcome)


def delay_words(delay: SensorDelay) -> str:
    """Describe the lambda delay, its uncertainty and its dependence on flow."""
    if delay.source != "log":
        return f"{delay.delay_s:.2f} s, {SOURCE_WORDS[delay.source]}: {delay.why}"
    half_width_s = 1.96 * delay.standard_error_s
    text = f"{delay.delay_s:.2f} s +-{half_width_s:.2f} (95 %), {delay.why}"
    lag = f"sensor lag {delay.lag_s:.2f} s"
    if math.isfinite(delay.lag_standard_error_s):
        lag += f" +-{1.96 * delay.lag_standard_error_s:.2f}"
    if abs(delay.flow_delay_s) < 0.005:
        return f"{text}; the same at every flow; {lag}"
    more = "more" if delay.flow_delay_s > 0 else "less"
    return (
        f"{text}; at half the median flow of this log {abs(delay.flow_delay_s):.2f} s {more} "
        f"(slower gas); {lag}"
    )


def settling_words(settling: Settling) -> str:
    """Describe the settling time of the mixture after a move."""
    return f"{settling.settle_s:.2f} s, {SOURCE_WORDS[settling.source]} ({settling.why})"


def grid_words(grid: Path | None) -> str:
    """Describe which grid was assumed in the controller while the logs were recorded.

    Examples
    --------
    >>> grid_words(None)[:9]
    'all zeros'
    """
    if grid is None:
        return (
            "all zeros, because no --grid was given; if the controller already holds corrections, "
            "give them with --grid"
        )
    return str(grid)


def corrected_quantity(setup: Setup) -> str:
    """Name the quantity that the grid corrects."""
    return "fuel" if setup.correction.acts_on == "fuel" else "absolute manifold pressure"


def step_words(setup: Setup) -> str:
    """Describe the meaning of a step's sign."""
    more = "fuel" if setup.correction.acts_on == "fuel" else "air"
    return f"percent of {corrected_quantity(setup)}: + more {more}, - less"


def ceiling_words(name: str, setup: Setup) -> str:
    """Format a channel's ceiling in the unit of the setup."""
    ceiling = setup.limits.ceilings[name]
    hard = (
        "no hard ceiling" if ceiling.hard is None else f"hard {number(ceiling.hard, name, setup)}"
    )
    return f"{reading(ceiling.ceiling, name, setup)}, {hard}"
