"""The order of holds: short moves, light load first, and rests between heavy holds.

Holds are sorted into bands of load: light, middle, heavy. Each band is a short path (nearest
neighbour, then sections reversed while that shortens it: Croes, Operations Research 6(6), 1958,
791-812, from memory). Heavy holds come last, and light ones reserved for it fill the rests.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import optimize

from tuneassist.channels import load_offset
from tuneassist.grid import Axes, Floats
from tuneassist.loop.settings import PlanSettings
from tuneassist.units import ATMOSPHERE_KPA

Index = npt.NDArray[np.int64]
BANDS = ("light", "middle", "heavy")


def move_seconds(axes: Axes, rpm: Floats, load: Floats, settings: PlanSettings) -> Floats:
    """Time of a move between every two points, shape (n, n). [s]"""
    step = np.interp(load, axes.load, np.arange(len(axes.load)))
    across = np.abs(rpm[:, None] - rpm[None, :]) / 1000.0 * settings.move_s_per_1000_rpm
    up = np.abs(step[:, None] - step[None, :]) * settings.move_s_per_load_step
    return np.asarray(settings.move_s + across + up)


def short_path(cost: Floats, start: int) -> list[int]:
    """Order all points from ``start`` so that the way is short.

    Parameters
    ----------
    cost
        Symmetric cost of every move, shape (n, n).
    start
        Where the path begins.

    Examples
    --------
    >>> place = np.array([0.0, 3.0, 1.0, 2.0])
    >>> short_path(np.abs(place[:, None] - place), 0)
    [0, 2, 3, 1]
    """
    path = [start]
    left = set(range(len(cost))) - {start}
    while left:
        path.append(min(left, key=lambda k: (cost[path[-1], k], k)))
        left.remove(path[-1])
    while (turned := _best_turn(cost, path)) is not None:
        first, last = turned
        path[first : last + 1] = reversed(path[first : last + 1])
    return path


def _best_turn(cost: Floats, path: list[int]) -> tuple[int, int] | None:
    """Section of the path whose reversal saves most; the start is fixed, the end is free."""
    n = len(path)
    if n < 3:
        return None
    along = cost[np.ix_(path, path)]
    first = np.arange(1, n)[:, None]
    last = np.arange(1, n)[None, :]
    after = np.minimum(last + 1, n - 1)
    is_open = last == n - 1
    gain = along[first - 1, first] - along[first - 1, last]
    gain = gain + np.where(is_open, 0.0, along[last, after] - along[first, after])
    gain = np.where(first < last, gain, 0.0)
    best = int(np.argmax(gain))
    if gain.flat[best] <= 1e-9:
        return None
    return best // (n - 1) + 1, best % (n - 1) + 1


def band_of(
    load: Floats, highest_load: float, settings: PlanSettings, *, offset: float = 0.0
) -> Index:
    """Return the band of each load, an index into `BANDS`; the offset is added to both loads."""
    share = (load + offset) / (highest_load + offset)
    return (share >= settings.middle_share).astype(np.int64) + (share >= settings.heavy_share)


def ordered_holds(
    rpm: Floats, load: Floats, *, axes: Axes, highest_load: float, settings: PlanSettings
) -> pd.DataFrame:
    """Put holds in order and on a time line.

    Parameters
    ----------
    rpm, load
        The holds, shape (n,). [rpm], [load unit]
    axes
        Breakpoints; moves are counted in their steps.
    highest_load
        What counts as full load. [load unit]
    settings
        Prices of time, bands and rests.

    Returns
    -------
    pandas.DataFrame
        One row per hold in order: ``rpm, load, band, rest_s, move_s, hold_s, start_s`` and
        ``point``, its place in the argument. ``rest_s`` is spent before the hold, at idle or
        light load, where light holds do not fill the rest.
    """
    cost = move_seconds(axes, rpm, load, settings)
    offset = load_offset(axes, ATMOSPHERE_KPA)
    band = band_of(load, highest_load, settings, offset=offset)
    order = np.array(_in_order(cost, band, rpm, load, settings), dtype=np.int64)
    frame = pd.DataFrame({"point": order, "rpm": rpm[order], "load": load[order]})
    frame["band"] = np.array(BANDS, dtype=object)[band[order]]
    frame["hold_s"] = settings.hold_s
    from_idle = settings.move_s
    frame["move_s"] = [from_idle, *(cost[a, b] for a, b in pairwise(order.tolist()))]
    frame["rest_s"] = _rests(frame, settings)
    spent = frame["rest_s"] + frame["move_s"] + frame["hold_s"]
    frame["start_s"] = spent.cumsum() - frame["hold_s"]
    return frame


def _in_order(
    cost: Floats, band: Index, rpm: Floats, load: Floats, settings: PlanSettings
) -> list[int]:
    """Light, middle, then heavy holds with light ones in between."""
    light, middle, heavy = (np.flatnonzero(band == number).tolist() for number in range(3))
    spare = len(light) - int(np.ceil(settings.light_first_share * len(light)))
    count = min(spare, max(len(heavy) - 1, 0)) if settings.rest_s > 0 else 0
    fillers = _fill_gaps(_path(cost, heavy, None), light, count, cost)
    first = [hold for hold in light if hold not in fillers.values()]
    corner = first[int(np.lexsort((load[first], rpm[first]))[0])] if first else None
    order = _path(cost, first, corner)
    order += _path(cost, middle, order[-1] if order else None)
    rising = _path(cost, heavy, order[-1] if order else None)
    fillers = _fill_gaps(rising, list(fillers.values()), count, cost)
    for gap, hold in enumerate(rising):
        order += [hold, fillers[gap]] if gap in fillers else [hold]
    return order


def _path(cost: Floats, members: list[int], near: int | None) -> list[int]:
    """A short path through some holds, from the one nearest to ``near``."""
    if not members:
        return []
    start = 0
    if near is not None:
        away = np.where(np.array(members) == near, -1.0, cost[near, members])
        start = int(np.argmin(away))
    return [members[k] for k in short_path(cost[np.ix_(members, members)], start)]


def _fill_gaps(heavy: list[int], light: list[int], count: int, cost: Floats) -> dict[int, int]:
    """Give evenly spread gaps between heavy holds the light hold that is least out of the way."""
    if count == 0:
        return {}
    gaps = np.round(np.linspace(0, len(heavy) - 2, count)).astype(int)
    before, after = np.array(heavy)[gaps], np.array(heavy)[gaps + 1]
    detour = cost[np.ix_(before, light)] + cost[np.ix_(after, light)]
    rows, columns = optimize.linear_sum_assignment(detour)
    return {int(gaps[r]): light[c] for r, c in zip(rows, columns, strict=True)}


def _rests(frame: pd.DataFrame, settings: PlanSettings) -> list[float]:
    """Time to wait before each heavy hold: what is left of the rest after the one before."""
    rests, cooled = [], float("inf")
    for band, move, hold in zip(frame["band"], frame["move_s"], frame["hold_s"], strict=True):
        if band == "heavy":
            rest = max(settings.rest_s - cooled - move, 0.0)
            cooled = 0.0
        else:
            rest = 0.0
            cooled += move + hold
        rests.append(rest)
    return rests
