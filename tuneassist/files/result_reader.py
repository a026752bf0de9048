"""A proposal's folder read back: its cells, its grids, and the setup then in force."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd

from tuneassist.errors import InputError, TuneassistError
from tuneassist.files.boost_columns import FUEL_COLUMN, boost_of
from tuneassist.files.grid_file import read_grid
from tuneassist.files.json_file import built, parse_record
from tuneassist.files.result_writer import RESULT_FILES
from tuneassist.files.round_files import (
    MISMATCH_PCT,
    RoundFiles,
    differing_cell,
    fuel_grid,
    text_table,
)
from tuneassist.files.safe_files import path_inside, snippet
from tuneassist.files.serialise import require_number
from tuneassist.grid import Floats, Grid, compose_pct
from tuneassist.inert import from_sheet_text
from tuneassist.loop.history_changes import FUEL_FILE
from tuneassist.settings import Setup

_NUMBERS = (
    "rpm", "load", "samples", "holds", "effective_n", "deviation_pct", "ci_low_pct",
    "ci_high_pct", "raw_pct", "step_pct", "grid_pct",
)  # fmt: skip
_WORDS = ("confidence", "reason")
CONFIDENCES = ("none", "low", "fair", "good")
FUEL = "fuel_to_take_away"
"""Section of a record that names the grid of fuel to take away."""
ROUNDED = 0.5e-4
"""Version 0.1.0 rounded the breakpoints of cells.csv to four decimals. [rpm], [load unit]"""
BINDING = ("rule", "rpm", "load", "would_have_got_pct", "got_pct", "words")


@dataclass(frozen=True, eq=False)
class ResultFolder:
    """A proposal as it was written.

    Parameters
    ----------
    path
        The folder.
    setup
        The setup in force when it was made.
    record
        ``proposal.json``.
    cells
        ``cells.csv`` in cell order, with ``target_lambda``.
    current, step, grid
        The grid in force, the change, and the grid after it. [%]
    fuel
        Fuel to take away beside a boost step; None without it. [% of fuel quantity]
    fuel_before
        What was taken away before it; None without it. [% of fuel quantity]
    """

    path: Path
    setup: Setup
    record: Mapping[str, Any]
    cells: pd.DataFrame
    current: Grid
    step: Grid
    grid: Grid
    fuel: Grid | None = None
    fuel_before: Grid | None = None

    @property
    def is_simulated(self) -> bool:
        """Whether its record marks the data as simulated."""
        return bool(self.record.get("simulated", False))

    @property
    def binding(self) -> pd.DataFrame:
        """The steps that rules held back, one row per cell and rule."""
        return pd.DataFrame(self.record.get("limits_that_acted", []), columns=list(BINDING))


def is_result(folder: Path) -> bool:
    """Return whether a folder holds the four files of a proposal."""
    return all((folder / name).is_file() for name in RESULT_FILES)


def read_result(folder: Path, *, known: Mapping[str, str] | None = None) -> ResultFolder:
    """Read a proposal's folder.

    Parameters
    ----------
    folder
        The folder.
    known
        Name to fingerprint of each file, where a tune's history has them.

    Raises
    ------
    InputError
        When a file is missing or invalid, or does not fit the others.
    """
    _require_files(folder)
    files, where = RoundFiles(folder, known or {}), str(folder / "proposal.json")
    record = parse_record(files.read("proposal.json"), where=where)
    try:
        setup = setup_of_record(record["settings"])
        current = Grid(setup.axes, np.array(record["current_grid_pct"], dtype=float))
        fuel_before = _fuel_before(record, setup)
        _check_lists(record)
    except TuneassistError as error:
        raise InputError(str(error), where=where) from error
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
        raise InputError(
            f"its settings cannot be read: {snippet(repr(error), 120)}.",
            where=where,
            mend="Make the proposal again with this version of the program.",
        ) from error
    step = files.grid("step.csv", setup.axes)
    grid = read_grid(path_inside(folder, "grid.csv"), axes=setup.axes)
    cells = cells_of(files.read("cells.csv"), setup, where=str(folder / "cells.csv"))
    for name, values in (("step", step), ("grid", grid)):
        _require_same(cells[f"{name}_pct"].to_numpy(dtype=float), values, name, folder)
    if cell := differing_cell(grid, Grid(setup.axes, compose_pct(current.values, step.values))):
        raise InputError(
            f"this is not the grid that was proposed: {cell}.",
            where=str(folder / "grid.csv"),
            mend="Restore it as it was written, or make the proposal again.",
        )
    fuel = None if fuel_before is None else fuel_grid(files, setup.axes)
    if fuel is not None and FUEL_COLUMN in cells:
        told = cells[FUEL_COLUMN].to_numpy(dtype=float)
        _require_same(told, fuel, FUEL_FILE.removesuffix(".csv"), folder)
    return ResultFolder(
        folder, setup, record, cells, current, step, grid, fuel=fuel, fuel_before=fuel_before
    )


def _require_files(folder: Path) -> None:
    missing = [name for name in RESULT_FILES if not (folder / name).is_file()]
    if missing:
        raise InputError(
            f"this is not a result of `propose`: {', '.join(missing)} is missing.",
            where=str(folder),
            mend="Name the folder that `tuneassist propose` or `tuneassist rounds start` wrote.",
        )


def _fuel_before(record: Mapping[str, Any], setup: Setup) -> Grid | None:
    """Return what the fuel table took away already; None where no fuel is taken away."""
    if FUEL not in record:
        return None
    return Grid(setup.axes, np.array(record[FUEL]["in_force_pct"], dtype=float))


_PLACE = ("rpm", "load")
_LISTS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "inputs": (),
        "limits_that_acted": (*_PLACE, "would_have_got_pct", "got_pct"),
        "needs_less_fuel": (*_PLACE, "needs_less_fuel_pct"),
        "exceeded_ceilings": (*_PLACE, "cells"),
    }
)
"""Lists of a record that a report shows, with the numbers of each entry."""


def _check_lists(record: Mapping[str, Any]) -> None:
    """Refuse entries of another shape than they were written in."""
    for name, numbers in _LISTS.items():
        for one in record.get(name, ()):
            for key in numbers:
                require_number(one[key])
    for one in record.get("inputs", ()):
        if not all(isinstance(one[key], str) for key in ("role", "name", "sha256")):
            raise TypeError("an input has no name or fingerprint")
    if not all(isinstance(one["words"], str) for one in record.get("exceeded_ceilings", ())):
        raise TypeError("an exceeded ceiling has no words")
    if not isinstance(record.get("notes", []), list):
        raise TypeError("the notes are not a list")


def cells_of(data: bytes, setup: Setup, *, where: str) -> pd.DataFrame:
    """Read ``cells.csv`` as written, with boost in kPa where it has boost; others are ignored.

    Parameters
    ----------
    data
        The file's content.
    setup
        Whose axes and target it has.
    where
        The file, for messages.

    Raises
    ------
    InputError
        When it is invalid.
    """
    try:
        table = text_table(data)
    except (ValueError, OverflowError) as error:
        raise InputError(
            f"the table cannot be read: {snippet(error, 120)}.", where=where
        ) from error
    lacking = [name for name in (*_NUMBERS, *_WORDS) if name not in table]
    if lacking:
        raise InputError(
            f"the columns {', '.join(lacking)} are missing.",
            where=where,
            mend="Restore the file as `propose` wrote it; a spreadsheet may have saved it again.",
        )
    try:
        numbers = {name: pd.to_numeric(table[name].replace("", None)) for name in _NUMBERS}
    except ValueError as error:
        raise InputError(f"a value is not a number: {snippet(error, 120)}.", where=where) from error
    cells = pd.DataFrame({**numbers, **{name: table[name].map(from_sheet_text) for name in _WORDS}})
    cells[list(_NUMBERS)] = cells[list(_NUMBERS)].astype(float)
    places = np.stack([setup.axes.cell_rpm(), setup.axes.cell_load()], axis=1)
    found = cells[["rpm", "load"]].to_numpy(dtype=float)
    if found.shape != places.shape or not np.allclose(found, places, atol=ROUNDED):
        raise InputError(
            "its cells are not those of the setup's axes, in their order.", where=where
        )
    if not cells["confidence"].isin(CONFIDENCES).all():
        raise InputError(f"a confidence is not one of {', '.join(CONFIDENCES)}.", where=where)
    return cells.assign(
        rpm=places[:, 0],
        load=places[:, 1],
        target_lambda=setup.target.table.ravel(),
        **boost_of(table, where=where),
    )


def _require_same(written: Floats, grid: Grid, name: str, folder: Path) -> None:
    """Refuse cells.csv and a grid file that do not agree."""
    values = grid.flat()
    apart = np.abs(written - values)
    both = np.isfinite(written) & np.isfinite(values)
    if (np.isfinite(written) != np.isfinite(values)).any() or (apart[both] > MISMATCH_PCT).any():
        raise InputError(
            f"cells.csv and {name}.csv do not agree.",
            where=str(folder),
            mend="Restore both as they were written: one of them was changed.",
        )


def setup_of_record(plain: Mapping[str, Any]) -> Setup:
    """Build a setup from the settings kept in ``proposal.json``; inverse of `as_plain`.

    Parameters
    ----------
    plain
        The record's ``settings``.
    """
    return built(Setup, plain)
