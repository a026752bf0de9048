"""Each cell estimated from its own data, without smoothing by its neighbours.

The fitted surface is smooth, but an engine may have a lean spot that no hold visited. A leaner
mixture in boost therefore needs evidence from the cell itself. Two estimates are made and the one
with the smaller variance is used:

- in the cell: holds and passes nearest to its breakpoint, each as a value of the breakpoint;
- around the cell: all holds and passes that touch it, each weighted by its share of the breakpoint
  in the controller's interpolation, with the other corners taken from the surface.

Both are an offset from the surface at this one cell. The standard error includes scatter,
disagreement, the uncertainty of the surface at the other corners, and differences between logs.
Where the values scatter more than their errors allow, the errors are scaled up by the Birge ratio
(Birge, Physical Review 40, 1932, 207-227).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import sparse

from tuneassist.evidence.hull import MIN_WEIGHT
from tuneassist.evidence.lattice import LatticeFit
from tuneassist.evidence.visits import nearest_cell
from tuneassist.grid import Axes, Floats


@dataclass(frozen=True, eq=False)
class LocalEvidence:
    """Estimate of each cell from its own data. Shape (cells,) each, nan without data.

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
    def nothing(cls, size: int) -> LocalEvidence:
        """Return the evidence of cells without data."""
        return cls(np.full(size, np.nan), np.full(size, np.nan))


def local_evidence(
    axes: Axes,
    *,
    rpm: Floats,
    load: Floats,
    need: Floats,
    variance: Floats,
    log_index: npt.NDArray[np.int64],
    weights: sparse.csr_matrix,
    fit: LatticeFit,
) -> LocalEvidence:
    """Estimate each cell from the holds and passes in it and around it.

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
        The surface from which the cell's offset is estimated.

    Returns
    -------
    LocalEvidence
        A hold counts in full here even if the fit gave it little weight.
    """
    cells, count = axes.size, len(need)
    if not count:
        return LocalEvidence.nothing(cells)
    nearest = nearest_cell(axes, rpm, load)
    inside = sparse.csr_matrix((np.ones(count), (np.arange(count), nearest)), shape=weights.shape)
    around = sparse.csr_matrix(weights.multiply(weights >= MIN_WEIGHT))
    residual = need - weights @ fit.theta
    offsets, variances = np.empty((2, cells)), np.empty((2, cells))
    for row, nearby in enumerate((inside, around)):
        share, own = _mean_offset(nearby, residual, variance)
        offsets[row] = share @ residual
        variances[row] = own + _surface_variance(share, weights, fit)
        variances[row] += _log_variance(share, log_index, fit)
    best, every = np.argmin(variances, axis=0), np.arange(cells)
    se = np.sqrt(variances[best, every])
    is_seen = np.isfinite(se)
    quantile = fit.half_width()[0] / max(fit.standard_error[0], 1e-12)
    return LocalEvidence(
        value=np.where(is_seen, fit.theta + offsets[best, every], np.nan),
        half_width=np.where(is_seen, quantile * se, np.nan),
    )


def _mean_offset(
    nearby: sparse.csr_matrix, residual: Floats, variance: Floats
) -> tuple[sparse.csr_matrix, Floats]:
    """Share of each value in a cell's offset, shape (cells, m), and its variance. [1], [ln^2]

    The offset of a cell is the weighted least-squares fit to the residuals of the values near it.
    Its variance is infinite without values, and is scaled up where the values disagree.
    """
    table = sparse.coo_matrix(nearby)
    place, cell, by = table.row, table.col, table.data
    cells, precision = nearby.shape[1], 1.0 / variance[place]
    total = np.bincount(cell, weights=precision * by**2, minlength=cells)
    share = precision * by / total[cell]
    offset = np.bincount(cell, weights=share * residual[place], minlength=cells)
    misfit = precision * by * (residual[place] - by * offset[cell]) ** 2
    chi_squared = np.bincount(cell, weights=misfit, minlength=cells)
    spare = np.maximum(np.bincount(cell, weights=by, minlength=cells) - 1.0, 1.0)
    own = np.full(cells, np.inf)
    np.divide(np.maximum(chi_squared / spare, 1.0), total, out=own, where=total > 0)
    return sparse.csr_matrix((share, (cell, place)), shape=nearby.shape[::-1]), own


def _surface_variance(
    share: sparse.csr_matrix, weights: sparse.csr_matrix, fit: LatticeFit
) -> Floats:
    """Variance that comes from the surface at the other corners. [ln^2]"""
    move = sparse.csr_matrix(share @ weights - sparse.eye_array(share.shape[0]))
    return np.asarray(move.multiply(move @ fit.covariance).sum(axis=1)).ravel()


def _log_variance(
    share: sparse.csr_matrix, log_index: npt.NDArray[np.int64], fit: LatticeFit
) -> Floats:
    """Variance of a mean that comes from the offsets of its logs. [ln^2]"""
    logs = int(log_index.max()) + 1
    if logs < 2:
        return np.zeros(share.shape[0])
    is_of = sparse.csr_matrix(
        (np.ones(len(log_index)), (np.arange(len(log_index)), log_index)),
        shape=(len(log_index), logs),
    )
    by_log = (share @ is_of).toarray()
    return np.asarray(fit.log_scatter**2 * np.sum(by_log**2, axis=1))
