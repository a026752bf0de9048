"""Outcome of the samples, and the findings about each log."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import pandas as pd
from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from tuneassist.own_units import mixture
from tuneassist.pipeline import LogEvidence
from tuneassist.settings import Setup
from tuneassist.show.display import Display, counted, plain, title
from tuneassist.show.labels import delay_words, outcome_words, settling_words

JSON_NAMES = {
    "lambda delay": "lambda arrives late by",
    "settling removed": "settling taken off",
    "sensor range": "sensor's stops",
    "update rate": "new values",
    "holds": "holds",
}
"""Name of a finding on the screen to its key in JSON."""

LONGEST_BAR = 24
"""Length of the bar of all samples. [1]"""
BESIDE_BAR = 62
"""Room for outcome, count and share beside the bar. [1]"""

MOVING_USED = "Warm samples that are in no hold are used as moving samples; a hold counts for more."


def bullets(sentences: Sequence[str], *, mark: str = "-", style: str = "") -> Group:
    """Return sentences as a bulleted list with hanging indent."""
    grid = Table.grid(padding=(0, 1, 0, 0))
    grid.add_column(no_wrap=True)
    grid.add_column(overflow="fold")
    for sentence in sentences:
        grid.add_row(Text(mark), Text(plain(sentence), style=style))
    return Group(Padding(grid, (0, 0, 0, 2))) if sentences else Group()


def sample_shares_table(outcomes: pd.Series, display: Display) -> RenderableType:
    """Show the share of the samples that each filter removed.

    Parameters
    ----------
    outcomes
        Samples by outcome, as in `tuneassist.pipeline.Evidence.fates`.
    display
        Width and marks.
    """
    total = int(outcomes.sum())
    bar = min(LONGEST_BAR, max(0, display.width - BESIDE_BAR))
    table = Table(box=None, padding=(0, 1), show_header=False)
    table.add_column(overflow="fold")
    for name in ("samples", "share", *(["bar"] if bar else [])):
        table.add_column(justify="left" if name == "bar" else "right", no_wrap=True)
    for outcome, count in outcomes.items():
        if count == 0 and outcome != "used":
            continue
        share = count / total if total else 0.0
        is_used = outcome == "used"
        words = (outcome_words(str(outcome)), f"{count:,}", f"{100.0 * share:.1f} %")
        shown = [Text(word, style="bold" if is_used else "") for word in words]
        if bar:
            colour = "color(68)" if is_used else "dim"
            shown.append(Text(display.bar(share, width=bar), style=colour))
        table.add_row(*shown)
    return table


def moving_used() -> RenderableType:
    """Say what becomes of samples in no hold."""
    return Padding(Text(MOVING_USED, style="dim"), (0, 0, 0, 2))


def log_facts_table(log: LogEvidence, setup: Setup) -> RenderableType:
    """Show delay, settling, sensor stops, polling and holds of one log."""
    return facts_table(log_facts(log, setup))


def facts_table(facts: Iterable[tuple[str, str]]) -> RenderableType:
    """Show findings, each a name and a text."""
    table = Table(box=None, padding=(0, 1), show_header=False)
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    for name, words in facts:
        table.add_row(Text(name, style="bold"), Text(plain(words)))
    return table


def log_facts(log: LogEvidence, setup: Setup) -> tuple[tuple[str, str], ...]:
    """Return the findings about a log as pairs of name and text."""
    return (
        ("lambda delay", delay_words(log.delay)),
        ("settling removed", settling_words(log.settling)),
        ("sensor range", _stop_words(log, setup)),
        ("update rate", _refresh_words(log)),
        ("holds", hold_words(log.holds, setup)),
    )


def _stop_words(log: LogEvidence, setup: Setup) -> str:
    rich, lean = log.stops
    parts = [f"richest {mixture(rich, setup)}"] if rich > 0 else []
    parts += [f"leanest {mixture(lean, setup)}"] if np.isfinite(lean) else []
    if not parts:
        return "not reached in this log"
    taken = int(log.fates.get("sensor at its stop", 0))
    text = f"{counted(taken, 'steady sample')} there: direction known, size unknown"
    return f"{', '.join(parts)}; {text if taken else 'no steady sample there'}"


def _refresh_words(log: LogEvidence) -> str:
    every = f"one every {log.refresh.interval_s:.2f} s"
    if not log.refresh.is_polled:
        return f"in every row, {every}"
    slow = ", ".join(f"{name} every {n} rows" for name, n in log.refresh.rows.items() if n > 1)
    return f"the logger repeats old values ({slow}); only new values count, {every}"


def hold_words(holds: pd.DataFrame, setup: Setup) -> str:
    """Describe the number, length and range of the holds."""
    if holds.empty:
        return "none"
    length = (holds["end_s"] - holds["start_s"]).to_numpy(dtype=float)
    rpm, load = (holds[c].to_numpy(dtype=float) for c in ("rpm", "load"))
    at_stop = int(holds["stop"].ne("").sum())
    more = f"; {at_stop} of them at the limit of a sensor or trim" if at_stop else ""
    axes = setup.axes
    return (
        f"{len(holds)}, of {length.min():.1f} to {length.max():.1f} s (median "
        f"{np.median(length):.1f}), {rpm.min():.0f} to {rpm.max():.0f} rpm, {axes.load_name} "
        f"{load.min():.4g} to {load.max():.4g} {axes.load_unit}{more}"
    )


def notes_section(sentences: Sequence[str], *, first: Sequence[str] = ()) -> RenderableType:
    """Return notes and doubts under their heading, each once; nothing if there are none.

    Parameters
    ----------
    sentences
        The notes.
    first
        Those that matter most.
    """
    urgent = tuple(dict.fromkeys(first))
    rest = tuple(one for one in dict.fromkeys(sentences) if one not in urgent)
    if not (urgent or rest):
        return Group()
    return Group(title("Notes and doubts"), bullets(urgent, mark="!"), bullets(rest))
