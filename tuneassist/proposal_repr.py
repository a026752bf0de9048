"""A proposal in a few lines, as a notebook or a debugger shows it: what `repr` prints."""

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
"""Doubts that are quoted; the rest is counted. [1]"""
DOUBT_LINES, HELD_LINES = 2, 2
"""So much of one doubt is quoted, and of the rules that held cells back. [lines]"""
HANGING = " " * 14
MOST_RULES = 3
"""Rules named that held cells back. [1]"""
ROUNDING = "resolution_pct"
HALTED = "halted"
"""How the note begins that a round's halt leaves: it goes ahead of all others."""
CONFIDENCES = ("good", "fair", "low", "none")


def proposal_outline(proposal: Proposal) -> str:
    """Say in a few lines what a proposal changes, what held it back, and what is in doubt.

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
    said = [*lines, *_doubts(proposal), "  look at .cells, .grid, .unsafe_held, .evidence.notes"]
    return "\n".join(clipped(line, WIDTH) for line in said)


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
    sizes = f", {_span(moved)} %" if len(moved) else ""
    yield f"  changed     {len(moved)} of {len(cells)} cells{sizes}"
    grid = cells["grid_pct"].dropna().to_numpy(dtype=float)
    yield f"  grid then   {_span(grid)} %" if len(grid) else "  grid then   no value"
    yield from textwrap.wrap(
        _held(proposal),
        WIDTH,
        initial_indent="  held back   ",
        subsequent_indent=HANGING,
        max_lines=HELD_LINES,
    )
    if proposal.unsafe_held:
        yield f"{HANGING}{len(proposal.unsafe_held)} of them asked the unsafe way"


def _confidences(cells: pd.DataFrame) -> str:
    counts = Counter(cells["confidence"])
    return ", ".join(f"{counts[word]} {word}" for word in CONFIDENCES)


def _span(values: Floats) -> str:
    return f"{values.min():+z.1f} to {values.max():+z.1f}"


def _held(proposal: Proposal) -> str:
    """Count the cells that a rule held back; rounding alone holds nothing."""
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
        yield "  doubts      none was found"
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
