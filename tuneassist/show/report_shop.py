"""The shop's page above its sections: verdict, grid to type in, and the interactive map."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from importlib.resources import files
from typing import Any

from tuneassist.loop.verdict import Verdict
from tuneassist.settings import Setup
from tuneassist.show.figures.colours import INK, NOTHING, PAPER, SAFE_FILLS, UNSAFE_FILLS
from tuneassist.show.report_blocks import CellMap
from tuneassist.show.report_cells import deviation_map
from tuneassist.show.report_data import ReportData
from tuneassist.show.report_interactive import page_data, safe_json
from tuneassist.show.verdict import place_words

KINDS: Mapping[str, str] = {"STOP": "stop", "CHECK": "check", "GO ON": "go"}
COMMAND = ": tuneassist "
"""Before a command at the end of an action."""
DARK_PAPER = "#14171b"
DARK_SHARES = (0.34, 0.62, 1.0)
"""How much of the deepest colour is in each depth on a dark page. [1]"""
TONES: Mapping[str, str] = {
    **{fill: f"u{depth}" for depth, fill in enumerate(UNSAFE_FILLS, 1)},
    **{fill: f"s{depth}" for depth, fill in enumerate(SAFE_FILLS, 1)},
    NOTHING: "n",
}
"""Fill of a cell to the name of its colour in the style sheet."""


@dataclass(frozen=True)
class BannerCell:
    """A cell of the banner: its number in cell order, place and reason."""

    index: int
    place: str
    why: str


@dataclass(frozen=True)
class Banner:
    """The verdict as the page shows it; parameters as in `Verdict`, a command set apart."""

    word: str
    kind: str
    reason: str
    cells: tuple[BannerCell, ...]
    action: str
    command: str


@dataclass(frozen=True)
class LiveMap:
    """The map that answers a touch.

    Parameters
    ----------
    data
        For the script, as JSON that is safe inside its element.
    still
        The same map without a script.
    first
        Number of the cell that is shown first; -1 for none.
    corner, load_name
        Names of the axes.
    has_boost, has_holds
        Whether a cell is in boost, and whether holds are known.
    no_holds, no_trace
        What to say where holds, or samples over time, are not known.
    """

    data: Any
    still: CellMap
    first: int
    corner: str
    load_name: str
    has_boost: bool
    has_holds: bool
    no_holds: str
    no_trace: str


def banner_of(verdict: Verdict, setup: Setup | None) -> Banner:
    """Return the verdict for the top of the page.

    Parameters
    ----------
    verdict
        The verdict.
    setup
        For the cells' places; None where there are none.
    """
    words, colon, command = verdict.action.partition(COMMAND)
    cells = () if setup is None else tuple(
        BannerCell(_index(cell.rpm, cell.load, setup), place_words(cell, setup.axes.load_unit),
                   cell.why)
        for cell in verdict.cells
    )  # fmt: skip
    return Banner(
        word=verdict.word,
        kind=KINDS[verdict.word],
        reason=verdict.reason,
        cells=cells,
        action=f"{words}:" if colon else words,
        command=f"tuneassist {command}" if colon else "",
    )


def _index(rpm: float, load: float, setup: Setup) -> int:
    axes = setup.axes
    row, column = (int(abs(a - x).argmin()) for a, x in ((axes.rpm, rpm), (axes.load, load)))
    return row * len(axes.load) + column


def live_map(data: ReportData, setup: Setup, first: int) -> LiveMap:
    """Return the map that answers a touch.

    Parameters
    ----------
    data
        The parts of the report, with at least one round.
    setup
        Of the tune or proposal.
    first
        Number of the cell that is shown first.
    """
    from markupsafe import Markup

    record = page_data(data, setup)
    axes, last = setup.axes, data.rounds[-1]
    is_tune = data.controller_grid is not None
    corner = f"rpm \\ {axes.load_unit}"
    still = deviation_map(f"Deviation of {last.name}, percent", last.cells, setup)
    lacking = "the folder does not hold them"
    lacking += "." if is_tune else "; name the proposal's logs after it to see them."
    return LiveMap(
        data=Markup(safe_json(record)),  # every < > and & is escaped
        still=replace(still, corner=corner),
        first=first,
        corner=corner,
        load_name=f"{axes.load_name}, {axes.load_unit}",
        has_boost=any(one["boost"] for one in record["cells"]),
        has_holds=bool(record["holds"]),
        no_holds=f"Holds are not shown: {lacking}",
        no_trace=f"Samples over time are not shown: {lacking}",
    )


def style_sheet() -> str:
    """Return the page's style sheet with the colours of cells in both schemes."""
    light = _colours(dict(zip("us", (UNSAFE_FILLS, SAFE_FILLS), strict=True)), INK)
    mixed = {
        name: tuple(_mixed(fills[-1], share) for share in DARK_SHARES)
        for name, fills in (("u", UNSAFE_FILLS), ("s", SAFE_FILLS))
    }
    dark = _colours(mixed, "#ffffff")
    scheme = f"@media screen and (prefers-color-scheme: dark) {{ .shop {{ {dark} }} }}"
    return f":root {{ {light} }}\n{scheme}\n{_own('report_page.css')}"


def _colours(fills: Mapping[str, tuple[str, ...]], ink: str) -> str:
    """Return the cells' colours as style, with the ink that is read best on each."""
    return " ".join(
        f"--{name}{depth}: {fill}; --on-{name}{depth}: {_ink_on(fill, ink)};"
        for name, listed in fills.items()
        for depth, fill in enumerate(listed, 1)
    )


def _ink_on(fill: str, ink: str) -> str:
    """Return dark ink for a light fill."""
    return INK if ink == INK or _light(fill) > _MIDDLE else PAPER


_MIDDLE = 0.18
"""Luminance above which black is read better than white; WCAG 2.2. [1]"""


def _light(fill: str) -> float:
    """Relative luminance of a colour (WCAG 2.2). [1]"""
    parts = [int(fill[at : at + 2], 16) / 255.0 for at in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _mixed(fill: str, share: float) -> str:
    """Mix a colour into the paper of a dark page."""
    pairs = ((int(fill[at : at + 2], 16), int(DARK_PAPER[at : at + 2], 16)) for at in (1, 3, 5))
    return "#" + "".join(f"{round(share * a + (1 - share) * b):02x}" for a, b in pairs)


def script() -> str:
    """Return the page's script."""
    return _own("report_page.js")


def policy(code: str) -> str:
    """Return what the page may do: run its own script, and load nothing.

    Parameters
    ----------
    code
        The script; empty for a page without one.
    """
    hashed = base64.b64encode(hashlib.sha256(code.encode("utf-8")).digest()).decode("ascii")
    runs = f"script-src 'sha256-{hashed}'; " if code else ""
    return (
        f"default-src 'none'; {runs}style-src 'unsafe-inline'; img-src data:; base-uri 'none'; "
        "form-action 'none'"
    )


def _own(name: str) -> str:
    return files("tuneassist.show").joinpath(name).read_text(encoding="utf-8")
