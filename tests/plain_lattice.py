"""The lattice's likelihood written plainly: matrices held whole, one row and column to a hold.

It stands beside the program as a witness: slow, short, and none of its arithmetic shared.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import linalg

from tuneassist.evidence import lattice
from tuneassist.evidence.random_effects import TRANSIENT_SD


@dataclass(frozen=True)
class Plain:
    """What the likelihood says at one set of strengths."""

    misfit: float
    gradient: np.ndarray  # of the misfit
    theta: np.ndarray
    covariance: np.ndarray  # of theta
    transients: np.ndarray  # their sizes
    transient_covariance: np.ndarray
    projector: np.ndarray
    score: np.ndarray


def prior_precision(problem: lattice._Problem, p: np.ndarray) -> np.ndarray:
    """Penalties by the inverse of their variances, that across by the root of both."""
    rpm, load, slope = np.exp(-2.0 * p[:3])
    forms = problem.penalties
    along = rpm * forms.along_rpm + load * forms.along_load
    across = 2.0 * np.sqrt(rpm * load) * forms.across
    return (along + across + slope * forms.slope).toarray()


def plain(problem: lattice._Problem, p: np.ndarray) -> Plain:
    """-2 l = ln|V| + ln|1'V^-1 1| + y'Py; one cell holds the constant.

    V = D + offsets + C U C' + W S W' with the columns C of transients and walk, and the variances U
    of their sizes; what the readings tell of the cells is K = S W' + C_at_cells U C'.
    """
    w, y = problem.weights.toarray(), problem.y
    precision = prior_precision(problem, p)
    middle = len(precision) // 2
    precision[middle, middle] += np.trace(precision) / len(precision)
    s = linalg.inv(precision)
    z = np.eye(problem.n_logs)[problem.log_index]
    noise = problem.own_variance + np.exp(2.0 * p[3]) * problem.scale**2
    of_logs = np.exp(2.0 * p[4]) + np.zeros(problem.n_logs) + problem.log_variance
    shared = z @ np.diag(of_logs) @ z.T if problem.n_logs > 1 else 0.0
    columns, at_cells = problem.effects.columns, problem.effects.at_cells
    sizes = np.diag(np.where(problem.effects.is_walk, np.exp(2.0 * p[5]), 1.0))
    v = w @ s @ w.T + np.diag(noise / problem.robust_weight) + shared + columns @ sizes @ columns.T
    inverse = linalg.inv(v)
    row = inverse.sum(axis=1)
    total = row.sum()
    projector = inverse - np.outer(row, row) / total
    score = projector @ y
    told = s @ w.T + at_cells @ sizes @ columns.T
    gap = 1.0 - told @ row
    moving = columns[:, ~problem.effects.is_walk]
    return Plain(
        misfit=float(np.linalg.slogdet(v)[1] + np.log(total) + y @ score),
        gradient=np.array([_slope(problem, p, at, s, projector) for at in range(6)]),
        theta=row @ y / total + told @ score,
        covariance=s
        + at_cells @ sizes @ at_cells.T
        - told @ inverse @ told.T
        + np.outer(gap, gap) / total,
        transients=TRANSIENT_SD * moving.T @ score,
        transient_covariance=TRANSIENT_SD**2
        * (np.eye(moving.shape[1]) - moving.T @ projector @ moving),
        projector=projector,
        score=score,
    )


def _slope(
    problem: lattice._Problem, p: np.ndarray, at: int, s: np.ndarray, projector: np.ndarray
) -> float:
    """tr(P dV) - y' P dV P y for one strength."""
    w = problem.weights.toarray()
    z = np.eye(problem.n_logs)[problem.log_index]
    if at == 5:
        walk = problem.effects.columns[:, problem.effects.is_walk]
        moved = 2.0 * np.exp(2.0 * p[5]) * walk @ walk.T
    elif at == 4:
        moved = 2.0 * np.exp(2.0 * p[4]) * z @ z.T * (problem.n_logs > 1)
    elif at == 3:
        moved = np.diag(2.0 * np.exp(2.0 * p[3]) * problem.scale**2 / problem.robust_weight)
    else:
        step = 1e-4 * np.eye(6)[at]  # dQ: the precision is a sum of exponentials
        change = prior_precision(problem, p + step) - prior_precision(problem, p - step)
        moved = -w @ s @ (change / 2e-4) @ s @ w.T
    score = projector @ problem.y
    return float(np.sum(projector * moved) - score @ moved @ score)
