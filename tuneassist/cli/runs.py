"""``tuneassist runs``: compare full-load runs before and after a change."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tuneassist import files, show, workflow
from tuneassist.cli import console
from tuneassist.cli.commands import new_app
from tuneassist.cli.full_load import (
    After,
    AirAfter,
    AirBefore,
    Before,
    Driven,
    Fuel,
    Humidity,
    Ignition,
    Inertia,
    Low,
    ManyLogs,
    Margin,
    Standard,
    Zero,
    ignition_as_usage,
    reader_of,
    value_of,
)
from tuneassist.cli.options import AsJson, Overwrite, PlotFile, Units

if TYPE_CHECKING:
    from tuneassist.errors import TuneassistError
    from tuneassist.runs import Equivalence
    from tuneassist.show.run_units import OutputUnits
    from tuneassist.workflow.runs import FullLoad

SetupOfRuns = Annotated[
    Path | None,
    typer.Option(
        "--setup",
        "-s",
        metavar="FILE",
        help="The car's setup file: ignition, limits and channels. Default: the default limits of "
        "--ignition.",
        show_default=False,
    ),
]
app = new_app()
PEDAL_ALONE = "No full-load pull on either side: only the answer to the pedal is compared."


@app.command(cls=ManyLogs)
def runs(
    before: Before = None,
    after: After = None,
    *,
    setup: SetupOfRuns = None,
    ignition: Ignition = None,
    standard: Standard = None,
    units: Units = None,
    zero: Zero = False,
    margin: Margin = None,
    low: Low = None,
    driven: Driven = None,
    humidity: Humidity = None,
    air_before: AirBefore = None,
    air_after: AirAfter = None,
    fuel: Fuel = None,
    inertia: Inertia = None,
    plot: PlotFile = None,
    overwrite: Overwrite = False,
    json: AsJson = False,
) -> None:
    """Compare full-load runs before and after a change.

    Finds the pulls and the pedal steps in each log. First what the driver feels: torque low down
    and how it comes up, its smoothness, and the time from tip-in to 90 % of the answer, with
    intervals from repeats. Then lambda, boost and exhaust temperature against the limits; the gain
    over the speeds driven and at every speed; drivability; the peaks last. --standard corrects for
    the air. --zero tests whether nothing changed: the result is "equivalent", "different" or
    "cannot tell".
    """
    if not before or not after:
        raise typer.BadParameter("--before LOG... and --after LOG... are both required.")
    if plot is not None:
        workflow.pictures.require_picture(plot, overwrite=overwrite)
    given = {"margin_pct": margin, "low_rpm": low, "driven_rpm": driven,
             "relative_humidity_pct": humidity,
             "fuel_mg_per_l_cycle": fuel, "inertia_kg_m2": inertia}  # fmt: skip
    with ignition_as_usage():
        made, refused = workflow.runs.try_full_load(
            reader_of(before),
            reader_of(after),
            car=files.setup_file.read_setup(setup) if setup else None,
            settings=workflow.runs.run_settings(value_of(standard), **given),
            ignition=value_of(ignition),
            air=workflow.runs.air_of_sides(air_before, air_after, humidity),
            tell=console.tell,
        )
    if refused is not None:
        _write_answer(made, refused, units=made.units(value_of(units)), as_json=json)
        return
    _write(made, zero=zero, units=made.units(value_of(units)), plot=plot, as_json=json)


def _write_answer(
    made: FullLoad, refused: TuneassistError, *, units: OutputUnits, as_json: bool
) -> None:
    """Write the answer to the pedal alone, where there is one; else, or after it, raise.

    Logs without any pull were made for the answer to the pedal: nothing is missing then.
    """
    if made.found.feel.empty:
        raise refused
    if as_json:
        _write_json(made, None)
    else:
        screen = console.screen()
        view = show.runs.answer_screen(
            made.found, units=units, label=_label(made), is_simulated=made.is_simulated
        )
        opening = () if len(made.found.pulls) else show.verdict.opening("CHECK", PEDAL_ALONE)
        console.write(screen, *opening, view)
    if len(made.found.pulls):
        raise refused
    if as_json:
        console.tell(PEDAL_ALONE)


def _label(made: FullLoad) -> str:
    return made.setup.engine.label if made.setup else ""


def _write(
    made: FullLoad, *, zero: bool, units: OutputUnits, plot: Path | None, as_json: bool
) -> None:
    """Write the picture if one was requested, and the screen or JSON."""
    verdict = made.found.equivalence(None if as_json else units.changes()) if zero else None
    if plot is not None:
        workflow.pictures.draw_full_load(plot, made, units, verdict)
    if as_json:
        _write_json(made, verdict)
    else:
        _write_screen(made, verdict, units, plot)


def _write_json(made: FullLoad, verdict: Equivalence | None) -> None:
    label = {"label": made.setup.engine.label} if made.setup else {}
    record = show.runs.runs_record(
        made.found, zero=verdict, logged=made.units_logged(), is_simulated=made.is_simulated
    )
    console.write_json(
        {**label, "ignition": made.ignition, "ignition_assumed": made.is_assumed, **record}
    )


def _write_screen(
    made: FullLoad, verdict: Equivalence | None, units: OutputUnits, plot: Path | None
) -> None:
    screen = console.screen()
    view = show.runs.runs_screen(
        made.found,
        zero=verdict,
        units=units,
        label=_label(made),
        display=console.display_of(screen),
        is_simulated=made.is_simulated,
        assumed=made.assumed,
    )
    opening = show.report_verdict.verdict_of_runs(
        made.found, units, verdict, show.runs.gain_in_brief(made.found, units)
    )
    first = show.verdict.verdict_section(opening, "")
    console.write(screen, first, view, *([f"Picture written: {plot}"] if plot else []))
