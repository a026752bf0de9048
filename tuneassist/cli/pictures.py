"""A file of its own, whole or not at all: pictures and pages."""

from __future__ import annotations

import contextlib
from pathlib import Path


def write_picture(path: Path, content: bytes) -> None:
    """Write a file beside its name and then give it the name.

    Raises
    ------
    OutputError
        When it cannot be written; what was there before is untouched.
    """
    from tuneassist.errors import OutputError

    fresh = path.with_name(f".{path.name}.tuneassist-writing")
    try:
        fresh.write_bytes(content)
        fresh.replace(path)
    except OSError as error:
        with contextlib.suppress(OSError):
            fresh.unlink(missing_ok=True)
        raise OutputError(f"{path}: it cannot be written: {error.strerror or error}.") from error


def require_new_file(path: Path, *, overwrite: bool) -> None:
    """Refuse a file that could not be written, before any work is done.

    Raises
    ------
    OutputError
        When something has the name already and ``overwrite`` is not set, or the folder is missing.
    """
    from tuneassist.errors import OutputError

    if path.is_dir() or (path.exists() and not overwrite):
        raise OutputError(
            f"{path}: there is something of this name already. Name a new file, or add --overwrite."
        )
    if not path.absolute().parent.is_dir():
        raise OutputError(f"{path}: the folder that it belongs in does not exist.")
