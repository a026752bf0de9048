"""What the fuzzer found stays mended: no traceback, no hang beyond 10 s, no memory beyond 1 GB.

``tests/corpus`` holds logs, packed with gzip, on which ``benchmarks/fuzz.py`` or a hand once made
the program fail; the name says what is odd about each. A few fresh cases are tried as well.
"""

from __future__ import annotations

import gzip
import importlib.util
import multiprocessing
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).resolve().parent
CORPUS = sorted((HERE / "corpus").glob("*.gz"))
FRESH = 60


def fuzzer():
    """Load the harness, which is no part of the package."""
    path = HERE.parent / "benchmarks" / "fuzz.py"
    spec = importlib.util.spec_from_file_location("fuzz_harness", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules["fuzz_harness"] = module
    spec.loader.exec_module(module)
    return module


def try_all(paths: list[Path], answers) -> None:
    """Try each log in every way that the harness knows; runs in a process of its own."""
    import warnings

    warnings.simplefilter("ignore")
    harness = fuzzer()
    for path in paths:
        for number in range(14):  # every combination of setup, part length and way to read
            answers.put((path.name, number, harness.attempt(path, number), harness.peak_mib()))
    answers.put(None)


def tried(paths: list[Path], limit_s: float):
    """Yield name, number, words and peak memory of every attempt, each within the time."""
    context = multiprocessing.get_context("spawn")
    answers = context.Queue()
    process = context.Process(target=try_all, args=(paths, answers))
    process.start()
    try:
        answers_left = True
        first_s = limit_s + 30.0  # the process has to start
        while answers_left:
            answer = answers.get(timeout=first_s)
            first_s = limit_s
            if answer is None:
                answers_left = False
            else:
                yield answer
    finally:
        process.kill()
        process.join()


def test_the_corpus_is_there() -> None:
    assert len(CORPUS) >= 4


def test_what_was_found_once_ends_in_a_result_or_in_words(tmp_path) -> None:
    paths = []
    for packed in CORPUS:
        path = tmp_path / packed.stem
        path.write_bytes(gzip.decompress(packed.read_bytes()))
        paths.append(path)
    harness = fuzzer()
    count = 0
    for name, number, words, peak in tried(paths, harness.MAX_SECONDS):
        assert words == "", f"{name} in way {number}: {words}"
        assert not peak > harness.MAX_MIB, f"{name} in way {number}: {peak:.0f} MiB"
        count += 1
    assert count == 14 * len(paths)


@pytest.mark.filterwarnings("ignore")
def test_fresh_cases_end_in_a_result_or_in_words(tmp_path) -> None:
    harness = fuzzer()
    for number in range(FRESH):
        made = harness.case(number)
        path = tmp_path / made.name
        path.write_bytes(made.data)
        assert harness.attempt(path, number) == "", f"case {number}"


def test_a_case_follows_from_its_number() -> None:
    harness = fuzzer()
    texts = [n for n in range(40) if not harness.case(n).name.endswith("mf4")]
    assert [harness.case(n).data for n in texts] == [harness.case(n).data for n in texts]
    assert len({harness.case(n).data for n in texts}) > len(texts) // 2


def test_the_harness_sees_a_traceback(tmp_path, monkeypatch) -> None:
    harness = fuzzer()
    path = tmp_path / "log.csv"
    path.write_bytes(dict(harness.basis())["petrol.csv"])

    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("inside")

    monkeypatch.setattr("tuneassist.parallel.reduce_parts", broken)
    assert "ZeroDivisionError: inside" in harness.attempt(path, 0)
