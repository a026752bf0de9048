"""``tuneassist check``: how logs are read, and what they are worth as evidence."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import typer

from tuneassist.cli.options import AsJson, Logs, OptionalSetup, Scheduler, Strict, Workers

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from rich.console import RenderableType

    from tuneassist.errors import TuneassistError
    from tuneassist.parallel import LogFile
    from tuneassist.pipeline import LogEvidence
    from tuneassist.reading import Log
    from tuneassist.settings import Setup
    from tuneassist.show.display import Display


def check(
    logs: Logs,
    setup: OptionalSetup = None,
    *,
    workers: Workers = 1,
    scheduler: Scheduler = None,
    strict: Strict = False,
    json: AsJson = False,
) -> None:
    """Show how logs are read: what was recognised, converted, mended and dropped.

    With a setup, also: which filter takes which share of the samples, how late lambda arrives, how
    long it settles, where the sensor stops, the holds found, and what a proposal from these logs
    would doubt; more than one worker shares that work out. A log that cannot be used is named at
    the end. Writes no file.
    """
    from tuneassist.cli.console import look_of, screen, show, show_json
    from tuneassist.cli.inputs import find_logs, refuse_both
    from tuneassist.errors import TuneassistError
    from tuneassist.files.setup_file import read_setup
    from tuneassist.parallel import LogFile
    from tuneassist.show.check import proposal_doubts_section, setup_notes_section
    from tuneassist.workflow.logs import distinct_names

    refuse_both(workers, scheduler)
    car = read_setup(setup) if setup else None
    paths = find_logs(logs)
    console = screen()
    records: list[dict[str, Any]] = []
    errors: list[tuple[LogFile, TuneassistError]] = []
    said: list[LogEvidence] = []
    files = [LogFile(path, name) for path, name in zip(paths, distinct_names(paths), strict=True)]
    for file, found in zip(files, look_at(files, car, workers, scheduler), strict=True):
        if isinstance(found, TuneassistError):  # one bad log must not hide the others
            errors.append((file, found))
            records.append({"name": file.name, "error": str(found)})
            continue
        said += [] if found[1] is None else [found[1]]
        view, record = shown(*found, car, look_of(console))
        records.append(record)
        if not json:
            show(console, view)
    notes = setup_notes(car)
    doubts = doubts_of(said, car, known=notes)
    if json:
        more = {"notes": notes, "doubts": doubts}
        kept = {name: words for name, words in more.items() if words}
        show_json({"logs": records, **kept, **set_aside(errors)})
    else:
        for words, view_of in ((notes, setup_notes_section), (doubts, proposal_doubts_section)):
            if words:
                show(console, view_of(words))
    tell_errors(errors, files)
    raise typer.Exit(status_of(errors, files, is_strict=strict))


def set_aside(errors: Sequence[tuple[LogFile, TuneassistError]]) -> dict[str, dict[str, str]]:
    """Return the logs that cannot be used with the reason, for JSON; nothing where all can."""
    from tuneassist.parallel import reason

    found = {file.name: reason(file, error) for file, error in errors}
    return {"set_aside": found} if found else {}


def tell_errors(
    errors: Sequence[tuple[LogFile, TuneassistError]], files: Sequence[LogFile]
) -> None:
    """Say why logs cannot be used: the whole message of one, each reason once of several."""
    from tuneassist.cli.console import tell
    from tuneassist.evidence.repeats import unusable_notes

    if len(errors) == 1:
        tell(str(errors[0][1]))
        return
    unusable = set_aside(errors).get("set_aside", {})
    for note in unusable_notes(unusable, [file.name for file in files]):
        tell(note)


def status_of(
    errors: Sequence[tuple[LogFile, TuneassistError]],
    files: Sequence[LogFile],
    *,
    is_strict: bool,
) -> int:
    """Return the exit status: an error is one where no log is left, or where it ends every job."""
    from tuneassist.parallel import stops_run

    is_all = is_strict or len(errors) == len(files)
    return max((e.exit_status for _, e in errors if is_all or stops_run(e)), default=0)


def look_at(
    files: Sequence[LogFile], car: Setup | None, workers: int, scheduler: str | None
) -> Iterator[tuple[Log, LogEvidence | None] | TuneassistError]:
    """Read each log, and with a setup find its holds; an error stands in its log's place."""
    from tuneassist.errors import TuneassistError
    from tuneassist.parallel import try_files

    if car is not None:
        is_shared = scheduler is not None or workers > 1
        batches = [files] if is_shared else [[file] for file in files]
        for batch in batches:  # one by one, each is shown as soon as it is read
            for found in try_files(batch, car, workers=workers, scheduler=scheduler):
                if isinstance(found, TuneassistError):
                    yield found
                else:
                    yield found.log, found.evidence
        return
    for file in files:
        try:
            yield read_alone(file), None
        except TuneassistError as error:
            yield error


def read_alone(file: LogFile) -> Log:
    """Read a log to its end without keeping its samples."""
    from tuneassist.reading import LogReader

    reader = LogReader(file.path)
    for _ in reader.parts():
        pass
    return replace(reader.log(), name=file.name)


def setup_notes(car: Setup | None) -> list[str]:
    """Say where parts of the setup hardly fit one another, whatever the logs hold."""
    if car is None:
        return []
    from tuneassist.correction import setup_questions

    return list(setup_questions(car))


def doubts_of(said: Sequence[LogEvidence], car: Setup | None, *, known: Sequence[str]) -> list[str]:
    """Say what a proposal from these logs would doubt, in its own words, and was not said yet."""
    if car is None or not said:
        return []
    from tuneassist.grid import Grid
    from tuneassist.pipeline import gather

    told = {*known, *(note for log in said for note in log.notes)}
    evidence = gather(said, setup=car, current=Grid.zeros(car.axes))
    return [note for note in evidence.notes if note not in told]


def shown(
    log: Log, found: LogEvidence | None, car: Setup | None, look: Display
) -> tuple[RenderableType, dict[str, Any]]:
    """Return a log's screen, and the same as plain values."""
    from tuneassist.show.check import check_record, check_screen
    from tuneassist.workflow.logs import is_simulated

    simulated = is_simulated([log], car)
    return (
        check_screen(log, found, setup=car, display=look, is_simulated=simulated),
        check_record(log, found, setup=car, is_simulated=simulated),
    )
