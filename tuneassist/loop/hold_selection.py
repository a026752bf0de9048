"""Select holds: one by one by the uncertainty they remove, then exchanged while that helps.

Exchange: Fedorov, Theory of Optimal Experiments, 1972 (from memory).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from tuneassist.grid import Floats
from tuneassist.loop.settings import PlanSettings
from tuneassist.loop.uncertainty import MapUncertainty

Mask = npt.NDArray[np.bool_]

#: Sweeps of exchanges, and the share of the uncertainty that one must remove.
EXCHANGE_SWEEPS = 2
EXCHANGE_SHARE = 1e-3


def choose_one_by_one(
    uncertainty: MapUncertainty, is_allowed: Mask, *, price: Floats | None, settings: PlanSettings
) -> list[int]:
    """Choose places one by one, those that remove most uncertainty per cost first.

    Parameters
    ----------
    uncertainty
        The uncertainty of the map before any of the holds.
    is_allowed
        Where a hold may be asked for, shape (n,).
    price
        Time that a hold at each place takes, shape (n,); None: all alike. [s]
    settings
        Most holds, and the least that one must remove.

    Returns
    -------
    list of int
        Places, best first.
    """
    cost = np.ones(len(is_allowed)) if price is None else price
    chosen: list[int] = []
    free, start = is_allowed.copy(), uncertainty.total
    for _ in range(min(settings.max_holds, int(free.sum()))):
        gains = np.where(free, uncertainty.gains(), 0.0)
        best = int(np.argmax(gains / cost))
        if gains[best] <= settings.min_gain_share * start:
            break
        chosen.append(best)
        free[best] = False
        uncertainty = uncertainty.after(best)
    return chosen


def after_holds(uncertainty: MapUncertainty, chosen: list[int]) -> MapUncertainty:
    """Return the uncertainty that is left after holds at all of the places."""
    for point in chosen:
        uncertainty = uncertainty.after(point)
    return uncertainty


def improve_by_exchange(
    uncertainty: MapUncertainty, chosen: list[int], is_allowed: Mask, *, price: Floats | None
) -> list[int]:
    """Swap holds for better places that cost no more, one by one, while that helps."""
    chosen, left = list(chosen), after_holds(uncertainty, chosen)
    least = EXCHANGE_SHARE * left.total
    for _ in range(EXCHANGE_SWEEPS):
        is_better = False
        for place, point in enumerate(chosen):
            fewer = left.without(point)
            free = is_allowed.copy()
            free[[p for p in chosen if p != point]] = False
            if price is not None:
                free &= price <= price[point] + 1e-9
            gains = np.where(free, fewer.gains(), -1.0)
            best = int(np.argmax(gains))
            if gains[best] > gains[point] + least:
                chosen[place], left, is_better = best, fewer.after(best), True
        if not is_better:
            break
    return chosen


def drop_least_useful(uncertainty: MapUncertainty, chosen: list[int]) -> list[int]:
    """Leave out the hold that removes least uncertainty."""
    left = after_holds(uncertainty, chosen)
    totals = [left.without(point).total for point in chosen]
    least_useful = int(np.argmin(totals))
    return [point for k, point in enumerate(chosen) if k != least_useful]
