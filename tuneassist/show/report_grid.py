"""The grid at the top of a page: what is to be typed in, with a file to save."""

from __future__ import annotations

from dataclasses import dataclass, replace
from urllib.parse import quote

from tuneassist.files.grid_file import write_grid_text
from tuneassist.grid import Grid
from tuneassist.settings import Setup
from tuneassist.show.cell_picture import grid_picture
from tuneassist.show.report_blocks import CellMap, picture_map
from tuneassist.show.report_cells import correction_colours
from tuneassist.show.report_data import ReportData
from tuneassist.show.report_verdict import verdict_of

WHOLE = "The whole grid, in percent: not an addition to what the controller holds."
HELD = "Nothing to type in: the controller holds this grid, as reported."


@dataclass(frozen=True)
class GridPart:
    """The grid of a page.

    Parameters
    ----------
    title, note
        Heading, and what to do with it.
    waits
        Whether it waits to be loaded.
    must_wait
        Whether it waits while a danger holds that it does not end by itself.
    table
        The grid as a map.
    colours
        What its colours mean; empty where it has none.
    link, file_name
        The grid file as a link that holds it, and the name to save it by.
    """

    title: str
    note: str
    waits: bool
    table: CellMap
    colours: str
    link: str
    file_name: str
    must_wait: bool = False


def grid_part(data: ReportData, setup: Setup) -> GridPart | None:
    """Return the grid to be typed in, else the one in the controller; None without either.

    Parameters
    ----------
    data
        The parts of the report.
    setup
        Of the tune or proposal.
    """
    part = _grid_part(data, setup)
    if part is None:
        return None
    kept = replace(data, basis=replace(data.basis, broken=()))  # this grid replaces what broke one
    return replace(part, must_wait=part.waits and verdict_of(kept).word == "STOP")


def _grid_part(data: ReportData, setup: Setup) -> GridPart | None:
    last = data.rounds[-1]
    if data.to_load is not None:
        name = data.to_load.name.split("/")[0]
        return _part("The grid to type in", WHOLE, name, data.to_load.grid, setup)
    if last.fate == "proposed" and last.is_step and last.grid is not None:
        return _part("The grid to type in", WHOLE, last.name, last.grid, setup)
    if data.controller_grid is not None:
        name, grid = data.controller_grid.name, data.controller_grid.grid
        return _part("The grid in the controller", HELD, name.split("/")[0], grid, setup)
    if last.grid is None:
        return None
    return _part("The grid", "Nothing to type in: no cell changes.", last.name, last.grid, setup)


def _part(title: str, note: str, name: str, grid: Grid, setup: Setup) -> GridPart:
    stem = name.removesuffix(".csv").replace("the ", "").replace(" ", "-").removesuffix("-grid")
    text = write_grid_text(grid)
    caption = f"{title}: {name}, percent by rpm and {setup.axes.load_name}"
    table = picture_map(caption, grid_picture(grid.flat(), setup))
    return GridPart(
        title=title,
        note=note,
        waits=note == WHOLE,
        table=replace(table, corner=f"rpm \\ {setup.axes.load_unit}"),
        colours=correction_colours(setup) if grid.flat().any() else "",
        link=f"data:text/csv;charset=utf-8,{quote(text)}",
        file_name=f"{stem}-grid.csv",
    )
