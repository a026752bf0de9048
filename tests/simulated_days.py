"""Run a document's blocks, or lines as they are typed, in order and in a folder of their own.

Each line is a process of its own. They are forked from one that has imported the program, since
starting Python forty times takes longer than what the lines do; where there is no fork, Python is
started for each.
"""

from __future__ import annotations

import json
import os
import re
import shlex
import subprocess
import sys
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
BLOCK = re.compile(r"```(\w+)\n(.*?)```", re.DOTALL)
SAVED_AS = "# save as "
Block = tuple[str, str]


def blocks_of(document: str) -> list[Block]:
    """Kind and text of the fenced blocks of a document at the root."""
    return BLOCK.findall((ROOT / document).read_text("utf-8"))


def lines_of(blocks: Sequence[Block]) -> list[str]:
    """The lines that are typed, and other blocks whole."""
    return [
        line for kind, text in blocks for line in (text.splitlines() if kind == "sh" else [text])
    ]


def run_blocks(blocks: Sequence[Block], folder: Path) -> list[tuple[str, str]]:
    """Run blocks in order; what was typed and what it said. All must end with status 0."""
    done = subprocess.run(
        [sys.executable, __file__],
        input=json.dumps(list(blocks)),
        capture_output=True,
        check=False,
        cwd=folder,
        timeout=600,
        encoding="utf-8",
        env={**os.environ, "PYTHONIOENCODING": "utf-8", "PYTHONPATH": str(ROOT)},
    )
    assert done.returncode == 0, done.stderr
    results = json.loads(done.stdout)
    for line, status, said in results:
        assert status == 0, f"{line}\nended with {status}:\n{said}"
    return [(line, said) for line, _, said in results]


def _main() -> None:
    """Run the blocks of standard input up to the first that fails; print what came of them."""
    results = []
    for kind, text in json.loads(sys.stdin.read()):
        for line in lines_of([(kind, text)]):
            status, said = _do(kind, line)
            results.append((line, status, said))
            if status:
                break
        if results[-1][1]:
            break
    sys.stdout.write(json.dumps(results))


def _do(kind: str, text: str) -> tuple[int, str]:
    if kind == "python":
        return _apart(lambda: exec(text, {}), ["-c", text])
    if kind != "sh":
        first = text.splitlines()[0]
        if not first.startswith(SAVED_AS):
            return 1, f"a block of {kind} that is not saved: {first}"
        Path(first.removeprefix(SAVED_AS)).write_text(text, encoding="utf-8")
        return 0, ""
    name, *words = shlex.split(text)
    if name != "tuneassist":
        return 127, f"{name}: not a command of this program"
    return _apart(lambda: _installed(words), ["-m", "tuneassist", *words])


def _installed(words: list[str]) -> None:
    from tuneassist.cli.app import main

    sys.argv = ["tuneassist", *words]
    main()


def _apart(work: Callable[[], None], words: list[str]) -> tuple[int, str]:
    """Do it in a process of its own; its exit status, and what it wrote."""
    if not hasattr(os, "fork"):
        done = subprocess.run(
            [sys.executable, *words], capture_output=True, check=False, encoding="utf-8"
        )
        return done.returncode, done.stdout + done.stderr
    with tempfile.TemporaryFile() as stream:
        child = os.fork()
        if child == 0:
            os.dup2(stream.fileno(), 1)
            os.dup2(stream.fileno(), 2)
            os._exit(_status_of(work))
        status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        stream.seek(0)
        return status, stream.read().decode("utf-8")


def _status_of(work: Callable[[], None]) -> int:
    try:
        work()
        status = 0
    except SystemExit as end:
        status = end.code if isinstance(end.code, int) else int(end.code is not None)
    except BaseException as error:  # a block that fails must not go on as its parent
        sys.stderr.write(repr(error))
        status = 1
    sys.stdout.flush()
    sys.stderr.flush()
    return status


if __name__ == "__main__":
    for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(_name, "1")  # before numpy, as the command line does
    # what most lines import, once
    import tuneassist.workflow.report
    import tuneassist.workflow.runs
    import tuneassist.workflow.tune_steps
    import tuneassist.workflow.tunes  # noqa: F401

    _main()
