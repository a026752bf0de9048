"""A proposal as the contents of its four files, checked once more in the form they are read in."""

from __future__ import annotations

import csv
import io
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from tuneassist import __version__
from tuneassist.correction import check_grid, unsafe_record
from tuneassist.errors import RuleBreachError
from tuneassist.files.grid_file import write_grid_text
from tuneassist.files.text import frame_csv, stable_json
from tuneassist.grid import Axes, Floats, Grid, compose_pct
from tuneassist.pipeline import Proposal, checker_objection
from tuneassist.reading import Log
from tuneassist.settings import as_plain
from tuneassist.show.check import column_record, evidence_record
from tuneassist.show.proposal import fate_shares

DECIMALS = 10
"""Digits of a percent in ``step.csv`` and ``grid.csv``: only the noise of doubles is left out."""
MISMATCH_PCT = 1e-6
"""How far current grid, step and new grid may be from composing, as written. [%]"""


@dataclass(frozen=True)
class InputFile:
    """A file that a proposal rests on.

    Parameters
    ----------
    role
        "setup", "target", "grid" or "log".
    name
        As it was typed, or the name that tells it from the other logs.
    sha256
        Of its bytes.
    """

    role: str
    name: str
    sha256: str


def proposal_contents(
    proposal: Proposal,
    *,
    logs: Sequence[Log],
    inputs: Sequence[InputFile],
    in_force: str,
    is_simulated: bool,
    has_halted: bool = False,
) -> dict[str, str]:
    """Return the four files' contents.

    Parameters
    ----------
    proposal
        What was proposed.
    logs
        The logs as read.
    inputs
        Every file that it rests on.
    in_force
        Which grid was taken to be in the controller, in words.
    is_simulated
        Whether label or logs say so.
    has_halted
        The loop has halted: the grid in force is written as it is, whatever the rules would have
        changed.

    Raises
    ------
    RuleBreachError
        When the grid, read back from the text that would be written, breaks a rule or is not what
        step and current grid compose to.
    """
    axes = proposal.setup.axes
    step = np.round(proposal.limited.step_pct.reshape(axes.shape), DECIMALS)
    step_text = write_grid_text(Grid(axes, step))
    grid_text = write_grid_text(Grid(axes, np.round(proposal.grid.values, DECIMALS)))
    if has_halted and step.any():
        raise RuleBreachError("A halted round may change nothing; nothing is written.")
    check_as_written(proposal, step_text=step_text, grid_text=grid_text, has_halted=has_halted)
    record = {
        **proposal_record(proposal, logs=logs, inputs=inputs, is_simulated=is_simulated),
        "grid_in_force": in_force,
    }
    return {
        "step.csv": step_text,
        "grid.csv": grid_text,
        "cells.csv": frame_csv(proposal.to_frame(), exact=("rpm", "load")),
        "proposal.json": stable_json(record),
    }


def check_as_written(
    proposal: Proposal, *, step_text: str, grid_text: str, has_halted: bool = False
) -> None:
    """Hold the grid against every rule in the form in which it will be read.

    After a halt only that it is the grid in force: a rule that asks for a change gets none.

    The text is read back by another reader than the program's own, and the checker gets what that
    reader saw.
    """
    axes = proposal.setup.axes
    new, step = _read_back(grid_text, axes), _read_back(step_text, axes)
    if not has_halted:
        breaches = check_grid(
            Grid(axes, new),
            current=proposal.current,
            setup=proposal.setup,
            cells=proposal.limited.source,
        )
        if breaches:
            raise checker_objection(breaches)
    composed = compose_pct(proposal.current.values, step)
    apart = np.abs(composed - new)
    is_value = np.isfinite(proposal.current.values)
    if (np.isfinite(new) != is_value).any() or (apart[is_value] > MISMATCH_PCT).any():
        raise RuleBreachError(
            "The step does not compose with the grid in force to the new grid; nothing is written."
        )


