"""From holds and moving blocks to one map: the surface and its covariance, fitted together.

A hold is one reading with the scatter that holds have. Blocks of moving samples are readings with
an error of their own (`tuneassist.evidence.block_errors`), which is found in rounds: fit, look at
what is left of the blocks, fit again.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import sparse

from tuneassist.evidence.block_errors import (
    FIRST_SD,
    MIN_CHECK_HOLDS,
    fit_parts,
    growth,
    log_and_cell,
    run_length,
    variance_columns,
    with_shared,
)
from tuneassist.evidence.holds import SHARED_ERRORS
from tuneassist.evidence.lattice import LatticeFit, fit_lattice
from tuneassist.evidence.moving_blocks import TRANSIENT_COLUMNS
from tuneassist.evidence.need import from_surface_scale, scatter_scale, surface_scale
from tuneassist.grid import Floats, bilinear_weights
from tuneassist.settings import Setup

Mask = npt.NDArray[np.bool_]
Numbers = npt.NDArray[np.int64]

#: No hold is taken for more exact than this. [ln]
MIN_HOLD_SE = 1e-4
#: Rounds in which the blocks' errors are found. [1]
ROUNDS = 3
#: The blocks have all of their error in their own variance; next to nothing of the holds'
#: scatter. [1]
BLOCK_SCATTER = 1e-3
#: Scatter of holds where too few were logged to show it, and the least that is believed of it when
#: blocks are counted in holds. [1], [ln], [ln]
FEW_HOLDS, USUAL_SCATTER_LN, LEAST_SCATTER_LN = 8, 0.004, 0.003
#: A residual counts for at most so many standard deviations in the blocks' correlation. [1]
CLIP_SD = 3.0


@dataclass(frozen=True, eq=False)
class _Readings:
    """Holds or blocks, a row each."""

    weights: sparse.csr_matrix
    need_ln: Floats
    own_se: Floats
    log_number: Numbers
    start_s: Floats
    scatter: Floats  # share of the holds' scatter
    fade_ln: Floats
    shared: Floats  # errors that readings share, shape (m, k)
    transients: Floats

    @classmethod
    def of_holds(
        cls, holds: pd.DataFrame, weights: sparse.csr_matrix, log_number: Numbers
    ) -> _Readings:
        count = len(holds)
        shared = [name for name in SHARED_ERRORS if name in holds]
        return cls(
            weights=weights,
            need_ln=_column(holds, "total_need_ln"),
            own_se=np.maximum(_column(holds, "within_se"), MIN_HOLD_SE),
            log_number=log_number,
            start_s=_column(holds, "start_s", count),
            scatter=np.ones(count),
            fade_ln=_column(holds, "fade_ln", count),
            shared=np.nan_to_num(holds[shared].to_numpy(dtype=float)),
            transients=np.zeros((count, 2 * len(TRANSIENT_COLUMNS))),
        )

    @classmethod
    def of_blocks(cls, blocks: pd.DataFrame, weights: sparse.csr_matrix, shared: int) -> _Readings:
        """Take blocks whose errors are not known yet, beside holds that share so many errors."""
        count = len(blocks)
        return cls(
            weights=weights,
            need_ln=_column(blocks, "total_need_ln"),
            own_se=np.full(count, FIRST_SD[0]),
            log_number=blocks["log_number"].to_numpy(dtype=np.int64),
            start_s=_column(blocks, "start_s"),
            scatter=np.full(count, BLOCK_SCATTER),
            fade_ln=_column(blocks, "fade_ln", count),
            shared=np.zeros((count, shared)),
            transients=both_ways(blocks[list(TRANSIENT_COLUMNS)].to_numpy(dtype=float)),
        )

    def __len__(self) -> int:
        return len(self.need_ln)

    def and_those(self, other: _Readings) -> _Readings:
        """Return these readings followed by others."""
        names = [name for name in self.__dataclass_fields__ if name != "weights"]
        joined = {n: np.concatenate([getattr(self, n), getattr(other, n)]) for n in names}
        return _Readings(
            weights=sparse.vstack([self.weights, other.weights], format="csr"), **joined
        )


def both_ways(transients: Floats) -> Floats:
    """Let a transient be of another size on the way up than down.

    Acceleration enrichment, boost that comes up and fuel that leaves the walls act one way only.
    Without this their mean over rises and falls is taken for the surface.

    Parameters
    ----------
    transients
        High-passed load and speed of each block, shape (n, k). [ln]

    Returns
    -------
    numpy.ndarray
        The columns and their absolute values, shape (n, 2 k).
    """
    return np.hstack([transients, np.abs(transients)])


def _column(frame: pd.DataFrame, name: str, count: int = 0) -> Floats:
    """Return a column, zeros where it is missing."""
    return frame[name].to_numpy(dtype=float) if name in frame else np.zeros(count)


def _fitted(
    setup: Setup,
    readings: _Readings,
    *,
    robust: bool = True,
    with_times: bool = False,
    warm_start: LatticeFit | None = None,
    is_draft: bool = False,
) -> LatticeFit:
    numbers, first, codes = np.unique(readings.log_number, return_index=True, return_inverse=True)
    kind = setup.target.kind
    scale = scatter_scale(readings.need_ln, kind)
    has_shared = with_times and readings.shared.shape[1] > 0
    found = fit_lattice(
        setup.axes,
        readings.weights,
        surface_scale(readings.need_ln, kind),
        readings.own_se * scale,
        codes,
        scale=readings.scatter * scale,
        log_se=readings.fade_ln[first] if readings.fade_ln.any() else None,
        time_s=readings.start_s if with_times else None,
        shared=readings.shared * scale[:, None] if has_shared else None,
        transients=readings.transients if readings.transients.any() else None,
        robust=robust,
        warm_start=warm_start,
        is_draft=is_draft,
    )
    return replace(found, log_numbers=numbers)


def fit_holds(
    setup: Setup,
    holds: pd.DataFrame,
    weights: sparse.csr_matrix,
    log_number: Numbers,
    is_used: Mask,
    *,
    robust: bool = True,
    warm_start: LatticeFit | None = None,
    is_draft: bool = False,
) -> LatticeFit | None:
    """Fit the lattice to the holds that are used; None without one.

    Parameters
    ----------
    setup
        Axes and the kind of target.
    holds
        With ``total_need_ln, within_se`` and, where logs may have drifted, ``fade_ln``.
    weights
        Bilinear weights of all holds, shape (holds, cells).
    log_number
        Number of each hold's log, shape (holds,).
    is_used
        Holds that take part, shape (holds,).
    robust
        Whether bad holds lose weight.
    warm_start, is_draft
        As for `fit_lattice`.
    """
    if not is_used.any():
        return None
    readings = _Readings.of_holds(holds[is_used], weights[is_used], log_number[is_used])
    # the plain fit ahead of the delay is asked for values only, not for a drift
    has_times = robust and "start_s" in holds
    return _fitted(
        setup,
        readings,
        robust=robust,
        with_times=has_times,
        warm_start=warm_start,
        is_draft=is_draft,
    )


@dataclass(frozen=True, eq=False)
class FittedBlocks:
    """Moving blocks as the map took them, shape (n,) each where not said otherwise.

    Parameters
    ----------
    rpm, load, log_number, samples
        Where they were, in which log, and of how many samples.
    need_ln
        What each needs in total, its transients taken out. [ln]
    variance
        Of the need, so that blocks count as independent. [ln^2]
    weights
        Bilinear weights, shape (n, cells).
    weight
        Weight that each kept in the fit, 1 is full. [1]
    worth
        How many ordinary holds would tell as much. [1]
    growth
        By how much their variances grew for the holds to be as near as the blocks claim. [1]
    transient
        What was taken out of each for its transients, on the scale of the fit.
    """

    rpm: Floats
    load: Floats
    log_number: Numbers
    samples: Floats
    need_ln: Floats
    variance: Floats
    weights: sparse.csr_matrix
    weight: Floats
    worth: Floats
    growth: float
    transient: Floats


@dataclass(frozen=True, eq=False)
class MapFit:
    """The map of all readings.

    Parameters
    ----------
    fit
        Values with covariance; what it says of single readings is cut to the holds.
    blocks
        The moving blocks; None without.
    """

    fit: LatticeFit
    blocks: FittedBlocks | None = None


def fit_map(
    setup: Setup,
    holds: pd.DataFrame,
    weights: sparse.csr_matrix,
    log_number: Numbers,
    is_used: Mask,
    *,
    blocks: pd.DataFrame,
) -> MapFit | None:
    """Fit the map to holds and moving blocks; None without either.

    Parameters
    ----------
    setup, holds, weights, log_number, is_used
        As for `fit_holds`.
    blocks
        `tuneassist.evidence.moving_blocks.BLOCK_COLUMNS` with ``total_need_ln, log_number`` and,
        where logs may have drifted, ``fade_ln``; in order of log and time.
    """
    if blocks.empty:
        fit = fit_holds(setup, holds, weights, log_number, is_used)
        return None if fit is None else MapFit(fit)
    held = _Readings.of_holds(holds[is_used], weights[is_used], log_number[is_used])
    places = bilinear_weights(setup.axes, blocks["rpm"], blocks["load"])
    moving = _Readings.of_blocks(blocks, places, held.shared.shape[1])
    rounds = _Rounds(setup, blocks, held, moving, log_and_cell(setup.axes, blocks))
    for number in range(ROUNDS):
        rounds = rounds.once_more(is_last=number == ROUNDS - 1)
    return rounds.result()


@dataclass(frozen=True, eq=False)
class _Rounds:
    """What is known of the blocks' errors so far."""

    setup: Setup
    blocks: pd.DataFrame
    held: _Readings
    moving: _Readings
    group: Numbers  # blocks of one log in one cell
    parts: Floats | None = None
    transient_ln: Floats | None = None
    run: float = 1.0
    growth: float = 1.0
    scatter_ln: float = USUAL_SCATTER_LN
    fit: LatticeFit | None = None
    variance: Floats | None = None

    def _block_variance(self, growth: float) -> Floats:
        """Variance of each block as an independent reading."""
        transient = np.zeros(len(self.moving)) if self.transient_ln is None else self.transient_ln
        parts = FIRST_SD**2 if self.parts is None else self.parts
        columns = variance_columns(self.blocks, transient)
        own = columns @ parts * self.run * growth + self.moving.fade_ln**2
        # what depends on the movement is what the transients' model may have wrong each time
        shared = self.scatter_ln**2 + columns[:, 2:] @ parts[2:] * growth
        return with_shared(own, self.group, shared)

    def once_more(self, *, is_last: bool) -> _Rounds:
        """Fit, and find the blocks' errors anew from what is left of them."""
        variance = self._block_variance(self.growth)
        moving = replace(self.moving, own_se=np.sqrt(variance))
        readings = self.held.and_those(moving)
        fit = _fitted(self.setup, readings, with_times=is_last, is_draft=not is_last)
        found = replace(self, fit=fit, variance=variance)
        if is_last:
            return found
        residual = fit.left_out_residual[len(self.held) :]
        transient = self._taken(fit)
        columns = variance_columns(self.blocks, transient)
        parts = fit_parts(residual, columns, FIRST_SD**2 if self.parts is None else self.parts)
        scaled = np.clip(residual / np.sqrt(columns @ parts), -CLIP_SD, CLIP_SD)
        found = replace(
            found,
            parts=parts,
            transient_ln=transient,
            run=run_length(scaled, self.moving.log_number, self.moving.start_s),
            scatter_ln=self._scatter(fit),
        )
        return replace(found, growth=found._checked_by_holds())

    def _taken(self, fit: LatticeFit) -> Floats:
        """What the fit takes out of each block for its transients, on the scale of the fit."""
        if not len(fit.transients):
            return np.zeros(len(self.moving))
        return np.asarray(self.moving.transients @ fit.transients)

    def _scatter(self, fit: LatticeFit) -> float:
        """Scatter of holds, against which the blocks are counted. [ln]"""
        if len(self.held) < FEW_HOLDS:
            return USUAL_SCATTER_LN
        return max(fit.hold_scatter, LEAST_SCATTER_LN)

    def _checked_by_holds(self) -> float:
        """By how much the blocks' variances must grow, by holds that take no part in the fit."""
        held = self.held
        if self.fit is None or len(held) < MIN_CHECK_HOLDS:
            return 1.0
        moving = replace(self.moving, own_se=np.sqrt(self._block_variance(1.0)))
        alone = _fitted(self.setup, moving, robust=False)
        scale = scatter_scale(held.need_ln, self.setup.target.kind)
        need = surface_scale(held.need_ln, self.setup.target.kind)
        spread = held.weights.multiply(held.weights @ alone.covariance).sum(axis=1)
        of_hold = scale**2 * (held.own_se**2 + self.fit.hold_scatter**2)
        residual, of_surface = need - held.weights @ alone.theta, np.asarray(spread).ravel()
        return growth(residual, of_hold, of_surface, held.log_number)

    def result(self) -> MapFit:
        """Return the map, with the blocks as it took them."""
        fit, variance, held, moving = self.fit, self.variance, self.held, self.moving
        assert fit is not None and variance is not None
        count, kind = len(held), self.setup.target.kind
        ordinary = self.scatter_ln**2 + (float(np.median(held.own_se**2)) if count else 0.0)
        weight = fit.weight[count:]
        transient = self._taken(fit)
        at_rest = surface_scale(moving.need_ln, kind) - transient
        blocks = FittedBlocks(
            rpm=self.blocks["rpm"].to_numpy(dtype=float),
            load=self.blocks["load"].to_numpy(dtype=float),
            log_number=moving.log_number,
            samples=self.blocks["samples"].to_numpy(dtype=float),
            need_ln=from_surface_scale(at_rest, kind),
            variance=variance,
            weights=moving.weights,
            weight=weight,
            worth=np.minimum(1.0, weight * ordinary / variance),
            growth=self.growth,
            transient=transient,
        )
        of_holds = replace(
            fit,
            weight=fit.weight[:count],
            left_out_residual=fit.left_out_residual[:count],
            left_out_se=fit.left_out_se[:count],
        )
        return MapFit(of_holds, blocks)
