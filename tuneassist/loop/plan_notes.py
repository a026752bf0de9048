"""Notes beside a plan: what it leaves out, why, and whether it is needed."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from tuneassist.loop.settings import PlanSettings
from tuneassist.pipeline import Evidence
from tuneassist.settings import Setup

if TYPE_CHECKING:
    from tuneassist.loop.plan import Plan

NAMED_CELLS = 6
"""Cells named in one sentence. [1]"""
USED_UP = 0.8
"""Share of the time from which on it counts as used up. [1]"""


def plan_notes(
    plan: Plan, evidence: Evidence, *, setup: Setup, settings: PlanSettings, time_s: float
) -> tuple[str, ...]:
    """Describe what a plan leaves out and whether it is needed.

    Parameters
    ----------
    plan
        The plan, holds chosen and in order.
    evidence
        Evidence so far.
    setup
        Axes and target.
    settings
        Weights and prices of time that the plan was made with.
    time_s
        Time available. [s]
    """
    return (
        *_need_notes(plan, settings),
        *_left_out_notes(plan, evidence, setup),
        *_end_notes(plan, settings, time_s),
    )


def _need_notes(plan: Plan, settings: PlanSettings) -> Iterator[str]:
    if plan.is_spread:
        yield (
            "what was logged shows no pattern over speed and load yet, so holds are spread evenly "
            "and the uncertainty is a guess"
        )
        return
    if plan.doubt_before_pct <= settings.enough_pct:
        fall = plan.doubt_before_pct - plan.doubt_after_pct
        yield (
            "no further holds needed: the standard error over the map is already "
            f"{plan.doubt_before_pct:.2f} %, and {settings.enough_pct:g} % is enough "
            f"(plan.enough_pct); the holds listed would take another {fall:.2f} % off"
        )


def _left_out_notes(plan: Plan, evidence: Evidence, setup: Setup) -> Iterator[str]:
    blank = _out_of_reach(plan, evidence, setup)
    if blank:
        named = "; ".join(
            f"{rpm:g} rpm, {load:g} {setup.axes.load_unit}" for rpm, load in blank[:NAMED_CELLS]
        )
        more = f"; and {len(blank) - NAMED_CELLS} more" if len(blank) > NAMED_CELLS else ""
        cells = (
            "1 cell without evidence is"
            if len(blank) == 1
            else (f"{len(blank)} cells without evidence are")
        )
        yield (
            f"{cells} out of reach and not listed: no such load was driven near that speed, and a "
            f"plan stays within what was driven: {named}{more}. If the engine can be "
            "held there, log a slow sweep to it first"
        )
    refused = int((~plan.places["is_allowed"]).sum())
    if refused:
        yield (
            f"{refused} of {len(plan.places)} places within reach are left out: near the rev "
            "limit, or a ceiling was exceeded there or at less load"
        )


def _out_of_reach(plan: Plan, evidence: Evidence, setup: Setup) -> list[tuple[float, float]]:
    """Breakpoints with a target but without evidence, at which no hold may be asked for."""
    if "confidence" not in evidence.cells:
        return []
    is_wanted = np.isfinite(setup.target.table).ravel()
    blank = evidence.cells[evidence.cells["confidence"].eq("none").to_numpy() & is_wanted]
    reached = set(zip(plan.places["rpm"], plan.places["load"], strict=True))
    cells = zip(blank["rpm"].astype(float), blank["load"].astype(float), strict=True)
    return [cell for cell in cells if cell not in reached]


def _end_notes(plan: Plan, settings: PlanSettings, time_s: float) -> Iterator[str]:
    if len(plan.holds) >= settings.max_holds:
        yield (
            f"the list stops at {settings.max_holds} holds, the most of one plan "
            "(plan.max_holds in the setup)"
        )
    elif plan.total_s < USED_UP * time_s:
        yield "time is left over: further holds would hardly reduce the uncertainty"
