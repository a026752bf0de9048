"""``tuneassist report``: one self-contained page about a tune."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tuneassist.cli.full_load import (
    After,
    Before,
    Driven,
    Ignition,
    IgnitionWord,
    Standard,
    StandardWord,
    Units,
    UnitsWord,
    Zero,
    ignition_as_usage,
    reader_of,
    value_of,
)
from tuneassist.cli.options import AsJson, Overwrite

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tuneassist.show.report_data import ReportData
    from tuneassist.show.report_views import Picture


def report(
    paths: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="[FOLDER [LOG...]]",
            help="A tune's folder, or a proposal's with, if you like, the logs it was made from.",
            show_default=False,
        ),
    ] = None,
    *,
    out: Annotated[
        Path,
        typer.Option(
            "--out", "-o", metavar="FILE", help="The page, a new .html file.", show_default=False
        ),
    ],
    customer: Annotated[
        bool,
        typer.Option(
            "--customer",
            metavar="",
            help="Leave out what a customer cannot use: settings, evidence tables, commands.",
        ),
    ] = False,
    figures: Annotated[
        Path | None,
        typer.Option(
            "--figures",
            metavar="FOLDER",
            help="Also write every figure into this new folder, as PNG and SVG.",
            show_default=False,
        ),
    ] = None,
    before: Before = None,
    after: After = None,
    standard: Standard = None,
    ignition: Ignition = None,
    driven: Driven = None,
    zero: Zero = False,
    units: Units = None,
    tunes: Annotated[
        Path | None,
        typer.Option(
            "--tunes", metavar="FOLDER", help="A folder with a set of tunes.", show_default=False
        ),
    ] = None,
    setup: Annotated[
        Path | None,
        typer.Option(
            "--setup",
            "-s",
            metavar="FILE",
            help="The car's setup file, where no folder is given that has its own.",
            show_default=False,
        ),
    ] = None,
    overwrite: Overwrite = False,
    json: AsJson = False,
) -> None:
    """Write a page about a tune that needs no network: for a screen, a phone, and A4 paper.

    What was asked, cells before and after, coverage and confidence, what was limited and why, the
    rounds, full-load curves (--before, --after), the set of tunes (--tunes), what is left to do,
    and cautions.
    """
    from tuneassist.cli.console import screen, show, show_json
    from tuneassist.files.plain_file import write_whole
    from tuneassist.show.report import report_html, report_sections, require_report
    from tuneassist.show.report_cells import map_pictures
    from tuneassist.show.report_views import pictures_of
    from tuneassist.workflow.new_file import require_new_file

    folder, logs = _split(paths or [])
    _check_usage(folder, before, after, tunes, setup, zero=zero)
    require_report()
    require_new_file(out, overwrite=overwrite)
    data = gather_data(folder, logs, before=before, after=after, standard=standard,
                       ignition=ignition, driven=driven, is_zero=zero, units=units, tunes=tunes,
                       setup=setup)  # fmt: skip
    sections = report_sections(data, is_customer=customer)
    page = report_html(data, sections=sections, is_customer=customer)
    written: list[Path] = []
    if figures is not None:
        shown = [*map_pictures(data), *pictures_of(sections)]
        written = write_figures(figures, shown, overwrite=overwrite)
    write_whole(out, page.encode("utf-8"))
    if json:
        record = {"out": str(out), "sections": [section.title for section in sections],
                  "figures": [str(path) for path in written]}  # fmt: skip
        show_json({**({"simulated": True} if data.is_simulated else {}), **record})
        return
    lines = [f"Written: {out}"]
    if figures is not None:
        lines.append(f"Figures: {figures}, {len(written)} files")
    show(screen(), *lines)


def _split(paths: Sequence[Path]) -> tuple[Path | None, list[Path]]:
    """Tell the folder from the logs; a file of a proposal stands for its folder."""
    from tuneassist.files.proposal_folder import RESULT_FILES

    folders, logs = [], []
    for path in paths:
        if path.is_dir():
            folders.append(path)
        elif path.name in RESULT_FILES:
            folders.append(path.parent)
        else:
            logs.append(path)
    folders = list(dict.fromkeys(folders))
    if len(folders) > 1:
        raise typer.BadParameter("one tune or proposal at a time: name one folder.")
    if logs and not folders:
        raise typer.BadParameter(
            f"{logs[0]} is no folder. Name the folder that rounds or propose wrote; full-load "
            "logs stand after --before and --after."
        )
    return (folders[0] if folders else None), logs


def _check_usage(
    folder: Path | None,
    before: list[Path] | None,
    after: list[Path] | None,
    tunes: Path | None,
    setup: Path | None,
    *,
    zero: bool,
) -> None:
    if zero and not before:
        raise typer.BadParameter("--zero judges full-load runs: name them with --before, --after.")
    if bool(before) != bool(after):
        raise typer.BadParameter("--before and --after go together.")
    if folder is None and not before and tunes is None:
        raise typer.BadParameter("nothing to report: name a folder, full-load logs or --tunes.")
    if folder is not None and setup is not None:
        raise typer.BadParameter("--setup is for reports without a folder; the folder has its own.")


def gather_data(
    folder: Path | None,
    logs: Sequence[Path],
    *,
    before: list[Path] | None,
    after: list[Path] | None,
    standard: StandardWord | None,
    ignition: IgnitionWord | None,
    driven: tuple[float, float] | None,
    is_zero: bool,
    units: UnitsWord | None,
    tunes: Path | None,
    setup: Path | None,
) -> ReportData:
    """Read and work out everything that was named."""
    from dataclasses import replace
    from datetime import UTC, datetime

    from tuneassist import __version__
    from tuneassist.cli.console import tell
    from tuneassist.cli.inputs import find_logs
    from tuneassist.cli.report_source import read_source
    from tuneassist.files.setup_file import read_setup
    from tuneassist.files.tunes_folder import read_tunes
    from tuneassist.loop.tunes import check_tunes
    from tuneassist.show.report_data import FullLoadPart, ReportData, TunesPart
    from tuneassist.workflow.runs import compare_full_load, output_units, run_settings

    made_at = datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC")
    data = ReportData(setup=None, version=__version__, made_at=made_at, is_simulated=False)
    if folder is not None:
        found = find_logs(logs) if logs else []
        data = read_source(folder, found, version=__version__, made_at=made_at)
    elif setup is not None:
        data = replace(data, setup=read_setup(setup))
    if tunes is not None:
        runs = run_settings(value_of(standard))
        listed = read_tunes(tunes, settings=runs)
        of_set = TunesPart(
            listed, check_tunes(listed, runs=runs), output_units(value_of(units), ())
        )
        data = replace(data, setup=data.setup or listed[0].setup, tunes=of_set)
    if before and after:
        chosen = run_settings(value_of(standard), driven_rpm=driven)
        with ignition_as_usage():
            made = compare_full_load(
                reader_of(before),
                reader_of(after),
                car=data.setup,
                settings=chosen,
                ignition=value_of(ignition),
                tell=tell,
            )
        shown = output_units(value_of(units), made.logs, data.setup)
        zero = made.found.equivalence(shown.changes()) if is_zero else None
        part = FullLoadPart(made.found, shown, zero, made.assumed)
        data = replace(data, full_load=part, is_simulated=data.is_simulated or made.is_simulated)
    label = data.setup.engine.label if data.setup else ""
    return replace(data, is_simulated=data.is_simulated or "simulated" in label.casefold())


def write_figures(folder: Path, pictures: Sequence[Picture], *, overwrite: bool) -> list[Path]:
    """Write every figure as PNG and SVG, all of them or none."""
    from tuneassist.files.proposal_folder import write_proposal
    from tuneassist.show.plots import picture
    from tuneassist.show.report_svg import svg_bytes

    contents: dict[str, bytes] = {}
    for one in pictures:
        contents[f"{one.name}.png"] = picture(one.figure, "png")
        contents[f"{one.name}.svg"] = svg_bytes(one.figure, name=one.name)
    placed = write_proposal(folder, contents, overwrite=overwrite)
    return [placed / name for name in contents]
