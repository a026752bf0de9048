"""The safety rules in force as a table: value, unit, where each came from, and why it is there."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import fields
from types import MappingProxyType

import numpy as np
import pandas as pd

from tuneassist.correction.cell_readings import axis_pressure_kpa, in_boost
from tuneassist.correction.predicted_readings import GROWS_WITH_GRID
from tuneassist.correction.rules import SAFE_WAY
from tuneassist.own_units import mixture
from tuneassist.settings import CEILING_CHANNELS, FULL_DUTY_PCT, LimitSettings, Setup

WHY: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        f.name: (f.metadata["unit"], f.metadata["brief"])
        for f in fields(LimitSettings)
        if "brief" in f.metadata
    }
)
"""Unit and reason of every plain rule; the fields of `LimitSettings` besides ceilings, regions."""
_CAREFUL = frozenset(f.name for f in fields(LimitSettings) if f.metadata.get("is_careful"))
YOURS = " (careful default; change it in [limits])"
"""Rules whose default is on the careful side, and the note that the table adds to them."""
COLUMNS = ("rule", "value", "unit", "from", "why")


def describe_limits(setup: Setup) -> pd.DataFrame:
    """List every safety rule in force.

    Parameters
    ----------
    setup
        The setup; its ``given`` lists what the file set.

    Returns
    -------
    pandas.DataFrame
        Columns ``rule, value, unit, from, why``, the value in words; ``from`` is "default" or
        "file". The first row says which way is safe for this engine.
    """
    rows = [*_safe_way(setup), *_plain(setup), *_ceilings(setup), *_regions(setup)]
    return pd.DataFrame(rows, columns=list(COLUMNS))


def lean_target_notes(setup: Setup, cells: pd.DataFrame | None = None) -> tuple[str, ...]:
    """Warn where the target in boost is leaner than the rules allow.

    Parameters
    ----------
    setup
        Target, axes and limits.
    cells
        One row per cell, for the logged manifold pressure where the load axis does not show boost;
        None uses the axis alone.

    Returns
    -------
    tuple of str
        One sentence, or none.
    """
    limits, axes = setup.limits, setup.axes
    places = pd.DataFrame(index=range(axes.size)) if cells is None else cells
    is_boost_known = axis_pressure_kpa(axes, np.zeros(axes.size)) is not None
    is_boost_known |= limits.boost_above_load is not None or "manifold_pressure_kpa" in places
    if setup.engine.ignition != "spark" or not is_boost_known:
        return ()
    target = setup.target.table.ravel()
    leaner = in_boost(places, axes, limits) & (target > limits.boost_leanest_lambda)
    if not leaner.any():
        return ()
    worst, count = int(np.argmax(np.where(leaner, target, -np.inf))), int(leaner.sum())
    return (
        f"the target in boost is leaner than boost_leanest_lambda allows "
        f"({mixture(limits.boost_leanest_lambda, setup)}) in {count} "
        f"{'cell' if count == 1 else 'cells'}, up to {mixture(target[worst], setup)} at "
        f"{axes.cell_rpm()[worst]:g} rpm, {axes.cell_load()[worst]:g} {axes.load_unit}: a cell "
        "there is leaned no further than that. If the target is right, raise "
        "boost_leanest_lambda in [limits]",
    )


def _origin(setup: Setup, key: str) -> str:
    """Return "file" where the setup gives the key, a part of it or its section, else "default"."""
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
        origin = _origin(setup, f"limits.{field.name}")
        words = "not set" if value is None else _words(value)
        yours = YOURS if origin == "default" and _is_careful(field.name, why, setup) else ""
        yield f"limits.{field.name}", words, unit, origin, why + yours


def _is_careful(name: str, why: str, setup: Setup) -> bool:
    """Whether the default is on the careful side and applies to this ignition."""
    other = "compression" if setup.engine.ignition == "spark" else "spark"
    return name in _CAREFUL and not why.startswith(f"{other} only")


def _foreseen_words(setup: Setup, name: str) -> str:
    is_spark, on_fuel = setup.engine.ignition == "spark", setup.correction.acts_on == "fuel"
    if is_spark and on_fuel and name == "injector_duty":
        return f"; more fuel stops where duty may meet {FULL_DUTY_PCT:g} %"
    is_foreseen = name in GROWS_WITH_GRID[is_spark, on_fuel] or (name == "boost" and not on_fuel)
    return "; a step that may exceed it is limited" if is_foreseen else ""


def _ceilings(setup: Setup) -> Iterator[tuple[str, str, str, str, str]]:
    for name, ceiling in setup.limits.ceilings.items():
        key = f"limits.ceilings.{name}"
        hard = "no hard ceiling" if ceiling.hard is None else f"hard {ceiling.hard:g}"
        why = "beyond it the cell and its neighbours move the safe way only; beyond hard, step back"
        why += _foreseen_words(setup, name)
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


def _words(value: float | str | bool) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return value if isinstance(value, str) else f"{value:g}"
