"""Checks of a grid's numbers: evidence, steps, totals, slopes and resolution.

Part of the checker: shares no code with the rules or the limiter.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from tuneassist.correction.breaches import Breach, breach_at, changed, percent, strictest
from tuneassist.correction.checks_engine import least_back
from tuneassist.correction.sight import CellSeen, Job

SLACK = 1e-6  # a bound is broken when passed by more than this; far below any controller [%]
DUST = 1e-9  # two ways to the same number differ by less than this [%]


def values(job: Job) -> Iterator[Breach]:
    """A value neither appears where there was none nor disappears."""
    if not job.has_current:
        return
    for cell in job.cells:
        if math.isnan(cell.new) != math.isnan(cell.old):
            yield breach_at("values", cell, cell.new, cell.old, "a value appeared or disappeared")


def evidence(job: Job) -> Iterator[Breach]:
    """Without evidence, or without a target, nothing changes."""
    if not job.has_cells or not job.has_current:
        return
    for cell in changed(job, known=False):
        if not cell.is_evidence:
            yield breach_at("evidence", cell, cell.new, cell.old, "changed without evidence")


def own_need(job: Job) -> Iterator[Breach]:
    """A cell moves the way its own deviation asks for, no further, except to step back."""
    for cell in changed(job):
        need = _need(job, cell)
        low, high = min(need, 1.0), max(need, 1.0)
        if job.is_hard(cell):
            reach = _back_reach(job, cell)
            low, high = min(low, reach), max(high, reach)
        if need == 1.0 and _makes_way(job, cell):
            low = min(low, (100.0 + _least_aside(job, cell)) / (100.0 + cell.old))
        if not low - SLACK / 100 <= cell.ratio <= high + SLACK / 100:
            says = f"x{cell.ratio:.4f} where its own evidence asks for x{need:.4f}"
            yield breach_at("own_need", cell, cell.ratio, need, says)


def _need(job: Job, cell: CellSeen) -> float:
    """Multiple that the cell's own deviation asks for."""
    rules = job.setup.correction
    room = _smoke_room(job)
    away = (1.0 + cell.deviation / 100.0) / (1.0 + room / 100.0)
    off = 100.0 * (away - 1.0) if room else cell.deviation
    sure = cell.ci_low > room or cell.ci_high < room
    if not sure and abs(off) <= rules.tolerance_pct - (DUST if room else 0.0):
        return 1.0
    if job.setup.target.kind == "floor" and away >= 1.0:
        return 1.0
    power = rules.gain if job.on_fuel else -rules.gain
    return float(away**power)


def _makes_way(job: Job, cell: CellSeen) -> bool:
    """Leaner than a smoke floor, beside a cell that was given less fuel."""
    if job.is_spark or not job.on_fuel or job.setup.target.kind != "floor" or cell.deviation < 0:
        return False
    place = next(number for number, other in enumerate(job.cells) if other is cell)
    row, column = divmod(place, job.columns)
    beside = ((row - 1, column), (row + 1, column), (row, column - 1), (row, column + 1))
    return any(
        job.at(r, c).new < job.at(r, c).old - SLACK
        for r, c in beside
        if 0 <= r < job.rows and 0 <= c < job.columns
    )


def _least_aside(job: Job, cell: CellSeen) -> float:
    """Lowest value of a cell that makes way: so much below zero, or below what it held."""
    way = job.setup.limits.make_way_pct
    return min(cell.old, max(-way, cell.old - way))


def _smoke_room(job: Job) -> float:
    """Percent of lambda kept above a smoke floor: where fuel is taken from a compression engine."""
    if job.is_spark or not job.on_fuel or job.setup.target.kind != "floor":
        return 0.0
    return job.setup.correction.floor_margin_pct


def _back_reach(job: Job, cell: CellSeen) -> float:
    """Furthest multiple that a step back may reach: its size, rounded outward by a resolution."""
    grain = job.setup.limits.resolution_pct / (100.0 + cell.old)
    return 1.0 + job.safe_way * (job.setup.limits.step_back_pct / 100.0 + grain)


def step(job: Job) -> Iterator[Breach]:
    """No cell changes by more than the largest step."""
    for cell in changed(job, known=False):
        limit = strictest(job, cell, "max_step_pct", min)
        moved = 100.0 * abs(cell.ratio - 1.0)
        if moved > limit + SLACK:
            says = f"changes by {percent(moved, limit)} %, more than {limit:g} %"
            yield breach_at("max_step_pct", cell, moved, limit, says)


def step_at_confidence(job: Job) -> Iterator[Breach]:
    """No cell changes by more than its confidence allows."""
    limits = job.setup.limits
    for cell in changed(job):
        limit = {
            "low": limits.step_at_low_pct,
            "fair": limits.step_at_fair_pct,
            "good": limits.step_at_good_pct,
        }[cell.confidence]
        moved = 100.0 * abs(cell.ratio - 1.0)
        if moved > limit + SLACK:
            by = percent(moved, limit)
            says = f"changes by {by} % at {cell.confidence} confidence, limit {limit:g} %"
            yield breach_at("step_at_confidence", cell, moved, limit, says)


def total(job: Job) -> Iterator[Breach]:
    """No cell holds more than the largest total, or than it held before."""
    for cell in job.cells:
        limit = strictest(job, cell, "max_total_pct", min)
        if job.has_current and cell.old * cell.new > 0:
            limit = max(limit, abs(cell.old))
        if abs(cell.new) > limit + SLACK:
            held = percent(cell.new, math.copysign(limit, cell.new), sign="+")
            says = f"holds {held} %, more than {limit:g} %"
            yield breach_at("max_total_pct", cell, cell.new, limit, says)


def slope_rpm(job: Job) -> Iterator[Breach]:
    """Neighbours along rpm differ no more than allowed, or than before."""
    for row in range(job.rows - 1):
        for column in range(job.columns):
            pair = job.at(row, column), job.at(row + 1, column)
            limit = job.setup.limits.max_slope_rpm_pct
            yield from _slope(job, "max_slope_rpm_pct", *pair, limit)


def slope_load(job: Job) -> Iterator[Breach]:
    """Neighbours along load differ no more than allowed, or than before."""
    for row in range(job.rows):
        for column in range(job.columns - 1):
            pair = job.at(row, column), job.at(row, column + 1)
            limit = job.setup.limits.max_slope_load_pct
            yield from _slope(job, "max_slope_load_pct", *pair, limit)


def _slope(job: Job, rule: str, one: CellSeen, two: CellSeen, limit: float) -> Iterator[Breach]:
    now = one.new - two.new
    if math.isnan(now):
        return
    before = least_back(job, one) - least_back(job, two) if job.has_current else 0.0
    worst = max(limit, before if now > 0 else -before) if not math.isnan(before) else limit
    if abs(now) > worst + SLACK:
        says = f"differs by {percent(abs(now), worst)} % from {two.where}; limit {worst:g} %"
        yield breach_at(rule, one, now, worst, says)


def resolution(job: Job) -> Iterator[Breach]:
    """Every value is one that the controller takes, or unchanged."""
    grain = job.setup.limits.resolution_pct
    for cell in job.cells:
        if math.isnan(cell.new) or (job.has_current and abs(cell.new - cell.old) <= SLACK):
            continue
        nearest = round(cell.new / grain) * grain
        if abs(cell.new - nearest) > SLACK:
            held = percent(cell.new, nearest, sign="+")
            says = f"{held} % is not a multiple of {grain:g} %"
            yield breach_at("resolution_pct", cell, cell.new, nearest, says)
