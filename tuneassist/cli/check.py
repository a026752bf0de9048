"""``tuneassist check``: how logs are read, and what they are worth as evidence."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import typer

from tuneassist.cli.options import AsJson, Logs, OptionalSetup

if TYPE_CHECKING:
    from pathlib import Path

    from rich.console import RenderableType

    from tuneassist.settings import Setup
    from tuneassist.show.look import Look


def check(logs: Logs, setup: OptionalSetup = None, json: AsJson = False) -> None:
    """Show how logs are read: what was recognised, converted, mended and dropped.

    With a setup, also: which filter takes which share of the samples, how late lambda arrives, how
    long it settles, where the sensor stops, and the holds found. Writes no file.
    """
    from tuneassist.cli.console import look_of, screen, show, show_json, tell
    from tuneassist.cli.inputs import distinct_names, find_logs
    from tuneassist.errors import TuneassistError
    from tuneassist.files.setup_file import read_setup

    car = read_setup(setup) if setup else None
    paths = find_logs(logs)
    console = screen()
    records: list[dict[str, Any]] = []
    worst = 0
    for path, name in zip(paths, distinct_names(paths), strict=True):
        try:
            view, record = check_one(path, name, car, look_of(console))
        except TuneassistError as error:  # one bad log must not hide the others
            tell(str(error))
            worst = max(worst, error.exit_status)
            records.append({"name": name, "error": str(error)})
            continue
        records.append(record)
        if not json:
            show(console, view)
    if json:
        show_json({"logs": records})
    raise typer.Exit(worst)


def check_one(
    path: Path, name: str, car: Setup | None, look: Look
) -> tuple[RenderableType, dict[str, Any]]:
    """Read one log and look at it; returns its screen and the same as plain values."""
    from tuneassist.cli.inputs import is_simulated
    from tuneassist.pipeline import reduce_log
    from tuneassist.reading import read_log
    from tuneassist.show.check import check_record, check_screen

    log = replace(read_log(path, setup=car), name=name)
    found = reduce_log(log.samples, name=name, setup=car) if car else None
    simulated = is_simulated([log], car)
    return (
        check_screen(log, found, setup=car, look=look, is_simulated=simulated),
        check_record(log, found, setup=car, is_simulated=simulated),
    )
