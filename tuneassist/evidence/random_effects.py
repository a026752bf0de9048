"""What moves the readings beside the surface: transients, and a level that changes with speed.

Intake resonance, cam and runner change-overs and injector timing make a level that changes with
speed alike at all loads: a random walk over speed. Wall film, manifold filling and boost that
still comes up make lambda wrong while the engine moves, in proportion to known columns. Both are
columns whose sizes are random with a known variance, or one found with the other strengths of the
fit, so that they are estimated together with the surface and widen its covariance (Henderson,
Biometrics 31(2), 1975, 423-447; the projector by Woodbury's identity).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy import linalg, sparse

from tuneassist.evidence.lattice_posterior import Posterior
from tuneassist.grid import Axes, Floats

#: Prior standard deviation of a transient's size: a wall film that holds back a third of a change
#: of load is at the upper end (common practice, no source). [ln of need per ln of load or speed]
TRANSIENT_SD = 0.3


def speed_walk(axes: Axes, positions: Floats) -> Floats:
    """Return a random walk over speed as independent columns, shape (cells, speeds - 1).

    Parameters
    ----------
    axes
        Breakpoints.
    positions
        Speeds in units in which the walk's variance grows by one per unit, shape (speeds,).
    """
    apart = np.abs(positions[:, None] - positions[None]) / 2.0
    centre = np.eye(len(positions)) - 1.0 / len(positions)
    values, vectors = np.linalg.eigh(-centre @ apart @ centre)
    root = vectors[:, 1:] * np.sqrt(np.maximum(values[1:], 0.0))
    return np.repeat(root, len(axes.load), axis=0)


@dataclass(frozen=True, eq=False)
class RandomEffects:
    """Columns with random sizes.

    Parameters
    ----------
    columns
        What each adds to a reading, of unit variance but for the walk's strength, shape (m, k).
    at_cells
        What each adds to the cells, shape (cells, k): a transient adds nothing at rest.
    is_walk
        Columns of the walk over speed, shape (k,).
    """

    columns: Floats
    at_cells: Floats
    is_walk: npt.NDArray[np.bool_]

    @classmethod
    def of(
        cls, walk: Floats, weights: sparse.csr_matrix, transients: Floats | None
    ) -> RandomEffects:
        """Put transients and walk side by side.

        Parameters
        ----------
        walk
            From `speed_walk`.
        weights
            Bilinear weights of the readings, shape (m, cells).
        transients
            Known columns of the readings, shape (m, n); None where nothing moves.
        """
        readings, cells = weights.shape
        known = np.zeros((readings, 0)) if transients is None else TRANSIENT_SD * transients
        return cls(
            columns=np.hstack([known, weights @ walk]),
            at_cells=np.hstack([np.zeros((cells, known.shape[1])), walk]),
            is_walk=np.repeat([False, True], [known.shape[1], walk.shape[1]]),
        )

    def strength(self, walk_step: float) -> Floats:
        """Standard deviation of each column's size, shape (k,)."""
        return np.where(self.is_walk, walk_step, 1.0)


@dataclass(frozen=True, eq=False)
class EffectSolution:
    """The sizes of the columns after the readings, the surface taken out.

    Parameters
    ----------
    strength
        Of the columns, shape (k,).
    score
        The surface's projector times the columns, shape (m, k).
    pull, moved
        How far the columns move the surface, without and with its level, shape (cells, k).
    at_cells
        What the columns add to the cells, shape (cells, k).
    is_walk
        Columns of the walk, shape (k,).
    root
        Lower Cholesky factor of the sizes' precision, shape (k, k).
    """

    strength: Floats
    score: Floats
    pull: Floats
    moved: Floats
    at_cells: Floats
    is_walk: npt.NDArray[np.bool_]
    root: Floats

    @classmethod
    def of(
        cls, effects: RandomEffects, posterior: Posterior, *, walk_step: float
    ) -> EffectSolution:
        """Solve for the columns beside a surface.

        Parameters
        ----------
        effects
            The columns.
        posterior
            The surface after the readings.
        walk_step
            Standard deviation of the walk per unit. [ln]
        """
        strength = effects.strength(walk_step)
        columns = effects.columns * strength
        level, pull, score = posterior.fitted(columns)
        precision = np.eye(columns.shape[1]) + columns.T @ score
        return cls(
            strength=strength,
            score=score,
            pull=pull,
            moved=level + pull,
            at_cells=effects.at_cells * strength,
            is_walk=effects.is_walk,
            root=linalg.cholesky((precision + precision.T) / 2.0, lower=True),
        )

    def sizes(self, values: Floats) -> Floats:
        """Sizes of the columns for readings, shape (m,) or (m, n), in units of their strength."""
        return np.asarray(linalg.cho_solve((self.root, True), self.score.T @ values))

    def half(self, table: Floats) -> Floats:
        """Rows of a table with k columns, so that their products count the sizes' covariance."""
        return np.asarray(linalg.solve_triangular(self.root, table.T, lower=True))

    @property
    def log_det(self) -> float:
        """What the columns add to the readings' log determinant."""
        return 2.0 * float(np.sum(np.log(np.diag(self.root))))

    @cached_property
    def inverse(self) -> Floats:
        """Covariance of the sizes in units of their strength, shape (k, k)."""
        return np.asarray(linalg.cho_solve((self.root, True), np.eye(len(self.root))))

    def cell_covariance(self) -> Floats:
        """What not knowing the sizes adds to the covariance of the cells, shape (cells, cells)."""
        half = self.half(self.at_cells - self.moved)
        return np.asarray(half.T @ half)

    def walk_gradient(self, sizes: Floats) -> float:
        """Derivative of the misfit by the logarithm of the walk's strength."""
        change = 1.0 - np.diag(self.inverse) - sizes**2
        return 2.0 * float(np.sum(change[self.is_walk]))

    def transients(self, sizes: Floats) -> tuple[Floats, Floats]:
        """Sizes of the transients and their covariance. [ln of need per ln of load or speed]"""
        known = ~self.is_walk
        covariance = self.inverse[np.ix_(known, known)]
        return TRANSIENT_SD * sizes[known], TRANSIENT_SD**2 * covariance
