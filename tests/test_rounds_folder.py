"""A tune's folder: what is kept reads back as it was, whatever was cut short."""

from __future__ import annotations

import json
import shutil
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import filelock
import numpy as np
import pandas as pd
import pytest

from tuneassist.errors import InputError, OutputError
from tuneassist.files import round_evidence, tune_folder
from tuneassist.files.grid_file import write_grid_text
from tuneassist.files.round_evidence import StoredEvidence, evidence_contents, read_evidence
from tuneassist.files.tune_folder import open_tune, start_tune
from tuneassist.files.tune_layout import made_of
from tuneassist.grid import Grid
from tuneassist.loop.history import Event
from tuneassist.loop.pooling import Round, pool_rounds
from tuneassist.loop.response import Response
from tuneassist.loop.rounds import add_round
from tuneassist.pipeline import LogEvidence, gather, reduce_log
from tuneassist.settings import Setup
from tuneassist.simulate import SessionPlan, draw_engine, simulate_session
from tuneassist.simulate.logs import standard_columns
from tuneassist.simulate.sample_logs import setup_text

ENGINE = draw_engine(np.random.default_rng(21))
SETUP = Setup(axes=ENGINE.car.axes, target=ENGINE.car.target)
START = Grid.zeros(SETUP.axes)
PLAN = SessionPlan(holds=30, rate_hz=5, warm_up_s=0)
SETUP_TEXT = setup_text(
    ENGINE.car,
    standard_columns(
        simulate_session(ENGINE, replace(PLAN, holds=1), rng=np.random.default_rng(0))
    ),
    rev_limit_rpm=6800,
)


def logged(seed: int, grid: Grid | None = None, **plan: Any) -> LogEvidence:
    session = simulate_session(
        ENGINE, replace(PLAN, **plan), grid=grid, rng=np.random.default_rng(seed)
    )
    return reduce_log(session.samples, name=f"round-01/log, {seed}.csv", setup=SETUP)


def stored(
    *logs: LogEvidence, response: Response | None = None, made: str = "m1"
) -> StoredEvidence:
    return StoredEvidence(
        made=made,
        logs=logs,
        set_aside={logs[0].name: "of another car"} if len(logs) > 2 else {},
        response=response or Response("first round", "why"),
        summary={"number": 1},
        visits=Grid(SETUP.axes, np.arange(SETUP.axes.size, dtype=float).reshape(SETUP.axes.shape)),
    )


def written(folder: Path, evidence: StoredEvidence) -> StoredEvidence:
    folder.mkdir()
    for name, text in evidence_contents(evidence, SETUP.axes).items():
        (folder / name).write_text(text, encoding="utf-8", newline="")
    return read_evidence(folder, SETUP.axes)


@pytest.fixture(scope="module")
def logs() -> list[LogEvidence]:
    return [logged(1), logged(2, is_closed_loop=True), logged(3, spike_share=0.01)]


# --- evidence -----------------------------------------------------------------------------------


def test_evidence_reads_back_as_the_very_same_numbers(tmp_path, logs) -> None:
    back = written(tmp_path / "round", stored(*logs))
    assert [log.name for log in back.counted] == [log.name for log in logs[1:]]
    for one, other in zip(logs, back.logs, strict=True):
        pd.testing.assert_frame_equal(one.holds, other.holds, check_exact=True)
        pd.testing.assert_frame_equal(one.peaks, other.peaks, check_exact=True)
        assert one.driven is not None
        assert other.driven is not None
        pd.testing.assert_frame_equal(one.driven, other.driven, check_exact=True)
        assert one.blocks is not None
        assert other.blocks is not None
        assert len(one.blocks) > 20
        pd.testing.assert_frame_equal(one.blocks, other.blocks, check_exact=True)
        pd.testing.assert_series_equal(one.fates, other.fates, check_names=False)
        for field in ("name", "samples", "refresh", "settling", "stops", "notes"):
            assert getattr(one, field) == getattr(other, field), field
        assert repr(one.delay) == repr(other.delay)  # nan is not equal to itself


