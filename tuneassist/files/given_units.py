"""Numbers of a setup given with a unit: ``min_coolant_c = { value = 158, unit = "degF" }``.

A plain number is in the unit that ``tuneassist keys`` lists. A table of value and unit may stand in
its place where that unit is a temperature, a pressure, a mixture or a torque.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import fields, replace
from types import MappingProxyType
from typing import Any

from tuneassist.files.toml_table import TomlTable, nearest, shown
from tuneassist.settings import LimitSettings, Region, SteadySettings
from tuneassist.units import ATMOSPHERE_KPA, UNITS, convert, find_unit, units_of

VALUE, UNIT = "value", "unit"
_INSIDE: Mapping[str, str] = MappingProxyType(
    {"degC": "degC", "kPa abs": "kPa", "lambda": "lambda", "N.m": "N.m", "kW": "kW"}
)
"""Unit of a field to the unit word that its numbers are converted to."""
_BAROMETER = "barometer_kpa"


def with_units_inside(whole: TomlTable, *, afr_stoich: float) -> TomlTable:
    """Return a setup in which every number with a unit is a plain one in the unit inside.

    Parameters
    ----------
    whole
        The file.
    afr_stoich
        Of the fuel, for a mixture given as AFR. [kg/kg]

    Raises
    ------
    SetupError
        When a number or its unit cannot be used; names the key.
    """
    values = dict(whole.values)
    limits = whole.table("limits") if "limits" in whole else None
    if "steady" in whole:
        steady = whole.table("steady")
        values["steady"] = _plain(SteadySettings, steady, afr_stoich, ATMOSPHERE_KPA)
    if limits is not None:
        first = _plain(LimitSettings, _only(limits, _BAROMETER), afr_stoich, math.nan)
        given = first.get(_BAROMETER, ATMOSPHERE_KPA)
        barometer_kpa = float(given) if isinstance(given, (int, float)) else ATMOSPHERE_KPA
        values["limits"] = _plain(LimitSettings, limits, afr_stoich, barometer_kpa)
        if "region" in limits:
            regions = limits.tables("region")
            plain = [_plain(Region, region, afr_stoich, barometer_kpa) for region in regions]
            values["limits"]["region"] = plain
    return replace(whole, values=values)


def _only(table: TomlTable, name: str) -> TomlTable:
    return replace(table, values={key: table.values[key] for key in (name,) if key in table})


def _plain(
    settings: type, table: TomlTable, afr_stoich: float, barometer_kpa: float
) -> dict[str, Any]:
    """Return a table's values, those with a unit as plain numbers."""
    inside = {field.name: _unit_inside(field.name, field.metadata) for field in fields(settings)}
    values = dict(table.values)
    for name, value in table.values.items():
        if isinstance(value, dict) and inside.get(name):
            values[name] = _number(table, name, inside[name], afr_stoich, barometer_kpa)
    return values


def _unit_inside(name: str, facts: Mapping[str, Any]) -> str:
    said = str(facts.get("unit", "")) or ("lambda" if name.endswith("_lambda") else "")
    return _INSIDE.get(said, "")


def _number(
    table: TomlTable, name: str, inside: str, afr_stoich: float, barometer_kpa: float
) -> float:
    entry = table.table(name)
    quantity = UNITS[inside].quantity
    right = f'Write {name} = {{ value = 1.0, unit = "{units_of(quantity)[-1]}" }}, or a number.'
    entry.check_names((VALUE, UNIT))
    for key in (VALUE, UNIT):
        if key not in entry:
            raise entry.error(key, "this key is missing.", right)
    value, unit = entry.checked_numbers(VALUE, [entry.values[VALUE]])[0], entry.values[UNIT]
    reading = find_unit(unit) if isinstance(unit, str) else None
    if reading is None or UNITS[reading.word].quantity != quantity:
        near = nearest(unit, units_of(quantity)) if isinstance(unit, str) else ""
        fitting = f"{near} Fitting here: {', '.join(units_of(quantity))}.".strip()
        raise entry.error(UNIT, f"{shown(unit)} is no unit of {quantity}.", fitting)
    moved = float(convert(value, reading.word, inside, afr_stoich=afr_stoich))
    if reading.reference != "gauge":
        return moved
    if name == _BAROMETER:
        raise entry.error(UNIT, "a barometer counts from vacuum.", f'Write "{reading.word}".')
    return moved + barometer_kpa
