"""Transients and a walk over speed beside the surface, against matrices held whole."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plain_lattice import plain
from scipy import optimize, sparse

from tuneassist.evidence import lattice
from tuneassist.evidence.lattice import PRIOR_MEDIAN, PRIOR_SPREAD, axis_positions, fit_lattice
from tuneassist.evidence.random_effects import TRANSIENT_SD, RandomEffects, speed_walk
from tuneassist.grid import Axes, bilinear_weights

AXES = Axes(rpm=np.linspace(1000, 6000, 8), load=np.linspace(30, 180, 7))


@st.composite
def problems(draw: st.DrawFn) -> lattice._Problem:
    """Readings of some logs with transients, of any number from one reading on."""
    rng = np.random.default_rng(draw(st.integers(0, 10_000)))
    shape = draw(st.tuples(st.integers(2, 9), st.integers(2, 9)))
    m = draw(st.integers(1, 120))
    logs, moves = draw(st.integers(1, min(m, 4))), draw(st.integers(1, 6))
    steps = [np.cumsum(rng.uniform(0.5, 1.5, n)) for n in shape]
    axes = Axes(rpm=1000.0 * steps[0], load=20.0 * steps[1])
    u, v = rng.uniform(size=(2, m))
    rpm = axes.rpm[0] + u * np.ptp(axes.rpm)
    weights = sparse.csr_matrix(bilinear_weights(axes, rpm, axes.load[0] + v * np.ptp(axes.load)))
    walk = speed_walk(axes, axis_positions(axes.rpm))
    return lattice._Problem(
        weights=weights,
        y=0.05 * np.sin(3 * u) * np.cos(2.5 * v) + 0.004 * rng.standard_normal(m),
        own_variance=rng.uniform(0.5, 2.0, m) * 1e-6,
        scale=rng.uniform(0.8, 1.2, m),
        log_index=np.r_[np.arange(logs), rng.integers(0, logs, m - logs)],
        penalties=lattice._penalties(axes),
        robust_weight=rng.uniform(0.3, 1.0, m),
        effects=RandomEffects.of(walk, weights, 0.1 * rng.standard_normal((m, moves))),
        log_variance=rng.uniform(0.0, 1e-4, logs),
    )


strengths = st.lists(st.floats(-0.7, 0.7), min_size=6, max_size=6).map(
    lambda z: np.log(PRIOR_MEDIAN) + PRIOR_SPREAD * np.array(z)
)


@settings(max_examples=30)
@given(problems(), strengths)
def test_transients_and_walk_are_those_of_whole_matrices(
    problem: lattice._Problem, p: np.ndarray
) -> None:
    state, witness = lattice._evaluate(problem, p), plain(problem, p)
    np.testing.assert_allclose(state.theta, witness.theta, rtol=0, atol=1e-9)
    covariance = lattice._covariance(problem, p)
    np.testing.assert_allclose(covariance, witness.covariance, rtol=0, atol=1e-9)
    np.testing.assert_allclose(state.transients, witness.transients, rtol=0, atol=1e-7)
    np.testing.assert_allclose(
        state.transient_covariance, witness.transient_covariance, rtol=0, atol=1e-7
    )
    full = problem.robust_weight / problem.noise(p)
    np.testing.assert_allclose(state.leverage / full, np.diag(witness.projector) / full, atol=1e-7)
    size = np.abs(witness.score).max() + 1.0
    np.testing.assert_allclose(state.score, witness.score, atol=1e-7 * size)
    assert state.misfit == pytest.approx(witness.misfit, rel=1e-9, abs=1e-6)
    prior = 2.0 * (p - np.log(PRIOR_MEDIAN)) / PRIOR_SPREAD**2
    size = np.abs(witness.gradient).max() + 1.0
    np.testing.assert_allclose(state.gradient - prior, witness.gradient, atol=1e-5 * size)


@settings(max_examples=15)
@given(problems(), strengths)
def test_the_gradient_is_that_of_central_differences(
    problem: lattice._Problem, p: np.ndarray
) -> None:
    def cost(at: np.ndarray) -> float:
        return lattice._evaluate(problem, at).cost

    step = 1e-4 * np.eye(6)
    numeric = [(cost(p + one) - cost(p - one)) / 2e-4 for one in step]
    found = lattice._evaluate(problem, p).gradient
    if problem.n_logs < 2:  # the scatter between logs is nobody's then
        numeric[4], found[4] = 0.0, 0.0
    np.testing.assert_allclose(found, numeric, rtol=1e-3, atol=1e-3)


@settings(max_examples=20)
@given(problems(), strengths)
def test_columns_are_projected_as_a_whole_matrix_projects_them(
    problem: lattice._Problem, p: np.ndarray
) -> None:
    columns = np.random.default_rng(8).normal(size=(len(problem.y), 3))
    witness = plain(problem, p).projector @ columns
    size = np.abs(witness).max() + 1.0
    np.testing.assert_allclose(lattice._projected(problem, p, columns), witness, atol=1e-7 * size)


@settings(max_examples=8)
@given(problems(), strengths)
def test_left_out_residuals_are_those_of_refits_without_the_reading(
    problem: lattice._Problem, p: np.ndarray
) -> None:
    m = len(problem.y)
    if m < 3 or problem.n_logs > 1:
        return
    residual, se = lattice._left_out(problem, p, lattice._evaluate(problem, p))
    for out in (0, m // 2, m - 1):
        rest = np.arange(m) != out
        part = replace(
            problem,
            **{
                name: getattr(problem, name)[rest]
                for name in ("weights", "y", "own_variance", "scale", "log_index", "robust_weight")
            },
            effects=replace(problem.effects, columns=problem.effects.columns[rest]),
        )
        told = plain(part, p)
        known = problem.effects.columns[out, ~problem.effects.is_walk]
        moved = known @ told.transients / TRANSIENT_SD
        w = problem.weights[out].toarray()[0]
        assert residual[out] == pytest.approx(problem.y[out] - w @ told.theta - moved, abs=1e-7)
        full = replace(problem, robust_weight=np.where(rest, problem.robust_weight, 1.0))
        variance = 1.0 / plain(full, p).projector[out, out]
        assert se[out] == pytest.approx(np.sqrt(variance), rel=1e-6)


def test_the_walks_variance_between_two_speeds_grows_with_their_distance() -> None:
    axes = Axes(rpm=np.array([1000.0, 1500.0, 3000.0, 3200.0, 6000.0]), load=np.array([1.0, 2.0]))
    places = axis_positions(axes.rpm)
    levels = speed_walk(axes, places)
    np.testing.assert_allclose(levels[::2], levels[1::2])  # common to all loads
    between = levels[::2][:, None] - levels[::2][None]
    variance = np.sum(between**2, axis=2)
    np.testing.assert_allclose(variance, np.abs(places[:, None] - places[None]), atol=1e-12)
    np.testing.assert_allclose(levels[::2].sum(axis=0), 0.0, atol=1e-12)  # the level is free


class Drive:
    """Moving readings of a surface, with two known transients."""

    sizes = np.array([0.25, -0.08])

    def __init__(self, step: float = 0.0, seed: int = 1, count: int = 300) -> None:
        rng = np.random.default_rng(seed)
        rpm, load = rng.uniform(1000, 6000, count), rng.uniform(30, 180, count)
        self.weights = bilinear_weights(AXES, rpm, load)
        u, v = (AXES.cell_rpm() - 1000) / 5000, (AXES.cell_load() - 30) / 150
        level = step * (AXES.cell_rpm() > 3500)
        self.theta = 0.05 * np.sin(3 * u) * np.cos(2.5 * v) + level
        self.transients = 0.1 * rng.standard_normal((count, 2))
        noise = 0.004 * rng.standard_normal(count)
        self.y = self.weights @ self.theta + self.transients @ self.sizes + noise
        self.own = np.full(count, 0.004)


def test_known_transients_are_found_with_an_honest_error() -> None:
    gaps = []
    for seed in range(8):
        drive = Drive(seed=seed)
        fit = fit_lattice(AXES, drive.weights, drive.y, drive.own, transients=drive.transients)
        error = np.sqrt(np.diag(fit.transient_covariance))
        np.testing.assert_allclose(fit.transients, drive.sizes, atol=0.02)
        gaps.append((fit.transients - drive.sizes) / error)
        assert np.sqrt(np.mean((fit.theta - drive.theta) ** 2)) < 0.004
    assert 0.5 < np.sqrt(np.mean(np.square(gaps))) < 1.7


def test_without_their_columns_the_transients_are_scatter() -> None:
    drive = Drive()
    fit = fit_lattice(AXES, drive.weights, drive.y, drive.own, transients=drive.transients)
    blind = fit_lattice(AXES, drive.weights, drive.y, drive.own)
    assert len(blind.transients) == 0
    assert blind.standard_error.mean() > 2.0 * fit.standard_error.mean()


def test_a_cam_change_over_is_taken_for_a_step_of_the_level() -> None:
    calm, cam = Drive(), Drive(step=0.06)
    smooth = fit_lattice(AXES, calm.weights, calm.y, calm.own, transients=calm.transients)
    stepped = fit_lattice(AXES, cam.weights, cam.y, cam.own, transients=cam.transients)
    assert stepped.speed_step > 3.0 * smooth.speed_step
    assert np.sqrt(np.mean((stepped.theta - cam.theta) ** 2)) < 0.005


def test_readings_at_rest_leave_a_transient_at_its_prior() -> None:
    drive = Drive()
    still = np.zeros_like(drive.transients)
    fit = fit_lattice(AXES, drive.weights, drive.y, drive.own, transients=still)
    np.testing.assert_allclose(fit.transients, 0.0, atol=1e-12)
    np.testing.assert_allclose(fit.transient_covariance, TRANSIENT_SD**2 * np.eye(2), rtol=1e-9)


def test_the_misfit_is_least_at_the_strengths_that_the_search_finds() -> None:
    drive = Drive(step=0.04, count=80)
    problem = lattice._Problem.of(
        AXES,
        drive.weights,
        drive.y,
        drive.own,
        None,
        scale=None,
        log_se=None,
        transients=drive.transients,
    )
    best = lattice._search(problem, np.log(PRIOR_MEDIAN))

    def cost(p: np.ndarray) -> float:
        return lattice._evaluate(problem, p).cost

    witness = optimize.minimize(cost, best + 0.3, method="Nelder-Mead", options={"maxiter": 600})
    assert cost(best) <= witness.fun + 1e-2
