"""Setup files: what is read, what each default is, and what each mistake is told."""

import codecs
import math
import re
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest

from tuneassist.errors import SetupError
from tuneassist.files.result_reader import setup_of_record
from tuneassist.files.setup_file import read_setup
from tuneassist.settings import (
    Ceiling,
    CorrectionSettings,
    LimitSettings,
    SteadySettings,
    as_plain,
    default_limits,
)

AXES = """
[axes]
rpm = [800, 1200, 1600]
load = [30.0, 45.0]
"""
TARGET = """
[target]
table = [[1.0, 1.0], [1.0, 0.95], [nan, 0.9]]
"""
SMALL = AXES + TARGET
FULL = """
[engine]
label = "the blue one"
ignition = "compression"
fuel = "diesel"
rev_limit_rpm = 4500

[channels]
time = { column = "Elapsed (s)", unit = "s" }
load = { column = "Inlet pressure abs (psi)", unit = "psi" }
lambda = { column = "Wideband (AFR)", unit = "afr" }
coolant_temp = { column = "Water (degF)" }

[axes]
rpm = [800, 1200, 1600]
load = [30.0, 45.0]
load_name = "manifold pressure"
load_unit = "kPa"

[target]
unit = "lambda"
kind = "floor"
table = [[1.3, 1.3], [1.3, 1.2], [nan, 1.2]]

[steady]
min_coolant_c = 60
min_samples = 6

[correction]
acts_on = "boost"
gain = 0.8

[limits]
max_step_pct = 8
lean_in_boost = "fair"

[limits.ceilings]
exhaust_temp = { ceiling = 1300, hard = 1400, unit = "degF" }
boost = { ceiling = 18, unit = "psi" }

[[limits.region]]
name = "clutch"
rpm = [1200, 1600]
load = [40, 50]
max_step_pct = 3

[[limits.region]]
rpm = [0, 900]
load = [0, 100]
richest_lambda = 1.4
lean_in_boost = "never"
"""


def _read(tmp_path, text):
    path = tmp_path / "car.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
    return read_setup(path)


def test_every_section_is_read(tmp_path):
    setup = _read(tmp_path, FULL)
    assert setup.engine.label == "the blue one"
    assert setup.engine.ignition == "compression"
    assert setup.engine.rev_limit_rpm == 4500.0
    assert setup.axes.rpm.tolist() == [800, 1200, 1600]
    assert setup.axes.load.tolist() == [30, 45]
    assert (setup.axes.load_name, setup.axes.load_unit) == ("manifold pressure", "kPa")
    np.testing.assert_array_equal(setup.target.table, [[1.3, 1.3], [1.3, 1.2], [np.nan, 1.2]])
    assert setup.target.kind == "floor"
    assert setup.channels["load"].column == "Inlet pressure abs (psi)"
    assert setup.channels["load"].unit == "psi"
    assert setup.channels["coolant_temp"].unit is None
    assert (setup.steady.min_coolant_c, setup.steady.min_samples) == (60.0, 6)
    assert (setup.correction.acts_on, setup.correction.gain) == ("boost", 0.8)
    assert (setup.limits.max_step_pct, setup.limits.lean_in_boost) == (8.0, "fair")
    assert setup.source == str(tmp_path / "car.toml")


def test_ceilings_are_turned_into_the_units_inside(tmp_path):
    ceilings = _read(tmp_path, FULL).limits.ceilings
    # degC = (degF - 32) / 1.8, by definition
    assert ceilings["exhaust_temp"].ceiling == pytest.approx((1300 - 32) / 1.8)
    assert ceilings["exhaust_temp"].hard == pytest.approx((1400 - 32) / 1.8)
    # NIST SP 811 (2008), appendix B.8: 1 psi = 6.894 757 kPa
    assert ceilings["boost"].ceiling == pytest.approx(18 * 6.894757, rel=1e-7)
    assert ceilings["boost"].hard is None


def test_regions_are_read_in_order(tmp_path):
    first, second = _read(tmp_path, FULL).limits.regions
    assert (first.name, first.rpm, first.load) == ("clutch", (1200, 1600), (40, 50))
    assert (first.max_step_pct, first.richest_lambda) == (3.0, None)
    assert (second.richest_lambda, second.lean_in_boost) == (1.4, "never")


