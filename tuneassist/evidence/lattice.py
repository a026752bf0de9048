"""The lattice fit: breakpoint values from scattered holds, with their covariance.

The controller interpolates bilinearly between breakpoints, so that the values there are fitted to
minimise the error of the interpolated table (Garcia and Gupta, "Lattice Regression", NIPS 22, 2009,
594-602). The model for the holds ``y`` with weights ``W`` is

    y = W theta + offset of the log + error,    error ~ N(0, hold scatter^2 + own error^2),

with a penalty on the curvature of ``theta`` and on its change along rpm, along load and across (a
thin plate, made anisotropic) and a weaker one on its slope, so that a surface the holds do not
support shrinks to its mean. Read as a Gaussian prior, the penalties' strengths and the scatters
are variances, and all are estimated by restricted maximum likelihood (Wood, Generalized Additive
Models, 2nd ed. 2017, section 6.2) under weak priors that stabilise a log of few holds. The
covariance is the posterior's, plus the part that comes from not knowing the strengths (Wood, Pya
and Saefken, JASA 111(516), 2016, 1548-1563). Such intervals cover at the nominal rate on average
over the surface (Nychka, JASA 83(404), 1988, 1134-1143). Bad holds lose weight by their
leave-one-out residual.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy import linalg, optimize, sparse, special

from tuneassist.evidence.banded import Factor, Pattern, Places
from tuneassist.evidence.lattice_posterior import HoldErrors, Holds, Posterior
from tuneassist.evidence.random_effects import EffectSolution, RandomEffects, speed_walk
from tuneassist.grid import Axes, Floats
from tuneassist.threads import on_one_thread

#: Prior medians of: curvature along rpm, along load [per cell^2], slope [per cell], hold
#: scatter, log offset [all ln of need, so 0.01 is 1 %]; and the prior's spread in e-folds.
PRIOR_MEDIAN = np.array([0.01, 0.01, 0.03, 0.004, 0.003, 0.006])
PRIOR_SPREAD = np.array([2.0, 2.0, 1.5, 0.7, 0.7, 1.2])
#: Share of the penalty on the curvature itself beside that on its change: engines' surfaces are
#: smooth, and a penalty on curvature alone makes intervals between holds too wide. [1]
BENDING = 0.3
#: Leave-one-out residual in standard deviations beyond which a hold loses weight.
OUTLIER_SD = 3.0
#: Rounds of reweighting.
ROBUST_ROUNDS = 4
#: With no more holds than this no outlier can be identified. [1]
MIN_ROBUST_HOLDS = 3
#: The prior on the scatters is worth about this many holds. [1]
PRIOR_HOLDS = 2.0
#: and that on the logs' offsets this many logs. [1]
PRIOR_LOGS = 1.0
#: With more holds than this some steps are approximated. [1]
MANY_HOLDS = 400
#: Fewest holds of a log in which drifts and steps over time are looked for, and fewest holds on
#: either side of a step; beyond `MANY_HOLDS` steps are tried at these quantiles only. [1]
MIN_DRIFT_HOLDS, MIN_SIDE_HOLDS = 6, 2
STEP_QUANTILES = (0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 0.9)
#: Heat, fuel pressure and a leak may act under load only: drifts and steps are also looked for in
#: the holds above this quantile of a log's loads. [1]
HIGH_LOAD_QUANTILE = 0.5
#: A drift or step is significant from this many standard errors and this size on. It is then fitted
#: before the next is looked for, up to this number. [1], [ln over the log], [1]
DRIFT_SE, DRIFT_LN, MAX_SHAPES = 3.5, 0.01, 3
#: A surface is usable when it beats the mean by this much twice-log-likelihood (about the 99 %
#: point of chi-squared with two degrees of freedom) and by this share of left-out variance.
MIN_LIKELIHOOD_GAIN = 9.2
MIN_SKILL = 0.05


@dataclass(frozen=True, eq=False)
class LatticeFit:
    """A fitted table.

    Parameters
    ----------
    theta
        Value at every breakpoint, shape (cells,). [ln of need]
    covariance
        Their covariance, shape (cells, cells), with the log's share in it.
    degrees_of_freedom
        Of the intervals: holds less what the surface effective_parameters. [1]
    curvature_rpm, curvature_load, slope
        Typical second and first differences that the data support. [ln per cell^2, per cell]
    hold_scatter, log_scatter
        Standard deviation between holds and between logs. [ln]
    weight
        Weight that each hold kept, shape (m,), 1 is full. [1]
    left_out_residual
        Residual of each hold from the fit without it, shape (m,). [ln]
    left_out_se
        Its standard deviation. [ln]
    effective_parameters
        Effective number of parameters of the surface. [1]
    is_surface
        False if the holds show no pattern over speed and load. Values and covariance are still the
        surface's.
    skill
        Share of the left-out variance that the surface explains beyond the mean. [1]
    speed_step
        Typical change of the level common to all loads from one breakpoint of speed to the next.
        [ln]
    transients, transient_covariance
        Sizes of the transients, shape (n,), and their covariance. [ln of need per ln of load or
        speed]
    drift_ln, drift_se_ln
        Drift of each log: its range from lowest to highest over time, with the sign of the most
        significant drift or step, and its standard error, shape (logs,); empty without times. [ln]
    log_numbers
        Numbers of these logs, as the caller counts them, shape (logs,).
    """

    theta: Floats
    covariance: Floats
    degrees_of_freedom: float
    curvature_rpm: float
    curvature_load: float
    slope: float
    hold_scatter: float
    log_scatter: float
    weight: Floats
    left_out_residual: Floats
    left_out_se: Floats
    effective_parameters: float
    is_surface: bool
    skill: float
    speed_step: float
    transients: Floats = field(default_factory=lambda: np.zeros(0))
    transient_covariance: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    drift_ln: Floats = field(default_factory=lambda: np.zeros(0))
    drift_se_ln: Floats = field(default_factory=lambda: np.zeros(0))
    log_numbers: npt.NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, dtype=np.int64))

    @property
    def strengths(self) -> Floats:
        """Estimated strengths, in the order of `PRIOR_MEDIAN`."""
        penalties = (self.curvature_rpm, self.curvature_load, self.slope)
        return np.array([*penalties, self.hold_scatter, self.log_scatter, self.speed_step])

    @property
    def standard_error(self) -> Floats:
        """Standard error of every breakpoint, shape (cells,). [ln]"""
        return np.asarray(np.sqrt(np.maximum(np.diag(self.covariance), 0.0)))

    def half_width(self, level: float = 0.95) -> Floats:
        """Half of the two-sided interval at every breakpoint, shape (cells,). [ln]"""
        quantile = float(special.stdtrit(self.degrees_of_freedom, 0.5 + level / 2.0))
        return quantile * self.standard_error


def axis_positions(points: Floats) -> Floats:
    """Breakpoints in units in which uneven axes make sense: physical, with a mean step of one."""
    return np.asarray((points - points[0]) / (points[-1] - points[0]) * (len(points) - 1))


def places_in_cells(axes: Axes, rpm: Floats, load: Floats) -> Floats:
    """Return operating points in units of `axis_positions`, shape (m, 2), clipped to the axes."""
    pairs = ((rpm, axes.rpm), (load, axes.load))
    return np.stack([np.interp(at, points, axis_positions(points)) for at, points in pairs], axis=1)


@dataclass(frozen=True, eq=False)
class _Axis:
    """Quadratic forms of one axis: its mass, and first, second and third divided differences.

    Each is the integral of a squared derivative along the axis, shape (k, k).
    """

    mass: Floats
    slope: Floats
    curvature: Floats
    change: Floats

    @classmethod
    def of(cls, points: Floats) -> _Axis:
        place = axis_positions(points)
        step = np.diff(place)
        middle = (step[1:] + step[:-1]) / 2.0
        first = np.diff(np.eye(len(place)), axis=0) / step[:, None]
        second = np.diff(first, axis=0) / middle[:, None]
        third = np.diff(second, axis=0) / step[1:-1, None]
        mass = np.concatenate([[step[0] / 2.0], middle, [step[-1] / 2.0]])
        return cls(
            mass=np.diag(mass),
            slope=first.T @ (first * step[:, None]),
            curvature=second.T @ (second * middle[:, None]),
            change=third.T @ (third * step[1:-1, None]),
        )


@dataclass(frozen=True, eq=False)
class _Penalties:
    """Quadratic forms of the surface; the prior precision is their weighted sum."""

    along_rpm: sparse.csr_matrix
    along_load: sparse.csr_matrix
    across: sparse.csr_matrix
    slope: sparse.csr_matrix

    @property
    def forms(self) -> tuple[sparse.csr_matrix, ...]:
        """All four, in the order of their weights."""
        return self.along_rpm, self.along_load, self.across, self.slope

    @cached_property
    def pairs(self) -> tuple[Places, Places]:
        """Rows and columns of the entries on and below the diagonal, form after form."""
        lower = [sparse.coo_matrix(sparse.tril(form)) for form in self.forms]
        rows, columns = (
            np.concatenate([getattr(one, at) for one in lower]) for at in ("row", "col")
        )
        return rows.astype(np.int64), columns.astype(np.int64)

    def on(self, pattern: Pattern) -> Floats:
        """Each form's entries on a pattern, shape (4, n)."""
        found = np.zeros((len(self.forms), len(pattern.rows)))
        for row, form in zip(found, self.forms, strict=True):
            lower = sparse.coo_matrix(sparse.tril(form))
            row[pattern.find(lower.row.astype(np.int64), lower.col.astype(np.int64))] = lower.data
        return found


