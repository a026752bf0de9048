"""Standard streams that fail: output that cannot be written never changes what a command does.

A closed pipe is not an error: the rest of the output is dropped. A full disk is one: it is reported
at the end, when the command has done its work.
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
"""Error numbers of a pipe without a reader; Windows has its own."""


class _SafeOutput(io.RawIOBase):
    """A raw stream that drops everything after a failed write.

    Parameters
    ----------
    raw
        The stream, without a buffer.
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
    """Make writing to standard output and standard error never fail."""
    _fill_closed_numbers()
    sys.stdout, sys.stderr = _writable(sys.stdout), _writable(sys.stderr)


def failure_message() -> str:
    """Flush the streams; return why standard output was not written, empty if it was.

    Flushing here avoids a failure when the interpreter exits.
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
        "Files written by the command are complete."
    )


def _fill_closed_numbers() -> None:
    """Open the null device for a closed standard stream, so that no other file gets its number."""
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            with contextlib.suppress(OSError):
                os.open(os.devnull, os.O_RDWR)  # it takes the lowest free number, this one


def _writable(stream: TextIO | None) -> TextIO:
    """Make a text stream safe to write to; a closed one writes to the null device.

    Characters that a code page lacks are replaced by a question mark.
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
