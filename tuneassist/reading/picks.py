"""A column that serves a channel, and what is asked of its unit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from tuneassist import channels, inert
from tuneassist.channels import CHANNELS
from tuneassist.errors import LogError
from tuneassist.reading.guard import setup_line
from tuneassist.reading.headers import Heading
from tuneassist.reading.log import UnitHow
from tuneassist.settings import ChannelSource, Setup
from tuneassist.units import Quantity, unit_named, units_of

MOST_HEADERS = 40
"""Headers in one list: all of a usual log's, in a screen of text. [1]"""


class UnclearError(LogError):
    """A column or a unit is in doubt; without a setup this is a note and no error."""


@dataclass(frozen=True)
class Pick:
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
) -> Pick:
    """Take the header's unit if the channel can have it; an unknown unit stays in doubt."""
    if quantity == "number":
        return Pick(channel, heading, how, heading.unit or "1", "inside")
    if heading.unit and unit_named(heading.unit).quantity == quantity:
        return Pick(channel, heading, how, heading.unit, "header")
    return Pick(channel, heading, how, None, "")


def check_unit_text(pick: Pick, quantity: Quantity, *, name: str) -> None:
    """Refuse a unit in the header that is unknown or of another quantity.

    Raises
    ------
    LogError
        Names the unit needed, the one found, and the line that mends it.
    """
    heading = pick.heading
    if pick.unit is not None or not (heading.is_unit_marked and heading.unit_text):
        return
    what = f"measures {unit_named(heading.unit).quantity}" if heading.unit else "is not known"
    units = units_of(quantity)
    right = f"Under [channels] write: {setup_line(pick.channel, heading.text, units[0])}."
    if heading.unit and unit_named(heading.unit).quantity == "voltage":
        right = (
            f"Under [channels] write: {transfer_line(pick)}, with the readings and values of the "
            "sensor's data sheet."
        )
    elif heading.unit and not is_remark(heading, quantity):
        right = f"Name another column for {pick.channel} under [channels], or mend the header."
    raise LogError(
        f"the unit {heading.unit_text!r} {what}; {pick.channel} needs one of {', '.join(units)}.",
        where=f"{name}, column {heading.text!r}",
        mend=right,
    )


def is_remark(heading: Heading, quantity: Quantity) -> bool:
    """Tell whether what looks like a unit is none: "Lambda (F)" is the front one, not degrees."""
    kind = unit_named(heading.unit or "1").quantity
    is_letter = kind == "temperature" and len(heading.unit_text) == 1
    return kind != quantity and (is_letter or not heading.is_unit_marked)


def transfer_line(pick: Pick) -> str:
    """Return the entry that turns a column of volts into its channel."""
    line = setup_line(pick.channel, pick.heading.text, pick.heading.unit)
    unit = CHANNELS[pick.channel].unit or "..."
    top = "5000.0" if pick.heading.unit == "mV" else "5.0"
    tail = f', transfer = [[0.0, ...], [{top}, ...]], transfer_unit = "{unit}" }}'
    return line.removesuffix(" }") + tail


def ambiguous(channel: str, headings: Sequence[Heading], *, name: str) -> UnclearError:
    """Return the error that lists the columns between which nothing decides."""
    texts = [h.text for h in headings]
    if len(set(texts)) < len(texts):
        places = " and ".join(str(h.index + 1) for h in headings)
        return UnclearError(
            f"the header {texts[0]!r} stands more than once, in columns {places}.",
            where=name,
            mend="Give each column a name of its own.",
        )
    return UnclearError(
        f"several columns could be {channel}: {listed(texts)}.",
        where=name,
        mend=f"Name one under [channels]: {setup_line(channel, texts[0], headings[0].unit)}.",
    )


def left_out(error: LogError, name: str) -> str:
    """Return the note on a column that was left out; whose log it is, is said beside it."""
    return f"{error.without(name)} It was left out."


def folded(text: str) -> str:
    """Return a header without differences of case and blanks."""
    return " ".join(text.casefold().split())


def listed(texts: Sequence[str], most: int = MOST_HEADERS) -> str:
    """Return headers as a list in words, the first ``most`` of them."""
    return inert.listed((inert.quoted(text) for text in texts), most)
