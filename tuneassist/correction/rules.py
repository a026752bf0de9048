"""The safety rules as data: for every cell the lowest and highest grid value, and their rule.

Which way is safe: lean mixture and knock damage a spark engine in boost, so its safe way is richer.
Fuel without air (smoke, exhaust heat) and torque damage a compression engine, so its safe way is
less fuel; where the grid moves air, it is less boost, except that a hot diesel must not
lose air at the same fuel either, which would make it hotter.

Every rule follows "no worse than now": it always allows the value that the controller holds today,
so that the rules never contradict one another. Only a step back past a hard ceiling asks for a
move; it goes as far as the other bounds allow and comes before the slope rules. Predicted lambda
uses the point estimate: the step that each confidence allows covers the uncertainty.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from tuneassist.correction.bounds import (
    Bound,
    SlopeBound,
    box,
    lean_bound,
    ratio_bound,
    step_bound,
)
from tuneassist.correction.ceiling_sensors import HEAT
from tuneassist.correction.cell_readings import with_neighbours
from tuneassist.correction.limiter_input import LimiterInput, TightestLimit
from tuneassist.correction.predicted_readings import foreseen, raise_fuel_unwatched
from tuneassist.correction.raw_step import Flags
from tuneassist.grid import Floats
from tuneassist.own_units import channel_words, mixture, reading
from tuneassist.settings import CONFIDENCE_WORDS

SAFE_WAY: Mapping[tuple[str, str], str] = {
    ("spark", "fuel"): "richer: a spark engine in boost is damaged by lean mixture and by knock",
    ("spark", "boost"): "less boost: a spark engine is damaged by lean mixture and by knock",
    ("compression", "fuel"): "less fuel: a compression engine is damaged by fuel without air "
    "(smoke, exhaust heat) and by torque",
    ("compression", "boost"): "less boost, and less fuel by other means: a compression engine is "
    "damaged by fuel without air (smoke, exhaust heat) and by torque",
}
"""Ignition and what the grid acts on, to the safe way in words."""
NEARLY = 0.05  # holds short of the number needed by less than this count as enough [1]


def evidence(inputs: LimiterInput) -> Bound:
    """No evidence, no change; a cell without a target is left alone."""
    held = inputs.current
    return box(
        inputs,
        "evidence",
        lambda cell: "the lack of evidence",
        lower=np.where(inputs.is_evidence, -np.inf, held),
        upper=np.where(inputs.is_evidence, np.inf, held),
    )


def ceilings(inputs: LimiterInput) -> Bound | None:
    """Beyond a channel's ceiling the cell and its eight neighbours move the safe way only."""
    near = {
        name: with_neighbours(at, inputs.axes) for name, at in inputs.beyond.items() if at.any()
    }
    if not near:
        return None
    shut = np.any(list(near.values()), axis=0)
    hot = np.zeros(len(shut), dtype=bool)
    if not inputs.is_spark and not inputs.acts_on_fuel:
        hot = near.get(HEAT, hot)
    held = inputs.current

    def words(cell: int) -> str:
        passed = [name for name, where in near.items() if where[cell]]
        in_force = inputs.limits.ceilings
        limits = ", ".join(
            f"{channel_words(name)} {reading(in_force[name].ceiling, name, inputs.setup)}"
            for name in passed
        )
        way = "never leaner" if inputs.is_spark else "never more fuel or boost"
        return f"a reading here or next to it beyond the ceiling ({limits}): {way}"

    if inputs.safe_way > 0:
        return box(inputs, "ceilings", words, lower=np.where(shut, held, -np.inf))
    return box(
        inputs,
        "ceilings",
        words,
        lower=np.where(hot, held, -np.inf),
        upper=np.where(shut, held, np.inf),
    )


