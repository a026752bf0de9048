"""Reduction of many logs to holds: one by one, on several processes, or on a Dask cluster.

The reduction of a log depends on that log alone, and holds are small, so only paths go to the
workers and only holds come back. Every log is reduced by the same function on the same bytes: the
results are identical to the last bit wherever it runs, and come in the order of the files.
"""

from __future__ import annotations

import logging
import multiprocessing
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from importlib import import_module
from itertools import islice
from pathlib import Path
from queue import Empty, SimpleQueue
from threading import Thread
from typing import TYPE_CHECKING, Any

from tuneassist import stopping
from tuneassist.errors import InputError, LogError, NoEvidenceError, TuneassistError
from tuneassist.evidence.repeats import unusable_notes
from tuneassist.inert import inert
from tuneassist.one_log import LogEvidence
from tuneassist.reading import Log, LogReader
from tuneassist.reading.log import Progress
from tuneassist.reduction import reduce_parts
from tuneassist.unit_sentences import restated_as_logged

if TYPE_CHECKING:
    from tuneassist.settings import Setup

#: How often a cluster retries a log after losing its worker. A log that kills its worker would
#: otherwise kill all of them. [1]
MAX_LOST_WORKERS = 3

CONNECT_S = 8.0
"""How long a scheduler may take to answer and to have a worker; about ten seconds with the start of
the library. [s]"""

MAX_SHOWN = 160
"""Characters of a cluster's error, or of its address, in a message. [1]"""

#: Threads that are safe to fork: the allocator's thread holds its locks over a fork.
FORK_SAFE_THREADS = frozenset({"jemalloc_bg_thd"})

Done = Callable[[int, str], None]
"""Called with the number of logs done and the name of the last."""


@dataclass(frozen=True, eq=False)
class ReducedLog:
    """A log that was read and reduced.

    Parameters
    ----------
    log
        What was recognised, converted, corrected and dropped; without its samples.
    evidence
        Its holds.
    """

    log: Log
    evidence: LogEvidence

    def called(self, name: str) -> ReducedLog:
        """Return the same log under another name, in its notes as well."""
        own, old = self.evidence, f"{self.evidence.name}: "
        notes = (f"{name}: {n[len(old) :]}" if n.startswith(old) else n for n in own.notes)
        holds = own.holds.assign(log=name)
        evidence = replace(own, name=name, holds=holds, notes=tuple(notes))
        return replace(self, log=replace(self.log, name=name), evidence=evidence)


Answer = ReducedLog | TuneassistError
"""Result of a log: its holds, or why it cannot be used."""


@dataclass(frozen=True, eq=False)
class LogsAtHand:
    """The usable logs, and the reasons for the others.

    Parameters
    ----------
    used
        Read and reduced, in the order of the files.
    unusable
        Names of the others with the reason.
    """

    used: list[ReducedLog]
    unusable: Mapping[str, str]

    @contextmanager
    def naming_unusable(self) -> Iterator[None]:
        """Name the unusable logs in the error if the usable ones hold no evidence."""
        try:
            yield
        except NoEvidenceError as error:
            notes = unusable_notes(self.unusable, [one.log.name for one in self.used])
            raise NoEvidenceError(" ".join((str(error), *notes))) from error


@dataclass(frozen=True)
class LogFile:
    """A log to be reduced.

    Parameters
    ----------
    path
        Where it is; for a cluster, where it is for every worker.
    name
        What it is called in messages.
    """

    path: Path
    name: str


def reduce_file(file: LogFile, setup: Setup, progress: Progress | None = None) -> ReducedLog:
    """Read one log and reduce it to holds, in bounded memory.

    Raises
    ------
    LogError
        When it cannot be used.
    """
    reader = LogReader(file.path, setup=setup, progress=progress)
    evidence = reduce_parts(reader.parts(), name=file.name, setup=setup)
    log = replace(reader.log(), name=file.name)
    notes = tuple(restated_as_logged(note, setup, log.units) for note in evidence.notes)
    return ReducedLog(log, replace(evidence, notes=notes))


def reduce_files(
    files: Sequence[LogFile],
    setup: Setup,
    *,
    workers: int = 1,
    scheduler: str | None = None,
    done: Done | None = None,
) -> list[ReducedLog]:
    """Read and reduce logs.

    Parameters
    ----------
    files
        The logs.
    setup
        The car's setup.
    workers
        Processes on this computer. [1]
    scheduler
        Address of a Dask scheduler, such as ``tcp://host:8786``; goes before ``workers``.
    done
        Called after each log.

    Returns
    -------
    list of ReducedLog
        In the order of the files, and the same to the last bit however it was worked out.

    Raises
    ------
    TuneassistError
        What the first log that cannot be used raises; or when the scheduler cannot be reached.
    """
    found: list[ReducedLog] = []
    for answer in try_files(files, setup, workers=workers, scheduler=scheduler, done=done):
        if isinstance(answer, TuneassistError):
            raise answer
        found.append(answer)
    return found


