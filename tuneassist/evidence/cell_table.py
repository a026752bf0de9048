"""From the fit to cells: deviation, interval, how much stands behind it, and a word of confidence.

The word comes from the half width of the 95 % interval and from how many holds are near
(`CorrectionSettings`): "good", "fair", "low"; "none" where the evidence does not reach, where the
interval is wider than all three, or where the sensor was at its stop.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import ndimage, sparse
from scipy.spatial import Delaunay

from tuneassist.evidence.disputes import find_disputes
from tuneassist.evidence.holds import SHARED_ERRORS
from tuneassist.evidence.hull import MIN_WEIGHT, hull_of, is_inside, is_supported
from tuneassist.evidence.lattice import LatticeFit
from tuneassist.evidence.local_evidence import LocalEvidence, local_evidence
from tuneassist.evidence.map_fit import FittedBlocks
from tuneassist.evidence.need import (
    correction_need_ln,
    from_surface_scale,
    scatter_scale,
    surface_scale,
)
from tuneassist.evidence.visits import nearest_cell
from tuneassist.grid import Axes, Floats, Grid
from tuneassist.settings import CorrectionSettings, Target

Mask = npt.NDArray[np.bool_]

#: Weight of holds at a sensor's stop from which they bound a cell. [1]
STOP_WEIGHT = 0.25
#: Beyond the outermost readings a surface with moving samples in it is carried on by a trend that
#: they share, and by how much it may bend there is known less than between them: of simulated
#: engines with other physics the intervals there held 82 % before, 94 % with this. [1]
BEYOND_DOUBT = 1.4
#: Moving samples of a cell that are worth so many holds are evidence of its own. [1]
MIN_MOVING = 0.2
#: Said of a cell to which the surface is carried on from the outermost holds or sweeps; and what
#: older programs said.
BEYOND_HOLDS = "beyond the outermost readings"
BEYOND_BEFORE = "beyond the outermost holds"


def is_beyond_holds(cells: pd.DataFrame) -> Mask:
    """Tell which cells lie beyond the outermost holds, by what is said of their evidence.

    Parameters
    ----------
    cells
        With ``confidence``, and ``evidence`` as `cell_table` gives it or ``reason`` as in
        ``cells.csv``; without either, none does.
    """
    is_said = np.zeros(len(cells), dtype=bool)
    for name in ("evidence", "reason"):
        if name in cells:
            said = cells[name].astype(str)
            for words in (BEYOND_HOLDS, BEYOND_BEFORE):
                is_said |= said.str.contains(words, regex=False).to_numpy(dtype=bool)
    return np.asarray(is_said & cells["confidence"].ne("none").to_numpy())


def confidence_words(
    half_width_pct: Floats, near_holds: Floats, reached: Mask, correction: CorrectionSettings
) -> npt.NDArray[np.object_]:
    """Return the confidence word of every cell.

    Parameters
    ----------
    half_width_pct
        Half of the 95 % interval. [%]
    near_holds
        Holds that touch the cell or a neighbour. [1]
    reached
        Whether the evidence reaches the cell.
    correction
        The widths and the number of holds.
    """
    words = np.full(len(half_width_pct), "none", dtype=object)
    words[reached & (half_width_pct <= correction.low_half_width_pct)] = "low"
    enough = reached & (near_holds >= correction.fair_min_holds)
    words[enough & (half_width_pct <= correction.fair_half_width_pct)] = "fair"
    words[enough & (half_width_pct <= correction.good_half_width_pct)] = "good"
    return words


def cell_table(
    axes: Axes,
    *,
    target: Target,
    current: Grid,
    holds: pd.DataFrame,
    weights: sparse.csr_matrix,
    fit: LatticeFit | None,
    correction: CorrectionSettings,
    lean_ln: float = 0.0,
    blocks: FittedBlocks | None = None,
) -> pd.DataFrame:
    """Put everything that is known about each cell into one row.

    Parameters
    ----------
    axes, target, current
        Breakpoints, wanted lambda, and the grid in force when the holds were logged.
    holds
        All holds, with ``rpm, load, samples, need_ln, total_need_ln, within_se, log_number,
        stop``.
    weights
        Bilinear weights of all holds, shape (holds, cells).
    fit
        Fit of the total need to the holds that are values; None where there are none.
    correction
        Rules of the confidence word.
    lean_ln
        How much leaner the mixture may be than the logs say; moves out the lean end of what was
        seen in a cell itself. [ln]
    blocks
        Blocks of moving samples as the fit took them; None without.

    Returns
    -------
    pandas.DataFrame
        In cell order: ``rpm, load, target_lambda, samples, holds, effective_n, deviation_pct,
        se_pct, ci_low_pct, ci_high_pct, confidence, is_disputed, lambda_measured, evidence``; then
        ``own_low_pct, own_high_pct``, the interval of what was seen in the cell itself without its
        neighbours, ``worth``, its holds and what its moving samples are worth beside them,
        ``holds_in_all``, ``holds_near``, those that touch the cell or a neighbour, and
        ``lean_doubt_pct``, which is ``lean_ln`` in percent.
        Nothing is claimed (nan) where confidence is "none", but for the side that a sensor's stop
        bounds.
    """
    is_value = holds["stop"].eq("").to_numpy()
    seen, free, stopped = holds[is_value], weights[is_value], weights[~is_value]
    in_force = correction_need_ln(current.flat(), correction.acts_on)
    claim = _claim(axes, seen, free, fit, kind=target.kind, in_force=in_force, blocks=blocks)
    own = np.asarray(free.sum(axis=0)).ravel()
    at_stop = np.asarray(stopped.sum(axis=0)).ravel()
    is_bound = (at_stop >= STOP_WEIGHT) & (at_stop > own)
    held = holds_near(free, axes)
    words = _confidence(
        axes, claim, held, stopped, is_bound=is_bound, correction=correction, blocks=blocks
    )
    if fit is not None and not fit.is_surface:
        words[words != "none"] = "low"  # no pattern seen is no pattern known
    table = _counted(axes, target, seen, free, blocks)
    table["effective_n"] = np.where(claim.is_reached, claim.effective_n, 0.0)
    table = table.assign(**_intervals(claim, words))
    table["lambda_measured"] = table["target_lambda"] * (1.0 + table["deviation_pct"] / 100.0)
    table["evidence"] = _evidence_words(words, claim, own, fit, _worth_of_blocks(axes, blocks))
    table["worth"] = table["holds"] + _worth_of_blocks(axes, blocks)
    table["own_low_pct"] = 100.0 * np.expm1(claim.own_low)
    table["own_high_pct"] = 100.0 * np.expm1(claim.own_high + lean_ln)
    table["holds_in_all"] = len(seen)
    table["holds_near"] = held
    table["lean_doubt_pct"] = 100.0 * float(np.expm1(lean_ln))
    return _with_bounds(table, holds, weights, is_value, is_bound)


def _touches(weights: sparse.csr_matrix) -> sparse.csr_matrix:
    """1 where a hold touches a cell, shape (holds, cells)."""
    return (weights >= MIN_WEIGHT).astype(float)


def _counted(
    axes: Axes,
    target: Target,
    holds: pd.DataFrame,
    weights: sparse.csr_matrix,
    blocks: FittedBlocks | None,
) -> pd.DataFrame:
    """Start the table: each cell's place and target, and how much was logged there."""
    samples = np.asarray(weights.T @ holds["samples"].to_numpy(dtype=float))
    if blocks is not None:
        samples = samples + blocks.weights.T @ blocks.samples
    return pd.DataFrame(
        {
            "rpm": axes.cell_rpm(),
            "load": axes.cell_load(),
            "target_lambda": target.table.ravel(),
            "samples": np.round(samples).astype(int),
            "holds": np.asarray(_touches(weights).sum(axis=0)).ravel().astype(int),
        }
    )


