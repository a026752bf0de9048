"""The convex hull of the holds, and the cells that they support."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.spatial import Delaunay, QhullError

from tuneassist.evidence.lattice import places_in_cells
from tuneassist.grid import Axes, Floats, bilinear_weights

Mask = npt.NDArray[np.bool_]

#: Least weight of a hold at a cell to count as the cell's own evidence. [1]
MIN_WEIGHT = 0.05
#: A cell is read from inside the hull if some point there takes this share of its value. [1]
READ_WEIGHT = 0.1
#: Fewest holds that span an area. [1]
MIN_CORNERS = 3
#: Points along each side of a cell that are tested against the hull. [1]
SUBDIVISIONS = 5


def hull_of(axes: Axes, rpm: Floats, load: Floats) -> Delaunay | None:
    """Return the convex hull of the holds in units of cells; None if they span no area."""
    try:
        return Delaunay(places_in_cells(axes, rpm, load)) if len(rpm) >= MIN_CORNERS else None
    except QhullError:  # holds on one line
        return None


def is_supported(axes: Axes, hull: Delaunay | None, own_weight: Floats) -> Mask:
    """Tell which cells the holds support.

    Parameters
    ----------
    axes
        Breakpoints.
    hull
        Convex hull of the holds, from `hull_of`.
    own_weight
        Sum of the holds' weights at each cell, shape (cells,).

    Returns
    -------
    numpy.ndarray
        True for cells with holds of their own, and for those that the controller reads at some
        point inside the hull. The interval says how far such a value can be trusted. Outside the
        hull no value is given.
    """
    reached = own_weight >= MIN_WEIGHT
    points_rpm, points_load = (
        m.ravel() for m in np.meshgrid(_subdivided(axes.rpm), _subdivided(axes.load), indexing="ij")
    )
    inside = is_inside(axes, hull, points_rpm, points_load)
    if not inside.any():
        return np.asarray(reached)
    read = bilinear_weights(axes, points_rpm[inside], points_load[inside]).max(axis=0).toarray()
    return np.asarray(reached | (read.ravel() >= READ_WEIGHT))


def is_inside(axes: Axes, hull: Delaunay | None, rpm: Floats, load: Floats) -> Mask:
    """Tell which operating points lie inside the hull."""
    if hull is None:
        return np.zeros(len(rpm), dtype=bool)
    return np.asarray(hull.find_simplex(places_in_cells(axes, rpm, load)) >= 0)


def _subdivided(points: Floats) -> Floats:
    """Return the breakpoints with `SUBDIVISIONS` - 1 points added between each pair."""
    at = np.linspace(0, len(points) - 1, (len(points) - 1) * SUBDIVISIONS + 1)
    return np.interp(at, np.arange(len(points)), points)
