"""Uncertainty of the map over the operating points, and how holds would reduce it.

A hold at a point changes the covariance of all points by a rank-one update that does not depend on
what will be measured, so that the benefit of a plan is known before it is driven. The criterion is
the weighted mean variance (A-optimality; Atkinson, Donev and Tobias, Optimum Experimental Designs,
with SAS, 2007, chapter 10, from memory). Holds of one session share that session's offset of the
measuring chain, which is one more unknown.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import sparse, special

from tuneassist.evidence.lattice import PRIOR_MEDIAN, LatticeFit, places_in_cells
from tuneassist.evidence.need import from_surface_scale, scatter_scale
from tuneassist.grid import Axes, Floats, bilinear_weights
from tuneassist.loop.settings import PlanSettings
from tuneassist.pipeline import Evidence
from tuneassist.threads import on_one_thread

#: Size of an unknown table's error, and its correlation length along the axes: tables that run at
#: all are commonly within 10 to 12 %, two standard deviations. [ln], [mean cells]
ASSUMED_SD, ASSUMED_LENGTH = 0.05, 2.0
#: A cell in boost that asks to be leaned and was not held itself counts as known no better than
#: this, so that it is held first: a lean spot may differ this much from the surface around. [ln]
WAITING_SD = 0.02


@dataclass(frozen=True, eq=False)
class MapUncertainty:
    """Covariance of the points' needs and of the next session's offset.

    Parameters
    ----------
    covariance
        Of the points, and the session's offset last, shape (n + 1, n + 1). [ln^2]
    noise
        Variance of a hold at each point about the surface, shape (n,). [ln^2]
    weight
        How much each point matters, sum 1, shape (n,); against a floor, with the chance that the
        point is not clear of it. [1]
    is_assumed
        True where there is no usable surface yet and holds are to be spread.
    """

    covariance: Floats
    noise: Floats
    weight: Floats
    is_assumed: bool = False

    @property
    def standard_error(self) -> Floats:
        """Standard error of every point, shape (n,). [ln]"""
        return np.asarray(np.sqrt(np.maximum(np.diag(self.covariance)[:-1], 0.0)))

    @property
    def total(self) -> float:
        """Weighted mean variance. [ln^2]"""
        return float(self.weight @ np.diag(self.covariance)[:-1])

    def _hold_covariance(self) -> tuple[Floats, Floats]:
        """Covariance of all unknowns with a hold at each point, and that hold's own variance."""
        shared = self.covariance[:, :-1] + self.covariance[:, -1:]
        return shared, np.diag(shared) + shared[-1] + self.noise

    def gains(self) -> Floats:
        """Weighted mean variance that one hold at each point would take away, shape (n,). [ln^2]"""
        shared, variance = self._hold_covariance()
        return np.asarray(self.weight @ shared[:-1] ** 2 / variance)

    def _updated(self, point: int, sign: float) -> MapUncertainty:
        shared = self.covariance[:, point] + self.covariance[:, -1]
        own = float(shared[point] + shared[-1])
        scale = sign / (self.noise[point] + sign * own)
        return replace(self, covariance=self.covariance - scale * np.outer(shared, shared))

    def after(self, point: int) -> MapUncertainty:
        """Return the uncertainty after a hold at a point."""
        return self._updated(point, 1.0)

    def without(self, point: int) -> MapUncertainty:
        """Take a hold back; inverse of `after`."""
        return self._updated(point, -1.0)


