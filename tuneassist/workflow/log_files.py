"""Decide which files of a folder or pattern are logs, and name the others."""

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
"""Suffixes of logs in a folder; a file that is named is always read."""
LOOSE_SUFFIXES = frozenset({".txt", ".log", ".dat", ".asc"})
"""Suffixes that notes have too: such a file is a log only if it holds a table of numbers."""
GRID_START = b"rpm/load"
_PROBED_ROWS = 1000
_HEAD_BYTES = 1 << 16
_ROW = re.compile(rb"^[ \t\"]*[-+]?\d[^,;\t\r\n]*[,;\t]", re.MULTILINE)
_SURE_ROWS = 20  # as many lines that begin with a number and a delimiter are a table


def usable_logs(found: Sequence[Path], *, suffix: str = "") -> tuple[list[Path], str]:
    """Separate logs from other files.

    Parameters
    ----------
    found
        Files, in order.
    suffix
        A suffix that was typed and therefore counts as a log's.

    Returns
    -------
    logs, left
        The logs; and a sentence that names the files left out, empty without any.
    """
    reasons = {path: _reason(path, suffix.casefold()) for path in found}
    logs = [path for path, why in reasons.items() if not why]
    left: dict[str, list[str]] = {}
    for path, why in reasons.items():
        if why:
            left.setdefault(why, []).append(path.name)
    sentences = [f"{len(names)} {why} left out ({listed(names)})" for why, names in left.items()]
    return logs, "; ".join(sentences)


def _reason(path: Path, suffix: str) -> str:
    """Return why a file is not a log; empty if it is one."""
    own = path.suffix.casefold()
    if own not in LOG_SUFFIXES and (own != suffix or own in ("", ".toml")):
        return "file(s) without a log suffix"
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
    """Return whether a text holds a table; the reader reports what is wrong with a damaged one."""
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
