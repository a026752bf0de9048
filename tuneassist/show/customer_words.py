"""Limits, what to watch and where the work stands, in a customer's words.

Everything here follows from what the shop's page shows as rules, ceilings and advice.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from types import MappingProxyType

import pandas as pd

from tuneassist.inert import clipped
from tuneassist.loop.advice import AdviceSettings
from tuneassist.loop.verdict import Verdict
from tuneassist.own_units import channel_words
from tuneassist.runs.limit_checks import FLOORS
from tuneassist.settings import Ignition, LimitSettings, default_limits
from tuneassist.show.report_data import FullLoadPart, ReportData

CHANNEL_NAMES: Mapping[str, str] = MappingProxyType(
    {
        "exhaust_temp": "Exhaust heat",
        "boost": "Boost",
        "torque": "Torque on clutch and gearbox",
        "rail_pressure": "Fuel pressure",
        "injector_duty": "Injectors open",
        "knock": "Knock",
        "lambda": "Mixture",
    }
)
"""Channels with a limit, in a customer's words."""
BOOST_LEAN = "leanest lambda in boost"
"""Name of the limit of the mixture that matters most to a spark engine."""
MIXTURE_LIMITS: Mapping[Ignition, tuple[str, ...]] = MappingProxyType(
    {"spark": (BOOST_LEAN, "leanest lambda"), "compression": (FLOORS[0],)}
)
"""The limit of the mixture that is named, the first that was watched."""
WATCHED_RULES = frozenset({"ceilings", "foreseen", "step_back_pct", "boost_ceiling"})
"""Rules that keep a watched channel below its limit."""
RULE_GROUPS: tuple[tuple[str, frozenset[str]], ...] = (
    (
        "Mixture: changes that went too far to the lean or the rich side were held back.",
        frozenset({
            "richest_lambda", "leanest_lambda", "boost_leanest_lambda", "lean_in_boost",
            "max_lean_step_in_boost_pct", "max_lean_total_in_boost_pct",
        }),
    ),
    (
        "Doubt: where the measurements left one, nothing was changed the risky way.",
        frozenset({
            "evidence", "own_need", "own_evidence", "unsafe_step_barred", "step_at_confidence",
            "raise_fuel_unwatched", "values",
        }),
    ),
    (
        "Size: changes that were large for one step or beside their neighbours were cut down.",
        frozenset({"max_step_pct", "max_total_pct", "max_slope_rpm_pct", "max_slope_load_pct"}),
    ),
)  # fmt: skip
"""What other rules that acted did, in a customer's words."""
NO_CLUTCH_LIMIT = (
    "Torque on clutch and gearbox: no limit was set. Ask your tuner what they can carry."
)
NAME_LENGTH = 40
"""Characters of a name of a tune or fuel that fit the sheet. [1]"""
MOST_TUNES = 5
"""Most tunes that the sheet names; the others are counted. [1]"""
Watch = tuple[str, str]
"""A sign, and what to do about it."""
_FOR_ALL: tuple[Watch, ...] = (
    (
        "Warning lamp",
        "flashing: ease off and stop as soon as it is safe. Steady: drive gently and have it read.",
    ),
    (
        "Clutch slip",
        "the engine speeds up and the car does not: ease off at once; full throttle burns the "
        "clutch.",
    ),
    (
        "Oil",
        "check the level more often than before. Oil lamp on: stop the engine at once.",
    ),
)
_SPARK: tuple[Watch, ...] = (
    (
        "Rattle or pinking under load",
        "the engine knocks: lift off at once, drive gently and tell your tuner.",
    ),
)
_COMPRESSION: tuple[Watch, ...] = (
    (
        "Black smoke under load",
        "ease off. If it comes again, have air filter, hoses and injectors looked at.",
    ),
    (
        "Long climbs and trailers",
        "exhaust and cooling water get hotter than before: change down, and ease off when the "
        "gauge rises.",
    ),
)


