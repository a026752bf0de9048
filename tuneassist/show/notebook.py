"""HTML of objects for notebooks: small, without scripts, readable on light and dark themes.

Every cell sets its own fill and text colour, so that the contrast does not depend on the theme;
titles and sentences use the theme's. Text from files is made safe and escaped.
"""

from __future__ import annotations

import html
from collections.abc import Iterable, Iterator

from tuneassist.grid import Grid
from tuneassist.inert import one_line
from tuneassist.pipeline import Evidence, Proposal
from tuneassist.show.cell_picture import (
    CellPicture,
    CellShown,
    deviation_picture,
    plain_picture,
    step_picture,
    text_of,
)
from tuneassist.show.display import HELD, Display, counted
from tuneassist.show.figures.colours import EDGE, INK, NOTHING, fill_of_cell
from tuneassist.show.labels import step_words
from tuneassist.show.map_legend import deviation_legend
from tuneassist.show.notes import logs_words

MARKS = Display()
MOST_CELLS = 1024
"""Larger maps are described in a sentence: a notebook stores every output in its file. [1]"""
MOST_NOTES = 5
"""Notes shown; the rest is counted. [1]"""
TABLE = f"border-collapse:collapse;text-align:right;color:{INK}"
BOX = f"padding:1px 5px;border:1px solid {EDGE};color:{INK};background"


def grid_html(grid: Grid) -> str:
    """Show a grid of percents."""
    rows, columns = grid.axes.shape
    title = f"Grid, {rows} x {columns} cells, percent"
    return page(title, picture_table("", plain_picture(grid)))


def evidence_html(evidence: Evidence) -> str:
    """Show how far each cell is from target, and the first notes."""
    title = f"Evidence of {logs_words(evidence)}, {counted(len(evidence.holds), 'hold')}"
    if evidence.setup is None:  # made by hand, without an engine
        return page(title, note_list(evidence.notes))
    picture = deviation_picture(evidence.cells, evidence.setup)
    shown = picture_table("Deviation, percent: + leaner, - richer", picture)
    legend = sentences([deviation_legend(picture, evidence.setup, MARKS)])
    return page(title, shown, legend, note_list(evidence.notes))


def proposal_html(proposal: Proposal) -> str:
    """Show what a proposal changes, its evidence and its doubts."""
    setup, cells = proposal.setup, proposal.cells
    title, *lines = repr(proposal).splitlines()
    steps = step_picture(cells, proposal.limited.binding, setup)
    picture = deviation_picture(cells, setup)
    return page(
        title,
        f'<pre style="background:none;color:inherit">{escaped_lines(lines)}</pre>',
        picture_table(f"Step, {step_words(setup)}", steps),
        sentences([f"{HELD} held back by a limit"]),
        picture_table("Deviation, percent: + leaner, - richer", picture),
        sentences([deviation_legend(picture, setup, MARKS)]),
    )


def page(title: str, *parts: str) -> str:
    """Put HTML parts under a plain-text title."""
    return f"<div><b>{escaped(title)}</b>{''.join(parts)}</div>"


def sentences(words: Iterable[str]) -> str:
    """Return plain text as paragraphs."""
    return "".join(f'<p style="margin:4px 0">{escaped(one)}</p>' for one in words)


def note_list(notes: tuple[str, ...]) -> str:
    """Return the first notes as a list, and how many more there are."""
    more = len(notes) - MOST_NOTES
    shown = [*notes[:MOST_NOTES], *([f"and {more} more"] if more > 0 else [])]
    return f"<ul>{''.join(f'<li>{escaped(one)}</li>' for one in shown)}</ul>" if shown else ""


def picture_table(caption: str, picture: CellPicture) -> str:
    """Draw a picture of cells as a table; a large one is described in a sentence.

    Parameters
    ----------
    caption
        Caption as plain text.
    picture
        What the cells show.
    """
    axes = picture.axes
    if len(picture.cells) > MOST_CELLS:
        return sentences([f"{caption}: {len(picture.cells):,} cells; see to_frame()"])
    corner = f"rpm \\ {axes.load_name} ({axes.load_unit})"
    head = "".join(_head(f"{load:g}") for load in axes.load)
    body = "".join(_row(f"{rpm:g}", cells) for rpm, cells in picture.rows())
    top = f'<caption style="text-align:left;color:inherit">{escaped(caption)}</caption>'
    first = f"<thead><tr>{_head(corner)}{head}</tr></thead>"
    return f'<table style="{TABLE}">{top if caption else ""}{first}<tbody>{body}</tbody></table>'


def escaped(words: object) -> str:
    r"""Return foreign text safe for a page: one line, without control characters or markup.

    Examples
    --------
    >>> escaped("<b>\u202eCar</b>")
    '&lt;b&gt;?Car&lt;/b&gt;'
    """
    return html.escape(one_line(words))


def escaped_lines(lines: Iterable[str]) -> str:
    """Return lines of text, one below the other."""
    return "\n".join(escaped(line) for line in lines)


def _head(words: str) -> str:
    return f'<th style="{BOX}:{NOTHING}">{escaped(words)}</th>'


def _row(rpm: str, cells: Iterable[CellShown]) -> str:
    return f"<tr>{_head(rpm)}{''.join(_boxes(cells))}</tr>"


def _boxes(cells: Iterable[CellShown]) -> Iterator[str]:
    for one in cells:
        note = f' title="{escaped(one.note)}"' if one.note else ""
        words = f"{text_of(one, MARKS)}{MARKS.mark(one.mark)}"
        yield f'<td style="{BOX}:{fill_of_cell(one)}"{note}>{escaped(words)}</td>'
