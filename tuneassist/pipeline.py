"""The stages in order, nothing else: logs to holds, holds to cells, cells to a limited step.

The first stage, one log to its holds, stands in `tuneassist.reduction`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import sparse

from tuneassist.arguments import of_kind
from tuneassist.correction import (
    Breach,
    LessFuel,
    LimitedStep,
    UnsafeHeld,
    boost_forecast,
    ceiling_notes,
    check_grid,
    less_fuel,
    limit_step,
    propose_raw,
    setup_questions,
    unsafe_held,
)
from tuneassist.correction.cell_readings import in_boost
from tuneassist.errors import (
    GridError,
    InputError,
    LogError,
    NoEvidenceError,
    RuleBreachError,
    SetupError,
)
from tuneassist.evidence.as_logged import BAROMETER
from tuneassist.evidence.cell_table import cell_table
from tuneassist.evidence.consistency import OddLog, find_odd_log
from tuneassist.evidence.duplicate_holds import is_original
from tuneassist.evidence.lattice import MANY_HOLDS, LatticeFit
from tuneassist.evidence.map_fit import FittedBlocks, MapFit, fit_holds, fit_map
from tuneassist.evidence.moving_blocks import no_blocks
from tuneassist.evidence.need import correction_need_ln, from_surface_scale
from tuneassist.evidence.repeats import said_once, unusable_notes
from tuneassist.evidence.sensor_response import SensorResponse, with_passages
from tuneassist.evidence.step_risk import (
    StepRisk,
    joined_reasons,
    knock_notes,
    logs_with_dead_sensor,
    reasons_by_cell,
    risk_of_logs,
    risk_of_scale,
    sensor_responses,
    standing_trim_notes,
    with_standing_trims,
    with_unknown_order,
)
from tuneassist.grid import Floats, Grid, bilinear_weights
from tuneassist.one_log import FATES, NO_LAMBDA, LogEvidence, has_order, is_by_hand
from tuneassist.proposal_repr import proposal_outline
from tuneassist.reading import Log
from tuneassist.reduction import reduce_log, reduce_parts
from tuneassist.settings import READ_SETUP, Setup
from tuneassist.threads import on_one_thread
from tuneassist.views import html_of

__all__ = [
    "BOOST_COLUMNS",
    "CELL_COLUMNS",
    "FATES",
    "Evidence",
    "LogEvidence",
    "Proposal",
    "cell_frame",
    "cells_with_boost",
    "checker_objection",
    "fuel_breaches",
    "gather",
    "grid_in_force",
    "logs_of",
    "no_evidence_words",
    "propose",
    "propose_from",
    "propose_on",
    "reduce_log",
    "reduce_parts",
    "too_little_words",
    "with_total_need",
]

Mask = npt.NDArray[np.bool_]
#: It is said that moving samples contradict the holds from this growth of their variance on. [1]
NOTED_GROWTH = 2.0
CELL_COLUMNS = (
    "rpm",
    "load",
    "samples",
    "holds",
    "effective_n",
    "deviation_pct",
    "ci_low_pct",
    "ci_high_pct",
    "raw_pct",
    "step_pct",
    "grid_pct",
    "confidence",
    "reason",
)
"""Columns of ``cells.csv``, in the contract's order."""
BOOST_COLUMNS = ("boost_now_kpa", "boost_after_kpa", "boost_basis", "fuel_to_take_away_pct")
"""Columns that follow them for a boost grid; the last for compression ignition only."""


