"""A second engine, fifth part: what could be known from a log by one who is told the dynamics.

The witness knows films, filling, delay and lag of the engine, and what it drove; it does not know
the field, the day's offset or the noise. What it reaches says how much a log holds: no estimator
that must find the dynamics as well does much better.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd
from other_drives import DT_S, RATE_HZ, Drive
from other_dynamics import (
    Options,
    Table,
    Trace,
    emission_step,
    exhaust_flow,
    sensor_time,
    simulate,
)
from other_truth import Floats, OtherEngine
from scipy import sparse
from scipy.sparse.linalg import spsolve

SAMPLE_SCATTER = 0.004
"""Scatter of what a second of log says, as a share."""
BEND = 0.03
"""Usual second difference of the field from cell to cell, in ln. Both were chosen on seed 9."""
LEVEL = 0.2
"""Usual size of the field where nothing is logged; loose: it keeps the sums solvable."""
CUT_REST_S = 4.0
"""So much after a fuel cut is left out."""


@dataclass(frozen=True, eq=False)
class Session:
    """One session: the engine, what it should have done, what was driven and what was logged."""

    engine: OtherEngine
    target: Table
    grid: Table
    drive: Drive
    trace: Trace
    log: pd.DataFrame
    options: Options


def witness_cells(session: Session) -> pd.DataFrame:
    """Deviation at every breakpoint by least squares on all samples, dynamics known. [percent]"""
    rows, need = _needs(session)
    body, trace = session.engine.body, session.trace
    flow = exhaust_flow(body, trace.rpm, trace.load)
    steps = np.arange(len(trace.rpm), dtype=float)
    followed = np.maximum(steps - sensor_time(body, flow) * RATE_HZ, 0.0)
    metered = np.interp(followed, steps, emission_step(body, trace.rpm, flow))[rows]
    speed, load = (np.interp(metered, steps, v) for v in (trace.rpm, trace.load))
    target = session.target
    weights = bilinear(target, speed, load)
    per_second = len(rows) / max(len(np.unique((rows * DT_S).astype(int))), 1)
    strength = 1.0 / (SAMPLE_SCATTER**2 * per_second)
    bends = _bends(len(target.rpm), len(target.load))
    system = strength * weights.T @ weights + bends.T @ bends / BEND**2
    system = system + sparse.identity(weights.shape[1]) / LEVEL**2
    field = spsolve(system.tocsc(), strength * weights.T @ need)
    field = field - np.log1p(session.grid.cells.ravel() / 100.0)
    return pd.DataFrame(
        {
            "rpm": np.repeat(target.rpm, len(target.load)),
            "load": np.tile(target.load, len(target.rpm)),
            "deviation_pct": 100.0 * np.expm1(field),
        }
    )


def _needs(session: Session) -> tuple[npt.NDArray[np.int64], Floats]:
    """Usable rows, in steps, and how far each lies from the engine without any error, in ln."""
    quiet = replace(session.engine, field=np.zeros_like(session.engine.field))
    silent = {"cylinder_spread": 0.0, "cycle_noise": 0.0, "wander": 0.0, "offset": 0.0}
    quiet = replace(quiet, body=replace(quiet.body, **silent))
    options = replace(session.options, has_trims=False)
    nothing = np.random.default_rng(0)
    known = simulate(
        quiet, session.drive, session.target, nothing, options=options, grid=session.grid
    )
    log, trace = session.log, session.trace
    rows = np.rint(log["time_s"].to_numpy() / DT_S).astype(int)
    trims = np.log1p(trace.trim_short) + np.log1p(trace.trim_long)
    flow = exhaust_flow(quiet.body, trace.rpm, trace.load)
    metered = emission_step(quiet.body, trace.rpm, flow)
    trims = np.interp(metered, np.arange(len(trims)), trims)
    reading = log["lambda"].to_numpy()
    need = np.log(reading / known.sensed[rows]) + trims[rows]
    low, high = session.engine.body.sensor_ends
    usable = (reading > low + 0.002) & (reading < high - 0.002) & ~_near_cut(trace)[rows]
    usable &= (np.abs(need) < 0.3) & np.diff(reading, prepend=np.nan).astype(bool)
    return rows[usable], need[usable]


def _near_cut(trace: Trace) -> npt.NDArray[np.bool_]:
    steps = np.arange(len(trace.is_cut))
    last = np.maximum.accumulate(np.where(trace.is_cut, steps, -(10**9)))
    return np.asarray(steps - last < CUT_REST_S * RATE_HZ)


def bilinear(table: Table, rpm: Floats, load: Floats) -> sparse.csr_matrix:
    """Weights of the four breakpoints around every point."""
    row, up = _leg(table.rpm, rpm)
    column, right = _leg(table.load, load)
    across = len(table.load)
    corners = [(0, 0), (0, 1), (1, 0), (1, 1)]
    cells = np.stack([(row + i) * across + column + j for i, j in corners], axis=1)
    shares = [(up if i else 1.0 - up) * (right if j else 1.0 - right) for i, j in corners]
    starts = 4 * np.arange(len(rpm) + 1)
    shape = (len(rpm), len(table.rpm) * across)
    return sparse.csr_matrix((np.stack(shares, axis=1).ravel(), cells.ravel(), starts), shape=shape)


def _leg(breakpoints: Floats, values: Floats) -> tuple[npt.NDArray[np.int64], Floats]:
    leg = np.clip(np.searchsorted(breakpoints, values) - 1, 0, len(breakpoints) - 2)
    share = (values - breakpoints[leg]) / np.diff(breakpoints)[leg]
    return leg, np.clip(share, 0.0, 1.0)


def _bends(rows: int, columns: int) -> sparse.csr_matrix:
    """Second differences along both axes."""

    def bend(n: int) -> sparse.csr_matrix:
        return sparse.diags([1.0, -2.0, 1.0], [0, 1, 2], shape=(n - 2, n))

    along = sparse.kron(bend(rows), sparse.identity(columns))
    across = sparse.kron(sparse.identity(rows), bend(columns))
    return sparse.vstack([along, across]).tocsr()
