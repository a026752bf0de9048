"""What a check reports, and helpers that every check uses.

Part of the checker: shares no code with the rules or the limiter.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from tuneassist.correction.checked_grid import CheckedCell, CheckedGrid
from tuneassist.settings import Region

SLACK = 1e-6  # a smaller change of a value does not count [%]
DECIMALS, MOST_DECIMALS = 3, 6
"""Decimals of a percent in a sentence: finer than any controller takes, and as fine as `SLACK`
where fewer would make a value read like the limit that it exceeds."""


@dataclass(frozen=True)
class Breach:
    """One broken rule in one cell.

    Parameters
    ----------
    rule
        Name of the rule.
    rpm, load
        The cell. [rpm], [load unit]
    value, bound
        What the grid has and what the rule allows; nan where a rule has no number.
    sentence
        Both in words.
    is_carried_over
        The grid in force breaks the rule there as much, so that no change brought it in.
    """

    rule: str
    rpm: float
    load: float
    value: float
    bound: float
    sentence: str
    is_carried_over: bool = False


def breach_at(rule: str, cell: CheckedCell, value: float, bound: float, message: str) -> Breach:
    """Report a broken rule in a cell."""
    sentence = f"{rule}: at {cell.where}: {message}"
    return Breach(rule, cell.rpm, cell.load, value, bound, sentence)


def percent(value: float, limit: float = math.nan, *, sign: str = "") -> str:
    """Write a percent without trailing zeros, in enough decimals to differ from its limit.

    Parameters
    ----------
    value, limit
        What is there and what is allowed. [%]
    sign
        "+" writes the sign of what is above zero, too.

    Examples
    --------
    >>> percent(10.9), percent(5.0, 5.0), percent(5.00002, 5.0), percent(-0.0, sign="+")
    ('10.9', '5', '5.00002', '0')
    """
    for decimals in range(DECIMALS, MOST_DECIMALS + 1):
        rounded = round(value, decimals)
        if rounded != limit:
            break
    text = f"{rounded:{sign}.{MOST_DECIMALS}f}".rstrip("0").rstrip(".")
    return "0" if rounded == 0 else text


def step_words(ratio: float, other: float = math.nan) -> str:
    """Write a step in percent with its sign, in enough decimals to differ from another.

    Parameters
    ----------
    ratio, other
        What a cell is multiplied by. [1]

    Examples
    --------
    >>> step_words(1.267), step_words(0.964, 0.9659)
    ('+26.7 %', '-3.6 %')
    """
    step, beside = (100.0 * (one - 1.0) for one in (ratio, other))
    return f"{percent(step, beside, sign='+')} %"


def regions_of(checked: CheckedGrid, cell: CheckedCell) -> Iterator[Region]:
    """Regions that a cell lies in."""
    for region in checked.setup.limits.regions:
        in_rpm = region.rpm[0] <= cell.rpm <= region.rpm[1]
        if in_rpm and region.load[0] <= cell.load <= region.load[1]:
            yield region


def strictest(
    checked: CheckedGrid, cell: CheckedCell, key: str, pick: Callable[..., float]
) -> float:
    """Tightest of the general limit and those of the regions."""
    limits = [getattr(checked.setup.limits, key)]
    limits += [getattr(r, key) for r in regions_of(checked, cell) if getattr(r, key) is not None]
    return pick(*limits, limits[0])


def changed(checked: CheckedGrid, *, known: bool = True) -> Iterator[CheckedCell]:
    """Cells whose value the grid changes; by default only those with evidence."""
    for cell in checked.cells:
        both = not math.isnan(cell.new) and not math.isnan(cell.old)
        if both and abs(cell.new - cell.old) > SLACK and (cell.is_evidence or not known):
            yield cell
