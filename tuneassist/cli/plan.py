"""``tuneassist plan``: what to hold next, in order."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NamedTuple

import typer

from tuneassist.cli.options import AsJson, Overwrite, Strict

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tuneassist.grid import Floats
    from tuneassist.loop.plan import Plan
    from tuneassist.loop.settings import PlanSettings
    from tuneassist.pipeline import Evidence
    from tuneassist.settings import Setup


def plan(
    known: Annotated[
        list[Path],
        typer.Argument(
            metavar="DIR|LOG",
            help="A tune's folder, or log files with --setup.",
            show_default=False,
        ),
    ],
    *,
    minutes: Annotated[
        float,
        typer.Option(
            "--minutes", "-m", metavar="M", help="Time on a warm engine.", show_default=False
        ),
    ],
    hold_seconds: Annotated[
        float | None,
        typer.Option(
            "--hold-seconds",
            metavar="S",
            help="Length of each hold; left out: plan.hold_s of the setup, or its default.",
            show_default=False,
        ),
    ] = None,
    setup: Annotated[
        Path | None,
        typer.Option(
            "--setup",
            "-s",
            metavar="FILE",
            help="The car's setup file (TOML); a tune's folder has its own.",
            show_default=False,
        ),
    ] = None,
    csv: Annotated[
        Path | None,
        typer.Option("--csv", metavar="FILE", help="Also write a new CSV.", show_default=False),
    ] = None,
    sheet: Annotated[
        Path | None,
        typer.Option(
            "--sheet",
            metavar="FILE",
            help="Also draw one page for the operator: .png, .svg or .pdf.",
            show_default=False,
        ),
    ] = None,
    overwrite: Overwrite = False,
    strict: Strict = False,
    json: AsJson = False,
) -> None:
    """List the holds that take most of the remaining doubt away for the time.

    Weighted by where the car is driven (low and middle speeds, or as [plan] in the setup says),
    within reach as logged, light load first, with rests between heavy holds.
    """
    from tuneassist.cli.console import look_of, screen, show, show_json
    from tuneassist.loop.plan import plan_holds
    from tuneassist.show.plan import plan_record, plan_screen, written_lines
    from tuneassist.workflow.new_file import require_new_file

    if not 0 < minutes < float("inf"):
        raise typer.BadParameter(f"{minutes:g} minutes is no time. Give more than 0.")
    for path in (csv, sheet):
        if path is not None:
            require_new_file(path, overwrite=overwrite)
    if sheet is not None:
        from tuneassist.show.plots import plot_format, require_matplotlib

        require_matplotlib()
        plot_format(sheet.suffix)
    case = _case(known, setup, is_strict=strict)
    made = plan_holds(
        case.evidence,
        setup=case.setup,
        minutes=minutes,
        settings=_with_hold(case.settings, hold_seconds),
        visits=case.visits,
    )
    made = _with_unusable(made, case.evidence)
    written = _write(made, case, csv=csv, sheet=sheet)
    if json:
        record = plan_record(made, setup=case.setup, is_simulated=case.is_simulated)
        unusable = case.evidence.unusable if case.evidence else {}
        show_json({**record, "set_aside": dict(unusable)})
        return
    console = screen()
    view = plan_screen(
        made, setup=case.setup, look=look_of(console), is_simulated=case.is_simulated
    )
    show(console, view, *written_lines(written))


def _with_hold(settings: PlanSettings, seconds: float | None) -> PlanSettings:
    from dataclasses import replace

    from tuneassist.errors import InputError

    if seconds is None:
        return settings
    try:
        return replace(settings, hold_s=seconds)
    except InputError as error:
        raise typer.BadParameter(f"--hold-seconds: {error}") from error


def _with_unusable(made: Plan, evidence: Evidence | None) -> Plan:
    """Name the logs that could not be used in the notes of a plan."""
    from dataclasses import replace

    from tuneassist.evidence.repeats import unusable_notes

    if evidence is None:
        return made
    notes = unusable_notes(evidence.unusable, [log.name for log in evidence.logs])
    return replace(made, notes=(*notes, *made.notes))


class _Case(NamedTuple):
    """What a plan starts from."""

    setup: Setup
    settings: PlanSettings
    evidence: Evidence | None
    visits: Floats | None
    is_simulated: bool


def _case(known: Sequence[Path], setup: Path | None, *, is_strict: bool) -> _Case:
    from tuneassist.files.tune_places import HISTORY

    if len(known) == 1 and (known[0] / HISTORY).is_file():
        if setup is not None:
            raise typer.BadParameter("A tune's folder has its own setup; leave --setup out.")
        return _of_tune(known[0])
    if setup is None:
        raise typer.BadParameter(_without_setup(known))
    return _of_logs(known, setup, is_strict=is_strict)


def _without_setup(known: Sequence[Path]) -> str:
    """Say what is wrong where neither a tune's folder nor a setup was named."""
    first = known[0]
    if not first.exists():
        problem = f"{first}: there is no such file or folder."
    elif first.is_dir():
        problem = f"{first}: no tune was started in this folder."
    else:
        problem = f"{first}: a log needs --setup."
    return f"{problem} Name a tune's folder, or logs (or their folder) with --setup."


def _of_tune(folder: Path) -> _Case:
    import numpy as np

    from tuneassist.files.plan_section import read_plan_settings
    from tuneassist.files.tune_folder import open_tune
    from tuneassist.files.tune_setup import SETUP
    from tuneassist.loop.pool import pool_rounds

    with open_tune(folder, is_reading=True) as tune:
        marks, car = tune.state.evidence, tune.setup
        settings = read_plan_settings(folder / SETUP)
        simulated = "simulated" in car.engine.label.casefold()
        if not marks:
            return _Case(car, settings, None, None, simulated)
        current = tune.grid(tune.state.current)
        evidence = pool_rounds(tune.rounds(marks), setup=car, current=current)
        visits = np.sum([tune.evidence(mark).visits.flat() for mark in marks], axis=0)
    return _Case(car, settings, evidence, visits, simulated)


def _of_logs(paths: Sequence[Path], setup: Path, *, is_strict: bool) -> _Case:
    from tuneassist.cli.inputs import find_logs, reduce_logs
    from tuneassist.files.plan_section import read_plan_settings
    from tuneassist.files.setup_file import read_setup
    from tuneassist.grid import Grid
    from tuneassist.pipeline import gather
    from tuneassist.workflow.logs import is_simulated
    from tuneassist.workflow.round_result import count_visits

    car = read_setup(setup)
    found = reduce_logs(find_logs(paths), setup=car, is_strict=is_strict)
    said = [one.evidence for one in found.used]
    evidence = gather(said, setup=car, current=Grid.zeros(car.axes)).beside(found.unusable)
    visits = count_visits(said, car).flat()
    simulated = is_simulated([one.log for one in found.used], car)
    return _Case(car, read_plan_settings(setup), evidence, visits, simulated)


def _write(made: Plan, case: _Case, *, csv: Path | None, sheet: Path | None) -> list[Path]:
    """Write what was asked for, each file whole or not at all."""
    from tuneassist.files.plain_file import write_whole
    from tuneassist.files.text import frame_csv

    if csv is not None:
        write_whole(csv, frame_csv(made.holds).encode("utf-8"))
    if sheet is not None:
        from tuneassist.show.plan_sheet import plan_sheet
        from tuneassist.show.plots import picture, plot_format

        figure = plan_sheet(made, setup=case.setup, is_simulated=case.is_simulated)
        write_whole(sheet, picture(figure, plot_format(sheet.suffix)))
    return [path for path in (csv, sheet) if path is not None]
