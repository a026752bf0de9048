"""Result folders: whole or not at all, whatever happens while they are written."""

import errno
import itertools
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tuneassist.errors import InputError, OutputError
from tuneassist.files import result_writer
from tuneassist.files.result_writer import RESULT_FILES, recover_interrupted, write_proposal
from tuneassist.files.serialise import frame_csv, sha256_of, stable_json

OLD = {name: f"old {name}\n" for name in RESULT_FILES}
NEW = {name: f"new {name}\n".encode() for name in RESULT_FILES}


def _read(folder):
    return {path.name: path.read_text(encoding="utf-8") for path in folder.iterdir()}


def _words(contents):
    return {k: v if isinstance(v, str) else v.decode("utf-8") for k, v in contents.items()}


def _names(folder):
    return sorted(path.name for path in folder.iterdir())


def test_a_new_folder_holds_exactly_the_files_byte_for_byte(tmp_path):
    contents = {"step.csv": "größe,\u03bb\n", "grid.csv": b"\xff\x00\r\n"}
    assert write_proposal(tmp_path / "out", contents) == (tmp_path / "out").resolve()
    assert (tmp_path / "out/step.csv").read_bytes() == "größe,\u03bb\n".encode()
    assert (tmp_path / "out/grid.csv").read_bytes() == b"\xff\x00\r\n"
    assert _names(tmp_path) == ["out"]
    assert _names(tmp_path / "out") == ["grid.csv", "step.csv"]


def test_an_empty_folder_is_taken(tmp_path):
    (tmp_path / "out").mkdir()
    write_proposal(tmp_path / "out", OLD)
    assert _read(tmp_path / "out") == OLD
    assert _names(tmp_path) == ["out"]


def test_an_earlier_result_is_replaced_only_when_asked(tmp_path):
    out = tmp_path / "out"
    write_proposal(out, OLD)
    with pytest.raises(OutputError, match="already holds a result"):
        write_proposal(out, NEW)
    assert _read(out) == OLD
    write_proposal(out, NEW, overwrite=True)
    assert _read(out) == _words(NEW)
    assert _names(tmp_path) == ["out"]


def test_a_file_of_the_earlier_result_that_the_new_one_lacks_does_not_stay(tmp_path):
    out = tmp_path / "out"
    write_proposal(out, OLD)
    write_proposal(out, {"step.csv": "x"}, overwrite=True)
    assert _names(out) == ["step.csv"]


@pytest.mark.parametrize("overwrite", [False, True])
@pytest.mark.parametrize("foreign", ["notes.txt", ".~lock.step.csv#", "photos/", "grid.csv/"])
@pytest.mark.parametrize("with_result", [False, True])
def test_a_folder_with_foreign_things_is_refused_and_left_alone(
    tmp_path, overwrite, foreign, with_result
):
    out = tmp_path / "out"
    write_proposal(out, {"step.csv": "old"})
    if not with_result:
        (out / "step.csv").unlink()
    if foreign.endswith("/"):
        (out / foreign).mkdir()
    else:
        (out / foreign).write_text("mine", encoding="utf-8")
    before = _names(out)
    with pytest.raises(OutputError, match="not results of this program") as caught:
        write_proposal(out, NEW, overwrite=overwrite)
    assert foreign.rstrip("/") in str(caught.value)
    assert _names(out) == before
    assert _names(tmp_path) == ["out"]


def test_a_foreign_file_that_comes_in_late_is_not_deleted(tmp_path, monkeypatch):
    out = tmp_path / "out"
    write_proposal(out, OLD)
    write_files = result_writer._write_files

    def late(*args):
        write_files(*args)
        (out / "notes.txt").write_text("mine", encoding="utf-8")

    monkeypatch.setattr(result_writer, "_write_files", late)
    with pytest.raises(OutputError, match=r"notes\.txt"):
        write_proposal(out, NEW, overwrite=True)
    assert _read(out) == {**OLD, "notes.txt": "mine"}
    assert _names(tmp_path) == ["out"]


