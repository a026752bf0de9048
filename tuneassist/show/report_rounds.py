"""The page's sections on the rounds and the open work."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from tuneassist.loop.advice import AdviceSettings, miss_pct
from tuneassist.settings import Setup
from tuneassist.show.cautions import GENERAL, cautions
from tuneassist.show.cell_picture import KNOWN
from tuneassist.show.display import counted, plain, signed
from tuneassist.show.figures.drawing import figure_of
from tuneassist.show.report_blocks import (
    Block,
    Bullets,
    DataTable,
    Paragraphs,
    Picture,
    Pictures,
    Section,
)
from tuneassist.show.report_cells import blank_places
from tuneassist.show.report_data import ReportData, ReportRound

MOST_OUTSIDE = 10
"""Cells outside tolerance that a finished tune lists. [1]"""
BLANK_LINES = 8
"""Speeds whose blank cells are listed. [1]"""


def rounds_section(data: ReportData) -> Section:
    """Return the rounds with the engine's response and the advice; empty without a loop."""
    rounds = [one for one in data.rounds if one.summary is not None]
    if not rounds:
        return Section("Rounds")
    blocks: list[Block] = []
    head = ("round", "in force", "seen", "inside", "rms %", "response (95 % interval)", "then")
    rows = tuple(_round_row(one) for one in rounds)
    blocks.append(DataTable("Rounds of this tune", head, rows, frozenset({2, 3, 4})))
    blocks.append(Paragraphs((
        "Seen: cells with evidence so far. Inside: within 1 % of target with the grid in "
        "force. Response: measured over expected change; 1 is as expected.",
    )))  # fmt: skip
    shown = _round_pictures(data, rounds)
    if shown:
        blocks.append(Pictures(shown))
    if data.answers:
        blocks += [Paragraphs(("What was found after halts:",)), Bullets(data.answers)]
    if data.broken_rules:
        blocks.append(Paragraphs(("Rules that were broken knowingly:",), is_warning=True))
        blocks.append(Bullets(data.broken_rules))
    last = rounds[-1]
    if last.response is not None:
        words = f"Engine response in {last.name}: {last.response.verdict}, {last.response.why}."
        blocks.append(Paragraphs((words,), is_warning=last.is_halt))
    return Section("Rounds", tuple(blocks))


def _round_row(one: ReportRound) -> tuple[str, ...]:
    summary, answer = one.summary, "none"
    if summary is None:
        return (one.name,)
    if summary.response is not None and summary.response_low is not None:
        answer = (
            f"{summary.response:.2f} ({summary.response_low:.2f} to {summary.response_high:.2f})"
        )
    held = one.in_force.removeprefix("with ").removesuffix(" in force")
    return (
        str(summary.number), held, str(summary.cells_seen), str(summary.cells_inside),
        "" if summary.rms_pct is None else f"{summary.rms_pct:.2f}", answer, one.outcome,
    )  # fmt: skip


def _round_pictures(data: ReportData, rounds: list[ReportRound]) -> tuple[Picture, ...]:
    from tuneassist.show.plots import plot_response, plot_rounds, rounds_frame

    shown = []
    summaries = [
        one.summary for one in rounds if one.summary is not None and one.summary.rms_pct is not None
    ]
    if len(summaries) > 1:
        frame = plot_rounds(rounds_frame(summaries), is_simulated=data.is_simulated)
        alt = "; ".join(
            f"round {summary.number}: rms {summary.rms_pct:.2f} %, {summary.cells_inside} of "
            f"{summary.cells_seen} cells inside"
            for summary in summaries
        )
        title = "Deviation and cells inside, by round"
        shown.append(Picture("rounds", figure_of(frame), title, f"{alt}."))
    last = rounds[-1].response
    if last is not None and math.isfinite(last.response):
        frame = plot_response(last, is_simulated=data.is_simulated)
        alt = (
            f"Measured over expected change after the last step: {last.response:.2f}, 95 % "
            f"interval {last.response_low:.2f} to {last.response_high:.2f}; 1 is as expected."
        )
        shown.append(Picture("response", figure_of(frame), "Engine response", alt))
    return tuple(shown)


