"""Show on the terminal that a command is at work, when it takes longer than a moment."""

from __future__ import annotations

import os
import sys
import threading
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.progress import Progress

WORKING = "working"
"""What the sign says where no bar tells more."""
NO_CURSOR = ("dumb", "unknown")
"""Terminals whose cursor cannot be moved back: they show no sign."""
PATIENCE_S = 0.7
"""A sign is shown when a command says nothing for so long. [s]"""


class _Sign:
    """A sign with the time so far on standard error; one for the whole program."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._timer: threading.Timer | None = None
        self._bar: Progress | None = None

    def start(self, words: str) -> None:
        """Show the sign after `PATIENCE_S`; nothing where standard error is no terminal."""
        self.stop()
        if sys.stderr is None or not sys.stderr.isatty() or os.environ.get("TERM") in NO_CURSOR:
            return
        with self._lock:
            self._timer = threading.Timer(PATIENCE_S, self._show, (words,))
            self._timer.daemon = True
            self._timer.start()

    def stop(self) -> None:
        """Remove the sign before anything is written."""
        with self._lock:
            if self._timer is not None:
                self._timer.cancel()
                self._timer = None
            if self._bar is not None:
                self._bar.stop()
                self._bar = None

    def _show(self, words: str) -> None:
        # imported when it is needed: most commands end before
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

        with self._lock:
            if self._timer is None:  # stopped in the meantime
                return
            bar = Progress(
                TextColumn("{task.description}", markup=False),
                BarColumn(bar_width=20),
                TimeElapsedColumn(),
                console=Console(file=sys.stderr, markup=False, highlight=False),
                transient=True,
            )
            bar.add_task(words, total=None)
            bar.start()
            self._bar = bar


_SIGN = _Sign()


def show_waiting(words: str) -> None:
    """Show that the command is at work, unless it writes something or ends within a moment.

    Parameters
    ----------
    words
        What it does.
    """
    _SIGN.start(words)


def end_waiting() -> None:
    """Remove the sign: something is written, another bar begins, or the command has ended."""
    _SIGN.stop()
