"""A boost grid's columns of ``cells.csv``: boost in the tuner's unit, and fuel to take away."""

from __future__ import annotations

import pandas as pd

from tuneassist.correction.boost_forecast import AFTER, BASIS, BASIS_WORDS, NOW
from tuneassist.errors import InputError
from tuneassist.files.safe_files import snippet
from tuneassist.units import UNITS, convert

FUEL_COLUMN = "fuel_to_take_away_pct"
KPA = "_kpa"
"""End of the columns' names inside; a file has the tuner's unit there."""
_BOOST = (NOW.removesuffix(KPA), AFTER.removesuffix(KPA))


def in_unit(cells: pd.DataFrame, unit: str) -> pd.DataFrame:
    """Return the cells with boost in a unit, its word in the columns' names; others unchanged.

    Parameters
    ----------
    cells
        Of a proposal; those of a fuel grid have no boost.
    unit
        A unit word of pressure.
    """
    held = [f"{name}{KPA}" for name in _BOOST if f"{name}{KPA}" in cells]
    shown = cells.assign(**{name: convert(cells[name].to_numpy(), "kPa", unit) for name in held})
    return shown.rename(columns={name: f"{name.removesuffix(KPA)}_{unit}" for name in held})


def unit_in(table: pd.DataFrame) -> str:
    """Return the unit of the boost in a table as read; empty where it has none."""
    start = f"{_BOOST[0]}_"
    return next((str(n).removeprefix(start) for n in table if str(n).startswith(start)), "")


def boost_of(table: pd.DataFrame, *, where: str) -> dict[str, pd.Series]:
    """Read the columns of a boost grid back; nothing where the file has none.

    Parameters
    ----------
    table
        ``cells.csv`` as texts.
    where
        The file, for messages.

    Returns
    -------
    dict of str to pandas.Series
        Boost in kPa gauge, its basis, and the fuel to take away. [%]

    Raises
    ------
    InputError
        When a column is missing beside the others, or a value cannot be used.
    """
    unit = unit_in(table)
    if not unit:
        return {}
    if unit not in UNITS or UNITS[unit].quantity != "pressure":
        raise InputError(f'"{snippet(unit, 20)}" is no unit of pressure.', where=where)
    names = [f"{name}_{unit}" for name in _BOOST]
    if lacking := [name for name in (*names, BASIS) if name not in table]:
        raise InputError(f"the columns {', '.join(lacking)} are missing.", where=where)
    if not table[BASIS].isin(list(BASIS_WORDS)).all():
        raise InputError(f"a {BASIS} is not one of {', '.join(BASIS_WORDS)}.", where=where)
    found = {
        f"{name}{KPA}": pd.Series(convert(_numbers(table, column, where), unit, "kPa"))
        for name, column in zip(_BOOST, names, strict=True)
    }
    found[BASIS] = table[BASIS]
    if FUEL_COLUMN in table:
        found[FUEL_COLUMN] = _numbers(table, FUEL_COLUMN, where)
    return found


def _numbers(table: pd.DataFrame, name: str, where: str) -> pd.Series:
    try:
        return pd.to_numeric(table[name].replace("", None)).astype(float)
    except ValueError as error:
        raise InputError(f"a value is not a number: {snippet(error, 120)}.", where=where) from error
