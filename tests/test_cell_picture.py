"""What a cell shows is decided once: terminal, page, figure and notebook say the same of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from rich.text import Text

from tuneassist.evidence.cell_table import BEYOND_HOLDS
from tuneassist.grid import Axes, Grid
from tuneassist.settings import EngineSettings, Setup, Target
from tuneassist.show.cell_grid import picture_grid
from tuneassist.show.cell_picture import (
    CellPicture,
    coverage_picture,
    deviation_picture,
    grid_picture,
    plain_picture,
    step_picture,
    target_picture,
)
from tuneassist.show.display import Display
from tuneassist.show.figures.cells import plot_cells, plot_step
from tuneassist.show.figures.colours import NOTHING, PAPER, UNSAFE_FILLS
from tuneassist.show.report_blocks import picture_map

NAN = np.nan
AXES = Axes(rpm=np.array([800.0, 1200.0]), load=np.array([30.0, 60.0, 90.0, 120.0]))


def car(kind: str = "aim", ignition: str = "spark") -> Setup:
    table = np.full((2, 4), 1.0)
    table[1, 3] = NAN
    return Setup(
        AXES,
        Target(table, kind, "lambda"),  # type: ignore[arg-type]
        engine=EngineSettings(ignition=ignition),  # type: ignore[arg-type]
    )


def cells() -> pd.DataFrame:
    """Good, beyond the holds, low, none; a bound on either side, direction only, no target."""
    return pd.DataFrame(
        {
            "rpm": AXES.cell_rpm(),
            "load": AXES.cell_load(),
            "target_lambda": car().target.table.ravel(),
            "deviation_pct": [8.0, -4.0, 0.2, NAN, NAN, NAN, 2.0, NAN],
            "ci_low_pct": [7.0, -5.0, -1.0, NAN, 12.3, NAN, 1.0, NAN],
            "ci_high_pct": [9.0, -3.0, 1.4, NAN, NAN, -0.2, 3.0, NAN],
            "confidence": ["good", "fair", "low", "none", "none", "none", "none", "none"],
            "evidence": ["", BEYOND_HOLDS, "", "", "", "", "", ""],
            "step_pct": [8.0, -4.0, 0.0, 0.0, 0.0, 1.5, 0.0, 0.0],
            "grid_pct": [8.0, -4.0, 0.0, 0.0, 0.0, 1.5, 0.0, NAN],
        }
    )


BINDING = pd.DataFrame(
    {
        "rule": ["max_step_pct", "resolution_pct", "own_need"],
        "rpm": [800.0, 800.0, 800.0],
        "load": [30.0, 60.0, 90.0],
    }
)


def on_terminal(picture: CellPicture) -> tuple[list[str], list[str]]:
    """Return the words of every cell, and the styles of those that have one."""
    lines = [
        line for line in picture_grid(picture, Display()).renderables if isinstance(line, Text)
    ]
    words = [word for line in lines[1:] for word in line.plain.split()[1:]]
    return words, [str(span.style) for line in lines for span in line.spans]


def on_page(picture: CellPicture) -> list[tuple[str, str, str]]:
    rows = picture_map("", picture).rows
    return [(c.text, c.mark, c.fill) for _, row in rows for c in row]


DEVIATIONS = ["+8.0", "-4.0△", "+0.2○", "·", ">+12.3", "<-0.2", "+2.0*", "╳"]
STEPS = ["+8.0!", "-4.0", "0.0!", "·", "·", "+1.5", "·", "╳"]


def test_a_deviation_reads_the_same_on_page_and_figure_and_fits_the_terminal() -> None:
    picture = deviation_picture(cells(), car())
    assert [text + mark for text, mark, _ in on_page(picture)] == DEVIATIONS
    assert [t.get_text() for t in plot_cells(cells(), car()).texts] == DEVIATIONS
    words, _ = on_terminal(picture)
    assert words == [{">+12.3": ">+12"}.get(word, word) for word in DEVIATIONS]
    assert all(len(cell.short) <= 5 for cell in picture.cells)


def test_a_step_reads_the_same_everywhere_with_what_a_rule_held_back() -> None:
    picture = step_picture(cells(), BINDING, car())
    assert [text + mark for text, mark, _ in on_page(picture)] == STEPS
    frame = plot_step(cells(), car(), binding=BINDING)
    assert [t.get_text() for t in frame.texts] == STEPS
    assert on_terminal(picture)[0] == [{"0.0!": "0!"}.get(word, word) for word in STEPS]


def test_what_is_not_known_is_grey_on_the_page_whatever_the_map() -> None:
    for picture in (deviation_picture(cells(), car()), step_picture(cells(), None, car())):
        fills = {text: fill for text, _, fill in on_page(picture)}
        assert fills["·"] == fills["╳"] == NOTHING


def test_leaner_than_a_floor_has_no_warning_colour_bounds_included() -> None:
    lean_hurts, floor = car(), car("floor")
    of = {kind: deviation_picture(cells(), kind) for kind in (lean_hurts, floor)}
    assert on_page(of[lean_hurts])[4][2] == UNSAFE_FILLS[2]
    assert on_page(of[floor])[4][2] == on_page(of[floor])[0][2] == PAPER
    assert "black on color(172)" in on_terminal(of[lean_hurts])[1]
    assert "black on color(172)" not in on_terminal(of[floor])[1]


def test_the_side_that_hurts_is_the_engines() -> None:
    shades = {i: [c.shade for c in deviation_picture(cells(), car("aim", i)).cells[:2]]
              for i in ("spark", "compression")}  # fmt: skip
    assert shades == {"spark": [3, -2], "compression": [-3, 2]}


@pytest.mark.parametrize(
    ("number", "note"),
    [
        (0, "good confidence"),
        (1, "fair confidence, beyond the outermost readings"),
        (3, "no evidence"),
        (4, "direction only"),
        (7, "left alone"),
    ],
)
def test_a_sign_is_told_in_words_too(number: int, note: str) -> None:
    assert deviation_picture(cells(), car()).cells[number].note == note


def test_a_grid_without_its_car_has_no_shades_and_with_it_those_of_the_step() -> None:
    values = np.array([[5.0, -5.0, 0.0, NAN]] * 2)
    assert {c.shade for c in plain_picture(Grid(AXES, values)).cells} == {0}
    assert [c.shade for c in grid_picture(values.ravel(), car()).cells[:4]] == [-2, 2, 0, 0]


def test_a_target_is_shown_in_the_unit_that_it_was_given_in() -> None:
    setup = car()
    assert target_picture(setup).cells[0].text == "1.000"
    afr = replace(setup, target=Target(setup.target.table, "aim", "afr"))
    assert target_picture(afr).cells[0].text == f"{setup.engine.afr_stoich:.2f}"
    assert target_picture(setup).cells[-1].state == "left alone"


def test_coverage_deepens_from_unseen_to_trusted() -> None:
    states = ["left alone", "unseen", "seen", "held", "trusted", "trusted", "held", "seen"]
    words = ["none", "none", "none", "low", "fair", "good", "low", "none"]
    table = pd.DataFrame({"state": states, "holds": [0, 0, 0, 1, 2, 3, 0, 0], "confidence": words})
    picture = coverage_picture(table, AXES)
    assert on_terminal(picture)[0] == ["╳", "·", "seen", "1○", "2◐", "3", "0○", "seen"]
    assert [cell.shade for cell in picture.cells[:6]] == [0, 0, -1, -2, -3, -3]