def boost_ceiling(inputs: LimiterInput) -> Bound | None:
    """Boost predicted after the change stays under its ceiling; unknown pressure, no more boost.

    The grid sets this pressure itself, so that the prediction needs no margin. A spark engine's
    boost is not raised without a ceiling on it.
    """
    if inputs.acts_on_fuel:
        return None
    if "boost" not in inputs.limits.ceilings:
        return _no_more_boost(inputs) if inputs.is_spark else None
    ceiling = inputs.limits.ceilings["boost"].ceiling
    ratio = (ceiling + inputs.barometer_kpa) / inputs.pressure_kpa
    return ratio_bound(
        inputs,
        "boost_ceiling",
        lambda cell: (
            f"the boost ceiling of {reading(ceiling, 'boost', inputs.setup)}"
            + ("" if np.isfinite(inputs.pressure_kpa[cell]) else " (pressure here is not known)")
        ),
        high=np.where(np.isnan(ratio), 0.0, ratio),
    )


def _no_more_boost(inputs: LimiterInput) -> Bound:
    words = "the missing ceiling on boost: set one in [limits.ceilings] to raise boost"
    return box(inputs, "boost_ceiling", lambda cell: words, upper=inputs.current)


def lean_in_boost(inputs: LimiterInput) -> Bound | None:
    """Spark: leaner in boost only at the confidence set."""
    if not inputs.is_spark:
        return None
    needed = inputs.tightest("lean_in_boost", largest=True)
    shut = inputs.is_boost & (inputs.level < needed.values)

    def words(cell: int) -> str:
        where = needed.name(cell, inputs.region_names)
        if needed.values[cell] > 3:
            return f"the ban on leaning in boost{where}"
        word = CONFIDENCE_WORDS[int(needed.values[cell])]
        return f"the {word} confidence needed to lean in boost{where}"

    held = inputs.current
    if inputs.acts_on_fuel:
        return box(inputs, "lean_in_boost", words, lower=np.where(shut, held, -np.inf))
    return box(inputs, "lean_in_boost", words, upper=np.where(shut, held, np.inf))


def unsafe_step_barred(inputs: LimiterInput) -> Bound | None:
    """Where the logs leave a doubt, a cell moves the safe way only."""
    shut = inputs.barred.astype(bool)
    if not shut.any():
        return None
    held = inputs.current

    def words(cell: int) -> str:
        return f"a doubt ({inputs.barred[cell]})"

    if inputs.safe_way > 0:
        return box(inputs, "unsafe_step_barred", words, lower=np.where(shut, held, -np.inf))
    return box(inputs, "unsafe_step_barred", words, upper=np.where(shut, held, np.inf))


def own_evidence(inputs: LimiterInput) -> Bound | None:
    """Spark: leaner in boost only on the cell's own holds, and as far as their lean end allows."""
    if not inputs.is_spark or inputs.worth is None:
        return None
    limits = inputs.limits
    end = 0.0 if inputs.is_few else limits.boost_lean_end_pct
    enough = (inputs.worth >= limits.boost_lean_min_holds - NEARLY) & (inputs.lean_end < 0.0)
    enough &= inputs.is_held
    room = np.where(enough, (100.0 + end) / (100.0 + inputs.lean_end), 1.0)
    leaner = np.where(inputs.is_boost, np.maximum(room, 1.0), np.inf)

    def words(cell: int) -> str:
        if inputs.worth is None or inputs.worth[cell] < limits.boost_lean_min_holds - NEARLY:
            worth = limits.boost_lean_min_holds
            return f"the evidence needed to lean in boost, worth {worth:g} holds"
        if not inputs.is_held[cell]:
            return "the hold in the cell itself that leaning in boost needs beside moving samples"
        if np.isnan(inputs.lean_end[cell]):
            return "the lack of readings in the cell itself"
        if not enough[cell]:
            return "the cell's own readings, which may be at target or leaner"
        return f"the lean end of its interval, kept at {end:+zg} % of target"

    return _leaner_bound(inputs, "own_evidence", words, leaner)


def max_lean_step_in_boost_pct(inputs: LimiterInput) -> Bound | None:
    """Spark: one proposal makes a cell in boost no more than this leaner."""
    if not inputs.is_spark:
        return None
    step = inputs.limits.max_lean_step_in_boost_pct

    def words(cell: int) -> str:
        return f"the largest lean step in boost ({step:g} %)"

    room = 1.0 / (1.0 - step / 100.0) if inputs.acts_on_fuel else 1.0 + step / 100.0
    leaner = np.where(inputs.is_boost, room, np.inf)
    return _leaner_bound(inputs, "max_lean_step_in_boost_pct", words, leaner)


