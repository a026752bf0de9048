"""The closest grid within all rules at once, and its rounding to what the controller takes.

minimise    sum w_i (g_i - wanted_i)^2
subject to  lower_i <= g_i <= upper_i,   pair_lower_k <= g_i - g_j <= pair_upper_k

Strictly convex, so that the answer is unique. Where no slope rule is touched it is a clip, which is
exact; otherwise Clarabel's interior-point method solves it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import clarabel
import numpy as np
import numpy.typing as npt
from scipy import sparse

from tuneassist.correction.ruleset import DUST, RuleSet
from tuneassist.errors import RuleBreachError
from tuneassist.grid import Floats

Touched = npt.NDArray[np.bool_]
Indices = npt.NDArray[np.int64]
SOLVED = "Solved"
#: Of the solver: gap and feasibility, before the answer is made exact. Where weights and bounds
#: differ widely in size the first may not be reached; then the next is tried. [1]
TOLERANCES = (1e-12, 1e-9, 1e-7)
POLISH = 1e-3  # the exact answer is this close to the solver's, or the touched rows are wrong [%]
SNAP = 1e-6  # an answer this close to a value that the controller takes is that value [%]


def project(wanted: Floats, weights: Floats, rules: RuleSet) -> Floats:
    """Return the weighted closest grid values within the rules.

    Parameters
    ----------
    wanted
        Grid values asked for, shape (cells,). [%]
    weights
        Positive, shape (cells,); only their ratios matter.
    rules
        Bounds and slopes.

    Returns
    -------
    numpy.ndarray
        Grid values before rounding, shape (cells,). [%]

    Raises
    ------
    RuleBreachError
        When the solver does not end with a solution.
    """
    lower, upper = _tighten(rules)
    answer = np.clip(wanted, lower, upper)
    first, second = rules.pairs[:, 0], rules.pairs[:, 1]
    free = upper - lower > DUST
    live = free[first] & free[second]
    first, second = first[live], second[live]
    low, high = rules.pair_lower[live], rules.pair_upper[live]
    apart = answer[first] - answer[second]
    if ((apart >= low - DUST) & (apart <= high + DUST)).all():
        return answer
    part = replace(
        rules, lower=lower, upper=upper, pairs=rules.pairs[live], pair_lower=low, pair_upper=high
    )
    answer[free] = _solve(wanted, weights, part, np.flatnonzero(free))
    return np.clip(answer, lower, upper)


def _tighten(rules: RuleSet) -> tuple[Floats, Floats]:
    """Turn slope limits to a fixed cell into bounds of its neighbour, until none is left."""
    lower, upper = rules.lower, rules.upper
    first, second = rules.pairs[:, 0], rules.pairs[:, 1]
    is_done = np.zeros(len(lower), dtype=bool)
    while True:
        is_fixed = upper - lower <= DUST
        if (is_fixed == is_done).all():
            return lower, upper
        is_done, base = is_fixed, rules.anchor
        lower, upper = lower.copy(), upper.copy()
        at = is_fixed[second] & ~is_fixed[first]
        np.maximum.at(lower, first[at], base[second[at]] + rules.pair_lower[at])
        np.minimum.at(upper, first[at], base[second[at]] + rules.pair_upper[at])
        at = is_fixed[first] & ~is_fixed[second]
        np.maximum.at(lower, second[at], base[first[at]] - rules.pair_upper[at])
        np.minimum.at(upper, second[at], base[first[at]] - rules.pair_lower[at])
        lower, upper = np.minimum(lower, base), np.maximum(upper, base)


def _solve(wanted: Floats, weights: Floats, rules: RuleSet, free: Indices) -> Floats:
    """Solve for the free cells, relative to the anchor. [%]"""
    n, pairs = len(free), len(rules.pairs)
    place = np.full(len(wanted), -1, dtype=np.int64)
    place[free] = np.arange(n)
    row = np.arange(pairs)
    ends = place[rules.pairs]
    slope = sparse.csc_matrix(
        (
            np.concatenate([np.ones(pairs), -np.ones(pairs)]),
            (np.concatenate([row, row]), np.concatenate([ends[:, 0], ends[:, 1]])),
        ),
        shape=(pairs, n),
    )
    base = rules.anchor[free]
    apart = rules.anchor[rules.pairs[:, 0]] - rules.anchor[rules.pairs[:, 1]]
    unit = sparse.identity(n, format="csc")
    room = np.concatenate(
        [
            rules.upper[free] - base,
            base - rules.lower[free],
            rules.pair_upper - apart,
            apart - rules.pair_lower,
        ]
    )
    kept = np.flatnonzero(np.isfinite(room))
    left = sparse.vstack([unit, -unit, slope, -slope], format="csr")[kept]
    scale = np.sqrt(weights[free] / weights[free].max())
    scaled = (left @ sparse.diags(1.0 / scale)).tocsc()
    asked = scale * (wanted[free] - base)
    return np.asarray(base + _closest(asked, scaled, np.maximum(room[kept], 0.0)) / scale)


def _solution(asked: Floats, left: sparse.csc_matrix, room: Floats, tolerance: float) -> Any:
    settings = clarabel.DefaultSettings()
    settings.verbose = False
    settings.tol_gap_abs = settings.tol_gap_rel = settings.tol_feas = tolerance
    settings.presolve_enable = False
    cone = [clarabel.NonnegativeConeT(len(room))]
    unit = sparse.identity(len(asked), format="csc")
    return clarabel.DefaultSolver(unit, -asked, left, room, cone, settings).solve()


def _closest(asked: Floats, left: sparse.csc_matrix, room: Floats) -> Floats:
    """Closest point to ``asked`` with ``left @ x <= room``, exact on the rows that it touches."""
    for tolerance in TOLERANCES:
        solution = _solution(asked, left, room, tolerance)
        if str(solution.status) == SOLVED:
            break
    else:
        raise RuleBreachError(
            f"The solver did not find the closest grid within the rules ({solution.status}); "
            "nothing is proposed."
        )
    rough = np.asarray(solution.x, dtype=float)
    touched = np.asarray(solution.s) < np.asarray(solution.z)
    return _polish(rough, asked, left, room, touched)


def _polish(
    rough: Floats, asked: Floats, left: sparse.csc_matrix, room: Floats, touched: Touched
) -> Floats:
    """Project onto the touched rows exactly; keep the rough answer where that breaks a row."""
    rows = left[np.flatnonzero(touched)].toarray()
    shift, *_ = np.linalg.lstsq(rows, rows @ asked - room[touched], rcond=None)
    exact = asked - shift
    is_within = bool((left @ exact <= room + DUST).all())
    is_close = float(np.abs(exact - rough).max()) <= POLISH
    return np.asarray(exact if is_within and is_close else rough)


def round_to_resolution(answer: Floats, rules: RuleSet) -> Floats:
    """Round toward no change, then pull cells back until every slope holds again.

    Parameters
    ----------
    answer
        From `project`. [%]
    rules
        The same rules.

    Returns
    -------
    numpy.ndarray
        Values that the controller takes, or held as they are. [%]
    """
    values = _round_toward_anchor(np.clip(answer, rules.lower, rules.upper), rules, SNAP)
    limit = (
        _round_toward_anchor(rules.upper, rules, DUST),
        _round_toward_anchor(rules.lower, rules, DUST),
    )
    values = np.clip(values, np.minimum(*limit), np.maximum(*limit))
    first, second = rules.pairs[:, 0], rules.pairs[:, 1]
    while True:
        apart = values[first] - values[second]
        over, under = apart > rules.pair_upper + DUST, apart < rules.pair_lower - DUST
        if not (over.any() or under.any()):
            return values
        pulled = np.zeros(len(values), dtype=bool)
        away = values - rules.anchor
        pulled[first[(over & (away[first] > 0)) | (under & (away[first] < 0))]] = True
        pulled[second[(over & (away[second] < 0)) | (under & (away[second] > 0))]] = True
        back = _one_step_back(values, rules)
        values = np.where(pulled, back, values)


def _round_toward_anchor(values: Floats, rules: RuleSet, snap: float) -> Floats:
    """Next value that the controller takes, on the anchor's side."""
    if rules.resolution <= 0:
        return values
    way = np.where(values >= rules.anchor, 1.0, -1.0)
    slack = min(snap / rules.resolution, 0.01)
    steps = np.floor(way * values / rules.resolution + slack)
    rounded = np.round(steps * rules.resolution, 10)
    stays = np.abs(values - rules.anchor) <= DUST
    return np.where(stays, rules.anchor, way * np.maximum(rounded, way * rules.anchor))


def _one_step_back(values: Floats, rules: RuleSet) -> Floats:
    """One resolution back toward the anchor, or onto it."""
    if rules.resolution <= 0:
        return rules.anchor
    way = np.where(values >= rules.anchor, 1.0, -1.0)
    steps = np.ceil(way * values / rules.resolution - 0.01) - 1.0
    rounded = np.round(steps * rules.resolution, 10)
    return way * np.maximum(rounded, way * rules.anchor)
