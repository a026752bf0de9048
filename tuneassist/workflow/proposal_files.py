"""The contents of a proposal's files, checked again as they will be read."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from tuneassist import __version__
from tuneassist.correction import check_grid, unsafe_record
from tuneassist.errors import RuleBreachError
from tuneassist.files.boost_columns import in_unit
from tuneassist.files.grid_file import write_grid_text
from tuneassist.files.serialise import frame_csv, stable_json
from tuneassist.grid import Grid
from tuneassist.loop.exceeded_ceilings import exceeded_ceilings
from tuneassist.one_log import is_by_hand
from tuneassist.pipeline import Proposal, checker_objection
from tuneassist.reading import Log
from tuneassist.settings import as_plain
from tuneassist.show.boost_picture import boost_unit
from tuneassist.show.check import column_record, evidence_record
from tuneassist.show.proposal import outcome_shares
from tuneassist.workflow import boost_files
from tuneassist.workflow.as_written import DECIMALS, read_back, require_composed


@dataclass(frozen=True)
class InputFile:
    """A file that a proposal is based on.

    Parameters
    ----------
    role
        "setup", "target", "grid" or "log".
    name
        As typed, or the distinct name of a log.
    sha256
        Hash of its bytes.
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
    as_read: Sequence[Mapping[str, Any]] = (),
) -> dict[str, str]:
    """Return the contents of the four files by name, and of a boost grid's fuel to take away.

    Parameters
    ----------
    proposal
        What was proposed.
    logs
        The logs as read.
    inputs
        Every file that it is based on.
    in_force
        The grid in force, in words.
    is_simulated
        Whether label or logs say that the data are simulated.
    has_halted
        Whether the loop has halted: then the grid in force is written unchanged.
    as_read
        Earlier records of the logs, where they are not at hand.

    Raises
    ------
    RuleBreachError
        When the grid, read back from its text, breaks a rule or does not equal grid in force and
        step composed.
    """
    axes = proposal.setup.axes
    step = np.round(proposal.limited.step_pct.reshape(axes.shape), DECIMALS)
    step_text = write_grid_text(Grid(axes, step))
    grid_text = write_grid_text(Grid(axes, np.round(proposal.grid.values, DECIMALS)))
    if has_halted and step.any():
        raise RuleBreachError("A halted round must not change the grid; nothing was written.")
    check_as_written(proposal, step_text=step_text, grid_text=grid_text, has_halted=has_halted)
    beside = boost_files.fuel_contents(proposal)
    unit = boost_unit(proposal.setup, logs, as_read)
    cells = in_unit(proposal.to_frame(), unit)
    record = {
        **proposal_record(proposal, logs=logs, inputs=inputs, is_simulated=is_simulated),
        **boost_files.boost_record(proposal, unit),
        "grid_in_force": in_force,
    }
    return {
        "step.csv": step_text,
        "grid.csv": grid_text,
        "cells.csv": frame_csv(cells, exact=("rpm", "load")),
        **beside,
        "proposal.json": stable_json(record),
    }


def check_as_written(
    proposal: Proposal, *, step_text: str, grid_text: str, has_halted: bool = False
) -> None:
    """Check the grid against every rule, as it will be read from its file.

    The text is read by an independent reader, and the checker gets its values. After a halt the
    only check is that the grid in force is unchanged.

    Parameters
    ----------
    proposal
        What was proposed.
    step_text, grid_text
        Contents of ``step.csv`` and ``grid.csv``.
    has_halted
        Whether the loop has halted.

    Raises
    ------
    RuleBreachError
        When the grid breaks a rule, or grid in force and step do not compose to it.
    """
    axes = proposal.setup.axes
    new, step = read_back(grid_text, axes), read_back(step_text, axes)
    if not has_halted:
        breaches = check_grid(
            Grid(axes, new),
            current=proposal.current,
            setup=proposal.setup,
            cells=proposal.limited.source,
        )
        if breaches:
            raise checker_objection(breaches)
    require_composed(new, proposal.current, step)


def proposal_record(
    proposal: Proposal, *, logs: Sequence[Log], inputs: Sequence[InputFile], is_simulated: bool
) -> dict[str, Any]:
    """Return the contents of ``proposal.json``; parameters as for `proposal_contents`."""
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
        **_spots_record(proposal),
        "logs_given": sum(not is_by_hand(log) for log in evidence.logs) + len(evidence.unusable),
        "set_aside": dict(evidence.unusable),
        "logs_set_aside": dict(evidence.set_aside),
        "notes": list(evidence.notes),
        "limits_that_acted": proposal.limited.binding.to_dict("records"),
        "needs_less_fuel": _less_fuel(proposal),
        "exceeded_ceilings": as_plain(exceeded_ceilings(evidence.logs, proposal.setup)),
        "checked": "grid.csv, read back from its text, breaks no rule",
        "settings": as_plain(proposal.setup),
    }


def _spots_record(proposal: Proposal) -> dict[str, Any]:
    """Values found by hand, one record per file; nothing without any."""
    found = [
        {
            "name": log.name,
            "spots": log.samples,
            "spots_by_fate": {str(name): int(n) for name, n in log.fates.items() if n},
            "used": len(log.holds),
            "notes": list(log.notes),
        }
        for log in proposal.evidence.logs
        if is_by_hand(log)
    ]
    return {"spots": found} if found else {}


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
    """Return what ``propose --json`` prints.

    Parameters
    ----------
    proposal, logs, in_force, is_simulated
        As for `proposal_contents`.
    files
        The four files by name.
    notes
        Notes on the evidence.
    """
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
        "samples": outcome_shares(evidence.fates),
        "holds": len(evidence.holds),
        "cells": {
            "total": len(cells),
            "changed": int((step != 0).sum()),
            "confidence": {w: int(words.get(w, 0)) for w in ("good", "fair", "low", "none")},
        },
        "largest_step_pct": {"up": float(max(step.max(), 0)), "down": float(min(step.min(), 0))},
        "limits_that_acted": {str(rule): int(count) for rule, count in acted.items()},
        **unsafe_record(proposal.unsafe_held),
        **boost_files.boost_record(proposal, boost_unit(proposal.setup, logs)),
        "notes": list(notes),
        "files": {name: str(path) for name, path in files.items()},
    }
