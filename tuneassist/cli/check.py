"""``tuneassist check``: show how logs are read and what they are worth as evidence."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from tuneassist import show, workflow
from tuneassist.cli import console
from tuneassist.cli.commands import new_app
from tuneassist.cli.inputs import find_logs, refuse_both
from tuneassist.cli.options import (
    AsJson,
    Logs,
    OptionalSetup,
    Overwrite,
    PlotFile,
    Scheduler,
    Strict,
    Workers,
)
from tuneassist.cli.waiting import WORKING, show_waiting
from tuneassist.errors import TuneassistError

if TYPE_CHECKING:
    from tuneassist.parallel import LogFile
    from tuneassist.workflow.check import CheckedLog, CheckedLogs

app = new_app()


@app.command()
def check(
    logs: Logs,
    setup: OptionalSetup = None,
    *,
    workers: Workers = 1,
    scheduler: Scheduler = None,
    strict: Strict = False,
    plot: PlotFile = None,
    overwrite: Overwrite = False,
    json: AsJson = False,
) -> None:
    """Show how logs are read and what they are worth as evidence.

    Lists what was recognised, converted, repaired and dropped. With --setup also: the share of
    samples that each filter takes, the delay of lambda, the settling time, the limits of the
    sensor, the holds found, what quick changes of load and speed do to lambda, the drift, the
    usable minutes, and the doubts that a proposal from these logs would raise; --workers speeds
    this up. Logs that cannot be used are listed at the end. --plot draws one log over time: its
    holds, and what was dropped and why. Writes no other file.
    """
    refuse_both(workers, scheduler)
    paths = cache(lambda: find_logs(logs))
    if plot is not None:
        _require_one_log(paths, setup)
        workflow.pictures.require_picture(plot, overwrite=overwrite)
    output = _JsonOutput() if json else _ScreenOutput()
    found = workflow.check.check_logs(
        paths,
        setup=setup,
        workers=workers,
        scheduler=scheduler,
        each=output.write_log,
    )
    output.write_end(found)
    if plot is not None and setup is not None and not found.errors:
        workflow.pictures.draw_trace(plot, paths()[0], setup)
        if not json:
            console.write(console.screen(), f"\nPicture written: {plot}")
    for complaint in found.complaints:
        console.tell(complaint)
    raise typer.Exit(found.exit_status(is_strict=strict))


def _require_one_log(paths: Callable[[], list[Path]], setup: Path | None) -> None:
    """Refuse a picture that could not be drawn.

    Raises
    ------
    typer.BadParameter
        Wrong usage.
    """
    if setup is None:
        raise typer.BadParameter("--plot needs --setup: without it no holds are looked for.")
    if (count := len(paths())) != 1:
        raise typer.BadParameter(f"--plot draws one log over time, {count} were named.")


class _ScreenOutput:
    """Shows each log as soon as it is read."""

    def __init__(self) -> None:
        self._screen = console.screen()

    def write_log(self, file: LogFile, one: CheckedLog | TuneassistError) -> None:
        """Show a log; one that cannot be used is named at the end."""
        if isinstance(one, TuneassistError):
            return
        view = show.check.check_screen(
            one.log,
            one.evidence,
            setup=one.setup,
            display=console.display_of(self._screen),
            is_simulated=one.is_simulated,
            taught=one.taught,
        )
        console.write(self._screen, view)
        show_waiting(WORKING)  # for the next log

    def write_end(self, found: CheckedLogs) -> None:
        """Show the notes and doubts on all logs."""
        if found.setup_notes:
            console.write(self._screen, show.check.setup_notes_section(found.setup_notes))
        if found.doubts:
            console.write(self._screen, show.check.proposal_doubts_section(found.doubts))


class _JsonOutput:
    """Collects the logs and prints one record."""

    def __init__(self) -> None:
        self._logs: list[dict[str, Any]] = []

    def write_log(self, file: LogFile, one: CheckedLog | TuneassistError) -> None:
        """Collect a log, or why it cannot be used."""
        if isinstance(one, TuneassistError):
            self._logs.append({"name": file.name, "error": str(one)})
            return
        record = show.check.check_record(
            one.log,
            one.evidence,
            setup=one.setup,
            is_simulated=one.is_simulated,
            taught=one.taught,
        )
        self._logs.append(record)

    def write_end(self, found: CheckedLogs) -> None:
        """Print what was collected."""
        more = {"notes": found.setup_notes, "doubts": found.doubts, "set_aside": found.unusable}
        given = {name: words for name, words in more.items() if words}
        console.write_json({"logs": self._logs, **given})
