"""A result folder, written whole or not at all.

The files are written into a folder beside the wanted one and each is flushed to the disk. Only
then is that folder renamed to the wanted name. For an output ``car`` the folders are::

    .car.tuneassist-writing-1f2e3d4c    being written; may be deleted
    .car.tuneassist-previous            the earlier result, for the moment of the swap
    .car.tuneassist-trash-5a6b7c8d      being deleted

Overwriting moves ``car`` to ``previous``, moves the new folder to ``car`` and then deletes
``previous``. A program killed at any moment leaves one of these states, and `recover_interrupted`,
which every `write_proposal` calls first, repairs each:

* ``previous`` and no ``car``: killed inside the swap. The earlier result, which is complete, gets
  its name back.
* ``previous`` and ``car``: killed after the swap. ``car`` is the complete new result;
  ``previous`` is deleted.
* ``writing`` or ``trash``: deleted.

A folder is renamed to ``trash`` before any file in it is deleted, so that a half-deleted
folder never has a name from which it could be restored. Two programs that write the same output
at one time cannot mix their files: one of them ends with an `OutputError`.

A folder that holds anything besides results (a picture, notes, a spreadsheet's lock file) is
refused, with ``overwrite`` too: nothing that this program did not write is moved or deleted.
"""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
import shutil
from collections.abc import Collection, Mapping
from pathlib import Path

from tuneassist import stopping
from tuneassist.errors import OutputError
from tuneassist.files.safe_files import sync_folder, write_errors_explained
from tuneassist.inert import listed

RESULT_FILES = ("step.csv", "grid.csv", "cells.csv", "proposal.json")
"""Names that the contract gives to the files of a proposal."""
OWN_FILES = (*RESULT_FILES, "fuel-to-take-away.csv")
"""Every name that a proposal may write: a boost grid may have fuel to take away beside it."""


def write_proposal(
    out: Path, contents: Mapping[str, bytes | str], *, overwrite: bool = False
) -> Path:
    """Write a result folder: all of its files, or none.

    Parameters
    ----------
    out
        The folder. It may be missing or empty; the folder that it stands in must exist.
    contents
        File name to content; text is written as UTF-8, unchanged.
    overwrite
        Replace an earlier result. Without it, an earlier result is refused.

    Returns
    -------
    Path
        The folder, with links resolved.

    Raises
    ------
    OutputError
        When the folder holds a result and ``overwrite`` is not asked for, holds anything that is
        not a result, or cannot be written. What was there before is untouched.
    """
    ready = _as_bytes(contents)
    out = Path(out)
    with write_errors_explained(out):
        out = out.resolve()
        _refuse_bad_place(out)
        _recover(out)
        _refuse_taken(out, {*OWN_FILES, *ready}, overwrite=overwrite)
        fresh = _beside(out, f"writing-{secrets.token_hex(4)}")
        try:
            with stopping.unfinished(fresh):
                _write_files(fresh, ready)
                with stopping.renaming_files():
                    _swap_in(fresh, out, {*OWN_FILES, *ready})
        except BaseException:
            _discard(fresh, out)
            raise
    return out


def recover_interrupted(out: Path) -> bool:
    """Repair what a killed `write_proposal` left beside its output.

    Parameters
    ----------
    out
        The output folder of the run that may have been killed.

    Returns
    -------
    bool
        True when an earlier result had to be given its name back.

    Raises
    ------
    OutputError
        When the repair fails.
    """
    with write_errors_explained(Path(out)):
        return _recover(Path(out).resolve())


def _recover(out: Path) -> bool:
    previous = _beside(out, "previous")
    is_restored = False
    # The order matters while another program swaps: `previous` is checked first. If it is
    # seen and `out` is then seen too, the swap was over and `previous` is no longer needed.
    if previous.exists():
        if out.exists():
            _discard(previous, out)
        else:
            previous.rename(out)
            is_restored = True
    for kind in ("writing", "trash"):
        for left in _asides(out, kind):
            _discard(left, out)
    return is_restored


def _as_bytes(contents: Mapping[str, bytes | str]) -> dict[str, bytes]:
    if not contents:
        raise ValueError("a result needs at least one file")
    for name in contents:
        if not name or name in (".", "..") or any(mark in name for mark in "/\\:\0"):
            raise ValueError(f"{name!r} is not a plain file name")
    return {
        name: content.encode("utf-8") if isinstance(content, str) else bytes(content)
        for name, content in contents.items()
    }


def _beside(out: Path, suffix: str) -> Path:
    return out.parent / f".{out.name}.tuneassist-{suffix}"


def _asides(out: Path, kind: str) -> list[Path]:
    start = _beside(out, f"{kind}-").name
    return [path for path in out.parent.iterdir() if path.name.startswith(start)]


def _refuse_bad_place(out: Path) -> None:
    if not out.name:
        raise OutputError(f"{out}: a result cannot be written here. Name a folder inside it.")
    if not out.parent.is_dir():
        raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), str(out.parent))


def _refuse_taken(out: Path, own: Collection[str], *, overwrite: bool) -> None:
    if not out.exists():
        return
    if not out.is_dir():
        raise OutputError(f"{out}: this is a file. Name a new or an empty folder.")
    _refuse_foreign(out, out, own)
    if not overwrite and any(out.iterdir()):
        raise OutputError(
            f"{out}: the folder already holds a result. Name another folder, or ask for it to be "
            "overwritten."
        )


def _refuse_foreign(folder: Path, out: Path, own: Collection[str]) -> None:
    foreign = sorted(
        path.name
        for path in folder.iterdir()
        if path.name not in own or path.is_symlink() or not path.is_file()
    )
    if foreign:
        raise OutputError(
            f"{out}: the folder holds files that are not results of this program: "
            f"{listed(foreign, 3)}. Name a new or an empty folder, or move them away."
        )


def _write_files(folder: Path, contents: Mapping[str, bytes]) -> None:
    folder.mkdir()
    for name, content in contents.items():
        with (folder / name).open("xb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
    sync_folder(folder)


def _swap_in(fresh: Path, out: Path, own: Collection[str]) -> None:
    """Give ``fresh`` the name ``out``; on any failure the earlier folder keeps it."""
    previous = _beside(out, "previous")
    is_moved = is_installed = False
    try:
        if out.exists():
            out.rename(previous)
            is_moved = True
            _refuse_foreign(previous, out, own)  # what came in since the first check
        fresh.rename(out)
        is_installed = True
        sync_folder(out.parent)
        out.stat()  # the folder around it may have vanished meanwhile
    except BaseException:
        # What cannot be undone now is repaired by the next call: see the module's docstring.
        with contextlib.suppress(OSError):
            if is_installed:
                out.rename(fresh)
            if is_moved:
                previous.rename(out)
        raise
    if is_moved:
        _discard(previous, out)


def _discard(folder: Path, out: Path) -> None:
    """Delete a folder of this program, as far as possible now; the next call deletes the rest."""
    with contextlib.suppress(OSError):
        trash = _beside(out, f"trash-{secrets.token_hex(4)}")
        with stopping.unfinished(trash):
            folder.rename(trash)
            shutil.rmtree(trash)
