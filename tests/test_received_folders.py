"""Setups, grids and tune folders from strangers: held to what they were, inside their folder."""

from __future__ import annotations

import json
import os
import random
import re
import shutil
import time
from pathlib import Path

import numpy as np
import pytest
from test_rounds_commands import Car, ok, run
from tune_mutations import mutated_setup, mutated_tune_folder

from tuneassist.errors import GridError, InputError, OutputError, SetupError
from tuneassist.files.grid_file import read_grid, write_grid_text
from tuneassist.files.json_file import parse_record
from tuneassist.files.safe_files import path_inside, read_bounded, write_atomically
from tuneassist.files.setup_file import read_setup
from tuneassist.files.tune_folder import open_tune
from tuneassist.grid import MAX_CELLS, Axes, Grid

needs_links = pytest.mark.skipif(os.name == "nt", reason="links need a right of their own there")
needs_pipes = pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes")
MOST_S = 20.0
"""A damaged folder is refused within this; a whole round takes under 2 s. [s]"""


@pytest.fixture
def car(begun_home: Path, tmp_path: Path) -> Car:
    """A tune of its own whose first proposal waits."""
    shutil.copytree(begun_home, tmp_path / "home")
    return Car(tmp_path / "home")


def without_hashes(car: Car) -> None:
    """As version 0.1.0 wrote a history."""
    path = car.tune / "history.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    assert all("files" in event for event in record["events"][1:])
    events = [{k: v for k, v in e.items() if k != "files"} for e in record["events"]]
    path.write_text(json.dumps({**record, "events": events}), encoding="utf-8")


def refused(*arguments: object, status: int = 3) -> str:
    return ok(*arguments, status=status)


# --- grids of a round -----------------------------------------------------------------------------


@pytest.mark.parametrize("is_old", [False, True], ids=["with hashes", "as 0.1.0 wrote it"])
@pytest.mark.parametrize("command", ["status", "accept"])
def test_a_grid_changed_in_a_rounds_folder_is_noticed(car: Car, command: str, is_old: bool) -> None:
    if is_old:
        without_hashes(car)
    path = car.tune / "round-01" / "grid.csv"
    grid = read_grid(path)
    path.write_text(
        write_grid_text(Grid(grid.axes, np.full_like(grid.values, 90.0))), encoding="utf-8"
    )
    said = refused("rounds", command, car.tune)
    assert "grid.csv" in said
    assert re.search(r"at \d+ rpm, [\d.]+ it has \+90.00 %", said)
    assert "type" not in said


@pytest.mark.parametrize(
    "name",
    ["step.csv", "cells.csv", "proposal.json", "in-force.csv", "holds.csv", "peaks.csv",
     "visits.csv", "evidence.json"],
)  # fmt: skip
@pytest.mark.parametrize("command", ["status", "accept"])
def test_any_file_of_a_round_changed_by_a_letter_is_noticed(
    car: Car, command: str, name: str
) -> None:
    path = car.tune / "round-01" / name
    path.write_bytes(path.read_bytes() + b"\n")
    assert name in refused("rounds", command, car.tune)


def test_a_cut_grid_is_noticed_and_a_sound_round_is_not(car: Car) -> None:
    path = car.tune / "round-01" / "grid.csv"
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    assert "grid.csv" in refused("rounds", "accept", car.tune)
    path.write_bytes(whole.replace(b",", b";"))  # as a spreadsheet may save it
    ok("rounds", "status", car.tune)
    ok("rounds", "accept", car.tune)


def test_step_and_grid_changed_together_break_a_rule_where_no_hash_is_kept(car: Car) -> None:
    """Every cell +90 %, in all three tables alike: composition holds, the rules do not."""
    without_hashes(car)
    folder = car.tune / "round-01"
    for name in ("step.csv", "grid.csv"):
        grid = read_grid(folder / name)
        all_90 = Grid(grid.axes, np.full_like(grid.values, 90.0))
        (folder / name).write_text(write_grid_text(all_90), encoding="utf-8")
    head, *rows = (folder / "cells.csv").read_text(encoding="utf-8").splitlines()
    step, grid_at = head.split(",").index("step_pct"), head.split(",").index("grid_pct")
    changed = []
    for row in rows:
        cells = row.split(",")
        cells[step] = cells[grid_at] = "90"
        changed.append(",".join(cells))
    (folder / "cells.csv").write_text("\n".join([head, *changed, ""]), encoding="utf-8")
    for command in ("status", "accept"):
        said = refused("rounds", command, car.tune, status=5)
        assert "grid.csv" in said
        assert re.search(r"evidence: at \d+ rpm, \d+ kPa: changed without", said)
        assert "more." in said
    ok("rounds", "reject", car.tune)


