"""One thread for linear algebra: with small tables, threads are some twenty times slower."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import wraps
from typing import Any, ParamSpec, TypeVar

_Arguments = ParamSpec("_Arguments")
_Result = TypeVar("_Result")


class _Shared:
    """State shared by the threads of this process: most libraries have one limit for all."""

    lock = threading.Lock()
    inside = 0
    before: Any = None  # restores the limit found by the first to enter


class _Own(threading.local):
    """Nesting depth of this thread."""

    depth = 0


_own = _Own()


@contextmanager
def one_thread() -> Iterator[None]:
    """Limit BLAS and OpenMP to one thread, and restore the limit afterwards.

    Several threads of the caller may be inside: the last to leave restores what the first found.
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
    """Let this thread set the limit: from 3.8 on only the first thread to set one may change it."""
    import threadpoolctl

    free = getattr(threadpoolctl.OpenBLASController, "clear_controlling_thread", None)
    if free is not None:
        free(force=True)


def on_one_thread(work: Callable[_Arguments, _Result]) -> Callable[_Arguments, _Result]:
    """Decorate a function to run inside `one_thread`."""

    @wraps(work)
    def limited(*args: _Arguments.args, **kwargs: _Arguments.kwargs) -> _Result:
        with one_thread():
            return work(*args, **kwargs)

    return limited
