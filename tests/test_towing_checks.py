"""A towing tune beside the power tune: no stronger, no leaner, no hotter, each with its numbers."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from report_makers import full_load, write_full_load
from report_makers import run as cli

from tuneassist.errors import LogError
from tuneassist.files.grid_file import write_grid_text
from tuneassist.files.run_file import read_run
from tuneassist.grid import Axes, Grid
from tuneassist.loop.tune_set import Tune, TunesReport, check_tunes
from tuneassist.settings import (
    Ceiling,
    CorrectionSettings,
    EngineSettings,
    LimitSettings,
    Setup,
    Target,
)
from tuneassist.simulate.full_load import stock_diesel

AXES = Axes(
    rpm=np.array([1000.0, 2000, 3000]),
    load=np.array([40.0, 80, 150]),
    load_name="manifold pressure",
    load_unit="kPa",
)
RPM = np.arange(1500.0, 4501.0, 50.0)
HEAVY = 2
"""Column of the only load in boost, which is also above 65 % of the highest."""


def car(
    target: float = 0.85,
    *,
    ignition: str = "spark",
    kind: str = "aim",
    acts_on: str = "fuel",
    **ceilings: float,
) -> Setup:
    return Setup(
        axes=AXES,
        target=Target(np.full(AXES.shape, target), kind=kind),  # type: ignore[arg-type]
        engine=EngineSettings(ignition=ignition),  # type: ignore[arg-type]
        correction=CorrectionSettings(acts_on=acts_on),  # type: ignore[arg-type]
        limits=LimitSettings(ceilings={n: Ceiling(v) for n, v in ceilings.items()}),
    )


def run(scale: float = 1.0, **columns: float) -> pd.DataFrame:
    torque = scale * (200.0 - 40.0 * ((RPM - 3000) / 1500) ** 2)
    return pd.DataFrame({"rpm": RPM, "torque_nm": torque, **columns})


def tune(name: str, kind: str, *, setup: Setup | None = None, heavy: float = 0.0,
         light: float = 0.0, run: pd.DataFrame | None = None) -> Tune:  # fmt: skip
    values = np.full(AXES.shape, light)
    values[:, HEAVY] = heavy
    return Tune(name, setup or car(), Grid(AXES, values), kind=kind, run=run)


def checked(towing: Tune, power: Tune, *, is_power_first: bool = False) -> TunesReport:
    standard = Tune("standard", power.setup, Grid.zeros(AXES), kind="standard")
    pair = [power, towing] if is_power_first else [towing, power]
    return check_tunes([standard, *pair])


def said(report: TunesReport, topic: str) -> list[str]:
    return [f.sentence for f in report.findings if f.topic == topic and f.verdict == "breach"]


def test_a_towing_tune_stronger_than_the_power_tune_is_found_wherever_it_is_listed() -> None:
    strong = tune("trailer", "towing", run=run(1.1))
    weak = tune("race", "power", run=run(1.0))
    later = checked(strong, weak, is_power_first=True)  # in the order stated torque does rise
    (sentence,) = said(later, "strength")
    assert sentence.startswith("trailer beside race: stronger at full load, 1500 to 4500 rpm")
    assert "at 31 of 31 speeds" in sentence
    assert "against" in sentence
    assert "(+10.0 %)" in sentence
    (first,) = said(checked(strong, weak), "order")  # told once where the order tells it
    assert "race over trailer" in first
    assert said(checked(strong, weak), "strength") == []
    assert checked(tune("t", "towing", run=run(0.9)), weak).is_ok


def test_an_economy_tune_may_be_lean_but_not_stronger() -> None:
    economy = tune("eco", "economy", setup=car(0.95), heavy=-4.0, run=run(1.1))
    report = checked(economy, tune("race", "power", run=run()), is_power_first=True)
    assert len(said(report, "strength")) == 1
    assert said(report, "mixture") == []


def test_a_leaner_target_in_a_heavy_cell_is_named_with_cell_and_both_lambdas() -> None:
    report = checked(tune("trailer", "towing", setup=car(0.92)), tune("race", "power"))
    (sentence,) = said(report, "mixture")
    assert (
        "trailer beside race: aims leaner in 3 of 3 heavy cells, most at 1000 rpm, 150" in sentence
    )
    assert "lambda 0.920 against 0.850 (+8.2 % leaner)" in sentence  # 0.92 / 0.85 = 1.0824
    assert checked(tune("t", "towing", setup=car(0.80)), tune("race", "power")).is_ok


def test_less_fuel_in_boost_is_leaner_at_the_same_air_and_in_cruise_is_nobodys_business() -> None:
    report = checked(tune("trailer", "towing", heavy=-5.0), tune("race", "power", heavy=4.0))
    (sentence,) = said(report, "mixture")
    assert "less fuel, leaner at the same air in 3 of 3 heavy cells" in sentence
    assert "-5.0 against +4.0 % (+9.5 % leaner)" in sentence  # 1.04 / 0.95 = 1.0947
    assert checked(tune("t", "towing", light=-5.0), tune("race", "power")).is_ok


@pytest.mark.parametrize(("extra", "is_ok"), [(0.9, True), (1.1, False)])
def test_one_percent_of_lambda_is_what_a_sensor_repeats(extra: float, is_ok: bool) -> None:
    towing = tune("t", "towing", setup=car(0.85 * (1 + extra / 100)))
    assert checked(towing, tune("race", "power")).is_ok is is_ok


def test_a_diesel_is_hurt_by_more_fuel_and_by_a_richer_floor() -> None:
    power = tune("race", "power", setup=car(1.2, ignition="compression", kind="floor"), heavy=3.0)
    more = tune("t", "towing", setup=power.setup, heavy=8.0)
    (sentence,) = said(checked(more, power), "mixture")
    assert "more fuel, richer, stronger and hotter" in sentence
    assert "+8.0 against +3.0 % (+4.9 % fuel)" in sentence  # 1.08 / 1.03 = 1.0485
    floor = tune("t", "towing", setup=car(1.1, ignition="compression", kind="floor"))
    (sentence,) = said(checked(floor, power), "mixture")
    assert "its floor lets it go richer" in sentence
    assert "lambda 1.100 against 1.200" in sentence
    leaner = tune("t", "towing", setup=car(1.3, ignition="compression", kind="floor"), heavy=-3.0)
    assert checked(leaner, power).is_ok


def test_more_air_in_a_boost_grid_is_stronger_and_leaner() -> None:
    setup = car(acts_on="boost")
    report = checked(
        tune("t", "towing", setup=setup, heavy=6.0), tune("race", "power", setup=setup, heavy=2.0)
    )
    assert "more air, stronger and leaner in 3 of 3 heavy cells" in said(report, "mixture")[0]


def test_a_leaner_run_is_found_with_speed_and_both_lambdas() -> None:
    lean = run(0.9, **{"lambda": 0.82})
    lean.loc[lean["rpm"].between(2950, 3050), "lambda"] = 0.93
    report = checked(
        tune("t", "towing", run=lean), tune("race", "power", run=run(**{"lambda": 0.84}))
    )
    (sentence,) = said(report, "mixture")
    assert "leaner at full load" in sentence
    numbers = "lambda 0.930 against 0.840 (+10.7 % leaner)"
    assert f"at 1 of 31 speeds, most at 3000 rpm: {numbers}" in sentence


def test_a_hotter_run_is_found_with_speed_and_both_temperatures() -> None:
    power = tune("race", "power", run=run(exhaust_temp_c=820.0))
    hot = checked(tune("t", "towing", run=run(0.9, exhaust_temp_c=860.0)), power)
    (sentence,) = said(hot, "heat")
    assert "hotter at full load" in sentence
    assert "860 against 820 degC (+40.0 degC)" in sentence
    assert checked(tune("t", "towing", run=run(0.9, exhaust_temp_c=829.0)), power).is_ok


def test_runs_are_told_in_the_units_of_their_logs_and_mixture_in_that_of_the_target() -> None:
    logged = {"torque": "lbf.ft", "exhaust_temp": "degF"}
    afr = car()
    afr = replace(afr, target=replace(afr.target, unit="afr"))  # on 14.7, of the engine's defaults
    power = tune("race", "power", run=run(exhaust_temp_c=820.0, **{"lambda": 0.84}), setup=afr)
    hot = tune("t", "towing", run=run(1.1, exhaust_temp_c=860.0, **{"lambda": 0.93}), setup=afr)
    report = checked(replace(hot, logged=logged), power)
    (heat,) = said(report, "heat")
    assert "1580 against 1508 degF (+72.0 degF)" in heat  # 860 and 820 degC, 40 K
    order = " ".join(said(report, "order"))
    numbers = re.search(r"\((\d+\.\d) against (\d+\.\d) lbf\.ft\)", order)
    assert numbers is not None
    less, more = (float(number) * 1.35582 for number in numbers.groups())  # to N.m
    assert more == pytest.approx(1.1 * less, rel=2e-3)
    assert 160.0 <= less <= 200.0  # what `run` makes
    mixture = " ".join(said(report, "mixture"))
    assert "13.67 against 12.35 AFR" in mixture  # 14.7 x 0.93 and x 0.84
    everything = " ".join(finding.sentence for finding in report.findings)
    for word in ("N.m", "degC", "lambda 0"):
        assert word not in everything


def test_a_run_above_its_own_ceiling_and_a_ceiling_above_the_power_tunes_are_found() -> None:
    power = tune("race", "power", setup=car(exhaust_temp=850.0, torque=300.0))
    lax = tune("t", "towing", setup=car(exhaust_temp=900.0, torque=320.0),
               run=run(exhaust_temp_c=910.0))  # fmt: skip
    report = checked(lax, power)
    heat = said(report, "heat")
    assert any("its ceiling on exhaust temp is 900 against 850 degC" in s for s in heat)
    assert any("910 degC exhaust" in s and "its own ceiling of 900 degC" in s for s in heat)
    assert said(report, "strength") == [
        "t beside race: its ceiling on torque is 320 against 300 N.m"
    ]
    none = checked(tune("t", "towing"), power)
    remarks = [f.sentence for f in none.findings if f.verdict == "remark" and f.topic == "heat"]
    assert remarks == ["t beside race: no ceiling on exhaust temp, where race stops at 850 degC"]


def test_what_could_not_be_compared_is_said() -> None:
    report = checked(tune("t", "towing", run=run(0.9)), tune("race", "power", run=run()))
    assert "mixture by target and grid, between t and race" in report.checked
    assert any(
        s.startswith("lambda at full load, between t and race: it") for s in report.unchecked
    )
    assert any(s.startswith("exhaust temperature at full load") for s in report.unchecked)
    alone = check_tunes([Tune("s", car(), Grid.zeros(AXES), kind="standard")])
    assert any("no towing tune is listed with a power tune" in s for s in alone.unchecked)


# -- through the command line -----------------------------------------------------------------

SETUP_TEXT = """
[engine]
label = "simulated"
[axes]
rpm = [1000, 2000, 3000]
load = [40, 80, 150]
load_name = "manifold pressure"
load_unit = "kPa"
[target]
table = [[1, 1, TARGET], [1, 1, TARGET], [1, 1, TARGET]]
"""
LIST_TEXT = """
setup = "car.toml"
[[tune]]
name = "standard"
kind = "standard"
grid = "zeros.csv"
[[tune]]
name = "race"
kind = "power"
grid = "zeros.csv"
run = "race.csv"
[[tune]]
name = "trailer"
kind = "towing"
setup = "trailer.toml"
grid = "zeros.csv"
run = "trailer.csv"
"""


def folder(path: Path, *, target: float, towing: pd.DataFrame) -> Path:
    (path / "car.toml").write_text(SETUP_TEXT.replace("TARGET", "0.85"), encoding="utf-8")
    (path / "trailer.toml").write_text(SETUP_TEXT.replace("TARGET", f"{target}"), encoding="utf-8")
    (path / "tunes.toml").write_text(LIST_TEXT, encoding="utf-8")
    (path / "zeros.csv").write_text(write_grid_text(Grid.zeros(AXES)), encoding="utf-8")
    run(1.0, exhaust_temp_c=800.0, **{"lambda": 0.85}).to_csv(path / "race.csv", index=False)
    towing.to_csv(path / "trailer.csv", index=False)
    return path


def test_the_command_ends_with_5_and_names_strength_mixture_and_heat(tmp_path: Path) -> None:
    bad = folder(tmp_path, target=0.95, towing=run(1.2, exhaust_temp_c=870.0, **{"lambda": 0.95}))
    result = cli("tunes", "check", bad)
    assert result.exit_code == 5
    words = " ".join(result.stdout.split())
    for told in (
        "trailer beside race: stronger at full load",
        "trailer beside race: aims leaner in 3 of 3 heavy cells, most at 1000 rpm, 150 kPa: lambda "
        "0.950 against 0.850",
        "trailer beside race: leaner at full load",
        "trailer beside race: hotter at full load",
        "870 against 800 degC",
    ):
        assert told in words, told
    record = json.loads(cli("tunes", "check", bad, "--json").stdout)
    found = {f["topic"] for f in record["findings"] if f["verdict"] == "breach"}
    assert found == {"strength", "mixture", "heat"}


def test_the_command_passes_a_towing_tune_that_is_weaker_richer_and_cooler(tmp_path: Path) -> None:
    text = LIST_TEXT.split("[[tune]]")
    good = folder(tmp_path, target=0.82, towing=run(0.9, exhaust_temp_c=780.0, **{"lambda": 0.82}))
    ordered = "[[tune]]".join([text[0], text[1], text[3], text[2]])
    (good / "tunes.toml").write_text(ordered, encoding="utf-8")
    result = cli("tunes", "check", good)
    assert result.exit_code == 0, result.stdout
    assert "exhaust temperature at full load, between trailer and race" in " ".join(
        result.stdout.split()
    )


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ("2000,150,12.5,800", "line 2: lambda is \"12.5\". Write lambda from 0.4 to 4"),
        ("2000,150,0.9,1400", "line 2: exhaust_temp_c is \"1400\""),
        ("2000,150,x,800", "line 2: lambda is \"x\". Write a number"),
    ],
)  # fmt: skip
def test_what_is_no_lambda_or_exhaust_temperature_is_named(
    tmp_path: Path, row: str, says: str
) -> None:
    path = tmp_path / "run.csv"
    path.write_text(f"rpm,torque_nm,lambda,exhaust_temp_c\n{row}\n", encoding="utf-8")
    with pytest.raises(LogError, match=says):
        read_run(path)


def test_a_blank_lambda_is_not_known_and_the_rest_of_the_run_is_read(tmp_path: Path) -> None:
    path = tmp_path / "run.csv"
    path.write_text("rpm,torque_nm,lambda\n2000,150,\n2100,151,0.85\n", encoding="utf-8")
    curve = read_run(path).curve
    assert np.isnan(curve["lambda"].iloc[0])
    assert curve["torque_nm"].tolist() == [150.0, 151.0]


def test_the_pulls_of_a_log_bring_their_lambda_and_exhaust_temperature(tmp_path: Path) -> None:
    curve = read_run(write_full_load(tmp_path / "log.csv", full_load(stock_diesel(), seed=1))).curve
    assert curve["exhaust_temp_c"].notna().all()
    assert curve["lambda"].notna().all()
