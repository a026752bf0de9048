"""The evidence of several rounds as one: total needs are pooled, contradicted rounds count less.

What a cell needs in total (its deviation composed with the grid it was logged under) belongs to the
engine and not to the round, so that all rounds count. Where a later round finds the need shifted
everywhere, significantly but by less than stops the loop, the engine has drifted: the rounds
before it count with that much more standard deviation.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tuneassist.grid import Grid
from tuneassist.loop.held_then import acting_on_lambda, with_pressure_now
from tuneassist.loop.response import Response
from tuneassist.pipeline import Evidence, LogEvidence, gather
from tuneassist.settings import Setup


@dataclass(frozen=True, eq=False)
class Round:
    """One round of logs.

    Parameters
    ----------
    number
        Its number, from 1.
    logs
        The evidence of its logs.
    in_force
        The grid that the controller held while they were taken.
    response
        How the engine answered the change before them.
    fuel
        What was taken from the fuel beside a boost grid while they were taken; None is nothing.
    """

    number: int
    logs: tuple[LogEvidence, ...]
    in_force: Grid
    response: Response
    fuel: Grid | None = None

    @property
    def acting(self) -> Grid:
        """The grid that acts on lambda as all that the controller held."""
        return acting_on_lambda(self.in_force, self.fuel)


def drift_ln(response: Response) -> float:
    """Shift of need that a round found, where it is significant; else 0. [ln]"""
    low, high = response.offset_low_pct, response.offset_high_pct
    if not (np.isfinite(low) and np.isfinite(high)) or low <= 0.0 <= high:
        return 0.0
    return abs(float(np.log1p(response.offset_pct / 100.0)))


def drift_since_rounds(rounds: Sequence[Round]) -> list[float]:
    """Standard deviation by which the engine has drifted since each round, oldest first. [ln]"""
    later = [drift_ln(one.response) for one in rounds]
    squares = np.cumsum(np.square(later[::-1]))[::-1]
    return [float(np.sqrt(s - later[k] ** 2)) for k, s in enumerate(squares)]


def pool_rounds(
    rounds: Sequence[Round], *, setup: Setup, current: Grid, fuel: Grid | None = None
) -> Evidence:
    """Gather the evidence of all rounds.

    Parameters
    ----------
    rounds
        The rounds that count, oldest first.
    setup
        The car's setup.
    current
        The grid in the controller now; deviations are relative to it.
    fuel
        What is taken from the fuel beside a boost grid now; None is nothing.

    Returns
    -------
    Evidence
        With a note where rounds count less.
    """
    drifts = drift_since_rounds(rounds)
    is_boost = setup.correction.acts_on == "boost"
    return gather(
        [
            with_pressure_now(
                log, then=one.in_force, now=current, barometer_kpa=setup.limits.barometer_kpa
            )
            if is_boost
            else log
            for one in rounds
            for log in one.logs
        ],
        setup=setup,
        current=acting_on_lambda(current, fuel),
        in_force=[one.acting for one in rounds for _ in one.logs],
        fade_ln=[drift for one, drift in zip(rounds, drifts, strict=True) for _ in one.logs],
    )
