"""Standard streams that fail: what cannot be shown never changes what a command does.

A reader who went away is no error: the rest is left unsaid. A full disk is one, told at the end,
after the command has done its work and with the status that it would have had otherwise.
"""

from __future__ import annotations

import contextlib
import errno
import io
import os
import sys
from typing import TYPE_CHECKING, Any, TextIO, cast

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer

_GONE = {errno.EPIPE, errno.ESHUTDOWN, *([errno.EINVAL] if os.name == "nt" else [])}
"""What the system says when the reader of a pipe has gone; Windows has its own word."""


class _SafeOutput(io.RawIOBase):
    """Bytes on their way out; after a failure the rest is dropped.

    Parameters
    ----------
    raw
        The stream itself, without a buffer.
    """

    def __init__(self, raw: Any) -> None:
        self._raw = raw
        self.failure: OSError | None = None

    def writable(self) -> bool:
        return True

    def fileno(self) -> int:
        return int(self._raw.fileno())

    def isatty(self) -> bool:
        return bool(self._raw.isatty())

    def write(self, data: ReadableBuffer, /) -> int | None:
        if self.failure is None:
            try:
                return cast("int | None", self._raw.write(data))
            except OSError as error:
                self.failure = error
        return memoryview(data).nbytes


def keep_writable() -> None:
    """Make standard output and error such that writing to them cannot fail."""
    _fill_closed_numbers()
    sys.stdout, sys.stderr = _writable(sys.stdout), _writable(sys.stderr)


def failure_message() -> str:
    """Bring out what is still held, and say why standard output was not written; empty if it was.

    Flushed here, a stream that fails is not met at the interpreter's end.
    """
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(OSError, ValueError):
            stream.flush()
    raw = getattr(getattr(sys.stdout, "buffer", None), "raw", None)
    failure = raw.failure if isinstance(raw, _SafeOutput) else None
    if failure is None or failure.errno in _GONE:
        return ""
    return (
        f"standard output cannot be written: {failure.strerror or failure}. "
        "What the command wrote to files is whole."
    )


def _fill_closed_numbers() -> None:
    """Give a closed standard stream's number away, so that no file of ours is taken for it."""
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            with contextlib.suppress(OSError):
                os.open(os.devnull, os.O_RDWR)  # it takes the lowest free number, this one


def _writable(stream: TextIO | None) -> TextIO:
    """Put an outlet under a text stream; a closed one gets the system's own drain.

    A label may hold what a code page lacks: it is replaced by a question mark.
    """
    if stream is None:
        drain = io.BufferedWriter(_SafeOutput(io.FileIO(os.devnull, "w")))
        return io.TextIOWrapper(drain, encoding="utf-8", errors="replace")
    if not isinstance(stream, io.TextIOWrapper):
        return stream
    return io.TextIOWrapper(
        io.BufferedWriter(_SafeOutput(getattr(stream.buffer, "raw", stream.buffer))),
        encoding=stream.encoding,
        errors="replace",
        line_buffering=stream.line_buffering,
        write_through=stream.write_through,
    )
