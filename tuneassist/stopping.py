"""Stop at once and leave no partial files: Ctrl-C, a termination request, a closed terminal.

Python handles a signal only between two bytecodes, so that a long library call delays it. Here the
signal's wakeup file descriptor also wakes a thread. The thread gives the program `GRACE_S` to end
by itself and then ends it: worker processes are killed, unfinished files deleted, and the process
exits with the status of the signal. A library that holds the interpreter's lock delays the exit
until it returns.

Only the command line calls `handle_signals`. As a library the package changes no signal.
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
"""Time for the program to end by itself: half of the two seconds that stopping may take. [s]"""
RENAME_TIMEOUT_S = 5.0
"""Longest wait for files being renamed: a disk may be slow to sync, and a partial result would be
worse than a late exit. [s]"""
MESSAGE_TIMEOUT_S = 0.2
"""Longest wait for the stop message, in case the pipe is full and not read. [s]"""
INTERRUPTED = 130
"""Exit status after Ctrl-C: 128 and the number of SIGINT, as shells report it."""
STOP_MESSAGE = "tuneassist: stopped; a result is written whole or not at all."

_STATUS = {
    int(getattr(signal, name)): INTERRUPTED if name == "SIGBREAK" else 128 + getattr(signal, name)
    for name in ("SIGINT", "SIGBREAK", "SIGTERM", "SIGHUP")
    if hasattr(signal, name)
}
"""Signals that stop the program, and its exit status then; Ctrl-Break is a second Ctrl-C."""


class Stopped(BaseException):
    """The program was asked to stop.

    Not an `Exception` and not a `KeyboardInterrupt`, which a library might catch.

    Parameters
    ----------
    status
        Exit status of the program.
    """

    def __init__(self, status: int) -> None:
        self.status = status
        super().__init__(status)


class _State:
    """State shared by the handler, the thread and the exit."""

    status: int | None = None
    has_raised = False
    is_reported = False
    listener: int | None = None
    sender: socket.socket | None = None
    unfinished: dict[Path, None] = {}  # noqa: RUF012 - one for the whole process
    rename_lock = threading.RLock()


def handle_signals() -> None:
    """Stop on Ctrl-C and similar signals; signals that the parent ignores stay ignored."""
    if threading.current_thread() is not threading.main_thread() or _State.listener is not None:
        return
    receiver, sender = socket.socketpair()
    sender.setblocking(False)
    for number in _STATUS:
        if signal.getsignal(number) in (signal.SIG_DFL, signal.default_int_handler):
            signal.signal(number, _on_signal)
    signal.set_wakeup_fd(sender.fileno(), warn_on_full_buffer=False)
    _State.sender = sender
    thread = threading.Thread(
        target=_wait_for_signal, args=(receiver,), name="stopping", daemon=True
    )
    thread.start()
    _State.listener = thread.native_id


def restore_signals() -> None:
    """Restore the signals at the program's end; raises `Stopped` if a stop was requested before."""
    for number in _STATUS:
        if signal.getsignal(number) is _on_signal:
            signal.signal(number, signal.SIG_DFL)
    if requested_status() is None and _State.listener is not None:
        signal.set_wakeup_fd(-1)


def requested_status() -> int | None:
    """Return the exit status if a stop was requested, else None."""
    return _State.status


def raise_if_stopped() -> None:
    """Raise `Stopped` if a stop was requested, even if a library swallowed the exception."""
    if _State.status is not None:
        raise Stopped(_State.status)


def listener_thread_id() -> int | None:
    """Return the native id of the listener thread; a forked process may not have it."""
    return _State.listener


def mark_reported() -> None:
    """Record that the stop was reported to the user."""
    _State.is_reported = True


@contextlib.contextmanager
def unfinished(path: Path) -> Iterator[Path]:
    """Delete a file or folder if the program is stopped inside the context.

    Parameters
    ----------
    path
        The file or folder; it may be missing. After an error it is still deleted on a stop.
    """
    delete_at_exit(path)
    yield path
    _State.unfinished.pop(path, None)


def delete_at_exit(path: Path) -> None:
    """Delete a file or folder at the program's end, see `delete_unfinished`."""
    _State.unfinished[path] = None


def delete_unfinished() -> None:
    """Delete the registered files and folders."""
    if not _State.unfinished:
        return
    import shutil  # a slow import, during which no stop would be noticed

    for path in reversed(list(_State.unfinished)):
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path, ignore_errors=True)
        else:
            with contextlib.suppress(OSError):
                path.unlink(missing_ok=True)


@contextlib.contextmanager
def renaming_files() -> Iterator[None]:
    """Rename files as one step: refused after a stop, and not interrupted by one."""
    with _State.rename_lock:
        raise_if_stopped()
        yield


def exit_now(status: int) -> NoReturn:
    """Exit now: kill workers, delete unfinished files, wait for no library."""
    is_free = _State.rename_lock.acquire(timeout=RENAME_TIMEOUT_S)
    _kill_workers()
    delete_unfinished()
    if is_free and not _State.is_reported:
        message = threading.Thread(target=_print_stop_message, daemon=True)
        message.start()
        message.join(MESSAGE_TIMEOUT_S)
    os._exit(status)


@contextlib.contextmanager
def signals_blocked() -> Iterator[None]:
    """Block signals while worker processes start; `set_up_worker` unblocks them."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, _STATUS)
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def set_up_worker() -> None:
    """Set up a worker process: only its parent handles Ctrl-C, and it ends with its parent."""
    signal.set_wakeup_fd(-1)
    is_interrupt = {INTERRUPTED}
    for number, status in _STATUS.items():
        signal.signal(number, signal.SIG_IGN if status in is_interrupt else signal.SIG_DFL)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, _STATUS)
    threading.Thread(target=_end_with_parent, name="parent", daemon=True).start()


def _on_signal(number: int, frame: FrameType | None) -> None:
    """Raise `Stopped` once: a second Ctrl-C must not disturb the cleanup of the first."""
    _State.status = _State.status or _STATUS[number]
    if not _State.has_raised:
        _State.has_raised = True
        sys.unraisablehook = lambda _: None  # raised where nothing catches it: the thread exits
        raise Stopped(_State.status)


def _wait_for_signal(receiver: socket.socket) -> None:
    while (received := receiver.recv(1)) and received[0] not in _STATUS:
        pass
    if received:
        _State.status = _State.status or _STATUS[received[0]]
        time.sleep(GRACE_S)
        exit_now(_State.status)


def _kill_workers() -> None:
    if "multiprocessing" in sys.modules:
        from multiprocessing import active_children

        for child in active_children():
            child.kill()


def _print_stop_message() -> None:
    with contextlib.suppress(OSError, ValueError, AttributeError):
        os.write(2, f"{STOP_MESSAGE}{os.linesep}".encode())


def _end_with_parent() -> None:
    from multiprocessing import connection, parent_process

    parent = parent_process()
    if parent is not None:
        connection.wait([parent.sentinel])
        os._exit(1)
