"""From logged dynamometer sessions to a safe, bounded correction grid, with the doubt shown.

The path of the data::

    reading      log files -> samples in one unit each
    evidence     samples -> steady holds -> deviation per cell with its interval
    correction   deviation -> raw correction -> limited step, verified by an independent checker
    pipeline     the stages in order
    files        setup in; grid and proposal out, all files or none

Public names are loaded when they are first used, so that the command line starts at once.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tuneassist.correction import Breach, check_grid, describe_limits
    from tuneassist.errors import (
        GridError,
        InputError,
        LogError,
        NoEvidenceError,
        OutputError,
        RuleBreachError,
        SetupError,
        TuneassistError,
    )
    from tuneassist.files.grid_file import read_grid, write_grid_text
    from tuneassist.files.setup_file import read_setup
    from tuneassist.grid import Axes, Grid, bilinear_weights, compose_pct, step_between_pct
    from tuneassist.pipeline import Evidence, LogEvidence, Proposal, gather, propose, reduce_log
    from tuneassist.reading import Log, read_log
    from tuneassist.settings import Setup

__version__ = "0.1.0"

_HOMES = {
    "tuneassist.correction": ("Breach", "check_grid", "describe_limits"),
    "tuneassist.errors": (
        "GridError",
        "InputError",
        "LogError",
        "NoEvidenceError",
        "OutputError",
        "RuleBreachError",
        "SetupError",
        "TuneassistError",
    ),
    "tuneassist.files.grid_file": ("read_grid", "write_grid_text"),
    "tuneassist.files.setup_file": ("read_setup",),
    "tuneassist.grid": ("Axes", "Grid", "bilinear_weights", "compose_pct", "step_between_pct"),
    "tuneassist.pipeline": (
        "Evidence",
        "LogEvidence",
        "Proposal",
        "gather",
        "propose",
        "reduce_log",
    ),
    "tuneassist.reading": ("Log", "read_log"),
    "tuneassist.settings": ("Setup",),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}

__all__ = [
    "Axes",
    "Breach",
    "Evidence",
    "Grid",
    "GridError",
    "InputError",
    "Log",
    "LogError",
    "LogEvidence",
    "NoEvidenceError",
    "OutputError",
    "Proposal",
    "RuleBreachError",
    "Setup",
    "SetupError",
    "TuneassistError",
    "__version__",
    "bilinear_weights",
    "check_grid",
    "compose_pct",
    "describe_limits",
    "gather",
    "propose",
    "read_grid",
    "read_log",
    "read_setup",
    "reduce_log",
    "step_between_pct",
    "write_grid_text",
]


def __getattr__(name: str) -> Any:
    """Load a public name on first use."""
    home = _HOME_OF.get(name)
    if home is None:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(home), name)


def __dir__() -> list[str]:
    """List the public names."""
    return __all__
