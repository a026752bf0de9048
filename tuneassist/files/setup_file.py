"""The setup file: one car's axes, target, channels, settings and limits, read from TOML.

Each section builds one object of `tuneassist.settings`. A key that is not known, a value of the
wrong type or length, and a unit, channel or fuel that the program does not know are errors that
name the file, the key and what would be right.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any, TypeVar

import numpy as np

from tuneassist.arguments import file_path
from tuneassist.channels import CHANNELS
from tuneassist.errors import InputError, SetupError
from tuneassist.files.given_units import with_units_inside
from tuneassist.files.grid_file import MAX_BYTES as MAX_GRID_BYTES
from tuneassist.files.grid_file import grid_of
from tuneassist.files.open_questions import refuse_open
from tuneassist.files.plan_section import PLAN_KEYS
from tuneassist.files.safe_files import path_inside, read_bounded
from tuneassist.files.setup_contradictions import refuse_contradictions
from tuneassist.files.toml_table import (
    MAX_BYTES,
    TomlTable,
    dotted_keys,
    errors_located,
    field_values,
    keys_of,
    nearest,
    shown,
    toml_of,
)
from tuneassist.grid import Axes, Floats
from tuneassist.own_units import as_chosen, with_unit
from tuneassist.settings import (
    CEILING_CHANNELS,
    Ceiling,
    ChannelSource,
    CorrectionSettings,
    EngineSettings,
    LimitSettings,
    Region,
    Setup,
    SteadySettings,
    Target,
    UnitSettings,
    default_limits,
)
from tuneassist.units import FUELS, UNITS, VACUUM, convert, find_unit, unit_named, units_of

_Settings = TypeVar("_Settings")

_KEYS: dict[str, tuple[str, ...]] = {
    "engine": keys_of(EngineSettings),
    "channels": tuple(CHANNELS),
    "axes": ("rpm", "load", "load_name", "load_unit"),
    "target": ("unit", "kind", "table", "file"),
    "steady": keys_of(SteadySettings),
    "correction": keys_of(CorrectionSettings),
    "limits": (*(key for key in keys_of(LimitSettings) if key != "regions"), "region"),
    "units": keys_of(UnitSettings),
    "plan": PLAN_KEYS,  # read by `tuneassist.files.plan_section`
}
_CEILING_KEYS = ("ceiling", "hard", "unit")
_CEILING_WORDS = re.compile(
    r"(?P<ceiling>[+-]?\d+(?:\.\d+)?(?:e[+-]?\d+)?)\s*(?P<unit>%|[^\W\d_][^,]{0,30}?)"
    r"(?:,\s*(?:no hard ceiling|hard\s+(?P<hard>[+-]?\d+(?:\.\d+)?(?:e[+-]?\d+)?)))?"
)
"""A ceiling in the format in which `limits` prints it."""
_NO_CEILING = {
    "time": "Time has no ceiling.",
    "lambda": "Bound it with limits.richest_lambda and limits.leanest_lambda.",
    "lambda_target": "Bound it with limits.richest_lambda and limits.leanest_lambda.",
}


@dataclass(frozen=True)
class SetupFiles:
    """A setup's files, read once: the same bytes are parsed, copied and fingerprinted.

    Parameters
    ----------
    path
        The setup file.
    setup
        Its bytes.
    target_name
        Value of ``target.file``; None where the table is in the setup.
    target
        The bytes of that file.
    """

    path: Path
    setup: bytes
    target_name: str | None = None
    target: bytes | None = None


def read_setup_files(path: str | Path) -> SetupFiles:
    """Read a setup file and the target file that it names.

    Parameters
    ----------
    path
        The file. A ``target.file`` is read from its folder and may not lead out of it.

    Raises
    ------
    SetupError
        When either cannot be read.
    """
    path = file_path(path, error=SetupError)
    data = read_bounded(path, most=MAX_BYTES, what="a setup", error=SetupError)
    target = toml_of(data, path).table("target")
    if "file" not in target or "table" in target:
        return SetupFiles(path, data)
    name = target.values["file"]
    if not isinstance(name, str) or not name:
        raise target.error("file", f"{shown(name)} is not a file name.", 'Write "target.csv".')
    try:
        table = read_bounded(path_inside(path.parent, name), most=MAX_GRID_BYTES, what="a grid")
    except InputError as error:
        raise target.error("file", str(error)) from error
    return SetupFiles(path, data, name, table)


def read_setup(path: str | Path) -> Setup:
    """Read a setup file.

    Parameters
    ----------
    path
        The file. A ``target.file`` is read from its folder.

    Returns
    -------
    Setup
        All settings in force, in the units that the program works in; ``given`` lists the keys
        that the file has, such as ``limits.ceilings.exhaust_temp.hard``.

    Raises
    ------
    SetupError
        When the file cannot be read or is invalid.
    """
    return setup_of(read_setup_files(path))


def setup_of(files: SetupFiles) -> Setup:
    """Build the setup from its files as read; raises what `read_setup` raises."""
    as_given = toml_of(files.setup, files.path)
    refuse_open(as_given)
    _check_sections(as_given)
    engine = _engine(as_given.table("engine"))
    whole = with_units_inside(as_given, afr_stoich=engine.afr_stoich)
    axes = _axes(whole.table("axes"))
    setup = Setup(
        axes=axes,
        target=_target(whole.table("target"), axes, engine, files),
        engine=engine,
        channels=_channels(whole.table("channels"), axes),
        unread=_unread(whole.table("channels")),
        steady=_plain(SteadySettings, whole.table("steady")),
        correction=_plain(CorrectionSettings, whole.table("correction")),
        limits=_limits(whole.table("limits"), axes, engine),
        units=_units(whole.table("units")),
        source=str(files.path),
        given=frozenset(dotted_keys(as_given.values)),
    )
    refuse_contradictions(setup, whole)
    return as_chosen(setup)


def _check_sections(whole: TomlTable) -> None:
    whole.check_names(_KEYS, hint=_homes(""))
    for name in whole.values:
        whole.table(name).check_names(_KEYS[name], hint=_homes(name))
    for name, keys in (("axes", ("rpm", "load")), ("target", ())):
        if name not in whole:
            raise whole.error(name, "this section is missing.", f"Add [{name}].")
        for key in keys:
            if key not in whole.table(name):
                raise whole.table(name).error(
                    key, "this key is missing.", "Give the breakpoints from low to high."
                )


def _homes(section: str) -> dict[str, str]:
    """Return for each key of the other sections where it belongs."""
    return {
        key: f"It belongs in [{other}]."
        for other, keys in _KEYS.items()
        if other not in (section, "channels")
        for key in keys
        if key not in _KEYS.get(section, ())
    }


def _plain(settings: type[_Settings], table: TomlTable) -> _Settings:
    values = field_values(settings, table)
    with errors_located(table):
        return settings(**values)


def _engine(table: TomlTable) -> EngineSettings:
    engine = _plain(EngineSettings, table)
    if engine.fuel not in FUELS:
        near = nearest(engine.fuel, FUELS)
        known = f"Known fuels: {', '.join(FUELS)}; afr_stoich overrides their ratio."
        problem = f"unknown fuel {shown(engine.fuel)}."
        raise table.error("fuel", problem, f"{near} {known}".strip())
    if "afr_stoich" in table:
        return engine
    return replace(engine, afr_stoich=FUELS[engine.fuel].afr_stoich)


def _axes(table: TomlTable) -> Axes:
    words = field_values(Axes, table, skip=("rpm", "load"))
    if "load_unit" in words:
        _check_unit(table, "load_unit", words["load_unit"], references=True)
    with errors_located(table):
        return Axes(
            rpm=np.array(table.numbers("rpm")),
            load=np.array(table.numbers("load")),
            where="",
            **words,
        )


def _target(table: TomlTable, axes: Axes, engine: EngineSettings, files: SetupFiles) -> Target:
    words = field_values(Target, table, skip=("table",))
    if ("table" in table) == ("file" in table):
        have = "both are given." if "table" in table else "the target is missing."
        raise table.error("table", have, 'Give either table = [[...], ...] or file = "target.csv".')
    in_file = files.target is not None
    values = _target_file(table, axes, files) if in_file else _target_table(table, axes)
    if words.get("unit") == "afr":
        values = _inside(values, "afr", "lambda", engine)
    with errors_located(table):
        return Target(table=values, **words)


def _target_table(table: TomlTable, axes: Axes) -> Floats:
    rows = table.values["table"]
    right = "Give one row per rpm breakpoint and one value per load breakpoint."
    if not isinstance(rows, list) or not all(isinstance(row, list) for row in rows):
        raise table.error("table", "this is not a list of rows.", right)
    if len(rows) != axes.shape[0]:
        problem = f"the table has {len(rows)} rows; axes.rpm has {axes.shape[0]} breakpoints."
        raise table.error("table", problem, right)
    for number, row in enumerate(rows, start=1):
        if len(row) != axes.shape[1]:
            problem = f"row {number} has {len(row)} values; axes.load has {axes.shape[1]}."
            raise table.error("table", problem, right)
    return np.array(
        [
            table.checked_numbers(f"table, row {number}", row, allow_nan=True)
            for number, row in enumerate(rows, start=1)
        ]
    )


def _target_file(table: TomlTable, axes: Axes, files: SetupFiles) -> Floats:
    where = str(files.path.parent / str(files.target_name))
    try:
        return grid_of(files.target or b"", where=where, axes=axes).values
    except InputError as error:
        raise table.error("file", str(error)) from error


def _channels(table: TomlTable, axes: Axes) -> Mapping[str, ChannelSource]:
    right = (
        'Write it as { column = "header in the log", unit = "unit word" }, or as false to leave '
        "the channel unread."
    )
    sources: dict[str, ChannelSource] = {}
    for name in table.values:
        if table.values[name] is False:
            continue
        if not isinstance(table.values[name], dict):
            raise table.error(name, f"{shown(table.values[name])} is not a table.", right)
        entry = table.table(name)
        entry.check_names(keys_of(ChannelSource))
        if not entry.values.get("column"):
            raise entry.error("column", "the log's header is missing.", right)
        sources[name] = source = _channel_source(entry)
        inside = _unit_inside(name, axes)
        if source.transfer is None:
            _check_unit(entry, "unit", source.unit, inside, spellings=True)
        else:
            _check_unit(entry, "unit", source.unit, spellings=True)
            _check_unit(entry, "transfer_unit", source.transfer_unit, inside, spellings=True)
        if source.raw is not None:
            from tuneassist.reading.obd import parameter

            with errors_located(entry):
                parameter(source.raw, channel=name, where="")
    return MappingProxyType(sources)


def _unread(table: TomlTable) -> frozenset[str]:
    """Return the channels that the file says to ignore: ``NAME = false``."""
    names = frozenset(name for name, value in table.values.items() if value is False)
    for name in ("time", "rpm", "load"):
        if name in names:
            raise table.error(name, "this channel is required.", "Name its column.")
    return names


def _channel_source(entry: TomlTable) -> ChannelSource:
    values = field_values(ChannelSource, entry, skip=("transfer",))
    if "transfer" in entry:
        pairs = entry.values["transfer"]
        right = "Write [[0.0, 0.68], [5.0, 1.36]]: the logged value, and what it means."
        is_list = isinstance(pairs, list) and all(
            isinstance(p, list) and len(p) == 2 for p in pairs
        )
        if not is_list:
            raise entry.error("transfer", "this is not a list of pairs.", right)
        values["transfer"] = tuple(
            tuple(entry.checked_numbers(f"transfer, pair {number}", pair))
            for number, pair in enumerate(pairs, start=1)
        )
    with errors_located(entry):
        return ChannelSource(**values)


def _limits(table: TomlTable, axes: Axes, engine: EngineSettings) -> LimitSettings:
    values = field_values(LimitSettings, table, skip=("ceilings", "regions"))
    general = default_limits(engine.ignition)
    values["ceilings"] = _ceilings(table.table("ceilings"), general.ceilings, axes, engine)
    with errors_located(table):
        limits = replace(general, **values)
    regions = tuple(_region(entry, limits, axes) for entry in table.tables("region"))
    return replace(limits, regions=regions)


def with_ceilings(setup: Setup, table: TomlTable) -> Setup:
    """Return a setup with ceilings of a table over its own, as under ``[limits.ceilings]``.

    Parameters
    ----------
    setup
        Whose other settings stay.
    table
        Channel to ceiling.

    Raises
    ------
    SetupError
        When a ceiling cannot be used; names the key.
    """
    ceilings = _ceilings(table, setup.limits.ceilings, setup.axes, setup.engine)
    return replace(setup, limits=replace(setup.limits, ceilings=ceilings))


def _ceilings(
    table: TomlTable, defaults: Mapping[str, Ceiling], axes: Axes, engine: EngineSettings
) -> Mapping[str, Ceiling]:
    """Lay the file's ceilings over the defaults, number by number."""
    table.check_names(tuple(name for name in CHANNELS if name not in _NO_CEILING), hint=_NO_CEILING)
    ceilings = dict(defaults)
    for name, value in table.values.items():
        if not isinstance(value, (dict, str)):
            raise table.error(name, f"{shown(value)} is not a table.", _ceiling_mend(name, value))
        entry = _ceiling_entry(table, name, value)
        entry.check_names(_CEILING_KEYS)
        inside = _unit_inside(name, axes)
        unit = _ceiling_unit(entry, name)
        _check_unit(entry, "unit", unit, inside)
        given = field_values(Ceiling, entry, skip=("given_unit",))
        if unit is not None:
            given = {key: _inside(value, unit, inside, engine) for key, value in given.items()}
            given["given_unit"] = unit
        if name not in defaults and "ceiling" not in given:
            raise entry.error("ceiling", "this key is missing.", "Give the ceiling's number.")
        _check_hard(entry, name, given, defaults.get(name))
        with errors_located(entry):
            ceilings[name] = (
                replace(defaults[name], **given) if name in defaults else Ceiling(**given)
            )
    return MappingProxyType(ceilings)


