"""Which loads were driven at which speed: what a plan may ask for again.

What an engine reaches in load hangs on its speed: a turbo fills at 2500 rpm what it never does at
1000. So the lowest and highest load are kept by narrow bands of speed, and a load between two
speeds is read from the bands within one breakpoint gap of it, never from all speeds together. What
the engine falls to on overrun, with the pedal released, is no load that it can be held at.
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
#: Load is read from so many bands on either side: every sample of theirs lies within a gap. [1]
NEAR_BANDS = BANDS - 1
#: So many samples must have been as high, or as low: one wild reading is no reach. [1]
SAMPLES_THAT_SHOW = 3
COLUMNS = ("rpm", "load_low", "load_high")


def band_speeds(axes: Axes) -> Floats:
    """Middles of the bands of speed, the breakpoints among them, shape (bands,). [rpm]

    Examples
    --------
    >>> band_speeds(Axes(rpm=np.array([1000.0, 2000.0]), load=np.array([40.0, 80.0])))
    array([1000., 1250., 1500., 1750., 2000.])
    """
    count = len(axes.rpm)
    return np.interp(np.arange(BANDS * (count - 1) + 1) / BANDS, np.arange(count), axes.rpm)


def _band_of(speeds: Floats, rpm: Floats) -> npt.NDArray[np.int64]:
    return np.searchsorted((speeds[1:] + speeds[:-1]) / 2.0, rpm).astype(np.int64)


class DrivenLoads:
    """Lowest and highest load in each band of speed, of samples that may come in parts.

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
        shape = (len(self._speeds), SAMPLES_THAT_SHOW)
        self._low, self._high = np.full(shape, np.inf), np.full(shape, -np.inf)

    def add(self, rpm: Floats, load: Floats) -> None:
        """Take a part's samples into account; those without speed or load are none."""
        inside = inside_axes(self._axes, rpm, load, margin_cells=self._margin)
        band, load = _band_of(self._speeds, rpm[inside]), load[inside]
        self._high = keep_highest(self._high, band, load)
        self._low = -keep_highest(-self._low, band, -load)

    def add_samples(self, samples: pd.DataFrame, settings: SteadySettings) -> None:
        """Take samples with speed and load into account, those with the pedal released left out."""
        asked = ~_is_released(samples, settings)
        self.add(*(samples[c].to_numpy(dtype=float)[asked] for c in ("rpm", "load")))

    def table(self) -> pd.DataFrame:
        """Return ``rpm, load_low, load_high`` of the bands that were driven."""
        at = np.isfinite(self._high[:, 0])
        columns = (self._speeds[at], self._low[at, 0], self._high[at, 0])
        return pd.DataFrame(dict(zip(COLUMNS, columns, strict=True)))


def _is_released(samples: pd.DataFrame, settings: SteadySettings) -> npt.NDArray[np.bool_]:
    """Tell which samples have the pedal, or without its reading the throttle, released."""
    wish = np.full(len(samples), np.nan)
    for name in DRIVERS:
        if name in samples:
            wish = np.where(np.isfinite(wish), wish, samples[name].to_numpy(dtype=float))
    return np.asarray(wish <= settings.overrun_throttle_pct)


def held_loads(axes: Axes, rpm: Floats, load: Floats) -> pd.DataFrame:
    """Return what `DrivenLoads` returns, from holds: each of them is many samples."""
    held = DrivenLoads(axes, margin_cells=np.inf)
    held.add(np.repeat(rpm, SAMPLES_THAT_SHOW), np.repeat(load, SAMPLES_THAT_SHOW))
    return held.table()


def joined(tables: Iterable[pd.DataFrame]) -> pd.DataFrame:
    """Lowest and highest load of several logs, by band of speed."""
    every = pd.concat([pd.DataFrame(columns=list(COLUMNS), dtype=float), *tables])
    bands = every.groupby("rpm")
    low, high = bands["load_low"].min(), bands["load_high"].max()
    return pd.DataFrame({"load_low": low, "load_high": high}).reset_index()


def load_reach(axes: Axes, driven: pd.DataFrame) -> tuple[Floats, Floats]:
    """Lowest and highest load that may be asked for in each band of speed.

    Parameters
    ----------
    axes
        Breakpoints.
    driven
        ``rpm, load_low, load_high``, as from `DrivenLoads`.

    Returns
    -------
    low, high
        Shape (bands,), nan where no such speed was driven: that is, neither the band itself nor
        bands on both sides of it, each within one breakpoint gap. Between two bands the load is
        interpolated; the widest such reach counts. [load unit]
    """
    speeds = band_speeds(axes)
    low, high = np.full(len(speeds), np.nan), np.full(len(speeds), np.nan)
    at = _band_of(speeds, driven["rpm"].to_numpy(dtype=float))
    low[at], high[at] = (driven[name].to_numpy(dtype=float) for name in COLUMNS[1:])
    return -_widest(speeds, -low), _widest(speeds, high)


def _widest(speeds: Floats, high: Floats) -> Floats:
    """Highest interpolated value between any two bands within a gap, shape (bands,)."""
    found = high.copy()
    for before in range(1, NEAR_BANDS + 1):
        for after in range(1, NEAR_BANDS + 1):
            at = np.arange(before, len(speeds) - after)
            left, right = at - before, at + after
            share = (speeds[at] - speeds[left]) / (speeds[right] - speeds[left])
            found[at] = np.fmax(found[at], high[left] + share * (high[right] - high[left]))
    return found


def is_driven(axes: Axes, driven: pd.DataFrame, rpm: Floats, load: Floats) -> npt.NDArray[np.bool_]:
    """Tell which operating points lie within what was driven near their speed.

    Parameters
    ----------
    axes, driven
        As for `load_reach`.
    rpm, load
        Operating points, shape (n,). [rpm], [load unit]
    """
    low, high = load_reach(axes, driven)
    band = _band_of(band_speeds(axes), rpm)
    return np.asarray((load >= low[band]) & (load <= high[band]))