def _form_weights(p: Floats) -> Floats:
    """Weights of the four penalties in the prior precision."""
    rpm, load, slope = np.exp(-2.0 * p[:3])
    return np.array([rpm, load, 2.0 * np.sqrt(rpm * load), slope])


def _form_weight_slopes(p: Floats) -> Floats:
    """Derivatives of the weights with respect to the three strengths, shape (3, 4)."""
    rpm, load, across, slope = _form_weights(p)
    return -np.array(
        [
            [2.0 * rpm, 0.0, across, 0.0],
            [0.0, 2.0 * load, across, 0.0],
            [0.0, 0.0, 0.0, 2.0 * slope],
        ]
    )


def _kron(along_rpm: Floats, along_load: Floats) -> sparse.csr_matrix:
    return sparse.csr_matrix(sparse.kron(along_rpm, along_load))


def _penalties(axes: Axes) -> _Penalties:
    """Bending of a thin plate and its change along the way, split by direction."""
    rpm, load = _Axis.of(axes.rpm), _Axis.of(axes.load)
    change_across = _kron(rpm.curvature, load.slope) + _kron(rpm.slope, load.curvature)
    return _Penalties(
        along_rpm=_kron(rpm.change + BENDING * rpm.curvature, load.mass),
        along_load=_kron(rpm.mass, load.change + BENDING * load.curvature),
        across=1.5 * change_across + BENDING * _kron(rpm.slope, load.slope),
        slope=_kron(rpm.slope, load.mass) + _kron(rpm.mass, load.slope),
    )


