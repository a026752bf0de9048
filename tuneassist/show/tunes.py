"""The screen of a set of tunes: the checks and their results."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from tuneassist.loop.tune_set import Finding, Tune, TunesReport
from tuneassist.show.display import Display, counted, dim, plain, title
from tuneassist.show.log_summary import bullets
from tuneassist.show.verdict import opening

TOPIC_WORDS = {
    "set": "The set",
    "limits": "Within its limits",
    "standard": "Standard is all zeros",
    "order": "Torque and power rise in order",
    "strength": "No stronger than the power tune",
    "mixture": "Mixture, compared with the power tune",
    "heat": "Heat",
}
_MARKS = {"ok": "ok", "remark": "note", "breach": "NOT OK"}


def tunes_screen(tunes: Sequence[Tune], report: TunesReport, display: Display) -> RenderableType:
    """Return the whole screen.

    Parameters
    ----------
    tunes
        From least to most power.
    report
        The findings.
    display
        Width and marks.
    """
    between = " < " if display.is_ascii else " → "
    names = between.join(plain(tune.name) for tune in tunes)
    parts: list[RenderableType] = [
        *_opening(report),
        Text(plain(tunes[0].setup.engine.label) if tunes else "no tunes", style="bold"),
        dim(f"{counted(len(tunes), 'tune')}, least power first: {names}"),
    ]
    for topic, words in TOPIC_WORDS.items():
        found = [finding for finding in report.findings if finding.topic == topic]
        if found:
            parts += [title(words), _findings_table(found)]
    return Group(
        *parts, title("What was checked"),
        bullets([f"checked: {words}" for words in report.checked]),
        bullets([f"NOT checked: {words}" for words in report.unchecked]),
    )  # fmt: skip


def _opening(report: TunesReport) -> tuple[RenderableType, ...]:
    """Return the verdict on the set, with the first check that failed."""
    bad = [plain(one.sentence) for one in report.findings if one.verdict == "breach"]
    if not bad:
        open_ones = len(report.unchecked)
        words = f" {counted(open_ones, 'thing was', 'things were')} not checked, see the end."
        return opening("GO ON", f"All checks passed.{words if open_ones else ''}")
    reason = f"{counted(len(bad), 'check')} failed: {bad[0]}"
    return opening("STOP", reason, "Mend what is marked NOT OK, then check again.")


def _findings_table(findings: Sequence[Finding]) -> Table:
    table = Table.grid(padding=(0, 1))
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold", ratio=1)
    for finding in findings:
        style = "bold reverse" if finding.verdict == "breach" else ""
        table.add_row(Text(f"  {_MARKS[finding.verdict]}", style=style), plain(finding.sentence))
    return table


def tunes_record(tunes: Sequence[Tune], report: TunesReport) -> dict[str, Any]:
    """Return a report as plain values, for JSON."""
    return {
        "tunes": [{"name": tune.name, "kind": tune.kind} for tune in tunes],
        "is_ok": report.is_ok,
        "checked": list(report.checked),
        "unchecked": list(report.unchecked),
        "findings": [
            {
                "topic": finding.topic,
                "verdict": finding.verdict,
                "tunes": list(finding.tunes),
                "sentence": finding.sentence,
            }
            for finding in report.findings
        ],
        "rises": report.rises.to_dict("records"),
    }