def _confidence(
    axes: Axes,
    claim: _Claim,
    held: Floats,
    stopped: sparse.csr_matrix,
    *,
    is_bound: Mask,
    correction: CorrectionSettings,
    blocks: FittedBlocks | None,
) -> npt.NDArray[np.object_]:
    """Return each cell's word, lower where holds disagree or a sensor was at its stop near by."""
    near = held + _near_blocks(axes, blocks)
    reached = claim.is_reached & ~is_bound
    words = confidence_words(50.0 * (claim.high - claim.low), near, reached, correction)
    is_known = words != "none"
    wide = confidence_words(50.0 * (claim.highest - claim.lowest), near, reached, correction)
    is_disputed = claim.is_disputed & is_known
    words[is_disputed] = np.where(wide == "none", "low", wide)[is_disputed]
    # readings next to a stop are those that happened to stay off it: a biased choice
    is_biased = _near_holds(_touches(stopped), axes) > 0
    words[(is_biased | claim.is_sign_disputed) & is_known] = "low"
    # what moving samples have wrong they have wrong each time: a hold must stand beside them
    words[(held == 0) & (words == "good")] = "fair"
    return words


def _intervals(
    claim: _Claim, words: npt.NDArray[np.object_]
) -> dict[str, Floats | Mask | npt.NDArray[np.object_]]:
    """Return the deviation and its interval in percent, nan where nothing is claimed."""
    is_known = words != "none"
    return {
        "deviation_pct": np.where(is_known, 100.0 * np.expm1(claim.theta), np.nan),
        "se_pct": np.where(is_known, 100.0 * claim.error * np.exp(claim.theta), np.nan),
        "ci_low_pct": np.where(is_known, 100.0 * np.expm1(claim.lowest), np.nan),
        "ci_high_pct": np.where(is_known, 100.0 * np.expm1(claim.highest), np.nan),
        "confidence": words,
        "is_disputed": claim.is_disputed & is_known,
    }


