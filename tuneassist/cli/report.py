"""``tuneassist report``: write one self-contained page about a tune."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tuneassist import files, show, workflow
from tuneassist.cli import console
from tuneassist.cli.commands import new_app
from tuneassist.cli.full_load import (
    After,
    Before,
    Driven,
    Ignition,
    IgnitionWord,
    ManyLogs,
    Standard,
    Zero,
    ignition_as_usage,
    reader_of,
    value_of,
)
from tuneassist.cli.inputs import find_logs
from tuneassist.cli.options import AsJson, Overwrite, Units

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tuneassist.workflow.report import FullLoadRequest, WrittenReport

Paths = Annotated[
    list[Path] | None,
    typer.Argument(
        metavar="[FOLDER [LOG...]]",
        help="A tune's folder, or a proposal's folder with, optionally, the logs it used.",
        show_default=False,
    ),
]
Out = Annotated[
    Path,
    typer.Option(
        "--out", "-o", metavar="FILE", help="The page, a new .html file.", show_default=False
    ),
]
Customer = Annotated[
    bool,
    typer.Option(
        "--customer",
        metavar="",
        help="Write the customer's sheet instead, one printed page: gain, drive, limits, what to "
        "watch. While the verdict is STOP it is one plain sentence.",
    ),
]
Figures = Annotated[
    Path | None,
    typer.Option(
        "--figures",
        metavar="FOLDER",
        help="Also write every figure to this new folder, as PNG and SVG.",
        show_default=False,
    ),
]
Tunes = Annotated[
    Path | None,
    typer.Option(
        "--tunes", metavar="FOLDER", help="Folder with a set of tunes.", show_default=False
    ),
]
SetupAlone = Annotated[
    Path | None,
    typer.Option(
        "--setup",
        "-s",
        metavar="FILE",
        help="The car's setup file, for a report without a folder. A folder has its own.",
        show_default=False,
    ),
]
app = new_app()


@app.command(cls=ManyLogs)
def report(
    paths: Paths = None,
    *,
    out: Out,
    customer: Customer = False,
    figures: Figures = None,
    before: Before = None,
    after: After = None,
    standard: Standard = None,
    ignition: Ignition = None,
    driven: Driven = None,
    zero: Zero = False,
    units: Units = None,
    tunes: Tunes = None,
    setup: SetupAlone = None,
    overwrite: Overwrite = False,
    json: AsJson = False,
) -> None:
    """Write a report on a tune as one self-contained HTML page.

    The page needs no network and suits a screen, a phone and A4 paper. It shows what was asked for,
    the cells before and after, coverage and confidence, what was limited and why, the rounds,
    full-load curves (--before, --after), the set of tunes (--tunes), what is left to do, and
    cautions.
    """
    folder, logs = _split(paths or [])
    _check_usage(folder, before, after, tunes, setup, zero=zero)
    asked = workflow.report.ReportRequest(
        folder=folder,
        find_logs=lambda: find_logs(logs),
        full_load=_full_load(before, after, ignition, driven, is_zero=zero),
        tunes=tunes,
        setup=setup,
        standard=value_of(standard),
        units=value_of(units),
    )
    with ignition_as_usage():
        done = workflow.report.make_report(
            asked, out, figures=figures, is_customer=customer, overwrite=overwrite
        )
    if json:
        _write_json(done, out)
    else:
        _write_screen(done, out, figures)


def _full_load(
    before: list[Path] | None,
    after: list[Path] | None,
    ignition: IgnitionWord | None,
    driven: tuple[float, float] | None,
    *,
    is_zero: bool,
) -> FullLoadRequest | None:
    if not before or not after:
        return None
    return workflow.report.FullLoadRequest(
        reader_of(before), reader_of(after), console.tell, value_of(ignition), driven, is_zero
    )


def _write_json(done: WrittenReport, out: Path) -> None:
    record = {"out": str(out), "sections": list(done.titles),
              "figures": [str(path) for path in done.figures],
              "verdict": done.verdict and done.verdict.record(),
              **({"note": done.note} if done.note else {})}  # fmt: skip
    console.write_json({**({"simulated": True} if done.is_simulated else {}), **record})


def _write_screen(done: WrittenReport, out: Path, figures: Path | None) -> None:
    lines = [f"Written: {out}"]
    if figures is not None:
        lines.append(f"Figures: {figures}, {len(done.figures)} files")
    if done.note:
        lines.append(done.note)
    if done.verdict is not None:
        verdict = done.verdict
        console.write(console.screen(), show.verdict.verdict_line(verdict.word, verdict.reason))
    console.write(console.screen(), *lines)


def _split(paths: Sequence[Path]) -> tuple[Path | None, list[Path]]:
    """Separate the folder from the logs; a proposal's file means its folder."""
    folders, logs = [], []
    for path in paths:
        if path.is_dir():
            folders.append(path)
        elif path.name in files.result_writer.RESULT_FILES:
            folders.append(path.parent)
        else:
            logs.append(path)
    folders = list(dict.fromkeys(folders))
    if len(folders) > 1:
        raise typer.BadParameter("name one folder only, of a tune or a proposal.")
    if logs and not folders:
        raise typer.BadParameter(
            f"{logs[0]} is not a folder. Name the folder that rounds or propose wrote; full-load "
            "logs go after --before and --after."
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
        raise typer.BadParameter("--zero needs full-load runs: add --before and --after.")
    if bool(before) != bool(after):
        raise typer.BadParameter("--before and --after are needed together.")
    if folder is None and not before and tunes is None:
        raise typer.BadParameter("nothing to report: name a folder, full-load logs or --tunes.")
    if folder is not None and setup is not None:
        raise typer.BadParameter(
            "--setup is only for a report without a folder; the folder has its own."
        )
