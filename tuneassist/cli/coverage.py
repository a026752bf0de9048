"""``tuneassist coverage``: which cells the logs have seen, held and can be trusted about."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tuneassist.cli.options import AsJson, Logs, Overwrite, Scheduler, SetupFile, Strict, Workers

if TYPE_CHECKING:
    import pandas as pd

    from tuneassist.pipeline import Evidence
    from tuneassist.settings import Setup


def coverage(
    logs: Logs,
    setup: SetupFile,
    *,
    plot: Annotated[
        Path | None,
        typer.Option(
            "--plot",
            metavar="FILE",
            help="Also draw it into a new picture: .png, .svg or .pdf.",
            show_default=False,
        ),
    ] = None,
    overwrite: Overwrite = False,
    workers: Workers = 1,
    scheduler: Scheduler = None,
    strict: Strict = False,
    json: AsJson = False,
) -> None:
    """Show which cells were seen, held and can be trusted, and which still need holds.

    Seen: any sample came near. Held: a steady warm stretch counts there. Trusted: confidence fair
    or good. Cells without a target are left alone.
    """
    from tuneassist.cli.console import look_of, screen, show, show_json
    from tuneassist.cli.inputs import find_logs, reduce_logs
    from tuneassist.files.setup_file import read_setup
    from tuneassist.show.coverage import coverage_record, coverage_screen
    from tuneassist.show.look import counted
    from tuneassist.show.notes import logs_words
    from tuneassist.workflow.coverage import cover
    from tuneassist.workflow.logs import is_simulated

    if plot is not None:
        require_plot(plot, overwrite=overwrite)
    car = read_setup(setup)
    found = reduce_logs(
        find_logs(logs), setup=car, is_strict=strict, workers=workers, scheduler=scheduler
    )
    read = [one.log for one in found.used]
    simulated = is_simulated(read, car)
    seen = cover([one.evidence for one in found.used], car)
    table, counts = seen.table, seen.states
    evidence = seen.evidence.beside(found.unusable)
    if plot is not None:
        write_plot(plot, table, car, evidence, is_simulated=simulated)
    if json:
        record = {"label": car.engine.label, **({"simulated": True} if simulated else {})}
        told = {"set_aside": dict(found.unusable), "notes": list(evidence.notes)}
        show_json({**record, **coverage_record(table, counts), **told})
        return
    console = screen()
    words = f"{logs_words(evidence)}, {counted(len(evidence.holds), 'hold')}"
    view = coverage_screen(
        table,
        counts,
        setup=car,
        look=look_of(console),
        notes=evidence.notes,
        is_simulated=simulated,
        words=words,
    )
    show(console, view, *([f"\nDrawn into {plot}"] if plot else []))


def require_plot(plot: Path, *, overwrite: bool) -> None:
    """Refuse a picture that could not be written, before any work is done."""
    from tuneassist.show.plots import plot_format, require_matplotlib
    from tuneassist.workflow.new_file import require_new_file

    require_matplotlib()
    plot_format(plot.suffix)
    require_new_file(plot, overwrite=overwrite)


def write_plot(
    plot: Path, table: pd.DataFrame, car: Setup, evidence: Evidence, *, is_simulated: bool
) -> None:
    """Draw the coverage into a file, whole or not at all."""
    from tuneassist.files.plain_file import write_whole
    from tuneassist.show.plots import coverage_figure, picture, plot_format

    figure = coverage_figure(
        table, car.axes, holds=evidence.holds, label=car.engine.label, is_simulated=is_simulated
    )
    write_whole(plot, picture(figure, plot_format(plot.suffix)))
