"""The screen of `keys`: the keys of a setup file."""

from __future__ import annotations

import pandas as pd
from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from tuneassist.show.display import dim, plain, title

HEADS = {
    "channels.NAME": '[channels], each entry: NAME = { column = "...", unit = "..." }, or '
    "NAME = false to ignore it",
    "limits.ceilings.NAME": "[limits.ceilings], each entry: NAME = { ceiling = 900, hard = 950 }",
    "limits.region": "[[limits.region]], may be repeated",
    "plan.region": "[[plan.region]], may be repeated",
    "channels": "Channels: NAMEs for [channels]; a channel left out is found by its header",
    "limits.ceilings": "Default ceilings",
    "fuels": "Fuels, with the stoichiometric AFR that engine.afr_stoich overrides",
    "units.words": "Unit names",
}
"""Section titles other than [section]."""
WITH_UNIT = (
    '  A temperature, pressure or mixture may name its unit: KEY = { value = 158, unit = "degF" }.'
)
NOTES = {"steady": WITH_UNIT, "limits": WITH_UNIT}
"""Line under a section's title."""


def setup_keys_screen(keys: pd.DataFrame) -> RenderableType:
    """Return the keys, section by section; keys of one meaning share a row.

    Parameters
    ----------
    keys
        From `tuneassist.files.setup_keys.describe_keys`.
    """
    parts: list[RenderableType] = []
    for section, rows in keys.groupby("section", sort=False):
        name = str(section)
        parts.append(title(HEADS.get(name, f"[{name}]")))
        parts += [dim(NOTES[name])] if name in NOTES else []
        parts += [_table(rows, is_list=name == "units.words")]
    return Group(*parts)


def _table(rows: pd.DataFrame, *, is_list: bool) -> RenderableType:
    table = Table(box=None, padding=(0, 2, 0, 0), show_header=not is_list, header_style="bold")
    heads = ("what", "words") if is_list else ("key", "default", "unit", "what it means")
    for head in heads[:-1]:
        table.add_column(head, no_wrap=True)
    table.add_column(heads[-1], overflow="fold", ratio=1)
    for meaning, own in rows.groupby("meaning", sort=False):
        if is_list:
            table.add_row(plain(str(meaning)), Text(", ".join(own["key"])))
        else:
            columns = (Text("\n".join(own[name])) for name in ("key", "default", "unit"))
            table.add_row(*columns, plain(str(meaning)))
    return Padding(table, (0, 0, 0, 2))
