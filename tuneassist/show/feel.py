"""The sheet of what the customer feels: before and after side by side, in words and figures."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from tuneassist.inert import listed
from tuneassist.runs import RunsComparison
from tuneassist.runs.feel import BETTER, WORSE
from tuneassist.show.log_summary import bullets
from tuneassist.show.run_units import OutputUnits

FEEL_TITLE = "What the driver feels, before and after"
SMALL = 10.0
"""Figures below this have two decimals, larger ones one. [unit shown]"""
ONE_SESSION = "They hold what differs from pull to pull, not a new strapping or another day."
"""Goes with the intervals where all pulls of a side are in one log."""
LABEL_WIDTH = 23
"""Width of the first column, so that the sheet fits 80 columns. [characters]"""
DRAWN_BOLD = (BETTER, WORSE)
"""Verdicts that stand out."""


@dataclass(frozen=True)
class FeelRow:
    """One figure as text, in the units shown.

    Parameters
    ----------
    name, where
        What it is; its speeds and unit.
    before, after, change, interval
        Figures; the interval is that of the change, "none" without one.
    percent
        The change of a torque in percent of before; empty for others.
    verdict
        In words.
    """

    name: str
    where: str
    before: str
    after: str
    change: str
    interval: str
    percent: str
    verdict: str


def feel_rows(found: RunsComparison, units: OutputUnits) -> list[FeelRow]:
    """Return the sheet's rows as text, torque low down first."""
    return [_row(row, units) for row in found.feel.to_dict("records")]


def feel_words(found: RunsComparison) -> list[str]:
    """Return what goes with the sheet: how the intervals are made, and the notes."""
    if found.feel.empty:
        return list(found.feel_notes)
    level = f"{100 * found.settings.level:g} %"
    made = f"Intervals: {level} for each change by itself, from {_repeats(found.feel)}."
    is_one_session = len(found.pulls) and found.pulls.groupby("side")["log"].nunique().min() == 1
    return [f"{made} {ONE_SESSION}" if is_one_session else made, *found.feel_notes]


def _repeats(feel: pd.DataFrame) -> str:
    """Say how many pulls and tip-ins there were, before and after."""
    is_step = feel["measure"].str.contains("tip-in")
    numbers = [
        (what, rows[["n_before", "n_after"]].drop_duplicates())
        for what, rows in (("pulls", feel[~is_step]), ("tip-ins", feel[is_step]))
    ]
    said = [f"{a:.0f} and {b:.0f} {what}" for what, rows in numbers for a, b in rows.to_numpy()]
    return f"{listed(said)} before and after"


def feel_sheet(found: RunsComparison, units: OutputUnits) -> RenderableType:
    """Return the sheet for the terminal: two lines a figure, 80 columns."""
    rows = feel_rows(found, units)
    if not rows:
        return bullets(feel_words(found))
    table = Table(box=None, padding=(0, 1, 0, 0), header_style="bold")
    table.add_column(" ", width=LABEL_WIDTH, overflow="fold")
    for name in ("before", "after", "change", "95 % interval"):
        table.add_column(name.replace("95", f"{100 * found.settings.level:g}"),
                         justify="right", no_wrap=True)  # fmt: skip
    table.add_column("", width=13)
    for row in rows:
        table.add_row(
            Text(f" {row.name}\n  ").append(row.where, style="dim"),
            row.before,
            row.after,
            f"{row.change}\n{row.percent}",
            row.interval,
            Text(row.verdict, style="bold" if row.verdict in DRAWN_BOLD else ""),
        )
    return Group(table, bullets(feel_words(found)))


def _row(row: Mapping[Any, Any], units: OutputUnits) -> FeelRow:
    unit = str(row["unit"])
    names = ("before", "after", "change", "change_low", "change_high")
    before, after, change, low, high = (units.shown(row[name], unit) for name in names)
    form = "z.2f" if max(abs(before), abs(after)) < SMALL else "z.1f"
    first, last = f"{row['rpm_from']:g}", f"{row['rpm_to']:g}"
    span = first if first == last else f"{first}-{last}"
    is_known = pd.notna(low)
    return FeelRow(
        str(row["measure"]),
        f"{span} rpm, {units.word(unit)}",
        format(before, form),
        format(after, form),
        format(change, f"+{form}"),
        f"{low:+{form}} to {high:+{form}}" if is_known else "none",
        f"{row['change_pct']:+z.1f} %" if row["better_if"] == "more" else "",
        str(row["verdict"]),
    )
