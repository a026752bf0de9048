"""Small files: read once and within size limits, written atomically and never through a link.

Setups, grids and tune folders are sent from shop to shop. A path that a received file names must
stay inside that file's folder and be a plain file, and its size is checked before it is read.
"""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
import stat
from collections.abc import Iterator
from pathlib import Path, PurePosixPath, PureWindowsPath

from tuneassist import stopping
from tuneassist.errors import InputError, OutputError
from tuneassist.inert import one_line

SNIPPET = 60
"""Most letters of a file's content that a message shows. [1]"""

_NO_FOLDER_SYNC = {
    getattr(errno, name)
    for name in ("EINVAL", "ENOSYS", "ENOTSUP", "EBADF")
    if hasattr(errno, name)
}
_CAUSES = {
    "the disk is full.": ("ENOSPC", "EDQUOT"),
    "this account may not write there.": ("EACCES", "EPERM", "EROFS"),
    "the folder that it belongs in is missing or vanished.": ("ENOENT", "ENOTDIR", "ESTALE"),
    "another program took its place meanwhile.": ("EEXIST", "ENOTEMPTY"),
    "it is in use.": ("EBUSY", "ETXTBSY"),
}
_REMEDIES = {
    "the disk is full.": "Free some space or write elsewhere.",
    "this account may not write there.": (
        "Close programs that have its files open, or write elsewhere."
    ),
    "the folder that it belongs in is missing or vanished.": "Create it, or write elsewhere.",
    "another program took its place meanwhile.": "Let the other program end, then repeat.",
    "it is in use.": "Close programs that use it, or name a folder inside it.",
}


_OPEN_FLAGS = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
"""Does not block if a pipe has taken the file's place since the check."""


def snippet(text: object, most: int = SNIPPET) -> str:
    r"""Shorten a text of a file for a message, without control characters.

    Examples
    --------
    >>> snippet("a\x1b[2Jb")
    'a?[2Jb'
    """
    return one_line(text, most)


def read_bounded(
    path: Path, *, most: int, what: str = "what was meant", error: type[InputError] = InputError
) -> bytes:
    """Read a plain file, once.

    Parameters
    ----------
    path
        The file.
    most
        A larger file is refused before it is read. [byte]
    what
        What the file should be, for the message.
    error
        What is raised.

    Returns
    -------
    bytes
        All of it.

    Raises
    ------
    InputError
        When it cannot be read, is a device, a pipe or a folder, or is larger.
    """
    try:
        _require_plain(path.stat().st_mode, path, error)
        with os.fdopen(os.open(path, _OPEN_FLAGS), "rb") as stream:
            _require_plain(os.fstat(stream.fileno()).st_mode, path, error)
            data = stream.read(most + 1)
    except (OSError, ValueError, RuntimeError) as said:
        if isinstance(said, InputError):
            raise
        why = snippet(getattr(said, "strerror", None) or said)
        raise error(f"the file cannot be read: {why}.", where=str(path)) from said
    if len(data) > most:
        raise error(
            f"the file is too large to be {what}.",
            where=str(path),
            mend=f"At most {most / 1e6:g} MB are read.",
        )
    return data


def _require_plain(mode: int, path: Path, error: type[InputError]) -> None:
    if not stat.S_ISREG(mode):
        what = "a folder" if stat.S_ISDIR(mode) else "a device or a pipe"
        raise error(f"the file cannot be read: it is {what}.", where=str(path), mend="Name a file.")


def path_inside(folder: Path, name: str) -> Path:
    """Return the path of a file that another file names, if it stays inside the folder.

    Parameters
    ----------
    folder
        Folder of the naming file.
    name
        The path as written there.

    Raises
    ------
    InputError
        When it is absolute, or leads out of the folder directly or through a link.
    """
    windows = PureWindowsPath(name)
    parts = {*windows.parts, *PurePosixPath(name).parts}
    is_out = bool(windows.drive or windows.root) or ".." in parts or "\0" in name
    if not is_out:
        try:
            is_out = not (folder / name).resolve().is_relative_to(folder.resolve())
        except (OSError, RuntimeError):  # RuntimeError: a loop of links, before Python 3.13
            is_out = True
    if is_out:
        raise InputError(
            f'"{snippet(name)}" is outside the folder of the file that names it.',
            where=str(folder),
            mend="Put the file into that folder, and give its name alone.",
        )
    return folder / name


def is_link(path: Path) -> bool:
    """Return whether a path is a link or a junction."""
    is_junction = getattr(path, "is_junction", None)  # from Python 3.12 on
    return path.is_symlink() or bool(is_junction and is_junction())


def write_atomically(path: Path, data: bytes) -> None:
    """Write a file, whole or not at all; a link of its name is replaced, never written through.

    Parameters
    ----------
    path
        The file.
    data
        Its content.

    Raises
    ------
    OutputError
        When it cannot be written; what was there before is untouched.
    """
    with write_errors_explained(path):
        # a new random name, which no prepared link can have
        fresh = path.with_name(f".tuneassist-writing-{secrets.token_hex(8)}")
        with stopping.unfinished(fresh):
            try:
                with fresh.open("xb") as stream:
                    stream.write(data)
                    stream.flush()
                    os.fsync(stream.fileno())
                fresh.replace(path)
            except BaseException as error:
                if not isinstance(error, FileExistsError):
                    with contextlib.suppress(OSError):
                        fresh.unlink(missing_ok=True)
                raise
        sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Flush a folder's list of names to the disk, where the system can."""
    if os.name == "nt":  # folders cannot be opened there; the system journals renames
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno not in _NO_FOLDER_SYNC:
            raise
    finally:
        os.close(handle)


@contextlib.contextmanager
def write_errors_explained(out: Path) -> Iterator[None]:
    """Turn a failure to write into an error with cause and remedy."""
    try:
        yield
    except OutputError:
        raise
    except (OSError, RuntimeError) as error:  # RuntimeError: a loop of links, before Python 3.13
        name = errno.errorcode.get(getattr(error, "errno", None) or 0, "")
        for cause, names in _CAUSES.items():
            if name in names:
                raise OutputError(
                    f"{out}: the result cannot be written: {cause} {_REMEDIES[cause]}"
                ) from error
        said = getattr(error, "strerror", None) or str(error)
        raise OutputError(f"{out}: the result cannot be written: {said}.") from error
