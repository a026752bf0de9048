"""Symmetric matrices over the cells in which a cell meets only near cells: factor, solve, invert.

Such a matrix is a band. Worked through a few columns at a time, Cholesky's factor costs the number
of cells times the band's width squared, not the number cubed. Of the inverse, the entries within
the band are enough for most of what a likelihood asks (Takahashi, Fagan and Chen, "Formation of a
sparse bus impedance matrix", PICA 1973, 63-69).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy import linalg

from tuneassist.grid import Floats

#: What is added to the diagonal, as a share of its mean, where rounding makes a matrix lose its
#: definiteness: a surface that may bend freely one way and hardly the other does that. [1]
NUDGES = (0.0, 1e-14, 1e-12, 1e-10)
#: Columns taken at a time: fewer make calls dear, more make arithmetic dear. [1]
COLUMNS = 48

Places = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Pattern:
    """Which entries of a symmetric matrix are kept: some on and below the diagonal, by column.

    The matrix is worked through in panels of a few columns. Rows of a panel go from its first
    column as far down as any entry of the pattern lies below the diagonal.

    Parameters
    ----------
    cells
        Size of the matrix.
    rows, columns
        Of the entries, shape (n,).
    """

    cells: int
    rows: Places
    columns: Places

    @classmethod
    def of(cls, cells: int, rows: Places, columns: Places) -> Pattern:
        """Take entries in any order, any number of times; the whole diagonal is added."""
        every = np.arange(cells)
        key = np.unique(np.concatenate([columns * cells + rows, every * (cells + 1)]))
        columns, rows = np.divmod(key, cells)
        return cls(cells, rows, columns)

    def find(self, rows: Places, columns: Places) -> Places:
        """Positions of entries among those kept."""
        key = self.columns * self.cells + self.rows
        return np.searchsorted(key, columns * self.cells + rows)

    @cached_property
    def is_diagonal(self) -> npt.NDArray[np.bool_]:
        """Which of the entries stand on the diagonal."""
        return np.asarray(self.rows == self.columns)

    @cached_property
    def width(self) -> int:
        """How far the farthest entry lies below the diagonal."""
        return int((self.rows - self.columns).max())

    @cached_property
    def step(self) -> int:
        """Columns of a panel."""
        return min(COLUMNS, self.cells)

    @cached_property
    def panels(self) -> list[tuple[slice, Places]]:
        """For each panel its entries, and their places in its window, columns as rows of memory."""
        first = np.arange(0, self.cells, self.step)
        ends = np.searchsorted(self.columns, np.append(first, self.cells))
        start = self.columns - self.columns % self.step
        place = (self.columns - start) * (self.step + self.width) + self.rows - start
        return [(slice(a, b), place[a:b]) for a, b in pairwise(ends.tolist())]

    def window(self) -> Floats:
        """A square as large as a panel's columns and the rows below them, all zero."""
        return np.zeros((self.step + self.width, self.step + self.width))


