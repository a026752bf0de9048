"""What was seen in a cell itself, without what its neighbours make of it.

A surface is smooth and an engine need not be: a lean spot that no hold visited lies under a smooth
surface all the same. What leans a mixture in boost therefore rests on what was seen of the cell.
It is read in two ways, and the one that tells more counts. In the cell: the holds and passes nearer
to its breakpoint than to any other, each as evidence of the breakpoint. Around the cell: all that
touch it, each by its share of the breakpoint in the controller's own interpolation, the other
corners as the surface has them; where several stand just beyond half the gap, they tell together
what none tells alone, and where they are far off, or none is there, this knows nothing.

Both are the surface and a step beside it at this one cell, with a standard error that counts
scatter, disagreement, the doubt about the surface elsewhere, and what one log differs from the next
by. The disagreement is Birge's: where they scatter more than their errors allow, the errors grow
(Birge, Physical Review 40, 1932, 207-227).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import sparse

from tuneassist.evidence.lattice import LatticeFit
from tuneassist.evidence.reach import TOUCH
from tuneassist.evidence.visits import nearest_cell
from tuneassist.grid import Axes, Floats


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
    """Read each cell from the holds and passes in it and around it.

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
        The surface, beside which the cell is read.

    Returns
    -------
    OwnEvidence
        A hold that the fit gave little weight counts in full here: it was seen.
    """
    cells, count = axes.size, len(need)
    if not count:
        return OwnEvidence.nothing(cells)
    nearest = nearest_cell(axes, rpm, load)
    inside = sparse.csr_matrix((np.ones(count), (np.arange(count), nearest)), shape=weights.shape)
    around = sparse.csr_matrix(weights.multiply(weights >= TOUCH))
    residual = need - weights @ fit.theta
    step, variances = np.empty((2, cells)), np.empty((2, cells))
    for way, seen in enumerate((inside, around)):
        share, own = _mean_step(seen, residual, variance)
        step[way] = share @ residual
        variances[way] = own + _move_variance(share, weights, fit)
        variances[way] += _log_variance(share, log_index, fit)
    surer, every = np.argmin(variances, axis=0), np.arange(cells)
    se = np.sqrt(variances[surer, every])
    is_seen = np.isfinite(se)
    quantile = fit.half_width()[0] / max(fit.standard_error[0], 1e-12)
    return OwnEvidence(
        value=np.where(is_seen, fit.theta + step[surer, every], np.nan),
        half_width=np.where(is_seen, quantile * se, np.nan),
    )


def _mean_step(
    seen: sparse.csr_matrix, residual: Floats, variance: Floats
) -> tuple[sparse.csr_matrix, Floats]:
    """Share of each place in the step at each cell, shape (cells, m), and its variance. [1], [ln^2]

    The step at a cell is what fits the residuals of the places that see a share of it. Its
    variance is infinite where nothing is seen, and grows with the disagreement.
    """
    table = sparse.coo_matrix(seen)
    place, cell, by = table.row, table.col, table.data
    cells, precision = seen.shape[1], 1.0 / variance[place]
    total = np.bincount(cell, weights=precision * by**2, minlength=cells)
    share = precision * by / total[cell]
    step = np.bincount(cell, weights=share * residual[place], minlength=cells)
    misfit = precision * by * (residual[place] - by * step[cell]) ** 2
    chi_squared = np.bincount(cell, weights=misfit, minlength=cells)
    spare = np.maximum(np.bincount(cell, weights=by, minlength=cells) - 1.0, 1.0)
    own = np.full(cells, np.inf)
    np.divide(np.maximum(chi_squared / spare, 1.0), total, out=own, where=total > 0)
    return sparse.csr_matrix((share, (cell, place)), shape=seen.shape[::-1]), own


def _move_variance(share: sparse.csr_matrix, weights: sparse.csr_matrix, fit: LatticeFit) -> Floats:
    """Variance of what the surface has at the other corners, beside the cell itself. [ln^2]"""
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
