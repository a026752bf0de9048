"""The loop, killed at every step, and what is left of it.

Killed in two ways: in this process at every single call that touches the disk, after which nothing
more is let through, as with a dead process; and the installed command, by a real kill.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import filelock
import numpy as np
import pytest
from typer.testing import CliRunner

from tuneassist import pipeline
from tuneassist.cli.app import app
from tuneassist.files.grid_file import read_grid, write_grid_text
from tuneassist.files.tune_folder import read_tune
from tuneassist.files.tune_layout import restore_layout
from tuneassist.loop.history import RoundEntry
from tuneassist.pipeline import reduce_log
from tuneassist.simulate import SessionPlan, draw_engine, simulate_session
from tuneassist.simulate.logs import Dialect, standard_columns, write_log
from tuneassist.simulate.sample_logs import setup_text
from tuneassist.workflow import round_evaluation
from tuneassist.workflow.round_evaluation import evaluate_round

ENGINE = draw_engine(np.random.default_rng(41))
PLAN = SessionPlan(holds=10, rate_hz=5, warm_up_s=0, gaps=0, hold_s=(6.0, 8.0))
COMMANDS = (
    ("start", "tune", "--setup", "car.toml"),
    ("add", "tune", "1.csv"),
    ("accept", "tune"),
    ("add", "tune", "2.csv"),
    ("reject", "tune"),
    ("status", "tune"),
    ("undo", "tune"),
    ("setup", "tune", "new.toml"),
    ("accept", "tune", "--grid", "mine.csv", "--despite", "by ear"),
    ("restore", "tune", "0"),
    ("accept", "tune"),
    ("undo", "tune"),
)
STEP_FILES = {"round": 11, "loaded": 3, "restored": 3, "setup": 2}


def write_car(home: Path, seed: int, name: str, grid: str | None = None) -> None:
    held = read_grid(home / grid, axes=ENGINE.car.axes) if grid else None
    session = simulate_session(ENGINE, PLAN, grid=held, rng=np.random.default_rng(seed))
    columns = standard_columns(session)
    write_log(home / name, session, Dialect(columns))
    text = setup_text(ENGINE.car, columns, rev_limit_rpm=6800)
    (home / "car.toml").write_text(text, encoding="utf-8")


def call(home: Path, *words: str) -> int:
    """Run a command in this process, in a folder."""
    write_inputs(home, words)
    named = [
        str(home / word) if word == "tune" or word.endswith((".csv", ".toml")) else word
        for word in words
    ]
    result = CliRunner().invoke(app, ["rounds", *named])
    if isinstance(result.exception, Killed):
        raise result.exception
    return result.exit_code


def write_inputs(home: Path, words: Sequence[str]) -> None:
    """What a command reads: another label, or a grid with a cell far beyond the rules."""
    if "new.toml" in words:
        text = (home / "car.toml").read_text(encoding="utf-8")
        (home / "new.toml").write_text(
            text.replace("[limits]\n", "[limits]\nmax_step_pct = 6.0\n", 1)
        )
    if "mine.csv" not in words:
        return
    grid = read_grid(home / "tune" / "round-02" / "grid.csv")
    values = grid.values.copy()
    values[3, 3] += 30.0
    text = write_grid_text(replace(grid, values=values))
    (home / "mine.csv").write_text(text, encoding="utf-8")


def seen(home: Path) -> dict[str, Any] | None:
    """Everything that counts of a tune, less times and marks; None before the start."""
    tune = home / "tune"
    if not (tune / "history.json").exists():
        assert not tune.exists() or not any(tune.iterdir())
        return None
    result = CliRunner().invoke(app, ["rounds", "status", str(tune), "--json"])
    assert result.exit_code == 0, result.output
    history = json.loads((tune / "history.json").read_text(encoding="utf-8"))
    folders = sorted(path for path in tune.iterdir() if path.name.split("-")[0] in STEP_FILES
                     and path.is_dir())  # fmt: skip
    for folder in folders:
        assert len(list(folder.iterdir())) == STEP_FILES[folder.name.split("-")[0]]
    return {
        "status": json.loads(result.stdout.replace(json.dumps(str(home))[1:-1], "home")),
        "events": [event["kind"] for event in history["events"]],
        "grids": {
            folder.name: (folder / "grid.csv").read_text(encoding="utf-8")
            for folder in folders
            if not folder.name.startswith("setup-")
        },
    }


@pytest.fixture(scope="module")
def stages(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """The folder before each of the commands, and after the last."""
    home = tmp_path_factory.mktemp("loop") / "0"
    home.mkdir()
    write_car(home, 1, "1.csv")
    folders = [home]
    for number, command in enumerate(COMMANDS):
        after = home.parent / str(number + 1)
        shutil.copytree(folders[-1], after)
        if command[-1] == "2.csv":
            write_car(after, 2, "2.csv", "tune/round-01/grid.csv")
            shutil.copy(after / "2.csv", folders[-1])
        assert call(after, *command) == 0, command
        folders.append(after)
    return folders


class Killed(BaseException):
    """The process is gone."""


class Killer:
    """Let some calls that touch the disk pass, then none any more."""

    def __init__(self, patch: pytest.MonkeyPatch, good: int) -> None:
        self.left = good
        for owner, name in (
            (os, "fsync"),
            (Path, "mkdir"),
            (Path, "rename"),
            (Path, "replace"),
            (shutil, "rmtree"),
        ):
            patch.setattr(owner, name, self.wrapped(getattr(owner, name)))
        patch.setattr(Path, "open", self.wrapped_open(Path.open))

    def count(self) -> None:
        self.left -= 1
        if self.left < 0:
            raise Killed

    def wrapped(self, real: Callable[..., Any]) -> Callable[..., Any]:
        def call(*args: Any, **kwargs: Any) -> Any:
            self.count()
            return real(*args, **kwargs)

        return call

    def wrapped_open(self, real: Callable[..., Any]) -> Callable[..., Any]:
        """Count only what is opened to be written."""

        def call(path: Path, mode: str = "r", *args: Any, **kwargs: Any) -> Any:
            if not set(mode) & set("wxa"):
                return real(path, mode, *args, **kwargs)
            self.count()
            stream = real(path, mode, *args, **kwargs)
            try:
                self.count()  # opened, which empties what was there, and not yet written
            except Killed:
                stream.close()
                raise
            return stream

        return call


@pytest.fixture
def remembered(monkeypatch: pytest.MonkeyPatch) -> None:
    """Work out each round's numbers once: they are not what is tested, and the disk is."""
    kept: dict[str, Any] = {}

    def reduced(*args: Any, **kwargs: Any) -> Any:
        name = f"log {kwargs['name']}"
        if name not in kept:
            kept[name] = reduce_log(*args, **kwargs)
        return kept[name]

    def judged(*args: Any, mark: RoundEntry, **kwargs: Any) -> round_evaluation.EvaluatedRound:
        if mark.name not in kept:
            kept[mark.name] = evaluate_round(*args, mark=mark, **kwargs)
        found: round_evaluation.EvaluatedRound = kept[mark.name]
        return replace(found, mark=replace(found.mark, made=mark.made))

    monkeypatch.setattr(pipeline, "reduce_log", reduced)
    monkeypatch.setattr(round_evaluation, "evaluate_round", judged)