def test_stored_rounds_pool_as_living_ones_do(tmp_path, logs) -> None:
    """Round 2 under another grid, judged and proposed on either: every number is the same."""
    now = Grid(SETUP.axes, np.full(SETUP.axes.shape, 3.0))
    second = logged(4, now)
    living = [Round(1, (logs[0],), START, Response("first round", ""))]
    kept = written(tmp_path / "round", stored(logs[0]))
    again = [Round(1, kept.counted, START, kept.response)]
    results = [add_round(r, [second], setup=SETUP, current=now) for r in (living, again)]
    pd.testing.assert_frame_equal(
        results[0].proposal.cells, results[1].proposal.cells, check_exact=True
    )
    pools = [pool_rounds([*r, results[0].round], setup=SETUP, current=now) for r in (living, again)]
    pd.testing.assert_frame_equal(pools[0].cells, pools[1].cells, check_exact=True)


def test_evidence_of_the_first_format_is_read_without_moving_samples(tmp_path, logs) -> None:
    folder = tmp_path / "round"
    written(folder, stored(*logs[:2]))
    record = json.loads((folder / "evidence.json").read_text(encoding="utf-8"))
    assert record["format"] == round_evidence.FORMAT == 3
    (folder / "evidence.json").write_text(json.dumps({**record, "format": 1}), encoding="utf-8")
    (folder / "blocks.csv").unlink()  # the first format had none
    back = read_evidence(folder, SETUP.axes)
    assert all(log.blocks is None and log.trace is None for log in back.logs)
    pd.testing.assert_frame_equal(back.logs[0].holds, logs[0].holds, check_exact=True)
    held = [replace(log, blocks=None) for log in logs[:2]]
    cells = [gather(each, setup=SETUP, current=START).cells for each in (back.logs, held)]
    pd.testing.assert_frame_equal(*cells, check_exact=True)


def test_evidence_of_the_second_format_is_read_without_samples_over_time(tmp_path, logs) -> None:
    folder = tmp_path / "round"
    living = written(folder, stored(*logs[:2]))
    record = json.loads((folder / "evidence.json").read_text(encoding="utf-8"))
    (folder / "evidence.json").write_text(json.dumps({**record, "format": 2}), encoding="utf-8")
    (folder / "trace.csv").unlink()  # the second format had none
    back = read_evidence(folder, SETUP.axes)
    for one, other, log in zip(living.logs, back.logs, logs[:2], strict=True):
        assert one.trace is not None
        assert other.trace is None
        pd.testing.assert_frame_equal(one.trace, log.trace, check_exact=True, check_dtype=False)
        pd.testing.assert_frame_equal(one.blocks, other.blocks, check_exact=True)


@pytest.mark.parametrize(
    ("column", "value", "says"),
    [
        ("fate", "eaten", "unknown fate"),
        ("time_s", np.nan, "missing time"),
        ("rpm", 1e12, "implausible number"),
    ],
)
def test_samples_over_time_that_no_log_can_produce_are_refused(
    tmp_path, logs, column, value, says
) -> None:
    assert logs[0].trace is not None
    trace = logs[0].trace.copy()
    trace.loc[3, column] = value
    with pytest.raises(InputError, match=says):
        written(tmp_path / "round", stored(replace(logs[0], trace=trace)))


@pytest.mark.parametrize(
    ("column", "value", "says"),
    [
        ("samples", 0.0, "no samples"),
        ("rate_per_s", -1.0, "negative rate"),
        ("need_ln", np.nan, "missing or implausible"),
        ("load_transient_0", 1e12, "missing or implausible"),
    ],
)
def test_blocks_that_no_log_can_produce_are_refused(tmp_path, logs, column, value, says) -> None:
    assert logs[0].blocks is not None
    blocks = logs[0].blocks.copy()
    blocks.loc[3, column] = value
    with pytest.raises(InputError, match=says):
        written(tmp_path / "round", stored(replace(logs[0], blocks=blocks)))


