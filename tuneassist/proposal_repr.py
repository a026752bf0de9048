"""The `repr` of a proposal: a few lines for a notebook or a debugger."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Iterator
from typing import TYPE_CHECKING

import pandas as pd

from tuneassist.grid import Floats
from tuneassist.inert import clipped, inert

if TYPE_CHECKING:
    from tuneassist.pipeline import Proposal

WIDTH, LINES = 80, 20
"""A screen of a notebook or a terminal. [columns], [lines]"""
MOST_DOUBTS = 3
"""Doubts shown; the rest is counted. [1]"""
DOUBT_LINES, HELD_LINES = 2, 2
"""Lines shown of one doubt, and of the rules that held cells back. [lines]"""
HANGING = " " * 14
MOST_RULES = 3
"""Rules named among those that held cells back. [1]"""
ROUNDING = "resolution_pct"
HALTED = "halted"
"""Start of the note of a halted round, which comes first."""
CONFIDENCES = ("good", "fair", "low", "none")


def proposal_outline(proposal: Proposal) -> str:
    """Summarise what a proposal changes, what held it back, and what is in doubt.

    Parameters
    ----------
    proposal
        The proposal.

    Returns
    -------
    str
        At most `LINES` lines of at most `WIDTH` columns.
    """
    lines = [_title(proposal), *_facts(proposal)]
    shown = [*lines, *_doubts(proposal), "  see .cells, .grid, .unsafe_held, .evidence.notes"]
    return "\n".join(clipped(line, WIDTH) for line in shown)


def _title(proposal: Proposal) -> str:
    label = inert(proposal.setup.engine.label)
    return f"Proposal for {label}" if label else "Proposal"


def _facts(proposal: Proposal) -> Iterator[str]:
    evidence, cells = proposal.evidence, proposal.cells
    rows, columns = proposal.setup.axes.shape
    acts = "fuel" if proposal.setup.correction.acts_on == "fuel" else "manifold pressure"
    yield f"  grid        {rows} x {columns} cells, percent of {acts}"
    used = int(evidence.holds["is_used"].sum()) if "is_used" in evidence.holds else 0
    aside = f", {len(evidence.set_aside)} set aside" if evidence.set_aside else ""
    yield f"  evidence    {used} holds of {len(evidence.logs)} log(s){aside}"
    yield f"  confidence  {_confidences(cells)}"
    step = cells["step_pct"].to_numpy(dtype=float)
    moved = step[step != 0]
    sizes = f", {_range(moved)} %" if len(moved) else ""
    yield f"  changed     {len(moved)} of {len(cells)} cells{sizes}"
    grid = cells["grid_pct"].dropna().to_numpy(dtype=float)
    yield f"  grid then   {_range(grid)} %" if len(grid) else "  grid then   no value"
    yield from textwrap.wrap(
        _held(proposal),
        WIDTH,
        initial_indent="  held back   ",
        subsequent_indent=HANGING,
        max_lines=HELD_LINES,
    )
    if proposal.unsafe_held:
        yield f"{HANGING}{len(proposal.unsafe_held)} of them the unsafe way"


def _confidences(cells: pd.DataFrame) -> str:
    counts = Counter(cells["confidence"])
    return ", ".join(f"{counts[word]} {word}" for word in CONFIDENCES)


def _range(values: Floats) -> str:
    return f"{values.min():+z.1f} to {values.max():+z.1f}"


def _held(proposal: Proposal) -> str:
    """Count the cells that a rule held back; rounding does not count."""
    held = [one for one in proposal.limited.held_back if one.rule != ROUNDING]
    if not held:
        return "no cell"
    rules = Counter(one.rule for one in held).most_common()
    named = ", ".join(f"{rule} {count}" for rule, count in rules[:MOST_RULES])
    more = ", ..." if len(rules) > MOST_RULES else ""
    return f"{len({(one.rpm, one.load) for one in held})} cells: {named}{more}"


def _doubts(proposal: Proposal) -> Iterator[str]:
    doubts = sorted(proposal.evidence.notes, key=lambda words: not words.startswith(HALTED))
    if not doubts:
        yield "  doubts      none found"
        return
    yield "  doubts"
    for words in doubts[:MOST_DOUBTS]:
        yield from textwrap.wrap(
            inert(words),
            WIDTH,
            initial_indent="    - ",
            subsequent_indent="      ",
            max_lines=DOUBT_LINES,
        )
    if len(doubts) > MOST_DOUBTS:
        yield f"    and {len(doubts) - MOST_DOUBTS} more"
