"""A table by rpm and load for a terminal, split into blocks where it is too wide.

Twelve load columns fit into 80 characters: seven for the speed and six for each cell, of which five
are for the number and one for a mark.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rich.console import Group
from rich.text import Text

from tuneassist.grid import Axes
from tuneassist.show.cell_picture import CellPicture, CellShown
from tuneassist.show.display import Display, style_of

NARROWEST, WIDEST = 6, 9
_RPM_WIDTH = 7


@dataclass(frozen=True)
class Cell:
    """Content of one cell.

    Parameters
    ----------
    text
        The number or word.
    mark
        One character after it.
    style
        Colours; they repeat what text and mark show.
    """

    text: str = ""
    mark: str = " "
    style: str = ""


def picture_grid(picture: CellPicture, display: Display) -> Group:
    """Draw a picture of cells for a terminal.

    Parameters
    ----------
    picture
        What the cells show.
    display
        Width and marks.
    """
    return cell_grid(picture.axes, [_cell(one, display) for one in picture.cells], display)


def _cell(shown: CellShown, display: Display) -> Cell:
    mark = display.mark(shown.mark) or " "
    if shown.state == "value":
        return Cell(shown.short, mark, style_of(shown.shade))
    return Cell(
        display.left_alone if shown.state == "left alone" else display.no_evidence, mark, "dim"
    )


def cell_grid(axes: Axes, cells: Sequence[Cell], display: Display) -> Group:
    """Lay cells out by rpm (down) and load (across), as a grid file does.

    Parameters
    ----------
    axes
        The breakpoints.
    cells
        One per cell, in cell order.
    display
        Width to keep within.
    """
    labels = [f"{load:g}" for load in axes.load]
    longest = max(len(label) for label in labels)
    longest = max(longest, *(len(cell.text) for cell in cells))
    columns = len(labels)
    room = max(display.width - _RPM_WIDTH, NARROWEST)
    width = max(NARROWEST, longest + 1, min(WIDEST, room // columns))
    per_block = max(1, room // width)
    blocks = -(-columns // per_block)
    per_block = -(-columns // blocks)
    lines: list[Text] = []
    for first in range(0, columns, per_block):
        inside = range(first, min(first + per_block, columns))
        if lines:
            lines.append(Text())
        lines.extend(_block(axes, cells, labels, inside, width))
    return Group(*lines)


def _block(
    axes: Axes, cells: Sequence[Cell], labels: list[str], inside: range, width: int
) -> list[Text]:
    head = Text("rpm ".rjust(_RPM_WIDTH), style="bold")
    for column in inside:
        head.append(labels[column].rjust(width - 1) + " ")
    lines = [head]
    for row, rpm in enumerate(axes.rpm):
        line = Text(f"{rpm:g} ".rjust(_RPM_WIDTH), no_wrap=True)
        line.stylize("bold")
        for column in inside:
            cell = cells[row * len(labels) + column]
            text = cell.text.rjust(width - 1) + (cell.mark or " ")
            line.append(text, style=cell.style or "not bold")
        lines.append(line)
    return lines


def axis_words(axes: Axes) -> str:
    """Describe the two axes of a grid."""
    return f"rpm down, {axes.load_name} ({axes.load_unit}) across"
