"""Mutated setups and tune folders against the commands that take them.

A case is one archive of files, so that it can be kept and tried again. What is looked for: a
traceback, a mistake in the program, an exit status outside of the contract, a mark that a terminal
acts on, a file outside the output that was touched, a written or accepted grid that ``verify``
refuses.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import tarfile
import tempfile
from collections.abc import Callable, Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).resolve().parent
SAMPLES = HERE.parent / "sample_logs"
CONTRACT = frozenset({0, 3, 4, 5, 6})
SUFFIXES = (".setup", ".tune")
Bytes = Callable[[bytes, np.random.Generator], bytes]
_UNSAFE = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]")
_VICTIM = b"nobody may touch this\n"

ODD: tuple[Any, ...] = (
    None, True, False, 0, -1, 1e308, -1e308, 10**30, 10**400, "", "x", "\x1b[31m", "\u202e", "=1+1",
    "../../victims/keep", "/dev/null", [], {}, [[]], {"a": 1}, "nan", "start", "round-01",
    "9" * 400,
)  # fmt: skip
TOML_VALUES = (
    "0", "-1", "1e308", "nan", "inf", "-inf", "1" + "0" * 400, '""', '"x"', "[]", "[[]]", "{}",
    "true", "2020-01-01", '"\\u001b[31m"', '"\\u202e"', "[0, 0]", "[1, nan]", '"psi gauge"',
    '"afr"', '"floor"', '"compression"', '"boost"', '"diesel"', '"phi"', "1e-9", "99999",
    "[800, 1200]", "[-1, 0, 1]", '"/dev/null"', '"target.csv"', '"=1+1"', "false",
)  # fmt: skip


# --- what is mutated ------------------------------------------------------------------------------


@lru_cache(maxsize=1)
def short_log() -> bytes:
    return b"\n".join((SAMPLES / "petrol-session-1.csv").read_bytes().split(b"\n")[:3000]) + b"\n"


@lru_cache(maxsize=1)
def second_log() -> bytes:
    return b"\n".join((SAMPLES / "petrol-session-2.csv").read_bytes().split(b"\n")[:3000]) + b"\n"


@lru_cache(maxsize=1)
def tune_files() -> dict[str, bytes]:
    """Return the files of a tune with one accepted and one pending round."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "tune"
        logs = []
        for name, data in (("a.csv", short_log()), ("b.csv", second_log())):
            logs.append(Path(place) / name)
            logs[-1].write_bytes(data)
        call("rounds", "start", folder, "--setup", SAMPLES / "petrol-setup.toml")
        call("rounds", "add", folder, logs[0])
        call("rounds", "accept", folder)
        call("rounds", "add", folder, logs[1])
        files = (path for path in sorted(folder.rglob("*")) if path.is_file())
        found = {path.relative_to(folder).as_posix(): path.read_bytes() for path in files}
    if "round-01/grid.csv" not in found:
        raise RuntimeError("the tune that is to be mutated could not be made")
    return {name: data for name, data in found.items() if not name.startswith(".")}


@lru_cache(maxsize=1)
def setup_texts() -> tuple[str, ...]:
    full = (
        "\n[steady]\nwindow_s = 1.0\n[limits]\nmax_step_pct = 15\nmax_total_pct = 30\n"
        "richest_lambda = 0.7\nleanest_lambda = 1.15\n[limits.ceilings]\n"
        'exhaust_temp = { ceiling = 900, hard = 950, unit = "degC" }\n[[limits.region]]\n'
        'name = "cruise"\nrpm = [1200, 3000]\nload = [30, 90]\nmax_step_pct = 3\n'
    )
    petrol = (SAMPLES / "petrol-setup.toml").read_text(encoding="utf-8")
    return petrol, petrol + full, (SAMPLES / "van-setup.toml").read_text(encoding="utf-8")


# --- how it is mutated ----------------------------------------------------------------------------


def _toml_value(text: str, rng: np.random.Generator) -> str:
    """Give a key another value, a key of another section, or a section another name."""
    lines = text.split("\n")
    keys = [i for i, line in enumerate(lines) if re.match(r"\w+ *=", line)]
    heads = [i for i, line in enumerate(lines) if line.startswith("[")]
    kind, at = rng.random(), int(rng.choice(keys))
    if kind < 0.7:
        value = TOML_VALUES[rng.integers(len(TOML_VALUES))]
        lines[at] = f"{lines[at].split('=')[0]}= {value}"
        if "[" not in value and lines[at + 1 : at + 2] and lines[at + 1].startswith("  ["):
            end = lines.index("]", at)
            lines[at + 1 : end + 1] = []
    elif kind < 0.85:
        lines.insert(int(rng.choice(heads)) + 1, lines[at])
    else:
        lines[int(rng.choice(heads))] = "[[limits.region]]" if rng.random() < 0.5 else "[plan]"
    return "\n".join(lines)


