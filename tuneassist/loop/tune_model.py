"""A tune of a set, a finding about it, and the curves of its full-load run."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import pandas as pd

from tuneassist.grid import Floats, Grid
from tuneassist.loop.settings import TuneSettings
from tuneassist.own_units import units_for
from tuneassist.runs import Pull
from tuneassist.runs.air_difference import KnownAir
from tuneassist.runs.torque import torque_nm
from tuneassist.settings import Setup
from tuneassist.units import UNITS, convert

STANDARD = "standard"
"""The kind of the tune that changes nothing."""
KINDS = (STANDARD, "economy", "towing", "power", "other")
Topic = Literal["limits", "standard", "order", "strength", "mixture", "heat", "set"]
Verdict = Literal["ok", "remark", "breach"]


@dataclass(frozen=True, eq=False)
class Tune:
    """One tune of a car.

    Parameters
    ----------
    name
        The tuner's word.
    setup, grid
        Its rules and its correction grid.
    kind
        One of `KINDS`.
    run
        Its full-load run with ``rpm`` and ``torque_nm``, ``power_kw`` or both, and where they are
        known ``lambda`` and ``exhaust_temp_c``; None without one.
    run_words
        Where the run comes from, in words.
    pulls
        Samples of the run as measured, which are checked against the tune's limits; none where the
        run is a table.
    air
        What is known of the air of the run.
    standard
        Title of the standard that torque and power of the run were brought to; empty where they
        are as measured.
    logged
        Unit of each channel as the run's log has it.
    """

    name: str
    setup: Setup
    grid: Grid
    kind: str = "other"
    run: pd.DataFrame | None = None
    run_words: str = ""
    pulls: tuple[Pull, ...] = ()
    air: KnownAir = field(default_factory=KnownAir)
    standard: str = ""
    logged: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class SetUnits:
    """Units in which a set of tunes is reported.

    Parameters
    ----------
    torque, temperature
        Unit words.
    """

    torque: str = "N.m"
    temperature: str = "degC"

    def torques(self, own_nm: float, other_nm: float) -> str:
        """Write two torques beside each other."""
        own, other = (value / UNITS[self.torque].factor for value in (own_nm, other_nm))
        return f"{own:.1f} against {other:.1f} {self.torque}"

    def temperatures(self, own_c: float, other_c: float) -> str:
        """Write two temperatures beside each other.

        Examples
        --------
        >>> SetUnits(temperature="degF").temperatures(900.0, 850.0)
        '1652 against 1562 degF'
        """
        own, other = (convert(value, "degC", self.temperature) for value in (own_c, other_c))
        return f"{float(own):.0f} against {float(other):.0f} {self.temperature}"

    def degrees(self, difference_c: float) -> str:
        """Write a difference of temperatures with its sign: a degree is not a reading.

        Examples
        --------
        >>> SetUnits(temperature="degF").degrees(50.0)
        '+90.0 degF'
        """
        difference = difference_c / UNITS[self.temperature].factor
        return f"{signed_words(difference)} {self.temperature}"


def units_of_set(tunes: Sequence[Tune]) -> SetUnits:
    """Return the units for these tunes, by the rule of full-load runs.

    Of the logs the first that has one counts, of the setups the first.
    """
    logged = {name: unit for tune in reversed(tunes) for name, unit in tune.logged.items()}
    units = units_for(tunes[0].setup if tunes else None, logged)
    return SetUnits(units.torque, units.temperature)


@dataclass(frozen=True)
class Finding:
    """The result of one check.

    Parameters
    ----------
    topic
        What it is about.
    verdict
        "ok"; "remark": passes, but read it; "breach": fails.
    tunes
        The tunes that it is about.
    sentence
        In words, with numbers.
    """

    topic: Topic
    verdict: Verdict
    tunes: tuple[str, ...]
    sentence: str


def torque_curve(run: pd.DataFrame, rules: TuneSettings) -> pd.Series:
    """Torque of a run at multiples of the step; nan in its gaps. [N.m]"""
    samples = run_torque(run)
    return _curve(samples[samples.gt(0).all(axis=1)], "torque_nm", rules)


def channel_curve(run: pd.DataFrame, column: str, rules: TuneSettings) -> pd.Series:
    """Return another channel of a run at multiples of the step; empty where it has none.

    Parameters
    ----------
    run
        With ``rpm``.
    column
        Such as ``lambda`` or ``exhaust_temp_c``.
    rules
        Step, and the longest gap that is interpolated.
    """
    if column not in run:
        return pd.Series(dtype=float)
    samples = run[["rpm", column]].astype(float).dropna().sort_values("rpm")
    return _curve(samples.reset_index(drop=True), column, rules)


def _curve(samples: pd.DataFrame, column: str, rules: TuneSettings) -> pd.Series:
    step = rules.step_rpm
    if samples.empty:
        return pd.Series(dtype=float)
    bins = np.round(samples["rpm"].to_numpy(dtype=float) / step)
    means = samples.groupby(bins).mean()
    rpm, values = (means[c].to_numpy(dtype=float) for c in ("rpm", column))
    first, last = float(samples["rpm"].iloc[0]), float(samples["rpm"].iloc[-1])
    at = np.arange(np.ceil(first / step), np.floor(last / step) + 1) * step
    return pd.Series(_interpolated(at, rpm, values, rules.max_gap_rpm), index=at)


def _interpolated(at: Floats, rpm: Floats, values: Floats, max_gap: float) -> Floats:
    """Straight lines between means, extended to the run's ends, which lie inside the outer bins."""
    if len(rpm) < 2:
        return np.full(len(at), values[0])
    above = np.clip(np.searchsorted(rpm, at), 1, len(rpm) - 1)
    gap = rpm[above] - rpm[above - 1]
    slope = (values[above] - values[above - 1]) / gap
    value = values[above - 1] + slope * (at - rpm[above - 1])
    is_near = np.minimum(np.abs(at - rpm[above]), np.abs(at - rpm[above - 1])) < 1e-9
    return np.where(is_near | (gap <= max_gap), value, np.nan)


def run_torque(run: pd.DataFrame) -> pd.DataFrame:
    """Return a tune's run as ``rpm, torque_nm`` by rising speed, torque from power where needed."""
    torque = np.full(len(run), np.nan)
    if "power_kw" in run:
        torque = torque_nm(run["power_kw"], run["rpm"])
    if "torque_nm" in run:
        given = run["torque_nm"].to_numpy(dtype=float)
        torque = np.where(np.isfinite(given), given, torque)
    frame = pd.DataFrame({"rpm": run["rpm"].to_numpy(dtype=float), "torque_nm": torque})
    return frame.dropna().sort_values("rpm").reset_index(drop=True)


def signed_words(value: float) -> str:
    """Write a percent with its sign and one decimal."""
    text = f"{value:+z.1f}"
    return "0.0" if text == "+0.0" else text
