"""Check how logs are read and, with a setup, what they are worth as evidence."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from tuneassist.correction import setup_questions
from tuneassist.errors import TuneassistError
from tuneassist.evidence.log_taught import LogTaught, log_taught
from tuneassist.evidence.repeats import unusable_notes
from tuneassist.files.setup_file import read_setup
from tuneassist.grid import Grid
from tuneassist.parallel import Answer, LogFile, reason, stops_run, try_files
from tuneassist.pipeline import Evidence, LogEvidence, gather
from tuneassist.reading import Log, LogReader
from tuneassist.settings import Setup
from tuneassist.workflow.logs import distinct_names, is_simulated


@dataclass(frozen=True, eq=False)
class CheckedLog:
    """A log as it was read.

    Parameters
    ----------
    log
        What was recognised, converted, repaired and dropped; without the samples.
    evidence
        Its evidence; None without a setup.
    setup
        The car's setup; None without one.
    is_simulated
        Whether label or log say that the data are simulated.
    taught
        What the log teaches by itself; None without a setup.
    """

    log: Log
    evidence: LogEvidence | None
    setup: Setup | None
    is_simulated: bool
    taught: LogTaught | None = None


@dataclass(frozen=True, eq=False)
class CheckedLogs:
    """The results for all logs.

    Parameters
    ----------
    files
        The logs that were named.
    errors
        Why logs cannot be used, in the order of the files.
    setup_notes
        Parts of the setup that hardly fit one another.
    doubts
        Further doubts that a proposal from these logs would have.
    """

    files: tuple[LogFile, ...]
    errors: tuple[tuple[LogFile, TuneassistError], ...]
    setup_notes: tuple[str, ...]
    doubts: tuple[str, ...]

    @property
    def unusable(self) -> Mapping[str, str]:
        """Why each log that cannot be used is unusable, by name."""
        return {file.name: reason(file, error) for file, error in self.errors}

    @property
    def complaints(self) -> tuple[str, ...]:
        """Why logs cannot be used: the whole message of one, each reason once of several."""
        if len(self.errors) == 1:
            return (str(self.errors[0][1]),)
        return tuple(unusable_notes(self.unusable, [file.name for file in self.files]))

    def exit_status(self, *, is_strict: bool) -> int:
        """Return the exit status: not 0 when no log can be used, or an error is not a log's own.

        Parameters
        ----------
        is_strict
            Any log that cannot be used counts.
        """
        is_all = is_strict or len(self.errors) == len(self.files)
        return max((e.exit_status for _, e in self.errors if is_all or stops_run(e)), default=0)


def check_logs(
    paths: Callable[[], Sequence[Path]],
    *,
    setup: Path | None = None,
    workers: int = 1,
    scheduler: str | None = None,
    each: Callable[[LogFile, CheckedLog | TuneassistError], None],
) -> CheckedLogs:
    """Read logs, and with a setup find their holds and what a proposal from them would doubt.

    Parameters
    ----------
    paths
        Finds the logs, after the setup is read.
    setup
        The setup's file.
    workers, scheduler
        As for `tuneassist.parallel.reduce_files`.
    each
        Takes each log as soon as it is read, or the error.

    Raises
    ------
    TuneassistError
        When the setup cannot be used, no log is found, or the scheduler does not answer.
    """
    car = read_setup(setup) if setup else None
    found = paths()
    files = [LogFile(path, name) for path, name in zip(found, distinct_names(found), strict=True)]
    errors: list[tuple[LogFile, TuneassistError]] = []
    alone: list[Evidence] = []
    for file, one in zip(files, _read_each(files, car, workers, scheduler), strict=True):
        if isinstance(one, TuneassistError):  # one bad log must not hide the others
            errors.append((file, one))
        elif car is not None and one.evidence is not None:
            alone.append(gather([one.evidence], setup=car, current=Grid.zeros(car.axes)))
            taught = taught_alone(one.evidence, alone[-1], car)
            each(file, replace(one, taught=taught))
            continue
        each(file, one)
    notes = () if car is None else tuple(setup_questions(car))
    doubts = () if car is None else _doubts_of(alone, car, known=notes)
    return CheckedLogs(tuple(files), tuple(errors), notes, doubts)


def _read_each(
    files: Sequence[LogFile], car: Setup | None, workers: int, scheduler: str | None
) -> Iterator[CheckedLog | TuneassistError]:
    """Read each log; an error takes its log's place."""
    if car is None:
        for file in files:
            yield _read_alone(file)
        return
    is_shared = scheduler is not None or workers > 1
    for batch in [files] if is_shared else [[file] for file in files]:  # alone: shown at once
        for answer in try_files(batch, car, workers=workers, scheduler=scheduler):
            yield _checked(answer, car)


def _checked(answer: Answer, car: Setup) -> CheckedLog | TuneassistError:
    if isinstance(answer, TuneassistError):
        return answer
    return CheckedLog(answer.log, answer.evidence, car, is_simulated([answer.log], car))


def _read_alone(file: LogFile) -> CheckedLog | TuneassistError:
    """Read a whole log without keeping its samples."""
    try:
        reader = LogReader(file.path)
        for _ in reader.parts():
            pass
    except TuneassistError as error:
        return error
    log = replace(reader.log(), name=file.name)
    return CheckedLog(log, None, None, is_simulated([log], None))


def taught_alone(log: LogEvidence, alone: Evidence, car: Setup) -> LogTaught:
    """Tell what a log teaches by the evidence of that log alone."""
    held = alone.holds
    return log_taught(
        fit=alone.fit,
        moving=alone.moving,
        blocks=log.blocks,
        held_samples=int(held.loc[held["is_used"], "samples"].sum()),
        samples=log.samples,
        interval_s=log.refresh.interval_s,
        kind=car.target.kind,
    )


def _doubts_of(alone: Sequence[Evidence], car: Setup, *, known: Sequence[str]) -> tuple[str, ...]:
    """Return the doubts that a proposal from these logs would have and that are not known yet."""
    if not alone:
        return ()
    logs = [log for one in alone for log in one.logs]
    known_notes = {*known, *(note for log in logs for note in log.notes)}
    is_one = len(alone) == 1
    evidence = alone[0] if is_one else gather(logs, setup=car, current=Grid.zeros(car.axes))
    return tuple(note for note in evidence.notes if note not in known_notes)