def test_an_undo_does_not_send_to_a_changed_grid(car: Car) -> None:
    ok("rounds", "accept", car.tune)
    path = car.tune / "round-01" / "grid.csv"
    grid = read_grid(path)
    path.write_text(write_grid_text(Grid(grid.axes, grid.values + 50.0)), encoding="utf-8")
    said = refused("rounds", "undo", car.tune)
    assert "undo is done" in said
    assert "may not be loaded" in said
    with open_tune(car.tune) as tune:
        assert tune.state.is_pending


def test_a_changed_start_grid_is_noticed(car: Car) -> None:
    path = car.tune / "start-grid.csv"
    path.write_text(path.read_text(encoding="utf-8").replace(",0,", ",7,", 1), encoding="utf-8")
    assert "start-grid.csv" in refused("rounds", "status", car.tune)


def test_a_stray_file_in_the_next_rounds_place_is_told_before_any_work(car: Car) -> None:
    ok("rounds", "accept", car.tune)
    log = car.log("b.csv", 2, grid="round-01/grid.csv")
    for place in (car.tune / "round-02", car.tune / "round-02" / "notes.txt"):
        shutil.rmtree(car.tune / "round-02", ignore_errors=True)
        (car.tune / "round-02").unlink(missing_ok=True)
        place.parent.mkdir(exist_ok=True)
        place.write_text("mine", encoding="utf-8")
        assert "round-02" in refused("rounds", "add", car.tune, log)
        assert place.read_text(encoding="utf-8") == "mine"
        assert not (car.tune / "kept").exists()


# --- the setup that a tune stands on --------------------------------------------------------------


def with_target_file(car: Car, ends: str = "\n") -> Path:
    """Put the target into a file beside the setup, and start a tune on it."""
    setup = car.home / "car.toml"
    text = setup.read_text(encoding="utf-8")
    target = read_setup(setup).target.table
    grid = write_grid_text(Grid(read_setup(setup).axes, np.asarray(target)))
    (car.home / "target.csv").write_bytes(grid.replace("\n", ends).encode())
    head, _, rest = text.partition("table = [")
    setup.write_text(
        head + 'file = "target.csv"' + rest[rest.index("\n]\n") + 2 :], encoding="utf-8"
    )
    return car.home / "other"


def test_a_byte_order_mark_does_not_hide_a_changed_setup(car: Car) -> None:
    path = car.tune / "setup.toml"
    text = path.read_text(encoding="utf-8")
    path.write_bytes(b"\xef\xbb\xbf" + text.encode())
    ok("rounds", "status", car.tune)
    changed = text.replace("afr_stoich = 14.7", "afr_stoich = 14.1")
    assert changed != text
    path.write_bytes(b"\xef\xbb\xbf" + changed.encode())
    assert "changed since the tune was started" in refused("rounds", "status", car.tune)


@pytest.mark.parametrize("odd", [b"", b"\x81", b"\xe9"], ids=["none", "undefined", "latin"])
def test_an_odd_byte_does_not_hide_a_changed_target(car: Car, odd: bytes) -> None:
    other = with_target_file(car)
    ok("rounds", "start", other, "--setup", car.home / "car.toml")
    path = other / "target.csv"
    changed = path.read_bytes().replace(b",1,", b",0.9,", 1)
    assert changed != path.read_bytes()
    # an odd byte in a blank row's quoted cell would be read as text: it may never hide the rest
    path.write_bytes(changed + b"," + odd + b"\n" if odd else changed)
    said = refused("rounds", "status", other)
    assert "changed since" in said or "target.csv" in said


@pytest.mark.parametrize("ends", ["\n", "\r\n"])
def test_a_target_with_any_line_ends_starts_a_tune_that_opens(car: Car, ends: str) -> None:
    other = with_target_file(car, ends)
    ok("rounds", "start", other, "--setup", car.home / "car.toml")
    assert (other / "target.csv").read_bytes() == (car.home / "target.csv").read_bytes()
    ok("rounds", "status", other)


# --- what a received file names -------------------------------------------------------------------


