"""A folder of folders, written whole or not at all into a place that is new or empty."""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
from collections.abc import Mapping
from pathlib import Path, PurePosixPath

from tuneassist import stopping
from tuneassist.errors import OutputError
from tuneassist.files.safe_files import sync_folder, write_errors_explained
from tuneassist.inert import listed


def require_new_folder(out: Path) -> None:
    """Refuse an output folder that is not new or empty, before any work is done.

    Parameters
    ----------
    out
        The folder; the one that it stands in must exist.

    Raises
    ------
    OutputError
        When it is a file, holds anything, or has nowhere to stand.
    """
    if not out.absolute().parent.is_dir():
        raise OutputError(f"{out}: the folder for it does not exist. Create it first.")
    if os.path.lexists(out) and not out.is_dir():
        raise OutputError(f"{out}: this is a file. Name a new or an empty folder.")
    if out.is_dir() and (found := sorted(path.name for path in out.iterdir())):
        raise OutputError(
            f"{out}: the folder is not empty: {listed(found, 3)}. Name a new or an empty folder."
        )


def write_set(out: Path, contents: Mapping[str, bytes | str]) -> Path:
    """Write a folder with folders in it: all files, or none.

    Parameters
    ----------
    out
        A new or an empty folder.
    contents
        Path inside the folder, with ``/``, to content; text is written as UTF-8, unchanged.

    Returns
    -------
    Path
        The folder, with links resolved.

    Raises
    ------
    OutputError
        When it cannot be written. Then nothing is left of it.
    """
    out = Path(out)
    with write_errors_explained(out):
        require_new_folder(out)
        out = out.resolve()
        fresh = out.parent / f".{out.name}.tuneassist-writing-{secrets.token_hex(4)}"
        try:
            with stopping.unfinished(fresh):
                _write_all(fresh, contents)
                with stopping.renaming_files():
                    if out.is_dir():
                        out.rmdir()  # empty; a rename onto a folder fails on Windows
                    fresh.rename(out)
                    sync_folder(out.parent)
        except BaseException:
            with contextlib.suppress(OSError):
                shutil.rmtree(fresh)
            raise
    return out


def _write_all(folder: Path, contents: Mapping[str, bytes | str]) -> None:
    folder.mkdir()
    for name, content in contents.items():
        parts = PurePosixPath(name).parts
        if not parts or name.startswith("/") or ".." in parts or any(c in name for c in "\\:\0"):
            raise ValueError(f"{name!r} is not a path inside the folder")
        path = folder.joinpath(*parts)
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("xb") as stream:
            stream.write(content.encode("utf-8") if isinstance(content, str) else content)
            stream.flush()
            os.fsync(stream.fileno())
    for path in (folder, *(p for p in folder.rglob("*") if p.is_dir())):
        sync_folder(path)
