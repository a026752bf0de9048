"""Which files of a folder, or of those that a pattern matches, are logs; the rest is named."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from tuneassist.errors import LogError
from tuneassist.inert import listed
from tuneassist.reading.delimited import DelimitedParts
from tuneassist.reading.source import Source

LOG_SUFFIXES = frozenset(
    {".csv", ".txt", ".tsv", ".log", ".dat", ".asc", ".gz", ".zst"}
    | {".parquet", ".arrow", ".feather", ".mf4"}
)
"""Suffixes that are taken for logs in a folder; a file that is named is always read."""
LOOSE_SUFFIXES = frozenset({".txt", ".log", ".dat", ".asc"})
"""Those that notes have as well: such a file is a log only if there is a table of numbers in it."""
GRID_START = b"rpm/load"
_PROBED_ROWS = 1000
_HEAD_BYTES = 1 << 16
_ROW = re.compile(rb"^[ \t\"]*[-+]?\d[^,;\t\r\n]*[,;\t]", re.MULTILINE)
_SURE_ROWS = 20  # so many lines that begin with a number and a delimiter are no notes


def sort_out(found: Sequence[Path], *, suffix: str = "") -> tuple[list[Path], str]:
    """Part logs from what is none.

    Parameters
    ----------
    found
        Files, in order.
    suffix
        A suffix that was typed, which is taken for a log's whatever it is.

    Returns
    -------
    logs, left
        The logs; and a sentence that names what was left out, empty where nothing was.
    """
    reasons = {path: _reason(path, suffix.casefold()) for path in found}
    logs = [path for path, why in reasons.items() if not why]
    left: dict[str, list[str]] = {}
    for path, why in reasons.items():
        if why:
            left.setdefault(why, []).append(path.name)
    said = [f"{len(names)} {why} left out ({listed(names)})" for why, names in left.items()]
    return logs, "; ".join(said)


def _reason(path: Path, suffix: str) -> str:
    """Say why a file is no log; empty where it is one."""
    own = path.suffix.casefold()
    if own not in LOG_SUFFIXES and (own != suffix or own in ("", ".toml")):
        return "file(s) without a log's suffix"
    if _is_grid(path):
        return "correction grid(s)"
    return "file(s) without a table" if own in LOOSE_SUFFIXES and not _has_table(path) else ""


def _is_grid(path: Path) -> bool:
    try:
        with path.open("rb") as stream:
            head = stream.read(64)
    except OSError:
        return False
    return head.removeprefix(b"\xef\xbb\xbf").lower().replace(b'"', b"").startswith(GRID_START)


def _has_table(path: Path) -> bool:
    """Tell whether a text holds a table; of a damaged one the reader says what is wrong."""
    try:
        with path.open("rb") as stream:
            head = stream.read(_HEAD_BYTES).replace(b"\0", b"")
    except OSError:
        return True
    if len(_ROW.findall(head)) >= _SURE_ROWS:
        return True
    try:
        with Source(path) as source:
            if source.kind == "text":
                DelimitedParts(source, rows=_PROBED_ROWS)
    except LogError:
        return False
    return True
