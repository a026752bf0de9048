"""One thread for linear algebra: the tables are small, and threads slow them some twenty times."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import wraps
from typing import Any, ParamSpec, TypeVar

_Asked = ParamSpec("_Asked")
_Given = TypeVar("_Given")


class _Shared:
    """What the threads of this process share: most libraries know one limit for all of them."""

    lock = threading.Lock()
    inside = 0
    before: Any = None  # the limit that gives back what the first to enter found


class _Own(threading.local):
    """How deep this thread is inside."""

    depth = 0


_own = _Own()


@contextmanager
def one_thread() -> Iterator[None]:
    """Keep BLAS and OpenMP to one thread, and give back what the caller had.

    Threads of the caller may work side by side: the last to leave gives back what the first found.
    """
    _own.depth += 1
    if _own.depth == 1:
        _enter()
    try:
        yield
    finally:
        _own.depth -= 1
        if _own.depth == 0:
            _leave()


def _enter() -> None:
    from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

    with _Shared.lock:
        _take_control()
        found = threadpool_limits(limits=1)
        _Shared.before = _Shared.before or found
        _Shared.inside += 1


def _leave() -> None:
    with _Shared.lock:
        _Shared.inside -= 1
        if _Shared.inside == 0:
            _take_control()
            _Shared.before.restore_original_limits()
            _Shared.before = None
            _take_control()


def _take_control() -> None:
    """Let this thread set the limit: from 3.8 on the first to set one keeps all others from it."""
    import threadpoolctl

    free = getattr(threadpoolctl.OpenBLASController, "clear_controlling_thread", None)
    if free is not None:
        free(force=True)


def on_one_thread(work: Callable[_Asked, _Given]) -> Callable[_Asked, _Given]:
    """Decorate a function that solves: see `one_thread`."""

    @wraps(work)
    def limited(*args: _Asked.args, **kwargs: _Asked.kwargs) -> _Given:
        with one_thread():
            return work(*args, **kwargs)

    return limited