@dataclass(frozen=True, eq=False)
class _Arrangement:
    """Holds, and the penalties on the pairs of cells that holds or penalties join."""

    holds: Holds
    forms: Floats

    @classmethod
    def of(
        cls,
        weights: sparse.csr_matrix,
        log_index: npt.NDArray[np.int64],
        penalties: _Penalties,
    ) -> _Arrangement:
        rows, columns = penalties.pairs
        holds = Holds.of(weights, log_index, rows=rows, columns=columns)
        return cls(holds, penalties.on(holds.pattern))

    def precision(self, p: Floats) -> tuple[Floats, Floats]:
        """Entries of the prior precision, and its product with a surface of ones.

        The penalties leave the constant free. Holding one cell makes the matrix invertible, and the
        projector takes the constant out of the data again, so that it does not matter which cell is
        held or how firmly; one in the middle loses the least to rounding.
        """
        pattern = self.holds.pattern
        precision = _form_weights(p) @ self.forms
        held = np.zeros(pattern.cells)
        middle = pattern.cells // 2
        held[middle] = precision[pattern.is_diagonal].mean()
        precision[np.flatnonzero(pattern.is_diagonal)[middle]] += held[middle]
        return precision, held

    def penalty_gradient(
        self, p: Floats, prior: Factor, posterior: Posterior, pull: Floats, effect_pull: Floats
    ) -> Floats:
        """Derivative of the misfit by the three penalties' strengths.

        With the projector P it is ``pull' dQ pull - tr(dQ S W' P W S)`` for each change dQ of the
        prior precision ``Q = S^-1``; each dQ joins near cells only. ``effect_pull`` is what the
        effects beside the surface take out of P, shape (k, cells).
        """
        pattern, seen = self.holds.pattern, 1.0 - posterior.gap
        rows, columns = pattern.rows, pattern.columns
        inner = prior.near_inverse() - posterior.entries
        inner -= seen[rows] * seen[columns] / posterior.total
        inner -= np.einsum("kn,kn->n", effect_pull[:, rows], effect_pull[:, columns])
        moved = pull[rows] * pull[columns] - inner
        both = np.where(pattern.is_diagonal, moved, 2.0 * moved)
        return np.asarray(_form_weight_slopes(p) @ (self.forms @ both))


