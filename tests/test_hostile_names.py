"""Names, labels and numbers that mean harm, through the commands as they are typed."""

from __future__ import annotations

import contextlib
import csv
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from test_inert import is_harmless
from typer.testing import CliRunner, Result

from tuneassist.cli.app import app
from tuneassist.workflow.logs import distinct_names

SAMPLES = Path(__file__).parents[1] / "sample_logs"
PETROL, LOG = SAMPLES / "petrol-setup.toml", SAMPLES / "petrol-session-1.csv"
MOST_SAID = 6000
"""Characters that a refusal may take. [1]"""
NASTY_LABEL = "=1+1;@A1 \\u001b[31m\\u202e<b>x</b> [red]$x_{"

BAD_NAMES = {
    "no UTF-8": os.fsdecode(b"caf\xe9.csv"),
    "controls": "e\x1b[31m\x9b2J\u202e\u200b.csv",
    "a forged line": "a\ntuneassist: all is well.csv",
    "a formula": "=cmd;@SUM(A1);-log.csv",
}


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(a) for a in arguments])


def said(result: Result) -> str:
    return result.stdout + result.stderr


def named(folder: Path, name: str) -> Path:
    path = folder / name
    try:
        shutil.copy(LOG, path)
    except (OSError, UnicodeError):
        pytest.skip("this system has no such names")
    return path


@pytest.fixture
def car(tmp_path: Path) -> Path:
    """The sample setup with a label that means harm."""
    text = PETROL.read_text(encoding="utf-8")
    lines = [
        f'label = "{NASTY_LABEL}"' if line.startswith("label") else line
        for line in text.splitlines()
    ]
    path = tmp_path / "car.toml"
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


@pytest.mark.parametrize("name", BAD_NAMES.values(), ids=BAD_NAMES)
def test_a_log_of_any_name_is_checked_and_proposed_from(tmp_path, car, name):
    log, out = named(tmp_path, name), tmp_path / "out"
    for result in (
        run("check", log),
        run("check", log, "--json"),
        run("propose", log, "--setup", car, "--out", out, "--json"),
        run("propose", log, "--setup", car, "--out", out, "--overwrite"),
    ):
        assert result.exit_code == 0, said(result)
        assert is_harmless(said(result).replace("\n", ""))
        assert "\ntuneassist: all" not in said(result)
    for path in out.iterdir():
        assert is_harmless(path.read_text(encoding="utf-8").replace("\n", ""))
    record = json.loads((out / "proposal.json").read_text(encoding="utf-8"))
    assert record["label"].startswith("=1+1;@A1 \x1b[31m\u202e")  # the value is what it was


def parts_of_the_log(folder: Path) -> list[Path]:
    """Logs of every bad name that this system takes, each a part of the sample log."""
    lines = LOG.read_bytes().splitlines(keepends=True)
    rows, made = (len(lines) - 2) // len(BAD_NAMES), []
    for number, name in enumerate(BAD_NAMES.values()):
        path = folder / name
        with contextlib.suppress(OSError, UnicodeError):
            path.write_bytes(b"".join([*lines[:2], *lines[2 + number * rows :][:rows]]))
            made.append(path)
    return made


def test_a_tune_keeps_the_evidence_of_logs_of_any_name(tmp_path, car):
    logs, tune = parts_of_the_log(tmp_path), tmp_path / "tune"
    if not logs:
        pytest.skip("this system has no such names")
    page, sheet = tmp_path / "page.html", tmp_path / "sheet.svg"
    for result in (
        run("rounds", "start", tune, "--setup", car),
        run("rounds", "add", tune, *logs),
        run("rounds", "status", tune),
        run("rounds", "status", tune, "--json"),
        run("plan", tune, "--minutes", 20, "--csv", tmp_path / "p.csv", "--sheet", sheet),
        run("report", tune, "--out", page),
        run("rounds", "undo", tune),
    ):
        assert result.exit_code == 0, said(result)
        assert is_harmless(said(result).replace("\n", ""))
    for path in (page, sheet):
        text = path.read_text(encoding="utf-8")
        assert is_harmless(text.replace("\n", "").replace("\t", ""))
        assert "<b>x</b>" not in text
    holds = next(tune.glob("kept/*/holds.csv"))
    with holds.open(encoding="utf-8", newline="") as stream:
        cells = [row[0] for row in csv.reader(stream)][1:]
    # the logs' holds, read back under their names, gave the status above
    assert len(set(cells)) == len(logs)
    assert not any(
        piece.startswith(("=", "+", "-", "@")) for cell in cells for piece in cell.split(";")
    )


def test_logs_whose_names_look_alike_once_shown_keep_names_of_their_own():
    names = distinct_names([Path("a\x01.csv"), Path("a\x02.csv"), Path("b.csv")])
    assert names == ["a?.csv", "a?.csv (2)", "b.csv"]


@pytest.mark.parametrize(
    "arguments",
    [
        ("check", "\x1b[31mno\u202e"),
        ("\x1b[31m\u202eno",),
        ("check", "--\x1b[31m\u202e\nError: forged"),
        ("keys", "\x1b[31m\u202e"),
        ("check", "x", "--workers", "\x1b[31m\u202e"),
        ("runs", "--before", "a", "--after", "b", "--standard", "\x9b\u2066"),
        ("runs", "--before", "a", "--after", "b", "--plot", "z.\x1b\u202e"),
        ("keys", "x" * 100_000),
        ("check", "--" + "x" * 100_000),
        ("y" * 100_000,),
    ],
    ids=lambda words: repr(words)[:40],
)
def test_what_was_typed_is_repeated_inert_and_short(arguments):
    result = run(*arguments)
    assert result.exit_code in (2, 3)
    assert is_harmless(said(result).replace("\n", ""))
    assert len(said(result)) < MOST_SAID
    assert "\nError: forged" not in said(result)


