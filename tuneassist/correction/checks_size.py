"""Checks of a grid's numbers: evidence, steps, totals, slopes and resolution.

Part of the checker: shares no code with the rules or the limiter.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from tuneassist.correction.breaches import (
    Breach,
    breach_at,
    changed,
    percent,
    step_words,
    strictest,
)
from tuneassist.correction.checked_grid import CheckedCell, CheckedGrid
from tuneassist.correction.checks_engine import least_back

SLACK = 1e-6  # a bound is broken when passed by more than this; far below any controller [%]
DUST = 1e-9  # two ways to the same number differ by less than this [%]


def values(checked: CheckedGrid) -> Iterator[Breach]:
    """A value neither appears where there was none nor disappears."""
    if not checked.has_current:
        return
    for cell in checked.cells:
        if math.isnan(cell.new) != math.isnan(cell.old):
            yield breach_at("values", cell, cell.new, cell.old, "a value appeared or disappeared")


def evidence(checked: CheckedGrid) -> Iterator[Breach]:
    """Without evidence, or without a target, nothing changes."""
    if not checked.has_cells or not checked.has_current:
        return
    for cell in changed(checked, known=False):
        if not cell.is_evidence:
            yield breach_at("evidence", cell, cell.new, cell.old, "changed without evidence")


def own_need(checked: CheckedGrid) -> Iterator[Breach]:
    """A cell moves the way its own deviation asks for, no further, except to step back."""
    for cell in changed(checked):
        need = _need(checked, cell)
        low, high = min(need, 1.0), max(need, 1.0)
        if checked.is_hard(cell):
            reach = _back_reach(checked, cell)
            low, high = min(low, reach), max(high, reach)
        if need == 1.0 and _makes_way(checked, cell):
            low = min(low, (100.0 + _least_aside(checked, cell)) / (100.0 + cell.old))
        if not low - SLACK / 100 <= cell.ratio <= high + SLACK / 100:
            asked = step_words(need, cell.ratio)
            message = f"{step_words(cell.ratio, need)} where its own evidence asks for {asked}"
            yield breach_at("own_need", cell, cell.ratio, need, message)


def _need(checked: CheckedGrid, cell: CheckedCell) -> float:
    """Multiple that the cell's own deviation asks for."""
    rules = checked.setup.correction
    room = _smoke_room(checked)
    away = (1.0 + cell.deviation / 100.0) / (1.0 + room / 100.0)
    off = 100.0 * (away - 1.0) if room else cell.deviation
    sure = cell.ci_low > room or cell.ci_high < room
    if not sure and abs(off) <= rules.tolerance_pct - (DUST if room else 0.0):
        return 1.0
    if checked.setup.target.kind == "floor" and away >= 1.0:
        return 1.0
    power = rules.gain if checked.on_fuel else -rules.gain
    return float(away**power)


def _makes_way(checked: CheckedGrid, cell: CheckedCell) -> bool:
    """Leaner than a smoke floor, beside a cell that was given less fuel."""
    if (
        checked.is_spark
        or not checked.on_fuel
        or checked.setup.target.kind != "floor"
        or cell.deviation < 0
    ):
        return False
    place = next(number for number, other in enumerate(checked.cells) if other is cell)
    row, column = divmod(place, checked.columns)
    beside = ((row - 1, column), (row + 1, column), (row, column - 1), (row, column + 1))
    return any(
        checked.at(r, c).new < checked.at(r, c).old - SLACK
        for r, c in beside
        if 0 <= r < checked.rows and 0 <= c < checked.columns
    )


def _least_aside(checked: CheckedGrid, cell: CheckedCell) -> float:
    """Lowest value of a cell that makes way: so much below zero, or below what it held."""
    way = checked.setup.limits.make_way_pct
    return min(cell.old, max(-way, cell.old - way))


def _smoke_room(checked: CheckedGrid) -> float:
    """Percent of lambda kept above a smoke floor: where fuel is taken from a compression engine."""
    if checked.is_spark or not checked.on_fuel or checked.setup.target.kind != "floor":
        return 0.0
    return checked.setup.correction.floor_margin_pct