def _units(table: TomlTable) -> UnitSettings:
    """Build the units of display; the error of a wrong word names its own key."""
    given = field_values(UnitSettings, table)
    for key, word in given.items():
        try:
            UnitSettings(**{key: word})
        except SetupError as error:
            raise table.error(key, f"{shown(word)} cannot be used here.", error.mend) from error
    return UnitSettings(**given)


def _check_hard(
    entry: TomlTable, name: str, given: Mapping[str, Any], default: Ceiling | None
) -> None:
    """Refuse a hard ceiling below the ceiling in the file's unit, and name the default."""
    ceiling, hard = (given.get(key, getattr(default, key, None)) for key in ("ceiling", "hard"))
    if ceiling is None or hard is None or not hard < ceiling:
        return
    inside, unit = CHANNELS[name].unit, given.get("given_unit") or CHANNELS[name].unit
    low, high = (with_unit(float(convert(v, inside, unit)), unit) for v in (hard, ceiling))
    of_hard, of_ceiling = ("" if key in given else "default " for key in ("hard", "ceiling"))
    raise entry.error(
        "hard" if "hard" in given else "ceiling",
        f"the {of_hard}hard ceiling of {low} is below the {of_ceiling}ceiling of {high}.",
        f"Give both, hard at or above the ceiling of {high}.",
    )


