"""Drive one of the simulated cars with any grid in its controller, and log it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import TypeVar, get_args

import numpy as np

from tuneassist.errors import GridError, InputError
from tuneassist.grid import Floats, Grid
from tuneassist.simulate.by_hand import Wanted, find_by_hand
from tuneassist.simulate.engine import TrueEngine
from tuneassist.simulate.logs import Dialect, LogColumn, log_text
from tuneassist.simulate.pulls import PullPlan, simulate_pulls
from tuneassist.simulate.route import SessionPlan, Style
from tuneassist.simulate.sample_logs import PETROL_FIRST, VAN_FIRST, petrol_engine, van_engine
from tuneassist.simulate.session import Session, simulate_session

_Kind = TypeVar("_Kind")

STYLES: Mapping[str, Style] = MappingProxyType(
    {style.replace(" ", "-"): style for style in get_args(Style)}
)
"""Words for how the car is driven, in one word each."""
MOST_SESSIONS = 1_000_000
"""Highest number of a session; the number is the seed of its randomness. [1]"""
MOST_PULLS, MOST_SPOTS, MOST_LOAD_PCT = 30, 500, 40.0
"""More pulls and spots than a day holds, and more load than this kind of engine bears. [1], [%]"""
BAROMETER = LogColumn("barometer_kpa", "Barometer", "mbar", 1)
"""Logged with full-load runs, so that they can be corrected to a standard's air."""


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


def drive(
    car: str,
    *,
    session: int = 1,
    grid: Grid | None = None,
    style: str = "holds",
    more_load_pct: float = 0.0,
) -> bytes:
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
    more_load_pct
        How much more load full pedal reaches than on the standard car. [%]

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
    engine, rng = _prepared(chosen, session=session, grid=grid, more_load_pct=more_load_pct)
    plan = replace(chosen.plan, style=driven)
    return _as_file(
        simulate_session(engine, plan, grid=grid, rng=rng), chosen, f"session {session}"
    )


def drive_pulls(
    car: str,
    pulls: int,
    *,
    session: int = 1,
    grid: Grid | None = None,
    more_load_pct: float = 0.0,
) -> bytes:
    """Pull a simulated car from low to high speed at full load, and return its log file.

    Parameters
    ----------
    car, session, grid, more_load_pct
        As for `drive`.
    pulls
        Number of pulls. [1]

    Returns
    -------
    bytes
        The log, in the format of the car's sample logs, with the air of the room.

    Raises
    ------
    InputError
        As `drive`, and when the number of pulls is not possible.
    """
    chosen = _one_of(CARS, car, "car")
    _check_count(pulls, MOST_PULLS, "pulls")
    engine, rng = _prepared(chosen, session=session, grid=grid, more_load_pct=more_load_pct)
    logged = simulate_pulls(engine, PullPlan(pulls=pulls), grid=grid, rng=rng)
    dialect = replace(chosen.dialect, columns=(*chosen.dialect.columns, BAROMETER))
    return _as_file(logged, replace(chosen, dialect=dialect), f"full-load runs, session {session}")


def spots_by_hand(
    car: str,
    spots: int,
    *,
    session: int = 1,
    grid: Grid | None = None,
    wanted: Wanted | None = None,
) -> bytes:
    """Find corrections by hand on a simulated car, and return the list as a file.

    Parameters
    ----------
    car, session, grid
        As for `drive`.
    spots
        Number of spots; a floor may leave fewer. [1]
    wanted
        Breakpoints and target; None takes the car's own.

    Returns
    -------
    bytes
        ``rpm``, load, ``total_pct`` and a remark that says that they are simulated.

    Raises
    ------
    InputError
        As `drive`, and when the number of spots is not possible.
    """
    chosen = _one_of(CARS, car, "car")
    _check_count(spots, MOST_SPOTS, "spots")
    engine, rng = _prepared(chosen, session=session, grid=grid)
    found = find_by_hand(engine, spots, grid=grid, wanted=wanted, rng=rng)
    rows = [f"rpm,load ({engine.car.axes.load_unit}),total_pct,remark"]
    rows += [f"{r.rpm:g},{r.load:g},{r.total_pct:g},simulated" for r in found.itertuples()]
    return ("\n".join(rows) + "\n").encode("ascii")


def zero_grid(car: str) -> Grid:
    """Return the grid of a simulated car's controller as it comes: all zeros.

    Raises
    ------
    InputError
        When there is no such car.
    """
    return Grid.zeros(_one_of(CARS, car, "car").engine().car.axes)


def _prepared(
    chosen: SimulatedCar, *, session: int, grid: Grid | None, more_load_pct: float = 0.0
) -> tuple[TrueEngine, np.random.Generator]:
    """Return the engine, and the randomness of the session; refuse what is not possible."""
    _check_count(session, MOST_SESSIONS, "sessions")
    engine = chosen.engine()
    if grid is not None:
        _check_grid(grid, engine)
    if not 0.0 <= more_load_pct <= MOST_LOAD_PCT:
        raise InputError(
            f"{more_load_pct:g} % more load is not possible.",
            mend=f"Give 0 to {MOST_LOAD_PCT:g} %.",
        )
    if more_load_pct:
        load = engine.car.max_load * (1.0 + more_load_pct / 100.0)
        engine = replace(engine, car=replace(engine.car, max_load=load))
    return engine, np.random.default_rng(chosen.first_seed + session - 1)


def _check_count(count: int, most: int, what: str) -> None:
    if not 1 <= count <= most:
        raise InputError(
            f"{what}: {count} is not possible.", mend=f"Give a number from 1 to {most}."
        )


def _as_file(logged: Session, chosen: SimulatedCar, what: str) -> bytes:
    """Return the log file, with what was driven in its first line."""
    first = chosen.dialect.preamble[0].replace("session 1", what)
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
