"""Slow sweeps of speed at constant load, where they teach more in their time than holds.

A sweep there and back reads each cell on its way as a few blocks of moving samples. What the blocks
of one cell share does not average out, so that a cell is never known better from a sweep than from
a hold; a sweep gains where cells are narrow and a hold in each would cost more moves. Sweeps stay
below boost and below heavy load, where nobody needs to watch a ceiling while speed moves.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.channels import load_offset
from tuneassist.correction.cell_readings import in_boost
from tuneassist.evidence.block_errors import FIRST_SD, variance_columns
from tuneassist.evidence.hull import MIN_WEIGHT
from tuneassist.evidence.moving_blocks import BLOCK_S
from tuneassist.evidence.visits import nearest_cell
from tuneassist.grid import Axes, Floats, bilinear_weights
from tuneassist.loop.hold_order import band_of
from tuneassist.loop.settings import PlanSettings
from tuneassist.loop.uncertainty import MapUncertainty
from tuneassist.pipeline import Evidence
from tuneassist.settings import Setup
from tuneassist.units import ATMOSPHERE_KPA

Mask = npt.NDArray[np.bool_]
Index = npt.NDArray[np.int64]

#: Rate of a sweep: slow enough that wall film and boost keep up (common practice). [rpm/s]
RATE_RPM_S = 35.0
#: Samples of a block at ten rows a second, the usual rate of loggers. [1]
BLOCK_SAMPLES = 10.0 * BLOCK_S
#: Fewest cells of a sweep; with fewer, holds are as quick. [cells]
MIN_CELLS = 3.0
#: A sweep must take away so much more than holds in the same time, for its error is only guessed
#: before it is driven. [1]
CLEARLY_MORE = 1.1
#: Most sweeps of one plan, and the share of the time that they may take: holds check them. [1]
MAX_SWEEPS, MAX_SHARE = 3, 0.5

SWEEP_COLUMNS = ("load", "rpm", "rpm_to", "sweep_s", "move_s")


@dataclass(frozen=True, eq=False)
class Sweep:
    """A sweep of speed at constant load, there and back.

    Parameters
    ----------
    points
        Places on its way, in order of speed.
    rpm, rpm_to, load
        From, to, and where. [rpm], [load unit]
    noise
        Variance of what it reads at each of the points. [ln^2]
    seconds
        Time of both ways. [s]
    """

    points: Index
    rpm: float
    rpm_to: float
    load: float
    noise: Floats
    seconds: float

    def after(self, uncertainty: MapUncertainty) -> MapUncertainty:
        """Return the uncertainty after the sweep; later holds have their own noise again."""
        noise = uncertainty.noise.copy()
        noise[self.points] = self.noise
        swept = replace(uncertainty, noise=noise)
        for point in self.points.tolist():
            swept = swept.after(point)
        return replace(swept, noise=uncertainty.noise)


def no_sweeps() -> pd.DataFrame:
    """Return the table of a plan without sweeps."""
    return pd.DataFrame({name: np.empty(0) for name in SWEEP_COLUMNS})


def sweep_table(sweeps: list[Sweep], settings: PlanSettings) -> pd.DataFrame:
    """Return one row per sweep, `SWEEP_COLUMNS`. [load unit], [rpm], [s]"""
    rows = [(one.load, one.rpm, one.rpm_to, one.seconds, settings.move_s) for one in sweeps]
    return pd.DataFrame(rows, columns=list(SWEEP_COLUMNS)) if rows else no_sweeps()


def choose_sweeps(
    uncertainty: MapUncertainty,
    places: pd.DataFrame,
    evidence: Evidence,
    *,
    setup: Setup,
    settings: PlanSettings,
    price: Floats,
    time_s: float,
) -> list[Sweep]:
    """Choose the sweeps that teach clearly more than holds in the same time.

    Parameters
    ----------
    uncertainty
        Of the map today; where it is only assumed, no sweep is chosen.
    places
        With ``rpm, load, is_allowed``.
    evidence
        Tells which cells are in boost.
    setup, settings
        Axes and limits; prices of time.
    price
        Time of a hold at each place. [s]
    time_s
        Time of the whole plan. [s]
    """
    if uncertainty.is_assumed or len(evidence.cells) != setup.axes.size:
        return []
    free = _is_calm(places, evidence, setup, settings)
    left_s, chosen = MAX_SHARE * time_s, list[Sweep]()
    candidates = list(_candidates(places, free, setup.axes, uncertainty.noise))
    while candidates and len(chosen) < MAX_SWEEPS:
        best = _best(candidates, uncertainty, places, price, left_s - settings.move_s)
        if best is None:
            break
        chosen.append(best)
        left_s -= best.seconds + settings.move_s
        uncertainty = best.after(uncertainty)
        candidates = [one for one in candidates if one.load != best.load]
    return chosen


def _is_calm(
    places: pd.DataFrame, evidence: Evidence, setup: Setup, settings: PlanSettings
) -> Mask:
    """Places where speed may be swept: allowed, below boost, and below heavy load."""
    rpm, load = (places[name].to_numpy(dtype=float) for name in ("rpm", "load"))
    boost = in_boost(evidence.cells, setup.axes, setup.limits).astype(float)
    is_boost = np.asarray(bilinear_weights(setup.axes, rpm, load) @ boost) >= MIN_WEIGHT
    offset = load_offset(setup.axes, ATMOSPHERE_KPA)
    is_heavy = band_of(load, float(load.max()), settings, offset=offset) == 2
    return np.asarray(places["is_allowed"].to_numpy(dtype=bool) & ~is_boost & ~is_heavy)


def _candidates(places: pd.DataFrame, free: Mask, axes: Axes, noise: Floats) -> Iterator[Sweep]:
    """Unbroken runs of speed at one load, whole and in halves."""
    rpm, load = (places[name].to_numpy(dtype=float) for name in ("rpm", "load"))
    half_steps = np.round(2.0 * np.interp(rpm, axes.rpm, np.arange(len(axes.rpm))))
    for level in np.unique(load[free]):
        rows = np.flatnonzero(free & (load == level))
        rows = rows[np.argsort(rpm[rows])]
        for run in np.split(rows, np.flatnonzero(np.diff(half_steps[rows]) > 1) + 1):
            middle = len(run) // 2
            for part in (run, run[: middle + 1], run[middle:]):
                if len(part) > 2.0 * MIN_CELLS:
                    yield _sweep(part, rpm, float(level), axes, noise)


def _sweep(points: Index, rpm: Floats, load: float, axes: Axes, noise: Floats) -> Sweep:
    speed = rpm[points]
    spent_s = 2.0 * np.gradient(speed) / RATE_RPM_S
    spent_s[[0, -1]] /= 2.0
    blocks = pd.DataFrame({"samples": BLOCK_SAMPLES, "rate_per_s": RATE_RPM_S / speed})
    own = variance_columns(blocks, np.zeros(len(points))) @ FIRST_SD**2
    cell = nearest_cell(axes, speed, np.full(len(points), load))
    alike = np.bincount(cell)[cell]  # places of one cell share what its blocks share
    count = np.maximum(spent_s / BLOCK_S, 1e-3)
    return Sweep(
        points=points,
        rpm=float(speed[0]),
        rpm_to=float(speed[-1]),
        load=load,
        noise=noise[points] * alike + own / count,
        seconds=float(2.0 * (speed[-1] - speed[0]) / RATE_RPM_S),
    )


def _best(
    candidates: list[Sweep],
    uncertainty: MapUncertainty,
    places: pd.DataFrame,
    price: Floats,
    left_s: float,
) -> Sweep | None:
    """The sweep that gains most over holds in the same time per second, if clearly more."""
    fitting = [one for one in candidates if one.seconds <= left_s]
    if not fitting:
        return None
    seconds = np.array([one.seconds for one in fitting])
    gains = np.array([_gain(one, uncertainty) for one in fitting])
    spent_s, taken = _course_of_holds(uncertainty, places, price, float(seconds.max()))
    more = (gains - CLEARLY_MORE * np.interp(seconds, spent_s, taken)) / seconds
    best = int(np.argmax(more))
    return fitting[best] if more[best] > 0 else None


def _gain(sweep: Sweep, uncertainty: MapUncertainty) -> float:
    """Weighted mean variance that a sweep takes away. [ln^2]"""
    covariance, points = uncertainty.covariance, sweep.points
    shared = covariance[:, points] + covariance[:, -1:]
    read = shared[points] + shared[-1] + np.diag(sweep.noise)
    taken = np.sum(shared[:-1].T * np.linalg.solve(read, shared[:-1].T), axis=0)
    return float(uncertainty.weight @ taken)


def _course_of_holds(
    uncertainty: MapUncertainty, places: pd.DataFrame, price: Floats, seconds: float
) -> tuple[Floats, Floats]:
    """What the best holds take away by the time that they take. [s], [ln^2]"""
    free, before = places["is_allowed"].to_numpy(dtype=bool).copy(), uncertainty.total
    spent_s, taken = [0.0], [0.0]
    while spent_s[-1] < seconds and free.any():
        best = int(np.argmax(np.where(free, uncertainty.gains() / price, -np.inf)))
        uncertainty, free[best] = uncertainty.after(best), False
        spent_s.append(spent_s[-1] + float(price[best]))
        taken.append(before - uncertainty.total)
    return np.array(spent_s), np.array(taken)


def sweep_sentences(sweeps: pd.DataFrame, *, load_unit: str) -> Iterator[str]:
    """Tell the operator which sweeps come first.

    Examples
    --------
    >>> row = pd.DataFrame([(60.0, 1500.0, 3500.0, 114.3, 1.0)], columns=list(SWEEP_COLUMNS))
    >>> next(sweep_sentences(row, load_unit="kPa"))
    'sweep first, ahead of the holds: 1500 to 3500 rpm and back at 60 kPa, about 35 rpm/s, 114 s; \
it teaches more than holds in the same time'
    """
    for row in sweeps.itertuples():
        yield (
            f"sweep first, ahead of the holds: {row.rpm:.0f} to {row.rpm_to:.0f} rpm and back at "
            f"{row.load:.4g} {load_unit}, about {RATE_RPM_S:g} rpm/s, {row.sweep_s:.0f} s; it "
            "teaches more than holds in the same time"
        )
