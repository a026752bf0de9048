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
    errors = HoldErrors.of(holds.log_index, noise, log_variance)
    weights = holds.weights
    by_log = errors.weighted(weights)
    gram = _gram(holds, errors, by_log)
    prior, log_det_prior = inverse_and_log_det(precision)
    after, log_det_after = inverse_and_log_det(precision + gram)
    # the weights of a hold sum to one, so that S W' V^-1 1 = 1 - gap and V^-1 1 = A^-1 W gap, with
    # gap = after S^-1 1: products where the plain form takes the difference of two like numbers
    gap = after @ precision.sum(axis=1)
    row = errors.solved(weights @ gap)
    total = float(row.sum())
    level = float(row @ y) / total
    pull = after @ (weights.T @ errors.solved(y - level))
    score = errors.solved(y - level - weights @ pull)
    seen = 1.0 - gap
    reach = by_log - (errors.shrink * errors.per_log)[:, None] * by_log  # Z' A^-1 W
    log_trace = float(np.sum(errors.shared()) - np.sum(reach @ after * reach))
    log_det = errors.log_det() + log_det_after - log_det_prior
    return ManyState(
        misfit=log_det + np.log(total) + float(y @ score),
        theta=level + pull,
        covariance=after + np.outer(gap, gap) / total,
        inner=prior - after - np.outer(seen, seen) / total,
        pull=pull,
        leverage=_leverage(holds, errors, after, by_log) - row**2 / total,
        score=score,
        log_trace=log_trace - float(np.sum(errors.sums(row) ** 2)) / total,
        log_pull=float(np.sum(errors.sums(score) ** 2)),
    )


def project_many(
    holds: ManyHolds, columns: Floats, *, noise: Floats, log_variance: Floats, precision: Floats
) -> Floats:
    """Project columns as `evaluate_many` does the holds' values: ``P x``, shape (m, columns).

    Parameters
    ----------
    holds, noise, log_variance, precision
        As there.
    columns
        Shape (m, columns).
    """
    errors = HoldErrors.of(holds.log_index, noise, log_variance)
    weights = holds.weights
    gram = _gram(holds, errors, errors.weighted(weights))
    after, _ = inverse_and_log_det(precision + gram)
    row = errors.solved(weights @ (after @ precision.sum(axis=1)))

    def projected(x: Floats) -> Floats:
        rest = x - float(row @ x) / float(row.sum())
        return errors.solved(rest - weights @ (after @ (weights.T @ errors.solved(rest))))

    return np.stack([projected(column) for column in columns.T], axis=1)


def _gram(holds: ManyHolds, errors: HoldErrors, by_log: Floats) -> Floats:
    """W' A^-1 W, shape (k, k)."""
    cells = holds.weights.shape[1]
    gram = np.asarray(holds.products @ errors.own).reshape(cells, cells)
    return np.asarray(gram - by_log.T @ (errors.shrink[:, None] * by_log))


@dataclass(frozen=True, eq=False)
class HoldErrors:
    """The matrix A: each hold's own variance, and an offset that the holds of a log share.

    Parameters
    ----------
    own
        1 / own variance, shape (m,).
    per_log
        Sum of it for each log, shape (logs,).
    shrink
        Share that the identity takes out of each log; 0 without an offset, shape (logs,).
    log_variance, log_index
        Of the offsets, and each hold's log.
    """

    own: Floats
    per_log: Floats
    shrink: Floats
    log_variance: Floats
    log_index: npt.NDArray[np.int64]

    @classmethod
    def of(
        cls, log_index: npt.NDArray[np.int64], noise: Floats, log_variance: Floats
    ) -> HoldErrors:
        """Arrange each hold's variance and the variance of each log's offset."""
        own = 1.0 / noise
        per_log = np.bincount(log_index, weights=own, minlength=len(log_variance)).astype(float)
        shrink = log_variance / (1.0 + log_variance * per_log)
        return cls(own, per_log, shrink, log_variance, log_index)

    def sums(self, x: Floats) -> Floats:
        """Z' x: the sum over each log's holds."""
        total = np.bincount(self.log_index, weights=x, minlength=len(self.per_log))
        return np.asarray(total, dtype=float)

    def solved(self, x: Floats) -> Floats:
        """A^-1 x."""
        scaled = self.own * x
        if not self.shrink.any():
            return np.asarray(scaled)
        return np.asarray(scaled - self.own * (self.shrink * self.sums(scaled))[self.log_index])

    def weighted(self, weights: sparse.csr_matrix) -> Floats:
        """Z' D W: the weights' sums over each log, by the holds' own variance."""
        shape = (len(self.per_log), len(self.own))
        place = (self.log_index, np.arange(len(self.own)))
        return np.asarray((sparse.csr_matrix((self.own, place), shape=shape) @ weights).todense())

    def shared(self) -> Floats:
        """Diagonal of Z' A^-1 Z."""
        return np.asarray(self.per_log - self.shrink * self.per_log**2)

    def diagonal(self) -> Floats:
        """Diagonal of A^-1."""
        return np.asarray(self.own - self.own**2 * self.shrink[self.log_index])

    def log_det(self) -> float:
        """Log determinant of A."""
        own = -float(np.sum(np.log(self.own)))
        return own + float(np.sum(np.log1p(self.log_variance * self.per_log)))


def _leverage(holds: ManyHolds, errors: HoldErrors, after: Floats, by_log: Floats) -> Floats:
    """Diagonal of V^-1."""
    own, log, shrink = errors.own, errors.log_index, errors.shrink
    spent = holds.products_by_hold @ after.ravel()
    if shrink.any():
        crossed = after @ by_log.T  # (k, logs)
        mixed = _row_sums(holds.weights, crossed, log)
        own_part = np.einsum("lk,kl->l", by_log, crossed)
        spent = spent - 2.0 * shrink[log] * mixed + (shrink**2 * own_part)[log]
    return np.asarray(errors.diagonal() - own**2 * spent)


def _row_sums(weights: sparse.csr_matrix, table: Floats, column: npt.NDArray[np.int64]) -> Floats:
    """For each row i of the weights, ``weights[i] @ table[:, column[i]]``."""
    size = np.diff(weights.indptr)
    rows = np.repeat(np.arange(weights.shape[0]), size)
    parts = weights.data * table[weights.indices, column[rows]]
    return np.asarray(
        np.bincount(rows, weights=parts, minlength=weights.shape[0]), dtype=np.float64
    )


#: What is added to the diagonal, as a share of its mean, where rounding makes a matrix lose its
#: definiteness: a surface that may bend freely one way and hardly the other does that. [1]
NUDGES = (0.0, 1e-14, 1e-12, 1e-10)


def inverse_and_log_det(matrix: Floats) -> tuple[Floats, float]:
    """Inverse of a positive definite matrix, and its log determinant."""
    size = len(matrix)
    for nudge in NUDGES:
        firm = matrix + nudge * np.trace(matrix) / size * np.eye(size) if nudge else matrix
        factor, is_broken = linalg.lapack.dpotrf(firm, lower=1)
        if is_broken:
            continue
        log_det = 2.0 * float(np.sum(np.log(np.diag(factor))))
        lower, _ = linalg.lapack.dpotri(factor, lower=1, overwrite_c=1)  # half the work of solving
        return np.tril(lower) + np.tril(lower, -1).T, log_det
    raise linalg.LinAlgError("a covariance is not positive definite")
