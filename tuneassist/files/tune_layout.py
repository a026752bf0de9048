"""Layout of a tune's folder: its history says where each round belongs, also after a crash."""

from __future__ import annotations

import re
import shutil
import stat
from pathlib import Path

from tuneassist.errors import InputError
from tuneassist.files.json_file import read_record
from tuneassist.files.safe_files import is_link, snippet, write_errors_explained
from tuneassist.files.tune_setup import SETUP, TARGET
from tuneassist.loop.history import TuneState

TUNE, HISTORY, START_GRID = "tune.json", "history.json", "start-grid.csv"
LOCK = ".tuneassist-lock"
KEPT = "kept"
"""Folder of the rounds, grids and setups that do not count."""
_FILES = (TUNE, HISTORY, START_GRID, LOCK, SETUP, TARGET)
_ROUND = re.compile(r"(round|loaded|restored|setup)-\d+")
_KEPT_ROUND = re.compile(r"(round|loaded|restored|setup)-\d+-\d+")
_HALF_WRITTEN = re.compile(r"\.(round|loaded|restored|setup)-.*\.tuneassist-.*")
CHANGE = "change.json"
"""Record of a grid or setup that a step brought in."""


def restore_layout(folder: Path, state: TuneState) -> None:
    """Move the folder of every step to where the history says it belongs.

    Parameters
    ----------
    folder
        The tune's folder, its lock held.
    state
        The state after the history.
    """
    wanted = state.folders
    with write_errors_explained(folder):
        for left in (p for p in folder.iterdir() if _HALF_WRITTEN.fullmatch(p.name)):
            shutil.rmtree(left, ignore_errors=True)  # half-written, never part of the tune
        for path in _folders(folder, _ROUND):
            made = made_of(path)
            if made is not None and made != wanted.get(path.name):
                path.rename(free_kept_path(folder, path.name))
        kept = {made_of(path): path for path in _folders(folder / KEPT, _KEPT_ROUND)}
        for name, made in wanted.items():
            if not (folder / name).exists() and made in kept:
                kept[made].rename(folder / name)


def refuse_links(folder: Path) -> None:
    """Refuse a tune in which a link or a device takes the place of a file or folder.

    Through a link this program would read, write or move files elsewhere.

    Parameters
    ----------
    folder
        The tune's folder.

    Raises
    ------
    InputError
        With the first such place.
    """
    try:
        _check_paths(folder)
    except OSError as error:
        said = snippet(error.strerror or error)
        raise InputError(f"the folder cannot be read: {said}.", where=str(folder)) from error


def _check_paths(folder: Path) -> None:
    for path in sorted(folder.iterdir()):
        is_round = _ROUND.fullmatch(path.name) is not None
        if path.name in _FILES:
            _check_path(path, is_folder=False)
        elif is_round or path.name == KEPT:
            _check_path(path, is_folder=True if path.name == KEPT else None)
            for inner in sorted(path.iterdir()) if path.is_dir() else ():
                _check_path(inner)
                for file in sorted(inner.iterdir()) if inner.is_dir() else ():
                    _check_path(file)


def _check_path(path: Path, *, is_folder: bool | None = None) -> None:
    found = path.lstat()
    is_dir, is_file = stat.S_ISDIR(found.st_mode), stat.S_ISREG(found.st_mode)
    problem = ""
    if is_link(path):
        problem = "this is a link"
    elif not is_dir and not is_file:
        problem = "this is a device or a pipe"
    elif is_folder is not None and is_folder != is_dir:
        problem = "this is not a folder" if is_folder else "this is a folder, not a file"
    elif path.name == LOCK and found.st_nlink > 1:
        problem = "this file has a second name elsewhere"  # locking may empty it
    if problem:
        raise InputError(
            f"{problem}; a tune has only files and folders of its own.",
            where=str(path),
            mend="Put the file or folder itself there, or move this away.",
        )


def made_of(folder: Path) -> str | None:
    """Return the identity of a step's folder; None where it cannot be read."""
    name = "evidence.json" if folder.name.startswith("round-") else CHANGE
    try:
        made = read_record(folder / name).get("made")
    except InputError:
        return None
    return made if isinstance(made, str) else None


def _folders(parent: Path, pattern: re.Pattern[str]) -> list[Path]:
    if not parent.is_dir():
        return []
    return sorted(p for p in parent.iterdir() if p.is_dir() and pattern.fullmatch(p.name))


def free_kept_path(folder: Path, name: str) -> Path:
    """Return an unused path under ``kept``."""
    kept = folder / KEPT
    kept.mkdir(exist_ok=True)
    taken = {path.name for path in kept.iterdir()}
    number = next(k for k in range(1, len(taken) + 2) if f"{name}-{k}" not in taken)
    return kept / f"{name}-{number}"
