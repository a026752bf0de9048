"""Two one-sided tests, the runs that they need, and Holm's rule for many tests.

References
----------
D. J. Schuirmann, J. Pharmacokinet. Biopharm. 15(6), 1987, 657-680 (from memory). The tests and
their power are statsmodels', which is imported where it is used: it takes a second to load.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass

import numpy as np

from tuneassist.grid import Floats
from tuneassist.runs.settings import Design, RunSettings

SURE_EFFECT = 20.0  # room of so many standard deviations is certain at any n; keeps figures finite


@dataclass(frozen=True)
class Tost:
    """Two one-sided tests of the difference of two means.

    Parameters
    ----------
    difference, se, df
        Second minus first, its standard error and degrees of freedom.
    p
        The larger of the two one-sided p. [1]
    p_zero
        Two-sided p of no difference at all. [1]
    low, high
        The (1 - 2 alpha) interval: inside the margin exactly where p < alpha.
    n_first, n_second
        Runs. [1]
    method
        Which test.
    """

    difference: float
    se: float
    df: float
    p: float
    p_zero: float
    low: float
    high: float
    n_first: int
    n_second: int
    method: str


def tost(
    first: Floats, second: Floats, *, low: float, high: float, alpha: float, design: Design
) -> Tost:
    """Test whether second minus first lies between two bounds.

    Parameters
    ----------
    first, second
        One value per run; two or more each.
    low, high
        Bounds of the difference, low < 0 < high. [unit of the values]
    alpha
        Level of each one-sided test. [1]
    design
        "welch", "pooled" or "paired".

    Returns
    -------
    Tost
        By statsmodels' ``ttost_ind`` or ``ttost_paired``.
    """
    from statsmodels.stats.weightstats import CompareMeans, DescrStatsW

    if design == "paired":
        pairs = DescrStatsW(np.asarray(second, float) - np.asarray(first, float))
        p, (t_low, _, df), _ = pairs.ttost_mean(low, high)
        interval, p_zero = pairs.tconfint_mean(alpha=2 * alpha), pairs.ttest_mean(0.0)[1]
        difference = float(pairs.mean)
    else:
        spread = "unequal" if design == "welch" else "pooled"
        both = CompareMeans(DescrStatsW(second), DescrStatsW(first))
        p, ((t_low, _, df), _) = both.ttost_ind(low, high, usevar=spread)
        interval = both.tconfint_diff(alpha=2 * alpha, usevar=spread)
        p_zero = both.ttest_ind(usevar=spread)[1]
        difference = float(np.mean(second) - np.mean(first))
    return Tost(
        difference, (difference - low) / float(t_low), float(df), float(p), float(p_zero),
        float(interval[0]), float(interval[1]), len(first), len(second),
        f"TOST, {design} t, alpha {alpha:g}",
    )  # fmt: skip


def runs_needed(
    sd: float, difference: float, *, low: float, high: float, settings: RunSettings
) -> int | None:
    """Runs a side for the wanted power, if scatter and difference stay as they are.

    Parameters
    ----------
    sd
        Standard deviation of a run; of a pair's difference with design "paired". [as bounds]
    difference
        Difference that is planned for.
    low, high
        Bounds.
    settings
        alpha, power, max_runs, design.

    Returns
    -------
    int or None
        Smallest n at which the two one-sided tests both reject with ``power`` (their powers add
        up to at least 1 + power); None beyond ``max_runs``.
    """
    from statsmodels.stats.power import TTestIndPower, TTestPower

    kind = TTestPower() if settings.design == "paired" else TTestIndPower()
    room = np.minimum([(high - difference) / sd, (difference - low) / sd], SURE_EFFECT)
    if min(room) <= 0:
        return None

    def is_enough(n: int) -> bool:
        powers = (kind.power(effect, n, settings.alpha, alternative="larger") for effect in room)
        return bool(sum(powers) - 1.0 >= settings.power)

    sizes = range(2, settings.max_runs + 1)  # power rises with n
    at = bisect_left(sizes, True, key=is_enough)
    return sizes[at] if at < len(sizes) else None


def holm(p: Floats) -> Floats:
    """Correct p values for their number by Holm's step-down rule.

    statsmodels has it too, but there it collects garbage at each call, a tenth of a second.

    Examples
    --------
    >>> holm(np.array([0.04, 0.01, 0.03])).round(9).tolist()  # 0.03; 0.06 by two; 0.04, held up
    [0.06, 0.03, 0.06]
    """
    order = np.argsort(p)
    stepped = np.maximum.accumulate(p[order] * np.arange(len(p), 0, -1))
    corrected = np.empty(len(p))
    corrected[order] = np.minimum(stepped, 1.0)
    return corrected
