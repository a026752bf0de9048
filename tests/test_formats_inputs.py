"""What stands for logs on the command line: folders, patterns, pipes, and what is left out."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from pathlib import Path

import pytest
import typer

from tuneassist.cli.inputs import find_logs, refuse_both
from tuneassist.errors import LogError

SAMPLES = Path(__file__).resolve().parent.parent / "sample_logs"
LOG = SAMPLES / "petrol-session-1.csv"
ROWS = "Time (s),RPM\n" + "".join(f"{i},{900 + i}\n" for i in range(30))
posix_only = pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="pipes in the file system")


def filled(folder: Path) -> Path:
    texts = {
        "a.csv": ROWS,
        "b.txt": ROWS,
        "c.LOG": ROWS.split("\n", 1)[1],  # without its header it is still a log, to be refused
        "notes.txt": "Monday, cold, 12 degrees\nchanged plugs\n",
        "grid.csv": "rpm/load,1,2\n1000,0,0\n",
        "car.toml": "[axes]\n",
        "short.dat": "Time (s);RPM\n0,1;900\n0,2;901\n0,3;902\n0,4;903\n0,5;903\n",
    }
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder


@pytest.mark.parametrize("typed", ["", "*"])
def test_a_folder_and_a_pattern_leave_out_the_same_and_name_it(tmp_path, capsys, typed) -> None:
    found = find_logs([filled(tmp_path) / typed])
    assert [path.name for path in found] == ["a.csv", "b.txt", "c.LOG", "short.dat"]
    said = capsys.readouterr().err
    for name in ("grid.csv", "notes.txt", "car.toml"):
        assert f"left out ({name})" in said


def test_a_pattern_of_another_suffix_is_taken_at_its_word(tmp_path) -> None:
    (tmp_path / "a.xyz").write_text(ROWS, encoding="utf-8")
    assert [path.name for path in find_logs([tmp_path / "*.xyz"])] == ["a.xyz"]
    with pytest.raises(LogError, match=r"no log matches.*car\.toml"):
        find_logs([filled(tmp_path) / "*.toml"])


def test_a_file_that_is_named_is_read_whatever_it_is(tmp_path) -> None:
    notes = filled(tmp_path) / "notes.txt"
    assert find_logs([notes]) == [notes]


@posix_only
def test_a_pipe_that_is_named_is_read_once_and_whole(tmp_path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    writer = threading.Thread(target=lambda: pipe.write_bytes(LOG.read_bytes()))
    writer.start()
    (found,) = find_logs([pipe])
    writer.join()
    assert found.read_bytes() == LOG.read_bytes()
    assert found.name == "pipe"


@posix_only
def test_a_closed_standard_input_is_an_input_that_cannot_be_used() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "tuneassist", "check", "-"],
        capture_output=True,
        check=False,
        preexec_fn=lambda: os.close(0),
    )
    assert done.returncode == 3
    assert b"standard input: it is closed" in done.stderr


def test_workers_beside_a_scheduler_are_wrong_usage() -> None:
    with pytest.raises(typer.BadParameter, match="--workers and --scheduler"):
        refuse_both(2, "tcp://host:8786")
    refuse_both(1, "tcp://host:8786")
    refuse_both(4, None)
    done = subprocess.run(
        [sys.executable, "-m", "tuneassist", "check", str(LOG), "--workers", "2",
         "--scheduler", "tcp://host:8786"],
        capture_output=True,
        check=False,
    )  # fmt: skip
    assert done.returncode == 2
