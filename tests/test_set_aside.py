"""A log that cannot be used is set aside and named, and the rest goes on; what repeats is one note.

By the contract: several logs, one that cannot be used is set aside, named in the notes and in
``proposal.json`` (``set_aside``: name to reason); ``--strict`` makes it an error (3); an error when
none is left.
"""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner, Result

from tuneassist.cli.app import app
from tuneassist.errors import LogError
from tuneassist.evidence.repeats import said_once, unusable_notes
from tuneassist.grid import Axes
from tuneassist.parallel import LogFile, usable_logs
from tuneassist.reading import Log, read_log
from tuneassist.settings import (
    Ceiling,
    ChannelSource,
    EngineSettings,
    Setup,
    Target,
    default_limits,
)
from tuneassist.simulate import SessionPlan, draw_engine, simulate_session
from tuneassist.simulate.logs import Dialect, standard_columns, write_log
from tuneassist.simulate.sample_logs import setup_text

ENGINE = draw_engine(np.random.default_rng(31))
PLAN = SessionPlan(holds=25, rate_hz=5, warm_up_s=0, gaps=0)
SHORT_ROW = "the header names"
"""Of the message on a log whose rows are shorter than its header."""


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(a) for a in arguments], env={"COLUMNS": "200"})


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a car's setup, two sound logs, and some that cannot be used."""
    home = tmp_path_factory.mktemp("bench")
    for name, seed in (("a.csv", 1), ("b.csv", 2)):
        session = simulate_session(ENGINE, PLAN, rng=np.random.default_rng(seed))
        columns = standard_columns(session)
        write_log(home / name, session, Dialect(columns))
    text = setup_text(ENGINE.car, columns, rev_limit_rpm=6800)
    (home / "car.toml").write_text(text, encoding="utf-8")
    lines = (home / "a.csv").read_text(encoding="utf-8").splitlines()
    place = next(i for i, line in enumerate(lines) if "RPM" in line.upper())
    cut = [*lines[:place], lines[place] + ",one more", *lines[place + 1 :]]
    (home / "short.csv").write_text("\n".join(cut) + "\n", encoding="utf-8")
    for number in range(5):
        (home / f"empty{number}.csv").write_bytes(b"")
    return home


def record(folder: Path) -> dict[str, object]:
    return dict(json.loads((folder / "proposal.json").read_text(encoding="utf-8")))


def test_one_log_that_cannot_be_used_is_named_and_the_others_go_on(
    bench: Path, tmp_path: Path
) -> None:
    car = bench / "car.toml"
    alone = run("propose", bench / "a.csv", "-s", car, "-o", tmp_path / "alone")
    assert alone.exit_code == 0, alone.output
    both = run("propose", bench / "short.csv", bench / "a.csv", "-s", car, "-o", tmp_path / "both")
    assert both.exit_code == 0, both.output
    said = " ".join(both.stdout.split())
    assert "1 of 2 logs, " in said
    assert f"set aside, cannot be used: short.csv: {SHORT_ROW}" in said.replace("Row 2: ", "")
    for name in ("step.csv", "grid.csv", "cells.csv"):
        assert (tmp_path / "both" / name).read_bytes() == (tmp_path / "alone" / name).read_bytes()
    kept = record(tmp_path / "both")
    assert list(kept["set_aside"]) == ["short.csv"]
    assert SHORT_ROW in kept["set_aside"]["short.csv"]
    assert "short.csv" not in kept["set_aside"]["short.csv"]
    assert kept["logs_given"] == 2
    assert any("short.csv" in note for note in kept["notes"])
    assert (record(tmp_path / "alone")["set_aside"], record(tmp_path / "alone")["logs_given"]) == (
        {},
        1,
    )


