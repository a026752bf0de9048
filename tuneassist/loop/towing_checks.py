"""Towing and economy tunes against the power tune: no stronger, no leaner, no hotter.

A towing tune holds for minutes what a power tune holds for seconds. At the same cell the engine
gets the same air, so that the grids show whose mixture is leaner; the target tables show what each
aims at; full-load runs show the result. Which side of the mixture is unsafe depends on the
ignition: lean for spark, rich for compression (smoke and heat).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.channels import is_gauge_axis, load_offset
from tuneassist.correction.cell_readings import axis_pressure_kpa
from tuneassist.grid import Axes, Floats, Grid
from tuneassist.loop.settings import TuneSettings
from tuneassist.loop.tune_model import (
    Finding,
    SetUnits,
    Topic,
    Tune,
    Verdict,
    channel_curve,
    signed_words,
    torque_curve,
    units_of_set,
)
from tuneassist.loop.tune_run_checks import air_between
from tuneassist.own_units import (
    channel_words,
    mixture,
    mixture_unit,
    number,
    reading,
    unit_word,
)
from tuneassist.runs import RunSettings
from tuneassist.settings import LimitSettings
from tuneassist.units import unit_named

TOWING, POWER, OTHER = "towing", "power", "other"
WEAKER = (TOWING, "economy")
"""Kinds that must not be stronger than a power tune; towing is checked for heat too."""
HEAT_CEILINGS, STRENGTH_CEILINGS = ("exhaust_temp",), ("torque", "boost")
Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class KindComparison:
    """Findings between tunes, and what was and was not checked, in words."""

    findings: tuple[Finding, ...] = ()
    checked: tuple[str, ...] = ()
    unchecked: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class _Pair:
    """A towing or economy tune, and the power tune beside it."""

    work: Tune
    power: Tune
    rules: TuneSettings
    runs: RunSettings
    units: SetUnits

    @property
    def names(self) -> tuple[str, str]:
        return self.work.name, self.power.name

    @property
    def is_spark(self) -> bool:
        return self.work.setup.engine.ignition == "spark"

    def finding(self, topic: Topic, verdict: Verdict, words: str) -> Finding:
        return Finding(
            topic, verdict, self.names, f"{self.work.name} beside {self.power.name}: {words}"
        )


class _Words(NamedTuple):
    """Words for an excess: what the tune is then, both values, the excess, its tolerance."""

    is_what: str
    both: Callable[[float, float], str]
    excess: Callable[[float], str]
    tolerance: float


def compare_kinds(
    tunes: Sequence[Tune],
    rules: TuneSettings,
    *,
    in_order: Sequence[tuple[Tune, Tune]] = (),
    runs: RunSettings | None = None,
) -> KindComparison:
    """Compare every towing and economy tune with every power tune.

    Parameters
    ----------
    tunes
        From least to most power. Where none is of kind "power", those of kind "other" listed
        after a tune are used instead.
    rules
        What counts as stronger, leaner or hotter.
    in_order
        Pairs whose torque was compared in the order listed, weaker first.
    runs
        How far the air of two runs may differ.
    """
    done = {(id(lower), id(upper)) for lower, upper in in_order}
    air = runs or RunSettings()
    units = units_of_set(tunes)
    pairs = [_Pair(work, power, rules, air, units) for work, power in _pairs(tunes)]
    findings: list[Finding] = []
    for pair in pairs:
        findings += _strength(pair, is_done=(id(pair.work), id(pair.power)) in done)
        if pair.work.kind == TOWING:
            findings += [*_mixture(pair), *_heat(pair)]
    return KindComparison(tuple(findings), *_coverage_words(pairs))


def _pairs(tunes: Sequence[Tune]) -> Iterator[tuple[Tune, Tune]]:
    strong = [tune for tune in tunes if tune.kind == POWER]
    for place, work in enumerate(tunes):
        if work.kind in WEAKER:
            behind = [tune for tune in tunes[place + 1 :] if tune.kind == OTHER]
            for power in strong or behind:
                yield work, power


def _coverage_words(pairs: Sequence[_Pair]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Say what was compared, and what is missing where it was not."""
    towing = [pair for pair in pairs if pair.work.kind == TOWING]
    curves = {name: _with_curves(pairs, name) for name in ("torque_nm", "lambda", "exhaust_temp_c")}
    cells = [pair for pair in towing if _heavy_cells(pair)[0].size]
    comparisons = (
        (
            "torque at every speed",
            pairs,
            curves["torque_nm"],
            "full-load runs of both in the same air",
        ),
        ("mixture by target and grid", towing, cells, "one kind of load axis in both setups"),
        ("lambda at full load", towing, curves["lambda"], "full-load runs of both with lambda"),
        (
            "exhaust temperature at full load",
            towing,
            curves["exhaust_temp_c"],
            "full-load runs of both with exhaust temperature",
        ),
    )
    checked, unchecked = list[str](), list[str]()
    for words, asked, seen, needs in comparisons:
        for pair in asked:
            between = f"{words}, between {' and '.join(pair.names)}"
            if pair in seen:
                checked.append(between)
            else:
                unchecked.append(f"{between}: it needs {needs}")
    if not towing:
        unchecked.append(
            "mixture and heat between tunes: no towing tune is listed with a power tune"
        )
    return tuple(checked), tuple(unchecked)


