"""The order of tunes that have no full-load run, by a prediction between the runs beside them.

A prediction is no measurement: it passes with a remark that says what it is. It fails where a
tune's grid leaves the two between which it was predicted, or would give less than the one before.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd

from tuneassist.loop.derive_bounds import WATCHED
from tuneassist.loop.derive_settings import DeriveSettings
from tuneassist.loop.settings import TuneSettings
from tuneassist.loop.torque_prediction import TwoRuns, predict_run, two_runs
from tuneassist.loop.tune_model import (
    Finding,
    SetUnits,
    Tune,
    Verdict,
    signed_words,
    torque_curve,
)
from tuneassist.own_units import channel_words, reading
from tuneassist.runs import RunSettings
from tuneassist.settings import CEILING_CHANNELS

SAME_PCT = 0.05
"""Predictions that differ by less than this are the same: rounding of the grids. [%]"""


@dataclass(frozen=True, eq=False)
class PredictedTune:
    """A tune without a run, and its prediction.

    Parameters
    ----------
    tune, two
        The tune, and the runs between which it was predicted.
    table
        As `predict_run` returns it.
    """

    tune: Tune
    two: TwoRuns
    table: pd.DataFrame

    @property
    def is_told(self) -> bool:
        """Whether a share could be told at any speed."""
        return bool(self.table["torque_nm"].notna().any())


def predicted_tunes(
    tunes: Sequence[Tune], rules: TuneSettings, runs: RunSettings
) -> dict[int, PredictedTune]:
    """Predict every tune without a run that stands between two with one, by place in the list."""
    settings = DeriveSettings()
    found: dict[int, PredictedTune] = {}
    pairs: dict[tuple[int, int], TwoRuns | str] = {}
    with_run = [place for place, tune in enumerate(tunes) if tune.run is not None]
    for place, tune in enumerate(tunes):
        before = [other for other in with_run if other < place]
        behind = [other for other in with_run if other > place]
        if tune.run is not None or not before or not behind:
            continue
        ends = tunes[before[-1]], tunes[behind[0]]
        if not all(_is_alike(tune, end) for end in ends):
            continue
        key = before[-1], behind[0]
        if key not in pairs:
            pairs[key] = two_runs(*ends, rules=rules, runs=runs, settings=settings)
        two = pairs[key]
        if isinstance(two, TwoRuns):
            one = PredictedTune(tune, two, predict_run(tune.grid, two, settings))
            found |= {place: one} if one.is_told else {}
    return found


def _is_alike(tune: Tune, other: Tune) -> bool:
    own, end = tune.setup, other.setup
    is_one_axis = own.axes.is_same(end.axes) and own.axes.load_unit == end.axes.load_unit
    return is_one_axis and own.correction.acts_on == end.correction.acts_on


def order_by_prediction(
    tunes: Sequence[Tune],
    predicted: dict[int, PredictedTune],
    rules: TuneSettings,
    units: SetUnits,
) -> tuple[list[Finding], list[pd.DataFrame]]:
    """Compare neighbours of which one or both are predicted, at every speed that both have.

    Returns
    -------
    findings, tables
        One of each per pair; a table as that of runs, with ``is_predicted``.
    """
    findings, tables = [], []
    for places in pairwise(range(len(tunes))):
        own = [predicted[place] for place in places if place in predicted]
        curves = [_curve(place, tunes, predicted, rules) for place in places]
        known = [curve for curve in curves if curve is not None]
        if not own or len(known) < len(places):
            continue
        names = tunes[places[0]].name, tunes[places[1]].name
        table = _side_by_side(known, names)
        findings.append(Finding("order", *_order_words(table, names, own[0].two, rules, units)))
        tables.append(table)
    return findings, tables


def _curve(
    place: int, tunes: Sequence[Tune], predicted: dict[int, PredictedTune], rules: TuneSettings
) -> pd.Series | None:
    if place in predicted:
        table = predicted[place].table
        return pd.Series(table["torque_nm"].to_numpy(), index=table["rpm"].to_numpy())
    run = tunes[place].run
    return None if run is None else torque_curve(run, rules)


def _side_by_side(curves: Sequence[pd.Series], names: tuple[str, str]) -> pd.DataFrame:
    table = pd.concat(curves, axis=1, keys=["lower_torque_nm", "upper_torque_nm"]).dropna()
    table = table.rename_axis("rpm").reset_index()
    rise = 100.0 * (table["upper_torque_nm"] / table["lower_torque_nm"] - 1.0)
    return table.assign(lower=names[0], upper=names[1], rise_pct=rise, is_predicted=True)


def _order_words(
    table: pd.DataFrame,
    names: tuple[str, str],
    two: TwoRuns,
    rules: TuneSettings,
    units: SetUnits,
) -> tuple[Verdict, tuple[str, ...], str]:
    """Say whether predicted torque rises from one tune to the next, and where least."""
    whole = f"{names[1]} over {names[0]}, by prediction"
    if table.empty:
        return "remark", names, f"{whole}: not told at any speed"
    least = table.iloc[int(table["rise_pct"].argmin())]
    at = (
        f"least {signed_words(least['rise_pct'])} % at {least['rpm']:.0f} rpm "
        f"({units.torques(least['upper_torque_nm'], least['lower_torque_nm'])})"
    )
    how = f"between the runs of {two.milder.name} and {two.stronger.name}, {two.words}"
    span = f"{whole}, {table['rpm'].min():.0f} to {table['rpm'].max():.0f} rpm"
    falls = int((table["rise_pct"] < -SAME_PCT).sum())
    if falls:
        words = f"{span}: torque falls at {falls} of {len(table)} speeds, {at}; {how}"
        return "breach", names, words
    same = int((table["rise_pct"] <= max(rules.least_rise_pct, SAME_PCT)).sum())
    rises = "rise at every speed" if not same else f"do not rise at {same} of {len(table)} speeds"
    return "remark", names, f"{span}: power and torque {rises}, {at}; {how}. Measure it"


def untold_words(predicted: dict[int, PredictedTune]) -> Iterator[str]:
    """Say at which speeds a prediction tells nothing, and beyond which there is none."""
    for one in predicted.values():
        blank = one.table[one.table["torque_nm"].isna()]
        first, last = one.two.rpm.min(), one.two.rpm.max()
        words = f"torque of {one.tune.name} below {first:.0f} and above {last:.0f} rpm, by no run"
        if len(blank):
            listed = f"{blank['rpm'].min():.0f} to {blank['rpm'].max():.0f} rpm"
            words += (
                f", and at {len(blank)} speeds from {listed}, where its grid cannot be placed "
                "between the two"
            )
        yield words


def limits_by_prediction(predicted: dict[int, PredictedTune]) -> Iterator[Finding]:
    """Hold every prediction against its tune's own ceilings."""
    for one in predicted.values():
        for name in WATCHED:
            column, setup = CEILING_CHANNELS[name][0], one.tune.setup
            if name not in setup.limits.ceilings or one.table[column].isna().all():
                continue
            top = setup.limits.ceilings[name].ceiling
            values = one.table[column].to_numpy(dtype=float)
            place = int(np.nanargmax(values))
            word = channel_words(name)
            seen = reading(float(values[place]), name, setup)
            words = (
                f"{one.tune.name}: {seen} {word} predicted at full load at "
                f"{one.table['rpm'].iloc[place]:.0f} rpm, its ceiling is "
                f"{reading(top, name, setup)}"
            )
            is_over = values[place] > top
            yield Finding("limits", "breach" if is_over else "ok", (one.tune.name,), words)
