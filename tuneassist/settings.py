# ruff: noqa: RUF009 - `setting` returns a dataclass field, as `dataclasses.field` does
"""Every threshold of the program, with unit, default and reason, and the setup that holds them.

Each class is one section of the setup file; a key of the file is a field here. A field's metadata
holds its unit, its meaning and the reason of its default: ``tuneassist keys`` and the Parameters
section of the class are made from it. Ranges are checked when a value object is built, so that no
stage has to check its settings. "Common practice" marks a figure of the trade for which no
published source is at hand.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from types import MappingProxyType
from typing import Any, Literal

import numpy as np

from tuneassist.by_value import ByValue
from tuneassist.channels import below_vacuum
from tuneassist.errors import SetupError
from tuneassist.field_facts import SAME, about, documented, require, setting
from tuneassist.grid import Axes, Floats
from tuneassist.units import Quantity, find_unit, units_of

Ignition = Literal["spark", "compression"]
Confidence = Literal["none", "low", "fair", "good"]
CONFIDENCE_WORDS: tuple[Confidence, ...] = ("none", "low", "fair", "good")


@documented
@dataclass(frozen=True)
class EngineSettings:
    """What is being tuned: section ``[engine]``."""

    label: str = setting("", why="The workshop's own words for the car.")
    ignition: Ignition = setting(
        "spark", why='"spark" or "compression"; decides which way is safe.'
    )
    fuel: str = setting("petrol", why="A fuel's word; ``tuneassist keys fuels`` lists them.")
    afr_stoich: float = setting(
        14.7, why="Stoichiometric air-fuel ratio by mass; given, it overrides the fuel's."
    )
    rev_limit_rpm: float | None = setting(
        None, unit="rpm", why="Highest speed that a hold or a plan may ask for."
    )

    def __post_init__(self) -> None:
        require(
            self.ignition in ("spark", "compression"),
            "engine.ignition",
            self.ignition,
            '"spark" or "compression"',
        )
        require(3 < self.afr_stoich < 40, "engine.afr_stoich", self.afr_stoich, "between 3 and 40")
        require(
            self.rev_limit_rpm is None or self.rev_limit_rpm > 0,
            "engine.rev_limit_rpm",
            self.rev_limit_rpm,
            "greater than 0",
        )


UNIT_QUANTITIES: Mapping[str, Quantity] = MappingProxyType(
    {
        "pressure": "pressure",
        "temperature": "temperature",
        "speed": "road speed",
        "torque": "torque",
        "power": "power",
        "mixture": "mixture",
    }
)
"""Key of ``[units]`` to the quantity of its unit word."""
_NEVER_SHOWN = ("phi",)


@documented
@dataclass(frozen=True)
class UnitSettings:
    """Units in which numbers are shown: section ``[units]``.

    Files and JSON keep their fixed units, and the load axis its own.
    """

    pressure: str | None = setting(
        None,
        why="""Unit word of pressures: "kPa", "bar", "psi", "inHg" and others. A word that names its
        reference, "psi gauge" or "psi absolute", also shows the manifold's pressure and boost
        above the barometer or from vacuum; limits.barometer_kpa lies between. Left out: the unit of
        the ceiling on boost, else of a load axis in a pressure, else as logged, else kPa.""",
    )
    temperature: str | None = setting(
        None,
        why="""Unit word of temperatures: "degC", "degF" or "K". Left out: the unit of the ceiling
        on exhaust temperature, else as logged, else degC.""",
    )
    speed: str | None = setting(
        None,
        why="""Unit word of road speed: "km/h", "mph" or "m/s". Left out: as logged, else km/h.""",
    )
    torque: str | None = setting(
        None,
        why="""Unit word of torque: "N.m" or "lbf.ft". Left out: the unit of the ceiling on torque,
        else as logged, else lbf.ft beside hp, else N.m.""",
    )
    power: str | None = setting(
        None,
        why="""Unit word of power: "kW", "hp" or "PS". Left out: as logged, else hp beside lbf.ft,
        else kW.""",
    )
    mixture: str | None = setting(
        None,
        why=""""lambda" or "afr". Left out: the unit of the target, so that a mixture reads as it
        was set.""",
    )

    def __post_init__(self) -> None:
        for key, quantity in UNIT_QUANTITIES.items():
            given = getattr(self, key)
            if given is None:
                continue
            reading = find_unit(given) if isinstance(given, str) else None
            word = "" if reading is None else reading.word
            words = [word for word in units_of(quantity) if word not in _NEVER_SHOWN]
            right = f"one of {', '.join(words)}"
            if key == "pressure":
                right += ", or one that names its reference, such as psi gauge"
            require(word in words, f"units.{key}", given, right)
            reference = reading.reference if reading is not None else None
            object.__setattr__(self, key, f"{word} {reference}" if reference else word)

    def over(self, other: UnitSettings) -> UnitSettings:
        """Return these units, and the other's where these leave one open."""
        return UnitSettings(*(getattr(self, k) or getattr(other, k) for k in UNIT_QUANTITIES))