def _number_in(text: str, rng: np.random.Generator) -> str:
    """Change one number of a text."""
    found = list(re.finditer(r"\d+\.?\d*", text))
    if not found:
        return text
    one = found[rng.integers(len(found))]
    factor = float(rng.choice([-1.0, 0.0, 0.1, 0.9, 1.1, 3.0, 1e6]))
    return f"{text[: one.start()]}{float(one[0]) * factor:g}{text[one.end() :]}"


def _json_value(data: bytes, rng: np.random.Generator) -> bytes:
    """Give one value of a record another content, or take it out, or repeat it."""
    record = json.loads(data)
    inner: Any = record
    for _ in range(int(rng.integers(1, 6))):
        keys = list(inner) if isinstance(inner, dict) else list(range(len(inner)))
        if not keys:
            break
        key = keys[rng.integers(len(keys))]
        child = inner[key]
        if isinstance(child, (dict, list)) and child and rng.random() < 0.8:
            inner = child
            continue
        kind = rng.random()
        if kind < 0.7:
            inner[key] = ODD[rng.integers(len(ODD))]
        elif kind < 0.85:
            del inner[key]
        elif isinstance(inner, list):
            inner.append(child)
        break
    return json.dumps(record).encode()


def mutated_setup(rng: np.random.Generator, mutate: Bytes) -> bytes:
    """Return an archive with a mutated setup."""
    text = setup_texts()[rng.integers(len(setup_texts()))]
    for _ in range(int(rng.integers(1, 4))):
        text = (_toml_value if rng.random() < 0.6 else _number_in)(text, rng)
    data = text.encode()
    if rng.random() < 0.2:
        data = mutate(data, rng)
    return packed_files({"car.toml": data})


def mutated_tune(rng: np.random.Generator, mutate: Bytes) -> bytes:
    """Return an archive with a mutated tune folder; an entry may be a link, a pipe or a folder."""
    files: dict[str, bytes | str | None] = dict(tune_files())
    for _ in range(int(rng.integers(1, 4))):
        names = sorted(name for name, data in files.items() if isinstance(data, bytes))
        name = names[rng.integers(len(names))]
        files[name] = _other_content(name, files, rng, mutate)
    if rng.random() < 0.05:
        files[f".{rng.choice(['history.json', 'tune.json'])}.tuneassist-writing"] = (
            "../victims/keep"
        )
    if rng.random() < 0.05:
        files[".tuneassist-lock"] = "../victims/keep"
    if rng.random() < 0.05:
        files[str(rng.choice(["kept", "round-03", "round-04"]))] = "../victims"
    return packed_files(files)


def _other_content(
    name: str, files: dict[str, bytes | str | None], rng: np.random.Generator, mutate: Bytes
) -> bytes | str | None:
    data = files[name]
    assert isinstance(data, bytes)
    kind = rng.random()
    if kind < 0.45 and name.endswith(".json"):
        with contextlib.suppress(ValueError):
            return _json_value(data, rng)
    if kind < 0.6:
        return _number_in(data.decode("utf-8", "replace"), rng).encode()
    if kind < 0.9:
        return mutate(data, rng)
    others = [other for other in files.values() if isinstance(other, bytes)]
    choices: tuple[bytes | str | None, ...] = (
        b"", others[rng.integers(len(others))], "../victims/keep", "/dev/zero", None,
    )  # fmt: skip
    return choices[rng.integers(len(choices))]


def packed_files(files: dict[str, Any]) -> bytes:
    """Put files into an archive; a text is a link to there, None is a pipe."""
    sink = io.BytesIO()
    with tarfile.open(fileobj=sink, mode="w") as archive:
        for name, data in files.items():
            entry = tarfile.TarInfo(name)
            if isinstance(data, bytes):
                entry.size = len(data)
                archive.addfile(entry, io.BytesIO(data))
            elif isinstance(data, str):
                is_below = "/" in name and not data.startswith("/")
                entry.type, entry.linkname = tarfile.SYMTYPE, f"../{data}" if is_below else data
                archive.addfile(entry)
            else:
                entry.type = tarfile.FIFOTYPE
                archive.addfile(entry)
    return sink.getvalue()


# --- what it must stand ---------------------------------------------------------------------------


