"""Hostile tune folders and setups: guards gone round, grids changed, places that lead elsewhere."""

from __future__ import annotations

import csv
import io
import json
import os
import shutil
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

from hostile_box import BOUNDED, REFUSED, Act, Box, Ran
from hostile_list import PETROL, SAMPLES, SESSION, attack, each, plain_setup, square_setup, tune

SECOND = SAMPLES / "petrol-session-2.csv"
CHANGED = frozenset({3, 5})
"""Statuses of a folder whose content was changed behind the program's back."""
STEPS: dict[str, tuple[str, ...]] = {
    "status": ("rounds", "status", "tune"),
    "status-json": ("rounds", "status", "tune", "--json"),
    "accept": ("rounds", "accept", "tune"),
}


def _steps(statuses: frozenset[int], **also: Any) -> Iterable[Act]:
    for note, words in STEPS.items():
        yield Act(words, statuses, note=note, is_loose=True, **also)


# --- the setup's guard ----------------------------------------------------------------------------


def target_setup(box: Box, *, data: bytes = b"", name: str = "target.csv") -> Path:
    """Write a setup whose target stands in a file."""
    text = PETROL.read_text(encoding="utf-8")
    start, end = text.index("table = ["), text.index("[correction]")
    rows = [row.strip(" [],") for row in text[start:end].splitlines()[1:-2]]
    axes = {n: text.split(f"{n} = [")[1].split("]")[0].split(", ") for n in ("rpm", "load")}
    lines = ["rpm/load," + ",".join(axes["load"])]
    lines += [f"{rpm},{row.replace(' ', '')}" for rpm, row in zip(axes["rpm"], rows, strict=False)]
    (box.work / "target.csv").write_bytes(data or ("\n".join(lines) + "\n").encode())
    setup = box.work / "car.toml"
    setup.write_text(text[:start] + f"file = {json.dumps(name)}\n" + text[end:], encoding="utf-8")
    return setup


def _leaner(data: bytes) -> bytes:
    return data.replace(b"0.8", b"1.1").replace(b"0.9", b"1.1")


SETUP_CHANGES: dict[str, Callable[[bytes], bytes]] = {
    "plain": _leaner,
    "mark": lambda d: b"\xef\xbb\xbf" + _leaner(d),
    "two-marks": lambda d: b"\xef\xbb\xbf" * 2 + _leaner(d),
    "odd-byte": lambda d: _leaner(d) + b"# \xff\n",
    "wide": lambda d: _leaner(d).decode().encode("utf-16"),
    "nothing": lambda d: b"",
    "syntax": lambda d: _leaner(d) + b"[[[\n",
    "huge-number": lambda d: _leaner(d) + b"\n[plan]\nhold_s = " + b"9" * 5000 + b"\n",
    "deep": lambda d: _leaner(d) + b"\n[deep]\na = " + b"[" * 5000 + b"]" * 5000 + b"\n",
}


@each("High 4", "a leaner target in the tune's setup", SETUP_CHANGES)
def guard_setup(box: Box, change: Callable[[bytes], bytes]) -> Iterable[Act]:
    setup = tune(box) / "setup.toml"
    setup.write_bytes(change(setup.read_bytes()))
    yield from _steps(REFUSED)
    yield Act(["plan", "tune", "--minutes", "10"], REFUSED, is_loose=True)


@each(
    "High 4",
    "a leaner target.csv",
    {
        "plain": _leaner, "odd-byte": lambda d: _leaner(d).replace(b"rpm/load", b"rpm/load\xa0"),
        "mark": lambda d: b"\xef\xbb\xbf" + _leaner(d),
        "wide": lambda d: _leaner(d).decode().encode("utf-16"),
        "odd-end": lambda d: _leaner(d) + b"\xa0\n", "missing": lambda d: b"",
    },
)  # fmt: skip
def guard_target(box: Box, change: Callable[[bytes], bytes]) -> Iterable[Act]:
    box.run("rounds", "start", "tune", "--setup", target_setup(box))
    box.run("rounds", "add", "tune", SESSION)
    path = box.work / "tune" / "target.csv"
    path.write_bytes(change(path.read_bytes()))
    yield from _steps(REFUSED)


