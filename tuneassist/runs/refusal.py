"""A refusal as data: what was not done, why, and the deciding numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

import pandas as pd

from tuneassist.by_value import ByValue


@dataclass(frozen=True, eq=False)
class Refusal(ByValue):
    """A result that was requested and cannot be given.

    Parameters
    ----------
    name
        Short identifier, stable across releases.
    description
        A sentence: what is wrong and what would be right.
    numbers
        The deciding figures; each name includes its unit.
    where
        Log, pull, band or step.
    """

    name: str
    description: str
    numbers: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    where: str = ""


def refusals_frame(refusals: Sequence[Refusal]) -> pd.DataFrame:
    """Return refusals as a table: name, where, description, numbers (as text)."""
    rows = [
        (r.name, r.where, r.description, ", ".join(f"{k} {v:.6g}" for k, v in r.numbers.items()))
        for r in refusals
    ]
    return pd.DataFrame(rows, columns=["name", "where", "description", "numbers"])
