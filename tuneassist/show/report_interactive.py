"""The data of the page's map that answers a touch: every cell, its holds, and samples over time.

What a cell shows in each view is decided by `tuneassist.show.cell_picture`, as for every other map;
the script on the page only puts it in place.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from tuneassist.correction.cell_readings import in_boost
from tuneassist.correction.limiter_input import build_limiter_input
from tuneassist.evidence.need import correction_need_ln
from tuneassist.grid import Floats, Grid, bilinear_weights, step_between_pct
from tuneassist.inert import inert
from tuneassist.loop.settings import PlanSettings
from tuneassist.settings import Setup
from tuneassist.show.cell_picture import (
    CellPicture,
    CellShown,
    deviation_picture,
    grid_picture,
    step_picture,
    text_of,
)
from tuneassist.show.display import CellMark, depth_of
from tuneassist.show.figures.drawing import MARKS
from tuneassist.show.labels import outcome_words
from tuneassist.show.map_legend import confidence_words, state_words
from tuneassist.show.report_data import NO_BINDING, ReportData, ReportRound

MOST_POINTS = 8_000
"""Samples over time on one page; more are thinned evenly. [1]"""
MOST_HOLDS = 1_000
"""Holds on one page, the last ones. [1]"""
NEAR = 0.05
"""A hold is shown with a cell that takes at least this share of it. [1]"""
AT_LIMIT = 0.005
"""A predicted lambda so near its limit is marked. [lambda]"""
NO_LIMIT = 3.0
"""A leanest lambda from here on limits nothing that burns. [lambda]"""
LEAST_WORTH = 0.5
"""A cell without holds of its own counts as so many when more are reckoned. [1]"""
NOT_LOADED = ("rejected", "edited")
"""States of a proposal whose step is not in the controller."""
_DEPTH = {"fair": -1, "low": -2}
"""Shade of how sure a cell is: only exceptions have one."""


def page_data(data: ReportData, setup: Setup) -> dict[str, Any]:
    """Return what the page's script needs, as plain values.

    Parameters
    ----------
    data
        The parts of the report, with at least one round.
    setup
        Of the tune or proposal.
    """
    axes = setup.axes
    last = _as_loaded(data)
    cells = _with_lambda(last, setup)
    holds = _holds(data, cells, setup)
    return {
        "rpm": axes.rpm.tolist(),
        "load": axes.load.tolist(),
        "unit": axes.load_unit,
        "views": [_view(*one) for one in _views(last, cells, setup)],
        "cells": _cells(cells, setup, holds),
        "holds": [] if holds is None else _records(holds),
        "trace": _trace(data.traces),
        "kind": setup.target.kind,
        "unsafe": 1 if setup.engine.ignition == "spark" else -1,
        "tolerance": setup.correction.tolerance_pct,
    }


def _as_loaded(data: ReportData) -> ReportRound:
    """Return the last round; where its step is not in the controller, with what is there."""
    last, held = data.rounds[-1], data.controller_grid
    if held is None or (last.fate not in NOT_LOADED and not last.is_halt):
        return last
    is_other = last.fate == "edited"  # what to expect of a grid made by hand is not calculated
    now, grid = _in_force(last.cells), held.grid.flat()
    cells = last.cells.assign(step_pct=step_between_pct(now, grid), grid_pct=grid)
    expected = cells.assign(deviation_pct=np.nan) if is_other else cells
    return replace(last, cells=cells, expected=expected, binding=NO_BINDING)


def _in_force(cells: pd.DataFrame) -> Floats:
    """Return the grid under which the cells were logged, from step and grid. [%]"""
    step, grid = (cells[name].to_numpy(dtype=float) for name in ("step_pct", "grid_pct"))
    return np.asarray(step_between_pct(step, grid))


def safe_json(record: Mapping[str, Any]) -> str:
    """Return JSON that cannot end the element it stands in, whatever its texts hold.

    Examples
    --------
    >>> safe_json({"a": "</script><!--"})
    '{"a":"\\\\u003c/script\\\\u003e\\\\u003c!--"}'
    """
    text = json.dumps(record, separators=(",", ":"), allow_nan=False)
    for mark in "<>&":
        text = text.replace(mark, f"\\u{ord(mark):04x}")
    return text


def _with_lambda(last: ReportRound, setup: Setup) -> pd.DataFrame:
    """Add the grid before the step, lambda before and after it, and the limits of lambda."""
    cells, target = last.cells, last.cells["target_lambda"]
    now = _in_force(cells)
    raw = cells.assign(raw_pct=cells["raw_pct"].fillna(0.0))
    current = Grid(setup.axes, now.reshape(setup.axes.shape))
    limits = build_limiter_input(raw, current=current, setup=setup)
    leanest = limits.tightest("leanest_lambda").values  # noqa: PD011 - not a frame
    boost = in_boost(cells, setup.axes, setup.limits)
    if setup.engine.ignition == "spark":
        own = setup.limits.boost_leanest_lambda
        leanest = np.where(boost, np.minimum(leanest, own), leanest)
    expected = last.expected["deviation_pct"]
    return cells.assign(
        now_pct=now,
        expected_pct=expected,
        lambda_before=target * (1.0 + cells["deviation_pct"] / 100.0),
        lambda_after=target * (1.0 + expected / 100.0),
        richest=limits.tightest("richest_lambda", largest=True).values,
        leanest=leanest,
        boost=boost,
    )


def _views(
    last: ReportRound, cells: pd.DataFrame, setup: Setup
) -> list[tuple[str, str, str, CellPicture]]:
    """Return name, label, legend and picture of each view of the map."""
    is_open = last.fate == "proposed" and last.is_step
    after = "proposed, not loaded yet" if is_open else "in the controller, as reported"
    is_void = last.fate in NOT_LOADED or last.is_halt
    no_step = f"The step of {last.name} is not in the controller; shown is what was loaded. "
    side = "leaner" if setup.engine.ignition == "spark" else "richer"
    floor = " (the floor)" if setup.target.kind == "floor" else ""
    deviations, intervals = deviation_picture(cells, setup), _interval_picture(cells, setup)
    return [
        ("deviation", "Deviation", f"Percent from target{floor}: + leaner, - richer. Orange with a "
         f"corner: {side}, the unsafe side. {marks_note(deviations)}", deviations),
        ("interval", "How sure", "Half of the 95 % interval, percent: the smaller, the surer. "
         f"Blue: fair or low confidence. {marks_note(intervals)}", intervals),
        ("step", "Step", f"{no_step if is_void else ''}Step in percent; ! held back by a limit. "
         "Orange with a corner: the unsafe way.", _step_picture(last, cells, setup)),
        ("grid", "Grid", f"The whole grid {after}, percent.",
         grid_picture(cells["grid_pct"], setup)),
        ("lambda", "Lambda after", "Lambda to expect after the step, calculated and not measured; "
         "! at or beyond a limit. Coloured by its distance from target.",
         _lambda_picture(cells, setup)),
    ]  # fmt: skip


def marks_note(picture: CellPicture) -> str:
    """Explain the marks of a view, those it shows and no others; empty where it has none."""
    words = [*confidence_words(picture, MARKS), *state_words(picture, MARKS)]
    return f"{'; '.join(words)}." if words else ""


def _step_picture(last: ReportRound, cells: pd.DataFrame, setup: Setup) -> CellPicture:
    """Show a step of exactly zero as 0."""
    shown = step_picture(cells, last.binding, setup).cells
    return CellPicture(
        setup.axes, tuple(replace(one, text="0") if one.short == "0" else one for one in shown)
    )


def _interval_picture(cells: pd.DataFrame, setup: Setup) -> CellPicture:
    plain = deviation_picture(cells, setup).cells
    half = _half_width(cells)
    shown = [
        replace(one, text=f"{width:.1f}", shade=_DEPTH.get(str(word), 0))
        if math.isfinite(width)
        else one
        for one, width, word in zip(plain, half, cells["confidence"], strict=True)
    ]
    return CellPicture(setup.axes, tuple(shown))


def _lambda_picture(cells: pd.DataFrame, setup: Setup) -> CellPicture:
    sign = 1 if setup.engine.ignition == "spark" else -1
    plain = deviation_picture(cells, setup).cells
    names = ("lambda_after", "expected_pct", "richest", "leanest")
    columns = zip(*(cells[name].to_numpy(dtype=float) for name in names), strict=True)
    shown = []
    for one, (value, off, rich, lean) in zip(plain, columns, strict=True):
        if not math.isfinite(value):
            kept = one.state == "value"
            shown.append(replace(one, state="nothing", text="", mark="", shade=0) if kept else one)
            continue
        is_near = value <= rich + AT_LIMIT or value >= lean - AT_LIMIT
        is_spared = setup.target.kind == "floor" and off > 0
        depth = 0 if is_spared else depth_of(off, unsafe_sign=sign)
        note = "at or beyond a limit of lambda" if is_near else ""
        mark: CellMark = "held" if is_near else ""
        shown.append(CellShown("value", f"{value:.3f}", f"{value:.3f}", mark, depth, note))
    return CellPicture(setup.axes, tuple(shown))


def _view(name: str, label: str, note: str, picture: CellPicture) -> dict[str, Any]:
    return {
        "name": name,
        "label": label,
        "note": note,
        "cells": [_shown(one) for one in picture.cells],
    }


def _shown(one: CellShown) -> list[Any]:
    """Return text, tone, mark and note of a cell."""
    return [text_of(one, MARKS), tone_of(one), MARKS.mark(one.mark), one.note]


def tone_of(one: CellShown) -> str:
    """Return the name of a cell's colour: "u1" to "u3" unsafe, "s1" to "s3" safe, "" or "n"."""
    if one.state != "value":
        return "n"
    return f"{'u' if one.shade > 0 else 's'}{abs(one.shade)}" if one.shade else ""


