"""The runs of one side: each pull of its logs with torque and factor to standard air."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
import pandas as pd

from tuneassist.errors import InputError
from tuneassist.runs.air import AirState
from tuneassist.runs.air_difference import KnownAir
from tuneassist.runs.limit_checks import boost_kpa
from tuneassist.runs.pulls import Pull, find_pulls
from tuneassist.runs.refusal import Refusal
from tuneassist.runs.settings import RunSettings
from tuneassist.runs.standard_air import TITLES, AirCorrection, air_correction
from tuneassist.runs.torque import PullTorque, pull_torque
from tuneassist.settings import EngineSettings, LimitSettings

NO_PULL_SHARE = 0.05  # a larger share of torque at or below zero is not full load
CHARGED_KPA = (
    10.0  # gauge; above this the engine is charged, and the inlet temperature may be the charge's
)


class LogLike(Protocol):
    """A log: `tuneassist.reading.Log`, or anything else with a name and a samples frame."""

    @property
    def name(self) -> str:
        """Name used in messages."""

    @property
    def samples(self) -> pd.DataFrame:
        """One row per sample, columns as in `tuneassist.channels`."""


@dataclass(frozen=True, eq=False)
class NamedSamples:
    """A name and its samples.

    Parameters
    ----------
    name
        Name used in messages.
    samples
        One row per sample, columns as in `tuneassist.channels`.
    """

    name: str
    samples: pd.DataFrame


@dataclass(frozen=True, eq=False)
class Run:
    """A pull with its torque and its factor.

    Parameters
    ----------
    side
        "before" or "after".
    pull
        The pull.
    torque
        Torque of its samples.
    correction
        Factor to standard air.
    air
        Known air of the pull.
    """

    side: str
    pull: Pull
    torque: PullTorque
    correction: AirCorrection
    air: KnownAir


@dataclass(frozen=True, eq=False)
class SideRuns:
    """The usable runs of one side, and what could not be used.

    Parameters
    ----------
    runs
        In the order of the logs.
    refusals
        Stretches and pulls that could not be used.
    notes
        Log or side, and a sentence.
    """

    runs: tuple[Run, ...]
    refusals: tuple[Refusal, ...]
    notes: tuple[tuple[str, str], ...]


def with_unique_names(logs: Sequence[LogLike]) -> tuple[LogLike, ...]:
    """Number logs that share a name, so that their runs stay distinct.

    Examples
    --------
    >>> logs = [NamedSamples("run", pd.DataFrame()), NamedSamples("run", pd.DataFrame())]
    >>> [log.name for log in with_unique_names(logs)]
    ['run', 'run (2)']
    """
    seen: dict[str, int] = {}
    named: list[LogLike] = []
    for log in logs:
        seen[log.name] = seen.get(log.name, 0) + 1
        number = seen[log.name]
        named.append(log if number == 1 else NamedSamples(f"{log.name} ({number})", log.samples))
    return tuple(named)


def runs_of_side(
    side: str,
    logs: Sequence[LogLike],
    *,
    air: AirState | None,
    settings: RunSettings,
    engine: EngineSettings,
    limits: LimitSettings,
) -> SideRuns:
    """Find one side's pulls, their torque and their factors.

    Parameters
    ----------
    side
        "before" or "after".
    logs
        Its logs, with unique names.
    air
        Air of the side; None uses the logged air.
    settings, engine, limits
        Thresholds, ignition type, barometer where none is logged.
    """
    runs: list[Run] = []
    refusals: list[Refusal] = []
    notes: list[tuple[str, str]] = []
    for log in logs:
        boost = boost_kpa(log.samples, limits)
        samples = log.samples if boost is None else log.samples.assign(boost_kpa=boost)
        found = find_pulls(samples, name=log.name, settings=settings)
        where = f"{side}, {log.name}"
        refusals += [replace(r, where=where) for r in found.refusals]
        if boost is not None and not {"boost_kpa", "barometer_kpa"} & set(log.samples):
            notes.append(
                (where, f"No barometer: boost is relative to {limits.barometer_kpa:g} kPa.")
            )
        notes += [(where, note) for note in found.notes]
        for pull in found.pulls:
            run = _run(side, pull, air, settings, engine)
            if isinstance(run, Refusal):
                refusals.append(run)
                continue
            runs.append(run)
            notes += [(where, n) for n in (*run.torque.notes, *run.correction.notes)]
    return SideRuns(tuple(runs), tuple(refusals), tuple(notes))


def _run(
    side: str, pull: Pull, air: AirState | None, settings: RunSettings, engine: EngineSettings
) -> Run | Refusal:
    where = f"{side}, {pull.name}"
    torque = pull_torque(pull.samples, settings)
    if isinstance(torque, Refusal):
        return replace(torque, where=where)
    known = int(np.isfinite(torque.torque_nm).sum())
    if known < settings.min_samples:
        words = f"Only {known} samples of the pull have a torque."
        return Refusal("sparse", words, {"samples": known}, where)
    share_not_positive = float(np.nanmean(torque.torque_nm <= 0))
    if share_not_positive > NO_PULL_SHARE:
        words = "Torque is zero or negative in a part of the pull: the engine was not pulling."
        return Refusal("no torque", words, {"share_not_positive": share_not_positive}, where)
    found = air_of_pull(pull, air, settings, engine)
    correction = found.correction
    if correction.refusal is not None:
        correction = replace(correction, refusal=replace(correction.refusal, where=where))
    return Run(side, pull, torque, correction, found.known)


@dataclass(frozen=True)
class PullAir:
    """Known air of a pull, and its factor to standard air."""

    known: KnownAir
    correction: AirCorrection


def air_of_pull(
    pull: Pull, given: AirState | None, settings: RunSettings, engine: EngineSettings
) -> PullAir:
    """Take the given air, else the logged air, and calculate its factor."""
    air, why = (given, ()) if given is not None else _logged_air(pull, settings)
    correction = air_correction(
        air, settings, ignition=engine.ignition, pressure_ratio=_pressure_ratio(pull, air)
    )
    if settings.standard != "none":
        correction = replace(correction, notes=(*correction.notes, *why))
    return PullAir(_known_air(pull, given), correction)


def pull_with_torque(run: Run) -> Pull:
    """Return a run's pull with its torque in the samples, calculated where not logged."""
    samples = run.pull.samples
    if "torque_nm" in samples and samples["torque_nm"].notna().any():
        return run.pull
    return replace(run.pull, samples=samples.assign(torque_nm=run.torque.torque_nm))


