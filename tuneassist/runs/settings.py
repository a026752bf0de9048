# ruff: noqa: RUF009 - `setting` returns a dataclass field, as `dataclasses.field` does
"""Every threshold of the full-load runs, with unit, default and reason.

Unit and reason are in each field's metadata, from which the class documentation is made. "Common
practice" marks a figure of the trade without a published source at hand; "from memory" marks one
whose source could not be checked.
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
_CHOICES: dict[str, tuple[str, ...]] = {
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
    "rise_rate_share", "rising_share", "answered_share",
)  # fmt: skip
_MAY_BE_ZERO = (
    "settle_after_open_s", "relative_humidity_pct", "dew_point_c", "edge_share", "engine_factor",
)  # fmt: skip


def _require(ok: bool, key: str, got: object, right: str) -> None:
    require(ok, f"runs.{key}", got, right)


@documented
@dataclass(frozen=True)
class RunSettings:
    """Full-load runs: how pulls are found, corrected, smoothed, compared and tested."""

    wide_open_pct: float = setting(
        90.0,
        unit="%",
        why="""Pedal or throttle at or above this is wide open. Pedals at their stop report 90 to
        100 %; common practice.""",
    )
    flap_share: float = setting(
        0.8,
        unit="1",
        why="""A throttle that is wide open for more than this share of the log, with load logged,
        is taken for a diesel's flap; load is used instead.""",
    )
    near_full_load_share: float = setting(
        0.85,
        unit="1",
        why="""Without pedal and throttle: load at least this share of the highest seen near the
        same speed, and of the highest seen at all. The second excludes slow driving at speeds
        without a pull. Common practice.""",
    )
    least_load_share: float = setting(0.5, unit="1", why=SAME)
    load_bin_rpm: float = setting(
        250.0, unit="rpm", why='Width of "near the same speed" for `near_full_load_share`.'
    )
    min_span_rpm: float = setting(
        1000.0,
        unit="rpm",
        why="Smallest speed range of a pull: less shows no curve. Common practice.",
    )
    min_duration_s: float = setting(
        2.0,
        unit="s",
        why="A shorter wide-open stretch is a stab: manifold and turbine are not yet filled.",
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
        why="A longer gap in the log ends a pull; an older value is not carried on.",
    )
    turn_rpm: float = setting(
        100.0,
        unit="rpm",
        why="""Speed falls back by more than this only at the end of a pull (gear change, limiter);
        less is noise of the speed signal. Common practice.""",
    )
    rise_window_s: float = setting(
        1.0,
        unit="s",
        why="""Window for the rate of speed. Speed rises where its rate is at least
        `rise_rate_share` of the mean rate of the stretch; a pull rises for at least `rising_share`
        of its time. A staircase of holds is at constant speed for most of its time. The rate of a
        pull on an inertia roller follows torque and seldom falls below half of its mean: a fifth
        leaves margin for drag and noise. Common practice.""",
    )
    rise_rate_share: float = setting(0.2, unit="1", why=SAME)
    rising_share: float = setting(0.7, unit="1", why=SAME)
    edge_share: float = setting(
        0.02,
        unit="1",
        why="""Share of the speed range cut off at either end, where the brake or the limiter
        holds the speed.""",
    )
    settle_after_open_s: float = setting(
        0.5,
        unit="s",
        why="""Samples this soon after opening are left out: filling the manifold takes some tenths
        of a second. Common practice.""",
    )
    torque_power_tolerance_pct: float = setting(
        2.0,
        unit="%",
        why="""Largest difference of logged torque and logged power; 40 CFR 1065.205 recommends
        torque known to 2 % of the point.""",
    )
    trust: Literal["torque", "power"] = setting(
        "torque", why="Which of the two is used where both are logged."
    )
    inertia_kg_m2: float | None = setting(
        None,
        unit="kg m2",
        why="""Rotating inertia of rollers, driveline and wheels, seen from the crankshaft in the
        gear driven; needed only where neither torque nor power is logged.""",
    )
    standard: Standard = setting(
        "none",
        why='Standard to which torque and power are corrected; "none" leaves them as measured.',
    )
    max_air_effect_pct: float = setting(
        1.0,
        unit="%",
        why="""Uncorrected runs are compared only if the difference of their air changes torque by
        no more than this, by ISO 1585 for spark ignition: half of the 2 % to which 40 CFR 1065.205
        recommends torque known. 0.8 kPa or 5 degC have about this effect.""",
    )
    different_air: DifferentAir = setting(
        "refuse",
        why="""Uncorrected runs in air that differs by more: "refuse" to compare them, or compare
        them "as measured", with a note that the gain includes the weather.""",
    )
    apply_beyond_range: bool = setting(
        False, why="Whether a factor outside its standard's range is applied anyway."
    )
    charging: Charging = setting("turbo", why="Charging of a compression-ignition engine.")
    edition: Edition = setting(
        "r85",
        why="""Atmospheric factor of a turbocharged compression-ignition engine: "r85" (temperature
        exponent 1.5, from memory), "iso-air" (1.2: no cooler or air-air) or "iso-liquid" (0.7). The
        two iso forms have the engine factor's lower limit at 37.2 instead of 40 mg/(l cycle).""",
    )
    fuel_mg_per_l_cycle: float | None = setting(
        None,
        unit="mg/(l cycle)",
        why="""Fuel per litre of displacement and working cycle at full load, q of the standard. No
        channel provides it: it must be given for compression ignition.""",
    )
    charge_pressure_ratio: float | None = setting(
        None, unit="1", why="r, absolute manifold over ambient pressure; None uses the log."
    )
    engine_factor: float | None = setting(
        None, unit="1", why="f_m, if given by the manufacturer; then neither q nor r is needed."
    )
    j1349_form: Literal["1.18", "unrounded"] = setting(
        "1.18", why='"1.18" as printed, or "unrounded" from the 85 % mechanical efficiency itself.'
    )
    relative_humidity_pct: float | None = setting(
        None, unit="%", why="Humidity of the air of both sides, if known; give one of the two."
    )
    dew_point_c: float | None = setting(None, unit="degC", why=SAME)
    step_rpm: float = setting(50.0, unit="rpm", why="Spacing of the common speed grid.")
    smooth_half_width_rpm: float = setting(
        200.0,
        unit="rpm",
        why="""Half width of the local quadratic fit. Wide enough for some 20 samples of a typical
        pull, narrow against the peak of a torque curve.""",
    )
    smooth_min_points: int = setting(
        6,
        unit="1",
        why="""Fewest samples in the window; the window widens for a slow logger until it has
        them. Three determine a parabola; twice that averages the noise.""",
    )
    level: float = setting(0.95, unit="1", why="Confidence level of every interval.")
    driven_rpm: tuple[float, float] = setting(
        (1600.0, 2600.0),
        unit="rpm",
        why="""Speeds over which the gain is averaged: around 2000 rpm, where a towing car is
        driven. Common practice.""",
    )
    least_driven_rpm: float = setting(
        400.0,
        unit="rpm",
        why="""Where the runs cover only part of these speeds, the gain is averaged over that part
        if it is at least this wide: the local fit of the curve is twice `smooth_half_width_rpm`
        wide, and a narrower part is no more than a single speed.""",
    )
    low_rpm: tuple[float, float] = setting(
        (1500.0, 2500.0),
        unit="rpm",
        why="""Low speeds, at which a driver pulls away, tows and passes without changing down:
        torque and its smoothness there come first in the comparison. Where the runs cover only a
        part, that part is used and said (`least_driven_rpm`). Common practice, no source.""",
    )
    low_point_rpm: float = setting(
        2000.0,
        unit="rpm",
        why="""The one speed at which torque low down is also given, and up to which its rise is
        measured; the middle of `low_rpm` where it lies outside. Common practice, no source.""",
    )
    spike_samples: int = setting(
        3,
        unit="samples",
        why="""Length of the running median before limits are checked: a single outlier is no
        breach.""",
    )
    margin_pct: float = setting(
        2.0,
        unit="%",
        why="""Two cars whose torque differs by less than this are taken as equal: 40 CFR
        1065.205 recommends torque known to 2 % of the point, so that less cannot be shown.""",
    )
    lambda_margin_pct: float = setting(
        2.0,
        unit="%",
        why="""The same for lambda: twice the 1 % repeatability of a good wide-band sensor, with
        little effect on the torque of a rich mixture. Common practice, no source.""",
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
        why="""The same for exhaust temperature: some 2 % of the absolute temperature, and more
        than the 7 degC tolerance of a class 2 type K thermocouple at 900 degC (IEC 60584-1, from
        memory); no two runs start at the same temperature.""",
    )
    alpha: float = setting(0.05, unit="1", why='Largest chance of a false "equivalent".')
    power: float = setting(
        0.8,
        unit="1",
        why="Required probability to find two equal cars equivalent; sets the number of runs.",
    )
    max_runs: int = setting(
        30,
        unit="1",
        why="Above this many runs per side, reduce the scatter instead of adding runs.",
    )
    band_width_rpm: float = setting(
        500.0,
        unit="rpm",
        why="""Width of the speed bands in which the equivalence test (speed by speed) and the
        tip-in comparison are reported.""",
    )
    design: Design = setting(
        "welch",
        why=""""welch": runs of the two sides are independent; "pooled": the same, with
        equal scatter; "paired": run i of one side was made next to run i of the other, which
        removes a drift.""",
    )
    dip_pct: float = setting(
        3.0,
        unit="%",
        why="""A dip is deeper than this below its lower shoulder; 3 % is about noticeable, common
        practice.""",
    )
    step_min_pct: float = setting(
        20.0, unit="%", why="Smallest pedal change that counts as a step."
    )
    step_rise_s: float = setting(0.5, unit="s", why="The pedal must move within this time.")
    step_before_s: float = setting(
        0.5,
        unit="s",
        why="The pedal must rest `step_before_s` before a step, and hold `step_hold_s` after it.",
    )
    step_hold_s: float = setting(1.5, unit="s", why=SAME)
    step_quiet_pct: float = setting(
        6.0, unit="%", why="Pedal range that counts as resting and as holding."
    )
    response_s: float = setting(4.0, unit="s", why="Length of the window after a step.")
    step_rpm_band_pct: float = setting(
        10.0,
        unit="%",
        why="""Largest change of speed during a step: with more, the response would be that of
        the torque curve.""",
    )
    step_min_nm: float = setting(
        20.0, unit="N.m", why="Smallest change of torque from which a response is evaluated."
    )
    first_torque_share: float = setting(
        0.05,
        unit="1",
        why="""Torque has begun to respond when it exceeds this share of its change and three
        standard deviations of the torque before the step.""",
    )
    step_min_kpa: float = setting(
        10.0,
        unit="kPa",
        why="""The same for boost or manifold pressure, used where torque is not logged: a tenth of
        an atmosphere moves torque by about a tenth. Common practice.""",
    )
    step_min_acceleration: float = setting(
        20.0,
        unit="rpm/s",
        why="""The same for the acceleration of the engine, used where neither is logged: a car
        passing in a high gear gains some 50 rpm/s. Common practice.""",
    )
    acceleration_s: float = setting(
        0.4,
        unit="s",
        why="""Acceleration is the rise of speed over this time, centred: shorter gives noise, and
        the time to 90 % reads up to half of it long, before and after alike. Common practice.""",
    )
    answered_share: float = setting(
        0.9,
        unit="1",
        why="""Share of its settled rise at which the engine has answered a tip-in: the end of the
        usual 10 to 90 % rise. Common practice, no source.""",
    )
    same_rate_pct: float = setting(
        20.0,
        unit="%",
        why="""Unevenness is compared between logs whose sampling rates differ by no more than this:
        a faster logger sees more of it. Common practice.""",
    )
    unsettled_share: float = setting(
        0.1,
        unit="1",
        why="""If torque still changes by more than this share at the end of the window, it has no
        final value.""",
    )

    def __post_init__(self) -> None:
        for f in fields(self):
            _check_field(f.name, getattr(self, f.name))
        for name in ("driven_rpm", "low_rpm"):
            low, high = getattr(self, name)
            _require(0 < low < high, name, (low, high), "from a lower to a higher speed")
        _require(0 < self.alpha < 0.5, "alpha", self.alpha, "above 0 and below 0.5")
        _require(0 < self.power < 1, "power", self.power, "above 0 and below 1")
        for name in ("margin_pct", "lambda_margin_pct"):
            _require(getattr(self, name) < 50, name, getattr(self, name), "below 50")
        _require(self.smooth_min_points >= 4, "smooth_min_points", self.smooth_min_points, ">= 4")
        _require(self.max_runs >= 2, "max_runs", self.max_runs, "2 or more")
        both = self.relative_humidity_pct is not None and self.dew_point_c is not None
        _require(
            not both, "dew_point_c", self.dew_point_c, "left out if relative humidity is given"
        )


def _check_field(name: str, value: Any) -> None:
    """Check one field by its type."""
    if name in _CHOICES:
        _require(value in _CHOICES[name], name, value, "one of " + ", ".join(_CHOICES[name]))
    elif name in _SHARES:
        low_ok = value >= 0 if name in _MAY_BE_ZERO else value > 0
        _require(low_ok and value < 1, name, value, "a share below 1")
    elif name == "relative_humidity_pct":
        _require(value is None or 0 <= value <= 100, name, value, "from 0 to 100")
    elif isinstance(value, (int, float)) and not isinstance(value, bool):
        if name in _MAY_BE_ZERO:
            _require(value >= 0 or name == "dew_point_c", name, value, "0 or more")
        else:
            _require(value > 0, name, value, "greater than 0")
