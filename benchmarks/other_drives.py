"""A second engine, second part: how it is driven, 100 times a second.

A drive says the speed that brake or road force on the engine, and the manifold pressure that
throttle and turbocharger would settle at. What the engine makes of it is in `other_dynamics`.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from other_truth import BAROMETER_KPA, Floats, Rng, is_reachable, largest_load, smallest_load
from scipy.signal import lfilter
from scipy.stats import qmc

RATE_HZ = 100.0
DT_S = 1.0 / RATE_HZ
MOVE_S = (1.0, 3.0)
"""Length of a move from one hold to the next."""
CLOSED_KPA = 24.0
IDLE_RPM, IDLE_KPA = 900.0, 36.0


@dataclass(frozen=True, eq=False)
class Drive:
    """Speed, and manifold pressure asked for [kPa absolute]; `is_closed`: foot off the throttle."""

    rpm: Floats
    load: Floats
    is_closed: npt.NDArray[np.bool_]

    @property
    def seconds(self) -> float:
        """Length of the drive. [s]"""
        return len(self.rpm) * DT_S


def throttle_of(load: Floats, rpm: Floats) -> Floats:
    """Throttle position that settles at that pressure. [percent]

    Flow through the throttle is choked below half of ambient pressure, and follows
    ``2 sqrt(x (1 - x))`` above; it equals what the engine draws, which goes with speed and x.
    """
    x = np.minimum(load / BAROMETER_KPA, 0.985)
    opening = np.where(x <= 0.5, x, np.sqrt(x / (4.0 * (1.0 - x)))) * rpm / 6500.0
    return 100.0 * opening / (opening + 0.35)


def load_of(throttle_pct: npt.ArrayLike, rpm: Floats) -> Floats:
    """Pressure at which that throttle settles without boost: the inverse of `throttle_of`. [kPa]"""
    share = np.asarray(throttle_pct, float) / 100.0
    k = 0.35 * share / (1.0 - share) * 6500.0 / rpm
    return BAROMETER_KPA * np.where(k <= 0.5, k, 4.0 * k**2 / (1.0 + 4.0 * k**2))


def holds(n: int, hold_s: float, rng: Rng, lattice: tuple[Floats, Floats] | None = None) -> Drive:
    """Hold n points: spread over the reachable map, or drawn from a lattice's breakpoints."""
    points = _lattice_points(n, rng, *lattice) if lattice else _spread_points(n, rng)
    moves = rng.uniform(*MOVE_S, n)
    start = np.array([[IDLE_RPM + 600.0, 45.0]])
    points = np.concatenate([start, points])
    ends = np.cumsum(moves + hold_s)
    knots = np.concatenate([[0.0], np.stack([ends - hold_s, ends], axis=1).ravel()])
    values = np.concatenate([points[:1], np.repeat(points[1:], 2, axis=0)])
    return wobbled(*_eased(knots, values), rng)


def speed_sweeps(rate_rpm_s: float, rng: Rng, levels: int = 7) -> Drive:
    """Sweep speed up and down in turns, at as many standing throttles, boost among them."""
    wanted = np.linspace(32.0, 185.0, levels) * rng.uniform(0.96, 1.04, levels)
    up = np.arange(1100.0, 6300.0, rate_rpm_s * DT_S)
    parts = []
    for number, level in enumerate(wanted):
        rpm = up if number % 2 == 0 else up[::-1]
        throttle = throttle_of(np.array([min(level, 97.0)]), np.array([3000.0]))
        natural = load_of(throttle, rpm)
        boost = max(level - BAROMETER_KPA, 0.0) * np.clip((rpm - 1300.0) / 1500.0, 0.0, 1.0)
        parts.append((rpm, np.clip(natural + boost, smallest_load(rpm), largest_load(rpm))))
    return wobbled(*_joined(parts, rng), rng)


def load_sweeps(kpa_s: float, rng: Rng, levels: int = 9) -> Drive:
    """Sweep load up and down in turns, at as many standing speeds."""
    speeds = np.linspace(1100.0, 6300.0, levels) + rng.uniform(-120.0, 120.0, levels)
    parts = []
    for number, speed in enumerate(speeds):
        low, high = float(smallest_load(speed)), float(largest_load(speed))
        load = np.arange(low, high, kpa_s * DT_S)
        load = load if number % 2 == 0 else load[::-1]
        parts.append((np.full(len(load), speed), load))
    return wobbled(*_joined(parts, rng), rng)


