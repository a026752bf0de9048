"""How far a moving block may be off, found from what the fit leaves of all blocks.

A block's variance has four parts: what wanders, white noise of a sample, one that grows with the
rate of movement, and one with the size of the transients that were taken out. Blocks that follow
each other are correlated, so that a run of them counts for less. An error of the transients' model
repeats each time the engine passes a cell: the blocks of one log in one cell share it, and count
together as one reading (a random effect per move, as in Laird and Ware, Biometrics 38(4), 1982,
963-974). Last, the holds are the check: where the blocks alone predict them worse than they claim,
all of their variances grow until they do not.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import optimize

from tuneassist.evidence.visits import nearest_cell
from tuneassist.grid import Axes, Floats

#: First guess of the four parts as standard deviations: wander, white noise of a sample, per rate
#: of ln load and ln speed, share of the transients taken out. [ln], [ln], [ln s], [1]
FIRST_SD = np.array([0.008, 0.01, 0.04, 0.3])
#: The guess counts as so many blocks; no part gets below this variance. [1], [ln^2]
GUESS_BLOCKS, LEAST_PART = 0.1, 1e-8
#: Rounds in which the parts are found from squares that the last round scaled. [1]
PART_ROUNDS = 3
#: A squared residual counts for at most so many times its variance. [1]
MAX_SQUARE = 9.0
#: Rates beyond this are gear changes and stabs, all alike. [1/s]
MAX_RATE_PER_S = 1.0
#: Blocks hang together over this time, in pairs of at least so many, down to this correlation, and
#: a run of them is worth one in this number at least. [s], [1], [1], [1]
MEMORY_S, MIN_PAIRS, LEAST_CORRELATION, MAX_TOGETHER, MAX_LAG = 25.0, 20, 0.03, 8.0, 15
#: Fewest holds that can check the blocks; the most by which variances grow. [1], [1]
MIN_CHECK_HOLDS, MAX_GROWTH = 8, 100.0


def variance_columns(blocks: pd.DataFrame, transient_ln: Floats) -> Floats:
    """Return what each part of the variance goes with, shape (n, 4).

    Parameters
    ----------
    blocks
        With ``samples`` and ``rate_per_s``.
    transient_ln
        What was taken out of each for its transients, shape (n,). [ln]
    """
    samples = blocks["samples"].to_numpy(dtype=float)
    rate = np.minimum(blocks["rate_per_s"].to_numpy(dtype=float), MAX_RATE_PER_S)
    return np.column_stack([np.ones(len(samples)), 1.0 / samples, rate**2, transient_ln**2])


def fit_parts(residual_ln: Floats, columns: Floats, before: Floats) -> Floats:
    """Find the four parts from what the fit leaves, by non-negative least squares.

    Parameters
    ----------
    residual_ln
        Of each block, shape (n,). [ln]
    columns
        From `variance_columns`.
    before
        The parts so far, shape (4,). [ln^2]
    """
    parts = before
    for _ in range(PART_ROUNDS):
        variance = columns @ parts
        square = np.minimum(residual_ln**2 / variance, MAX_SQUARE)
        guess = np.sqrt(GUESS_BLOCKS) * np.diag(1.0 / FIRST_SD**2)
        left = np.vstack([columns / variance[:, None], guess])
        right = np.concatenate([square, np.full(len(FIRST_SD), np.sqrt(GUESS_BLOCKS))])
        parts = np.maximum(optimize.nnls(left, right)[0], LEAST_PART)
    return np.asarray(parts)


def run_length(scaled: Floats, log_number: npt.NDArray[np.int64], start_s: Floats) -> float:
    """Return how many blocks in a row are worth one.

    Parameters
    ----------
    scaled
        Residuals in units of their standard deviation, in order of log and time, shape (n,).
    log_number, start_s
        Log and start of each block.
    """
    total, size = 1.0, max(float(np.mean(scaled**2)), 1e-12)
    for lag in range(1, min(MAX_LAG, len(scaled) - 1) + 1):
        apart_s = start_s[lag:] - start_s[:-lag]
        is_near = (log_number[lag:] == log_number[:-lag]) & (apart_s < MEMORY_S)
        if is_near.sum() < MIN_PAIRS:
            break
        correlation = float(np.mean((scaled[lag:] * scaled[:-lag])[is_near])) / size
        if correlation < LEAST_CORRELATION:
            break
        total += 2.0 * correlation * float(is_near.mean())
    return min(total, MAX_TOGETHER)


def log_and_cell(axes: Axes, blocks: pd.DataFrame) -> npt.NDArray[np.int64]:
    """Number the blocks by log and nearest cell, shape (n,)."""
    rpm, load = (blocks[name].to_numpy(dtype=float) for name in ("rpm", "load"))
    key = blocks["log_number"].to_numpy(dtype=np.int64) * axes.size + nearest_cell(axes, rpm, load)
    return np.asarray(np.unique(key, return_inverse=True)[1], dtype=np.int64)


def with_shared(variance: Floats, group: npt.NDArray[np.int64], shared: Floats) -> Floats:
    """Let the blocks of one group share an error.

    Parameters
    ----------
    variance
        Of each block by itself, shape (n,). [ln^2]
    group
        From `log_and_cell`.
    shared
        Variance of the shared error as each block sees it; the group has their mean. [ln^2]

    Returns
    -------
    numpy.ndarray
        Variances of independent blocks that tell as much together as those that share.
    """
    information = np.bincount(group, weights=1.0 / variance)
    common = np.bincount(group, weights=shared / variance) / information
    return np.asarray(variance * (1.0 + (common * information)[group]))


def growth(
    residual_ln: Floats,
    of_hold: Floats,
    of_surface: Floats,
    log_number: npt.NDArray[np.int64],
) -> float:
    """By how much the blocks' variances must grow for the holds to be as near as they claim.

    Parameters
    ----------
    residual_ln
        Holds less what the blocks alone predict, shape (m,). [ln]
    of_hold, of_surface
        Variance of the holds themselves, and of the prediction. [ln^2]
    log_number
        Log of each hold. Of several logs each has an offset of its own, which is no fault of the
        blocks: their residuals are taken from the log's mean.
    """
    logs, code, counts = np.unique(log_number, return_inverse=True, return_counts=True)
    spare = np.ones(len(residual_ln))
    if len(logs) > 1:
        residual_ln = residual_ln - (np.bincount(code, weights=residual_ln) / counts)[code]
        spare = (1.0 - 1.0 / counts)[code]
    told = spare > 0

    def excess(factor: float) -> float:
        variance = spare[told] * (of_hold + factor * of_surface)[told]
        return float(np.mean(np.minimum(residual_ln[told] ** 2 / variance, MAX_SQUARE))) - 1.0

    if told.sum() < MIN_CHECK_HOLDS or excess(1.0) <= 0:
        return 1.0
    if excess(MAX_GROWTH) > 0:
        return MAX_GROWTH
    return float(optimize.brentq(excess, 1.0, MAX_GROWTH))