def open_work_section(data: ReportData) -> Section:
    """Return what is left to do: advice, next steps, cells without evidence, unchecked limits."""
    blocks: list[Block] = []
    items: list[str] = []
    last = data.rounds[-1] if data.rounds else None
    if last is not None and last.advice is not None:
        why = last.advice.why
        blocks.append(Paragraphs((why,), is_warning=last.is_halt or bool(last.advice.check)))
        if last.advice.word == "finished" and data.setup is not None:
            blocks += _outside(last, data.setup)
    items += data.next_steps
    if data.full_load is not None and len(data.full_load.found.breaches_after):
        items.append(
            "Limits were exceeded at full load after the change: see full-load runs. Fix the cause "
            "before the car is driven hard."
        )
    if data.tunes is not None and not data.tunes.report.is_ok:
        items.append("The set of tunes failed its checks: see that section.")
    if last is not None and data.setup is not None:
        items += _open_cells(last, data.setup)
    if items:
        blocks.append(Bullets(tuple(plain(item) for item in items)))
    return Section(
        "What is left to do", tuple(blocks) or (Paragraphs(("No open work is known.",)),)
    )


def _outside(last: ReportRound, setup: Setup) -> list[Block]:
    """List the cells of a finished tune outside tolerance, farthest first."""
    tolerance = AdviceSettings().tolerance_pct
    cells = outside_cells(last.cells, setup, tolerance)
    what = "target" if setup.target.kind == "aim" else "the floor, or leaner"
    if cells.empty:
        return [Paragraphs((f"Every known cell is within {tolerance:g} % of {what}.",))]
    rows = tuple(
        (f"{row['rpm']:g} rpm, {row['load']:g} {setup.axes.load_unit}",
         signed(row["deviation_pct"]),
         f"{signed(row['ci_low_pct'])} to {signed(row['ci_high_pct'])}", str(row["confidence"]))
        for row in cells.head(MOST_OUTSIDE).to_dict("records")
    )  # fmt: skip
    shown = f", the {MOST_OUTSIDE} farthest" if len(cells) > MOST_OUTSIDE else ""
    caption = f"Outside {tolerance:g} % of {what}: {counted(len(cells), 'cell')}{shown}"
    head = ("cell", "deviation %", "95 % interval", "confidence")
    return [DataTable(caption, head, rows, frozenset({1, 2}))]


def outside_cells(cells: pd.DataFrame, setup: Setup, tolerance_pct: float) -> pd.DataFrame:
    """Return the known cells whose deviation is a fault beyond tolerance, farthest first.

    Parameters
    ----------
    cells
        As in ``cells.csv``, with ``target_lambda``. [%]
    setup
        Kind of target: leaner than a floor is no fault.
    tolerance_pct
        Largest deviation that is inside. [%]
    """
    miss = np.abs(miss_pct(cells, setup))
    is_known = cells["confidence"].isin(KNOWN) & cells["target_lambda"].notna()
    outside = cells.assign(miss_pct=miss)[is_known & (miss > tolerance_pct)]
    return outside.sort_values("miss_pct", ascending=False, kind="stable")


def _open_cells(last: ReportRound, setup: Setup) -> list[str]:
    items = []
    wanted = last.cells["target_lambda"].notna()
    blank = int((wanted & last.cells["confidence"].eq("none")).sum())
    if blank:
        words = f"{blank} of {int(wanted.sum())} cells have no evidence and were not changed"
        places = list(blank_places(last.cells, setup))
        rest = len(places) - BLANK_LINES
        more = f"; and {counted(rest, 'more speed')}" if rest > 0 else ""
        items.append(f"{words}: {'; '.join(places[:BLANK_LINES])}{more}.")
    unwatched = [note for note in last.notes if "protect nothing" in note]
    return [*items, *unwatched]


def cautions_section(data: ReportData) -> Section:
    """Return the cautions, starting with the safe way."""
    if data.setup is None:
        return Section("Cautions", (Bullets(GENERAL),))
    words = cautions(data.setup.engine.ignition, data.setup.correction.acts_on)
    return Section("Cautions", (Bullets(words),))
