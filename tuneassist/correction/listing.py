"""The safety rules in force as a table: value, unit, where each came from, and why it is there."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import fields

import pandas as pd

from tuneassist.correction.rules import SAFE_WAY
from tuneassist.settings import CEILING_CHANNELS, LimitSettings, Setup

Why = tuple[str, str]
WHY: Mapping[str, Why] = {
    "max_step_pct": ("%", "largest change of a cell in one proposal, so that a slip stays small"),
    "max_total_pct": ("%", "more than this is a wrong injector scale or a leak, not a correction"),
    "max_slope_rpm_pct": ("% per cell", "neighbours along rpm: the engine must not feel the table"),
    "max_slope_load_pct": ("% per cell", "neighbours along load: the same"),
    "richest_lambda": (
        "lambda",
        "predicted lambda not below this: misfire and washed bores (spark); smoke (compression)",
    ),
    "leanest_lambda": ("lambda", "predicted lambda not above this: misfire"),
    "max_lean_step_in_boost_pct": (
        "%",
        "spark only: leaner in boost in one proposal; what follows is measured before the next",
    ),
    "max_lean_total_in_boost_pct": (
        "%",
        "spark only: leaner in boost in all; more is a wrong scale or sensor, not a correction",
    ),
    "boost_leanest_lambda": ("lambda", "spark only: lean in boost is hot and knocks"),
    "boost_lean_min_holds": ("holds", "spark only: worth of evidence that leaning in boost needs"),
    "boost_lean_end_pct": (
        "%",
        "spark only: leaning in boost stops where the interval's lean end is this far over target",
    ),
    "few_holds": ("holds", "with fewer in all, that lean end stays at target"),
    "boost_above_kpa": ("kPa abs", "above this the engine is in boost; not known counts as boost"),
    "boost_above_load": ("load unit", "the same on a load axis that is not a pressure"),
    "lean_in_boost": ("confidence", "spark only: confidence that leaning in boost needs"),
    "step_at_low_pct": ("%", "largest step at low confidence; at none there is no step"),
    "step_at_fair_pct": ("%", "largest step at fair confidence"),
    "step_at_good_pct": ("%", "largest step at good confidence"),
    "resolution_pct": ("%", "what the controller takes; rounded toward no change"),
    "step_back_pct": ("%", "step the safe way where a hard ceiling was passed"),
    "barometer_kpa": ("kPa abs", "taken for gauge pressure where none was logged"),
    "weight_se_floor_pct": ("%", "a cell weighs as if known no better than this"),
    "weight_se_cap_pct": ("%", "a cell weighs as if known no worse than this"),
}
"""Unit and reason of every plain rule; the fields of `LimitSettings` besides ceilings, regions."""
COLUMNS = ("rule", "value", "unit", "from", "why")


def describe_limits(setup: Setup) -> pd.DataFrame:
    """List every safety rule in force.

    Parameters
    ----------
    setup
        The setup; its ``given`` tells what the file set.

    Returns
    -------
    pandas.DataFrame
        Columns ``rule, value, unit, from, why``, the value in words; ``from`` is "default" or
        "file". The first row says which way is safe for this engine.
    """
    rows = [*_safe_way(setup), *_plain(setup), *_ceilings(setup), *_regions(setup)]
    return pd.DataFrame(rows, columns=list(COLUMNS))


def unwatched_ceilings(cells: pd.DataFrame, *, setup: Setup) -> tuple[str, ...]:
    """Name the ceilings in force that protect nothing, because no log has a reading for them.

    Parameters
    ----------
    cells
        One row per cell, with a column ``<column>_max`` for each channel that was logged.
    setup
        Its limits.

    Returns
    -------
    tuple of str
        Channel names; boost counts as watched where manifold pressure was logged.
    """
    seen = {str(name) for name in cells.columns if cells[name].notna().any()}
    watched = {name for name, (column, _) in CEILING_CHANNELS.items() if f"{column}_max" in seen}
    if "manifold_pressure_kpa" in seen:
        watched.add("boost")
    return tuple(name for name in setup.limits.ceilings if name not in watched)


def _origin(setup: Setup, key: str) -> str:
    """A key is the file's when the file gave it, a part of it, or the section it stands in."""
    for given in setup.given:
        is_part = given == key or given.startswith(key + ".") or key.startswith(given + ".")
        if is_part and given not in ("limits", "limits.ceilings"):
            return "file"
    return "default"


def _safe_way(setup: Setup) -> Iterator[tuple[str, str, str, str, str]]:
    ignition, acts_on = setup.engine.ignition, setup.correction.acts_on
    way, why = SAFE_WAY[ignition, acts_on].split(": ", 1)
    yield "safe way", way, "", _origin(setup, "engine.ignition"), why


def _plain(setup: Setup) -> Iterator[tuple[str, str, str, str, str]]:
    for field in fields(LimitSettings):
        if field.name not in WHY:
            continue
        value = getattr(setup.limits, field.name)
        unit, why = WHY[field.name]
        words = "not set" if value is None else _words(value)
        yield f"limits.{field.name}", words, unit, _origin(setup, f"limits.{field.name}"), why


def _ceilings(setup: Setup) -> Iterator[tuple[str, str, str, str, str]]:
    for name, ceiling in setup.limits.ceilings.items():
        key = f"limits.ceilings.{name}"
        hard = "no hard ceiling" if ceiling.hard is None else f"hard {ceiling.hard:g}"
        why = "beyond it the cell and its neighbours move the safe way only; past hard, step back"
        unit = CEILING_CHANNELS[name][1]
        yield key, f"{ceiling.ceiling:g}, {hard}", unit, _origin(setup, key), why


def _regions(setup: Setup) -> Iterator[tuple[str, str, str, str, str]]:
    for region in setup.limits.regions:
        where = (
            f"{region.rpm[0]:g} to {region.rpm[1]:g} rpm, {region.load[0]:g} to {region.load[1]:g}"
        )
        for name in WHY:
            value = getattr(region, name, None)
            if value is not None:
                key = f"limits.region ({region.name}).{name}"
                yield (
                    key,
                    _words(value),
                    WHY[name][0],
                    "file",
                    f"tighter of this and {name}: {where}",
                )


def _words(value: float | str) -> str:
    return value if isinstance(value, str) else f"{value:g}"
