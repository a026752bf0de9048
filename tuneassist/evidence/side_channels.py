"""Channels beside the mixture: knock, other fuels, a second bank, closed loop, saturated load.

They are evaluated on the samples as logged, before these are reduced to holds. The result is added
to the samples as columns: lambda of the worse bank, and which samples are excluded. The usual value
of each channel is found in the first part of the log and used for all parts.

Figures without a source are common practice.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.channels import KNOCK, is_gauge_axis
from tuneassist.evidence.knock import PER_MAD, knock_sign, shows_knock
from tuneassist.evidence.load_saturation import LoadSaturation, find_load_saturation
from tuneassist.evidence.need import TRIM_COLUMNS
from tuneassist.evidence.pressure_reference import MOST_AT_REST_PCT, PressureReferenceCheck
from tuneassist.evidence.refresh import carried_forward, with_places
from tuneassist.evidence.standing_trims import STANDING_PCT, StandingTrims
from tuneassist.evidence.steady import DRIVERS
from tuneassist.evidence.visits import nearest_cell
from tuneassist.grid import Floats
from tuneassist.own_units import units_for
from tuneassist.settings import Setup
from tuneassist.units import UNITS, convert, find_unit

#: Columns added to the samples, 1 where a sample is excluded, by the fate of these samples.
EXCLUDED_BY = {
    "other fuel": "is_other_fuel",
    "closed loop": "is_loop_hidden",
    "load at its end": "is_load_at_end",
}
#: A logger may report knock this late, when the load is off again. [s]
KNOCK_LATE_S = 1.0
#: Columns added to the highest values per cell.
KNOCK_SAMPLES, MIXED_SAMPLES = "knock_samples", "mixed_pressure_samples"

#: Time over which the ratio of the banks is smoothed, so that noise causes no bias. [s]
BANKS_WINDOW_S = 2.0
#: Banks that differ by less than the first agree as well as two sensors can. A note is written if
#: they differ by more than the second in more than this share of the samples. [ln], [ln], [1]
BANKS_AGREE_LN, BANKS_DIFFER_LN, BANKS_DIFFER_SHARE = 0.005, 0.02, 0.05
#: A second bank whose range over the first part is smaller is dead: an idle engine moves more. [ln]
BANK_STANDS_LN = 1e-4
#: Each point of ethanol moves the stoichiometric AFR by 0.4 %: five points move it by 2 %. [%]
ETHANOL_POINTS = 5.0
#: A note is written if the ethanol content differs by more from the setup's fuel: 5 % of fuel. [%]
ETHANOL_FAR_POINTS = 15.0
#: Injected fuel goes by the root of pressure: 8 % less pressure is 4 % less fuel. [1], smoothed [s]
PRESSURE_FALL, PRESSURE_WINDOW_S = 0.08, 1.0
#: Rails below this feed ports and hold one pressure; above, the controller moves it. [kPa]
PORT_RAIL_KPA = 1200.0
#: Injection of another fuel is off below this share of its highest value. A sensor that rests
#: higher, up to the second share, is off up to this many times its noise above rest. [1]
OFF_SHARE, HIGHEST_OFF_SHARE, OFF_NOISES = 0.02, 0.2, 6.0
#: Quantiles at which injection is off in every session, as none is at full load throughout. [1]
REST_QUANTILES = (0.01, 0.1)
#: States of the fuel system as SAE J1979 numbers them (from memory): 2 and 16 are closed loop.
SYSTEM_STATES, CLOSED_STATES = (2.0, 4.0, 8.0, 16.0), (2.0, 16.0)

Mask = npt.NDArray[np.bool_]

_ADDED = {
    "water_methanol": "water or methanol is injected",
    "nitrous": "nitrous is active",
}
#: Stoichiometric AFR of petrol and ethanol (see `tuneassist.units.FUELS`). [kg/kg]
PETROL_AFR, ETHANOL_AFR = 14.7, 9.0
_FUEL_PRESSURES = {"fuel_pressure_kpa": "fuel_pressure", "rail_pressure_kpa": "rail_pressure"}
_CHANNELS = (
    *KNOCK, "lambda", "lambda_second", *_ADDED, "ethanol_content_pct", *_FUEL_PRESSURES,
    "manifold_pressure_kpa", "closed_loop", *DRIVERS, *TRIM_COLUMNS,
)  # fmt: skip


@dataclass
class _Exclusion:
    """A reason to exclude samples: which samples it applies to, and how many it took."""

    fate: str
    words: str
    holds: Callable[[Mapping[str, Floats]], Mask]
    channel: str
    samples: int = 0

    def note(self, of_samples: int) -> str:
        """Return the note for the user: the share of samples, and how to undo the exclusion."""
        share = 100.0 * self.samples / max(of_samples, 1)
        return (
            f"{self.words} in {share:.1f} % of the samples; they were excluded (if the column "
            f"means something else, write {self.channel} = false under [channels])"
        )


class _SaturationExclusion(_Exclusion):
    """The load reading is saturated."""

    def __init__(self, end: LoadSaturation, unit: str) -> None:
        super().__init__("load at its end", "", lambda line: end.at(line["load"]), "load")
        self._end, self._unit = end, unit

    def note(self, of_samples: int) -> str:
        """Return the note for the user: where the load saturates, how often, and what to do."""
        end, share = self._end, 100.0 * self.samples / max(of_samples, 1)
        beyond = "above" if end.side == "highest" else "below"
        note = (
            f"the load is at {end.value:.4g} {self._unit}, the {end.side} reading of its "
            f"sensor or gauge, in {share:.1f} % of the samples. Any load {beyond} it reads the "
            "same, so they were excluded: log a load with a wider range"
        )
        if end.is_given:
            return note
        return (
            f"{note}; if this is the engine's own limit, set load_{end.side} under [steady] to a "
            "load that it never reaches"
        )


@dataclass
class _Rolling:
    """A rolling median over the time before each sample, across the parts of a log."""

    window_s: float
    time_s: Floats = field(default_factory=lambda: np.empty(0))
    values: Floats = field(default_factory=lambda: np.empty(0))

    def add(self, time_s: Floats, values: Floats) -> Floats:
        times = np.concatenate([self.time_s, time_s])
        every = np.concatenate([self.values, values])
        at = pd.to_timedelta(times, unit="s")
        smooth = pd.Series(every, index=at).rolling(pd.Timedelta(seconds=self.window_s)).median()
        if len(times):
            recent = times > times[-1] - self.window_s
            self.time_s, self.values = times[recent], every[recent]
        return np.asarray(smooth.to_numpy(dtype=float)[len(times) - len(values) :])


class SideChannels:
    """Finds the usual value of each side channel in the first part, then checks every part.

    Parameters
    ----------
    first
        The first part of the log, or all of it, in inside units.
    setup
        Axes, engine and fuel.
    """

    def __init__(self, first: pd.DataFrame, setup: Setup) -> None:
        self._setup = setup
        self._columns = tuple(name for name in ("rpm", "load", *_CHANNELS) if name in first)
        self._last: dict[str, float] = {}
        self._samples = 0
        self._notes: list[str] = []
        rpm = first["rpm"].to_numpy(dtype=float)
        self._knock = {
            name: knock_sign(_values(first, name), rpm, setup.axes.rpm)
            for name in KNOCK
            if name in first
        }
        self._loaded_s, self._ignored_knock = -np.inf, 0
        self._knock_samples = np.zeros(setup.axes.size, dtype=np.int64)
        self._banks = self._second_bank(first)
        self._banks_differ, self._shift_ln = 0, 0.0
        self._exclusions = [*self._added_fuels(first), *self._ethanol(first)]
        self._exclusions += [*self._pressure(first), *self._closed_loop(first)]
        self._exclusions += self._load_saturation(first)
        renewed_s = _renewed_s(first)
        self._trims = StandingTrims(setup.axes, renewed_s) if _has_lambda_and_trim(first) else None
        self._reference = _reference_check(first, renewed_s) if _is_absolute_load(setup) else None

    def add(self, samples: pd.DataFrame) -> pd.DataFrame:
        """Add a part, in order of time; return it with the columns that the reduction needs."""
        self._samples += len(samples)
        lacking = [name for name in self._columns if name not in samples]
        samples = samples.assign(**dict.fromkeys(lacking, np.nan)) if lacking else samples
        line = self._filled(samples)
        self._add_knock(samples, line)
        self._add_pressure(samples, line)
        self._add_trims(line)
        found: dict[str, Floats] = {}
        for exclusion in self._exclusions:
            mask = exclusion.holds(line)
            exclusion.samples += int(mask.sum())
            column = EXCLUDED_BY[exclusion.fate]
            found[column] = np.maximum(found.get(column, 0.0), mask.astype(float))
        if self._banks is not None:
            found["lambda"] = self._worse_bank(samples, line)
        self._last = {name: float(values[-1]) for name, values in line.items() if len(values)}
        return samples.assign(**found) if found else samples

    def onto(self, peaks: pd.DataFrame) -> pd.DataFrame:
        """Add counts of samples with knock and mixed pressure to the highest values per cell."""
        found = {}
        if self._knock_samples.any():
            found[KNOCK_SAMPLES] = self._knock_samples.astype(float)
        if self._trims is not None and self._trims.worst_pct.any():
            found[STANDING_PCT] = self._trims.worst_pct
        if self._reference is not None and self._reference.is_mixed:
            seen = float(self._reference.falls + self._reference.at_full_throttle)
            found[MIXED_SAMPLES] = np.full(self._setup.axes.size, seen)
        return peaks.assign(**found) if found else peaks

    def notes(self) -> tuple[str, ...]:
        """Return the notes for the user."""
        notes = list(self._notes)
        for exclusion in self._exclusions:
            if exclusion.samples:
                notes.append(exclusion.note(self._samples))
        if self._ignored_knock:
            limits = self._setup.limits
            end = units_for(self._setup).said(limits.knock_above_kpa, "kPa absolute")
            below = f"{end} (knock_above_kpa under [limits])"
            if limits.knock_above_load is not None:
                below = f"{limits.knock_above_load:g} (knock_above_load under [limits])"
            notes.append(
                f"{self._ignored_knock} knock readings at a load below {below} were ignored: at "
                "idle and on the overrun a knock sensor picks up valve noise and rattle"
            )
        if self._banks_differ > BANKS_DIFFER_SHARE * self._samples:
            side = "leaner" if self._is_spark else "richer"
            notes.append(
                f"the lambda of the two banks differs by more than "
                f"{100.0 * np.expm1(BANKS_DIFFER_LN):.0f} % in "
                f"{100.0 * self._banks_differ / self._samples:.0f} % of the samples; the {side} "
                "bank was used. Check for an air leak, a faulty injector or a faulty sensor; to "
                "ignore the second bank, set lambda_second = false under [channels]"
            )
        if self._reference is not None and self._reference.is_mixed:
            notes.append(self._reference.words(units_for(self._setup)))
        return tuple(notes)

    @property
    def _is_spark(self) -> bool:
        return self._setup.engine.ignition == "spark"

    def _filled(self, samples: pd.DataFrame) -> dict[str, Floats]:
        """Return each channel with blanks filled by the last known value, across parts."""
        line = {"time_s": _values(samples, "time_s")}
        for name in self._columns:
            line[name] = carried_forward(_values(samples, name), self._last.get(name, np.nan))
        return line

    # ---- knock

    def _add_knock(self, samples: pd.DataFrame, line: Mapping[str, Floats]) -> None:
        shows = np.zeros(len(samples), dtype=bool)
        for name, sign in self._knock.items():
            before = self._last.get(name, np.nan)
            shows |= shows_knock(sign, _values(samples, name), line["rpm"], before=before)
        if not self._knock or not self._is_spark:
            return
        is_loaded = self._is_loaded(line)
        self._ignored_knock += int(np.sum(shows & ~is_loaded))
        shows &= is_loaded
        if not shows.any():
            return
        placed = with_places(samples, max_gap_s=self._setup.steady.max_gap_s)
        rpm, load = (_values(placed, name) for name in ("rpm", "load"))
        shows = shows & np.isfinite(rpm) & np.isfinite(load)
        axes = self._setup.axes
        cell = nearest_cell(axes, rpm[shows], load[shows])
        self._knock_samples += np.bincount(cell, minlength=axes.size)

    def _is_loaded(self, line: Mapping[str, Floats]) -> Mask:
        """Tell in which samples knock counts: under load, just after, or with unknown load."""
        limits = self._setup.limits
        pressure = self._absolute_kpa(line)
        quiet = pressure <= limits.knock_above_kpa
        if limits.knock_above_load is not None:
            quiet = (quiet | np.isnan(pressure)) & (line["load"] <= limits.knock_above_load)
        time_s = line["time_s"]
        loaded_s = np.maximum.accumulate(
            np.concatenate([[self._loaded_s], np.where(quiet, -np.inf, time_s)])
        )
        self._loaded_s = float(loaded_s[-1])
        return np.asarray(time_s - loaded_s[1:] <= KNOCK_LATE_S)

    def _absolute_kpa(self, line: Mapping[str, Floats]) -> Floats:
        """Return absolute manifold pressure by load axis, or as logged; nan if unknown. [kPa]"""
        axes = self._setup.axes
        reading = find_unit(axes.load_unit)
        if reading is None or UNITS[reading.word].quantity != "pressure":
            return self._manifold_kpa(line)
        base = self._setup.limits.barometer_kpa if is_gauge_axis(axes) else 0.0
        return np.asarray(convert(line["load"], reading.word, "kPa") + base)

    # ---- the reference of the manifold pressure

    def _add_pressure(self, samples: pd.DataFrame, line: Mapping[str, Floats]) -> None:
        if self._reference is None:
            return
        reading = find_unit(self._setup.axes.load_unit)
        word = "kPa" if reading is None else reading.word
        pressure = convert(_values(samples, "load"), word, "kPa")
        drivers = [line[name] for name in DRIVERS if name in line]
        self._reference.add(line["time_s"], np.asarray(pressure), drivers)

    def _add_trims(self, line: Mapping[str, Floats]) -> None:
        if self._trims is None:
            return
        trims = [line[name] for name in TRIM_COLUMNS if name in line]
        total = 100.0 * np.expm1(np.sum([np.log1p(trim / 100.0) for trim in trims], axis=0))
        short = line.get(TRIM_COLUMNS[0], np.zeros(len(total)))
        self._trims.add(line["time_s"], line["rpm"], line["load"], short, total)

    def _load_saturation(self, first: pd.DataFrame) -> list[_Exclusion]:
        axes, limits = self._setup.axes, self._setup.limits
        ends = find_load_saturation(
            _values(first, "load"),
            axes.load_unit,
            base_kpa=limits.barometer_kpa if is_gauge_axis(axes) else 0.0,
            settings=self._setup.steady,
        )
        return [_SaturationExclusion(end, axes.load_unit) for end in ends]

    # ---- the second bank

    def _second_bank(self, first: pd.DataFrame) -> _Rolling | None:
        if "lambda_second" not in first or "lambda" not in first:
            return None
        known = _known(first, "lambda_second")
        known = known[known > 0]
        if not len(known):
            return None
        if float(np.ptp(np.log(known))) < BANK_STANDS_LN:
            self._notes.append(
                "the lambda of the second bank never changes, so it was ignored: is its sensor "
                "working and wired to this channel?"
            )
            return None
        return _Rolling(BANKS_WINDOW_S)

    def _worse_bank(self, samples: pd.DataFrame, line: Mapping[str, Floats]) -> Floats:
        """Return lambda of the worse bank: the first bank, shifted by the smoothed ratio."""
        lam, one, other = _values(samples, "lambda"), line["lambda"], line["lambda_second"]
        with np.errstate(invalid="ignore", divide="ignore"):
            ratio = np.where((one > 0) & (other > 0), np.log(other / one), np.nan)
        assert self._banks is not None
        smooth = np.nan_to_num(self._banks.add(line["time_s"], ratio))
        self._banks_differ += int((np.abs(smooth) > BANKS_DIFFER_LN).sum())
        side = 1.0 if self._is_spark else -1.0
        shift = np.where(side * smooth > BANKS_AGREE_LN, smooth, 0.0)
        # a repeated value must stay repeated, or a polled logger would seem to renew it
        previous = np.concatenate([[self._last.get("lambda", np.nan)], one[:-1]])
        is_new = one != previous
        held = np.concatenate([[self._shift_ln], np.where(is_new, shift, np.nan)])
        moved = pd.Series(held).ffill().to_numpy(dtype=float)
        self._shift_ln = float(moved[-1])
        return np.asarray(lam * np.exp(moved[1:]))

    # ---- samples to exclude

    def _added_fuels(self, first: pd.DataFrame) -> list[_Exclusion]:
        exclusions = []
        for name, words in _ADDED.items():
            values = first[name].to_numpy(dtype=float) if name in first else np.empty(0)
            values = values[np.isfinite(values)]
            if name in first:
                exclusions.append(
                    _Exclusion("other fuel", words, _above(name, _off_level(values)), name)
                )
        return exclusions

    def _ethanol(self, first: pd.DataFrame) -> list[_Exclusion]:
        known = _known(first, "ethanol_content_pct")
        if not len(known):
            return []
        usual = float(np.median(known))
        self._note_ethanol(usual)
        words = (
            f"the ethanol content differs by more than {ETHANOL_POINTS:g} points from its usual "
            f"{usual:.0f}"
        )
        return [
            _Exclusion(
                "other fuel",
                words,
                _differs("ethanol_content_pct", usual, ETHANOL_POINTS),
                "ethanol_content",
            )
        ]

    def _note_ethanol(self, usual: float) -> None:
        """Add a note if the ethanol content does not fit the setup's stoichiometric AFR."""
        engine = self._setup.engine
        if not self._is_spark or not ETHANOL_AFR - 1.0 < engine.afr_stoich <= PETROL_AFR + 1.0:
            return
        meant = 100.0 * (PETROL_AFR - engine.afr_stoich) / (PETROL_AFR - ETHANOL_AFR)
        meant = float(np.clip(meant, 0.0, 100.0))
        if abs(usual - meant) > ETHANOL_FAR_POINTS:
            self._notes.append(
                f"the log shows {usual:.0f} % ethanol, but a stoichiometric AFR of "
                f"{engine.afr_stoich:g} (fuel or afr_stoich under [engine]) means about "
                f"{meant:.0f} %: an AFR would be read on the wrong scale"
            )

    def _pressure(self, first: pd.DataFrame) -> list[_Exclusion]:
        found = self._pressure_column(first)
        if found is None:
            return []
        name, channel = found
        pressure, base = _values(first, name), self._manifold_kpa(first)
        is_running = _values(first, "rpm") > 0
        over = pressure - base
        is_referenced = _spread(over[is_running]) < _spread(pressure[is_running])
        values = (over if is_referenced else pressure)[is_running]
        usual = float(np.nanmedian(values))
        least = usual - PRESSURE_FALL * float(np.nanmedian(pressure[is_running]))
        rolling = _Rolling(PRESSURE_WINDOW_S)

        def falls(line: Mapping[str, Floats]) -> Mask:
            now = line[name] - (self._manifold_kpa(line) if is_referenced else 0.0)
            return np.asarray(rolling.add(line["time_s"], now) < least)

        words = f"the fuel pressure is more than {100.0 * PRESSURE_FALL:g} % below its usual value"
        return [_Exclusion("other fuel", words, falls, channel)]

    def _pressure_column(self, first: pd.DataFrame) -> tuple[str, str] | None:
        """Return column and channel of a fuel pressure that should be constant; None without."""
        for name, channel in _FUEL_PRESSURES.items():
            known = _known(first, name)
            known = known[known > 0]
            if not len(known):
                continue
            is_port = self._is_spark and float(np.median(known)) < PORT_RAIL_KPA
            if channel == "fuel_pressure" or is_port:
                return name, channel
        return None

    def _manifold_kpa(self, line: Mapping[str, Floats] | pd.DataFrame) -> Floats:
        """Return the manifold pressure that the fuel regulator follows; nan if unknown. [kPa]"""
        if "manifold_pressure_kpa" in line:
            return _values(line, "manifold_pressure_kpa")
        reading = find_unit(self._setup.axes.load_unit)
        if reading is None or not _is_absolute_load(self._setup):
            return np.full(len(line["time_s"]), np.nan)
        return np.asarray(convert(_values(line, "load"), reading.word, "kPa"))

    def _closed_loop(self, first: pd.DataFrame) -> list[_Exclusion]:
        values = _known(first, "closed_loop")
        has_trims = any(name in first and first[name].notna().any() for name in TRIM_COLUMNS)
        if has_trims or not len(values):
            return []
        is_state = bool(np.isin(values, SYSTEM_STATES).any())

        def is_closed(line: Mapping[str, Floats]) -> Mask:
            now = line["closed_loop"]
            if is_state:
                return np.isin(now, CLOSED_STATES)
            return np.asarray(np.isfinite(now) & (now != 0))

        words = "lambda is in closed loop without logged trims, which hides the cells' need,"
        return [_Exclusion("closed loop", words, is_closed, "closed_loop")]