def test_a_missing_column_of_the_blocks_is_named(tmp_path, logs) -> None:
    written(tmp_path / "round", stored(logs[0]))
    path = tmp_path / "round" / "blocks.csv"
    pd.read_csv(path).drop(columns="rate_per_s").to_csv(path, index=False)
    with pytest.raises(InputError, match="no column rate_per_s"):
        read_evidence(tmp_path / "round", SETUP.axes)


def test_a_log_without_a_hold_is_kept_too(tmp_path, logs) -> None:
    empty = replace(logs[0], name="empty", holds=logs[0].holds.iloc[:0])
    back = written(tmp_path / "round", stored(empty, logs[1]))
    assert back.logs[0].holds.empty
    assert list(back.logs[0].holds.columns) == list(empty.holds.columns)


def test_a_response_reads_back_with_its_regions(tmp_path, logs) -> None:
    regions = pd.DataFrame({"region": ["low"], "holds": [5], "response": [0.5]})
    response = Response("no answer", "w", 0.1, -0.1, 0.3, holds=12, regions=regions)
    back = written(tmp_path / "round", stored(logs[0], response=response)).response
    for field in fields(Response):
        if field.name == "regions":
            pd.testing.assert_frame_equal(back.regions, regions)
        else:
            one, other = getattr(response, field.name), getattr(back, field.name)
            assert repr(one) == repr(other), field.name  # nan is not equal to itself


@pytest.mark.parametrize(
    ("driven", "is_read"),
    [
        (None, True),  # as an older program left it
        ({"rpm": [900.0], "load_low": [30.0]}, False),
        ({"rpm": [900.0], "load_low": [30.0], "load_high": []}, False),
        ({"rpm": [900.0], "load_low": [30.0], "load_high": [1e99]}, False),
        ({"rpm": [900.0], "load_low": [30.0], "load_high": ["much"]}, False),
    ],
)
def test_loads_driven_are_checked_when_read_back(tmp_path, logs, driven, is_read) -> None:
    written(tmp_path / "round", stored(logs[0]))
    path = tmp_path / "round" / "evidence.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    record["logs"][0]["driven"] = driven
    if driven is None:
        del record["logs"][0]["driven"]
    path.write_text(json.dumps(record), encoding="utf-8")
    if is_read:
        assert read_evidence(tmp_path / "round", SETUP.axes).logs[0].driven is None
        return
    with pytest.raises(InputError, match="cannot be read"):
        read_evidence(tmp_path / "round", SETUP.axes)


@pytest.mark.parametrize("name", round_evidence.EVIDENCE_FILES)
def test_damaged_evidence_is_told_with_its_folder(tmp_path, logs, name) -> None:
    written(tmp_path / "round", stored(logs[0]))
    (tmp_path / "round" / name).write_text("{]", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_evidence(tmp_path / "round", SETUP.axes)
    assert str(tmp_path / "round") in str(caught.value)


# --- the tune's folder ---------------------------------------------------------------------------


@pytest.fixture
def car(tmp_path: Path) -> Path:
    path = tmp_path / "car.toml"
    path.write_text(SETUP_TEXT, encoding="utf-8")
    return path


def begun(folder: Path, car: Path, grid: Path | None = None) -> Path:
    start_tune(folder, setup=car, grid=grid, time="t0")
    return folder


def round_texts(made: str, log: LogEvidence, step: float = 1.0) -> dict[str, str]:
    values = np.full(SETUP.axes.shape, step)
    return {
        **evidence_contents(stored(log, made=made), SETUP.axes),
        "in-force.csv": write_grid_text(START),
        "step.csv": write_grid_text(Grid(SETUP.axes, values)),
        "grid.csv": write_grid_text(Grid(SETUP.axes, values)),
        "cells.csv": "rpm\n",
        "proposal.json": "{}\n",
    }


def add_event(made: str, number: int = 1, in_force: str = "start") -> Event:
    return Event(
        "add",
        f"t{number}",
        {
            "number": number,
            "made": made,
            "in_force": in_force,
            "logs": [{"name": f"{made}.csv", "sha256": made}],
            "verdict": "first round",
            "is_halt": False,
        },
    )


def tree(folder: Path) -> list[str]:
    return sorted(
        path.relative_to(folder).as_posix()
        for path in folder.rglob("*")
        if path.is_dir() and not path.name.startswith(".")
    )


def test_a_new_tune_holds_setup_grid_and_history_and_reads_back(tmp_path, car) -> None:
    held = tmp_path / "held.csv"
    held.write_text(
        write_grid_text(Grid(SETUP.axes, np.full(SETUP.axes.shape, 2.5))), encoding="utf-8"
    )
    begun(tmp_path / "tune", car, held)
    names = sorted(path.name for path in (tmp_path / "tune").iterdir())
    assert names == ["history.json", "setup.toml", "start-grid.csv", "tune.json"]
    with open_tune(tmp_path / "tune") as tune:
        np.testing.assert_array_equal(tune.grid("start").values, 2.5)
        np.testing.assert_array_equal(tune.setup.target.table, ENGINE.car.target.table)
        assert tune.state.next_number == 1


def test_starting_twice_and_starting_on_other_things_are_refused(tmp_path, car) -> None:
    begun(tmp_path / "tune", car)
    with pytest.raises(InputError, match="started here already"):
        begun(tmp_path / "tune", car)
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "a.jpg").write_text("x", encoding="utf-8")
    with pytest.raises(OutputError, match="not results of this program"):
        begun(tmp_path / "photos", car)
    with pytest.raises(InputError, match="no tune here"), open_tune(tmp_path / "photos"):
        pass


