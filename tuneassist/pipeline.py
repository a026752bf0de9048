"""The stages in order, nothing else: logs to holds, holds to cells, cells to a limited step."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import sparse

from tuneassist.correction import (
    Breach,
    LimitedStep,
    check_grid,
    limit_step,
    propose_raw,
    unwatched_ceilings,
)
from tuneassist.errors import NoEvidenceError, RuleBreachError
from tuneassist.evidence import cells as cell_stage
from tuneassist.evidence.consistency import OddLog, find_odd_log
from tuneassist.evidence.delay import SensorDelay, align, estimate_delay, known_delay
from tuneassist.evidence.holds import (
    Settling,
    find_settling,
    number_stretches,
    reduce_to_holds,
    smooth_mask,
)
from tuneassist.evidence.lattice import LatticeFit, fit_lattice
from tuneassist.evidence.need import (
    add_need,
    correction_need_ln,
    from_surface_scale,
    inside_axes,
    scatter_scale,
    surface_scale,
    target_at,
)
from tuneassist.evidence.refresh import Refresh, common_time_line
from tuneassist.evidence.steady import is_fuelled, is_steady, is_warm, sensor_stops
from tuneassist.grid import Floats, Grid, bilinear_weights
from tuneassist.reading import Log
from tuneassist.settings import Setup

Mask = npt.NDArray[np.bool_]

#: No hold is taken for more exact than this. [ln]
MIN_HOLD_SE = 1e-4

#: What may become of a sample, in the order in which the filters take it.
FATES = (
    "no value",
    "engine cold",
    "fuel cut",
    "outside the table",
    "no target there",
    "moving",
    "settling",
    "short hold",
    "no lambda",
    "spike",
    "sensor at its stop",
    "used",
)


@dataclass(frozen=True, eq=False)
class LogEvidence:
    """What one log says.

    Parameters
    ----------
    name
        The log's name.
    holds
        One row per hold (see `tuneassist.evidence.holds.reduce_to_holds`), with ``log`` = name.
    fates
        Samples by what became of them, in the order of `FATES`; they add up to ``samples``.
    samples
        Samples looked at: rows, or renewed values where the logger repeats old ones.
    refresh, delay, settling
        What was found out about the log.
    stops
        Richest and leanest reading of the sensor; 0 and infinity where not seen. [lambda]
    peaks
        Highest values of the channels with ceilings, one row per cell.
    notes
        Sentences that a user should read.
    """

    name: str
    holds: pd.DataFrame
    fates: pd.Series
    samples: int
    refresh: Refresh
    delay: SensorDelay
    settling: Settling
    stops: tuple[float, float]
    peaks: pd.DataFrame
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Evidence:
    """What all logs together say about the cells.

    Parameters
    ----------
    cells
        One row per cell (see `tuneassist.evidence.cells.cell_table`).
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
    """

    cells: pd.DataFrame
    holds: pd.DataFrame
    fit: LatticeFit | None
    logs: tuple[LogEvidence, ...]
    set_aside: dict[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

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
    """

    setup: Setup
    current: Grid
    evidence: Evidence
    limited: LimitedStep
    cells: pd.DataFrame

    @property
    def grid(self) -> Grid:
        """The grid to be typed in."""
        return self.limited.grid


