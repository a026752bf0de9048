"""Make milder tunes from a strong one and the standard one, and write them as a set."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tuneassist.arguments import file_path
from tuneassist.errors import SetupError
from tuneassist.files.derive_list import DerivePlan, read_derive
from tuneassist.files.derived_set import set_contents
from tuneassist.files.grid_file import read_grid
from tuneassist.files.run_file import read_run
from tuneassist.files.set_writer import require_new_folder, write_set
from tuneassist.files.setup_file import read_setup
from tuneassist.files.toml_table import TomlTable
from tuneassist.files.tunes_folder import LIST_FILE, TuneFiles, read_tune_list, tune_with_run
from tuneassist.grid import Grid
from tuneassist.loop.derive import DerivedSet, derive_tunes
from tuneassist.loop.towing_checks import POWER
from tuneassist.loop.tune_model import STANDARD, Tune
from tuneassist.loop.tune_set import TunesReport, check_tunes
from tuneassist.runs import RunSettings


@dataclass(frozen=True, eq=False)
class DerivedFolder:
    """Tunes made, their folder, and the check of the whole set.

    Parameters
    ----------
    made
        The tunes.
    report
        What ``tunes check`` finds in the new folder.
    folder
        Where the set was written.
    left_out
        Tunes of the list that are not part of the new set.
    """

    made: DerivedSet
    report: TunesReport
    folder: Path
    left_out: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class DeriveFiles:
    """The files of the two tunes, where no list names them.

    Parameters
    ----------
    setup, grid
        The car's setup and the strong tune's grid.
    run, standard_run
        Full-load runs of the strong and of the standard tune; None without one.
    standard_grid
        None is all zeros.
    """

    setup: Path
    grid: Path
    run: Path | None = None
    standard_run: Path | None = None
    standard_grid: Path | None = None


def derive_folder(
    folder: Path,
    *,
    out: Path,
    options: Sequence[str] = (),
    settings: RunSettings | None = None,
) -> DerivedFolder:
    """Make the tunes that a folder's list asks for, and write the whole set into a new folder.

    Parameters
    ----------
    folder
        With a ``tunes.toml`` that lists the standard tune and a stronger one. The last of kind
        "power" is the strong tune, else the last of all.
    out
        A new or an empty folder.
    options
        ``KEY=VALUE`` or ``TUNE.KEY=VALUE``, which come before the list.
    settings
        How full-load runs are read, corrected and compared.

    Raises
    ------
    InputError
        When a file of the set cannot be used.
    RuleBreachError
        When a grid breaks a rule. Nothing is written.
    OutputError
        When the folder is taken or cannot be written.
    """
    out, runs = file_path(out), settings or RunSettings()
    require_new_folder(out)
    listed = read_tune_list(file_path(folder), settings=runs)
    standard, strong = _two_of(listed.tunes, Path(folder) / LIST_FILE)
    plan = read_derive(listed.derive, strong.tune.setup, options)
    used = (standard.tune.name, strong.tune.name)
    left = tuple(one.tune.name for one in listed.tunes if one.tune.name not in used)
    return _written((standard, strong), plan, out, runs=runs, left_out=left)


def derive_files(
    files: DeriveFiles,
    *,
    out: Path,
    options: Sequence[str] = (),
    settings: RunSettings | None = None,
) -> DerivedFolder:
    """Make an economy and a towing tune from files; raises what `derive_folder` raises.

    Parameters
    ----------
    files
        Of the two tunes.
    out, options, settings
        As for `derive_folder`.
    """
    out, runs = file_path(out), settings or RunSettings()
    require_new_folder(out)
    standard = _from_files(files, STANDARD, files.standard_grid, files.standard_run, runs)
    strong = _from_files(files, POWER, files.grid, files.run, runs)
    plan = read_derive(TomlTable({}, "derive"), strong.tune.setup, options)
    return _written((standard, strong), plan, out, runs=runs)


def _from_files(
    files: DeriveFiles, kind: str, grid: Path | None, run: Path | None, runs: RunSettings
) -> TuneFiles:
    setup = read_setup(files.setup)
    table = Grid.zeros(setup.axes) if grid is None else read_grid(grid, axes=setup.axes)
    tune = Tune(name=kind, setup=setup, grid=table, kind=kind)
    if run is not None:
        found = read_run(run, setup=setup, settings=runs)
        tune = tune_with_run(kind, setup, table, found, kind=kind)
    return TuneFiles(tune, files.setup, grid, run)


def _two_of(tunes: Sequence[TuneFiles], path: Path) -> tuple[TuneFiles, TuneFiles]:
    standard = [one for one in tunes if one.tune.kind == STANDARD]
    if len(standard) != 1:
        raise SetupError(
            f"{len(standard)} tunes are of kind standard, one is needed.",
            where=f"{path}, key tune",
            mend='List the standard tune with kind = "standard".',
        )
    others = [one for one in tunes if one is not standard[0]]
    power = [one for one in others if one.tune.kind == POWER]
    if not others:
        raise SetupError(
            "there is no strong tune beside the standard one.",
            where=f"{path}, key tune",
            mend='List it last, with kind = "power".',
        )
    return standard[0], (power or others)[-1]


def _written(
    ends: tuple[TuneFiles, TuneFiles],
    plan: DerivePlan,
    out: Path,
    *,
    runs: RunSettings,
    left_out: tuple[str, ...] = (),
) -> DerivedFolder:
    standard, strong = ends
    made = derive_tunes(standard.tune, strong.tune, plan.tunes, settings=plan.settings, runs=runs)
    report = check_tunes(made.tunes, runs=runs)
    folder = write_set(out, set_contents(made, standard, strong))
    return DerivedFolder(made, report, folder, left_out)