def _half_width(cells: pd.DataFrame) -> Floats:
    return 0.5 * (cells["ci_high_pct"] - cells["ci_low_pct"]).to_numpy(dtype=float)


def _cells(cells: pd.DataFrame, setup: Setup, holds: pd.DataFrame | None) -> list[dict[str, Any]]:
    near = _holds_near(holds, setup)
    half = _half_width(cells)
    return [
        {
            "dev": _number(row["deviation_pct"]),
            "low": _number(row["ci_low_pct"]),
            "high": _number(row["ci_high_pct"]),
            "expected": _number(row["expected_pct"]),
            "now": _number(row["now_pct"]),
            "step": _number(row["step_pct"]),
            "grid": _number(row["grid_pct"]),
            "target": _number(row["target_lambda"], 3),
            "before": _number(row["lambda_before"], 3),
            "after": _number(row["lambda_after"], 3),
            "rich": _number(row["richest"], 3),
            "lean": _number(row["leanest"], 3) if row["leanest"] < NO_LIMIT else None,
            "boost": bool(row["boost"]),
            "confidence": str(row["confidence"]),
            "samples": int(row["samples"]),
            "count": len(near[cell]) if holds is not None else int(row["holds"]),
            "why": inert(str(row["reason"])),
            "surer": surer_words(row, float(half[cell]), setup),
            "holds": near[cell],
        }
        for cell, row in enumerate(cells.to_dict("records"))
    ]


