"""Evidence under another target: what was needed is counted from the new one.

What a hold or block needs is lambda over the target of its place, trims included. A new target
moves it by the ratio of the two targets there; lambda and trims stay as they were measured.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from tuneassist.evidence.need import target_at
from tuneassist.grid import Axes, Floats
from tuneassist.pipeline import LogEvidence


def retargeted(log: LogEvidence, *, axes: Axes, before: Floats, now: Floats) -> LogEvidence:
    """Return a log's evidence counted from another target.

    Parameters
    ----------
    log
        As it was reduced.
    axes
        Breakpoints of both targets.
    before, now
        The targets, nan for cells left alone. Shape of the axes. [lambda]

    Returns
    -------
    LogEvidence
        Without the holds and blocks where the new target leaves the cells alone. Where the earlier
        one left them alone there is no evidence: it was never reduced.
    """
    if np.array_equal(before, now, equal_nan=True):
        return log
    blocks = log.blocks
    return replace(
        log,
        holds=_moved(log.holds, axes=axes, before=before, now=now),
        blocks=None if blocks is None else _moved(blocks, axes=axes, before=before, now=now),
    )


def _moved(table: pd.DataFrame, *, axes: Axes, before: Floats, now: Floats) -> pd.DataFrame:
    if table.empty:
        return table
    rpm, load = (table[name].to_numpy(dtype=float) for name in ("rpm", "load"))
    ratio = target_at(axes, now, rpm, load) / target_at(axes, before, rpm, load)
    moved = table.assign(need_ln=table["need_ln"] - np.log(ratio))
    if "target_lambda" in table:
        moved = moved.assign(target_lambda=table["target_lambda"] * ratio)
    return moved[np.isfinite(ratio)].reset_index(drop=True)
