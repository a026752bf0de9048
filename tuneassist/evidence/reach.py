"""How far the holds reach: their hull, and the cells that the controller reads inside it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.spatial import Delaunay, QhullError

from tuneassist.evidence.lattice import places_in_cells
from tuneassist.grid import Axes, Floats, bilinear_weights

Mask = npt.NDArray[np.bool_]

#: Weight that a hold needs at a cell to count as evidence of its own. [1]
TOUCH = 0.05
#: A cell is read from inside the hull when some point there takes this share of its value. [1]
READ_WEIGHT = 0.1
#: Holds that span an area, at least. [1]
MIN_CORNERS = 3
#: Points along each cell's side at which the hull is looked up. [1]
SUBDIVISIONS = 5


def hull_of(axes: Axes, rpm: Floats, load: Floats) -> Delaunay | None:
    """Return the convex hull of holds in units of cells; None where they span no area."""
    try:
        return Delaunay(places_in_cells(axes, rpm, load)) if len(rpm) >= MIN_CORNERS else None
    except QhullError:  # holds on one line
        return None


def is_within_reach(axes: Axes, hull: Delaunay | None, own_weight: Floats) -> Mask:
    """Tell which cells the evidence reaches.

    Parameters
    ----------
    axes
        Breakpoints.
    hull
        The holds' convex hull, as from `hull_of`.
    own_weight
        Summed weight of the holds at every cell, shape (cells,).

    Returns
    -------
    numpy.ndarray
        True for cells with weight of their own, and for those that the controller reads from
        somewhere inside the holds' convex hull. How far such a reading may be trusted is for the
        interval to say; beyond, nothing is claimed.
    """
    reached = own_weight >= TOUCH
    points_rpm, points_load = (
        m.ravel() for m in np.meshgrid(_subdivided(axes.rpm), _subdivided(axes.load), indexing="ij")
    )
    inside = is_inside(axes, hull, points_rpm, points_load)
    if not inside.any():
        return np.asarray(reached)
    read = bilinear_weights(axes, points_rpm[inside], points_load[inside]).max(axis=0).toarray()
    return np.asarray(reached | (read.ravel() >= READ_WEIGHT))


def is_inside(axes: Axes, hull: Delaunay | None, rpm: Floats, load: Floats) -> Mask:
    """Tell which operating points lie inside a hull from `hull_of`."""
    if hull is None:
        return np.zeros(len(rpm), dtype=bool)
    return np.asarray(hull.find_simplex(places_in_cells(axes, rpm, load)) >= 0)


def _subdivided(points: Floats) -> Floats:
    """Breakpoints with `SUBDIVISIONS` - 1 more between each pair."""
    at = np.linspace(0, len(points) - 1, (len(points) - 1) * SUBDIVISIONS + 1)
    return np.interp(at, np.arange(len(points)), points)
