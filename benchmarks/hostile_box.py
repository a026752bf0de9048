"""A closed box for one hostile input: runs the command line in it, measures it and judges it.

A box is a temporary folder with a place to work, a place for temporary files, and a file outside of
both that nobody may touch. POSIX only: sessions, signals and ``/proc`` are used.
"""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import psutil

MAX_SECONDS, MAX_MIB = 60.0, 2048.0
"""What any input may take. [s, MiB]"""
STOP_SECONDS = 2.0
"""Within this an interrupted command has ended, and every process of it. [s]"""
KILL_SECONDS, KILL_MIB = 90.0, 4096.0
"""A command that takes this much is ended from outside. [s, MiB]"""
MAX_MESSAGE = 4000
"""Characters on standard error; longer ones are no message. [1]"""
POLL_S = 0.03
MOST_PATIENCE = 8.0
"""Limits of time grow by no more than this on a busy computer. [1]"""
CONTRACT = frozenset({0, 2, 3, 4, 5, 6})
REFUSED = frozenset({3})
BOUNDED = frozenset({0, 3, 4})
"""Statuses of an input that may be read or refused, as long as it stays in its bounds."""
INTERRUPTED = frozenset({130})
ENDED = frozenset({143, -signal.SIGTERM})
_UNSAFE = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]")
_MISTAKES = (
    "Traceback (most recent",
    "mistake in the program",
    "Exception ignored",
    "Fatal Python",
)
_LOCK = ".tuneassist-lock"


@dataclass(frozen=True)
class Ran:
    """What a command did."""

    status: int
    out: str
    err: str
    wall_s: float
    cpu_s: float
    peak_mib: float
    stop_s: float = float("nan")
    ended_by: str = ""
    orphans: int = 0


Check = Callable[[Ran], Sequence[str]]


def nothing_more(ran: Ran) -> Sequence[str]:
    """Ask for nothing more."""
    return ()


@dataclass(frozen=True)
class Act:
    """One command line, and what it has to end with."""

    words: Sequence[str | bytes | Path]
    statuses: frozenset[int] = BOUNDED
    note: str = ""
    signal: int = 0
    after_s: float = 0.0
    feed: Path | None = None
    streams: Mapping[int, str] = field(default_factory=dict)
    """Number of a stream to closed, full (no room), gone (the reader went away)."""
    path: tuple[Path, ...] = ()
    """Folders before the program's own on the search path."""
    limit_s: float = MAX_SECONDS
    must: Check = nothing_more
    may_end: bool = False
    """Whether it is as well if the command is done, or refused the input, before the signal."""
    is_loose: bool = False
    """Whether something may be left in the place of work although it was refused."""


@dataclass(frozen=True)
class Runner:
    """How the program is started: words, its tree, and the ceilings."""

    program: tuple[str, ...]
    tree: Path
    home: Path
    extra: tuple[Path, ...] = ()
    is_busy: bool = False

    def patience(self) -> float:
        """Say by how much limits of time grow: processes that wait for each of the cores. [1]"""
        share = os.getloadavg()[0] / (os.cpu_count() or 1)
        return min(max(1.0, share), MOST_PATIENCE) if self.is_busy else 1.0

    def environment(self, box: Box, first: Sequence[Path]) -> dict[str, str]:
        """Return the variables of the program that is attacked, and no others."""
        places = [*first, *self.extra, self.tree]
        kept = {
            name: os.environ[name] for name in ("PATH", "LD_LIBRARY_PATH") if name in os.environ
        }
        return kept | {
            "PYTHONPATH": os.pathsep.join(map(str, places)),
            "PYTHONPYCACHEPREFIX": str(self.home / "cache"),
            "MPLCONFIGDIR": str(self.home),
            "HOME": str(self.home),
            "TMPDIR": str(box.temporary),
            "LANG": "C.UTF-8",
            "COLUMNS": "100",
            "OMP_NUM_THREADS": "1",
        }


