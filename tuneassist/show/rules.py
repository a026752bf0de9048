"""The screens of `limits` and `verify`."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import pandas as pd
from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from tuneassist.correction import Breach
from tuneassist.own_units import mixture, mixture_unit, units_for
from tuneassist.settings import Setup
from tuneassist.show.display import Display, counted, dim, plain, title
from tuneassist.show.labels import ceiling_words
from tuneassist.show.log_summary import bullets
from tuneassist.show.proposal import header
from tuneassist.show.verdict import verdict_line

SAFE_ROW = "safe way"
CEILINGS = "limits.ceilings."
WIDE = 120
"""Width from which reasons are shown beside the rules. [1]"""


def limits_screen(
    limits: pd.DataFrame, setup: Setup, display: Display, notes: Sequence[str] = ()
) -> RenderableType:
    """Return the rules in force as a table.

    Parameters
    ----------
    limits
        From `tuneassist.correction.describe_limits`.
    setup
        For the label and the unit of mixtures.
    display
        Width to keep within.
    notes
        Notes on rules and target.
    """
    safe = limits[limits["rule"] == SAFE_ROW]
    rest = limits[limits["rule"] != SAFE_ROW]
    sentences = [f"{way}: {why}" for way, why in zip(safe["value"], safe["why"], strict=True)]
    return Group(
        header(setup, "rules in force", is_simulated=False),
        title("Which way is safe"),
        bullets(sentences, mark="!"),
        title("Rules, section [limits] of the setup"),
        _narrow(rest, setup) if display.width < WIDE else _wide(rest, setup),
        *((title("Rules and target"), bullets(notes, mark="!")) if notes else ()),
        dim("\nDefaults without a published source are common practice of the trade."),
    )


def _wide(rules: pd.DataFrame, setup: Setup) -> RenderableType:
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="bold")
    for name in ("rule", "value", "from"):
        table.add_column(name, no_wrap=name == "from")
    table.add_column("why", overflow="fold", ratio=1)
    for *cells, why in _rows(rules, setup):
        table.add_row(*cells, why)
    return table


def _narrow(rules: pd.DataFrame, setup: Setup) -> RenderableType:
    """Put the reason under each rule on narrow screens."""
    lines: list[RenderableType] = []
    for rule, value, origin, why in _rows(rules, setup):
        rule.pad_right(max(0, 26 - len(rule)))
        value.pad_right(max(0, 32 - len(value)))
        lines += [Text.assemble(rule, " ", value, " ", origin), Padding(why, (0, 0, 0, 4))]
    return Group(*lines)


def _rows(rules: pd.DataFrame, setup: Setup) -> Iterator[tuple[Text, Text, Text, Text]]:
    """Rule, value with unit, origin and reason; values from the file are bold."""
    for rule, value, unit, origin, why in rules.itertuples(index=False, name=None):
        style = "bold" if origin == "file" else ""
        yield (
            Text(plain(rule).removeprefix("limits."), style=style),
            Text(value_words(rule, value, unit, setup), style=style),
            Text(origin, style=style),
            dim(plain(why)),
        )


def value_words(rule: str, value: str, unit: str, setup: Setup) -> str:
    """Format a rule's value in the unit of the setup: that of its target or of each ceiling."""
    if rule.startswith(CEILINGS):
        return plain(ceiling_words(rule.removeprefix(CEILINGS), setup))
    if unit == "lambda" and mixture_unit(setup) == "AFR":
        return mixture(float(value), setup)
    if value == "not set":
        return value
    units = units_for(setup, system=setup.units)
    if units.word(unit) != unit:
        return units.said(float(value), unit)
    return plain(f"{value} {unit}".strip())


def clean_screen(
    name: str, *, setup: Setup, cells: int, has_against: bool, blank: int = 0
) -> RenderableType:
    """Show that a grid breaks no rule, and which rules could not be checked.

    Parameters
    ----------
    name
        The grid's file.
    setup
        The rules.
    cells, blank
        Number of cells with a value, and of those without. [1]
    has_against
        Whether the grid in force was given.
    """
    label = plain(setup.engine.label) or "this setup"
    reason = f"{plain(name)}: {counted(cells, 'cell')}, no rule of {label} is broken."
    lines: list[RenderableType] = [verdict_line("CHECK" if blank else "GO ON", reason)]
    if blank:
        blanks = counted(blank, "cell is", "cells are")
        kept = "checked as what the controller holds" if has_against else "not checked"
        lines.append(Text(f"{blanks} blank, which is not zero, and {kept}."))
    if not has_against:
        lines.append(
            dim(
                "Checked: totals, lean totals in boost, slopes, resolution. Rules on changes "
                "need the grid in force: --against CURRENT."
            )
        )
    lines.append(dim("Rules that need logged evidence cannot be checked without logs."))
    return Group(*lines)


def breach_record(breaches: Sequence[Breach]) -> list[dict[str, object]]:
    """Return breaches as plain values."""
    return [
        {
            "rule": breach.rule,
            "rpm": breach.rpm,
            "load": breach.load,
            "value": breach.value,
            "bound": breach.bound,
            "sentence": breach.sentence,
            "is_carried_over": breach.is_carried_over,
        }
        for breach in breaches
    ]
