"""Which column serves which channel: the setup's entries first, then the words of the headers.

Load is found by the setup's load axis: by its entry, by its name, or by its kind of unit. Where two
columns could serve, none is taken in silence.
"""

from __future__ import annotations

import difflib
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from tuneassist import channels, inert
from tuneassist.channels import BARE_DUTY, CHANNELS, KNOCK, channels_called, phrase_key, plain_words
from tuneassist.errors import LogError, SetupError
from tuneassist.inert import NAME_LENGTH, clipped
from tuneassist.reading.headers import Heading, channel_of
from tuneassist.reading.log import UnitHow
from tuneassist.reading.obd import parameter
from tuneassist.settings import ChannelSource, Setup
from tuneassist.units import UNITS, Quantity, UnitReading, find_unit, unit_named, units_of

MOST_HEADERS = 40
"""Headers in one list: all of a usual log's, in a screen of text. [1]"""


class UnclearError(LogError):
    """A column or a unit is ambiguous; without a setup this is a note and not an error."""


@dataclass(frozen=True)
class Match:
    """A column that serves a channel.

    Parameters
    ----------
    channel
        Channel name.
    heading
        The column's header.
    how
        "setup" or "header".
    unit, unit_how
        Unit word, or None where the values must tell; and where it comes from.
    shift
        +1 for a gauge column that serves an absolute channel, -1 for the reverse. [atmospheres]
    source
        The setup's entry, where there is one.
    """

    channel: str
    heading: Heading
    how: Literal["setup", "header"]
    unit: str | None
    unit_how: UnitHow
    shift: int = 0
    source: ChannelSource | None = None


def is_gauge_axis(setup: Setup | None) -> bool:
    """Tell whether the setup's load axis is a pressure above the barometer."""
    return setup is not None and channels.is_gauge_axis(setup.axes)


def quantity_of(channel: str, setup: Setup | None) -> Quantity:
    """Return what a channel's column must measure; load follows the axis."""
    if channel == "load" and setup is not None:
        return unit_named(setup.axes.load_unit).quantity
    return CHANNELS[channel].quantity


def with_unit(
    channel: str, heading: Heading, quantity: Quantity, how: Literal["setup", "header"]
) -> Match:
    """Take the header's unit if the channel can have it; an unknown unit stays open."""
    if quantity == "number":
        return Match(channel, heading, how, heading.unit or "1", "inside")
    if heading.unit and unit_named(heading.unit).quantity == quantity:
        return Match(channel, heading, how, heading.unit, "header")
    return Match(channel, heading, how, None, "")


def check_unit_text(match: Match, quantity: Quantity, *, name: str) -> None:
    """Refuse a unit in the header that is unknown or of another quantity.

    Raises
    ------
    LogError
        Names the unit needed, the unit found, and the setup line that corrects it.
    """
    heading = match.heading
    if match.unit is not None or not (heading.is_unit_marked and heading.unit_text):
        return
    what = f"measures {unit_named(heading.unit).quantity}" if heading.unit else "is not known"
    units = units_of(quantity)
    right = f"Under [channels] write: {setup_line(match.channel, heading.text, units[0])}."
    if heading.unit and unit_named(heading.unit).quantity == "voltage":
        right = (
            f"Under [channels] write: {transfer_line(match)}, with the readings and values of the "
            "sensor's data sheet."
        )
    elif heading.unit and not is_remark(heading, quantity):
        right = f"Name another column for {match.channel} under [channels], or correct the header."
    raise LogError(
        f"the unit {heading.unit_text!r} {what}; {match.channel} needs one of {', '.join(units)}.",
        where=f"{name}, column {heading.text!r}",
        mend=right,
    )


def is_remark(heading: Heading, quantity: Quantity) -> bool:
    """Tell whether an apparent unit is a remark: "Lambda (F)" is the front bank, not degrees."""
    kind = unit_named(heading.unit or "1").quantity
    is_letter = kind == "temperature" and len(heading.unit_text) == 1
    return kind != quantity and (is_letter or not heading.is_unit_marked)