@each(
    "High 4",
    "a target.csv as an editor or a spreadsheet saves it",
    {
        "crlf": lambda d: d.replace(b"\n", b"\r\n"), "cr": lambda d: d.replace(b"\n", b"\r"),
        "mixed": lambda d: d.replace(b"\n", b"\r\n", 3), "mark": lambda d: b"\xef\xbb\xbf" + d,
        "wide": lambda d: d.decode().encode("utf-16"),
        "semicolon": lambda d: d.replace(b",", b";").replace(b".", b","),
    },
)  # fmt: skip
def target_saved(box: Box, change: Callable[[bytes], bytes]) -> Iterable[Act]:
    setup = target_setup(box)
    path = box.work / "target.csv"
    path.write_bytes(change(path.read_bytes()))
    started = Act(["rounds", "start", "tune", "--setup", setup], frozenset({0, 3}))
    yield started
    if (box.work / "tune").exists():
        yield Act(["rounds", "add", "tune", SESSION], frozenset({0}), note="add")
        yield from _steps(frozenset({0}))


@each(
    "High 4",
    "a setup as an editor saves it",
    {"crlf": lambda d: d.replace(b"\n", b"\r\n"), "mark": lambda d: b"\xef\xbb\xbf" + d},
)
def setup_saved(box: Box, change: Callable[[bytes], bytes]) -> Iterable[Act]:
    setup = box.work / "car.toml"
    setup.write_bytes(change(PETROL.read_bytes()))
    yield Act(["rounds", "start", "tune", "--setup", setup], frozenset({0}))
    yield Act(["rounds", "add", "tune", SESSION], frozenset({0}), note="add")
    yield from _steps(frozenset({0}))


# --- grids changed in a round's folder ------------------------------------------------------------


def _mapped(path: Path, change: Callable[[float], float]) -> None:
    rows = list(csv.reader(io.StringIO(path.read_text(encoding="utf-8"))))
    for row in rows[1:]:
        row[1:] = [f"{change(float(cell)):.6f}" if cell else "" for cell in row[1:]]
    path.write_text("\n".join(map(",".join, rows)) + "\n", encoding="utf-8")


def _more(folder: Path) -> None:
    _mapped(folder / "grid.csv", lambda value: value + 90.0)


def _more_whole(folder: Path) -> None:
    for name in ("grid.csv", "step.csv"):
        _mapped(folder / name, lambda value: 90.0)


def _more_in_force(folder: Path) -> None:
    for name in ("grid.csv", "in-force.csv"):
        _mapped(folder / name, lambda value: 90.0)
    _mapped(folder / "step.csv", lambda value: 0.0)


def _little(folder: Path) -> None:
    """Change it within every rule, with a step that fits: only a hash notices."""
    for name in ("grid.csv", "step.csv"):
        _mapped(folder / name, lambda value: value + 0.5 if value else value)


def _hidden(folder: Path) -> None:
    """Change grid and step, and every hash that stands in a file of the folder."""
    import hashlib

    before = {
        n: hashlib.sha256((folder / n).read_bytes()).hexdigest() for n in ("grid.csv", "step.csv")
    }
    _more_whole(folder)
    for path in (*folder.glob("*.json"), *folder.parent.glob("*.json")):
        text = path.read_text(encoding="utf-8")
        for name, old in before.items():
            text = text.replace(old, hashlib.sha256((folder / name).read_bytes()).hexdigest())
        path.write_text(text, encoding="utf-8")


def _cut(folder: Path) -> None:
    path = folder / "grid.csv"
    path.write_bytes(path.read_bytes()[:200])


def _emptied(folder: Path) -> None:
    (folder / "grid.csv").write_bytes(b"")


def _missing(folder: Path) -> None:
    (folder / "grid.csv").unlink()


def _blank(folder: Path) -> None:
    path = folder / "grid.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    blank = [line.split(",")[0] + "," * line.count(",") for line in lines[1:]]
    path.write_text("\n".join([lines[0], *blank]) + "\n", encoding="utf-8")


def _no_step(folder: Path) -> None:
    (folder / "step.csv").unlink()


@each(
    "High 5",
    "a proposed grid changed in its folder",
    {
        "plus-90": _more, "plus-90-with-step": _more_whole, "plus-90-in-force": _more_in_force,
        "plus-90-hidden": _hidden, "within-rules": _little, "cut": _cut, "empty": _emptied,
        "missing": _missing, "blank": _blank, "no-step": _no_step,
    },
)  # fmt: skip
def grid_changed(box: Box, change: Callable[[Path], None]) -> Iterable[Act]:
    change(tune(box) / "round-01")
    yield from _steps(CHANGED)


