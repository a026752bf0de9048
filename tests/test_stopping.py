"""Stopped in mid-run: promptly, with the status of the signal, and nothing left behind.

Exit statuses are 128 and the signal's number, as POSIX shells report a signal (IEEE Std 1003.1,
2.8.2): 130 for SIGINT, 143 for SIGTERM.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

SAMPLES = Path(__file__).resolve().parent.parent / "sample_logs"
SETUP = SAMPLES / "petrol-setup.toml"
LOG = SAMPLES / "petrol-session-1.csv"
LONG_S = 60.0
"""What counts as never, on a machine that does other work as well. [s]"""
posix_only = pytest.mark.skipif(os.name == "nt", reason="signals are sent as POSIX has them")
linux_only = pytest.mark.skipif(sys.platform != "linux", reason="looks at /proc")

# The program with one of its own steps replaced, which says that it is there by making a file.
PROGRAM = """
import os, time
from pathlib import Path
from tuneassist import parallel, pipeline
ready, step = Path(os.environ["READY"]), os.environ["STEP"]

def wait_in_a_library(*_, **__):
    import ctypes
    library, mutex = ctypes.CDLL(None), ctypes.create_string_buffer(256)
    ready.touch()
    for _ in range(2):  # the second time for ever, and no signal wakes it (POSIX)
        library.pthread_mutex_lock(mutex)

def swallow(*_, **__):
    ready.touch()
    while True:
        try:
            time.sleep(600)
        except BaseException:
            pass

def work_for_ever(path, name, setup):
    if "marked" in name:
        (ready.parent / f"{name}.works").touch()
        while True:
            time.sleep(0.01)
    return parallel.reduce_file(parallel.LogFile(Path(path), name), setup)

def die(path, name, setup):
    if "marked" in name:
        os._exit(9)
    return parallel.reduce_file(parallel.LogFile(Path(path), name), setup)

def write_without_end(folder, contents):
    folder.mkdir()
    ready.touch()
    swallow()

if __name__ == "__main__":
    if step in ("wait_in_a_library", "swallow"):
        pipeline.propose_from = globals()[step]
    elif step == "write_without_end":
        from tuneassist.files import result_writer
        result_writer._write_files = write_without_end
    else:
        parallel._work = globals()[step]
    from tuneassist.__main__ import main
    main()