@pytest.mark.parametrize(("ignition", "fuel"), [("spark", "e10"), ("compression", "diesel")])
def test_what_the_file_leaves_out_is_the_documented_default(tmp_path, ignition, fuel):
    setup = _read(tmp_path, f'[engine]\nignition = "{ignition}"\nfuel = "{fuel}"\n{SMALL}')
    assert setup.limits == default_limits(ignition)
    assert setup.steady == SteadySettings()
    assert setup.correction == CorrectionSettings()
    assert dict(setup.channels) == {}
    assert setup.target.kind == "aim"


def test_the_smallest_setup_is_a_spark_engine_on_petrol(tmp_path):
    setup = _read(tmp_path, SMALL)
    assert (setup.engine.ignition, setup.engine.fuel) == ("spark", "petrol")
    assert setup.given == {"axes.rpm", "axes.load", "target.table"}


def test_given_lists_the_keys_of_the_file(tmp_path):
    given = _read(tmp_path, FULL).given
    assert {
        "engine.fuel",
        "channels.lambda",
        "channels.lambda.unit",
        "limits.max_step_pct",
        "limits.ceilings.boost",
        "limits.ceilings.boost.ceiling",
        "limits.region",
        "limits.region[2].lean_in_boost",
    } <= given
    assert not {"engine.afr_stoich", "limits.max_total_pct", "limits.ceilings.boost.hard"} & given


@pytest.mark.parametrize("car", ["petrol", "van"])
def test_the_limits_in_a_sample_setup_are_the_defaults_written_out(tmp_path, car):
    """With the marks of comment taken away they are read, and change nothing."""
    sample = Path(__file__).parents[1] / "sample_logs" / f"{car}-setup.toml"
    text = sample.read_text(encoding="utf-8")
    head, comment = text.split("[limits]\n")
    own = tmp_path / "own.toml"
    plain = "\n".join(line.removeprefix("# ") for line in comment.splitlines())
    own.write_text(f"{head.removesuffix('# ')}[limits]\n{plain}\n", encoding="utf-8")
    before, after = read_setup(sample), read_setup(own)
    assert {"limits.max_step_pct", "limits.ceilings.exhaust_temp.hard"} <= after.given
    # the petrol car's target is leaner in boost than the default lets it be, and says so
    set_here = {"petrol": {"limits", "limits.boost_leanest_lambda"}, "van": set()}[car]
    assert {key for key in before.given if key.startswith("limits")} == set_here - {"limits"}
    default = default_limits(before.engine.ignition)
    others = {f.name for f in fields(LimitSettings)} - {"ceilings", "boost_leanest_lambda"}
    assert all(getattr(before.limits, name) == getattr(default, name) for name in others)
    for name in (f.name for f in fields(LimitSettings) if f.name != "ceilings"):
        assert getattr(after.limits, name) == getattr(before.limits, name)
    numbers = [
        {name: (one.ceiling, one.hard) for name, one in setup.limits.ceilings.items()}
        for setup in (before, after)
    ]
    assert numbers[0] == numbers[1]


def test_each_limit_of_the_file_changes_that_limit_alone(tmp_path):
    plain = default_limits("spark")
    for name in (f.name for f in fields(LimitSettings)):
        value = getattr(plain, name)
        if isinstance(value, float):
            setup = _read(tmp_path, f"{SMALL}[limits]\n{name} = {value * 1.01}\n")
            changed = {f.name for f in fields(plain)
                       if getattr(plain, f.name) != getattr(setup.limits, f.name)}  # fmt: skip
            assert changed == {name}
            assert getattr(setup.limits, name) == value * 1.01


def test_a_ceiling_of_the_file_keeps_the_other_numbers_and_channels(tmp_path):
    plain = default_limits("spark").ceilings
    text = SMALL + "[limits.ceilings]\nexhaust_temp = { ceiling = 850 }\ntorque = { ceiling = 400 }"
    ceilings = _read(tmp_path, text).limits.ceilings
    assert ceilings["exhaust_temp"] == Ceiling(850.0, plain["exhaust_temp"].hard)
    assert ceilings["injector_duty"] == plain["injector_duty"]
    assert ceilings["torque"] == Ceiling(400.0)