def _read_back(text: str, axes: Axes) -> Floats:
    rows = list(csv.reader(io.StringIO(text)))[1:]
    values = [[float(cell) if cell else np.nan for cell in row[1:]] for row in rows]
    if [len(row) for row in values] != [axes.shape[1]] * axes.shape[0]:
        raise RuleBreachError("The grid as written has another shape; nothing is written.")
    return np.array(values)


def proposal_record(
    proposal: Proposal, *, logs: Sequence[Log], inputs: Sequence[InputFile], is_simulated: bool
) -> dict[str, Any]:
    """Return everything that made a proposal, as plain values for ``proposal.json``."""
    evidence = proposal.evidence
    record: dict[str, Any] = {
        "program": "tuneassist",
        "version": __version__,
        "made_at": datetime.now(UTC).isoformat(timespec="seconds"),
        "label": proposal.setup.engine.label,
    }
    if is_simulated:
        record["simulated"] = True
    found = {log.name: log for log in evidence.logs}
    return {
        **record,
        "inputs": [as_plain(file) for file in inputs],
        "current_grid_pct": as_plain(proposal.current.values),
        "logs": [
            {**_log_record(log), "evidence": evidence_record(found[log.name])} for log in logs
        ],
        "logs_given": len(evidence.logs) + len(evidence.unusable),
        "set_aside": dict(evidence.unusable),
        "logs_set_aside": dict(evidence.set_aside),
        "notes": list(evidence.notes),
        "limits_that_acted": proposal.limited.binding.to_dict("records"),
        "needs_less_fuel": _less_fuel(proposal),
        "checked": "grid.csv, read back from its text, breaks no rule",
        "settings": as_plain(proposal.setup),
    }


def _log_record(log: Log) -> dict[str, Any]:
    return {
        "name": log.name,
        "sha256": log.sha256,
        "rows_read": log.rows_read,
        "rows_kept": log.rows_kept,
        "rows_dropped_in_reading": dict(log.dropped),
        "dialect": as_plain(log.dialect),
        "channels": [column_record(column) for column in log.columns],
        "notes": list(log.notes),
    }


def _less_fuel(proposal: Proposal) -> list[dict[Hashable, Any]]:
    cells = proposal.cells
    rows = cells[cells["needs_less_fuel_pct"] > 0]
    return rows[["rpm", "load", "needs_less_fuel_pct"]].to_dict("records")


def proposal_summary(
    proposal: Proposal,
    *,
    logs: Sequence[Log],
    files: Mapping[str, Path],
    notes: Sequence[str],
    in_force: str,
    is_simulated: bool,
) -> dict[str, Any]:
    """Return what ``propose --json`` prints."""
    cells, evidence = proposal.cells, proposal.evidence
    words = cells["confidence"].astype(str).value_counts()
    acted = proposal.limited.binding["rule"].value_counts()
    step = proposal.limited.step_pct
    summary: dict[str, Any] = {"version": __version__, "label": proposal.setup.engine.label}
    if is_simulated:
        summary["simulated"] = True
    return {
        **summary,
        "grid_in_force": in_force,
        "logs": [log.name for log in logs],
        "set_aside": dict(evidence.unusable),
        "logs_set_aside": dict(evidence.set_aside),
        "samples": fate_shares(evidence.fates),
        "holds": len(evidence.holds),
        "cells": {
            "total": len(cells),
            "changed": int((step != 0).sum()),
            "confidence": {w: int(words.get(w, 0)) for w in ("good", "fair", "low", "none")},
        },
        "largest_step_pct": {"up": float(max(step.max(), 0)), "down": float(min(step.min(), 0))},
        "limits_that_acted": {str(rule): int(count) for rule, count in acted.items()},
        **unsafe_record(proposal.unsafe_held),
        "notes": list(notes),
        "files": {name: str(path) for name, path in files.items()},
    }