@dataclass(frozen=True, eq=False)
class _Problem:
    """Holds and penalties, with what does not change during the search."""

    weights: sparse.csr_matrix
    y: Floats
    own_variance: Floats
    scale: Floats
    log_index: npt.NDArray[np.int64]
    penalties: _Penalties
    robust_weight: Floats
    effects: RandomEffects
    log_variance: Floats | float = 0.0  # of each log's offset, known
    prepared: _Arrangement | None = None  # weights, logs and penalties, once for a whole search

    @classmethod
    def of(
        cls,
        axes: Axes,
        weights: sparse.csr_matrix | Floats,
        y: npt.ArrayLike,
        own_se: npt.ArrayLike,
        log_index: npt.ArrayLike | None,
        *,
        scale: npt.ArrayLike | None,
        log_se: npt.ArrayLike | None,
        transients: npt.ArrayLike | None,
    ) -> _Problem:
        """Set up the problem at full weight; the parameters are those of `fit_lattice`."""
        values, own = np.asarray(y, dtype=float), np.asarray(own_se, dtype=float)
        if len(values) == 0 or not (np.isfinite(values).all() and np.isfinite(own).all()):
            raise ValueError("a lattice fit needs at least one hold, and finite values")
        ones = np.ones(len(values))
        logs = np.asarray(np.zeros(len(values)) if log_index is None else log_index, dtype=np.int64)
        table, penalties = sparse.csr_matrix(weights), _penalties(axes)
        moved = None if transients is None else np.asarray(transients, dtype=float)
        return cls(
            weights=table,
            y=values,
            own_variance=own**2,
            scale=ones if scale is None else np.asarray(scale, dtype=float),
            log_index=logs,
            log_variance=0.0 if log_se is None else np.square(np.asarray(log_se, dtype=float)),
            penalties=penalties,
            robust_weight=ones,
            effects=RandomEffects.of(speed_walk(axes, axis_positions(axes.rpm)), table, moved),
            prepared=_Arrangement.of(table, logs, penalties),
        )

    @property
    def n_logs(self) -> int:
        return int(self.log_index.max()) + 1

    @property
    def arrangement(self) -> _Arrangement:
        return self.prepared or _Arrangement.of(self.weights, self.log_index, self.penalties)

    def errors(self, p: Floats) -> HoldErrors:
        """Variances of the holds, at the weight that each has kept."""
        holds = self.arrangement.holds
        return HoldErrors.of(holds, self.noise(p) / self.robust_weight, self.offsets(p))

    def noise(self, p: Floats) -> Floats:
        """Variance of each hold about the surface at full weight."""
        return np.asarray(self.own_variance + np.exp(2.0 * p[3]) * self.scale**2)

    def offsets(self, p: Floats) -> Floats:
        """Variance of each log's offset, shape (logs,); 0 for one log, whose level is free."""
        if self.n_logs < 2:
            return np.zeros(1)
        known = np.broadcast_to(self.log_variance, self.n_logs)
        return np.asarray(np.exp(2.0 * p[4]) + known)


@dataclass(frozen=True, eq=False)
class _State:
    """What the search needs at one set of strengths, and the surface there."""

    cost: float  # minus twice the restricted log likelihood and the log prior
    misfit: float  # the same without the prior
    gradient: Floats
    theta: Floats
    leverage: Floats  # diagonal of the projector
    score: Floats
    transients: Floats  # their sizes
    transient_covariance: Floats


def _posterior(problem: _Problem, p: Floats) -> Posterior:
    precision, held = problem.arrangement.precision(p)
    return Posterior.of(problem.errors(p), precision=precision, pull_of_one=held)


def _solution(problem: _Problem, p: Floats, posterior: Posterior) -> EffectSolution:
    return EffectSolution.of(problem.effects, posterior, walk_step=float(np.exp(p[5])))