@attack("High 5", "a spreadsheet saved the proposed grid: that is no change")
def grid_saved(box: Box) -> Iterable[Act]:
    path = tune(box) / "round-01" / "grid.csv"
    path.write_bytes(path.read_bytes().replace(b"\n", b"\r\n"))
    yield from _steps(frozenset({0, 3}))


@attack("High 5", "the grid in force was changed after it was accepted")
def grid_in_force_changed(box: Box) -> Iterable[Act]:
    folder = tune(box)
    box.run("rounds", "accept", folder)
    _more(folder / "round-01")
    yield Act(["rounds", "status", folder], CHANGED, note="status", is_loose=True)
    yield Act(["rounds", "add", folder, SECOND], CHANGED, note="add", is_loose=True)


# --- files that a setup names ---------------------------------------------------------------------


def _quotes_nothing(ran: Ran) -> Sequence[str]:
    said = ran.out + ran.err
    return [f"quoted {word}" for word in ("root:x", "SECRET") if word in said]


def _secret(box: Box) -> Path:
    path = box.root / "secret.txt"
    path.write_text("SECRET,line,of,a,file\n1,2,3,4,5\n", encoding="utf-8")
    return path


def _named_file(box: Box, kind: str) -> str:
    if kind == "fifo":
        os.mkfifo(box.work / "pipe")
        return "pipe"
    if kind == "link":
        (box.work / "link.csv").symlink_to(_secret(box))
        return "link.csv"
    if kind == "link-to-zeros":
        (box.work / "zeros.csv").symlink_to("/dev/zero")
        return "zeros.csv"
    if kind == "sparse":
        with (box.work / "sparse.csv").open("wb") as stream:
            stream.truncate(100 << 30)
        return "sparse.csv"
    names = {"absolute": str(_secret(box)), "above": "../secret.txt", "around": "./../secret.txt"}
    return names.get(kind, kind)


@each(
    "Bounds target.file",
    "a setup names a file",
    {
        name.strip("/").replace("/", "-"): name
        for name in (
            "/dev/zero", "/dev/urandom", "/dev/stdin", "/etc/passwd", "/proc/self/environ", "fifo",
            "link", "link-to-zeros", "sparse", "absolute", "above", "around", ".", "car.toml",
            "a" * 5000, "nul\0byte", "\x1b]0;x\x07.csv",
        )
    },
)  # fmt: skip
def target_file(box: Box, kind: str) -> Iterable[Act]:
    _secret(box)
    setup = target_setup(box, name=_named_file(box, kind))
    for words in (
        ["limits", "--setup", setup],
        ["rounds", "start", "tune", "--setup", setup],
        ["propose", SESSION, "--setup", setup, "--out", "out"],
    ):
        yield Act(words, REFUSED, note=words[0], must=_quotes_nothing)


def _tunes(box: Box, **changes: str) -> Path:
    folder = box.work / "set"
    folder.mkdir()
    (folder / "car.toml").write_bytes(PETROL.read_bytes())
    box.run("rounds", "start", "tune", "--setup", PETROL)
    shutil.copy(box.work / "tune" / "start-grid.csv", folder / "zeros.csv")
    names = {"setup": "car.toml", "grid": "zeros.csv", "run": ""} | changes
    run = f"run = {json.dumps(names['run'])}\n" if names["run"] else ""
    (folder / "tunes.toml").write_text(
        f"setup = {json.dumps(names['setup'])}\n[[tune]]\nname = 'standard'\nkind = 'standard'\n"
        f"grid = {json.dumps(names['grid'])}\n{run}",
        encoding="utf-8",
    )
    return folder


@each(
    "Bounds target.file",
    "a set of tunes names a file",
    {
        f"{key}-{name.strip('/.').replace('/', '-')}": (key, name)
        for key in ("setup", "grid", "run")
        for name in ("/dev/zero", "/etc/passwd", "../../secret.txt", "../pipe")
    },
)
def tunes_file(box: Box, variant: tuple[str, str]) -> Iterable[Act]:
    key, name = variant
    _secret(box)
    os.mkfifo(box.work / "pipe")
    folder = _tunes(box, **{key: name})
    yield Act(["tunes", "check", folder], REFUSED, must=_quotes_nothing)