@pytest.mark.parametrize("name", ["target.csv", "tables/aim.csv"])
@pytest.mark.parametrize("form", ["file = '{}'", 'file="{}" # where', "'file' = '{}'"])
def test_a_target_file_is_copied_and_found_again(tmp_path, name, form) -> None:
    home = tmp_path / "a" / "b"
    (home / "tables").mkdir(parents=True)
    axes = SETUP.axes
    (home / name).write_text(
        write_grid_text(Grid(axes, np.asarray(ENGINE.car.target.table))), encoding="utf-8"
    )
    head, _, rest = SETUP_TEXT.partition("table = [")
    text = head + form.format(name) + rest[rest.index("\n]\n") + 2 :]
    (home / "car.toml").write_text(text, encoding="utf-8")
    start_tune(tmp_path / "tune", setup=home / "car.toml", grid=None, time="t0")
    shutil.rmtree(tmp_path / "a")  # the tune stands on its own
    with open_tune(tmp_path / "tune") as tune:
        np.testing.assert_allclose(tune.setup.target.table, ENGINE.car.target.table)


def test_limits_may_be_edited_and_what_the_evidence_rests_on_may_not(tmp_path, car) -> None:
    folder = begun(tmp_path / "tune", car)
    setup = folder / "setup.toml"
    text = setup.read_text(encoding="utf-8")
    edited = text.replace("[limits]\n", "[limits]\nmax_step_pct = 4.0\n", 1)
    setup.write_text(edited, encoding="utf-8")
    with open_tune(folder) as tune:
        assert tune.setup.limits.max_step_pct == 4.0
    for old, new in (
        ('acts_on = "fuel"', 'acts_on = "boost"'),
        ('kind = "aim"', 'kind = "floor"'),
        ("800, 1200", "900, 1200"),
        ("afr_stoich = 14.7", "afr_stoich = 14.1"),
    ):
        assert old in text
        setup.write_text(text.replace(old, new), encoding="utf-8")
        with (
            pytest.raises(InputError, match="changed since the tune was started"),
            open_tune(folder),
        ):
            pass


