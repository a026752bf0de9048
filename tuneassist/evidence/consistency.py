"""Whether the logs agree: one log among several that tells another story is set aside, and said.

Each log is judged by the holds of the others: the residuals of its holds from a fit without it.
With three logs or more the odd one shows; with two, nobody can tell which of them is wrong, and
the disagreement widens the intervals instead.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tuneassist.grid import Floats

#: Fewest logs among which the odd one can be told.
MIN_LOGS = 3
#: A log is odd beyond this distance from the others: in ln of need, and in robust standard
#: deviations of all logs' distances.
ODD_LN, ODD_SD = 0.012, 5.0
#: A log is odd when its residuals scatter this many times as much as the other logs' do. [1]
ODD_SCATTER = 3.0
#: Fewest holds from which a log is judged. [1]
MIN_HOLDS = 3


@dataclass(frozen=True)
class OddLog:
    """A log that was set aside.

    Parameters
    ----------
    index
        Its number.
    why
        A sentence for people.
    offset_ln
        How much leaner it reads than the others. [ln of need]
    """

    index: int
    why: str
    offset_ln: float = 0.0


def find_odd_log(
    y: Floats,
    log_index: npt.NDArray[np.int64],
    predict_without: Callable[[int], Floats],
) -> OddLog | None:
    """Find the log that disagrees most with the others, if it does so beyond doubt.

    Parameters
    ----------
    y
        What each hold needs, shape (m,). [ln]
    log_index
        Number of each hold's log.
    predict_without
        Gives the prediction for all holds by a fit without the named log, shape (m,). [ln]

    Returns
    -------
    OddLog or None
        None where all agree or fewer than three logs can be compared.
    """
    counts = np.bincount(log_index)
    judged = np.flatnonzero(counts >= MIN_HOLDS)
    if len(judged) < MIN_LOGS:
        return None
    gaps = [(y - predict_without(int(k)))[log_index == k] for k in judged]
    offset = np.array([float(np.median(gap)) for gap in gaps])
    scatter = np.array([1.4826 * float(np.median(np.abs(g - np.median(g)))) for g in gaps])
    apart = np.abs(offset - np.median(offset))
    spread = 1.4826 * float(np.median(apart))
    worst = int(np.argmax(apart))
    if apart[worst] > max(ODD_LN, ODD_SD * spread):
        size = 100.0 * float(np.expm1(offset[worst]))
        why = f"its holds read {size:+z.1f} % off what the others say"
        return OddLog(int(judged[worst]), why, float(offset[worst]))
    wild = int(np.argmax(scatter))
    usual = float(np.median(np.delete(scatter, wild)))
    if scatter[wild] > max(ODD_SCATTER * usual, ODD_LN):
        ratio = scatter[wild] / max(usual, 1e-6)
        return OddLog(
            int(judged[wild]),
            f"its holds scatter {ratio:.1f} times as far from what the others say as theirs do",
            float(offset[wild]),
        )
    return None
