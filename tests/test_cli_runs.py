"""``runs`` through the runner: units as logged, exit statuses, limits, zero means zero."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from report_makers import PETROL, VAN, full_load, run, write_full_load, write_sides

from tuneassist.cli.full_load import repeat_option
from tuneassist.files.setup_file import read_setup
from tuneassist.reading import read_log
from tuneassist.simulate.full_load import FullLoadPlan, stock_diesel, tuned_diesel
from tuneassist.workflow.runs import with_target


@pytest.fixture(scope="module")
def sides(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    return write_sides(tmp_path_factory.mktemp("runs"))


def test_one_option_takes_several_logs_and_stops_at_the_next_option() -> None:
    assert repeat_option(["--before", "a", "b", "--after", "c", "--json"]) == [
        "--before", "a", "--before", "b", "--after", "c", "--json",
    ]  # fmt: skip
    assert repeat_option(["folder", "--after", "c", "--out", "x"]) == [
        "folder", "--after", "c", "--out", "x",
    ]  # fmt: skip


def test_the_json_recovers_the_simulated_gain_and_peaks(sides: tuple[Path, Path]) -> None:
    result = run("runs", "--before", sides[0], "--after", sides[1], "--json")
    assert result.exit_code == 0, result.output
    record = json.loads(result.stdout)
    assert record["simulated"] is True
    peaks = {(row["side"], row["quantity"]): row["peak"] for row in record["peaks"]}
    # the simulator's own curves: 300 N.m and 110 kW before, 596 N.m and 152 kW after
    for side, curve in (("before", stock_diesel()), ("after", tuned_diesel())):
        assert peaks[side, "torque"] == pytest.approx(curve.peak_torque()[0], rel=0.02)
        assert peaks[side, "power"] == pytest.approx(curve.peak_power()[0], rel=0.02)
    gain = record["driven"][0]
    assert gain["low"] < 271 < gain["high"]  # mean of the curves' difference, 1600 to 2600 rpm


def test_an_exceeded_limit_is_named_with_its_speeds(sides: tuple[Path, Path]) -> None:
    result = run("runs", "--before", sides[0], "--after", sides[1], "--setup", VAN)
    assert result.exit_code == 0, result.output
    words = " ".join(result.stdout.split())
    assert "SIMULATED DATA" in words
    # the tuned diesel is too hot (720, hard 760 degC): two limits, however many pulls
    assert re.search(r"LIMITS EXCEEDED: 3 of \d ", words)
    # in the verdict and in the list, and not for every pull
    assert words.count("above the exhaust temp ceiling of 720 degC") == 2
    assert "In 3 of 3 pulls." in words
    assert "PASSED" not in words
    assert "passed" not in words
    assert "before.csv: read by the headers" in result.stderr  # the setup names other columns


def test_no_exceeded_limit_is_said_with_the_number_watched(tmp_path: Path) -> None:
    cool = FullLoadPlan(exhaust_c=600.0, boost_kpa=100.0)
    logs = [
        write_full_load(tmp_path / f"{n}.csv", full_load(stock_diesel(), seed=n, plan=cool))
        for n in (1, 2)
    ]
    asked = ("runs", "--before", logs[0], "--after", logs[1], "--ignition", "compression")
    words = " ".join(run(*asked).stdout.split())
    # exhaust 720 and 760 degC, boost 124.1 kPa, and the smoke floor and leanest lambda
    assert re.search(r"no limit was exceeded: [56] limits were checked in each pull", words)
    assert "EXCEEDED" not in words


@pytest.mark.parametrize("word", [None, "spark", "compression"])
def test_what_the_runs_are_judged_as_is_told_or_said(
    sides: tuple[Path, Path], word: str | None
) -> None:
    told = ("--ignition", word) if word else ()
    shown = run("runs", "--before", sides[0], "--after", sides[1], *told)
    words = " ".join(shown.stdout.split())
    # the simulated diesel runs at lambda 1.25 and more, far leaner than any petrol engine in boost
    assert ("leanest lambda in boost" in words) is (word != "compression")
    assert words.count("leanest lambda in boost") == (0 if word == "compression" else 2)  # a side
    assert ("treated as spark ignition" in words) is (word is None)
    assert ("--ignition compression" in words) is (word is None)
    record = json.loads(run("runs", "--before", sides[0], "--after", sides[1], *told,
                            "--json").stdout)  # fmt: skip
    assert record["ignition"] == (word or "spark")
    assert record["ignition_assumed"] is (word is None)


def test_ignition_that_the_setup_contradicts_is_wrong_usage(sides: tuple[Path, Path]) -> None:
    result = run("runs", "--before", sides[0], "--after", sides[1], "--setup", VAN,
                 "--ignition", "spark")  # fmt: skip
    assert result.exit_code == 2
    assert "engine.ignition is compression" in " ".join(result.stderr.replace("│", " ").split())


@pytest.fixture(scope="module")
def days(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A petrol car that lost 1 % from a fair day to a thin one: ISO 1585 gives 1.07 by 1.0045."""
    folder = tmp_path_factory.mktemp("days")
    # 99 kPa, 298 K has the factor 1; 97 kPa and 308 K 1.04529 (references, 2.1)
    fair = FullLoadPlan(barometer_kpa=99.0, air_temp_c=24.85, repeat_pct=0.1, boost_kpa=0.0)
    thin = replace(fair, air_loss=1.04529, barometer_kpa=97.0, air_temp_c=34.85)
    return (
        write_full_load(folder / "fair.csv", full_load(stock_diesel(), seed=1, plan=fair)),
        write_full_load(
            folder / "thin.csv", full_load(stock_diesel().scaled(-1.0), seed=2, plan=thin)
        ),
    )


