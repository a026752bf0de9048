"""A load axis of gauge pressure: in by setup, grids, targets and limits, out on screens and files.

The standard atmosphere is 101.325 kPa and the pound per square inch 6.894757293168 kPa (NIST
SP 811, 2008), written here afresh.
"""

from __future__ import annotations

import csv
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as settings_of
from hypothesis import strategies as st
from typer.testing import CliRunner

from tuneassist import (
    Axes,
    Grid,
    Log,
    LogError,
    Proposal,
    Setup,
    SetupError,
    propose,
    read_log,
    read_setup,
    reduce_log,
)
from tuneassist.channels import is_gauge_axis, load_offset
from tuneassist.cli.app import app
from tuneassist.correction.cell_readings import axis_pressure_kpa
from tuneassist.correction.checked_grid import build_checked_grid
from tuneassist.files.grid_file import grid_of, write_grid_text
from tuneassist.files.serialise import frame_csv
from tuneassist.loop.hold_order import band_of
from tuneassist.loop.settings import PlanSettings
from tuneassist.loop.towing_checks import is_heavy
from tuneassist.runs.pulls import _near_highest_load
from tuneassist.runs.settings import RunSettings
from tuneassist.settings import CEILING_CHANNELS, LimitSettings, Target
from tuneassist.show.labels import ceiling_words
from tuneassist.units import plain_unit

SAMPLES = Path(__file__).parents[1] / "sample_logs"
STANDARD, PSI = 101.325, 6.894757293168
FACTORS = {"kPa": 1.0, "bar": 100.0, "psi": PSI, "inHg": 3.38638864034, "mbar": 0.1}
POINTS = np.array([30, 40, 50, 60, 70, 80, 95, 110, 125, 140, 160, 180.0])  # absolute, kPa
ABSOLUTE = "Inlet pressure abs (psi)"


def small(load: str, *, limits: str = "", **axes: str) -> str:
    lines = "".join(f'{key} = "{value}"\n' for key, value in axes.items())
    return (
        f"[axes]\nrpm = [800, 1200]\nload = {load}\n{lines}"
        f"[target]\ntable = [[1.0, 0.9], [1.0, 0.9]]\n{limits}"
    )


def setup_from(text: str, folder: Path) -> Setup:
    path = folder / "car.toml"
    path.write_text(text, encoding="utf-8")
    return read_setup(path)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("gauge")


# ---- the setup


@pytest.mark.parametrize(
    ("said", "unit", "is_gauge"),
    [
        ("psi gauge", "psi gauge", True),
        ("kPa gauge", "kPa gauge", True),
        ("bar gauge", "bar gauge", True),
        ("psig", "psi gauge", True),
        ("bar(g)", "bar gauge", True),
        ("kPa absolute", "kPa absolute", False),
        ("psi", "psi", False),
        ("mg/stroke", "mg/stroke", False),
    ],
)
def test_the_load_unit_tells_what_the_axis_counts_from(
    said: str, unit: str, *, is_gauge: bool, folder: Path
) -> None:
    axes = setup_from(small("[0.0, 10.0]", load_unit=said), folder).axes
    assert axes.load_unit == unit
    assert is_gauge_axis(axes) == is_gauge


def test_the_unit_goes_before_the_name() -> None:
    axes = Axes(np.array([1.0, 2.0]), np.array([1.0, 2.0]), "boost", "psi absolute")
    assert not is_gauge_axis(axes)
    assert is_gauge_axis(replace(axes, load_unit="psi"))
    assert not is_gauge_axis(replace(axes, load_unit="psi", load_name="manifold pressure"))


