"""Damaged inputs end with status 3 or 4, a message that names what is wrong, and no file.

The damage is done to the bundled simulated petrol log, its setup or its grid, and `propose` is
run as a user would run it.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from tuneassist.cli.app import app

SAMPLES = Path(__file__).resolve().parent.parent / "sample_logs"
LOG = (SAMPLES / "petrol-session-1.csv").read_text(encoding="utf-8").splitlines(keepends=True)
SETUP = (SAMPLES / "petrol-setup.toml").read_text(encoding="utf-8")
GRID = (SAMPLES / "petrol-simulated-truth.csv").read_text(encoding="utf-8")
PREAMBLE = next(i for i, line in enumerate(LOG) if line.startswith("Elapsed"))
HEADER = LOG[PREAMBLE].rstrip("\n").split(",")
ROWS = LOG[PREAMBLE + 1 : PREAMBLE + 4001]

Text = str | bytes


def log_with(change: Callable[[list[str], list[list[str]]], None]) -> str:
    header, rows = list(HEADER), [row.rstrip("\n").split(",") for row in ROWS]
    change(header, rows)
    return "\n".join(",".join(row) for row in [header, *rows]) + "\n"


def column(name: str) -> int:
    return next(i for i, word in enumerate(HEADER) if word.lower().startswith(name))


def fill(name: str, value: Callable[[str], str]) -> str:
    def change(_: list[str], rows: list[list[str]]) -> None:
        at = column(name)
        for row in rows:
            row[at] = value(row[at])

    return log_with(change)


def times(factor: float) -> Callable[[str], str]:
    return lambda text: f"{float(text) * factor:.6g}" if text else text


def swap(first: str, second: str) -> str:
    def change(_: list[str], rows: list[list[str]]) -> None:
        a, b = column(first), column(second)
        for row in rows:
            row[a], row[b] = row[b], row[a]

    return log_with(change)


def without(name: str) -> str:
    def change(header: list[str], rows: list[list[str]]) -> None:
        at = column(name)
        for row in [header, *rows]:
            del row[at]

    return log_with(change)


def rename(name: str, header_text: str) -> str:
    def change(header: list[str], _: list[list[str]]) -> None:
        header[column(name)] = header_text

    return log_with(change)


def never_steady() -> str:
    def change(_: list[str], rows: list[list[str]]) -> None:
        for number, row in enumerate(rows):
            row[column("crank")] = str(1000 + 400 * (number % 10))

    return log_with(change)


def noise() -> bytes:
    return np.random.default_rng(1).integers(0, 256, 20_000, dtype=np.uint8).tobytes()


LOGS: dict[str, tuple[Callable[[], Text], int, str]] = {
    "empty": (lambda: "", 3, "empty"),
    "blank lines": (lambda: "\n\n\n", 3, "empty|no|blank"),
    "binary": (noise, 3, "binary|not a text|text"),
    "a picture": (lambda: b"\x89PNG\r\n\x1a\n" + b"\x00" * 500, 3, "binary|picture|no columns"),
    "header only": (lambda: LOG[PREAMBLE], 3, "no (sample )?rows|no samples|no row|one row|rows"),
    "one row": (lambda: "".join([LOG[PREAMBLE], ROWS[0]]), 3, "row"),
    "cut lines": (
        lambda: "".join([LOG[PREAMBLE], *(row[: len(row) // 3] + "\n" for row in ROWS)]),
        3,
        "row|column|line",
    ),
    "nan flood": (lambda: fill("wideband", lambda _: "nan"), 3, "wideband|lambda"),
    "blank lambda": (lambda: fill("wideband", lambda _: ""), 3, "wideband|lambda"),
    "blank rpm": (lambda: fill("crank", lambda _: ""), 3, "rpm|speed"),
    "blank time": (lambda: fill("elapsed", lambda _: ""), 3, "time|elapsed"),
    "words for lambda": (lambda: fill("wideband", lambda _: "lean"), 3, "wideband|lambda"),
    "time standing still": (lambda: fill("elapsed", lambda _: "5.0"), 3, "time|elapsed"),
    "time in ms called s": (lambda: fill("elapsed", times(1000.0)), 3, "ms"),
    "lambda called AFR": (lambda: fill("wideband", times(1 / 14.7)), 3, "lambda"),
    "AFR of tens": (lambda: fill("wideband", times(10.0)), 3, "wideband"),
    "degC called degF": (
        lambda: fill("water", lambda t: f"{(float(t) - 32) / 1.8:.1f}"),
        4,
        "cold|warm",
    ),
    "coolant 190 degC": (lambda: rename("water", "Water (degC)"), 3, "degF"),
    "kPa called psi": (lambda: fill("inlet", times(6.894757)), 3, "kPa"),
    "bar called psi": (lambda: fill("inlet", times(0.06894757)), 3, "bar"),
    "rpm in thousands": (lambda: fill("crank", times(0.001)), 3, "krpm|rpm"),
    "huge rpm": (lambda: fill("crank", times(1e6)), 3, "crank"),
    "huge numbers": (lambda: fill("wideband", lambda _: "1e300"), 3, "wideband|lambda"),
    "negative lambda": (lambda: fill("wideband", times(-1.0)), 3, "wideband|lambda"),
    "zero lambda": (lambda: fill("wideband", times(0.0)), 3, "wideband|lambda"),
    "swapped rpm and lambda": (lambda: swap("crank", "wideband"), 3, "crank|wideband"),
    "swapped time and rpm": (lambda: swap("elapsed", "crank"), 3, "time|elapsed|crank"),
    "swapped load and rpm": (lambda: swap("inlet", "crank"), 3, "inlet|crank"),
    "no time column": (lambda: without("elapsed"), 3, "time|elapsed"),
    "no rpm column": (lambda: without("crank"), 3, "rpm|crank"),
    "no load column": (lambda: without("inlet"), 3, "load|inlet"),
    "no lambda column": (lambda: without("wideband"), 3, "lambda|wideband"),
    "never warm": (lambda: fill("water", lambda _: "60"), 4, "cold"),
    "never steady": (
        never_steady,
        4,
        "moving|settling|short",
    ),
}

SETUPS: dict[str, tuple[Callable[[], Text], str]] = {
    "empty setup": (lambda: "", "axes|target"),
    "binary setup": (noise, "text|utf|UTF|TOML"),
    "broken syntax": (lambda: SETUP.replace("[axes]", "[axes"), "line"),
    "axes not rising": (lambda: SETUP.replace("rpm = [800, 1200", "rpm = [1200, 800"), "rise"),
    "unknown key": (lambda: SETUP.replace("[engine]", "[engine]\nfeul = 1"), "feul"),
    "unknown section": (lambda: SETUP + "\n[limitz]\n", "limitz"),
    "unknown ignition": (
        lambda: re.sub(r'ignition = "\w+"', 'ignition = "steam"', SETUP),
        "steam",
    ),
    "unknown unit": (
        lambda: SETUP.replace('load_unit = "kPa"', 'load_unit = "furlong"'),
        "furlong",
    ),
    "short table row": (
        lambda: re.sub(r"table = \[\s*\[[^,]*,", "table = [[", SETUP, count=1),
        "target",
    ),
    "words in the table": (
        lambda: re.sub(r"table = \[\s*\[[^,]*,", 'table = [["rich",', SETUP, count=1),
        "target",
    ),
}

GRIDS: dict[str, tuple[Callable[[], Text], str]] = {
    "empty grid": (lambda: "", "empty"),
    "binary grid": (noise, "text|binary"),
    "grid one row short": (lambda: "".join(GRID.splitlines(keepends=True)[:-1]), "row|shape|rpm"),
    "grid of another axis": (lambda: GRID.replace("\n800,", "\n801,"), "801|800"),
    "word in the grid": (lambda: GRID.replace("\n800,", "\n800,rich", 1), "rich"),
    "all fuel taken away": (lambda: re.sub(r"\n800,[^,]*,", "\n800,-100,", GRID), "100"),
}

CASES = [
    *((name, "log", *case) for name, case in LOGS.items()),
    *((name, "setup", make, 3, words) for name, (make, words) in SETUPS.items()),
    *((name, "grid", make, 3, words) for name, (make, words) in GRIDS.items()),
]


def test_there_are_forty_and_more_kinds_of_damage() -> None:
    assert len(CASES) >= 40


@pytest.mark.parametrize(
    ("what", "make", "status", "words"),
    [case[1:] for case in CASES],
    ids=[case[0] for case in CASES],
)
def test_a_damaged_input_is_named_and_nothing_is_written(
    tmp_path: Path, what: str, make: Callable[[], Text], status: int, words: str
) -> None:
    texts: dict[str, Text] = {"log": "".join(LOG), "setup": SETUP, "grid": GRID}
    damaged = make()
    assert damaged != texts[what]
    texts[what] = damaged
    names = {"log": "session.csv", "setup": "car.toml", "grid": "now.csv"}
    for key, text in texts.items():
        data = text.encode("utf-8") if isinstance(text, str) else text
        (tmp_path / names[key]).write_bytes(data)
    out = tmp_path / "out"
    arguments = [str(tmp_path / "session.csv"), "--setup", str(tmp_path / "car.toml")]
    if what == "grid":
        arguments += ["--grid", str(tmp_path / "now.csv")]
    result = CliRunner().invoke(app, ["propose", *arguments, "--out", str(out)])
    assert result.exit_code == status, result.output
    assert re.search(words, result.stderr, re.IGNORECASE), result.stderr
    assert "Traceback" not in result.output + result.stderr
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(names.values())
