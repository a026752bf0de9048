"""Many logs on several cores or a cluster: the same to the bit, whatever becomes of a worker."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Sequence
from concurrent.futures import Future
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tuneassist import parallel
from tuneassist.errors import InputError, LogError
from tuneassist.files.setup_file import read_setup
from tuneassist.parallel import LogFile, ReducedLog, reduce_file, reduce_files
from tuneassist.simulate import SessionPlan, simulate_session
from tuneassist.simulate.logs import Dialect, standard_columns, write_log
from tuneassist.simulate.sample_logs import petrol_engine

SAMPLES = Path(__file__).resolve().parent.parent / "sample_logs"
SETUP = SAMPLES / "petrol-setup.toml"
CAR = read_setup(SETUP)
LOGS = [SAMPLES / f"petrol-session-{number}.csv" for number in (1, 2)]


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    made = tmp_path_factory.mktemp("logs")
    lines = LOGS[0].read_text(encoding="utf-8").splitlines(keepends=True)
    for number in range(4):
        rows = lines[:2] + lines[2 + 40 * number : 9000 + 40 * number]
        (made / f"log-{number}.csv").write_text("".join(rows), encoding="utf-8")
    return made


@pytest.fixture(scope="module")
def in_this_process(folder: Path) -> list[ReducedLog]:
    return [reduce_file(file, CAR) for file in files_of(folder)]


def files_of(folder: Path) -> list[LogFile]:
    return [LogFile(path, path.name) for path in sorted(folder.glob("*.csv"))]


def assert_equal(found: list[ReducedLog], wanted: list[ReducedLog]) -> None:
    assert [one.log.name for one in found] == [one.log.name for one in wanted]
    for one, other in zip(found, wanted, strict=True):
        assert one.log.sha256 == other.log.sha256
        assert one.log.columns == other.log.columns
        assert one.evidence.holds.equals(other.evidence.holds)
        assert one.evidence.peaks.equals(other.evidence.peaks)
        assert one.evidence.fates.equals(other.evidence.fates)
        assert one.evidence.delay == other.evidence.delay
        assert np.array_equal(one.evidence.visits, other.evidence.visits)


def test_two_workers_give_the_same_as_one_and_tell_their_progress(folder, in_this_process) -> None:
    files = files_of(folder)
    told: list[int] = []
    two = reduce_files(files, CAR, workers=2, done=lambda count, name: told.append(count))
    assert_equal(two, in_this_process)
    assert told == list(range(1, len(files) + 1))


def test_the_first_files_error_is_raised_whichever_worker_is_first(folder, tmp_path) -> None:
    bad = [tmp_path / "bad-1.csv", tmp_path / "bad-2.csv"]
    for path in bad:
        path.write_text("nothing", encoding="utf-8")
    files = [*files_of(folder)[:2], *(LogFile(path, path.name) for path in bad)]
    with pytest.raises(LogError, match=r"bad-1\.csv"):
        reduce_files(files, CAR, workers=2)


def test_the_logs_of_a_dead_process_are_given_to_others(
    folder, in_this_process, monkeypatch, tmp_path
) -> None:
    files = files_of(folder)
    mark = tmp_path / "died"
    monkeypatch.setattr(parallel, "_submit", _submit_one_that_dies(mark))
    found = reduce_files(files, CAR, workers=2)
    assert mark.exists()
    assert_equal(found, in_this_process)


def test_a_log_that_takes_every_process_down_ends_in_words(folder, monkeypatch) -> None:
    def submit(pool, file, setup) -> Future:
        return pool.submit(os._exit, 3)

    monkeypatch.setattr(parallel, "_submit", submit)
    with pytest.raises(InputError, match="the worker process crashed"):
        reduce_files(files_of(folder)[:2], CAR, workers=2)


def _submit_one_that_dies(mark: Path):
    def submit(pool, file, setup) -> Future:
        if not mark.exists():
            mark.touch()
            return pool.submit(os._exit, 9)
        return pool.submit(parallel._work, str(file.path), file.name, setup)

    return submit


def typed(words: Sequence[object]) -> subprocess.CompletedProcess[str]:
    line = [str(word) for word in words]
    return subprocess.run(line, capture_output=True, text=True, check=False)


def run(*words: object) -> subprocess.CompletedProcess[str]:
    return typed([sys.executable, "-m", "tuneassist", *words])


IMPATIENT = """
import runpy
from tuneassist import parallel
parallel.CONNECT_S = 2.0
runpy.run_module("tuneassist", run_name="__main__", alter_sys=True)
"""


def results(folder: Path) -> dict[str, object]:
    """Return the files of a result; of the record everything but the moment."""
    record = json.loads((folder / "proposal.json").read_text(encoding="utf-8"))
    del record["made_at"]
    texts = {name: (folder / name).read_bytes() for name in ("step.csv", "grid.csv", "cells.csv")}
    return {**texts, "record": record}


def proposed(folder: Path, out: Path, *options: object) -> dict[str, object]:
    done = run("propose", folder, "--setup", SETUP, "--out", out, *options)
    assert done.returncode == 0, done.stderr
    return results(out)


@pytest.fixture(scope="module")
def of_one_process(folder: Path, tmp_path_factory) -> dict[str, object]:
    return proposed(folder, tmp_path_factory.mktemp("one") / "out", "--workers", 1)


def test_propose_writes_the_same_bytes_with_any_number_of_workers(
    folder, of_one_process, tmp_path
) -> None:
    assert proposed(folder, tmp_path / "out", "--workers", 2) == of_one_process


def test_no_worker_is_wrong_usage(tmp_path) -> None:
    done = run("propose", LOGS[0], "--setup", SETUP, "--out", tmp_path / "o", "--workers", 0)
    assert done.returncode == 2


# --- a cluster ------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def cluster():
    """A scheduler and two workers, each a process of its own; yields address and workers."""
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as made:
        yield made


@pytest.mark.filterwarnings("ignore")
def test_propose_on_a_cluster_writes_the_bytes_of_one_process(
    cluster, folder, of_one_process, tmp_path
) -> None:
    words = ("--scheduler", cluster.scheduler_address)
    assert proposed(folder, tmp_path / "out", *words) == of_one_process


@pytest.mark.filterwarnings("ignore")
def test_a_cluster_survives_a_worker_killed_in_mid_run_with_the_same_bytes(
    cluster, tmp_path
) -> None:
    files = []
    for number in range(8):
        path = tmp_path / f"log-{number}.csv"
        session = simulate_session(
            petrol_engine(), SessionPlan(holds=40), rng=np.random.default_rng(number)
        )
        write_log(path, session, Dialect(columns=standard_columns(session)))
        files.append(LogFile(path, path.name))
    killed: list[int] = []

    def kill_one(count: int, name: str) -> None:
        if count == 2:
            worker = next(iter(cluster.workers.values()))
            killed.append(worker.pid)
            os.kill(worker.pid, signal.SIGTERM if os.name == "nt" else signal.SIGKILL)

    free = read_setup(SETUP)
    bare = type(free)(**{**vars(free), "channels": {}})
    found = reduce_files(files, bare, scheduler=cluster.scheduler_address, done=kill_one)
    assert killed
    assert_equal(found, [reduce_file(file, bare) for file in files])


def test_a_scheduler_that_does_not_answer_is_said(folder, monkeypatch) -> None:
    pytest.importorskip("distributed")
    monkeypatch.setattr(parallel, "CONNECT_S", 2.0)
    began = time.monotonic()
    with pytest.raises(InputError, match="no Dask scheduler answers"):
        reduce_files(files_of(folder), CAR, scheduler="tcp://127.0.0.1:9")
    assert time.monotonic() - began < 30
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(InputError, match=r"pip install tuneassist\[cluster\]"):
        reduce_files(files_of(folder), CAR, scheduler="tcp://127.0.0.1:9")


def test_a_stranger_who_takes_the_call_and_says_nothing_is_not_waited_for(tmp_path) -> None:
    pytest.importorskip("distributed")
    with socket.socket() as stranger:
        stranger.bind(("127.0.0.1", 0))
        stranger.listen()
        address = f"tcp://127.0.0.1:{stranger.getsockname()[1]}"
        began = time.monotonic()
        words = ("check", LOGS[0], "--setup", SETUP, "--scheduler", address)
        done = typed([sys.executable, "-c", IMPATIENT, *words])
    assert done.returncode == 3
    assert time.monotonic() - began < 30  # 4 s on a quiet machine
    assert done.stderr.startswith(
        f"tuneassist: --scheduler: no Dask scheduler answers at {address}"
    )
    assert done.stderr.count("\n") == 1


@pytest.mark.filterwarnings("ignore")
def test_a_scheduler_without_workers_is_said(folder, monkeypatch) -> None:
    distributed = pytest.importorskip("distributed")
    monkeypatch.setattr(parallel, "CONNECT_S", 2.0)
    with (
        distributed.LocalCluster(n_workers=0, processes=True, dashboard_address=None) as made,
        pytest.raises(InputError, match="has no workers"),
    ):
        reduce_files(files_of(folder)[:1], CAR, scheduler=made.scheduler_address)


def test_the_help_says_that_a_cluster_must_be_trusted_and_why_it_must() -> None:
    """The library unpickles what says that it is pickled, whatever deserialisers are allowed."""
    protocol = pytest.importorskip("distributed.protocol")
    frames = protocol.core.dumps({"answer": protocol.ToPickle(Rogue())})
    with pytest.raises(ZeroDivisionError):
        protocol.core.loads(frames, deserializers=["msgpack"])
    assert "trust like this computer" in " ".join(run("propose", "--help").stdout.split())


class Rogue:
    def __reduce__(self) -> tuple[object, ...]:
        return divmod, (1, 0)


def test_frames_are_compared_to_the_bit() -> None:
    assert not pd.DataFrame({"a": [1.0]}).equals(pd.DataFrame({"a": [1.0 + 2**-52]}))
