"""Two one-sided tests, the runs they need, and Holm's rule for many tests.

References
----------
D. J. Schuirmann, J. Pharmacokinet. Biopharm. 15(6), 1987, 657-680 (from memory); Welch and the
pooled t as printed in 40 CFR 1065.602 and any textbook. statsmodels compares the means and
calculates the power of a test; it is imported only where runs are tested.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass

import numpy as np
from scipy import stats

from tuneassist.grid import Floats
from tuneassist.runs.settings import Design, RunSettings

SURE_EFFECT = 20.0  # standard deviations at which any n is certain; keeps the figures finite


@dataclass(frozen=True, eq=False)
class Tost:
    """Two one-sided tests of the difference of two means, one value for each column.

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

    difference: Floats
    se: Floats
    df: Floats
    p: Floats
    p_zero: Floats
    low: Floats
    high: Floats
    n_first: int
    n_second: int
    method: str


def tost(
    first: Floats, second: Floats, *, low: float, high: float, alpha: float, design: Design
) -> Tost:
    """Test whether second minus first lies between two bounds, column by column.

    Parameters
    ----------
    first, second
        One run per row, two or more each; one test per column, or one in all for plain lists.
    low, high
        Bounds of the difference, low < 0 < high. [unit of the values]
    alpha
        Level of each one-sided test. [1]
    design
        "welch", "pooled" or "paired".

    Returns
    -------
    Tost
        Without scatter, the difference itself decides.
    """
    a, b = np.asarray(first, dtype=float), np.asarray(second, dtype=float)
    difference, se, df = _difference(a, b, design)
    with np.errstate(divide="ignore", invalid="ignore"):
        t = [(difference - bound) / se for bound in (low, high, 0.0)]
    t_low, t_high, t_zero = (np.where(np.isnan(each), 0.0, each) for each in t)
    half = stats.t.ppf(1.0 - alpha, df) * se
    p = np.maximum(stats.t.sf(t_low, df), stats.t.cdf(t_high, df))
    p_zero = 2.0 * stats.t.sf(np.abs(t_zero), df)
    return Tost(
        difference, se, df, p, p_zero, difference - half, difference + half, len(a), len(b),
        f"TOST, {design} t, alpha {alpha:g}",
    )  # fmt: skip


def _difference(a: Floats, b: Floats, design: Design) -> tuple[Floats, Floats, Floats]:
    """Difference of means, its standard error and degrees of freedom."""
    from statsmodels.stats.weightstats import CompareMeans, DescrStatsW

    if design == "paired":
        pairs = DescrStatsW(b - a)
        return pairs.mean, pairs.std_mean, np.full_like(pairs.std_mean, pairs.nobs - 1.0)
    sides = CompareMeans(DescrStatsW(b), DescrStatsW(a))
    difference, free = sides.d1.mean - sides.d2.mean, float(len(a) + len(b) - 2)
    if design == "pooled":
        se = sides.std_meandiff_pooledvar
        return difference, se, np.full_like(se, free)
    with np.errstate(divide="ignore", invalid="ignore"):
        df = sides.dof_satt()
    return difference, sides.std_meandiff_separatevar, np.where(np.isnan(df), free, df)


def runs_needed(
    sd: float, difference: float, *, low: float, high: float, settings: RunSettings
) -> int | None:
    """Runs per side for the required power, at the same scatter and difference.

    Parameters
    ----------
    sd
        Standard deviation of a run; of a pair's difference with design "paired". [as bounds]
    difference
        Planned difference.
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

    The version in statsmodels runs a garbage collection at each call, a tenth of a second.

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
