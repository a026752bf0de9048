"""The screen of `coverage`: which cells were seen, held and can be trusted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd
from rich.console import Group, RenderableType
from rich.text import Text

from tuneassist.evidence.coverage import count_blank
from tuneassist.loop.verdict import VerdictWord
from tuneassist.settings import Setup
from tuneassist.show.cell_grid import axis_words, picture_grid
from tuneassist.show.cell_picture import CellPicture, coverage_picture
from tuneassist.show.display import SAFE_SHADES, Display, dim, title
from tuneassist.show.log_summary import notes_section
from tuneassist.show.map_legend import confidence_words
from tuneassist.show.proposal import header
from tuneassist.show.verdict import opening

STATE_WORDS: Mapping[str, str] = {
    "left alone": "no target value",
    "unseen": "no samples nearby",
    "seen": "samples, but no evidence of its own",
    "held": "evidence here or nearby, confidence too low",
    "trusted": "confidence fair or good",
}
_STYLES = {
    "left alone": "dim",
    "unseen": "dim",
    "seen": SAFE_SHADES[0],
    "held": SAFE_SHADES[1],
    "trusted": SAFE_SHADES[2],
}


def coverage_screen(
    table: pd.DataFrame,
    counts: Mapping[str, int],
    *,
    setup: Setup,
    display: Display,
    notes: Sequence[str],
    is_simulated: bool,
    words: str,
    set_aside: int = 0,
) -> RenderableType:
    """Return the grid of coverage with its legend.

    Parameters
    ----------
    table
        From `tuneassist.evidence.coverage.coverage_table`.
    counts
        Cells by state.
    setup
        Axes and label.
    display
        Width and marks.
    notes
        Sentences for the user.
    is_simulated
        Whether the logs are marked as simulated.
    words
        Source of the coverage, for the header.
    set_aside
        Logs that could not be used. [1]
    """
    picture = coverage_picture(table, setup.axes)
    return Group(
        *_opening(table, counts, is_complete=not set_aside),
        header(setup, words, is_simulated=is_simulated),
        title("Coverage: what each cell's own evidence is worth in holds, and confidence"),
        dim(axis_words(setup.axes)),
        picture_grid(picture, display),
        _legend(counts, picture, display),
        notes_section(notes),
    )


def _opening(
    table: pd.DataFrame, counts: Mapping[str, int], *, is_complete: bool
) -> tuple[RenderableType, ...]:
    """Return the verdict, and what to do about cells that are not trusted."""
    wanted, trusted = int(table["is_wanted"].sum()), counts.get("trusted", 0)
    word: VerdictWord = "GO ON" if trusted and is_complete else "CHECK"
    reason = f"{trusted} cells are trusted; {blank_words(table)}."
    more = ("tuneassist plan lists the holds that help most.",) if trusted < wanted else ()
    aside = () if is_complete else ("Some logs could not be used: see the notes.",)
    return opening(word, reason, " ".join((*aside, *more)))


def _legend(counts: Mapping[str, int], picture: CellPicture, display: Display) -> Text:
    seen = {one.mark for one in picture.cells}
    low, fair, none = (display.confidence(word) for word in ("low", "fair", "none"))
    samples = {
        "left alone": display.left_alone,
        "unseen": display.no_evidence,
        "seen": "seen",
        "held": " ".join(
            f"3{mark}" for word, mark in (("low", low), ("none", none)) if word in seen
        ),
        "trusted": "3" + f" 3{fair}" * ("fair" in seen),
    }
    text = Text()
    for state, words in STATE_WORDS.items():
        if not counts.get(state):
            continue
        text.append(f"\n  {counts.get(state, 0):>4} ")
        text.append(f" {samples[state]} ".center(9), style=_STYLES[state])
        text.append(f" {state}: {words}")
    marks = confidence_words(picture, display)
    text.append(f"\n  {'; '.join(marks)}" if marks else "")
    if "low" in seen and any(one.text == "0" for one in picture.cells):
        text.append("\n  0: interpolated between neighbours")
    if any(one.state == "value" and one.text != "seen" for one in picture.cells):
        text.append("\n  Numbers: holds, and moving samples by how many holds would tell as much")
    return text


def blank_words(table: pd.DataFrame) -> str:
    """Describe how many cells have no evidence, counted as by `propose` and `rounds status`."""
    wanted = int(table["is_wanted"].sum())
    return f"{count_blank(table)} of {wanted} cells have no evidence"


def coverage_record(table: pd.DataFrame, counts: Mapping[str, int]) -> dict[str, object]:
    """Return the same as plain values."""
    return {
        "cells_by_state": dict(counts),
        "cells_without_evidence": count_blank(table),
        "cells": table.to_dict("records"),
    }
