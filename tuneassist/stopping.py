"""Stopping at once and leaving nothing behind: Ctrl-C, a request to end, a terminal that closes.

Python looks for a signal only between two of its own steps, so that a long call into a library
holds it up. Here the system's note of the signal also wakes a thread. It gives the program a moment
to end by itself (`GRACE_S`), and then ends it: worker processes are killed, unfinished files
deleted, and the process ends with the status of the signal. A library that keeps even that thread
from running (it holds the interpreter's lock) delays the end until it returns.

Only the command line calls `listen`. As a library the package changes no signal.
"""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from types import FrameType
from typing import NoReturn

GRACE_S = 1.0
"""The program's own time to end, half of the two seconds that stopping may take. [s]"""
SWAP_S = 5.0
"""How long the end waits for files to take their names: a disk may be slow to sync, and half a
result would be worse than a late end. [s]"""
WORDS_S = 0.2
"""How long the last words may take, where nobody reads them and the pipe is full. [s]"""
INTERRUPTED = 130
"""Exit status after Ctrl-C: 128 and the number of SIGINT, as shells report it."""
LAST_WORDS = "tuneassist: stopped; a result is written whole or not at all."

_STATUS = {
    int(getattr(signal, name)): INTERRUPTED if name == "SIGBREAK" else 128 + getattr(signal, name)
    for name in ("SIGINT", "SIGBREAK", "SIGTERM", "SIGHUP")
    if hasattr(signal, name)
}
"""Signals that stop the program, and its exit status then; Ctrl-Break is a second Ctrl-C."""


class Stopped(BaseException):
    """The program was asked to stop.

    Not an `Exception`, and no `KeyboardInterrupt` that a library might take for its own.

    Parameters
    ----------
    status
        Exit status of the program.
    """

    def __init__(self, status: int) -> None:
        self.status = status
        super().__init__(status)


class _State:
    """What the handler, the thread and the program's end share."""

    asked: int | None = None
    has_raised = False
    has_told = False
    watcher: int | None = None
    rope: socket.socket | None = None
    unfinished: dict[Path, None] = {}  # noqa: RUF012 - one for the whole process
    swap = threading.RLock()


def listen() -> None:
    """Stop on Ctrl-C and its like from now on; what the parent told to be ignored stays ignored."""
    if threading.current_thread() is not threading.main_thread() or _State.watcher is not None:
        return
    bell, rope = socket.socketpair()
    rope.setblocking(False)
    for number in _STATUS:
        if signal.getsignal(number) in (signal.SIG_DFL, signal.default_int_handler):
            signal.signal(number, _stop)
    signal.set_wakeup_fd(rope.fileno(), warn_on_full_buffer=False)
    _State.rope = rope
    thread = threading.Thread(target=_watch, args=(bell,), name="stopping", daemon=True)
    thread.start()
    _State.watcher = thread.native_id


def be_quiet() -> None:
    """Stop listening at the program's end; raises `Stopped` where it was asked for before."""
    for number in _STATUS:
        if signal.getsignal(number) is _stop:
            signal.signal(number, signal.SIG_DFL)
    if asked() is None and _State.watcher is not None:
        signal.set_wakeup_fd(-1)


def asked() -> int | None:
    """Return the exit status when the program was asked to stop, else None."""
    return _State.asked


def refuse_late() -> None:
    """Raise `Stopped` where stopping was asked for, though a library may have swallowed it."""
    if _State.asked is not None:
        raise Stopped(_State.asked)


def watcher_id() -> int | None:
    """Return the system's number of the thread that listens; a copied process may lack it."""
    return _State.watcher


def has_told() -> None:
    """Note that the user has been told of the stop."""
    _State.has_told = True


@contextlib.contextmanager
def unfinished(path: Path) -> Iterator[Path]:
    """Have a file or folder deleted when the program is stopped inside.

    Parameters
    ----------
    path
        The file or folder; it may be missing. After an error it is still deleted at a stop.
    """
    leave_nothing_of(path)
    yield path
    _State.unfinished.pop(path, None)


def leave_nothing_of(path: Path) -> None:
    """Have a file or folder deleted at the program's end, see `clear_away`."""
    _State.unfinished[path] = None


def clear_away() -> None:
    """Delete what must not outlive the program."""
    if not _State.unfinished:
        return
    import shutil  # late: it takes a while, in which a stop would not be heard yet

    for path in reversed(list(_State.unfinished)):
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path, ignore_errors=True)
        else:
            with contextlib.suppress(OSError):
                path.unlink(missing_ok=True)


@contextlib.contextmanager
def swapping() -> Iterator[None]:
    """Let files take their names in one go: refused after a stop, and not cut in half by one."""
    with _State.swap:
        refuse_late()
        yield


def end(status: int) -> NoReturn:
    """End the process now: no worker, no unfinished file and no wait for a library is left."""
    is_free = _State.swap.acquire(timeout=SWAP_S)
    _kill_workers()
    clear_away()
    if is_free and not _State.has_told:
        words = threading.Thread(target=_last_words, daemon=True)
        words.start()
        words.join(WORDS_S)
    os._exit(status)


@contextlib.contextmanager
def held_back() -> Iterator[None]:
    """Hold signals back while worker processes start: they are born deaf, see `be_worker`."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, _STATUS)
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def be_worker() -> None:
    """Make this process a worker: its parent alone hears Ctrl-C, and it ends with its parent."""
    signal.set_wakeup_fd(-1)
    is_interrupt = {INTERRUPTED}
    for number, status in _STATUS.items():
        signal.signal(number, signal.SIG_IGN if status in is_interrupt else signal.SIG_DFL)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, _STATUS)
    threading.Thread(target=_end_with_parent, name="parent", daemon=True).start()


def _stop(number: int, frame: FrameType | None) -> None:
    """Raise `Stopped` once: a second Ctrl-C must not disturb the tidying that the first began."""
    _State.asked = _State.asked or _STATUS[number]
    if not _State.has_raised:
        _State.has_raised = True
        sys.unraisablehook = lambda _: None  # raised where nobody can catch it: the thread ends us
        raise Stopped(_State.asked)


def _watch(bell: socket.socket) -> None:
    while (heard := bell.recv(1)) and heard[0] not in _STATUS:
        pass
    if heard:
        _State.asked = _State.asked or _STATUS[heard[0]]
        time.sleep(GRACE_S)
        end(_State.asked)


def _kill_workers() -> None:
    if "multiprocessing" in sys.modules:
        from multiprocessing import active_children

        for child in active_children():
            child.kill()


def _last_words() -> None:
    with contextlib.suppress(OSError, ValueError, AttributeError):
        os.write(2, f"{LAST_WORDS}{os.linesep}".encode())


def _end_with_parent() -> None:
    from multiprocessing import connection, parent_process

    parent = parent_process()
    if parent is not None:
        connection.wait([parent.sentinel])
        os._exit(1)