def reduce_log(samples: pd.DataFrame, *, name: str, setup: Setup) -> LogEvidence:
    """Reduce one log to holds.

    Parameters
    ----------
    samples
        One row per log row, in inside units (see `tuneassist.channels`).
    name
        The log's name, for messages.
    setup
        Axes, target and thresholds.

    Returns
    -------
    LogEvidence
        Holds, and what became of every sample.
    """
    settings, axes = setup.steady, setup.axes
    has_lambda = "lambda" in samples
    main = ("rpm", "load", "lambda") if has_lambda else ("rpm", "load")
    line, refresh = common_time_line(samples, main=main, max_gap_s=settings.max_gap_s)
    rpm, load = (line[c].to_numpy(dtype=float) for c in ("rpm", "load"))
    target = target_at(axes, setup.target.table, rpm, load)
    stops = (
        sensor_stops(samples["lambda"].to_numpy(dtype=float), settings)
        if has_lambda
        else (0.0, np.inf)
    )
    notes: list[str] = []
    masks = _position_masks(line, target, refresh, setup, notes)
    delay = _delay(line, target, stops, masks, refresh=refresh, setup=setup)
    max_gap_s = max(settings.max_gap_s, 3.0 * refresh.interval_s)
    if has_lambda:
        line = line.assign(**{"lambda": align(line, delay, max_gap_s=max_gap_s)})
    else:
        notes.append("no lambda channel: the need is read from the fuel trims alone")
    line = add_need(line, target_lambda=target, stops=stops, settings=settings)
    masks["fuel cut"] = _is_fuelled(line, target, setup)
    usable = np.logical_and.reduce(list(masks.values()))
    time_s = line["time_s"].to_numpy(dtype=float)
    stretch = number_stretches(usable, time_s, max_gap_s=max_gap_s)
    settling = find_settling(
        line["need_ln"].to_numpy(dtype=float),
        stretch,
        time_s,
        lag_s=delay.lag_s,
        settings=settings,
    )
    holds, fate = reduce_to_holds(
        line,
        stretch=stretch,
        settle_s=settling.settle_s,
        interval_s=refresh.interval_s,
        settings=settings,
    )
    columns = tuple(setup.limits.ceilings)
    return LogEvidence(
        name=name,
        holds=holds.assign(log=name),
        fates=_count_fates(masks, fate),
        samples=len(line),
        refresh=refresh,
        delay=delay,
        settling=settling,
        stops=stops,
        peaks=cell_stage.channel_peaks(samples, axes, _peak_columns(columns)),
        notes=tuple(notes),
    )


def _peak_columns(channels: tuple[str, ...]) -> tuple[str, ...]:
    from tuneassist.channels import CHANNELS

    return (*(CHANNELS[name].column for name in channels), "manifold_pressure_kpa")


def _is_fuelled(line: pd.DataFrame, target: Floats, setup: Setup) -> Mask:
    """Mask of the fuel cut; where no target is known, against stoichiometric."""
    known = np.where(np.isfinite(target), target, 1.0)
    ignition = setup.engine.ignition
    return smooth_mask(is_fuelled(line, target=known, settings=setup.steady, ignition=ignition))


def _position_masks(
    line: pd.DataFrame,
    target: Floats,
    refresh: Refresh,
    setup: Setup,
    notes: list[str],
) -> dict[str, Mask]:
    """Masks that need no aligned lambda, True = usable, named after the fate of what they take."""
    settings, axes = setup.steady, setup.axes
    rpm, load = (line[c].to_numpy(dtype=float) for c in ("rpm", "load"))
    warm = is_warm(line, settings)
    if warm is None:
        notes.append(
            "no coolant temperature or sender voltage was logged: nothing shows that the engine "
            "was warm"
        )
        warm = np.ones(len(line), dtype=bool)
    return {
        "no value": np.isfinite(rpm) & np.isfinite(load),
        "engine cold": warm,
        "fuel cut": np.ones(len(line), dtype=bool),
        "outside the table": inside_axes(
            axes, rpm, load, margin_cells=settings.outside_margin_cells
        ),
        "no target there": np.isfinite(target),
        "moving": is_steady(line, interval_s=refresh.interval_s, settings=settings),
    }


def _delay(
    line: pd.DataFrame,
    target: Floats,
    stops: tuple[float, float],
    masks: dict[str, Mask],
    *,
    refresh: Refresh,
    setup: Setup,
) -> SensorDelay:
    """Estimate the delay against a first surface from holds with generous settling."""
    settings = setup.steady
    if "lambda" not in line:
        return known_delay(settings, why="no lambda channel")
    if settings.lambda_delay_s is not None:
        return known_delay(settings, why="given by the setup", source="setup")
    first = add_need(line, target_lambda=target, stops=stops, settings=settings)
    fuelled = _is_fuelled(line, target, setup)
    usable = np.logical_and.reduce([*masks.values(), fuelled])
    gap_s = max(settings.max_gap_s, 3.0 * refresh.interval_s)
    stretch = number_stretches(usable, line["time_s"].to_numpy(dtype=float), max_gap_s=gap_s)
    holds, _ = reduce_to_holds(
        first,
        stretch=stretch,
        settle_s=settings.default_settle_s + settings.default_delay_s,
        interval_s=refresh.interval_s,
        settings=settings,
    )
    holds = holds[holds["stop"].eq("")]
    if len(holds) < settings.min_samples:
        return known_delay(settings, why=f"only {len(holds)} holds in the log")
    weights = bilinear_weights(setup.axes, holds["rpm"], holds["load"])
    index = np.zeros(len(holds), dtype=np.int64)
    used = np.ones(len(holds), dtype=bool)
    named = holds.rename(columns={"need_ln": "total_need_ln"})
    fit = _fit(setup, named, weights, index, used, robust=False)
    if fit is None:
        return known_delay(settings, why="no holds in the log")
    rpm, load = (line[c].interpolate(limit_direction="both") for c in ("rpm", "load"))
    trims = first["need_ln"] - np.log(line["lambda"].where(line["lambda"] > 0) / target)
    need = from_surface_scale(
        bilinear_weights(setup.axes, rpm, load) @ fit.theta, setup.target.kind
    )
    surface = need + np.log(target) - trims.fillna(0)
    lam = line["lambda"].to_numpy(dtype=float)
    is_value = fuelled & first["is_at_stop"].eq("").to_numpy() & (lam > 0) & masks["engine cold"]
    return estimate_delay(
        line, surface=surface.to_numpy(dtype=float), is_usable=is_value, settings=settings
    )


