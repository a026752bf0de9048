"""What became of each sample of a log, in order of time: for a look at holds and losses."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.arguments import of_kind
from tuneassist.characterise import characterise
from tuneassist.errors import SetupError
from tuneassist.filters import need_at
from tuneassist.one_log import LogNature
from tuneassist.reading import Log
from tuneassist.reduction import reduce_log
from tuneassist.settings import READ_SETUP, Setup
from tuneassist.settled import Settled, settled_rows

USED = "used"
NOT_HELD = "settling, or held too short"
"""What is left of a log that the filters leave and no hold took."""


@dataclass(frozen=True, eq=False)
class LogTrace:
    """A log over time, with what became of each sample.

    Parameters
    ----------
    name
        The log.
    samples
        ``time_s, rpm, load, need_pct, fate``: the fate is the first filter that took the
        sample, `NOT_HELD` or `USED`. [s], [rpm], [load unit], [%]
    holds
        The holds, with ``start_s, end_s``.
    """

    name: str
    samples: pd.DataFrame
    holds: pd.DataFrame


def trace_log(log: Log, *, setup: Setup) -> LogTrace:
    """Say what became of each sample of a log.

    Parameters
    ----------
    log
        As read with the setup.
    setup
        The car's setup.

    Returns
    -------
    LogTrace
        One row for each sample that the filters looked at.

    Examples
    --------
    >>> import tuneassist as ta
    >>> setup = ta.read_setup("sample_logs/petrol-setup.toml")
    >>> trace = trace_log(ta.read_log("sample_logs/petrol-session-1.csv", setup=setup), setup=setup)
    >>> bool(trace.samples["fate"].eq("used").any())
    True
    """
    of_kind(setup, Setup, what="setup", mend=READ_SETUP, error=SetupError)
    holds = reduce_log(log.samples, name=log.name, setup=setup).holds
    nature = characterise(log.samples, setup=setup)
    parts = [
        _part(found, setup, nature)
        for found in settled_rows([log.samples], nature=nature, setup=setup)
    ]
    columns = ["time_s", "rpm", "load", "need_pct", "fate"]
    rows = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)
    is_left = rows["fate"].eq(NOT_HELD).to_numpy(dtype=bool)
    is_used = is_left & _in_a_hold(rows["time_s"].to_numpy(dtype=float), holds)
    return LogTrace(log.name, rows.assign(fate=rows["fate"].where(~is_used, USED)), holds)


def _part(found: Settled, setup: Setup, nature: LogNature) -> pd.DataFrame:
    rows = found.rows
    line = rows.line
    _, need, _ = need_at(line, slice(None), rows.lam, nature=nature, setup=setup)
    masks = list(rows.masks.items())
    fate = np.select([~mask for _, mask in masks], [name for name, _ in masks], default=NOT_HELD)
    return pd.DataFrame(
        {
            "time_s": line["time_s"],
            "rpm": line["rpm"],
            "load": line["load"],
            "need_pct": 100.0 * np.expm1(need),
            "fate": fate,
        }
    )


def _in_a_hold(time_s: npt.NDArray[np.float64], holds: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Tell which moments lie within a hold; the holds do not overlap."""
    if holds.empty:
        return np.zeros(len(time_s), dtype=bool)
    ends = holds[["start_s", "end_s"]].to_numpy(dtype=float)
    start, end = ends[np.argsort(ends[:, 0])].T
    at = np.searchsorted(start, time_s, side="right") - 1
    return np.asarray((at >= 0) & (time_s <= end[np.maximum(at, 0)]))
