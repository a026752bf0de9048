"""``tuneassist coverage``: which cells the logs have seen, held and can be trusted about."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tuneassist.cli.options import AsJson, Logs, Overwrite, Scheduler, SetupFile, Strict, Workers

if TYPE_CHECKING:
    from tuneassist.workflow.coverage import Coverage

PlotFile = Annotated[
    Path | None,
    typer.Option(
        "--plot",
        metavar="FILE",
        help="Also draw it into a new picture: .png, .svg or .pdf.",
        show_default=False,
    ),
]


def coverage(
    logs: Logs,
    setup: SetupFile,
    *,
    plot: PlotFile = None,
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
    from tuneassist.cli.console import show_json
    from tuneassist.cli.inputs import find_logs, reduce_logs
    from tuneassist.files.setup_file import read_setup
    from tuneassist.workflow.coverage import cover
    from tuneassist.workflow.logs import is_simulated

    if plot is not None:
        require_plot(plot, overwrite=overwrite)
    car = read_setup(setup)
    found = reduce_logs(
        find_logs(logs), setup=car, is_strict=strict, workers=workers, scheduler=scheduler
    )
    simulated = is_simulated([one.log for one in found.used], car)
    seen = cover([one.evidence for one in found.used], car, is_simulated=simulated)
    seen = seen.beside(found.unusable)
    if plot is not None:
        write_plot(plot, seen)
    if json:
        show_json(_record(seen))
    else:
        _show_screen(seen, plot)


def _record(seen: Coverage) -> dict[str, object]:
    """Return what ``--json`` prints."""
    from tuneassist.show.coverage import coverage_record

    evidence = seen.evidence
    simulated = {"simulated": True} if seen.is_simulated else {}
    return {
        "label": seen.setup.engine.label,
        **simulated,
        **coverage_record(seen.table, seen.states),
        "set_aside": dict(evidence.unusable),
        "notes": list(evidence.notes),
    }


def _show_screen(seen: Coverage, plot: Path | None) -> None:
    from tuneassist.cli.console import look_of, screen, show
    from tuneassist.show.coverage import coverage_screen
    from tuneassist.show.display import counted
    from tuneassist.show.notes import logs_words

    console, evidence = screen(), seen.evidence
    view = coverage_screen(
        seen.table,
        seen.states,
        setup=seen.setup,
        display=look_of(console),
        notes=evidence.notes,
        is_simulated=seen.is_simulated,
        words=f"{logs_words(evidence)}, {counted(len(evidence.holds), 'hold')}",
    )
    show(console, view, *([f"\nDrawn into {plot}"] if plot else []))


def require_plot(plot: Path, *, overwrite: bool) -> None:
    """Refuse a picture that could not be written, before any work is done."""
    from tuneassist.show.plots import plot_format, require_matplotlib
    from tuneassist.workflow.new_file import require_new_file

    require_matplotlib()
    plot_format(plot.suffix)
    require_new_file(plot, overwrite=overwrite)


def write_plot(plot: Path, seen: Coverage) -> None:
    """Draw the coverage into a file, whole or not at all."""
    from tuneassist.files.safe_files import write_atomically
    from tuneassist.show.plots import coverage_figure, picture, plot_format

    figure = coverage_figure(
        seen.table,
        seen.setup.axes,
        holds=seen.evidence.holds,
        label=seen.setup.engine.label,
        is_simulated=seen.is_simulated,
    )
    write_atomically(plot, picture(figure, plot_format(plot.suffix)))