UNIT_SYSTEMS: Mapping[str, UnitSettings] = MappingProxyType(
    {
        "metric": UnitSettings("kPa", "degC", "km/h", "N.m", "kW"),
        "imperial": UnitSettings("psi", "degF", "mph", "lbf.ft", "hp"),
        "ps": UnitSettings("bar", "degC", "km/h", "N.m", "PS"),
    }
)
"""Choices of ``--units``; the mixture stays as the setup has it."""


@documented
@dataclass(frozen=True)
class ChannelSource:
    """Where to find a channel in the log: one entry of ``[channels]``."""

    column: str = field(metadata=about(why="The column's header as the logger writes it."))
    unit: str | None = setting(
        None, why="Unit word of the values; None takes the unit in the header."
    )
    transfer: tuple[tuple[float, float], ...] | None = setting(
        None,
        why="""For an analog sensor: pairs of the logged value (in ``unit``) and what it means
        (in ``transfer_unit``), two for a line or more for a table, the first of each pair rising.
        Between pairs it is linear, beyond the outer ones the sensor is at its stop.""",
    )
    transfer_unit: str | None = setting(None, why="Unit word of the second of each pair.")
    raw: str | None = setting(
        None, why='For raw bytes of SAE J1979 answers: the parameter in hexadecimal, such as "0C".'
    )
    raw_as: Literal["hex", "number"] = setting(
        "hex", why='How raw bytes are written: "hex", or "number" for one whole number 256 A + B.'
    )

    def __post_init__(self) -> None:
        require(self.raw_as in ("hex", "number"), "raw_as", self.raw_as, '"hex" or "number"')
        if self.raw is not None:
            is_alone = self.unit is None and self.transfer is None
            require(is_alone, "raw", self.raw, "alone: raw bytes have a unit of their own")
        if self.transfer is None:
            require(
                self.transfer_unit is None, "transfer_unit", self.transfer_unit, "beside a transfer"
            )
            return
        require(bool(self.transfer_unit), "transfer_unit", self.transfer_unit, "a unit word")
        pairs = np.asarray(self.transfer, dtype=float)
        is_table = pairs.ndim == 2 and pairs.shape[0] >= 2 and pairs.shape[1] == 2
        ok = is_table and bool(np.isfinite(pairs).all() and (np.diff(pairs[:, 0]) > 0).all())
        require(
            ok, "transfer", self.transfer, "two pairs or more, [[0.0, 0.68], [5.0, 1.36]], rising"
        )


@documented
@dataclass(frozen=True, eq=False)
class Target(ByValue):
    """The lambda that is wanted: section ``[target]``."""

    table: Floats = field(
        metadata=about(
            unit="lambda",
            why="Lambda at every breakpoint; nan leaves the cell alone. Shape of the axes.",
        )
    )
    kind: Literal["aim", "floor"] = setting(
        "aim", why='"aim": this value is wanted. "floor": leaner than this needs nothing.'
    )
    unit: Literal["lambda", "afr"] = setting(
        "lambda", why='Unit in which the setup gave the table: "lambda" or "afr".'
    )

    def __post_init__(self) -> None:
        table = np.asarray(self.table, dtype=float).copy()
        table.setflags(write=False)
        object.__setattr__(self, "table", table)
        require(self.kind in ("aim", "floor"), "target.kind", self.kind, '"aim" or "floor"')
        finite = table[np.isfinite(table)]
        require(finite.size > 0, "target.table", "all nan", "a lambda in at least one cell")
        odd = finite[(finite < 0.5) | (finite > 10)]
        require(
            odd.size == 0,
            "target.table",
            float(odd[0]) if odd.size else None,
            "a lambda between 0.5 and 10 after conversion (is target.unit right?)",
        )


LONGEST_S = 60.0
"""Longest time that a setup may ask for in [steady]: the delay search and the windows cover so many
samples, and no sensor or hold needs a minute. [s]"""
LONGEST_WARM_UP_S = 3600.0
"""Longest time for which a setup may ask an engine to warm up: no session waits longer. [s]"""
_STEADY_LOWEST = {"min_coolant_c": -273.15, "load_lowest": -np.inf, "load_highest": -np.inf}
"""Lower limit of a value of [steady], where that is not 0; a gauge may read below 0."""
_STEADY_SHARES = ("quiet_share", "keep_share", "censored_share", "noted_share")


