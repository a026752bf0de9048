"""Where a tune's round folders belong: a matter of its history, so that any kill is mended."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

from tuneassist.files.proposal_folder import writing_to
from tuneassist.loop.history import TuneState

KEPT = "kept"
"""Folder of the rounds that do not count."""
_ROUND = re.compile(r"round-\d+")
_KEPT_ROUND = re.compile(r"round-\d+-\d+")


def tidy(folder: Path, state: TuneState) -> None:
    """Put every round folder where the history says that it belongs.

    Parameters
    ----------
    folder
        The tune's folder, its lock held.
    state
        What follows from the history.
    """
    wanted = {one.name: one.made for one in state.rounds}
    with writing_to(folder):
        for left in folder.glob(".round-*.tuneassist-*"):
            shutil.rmtree(left, ignore_errors=True)  # half written, never part of the tune
        for path in _folders(folder, _ROUND):
            made = made_of(path)
            if made is not None and made != wanted.get(path.name):
                path.rename(free_place(folder, path.name))
        kept = {made_of(path): path for path in _folders(folder / KEPT, _KEPT_ROUND)}
        for name, made in wanted.items():
            if not (folder / name).exists() and made in kept:
                kept[made].rename(folder / name)


def made_of(folder: Path) -> str | None:
    """Return the mark of a round folder; None where it cannot be read."""
    try:
        return str(json.loads((folder / "evidence.json").read_text(encoding="utf-8"))["made"])
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _folders(parent: Path, pattern: re.Pattern[str]) -> list[Path]:
    if not parent.is_dir():
        return []
    return sorted(p for p in parent.iterdir() if p.is_dir() and pattern.fullmatch(p.name))


def free_place(folder: Path, name: str) -> Path:
    """Return a place under ``kept`` that nothing has yet."""
    kept = folder / KEPT
    kept.mkdir(exist_ok=True)
    taken = {path.name for path in kept.iterdir()}
    number = next(k for k in range(1, len(taken) + 2) if f"{name}-{k}" not in taken)
    return kept / f"{name}-{number}"