@dataclass(frozen=True, eq=False)
class _Claim:
    """What the fit says at every cell, under the grid in force. Shape (cells,) each.

    Parameters
    ----------
    theta, low, high, error
        Deviation, its 95 % interval and its standard error. [ln]
    rich, lean
        How much richer (0 or less) and leaner (0 or more) a lone overruled hold says it is. [ln]
    effective_n
        Holds that would tell as much. [1]
    is_reached, is_enclosed
        Whether the evidence reaches the cell, and whether its breakpoint lies among the holds.
    own, own_low, own_high
        What was seen in the cell itself, and its interval under the grid in force. [ln]
    """

    theta: Floats
    low: Floats
    high: Floats
    error: Floats
    rich: Floats
    lean: Floats
    effective_n: Floats
    is_reached: Mask
    is_enclosed: Mask
    own: LocalEvidence
    own_low: Floats
    own_high: Floats

    @property
    def lowest(self) -> Floats:
        """Rich end of the interval, or of what an overruled hold says. [ln]"""
        return np.asarray(np.minimum(self.low, self.theta + self.rich))

    @property
    def highest(self) -> Floats:
        """Lean end of the interval, or of what an overruled hold says. [ln]"""
        return np.asarray(np.maximum(self.high, self.theta + self.lean))

    @property
    def is_disputed(self) -> Mask:
        """Cells about which a lone hold says something else."""
        return np.asarray((self.lean > 0) | (self.rich < 0))

    @property
    def is_sign_disputed(self) -> Mask:
        """Cells where it speaks against the deviation, or for more than as much again."""
        against = np.where(self.theta < 0, self.lean > 0, self.rich < 0)
        more = np.maximum(self.lean, -self.rich) > np.abs(self.theta)
        return np.asarray(self.is_disputed & (against | more))

    @classmethod
    def nothing(cls, size: int) -> _Claim:
        unknown, zero, none = np.full(size, np.nan), np.zeros(size), np.zeros(size, dtype=bool)
        own = LocalEvidence.nothing(size)
        return cls(
            *(unknown, unknown, unknown, unknown, zero, zero, zero, none, none),
            own,
            unknown,
            unknown,
        )


