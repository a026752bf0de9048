"""The customer's page: one printed sheet of what the work on the car has come to.

It is a file of HTML that loads nothing and runs no script. Every text on it is bounded in length
and number, so that it prints on one sheet of A4 or Letter. While the verdict is STOP there is no
sheet: the page then says so in a plain sentence, and holds no figures.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from tuneassist.inert import clipped
from tuneassist.runs import RunsComparison
from tuneassist.runs.feel import (
    BETTER,
    NO_DIFFERENCE,
    NO_INTERVAL,
    NOT_ALIKE,
    UNEVEN,
    WORSE,
    verdict_of,
)
from tuneassist.settings import Ignition
from tuneassist.show.customer_words import (
    DRIVE_GENTLY,
    Watch,
    no_sheet_words,
    protected_words,
    standing_words,
    tune_words,
    watch_words,
)
from tuneassist.show.display import plain
from tuneassist.show.feel import feel_rows
from tuneassist.show.page_templates import page_templates
from tuneassist.show.report_blocks import Picture
from tuneassist.show.report_data import FullLoadPart, ReportData
from tuneassist.show.report_runs import curve_pictures
from tuneassist.show.report_shop import policy
from tuneassist.show.report_svg import svg_markup
from tuneassist.show.report_verdict import verdict_of as report_verdict
from tuneassist.show.run_units import OutputUnits
from tuneassist.show.runs import air_words

TEMPLATE = "customer_page.html.jinja"
TITLES: tuple[str, ...] = (
    "Before and after",
    "How it drives",
    "Protection of the engine",
    "What to watch",
    "The words explained",
)
"""Headings of the sheet, in order; a page without a sheet has none."""
CURVE_SIZE = (4.0, 2.75)
"""Width and height of a picture; two stand side by side on the sheet. [inch]"""
LABEL_LENGTH = 80
"""Characters of the car's name that fit two printed lines. [1]"""
MOST_TIP_INS = 1
"""Most answers to the pedal on the sheet, from the lowest speed up. [1]"""
CLAIMS: Mapping[str, str] = {
    BETTER: "",
    WORSE: "LESS than before",
    NO_DIFFERENCE: "no gain can be claimed: the runs differ among themselves by as much",
    NO_INTERVAL: "no gain can be claimed: fewer than two runs on a side",
}
"""What may be said of torque and power."""
FEEL_CLAIMS: Mapping[str, str] = {
    NO_DIFFERENCE: "no difference shown",
    NO_INTERVAL: "no claim: fewer than two repeats",
    NOT_ALIKE: "no claim: not measured alike",
}
"""What may be said of the drive where nothing is claimed; else the verdict's own word."""
PEDAL, HOLLOW = "Pedal down until 90 % of the", "Hollow in the pull, deepest"
FEEL_NAMES: Mapping[str, str] = {
    "drop on the way up": HOLLOW,
    UNEVEN[1]: "Unevenness of the pull",
}
"""Figures of smoothness on the sheet; less is better."""
NO_POWER = "Power and torque were not measured, so this sheet claims no gain."
NO_ANSWER = "How quickly it answers the pedal was not measured."
NO_HOLLOW = "There is no dip deeper than {depth:g} % in the pull, before or after."
WORDS: tuple[Watch, ...] = (
    ("Torque", "how hard the engine turns: what you feel as pull."),
    ("Power", "torque times engine speed: what counts for overtaking and top speed."),
    (
        "Interval",
        "repeated runs never agree fully; a 95 % interval holds the true change in 95 of 100 "
        "cases, each figure by itself.",
    ),
    ("Lambda", "air in the mixture: 1 burns all fuel with all air, less is rich, more is lean."),
    ("AFR", "parts of air to one part of fuel, by weight."),
    ("Boost", "pressure that the turbo adds to the air outside."),
    ("Knock", "fuel that burns too early; it breaks pistons."),
)
"""Words and what they mean; a word that the sheet does not use is left out."""


