"""What `runs` and `report` share: options that take many logs, and the comparison itself."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperCommand

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tuneassist.reading import Log
    from tuneassist.runs import RunsComparison, RunSettings
    from tuneassist.settings import Setup

MANY = ("--before", "--after")
MOST_REASONS = 6
"""Reasons that one message lists. [1]"""


class ManyLogs(TyperCommand):
    """A command whose ``--before`` and ``--after`` take every word up to the next option."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Repeat the option ahead of each of its words, which is what the parser knows."""
        return super().parse_args(ctx, spread(args))


def spread(args: Sequence[str]) -> list[str]:
    """Write ``--before a b`` as ``--before a --before b``.

    Examples
    --------
    >>> spread(["x", "--before", "a", "b", "--json"])
    ['x', '--before', 'a', '--before', 'b', '--json']
    """
    out: list[str] = []
    option = ""
    for word in args:
        if word.startswith("-"):
            option = word if word in MANY else ""
            if not option:
                out.append(word)
        elif option:
            out += [option, word]
        else:
            out.append(word)
    return out


class StandardWord(StrEnum):
    """The standards' words on the command line."""

    NONE = "none"
    ISO1585 = "iso1585"
    SAE_J1349 = "sae-j1349"
    DIN70020 = "din70020"


Before = Annotated[
    list[Path] | None,
    typer.Option(
        "--before",
        metavar="LOG...",
        help="Full-load logs of the car as it was; several are repeats.",
        show_default=False,
    ),
]
After = Annotated[
    list[Path] | None,
    typer.Option(
        "--after",
        metavar="LOG...",
        help="Full-load logs of the car as it is now.",
        show_default=False,
    ),
]
Standard = Annotated[
    StandardWord,
    typer.Option("--standard", help="Bring torque and power to this standard's air."),
]


@dataclass(frozen=True, eq=False)
class FullLoad:
    """Logs of both sides and what they say.

    Parameters
    ----------
    before, after
        As read.
    found
        The comparison.
    is_simulated
        Whether label or logs say that they are simulated.
    """

    before: tuple[Log, ...]
    after: tuple[Log, ...]
    found: RunsComparison
    is_simulated: bool


def compare(
    before: Sequence[Path],
    after: Sequence[Path],
    *,
    car: Setup | None,
    settings: RunSettings,
    **air: Any,
) -> FullLoad:
    """Read both sides and compare them.

    Raises
    ------
    NoEvidenceError
        When a side has no usable pull, or the two share no speed; the message says why.
    """
    from tuneassist.cli.inputs import find_logs, is_simulated, refuse_twins
    from tuneassist.errors import NoEvidenceError
    from tuneassist.runs import compare_runs

    sides = [read_full_load(find_logs(paths), car) for paths in (before, after)]
    refuse_twins([log for side in sides for log in side])
    found = compare_runs(
        *sides,
        settings=settings,
        engine=car.engine if car else None,
        limits=car.limits if car else None,
        **air,
    )
    if not found.is_usable:
        raise NoEvidenceError(f"No usable full-load runs to compare. {_why_not(found)}")
    logs = [log for side in sides for log in side]
    return FullLoad(tuple(sides[0]), tuple(sides[1]), found, is_simulated(logs, car))


def _why_not(found: RunsComparison) -> str:
    """Say why there is no gain: the refusals of the sides that have no pull."""
    from tuneassist.show.runs import refusal_words

    usable = set(found.pulls["side"]) if len(found.pulls) else set()
    if usable == {"before", "after"}:
        return "The two sides share no speed."
    of_interest = [r for r in found.refusals if r.where.split(",")[0] not in usable]
    words = refusal_words(of_interest)
    more = len(words) - MOST_REASONS
    rest = [f"And {more} more like these."] if more > 0 else []
    return " ".join([*words[:MOST_REASONS], *rest])


def run_settings(standard: StandardWord, **given: Any) -> RunSettings:
    """Build the settings from what was given, defaults elsewhere."""
    from tuneassist.runs import RunSettings

    known = {name: value for name, value in given.items() if value is not None}
    return RunSettings(standard=standard.value, **known)


NOT_THERE = ("no column was found for", "names the column")
"""Words of the refusals after which a log is read by its headers alone: a roller's own logger has
other columns than the one that the setup names, and full-load runs need neither lambda nor load."""


def read_full_load(paths: Sequence[Path], car: Setup | None) -> list[Log]:
    """Read full-load logs with the setup's channels, else by their headers, and say so."""
    from tuneassist.cli.console import tell
    from tuneassist.cli.inputs import read_logs
    from tuneassist.errors import LogError

    try:
        return read_logs(paths, setup=car)
    except LogError as error:
        if car is None or not any(words in str(error) for words in NOT_THERE):
            raise
        first = error
    try:
        logs = read_logs(paths, setup=None)
    except LogError:
        raise first from None
    names = ", ".join(log.name for log in logs)
    tell(f"{names}: read by the headers; the setup's channels do not fit: {first.problem}")
    return logs
