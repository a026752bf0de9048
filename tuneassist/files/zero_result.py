"""What a zero test said: the JSON of ``tuneassist runs --zero --json``, saved to a file."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import get_args

from tuneassist.errors import InputError
from tuneassist.files.json_file import read_record, take
from tuneassist.inert import one_line, quoted
from tuneassist.runs.equivalence import Verdict

HOW = (
    "Save it with: tuneassist runs --before STANDARD.csv --after ZERO.csv --zero --json > zero.json"
)
_SIMULATED = "simulated"


@dataclass(frozen=True)
class ZeroResult:
    """The verdict of a zero test.

    Parameters
    ----------
    verdict
        "equivalent", "different" or "cannot tell".
    statement
        The verdict in words.
    day
        Date of the file, as YYYY-MM-DD.
    label
        The car that it is of; empty where the test had no setup.
    is_simulated
        Whether its data are simulated.
    """

    verdict: Verdict
    statement: str
    day: str
    label: str = ""
    is_simulated: bool = False


def read_zero_result(path: Path) -> ZeroResult:
    """Read the verdict of a zero test.

    Parameters
    ----------
    path
        JSON of ``tuneassist runs --zero --json``.

    Raises
    ------
    InputError
        When the file cannot be read, or holds no such verdict.
    """
    record = read_record(path, mend=HOW)
    if "zero" not in record:
        raise InputError("there is no zero test in this file.", where=str(path), mend=HOW)
    try:
        zero = take(record, "zero", dict)
        verdict, statement = take(zero, "verdict", str), take(zero, "statement", str)
        label = take(record, "label", str, type(None)) or ""
        is_simulated = bool(take(record, _SIMULATED, bool, type(None)))
    except ValueError as error:
        raise InputError(f"{error}.", where=str(path), mend=HOW) from error
    if verdict not in get_args(Verdict):
        raise InputError(
            f"the verdict is {quoted(verdict)}.",
            where=str(path),
            mend=f"It is one of {', '.join(get_args(Verdict))}.",
        )
    day = datetime.fromtimestamp(path.stat().st_mtime).astimezone().strftime("%Y-%m-%d")
    return ZeroResult(verdict, one_line(statement), day, one_line(label), is_simulated)
