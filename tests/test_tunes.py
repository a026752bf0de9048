"""A set of tunes: limits, the standard one, the order of output, and the folder it is read from."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from report_makers import VAN, full_load, write_full_load
from report_makers import run as cli

from tuneassist.errors import GridError, InputError, LogError, SetupError
from tuneassist.files import run_file as module
from tuneassist.files.grid_file import write_grid_text
from tuneassist.files.run_file import read_run
from tuneassist.files.setup_file import read_setup
from tuneassist.files.tunes_example import EXAMPLE
from tuneassist.files.tunes_folder import KEYS, read_tunes
from tuneassist.grid import Axes, Grid
from tuneassist.loop.settings import TuneSettings
from tuneassist.loop.tune_set import Tune, TunesReport, check_tunes
from tuneassist.settings import EngineSettings, Setup, Target
from tuneassist.simulate.full_load import stock_diesel

AXES = Axes(rpm=np.array([1000.0, 2000, 3000]), load=np.array([40.0, 80, 120]))
CAR = Setup(axes=AXES, target=Target(np.full(AXES.shape, 0.95)))
RPM = np.arange(1500.0, 4501.0, 50.0)


def run(scale: float = 1.0, *, rpm: np.ndarray = RPM) -> pd.DataFrame:
    torque = scale * (200.0 - 40.0 * ((rpm - 3000) / 1500) ** 2)
    return pd.DataFrame({"rpm": rpm, "torque_nm": torque})


def tune(name: str, value: float = 0.0, *, kind: str = "other", **rest: object) -> Tune:
    grid = Grid(AXES, np.full(AXES.shape, value))
    return Tune(**{"name": name, "setup": CAR, "grid": grid, "kind": kind, **rest})  # type: ignore[arg-type]


def family(**runs: pd.DataFrame | None) -> list[Tune]:
    return [
        tune("standard", kind="standard", run=runs.get("standard")),
        tune("towing", 6.0, kind="towing", run=runs.get("towing")),
        tune("power", 6.0, kind="power", run=runs.get("power")),
    ]


def breaches(report: TunesReport) -> list[str]:
    return [finding.sentence for finding in report.findings if finding.verdict == "breach"]


def test_a_sound_set_passes_and_says_what_was_looked_at():
    report = check_tunes(family(standard=run(), towing=run(1.05), power=run(1.2)))
    assert report.is_ok
    topics = {"limits", "standard", "order", "mixture", "heat"}
    assert {f.topic for f in report.findings} == topics
    rise = next(f for f in report.findings if f.topic == "order")
    assert rise.verdict == "ok"
    assert "rise at every speed, least +5.0 %" in rise.sentence
    assert report.rises.groupby(["lower", "upper"]).ngroups == 2


def test_a_tune_beyond_its_total_limit_is_named_with_cell_and_number():
    values = np.zeros(AXES.shape)
    values[:] = 25.0
    values[1, 1] = 30.1  # the limit is 30
    report = check_tunes([*family()[:1], tune("wild", grid=Grid(AXES, values))])
    assert not report.is_ok
    (said,) = [s for s in breaches(report) if "wild" in s]
    assert "2000 rpm, 80" in said
    assert "30.1" in said
    values[1, 1] = 30.0
    assert check_tunes([*family()[:1], tune("wild", grid=Grid(AXES, values))]).is_ok


def test_a_standard_tune_that_changes_something_is_not_standard():
    values = np.zeros(AXES.shape)
    values[2, 0] = -0.1
    changed = Tune("standard", CAR, Grid(AXES, values), kind="standard")
    report = check_tunes([changed, *family()[1:]])
    assert breaches(report) == [
        "standard: not all zeros, 1 of 9 cells change something, most at 3000 rpm, 40 kPa: -0.1 %"
    ]


def test_blank_cells_of_a_standard_tune_change_nothing():
    values = np.zeros(AXES.shape)
    values[0, 0] = np.nan
    assert check_tunes([Tune("s", CAR, Grid(AXES, values), kind="standard"), tune("t", 1.0)]).is_ok


@pytest.mark.parametrize("count", [0, 2])
def test_exactly_one_tune_is_standard(count: int):
    tunes = [tune(f"t{n}", kind="standard" if n < count else "other") for n in range(3)]
    assert any(f"{count} tunes are of kind standard" in s for s in breaches(check_tunes(tunes)))


def test_a_fall_at_one_speed_is_found_with_its_speed_and_torque():
    weak = run(1.05)
    at = weak["rpm"].between(2850, 3150)
    weak.loc[at, "torque_nm"] = 190.0
    report = check_tunes(family(standard=run(), towing=weak, power=run(1.2)))
    (said,) = breaches(report)
    assert "towing over standard" in said
    assert "do not rise at" in said
    assert "-5.0 % at 3000 rpm (190.0 against 200.0 N.m)" in said


def test_an_equal_tune_does_not_rise_and_a_hair_more_does_with_a_remark():
    same = check_tunes(family(standard=run(), towing=run()))
    assert not same.is_ok
    hair = check_tunes(family(standard=run(), towing=run(1.001)))
    assert hair.is_ok
    said = next(f for f in hair.findings if f.topic == "order")
    assert said.verdict == "remark"
    assert "+0.1 %" in said.sentence
    assert "brake" in said.sentence


def test_the_wanted_rise_is_a_setting():
    runs = {"standard": run(), "towing": run(1.05)}
    assert check_tunes(family(**runs), TuneSettings(least_rise_pct=4.9)).is_ok
    assert not check_tunes(family(**runs), TuneSettings(least_rise_pct=5.1)).is_ok
    with pytest.raises(SetupError, match="least_rise_pct"):
        TuneSettings(least_rise_pct=-1)


def test_the_order_stated_is_the_order_listed():
    weaker_later = check_tunes(family(standard=run(1.1), towing=run(1.0)))
    assert any("-9.1 %" in s for s in breaches(weaker_later))  # 1.0/1.1 - 1 = -9.09 %


def test_only_speeds_that_both_runs_cover_are_compared():
    low = run(rpm=np.arange(1500.0, 3001.0, 50.0))
    high = run(1.1, rpm=np.arange(2500.0, 4501.0, 50.0))
    report = check_tunes(family(standard=low, towing=high))
    assert report.is_ok
    assert report.rises["rpm"].min() >= 2500
    assert report.rises["rpm"].max() <= 3000
    apart = run(1.1, rpm=np.arange(2900.0, 4501.0, 50.0))
    assert any("share" in s for s in breaches(check_tunes(family(standard=low, towing=apart))))


def test_nothing_is_read_into_a_gap_of_a_run():
    holed = run(1.1)
    holed = holed[~holed["rpm"].between(2450, 3550)]
    rises = check_tunes(family(standard=run(), towing=holed)).rises
    assert not rises["rpm"].between(2500, 3500).any()
    assert rises["rpm"].lt(2500).any()
    assert rises["rpm"].gt(3500).any()


def test_a_tune_without_a_run_is_said_and_its_neighbours_are_compared():
    report = check_tunes(family(standard=run(1.2), power=run()))
    assert any("power over standard" in s for s in breaches(report))
    remark = next(f for f in report.findings if f.verdict == "remark")
    assert "towing" in remark.sentence
    none = check_tunes(family())
    assert none.is_ok
    assert any("not checked: the order of power and torque" in f.sentence for f in none.findings)


def test_power_stands_in_for_torque_and_must_agree_with_it():
    """P [kW] = T [N.m] x 2 pi n / 60 / 1000."""
    stronger = run(1.1)
    power = stronger["torque_nm"] * 2 * np.pi * stronger["rpm"] / 60e3
    only = pd.DataFrame({"rpm": stronger["rpm"], "power_kw": power})
    report = check_tunes(family(standard=run(), towing=only))
    assert report.is_ok
    np.testing.assert_allclose(report.rises["rise_pct"], 10.0, atol=1e-6)
    both = stronger.assign(power_kw=1.341 * power)  # horsepower taken for kW
    (said,) = breaches(check_tunes(family(standard=run(), towing=both)))
    assert "+34.1 %" in said


@given(scale=st.floats(0.5, 2.0), seed=st.integers(0, 50))
def test_the_order_of_samples_in_a_run_does_not_matter(scale: float, seed: int):
    mixed = run(scale).sample(frac=1.0, random_state=seed)
    straight = check_tunes(family(standard=run(), towing=run(scale)))
    shuffled = check_tunes(family(standard=run(), towing=mixed))
    np.testing.assert_allclose(straight.rises["rise_pct"], shuffled.rises["rise_pct"])
    assert straight.is_ok is shuffled.is_ok


def test_setups_of_two_cars_are_no_set():
    diesel = Setup(
        axes=AXES,
        target=Target(np.full(AXES.shape, 1.3)),
        engine=EngineSettings(ignition="compression", fuel="diesel"),
    )
    report = check_tunes([*family(), tune("other", setup=diesel)])
    assert any("ignition" in s for s in breaches(report))
    assert any("fuel" in s for s in breaches(report))


def test_two_tunes_of_one_name_are_a_breach():
    assert "2 tunes are called towing" in breaches(check_tunes([*family(), tune("towing", 1.0)]))


# -- the folder -------------------------------------------------------------------------------

SETUP_TEXT = """
[engine]
label = "simulated"
[axes]
rpm = [1000, 2000, 3000]
load = [40, 80, 120]
load_name = "manifold pressure"
load_unit = "kPa"
[target]
table = [[1, 1, 0.9], [1, 1, 0.9], [1, 1, 0.9]]
"""
LIST_TEXT = """
setup = "setup.toml"
[[tune]]
name = "standard"
kind = "standard"
grid = "standard.csv"
run = "standard-run.csv"
[[tune]]
name = "towing"
grid = "towing.csv"
run = "towing-run.csv"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "setup.toml").write_text(SETUP_TEXT, encoding="utf-8")
    (tmp_path / "tunes.toml").write_text(LIST_TEXT, encoding="utf-8")
    for name, value, scale in (("standard", 0.0, 1.0), ("towing", 3.0, 1.1)):
        grid = Grid(AXES, np.full(AXES.shape, value))
        (tmp_path / f"{name}.csv").write_text(write_grid_text(grid), encoding="utf-8")
        run(scale).to_csv(tmp_path / f"{name}-run.csv", index=False)
    return tmp_path


