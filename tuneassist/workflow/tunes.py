"""Check a set of tunes of one car."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from tuneassist.files.derived_set import is_as_derived
from tuneassist.files.tunes_folder import read_tune_list
from tuneassist.loop.tune_model import Finding
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
    listed = read_tune_list(folder, settings=settings).tunes
    tunes = tuple(one.tune for one in listed)
    report = check_tunes(tunes, runs=settings)
    changed = tuple(
        Finding(
            "set", "remark", (one.tune.name,),
            f"{one.tune.name}: its grid was changed since it was derived, so that the record "
            "beside it does not describe it",
        )
        for one in listed
        if one.grid is not None and not is_as_derived(one.grid)
    )  # fmt: skip
    return CheckedTunes(tunes, replace(report, findings=(*changed, *report.findings)))