@documented
@dataclass(frozen=True)
class SteadySettings:
    """What counts as a steady, warm, trustworthy stretch: section ``[steady]``."""

    min_coolant_c: float = setting(
        70.0,
        unit="degC",
        why="""The engine is warm above this coolant temperature. Common practice: most thermostats
        open from about 80 degC, and enrichment for cold running has usually ended by 70.""",
    )
    max_coolant_volts: float = setting(
        0.8,
        unit="V",
        why="""Where only the sender's voltage is logged: warm below this, since an NTC sender's
        voltage falls as the engine warms. Common practice.""",
    )
    min_oil_c: float = setting(
        60.0,
        unit="degC",
        why="""Where only the oil's temperature is logged: warm above this. Oil warms later than
        coolant, so cold enrichment has ended by then. Common practice.""",
    )
    unproven_warm_s: float = setting(
        300.0,
        unit="s",
        why="""Where no channel shows that the engine is warm, so much at the start of the log
        is left out. An engine that idles and pulls on a dyno is at its thermostat after some
        five minutes; 0 where it was warm before. Common practice.""",
    )
    window_s: float = setting(
        1.5,
        unit="s",
        why="""Length over which speed and load must stay inside their bands. Shorter than the
        shortest useful hold, longer than a pass through a band during a brisk move.""",
    )
    rpm_band_pct: float = setting(
        1.0,
        unit="%",
        why="""Range of speed inside the window that always passes (in percent of speed, and at
        least this many rpm), and the widest that may pass however noisy the log is. 40 CFR 1065.530
        (2004) allows +-2 % of the set point, a range of 4 %.""",
    )
    rpm_band_floor: float = setting(25.0, unit="rpm", why=SAME)
    rpm_band_limit_pct: float = setting(4.0, unit="%", why=SAME)
    load_band_pct: float = setting(
        2.5,
        unit="%",
        why="""The same for load, in percent of the log's working range of load, or of its middle
        where that is more.""",
    )
    load_band_limit_pct: float = setting(8.0, unit="%", why=SAME)
    travel_s: float = setting(
        10.0,
        unit="s",
        why="""What looks steady from one window to the next may still travel, as in a slow
        sweep. Travel is measured over this time, in the means of windows, so that noise and quick
        hunting do not count. As long as a usual hold.""",
    )
    travel_share: float = setting(
        0.12,
        unit="cells",
        why="""Part of the gap between the breakpoints around it through which an engine at rest may
        travel in that time, and through which a whole stretch may; one that travels farther is no
        hold. A sweep of 10 rpm/s passes through a fifth of a gap of 500 in 10 s.""",
    )
    travel_limit_share: float = setting(0.25, unit="cells", why=SAME)
    travel_floor_rpm: float = setting(
        70.0,
        unit="rpm",
        why="""So much does not count as travel on the finest axis: an idle that hunts by 30 rpm
        either way is steady. For load it is the band that always passes. Common practice.""",
    )
    quiet_share: float = setting(
        0.2,
        unit="1",
        why="""Share of the windows that are taken to be at rest; their range measures the noise. A
        session of holds rests more than half of its time.""",
    )
    keep_share: float = setting(
        0.999, unit="1", why="Share of windows at rest that the noise-wide band lets pass."
    )
    min_hold_s: float = setting(
        1.5,
        unit="s",
        why="Shortest stretch that counts as a hold after settling has been taken off.",
    )
    min_samples: int = setting(
        4, unit="1", why="Fewest refreshed values of lambda that make a hold."
    )
    max_gap_s: float = setting(
        1.0,
        unit="s",
        why="""A pause between samples longer than this ends a hold; widened to three sample
        intervals for slow loggers.""",
    )
    settle_s: float | None = setting(
        None,
        unit="s",
        why="Settling time taken off the start of a stretch; None finds it in the log.",
    )
    default_settle_s: float = setting(
        1.5,
        unit="s",
        why="""Used when the log holds too few moves to find it. Five time constants of a slow
        wide-band sensor (0.1 s) plus a second for the wall film.""",
    )
    min_settle_s: float = setting(
        0.5, unit="s", why="Shortest and longest settling time that may be found."
    )
    max_settle_s: float = setting(5.0, unit="s", why=SAME)
    lambda_delay_s: float | None = setting(
        None, unit="s", why="Delay of lambda behind speed and load; None finds it in the log."
    )
    default_delay_s: float = setting(
        0.2,
        unit="s",
        why="""Used when the log does not show it. One cycle at 2000 rpm (0.06 s), gas travel of a
        few hundredths and a sensor of 0.1 s.""",
    )
    max_delay_s: float = setting(1.5, unit="s", why="Longest delay that may be found.")
    sensor_richest_lambda: float | None = setting(
        None,
        unit="lambda",
        why="""The sensor's stops; None takes them from the log (an extreme value that repeats).
        Samples at a stop show a direction but no size.""",
    )
    sensor_leanest_lambda: float | None = setting(None, unit="lambda", why=SAME)
    load_lowest: float | None = setting(
        None,
        unit="load unit",
        why="""The ends of the load's reading, where it is a pressure or a flow; None takes them
        from the log (an extreme value that repeats). Samples at an end belong to other cells than
        they show, and are left out; a value that the log does not reach switches this off.""",
    )
    load_highest: float | None = setting(None, unit="load unit", why=SAME)
    overrun_throttle_pct: float = setting(
        3.0,
        unit="%",
        why="Throttle or pedal below this with lambda far lean is an overrun fuel cut.",
    )
    overrun_lambda_ratio: float = setting(
        1.25, unit="1", why="Far lean means above this multiple of the target."
    )
    fuel_cut_lambda_ratio: float = setting(
        1.4,
        unit="1",
        why="""Without a throttle or pedal channel, only lambda above this multiple of the target is
        taken for a fuel cut: no spark engine fires there.""",
    )
    stop_below_lambda: float = setting(
        0.8,
        unit="lambda",
        why="""An extreme reading is taken for a stop only below and above these: every wide-band
        sensor reads at least from 0.8 to 1.25.""",
    )
    stop_above_lambda: float = setting(1.25, unit="lambda", why=SAME)
    stop_width: float = setting(
        0.0005,
        unit="1",
        why="""A stop is a reading that stays within this share of the extreme for this many samples
        in a row; noise does not do that.""",
    )
    stop_run_samples: int = setting(5, unit="1", why=SAME)
    censored_share: float = setting(
        0.1,
        unit="1",
        why="A stretch with more of its samples at a stop than this shows a direction only.",
    )
    outlier_spans: float = setting(
        4.0,
        unit="1",
        why="""Samples farther from their stretch's median than this many robust standard deviations
        are spikes. Of clean normal noise 1 in 16,000 lies outside 4.""",
    )
    trim_stop_pct: float = setting(
        25.0,
        unit="%",
        why="""A fuel trim at or beyond this is taken to be at its stop. SAE J1979 scales trims to
        -100..+99 %, control units commonly stop at 25 (common practice, no source).""",
    )
    outside_margin_cells: float = setting(
        0.5,
        unit="cells",
        why="""Samples this far outside the axes still count for the edge, which the controller
        holds there; farther out they belong to another place.""",
    )
    noted_share: float = setting(
        0.25,
        unit="1",
        why="""Share of samples outside the axes, or of a cold engine, from which on a note names
        the range seen and the range set up. Idling, warming up and overrun take some tenth of an
        ordinary session; a quarter points to a wrong unit, or gauge for absolute (common practice,
        no source).""",
    )
    estimate_rows: int = setting(
        100_000,
        unit="rows",
        why="""A log of up to so many rows is read as a whole. Of a longer one units, sampling,
        noise, stops, delay and settling are found in these first rows and used for the rest, so
        that memory does not grow with the log: nearly three hours at 10 rows a second, enough to
        know the delay as well as its model allows.""",
    )

    def __post_init__(self) -> None:
        self._require_ranges()
        if self.load_lowest is not None and self.load_highest is not None:
            ok = self.load_lowest < self.load_highest
            require(ok, "steady.load_lowest", self.load_lowest, "below load_highest")
        require(self.window_s > 0, "steady.window_s", self.window_s, "greater than 0")
        require(self.travel_s > 0, "steady.travel_s", self.travel_s, "greater than 0")
        require(self.min_samples >= 2, "steady.min_samples", self.min_samples, "2 or more")
        require(
            1000 <= self.estimate_rows <= 1_000_000,
            "steady.estimate_rows",
            self.estimate_rows,
            "from 1,000 to 1,000,000",
        )

    def _require_ranges(self) -> None:
        """Refuse a number outside the range of its kind."""
        for f in fields(self):
            value = getattr(self, f.name)
            if value is not None:
                low = _STEADY_LOWEST.get(f.name, 0.0)
                right = "a number" if low == -np.inf else f"a number, {low:g} or more"
                require(bool(low <= value < np.inf), f"steady.{f.name}", value, right)
            if value is not None and f.name.endswith("_s"):
                most = LONGEST_WARM_UP_S if f.name == "unproven_warm_s" else LONGEST_S
                require(value <= most, f"steady.{f.name}", value, f"at most {most:g} seconds")
            if f.name in _STEADY_SHARES:
                require(value <= 1, f"steady.{f.name}", value, "from 0 to 1")


