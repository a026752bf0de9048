"""The bench sheet: one page for the shop wall, for one day at the dynamometer.

The page is one file of HTML that loads nothing and runs no script. Its height is fixed and fits A4
and Letter, so that it never prints to a second page; what does not fit is counted on it.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from tuneassist.inert import clipped
from tuneassist.own_units import unit_word, with_unit
from tuneassist.settings import Setup
from tuneassist.show.bench_ceilings import ceiling_rows, past_hard
from tuneassist.show.display import counted, plain
from tuneassist.show.page_templates import page_templates
from tuneassist.units import UNITS, convert

if TYPE_CHECKING:
    import pandas as pd

    from tuneassist.files.zero_result import ZeroResult
    from tuneassist.loop.plan import Plan

TEMPLATE = "bench_sheet.html.jinja"
WIDE_BLOCKS, NARROW_BLOCKS = 3, 4
"""Blocks of rows beside one another: few in large type, or many in smaller type. [1]"""
MOST_ROWS = 15
"""Most rows of a block: four blocks then hold the most of one plan by default. [1]"""
ROOM_MM, ROW_MM = 138.0, 5.1
"""Height of a page without holds, ceilings and warning, and of a row of holds. [mm]"""
CEILING_MM, WARNING_MM, LINE_MM = 9.0, 20.0, 5.2
"""Height of a row of the ceilings, of the warning, and of a line above the holds. [mm]"""
MOST_SWEEPS = 2
"""Most sweeps on the page; the others are counted. [1]"""
LABEL_LENGTH = 60
"""Characters of the car's name that fit two lines. [1]"""
BANNER_LENGTH = 150
"""Characters of the warning that fit. [1]"""
NOTE_LENGTH = 100
"""Characters of a note in small type that fit. [1]"""
RUNS_A_SIDE = "five or six"
"""Runs that a zero test wants on each side, in words."""
NO_PLAN = "No holds planned: write them in, or log a slow sweep and print a new sheet."
CHECKS = (
    "Car strapped down, straps tight, wheels straight",
    "Fans on, air at radiator and coolers",
    "Exhaust extraction on, cell ventilated",
    "Carbon monoxide alarm on and tested",
    "Nobody near rollers, wheels and exhaust",
    "Somebody at the stop button, and it was tried",
)
"""What is checked before the engine is started."""
ZERO_WORDS = {
    "equivalent": "EQUIVALENT",
    "different": "DIFFERENT: find the cause before any tuning",
    "cannot tell": "CANNOT TELL: more runs are needed",
}


@dataclass(frozen=True, eq=False)
class BenchDay:
    """What a bench sheet is made from.

    Parameters
    ----------
    setup
        The car's setup.
    made_at
        The day, as YYYY-MM-DD.
    version
        Of the program.
    plan
        What to hold; None without one.
    done
        Which holds of the plan were held.
    why_no_plan
        Why there is no plan; empty where none was asked for.
    zero
        What a zero test said; None where that is not known.
    in_controller
        Name of the grid in the controller; empty where that is not known.
    warning
        What must be known before the engine is started; empty for nothing.
    is_simulated
        Whether the data are simulated.
    set_aside
        Why each log that could not be used was set aside, by name.
    known_logs
        SHA-256 of each log that the plan was made from, to its name.
    """

    setup: Setup
    made_at: str
    version: str
    plan: Plan | None = None
    done: Sequence[bool] = ()
    why_no_plan: str = ""
    zero: ZeroResult | None = None
    in_controller: str = ""
    warning: str = ""
    is_simulated: bool = False
    set_aside: Mapping[str, str] = field(default_factory=dict)
    known_logs: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class HoldRow:
    """A hold on the page, in words; ``number`` is empty for a row to be written in."""

    number: str = ""
    rpm: str = ""
    load: str = ""
    seconds: str = ""
    is_heavy: bool = False
    is_done: bool = False


@dataclass(frozen=True)
class HoldTable:
    """The holds on the page.

    Parameters
    ----------
    blocks
        Rows side by side, in driving order from the first block's top.
    is_narrow
        Whether the blocks are many and narrow.
    sweeps
        Sweeps ahead of the holds, in words.
    done, total
        Holds done, and holds in all. [1]
    left_out
        Which holds are not on the page, and where they are listed; empty for none.
    """

    blocks: tuple[tuple[HoldRow, ...], ...]
    is_narrow: bool
    sweeps: tuple[str, ...]
    done: int
    total: int
    left_out: str


