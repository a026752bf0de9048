"""Detection of a manifold pressure that is absolute in vacuum and gauge in boost.

Such a column puts boost samples in the cells of vacuum. Read as absolute it does what no engine
does: it falls from the barometer to deep vacuum from one sample to the next while the throttle
stays open, and it shows vacuum at full throttle.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from tuneassist.grid import Floats
from tuneassist.own_units import OutputUnits

#: About the barometer, from 3,000 m up to the highest at sea level; and deep vacuum. [kPa]
NEAR_BAROMETER_KPA, DEEP_VACUUM_KPA = (70.0, 107.0), 40.0
#: Without a throttle or pedal only a fall to less than an engine runs at counts, and only between
#: samples so near each other that the manifold cannot empty. [kPa], [s]
BELOW_ENGINES_KPA, TOO_FAST_S = 15.0, 0.15
#: Samples farther apart than this are not compared. [s]
NEIGHBOUR_S = 0.5
#: Throttle and pedal must still be open this long after a fall, by this much more than at rest, and
#: may have closed by this much: a polled channel shows its closing later. [s], [%], [%]
STILL_OPEN_S, OPEN_PCT, CLOSING_PCT = 1.0, 20.0, 5.0
#: and for at least this many renewals of a polled logger. [1]
RENEWALS = 2.5
#: A pedal or throttle sensor shows no more than this at rest; where the lowest reading of a log is
#: higher, it was never at rest (common practice, no source). [%]
MOST_AT_REST_PCT = 30.0
#: Full throttle, and a pressure too low for it. [%], [kPa]
FULL_PCT, NO_FULL_LOAD_KPA = 90.0, 50.0
#: Falls, or samples at full throttle, from which a column counts as mixed: a single one may be a
#: glitch of the logger. [1]
ENOUGH_FALLS, ENOUGH_SAMPLES = 3, 10

Mask = npt.NDArray[np.bool_]


@dataclass
class PressureReferenceCheck:
    """Counts what no absolute pressure can do, over the parts of a log.

    Parameters
    ----------
    renewed_s
        Time between the new values of a polled logger; 0 where every row is new. [s]
    at_rest_pct
        Readings of throttle and pedal at rest: a pedal sensor may show 25 % there. Default: 0. [%]
    falls, at_full_throttle
        Counts so far. [1]
    """

    renewed_s: float = 0.0
    at_rest_pct: tuple[float, ...] = ()
    falls: int = 0
    at_full_throttle: int = 0
    _rest: list[Floats] = field(default_factory=list, repr=False)

    @property
    def still_open_s(self) -> float:
        """How long after a fall the throttle must still be open. [s]"""
        return max(STILL_OPEN_S, RENEWALS * self.renewed_s)

    def add(self, time_s: Floats, pressure_kpa: Floats, drivers: Sequence[Floats]) -> None:
        """Add a part: times, pressure, and throttle and pedal as far as logged. [s, kPa, %]

        The last samples wait for the next part, because the check looks at what follows a fall.
        """
        fresh = [time_s, pressure_kpa, *drivers]
        known = np.isfinite(pressure_kpa)
        columns = [values[known] for values in fresh]
        if self._rest:
            columns = [np.concatenate(pair) for pair in zip(self._rest, columns, strict=True)]
        times = columns[0]
        last = int(np.searchsorted(times, times[-1] - self.still_open_s)) if len(times) else 0
        if last > 1:
            self._count(columns, last)
            columns = [values[last - 1 :] for values in columns]
        self._rest = columns

    @property
    def is_mixed(self) -> bool:
        """Whether the column cannot be absolute pressure throughout."""
        return self.falls >= ENOUGH_FALLS or self.at_full_throttle >= ENOUGH_SAMPLES

    def words(self, units: OutputUnits | None = None) -> str:
        """Return the note for the user, with the counts."""
        low = (units or OutputUnits()).said(NO_FULL_LOAD_KPA, "kPa")
        seen = []
        if self.falls >= ENOUGH_FALLS:
            seen.append(
                f"falls {self.falls} times from near the barometer to deep vacuum between two "
                "samples while the throttle stays open"
            )
        if self.at_full_throttle >= ENOUGH_SAMPLES:
            seen.append(f"reads under {low} in {self.at_full_throttle} samples at full throttle")
        return (
            f"the manifold pressure {' and '.join(seen)}: it looks absolute in vacuum and gauge in "
            "boost, which puts boost samples in the cells of vacuum. Log one absolute pressure, or "
            "name an absolute channel, with its unit, under [channels]"
        )

    def _count(self, columns: Sequence[Floats], last: int) -> None:
        """Count over pairs of neighbouring samples, the second before index ``last``."""
        times, pressure, drivers = columns[0], columns[1], columns[2:]
        before, here = pressure[: last - 1], pressure[1:last]
        step_s = np.diff(times[:last])
        low, high = NEAR_BAROMETER_KPA
        falls = (before >= low) & (before <= high) & (step_s <= NEIGHBOUR_S)
        if not drivers:
            is_deep = (here < BELOW_ENGINES_KPA) & (step_s <= TOO_FAST_S)
            self.falls += int(np.sum(falls & is_deep))
            return
        falls &= here < DEEP_VACUUM_KPA
        later = np.searchsorted(times, times[1:last] + self.still_open_s)
        middle = np.searchsorted(times, times[1:last] + self.still_open_s / 2.0)
        is_full = (here < NO_FULL_LOAD_KPA) & (pressure[later] < NO_FULL_LOAD_KPA)
        at_rest = self.at_rest_pct or (0.0,) * len(drivers)
        for driver, rest in zip(drivers, at_rest, strict=True):
            least = np.maximum(driver[: last - 1] - CLOSING_PCT, rest + OPEN_PCT)
            falls &= (driver[1:last] >= least) & (driver[middle] >= least)
            falls &= driver[later] >= least
            is_full &= (driver[1:last] >= FULL_PCT) & (driver[later] >= FULL_PCT)
        self.falls += int(falls.sum())
        self.at_full_throttle += int(is_full.sum())