MOST_FLOOR_MARGIN_PCT = 5.0
"""A wider margin above a floor is a higher floor, and belongs in the target. [%]"""


@documented
@dataclass(frozen=True)
class CorrectionSettings:
    """From deviation to correction: section ``[correction]``."""

    acts_on: Literal["fuel", "boost"] = setting(
        "fuel",
        why=""""fuel": the grid corrects fuel. "boost": the grid corrects absolute manifold
        pressure.""",
    )
    gain: float = setting(
        1.0,
        unit="1",
        why="""Share of the deviation that is corrected in one round. If the engine answers one
        to one, 1 removes it at once; below 2 the loop converges.""",
    )
    tolerance_pct: float = setting(
        0.5,
        unit="%",
        why="A deviation inside this band whose interval holds zero is left alone: the dead band.",
    )
    floor_margin_pct: float = setting(
        1.0,
        unit="%",
        why="""A compression engine's cell near its floor is brought this far above it by less fuel.
        Below the floor is smoke, and above it costs this much fuel; the margin keeps the
        uncertainty
        of an ordinary cell, one standard error or two, on the clean side.""",
    )
    good_half_width_pct: float = setting(
        2.0,
        unit="%",
        why="""Widest half of the 95 % interval at which confidence is still called "good", "fair"
        and "low"; wider is "none". "Good" is lambda known to +-2 %: 0.80 +- 0.016, less than the
        margin that a boosted petrol map usually keeps to its lean side, so that leaning there may
        use it (common practice, no source). At "fair" the sign of a deviation worth correcting
        is known; at "low" a cautious step still shrinks the error on average.""",
    )
    fair_half_width_pct: float = setting(3.5, unit="%", why=SAME)
    low_half_width_pct: float = setting(6.0, unit="%", why=SAME)
    fair_min_holds: int = setting(
        2,
        unit="1",
        why='Fewest holds near a cell, in it or next to it, for "fair" or better.',
    )
    uniform_offset_pct: float = setting(
        5.0,
        unit="%",
        why="""A map that is off by more than this as a whole is taken for a wrong scale or sensor,
        and waits for ``known_offset_pct`` before it moves the unsafe way: fuel scales differ by
        some 7 % between petrol and its blends and by 30 % and more between fuels, pressure and
        injectors by any amount. Common practice, no source.""",
    )
    known_offset_pct: float = setting(
        0.0,
        unit="%",
        why="""Offset of the whole map whose cause is known: larger injectors, say. + is leaner than
        target.""",
    )
    standing_trims_act: bool = setting(
        False,
        why="""True states that the controller applies its fuel trims in open loop too, where they
        stand still. Without it a cell in boost in which a negative trim stood still beside a logged
        lambda is taken to be leaner by as much: the trim may have no effect.""",
    )

    def __post_init__(self) -> None:
        require(
            self.acts_on in ("fuel", "boost"),
            "correction.acts_on",
            self.acts_on,
            '"fuel" or "boost"',
        )
        require(0 < self.gain < 2, "correction.gain", self.gain, "above 0 and below 2")
        require(
            self.tolerance_pct >= 0, "correction.tolerance_pct", self.tolerance_pct, "0 or more"
        )
        require(
            0 <= self.floor_margin_pct <= MOST_FLOOR_MARGIN_PCT,
            "correction.floor_margin_pct",
            self.floor_margin_pct,
            f"from 0 to {MOST_FLOOR_MARGIN_PCT:g}",
        )
        require(
            0 < self.good_half_width_pct <= self.fair_half_width_pct <= self.low_half_width_pct,
            "correction half widths",
            (self.good_half_width_pct, self.fair_half_width_pct, self.low_half_width_pct),
            "above zero and rising from good to low",
        )
        require(
            self.uniform_offset_pct > 0,
            "correction.uniform_offset_pct",
            self.uniform_offset_pct,
            "greater than 0",
        )
        require(
            -90 < self.known_offset_pct < 200,
            "correction.known_offset_pct",
            self.known_offset_pct,
            "between -90 and 200",
        )