def surer_words(row: Mapping[Any, Any], half_pct: float, setup: Setup) -> str:
    """Say what would make a cell surer.

    Parameters
    ----------
    row
        The cell: ``target_lambda, confidence, effective_n, holds, deviation_pct`` and its interval.
    half_pct
        Half of its interval; nan where there is none. [%]
    setup
        The widths of the confidences.
    """
    hold_s = PlanSettings().hold_s
    if pd.isna(row["target_lambda"]):
        return "The cell has no target and is left alone."
    if pd.isna(row["deviation_pct"]) and not (
        pd.isna(row["ci_low_pct"]) and pd.isna(row["ci_high_pct"])
    ):
        return "A sensor that can show this mixture, or trims that are not at their limit."
    if row["confidence"] == "none" or not math.isfinite(half_pct):
        return f"Two holds of {hold_s:g} s in this cell, warm and steady: nothing is known yet."
    wanted = setup.correction.good_half_width_pct
    if row["confidence"] == "good" and half_pct <= wanted:
        return f"It is sure to ±{half_pct:.1f} %. Another hold of {hold_s:g} s here narrows it."
    worth = max(float(row["effective_n"]), LEAST_WORTH)
    more = max(1, math.ceil(worth * ((half_pct / wanted) ** 2 - 1.0)))
    holds = "One more hold" if more == 1 else f"Some {more} more holds"
    return (
        f"{holds} of {hold_s:g} s in this cell: it is sure to ±{half_pct:.1f} %, good is "
        f"±{wanted:g} %."
    )