def _back_reach(checked: CheckedGrid, cell: CheckedCell) -> float:
    """Furthest multiple that a step back may reach: its size, rounded outward by a resolution."""
    grain = checked.setup.limits.resolution_pct / (100.0 + cell.old)
    return 1.0 + checked.safe_way * (checked.setup.limits.step_back_pct / 100.0 + grain)


def step(checked: CheckedGrid) -> Iterator[Breach]:
    """No cell changes by more than the largest step."""
    for cell in changed(checked, known=False):
        limit = strictest(checked, cell, "max_step_pct", min)
        moved = 100.0 * abs(cell.ratio - 1.0)
        if moved > limit + SLACK:
            message = f"changes by {percent(moved, limit)} %, more than {limit:g} %"
            yield breach_at("max_step_pct", cell, moved, limit, message)


def step_at_confidence(checked: CheckedGrid) -> Iterator[Breach]:
    """No cell changes by more than its confidence allows."""
    limits = checked.setup.limits
    for cell in changed(checked):
        limit = {
            "low": limits.step_at_low_pct,
            "fair": limits.step_at_fair_pct,
            "good": limits.step_at_good_pct,
        }[cell.confidence]
        moved = 100.0 * abs(cell.ratio - 1.0)
        if moved > limit + SLACK:
            by = percent(moved, limit)
            message = f"changes by {by} % at {cell.confidence} confidence, limit {limit:g} %"
            yield breach_at("step_at_confidence", cell, moved, limit, message)


def total(checked: CheckedGrid) -> Iterator[Breach]:
    """No cell holds more than the largest total, or than it held before."""
    for cell in checked.cells:
        limit = strictest(checked, cell, "max_total_pct", min)
        if checked.has_current and cell.old * cell.new > 0:
            limit = max(limit, abs(cell.old))
        if abs(cell.new) > limit + SLACK:
            held = percent(cell.new, math.copysign(limit, cell.new), sign="+")
            message = f"holds {held} %, more than {limit:g} %"
            yield breach_at("max_total_pct", cell, cell.new, limit, message)


def slope_rpm(checked: CheckedGrid) -> Iterator[Breach]:
    """Neighbours along rpm differ no more than allowed, or than before."""
    for row in range(checked.rows - 1):
        for column in range(checked.columns):
            pair = checked.at(row, column), checked.at(row + 1, column)
            limit = checked.setup.limits.max_slope_rpm_pct
            yield from _slope(checked, "max_slope_rpm_pct", *pair, limit)


def slope_load(checked: CheckedGrid) -> Iterator[Breach]:
    """Neighbours along load differ no more than allowed, or than before."""
    for row in range(checked.rows):
        for column in range(checked.columns - 1):
            pair = checked.at(row, column), checked.at(row, column + 1)
            limit = checked.setup.limits.max_slope_load_pct
            yield from _slope(checked, "max_slope_load_pct", *pair, limit)


def _slope(
    checked: CheckedGrid, rule: str, one: CheckedCell, two: CheckedCell, limit: float
) -> Iterator[Breach]:
    now = one.new - two.new
    if math.isnan(now):
        return
    before = least_back(checked, one) - least_back(checked, two) if checked.has_current else 0.0
    worst = max(limit, before if now > 0 else -before) if not math.isnan(before) else limit
    if abs(now) > worst + SLACK:
        message = f"differs by {percent(abs(now), worst)} % from {two.where}; limit {worst:g} %"
        yield breach_at(rule, one, now, worst, message)


def resolution(checked: CheckedGrid) -> Iterator[Breach]:
    """Every value is one that the controller takes, or unchanged."""
    grain = checked.setup.limits.resolution_pct
    for cell in checked.cells:
        if math.isnan(cell.new) or (checked.has_current and abs(cell.new - cell.old) <= SLACK):
            continue
        nearest = round(cell.new / grain) * grain
        if abs(cell.new - nearest) > SLACK:
            held = percent(cell.new, nearest, sign="+")
            message = f"{held} % is not a multiple of {grain:g} %"
            yield breach_at("resolution_pct", cell, cell.new, nearest, message)