@pytest.mark.usefixtures("remembered")
@pytest.mark.parametrize("number", range(len(COMMANDS)), ids=[c[0] for c in COMMANDS])
def test_killed_at_any_call_a_command_has_happened_or_not_and_can_be_repeated(
    stages: list[Path], tmp_path: Path, number: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    command = COMMANDS[number]
    before, after = seen(stages[number]), seen(stages[number + 1])
    kills = 0
    while True:
        home = tmp_path / str(kills)
        shutil.copytree(stages[number], home)
        with monkeypatch.context() as patch:
            Killer(patch, kills)
            try:
                call(home, *command)
            except Killed:
                pass
            else:
                break
        kills += 1
        left = seen(home)
        assert left in (before, after), kills
        if left == before and command[0] != "status":
            assert call(home, *command) == 0, kills
        assert seen(home) == after, kills
        shutil.rmtree(home)
    assert kills >= {"start": 10, "add": 15, "status": 0}.get(command[0], 3)


STOPPER = """
import os, pathlib, signal
_left = int(os.environ["KILL_AT"])
def _counted(real):
    def call(*args, **kwargs):
        global _left
        _left -= 1
        if _left < 0:
            if hasattr(signal, "SIGKILL"):
                os.kill(os.getpid(), signal.SIGKILL)
            os._exit(9)
        return real(*args, **kwargs)
    return call
os.fsync = _counted(os.fsync)
pathlib.Path.rename = _counted(pathlib.Path.rename)
pathlib.Path.replace = _counted(pathlib.Path.replace)
"""


def installed(home: Path, *words: str, kill_at: int | None = None) -> int:
    """Run the installed command, killed at a call that touches the disk, or not."""
    program = Path(sys.executable).with_name("tuneassist" + (".exe" if os.name == "nt" else ""))
    env = {**os.environ}
    if kill_at is not None:
        (home / "stopper").mkdir(exist_ok=True)
        (home / "stopper" / "sitecustomize.py").write_text(STOPPER, encoding="utf-8")
        paths = [str(home / "stopper"), env.get("PYTHONPATH", "")]
        env |= {"KILL_AT": str(kill_at), "PYTHONPATH": os.pathsep.join(p for p in paths if p)}
    done = subprocess.run(
        [program, "rounds", *words], cwd=home, env=env, capture_output=True, check=False, timeout=60
    )
    assert b"Traceback" not in done.stderr
    return done.returncode


KILL_AT = {"start": 4, "add": 10, "accept": 1, "reject": 0, "undo": 2, "restore": 3, "setup": 3}
"""Calls let through: inside the folder, inside the round, before and after the history's rename."""


def test_the_installed_loop_survives_a_kill_at_every_step(
    stages: list[Path], tmp_path: Path
) -> None:
    home = tmp_path / "home"
    shutil.copytree(stages[0], home)
    for number, command in enumerate(COMMANDS):
        before, after = seen(stages[number]), seen(stages[number + 1])
        if command[-1] == "2.csv":
            shutil.copy(stages[number] / "2.csv", home)
        write_inputs(home, command)
        if command[0] in KILL_AT:
            assert installed(home, *command, kill_at=KILL_AT[command[0]]) != 0, command
            # the lock belongs to the process, and not to the file that it leaves behind
            assert command[0] == "start" or (home / "tune" / ".tuneassist-lock").exists()
        left = seen(home)
        assert left in (before, after), command
        if left == before:
            assert installed(home, *command) == 0, command
        assert seen(home) == after, command


def test_a_second_program_is_refused_while_one_works(stages: list[Path], tmp_path: Path) -> None:
    home = tmp_path / "home"
    shutil.copytree(stages[2], home)
    with filelock.FileLock(home / "tune" / ".tuneassist-lock"):
        assert installed(home, "accept", "tune") == 3
    assert call(home, "accept", "tune") == 0


def test_tidying_is_done_when_nothing_is_left_to_do(stages: list[Path], tmp_path: Path) -> None:
    home = tmp_path / "home"
    shutil.copytree(stages[4], home)
    tune = read_tune(home / "tune")
    wanted = replace(tune.state, rounds=())
    restore_layout(tune.path, wanted)
    names = sorted(path.name for path in (tune.path / "kept").iterdir())
    assert names == ["round-01-1", "round-02-1"]
    restore_layout(tune.path, tune.state)
    restore_layout(tune.path, tune.state)
    assert seen(home) == seen(stages[4])
