"""Holds that the fitted surface overrules without anything near them to bear it out.

A smooth surface takes a hold that lies far from its neighbours for a bad one, and mostly rightly
so. But an engine may have a bump one breakpoint wide, and a single hold cannot tell the two apart.
Where no other holds stand by, the doubt is shown: the interval reaches to what the hold says.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import sparse
from scipy.spatial import cKDTree

from tuneassist.evidence.lattice import LatticeFit, places_in_cells
from tuneassist.grid import Axes, Floats

#: A hold that kept less than this weight in the fit is overruled: its leave-one-out residual lies
#: beyond 3.5 standard deviations, where one honest hold in 2,000 lies. [1]
OVERRULED_WEIGHT = 0.73
#: Smaller leave-one-out residuals are no matter, however sure they are. [ln]
MIN_RESIDUAL_LN = 0.01
#: Holds this near, along speed and along load, are at the same place. [cells]
SAME_PLACE_CELLS = 0.5
#: An overruled hold is outvoted when holds that agree with the surface are this many times as many
#: at its place. [1]
MAJORITY = 2
#: Weight of a hold at a cell from which its dispute is the cell's. [1]
OWN_WEIGHT = 0.25


@dataclass(frozen=True, eq=False)
class Disputes:
    """What lone overruled holds say about the cells.

    Parameters
    ----------
    hold
        Their positions among the holds, shape (disputes,).
    rich, lean
        How far the surface would have to go towards rich (0 or less) and lean (0 or more) to meet
        them, shape (cells,). [ln]
    """

    hold: npt.NDArray[np.int64]
    rich: Floats
    lean: Floats


def find_disputes(
    axes: Axes, rpm: Floats, load: Floats, weights: sparse.csr_matrix, fit: LatticeFit
) -> Disputes:
    """Find the holds that are overruled and not outvoted, and the cells that they stand for.

    Parameters
    ----------
    axes
        Breakpoints.
    rpm, load
        Places of the holds of the fit, shape (m,). [rpm], [load unit]
    weights
        Their bilinear weights, shape (m, cells).
    fit
        The fit.
    """
    residual = fit.left_out_residual
    is_odd = (fit.weight < OVERRULED_WEIGHT) & (np.abs(residual) >= MIN_RESIDUAL_LN)
    odd = np.flatnonzero(is_odd)
    if len(odd):
        at = places_in_cells(axes, rpm, load)
        near = cKDTree(at).query_ball_point(at[odd], SAME_PLACE_CELLS, p=np.inf)
        odd = odd[_is_not_outvoted(near, np.sign(residual) * is_odd, odd)]
    own = sparse.csr_matrix(weights)[odd].toarray() >= OWN_WEIGHT
    says = np.where(own, residual[odd][:, None], 0.0)
    return Disputes(odd, says.min(axis=0, initial=0.0), says.max(axis=0, initial=0.0))


def _is_not_outvoted(
    near: Sequence[Sequence[int]], side: Floats, odd: npt.NDArray[np.int64]
) -> npt.NDArray[np.bool_]:
    """Count votes: ``side`` is 0 where a hold agrees with the surface, else the side it is on."""
    for_it = np.array([np.sum(side[n] == side[h]) for n, h in zip(near, odd, strict=True)])
    against = np.array([np.sum(side[n] == 0) for n in near])
    return np.asarray(against < MAJORITY * for_it)