def _with_curves(pairs: Sequence[_Pair], column: str) -> list[_Pair]:
    return [pair for pair in pairs if len(_curves(pair, column))]


# -- strength ---------------------------------------------------------------------------------


def _strength(pair: _Pair, *, is_done: bool) -> Iterator[Finding]:
    """No more torque than the power tune at any speed, nor a higher ceiling on torque or boost."""
    if not is_done:
        if why := _air_apart(pair):
            yield pair.finding("strength", "breach", f"not compared: {why}")
        table = _curves(pair, "torque_nm")
        if len(table):
            more = 100.0 * (table["work"] / table["power"] - 1.0)
            words = _Words(
                "stronger",
                pair.units.torques,
                lambda excess: f"{signed_words(excess)} %",
                0.0,
            )
            yield _by_speed(pair, "strength", table.assign(excess=more), words)
    yield from _ceilings(pair, "strength", STRENGTH_CEILINGS)


def _air_apart(pair: _Pair) -> str:
    """Say why torque of the two runs cannot be compared for their air; empty where it can."""
    if pair.work.run is None or pair.power.run is None:
        return ""
    return air_between(pair.work, pair.power, pair.runs)


def _curves(pair: _Pair, column: str) -> pd.DataFrame:
    """Both runs at the speeds that both cover; empty where either has none, or the air differs."""
    if column == "torque_nm" and _air_apart(pair):
        return pd.DataFrame()
    runs = [pair.work.run, pair.power.run]
    curves = [
        torque_curve(run, pair.rules)
        if column == "torque_nm"
        else channel_curve(run, column, pair.rules)
        for run in runs
        if run is not None
    ]
    if len(curves) < 2:
        return pd.DataFrame()
    table = pd.concat(curves, axis=1, keys=["work", "power"]).dropna()
    return table.rename_axis("rpm").reset_index()


def _by_speed(pair: _Pair, topic: Topic, table: pd.DataFrame, words: _Words) -> Finding:
    """Count the speeds at which a run exceeds the other, and name the worst, with both numbers."""
    is_bad = table["excess"] > words.tolerance
    row = table.iloc[int(table["excess"].argmax())]
    both = words.both(float(row["work"]), float(row["power"]))
    at = f"{row['rpm']:.0f} rpm: {both} ({words.excess(float(row['excess']))})"
    span = f"at full load, {table['rpm'].min():.0f} to {table['rpm'].max():.0f} rpm"
    if is_bad.any():
        where = f"at {int(is_bad.sum())} of {len(table)} speeds, most at {at}"
        return pair.finding(topic, "breach", f"{words.is_what} {span}, {where}")
    return pair.finding(topic, "ok", f"not {words.is_what} {span}; nearest at {at}")