def test_a_folder_is_read_in_order_and_passes(folder: Path):
    tunes = read_tunes(folder)
    assert [(t.name, t.kind) for t in tunes] == [("standard", "standard"), ("towing", "other")]
    pd.testing.assert_frame_equal(tunes[1].run, run(1.1))
    assert check_tunes(tunes).is_ok


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('name = "towing"', "", r"tune\[2\]\.name: this key is missing"),
        ('name = "towing"', 'name = 3', r"tune\[2\]\.name: 3 is not a text"),
        ('kind = "standard"', 'kind = "standart"', 'not a kind of tune. Did you mean standard'),
        ('grid = "towing.csv"', 'gird = "towing.csv"', "gird: this key is not known. Did you mean"),
        ('grid = "towing.csv"', 'grid = "gone.csv"', 'grid: there is no file "gone.csv"'),
        ('setup = "setup.toml"', "", r"tune\[1\]\.setup: this key is missing"),
        ("[[tune]]", "[[tunes]]", "tunes: this key is not known"),
        (LIST_TEXT, "", "no tune is listed"),
    ],
)  # fmt: skip
def test_what_is_wrong_in_the_list_is_named(folder: Path, old: str, new: str, says: str):
    (folder / "tunes.toml").write_text(LIST_TEXT.replace(old, new), encoding="utf-8")
    with pytest.raises(SetupError, match=says):
        read_tunes(folder)