def hold_table(day: BenchDay) -> HoldTable:
    """Lay out the holds: all of them if they fit, else those not yet done, as many as fit.

    Parameters
    ----------
    day
        What the sheet is made from.
    """
    if day.plan is None:
        return HoldTable(_blocks([], WIDE_BLOCKS, _rows_of(day, 0)), False, (), 0, 0, "")
    rows = _hold_rows(day.plan.holds, day.done)
    open_rows = [row for row in rows if not row.is_done]
    done = len(rows) - len(open_rows)
    sweeps = _sweep_words(day.plan.sweeps, plain(day.setup.axes.load_unit))
    most = _rows_of(day, len(sweeps))
    if fits := len(rows) <= most * NARROW_BLOCKS:
        shown, left_out = rows, ""
    else:
        most = _rows_of(day, len(sweeps) + 1)
        shown = open_rows[: most * NARROW_BLOCKS]
        left_out = _left_out(done, len(open_rows) - len(shown))
    is_narrow = not fits or len(shown) > most * WIDE_BLOCKS
    blocks = _blocks(shown, NARROW_BLOCKS if is_narrow else WIDE_BLOCKS, most)
    return HoldTable(blocks, is_narrow, sweeps, done, len(rows), left_out)


def _rows_of(day: BenchDay, lines: int) -> int:
    """Return how many rows of holds fit below ceilings, warning and so many lines."""
    taken = CEILING_MM * len(ceiling_rows(day.setup)) + LINE_MM * lines
    taken += WARNING_MM if day.warning else 0.0
    return int(min((ROOM_MM - taken) / ROW_MM, MOST_ROWS))


def _hold_rows(holds: pd.DataFrame, done: Sequence[bool]) -> list[HoldRow]:
    marks = list(done) or [False] * len(holds)
    return [
        HoldRow(
            f"{row['number']:g}",
            f"{row['rpm']:.0f}",
            f"{round(row['load'], 3):.4g}",
            f"{row['rest_s']:.0f}+{row['hold_s']:.0f}"
            if row["rest_s"] >= 1
            else f"{row['hold_s']:.0f}",
            row["band"] == "heavy",
            bool(is_done),
        )
        for row, is_done in zip(holds.to_dict("records"), marks, strict=True)
    ]


def _blocks(rows: Sequence[HoldRow], count: int, height: int) -> tuple[tuple[HoldRow, ...], ...]:
    padded = [*rows, *[HoldRow()] * (count * height - len(rows))]
    return tuple(tuple(padded[k * height : (k + 1) * height]) for k in range(count))


def _sweep_words(sweeps: pd.DataFrame, unit: str) -> tuple[str, ...]:
    words = [
        f"{row['rpm']:.0f} to {row['rpm_to']:.0f} rpm and back at {row['load']:.4g} {unit}, "
        f"{row['sweep_s']:.0f} s"
        for row in sweeps.to_dict("records")
    ]
    shown, more = words[:MOST_SWEEPS], len(words) - MOST_SWEEPS
    if more > 0:
        shown[-1] += f"; and {more} more, listed by tuneassist plan"
    return tuple(shown)


def _left_out(done: int, more: int) -> str:
    parts = [f"{counted(done, 'hold')} done"] if done else []
    parts += [f"{more} more to hold"] if more else []
    return f"Not on this page: {' and '.join(parts)}. tuneassist plan lists all."


def _short(words: str, most: int) -> str:
    """Shorten words that the page has no room for, at the end."""
    return textwrap.shorten(plain(words), most, placeholder=" ...")


def warm_words(setup: Setup) -> str:
    """Return when the engine counts as warm, in the unit of the setup.

    Parameters
    ----------
    setup
        Thresholds of ``[steady]``, and which channel tells: coolant, its sender's voltage, or oil.

    Examples
    --------
    >>> import numpy as np
    >>> from tuneassist.grid import Axes
    >>> from tuneassist.settings import ChannelSource, Target
    >>> axes = Axes(rpm=np.array([1000.0, 2000.0]), load=np.array([50.0, 100.0]))
    >>> source = {"coolant_temp": ChannelSource("Water", unit="degF")}
    >>> warm_words(Setup(axes=axes, target=Target(np.ones((2, 2))), channels=source))
    'Coolant at 158 degF or more'
    """
    steady = setup.steady
    if "coolant_temp" not in setup.unread and _is_first(setup, "coolant_temp"):
        return f"Coolant at {_temperature(steady.min_coolant_c, 'coolant_temp', setup)} or more"
    if "coolant_volts" in setup.channels:
        return f"Coolant sender at {steady.max_coolant_volts:g} V or less"
    if "oil_temp" not in setup.unread:
        return f"Oil at {_temperature(steady.min_oil_c, 'oil_temp', setup)} or more"
    return f"Engine at work for {steady.unproven_warm_s / 60.0:g} min"


