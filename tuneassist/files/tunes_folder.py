"""A folder with a set of tunes of one car, listed in its ``tunes.toml``.

::

    setup = "setup.toml"          # of every tune that names none of its own

    [[tune]]                      # in order, least power first
    name = "standard"
    kind = "standard"             # or economy, towing, power, other
    grid = "standard.csv"
    run = "standard-run.csv"      # optional: rpm and torque_nm, power_kw or both

Files are looked for in the folder.
"""

from __future__ import annotations

import math
from pathlib import Path

import pandas as pd

from tuneassist.errors import LogError, SetupError
from tuneassist.files.grid_file import read_grid
from tuneassist.files.setup_file import read_setup
from tuneassist.files.toml_table import TomlTable, nearest, read_toml, shown
from tuneassist.loop.tunes import KINDS, Tune
from tuneassist.settings import Setup

LIST_FILE = "tunes.toml"
KEYS = ("name", "kind", "setup", "grid", "run")
OUTPUTS = ("torque_nm", "power_kw")


def read_tunes(folder: Path) -> tuple[Tune, ...]:
    """Read a folder's tunes.

    Parameters
    ----------
    folder
        With `LIST_FILE` in it.

    Returns
    -------
    tuple of Tune
        In the order of the file, for `tuneassist.loop.tunes.check_tunes`.

    Raises
    ------
    SetupError
        When the list or a setup cannot be used; names file and key.
    GridError
        When a grid cannot be read or does not have its setup's breakpoints.
    LogError
        When a run cannot be used.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise SetupError("there is no such folder.", where=str(folder))
    path = folder / LIST_FILE
    if not path.is_file():
        raise SetupError(
            f"the folder holds no {LIST_FILE}.",
            where=str(folder),
            mend="Add one that lists the tunes, least power first, each under [[tune]].",
        )
    whole = read_toml(path)
    whole.check_names(("setup", "tune"))
    tables = whole.tables("tune")
    if not tables:
        raise whole.error("tune", "no tune is listed.", "Add one under [[tune]].")
    setups: dict[Path, Setup] = {}
    return tuple(_tune(table, whole, folder, setups) for table in tables)


def _tune(table: TomlTable, whole: TomlTable, folder: Path, setups: dict[Path, Setup]) -> Tune:
    table.check_names(KEYS)
    name = _text(table, "name")
    kind = _text(table, "kind") if "kind" in table else "other"
    if kind not in KINDS:
        choice = " or ".join(f'"{word}"' for word in KINDS)
        mend = f"{nearest(kind, KINDS)} Write {choice}.".strip()
        raise table.error("kind", f"{shown(kind)} is no kind of tune.", mend)
    source = table if "setup" in table else whole
    if "setup" not in source:
        raise table.error(
            "setup", "this key is missing.", "Name the tune's setup file, or one for all above."
        )
    setup_path = _file(source, "setup", folder)
    if setup_path not in setups:
        setups[setup_path] = read_setup(setup_path)
    setup = setups[setup_path]
    grid = read_grid(_file(table, "grid", folder), axes=setup.axes)
    run = read_run(_file(table, "run", folder)) if "run" in table else None
    return Tune(name=name, setup=setup, grid=grid, kind=kind, run=run)


def _text(table: TomlTable, key: str) -> str:
    if key not in table:
        raise table.error(key, "this key is missing.", f'Write {key} = "...".')
    value = dict(table.values)[key]
    if not isinstance(value, str) or not value.strip():
        raise table.error(key, f"{shown(value)} is no text.", f'Write {key} = "...".')
    return value.strip()


def _file(table: TomlTable, key: str, folder: Path) -> Path:
    path = folder / _text(table, key)
    if not path.is_file():
        raise table.error(
            key, f"there is no file {shown(path.name)}.", "Paths start from the folder of the list."
        )
    return path


def read_run(path: Path) -> pd.DataFrame:
    """Read a full-load run.

    Parameters
    ----------
    path
        CSV with a header: ``rpm`` and ``torque_nm``, ``power_kw`` or both; other columns are
        passed over. ``;`` with decimal comma is read as spreadsheets save it.

    Returns
    -------
    pandas.DataFrame
        ``rpm`` and what there is of the others. [rpm], [N.m], [kW]

    Raises
    ------
    LogError
        When a column is missing or a value is no number; names column and line.
    """
    try:
        text = Path(path).read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise LogError(
            "the run cannot be read as UTF-8 text.", where=str(path), mend="Save it as CSV UTF-8."
        ) from error
    rows = [(n, line) for n, line in enumerate(text.splitlines(), 1) if line.strip()]
    if len(rows) < 2:
        raise LogError("the run holds no values.", where=str(path))
    mark = ";" if ";" in rows[0][1] else ","
    header = [word.strip().strip('"').casefold() for word in rows[0][1].split(mark)]
    _check_header(header, path)
    columns = {name: header.index(name) for name in ("rpm", *OUTPUTS) if name in header}
    values = [
        {name: _number(line.split(mark), at, name, f"{path}, line {n}", mark)
         for name, at in columns.items()}
        for n, line in rows[1:]
    ]  # fmt: skip
    frame = pd.DataFrame(values, columns=list(columns), dtype=float)
    if (frame["rpm"] <= 0).any():
        row = int((frame["rpm"] <= 0).to_numpy().argmax())
        raise LogError("a speed is not above zero.", where=f"{path}, line {rows[1 + row][0]}")
    return frame


def _check_header(header: list[str], path: Path) -> None:
    if "rpm" not in header:
        raise LogError(
            "the run has no column rpm.",
            where=str(path),
            mend=f"Its columns are {', '.join(header)}.",
        )
    if not set(OUTPUTS) & set(header):
        raise LogError(
            "the run has no column torque_nm or power_kw.",
            where=str(path),
            mend=f"Its columns are {', '.join(header)}.",
        )
    for name in ("rpm", *OUTPUTS):
        if header.count(name) > 1:
            raise LogError(f"the column {name} is there twice.", where=str(path))


def _number(cells: list[str], at: int, name: str, where: str, mark: str) -> float:
    text = cells[at].strip().strip('"') if at < len(cells) else ""
    try:
        value = float(text.replace(",", ".") if mark == ";" else text)
    except ValueError:
        value = float("inf")
    if not math.isfinite(value):
        raise LogError(f"{name} is {shown(text)}.", where=where, mend="Write a number.")
    return value