def test_a_reason_that_repeats_is_one_line_on_every_screen(bench: Path, tmp_path: Path) -> None:
    empty = sorted(bench.glob("empty*.csv"))
    asked = ("propose", *empty, bench / "a.csv", "-s", bench / "car.toml", "-o", tmp_path / "out")
    result = run(*asked)
    assert result.exit_code == 0, result.output
    told = json.loads(run(*asked, "--json", "--overwrite").stdout)
    assert told["notes"][0].startswith("set aside, cannot be used: in 5 logs")
    assert len(told["set_aside"]) == 5
    verdict, _, rest = result.stdout.partition("\n\n")
    assert "A log was set aside" in verdict
    said = " ".join(rest.split())
    line = "set aside, cannot be used: in 5 logs (empty0.csv, empty1.csv, empty2.csv and 2 more):"
    assert f"{line} the file is empty." in said
    assert said.count("the file is empty") == 1
    assert len(record(tmp_path / "out")["set_aside"]) == 5


def test_strict_ends_with_3_and_writes_nothing(bench: Path, tmp_path: Path) -> None:
    logs = (bench / "a.csv", bench / "short.csv")
    for command in (
        ("propose", *logs, "-o", tmp_path / "out"),
        ("coverage", *logs),
        ("check", *logs),
        ("plan", *logs, "--minutes", "5"),
    ):
        result = run(*command, "-s", bench / "car.toml", "--strict")
        assert result.exit_code == 3, (command, result.output)
        assert "short.csv" in result.stderr
        assert SHORT_ROW in result.stderr
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("command", ["propose", "coverage", "plan", "check"])
def test_none_left_is_an_error_that_says_each_reason_once(
    bench: Path, tmp_path: Path, command: str
) -> None:
    more = {"propose": ("-o", tmp_path / "out"), "plan": ("--minutes", "5")}.get(command, ())
    logs = (bench / "empty0.csv", bench / "empty1.csv", bench / "short.csv")
    result = run(command, *logs, "-s", bench / "car.toml", *more)
    assert result.exit_code == 3
    assert result.stderr.count("the file is empty") == 1
    assert "empty0.csv, empty1.csv" in result.stderr
    assert SHORT_ROW in result.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_is_missing_still_ends_the_job(bench: Path, tmp_path: Path) -> None:
    result = run(
        "propose", bench / "a.csv", "gone.csv", "-s", bench / "car.toml", "-o", tmp_path / "out"
    )
    assert (result.exit_code, list(tmp_path.iterdir())) == (3, [])
    assert "gone.csv: there is no such file" in result.stderr


def test_check_and_coverage_and_plan_name_it_and_end_well(bench: Path) -> None:
    logs = (bench / "a.csv", bench / "short.csv", "-s", bench / "car.toml")
    looked = run("check", *logs, "--json")
    assert looked.exit_code == 0, looked.output
    seen = json.loads(looked.stdout)
    assert list(seen["set_aside"]) == ["short.csv"]
    assert [("error" in one) for one in seen["logs"]] == [False, True]
    assert "short.csv" in looked.stderr
    for command in (("coverage", *logs, "--json"), ("plan", *logs, "--minutes", "5", "--json")):
        result = run(*command)
        assert result.exit_code == 0, result.output
        found = json.loads(result.stdout)
        assert list(found["set_aside"]) == ["short.csv"]
        assert any(note.startswith("set aside, cannot be used: short") for note in found["notes"])


def test_check_of_one_broken_log_named_twice_is_still_an_error(bench: Path) -> None:
    result = run("check", bench / "short.csv", bench / "short.csv")
    assert (result.exit_code, result.stdout) == (3, "")


