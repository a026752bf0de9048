"""What was seen in a cell itself, without what its neighbours make of it.

A surface is smooth and an engine need not be: a lean spot that no hold visited lies under a smooth
surface all the same. What leans a mixture in boost therefore rests on what was seen in the cell,
nearer to its breakpoint than to any other: the weighted mean of its holds and passes, moved to the
breakpoint along the surface, and a standard error that counts their scatter, their disagreement,
the doubt about the move, and what one log differs from the next by. The disagreement is Birge's:
where they scatter more than their errors allow, the errors grow (Birge, Physical Review 40, 1932,
207-227).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import sparse

from tuneassist.evidence.lattice import LatticeFit
from tuneassist.evidence.visits import nearest_cell
from tuneassist.grid import Axes, Floats

Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class OwnEvidence:
    """What was seen in each cell itself. Shape (cells,) each, nan where nothing was.

    Parameters
    ----------
    value
        Mean at the breakpoint. [ln of need]
    half_width
        Half of its 95 % interval. [ln]
    """

    value: Floats
    half_width: Floats

    @classmethod
    def nothing(cls, size: int) -> OwnEvidence:
        """Return what cells say in which nothing was seen."""
        return cls(np.full(size, np.nan), np.full(size, np.nan))


def own_evidence(
    axes: Axes,
    *,
    rpm: Floats,
    load: Floats,
    need: Floats,
    variance: Floats,
    log_index: npt.NDArray[np.int64],
    weights: sparse.csr_matrix,
    fit: LatticeFit,
) -> OwnEvidence:
    """Read each cell from its own holds and passes.

    Parameters
    ----------
    axes
        Breakpoints.
    rpm, load
        Places of the holds and passes, shape (m,). [rpm], [load unit]
    need
        What each needs, on the scale of the fit, shape (m,). [ln]
    variance
        Variance of each about the surface, its scatter included, shape (m,). [ln^2]
    log_index
        Number of the log of each, from 0, shape (m,).
    weights
        Bilinear weights of the places, shape (m, cells).
    fit
        The surface, along which each is moved to the breakpoint.

    Returns
    -------
    OwnEvidence
        A hold that the fit gave little weight counts in full here: it was seen.
    """
    cells = axes.size
    if not len(need):
        return OwnEvidence.nothing(cells)
    cell = nearest_cell(axes, rpm, load)
    precision = 1.0 / variance
    total = np.bincount(cell, weights=precision, minlength=cells)
    has_own = total > 0
    safe = np.where(has_own, total, 1.0)
    share = sparse.csr_matrix(
        (precision / safe[cell], (cell, np.arange(len(need)))), shape=(cells, len(need))
    )
    at_breakpoint = need - (weights @ fit.theta - fit.theta[cell])
    value = share @ at_breakpoint
    chi_squared = np.bincount(
        cell, weights=precision * (at_breakpoint - value[cell]) ** 2, minlength=cells
    )
    spare = np.maximum(np.bincount(cell, minlength=cells) - 1, 1)
    own = np.maximum(chi_squared / spare, 1.0) / safe
    se = np.sqrt(own + _move_variance(share, weights, fit) + _log_variance(share, log_index, fit))
    quantile = fit.half_width()[0] / max(fit.standard_error[0], 1e-12)
    return OwnEvidence(
        value=np.where(has_own, value, np.nan),
        half_width=np.where(has_own, quantile * se, np.nan),
    )


def _move_variance(share: sparse.csr_matrix, weights: sparse.csr_matrix, fit: LatticeFit) -> Floats:
    """Variance of the mean move along the surface to the breakpoint. [ln^2]"""
    move = sparse.csr_matrix(share @ weights - sparse.eye_array(share.shape[0]))
    return np.asarray(move.multiply(move @ fit.covariance).sum(axis=1)).ravel()


def _log_variance(
    share: sparse.csr_matrix, log_index: npt.NDArray[np.int64], fit: LatticeFit
) -> Floats:
    """Variance of a mean that comes from the offsets of the logs in it. [ln^2]"""
    logs = int(log_index.max()) + 1
    if logs < 2:
        return np.zeros(share.shape[0])
    is_of = sparse.csr_matrix(
        (np.ones(len(log_index)), (np.arange(len(log_index)), log_index)),
        shape=(len(log_index), logs),
    )
    by_log = (share @ is_of).toarray()
    return np.asarray(fit.log_scatter**2 * np.sum(by_log**2, axis=1))