@dataclass(frozen=True, eq=False)
class Evidence:
    """What all logs together say about the cells.

    Parameters
    ----------
    cells
        One row per cell (see `tuneassist.evidence.cell_table.cell_table`).
    holds
        All holds, with ``log``, ``total_need_ln``, ``is_used`` and the weight that each kept.
    fit
        The lattice fit of the total need; None without a single value.
    logs
        The logs' own evidence.
    set_aside
        Log names with the reason why they were not used.
    notes
        Sentences that a user should read.
    unusable
        Names of logs that could not be read or reduced, with the reason.
    setup
        The setup that they were gathered for; None where it was made by hand.
    moving
        The samples between the holds, as the fit took them; None where there are none.
    """

    cells: pd.DataFrame
    holds: pd.DataFrame
    fit: LatticeFit | None
    logs: tuple[LogEvidence, ...]
    set_aside: dict[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    unusable: Mapping[str, str] = field(default_factory=dict)
    setup: Setup | None = None
    moving: FittedBlocks | None = field(default=None, repr=False)

    def _repr_html_(self) -> str:
        return html_of(self)

    def to_frame(self) -> pd.DataFrame:
        """Return one row per cell, in cell order, as a frame of its own."""
        return self.cells.copy()

    def beside(self, unusable: Mapping[str, str]) -> Evidence:
        """Return the same evidence with the logs that could not be used, in its notes as well."""
        notes = unusable_notes(unusable, [log.name for log in self.logs])
        return replace(self, unusable=dict(unusable), notes=(*notes, *self.notes))

    @property
    def fates(self) -> pd.Series:
        """Samples of all logs by what became of them."""
        return pd.concat([log.fates for log in self.logs], axis=1).sum(axis=1).astype(int)


@dataclass(frozen=True, eq=False)
class Proposal:
    """A limited, verified step.

    Parameters
    ----------
    setup
        The setup it was made for.
    current
        The grid in force when the logs were taken.
    evidence
        What it stands on.
    limited
        Step and new grid, within every rule.
    cells
        The contract's columns of ``cells.csv``, and more for screens.
    fuel
        Fuel to take away beside a boost step whose air must not rise; None where there is none.
    """

    setup: Setup
    current: Grid
    evidence: Evidence
    limited: LimitedStep
    cells: pd.DataFrame
    fuel: LessFuel | None = None

    def __repr__(self) -> str:
        """Show what matters on one screen; the fields hold the rest."""
        return proposal_outline(self)

    def _repr_html_(self) -> str:
        return html_of(self)

    def to_frame(self) -> pd.DataFrame:
        """Return the cells with the columns and words of ``cells.csv``, as a frame of its own.

        Returns
        -------
        pandas.DataFrame
            One row per cell, in cell order; `CELL_COLUMNS` are its columns, followed for a boost
            grid by `BOOST_COLUMNS`: gauge boost in kPa (in ``cells.csv`` in the tuner's unit).
        """
        return cell_frame(self.cells)

    @property
    def grid(self) -> Grid:
        """The grid to be typed in."""
        return self.limited.grid

    def beside(self, unusable: Mapping[str, str]) -> Proposal:
        """Return the same proposal with the logs that could not be used."""
        return replace(self, evidence=self.evidence.beside(unusable))

    @property
    def unsafe_held(self) -> tuple[UnsafeHeld, ...]:
        """Cells that asked the unsafe way and were held."""
        return unsafe_held(self.limited.held_back, setup=self.setup)


def cell_frame(cells: pd.DataFrame) -> pd.DataFrame:
    """Return cells as ``cells.csv`` has them; the reason says what the evidence has to say, too.

    Parameters
    ----------
    cells
        A proposal's cells, with `CELL_COLUMNS` and ``evidence``, of a boost grid with
        `BOOST_COLUMNS`.
    """
    words = [
        f"{reason} ({evidence})" if evidence else reason
        for reason, evidence in zip(cells["reason"], cells["evidence"].astype(str), strict=True)
    ]
    more = [name for name in BOOST_COLUMNS if name in cells]
    return cells.assign(reason=words)[[*CELL_COLUMNS, *more]]


@on_one_thread
def gather(
    logs: Sequence[LogEvidence],
    *,
    setup: Setup,
    current: Grid,
    in_force: Sequence[Grid] | None = None,
    fade_ln: Sequence[float] | None = None,
) -> Evidence:
    """Fit the lattice to the holds of all logs and describe the cells.

    Parameters
    ----------
    logs
        What each log said.
    setup
        Axes, target and rules of confidence.
    current
        The grid in the controller now; deviations are told relative to it.
    in_force
        The grid under which each log was taken; None: ``current`` for all.
    fade_ln
        Standard deviation by which the engine may have drifted since each log; None: 0. [ln]

    Returns
    -------
    Evidence
        With a log that contradicts the others set aside.
    """
    if not logs:
        raise InputError("no log was given.", mend="Reduce at least one with reduce_log.")
    grids = [current] * len(logs) if in_force is None else list(in_force)
    names = [log.name for log in logs]
    pool = _pooled(logs, grids, setup=setup, fade_ln=fade_ln)
    sensors = _Sensors.of(logs, pool, setup)
    set_aside = {names[odd.index]: odd.why for odd in sensors.aside}
    pool, found = _fitted(pool.without(sensors.aside), setup)
    fit, blocks = (None, None) if found is None else (found.fit, found.blocks)
    doubt = sensors.risk(names, pool, fit)
    cells = _cells(
        pool, fit=fit, blocks=blocks, lean_ln=doubt.lean_ln, setup=setup, current=current
    )
    scale = risk_of_scale(cells, setup, is_sensor_proven=not doubt.barred)
    barred = (*said_once(doubt.barred, names), *scale.barred)
    cells = _with_limits_to_leaning(cells, barred, logs, setup)
    notes = (
        *_log_notes(logs),
        *barred,
        *doubt.notes,
        *scale.notes,
        *_cell_notes(cells, pool.is_original, setup),
        *_fit_notes(fit, logs, set_aside, cells),
        *_moving_notes(blocks),
    )
    said = said_once(notes, names)
    return Evidence(
        cells, pool.holds, fit, tuple(logs), set_aside, said, setup=setup, moving=blocks
    )


@dataclass(frozen=True, eq=False)
class _Sensors:
    """Whether the sensor of each log responds, and the logs that are set aside.

    Parameters
    ----------
    readings
        Holds, and of logs with too few of them the passages through the cells.
    responses
        By the log's number.
    aside
        Logs with a dead sensor, and those that the others contradict.
    in_order
        Values found by hand at known times, which are no readings of a sensor.
    is_order_unknown
        Whether values found by hand are among them, in an order that is not known.
    """

    readings: pd.DataFrame
    responses: Mapping[int, SensorResponse]
    aside: Sequence[OddLog]
    in_order: pd.DataFrame
    is_order_unknown: bool

    @classmethod
    def of(cls, logs: Sequence[LogEvidence], pool: _Pool, setup: Setup) -> _Sensors:
        """Check the sensors of all logs."""
        readings = with_passages(
            pool.values, pool.blocks, axes=setup.axes, target_lambda=setup.target.table
        )
        hand = [number for number, log in enumerate(logs) if is_by_hand(log)]
        is_hand = readings["log_number"].isin(hand)  # no sensor was logged with them
        found, readings = readings[is_hand], readings[~is_hand]
        timed = found[found["log_number"].isin([n for n in hand if has_order(logs[n])])]
        responses = sensor_responses(readings)
        aside = _logs_aside(logs, pool, readings, responses, setup)
        is_unknown = not all(has_order(logs[number]) for number in hand)
        return cls(readings, responses, aside, timed, is_unknown)

    def risk(self, names: Sequence[str], pool: _Pool, fit: LatticeFit | None) -> StepRisk:
        """What the logs that are kept leave in doubt about an unsafe step."""
        odd = [one.index for one in self.aside]
        kept = pd.concat([self.readings, self.in_order])
        kept = kept[~kept["log_number"].isin(odd)]
        found = risk_of_logs(
            names, pool.holds, fit=fit, aside=self.aside, lives=self.responses, readings=kept
        )
        return with_unknown_order(found) if self.is_order_unknown else found


@dataclass(frozen=True, eq=False)
class _Pool:
    """The holds of all logs, and which of them count. Shape (holds,) where not said otherwise.

    Parameters
    ----------
    holds
        One row per hold, with ``log``, ``total_need_ln`` and ``log_number``.
    weights
        Their bilinear weights, shape (holds, cells).
    log_number
        The log that each came from, from 0.
    is_original
        Holds that repeat no other.
    is_kept
        Originals of the logs that are not set aside.
    blocks
        Samples between the holds of the logs that are not set aside, with ``total_need_ln`` and
        ``log_number``, each once.
    """

    holds: pd.DataFrame
    weights: sparse.csr_matrix
    log_number: npt.NDArray[np.int64]
    is_original: Mask
    is_kept: Mask
    blocks: pd.DataFrame

    @property
    def is_value(self) -> Mask:
        """Kept holds whose need is a value, not a bound."""
        return np.asarray(self.holds["stop"].eq("").to_numpy() & self.is_kept)

    @property
    def values(self) -> pd.DataFrame:
        """Rows of the kept holds whose need is a value."""
        return self.holds[self.is_value]

    def without(self, aside: Sequence[OddLog]) -> _Pool:
        """Return the same holds, those of some logs no longer kept."""
        odd = [one.index for one in aside]
        return replace(
            self,
            is_kept=self.is_kept & ~np.isin(self.log_number, odd),
            blocks=self.blocks[~self.blocks["log_number"].isin(odd)].reset_index(drop=True),
        )


def _pooled(
    logs: Sequence[LogEvidence],
    grids: Sequence[Grid],
    *,
    setup: Setup,
    fade_ln: Sequence[float] | None,
) -> _Pool:
    """Put the holds of all logs together, each with its total need."""
    acts_on, counts = setup.correction.acts_on, [len(log.holds) for log in logs]
    pairs = zip(logs, grids, strict=True)
    needs = [with_total_need(log.holds, grid, acts_on=acts_on) for log, grid in pairs]
    holds = pd.concat(needs, ignore_index=True)
    original = is_original(holds)
    if fade_ln is not None:
        fade = np.repeat(np.asarray(fade_ln, dtype=float), counts)
        holds["within_se"] = np.hypot(holds["within_se"], fade)
        holds["fade_ln"] = fade
    number = np.repeat(np.arange(len(logs), dtype=np.int64), counts)
    holds["log_number"] = number
    weights = bilinear_weights(setup.axes, holds["rpm"], holds["load"])
    return _Pool(
        holds,
        weights,
        number,
        is_original=original,
        is_kept=original,
        blocks=_pooled_blocks(logs, grids, acts_on=acts_on, fade_ln=fade_ln),
    )


def _pooled_blocks(
    logs: Sequence[LogEvidence],
    grids: Sequence[Grid],
    *,
    acts_on: str,
    fade_ln: Sequence[float] | None,
) -> pd.DataFrame:
    """Put the samples between the holds of all logs together; what repeats another is left out."""
    frames = []
    for number, (log, grid) in enumerate(zip(logs, grids, strict=True)):
        if log.blocks is None or log.blocks.empty:
            continue
        fade = 0.0 if fade_ln is None else float(fade_ln[number])
        blocks = with_total_need(log.blocks, grid, acts_on=acts_on)
        frames.append(blocks.assign(log_number=number, fade_ln=fade))
    if not frames:
        return no_blocks().assign(total_need_ln=0.0, log_number=0)
    every = pd.concat(frames, ignore_index=True)
    repeats = every.duplicated(["rpm", "load", "samples", "total_need_ln"])
    return every[~repeats].reset_index(drop=True)


def _logs_aside(
    logs: Sequence[LogEvidence],
    pool: _Pool,
    readings: pd.DataFrame,
    responses: Mapping[int, SensorResponse],
    setup: Setup,
) -> list[OddLog]:
    """Find the logs to set aside: the sensor is dead, or the others contradict them."""
    by_trims = [number for number, log in enumerate(logs) if NO_LAMBDA in log.notes]
    dead = logs_with_dead_sensor(readings, by_trims=by_trims, lives=responses)
    alive = pool.without(dead)
    return [*dead, *_odd_logs(setup, pool.holds, pool.weights, pool.log_number, alive.is_value)]


def _fitted(pool: _Pool, setup: Setup) -> tuple[_Pool, MapFit | None]:
    """Fit the map to the kept values, and note the weight that each hold has in it."""
    is_used = pool.is_value
    found = fit_map(setup, pool.holds, pool.weights, pool.log_number, is_used, blocks=pool.blocks)
    holds = pool.holds.assign(is_used=is_used, weight=0.0)
    if found is not None:
        holds.loc[is_used, "weight"] = found.fit.weight
    return replace(pool, holds=holds), found


def _cells(
    pool: _Pool,
    *,
    fit: LatticeFit | None,
    blocks: FittedBlocks | None,
    lean_ln: float,
    setup: Setup,
    current: Grid,
) -> pd.DataFrame:
    """Describe each cell by the kept holds, and by the samples between them."""
    kept = pool.holds[pool.is_kept]
    return cell_table(
        setup.axes,
        target=setup.target,
        current=current,
        holds=kept,
        weights=pool.weights[pool.is_kept],
        fit=fit,
        correction=setup.correction,
        lean_ln=lean_ln,
        blocks=blocks,
    )


def _with_limits_to_leaning(
    cells: pd.DataFrame, barred: Sequence[str], logs: Sequence[LogEvidence], setup: Setup
) -> pd.DataFrame:
    """Add the highest values seen, why a cell may not go the unsafe way, and which cells wait."""
    cells = cells.assign(**highest_seen(logs))
    is_boost = in_boost(cells, setup.axes, setup.limits)
    cells = with_standing_trims(cells, setup, is_boost=is_boost)
    places = reasons_by_cell(cells, setup.axes, setup)
    cells["unsafe_step_barred"] = [joined_reasons((*barred, place)) for place in places]
    cells["waits_in_boost"] = _waits_in_boost(cells, setup)
    return cells


def _cell_notes(cells: pd.DataFrame, original: Mask, setup: Setup) -> Iterator[str]:
    """Say what the cells, their holds and the setup show together."""
    yield from knock_notes(cells, setup)
    yield from standing_trim_notes(cells)
    yield from _copies_notes(original)
    yield from ceiling_notes(cells, setup=setup)
    yield from setup_questions(setup, cells)


def _log_notes(logs: Sequence[LogEvidence]) -> Iterator[str]:
    """Say what was noted on the logs, with the name where it is not on all of them."""
    said = Counter(note for log in logs for note in set(log.notes))
    for log in logs:
        for note in log.notes:
            is_named = said[note] == len(logs) or note.startswith(f"{log.name}: ")
            yield note if is_named else f"{log.name}: {note}"


def _copies_notes(is_counted: Mask) -> tuple[str, ...]:
    copies = int(np.sum(~is_counted))
    if not copies:
        return ()
    return (
        f"{copies} of {len(is_counted)} holds repeat another to the last digit, as where a session "
        "stands in the logs more than once; each was counted once",
    )


def with_total_need(holds: pd.DataFrame, grid: Grid, *, acts_on: str) -> pd.DataFrame:
    """Add what each hold needs in total: its need composed with the grid it was logged under.

    Parameters
    ----------
    holds
        With ``rpm, load, need_ln``.
    grid
        The grid in force; a blank cell corrects nothing.
    acts_on
        "fuel" or "boost".

    Returns
    -------
    pandas.DataFrame
        A new frame with ``total_need_ln``.
    """
    if holds.empty:
        return holds.assign(total_need_ln=holds["need_ln"])
    # a blank cell must not blank out its neighbours in the look-up
    filled = Grid(grid.axes, np.nan_to_num(grid.values)).at(holds["rpm"], holds["load"])
    return holds.assign(total_need_ln=holds["need_ln"] + correction_need_ln(filled, acts_on))


def _waits_in_boost(cells: pd.DataFrame, setup: Setup) -> Mask:
    """Cells in boost that the surface calls rich and that their own evidence does not."""
    if setup.engine.ignition != "spark":
        return np.zeros(len(cells), dtype=bool)
    is_rich = (cells["ci_high_pct"] < 0) & ~(cells["own_high_pct"] < 0)
    is_free = cells["unsafe_step_barred"].eq("")
    return (is_rich & is_free).to_numpy() & in_boost(cells, setup.axes, setup.limits)


def highest_seen(logs: Sequence[LogEvidence]) -> dict[str, pd.Series]:
    """Return the highest values per cell over all logs, those set aside included: heat is heat.

    Of the logged barometers the lowest counts: it gives the highest boost.
    """
    frames = [log.peaks for log in logs]
    names = dict.fromkeys(str(name) for frame in frames for name in frame)
    merged: dict[str, pd.Series] = {
        name: pd.concat([f[name] for f in frames if name in f], axis=1).max(axis=1)
        for name in names
        if name != BAROMETER
    }
    if BAROMETER in names:
        logged = [f[BAROMETER] for f in frames if BAROMETER in f]
        merged[BAROMETER] = pd.concat(logged, axis=1).min(axis=1)
    if "manifold_pressure_kpa_max" in merged:
        merged["manifold_pressure_kpa"] = merged.pop("manifold_pressure_kpa_max")
    return merged


def _fit_notes(
    fit: LatticeFit | None,
    logs: Sequence[LogEvidence],
    set_aside: dict[str, str],
    cells: pd.DataFrame,
) -> tuple[str, ...]:
    notes = [f"log {name} was set aside: {why}" for name, why in set_aside.items()]
    odd = cells.loc[cells["is_disputed"], ["rpm", "load"]].to_numpy()
    if len(odd):
        places = ", ".join(f"{rpm:g} rpm and {load:g}" for rpm, load in odd)
        notes.append(f"a hold reads otherwise than all around it, so repeat it: {places}")
    if fit is not None and len(logs) > 1:
        notes.append(
            f"from log to log the mixture differs by {100.0 * fit.log_scatter:.1f} % (one standard "
            "deviation, as far as so few logs tell); the intervals hold that as well"
        )
    if fit is not None and not fit.is_surface:
        notes.append(
            "the holds show no pattern over speed and load, so no cell is more than low in "
            "confidence and none is made leaner in boost; log more holds, at more places"
        )
    return tuple(notes)


def _moving_notes(blocks: FittedBlocks | None) -> tuple[str, ...]:
    """Say where the samples between the holds contradict the holds."""
    if blocks is None or blocks.growth < NOTED_GROWTH:
        return ()
    return (
        "the samples between the holds do not predict the holds as well as they should, so each "
        f"counts {blocks.growth:.0f} times less (slow transients, or lambda that is late by an "
        "unknown time)",
    )


def _odd_logs(
    setup: Setup,
    holds: pd.DataFrame,
    weights: sparse.csr_matrix,
    index: npt.NDArray[np.int64],
    is_used: Mask,
) -> list[OddLog]:
    """Find the logs that the others contradict, one after the other."""
    aside: list[OddLog] = []
    while odd := _odd_log(setup, holds, weights, index, is_used):
        aside.append(odd)
        is_used = is_used & (index != odd.index)
    return aside


def _odd_log(
    setup: Setup,
    holds: pd.DataFrame,
    weights: sparse.csr_matrix,
    index: npt.NDArray[np.int64],
    is_used: Mask,
) -> OddLog | None:
    """Find a log that the others contradict."""
    names, codes = np.unique(index[is_used], return_inverse=True)
    if len(names) < 3:
        return None
    y = holds["total_need_ln"].to_numpy(dtype=float)
    # of many holds the fits without one log each are near the fit of all, and start from it
    is_many = int(is_used.sum()) > MANY_HOLDS
    whole = fit_holds(setup, holds, weights, index, is_used, is_draft=True) if is_many else None

    def predict_without(code: int) -> Floats:
        rest = is_used & (index != names[code])
        like = None
        if whole is not None:
            like = replace(whole, weight=whole.weight[codes != code])
        fit = fit_holds(setup, holds, weights, index, rest, warm_start=like, is_draft=True)
        if fit is None:
            return y[is_used]
        return from_surface_scale(weights[is_used] @ fit.theta, setup.target.kind)

    odd = find_odd_log(y[is_used], codes, predict_without)
    return None if odd is None else replace(odd, index=int(names[odd.index]))


@on_one_thread
def propose(logs: Log | Iterable[Log], *, setup: Setup, current: Grid | None = None) -> Proposal:
    """Make one round's proposal from logs.

    Parameters
    ----------
    logs
        Logs as read, or one.
    setup
        The car's setup.
    current
        The grid that the controller held while they were logged; None is all zeros.

    Returns
    -------
    Proposal
        Limited, and passed by the independent checker.

    Raises
    ------
    InputError
        When no log is given, or something else than a log, a setup or a grid of its axes.
    NoEvidenceError
        When no log holds usable evidence; the message says which filter took the samples.
    RuleBreachError
        When the checker objects.
    """
    of_kind(setup, Setup, what="setup", mend=READ_SETUP, error=SetupError)
    grid = grid_in_force(current, setup)
    reduced = [reduce_log(log.samples, name=log.name, setup=setup) for log in logs_of(logs)]
    return propose_from(reduced, setup=setup, current=grid)


def logs_of(logs: Log | Iterable[Log], *, may_be_none: bool = False) -> list[Log]:
    """Return what was handed in as a list of logs; one of none only where that is asked for."""
    read = 'Read each with read_log("session.csv", setup=setup).'
    if isinstance(logs, Log):
        return [logs]
    if isinstance(logs, (str, Path)) or not isinstance(logs, Iterable):
        raise LogError("these are no logs.", mend=read)
    found = [of_kind(log, Log, what="a log", mend=read, error=LogError) for log in logs]
    if not found and not may_be_none:
        raise LogError("no log was given.", mend=read)
    return found


def grid_in_force(current: Grid | None, setup: Setup) -> Grid:
    """Return the grid that the controller holds, all zeros where none is named."""
    if current is None:
        return Grid.zeros(setup.axes)
    mend = 'Read it with read_grid("grid.csv", axes=setup.axes).'
    of_kind(current, Grid, what="current", mend=mend, error=GridError)
    if not current.axes.is_same(setup.axes):
        raise GridError("the current grid has other breakpoints than the setup.", mend=mend)
    return current


def propose_from(logs: Sequence[LogEvidence], *, setup: Setup, current: Grid) -> Proposal:
    """Make a proposal from logs that were reduced before; raises what `propose` raises."""
    return propose_on(gather(logs, setup=setup, current=current), setup=setup, current=current)


@on_one_thread
def propose_on(
    evidence: Evidence, *, setup: Setup, current: Grid, fuel: Grid | None = None
) -> Proposal:
    """Make a proposal on gathered evidence; raises what `propose` raises.

    ``fuel`` is what is taken from the fuel already, beside a boost grid.
    """
    is_unknown = evidence.cells["confidence"].eq("none").all()
    if evidence.holds.empty and is_unknown:
        raise NoEvidenceError(no_evidence_words(evidence.fates, evidence.logs))
    if is_unknown:
        raise NoEvidenceError(too_little_words(evidence))
    raw = raw_step(evidence.cells, setup)
    limited = limit_step(raw, current=current, setup=setup)
    less = less_fuel(limited, setup=setup, current=fuel)
    breaches = check_grid(limited.grid, current=current, setup=setup, cells=raw)
    if less is not None:
        breaches += fuel_breaches(less, less.grid)
    if breaches:
        raise checker_objection(breaches)
    cells = cells_with_boost(limited, setup, less)
    return Proposal(setup, current, evidence, limited, cells, less)


def fuel_breaches(less: LessFuel, grid: Grid) -> tuple[Breach, ...]:
    """Check a grid of fuel to take away, as found or as written, against the rules for fuel."""
    return check_grid(grid, current=less.current, setup=less.setup, cells=less.limited.source)


def cells_with_boost(limited: LimitedStep, setup: Setup, less: LessFuel | None) -> pd.DataFrame:
    """Return the cells of a step, those of a boost grid with what it does to boost and fuel.

    Parameters
    ----------
    limited
        The step.
    setup
        What the grid acts on, and the ignition.
    less
        Fuel to take away beside it; None is nothing.
    """
    cells = limited.cells
    if setup.correction.acts_on == "fuel":
        return cells
    cells = pd.concat([cells, boost_forecast(cells, limited.step_pct, setup)], axis=1)
    if setup.engine.ignition == "spark":
        return cells
    return cells.assign(fuel_to_take_away_pct=0.0 if less is None else less.grid.flat())


def raw_step(cells: pd.DataFrame, setup: Setup) -> pd.DataFrame:
    """Add what each cell asks for by the setup's target and correction, before any safety rule."""
    return propose_raw(
        cells,
        target_kind=setup.target.kind,
        correction=setup.correction,
        floor_margin_pct=setup.floor_margin_pct,
    )


def checker_objection(breaches: Sequence[Breach]) -> RuleBreachError:
    """Return the error for a grid that the checker refuses."""
    return RuleBreachError(
        "The finished grid breaks a rule; nothing is written.",
        tuple(breach.sentence for breach in breaches),
    )


def too_little_words(evidence: Evidence) -> str:
    """Say why evidence was found but no cell can be trusted even a little."""
    values = int(evidence.holds["is_used"].sum())
    stopped = int(evidence.holds["stop"].ne("").sum())
    moving = 0 if evidence.moving is None else int(evidence.moving.samples.sum())
    if values + moving == 0 and evidence.set_aside:
        aside = "; ".join(f"log {name}: {why}" for name, why in evidence.set_aside.items())
        return f"No usable evidence: every log was set aside; {aside}"
    return (
        f"No usable evidence: {values} holds with a value, {stopped} with the sensor or a trim at "
        f"its stop and {moving} moving samples leave every cell too uncertain. Log more holds, at "
        "more than one place; slow sweeps between them help."
    )


def no_evidence_words(fates: pd.Series, logs: Sequence[LogEvidence] = ()) -> str:
    """Say where the samples went when nothing usable was left, and what was noted on the logs."""
    total = int(fates.sum())
    if total == 0:
        return "No usable evidence: the logs hold no samples."
    notes = said_once(tuple(_log_notes(logs)), [log.name for log in logs])
    taken = fates[(fates > 0) & (fates.index != "used")].sort_values(ascending=False)
    shares = ", ".join(f"{name} {100.0 * n / total:.0f} %" for name, n in taken.items())
    return (
        f"No usable evidence in {total} samples: no hold, and too little that moves. "
        f"Taken by: {shares}. "
        "Look at the largest share first; `tuneassist check` shows how the log was read."
        + "".join(f" {note}{'' if note.endswith(('.', '?')) else '.'}" for note in notes)
    )