def test_a_missing_folder_and_a_missing_list_are_told_apart(tmp_path: Path):
    with pytest.raises(SetupError, match="no such folder"):
        read_tunes(tmp_path / "none")
    with pytest.raises(SetupError, match=r"holds no tunes\.toml"):
        read_tunes(tmp_path)


def test_a_grid_with_other_breakpoints_than_its_setup_is_refused(folder: Path):
    text = (folder / "towing.csv").read_text(encoding="utf-8").replace("2000", "2100")
    (folder / "towing.csv").write_text(text, encoding="utf-8")
    with pytest.raises(GridError):
        read_tunes(folder)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("rpm,torque_nm\n2000,150\n2100,-\n", 'line 3: torque_nm is "-"'),
        ("rpm,torque_nm\n2000,150\n\n2100,nan\n", 'line 4: torque_nm is "nan"'),
        ("rpm,torque_nm\n2000\n", 'line 2: torque_nm is ""'),
        ("rpm,torque_nm\n0,150\n", "line 2: a speed is not greater than 0"),
        ("rpm,rpm,torque_nm\n1,2,3\n", "rpm appears twice"),
        ("rpm,torque_nm\n", "holds no values"),
        ("", "is empty"),
    ],
)
def test_what_is_wrong_in_a_run_is_named(tmp_path: Path, text: str, says: str):
    path = tmp_path / "run.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(LogError, match=says):
        read_run(path)


