"""No screen, page or figure shows a number in another unit than the reader asked for."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
from report_makers import VAN, run, write_sides, write_tunes

from tuneassist.settings import UNIT_SYSTEMS

VAN_LOG = VAN.parent / "van-session-1.csv"
ROWS = 4_000
"""Lines of the sample log that are used: enough for holds in boost, and quick."""
METRIC = re.compile(r"(?<![\w.])(?:degC|kPa|bar|N\.m|kW|PS|km/h)(?![\w/])|\d °C")
LAMBDA = re.compile(r"\blambda \d\.\d|\d \blambda\b")
HEADER = re.compile(r"\((?:kPa|degC|N\.m)\)")
"""The headers of a log, which `check` lists as the logger writes them."""
LOGGED = re.compile(r"\b(?:bar|kPa|degC|N\.m|lambda) +(?:header|setup)\b")
"""The column of `check` that says in which unit a log was written."""
PLACE = re.compile(
    r"rpm(?:,|:| and) (?:[\d.]+, )*[\d.]+ kPa|\((?:manifold pressure, )?kPa\)"
    r"|\brpm\s+kPa\s+hold|rpm \\ kPa"
)
"""A place of the table and its axis: the label of the controller's own table."""
HTML = re.compile(r"<style.*?</style>|<script.*?</script>|<[^>]*>", re.S)


def shown(*arguments: object, status: int = 0) -> str:
    result = run(*arguments)
    assert result.exit_code == status, result.output
    return str(result.output)


def page(path: Path) -> str:
    return HTML.sub(" ", path.read_text(encoding="utf-8"))


def left_over(outputs: dict[str, str], *, is_afr: bool = False) -> list[str]:
    """Return what is still in a metric unit, with the name of its output."""
    found = []
    for name, text in outputs.items():
        words = PLACE.sub("", LOGGED.sub("", text))
        for pattern in (METRIC, LAMBDA) if is_afr else (METRIC,):
            found += [f"{name}: {words[max(0, m.start() - 60) : m.end() + 20]!r}"
                      for m in pattern.finditer(words)]  # fmt: skip
    return found


@pytest.fixture
def imperial_van(tmp_path: Path) -> Path:
    """The setup of a car in mg/stroke, whose logs are metric, read by someone who is not."""
    units = {**vars(UNIT_SYSTEMS["imperial"]), "mixture": "afr"}
    lines = "".join(f'{key} = "{word}"\n' for key, word in units.items())
    path = tmp_path / "van.toml"
    path.write_text(f"{VAN.read_text(encoding='utf-8')}\n[units]\n{lines}", encoding="utf-8")
    return path


def test_an_imperial_setup_shows_metric_logs_in_imperial_units(
    imperial_van: Path, tmp_path: Path
) -> None:
    setup, tune = ("--setup", imperial_van), tmp_path / "tune"
    log = tmp_path / "van.csv"
    lines = VAN_LOG.read_text(encoding="cp1252").splitlines(keepends=True)
    log.write_text("".join(lines[:ROWS]), encoding="cp1252", newline="")
    sides = write_sides(tmp_path)
    runs = ("--before", sides[0], "--after", sides[1])
    shown("rounds", "start", tune, *setup)
    outputs = {
        "limits": shown("limits", *setup),
        "check": shown("check", log, *setup),
        "rounds add": shown("rounds", "add", tune, log),
        "rounds status": shown("rounds", "status", tune),
        "plan": shown("plan", tune, "--minutes", 10),
        "runs": shown("runs", *runs, *setup, "--zero", "--standard", "iso1585"),
        "other air": shown("runs", *runs, *setup, "--air-before", 80, 24,
                           "--air-after", 95, 41, status=3),
    }  # fmt: skip
    shown("report", tune, *runs, "--out", tmp_path / "r.html")
    outputs["report"] = page(tmp_path / "r.html")
    assert left_over(outputs, is_afr=True) == []
    assert "psi gauge" in outputs["rounds status"]
    assert "degF" in outputs["check"]
    assert "lbf.ft" in outputs["report"]


def test_the_option_shows_a_tune_that_was_made_in_metric_units(
    begun_home: Path, tmp_path: Path
) -> None:
    shutil.copytree(begun_home, tmp_path, dirs_exist_ok=True)
    imperial, tune = ("--units", "imperial"), tmp_path / "tune"
    tunes = write_tunes(tmp_path / "tunes")
    outputs = {
        "rounds status": shown("rounds", "status", tune, *imperial),
        "rounds history": shown("rounds", "history", tune, *imperial),
        "coverage": shown("coverage", tmp_path / "a.csv", "--setup", tmp_path / "car.toml",
                          *imperial),
        "check": HEADER.sub("", shown("check", tmp_path / "a.csv", *imperial)),
        "tunes": shown("tunes", "check", tunes, *imperial),
    }  # fmt: skip
    shown("report", tune, "--tunes", tunes, "--out", tmp_path / "r.html", *imperial)
    outputs["report"] = page(tmp_path / "r.html")
    assert left_over(outputs) == []
    assert "degF" in outputs["report"]