def usable_logs(
    files: Sequence[LogFile], answers: Iterable[Answer], *, is_strict: bool = False
) -> LogsAtHand:
    """Separate the usable logs from the others.

    Parameters
    ----------
    files
        The logs.
    answers
        What became of each, as `try_files` returns it.
    is_strict
        Raise the first error instead.

    Raises
    ------
    TuneassistError
        If no log is left, or the error is not that of one log: the setup, a missing file, or an
        ambiguous channel that has a ceiling.
    """
    used: list[ReducedLog] = []
    unusable: dict[str, str] = {}
    for file, answer in zip(files, answers, strict=True):
        if isinstance(answer, ReducedLog):
            used.append(answer)
            continue
        if is_strict or len(files) == 1 or stops_run(answer):
            raise answer
        unusable[file.name] = reason(file, answer)
    if not used:
        raise none_left(unusable)
    return LogsAtHand(used, unusable)


def stops_run(error: TuneassistError) -> bool:
    """Tell whether an error ends the job though other logs are left."""
    return not isinstance(error, LogError) or error.stops_run


def reason(file: LogFile, error: TuneassistError) -> str:
    """Return why a log cannot be used, without its name."""
    if not isinstance(error, LogError):
        return str(error)
    return error.without(file.name, inert(file.path.name), str(file.path))


def none_left(unusable: Mapping[str, str]) -> LogError:
    """Return the error if no log can be used."""
    notes = unusable_notes(unusable, ())
    return LogError(f"none of the {len(unusable)} logs can be used; {'; '.join(notes)}")


def try_file(file: LogFile, setup: Setup, progress: Progress | None = None) -> Answer:
    """Reduce a log as `reduce_file`; return the error if it cannot be used."""
    try:
        return reduce_file(file, setup, progress)
    except TuneassistError as error:
        return error


def try_files(
    files: Sequence[LogFile],
    setup: Setup,
    *,
    workers: int = 1,
    scheduler: str | None = None,
    done: Done | None = None,
) -> list[Answer]:
    """Reduce logs as `reduce_files`; a log that cannot be used gives its error."""
    report = done or (lambda count, name: None)
    if scheduler is not None:
        return _on_cluster(files, setup, scheduler, report)
    if workers > 1 and len(files) > 1:
        return _on_processes(files, setup, min(workers, len(files)), report)
    found: list[Answer] = []
    for count, file in enumerate(files, start=1):
        found.append(_work(str(file.path), file.name, setup))
        report(count, file.name)
    return found


def _work(path: str, name: str, setup: Setup) -> Answer:
    """Reduce one log, usually in a worker process."""
    return try_file(LogFile(Path(path), name), setup)


def _on_processes(
    files: Sequence[LogFile], setup: Setup, workers: int, report: Done
) -> list[Answer]:
    """Distribute the logs over processes; after a crash the logs in progress are read alone."""
    answers: dict[int, Answer] = {}

    def take(index: int, answer: Answer) -> None:
        answers[index] = answer
        report(len(answers), files[index].name)

    while left := [index for index in range(len(files)) if index not in answers]:
        for index in _distribute(files, left, setup, workers, take):
            if _distribute(files, [index], setup, 1, take):
                take(index, _worker_died(files[index]))
    return [answers[index] for index in range(len(files))]


def _distribute(
    files: Sequence[LogFile],
    left: Sequence[int],
    setup: Setup,
    workers: int,
    take: Callable[[int, Answer], None],
) -> list[int]:
    """Give each process one log at a time; return the logs in progress when a process died."""
    waiting = iter(left)
    tasks: dict[Future[Answer], int] = {}
    at_work: set[int] = set()
    with _pool(min(workers, len(left))) as pool:
        try:
            while True:
                for index in islice(waiting, workers - len(at_work)):
                    at_work.add(index)
                    tasks[_submit(pool, files[index], setup)] = index
                if not at_work:
                    return []
                for task in wait(tasks, return_when=FIRST_COMPLETED).done:
                    take(tasks[task], task.result())
                    at_work.discard(tasks.pop(task))
        except BrokenProcessPool:
            return sorted(at_work)


def _has_one_thread() -> bool:
    """Tell whether this process has one thread, so that it can be forked without a held lock.

    A fork has everything imported, which takes a new process half a second. Linux lists all
    threads, those of libraries included; other systems start new processes.
    """
    if sys.platform != "linux":
        return False
    try:
        listens = str(stopping.listener_thread_id())  # it waits for a signal, and holds nothing
        tasks = [task for task in Path("/proc/self/task").iterdir() if task.name != listens]
        names = [(task / "comm").read_text(encoding="utf-8").strip() for task in tasks]
    except OSError:
        return False
    return sum(name not in FORK_SAFE_THREADS for name in names) == 1


