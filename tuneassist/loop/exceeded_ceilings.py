"""Ceilings that a round's logs exceeded: where, by what reading, and if the hard one was."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from tuneassist.correction.cell_readings import read_tops
from tuneassist.own_units import channel_words, number, reading
from tuneassist.pipeline import LogEvidence, highest_seen
from tuneassist.settings import Setup


@dataclass(frozen=True)
class ExceededCeiling:
    """A ceiling that was exceeded.

    Parameters
    ----------
    channel
        One of `tuneassist.settings.CEILING_CHANNELS`.
    cells
        Cells with a reading beyond it. [1]
    is_hard
        Whether its hard ceiling was exceeded as well.
    words
        The worst reading, its cell and the ceiling, in the setup's units.
    rpm, load
        The cell of the worst reading.
    """

    channel: str
    cells: int
    is_hard: bool
    words: str
    rpm: float
    load: float


def exceeded_ceilings(logs: Sequence[LogEvidence], setup: Setup) -> tuple[ExceededCeiling, ...]:
    """Return every ceiling that logs exceeded, the hard ones first.

    Parameters
    ----------
    logs
        Of one round only.
    setup
        Ceilings, axes and units.
    """
    axes = setup.axes
    places = pd.DataFrame({"rpm": axes.cell_rpm(), "load": axes.cell_load()})
    peaks = highest_seen(logs)
    table = places.assign(**{name: values.to_numpy() for name, values in peaks.items()})
    return tuple(sorted(_exceeded(table, setup), key=lambda one: not one.is_hard))


def _exceeded(table: pd.DataFrame, setup: Setup) -> Iterator[ExceededCeiling]:
    for name, top in read_tops(table, setup.limits).items():
        ceiling = setup.limits.ceilings[name]
        is_over = top > ceiling.ceiling
        if not is_over.any():
            continue
        worst = int(np.nanargmax(top))
        hard = np.inf if ceiling.hard is None else ceiling.hard
        is_hard = bool(top[worst] > hard)
        end = hard if is_hard else ceiling.ceiling
        words = (
            f"{channel_words(name)} {reading(float(top[worst]), name, setup)} at "
            f"{table['rpm'].iloc[worst]:g} rpm and {table['load'].iloc[worst]:g} "
            f"{setup.axes.load_unit}, {'hard ' if is_hard else ''}ceiling "
            f"{number(end, name, setup)}"
        )
        rpm, load = (float(table[axis].iloc[worst]) for axis in ("rpm", "load"))
        yield ExceededCeiling(name, int(is_over.sum()), is_hard, words, rpm, load)


def exceeded_words(found: Sequence[ExceededCeiling]) -> str:
    """Say what was exceeded in one sentence or two; empty where nothing was."""
    if not found:
        return ""
    listed = "; ".join(one.words for one in found)
    if any(one.is_hard for one in found):
        return f"Exceeded: {listed}. Find and fix the cause before anything else."
    return f"Exceeded: {listed}. Keep out of those cells."