def _evaluate(problem: _Problem, p: Floats) -> _State:
    precision, held = problem.arrangement.precision(p)
    prior = Factor.of(problem.arrangement.holds.pattern, precision)
    posterior = Posterior.of(problem.errors(p), precision=precision, pull_of_one=held)
    effects = _solution(problem, p, posterior)
    level, pull, score = (part[..., 0] for part in posterior.fitted(problem.y[:, None]))
    sizes = effects.sizes(problem.y)
    theta = level + pull + (effects.at_cells - effects.moved) @ sizes
    pull, score = pull - effects.pull @ sizes, score - effects.score @ sizes
    taken = effects.half(effects.score)
    leverage = posterior.leverage() - np.sum(taken**2, axis=0)
    log_det = posterior.errors.log_det() + posterior.log_det - prior.log_det + effects.log_det
    misfit = log_det + np.log(posterior.total) + float(problem.y @ score)
    gradient = _scatter_gradient(problem, p, leverage, score)
    gradient[:3] = problem.arrangement.penalty_gradient(
        p, prior, posterior, pull, effects.half(effects.pull)
    )
    if problem.n_logs > 1:
        taken_by_log = float(np.sum(posterior.errors.sums(taken.T) ** 2))
        pull_by_log = float(np.sum(posterior.errors.sums(score) ** 2))
        spare = posterior.log_trace() - taken_by_log - pull_by_log
        gradient[4] = 2.0 * np.exp(2.0 * p[4]) * spare
    gradient[5] = effects.walk_gradient(sizes)
    distance = (p - np.log(PRIOR_MEDIAN)) / PRIOR_SPREAD
    transients, covariance = effects.transients(sizes)
    return _State(
        cost=misfit + float(distance @ distance),
        misfit=misfit,
        gradient=gradient + 2.0 * distance / PRIOR_SPREAD,
        theta=theta,
        leverage=leverage,
        score=score,
        transients=transients,
        transient_covariance=covariance,
    )


def _scatter_gradient(problem: _Problem, p: Floats, leverage: Floats, score: Floats) -> Floats:
    """Derivative of the misfit by the holds' scatter, 0 for the other strengths."""
    gradient = np.zeros(len(p))
    noise = 2.0 * np.exp(2.0 * p[3]) * problem.scale**2 / problem.robust_weight
    gradient[3] = np.sum((leverage - score**2) * noise)
    return gradient


def _covariance(problem: _Problem, p: Floats) -> Floats:
    """Covariance of the surface at given strengths, shape (cells, cells)."""
    posterior = _posterior(problem, p)
    return posterior.covariance() + _solution(problem, p, posterior).cell_covariance()


def _evaluate_flat(problem: _Problem, p: Floats) -> _State:
    """Evaluate the readings' mean beside their transients: a surface that may not bend or slope."""
    errors = problem.errors(p)
    row = errors.solved(np.ones(len(problem.y)))
    total = float(row.sum())

    def rest(columns: Floats) -> Floats:
        return errors.solved(columns) - np.outer(row, row @ columns / total)

    known = problem.effects.columns[:, ~problem.effects.is_walk]
    moved = rest(known)
    root = np.linalg.cholesky(np.eye(known.shape[1]) + known.T @ moved)
    taken = np.linalg.solve(root, moved.T)
    level = float(row @ problem.y) / total
    score = rest(problem.y[:, None])[:, 0] - taken.T @ (taken @ problem.y)
    leverage = errors.diagonal() - row**2 / total - np.sum(taken**2, axis=0)
    log_det = errors.log_det() + 2.0 * float(np.sum(np.log(np.diag(root))))
    misfit = log_det + np.log(total) + float(problem.y @ score)
    distance = (p - np.log(PRIOR_MEDIAN)) / PRIOR_SPREAD
    gradient = _scatter_gradient(problem, p, leverage, score)
    if problem.n_logs > 1:
        trace = float(np.sum(errors.shared()) - np.sum(errors.sums(row) ** 2) / total)
        trace -= float(np.sum(errors.sums(taken.T) ** 2))
        pull = float(np.sum(errors.sums(score) ** 2))
        gradient[4] = 2.0 * np.exp(2.0 * p[4]) * (trace - pull)
    prior = np.r_[np.zeros(3), distance[3:]]  # there is no surface to have a strength
    return _State(
        cost=misfit + float(prior @ prior),
        misfit=misfit,
        gradient=gradient + 2.0 * prior / PRIOR_SPREAD,
        theta=np.full(problem.weights.shape[1], level),
        leverage=leverage,
        score=score,
        transients=np.zeros(0),
        transient_covariance=np.zeros((0, 0)),
    )


def _search(
    problem: _Problem,
    start: Floats,
    evaluate: Callable[[_Problem, Floats], _State] = _evaluate,
) -> Floats:
    low = np.log(PRIOR_MEDIAN) - 4.0 * PRIOR_SPREAD
    high = np.log(PRIOR_MEDIAN) + 4.0 * PRIOR_SPREAD

    def cost(p: Floats) -> tuple[float, Floats]:
        state = evaluate(problem, p)
        return state.cost, state.gradient

    found = optimize.minimize(
        cost,
        np.clip(start, low, high),
        jac=True,
        method="L-BFGS-B",
        bounds=list(zip(low, high, strict=True)),
        options={"maxiter": 60, "ftol": 1e-8},
    )
    return np.asarray(found.x)