def _ceilings(pair: _Pair, topic: Topic, names: Sequence[str]) -> Iterator[Finding]:
    """A ceiling no higher than the power tune's."""
    own, other = pair.work.setup.limits.ceilings, pair.power.setup.limits.ceilings
    for name in names:
        if name not in other:
            continue
        limit, words = other[name].ceiling, channel_words(name)
        top = reading(limit, name, pair.power.setup)
        if name not in own:
            message = f"no ceiling on {words}, where {pair.power.name} stops at {top}"
            yield pair.finding(topic, "remark", message)
        elif own[name].ceiling > limit:
            message = f"its ceiling on {words} is {_own_top(pair, name)} against {top}"
            yield pair.finding(topic, "breach", message)
        else:
            message = f"its ceiling on {words} is no higher, {_own_top(pair, name)} and {top}"
            yield pair.finding(topic, "ok", message)


def _own_top(pair: _Pair, name: str) -> str:
    """Write a tune's ceiling, with its unit only where the power tune's is in another."""
    setups = (pair.work.setup, pair.power.setup)
    value = setups[0].limits.ceilings[name].ceiling
    is_same = unit_word(name, setups[0]) == unit_word(name, setups[1])
    return (number if is_same else reading)(value, name, setups[0])


# -- mixture ----------------------------------------------------------------------------------


def _mixture(pair: _Pair) -> Iterator[Finding]:
    """No nearer to the unsafe side than the power tune, by target, by grid, at full load."""
    rpm, load = _heavy_cells(pair)
    if rpm.size:
        yield from _of_targets(pair, rpm, load)
        yield from _of_grids(pair, rpm, load)
    table = _curves(pair, "lambda")
    if len(table):
        lean = 100.0 * (table["work"] / table["power"] - 1.0)
        excess = lean if pair.is_spark else -lean
        side = "leaner" if pair.is_spark else "richer"
        words = _Words(
            side,
            partial(_mixtures, pair),
            lambda excess: f"{signed_words(excess)} % {side}",
            pair.rules.mixture_tolerance_pct,
        )
        yield _by_speed(pair, "mixture", table.assign(excess=excess), words)


def _heavy_cells(pair: _Pair) -> tuple[Floats, Floats]:
    """Cells of high load or boost that both tables cover; none where the load axes differ."""
    axes, other = pair.work.setup.axes, pair.power.setup.axes
    kinds = {(unit_named(one.load_unit).word, is_gauge_axis(one)) for one in (axes, other)}
    if len(kinds) > 1:
        return np.empty(0), np.empty(0)
    rpm, load = axes.cell_rpm(), axes.cell_load()
    inside = (rpm >= other.rpm[0]) & (rpm <= other.rpm[-1])
    inside &= (load >= other.load[0]) & (load <= other.load[-1])
    heavy = inside & is_heavy(axes, pair.work.setup.limits, share=pair.rules.heavy_share)
    return rpm[heavy], load[heavy]


def is_heavy(axes: Axes, limits: LimitSettings, *, share: float) -> Flags:
    """Return which cells are in boost, or at this share of the highest load.

    Parameters
    ----------
    axes, limits
        Of the setup, for what counts as boost.
    share
        Of the highest breakpoint of load; a gauge axis counts from vacuum. [1]
    """
    load, zero = axes.cell_load(), load_offset(axes, limits.barometer_kpa)
    heavy = load + zero >= share * (axes.load[-1] + zero)
    pressure = axis_pressure_kpa(axes, np.full(axes.size, limits.barometer_kpa))
    if pressure is not None:
        heavy |= pressure > limits.boost_above_kpa
    if limits.boost_above_load is not None:
        heavy |= load > limits.boost_above_load
    return np.asarray(heavy)