def _claim(
    axes: Axes,
    holds: pd.DataFrame,
    weights: sparse.csr_matrix,
    fit: LatticeFit | None,
    *,
    kind: str,
    in_force: Floats,
    blocks: FittedBlocks | None,
) -> _Claim:
    """Return what fit and readings say of every cell; nothing without a fit."""
    if fit is None:
        return _Claim.nothing(axes.size)
    alone = _own(axes, holds, weights, blocks=blocks, fit=fit, kind=kind)

    def deviation(surface: Floats) -> Floats:
        return from_surface_scale(surface, kind) - in_force

    rpm, load = (holds[name].to_numpy(dtype=float) for name in ("rpm", "load"))
    hull, own = _extent(axes, rpm, load, weights, blocks)
    is_enclosed = is_inside(axes, hull, axes.cell_rpm(), axes.cell_load())
    beyond = 1.0 if blocks is None else BEYOND_DOUBT
    half = fit.half_width() * np.where(is_enclosed, 1.0, beyond)
    theta, low, high = (deviation(fit.theta + d) for d in (np.zeros_like(half), -half, half))
    error = (high - low) / 2.0 * fit.standard_error / np.maximum(fit.half_width(), 1e-12)
    disputes = find_disputes(axes, rpm, load, weights, fit)
    return _Claim(
        theta,
        low,
        high,
        error,
        rich=deviation(fit.theta + disputes.rich) - theta,
        lean=deviation(fit.theta + disputes.lean) - theta,
        effective_n=np.round((fit.hold_scatter / np.maximum(error, 1e-9)) ** 2, 2),
        is_reached=is_supported(axes, hull, own),
        is_enclosed=is_enclosed,
        own=alone,
        own_low=deviation(alone.value - alone.half_width),
        own_high=deviation(alone.value + alone.half_width),
    )


def _extent(
    axes: Axes,
    rpm: Floats,
    load: Floats,
    weights: sparse.csr_matrix,
    blocks: FittedBlocks | None,
) -> tuple[Delaunay | None, Floats]:
    """Return the hull of holds and blocks, and the weight of their own in every cell."""
    own = np.asarray(weights.sum(axis=0)).ravel()
    if blocks is not None:
        rpm, load = np.append(rpm, blocks.rpm), np.append(load, blocks.load)
        own = own + blocks.weights.T @ blocks.worth
    return hull_of(axes, rpm, load), np.asarray(own)


def _own(
    axes: Axes,
    holds: pd.DataFrame,
    weights: sparse.csr_matrix,
    *,
    blocks: FittedBlocks | None,
    fit: LatticeFit,
    kind: str,
) -> LocalEvidence:
    """Read each cell from what was seen in it: holds, and moving samples."""
    names = ("rpm", "load", "total_need_ln", "within_se", "log_number")
    rpm, load, need, within, log = (holds[name].to_numpy(dtype=float) for name in names)
    variance = within**2 + fit.hold_scatter**2
    if blocks is not None:
        rpm, load = np.append(rpm, blocks.rpm), np.append(load, blocks.load)
        need, log = np.append(need, blocks.need_ln), np.append(log, blocks.log_number)
        variance = np.append(variance, blocks.variance)
        weights = sparse.vstack([weights, blocks.weights], format="csr")
    found = local_evidence(
        axes,
        rpm=rpm,
        load=load,
        need=surface_scale(need, kind),
        variance=scatter_scale(need, kind) ** 2 * variance,
        log_index=log.astype(np.int64),
        weights=weights,
        fit=fit,
    )
    tails = [name for name in SHARED_ERRORS if name in holds]
    if not tails:
        return found
    # what moves leave in all holds does not average out in any cell
    shared = np.mean(np.linalg.norm(np.nan_to_num(holds[tails].to_numpy(dtype=float)), axis=1))
    spans = fit.half_width()[0] / max(fit.standard_error[0], 1e-12)
    return replace(found, half_width=np.hypot(found.half_width, spans * float(shared)))


def _worth_of_blocks(axes: Axes, blocks: FittedBlocks | None) -> Floats:
    """How many ordinary holds the moving samples nearest to each cell are worth. [1]"""
    if blocks is None:
        return np.zeros(axes.size)
    nearest = nearest_cell(axes, blocks.rpm, blocks.load)
    worth = np.bincount(nearest, weights=blocks.worth, minlength=axes.size)
    return np.asarray(worth, dtype=float)


def _near_blocks(axes: Axes, blocks: FittedBlocks | None) -> Floats:
    """How many ordinary holds the blocks are worth that touch each cell or a neighbour. [1]"""
    if blocks is None:
        return np.zeros(axes.size)
    touching = (_touches(blocks.weights).T @ blocks.worth).reshape(axes.shape)
    around = ndimage.uniform_filter(touching, size=3, mode="constant")
    return np.asarray(9.0 * around.ravel())