def transfer_line(match: Match) -> str:
    """Return the entry that turns a column of volts into its channel."""
    line = setup_line(match.channel, match.heading.text, match.heading.unit)
    unit = CHANNELS[match.channel].unit or "..."
    top = "5000.0" if match.heading.unit == "mV" else "5.0"
    tail = f', transfer = [[0.0, ...], [{top}, ...]], transfer_unit = "{unit}" }}'
    return line.removesuffix(" }") + tail


def ambiguous(channel: str, headings: Sequence[Heading], *, name: str) -> UnclearError:
    """Return the error that lists the columns that fit equally well."""
    texts = [h.text for h in headings]
    if len(set(texts)) < len(texts):
        places = " and ".join(str(h.index + 1) for h in headings)
        return UnclearError(
            f"the header {texts[0]!r} is used more than once, in columns {places}.",
            where=name,
            mend="Give each column a name of its own.",
        )
    return UnclearError(
        f"several columns could be {channel}: {listed(texts)}.",
        where=name,
        mend=f"Name one under [channels]: {setup_line(channel, texts[0], headings[0].unit)}.",
    )


def may_leave_out(match: Match, error: LogError, setup: Setup | None) -> bool:
    """Tell whether an ambiguous column is only a note: no setup, or not a needed channel."""
    is_open = setup is None and isinstance(error, UnclearError)
    return is_open or (match.how == "header" and not is_needed(match.channel, setup))


def left_out(error: LogError, name: str) -> str:
    """Return the note on a column that was left out, without the log's name."""
    return f"{error.without(name)} It was left out."


def folded(text: str) -> str:
    """Return a header without differences of case and blanks."""
    return " ".join(text.casefold().split())


def listed(texts: Sequence[str], most: int = MOST_HEADERS) -> str:
    """Return headers as a list in words, the first ``most`` of them."""
    return inert.listed((inert.quoted(text) for text in texts), most)


def setup_line(channel: str, header: str, unit: str | None) -> str:
    """Return the line for ``[channels]`` that names a column and its unit."""
    column = json.dumps(clipped(header, NAME_LENGTH), ensure_ascii=False)
    tail = f', unit = "{unit}"' if unit else ""
    return f"{channel} = {{ column = {column}{tail} }}"


NEAR_NAME = 0.6
"""Similarity, without units, from which a header is suggested as the one that was meant; below it
any two short words are similar. [1]"""
NEAR_CHARS = 60
"""Characters of a header that are compared; the work grows with their square. [1]"""

_BEHIND_CATALYST = re.compile(r"\d\W{0,2}s(?:ensor)?\W{0,2}2", re.IGNORECASE)
"""Bank and sensor as diagnostics name them: the second sensor of a bank is behind the catalyst."""

REQUIRED = ("time", "rpm", "load", "lambda", "fuel_trim_short", "fuel_trim_long")
"""Channels that are never left out: without them the need is unknown, or incomplete."""

SPARED = ("lambda_target", "throttle", "pedal", "injector_duty")
"""Channels whose wrong unit is an error, but which a proposal can do without: if several columns
fit, none is taken. A ceiling makes each of them needed."""


@dataclass(frozen=True)
class Matched:
    """All matches, at most one per channel, and the notes."""

    matches: Mapping[str, Match]
    notes: tuple[str, ...]


