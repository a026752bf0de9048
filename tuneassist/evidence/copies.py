"""Holds that another one repeats to the last digit: written twice, not seen twice.

Two holds of an engine never agree in speed, load, need, scatter and length to seven digits. A
session that stands in a log again and again, or in two files, does: taken for new evidence, its
holds look surer than they are, and as they do not scatter at all, the fit follows every one of them
and trusts nothing in between.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

#: What two holds must share to be one.
COLUMNS = ("rpm", "load", "total_need_ln", "within_se", "samples", "stop")


def is_original(holds: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Tell which holds are the first of their kind.

    Parameters
    ----------
    holds
        In order of time, with `COLUMNS`.

    Returns
    -------
    numpy.ndarray
        False for a hold that repeats an earlier one to seven digits, shape (holds,).

    Examples
    --------
    >>> one = {"rpm": 2512.5, "load": 50.25, "total_need_ln": 0.02, "within_se": 0.001}
    >>> is_original(pd.DataFrame([one | {"samples": 90, "stop": ""}] * 2)).tolist()
    [True, False]
    """
    table = holds[list(COLUMNS)]
    numbers = table.columns.drop("stop")
    # seven digits are those of a float of 32 bits: sums over a later part differ in the last of 64
    return ~table.astype(dict.fromkeys(numbers, np.float32)).duplicated().to_numpy()
