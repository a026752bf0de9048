"""The safety rules in force, with values and sources."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from tuneassist.correction import describe_limits, setup_questions
from tuneassist.files.setup_file import read_setup
from tuneassist.settings import Setup


@dataclass(frozen=True, eq=False)
class LimitsInForce:
    """The safety rules of a setup.

    Parameters
    ----------
    setup
        The car's setup.
    table
        One row per rule: see `tuneassist.correction.describe_limits`.
    notes
        Parts of the setup that hardly fit one another.
    """

    setup: Setup
    table: pd.DataFrame
    notes: tuple[str, ...]


def read_limits(setup: Path) -> LimitsInForce:
    """Read a setup file and list the safety rules in force.

    Parameters
    ----------
    setup
        The setup's file.

    Raises
    ------
    SetupError
        When it cannot be used.
    """
    car = read_setup(setup)
    return LimitsInForce(car, describe_limits(car), tuple(setup_questions(car)))