@pytest.mark.parametrize("unit", ["psi", "kPa", "bar absolute"])
def test_an_absolute_axis_that_begins_below_zero_is_refused_with_the_line_that_mends_it(
    unit: str, folder: Path
) -> None:
    with pytest.raises(SetupError, match="counts from vacuum") as told:
        setup_from(small("[-10.0, 5.0]", load_unit=unit), folder)
    assert told.value.where.endswith("car.toml")
    line = re.search(r'load_unit = "([^"]+)"', told.value.mend)
    assert line is not None
    assert is_gauge_axis(setup_from(small("[-10.0, 5.0]", load_unit=line[1]), folder).axes)
    assert setup_from(small("[0.0, 5.0]", load_unit=unit), folder).axes.load[0] == 0.0


def test_an_axis_below_zero_that_is_no_pressure_or_gauge_by_name_is_taken(folder: Path) -> None:
    assert setup_from(small("[-10.0, 5.0]", load_unit="percent"), folder).axes.load[0] == -10.0
    by_name = small("[-10.0, 5.0]", load_unit="psi", load_name="boost")
    assert is_gauge_axis(setup_from(by_name, folder).axes)


@settings_of(max_examples=40)
@given(
    low=st.floats(-14.0, -0.01),
    width=st.floats(0.1, 60.0),
    unit=st.sampled_from(sorted(FACTORS)),
    way=st.sampled_from(["{} gauge", "{}g", "{}(g)", "{} rel"]),
)
def test_a_gauge_axis_comes_back_from_setup_grid_and_target_files(
    low: float, width: float, unit: str, way: str, tmp_path_factory: pytest.TempPathFactory
) -> None:
    place = tmp_path_factory.mktemp("round")
    points = np.array([low, low + width])
    axes = Axes(np.array([800.0, 1200.0]), points, load_unit=way.format(unit))
    assert plain_unit(plain_unit(axes.load_unit)) == f"{unit} gauge"
    grid = Grid(axes, np.array([[0.9, 1.0], [1.1, 1.2]]))
    (place / "target.csv").write_text(write_grid_text(grid), encoding="utf-8")
    text = small(f"[{low!r}, {low + width!r}]", load_unit=way.format(unit))
    text = re.sub(r"table = .*\n", 'file = "target.csv"\n', text)
    setup = setup_from(text, place)
    assert setup.axes == axes
    assert setup.target == Target(grid.values)
    assert grid_of(write_grid_text(grid).encode(), where="grid", axes=setup.axes) == grid


# ---- ceilings


