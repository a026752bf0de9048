"""Settings: documented defaults are the real ones, and what cannot be is refused with its key."""

from __future__ import annotations

import inspect
import json
import re
from dataclasses import FrozenInstanceError, fields, replace
from types import MappingProxyType
from typing import Any

import numpy as np
import pytest

from tuneassist.channels import CHANNELS
from tuneassist.errors import SetupError
from tuneassist.grid import Axes
from tuneassist.settings import (
    CEILING_CHANNELS,
    CONFIDENCE_WORDS,
    Ceiling,
    ChannelSource,
    CorrectionSettings,
    EngineSettings,
    LimitSettings,
    Region,
    Setup,
    SteadySettings,
    Target,
    as_plain,
    default_limits,
)

AXES = Axes(rpm=np.array([1000.0, 2000.0]), load=np.array([40.0, 80.0, 120.0]))
SECTIONS = (EngineSettings, SteadySettings, CorrectionSettings, LimitSettings, Ceiling, Region)


# --- documentation ------------------------------------------------------------------------------


@pytest.mark.parametrize("section", [*SECTIONS, Target, ChannelSource, Setup])
def test_every_key_is_documented_and_no_other(section: type) -> None:
    text = inspect.getdoc(section) or ""
    parameters = text.split("Parameters\n----------\n")[1].split("\n\n")[0]
    named = [
        name.strip()
        for line in parameters.splitlines()
        if line and not line.startswith(" ")
        for name in line.split(",")
    ]
    assert sorted(named) == sorted(f.name for f in fields(section))


@pytest.mark.parametrize("section", [SteadySettings, LimitSettings, CorrectionSettings])
def test_every_number_has_its_unit_at_the_end_of_its_description(section: type) -> None:
    text = inspect.getdoc(section) or ""
    blocks = re.split(r"\n(?=\S)", text.split("Parameters\n----------\n")[1])
    for block in blocks:
        name, *words = block.strip().splitlines()
        numbers = [f for f in fields(section) if f.name in re.split(r",\s*", name)]
        if numbers and all("float" in str(f.type) for f in numbers):
            assert re.search(r"\]\W*$", " ".join(words)), f"{name}: no unit"


def test_defaults_are_those_that_were_written_down() -> None:
    # The figures of issue 2 and the contract, and the published or customary ones beside them.
    steady, correction, limits = SteadySettings(), CorrectionSettings(), LimitSettings()
    assert steady.max_coolant_volts == 0.8  # common practice, no source
    assert steady.min_coolant_c == 70.0  # common practice, no source
    assert steady.rpm_band_limit_pct == 4.0  # 40 CFR 1065.530 (2004): +-2 % of the set point
    assert steady.trim_stop_pct == 25.0  # common practice, no source
    assert steady.settle_s is None
    assert steady.lambda_delay_s is None
    assert steady.sensor_richest_lambda is None
    assert steady.sensor_leanest_lambda is None
    assert correction.acts_on == "fuel"
    assert correction.gain == 1.0
    assert limits.barometer_kpa == 101.325  # ISO 2533, from memory
    assert EngineSettings().afr_stoich == 14.7  # references section 1, US DOE AFDC


def test_default_limits_are_the_documented_figures() -> None:
    words = " ".join((inspect.getdoc(default_limits) or "").split())
    spark, diesel = default_limits("spark"), default_limits("compression")
    assert spark.ceilings["exhaust_temp"] == Ceiling(900.0, 950.0)
    assert "900/950 degC before a petrol turbine" in words
    assert spark.ceilings["injector_duty"] == Ceiling(85.0)
    assert "Injector duty 85 %" in words
    assert diesel.ceilings["exhaust_temp"] == Ceiling(720.0, 760.0)
    assert "720/760 degC before a diesel's" in words
    assert "18 psi gauge (124.1 kPa)" in words
    assert diesel.ceilings["boost"].ceiling == pytest.approx(18 * 6.894757, abs=0.05)
    assert "Smoke floor: lambda 1.15" in words
    assert diesel.richest_lambda == 1.15
    assert spark == LimitSettings(ceilings=spark.ceilings)


def test_steady_defaults_are_consistent_with_their_reasons() -> None:
    s = SteadySettings()
    assert s.default_settle_s == pytest.approx(5 * 0.1 + 1.0)  # five sensor lags and a second
    assert s.min_settle_s < s.default_settle_s < s.max_settle_s
    assert s.default_delay_s < s.max_delay_s
    assert s.rpm_band_pct < s.rpm_band_limit_pct
    assert s.load_band_pct < s.load_band_limit_pct
    assert s.quiet_share < 0.5 < s.keep_share < 1
    c = CorrectionSettings()
    assert c.good_half_width_pct < c.fair_half_width_pct < c.low_half_width_pct


