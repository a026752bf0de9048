"""The keys of a setup file, derived from the settings' own fields."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import MISSING, fields
from types import MappingProxyType
from typing import Any

import pandas as pd

from tuneassist.channels import CHANNELS
from tuneassist.field_facts import described
from tuneassist.grid import Axes
from tuneassist.loop.settings import PlanSettings, RegionWeight
from tuneassist.settings import (
    CEILING_CHANNELS,
    Ceiling,
    ChannelSource,
    CorrectionSettings,
    EngineSettings,
    LimitSettings,
    Region,
    SteadySettings,
    Target,
    UnitSettings,
    default_limits,
)
from tuneassist.units import FUELS, UNITS

COLUMNS = ("section", "key", "default", "unit", "meaning")
_SECTIONS: Mapping[str, type] = MappingProxyType(
    {
        "engine": EngineSettings,
        "channels.NAME": ChannelSource,
        "axes": Axes,
        "target": Target,
        "steady": SteadySettings,
        "correction": CorrectionSettings,
        "limits": LimitSettings,
        "limits.ceilings.NAME": Ceiling,
        "limits.region": Region,
        "units": UnitSettings,
        "plan": PlanSettings,
        "plan.region": RegionWeight,
    }
)
_NO_KEYS = frozenset({"ceilings", "regions"})  # sections of their own
_NONE = re.compile(r"\bNone\b")
_ROLE = re.compile(r"`+([^`]*)`+")


def describe_keys() -> pd.DataFrame:
    """List every key of a setup file, and the names and unit words that its values may be.

    Returns
    -------
    pandas.DataFrame
        Columns ``section, key, default, unit, meaning``, all words. ``channels.NAME`` stands for
        the entry of any channel; the sections "channels", "fuels" and "units.words" list the names.
    """
    rows = [row for section, kind in _SECTIONS.items() for row in _of(section, kind)]
    at = next(i for i, row in enumerate(rows) if row[0] == "steady")
    rows.insert(at, ("target", "file", "", "", "CSV file with the table, in place of ``table``."))
    rows += _names()
    rows += [("fuels", name, f"{fuel.afr_stoich:g}", "", fuel.name) for name, fuel in FUELS.items()]
    rows += [("units.words", word, "", "", unit.quantity) for word, unit in UNITS.items()]
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    words = table["meaning"].str.replace(_ROLE, r"\1", regex=True)
    return table.assign(meaning=words.str.replace(_NONE, "leaving it out", regex=True))


def _of(section: str, kind: Any) -> Iterator[tuple[str, ...]]:
    """Yield the keys of one section, as the fields of the class behind it describe them."""
    defaults = {
        field.name: "" if field.default in (MISSING, None) else _plain(field.default)
        for field in fields(kind)
    }
    for group in described(kind):
        for name, unit in zip(group.names, group.units, strict=True):
            if name not in _NO_KEYS:
                yield section, name, defaults[name], "" if unit == "1" else unit, group.why


def _plain(value: object) -> str:
    if isinstance(value, bool):  # as a setup file writes it
        return str(value).lower()
    return f"{value:g}" if isinstance(value, float) else str(value)


def _names() -> Iterator[tuple[str, ...]]:
    for name, channel in CHANNELS.items():
        yield "channels", name, "", channel.unit, channel.meaning
    for ignition in ("spark", "compression"):
        for name, ceiling in default_limits(ignition).ceilings.items():
            hard = "" if ceiling.hard is None else f", hard {ceiling.hard:g}"
            yield (
                "limits.ceilings",
                f"{name} ({ignition})",
                f"{ceiling.ceiling:g}{hard}",
                CEILING_CHANNELS[name][1],
                "The default where the setup gives none.",
            )