CEILING_CHANNELS: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "exhaust_temp": ("exhaust_temp_c", "degC"),
        "boost": ("boost_kpa", "kPa gauge"),
        "torque": ("torque_nm", "N.m"),
        "rail_pressure": ("rail_pressure_kpa", "kPa"),
        "injector_duty": ("injector_duty_pct", "%"),
        "knock": ("knock", "as logged"),
    }
)
"""Channels that may have a ceiling: name to its column in the samples and the unit inside."""

INTAKE_AIR_C = 25.0
"""Exhaust heat counts from here. Charge air is seldom colder on a dyno, and the colder it is
taken to be, the sooner a predicted rise meets its ceiling. [degC]"""
FULL_DUTY_PCT = 100.0
"""An injector at full duty delivers no more fuel. [%]"""
LIVE_EXHAUST_RANGE_C, LIVE_EXHAUST_TOP_C = 50.0, 200.0
"""An exhaust sensor responds when its readings differ by this much over the map and exceed this
somewhere: from idle to load an exhaust warms by hundreds of degrees. Common practice, no source.
[degC]"""
FUEL_MONITORS = ("torque", "exhaust_temp", "boost")
"""Channels of which a compression engine needs one, logged and with a ceiling, for more fuel."""


@documented
@dataclass(frozen=True)
class Ceiling:
    """A logged channel's ceiling: one entry of ``[limits.ceilings]``."""

    ceiling: float = field(
        metadata=about(
            unit="unit inside",
            why="Beyond this the cell and its neighbours may move the safe way only.",
        )
    )
    hard: float | None = setting(
        None, unit="unit inside", why="Beyond this the cell steps back. None: no hard ceiling."
    )
    given_unit: str | None = setting(
        None, why="Unit word in which the setup gave both, for showing them; None: the unit inside."
    )

    def __post_init__(self) -> None:
        require(
            bool(np.isfinite(self.ceiling)), "limits.ceilings: ceiling", self.ceiling, "a number"
        )
        require(
            self.hard is None or self.hard >= self.ceiling,
            "limits.ceilings: hard",
            self.hard,
            f"at or above the ceiling of {self.ceiling:g}",
        )


LeanInBoost = Literal["low", "fair", "good", "never"]
LEAN_IN_BOOST_WORDS: tuple[LeanInBoost, ...] = ("low", "fair", "good", "never")


@documented
@dataclass(frozen=True)
class Region:
    """A part of the map with rules of its own: one ``[[limits.region]]``."""

    rpm: tuple[float, float] = field(metadata=about(unit="rpm", why="From and to, both included."))
    load: tuple[float, float] = field(metadata=about(unit="load unit", why=SAME))
    name: str = setting("region", why="The tuner's word for it.")
    max_step_pct: float | None = setting(
        None,
        why="""As in `LimitSettings`; None leaves the general rule. Where both apply, the tighter
        holds.""",
    )
    max_total_pct: float | None = setting(None, why=SAME)
    richest_lambda: float | None = setting(None, why=SAME)
    leanest_lambda: float | None = setting(None, why=SAME)
    lean_in_boost: LeanInBoost | None = setting(None, why=SAME)

    def __post_init__(self) -> None:
        key = f"limits.region ({self.name})"
        for axis in ("rpm", "load"):
            low, high = getattr(self, axis)
            require(low <= high, f"{key}.{axis}", (low, high), "from low to high")
        for name in ("max_step_pct", "max_total_pct"):
            value = getattr(self, name)
            ok = value is None or 0 <= value < 100
            require(ok, f"{key}.{name}", value, "from 0 to below 100")
        for name in ("richest_lambda", "leanest_lambda"):
            value = getattr(self, name)
            require(value is None or value > 0, f"{key}.{name}", value, "greater than 0")
        require(
            self.lean_in_boost is None or self.lean_in_boost in LEAN_IN_BOOST_WORDS,
            f"{key}.lean_in_boost",
            self.lean_in_boost,
            "one of " + ", ".join(LEAN_IN_BOOST_WORDS),
        )