def call(*words: object) -> tuple[int, str]:
    """Run the command line in this process; return its status, and all it said."""
    from tuneassist.cli.app import app

    said = io.TextIOWrapper(io.BytesIO(), encoding="utf-8", errors="replace")
    status = 0
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        try:
            app([str(word) for word in words], prog_name="tuneassist")
        except SystemExit as end:
            status = end.code if isinstance(end.code, int) else int(bool(end.code))
    said.flush()
    said.seek(0)
    return status, said.read()


class Place:
    """A folder with the files of a case, and something outside of them that nobody may touch."""

    def __init__(self, root: Path, archive: Path) -> None:
        self.root, self.files = root, root / "case"
        self.files.mkdir()
        (root / "victims").mkdir()
        (root / "victims" / "keep").write_bytes(_VICTIM)
        (root / "log.csv").write_bytes(short_log())
        with tarfile.open(archive) as packed:
            packed.extractall(self.files, filter="fully_trusted")
        self.before = self._outside()

    def _outside(self) -> dict[str, bytes]:
        found = {}
        for folder, _, names in os.walk(self.root):
            here = Path(folder)
            if self.files not in (here, *here.parents):
                found |= {str(here / name): (here / name).read_bytes() for name in names}
        return found

    def tried(self, *words: object, also: frozenset[int] = frozenset()) -> tuple[int, str]:
        """Run a command; return its status, and what is wrong with that."""
        status, said = call(*words)
        name = " ".join(str(word) for word in words[:2])
        if "mistake in the program" in said or "Traceback" in said:
            return status, f"{name}: {said[-600:]}"
        if status not in CONTRACT | also:
            return status, f"{name}: ended with {status}: {said[-300:]}"
        if mark := _UNSAFE.search(said):
            return status, f"{name}: printed the mark {mark[0]!r}"
        if self._outside() != self.before:
            return status, f"{name}: a file outside was written"
        return status, ""


def attempt_folder(path: Path, number: int) -> str:
    """Try the commands on a case; return what is wrong, empty where nothing is."""
    with tempfile.TemporaryDirectory() as root:
        place = Place(Path(root), path)
        steps = _setup_steps(place) if path.suffix == ".setup" else _tune_steps(place, number)
        return next((words for words in steps if words), "")


def _setup_steps(place: Place) -> Iterator[str]:
    setup, out = place.files / "car.toml", place.files / "out"
    yield place.tried("limits", "--setup", setup)[1]
    log = place.root / "log.csv"
    if b"Engine speed" in setup.read_bytes():
        log = SAMPLES / "van-session-1.csv"
    status, words = place.tried("propose", log, "--setup", setup, "--out", out)
    yield words
    if status:
        yield "something was written all the same" if out.exists() else ""
        return
    yield _refused(place, out / "grid.csv", setup)
    yield place.tried("plan", log, "--setup", setup, "--minutes", "10")[1]


def _refused(place: Place, grid: Path, setup: Path) -> str:
    status, words = place.tried("verify", grid, "--setup", setup)
    return words or (f"verify refuses {grid.name} that was written ({status})" if status else "")


def _tune_steps(place: Place, number: int) -> Iterator[str]:
    folder, out = place.files, place.files.parent / "case"
    yield place.tried("rounds", "status", folder, *(["--json"] if number % 2 else []))[1]
    step = ("accept", "reject", "undo", "accept")[number % 4]
    status, words = place.tried("rounds", step, folder)
    yield words
    if status == 0 and step == "accept":
        yield _refused(place, folder / _last_round(folder) / "grid.csv", folder / "setup.toml")
    if number % 3 == 0:
        yield place.tried("plan", folder, "--minutes", "10", also=_no_tune(folder))[1]
    elif number % 3 == 1:
        yield place.tried("report", folder, "--out", out / "page.html")[1]
    else:
        status, words = place.tried("rounds", "add", folder, place.root / "log.csv")
        yield words
        if status == 0:
            yield _refused(place, folder / _last_round(folder) / "grid.csv", folder / "setup.toml")
    yield place.tried("rounds", "status", folder)[1]


def _no_tune(folder: Path) -> frozenset[int]:
    """Wrong usage is the right answer of `plan` where a folder holds no tune: no setup was named.

    A link to a file is followed, as `plan` follows it.
    """
    return frozenset() if (folder / "history.json").is_file() else frozenset({2})


def _last_round(folder: Path) -> str:
    events = json.loads((folder / "history.json").read_text(encoding="utf-8"))["events"]
    return f"round-{max(int(e['number']) for e in events if e['kind'] == 'add'):02}"
