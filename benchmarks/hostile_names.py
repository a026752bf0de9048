"""Hostile names, marks and streams, commands that are stopped, and clusters that do not answer."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import signal
import socket
import subprocess
import time
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from hostile_box import (
    BOUNDED,
    CONTRACT,
    ENDED,
    INTERRUPTED,
    REFUSED,
    Act,
    Box,
    Ran,
    python,
    unsafe_mark,
)
from hostile_list import (
    PETROL,
    SESSION,
    attack,
    each,
    long_csv,
    long_full_load,
    plain_setup,
    samples,
    tune,
)
from hostile_logs import HEAD, ROWS, write_packed

# --- marks ----------------------------------------------------------------------------------------

MARKS: dict[str, str] = {
    "escape": "\x1b]0;owned\x07\x1b[2J",
    "colour": "\x1b[31mred",
    "csi": "\x9b31m",
    "bidi": "\u202egnp.exe\u2066",
    "back": "a\rb\x08\x08",
    "marks": "\u200f\u061c",
    "delete": "\x7f\x00",
}


def _clean_files(box: Box) -> Any:
    """Ask that no mark stands in what was written."""

    def check(ran: Ran) -> Sequence[str]:
        found = []
        for path in (*box.work.glob("out/*"), *box.work.glob("*.html"), *box.work.glob("plan.csv")):
            if mark := unsafe_mark(path.read_text(encoding="utf-8", errors="replace")):
                found.append(f"{path.name} holds the mark {mark!r}")
        return found

    return check


@each("Names marks", "marks in a header and in text cells", MARKS)
def header_marks(box: Box, mark: str) -> Iterable[Act]:
    frame = samples().iloc[:4000].copy()
    frame[f"Knock {mark}"] = 0.0
    text = frame.to_csv(index=False)
    rows = text.split("\n")
    rows[50] = rows[50].replace(rows[50].split(",")[1], f"{mark}1")
    log = box.work / "log.csv"
    log.write_text(f"# said {mark}\n" + "\n".join(rows), encoding="utf-8", newline="")
    setup = plain_setup(box)
    yield Act(["check", log], BOUNDED, note="check")
    yield Act(["check", log, "--json"], BOUNDED, note="json")
    wanted = box.work / "wanted.toml"
    toml = json.dumps(f"Lamda {mark}")
    wanted.write_text(
        f"{setup.read_text(encoding='utf-8')}\n[channels]\nlambda = {{ column = {toml}, "
        'unit = "lambda" }\n',
        encoding="utf-8",
    )
    yield Act(["check", log, "--setup", wanted], REFUSED, note="not found")
    words = ["propose", log, "--setup", setup, "--out", "out"]
    yield Act([*words, "--json"], BOUNDED, note="propose", must=_clean_files(box))


@each("Names marks", "marks in words of a setup", {k: v for k, v in MARKS.items() if k != "delete"})
def setup_marks(box: Box, mark: str) -> Iterable[Act]:
    text = PETROL.read_text(encoding="utf-8")
    word = json.dumps(f"car {mark}")
    made = {
        "label": text.replace('"simulated 1.6 turbo petrol hatchback"', word),
        "load name": text.replace('"manifold pressure"', word),
        "fuel": text.replace('"petrol"', word),
        "unit": text.replace('unit = "psi"', f"unit = {word}"),
        "region": f"{text}\n[[limits.region]]\nname = {word}\nrpm = [800, 6500]\n"
        "load = [30, 180]\nmax_step_pct = 0.5\n",
        "key": f"{text}\n[{json.dumps('x' + mark)}]\na = 1\n",
    }
    for note, content in made.items():
        setup = box.work / f"{note.replace(' ', '-')}.toml"
        setup.write_text(content, encoding="utf-8")
        yield Act(["limits", "--setup", setup], frozenset({0, 3}), note=note)
        yield Act(["limits", "--setup", setup, "--json"], frozenset({0, 3}), note=f"{note} json")
    words = ["propose", SESSION, "--setup", box.work / "label.toml", "--out", "out"]
    yield Act(words, frozenset({0, 3}), must=_clean_files(box))
    start = Act(["rounds", "start", "tune", "--setup", box.work / "label.toml"], frozenset({0, 3}))
    yield start
    if (box.work / "tune").exists():
        yield Act(["rounds", "add", "tune", SESSION], frozenset({0}), note="add")
        words = ["report", "tune", "--out", "page.html"]
        yield Act(words, frozenset({0}), note="report", must=_clean_files(box))


@each("Names marks", "marks in file names", {k: v for k, v in MARKS.items() if k != "delete"})
def file_name_marks(box: Box, mark: str) -> Iterable[Act]:
    name = f"log {mark.replace('/', '')}.csv"
    (box.work / name).write_bytes(SESSION.read_bytes())
    yield Act(["check", name], frozenset({0, 3}))
    yield Act(["check", name, "--json"], frozenset({0, 3}), note="json")
    yield Act(["check", f"missing {name}"], REFUSED, note="missing")
    words = ["propose", name, "--setup", PETROL, "--out", "out"]
    yield Act(words, frozenset({0}), must=_clean_files(box))
    box.run("rounds", "start", "tune", "--setup", PETROL)
    yield Act(["rounds", "add", "tune", name], frozenset({0}), note="add")
    words = ["report", "tune", "--out", "page.html"]
    yield Act(words, frozenset({0}), note="report", must=_clean_files(box))
    yield Act(["rounds", "status", f"no {mark}"], REFUSED, note="folder")


@each(
    "Names marks",
    "marks in what is typed wrongly",
    {k: v for k, v in MARKS.items() if k != "delete"},
)
def usage_marks(box: Box, mark: str) -> Iterable[Act]:
    wrong = frozenset({2})
    for words in (
        [mark], ["check", f"--{mark}"], ["check", SESSION, "--workers", mark], ["keys", mark],
        ["runs", "--standard", mark, "--before", "a", "--after", "b"],
        ["plan", "tune", "--minutes", mark], ["rounds", mark],
        ["check", SESSION, "--workers", "9" * 5000],
    ):  # fmt: skip
        yield Act(
            words,
            wrong | REFUSED,
            note=" ".join(map(str, words))[:20].encode("unicode_escape").decode(),
        )
    tune(box)
    yield Act(["rounds", "found", "tune", mark], wrong | REFUSED, note="found", is_loose=True)


@each(
    "Names marks",
    "marks in evidence that is read back",
    {k: v for k, v in MARKS.items() if k != "delete"},
)
def evidence_marks(box: Box, mark: str) -> Iterable[Act]:
    folder = tune(box)
    for name in ("history.json", "tune.json", "round-01/evidence.json", "round-01/proposal.json"):
        path = folder / name
        record = _marked(json.loads(path.read_text(encoding="utf-8")), mark)
        path.write_text(json.dumps(record), encoding="utf-8")
    for note, words in (
        ("status", ["rounds", "status", folder]), ("json", ["rounds", "status", folder, "--json"]),
        ("plan", ["plan", folder, "--minutes", "9"]),
        ("plan csv", ["plan", folder, "--minutes", "9", "--csv", "plan.csv"]),
        ("report", ["report", folder, "--out", "page.html"]),
    ):  # fmt: skip
        yield Act(words, frozenset({0, 3, 4, 5}), note=note, is_loose=True, must=_clean_files(box))


_KEPT = ("format", "kind", "sha256", "made", "in_force", "name", "advice", "verdict")


def _marked(value: Any, mark: str, key: str = "") -> Any:
    """Put marks behind every text that is for people."""
    if isinstance(value, dict):
        return {k: _marked(v, mark, k) for k, v in value.items()}
    if isinstance(value, list):
        return [_marked(one, mark, key) for one in value]
    is_free = key not in _KEPT and not key.endswith(("sha256", "columns"))
    return value + mark if isinstance(value, str) and is_free else value


# --- names that are no UTF-8, streams -------------------------------------------------------------


@attack("Names bytes", "file names that are no UTF-8")
def odd_names(box: Box) -> Iterable[Act]:
    work = os.fsencode(box.work)
    log, setup = os.path.join(work, b"caf\xe9.csv"), os.path.join(work, b"c\xff.toml")  # noqa: PTH118
    for path, source in ((log, SESSION), (setup, PETROL)):
        with open(path, "wb") as stream:  # noqa: PTH123
            stream.write(source.read_bytes())
    good = frozenset({0, 3})
    for note, words in (
        ("check", ["check", log]), ("check json", ["check", log, "--json"]),
        ("folder", ["check", "."]), ("folder json", ["check", ".", "--json"]),
        ("setup", ["check", log, "--setup", setup]),
        ("propose", ["propose", log, "--setup", setup, "--out", "out"]),
        ("propose json", ["propose", log, "--setup", setup, "--out", b"o\xfe", "--json"]),
        ("workers", ["check", log, SESSION, "--setup", setup, "--workers", "2"]),
        ("coverage", ["coverage", log, "--setup", setup, "--plot", b"m\xff.png"]),
        ("start", ["rounds", "start", b"t\xff", "--setup", setup]),
        ("add", ["rounds", "add", b"t\xff", log]), ("status", ["rounds", "status", b"t\xff"]),
        ("status json", ["rounds", "status", b"t\xff", "--json"]),
        ("report", ["report", b"t\xff", "--out", b"p\xff.html"]),
        ("accept", ["rounds", "accept", b"t\xff"]),
        ("runs", ["runs", "--before", log, "--after", log]),
        ("verify", ["verify", b"g\xff.csv", "--setup", setup]),
    ):  # fmt: skip
        yield Act(words, good, note=note, is_loose=True)


COMMANDS: dict[str, list[str | Path]] = {
    "check": ["check", SESSION],
    "json": ["check", SESSION, "--json"],
    "propose": ["propose", SESSION, "--setup", PETROL, "--out", "out"],
    "wrong": ["check", "nothing.csv"],
    "usage": ["check", "--nothing"],
    "help": ["--help"],
    "version": ["--version"],
    "status": ["rounds", "status", "tune"],
    "accept": ["rounds", "accept", "tune"],
}
STREAMS: dict[str, dict[int, str]] = {
    "no-input": {0: "closed"},
    "no-output": {1: "closed"},
    "no-messages": {2: "closed"},
    "none-at-all": {0: "closed", 1: "closed", 2: "closed"},
    "full-output": {1: "full"},
    "full-messages": {2: "full"},
    "both-full": {1: "full", 2: "full"},
    "gone-output": {1: "gone"},
    "gone-messages": {2: "gone"},
}


@each("Names streams", "a standard stream that is closed or full", STREAMS)
def streams(box: Box, kinds: dict[int, str]) -> Iterable[Act]:
    tune(box)
    for note, words in COMMANDS.items():
        right = {"wrong": REFUSED, "usage": frozenset({2})}.get(note, frozenset({0, 3}))
        if 1 in kinds and kinds[1] == "gone":
            right = CONTRACT | {141, -signal.SIGPIPE}
        yield Act(words, right, note=note, streams=kinds, is_loose=True)


@attack("Names streams", "standard input is read although it is closed")
def closed_input(box: Box) -> Iterable[Act]:
    yield Act(["check", "-"], REFUSED, streams={0: "closed"})


# --- cells that a spreadsheet works out -----------------------------------------------------------

FORMULAS: dict[str, str] = {
    "equals": "=1+1",
    "cut-at-semicolon": "a;=HYPERLINK(1)",
    "cut-at-tab": "a\t=1+1",
    "at": "@SUM(1)",
    "plus": "+1+1",
    "minus": "-1+1",
    "blank-first": " =1+1",
    "quote": '";=1+1;"',
    "cut-at-comma": "a,=1+1",
    "line": "a\n=1+1",
    "pipe": "=cmd|' calc'!A0",
    "semicolon-minus": ";-2+3",
}
_NUMBER = re.compile(r"[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?|[-+]?(nan|inf)?")


def _inert(box: Box) -> Any:
    """Ask that no cell of a CSV begins as a formula, whichever mark the reader cuts at."""

    def check(ran: Ran) -> Sequence[str]:
        return [
            f"{path.name} has the cell {cell[:30]!r}"
            for path in sorted(box.work.rglob("*.csv"))
            if path.name in ("cells.csv", "holds.csv", "peaks.csv", "plan.csv", "step.csv")
            for cell in _live_cells(path.read_text(encoding="utf-8", errors="replace"))
        ][:3]

    return check


def _live_cells(text: str) -> Iterable[str]:
    for mark in (",", ";", "\t"):
        for row in csv.reader(io.StringIO(text, newline=""), delimiter=mark):
            for cell in row:
                bare = cell.strip(' "\u00a0') if mark != "," else cell.strip(" ")
                if bare[:1] in "=+-@" and bare and not _NUMBER.fullmatch(bare.split(",")[0]):
                    yield bare


@each("Names cells", "a name that a spreadsheet would work out", FORMULAS)
def csv_cells(box: Box, words: str) -> Iterable[Act]:
    name = f"{words.replace('/', '')}.csv"
    log = box.work / "logs" / name
    log.parent.mkdir()
    log.write_bytes(SESSION.read_bytes())
    setup = box.work / "car.toml"
    word = json.dumps(words)
    setup.write_text(
        PETROL.read_text(encoding="utf-8").replace('"manifold pressure"', word)
        + f"\n[[limits.region]]\nname = {word}\nrpm = [800, 6500]\nload = [30, 180]\n"
        "max_step_pct = 0.5\n",
        encoding="utf-8",
    )
    good = frozenset({0, 3})
    for note, line in (
        ("propose", ["propose", f"logs/{name}", "--setup", setup, "--out", "out"]),
        ("start", ["rounds", "start", "tune", "--setup", setup]),
        ("add", ["rounds", "add", "tune", f"logs/{name}"]),
        ("plan", ["plan", "tune", "--minutes", "9", "--csv", "plan.csv"]),
    ):
        yield Act(line, good, note=note, is_loose=True, must=_inert(box))


# --- stopping -------------------------------------------------------------------------------------


def _stoppable(box: Box, kind: str) -> list[str | Path]:
    """Words of a command that works for long."""
    log = long_csv(box)
    makers: dict[str, Any] = {
        "check": lambda: ["check", log],
        "propose": lambda: ["propose", log, "--setup", plain_setup(box), "--out", "out"],
        "coverage": lambda: ["coverage", log, "--setup", plain_setup(box)],
        "plan": lambda: ["plan", log, "--minutes", "20", "--setup", plain_setup(box)],
        "runs": lambda: ["runs", "--before", long_full_load(box), "--after", _after(box)],
        "rounds-add": lambda: ["rounds", "add", _started(box), log],
        "propose-workers": lambda: ["propose", *_copies(box, log), "--setup", plain_setup(box),
                                    "--out", "out", "--workers", "2"],
        "check-workers": lambda: ["check", *_copies(box, log), "--setup", plain_setup(box),
                                  "--workers", "2"],
        "report": lambda: ["report", "--before", long_full_load(box), "--after",
                           _after(box), "--out", "page.html"],
        "bomb-rows": lambda: ["check", _bomb(box, b"20.0,2000,80,1.0,90\n")],
        "bomb-blanks": lambda: ["check", _bomb(box, b" ")],
        "bomb-lines": lambda: ["check", _bomb(box, b"\n")],
        "bomb-workers": lambda: ["check", *_copies(box, _bomb(box, b"\n")), "--workers", "2",
                                 "--setup", plain_setup(box)],
        "axes": lambda: ["propose", SESSION, "--setup", _wide(box), "--out", "out"],
        "many-logs": lambda: ["propose", *_copies(box, SESSION, 60), "--setup", PETROL, "--out",
                              "out"],
        "many-logs-workers": lambda: ["propose", *_copies(box, SESSION, 60), "--setup", PETROL,
                                      "--out", "out", "--workers", "2"],
        "mdf": lambda: ["check", _long_mdf(box)],
    }  # fmt: skip
    return makers[kind]()


KINDS = (
    "check", "propose", "coverage", "plan", "runs", "rounds-add", "propose-workers",
    "check-workers", "report", "bomb-rows", "bomb-blanks", "bomb-lines", "bomb-workers", "axes",
    "many-logs", "many-logs-workers", "mdf",
)  # fmt: skip


def _after(box: Box) -> Path:
    """Return a log that differs from the one before in a remark only."""
    path = box.shared / "after.csv"
    if not path.exists():
        path.write_bytes(b"# after\n" + long_full_load(box).read_bytes())
    return path


QUICK = (
    "check", "coverage", "bomb-rows", "bomb-blanks", "bomb-lines", "bomb-workers", "axes", "mdf",
)  # fmt: skip
"""Kinds that a fast computer or a bound may end before the signal comes."""


def _started(box: Box, name: str = "tune") -> Path:
    box.run("rounds", "start", name, "--setup", plain_setup(box))
    return box.work / name


def _copies(box: Box, path: Path, count: int = 3) -> list[Path]:
    """Return links to a log under several names."""
    made = []
    for number in range(count):
        link = box.work / f"{number}-{path.name}"
        if path.stat().st_size < 10_000_000:
            link.write_bytes(path.read_bytes() + b"\n" * number)
        else:
            link.symlink_to(path)
        made.append(link)
    return made


def _bomb(box: Box, word: bytes) -> Path:
    piece = word * (32 * 2**20 // len(word))
    return write_packed(box.work / "bomb.csv.zst", "zstd", HEAD + ROWS, piece, 3000)


def _wide(box: Box) -> Path:
    from hostile_folders import _with_channels
    from hostile_list import square_setup

    return _with_channels(square_setup(box, 40))


def _long_mdf(box: Box) -> Path:
    import numpy as np
    from asammdf import MDF, Signal

    kept = box.shared / "long.mf4"
    if not kept.exists():
        frame = samples()
        times = 250
        stamps = np.arange(times * len(frame)) / 10.0
        with MDF(version="4.10") as file:
            signals = [
                Signal(np.tile(frame[name].to_numpy(), times), stamps, name=name)
                for name in list(frame)[1:]
            ]
            file.append(signals, common_timebase=True)
            file.save(kept, overwrite=True)
    return kept


@each(
    "Stopping", "Ctrl-C", {f"{kind}-{s:g}-s": (kind, s) for kind in KINDS for s in (0.3, 1.5, 4.0)}
)
def interrupt(box: Box, variant: tuple[str, float]) -> Iterable[Act]:
    kind, after_s = variant
    right = INTERRUPTED | ({-signal.SIGINT} if after_s < 0.5 else frozenset())
    may_end = kind in QUICK and after_s > 1.0
    yield Act(_stoppable(box, kind), right, signal=signal.SIGINT, after_s=after_s, may_end=may_end)


@each(
    "Stopping",
    "the process is told to end",
    {f"{k}-{s:g}-s": (k, s) for k in KINDS for s in (1.5, 4.0)},
)
def terminate(box: Box, variant: tuple[str, float]) -> Iterable[Act]:
    kind, after_s = variant
    yield Act(
        _stoppable(box, kind), ENDED, signal=signal.SIGTERM, after_s=after_s, may_end=kind in QUICK
    )


@each(
    "Stopping",
    "stopped while standard input is saved",
    {f"{name}-{signal.Signals(number).name.lower()}": (name, number)
     for name in ("check", "rounds-add") for number in (signal.SIGINT, signal.SIGTERM)},
)  # fmt: skip
def spooled(box: Box, variant: tuple[str, int]) -> Iterable[Act]:
    name, number = variant
    words = ["check", "-"] if name == "check" else ["rounds", "add", _started(box), "-"]
    right = INTERRUPTED if number == signal.SIGINT else ENDED
    for after_s in (0.8, 3.0):
        yield Act(
            words, right, signal=number, after_s=after_s, feed=long_csv(box), may_end=True,
            is_loose=True,
        )  # fmt: skip
        if name != "check":
            words = ["rounds", "add", _started(box, f"tune-{after_s:g}"), "-"]
    pipe = box.root / "pipe"
    os.mkfifo(pipe)
    writer = subprocess.Popen(["sleep", "30"], stdout=os.open(pipe, os.O_RDWR))
    box.at_end.callback(writer.kill)
    yield Act(words, right, signal=number, after_s=2.0, feed=pipe, note="a pipe that stays silent")


# --- clusters -------------------------------------------------------------------------------------

CLUSTER_SECONDS = 16.0
"""Ten seconds of patience, and the start of the program with its libraries. [s]"""


def _scheduler(box: Box, text: str) -> str:
    """Start a scheduler of its own process; returns its address."""
    script = box.root / "scheduler.py"
    script.write_text(text, encoding="utf-8")
    places = os.pathsep.join(map(str, (box.runner.tree,)))
    process = subprocess.Popen(
        [python(), str(script)], stdout=subprocess.PIPE, text=True, cwd=box.root,
        stderr=subprocess.DEVNULL, env={**os.environ, "PYTHONPATH": places},
    )  # fmt: skip
    stack = box.at_end
    stack.callback(process.wait)
    stack.callback(process.kill)
    assert process.stdout is not None
    return process.stdout.readline().strip()


_ALONE = """
import asyncio
from distributed import Scheduler
async def go():
    async with Scheduler(port=0, host="127.0.0.1", dashboard=False, dashboard_address=":0") as s:
        print(s.address, flush=True)
        await asyncio.sleep(120)