def test_a_file_in_the_place_of_the_folder_is_refused(tmp_path):
    (tmp_path / "out").write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match="this is a file"):
        write_proposal(tmp_path / "out", NEW, overwrite=True)
    assert (tmp_path / "out").read_text(encoding="utf-8") == "mine"


def test_a_missing_parent_is_named_and_not_made(tmp_path):
    with pytest.raises(OutputError, match="missing or vanished"):
        write_proposal(tmp_path / "none" / "out", NEW)
    assert _names(tmp_path) == []


def test_the_root_is_no_place_for_a_result():
    with pytest.raises(OutputError, match="Name a folder inside it"):
        write_proposal(Path(Path.cwd().anchor), NEW)


@pytest.mark.parametrize("name", ["", ".", "..", "a/b", "a\\b", "c:d", "a\0b"])
def test_a_content_name_that_leaves_the_folder_is_a_mistake_of_the_caller(tmp_path, name):
    with pytest.raises(ValueError, match="not a plain file name"):
        write_proposal(tmp_path / "out", {name: "x"})
    assert _names(tmp_path) == []


def test_no_content_is_a_mistake_of_the_caller(tmp_path):
    with pytest.raises(ValueError, match="at least one file"):
        write_proposal(tmp_path / "out", {})


def test_a_link_to_a_folder_keeps_pointing_there(tmp_path):
    (tmp_path / "real").mkdir()
    try:
        (tmp_path / "link").symlink_to(tmp_path / "real", target_is_directory=True)
    except OSError:
        pytest.skip("this account may not make links")
    write_proposal(tmp_path / "link", OLD)
    write_proposal(tmp_path / "link", NEW, overwrite=True)
    assert (tmp_path / "link").is_symlink()
    assert _read(tmp_path / "real") == _words(NEW)


# --- failures at every call ---------------------------------------------------------------------


class _Breaker:
    """Let the first ``good`` file-system calls pass and break the one after them."""

    def __init__(self, monkeypatch, good, act):
        self.left, self.act, self.is_broken = good, act, False
        for owner, name in (
            (os, "fsync"),
            (Path, "mkdir"),
            (Path, "rename"),
            (Path, "open"),
            (shutil, "rmtree"),
        ):
            monkeypatch.setattr(owner, name, self._wrap(getattr(owner, name)))

    def _wrap(self, real):
        def call(*args, **kwargs):
            if not self.is_broken:
                self.left -= 1
                if self.left < 0:
                    self.is_broken = True
                    self.act()
            return real(*args, **kwargs)

        return call


def _raiser(code):
    def act():
        raise OSError(code, os.strerror(code))

    return act


@pytest.mark.parametrize(
    ("code", "said"),
    [
        (errno.ENOSPC, "the disk is full"),
        (errno.EROFS, "may not write there"),
        (errno.EACCES, "may not write there"),
        (errno.EIO, os.strerror(errno.EIO)),
    ],
)
@pytest.mark.parametrize("had", ["nothing", "empty", "result"])
def test_an_error_at_any_call_leaves_what_was_there(tmp_path, monkeypatch, code, said, had):
    failures = 0
    for good in itertools.count():
        parent = tmp_path / str(good)
        parent.mkdir()
        out = parent / "out"
        if had == "empty":
            out.mkdir()
        elif had == "result":
            write_proposal(out, OLD)
        with monkeypatch.context() as patch:
            breaker = _Breaker(patch, good, _raiser(code))
            try:
                write_proposal(out, NEW, overwrite=True)
            except OutputError as error:
                failures += 1
                assert said in str(error)
                assert str(out) in str(error)
                assert "\n" not in str(error)
                assert out.exists() == (had != "nothing")
                if had != "nothing":
                    assert _read(out) == (OLD if had == "result" else {})
                assert _names(parent) == (["out"] if had != "nothing" else [])
                continue
        assert _read(out) == _words(NEW)
        if not breaker.is_broken:
            assert _names(parent) == ["out"]
            break
    # 1 folder, 4 files, 4 + 2 (files, folders) syncs, 1 rename; one more rename to move it aside
    posix = 12 if had == "nothing" else 13
    assert failures == (posix if os.name != "nt" else posix - 2)


