"""The screen of tunes made from a strong one: predicted output, what held them, what to measure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from tuneassist.loop.derive import DerivedSet, DerivedTune
from tuneassist.loop.derive_summary import (
    Output,
    Point,
    kept_for_safety,
    outputs,
    to_measure,
)
from tuneassist.loop.tune_model import units_of_set
from tuneassist.loop.tune_set import TunesReport
from tuneassist.settings import as_plain
from tuneassist.show.display import Display, counted, dim, plain, title
from tuneassist.show.log_summary import bullets
from tuneassist.show.verdict import opening
from tuneassist.units import UNITS

_POWER_OF = {"lbf.ft": "hp"}
"""Unit of power that goes with a unit of torque, where none was logged."""


def derived_screen(
    made: DerivedSet,
    report: TunesReport,
    folder: Path,
    display: Display,
    *,
    left_out: Sequence[str] = (),
    options: str = "",
) -> RenderableType:
    """Return the whole screen.

    Parameters
    ----------
    made, report
        The tunes, and the check of their set.
    folder
        Where they were written.
    display
        Width and marks.
    left_out
        Tunes of the list that are not in the set.
    options
        What ``tunes check`` needs besides the folder, to read the runs as they were read here.
    """
    between = " < " if display.is_ascii else " → "
    names = between.join(plain(tune.name) for tune in made.tunes)
    count = counted(len(made.made), "tune")
    source = f"made from {plain(made.standard.name)} and {plain(made.strong.name)}"
    parts: list[RenderableType] = [
        *_verdict(report, folder, options),
        Text(plain(made.strong.setup.engine.label), style="bold"),
        dim(f"{count} {source}, least power first: {names}"),
        *_output_parts(made, display),
    ]
    for one in made.made:
        parts += _of_tune(one, made)
    notes = [*made.notes]
    if left_out:
        notes.append(f"not in the new set: {', '.join(map(plain, left_out))}")
    where = (title("Written"), Text(f"  {plain(folder)}", overflow="fold"))
    return Group(*parts, *_notes(notes), *where)


def _output_parts(made: DerivedSet, display: Display) -> list[RenderableType]:
    if made.two is None:
        return []
    units = _units(made)
    sign = "+-" if display.is_ascii else "±"
    table = Table.grid(padding=(0, 2))
    for _ in range(4):
        table.add_column(overflow="fold")
    at = made.settings.low_down_rpm
    table.add_row("", *(dim(w) for w in (f"torque at {at:.0f} rpm", "peak torque", "peak power")))
    for one in outputs(made):
        table.add_row(f"  {plain(one.name)}", *_cells(one, units, sign))
    ends = f"{plain(made.standard.name)} and {plain(made.strong.name)}"
    return [
        title(f"Full load, {made.two.words}"),
        table,
        dim(f"{ends}: their runs. The others: predicted between these, with 95 % interval."),
    ]


def _cells(one: Output, units: tuple[str, str], sign: str) -> list[str]:
    torque, power = units
    return [
        _point(one.low_down, torque, sign, has_speed=False),
        _point(one.peak_torque, torque, sign),
        _point(one.peak_power, power, sign),
    ]


def _point(point: Point | None, unit: str, sign: str, *, has_speed: bool = True) -> str:
    if point is None:
        return "not known"
    factor = UNITS[unit].factor
    half = max(point.high - point.value, point.value - point.low) / factor
    at = f" at {point.rpm:.0f}" if has_speed else ""
    return f"{point.value / factor:.0f} {sign}{half:.0f} {unit}{at}"


def _units(made: DerivedSet) -> tuple[str, str]:
    """Return the units of torque and power: as logged, else those that go together."""
    torque = units_of_set(made.tunes).torque
    logged: Mapping[str, str] = {**made.strong.logged, **made.standard.logged}
    return torque, logged.get("power") or _POWER_OF.get(torque, "kW")


def _of_tune(one: DerivedTune, made: DerivedSet) -> list[RenderableType]:
    plan = one.plan
    shares = (
        ("at low speed", plan.low_speed_share),
        ("at full load", plan.full_load_share),
        ("cruising", plan.cruise_share),
    )
    asked = ", ".join(f"{100 * share:.0f} % {place}" for place, share in shares)
    held = [
        f"{row['words']}: {counted(row['cells'], 'cell')}, "
        f"{_speeds(row['rpm_from'], row['rpm_to'])}"
        for row in one.bounds.to_dict("records")
    ]
    kept = [plain(words)] if (words := kept_for_safety(one, made)) else []
    return [
        title(f"{plain(one.tune.name)}, asked: {asked}"),
        bullets([*kept, *(f"held back: {words}" for words in held)] or ["nothing held it back"]),
        *([bullets(list(one.notes))] if one.notes else []),
        bullets([f"measure: {words}" for words in to_measure(one, made)]),
    ]


def _speeds(first: float, last: float) -> str:
    return f"{first:.0f} rpm" if first == last else f"{first:.0f} to {last:.0f} rpm"


def _notes(notes: Sequence[str]) -> list[RenderableType]:
    return [title("Notes"), bullets(list(notes))] if notes else []


def _verdict(report: TunesReport, folder: Path, options: str) -> list[RenderableType]:
    """Say first what the check of the set finds, and what to do next."""
    bad = [finding.sentence for finding in report.findings if finding.verdict == "breach"]
    if not bad:
        reason = "The set passes its check. Predicted output is no run: measure each tune."
        return [*opening("GO ON", reason, f"tuneassist tunes check {plain(folder)}{options}")]
    first, *_ = opening("STOP", f"The set fails {counted(len(bad), 'check')}. Do not load it.")
    return [first, bullets([f"NOT OK: {sentence}" for sentence in bad]), Text()]


def derived_record(
    made: DerivedSet, report: TunesReport, folder: Path, *, left_out: Sequence[str] = ()
) -> dict[str, Any]:
    """Return the result as plain values, for JSON."""
    by_name = {one.tune.name: one for one in made.made}
    return {
        "folder": str(folder),
        "made_from": {"standard": made.standard.name, "strong": made.strong.name},
        "tunes": [
            {**as_plain(output), **_made_record(by_name.get(output.name), made)}
            for output in outputs(made)
        ],
        "notes": list(made.notes),
        "left_out": list(left_out),
        "is_ok": report.is_ok,
        "findings": [
            {"topic": one.topic, "verdict": one.verdict, "sentence": one.sentence}
            for one in report.findings
            if one.verdict != "ok"
        ],
    }


def _made_record(one: DerivedTune | None, made: DerivedSet) -> dict[str, Any]:
    if one is None:
        return {}
    return {
        "kind": one.tune.kind,
        "bounds_that_acted": one.bounds.to_dict("records"),
        "notes": list(one.notes),
        "kept_for_safety": kept_for_safety(one, made),
        "measure": list(to_measure(one, made)),
    }
