"""The files of a round's folder, read once and checked against the history's fingerprints."""

from __future__ import annotations

import hashlib
import io
import warnings
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from tuneassist.errors import InputError
from tuneassist.files.grid_file import MAX_BYTES as MAX_GRID_BYTES
from tuneassist.files.grid_file import grid_of
from tuneassist.files.json_file import MAX_RECORD_BYTES
from tuneassist.files.safe_files import path_inside, read_bounded
from tuneassist.grid import Axes, Grid, compose_pct
from tuneassist.loop.history_changes import FUEL_FILE

MISMATCH_PCT = 0.01
"""How far a proposed grid may be from what step and grid in force compose to: a spreadsheet saves
the digits that it shows, and no controller takes finer ones. [%]"""
MAX_TABLE_BYTES = 64_000_000
"""Largest table of evidence read: 200 logs on 64 x 64 cells take some 50 MB of peaks. [byte]"""
PUT_BACK = (
    "Restore it from a copy, or take the round back with `tuneassist rounds undo` and add its "
    "logs again."
)


def sha256_of_bytes(data: bytes | str) -> str:
    """Fingerprint of a file's content: SHA-256, 64 hexadecimal digits."""
    return hashlib.sha256(data.encode("utf-8") if isinstance(data, str) else data).hexdigest()


def fingerprints(contents: Mapping[str, bytes | str]) -> tuple[tuple[str, str], ...]:
    """Return name and fingerprint of every file of a round, for its event."""
    return tuple((name, sha256_of_bytes(data)) for name, data in contents.items())


@dataclass(frozen=True)
class RoundFiles:
    """A round's folder.

    Parameters
    ----------
    folder
        The folder.
    known
        Name to fingerprint, as the history has it; empty where version 0.1.0 wrote the round.
    put_back
        What a message says of a file that was changed.
    """

    folder: Path
    known: Mapping[str, str] = field(default_factory=dict)
    put_back: str = PUT_BACK

    def read(self, name: str) -> bytes:
        """Read a file that must be unchanged.

        Raises
        ------
        InputError
            When it is missing, not a plain file, too large, or was changed.
        """
        data = self.bytes_of(name)
        if not self._is_as_written(name, data):
            raise InputError(
                "this file was changed since it was written.",
                where=str(self.folder / name),
                mend=self.put_back,
            )
        return data

    def grid(self, name: str, axes: Axes) -> Grid:
        """Read a grid that must be unchanged."""
        return grid_of(self.read(name), where=str(self.folder / name), axes=axes)

    def proposed(self, axes: Axes) -> Grid:
        """Read ``grid.csv``: as proposed, even if another program has saved it since.

        Raises
        ------
        InputError
            When it is not the composition of ``step.csv`` and ``in-force.csv``; names the cell.
        """
        data, where = self.bytes_of("grid.csv"), str(self.folder / "grid.csv")
        found = grid_of(data, where=where, axes=axes)
        before, step = (self.grid(name, axes) for name in ("in-force.csv", "step.csv"))
        composed = Grid(axes, compose_pct(before.values, step.values))
        if cell := differing_cell(found, composed):
            is_cut = "" if self._is_as_written("grid.csv", data) else ", and was changed since"
            raise InputError(
                f"this is not the grid that was proposed{is_cut}: {cell}.",
                where=where,
                mend=f"{PUT_BACK} If the controller holds other values than proposed, name "
                "their file: `tuneassist rounds accept --grid`.",
            )
        return found

    def bytes_of(self, name: str) -> bytes:
        """Read a file whether or not it was changed."""
        is_table = name in ("holds.csv", "blocks.csv", "peaks.csv")
        most = MAX_TABLE_BYTES if is_table else MAX_GRID_BYTES
        most = MAX_RECORD_BYTES if name.endswith((".json", "cells.csv")) else most
        return read_bounded(path_inside(self.folder, name), most=most)

    def _is_as_written(self, name: str, data: bytes) -> bool:
        if not self.known:
            return True
        return sha256_of_bytes(data) == self.known.get(name)


def fuel_grid(files: RoundFiles, axes: Axes) -> Grid:
    """Read a folder's fuel to take away, which must be unchanged.

    Parameters
    ----------
    files
        The folder.
    axes
        The breakpoints.

    Raises
    ------
    InputError
        When it is missing, was changed, has a blank cell or gives fuel; names the cell.
    """
    found = files.grid(FUEL_FILE, axes)
    wrong = ~(found.flat() <= 0.0)
    if not wrong.any():
        return found
    first = int(np.argmax(wrong))
    rpm, load = axes.cell_rpm()[first], axes.cell_load()[first]
    held = found.flat()[first]
    what = "is blank" if np.isnan(held) else f"gives {held:g} % of fuel"
    raise InputError(
        f"this grid only takes fuel away, and the cell at {rpm:g} rpm, {load:g} {what}.",
        where=str(files.folder / FUEL_FILE),
        mend=files.put_back,
    )


def text_table(data: bytes) -> pd.DataFrame:
    """Read a CSV as texts, each row with as many cells as the header.

    Raises
    ------
    ValueError
        When it is not a table.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("error", pd.errors.ParserWarning)
        try:
            return pd.read_csv(
                io.BytesIO(data), encoding="utf-8-sig", dtype=str, keep_default_na=False,
                index_col=False,
            )  # fmt: skip
        except pd.errors.ParserWarning as error:
            raise ValueError("a row has more cells than the header") from error


def differing_cell(found: Grid, wanted: Grid) -> str:
    """Name the cell in which two grids differ most, in words; empty where none does.

    Parameters
    ----------
    found, wanted
        On the same axes. [%]
    """
    one, two = found.flat(), wanted.flat()
    apart = np.abs(one - two)
    apart[np.isnan(one) != np.isnan(two)] = np.inf
    apart[np.isnan(one) & np.isnan(two)] = 0.0
    worst = int(np.argmax(apart))
    if not apart[worst] > MISMATCH_PCT:
        return ""
    rpm, load = found.axes.cell_rpm()[worst], found.axes.cell_load()[worst]
    held, due = ("no value" if np.isnan(v[worst]) else f"{v[worst]:+z.2f} %" for v in (one, two))
    count = int((apart > MISMATCH_PCT).sum())
    more = f" ({count} cells differ)" if count > 1 else ""
    return f"at {rpm:g} rpm, {load:g} it has {held} where {due} belongs{more}"
