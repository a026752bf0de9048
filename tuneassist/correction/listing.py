"""The safety rules in force as a table: value, unit, where each came from, and why it is there."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import fields

import numpy as np
import pandas as pd

from tuneassist.correction.case import axis_pressure_kpa, in_boost
from tuneassist.correction.foresight import GROWS
from tuneassist.correction.rules import SAFE_WAY
from tuneassist.own_units import mixture
from tuneassist.settings import CEILING_CHANNELS, FULL_DUTY_PCT, LimitSettings, Setup

Why = tuple[str, str]
WHY: Mapping[str, Why] = {
    "max_step_pct": ("%", "largest change of a cell in one proposal, so that a slip stays small"),
    "max_total_pct": ("%", "more than this is a wrong injector scale or a leak, not a correction"),
    "max_slope_rpm_pct": ("% per cell", "neighbours along rpm: the engine must not feel the table"),
    "max_slope_load_pct": ("% per cell", "neighbours along load: the same"),
    "make_way_pct": (
        "%",
        "above a smoke floor, less fuel so that a neighbour below it gets its own",
    ),
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
    "boost_leanest_lambda": (
        "lambda",
        "spark only: predicted lambda in boost not above this: lean in boost is hot and knocks",
    ),
    "boost_lean_min_holds": ("holds", "spark only: worth of evidence that leaning in boost needs"),
    "boost_lean_end_pct": (
        "%",
        "spark only: leaning in boost stops where the interval's lean end is this far over target",
    ),
    "few_holds": ("holds", "spark only: with fewer in all, that lean end stays at target"),
    "boost_above_kpa": ("kPa abs", "above this the engine is in boost; not known counts as boost"),
    "boost_above_load": ("load unit", "the same on a load axis that is not a pressure"),
    "knock_above_kpa": ("kPa abs", "spark only: knock counts above this; not known counts, too"),
    "knock_above_load": ("load unit", "the same on a load axis that is not a pressure"),
    "lean_in_boost": ("confidence", "spark only: confidence that leaning in boost needs"),
    "step_at_low_pct": ("%", "largest step at low confidence; at none there is no step"),
    "step_at_fair_pct": ("%", "largest step at fair confidence"),
    "step_at_good_pct": ("%", "largest step at good confidence"),
    "resolution_pct": ("%", "what the controller takes; rounded toward no change"),
    "step_back_pct": ("%", "step the safe way where a hard ceiling was passed"),
    "foresee_margin_pct": (
        "%",
        "foreseen torque, exhaust heat and injector duty count this much more under a ceiling",
    ),
    "raise_fuel_unwatched": (
        "",
        "compression only: true raises fuel where no torque, exhaust temperature or boost with a "
        "ceiling was logged",
    ),
    "barometer_kpa": ("kPa abs", "taken for gauge pressure where none was logged"),
    "weight_se_floor_pct": ("%", "a cell weighs as if known no better than this"),
    "weight_se_cap_pct": ("%", "a cell weighs as if known no worse than this"),
}
"""Unit and reason of every plain rule; the fields of `LimitSettings` besides ceilings, regions."""
CAREFUL = frozenset(
    {
        "max_lean_step_in_boost_pct",
        "max_lean_total_in_boost_pct",
        "boost_leanest_lambda",
        "boost_lean_min_holds",
        "boost_lean_end_pct",
        "few_holds",
        "lean_in_boost",
        "foresee_margin_pct",
        "raise_fuel_unwatched",
    }
)
YOURS = " (careful; yours to change in [limits])"
"""Rules whose default is on the careful side, and what the listing says of them."""
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


def lean_target_notes(setup: Setup, cells: pd.DataFrame | None = None) -> tuple[str, ...]:
    """Say it where the target in boost is leaner than the rules let a cell become.

    Parameters
    ----------
    setup
        Target, axes and limits.
    cells
        One row per cell, for the manifold pressure seen where the load axis does not tell boost;
        None looks at the axis alone.

    Returns
    -------
    tuple of str
        One sentence, or none.
    """
    limits, axes = setup.limits, setup.axes
    places = pd.DataFrame(index=range(axes.size)) if cells is None else cells
    is_told = axis_pressure_kpa(axes, np.zeros(axes.size)) is not None
    is_told |= limits.boost_above_load is not None or "manifold_pressure_kpa" in places
    if setup.engine.ignition != "spark" or not is_told:
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
        origin = _origin(setup, f"limits.{field.name}")
        words = "not set" if value is None else _words(value)
        yours = YOURS if origin == "default" and _is_careful(field.name, why, setup) else ""
        yield f"limits.{field.name}", words, unit, origin, why + yours


def _is_careful(name: str, why: str, setup: Setup) -> bool:
    """A careful default is said to be one where it rules: spark only, compression only or both."""
    other = "compression" if setup.engine.ignition == "spark" else "spark"
    return name in CAREFUL and not why.startswith(f"{other} only")


def _foreseen_words(setup: Setup, name: str) -> str:
    is_spark, on_fuel = setup.engine.ignition == "spark", setup.correction.acts_on == "fuel"
    if is_spark and on_fuel and name == "injector_duty":
        return f"; more fuel stops where duty may meet {FULL_DUTY_PCT:g} %"
    is_foreseen = name in GROWS[is_spark, on_fuel] or (name == "boost" and not on_fuel)
    return "; a step that may pass it stops short of it" if is_foreseen else ""


def _ceilings(setup: Setup) -> Iterator[tuple[str, str, str, str, str]]:
    for name, ceiling in setup.limits.ceilings.items():
        key = f"limits.ceilings.{name}"
        hard = "no hard ceiling" if ceiling.hard is None else f"hard {ceiling.hard:g}"
        why = "beyond it the cell and its neighbours move the safe way only; past hard, step back"
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