@on_one_thread
def fit_lattice(
    axes: Axes,
    weights: sparse.csr_matrix | Floats,
    y: npt.ArrayLike,
    own_se: npt.ArrayLike,
    log_index: npt.ArrayLike | None = None,
    *,
    scale: npt.ArrayLike | None = None,
    log_se: npt.ArrayLike | None = None,
    time_s: npt.ArrayLike | None = None,
    shared: npt.ArrayLike | None = None,
    transients: npt.ArrayLike | None = None,
    robust: bool = True,
    warm_start: LatticeFit | None = None,
    is_draft: bool = False,
) -> LatticeFit:
    """Fit the breakpoints' values to holds.

    Parameters
    ----------
    axes
        Breakpoints; only their places matter.
    weights
        Bilinear weights of the holds, shape (m, cells).
    y
        Need of each hold, shape (m,). [ln]
    own_se
        Standard error of each hold from its own samples, shape (m,). [ln]
    log_index
        Number of the log that each hold came from, from 0; None: all from one.
    scale
        Size of each hold's scatter relative to `LatticeFit.hold_scatter`; None: all 1.
    log_se
        Known standard deviation of each log's offset beyond the scatter between logs, such as a
        drift of the engine since, shape (logs,); None: all 0. [ln]
    time_s
        When each hold was logged; needed for the drift of each log. [s]
    shared
        Known errors that holds share, shape (m, k): each column moves all holds together by its
        values times one standard normal draw. They only widen the covariance. [ln]
    transients
        Known columns of what moving engines add to their readings, shape (m, n), whose sizes are
        fitted with the surface. [ln of load or speed]
    robust
        Whether outlying holds lose weight.
    warm_start
        Fit of nearly the same holds, with ``weight`` for the present ones. The search starts there
        and the costly steps are skipped: the covariance ignores the uncertainty of the strengths,
        and whether the surface is usable is copied. For fits of which only the values are used.
    is_draft
        Skip the same steps from the usual start: values, strengths and residuals are those of the
        whole fit.

    Returns
    -------
    LatticeFit
        Values, covariance and diagnostics.

    Raises
    ------
    ValueError
        If there is no hold, or a value is not finite.
    """
    problem = _Problem.of(
        axes, weights, y, own_se, log_index, scale=scale, log_se=log_se, transients=transients
    )
    start = np.log(PRIOR_MEDIAN)
    if warm_start is not None:
        problem = replace(problem, robust_weight=warm_start.weight)
        start = np.log(warm_start.strengths)
    is_enough = len(problem.y) > MIN_ROBUST_HOLDS
    problem, best = _reweighted(problem, start, ROBUST_ROUNDS if robust and is_enough else 0)
    state = _evaluate(problem, best)
    if warm_start is not None or is_draft:
        covariance = _covariance(problem, best)
        is_surface = warm_start is None or warm_start.is_surface
        skill = float("nan") if warm_start is None else warm_start.skill
        return _fit_at(problem, best, state, covariance, is_surface=is_surface, skill=skill)
    found = _finish(problem, best, state)
    if shared is not None:
        found = _with_shared_errors(found, problem, best, np.asarray(shared, dtype=float))
    if time_s is None:
        return found
    load = np.asarray(problem.weights @ axes.cell_load())
    drift, error = _drift(problem, best, np.asarray(time_s, dtype=float), load)
    return replace(found, drift_ln=drift, drift_se_ln=error)


def _with_shared_errors(
    found: LatticeFit, problem: _Problem, p: Floats, shared: Floats
) -> LatticeFit:
    """Widen the covariance by errors that move many holds together."""
    moved, _ = _fitted_together(problem, p, shared)
    return replace(found, covariance=found.covariance + moved @ moved.T)


def _reweighted(problem: _Problem, start: Floats, rounds: int) -> tuple[_Problem, Floats]:
    """Search for the strengths while outlying holds lose weight."""
    best = _search(problem, start)
    for _ in range(rounds):
        robust_weight = _robust_weight(problem, best, _evaluate(problem, best))
        if np.allclose(robust_weight, problem.robust_weight, atol=0.02):
            break
        problem = replace(problem, robust_weight=robust_weight)
        best = _search(problem, best)
    return problem, best


def _drift(problem: _Problem, p: Floats, time_s: Floats, load: Floats) -> tuple[Floats, Floats]:
    """Return the drift of each log's need beside the surface, and its standard error."""
    drift, error = np.zeros(problem.n_logs), np.full(problem.n_logs, np.inf)
    for log in range(problem.n_logs):
        own = problem.log_index == log
        shapes = _drift_shapes(time_s, load, own, is_many=len(problem.y) > MANY_HOLDS)
        if shapes.size:
            drift[log], error[log] = _range_over_time(problem, p, shapes, own)
    return drift, error