# stoichiometric ratios: US DOE AFDC, Fuel Property Comparison (14.7 petrol, 9 ethanol);
# 40 CFR 1065.655 table 1 composition in Heywood eq. 3.6 (14.5 No. 2 diesel)
@pytest.mark.parametrize(("fuel", "ratio"), [("petrol", 14.7), ("ethanol", 9.0), ("diesel", 14.5)])
def test_the_fuel_sets_the_ratio_and_the_file_overrides_it(tmp_path, fuel, ratio):
    ignition = "compression" if fuel == "diesel" else "spark"
    text = f'[engine]\nignition = "{ignition}"\nfuel = "{fuel}"\n'
    assert _read(tmp_path, text + SMALL).engine.afr_stoich == pytest.approx(ratio, rel=0.001)
    setup = _read(tmp_path, text + "afr_stoich = 14.2\n" + SMALL)
    assert setup.engine.afr_stoich == 14.2


def test_a_target_in_afr_becomes_lambda(tmp_path):
    target = '[target]\nunit = "afr"\ntable = [[14.0, 7.0], [28.0, 14.0], [nan, 10.5]]\n'
    setup = _read(tmp_path, f"[engine]\nafr_stoich = 14.0\n{AXES}{target}")
    np.testing.assert_allclose(setup.target.table, [[1, 0.5], [2, 1], [np.nan, 0.75]], rtol=1e-12)
    assert setup.target.unit == "afr"


def test_a_target_file_stands_beside_the_setup(tmp_path):
    (tmp_path / "target.csv").write_text(
        "rpm/load;30;45\r\n800;1;1\r\n1200;1;0,95\r\n1600;;0,9\r\n", encoding="cp1252"
    )
    inline = _read(tmp_path, SMALL).target.table
    setup = _read(tmp_path, AXES + '[target]\nfile = "target.csv"\n')
    np.testing.assert_array_equal(setup.target.table, inline)


@pytest.mark.parametrize(
    "change",
    [
        lambda text: codecs.BOM_UTF8 + text.encode(),
        lambda text: text.replace("\n", "\r\n").encode(),
        lambda text: codecs.BOM_UTF8 + text.replace("\n", "\r\n").encode(),
    ],
)
def test_a_byte_order_mark_and_other_line_ends_change_nothing(tmp_path, change):
    setup = _read(tmp_path, change(FULL.replace("blue", "größte")))
    assert setup.engine.label == "the größte one"


def test_a_logger_spelling_of_a_unit_is_known_in_channels(tmp_path):
    text = SMALL + '[channels]\nboost = { column = "B", unit = "psig" }\n'
    assert _read(tmp_path, text).channels["boost"].unit == "psig"


def _engine(line):
    return f"[engine]\n{line}\n{SMALL}"


def _channel(line):
    return f"{SMALL}[channels]\n{line}\n"


def _limits(line):
    return f"{SMALL}[limits]\n{line}\n"


def _ceiling(line):
    return f"{SMALL}[limits.ceilings]\n{line}\n"


def _region(lines):
    return f"{SMALL}[[limits.region]]\n{lines}\n"