def watch_words(ignition: str, fuel: str) -> tuple[Watch, ...]:
    """Return what to watch, and what to do about it.

    Parameters
    ----------
    ignition
        "spark" or "compression".
    fuel
        The fuel's name; empty where it is not known.
    """
    named = f" ({clipped(fuel, NAME_LENGTH)})" if fuel else ""
    if ignition == "compression":
        grade = (
            f"only the one it was tuned on{named}. After a wrong filling do not start the engine."
        )
        return (("Fuel", grade), *_COMPRESSION, *_FOR_ALL)
    grade = (
        f"only the one it was tuned on{named}, of the same grade. After a lower grade drive gently "
        "until the tank is used up."
    )
    return (("Fuel", grade), *_SPARK, *_FOR_ALL)


def protected_words(data: ReportData, ignition: Ignition) -> tuple[str, ...]:
    """Return what was limited to protect the engine: readings beside limits, and what was held.

    Parameters
    ----------
    data
        The parts of the report.
    ignition
        Of the engine.
    """
    held = _held(data)
    limits = data.setup.limits if data.setup is not None else default_limits(ignition)
    lines = [] if data.full_load is None else _readings(data.full_load, ignition)
    if near := _near_a_limit(held, limits):
        lines.append(f"Near its limit, so that changes were held back: {_joined(near)}.")
    acted = set(held["rule"])
    lines += [words for words, rules in RULE_GROUPS if rules & acted]
    if data.full_load is not None:
        lines += _unwatched(data.full_load, limits)
    if "torque" not in limits.ceilings:
        lines.append(NO_CLUTCH_LIMIT)
    return tuple(lines)


def _held(data: ReportData) -> pd.DataFrame:
    """Return what the rules held back in all rounds."""
    tables = [one.binding[["rule", "words"]] for one in data.rounds if len(one.binding)]
    return pd.concat(tables) if tables else pd.DataFrame({"rule": [], "words": []})


def _near_a_limit(held: pd.DataFrame, limits: LimitSettings) -> list[str]:
    """Return the channels whose limits held a change back."""
    words = held.loc[held["rule"].isin(WATCHED_RULES), "words"].astype(str)
    names = [name for name in limits.ceilings if words.str.contains(channel_words(name)).any()]
    if "boost_ceiling" in set(held["rule"]) and "boost" not in names:
        names.append("boost")
    return [CHANNEL_NAMES[name] for name in names]


def _readings(part: FullLoadPart, ignition: Ignition) -> list[str]:
    """Return the worst reading after the tune beside each limit."""
    checks = part.found.limit_checks
    after = checks[checks["side"] == "after"]
    lines = []
    for name, rows in after.groupby("limit_name", sort=False):
        channel = str(rows["channel"].iloc[0])
        if str(name) == f"{channel} ceiling":
            lines.append(_reading(part, rows, CHANNEL_NAMES[channel], "at most"))
    watched = set(after["limit_name"])
    for name in [one for one in MIXTURE_LIMITS[ignition] if one in watched][:1]:
        way = "never richer than" if name in FLOORS else "never leaner than"
        where = "Mixture in boost" if name == BOOST_LEAN else "Mixture"
        lines.append(_reading(part, after[after["limit_name"] == name], where, way))
    return lines


def _reading(part: FullLoadPart, rows: pd.DataFrame, name: str, way: str) -> str:
    beyond = (rows["worst"] - rows["limit"]).to_numpy(dtype=float)
    is_floor = str(rows["limit_name"].iloc[0]) in FLOORS
    row = rows.iloc[int((-beyond if is_floor else beyond).argmax())]
    channel, unit = str(row["channel"]), str(row["unit"])
    worst, limit = (part.units.reading(float(row[n]), channel, unit) for n in ("worst", "limit"))
    return f"{name}: {way} {worst}; limit {limit}."


