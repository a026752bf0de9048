"""The installed command as a process of its own: streams, colours, threads, a reader who leaves."""

from __future__ import annotations

import io
import os
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from tuneassist.cli import inputs
from tuneassist.cli.app import app
from tuneassist.cli.commands import COMMANDS

SAMPLES = Path(__file__).parents[1] / "sample_logs"
VAN, VAN_LOG = SAMPLES / "van-setup.toml", SAMPLES / "van-session-1.csv"
COLOURS = b"\x1b["


def start(*arguments: object, **env: str) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        [sys.executable, "-m", "tuneassist", *map(str, arguments)],
        capture_output=True,
        check=False,
        timeout=120,
        env={**os.environ, **env},
    )


def test_piped_output_is_plain_and_an_error_has_no_traceback() -> None:
    done = start("limits", "-s", VAN)
    assert done.returncode == 0
    assert COLOURS not in done.stdout
    failed = start("check", "gone.csv")
    assert failed.returncode == 3
    assert failed.stdout == b""
    assert failed.stderr.strip() == b"tuneassist: gone.csv: there is no such file."


def test_no_color_is_respected_where_colour_is_forced() -> None:
    coloured = start("coverage", VAN_LOG, "-s", VAN, FORCE_COLOR="1", TERM="xterm-256color")
    assert b"48;5;68m" in coloured.stdout  # the shade of a trusted cell
    bare = start(
        "coverage", VAN_LOG, "-s", VAN, FORCE_COLOR="1", NO_COLOR="1", TERM="xterm-256color"
    )
    assert bare.returncode == 0
    assert b"48;5;" not in bare.stdout
    assert b"38;5;" not in bare.stdout


def test_a_stream_that_only_takes_ascii_gets_ascii_marks(tmp_path: Path) -> None:
    done = start("propose", VAN_LOG, "-s", VAN, "-o", tmp_path / "out", PYTHONIOENCODING="ascii")
    assert done.returncode == 0
    assert done.stdout.isascii()
    assert b"good where there is no mark, = fair, ? low" in done.stdout


def test_a_reader_who_goes_away_is_no_error_to_tell_about() -> None:
    with subprocess.Popen(
        [sys.executable, "-m", "tuneassist", "check", str(VAN_LOG), "-s", str(VAN), "--json"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        said = process.stderr.read()
        process.wait(timeout=60)
    assert said == b""


LIGHT = (
    ("--help",),
    ("--version",),
    *((name, "--help") for name in COMMANDS),
    ("rounds", "add", "--help"),
    ("propose", "--nonsense"),
    ("runs", "--ignition", "nonsense"),
)


def test_help_and_wrong_usage_import_nothing_heavy() -> None:
    program = (
        "import sys\n"
        "from typer.testing import CliRunner\n"
        "from tuneassist.cli.app import app\n"
        f"for words in {LIGHT!r}:\n"
        "    done = CliRunner().invoke(app, words)\n"
        "    heavy = {'numpy', 'pandas', 'scipy', 'pyarrow', 'statsmodels'} & set(sys.modules)\n"
        "    print(*words, done.exit_code, *heavy)\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, check=True)
    status = {words: 2 if "nonsense" in words[-1] else 0 for words in LIGHT}
    assert done.stdout.decode().splitlines() == [f"{' '.join(w)} {status[w]}" for w in LIGHT]


def test_the_list_of_commands_imports_none_of_them() -> None:
    program = (
        "import sys\n"
        "from typer.testing import CliRunner\n"
        "from tuneassist.cli.app import app\n"
        "assert 'propose' in CliRunner().invoke(app, ['--help']).output\n"
        "print(*sorted(m for m in sys.modules if m.startswith('tuneassist.cli.')))\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, check=True)
    assert done.stdout.decode().split() == [
        f"tuneassist.cli.{name}"
        for name in ("app", "commands", "console", "options", "streams", "waiting")
    ]


@pytest.mark.parametrize("group", [(), ("rounds",), ("tunes",)])
def test_the_list_of_commands_cuts_no_line_short(group: tuple[str, ...]) -> None:
    listed = CliRunner().invoke(app, [*group, "--help"]).output.split("Commands:")[1]
    assert "..." not in listed


@pytest.mark.parametrize("name", COMMANDS)
def test_a_line_in_the_list_of_commands_is_how_the_help_begins(name: str) -> None:
    summary = COMMANDS[name][1]
    found = CliRunner().invoke(app, [name, "--help"]).output
    assert summary in " ".join(found.split())


@pytest.mark.parametrize(("given", "wanted"), [(None, "1"), ("2", "2")])
def test_linear_algebra_runs_on_one_thread_unless_the_user_says_otherwise(
    given: str | None, wanted: str
) -> None:
    program = (
        "import os, sys\n"
        "from tuneassist.cli.app import main\n"
        "sys.argv = ['tuneassist', '--version']\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\n"
        "print(*(os.environ[n] for n in ('OPENBLAS_NUM_THREADS', 'OMP_NUM_THREADS',"
        " 'MKL_NUM_THREADS')))\n"
    )
    names = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
    env = {key: value for key, value in os.environ.items() if key not in names}
    if given:
        env |= dict.fromkeys(names, given)
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, check=True, text=True, env=env
    )
    assert done.stdout.split()[-3:] == [wanted] * 3


class _Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(("patience_s", "is_shown"), [(0.0, True), (1e9, False)])
def test_a_bar_shows_only_when_reading_takes_long(
    monkeypatch: pytest.MonkeyPatch, patience_s: float, is_shown: bool
) -> None:
    terminal = _Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    monkeypatch.setattr(inputs, "PATIENCE_S", patience_s)
    logs = inputs.read_logs([VAN_LOG], setup=None)
    assert len(logs) == 1
    assert ("reading van-session-1.csv" in terminal.getvalue()) == is_shown