@pytest.mark.parametrize(
    "name", ["/dev/zero", "../target.csv", "a/../../target.csv", "/etc/passwd", "C:\\x.csv", "x\0"]
)
def test_a_name_that_leads_out_of_the_folder_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(InputError, match="is outside the folder"):
        path_inside(tmp_path, name)
    assert path_inside(tmp_path, "tables/aim.csv") == tmp_path / "tables" / "aim.csv"


def test_a_target_outside_the_setups_folder_is_refused_unread(car: Car) -> None:
    with_target_file(car)
    secret = car.home.parent / "secret.txt"
    secret.write_text("password of the shop\n", encoding="utf-8")
    setup = car.home / "car.toml"
    text = setup.read_text(encoding="utf-8")
    for name in ("../secret.txt", secret.as_posix(), "/dev/zero"):
        setup.write_text(text.replace('"target.csv"', json.dumps(name)), encoding="utf-8")
        said = refused("limits", "--setup", setup)
        assert "outside the folder" in said
        assert "password" not in said


@needs_links
@pytest.mark.parametrize(
    "name", ["setup.toml", "history.json", ".tuneassist-lock", "kept", "round-01",
             "round-01/grid.csv", "round-01/evidence.json"],
)  # fmt: skip
def test_a_link_in_place_of_a_tunes_file_is_refused_and_left_alone(car: Car, name: str) -> None:
    path, away = car.tune / name, car.home / "away"
    if path.exists():
        path.rename(away)
    else:
        away.write_text("mine", encoding="utf-8")
    path.symlink_to(away)
    before = away.read_bytes() if away.is_file() else sorted(away.iterdir())
    assert "link" in refused("rounds", "accept", car.tune)
    assert (away.read_bytes() if away.is_file() else sorted(away.iterdir())) == before


@needs_links
def test_a_lock_with_a_second_name_is_refused(car: Car) -> None:
    """The lowest filelock that is admitted empties the file that it locks."""
    mine = car.home / "mine.txt"
    mine.write_text("mine", encoding="utf-8")
    (car.tune / ".tuneassist-lock").unlink(missing_ok=True)
    os.link(mine, car.tune / ".tuneassist-lock")
    assert "second name" in refused("rounds", "accept", car.tune)
    assert mine.read_text(encoding="utf-8") == "mine"


# --- one way in, one way out ----------------------------------------------------------------------


@needs_pipes
def test_pipes_devices_and_folders_are_refused_at_once(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    for path in (tmp_path / "pipe", Path("/dev/zero"), tmp_path):
        for reader in (read_setup, read_grid):
            with pytest.raises(InputError, match="cannot be read: it is a"):
                reader(path)


def test_a_file_is_read_up_to_its_bound(tmp_path: Path) -> None:
    path = tmp_path / "f"
    path.write_bytes(b"x" * 10)
    assert read_bounded(path, most=10) == b"x" * 10
    with pytest.raises(InputError, match="too large"):
        read_bounded(path, most=9)


@needs_links
def test_nothing_is_written_through_a_link(tmp_path: Path) -> None:
    mine = tmp_path / "mine.txt"
    mine.write_text("mine", encoding="utf-8")
    for name in ("page.html", ".page.html.tuneassist-writing"):
        (tmp_path / name).symlink_to(mine)
    write_atomically(tmp_path / "page.html", b"new")
    assert mine.read_text(encoding="utf-8") == "mine"
    assert not (tmp_path / "page.html").is_symlink()
    assert (tmp_path / "page.html").read_bytes() == b"new"
    assert len(list(tmp_path.iterdir())) == 3


@needs_links
def test_a_link_laid_for_the_history_does_not_overwrite_a_file(car: Car) -> None:
    mine = car.home / "mine.txt"
    mine.write_text("mine", encoding="utf-8")
    (car.tune / ".history.json.tuneassist-writing").symlink_to(mine)
    ok("rounds", "accept", car.tune)
    assert mine.read_text(encoding="utf-8") == "mine"
    assert not (car.tune / "history.json").is_symlink()


def test_a_write_that_fails_leaves_nothing(tmp_path: Path, monkeypatch) -> None:
    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    (tmp_path / "f").write_bytes(b"old")
    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OutputError, match="the disk is full"):
        write_atomically(tmp_path / "f", b"new")
    assert [p.name for p in tmp_path.iterdir()] == ["f"]
    assert (tmp_path / "f").read_bytes() == b"old"


# --- bounds ---------------------------------------------------------------------------------------