def _count_fates(masks: dict[str, Mask], fate: pd.Series) -> pd.Series:
    words = fate.to_numpy(dtype=object).copy()
    for name, mask in reversed(masks.items()):
        words[~mask] = name
    return pd.Series(words).value_counts().reindex(FATES, fill_value=0).astype(int)


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
    grids = [current] * len(logs) if in_force is None else list(in_force)
    holds = pd.concat(
        [
            with_total_need(log.holds, grid, acts_on=setup.correction.acts_on)
            for log, grid in zip(logs, grids, strict=True)
        ],
        ignore_index=True,
    )
    if fade_ln is not None:
        fade = np.repeat(np.asarray(fade_ln, dtype=float), [len(log.holds) for log in logs])
        holds["within_se"] = np.hypot(holds["within_se"], fade)
        holds["fade_ln"] = fade
    weights = bilinear_weights(setup.axes, holds["rpm"], holds["load"])
    index = np.repeat(np.arange(len(logs), dtype=np.int64), [len(log.holds) for log in logs])
    is_used = holds["stop"].eq("").to_numpy(copy=True)
    set_aside: dict[str, str] = {}
    is_aside = np.zeros(len(holds), dtype=bool)
    for _ in logs:
        odd = _odd_log(setup, holds, weights, index, is_used)
        if odd is None:
            break
        set_aside[logs[odd.index].name] = odd.why
        is_aside |= index == odd.index
        is_used = is_used & ~is_aside
    fit = _fit(setup, holds, weights, index, is_used)
    holds["is_used"] = is_used
    holds["weight"] = 0.0
    if fit is not None:
        holds.loc[is_used, "weight"] = fit.weight
    kept = is_used | (holds["stop"].ne("").to_numpy() & ~is_aside)
    cells = cell_stage.cell_table(
        setup.axes,
        target=setup.target,
        current=current,
        holds=holds[kept],
        weights=weights[kept],
        fit=fit,
        correction=setup.correction,
    )
    for name, peak in _peaks(logs).items():
        cells[name] = peak
    notes = [*dict.fromkeys(note for log in logs for note in log.notes)]
    if unwatched := unwatched_ceilings(cells, setup=setup):
        names = ", ".join(unwatched)
        notes.append(f"no log has a reading for these ceilings, so they protect nothing: {names}")
    return Evidence(
        cells, holds, fit, tuple(logs), set_aside, (*notes, *_fit_notes(fit, set_aside))
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


def _peaks(logs: Sequence[LogEvidence]) -> dict[str, pd.Series]:
    """Highest values per cell over all logs, those set aside included: heat is heat."""
    frames = [log.peaks for log in logs]
    names = dict.fromkeys(str(name) for frame in frames for name in frame)
    merged: dict[str, pd.Series] = {
        name: pd.concat([f[name] for f in frames if name in f], axis=1).max(axis=1)
        for name in names
    }
    if "manifold_pressure_kpa_max" in merged:
        merged["manifold_pressure_kpa"] = merged.pop("manifold_pressure_kpa_max")
    return merged


def _fit_notes(fit: LatticeFit | None, set_aside: dict[str, str]) -> tuple[str, ...]:
    notes = [f"log {name} was set aside: {why}" for name, why in set_aside.items()]
    if fit is not None and not fit.is_surface:
        notes.append(
            "no usable surface: speed and load explain nothing beyond the mean of all holds"
        )
    return tuple(notes)


def _fit(
    setup: Setup,
    holds: pd.DataFrame,
    weights: sparse.csr_matrix,
    index: npt.NDArray[np.int64],
    is_used: Mask,
    *,
    robust: bool = True,
) -> LatticeFit | None:
    if not is_used.any():
        return None
    _, first, codes = np.unique(index[is_used], return_index=True, return_inverse=True)
    fade = (
        holds.loc[is_used, "fade_ln"].to_numpy(dtype=float)[first] if "fade_ln" in holds else None
    )
    need = holds.loc[is_used, "total_need_ln"].to_numpy(dtype=float)
    own_se = holds.loc[is_used, "within_se"].clip(lower=MIN_HOLD_SE).to_numpy(dtype=float)
    scale = scatter_scale(need, setup.target.kind)
    return fit_lattice(
        setup.axes,
        weights[is_used],
        surface_scale(need, setup.target.kind),
        own_se * scale,
        codes,
        scale=scale,
        log_se=fade,
        robust=robust,
    )


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

    def predict_without(code: int) -> Floats:
        rest = is_used & (index != names[code])
        fit = _fit(setup, holds, weights, index, rest)
        if fit is None:
            return y[is_used]
        return from_surface_scale(weights[is_used] @ fit.theta, setup.target.kind)

    odd = find_odd_log(y[is_used], codes, predict_without)
    return None if odd is None else OddLog(int(names[odd.index]), odd.why)


def propose(logs: Sequence[Log], *, setup: Setup, current: Grid | None = None) -> Proposal:
    """Make one round's proposal from logs.

    Parameters
    ----------
    logs
        Logs as read.
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
    NoEvidenceError
        When no log holds usable steady evidence; the message says which filter took the samples.
    RuleBreachError
        When the checker objects.
    """
    grid = Grid.zeros(setup.axes) if current is None else current
    reduced = [reduce_log(log.samples, name=log.name, setup=setup) for log in logs]
    return propose_from(reduced, setup=setup, current=grid)


def propose_from(logs: Sequence[LogEvidence], *, setup: Setup, current: Grid) -> Proposal:
    """Make a proposal from logs that were reduced before; raises what `propose` raises."""
    return propose_on(gather(logs, setup=setup, current=current), setup=setup, current=current)


def propose_on(evidence: Evidence, *, setup: Setup, current: Grid) -> Proposal:
    """Make a proposal on gathered evidence; raises what `propose` raises."""
    if evidence.holds.empty:
        raise NoEvidenceError(no_evidence_words(evidence.fates))
    if evidence.cells["confidence"].eq("none").all():
        raise NoEvidenceError(too_little_words(evidence))
    raw = propose_raw(evidence.cells, target_kind=setup.target.kind, correction=setup.correction)
    limited = limit_step(raw, current=current, setup=setup)
    breaches = check_grid(limited.grid, current=current, setup=setup, cells=raw)
    if breaches:
        raise checker_objection(breaches)
    return Proposal(setup, current, evidence, limited, limited.cells)


def checker_objection(breaches: Sequence[Breach]) -> RuleBreachError:
    """Return the error for a grid that the checker refuses."""
    return RuleBreachError(
        "The finished grid breaks a rule; nothing is written.",
        tuple(breach.sentence for breach in breaches),
    )


def too_little_words(evidence: Evidence) -> str:
    """Say why holds were found but no cell can be trusted even a little."""
    values = int(evidence.holds["is_used"].sum())
    stopped = int(evidence.holds["stop"].ne("").sum())
    return (
        f"No usable steady evidence: {values} holds with a value and {stopped} with the sensor or "
        "a trim at its stop leave every cell too uncertain. Log more holds, at more than one place."
    )


def no_evidence_words(fates: pd.Series) -> str:
    """Say where the samples went when nothing usable was left."""
    total = int(fates.sum())
    if total == 0:
        return "No usable steady evidence: the logs hold no samples."
    taken = fates[(fates > 0) & (fates.index != "used")].sort_values(ascending=False)
    shares = ", ".join(f"{name} {100.0 * n / total:.0f} %" for name, n in taken.items())
    return (
        f"No usable steady evidence in {total} samples. Taken by: {shares}. "
        "Look at the largest share first; `tuneassist check` shows how the log was read."
    )
