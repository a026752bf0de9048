"""One self-contained report page for the shop: setup, findings, changes and open work.

The page is a single file: it loads nothing and contains its figures as SVG. It has a script of its
own, and is complete without it. The customer's page is `tuneassist.show.customer_page`.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from tuneassist.errors import InputError
from tuneassist.inert import inert
from tuneassist.show.display import counted, plain
from tuneassist.show.page_templates import page_templates
from tuneassist.show.report_blocks import Section
from tuneassist.show.report_cells import before_after_section, change_facts, coverage_section
from tuneassist.show.report_data import ReportData
from tuneassist.show.report_grid import GridPart, grid_part
from tuneassist.show.report_limits import evidence_section, limited_section, setup_section
from tuneassist.show.report_print import sheet_style
from tuneassist.show.report_rounds import cautions_section, open_work_section, rounds_section
from tuneassist.show.report_runs import full_load_section, tunes_section
from tuneassist.show.report_shop import (
    TONES,
    Banner,
    LiveMap,
    banner_of,
    live_map,
    policy,
    script,
    style_sheet,
)
from tuneassist.show.report_verdict import verdict_of
from tuneassist.show.runs import driven_words, limits_counted

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup

TEMPLATE = "report_page.html.jinja"
LONG_TABLE = 16
"""A table of more printed rows may go on to the next sheet, with its head again. [1]"""
OPENED = ("What was limited, and why", "What is left to do")
"""Sections that are not folded on a page with a map."""
RUNS = "Full-load runs"
OPENED_WITHOUT_MAP = (RUNS, "The set of tunes", "What is left to do")
"""Sections that are not folded on a page without one."""


def require_report() -> None:
    """Raise when a library for the page is not installed.

    Raises
    ------
    InputError
        With what to install.
    """
    try:
        import jinja2  # noqa: F401
        import matplotlib.figure  # noqa: F401
    except ImportError as error:
        raise InputError(
            f"a report needs {error.name}, which is not installed.",
            where="report",
            mend='Install it with: pip install "tuneassist[report]"',
        ) from error


def report_sections(data: ReportData) -> tuple[Section, ...]:
    """Return the page's sections in order, the empty ones left out.

    Parameters
    ----------
    data
        The data of the report.
    """
    sections: list[Section] = []
    if data.setup is not None:
        sections.append(setup_section(data, data.setup))
    if data.setup is not None and data.rounds:
        sections.append(before_after_section(data, data.setup))
        sections.append(coverage_section(data, data.setup))
        sections.append(limited_section(data, data.setup))
        sections.append(rounds_section(data))
    sections.append(full_load_section(data))
    sections.append(tunes_section(data))
    sections.append(open_work_section(data))
    sections.append(cautions_section(data))
    if data.setup is not None and data.rounds:
        sections.append(evidence_section(data, data.setup))
    return tuple(section for section in sections if section.blocks)


def report_html(data: ReportData, *, sections: tuple[Section, ...] | None = None) -> str:
    """Return the page.

    Parameters
    ----------
    data
        The data of the report.
    sections
        From `report_sections`; None builds them.

    Returns
    -------
    str
        HTML, to be written as UTF-8.
    """
    if sections is None:
        sections = report_sections(data)
    shop = _shop(data)
    return (
        _environment(data)
        .get_template(TEMPLATE)
        .render(
            label=_label(data) or "car without a label",
            is_simulated=data.is_simulated,
            made_at=data.made_at,
            version=data.version,
            facts=summary(data),
            verdict=shop.verdict,
            grid=shop.grid,
            live=shop.live,
            above=shop.printed_above(),
            sheet=_sheet(data),
            long=LONG_TABLE,
            **_folding(data, sections, has_map=shop.live is not None),
            **_own_parts(script() if shop.live is not None else ""),
        )
    )


def _label(data: ReportData) -> str:
    return plain(data.setup.engine.label) if data.setup else ""


def _sheet(data: ReportData) -> Markup:
    """Return the style of the printed sheets."""
    from markupsafe import Markup

    label = inert(_label(data)) or "Tune report"
    return Markup(sheet_style(label, data.made_at, is_simulated=data.is_simulated))  # escaped


def _environment(data: ReportData) -> Environment:
    """Return the template's environment: everything is escaped that we have not built."""
    from tuneassist.show.plots import stand_alone
    from tuneassist.show.report_svg import svg_markup

    label = _label(data)

    def svg(picture: Any) -> Markup:
        stand_alone(picture.figure, car=label, date=data.made_at, is_simulated=data.is_simulated)
        return svg_markup(picture)

    page = page_templates("a report")
    page.globals["svg"] = svg
    page.globals["fresh"] = itertools.count(1).__next__
    page.globals["tone"] = lambda fill: TONES.get(fill, "")
    return page


def _own_parts(code: str) -> dict[str, Any]:
    """Return style, script and what the page may do."""
    from markupsafe import Markup

    return {"style": Markup(style_sheet()), "script": Markup(code), "policy": policy(code)}


def _folding(data: ReportData, sections: Sequence[Section], *, has_map: bool) -> dict[str, Any]:
    """Return the sections by name: which are not folded, and which stand open in their place."""
    named = [(f"s{number}", section) for number, section in enumerate(sections, 1)]
    opened = OPENED if has_map else OPENED_WITHOUT_MAP
    is_over = data.full_load is not None and len(data.full_load.found.breaches) > 0
    return {
        "sections": named,
        "opened": [name for name, section in named if section.title in opened],
        "unfolded": [name for name, section in named if is_over and section.title == RUNS],
    }


@dataclass(frozen=True)
class _Shop:
    """What stands above the sections of the shop's page."""

    verdict: Banner
    grid: GridPart | None = None
    live: LiveMap | None = None

    def printed_above(self) -> list[object]:
        """Return the rows of the maps that a sheet already has: they are printed once."""
        grid = [] if self.grid is None else [self.grid.table.rows]
        return [*grid, *([] if self.live is None else [self.live.still.rows])]


def _shop(data: ReportData) -> _Shop:
    verdict = banner_of(verdict_of(data), data.setup)
    if data.setup is None or not data.rounds:
        return _Shop(verdict)
    first = verdict.cells[0].index if verdict.cells else -1
    return _Shop(verdict, grid_part(data, data.setup), live_map(data, data.setup, first))


def summary(data: ReportData) -> tuple[tuple[str, str], ...]:
    """Return the facts at the top of the page."""
    facts: list[tuple[str, str]] = []
    if data.setup is not None and data.rounds:
        facts += change_facts(data, data.setup)
    if data.full_load is not None:
        found, units = data.full_load.found, data.full_load.units
        for row in found.driven.to_dict("records")[:1]:
            facts.append(("Full load", driven_words(row, units)))
        over, checked = limits_counted(found) if len(found.limit_checks) else (0, 0)
        side = "" if len(found.breaches_after) else ", only before the change"
        words = f"{over} of {counted(checked, 'limit')} EXCEEDED{side}" if over else "none exceeded"
        if found.limit_checks.empty:
            words = "no channel with a limit was logged"
        facts.append(("Limits at full load", words))
    if data.tunes is not None:
        is_ok = data.tunes.report.is_ok
        words = "all checks passed" if is_ok else "checks FAILED"
        facts.append(("Set of tunes", f"{len(data.tunes.tunes)} tunes, {words}"))
    return tuple(facts)
