"""Unit and reason of a settings field, kept in its metadata, and the texts made from them.

A field's metadata holds ``unit`` and ``why``. ``tuneassist keys`` and the
Parameters section of the class are both made from there.
"""

from __future__ import annotations

import inspect
import textwrap
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any, TypeVar

from tuneassist.errors import SetupError

_Value = TypeVar("_Value")
_Class = TypeVar("_Class", bound=type)

SAME = ""
"""The reason of a field that shares the one of the field before it."""
_WIDTH = 92
"""Width of a description. [characters]"""


@dataclass(frozen=True)
class Described:
    """Fields that share one description.

    Parameters
    ----------
    names, units
        Of each field; a unit is "1" for a plain number and empty for words.
    why
        What they mean and why the defaults are what they are.
    """

    names: tuple[str, ...]
    units: tuple[str, ...]
    why: str


def about(
    why: str, *, unit: str = "", brief: str = "", is_careful: bool = False
) -> Mapping[str, str | bool]:
    """Return the metadata of a field.

    Parameters
    ----------
    why
        Meaning, reason of the default and its source; `SAME` shares those of the field before.
        Line breaks count as spaces.
    unit
        Of the value: "1" for a plain number, empty for words.
    brief
        Of a safety rule: what it does, in the few words of ``tuneassist limits``.
    is_careful
        Of a safety rule: whether its default is on the careful side.
    """
    facts: dict[str, str | bool] = {"unit": unit, "why": " ".join(why.split())}
    if brief:
        facts |= {"brief": " ".join(brief.split()), "is_careful": is_careful}
    return facts


def setting(
    default: _Value, *, why: str, unit: str = "", brief: str = "", is_careful: bool = False
) -> _Value:
    """Return a dataclass field with a default, a unit and a reason; see `about`."""
    facts = about(why, unit=unit, brief=brief, is_careful=is_careful)
    return field(default=default, metadata=facts)


def described(kind: Any) -> list[Described]:
    """List what the fields of a settings class mean, in their order.

    Parameters
    ----------
    kind
        The class; fields without a reason are not settings.
    """
    groups: list[Described] = []
    for one in fields(kind):
        if "why" not in one.metadata:
            continue
        unit, why = one.metadata["unit"], one.metadata["why"]
        if why == SAME:
            last = groups.pop()
            groups.append(Described((*last.names, one.name), (*last.units, unit), last.why))
        else:
            groups.append(Described((one.name,), (unit,), why))
    return groups


def documented(kind: _Class) -> _Class:
    """Write the Parameters section of a settings class from its fields."""
    head, raises, rest = inspect.cleandoc(kind.__doc__ or "").partition("\n\nRaises\n")
    entries = "\n".join(_entry(one) for one in described(kind))
    kind.__doc__ = f"{head}\n\nParameters\n----------\n{entries}{raises}{rest}\n"
    return kind


def _entry(one: Described) -> str:
    units = one.units if len(set(one.units)) > 1 else one.units[:1]
    brackets = ", ".join(f"[{unit}]" for unit in units if unit)
    words = textwrap.fill(
        f"{one.why} {brackets}".rstrip(),
        _WIDTH,
        initial_indent="    ",
        subsequent_indent="    ",
        break_long_words=False,
        break_on_hyphens=False,
    )
    return f"{', '.join(one.names)}\n{words}"


def require(ok: bool, key: str, got: object, right: str) -> None:
    """Refuse an invalid value of a setting.

    Parameters
    ----------
    ok
        Whether the value is valid.
    key
        The key, with its section.
    got
        The value.
    right
        What it must be.

    Raises
    ------
    SetupError
        When the value is invalid.
    """
    if not ok:
        raise SetupError(f"{key} is {got!r}.", mend=f"It must be {right}.")
