"""Frozen value objects that hold arrays and mappings: equal by content, and whole after a copy."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from types import MappingProxyType
from typing import Any

import numpy as np


class ByValue:
    """Mixin of frozen dataclasses: compared and hashed by content, fit for pickle and deepcopy.

    A dataclass compares arrays cell by cell and fails on the answer, and a read-only view of a dict
    neither travels nor has a hash. The class that mixes this in is made with ``eq=False``. Fields
    with ``compare=False`` do not count, and a nan equals a nan.
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
    """Return what stands for a field's content: hashable, and equal where the content is."""
    if isinstance(value, np.ndarray):
        numbers = np.asarray(value, dtype=float) + 0.0  # of -0 and 0 one
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