def test_a_round_keeps_what_it_set_aside_also_when_it_is_judged_again(
    bench: Path, tmp_path: Path
) -> None:
    tune = tmp_path / "tune"
    assert run("rounds", "start", tune, "--setup", bench / "car.toml").exit_code == 0
    first = run("rounds", "add", tune, bench / "a.csv", bench / "short.csv")
    assert first.exit_code == 0, first.output
    kept = record(tune / "round-01")
    assert list(kept["set_aside"]) == ["round-01/short.csv"]
    assert run("rounds", "accept", tune).exit_code == 0
    # logged with the old grid in the controller, so that the engine seems not to answer
    second = run("rounds", "add", tune, bench / "b.csv", bench / "empty0.csv")
    assert second.exit_code == 6, second.output
    assert "empty0.csv" in " ".join(second.stdout.split())
    assert run("rounds", "found", tune, "not-loaded").exit_code == 0
    again = record(tune / "round-02")
    assert list(again["set_aside"]) == ["round-02/empty0.csv"]
    assert any("empty0.csv" in note for note in again["notes"])
    strict = run("rounds", "add", tune, bench / "short.csv", "--strict")
    assert strict.exit_code == 3


def test_where_the_rest_holds_no_evidence_the_set_aside_are_named_too(
    bench: Path, tmp_path: Path
) -> None:
    cold = tmp_path / "cold.toml"
    text = (bench / "car.toml").read_text(encoding="utf-8")
    cold.write_text(f"{text}\n[steady]\nmin_coolant_c = 200\n", encoding="utf-8")
    result = run(
        "propose", bench / "a.csv", bench / "empty0.csv", "-s", cold, "-o", tmp_path / "out"
    )
    assert result.exit_code == 4, result.output
    assert "set aside, cannot be used: empty0.csv: the file is empty" in result.stderr


def test_workers_set_the_same_logs_aside(bench: Path, tmp_path: Path) -> None:
    logs = (bench / "a.csv", bench / "short.csv", bench / "empty1.csv")
    for workers in (1, 2):
        result = run(
            "propose", *logs, "-s", bench / "car.toml", "-o", tmp_path / f"{workers}",
            "--workers", workers,
        )  # fmt: skip
        assert result.exit_code == 0, result.output
    assert record(tmp_path / "1")["set_aside"] == record(tmp_path / "2")["set_aside"]
    assert (tmp_path / "1/cells.csv").read_bytes() == (tmp_path / "2/cells.csv").read_bytes()


def test_a_fault_of_the_setup_is_no_fault_of_one_log() -> None:
    files = [LogFile(Path("a.csv"), "a.csv"), LogFile(Path("b.csv"), "b.csv")]
    broken = LogError("the file is empty.", where="a.csv")
    missing = LogError("there is no such file.", where="b.csv", stops_run=True)
    with pytest.raises(LogError, match="no such file"):
        usable_logs(files, [broken, missing])
    with pytest.raises(LogError, match="none of the 2 logs"):
        usable_logs(files, [broken, broken])


# --- columns between which nothing decides --------------------------------------------------------

TIME = np.arange(400) * 0.1
WAVE = np.sin(TIME)


def setup_for(
    ignition: str = "spark", load_name: str = "manifold pressure", **more: object
) -> Setup:
    unit = "%" if load_name == "throttle" else "kPa"
    axes = Axes(
        np.array([1000.0, 2000.0, 4000.0]),
        np.array([10.0, 60.0, 120.0]),
        load_name=load_name,
        load_unit="percent" if unit == "%" else "kPa",
    )
    engine = EngineSettings(ignition=ignition)  # type: ignore[arg-type]
    limits = default_limits(engine.ignition)
    setup = Setup(axes=axes, target=Target(np.ones(axes.shape)), engine=engine, limits=limits)
    return replace(setup, **more)  # type: ignore[arg-type]


def read(folder: Path, setup: Setup | None = None, **columns: np.ndarray) -> Log:
    basis = {
        "Time (s)": TIME,
        "RPM": 3000 + 1500 * WAVE,
        "Lambda": 0.98 + 0.06 * WAVE,
        "MAP (kPa)": 90 + 50 * np.cos(TIME),
    }
    path = folder / "log.csv"
    path.write_text(pd.DataFrame({**basis, **columns}).to_csv(index=False), encoding="utf-8")
    return read_log(path, setup=setup or setup_for())


