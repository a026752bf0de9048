"""The commands through the runner: files, exit statuses, messages, and what goes where."""

from __future__ import annotations

import csv
import hashlib
import json
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner, Result

from tuneassist import __version__
from tuneassist.cli import inputs
from tuneassist.cli.app import app
from tuneassist.correction import Breach
from tuneassist.errors import LogError
from tuneassist.files.setup_file import read_setup
from tuneassist.own_units import reading
from tuneassist.workflow.logs import distinct_names

SAMPLES = Path(__file__).parents[1] / "sample_logs"
PETROL, VAN = SAMPLES / "petrol-setup.toml", SAMPLES / "van-setup.toml"
PETROL_LOG, VAN_LOG = SAMPLES / "petrol-session-1.csv", SAMPLES / "van-session-1.csv"
# contract.md, table of propose's files
CONTRACT_HEADER = (
    "rpm,load,samples,holds,effective_n,deviation_pct,ci_low_pct,ci_high_pct,raw_pct,step_pct,"
    "grid_pct,confidence,reason"
)
ESCAPE = "\x1b"


def run(*arguments: object, env: dict[str, str] | None = None) -> Result:
    return CliRunner().invoke(app, [str(a) for a in arguments], env=env)


def table(path: Path) -> list[list[str]]:
    """A grid file's cells by the standard library's reader, which the program does not use here."""
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.reader(stream))


def numbers(path: Path) -> list[list[float | None]]:
    return [[float(c) if c else None for c in row[1:]] for row in table(path)[1:]]


@pytest.fixture(scope="module")
def proposed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Result]:
    """One proposal on a grid in force with an empty cell and a value off the resolution."""
    folder = tmp_path_factory.mktemp("propose")
    rows = table(SAMPLES / "petrol-simulated-truth.csv")
    for row in rows[1:]:
        row[1:] = ["1.5"] * len(row[1:])
    rows[4][5], rows[5][5] = "", "1.2345"
    current = folder / "current.csv"
    current.write_text("".join(",".join(row) + "\n" for row in rows), encoding="utf-8")
    result = run(
        "propose", PETROL_LOG, "--setup", PETROL, "--grid", current, "--out", folder / "out"
    )
    return folder, result


def test_propose_ends_well_and_writes_exactly_the_four_files(
    proposed: tuple[Path, Result],
) -> None:
    folder, result = proposed
    assert result.exit_code == 0, result.output
    names = sorted(path.name for path in (folder / "out").iterdir())
    assert names == ["cells.csv", "grid.csv", "proposal.json", "step.csv"]


def test_cells_csv_has_the_contracts_columns_in_its_order(proposed: tuple[Path, Result]) -> None:
    rows = table(proposed[0] / "out" / "cells.csv")
    assert ",".join(rows[0]) == CONTRACT_HEADER
    assert len(rows) == 1 + 12 * 12
    assert {row[11] for row in rows[1:]} <= {"none", "low", "fair", "good"}
    assert all(row[12] for row in rows[1:])


def test_step_composed_with_the_grid_in_force_is_the_new_grid(
    proposed: tuple[Path, Result],
) -> None:
    folder = proposed[0]
    current, step, new = (
        numbers(folder / name) for name in ("current.csv", "out/step.csv", "out/grid.csv")
    )
    moved = 0
    for before, change, after in zip(current, step, new, strict=True):
        for b, s, a in zip(before, change, after, strict=True):
            assert s is not None
            if b is None:
                assert a is None
                assert s == 0
                continue
            assert a is not None
            moved += s != 0
            # contract: (1 + current)(1 + step) - 1, in percent
            assert abs(100 * ((1 + b / 100) * (1 + s / 100) - 1) - a) < 1e-6
    assert moved > 20


def test_changed_values_are_whole_steps_of_the_controller(proposed: tuple[Path, Result]) -> None:
    folder = proposed[0]
    current, new = numbers(folder / "current.csv"), numbers(folder / "out" / "grid.csv")
    texts = [row[1:] for row in table(folder / "out" / "grid.csv")[1:]]
    for before, after, words in zip(current, new, texts, strict=True):
        for b, a, word in zip(before, after, words, strict=True):
            if a is not None and a != b:
                assert re.fullmatch(r"-?\d+(\.\d)?", word), word  # limits.resolution_pct = 0.1


