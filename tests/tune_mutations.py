"""Tune folders and setups as a stranger may send them: bytes flipped, cut, values replaced."""

from __future__ import annotations

import json
import random
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

ODD_VALUES: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 2, 10**17, 10**40, -(10**30), 0.5, -1e308, float("nan"),
    float("inf"), "", "x", "\x1b[2J\u202e", "../../etc", "a" * 5000, [], {}, [[]], [None], {"a": 1},
    [1, "x"], "round-01", "start",
)  # fmt: skip
ODD_NUMBERS = (
    "1e400", "9" * 400, "-1", "0", "nan", "inf", "-inf", "1e300", "1e18", "0x" + "f" * 300,
    "true", '"x"', "[]", "{}", "[[[[]]]]", "1979-05-27", "0.0000001", "100000", "-1e18",
)  # fmt: skip


def mutated_tune_folder(source: Path, place: Path, rng: random.Random) -> str:
    """Copy a tune and damage it in one to three ways; say in words what was done."""
    shutil.copytree(source, place)
    return "; ".join(_damage(place, rng) for _ in range(rng.choice((1, 1, 1, 2, 3))))


def _damage(place: Path, rng: random.Random) -> str:
    files = sorted(p for p in place.rglob("*") if p.is_file() and p.suffix)
    path = rng.choice(files)
    ways: list[Callable[[bytes, random.Random], bytes]] = [_flip, _cut, _twice, _lines]
    if path.suffix == ".json":
        ways = [*ways, *[_json_value] * 8, _json_text]
    else:
        ways += [_number] * 4
    way = rng.choice(ways)
    path.write_bytes(way(path.read_bytes(), rng))
    return f"{path.relative_to(place).as_posix()}: {way.__name__.strip('_')}"


def mutated_setup(data: bytes, rng: random.Random) -> bytes:
    """Damage a setup's text in one to three ways."""
    for _ in range(rng.choice((1, 1, 2, 3))):
        data = rng.choice((_flip, _cut, _lines, _number, _number, _number, _number))(data, rng)
    return data


def _flip(data: bytes, rng: random.Random) -> bytes:
    changed = bytearray(data)
    for _ in range(rng.choice((1, 1, 4, 30))):
        if changed:
            changed[rng.randrange(len(changed))] = rng.randrange(256)
    return bytes(changed)


def _cut(data: bytes, rng: random.Random) -> bytes:
    return data[: rng.randrange(len(data) + 1)]


def _twice(data: bytes, rng: random.Random) -> bytes:
    return data + data[rng.randrange(len(data) + 1) :]


def _lines(data: bytes, rng: random.Random) -> bytes:
    lines = data.split(b"\n")
    one, two = rng.randrange(len(lines)), rng.randrange(len(lines))
    lines[one], lines[two] = lines[two], lines[one]
    return b"\n".join(lines if rng.random() < 0.5 else lines[:one] + lines[one + 1 :])


def _number(data: bytes, rng: random.Random) -> bytes:
    """Replace one cell or value by an odd one."""
    text = data.decode("utf-8", "replace")
    places = [k for k in range(1, len(text)) if text[k].isdigit() and text[k - 1] in ",= ["]
    if not places:
        return data
    start = end = rng.choice(places)
    while end < len(text) and (text[end].isalnum() or text[end] in ".-_"):
        end += 1
    return f"{text[:start]}{rng.choice(ODD_NUMBERS)}{text[end:]}".encode()


def _json_text(data: bytes, rng: random.Random) -> bytes:
    nested = b"[" * 100_000
    return rng.choice((nested, b"[]", b"1", b'{"a": ' * 50_000, b'{"format": 1}', b"", b"null"))


def _json_value(data: bytes, rng: random.Random) -> bytes:
    """Replace, remove or swap one value somewhere in a record."""
    try:
        record = json.loads(data)
    except (ValueError, RecursionError):  # damaged before
        return _flip(data, rng)
    spots: list[tuple[Any, Any]] = []
    level = [record] if isinstance(record, (dict, list)) else []
    while level:
        inner: list[Any] = []
        for one in level:
            keys = list(one) if isinstance(one, dict) else list(range(min(len(one), 3)))
            spots += [(one, key) for key in keys]
            inner += [one[key] for key in keys if isinstance(one[key], (dict, list))]
        level = inner
    if not spots:
        return data
    (one, key), (other, another) = rng.choice(spots), rng.choice(spots)
    what = rng.random()
    if what < 0.15 and isinstance(one, dict):
        del one[key]
    elif what < 0.3:
        one[key], other[another] = str(other[another])[:200], one[key]
    else:
        one[key] = rng.choice(ODD_VALUES)
    return json.dumps(record).encode()