R = "rpm = [800, 1600]\nload = [30, 45]\n"
MISTAKES = {
    # unknown names
    "section": (SMALL + "[limit]\n", "key limit", "Did you mean limits?"),
    "section in capitals": (SMALL + "[Engine]\n", "key Engine", "Did you mean engine?"),
    "stray key": ("gain = 1\n" + SMALL, "key gain", "It belongs in [correction]."),
    "engine key": (_engine('ignitoin = "spark"'), "key engine.ignitoin", "Did you mean ignition?"),
    "engine key, none near": (_engine("zzz = 1"), "key engine.zzz", "Known here: label, ignition"),
    "channel": (_channel('lamda = { column = "L" }'), "key channels.lamda", "Did you mean lambda"),
    "channel key": (
        _channel('rpm = { colum = "L" }'),
        "key channels.rpm.colum",
        "Did you mean column?",
    ),
    "axes key": (SMALL.replace("load =", "loads ="), "key axes.loads", "Did you mean load"),
    "target key": (SMALL.replace("table", "tabel"), "key target.tabel", "Did you mean table?"),
    "steady key": (SMALL + "[steady]\nwindow = 1\n", "key steady.window", "Did you mean window_s"),
    "key of another section": (
        SMALL + "[steady]\ngain = 1\n",
        "key steady.gain",
        "It belongs in [correction].",
    ),
    "correction key": (
        SMALL + "[correction]\ngian = 1\n",
        "key correction.gian",
        "Did you mean gain?",
    ),
    "limits key": (_limits("max_step = 3"), "key limits.max_step", "Did you mean max_step_pct"),
    "regions": (_limits("regions = []"), "key limits.regions", "Did you mean region"),
    "ceiling channel": (
        _ceiling("exhaust_tmp = { ceiling = 1 }"),
        "key limits.ceilings.exhaust_tmp",
        "Did you mean exhaust_temp",
    ),
    "ceiling of lambda": (
        _ceiling("lambda = { ceiling = 1 }"),
        "key limits.ceilings.lambda",
        "Bound it with limits.richest_lambda",
    ),
    "ceiling key": (
        _ceiling("torque = { ceilling = 1 }"),
        "key limits.ceilings.torque.ceilling",
        "Did you mean ceiling?",
    ),
    "region key": (
        _region(R + "max_stp_pct = 1"),
        "key limits.region[1].max_stp_pct",
        "Did you mean max_step_pct",
    ),
    # wrong types
    "text for a number": (
        _engine('afr_stoich = "14.7"'),
        "key engine.afr_stoich",
        "Write a number",
    ),
    "number for a text": (_engine("label = 3"), "key engine.label", 'Write a text in "quot'),
    "true for a number": (
        _limits("max_step_pct = true"),
        "key limits.max_step_pct",
        "true has the",
    ),
    "nan for a number": (_limits("max_step_pct = nan"), "key limits.max_step_pct", "nan has the"),
    "inf for a number": (
        SMALL + "[steady]\nwindow_s = inf\n",
        "key steady.window_s",
        "inf has the wrong type. Write a number",
    ),
    "share of a count": (
        SMALL + "[steady]\nmin_samples = 4.5\n",
        "key steady.min_samples",
        "Write a whole number.",
    ),
    "list for a number": (
        _limits("max_step_pct = [3]"),
        "key limits.max_step_pct",
        "Write a number",
    ),
    "section no table": (
        "steady = 3\n" + SMALL,
        "key steady",
        "3 is not a table. Write it as [steady]",
    ),
    "section a list": (
        SMALL + "[[engine]]\n",
        "key engine",
        "is not a table. Write it as [engine]",
    ),
    "channel no table": (
        _channel('rpm = "Speed"'),
        "key channels.rpm",
        'Write it as { column = "header in the log"',
    ),
    "channel without column": (
        _channel('rpm = { unit = "rpm" }'),
        "key channels.rpm.column",
        'Write it as { column = "header in the log"',
    ),
    "column no text": (_channel("rpm = { column = 3 }"), "key channels.rpm.column", "Write a text"),
    "ceilings no table": (_limits("ceilings = 3"), "key limits.ceilings", "3 is not a table"),
    "ceiling a number": (
        _ceiling("torque = 300"),
        "key limits.ceilings.torque",
        "300 is not a table. Write torque = { ceiling = 300, unit",
    ),
    "ceiling a text and no table": (
        _ceiling('exhaust_temp = "hot"'),
        "key limits.ceilings.exhaust_temp",
        'Write exhaust_temp = { ceiling = 100, unit = "degC" }. A key hard, at or',
    ),
    "ceiling missing": (
        _ceiling("torque = { hard = 300 }"),
        "key limits.ceilings.torque.ceiling",
        "Give the ceiling's number",
    ),
    "ceiling a text": (
        _ceiling('torque = { ceiling = "300" }'),
        "key limits.ceilings.torque.ceiling",
        "Write a number",
    ),
    "one region": (
        _limits("region = { }"),
        "key limits.region",
        "Start each with [[limits.region]]",
    ),
    "region text": (_region(R + 'max_step_pct = "3"'), "region[1].max_step_pct", "Write a number"),
    "axis no list": (SMALL.replace("[30.0, 45.0]", "30"), "key axes.load", "30 is not a list"),
    "axis with text": (
        SMALL.replace("1200", '"1200"'),
        "key axes.rpm",
        'value 2 is "1200". Write a number',
    ),
    "axis with nan": (SMALL.replace("1200", "nan"), "key axes.rpm", "value 2 is nan"),
    "axis with inf": (SMALL.replace("45.0", "inf"), "key axes.load", "value 2 is inf"),
    "target no list": (
        AXES + "[target]\ntable = 1.0\n",
        "key target.table",
        "not a list of rows. Give one row per rpm",
    ),
    "target with text": (
        SMALL.replace("0.95", '"0.95"'),
        "key target.table, row 2",
        'value 2 is "0.95". Write a number, or nan',
    ),
    "target with inf": (SMALL.replace("0.95", "inf"), "key target.table, row 2", "value 2 is inf"),
    "target file no name": (AXES + "[target]\nfile = 3\n", "key target.file", 'Write "target.csv"'),
    # wrong words
    "ignition": (_engine('ignition = "Spark"'), "key engine.ignition", "Did you mean spark?"),
    "acts_on": (
        SMALL + '[correction]\nacts_on = "air"\n',
        "key correction.acts_on",
        'Write "fuel" or "boost"',
    ),
    "kind": (SMALL + 'kind = "goal"\n', "key target.kind", 'Write "aim" or "floor"'),
    "target unit": (SMALL + 'unit = "phi"\n', "key target.unit", 'Write "lambda" or "afr"'),
    "lean_in_boost": (
        _limits('lean_in_boost = "nevre"'),
        "key limits.lean_in_boost",
        "Did you mean never",
    ),
    "word a number": (_engine("ignition = 1"), "key engine.ignition", 'Write "spark" or'),
    "fuel": (_engine('fuel = "petrl"'), "key engine.fuel", "Did you mean petrol? Known fuels"),
    "fuel, none near": (_engine('fuel = "coal"'), "key engine.fuel", "Known fuels: petrol"),
    # units
    "load unit": (AXES + 'load_unit = "kpa"\n' + TARGET, "key axes.load_unit", "Did you mean kPa"),
    "unit": (
        _channel('coolant_temp = { column = "C", unit = "degX" }'),
        "key channels.coolant_temp.unit",
        "Fitting here: degC, degF, K",
    ),
    "unit no text": (
        _channel('rpm = { column = "C", unit = 3 }'),
        "key channels.rpm.unit",
        "Write a text",
    ),
    "unit of another quantity": (
        _channel('coolant_temp = { column = "C", unit = "psi" }'),
        "key channels.coolant_temp.unit",
        '"psi" is a unit of pressure. Fitting here: degC',
    ),
    "load unit of another quantity": (
        _channel('load = { column = "C", unit = "percent" }'),
        "key channels.load.unit",
        '"percent" is a unit of share. Fitting here: kPa',
    ),
    "ceiling unit": (
        _ceiling('exhaust_temp = { ceiling = 700, unit = "C" }'),
        "key limits.ceilings.exhaust_temp.unit",
        "Fitting here: degC",
    ),
    "ceiling with a gauge unit": (
        _ceiling('manifold_pressure = { ceiling = 18, unit = "psig" }'),
        "key limits.ceilings.manifold_pressure.unit",
        "Did you mean psi",
    ),
    "ceiling unit of another quantity": (
        _ceiling('exhaust_temp = { ceiling = 700, unit = "bar" }'),
        "key limits.ceilings.exhaust_temp.unit",
        '"bar" is a unit of pressure',
    ),
    "ceiling unit no text": (
        _ceiling("exhaust_temp = { ceiling = 700, unit = 1 }"),
        "key limits.ceilings.exhaust_temp.unit",
        "1 is not a known unit",
    ),
    # lengths
    "too few rows": (
        SMALL.replace(", [nan, 0.9]", ""),
        "key target.table",
        "the table has 2 rows; axes.rpm has 3 breakpoints. Give one row per rpm",
    ),
    "too many rows": (
        SMALL.replace("[nan, 0.9]", "[nan, 0.9], [1, 1]"),
        "key target.table",
        "the table has 4 rows; axes.rpm has 3",
    ),
    "short row": (
        SMALL.replace("[1.0, 0.95]", "[1.0]"),
        "key target.table",
        "row 2 has 1 values; axes.load has 2. Give one row",
    ),
    "one breakpoint": (
        SMALL.replace("[30.0, 45.0]", "[30.0]"),
        "key axes",
        "the load axis has 1 breakpoint(s). It needs at least two.",
    ),
    "no breakpoint": (SMALL.replace("[30.0, 45.0]", "[]"), "key axes", "has 0 breakpoint(s)"),
    "region of three": (
        _region("rpm = [1, 2, 3]\nload = [30, 45]\nmax_step_pct = 1"),
        "key limits.region[1].rpm",
        "[1, 2, 3] has 3 values. Write [from, to]",
    ),
    # missing
    "empty file": ("", "key axes", "this section is missing. Add [axes]."),
    "no axes": (TARGET, "key axes", "Add [axes]."),
    "no target": (AXES, "key target", "Add [target]."),
    "no rpm": ("[axes]\nload = [1, 2]\n" + TARGET, "key axes.rpm", "Give the breakpoints"),
    "no table": (
        AXES + "[target]\n",
        "key target.table",
        "the target is missing. Give either table",
    ),
    "table and file": (
        SMALL + 'file = "t.csv"\n',
        "key target.table",
        "both are given. Give either table",
    ),
    "region without rpm": (
        _region("load = [30, 45]\nmax_step_pct = 1"),
        "key limits.region[1].rpm",
        "Write [from, to]",
    ),
    "region without a rule": (_region(R), "key limits.region[1].name", "Give max_step_pct or"),
    # values out of range
    "axis falls": (
        SMALL.replace("1200", "700"),
        "key axes",
        "800 is followed by 700 (breakpoints 1 and 2). List the breakpoints from low to high",
    ),
    "ratio": (_engine("afr_stoich = 1.0"), "key engine", "engine.afr_stoich is 1.0. It must be"),
    "rev limit": (_engine("rev_limit_rpm = -1"), "key engine", "engine.rev_limit_rpm is -1.0"),
    "gain": (
        SMALL + "[correction]\ngain = 2\n",
        "key correction",
        "correction.gain is 2.0. It must",
    ),
    "step": (
        _limits("max_step_pct = 120"),
        "key limits",
        "limits.max_step_pct is 120.0. It must be",
    ),
    "negative time": (SMALL + "[steady]\nwindow_s = -1\n", "key steady", "steady.window_s is -1.0"),
    "afr as lambda": (
        AXES + "[target]\ntable = [[14.7, 14.7], [14.7, 14.7], [14.7, 14.7]]\n",
        "key target",
        "is target.unit right?",
    ),
    "all nan": (
        AXES + "[target]\ntable = [[nan, nan], [nan, nan], [nan, nan]]\n",
        "key target",
        "a lambda in at least one cell",
    ),
    "hard below ceiling": (
        _ceiling("torque = { ceiling = 300, hard = 200 }"),
        "key limits.ceilings.torque.hard",
        "at or above the ceiling of 300",
    ),
    "ceiling above the default hard one, in a unit of its own": (
        # 1800 degF is 982 degC, and the default hard ceiling of 950 degC is 1742 degF
        _ceiling('exhaust_temp = { ceiling = 1800, unit = "degF" }'),
        "key limits.ceilings.exhaust_temp.ceiling",
        "the default hard ceiling of 1742 degF is below the ceiling of 1800 degF. Give both",
    ),
    "ceiling above the default hard one": (
        _ceiling("exhaust_temp = { ceiling = 2000 }"),
        "key limits.ceilings.exhaust_temp.ceiling",
        "at or above the ceiling of 2000",
    ),
    "region turned round": (
        _region("rpm = [1600, 800]\nload = [30, 45]\nmax_step_pct = 1"),
        "key limits.region[1].rpm",
        "1600 is above 800. Write [from, to]",
    ),
    "region beside the axes": (
        _region("rpm = [1800, 2800]\nload = [30, 45]\nmax_step_pct = 1"),
        "key limits.region[1].rpm",
        "no breakpoint of axes.rpm is in the range from 1800 to 2800. A region must hold",
    ),
    "region step": (
        _region(R + "max_step_pct = -1"),
        "key limits.region[1]",
        "limits.region[1].max_step_pct is -1.0. It must be",
    ),
    "second region": (
        _region(R + "max_step_pct = 1\n[[limits.region]]\n" + R + "max_total_pct = -1"),
        "key limits.region[2]",
        "limits.region[2].max_total_pct is -1.0",
    ),
    "region lambda": (
        _region(R + "leanest_lambda = 0.5"),
        "key limits.region[1]",
        "below leanest_lambda (0.5)",
    ),
}


