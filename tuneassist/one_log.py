"""What one log says, what is found out about it, and the fit of holds to a surface."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.evidence.delay import SensorDelay
from tuneassist.evidence.holds import HoldNoise, Settling
from tuneassist.evidence.refresh import Refresh
from tuneassist.evidence.steady import Bands
from tuneassist.settings import SteadySettings

Mask = npt.NDArray[np.bool_]

#: No hold is taken for more exact than this. [ln]
MIN_HOLD_SE = 1e-4

#: A tail that moves leave in the holds is told from this chance and this size on. [1], [%]
NOTED_CHANCE, NOTED_TAIL_PCT = 0.5, 0.1

#: What may become of a sample, in the order in which the filters take it.
FATES = (
    "no value",
    "engine cold",
    "other fuel",
    "closed loop",
    "load at its end",
    "fuel cut",
    "outside the table",
    "no target there",
    "moving",
    "sweeping",
    "settling",
    "short hold",
    "no lambda",
    "spike",
    "sensor at its stop",
    "used",
)


@dataclass(frozen=True, eq=False)
class LogEvidence:
    """What one log says.

    Parameters
    ----------
    name
        The log's name.
    holds
        One row per hold (see `tuneassist.evidence.holds.reduce_stretches`), with ``log`` = name.
    fates
        Samples by what became of them, in the order of `FATES`; they add up to ``samples``.
    samples
        Samples looked at: rows, or renewed values where the logger repeats old ones.
    refresh, delay, settling
        What was found out about the log.
    stops
        Richest and leanest reading of the sensor; 0 and infinity where not seen. [lambda]
    peaks
        Highest values of the channels with ceilings, one row per cell.
    notes
        Sentences that a user should read.
    visits
        Samples nearest to each cell, moves and warm-up included, shape (cells,); None where they
        were not counted.
    blocks
        Samples between the holds (`tuneassist.evidence.moving_blocks.BLOCK_COLUMNS`); None where
        they were not kept.
    driven
        Lowest and highest load by band of speed (`tuneassist.evidence.load_envelope`);
        None where they were not kept.
    trace
        Samples over time, thinned (`tuneassist.evidence.time_trace.TRACE_COLUMNS`); None where
        they were not kept.
    """

    name: str
    holds: pd.DataFrame
    fates: pd.Series
    samples: int
    refresh: Refresh
    delay: SensorDelay
    settling: Settling
    stops: tuple[float, float]
    peaks: pd.DataFrame
    notes: tuple[str, ...] = ()
    visits: npt.NDArray[np.int64] | None = field(default=None, repr=False)
    blocks: pd.DataFrame | None = field(default=None, repr=False)
    driven: pd.DataFrame | None = field(default=None, repr=False)
    trace: pd.DataFrame | None = field(default=None, repr=False)


@dataclass(frozen=True, eq=False)
class LogNature:
    """What is found out about a log before it can be reduced.

    Parameters
    ----------
    refresh, reaches_s
        How often the main channels are renewed, and how far each is interpolated. [rows], [s]
    others
        Columns that are asked beside the main ones; their blanks are carried forward.
    stops
        Richest and leanest reading of the sensor. [lambda]
    delay, settling
        How late lambda is, and how long it settles.
    warmth
        Column that tells whether the engine is warm; None where none does.
    driver
        Column of the driver's wish that tells an overrun; None where none does.
    bands
        Noise of speed and load; None for a log shorter than a window.
    noise
        Scatter within holds; None without a hold.
    start_s
        When the log begins. [s]
    """

    refresh: Refresh
    reaches_s: dict[str, float]
    others: tuple[str, ...]
    stops: tuple[float, float]
    delay: SensorDelay
    settling: Settling
    warmth: str | None
    driver: str | None
    bands: Bands | None = None
    noise: HoldNoise | None = None
    start_s: float = 0.0


NO_LAMBDA = "no lambda channel: the need is read from the fuel trims alone"
BY_HAND = (
    "values found by hand, in an order that is not known: a drift of the gauge would look like the "
    "map, so a drift is allowed for on the lean side"
)
BY_HAND_IN_ORDER = "values found by hand, in the order of their times"
"""Notes on evidence without a log behind it; the second where its order is known."""


def is_by_hand(log: LogEvidence) -> bool:
    """Tell whether the values were found by hand, so that no sensor was logged."""
    return BY_HAND in log.notes or BY_HAND_IN_ORDER in log.notes


def has_order(log: LogEvidence) -> bool:
    """Tell whether it is known in which order the values were found: as logged, or by time."""
    return BY_HAND not in log.notes


def not_proven_warm(settings: SteadySettings) -> str:
    """Say that no channel shows a warm engine, and what that means."""
    wait_s = settings.unproven_warm_s
    means = (
        f", so the first {wait_s:g} s of it teach nothing. Log the temperature of coolant or oil; "
        "if the engine was warm from the start, set unproven_warm_s = 0 under [steady]"
    )
    return (
        "no coolant or oil temperature and no sender voltage was logged: nothing shows that the "
        f"engine was warm{means if wait_s > 0 else ''}"
    )


def tail_notes(holds: pd.DataFrame, noise: HoldNoise | None) -> list[str]:
    """Say that moves leave a tail in the holds, where that is likely and of a size to be seen.

    Parameters
    ----------
    holds
        As reduced, with `SHARED_ERRORS` and ``tail_ln``.
    noise
        What the holds showed.
    """
    if noise is None or noise.tail is None or noise.tail.chance < NOTED_CHANCE:
        return []
    value = holds[holds["stop"].eq("")]
    size = 100.0 * float(np.sqrt(np.mean(value["tail_ln"] ** 2)))
    if size < NOTED_TAIL_PCT:
        return []
    doubt = 200.0 * float(value["tail_se"].median())
    return [
        f"lambda still creeps during the holds, long after each move: {size:.1f} % of it was taken "
        f"out of the holds, and what is uncertain about that ({doubt:.1f} %) is in the intervals; "
        "hold for longer to be surer"
    ]