@dataclass(frozen=True)
class Tile:
    """One figure of torque or power, as text in the units shown.

    Parameters
    ----------
    name, where
        What it is, and at which speeds.
    before, after, unit
        Figures.
    change, interval
        The gain, and the interval of the gain; empty without one.
    claim
        What may be said, in words.
    is_claimed
        Whether a difference may be claimed.
    """

    name: str
    where: str
    before: str
    after: str
    unit: str
    change: str
    interval: str
    claim: str
    is_claimed: bool


@dataclass(frozen=True)
class DriveRow:
    """One figure of how it drives: name, before, after, change with interval, in words."""

    name: str
    before: str
    after: str
    change: str
    claim: str


def is_stopped(data: ReportData) -> bool:
    """Return whether there is no sheet, because the verdict is STOP.

    Parameters
    ----------
    data
        The parts of the report.
    """
    return report_verdict(data).word == "STOP"


def customer_pictures(data: ReportData) -> tuple[Picture, ...]:
    """Return the pictures of the sheet: torque and power before and after.

    Parameters
    ----------
    data
        The parts of the report.
    """
    if data.full_load is None or is_stopped(data):
        return ()
    return curve_pictures(data.full_load, is_simulated=data.is_simulated, size=CURVE_SIZE)


def customer_html(data: ReportData, pictures: tuple[Picture, ...]) -> str:
    """Return the page.

    Parameters
    ----------
    data
        The parts of the report.
    pictures
        From `customer_pictures`.

    Returns
    -------
    str
        HTML, to be written as UTF-8.
    """
    label = plain(data.setup.engine.label) if data.setup is not None else ""
    facts: dict[str, Any] = {
        "label": clipped(label, LABEL_LENGTH) or "car without a label",
        "day": data.made_at.partition(" ")[0],
        "version": data.version,
        "is_simulated": data.is_simulated,
        "policy": policy(""),
        "stopped": no_sheet_words(data) if is_stopped(data) else "",
        "gently": DRIVE_GENTLY,
        "titles": TITLES,
    }
    if not facts["stopped"]:
        facts |= _sheet(data, pictures)
    return page_templates("a report").get_template(TEMPLATE).render(**facts)


def _sheet(data: ReportData, pictures: tuple[Picture, ...]) -> dict[str, Any]:
    """Return what the sheet holds."""
    part, ignition = data.full_load, _ignition(data)
    protected = protected_words(data, ignition)
    fuel = plain(data.setup.engine.fuel) if data.setup is not None else ""
    watched = watch_words(ignition, fuel)
    tiles = [] if part is None else tiles_of(part.found, part.units)
    rows = [] if part is None else drive_rows(part.found, part.units)
    used = " ".join([*protected, *(f"{name} {words}" for name, words in watched)])
    return {
        "tiles": tiles,
        "measured": NO_POWER if part is None else _measured(part),
        "curves": [svg_markup(one) for one in pictures],
        "rows": rows,
        "unsaid": [] if part is None else _beside_rows(rows, part.found),
        "standing": standing_words(data, report_verdict(data)),
        "protected": protected,
        "watched": watched,
        "tunes": tune_words(data),
        "words": _words_used(used, has_power=part is not None),
    }


def _ignition(data: ReportData) -> Ignition:
    if data.setup is not None:
        return data.setup.engine.ignition
    is_diesel = data.full_load is not None and data.full_load.ignition == "compression"
    return "compression" if is_diesel else "spark"


def tiles_of(found: RunsComparison, units: OutputUnits) -> list[Tile]:
    """Return peak and low-down torque and power before and after.

    Parameters
    ----------
    found
        The comparison.
    units
        Units shown.
    """
    return [_tile(row, units) for row in found.main_figures.to_dict("records")]


