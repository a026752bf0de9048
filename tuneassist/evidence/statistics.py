"""Means of correlated samples: effective sample size, autocorrelation and cluster covariance.

Samples of one hold are closer together than the correlation time of the noise, so n of them are
worth fewer than n independent ones. The same is true for the holds of one log, which share a sensor
and a day.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.grid import Floats


def effective_sample_size(n: int, correlations: npt.ArrayLike) -> float:
    """Number of independent samples that a mean of correlated ones is worth.

    Parameters
    ----------
    n
        Number of samples. [1]
    correlations
        Autocorrelation at lags 1, 2, ... [1]

    Returns
    -------
    float
        n / (1 + 2 sum (1 - k/n) rho_k), at least 1 and at most n. [1]

    Examples
    --------
    >>> round(effective_sample_size(100, 0.5 ** np.arange(1, 100)), 3)
    33.784
    """
    rho = np.asarray(correlations, dtype=float)[: max(n - 1, 0)]
    lags = np.arange(1, len(rho) + 1)
    inflation = 1.0 + 2.0 * float(np.sum((1.0 - lags / n) * rho))
    return float(np.clip(n / max(inflation, 1e-9), 1.0, n))


def pooled_autocorrelation(residual: pd.Series, group: pd.Series, *, max_lag: int) -> Floats:
    """Autocorrelation of residuals pooled over groups, cut where it is no longer significant.

    Parameters
    ----------
    residual
        Samples minus their group's location, in time order.
    group
        Group of each sample; products never cross groups.
    max_lag
        Longest lag. [samples]

    Returns
    -------
    numpy.ndarray
        Lags 1, 2, ... up to the cut (Geyer's rule: the sum of an even and odd pair turns
        negative; Statistical Science 7(4), 1992, 473-483). [1]
    """
    values = residual.to_numpy(dtype=float)
    labels = group.to_numpy()
    variance = float(np.mean(values**2)) if values.size else 0.0
    if variance <= 0.0:
        return np.empty(0)
    rho = []
    for lag in range(1, min(max_lag, len(values) - 1) + 1):
        same = labels[lag:] == labels[:-lag]
        if same.sum() < 10:
            break
        rho.append(float(np.mean((values[lag:] * values[:-lag])[same])) / variance)
    chain = np.array([1.0, *rho])
    pairs = chain[: len(chain) // 2 * 2].reshape(-1, 2).sum(axis=1)
    negative = np.flatnonzero(pairs <= 0)
    stop = 2 * int(negative[0]) if negative.size else len(chain)
    return chain[1:stop]


def cluster_covariance(x: Floats, residual: Floats, cluster: npt.ArrayLike) -> Floats:
    """Covariance of least-squares coefficients with errors shared within clusters.

    Parameters
    ----------
    x
        Regressors, shape (n, k).
    residual
        Residuals of the fit, shape (n,).
    cluster
        Cluster label of every row, shape (n,).

    Returns
    -------
    numpy.ndarray
        Shape (k, k), with the usual factor G/(G-1) (n-1)/(n-k). Liang and Zeger, Biometrika
        73(1), 1986, 13-22.
    """
    labels, index = np.unique(np.asarray(cluster), return_inverse=True)
    sums = np.zeros((len(labels), x.shape[1]))
    np.add.at(sums, index, x * residual[:, None])
    n, k, groups = len(x), x.shape[1], len(labels)
    factor = groups / max(groups - 1, 1) * (n - 1) / max(n - k, 1)
    bread = np.linalg.pinv(x.T @ x)
    return np.asarray(factor * bread @ (sums.T @ sums) @ bread)
