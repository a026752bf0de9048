"""Axes, cells, bilinear weights, and the correction grid with the way its percents compose.

A grid's values sit at the breakpoints. A controller interpolates bilinearly between them and
holds the edge outside, so that a sample between four breakpoints is evidence about all four.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from scipy import sparse

from tuneassist.by_value import ByValue
from tuneassist.errors import GridError
from tuneassist.field_facts import about, documented, setting
from tuneassist.units import plain_unit
from tuneassist.views import html_of

if TYPE_CHECKING:
    import pandas as pd

Floats = npt.NDArray[np.float64]

MAX_BREAKPOINTS = 256
"""Most breakpoints of an axis: controllers' tables have up to some 64. [1]"""
MAX_CELLS = 4096
"""Most cells of a grid, 64 x 64: time and memory of the fit grow faster than they do. [1]"""


@documented
@dataclass(frozen=True, eq=False)
class Axes(ByValue):
    """The breakpoints of a table.

    Raises
    ------
    GridError
        When an axis has fewer than two breakpoints or more than `MAX_BREAKPOINTS`, is not finite,
        or does not rise, or when there are more than `MAX_CELLS` cells.
    """

    rpm: Floats = field(metadata=about(unit="rpm", why="Engine speed breakpoints, rising."))
    load: Floats = field(metadata=about(unit="load_unit", why="Load breakpoints, rising."))
    load_name: str = setting("load", why="The tuner's word for the load.")
    load_unit: str = setting(
        "kPa",
        why="""Unit word of the load axis, as the setup has it; a pressure may name its reference:
        ``"psi gauge"`` counts from the barometer, ``"psi absolute"`` from vacuum.""",
    )
    where: str = field(default="axes", repr=False, compare=False)

    def __post_init__(self) -> None:
        for name in ("rpm", "load"):
            try:
                points = np.array(getattr(self, name), dtype=float)
            except (TypeError, ValueError):
                raise GridError(
                    f"the {name} axis holds a value that is not a number.", where=self.where
                ) from None
            points.setflags(write=False)
            object.__setattr__(self, name, points)
            _check_axis(points, name=name, where=self.where)
        object.__setattr__(self, "load_unit", plain_unit(self.load_unit))
        if self.size > MAX_CELLS:
            raise GridError(
                f"{len(self.rpm)} rpm and {len(self.load)} load breakpoints make {self.size} "
                f"cells; at most {MAX_CELLS} are allowed.",
                where=self.where,
                mend="Use fewer breakpoints, such as every other one of the longer axis.",
            )

    @property
    def shape(self) -> tuple[int, int]:
        """Number of rpm rows and of load columns."""
        return len(self.rpm), len(self.load)

    @property
    def size(self) -> int:
        """Number of cells."""
        return len(self.rpm) * len(self.load)

    def is_same(self, other: Axes) -> bool:
        """Return whether both axes have equal breakpoints."""
        return (
            self.shape == other.shape
            and bool(np.allclose(self.rpm, other.rpm, rtol=1e-9, atol=1e-9))
            and bool(np.allclose(self.load, other.load, rtol=1e-9, atol=1e-9))
        )

    def cell_rpm(self) -> Floats:
        """Speed of every cell, in cell order (rows of rpm, load fastest). [rpm]"""
        return np.repeat(self.rpm, len(self.load))

    def cell_load(self) -> Floats:
        """Load of every cell, in cell order. [``load_unit``]"""
        return np.tile(self.load, len(self.rpm))

    def neighbour_pairs(self) -> npt.NDArray[np.int64]:
        """Pairs of neighbouring cells, along rpm first and then along load; shape (pairs, 2)."""
        index = np.arange(self.size).reshape(self.shape)
        along_rpm = np.stack([index[:-1].ravel(), index[1:].ravel()], axis=1)
        along_load = np.stack([index[:, :-1].ravel(), index[:, 1:].ravel()], axis=1)
        return np.concatenate([along_rpm, along_load])


def _check_axis(points: Floats, *, name: str, where: str) -> None:
    if points.ndim != 1 or len(points) < 2:
        raise GridError(
            f"the {name} axis has {points.size} breakpoint(s).",
            where=where,
            mend="It needs at least two.",
        )
    if len(points) > MAX_BREAKPOINTS:
        raise GridError(
            f"the {name} axis has {len(points)} breakpoints.",
            where=where,
            mend=f"At most {MAX_BREAKPOINTS} are allowed.",
        )
    if not np.isfinite(points).all():
        raise GridError(f"the {name} axis holds a value that is not a number.", where=where)
    falls = np.flatnonzero(np.diff(points) <= 0)
    if falls.size:
        first = int(falls[0])
        raise GridError(
            f"the {name} axis does not rise: {points[first]:g} is followed by "
            f"{points[first + 1]:g} (breakpoints {first + 1} and {first + 2}).",
            where=where,
            mend="List the breakpoints from low to high, each once.",
        )


def axis_weights(points: Floats, values: Floats) -> tuple[npt.NDArray[np.int64], Floats]:
    """Place values between breakpoints; the edge holds outside.

    Parameters
    ----------
    points
        Rising breakpoints, shape (k,).
    values
        Where to look, shape (n,), in the unit of ``points``.

    Returns
    -------
    lower, upper_share
        Index of the breakpoint below and the weight of the one above, each of shape (n,).

    Examples
    --------
    >>> axis_weights(np.array([0.0, 10.0, 30.0]), np.array([-5.0, 5.0, 25.0, 99.0]))
    (array([0, 0, 1, 1]), array([0.  , 0.5 , 0.75, 1.  ]))
    """
    held = np.clip(values, points[0], points[-1])
    lower = np.clip(np.searchsorted(points, held, side="right") - 1, 0, len(points) - 2)
    share = (held - points[lower]) / (points[lower + 1] - points[lower])
    return lower.astype(np.int64), share


