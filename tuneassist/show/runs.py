"""The screen of `runs`: what the driver feels, zero check, limits, gain, drivability, peaks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from tuneassist.runs import Equivalence, Refusal, RunsComparison, refusals_frame
from tuneassist.runs.limit_checks import breach_words
from tuneassist.show.display import Display, counted, dim, plain, title
from tuneassist.show.feel import FEEL_TITLE, feel_sheet
from tuneassist.show.log_summary import bullets
from tuneassist.show.run_units import OutputUnits, said_in_units

EVERY_RPM = 250.0
"""Spacing of the speeds in the table of gains; the JSON has all. [rpm]"""
RECORDED = (
    "feel", "main_figures", "pulls", "driven", "peaks", "gain", "mean", "watched", "smoothness",
    "dips", "responses",
)  # fmt: skip
"""Tables in the JSON; "watched" holds the limit checks."""
ENGINE_WORDS = {"spark": "petrol or gas", "compression": "diesel"}
ZERO_WORDS = {
    "equivalent": "EQUIVALENT",
    "different": "DIFFERENT",
    "cannot tell": "CANNOT TELL",
}


def runs_screen(
    found: RunsComparison,
    *,
    zero: Equivalence | None,
    units: OutputUnits,
    label: str,
    display: Display,
    is_simulated: bool,
    assumed: str = "",
) -> RenderableType:
    """Return the whole screen.

    Parameters
    ----------
    found
        The comparison.
    zero
        Verdict of "zero means zero"; None if not requested.
    units
        Of torque and power.
    label
        The car.
    display
        Width and marks.
    is_simulated
        Whether the data are simulated.
    assumed
        Ignition assumed for the runs; empty if it was given.
    """
    found = said_in_units(found, units)
    parts: list[RenderableType] = [
        _headline(label, is_simulated=is_simulated),
        dim(f"full-load runs; {air_words(found)}; peak-preserving smoothing (local parabola)"),
        title(FEEL_TITLE),
        feel_sheet(found, units),
    ]
    if zero is not None:
        parts += [title("Zero means zero: standard car against the box with zeros"), _zero(zero)]
    parts += [title("Limits along the pull"), _limits(found, units, assumed)]
    parts += [title("Gain over the driven speeds"), _driven(found, units)]
    parts += [title("Gain at every speed"), _gain(found, units)]
    parts += [title("Drivability"), _drivability(found, units)]
    parts += [title("Pulls"), _pulls(found)]
    parts += [title("Peaks of the mean curves"), _peaks(found, units)]
    sentences = [*found.notes, *refusal_words(found.refusals)]
    if sentences:
        parts += [title("Notes and doubts"), bullets(sentences)]
    return Group(*parts, Text())


def answer_screen(
    found: RunsComparison, *, units: OutputUnits, label: str, is_simulated: bool
) -> RenderableType:
    """Return the screen of the answer to the pedal alone, where torque is not compared.

    Parameters
    ----------
    found
        The comparison.
    units
        Of the figures.
    label
        The car.
    is_simulated
        Whether the data are simulated.
    """
    sentences = [*found.notes, *refusal_words(found.refusals)]
    parts: list[RenderableType] = [
        _headline(label, is_simulated=is_simulated), title(FEEL_TITLE), feel_sheet(found, units),
    ]  # fmt: skip
    if sentences:
        parts += [title("Notes and doubts"), bullets(sentences)]
    return Group(*parts, Text())


def _headline(label: str, *, is_simulated: bool) -> Text:
    first = Text(plain(label) or "car without a label", style="bold")
    if is_simulated:
        first.append("   ").append(" SIMULATED DATA ", style="bold reverse")
    return first


def air_words(found: RunsComparison) -> str:
    """Describe the air to which torque and power were corrected."""
    if found.is_corrected:
        return f"corrected to standard air by {found.standard}"
    if found.settings.standard == "none":
        return f"as measured, not corrected to standard air ({_air_effect_words(found)})"
    return f"NOT corrected to {found.standard}, see the notes"


def _air_effect_words(found: RunsComparison) -> str:
    effect = found.air_effect_pct
    if pd.isna(effect):
        return "the air of both sides is not known"
    return f"the difference in air changes torque by {effect:+z.1f} %"


def refusal_words(refusals: Sequence[Refusal]) -> list[str]:
    """Return refusals as sentences with their place."""
    return [f"{r.where}: {r.description}" if r.where else r.description for r in refusals]


def _columns(*names: str, first: str) -> Table:
    table = Table(box=None, padding=(0, 1), header_style="bold")
    table.add_column(first, overflow="fold")
    for name in names:
        table.add_column(name, justify="right", no_wrap=True)
    return table


def _pulls(found: RunsComparison) -> RenderableType:
    table = _columns("rpm", "s", "samples", "air", first="pull")
    for row in found.pulls.to_dict("records"):
        factor = "-" if pd.isna(row["factor"]) else f"{row['factor']:.4f}"
        mark = "" if row["is_in_range"] or pd.isna(row["factor"]) else " out of range"
        table.add_row(
            Text(f"{row['side']}: {plain(row['log'])}, pull {row['pull']}"),
            f"{row['rpm_from']:.0f}-{row['rpm_to']:.0f}",
            f"{row['duration_s']:.1f}",
            f"{row['samples']}",
            f"{factor}{mark}",
        )
    return table


def _zero(zero: Equivalence) -> RenderableType:
    line = Text("  ").append(f" {ZERO_WORDS[zero.verdict]} ", style="bold reverse")
    parts: list[RenderableType] = [line, bullets((zero.statement,), mark=" ")]
    if len(zero.bands):
        parts.append(bullets(zero_words(zero)))
    parts.append(bullets(refusal_words(zero.refusals)))
    return Group(*parts)


def zero_words(zero: Equivalence) -> list[str]:
    """Describe each channel where it is not shown equivalent, or closest to its margin."""
    sentences: list[str] = []
    if zero.bands.empty:
        return sentences
    for channel, rows in zero.bands.groupby("channel", sort=False):
        rest = rows[rows["verdict"] != "equivalent"]
        if len(rest):
            sentences += [str(words) for words in rest["statement"]]
            continue
        nearest = rows.iloc[int(rows["p"].to_numpy(dtype=float).argmax())]
        many = counted(len(rows), "band")
        sentences.append(
            f"{channel}: equivalent in {many}, closest to its margin: {nearest['statement']}"
        )
    return sentences


def _driven(found: RunsComparison, units: OutputUnits) -> RenderableType:
    if found.driven.empty:
        return dim("  The runs do not cover the driven speeds on both sides.")
    return bullets([driven_words(row, units) for row in found.driven.to_dict("records")])


def gain_in_brief(found: RunsComparison, units: OutputUnits) -> list[str]:
    """Return the mean gain over the driven speeds, a few words for each quantity."""
    return [
        f"mean {row['quantity']} {units.shown(row['gain'], row['unit']):+z.1f} "
        f"{units.word(row['unit'])} ({row['gain_pct']:+z.1f} %)"
        for row in found.driven.to_dict("records")
    ]


def driven_words(row: Mapping[Any, Any], units: OutputUnits) -> str:
    """Describe the gain over the driven speeds, with its interval."""
    unit = row["unit"]
    before, after, gain, low, high = (
        units.shown(row[name], unit) for name in ("before", "after", "gain", "low", "high")
    )
    interval = "no interval: " + str(row["method"])
    if pd.notna(low):
        interval = f"95 % interval {low:+z.1f} to {high:+z.1f}"
    return (
        f"mean {row['quantity']} from {row['rpm_from']:g} to {row['rpm_to']:g} rpm: "
        f"{before:.1f} -> {after:.1f} {units.word(unit)}, {gain:+z.1f} ({row['gain_pct']:+z.1f} %; "
        f"{interval})"
    )


def _peaks(found: RunsComparison, units: OutputUnits) -> RenderableType:
    table = _columns("peak", "95 % interval", "at rpm", "runs", first="")
    for row in found.peaks.to_dict("records"):
        peak, low, high = (units.shown(row[name], row["unit"]) for name in ("peak", "low", "high"))
        edge = " (still rising at the edge)" if row["is_at_edge"] else ""
        table.add_row(
            f"{row['side']}, {row['quantity']}{edge}",
            f"{peak:.1f} {units.word(row['unit'])}",
            "-" if pd.isna(low) else f"{low:.1f} to {high:.1f}",
            f"{row['rpm']:.0f}",
            f"{row['n']:.0f}",
        )
    return table


def gain_rows(found: RunsComparison, every_rpm: float = EVERY_RPM) -> pd.DataFrame:
    """Return the rows of the gain at round speeds only, all of them where there are few."""
    if found.gain.empty:
        return found.gain
    rows = found.gain[found.gain["rpm"] % every_rpm == 0]
    return rows if len(rows) > 1 else found.gain


def _gain(found: RunsComparison, units: OutputUnits) -> RenderableType:
    if found.gain.empty:
        return dim("  The two sides share no speed.")
    table = _columns("before", "after", "gain", "%", "95 % interval", first="rpm")
    for row in gain_rows(found).to_dict("records"):
        before, after, gain, low, high = (
            units.shown(row[name], "N.m")
            for name in ("before_nm", "after_nm", "gain_nm", "gain_low_nm", "gain_high_nm")
        )
        interval = "-" if pd.isna(low) else f"{low:+z.1f} to {high:+z.1f}"
        table.add_row(
            f"{row['rpm']:g}", f"{before:.1f}", f"{after:.1f}", f"{gain:+z.1f}",
            f"{row['gain_pct']:+z.1f}", interval,
        )  # fmt: skip
    return Group(dim(f"  torque in {units.torque}; intervals for each speed separately"), table)


def assumed_words(assumed: str) -> list[str]:
    """Describe the assumed ignition and how to set it; empty if it was given."""
    if not assumed:
        return []
    other = "compression" if assumed == "spark" else "spark"
    return [
        f"ignition was not given: treated as {assumed} ignition with the default limits. For a "
        f"{ENGINE_WORDS[other]} engine give --ignition {other}, or a setup file."
    ]


def _limits(found: RunsComparison, units: OutputUnits, assumed: str) -> RenderableType:
    if found.limit_checks.empty:
        return Group(
            bullets(assumed_words(assumed)),
            dim("  No channel with a limit was logged: nothing was checked."),
        )
    exceeded = exceeded_words(found, units)
    over, checked = limits_counted(found)
    if not exceeded:
        limits = counted(checked, "limit was", "limits were")
        sentences = [
            *assumed_words(assumed),
            f"no limit was exceeded: {limits} checked in each pull",
        ]
        return bullets(sentences)
    return Group(
        Text(f"   LIMITS EXCEEDED: {over} of {checked} ", style="bold"),
        bullets(assumed_words(assumed)),
        bullets(exceeded, mark="!"),
    )


def exceeded_words(found: RunsComparison, units: OutputUnits) -> list[str]:
    """Describe for each side and exceeded limit the worst pull, and how many pulls exceeded it."""
    sentences = []
    for _, rows in found.limit_checks.groupby(["side", "limit_name"], sort=False):
        over = rows[rows["is_breach"].astype(bool)]
        if over.empty:
            continue
        beyond = (over["worst"] - over["limit"]).abs().to_numpy(dtype=float)
        words = limit_words(over.iloc[int(beyond.argmax())].to_dict(), units)
        sentences.append(f"{words} In {len(over)} of {counted(len(rows), 'pull')}.")
    return sentences


def limits_counted(found: RunsComparison) -> tuple[int, int]:
    """Return how many limits were exceeded and how many were checked, over all pulls."""
    return found.breaches["limit_name"].nunique(), found.limit_checks["limit_name"].nunique()


def limit_words(row: Mapping[Any, Any], units: OutputUnits) -> str:
    """Describe which limit was exceeded where, in the units shown."""
    return breach_words(row, units.reading)


def drivability_rows(found: RunsComparison) -> pd.DataFrame:
    """Return smoothness and tip-in measures before and after as one table."""
    tables = [table for table in (found.smoothness, found.responses) if len(table)]
    return pd.concat(tables, ignore_index=True) if tables else pd.DataFrame()


def _drivability(found: RunsComparison, units: OutputUnits) -> RenderableType:
    rows = drivability_rows(found)
    parts: list[RenderableType] = []
    if len(rows):
        table = _columns("before", "after", "change", "95 % interval", first="measure")
        for row in rows.to_dict("records"):
            before, after, change, low, high = (
                units.shown(row[name], row["unit"])
                for name in ("before", "after", "change", "change_low", "change_high")
            )
            unit = units.word(row["unit"])
            where = f" ({row['rpm_from']:.0f}-{row['rpm_to']:.0f} rpm)"
            table.add_row(
                f"{row['measure']}{where}, {unit}",
                _or_dash(before),
                _or_dash(after),
                _or_dash(change, "+z.2f"),
                "-" if pd.isna(low) else f"{low:+z.2f} to {high:+z.2f}",
            )
        parts.append(table)
    parts.append(bullets(dip_words(found, units)))
    return Group(*parts)


def _or_dash(value: float, form: str = "z.2f") -> str:
    return "-" if pd.isna(value) else format(value, form)


def dip_words(found: RunsComparison, units: OutputUnits) -> list[str]:
    """Return the dips of the torque curves as sentences, or one that there is none."""
    if found.dips.empty:
        return [f"no dip of the torque curve deeper than {found.settings.dip_pct:g} %"]
    return [
        f"{row['side']}: torque dips by {row['depth_pct']:.1f} % "
        f"({units.shown(row['depth_nm'], 'N.m'):.1f} {units.torque}) at {row['rpm']:.0f} rpm, in "
        f"{row['runs_with']:.0f} of {row['n']:.0f} runs"
        for row in found.dips.to_dict("records")
    ]


def runs_record(
    found: RunsComparison, *, zero: Equivalence | None, logged: OutputUnits, is_simulated: bool
) -> dict[str, Any]:
    """Return the comparison as plain values for JSON, torque in N.m and power in kW."""
    record: dict[str, Any] = {"simulated": True} if is_simulated else {}
    record |= {
        "standard": found.standard,
        "is_corrected": found.is_corrected,
        "air_effect_pct": found.air_effect_pct,
        "units_logged": {"torque": logged.torque, "power": logged.power},
    }
    for name in RECORDED:
        attribute = "limit_checks" if name == "watched" else name
        record[name] = getattr(found, attribute).to_dict("records")
    record["feel_notes"] = list(found.feel_notes)
    record["breaches"] = [str(words) for words in found.breaches["words"]]
    if zero is not None:
        record["zero"] = {
            "verdict": zero.verdict,
            "statement": zero.statement,
            "bands": zero.bands.to_dict("records"),
            "refusals": refusals_frame(zero.refusals).to_dict("records"),
        }
    record["refusals"] = refusals_frame(found.refusals).to_dict("records")
    record["notes"] = list(found.notes)
    return record
