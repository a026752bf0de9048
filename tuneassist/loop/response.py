"""The engine's response to the last change: measured against predicted change of need.

The rounds so far predict what every new hold should need if the grid stated to be in force acts
one to one. The measured change is regressed on the expected one,

    measured change = response x expected change + offset,

by generalised least squares: prediction errors are shared between holds through the fit, and each
hold has its own scatter. A response of 1 is as expected. Near 0 the grid was not loaded, another
table was changed, or a closed loop undoes it; negative, its sign is wrong. An offset is a need that
changed everywhere, as with other fuel or another injector. Where neither explains the new holds,
the log is of another engine or the engine has changed. Reference: Aitken, Proc. Royal Soc.
Edinburgh 55, 1935, 42-48 (from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import linalg, special

from tuneassist.evidence.holds import SHARED_ERRORS
from tuneassist.evidence.need import correction_need_ln, from_surface_scale, scatter_scale
from tuneassist.evidence.visits import nearest_cell
from tuneassist.grid import Axes, Floats, Grid, bilinear_weights
from tuneassist.pipeline import Evidence, LogEvidence
from tuneassist.settings import Setup
from tuneassist.threads import on_one_thread

NO_REGIONS = pd.DataFrame(
    {name: pd.Series(dtype=float) for name in ("change_pct", "response", "low", "high")}
)
NO_REGIONS.insert(0, "holds", pd.Series(dtype=int))
NO_REGIONS.insert(0, "region", pd.Series(dtype=str))

VERDICTS = (
    "first round",
    "cannot tell",
    "as expected",
    "no answer",
    "wrong way",
    "weak answer",
    "strong answer",
    "need changed everywhere",
    "not the same engine",
)


@dataclass(frozen=True)
class ResponseSettings:
    """Thresholds of the verdicts on the engine's response.

    Parameters
    ----------
    min_holds
        Fewest new holds from which a response is estimated. [1]
    min_change_pct
        No response is estimated from a change smaller than this (rms over the new holds): hold
        scatter hides it. [%]
    no_answer_below, wrong_way_below
        The interval's upper end below the first: the change did not reach the engine, or only
        in part. Below the second: it acts the wrong way. [1]
    weak_below
        An interval wholly below this is a weak answer, such as a closed loop that undoes part.
        [1]
    strong_above
        An interval wholly above this is too strong an answer. On simulated engines without a
        fault the measured response stays within 0.85 to 1.2. [1]
    offset_pct
        A need that changed everywhere by more than this, significantly, stops the loop. Fuels of
        one kind differ by 1 to 3 % in stoichiometry (winter, summer, ethanol share up to 10 %:
        14.6 against 14.0). [%]
    misfit_chance, misfit_ratio
        New holds are not of the same engine when the misfit about the best explanation has a
        smaller probability than the first (an F test against the scatter that the earlier rounds
        state and their prediction error), and is more than the second times what they state: with
        thousands of holds the slightest misfit is significant. [1], [1]
    day_offset_pct
        Standard deviation by which the need of a whole log differs from day to day (weather, fuel,
        warmth), beside what the logs themselves differed by. [%]
    region_min_change_pct
        Change that a part of the map needs before its own response is estimated. [%]
    """

    min_holds: int = 5
    min_change_pct: float = 0.8
    no_answer_below: float = 0.5
    wrong_way_below: float = 0.0
    weak_below: float = 0.75
    strong_above: float = 1.35
    offset_pct: float = 3.0
    misfit_chance: float = 1e-4
    misfit_ratio: float = 1.7
    day_offset_pct: float = 1.0
    region_min_change_pct: float = 1.5


@dataclass(frozen=True, eq=False)
class Response:
    """The engine's response to the last change.

    Parameters
    ----------
    verdict
        One of `VERDICTS`.
    why
        A sentence, with what to check where the loop must stop.
    response, response_low, response_high
        Measured over expected change with its 95 % interval; nan where it cannot be estimated. [1]
    offset_pct, offset_low_pct, offset_high_pct
        Change of need everywhere. [%]
    misfit_pct
        Robust scatter of the new holds about the best explanation. [%]
    holds
        New holds that took part. [1]
    regions
        One row per part of the map: ``region, holds, change_pct, response, low, high``.
    """

    verdict: str
    why: str
    response: float = float("nan")
    response_low: float = float("nan")
    response_high: float = float("nan")
    offset_pct: float = float("nan")
    offset_low_pct: float = float("nan")
    offset_high_pct: float = float("nan")
    misfit_pct: float = float("nan")
    holds: int = 0
    regions: pd.DataFrame = field(default_factory=pd.DataFrame)

    @property
    def is_halt(self) -> bool:
        """Whether the loop must stop until the tuner has found the cause."""
        return self.verdict not in ("first round", "cannot tell", "as expected")


HALT_WORDS = {
    "no answer": (
        "the engine did not answer the last change (response {r}): the grid was not loaded, "
        "another table was changed, or a closed loop is undoing it. Read the table back from the "
        "controller, and log the fuel trims"
    ),
    "wrong way": (
        "the engine answered the wrong way (response {r}): the sign of the correction is "
        "reversed. Put the earlier grid back before any load is held, and check what the "
        "controller does with a positive value"
    ),
    "weak answer": (
        "the engine answered only part of the last change (response {r}): a closed loop may be "
        "undoing it, a second table may share the work, or part of the grid was not loaded"
    ),
    "strong answer": (
        "the engine answered more than the whole of the last change (response {r}): it was added "
        "to what was there instead of replacing it, acts in two tables, or the log is of another "
        "car. Read the table back from the controller"
    ),
    "need changed everywhere": (
        "the engine needs {o} fuel everywhere than in the earlier rounds: other fuel, fuel "
        "pressure, an injector or the sensor changed"
    ),
    "not the same engine": (
        "the new holds scatter by {m:.1f} % about the best fit to the earlier rounds: a log of "
        "another car, another table, or a fault. Check the logs of this round"
    ),
}


@dataclass(frozen=True, eq=False)
class _Comparison:
    """New holds against what the earlier rounds predict.

    The covariance of the holds is ``diag(own) + shared @ shared.T``; as a table it would grow with
    the square of the holds, of which a long log has tens of thousands.
    """

    expected: Floats  # change of the measured need that the new grid should make [ln]
    measured: Floats  # [ln]
    own: Floats  # variance of each hold by itself [ln^2]
    shared: Floats  # shape (holds, cells) [ln]
    rpm: Floats
    load: Floats
    log: npt.NDArray[np.int64] | None = None  # number of each hold's log; None: all of one
    freedom: float = np.inf  # degrees of freedom behind the stated scatter [1]

    @property
    def sd(self) -> Floats:
        """Standard deviation of each hold. [ln]"""
        return np.asarray(np.sqrt(self.own + np.sum(self.shared**2, axis=1)))

    def solver(self) -> Callable[[Floats], Floats]:
        """Return a solver for the covariance, by the Woodbury identity."""
        scaled = self.shared / self.own[:, None]
        inner = np.eye(self.shared.shape[1]) + self.shared.T @ scaled
        factor = linalg.cho_factor(inner, lower=True)

        def solved(x: Floats) -> Floats:
            plain = (x.T / self.own).T
            return np.asarray(plain - scaled @ linalg.cho_solve(factor, self.shared.T @ plain))

        return solved

    def part(self, inside: npt.NDArray[np.bool_]) -> _Comparison:
        """Return some of the holds."""
        return _Comparison(
            self.expected[inside],
            self.measured[inside],
            self.own[inside],
            self.shared[inside],
            self.rpm[inside],
            self.load[inside],
            None if self.log is None else self.log[inside],
            self.freedom,
        )

    def with_days(self, day_ln: float) -> _Comparison:
        """Add an offset per log with this standard deviation. [ln]"""
        if self.log is None:
            return self
        _, code = np.unique(self.log, return_inverse=True)
        return replace(self, shared=np.hstack([self.shared, day_ln * np.eye(code.max() + 1)[code]]))


def moving_readings(logs: Sequence[LogEvidence], axes: Axes) -> pd.DataFrame:
    """Return the samples between the holds as one reading for each log and cell passed.

    They judge the answer of a round with too few holds: sweeps, or a drive on the road. Moves up
    and down through a cell take most of the transients out of each other.

    Parameters
    ----------
    logs
        The logs of the round.
    axes
        Breakpoints.
    """
    found = [pd.DataFrame({name: pd.Series(dtype=float) for name in READING_COLUMNS})]
    for log in logs:
        if log.blocks is None or log.blocks.empty:
            continue
        rpm, load = (log.blocks[name].to_numpy(dtype=float) for name in ("rpm", "load"))
        cells = log.blocks[list(READING_COLUMNS)].groupby(nearest_cell(axes, rpm, load))
        mean = cells.mean()[cells.size() >= MOVING_BLOCKS]
        found.append(mean.assign(within_se=MOVING_SE, stop="", log=log.name))
    return pd.concat([one for one in found if len(one)] or found, ignore_index=True)


#: Columns of a block that make a reading.
READING_COLUMNS = ("rpm", "load", "need_ln", "samples")
#: Fewest blocks of moving samples in a cell that make a reading of it, and its standard error: what
#: transients leave in their mean, on simulated engines 1 to 2 %. [1], [ln]
MOVING_BLOCKS, MOVING_SE = 2, 0.02


@on_one_thread
def measure_response(
    earlier: Evidence,
    new_holds: pd.DataFrame,
    *,
    before: Grid,
    now: Grid,
    setup: Setup,
    settings: ResponseSettings | None = None,
) -> Response:
    """Compare new holds with what earlier rounds predict.

    Parameters
    ----------
    earlier
        Pooled evidence of the rounds before.
    new_holds
        Holds of the new round with ``rpm, load, need_ln, within_se, stop``.
    before, now
        The grid in force in the round before, and the one stated for the new round.
    setup
        Axes, target kind and what the grid acts on.
    settings
        Thresholds; None takes the defaults.

    Returns
    -------
    Response
        With a verdict, its words, and the numbers behind them.
    """
    rules = settings or ResponseSettings()
    pair = _compare(earlier, new_holds, before=before, now=now, setup=setup)
    if pair is None or len(pair.measured) < rules.min_holds:
        count = 0 if pair is None else len(pair.measured)
        return Response(
            "cannot tell",
            f"only {count} of the new holds lie where the earlier rounds have evidence, "
            f"{rules.min_holds} needed: repeat a few holds of earlier rounds",
            holds=count,
        )
    return _response_from(pair, rules)


def _compare(
    earlier: Evidence, new_holds: pd.DataFrame, *, before: Grid, now: Grid, setup: Setup
) -> _Comparison | None:
    fit = earlier.fit
    holds = new_holds[new_holds["stop"].eq("")]
    if fit is None or holds.empty:
        return None
    weights = bilinear_weights(setup.axes, holds["rpm"], holds["load"])
    is_known = earlier.cells["confidence"].ne("none").to_numpy()
    reached = np.asarray(weights @ is_known.astype(float)) > 0.95
    if not reached.any():
        return None
    weights, holds = weights[reached], holds[reached]
    acts_on, kind = setup.correction.acts_on, setup.target.kind
    met_before, met_now = (
        correction_need_ln(weights @ np.nan_to_num(grid.flat()), acts_on) for grid in (before, now)
    )
    total = from_surface_scale(weights @ fit.theta, kind)
    to_ln = 1.0 / scatter_scale(total, kind)
    own = fit.hold_scatter**2 + holds["within_se"].to_numpy(dtype=float) ** 2
    size, way = np.linalg.eigh(fit.covariance)
    root = way * np.sqrt(np.maximum(size, 0.0))
    shared = [to_ln[:, None] * np.asarray(weights @ root)]
    tails = [name for name in SHARED_ERRORS if name in holds]
    shared += [np.nan_to_num(holds[tails].to_numpy(dtype=float))] if tails else []
    return _Comparison(
        expected=met_before - met_now,
        measured=holds["need_ln"].to_numpy(dtype=float) - (total - met_before),
        own=own,
        shared=np.hstack(shared),
        rpm=holds["rpm"].to_numpy(dtype=float),
        load=holds["load"].to_numpy(dtype=float),
        log=pd.factorize(holds["log"])[0].astype(np.int64) if "log" in holds else None,
        freedom=fit.degrees_of_freedom,
    )


@dataclass(frozen=True, eq=False)
class _Line:
    """A fitted explanation: coefficients, standard errors, residuals and their scatter."""

    value: Floats
    error: Floats
    residual: Floats
    misfit: float
    quantile: float


def _fit_line(pair: _Comparison, columns: list[Floats], offset: Floats | None = None) -> _Line:
    """Generalised least squares, outliers clipped at three of their standard deviations."""
    y = pair.measured if offset is None else pair.measured - offset
    sd, solved = pair.sd, pair.solver()
    x = np.stack(columns, axis=1) if columns else np.zeros((len(y), 0))
    value: Floats = np.zeros(x.shape[1])
    error: Floats = np.zeros(x.shape[1])
    limited = y
    for _ in range(4 if columns else 0):
        information = x.T @ solved(x)
        value = np.asarray(np.linalg.solve(information, x.T @ solved(limited)), dtype=float)
        gap = y - x @ value
        limited = x @ value + np.clip(gap, -3.0 * sd, 3.0 * sd)
        error = np.sqrt(np.diag(np.linalg.inv(information)))
    residual = y - x @ value
    misfit = 1.4826 * float(np.median(np.abs(residual - np.median(residual))))
    usual = float(np.median(sd))
    inflate = max(1.0, misfit / usual)
    freedom = max(len(y) - x.shape[1], 1)
    return _Line(value, error * inflate, residual, misfit, float(special.stdtrit(freedom, 0.975)))


def _loss(line: _Line, pair: _Comparison) -> float:
    """Robust sum of squared residuals in standard deviations (Huber's, bend at 3)."""
    deviations = np.abs(line.residual) / pair.sd
    return float(np.sum(np.where(deviations <= 3.0, deviations**2, 6.0 * deviations - 9.0)))


@dataclass(frozen=True, eq=False)
class _Lines:
    """The explanations that were tried."""

    pair: _Comparison  # less the drift, where there is one
    change_pct: float
    shifted: _Line  # the change as expected, and an offset
    scaled: _Line | None  # a share of the change; beside an offset where that is decisively better
    both: _Line
    is_shift_better: bool


def _explain(pair: _Comparison, rules: ResponseSettings) -> _Lines:
    ones = np.ones_like(pair.measured)
    size = np.abs(pair.expected)
    change_pct = 100.0 * float(np.sqrt(np.mean(size**2)))
    shifted = _fit_line(pair, [ones], offset=pair.expected)
    if change_pct < rules.min_change_pct:
        return _Lines(pair, change_pct, shifted, None, shifted, is_shift_better=True)
    scaled = _fit_line(pair, [pair.expected])
    is_uneven = np.ptp(pair.expected) > UNEVEN * size.max()
    both = _fit_line(pair, [pair.expected, ones]) if is_uneven else scaled
    is_better = _loss(shifted, pair) < _loss(scaled, pair)
    if is_uneven and _loss(scaled, pair) - _loss(shifted, pair) > DECISIVE:
        # a drift must not count as a weak answer: take the response fitted beside it
        pair, scaled = replace(pair, measured=pair.measured - both.value[1]), both
    return _Lines(pair, change_pct, shifted, scaled, both, is_shift_better=is_better)


def _response_from(pair: _Comparison, rules: ResponseSettings) -> Response:
    lines = _explain(pair, rules)
    shifted = lines.shifted
    numbers = _numbers(lines, rules)
    if _is_another_engine(pair, rules):
        return _worded("not the same engine", numbers)
    offset, half_width = shifted.value[0], shifted.quantile * shifted.error[0]
    is_shifted = abs(100.0 * offset) > rules.offset_pct and abs(offset) > 2.0 * half_width
    as_expected = _loss(_fit_line(pair, [], offset=pair.expected), pair)
    is_sure = lines.scaled is None or as_expected - _loss(shifted, pair) > DECISIVE
    if is_shifted and lines.is_shift_better and is_sure:
        return _worded("need changed everywhere", numbers)
    if lines.scaled is None:
        why = f"the last change was too small to see an answer ({lines.change_pct:.1f} % rms)"
        return Response("cannot tell", why, **numbers)
    verdict = _verdict(lines.scaled, rules)
    unanswered = numbers["regions"]
    unanswered = unanswered[unanswered["high"] < rules.no_answer_below]
    if verdict == "as expected" and len(unanswered):
        where = ", ".join(unanswered["region"])
        why = (
            f"the engine did not answer the last change at {where}, though it did elsewhere: "
            "a closed loop is undoing it there, or that part of the grid was not loaded"
        )
        return Response("no answer", why, **numbers)
    return _worded(verdict, numbers)


def _is_another_engine(pair: _Comparison, rules: ResponseSettings) -> bool:
    """Return whether the best explanation leaves more misfit than scatter and chance allow.

    The best one has a response of its own in each quarter of the map, and an offset: a part of the
    grid that was not loaded is not another engine. A few outliers are left out.
    """
    pair = pair.with_days(rules.day_offset_pct / 100.0)
    quarters = [np.where(inside, pair.expected, 0.0) for inside, _ in _quarters(pair)]
    x = np.stack([*quarters, np.ones_like(pair.expected)], axis=1)
    gap, _, _ = _misfit(pair, x)
    limit = max(WILD_DEVIATIONS, float(np.quantile(np.abs(gap), 1.0 - WILD_SHARE)))
    kept = np.abs(gap) <= limit
    _, square, spare = _misfit(pair.part(kept), x[kept])
    ratio = square / spare
    chance = float(special.fdtrc(spare, pair.freedom, ratio))
    return chance < rules.misfit_chance and ratio > rules.misfit_ratio**2


def _misfit(pair: _Comparison, x: Floats) -> tuple[Floats, float, int]:
    """Gaps from the best fit in own deviations, their generalised square, and its freedom."""
    solved, y = pair.solver(), pair.measured
    value, _, rank, _ = np.linalg.lstsq(x.T @ solved(x), x.T @ solved(y), rcond=1e-9)
    gap = y - x @ value
    own = np.sqrt(pair.own)
    return gap / own, float(gap @ solved(gap)), max(len(y) - int(rank), 1)


#: Holds farther off than so many of their own standard deviations are left out as outliers, but no
#: more than this share of them. [1], [1]
WILD_DEVIATIONS, WILD_SHARE = 4.0, 0.1
#: A change that varies by less than this share of its size looks like an offset. [1]
UNEVEN = 0.2
#: Fall of the robust loss by which one explanation beats another (the 99.9 % point of chi-squared
#: with one degree of freedom).
DECISIVE = 10.8


def _verdict(scaled: _Line, rules: ResponseSettings) -> str:
    value, half_width = scaled.value[0], scaled.quantile * scaled.error[0]
    if value + half_width < rules.wrong_way_below:
        return "wrong way"
    if value + half_width < rules.no_answer_below:
        return "no answer"
    if value + half_width < rules.weak_below:
        return "weak answer"
    if value - half_width > rules.strong_above:
        return "strong answer"
    if value < rules.no_answer_below:
        return "cannot tell"
    return "as expected"


def _numbers(lines: _Lines, rules: ResponseSettings) -> dict[str, Any]:
    shifted, scaled = lines.shifted, lines.scaled
    half_width = shifted.quantile * shifted.error[0]
    numbers: dict[str, Any] = {
        "offset_pct": 100.0 * float(np.expm1(shifted.value[0])),
        "offset_low_pct": 100.0 * float(np.expm1(shifted.value[0] - half_width)),
        "offset_high_pct": 100.0 * float(np.expm1(shifted.value[0] + half_width)),
        "misfit_pct": 100.0 * lines.both.misfit,
        "holds": len(lines.pair.measured),
        "regions": NO_REGIONS,
    }
    if scaled is None:
        return numbers
    half = scaled.quantile * scaled.error[0]
    return numbers | {
        "regions": _regions(lines.pair, rules),
        "response": float(scaled.value[0]),
        "response_low": float(scaled.value[0] - half),
        "response_high": float(scaled.value[0] + half),
    }


def _quarters(pair: _Comparison) -> list[tuple[npt.NDArray[np.bool_], str]]:
    """Holds of each quarter of the map, and its name."""
    is_fast = pair.rpm > np.median(pair.rpm)
    is_heavy = pair.load > np.median(pair.load)
    return [
        (
            (is_fast == fast) & (is_heavy == heavy),
            f"{'high' if fast else 'low'} speed and {'high' if heavy else 'low'} load",
        )
        for fast in (False, True)
        for heavy in (False, True)
    ]


def _regions(pair: _Comparison, rules: ResponseSettings) -> pd.DataFrame:
    """Response by itself in the quarters of the map where the change is large enough."""
    rows = []
    for inside, words in _quarters(pair):
        if inside.sum() < rules.min_holds:
            continue
        change_pct = 100.0 * float(np.sqrt(np.mean(pair.expected[inside] ** 2)))
        if change_pct < rules.region_min_change_pct:
            continue
        part = pair.part(inside)
        line = _fit_line(part, [part.expected])
        value, half = float(line.value[0]), float(line.quantile * line.error[0])
        rows.append((words, int(inside.sum()), change_pct, value, value - half, value + half))
    return pd.DataFrame(rows, columns=list(NO_REGIONS))


def _worded(verdict: str, numbers: dict[str, Any]) -> Response:
    response = numbers.get("response", float("nan"))
    words = {
        "r": f"{response:z.2f}, {numbers.get('response_low', float('nan')):z.2f} to "
        f"{numbers.get('response_high', float('nan')):z.2f}",
        "o": f"{abs(float(numbers['offset_pct'])):.1f} % "
        + ("more" if float(numbers["offset_pct"]) > 0 else "less"),
        "m": numbers["misfit_pct"],
    }
    if verdict in HALT_WORDS:
        return Response(verdict, HALT_WORDS[verdict].format(**words), **numbers)
    if verdict == "cannot tell":
        why = f"the response is too uncertain for a verdict ({words['r']})"
        return Response(verdict, why, **numbers)
    why = f"the engine answered as expected (response {words['r']})"
    return Response(verdict, why, **numbers)