asyncio.run(go())
"""
_ROGUE = """
import asyncio, types
from distributed import Scheduler, Worker
import tuneassist.parallel as program
class Evil:
    def __reduce__(self):
        return (__import__("os").system, ("touch ../marker",))
def rogue(*args, **kwargs):
    return Evil()
for name, value in list(vars(program).items()):
    if isinstance(value, types.FunctionType) and value.__module__ == program.__name__:
        setattr(program, name, rogue)
async def go():
    async with Scheduler(port=0, host="127.0.0.1", dashboard_address=":0") as s:
        async with Worker(s.address, nthreads=1, dashboard_address=":0"):
            print(s.address, flush=True)
            await asyncio.sleep(120)
asyncio.run(go())
"""


def _act_on(address: str, **also: Any) -> Act:
    words = ["check", SESSION, "--setup", PETROL, "--scheduler", address]
    return Act(words, REFUSED, limit_s=CLUSTER_SECONDS, **also)


@attack("Cluster", "a scheduler that takes the call and says nothing")
def scheduler_silent(box: Box) -> Iterable[Act]:
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen(50)
        yield _act_on(f"tcp://127.0.0.1:{listening.getsockname()[1]}")


@attack("Cluster", "nobody at the address")
def scheduler_nobody(box: Box) -> Iterable[Act]:
    for address in ("tcp://127.0.0.1:9", "tcp://192.0.2.1:8786", "no address", "tcp://[::1", ""):
        yield _act_on(address, note=address)


@attack("Cluster", "a scheduler without workers")
def scheduler_alone(box: Box) -> Iterable[Act]:
    yield _act_on(_scheduler(box, _ALONE))


@attack("Cluster", "Ctrl-C while a scheduler is waited for")
def scheduler_stopped(box: Box) -> Iterable[Act]:
    words = ["check", SESSION, "--setup", PETROL, "--scheduler", _scheduler(box, _ALONE)]
    yield Act(words, INTERRUPTED, signal=signal.SIGINT, after_s=4.0)


@attack("Cluster", "a worker that answers with code: not run, or the help says so")
def scheduler_rogue(box: Box) -> Iterable[Act]:
    address = _scheduler(box, _ROGUE)
    time.sleep(0.5)
    said = box.run("check", "--help").out.casefold()
    words = ["check", SESSION, "--setup", PETROL, "--scheduler", address]
    is_said = "trust" in said or "run code" in said or "runs code" in said

    def removed(ran: Ran) -> Sequence[str]:
        ran_payload = box.marker.exists()
        if is_said:
            box.marker.unlink(missing_ok=True)
        return [] if is_said or not ran_payload else ["a worker ran code here, and no word of it"]

    yield Act(words, frozenset({0, 3}), must=removed)
