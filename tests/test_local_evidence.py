"""What was seen of a cell itself: by the holds in it, and by those around it together."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tuneassist.evidence.lattice import LatticeFit, fit_lattice
from tuneassist.evidence.local_evidence import LocalEvidence, local_evidence
from tuneassist.grid import Axes, bilinear_weights

AXES = Axes(rpm=np.array([1000.0, 2000, 3000, 4000, 5000]), load=np.array([20.0, 60, 100, 140]))
CELL = 2 * 4 + 1  # 3000 rpm, 60
SCATTER = 0.004
LEVEL = -0.05


def level_fit(doubt: float = 1e-9) -> LatticeFit:
    """A surface with one level everywhere, and a standard error of its own in every cell."""
    places = bilinear_weights(AXES, np.array([2000.0, 4000.0]), np.array([60.0, 100.0]))
    fit = fit_lattice(AXES, places, [LEVEL, LEVEL], [1e-3, 1e-3])
    covariance = doubt**2 * np.eye(AXES.size)
    return replace(fit, theta=np.full(AXES.size, LEVEL), covariance=covariance)


def read(
    places: list[tuple[float, float]], needs: list[float], fit: LatticeFit | None = None
) -> LocalEvidence:
    fit = level_fit() if fit is None else fit
    rpm, load = np.array(places).T
    return local_evidence(
        AXES,
        rpm=rpm,
        load=load,
        need=np.array(needs),
        variance=np.full(len(needs), SCATTER**2),
        log_index=np.zeros(len(needs), dtype=np.int64),
        weights=bilinear_weights(AXES, rpm, load),
        fit=fit,
    )


def own_of_holds_around(needs: tuple[float, float]) -> tuple[float, float, float]:
    """Value and half width [ln] at the cell of two holds with 0.4 of it; that of one hold there."""
    found = read([(2400, 60), (3600, 60)], list(needs))
    one = read([(3000, 60)], [LEVEL])
    return found.value[CELL], found.half_width[CELL], one.half_width[CELL]


def test_holds_beyond_half_the_gap_tell_together_what_their_share_of_the_cell_is_worth() -> None:
    # two holds with 0.4 of the cell: 2 x 0.4^2 = 0.32 of what one hold at the breakpoint tells
    value, half, one = own_of_holds_around((-0.05, -0.05))
    assert value == pytest.approx(-0.05, abs=1e-9)
    assert half == pytest.approx(one / np.sqrt(0.32), rel=1e-4)


def test_what_holds_around_a_cell_read_beside_the_surface_is_its_own_step_by_their_share() -> None:
    # 0.004 leaner than the surface at 0.4 of the cell is a spot of 0.01 in it
    value, _, _ = own_of_holds_around((-0.046, -0.046))
    assert value == pytest.approx(-0.04, abs=1e-9)


def test_holds_around_a_cell_that_disagree_make_its_interval_wider() -> None:
    # 0.03 to either side of the surface, each counted by its share: chi-squared is
    # 0.4 x 2 x (0.03 / 0.004)^2 = 45, on one to spare
    value, half, _ = own_of_holds_around((-0.08, -0.02))
    assert value == pytest.approx(-0.05, abs=1e-9)
    agreed = own_of_holds_around((-0.05, -0.05))[1]
    assert half == pytest.approx(np.sqrt(45) * agreed, rel=1e-4)


def test_a_cell_that_nothing_touches_is_not_known_however_sure_its_neighbours_are() -> None:
    places = [(2000.0, 60.0), (4000.0, 60.0), (3000.0, 20.0), (3000.0, 100.0), (3990.0, 60.0)]
    found = read(places * 5, [LEVEL] * 25)
    assert np.isnan(found.value[CELL])
    assert np.isnan(found.half_width[CELL])
    neighbour = found.half_width[[CELL - 1, CELL + 1, CELL - 4, CELL + 4]]
    assert (neighbour < 0.01).all()


def test_the_reading_that_tells_more_counts() -> None:
    # at (3400, 90) is 0.15 of the cell, which is nearest to (3000, 100): only the reading around
    # the cell knows of it, and is poor; a hold in the cell takes its place
    far = read([(3400, 90)] * 2, [LEVEL] * 2)
    near = read([(3400, 90), (3400, 90), (3000, 60)], [LEVEL] * 3)
    one = read([(3000, 60)], [LEVEL])
    assert far.half_width[CELL] == pytest.approx(one.half_width[CELL] / (0.15 * np.sqrt(2)), 1e-4)
    assert near.half_width[CELL] <= one.half_width[CELL]


def test_a_hold_nearest_to_the_breakpoint_is_evidence_of_it_in_full() -> None:
    # it has 0.7 of the cell and is nearer to it than to any other
    found = read([(3300, 60)], [LEVEL + 0.01])
    one = read([(3000, 60)], [LEVEL])
    assert found.value[CELL] == pytest.approx(LEVEL + 0.01, abs=1e-9)
    assert found.half_width[CELL] == pytest.approx(one.half_width[CELL], rel=1e-4)


def test_doubt_about_the_other_corners_is_doubt_about_what_the_holds_around_tell() -> None:
    # with 0.4 of the cell each and 0.6 of one other corner, the step is 0.6 / 0.8 of either corner
    fit = level_fit(doubt=0.01)
    found = read([(2400, 60), (3600, 60)], [LEVEL] * 2, fit)
    quantile = fit.half_width()[0] / fit.standard_error[0]
    by_hand = np.sqrt(SCATTER**2 / 0.32 + 2 * (0.75 * 0.01) ** 2)
    assert found.half_width[CELL] == pytest.approx(quantile * by_hand, rel=1e-4)