def _ceiling_entry(table: TomlTable, name: str, value: dict[str, Any] | str) -> TomlTable:
    """Return a ceiling's keys; the words in which `limits` prints it mean the same."""
    if isinstance(value, str):
        said = _of_words(value)
        if not said:
            raise table.error(name, f"{shown(value)} is not a ceiling.", _ceiling_mend(name, value))
        return TomlTable(said, table.file, table.dotted(name))
    entry = table.table(name)
    said = _of_words(entry.values.get("ceiling"))
    for key in said:
        if key != "ceiling" and key in entry:
            raise entry.error(key, "the ceiling's text gives it as well.", "Give it once.")
    return replace(entry, values={**entry.values, **said})


def _of_words(words: object) -> dict[str, Any]:
    """Read "21.5 psi gauge, hard 23", as `limits` prints a ceiling; else empty."""
    found = _CEILING_WORDS.fullmatch(words.strip()) if isinstance(words, str) else None
    if found is None:
        return {}
    hard = {"hard": float(found["hard"])} if found["hard"] else {}
    return {"ceiling": float(found["ceiling"]), "unit": found["unit"], **hard}


def _ceiling_unit(entry: TomlTable, name: str) -> Any:
    """Return a ceiling's unit word, less the reference that the channel has anyway."""
    unit = entry.values.get("unit")
    printed = CEILING_CHANNELS[name][1] if name in CEILING_CHANNELS else ""
    reading = find_unit(unit) if isinstance(unit, str) else None
    if reading is None or reading.reference is None or not printed.endswith(" gauge"):
        return None if unit == printed and unit not in UNITS else unit
    if reading.reference == "absolute":
        raise entry.error(
            "unit",
            f"{name} is relative to the barometer, but {shown(unit)} counts from vacuum.",
            f'Give it above the barometer, in "{reading.word} gauge".',
        )
    return reading.word


