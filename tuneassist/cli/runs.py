"""``tuneassist runs``: full-load runs before and after."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tuneassist.cli.full_load import (
    After,
    Before,
    Driven,
    Fuel,
    Humidity,
    Ignition,
    Standard,
    Units,
    Zero,
    ignition_as_usage,
    reader_of,
    value_of,
)
from tuneassist.cli.options import AsJson, Overwrite

if TYPE_CHECKING:
    from tuneassist.runs import Equivalence
    from tuneassist.runs.air import AirState
    from tuneassist.settings import Setup
    from tuneassist.show.run_units import OutputUnits
    from tuneassist.workflow.runs import FullLoad

Air = tuple[float, float]


def _option(name: str, metavar: str, words: str) -> typer.models.OptionInfo:
    found: typer.models.OptionInfo = typer.Option(
        name, metavar=metavar, help=words, show_default=False
    )
    return found


def runs(
    before: Before = None,
    after: After = None,
    *,
    setup: Annotated[
        Path | None,
        typer.Option(
            "--setup",
            "-s",
            metavar="FILE",
            help="The car's setup file: ignition, limits and channels. Left out: the default "
            "limits of --ignition.",
            show_default=False,
        ),
    ] = None,
    ignition: Ignition = None,
    standard: Standard = None,
    units: Units = None,
    zero: Zero = False,
    margin: Annotated[
        float | None, _option("--margin", "PCT", "With --zero: less torque than this is no change.")
    ] = None,
    driven: Driven = None,
    humidity: Humidity = None,
    air_before: Annotated[
        Air | None,
        _option(
            "--air-before",
            "KPA DEGC",
            "Pressure (kPa, absolute) and temperature (degC) of the air ahead of the filter for "
            "the runs before, such as --air-before 98.7 24. Left out: barometer and inlet "
            "temperature as logged.",
        ),
    ] = None,
    air_after: Annotated[
        Air | None,
        _option(
            "--air-after", "KPA DEGC", "The same for the runs after, such as --air-after 99.2 19."
        ),
    ] = None,
    fuel: Fuel = None,
    inertia: Annotated[
        float | None,
        _option(
            "--inertia",
            "KGM2",
            "Needed only where the log has neither torque nor power: "
            "inertia of rollers, wheels and driveline in kg m2, seen from the crankshaft in "
            "the gear driven. Rollers of 80 kg m2 that turn once for four turns of the crank "
            "are 80/16: --inertia 5.",
        ),
    ] = None,
    plot: Annotated[
        Path | None, _option("--plot", "FILE", "Also draw it: .png, .svg or .pdf.")
    ] = None,
    overwrite: Overwrite = False,
    json: AsJson = False,
) -> None:
    """Compare full-load runs before and after, in standard air, with intervals from repeats.

    Finds the pulls in each log, and shows the gain at every speed and over the speeds driven, the
    peaks, lambda, boost and exhaust temperature against the limits, and drivability. With --zero
    it tells "equivalent" from "different" and from "cannot tell".
    """
    from tuneassist.cli.console import tell
    from tuneassist.cli.coverage import require_plot
    from tuneassist.files.setup_file import read_setup
    from tuneassist.workflow.runs import SidesAir, compare_full_load, output_units, run_settings

    if not before or not after:
        raise typer.BadParameter("logs of both sides are needed: --before LOG... --after LOG...")
    if plot is not None:
        require_plot(plot, overwrite=overwrite)
    car = read_setup(setup) if setup else None
    given = {"margin_pct": margin, "driven_rpm": driven, "relative_humidity_pct": humidity,
             "fuel_mg_per_l_cycle": fuel, "inertia_kg_m2": inertia}  # fmt: skip
    with ignition_as_usage():
        made = compare_full_load(
            reader_of(before),
            reader_of(after),
            car=car,
            settings=run_settings(value_of(standard), **given),
            ignition=value_of(ignition),
            air=SidesAir(_air(air_before, humidity), _air(air_after, humidity)),
            tell=tell,
        )
    shown = output_units(value_of(units), made.logs, car)
    verdict = made.found.equivalence(None if json else shown.changes()) if zero else None
    if plot is not None:
        draw(plot, made, shown)
    if json:
        _show_json(made, car, verdict)
    else:
        _show_screen(made, car, verdict, shown, plot)


def _show_json(made: FullLoad, car: Setup | None, verdict: Equivalence | None) -> None:
    from tuneassist.cli.console import show_json
    from tuneassist.show.runs import runs_record
    from tuneassist.workflow.runs import output_units

    label = {"label": car.engine.label} if car else {}
    logged = output_units(None, made.logs, car)
    show_json(
        {**label, "ignition": made.ignition, "ignition_assumed": made.is_assumed,
         **runs_record(made.found, zero=verdict, logged=logged, is_simulated=made.is_simulated)}
    )  # fmt: skip


def _show_screen(
    made: FullLoad,
    car: Setup | None,
    verdict: Equivalence | None,
    units: OutputUnits,
    plot: Path | None,
) -> None:
    from tuneassist.cli.console import look_of, screen, show
    from tuneassist.show.runs import runs_screen

    console = screen()
    view = runs_screen(
        made.found,
        zero=verdict,
        units=units,
        label=car.engine.label if car else "",
        display=look_of(console),
        is_simulated=made.is_simulated,
        assumed=made.assumed,
    )
    show(console, view, *([f"Drawn into {plot}"] if plot else []))


def _air(given: Air | None, humidity: float | None) -> AirState | None:
    if given is None:
        return None
    from tuneassist.runs.air import AirState

    return AirState(given[0], given[1], relative_humidity_pct=humidity)


def draw(plot: Path, made: FullLoad, units: OutputUnits) -> None:
    """Draw torque, power, gain and the watched channels into one picture."""
    from matplotlib.figure import Figure

    from tuneassist.files.safe_files import write_atomically
    from tuneassist.show.figures.full_load import (
        ALONG_WORDS,
        plot_along,
        plot_full_load,
        plot_gain,
    )
    from tuneassist.show.plots import picture, plot_format

    found, simulated = made.found, made.is_simulated
    along = [c for c in ("lambda", "boost_kpa", "exhaust_temp_c") if c in found.mean]
    along = [c for c in along if c in ALONG_WORDS and found.mean[c].notna().any()]
    rows = (3 + len(along) + 1) // 2
    figure = Figure(figsize=(10.0, 3.4 * rows), layout="constrained")
    frames = list(figure.subplots(rows, 2, squeeze=False).ravel())
    plot_full_load(found.mean, "torque", unit=units.torque, is_simulated=simulated, ax=frames[0])
    plot_full_load(found.mean, "power", unit=units.power, is_simulated=simulated, ax=frames[1])
    plot_gain(found.gain, unit=units.torque, is_simulated=simulated, ax=frames[2])
    for frame, column in zip(frames[3:], along, strict=False):
        plot_along(found.mean, column, limit_checks=found.limit_checks, units=units,
                   is_simulated=simulated, ax=frame)  # fmt: skip
    for frame in frames[3 + len(along) :]:
        frame.set_axis_off()
    write_atomically(plot, picture(figure, plot_format(plot.suffix)))
