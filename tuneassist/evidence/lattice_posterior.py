"""The lattice's posterior at one set of strengths, worked out on the cells.

With m holds and k cells the textbook form inverts an m x m matrix. By the identity of Woodbury,

    (W S W' + A)^-1 = A^-1 - A^-1 W (S^-1 + W' A^-1 W)^-1 W' A^-1,

everything that the fit asks for comes from the cells' precision instead (Rasmussen and Williams,
Gaussian Processes for Machine Learning, 2006, appendix A.3). Penalties and holds join near cells
only, so that it is a band. ``A`` is diagonal but for the logs' offsets, which the same identity
takes out log by log.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy import linalg, sparse

from tuneassist.evidence.banded import Factor, Pattern, Places
from tuneassist.grid import Floats

Logs = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Holds:
    """Where holds lie and which log they are of, arranged for sums over them.

    Parameters
    ----------
    weights
        Bilinear weights, shape (m, k), few to a row.
    log_index
        Number of each hold's log, shape (m,).
    pattern
        Pairs of cells that a hold or a penalty joins, shape (n,).
    by_pair
        Products of each hold's weights for these pairs, shape (n, m).
    by_hold
        The same with both halves of the matrix: times its entries, ``w' M w``, shape (m, n).
    by_log_and_cell
        Weights for each log and cell, shape (logs * k, m).
    """

    weights: sparse.csr_matrix
    log_index: Logs
    pattern: Pattern
    by_pair: sparse.csr_matrix
    by_hold: sparse.csr_matrix
    by_log_and_cell: sparse.csr_matrix

    @classmethod
    def of(
        cls, weights: sparse.csr_matrix, log_index: Logs, *, rows: Places, columns: Places
    ) -> Holds:
        """Arrange the weights; ``rows, columns`` are the pairs that penalties join."""
        m, cells = weights.shape
        table = sparse.csr_matrix(weights)
        hold = np.repeat(np.arange(m), np.diff(table.indptr))
        first, second = _pairs(table)
        is_below = table.indices[first] >= table.indices[second]
        first, second = first[is_below], second[is_below]
        pair = (table.indices[first].astype(np.int64), table.indices[second].astype(np.int64))
        every = np.concatenate([pair[0], rows]), np.concatenate([pair[1], columns])
        pattern = Pattern.of(cells, *every)
        values = table.data[first] * table.data[second]
        places = (pattern.find(*pair), hold[first])
        by_pair = sparse.csr_matrix((values, places), shape=(len(pattern.rows), m))
        both = sparse.diags_array(np.where(pattern.is_diagonal, 1.0, 2.0))
        places = (log_index[hold] * cells + table.indices, hold)
        shape = ((int(log_index.max()) + 1) * cells, m)
        by_log = sparse.csr_matrix((table.data, places), shape=shape)
        by_hold = sparse.csr_matrix(by_pair.T @ both)
        return cls(table, log_index, pattern, by_pair, by_hold, by_log)

    @cached_property
    def members(self) -> sparse.csr_matrix:
        """Z', with a row of ones for each log, shape (logs, m)."""
        ones, places = np.ones(len(self.log_index)), np.arange(len(self.log_index))
        return sparse.csr_matrix((ones, (self.log_index, places)))


def _pairs(table: sparse.csr_matrix) -> tuple[Places, Places]:
    """Positions of both entries of every pair of entries that share a row."""
    size = np.diff(table.indptr).astype(np.int64)
    first = np.repeat(np.arange(table.nnz), np.repeat(size, size))
    start = np.repeat(table.indptr[:-1].astype(np.int64), size**2)
    within = np.arange(len(first)) - np.repeat(np.cumsum(size**2) - size**2, size**2)
    second = start + within % np.repeat(size, size**2)
    return first, second


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
    log_variance
        Of each log's offset, shape (logs,).
    holds
        The holds.
    """

    own: Floats
    per_log: Floats
    shrink: Floats
    log_variance: Floats
    holds: Holds

    @classmethod
    def of(cls, holds: Holds, noise: Floats, log_variance: Floats) -> HoldErrors:
        """Arrange each hold's variance and the variance of each log's offset."""
        own = 1.0 / noise
        per_log = np.asarray(holds.members @ own)
        shrink = log_variance / (1.0 + log_variance * per_log)
        return cls(own, per_log, shrink, log_variance, holds)

    def sums(self, x: Floats) -> Floats:
        """Z' x: the sum over each log's holds, x of shape (m,) or (m, n)."""
        return np.asarray(self.holds.members @ x)

    def solved(self, x: Floats) -> Floats:
        """A^-1 x, x of shape (m,) or (m, n)."""
        scaled = (self.own * x.T).T
        if self.shrink.any():
            level = (self.shrink * self.sums(scaled).T).T[self.holds.log_index]
            scaled = scaled - (self.own * level.T).T
        return np.asarray(scaled)

    def by_log(self) -> Floats:
        """Z' D W: the weights' sums over each log, by the holds' own variance D^-1."""
        return np.asarray(self.holds.by_log_and_cell @ self.own).reshape(len(self.per_log), -1)

    def shared(self) -> Floats:
        """Diagonal of Z' A^-1 Z."""
        return np.asarray(self.per_log - self.shrink * self.per_log**2)

    def diagonal(self) -> Floats:
        """Diagonal of A^-1."""
        return np.asarray(self.own - self.own**2 * self.shrink[self.holds.log_index])

    def log_det(self) -> float:
        """Log determinant of A."""
        own = -float(np.sum(np.log(self.own)))
        return own + float(np.sum(np.log1p(self.log_variance * self.per_log)))