def test_runs_in_air_that_differs_are_not_compared_uncorrected(days: tuple[Path, Path]) -> None:
    asked = ("runs", "--before", days[0], "--after", days[1], "--ignition", "spark")
    refused = run(*asked)
    assert refused.exit_code == 3
    assert refused.stdout == ""
    words = " ".join(refused.stderr.split())
    # 1/1.04529 - 1 = -4.33 % (ISO 1585, UN R85 Annex 5 clause 5.4.1)
    for said in ("99.0 kPa and 24.9 degC", "97.0 kPa and 34.9 degC", "torque by -4.3 %",
                 "--standard iso1585", "--standard none"):  # fmt: skip
        assert said in words


def test_runs_in_air_that_differs_are_corrected_or_compared_as_asked(
    days: tuple[Path, Path],
) -> None:
    asked = ("runs", "--before", days[0], "--after", days[1], "--ignition", "spark")
    gain = {}
    for word in ("iso1585", "none"):
        result = run(*asked, "--standard", word, "--json")
        assert result.exit_code == 0, result.output
        record = json.loads(result.stdout)
        gain[word] = record["driven"][0]["gain_pct"]
        assert record["air_effect_pct"] == pytest.approx(100 * (1 / 1.04529 - 1), abs=0.01)
        is_said = any("The gain includes it" in note for note in record["notes"])
        assert is_said is (word == "none")
    assert gain["iso1585"] == pytest.approx(-1.0, abs=0.4)
    assert gain["none"] == pytest.approx(100 * (0.99 / 1.04529 - 1), abs=0.4)


def test_a_standard_that_cannot_correct_air_that_differs_is_refused_with_its_reason(
    days: tuple[Path, Path],
) -> None:
    result = run("runs", "--before", days[0], "--after", days[1], "--ignition", "compression",
                 "--standard", "iso1585")  # fmt: skip
    assert result.exit_code == 3
    assert "fuel per litre and cycle" in " ".join(result.stderr.split())
    given = run("runs", "--before", days[0], "--after", days[1], "--ignition", "compression",
                "--standard", "iso1585", "--fuel", "50")  # fmt: skip
    assert given.exit_code == 0, given.output


def test_given_air_counts_above_what_was_logged(days: tuple[Path, Path]) -> None:
    asked = ("runs", "--before", days[0], "--after", days[1], "--ignition", "spark")
    same = run(*asked, "--air-before", "99", "25", "--air-after", "99", "25")
    assert same.exit_code == 0, same.output
    assert run(*asked, "--air-before", "97", "34.85").exit_code == 0
    assert run(*asked, "--air-before", "93", "34.85").exit_code == 3


