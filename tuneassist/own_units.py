"""Numbers in the unit that the person sets in: mixture by the target, readings by the ceiling."""

from __future__ import annotations

from tuneassist.channels import CHANNELS
from tuneassist.settings import CEILING_CHANNELS, Setup
from tuneassist.units import convert


def mixture_unit(setup: Setup | None) -> str:
    """Return the unit in which the tuner set the target: "lambda" or "AFR"."""
    return "AFR" if setup is not None and setup.target.unit == "afr" else "lambda"


def mixture(value: float, setup: Setup | None) -> str:
    """Write a lambda in the unit of the setup's target, with the unit once.

    Parameters
    ----------
    value
        Air over what the fuel needs. [lambda]
    setup
        Unit of the target, and the fuel's stoichiometric AFR.
    """
    if setup is not None and setup.target.unit == "afr":
        return f"{value * setup.engine.afr_stoich:.2f} AFR"
    return f"lambda {value:.3f}"


def reading(value: float, name: str, setup: Setup) -> str:
    """Write a reading of a channel in the unit of its ceiling, with the unit once.

    Parameters
    ----------
    value
        As it is inside. [unit of `CEILING_CHANNELS`]
    name
        The channel.
    setup
        The ceilings, with the unit in which each was given.
    """
    return f"{number(value, name, setup)} {unit_word(name, setup)}"


def number(value: float, name: str, setup: Setup) -> str:
    """Write the number of `reading` alone, in four digits or in full where the file gave it so."""
    unit = setup.limits.ceilings[name].given_unit if name in setup.limits.ceilings else None
    if unit is not None:
        value = float(convert(value, CHANNELS[name].unit, unit))
    return f"{float(f'{value:.4g}'):.10g}"


def unit_word(name: str, setup: Setup) -> str:
    """Return the unit word of a ceiling, with what it counts from."""
    inside = CEILING_CHANNELS[name][1]
    unit = setup.limits.ceilings[name].given_unit if name in setup.limits.ceilings else None
    return inside if unit is None else f"{unit}{' gauge' if inside.endswith(' gauge') else ''}"


def channel_words(name: str) -> str:
    """Write a channel's name as words.

    Examples
    --------
    >>> channel_words("exhaust_temp")
    'exhaust temp'
    """
    return name.replace("_", " ")