def road(minutes: float, rng: Rng) -> Drive:
    """Drive on a road: gears, accelerations, cruising over hills, overrun."""
    car = _RoadCar(rng)
    rows = np.array([car.tenth() for _ in range(int(minutes * 600.0))])
    time = np.arange(int(minutes * 60.0 * RATE_HZ)) * DT_S
    rpm, load, closed = (np.interp(time, 0.1 * np.arange(len(rows)), c) for c in rows.T)
    rpm, load = (_followed(values, 0.15) for values in (rpm, load))
    drive = wobbled(rpm, load, rng)
    is_closed = closed > 0.5
    return Drive(drive.rpm, np.where(is_closed, load, drive.load), is_closed)


def idling(seconds: float, rng: Rng) -> Drive:
    """Stand at a fast idle, as while warming up."""
    n = int(seconds * RATE_HZ)
    return wobbled(np.full(n, IDLE_RPM + 300.0), np.full(n, IDLE_KPA), rng)


def after(first: Drive, second: Drive, rng: Rng) -> Drive:
    """Put one drive behind the other, with a move between."""
    rpm, load = _joined([(first.rpm, first.load), (second.rpm, second.load)], rng)
    between = len(rpm) - len(first.rpm) - len(second.rpm)
    closed = [first.is_closed, np.zeros(between, bool), second.is_closed]
    return Drive(rpm, load, np.concatenate(closed))


def wobbled(rpm: Floats, load: Floats, rng: Rng) -> Drive:
    """Add what operator and brake do not hold still: quick hunting and slow straying."""
    n = len(rpm)
    rpm = rpm * (1.0 + 0.002 * wandering(n, 0.8, rng) + 0.002 * wandering(n, 8.0, rng))
    load = load * (1.0 + 0.004 * wandering(n, 0.6, rng) + 0.005 * wandering(n, 8.0, rng))
    return Drive(np.clip(rpm, 800.0, 6500.0), np.clip(load, 20.0, 200.0), np.zeros(n, bool))


def wandering(n: int, time_s: float, rng: Rng) -> Floats:
    """Ornstein-Uhlenbeck noise of unit variance, stationary from its first sample."""
    keep = np.exp(-DT_S / time_s)
    start = rng.normal()
    shocks = rng.normal(0.0, np.sqrt(1.0 - keep**2), n)
    shocks[0] = start
    return np.asarray(lfilter([1.0], [1.0, -keep], shocks))


def _followed(values: Floats, time_s: float) -> Floats:
    keep = np.exp(-DT_S / time_s)
    followed = lfilter([1.0 - keep], [1.0, -keep], values - values[0])
    return np.asarray(followed + values[0])


def _spread_points(n: int, rng: Rng) -> Floats:
    """Points of a scrambled Halton sequence, as a person spreads them, in an order by chance."""
    shares = qmc.Halton(2, seed=rng).random(4 * n + 16)
    points = np.array([900.0, 25.0]) + shares * np.array([5450.0, 168.0])
    return np.asarray(rng.permutation(points[is_reachable(*points.T)][:n]))


def _lattice_points(n: int, rng: Rng, rpm: Floats, load: Floats) -> Floats:
    points = np.stack([g.ravel() for g in np.meshgrid(rpm, load, indexing="ij")], axis=1)
    points = points[is_reachable(*points.T)]
    return np.asarray(rng.permutation(points)[:n])


def _eased(knots_s: Floats, values: Floats) -> tuple[Floats, Floats]:
    """Go through the knots, each way with a gentle start and end."""
    time = np.arange(0.0, knots_s[-1], DT_S)
    leg = np.clip(np.searchsorted(knots_s, time, side="right") - 1, 0, len(knots_s) - 2)
    share = (time - knots_s[leg]) / np.maximum(knots_s[leg + 1] - knots_s[leg], DT_S)
    ease = share**3 * (10.0 - 15.0 * share + 6.0 * share**2)
    rpm, load = (values[leg] + ease[:, None] * (values[leg + 1] - values[leg])).T
    return rpm, load


