"""The driven route: warm-up, holds, ramps, stabs, overruns and rests.

A route is a list of legs, converted to knots of speed and load over time; inertia is added later.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from tuneassist.grid import Floats
from tuneassist.simulate.cars import Car


@dataclass(frozen=True, eq=False)
class SessionPlan:
    """What is driven, and how it is logged; every option has a typical default.

    Parameters
    ----------
    holds
        Number of holds at random points of the car's load range.
    points
        Given (rpm, load) points instead, shape (k, 2). [rpm], [load unit]
    hold_s, ramp_s
        Shortest and longest hold and ramp. [s], [s]
    warm_up_s
        Cold driving before the first hold; zero starts warm. [s]
    is_never_warm
        The coolant stays at about 50 degC and the cold enrichment stays on.
    stab_share, overrun_share, rest_share
        Share of the holds that are followed by a throttle stab, an overrun and a rest. [1]
    rate_hz, jitter_s, stamp_s
        Rows per second, time jitter, and resolution of the time stamps. [Hz], [s], [s]
    gaps
        Number of pauses in which nothing is logged, 3 to 15 s each.
    spike_share
        Share of lambda values replaced by spikes. [1]
    is_polled
        One channel per row is refreshed, in turn; the others repeat their old value.
    is_closed_loop
        The controller trims fuel toward the target, and logs its trims.
    closed_loop_above
        The trims act where the target is at least this; 0 is everywhere. [lambda]
    """

    holds: int = 75
    points: Floats | None = None
    hold_s: tuple[float, float] = (8.0, 18.0)
    ramp_s: tuple[float, float] = (0.7, 2.0)
    warm_up_s: float = 90.0
    is_never_warm: bool = False
    stab_share: float = 0.15
    overrun_share: float = 0.15
    rest_share: float = 0.03
    rate_hz: float = 10.0
    jitter_s: float = 0.004
    stamp_s: float = 0.01
    gaps: int = 1
    spike_share: float = 0.0
    is_polled: bool = False
    is_closed_loop: bool = False
    closed_loop_above: float = 0.999


@dataclass(frozen=True, eq=False)
class Route:
    """Knots of a drive.

    Parameters
    ----------
    knots
        Columns time_s, rpm, load, is_cut (fuel off from this knot on), leg (number of the leg).
    holds
        One row per hold: start_s, end_s, rpm, load, leg.
    """

    knots: pd.DataFrame
    holds: pd.DataFrame

    @property
    def end_s(self) -> float:
        """Length of the drive. [s]"""
        return float(self.knots["time_s"].iloc[-1])


def random_points(car: Car, n: int, rng: np.random.Generator) -> Floats:
    """Draw operating points evenly over the car's load range, shape (n, 2). [rpm], [load unit]"""
    tries = max(64, 6 * n)
    found = np.empty((0, 2))
    while len(found) < n:
        rpm = rng.uniform(car.lowest_rpm, car.highest_rpm, tries)
        load = rng.uniform(car.lowest_load, float(car.max_load.max()), tries)
        is_inside = car.is_inside(rpm, load)
        found = np.vstack([found, np.column_stack([rpm[is_inside], load[is_inside]])])
    return found[:n]


class _Legs:
    """Collects knots leg by leg."""

    def __init__(self, rpm: float, load: float) -> None:
        self.rows: list[tuple[float, float, float, bool, int]] = [(0.0, rpm, load, False, 0)]
        self.leg = 0

    @property
    def now(self) -> float:
        return self.rows[-1][0]

    def go(self, seconds: float, rpm: float, load: float, *, is_cut: bool = False) -> None:
        self.rows.append((self.now + seconds, rpm, load, is_cut, self.leg))

    def stay(self, seconds: float) -> None:
        _, rpm, load, is_cut, _ = self.rows[-1]
        self.leg += 1
        self.rows[-1] = (*self.rows[-1][:4], self.leg)
        self.rows.append((self.now + seconds, rpm, load, is_cut, self.leg))

    def frame(self) -> pd.DataFrame:
        return pd.DataFrame(self.rows, columns=["time_s", "rpm", "load", "is_cut", "leg"])


def _stab(legs: _Legs, car: Car, rpm: float, load: float, rng: np.random.Generator) -> None:
    top = float(car.highest_load(np.array([rpm]))[0])
    legs.go(0.15, rpm * 1.01, top)
    legs.go(rng.uniform(0.4, 1.0), rpm * 1.03, top)
    legs.go(0.2, rpm, load)
    legs.go(0.8, rpm, load)


def _overrun(legs: _Legs, car: Car, rpm: float, rng: np.random.Generator) -> None:
    low = max(car.idle_rpm + 250.0, rpm - rng.uniform(300.0, 1200.0))
    legs.go(0.2, rpm, car.overrun_load, is_cut=True)
    legs.go(rng.uniform(1.5, 4.0), low, car.overrun_load, is_cut=True)
    legs.go(0.2, low, car.lowest_load)


def _warm_up(legs: _Legs, car: Car, plan: SessionPlan, rng: np.random.Generator) -> None:
    legs.stay(0.25 * plan.warm_up_s)
    for rpm, load in random_points(car, 5, rng):
        gentle = min(load, 0.5 * float(car.max_load.max()))
        legs.go(0.03 * plan.warm_up_s, rpm, gentle)
        legs.stay(0.12 * plan.warm_up_s)


def draw_route(car: Car, plan: SessionPlan, rng: np.random.Generator) -> Route:
    """Lay out a drive.

    Parameters
    ----------
    car
        Load range, idle and overrun.
    plan
        What is driven.
    rng
        Source of randomness.

    Returns
    -------
    Route
    """
    points = random_points(car, plan.holds, rng) if plan.points is None else plan.points
    legs = _Legs(car.idle_rpm, car.idle_load)
    if plan.warm_up_s > 0:
        _warm_up(legs, car, plan, rng)
    holds = []
    for rpm, load in np.asarray(points, dtype=float):
        legs.go(rng.uniform(*plan.ramp_s), rpm, load)
        start = legs.now
        legs.stay(rng.uniform(*plan.hold_s))
        holds.append((start, legs.now, rpm, load, legs.leg))
        chance = rng.uniform()
        if chance < plan.stab_share:
            _stab(legs, car, rpm, load, rng)
        elif chance < plan.stab_share + plan.overrun_share:
            _overrun(legs, car, rpm, rng)
        elif chance < plan.stab_share + plan.overrun_share + plan.rest_share:
            legs.go(3.0, car.idle_rpm, car.idle_load)
            legs.stay(rng.uniform(8.0, 20.0))
    legs.go(2.0, car.idle_rpm, car.idle_load)
    columns = ["start_s", "end_s", "rpm", "load", "leg"]
    return Route(legs.frame(), pd.DataFrame(holds, columns=columns))
