"""A file of its own, such as a picture or a page: is its name free?"""

from __future__ import annotations

import os
from pathlib import Path

from tuneassist.errors import OutputError


def require_new_file(path: Path, *, overwrite: bool, ask: str = "add --overwrite") -> None:
    """Refuse a file that could not be written, before any work is done.

    Parameters
    ----------
    path
        The file.
    overwrite
        What has the name is to be replaced.
    ask
        How that is asked for, in words.

    Raises
    ------
    OutputError
        When something has the name already and ``overwrite`` is not set, or the folder is missing.
    """
    # lexists: a link that leads nowhere is something of this name too
    if path.is_dir() or (os.path.lexists(path) and not overwrite):
        raise OutputError(
            f"{path}: there is something of this name already. Name a new file, or {ask}."
        )
    if not path.absolute().parent.is_dir():
        raise OutputError(f"{path}: the folder that it belongs in does not exist.")