def _medians(pull: Pull) -> dict[str, float]:
    """Medians of the logged air channels of a pull."""
    return {
        name: float(pull.samples[name].median())
        for name in ("barometer_kpa", "intake_temp_c", "boost_kpa")
        if name in pull.samples and pull.samples[name].notna().any()
    }


def _known_air(pull: Pull, given: AirState | None) -> KnownAir:
    """Take the given air, else what was logged of pressure and temperature."""
    if given is not None:
        return KnownAir(given.dry_kpa, given.temp_c)
    medians = _medians(pull)
    return KnownAir(
        medians.get("barometer_kpa", float("nan")), medians.get("intake_temp_c", float("nan")),
        medians.get("boost_kpa", 0.0) >= CHARGED_KPA,
    )  # fmt: skip


def _logged_air(pull: Pull, settings: RunSettings) -> tuple[AirState | None, tuple[str, ...]]:
    """Take the air from the pull's barometer and inlet temperature, with the settings' humidity."""
    medians = _medians(pull)
    if not {"barometer_kpa", "intake_temp_c"} <= set(medians):
        return None, ()
    try:
        air = AirState(
            medians["barometer_kpa"], medians["intake_temp_c"], settings.relative_humidity_pct,
            settings.dew_point_c, "logged during the pull",
        )  # fmt: skip
    except InputError as problem:
        return None, (str(problem),)
    if medians.get("boost_kpa", 0.0) < CHARGED_KPA:
        return air, ()
    return air, (
        "The engine is charged: the logged inlet temperature may be the charge temperature, not "
        "that of the air ahead of the filter, as the standard requires. Give the air to be sure.",
    )


def _pressure_ratio(pull: Pull, air: AirState | None) -> float | None:
    """Charge pressure ratio of a pull, mean over its samples; None where it is not logged."""
    if air is None:
        return None
    if "manifold_pressure_kpa" in pull.samples:
        ratio = float(pull.samples["manifold_pressure_kpa"].mean()) / air.pressure_kpa
    elif "boost_kpa" in pull.samples:
        ratio = 1.0 + float(pull.samples["boost_kpa"].mean()) / air.pressure_kpa
    else:
        return None
    return ratio if np.isfinite(ratio) and ratio > 0 else None


def without_duplicates(runs: Sequence[Run]) -> tuple[tuple[Run, ...], tuple[Refusal, ...]]:
    """Refuse a run that is identical to another: a log given twice is one run."""
    seen: dict[int, str] = {}
    kept: list[Run] = []
    refusals: list[Refusal] = []
    for run in runs:
        samples = run.pull.samples
        key = hash((samples["rpm"].to_numpy().tobytes(), run.torque.torque_nm.tobytes()))
        where = f"{run.side}, {run.pull.name}"
        if key in seen:
            words = f"This run is a copy of {seen[key]}: it was left out."
            refusals.append(Refusal("copy", words, where=where))
            continue
        seen[key] = where
        kept.append(run)
    return tuple(kept), tuple(refusals)


def is_usable(correction: AirCorrection, settings: RunSettings) -> bool:
    """Return whether a factor may be applied: it is known, and its standard allows it."""
    is_allowed = correction.is_in_range or settings.apply_beyond_range
    return bool(np.isfinite(correction.factor)) and is_allowed


def may_be_corrected(runs: Sequence[Run], settings: RunSettings) -> tuple[bool, tuple[str, ...]]:
    """Decide whether the factors are applied: all of them or none.

    Returns
    -------
    is_corrected, notes
        With one side corrected, the difference would be the weather.
    """
    if settings.standard == "none" or not runs:
        return False, ()
    usable = [is_usable(run.correction, settings) for run in runs]
    if all(usable):
        return True, ()
    return False, (
        f"{TITLES[settings.standard]}: {usable.count(False)} of {len(runs)} pulls have no factor "
        "that may be used, so no pull was corrected; the table of pulls lists factors and "
        "conditions.",
    )