def test_ceiling_channels_are_known_channels_with_their_columns() -> None:
    for name, (column, _) in CEILING_CHANNELS.items():
        assert CHANNELS[name].column == column
    assert CONFIDENCE_WORDS == ("none", "low", "fair", "good")


@pytest.mark.parametrize("section", SECTIONS)
def test_settings_are_frozen(section: type) -> None:
    made: Any = {Ceiling: lambda: Ceiling(1.0), Region: lambda: Region((0, 1), (0, 1))}.get(
        section, section
    )()
    with pytest.raises(FrozenInstanceError):
        setattr(made, fields(section)[0].name, 1)


# --- refusals -----------------------------------------------------------------------------------


def refuse(key: str, make: Any) -> None:
    with pytest.raises(SetupError) as error:
        make()
    assert key in str(error.value)
    assert "must be" in str(error.value)


@pytest.mark.parametrize(
    ("name", "wrong", "right"),
    [
        ("ignition", "diesel", "compression"),
        ("afr_stoich", 3.0, 3.1),
        ("afr_stoich", 40.0, 34.3),
        ("rev_limit_rpm", 0.0, 1.0),
    ],
)
def test_engine_keys(name: str, wrong: Any, right: Any) -> None:
    refuse(f"engine.{name}", lambda: EngineSettings(**{name: wrong}))
    assert getattr(EngineSettings(**{name: right}), name) == right


MAY_BE_NEGATIVE = ("min_coolant_c", "load_lowest", "load_highest")  # the load of a gauge is, too


@pytest.mark.parametrize(
    "name",
    [f.name for f in fields(SteadySettings) if f.name not in (*MAY_BE_NEGATIVE, "min_samples")],
)
def test_no_steady_key_may_be_negative(name: str) -> None:
    refuse(f"steady.{name}", lambda: SteadySettings(**{name: -0.1}))


def test_the_other_steady_keys() -> None:
    refuse("steady.window_s", lambda: SteadySettings(window_s=0.0))
    refuse("steady.min_samples", lambda: SteadySettings(min_samples=1))
    assert SteadySettings(min_samples=2, window_s=0.1, settle_s=0.0).settle_s == 0.0
    assert SteadySettings(min_coolant_c=-5.0).min_coolant_c == -5.0


@pytest.mark.parametrize("name", ["window_s", "rpm_band_pct", "max_coolant_volts"])
def test_nan_is_no_threshold(name: str) -> None:
    with pytest.raises(SetupError, match=f"steady.{name}"):
        SteadySettings(**{name: float("nan")})


@pytest.mark.parametrize(
    ("name", "wrong", "right"),
    [
        ("acts_on", "spark", "boost"),
        ("gain", 0.0, 0.01),
        ("gain", 2.0, 1.99),  # references section 8: converges for 0 < gain < 2
        ("tolerance_pct", -0.1, 0.0),
        ("floor_margin_pct", 5.1, 5.0),
        ("floor_margin_pct", -0.1, 0.0),
    ],
)
def test_correction_keys(name: str, wrong: Any, right: Any) -> None:
    refuse(f"correction.{name}", lambda: CorrectionSettings(**{name: wrong}))
    assert getattr(CorrectionSettings(**{name: right}), name) == right


@pytest.mark.parametrize("widths", [(0.0, 2.0, 5.0), (3.0, 2.0, 5.0), (1.0, 6.0, 5.0)])
def test_half_widths_must_rise(widths: tuple[float, float, float]) -> None:
    names = ("good_half_width_pct", "fair_half_width_pct", "low_half_width_pct")
    given = dict(zip(names, widths, strict=True))
    refuse("correction half widths", lambda: CorrectionSettings(**given))
    assert CorrectionSettings(**dict.fromkeys(names, 1.0)).low_half_width_pct == 1.0


PERCENT_LIMITS = (
    "max_step_pct",
    "max_total_pct",
    "max_slope_rpm_pct",
    "max_slope_load_pct",
    "step_at_low_pct",
    "step_at_fair_pct",
    "step_at_good_pct",
    "step_back_pct",
)


@pytest.mark.parametrize("name", PERCENT_LIMITS)
def test_percent_limits_stay_from_0_to_below_100(name: str) -> None:
    for wrong in (-0.1, 100.0, float("nan")):
        refuse(f"limits.{name}", lambda wrong=wrong: LimitSettings(**{name: wrong}))
    for right in (0.0, 99.9):
        assert getattr(LimitSettings(**{name: right}), name) == right


@pytest.mark.parametrize(
    "name", ["resolution_pct", "boost_leanest_lambda", "boost_above_kpa", "barometer_kpa"]
)
def test_limits_above_zero(name: str) -> None:
    for wrong in (0.0, -1.0, float("inf"), float("nan")):
        refuse(f"limits.{name}", lambda wrong=wrong: LimitSettings(**{name: wrong}))


