"""Time stamps that are written as a clock: text to seconds, carried on past midnight."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.errors import LogError
from tuneassist.reading.log import Cells, Floats

MOST_PER_SECOND = 40
"""More rows than this under each stamp of two parts, 10:00, are rows of a minute and not of a
second: loggers that fast write parts of a second. Common practice, no source. [1]"""
_DAY_S, _HOUR_S, _MINUTE_S = 86400.0, 3600.0, 60.0
_STAMP = (
    r"^(?P<d>.*[\sT])?(?P<h>\d{1,3}):(?P<m>\d{2})(?::(?P<s>\d{2}))?(?P<f>[.,:]\d+)?"
    r"\s*(?P<half>[APap]\.?[Mm]\.?)?(?:Z|[+-]\d{2}:?\d{2})?$"
)


@dataclass(frozen=True, eq=False)
class Stamps:
    """Text stamps read as a clock.

    Parameters
    ----------
    seconds
        Seconds since the day's (or hour's) start; nan where there is no stamp. [s]
    wrap_s
        What the clock starts again after. [s]
    """

    seconds: Floats
    wrap_s: float

    @property
    def note(self) -> str:
        """A sentence about the reading."""
        if self.wrap_s == _HOUR_S:
            return "Time stamps of two parts were read as minutes and seconds."
        return "Time stamps were read as a clock, in seconds since the first."


def parse_stamps(cells: Cells, *, wrap_s: float | None = None) -> Stamps | None:
    """Read clock stamps; None when the column holds none.

    Parameters
    ----------
    cells
        The column.
    wrap_s
        What the stamps of an earlier part start again after; None finds it. [s]
    """
    if cells.stamp == "clock":
        return Stamps(cells.numbers, _DAY_S)
    if cells.words is None:
        return None
    is_first = wrap_s is None
    if is_first and cells.text_count < 0.5 * max(1, int((cells.words != "").sum())):
        return None
    parts = _Parts(cells.words)
    is_stamp = parts.are("m")
    if is_first and is_stamp.sum() < 0.5 * cells.text_count:
        return None
    if wrap_s is None:
        wrap_s = _HOUR_S if parts.are_short() else _DAY_S
    first, second, third = (parts.numbers(key) for key in "hms")
    tail = np.nan_to_num(parts.numbers("f"))
    if wrap_s == _HOUR_S:
        seconds = 60.0 * first + second + tail
    else:
        half = parts.are("half")
        hour = np.where(half, first % 12 + 12 * parts.are("half", "^[Pp]"), first)
        seconds = hour * _HOUR_S + 60.0 * second + np.nan_to_num(third) + tail
    return Stamps(np.where(is_stamp, seconds, np.nan), wrap_s)


class _Parts:
    """What stamps are made of, cut by pyarrow: a clock is read in every row of a log."""

    def __init__(self, words: pd.Series[str]) -> None:
        import pyarrow as pa
        from pyarrow import compute

        self._found = compute.extract_regex(pa.array(words, pa.string()), pattern=_STAMP)

    def _texts(self, key: str) -> Any:
        from pyarrow import compute

        return compute.fill_null(compute.struct_field(self._found, key), "")

    def are(self, key: str, like: str = ".") -> npt.NDArray[np.bool_]:
        """Tell the stamps that have this part, and it like this."""
        from pyarrow import compute

        is_there = compute.match_substring_regex(self._texts(key), like)
        return np.asarray(is_there).astype(bool)

    def numbers(self, key: str) -> Floats:
        """Return a part as numbers; a fraction's begins with its sign."""
        import pyarrow as pa
        from pyarrow import compute

        texts = self._texts(key)
        if key == "f":
            texts = compute.replace_substring_regex(texts, "^[.,:]", "0.")
        texts = compute.if_else(compute.equal(texts, ""), pa.scalar(None, pa.string()), texts)
        return np.asarray(compute.cast(texts, pa.float64())).astype(float)

    def are_short(self) -> bool:
        """Tell minutes and seconds: two parts, and neither date nor half of the day before."""
        proof = self.are("half") | self.are("d", "[0-9]")
        return bool(not self.are("s").any() and np.mean(proof[self.are("m")]) < 0.5)


def refuse_minutes(seconds: Floats, wrap_s: float, *, where: str) -> None:
    """Refuse stamps that have minutes only: many rows share one, and nothing tells them apart.

    Parameters
    ----------
    seconds
        Stamps, nan where there is none. [s]
    wrap_s
        What they start again after. [s]
    where
        File and column, for messages.

    Raises
    ------
    LogError
        Says what to export instead.
    """
    good = seconds[np.isfinite(seconds)]
    if len(good) < 2:
        return
    mend = "Export the time with seconds and parts of a second, or as elapsed seconds."
    if wrap_s == _HOUR_S:
        each = len(good) / (1 + np.count_nonzero(np.diff(good)))
        if each > MOST_PER_SECOND and not (good % 1.0).any():
            raise LogError(
                "the time stamps of two parts could be hours and minutes or minutes and seconds: "
                f"about {each:.0f} rows share each.",
                where=where,
                mend=mend,
            )
    elif not (good % _MINUTE_S).any():
        raise LogError(
            "the time stamps have minutes only, so that rows within a minute cannot be told apart.",
            where=where,
            mend=mend,
        )


def carried_on(stamps: Stamps, last_s: float | None = None) -> Floats:
    """Carry clock stamps on past midnight.

    Parameters
    ----------
    stamps
        As `parse_stamps` gave them.
    last_s
        The last stamp of an earlier part; None where this is the first. [s]

    Returns
    -------
    numpy.ndarray
        nan where there is no stamp. [s]
    """
    is_stamp = np.isfinite(stamps.seconds)
    good = stamps.seconds[is_stamp]
    if not len(good):
        return stamps.seconds
    before = good[0] if last_s is None else last_s
    turns = np.cumsum(np.diff(good, prepend=before) < -0.5 * stamps.wrap_s)
    out = np.full(len(stamps.seconds), np.nan)
    out[is_stamp] = good + stamps.wrap_s * turns
    return out


def carried_with(
    stamps: Stamps, ahead: Cells | None, last_s: float | None = None
) -> tuple[Floats, Floats]:
    """Do what `carried_on` does for a part and the cells that follow it."""
    later = parse_stamps(ahead, wrap_s=stamps.wrap_s) if ahead is not None else None
    both = stamps.seconds if later is None else np.concatenate([stamps.seconds, later.seconds])
    carried = carried_on(Stamps(both, stamps.wrap_s), last_s)
    return carried[: len(stamps.seconds)], carried[len(stamps.seconds) :]
