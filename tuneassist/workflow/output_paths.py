"""Refuse output files and folders that could not be written, before any work is done."""

from __future__ import annotations

import os
from pathlib import Path

from tuneassist.errors import OutputError
from tuneassist.files.result_writer import OWN_FILES, recover_interrupted
from tuneassist.inert import listed


def require_new_file(path: Path, *, overwrite: bool, ask: str = "add --overwrite") -> None:
    """Refuse a file that could not be written, before any work is done.

    Parameters
    ----------
    path
        The file.
    overwrite
        Replace a file of this name.
    ask
        How to request that, for the message.

    Raises
    ------
    OutputError
        When the name is taken and ``overwrite`` is not set, or the folder does not exist.
    """
    # lexists: a broken link takes the name too
    if path.is_dir() or (os.path.lexists(path) and not overwrite):
        raise OutputError(f"{path}: this name is taken. Name a new file, or {ask}.")
    if not path.absolute().parent.is_dir():
        raise OutputError(f"{path}: the folder for it does not exist.")


def require_free_folder(out: Path, *, overwrite: bool) -> None:
    """Refuse an output folder that cannot take the result, before any work is done.

    Parameters
    ----------
    out
        The folder.
    overwrite
        Replace an earlier result.

    Raises
    ------
    OutputError
        When it is a file, its parent does not exist, it holds other files, or it holds a result and
        ``overwrite`` is not set.
    """
    if not out.absolute().parent.is_dir():
        raise OutputError(f"{out}: the folder for it does not exist. Create it first.")
    recover_interrupted(out)
    if not out.exists():
        return
    if not out.is_dir():
        raise OutputError(f"{out}: this is a file. Name a new or an empty folder.")
    found = sorted(path.name for path in out.iterdir())
    foreign = [name for name in found if name not in OWN_FILES]
    if foreign:
        raise OutputError(
            f"{out}: the folder contains files that are no result of this program: "
            f"{listed(foreign, 3)}. Name a new or an empty folder."
        )
    if found and not overwrite:
        raise OutputError(
            f"{out}: the folder already holds a result. Name another folder, or add --overwrite."
        )