def test_the_other_limits() -> None:
    refuse("limits.richest_lambda", lambda: LimitSettings(richest_lambda=1.2))
    refuse("limits.richest_lambda", lambda: LimitSettings(richest_lambda=0.0))
    wrong: Any = "maybe"
    refuse("limits.lean_in_boost", lambda: LimitSettings(lean_in_boost=wrong))
    refuse("limits.ceilings", lambda: LimitSettings(ceilings={"oil_temp": Ceiling(1.0)}))
    refuse("limits.weight_se_floor_pct", lambda: LimitSettings(weight_se_floor_pct=6.0))
    refuse("limits.weight_se_floor_pct", lambda: LimitSettings(weight_se_floor_pct=0.0))
    refuse("limits.ceilings: hard", lambda: Ceiling(900.0, 899.0))
    refuse("limits.ceilings: ceiling", lambda: Ceiling(float("nan")))
    assert Ceiling(900.0, 900.0).hard == 900.0


def test_regions() -> None:
    def region(**keys: Any) -> Region:
        return Region(**{"rpm": (1000, 2000), "load": (40, 80), "name": "spool", **keys})

    refuse("limits.region (spool).rpm", lambda: region(rpm=(2000, 1000)))
    refuse("limits.region (spool).load", lambda: region(load=(80, 40)))
    refuse("limits.region (spool).max_step_pct", lambda: region(max_step_pct=100.0))
    refuse("limits.region (spool).max_total_pct", lambda: region(max_total_pct=-1.0))
    refuse("limits.region (spool).richest_lambda", lambda: region(richest_lambda=0.0))
    refuse("limits.region (spool).leanest_lambda", lambda: region(leanest_lambda=-1.0))
    refuse("limits.region (spool).lean_in_boost", lambda: region(lean_in_boost="none"))
    assert region(rpm=(1000, 1000), max_step_pct=0.0).max_step_pct == 0.0


def test_targets() -> None:
    refuse("target.table", lambda: Target(np.full((2, 3), np.nan)))
    refuse("target.table", lambda: Target(np.full((2, 3), 14.7)))  # an AFR left unconverted
    refuse("target.table", lambda: Target(np.full((2, 3), 0.49)))
    wrong: Any = "roof"
    refuse("target.kind", lambda: Target(np.ones((2, 3)), kind=wrong))
    table = np.array([[1.0, np.nan, 0.5], [10.0, 1.0, 1.0]])
    target = Target(table)
    table[0, 0] = 3.0
    assert target.table[0, 0] == 1.0
    with pytest.raises(ValueError, match="read-only"):
        target.table[0, 0] = 2.0


def test_a_target_that_does_not_fit_the_axes_names_both_shapes_and_the_file() -> None:
    with pytest.raises(SetupError, match=r"shape \(3, 2\), the axes need \(2, 3\)") as error:
        Setup(axes=AXES, target=Target(np.ones((3, 2))), source="car.toml")
    assert "car.toml" in str(error.value)
    assert "One row per rpm breakpoint" in str(error.value)


# --- plain --------------------------------------------------------------------------------------


@pytest.mark.parametrize("ignition", ["spark", "compression"])
def test_a_setup_goes_into_strict_json_and_back_out(ignition: Any) -> None:
    table = np.array([[1.0, 0.9, np.nan], [1.0, 0.9, 0.8]])
    setup = Setup(
        axes=AXES,
        target=Target(table),
        channels={"rpm": ChannelSource("Crank", "rpm")},
        limits=replace(
            default_limits(ignition), regions=(Region((0, 1), (0, 1), max_step_pct=3.0),)
        ),
        given=frozenset({"b", "a"}),
    )
    plain = json.loads(json.dumps(as_plain(setup), allow_nan=False))
    assert plain["axes"]["rpm"] == [1000.0, 2000.0]
    assert plain["target"]["table"] == [[1.0, 0.9, None], [1.0, 0.9, 0.8]]
    crank = plain["channels"]["rpm"]
    assert (crank["column"], crank["unit"]) == ("Crank", "rpm")
    assert plain["limits"]["ceilings"]["exhaust_temp"]["ceiling"] in (900.0, 720.0)
    assert plain["limits"]["regions"][0]["max_step_pct"] == 3.0
    assert plain["given"] == ["a", "b"]
    assert set(plain["steady"]) == {f.name for f in fields(SteadySettings)}


def test_plain_by_hand() -> None:
    value = {
        1: (np.array([1.0, np.inf]), MappingProxyType({"a": {3, 1}})),
        "b": None,
        "c": float("nan"),
    }
    assert as_plain(value) == {"1": [[1.0, None], {"a": [1, 3]}], "b": None, "c": None}
    assert json.dumps(as_plain({"x": np.float64(2.5), "n": np.array([1, 2])})) == (
        '{"x": 2.5, "n": [1, 2]}'
    )
