"""Hostile inputs against the command line: what it does, how long it takes, how much memory.

Run ``python benchmarks/hostile.py``. It needs Linux (sessions, signals, ``/proc``) and the extras
``mdf``, ``report`` and ``cluster``. Useful options::

    --list                  names and what each is about
    --only PATTERN          a part of the name or of the item, or a regular expression; repeatable
    --tree FOLDER           the source tree whose program is attacked; left out: this one
    --program "WORDS"       how it is started; left out: this interpreter with -m tuneassist
    --path FOLDER           goes before everything on the search path, such as another version of a
                            library; repeatable
    --busy                  others work on this computer: limits of time grow with the load average
    --json FILE             figures of every command as well
    --before FILE           such a JSON of another tree; its verdicts stand beside these
    --keep FOLDER           keep what was built there

Each attack builds its files in a temporary folder, runs one command or several there and judges
them: at most 60 s and 2 GB, the exit status by the contract, no traceback, nothing written where it
does not belong, no payload run, no marks a terminal acts on, Ctrl-C obeyed within 2 s. A command
that takes 90 s or 4 GB is ended from outside, so that a tree that fails can be measured safely.
Ends with 1 when any attack succeeds. The disk needs some 4 GB for the moment.
"""

from __future__ import annotations

import argparse
import json
import re
import shlex
import subprocess
import sys
import tempfile
import time
import traceback
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent)]

import hostile_folders  # noqa: E402, F401  (registers its attacks)
import hostile_logs  # noqa: E402, F401
import hostile_names  # noqa: E402, F401
from hostile_box import Box, Ran, Runner, judge, python  # noqa: E402
from hostile_list import ATTACKS, Attack  # noqa: E402
from rich.console import Console  # noqa: E402
from rich.table import Table  # noqa: E402

MOST_WORDS = 160
"""Characters of what is wrong that the table shows. [1]"""


@dataclass
class Verdict:
    """What became of one attack."""

    name: str
    item: str
    about: str
    wall_s: float = 0.0
    cpu_s: float = 0.0
    peak_mib: float = 0.0
    stop_s: float = 0.0
    statuses: list[int] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)
    message: str = ""

    def heard(self, ran: Ran, wrong: list[str]) -> None:
        """Add what one command did."""
        self.wall_s, self.cpu_s = max(self.wall_s, ran.wall_s), max(self.cpu_s, ran.cpu_s)
        self.peak_mib = max(self.peak_mib, ran.peak_mib)
        if ran.stop_s == ran.stop_s:
            self.stop_s = max(self.stop_s, ran.stop_s)
        self.statuses.append(ran.status)
        self.wrong += wrong
        self.message = ran.err[:300]


def try_attack(attack: Attack, root: Path, runner: Runner, shared: Path) -> Verdict:
    """Build an attack, run its commands and judge them."""
    verdict = Verdict(attack.name, attack.item, attack.about)
    box = Box(root, runner, shared)
    try:
        for act in attack.build(box):
            verdict.heard(*judge(box, act))
    except Exception:
        verdict.wrong.append(f"could not be built: {traceback.format_exc(limit=-2)}")
    finally:
        attack.tear_down()
    return verdict


def chosen(patterns: list[str]) -> list[Attack]:
    if not patterns:
        return list(ATTACKS)
    tests = [re.compile(pattern, re.IGNORECASE) for pattern in patterns]
    return [a for a in ATTACKS if any(t.search(f"{a.item} {a.name}") for t in tests)]


def require_tree(runner: Runner, home: Path) -> None:
    """Make sure that the tree that was asked for is the one that is attacked."""
    box = Box(home / "first", runner, home)
    words = [python(), "-c", "import tuneassist; print(tuneassist.__file__)"]
    environment = runner.environment(box, ())
    found = subprocess.run(
        words, env=environment, cwd=box.work, capture_output=True, text=True, check=False
    )
    place = Path(found.stdout.strip() or ".").resolve()
    if runner.tree.resolve() not in place.parents:
        sys.exit(f"{runner.tree}: its program is not the one that would be run ({place})")


