"""``tuneassist coverage``: show how well logs cover the cells."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tuneassist import show, workflow
from tuneassist.cli import console
from tuneassist.cli.commands import new_app
from tuneassist.cli.inputs import reducer
from tuneassist.cli.options import (
    AsJson,
    Logs,
    Overwrite,
    PlotFile,
    Scheduler,
    SetupFile,
    Strict,
    Workers,
)

if TYPE_CHECKING:
    from pathlib import Path

    from tuneassist.workflow.coverage import Coverage

app = new_app()


@app.command()
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
    """Show which cells are seen, held, trusted or still need holds.

    Seen: at least one sample came near. Held: a steady, warm stretch counts there. Trusted: the
    confidence is fair or good. Cells without a target are left alone.
    """
    if plot is not None:
        workflow.pictures.require_picture(plot, overwrite=overwrite)
    reduce = reducer(logs, is_strict=strict, workers=workers, scheduler=scheduler)
    found = workflow.coverage.cover_files(reduce, setup=setup)
    if plot is not None:
        workflow.pictures.draw_coverage(plot, found)
    if json:
        console.write_json(_record(found))
    else:
        _write_screen(found, plot)


def _record(found: Coverage) -> dict[str, object]:
    """Return what ``--json`` prints."""
    simulated = {"simulated": True} if found.is_simulated else {}
    return {
        "label": found.setup.engine.label,
        **simulated,
        **show.coverage.coverage_record(found.table, found.states),
        "set_aside": dict(found.evidence.unusable),
        "notes": list(found.evidence.notes),
    }


def _write_screen(found: Coverage, plot: Path | None) -> None:
    screen, evidence = console.screen(), found.evidence
    holds = show.display.counted(len(evidence.holds), "hold")
    view = show.coverage.coverage_screen(
        found.table,
        found.states,
        setup=found.setup,
        display=console.display_of(screen),
        notes=evidence.notes,
        is_simulated=found.is_simulated,
        words=f"{show.notes.logs_words(evidence)}, {holds}",
        set_aside=len(evidence.unusable),
    )
    console.write(screen, view, *([f"\nPicture written: {plot}"] if plot else []))
