"""Another target or other limits in the middle of a tune: a step, with the evidence kept."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from test_rounds_commands import Car, flat, ok

from tuneassist.files.setup_file import read_setup
from tuneassist.files.tune_folder import open_tune


@pytest.fixture
def car(begun_home: Path, tmp_path: Path) -> Car:
    shutil.copytree(begun_home, tmp_path / "home")
    return Car(tmp_path / "home")


def changed(car: Car, *pairs: tuple[str, str], scale: float = 1.0) -> Path:
    """The car's setup with texts replaced, and every target times a factor."""
    text = (car.home / "car.toml").read_text(encoding="utf-8")
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new, 1)
    head, rest = text.split("table = [", 1)
    table, tail = rest.split("\n]\n", 1)
    table = re.sub(r"\d+\.\d+", lambda found: f"{float(found[0]) * scale:.6f}", table)
    path = car.home / "new.toml"
    path.write_text(f"{head}table = [{table}\n]\n{tail}", encoding="utf-8")
    return path


def cells(car: Car) -> pd.DataFrame:
    return pd.read_csv(car.tune / "round-01" / "cells.csv")


def files_of(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name != ".tuneassist-lock"
    }


def test_a_richer_target_is_met_by_the_evidence_that_is_there(car: Car) -> None:
    """Three percent less lambda asked for: every known cell is three percent leaner than that."""
    before = cells(car)
    said = flat(ok("rounds", "setup", car.tune, changed(car, scale=0.97), "--reason", "E85 blend"))
    assert "setup-01/setup.toml from now on" in said
    assert "evaluated again" in said
    after = cells(car)
    known = before["confidence"].isin(["fair", "good"]) & after["confidence"].isin(["fair", "good"])
    assert known.sum() > 30
    moved = (100 + after["deviation_pct"]) / (100 + before["deviation_pct"])
    np.testing.assert_allclose(moved[known], 1 / 0.97, atol=0.003)
    np.testing.assert_array_equal(after["samples"], before["samples"])
    status = car.status()
    assert (status["setup"], status["proposed"]) == ("setup-01", "round-01")
    ok("rounds", "accept", car.tune)
    ok("rounds", "add", car.tune, car.log("b.csv", 2, grid="round-01/grid.csv"))
    record = json.loads((car.tune / "round-02" / "proposal.json").read_text(encoding="utf-8"))
    assert record["round"]["response"]["verdict"] == "as expected"
    assert record["inputs"][0]["name"] == "setup-01/setup.toml"
    steps = json.loads(ok("rounds", "history", car.tune, "--json"))["steps"]
    assert steps[2]["kind"] == "setup"
    assert steps[2]["reason"] == "E85 blend"


def test_moved_evidence_is_what_the_log_says_by_the_new_target(car: Car) -> None:
    """The same log reduced afresh by a target with another shape: the holds agree."""
    text = (car.home / "car.toml").read_text(encoding="utf-8")
    new = changed(car, scale=0.95)
    ok("rounds", "setup", car.tune, new)
    fresh = car.home / "fresh"
    ok("rounds", "start", fresh, "--setup", new)
    ok("rounds", "add", fresh, car.home / "a.csv")
    one, two = (pd.read_csv(folder / "round-01" / "holds.csv") for folder in (car.tune, fresh))
    np.testing.assert_allclose(one["need_ln"], two["need_ln"], atol=2e-4)
    np.testing.assert_allclose(one["target_lambda"], two["target_lambda"], rtol=1e-4)
    assert text == (car.home / "car.toml").read_text(encoding="utf-8")


