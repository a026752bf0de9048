"""Packages whose modules are imported when they are first used.

A command can name what it needs at its top and still answer ``--help`` and wrong usage at once:
numpy, pandas and scipy are imported when its work begins.
"""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from importlib.util import find_spec
from types import ModuleType


def modules_of(package: str) -> Callable[[str], ModuleType]:
    """Return a package's ``__getattr__``, which imports its modules on first use.

    Parameters
    ----------
    package
        The package's ``__name__``.

    Examples
    --------
    >>> get = modules_of("tuneassist")
    >>> get("units").__name__
    'tuneassist.units'
    >>> get("nonsense")
    Traceback (most recent call last):
    ...
    AttributeError: module 'tuneassist' has no attribute 'nonsense'
    """

    def get(name: str) -> ModuleType:
        module = f"{package}.{name}"
        if name.startswith("_") or find_spec(module) is None:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        return import_module(module)

    return get
