"""Why each cell got what it got: the binding rules in words, with what the cell would have got."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import pandas as pd

from tuneassist.correction.limiter_input import LimiterInput
from tuneassist.correction.raw_step import direction_words
from tuneassist.correction.rules import makes_way
from tuneassist.correction.ruleset import RuleSet
from tuneassist.grid import Floats, step_between_pct

NEAR = 1e-6  # closer than this to a bound is on it [%]
Held = tuple[str, str]
NO_EVIDENCE_BESIDE = "a cell without evidence"
"""Words for a cell that cannot move and to which a slope rule holds its neighbour."""


class HeldBack(NamedTuple):
    """One rule that held one cell back: name, place, step asked for, step given, words."""

    rule: str
    rpm: float
    load: float
    would_have_got_pct: float
    got_pct: float
    words: str


def explain(
    cells: pd.DataFrame,
    inputs: LimiterInput,
    rules: RuleSet,
    wanted: Floats,
    *,
    projected: Floats,
    values: Floats,
) -> tuple[tuple[str, ...], tuple[HeldBack, ...]]:
    """Say for every cell what was asked for, which rules held it and what it got.

    Parameters
    ----------
    cells
        With ``reason`` from `propose_raw`.
    inputs, rules
        What was limited and by what.
    wanted, projected, values
        Grid values asked for, before rounding, and final. [%]

    Returns
    -------
    reasons, held_back
        Words per cell, and one entry per cell and rule that held it back.
    """
    asked = step_between_pct(inputs.current, wanted)
    got = step_between_pct(inputs.current, values)
    rounded = np.abs(values - projected) > NEAR
    stopped = _slope_words(inputs, rules, wanted, projected)
    rows: list[HeldBack] = []
    reasons: list[str] = []
    rpm, load = inputs.axes.cell_rpm().tolist(), inputs.axes.cell_load().tolist()
    for cell, raw_reason in enumerate(cells["reason"].tolist()):
        if not inputs.is_value[cell]:
            reasons.append(f"{raw_reason}; left alone: the grid in force has no value here")
            continue
        held = [*_box_words(cell, rules, wanted), *stopped.get(cell, [])]
        if rounded[cell]:
            held.append(("resolution_pct", f"rounded to {rules.resolution:g} %"))
        rows += [
            HeldBack(rule, rpm[cell], load[cell], float(asked[cell]), float(got[cell]), words)
            for rule, words in held
        ]
        sentence = _sentence(raw_reason, float(got[cell]), held, inputs)
        reasons.append(sentence + _warning(cell, float(got[cell]), inputs))
    return tuple(reasons), tuple(rows)


def _box_words(cell: int, rules: RuleSet, wanted: Floats) -> Iterator[Held]:
    if rules.is_forced[cell]:
        yield "step_back_pct", rules.forced_words(cell)
    elif wanted[cell] > rules.upper[cell] + NEAR:
        bound = rules.binding(cell, 1)
        yield bound.name, f"held by {bound.words(cell)}"
    elif wanted[cell] < rules.lower[cell] - NEAR:
        bound = rules.binding(cell, -1)
        yield bound.name, f"held by {bound.words(cell)}"


def _slope_words(
    inputs: LimiterInput, rules: RuleSet, wanted: Floats, projected: Floats
) -> dict[int, list[Held]]:
    """Slope rules that bind, for the cells that they moved off their own bound."""
    found: dict[int, list[Held]] = {}
    moved = np.abs(projected - np.clip(wanted, rules.lower, rules.upper)) > NEAR
    if not moved.any():
        return found
    first, second = rules.pairs[:, 0], rules.pairs[:, 1]
    apart = projected[first] - projected[second]
    on = (apart >= rules.pair_upper - NEAR) | (apart <= rules.pair_lower + NEAR)
    rpm, load = inputs.axes.cell_rpm(), inputs.axes.cell_load()
    for pair in np.flatnonzero(on & (moved[first] | moved[second])):
        slope = rules.slopes[rules.pair_rule[pair]]
        a, b = int(first[pair]), int(second[pair])
        for cell, other in ((a, b), (b, a)):
            if moved[cell]:
                where = f"{rpm[other]:g} rpm, {load[other]:g}"
                if makes_way(inputs)[cell]:
                    words = f"makes way for {where}, which is below the floor, by {slope.words}"
                else:
                    words = f"held by {slope.words} to {where}{_way_out(inputs, other, slope.name)}"
                found.setdefault(cell, []).append((slope.name, words))
    return found


def _way_out(inputs: LimiterInput, other: int, limit: str) -> str:
    """Say what would free a cell from a neighbour that does not move."""
    if not inputs.is_evidence[other]:
        return (
            f", {NO_EVIDENCE_BESIDE}: hold there if the engine can, else correct it by hand or "
            f"raise {limit}"
        )
    if inputs.raw[other] == 0 and inputs.setup.target.kind == "floor":
        return f", which asks for nothing itself: correct it by hand, or raise {limit}"
    return ""


def _warning(cell: int, got: float, inputs: LimiterInput) -> str:
    """Warn where a hard ceiling was exceeded and a whole step back was not possible."""
    past = [name for name, flags in inputs.beyond_hard.items() if flags[cell]]
    if not past or inputs.safe_way * got >= inputs.limits.step_back_pct - NEAR:
        return ""
    return f"; past the hard ceiling of {', '.join(past)}: keep out of this cell, fix the cause"


def _sentence(raw_reason: str, got: float, held: list[Held], inputs: LimiterInput) -> str:
    parts = [raw_reason, *(words for _, words in held)]
    if held or got:
        outcome = f"{abs(got):.1f} % {direction_words(got, inputs.setup.correction.acts_on)}"
        parts.append(f"gets {outcome}" if abs(got) > NEAR else "gets no change")
    return "; ".join(parts)
