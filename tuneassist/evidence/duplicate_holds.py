"""Duplicate holds: the same data recorded twice.

Two real holds never agree in speed, load, need, scatter and length to seven digits. A session that
is repeated in a log, or is in two files, gives such duplicates. Used as new evidence they would
look more certain than they are, and since they do not scatter, the fit would follow each of them
and trust nothing in between.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

#: Columns in which duplicates agree.
COLUMNS = ("rpm", "load", "total_need_ln", "within_se", "samples", "stop")


def is_original(holds: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Tell which holds do not duplicate an earlier one.

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
    # 32-bit floats have seven digits; 64-bit sums over a later part may differ in the last digits
    return ~table.astype(dict.fromkeys(numbers, np.float32)).duplicated().to_numpy()
