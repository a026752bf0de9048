"""Means of repeats and their differences, by column; the run is the unit, not the sample.

References
----------
B. L. Welch, Biometrika 34, 1947, 28-35; 40 CFR 1065.602 prints the same t and degrees of freedom.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from tuneassist.grid import Floats


@dataclass(frozen=True, eq=False)
class Mean:
    """Mean of repeats with its t interval, one value per column.

    Parameters
    ----------
    mean, sd, low, high
        Mean, standard deviation (n - 1) and interval; the last three nan for fewer than two.
    n
        Repeats that have a value. [1]
    """

    mean: Floats
    sd: Floats
    low: Floats
    high: Floats
    n: Floats


@dataclass(frozen=True, eq=False)
class Difference:
    """Second minus first with Welch's interval, one value per column.

    Parameters
    ----------
    difference, se, df, low, high
        Difference of means, standard error, degrees of freedom, interval; all but the first nan
        where a side has fewer than two repeats.
    t
        Difference over standard error. [1]
    """

    difference: Floats
    se: Floats
    df: Floats
    low: Floats
    high: Floats

    @property
    def t(self) -> Floats:
        """Difference over standard error; nan without one. [1]"""
        safe = np.where(self.se > 0, self.se, np.nan)
        return np.asarray(self.difference / safe)


def mean_of_repeats(values: Floats, *, level: float = 0.95) -> Mean:
    """Mean, standard deviation and t interval over rows.

    Parameters
    ----------
    values
        Shape (runs, columns); nan where a run has no value.
    level
        Confidence level of the interval. [1]

    Examples
    --------
    >>> found = mean_of_repeats(np.array([[10.60], [11.91], [11.09]]))  # 40 CFR 1065.602
    >>> found.mean.round(2).tolist(), found.sd.round(4).tolist()
    ([11.2], [0.6619])
    """
    n = np.isfinite(values).sum(axis=0).astype(float)
    enough = np.where(n >= 1, n, np.nan)
    mean = np.nansum(values, axis=0) / enough
    spread = np.nansum((values - mean) ** 2, axis=0)
    sd = np.sqrt(spread / np.where(n >= 2, n - 1.0, np.nan))
    half = stats.t.ppf(0.5 + level / 2.0, np.where(n >= 2, n - 1.0, np.nan)) * sd / np.sqrt(enough)
    return Mean(mean, sd, mean - half, mean + half, n)


def welch(first: Floats, second: Floats, *, level: float = 0.95) -> Difference:
    """Second minus first, repeats in rows, without assuming equal variances.

    Parameters
    ----------
    first, second
        Shape (runs, columns) each.
    level
        Confidence level of the interval. [1]
    """
    a, b = mean_of_repeats(first, level=level), mean_of_repeats(second, level=level)
    part_a = a.sd**2 / np.where(a.n > 0, a.n, np.nan)
    part_b = b.sd**2 / np.where(b.n > 0, b.n, np.nan)
    se2 = part_a + part_b
    spent = part_a**2 / np.where(a.n > 1, a.n - 1, np.nan) + part_b**2 / np.where(
        b.n > 1, b.n - 1, np.nan
    )
    df = se2**2 / np.where(spent > 0, spent, np.nan)
    se = np.sqrt(se2)
    difference = b.mean - a.mean
    half = np.where(se == 0, 0.0, stats.t.ppf(0.5 + level / 2.0, df) * se)
    return Difference(difference, se, df, difference - half, difference + half)