def test_torque_is_shown_in_the_unit_that_was_logged(tmp_path: Path) -> None:
    paths = [
        write_full_load(tmp_path / f"{name}.csv", full_load(curve, seed=seed),
                        torque="Torque (lbf.ft)")
        for name, curve, seed in (("a", stock_diesel(), 1), ("b", tuned_diesel(), 2))
    ]  # fmt: skip
    result = run("runs", "--before", paths[0], "--after", paths[1])
    words = " ".join(result.stdout.split())
    assert "torque in lbf.ft" in words
    assert "hp" in words  # lbf.ft goes with hp
    assert "N.m" not in words
    record = json.loads(run("runs", "--before", paths[0], "--after", paths[1], "--json").stdout)
    assert record["units_logged"] == {"torque": "lbf.ft", "power": "hp"}
    torque = next(r["peak"] for r in record["peaks"] if r["side"] == "after")
    assert torque == pytest.approx(596.0, rel=0.02)  # N.m inside, whatever was logged


@pytest.mark.parametrize(
    ("word", "power", "torque"),
    [
        # NIST SP 811: horsepower 0.7456999 kW, lbf.ft 1.355818 N.m; DIN 66036: PS 0.73549875 kW
        ("metric", ("kW", 1.0), ("N.m", 1.0)),
        ("imperial", ("hp", 0.7456999), ("lbf.ft", 1.355818)),
        ("ps", ("PS", 0.73549875), ("N.m", 1.0)),
    ],
)
def test_torque_and_power_are_shown_in_the_units_asked_for(
    sides: tuple[Path, Path], word: str, power: tuple[str, float], torque: tuple[str, float]
) -> None:
    result = run("runs", "--before", sides[0], "--after", sides[1], "--units", word)
    words = " ".join(result.stdout.split())
    for quantity, (unit, size), peak in (("power", power, 152.0), ("torque", torque, 596.0)):
        found = re.search(rf"after, {quantity} ([\d.]+) {re.escape(unit)}", words)
        assert found, (quantity, unit)
        assert float(found[1]) * size == pytest.approx(peak, rel=0.02)


def test_boost_is_said_in_the_unit_of_the_log(tmp_path: Path) -> None:
    is_pull = np.arange(360) >= 200  # ten seconds of driving in vacuum, then the pull
    rpm = np.concatenate([np.full(200, 1500.0), np.linspace(1500.0, 4000.0, 160)])
    paths = []
    for name, psi in (("a", 12.0), ("b", 25.0)):
        frame = pd.DataFrame({
            "Time (s)": np.arange(360) / 20.0, "Engine speed (rpm)": rpm + len(paths),
            "Throttle (percent)": np.where(is_pull, 100.0, 12.0),
            "Torque (N.m)": 150.0 + 0.02 * rpm,
            "Boost pressure (psi)": np.where(is_pull, psi, -7.0),
        })  # fmt: skip
        paths.append(tmp_path / f"{name}.csv")
        frame.to_csv(paths[-1], index=False)
    setup = tmp_path / "car.toml"
    text = PETROL.read_text(encoding="utf-8")
    text = text[: text.index("[channels]")] + text[text.index("[axes]") :]
    text = re.sub(r"(?ms)^\[limits.*", "", text)
    setup.write_text(
        text + '\n[limits.ceilings]\nboost = { ceiling = 18, unit = "psi" }\n', encoding="utf-8"
    )
    shown = ("runs", "--before", paths[0], "--after", paths[1], "--setup", setup)
    result = run(*shown)
    assert result.exit_code == 0, result.output
    words = " ".join(result.stdout.split())
    assert re.search(
        r"boost 25(\.\d+)? psi gauge at \d+ rpm is above the boost ceiling of 18 psi gauge,", words
    )
    bar = " ".join(run(*shown, "--units", "ps").stdout.split())
    # 25 psi = 1.7237 bar, 18 psi = 1.2411 bar (NIST SP 811: 6.894757 kPa)
    told = r"boost 1\.72\d bar gauge at \d+ rpm is above the boost ceiling of 1\.241 bar gauge,"
    assert re.search(told, bar)


FULL_LOAD_SETUP = """
[engine]
label = "simulated"
fuel = "petrol"
[axes]
rpm = [1000, 2000, 3000]
load = [40, 80, 250]
[target]
unit = "{unit}"
table = [[{rich}, {rich}, {rich}], [{rich}, {rich}, {rich}], [{rich}, {rich}, {rich}]]
"""
HOT = "[limits.ceilings]\nexhaust_temp = { ceiling = 1500, hard = 1600, unit = 'degF' }\n"