@each(
    "Bounds target.file",
    "a file of a received tune is none",
    {
        f"{name.replace('/', '-')}-{kind}": (name, kind)
        for name in (
            "tune.json", "history.json", "setup.toml", "start-grid.csv", "round-01/evidence.json",
            "round-01/grid.csv", "round-01/holds.csv", "round-01/proposal.json",
        )
        for kind in ("zeros", "pipe", "sparse", "secret")
    },
)  # fmt: skip
def tune_file(box: Box, variant: tuple[str, str]) -> Iterable[Act]:
    name, kind = variant
    place = tune(box) / name
    place.unlink()
    if kind == "pipe":
        os.mkfifo(place)
    elif kind == "sparse":
        with place.open("wb") as stream:
            stream.truncate(20 << 30)
    else:
        place.symlink_to("/dev/zero" if kind == "zeros" else _secret(box))
    statuses = frozenset({0, 3, 5})
    for note, words in (*STEPS.items(), ("report", ("report", "tune", "--out", "page.html"))):
        yield Act(words, statuses, note=note, is_loose=True, must=_quotes_nothing)


# --- axes and numbers of a setup ------------------------------------------------------------------


@each("Bounds axes", "axes without bound", {f"{n}-x-{n}": n for n in (60, 120, 300, 1000)})
def axes(box: Box, size: int) -> Iterable[Act]:
    setup = square_setup(box, size)
    yield Act(["propose", SESSION, "--setup", _with_channels(setup), "--out", "out"], BOUNDED)
    yield Act(["coverage", SESSION, "--setup", setup], BOUNDED, note="coverage")
    yield Act(["plan", SESSION, "--minutes", "20", "--setup", setup], BOUNDED, note="plan")


def _with_channels(setup: Path) -> Path:
    text = PETROL.read_text(encoding="utf-8")
    own = text[text.index("[channels]") : text.index("[axes]")]
    setup.write_text(setup.read_text(encoding="utf-8") + own, encoding="utf-8")
    return setup


@each(
    "Bounds axes",
    "long axes in a grid file",
    {"2000-x-2": (2000, 2), "2-x-100000": (2, 100_000), "900-x-900": (900, 900)},
)
def grid_axes(box: Box, shape: tuple[int, int]) -> Iterable[Act]:
    rows, columns = shape
    head = "rpm/load," + ",".join(str(30 + i) for i in range(columns))
    body = "\n".join(f"{800 + i}" + ",0" * columns for i in range(rows))
    grid = box.work / "grid.csv"
    grid.write_text(f"{head}\n{body}\n", encoding="utf-8")
    yield Act(["verify", grid, "--setup", PETROL], REFUSED)


@each(
    "Bounds setup",
    "a number or a shape that a setup may not have",
    {
        "huge-integer": "rev_limit_rpm = 1" + "0" * 400,
        "huger-integer": "rev_limit_rpm = " + "9" * 5000,
        "infinite": "rev_limit_rpm = inf", "nan": "afr_stoich = nan",
        "list": "rev_limit_rpm = [6000]",
        "deep": "label = " + "[" * 3000 + "]" * 3000,
        "deeper": "label = " + "{a=" * 3000 + "1" + "}" * 3000,
        "long-label": 'label = "' + "x" * 10_000_000 + '"',
        "date": "rev_limit_rpm = 2020-01-01",
        "dotted": "a" + ".a" * 5000 + " = 1",
    },
)  # fmt: skip
def setup_value(box: Box, line: str) -> Iterable[Act]:
    text = PETROL.read_text(encoding="utf-8")
    key = line.split(" =", maxsplit=1)[0]
    kept = [row for row in text.splitlines() if not row.startswith(f"{key} ")]
    kept.insert(kept.index("[engine]") + 1, line)
    setup = box.work / "car.toml"
    setup.write_text("\n".join(kept) + "\n", encoding="utf-8")
    yield Act(["limits", "--setup", setup], BOUNDED)
    yield Act(["propose", SESSION, "--setup", setup, "--out", "out"], BOUNDED)