"""


@contextmanager
def started(
    folder: Path, *words: object, step: str = "", **streams: int
) -> Iterator[subprocess.Popen[bytes]]:
    """Start the command line in a session of its own, with a folder of its own for what it spools.

    Nothing of the session outlives the test.
    """
    (folder / "temporary").mkdir(exist_ok=True)
    program = folder / "temporary" / "program.py"
    before = [program] if step else ["-m", "tuneassist"]
    if step:  # a file, since processes that start afresh read it again
        program.write_text(PROGRAM, encoding="utf-8")
    process = subprocess.Popen(
        [sys.executable, *map(str, before), *map(str, words)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        start_new_session=True,
        env={
            **os.environ,
            "TMPDIR": str(folder / "temporary"),
            "READY": str(folder / "ready"),
            "STEP": step,
        },
        **streams,
    )
    try:
        yield process
    finally:
        for pid in session(process.pid):
            os.kill(pid, signal.SIGKILL)
        process.wait()
        for stream in (process.stdin, process.stdout, process.stderr):
            if stream is not None:
                stream.close()


def session(leader: int) -> list[int]:
    """Processes of a session that are still running, from the table of processes."""
    shown = subprocess.run(
        ["ps", "-eo", "pid=,sid=,stat="], capture_output=True, text=True, check=True
    )
    rows = (line.split() for line in shown.stdout.splitlines())
    return [int(pid) for pid, sid, state in rows if int(sid) == leader and state[0] != "Z"]


def wait_until(is_so: Callable[[], object]) -> None:
    until = time.monotonic() + LONG_S
    while not is_so():
        assert time.monotonic() < until
        time.sleep(0.02)


def stop(process: subprocess.Popen[bytes], number: int, *, group: bool = False) -> tuple[int, str]:
    """Send a signal; returns exit status and what was said."""
    (os.killpg if group else os.kill)(process.pid, number)
    status = process.wait(timeout=LONG_S)
    wait_until(lambda: not session(process.pid))
    assert process.stderr is not None
    return status, process.stderr.read().decode()


def left_in(folder: Path) -> list[str]:
    return sorted(
        path.name for path in folder.iterdir() if path.name not in ("ready", "program.py")
    )


def marked_logs(folder: Path) -> list[Path]:
    rows = LOG.read_text(encoding="utf-8").splitlines(keepends=True)
    logs = []
    for number, name in enumerate(("good.csv", "marked-1.csv", "marked-2.csv")):
        path = folder / name
        path.write_text("".join(rows[: 4000 + number]), encoding="utf-8")
        logs.append(path)
    return logs


STOPS = [(signal.SIGINT, 130), (signal.SIGTERM, 143)]
WORDS = "tuneassist: stopped; a result is written whole or not at all.\n"


@linux_only
@pytest.mark.parametrize("step", ["wait_in_a_library", "swallow", "write_without_end"])
def test_a_library_that_hears_no_signal_is_not_waited_for(tmp_path: Path, step: str) -> None:
    words = ("propose", LOG, "--setup", SETUP, "--out", tmp_path / "out", "--quiet")
    with started(tmp_path, *words, step=step) as process:
        wait_until((tmp_path / "ready").exists)
        assert stop(process, signal.SIGINT) == (130, WORDS)
    assert left_in(tmp_path) == ["temporary"]
    assert left_in(tmp_path / "temporary") == []


@posix_only
@pytest.mark.parametrize(("number", "status"), STOPS)
def test_standard_input_without_end_is_stopped_and_what_was_saved_goes(
    tmp_path: Path, number: int, status: int
) -> None:
    temporary = tmp_path / "temporary"
    with started(tmp_path, "check", "-", stdin=subprocess.PIPE) as process:
        assert process.stdin is not None
        process.stdin.write(LOG.read_bytes())
        wait_until(lambda: temporary.exists() and left_in(temporary))
        assert stop(process, number) == (status, WORDS)
    assert left_in(temporary) == []


@linux_only
def test_a_kill_leaves_no_log_that_was_saved_from_standard_input(tmp_path: Path) -> None:
    temporary = tmp_path / "temporary"
    with started(tmp_path, "check", "-", stdin=subprocess.PIPE) as process:
        assert process.stdin is not None
        process.stdin.write(LOG.read_bytes())
        wait_until(lambda: list(temporary.rglob("standard input")))
        process.kill()
        process.wait()
    assert [path for path in temporary.rglob("*") if path.is_file()] == []


@posix_only
def test_a_pipe_that_never_delivers_is_stopped(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    with started(tmp_path, "check", tmp_path / "pipe") as process:
        wait_until(lambda: left_in(tmp_path / "temporary"))
        assert stop(process, signal.SIGINT) == (130, WORDS)


@posix_only
@pytest.mark.parametrize(("number", "status"), [*STOPS, (signal.SIGKILL, -signal.SIGKILL)])
def test_workers_end_with_their_parent_and_say_nothing(
    tmp_path: Path, number: int, status: int
) -> None:
    logs = marked_logs(tmp_path)
    words = ("propose", *logs, "--setup", SETUP, "--out", tmp_path / "out", "--workers", 2)
    with started(tmp_path, *words, step="work_for_ever") as process:
        wait_until(lambda: len(list(tmp_path.glob("*.works"))) == 2)
        is_group = number == signal.SIGINT  # as a terminal sends it: to the workers as well
        assert stop(process, number, group=is_group) == (status, WORDS if status > 0 else "")
    assert not list(tmp_path.glob(".*"))
    assert not (tmp_path / "out").exists()


@linux_only
def test_a_log_that_kills_its_worker_is_named_and_the_good_one_is_kept(tmp_path: Path) -> None:
    logs = marked_logs(tmp_path)
    words = ("check", *logs, "--setup", SETUP, "--workers", 2, "--json")
    with started(tmp_path, *words, step="die") as process:
        out, err = process.communicate(timeout=LONG_S)
    assert process.returncode == 0  # the good one can be used
    (said,) = err.decode().splitlines()  # a reason that two logs share is said once
    assert said.startswith("tuneassist: set aside, cannot be used: marked-1.csv, marked-2.csv: ")
    assert "the worker process crashed while reading this log" in said
    assert out.count(b'"error"') == 2
    assert b'"good.csv"' in out


@posix_only
def test_what_the_parent_had_ignored_stays_ignored() -> None:
    program = (
        "import os, signal\n"
        "from tuneassist import stopping\n"
        "signal.signal(signal.SIGHUP, signal.SIG_IGN)\n"
        "stopping.handle_signals()\n"
        "os.kill(os.getpid(), signal.SIGHUP)\n"
        "print('goes on')\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, check=True)
    assert done.stdout == b"goes on\n"


# --- standard streams that fail -------------------------------------------------------------------

GOOD = ("check", LOG)
GONE = ("check", "gone.csv")
WRONG = ("propose", "--no-such-option")


@posix_only
@pytest.mark.parametrize(
    ("words", "streams", "status"),
    [
        (GOOD, ">&-", 0),
        (GOOD, "2>&- <&- >&-", 0),
        (GONE, "2>&-", 3),
        (GONE, "2>&- <&- >&-", 3),
        (WRONG, "2>&-", 2),
        (("--help",), ">&-", 0),
    ],
)
def test_closed_streams_change_no_exit_status(
    words: tuple[object, ...], streams: str, status: int
) -> None:
    done = shell(words, streams)
    assert done.returncode == status
    assert b"Traceback" not in done.stderr
    assert b"mistake" not in done.stderr


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="a disk that is always full")
@pytest.mark.parametrize(
    ("words", "streams", "status"),
    [(GOOD, ">/dev/full", 3), (GONE, "2>/dev/full", 3), (WRONG, "2>/dev/full", 2)],
)
def test_a_full_disk_behind_a_stream_is_said_in_one_line(
    words: tuple[object, ...], streams: str, status: int
) -> None:
    done = shell(words, streams)
    assert done.returncode == status
    if streams == ">/dev/full":
        assert done.stderr.startswith(b"tuneassist: standard output cannot be written: No space")
        assert done.stderr.count(b"\n") == 1


@posix_only
def test_a_result_is_whole_and_done_whatever_becomes_of_the_screen(tmp_path: Path) -> None:
    words = ("propose", LOG, "--setup", SETUP, "--out")
    files = ["cells.csv", "grid.csv", "proposal.json", "step.csv"]
    assert shell((*words, tmp_path / "closed"), ">&- 2>&- <&-").returncode == 0
    assert left_in(tmp_path / "closed") == files
    with started(tmp_path, *words, tmp_path / "left") as process:
        assert process.stdout is not None
        process.stdout.close()  # a reader who goes away
        assert process.wait(timeout=LONG_S) == 0
    assert left_in(tmp_path / "left") == files


def shell(words: tuple[object, ...], streams: str) -> subprocess.CompletedProcess[bytes]:
    quoted = " ".join(f"'{word}'" for word in (sys.executable, "-m", "tuneassist", *words))
    return subprocess.run(["sh", "-c", f"{quoted} {streams}"], capture_output=True, check=False)