def two_lean_hot_sides(folder: Path) -> list[Path]:
    """Six pulls a side in AFR, psi and degF: AFR 14.21 in boost, 1550 degF."""
    rng = np.random.default_rng(3)
    one = np.concatenate([np.full(100, 1500.0), np.linspace(1500.0, 4000.0, 160)])
    is_pull = np.tile(np.arange(260) >= 100, 6)
    rpm, n = np.tile(one, 6), 6 * 260
    paths = []
    for name in ("a", "b"):
        frame = pd.DataFrame({
            "Time (s)": np.arange(n) / 20.0, "Engine speed (rpm)": rpm + len(paths),
            "Throttle (percent)": np.where(is_pull, 100.0, 12.0),
            "Torque (lbf.ft)": (150.0 + 0.02 * rpm) * np.repeat(rng.normal(1.0, 0.003, 6), 260),
            "Boost (psi)": np.where(is_pull, 12.0, -7.0) + rng.normal(0.0, 0.02, n),
            "AFR": np.where(is_pull, 14.21, 14.7) + rng.normal(0.0, 0.01, n),
            "EGT (degF)": np.where(is_pull, 1550.0, 900.0) + rng.normal(0.0, 0.3, n),
        })  # fmt: skip
        paths.append(folder / f"{name}.csv")
        frame.to_csv(paths[-1], index=False)
    return paths


@pytest.mark.parametrize(
    ("setup", "extra", "read", "limit"),
    [
        ("", (), r"14\.2\d AFR", "leanest lambda in boost of 13.52 AFR"),
        ("afr", (), r"14\.2\d AFR", "leanest lambda in boost of 13.52 AFR"),
        ("lambda", (), r"lambda 0\.96\d", "leanest lambda in boost of 0.920"),
        ("afr", ("--units", "metric"), r"14\.2\d AFR", "leanest lambda in boost of 13.52 AFR"),
    ],
)
def test_what_is_watched_is_said_once_in_the_units_of_the_person(
    tmp_path: Path, setup: str, extra: tuple[str, ...], read: str, limit: str
) -> None:
    # lambda 0.92 is AFR 13.52 and lambda 0.967 AFR 14.21 on petrol's scale of 14.7
    before, after = two_lean_hot_sides(tmp_path)
    asked: list[object] = ["runs", "--before", before, "--after", after, *extra]
    if setup:
        rich = 12.5 if setup == "afr" else 0.85
        car = tmp_path / "car.toml"
        car.write_text(FULL_LOAD_SETUP.format(unit=setup, rich=rich) + HOT, encoding="utf-8")
        asked += ["--setup", car]
    words = " ".join(run(*asked).stdout.split())
    told = rf"pull \d: {read} at \d+ rpm is above the {limit}, from"
    assert re.search(told, words), words
    heat = ("843", "815.6 degC") if extra else ("155", "1500 degF")
    if setup:
        told = rf"exhaust temp {heat[0]}[\d.]* deg[CF] at \d+ rpm is above the exhaust temp ceiling"
        assert re.search(rf"{told} of {heat[1]}, from", words), words
    assert "exhaust_temp" not in words


def test_zero_means_zero_says_differences_in_the_units_of_the_person(tmp_path: Path) -> None:
    before, after = two_lean_hot_sides(tmp_path)
    asked = ("runs", "--before", before, "--after", after, "--zero", "--ignition", "spark")
    words = " ".join(run(*asked).stdout.split())
    # the margins are 4 kPa and 20 degC: 0.580 psi (NIST SP 811) and 36 degF, an interval
    assert "boost within 0.58 psi, exhaust temperature within 36 degF" in words
    assert " kPa" not in words[words.index("Zero means zero") : words.index("Limits along")]
    bands = json.loads(run(*asked, "--json").stdout)["zero"]["bands"]
    margins = {row["channel"]: (row["margin"], row["unit"]) for row in bands}
    assert margins["exhaust temperature"] == (20.0, "degC")  # JSON keeps the unit inside
    assert margins["boost"] == (4.0, "kPa")