def test_a_run_saved_by_a_spreadsheet_is_read(tmp_path: Path):
    path = tmp_path / "run.csv"
    path.write_bytes('\ufeffRPM;Power_kW;note\r\n"2000,5";31,5;x\r\n'.encode())
    assert read_run(path).curve.to_dict("list") == {"rpm": [2000.5], "power_kw": [31.5]}


def test_no_more_of_a_file_is_read_than_a_table_may_have(tmp_path: Path, monkeypatch):
    log = write_full_load(tmp_path / "log.csv", full_load(stock_diesel(), seed=1))
    asked = []
    islice = module.islice
    monkeypatch.setattr(module, "islice", lambda it, most: asked.append(most) or islice(it, most))
    assert "full-load pulls of log.csv" in read_run(log).words
    assert asked == [1]  # the header alone tells a log from a table
    monkeypatch.setattr(module, "MAX_TABLE_ROWS", 3)
    path = tmp_path / "run.csv"
    for rows in (3, 4):
        text = "rpm,torque_nm\n" + "".join(f"{1000 + 500 * i},200\n" for i in range(rows))
        path.write_text(text, encoding="utf-8")
        if rows == 3:
            assert len(read_run(path).curve) == 3
    with pytest.raises(LogError, match="more than 3 rows"):
        read_run(path)


@pytest.mark.parametrize("spoilt", [b"3000,\xff\n", b"3000,2" + b"0" * 70_000 + b"\n"])
def test_a_table_that_is_no_text_further_down_is_not_read_in_part(tmp_path: Path, spoilt: bytes):
    path = tmp_path / "run.csv"
    path.write_bytes(b"rpm,torque_nm\n1000,200\n2000,210\n" + spoilt)
    with pytest.raises(InputError):
        read_run(path)


def test_a_run_that_is_nothing_known_is_refused(tmp_path: Path):
    path = tmp_path / "run.csv"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputError):
        read_run(path)


def test_the_pulls_of_a_log_are_the_run_and_the_driving_between_is_not(tmp_path: Path):
    log = full_load(stock_diesel(), seed=1)
    found = read_run(write_full_load(tmp_path / "log.csv", log))
    # the simulator says which samples are pulls: 3 of them from 1200 to 4200 rpm
    assert "mean of 3 full-load pulls of log.csv" in found.words
    curve = found.curve
    true = stock_diesel().torque(curve["rpm"].to_numpy())
    assert np.abs(curve["torque_nm"] / true - 1).max() < 0.02  # noise 3 N.m, repeats 0.5 %
    assert curve["rpm"].min() < 1400
    assert curve["rpm"].max() > 4000