def _holds(data: ReportData, cells: pd.DataFrame, setup: Setup) -> pd.DataFrame | None:
    """Return the holds with what they say under the grid in force now; None without times."""
    holds = data.residuals
    if holds is None or holds.empty or "start_s" not in holds:
        return None
    holds = holds.tail(MOST_HOLDS).reset_index(drop=True)
    now = Grid(setup.axes, np.nan_to_num(cells["now_pct"].to_numpy()).reshape(setup.axes.shape))
    met = correction_need_ln(now.at(holds["rpm"], holds["load"]), setup.correction.acts_on)
    left = np.expm1(holds["total_need_ln"].to_numpy(dtype=float) - met)
    logged = np.expm1(holds["need_ln"].to_numpy(dtype=float))
    return holds.assign(now_dev=100.0 * left, logged_dev=100.0 * logged)


def _records(holds: pd.DataFrame) -> list[list[Any]]:
    """Return each hold: log, start, end, rpm, load, deviations, residual, whether it counts."""
    return [
        [
            inert(str(row["log"])),
            _number(row["start_s"], 1),
            _number(row["end_s"], 1),
            _number(row["rpm"], 0),
            _number(row["load"], 1),
            _number(row["logged_dev"]),
            _number(row["now_dev"]),
            _number(row["residual_pct"]),
            int(bool(row["is_used"])),
        ]
        for row in holds.to_dict("records")
    ]


def _holds_near(holds: pd.DataFrame | None, setup: Setup) -> list[list[int]]:
    """Return the numbers of the holds that touch each cell, the nearest first."""
    if holds is None:
        return [[] for _ in range(setup.axes.size)]
    weights = bilinear_weights(setup.axes, holds["rpm"], holds["load"]).tocsc()
    found = []
    for cell in range(setup.axes.size):
        part = slice(weights.indptr[cell], weights.indptr[cell + 1])
        share, which = weights.data[part], weights.indices[part]
        order = np.argsort(-share, kind="stable")
        found.append([int(which[one]) for one in order if share[one] >= NEAR])
    return found


def _trace(traces: pd.DataFrame | None) -> dict[str, Any]:
    """Return samples over time by log, as whole numbers: tenths of a second, hundredths of %."""
    if traces is None or traces.empty:
        return {"fates": [], "logs": {}}
    keep = max(1, math.ceil(len(traces) / MOST_POINTS))
    fates = list(dict.fromkeys(traces["fate"].astype(str)))
    logs = {}
    for name, rows in traces.groupby("log", sort=False):
        kept = rows.iloc[::keep]
        logs[inert(str(name))] = [
            _whole(kept["time_s"], 10),
            _whole(kept["rpm"], 1),
            _whole(kept["load"], 10),
            _whole(kept["deviation_pct"], 100),
            [fates.index(str(fate)) for fate in kept["fate"]],
        ]
    return {"fates": [[fate, outcome_words(fate)] for fate in fates], "logs": logs}


def _whole(values: pd.Series, factor: int) -> list[int | None]:
    numbers: Sequence[float] = (values.to_numpy(dtype=float) * factor).tolist()
    return [round(value) if math.isfinite(value) else None for value in numbers]


def _number(value: Any, digits: int = 4) -> float | None:
    """Round as ``cells.csv`` does; the page rounds once, as its tables do."""
    number = float(value)
    return round(number, digits) if math.isfinite(number) else None
