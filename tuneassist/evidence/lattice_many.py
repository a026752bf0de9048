"""The lattice fit's likelihood for many holds: the same numbers, at a cost that grows with them.

With m holds and k cells the textbook form inverts an m x m matrix. By the identity of Woodbury,

    (W S W' + A)^-1 = A^-1 - A^-1 W (S^-1 + W' A^-1 W)^-1 W' A^-1,

everything that the fit asks for comes from a k x k matrix instead (Rasmussen and Williams, Gaussian
Processes for Machine Learning, 2006, appendix A.3). ``A`` is diagonal but for the logs' offsets,
which the same identity takes out log by log.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import linalg, sparse

from tuneassist.grid import Floats


@dataclass(frozen=True, eq=False)
class ManyHolds:
    """Weights of many holds, arranged for sums over them.

    Parameters
    ----------
    weights
        Bilinear weights, shape (m, k), few to a row.
    products, products_by_hold
        Products of the weights of each hold, shapes (k * k, m) and (m, k * k).
    log_index
        Number of each hold's log, shape (m,).
    logs
        Number of logs.
    """

    weights: sparse.csr_matrix
    products: sparse.csr_matrix
    products_by_hold: sparse.csr_matrix
    log_index: npt.NDArray[np.int64]
    logs: int

    @classmethod
    def of(cls, weights: sparse.csr_matrix, log_index: npt.NDArray[np.int64]) -> ManyHolds:
        """Arrange the weights."""
        m, k = weights.shape
        table = sparse.csr_matrix(weights)
        rows = np.repeat(np.arange(m), np.diff(table.indptr))
        first, second = _pairs(table)
        values = table.data[first] * table.data[second]
        place = table.indices[first].astype(np.int64) * k + table.indices[second]
        products = sparse.csr_matrix((values, (place, rows[first])), shape=(k * k, m))
        return cls(table, products, products.T.tocsr(), log_index, int(log_index.max()) + 1)


def _pairs(table: sparse.csr_matrix) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Positions of both entries of every pair of entries that share a row."""
    size = np.diff(table.indptr).astype(np.int64)
    first = np.repeat(np.arange(table.nnz), np.repeat(size, size))
    start = np.repeat(table.indptr[:-1].astype(np.int64), size**2)
    within = np.arange(len(first)) - np.repeat(np.cumsum(size**2) - size**2, size**2)
    second = start + within % np.repeat(size, size**2)
    return first, second


@dataclass(frozen=True, eq=False)
class ManyState:
    """What the likelihood needs at one set of strengths; names as in `lattice`.

    Parameters
    ----------
    misfit
        Minus twice the restricted log likelihood.
    theta, covariance
        Surface and its covariance, shapes (k,) and (k, k).
    inner
        ``S W' P W S``, shape (k, k), with the projector P.
    pull
        ``S W' P y``, shape (k,).
    leverage
        Diagonal of P, shape (m,).
    score
        ``P y``, shape (m,).
    log_trace, log_pull
        Trace of ``Z' P Z`` and square of ``Z' P y``, with one column of Z for each log.
    """

    misfit: float
    theta: Floats
    covariance: Floats
    inner: Floats
    pull: Floats
    leverage: Floats
    score: Floats
    log_trace: float
    log_pull: float


def evaluate_many(
    holds: ManyHolds, y: Floats, *, noise: Floats, log_variance: Floats, precision: Floats
) -> ManyState:
    """Evaluate the restricted likelihood.

    Parameters
    ----------
    holds
        The arranged weights.
    y
        What each hold needs, shape (m,). [ln]
    noise
        Variance of each hold, shape (m,). [ln^2]
    log_variance
        Variance of each log's offset, shape (logs,); all 0 for one log. [ln^2]
    precision
        Invertible prior precision of the surface, shape (k, k).
    """
    own = 1.0 / noise
    log, k = holds.log_index, holds.weights.shape[1]
    per_log = np.bincount(log, weights=own, minlength=holds.logs)
    shrink = log_variance / (1.0 + log_variance * per_log)  # c of each log; 0 without offset

    def apart(x: Floats) -> Floats:
        """A^-1 x."""
        scaled = own * x
        if not shrink.any():
            return np.asarray(scaled)
        means = np.bincount(log, weights=scaled, minlength=holds.logs)
        return np.asarray(scaled - own * (shrink * means)[log])

    member = sparse.csr_matrix((own, (log, np.arange(len(log)))), shape=(holds.logs, len(log)))
    by_log = np.asarray((member @ holds.weights).todense())  # Z' D W
    gram = (holds.products @ own).reshape(k, k) - by_log.T @ (shrink[:, None] * by_log)
    prior, log_det_prior = _inverse(precision)
    after, log_det_after = _inverse(precision + gram)
    log_det = float(np.sum(np.log(noise)) + np.sum(np.log1p(log_variance * per_log)))
    log_det += log_det_after - log_det_prior

    def solved(x: Floats) -> Floats:
        """V^-1 x."""
        plain = apart(x)
        return np.asarray(plain - apart(holds.weights @ (after @ (holds.weights.T @ plain))))

    ones = np.ones(len(y))
    row = solved(ones)
    total = float(row.sum())
    level = float(row @ y) / total
    score = solved(y) - row * level
    pull = prior @ (holds.weights.T @ score)
    seen = prior @ (holds.weights.T @ row)
    gap = 1.0 - seen
    crossed = after @ by_log.T  # (k, logs)
    spent = holds.products_by_hold @ after.ravel()
    if shrink.any():
        mixed = _row_sums(holds.weights, crossed, log)
        own_part = np.einsum("lk,kl->l", by_log, crossed)
        spent = spent - 2.0 * shrink[log] * mixed + (shrink**2 * own_part)[log]
    spent = own**2 * spent
    leverage = own - own**2 * shrink[log] - spent - row**2 / total
    sums = per_log - shrink * per_log**2  # Z' A^-1 Z, diagonal
    reach = by_log - (shrink * per_log)[:, None] * by_log  # Z' A^-1 W
    log_trace = float(np.sum(sums) - np.sum(reach @ after * reach))
    log_trace -= float(np.sum(np.bincount(log, weights=row, minlength=holds.logs) ** 2)) / total
    log_pull = float(np.sum(np.bincount(log, weights=score, minlength=holds.logs) ** 2))
    return ManyState(
        misfit=log_det + np.log(total) + float(y @ score),
        theta=level + pull,
        covariance=after + np.outer(gap, gap) / total,
        inner=prior - after - np.outer(seen, seen) / total,
        pull=pull,
        leverage=leverage,
        score=score,
        log_trace=log_trace,
        log_pull=log_pull,
    )


def _row_sums(weights: sparse.csr_matrix, table: Floats, column: npt.NDArray[np.int64]) -> Floats:
    """For each row i of the weights, ``weights[i] @ table[:, column[i]]``."""
    size = np.diff(weights.indptr)
    rows = np.repeat(np.arange(weights.shape[0]), size)
    parts = weights.data * table[weights.indices, column[rows]]
    return np.asarray(
        np.bincount(rows, weights=parts, minlength=weights.shape[0]), dtype=np.float64
    )


def _inverse(matrix: Floats) -> tuple[Floats, float]:
    """Inverse of a positive definite matrix, and its log determinant."""
    factor = linalg.cho_factor(matrix, lower=True, check_finite=False)
    inverse = linalg.cho_solve(factor, np.eye(len(matrix)), check_finite=False)
    return np.asarray(inverse), 2.0 * float(np.sum(np.log(np.diag(factor[0]))))
