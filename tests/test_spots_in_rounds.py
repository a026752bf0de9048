"""Values found by hand as evidence of a round: kept, pooled, and no answer of the engine."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from tuneassist.cli.app import app
from tuneassist.errors import InputError, LogError
from tuneassist.files.grid_file import read_grid
from tuneassist.files.round_evidence import read_evidence
from tuneassist.files.setup_file import read_setup
from tuneassist.files.spot_file import read_spots, spots_of
from tuneassist.grid import Grid
from tuneassist.one_log import has_order, is_by_hand
from tuneassist.parallel import ReducedLog
from tuneassist.reading import read_log
from tuneassist.simulate.drive import drive, spots_by_hand
from tuneassist.simulate.sample_logs import petrol_engine
from tuneassist.spots import spots_evidence
from tuneassist.workflow.tune import Tune

SAMPLES = Path(__file__).resolve().parents[1] / "sample_logs"
PETROL, VAN = SAMPLES / "petrol-setup.toml", SAMPLES / "van-setup.toml"


@pytest.fixture(scope="module")
def begun(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A tune whose first round is a list of spots, accepted."""
    home = tmp_path_factory.mktemp("spots")
    (home / "hand.csv").write_bytes(spots_by_hand("petrol", 40))
    tune = Tune.start(home / "tune", setup=PETROL)
    tune.add(spots=home / "hand.csv")
    tune.accept()
    return home


@pytest.fixture
def home(begun: Path, tmp_path: Path) -> Path:
    shutil.copytree(begun, tmp_path, dirs_exist_ok=True)
    return tmp_path


def test_spots_alone_are_a_round_that_brings_the_engine_nearer(home: Path) -> None:
    tune, engine = Tune.open(home / "tune"), petrol_engine()
    one = tune.status().looks[0]
    assert one.rms_pct is not None and one.cells_seen > 60
    before, after = engine.score()[1], engine.score(tune.grid_in_force())[1]
    assert after < 0.75 * before  # one round of 40 values, leaning in boost held back
    record = json.loads((home / "tune/round-01/proposal.json").read_text("utf-8"))
    assert [x["role"] for x in record["inputs"]] == ["setup", "grid", "spots"]
    assert (record["spots"][0]["used"], record["logs_given"]) == (40, 0)


def test_what_was_found_by_hand_reads_back_and_pools_with_a_log(home: Path) -> None:
    setup = read_setup(PETROL)
    stored = read_evidence(home / "tune/round-01", setup.axes)
    (own,) = stored.logs
    assert is_by_hand(own)
    assert own.holds["where"].tolist() == [f"row {n}" for n in range(2, 42)]
    grid = read_grid(home / "tune/round-01/grid.csv")
    (home / "a.csv").write_bytes(drive("petrol", session=5, grid=grid))
    came = Tune.open(home / "tune").add(home / "a.csv")
    assert 0.8 < came.response.response < 1.2  # the spots predicted what the grid would do
    assert came.look.rms_pct < 0.6 * Tune.open(home / "tune").status().looks[0].rms_pct


def test_spots_measure_no_answer_of_the_engine(home: Path) -> None:
    grid = read_grid(home / "tune/round-01/grid.csv")
    (home / "more.csv").write_bytes(spots_by_hand("petrol", 30, session=2, grid=grid))
    came = Tune.open(home / "tune").add(spots=home / "more.csv")
    assert came.response.verdict == "cannot tell"
    assert "log a session" in came.response.why
    assert not came.is_halt


def test_the_same_list_is_refused_and_nothing_is_written(home: Path) -> None:
    before = sorted(path.name for path in (home / "tune").iterdir())
    with pytest.raises(LogError, match="added in round-01 already"):
        Tune.open(home / "tune").add(spots=home / "hand.csv")
    (home / "open.csv").write_text("rpm,load,correction_pct\n3000,80,2\n")
    with pytest.raises(InputError, match="total correction or a change"):
        Tune.open(home / "tune").add(spots=home / "open.csv")
    assert sorted(path.name for path in (home / "tune").iterdir()) == before


