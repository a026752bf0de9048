"""What the files of a boost grid hold besides: the fuel to take away, and a record of both."""

from __future__ import annotations

from typing import Any

import numpy as np

from tuneassist.correction.boost_forecast import BASIS, UNREAD, barometer_words
from tuneassist.errors import RuleBreachError
from tuneassist.grid import Grid
from tuneassist.loop.history_changes import FUEL_FILE
from tuneassist.pipeline import Proposal, checker_objection, fuel_breaches
from tuneassist.settings import as_plain
from tuneassist.workflow.as_written import grid_text, read_back, require_composed


def fuel_contents(proposal: Proposal) -> dict[str, str]:
    """Return the content of the grid of fuel to take away by its file's name; empty without one.

    Parameters
    ----------
    proposal
        What was proposed.

    Raises
    ------
    RuleBreachError
        When the grid, read back from its text, breaks a rule for fuel, gives fuel, or is not the
        fuel grid in force and its step composed.
    """
    less = proposal.fuel
    if less is None:
        return {}
    axes, text = proposal.setup.axes, grid_text(less.grid)
    new = read_back(text, axes)
    if (new > 0).any():
        raise RuleBreachError(f"{FUEL_FILE} would give fuel; nothing was written.")
    breaches = fuel_breaches(less, Grid(axes, new))
    if breaches:
        raise checker_objection(breaches)
    require_composed(new, less.current, less.limited.step_pct.reshape(axes.shape))
    return {FUEL_FILE: text}


def boost_record(proposal: Proposal, unit: str) -> dict[str, Any]:
    """Return what ``proposal.json`` says of boost and of the fuel to take away.

    Parameters
    ----------
    proposal
        What was proposed; a fuel grid has nothing to say.
    unit
        Of the boost in ``cells.csv``.
    """
    cells = proposal.cells
    if BASIS not in cells:
        return {}
    record: dict[str, Any] = {
        "boost": {
            "unit": f"{unit} gauge",
            "counts_from": barometer_words(cells, proposal.setup),
            "cells_by_basis": {str(k): int(n) for k, n in cells[BASIS].value_counts().items()},
            "cells_without_a_reading": int(cells[BASIS].eq(UNREAD).sum()),
        }
    }
    less = proposal.fuel
    if less is None:
        return record
    return record | {
        "fuel_to_take_away": {
            "file": FUEL_FILE,
            "holds": "the whole grid for the fuel table, percent of fuel quantity, + is more fuel",
            "in_force_pct": as_plain(less.current.values),
            "cells": int((less.limited.step_pct != 0).sum()),
            "most_pct": float(np.nanmin(less.grid.values)),
            "limits_that_acted": less.limited.binding.to_dict("records"),
            "checked": f"{FUEL_FILE}, read back from its text, breaks no rule for fuel",
        }
    }
