"""The screen of `coverage`: which cells were seen, held and can be trusted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd
from rich.console import Group, RenderableType
from rich.text import Text

from tuneassist.evidence.coverage import count_blank
from tuneassist.settings import Setup
from tuneassist.show.cell_grid import axis_words, picture_grid
from tuneassist.show.cell_picture import coverage_picture
from tuneassist.show.display import SAFE_SHADES, Display, dim, title
from tuneassist.show.log_summary import notes_section
from tuneassist.show.proposal import header

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
    """
    return Group(
        header(setup, words, is_simulated=is_simulated),
        title("Coverage: what each cell's own evidence is worth in holds, and confidence"),
        dim(axis_words(setup.axes)),
        picture_grid(coverage_picture(table, setup.axes), display),
        _legend(counts, display),
        Text(blank_words(table)),
        notes_section(notes),
    )


def _legend(counts: Mapping[str, int], display: Display) -> Text:
    good, fair, low = (display.confidence(word) for word in ("good", "fair", "low"))
    samples = {
        "left alone": display.left_alone,
        "unseen": display.no_evidence,
        "seen": "seen",
        "held": f"3{low}",
        "trusted": f"3{fair} 3{good}",
    }
    text = Text()
    for state, words in STATE_WORDS.items():
        text.append(f"\n  {counts.get(state, 0):>4} ")
        text.append(f" {samples[state]} ".center(9), style=_STYLES[state])
        text.append(f" {state}: {words}")
    text.append(
        f"\n  {low} low, {fair} fair, {good} good; 0 with a mark: interpolated between neighbours"
        "\n  numbers: holds, and moving samples by how many holds would tell as much"
    )
    return text


def blank_words(table: pd.DataFrame) -> str:
    """Describe how many cells have no evidence, counted as by `propose` and `rounds status`."""
    wanted = int(table["is_wanted"].sum())
    return f"  {count_blank(table)} of {wanted} cells have no evidence (confidence none)"


def coverage_record(table: pd.DataFrame, counts: Mapping[str, int]) -> dict[str, object]:
    """Return the same as plain values."""
    return {
        "cells_by_state": dict(counts),
        "cells_without_evidence": count_blank(table),
        "cells": table.to_dict("records"),
    }
