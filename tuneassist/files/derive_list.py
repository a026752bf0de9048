"""What a list of tunes, or the command line, says of tunes to make from it."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

from tuneassist.errors import InputError, SetupError
from tuneassist.files.setup_file import with_ceilings
from tuneassist.files.toml_table import (
    TomlTable,
    errors_located,
    field_values,
    keys_of,
    nearest,
    shown,
)
from tuneassist.loop.derive import usual_tunes
from tuneassist.loop.derive_settings import DeriveSettings, MildTune, usual_tune
from tuneassist.loop.tune_model import KINDS, STANDARD
from tuneassist.settings import Setup

MAX_MADE = 12
"""Most tunes made at once: more than a controller has switch positions. [1]"""
SET_EXAMPLE = "--set towing.full_load_share=0.5"
_TUNE_KEYS = keys_of(MildTune)
_MADE_KINDS = tuple(kind for kind in KINDS if kind != STANDARD)


@dataclass(frozen=True)
class DerivePlan:
    """What to make.

    Parameters
    ----------
    tunes
        The tunes.
    settings
        Regions and margins.
    """

    tunes: tuple[MildTune, ...]
    settings: DeriveSettings


def read_derive(table: TomlTable, setup: Setup, options: Sequence[str] = ()) -> DerivePlan:
    """Read the table ``[derive]``; options of the command line come before it.

    Parameters
    ----------
    table
        Empty where the list has none.
    setup
        Of the strong tune: units and defaults of ceilings.
    options
        ``KEY=VALUE`` for a setting, ``TUNE.KEY=VALUE`` for one of a tune's.

    Raises
    ------
    SetupError
        When a key or a value cannot be used; names it.
    """
    table.check_names((*keys_of(DeriveSettings), "tune"))
    with errors_located(table):
        settings = DeriveSettings(**field_values(DeriveSettings, table))
    tables = table.tables("tune")
    if len(tables) > MAX_MADE:
        problem = f"there are {len(tables)} tunes to make."
        raise table.error("tune", problem, f"At most {MAX_MADE} are made at once.")
    tunes = tuple(_mild(one, setup) for one in tables) or usual_tunes()
    plan = DerivePlan(tunes, settings)
    for option in options:
        plan = _with_option(plan, option)
    return plan


def _mild(table: TomlTable, setup: Setup) -> MildTune:
    table.check_names(_TUNE_KEYS)
    values = field_values(MildTune, table, skip=("ceilings",))
    if "name" not in values:
        raise table.error("name", "this key is missing.", 'Write name = "...".')
    kind = values.pop("kind", "other")
    if kind not in _MADE_KINDS:
        choice = " or ".join(f'"{word}"' for word in _MADE_KINDS)
        mend = f"{nearest(kind, _MADE_KINDS)} Write {choice}.".strip()
        raise table.error("kind", f"{shown(kind)} is not a kind of tune to make.", mend)
    with errors_located(table):
        tune = replace(usual_tune(kind, values.pop("name")), **values)
    if "ceilings" not in table:
        return tune
    own = table.table("ceilings")
    ceilings = with_ceilings(setup, own).limits.ceilings
    return replace(tune, ceilings={name: ceilings[name] for name in own.values})


def _with_option(plan: DerivePlan, option: str) -> DerivePlan:
    """Return the plan with one option of the command line over it."""
    key, mark, text = (part.strip() for part in option.partition("="))
    if not mark or not key or not text:
        raise SetupError(f"{shown(option)} is no KEY=VALUE.", mend=f"Write {SET_EXAMPLE}.")
    name, dot, field = key.rpartition(".")
    if not dot:
        return replace(plan, settings=_changed(plan.settings, key, text, option))
    names = [tune.name for tune in plan.tunes]
    if name not in names:
        mend = f"Tunes to make: {', '.join(names)}."
        raise SetupError(f"{shown(option)}: no tune to make is called {shown(name)}.", mend=mend)
    tunes = tuple(
        _changed(tune, field, text, option) if tune.name == name else tune for tune in plan.tunes
    )
    return replace(plan, tunes=tunes)


def _changed(settings: Any, key: str, text: str, option: str) -> Any:
    """Return settings with one number changed."""
    known = tuple(f.name for f in fields(settings) if isinstance(getattr(settings, f.name), float))
    if key not in known:
        near = nearest(key, known)
        raise SetupError(
            f"{shown(option)}: {shown(key)} is not known here.",
            mend=f"{near} Known: {', '.join(known)}.".strip(),
        )
    try:
        value = tomllib.loads(f"x = {text}")["x"]
    except (tomllib.TOMLDecodeError, ValueError, RecursionError):
        value = None
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise SetupError(f"{shown(option)}: {shown(text)} is not a number.", mend="Write a number.")
    try:
        return replace(settings, **{key: float(value)})
    except (InputError, OverflowError) as error:
        raise SetupError(f"{shown(option)}: {error}") from error