_LIMIT_PERCENTS = (
    "max_step_pct", "max_total_pct", "max_slope_rpm_pct", "max_slope_load_pct", "make_way_pct",
    "step_at_low_pct", "step_at_fair_pct", "step_at_good_pct", "step_back_pct",
    "max_lean_step_in_boost_pct", "max_lean_total_in_boost_pct", "boost_lean_end_pct",
)  # fmt: skip
_LIMITS_ABOVE_ZERO = ("resolution_pct", "boost_leanest_lambda", "boost_above_kpa", "barometer_kpa")
_LIMITS_ZERO_OR_MORE = (
    "boost_lean_min_holds", "few_holds", "foresee_margin_pct", "knock_above_kpa",
)  # fmt: skip


@documented
@dataclass(frozen=True, eq=False)
class LimitSettings(ByValue):
    """The safety rules: section ``[limits]``.

    Defaults that depend on the ignition type are filled in by `default_limits`. Figures without
    a source named are common practice, no source.
    """

    max_step_pct: float = setting(
        15.0,
        unit="%",
        why="""Largest change of a cell in one proposal. Errors of a table that runs at all are
        commonly within 10 to 12 %; one round may remove them, a single error in the evidence should
        not do more.""",
        brief="largest change of a cell in one proposal, so that an error stays small",
    )
    max_total_pct: float = setting(
        30.0,
        unit="%",
        why="""Largest correction that a cell may hold after the change. More than this is a wrong
        injector scale or a leak, which a correction grid would only hide.""",
        brief="more than this is a wrong injector scale or a leak, not a correction",
    )
    max_slope_rpm_pct: float = setting(
        10.0,
        unit="% per cell",
        why="""Largest difference between neighbouring cells of the finished grid: the engine
        crosses cells in tenths of a second and should not notice the table.""",
        brief="neighbours along rpm: the engine must not notice the table",
    )
    max_slope_load_pct: float = setting(
        10.0, unit="% per cell", why=SAME, brief="neighbours along load: the same"
    )
    make_way_pct: float = setting(
        5.0,
        unit="%",
        why="""Of a compression engine with a smoke floor, a cell above it that asks for nothing may
        be given less fuel by this much in all, where a slope rule keeps a neighbour below the floor
        from what it needs: a little less torque there, but no smoke here. 0 leaves such cells
        alone.""",
        brief="above a smoke floor, less fuel so that a neighbour below it gets its own",
    )
    richest_lambda: float = setting(
        0.70,
        unit="lambda",
        why="""The lambda predicted after the change must stay between these. For compression
        ignition ``richest_lambda`` is the smoke floor.""",
        brief="""predicted lambda not below this: misfire and washed bores (spark); smoke
        (compression)""",
    )
    leanest_lambda: float = setting(
        1.15, unit="lambda", why=SAME, brief="predicted lambda not above this: misfire"
    )
    max_lean_step_in_boost_pct: float = setting(
        5.0,
        unit="%",
        why="""Spark ignition, in boost: how much leaner one proposal may make a cell, and how much
        leaner than without any correction the finished grid may hold it. Lambda answers at once,
        and piston damage is permanent: three rounds of 5 % do what one of 15 does, each one
        measured.""",
        brief="""spark only: leaner in boost in one proposal; what follows is measured
        before the next""",
        is_careful=True,
    )
    max_lean_total_in_boost_pct: float = setting(
        10.0,
        unit="%",
        why=SAME,
        brief="""spark only: leaner in boost in all; more is a wrong scale or sensor, not a
        correction""",
        is_careful=True,
    )
    boost_leanest_lambda: float = setting(
        0.92,
        unit="lambda",
        why="""Spark ignition: leanest predicted lambda in boost. Boosted petrol engines are
        commonly run at 0.75 to 0.90 under load; a leaner target needs its own limit.""",
        brief="""spark only: predicted lambda in boost not above this: lean in boost is hot
        and knocks""",
        is_careful=True,
    )
    boost_lean_min_holds: float = setting(
        2.0,
        unit="holds",
        why="""Spark ignition: holds, or their worth of evidence, that a cell in boost needs before
        it is made leaner. A single hold may be wrong.""",
        brief="spark only: worth of evidence that leaning in boost needs",
        is_careful=True,
    )
    boost_lean_end_pct: float = setting(
        2.0,
        unit="%",
        why="""Spark ignition: a cell in boost is made leaner as far as leaves the lean end of its
        interval this much over target, and no further.""",
        brief="""spark only: leaning in boost stops where the interval's lean end is this
        far over target""",
        is_careful=True,
    )
    few_holds: int = setting(
        30,
        unit="holds",
        why="""With fewer holds in all than this the lean end stays at target: the surface
        between few holds is a guess.""",
        brief="spark only: with fewer in all, that lean end stays at target",
        is_careful=True,
    )
    boost_above_kpa: float = setting(
        105.0,
        unit="kPa abs",
        why="""Absolute manifold pressure above which the engine is in boost: a little above the
        highest barometer, so that a naturally filled engine at full load is not in boost.""",
        brief="above this the engine is in boost; unknown counts as boost",
    )
    boost_above_load: float | None = setting(
        None,
        unit="load unit",
        why="The same on the load axis, where that is not a pressure.",
        brief="the same on a load axis that is not a pressure",
    )
    knock_above_kpa: float = setting(
        50.0,
        unit="kPa abs",
        why="""Spark ignition: logged knock counts above this absolute manifold pressure, and where
        that is not known. At half an atmosphere engines do not knock, while at idle and on the
        overrun the sensor picks up valve noise and rattle; controllers commonly evaluate it from
        about such a load on.""",
        brief="spark only: knock counts above this, and where unknown",
    )
    knock_above_load: float | None = setting(
        None,
        unit="load unit",
        why="""The same on a load axis that is not a pressure; where both are known the lower one
        counts.""",
        brief="the same on a load axis that is not a pressure",
    )
    lean_in_boost: LeanInBoost = setting(
        "good",
        unit="confidence",
        why="""Spark ignition: confidence that a cell in boost needs before it may be made leaner;
        "never" forbids it.""",
        brief="spark only: confidence that leaning in boost needs",
        is_careful=True,
    )
    step_at_low_pct: float = setting(
        6.0,
        unit="%",
        why="Largest step at each confidence; no evidence, no move.",
        brief="largest step at low confidence; at none there is no step",
    )
    step_at_fair_pct: float = setting(
        12.0, unit="%", why=SAME, brief="largest step at fair confidence"
    )
    step_at_good_pct: float = setting(
        15.0, unit="%", why=SAME, brief="largest step at good confidence"
    )
    resolution_pct: float = setting(
        0.1,
        unit="%",
        why="Smallest change that the controller takes; values are rounded to it toward no change.",
        brief="what the controller takes; rounded toward no change",
    )
    step_back_pct: float = setting(
        2.0,
        unit="%",
        why="Step in the safe direction where a hard ceiling was exceeded.",
        brief="step the safe way where a hard ceiling was exceeded",
    )
    foresee_margin_pct: float = setting(
        20.0,
        unit="%",
        why="""A predicted change of torque, exhaust heat or injector duty counts this much more
        than itself when it is held under a ceiling: such readings follow fuel and air one to one
        only on average, and scatter by a tenth and more.""",
        brief="""predicted torque, exhaust heat and injector duty count this much more under
        a ceiling""",
        is_careful=True,
    )
    raise_fuel_unwatched: bool = setting(
        False,
        why="""Compression ignition: true lets fuel rise where neither torque nor exhaust
        temperature nor boost is logged with a ceiling. Whoever sets it takes the
        risk.""",
        brief="""compression only: true raises fuel where no torque, exhaust temperature or
        boost with a ceiling was logged""",
        is_careful=True,
    )
    ceilings: Mapping[str, Ceiling] = field(
        default_factory=lambda: MappingProxyType({}),
        metadata=about(why="Channel name (one of `CEILING_CHANNELS`) to `Ceiling`."),
    )
    regions: tuple[Region, ...] = setting((), why="Parts of the map with rules of their own.")
    barometer_kpa: float = setting(
        101.325,
        unit="kPa abs",
        why="Taken where the log has no barometer: standard atmosphere, ISO 2533 (from memory).",
        brief="taken for gauge pressure where none was logged",
    )
    weight_se_floor_pct: float = setting(
        0.25,
        unit="%",
        why="""Where a rule binds several cells, a cell weighs 1/se^2 with its standard error held
        between these, so that neither a very good nor a very poor cell dominates.""",
        brief="a cell weighs as if known no better than this",
    )
    weight_se_cap_pct: float = setting(
        5.0, unit="%", why=SAME, brief="a cell weighs as if known no worse than this"
    )

    def __post_init__(self) -> None:
        object.__setattr__(self, "ceilings", MappingProxyType(dict(self.ceilings)))
        self._require_ranges()
        self._require_order()
        self._require_names()

    def _require_ranges(self) -> None:
        """Refuse a number outside the range of its kind."""
        for name in _LIMIT_PERCENTS:
            value = getattr(self, name)
            require(0 <= value < 100, f"limits.{name}", value, "from 0 to below 100")
        for name in _LIMITS_ABOVE_ZERO:
            value = getattr(self, name)
            require(0 < value < np.inf, f"limits.{name}", value, "greater than 0")
        for name in _LIMITS_ZERO_OR_MORE:
            value = getattr(self, name)
            require(0 <= value < np.inf, f"limits.{name}", value, "0 or more")

    def _require_order(self) -> None:
        """Refuse pairs of numbers in the wrong order."""
        require(
            0 < self.richest_lambda < self.leanest_lambda,
            "limits.richest_lambda",
            self.richest_lambda,
            f"above zero and below leanest_lambda ({self.leanest_lambda:g})",
        )
        require(
            0 < self.weight_se_floor_pct <= self.weight_se_cap_pct,
            "limits.weight_se_floor_pct",
            self.weight_se_floor_pct,
            f"above zero and at most weight_se_cap_pct ({self.weight_se_cap_pct:g})",
        )

    def _require_names(self) -> None:
        """Refuse words and channels that are not known."""
        require(
            self.lean_in_boost in LEAN_IN_BOOST_WORDS,
            "limits.lean_in_boost",
            self.lean_in_boost,
            "one of " + ", ".join(LEAN_IN_BOOST_WORDS),
        )
        unknown = sorted(set(self.ceilings) - set(CEILING_CHANNELS))
        require(not unknown, "limits.ceilings", unknown, "of " + ", ".join(CEILING_CHANNELS))


