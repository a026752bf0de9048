"""Peak-preserving smoothing: a parabola fitted around every speed of the grid.

A running mean, and any fit of straight lines, lowers a peak by about half its curvature times the
variance of the window. A local parabola follows the curvature: its effect on a peak begins with the
fourth derivative. The known filter of that kind (Savitzky-Golay) needs equal spacing, but the
samples of a pull are equally spaced in time and not in speed, and a lowess uses local straight
lines. Hence a local fit with tricube weights, which equals that filter for equal spacing.

The window widens for a slow logger; the result includes its width.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from tuneassist.grid import Floats

#: Three coefficients per window of two half widths, times 4/3 for the taper of the weights.
SPENT_PER_HALF_WIDTH = 2.0


@dataclass(frozen=True, eq=False)
class Smoothed:
    """A smoothed channel on the grid.

    Parameters
    ----------
    value
        Shape (g,), nan where the window has too few samples. [unit of the channel]
    se
        Standard error of ``value`` from the scatter inside this pull alone, lag correlation
        included, differences from pull to pull not. [unit of the channel]
    residual
        Sample minus curve, shape (n,), nan where either is missing. [unit of the channel]
    half_width
        Half width of the window used. [unit of x]
    """

    value: Floats
    se: Floats
    residual: Floats
    half_width: float


def local_quadratic_weights(
    x: Floats, at: Floats, *, half_width: float, min_points: int = 6
) -> Floats:
    """Weights that turn samples into the local parabola's value at each grid point.

    Parameters
    ----------
    x
        Where the samples are, shape (n,).
    at
        Where values are wanted, shape (g,).
    half_width
        Samples farther than this have no weight. [unit of x]
    min_points
        Fewest samples inside the window.

    Returns
    -------
    numpy.ndarray
        Shape (g, n); rows sum to 1; a row is nan where the samples do not determine a parabola.

    Examples
    --------
    >>> x = np.arange(0.0, 10.0)
    >>> w = local_quadratic_weights(x, np.array([4.3]), half_width=4.0)
    >>> (w @ (x - 4.0) ** 2).round(9)  # a parabola is reproduced exactly
    array([0.09])
    """
    u = (x[None, :] - at[:, None]) / half_width
    kernel = np.clip(1.0 - np.abs(u * u * u), 0.0, None)
    kernel *= kernel * kernel
    first = kernel * u
    second = first * u
    sums = [kernel.sum(axis=1), first.sum(axis=1), second.sum(axis=1)]
    sums += [np.einsum("gn,gn->g", second, u), np.einsum("gn,gn,gn->g", second, u, u)]
    moments = np.stack([np.stack(sums[i : i + 3], axis=1) for i in range(3)], axis=1)
    scale = np.maximum(sums[0], 1e-300)
    is_fixed = ((kernel > 0).sum(axis=1) >= min_points) & (
        np.linalg.det(moments / scale[:, None, None]) > 1e-9
    )
    moments[~is_fixed] = np.eye(3)
    pick = np.broadcast_to(np.eye(3)[0][:, None], (len(at), 3, 1))
    share = np.linalg.solve(moments, pick)
    rows = kernel * share[:, 0] + first * share[:, 1] + second * share[:, 2]
    rows[~is_fixed] = np.nan
    return np.asarray(rows)


def smooth(x: Floats, y: Floats, at: Floats, *, half_width: float, min_points: int = 6) -> Smoothed:
    """Smooth one channel of a pull onto the grid.

    Parameters
    ----------
    x, y
        Samples in time order, shape (n,); nan is left out.
    at
        Rising grid; points outside the range of the samples get nan.
    half_width
        Least half width; widened until two of them hold ``min_points`` samples of the usual
        spacing. [unit of x]
    min_points
        Fewest samples in a window.

    Returns
    -------
    Smoothed
        Value, standard error and residuals.
    """
    return smooth_all(x, {"": y}, at, half_width=half_width, min_points=min_points)[""]


def smooth_all(
    x: Floats, channels: Mapping[str, Floats], at: Floats, *, half_width: float, min_points: int = 6
) -> dict[str, Smoothed]:
    """Smooth several channels of a pull; those known in the same samples share weights.

    Parameters
    ----------
    x
        Samples in time order, shape (n,).
    channels
        Name to values, shape (n,) each.
    at, half_width, min_points
        As for `smooth`.
    """
    windows: dict[bytes, tuple[Floats, float]] = {}
    found = {}
    for name, y in channels.items():
        is_usable = np.isfinite(x) & np.isfinite(y)
        xs, ys = x[is_usable], y[is_usable]
        residual = np.full(len(x), np.nan)
        if len(xs) < min_points:
            empty = np.full(len(at), np.nan)
            found[name] = Smoothed(empty, empty.copy(), residual, half_width)
            continue
        key = is_usable.tobytes()
        if key not in windows:
            windows[key] = _window(xs, at, half_width, min_points)
        weights, width = windows[key]
        value = weights @ ys
        left = ys - np.interp(xs, at, value, left=np.nan, right=np.nan)
        residual[is_usable] = left
        se = _noise(left, float(np.ptp(xs)), width) * np.sqrt((weights**2).sum(axis=1))
        found[name] = Smoothed(value, se, residual, width)
    return found


def _window(xs: Floats, at: Floats, half_width: float, min_points: int) -> tuple[Floats, float]:
    """Return the weights of samples at every grid point, and their half width."""
    spacing = float(np.ptp(xs)) / (len(xs) - 1)
    width = max(half_width, 0.75 * min_points * spacing)
    weights = local_quadratic_weights(xs, at, half_width=width, min_points=min_points)
    weights[(at < xs.min()) | (at > xs.max())] = np.nan
    return weights, width


def _noise(residual: Floats, span: float, half_width: float) -> float:
    """Standard deviation of a sample, inflated for lag correlation.

    Noise is assumed first-order autoregressive. The curve absorbs a share d of its slow part, so
    that both the variance and the lag-1 covariance of the residuals are short by d times the
    long-run variance: g0 - g1 = s2 u and g0 = s2 (1 - d (2 - u)/u), with u = 1 - rho.
    """
    left = residual[np.isfinite(residual)]
    n = len(left)
    if n < 4:
        return float("nan")
    share = min(SPENT_PER_HALF_WIDTH * span / half_width / n, 0.5)
    g0, g1 = float(left @ left) / n, float(left[1:] @ left[:-1]) / (n - 1)
    apart = g0 - g1
    if g0 <= 0.0 or apart <= 0.0:
        return float(np.sqrt(g0))
    root = max((apart * (1.0 + share)) ** 2 - 8.0 * g0 * apart * share, 0.0)
    u = float(np.clip((apart * (1.0 + share) + np.sqrt(root)) / (2.0 * g0), 0.05, 1.0))
    white = g0 / (1.0 - share)
    return float(np.sqrt(white if u == 1.0 else max(apart / u * (2.0 - u) / u, white)))
