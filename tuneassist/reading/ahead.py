"""Reading ahead: the next parts are read by a second thread while the one at hand is worked on."""

from __future__ import annotations

import queue
import threading
from collections.abc import Iterator
from types import TracebackType
from typing import Generic, TypeVar

_T = TypeVar("_T")


class ReadAhead(Generic[_T]):
    """Fetches what an iterator yields in a thread of its own, from the moment it is entered.

    Parameters
    ----------
    items
        The iterator; what it raises is raised where the item would have come.
    depth
        Items that wait at most; memory is bounded by them. [1]

    Examples
    --------
    >>> with ReadAhead(iter("abc"), depth=2) as letters:
    ...     "".join(letters)
    'abc'
    """

    def __init__(self, items: Iterator[_T], *, depth: int) -> None:
        self._items = items
        self._waiting: queue.Queue[tuple[list[_T], BaseException | None]] = queue.Queue(depth)
        self._is_left = threading.Event()
        self._thread = threading.Thread(target=self._fetch, name="reading ahead", daemon=True)

    def __enter__(self) -> ReadAhead[_T]:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        place: TracebackType | None,
    ) -> None:
        self._is_left.set()
        self._thread.join()

    def __iter__(self) -> Iterator[_T]:
        while True:
            found, error = self._waiting.get()
            if error is not None:
                raise error
            if not found:
                return
            yield found[0]

    def _fetch(self) -> None:
        try:
            for item in self._items:
                if not self._put(([item], None)):
                    return
        except BaseException as error:
            self._put(([], error))
        self._put(([], None))

    def _put(self, item: tuple[list[_T], BaseException | None]) -> bool:
        while not self._is_left.is_set():
            try:
                self._waiting.put(item, timeout=0.1)
            except queue.Full:
                continue
            return True
        return False
