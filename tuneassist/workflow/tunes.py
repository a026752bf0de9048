"""Check a set of tunes of one car."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tuneassist.files.tunes_folder import read_tunes
from tuneassist.loop.tune_set import Tune, TunesReport, check_tunes
from tuneassist.runs import RunSettings


@dataclass(frozen=True, eq=False)
class CheckedTunes:
    """A set of tunes and the result of its check.

    Parameters
    ----------
    tunes
        The tunes, in the order of ``tunes.toml``.
    report
        What was checked, what was not, and what is wrong.
    """

    tunes: Sequence[Tune]
    report: TunesReport


def check_tunes_folder(folder: Path, *, settings: RunSettings) -> CheckedTunes:
    """Read a set of tunes and check it.

    Parameters
    ----------
    folder
        With the set's ``tunes.toml``.
    settings
        How full-load runs are read and compared.

    Raises
    ------
    InputError
        When a file of the set cannot be used.
    """
    tunes = read_tunes(folder, settings=settings)
    return CheckedTunes(tunes, check_tunes(tunes, runs=settings))
