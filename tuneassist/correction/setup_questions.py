"""Parts of a setup that look inconsistent but may be intended: one question each."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from tuneassist.channels import CHANNELS
from tuneassist.correction.limits_table import lean_target_notes
from tuneassist.own_units import mixture
from tuneassist.settings import CEILING_CHANNELS, Setup
from tuneassist.units import find_unit

BEYOND_REV_LIMIT = 1.25
"""A breakpoint beyond this many times the rev limit is asked about. Controllers' tables commonly
end some way above it, since one axis serves many engines. [1]"""


def setup_questions(setup: Setup, cells: pd.DataFrame | None = None) -> tuple[str, ...]:
    """Ask about parts of a setup that look inconsistent.

    Parameters
    ----------
    setup
        The setup; its ``given`` lists what the file set.
    cells
        As for `lean_target_notes`.

    Returns
    -------
    tuple of str
        One sentence each; real contradictions are refused when the file is read.
    """
    return (
        *lean_target_notes(setup, cells),
        *_target_notes(setup),
        *_boost_notes(setup),
        *_speed_notes(setup),
        *_fuel_notes(setup),
        *_ceiling_notes(setup),
    )


def _target_notes(setup: Setup) -> Iterator[str]:
    """Name targets that the limits do not allow; a floor asks for nothing leaner."""
    axes, limits, target = setup.axes, setup.limits, setup.target.table.ravel()
    beyond = {
        "richest_lambda": (target < limits.richest_lambda, "richer", -target),
        "leanest_lambda": (target > limits.leanest_lambda, "leaner", target),
    }
    for name, (is_beyond, word, size) in beyond.items():
        if not is_beyond.any() or (word == "leaner" and setup.target.kind == "floor"):
            continue
        worst, count = int(np.argmax(np.where(is_beyond, size, -np.inf))), int(is_beyond.sum())
        yield (
            f"the target is {word} than {name} allows ({mixture(getattr(limits, name), setup)}) in "
            f"{count} {'cell' if count == 1 else 'cells'}, up to "
            f"{mixture(float(target[worst]), setup)} at {axes.cell_rpm()[worst]:g} rpm, "
            f"{axes.cell_load()[worst]:g} {axes.load_unit}: no cell is corrected that far. Which "
            "of the two is right?"
        )


def _boost_notes(setup: Setup) -> Iterator[str]:
    """Ask about boost that begins above any barometer: below that its rules protect nothing."""
    from_kpa, highest = setup.limits.boost_above_kpa, CHANNELS["barometer"].possible[1]
    if setup.engine.ignition == "spark" and from_kpa > highest:
        yield (
            f"boost_above_kpa = {from_kpa:g} is above any barometer, so no cell below it counts "
            "as in boost: is it intended, and in kPa absolute?"
        )


def _speed_notes(setup: Setup) -> Iterator[str]:
    most, points = setup.engine.rev_limit_rpm, setup.axes.rpm
    if most is not None and points[-1] > BEYOND_REV_LIMIT * most:
        yield (
            f"the rpm axis ends at {points[-1]:g} rpm, and engine.rev_limit_rpm is {most:g}: are "
            "both right?"
        )


def _fuel_notes(setup: Setup) -> Iterator[str]:
    is_given = {"engine.fuel", "engine.afr_stoich"} & setup.given
    if setup.engine.ignition == "compression" and setup.given and not is_given:
        yield (
            "no fuel is given for this compression engine, so AFR is converted with petrol's "
            f'{setup.engine.afr_stoich:g}: write fuel = "diesel" in [engine] if it runs on diesel'
        )


def _ceiling_notes(setup: Setup) -> Iterator[str]:
    """Ask for the unit of a ceiling that has none, where its channel is in another."""
    for name, ceiling in setup.limits.ceilings.items():
        source = setup.channels.get(name)
        text = source and (source.transfer_unit or source.unit)
        said, unit = find_unit(text) if text else None, CHANNELS[name].unit
        is_given = any(key.startswith(f"limits.ceilings.{name}.") for key in setup.given)
        if said is None or said.word == unit or ceiling.given_unit is not None or not is_given:
            continue
        yield (
            f"the {name} ceiling of {ceiling.ceiling:g} has no unit and is taken in "
            f"{CEILING_CHANNELS[name][1]}, while the channel is in {said.word}: write unit = "
            f'"{said.word}" or unit = "{unit}" beside it'
        )