class Box:
    """The folder of one attack."""

    def __init__(self, root: Path, runner: Runner, shared: Path) -> None:
        self.root, self.runner, self.shared = root, runner, shared
        self.work, self.temporary = root / "work", root / "temporary"
        self.victims = root / "victims"
        for folder in (self.work, self.temporary, self.victims):
            folder.mkdir(parents=True)
        self.victim = self.victims / "keep.txt"
        self.victim.write_text("nobody may touch this\n", encoding="utf-8")
        self.marker = root / "marker"
        self.at_end = contextlib.ExitStack()

    def run(self, *words: str | bytes | Path, statuses: frozenset[int] = frozenset({0})) -> Ran:
        """Run a command while building; it has to work."""
        ran = run(self, Act(words))
        if ran.status not in statuses:
            raise RuntimeError(f"building ended with {ran.status}: {ran.err[-300:]}")
        return ran

    def touched(self, ran: Ran) -> list[str]:
        """Say what happened outside; a process that was killed may leave temporary files."""
        found = []
        if self.marker.exists():
            found.append("the payload ran")
        names = sorted(path.name for path in self.victims.iterdir())
        is_whole = self.victim.is_file() and self.victim.read_text(encoding="utf-8").startswith(
            "nobody may touch this"
        )
        if names != ["keep.txt"] or not is_whole:
            found.append(f"a file outside was touched ({', '.join(names)})")
        left = [path.name for path in self.temporary.iterdir()]
        if left and not ran.ended_by:
            found.append(f"left among temporary files: {left[0]}")
        for name in left:
            shutil.rmtree(self.temporary / name, ignore_errors=True)
            with contextlib.suppress(OSError):
                (self.temporary / name).unlink()
        return found

    def listing(self) -> set[bytes]:
        """Names of everything in the place of work, locks apart."""
        found: set[bytes] = set()
        for folder, folders, files in os.walk(os.fsencode(self.work)):
            found |= {os.path.join(folder, name) for name in (*folders, *files)}  # noqa: PTH118
        return {name for name in found if not name.endswith(_LOCK.encode())}


# --- running --------------------------------------------------------------------------------------


def run(box: Box, act: Act) -> Ran:
    """Run a command in its own session, and watch time and memory of all of its processes."""
    outs = [box.root / name for name in ("stdout", "stderr")]
    streams = [_stream(act.streams.get(i + 1, ""), path) for i, path in enumerate(outs)]
    source = act.feed.open("rb") if act.feed else subprocess.DEVNULL
    start = time.monotonic()
    process = subprocess.Popen(
        [*box.runner.program, *(os.fspath(word) for word in act.words)],
        cwd=box.work,
        env=box.runner.environment(box, act.path),
        stdin=source,
        stdout=streams[0],
        stderr=streams[1],
        start_new_session=True,
        preexec_fn=lambda: _prepare(act.streams),  # noqa: PLW1509 (nothing here has threads)
    )
    for stream in (*streams, source):
        if not isinstance(stream, int):
            stream.close()
        elif stream >= 0:
            os.close(stream)
    watch = _Watch(process.pid, start, box.runner)
    status, cpu_s, stop_s, ended_by = watch.follow(act)
    process.returncode = status
    said = [path.read_bytes()[:8_000_000].decode("utf-8", "replace") for path in outs]
    orphans = _orphans(process.pid)
    wall_s = time.monotonic() - start
    return Ran(status, said[0], said[1], wall_s, cpu_s, watch.peak_mib, stop_s, ended_by, orphans)


def _stream(kind: str, path: Path) -> object:
    path.write_bytes(b"")
    if kind == "full":
        return Path("/dev/full").open("wb")
    if kind == "gone":
        reading, writing = os.pipe()
        os.close(reading)
        return writing
    return path.open("wb")


def _prepare(streams: Mapping[int, str]) -> None:
    signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell's & has it ignored
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    for number, kind in streams.items():
        if kind == "closed":
            os.close(number)


class _Watch:
    """Follows a process and its children until it ends."""

    def __init__(self, pid: int, start: float, runner: Runner) -> None:
        self.pid, self.start, self.runner, self.peak_mib = pid, start, runner, 0.0

    def follow(self, act: Act) -> tuple[int, float, float, str]:
        ended_by, signalled = "", 0.0
        while True:
            pid, code, usage = os.wait4(self.pid, os.WNOHANG)
            now = time.monotonic()
            if pid:
                status = os.waitstatus_to_exitcode(code)
                stop_s = now - signalled if signalled else float("nan")
                return status, usage.ru_utime + usage.ru_stime, stop_s, ended_by
            if act.signal and not signalled and now - self.start > act.after_s:
                signalled = time.monotonic()
                self._send(act.signal)
            self.peak_mib = max(self.peak_mib, _memory_mib(self.pid))
            since, most = (
                (signalled, 5.0 * STOP_SECONDS) if signalled else (self.start, KILL_SECONDS)
            )
            is_late = now - since > most * self.runner.patience()
            if not ended_by and (is_late or self.peak_mib > KILL_MIB):
                ended_by = "time" if is_late else "memory"
                with contextlib.suppress(ProcessLookupError):
                    os.killpg(self.pid, signal.SIGKILL)
            time.sleep(POLL_S)

    def _send(self, number: int) -> None:
        """Send Ctrl-C to all processes as a terminal does, anything else to the first."""
        with contextlib.suppress(ProcessLookupError):
            if number == signal.SIGINT:
                os.killpg(self.pid, number)
            else:
                os.kill(self.pid, number)


