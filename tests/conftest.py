"""What every test shares: one thread for small matrices, and reproducible property tests."""

from __future__ import annotations

import gc
import os
from pathlib import Path

# Ahead of numpy: threads slow the small matrices of these tests down by several times.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import pytest  # noqa: E402
from hypothesis import settings  # noqa: E402

settings.register_profile("house", deadline=None, derandomize=True, max_examples=60)
settings.load_profile("house")


GARBAGE_THRESHOLD = 50_000
"""New objects between two collections, as the command line has it. [1]"""


def pytest_collection_finish() -> None:
    """Leave thousands of tests out of every collection of garbage: a tenth of the time."""
    gc.freeze()
    gc.set_threshold(GARBAGE_THRESHOLD)


@pytest.fixture(scope="session")
def begun_home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The home of a car whose first round was added, made once: tests work on copies."""
    from test_rounds_commands import Car, ok

    car = Car(tmp_path_factory.mktemp("begun"))
    log = car.log("a.csv", 1)
    ok("rounds", "start", car.tune, "--setup", car.home / "car.toml")
    ok("rounds", "add", car.tune, log)
    return car.home