def max_lean_total_in_boost_pct(inputs: LimiterInput) -> Bound | None:
    """Spark: the finished grid makes a cell in boost no more than this leaner in all."""
    if not inputs.is_spark:
        return None
    total = inputs.limits.max_lean_total_in_boost_pct

    def words(cell: int) -> str:
        return f"the largest lean correction in boost ({total:g} %)"

    if inputs.acts_on_fuel:
        lower = np.where(inputs.is_boost, -total, -np.inf)
        return box(inputs, "max_lean_total_in_boost_pct", words, lower=lower)
    upper = np.where(inputs.is_boost, total, np.inf)
    return box(inputs, "max_lean_total_in_boost_pct", words, upper=upper)


def _leaner_bound(
    inputs: LimiterInput, name: str, words: Callable[[int], str], leaner: Floats
) -> Bound:
    """Bound from the largest multiple of lambda that a change may give; infinity is free."""
    if inputs.acts_on_fuel:
        return ratio_bound(inputs, name, words, low=1.0 / leaner)
    return ratio_bound(inputs, name, words, high=leaner)


def richest_lambda(inputs: LimiterInput) -> Bound:
    """Predicted lambda not below the richest; for compression ignition, the smoke floor."""
    tightest = inputs.tightest("richest_lambda", largest=True)
    word = "richest mixture allowed" if inputs.is_spark else "smoke floor"

    def words(cell: int) -> str:
        limit = mixture(float(tightest.values[cell]), inputs.setup)
        return f"the {word}, {limit}{tightest.name(cell, inputs.region_names)}"

    ratio = inputs.lambda_rich / tightest.values
    if inputs.acts_on_fuel:
        return ratio_bound(inputs, "richest_lambda", words, high=ratio)
    return ratio_bound(inputs, "richest_lambda", words, low=1.0 / ratio)


def leanest_lambda(inputs: LimiterInput) -> Bound:
    """Predicted lambda not above the leanest."""
    tightest = inputs.tightest("leanest_lambda")
    return lean_bound(inputs, "leanest_lambda", tightest, "the leanest mixture allowed")


def boost_leanest_lambda(inputs: LimiterInput) -> Bound | None:
    """Spark: predicted lambda in boost not above its own leanest."""
    if not inputs.is_spark:
        return None
    limit = np.where(inputs.is_boost, inputs.limits.boost_leanest_lambda, np.nan)
    tightest = TightestLimit(limit, np.full(len(limit), -1, dtype=np.int64))
    return lean_bound(
        inputs, "boost_leanest_lambda", tightest, "the leanest mixture allowed in boost"
    )


def step_at_confidence(inputs: LimiterInput) -> Bound:
    """A cell moves no further than its confidence allows."""
    limits = inputs.limits
    by_level = (0.0, limits.step_at_low_pct, limits.step_at_fair_pct, limits.step_at_good_pct)
    step = np.array(by_level)[inputs.level]

    def words(cell: int) -> str:
        word = CONFIDENCE_WORDS[int(inputs.level[cell])]
        return f"the largest step at {word} confidence ({step[cell]:g} %)"

    return step_bound(inputs, "step_at_confidence", step, words)


def max_step_pct(inputs: LimiterInput) -> Bound:
    """A cell changes no more than this in one proposal."""
    tightest = inputs.tightest("max_step_pct")

    def words(cell: int) -> str:
        where = tightest.name(cell, inputs.region_names)
        return f"the largest step ({tightest.values[cell]:g} %){where}"

    return step_bound(inputs, "max_step_pct", tightest.values, words)


def max_total_pct(inputs: LimiterInput) -> Bound:
    """The finished grid holds no more than this."""
    tightest = inputs.tightest("max_total_pct")

    def words(cell: int) -> str:
        return (
            f"the largest total correction ({tightest.values[cell]:g} %)"
            f"{tightest.name(cell, inputs.region_names)}"
        )

    return box(inputs, "max_total_pct", words, lower=-tightest.values, upper=tightest.values)