@pytest.mark.parametrize("value", ["1e999", "nan", "-1", "0", "1" + "0" * 5000, "x" * 5000])
def test_minutes_that_are_no_time_are_wrong_usage(value):
    result = run("plan", LOG, "--setup", PETROL, "--minutes", value)
    assert result.exit_code == 2
    assert len(said(result)) < MOST_SAID


@pytest.mark.parametrize("value", ["0", "-1", "1" + "0" * 30, "1" + "0" * 5000, "nan", "1.5"])
def test_workers_that_are_no_count_are_wrong_usage(value):
    result = run("check", LOG, "--workers", value)
    assert result.exit_code == 2
    assert len(said(result)) < MOST_SAID


@pytest.mark.parametrize(
    "arguments",
    [
        ("check", "n" * 5000),
        ("check", "n" * 300 + ".csv"),
        ("check", "[" * 2000),
        ("rounds", "status", "n" * 5000),
        ("rounds", "start", "n" * 300, "--setup", PETROL),
        ("report", "n" * 300, "--out", "z.html"),
        ("tunes", "check", "n" * 300),
        ("verify", "n" * 300, "--setup", PETROL),
        ("coverage", LOG, "--setup", PETROL, "--plot", "n" * 300 + ".png"),
        ("propose", LOG, "--setup", PETROL, "--out", "n" * 300),
    ],
    ids=lambda words: repr(words)[:40],
)
def test_names_that_are_too_long_for_the_system_are_inputs_that_cannot_be_used(arguments):
    result = run(*arguments)
    assert result.exit_code in (2, 3)
    assert "mistake in the program" not in said(result)
    assert len(said(result)) < MOST_SAID


THREE_CHECKS = """
import sys
from tuneassist.cli.app import main
log, setup = sys.argv[1:]
for options in ((), ("--json",), ("--setup", setup)):
    sys.argv = ["tuneassist", "check", log, *options]
    try:
        main()
    except SystemExit as end:
        if end.code:
            raise
    print("next", flush=True)
"""


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "ascii:strict"])
def test_a_stream_that_cannot_show_a_letter_gets_another(tmp_path, encoding):
    log = named(tmp_path, "中文\u202e λ.csv")
    done = subprocess.run(
        [sys.executable, "-c", THREE_CHECKS, str(log), str(PETROL)],
        capture_output=True,
        check=False,
        env={**os.environ, "PYTHONIOENCODING": encoding},
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.count(b"next") == 3
    assert b"\x1b" not in done.stdout


def test_a_header_of_a_megabyte_is_quoted_in_part(tmp_path):
    log = tmp_path / "wide.csv"
    wide = ["x" * 1_000_000, *(f"column {n} " + "y" * 500 for n in range(3000))]
    rows = "".join(f"{n}," + ",".join(["1"] * len(wide)) + "\n" for n in range(30))
    log.write_text("Elapsed (s)," + ",".join(wide) + "\n" + rows, encoding="utf-8")
    for result in (run("check", log, "--setup", PETROL), run("check", log)):
        assert result.exit_code in (0, 3)
        assert len(said(result)) < MOST_SAID


@pytest.mark.parametrize(
    ("name", "path", "value"),
    [
        ("history.json", ("events", 1, "logs", 0), {}),
        ("history.json", ("events", 1, "logs"), 1e400),
        ("history.json", ("events",), {"a": 1}),
        ("tune.json", ("format",), True),
        ("round-01/evidence.json", ("logs", 0, "fates", "no value"), float("inf")),
        ("round-01/evidence.json", ("logs", 0, "fates", "no value"), 10**400),
        ("round-01/evidence.json", ("look",), {"number": 1}),
        ("round-01/evidence.json", ("logs", 0, "hold_columns"), ""),
        ("round-01/evidence.json", ("look", "rms_pct"), "\x1b"),
        ("round-01/evidence.json", ("look", "advice"), "\x1b" * 5000),
        ("round-01/evidence.json", ("response", "response"), [[]]),
        ("round-01/proposal.json", ("settings", "channels", "time"), None),
        ("round-01/proposal.json", ("settings", "engine", "label"), 5),
        ("round-01/proposal.json", ("limits_that_acted", 0), True),
        ("round-01/proposal.json", ("notes",), 10**30),
        ("round-01/proposal.json", ("inputs", 0, "name"), ["x"]),
    ],
    ids=lambda part: repr(part)[:40],
)
def test_records_of_another_shape_are_refused_by_file(started, tmp_path, name, path, value):
    tune = tmp_path / "tune"
    shutil.copytree(started, tune)
    record = json.loads((tune / name).read_text(encoding="utf-8"))
    place = record
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    (tune / name).write_text(json.dumps(record), encoding="utf-8")
    result = run("report", tune, "--out", tmp_path / "page.html")
    assert result.exit_code == 3, said(result)
    assert any(part in said(result) for part in Path(name).parts)
    assert len(said(result)) < MOST_SAID
    assert is_harmless(said(result).replace("\n", ""))
    assert not (tmp_path / "page.html").exists()


@pytest.fixture(scope="module")
def started(tmp_path_factory: pytest.TempPathFactory) -> Path:
    tune = tmp_path_factory.mktemp("shape") / "tune"
    assert run("rounds", "start", tune, "--setup", PETROL).exit_code == 0
    assert run("rounds", "add", tune, LOG).exit_code == 0
    return tune