def show(verdicts: list[Verdict], before: dict[str, Any]) -> None:
    table = Table(title="Hostile inputs", show_lines=False)
    for name in ("item", "attack"):
        table.add_column(name, overflow="fold")
    for name in ("status", "s", "MiB", "stop s"):
        table.add_column(name, justify="right")
    for name in ("before", "now") if before else ("now",):
        table.add_column(name, overflow="fold")
    for v in verdicts:
        kinds = ",".join(map(str, dict.fromkeys(v.statuses)))
        stop = f"{v.stop_s:.1f}" if v.stop_s else ""
        row = [v.item, v.name, kinds, f"{v.wall_s:.1f}", f"{v.peak_mib:.0f}", stop]
        if before:
            row.append(verdict_words(before.get(v.name, {}).get("wrong")))
        table.add_row(*row, verdict_words(v.wrong), style="" if not v.wrong else "bold")
    Console(width=None if sys.stdout.isatty() else 200, markup=False).print(table)


def verdict_words(wrong: list[str] | None) -> str:
    if wrong is None:
        return "not tried"
    if not wrong:
        return "stands"
    words = "; ".join(dict.fromkeys(" ".join(one.split()) for one in wrong))
    return words if len(words) <= MOST_WORDS else words[: MOST_WORDS - 3] + "..."


def arguments() -> argparse.Namespace:
    kind = argparse.RawDescriptionHelpFormatter
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=kind)
    parser.add_argument("--only", action="append", default=[], metavar="PATTERN")
    parser.add_argument("--list", action="store_true")
    parser.add_argument("--tree", type=Path, default=HERE.parent)
    parser.add_argument("--program", default=f"{shlex.quote(python())} -m tuneassist")
    parser.add_argument("--path", type=Path, action="append", default=[])
    parser.add_argument("--busy", action="store_true")
    parser.add_argument("--json", type=Path)
    parser.add_argument("--before", type=Path)
    parser.add_argument("--keep", type=Path)
    return parser.parse_args()


def run_all(asked: argparse.Namespace, root: Path) -> list[Verdict]:
    home, shared = root / "home", root / "shared"
    for folder in (home, shared):
        folder.mkdir(parents=True, exist_ok=True)
    tree = asked.tree.resolve()
    runner = Runner(tuple(shlex.split(asked.program)), tree, home, tuple(asked.path), asked.busy)
    require_tree(runner, home)
    verdicts = []
    for attack in chosen(asked.only):
        with tempfile.TemporaryDirectory(dir=root, ignore_cleanup_errors=True) as folder:
            place = asked.keep / attack.name if asked.keep else Path(folder) / "box"
            verdict = try_attack(attack, place, runner, shared)
        verdicts.append(verdict)
        line = f"{verdict.wall_s:6.1f} s {verdict.peak_mib:6.0f} MiB"
        print(f"{line}  {attack.name}: {verdict_words(verdict.wrong)}", file=sys.stderr, flush=True)
        if asked.json:
            record = {v.name: asdict(v) for v in verdicts}
            asked.json.write_text(json.dumps(record, indent=1), encoding="utf-8")
    return verdicts


def main() -> None:
    asked = arguments()
    if asked.list:
        for attack in chosen(asked.only):
            print(f"{attack.item:24} {attack.name:32} {attack.about}")
        return
    start = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="hostile-", ignore_cleanup_errors=True) as folder:
        verdicts = run_all(asked, Path(folder))
    before = json.loads(asked.before.read_text(encoding="utf-8")) if asked.before else {}
    show(verdicts, before)
    lost = sum(bool(v.wrong) for v in verdicts)
    print(f"{len(verdicts)} attacks, {lost} succeeded, {time.monotonic() - start:.0f} s")
    sys.exit(1 if lost else 0)


if __name__ == "__main__":
    main()
