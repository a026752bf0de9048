"""What every test shares: one thread for small matrices, and reproducible property tests."""

from __future__ import annotations

import os

# Ahead of numpy: threads slow the small matrices of these tests down by several times.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from hypothesis import settings  # noqa: E402

settings.register_profile("house", deadline=None, derandomize=True, max_examples=60)
settings.load_profile("house")
