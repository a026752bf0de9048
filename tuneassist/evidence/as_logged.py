"""What is counted of all samples as they were logged, moves and warm-up included."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.channels import CHANNELS
from tuneassist.evidence.channel_ranges import ChannelRanges
from tuneassist.evidence.heat import HEAT_COLUMN, HeatPeaks
from tuneassist.evidence.load_envelope import LoadEnvelope
from tuneassist.evidence.refresh import with_places
from tuneassist.evidence.visits import RunningPeaks, count_nearest, nearest_cell
from tuneassist.settings import Setup

BAROMETER = CHANNELS["barometer"].column


class AsLogged:
    """Visits, highest values, loads driven and the channels' ranges, of samples in parts.

    Parameters
    ----------
    first
        The log's first part.
    setup
        Axes, ceilings and thresholds.
    """

    def __init__(self, first: pd.DataFrame, setup: Setup) -> None:
        self._setup, axes = setup, setup.axes
        self._margin = setup.steady.outside_margin_cells
        self._peaks = RunningPeaks(axes, tuple(c for c in _peak_columns(setup) if c in first))
        self._heat = _heat_peaks(first, setup)
        self._driven = LoadEnvelope(axes, margin_cells=self._margin)
        self._barometer = _Barometer()
        self.spans = ChannelRanges()
        self.visits: npt.NDArray[np.int64] = np.zeros(axes.size, dtype=np.int64)

    def add(self, samples: pd.DataFrame) -> None:
        """Take in a part, in order of time."""
        axes, settings = self._setup.axes, self._setup.steady
        placed = with_places(samples, max_gap_s=settings.max_gap_s)
        rpm, load = (placed[c].to_numpy(dtype=float) for c in ("rpm", "load"))
        cell = nearest_cell(axes, rpm, load)
        self.visits += count_nearest(axes, rpm, load, margin_cells=self._margin, cell=cell)
        self._peaks.add(rpm, load, samples, cell)
        self._driven.add_samples(placed, settings)
        if self._heat is not None:
            time_s, heat = (samples[c].to_numpy(dtype=float) for c in ("time_s", HEAT_COLUMN))
            self._heat.add(time_s, rpm, load, heat)
        self._barometer.add(samples)
        self.spans.add(samples)

    def peaks(self) -> pd.DataFrame:
        """Return the highest values of the channels with ceilings, one row per cell.

        The mean barometer of the log stands beside them where it was logged.
        """
        peaks = self._peaks.table().assign(**self._barometer.column())
        if self._heat is None:
            return peaks
        return peaks.assign(**{f"{HEAT_COLUMN}_max": self._heat.column()})

    def driven(self) -> pd.DataFrame:
        """Return the lowest and highest load by band of speed."""
        return self._driven.table()


class _Barometer:
    """The mean barometer of a log in parts: the weather hardly changes while an engine is logged,
    and one wild reading weighs little."""

    def __init__(self) -> None:
        self._sum_kpa, self._count = 0.0, 0

    def add(self, samples: pd.DataFrame) -> None:
        """Take in a part."""
        if BAROMETER not in samples:
            return
        values = samples[BAROMETER].to_numpy(dtype=float)
        values = values[np.isfinite(values)]
        self._sum_kpa += float(values.sum())
        self._count += len(values)

    def column(self) -> dict[str, float]:
        """Return the mean by the column's name; nothing where it was not logged. [kPa]"""
        return {BAROMETER: self._sum_kpa / self._count} if self._count else {}


def _peak_columns(setup: Setup) -> tuple[str, ...]:
    """Columns whose highest values matter and follow the engine at once."""
    columns = (CHANNELS[name].column for name in setup.limits.ceilings)
    return (*(column for column in columns if column != HEAT_COLUMN), "manifold_pressure_kpa")


def _heat_peaks(first: pd.DataFrame, setup: Setup) -> HeatPeaks | None:
    """Return what counts exhaust temperature; None where it has no ceiling or was not logged."""
    names = [name for name in setup.limits.ceilings if CHANNELS[name].column == HEAT_COLUMN]
    if not names or HEAT_COLUMN not in first:
        return None
    return HeatPeaks(setup.axes, ceiling_c=setup.limits.ceilings[names[0]].ceiling)