@pytest.mark.skipif(os.name == "nt", reason="the limit on file sizes is POSIX")
def test_a_write_that_the_system_cuts_short_leaves_what_was_there(tmp_path):
    """The kernel itself refuses the bytes (RLIMIT_FSIZE): no part of ours is replaced."""
    out = tmp_path / "out"
    write_proposal(out, OLD)
    code = (
        "import resource, signal, sys\n"
        "from pathlib import Path\n"
        "from tuneassist.errors import OutputError\n"
        "from tuneassist.files.result_writer import RESULT_FILES, write_proposal\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (50_000, 50_000))\n"
        "try:\n"
        "    write_proposal(Path(sys.argv[1]), {n: b'x' * 40_000 * (i + 1)\n"
        "        for i, n in enumerate(RESULT_FILES)}, overwrite=True)\n"
        "except OutputError as error:\n"
        "    print(error)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(out)], capture_output=True, text=True, check=True
    )
    assert "the result cannot be written" in done.stdout
    assert _read(out) == OLD
    assert _names(tmp_path) == ["out"]


def test_an_interrupt_from_the_keyboard_leaves_what_was_there(tmp_path, monkeypatch):
    def stop():
        raise KeyboardInterrupt

    for good in range(13):
        parent = tmp_path / str(good)
        parent.mkdir()
        write_proposal(parent / "out", OLD)
        with monkeypatch.context() as patch:
            _Breaker(patch, good, stop)
            with pytest.raises(KeyboardInterrupt):
                write_proposal(parent / "out", NEW, overwrite=True)
        assert _read(parent / "out") == OLD
        assert _names(parent) == ["out"]


@pytest.mark.skipif(os.name == "nt", reason="open files keep their folder there")
@pytest.mark.parametrize("had", ["nothing", "result"])
def test_a_parent_that_vanishes_at_any_call_gives_one_message_and_no_part(
    tmp_path, monkeypatch, had
):
    failures = 0
    for good in range(20):
        parent = tmp_path / str(good)
        parent.mkdir()
        out = parent / "out"
        if had == "result":
            write_proposal(out, OLD)
        with monkeypatch.context() as patch:
            breaker = _Breaker(patch, good, lambda parent=parent: shutil.rmtree(parent))
            try:
                write_proposal(out, NEW, overwrite=True)
            except OutputError as error:
                failures += 1
                assert str(error).startswith(str(out))
                assert not parent.exists()
            else:
                assert not breaker.is_broken or not parent.exists()
    assert failures >= 12


@pytest.mark.skipif(os.name == "nt", reason="open files keep their folder there")
def test_a_writing_folder_that_vanishes_leaves_what_was_there(tmp_path, monkeypatch):
    out = tmp_path / "out"
    write_proposal(out, OLD)

    def vanish():
        for path in tmp_path.glob(".out.tuneassist-writing-*"):
            shutil.rmtree(path)

    for good in range(3, 12):
        with monkeypatch.context() as patch:
            _Breaker(patch, good, vanish)
            with pytest.raises(OutputError, match="missing or vanished"):
                write_proposal(out, NEW, overwrite=True)
        assert _read(out) == OLD
        assert _names(tmp_path) == ["out"]


@pytest.mark.skipif(os.name == "nt", reason="folder permissions are POSIX")
def test_a_read_only_folder_is_refused(tmp_path):
    parent = tmp_path / "shelf"
    parent.mkdir()
    parent.chmod(0o555)
    try:
        if os.access(parent, os.W_OK):
            pytest.skip("this account writes anywhere; EACCES and EROFS are raised in a test above")
        with pytest.raises(OutputError, match="may not write there"):
            write_proposal(parent / "out", NEW)
        assert _names(parent) == []
    finally:
        parent.chmod(0o755)


