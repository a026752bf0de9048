"""A set of tunes whose runs were made in different air, or exceed their tune's own limits."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from io import StringIO
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from report_makers import COLUMNS, full_load, run

from tuneassist.files.grid_file import write_grid_text
from tuneassist.files.run_file import read_run
from tuneassist.grid import Axes, Grid
from tuneassist.loop.tune_run_checks import air_between, run_limits, table_pull
from tuneassist.loop.tune_set import Tune, check_tunes
from tuneassist.runs import RunSettings
from tuneassist.runs.air_difference import KnownAir
from tuneassist.settings import Ceiling, LimitSettings, Setup, Target
from tuneassist.simulate.full_load import FullLoadPlan, TorqueCurve, stock_diesel

AXES = Axes(rpm=np.array([1000.0, 2000, 3000]), load=np.array([40.0, 80, 150]))
SETUP = """
[engine]
label = "simulated"
[axes]
rpm = [1000, 2000, 3000]
load = [40, 80, 150]
load_name = "manifold pressure"
load_unit = "kPa"
[target]
table = [[1, 1, 0.85], [1, 1, 0.85], [1, 1, 0.85]]
[limits.ceilings]
exhaust_temp = { ceiling = 900, hard = 950, unit = "degC" }
"""
TUNES = """
setup = "car.toml"
[[tune]]
name = "standard"
kind = "standard"
grid = "zeros.csv"
run = "standard.csv"
[[tune]]
name = "more"
kind = "power"
grid = "zeros.csv"
run = "more.csv"
"""
FAIR = FullLoadPlan(barometer_kpa=99.0, air_temp_c=24.85, repeat_pct=0.1)
# ISO 1585: (99/95.4)^1.2 (308/298)^0.6 = 1.04546 x 1.02000 = 1.06637
THIN_FACTOR = (99.0 / 95.4) ** 1.2 * (308.0 / 298.0) ** 0.6
THIN = replace(FAIR, barometer_kpa=95.4, air_temp_c=34.85, air_loss=THIN_FACTOR)


def write_log(
    path: Path,
    curve: TorqueCurve,
    plan: FullLoadPlan,
    *,
    seed: int,
    left_out: tuple[str, ...] = ("lambda", "boost_kpa"),
) -> None:
    """A log without mixture, which has limits of its own."""
    names = {k: v for k, v in COLUMNS.items() if k not in left_out}
    samples = full_load(curve, seed=seed, plan=plan).samples
    frame = samples[list(names)].rename(columns=names)
    frame["Torque (N.m)"] = samples["torque_nm"].round(3)
    text = frame.to_csv(index=False)
    path.write_text(f"# simulated\n{text}", encoding="utf-8", newline="")


def write_set(folder: Path, *, setup: str = SETUP, tunes: str = TUNES) -> Path:
    (folder / "car.toml").write_text(setup, encoding="utf-8")
    (folder / "tunes.toml").write_text(tunes, encoding="utf-8")
    (folder / "zeros.csv").write_text(write_grid_text(Grid.zeros(AXES)), encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def days(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A tune of 3.9 % more torque in standard air, logged on a thin day: 2.6 % less as measured."""
    folder = write_set(tmp_path_factory.mktemp("days"))
    write_log(folder / "standard.csv", stock_diesel(), FAIR, seed=1)
    write_log(folder / "more.csv", stock_diesel().scaled(3.9), THIN, seed=2)
    return folder


def rises(folder: Path, *words: str) -> tuple[int, dict[str, object], float]:
    result = run("tunes", "check", folder, "--json", *words)
    record = json.loads(result.stdout)
    table = pd.DataFrame(record["rises"])
    return result.exit_code, record, float(table["rise_pct"].mean()) if len(table) else np.nan