def _is_first(setup: Setup, name: str) -> bool:
    """Tell whether a channel is named, or none is that would stand in for it."""
    return name in setup.channels or not {"coolant_volts", "oil_temp"} & set(setup.channels)


def _temperature(value_c: float, name: str, setup: Setup) -> str:
    """Write a temperature in its channel's unit, else in that of the exhaust's ceiling."""
    source = setup.channels.get(name)
    unit = (source.transfer_unit or source.unit if source else None) or ""
    if unit not in UNITS or UNITS[unit].quantity != "temperature":
        unit = unit_word("exhaust_temp", setup)
    return with_unit(float(convert(value_c, "degC", unit)), unit)


def _unit_of(name: str, setup: Setup) -> str:
    """Return the unit of a channel as the setup has it; empty where it says none."""
    source = setup.channels.get(name)
    return (source.transfer_unit or source.unit or "") if source else ""


def written_values(setup: Setup) -> tuple[tuple[str, str], ...]:
    """Return what is read off and written in by hand: words, and the unit where it is known."""
    air = _unit_of("intake_temp", setup) or unit_word("exhaust_temp", setup)
    return (
        ("Barometer", _unit_of("barometer", setup)),
        ("Air temperature", air),
        ("Humidity", "%"),
        ("Fuel, tank", ""),
        ("Tyre pressure", ""),
    )


def bench_sheet_html(day: BenchDay) -> str:
    """Return the page.

    Parameters
    ----------
    day
        What it is made from.

    Returns
    -------
    str
        HTML, to be written as UTF-8.

    Raises
    ------
    InputError
        When the template library is not installed.
    """
    return page_templates("a bench sheet").get_template(TEMPLATE).render(_facts(day))


def _facts(day: BenchDay) -> dict[str, Any]:
    """Return what the template shows, all of it words."""
    setup, engine = day.setup, day.setup.engine
    return {
        "label": clipped(plain(engine.label), LABEL_LENGTH) or "car without a label",
        "engine_words": _engine_words(setup),
        "made_at": day.made_at,
        "version": day.version,
        "is_simulated": day.is_simulated,
        "warning": _short(day.warning, BANNER_LENGTH),
        "in_controller": plain(day.in_controller),
        "checks": CHECKS,
        "warm": warm_words(setup),
        "zero": _zero_facts(day.zero, is_of_real_car=not day.is_simulated),
        "runs_a_side": RUNS_A_SIDE,
        "values": written_values(setup),
        "ceilings": ceiling_rows(setup),
        "past_hard": past_hard(setup),
        "holds": hold_table(day),
        "load_unit": plain(setup.axes.load_unit),
        "no_plan": _short(day.why_no_plan or NO_PLAN, NOTE_LENGTH),
        "has_plan": day.plan is not None,
    }


def _engine_words(setup: Setup) -> str:
    engine = setup.engine
    words = [f"{engine.ignition} ignition", plain(engine.fuel)]
    if engine.rev_limit_rpm is not None:
        words.append(f"rev limit {engine.rev_limit_rpm:g} rpm")
    words.append(f"the grid corrects {setup.correction.acts_on}")
    return ", ".join(words)


def _zero_facts(zero: ZeroResult | None, *, is_of_real_car: bool) -> dict[str, Any]:
    if zero is None:
        return {"is_known": False, "is_equal": False, "words": "", "why": ""}
    words = f"{ZERO_WORDS[zero.verdict]}, {zero.day}"
    if zero.is_simulated:
        words += ", simulated data"
    is_equal = zero.verdict == "equivalent" and not (zero.is_simulated and is_of_real_car)
    why = _short(zero.statement.removeprefix(f"{zero.verdict}: "), NOTE_LENGTH)
    return {"is_known": True, "is_equal": is_equal, "words": words, "why": why}