def _ceiling_mend(name: str, value: object) -> str:
    """Write an example of a valid ceiling."""
    is_number = isinstance(value, (int, float)) and not isinstance(value, bool)
    unit = "" if CHANNELS[name].unit == "1" else f', unit = "{CHANNELS[name].unit}"'
    return (
        f"Write {name} = {{ ceiling = {value if is_number else 100}{unit} }}. A key hard, at or "
        "above the ceiling, may be added: past it the cell steps back."
    )


def _region(table: TomlTable, limits: LimitSettings, axes: Axes) -> Region:
    table.check_names(keys_of(Region))
    for name in ("rpm", "load"):
        if name not in table:
            raise table.error(name, "this key is missing.", "Write [from, to].")
    values = field_values(Region, table)
    for name in ("rpm", "load"):
        low, high = values[name]
        if low > high:
            raise table.error(name, f"{low:g} is above {high:g}.", "Write [from, to].")
        points = getattr(axes, name)
        if not ((points >= low) & (points <= high)).any():
            problem = f"no breakpoint of axes.{name} is in the range from {low:g} to {high:g}."
            raise table.error(name, problem, "A region must hold at least one cell.")
    rules = {key: value for key, value in values.items() if key not in ("rpm", "load", "name")}
    if not rules:
        raise table.error("name", "the region has no rule.", "Give max_step_pct or another rule.")
    with errors_located(table, said_as="limits"):
        replace(limits, **rules)  # a region's numbers have the ranges of the general ones
        return Region(**values)


