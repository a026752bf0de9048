# ruff: noqa: RUF009 - `setting` returns a dataclass field, as `dataclasses.field` does
"""Every threshold of the full-load runs, with unit, default and reason.

Unit and reason stand in each field's metadata, from which the class's documentation is made.
"Common practice" marks a figure of the trade for which no published source is at hand; "from
memory" marks one whose source could not be opened.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any, Literal

from tuneassist.field_facts import SAME, documented, require, setting

Standard = Literal["none", "iso1585", "sae-j1349", "din70020"]
Charging = Literal["natural", "mechanical", "turbo"]
Edition = Literal["r85", "iso-air", "iso-liquid"]
Design = Literal["welch", "pooled", "paired"]
DifferentAir = Literal["refuse", "as measured"]

STANDARDS: tuple[Standard, ...] = ("none", "iso1585", "sae-j1349", "din70020")
EDITIONS: tuple[Edition, ...] = ("r85", "iso-air", "iso-liquid")
_WORDS: dict[str, tuple[str, ...]] = {
    "standard": STANDARDS,
    "charging": ("natural", "mechanical", "turbo"),
    "edition": EDITIONS,
    "j1349_form": ("1.18", "unrounded"),
    "trust": ("torque", "power"),
    "design": ("welch", "pooled", "paired"),
    "different_air": ("refuse", "as measured"),
}
_SHARES = (
    "near_full_load_share", "least_load_share", "flap_share", "edge_share", "level",
    "rise_rate_share", "rising_share",
)  # fmt: skip
_MAY_BE_ZERO = (
    "settle_after_open_s", "relative_humidity_pct", "dew_point_c", "edge_share", "engine_factor",
)  # fmt: skip


def _require(ok: bool, key: str, got: object, right: str) -> None:
    require(ok, f"runs.{key}", got, right)


@documented
@dataclass(frozen=True)
class RunSettings:
    """Full-load runs: how pulls are found, corrected, smoothed, compared and judged."""

    wide_open_pct: float = setting(
        90.0,
        unit="%",
        why="""Pedal, or throttle, at or beyond this is wide open. Pedals at their stop report 90 to
        100 %; common practice.""",
    )
    flap_share: float = setting(
        0.8,
        unit="1",
        why="""A throttle that is wide open for more than this share of the log, with load logged,
        is taken for a diesel's flap and tells nothing; load is looked at instead.""",
    )
    near_full_load_share: float = setting(
        0.85,
        unit="1",
        why="""Without pedal and throttle: load at least this share of the highest seen near the
        same speed, and of the highest seen at all. The second keeps out slow driving at speeds
        where no pull was made. Common practice.""",
    )
    least_load_share: float = setting(0.5, unit="1", why=SAME)
    load_bin_rpm: float = setting(
        250.0, unit="rpm", why='Width of "near the same speed" for the rule before.'
    )
    min_span_rpm: float = setting(
        1000.0,
        unit="rpm",
        why="Least range of speed of a pull: less shows no curve. Common practice.",
    )
    min_duration_s: float = setting(
        2.0,
        unit="s",
        why="A shorter wide-open stretch is a stab: manifold and turbine have not filled.",
    )
    min_samples: int = setting(
        20,
        unit="1",
        why="""Fewest samples with torque of a pull; a discrete map by 40 CFR 1065.510(b)(5)(i) has
        20 speeds or more.""",
    )
    max_gap_s: float = setting(
        0.5,
        unit="s",
        why="A longer pause of the log ends a pull; a value older than this is not held.",
    )
    turn_rpm: float = setting(
        100.0,
        unit="rpm",
        why="""Speed turns back by more than this only at the end of a pull (gear change, limiter),
        less is noise of the speed signal. Common practice.""",
    )
    rise_window_s: float = setting(
        1.0,
        unit="s",
        why="""Speed rises where, over this time, it gains at least this share of what the whole
        stretch gains in the same time on average; a pull rises so for at least this share of its
        time. A staircase of holds stands still for most of it. The rate of a pull on an inertia
        roller follows torque and seldom falls below half of its mean, so that a fifth leaves room
        for drag and noise. Common practice.""",
    )
    rise_rate_share: float = setting(0.2, unit="1", why=SAME)
    rising_share: float = setting(0.7, unit="1", why=SAME)
    edge_share: float = setting(
        0.02,
        unit="1",
        why="""This share of the speed range is cut off either end, where a brake still holds the
        speed or the limiter already does.""",
    )
    settle_after_open_s: float = setting(
        0.5,
        unit="s",
        why="""Samples this soon after opening are left out: filling the inlet takes some tenths of
        a second. Common practice.""",
    )
    torque_power_tolerance_pct: float = setting(
        2.0,
        unit="%",
        why="""Torque and power that are both logged may differ by this; 40 CFR 1065.205 recommends
        torque known to 2 % of the point.""",
    )
    trust: Literal["torque", "power"] = setting(
        "torque", why="Which of the two is taken where both are logged."
    )
    inertia_kg_m2: float | None = setting(
        None,
        unit="kg m2",
        why="""Rotating inertia of rollers, driveline and wheels, seen from the crankshaft in the
        gear driven; needed only where neither torque nor power is logged.""",
    )
    standard: Standard = setting(
        "none",
        why='Which standard air torque and power are brought to; "none" leaves them as measured.',
    )
    max_air_effect_pct: float = setting(
        1.0,
        unit="%",
        why="""Runs that are not corrected are compared where their air alone is worth no more than
        this in torque, by ISO 1585 for spark ignition: half of the 2 % to which 40 CFR 1065.205
        recommends torque known. 0.8 kPa or 5 degC are about as much.""",
    )
    different_air: DifferentAir = setting(
        "refuse",
        why="""What becomes of runs in air that differs by more and is not corrected: "refuse" to
        compare them, or compare them "as measured", with the weather in what is found, and say
        so.""",
    )
    apply_beyond_range: bool = setting(
        False, why="Whether a factor outside its standard's range is used all the same."
    )
    charging: Charging = setting("turbo", why="How a compression-ignition engine is filled.")
    edition: Edition = setting(
        "r85",
        why="""Atmospheric factor of a turbocharged compression-ignition engine: "r85" (temperature
        exponent 1.5, from memory), "iso-air" (1.2: no cooler or air-air) or "iso-liquid" (0.7). The
        two iso forms have the engine factor's lower limit at 37.2 instead of 40 mg/(l cycle).""",
    )
    fuel_mg_per_l_cycle: float | None = setting(
        None,
        unit="mg/(l cycle)",
        why="""Fuel per litre of displacement and working cycle at full load, q of the standard. Not
        a channel of any log here: it must be given for compression ignition.""",
    )
    charge_pressure_ratio: float | None = setting(
        None, unit="1", why="r, absolute manifold over ambient pressure; None takes the log's."
    )
    engine_factor: float | None = setting(
        None, unit="1", why="f_m itself, where the maker gives it; then neither q nor r is needed."
    )
    j1349_form: Literal["1.18", "unrounded"] = setting(
        "1.18", why='"1.18" as printed, or "unrounded" from the 85 % mechanical efficiency itself.'
    )
    relative_humidity_pct: float | None = setting(
        None, unit="%", why="Humidity of the air of both sides, where known; one of them."
    )
    dew_point_c: float | None = setting(None, unit="degC", why=SAME)
    step_rpm: float = setting(50.0, unit="rpm", why="Spacing of the common speed grid.")
    smooth_half_width_rpm: float = setting(
        200.0,
        unit="rpm",
        why="""Half width of the local quadratic fit. Wide enough for some 20 samples of an ordinary
        pull, narrow against the hump of a torque curve.""",
    )
    smooth_min_points: int = setting(
        6,
        unit="1",
        why="""Fewest samples inside the window; the window widens for a slow logger until it has
        them. Three fix a parabola, twice that leaves something to average.""",
    )
    level: float = setting(0.95, unit="1", why="Confidence level of every interval.")
    driven_rpm: tuple[float, float] = setting(
        (1600.0, 2600.0),
        unit="rpm",
        why="""Speeds over which the gain is averaged: around 2000 rpm, where a car that tows is
        driven. Common practice.""",
    )
    least_driven_rpm: float = setting(
        400.0,
        unit="rpm",
        why="""Where the runs cover only a part of these speeds, the gain is averaged over that part
        when it is at least so wide: the local fit of the curve is twice `smooth_half_width_rpm`
        wide, and less tells no more than one speed does.""",
    )
    spike_samples: int = setting(
        3,
        unit="samples",
        why="""Length of the running median ahead of every look at a ceiling: one wild sample is no
        breach.""",
    )
    margin_pct: float = setting(
        2.0,
        unit="%",
        why="""Two cars whose torque differs by less than this are taken as the same: 40 CFR
        1065.205 recommends torque known to 2 % of the point, so that less cannot be promised.""",
    )
    lambda_margin_pct: float = setting(
        2.0,
        unit="%",
        why="""The same for lambda: twice the 1 % that a good wide-band sensor repeats, and as much
        as the torque of a rich mixture hardly shows. Common practice, no source.""",
    )
    boost_margin_kpa: float = setting(
        4.0,
        unit="kPa",
        why="""The same for boost: 2 % of the air of an engine at 2 bar absolute, which is 2 % of
        its torque.""",
    )
    exhaust_margin_c: float = setting(
        20.0,
        unit="degC",
        why="""The same for exhaust temperature: some 2 % of its kelvins, and beyond the 7 degC to
        which a class 2 thermocouple of type K is told at 900 degC (IEC 60584-1, from memory); no
        two runs start alike.""",
    )
    alpha: float = setting(0.05, unit="1", why='Largest chance of a false "equivalent".')
    power: float = setting(
        0.8,
        unit="1",
        why="Wanted chance to find two equal cars equivalent, for the number of runs.",
    )
    max_runs: int = setting(
        30,
        unit="1",
        why="Beyond this many runs a side the answer is to scatter less, not to run more.",
    )
    band_width_rpm: float = setting(
        500.0,
        unit="rpm",
        why="""Width of the speed bands by which the equivalence test is told, speed by speed inside
        each, and of the tip-in comparison.""",
    )
    design: Design = setting(
        "welch",
        why=""""welch": runs of the two sides are independent; "pooled": and scatter equally;
        "paired": run i of one side was made next to run i of the other, which takes out a
        drift.""",
    )
    dip_pct: float = setting(
        3.0,
        unit="%",
        why="""A hollow of the torque curve deeper than this under its lower shoulder is a dip; 3 %
        is about what is felt, common practice.""",
    )
    step_min_pct: float = setting(20.0, unit="%", why="Least change of the pedal that is a step.")
    step_rise_s: float = setting(0.5, unit="s", why="The pedal must have moved within this time.")
    step_before_s: float = setting(
        0.5,
        unit="s",
        why="The pedal must rest for so long ahead of a step, and hold for so long after it.",
    )
    step_hold_s: float = setting(1.5, unit="s", why=SAME)
    step_quiet_pct: float = setting(
        6.0, unit="%", why="Range of the pedal that counts as resting and as holding."
    )
    response_s: float = setting(4.0, unit="s", why="Longest time looked at after a step.")
    step_rpm_band_pct: float = setting(
        10.0,
        unit="%",
        why="""Speed may change by this during a step: torque follows speed, and overshoot and
        response would be those of the torque curve.""",
    )
    step_min_nm: float = setting(
        20.0, unit="N.m", why="Least change of torque that a response is read from."
    )
    first_torque_share: float = setting(
        0.05,
        unit="1",
        why="""Torque has begun to answer when it is beyond this share of its change and beyond
        three standard deviations of what it did before.""",
    )
    unsettled_share: float = setting(
        0.1,
        unit="1",
        why="""A torque that still moves by more than this share of its change at the end of the
        window has no final value.""",
    )

    def __post_init__(self) -> None:
        for f in fields(self):
            _check_field(f.name, getattr(self, f.name))
        low, high = self.driven_rpm
        _require(0 < low < high, "driven_rpm", self.driven_rpm, "from a lower to a higher speed")
        _require(0 < self.alpha < 0.5, "alpha", self.alpha, "above 0 and below 0.5")
        _require(0 < self.power < 1, "power", self.power, "above 0 and below 1")
        for name in ("margin_pct", "lambda_margin_pct"):
            _require(getattr(self, name) < 50, name, getattr(self, name), "below 50")
        _require(self.smooth_min_points >= 4, "smooth_min_points", self.smooth_min_points, ">= 4")
        _require(self.max_runs >= 2, "max_runs", self.max_runs, "two or more")
        both = self.relative_humidity_pct is not None and self.dew_point_c is not None
        _require(not both, "dew_point_c", self.dew_point_c, "left out where humidity is given")


def _check_field(name: str, value: Any) -> None:
    """Check one field by what kind of thing it is."""
    if name in _WORDS:
        _require(value in _WORDS[name], name, value, "one of " + ", ".join(_WORDS[name]))
    elif name in _SHARES:
        low_ok = value >= 0 if name in _MAY_BE_ZERO else value > 0
        _require(low_ok and value < 1, name, value, "a share below 1")
    elif name == "relative_humidity_pct":
        _require(value is None or 0 <= value <= 100, name, value, "from 0 to 100")
    elif isinstance(value, (int, float)) and not isinstance(value, bool):
        if name in _MAY_BE_ZERO:
            _require(value >= 0 or name == "dew_point_c", name, value, "zero or more")
        else:
            _require(value > 0, name, value, "above zero")
