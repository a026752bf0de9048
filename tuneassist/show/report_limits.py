"""The page's sections on target, limits, what was limited, and the evidence by cell."""

from __future__ import annotations

import numpy as np
import pandas as pd

from tuneassist.correction import SAFE_WAY, describe_limits
from tuneassist.own_units import mixture
from tuneassist.settings import Setup
from tuneassist.show.cell_picture import KNOWN, ROUNDING, target_picture
from tuneassist.show.display import counted, plain, signed
from tuneassist.show.labels import rule_words
from tuneassist.show.notes import first_reason, held_by_rule, most_affected
from tuneassist.show.report_blocks import (
    Block,
    Bullets,
    CellMap,
    DataTable,
    Facts,
    Paragraphs,
    Section,
    picture_map,
)
from tuneassist.show.report_data import ReportData
from tuneassist.show.rules import SAFE_ROW, value_words


def setup_section(data: ReportData, setup: Setup) -> Section:
    """Return car, target, safe way and limits in force."""
    engine, axes = setup.engine, setup.axes
    ignition = "spark ignition" if engine.ignition == "spark" else "compression ignition"
    acts = "fuel" if setup.correction.acts_on == "fuel" else "absolute manifold pressure"
    facts = [
        ("Car", plain(engine.label) or "without a label"),
        ("Engine", f"{ignition}, {plain(engine.fuel)}"),
        ("What the grid corrects", acts),
        ("Target", _target_range(setup)),
        ("Table", f"{axes.shape[0]} speeds x {axes.shape[1]} loads ({axes.load_name}, "
                  f"{axes.load_unit})"),
    ]  # fmt: skip
    if engine.rev_limit_rpm is not None:
        facts.append(("Speed limit", f"{engine.rev_limit_rpm:g} rpm"))
    facts.append(("Safe way", SAFE_WAY[engine.ignition, setup.correction.acts_on]))
    blocks: list[Block] = [Facts(tuple(facts))]
    limits = describe_limits(setup)
    rules = limits[limits["rule"] != SAFE_ROW]
    rows = tuple(
        (rule.removeprefix("limits."), value_words(rule, value, unit, setup), origin, why)
        for rule, value, unit, origin, why in rules.itertuples(index=False, name=None)
    )
    table = DataTable(
        "Limits in force", ("rule", "value", "from", "why"), rows,
        screen_columns=frozenset({3}), is_paired=True,
    )  # fmt: skip
    return Section("What was asked", (*blocks, _target_map(setup), table))


def _target_range(setup: Setup) -> str:
    table = setup.target.table
    low, high = (mixture(float(f(table)), setup) for f in (np.nanmin, np.nanmax))
    span = low if low == high else f"{low} to {high.removeprefix('lambda ')}"
    if setup.target.kind == "floor":
        return f"no richer than {span}; leaner needs no correction"
    return span


def _target_map(setup: Setup) -> CellMap:
    unit = "AFR" if setup.target.unit == "afr" else "lambda"
    return picture_map(f"Target, {unit}", target_picture(setup))


def limited_section(data: ReportData, setup: Setup) -> Section:
    """Return what was limited in the last round, and why."""
    last = data.rounds[-1]
    real = last.binding[last.binding["rule"] != ROUNDING]
    blocks: list[Block] = []
    if last.is_halt:
        blocks.append(Paragraphs(("The loop has halted: nothing is proposed.",), is_warning=True))
    elif real.empty:
        blocks.append(Paragraphs(("No limit held a step back.",)))
    else:
        rows = tuple(
            (rule_words(rule), str(len(group)), *_examples(group, setup))
            for rule, group in held_by_rule(real)
        )
        head = ("rule", "cells", "most affected", "why, for the first of them")
        blocks.append(DataTable("Rules that held steps back", head, rows, frozenset({1})))
    if last.less_fuel:
        blocks.append(Paragraphs(("Air must not rise here: reduce fuel by other means.",), True))
        blocks.append(Bullets(last.less_fuel))
    return Section("What was limited, and why", tuple(blocks))


def _examples(group: pd.DataFrame, setup: Setup) -> tuple[str, str]:
    cells = "; ".join(f"{cell} %" for cell in most_affected(group, setup))
    return cells, plain(first_reason(group))


def evidence_section(data: ReportData, setup: Setup) -> Section:
    """Return the last round cell by cell, for the tuner."""
    last = data.rounds[-1]
    is_shown = last.cells["confidence"].isin(KNOWN) | last.cells["step_pct"].ne(0)
    shown = last.cells[is_shown]
    rows = tuple(_evidence_row(row) for row in shown.to_dict("records"))
    head = ("rpm", setup.axes.load_unit, "holds", "deviation %", "95 % interval", "step %",
            "grid %", "confidence", "why")  # fmt: skip
    left = len(last.cells) - len(shown)
    words = f"{counted(left, 'cell')} without evidence and without change are not shown."
    # on paper the reason has deviation, interval and confidence, and the map above has the grid
    printed = _needs_paper(shown, last.binding).to_numpy()
    if printed.size > printed.sum():
        words += f" Printed: the {printed.sum()} that change, were limited or are in doubt."
    table = DataTable(f"Cells of {last.name}", head, rows, frozenset(range(1, 7)),
                      screen_rows=frozenset(np.flatnonzero(~printed).tolist()),
                      screen_columns=frozenset({3, 4, 6, 7}))  # fmt: skip
    logs = tuple((plain(name), sha256) for name, sha256 in last.logs)
    blocks: list[Block] = [Paragraphs((words,)), table]
    if logs:
        blocks.append(DataTable("Logs", ("log", "SHA-256"), logs))
    if last.notes:
        blocks.append(Bullets(tuple(plain(note) for note in last.notes)))
    return Section("Evidence, cell by cell", tuple(blocks))


def _needs_paper(cells: pd.DataFrame, binding: pd.DataFrame) -> pd.Series:
    """Return which cells a printed page lists: changed, limited, or of low confidence."""
    real = binding.loc[binding["rule"] != ROUNDING, ["rpm", "load"]]
    is_limited = pd.MultiIndex.from_frame(cells[["rpm", "load"]]).isin(
        pd.MultiIndex.from_frame(real)
    )
    return cells["step_pct"].ne(0) | cells["confidence"].eq("low") | is_limited


def _evidence_row(row: dict[object, object]) -> tuple[str, ...]:
    low, high = (_signed(row[name]) for name in ("ci_low_pct", "ci_high_pct"))
    return (
        f"{row['rpm']:g}", f"{row['load']:g}", f"{row['holds']:.0f}", _signed(row["deviation_pct"]),
        f"{low or '...'} to {high or '...'}" if low or high else "",
        _signed(row["step_pct"]), _signed(row["grid_pct"]), str(row["confidence"]),
        plain(str(row["reason"])),
    )  # fmt: skip


def _signed(value: object) -> str:
    return signed(float(str(value)), wide=True)