def _check_unit(
    table: TomlTable,
    name: str,
    unit: Any,
    inside: str | None = None,
    *,
    spellings: bool = False,
    references: bool = False,
) -> None:
    """Refuse a unit that is not known, or measures another quantity than ``inside``.

    A spelling such as "psig" also names a reference: the log's reader uses it, and so does the load
    axis, which accepts only spellings with a reference.
    """
    if unit is None:
        return
    fitting = units_of(unit_named(inside).quantity) if inside else tuple(UNITS)
    right = f"Fitting here: {', '.join(fitting)}."
    if references:
        right += ' A pressure may name its reference, such as "psi gauge".'
    reading = find_unit(unit) if isinstance(unit, str) else None
    is_spelt = reading is not None and (spellings or (references and bool(reading.reference)))
    if not isinstance(unit, str) or not (unit in UNITS or is_spelt):
        near = nearest(unit, fitting) if isinstance(unit, str) else ""
        problem = f"{shown(unit)} is not a known unit."
        raise table.error(name, problem, f"{near} {right}".strip())
    if not spellings and reading is not None and reading.word.endswith(VACUUM):
        problem = f"{shown(unit)} counts down from the barometer, which only a log's column may."
        raise table.error(name, problem, f'Give it as "{reading.word.removesuffix(VACUUM)} gauge".')
    quantity = unit_named(unit).quantity
    if inside and quantity != unit_named(inside).quantity:
        raise table.error(name, f"{shown(unit)} is a unit of {quantity}.", right)


def _unit_inside(channel: str, axes: Axes) -> str:
    return axes.load_unit if channel == "load" else CHANNELS[channel].unit


def _inside(value: Any, unit: str, inside: str, engine: EngineSettings) -> Any:
    moved = convert(np.asarray(value, dtype=float), unit, inside, afr_stoich=engine.afr_stoich)
    return float(moved) if np.ndim(moved) == 0 else moved