def default_limits(ignition: Ignition) -> LimitSettings:
    """Return the default safety rules.

    Parameters
    ----------
    ignition
        "spark" or "compression".

    Returns
    -------
    LimitSettings
        All common practice, no source. Exhaust: 900/950 degC before a petrol turbine, 720/760
        degC before a diesel's. Injector duty 85 % without a hard ceiling: more fuel asks for more
        duty, so a step back by fuel cannot reduce it. Boost of a diesel on a mild tune:
        18 psi gauge (124.1 kPa). Smoke floor: lambda 1.15.
    """
    if ignition == "spark":
        return LimitSettings(
            ceilings=MappingProxyType(
                {"exhaust_temp": Ceiling(900.0, 950.0), "injector_duty": Ceiling(85.0)}
            )
        )
    return LimitSettings(
        richest_lambda=1.15,
        leanest_lambda=10.0,
        boost_leanest_lambda=10.0,
        lean_in_boost="low",
        ceilings=MappingProxyType({"exhaust_temp": Ceiling(720.0, 760.0), "boost": Ceiling(124.1)}),
    )


@dataclass(frozen=True, eq=False)
class Setup(ByValue):
    """One car's setup: everything that a proposal needs besides the logs.

    Parameters
    ----------
    axes, target
        Breakpoints and wanted lambda.
    engine, steady, correction, limits, units
        One object per section.
    channels
        Channel name to its `ChannelSource`; other channels are found by header.
    unread
        Channels that are ignored, whatever the headers say.
    source
        The file that it came from, for messages.
    given
        Dotted names of the keys that the file gave, so that a listing can tell default from file.
    """

    axes: Axes
    target: Target
    engine: EngineSettings = field(default_factory=EngineSettings)
    channels: Mapping[str, ChannelSource] = field(default_factory=dict)
    unread: frozenset[str] = frozenset()
    steady: SteadySettings = field(default_factory=SteadySettings)
    correction: CorrectionSettings = field(default_factory=CorrectionSettings)
    limits: LimitSettings = field(default_factory=lambda: default_limits("spark"))
    units: UnitSettings = field(default_factory=UnitSettings)
    source: str = field(default="setup", compare=False)
    given: frozenset[str] = frozenset()

    def __post_init__(self) -> None:
        if wrong := below_vacuum(self.axes):
            raise SetupError(wrong[0], where=self.source, mend=wrong[1])
        if self.target.table.shape != self.axes.shape:
            raise SetupError(
                f"target.table has shape {self.target.table.shape}, the axes need "
                f"{self.axes.shape}.",
                where=self.source,
                mend="One row per rpm breakpoint, one value per load breakpoint.",
            )

    @property
    def floor_margin_pct(self) -> float:
        """Margin above a smoke floor, kept by less fuel; 0 for other targets. [%]"""
        is_smoke = self.target.kind == "floor" and self.engine.ignition == "compression"
        return self.correction.floor_margin_pct if is_smoke and self._is_on_fuel else 0.0

    @property
    def _is_on_fuel(self) -> bool:
        return self.correction.acts_on == "fuel"


READ_SETUP = 'Read it with read_setup("car.toml").'
"""How to get a setup in Python."""


def as_plain(value: Any) -> Any:
    """Turn settings into plain lists, dicts and numbers, for JSON; nan becomes None."""
    if isinstance(value, np.ndarray):
        return as_plain(value.tolist())
    if isinstance(value, Mapping):
        return {str(key): as_plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        items = sorted(value) if isinstance(value, (set, frozenset)) else value
        return [as_plain(item) for item in items]
    if hasattr(value, "__dataclass_fields__"):
        return {name: as_plain(getattr(value, name)) for name in _listed(value)}
    if isinstance(value, float) and not np.isfinite(value):
        return None
    return value


def _listed(value: Any) -> list[str]:
    """Name the fields to list; a channel's entry and units list only what the setup gives."""
    names = [f.name for f in fields(value)]
    if isinstance(value, Setup) and value.units == UnitSettings():
        names.remove("units")
    if not isinstance(value, ChannelSource):
        return names
    plain = ChannelSource(value.column)
    always = ("column", "unit")
    return [n for n in names if n in always or getattr(value, n) != getattr(plain, n)]