def match_columns(headings: Sequence[Heading], setup: Setup | None, *, name: str) -> Matched:
    """Find a column for every channel that the log holds.

    Parameters
    ----------
    headings
        The file's headers in order.
    setup
        The car's setup; None to recognise what can be recognised.
    name
        File name, for messages.

    Raises
    ------
    LogError
        When an entry of the setup names no column, or a decisive channel has several candidates.
    SetupError
        When an entry's channel or unit cannot be right.
    """
    notes: list[str] = []
    matches: dict[str, Match] = {}
    for channel, source in (setup.channels if setup else {}).items():
        matches[channel] = _explicit(channel, source, headings, setup, name=name)
    taken = {p.heading.index for key, p in matches.items() if key != "load" or _is_sensor(p)}
    free = [h for h in headings if h.index not in taken]
    for channel in CHANNELS:
        candidates = [h for h in free if channel_of(h) == channel]
        if channel in matches or not candidates or channel == "load" or is_unread(channel, setup):
            continue
        if channel == "knock" and not is_needed(channel, setup):
            matches |= _all_knock(candidates, matches, setup, name=name)
            continue
        try:
            match = _by_words(channel, candidates, name=name)
        except UnclearError as error:
            if setup is not None and _is_asked(channel, matches, setup):
                raise or_unread(error, channel, setup) from error
            notes.append(left_out(error, name))
            continue
        matches[channel] = _like_load(match, matches.get("load"), setup)
    notes += _bare_duty(free, matches, setup)
    second = _second_bank(free, matches, setup, name=name, notes=notes)
    if second is not None:
        matches["lambda_second"] = second
    if "load" not in matches:
        load = find_load(free, matches, setup, name=name, notes=notes)
        if load:
            matches["load"] = load
    for shared in matches.values():
        _check_shared(shared, matches, setup, name=name)
    return Matched({c: matches[c] for c in CHANNELS if c in matches}, tuple(notes))


def _like_load(match: Match, load: Match | None, setup: Setup | None) -> Match:
    """Read a column that the setup names for the load as the setup says, for its channel too."""
    if load is None or load.heading.index != match.heading.index:
        return match
    if quantity_of("load", setup) != CHANNELS[match.channel].quantity:
        return match
    shift = gauge_shift(match.channel, load.heading, setup)
    return replace(
        match,
        heading=load.heading,
        unit=load.unit,
        unit_how=load.unit_how,
        source=load.source,
        shift=shift,
    )


def _all_knock(
    candidates: Sequence[Heading], matches: Mapping[str, Match], setup: Setup | None, *, name: str
) -> dict[str, Match]:
    """Take every knock column that the setup does not name: none may be ignored.

    Raises
    ------
    UnclearError
        When there are more of them than channels.
    """
    channels = [c for c in KNOCK if c not in matches]
    if len(candidates) > len(channels):
        raise UnclearError(
            f"{len(candidates)} columns could be knock, and at most {len(channels)} are read: "
            f"{listed([h.text for h in candidates])}.",
            where=name,
            mend="Name those that count under [channels], as knock, knock_2 and so on; or, to "
            "leave them unread: knock = false.",
        )
    return {
        channel: with_unit(channel, heading, "number", "header")
        for channel, heading in zip(channels, candidates, strict=False)
        if not is_unread(channel, setup)
    }


def _bare_duty(
    free: Sequence[Heading], matches: Mapping[str, Match], setup: Setup | None
) -> list[str]:
    """Return a question for each duty column that names no part, if no injector duty was found."""
    channel = "injector_duty"
    is_watched = setup is None or channel in setup.limits.ceilings
    if channel in matches or is_unread(channel, setup) or not is_watched:
        return []
    keys = {phrase_key(plain_words(words)) for words in BARE_DUTY}
    return [
        f"Column {inert.quoted(heading.text)} does not say which duty it is, and was left "
        "out. If it is the injectors', write under [channels]: "
        f"{setup_line(channel, heading.text, heading.unit)}; if not: {channel} = false."
        for heading in free
        if phrase_key(heading.words_bare) in keys
    ]


