"""The yardstick of speed.py: read a log with pyarrow, mean lambda of the nearest cell with NumPy.

No filter, no delay, no fit, no interval: about the least that can be done with a log.
"""

import sys
import tomllib

import numpy as np
from pyarrow import csv, parquet

KPA_PER_PSI, AFR_STOICH = 6.894757293168361, 14.7

log, setup = sys.argv[1:3]
with open(setup, "rb") as stream:  # noqa: PTH123
    axes = tomllib.load(stream)["axes"]
table = parquet.read_table(log) if log.endswith(".parquet") else csv.read_csv(log)
rpm = table["Crank speed (rpm)"].to_numpy()
load = table["Inlet pressure abs (psi)"].to_numpy() * KPA_PER_PSI
lam = table["Wideband (AFR)"].to_numpy() / AFR_STOICH
points = [np.asarray(axes[name], dtype=float) for name in ("rpm", "load")]
row, column = (
    np.searchsorted((p[1:] + p[:-1]) / 2, v) for p, v in zip(points, (rpm, load), strict=True)
)
cell = row * len(points[1]) + column
count = np.bincount(cell, minlength=len(points[0]) * len(points[1]))
total = np.bincount(cell, weights=lam, minlength=len(count))
print(np.round(total / np.maximum(count, 1), 3).reshape(len(points[0]), -1))
