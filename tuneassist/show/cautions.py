"""The cautions for every reader of a proposal.

The help and the reports show all of them, a screen the short form. Which way is safe depends on the
ignition; `tuneassist.correction.SAFE_WAY` has the wording of the rule.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from tuneassist.settings import Ignition

GENERAL = (
    "Rolling road: strap the car down, keep people clear of rollers, wheels and exhaust, and have "
    "somebody at the stop button.",
    "Exhaust gas kills without a smell: extract it, ventilate the cell, wear a carbon monoxide "
    "alarm.",
    "Exhaust, turbine, brakes and tyres stay hot long after a run; watch their temperatures during "
    "it.",
    "Emission and roadworthiness law may forbid changes on a road car; in many countries only "
    "licensed people may do the work. Checking that is the tuner's responsibility.",
    "The numbers are proposals from logged evidence. A person who knows this engine decides, "
    "loads them, and watches the first pull with a foot ready to lift.",
)
"""Cautions for every engine."""

_BY_IGNITION = {
    "spark": "Spark ignition: richer is the safe way. In boost, lean mixture and knock break "
    "pistons within seconds. If in doubt, leave the cell rich and log it again.",
    "compression": "Compression ignition: less fuel is the safe way. Fuel without air is smoke and "
    "exhaust heat; torque breaks clutch and gearbox. If in doubt, take fuel away and log again.",
}
_BOOST = {
    "spark": "Spark ignition, a grid that corrects air: more boost needs more fuel and knocks "
    "sooner. Less boost is the safe way.",
    "compression": "Compression ignition, a grid that corrects air: more boost loads turbine, head "
    "gasket and rods. Where the boost ceiling holds a cell back, take fuel away by other means.",
}


_SHORT = {
    ("spark", "fuel"): "Richer is the safe way: if in doubt, leave the cell rich and log again.",
    ("spark", "boost"): "Less boost is the safe way, and richer: log again.",
    ("compression", "fuel"): "Less fuel is the safe way: if in doubt, take fuel away.",
    (
        "compression",
        "boost",
    ): "Less boost is the safe way, and less fuel: log again.",
}
WHERE_ALL = "Before anybody loads or drives this, read the cautions: `tuneassist --help`."


def short_caution(ignition: Ignition, acts_on: Literal["fuel", "boost"] = "fuel") -> str:
    """Return the safe way in a sentence, and where to find all cautions.

    Parameters
    ----------
    ignition
        "spark" or "compression".
    acts_on
        What the grid corrects.
    """
    return f"{_SHORT[ignition, acts_on]} {WHERE_ALL}"


def all_cautions() -> tuple[str, ...]:
    """Return every caution once, whatever the engine, for the help."""
    by_engine = [words[name] for name in _BY_IGNITION for words in (_BY_IGNITION, _BOOST)]
    return (*by_engine, *GENERAL)


def cautions(ignition: Ignition, acts_on: Literal["fuel", "boost"] = "fuel") -> tuple[str, ...]:
    """Return the cautions for an engine, the one about the safe way first.

    Parameters
    ----------
    ignition
        "spark" or "compression".
    acts_on
        What the grid corrects.

    Returns
    -------
    tuple of str
        Whole sentences.

    Examples
    --------
    >>> cautions("spark")[0][:39]
    'Spark ignition: richer is the safe way.'
    """
    first = (_BY_IGNITION[ignition],)
    return (*first, *((_BOOST[ignition],) if acts_on == "boost" else ()), *GENERAL)