def _submit(pool: ProcessPoolExecutor, file: LogFile, setup: Setup) -> Future[Answer]:
    with stopping.signals_blocked():  # it may start a process
        return pool.submit(_work, str(file.path), file.name, setup)


@contextmanager
def _pool(workers: int) -> Iterator[ProcessPoolExecutor]:
    """Open a pool of processes: forks of this one if that is safe, else new ones.

    They are killed if the work ends early for another reason: a stop does not wait for them.
    """
    context = multiprocessing.get_context("fork" if _has_one_thread() else "spawn")
    others = set(multiprocessing.active_children())
    pool = ProcessPoolExecutor(
        max_workers=workers, mp_context=context, initializer=stopping.set_up_worker
    )
    try:
        yield pool
    except BaseException:
        for worker in set(multiprocessing.active_children()) - others:
            worker.kill()
        raise
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _worker_died(file: LogFile) -> LogError:
    return LogError(
        "the worker process crashed while reading this log, even on its own.",
        where=file.name,
        mend="The log is damaged, or memory is too small: leave it out, or export it again.",
    )


def _on_cluster(files: Sequence[LogFile], setup: Setup, address: str, report: Done) -> list[Answer]:
    """Reduce the logs through a Dask scheduler, which retries those of a lost worker.

    The library unpickles every message that claims to be pickled
    (``distributed.protocol.core.loads``), and no argument turns that off. A cluster must therefore
    be trusted like this computer, as the help of ``--scheduler`` says.
    """
    try:
        distributed: Any = import_module("distributed")
    except ImportError as error:
        raise InputError(
            "the library for clusters is missing.",
            where="--scheduler",
            mend="Install it with `pip install tuneassist[cluster]`, or use --workers.",
        ) from error
    answers: dict[int, Answer] = {}
    with _quiet_library(), _client_of(distributed, address) as client:
        tasks = {
            client.submit(
                _work,
                str(file.path.absolute()),
                file.name,
                setup,
                pure=False,
                retries=MAX_LOST_WORKERS,
            ): index
            for index, file in enumerate(files)
        }
        for task in distributed.as_completed(list(tasks), loop=client.loop):
            answers[tasks[task]] = _result_of(task, files[tasks[task]])
            report(len(answers), files[tasks[task]].name)
    return [answers[index] for index in range(len(files))]


@contextmanager
def _quiet_library() -> Iterator[None]:
    """Stop the library from logging tracebacks: errors are raised instead."""
    before = logging.root.manager.disable
    logging.disable(logging.CRITICAL)
    try:
        yield
    finally:
        logging.disable(before)


@contextmanager
def _client_of(distributed: Any, address: str) -> Iterator[Any]:
    """Connect to a scheduler that has workers, within `CONNECT_S`."""
    until = time.monotonic() + CONNECT_S
    opened: SimpleQueue[Any] = SimpleQueue()
    # in a thread, since the library waits forever for a scheduler that accepts but never answers
    Thread(target=_open_client, args=(distributed, address, opened), daemon=True).start()
    try:
        client = opened.get(timeout=CONNECT_S)
    except Empty:
        client = None
    if client is None:
        raise InputError(
            f"no Dask scheduler answers at {address[:MAX_SHOWN]}.",
            where="--scheduler",
            mend="Start one with `dask scheduler`, and workers with `dask worker ADDRESS`.",
        )
    with client:
        try:
            client.wait_for_workers(1, timeout=max(1.0, until - time.monotonic()))
        except Exception as error:
            raise _no_workers(address) from error
        yield client


def _open_client(distributed: Any, address: str, opened: SimpleQueue[Any]) -> None:
    """Put the client in the queue, or None on any error."""
    client = None
    with suppress(Exception):
        client = distributed.Client(address, timeout=CONNECT_S / 2, set_as_default=False)
    opened.put(client)


def _no_workers(address: str) -> InputError:
    return InputError(
        f"the Dask scheduler at {address[:MAX_SHOWN]} has no workers.",
        where="--scheduler",
        mend="Start some with `dask worker ADDRESS`.",
    )


def _result_of(task: Any, file: LogFile) -> Answer:
    try:
        answer = task.result()
    except TuneassistError:
        raise
    except Exception as error:  # any error of the cluster
        words = " ".join(str(error).split())[:MAX_SHOWN]
        raise _not_reduced(file, f"{type(error).__name__}: {words}") from error
    if isinstance(answer, ReducedLog | TuneassistError):
        return answer
    raise _not_reduced(file, f"{type(answer).__name__} came back")


def _not_reduced(file: LogFile, why: str) -> InputError:
    return InputError(
        f"the cluster could not reduce this log ({why}).",
        where=file.name,
        mend="Every worker needs the same program and the log under the same path.",
    )