def _tile(row: Mapping[Any, Any], units: OutputUnits) -> Tile:
    unit = str(row["unit"])
    names = ("before", "after", "gain", "low", "high")
    before, after, gain, low, high = (units.shown(row[name], unit) for name in names)
    is_peak = row["figure"] == "peak"
    verdict = verdict_of(float(row["low"]), float(row["high"]), "more")
    return Tile(
        name=f"Peak {row['quantity']}" if is_peak else f"{row['quantity'].capitalize()} low down",
        where=_where(row) if is_peak else f"mean, {row['rpm_from']:.0f} to {row['rpm_to']:.0f} rpm",
        before=f"{before:.1f}",
        after=f"{after:.1f}",
        unit=units.word(unit),
        change=f"{gain:+z.1f} ({row['gain_pct']:+z.1f} %)",
        interval=f"{low:+z.1f} to {high:+z.1f}" if pd.notna(low) else "",
        claim=CLAIMS[verdict],
        is_claimed=verdict in (BETTER, WORSE),
    )


def _where(row: Mapping[Any, Any]) -> str:
    before, after = f"{row['rpm_before']:.0f}", f"{row['rpm_after']:.0f}"
    at = f"at {after} rpm" if before == after else f"at {before} rpm before, {after} after"
    return f"{at}; still rising where the runs end" if row["is_at_edge"] else at


def drive_rows(found: RunsComparison, units: OutputUnits) -> list[DriveRow]:
    """Return how it drives: the answer to the pedal and the smoothness, with what may be said.

    Parameters
    ----------
    found
        The comparison.
    units
        Units shown.
    """
    rows: list[DriveRow] = []
    tip_ins = 0
    for row, figure in zip(feel_rows(found, units), found.feel.to_dict("records"), strict=True):
        name = FEEL_NAMES.get(row.name, "")
        if row.name.startswith("tip-in") and tip_ins < MOST_TIP_INS:
            tip_ins += 1
            name = f"{PEDAL} {row.name.rpartition(' ')[2]}"
        if name and not (name == HOLLOW and _is_shallow(figure, found)):
            interval = "" if row.interval == "none" else f" ({row.interval})"
            claim = FEEL_CLAIMS.get(row.verdict, row.verdict)
            rows.append(DriveRow(f"{name} ({row.where})", row.before, row.after,
                                 f"{row.change}{interval}", claim))  # fmt: skip
    return rows


def _is_shallow(figure: Mapping[Any, Any], found: RunsComparison) -> bool:
    """Return whether a hollow is too shallow to be one, before and after, and stays as it is."""
    deepest = max(float(figure["before"]), float(figure["after"]))
    return deepest < found.settings.dip_pct and figure["verdict"] not in (BETTER, WORSE)


def _beside_rows(rows: list[DriveRow], found: RunsComparison) -> list[str]:
    """Say what the rows of the drive leave out."""
    lines = [] if any(row.name.startswith(PEDAL) for row in rows) else [NO_ANSWER]
    is_known = found.feel["measure"].eq("drop on the way up").any() if len(found.feel) else False
    if is_known and not any(row.name.startswith(HOLLOW) for row in rows):
        lines.append(NO_HOLLOW.format(depth=found.settings.dip_pct))
    return lines


def _measured(part: FullLoadPart) -> str:
    """Say how torque and power were measured, and what the air does to the gain."""
    found = part.found
    pulls = found.pulls["side"].value_counts()
    runs = " and ".join(f"{int(pulls.get(side, 0))} {side}" for side in ("before", "after"))
    words = f"From full-load runs, {runs}; torque and power {air_words(found)}."
    is_in = (
        not found.is_corrected and not abs(found.air_effect_pct) < found.settings.max_air_effect_pct
    )
    return f"{words} The gain includes the weather." if is_in else words


def _words_used(text: str, *, has_power: bool) -> list[Watch]:
    """Return the words that the sheet uses, explained."""
    always = ("Torque", "Power", "Interval") if has_power else ()
    return [
        (word, meaning)
        for word, meaning in WORDS
        if word in always
        or (word not in ("Torque", "Power", "Interval") and word.lower() in text.lower())
    ]