def holds_near(weights: sparse.csr_matrix, axes: Axes) -> Floats:
    """Count the holds near each cell: those that touch it or one of its eight neighbours.

    This is what "near" means wherever holds are counted. A place between breakpoints has the holds
    of the cell that it is nearest to.

    Parameters
    ----------
    weights
        Bilinear weights of the holds that are values, shape (holds, cells).
    axes
        Breakpoints.

    Returns
    -------
    numpy.ndarray
        Shape (cells,). [1]
    """
    return _near_holds(_touches(weights), axes)


def _near_holds(touching: sparse.csr_matrix, axes: Axes) -> Floats:
    """Number of holds that touch each cell or one of its eight neighbours."""
    if touching.shape[0] == 0:
        return np.zeros(axes.size)
    first, count = _alike(touching)
    stack = touching[first].toarray().reshape(-1, *axes.shape)
    grown = ndimage.maximum_filter(stack, size=(1, 3, 3), mode="constant")
    return np.asarray((grown.reshape(len(first), -1).T @ count).ravel())


def _alike(touching: sparse.csr_matrix) -> tuple[npt.NDArray[np.int64], Floats]:
    """Return one of all holds that touch the same cells, and how many they are."""
    table = sparse.csr_matrix(touching)
    table.eliminate_zeros()
    table.sort_indices()
    holds, cells = table.shape
    rows = np.repeat(np.arange(holds), np.diff(table.indptr))
    place = np.arange(table.nnz) - np.repeat(table.indptr[:-1], np.diff(table.indptr))
    which = np.zeros((holds, int(place.max(initial=0)) + 1), dtype=np.int64)
    which[rows, place] = table.indices + 1
    key = np.zeros(holds, dtype=np.int64)
    for column in which.T:  # a hold touches four cells at most
        key = key * (cells + 1) + column
    _, first, count = np.unique(key, return_index=True, return_counts=True)
    return first, count.astype(float)


def _evidence_words(
    words: npt.NDArray[np.object_],
    claim: _Claim,
    own: Floats,
    fit: LatticeFit | None,
    moving: Floats,
) -> npt.NDArray[np.object_]:
    text = np.full(len(words), "", dtype=object)
    text[own < MIN_WEIGHT] = f"no hold of its own, {BEYOND_HOLDS}"
    text[(own < MIN_WEIGHT) & claim.is_enclosed] = "no hold of its own, read between its neighbours"
    text[(own < MIN_WEIGHT) & (moving >= MIN_MOVING)] = "no hold of its own, read while moving"
    if fit is not None and not fit.is_surface:
        text[:] = "the holds show no pattern over speed and load"
    for cell in np.flatnonzero(claim.is_disputed):
        sides = ((claim.lean[cell], "leaner"), (claim.rich[cell], "richer"))
        says = " and another ".join(
            f"{100.0 * abs(np.expm1(by)):.1f} % {side}" for by, side in sides if by
        )
        text[cell] = f"a hold here reads {says} than those around it: repeat it"
    wide = claim.is_reached & (words == "none")
    text[wide] = "too uncertain to use"
    text[~claim.is_reached] = "no evidence"
    return text


def _with_bounds(
    table: pd.DataFrame,
    holds: pd.DataFrame,
    weights: sparse.csr_matrix,
    is_value: Mask,
    is_bound: Mask,
) -> pd.DataFrame:
    """Let holds at a sensor's stop bound the cells that nothing else tells about."""
    stopped = holds[~is_value]
    share = weights[~is_value].toarray()
    for side, column, pick in (("lean", "ci_low_pct", np.min), ("rich", "ci_high_pct", np.max)):
        rows = stopped["stop"].eq(side).to_numpy()
        for cell in np.flatnonzero(is_bound & (share[rows].sum(axis=0) >= STOP_WEIGHT)):
            needs = stopped["need_ln"].to_numpy(dtype=float)[rows][
                share[rows][:, cell] >= MIN_WEIGHT
            ]
            bound = 100.0 * float(np.expm1(pick(needs)))
            table.loc[cell, column] = bound
            more = "leaner" if side == "lean" else "richer"
            table.loc[cell, "evidence"] = (
                f"sensor or trim at its {side} stop: {more} than {bound:+z.1f} %, size unknown"
            )
    return table