def _memory_mib(pid: int) -> float:
    """Resident memory of a process and its children, or its highest value so far."""
    total, highest = 0.0, 0.0
    with contextlib.suppress(psutil.Error):
        first = psutil.Process(pid)
        for one in (first, *first.children(recursive=True)):
            with contextlib.suppress(psutil.Error, OSError):
                total += one.memory_info().rss / 2**20
                text = Path(f"/proc/{one.pid}/status").read_text(encoding="ascii", errors="replace")
                found = re.search(r"VmHWM:\s*(\d+)", text)
                highest = max(highest, int(found[1]) / 1024.0 if found else 0.0)
    return max(total, highest)


def _orphans(session: int) -> int:
    """Count processes of a session that outlive it, and end them."""
    end = time.monotonic() + STOP_SECONDS
    while left := list(_members(session)):
        if time.monotonic() > end:
            for pid in left:
                with contextlib.suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGKILL)
            return len(left)
        time.sleep(POLL_S)
    return 0


def _members(session: int) -> Iterator[int]:
    for pid in psutil.pids():
        with contextlib.suppress(OSError, psutil.Error):
            is_own = os.getsid(pid) == session
            if is_own and psutil.Process(pid).status() != psutil.STATUS_ZOMBIE:
                yield pid


# --- judging --------------------------------------------------------------------------------------


def judge(box: Box, act: Act) -> tuple[Ran, list[str]]:
    """Run one command; return what it did, and what is wrong with that."""
    before = box.listing()
    ran = run(box, act)
    asked = [] if ran.ended_by else list(act.must(ran))
    wrong = [*_bounds(act, ran, box.runner.patience()), *_words(ran), *box.touched(ran), *asked]
    right = act.statuses | (BOUNDED if act.may_end and ran.stop_s != ran.stop_s else frozenset())
    if ran.status not in right and not ran.ended_by:
        wrong.insert(0, _ended_with(ran))
    if ran.status not in (0, 6) and not act.is_loose and (new := box.listing() - before):
        wrong.append(f"left behind: {os.path.basename(min(new))!r}")  # noqa: PTH119
    return ran, [f"{act.note}: {words}" if act.note else words for words in wrong]


def _ended_with(ran: Ran) -> str:
    if ran.status < 0 and ran.status != -signal.SIGINT:
        return f"crashed by signal {-ran.status}"
    return f"ended with {ran.status}"


def _bounds(act: Act, ran: Ran, patience: float) -> Iterator[str]:
    if ran.ended_by:
        yield f"killed: too much {ran.ended_by}"
    elif ran.wall_s > act.limit_s * patience and not act.signal:
        yield f"took {ran.wall_s:.0f} s"
    if ran.peak_mib > MAX_MIB:
        yield f"took {ran.peak_mib:.0f} MiB"
    if act.signal and not act.may_end and ran.stop_s != ran.stop_s:
        yield "ended before the signal came"
    elif act.signal and ran.stop_s > STOP_SECONDS * patience:
        yield f"went on for {ran.stop_s:.1f} s"
    if ran.orphans:
        yield f"{ran.orphans} process(es) live on"


def _words(ran: Ran) -> Iterator[str]:
    said = ran.out + ran.err
    yield from (f'said "{words}"' for words in _MISTAKES if words in said)
    if len(ran.err) > MAX_MESSAGE:
        yield f"a message of {len(ran.err)} characters"
    if mark := _UNSAFE.search(said):
        yield f"printed the mark {mark[0]!r}"


def unsafe_mark(text: str) -> str:
    """Return the first mark that a terminal or a page would act on; empty where there is none."""
    found = _UNSAFE.search(text)
    return found[0] if found else ""


def python() -> str:
    """The interpreter that runs this."""
    return sys.executable
