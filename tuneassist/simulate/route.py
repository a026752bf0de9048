"""The driven route: warm-up, then holds with stabs and overruns, sweeps, or a road.

A route is a list of legs, converted to knots of speed and load over time; inertia is added later.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
import pandas as pd

from tuneassist.errors import InputError
from tuneassist.grid import Floats
from tuneassist.simulate.cars import Car

Style = Literal["holds", "speed sweeps", "load sweeps", "road"]

# Of sweeps and roads; common practice, no source.
KNOT_S = 1.0  # spacing of a sweep's knots
SAME_S = 10.0  # the fuelling repeats itself no longer than this: as from hold to hold
JOIN_S = (2.0, 4.0)  # from the end of a sweep to the start of the next
LIGHTEST, HEAVIEST = 0.04, 0.97  # share of the load range, and of the speed range when loads sweep
GEAR_STEPS = (0.58, 0.69, 0.78, 0.80)  # speed kept at each change of gear, first to fifth
PULL_RPM_S = (1100.0, 520.0, 290.0, 190.0, 130.0)  # rise of speed in each gear at full load
SHIFT_S = 0.5  # throttle closed while the gear changes
HILL_S = 2.5  # a cruise finds another slope so often


@dataclass(frozen=True, eq=False)
class SessionPlan:
    """What is driven, and how it is logged; every option has a typical default.

    Parameters
    ----------
    style
        "holds": holds at points, with moves, stabs and overruns between. "speed sweeps": speed up
        and down at standing shares of the load range. "load sweeps": load up and down at standing
        speeds. "road": pulls through the gears, cruises over hills, overrun and stops. What is not
        a hold leaves `Route.holds` empty.
    holds
        Number of holds at random points of the car's load range.
    points
        Given (rpm, load) points instead, shape (k, 2). [rpm], [load unit]
    hold_s, ramp_s
        Shortest and longest hold and ramp. [s], [s]
    levels
        Number of sweeps: shares of the load range, or speeds. [1]
    sweep_rpm_s, sweep_load_s
        Rate of a sweep of speed, and of load. [rpm/s], [load unit/s]
    road_s
        Length of the road. [s]
    warm_up_s
        Cold driving ahead of all else; zero starts warm. [s]
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

    style: Style = "holds"
    holds: int = 75
    points: Floats | None = None
    hold_s: tuple[float, float] = (8.0, 18.0)
    ramp_s: tuple[float, float] = (0.7, 2.0)
    levels: int = 8
    sweep_rpm_s: float = 40.0
    sweep_load_s: float = 2.0
    road_s: float = 600.0
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

    def begin(self) -> None:
        """Count a new leg from here on."""
        self.leg += 1
        self.rows[-1] = (*self.rows[-1][:4], self.leg)

    def stay(self, seconds: float) -> None:
        self.begin()
        _, rpm, load, is_cut, _ = self.rows[-1]
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


def _hold_points(
    legs: _Legs, car: Car, plan: SessionPlan, rng: np.random.Generator
) -> list[tuple[float, float, float, float, int]]:
    """Hold the points, with what happens between; return start, end, speed, load and leg."""
    points = random_points(car, plan.holds, rng) if plan.points is None else plan.points
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
    return holds


def _load_at(car: Car, share: float, rpm: Floats) -> Floats:
    """Load at a share of what the engine can do at each speed."""
    return np.asarray(car.lowest_load + share * (car.highest_load(rpm) - car.lowest_load))


def _sweeps(legs: _Legs, car: Car, plan: SessionPlan, rng: np.random.Generator) -> None:
    """Sweep speed, or load, up and down in turns; the levels come in an order by chance."""
    for number, share in enumerate(rng.permutation(np.linspace(LIGHTEST, HEAVIEST, plan.levels))):
        if plan.style == "speed sweeps":
            rpm = _swept(car.lowest_rpm, car.highest_rpm, plan.sweep_rpm_s)
            load = _load_at(car, share, rpm)
        else:
            speed = car.lowest_rpm + share * (car.highest_rpm - car.lowest_rpm)
            top = float(car.highest_load(np.array([speed]))[0])
            load = _swept(car.lowest_load, top, plan.sweep_load_s)
            rpm = np.full(len(load), speed)
        way = slice(None, None, 1 if number % 2 == 0 else -1)
        _follow(legs, rpm[way], load[way], rng)


def _swept(low: float, high: float, rate: float) -> Floats:
    return np.linspace(low, high, max(2, round((high - low) / rate / KNOT_S) + 1))


