"""Parts of a setup that cannot all be meant are refused; those that hardly fit are asked about."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner

from tuneassist.cli.app import app
from tuneassist.correction import setup_questions
from tuneassist.errors import SetupError
from tuneassist.files.setup_file import read_setup
from tuneassist.settings import Target

SAMPLES = Path(__file__).parents[1] / "sample_logs"
PETROL, VAN = SAMPLES / "petrol-setup.toml", SAMPLES / "van-setup.toml"
LOAD = "load = [30, 40, 50, 60, 70, 80, 95, 110, 125, 140, 160, 180]"
RPM = "rpm = [800, 1200, 1600, 2000, 2500, 3000, 3500, 4000, 4600, 5200, 5800, 6500]"
IN_PSI = "load = [4, 6, 7, 9, 10, 12, 14, 16, 18, 20, 23, 26]"  # 28 to 179 kPa
IN_KRPM = "rpm = [0.8, 1.2, 1.6, 2.0, 2.5, 3.0, 3.5, 4.0, 4.6, 5.2, 5.8, 6.5]"
EGT = '\nexhaust_temp = { column = "EGT", unit = "degF" }'
CEILING = "\n[limits.ceilings]\nexhaust_temp = "
OWN_LIMIT = "boost_leanest_lambda = 0.97"
AFTER_WATER = 'coolant_temp = { column = "Water (degF)", unit = "degF" }'


def changed(folder: Path, *swaps: tuple[str, str], of: Path = PETROL) -> Path:
    text = of.read_text(encoding="utf-8")
    for old, new in swaps:
        assert old in text, old
        text = text.replace(old, new, 1)
    path = folder / "own.toml"
    path.write_text(text, encoding="utf-8")
    return path


CONTRADICTIONS = {
    "petrol by compression": (
        [('ignition = "spark"', 'ignition = "compression"')],
        ("key engine.ignition", 'fuel = "petrol" is for spark ignition', 'ignition = "spark"'),
    ),
    "diesel by spark": (
        [('fuel = "petrol"', 'fuel = "diesel"')],
        ("key engine.ignition", 'fuel = "diesel" is for compression ignition'),
    ),
    "diesel by the default": (
        [('ignition = "spark"\n', ""), ('fuel = "petrol"', 'fuel = "diesel"')],
        ('ignition is "spark", the default',),
    ),
    "a breakpoint too long by a zero": (
        [("5800, 6500]", "5800, 65000]")],
        ("key axes.rpm", "65000 rpm is far above engine.rev_limit_rpm = 6800"),
    ),
    "a rev limit short of a zero": (
        [("rev_limit_rpm = 6800", "rev_limit_rpm = 680")],
        ("breakpoint 6500 rpm is far above engine.rev_limit_rpm = 680",),
    ),
    "speeds in thousands": ([(RPM, IN_KRPM)], ("key axes.rpm", "ends at 6.5 rpm")),
    "an axis in the channel's psi": (
        [(LOAD, IN_PSI)],
        ("key axes.load_unit", "end at 26 kPa", 'load_unit = "psi"'),
    ),
    "an axis in kPa called psi, of a channel in kPa": (
        [('load_unit = "kPa"', 'load_unit = "psi"'),
         ('(psi)", unit = "psi"', '(psi)", unit = "kPa"')],
        ("end at 180 psi", 'load_unit = "kPa"'),
    ),
    "a ceiling in the channel's degF": (
        [(AFTER_WATER, AFTER_WATER + EGT),
         (OWN_LIMIT, f"{OWN_LIMIT}{CEILING}{{ ceiling = 1650, hard = 1700 }}")],
        ("key limits.ceilings.exhaust_temp.ceiling", "1650 degC is beyond", 'unit = "degF"'),
    ),
    "an AFR for a lambda": (
        [("boost_leanest_lambda = 0.97", "boost_leanest_lambda = 13.5")],
        ("key limits.boost_leanest_lambda", "looks like an AFR", "lambda 0.918"),
    ),
    "an AFR in a region": (
        [("boost_leanest_lambda = 0.97",
          "[[limits.region]]\nrpm = [800, 2000]\nload = [30, 60]\nleanest_lambda = 15.5")],
        ("limits.region[1]", "looks like an AFR"),
    ),
    "a barometer in psi": (
        [("boost_leanest_lambda = 0.97", "barometer_kpa = 14.7")],
        ("key limits.barometer_kpa", "no barometer reads 14.7 kPa", "looks like psi"),
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", CONTRADICTIONS)
def test_what_cannot_be_meant_is_refused_in_one_line_that_names_both(
    tmp_path: Path, case: str
) -> None:
    swaps, words = CONTRADICTIONS[case]
    path = changed(tmp_path, *swaps)
    with pytest.raises(SetupError) as caught:
        read_setup(path)
    said = str(caught.value)
    assert said.startswith(str(path))
    assert "\n" not in said
    for part in words:
        assert part in said
    result = CliRunner().invoke(app, ["limits", "--setup", str(path)])
    assert (result.exit_code, result.stdout) == (3, "")


def test_what_may_be_meant_is_not_refused(tmp_path: Path) -> None:
    sound = (
        [('fuel = "petrol"', 'fuel = "lpg"'), ('ignition = "spark"', 'ignition = "compression"')],
        [("5800, 6500]", "5800, 8000]")],  # a table that goes on behind the limiter
        [("rev_limit_rpm = 6800", "rev_limit_rpm = 6000")],
        [(LOAD, LOAD.replace("160, 180", "200, 300"))],
        [("boost_leanest_lambda = 0.97", "boost_leanest_lambda = 1.5")],
        [("boost_leanest_lambda = 0.97", "barometer_kpa = 62.0")],  # at 4,000 m
    )
    for swaps in sound:
        setup = read_setup(changed(tmp_path, *swaps))
        said = " ".join(setup_questions(setup))
        assert "right?" not in said.replace("Which of the two is right?", "")
    assert setup_questions(read_setup(PETROL)) == setup_questions(read_setup(VAN)) == ()


def test_an_axis_that_ends_well_behind_the_rev_limit_is_asked_about(tmp_path: Path) -> None:
    setup = read_setup(changed(tmp_path, ("5800, 6500]", "5800, 9000]")))
    (note,) = setup_questions(setup)
    assert "ends at 9000 rpm, and engine.rev_limit_rpm is 6800" in note


@pytest.mark.parametrize(("from_kpa", "is_asked"), [("1050", True), ("116", True), ("115", False)])
def test_boost_that_begins_above_any_barometer_is_asked_about(
    tmp_path: Path, from_kpa: str, is_asked: bool
) -> None:
    own = (OWN_LIMIT, f"{OWN_LIMIT}\nboost_above_kpa = {from_kpa}")
    said = " ".join(setup_questions(read_setup(changed(tmp_path, own))))
    assert (f"boost_above_kpa = {from_kpa} is above any barometer" in said) == is_asked
    diesel = ("# [limits]\n", f"[limits]\nboost_above_kpa = {from_kpa}\n")
    assert setup_questions(read_setup(changed(tmp_path, diesel, of=VAN))) == ()


def test_a_ceiling_without_a_unit_is_asked_about_where_its_channel_has_another(
    tmp_path: Path,
) -> None:
    def questions(entry: str) -> tuple[str, ...]:
        return setup_questions(
            read_setup(
                changed(
                    tmp_path,
                    (AFTER_WATER, AFTER_WATER + EGT),
                    ("boost_leanest_lambda = 0.97", f"boost_leanest_lambda = 0.97{CEILING}{entry}"),
                )
            )
        )

    (note,) = questions("{ ceiling = 920 }")
    assert "is taken in degC, while the channel is in degF" in note
    assert questions('{ ceiling = 1600, hard = 1650, unit = "degF" }') == ()
    assert questions('{ ceiling = 920, unit = "degC" }') == ()


def test_a_compression_engine_without_a_fuel_is_asked_about(tmp_path: Path) -> None:
    swaps = (('fuel = "diesel"\n', ""), ("afr_stoich = 14.5\n", ""))
    (note,) = setup_questions(read_setup(changed(tmp_path, *swaps, of=VAN)))
    assert 'fuel = "diesel"' in note


def test_a_target_that_no_cell_may_reach_is_asked_about_in_the_units_of_the_setup(
    tmp_path: Path,
) -> None:
    setup = read_setup(PETROL)
    table = setup.target.table.copy()
    table[0, 0], table[1, 1], table[0, -1] = 1.2, 1.3, 0.65
    for unit, leanest, richest, own in (
        ("lambda", "lambda 1.300", "lambda 0.650", "lambda 0.700"),
        ("afr", "19.11 AFR", "9.55 AFR", "10.29 AFR"),
    ):
        notes = setup_questions(replace(setup, target=Target(table, unit=unit)))
        rich, lean = (next(n for n in notes if f"{w}_lambda" in n) for w in ("richest", "leanest"))
        assert f"richer than richest_lambda allows ({own}) in 1 cell, up to {richest} at" in rich
        assert " in 2 cells, " in lean
        assert f"up to {leanest} at 1200 rpm, 40 kPa" in lean
    floor = setup_questions(replace(setup, target=Target(table, kind="floor")))
    assert not any("than leanest_lambda" in note for note in floor)


def test_a_target_leaner_in_boost_is_one_line_in_afr_on_every_screen(tmp_path: Path) -> None:
    table = PETROL.read_text(encoding="utf-8").split("table = [\n")[1].split("\n]")[0]
    rows = [[float(x) for x in row.strip(" [],").split(",")] for row in table.splitlines()]
    in_afr = "\n".join(f"  [{', '.join(f'{14.7 * x:.3f}' for x in row)}]," for row in rows)
    path = changed(
        tmp_path,
        (table, in_afr),
        ('columns follow axes.load\nunit = "lambda"', 'columns\nunit = "afr"'),
        ("boost_leanest_lambda = 0.97", "boost_leanest_lambda = 0.92"),
    )  # fmt: skip
    log = SAMPLES / "petrol-session-1.csv"
    for command in (("limits",), ("check", log), ("propose", log, "--out", tmp_path / "out")):
        asked = [str(a) for a in (*command, "-s", path)]
        shown = " ".join(CliRunner().invoke(app, asked, env={"COLUMNS": "200"}).stdout.split())
        assert shown.count("the target in boost is leaner than") == 1, command
        more = ["--overwrite"] if command[0] == "propose" else []
        told = json.loads(CliRunner().invoke(app, [*asked, "--json", *more]).stdout)
        (note,) = [n for n in told["notes"] if "boost_leanest_lambda" in n]
        assert "boost_leanest_lambda allows (13.52 AFR) in " in note
        assert "up to 14.17 AFR at 800 rpm, 110 kPa" in note
        assert "lambda 0.9" not in note