@dataclass(frozen=True, eq=False)
class Posterior:
    """The surface after the holds: ``after = (S^-1 + W' A^-1 W)^-1``, and a free level.

    The weights of a hold sum to one, so that ``S W' V^-1 1 = 1 - gap`` and ``V^-1 1 = A^-1 W gap``,
    with ``gap = after S^-1 1``: products, where the plain form takes the difference of two like
    numbers.

    Parameters
    ----------
    errors
        Of the holds.
    factor
        Of the precision without the logs' offsets.
    by_log
        ``Z' D W``, with the holds' own variance D, shape (logs, k).
    offsets
        ``after`` is the inverse of that precision and ``offsets offsets'``, shape (k, logs).
    gap
        See above, shape (k,).
    row, total
        ``V^-1 1`` and its sum, shape (m,).
    log_det
        Log determinant of the inverse of ``after``.
    """

    errors: HoldErrors
    factor: Factor
    by_log: Floats
    offsets: Floats
    gap: Floats
    row: Floats
    total: float
    log_det: float

    @classmethod
    def of(cls, errors: HoldErrors, *, precision: Floats, pull_of_one: Floats) -> Posterior:
        """Bring prior and holds together.

        Parameters
        ----------
        errors
            Of the holds.
        precision
            Entries of the prior precision ``S^-1`` on the holds' pattern.
        pull_of_one
            ``S^-1 1``, shape (k,).
        """
        holds = errors.holds
        factor = Factor.of(holds.pattern, precision + holds.by_pair @ errors.own)
        by_log = errors.by_log()
        scaled = by_log * np.sqrt(errors.shrink)[:, None]
        solved = factor.solve(np.column_stack([pull_of_one, scaled.T]))
        root = linalg.cholesky(np.eye(len(scaled)) - scaled @ solved[:, 1:], lower=True)
        offsets = linalg.solve_triangular(root, solved[:, 1:].T, lower=True).T
        gap = solved[:, 0] + offsets @ (offsets.T @ pull_of_one)
        row = errors.solved(holds.weights @ gap)
        log_det = factor.log_det + 2.0 * float(np.sum(np.log(np.diag(root))))
        return cls(errors, factor, by_log, offsets, gap, row, float(row.sum()), log_det)

    def fitted(self, y: Floats) -> tuple[Floats, Floats, Floats]:
        """Level, the surface's pull away from it, and ``P y``, each with a column for one of y.

        Parameters
        ----------
        y
            What each hold needs, shape (m, n). [ln]
        """
        level = self.row @ y / self.total
        rest = y - level
        right = self.errors.holds.weights.T @ self.errors.solved(rest)
        pull = self.factor.solve(right) + self.offsets @ (self.offsets.T @ right)
        return level, pull, self.errors.solved(rest - self.errors.holds.weights @ pull)

    @cached_property
    def entries(self) -> Floats:
        """Entries of ``after`` on the holds' pattern."""
        pattern = self.factor.pattern
        shared = np.sum(self.offsets[pattern.rows] * self.offsets[pattern.columns], axis=1)
        return np.asarray(self.factor.near_inverse() + shared)

    def covariance(self) -> Floats:
        """Covariance of the surface, shape (k, k)."""
        found = self.factor.inverse()
        found += self.offsets @ self.offsets.T
        found += np.outer(self.gap, self.gap) / self.total
        return found

    @cached_property
    def _crossed(self) -> Floats:
        """``after (Z' D W)'``, shape (k, logs)."""
        return self.factor.solve(self.by_log.T) + self.offsets @ (self.offsets.T @ self.by_log.T)

    def leverage(self) -> Floats:
        """Diagonal of the projector P, shape (m,)."""
        errors, holds = self.errors, self.errors.holds
        own, log, shrink = errors.own, holds.log_index, errors.shrink
        spent = holds.by_hold @ self.entries
        if shrink.any():
            mixed = _row_sums(holds.weights, self._crossed, log)
            own_part = np.einsum("lk,kl->l", self.by_log, self._crossed)
            spent = spent - 2.0 * shrink[log] * mixed + (shrink**2 * own_part)[log]
        return np.asarray(errors.diagonal() - own**2 * spent - self.row**2 / self.total)

    def log_trace(self) -> float:
        """Trace of ``Z' P Z``, with one column of Z for each log."""
        errors = self.errors
        left = (1.0 - errors.shrink * errors.per_log) ** 2
        reach = left @ np.einsum("lk,kl->l", self.by_log, self._crossed)
        level = np.sum(errors.sums(self.row) ** 2) / self.total
        return float(np.sum(errors.shared()) - reach - level)


def _row_sums(weights: sparse.csr_matrix, table: Floats, column: Logs) -> Floats:
    """For each row i of the weights, ``weights[i] @ table[:, column[i]]``."""
    size = np.diff(weights.indptr)
    rows = np.repeat(np.arange(weights.shape[0]), size)
    parts = weights.data * table[weights.indices, column[rows]]
    return np.asarray(
        np.bincount(rows, weights=parts, minlength=weights.shape[0]), dtype=np.float64
    )