def test_the_order_is_told_in_the_unit_that_was_logged(tmp_path: Path) -> None:
    folder = write_set(tmp_path)
    for name, more in (("standard.csv", 0.0), ("more.csv", 10.0)):
        write_log(folder / name, stock_diesel().scaled(more), FAIR, seed=1)
        text = (folder / name).read_text(encoding="utf-8")
        frame = pd.read_csv(StringIO(text), comment="#")
        frame["Torque (lbf.ft)"] = (frame.pop("Torque (N.m)") / 1.3558179).round(3)
        (folder / name).write_text(frame.to_csv(index=False), encoding="utf-8", newline="")
    words = " ".join(run("tunes", "check", folder).stdout.split())
    assert re.search(r"least .* \(\d+\.\d against \d+\.\d lbf\.ft\)", words), words
    assert "N.m)" not in words
    # what stays for programs is in N.m
    table = pd.DataFrame(rises(folder)[1]["rises"])
    assert table["lower_torque_nm"].max() == pytest.approx(max(stock_diesel().torque_nm), rel=0.03)


def test_runs_in_different_air_are_not_compared_uncorrected(days: Path) -> None:
    status, record, rise = rises(days)
    assert status == 5
    assert np.isnan(rise)
    said = " ".join(str(f["sentence"]) for f in record["findings"])  # type: ignore[attr-defined]
    assert "more over standard: not compared" in said
    assert "99.0 kPa and 24.9 degC for standard, 95.4 kPa and 34.9 degC for more" not in said
    assert "99.0 kPa and 24.9 degC for standard and 95.4 kPa and 34.9 degC for more" in said
    assert "torque by -6.2 %" in said  # 1/1.06637 - 1
    assert "--standard" in said
    assert not any("rise in order" in words for words in record["checked"])  # type: ignore[attr-defined]


def test_a_standard_brings_the_runs_to_one_air(days: Path) -> None:
    status, record, rise = rises(days, "--standard", "iso1585", "--humidity", "0")
    assert status == 0, record
    assert rise == pytest.approx(3.9, abs=0.4)
    said = " ".join(str(f["sentence"]) for f in record["findings"])  # type: ignore[attr-defined]
    assert "brought to ISO 1585 / UN R85, factor 1.0664" in said


def test_runs_are_compared_as_measured_where_that_is_asked_for(days: Path) -> None:
    status, record, rise = rises(days, "--standard", "none")
    assert status == 5
    assert rise == pytest.approx(100 * (1.039 / THIN_FACTOR - 1), abs=0.4)
    assert any("without the weather" in words for words in record["unchecked"])  # type: ignore[attr-defined]


def test_strength_beside_a_power_tune_asks_for_one_air_too(days: Path) -> None:
    text = TUNES.replace('kind = "standard"', 'kind = "towing"')
    first, second = text.split("[[tune]]")[1:]
    swapped = '\nsetup = "car.toml"\n' + "".join(f"[[tune]]{part}" for part in (second, first))
    (days / "towing").mkdir()
    folder = write_set(days / "towing", tunes=swapped)
    for name in ("standard.csv", "more.csv"):
        (folder / name).write_bytes((days / name).read_bytes())
    record = rises(folder)[1]
    found = [f for f in record["findings"] if f["topic"] == "strength"]  # type: ignore[attr-defined]
    assert [f["verdict"] for f in found] == ["breach"]
    assert "standard beside more: not compared" in found[0]["sentence"]


def tune(name: str, **rest: object) -> Tune:
    car = Setup(axes=AXES, target=Target(np.full(AXES.shape, 0.85)))
    return Tune(**{"name": name, "setup": car, "grid": Grid.zeros(AXES), **rest})  # type: ignore[arg-type]


def test_one_corrected_run_beside_one_that_is_not_is_not_compared() -> None:
    corrected, bare = tune("a", standard="ISO 1585 / UN R85"), tune("b")
    assert "that of b is as measured" in air_between(corrected, bare, RunSettings())
    assert "that of b is as measured" in air_between(bare, corrected, RunSettings())
    assert air_between(corrected, corrected, RunSettings()) == ""


