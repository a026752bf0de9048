"""Compare full-load runs before and after: the stages in order, and their result."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.runs.air import AirState
from tuneassist.runs.air_difference import (
    DIFFERENT_AIR,
    KnownAir,
    air_difference_words,
    air_effect_pct,
    air_refusal,
    mean_air,
)
from tuneassist.runs.curves import CURVE_COLUMNS, curve_of, mean_curves
from tuneassist.runs.drivability import DIPS, SUMMARY, find_dips, roughness, summarise
from tuneassist.runs.equivalence import Changes, Equivalence, assess_equivalence
from tuneassist.runs.feel import compare_feel
from tuneassist.runs.gain import (
    driven_gain,
    find_peaks_of_mean,
    gain_curve,
    main_figures,
    uncovered_note,
)
from tuneassist.runs.limit_checks import COLUMNS, breaches, check_limits
from tuneassist.runs.pulls import Pull
from tuneassist.runs.refusal import Refusal
from tuneassist.runs.settings import RunSettings
from tuneassist.runs.side_runs import (
    LogLike,
    Run,
    SideRuns,
    may_be_corrected,
    pull_with_torque,
    runs_of_side,
    with_unique_names,
    without_duplicates,
)
from tuneassist.runs.standard_air import TITLES
from tuneassist.runs.tip_in import MEASURES, STEPS, tip_ins
from tuneassist.settings import EngineSettings, LimitSettings, default_limits
from tuneassist.threads import on_one_thread

SIDES = ("before", "after")
ROUGHNESS = {
    "roughness of torque": ("roughness_nm", "N.m"),
    "roughness of torque, share": ("roughness_pct", "%"),
}
NO_AIR = (
    "The air of the two sides is not known: no barometer and no inlet temperature was logged on "
    "both. The gain includes the weather. Give a standard and the air of both sides."
)
HALF_AIR = (
    "Pressure or inlet temperature of the air is not known on both sides: it was taken as equal."
)
MIXED = (
    "Pulls with rising and falling speed are averaged together: inertia raises one and lowers the "
    "other. Compare one direction only."
)


@dataclass(frozen=True, eq=False)
class RunsComparison:
    """Result of comparing full-load runs before and after. Each table is tidy.

    Parameters
    ----------
    pulls
        One row per pull: side, log, pull, direction, rpm_from, rpm_to, duration_s, samples,
        judged_by, torque_from, disagreement_pct, factor (from the standard's formula, nan where
        it cannot be calculated), is_in_range, conditions, roughness_nm,
        roughness_pct.
    curves
        One row per pull and speed (`tuneassist.runs.curves.CURVE_COLUMNS` and channels).
    mean
        One row per side and speed, with band.
    gain
        One row per speed that both sides cover.
    driven
        Gain over the driven speeds or the covered part of them; empty where that is too narrow.
    peaks
        Peaks of the mean curves.
    limit_checks
        One row per pull and limit.
    smoothness, dips
        Roughness before and after; hollows of the mean curves.
    steps, responses
        One row per step of the pedal; measures before and after.
    feel, feel_notes
        What the customer feels, with verdicts (`tuneassist.runs.feel`); what goes with it. In
        different air without correction only the answer to the pedal.
    standard
        Title of the standard asked for.
    is_corrected
        Whether the factors are applied to torque and power. All pulls or none: with one side
        corrected, the difference would be the weather.
    air_effect_pct
        Extra torque of the after side from its air alone, as estimated by
        `tuneassist.runs.air_difference`; nan where the air is not known. Above
        ``settings.max_air_effect_pct`` and uncorrected, ``gain`` is empty.
    refusals
        What could not be done.
    notes
        What was assumed or found, each sentence once.
    settings
        Thresholds in force.
    """

    pulls: pd.DataFrame
    curves: pd.DataFrame
    mean: pd.DataFrame
    gain: pd.DataFrame
    driven: pd.DataFrame
    peaks: pd.DataFrame
    limit_checks: pd.DataFrame
    smoothness: pd.DataFrame
    dips: pd.DataFrame
    steps: pd.DataFrame
    responses: pd.DataFrame
    feel: pd.DataFrame
    feel_notes: tuple[str, ...]
    standard: str
    is_corrected: bool
    air_effect_pct: float
    refusals: tuple[Refusal, ...]
    notes: tuple[str, ...]
    settings: RunSettings

    @property
    def is_usable(self) -> bool:
        """Whether both sides have a pull and may be compared, so that there is a gain."""
        return bool(len(self.gain))

    @property
    def breaches(self) -> pd.DataFrame:
        """Rows of ``limit_checks`` where a limit was exceeded, described in ``words``."""
        return breaches(self.limit_checks)

    @property
    def breaches_after(self) -> pd.DataFrame:
        """The rows of `breaches` after the change: those the car has now."""
        return self.breaches[self.breaches["side"].eq("after")]

    @property
    def main_figures(self) -> pd.DataFrame:
        """Peak and low-down torque and power with their gain (`tuneassist.runs.gain`).

        Empty where the sides may not be compared.
        """
        if not self.is_usable:
            return pd.DataFrame()
        return main_figures(self.curves, self.mean, self.settings)

    def equivalence(self, changes: Changes | None = None) -> Equivalence:
        """Test whether the sides are the same: standard car before, all-zero grid after.

        Parameters
        ----------
        changes
            Units of the differences in the statements; None uses the internal units.
        """
        different_air = [r for r in self.refusals if r.name == DIFFERENT_AIR]
        if different_air:
            words = f"cannot tell: {different_air[0].description}"
            return Equivalence("cannot tell", words, pd.DataFrame(), tuple(different_air))
        return assess_equivalence(self.curves, self.settings, changes)


@on_one_thread
def compare_runs(
    before: Sequence[LogLike],
    after: Sequence[LogLike],
    *,
    settings: RunSettings | None = None,
    engine: EngineSettings | None = None,
    limits: LimitSettings | None = None,
    air_before: AirState | None = None,
    air_after: AirState | None = None,
) -> RunsComparison:
    """Compare full-load runs before and after.

    Parameters
    ----------
    before, after
        Logs of each side; several logs of one side are repeats.
    settings
        Thresholds and the standard.
    engine
        Ignition type decides formula and limits.
    limits
        Ceilings and lambda limits; the ignition type's defaults when left out.
    air_before, air_after
        Air of each side; left out, the logs' barometer and inlet temperature are taken.

    Returns
    -------
    RunsComparison
        Empty tables and refusals where a side has no pulls; see ``is_usable``.
    """
    settings, engine = settings or RunSettings(), engine or EngineSettings()
    limits = limits or default_limits(engine.ignition)
    before, after = with_unique_names(before), with_unique_names(after)
    sides = [
        runs_of_side(name, logs, air=air, settings=settings, engine=engine, limits=limits)
        for name, logs, air in (("before", before, air_before), ("after", after, air_after))
    ]
    runs, copies = without_duplicates([run for side in sides for run in side.runs])
    is_corrected, uncorrected = may_be_corrected(runs, settings)
    air = [mean_air([run.air for run in runs if run.side == side]) for side in SIDES]
    different_air = _different_air(runs, air, is_corrected, settings)
    tables = _tables(runs, is_corrected, settings, is_comparable=not different_air)
    driven, uncovered = _driven(tables["curves"], settings, is_comparable=not different_air)
    limit_checks, unchecked = _check_limits(runs, limits, engine, settings)
    steps, unread = _tip_ins(before, after, runs, settings)
    effect = air_effect_pct(air[0], air[1])
    feel = compare_feel(runs, tables["curves"], steps, settings, air_effect_pct=effect,
                        is_comparable=not different_air)  # fmt: skip
    refused = _of_pulls(sides, steps)
    outside = [r.correction.refusal for r in runs if r.correction.refusal is not None]
    about_air = (*uncorrected, *_air_notes(runs, air, is_corrected, settings))
    about_all = (*about_air, *_coverage_notes(driven, settings), *_direction_notes(runs))
    return RunsComparison(
        **tables, driven=driven, limit_checks=limit_checks, steps=steps,
        responses=_responses(steps, settings), feel=feel.table, feel_notes=feel.notes,
        standard=TITLES[settings.standard], is_corrected=is_corrected, air_effect_pct=effect,
        refusals=(*refused, *copies, *different_air, *outside, *uncovered, *unchecked, *unread),
        notes=_all_notes(sides, about_all, len(before) + len(after)), settings=settings,
    )  # fmt: skip


def _of_pulls(sides: Sequence[SideRuns], steps: pd.DataFrame) -> list[Refusal]:
    """Collect what was refused of the pulls; a log of pedal steps need not have any."""
    stepped = {f"{side}, {log}" for side, log in zip(steps["side"], steps["log"], strict=True)}
    return [
        refusal for side in sides for refusal in side.refusals
        if not (refusal.name == "never wide open" and refusal.where in stepped)
    ]  # fmt: skip


def _different_air(
    runs: Sequence[Run], air: Sequence[KnownAir], is_corrected: bool, settings: RunSettings
) -> tuple[Refusal, ...]:
    """Refuse to compare uncorrected sides that ran in different air."""
    if is_corrected or {run.side for run in runs} != set(SIDES):
        return ()
    found = air_refusal(air[0], air[1], settings, names=SIDES)
    return () if found is None else (found,)


def _air_notes(
    runs: Sequence[Run], air: Sequence[KnownAir], is_corrected: bool, settings: RunSettings
) -> tuple[str, ...]:
    """Note how the weather may affect the gain: air not known, or compared as measured."""
    if is_corrected or {run.side for run in runs} != set(SIDES):
        return ()
    effect = air_effect_pct(air[0], air[1])
    if np.isnan(effect):
        return (NO_AIR,)
    is_half = not all(np.isfinite([one.pressure_kpa, one.temp_c]).all() for one in air)
    notes = [HALF_AIR] if is_half else []
    if abs(effect) > settings.max_air_effect_pct and settings.different_air == "as measured":
        text = air_difference_words(air[0], air[1], names=SIDES)
        notes.append(f"{text}. The gain includes it, as requested.")
    return tuple(notes)


def _coverage_notes(driven: pd.DataFrame, settings: RunSettings) -> tuple[str, ...]:
    """Note the driven speeds that the runs do not cover."""
    words = uncovered_note(driven, settings) if len(driven) else ""
    return (words,) if words else ()


def _direction_notes(runs: Sequence[Run]) -> tuple[str, ...]:
    """Note that pulls with rising and falling speed are mixed."""
    return (MIXED,) if len({run.pull.direction for run in runs}) > 1 else ()


def _all_notes(sides: Sequence[SideRuns], about_all: Sequence[str], logs: int) -> tuple[str, ...]:
    """Collect the notes on single logs and those on the whole comparison."""
    notes = [note for side in sides for note in side.notes]
    return _merged_notes([*notes, *(("", words) for words in about_all)], logs)


def _merged_notes(notes: list[tuple[str, str]], logs: int) -> tuple[str, ...]:
    """Keep each sentence once, with its logs unless it applies to all."""
    about: dict[str, list[str]] = {}
    for where, sentence in notes:
        places = about.setdefault(sentence, [])
        if where and where not in places:
            places.append(where)
    return tuple(
        sentence if len(places) in (0, logs) else f"{'; '.join(places)}: {sentence}"
        for sentence, places in about.items()
    )


def _check_limits(
    runs: Sequence[Run], limits: LimitSettings, engine: EngineSettings, settings: RunSettings
) -> tuple[pd.DataFrame, list[Refusal]]:
    tables: list[pd.DataFrame] = []
    refusals: list[Refusal] = []
    for side in ("before", "after"):
        pulls = [pull_with_torque(run) for run in runs if run.side == side]
        if not pulls:
            continue
        table, unseen = check_limits(
            pulls, side=side, limits=limits, ignition=engine.ignition, settings=settings
        )
        tables.append(table)
        refusals += unseen
    return _stacked(tables, COLUMNS), refusals


def _driven(
    curves: pd.DataFrame, settings: RunSettings, *, is_comparable: bool
) -> tuple[pd.DataFrame, tuple[Refusal, ...]]:
    if not is_comparable or curves["side"].nunique() < 2:
        return pd.DataFrame(), ()
    found = driven_gain(curves, settings)
    return (pd.DataFrame(), (found,)) if isinstance(found, Refusal) else (found, ())


def _tables(
    runs: Sequence[Run], is_corrected: bool, settings: RunSettings, *, is_comparable: bool
) -> dict[str, pd.DataFrame]:
    """Build the tables that come from the curves."""
    parts = [
        curve_of(
            run.pull, run.torque.torque_nm, side=run.side,
            factor=run.correction.factor if is_corrected else 1.0, settings=settings,
        )
        for run in runs
    ]  # fmt: skip
    curves = _stacked(parts, list(CURVE_COLUMNS))
    pulls = pd.DataFrame([_pull_row(run, settings) for run in runs])
    mean = mean_curves(curves, settings)
    is_both = curves["side"].nunique() == 2 and is_comparable
    empty = pd.DataFrame()
    return {
        "pulls": pulls,
        "curves": curves,
        "mean": mean,
        "gain": gain_curve(curves, settings) if is_both else empty,
        "peaks": find_peaks_of_mean(mean) if len(mean) else empty,
        "smoothness": _smoothness(pulls, settings),
        "dips": find_dips(mean, curves, settings) if len(mean) else pd.DataFrame(columns=DIPS),
    }


def _pull_row(run: Run, settings: RunSettings) -> dict[str, object]:
    low, high = run.pull.rpm_range
    rpm = run.pull.samples["rpm"].to_numpy(dtype=float)
    rough = roughness(rpm, run.torque.torque_nm, settings)
    return {
        "side": run.side, "log": run.pull.log, "pull": run.pull.number,
        "direction": run.pull.direction, "rpm_from": low, "rpm_to": high,
        "duration_s": run.pull.duration_s, "samples": len(rpm),
        "judged_by": run.pull.full_load_channel,
        "torque_from": run.torque.source, "disagreement_pct": run.torque.disagreement_pct,
        "factor": run.correction.factor, "is_in_range": run.correction.is_in_range,
        "conditions": run.correction.conditions, "roughness_nm": rough[0],
        "roughness_pct": rough[1],
    }  # fmt: skip


def _smoothness(pulls: pd.DataFrame, settings: RunSettings) -> pd.DataFrame:
    if pulls.empty:
        return pd.DataFrame(columns=SUMMARY)
    whole = pulls.assign(rpm_from=pulls["rpm_from"].min(), rpm_to=pulls["rpm_to"].max())
    return summarise(whole, ROUGHNESS, settings)


def _tip_ins(
    before: Sequence[LogLike],
    after: Sequence[LogLike],
    runs: Sequence[Run],
    settings: RunSettings,
) -> tuple[pd.DataFrame, list[Refusal]]:
    """Read the pedal steps of all logs; the pedal step that starts a pull is not reported."""
    tables: list[pd.DataFrame] = []
    refusals: list[Refusal] = []
    for side, log in [("before", log) for log in before] + [("after", log) for log in after]:
        found = tip_ins(log.samples, side=side, name=log.name, settings=settings)
        tables.append(found.table)
        own = [r.pull for r in runs if (r.side, r.pull.log) == (side, log.name)]
        opens = _starts_a_pull(found.refusals, own, settings)
        refusals += [
            replace(r, where=f"{side}, {r.where}")
            for r, is_pull in zip(found.refusals, opens, strict=True)
            if not is_pull
        ]
    return _stacked(tables, STEPS), refusals


def _responses(steps: pd.DataFrame, settings: RunSettings) -> pd.DataFrame:
    """Compare what was measured of the steps; a measure that no step has is left out."""
    found = summarise(steps, MEASURES, settings)
    return found[(found["n_before"] > 0) | (found["n_after"] > 0)].reset_index(drop=True)


def _starts_a_pull(
    refusals: Sequence[Refusal], pulls: Sequence[Pull], settings: RunSettings
) -> npt.NDArray[np.bool_]:
    """Return which refused steps started a pull."""
    starts = np.array([r.numbers.get("start_s", np.nan) for r in refusals], dtype=float)
    ends = [pull.samples["time_s"].iloc[[0, -1]].to_numpy(dtype=float) for pull in pulls]
    first, last = np.sort(np.array(ends, dtype=float).reshape(-1, 2), axis=0).T
    # pulls of a log do not overlap: a step can only start the first pull that ends after it
    at = np.searchsorted(last, starts)
    nearest = np.append(first, np.inf)[at]
    return np.asarray(nearest - settings.response_s <= starts)


def _stacked(tables: Sequence[pd.DataFrame], columns: list[str]) -> pd.DataFrame:
    filled = [table for table in tables if len(table)]
    return pd.concat(filled, ignore_index=True) if filled else pd.DataFrame(columns=columns)