def test_an_axis_and_the_cells_have_a_bound() -> None:
    assert Axes(np.arange(64.0), np.arange(64.0)).size == MAX_CELLS
    with pytest.raises(GridError, match="65 rpm and 64 load breakpoints make 4160 cells"):
        Axes(np.arange(65.0), np.arange(64.0))
    with pytest.raises(GridError, match="the load axis has 257 breakpoints"):
        Axes(np.arange(2.0), np.arange(257.0))


@pytest.mark.parametrize(
    "text",
    ["rpm/load" + " " * 3_000_000, "rpm/load,30,45\n800," + "1" * 100_000 + "x,1\n1200,1,1\n",
     "rpm/load," + "1," * 1_000_000 + "\n", '"' + " " * 3_000_000],
    ids=["blanks", "digits", "columns", "quote"],
)  # fmt: skip
def test_a_grid_that_grows_with_the_square_is_refused_at_once(tmp_path: Path, text: str) -> None:
    path = tmp_path / "g.csv"
    path.write_text(text, encoding="utf-8")
    start = time.monotonic()
    with pytest.raises(GridError) as caught:
        read_grid(path)
    assert time.monotonic() - start < 5.0
    assert len(str(caught.value)) < 500 + len(str(path))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("a." * 100_000 + "b = 1", "more than 16 parts"),
        ("a = " + "9" * 5000, "too long"),
        ("a = 0x" + "f" * 100_000, "too large"),
        ("a = " + "[" * 300 + "]" * 300, "nested too deeply"),
        ("b" * 300_000 + " = 1", "is not known"),
        ("[[limits.region]]\nname = 'x'\n" * 101, "At most 100"),
    ],
)
def test_a_setup_beyond_reason_is_refused_at_once(car: Car, text: str, said: str) -> None:
    path = car.home / "car.toml"
    whole = path.read_text(encoding="utf-8")
    path.write_text(f"{text}\n{whole}" if "[[" not in text else whole + text, encoding="utf-8")
    start = time.monotonic()
    with pytest.raises(SetupError, match=said) as caught:
        read_setup(path)
    assert time.monotonic() - start < 5.0
    assert len(str(caught.value)) < 1000


@pytest.mark.parametrize(
    "text",
    ["[" * 100_000, '{"a": ' * 5000 + "1" + "}" * 5000, '{"a": 1e400}', '{"a": NaN}', "[1]",
     '{"a": ' + "9" * 5000 + "}", '{"a": 1, "a": 2}', '{"a": 10000000000000000000}', "\xff"],
)  # fmt: skip
def test_a_record_beyond_reason_is_refused(text: str) -> None:
    with pytest.raises(InputError, match=r"history\.json") as caught:
        parse_record(text.encode("latin-1"), where="history.json")
    assert len(str(caught.value)) < 300


@pytest.mark.parametrize(
    ("section", "key", "value"),
    [("steady", "max_delay_s", "1e300"), ("steady", "window_s", "61.0"),
     ("steady", "quiet_share", "1e18"), ("plan", "min_gain_share", "1e300"),
     ("plan", "max_holds", "1001")],
)  # fmt: skip
def test_a_setting_that_asks_for_time_or_memory_without_end_is_refused(
    car: Car, section: str, key: str, value: str
) -> None:
    path = car.home / "car.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(f"{text}\n[{section}]\n{key} = {value}\n", encoding="utf-8")
    said = refused("plan", car.home / "a.csv", "--setup", path, "--minutes", "10")
    assert f"{section}.{key}" in said


# --- whatever was done to it ----------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(40))
def test_a_mutated_tune_folder_ends_as_the_contract_says(car: Car, seed: int) -> None:
    rng = random.Random(seed)
    if seed % 2:
        without_hashes(car)
    done = mutated_tune_folder(car.tune, car.home / "sent", rng)
    command = rng.choice((("rounds", "status"), ("rounds", "accept"), ("rounds", "undo")))
    start = time.monotonic()
    result = run(*command, car.home / "sent")
    assert result.exit_code in (0, 3, 5), (done, result.output)
    assert "mistake in the program" not in result.output
    assert time.monotonic() - start < MOST_S


@pytest.mark.parametrize("seed", range(40))
def test_a_mutated_setup_ends_as_the_contract_says(
    begun_home: Path, tmp_path: Path, seed: int
) -> None:
    rng = random.Random(seed)
    path = tmp_path / "s.toml"
    path.write_bytes(mutated_setup((begun_home / "car.toml").read_bytes(), rng))
    result = run("check", begun_home / "a.csv", "--setup", path)
    assert result.exit_code in (0, 3, 4), result.output