def bilinear_weights(axes: Axes, rpm: npt.ArrayLike, load: npt.ArrayLike) -> sparse.csr_matrix:
    """Weights by which each point is evidence about the four breakpoints around it.

    Parameters
    ----------
    axes
        The breakpoints.
    rpm, load
        Operating points, shape (n,). [rpm], [``axes.load_unit``]

    Returns
    -------
    scipy.sparse.csr_matrix
        Shape (n, cells); every row is non-negative and sums to one.

    Raises
    ------
    GridError
        When a point is not finite.

    Examples
    --------
    >>> square = Axes(rpm=np.array([0.0, 1.0]), load=np.array([0.0, 1.0]))
    >>> bilinear_weights(square, [0.25], [0.5]).toarray()
    array([[0.375, 0.375, 0.125, 0.125]])
    """
    rpm_points = np.atleast_1d(np.asarray(rpm, dtype=float))
    load_points = np.atleast_1d(np.asarray(load, dtype=float))
    if not (np.isfinite(rpm_points).all() and np.isfinite(load_points).all()):
        raise GridError("an operating point is not a number.", where="bilinear weights")
    row, up_rpm = axis_weights(axes.rpm, rpm_points)
    column, up_load = axis_weights(axes.load, load_points)
    n, width = len(rpm_points), len(axes.load)
    corner = row * width + column
    columns = np.stack([corner, corner + 1, corner + width, corner + width + 1], axis=1)
    weights = np.stack(
        [
            (1 - up_rpm) * (1 - up_load),
            (1 - up_rpm) * up_load,
            up_rpm * (1 - up_load),
            up_rpm * up_load,
        ],
        axis=1,
    )
    starts = np.arange(0, 4 * n + 1, 4)
    return sparse.csr_matrix((weights.ravel(), columns.ravel(), starts), shape=(n, axes.size))


@dataclass(frozen=True, eq=False)
class Grid(ByValue):
    """A table of percents at the breakpoints.

    Parameters
    ----------
    axes
        The breakpoints.
    values
        One value per cell, rows follow rpm and columns follow load; nan means "no value". [%]

    Raises
    ------
    GridError
        When the table does not fit the axes, or composes to no fuel at all (-100 % or less).
    """

    axes: Axes
    values: Floats

    def __post_init__(self) -> None:
        try:
            values = np.array(self.values, dtype=float)
        except (TypeError, ValueError):
            raise GridError(
                "the table holds a value that is not a number.", where=self.axes.where
            ) from None
        if values.shape != self.axes.shape:
            raise GridError(
                f"the table has shape {values.shape}, the axes need {self.axes.shape}.",
                where=self.axes.where,
                mend="One row per rpm breakpoint, one column per load breakpoint.",
            )
        if np.isinf(values).any() or (values <= -100.0).any():
            raise GridError(
                "a correction is infinite or takes away all of the fuel.",
                where=self.axes.where,
                mend="Corrections are percents above -100.",
            )
        values.setflags(write=False)
        object.__setattr__(self, "values", values)

    @classmethod
    def zeros(cls, axes: Axes) -> Grid:
        """Return the grid that corrects nothing."""
        return cls(axes, np.zeros(axes.shape))

    def flat(self) -> Floats:
        """Values in cell order, shape (cells,). [%]"""
        return self.values.ravel()

    def to_frame(self) -> pd.DataFrame:
        """Return the percents with one row per speed and one column per load.

        Returns
        -------
        pandas.DataFrame
            A frame of its own: index ``rpm``, columns named by load name and unit. [%]

        Examples
        --------
        >>> axes = Axes(rpm=np.array([800.0, 1200.0]), load=np.array([30.0, 60.0]))
        >>> frame = Grid(axes, np.array([[0.0, 1.5], [-2.0, np.nan]])).to_frame()
        >>> frame.columns.name, float(frame.loc[1200.0, 30.0])
        ('load (kPa)', -2.0)
        """
        import pandas as pd

        axes = self.axes
        across = pd.Index(axes.load, name=f"{axes.load_name} ({axes.load_unit})")
        return pd.DataFrame(
            self.values.copy(), index=pd.Index(axes.rpm, name="rpm"), columns=across
        )

    def _repr_html_(self) -> str:
        return html_of(self)

    def at(self, rpm: npt.ArrayLike, load: npt.ArrayLike) -> Floats:
        """Look the correction up as the controller does, shape (n,). [%]"""
        return np.asarray(bilinear_weights(self.axes, rpm, load) @ self.flat())


def compose_pct(first: npt.ArrayLike, second: npt.ArrayLike) -> Floats:
    """Compose two percents by multiplication: (1 + first)(1 + second) - 1.

    Examples
    --------
    >>> compose_pct(10.0, 10.0)
    array(21.)
    """
    a, b = np.asarray(first, dtype=float), np.asarray(second, dtype=float)
    return np.asarray(a + b + a * b / 100.0)


def step_between_pct(current: npt.ArrayLike, new: npt.ArrayLike) -> Floats:
    """Return the percent that composes ``current`` into ``new``; inverse of `compose_pct`."""
    a, b = np.asarray(current, dtype=float), np.asarray(new, dtype=float)
    return np.asarray(100.0 * (b - a) / (100.0 + a))
