"""A set of tunes of one car: each within its limits, the standard one all zeros, output in order.

Tunes are listed from the one with least to the one with most power. What is compared is the torque
of full-load runs, at every speed that both runs cover; power at equal speed follows from it. A
towing or economy tune is compared with the power tune in strength, mixture and heat as well. A tune
without a run is predicted between the runs of the tunes around it where its grid stands between
theirs.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import pandas as pd

from tuneassist.correction import check_grid
from tuneassist.loop.predicted_order import (
    limits_by_prediction,
    order_by_prediction,
    predicted_tunes,
    untold_words,
)
from tuneassist.loop.settings import TuneSettings
from tuneassist.loop.towing_checks import compare_kinds
from tuneassist.loop.tune_model import (
    KINDS,
    STANDARD,
    Finding,
    SetUnits,
    Tune,
    Verdict,
    run_torque,
    signed_words,
    torque_curve,
    units_of_set,
)
from tuneassist.loop.tune_run_checks import air_between, air_uncertainty, run_limits
from tuneassist.runs import RunSettings
from tuneassist.runs.torque import torque_nm

__all__ = ["KINDS", "STANDARD", "Finding", "Tune", "TunesReport", "check_tunes", "run_torque"]

ZERO_PCT = 1e-9
NOT_LOOKED_AT = "what the engine does with these grids: log each tune to see that"
"""What a check of grids and curves cannot show."""
MAX_LISTED = 5


@dataclass(frozen=True, eq=False)
class TunesReport:
    """What was found in a set of tunes.

    Parameters
    ----------
    findings
        In the order of the checks.
    rises
        One row per speed and pair of tunes that were compared: ``lower, upper, rpm,
        lower_torque_nm, upper_torque_nm, rise_pct``.
    checked, unchecked
        What was checked and what was not, in words.
    predicted
        By name of a tune without a run that stands between two with one: its full load as
        `predict_run` returns it.
    """

    findings: tuple[Finding, ...]
    rises: pd.DataFrame = field(default_factory=pd.DataFrame)
    checked: tuple[str, ...] = ()
    unchecked: tuple[str, ...] = ()
    predicted: Mapping[str, pd.DataFrame] = field(default_factory=dict)

    @property
    def is_ok(self) -> bool:
        """Whether no check failed."""
        return all(finding.verdict != "breach" for finding in self.findings)


def check_tunes(
    tunes: Sequence[Tune],
    settings: TuneSettings | None = None,
    *,
    runs: RunSettings | None = None,
) -> TunesReport:
    """Check a set of tunes.

    Parameters
    ----------
    tunes
        From least to most power.
    settings
        What counts as a rise; None takes the defaults.
    runs
        How far the air of two runs may differ, and what happens to those that do.

    Returns
    -------
    TunesReport

    Raises
    ------
    GridError
        When a tune's grid and setup do not share their breakpoints.
    """
    rules, runs = settings or TuneSettings(), runs or RunSettings()
    findings = [*_of_the_set(tunes), *_of_sources(tunes)]
    for tune in tunes:
        findings += _of_limits(tune)
    findings += _of_standard(tunes)
    rises, units = [], units_of_set(tunes)
    in_order = list(pairwise([tune for tune in tunes if tune.run is not None]))
    for lower, upper in in_order:
        found, table = _of_order(lower, upper, rules, runs, units)
        findings += found
        rises.append(table)
    predicted = predicted_tunes(tunes, rules, runs)
    by_prediction, tables = order_by_prediction(tunes, predicted, rules, units)
    findings += by_prediction
    between = compare_kinds(tunes, rules, in_order=in_order, runs=runs)
    findings += between.findings
    missing = [*_of_missing_runs(tunes, {one.tune.name for one in predicted.values()})]
    findings += missing
    findings += [f for tune in tunes for f in _of_one_run(tune, rules)]
    held = [run_limits(tune) for tune in tunes]
    findings += [f for found, _ in held for f in found]
    findings += limits_by_prediction(predicted)
    listed = [*rises, *tables]
    table = pd.concat(listed, ignore_index=True) if listed else pd.DataFrame()
    compared, has_limits = sum(len(one) > 0 for one in rises), any(found for found, _ in held)
    checked = [*_checked_words(compared, len(by_prediction), has_limits), *between.checked]
    doubts = [air_uncertainty(lower, upper, runs) for lower, upper in in_order]
    doubts += [unread for _, unread in held]
    unchecked = (
        *(f.sentence.removeprefix("not checked: ") for f in missing),
        *filter(None, doubts), *untold_words(predicted), *between.unchecked, NOT_LOOKED_AT,
    )  # fmt: skip
    told = {one.tune.name: one.table for one in predicted.values()}
    return TunesReport(tuple(findings), table, tuple(checked), unchecked, told)


def _checked_words(compared: int, predicted: int, has_limits: bool) -> Iterator[str]:
    """Say what was checked of every set, and of the pairs and runs that this one has."""
    yield "each grid against its limits"
    yield "that the standard one is all zeros"
    if compared:
        pairs = "one pair of tunes" if compared == 1 else f"{compared} pairs of tunes"
        yield f"that torque and power rise in order, for {pairs}"
    if predicted:
        pairs = "one pair" if predicted == 1 else f"{predicted} pairs"
        yield f"the same by prediction, for {pairs} of tunes of which one has no run"
    if has_limits:
        yield "each full-load run against its tune's limits, where it has their channels"


def _of_the_set(tunes: Sequence[Tune]) -> Iterator[Finding]:
    if len(tunes) < 2:
        sentence = f"the set has {len(tunes) or 'no'} tune, so nothing is compared"
        yield Finding("set", "remark", tuple(t.name for t in tunes), sentence)
    names = [tune.name for tune in tunes]
    for name in sorted({n for n in names if names.count(n) > 1}):
        sentence = f"{names.count(name)} tunes are called {name}"
        yield Finding("set", "breach", (name,), sentence)
    for what, values in (
        ("ignition", {t.setup.engine.ignition for t in tunes}),
        ("fuel", {t.setup.engine.fuel for t in tunes}),
    ):
        if len(values) > 1:
            sentence = f"the setups do not agree on {what}: {', '.join(sorted(values))}"
            yield Finding("set", "breach", tuple(names), sentence)


def _of_sources(tunes: Sequence[Tune]) -> Iterator[Finding]:
    """Say where each run comes from."""
    for tune in tunes:
        if tune.run_words:
            yield Finding("set", "ok", (tune.name,), f"{tune.name}: full load is {tune.run_words}")


def _of_limits(tune: Tune) -> Iterator[Finding]:
    breaches = check_grid(tune.grid, current=None, setup=tune.setup)
    for breach in breaches[:MAX_LISTED]:
        yield Finding("limits", "breach", (tune.name,), f"{tune.name}: {breach.sentence}")
    if len(breaches) > MAX_LISTED:
        sentence = f"{tune.name}: and {len(breaches) - MAX_LISTED} more breaches of its limits"
        yield Finding("limits", "breach", (tune.name,), sentence)
    if not breaches:
        values = np.nan_to_num(tune.grid.flat())
        sentence = (
            f"{tune.name}: within its limits, from {signed_words(values.min())} to "
            f"{signed_words(values.max())} %"
        )
        yield Finding("limits", "ok", (tune.name,), sentence)


def _of_standard(tunes: Sequence[Tune]) -> Iterator[Finding]:
    standard = [tune for tune in tunes if tune.kind == STANDARD]
    if len(standard) != 1:
        names = tuple(tune.name for tune in standard)
        listed = f": {', '.join(names)}" if names else ""
        sentence = f"{len(standard)} tunes are of kind {STANDARD}, one is needed{listed}"
        yield Finding("standard", "breach", names, sentence)
    for tune in standard:
        values = np.nan_to_num(tune.grid.flat())
        changed = np.abs(values) > ZERO_PCT
        if not changed.any():
            yield Finding("standard", "ok", (tune.name,), f"{tune.name}: all zeros")
            continue
        worst = int(np.argmax(np.abs(values)))
        axes = tune.grid.axes
        sentence = (
            f"{tune.name}: not all zeros, {int(changed.sum())} of {axes.size} cells change "
            f"something, most at {axes.cell_rpm()[worst]:g} rpm, {axes.cell_load()[worst]:g} "
            f"{axes.load_unit}: {signed_words(values[worst])} %"
        )
        yield Finding("standard", "breach", (tune.name,), sentence)


def _of_missing_runs(tunes: Sequence[Tune], predicted: set[str]) -> Iterator[Finding]:
    """Name the tunes whose order neither a run nor a prediction shows."""
    bare = [tune.name for tune in tunes if tune.run is None]
    missing = tuple(name for name in bare if name not in predicted)
    if not missing or not tunes:
        return
    if len(tunes) - len(bare) < 2:
        sentence = (
            "the order of power and torque, which needs full-load runs of at least two tunes: none "
            f"of {', '.join(missing)}"
        )
    else:
        sentence = f"the order of {', '.join(missing)}, because it has no full-load run"
    yield Finding("order", "remark", missing, f"not checked: {sentence}")


def _of_order(
    lower: Tune, upper: Tune, rules: TuneSettings, runs: RunSettings, units: SetUnits
) -> tuple[list[Finding], pd.DataFrame]:
    """Compare two runs at every speed that both cover."""
    names = (lower.name, upper.name)
    if why := air_between(lower, upper, runs):
        sentence = f"{upper.name} over {lower.name}: not compared: {why}"
        return [Finding("order", "breach", names, sentence)], pd.DataFrame()
    curves = [torque_curve(tune.run, rules) for tune in (lower, upper) if tune.run is not None]
    table = pd.concat(curves, axis=1, keys=["lower_torque_nm", "upper_torque_nm"]).dropna()
    table = table.rename_axis("rpm").reset_index()
    span = float(np.ptp(table["rpm"])) if len(table) else 0.0
    if span < rules.least_span_rpm:
        sentence = (
            f"{upper.name} over {lower.name}: the runs share {span:.0f} rpm, at least "
            f"{rules.least_span_rpm:g} are needed to compare them"
        )
        return [Finding("order", "breach", names, sentence)], pd.DataFrame()
    rise = 100.0 * (table["upper_torque_nm"] / table["lower_torque_nm"] - 1.0)
    table = table.assign(lower=lower.name, upper=upper.name, rise_pct=rise)
    finding = Finding("order", *_rise_words(table, names, rules, units))
    return [finding], table[
        ["lower", "upper", "rpm", "lower_torque_nm", "upper_torque_nm", "rise_pct"]
    ]


def _rise_words(
    table: pd.DataFrame, names: tuple[str, str], rules: TuneSettings, units: SetUnits
) -> tuple[Verdict, tuple[str, ...], str]:
    least = table.iloc[int(table["rise_pct"].argmin())]
    both = units.torques(least["upper_torque_nm"], least["lower_torque_nm"])
    at = f"{signed_words(least['rise_pct'])} % at {least['rpm']:.0f} rpm ({both})"
    first, last = table["rpm"].min(), table["rpm"].max()
    where = f"{names[1]} over {names[0]}, {first:.0f} to {last:.0f} rpm"
    low = int((table["rise_pct"] <= rules.least_rise_pct).sum())
    if low:
        more = f" by more than {rules.least_rise_pct:g} %" if rules.least_rise_pct > 0 else ""
        sentence = (
            f"{where}: power and torque do not rise{more} at {low} of {len(table)} speeds, "
            f"worst {at}"
        )
        return "breach", names, sentence
    rises = f"{where}: power and torque rise at every speed, least {at}"
    if least["rise_pct"] < rules.sure_rise_pct:
        caveat = f"; less than {rules.sure_rise_pct:g} % may be the brake's error"
        return "remark", names, rises + caveat
    return "ok", names, rises


def _of_one_run(tune: Tune, rules: TuneSettings) -> Iterator[Finding]:
    """Check whether torque and power of a run agree."""
    run = tune.run
    if run is None or "torque_nm" not in run or "power_kw" not in run:
        return
    with np.errstate(divide="ignore", invalid="ignore"):
        apart = 100.0 * (torque_nm(run["power_kw"], run["rpm"]) / run["torque_nm"] - 1.0)
    known = apart[np.isfinite(apart)]
    middle = float(np.median(known)) if known.size else 0.0
    if abs(middle) > rules.power_tolerance_pct:
        sentence = (
            f"{tune.name}: the run's power is {signed_words(middle)} % away from its torque times "
            f"speed (at most {rules.power_tolerance_pct:g} % is expected); torque was compared"
        )
        yield Finding("order", "breach", (tune.name,), sentence)