def _of_targets(pair: _Pair, rpm: Floats, load: Floats) -> Iterator[Finding]:
    setups = [pair.work.setup, pair.power.setup]
    if setups[0].target.kind != setups[1].target.kind:
        words = "one target is an aim and the other a floor, so they cannot be compared"
        yield pair.finding("mixture", "remark", words)
        return
    own, other = (Grid(one.axes, one.target.table).at(rpm, load) for one in setups)
    lean = 100.0 * (own / other - 1.0)
    side = "leaner" if pair.is_spark else "richer"
    excess = lean if pair.is_spark else -lean
    numbers = [_mixtures(pair, a, b) for a, b in zip(own, other, strict=True)]
    aims = "aims" if setups[0].target.kind == "aim" else "its floor lets it go"
    cells = pd.DataFrame({"rpm": rpm, "load": load, "excess": excess, "numbers": numbers})
    yield from _by_cell(pair, cells, f"{aims} {side}", f"% {side}")


def _mixtures(pair: _Pair, own: float, other: float) -> str:
    """Write two lambdas in the unit of the working tune's target, with the unit once."""
    setup = pair.work.setup
    word = mixture_unit(setup)
    first = mixture(own, setup).removesuffix(f" {word}")
    return f"{first} against {mixture(other, setup).removeprefix(f'{word} ')}"


def _of_grids(pair: _Pair, rpm: Floats, load: Floats) -> Iterator[Finding]:
    """Compare fuel, or air, that the corrections give at the same cell."""
    acts_on = pair.work.setup.correction.acts_on
    if acts_on != pair.power.setup.correction.acts_on:
        words = "one grid corrects fuel and the other air, so they cannot be compared"
        yield pair.finding("mixture", "remark", words)
        return
    own, other = (
        Grid(tune.grid.axes, np.nan_to_num(tune.grid.values)).at(rpm, load)
        for tune in (pair.work, pair.power)
    )
    more = 100.0 * ((100.0 + own) / (100.0 + other) - 1.0)
    numbers = [
        f"{signed_words(a)} against {signed_words(b)} %" for a, b in zip(own, other, strict=True)
    ]
    cells = pd.DataFrame({"rpm": rpm, "load": load, "excess": more, "numbers": numbers})
    if acts_on == "boost":
        change = "more air, stronger and leaner" if pair.is_spark else "more air, stronger"
        yield from _by_cell(pair, cells, change, "% air")
    elif pair.is_spark:
        lean = 100.0 * ((100.0 + other) / (100.0 + own) - 1.0)
        message = "less fuel, leaner at the same air"
        yield from _by_cell(pair, cells.assign(excess=lean), message, "% leaner")
    else:
        message = "more fuel, richer, stronger and hotter at the same air"
        yield from _by_cell(pair, cells, message, "% fuel")


def _by_cell(pair: _Pair, cells: pd.DataFrame, message: str, by: str) -> Iterator[Finding]:
    """Count the cells in which a table exceeds the other, and name the worst, with both numbers."""
    known = cells[np.isfinite(cells["excess"])]
    if known.empty:
        return
    bad = int((known["excess"] > pair.rules.mixture_tolerance_pct).sum())
    row = known.iloc[int(known["excess"].argmax())]
    place = f"{row['rpm']:g} rpm, {row['load']:g} {pair.work.setup.axes.load_unit}"
    at = f"{place}: {row['numbers']} ({signed_words(float(row['excess']))} {by})"
    if bad:
        sentence = f"{message} in {bad} of {len(known)} heavy cells, most at {at}"
        yield pair.finding("mixture", "breach", sentence)
    else:
        sentence = f"not so in any of {len(known)} heavy cells ({message}); nearest at {at}"
        yield pair.finding("mixture", "ok", sentence)


# -- heat -------------------------------------------------------------------------------------


def _heat(pair: _Pair) -> Iterator[Finding]:
    """No hotter than the power tune at any speed, nor a higher ceiling on exhaust temperature."""
    table = _curves(pair, "exhaust_temp_c")
    if len(table):
        excess = table["work"] - table["power"]
        words = _Words(
            "hotter",
            pair.units.temperatures,
            pair.units.degrees,
            pair.rules.heat_tolerance_c,
        )
        yield _by_speed(pair, "heat", table.assign(excess=excess), words)
    yield from _ceilings(pair, "heat", HEAT_CEILINGS)