def test_a_system_without_folder_sync_still_writes(tmp_path, monkeypatch):
    real = os.fsync

    def fsync(handle):
        if os.fstat(handle).st_mode & 0o040000:
            raise OSError(errno.EINVAL, "no")
        real(handle)

    monkeypatch.setattr(os, "fsync", fsync)
    write_proposal(tmp_path / "out", NEW)
    assert _read(tmp_path / "out") == _words(NEW)


# --- what a killed run leaves, and the next one mends -------------------------------------------


def _aside(parent, suffix, contents):
    folder = parent / f".out.tuneassist-{suffix}"
    folder.mkdir()
    for name, content in contents.items():
        (folder / name).write_text(content, encoding="utf-8")


def test_killed_inside_the_swap_the_earlier_result_gets_its_name_back(tmp_path):
    _aside(tmp_path, "previous", OLD)
    _aside(tmp_path, "writing-00000000", _words(NEW))
    assert recover_interrupted(tmp_path / "out") is True
    assert _read(tmp_path / "out") == OLD
    assert _names(tmp_path) == ["out"]
    assert recover_interrupted(tmp_path / "out") is False


def test_killed_after_the_swap_the_new_result_stays(tmp_path):
    write_proposal(tmp_path / "out", NEW)
    _aside(tmp_path, "previous", OLD)
    assert recover_interrupted(tmp_path / "out") is False
    assert _read(tmp_path / "out") == _words(NEW)
    assert _names(tmp_path) == ["out"]


def test_a_half_deleted_folder_is_never_restored(tmp_path):
    _aside(tmp_path, "trash-00000000", {"step.csv": "old"})
    assert recover_interrupted(tmp_path / "out") is False
    assert _names(tmp_path) == []


def test_an_earlier_result_whose_deletion_was_cut_short_is_never_restored(tmp_path, monkeypatch):
    out = tmp_path / "out"
    write_proposal(out, OLD)

    def cut_short(folder):
        next(iter(folder.iterdir())).unlink()
        raise OSError(errno.EIO, "cut short")

    with monkeypatch.context() as patch:
        patch.setattr(shutil, "rmtree", cut_short)
        write_proposal(out, NEW, overwrite=True)
    assert len(_names(tmp_path)) == 2, "the rest of the earlier result should still be there"
    shutil.rmtree(out)  # by its owner
    assert recover_interrupted(out) is False
    assert _names(tmp_path) == []


def test_folders_of_other_outputs_are_not_touched(tmp_path):
    (tmp_path / ".out2.tuneassist-writing-00000000").mkdir()
    (tmp_path / "out.tuneassist-writing-00000000").mkdir()
    write_proposal(tmp_path / "out", NEW)
    assert len(_names(tmp_path)) == 3


def test_without_being_asked_a_mended_result_is_not_overwritten(tmp_path):
    _aside(tmp_path, "previous", OLD)
    with pytest.raises(OutputError, match="already holds a result"):
        write_proposal(tmp_path / "out", NEW)
    assert _read(tmp_path / "out") == OLD


LINES = 1000
WRITER = """
import sys
from pathlib import Path
from tuneassist.files.result_writer import RESULT_FILES, write_proposal

out = Path(sys.argv[1])
number = int(sys.argv[2])
write = sys.stdout.write
while True:
    number += 1
    body = f"{number}\\n" * 1000
    write_proposal(out, {name: body for name in RESULT_FILES}, overwrite=True)
    write(f"{number}\\n")
    sys.stdout.flush()
"""