def _follow(legs: _Legs, rpm: Floats, load: Floats, rng: np.random.Generator) -> None:
    legs.go(rng.uniform(*JOIN_S), float(rpm[0]), float(load[0]))
    for number, (speed, wanted) in enumerate(zip(rpm[1:], load[1:], strict=True)):
        if number % round(SAME_S / KNOT_S) == 0:
            legs.begin()
        legs.go(KNOT_S, float(speed), float(wanted))


class _RoadCar:
    """A car on a road, by turns pulling, cruising and slowing."""

    def __init__(self, legs: _Legs, car: Car, rng: np.random.Generator) -> None:
        self.legs, self.car, self.rng = legs, car, rng
        self.rpm, self.gear = car.lowest_rpm, 0

    def drive(self, until_s: float) -> None:
        while self.legs.now < until_s:
            self._pull()
            self._cruise()
            self._slow_down()

    def _go(self, seconds: float, rpm: float, share: float) -> None:
        """Go on to a speed that the engine can hold, at a share of its load there."""
        self.rpm = float(np.clip(rpm, self.car.lowest_rpm, self.car.highest_rpm))
        self.legs.go(seconds, self.rpm, float(_load_at(self.car, share, np.array([self.rpm]))[0]))

    def _pull(self) -> None:
        share, top = self.rng.uniform(0.25, 1.0), len(PULL_RPM_S) - 1
        span = self.car.highest_rpm - self.car.lowest_rpm
        shift_rpm = self.car.lowest_rpm + span * (0.35 + 0.5 * share + self.rng.uniform(-0.1, 0.1))
        last = int(self.rng.integers(min(self.gear + 1, top), top + 1))
        self.legs.begin()
        self._go(0.4, self.rpm, share)
        while True:
            rise = PULL_RPM_S[self.gear] * share * KNOT_S
            while self.rpm < shift_rpm - rise:
                self._go(KNOT_S, self.rpm + rise, share)
            if self.gear >= last:
                return
            self._shift()
            self._go(0.4, self.rpm, share)

    def _shift(self) -> None:
        low = self.rpm * GEAR_STEPS[self.gear]
        self.gear, self.rpm = self.gear + 1, max(low, self.car.lowest_rpm)
        self.legs.go(0.1, self.rpm, self.car.overrun_load, is_cut=True)
        self.legs.go(SHIFT_S, self.rpm, self.car.overrun_load)

    def _cruise(self) -> None:
        if self.gear < len(PULL_RPM_S) - 1:
            self._shift()
        share = self.rng.uniform(0.1, 0.5)
        self.legs.begin()
        for _ in range(int(self.rng.integers(2, 9))):
            share = float(np.clip(share + self.rng.normal(0.0, 0.08), 0.03, 0.9))
            self._go(HILL_S, self.rpm * (1.0 + self.rng.normal(0.0, 0.02)), share)

    def _slow_down(self) -> None:
        low = max(self.car.lowest_rpm, self.rpm * self.rng.uniform(0.5, 0.9))
        self.legs.go(0.2, self.rpm, self.car.overrun_load, is_cut=True)
        self.legs.go(self.rng.uniform(1.5, 4.0), low, self.car.overrun_load, is_cut=True)
        self.gear = max(self.gear - int(self.rng.integers(1, 4)), 0)
        back = 1.0 if self.gear else self.car.lowest_rpm / low
        self._go(0.4, low * back, 0.1)
        if self.gear == 0:
            self.legs.go(2.0, self.car.idle_rpm, self.car.idle_load)
            self.legs.stay(self.rng.uniform(3.0, 10.0))
            self._go(1.5, self.car.lowest_rpm, 0.2)


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

    Raises
    ------
    InputError
        When there is no such style.
    """
    legs = _Legs(car.idle_rpm, car.idle_load)
    if plan.style == "holds":
        holds = _hold_points(legs, car, plan, rng)
    else:
        holds = []
        _drive_on(legs, car, plan, rng)
    legs.go(2.0, car.idle_rpm, car.idle_load)
    columns = ["start_s", "end_s", "rpm", "load"]
    table = pd.DataFrame(holds, columns=[*columns, "leg"])
    return Route(legs.frame(), table.astype({**dict.fromkeys(columns, float), "leg": int}))


def _drive_on(legs: _Legs, car: Car, plan: SessionPlan, rng: np.random.Generator) -> None:
    """Drive what is not a hold."""
    if plan.warm_up_s > 0:
        _warm_up(legs, car, plan, rng)
    if plan.style == "road":
        _RoadCar(legs, car, rng).drive(legs.now + plan.road_s)
    elif plan.style in ("speed sweeps", "load sweeps"):
        _sweeps(legs, car, plan, rng)
    else:
        raise InputError(
            f"there is no style of driving {plan.style!r}.",
            where="session plan",
            mend=f"Give one of {', '.join(get_args(Style))}.",
        )