def test_proposal_json_says_what_made_it(proposed: tuple[Path, Result]) -> None:
    folder = proposed[0]
    record = json.loads((folder / "out" / "proposal.json").read_text(encoding="utf-8"))
    assert record["version"] == __version__
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\+00:00", record["made_at"])
    by_role = {entry["role"]: entry["sha256"] for entry in record["inputs"]}
    for role, path in (
        ("setup", PETROL),
        ("grid", folder / "current.csv"),
        ("log", PETROL_LOG),
    ):
        assert by_role[role] == hashlib.sha256(path.read_bytes()).hexdigest()
    assert record["settings"]["limits"]["resolution_pct"] == 0.1
    assert record["settings"]["steady"]["min_coolant_c"] == 70.0
    units = {c["channel"]: c["unit_read"] for c in record["logs"][0]["channels"]}
    assert (units["lambda"], units["load"]) == ("afr", "psi")
    found = record["logs"][0]["evidence"]
    assert sum(found["samples_by_fate"].values()) == found["samples"] > 10_000
    assert found["holds"] > 30
    assert {"seconds", "standard_error_seconds", "why"} <= set(found["delay"])
    assert record["simulated"] is True
    assert {entry["rule"] for entry in record["limits_that_acted"]} >= {"resolution_pct"}


def test_a_log_that_does_not_say_so_is_not_called_simulated(tmp_path: Path) -> None:
    setup = tmp_path / "car.toml"
    setup.write_text(VAN.read_text(encoding="utf-8").replace("simulated", "our"), encoding="utf-8")
    log = tmp_path / "monday.csv"
    lines = VAN_LOG.read_text(encoding="cp1252").splitlines(keepends=True)
    log.write_text("".join(lines[1:]), encoding="cp1252")  # without the line that says it
    result = run("propose", log, "-s", setup, "-o", tmp_path / "out", "--json")
    assert result.exit_code == 0, result.output
    record = json.loads((tmp_path / "out" / "proposal.json").read_text(encoding="utf-8"))
    assert "simulated" not in record
    assert "simulated" not in json.loads(result.stdout)


def test_the_screen_shows_cells_limits_cautions_files_and_that_data_are_simulated(
    proposed: tuple[Path, Result],
) -> None:
    screen = proposed[1].stdout
    for words in (
        "SIMULATED DATA",
        "Where the samples went",
        "are used as moving samples",
        "used as evidence",
        "+ leaner, - richer",
        "Proposed step, percent of fuel",
        "What was limited, and why",
        "Richer is the safe way",
        "tuneassist --help",
        "grid.csv",
        "Next",
    ):
        assert words in screen, words


def test_plain_output_has_no_escape_codes_and_keeps_to_80_columns(
    proposed: tuple[Path, Result],
) -> None:
    screen = proposed[1].stdout
    assert ESCAPE not in screen
    # a path is printed whole, however long
    lines = [line for line in screen.splitlines() if "proposal.json" not in line]
    assert max(len(line) for line in lines) <= 80


def test_propose_json_is_json_and_nothing_else(tmp_path: Path) -> None:
    result = run("propose", VAN_LOG, "-s", VAN, "-o", tmp_path / "out", "--json")
    summary = json.loads(result.stdout)
    assert result.exit_code == 0
    assert result.stderr == ""
    assert summary["holds"] > 30
    assert sum(summary["cells"]["confidence"].values()) == summary["cells"]["total"] == 80
    shares = [entry["share"] for entry in summary["samples"].values()]
    assert sum(shares) == pytest.approx(1.0, abs=1e-4)
    assert all(Path(path).is_file() for path in summary["files"].values())


def test_a_quiet_run_prints_one_line(tmp_path: Path) -> None:
    result = run("propose", VAN_LOG, "-s", VAN, "-o", tmp_path / "o", "-q", env={"COLUMNS": "300"})
    assert result.exit_code == 0
    assert len(result.stdout.splitlines()) == 1
    assert "of 80 changed" in result.stdout
    # the simulated van exceeds its boost ceiling: not a thing to keep quiet about
    assert result.stderr.splitlines()[0].startswith("tuneassist: STOP: Exceeded: boost ")