@each(
    "Bounds setup",
    "a size that a setting may not ask for",
    {
        "steady-rows": "[steady]\nestimate_rows = 1" + "0" * 18,
        "steady-window": "[steady]\nwindow_s = 1e12",
        "steady-tiny": "[steady]\nwindow_s = 1e-12",
        "plan-hold": "[plan]\nhold_s = 1e-9",
        "transfer": None,
    },
)
def setup_size(box: Box, lines: str | None) -> Iterable[Act]:
    text = PETROL.read_text(encoding="utf-8")
    if lines is None:
        pairs = ", ".join(f"[{i}.0, {i}.0]" for i in range(300_000))
        text = text.replace(
            'unit = "afr" }', f'unit = "afr", transfer_unit = "afr", transfer = [{pairs}] }}'
        )
        lines = ""
    setup = box.work / "car.toml"
    setup.write_text(f"{text}\n{lines}\n", encoding="utf-8")
    yield Act(["propose", SESSION, "--setup", setup, "--out", "out"], BOUNDED)
    yield Act(["plan", SESSION, "--setup", setup, "--minutes", "10"], BOUNDED)


# --- JSON of a tune -------------------------------------------------------------------------------

JSONS: dict[str, str] = {
    "deep": "[" * 100_000 + "]" * 100_000,
    "deep-object": '{"format":1,"events":' * 20_000 + "1" + "}" * 20_000,
    "null": "null",
    "list": "[]",
    "text": '"x"',
    "number": "1",
    "empty": "",
    "events-object": '{"format":1,"events":{}}',
    "events-null": '{"format":1,"events":null}',
    "events-of-null": '{"format":1,"events":[null]}',
    "events-of-lists": '{"format":1,"events":[[]]}',
    "kind-list": '{"format":1,"events":[{"kind":["start"],"time":"x"}]}',
    "format-huge": '{"format":1' + "0" * 400 + "}",
    "format-huger": '{"format":' + "9" * 6000 + "}",
    "format-list": '{"format":[1]}',
    "format-true": '{"format":true,"events":[]}',
    "nan": '{"format":NaN}',
    "wide": '{"format":"\\ud800"}',
    "twice": '{"format":1,"format":1,"events":[],"events":[{}]}',
}


@each(
    "Names JSON",
    "a JSON of the wrong shape",
    {
        f"{name.split('/')[-1].removesuffix('.json')}-{kind}": (name, kind)
        for name in (
            "history.json",
            "tune.json",
            "round-01/evidence.json",
            "round-01/proposal.json",
        )
        for kind in JSONS
    },
)
def json_shape(box: Box, variant: tuple[str, str]) -> Iterable[Act]:
    name, kind = variant
    (tune(box) / name).write_text(JSONS[kind], encoding="utf-8")
    statuses = REFUSED if name != "round-01/proposal.json" else frozenset({0, 3})
    yield Act(STEPS["status"], statuses, note="status", is_loose=True)
    if not name.startswith("round-01"):
        return
    yield Act(
        ["report", "tune", "--out", "page.html"], frozenset({0, 3}), note="report", is_loose=True
    )
    yield Act(["plan", "tune", "--minutes", "9"], frozenset({0, 3, 4}), note="plan", is_loose=True)


def _leaves(value: Any, path: tuple[Any, ...] = ()) -> Iterable[tuple[Any, ...]]:
    inner = value.items() if isinstance(value, dict) else enumerate(value)
    for key, item in inner:
        if isinstance(item, (dict, list)) and item:
            yield from _leaves(item, (*path, key))
        yield (*path, key)


ODD_VALUES: dict[str, Any] = {
    "null": None,
    "list": [],
    "object": {},
    "text": "\x1b[31m\u202e=1",
    "huge": 10**400,
    "minus": -1,
    "fraction": 1e308,
    "true": True,
    "deep": [[[[[[]]]]]],
}