def _range_over_time(
    problem: _Problem, p: Floats, shapes: Floats, own: npt.NDArray[np.bool_]
) -> tuple[float, float]:
    """Return the range of a log's need over time, from lowest to highest, and its error.

    A step that is missing in the model counts as scatter, and its holds as outliers, so that it is
    underestimated. A significant drift or step is therefore fitted beside the surface, with
    strengths, scatter and weights estimated anew, and the remainder is searched for another.
    """
    at, size, error = _most_significant(problem, p, shapes)
    if not _is_significant(size, error):
        return size, error
    found, sign = [at], np.sign(size)
    while True:
        chosen = shapes[:, found]
        for _ in range(2):
            sizes, covariance = _fitted(problem, p, chosen)
            clean = replace(
                problem, y=problem.y - chosen @ sizes, robust_weight=np.ones_like(problem.y)
            )
            clean, p = _reweighted(clean, p, ROBUST_ROUNDS)
            problem = replace(problem, robust_weight=clean.robust_weight)
        sizes, covariance = _fitted(problem, p, chosen)
        path = chosen @ sizes
        at, size, error = _most_significant(replace(problem, y=problem.y - path), p, shapes)
        if len(found) == MAX_SHAPES or at in found or not _is_significant(size, error):
            break
        found.append(at)
    rows = np.flatnonzero(own)
    between = chosen[rows[np.argmax(path[rows])]] - chosen[rows[np.argmin(path[rows])]]
    return float(sign * (between @ sizes)), float(np.sqrt(between @ covariance @ between))


def _is_significant(size: float, error: float) -> bool:
    return abs(size) >= max(DRIFT_SE * error, DRIFT_LN)


def _most_significant(problem: _Problem, p: Floats, shapes: Floats) -> tuple[int, float, float]:
    """Return the index of the most significant drift or step, its size and standard error."""
    reduced = _projected(problem, p, shapes)
    information = np.maximum(np.sum(shapes * reduced, axis=0), 1e-12)
    standardised = problem.y @ reduced / np.sqrt(information)
    at = int(np.argmax(np.abs(standardised)))
    error = 1.0 / float(np.sqrt(information[at]))
    return at, float(standardised[at]) * error, error


def _fitted(problem: _Problem, p: Floats, shapes: Floats) -> tuple[Floats, Floats]:
    """Fit shapes together by generalised least squares; return sizes and covariance."""
    reduced = _projected(problem, p, shapes)
    covariance = linalg.pinvh(shapes.T @ reduced)
    return np.asarray(covariance @ (reduced.T @ problem.y)), np.asarray(covariance)


def _projected(problem: _Problem, p: Floats, columns: Floats) -> Floats:
    """Columns as `_State.score` has the holds' values: the surface taken out, shape (m, n)."""
    return _fitted_together(problem, p, columns)[1]


def _fitted_together(problem: _Problem, p: Floats, columns: Floats) -> tuple[Floats, Floats]:
    """Cells, and what is left, for each column of values; surface and effects fitted together."""
    posterior = _posterior(problem, p)
    effects = _solution(problem, p, posterior)
    level, pull, score = posterior.fitted(columns)
    sizes = effects.sizes(columns)
    cells = level + pull + (effects.at_cells - effects.moved) @ sizes
    return cells, score - effects.score @ sizes


def _drift_shapes(
    time_s: Floats, load: Floats, own: npt.NDArray[np.bool_], *, is_many: bool
) -> Floats:
    """Return drifts and steps over time, at all loads and at high load only, shape (m, k)."""
    if own.sum() < MIN_DRIFT_HOLDS or np.ptp(time_s[own]) <= 0:
        return np.zeros((len(own), 0))
    middle, length, order = time_s[own].mean(), np.ptp(time_s[own]), np.sort(time_s[own])
    at = (
        np.quantile(order, STEP_QUANTILES)
        if is_many
        else order[MIN_SIDE_HOLDS - 1 : -MIN_SIDE_HOLDS]
    )
    over_time = np.column_stack([(time_s - middle) / length, time_s[:, None] > at])
    high = own & (load > np.quantile(load[own], HIGH_LOAD_QUANTILE))
    return np.concatenate([over_time * own[:, None], over_time * high[:, None]], axis=1)