def test_a_grid_that_moves_boost_speaks_of_air_and_its_cautions(tmp_path: Path) -> None:
    setup = tmp_path / "boost.toml"
    text = VAN.read_text(encoding="utf-8").replace('acts_on = "fuel"', 'acts_on = "boost"')
    setup.write_text(text, encoding="utf-8")
    result = run("propose", VAN_LOG, "-s", setup, "-o", tmp_path / "out")
    assert result.exit_code == 0, result.output
    words = " ".join(result.stdout.split())
    assert "the grid corrects absolute manifold pressure" in words
    assert "+ more air, - less" in words
    assert "percent of fuel" not in words
    assert "grid of air pressure corrections" in words
    assert "reduce fuel by other means" in words


def test_an_earlier_result_stays_unless_asked_and_is_refused_before_any_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    assert run("propose", VAN_LOG, "-s", VAN, "-o", out, "-q").exit_code == 0
    before = (out / "proposal.json").read_bytes()
    with monkeypatch.context() as patch:
        patch.setattr("tuneassist.reading.read_log", lambda *a, **k: pytest.fail("a log was read"))
        refused = run("propose", VAN_LOG, "-s", VAN, "-o", out)
    assert refused.exit_code == 3
    assert "--overwrite" in refused.stderr
    assert (out / "proposal.json").read_bytes() == before
    (out / "step.csv").write_text("old", encoding="utf-8")
    assert run("propose", VAN_LOG, "-s", VAN, "-o", out, "-q", "--overwrite").exit_code == 0
    assert (out / "step.csv").read_text(encoding="utf-8").startswith("rpm/load")


