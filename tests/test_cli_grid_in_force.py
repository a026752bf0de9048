"""Which grid was taken to be in the controller is told, and a step is not taken for one."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from tuneassist.cli.app import app
from tuneassist.show.cautions import all_cautions

SAMPLES = Path(__file__).parents[1] / "sample_logs"
VAN, VAN_LOG = SAMPLES / "van-setup.toml", SAMPLES / "van-session-1.csv"


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(a) for a in arguments])


def flat(text: str) -> str:
    return " ".join(text.split())


@pytest.fixture(scope="module")
def first(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Result]:
    out = tmp_path_factory.mktemp("first") / "out"
    return out, run("propose", VAN_LOG, "-s", VAN, "-o", out)


def test_a_forgotten_grid_is_told_at_the_top_and_before_anything_is_typed_in(
    first: tuple[Path, Result],
) -> None:
    out, result = first
    words = flat(result.stdout)
    assert result.exit_code == 0, result.output
    assert "grid in force: all zeros, because no --grid was given" in words
    assert words.index("no --grid was given") < words.index("How far lambda is")
    assert words.index("would erase them") < words.index("grid.csv is the whole grid")
    record = json.loads((out / "proposal.json").read_text(encoding="utf-8"))
    assert "no --grid was given" in record["grid_in_force"]


def test_a_grid_that_was_given_is_named_and_nothing_warns_of_zeros(
    first: tuple[Path, Result], tmp_path: Path
) -> None:
    held = first[0] / "grid.csv"
    result = run("propose", VAN_LOG, "-s", VAN, "-g", held, "-o", tmp_path / "out")
    words = flat(result.stdout.replace("\n", ""))
    assert "grid in force: " in words
    assert "wipe" not in words
    record = json.loads((tmp_path / "out" / "proposal.json").read_text(encoding="utf-8"))
    assert record["grid_in_force"] == str(held)


def test_json_and_the_quiet_line_tell_of_assumed_zeros_too(tmp_path: Path) -> None:
    result = run("propose", VAN_LOG, "-s", VAN, "-o", tmp_path / "a", "--json")
    assert "no --grid was given" in json.loads(result.stdout)["grid_in_force"]
    quiet = run("propose", VAN_LOG, "-s", VAN, "-o", tmp_path / "b", "-q").stdout
    assert quiet.count("\n") == 1
    assert "no --grid was given" in quiet


def test_the_step_of_a_proposal_is_no_grid_in_force(
    first: tuple[Path, Result], tmp_path: Path
) -> None:
    step = first[0] / "step.csv"
    for command in (
        ("propose", VAN_LOG, "-s", VAN, "-g", step, "-o", tmp_path / "out"),
        ("rounds", "start", tmp_path / "tune", "-s", VAN, "-g", step),
        ("verify", first[0] / "grid.csv", "-s", VAN, "--against", step),
    ):
        result = run(*command)
        assert result.exit_code == 3, command
        assert "this is the step of a proposal" in flat(result.stderr)
        assert str(first[0] / "grid.csv") in result.stderr.replace("\n", "")
    assert list(tmp_path.iterdir()) == []


def test_a_file_called_step_with_no_proposal_beside_it_is_a_grid_like_any_other(
    first: tuple[Path, Result], tmp_path: Path
) -> None:
    own = tmp_path / "step.csv"
    own.write_bytes((first[0] / "grid.csv").read_bytes())
    result = run("propose", VAN_LOG, "-s", VAN, "-g", own, "-o", tmp_path / "out", "-q")
    assert result.exit_code == 0, result.output


def test_a_round_names_the_grid_that_it_was_logged_under(tmp_path: Path) -> None:
    tune = tmp_path / "tune"
    assert run("rounds", "start", tune, "-s", VAN).exit_code == 0
    result = run("rounds", "add", tune, VAN_LOG)
    assert result.exit_code == 0, result.output
    assert "grid in force: start-grid.csv" in result.stdout
    record = json.loads((tune / "round-01" / "proposal.json").read_text(encoding="utf-8"))
    assert record["grid_in_force"] == "start-grid.csv"


def test_the_cautions_stand_whole_in_the_help_and_short_among_the_notes(
    first: tuple[Path, Result],
) -> None:
    words = flat(run("--help").stdout)
    for sentence in all_cautions():
        assert words.count(sentence) == 1
    screen = flat(first[1].stdout)
    assert screen.index("Notes and doubts") < screen.index("Less fuel is the safe way")
    assert screen.count("Less fuel is the safe way") == 1
    assert "tuneassist --help" in screen
    assert "carbon monoxide" not in screen
