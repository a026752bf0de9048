"""The page's sections on cells: before and after, coverage and confidence."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from tuneassist.correction.boost_forecast import BASIS
from tuneassist.evidence.coverage import STATES
from tuneassist.settings import Setup
from tuneassist.show.boost_picture import BROUGHT, boost_picture
from tuneassist.show.cell_picture import (
    KNOWN,
    deviation_picture,
    grid_picture,
    step_picture,
    unsafe_step_sign,
)
from tuneassist.show.coverage import STATE_WORDS
from tuneassist.show.display import HELD, counted
from tuneassist.show.figures.drawing import MARKS, figure_of
from tuneassist.show.labels import step_words as step_means
from tuneassist.show.map_legend import deviation_legend
from tuneassist.show.report_blocks import (
    Block,
    CellMap,
    Facts,
    Paragraphs,
    Picture,
    Pictures,
    Section,
    picture_map,
)
from tuneassist.show.report_data import ReportData, ReportRound


def before_after_section(data: ReportData, setup: Setup) -> Section:
    """Return the cells before and after as maps of numbers."""
    first, last = data.rounds[0], data.rounds[-1]
    unit = "from target" if setup.target.kind == "aim" else "from the floor"
    maps: list[Block] = [Paragraphs((f"Deviation {unit} in percent: + leaner, - richer.",))]
    maps.append(deviation_map(f"Before: {first.name}, {first.in_force}", first.cells, setup))
    if len(data.rounds) > 1:
        caption = f"Measured last: {last.name}, {last.in_force}"
        maps.append(deviation_map(caption, last.cells, setup))
    if last.is_step:
        caption = f"Expected after the step of {last.name}; calculated, not measured"
        expected = deviation_map(caption, last.expected, setup)
        maps.append(replace(expected, is_printed=False))  # what was measured, and the step, are
    maps += _grids(data, last, setup)
    return Section("Cells before and after", (*maps, Facts(change_facts(data, setup))))


def deviation_map(caption: str, cells: pd.DataFrame, setup: Setup) -> CellMap:
    """Return a map of deviations with each cell's confidence."""
    picture = deviation_picture(cells, setup)
    note = f"{deviation_legend(picture, setup, MARKS)} White: below 1 %."
    return picture_map(caption, picture, note=note)


def _step_map(one: ReportRound, setup: Setup) -> CellMap:
    note = (
        f"{HELD} held back by a limit; {MARKS.no_evidence} no evidence, no change. "
        f"{correction_colours(setup)}"
    )
    picture = step_picture(one.cells, one.binding, setup)
    return picture_map(f"Step of {one.name}, {step_means(setup)}", picture, note=note)


def _grids(data: ReportData, last: ReportRound, setup: Setup) -> list[Block]:
    """Return the step and the grids, both in the controller and proposed."""
    maps: list[Block] = []
    if last.fate == "rejected":
        maps.append(Paragraphs((
            f"The proposal of {last.name} was rejected: it is not in the controller, and its grid "
            "is not shown. Its evidence counts.",
        )))  # fmt: skip
    elif last.fate == "edited":
        maps.append(Paragraphs((
            f"The controller holds another grid than {last.name} proposed: what to expect of it is "
            "not calculated.",
        )))  # fmt: skip
    elif last.is_step:
        maps.append(_step_map(last, setup))
        maps += boost_maps(last, setup)
    if data.controller_grid is not None:
        caption = f"In the controller, as reported: {data.controller_grid.name}, percent"
        held = _grid_map(caption, data.controller_grid.grid.flat(), setup)
        maps.append(replace(held, is_printed=False))  # the grid to type in and its step are
    if last.fate == "proposed" and not last.is_halt:
        caption = f"Proposed by {last.name}, not loaded yet: the whole grid to type in, percent"
        maps.append(_grid_map(caption, last.cells["grid_pct"], setup))
    if last.fate == "proposed" and last.fuel is not None and not last.is_halt:
        caption = (
            f"Proposed by {last.name} for the fuel table, not loaded yet: fuel to take away where "
            "the air must not rise, percent of fuel quantity"
        )
        maps.append(_grid_map(caption, last.fuel.flat(), setup))
    return maps


def boost_maps(one: ReportRound, setup: Setup) -> list[CellMap]:
    """Return the map of boost before and after a step; none for a fuel grid."""
    if not one.boost_unit or BASIS not in one.cells:
        return []
    picture = boost_picture(one.cells, setup.axes, one.boost_unit, arrow=" → ")
    note = (
        f"Now: the highest reading logged in the cell, above {one.counts_from}. After: its "
        f"absolute pressure times the step, predicted and not measured. {BROUGHT} read with an "
        f"earlier grid and brought to the one in force; {MARKS.no_evidence} no pressure was logged "
        "there. Orange: more boost."
    )
    caption = f"Boost now, and after the step of {one.name}, {one.boost_unit} gauge"
    return [picture_map(caption, picture, note=note)]


def _grid_map(caption: str, values: Iterable[float], setup: Setup) -> CellMap:
    return picture_map(caption, grid_picture(values, setup))