FOUR_THROTTLES = {
    "Throttle (%)": 40 + 30 * WAVE,
    "Throttle position (%)": 41 + 30 * WAVE,
    "TPS (%)": 42 + 30 * WAVE,
    "Throttle opening (%)": 43 + 30 * WAVE,
}


def test_four_throttles_are_left_unread_with_one_note_that_says_how_to_name_one(
    tmp_path: Path,
) -> None:
    log = read(tmp_path, **FOUR_THROTTLES)
    assert "throttle_pct" not in log.samples
    assert len(log.samples) == len(TIME)
    (note,) = [note for note in log.notes if "throttle" in note]
    assert all(repr(header) in note for header in FOUR_THROTTLES)
    assert 'throttle = { column = "Throttle (%)", unit = "percent" }' in note
    assert "log.csv" not in note
    named = setup_for(channels={"throttle": ChannelSource("TPS (%)", "percent")})
    found = read(tmp_path, named, **FOUR_THROTTLES).samples
    np.testing.assert_allclose(found["throttle_pct"], FOUR_THROTTLES["TPS (%)"], atol=1e-6)


@pytest.mark.parametrize(
    ("ignition", "headers", "is_asked"),
    [
        ("spark", ("Injector duty 1 (%)", "Injector duty 2 (%)"), True),  # has a ceiling
        ("compression", ("Injector duty 1 (%)", "Injector duty 2 (%)"), False),
        ("spark", ("EGT 1 (degC)", "EGT 2 (degC)"), True),
        ("compression", ("Boost 1 (kPa gauge)", "Boost 2 (kPa gauge)"), True),
        ("spark", ("Coolant 1 (degC)", "Coolant 2 (degC)"), True),  # a filter hangs on it
        ("spark", ("Pedal 1 (%)", "Pedal 2 (%)"), False),
        ("spark", ("Lambda target 1", "Lambda target 2"), False),
        ("spark", ("Torque 1 (Nm)", "Torque 2 (Nm)"), False),
    ],
)
def test_what_the_job_needs_is_asked_about_and_the_rest_is_left_unread(
    tmp_path: Path, ignition: str, headers: tuple[str, str], is_asked: bool
) -> None:
    columns = {header: 80.0 + k + 5 * WAVE for k, header in enumerate(headers)}
    if headers[0].startswith("Lambda"):
        columns = {header: 0.9 + 0.05 * WAVE + 0.01 * k for k, header in enumerate(headers)}
    if is_asked:
        with pytest.raises(LogError, match="several columns could be"):
            read(tmp_path, setup_for(ignition), **columns)
        return
    log = read(tmp_path, setup_for(ignition), **columns)
    assert any("several columns could be" in note for note in log.notes)


def test_a_ceiling_makes_a_channel_needed_and_doubt_about_it_ends_the_job(tmp_path: Path) -> None:
    columns = {"Torque 1 (Nm)": 80.0 + WAVE, "Torque 2 (Nm)": 81.0 + WAVE}
    limits = default_limits("spark")
    with_torque = {**limits.ceilings, "torque": Ceiling(200.0)}
    setup = setup_for(limits=replace(limits, ceilings=MappingProxyType(with_torque)))
    with pytest.raises(LogError, match="several columns could be torque") as caught:
        read(tmp_path, setup, **columns)
    assert caught.value.stops_run
    # a doubt about lambda makes one log useless and hides no heat
    with pytest.raises(LogError, match="several columns could be lambda") as caught:
        read(tmp_path, **{"Lambda 2": 0.98 + 0.06 * WAVE})
    assert not caught.value.stops_run


def test_the_axis_makes_a_throttle_needed_and_a_named_load_spares_the_second_pressure(
    tmp_path: Path,
) -> None:
    with pytest.raises(LogError, match="several columns could be throttle"):
        read(tmp_path, setup_for(load_name="throttle"), **FOUR_THROTTLES)
    second = {"Manifold pressure (kPa)": 80 + 40 * np.cos(TIME)}
    with pytest.raises(LogError, match="several columns could be manifold_pressure"):
        read(tmp_path, **second)
    named = setup_for(channels={"load": ChannelSource("MAP (kPa)", "kPa")})
    log = read(tmp_path, named, **second)
    np.testing.assert_allclose(log.samples["manifold_pressure_kpa"], log.samples["load"])


