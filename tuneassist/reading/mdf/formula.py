"""A formula that a log brings along: parsed by a small grammar, done as plain arithmetic.

Numbers, ``X``, ``+ - * /``, ``^`` (also ``**``) for power, brackets and a few functions::

    sum     = product (("+" | "-") product)*
    product = signed (("*" | "/") signed)*
    signed  = ("+" | "-") signed | power
    power   = atom (("^" | "**") signed)?
    atom    = number | "X" | name "(" sum ("," sum)* ")" | "(" sum ")"

A sign before a power takes the power first: ``-X^2`` is ``-(X^2)``; powers group from the right.
Everything is done in floating point, so that ``9^9^9`` overflows at once and is refused. ``log`` is
refused as well: some mean base 10 by it and some base e.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any

import numpy as np

from tuneassist.reading.log import Floats

MOST_SIGNS = 256
"""Length of a formula. Those of loggers have a few dozen. [characters]"""
MOST_DEPTH = 20
"""Brackets, signs and powers inside each other. [1]"""
MOST_STEPS = 64
"""Operations of a formula, each of which costs a pass over the values. [1]"""

Node = float | Callable[[Floats], Floats]
"""A part of a formula: a number, or what to do with the raw values."""

_TOKEN = re.compile(
    r"(\d+\.?\d*(?:[eE][-+]?\d+)?|\.\d+(?:[eE][-+]?\d+)?|[A-Za-z]\w*|\*\*|[-+*/^(),])"
)
_BLANK = " \t\r\n"
_UNARY: Mapping[str, Any] = MappingProxyType(
    {
        "sin": np.sin, "cos": np.cos, "tan": np.tan,
        "asin": np.arcsin, "acos": np.arccos, "atan": np.arctan,
        "arcsin": np.arcsin, "arccos": np.arccos, "arctan": np.arctan,
        "sinh": np.sinh, "cosh": np.cosh, "tanh": np.tanh,
        "exp": np.exp, "ln": np.log, "log10": np.log10, "sqrt": np.sqrt, "abs": np.abs,
    }
)  # fmt: skip
_BINARY: Mapping[str, Any] = MappingProxyType(
    {"+": np.add, "-": np.subtract, "*": np.multiply, "/": np.divide, "^": np.power}
)


class FormulaError(ValueError):
    """A formula is not read; the words say why."""


def parse_formula(text: str) -> Callable[[Floats], Floats]:
    """Return what a formula does with raw values.

    Parameters
    ----------
    text
        The formula; its variable is ``X``, which may be written ``X1``.

    Returns
    -------
    callable
        From raw values to as many values; nan where the formula gives no finite number.

    Raises
    ------
    FormulaError
        When it holds anything but what the grammar knows, or is too long or too deep.

    Examples
    --------
    >>> parse_formula("-0.5*X^2 + 1")(np.array([0.0, 2.0])).tolist()
    [1.0, -1.0]
    """
    if len(text) > MOST_SIGNS:
        raise FormulaError(f"it is longer than {MOST_SIGNS} characters")
    node = _Parser(_tokens(text)).whole()

    def values(raw: Floats) -> Floats:
        with np.errstate(all="ignore"):
            out = node(raw) if callable(node) else np.full(len(raw), node)
        return np.where(np.isfinite(out), out, np.nan)

    return values


def _tokens(text: str) -> list[str]:
    tokens: list[str] = []
    at = 0
    while at < len(text):
        if text[at] in _BLANK:
            at += 1
            continue
        match = _TOKEN.match(text, at)
        if match is None or not match[0].isascii():
            raise FormulaError(f"{text[at]!r} has no meaning there")
        tokens.append("^" if match[0] == "**" else match[0])
        at = match.end()
    return tokens


class _Parser:
    """Descends through the grammar, one method per rule."""

    def __init__(self, tokens: list[str]) -> None:
        self._tokens, self._at = tokens, 0
        self._depth = self._steps = 0

    def whole(self) -> Node:
        node = self._sum()
        if self._next:
            raise FormulaError(f"{self._next!r} stands where it should end")
        return node

    @property
    def _next(self) -> str:
        return self._tokens[self._at] if self._at < len(self._tokens) else ""

    def _takes(self, *tokens: str) -> str:
        """Take the next token if it is one of these; empty if not."""
        token = self._next
        if token not in tokens:
            return ""
        self._at += 1
        return token

    def _must(self, token: str) -> None:
        if not self._takes(token):
            found = repr(self._next) if self._next else "its end"
            raise FormulaError(f"{found} stands where {token!r} should")

    def _sum(self) -> Node:
        node = self._product()
        while sign := self._takes("+", "-"):
            node = self._apply(_BINARY[sign], node, self._product())
        return node

    def _product(self) -> Node:
        node = self._signed()
        while sign := self._takes("*", "/"):
            node = self._apply(_BINARY[sign], node, self._signed())
        return node

    def _signed(self) -> Node:
        self._depth += 1
        if self._depth > MOST_DEPTH:
            raise FormulaError(f"it is nested deeper than {MOST_DEPTH}")
        sign = self._takes("+", "-")
        node = self._signed() if sign else self._power()
        self._depth -= 1
        return self._apply(np.negative, node) if sign == "-" else node

    def _power(self) -> Node:
        node = self._atom()
        return self._apply(np.power, node, self._signed()) if self._takes("^") else node

    def _atom(self) -> Node:
        if self._takes("("):
            node = self._sum()
            self._must(")")
            return node
        token = self._next
        if token[:1].isdigit() or token[:1] == ".":
            self._at += 1
            return _finite(float(token))
        if not token[:1].isalpha():
            found = repr(token) if token else "its end"
            raise FormulaError(f"{found} stands where a number or X should")
        self._at += 1
        return _raw if token.upper() in ("X", "X1") else self._call(token)

    def _call(self, name: str) -> Node:
        """Apply a function by its name."""
        known = name.casefold()
        if known == "log":
            raise FormulaError("'log' may mean base 10 or base e; log10 and ln are known")
        if known not in _UNARY and known != "pow":
            raise FormulaError(f"{name!r} is not known")
        self._must("(")
        first = self._sum()
        if known == "pow":
            self._must(",")
            node = self._apply(np.power, first, self._sum())
        else:
            node = self._apply(_UNARY[known], first)
        self._must(")")
        return node

    def _apply(self, work: Any, *parts: Node) -> Node:
        """Join parts; of numbers alone the result is a number, and must be a finite one."""
        self._steps += 1
        if self._steps > MOST_STEPS:
            raise FormulaError(f"it has more than {MOST_STEPS} operations")
        numbers = [np.float64(part) for part in parts if not callable(part)]
        if len(numbers) == len(parts):
            with np.errstate(all="ignore"):
                return _finite(float(work(*numbers)))

        def values(raw: Floats) -> Floats:
            done: Floats = work(*(part(raw) if callable(part) else part for part in parts))
            return done

        return values


def _raw(raw: Floats) -> Floats:
    return raw


def _finite(number: float) -> float:
    if not np.isfinite(number):
        raise FormulaError("a constant in it is not a finite number")
    return number
