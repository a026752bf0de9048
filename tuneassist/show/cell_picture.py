"""What each cell of a map shows, decided once for terminal, page, figure and notebook.

A picture holds no characters and no colours: `Display` has the marks, and
`tuneassist.show.figures.colours` the fills.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from tuneassist.evidence.cell_table import is_beyond_holds
from tuneassist.grid import Axes, Floats, Grid
from tuneassist.settings import Setup
from tuneassist.show.display import BEYOND_WORDS, CellMark, Display, depth_of, signed

State = Literal["value", "nothing", "left alone"]
"""The cell has a value, no evidence, or no target or value to correct."""
ROUNDING = "resolution_pct"
"""The rule that rounds a step; it does not hold a cell back."""
KNOWN = ("low", "fair", "good")
"""Confidences with a known size; below them at most the direction is known."""
FULL_COUNT = 100.0
"""Evidence that is worth so many holds is shown without a decimal. [1]"""
WIDE_PCT = 9.95
"""A bound of this size keeps no decimal where a cell has room for five characters. [%]"""


@dataclass(frozen=True)
class CellShown:
    """What one cell shows.

    Parameters
    ----------
    state
        Whether there is anything to show.
    text
        The number, with > or < ahead of it where it is a bound; empty without one.
    short
        The same in at most five characters.
    mark
        The sign beside it: a confidence other than good, or that a rule held the cell back.
    shade
        0 for none, else 1 to 3 by size: positive on the unsafe side for this engine.
    note
        What mark and state mean, in words.
    """

    state: State
    text: str = ""
    short: str = ""
    mark: CellMark = ""
    shade: int = 0
    note: str = ""


NOTHING = CellShown("nothing", note="no evidence")
LEFT_ALONE = CellShown("left alone", note="left alone")


@dataclass(frozen=True, eq=False)
class CellPicture:
    """A map by rpm (down) and load (across).

    Parameters
    ----------
    axes
        The breakpoints.
    cells
        One per cell, in cell order.
    """

    axes: Axes
    cells: tuple[CellShown, ...]

    def rows(self) -> list[tuple[float, tuple[CellShown, ...]]]:
        """Return each speed with its cells. [rpm]"""
        columns = len(self.axes.load)
        return [
            (float(rpm), self.cells[row * columns : (row + 1) * columns])
            for row, rpm in enumerate(self.axes.rpm)
        ]


def text_of(shown: CellShown, display: Display) -> str:
    """Return the full text of a cell without its mark."""
    if shown.state == "value":
        return shown.text
    return display.left_alone if shown.state == "left alone" else display.no_evidence


def unsafe_deviation_sign(setup: Setup) -> int:
    """Return the sign of the unsafe deviation: + (lean) for spark, - (rich) otherwise."""
    return 1 if setup.engine.ignition == "spark" else -1


def unsafe_step_sign(setup: Setup) -> int:
    """Return the sign of a step in the unsafe direction."""
    is_rich_safe = setup.engine.ignition == "spark" and setup.correction.acts_on == "fuel"
    return -1 if is_rich_safe else 1


def deviation_picture(cells: pd.DataFrame, setup: Setup) -> CellPicture:
    """Show how far each cell is from target, with its confidence.

    Parameters
    ----------
    cells
        In cell order: ``target_lambda, deviation_pct, ci_low_pct, ci_high_pct, confidence`` and
        the columns of `is_beyond_holds`.
    setup
        Axes, ignition and kind of target.
    """
    unsafe_sign, is_floor = unsafe_deviation_sign(setup), setup.target.kind == "floor"
    shown = [
        _deviation(target, deviation, low, high, _confidence(str(word), is_beyond=beyond),
                   unsafe_sign=unsafe_sign, is_floor=is_floor)
        for target, deviation, low, high, word, beyond in zip(
            cells["target_lambda"], cells["deviation_pct"], cells["ci_low_pct"],
            cells["ci_high_pct"], cells["confidence"], is_beyond_holds(cells), strict=True,
        )
    ]  # fmt: skip
    return CellPicture(setup.axes, tuple(shown))


def step_picture(cells: pd.DataFrame, binding: pd.DataFrame | None, setup: Setup) -> CellPicture:
    """Show the step of each cell, and where a rule held it back.

    Parameters
    ----------
    cells
        In cell order: ``rpm, load, step_pct, grid_pct, confidence``.
    binding
        What the rules held back: ``rule, rpm, load``; None marks nothing.
    setup
        Axes and what the grid acts on.
    """
    held = set() if binding is None else _held_places(binding)
    unsafe_sign = unsafe_step_sign(setup)
    shown = [
        _step(step, value, str(word), is_held=place in held, unsafe_sign=unsafe_sign)
        for place, step, value, word in zip(
            zip(cells["rpm"], cells["load"], strict=True), cells["step_pct"], cells["grid_pct"],
            cells["confidence"], strict=True,
        )
    ]  # fmt: skip
    return CellPicture(setup.axes, tuple(shown))


def grid_picture(values: Iterable[float], setup: Setup) -> CellPicture:
    """Show the percents of a whole grid, in cell order, shaded by the unsafe direction."""
    return CellPicture(setup.axes, tuple(_percent(v, unsafe_step_sign(setup)) for v in values))


def plain_picture(grid: Grid) -> CellPicture:
    """Show a grid without a setup: numbers without a shade."""
    return CellPicture(grid.axes, tuple(_percent(v, 0) for v in grid.flat()))


def target_picture(setup: Setup) -> CellPicture:
    """Show the target mixture in the unit of the setup."""
    is_afr = setup.target.unit == "afr"
    factor, digits = (setup.engine.afr_stoich, 2) if is_afr else (1.0, 3)
    return CellPicture(setup.axes, tuple(_wanted(setup.target.table.ravel() * factor, digits)))


def coverage_picture(table: pd.DataFrame, axes: Axes) -> CellPicture:
    """Show how well each cell is known: the deeper the shade, the better.

    Parameters
    ----------
    table
        From `tuneassist.evidence.coverage.coverage_table`.
    axes
        The breakpoints.
    """
    worth = table["worth" if "worth" in table else "holds"].astype(float)
    rows = zip(table["state"], worth, table["confidence"].astype(str), strict=True)
    return CellPicture(axes, tuple(_covered(state, worth, word) for state, worth, word in rows))


def worth_words(worth: float) -> str:
    """Format what evidence is worth in holds: without a decimal where holds alone make it up.

    Examples
    --------
    >>> worth_words(3.0), worth_words(2.37), worth_words(0.01), worth_words(137.4)
    ('3', '2.4', '0', '137')
    """
    return f"{worth:.0f}" if worth >= FULL_COUNT else f"{worth:.1f}".removesuffix(".0")


def _confidence(word: str, *, is_beyond: bool) -> tuple[CellMark, str]:
    """Return the mark of a confidence and what it means."""
    if word not in KNOWN:
        return "none", "direction only"
    if is_beyond:
        return "beyond", f"{word} confidence, {BEYOND_WORDS}"
    return _MARK_OF[word], f"{word} confidence"


_MARK_OF: dict[str, CellMark] = {"good": "", "fair": "fair", "low": "low"}


def _deviation(
    target: float,
    deviation: float,
    low: float,
    high: float,
    confidence: tuple[CellMark, str],
    *,
    unsafe_sign: int,
    is_floor: bool,
) -> CellShown:
    if pd.isna(target):
        return LEFT_ALONE
    mark, note = confidence
    for side, value in (("", deviation), (">", low), ("<", high)):
        if not pd.isna(value):
            is_spared = is_floor and value > 0  # leaner than a floor needs nothing
            shade = 0 if is_spared else depth_of(value, unsafe_sign=unsafe_sign)
            short = _short(side, value)
            return CellShown("value", f"{side}{signed(value)}", short, "" if side else mark,
                             shade, note)  # fmt: skip
    return NOTHING


def _short(side: str, value: float) -> str:
    if not side:
        return signed(value)
    return f"{side}{value:+z.0f}" if abs(value) >= WIDE_PCT else f"{side}{value:+z.1f}"


def _held_places(binding: pd.DataFrame) -> set[tuple[float, float]]:
    real = binding[binding["rule"] != ROUNDING]
    return set(zip(real["rpm"], real["load"], strict=True))


def _step(step: float, value: float, word: str, *, is_held: bool, unsafe_sign: int) -> CellShown:
    if pd.isna(value):
        return LEFT_ALONE
    mark: CellMark = "held" if is_held else ""
    note = "held back by a limit" if is_held else ""
    if step == 0 and word == "none":
        return CellShown("nothing", mark=mark, note=note or NOTHING.note)
    short = signed(step) if step else "0"  # not rounded to it
    return CellShown(
        "value", signed(step), short, mark, depth_of(step, unsafe_sign=unsafe_sign), note
    )


def _percent(value: float, unsafe_sign: int) -> CellShown:
    if pd.isna(value):
        return LEFT_ALONE
    shade = depth_of(value, unsafe_sign=unsafe_sign) if unsafe_sign else 0
    return CellShown("value", signed(value), signed(value), shade=shade)


def _wanted(values: Floats, digits: int) -> Iterable[CellShown]:
    for value in values:
        text = f"{value:.{digits}f}"
        yield LEFT_ALONE if np.isnan(value) else CellShown("value", text, text)


def _covered(state: str, worth: float, word: str) -> CellShown:
    if state == "left alone":
        return LEFT_ALONE
    if state == "unseen":
        return CellShown("nothing", note="no samples nearby")
    if state == "seen":
        return CellShown(
            "value", "seen", "seen", shade=-1, note="samples, but no evidence of its own"
        )
    mark, note = _confidence(word, is_beyond=False)
    note = note if word in KNOWN else "evidence, but too little to trust"
    shade = -3 if state == "trusted" else -2
    text = worth_words(worth)
    return CellShown("value", text, text, mark, shade, note)
