"""Why each cell of a milder tune holds what it holds: its share, and the bound that acted."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np
import pandas as pd

from tuneassist.grid import Floats
from tuneassist.loop.derive_bounds import ShareBound
from tuneassist.loop.derive_frame import CLOSE_PCT, Corners, Tried, TuneFrame

SLOPE = ("slope", "the slope to its neighbours")
SAFE_SIDE = "safe side"
"""The bound of a cell that holds no less safe a value than the strong tune."""
UNHELD = ("", "alike", "no value", SAFE_SIDE)
"""Bounds that are none: the share alone decided, or there was nothing to share."""


def cells_table(
    frame: TuneFrame, asked: Floats, bounds: Sequence[ShareBound], tried: Tried
) -> pd.DataFrame:
    """One row per cell, with the bound that acted and a sentence."""
    axes, corners, values = frame.setup.axes, frame.corners, tried.grid.flat()
    got = corners.share_of(values)
    wanted = corners.at_share(asked)
    tightest = np.argmin([bound.most for bound in bounds], axis=0)
    limit = corners.at_share(np.min([bound.most for bound in bounds], axis=0))
    is_asked = np.abs(wanted - tried.projected) <= CLOSE_PCT
    is_slope = np.abs(tried.projected - tried.furthest) > CLOSE_PCT
    is_bound = np.abs(limit - tried.furthest) <= CLOSE_PCT
    acted = [
        _why(cell, frame, bounds[tightest[cell]], is_bound=bool(is_bound[cell]))
        if not is_asked[cell] and not is_slope[cell]
        else _no_choice(cell, corners) or (("", "") if is_asked[cell] else SLOPE)
        for cell in range(axes.size)
    ]
    reasons = [
        _sentence(wanted, kept, words)
        for wanted, kept, (_, words) in zip(asked.tolist(), got.tolist(), acted, strict=True)
    ]
    return pd.DataFrame(
        {
            "rpm": axes.cell_rpm(), "load": axes.cell_load(),
            "standard_pct": corners.standard, "strong_pct": corners.strong,
            "share_asked": asked, "share": got, "grid_pct": values,
            "bound": [name for name, _ in acted], "reason": reasons,
        }
    )  # fmt: skip


def _why(cell: int, frame: TuneFrame, bound: ShareBound, *, is_bound: bool) -> tuple[str, str]:
    """Name the bound that holds a cell, and say it in words."""
    if nothing := _no_choice(cell, frame.corners):
        return nothing
    if not is_bound:
        return "next stronger", f"no stronger than {frame.above.name}"
    return bound.name, bound.words


def _no_choice(cell: int, corners: Corners) -> tuple[str, str] | None:
    """Say why no share decides a cell; None where one does."""
    if np.isnan(corners.safer[cell]):
        return "no value", "one of the two tunes has no value here"
    if abs(corners.strong[cell] - corners.standard[cell]) <= CLOSE_PCT:
        return "alike", "both tunes hold the same"
    return (SAFE_SIDE, str(corners.why_safer[cell])) if corners.why_safer[cell] else None


def _sentence(asked: float, got: float, words: str) -> str:
    if np.isnan(got):
        return words
    share = f"{100 * got:.0f} % of the correction"
    return f"{share}, {100 * asked:.0f} % asked: {words}" if words else share


def acted_bounds(cells: pd.DataFrame) -> pd.DataFrame:
    """List the bounds that held cells back, with their words, number of cells and speeds."""
    held: dict[str, list[tuple[str, float]]] = {}
    columns = (cells[name].tolist() for name in ("bound", "reason", "rpm"))
    for name, reason, rpm in zip(*columns, strict=True):
        if name not in UNHELD:
            held.setdefault(name, []).append((reason.partition(": ")[2], rpm))
    rows = [
        (name, Counter(words for words, _ in found).most_common(1)[0][0], len(found),
         min(rpm for _, rpm in found), max(rpm for _, rpm in found))
        for name, found in held.items()
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=["bound", "words", "cells", "rpm_from", "rpm_to"])