def _unwatched(part: FullLoadPart, limits: LimitSettings) -> list[str]:
    """Name the limits that nothing was logged for; none where all were watched."""
    checks = part.found.limit_checks
    seen = set(checks.loc[checks["side"] == "after", "channel"])
    missing = [CHANNEL_NAMES[name] for name in (*limits.ceilings, "lambda") if name not in seen]
    if not missing:
        return []
    return [f"Not watched in these runs, for want of a sensor: {_joined(missing)}."]


def standing_words(data: ReportData, verdict: Verdict) -> tuple[str, ...]:
    """Return where the work stands: what was corrected, and what is still open.

    Parameters
    ----------
    data
        The parts of the report.
    verdict
        On all of it.
    """
    lines = [_corrected(data)] if data.rounds else []
    last = data.rounds[-1] if data.rounds else None
    if last is not None and last.advice is not None and last.advice.word == "finished":
        lines.append("The tune is finished.")
    elif last is not None and last.advice is not None:
        lines.append("The work goes on: your tuner means to measure again.")
    if last is not None and last.is_step and last.fate == "proposed":
        lines.append("The last change is worked out and has not been tried on the car.")
    if verdict.word == "CHECK":
        lines.append("Your tuner still has a point to check: ask before the car is driven hard.")
    return tuple(lines)


def _corrected(data: ReportData) -> str:
    """Say how much of the map was measured and how near to target it is."""
    last = data.rounds[-1]
    what = "air" if data.setup is not None and data.setup.correction.acts_on == "boost" else "fuel"
    known = int((last.cells["confidence"].ne("none") & last.cells["target_lambda"].notna()).sum())
    if last.summary is None:
        return f"The {what} of the engine was measured at {known} points of speed and load."
    near = AdviceSettings().tolerance_pct
    return (
        f"The {what} was measured at {last.summary.cells_seen} points of engine speed and load; in "
        f"the last check {last.summary.cells_inside} of them were within {near:g} % of what was "
        "aimed at."
    )


DRIVE_GENTLY = "Drive gently and without full throttle until your tuner says that it is put right."
"""What to do with a car whose verdict is STOP."""


def no_sheet_words(data: ReportData) -> str:
    """Say in one sentence why there are no results to hand over while the verdict is STOP.

    Parameters
    ----------
    data
        The parts of the report.
    """
    return f"There are no results to hand over for this car yet: {_stop_reason(data)}."


def _stop_reason(data: ReportData) -> str:
    part, basis = data.full_load, data.basis
    if part is not None and len(part.found.breaches_after):
        channels = part.found.breaches_after["channel"].drop_duplicates()
        return f"at full load {_past(channels)}"
    if basis.exceeded:
        channels = pd.Series([one.channel for one in basis.exceeded]).drop_duplicates()
        return f"while it was measured, {_past(channels)}"
    if basis.advice is not None and basis.advice.check in ("hard", "ceiling"):
        return "while it was measured, a reading went past a limit that protects the engine"
    if basis.broken:
        return "a limit that protects the engine was set aside by hand"
    return "the engine did not answer the last change as it should"


def _past(channels: Iterable[str]) -> str:
    names = [CHANNEL_NAMES.get(name, channel_words(name)) for name in channels]
    limits = "the limit that protects" if len(names) == 1 else "the limits that protect"
    return f"{_joined(names)} went past {limits} the engine"


def _joined(names: Sequence[str]) -> str:
    """Return names inside a sentence: "boost, knock and mixture"."""
    first, last = ", ".join(map(_lower, names[:-1])), _lower(names[-1])
    return f"{first} and {last}" if first else last


def tune_words(data: ReportData) -> tuple[str, ...]:
    """Return the tunes of the set by name, least power first."""
    if data.tunes is None:
        return ()
    named = []
    for tune in data.tunes.tunes:
        name = clipped(tune.name, NAME_LENGTH)
        named.append(name if tune.kind in ("", tune.name) else f"{name} ({tune.kind})")
    more = len(named) - MOST_TUNES
    return (*named[:MOST_TUNES], *((f"and {more} more",) if more > 0 else ()))


def _lower(words: str) -> str:
    return f"{words[:1].lower()}{words[1:]}"