def own_need(inputs: LimiterInput) -> Bound:
    """A cell moves only the way its own deviation asks for, and no further.

    Above a smoke floor it may make way for a neighbour below it: a little less fuel is safe there.
    """
    wanted, held, way = (
        inputs.value_at(1.0 + inputs.raw / 100.0),
        inputs.current,
        inputs.limits.make_way_pct,
    )
    least = np.minimum(held, np.maximum(-way, held - way))
    lower = np.where(makes_way(inputs), least, wanted)
    return box(inputs, "own_need", lambda cell: "its own need", lower=lower, upper=wanted)


def makes_way(inputs: LimiterInput) -> Flags:
    """Cells known to be above a smoke floor that ask for nothing themselves."""
    is_smoke = inputs.setup.target.kind == "floor" and not inputs.is_spark and inputs.acts_on_fuel
    return np.asarray(is_smoke & inputs.is_evidence & (inputs.raw == 0) & (inputs.deviation >= 0))


def step_back_pct(inputs: LimiterInput) -> Bound:
    """Above a hard ceiling the cell moves the safe way by at least this."""
    passed = np.any(
        [np.zeros(len(inputs.current), dtype=bool), *inputs.beyond_hard.values()], axis=0
    )
    passed &= inputs.is_evidence
    if not inputs.is_spark and not inputs.acts_on_fuel and HEAT in inputs.beyond_hard:
        others = [flags for name, flags in inputs.beyond_hard.items() if name != HEAT]
        passed &= np.any([np.zeros(len(passed), dtype=bool), *others], axis=0)
    step = inputs.safe_way * inputs.limits.step_back_pct
    target = inputs.value_at(np.full(len(passed), 1.0 + step / 100.0))

    def words(cell: int) -> str:
        over = [name for name, flags in inputs.beyond_hard.items() if flags[cell]]
        read = ", ".join(
            f"{channel_words(name)} {reading(inputs.seen[name][cell], name, inputs.setup)}"
            for name in over
        )
        return f"stepped back the safe way, past the hard ceiling: {read}"

    way_up = inputs.safe_way > 0
    lower = np.where(passed & way_up, target, -np.inf)
    upper = np.where(passed & (not way_up), target, np.inf)
    return Bound("step_back_pct", lower, upper, words)


def max_slope_rpm_pct(inputs: LimiterInput) -> SlopeBound:
    """Neighbours along rpm differ no more than this."""
    limit = inputs.limits.max_slope_rpm_pct
    return SlopeBound("max_slope_rpm_pct", 0, limit, f"the slope along rpm ({limit:g} % per cell)")


def max_slope_load_pct(inputs: LimiterInput) -> SlopeBound:
    """Neighbours along load differ no more than this."""
    limit = inputs.limits.max_slope_load_pct
    name = "max_slope_load_pct"
    return SlopeBound(name, 1, limit, f"the slope along load ({limit:g} % per cell)")


def resolution_pct(inputs: LimiterInput) -> float:
    """Values are multiples of what the controller takes."""
    return inputs.limits.resolution_pct


BOX_RULES: tuple[Callable[[LimiterInput], Bound | None], ...] = (
    evidence,
    ceilings,
    boost_ceiling,
    foreseen,
    raise_fuel_unwatched,
    unsafe_step_barred,
    lean_in_boost,
    own_evidence,
    max_lean_step_in_boost_pct,
    max_lean_total_in_boost_pct,
    richest_lambda,
    boost_leanest_lambda,
    leanest_lambda,
    step_at_confidence,
    max_step_pct,
    max_total_pct,
)
NEED_RULES: tuple[Callable[[LimiterInput], Bound | None], ...] = (own_need,)
STEP_BACK_RULES: tuple[Callable[[LimiterInput], Bound], ...] = (step_back_pct,)
PAIR_RULES: tuple[Callable[[LimiterInput], SlopeBound], ...] = (
    max_slope_rpm_pct,
    max_slope_load_pct,
)
ROUNDING_RULES: tuple[Callable[[LimiterInput], float], ...] = (resolution_pct,)
