"""What to hold next: the holds that reduce the remaining uncertainty most for the time.

Points are chosen one by one where a hold removes most of the weighted variance, per second where
time is short, and then exchanged while that helps. Chosen points never lie beyond the load and
speed driven in the logs, near the rev limit, where there is no target, or where a ceiling was
exceeded.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.channels import load_offset
from tuneassist.errors import InputError, NoEvidenceError
from tuneassist.evidence.cell_table import holds_near
from tuneassist.evidence.visits import nearest_cell
from tuneassist.grid import Axes, Floats, bilinear_weights
from tuneassist.loop.hold_order import band_of, ordered_holds
from tuneassist.loop.hold_selection import (
    after_holds,
    choose_one_by_one,
    drop_least_useful,
    improve_by_exchange,
)
from tuneassist.loop.operating_points import operating_point_table
from tuneassist.loop.plan_notes import plan_notes
from tuneassist.loop.settings import PlanSettings
from tuneassist.loop.sweeps import (
    Sweep,
    choose_sweeps,
    no_sweeps,
    sweep_sentences,
    sweep_table,
)
from tuneassist.loop.uncertainty import MapUncertainty, map_uncertainty
from tuneassist.pipeline import Evidence
from tuneassist.settings import Setup
from tuneassist.threads import on_one_thread
from tuneassist.units import ATMOSPHERE_KPA

HOLD_COLUMNS = (
    "number", "start_s", "rpm", "load", "hold_s", "rest_s", "move_s", "band", "doubt_pct", "why",
    "holds_near", "doubt_after_pct",
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Plan:
    """Holds in the order in which they are to be driven.

    Parameters
    ----------
    holds
        One row per hold: `HOLD_COLUMNS`. ``rest_s`` is waited before it, ``start_s`` is when the
        hold begins, ``doubt_pct`` is half of the 95 % interval there today and ``doubt_after_pct``
        after the plan. ``holds_near`` counts the holds near it so far, as
        `tuneassist.evidence.cell_table.holds_near` does. [rpm], [load unit], [s], [%], [1]
    places
        The operating points considered: ``rpm, load, weight, is_allowed, doubt_before_pct,
        doubt_after_pct``, halves of 95 % intervals. [%]
    doubt_before_pct, doubt_after_pct
        Root of the weighted mean square of the standard error, today and expected after. [%]
    total_s
        Time that all of it takes on a warm engine. [s]
    is_spread
        True where there is no usable fit yet and holds are spread evenly.
    notes
        Sentences that the operator should read.
    sweeps
        Sweeps of speed that come ahead of the holds (`tuneassist.loop.sweeps.SWEEP_COLUMNS`);
        empty where holds teach more in the same time.
    """

    holds: pd.DataFrame
    places: pd.DataFrame
    doubt_before_pct: float
    doubt_after_pct: float
    total_s: float
    is_spread: bool
    notes: tuple[str, ...] = ()
    sweeps: pd.DataFrame = field(default_factory=no_sweeps)

    def to_frame(self) -> pd.DataFrame:
        """Return sweeps and holds in order: `HOLD_COLUMNS`, then ``kind, rpm_to``.

        A sweep has its time as ``hold_s``, and the number 0 as it comes ahead of the holds.
        """
        holds = self.holds.assign(kind="hold", rpm_to=self.holds["rpm"])
        if self.sweeps.empty:
            return holds
        spent = self.sweeps["sweep_s"] + self.sweeps["move_s"]
        sweeps = self.sweeps.rename(columns={"sweep_s": "hold_s"}).assign(
            number=0, start_s=spent.cumsum() - self.sweeps["sweep_s"], rest_s=0.0, band="",
            doubt_pct=np.nan, why="sweep there and back", kind="sweep", holds_near=0,
            doubt_after_pct=np.nan,
        )  # fmt: skip
        return pd.concat([sweeps[list(holds)], holds], ignore_index=True)


@on_one_thread
def plan_holds(
    evidence: Evidence | None,
    *,
    setup: Setup,
    minutes: float,
    settings: PlanSettings | None = None,
    visits: npt.ArrayLike | None = None,
) -> Plan:
    """Choose what to hold next and put it in order.

    Parameters
    ----------
    evidence
        What is known so far; None where nothing has been logged, which takes ``visits``.
    setup
        Axes, target, rev limit and ceilings.
    minutes
        Time available, on a warm engine. [min]
    settings
        Weights and prices of time; None takes the defaults.
    visits
        Samples nearest to each breakpoint, moves included, such as ``samples_seen`` of
        `tuneassist.evidence.coverage.coverage_table`; None takes what the evidence records. [1]

    Returns
    -------
    Plan
        At most ``minutes`` long.

    Raises
    ------
    NoEvidenceError
        When no place is known to be within reach, or holds are allowed at none.
    InputError
        When the time is too short for a single hold.
    """
    rules = settings or PlanSettings()
    if not 0 < minutes < float("inf"):
        raise InputError(f"minutes is {minutes!r}.", mend="It must be greater than 0.")
    evidence = evidence or _nothing_known()
    places = operating_point_table(evidence, setup=setup, settings=rules, visits=visits)
    _require_places(places)
    kind = setup.target.kind
    uncertainty = map_uncertainty(evidence, places, axes=setup.axes, kind=kind, settings=rules)
    planner = _Planner(places, setup.axes, rules, 60.0 * minutes)
    sweeps = choose_sweeps(
        uncertainty,
        places,
        evidence,
        setup=setup,
        settings=rules,
        price=planner.price(),
        time_s=planner.time_s,
    )
    swept, rest = _after_sweeps(sweeps, uncertainty, planner)
    chosen, holds = rest.choose(swept)
    if not chosen:
        sweeps, swept = [], uncertainty
        chosen, holds = planner.choose(uncertainty)
    if not chosen:
        raise _no_hold(minutes, planner, uncertainty)
    made = _finished_plan(planner, uncertainty, holds, evidence, swept=swept)
    made = _behind_sweeps(made, sweep_table(sweeps, rules))
    notes = plan_notes(made, evidence, setup=setup, settings=rules, time_s=planner.time_s)
    first = sweep_sentences(made.sweeps, load_unit=setup.axes.load_unit)
    return replace(made, notes=(*first, *notes))


def _after_sweeps(
    sweeps: list[Sweep], uncertainty: MapUncertainty, planner: _Planner
) -> tuple[MapUncertainty, _Planner]:
    """Return what is left of uncertainty and time for holds."""
    spent_s = sum(one.seconds + planner.settings.move_s for one in sweeps)
    for one in sweeps:
        uncertainty = one.after(uncertainty)
    return uncertainty, replace(planner, time_s=planner.time_s - spent_s)


def _behind_sweeps(plan: Plan, sweeps: pd.DataFrame) -> Plan:
    """Let the holds of a plan begin when its sweeps are done."""
    spent_s = float((sweeps["sweep_s"] + sweeps["move_s"]).sum())
    holds = plan.holds.assign(start_s=plan.holds["start_s"] + spent_s)
    return replace(plan, holds=holds, sweeps=sweeps, total_s=plan.total_s + spent_s)


def _no_hold(
    minutes: float, planner: _Planner, uncertainty: MapUncertainty
) -> InputError | NoEvidenceError:
    """Return the error where no hold was chosen: none is worth its time, or none fits."""
    rules = planner.settings
    if planner.is_any_worthwhile(uncertainty):
        need = rules.move_s + rules.hold_s
        return InputError(
            f"{minutes:g} minutes is too short: one hold takes {need:.0f} s.",
            mend="Give more time.",
        )
    return NoEvidenceError(
        "No further holds needed: none within reach would remove more than "
        f"{100.0 * rules.min_gain_share:g} % of the uncertainty (min_gain_share under [plan])."
    )


def _nothing_known() -> Evidence:
    holds = pd.DataFrame(columns=["rpm", "load", "samples", "within_se"], dtype=float)
    return Evidence(pd.DataFrame(), holds.assign(is_used=False), None, ())


def _require_places(places: pd.DataFrame) -> None:
    if places.empty:
        raise NoEvidenceError(
            "No place with a target is known to be within the engine's reach. Log a warm drive "
            "that sweeps speed and load slowly, then plan again."
        )
    if not places["is_allowed"].any():
        raise NoEvidenceError(
            "No hold is possible: every place within reach is near the rev limit or where a "
            "ceiling was exceeded."
        )
    if not places.loc[places["is_allowed"], "weight"].gt(0).any():
        raise NoEvidenceError(
            "No hold is worth its time: every place within reach has weight 0 in plan.region."
        )


@dataclass(frozen=True, eq=False)
class _Planner:
    """Places, costs and the time available."""

    places: pd.DataFrame
    axes: Axes
    settings: PlanSettings
    time_s: float

    @property
    def is_allowed(self) -> npt.NDArray[np.bool_]:
        return np.asarray(self.places["is_allowed"].to_numpy(dtype=bool))

    @property
    def highest_load(self) -> float:
        return float(self.places["load"].max())

    def price(self) -> Floats:
        """Typical time that a hold at each place takes, its share of the rests included. [s]"""
        rules = self.settings
        move = rules.move_s + 0.5 * rules.move_s_per_1000_rpm + rules.move_s_per_load_step
        load = self.places["load"].to_numpy(dtype=float)
        offset = load_offset(self.axes, ATMOSPHERE_KPA)
        heavy = band_of(load, self.highest_load, rules, offset=offset) == 2
        wait = max(rules.rest_s - rules.hold_s - 2.0 * move, 0.0)
        return np.asarray(rules.hold_s + move + wait * heavy)

    def ordered(self, chosen: list[int]) -> pd.DataFrame:
        if not chosen:  # no hold is worth its time
            return self.ordered([0]).iloc[:0]
        rows = self.places.iloc[chosen]
        holds = ordered_holds(
            rows["rpm"].to_numpy(dtype=float),
            rows["load"].to_numpy(dtype=float),
            axes=self.axes,
            highest_load=self.highest_load,
            settings=self.settings,
        )
        point = holds["point"].to_numpy(
            dtype=np.int64
        )  # without holds the column has no integer type
        holds["point"] = np.array(chosen, dtype=np.int64)[point]
        return holds

    def choose(self, uncertainty: MapUncertainty) -> tuple[list[int], pd.DataFrame]:
        """Choose as many holds as there is time for; by uncertainty alone if all fit."""
        free = self._best(uncertainty, None)
        holds = self.ordered(free)
        if _length_s(holds) <= self.time_s:
            return free, holds
        chosen = self._best(uncertainty, self.price())
        while chosen and not self._fits(chosen):
            chosen = drop_least_useful(uncertainty, chosen)
        return chosen, self.ordered(chosen) if chosen else holds.iloc[:0]

    def is_any_worthwhile(self, uncertainty: MapUncertainty) -> bool:
        """Return whether any hold is worth its time, however long that is."""
        return bool(
            choose_one_by_one(
                uncertainty,
                self.is_allowed,
                price=None,
                settings=replace(self.settings, max_holds=1),
            )
        )

    def _best(self, uncertainty: MapUncertainty, price: Floats | None) -> list[int]:
        """The best places; with a price, as many as there is time for."""
        ranked = choose_one_by_one(
            uncertainty, self.is_allowed, price=price, settings=self.settings
        )
        if price is not None:
            ranked = ranked[: _last_true(lambda k: self._fits(ranked[:k]), len(ranked))]
        return improve_by_exchange(uncertainty, ranked, self.is_allowed, price=price)

    def _fits(self, chosen: list[int]) -> bool:
        return not chosen or _length_s(self.ordered(chosen)) <= self.time_s


def _length_s(holds: pd.DataFrame) -> float:
    return float((holds["rest_s"] + holds["move_s"] + holds["hold_s"]).sum())


def _last_true(is_right: Callable[[int], bool], most: int) -> int:
    """Largest count that fits, by bisection; assumes that a larger count never fits again."""
    low, high = 0, most
    while low < high:
        middle = (low + high + 1) // 2
        low, high = (middle, high) if is_right(middle) else (low, middle - 1)
    return low


def _finished_plan(
    planner: _Planner,
    uncertainty: MapUncertainty,
    holds: pd.DataFrame,
    evidence: Evidence,
    *,
    swept: MapUncertainty,
) -> Plan:
    """Describe the holds, with the uncertainty today and after sweeps and holds."""
    points = holds["point"].to_numpy(dtype=np.int64)
    after = after_holds(swept, points.tolist())
    before_pct, after_pct = (195.996 * one.standard_error for one in (uncertainty, after))
    places = planner.places.assign(doubt_before_pct=before_pct, doubt_after_pct=after_pct)
    near = _holds_near(planner, evidence, points)
    holds = holds.assign(
        number=np.arange(1, len(holds) + 1),
        doubt_pct=before_pct[points],
        doubt_after_pct=after_pct[points],
        holds_near=near,
        why=_why(near, before_pct[points], after_pct[points]),
    )
    return Plan(
        holds=holds[list(HOLD_COLUMNS)],
        places=places,
        doubt_before_pct=100.0 * float(np.sqrt(uncertainty.total)),
        doubt_after_pct=100.0 * float(np.sqrt(after.total)),
        total_s=_length_s(holds),
        is_spread=uncertainty.is_assumed,
    )


def _why(near: npt.NDArray[np.int64], before_pct: Floats, after_pct: Floats) -> list[str]:
    """Describe for each hold the uncertainty there now and after the plan."""
    words = []
    for count, before, after in zip(near, before_pct, after_pct, strict=True):
        what = "no hold near yet" if count == 0 else f"{count} hold{'s' if count > 1 else ''} near"
        words.append(f"{what}; known to ±{before:.1f} %, then ±{after:.1f} %")
    return words


def _holds_near(
    planner: _Planner, evidence: Evidence, points: npt.NDArray[np.int64]
) -> npt.NDArray[np.int64]:
    """Count the holds near each place, as the confidence of the cell nearest to it counts them."""
    held, rows = evidence.holds, planner.places.iloc[points]
    if "stop" in held:
        held = held[held["stop"].eq("")]  # a sensor at its stop gives no value
    near = holds_near(bilinear_weights(planner.axes, held["rpm"], held["load"]), planner.axes)
    rpm, load = (rows[name].to_numpy(dtype=float) for name in ("rpm", "load"))
    return np.asarray(near[nearest_cell(planner.axes, rpm, load)]).astype(np.int64)