def test_senders_in_volts_are_asked_about_only_where_they_alone_show_a_warm_engine(
    tmp_path: Path,
) -> None:
    senders = {"Coolant 1 (V)": 0.5 + 0.1 * WAVE, "Coolant 2 (V)": 0.6 + 0.1 * WAVE}
    with pytest.raises(LogError, match="several columns could be coolant_volts"):
        read(tmp_path, **senders)
    log = read(tmp_path, **senders, **{"Coolant temp (degC)": 80.0 + WAVE})
    assert "coolant_volts" not in log.samples
    assert "coolant_temp_c" in log.samples


def test_one_of_many_logs_with_two_exhaust_sensors_is_asked_about(
    bench: Path, tmp_path: Path
) -> None:
    lines = (bench / "b.csv").read_text(encoding="utf-8").splitlines()
    place = next(i for i, line in enumerate(lines) if "RPM" in line.upper())
    rows = [f"{line},700,710" for line in lines[place + 1 :]]
    header = f"{lines[place]},EGT front (degC),EGT rear (degC)"
    extra = tmp_path / "hot.csv"
    header = header.replace("EGT front", "EGT 1").replace("EGT rear", "EGT 2")
    extra.write_text("\n".join([*lines[:place], header, *rows]) + "\n", encoding="utf-8")
    shutil.copy(bench / "a.csv", tmp_path / "a.csv")
    asked = ("propose", tmp_path / "a.csv", extra, "-s", bench / "car.toml", "-o", tmp_path / "out")
    for workers in ("1", "2"):
        result = run(*asked, "--workers", workers)
        assert result.exit_code == 3, result.output
        assert "several columns could be exhaust_temp" in result.stderr
    assert not (tmp_path / "out").exists()


# --- what repeats ---------------------------------------------------------------------------------


def test_notes_that_differ_only_in_name_and_numbers_are_one_with_the_largest_figure() -> None:
    names = [f"drive{number}.csv" for number in range(1, 13)]
    notes = [f"log {name} was set aside: {k} moves" for k, name in enumerate(names[:6])]
    notes += [f"{name}: column 'EGT 1' has a gap" for name in names]
    notes += ["a sentence of its own"]
    assert said_once(notes, names) == (
        "in 6 logs (drive1.csv, drive2.csv, drive3.csv and 3 more), such as log drive6.csv was "
        "set aside: 5 moves",
        "in all 12 logs: column 'EGT 1' has a gap",
        "a sentence of its own",
    )


def test_notes_on_other_columns_or_of_another_sign_stay_apart() -> None:
    names = ["a.csv", "b.csv", "c.csv", "d.csv"]
    columns = [f"{name}: column 'EGT {k}' has 3 gaps" for k, name in enumerate(names)]
    assert said_once(columns, names) == tuple(columns)
    signs = [f"log {n} reads {'+' if n < 'c' else '-'}3.5 % off" for n in names]
    assert said_once(signs, names) == tuple(signs)
    few = [f"{name}: {k} rows lost" for k, name in enumerate(names[:3])]
    assert said_once(few, names) == tuple(few)
    assert said_once(["1 thing", "2 thing", "3 thing", "4 thing"], names) == (
        "1 thing", "2 thing", "3 thing", "4 thing",
    )  # fmt: skip


def test_a_name_within_a_name_is_not_taken_for_it() -> None:
    said = said_once(["a.csv: cold", "aa.csv: cold"], ["a.csv", "aa.csv", "b.csv"])
    assert said == ("a.csv, aa.csv: cold",)
    assert unusable_notes({"a.csv": "cold"}, ["aa.csv"]) == (
        "set aside, cannot be used: a.csv: cold",
    )