def test_zero_means_zero_has_three_answers(tmp_path: Path) -> None:
    many = FullLoadPlan(pulls=6, repeat_pct=0.3)
    logs = {
        name: write_full_load(tmp_path / f"{name}.csv", full_load(curve, seed=seed, plan=plan))
        for name, curve, seed, plan in (
            ("standard", stock_diesel(), 1, many),
            ("same", stock_diesel(), 2, many),
            ("more", stock_diesel().scaled(5.0), 3, many),
            ("once", stock_diesel(), 4, FullLoadPlan(pulls=1)),
        )
    }

    def verdict(after: str) -> str:
        result = run("runs", "--before", logs["standard"], "--after", logs[after], "--zero",
                     "--json")  # fmt: skip
        assert result.exit_code == 0, result.output
        return str(json.loads(result.stdout)["zero"]["verdict"])

    assert [verdict(n) for n in ("same", "more", "once")] == [
        "equivalent", "different", "cannot tell",
    ]  # fmt: skip


def test_a_grid_that_moves_lambda_is_not_zero_though_torque_is_the_same(tmp_path: Path) -> None:
    many = FullLoadPlan(pulls=6, repeat_pct=0.3, lambda_at_low=1.25)
    logs = [
        write_full_load(tmp_path / f"{name}.csv", full_load(stock_diesel(), seed=seed, plan=plan))
        for name, seed, plan in (
            ("standard", 1, many), ("zeros", 2, replace(many, lambda_at_low=1.17)),
        )
    ]  # fmt: skip
    asked = ("runs", "--before", logs[0], "--after", logs[1], "--ignition", "compression", "--zero")
    words = " ".join(run(*asked).stdout.split())
    assert "DIFFERENT" in words
    # 1.17/1.25 at the bottom of the pull, 1.37/1.45 at its top: 6.4 to 5.5 % richer everywhere
    assert re.search(
        r"different: lambda -6\.\d\d % at 1\d\d\d rpm, not shown equivalent at 1", words
    )
    assert "torque: equivalent in" in words
    record = json.loads(run(*asked, "--json").stdout)["zero"]
    by_channel = {row["channel"]: row["verdict"] for row in record["bands"]}
    assert by_channel["lambda"] == "different"
    assert by_channel["torque"] == "equivalent"
    assert {row["unit"] for row in record["bands"]} == {"%", "kPa", "degC"}


def test_the_standard_changes_torque_by_its_factor_and_is_named(sides: tuple[Path, Path]) -> None:
    plain, din = (
        json.loads(run("runs", "--before", sides[0], "--after", sides[1], "--standard", word,
                       "--json").stdout)
        for word in ("none", "din70020")
    )  # fmt: skip
    # DIN 70020: 1013/p (T/293)^0.5 at 990 mbar and 298 K, references.md
    factor = 1013.0 / 990.0 * (298.0 / 293.0) ** 0.5
    assert din["is_corrected"] is True
    assert din["gain"][5]["before_nm"] / plain["gain"][5]["before_nm"] == pytest.approx(
        factor, rel=2e-4
    )
    shown = run("runs", "--before", sides[0], "--after", sides[1]).stdout
    assert "as measured" in shown


@pytest.mark.parametrize("left_out", ["--before", "--after"])
def test_one_side_alone_is_wrong_usage(sides: tuple[Path, Path], left_out: str) -> None:
    other = "--after" if left_out == "--before" else "--before"
    assert run("runs", other, sides[0]).exit_code == 2


def test_a_log_without_pulls_ends_with_4_and_says_why(
    sides: tuple[Path, Path], tmp_path: Path
) -> None:
    still = write_full_load(
        tmp_path / "still.csv", full_load(stock_diesel(), seed=1, plan=FullLoadPlan(pulls=0))
    )
    result = run("runs", "--before", sides[0], "--after", still)
    assert result.exit_code == 4
    assert "shorter than 2 s" in result.stderr
    assert result.stdout == ""


def test_the_same_log_on_both_sides_is_refused(sides: tuple[Path, Path]) -> None:
    result = run("runs", "--before", sides[0], "--after", sides[0])
    assert result.exit_code == 3


def test_a_missing_log_ends_with_3(sides: tuple[Path, Path]) -> None:
    assert run("runs", "--before", sides[0], "--after", "no-such.csv").exit_code == 3