def _left_out(problem: _Problem, p: Floats, state: _State) -> tuple[Floats, Floats]:
    """Leave-one-out residuals and their standard deviations at full weight."""
    noise = problem.noise(p)
    # a hold that alone determines its place has no residual: its standard deviation is set huge
    diagonal = np.maximum(state.leverage, 1e-9 / noise)
    inflated = noise * (1.0 / problem.robust_weight - 1.0)
    variance = np.maximum(1.0 / diagonal - inflated, noise)
    return state.score / diagonal, np.sqrt(variance)


def _robust_weight(problem: _Problem, p: Floats, state: _State) -> Floats:
    residual, se = _left_out(problem, p, state)
    standardised = np.abs(residual) / se
    return np.asarray(np.minimum(1.0, (OUTLIER_SD / np.maximum(standardised, 1e-12)) ** 2))


def _finish(problem: _Problem, best: Floats, state: _State) -> LatticeFit:
    residual, _ = _left_out(problem, best, state)
    flat = _search(problem, best, _evaluate_flat)
    flat_state = _evaluate_flat(problem, flat)
    flat_residual, _ = _left_out(problem, flat, flat_state)
    robust_weight = problem.robust_weight
    flat_loss = float(np.sum(robust_weight * flat_residual**2))
    skill = 1.0 - float(np.sum(robust_weight * residual**2)) / flat_loss if flat_loss > 0 else 0.0
    gain = flat_state.misfit - state.misfit
    is_surface = gain >= MIN_LIKELIHOOD_GAIN and skill >= MIN_SKILL
    covariance = _covariance(problem, best) + _strength_covariance(problem, best)
    return _fit_at(problem, best, state, covariance, is_surface=is_surface, skill=skill)


def _fit_at(
    problem: _Problem,
    best: Floats,
    state: _State,
    covariance: Floats,
    *,
    is_surface: bool,
    skill: float,
) -> LatticeFit:
    residual, se = _left_out(problem, best, state)
    noise = problem.noise(best) / problem.robust_weight
    effective_parameters = len(problem.y) - float(np.sum(state.leverage * noise))
    size = np.exp(best)
    return LatticeFit(
        theta=state.theta,
        covariance=covariance,
        degrees_of_freedom=_degrees_of_freedom(problem, best, covariance, effective_parameters),
        curvature_rpm=float(size[0]),
        curvature_load=float(size[1]),
        slope=float(size[2]),
        hold_scatter=float(size[3]),
        log_scatter=float(size[4]),
        weight=problem.robust_weight,
        left_out_residual=residual,
        left_out_se=se,
        effective_parameters=effective_parameters,
        is_surface=is_surface,
        skill=skill,
        speed_step=float(size[5]),
        transients=state.transients,
        transient_covariance=state.transient_covariance,
    )


def _degrees_of_freedom(
    problem: _Problem, p: Floats, covariance: Floats, effective_parameters: float
) -> float:
    """Degrees of freedom of the intervals.

    The variance from the holds has as many as holds are left over by the surface; the share from
    the logs' offsets has only those of the logs. Both are combined by Satterthwaite's rule
    (Biometrics Bulletin 2(6), 1946, 110-114).
    """
    of_holds = max(float(problem.robust_weight.sum()) - effective_parameters, 1.0) + PRIOR_HOLDS
    if problem.n_logs < 2:
        return of_holds
    counts = np.bincount(problem.log_index, weights=problem.robust_weight)
    total = float(np.median(np.diag(covariance)))
    shared = float(np.exp(2.0 * p[4]) * np.sum(counts**2) / np.sum(counts) ** 2)
    shared = min(shared, total)
    of_logs = problem.n_logs - 1 + PRIOR_LOGS
    return total**2 / (shared**2 / of_logs + (total - shared) ** 2 / of_holds)


def _strength_covariance(problem: _Problem, best: Floats) -> Floats:
    """Share of the covariance that comes from not knowing the strengths: J V J'."""
    step = 0.05
    gradients, thetas = [], []
    for index in range(len(best)):
        ends = []
        for sign in (1.0, -1.0):
            moved = best.copy()
            moved[index] += sign * step
            ends.append(_evaluate(problem, moved))
        gradients.append((ends[0].gradient - ends[1].gradient) / (2.0 * step))
        thetas.append((ends[0].theta - ends[1].theta) / (2.0 * step))
    hessian = np.array(gradients)
    values, vectors = np.linalg.eigh((hessian + hessian.T) / 4.0)
    # the prior alone contributes 1/spread^2 to each curvature; less than half of that is noise
    values = np.maximum(values, 0.5 / PRIOR_SPREAD.max() ** 2)
    jacobian = np.array(thetas).T @ vectors
    return np.asarray((jacobian / values) @ jacobian.T)
