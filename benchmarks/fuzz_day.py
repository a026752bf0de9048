"""Mutated lists of spots, hand-made grids, setups and logs against the steps of a day.

A case is an archive of ``hand.csv``, ``mine.csv``, ``new.toml`` and ``log.csv``, some of them
mutated. They meet `spots`, `setup` and a sound tune whose rounds take, accept, restore and
change. What is looked for is that of `fuzz_folders`.
"""

from __future__ import annotations

import re
import tempfile
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path

import numpy as np
from fuzz_folders import (
    SAMPLES,
    TOML_VALUES,
    Bytes,
    Place,
    packed_files,
    second_log,
    tune_files,
)

SUFFIX = ".day"
HEADERS = (
    "rpm,load,total_pct,doubt_pct,repeats,time", "speed;load (psi);change_pct", "rpm,load (kPa),x",
    "rpm,rpm,load,correction_pct", "load,rpm,correction_pct", "rpm,load,correction_pct (factor)",
    "rpm,boost (kPa),total_pct,time (min)", "rpm/load,40,80,120,160", "rpm,load\ttotal_pct", "",
)  # fmt: skip
CELLS = (
    "", "nan", "inf", "-inf", "1e308", "1e-308", "-100", "100", "99.9", "0", "-0", "25:00",
    "23:59", "0:00", "9" * 400, "1,5", "=1+1", '"', "\x00", "\u202e", "\x1b[31m", "--",
    "%", "5 %", "-1", "١",
)  # fmt: skip
REASONS = ("cold", "", " ", "\u202e", "\x1b[31m", "x" * 2000, "--grid", "\ud800")


@lru_cache(maxsize=1)
def spot_list() -> bytes:
    """Return a sound list of spots of the sample car."""
    rows = ["rpm,load,total_pct,doubt_pct,repeats,time"]
    rng = np.random.default_rng(5)
    for number in range(24):
        rpm, load = 1200 + 200 * number, 40 + 5 * (number % 20)
        rows.append(f"{rpm},{load},{rng.normal(2.0, 3.0):.1f},1,{1 + number % 3},{60 * number}")
    return ("\n".join(rows) + "\n").encode()


def mutated_day(rng: np.random.Generator, mutate: Bytes) -> bytes:
    """Return an archive of the day's files, one or two of them mutated."""
    files = {
        "hand.csv": spot_list(),
        "mine.csv": tune_files()["round-02/grid.csv"],
        "new.toml": (SAMPLES / "petrol-setup.toml").read_bytes(),
        "log.csv": second_log(),
    }
    for name in rng.choice(sorted(files), int(rng.integers(1, 3)), replace=False):
        data = files[name]
        for _ in range(int(rng.integers(1, 4))):
            kind = rng.random()
            if name == "new.toml" and kind < 0.6:
                data = _other_value(data, rng)
            elif name != "log.csv" and kind < 0.6:
                data = _other_cell(data, rng)
            elif name == "hand.csv" and kind < 0.75:
                head = HEADERS[rng.integers(len(HEADERS))].encode()
                data = b"\n".join([head, *data.split(b"\n")[1:]])
            else:
                data = mutate(data, rng)
        files[name] = data
    return packed_files(files)


def _other_cell(data: bytes, rng: np.random.Generator) -> bytes:
    rows = [row.split(b",") for row in data.split(b"\n")]
    row = rows[rng.integers(len(rows))]
    row[rng.integers(len(row))] = CELLS[rng.integers(len(CELLS))].encode()
    return b"\n".join(b",".join(row) for row in rows)


def _other_value(data: bytes, rng: np.random.Generator) -> bytes:
    text = data.decode("utf-8", "replace")
    found = list(re.finditer(r"(?m)^(\w+) = (.*)$", text))
    if not found:
        return data
    one = found[rng.integers(len(found))]
    value = TOML_VALUES[rng.integers(len(TOML_VALUES))]
    return (text[: one.start(2)] + value + text[one.end(2) :]).encode()


def attempt_day(path: Path, number: int) -> str:
    """Try the steps on a case; return what is wrong, empty where nothing is."""
    with tempfile.TemporaryDirectory() as root:
        place = Place(Path(root), path)
        steps = _before(place, number) if number % 3 == 0 else _in_a_tune(place, number)
        return next((words for words in steps if words), "")


def _before(place: Place, number: int) -> Iterator[str]:
    """Setups from logs, and spots outside a tune."""
    made, out, sound = place.files / "made.toml", place.files / "out", SAMPLES / "petrol-setup.toml"
    words = ["--grid", place.files / "mine.csv"] if number % 2 else []
    log = place.files / "log.csv"
    yield place.tried("setup", log, "--no-input", "--fuel", "petrol", "--out", made, *words)[1]
    values = ["--values", ("total", "change")[number % 2]] if number % 4 else []
    held = ["--grid", place.files / "mine.csv"] if number % 5 == 0 else []
    logs = [place.root / "log.csv"] if number % 4 == 3 else []
    hand = [place.files / "hand.csv", *logs]
    status, words = place.tried("spots", *hand, "-s", sound, "-o", out, *values, *held)
    yield words
    if status:
        yield "something was written all the same" if out.exists() else ""
    else:
        yield place.tried("verify", out / "grid.csv", "-s", sound, *_against(held))[1]


def _against(held: list[object]) -> list[object]:
    return ["--against", held[1]] if held else []


def _in_a_tune(place: Place, number: int) -> Iterator[str]:
    """Steps of a sound tune with files that are not."""
    folder, files = place.files / "tune", place.files
    _unpack(folder)
    reason = ["--despite", REASONS[number % len(REASONS)]] if number % 2 else []
    steps: list[tuple[object, ...]] = [
        ("accept", folder, "--grid", files / "mine.csv", *reason),
        ("add", folder, "--spots", files / "hand.csv", *(["--values", "total"] * (number % 4 > 0))),
        ("restore", folder, str(number % 4), *reason),
        ("setup", folder, files / "new.toml", *(["--reason", reason[1]] if reason else [])),
        ("add", folder, files / "log.csv", "--spots", files / "hand.csv"),
        ("history", folder, *(["--json"] * (number % 2))),
        ("accept", folder),
    ]
    rng = np.random.default_rng([2028, number])
    for at in rng.permutation(len(steps)):
        step = steps[at]
        before = _content(folder)
        # a reason without a grid, or a word that begins with two dashes, is wrong usage
        status, words = place.tried("rounds", *step, also=frozenset({2}))
        yield words
        if status in (2, 3, 4) and _content(folder) != before:
            yield f"rounds {step[0]}: ended with {status} and changed the tune"
        status, words = place.tried("rounds", "status", folder)
        yield words or (f"after rounds {step[0]} status ends with {status}" if status else "")


def _unpack(folder: Path) -> None:
    for name, data in tune_files().items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(data)


def _content(folder: Path) -> dict[str, bytes]:
    found = (path for path in folder.rglob("*") if path.is_file())
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in found
        if not path.name.startswith(".")
    }