@settings_of(max_examples=40)
@given(
    channel=st.sampled_from(sorted(CEILING_CHANNELS)),
    ceiling=st.integers(100, 9000),
    above=st.none() | st.integers(0, 900),
    unit=st.integers(0, 3),
)
def test_a_ceiling_may_be_written_in_the_words_that_limits_prints(
    channel: str,
    ceiling: int,
    above: int | None,
    unit: int,
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    units = {
        "exhaust_temp": ("degC", "degF", "K", "degC"),
        "boost": ("psi gauge", "kPa gauge", "bar gauge", "psi"),
        "torque": ("N.m", "lbf.ft", "N.m", "lbf.ft"),
        "rail_pressure": ("kPa", "bar", "MPa", "psi"),
        "injector_duty": ("%", "percent", "ratio", "%"),
        "knock": ("as logged",) * 4,
    }
    place = tmp_path_factory.mktemp("ceiling")
    words = f"{ceiling / 10:g} {units[channel][unit]}".strip()
    words += ", no hard ceiling" if above is None else f", hard {(ceiling + above) / 10:g}"

    def read(said: str) -> Setup:
        limits = f"[limits.ceilings]\n{channel} = {json.dumps(said)}\n"
        return setup_from(small("[30.0, 90.0]", limits=limits), place)

    first = read(words)
    printed = ceiling_words(channel, first)
    again = read(printed)
    assert ceiling_words(channel, again) == printed
    found, wanted = again.limits.ceilings[channel], first.limits.ceilings[channel]
    assert found.ceiling == pytest.approx(wanted.ceiling, rel=1e-5)
    assert (found.hard is None) == (wanted.hard is None)


@pytest.mark.parametrize(
    "entry",
    [
        'boost = "21.5 psi gauge"',
        'boost = { ceiling = "21.5 psi gauge" }',
        'boost = { ceiling = 21.5, unit = "psi gauge" }',
        'boost = { ceiling = 21.5, unit = "psig" }',
        'boost = { ceiling = 21.5, unit = "psi" }',
    ],
)
def test_boost_may_be_bounded_in_gauge_units(entry: str, folder: Path) -> None:
    setup = setup_from(small("[30.0, 90.0]", limits=f"[limits.ceilings]\n{entry}\n"), folder)
    assert setup.limits.ceilings["boost"].ceiling == pytest.approx(21.5 * PSI)
    assert ceiling_words("boost", setup) == "21.5 psi gauge, no hard ceiling"


@pytest.mark.parametrize(
    ("entry", "key", "words"),
    [
        ('boost = { ceiling = 36, unit = "psi absolute" }', "boost.unit", '"psi gauge"'),
        ('boost = "high"', "ceilings.boost", "is not a ceiling"),
        ('boost = "21.5 psi gauge, hard"', "ceilings.boost", "is not a ceiling"),
        ('boost = "21.5"', "ceilings.boost", "is not a ceiling"),
        ('boost = { ceiling = "" }', "boost.ceiling", "Write a number"),
        ('boost = { ceiling = "21.5" }', "boost.ceiling", "Write a number"),
        ('boost = { ceiling = "21.5 psi", unit = "bar" }', "boost.unit", "Give it once"),
        ('boost = { ceiling = "21.5 psi, hard 23", hard = 24 }', "boost.hard", "Give it once"),
        ('exhaust_temp = "900 psi gauge"', "exhaust_temp.unit", "degC"),
    ],
)
def test_a_ceiling_in_wrong_words_is_told_with_its_key(
    entry: str, key: str, words: str, folder: Path
) -> None:
    with pytest.raises(SetupError) as told:
        setup_from(small("[30.0, 90.0]", limits=f"[limits.ceilings]\n{entry}\n"), folder)
    assert key in told.value.where
    assert words in str(told.value)


# ---- where pressure counts


@given(
    point=st.floats(-0.9, 3.0),
    barometer=st.floats(70.0, 105.0),
    unit=st.sampled_from(sorted(FACTORS)),
    way=st.sampled_from(["{} gauge", "{} absolute", "{}"]),
    name=st.sampled_from(["boost", "manifold pressure"]),
)
def test_rules_and_checker_know_the_same_absolute_pressure(
    point: float, barometer: float, unit: str, way: str, name: str
) -> None:
    is_gauge = way.endswith("gauge") or (way == "{}" and name == "boost")
    points = 100.0 * np.array([point if is_gauge else abs(point), 4.0]) / FACTORS[unit]
    axes = Axes(np.array([800.0, 1200.0]), points, name, way.format(unit))
    setup = Setup(axes, Target(np.ones((2, 2))))
    wanted = points * FACTORS[unit] + (barometer if is_gauge else 0.0)
    found = axis_pressure_kpa(axes, np.full(4, barometer))
    assert found is not None
    np.testing.assert_allclose(found, np.tile(wanted, 2), rtol=1e-6)
    checked = build_checked_grid(Grid.zeros(axes), current=None, setup=setup, cells=None)
    seen = [checked.axis_kpa(cell, barometer) for cell in checked.cells]
    np.testing.assert_allclose(seen, np.tile(wanted, 2), rtol=1e-6)
    assert checked.knows_boost(checked.cells[0])


def test_shares_of_full_load_are_counted_from_vacuum() -> None:
    """A naturally filled engine: its gauge never passes zero, and a share of it is no load."""
    gauge = np.array([-12.0, -8.0, -4.0, -0.3])
    axes = Axes(np.array([800.0, 1200.0]), gauge, load_unit="psi gauge")
    absolute = Axes(axes.rpm, gauge + STANDARD / PSI, load_unit="psi")
    assert load_offset(axes, STANDARD) == pytest.approx(STANDARD / PSI)
    assert load_offset(absolute, STANDARD) == 0.0
    of_gauge, of_absolute = (
        is_heavy(one, LimitSettings(), share=0.65).tolist() for one in (axes, absolute)
    )
    assert of_gauge == of_absolute
    assert any(of_gauge) and not all(of_gauge)
    rules, offset = PlanSettings(), load_offset(axes, STANDARD)
    bands = band_of(gauge, -0.3, rules, offset=offset)
    assert bands.tolist() == band_of(absolute.load, absolute.load[-1], rules).tolist()
    assert bands.tolist() == sorted(bands.tolist())
    assert bands[-1] == 2


def test_full_load_is_told_by_absolute_pressure_where_load_is_a_gauge(
    converted: dict[str, tuple[Setup, Log, Proposal]],
) -> None:
    full = {
        name: _near_highest_load(converted[name][1].samples, RunSettings())
        for name in ("absolute", "psi gauge")
    }
    assert full["absolute"].any()
    np.testing.assert_array_equal(full["absolute"], full["psi gauge"])


# ---- from a log to a grid


def log_lines() -> tuple[str, list[str], list[list[str]]]:
    lines = (SAMPLES / "petrol-session-1.csv").read_text(encoding="utf-8").splitlines()
    return lines[0], lines[1].split(","), [line.split(",") for line in lines[2:]]


def converted_log(path: Path, header: str, *, barometer: bool = False, shift: bool = True) -> Path:
    """The sample log with its absolute pressure as a gauge shows it, and a falling barometer."""
    first, names, rows = log_lines()
    at = names.index(ABSOLUTE)
    names[at] = header
    falling = np.linspace(98.0, 94.0, len(rows)) if barometer else np.full(len(rows), STANDARD)
    for row, air in zip(rows, falling, strict=True):
        gauge = float(row[at]) - STANDARD / PSI
        row[at] = f"{gauge:.6f}" if shift else f"{gauge + air / PSI:.6f}"
        if barometer:
            row.append(f"{air:.4f}")
    names += ["Barometer (kPa)"] if barometer else []
    table = [first, ",".join(names), *(",".join(row) for row in rows)]
    path.write_text("\n".join(table) + "\n", encoding="utf-8")
    return path


def converted_setup(path: Path, factor: float, unit: str, entry: str) -> Path:
    text = (SAMPLES / "petrol-setup.toml").read_text(encoding="utf-8")
    zero = STANDARD if "gauge" in unit else 0.0
    points = ", ".join(f"{(p - zero) / factor:.9f}" for p in POINTS)
    text = re.sub(r"(?m)^load = \[.*$", f"load = [{points}]", text)
    text = re.sub(r"(?m)^load = \{.*$", entry, text)
    path.write_text(text.replace('load_unit = "kPa"', f'load_unit = "{unit}"'), encoding="utf-8")
    return path


GAUGE, PLAIN = "Boost (psi)", ABSOLUTE
CASES = {
    "absolute": ("kPa", PLAIN, "psi", False, False),
    "psi gauge": ("psi gauge", GAUGE, "psi gauge", True, False),
    "bar gauge": ("bar gauge", GAUGE, "psi gauge", True, False),
    "gauge axis, absolute log": ("psi gauge", PLAIN, "psi absolute", False, False),
    "gauge axis, barometer": ("kPa gauge", GAUGE, "psi gauge", True, True),
    "gauge axis, absolute log, barometer": ("kPa gauge", PLAIN, "psi absolute", False, True),
}


@pytest.fixture(scope="module")
def converted(folder: Path) -> dict[str, tuple[Setup, Log, Proposal]]:
    made = {}
    for number, (name, (unit, header, said, is_gauge, barometer)) in enumerate(CASES.items()):
        entry = f'load = {{ column = "{header}", unit = "{said}" }}'
        factor = FACTORS[unit.split()[0]]
        setup = read_setup(converted_setup(folder / f"{number}.toml", factor, unit, entry))
        path = folder / f"{number}.csv"
        log = read_log(
            converted_log(path, header, barometer=barometer, shift=is_gauge), setup=setup
        )
        made[name] = (setup, log, propose(log, setup=setup))
    return made


@pytest.mark.parametrize("name", [name for name in CASES if name != "absolute"])
def test_a_gauge_axis_gives_the_grid_that_the_same_axis_in_absolute_pressure_gives(
    name: str, converted: dict[str, tuple[Setup, Log, Proposal]]
) -> None:
    (_, _, known), (setup, log, found) = converted["absolute"], converted[name]
    assert len(found.evidence.holds) == len(known.evidence.holds)
    np.testing.assert_allclose(found.grid.values, known.grid.values, atol=0.1001)
    same = np.isclose(found.grid.values, known.grid.values, atol=1e-9)
    assert same.mean() > 0.98  # rounding to 0.1 % may fall to the other side where digits differ
    factor = FACTORS[setup.axes.load_unit.split()[0]]
    load = log.samples["load"].to_numpy() * factor + STANDARD
    np.testing.assert_allclose(load, converted["absolute"][1].samples["load"], atol=2e-3)


@pytest.mark.parametrize("name", CASES)
def test_absolute_pressure_stands_beside_the_load_by_the_barometer_that_there_is(
    name: str, converted: dict[str, tuple[Setup, Log, Proposal]]
) -> None:
    log, plain = converted[name][1], converted["absolute"][1].samples["load"].to_numpy()
    pressure = log.samples["manifold_pressure_kpa"].to_numpy()
    air = log.samples["barometer_kpa"].to_numpy() if "barometer" in name else STANDARD
    np.testing.assert_allclose(pressure - air, plain - STANDARD, atol=2e-3)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("psi gauge", "manifold_pressure: a barometer of 101.325 kPa (none was logged) was added"),
        ("gauge axis, absolute log", "a barometer of 101.325 kPa (none was logged) was taken from"),
        ("gauge axis, barometer", "manifold_pressure: the logged barometer was added to"),
        ("gauge axis, absolute log, barometer", "load: the logged barometer was taken from"),
    ],
)
def test_a_note_says_which_barometer_was_used(
    name: str, words: str, converted: dict[str, tuple[Setup, Log, Proposal]]
) -> None:
    assert any(words in note for note in converted[name][1].notes)


