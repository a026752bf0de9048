"""A folder with a set of tunes of one car, listed in its ``tunes.toml``.

`tuneassist.files.tunes_example` shows one.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from tuneassist.errors import InputError, SetupError
from tuneassist.files.grid_file import read_grid
from tuneassist.files.run_file import TuneRun, read_run
from tuneassist.files.safe_files import path_inside
from tuneassist.files.setup_file import read_setup, with_ceilings
from tuneassist.files.toml_table import TomlTable, nearest, read_toml, shown
from tuneassist.files.tunes_example import EXAMPLE
from tuneassist.grid import Grid
from tuneassist.loop.tune_set import KINDS, Tune
from tuneassist.runs import AirState, RunSettings
from tuneassist.settings import Setup

LIST_FILE = "tunes.toml"
KEYS = ("name", "kind", "setup", "grid", "run", "air", "ceilings")
TOP_KEYS = ("setup", "tune", "derive")


@dataclass(frozen=True, eq=False)
class TuneFiles:
    """A tune and the files that it was read from.

    Parameters
    ----------
    tune
        The tune.
    setup, grid, run
        Its files; None for a grid of zeros without a file, and without a run.
    air
        Pressure and temperature as the list gives them; empty where it does not. [kPa], [degC]
    """

    tune: Tune
    setup: Path
    grid: Path | None
    run: Path | None = None
    air: tuple[float, ...] = ()


@dataclass(frozen=True, eq=False)
class TuneList:
    """A folder's list of tunes.

    Parameters
    ----------
    tunes
        In the order of the file.
    derive
        What it says of tunes to make: the table ``[derive]``.
    """

    tunes: tuple[TuneFiles, ...]
    derive: TomlTable


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
    return tuple(one.tune for one in read_tune_list(folder, settings=settings).tunes)


def read_tune_list(folder: Path, *, settings: RunSettings | None = None) -> TuneList:
    """Read a folder's tunes with their files; takes and raises what `read_tunes` does."""
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
    whole.check_names(TOP_KEYS)
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
    found = tuple(_tune(table, whole, folder, setups, settings) for table in tables)
    return TuneList(found, whole.table("derive"))


def _tune(
    table: TomlTable,
    whole: TomlTable,
    folder: Path,
    setups: dict[Path, Setup],
    settings: RunSettings,
) -> TuneFiles:
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
    if "ceilings" in table:
        setup = with_ceilings(setup, table.table("ceilings"))
    grid_path = _file(table, "grid", folder)
    grid = read_grid(grid_path, axes=setup.axes)
    if "run" not in table:
        bare = Tune(name=name, setup=setup, grid=grid, kind=kind)
        return TuneFiles(bare, setup_path, grid_path)
    air = _air(table, settings) if "air" in table else None
    run_path = _file(table, "run", folder)
    run = read_run(run_path, setup=setup, settings=settings, air=air)
    tune = tune_with_run(name, setup, grid, run, kind=kind)
    given = tuple(table.numbers("air")) if air else ()
    return TuneFiles(tune, setup_path, grid_path, run_path, given)


def tune_with_run(name: str, setup: Setup, grid: Grid, run: TuneRun, *, kind: str) -> Tune:
    """Return a tune with its full-load run as read."""
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