def _joined(parts: list[tuple[Floats, Floats]], rng: Rng) -> tuple[Floats, Floats]:
    """Put parts one behind the other with a move of some seconds between."""
    rpm, load = [parts[0][0]], [parts[0][1]]
    for before, behind in pairwise(parts):
        ends = np.array([[before[0][-1], before[1][-1]], [behind[0][0], behind[1][0]]])
        way = _eased(np.array([0.0, rng.uniform(*MOVE_S) + 1.0]), ends)
        rpm += [way[0], behind[0]]
        load += [way[1], behind[1]]
    return np.concatenate(rpm), np.concatenate(load)


class _RoadCar:
    """A car on a road, a tenth of a second at a time: what a driver does is a chain of choices."""

    RATIOS = (310.0, 180.0, 125.0, 97.0, 78.0)
    """Engine speed per road speed in each gear. [rpm per m/s]"""
    MASS_KG, NM_PER_KPA, FRICTION_KPA, STEP_S = 1400.0, 1.7, 32.0, 0.1
    SHIFT_TENTHS = 6

    def __init__(self, rng: Rng) -> None:
        self.rng, self.speed, self.gear, self.slope = rng, 6.0, 1, 0.0
        self.shift, self.cruise, self.pull = 0, 0, 80.0
        self._choose()

    def _choose(self) -> None:
        self.wanted = float(self.rng.choice([9.0, 13.0, 17.0, 22.0, 28.0, 34.0]))
        self.pull = float(self.rng.uniform(55.0, 190.0))
        self.shift_rpm = 2400.0 + 24.0 * (self.pull - 55.0) + self.rng.uniform(0.0, 900.0)
        self.rest_rpm = float(self.rng.uniform(2100.0, 4200.0))
        self.cruise = int(self.rng.uniform(40.0, 200.0))

    def tenth(self) -> tuple[float, float, float]:
        """Drive on for 0.1 s; give speed, load asked for, and whether the throttle is closed."""
        self.slope += 0.1 * (-self.slope / 15.0) + 0.0025 * self.rng.normal()
        ratio = self.RATIOS[self.gear]
        pull_n = self.NM_PER_KPA * ratio * 2.0 * np.pi / 60.0 * 0.9
        drag_n = 180.0 + 0.42 * self.speed**2 + self.MASS_KG * 9.81 * self.slope
        load, closed = self._foot(drag_n, pull_n, ratio * self.speed)
        force = pull_n * (load - self.FRICTION_KPA) - drag_n
        braking = 1.0 * self.MASS_KG if closed and not self.shift else 0.0
        self.speed = max(self.speed + self.STEP_S * (force - braking) / self.MASS_KG, 3.0)
        self._shift_where_due()
        rpm = float(np.clip(self.RATIOS[self.gear] * self.speed, IDLE_RPM, 6300.0))
        return rpm, load, float(closed)

    def _foot(self, drag_n: float, pull_n: float, rpm: float) -> tuple[float, bool]:
        if self.shift:
            self.shift -= 1
            return CLOSED_KPA, True
        if self.speed > self.wanted + 1.5:
            return CLOSED_KPA, True
        if self.speed < self.wanted - 1.5:
            return float(np.minimum(self.pull, largest_load(max(rpm, IDLE_RPM)))), False
        self.cruise -= 1
        if self.cruise < 0:
            self._choose()
        load = self.FRICTION_KPA + (drag_n + 300.0 * (self.wanted - self.speed)) / pull_n
        return float(np.clip(load, 28.0, largest_load(max(rpm, IDLE_RPM)))), False

    def _shift_where_due(self) -> None:
        if self.shift:
            return
        rpm = self.RATIOS[self.gear] * self.speed
        at_rest = abs(self.speed - self.wanted) < 1.5
        up = rpm > (self.rest_rpm if at_rest else min(self.shift_rpm, 6100.0))
        if up and self.gear < 4:
            self.gear, self.shift = self.gear + 1, self.SHIFT_TENTHS
        elif rpm < 1250.0 and self.gear > 0:
            self.gear, self.shift = self.gear - 1, self.SHIFT_TENTHS