@on_one_thread
def map_uncertainty(
    evidence: Evidence, places: pd.DataFrame, *, axes: Axes, kind: str, settings: PlanSettings
) -> MapUncertainty:
    """Return the uncertainty that the evidence leaves at the places.

    Parameters
    ----------
    evidence
        With its fit; where that is not usable, a smooth unknown surface is assumed, which the
        holds so far have partly measured.
    places
        With ``rpm, load, weight``.
    axes, kind
        Breakpoints and kind of the target.
    settings
        From how many holds on, or moving samples that are worth as many, the fit is used.
    """
    rpm, load = (places[c].to_numpy(dtype=float) for c in ("rpm", "load"))
    weights = bilinear_weights(axes, rpm, load)
    weight = places["weight"].to_numpy(dtype=float)
    weight = weight / weight.sum()
    fit, used = evidence.fit, _used_holds(evidence)
    if fit is None or not fit.is_surface or _worth(evidence) < settings.spread_below_holds:
        cells = _assumed_covariance(axes, used)
        noise = np.full(len(places), PRIOR_MEDIAN[3] ** 2)
        points = np.asarray(weights @ cells @ weights.T)
        return MapUncertainty(
            _with_offset(points, float(PRIOR_MEDIAN[4])), noise, weight, is_assumed=True
        )
    need = from_surface_scale(weights @ fit.theta, kind)
    scale = scatter_scale(np.asarray(need), kind)
    points = np.asarray(weights @ fit.covariance @ weights.T) / np.outer(scale, scale)
    open_variance = _disputed_variance(evidence.cells) + _waiting_variance(evidence.cells)
    points += (weights @ sparse.diags(open_variance) @ weights.T).toarray()
    noise = np.full(len(places), _hold_variance(fit, used))
    if kind == "floor":
        error = np.sqrt(np.maximum(np.diag(points), 0.0))
        weight = weight * _chance_at_floor(np.asarray(need), error, settings)
        weight = weight / weight.sum()
    return MapUncertainty(_with_offset(points, fit.log_scatter), noise, weight)


def _disputed_variance(cells: pd.DataFrame) -> Floats:
    """Variance that a single overruled hold adds at each cell. [ln^2]"""
    half = np.log1p(cells["ci_high_pct"] / 100.0) - np.log1p(cells["ci_low_pct"] / 100.0)
    return np.where(cells["is_disputed"], half / 2.0, 0.0) ** 2


def _waiting_variance(cells: pd.DataFrame) -> Floats:
    """Variance added to cells that may not be leaned until they are held themselves. [ln^2]"""
    if "waits_in_boost" not in cells:
        return np.zeros(len(cells))
    return np.where(cells["waits_in_boost"].to_numpy(dtype=bool), WAITING_SD**2, 0.0)


def _chance_at_floor(need: Floats, error: Floats, settings: PlanSettings) -> Floats:
    """Chance that a point is not clear of the floor; a point clear of it needs nothing."""
    clear = np.log1p(settings.floor_clear_pct / 100.0)
    chance = special.ndtr((clear - need) / np.maximum(error, 1e-3))
    return np.asarray(np.maximum(chance, 1e-3))


def _used_holds(evidence: Evidence) -> pd.DataFrame:
    holds = evidence.holds
    return holds[holds["is_used"].astype(bool)] if "is_used" in holds else holds.iloc[:0]


def _worth(evidence: Evidence) -> float:
    """How many holds the evidence is worth, moving samples counted in holds. [1]"""
    moving = 0.0 if evidence.moving is None else float(evidence.moving.worth.sum())
    return len(_used_holds(evidence)) + moving


def _hold_variance(fit: LatticeFit, used: pd.DataFrame) -> float:
    """Variance of a hold about the surface; usual where no hold has shown it. [ln^2]"""
    if used.empty:
        return float(PRIOR_MEDIAN[3] ** 2)
    return float(fit.hold_scatter**2 + used["within_se"].median() ** 2)


def _with_offset(points: Floats, log_scatter: float) -> Floats:
    n = len(points)
    covariance = np.zeros((n + 1, n + 1))
    covariance[:n, :n] = points
    covariance[n, n] = log_scatter**2
    return covariance


def _assumed_covariance(axes: Axes, holds: pd.DataFrame) -> Floats:
    """Covariance of the breakpoints of a smooth unknown surface, given the places of holds."""
    place = places_in_cells(axes, axes.cell_rpm(), axes.cell_load())
    square = np.sum((place[:, None, :] - place[None, :, :]) ** 2, axis=2)
    cells = ASSUMED_SD**2 * np.exp(-0.5 * square / ASSUMED_LENGTH**2)
    if holds.empty:
        return np.asarray(cells)
    weights = bilinear_weights(axes, holds["rpm"], holds["load"])
    shared = weights @ cells
    seen = shared @ weights.T + PRIOR_MEDIAN[3] ** 2 * np.eye(len(holds))
    return np.asarray(cells - shared.T @ np.linalg.solve(seen, shared))
