"""What asked the unsafe way and was held: told on screen, in a quiet run, and to scripts."""

from __future__ import annotations

import csv
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner, Result

from tuneassist.cli.app import app
from tuneassist.correction import UnsafeHeld, unsafe_held, unsafe_of_record, unsafe_record
from tuneassist.correction.reasons import HeldBack
from tuneassist.files.setup_file import read_setup
from tuneassist.show.notes import unsafe_words

SAMPLES = Path(__file__).parents[1] / "sample_logs"
PETROL, PETROL_LOG = SAMPLES / "petrol-setup.toml", SAMPLES / "petrol-session-1.csv"
VAN = SAMPLES / "van-setup.toml"


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(a) for a in arguments])


@pytest.fixture(scope="module")
def dead_log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample log with a wideband that fails early: AFR 11.2 with noise, whatever is driven."""
    path = tmp_path_factory.mktemp("dead") / "dead.csv"
    with PETROL_LOG.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.reader(stream))
    header = next(n for n, row in enumerate(rows) if "Wideband (AFR)" in row)
    at, rng = rows[header].index("Wideband (AFR)"), np.random.default_rng(3)
    for row in rows[header + 1 + len(rows) // 6 :]:
        row[at] = f"{11.2 + 0.03 * rng.standard_normal():.3f}"
    with path.open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream).writerows(rows)
    return path


def held(rule: str, asked: float, got: float = 0.0, rpm: float = 2000.0) -> HeldBack:
    return HeldBack(rule, rpm, 150.0, asked, got, f"held by {rule} in words")


def test_a_dead_sensor_that_reads_rich_is_told_to_a_quiet_run_and_to_scripts(
    dead_log: Path, tmp_path: Path
) -> None:
    quiet = run("propose", dead_log, "-s", PETROL, "-o", tmp_path / "quiet", "-q")
    assert quiet.exit_code == 0, quiet.output
    assert len(quiet.stdout.splitlines()) == 1
    assert "held back from less fuel, the unsafe way, by: " in quiet.stderr
    assert "dead.csv" in quiet.stderr
    assert all(line.startswith("tuneassist: ") for line in quiet.stderr.splitlines())
    told = json.loads(
        run("propose", dead_log, "-s", PETROL, "-o", tmp_path / "told", "--json").stdout
    )
    assert told["unsafe_step_held"] is True
    assert told["unsafe_step_rules"]["unsafe_step_barred"] > 50
    assert {"rpm", "load", "asked_pct", "got_pct", "rules", "why"} == set(told["unsafe_steps"][0])
    barred = [one for one in told["unsafe_steps"] if "unsafe_step_barred" in one["rules"]]
    assert all(one["asked_pct"] < 0 and one["got_pct"] == 0 for one in barred)
    assert "dead.csv" in barred[0]["why"][0]


def test_every_doubt_of_the_screen_is_said_by_a_quiet_run(tmp_path: Path) -> None:
    told = json.loads(
        run("propose", PETROL_LOG, "-s", PETROL, "-o", tmp_path / "a", "--json").stdout
    )
    ceiling = tmp_path / "unseen.toml"
    ceiling.write_text(
        PETROL.read_text(encoding="utf-8") + "\n[limits.ceilings.rail_pressure]\nceiling = 300\n",
        encoding="utf-8",
    )
    quiet = run("propose", PETROL_LOG, "-s", ceiling, "-o", tmp_path / "b", "-q")
    assert quiet.exit_code == 0, quiet.output
    assert "protect nothing: rail_pressure" in quiet.stderr
    # a conversion that the setup asked for is no doubt; the screen tells it
    assert any("AFR became lambda" in note for note in told["notes"])
    assert "AFR became lambda" not in quiet.stderr


def test_the_screen_says_in_one_sentence_what_was_held(tmp_path: Path) -> None:
    result = run("propose", PETROL_LOG, "-s", PETROL, "-o", tmp_path / "out")
    words = " ".join(result.stdout.split())
    assert re.search(r"! \d+ cells held back from less fuel, the unsafe way, by: ", words)


def test_a_round_and_its_status_tell_scripts_what_was_held(tmp_path: Path) -> None:
    tune = tmp_path / "tune"
    assert run("rounds", "start", tune, "-s", PETROL).exit_code == 0
    none_yet = json.loads(run("rounds", "status", tune, "--json").stdout)
    assert none_yet["unsafe_step_held"] is False
    added = json.loads(run("rounds", "add", tune, PETROL_LOG, "--json").stdout)
    assert added["unsafe_step_held"] is True
    status = json.loads(run("rounds", "status", tune, "--json").stdout)
    for key in ("unsafe_step_held", "unsafe_step_rules", "unsafe_steps"):
        assert status[key] == added[key], key
    shown = " ".join(run("rounds", "status", tune).stdout.split())
    assert (
        f"! {len(added['unsafe_steps'])} cells held back from less fuel, the unsafe way, by: "
        in shown
    )


def test_a_tune_of_an_older_program_does_not_say_that_nothing_was_held() -> None:
    assert unsafe_of_record({"cells_seen": 3}) is None
    with pytest.raises(ValueError, match="another shape"):
        unsafe_of_record({"unsafe_steps": [{"rpm": 1}]})


def test_a_held_step_is_read_back_as_it_was_written() -> None:
    found = unsafe_held([held("own_evidence", -3.0)], setup=read_setup(PETROL))
    assert unsafe_of_record(json.loads(json.dumps(unsafe_record(found)))) == found


def test_only_what_hurts_the_engine_counts() -> None:
    petrol, van = read_setup(PETROL), read_setup(VAN)
    lean, rich = held("own_evidence", -3.0), held("richest_lambda", 3.0)
    assert [one.rules for one in unsafe_held([lean, rich], setup=petrol)] == [("own_evidence",)]
    # more fuel damages a diesel
    assert [one.rules for one in unsafe_held([lean, rich], setup=van)] == [("richest_lambda",)]
    # more air damages a spark engine
    air = replace(petrol, correction=replace(petrol.correction, acts_on="boost"))
    assert [one.rules for one in unsafe_held([lean, rich], setup=air)] == [("richest_lambda",)]


@pytest.mark.parametrize("rule", ["resolution_pct", "max_step_pct", "max_slope_rpm_pct"])
def test_a_step_cut_to_size_is_not_held_the_unsafe_way(rule: str) -> None:
    assert unsafe_held([held(rule, -20.0, -15.0)], setup=read_setup(PETROL)) == ()
    assert unsafe_record(()) == {
        "unsafe_step_held": False,
        "unsafe_step_rules": {},
        "unsafe_steps": [],
    }


def test_a_cell_held_by_two_rules_is_one_cell_with_both() -> None:
    both = [held("ceilings", -4.0), held("lean_in_boost", -4.0)]
    (one,) = unsafe_held(both, setup=read_setup(PETROL))
    assert one == UnsafeHeld(
        2000.0,
        150.0,
        -4.0,
        0.0,
        ("ceilings", "lean_in_boost"),
        ("ceilings in words", "lean_in_boost in words"),
    )


def test_the_sentence_names_the_commonest_reasons_first() -> None:
    setup = read_setup(PETROL)
    rows = [held(f"rule_{n}", -1.0, rpm=1000.0 * n + k) for n in range(1, 6) for k in range(n)]
    words = unsafe_words(unsafe_held(rows, setup=setup), setup)
    assert words == (
        "15 cells held back from less fuel, the unsafe way, by: rule_5 in words "
        "(5 cells); "
        "rule_4 in words (4 cells); rule_3 in words (3 cells); and 2 more reasons"
    )
    assert unsafe_words((), setup) == ""
