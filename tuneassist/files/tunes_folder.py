"""A folder with a set of tunes of one car, listed in its ``tunes.toml``.

`tuneassist.files.tunes_example` shows one.
"""

from __future__ import annotations

from pathlib import Path

from tuneassist.errors import InputError, SetupError
from tuneassist.files.grid_file import read_grid
from tuneassist.files.run_file import read_run
from tuneassist.files.safe_files import path_inside
from tuneassist.files.setup_file import read_setup
from tuneassist.files.toml_table import TomlTable, nearest, read_toml, shown
from tuneassist.files.tunes_example import EXAMPLE
from tuneassist.loop.tune_set import KINDS, Tune
from tuneassist.runs import AirState, RunSettings
from tuneassist.settings import Setup

LIST_FILE = "tunes.toml"
KEYS = ("name", "kind", "setup", "grid", "run", "air")


def read_tunes(folder: Path, *, settings: RunSettings | None = None) -> tuple[Tune, ...]:
    """Read a folder's tunes.

    Parameters
    ----------
    folder
        With `LIST_FILE` in it.
    settings
        The standard that the runs are corrected to, and how; None leaves them as measured.

    Returns
    -------
    tuple of Tune
        In the order of the file, for `tuneassist.loop.tune_set.check_tunes`.

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
            mend="Add one that lists the tunes, such as:",
            example=EXAMPLE,
        )
    whole = read_toml(path)
    whole.check_names(("setup", "tune"))
    tables = whole.tables("tune")
    if not tables:
        raise SetupError(
            "no tune is listed.",
            where=f"{path}, key tune",
            mend="List them, such as:",
            example=EXAMPLE,
        )
    setups: dict[Path, Setup] = {}
    settings = settings or RunSettings()
    return tuple(_tune(table, whole, folder, setups, settings) for table in tables)


def _tune(
    table: TomlTable,
    whole: TomlTable,
    folder: Path,
    setups: dict[Path, Setup],
    settings: RunSettings,
) -> Tune:
    table.check_names(KEYS)
    name = _text(table, "name")
    kind = _text(table, "kind") if "kind" in table else "other"
    if kind not in KINDS:
        choice = " or ".join(f'"{word}"' for word in KINDS)
        mend = f"{nearest(kind, KINDS)} Write {choice}.".strip()
        raise table.error("kind", f"{shown(kind)} is not a kind of tune.", mend)
    source = table if "setup" in table else whole
    if "setup" not in source:
        raise table.error(
            "setup",
            "this key is missing.",
            "Name the tune's setup file, or one for all at the top.",
        )
    setup_path = _file(source, "setup", folder)
    if setup_path not in setups:
        setups[setup_path] = read_setup(setup_path)
    setup = setups[setup_path]
    grid = read_grid(_file(table, "grid", folder), axes=setup.axes)
    if "run" not in table:
        return Tune(name=name, setup=setup, grid=grid, kind=kind)
    air = _air(table, settings) if "air" in table else None
    run = read_run(_file(table, "run", folder), setup=setup, settings=settings, air=air)
    return Tune(
        name=name, setup=setup, grid=grid, kind=kind, run=run.curve, run_words=run.words,
        pulls=run.pulls, air=run.air, standard=run.standard, logged=run.logged,
    )  # fmt: skip


def _air(table: TomlTable, settings: RunSettings) -> AirState:
    """Read the air of a run: pressure and temperature."""
    values = table.numbers("air")
    right = "Write pressure in kPa and temperature in degC, such as air = [98.7, 24]."
    if len(values) != 2:
        raise table.error("air", f"{len(values)} numbers are given; the air has two.", right)
    try:
        pressure, temp = values
        return AirState(pressure, temp, settings.relative_humidity_pct, settings.dew_point_c)
    except InputError as error:
        raise table.error("air", error.problem, right) from error


def _text(table: TomlTable, key: str) -> str:
    if key not in table:
        raise table.error(key, "this key is missing.", f'Write {key} = "...".')
    value = dict(table.values)[key]
    if not isinstance(value, str) or not value.strip():
        raise table.error(key, f"{shown(value)} is not a text.", f'Write {key} = "...".')
    return value.strip()


def _file(table: TomlTable, key: str, folder: Path) -> Path:
    try:
        path = path_inside(folder, _text(table, key))
    except SetupError:
        raise
    except InputError as error:
        raise table.error(key, str(error)) from error
    if not path.is_file():
        raise table.error(
            key,
            f"there is no file {shown(path.name)}.",
            "Paths are relative to the folder of the list.",
        )
    return path
