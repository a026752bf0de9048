"""Which column is the load axis: by the setup's entry, by its name, or by its kind."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from tuneassist.channels import CHANNELS, channels_called, phrase_key, plain_words
from tuneassist.reading.headers import Heading, channel_of
from tuneassist.reading.picks import Pick, ambiguous, folded, is_gauge_axis, quantity_of, with_unit
from tuneassist.settings import Setup
from tuneassist.units import Quantity, unit_named


def find_load(
    headings: Sequence[Heading],
    picks: Mapping[str, Pick],
    setup: Setup | None,
    *,
    name: str,
    notes: list[str],
) -> Pick | None:
    """Find the column of the load axis.

    The channel that the axis is named after, or for a pressure the manifold's, goes first; then a
    column that carries the axis' own name; then one that is called load and has the axis' kind of
    unit.

    Parameters
    ----------
    headings
        Columns that no entry of the setup has taken.
    picks
        Channels found so far.
    notes
        Takes what had to be said.

    Returns
    -------
    Pick or None
        None where nothing fits.

    Raises
    ------
    LogError
        When several columns fit.
    """
    called = [h for h in headings if channel_of(h) == "load"]
    if setup is None:
        fit = [h for h in called if h.unit]
        return Pick("load", fit[0], "header", fit[0].unit, "header") if len(fit) == 1 else None
    quantity = quantity_of("load", setup)
    words = plain_words(setup.axes.load_name)
    kin = _kin(picks, words, quantity, setup)
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
            pick = with_unit("load", fit[0], quantity, "header")
            return replace(pick, shift=gauge_shift("load", fit[0], setup))
    return None


def _bare_key(heading: Heading) -> frozenset[str]:
    return phrase_key(heading.words_bare)


def _kin(
    picks: Mapping[str, Pick], words: tuple[str, ...], quantity: Quantity, setup: Setup
) -> Pick | None:
    """Return the channel already found that the load axis stands for."""
    names = [n for n in channels_called(words) if CHANNELS[n].quantity == quantity]
    if quantity == "pressure":
        order = ["manifold_pressure", "boost"]
        names = [*names, *(reversed(order) if is_gauge_axis(setup) else order)]
    return next((picks[n] for n in names if n in picks), None)


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