def test_lambdas_delay_goes_with_absolute_flow_on_a_gauge_axis(
    converted: dict[str, tuple[Setup, Log, Proposal]],
) -> None:
    delays = [converted[name][2].evidence.logs[0].delay for name in ("absolute", "psi gauge")]
    assert delays[0].source == "log"
    rpm, load = np.array([900.0, 3000.0]), np.array([34.0, 150.0])
    late = delays[1].at(rpm, (load - STANDARD) / PSI)
    np.testing.assert_allclose(late, delays[0].at(rpm, load), atol=1e-4)


# ---- out again


def test_every_file_and_screen_speaks_in_the_axis_own_unit(
    converted: dict[str, tuple[Setup, Log, Proposal]], folder: Path, tmp_path: Path
) -> None:
    run = CliRunner()

    def said(*words: object) -> str:
        result = run.invoke(app, [str(word) for word in words])
        assert result.exit_code == 0, result.output
        return result.output

    setup, log, out = folder / "1.toml", folder / "1.csv", tmp_path / "out"
    axes = converted["psi gauge"][0].axes
    screen = said("propose", log, "--setup", setup, "--out", out)
    assert "manifold pressure (psi gauge) across" in screen
    with (out / "cells.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    np.testing.assert_array_equal([float(row["load"]) for row in rows[:12]], axes.load)
    with (out / "grid.csv").open(encoding="utf-8", newline="") as stream:
        np.testing.assert_array_equal([float(c) for c in next(csv.reader(stream))[1:]], axes.load)
    record = json.loads((out / "proposal.json").read_text(encoding="utf-8"))
    assert record["settings"]["axes"]["load_unit"] == "psi gauge"
    said("verify", out / "grid.csv", "--setup", setup)
    assert "psi gauge" in said("coverage", log, "--setup", setup)
    said("report", out, "--out", tmp_path / "page.html")
    assert "psi gauge" in (tmp_path / "page.html").read_text(encoding="utf-8")


def test_a_result_of_rounded_breakpoints_near_zero_is_still_shown(
    converted: dict[str, tuple[Setup, Log, Proposal]], folder: Path, tmp_path: Path
) -> None:
    """Version 0.1.0 rounded the breakpoints of cells.csv to four decimals."""
    run, out = CliRunner(), tmp_path / "out"
    words = ["propose", folder / "1.csv", "--setup", folder / "1.toml", "--out", out]
    assert run.invoke(app, [str(word) for word in words]).exit_code == 0
    path = out / "cells.csv"
    lines = list(csv.reader(path.read_text(encoding="utf-8").splitlines()))
    for row in lines[1:]:
        row[1] = f"{float(row[1]):.4f}"
    with path.open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream, lineterminator="\n").writerows(lines)
    page = tmp_path / "page.html"
    result = run.invoke(app, ["report", str(out), "--out", str(page)])
    assert result.exit_code == 0, result.output


