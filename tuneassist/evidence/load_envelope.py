"""The envelope of loads that were driven, by engine speed: a plan asks for no load outside it.

The load that an engine reaches depends on its speed: a turbo gives boost at 2500 rpm that it never
gives at 1000. The lowest and highest load are therefore kept in narrow bands of speed, and a load
between two speeds is interpolated from bands within one breakpoint gap. Samples on the overrun,
with the pedal released, are left out: the engine cannot be held there.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.evidence.need import inside_axes
from tuneassist.evidence.steady import DRIVERS
from tuneassist.evidence.visits import keep_highest
from tuneassist.grid import Axes, Floats
from tuneassist.settings import SteadySettings

#: Bands of speed in each gap between breakpoints. [1]
BANDS = 4
#: Bands on either side from which a load is interpolated: all their samples lie within one gap. [1]
NEAR_BANDS = BANDS - 1
#: Samples that must have been as high, or as low, so that one wild reading does not count. [1]
MIN_SAMPLES = 3
COLUMNS = ("rpm", "load_low", "load_high")


def band_speeds(axes: Axes) -> Floats:
    """Return the middle of each band of speed, breakpoints included, shape (bands,). [rpm]

    Examples
    --------
    >>> band_speeds(Axes(rpm=np.array([1000.0, 2000.0]), load=np.array([40.0, 80.0])))
    array([1000., 1250., 1500., 1750., 2000.])
    """
    count = len(axes.rpm)
    return np.interp(np.arange(BANDS * (count - 1) + 1) / BANDS, np.arange(count), axes.rpm)


def _band_of(speeds: Floats, rpm: Floats) -> npt.NDArray[np.int64]:
    return np.searchsorted((speeds[1:] + speeds[:-1]) / 2.0, rpm).astype(np.int64)


class LoadEnvelope:
    """Lowest and highest load in each band of speed, over the parts of a log.

    Parameters
    ----------
    axes
        Breakpoints.
    margin_cells
        How far outside the axes a sample still counts. [cells]
    """

    def __init__(self, axes: Axes, *, margin_cells: float) -> None:
        self._axes, self._margin = axes, margin_cells
        self._speeds = band_speeds(axes)
        shape = (len(self._speeds), MIN_SAMPLES)
        self._low, self._high = np.full(shape, np.inf), np.full(shape, -np.inf)

    def add(self, rpm: Floats, load: Floats) -> None:
        """Add a part's samples; those without speed or load are ignored."""
        inside = inside_axes(self._axes, rpm, load, margin_cells=self._margin)
        band, load = _band_of(self._speeds, rpm[inside]), load[inside]
        self._high = keep_highest(self._high, band, load)
        self._low = -keep_highest(-self._low, band, -load)

    def add_samples(self, samples: pd.DataFrame, settings: SteadySettings) -> None:
        """Add samples with speed and load, except those with the pedal released."""
        is_driven = ~_is_released(samples, settings)
        self.add(*(samples[c].to_numpy(dtype=float)[is_driven] for c in ("rpm", "load")))

    def table(self) -> pd.DataFrame:
        """Return ``rpm, load_low, load_high`` of the bands that were driven."""
        at = np.isfinite(self._high[:, 0])
        columns = (self._speeds[at], self._low[at, 0], self._high[at, 0])
        return pd.DataFrame(dict(zip(COLUMNS, columns, strict=True)))


def _is_released(samples: pd.DataFrame, settings: SteadySettings) -> npt.NDArray[np.bool_]:
    """Tell which samples have the pedal released, or the throttle if no pedal was logged."""
    opening = np.full(len(samples), np.nan)
    for name in DRIVERS:
        if name in samples:
            opening = np.where(np.isfinite(opening), opening, samples[name].to_numpy(dtype=float))
    return np.asarray(opening <= settings.overrun_throttle_pct)


def envelope_of_holds(axes: Axes, rpm: Floats, load: Floats) -> pd.DataFrame:
    """Return what `LoadEnvelope` returns, from holds: each of them is many samples."""
    held = LoadEnvelope(axes, margin_cells=np.inf)
    held.add(np.repeat(rpm, MIN_SAMPLES), np.repeat(load, MIN_SAMPLES))
    return held.table()


def joined_envelopes(tables: Iterable[pd.DataFrame]) -> pd.DataFrame:
    """Return the lowest and highest load of several logs, by band of speed."""
    every = pd.concat([pd.DataFrame(columns=list(COLUMNS), dtype=float), *tables])
    bands = every.groupby("rpm")
    low, high = bands["load_low"].min(), bands["load_high"].max()
    return pd.DataFrame({"load_low": low, "load_high": high}).reset_index()


def load_limits(axes: Axes, driven: pd.DataFrame) -> tuple[Floats, Floats]:
    """Return the lowest and highest load that may be planned in each band of speed.

    Parameters
    ----------
    axes
        Breakpoints.
    driven
        ``rpm, load_low, load_high``, as from `LoadEnvelope`.

    Returns
    -------
    low, high
        Shape (bands,), nan where neither the band itself nor bands on both sides of it within one
        breakpoint gap were driven. Between two bands the load is interpolated; the widest of these
        limits counts. [load unit]
    """
    speeds = band_speeds(axes)
    low, high = np.full(len(speeds), np.nan), np.full(len(speeds), np.nan)
    at = _band_of(speeds, driven["rpm"].to_numpy(dtype=float))
    low[at], high[at] = (driven[name].to_numpy(dtype=float) for name in COLUMNS[1:])
    return -_widest_limits(speeds, -low), _widest_limits(speeds, high)


def _widest_limits(speeds: Floats, high: Floats) -> Floats:
    """Return the highest value interpolated between any two bands within a gap, shape (bands,)."""
    found = high.copy()
    for before in range(1, NEAR_BANDS + 1):
        for after in range(1, NEAR_BANDS + 1):
            at = np.arange(before, len(speeds) - after)
            left, right = at - before, at + after
            share = (speeds[at] - speeds[left]) / (speeds[right] - speeds[left])
            found[at] = np.fmax(found[at], high[left] + share * (high[right] - high[left]))
    return found


def is_within_envelope(
    axes: Axes, driven: pd.DataFrame, rpm: Floats, load: Floats
) -> npt.NDArray[np.bool_]:
    """Tell which operating points lie within the envelope near their speed.

    Parameters
    ----------
    axes, driven
        As for `load_limits`.
    rpm, load
        Operating points, shape (n,). [rpm], [load unit]
    """
    low, high = load_limits(axes, driven)
    band = _band_of(band_speeds(axes), rpm)
    return np.asarray((load >= low[band]) & (load <= high[band]))
