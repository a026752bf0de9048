"""Sentences in another unit: for words that were stored, or written where no setup is known.

A sentence that is made now takes its units from `tuneassist.own_units`. Words of an earlier round,
of a log's reader and of full-load runs are text already: their readings are found by number and
unit, converted, and written anew. A place of the table ("2000 rpm, 60 kPa") stays as its axis is.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from tuneassist.own_units import OutputUnits, units_for, with_unit
from tuneassist.settings import UNIT_QUANTITIES, Setup, UnitSettings
from tuneassist.units import UNITS, convert

_NUMBER = r"-?\d+(?:\.\d+)?"
_KEYS = {quantity: key for key, quantity in UNIT_QUANTITIES.items() if key != "mixture"}
_WORDS = sorted(
    (w for w, u in UNITS.items() if u.quantity in _KEYS and u.factor > 0 and w != "K"), key=len
)[::-1]
_UNIT = rf"(?:{'|'.join(re.escape(word) for word in _WORDS)})"
_REFERENCE = r"(?: (?:gauge|absolute|abs))?"
_READING = re.compile(
    rf"(?<![\w.])(?:(?P<low>{_NUMBER}) to )?(?P<value>{_NUMBER}) "
    rf"(?P<unit>{_UNIT})(?P<reference>{_REFERENCE})(?![\w/]| vacuum)"
)
_BARE_END = re.compile(
    rf"(?P<head>{_NUMBER} (?P<unit>{_UNIT}{_REFERENCE})"
    rf"(?: at [^;.]*?, (?:hard )?ceiling | over the whole map \({_NUMBER} to | \(highest ))"
    rf"(?P<end>{_NUMBER})(?![\d.]*\d| ?{_UNIT})"
)
"""A second number whose unit the first one gives, as earlier versions wrote it."""
_LAMBDA = re.compile(r"\blambda (?P<low>\d\.\d{2,3})(?: to (?P<high>\d\.\d{2,3}))?(?![\d.]| s\b)")
_DIFFERENCE = re.compile(r"(?:\bby (?:less than |about )?|[+±]-?|\bwithin )$")
_PLACE = re.compile(r"rpm(?:,|:| and| and back at| at)(?: [\d., ]*)?$")


def restated(words: str, units: OutputUnits, *, load_unit: str = "", only: UnitSettings) -> str:
    """Write the readings in a sentence in other units.

    Parameters
    ----------
    words
        The sentence.
    units
        The units, with the barometer between gauge and absolute pressure.
    load_unit
        Unit of the load axis, which places keep; empty without one.
    only
        The quantities to convert: those that are given here.

    Examples
    --------
    >>> imperial = OutputUnits(pressure="psi", temperature="degF")
    >>> only = UnitSettings(pressure="psi", temperature="degF")
    >>> restated("boost 135.1 kPa gauge at 3400 rpm, 60 kPa, ceiling 124.1", imperial, only=only)
    'boost 19.59 psi gauge at 3400 rpm, 60 kPa, ceiling 18 psi gauge'
    >>> restated("coolant runs from 20 to 60 degC, apart by 10 degC", imperial, only=only)
    'coolant runs from 68 to 140 degF, apart by 18 degF'
    """

    def of(found: re.Match[str]) -> str:
        unit = UNITS[found["unit"]]
        key = _KEYS[unit.quantity]
        logged = f"{unit.word}{found['reference']}"
        before = words[: found.start()]
        is_meant = getattr(only, key) is not None and not _is_place(before, logged, load_unit)
        if not is_meant or units.word(f"{_inside(unit.word)}{found['reference']}") == logged:
            return found[0]
        return _written(found, units, is_change=bool(_DIFFERENCE.search(before)))

    words = _BARE_END.sub(lambda found: f"{found['head']}{found['end']} {found['unit']}", words)
    words = _READING.sub(of, words)
    return _with_afr(words, units) if only.mixture == "afr" else words


def restated_for(words: str, setup: Setup | None) -> str:
    """Write stored words in the units that ``--units`` or ``[units]`` name; else as they are."""
    if setup is None or setup.units == UnitSettings():
        return words
    own = setup.units
    given = {key: getattr(own, key) for key in _KEYS.values() if getattr(own, key)}
    stoich = setup.engine.afr_stoich if own.mixture == "afr" else None
    units = OutputUnits(**given, afr_stoich=stoich, barometer_kpa=setup.limits.barometer_kpa)
    return restated(words, units, load_unit=setup.axes.load_unit, only=own)


def restated_as_made(words: str, setup: Setup) -> str:
    """Write stored words as they would be made now: in the units of the setup, named or not.

    Words of a round may have been made under ``--units``, which is of one screen only.
    """
    units = units_for(setup)
    names = {key: getattr(units, key) for key in _KEYS.values()}
    mixture = None if units.afr_stoich is None else "afr"
    only = UnitSettings(**names, mixture=mixture)
    return restated(words, units, load_unit=setup.axes.load_unit, only=only)


def restated_as_logged(words: str, setup: Setup, logged: Mapping[str, str]) -> str:
    """Write a note on a log in the log's units of pressure and temperature, if the setup has none.

    Parameters
    ----------
    words
        The note, in the setup's units or those inside.
    setup
        Its ``[units]``, ceilings and axis go before the log's.
    logged
        Channel to the unit in which the log has it.
    """
    units = units_for(setup, logged)
    only = UnitSettings(pressure=units.pressure, temperature=units.temperature)
    return restated(words, units, load_unit=setup.axes.load_unit, only=only)


def said_in(words: str, units: OutputUnits) -> str:
    """Write a sentence that knows no setup wholly in these units."""
    names = {key: getattr(units, key) for key in _KEYS.values()}
    mixture = None if units.afr_stoich is None else "afr"
    return restated(words, units, only=UnitSettings(**names, mixture=mixture))


def _is_place(before: str, logged: str, load_unit: str) -> bool:
    """Whether a reading is a load of the table, which its axis labels."""
    if UNITS[logged.split(" ", maxsplit=1)[0]].quantity != "pressure":
        return False
    if _PLACE.search(before):
        return True
    return logged == load_unit and " " not in logged and "rail pressure" not in before


def _written(found: re.Match[str], units: OutputUnits, *, is_change: bool) -> str:
    unit, reference = found["unit"], found["reference"]
    inside = _inside(unit)
    if is_change:
        change = float(found["value"]) * UNITS[unit].factor
        return with_unit(units.change(change, inside), units.word(inside).split(" ")[0])
    numbers = [found["low"], found["value"]] if found["low"] else [found["value"]]
    ends = [float(convert(float(n), unit, inside)) for n in numbers]
    if len(ends) == 2:
        return units.span(ends[0], ends[1], f"{inside}{reference}")
    return units.said(ends[0], f"{inside}{reference}")


def _inside(unit: str) -> str:
    quantity = UNITS[unit].quantity
    return next(word for word, one in UNITS.items() if one.quantity == quantity)


def _with_afr(words: str, units: OutputUnits) -> str:
    def of(found: re.Match[str]) -> str:
        if found["high"] is None:
            return units.said(float(found["low"]), "lambda")
        return units.span(float(found["low"]), float(found["high"]), "lambda")

    return _LAMBDA.sub(of, words)
