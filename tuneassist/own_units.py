"""Numbers in the user's units: mixture as in the target, readings as in the ceiling."""

from __future__ import annotations

from collections.abc import Mapping

from tuneassist.channels import CHANNELS
from tuneassist.settings import CEILING_CHANNELS, Setup
from tuneassist.units import convert


def with_unit(value: float, unit: str) -> str:
    """Write a number with its unit once, rounded.

    Parameters
    ----------
    value
        In the unit.
    unit
        Unit word; "lambda" goes before its number, and "as logged" is left out.

    Examples
    --------
    >>> with_unit(0.8604, "lambda"), with_unit(12.648, "AFR"), with_unit(676.666, "degC")
    ('lambda 0.860', '12.65 AFR', '676.7 degC')
    """
    if unit == "lambda":
        return f"lambda {value:.3f}"
    if unit == "AFR":
        return f"{value:.2f} AFR"
    return _digits(value) if unit == "as logged" else f"{_digits(value)} {unit}"


def _digits(value: float) -> str:
    """Write a number in four digits, large ones in full."""
    return f"{float(f'{value:.4g}'):z.10g}"


def mixture_unit(setup: Setup | None) -> str:
    """Return the unit in which the tuner set the target: "lambda" or "AFR"."""
    return "AFR" if setup is not None and setup.target.unit == "afr" else "lambda"


def mixture(value: float, setup: Setup | None) -> str:
    """Write a lambda in the unit of the setup's target, with the unit once.

    Parameters
    ----------
    value
        The lambda. [lambda]
    setup
        Unit of the target, and the fuel's stoichiometric AFR.
    """
    if setup is not None and setup.target.unit == "afr":
        return with_unit(value * setup.engine.afr_stoich, "AFR")
    return with_unit(value, "lambda")


def reading(value: float, name: str, setup: Setup) -> str:
    """Write a reading of a channel in the unit of its ceiling, with the unit once.

    Parameters
    ----------
    value
        In the unit inside. [unit of `CEILING_CHANNELS`]
    name
        The channel.
    setup
        The ceilings, with the unit in which each was given.
    """
    return f"{number(value, name, setup)} {unit_word(name, setup)}"


def number(value: float, name: str, setup: Setup) -> str:
    """Write the number of `reading` alone."""
    unit = _given_unit(name, setup)
    if unit is not None:
        value = float(convert(value, CHANNELS[name].unit, unit))
    return _digits(value)


def unit_word(name: str, setup: Setup) -> str:
    """Return the unit word of a ceiling, with its reference."""
    inside = CEILING_CHANNELS[name][1]
    unit = _given_unit(name, setup)
    return inside if unit is None else f"{unit}{' gauge' if inside.endswith(' gauge') else ''}"


def _given_unit(name: str, setup: Setup | None) -> str | None:
    """Return the unit in which the setup gave a channel's ceiling; None where it gave none."""
    ceiling = setup.limits.ceilings.get(name) if setup is not None else None
    return None if ceiling is None else ceiling.given_unit


TORQUE_OF = {"hp": "lbf.ft"}
"""Unit of torque that goes with a unit of power."""
TEMPERATURES = ("exhaust_temp", "coolant_temp", "intake_temp", "oil_temp")
"""Channels that decide the unit of temperatures, the most important first."""


def torque_unit(logged: Mapping[str, str]) -> str:
    """Return the unit of torque to show for logs with these units, by channel.

    Examples
    --------
    >>> torque_unit({"torque": "lbf.ft"}), torque_unit({"power": "hp"}), torque_unit({})
    ('lbf.ft', 'lbf.ft', 'N.m')
    """
    return logged.get("torque") or TORQUE_OF.get(logged.get("power", ""), "N.m")


def temperature_unit(logged: Mapping[str, str], setup: Setup | None) -> str:
    """Return degF where the setup's ceiling, else the log, is in it."""
    words = [_given_unit("exhaust_temp", setup), *(logged.get(n) for n in TEMPERATURES)]
    return next((word for word in words if word in ("degC", "degF")), "degC")


def channel_words(name: str) -> str:
    """Write a channel's name as words.

    Examples
    --------
    >>> channel_words("exhaust_temp")
    'exhaust temp'
    """
    return name.replace("_", " ")
