"""Blocks of a page: paragraphs, lists, facts, tables, maps and figures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from tuneassist.grid import Axes
from tuneassist.show.cell_picture import CellPicture, CellShown, text_of
from tuneassist.show.figures.colours import fill_of_cell
from tuneassist.show.figures.drawing import MARKS

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True)
class Paragraphs:
    """Paragraphs.

    Parameters
    ----------
    lines
        One per paragraph.
    is_warning
        Framed, with the word "Caution" before it.
    """

    lines: tuple[str, ...]
    is_warning: bool = False
    kind: ClassVar[str] = "words"


@dataclass(frozen=True)
class Bullets:
    """A list."""

    items: tuple[str, ...]
    kind: ClassVar[str] = "bullets"


@dataclass(frozen=True)
class Facts:
    """Short facts with their names."""

    pairs: tuple[tuple[str, str], ...]
    kind: ClassVar[str] = "facts"


@dataclass(frozen=True)
class DataTable:
    """A table; the first cell of each row is its heading.

    Parameters
    ----------
    caption
        What it shows.
    head
        Column headings.
    rows
        Text of every cell.
    numbers
        Indices of right-aligned columns.
    screen_rows, screen_columns
        Indices of rows and columns that are not printed.
    is_paired
        Narrow enough to be printed in two columns.
    """

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: frozenset[int] = frozenset()
    screen_rows: frozenset[int] = frozenset()
    screen_columns: frozenset[int] = frozenset()
    is_paired: bool = False
    kind: ClassVar[str] = "table"


@dataclass(frozen=True)
class MapCell:
    """One cell of a map.

    Parameters
    ----------
    text
        The number, or the mark of a cell without one.
    fill
        Background; it repeats what the number shows.
    mark, mark_words
        Mark beside it, and its meaning.
    """

    text: str
    fill: str
    mark: str = ""
    mark_words: str = ""


@dataclass(frozen=True)
class CellMap:
    """A map by rpm (down) and load (across).

    Parameters
    ----------
    caption
        What it shows.
    corner
        Names of the two axes.
    loads, rows
        Load breakpoints; rpm breakpoint with its cells.
    note
        How to read it.
    is_printed
        Whether it is on paper too.
    """

    caption: str
    corner: str
    loads: tuple[str, ...]
    rows: tuple[tuple[str, tuple[MapCell, ...]], ...]
    note: str = ""
    is_printed: bool = True
    kind: ClassVar[str] = "map"


@dataclass(frozen=True, eq=False)
class Picture:
    """A figure with title and description.

    Parameters
    ----------
    name
        Name of its file, without suffix.
    figure
        From matplotlib.
    title
        What it shows.
    alt
        Description for screen readers.
    is_wide
        Uses the full width of the page.
    """

    name: str
    figure: Figure
    title: str
    alt: str
    is_wide: bool = False
    kind: ClassVar[str] = "picture"


@dataclass(frozen=True, eq=False)
class Pictures:
    """Figures, side by side where they fit."""

    pictures: tuple[Picture, ...]
    kind: ClassVar[str] = "pictures"


Block = Paragraphs | Bullets | Facts | DataTable | CellMap | Pictures


@dataclass(frozen=True, eq=False)
class Section:
    """A section of the page.

    Parameters
    ----------
    title
        Its heading.
    blocks
        In order.
    """

    title: str
    blocks: tuple[Block, ...] = ()


def cell_map(caption: str, axes: Axes, cells: Sequence[MapCell], *, note: str = "") -> CellMap:
    """Lay cells out by rpm and load.

    Parameters
    ----------
    caption
        Caption of the map.
    axes
        The breakpoints.
    cells
        In cell order.
    note
        How to read it.
    """
    columns = len(axes.load)
    return CellMap(
        caption=caption,
        corner=f"rpm \\ {axes.load_name} ({axes.load_unit})",
        loads=tuple(f"{load:g}" for load in axes.load),
        rows=tuple(
            (f"{rpm:g}", tuple(cells[row * columns : (row + 1) * columns]))
            for row, rpm in enumerate(axes.rpm)
        ),
        note=note,
    )


def picture_map(caption: str, picture: CellPicture, *, note: str = "") -> CellMap:
    """Draw a picture of cells for the page; parameters as for `cell_map`."""
    return cell_map(caption, picture.axes, [_map_cell(one) for one in picture.cells], note=note)


def _map_cell(shown: CellShown) -> MapCell:
    return MapCell(text_of(shown, MARKS), fill_of_cell(shown), MARKS.mark(shown.mark), shown.note)


def pictures_of(sections: Sequence[Section]) -> list[Picture]:
    """Return every figure of a page, in order."""
    found: list[Picture] = []
    for section in sections:
        for block in section.blocks:
            if isinstance(block, Pictures):
                found += block.pictures
    return found