def _second_bank(
    free: Sequence[Heading],
    matches: Mapping[str, Match],
    setup: Setup | None,
    *,
    name: str,
    notes: list[str],
) -> Match | None:
    """Take the other column of lambda where the setup names one; without a name it is asked."""
    named = setup is not None and "lambda" in setup.channels
    if not named or "lambda_second" in matches or is_unread("lambda_second", setup):
        return None
    others = [h for h in free if channel_of(h) == "lambda" and not _BEHIND_CATALYST.search(h.text)]
    if not others:
        return None
    try:
        match = _by_words("lambda_second", others, name=name)
    except UnclearError as error:
        notes.append(left_out(error, name))
        return None
    units = {matches["lambda"].unit, match.unit} - {None}
    if len(units) == 1:
        return match
    notes.append(
        f"Column {match.heading.text!r} was left out: its unit differs from the setup's lambda, so "
        "it is likely the same sensor again. If it is a second bank, name it under [channels]: "
        f"{setup_line('lambda_second', match.heading.text, match.unit)}."
    )
    return None


def _is_sensor(match: Match) -> bool:
    """Tell whether the column holds readings that only this entry turns into values."""
    return match.source is not None and (match.source.transfer or match.source.raw) is not None


def _check_shared(
    match: Match, matches: Mapping[str, Match], setup: Setup | None, *, name: str
) -> None:
    """Refuse one column for two channels that cannot be one."""
    for other in matches.values():
        if other.channel >= match.channel or other.heading.index != match.heading.index:
            continue
        kinds = [quantity_of(p.channel, setup) for p in (other, match)]
        units = [p.unit for p in (other, match)]
        is_number = kinds[0] == "number" if other.channel == "load" else kinds[1] == "number"
        is_one = kinds[0] == kinds[1] and (None in units or units[0] == units[1])
        if is_one or is_number or _is_sensor(match) or _is_sensor(other):
            continue
        raise LogError(
            f"one column cannot be both {other.channel} in {units[0] or kinds[0]} and "
            f"{match.channel} in {units[1] or kinds[1]}.",
            where=f"{name}, column {match.heading.text!r}",
            mend="Name another column for one of them under [channels].",
        )


def is_needed(channel: str, setup: Setup | None) -> bool:
    """Tell whether an ambiguous channel is an error."""
    ceilings = setup.limits.ceilings if setup else {}
    return CHANNELS[channel].is_decisive or channel in ceilings


def _is_asked(channel: str, matches: Mapping[str, Match], setup: Setup) -> bool:
    """Tell whether columns between which nothing decides must be asked about.

    Not where a proposal goes without the channel: then none of them is read.
    """
    if channel in setup.limits.ceilings or channel in REQUIRED:
        return True
    if "load" not in matches and channel in channels_called(plain_words(setup.axes.load_name)):
        return True
    if channel == "coolant_volts":
        return "coolant_temp" not in matches
    if channel in ("manifold_pressure", "boost"):
        return "load" not in matches or quantity_of("load", setup) != "pressure"
    return CHANNELS[channel].is_decisive and channel not in SPARED


def is_unread(channel: str, setup: Setup | None) -> bool:
    """Tell whether the setup wants a channel left alone."""
    return setup is not None and channel in setup.unread


def or_unread(error: LogError, channel: str, setup: Setup | None) -> LogError:
    """Add to an error how to leave the channel unread, if the command can do without it.

    An ambiguous channel with a ceiling stops the command: setting this log aside would hide its
    readings.
    """
    if channel in REQUIRED:
        return error
    is_doubt = isinstance(error, UnclearError)
    return type(error)(
        error.problem,
        where=error.where,
        mend=f"{error.mend} To leave it unread: {channel} = false.".strip(),
        stops_run=is_doubt and setup is not None and channel in setup.limits.ceilings,
    )


