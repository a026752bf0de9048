"""What the customer feels: torque low down and how it comes up, smoothness, answer to the pedal.

Each figure is worked out for every pull or pedal step; before and after are the means of these
repeats, and the interval of the difference is Welch's over them. A difference is claimed where the
interval leaves out zero, each figure for itself. Without two repeats a side nothing is claimed.

========================== =====================================================================
torque, mean               mean of the smoothed curve over the low speeds
torque at one speed        the smoothed curve there
rise of torque             torque at that speed less torque at the lowest of the low speeds;
                           steeper is neither better nor worse
unevenness of torque       rms of the samples about the smoothed curve, in N.m and in percent of
                           the curve (`tuneassist.runs.drivability`): better or worse where both say
                           so, for a logger's noise shrinks in percent as torque grows
drop on the way up         fall of the smoothed curve below the highest torque at any lower speed,
                           up to the highest of the low speeds, in percent, where it is largest in
                           the mean of the other pulls: about zero where there is none
tip-in to 90 %             time from the pedal to 90 % of the settled answer
                           (`tuneassist.runs.tip_in`); no difference below the time between samples
torque after tip-in        the torque that it settles at: more torque may take longer to 90 % of it
========================== =====================================================================

The definitions are common practice, without a source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.integrate import trapezoid

from tuneassist.grid import Floats
from tuneassist.runs.curves import runs_matrix, speed_grid
from tuneassist.runs.drivability import SUMMARY, roughness, summarise
from tuneassist.runs.gain import covered_band
from tuneassist.runs.refusal import Refusal
from tuneassist.runs.settings import RunSettings
from tuneassist.runs.side_runs import Run
from tuneassist.runs.tip_in import NINETY

FEEL = [*SUMMARY, "change_pct", "better_if", "verdict"]
"""Columns: those of a summary, change in percent of before, which way is better, verdict."""
BETTER, WORSE, NO_DIFFERENCE = "better", "worse", "no difference shown"
STEEPER, FLATTER = "steeper", "flatter"
NO_INTERVAL = "no interval"
NOT_ALIKE = "not alike"
"""Verdict where the two sides were not measured alike, so that nothing is claimed."""
UNEVEN = ("unevenness of torque", "unevenness, share")
TORQUE_MEASURES = {
    "torque, mean": ("mean_nm", "N.m", "more"),
    "torque": ("point_nm", "N.m", "more"),
    "rise of torque": ("rise_nm", "N.m", "neither"),
    "drop on the way up": ("drop_pct", "%", "less"),
    UNEVEN[0]: ("uneven_nm", "N.m", "less"),
    UNEVEN[1]: ("uneven_pct", "%", "less"),
}
"""Name to column, unit, and which way is better."""
SETTLED = "torque after tip-in"
ROUNDING = 1e-6
"""An interval that comes closer to zero than this holds it: rounding is no change. [of a figure]"""
SMOOTHNESS = ("drop on the way up", *UNEVEN)
"""Figures that stand after the answer to the pedal."""
DISAGREE = (
    "Unevenness as torque and as a share of it do not say the same: noise of the logger alone "
    "shrinks as a share when torque grows. No difference is claimed."
)
NO_TIP_IN = (
    "Tip-in: no pedal step of both sides could be evaluated. Hold a speed, step the pedal at once, "
    "hold it for 4 s; three times a side."
)
ONE_RUN = "Fewer than two repeats on a side: no interval, and nothing is claimed."


@dataclass(frozen=True, eq=False)
class Feel:
    """The figures, and what has to be said with them.

    Parameters
    ----------
    table
        Columns `FEEL`, one row per figure and range of speeds, torque low down first.
    notes
        What was assumed, left out or not alike.
    """

    table: pd.DataFrame
    notes: tuple[str, ...]


def compare_feel(
    runs: Sequence[Run],
    curves: pd.DataFrame,
    steps: pd.DataFrame,
    settings: RunSettings,
    *,
    is_comparable: bool,
    air_effect_pct: float,
) -> Feel:
    """Compare what the customer feels, before and after.

    Parameters
    ----------
    runs, curves
        The pulls of both sides and their curves.
    steps
        The pedal steps of both sides, as from `tuneassist.runs.tip_in.tip_ins`.
    settings
        Low speeds, level.
    is_comparable
        Whether torque may be compared; in different air it may not, and only times are given.
    air_effect_pct
        Effect of the difference of the air on torque; nan where it is not known. [%]
    """
    nothing = Feel(pd.DataFrame(columns=FEEL), ())
    torque = _torque_feel(runs, curves, settings) if is_comparable else nothing
    tip_in = _tip_in_feel(steps, settings, air_effect_pct, is_comparable=is_comparable)
    is_smoothness = torque.table["measure"].isin(SMOOTHNESS)
    tables = [torque.table[~is_smoothness], tip_in.table, torque.table[is_smoothness]]
    filled = [table for table in tables if len(table)]
    table = pd.concat(filled, ignore_index=True) if filled else nothing.table
    notes = [*torque.notes, *tip_in.notes]
    if (table["verdict"] == NO_INTERVAL).any():
        notes.append(ONE_RUN)
    return Feel(table, tuple(notes))


def verdict_of(low: float, high: float, better_if: str) -> str:
    """Say in words what an interval of a difference shows.

    Examples
    --------
    >>> verdict_of(0.1, 0.3, "more"), verdict_of(0.1, 0.3, "less"), verdict_of(-0.1, 0.3, "less")
    ('better', 'worse', 'no difference shown')
    """
    if not (np.isfinite(low) and np.isfinite(high)):
        return NO_INTERVAL
    if low <= ROUNDING and high >= -ROUNDING:
        return NO_DIFFERENCE
    is_more = low > 0.0
    if better_if == "neither":
        return STEEPER if is_more else FLATTER
    return BETTER if is_more == (better_if == "more") else WORSE


def low_torque(
    curves: pd.DataFrame, band: tuple[float, float], settings: RunSettings
) -> pd.DataFrame:
    """Return the torque figures of every pull that covers the low speeds.

    Parameters
    ----------
    curves
        Curves of one side.
    band
        The low speeds. [rpm]
    settings
        Spacing of the curves, the one speed.

    Returns
    -------
    DataFrame
        Columns log, pull, mean_nm, point_nm, rise_nm, drop_pct.
    """
    rpm = speed_grid(*band, settings.step_rpm)
    torque = runs_matrix(curves, "torque_nm", rpm)
    named = curves[["log", "pull"]].drop_duplicates().reset_index(drop=True)
    whole = np.flatnonzero(np.isfinite(torque).all(axis=1))
    torque, named = torque[whole], named.iloc[whole]
    at = int(np.abs(rpm - _point(band, settings)).argmin())
    return named.assign(
        mean_nm=trapezoid(torque, rpm, axis=1) / float(np.ptp(rpm)),
        point_nm=torque[:, at],
        rise_nm=torque[:, at] - torque[:, 0],
        drop_pct=drop_pct(torque),
    )


def _point(band: tuple[float, float], settings: RunSettings) -> float:
    """Return the one speed of the low speeds, on the grid of the curves. [rpm]"""
    wanted = settings.low_point_rpm
    inside = wanted if band[0] < wanted <= band[1] else 0.5 * sum(band)
    rpm = speed_grid(*band, settings.step_rpm)
    return float(rpm[np.abs(rpm - inside).argmin()])


def drop_pct(torque: Floats) -> Floats:
    """Fall below the highest torque so far, up to the highest of all, of each pull. [%]

    Where it is largest is read from the mean of the other pulls: the largest fall of the pull
    itself would be noise where torque is level, and never below zero.

    Parameters
    ----------
    torque
        Shape (pulls, speeds), rising speeds.

    Examples
    --------
    >>> drop_pct(np.array([[200.0, 250.0, 230.0, 300.0]])).round(9).tolist()  # 230 of 250
    [8.0]
    """
    n = len(torque)
    others = (torque.sum(axis=0) - torque) / (n - 1) if n > 1 else torque
    columns = np.arange(torque.shape[1])
    highest = np.maximum.accumulate(others, axis=1)
    is_on_the_way = columns <= others.argmax(axis=1)[:, None]
    lowest = np.where(is_on_the_way, 1.0 - others / highest, 0.0).argmax(axis=1)
    top = np.maximum.accumulate(np.where(others >= highest, columns, 0), axis=1)
    row = np.arange(n)
    return np.asarray(100.0 * (1.0 - torque[row, lowest] / torque[row, top[row, lowest]]))


def _torque_feel(runs: Sequence[Run], curves: pd.DataFrame, settings: RunSettings) -> Feel:
    """Compare torque low down, its rise and its smoothness."""
    empty = pd.DataFrame(columns=FEEL)
    if curves["side"].nunique() < 2:
        return Feel(empty, ())
    sides = {name: curves[curves["side"] == name] for name in ("before", "after")}
    band = covered_band(list(sides.values()), replace(settings, driven_rpm=settings.low_rpm))
    if isinstance(band, Refusal):
        return Feel(empty, (_uncovered_words(None, settings),))
    parts = [low_torque(side, band, settings).assign(side=name) for name, side in sides.items()]
    each = pd.concat(parts, ignore_index=True).merge(
        _unevenness(runs, band, settings), on=["side", "log", "pull"]
    )
    point = _point(band, settings)
    spans = {"point_nm": (point, point), "rise_nm": (band[0], point)}
    rows = [
        _rows(each, {name: (column, unit)}, spans.get(column, band), better_if, settings)
        for name, (column, unit, better_if) in TORQUE_MEASURES.items()
    ]
    table = pd.concat(rows, ignore_index=True)
    alike = _alike_words(runs, settings)
    disagree = _judge_unevenness(table, is_alike=not alike)
    notes = [_uncovered_words(band, settings), alike, disagree]
    return Feel(table, tuple(words for words in notes if words))


def _unevenness(
    runs: Sequence[Run], band: tuple[float, float], settings: RunSettings
) -> pd.DataFrame:
    """Return the unevenness of every pull over the low speeds, as measured."""
    rows = []
    for run in runs:
        rpm = run.pull.samples["rpm"].to_numpy(dtype=float)
        in_nm, in_pct = roughness(rpm, run.torque.torque_nm, settings, band)
        rows.append((run.side, run.pull.log, run.pull.number, in_nm, in_pct))
    return pd.DataFrame(rows, columns=["side", "log", "pull", "uneven_nm", "uneven_pct"])


def _rows(
    each: pd.DataFrame,
    measures: dict[str, tuple[str, str]],
    span: tuple[float, float],
    better_if: str,
    settings: RunSettings,
) -> pd.DataFrame:
    """Compare one figure of the repeats, with its verdict."""
    found = summarise(each.assign(rpm_from=span[0], rpm_to=span[1]), measures, settings)
    return _judged(found, better_if)


def _judged(found: pd.DataFrame, better_if: str) -> pd.DataFrame:
    before = found["before"].to_numpy(dtype=float)
    percent = 100.0 * found["change"].to_numpy(dtype=float) / np.where(before != 0, before, np.nan)
    verdicts = [
        verdict_of(low, high, better_if)
        for low, high in zip(found["change_low"], found["change_high"], strict=True)
    ]
    return found.assign(change_pct=percent, better_if=better_if, verdict=verdicts)


def _judge_unevenness(table: pd.DataFrame, *, is_alike: bool) -> str:
    """Let both figures of unevenness say the same; return words where they do not agree."""
    is_uneven = table["measure"].isin(UNEVEN)
    said = set(table.loc[is_uneven, "verdict"])
    joint = said.pop() if len(said) == 1 else NO_DIFFERENCE
    table.loc[is_uneven, "verdict"] = joint if is_alike else NOT_ALIKE
    return DISAGREE if said and joint == NO_DIFFERENCE and is_alike else ""


def _alike_words(runs: Sequence[Run], settings: RunSettings) -> str:
    """Say why unevenness of the two sides may not be compared; empty where it may."""
    rates, sources = {}, {}
    for side in ("before", "after"):
        own = [run for run in runs if run.side == side]
        rates[side] = float(np.median([(len(r.pull.samples) - 1) / r.pull.duration_s for r in own]))
        sources[side] = sorted({run.torque.source for run in own})
    apart = 100.0 * (max(rates.values()) / min(rates.values()) - 1.0)
    if apart > settings.same_rate_pct:
        return (
            f"Unevenness is not compared: {rates['before']:.3g} samples a second before, "
            f"{rates['after']:.3g} after."
        )
    if sources["before"] != sources["after"]:
        before, after = (" and ".join(sources[side]) for side in ("before", "after"))
        return f"Unevenness is not compared: torque is from {before} before, from {after} after."
    return ""


def _uncovered_words(band: tuple[float, float] | None, settings: RunSettings) -> str:
    """Say which of the low speeds the pulls do not cover; empty where they cover all."""
    low, high = settings.low_rpm
    if band == (low, high):
        return ""
    asked = f"the low speeds, {low:g} to {high:g} rpm"
    choose = "Start the pulls lower, or choose other low speeds."
    if band is None:
        return (
            f"Torque low down is not compared: the pulls share less than "
            f"{settings.least_driven_rpm:g} rpm of {asked}. {choose}"
        )
    return (
        f"The pulls cover only {band[0]:g} to {band[1]:g} rpm of {asked}: torque low down is that "
        f"of this part. {choose}"
    )


def _tip_in_feel(
    steps: pd.DataFrame, settings: RunSettings, air_effect_pct: float, *, is_comparable: bool
) -> Feel:
    """Compare the time from tip-in to 90 % of the answer, and the torque that it settles at."""
    empty = pd.DataFrame(columns=FEEL)
    by_side = {side: steps[steps["side"] == side] for side in ("before", "after")}
    if any(part.empty for part in by_side.values()):
        return Feel(empty, (NO_TIP_IN,))
    signals = [set(part["signal"]) for part in by_side.values()]
    signal = next((name for name in NINETY if all(name in seen for seen in signals)), None)
    if signal is None:
        before, after = (" and ".join(sorted(seen)) for seen in signals)
        return Feel(empty, (f"Tip-in is not compared: by {before} before, by {after} after.",))
    used = steps[steps["signal"] == signal]
    table = _step_rows(used, f"tip-in to 90 % {signal}", (NINETY[signal], "s", "less"), settings)
    if table.empty:
        words = "Tip-in is not compared: the steps of the two sides were made at other speeds."
        return Feel(empty, (words,))
    is_other_air = abs(air_effect_pct) > settings.max_air_effect_pct
    if signal == "torque" and is_comparable and not is_other_air:
        torque = _step_rows(used, SETTLED, ("torque_to_nm", "N.m", "more"), settings)
        table = pd.concat([table, torque], ignore_index=True)
    notes = (*_judge_steps(table, used, settings), _air_words(air_effect_pct, settings))
    return Feel(table, tuple(words for words in notes if words))


def _step_rows(
    steps: pd.DataFrame, name: str, measure: tuple[str, str, str], settings: RunSettings
) -> pd.DataFrame:
    """Compare one figure of the pedal steps where both sides have it, low speeds if there are."""
    column, unit, better_if = measure
    found = summarise(steps, {name: (column, unit)}, settings)
    found = found[(found["n_before"] > 0) & (found["n_after"] > 0)]
    is_low = (0.5 * (found["rpm_from"] + found["rpm_to"])).between(*settings.low_rpm)
    return _judged(found[is_low] if is_low.any() else found, better_if).reset_index(drop=True)


def _air_words(air_effect_pct: float, settings: RunSettings) -> str:
    """Say that tip-in times include the air; empty where both sides had about the same."""
    if abs(air_effect_pct) <= settings.max_air_effect_pct:
        return ""
    seen = "is not known" if np.isnan(air_effect_pct) else "differs"
    return (
        f"The air of the two sides {seen}: the tip-in times are as measured and include what the "
        "air does to boost."
    )


def _judge_steps(table: pd.DataFrame, steps: pd.DataFrame, settings: RunSettings) -> list[str]:
    """Claim nothing below the time between samples, nor between other pedal steps."""
    notes = []
    for place, row in table.iterrows():
        own = steps[(steps["rpm_from"] == row["rpm_from"]) & (steps["rpm_to"] == row["rpm_to"])]
        is_short = row["unit"] == "s" and abs(row["change"]) < own["resolution_s"].max()
        if is_short and row["verdict"] != NO_INTERVAL:
            table.loc[place, "verdict"] = NO_DIFFERENCE
        pedal = own.groupby("side")[["pedal_from_pct", "pedal_to_pct"]].mean()
        if (np.ptp(pedal.to_numpy(), axis=0) > settings.step_quiet_pct).any():
            table.loc[place, "verdict"] = NOT_ALIKE
            said = [f"{a:.0f} to {b:.0f} % {side}" for side, a, b in pedal[::-1].itertuples()]
            notes.append(
                f"Tip-in, {row['rpm_from']:g} to {row['rpm_to']:g} rpm: the pedal steps are not "
                f"alike, {' and '.join(said)}."
            )
    return list(dict.fromkeys(notes))
