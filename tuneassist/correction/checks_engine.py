"""Checks of what a grid does to the engine: lambda, boost, and readings beyond their ceilings.

Part of the checker: shares no code with the rules or the limiter.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import partial

from tuneassist.correction.breaches import (
    Breach,
    breach_at,
    changed,
    percent,
    regions_of,
    step_words,
    strictest,
)
from tuneassist.correction.checked_grid import CheckedCell, CheckedGrid
from tuneassist.own_units import channel_words, mixture, reading
from tuneassist.settings import FULL_DUTY_PCT, INTAKE_AIR_C

SLACK = 1e-6  # a bound is broken when passed by more than this; far below any controller [%]
NOT_KNOWN = "where boost cannot be ruled out (set boost_above_load in [limits])"
ORDER = ("none", "low", "fair", "good", "never")


def richest(checked: CheckedGrid) -> Iterator[Breach]:
    """Predicted lambda is not below the richest (compression: the smoke floor), nor made worse."""
    for cell in changed(checked):
        limit = strictest(checked, cell, "richest_lambda", max)
        shown = partial(mixture, setup=checked.setup)
        for now in cell.lambdas:
            after = checked.lambda_after(cell, now)
            if after < min(limit, now) * (1.0 - SLACK / 100):
                message = f"predicted {shown(after)} is richer than {shown(limit)}"
                yield breach_at("richest_lambda", cell, after, limit, message)


def leanest(checked: CheckedGrid) -> Iterator[Breach]:
    """Predicted lambda is not above the leanest, nor made worse."""
    for cell in changed(checked):
        yield from _too_lean(
            checked, cell, "leanest_lambda", strictest(checked, cell, "leanest_lambda", min)
        )


def boost_leanest(checked: CheckedGrid) -> Iterator[Breach]:
    """Spark: predicted lambda in boost is not above its own leanest, nor made worse."""
    for cell in changed(checked):
        if checked.is_spark and checked.in_boost(cell):
            limit = checked.setup.limits.boost_leanest_lambda
            yield from _too_lean(checked, cell, "boost_leanest_lambda", limit)


def _too_lean(checked: CheckedGrid, cell: CheckedCell, rule: str, limit: float) -> Iterator[Breach]:
    shown = partial(mixture, setup=checked.setup)
    for now in cell.lambdas:
        after = checked.lambda_after(cell, now)
        if after > max(limit, now) * (1.0 + SLACK / 100):
            message = f"predicted {shown(after)} is leaner than {shown(limit)}"
            yield breach_at(rule, cell, after, limit, message)


def lean_in_boost(checked: CheckedGrid) -> Iterator[Breach]:
    """Spark: nothing gets leaner in boost without the confidence for it."""
    for cell in changed(checked):
        if not (checked.is_spark and checked.in_boost(cell) and checked.is_leaner(cell)):
            continue
        words = [checked.setup.limits.lean_in_boost]
        words += [r.lean_in_boost for r in regions_of(checked, cell) if r.lean_in_boost is not None]
        needed = max(words, key=ORDER.index)
        if ORDER.index(cell.confidence) < ORDER.index(needed):
            message = f"made leaner in boost at {cell.confidence} confidence; needs {needed}"
            yield breach_at("lean_in_boost", cell, cell.ratio, 1.0, message)


def unsafe_step_barred(checked: CheckedGrid) -> Iterator[Breach]:
    """Where a doubt bars it, no cell moves the unsafe way."""
    for cell in changed(checked, known=False):
        is_unsafe = cell.ratio < 1.0 if checked.safe_way > 0 else cell.ratio > 1.0
        if cell.barred and is_unsafe:
            message = (
                f"moves the unsafe way ({step_words(cell.ratio)}) despite a doubt: {cell.barred}"
            )
            yield breach_at("unsafe_step_barred", cell, cell.ratio, 1.0, message)


def own_evidence(checked: CheckedGrid) -> Iterator[Breach]:
    """Spark: a cell leaned in boost has holds of its own, rich of target, and stops in time."""
    limits = checked.setup.limits
    for cell in _leaned_in_boost(checked):
        if cell.worth is None:
            continue
        if cell.worth < limits.boost_lean_min_holds - 0.05 - SLACK:
            message = f"made leaner in boost on evidence worth {cell.worth:.1f} holds"
            yield breach_at("own_evidence", cell, cell.worth, limits.boost_lean_min_holds, message)
            continue
        if cell.holds <= 0:
            message = "made leaner in boost on moving samples alone: no hold touches the cell"
            yield breach_at("own_evidence", cell, cell.holds, 1.0, message)
        is_sure = cell.holds_in_all >= limits.few_holds and not cell.lean_doubt > 0.0
        allowed = limits.boost_lean_end_pct if is_sure else 0.0
        for end in (cell.ci_high, cell.own_high):
            after = 100.0 * (checked.lambda_after(cell, 1.0 + end / 100.0) - 1.0)
            if not (end < 0 and after <= allowed + SLACK):
                now, then = (percent(value, sign="+") for value in (end, after))
                message = f"made leaner in boost: it may be {now} % now and {then} % afterwards"
                yield breach_at("own_evidence", cell, after, allowed, message)


def lean_step_in_boost(checked: CheckedGrid) -> Iterator[Breach]:
    """Spark: one proposal takes no more fuel, or adds no more air, in boost than allowed."""
    limit = checked.setup.limits.max_lean_step_in_boost_pct
    for cell in _leaned_in_boost(checked):
        moved = 100.0 * abs(cell.ratio - 1.0)
        if moved > limit + SLACK:
            message = f"leaned by {percent(moved, limit)} % in boost, more than {limit:g} %"
            yield breach_at("max_lean_step_in_boost_pct", cell, moved, limit, message)


def lean_total_in_boost(checked: CheckedGrid) -> Iterator[Breach]:
    """Spark: the grid holds no more lean correction in boost than allowed, or than before."""
    limit = checked.setup.limits.max_lean_total_in_boost_pct
    way = -1.0 if checked.on_fuel else 1.0
    for cell in checked.cells:
        if not (checked.is_spark and checked.in_boost(cell)) or math.isnan(cell.new):
            continue
        before = way * cell.old if checked.has_current and not math.isnan(cell.old) else 0.0
        if way * cell.new > max(limit, before) + SLACK:
            where = "in boost" if checked.knows_boost(cell) else NOT_KNOWN
            held = percent(cell.new, way * limit, sign="+")
            message = f"holds {held} % {where}, leaner than the {limit:g} % allowed"
            yield breach_at("max_lean_total_in_boost_pct", cell, cell.new, way * limit, message)


def _leaned_in_boost(checked: CheckedGrid) -> Iterator[CheckedCell]:
    for cell in changed(checked):
        if checked.is_spark and checked.in_boost(cell) and checked.is_leaner(cell):
            yield cell


def ceilings(checked: CheckedGrid) -> Iterator[Breach]:
    """Beyond a ceiling, in the cell or in one that touches it, only the safe way is allowed."""
    for cell in changed(checked, known=False):
        wrong = cell.ratio < 1.0 if checked.safe_way > 0 else cell.ratio > 1.0
        for channel in checked.setup.limits.ceilings:
            if not checked.is_near_ceiling(cell, channel):
                continue
            if wrong or (not checked.may_lose_air(channel) and cell.ratio < 1.0):
                name = channel_words(channel)
                message = (
                    f"moves the unsafe way ({step_words(cell.ratio)}) beyond the ceiling of {name}"
                )
                yield breach_at("ceilings", cell, cell.ratio, 1.0, message)


def boost_ceiling(checked: CheckedGrid) -> Iterator[Breach]:
    """More air never takes the boost past its ceiling; of a spark engine never without one."""
    if checked.on_fuel:
        return
    if "boost" not in checked.setup.limits.ceilings:
        for cell in changed(checked, known=False) if checked.is_spark else ():
            if cell.ratio > 1.0:
                message = (
                    f"a spark engine's boost raised ({step_words(cell.ratio)}) without a "
                    "ceiling on it"
                )
                yield breach_at("boost_ceiling", cell, cell.ratio, 1.0, message)
        return
    limit = checked.setup.limits.ceilings["boost"].ceiling
    shown = partial(reading, name="boost", setup=checked.setup)
    for cell in changed(checked):
        if cell.ratio <= 1.0:
            continue
        known = checked.pressures(cell)
        gauge = max(known) * cell.ratio - cell.barometer if known else math.inf
        if gauge > limit + SLACK:
            message = f"boost would be {shown(gauge)}, ceiling {shown(limit)}"
            yield breach_at("boost_ceiling", cell, gauge, limit, message)


def foreseen(checked: CheckedGrid) -> Iterator[Breach]:
    """Predicted torque, exhaust heat and duty stay under their limits."""
    for cell in changed(checked):
        for channel in ("torque", "exhaust_temp", "injector_duty"):
            if channel not in checked.setup.limits.ceilings:
                continue
            times = _times(checked, channel, cell.ratio)
            if not times > 1.0 or _is_shut(checked, cell, channel):
                continue
            margin = 1.0 + checked.setup.limits.foresee_margin_pct / 100.0
            end = _limit_of(checked, channel)
            for now, share in _readings(checked, cell, channel):
                after = now + share * margin * (times - 1.0) * (now - _cold(channel))
                if after > max(end, now) * (1.0 + SLACK / 100.0):
                    shown = partial(reading, name=channel, setup=checked.setup)
                    message = (
                        f"{channel_words(channel)} is {shown(now)} and may become "
                        f"{shown(after)}, past {shown(end)}"
                    )
                    yield breach_at("foreseen", cell, after, end, message)


def _readings(checked: CheckedGrid, cell: CheckedCell, channel: str) -> list[tuple[float, float]]:
    """Readings here, which take the whole change, and in neighbours, which take half of it."""
    here = [(checked.reading_near(cell, channel), 1.0)]
    if _richens_by_duty(checked, channel):
        return here
    return here + [(other.top(channel), 0.5) for other in checked.touching(cell)]


def _times(checked: CheckedGrid, channel: str, ratio: float) -> float:
    """Multiple of a reading that follows from the multiple of fuel or air."""
    if channel == "exhaust_temp":
        more_fuel_per_air = ratio if checked.on_fuel else 1.0 / ratio
        if checked.is_spark:  # leaner is hotter; fuel follows the air that a boost grid adds
            return 1.0 / more_fuel_per_air
        return more_fuel_per_air
    if checked.on_fuel and channel == "torque":
        return 1.0 if checked.is_spark else ratio
    if channel == "injector_duty":
        return ratio if checked.on_fuel or checked.is_spark else 1.0
    return ratio


def _cold(channel: str) -> float:
    return INTAKE_AIR_C if channel == "exhaust_temp" else 0.0


def _richens_by_duty(checked: CheckedGrid, channel: str) -> bool:
    return channel == "injector_duty" and checked.is_spark and checked.on_fuel


def _limit_of(checked: CheckedGrid, channel: str) -> float:
    """Limit of a reading: its ceiling, or full injector duty where richer is the safe way."""
    if _richens_by_duty(checked, channel):
        return FULL_DUTY_PCT
    return checked.setup.limits.ceilings[channel].ceiling


def _is_shut(checked: CheckedGrid, cell: CheckedCell, channel: str) -> bool:
    """Another check already forbids the way that adds to this reading."""
    return not _richens_by_duty(checked, channel) and checked.is_near_ceiling(cell, channel)


def raise_fuel_unwatched(checked: CheckedGrid) -> Iterator[Breach]:
    """Compression: nobody raises fuel blindly, unless the setup takes that on."""
    if checked.is_spark or not checked.on_fuel or checked.setup.limits.raise_fuel_unwatched:
        return
    eyes = [
        channel
        for channel in ("torque", "exhaust_temp", "boost")
        if channel in checked.setup.limits.ceilings and checked.is_sensor_live(channel)
    ]
    for cell in changed(checked):
        if cell.ratio > 1.0 and not any(_sees(checked, cell, channel) for channel in eyes):
            message = (
                f"more fuel ({step_words(cell.ratio)}) with no torque, exhaust heat or boost "
                "read near"
            )
            yield breach_at("raise_fuel_unwatched", cell, cell.ratio, 1.0, message)


def _sees(checked: CheckedGrid, cell: CheckedCell, channel: str) -> bool:
    near = checked.reading_near(cell, channel)
    return near > INTAKE_AIR_C if channel == "exhaust_temp" else not math.isnan(near)


def step_back(checked: CheckedGrid) -> Iterator[Breach]:
    """Past a hard ceiling the cell steps back, as far as the other rules let it."""
    if not (checked.has_cells and checked.has_current):
        return
    for cell in checked.cells:
        if not (cell.is_evidence and checked.is_hard(cell)):
            continue
        least = least_back(checked, cell)
        if checked.safe_way * (cell.new - least) < -SLACK:
            held = percent(cell.new, least, sign="+")
            asked = percent(least, sign="+")
            message = f"holds {held} % where a hard ceiling asks for {asked} %"
            yield breach_at("step_back_pct", cell, cell.new, least, message)


def least_back(checked: CheckedGrid, cell: CheckedCell) -> float:
    """Least value of the step back; the value held now where there is none."""
    if not (cell.is_evidence and checked.is_hard(cell)) or math.isnan(cell.old):
        return cell.old
    way, grain = checked.safe_way, checked.setup.limits.resolution_pct
    limits = checked.setup.limits
    whole = cell.old + way * limits.step_back_pct * (100.0 + cell.old) / 100.0
    whole = way * math.ceil(way * whole / grain - 1e-9) * grain
    room = way * math.floor(way * _room_back(checked, cell) / grain + 1e-9) * grain
    return way * max(min(way * whole, way * room), way * cell.old)


def _room_back(checked: CheckedGrid, cell: CheckedCell) -> float:
    """Value as far the safe way as the rules on step, total, lambda and heat allow."""
    limits, way = checked.setup.limits, checked.safe_way
    by_word = {"low": limits.step_at_low_pct, "fair": limits.step_at_fair_pct}
    size = by_word.get(cell.confidence, limits.step_at_good_pct)
    size = min(size, strictest(checked, cell, "max_step_pct", min))
    if any(
        checked.is_near_ceiling(cell, name) and not checked.may_lose_air(name)
        for name in limits.ceilings
    ):
        size = 0.0
    if checked.is_spark or not checked.on_fuel:
        stop = strictest(checked, cell, "richest_lambda", max)
        spare = min(cell.lambdas) / stop
    else:
        stop = strictest(checked, cell, "leanest_lambda", min)
        spare = stop / max(cell.lambdas)
    spare = max(min(spare, _foreseen_room(checked, cell)), 1.0)
    ratio = min(1.0 + size / 100.0, spare) if way > 0 else max(1.0 - size / 100.0, 1.0 / spare)
    most = max(strictest(checked, cell, "max_total_pct", min), way * cell.old)
    return way * min(way * ((100.0 + cell.old) * ratio - 100.0), most)


def _foreseen_room(checked: CheckedGrid, cell: CheckedCell) -> float:
    """Multiple the safe way that injector duty or exhaust heat leaves room for."""
    ways = {(True, True): "injector_duty", (False, False): "exhaust_temp"}
    channel = ways.get((checked.is_spark, checked.on_fuel))
    if channel is None or channel not in checked.setup.limits.ceilings:
        return math.inf
    if _is_shut(checked, cell, channel):
        return math.inf
    margin = 1.0 + checked.setup.limits.foresee_margin_pct / 100.0
    room = math.inf
    for now, share in _readings(checked, cell, channel):
        above_cold = now - _cold(channel)
        if above_cold > 0:
            spare = (_limit_of(checked, channel) - _cold(channel)) / above_cold - 1.0
            room = min(room, 1.0 + spare / (margin * share))
    return room