@dataclass(frozen=True, eq=False)
class Factor:
    """Cholesky's factor of a positive definite band, and what follows from it.

    Parameters
    ----------
    pattern
        Of the matrix.
    lower
        For each panel the factor on the diagonal, shape (columns, columns).
    carry
        For each panel what its columns hand on to the rows below: the inverse on the diagonal times
        the rows below, transposed, shape (columns, width).
    log_det
        Log determinant of the matrix.
    """

    pattern: Pattern
    lower: list[Floats]
    carry: list[Floats]
    log_det: float

    @classmethod
    def of(cls, pattern: Pattern, values: Floats) -> Factor:
        """Factor a matrix of which the entries of the pattern are given."""
        mean = values[pattern.is_diagonal].mean()
        for nudge in NUDGES:
            firm = np.where(pattern.is_diagonal, values + nudge * mean, values) if nudge else values
            found = _factored(pattern, firm)
            if found is not None:
                lower, carry = found
                roots = np.concatenate([np.diagonal(one) for one in lower])
                return cls(pattern, lower, carry, 2.0 * float(np.sum(np.log(roots))))
        raise linalg.LinAlgError("a precision is not positive definite")

    def solve(self, right: Floats) -> Floats:
        """Solve for several right-hand sides, shape (cells, n)."""
        found = np.zeros((self._size, right.shape[1]))
        found[: self.pattern.cells] = right
        for lower, carry, (own, below) in zip(self.lower, self.carry, self._rows, strict=True):
            found[below] -= carry.T @ found[own]
            found[own], _ = linalg.lapack.dpotrs(lower, found[own], lower=1)
        for carry, (own, below) in zip(self.carry[::-1], self._rows[::-1], strict=True):
            found[own] -= carry @ found[below]
        return found[: self.pattern.cells]

    def near_inverse(self) -> Floats:
        """Entries of the inverse where the pattern has some."""
        step, width = self.pattern.step, self.pattern.width
        found, window = np.empty(len(self.pattern.rows)), self.pattern.window()
        flat = window.reshape(-1)
        for i in reversed(range(len(self.carry))):
            after = window[:width, :width].copy()
            side = self.carry[i] @ after
            window[step:, step:] = after
            window[:step, step:] = -side
            window[step:, :step] = -side.T
            window[:step, :step] = self._own_inverse(i, side)
            entries, place = self.pattern.panels[i]
            found[entries] = flat[place]
        return found

    def inverse(self) -> Floats:
        """The whole inverse, shape (cells, cells)."""
        cells, size = self.pattern.cells, self._size
        found = np.zeros((size, size))
        for i in reversed(range(len(self.carry))):
            own, below = self._rows[i]
            rest = slice(own.stop, size)
            found[own, rest] = -self.carry[i] @ found[below, rest]
            found[rest, own] = found[own, rest].T
            found[own, own] = self._own_inverse(i, -found[own, below])
        return found[:cells, :cells]

    def _own_inverse(self, panel: int, side: Floats) -> Floats:
        """The inverse on a panel's own columns, with ``side`` what it hands on times that below."""
        moved = side @ self.carry[panel].T
        # halves that differ by no more than rounding would grow apart from panel to panel
        return np.asarray(_inverse(self.lower[panel]) + (moved + moved.T) / 2.0)

    @property
    def _size(self) -> int:
        return len(self.carry) * self.pattern.step + self.pattern.width

    @cached_property
    def _rows(self) -> list[tuple[slice, slice]]:
        """For each panel the rows of its columns, and those below."""
        step, width = self.pattern.step, self.pattern.width
        ends = [step * (i + 1) for i in range(len(self.carry))]
        return [(slice(end - step, end), slice(end, end + width)) for end in ends]


def _factored(pattern: Pattern, values: Floats) -> tuple[list[Floats], list[Floats]] | None:
    """Factor panel by panel; None where the matrix is not positive definite."""
    lapack, step, width = linalg.lapack, pattern.step, pattern.width
    lower, carry = list[Floats](), list[Floats]()
    window = pattern.window()  # its upper half holds the matrix' lower half
    flat = window.reshape(-1)
    for i, (entries, place) in enumerate(pattern.panels):
        flat[place] += values[entries]
        spare = np.arange(pattern.cells - i * step, step)  # columns beyond the last cell
        window[spare, spare] = 1.0
        own, is_broken = lapack.dpotrf(window[:step, :step].T, lower=1)
        if is_broken:
            return None
        half, _ = lapack.dtrtrs(own, window[:step, step:], lower=1)
        rest = window[step:, step:] - half.T @ half
        lower.append(own)
        carry.append(lapack.dtrtrs(own, half, lower=1, trans=1)[0])
        window[:] = 0.0
        window[:width, :width] = rest
    return lower, carry


def _inverse(lower: Floats) -> Floats:
    """Inverse of the matrix of which ``lower`` is the factor."""
    half, _ = linalg.lapack.dpotri(lower, lower=1)
    whole = half + half.T
    whole[np.diag_indices_from(whole)] = np.diagonal(half)
    return np.asarray(whole)
