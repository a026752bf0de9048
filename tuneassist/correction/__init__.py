"""Deviation to limited step: proposal, rules, limiter, and an independent checker.

::

    cells --propose_raw--> raw step --limit_step--> LimitedStep --check_grid--> breaches (none)
"""

from tuneassist.correction.boost_forecast import boost_forecast
from tuneassist.correction.breaches import Breach
from tuneassist.correction.ceiling_sensors import ceiling_notes, unmonitored_ceilings
from tuneassist.correction.checker import check_grid, require_clean, verify_grid
from tuneassist.correction.less_fuel import LessFuel, less_fuel
from tuneassist.correction.limiter import LimitedStep, limit_step
from tuneassist.correction.limits_table import describe_limits, lean_target_notes
from tuneassist.correction.raw_step import propose_raw
from tuneassist.correction.rules import SAFE_WAY
from tuneassist.correction.ruleset import RuleSet, build_rules
from tuneassist.correction.setup_questions import setup_questions
from tuneassist.correction.unsafe_steps import (
    UnsafeHeld,
    unsafe_held,
    unsafe_of_record,
    unsafe_record,
)

__all__ = [
    "SAFE_WAY",
    "Breach",
    "LessFuel",
    "LimitedStep",
    "RuleSet",
    "UnsafeHeld",
    "boost_forecast",
    "build_rules",
    "ceiling_notes",
    "check_grid",
    "describe_limits",
    "lean_target_notes",
    "less_fuel",
    "limit_step",
    "propose_raw",
    "require_clean",
    "setup_questions",
    "unmonitored_ceilings",
    "unsafe_held",
    "unsafe_of_record",
    "unsafe_record",
    "verify_grid",
]