def test_a_proposed_grid_that_was_edited_is_not_taken_for_what_was_proposed(
    tmp_path, car, logs
) -> None:
    folder = begun(tmp_path / "tune", car)
    with open_tune(folder) as tune:
        tune.write_round(1, round_texts("m1", logs[0]))
        after = tune.record_event(add_event("m1")).record_event(Event("accept", "t2"))
        assert after.grid("round-01").flat()[0] == 1.0
    path = folder / "round-01" / "grid.csv"
    saved = path.read_text(encoding="utf-8").replace(",", ";")  # as a spreadsheet may save it
    path.write_text(saved, encoding="utf-8")
    with open_tune(folder) as tune:
        assert tune.grid("round-01").flat()[0] == 1.0
    path.write_text(saved.replace(";1;", ";1.5;", 1), encoding="utf-8")
    with open_tune(folder) as tune, pytest.raises(InputError, match="not the grid that was"):
        tune.grid("round-01")


def test_two_programs_at_once_are_kept_apart(tmp_path, car) -> None:
    folder = begun(tmp_path / "tune", car)
    with open_tune(folder), pytest.raises(InputError, match="another program"), open_tune(folder):
        pass
    with open_tune(folder):
        pass


def test_a_status_on_a_folder_that_cannot_be_locked_still_reads(tmp_path, car, monkeypatch) -> None:
    folder = begun(tmp_path / "tune", car)

    def refuse(self: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(filelock.FileLock, "acquire", refuse)
    with open_tune(folder, is_reading=True) as tune:
        assert tune.state.next_number == 1
    with pytest.raises(OutputError, match="cannot be locked"), open_tune(folder):
        pass


def test_undone_and_superseded_rounds_go_to_kept_and_come_back(tmp_path, car, logs) -> None:
    folder = begun(tmp_path / "tune", car)
    with open_tune(folder) as tune:
        tune.write_round(1, round_texts("m1", logs[0]))
        first = tune.record_event(add_event("m1"))
        assert tree(folder) == ["round-01"]
        undone = first.record_event(Event("undo", "t"))
        assert tree(folder) == ["kept", "kept/round-01-1"]
        undone.write_round(1, round_texts("m2", logs[1]))
        second = undone.record_event(add_event("m2"))
        assert tree(folder) == ["kept", "kept/round-01-1", "round-01"]
        assert made_of(folder / "round-01") == "m2"
        second.record_event(Event("undo", "t"))
        assert tree(folder) == ["kept", "kept/round-01-1", "kept/round-01-2"]


def test_a_round_folder_without_an_event_is_moved_out_of_the_way(tmp_path, car, logs) -> None:
    """Left by a program that was killed between the folder and the event."""
    folder = begun(tmp_path / "tune", car)
    with open_tune(folder) as tune:
        tune.write_round(1, round_texts("orphan", logs[0]))
    assert tree(folder) == ["round-01"]
    with open_tune(folder) as tune:
        assert tree(folder) == ["kept", "kept/round-01-1"]
        assert tune.state.rounds == ()


def test_a_persons_own_folder_is_left_where_it_is(tmp_path, car) -> None:
    folder = begun(tmp_path / "tune", car)
    (folder / "round-09").mkdir()
    (folder / "photos").mkdir()
    with open_tune(folder):
        assert tree(folder) == ["photos", "round-09"]


def test_a_missing_round_is_told_and_can_be_undone(tmp_path, car, logs) -> None:
    folder = begun(tmp_path / "tune", car)
    with open_tune(folder) as tune:
        tune.write_round(1, round_texts("m1", logs[0]))
        tune.record_event(add_event("m1"))
    shutil.rmtree(folder / "round-01")
    with open_tune(folder) as tune:
        with pytest.raises(InputError, match="round 1 is missing"):
            tune.rounds(tune.state.rounds)
        assert tune.record_event(Event("undo", "t")).state.rounds == ()


# --- older and newer forms -----------------------------------------------------------------------

FIRST_FORM = {
    "tune.json": {
        "format": 1,
        "program": "tuneassist",
        "version": "0.1.0",
        "label": "simulated 1.6 turbo petrol hatchback",
        "started_at": "2026-01-05T09:00:00+00:00",
        "setup_from": "car.toml",
    },
    "history.json": {
        "format": 1,
        "events": [
            {"kind": "start", "time": "2026-01-05T09:00:00+00:00"},
            {
                "kind": "add",
                "time": "2026-01-05T09:30:00+00:00",
                "number": 1,
                "made": "0a1b2c3d4e5f",
                "in_force": "start",
                "logs": [{"name": "round-01/a.csv", "sha256": "ab" * 32}],
                "verdict": "first round",
                "is_halt": False,
                "a key of a later release": [1, 2],
            },
            {"kind": "accept", "time": "2026-01-05T09:40:00+00:00"},
            {"kind": "undo", "time": "2026-01-05T09:41:00+00:00", "took_back": "accept"},
        ],
    },
}
"""Format 1 as 0.1.0 writes it, set down here so that it stays readable for good."""


def in_first_form(folder: Path) -> None:
    for name, record in FIRST_FORM.items():
        kept = json.loads((folder / name).read_text(encoding="utf-8"))
        mark = {k: v for k, v in kept.items() if k == "evidence_rests_on_sha256"}
        (folder / name).write_text(json.dumps({**record, **mark}), encoding="utf-8")


def test_the_first_form_stays_readable(tmp_path, car, logs) -> None:
    folder = begun(tmp_path / "tune", car)
    with open_tune(folder) as tune:
        tune.write_round(1, round_texts("0a1b2c3d4e5f", logs[0]))
    in_first_form(folder)
    with open_tune(folder) as tune:
        assert tune.state.is_pending
        assert tune.state.current == "start"
        assert tune.rounds(tune.state.rounds)[0].number == 1


def test_the_first_form_has_no_steps_of_the_second(tmp_path, car) -> None:
    folder = begun(tmp_path / "tune", car)
    record = {
        "format": 1,
        "events": [{"kind": "start", "time": "t"}, {"kind": "load", "time": "t"}],
    }
    (folder / "history.json").write_text(json.dumps(record), encoding="utf-8")
    with pytest.raises(InputError, match="not a known event"), open_tune(folder):
        pass


def test_a_newer_program_reads_the_older_form_and_writes_its_own(
    tmp_path, car, monkeypatch
) -> None:
    """As if format 3 had come, in which events are called steps."""

    def read_3(record: dict[str, Any]) -> tuple[Event, ...]:
        return tune_folder._read_2({"events": record["steps"]})

    folder = begun(tmp_path / "tune", car)
    monkeypatch.setattr(tune_folder, "FORMAT", 3)
    monkeypatch.setattr(tune_folder, "READERS", {**tune_folder.READERS, 3: read_3})
    with open_tune(folder) as tune:  # still format 2
        assert len(tune.events) == 1
    (folder / "history.json").write_text(
        json.dumps({"format": 3, "steps": [{"kind": "start", "time": "t"}]}), encoding="utf-8"
    )
    with open_tune(folder) as tune:
        assert len(tune.events) == 1


@pytest.mark.parametrize("name", ["tune.json", "history.json"])
@pytest.mark.parametrize(
    ("number", "says"), [(99, "newer program"), (0, "not a format"), ("x", "not a format")]
)
def test_a_form_that_is_not_known_is_refused_and_left_alone(
    tmp_path, car, name, number, says
) -> None:
    folder = begun(tmp_path / "tune", car)
    record = json.loads((folder / name).read_text(encoding="utf-8"))
    text = json.dumps({**record, "format": number})
    (folder / name).write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=says), open_tune(folder):
        pass
    assert (folder / name).read_text(encoding="utf-8") == text


def test_every_form_that_was_ever_written_has_a_reader() -> None:
    assert sorted(tune_folder.READERS) == list(range(1, tune_folder.FORMAT + 1))
    assert sorted(round_evidence.READERS) == list(range(1, round_evidence.FORMAT + 1))


@pytest.mark.parametrize("text", ["", "[]", "{", '{"format": 1}', '{"format": 1, "events": [{}]}'])
def test_a_damaged_history_is_told_with_its_file(tmp_path, car, text) -> None:
    folder = begun(tmp_path / "tune", car)
    (folder / "history.json").write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=r"history\.json"), open_tune(folder):
        pass