def test_exact_columns_keep_their_digits() -> None:
    import pandas as pd

    frame = pd.DataFrame({"load": [-0.917364321], "step_pct": [0.123456]})
    assert frame_csv(frame, exact=("load",)) == "load,step_pct\n-0.917364321,0.1235\n"


# ---- columns that name no reference


@pytest.mark.parametrize("said", ["", 'load = { column = "Load (psi)", unit = "psi" }'])
def test_a_column_that_names_no_reference_is_taken_as_the_axis_is(
    said: str, converted: dict[str, tuple[Setup, Log, Proposal]], tmp_path: Path
) -> None:
    setup = read_setup(converted_setup(tmp_path / "car.toml", PSI, "psi gauge", said))
    log = read_log(converted_log(tmp_path / "log.csv", "Load (psi)"), setup=setup)
    known = converted["psi gauge"][1]
    np.testing.assert_allclose(log.samples["load"], known.samples["load"])


def test_absolute_values_under_such_a_name_are_asked_about_on_a_gauge_axis(tmp_path: Path) -> None:
    setup = read_setup(converted_setup(tmp_path / "car.toml", PSI, "psi gauge", ""))
    absolute = converted_log(tmp_path / "log.csv", "Load (psi)", shift=False)
    with pytest.raises(LogError, match=r'"psi gauge".*"psi absolute"'):
        read_log(absolute, setup=setup)


@pytest.mark.parametrize("rows", [100_000, 5_000], ids=["whole", "in parts"])
def test_noise_that_grows_with_pressure_is_judged_from_vacuum(
    rows: int, converted: dict[str, tuple[Setup, Log, Proposal]]
) -> None:
    setup, log, _ = converted["absolute"]
    setup = replace(setup, steady=replace(setup.steady, estimate_rows=rows))
    axes = replace(setup.axes, load=setup.axes.load - STANDARD, load_unit="kPa gauge")
    noise = 1.0 + 0.02 * np.random.default_rng(1).standard_normal(len(log.samples))
    absolute = log.samples.assign(load=log.samples["load"] * noise)
    gauge = absolute.assign(load=absolute["load"] - STANDARD)
    known = reduce_log(absolute, name="log", setup=setup)
    found = reduce_log(gauge, name="log", setup=replace(setup, axes=axes))
    assert found.fates.to_dict() == known.fates.to_dict()
    np.testing.assert_allclose(found.holds["load"] + STANDARD, known.holds["load"], rtol=1e-9)