def test_the_picture_is_written_and_an_old_one_is_not_replaced(
    sides: tuple[Path, Path], tmp_path: Path
) -> None:
    words = ("runs", "--before", sides[0], "--after", sides[1], "--plot", tmp_path / "runs.png")
    assert run(*words).exit_code == 0
    assert (tmp_path / "runs.png").read_bytes().startswith(b"\x89PNG")
    again = run(*words)
    assert again.exit_code == 3
    assert "--overwrite" in again.stderr
    assert run("runs", "--before", sides[0], "--after", sides[1], "--plot", "a.bmp").exit_code == 3


def test_a_session_of_holds_is_no_side_and_ends_with_4(
    sides: tuple[Path, Path], tmp_path: Path
) -> None:
    holds = tmp_path / "holds.csv"
    rng = np.random.default_rng(5)
    time = np.arange(0.0, 60.0, 0.1)
    frame = pd.DataFrame(
        {
            "Time (s)": time,
            "Engine speed (rpm)": 1400.0 + 300.0 * np.floor(time / 6.0) + rng.normal(0, 4, 600),
            "Throttle (percent)": 97.0,
            "Torque (N.m)": 200.0 + rng.normal(0, 2, 600),
        }
    ).round(3)
    frame.to_csv(holds, index=False)
    result = run("runs", "--before", holds, "--after", sides[1])
    assert result.exit_code == 4
    assert "as in steady holds" in result.stderr
    assert "injector" not in result.stderr  # nothing about the side that has pulls
    assert result.stdout == ""


def test_no_side_is_named_twice_in_one_sentence(sides: tuple[Path, Path]) -> None:
    words = " ".join(run("runs", "--before", sides[0], "--after", sides[1]).stdout.split())
    assert "before: before:" not in words
    assert "before: injector duty is not logged" in words


def test_speeds_driven_that_are_not_all_covered_are_said(sides: tuple[Path, Path]) -> None:
    words = run(
        "runs", "--before", sides[0], "--after", sides[1], "--driven", "1000", "2000"
    ).stdout
    shown = " ".join(words.split())
    assert "The runs do not cover 1000 to" in shown
    assert "of the driven speeds, 1000 to 2000 rpm" in shown
    assert "to 2000 rpm: " in shown
    assert "--driven LOW HIGH" in shown


def test_the_setups_target_goes_along_where_the_log_has_a_load() -> None:
    from scipy.interpolate import RegularGridInterpolator

    setup = read_setup(PETROL)
    log = read_log(PETROL.with_name("petrol-session-1.csv"), setup=setup)
    samples = with_target(log, setup).samples
    inside = samples["rpm"].between(*setup.axes.rpm[[0, -1]]) & samples["load"].between(
        *setup.axes.load[[0, -1]]
    )
    surface = RegularGridInterpolator((setup.axes.rpm, setup.axes.load), setup.target.table)
    rows = samples[inside]
    np.testing.assert_allclose(rows["lambda_target"], surface(rows[["rpm", "load"]].to_numpy()))
    assert "lambda_target" not in log.samples
    logged = replace(log, samples=log.samples.assign(lambda_target=0.5))
    assert (with_target(logged, setup).samples["lambda_target"] == 0.5).all()
    assert with_target(log, None) is log


def test_the_help_says_units_and_form_with_examples() -> None:
    words = " ".join(run("runs", "--help").stdout.split())
    for said in (
        "--air-before 98.7 24", "kPa, absolute", "--fuel 130", "--inertia 5", "--driven 2200 6000",
        "Needed only where the log has neither torque nor power",
    ):  # fmt: skip
        assert said in words


def test_pulls_without_torque_say_how_to_name_its_column_and_say_it_once(tmp_path: Path) -> None:
    names = []
    for path in write_sides(tmp_path):
        text = path.read_text(encoding="utf-8")
        head, *rest = text.splitlines()
        at = next(i for i, line in enumerate([head, *rest]) if "orque" in line)
        lines = text.splitlines()
        lines[at] = re.sub("[Tt]orque", "Signal 9", lines[at])
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        names.append(path)
    done = run("runs", "--before", names[0], "--after", names[1], "--setup", VAN)
    assert done.exit_code == 4
    said = " ".join(done.stderr.split())
    assert said.count("Neither torque nor power was found") == 1
    assert "[channels]" in said
    assert "--inertia" in said
    assert "runs.inertia" not in said
