"""Check lambda, boost, exhaust temperature and the other limited channels along each pull.

The samples are checked, not the smoothed curve, after a running median of a few samples so that a
single outlier is no breach. Lambda and exhaust temperature lag: the speed reported is that of the
reading, slightly beyond the speed of the event.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.grid import Floats
from tuneassist.own_units import channel_words, with_unit
from tuneassist.runs.pulls import Pull
from tuneassist.runs.refusal import Refusal
from tuneassist.runs.settings import RunSettings
from tuneassist.settings import CEILING_CHANNELS, Ignition, LimitSettings

COLUMNS = [
    "side", "log", "pull", "channel", "limit_name", "unit", "limit", "worst", "rpm_at_worst",
    "is_breach", "rpm_from", "rpm_to", "samples", "words",
]  # fmt: skip


FLOORS = ("smoke floor", "richest lambda")
"""Names of the limits below which a reading is beyond; all others are ceilings."""


@dataclass(frozen=True)
class _Limit:
    channel: str
    column: str
    name: str
    unit: str
    value: float
    sign: float  # +1: beyond is above; -1: beyond is below
    only_in_boost: bool = False


def boost_kpa(samples: pd.DataFrame, limits: LimitSettings) -> pd.Series | None:
    """Gauge boost as logged, or from manifold pressure and barometer; None without either. [kPa]

    Where no barometer is logged, ``limits.barometer_kpa`` stands for it.
    """
    if "boost_kpa" in samples and samples["boost_kpa"].notna().any():
        return samples["boost_kpa"]
    if "manifold_pressure_kpa" not in samples:
        return None
    if "barometer_kpa" in samples and samples["barometer_kpa"].notna().any():
        return samples["manifold_pressure_kpa"] - samples["barometer_kpa"].median()
    return samples["manifold_pressure_kpa"] - limits.barometer_kpa


def check_limits(
    pulls: Sequence[Pull],
    *,
    side: str,
    limits: LimitSettings,
    ignition: Ignition,
    settings: RunSettings,
) -> tuple[pd.DataFrame, tuple[Refusal, ...]]:
    """Check every pull against every limit.

    Parameters
    ----------
    pulls
        Pulls of one side, with ``boost_kpa`` in their samples where it is known.
    side
        "before" or "after".
    limits
        Ceilings and lambda limits.
    ignition
        For spark ignition lambda in boost has a limit of its own.
    settings
        Length of the running median.

    Returns
    -------
    table, refusals
        One row per pull and limit: the worst value and its speed, and for a breach the speeds
        from which and to which the limit was exceeded, in words too. A refusal for each limit
        whose channel no pull has.
    """
    wanted = _limits(limits, ignition)
    rows = [
        row
        for pull in pulls
        for limit in wanted
        if (row := _check_limit(pull, limit, side, limits, settings)) is not None
    ]
    table = pd.DataFrame(rows, columns=COLUMNS)
    seen = set(table["limit_name"])
    unseen = tuple(
        Refusal(
            "limit not watched",
            f"{channel_words(limit.channel)} is not logged: its limit "
            f"({channel_words(limit.name)} {with_unit(limit.value, limit.unit)}) was not checked.",
            MappingProxyType({"limit": limit.value}),
            side,
        )
        for limit in wanted
        if limit.name not in seen and not limit.only_in_boost
    )
    return table, unseen


def breaches(limit_checks: pd.DataFrame) -> pd.DataFrame:
    """Return the rows where a limit was exceeded."""
    return limit_checks[limit_checks["is_breach"].astype(bool)].reset_index(drop=True)


def _limits(limits: LimitSettings, ignition: Ignition) -> list[_Limit]:
    found = []
    for channel, ceiling in limits.ceilings.items():
        column, unit = CEILING_CHANNELS[channel]
        found.append(_Limit(channel, column, f"{channel} ceiling", unit, ceiling.ceiling, 1.0))
        if ceiling.hard is not None:
            name = f"{channel} hard ceiling"
            found.append(_Limit(channel, column, name, unit, ceiling.hard, 1.0))
    rich = FLOORS[0] if ignition == "compression" else FLOORS[1]
    found.append(_Limit("lambda", "lambda", rich, "lambda", limits.richest_lambda, -1.0))
    found.append(_Limit("lambda", "lambda", "leanest lambda", "lambda", limits.leanest_lambda, 1.0))
    if ignition == "spark":
        lean = limits.boost_leanest_lambda
        found.append(
            _Limit("lambda", "lambda", "leanest lambda in boost", "lambda", lean, 1.0, True)
        )
    return found


def _check_limit(
    pull: Pull, limit: _Limit, side: str, limits: LimitSettings, settings: RunSettings
) -> dict[str, object] | None:
    """Check one pull against one limit; None where the channel has no reading."""
    if limit.column not in pull.samples:
        return None
    is_checked = pull.samples[limit.column].notna().to_numpy()
    if limit.only_in_boost:
        is_checked = is_checked & _in_boost(pull.samples, limits)
    samples = pull.samples[is_checked]
    if samples.empty:
        return None
    window = min(settings.spike_samples, len(samples))
    filtered = samples[limit.column].rolling(window, center=True, min_periods=1).median()
    beyond = limit.sign * (filtered.to_numpy(dtype=float) - limit.value)
    return _row(pull, limit, side, samples["rpm"].to_numpy(dtype=float), beyond)


def knows_boost(samples: pd.DataFrame, limits: LimitSettings) -> bool:
    """Return whether the samples show when the engine was in boost."""
    pressures = {"manifold_pressure_kpa", "boost_kpa"} & set(samples)
    return bool(pressures) or (limits.boost_above_load is not None and "load" in samples)


def _in_boost(samples: pd.DataFrame, limits: LimitSettings) -> npt.NDArray[np.bool_]:
    """Return which samples are in boost; without a pressure or load, all may be."""
    if "manifold_pressure_kpa" in samples:
        return np.asarray(samples["manifold_pressure_kpa"].to_numpy() > limits.boost_above_kpa)
    if "boost_kpa" in samples:
        above = limits.boost_above_kpa - limits.barometer_kpa
        return np.asarray(samples["boost_kpa"].to_numpy() > above)
    if limits.boost_above_load is not None and "load" in samples:
        return np.asarray(samples["load"].to_numpy() > limits.boost_above_load)
    return np.ones(len(samples), dtype=bool)


def _row(pull: Pull, limit: _Limit, side: str, rpm: Floats, beyond: Floats) -> dict[str, object]:
    at = int(beyond.argmax())
    is_over = beyond > 0
    worst = limit.value + limit.sign * float(beyond[at])
    low, high = (float(rpm[is_over].min()), float(rpm[is_over].max())) if is_over.any() else (
        float("nan"), float("nan"))  # fmt: skip
    row: dict[str, object] = {
        "side": side, "log": pull.log, "pull": pull.number, "channel": limit.channel,
        "limit_name": limit.name, "unit": limit.unit, "limit": limit.value, "worst": worst,
        "rpm_at_worst": float(rpm[at]), "is_breach": bool(is_over.any()), "rpm_from": low,
        "rpm_to": high, "samples": int(is_over.sum()),
    }  # fmt: skip
    return {**row, "words": breach_words(row, _as_inside) if is_over.any() else ""}


Shown = Callable[[float, str, str], str]
"""Formats a value of a channel, given in the internal unit, with the unit shown."""


def _as_inside(value: float, channel: str, unit: str) -> str:
    return with_unit(value, unit)


def breach_words(row: Mapping[Any, Any], shown: Shown) -> str:
    """Describe which limit a pull exceeded, by how much and where.

    Parameters
    ----------
    row
        A row of `check_limits` with ``is_breach``.
    shown
        Formats a value, given its channel and internal unit.
    """
    seen, way, limit = breach_parts(row, shown)
    return (
        f"{row['side']}, {row['log']}, pull {row['pull']}: {seen} at {row['rpm_at_worst']:.0f} rpm "
        f"is {way} the {limit}, from {row['rpm_from']:.0f} to {row['rpm_to']:.0f} rpm."
    )


def breach_parts(row: Mapping[Any, Any], shown: Shown) -> tuple[str, str, str]:
    """Return what was read, "above" or "below", and the limit, each with its unit once."""
    channel, unit = str(row["channel"]), str(row["unit"])
    seen, limit = (shown(float(row[name]), channel, unit) for name in ("worst", "limit"))
    noun = "" if channel == "lambda" else f"{channel_words(channel)} "
    name = channel_words(str(row["limit_name"]))
    way = "above" if row["worst"] > row["limit"] else "below"
    return f"{noun}{seen}", way, f"{name} of {limit.removeprefix('lambda ')}"