def test_usage_names_what_is_missing(tmp_path: Path) -> None:
    for words, said in (
        (["add", "t"], "name a log"),
        (["add", "t", "a.csv", "--values", "total"], "--values goes with --spots"),
    ):
        done = CliRunner().invoke(app, ["rounds", *words])
        assert (done.exit_code, said in done.output) == (2, True)


def test_on_a_smoke_floor_only_fuel_taken_away_is_a_limit(tmp_path: Path) -> None:
    setup, path = read_setup(VAN), tmp_path / "s.csv"
    path.write_text("rpm,load,total_pct\n1800,52,-13\n3000,28,4\n2600,52,0\n")
    read = read_spots(path, setup=setup)
    found = spots_evidence(read, setup=setup, current=Grid.zeros(setup.axes))
    assert found.holds["rpm"].tolist() == [1800.0]
    assert np.exp(found.holds["need_ln"][0]) == pytest.approx(0.87)
    assert any("no limit on a smoke floor: row 3 (3000 rpm" in note for note in found.notes)
    held = Grid(setup.axes, np.full(setup.axes.shape, -20.0))  # each gave fuel back
    assert spots_evidence(read, setup=setup, current=held).holds.empty


@pytest.mark.parametrize(
    ("cells", "seconds"),
    [(("0", "40", "95.5"), [0, 40, 95.5]), (("23:58", "23:59:30", "0:01"), [86280, 86370, 86460])],
)
def test_times_give_spots_an_order(
    tmp_path: Path, cells: tuple[str, ...], seconds: list[float]
) -> None:
    setup, path = read_setup(PETROL), tmp_path / "s.csv"
    rows = [f"{2000 + 500 * n},60,{n},{cell}" for n, cell in enumerate(cells)]
    path.write_text("\n".join(["rpm,load,total_pct,time", *rows]))
    zeros = Grid.zeros(setup.axes)
    timed = spots_evidence(read_spots(path, setup=setup), setup=setup, current=zeros)
    assert timed.holds["start_s"].tolist() == seconds
    assert is_by_hand(timed) and has_order(timed)
    path.write_text("rpm,load,total_pct\n2000,60,1\n")
    bare = spots_evidence(read_spots(path, setup=setup), setup=setup, current=zeros)
    assert is_by_hand(bare) and not has_order(bare)
    path.write_text("rpm,load,total_pct,time\n2000,60,1,noon\n")
    with pytest.raises(InputError, match="noon"):
        read_spots(path, setup=setup)


def test_a_screen_of_spots_alone_has_no_table_of_samples(tmp_path: Path) -> None:
    (tmp_path / "hand.csv").write_bytes(spots_by_hand("petrol", 20))
    words = ["spots", tmp_path / "hand.csv", "-s", PETROL, "-o", tmp_path / "out"]
    said = CliRunner().invoke(app, [str(word) for word in words]).output
    assert "20 spots found by hand" in said
    assert "Where the samples went" not in said
    assert "a drift is allowed for on the lean side" in " ".join(said.split())


def test_a_log_of_a_round_is_named_once_in_its_notes() -> None:
    setup = read_setup(PETROL)
    read = read_log(SAMPLES / "petrol-session-1.csv", setup=setup)
    bare = spots_evidence(
        spots_of(pd.DataFrame({"rpm": [2000], "load": [60], "total_pct": [1]}), setup=setup),
        setup=setup,
        current=Grid.zeros(setup.axes),
    )
    own = replace(bare, name="a.csv", notes=("a.csv: This log is a sweep", "a.csv was cold"))
    named = ReducedLog(read, own).called("round-02/a.csv").evidence.notes
    assert named == ("round-02/a.csv: This log is a sweep", "a.csv was cold")