@pytest.mark.parametrize("name", MISTAKES)
def test_a_mistake_is_told_with_file_key_and_mend(tmp_path, name):
    text, key, mend = MISTAKES[name]
    with pytest.raises(SetupError) as caught:
        _read(tmp_path, text)
    said = str(caught.value)
    assert said.startswith(f"{tmp_path / 'car.toml'}, key ")
    assert f"{key}: " in said
    assert mend in said
    assert "\n" not in said


def test_a_pair_just_inside_each_boundary_is_read(tmp_path):
    """The twins of some mistakes above: the nearest value that is right."""
    limits = _read(
        tmp_path,
        _ceiling("torque = { ceiling = 300, hard = 300 }")
        + "[[limits.region]]\nrpm = [1600, 1600]\nload = [45, 99]\nmax_step_pct = 0\n"
        + "[correction]\ngain = 1.99\n",
    ).limits
    assert limits.ceilings["torque"] == Ceiling(300.0, 300.0)
    assert limits.regions[0].max_step_pct == 0.0


@pytest.mark.parametrize(
    ("text", "line", "what"),
    [
        (SMALL + "[limits]\nmax_step_pct = \n", 9, "Invalid value"),
        ("[engine]\nfuel = petrol\n" + SMALL, 2, "Invalid value"),
        ("[engine]\nafr_stoich = 14,7\n" + SMALL, 2, ""),
        ("[engine]\n[engine]\n" + SMALL, 2, ""),
        ("[axes]\nrpm = [800, 1200\n", 3, ""),
        ("rpm;load\n", 1, ""),
        ("\0\n", 1, ""),
    ],
)
def test_what_is_no_toml_is_told_with_its_line(tmp_path, text, line, what):
    with pytest.raises(
        SetupError, match=rf"car\.toml, line {line}: this is not valid TOML: {what}"
    ):
        _read(tmp_path, text)