@each(
    "Names JSON",
    "every value of a JSON in turn is something else",
    {
        f"{name.split('/')[-1].removesuffix('.json')}-{kind}": (name, kind)
        for name in ("history.json", "tune.json", "round-01/evidence.json")
        for kind in ODD_VALUES
    },
)
def json_value(box: Box, variant: tuple[str, str]) -> Iterable[Act]:
    name, kind = variant
    path = tune(box) / name
    whole = path.read_text(encoding="utf-8")
    places = list(_leaves(json.loads(whole)))
    step = max(1, len(places) // 5)
    for place in places[::step]:
        record = json.loads(whole)
        inner = record
        for key in place[:-1]:
            inner = inner[key]
        inner[place[-1]] = ODD_VALUES[kind]
        path.write_text(json.dumps(record), encoding="utf-8")
        note = ".".join(map(str, place))
        yield Act(STEPS["status"], frozenset({0, 3, 5}), note=note, is_loose=True)


# --- links that were planted ----------------------------------------------------------------------


@each(
    "Names links",
    "a temporary name in a received tune is a link",
    {
        "history-accept": (".history.json.tuneassist-writing", "accept"),
        "history-reject": (".history.json.tuneassist-writing", "reject"),
        "history-undo": (".history.json.tuneassist-writing", "undo"),
        "lock-accept": (".tuneassist-lock", "accept"),
        "lock-status": (".tuneassist-lock", "status"),
    },
)
def planted(box: Box, variant: tuple[str, str]) -> Iterable[Act]:
    name, step = variant
    place = tune(box) / name
    place.unlink(missing_ok=True)
    place.symlink_to(box.victim)
    yield Act(["rounds", step, "tune"], frozenset({0, 3}), is_loose=True)


@each(
    "Names links",
    "a temporary name is a pipe or a folder",
    {"pipe": "pipe", "folder": "folder", "dangling": "dangling"},
)
def planted_other(box: Box, kind: str) -> Iterable[Act]:
    for name in (".history.json.tuneassist-writing", ".tuneassist-lock"):
        folder = tune(box, name=f"tune{name}")
        place = folder / name
        place.unlink(missing_ok=True)
        if kind == "pipe":
            os.mkfifo(place)
        elif kind == "folder":
            place.mkdir()
        else:
            place.symlink_to(box.victims / "made")
        yield Act(["rounds", "accept", folder], frozenset({0, 3}), note=name, is_loose=True)


@each(
    "Names links",
    "a picture's or a page's temporary name is a link",
    {
        "page": ("page.html", ["report", "tune", "--out", "page.html"]),
        "page-again": ("page.html", ["report", "tune", "--out", "page.html", "--overwrite"]),
        "plot": ("map.png", ["coverage", SESSION, "--setup", PETROL, "--plot", "map.png"]),
        "csv": ("plan.csv", ["plan", "tune", "--minutes", "9", "--csv", "plan.csv"]),
        "sheet": ("s.svg", ["plan", "tune", "--minutes", "9", "--sheet", "s.svg"]),
    },
)
def planted_output(box: Box, variant: tuple[str, list[str | Path]]) -> Iterable[Act]:
    name, words = variant
    tune(box)
    (box.work / f".{name}.tuneassist-writing").symlink_to(box.victim)
    yield Act(words, frozenset({0, 3}), is_loose=True)


@each(
    "Names links",
    "a folder of a received tune leads elsewhere",
    {name: name for name in ("kept", "round-01", "round-02", ".round-02.tuneassist-previous")},
)
def planted_folder(box: Box, name: str) -> Iterable[Act]:
    folder = tune(box)
    place = folder / name
    if place.exists():
        shutil.rmtree(place)
    place.symlink_to(box.victims)
    for words in (
        ["rounds", "status", folder], ["rounds", "reject", folder],
        ["rounds", "add", folder, SECOND], ["rounds", "undo", folder],
        ["rounds", "undo", folder], ["rounds", "undo", folder],
    ):  # fmt: skip
        yield Act(words, frozenset({0, 3, 5, 6}), note=str(words[1]), is_loose=True)


@attack("Names links", "folders beside the output lead elsewhere")
def planted_beside(box: Box) -> Iterable[Act]:
    for name in ("writing-00000000", "trash-00000000", "previous"):
        (box.work / f".out.tuneassist-{name}").symlink_to(box.victims)
    words = ["propose", SESSION, "--setup", PETROL, "--out", "out"]
    yield Act(words, frozenset({0, 3}), is_loose=True)


@attack("Names links", "files of a round are links to a file outside")
def planted_files(box: Box) -> Iterable[Act]:
    folder = tune(box)
    for name in ("history.json", "tune.json"):
        path = folder / name
        outside = box.root / name
        shutil.move(path, outside)
        path.symlink_to(outside)
    before = (box.root / "history.json").read_bytes()

    def unchanged(ran: Ran) -> Sequence[str]:
        same = (box.root / "history.json").read_bytes() == before
        return [] if same else ["a file outside was written through a link"]

    yield Act(["rounds", "accept", folder], frozenset({0, 3}), is_loose=True, must=unchanged)


@attack("Names links", "many setups of one tune: a plain one stands")
def tune_plain(box: Box) -> Iterable[Act]:
    tune(box)
    yield from _steps(frozenset({0}))
    yield Act(["rounds", "add", "tune", SECOND], frozenset({0, 6}), note="add")
    yield Act(["report", "tune", "--out", "page.html"], frozenset({0}), note="report")
    plain_setup(box)
