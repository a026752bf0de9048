"""Screens for a glance: verdict first, nothing twice, 80 columns, legends of what is shown."""

from __future__ import annotations

import io
import re
import sys
import time
from pathlib import Path
from shutil import copytree

import numpy as np
import pandas as pd
import pytest
from test_rounds_commands import ok
from test_show_screens import small_cells, small_setup

from tuneassist.cli import waiting
from tuneassist.cli.console import display_of, tell
from tuneassist.loop.verdict import NotedCell, Verdict
from tuneassist.show.cell_picture import CellPicture, CellShown, deviation_picture, step_picture
from tuneassist.show.display import Display
from tuneassist.show.log_summary import notes_section, sample_shares_table
from tuneassist.show.map_legend import deviation_legend, step_legend
from tuneassist.show.proposal import limits_section
from tuneassist.show.rounds import steps_beside
from tuneassist.show.safe_console import SafeConsole
from tuneassist.show.verdict import opening, unsaid

WIDTH = 80
OPENING = re.compile(r" (STOP|CHECK|GO ON)  \S")
MARKS = "◐○*△·╳"


@pytest.fixture(scope="module")
def screens(begun_home: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Screens of one car, at 80 columns, in a folder with a short name."""
    home = tmp_path_factory.mktemp("t") / "h"
    copytree(begun_home, home)
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(home)
        patch.setenv("COLUMNS", str(WIDTH))
        return {
            "check": ok("check", "a.csv", "-s", "car.toml"),
            "propose": ok("propose", "a.csv", "-s", "car.toml", "-o", "out"),
            "coverage": ok("coverage", "a.csv", "-s", "car.toml"),
            "plan": ok("plan", "tune", "--minutes", "10"),
            "verify": ok("verify", "tune/round-01/grid.csv", "-s", "car.toml"),
            "status": ok("rounds", "status", "tune"),
            "accept": ok("rounds", "accept", "tune"),
            "report": ok("report", "tune", "-o", "page.html"),
        }


@pytest.mark.parametrize(
    "name", ["check", "propose", "coverage", "plan", "verify", "status", "accept", "report"]
)
def test_a_screen_opens_with_its_verdict_and_fits_80_columns(
    screens: dict[str, str], name: str
) -> None:
    lines = screens[name].splitlines()
    assert OPENING.match(lines[0]), lines[0]
    assert max(len(line) for line in lines) <= WIDTH
    bullets = [line for line in lines if re.match(r"  [-!] ", line)]
    assert len(bullets) == len(set(bullets))
    assert screens[name].count("Next") <= 1
    assert "…" not in screens[name]
    for colour in ("Orange", "Blue"):  # there are no colours where a screen is piped
        assert colour not in screens[name]


def test_maps_come_before_limits_and_notes(screens: dict[str, str]) -> None:
    said = screens["propose"]
    places = [said.index(words) for words in (
        "How far lambda is", "Proposed step", "What was limited", "Where the samples went",
        "Notes and doubts", "Written",
    )]  # fmt: skip
    assert places == sorted(places)


def test_a_legend_names_the_marks_and_colours_of_its_map_and_no_other() -> None:
    cells, setup = small_cells(), small_setup()
    for rows in ([0, 1, 2, 3], [0, 0, 0, 0], [1, 1, 2, 2]):
        some = cells.iloc[rows].reset_index(drop=True)
        picture = deviation_picture(some, setup)
        words = deviation_legend(picture, setup, Display())
        shown = {Display().mark(one.mark) for one in picture.cells} | {
            {"nothing": "·", "left alone": "╳"}.get(one.state, "") for one in picture.cells
        }
        assert {mark for mark in MARKS if mark in words} == shown - {""}
        assert ("good" in words) == any(one.note == "good confidence" for one in picture.cells)
        assert ("Orange" in words) == any(one.shade > 0 for one in picture.cells)
        assert ("Blue" in words) == any(one.shade < 0 for one in picture.cells)
        assert ">" not in words
        plain = deviation_legend(picture, setup, Display(has_color=False))
        assert "Orange" not in plain and "Blue" not in plain
    bound = CellPicture(setup.axes, (CellShown("value", ">+4.0", ">+4.0"),) * 4)
    assert "> leaner" in deviation_legend(bound, setup, Display())
    assert "<" not in deviation_legend(bound, setup, Display())


def test_a_step_map_without_marks_has_no_legend() -> None:
    cells = pd.DataFrame(
        {"rpm": [1.0] * 4, "load": [2.0] * 4, "step_pct": [1.0] * 4, "grid_pct": [1.0] * 4,
         "confidence": ["good"] * 4}
    )  # fmt: skip
    assert step_legend(step_picture(cells, None, small_setup()), Display()) == ""
    cells.loc[0, ["step_pct", "confidence"]] = [0.0, "none"]
    assert step_legend(step_picture(cells, None, small_setup()), Display()).startswith("· no")


def test_too_little_evidence_is_marked_and_good_is_not() -> None:
    cells = small_cells().assign(confidence=["good", "fair", "none", "none"])
    cells["deviation_pct"] = [8.0, -8.0, 2.0, np.nan]
    assert [one.mark for one in deviation_picture(cells, small_setup()).cells] == [
        "", "fair", "none", "",
    ]  # fmt: skip


def text_of(renderable: object, width: int) -> str:
    stream = io.StringIO()
    SafeConsole(file=stream, width=width, markup=False, highlight=False).print(renderable)
    return stream.getvalue()


@pytest.mark.parametrize("width", [60, 80])
def test_what_was_limited_uses_the_whole_width(width: int) -> None:
    binding = pd.DataFrame(
        {"rule": ["lean_in_boost"] * 4, "rpm": [1000.0, 2000.0, 3000.0, 4000.0],
         "load": [30.0] * 4, "would_have_got_pct": [-4.0] * 4, "got_pct": [0.0] * 4,
         "words": ["held by the good confidence needed to lean in boost"] * 4}
    )  # fmt: skip
    lines = text_of(limits_section(binding, small_setup()), width).splitlines()
    assert max(len(line.rstrip()) for line in lines) > width - 12
    assert max(len(line) for line in lines) <= width
    assert any("4 cells" in line and "leaning in boost" in line for line in lines)
    assert " ".join(" ".join(lines).split()).count("Reason for the first: the good confidence") == 1


@pytest.mark.parametrize("width", [60, 80])
def test_where_the_samples_went_is_never_cut_off(width: int) -> None:
    outcomes = pd.Series({"engine cold": 1_234_567, "sensor at its stop": 10, "used": 1_234_567})
    said = text_of(sample_shares_table(outcomes, Display(width=width)), width)
    assert "…" not in said
    assert said.count("1,234,567") == 2
    assert ("■" in said) == (width == 80)


HALT = Verdict(
    "STOP",
    "The loop has halted: it did not answer.",
    (NotedCell(5000.0, 180.0, "off"),),
    "Check the engine, then report it: tuneassist rounds found tune ANSWER",
)


def test_what_the_verdict_says_is_not_said_again_below_it() -> None:
    assert unsaid("It did not answer. Log the trims.", HALT) == "Log the trims."
    assert unsaid("Far off: 5000 rpm and 180 kPa by 4 %.", HALT) == ""
    assert unsaid("Far off: 5000 rpm and 160 kPa by 4 %.", HALT) != ""
    steps = ("Report it: tuneassist rounds found tune ANSWER", "Else: tuneassist rounds undo tune")
    assert steps_beside(steps, HALT) == steps[1:]
    assert steps_beside(steps, None) == steps


def test_a_note_that_comes_twice_is_said_once() -> None:
    said = text_of(notes_section(["cold", "late", "cold"], first=("late",)), 80)
    assert (said.count("cold"), said.count("late")) == (1, 1)


def test_a_code_page_without_the_marks_gets_plain_ones_and_no_crash() -> None:
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding="cp1252", errors="replace")
    console = SafeConsole(file=stream, width=80)
    display = display_of(console)
    assert display.is_ascii
    assert not display.has_color
    picture = deviation_picture(small_cells(), small_setup())
    console.print(deviation_legend(picture, small_setup(), display))
    for part in opening("GO ON", "Größe, 5 → 6 ●", "next"):
        console.print(part)
    stream.flush()
    assert b"? low" in raw.getvalue()
    assert raw.getvalue().decode("cp1252").startswith("Confidence")


class _Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_a_command_that_takes_long_shows_that_it_works_until_it_writes(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(waiting, "PATIENCE_S", 0.01)
    monkeypatch.delenv("TERM", raising=False)
    terminal = _Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    waiting.show_waiting("working")
    deadline = time.monotonic() + 5.0
    while "working" not in terminal.getvalue() and time.monotonic() < deadline:
        time.sleep(0.02)
    assert "working" in terminal.getvalue()
    tell("done.")
    ended = terminal.getvalue()
    assert ended.endswith("tuneassist: done.\n")
    time.sleep(0.15)
    assert terminal.getvalue() == ended


def test_where_standard_error_is_no_terminal_nothing_shows(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(waiting, "PATIENCE_S", 0.0)
    pipe = io.StringIO()
    monkeypatch.setattr(sys, "stderr", pipe)
    waiting.show_waiting("working")
    time.sleep(0.05)
    waiting.end_waiting()
    assert pipe.getvalue() == ""
