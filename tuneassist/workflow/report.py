"""Make a report: read and compute its parts, then write the page and its figures."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from tuneassist import __version__
from tuneassist.files.result_writer import write_proposal
from tuneassist.files.safe_files import write_atomically
from tuneassist.files.setup_file import read_setup
from tuneassist.files.tunes_folder import read_tunes
from tuneassist.loop.tune_set import check_tunes
from tuneassist.loop.verdict import Verdict
from tuneassist.runs.settings import Standard
from tuneassist.settings import Ignition
from tuneassist.show.customer_page import TITLES, customer_html, customer_pictures, is_stopped
from tuneassist.show.plots import picture, stand_alone
from tuneassist.show.report import report_html, report_sections, require_report
from tuneassist.show.report_blocks import Picture, pictures_of
from tuneassist.show.report_cells import map_pictures
from tuneassist.show.report_data import FullLoadPart, ReportData, TunesPart
from tuneassist.show.report_svg import svg_bytes
from tuneassist.show.report_verdict import verdict_of
from tuneassist.workflow.logs import is_simulated
from tuneassist.workflow.output_paths import require_new_file
from tuneassist.workflow.report_source import read_source
from tuneassist.workflow.runs import (
    ReadLogs,
    Tell,
    compare_full_load,
    output_units,
    run_settings,
)

NO_SHEET = (
    "The verdict is STOP, so there is no sheet for the customer: the page says so in a plain "
    "sentence and holds no figures."
)


def no_logs() -> Sequence[Path]:
    """Return no logs."""
    return ()


@dataclass(frozen=True, eq=False)
class FullLoadRequest:
    """Full-load runs to show in a report.

    Parameters
    ----------
    before, after
        Callbacks that read the logs of each side.
    tell
        Takes a message about logs that were read without the setup's channels.
    ignition
        The type of ignition, without a setup.
    driven_rpm
        Speeds over which the gain is averaged; None takes the default. [rpm]
    is_zero
        Test whether nothing changed.
    """

    before: ReadLogs
    after: ReadLogs
    tell: Tell
    ignition: Ignition | None = None
    driven_rpm: tuple[float, float] | None = None
    is_zero: bool = False


@dataclass(frozen=True, eq=False)
class ReportRequest:
    """The contents of a report.

    Parameters
    ----------
    folder
        A tune's or a proposal's folder; None without one.
    find_logs
        Finds the logs that a proposal was made from; a tune has its own.
    full_load
        Full-load runs; None without any.
    tunes
        Folder with a set of tunes.
    setup
        The setup's file; a folder has its own.
    standard
        Standard for torque and power in the full-load runs and the set of tunes.
    units
        Name of a system of units; None takes the setup's, else the logged ones.
    """

    folder: Path | None = None
    find_logs: Callable[[], Sequence[Path]] = no_logs
    full_load: FullLoadRequest | None = None
    tunes: Path | None = None
    setup: Path | None = None
    standard: Standard | None = None
    units: str | None = None


@dataclass(frozen=True)
class WrittenReport:
    """A page that was written.

    Parameters
    ----------
    titles
        Titles of its sections.
    figures
        The files of its figures.
    is_simulated
        Whether label or logs say that the data are simulated.
    verdict, load_unit
        The verdict on all of it, and the unit of its cells' load.
    note
        What has to be said about the page; empty where nothing has.
    """

    titles: tuple[str, ...]
    figures: tuple[Path, ...]
    is_simulated: bool = False
    verdict: Verdict | None = None
    load_unit: str = ""
    note: str = ""


def make_report(
    request: ReportRequest,
    out: Path,
    *,
    figures: Path | None = None,
    is_customer: bool = False,
    overwrite: bool = False,
) -> WrittenReport:
    """Read the parts of a report and write the page; refuse a taken name before any work.

    Parameters
    ----------
    request
        The contents.
    out, figures, is_customer
        As for `write_report`.
    overwrite
        Replace an earlier page and figures.

    Raises
    ------
    TuneassistError
        What `report_data` and `write_report` raise.
    """
    require_report()
    require_new_file(out, overwrite=overwrite)
    return write_report(
        report_data(request), out, figures=figures, is_customer=is_customer, overwrite=overwrite
    )


def report_data(request: ReportRequest) -> ReportData:
    """Read and compute the parts of a report.

    Parameters
    ----------
    request
        The contents.

    Raises
    ------
    TuneassistError
        When a part cannot be read, or the full-load runs cannot be compared.
    """
    data = _with_full_load(_with_tunes(_source(request), request), request)
    return replace(data, is_simulated=data.is_simulated or is_simulated([], data.setup))


def _source(request: ReportRequest) -> ReportData:
    """Read the folder, or the setup without one."""
    made_at = datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC")
    if request.folder is not None:
        return read_source(
            request.folder, request.find_logs(), version=__version__, made_at=made_at
        )
    setup = None if request.setup is None else read_setup(request.setup)
    return ReportData(setup=setup, version=__version__, made_at=made_at, is_simulated=False)


def _with_tunes(data: ReportData, request: ReportRequest) -> ReportData:
    if request.tunes is None:
        return data
    runs = run_settings(request.standard)
    listed = read_tunes(request.tunes, settings=runs)
    part = TunesPart(
        listed, check_tunes(listed, runs=runs), output_units(request.units, (), listed[0].setup)
    )
    return replace(data, setup=data.setup or listed[0].setup, tunes=part)


def _with_full_load(data: ReportData, request: ReportRequest) -> ReportData:
    runs = request.full_load
    if runs is None:
        return data
    made = compare_full_load(
        runs.before,
        runs.after,
        car=data.setup,
        settings=run_settings(request.standard, driven_rpm=runs.driven_rpm),
        ignition=runs.ignition,
        tell=runs.tell,
    )
    units = output_units(request.units, made.logs, data.setup)
    zero = made.found.equivalence(units.changes()) if runs.is_zero else None
    part = FullLoadPart(made.found, units, zero, made.assumed, made.ignition)
    return replace(data, full_load=part, is_simulated=data.is_simulated or made.is_simulated)


def write_report(
    data: ReportData,
    out: Path,
    *,
    figures: Path | None = None,
    is_customer: bool = False,
    overwrite: bool = False,
) -> WrittenReport:
    """Write the page, and its figures if requested.

    Parameters
    ----------
    data
        The parts of the report.
    out
        The page.
    figures
        Folder for the figures; None for no figures.
    is_customer
        Write the customer's sheet; while the verdict is STOP it is one plain sentence.
    overwrite
        Replace earlier figures.

    Raises
    ------
    OutputError
        When a file cannot be written.
    """
    if is_customer:
        pictures: tuple[Picture, ...] = customer_pictures(data)
        page = customer_html(data, pictures)
        titles, note = ((), NO_SHEET) if is_stopped(data) else (TITLES, "")
    else:
        sections = report_sections(data)
        page = report_html(data, sections=sections)
        pictures = (*map_pictures(data), *pictures_of(sections)) if figures else ()
        titles, note = tuple(section.title for section in sections), ""
    drawn: list[Path] = []
    if figures is not None and pictures:
        label = data.setup.engine.label if data.setup else ""
        for one in pictures:
            stand_alone(one.figure, car=label, date=data.made_at, is_simulated=data.is_simulated)
        drawn = write_figures(figures, pictures, overwrite=overwrite)
    write_atomically(out, page.encode("utf-8"))
    unit = "" if data.setup is None else data.setup.axes.load_unit
    return WrittenReport(titles, tuple(drawn), data.is_simulated, verdict_of(data), unit, note)


def write_figures(folder: Path, pictures: Sequence[Picture], *, overwrite: bool) -> list[Path]:
    """Write every figure as PNG and SVG, all of them or none.

    Parameters
    ----------
    folder
        A new folder.
    pictures
        The figures.
    overwrite
        Replace earlier figures.

    Returns
    -------
    list of Path
        The files written.
    """
    contents: dict[str, bytes] = {}
    for one in pictures:
        contents[f"{one.name}.png"] = picture(one.figure, "png")
        contents[f"{one.name}.svg"] = svg_bytes(one.figure, name=one.name)
    placed = write_proposal(folder, contents, overwrite=overwrite)
    return [placed / name for name in contents]
