"""Many logs to holds: one after the other, on the cores here, or on a Dask cluster.

Reducing a log to its holds hangs on that log alone, and holds are small, so that only paths go to
the workers and only holds come back. Every log is reduced by the same function on the same bytes
wherever it runs: the results are equal to the last bit, and come in the order of the files.
"""

from __future__ import annotations

import multiprocessing
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass, replace
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tuneassist.errors import InputError, TuneassistError
from tuneassist.inert import listed
from tuneassist.one_log import LogEvidence
from tuneassist.reading import Log, LogReader
from tuneassist.reading.log import Progress
from tuneassist.reduction import reduce_parts

if TYPE_CHECKING:
    from tuneassist.settings import Setup

#: How often a log is given to another worker after one was lost. A log that takes a worker down
#: with it would take all of them. [1]
MAX_LOST_WORKERS = 3

#: Threads that are made for being copied: the allocator's holds its locks over a fork.
FORK_SAFE_THREADS = frozenset({"jemalloc_bg_thd"})

Done = Callable[[int, str], None]
"""Called with the number of logs that are done and the name of the last."""


@dataclass(frozen=True, eq=False)
class ReducedLog:
    """A log that was read and reduced.

    Parameters
    ----------
    log
        What was recognised, converted, mended and dropped; without its samples.
    evidence
        Its holds.
    """

    log: Log
    evidence: LogEvidence


Answer = ReducedLog | TuneassistError
"""What becomes of a log: its holds, or why it cannot be used."""


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
    return ReducedLog(replace(reader.log(), name=file.name), evidence)


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


def try_files(
    files: Sequence[LogFile],
    setup: Setup,
    *,
    workers: int = 1,
    scheduler: str | None = None,
    done: Done | None = None,
) -> list[Answer]:
    """Do what `reduce_files` does, with the error in its place for a log that cannot be used."""
    tell = done or (lambda count, name: None)
    if scheduler is not None:
        return _on_cluster(files, _portable(setup), scheduler, tell)
    if workers > 1 and len(files) > 1:
        return _on_cores(files, _portable(setup), min(workers, len(files)), tell)
    found: list[Answer] = []
    for count, file in enumerate(files, start=1):
        found.append(_work(str(file.path), file.name, setup))
        tell(count, file.name)
    return found


def _portable(setup: Setup) -> Setup:
    """Return the setup in a form that travels: read-only views of dicts do not."""
    limits = replace(setup.limits, ceilings=dict(setup.limits.ceilings))
    return replace(setup, channels=dict(setup.channels), limits=limits)


def _work(path: str, name: str, setup: Setup) -> Answer:
    """Reduce one log, in a worker as a rule; what is wrong with a log is an answer too."""
    try:
        return reduce_file(LogFile(Path(path), name), setup)
    except TuneassistError as error:
        return error


def _on_cores(files: Sequence[LogFile], setup: Setup, workers: int, tell: Done) -> list[Answer]:
    """Share the logs among processes; those of a process that died are shared out again."""
    answers: dict[int, Answer] = {}
    lost = 0
    while len(answers) < len(files):
        left = [index for index in range(len(files)) if index not in answers]
        with _pool(workers if lost < MAX_LOST_WORKERS else 1) as pool:
            tasks = {_submit(pool, files[index], setup): index for index in left}
            try:
                for task in as_completed(tasks):
                    answers[tasks[task]] = task.result()
                    tell(len(answers), files[tasks[task]].name)
            except BrokenProcessPool as error:
                lost += 1
                if lost > MAX_LOST_WORKERS:
                    raise _too_many_lost(files, answers) from error
    return [answers[index] for index in range(len(files))]


def _is_alone() -> bool:
    """Whether this process has one thread, so that a copy of it can be left by none locked.

    A copy has everything imported, which a fresh process takes half a second for. Threads are
    looked for where Linux lists them, those of libraries included; other systems get fresh ones.
    """
    if sys.platform != "linux":
        return False
    try:
        tasks = Path("/proc/self/task").iterdir()
        names = [(task / "comm").read_text(encoding="utf-8").strip() for task in tasks]
    except OSError:
        return False
    return sum(name not in FORK_SAFE_THREADS for name in names) == 1


def _submit(pool: ProcessPoolExecutor, file: LogFile, setup: Setup) -> Future[Answer]:
    return pool.submit(_work, str(file.path), file.name, setup)


@contextmanager
def _pool(workers: int) -> Iterator[ProcessPoolExecutor]:
    """Open a pool of processes: copies of this one where that is safe, else fresh ones."""
    context = multiprocessing.get_context("fork" if _is_alone() else "spawn")
    pool = ProcessPoolExecutor(max_workers=workers, mp_context=context)
    try:
        yield pool
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _too_many_lost(files: Sequence[LogFile], answers: dict[int, Answer]) -> InputError:
    missing = [file.name for index, file in enumerate(files) if index not in answers]
    return InputError(
        f"worker processes die one after the other; not done: {listed(missing)}.",
        where="--workers",
        mend="Is there enough memory? Try --workers 1.",
    )


def _on_cluster(files: Sequence[LogFile], setup: Setup, address: str, tell: Done) -> list[Answer]:
    """Hand the logs to a Dask scheduler, which gives those of a lost worker to another."""
    try:
        distributed: Any = import_module("distributed")
    except ImportError as error:
        raise InputError(
            "the library for clusters is missing.",
            where="--scheduler",
            mend="Install it with: pip install tuneassist[cluster]; or use --workers.",
        ) from error
    try:
        client = distributed.Client(address, timeout=10, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise InputError(
            f"no Dask scheduler answers at {address}.",
            where="--scheduler",
            mend="Start one with `dask scheduler`, and workers with `dask worker ADDRESS`.",
        ) from error
    with client:
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
        answers: dict[int, Answer] = {}
        for task in distributed.as_completed(list(tasks), loop=client.loop):
            answers[tasks[task]] = _result_of(task, files[tasks[task]])
            tell(len(answers), files[tasks[task]].name)
    return [answers[index] for index in range(len(files))]


def _result_of(task: Any, file: LogFile) -> Answer:
    try:
        answer: Answer = task.result()
    except TuneassistError:
        raise
    except Exception as error:  # whatever the cluster says about a log it cannot get done
        words = " ".join(str(error).split())[:160]
        raise InputError(
            f"the cluster could not reduce this log ({type(error).__name__}: {words}).",
            where=file.name,
            mend="Every worker needs the same program and the log under the same path.",
        ) from error
    return answer