def _explicit(
    channel: str,
    source: ChannelSource,
    headings: Sequence[Heading],
    setup: Setup | None,
    *,
    name: str,
) -> Match:
    where = setup.source if setup else "setup"
    if channel not in CHANNELS:
        raise SetupError(
            f"channels.{channel} is not a known channel.",
            where=where,
            mend=f"Known: {', '.join(CHANNELS)}.",
        )
    heading = _named_column(channel, source.column, headings, name=name)
    quantity = quantity_of(channel, setup)
    if source.raw is not None:
        unit = parameter(source.raw, channel=channel, where=where)[1].unit
        _require_quantity(channel, "raw", unit, quantity, where)
        match = Match(channel, heading, "setup", unit, "setup", source=source)
        return replace(match, shift=gauge_shift(channel, heading, setup))
    key, said = "unit", source.unit
    if source.transfer is not None:
        _require_quantity(channel, "unit", source.unit, None, where)
        key, said = "transfer_unit", source.transfer_unit
    reading = _require_quantity(channel, key, said, quantity, where)
    if reading and reading.reference:
        heading = replace(heading, reference=reading.reference)
    match = replace(with_unit(channel, heading, quantity, "setup"), source=source)
    if reading:
        match = replace(match, unit=reading.word, unit_how="setup")
    return replace(match, shift=gauge_shift(channel, heading, setup))


def _require_quantity(
    channel: str, key: str, said: str | None, quantity: Quantity | None, where: str
) -> UnitReading | None:
    """Read a unit of the setup, which must measure what the channel needs."""
    if not said:
        return None
    reading = find_unit(said)
    fitting = units_of(quantity) if quantity else tuple(UNITS)
    if reading is None:
        raise SetupError(
            f"channels.{channel}.{key} is {said!r}, which is not a known unit.",
            where=where,
            mend=f"One of {', '.join(fitting)}.",
        )
    measures = unit_named(reading.word).quantity
    if quantity is not None and quantity not in ("number", measures):
        raise SetupError(
            f"channels.{channel}.{key} is {said!r}, which measures {measures}.",
            where=where,
            mend=f"One of {', '.join(fitting)}.",
        )
    return reading


def _named_column(channel: str, column: str, headings: Sequence[Heading], *, name: str) -> Heading:
    tests = (
        lambda h: h.text == column,
        lambda h: folded(h.text) == folded(column),
        lambda h: folded(f"{h.text} ({h.unit_text})") == folded(column),
    )
    for test in tests:
        found = [h for h in headings if test(h)]
        if len(found) == 1:
            return found[0]
        if found:
            places = " and ".join(str(h.index + 1) for h in found)
            raise LogError(
                f"the header {column!r} is used more than once, in columns {places}.",
                where=name,
                mend="Give each column a name of its own.",
            )
    texts = [h.text for h in headings if h.text]
    # a header that stands for another channel is alike by its letters alone: EGT is no ECT
    meant_here = [h.text for h in headings if h.text and channel_of(h) in (None, channel)]
    bare = {_without_unit(text)[:NEAR_CHARS]: text for text in meant_here}
    meant = _without_unit(column)[:NEAR_CHARS]
    near = difflib.get_close_matches(meant, bare, n=1, cutoff=NEAR_NAME)
    guess = f"Did you mean {bare[near[0]]!r}? " if near else ""
    raise LogError(
        f"channels.{channel} names the column {column!r}, which is not in the log.",
        where=name,
        mend=f"{guess}Its columns: {listed(texts)}.",
    )


def _without_unit(text: str) -> str:
    """Return a header's name alone: the unit says nothing about what it is."""
    return folded(re.sub(r"[\[(][^\[\]()]*[\])]", " ", text)) or folded(text)


def _by_words(channel: str, candidates: Sequence[Heading], *, name: str) -> Match:
    """Take the one column whose words fit; a fitting unit goes before none or a wrong one."""
    quantity = CHANNELS[channel].quantity
    matches = [with_unit(channel, h, quantity, "header") for h in candidates]
    best = max(_rank(match) for match in matches)
    first = [match for match in matches if _rank(match) == best]
    if len(first) > 1:
        raise ambiguous(channel, [match.heading for match in first], name=name)
    return first[0]