def _values(line: Mapping[str, Floats] | pd.DataFrame, name: str) -> Floats:
    return np.asarray(line[name], dtype=float)


def _known(samples: pd.DataFrame, name: str) -> Floats:
    """Return a channel's values without blanks; empty if it was not logged."""
    values = _values(samples, name) if name in samples else np.empty(0)
    return np.asarray(values[np.isfinite(values)])


def _spread(values: Floats) -> float:
    """Return the robust standard deviation; infinite without values."""
    known = values[np.isfinite(values)]
    if not len(known):
        return float("inf")
    return PER_MAD * float(np.median(np.abs(known - np.median(known))))


def _off_level(size: Floats) -> float:
    """Return the level up to which an injection is off."""
    if not len(size):
        return 0.0
    highest = float(size.max())
    low, rest = (float(q) for q in np.quantile(size, REST_QUANTILES))
    noisy = rest + OFF_NOISES * (rest - low)
    return max(OFF_SHARE * highest, noisy if noisy <= HIGHEST_OFF_SHARE * highest else 0.0)


def _above(name: str, level: float) -> Callable[[Mapping[str, Floats]], Mask]:
    return lambda line: np.asarray(np.abs(line[name]) > level)


def _differs(name: str, usual: float, most: float) -> Callable[[Mapping[str, Floats]], Mask]:
    return lambda line: np.asarray(np.abs(line[name] - usual) > most)


