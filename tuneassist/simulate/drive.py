"""Drive one of the simulated cars with any grid in its controller, and log it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import TypeVar, get_args

import numpy as np

from tuneassist.errors import GridError, InputError
from tuneassist.grid import Floats, Grid
from tuneassist.simulate.engine import TrueEngine
from tuneassist.simulate.logs import Dialect, log_text
from tuneassist.simulate.route import SessionPlan, Style
from tuneassist.simulate.sample_logs import PETROL_FIRST, VAN_FIRST, petrol_engine, van_engine
from tuneassist.simulate.session import simulate_session

_Kind = TypeVar("_Kind")

STYLES: Mapping[str, Style] = MappingProxyType(
    {style.replace(" ", "-"): style for style in get_args(Style)}
)
"""Words for how the car is driven, in one word each."""
MOST_SESSIONS = 1_000_000
"""Highest number of a session; the number is the seed of its randomness. [1]"""


@dataclass(frozen=True, eq=False)
class SimulatedCar:
    """A simulated car that can be driven at will.

    Parameters
    ----------
    engine
        Makes its engine, the one behind its sample logs.
    dialect
        How its logger writes; its sample setup reads that.
    plan
        What is driven in a session of holds.
    first_seed
        Seed of session 1, which is the first sample log.
    """

    engine: Callable[[], TrueEngine]
    dialect: Dialect
    plan: SessionPlan
    first_seed: int


CARS: Mapping[str, SimulatedCar] = MappingProxyType(
    {
        "petrol": SimulatedCar(petrol_engine, PETROL_FIRST, SessionPlan(spike_share=0.002), 1),
        "van": SimulatedCar(van_engine, VAN_FIRST, SessionPlan(stamp_s=0.001), 3),
    }
)


def drive(car: str, *, session: int = 1, grid: Grid | None = None, style: str = "holds") -> bytes:
    """Drive a simulated car, and return its log file.

    Parameters
    ----------
    car
        One of `CARS`.
    session
        Which session: the same number is the same drive, another is another day's.
    grid
        What the controller holds, on any breakpoints; None is all zeros.
    style
        One of `STYLES`.

    Returns
    -------
    bytes
        The log, in the format of the car's sample logs; its first line says that it is simulated.
        The same arguments give the same bytes.

    Raises
    ------
    InputError
        When a name or the number is not known, or the grid is not one that this car can hold.
    """
    chosen, driven = _one_of(CARS, car, "car"), _one_of(STYLES, style, "style")
    if not 1 <= session <= MOST_SESSIONS:
        raise InputError(
            f"session {session} does not exist.", mend=f"Number them from 1 to {MOST_SESSIONS}."
        )
    engine = chosen.engine()
    if grid is not None:
        _check_grid(grid, engine)
    plan = replace(chosen.plan, style=driven)
    rng = np.random.default_rng(chosen.first_seed + session - 1)
    logged = simulate_session(engine, plan, grid=grid, rng=rng)
    first = chosen.dialect.preamble[0].replace("session 1", f"session {session}")
    dialect = replace(chosen.dialect, preamble=(first,))
    return log_text(logged, dialect).encode(dialect.encoding)


def _one_of(known: Mapping[str, _Kind], name: str, what: str) -> _Kind:
    if name not in known:
        raise InputError(f"there is no {what} {name!r}.", mend=f"One of {', '.join(known)}.")
    return known[name]


def _check_grid(grid: Grid, engine: TrueEngine) -> None:
    """Refuse a grid with empty cells, or on axes beside what the car runs through."""
    axes, car = grid.axes, engine.car
    blank = np.argwhere(np.isnan(grid.values))
    if len(blank):
        rpm, load = axes.rpm[blank[0, 0]], axes.load[blank[0, 1]]
        raise GridError(
            f"{len(blank)} cell(s) are empty, the first at {rpm:g} rpm and load {load:g}.",
            where=axes.where,
            mend="A controller holds a number in every cell: write 0 where nothing is corrected.",
        )
    _check_range(axes.rpm, (car.lowest_rpm, car.highest_rpm), "rpm", "speed in rpm", axes.where)
    what = f"{car.axes.load_name} in {car.axes.load_unit}"
    _check_range(axes.load, (car.lowest_load, float(car.max_load.max())), "load", what, axes.where)


def _check_range(
    points: Floats, used: tuple[float, float], name: str, what: str, where: str
) -> None:
    if points[0] < used[1] and points[-1] > used[0]:
        return
    raise GridError(
        f"the {name} axis runs from {points[0]:g} to {points[-1]:g}; this car runs from "
        f"{used[0]:g} to {used[1]:g}.",
        where=where,
        mend=f"The axis of this car is {what}.",
    )