def _rank(match: Match) -> int:
    if match.unit is not None:
        return 2
    return 0 if match.heading.unit_text else 1


def find_load(
    headings: Sequence[Heading],
    matches: Mapping[str, Match],
    setup: Setup | None,
    *,
    name: str,
    notes: list[str],
) -> Match | None:
    """Find the column of the load axis.

    The channel that the axis is named after, or for a pressure the manifold's, goes first; then a
    column that carries the axis' own name; then one that is called load and has the axis' kind of
    unit.

    Parameters
    ----------
    headings
        Columns that no entry of the setup has taken.
    matches
        Channels found so far.
    notes
        Takes what had to be said.

    Returns
    -------
    Match or None
        None where nothing fits.

    Raises
    ------
    LogError
        When several columns fit.
    """
    called = [h for h in headings if channel_of(h) == "load"]
    if setup is None:
        fit = [h for h in called if h.unit]
        return Match("load", fit[0], "header", fit[0].unit, "header") if len(fit) == 1 else None
    quantity = quantity_of("load", setup)
    words = plain_words(setup.axes.load_name)
    kin = _kin(matches, words, quantity, setup)
    if kin:
        if kin.channel == "boost" and not kin.shift and not is_gauge_axis(setup):
            notes.append(
                f"Load is absolute, and only the gauge column {kin.heading.text!r} was found; the "
                "barometer is added to it."
            )
        is_gauge = quantity == "pressure" and (kin.channel == "boost") == (kin.shift == 0)
        return replace(kin, channel="load", shift=int(is_gauge) - int(is_gauge_axis(setup)))
    same = [h for h in headings if phrase_key(words) in (phrase_key(h.words), _bare_key(h))]
    for group in (same, called):
        fit = [h for h in group if h.unit and unit_named(h.unit).quantity == quantity]
        fit = fit or [h for h in group if not h.unit and not h.unit_text]
        if len(fit) > 1:
            raise ambiguous("load", fit, name=name)
        if fit:
            match = with_unit("load", fit[0], quantity, "header")
            return replace(match, shift=gauge_shift("load", fit[0], setup))
    return None


def _bare_key(heading: Heading) -> frozenset[str]:
    return phrase_key(heading.words_bare)


def _kin(
    matches: Mapping[str, Match], words: tuple[str, ...], quantity: Quantity, setup: Setup
) -> Match | None:
    """Return the channel already found that the load axis stands for."""
    names = [n for n in channels_called(words) if CHANNELS[n].quantity == quantity]
    if quantity == "pressure":
        order = ["manifold_pressure", "boost"]
        names = [*names, *(reversed(order) if is_gauge_axis(setup) else order)]
    return next((matches[n] for n in names if n in matches), None)


def gauge_shift(channel: str, heading: Heading, setup: Setup | None) -> int:
    """Compare gauge and absolute: what the column is against what the channel wants."""
    if channel not in ("load", "manifold_pressure", "boost"):
        return 0
    wants_gauge = channel == "boost" or (channel == "load" and is_gauge_axis(setup))
    if quantity_of(channel, setup) != "pressure":
        return 0
    if heading.reference:
        is_gauge = heading.reference == "gauge"
    elif channel == "load" and (meant := _meant(heading, setup)) in ("boost", "manifold_pressure"):
        is_gauge = meant == "boost"
    else:  # a name that says neither is taken as the axis is
        is_gauge = wants_gauge
    return int(is_gauge) - int(wants_gauge)


def _meant(heading: Heading, setup: Setup | None) -> str | None:
    """Name the pressure channel that a column is, by the setup's entries before its words."""
    entries = setup.channels if setup else {}
    for channel in ("boost", "manifold_pressure"):
        if channel in entries and folded(entries[channel].column) == folded(heading.text):
            return channel
    return channel_of(heading)