def test_a_log_in_other_units_is_compared_in_the_same_ones(tmp_path: Path):
    log = full_load(stock_diesel(), seed=1)
    metric = read_run(write_full_load(tmp_path / "a.csv", log)).curve
    other = read_run(write_full_load(tmp_path / "b.csv", log, torque="Torque (lbf.ft)")).curve
    np.testing.assert_allclose(other["torque_nm"], metric["torque_nm"], atol=0.01)


def test_a_log_whose_setup_names_other_columns_is_read_by_its_headers(tmp_path: Path):
    setup = read_setup(VAN)
    path = write_full_load(tmp_path / "log.csv", full_load(stock_diesel(), seed=1))
    assert "read by its headers" in read_run(path, setup=setup).words


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("Time (s),Engine speed (rpm),Throttle (%),Torque (Nm)\n", "no full-load pull"),
        ("Time (s),Engine speed (rpm),Throttle (%),Coolant (degC)\n", "neither torque nor power"),
    ],
)
def test_a_log_without_a_pull_or_torque_is_refused_and_a_table_is_offered(
    tmp_path: Path, text: str, says: str
):
    path = tmp_path / "log.csv"
    rows = "".join(f"{n / 10},2000,30,{80 + n % 3}\n" for n in range(100))
    path.write_text(text + rows, encoding="utf-8")
    with pytest.raises(LogError, match=says) as refused:
        read_run(path)
    assert "rpm and torque_nm, power_kw or both" in str(refused.value)


def test_a_table_with_a_time_is_a_log_so_that_idling_is_no_full_load(tmp_path: Path):
    path = tmp_path / "run.csv"
    rows = "".join(f"{n / 10},{900 + n},{100 + n % 3}\n" for n in range(100))
    path.write_text("time_s,rpm,torque_nm\n" + rows, encoding="utf-8")
    with pytest.raises(LogError, match="no full-load pull"):
        read_run(path)


# -- what is told -----------------------------------------------------------------------------


def test_the_example_has_every_key_and_is_read(folder: Path):
    import tomllib

    told = tomllib.loads(EXAMPLE)
    assert set().union(*told["tune"]) == set(KEYS)
    text = EXAMPLE.replace("car.toml", "setup.toml").replace("trailer.toml", "setup.toml")
    (folder / "tunes.toml").write_text(text.replace("trailer", "towing"), encoding="utf-8")
    assert [t.kind for t in read_tunes(folder)] == ["standard", "towing"]


def test_the_example_stands_in_the_help_and_in_the_errors(tmp_path: Path):
    for text in (
        cli("tunes", "check", "--help").stdout,
        cli("tunes", "check", tmp_path).stderr,
        _of_empty_list(tmp_path),
    ):
        for line in EXAMPLE.splitlines():
            assert line.strip() in text


def _of_empty_list(folder: Path) -> str:
    (folder / "tunes.toml").write_text("", encoding="utf-8")
    return str(cli("tunes", "check", folder).stderr)


def test_what_was_checked_is_said_and_what_was_not(folder: Path):
    whole = " ".join(cli("tunes", "check", folder).stdout.split())
    assert "All checks passed." in whole
    assert "checked: that torque and power rise in order, for one pair of tunes" in whole
    assert "NOT checked: what the engine does" in whole
    text = LIST_TEXT.replace('run = "towing-run.csv"', "")
    (folder / "tunes.toml").write_text(text, encoding="utf-8")
    part = " ".join(cli("tunes", "check", folder).stdout.split())
    assert "checked: that torque" not in part
    assert "NOT checked: the order of power and torque, which needs" in part
