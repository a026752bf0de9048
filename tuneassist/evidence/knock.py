"""Which samples show knock, whatever way the logger tells it.

A count, a flag or a knock retard rests at one value, and knock is where it leaves that value, to
either side. A counter that only grows shows knock where it grows. A level or a voltage is noise
that grows with speed, and knock is what stands far over the noise of its speed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from tuneassist.grid import Floats

#: Share of the values that equal one value in a channel of events: an engine knocks in few samples,
#: while a level hardly repeats. [1]
USUAL_SHARE = 0.5
#: Where zero is in so many of the values it is the rest, however often the channel leaves it. [1]
ZERO_SHARE = 0.05
#: A counter grows at least so often, and falls (starts again) at most once in so many rises. [1]
COUNTER_RISES, RISES_PER_FALL = 3, 20
#: A level shows knock this many robust standard deviations over the middle of its speed: of normal
#: noise 1 in 10^9 lies there, so that hours of log raise no false alarm. [1]
FLOOR_SD = 6.0
#: Robust standard deviation of normal noise per median absolute deviation. [1]
PER_MAD = 1.4826
#: Fewest values that tell the noise at one speed. [1]
FLOOR_VALUES = 20

Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class KnockSign:
    """How a knock channel shows knock.

    Parameters
    ----------
    kind
        "event", "counter" or "level".
    usual
        Value at rest of an event channel. [as logged]
    rpm, floor
        Noise floor of a level by speed. [rpm], [as logged]
    """

    kind: Literal["event", "counter", "level"]
    usual: float = 0.0
    rpm: Floats | None = None
    floor: Floats | None = None


def knock_sign(values: Floats, rpm: Floats, speeds: Floats) -> KnockSign:
    """Find out how a channel shows knock.

    Parameters
    ----------
    values
        The channel as logged in a log's first part, shape (n,). [as logged]
    rpm
        Speed at each, shape (n,). [rpm]
    speeds
        Speed breakpoints, by which the noise of a level is told. [rpm]

    Returns
    -------
    KnockSign

    Examples
    --------
    >>> rest = np.array([0.0, 0.0, 0.0, -2.0, 0.0])
    >>> sign = knock_sign(rest, np.full(5, 3000.0), np.array([1000.0, 4000.0]))
    >>> shows_knock(sign, rest, np.full(5, 3000.0)).tolist()
    [False, False, False, True, False]
    """
    known = values[np.isfinite(values)]
    if not len(known):
        return KnockSign("event")
    if _is_counter(known):
        return KnockSign("counter")
    distinct, counts = np.unique(known, return_counts=True)
    usual = float(distinct[np.argmax(counts)])
    if counts.max() < USUAL_SHARE * len(known):
        return KnockSign("level", usual, *_floors(values, rpm, speeds))
    if np.mean(known == 0.0) >= ZERO_SHARE:
        usual = 0.0
    return KnockSign("event", usual)


def shows_knock(sign: KnockSign, values: Floats, rpm: Floats, *, before: float = np.nan) -> Mask:
    """Tell which samples show knock.

    Parameters
    ----------
    sign
        How the channel shows it.
    values, rpm
        The channel and speed, shape (n,); a blank shows nothing. [as logged], [rpm]
    before
        The last known value before these, for a counter. [as logged]

    Returns
    -------
    numpy.ndarray
        True where knock was logged, shape (n,).
    """
    is_known = np.isfinite(values)
    if sign.kind == "counter":
        known = values[is_known]
        found = np.zeros(len(values), dtype=bool)
        found[is_known] = np.diff(known, prepend=before) > 0
        return found
    if sign.kind == "level" and sign.rpm is not None and sign.floor is not None:
        return np.asarray(is_known & (values > np.interp(rpm, sign.rpm, sign.floor)))
    return np.asarray(is_known & (values != sign.usual))


def _is_counter(known: Floats) -> bool:
    """Whether whole numbers only grow, but for a few new starts at zero."""
    steps = np.diff(known)
    rises, falls = int((steps > 0).sum()), int((steps < 0).sum())
    is_whole = bool((known >= 0).all() and (known == np.round(known)).all())
    starts_again = bool((known[1:][steps < 0] == 0).all())
    is_rare = rises + falls < USUAL_SHARE * len(known)
    is_growing = rises >= COUNTER_RISES and falls * RISES_PER_FALL <= rises
    return is_whole and starts_again and is_rare and is_growing


def _floors(values: Floats, rpm: Floats, speeds: Floats) -> tuple[Floats, Floats]:
    """Noise floor at each speed breakpoint that saw enough; else one floor for all."""
    is_known = np.isfinite(values) & np.isfinite(rpm)
    nearest = np.searchsorted((speeds[1:] + speeds[:-1]) / 2.0, rpm)
    own = [values[is_known & (nearest == k)] for k in range(len(speeds))]
    enough = [k for k, part in enumerate(own) if len(part) >= FLOOR_VALUES]
    if not enough:
        return speeds[:1], np.array([_floor(values[np.isfinite(values)])])
    return speeds[enough], np.array([_floor(own[k]) for k in enough])


def _floor(values: Floats) -> float:
    middle = float(np.median(values))
    return middle + FLOOR_SD * PER_MAD * float(np.median(np.abs(values - middle)))