def test_air_that_is_not_known_is_said_not_to_be_checked() -> None:
    frame = pd.DataFrame({"rpm": [1500.0, 2000, 2500, 3000], "torque_nm": 100.0})
    tunes = [tune("a", kind="standard", run=frame),
             tune("b", run=frame.assign(torque_nm=110.0))]  # fmt: skip
    report = check_tunes(tunes)
    assert report.is_ok
    assert "that a and b ran in the same air: the air of both is not known" in report.unchecked
    known = [replace(t, air=KnownAir(99.0, 20.0)) for t in tunes]
    assert not any("same air" in words for words in check_tunes(known).unchecked)


def test_a_table_tells_its_air_and_is_brought_to_the_standard(tmp_path: Path) -> None:
    path = tmp_path / "run.csv"
    path.write_text(
        "rpm,torque_nm,power_kw,barometer_kpa,intake_temp_c\n"
        "2000,150,31,97,34.85\n3000,160,50,97,34.85\n", encoding="utf-8",
    )  # fmt: skip
    plain = read_run(path)
    assert (plain.air.pressure_kpa, plain.air.temp_c) == (97.0, 34.85)
    assert plain.standard == ""
    found = read_run(path, settings=RunSettings(standard="iso1585", relative_humidity_pct=0.0))
    # 97 kPa, 308 K: 1.04529 (ISO 1585, UN R85 Annex 5 clause 5.4.1)
    np.testing.assert_allclose(found.curve["torque_nm"], [150 * 1.04529, 160 * 1.04529], rtol=1e-5)
    np.testing.assert_allclose(found.curve["power_kw"], [31 * 1.04529, 50 * 1.04529], rtol=1e-5)
    assert found.standard == "ISO 1585 / UN R85"
    assert found.pulls[0].samples["torque_nm"].tolist() == [150.0, 160.0]  # limits see what was
    bare = tmp_path / "bare.csv"
    bare.write_text("rpm,torque_nm\n2000,150\n3000,160\n", encoding="utf-8")
    without = read_run(bare, settings=RunSettings(standard="iso1585"))
    assert without.standard == ""
    assert "NOT brought to ISO 1585" in without.words


def test_the_list_tells_the_air_of_a_run(days: Path, tmp_path: Path) -> None:
    text = TUNES.replace('run = "more.csv"', 'run = "more.csv"\nair = [99, 25]')
    folder = write_set(tmp_path, tunes=text)
    for name in ("standard.csv", "more.csv"):
        (folder / name).write_bytes((days / name).read_bytes())
    status, _, rise = rises(folder)
    assert status == 5  # as measured, and in the same air as the list says: weaker
    assert rise == pytest.approx(100 * (1.039 / THIN_FACTOR - 1), abs=0.4)
    for wrong in ("air = [99]", "air = [987, 25]"):
        (folder / "tunes.toml").write_text(text.replace("air = [99, 25]", wrong), encoding="utf-8")
        refused = run("tunes", "check", folder)
        assert refused.exit_code == 3
        assert "air = [98.7, 24]" in " ".join(refused.stderr.split())


# -- limits -----------------------------------------------------------------------------------

HOT = SETUP + '[limits.ceilings.boost]\nceiling = 100\nhard = 120\nunit = "kPa"\n'


def test_a_log_that_exceeds_its_tunes_hard_ceiling_is_not_as_it_should_be(tmp_path: Path) -> None:
    folder = write_set(tmp_path, setup=HOT)
    write_log(folder / "standard.csv", stock_diesel(), FAIR, seed=1)
    charged = replace(FAIR, boost_kpa=130.0)
    write_log(folder / "more.csv", stock_diesel().scaled(5.0), charged, seed=2,
              left_out=("lambda",))  # fmt: skip
    result = run("tunes", "check", folder)
    assert result.exit_code == 5
    words = " ".join(result.stdout.split())
    assert re.search(r"more: 1(29|30)(\.\d)? kPa gauge boost at full load", words)
    assert "above its own hard ceiling of 120 kPa gauge, exceeded from" in words
    assert "above its own ceiling of 100 kPa gauge" in words
    assert (
        "limits of standard at full load on injector duty, boost, lambda" in words
    )  # it has no boost
    assert "passed" not in words


