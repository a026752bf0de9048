"""Frozen value objects with arrays and mappings: equal by content, safe to copy and pickle."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from types import MappingProxyType
from typing import Any

import numpy as np


class ByValue:
    """Mixin of frozen dataclasses: compared and hashed by content, fit for pickle and deepcopy.

    A plain dataclass fails to compare arrays, and a read-only view of a dict can be neither pickled
    nor hashed. A class with this mixin needs ``eq=False``. Fields with ``compare=False`` do not
    count, and nan equals nan.
    """

    def __eq__(self, other: object) -> bool:
        if type(other) is not type(self):
            return NotImplemented
        return _content(self) == _content(other)

    def __hash__(self) -> int:
        return hash(_content(self))

    def __getstate__(self) -> dict[str, Any]:
        return {f.name: _movable(getattr(self, f.name)) for f in _fields(self)}

    def __setstate__(self, state: dict[str, Any]) -> None:
        for name, value in state.items():
            object.__setattr__(self, name, _frozen(value))


def _fields(value: Any) -> tuple[Any, ...]:
    return fields(value)


def _content(value: ByValue) -> tuple[Any, ...]:
    return tuple(_key(getattr(value, f.name)) for f in _fields(value) if f.compare)


def _key(value: Any) -> Any:
    """Return a hashable key of a field's content, equal for equal content."""
    if isinstance(value, np.ndarray):
        numbers = np.asarray(value, dtype=float) + 0.0  # turns -0 into 0
        return numbers.shape, np.where(np.isnan(numbers), np.nan, numbers).tobytes()
    if isinstance(value, Mapping):
        return frozenset((name, _key(item)) for name, item in value.items())
    return value


def _movable(value: Any) -> Any:
    return dict(value) if isinstance(value, MappingProxyType) else value


def _frozen(value: Any) -> Any:
    if isinstance(value, np.ndarray):
        value.setflags(write=False)
    return MappingProxyType(value) if isinstance(value, dict) else value