def correction_colours(setup: Setup) -> str:
    """Say what the colours of a map of corrections mean.

    Parameters
    ----------
    setup
        Ignition, and what the grid corrects.
    """
    quantity = "fuel" if setup.correction.acts_on == "fuel" else "air"
    way = "more" if unsafe_step_sign(setup) > 0 else "less"
    return f"Orange with a corner: {way} {quantity}, the unsafe way. Blue: the safe way."


def change_facts(data: ReportData, setup: Setup) -> tuple[tuple[str, str], ...]:
    """Summarise the change in a few numbers."""
    first, last = data.rounds[0], data.rounds[-1]
    facts = [(f"Before ({first.name})", _inside_words(first.cells, setup))]
    if len(data.rounds) > 1:
        facts.append((f"Measured last ({last.name})", _inside_words(last.cells, setup)))
    if last.is_step:
        words = f"{_inside_words(last.expected, setup)}; calculated, not measured"
        facts.append(("Expected after the step", words))
    return tuple(facts)


def _inside_words(cells: pd.DataFrame, setup: Setup) -> str:
    from tuneassist.loop.advice import AdviceSettings, miss_pct

    known = cells[cells["confidence"].isin(KNOWN) & cells["target_lambda"].notna()]
    miss = np.abs(miss_pct(known, setup))
    miss = miss[np.isfinite(miss)]
    if not miss.size:
        return "no cell is known"
    near = AdviceSettings().tolerance_pct
    return (
        f"{int((miss <= near).sum())} of {miss.size} known cells within {near:g} %, rms "
        f"{float(np.sqrt(np.mean(miss**2))):.2f} %, worst {miss.max():.1f} %"
    )


def coverage_section(data: ReportData, setup: Setup) -> Section:
    """Return coverage and confidence, with the holds behind them."""
    last = data.rounds[-1]
    words = last.cells.loc[last.cells["target_lambda"].notna(), "confidence"]
    total = len(words)
    counts = {word: int((words == word).sum()) for word in ("good", "fair", "low", "none")}
    listed = ", ".join(f"{count} {word}" for word, count in counts.items())
    blocks: list[Block] = [
        Paragraphs((
            f"Of {total} cells with a target: {listed}. Cells without evidence were not "
            "changed. Confidence rates the width of the 95 % interval.",
        ))
    ]  # fmt: skip
    shown = _coverage_pictures(data, last, setup)
    if shown:
        blocks.append(Pictures(shown))
    return Section("Coverage and confidence", tuple(blocks))


def _coverage_pictures(data: ReportData, last: ReportRound, setup: Setup) -> tuple[Picture, ...]:
    from tuneassist.show.plots import coverage_figure, plot_holds

    shown = []
    if last.coverage is not None:
        holds = (
            data.residuals if data.residuals is not None else pd.DataFrame({"rpm": [], "load": []})
        )
        figure = coverage_figure(
            last.coverage, setup.axes, holds=holds, label=setup.engine.label,
            is_simulated=data.is_simulated, setup=setup, readings=last.cells,
        )  # fmt: skip
        counts = last.coverage["state"].value_counts()
        alt = ", ".join(
            f"{int(counts.get(state, 0))} cells {state} ({STATE_WORDS[state]})" for state in STATES
        )
        shown.append(Picture("coverage", figure, "Coverage of the cells", f"{alt}.", True))
    if data.residuals is not None and len(data.residuals):
        frame = plot_holds(
            data.residuals, setup.axes, setup=setup, readings=last.cells,
            is_simulated=data.is_simulated,
        )  # fmt: skip
        gap = data.residuals.loc[data.residuals["is_used"], "residual_pct"].abs()
        alt = (
            f"{counted(len(data.residuals), 'hold')}; half of those used are within "
            f"{gap.median():.2f} % of the fit, the farthest {gap.max():.1f} %."
        )
        shown.append(Picture("holds", figure_of(frame), "Holds and the fit", alt, True))
    return tuple(shown)


def blank_places(cells: pd.DataFrame, setup: Setup) -> Sequence[str]:
    """List the speeds at which cells have no evidence, with the loads. [rpm]"""
    blank = cells[cells["confidence"].eq("none") & cells["target_lambda"].notna()]
    return [
        f"{rpm:g} rpm: {', '.join(f'{load:g}' for load in group['load'])} {setup.axes.load_unit}"
        for rpm, group in blank.groupby("rpm")
    ]


def map_pictures(data: ReportData) -> list[Picture]:
    """Return the maps as figures, for separate files: on the page they are tables."""
    from tuneassist.show.plots import plot_cells, plot_step

    if data.setup is None or not data.rounds:
        return []
    setup, simulated = data.setup, data.is_simulated
    first, last = data.rounds[0], data.rounds[-1]
    maps = [("cells-before", first.cells, f"Before: {first.name}, %")]
    if len(data.rounds) > 1:
        maps.append(("cells-measured-last", last.cells, f"Measured last: {last.name}, %"))
    maps.append(("cells-expected", last.expected, f"Expected after {last.name}, not measured, %"))
    shown = [
        Picture(name, figure_of(plot_cells(cells, setup, title=title, is_simulated=simulated)),
                title, title)
        for name, cells, title in maps
    ]  # fmt: skip
    title = f"Step of {last.name}, %"
    frame = plot_step(last.cells, setup, binding=last.binding, title=title, is_simulated=simulated)
    return [*shown, Picture("step", figure_of(frame), title, title)]