def test_the_limits_of_a_sound_run_are_said_to_be_kept(days: Path) -> None:
    words = " ".join(run("tunes", "check", days).stdout.split())
    assert "more: its full-load run exceeds none of the 2 limits that it has channels for" in words
    assert "checked: each full-load run against its tune's limits" in words


@pytest.mark.parametrize(("torque", "is_over"), [(301.0, True), (300.0, False)])
def test_a_table_is_held_against_a_ceiling_at_its_border(torque: float, is_over: bool) -> None:
    limits = LimitSettings(ceilings={"torque": Ceiling(300.0)})
    car = Setup(axes=AXES, target=Target(np.full(AXES.shape, 0.85)), limits=limits)
    rpm = np.arange(1500.0, 3001.0, 100.0)
    values = np.where(rpm == 2000.0, torque, 200.0)  # one row of a table is no spike
    power = pd.DataFrame({"rpm": rpm, "power_kw": values * rpm * np.pi / 30_000.0})
    for frame in (pd.DataFrame({"rpm": rpm, "torque_nm": values}), power.round(6)):
        bare = Tune("t", car, Grid.zeros(AXES), run=frame)
        found, blind = run_limits(bare)
        assert [f.verdict for f in found] == (["breach"] if is_over else ["ok"])
        assert run_limits(replace(bare, pulls=(table_pull(frame, "t"),))) == (found, blind)
        if is_over:
            assert "301 N.m torque at full load at 2000 rpm" in found[0].sentence
        assert "lambda" in blind


def test_a_lean_run_of_which_boost_is_not_known_is_remarked_on_and_else_refused() -> None:
    frame = pd.DataFrame({"rpm": [1500.0, 2000, 2500], "torque_nm": 100.0, "lambda": 0.95})
    (found,) = run_limits(tune("t", run=frame))[0]
    assert found.verdict == "remark"
    assert "whether it was in boost is not known" in found.sentence
    boosted = frame.assign(boost_kpa=60.0)
    (sure,) = run_limits(tune("t", run=boosted))[0]
    assert sure.verdict == "breach"
    assert "lambda 0.950 at full load" in sure.sentence
    assert "above its own leanest lambda in boost of 0.920" in sure.sentence


def test_a_run_is_held_against_its_limits_in_the_units_of_its_setup() -> None:
    heat = Ceiling(815.6, None, "degF")  # 1500 degF
    limits = LimitSettings(ceilings={"exhaust_temp": heat})
    target = Target(np.full(AXES.shape, 0.85), unit="afr")
    car = Setup(axes=AXES, target=target, limits=limits)
    frame = pd.DataFrame({"rpm": [1500.0, 2000, 2500], "torque_nm": 100.0, "lambda": 0.95,
                          "exhaust_temp_c": 843.3, "boost_kpa": 60.0})  # fmt: skip
    found, _ = run_limits(Tune("t", car, Grid.zeros(AXES), run=frame))
    said = " ".join(one.sentence for one in found)
    # 843.3 degC is 1550 degF; lambda 0.95 and 0.92 are AFR 13.96 and 13.52 on 14.7
    assert "1550 degF exhaust at full load" in said
    assert "above its own ceiling of 1500 degF" in said
    assert "13.96 AFR at full load" in said or "13.97 AFR at full load" in said
    assert "above its own leanest lambda in boost of 13.52 AFR" in said
    assert "degC" not in said