def _has_lambda_and_trim(first: pd.DataFrame) -> bool:
    """Tell whether lambda and a trim are logged."""
    return "lambda" in first and any(name in first for name in TRIM_COLUMNS)


def _reference_check(first: pd.DataFrame, renewed_s: float) -> PressureReferenceCheck:
    """Start the check for a mixed pressure, with logger and pedal readings of the first part."""
    drivers = [_values(first, name) for name in DRIVERS if name in first]
    lowest = [float(np.nanmin(d)) if np.isfinite(d).any() else 0.0 for d in drivers]
    at_rest = tuple(min(value, MOST_AT_REST_PCT) for value in lowest)
    return PressureReferenceCheck(renewed_s, at_rest)


def _renewed_s(first: pd.DataFrame) -> float:
    """Return the time between new values of engine speed, which always varies. [s]"""
    time_s, rpm = _values(first, "time_s"), _values(first, "rpm")
    new = np.flatnonzero(np.diff(rpm[np.isfinite(rpm)]) != 0)
    if len(new) < 2:
        return 0.0
    return float(np.median(np.diff(time_s[np.isfinite(rpm)][new])))


def _is_absolute_load(setup: Setup) -> bool:
    """Tell whether the load axis is an absolute pressure."""
    reading = find_unit(setup.axes.load_unit)
    if reading is None or UNITS[reading.word].quantity != "pressure":
        return False
    return not is_gauge_axis(setup.axes)