def test_a_folder_with_other_things_in_it_is_refused(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("mine", encoding="utf-8")
    result = run("propose", VAN_LOG, "-s", VAN, "-o", tmp_path, "--overwrite")
    assert result.exit_code == 3
    assert "notes.txt" in result.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["notes.txt"]


@pytest.mark.parametrize(
    ("arguments", "status", "words"),
    [
        (("propose",), 2, "LOG"),
        (("propose", VAN_LOG, "--out", "{out}"), 2, "--setup"),
        (("propose", VAN_LOG, "-s", VAN), 2, "--out"),
        (("propose", VAN_LOG, "-s", VAN, "-o", "{out}", "--frobnicate"), 2, "--frobnicate"),
        (("nonsense",), 2, "nonsense"),
        (("propose", "gone.csv", "-s", VAN, "-o", "{out}"), 3, "gone.csv"),
        (("propose", "gone*.csv", "-s", VAN, "-o", "{out}"), 3, "no file matches"),
        (("propose", VAN_LOG, "-s", "gone.toml", "-o", "{out}"), 3, "gone.toml"),
        (("propose", VAN_LOG, "-s", PETROL, "-o", "{out}"), 3, "Elapsed (s)"),
        (("propose", VAN_LOG, "-s", VAN, "-g", "gone.csv", "-o", "{out}"), 3, "gone.csv"),
        (
            ("propose", VAN_LOG, "-s", VAN, "-g", SAMPLES / "petrol-simulated-truth.csv",
             "-o", "{out}"),
            3, "setup's axes have 10 and 8",
        ),
        (("propose", VAN_LOG, "-s", VAN, "-o", "{out}/no/where"), 3, "does not exist"),
        (("propose", VAN_LOG, VAN_LOG, "-s", VAN, "-o", "{out}"), 3, "byte for byte"),
        (("verify", VAN_LOG, "-s", VAN), 3, "van-session-1.csv"),
        (("coverage", VAN_LOG, "-s", VAN, "--plot", "{out}.doc"), 3, ".doc"),
        (("check", "gone.csv"), 3, "gone.csv"),
        (("limits", "-s", "gone.toml"), 3, "gone.toml"),
    ],
)  # fmt: skip
def test_what_cannot_be_used_is_named_and_nothing_is_written(
    tmp_path: Path, arguments: tuple[object, ...], status: int, words: str
) -> None:
    filled = [str(a).format(out=tmp_path / "out") for a in arguments]
    result = run(*filled, env={"COLUMNS": "200"})
    assert result.exit_code == status, result.output
    assert words in result.stderr.replace("│", "")
    assert result.stdout == ""
    assert "Traceback" not in result.stderr
    assert list(tmp_path.iterdir()) == []


def test_messages_start_with_the_programs_name(tmp_path: Path) -> None:
    result = run("propose", "gone.csv", "-s", VAN, "-o", tmp_path / "out")
    assert result.stderr.startswith("tuneassist: gone.csv: ")


def test_a_sensor_at_its_lean_stop_is_told_about_and_not_corrected(tmp_path: Path) -> None:
    setup, out = tmp_path / "stop.toml", tmp_path / "out"
    text = PETROL.read_text(encoding="utf-8") + "\n[steady]\nsensor_leanest_lambda = 1.0\n"
    setup.write_text(text, encoding="utf-8")
    result = run("propose", PETROL_LOG, "-s", setup, "-o", out)
    assert result.exit_code == 0, result.output
    assert "at its limit, leaner than it can show" in " ".join(result.stdout.split())
    rows = [dict(zip(CONTRACT_HEADER.split(","), r, strict=True)) for r in table(out / "cells.csv")]
    bounded = [r for r in rows if "at its lean stop" in r["reason"]]
    assert bounded
    assert {(r["step_pct"], r["deviation_pct"]) for r in bounded} == {("0", "")}


def test_an_engine_that_was_never_warm_ends_with_4_and_names_the_filter(tmp_path: Path) -> None:
    setup = tmp_path / "cold.toml"
    text = PETROL.read_text(encoding="utf-8") + "\n[steady]\nmin_coolant_c = 200\n"
    setup.write_text(text, encoding="utf-8")
    result = run("propose", PETROL_LOG, "-s", setup, "-o", tmp_path / "out")
    assert result.exit_code == 4
    assert "engine cold" in result.stderr
    assert result.stdout == ""
    assert sorted(path.name for path in tmp_path.iterdir()) == ["cold.toml"]


def test_when_the_checker_objects_to_the_written_form_nothing_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    breach = Breach("made_up_rule", 900.0, 6.0, 1.0, 0.0, "made_up_rule: at 900 rpm, 6: too much")
    monkeypatch.setattr("tuneassist.workflow.proposal_files.check_grid", lambda *a, **k: (breach,))
    result = run("propose", VAN_LOG, "-s", VAN, "-o", tmp_path / "out")
    assert result.exit_code == 5
    assert "made_up_rule: at 900 rpm, 6: too much" in result.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_grid_text_that_says_something_else_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A writer that swapped two rows would pass every rule on the grid in memory."""
    from tuneassist.files.grid_file import write_grid_text

    def swapped(grid: object) -> str:
        first, *rows = write_grid_text(grid).splitlines(keepends=True)  # type: ignore[arg-type]
        return first + "".join(reversed(rows))

    monkeypatch.setattr("tuneassist.workflow.proposal_files.write_grid_text", swapped)
    result = run("propose", VAN_LOG, "-s", VAN, "-o", tmp_path / "out")
    assert result.exit_code == 5
    assert list(tmp_path.iterdir()) == []


def test_a_mistake_in_the_program_is_one_sentence_without_traceback(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("inside")

    monkeypatch.setattr("tuneassist.pipeline.propose_from", broken)
    result = run("propose", VAN_LOG, "-s", VAN, "-o", tmp_path / "out")
    assert result.exit_code == 1
    assert len(result.stderr.splitlines()) == 1
    assert "not in your files: ZeroDivisionError: inside" in result.stderr
    assert list(tmp_path.iterdir()) == []


def test_stopping_a_run_ends_with_130_and_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stopped(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("tuneassist.pipeline.propose_from", stopped)
    result = run("propose", VAN_LOG, "-s", VAN, "-o", tmp_path / "out")
    assert result.exit_code == 130
    assert "stopped" in result.stderr
    assert list(tmp_path.iterdir()) == []


def test_check_shows_conversion_filters_delay_settling_and_holds() -> None:
    result = run("check", PETROL_LOG, "-s", PETROL)
    assert result.exit_code == 0, result.output
    words = " ".join(result.stdout.split())
    for part in (
        "Wideband (AFR)",
        "injector_duty",
        "degF",
        "none dropped",
        "Where the samples went",
        "lambda delay",
        "settling removed",
        "rpm, manifold pressure",
    ):
        assert part in words, part


def test_check_without_a_setup_recognises_by_header_and_looks_for_no_holds() -> None:
    result = run("check", VAN_LOG)
    assert result.exit_code == 0, result.output
    assert "coolant_volts" in result.stdout
    assert "header" in result.stdout
    assert "Where the samples went" not in result.stdout


def test_check_json_holds_columns_and_evidence_and_errors_of_single_logs() -> None:
    result = run("check", "gone.csv", PETROL_LOG, "-s", PETROL, "--json")
    bad, good = json.loads(result.stdout)["logs"]
    assert result.exit_code == 3
    assert "gone.csv" in bad["error"]
    assert good["rows_read"] == good["rows_kept"] + sum(good["rows_dropped"].values())
    lam = next(c for c in good["columns"] if c["channel"] == "lambda")
    assert (lam["unit_read"], lam["unit_inside"]) == ("afr", "lambda")
    assert len(good["holds"]) == good["evidence"]["holds"] > 30
    assert list(good["words"]) == [
        "lambda arrives late by", "settling taken off", "sensor's stops", "new values", "holds",
    ]  # keys that scripts read, whatever the screen calls them  # fmt: skip


def test_check_shows_what_a_proposal_would_doubt_in_the_same_words(tmp_path: Path) -> None:
    log = tmp_path / "simulated-dead-sensor.csv"
    frame = pd.read_csv(PETROL_LOG, skiprows=1)
    rng = np.random.default_rng(0)
    from_then = 4 * len(frame) // 5  # a log that is dead from the start is no evidence at all
    noise = 0.05 * rng.standard_normal(len(frame) - from_then)
    frame.loc[from_then:, "Wideband (AFR)"] = (11.0 + noise).round(2)
    frame.to_csv(log, index=False)
    record = json.loads(run("check", log, "-s", PETROL, "--json").stdout)
    done = run("propose", log, "-s", PETROL, "--out", tmp_path / "out", "--json")
    proposed = json.loads(done.stdout)["notes"]
    (doubt,) = (note for note in record["doubts"] if "lambda does not respond" in note)
    assert doubt in proposed
    said = {note for one in record["logs"] for note in one["evidence"]["notes"]}
    assert not said & set(record["doubts"])
    assert set(record["doubts"]) | said >= {n for n in proposed if "whole map" in n or "does" in n}
    words = " ".join(run("check", log, "-s", PETROL).stdout.split())
    assert "Doubts about a proposal from these logs" in words
    assert "lambda does not respond" in words
    whole = json.loads(run("check", PETROL_LOG, "-s", PETROL, "--json").stdout)
    assert not any("answer" in note for note in whole.get("doubts", []))


def test_coverage_counts_add_up_and_json_is_pure() -> None:
    result = run("coverage", PETROL_LOG, "-s", PETROL, "--json")
    record = json.loads(result.stdout)
    assert result.exit_code == 0
    assert result.stderr == ""
    assert sum(record["cells_by_state"].values()) == len(record["cells"]) == 144
    for cell in record["cells"]:
        assert (cell["state"] == "trusted") == (cell["confidence"] in ("fair", "good"))


@pytest.mark.parametrize("suffix", [".png", ".svg", ".pdf"])
def test_coverage_draws_a_picture_of_the_kind_asked_for(tmp_path: Path, suffix: str) -> None:
    picture = tmp_path / f"seen{suffix}"
    result = run("coverage", VAN_LOG, "-s", VAN, "--plot", picture)
    assert result.exit_code == 0, result.output
    start = {".png": b"\x89PNG", ".svg": b"<?xml", ".pdf": b"%PDF"}[suffix]
    assert picture.read_bytes().startswith(start)
    picture.write_bytes(b"mine")
    again = run("coverage", VAN_LOG, "-s", VAN, "--plot", picture)
    assert again.exit_code == 3
    assert "--overwrite" in again.stderr
    assert picture.read_bytes() == b"mine"
    run("coverage", VAN_LOG, "-s", VAN, "--plot", picture, "--overwrite")
    assert picture.read_bytes().startswith(start)
    assert [path.name for path in tmp_path.iterdir()] == [picture.name]


def test_a_plot_without_matplotlib_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(__import__("sys").modules, "matplotlib.figure", None)
    result = run("coverage", VAN_LOG, "-s", VAN, "--plot", tmp_path / "a.png")
    assert result.exit_code == 3
    assert 'pip install "tuneassist[plot]"' in result.stderr
    assert list(tmp_path.iterdir()) == []


def test_coverage_and_propose_count_the_same_cells_without_evidence(tmp_path: Path) -> None:
    record = json.loads(run("coverage", PETROL_LOG, "-s", PETROL, "--json").stdout)
    made = run("propose", PETROL_LOG, "-s", PETROL, "-o", tmp_path / "out", "--json")
    blank = json.loads(made.stdout)["cells"]["confidence"]["none"]
    assert record["cells_without_evidence"] == blank > 0
    screen = " ".join(run("coverage", PETROL_LOG, "-s", PETROL).stdout.split())
    assert f"{blank} of 144 cells have no evidence" in screen


def test_coverage_of_a_cold_engine_is_shown_and_not_refused(tmp_path: Path) -> None:
    setup = tmp_path / "cold.toml"
    text = PETROL.read_text(encoding="utf-8") + "\n[steady]\nmin_coolant_c = 200\n"
    setup.write_text(text, encoding="utf-8")
    result = run("coverage", PETROL_LOG, "-s", setup, "--json")
    assert result.exit_code == 0, result.output
    counts = json.loads(result.stdout)["cells_by_state"]
    assert counts["held"] == counts["trusted"] == 0
    assert counts["seen"] > 50


def test_verify_finds_in_what_propose_wrote_only_what_the_grid_in_force_held(
    proposed: tuple[Path, Result], tmp_path: Path
) -> None:
    folder = proposed[0]
    # the grid in force holds 1.2345 % in a cell without evidence, which no controller takes
    told = run("verify", folder / "out" / "grid.csv", "-s", PETROL, "--against",
               folder / "current.csv", "--json")  # fmt: skip
    assert told.exit_code == 5
    (breach,) = json.loads(told.stdout)["breaches"]
    assert (breach["rule"], breach["value"]) == ("resolution_pct", 1.2345)
    assert breach["is_carried_over"] is True
    result = run("propose", PETROL_LOG, "--setup", PETROL, "--out", tmp_path / "out")
    assert result.exit_code == 0, result.output
    clean = run("verify", tmp_path / "out" / "grid.csv", "-s", PETROL)
    assert clean.exit_code == 0, clean.output
    assert "no rule" in " ".join(clean.stdout.split())
    assert clean.stderr == ""


def test_verify_names_each_breach_and_ends_with_5(tmp_path: Path) -> None:
    rows = table(SAMPLES / "petrol-simulated-truth.csv")
    for row in rows[1:]:
        row[1:] = ["0"] * 12
    rows[3][4], rows[7][9] = "44", "3.14159"
    grid = tmp_path / "grid.csv"
    grid.write_text("".join(",".join(row) + "\n" for row in rows), encoding="utf-8")
    result = run("verify", grid, "-s", PETROL)
    assert result.exit_code == 5
    for words in ("max_total_pct: at 1600 rpm, 60", "max_slope_rpm_pct", "max_slope_load_pct",
                  "resolution_pct: at 3500 rpm, 125"):  # fmt: skip
        assert words in result.stderr, words
    record = run("verify", grid, "-s", PETROL, "--json")
    found = json.loads(record.stdout)
    assert record.exit_code == 5
    assert not found["is_clean"]
    assert {b["rule"] for b in found["breaches"]} == {
        "max_total_pct", "max_slope_rpm_pct", "max_slope_load_pct", "resolution_pct"
    }  # fmt: skip


def test_limits_lists_value_unit_origin_and_the_safe_way(tmp_path: Path) -> None:
    setup = tmp_path / "own.toml"
    text = PETROL.read_text(encoding="utf-8")
    text = text.replace("[limits]\n", "[limits]\nmax_step_pct = 3.5\n", 1)
    setup.write_text(text, encoding="utf-8")
    rows = {r["rule"]: r for r in json.loads(run("limits", "-s", setup, "--json").stdout)["limits"]}
    assert rows["limits.max_step_pct"]["from"] == "file"
    assert rows["limits.max_step_pct"]["value"] == "3.5"
    assert rows["limits.max_total_pct"]["from"] == "default"
    screen = run("limits", "-s", setup)
    assert screen.exit_code == 0
    assert "Which way is safe" in screen.stdout
    assert re.search(r"max_step_pct\s+3\.5 %\s+file", screen.stdout)
    wide = run("limits", "-s", setup, env={"COLUMNS": "160"})
    assert re.search(r"max_step_pct\s+3\.5 %\s+file\s+largest change", wide.stdout)


def test_limits_check_and_propose_say_once_that_a_target_is_leaner_than_the_rules(
    tmp_path: Path,
) -> None:
    setup, log = tmp_path / "own.toml", PETROL_LOG
    text = PETROL.read_text(encoding="utf-8")
    setup.write_text(
        text.replace("boost_leanest_lambda = 0.97", "boost_leanest_lambda = 0.92"), encoding="utf-8"
    )
    commands = (
        ("limits", "-s", setup),
        ("check", log, log, "-s", setup),
        ("propose", log, "-s", setup, "--out", tmp_path / "out"),
    )
    for command in commands:
        assert run(*command).stdout.count("boost_leanest_lambda allows") == 1
        told = run(*command, "--json", *(["--overwrite"] if command[0] == "propose" else []))
        assert told.exit_code == 0, told.output
        (note,) = [n for n in json.loads(told.stdout)["notes"] if "boost_leanest_lambda" in n]
        assert "up to lambda 0.964 at 800 rpm, 110 kPa" in note
    assert "leaner than boost_leanest_lambda" not in run("limits", "-s", PETROL).stdout


def test_a_ceiling_is_shown_in_the_unit_that_it_was_given_in(tmp_path: Path) -> None:
    setup = tmp_path / "own.toml"
    text = PETROL.read_text(encoding="utf-8") + (
        "\n[limits.ceilings]\nboost = { ceiling = 18, unit = 'psi' }\n"
        "exhaust_temp = { ceiling = 1650, hard = 1700, unit = 'degF' }\n"
    )
    setup.write_text(text, encoding="utf-8")
    screen = run("limits", "-s", setup).stdout
    assert re.search(r"ceilings\.boost\s+18 psi gauge, no hard ceiling\s+file", screen)
    assert re.search(r"ceilings\.exhaust_temp\s+1650 degF, hard 1700\s+file", screen)
    assert re.search(r"ceilings\.injector_duty\s+85 %, no hard ceiling\s+default", screen)
    car = read_setup(setup)
    inside = car.limits.ceilings["boost"].ceiling
    assert inside == pytest.approx(124.106, abs=1e-3)  # 18 lbf/in^2, NIST SP 811
    assert reading(inside, "boost", car) == "18 psi gauge"
    assert reading(926.667, "exhaust_temp", car) == "1700 degF"


def test_a_proposal_speaks_in_the_units_of_the_setup_and_says_each_once(tmp_path: Path) -> None:
    text = PETROL.read_text(encoding="utf-8").replace('unit = "lambda"\nkind', 'unit = "afr"\nkind')
    head, tail = text.split("table = [", 1)
    body, rest = tail.split("]\n\n", 1)
    body = re.sub(r"\d\.\d{3}", lambda found: f"{float(found.group()) * 14.7:.3f}", body)
    rest = rest.replace("[limits]\n", "[limits]\nrichest_lambda = 0.96\nleanest_lambda = 0.98\n")
    ceiling = "\n[limits.ceilings]\nexhaust_temp = { ceiling = 1400, hard = 1500, unit = 'degF' }\n"
    setup = tmp_path / "own.toml"
    setup.write_text(head + "table = [" + body + "]\n\n" + rest + ceiling, encoding="utf-8")
    result = run("propose", PETROL_LOG, "-s", setup, "-o", tmp_path / "out")
    assert result.exit_code == 0, result.output
    cells = (tmp_path / "out" / "cells.csv").read_text(encoding="utf-8")
    reasons = [row["reason"] for row in csv.DictReader(cells.splitlines())]
    said = " ".join(result.stdout.split()).partition("What was limited")[2] + "; ".join(reasons)
    # 0.96 and 0.98 x 14.7, by the definition of AFR
    for words in ("mixture allowed, 14.11 AFR", "mixture allowed, 14.41 AFR", "1400 degF"):
        assert words in said, words
    assert not re.search(r"degC|lambda \d\.|\d lambda", said)
    assert not re.search(r"(degF|AFR|kPa) \1", said)
    assert not re.search(r"\d\.\d{3,}", said)


def test_lambda_is_shown_in_the_unit_of_the_setups_target(tmp_path: Path) -> None:
    def to_afr(found: re.Match[str]) -> str:
        return f"{float(found.group()) * 14.7:.3f}"

    text = PETROL.read_text(encoding="utf-8").replace('unit = "lambda"\nkind', 'unit = "afr"\nkind')
    head, tail = text.split("table = [", 1)
    body, rest = tail.split("]\n\n", 1)
    setup = tmp_path / "afr.toml"
    setup.write_text(
        head + "table = [" + re.sub(r"\d\.\d{3}", to_afr, body) + "]\n\n" + rest, encoding="utf-8"
    )
    limits = run("limits", "-s", setup).stdout
    assert re.search(r"richest_lambda\s+10\.29 AFR", limits)  # 0.70 x 14.7
    check = " ".join(run("check", PETROL_LOG, "-s", setup, env={"COLUMNS": "160"}).stdout.split())
    # everything else in the unit of the log: 23.68 to 178.3 kPa / 6.894757 (NIST SP 811)
    assert "manifold_pressure psi header - 3.434 to 25.86 psi absolute" in check
    assert "coolant_temp degF setup - 68 to 194.7 degF" in check  # 20 to 90.39 degC
    assert re.search(r"lambda afr setup - \d\d\.\d\d to \d\d\.\d\d AFR", check)


@pytest.mark.parametrize("command", ["propose", "check", "coverage", "verify", "limits"])
def test_every_command_has_help_with_its_options(command: str) -> None:
    result = run(command, "--help", env={"COLUMNS": "120"})
    assert result.exit_code == 0
    assert "--json" in result.stdout
    assert "--setup" in result.stdout
    flags = [line for line in result.stdout.splitlines() if "--json" in line]
    assert "<bool>" not in flags[0]


def test_the_help_says_the_exit_statuses_and_version_the_version() -> None:
    help_text = " ".join(run("--help").stdout.split())
    assert "4 no usable steady evidence" in help_text
    assert run("--version").stdout.strip() == f"tuneassist {__version__}"


def test_a_folder_stands_for_its_logs_and_grids_in_it_are_left_out(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("b.csv", "a.TXT", ".hidden.csv", "photo.jpg"):
        (tmp_path / name).write_text("time,rpm\n" + "1,900\n" * 20, encoding="utf-8")
    (tmp_path / "grid.csv").write_text("\ufeffrpm/load,1,2\n", encoding="utf-8")
    found = inputs.find_logs([tmp_path])
    assert [path.name for path in found] == ["a.TXT", "b.csv"]
    said = capsys.readouterr().err
    assert "a.TXT, b.csv" in said
    assert "1 correction grid(s) left out" in said


def test_a_folder_without_logs_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(LogError, match="no log files"):
        inputs.find_logs([tmp_path])


def test_patterns_are_opened_up_where_the_shell_did_not(tmp_path: Path) -> None:
    for name in ("run1.csv", "run2.csv", "other.csv", "run[3].csv"):
        (tmp_path / name).write_text("x\n", encoding="utf-8")
    found = inputs.find_logs([tmp_path / "run?.csv", tmp_path / "run[3].csv"])
    # a file that exists is taken by its name, brackets and all
    assert [path.name for path in found] == ["run1.csv", "run2.csv", "run[3].csv"]


def test_logs_of_one_name_are_told_apart_by_their_folders(tmp_path: Path) -> None:
    paths = [Path("mon/a/x.csv"), Path("tue/a/x.csv"), Path("tue/b/x.csv"), Path("y.csv")]
    assert distinct_names(paths) == ["mon/a/x.csv", "tue/a/x.csv", "b/x.csv", "y.csv"]
    one, two = tmp_path / "one", tmp_path / "two"
    for folder, source in ((one, "petrol-session-1.csv"), (two, "petrol-session-2.csv")):
        folder.mkdir()
        (folder / "log.csv").write_bytes((SAMPLES / source).read_bytes())
    out = tmp_path / "out"
    result = run("propose", one / "log.csv", two / "log.csv", "-s", PETROL, "-o", out, "--json")
    assert result.exit_code == 0, result.output
    assert json.loads(result.stdout)["logs"] == ["one/log.csv", "two/log.csv"]
