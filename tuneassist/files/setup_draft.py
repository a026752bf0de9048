"""A new setup as a commented file: what was found as lines, what is in doubt as questions."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from dataclasses import dataclass, fields

from tuneassist.channels import CHANNELS
from tuneassist.files.open_questions import OPEN, asked
from tuneassist.grid import Floats
from tuneassist.inert import one_line
from tuneassist.settings import (
    Ceiling,
    CorrectionSettings,
    Ignition,
    LimitSettings,
    default_limits,
)

WIDTH = 100
"""Width of a line of comment. [characters]"""
_NOTE_LENGTH = 600  # characters of a comment that quotes a log
_VALUE_WIDTH = 36  # where the reasons begin
_ESCAPES = {"\\": "\\\\", '"': '\\"', "\t": "\\t", "\n": "\\n", "\r": "\\r"}
_SURROGATES = range(0xD800, 0xE000)


@dataclass(frozen=True)
class ChannelLine:
    """One line of ``[channels]``.

    Parameters
    ----------
    channel
        Its channel.
    header
        The column; None is a question.
    unit
        Unit word; None leaves it out, "?" is a question.
    comment
        What stands behind it.
    is_marked
        The line is a comment: the column is found by its header.
    """

    channel: str
    header: str | None
    unit: str | None = None
    comment: str = ""
    is_marked: bool = False

    def open_keys(self) -> tuple[str, ...]:
        """Return the keys that are still questions."""
        if self.is_marked:
            return ()
        keys = {"column": self.header is None, "unit": self.unit == OPEN}
        return tuple(f"channels.{self.channel}.{key}" for key, is_open in keys.items() if is_open)


@dataclass(frozen=True, eq=False)
class Draft:
    """What a new setup holds; None is a question, asked by a "?".

    Parameters
    ----------
    logs
        Names of the logs it was made from.
    label
        Label of the car.
    fuel, ignition
        As in ``[engine]``.
    afr_stoich
        As in ``[engine]``; empty leaves the fuel's own.
    channels
        Lines of ``[channels]``.
    rpm, load
        Breakpoints.
    load_name, load_unit
        As in ``[axes]``.
    axes_from
        Where the breakpoints come from.
    target
        The wanted lambda.
    notes
        What the reader had to say about the logs.
    """

    logs: tuple[str, ...]
    label: str
    fuel: str | None
    ignition: Ignition | None
    afr_stoich: str
    channels: tuple[ChannelLine, ...]
    rpm: Floats | None
    load: Floats | None
    load_name: str
    load_unit: str | None
    axes_from: str
    target: Floats | None
    notes: tuple[str, ...] = ()


def draft_text(draft: Draft) -> str:
    """Write a new setup as TOML with comments."""
    parts = (
        _head(draft),
        _engine(draft),
        _channels(draft),
        _axes(draft),
        _target(draft),
        _correction(draft),
        _limits(draft),
    )
    return "\n\n".join("\n".join(part) for part in parts) + "\n"


def toml_string(text: str) -> str:
    r"""Return any text as a TOML string.

    Examples
    --------
    >>> toml_string('Druck "abs"\x07')
    '"Druck \\"abs\\"\\u0007"'
    """
    return f'"{"".join(_escaped(mark) for mark in text)}"'


def _escaped(mark: str) -> str:
    code = ord(mark)
    if mark in _ESCAPES:
        return _ESCAPES[mark]
    if code < 0x20 or 0x7F <= code < 0xA0:
        return f"\\u{code:04x}"
    return "?" if code in _SURROGATES else mark


def _said(words: str, *, bullet: str = "") -> list[str]:
    """Return words as lines of comment."""
    return textwrap.wrap(
        bullet + one_line(words, _NOTE_LENGTH),
        WIDTH,
        initial_indent="# ",
        subsequent_indent="#   " if bullet else "# ",
        break_long_words=False,
        break_on_hyphens=False,
    )


def _line(text: str, why: str) -> str:
    return f"{text:<{_VALUE_WIDTH - 1}} # {one_line(why, _NOTE_LENGTH)}" if why else text


def _value(key: str, value: str | None, why: str, dotted: str) -> str:
    if value is None:
        return _line(f'{key} = "{OPEN}"', f"{asked(dotted)}?")
    return _line(f"{key} = {toml_string(value)}", why)


def _head(draft: Draft) -> Iterator[str]:
    yield from _said(f"A setup to start from, made from {', '.join(draft.logs)}.")
    yield from _said(
        f'Read every line. A "{OPEN}" asks what the log does not tell: write the answer in its '
        "place. A line that begins with # does nothing until that mark is taken away. All keys, "
        "and why: tuneassist keys."
    )
    for note in draft.notes:
        yield from _said(note, bullet="- ")


def _engine(draft: Draft) -> Iterator[str]:
    yield "[engine]"
    yield _line(f"label = {toml_string(draft.label)}", "your words for this car")
    yield _value("ignition", draft.ignition, "decides which way is safe", "engine.ignition")
    yield _value("fuel", draft.fuel, "", "engine.fuel")
    if draft.afr_stoich == OPEN:
        yield _line(f'afr_stoich = "{OPEN}"', f"{asked('engine.afr_stoich')}?")
    elif draft.afr_stoich:
        yield _line(f"afr_stoich = {draft.afr_stoich}", "what the gauge shows at lambda 1")
    yield _line("# rev_limit_rpm = 7000", "yours in place of this number")


def _channels(draft: Draft) -> Iterator[str]:
    yield "[channels]"
    for line in draft.channels:
        if not line.is_marked:
            yield _channel(line)
    marked = [line for line in draft.channels if line.is_marked]
    if marked:
        yield from _said("Found by their headers; take the mark away to fix the column or unit.")
        yield from ("# " + _channel(line) for line in marked)


def _channel(line: ChannelLine) -> str:
    column = toml_string(OPEN if line.header is None else line.header)
    unit = f", unit = {toml_string(line.unit)}" if line.unit else ""
    return _line(f"{line.channel} = {{ column = {column}{unit} }}", line.comment)


def _axes(draft: Draft) -> Iterator[str]:
    yield "[axes]"
    yield from _said(draft.axes_from)
    for name, points in (("rpm", draft.rpm), ("load", draft.load)):
        if points is None:
            yield _line(f'{name} = "{OPEN}"', f"{asked(f'axes.{name}')}?")
        else:
            yield f"{name} = {_numbers(points)}"
    yield _line(f"load_name = {toml_string(draft.load_name)}", "")
    yield _value("load_unit", draft.load_unit, "unit of the breakpoints", "axes.load_unit")


def _target(draft: Draft) -> Iterator[str]:
    yield "[target]"
    yield _line('unit = "lambda"', 'or "afr"')
    if draft.target is None:
        yield _line(f'table = "{OPEN}"', f"{asked('target.table')}?")
        yield from _said(
            "Once fuel, ignition and axes are known, tuneassist setup writes a cautious table here."
        )
        return
    if draft.ignition == "compression":
        yield from _said(
            "A smoke floor: leaner than this needs nothing. Cautious; set what your engine needs."
        )
        yield 'kind = "floor"'
    else:
        yield from _said(
            "Wanted lambda, cautious: rich at load. It is no recommendation for your engine."
        )
        yield 'kind = "aim"'
    yield "table = ["
    yield from (f"  {_numbers(row, 3)}," for row in draft.target)
    yield "]"


def _numbers(values: Floats, decimals: int | None = None) -> str:
    words = (f"{v:.12g}" if decimals is None else f"{v:.{decimals}f}" for v in values)
    return f"[{', '.join(words)}]"


def _correction(draft: Draft) -> Iterator[str]:
    default = next(f.default for f in fields(CorrectionSettings) if f.name == "acts_on")
    yield "[correction]"
    yield _line(f'acts_on = "{default}"', 'what the grid corrects: "fuel" or "boost"')


def _limits(draft: Draft) -> Iterator[str]:
    yield from _said(
        "Limits. These are the defaults, with their reasons: take the mark away where yours "
        "differs, and from the [head] above it. All, and why: tuneassist limits --setup FILE"
    )
    if draft.ignition is None:
        yield from _said("Their defaults follow from the ignition.")
        return
    limits = default_limits(draft.ignition)
    other = "compression" if draft.ignition == "spark" else "spark"
    yield "# [limits]"
    for field in fields(LimitSettings):
        why, value = str(field.metadata.get("brief", "")), getattr(limits, field.name)
        if why and value is not None and not why.startswith(f"{other} only"):
            unit = field.metadata["unit"]
            tail = f" [{unit}]" if unit not in ("", "1") else ""
            why = why.removeprefix(f"{draft.ignition} only: ")
            yield _line(f"# {field.name} = {_plain(value)}", why + tail)
    yield "# [limits.ceilings]"
    yield from _said("Past a ceiling only the safe way is open; past hard the cell steps back.")
    yield from (f"# {_ceiling(name, one)}" for name, one in limits.ceilings.items())


def _ceiling(name: str, one: Ceiling) -> str:
    hard = "" if one.hard is None else f", hard = {one.hard:g}"
    unit = toml_string(CHANNELS[name].unit)
    return f"{name} = {{ ceiling = {one.ceiling:g}{hard}, unit = {unit} }}"


def _plain(value: float | str | bool) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return toml_string(value) if isinstance(value, str) else f"{value:g}"
