"""What a boost grid does, for the terminal: boost before and after, and the fuel to take away."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
from rich.console import Group, RenderableType

from tuneassist.correction.boost_forecast import BASIS, EARLIER, UNREAD, barometer_words
from tuneassist.correction.limiter import SHUT_TO_AIR
from tuneassist.loop.history_changes import FUEL_FILE
from tuneassist.pipeline import Proposal
from tuneassist.show.boost_picture import BROUGHT, boost_picture, part_that_changes
from tuneassist.show.cell_grid import axis_words, picture_grid
from tuneassist.show.cell_picture import grid_picture
from tuneassist.show.display import Display, counted, dim, plain, title
from tuneassist.show.log_summary import bullets

EXAMPLES = 3
"""Most cells named in a sentence. [1]"""
SHORT_PCT = 0.1
"""Fuel that is short by less than this is not worth a word. [%]"""
LESS_FUEL = "Air must not rise here: reduce fuel by other means"
LEAVE_RICH = (
    "no fuel is taken away there, for less fuel would lean a spark engine in boost. Leave these "
    "cells rich, which is the safe side"
)


def boost_section(proposal: Proposal, unit: str, display: Display) -> RenderableType:
    """Return boost before and after the step where it changes; nothing for a fuel grid.

    Parameters
    ----------
    proposal
        With the columns of `tuneassist.pipeline.BOOST_COLUMNS`.
    unit
        Unit word of pressure.
    display
        Width and marks.
    """
    cells, setup = proposal.cells, proposal.setup
    if BASIS not in cells:
        return Group()
    is_changed = cells["step_pct"].ne(0) & cells["step_pct"].notna()
    if not is_changed.any():
        return Group()
    arrow = ">" if display.is_ascii else "→"
    picture = part_that_changes(boost_picture(cells, setup.axes, unit, arrow=arrow), is_changed)
    return Group(
        title(f"Boost now {arrow} after the step, {unit} gauge: highest reading, predicted"),
        dim(f"{axis_words(setup.axes)}; only where a cell changes"),
        picture_grid(picture, display),
        dim(" ".join(boost_notes(cells, proposal, display.no_evidence))),
    )


def boost_notes(cells: pd.DataFrame, proposal: Proposal, mark: str) -> list[str]:
    """Say what the boost rests on, in sentences.

    Parameters
    ----------
    cells
        With their basis.
    proposal
        Whose setup has the barometer.
    mark
        Of a cell without a reading.
    """
    base = barometer_words(cells, proposal.setup)
    words = [
        f"Now: the highest reading logged in the cell, above {base}. After: its absolute pressure "
        "times the step."
    ]
    if cells[BASIS].eq(EARLIER).any():
        words.append(f"{BROUGHT} read with an earlier grid, brought to the one in force.")
    blind = cells[BASIS].eq(UNREAD) & cells["step_pct"].ne(0)
    if blind.any():
        count = counted(int(blind.sum()), "cell")
        words.append(
            f"{mark} no pressure was logged there: {count} with a step whose boost nobody knows."
        )
    return words


def less_fuel_section(proposal: Proposal, display: Display) -> RenderableType:
    """Return the fuel to take away where the air must not rise.

    Parameters
    ----------
    proposal
        What was proposed.
    display
        Width and marks.
    """
    if proposal.setup.engine.ignition == "spark":
        return _spark_section(proposal)
    less = proposal.fuel
    if less is None:
        return Group()
    values = less.grid.flat()
    whole = grid_picture(values, proposal.setup)
    return Group(
        title(LESS_FUEL),
        dim(f"{FUEL_FILE}, percent: + more fuel, - less; all other cells 0"),
        picture_grid(part_that_changes(whole, pd.Series(values != 0)), display),
        bullets(_fuel_words(proposal)),
    )


def _fuel_words(proposal: Proposal) -> tuple[str, ...]:
    """Say when to use the second grid, and where it falls short."""
    words = (
        "Use it where the smoke is to be gone now. Where more boost is sound instead, raise the "
        "limit in the setup and propose again.",
        *_short_words(proposal),
    )
    return tuple(plain(one) for one in words)


def _short_words(proposal: Proposal) -> tuple[str, ...]:
    cells, less = proposal.cells, proposal.fuel
    if less is None:
        return ()
    needed, taken = cells["needs_less_fuel_pct"].to_numpy(dtype=float), -less.limited.step_pct
    is_short = needed - taken > SHORT_PCT
    if not is_short.any():
        return ()
    rows = cells.assign(taken=taken, short=needed - taken)[is_short]
    rows = rows.sort_values("short", ascending=False)
    unit = proposal.setup.axes.load_unit
    first = "; ".join(
        f"{row['rpm']:g} rpm, {row['load']:g} {unit} needs {row['needs_less_fuel_pct']:.1f} %, "
        f"gets {row['taken']:.1f} %"
        for row in rows.head(EXAMPLES).to_dict("records")
    )
    more = f"; and {len(rows) - EXAMPLES} more" if len(rows) > EXAMPLES else ""
    return (f"The rules for fuel let less through at once: {first}{more}. Log again in between.",)


def _spark_section(proposal: Proposal) -> RenderableType:
    held = held_rich(proposal)
    if held.empty:
        return Group()
    unit = proposal.setup.axes.load_unit
    places = "; ".join(
        f"{rpm:g} rpm, {load:g} {unit}"
        for rpm, load in held[["rpm", "load"]].head(EXAMPLES).itertuples(index=False)
    )
    more = f"; and {len(held) - EXAMPLES} more" if len(held) > EXAMPLES else ""
    words = f"{places}{more}: {LEAVE_RICH}, or raise the limit only if the engine bears the boost."
    return Group(title("Air must not rise here: leave the cell rich"), bullets((plain(words),)))


def held_rich(proposal: Proposal) -> pd.DataFrame:
    """Return the cells of a boost grid that are rich and whose air must not rise.

    Parameters
    ----------
    proposal
        What was proposed; a fuel grid has none.
    """
    binding = proposal.limited.binding
    if proposal.setup.correction.acts_on == "fuel":
        return binding.head(0)
    is_shut = binding["rule"].isin(SHUT_TO_AIR)
    wanted_more = binding["would_have_got_pct"] > binding["got_pct"].clip(lower=0.0)
    return binding[is_shut & wanted_more].drop_duplicates(["rpm", "load"])


def written_fuel(folder: Path, *, has_step: bool) -> str:
    """Say how the second grid of a single proposal is typed in.

    Parameters
    ----------
    folder
        Of the proposal, as typed.
    has_step
        Whether any cell of the boost grid changes.
    """
    together = " together with grid.csv" if has_step else ""
    return (
        f"Type {plain(folder / FUEL_FILE)} into the fuel table{together}: percent of the fuel "
        "that was delivered while logging. Where that table held corrections then, compose them: "
        "(1 + old)(1 + new) - 1. `tuneassist rounds` keeps account of both grids."
    )


def fuel_words(proposal: Proposal) -> str:
    """Return in how many cells fuel is taken away, for one line; empty without any."""
    less = proposal.fuel
    if less is None:
        return ""
    count = counted(int((less.limited.step_pct != 0).sum()), "cell")
    return f"; fuel to take away in {count}: {FUEL_FILE}"