def _state(out):
    """Number of the result that a reader finds; None for nothing. A mix fails the test."""
    if not out.exists():
        return None
    assert _names(out) == sorted(RESULT_FILES)
    bodies = {path.read_text(encoding="utf-8") for path in out.iterdir()}
    assert len(bodies) == 1, "files of two results in one folder"
    lines = bodies.pop().splitlines()
    assert len(lines) == LINES, "a file that was cut short"
    assert len(set(lines)) == 1
    return int(lines[0])


@pytest.mark.skipif(not hasattr(os, "fork"), reason="the states a kill leaves are tested above")
def test_200_kills_at_random_moments_never_leave_a_part_or_a_mix(tmp_path):
    """Each trial starts a writer that overwrites without end and kills it with SIGKILL.

    The trials run in a process of their own (`_kill_trials`), which forks the writers so that a
    trial takes milliseconds; the kill falls a random time after a writer's first finished result.
    """
    done = subprocess.run(
        [sys.executable, "-W", "ignore::DeprecationWarning", __file__, str(tmp_path / "out")],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    seen = json.loads(done.stdout)
    # the trials reached the states that matter, else they prove nothing
    assert seen["trials"] == 200
    assert seen["writing"] > 20
    assert seen["trash"] + seen["previous"] > 0
    write_proposal(tmp_path / "out", NEW, overwrite=True)
    assert _names(tmp_path) == ["out"]


@pytest.mark.skipif(not hasattr(os, "fork"), reason="the states a kill leaves are tested above")
def test_a_kill_before_each_single_call_leaves_the_old_or_the_new_result(tmp_path):
    done = subprocess.run(
        [sys.executable, "-W", "ignore::DeprecationWarning", __file__, str(tmp_path), "calls"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    # folder, four files, their syncs, the folder's sync: 10 calls before the earlier result moves,
    # at the 11th it moves; before the 12th it has no name and is restored; from the 13th call on,
    # the new one is in place: the parent's sync, then the two renames and deletions of the rest
    assert found[:11] == ["old"] * 11
    assert found[11] == "restored"
    assert found[12:] == ["new"] * len(found[12:])
    assert len(found) >= 15


def _kills_at_calls(parent):
    found = []
    for good in itertools.count():
        out = parent / str(good) / "out"
        out.parent.mkdir()
        write_proposal(out, OLD)
        child = os.fork()
        if child == 0:
            _Breaker(pytest.MonkeyPatch(), good, lambda: os.kill(os.getpid(), signal.SIGKILL))
            write_proposal(out, NEW, overwrite=True)
            os._exit(0)
        _, status = os.waitpid(child, 0)
        is_restored = recover_interrupted(out)
        assert _names(out.parent) == ["out"]
        assert _read(out) in (OLD, _words(NEW))
        name = "old" if _read(out) == OLD else "new"
        found.append("restored" if is_restored and name == "old" else name)
        if status == 0:
            return found
    return found


def _kill_trials(out, trials=200):
    rng = np.random.default_rng(20240229)
    seen = dict.fromkeys(("trials", "nothing", "previous", "writing", "trash"), 0)
    last = 0
    for _ in range(trials):
        last = _one_kill(out, last, float(rng.uniform(0.0, 0.012)), seen)
        seen["trials"] += 1
    return seen


def _one_kill(out, last, delay, seen):
    ready, told = os.pipe()
    child = os.fork()
    if child == 0:
        _write_without_end(out, last, told)
    os.close(told)
    with os.fdopen(ready, "rb", buffering=0) as pipe:
        first = pipe.read(8)
        assert int(first) == last + 1
        time.sleep(delay)
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        rest = pipe.readall()
    finished = int(rest[-8:]) if rest else int(first)
    names = _names(out.parent)
    for kind in ("previous", "writing", "trash"):
        seen[kind] += any(f"tuneassist-{kind}" in name for name in names)
    found = _state(out)
    if found is None:
        seen["nothing"] += 1
        assert recover_interrupted(out), "nothing to read and nothing to restore"
        found = _state(out)
    # complete old, or complete new that was in place before the writer could tell
    assert found in (finished, finished + 1)
    return found


def _write_without_end(out, number, told):
    try:
        while True:
            number += 1
            body = f"{number}\n" * LINES
            write_proposal(out, dict.fromkeys(RESULT_FILES, body), overwrite=True)
            os.write(told, b"%8d" % number)
    finally:
        os._exit(1)


@pytest.mark.parametrize("trial", range(4))
def test_two_writers_at_once_never_mix(tmp_path, trial):
    """The loser of a race is told; whoever reads finds one whole result or none."""
    out = tmp_path / "out"
    command = [sys.executable, "-c", WRITER, str(out)]
    writers = [
        subprocess.Popen(
            [*command, str(start)], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
        )
        for start in (0, 1_000_000)
    ]
    try:
        deadline = time.monotonic() + 8
        while time.monotonic() < deadline and all(w.poll() is None for w in writers):
            time.sleep(0.05)
        while time.monotonic() < deadline and not out.exists():
            time.sleep(0.01)
    finally:
        for writer in writers:
            writer.kill()
        said = [writer.communicate()[1] for writer in writers]
    assert all("OutputError" in text for text in said if text)
    recover_interrupted(out)
    assert _state(out) is not None


# --- text ---------------------------------------------------------------------------------------


def test_a_frame_is_written_plainly_and_read_back_by_pandas(tmp_path):
    frame = pd.DataFrame(
        {
            "rpm": [800.0, 1200.0],
            "samples": [3, 0],
            "step_pct": [0.1 + 0.2, np.nan],
            "grid_pct": [-0.00001, 1e-3],
            "reason": ["lean, fair", None],
        }
    )
    text = frame_csv(frame)
    assert text == (
        'rpm,samples,step_pct,grid_pct,reason\n800,3,0.3,0,"lean, fair"\n1200,0,,0.001,\n'
    )
    path = tmp_path / "cells.csv"
    path.write_text(text, encoding="utf-8", newline="")
    back = pd.read_csv(path)
    np.testing.assert_allclose(back["step_pct"], [0.3, np.nan])
    assert frame["step_pct"][0] == 0.1 + 0.2, "the caller's frame must not change"


def test_json_is_strict_ordered_and_the_same_each_time():
    record = {
        "zeta": np.float64(1.5),
        "alpha": float("nan"),
        "count": np.int64(3),
        "flag": np.bool_(True),
        "small": np.float32("nan"),
        "path": Path("a") / "b",
        "when": pd.Timestamp("2024-02-29T12:00:00Z"),
        "word": "größe",
        "list": [np.inf, (1, 2)],
    }
    text = stable_json(record)
    assert text == stable_json(dict(record))
    assert text.endswith("}\n")
    assert "größe" in text

    def refuse(word):
        raise AssertionError(f"{word} is no JSON")

    back = json.loads(text, parse_constant=refuse)
    assert list(back) == list(record)
    assert back["alpha"] is None
    assert back["small"] is None
    assert back["list"] == [None, [1, 2]]
    assert (back["count"], back["flag"], back["path"]) == (3, True, "a/b")
    assert back["when"] == "2024-02-29T12:00:00+00:00"


def test_json_refuses_what_has_no_form():
    with pytest.raises(TypeError, match="object cannot be written as JSON"):
        stable_json({"x": object()})


def test_the_fingerprint_is_the_standards(tmp_path):
    # FIPS 180-2, appendix B.1: SHA-256 of "abc"
    (tmp_path / "f").write_bytes(b"abc")
    assert sha256_of(tmp_path / "f") == (
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    )
    with pytest.raises(InputError, match="cannot be read"):
        sha256_of(tmp_path / "none")


if __name__ == "__main__":
    trials = _kills_at_calls if sys.argv[2:] == ["calls"] else _kill_trials
    sys.stdout.write(json.dumps(trials(Path(sys.argv[1]))))
