"""Arrow and Feather files: their sizes checked before and their contents after they are read.

A file of Arrow's is a stream between two marks, with a list of its messages behind. It is read as
the stream, so that every message that is used has been looked at. Offsets inside a column may be
forged: a batch is validated in full before anything else touches it.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

from tuneassist.errors import LogError
from tuneassist.reading.bounds import VALUE_BYTES, check_held, check_rows, check_unpacked
from tuneassist.reading.messages import Declared, declared

MARK = b"ARROW1"
_ALIGNED, _MOST_PADDING = 8, 64  # writers align the first message to this
MOST_MESSAGES = 200_000
"""Batches of one file: a log of a day that is written once a second has 86,400. [1]"""

Batches = Callable[[Sequence[int]], Iterator[Any]]


def open_ipc(path: Path, *, is_file: bool, name: str) -> tuple[Any, int, Batches]:
    """Return schema, number of rows, and what yields batches of some columns.

    Parameters
    ----------
    path
        The file.
    is_file
        It has the marks of a file around the stream.
    name
        File name, for messages.

    Raises
    ------
    LogError
        When it would unpack to more than a log does.
    pyarrow.ArrowException, ValueError
        When it is damaged.
    """
    import pyarrow as pa

    start = _start(path) if is_file else 0
    size = path.stat().st_size
    with _mapped(path, start) as file, pa.ipc.open_stream(file) as stream:
        schema = stream.schema
    count = _checked(path, start, size, name)

    def batches(columns: Sequence[int]) -> Iterator[Any]:
        check_unpacked(VALUE_BYTES * count * len(columns), size, name=name)
        options = pa.ipc.IpcReadOptions(included_fields=sorted(columns), use_threads=False)
        with (
            _mapped(path, start) as file,
            pa.ipc.open_stream(file, options=options) as stream,
        ):
            for batch in stream:
                batch.validate(full=True)
                yield batch

    return schema, count, batches


def _mapped(path: Path, start: int) -> Any:
    import pyarrow as pa

    file = pa.memory_map(str(path))
    file.seek(start)
    return file


def _start(path: Path) -> int:
    """Return where the stream inside a file begins: behind the mark and the zeros that pad it."""
    with path.open("rb") as file:
        head = file.read(_MOST_PADDING + _ALIGNED)[len(MARK) :]
        file.seek(-min(len(MARK), path.stat().st_size), os.SEEK_END)
        if file.read() != MARK:
            raise ValueError("its end is missing")
    padding = len(head) - len(head.lstrip(b"\0"))
    return (len(MARK) + padding) // _ALIGNED * _ALIGNED


def _checked(path: Path, start: int, size: int, name: str) -> int:
    """Go through all messages without unpacking them; returns the number of rows.

    A dictionary is gone through again with every batch that refers to it, and joined again with
    every addition to it.
    """
    rows, unpacked = 0, 0
    dictionaries: dict[int, int] = {}
    for said in _messages(path, start, name):
        own = said.size
        if said.dictionary is None:
            rows += said.rows
            check_rows(rows, name=name)
        else:
            known = dictionaries.get(said.dictionary, 0) if said.is_delta else 0
            dictionaries[said.dictionary] = known + said.size
            own = 0
        held = own + sum(dictionaries.values())
        unpacked += held
        if said.is_packed:
            check_held(held, "a batch", name=name)
        check_unpacked(unpacked, size, name=name)
    return rows


def _messages(path: Path, start: int, name: str) -> Iterator[Declared]:
    import pyarrow as pa

    with _mapped(path, start) as file:
        reader = pa.ipc.MessageReader.open_stream(file)
        for count, message in enumerate(reader):
            if count > MOST_MESSAGES:
                raise LogError(
                    f"the table is cut into more than {MOST_MESSAGES} batches.",
                    where=name,
                    mend="Write it in batches of at least 1,000 rows.",
                )
            try:
                said = declared(message)
            except struct.error as error:
                raise ValueError("a message is cut") from error
            if said is not None:
                yield said