def test_undo_takes_a_setup_back_with_the_proposal_of_before(car: Car) -> None:
    before, status = files_of(car.tune / "round-01"), car.status()
    ok("rounds", "setup", car.tune, changed(car, scale=0.97))
    assert files_of(car.tune / "round-01") != before
    said = flat(ok("rounds", "undo", car.tune))
    redo = f"To redo it: tuneassist rounds setup {car.tune} new.toml"
    assert redo.replace(" ", "") in "".join(said.split())  # long paths wrap
    assert files_of(car.tune / "round-01") == before
    assert car.status() == status
    ok("rounds", "setup", car.tune, changed(car, scale=0.98))
    ok("rounds", "setup", car.tune, changed(car, scale=0.96))
    assert car.status()["setup"] == "setup-02"
    with open_tune(car.tune) as tune:
        want = read_setup(car.home / "new.toml").target.table
        np.testing.assert_array_equal(tune.setup.target.table, want)


def test_after_an_accepted_round_the_old_verdict_no_longer_stands(car: Car) -> None:
    ok("rounds", "accept", car.tune)
    ok("rounds", "setup", car.tune, changed(car, scale=0.97))
    status = car.status()
    assert status["advice"] == "continue"
    assert "The setup was changed after round 1" in status["why"]
    page = car.home / "page.html"
    ok("report", car.tune, "--out", page)
    assert "The setup was changed after round 1" in flat(page.read_text(encoding="utf-8"))


def test_rules_that_the_loaded_grid_breaks_now_are_named(car: Car) -> None:
    ok("rounds", "accept", car.tune)
    strict = changed(car, ("[limits]\n", "[limits]\nmax_total_pct = 1.0\nmax_step_pct = 1.0\n"))
    said = flat(ok("rounds", "setup", car.tune, strict))
    assert "Rules broken knowingly" in said
    assert "max_total_pct" in said
    assert "max_total_pct" in ok("rounds", "status", car.tune)
    (broken,) = car.status()["broken_rules"]
    assert broken["name"] == "setup-01"
    with open_tune(car.tune) as tune:
        assert tune.setup.limits.max_total_pct == 1.0


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('acts_on = "fuel"', 'acts_on = "boost"', "correction.acts_on"),
        ('kind = "aim"', 'kind = "floor"', "target.kind"),
        ("800, 1200", "900, 1200", "[axes]"),
        ("afr_stoich = 14.7", "afr_stoich = 14.1", "[engine]"),
        ("[limits]\n", "[limits]\nmax_stepp_pct = 1\n", "max_stepp_pct"),
        ("[axes]", "[axes", "new.toml"),
    ],
)
def test_what_the_evidence_depends_on_must_stay(car: Car, old: str, new: str, says: str) -> None:
    before = files_of(car.tune)
    said = ok("rounds", "setup", car.tune, changed(car, (old, new)), status=3)
    assert says in flat(said)
    assert "Traceback" not in said
    assert files_of(car.tune) == before


def test_a_missing_file_and_an_empty_reason_are_refused(car: Car) -> None:
    assert "nope.toml" in ok("rounds", "setup", car.tune, car.home / "nope.toml", status=3)
    new = changed(car, scale=0.97)
    assert "Give it in words" in ok("rounds", "setup", car.tune, new, "--reason", " ", status=3)
    assert car.status()["setup"] is None


def test_a_damaged_setup_of_a_step_is_told_and_can_be_mended(car: Car) -> None:
    ok("rounds", "setup", car.tune, changed(car, scale=0.97))
    path = car.tune / "setup-01" / "setup.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("[limits]\n", "[limits]\nmax_step_pct = 6.0\n", 1), "utf-8")
    with open_tune(car.tune) as tune:
        assert tune.setup.limits.max_step_pct == 6.0  # limits may be edited, as at the start
    path.write_text(text.replace("afr_stoich = 14.7", "afr_stoich = 14.1"), encoding="utf-8")
    assert "changed since" in ok("rounds", "status", car.tune, status=3)
    path.unlink()
    assert "setup-01" in ok("rounds", "status", car.tune, status=3)
    path.write_text(text, encoding="utf-8")
    assert car.status()["setup"] == "setup-01"