def test_bytes_that_are_no_utf8_are_told_with_their_line(tmp_path):
    with pytest.raises(SetupError, match=r"line 2: the file is not UTF-8 text\. Save the setup"):
        _read(tmp_path, '[engine]\nlabel = "größe"\n'.encode("cp1252"))


def test_brackets_without_end_are_told(tmp_path):
    with pytest.raises(SetupError, match=r"car\.toml"):
        _read(tmp_path, "a = " + "[" * 100_000)


@pytest.mark.parametrize("name", ["none.toml", "."])
def test_a_file_that_cannot_be_read_is_told(tmp_path, name):
    with pytest.raises(SetupError, match="the file cannot be read"):
        read_setup(tmp_path / name)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (None, "target.csv: the file cannot be read"),
        ("rpm/load,30,45\n800,1,1\n1200,1,1\n", "has 2 rpm rows and 2 load columns"),
        ("rpm/load,30,50\n800,1,1\n1200,1,1\n1600,1,1\n", "load breakpoint 2 is 50"),
        ("rpm/load,30,45\n800,1,1\n1200,rich,1\n1600,1,1\n", 'row 3, column 2: "rich" is not'),
    ],
)
def test_a_damaged_target_file_is_told_with_the_setups_key(tmp_path, content, said):
    if content is not None:
        (tmp_path / "target.csv").write_text(content, encoding="utf-8")
    with pytest.raises(SetupError, match=re.escape(said)) as caught:
        _read(tmp_path, AXES + '[target]\nfile = "target.csv"\n')
    assert "car.toml, key target.file: " in str(caught.value)


def test_nan_stays_nan_through_the_conversion(tmp_path):
    target = '[target]\nunit = "afr"\ntable = [[14.7, nan], [14.7, 14.7], [nan, nan]]\n'
    table = _read(tmp_path, AXES + target).target.table
    assert [math.isnan(value) for value in table.ravel()] == [False, True, False, False, True, True]


def test_a_channel_may_be_left_unread_but_not_one_that_all_stands_on(tmp_path) -> None:
    path = tmp_path / "car.toml"
    rest = "[axes]\nrpm = [1000, 2000]\nload = [40, 80]\n[target]\ntable = [[1, 1], [1, 1]]\n"
    path.write_text(f"[channels]\nthrottle = false\n{rest}", encoding="utf-8")
    setup = read_setup(path)
    assert setup.unread == {"throttle"}
    assert not setup.channels
    assert setup_of_record(as_plain(setup)).unread == {"throttle"}
    for text, words in (
        ("rpm = false", "this channel is required"),
        ("throttle = true", "is not a table"),
    ):
        path.write_text(f"[channels]\n{text}\n{rest}", encoding="utf-8")
        with pytest.raises(SetupError, match=words):
            read_setup(path)
