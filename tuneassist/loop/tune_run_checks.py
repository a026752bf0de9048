"""A tune's full-load run: its air compared with another's, and the tune's own limits."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pandas as pd

from tuneassist.loop.tune_model import STANDARD, Finding, Topic, Tune
from tuneassist.own_units import channel_words, mixture, number, reading, units_for
from tuneassist.runs import Pull, RunSettings
from tuneassist.runs.air_difference import air_difference_words, air_effect_pct, air_refusal
from tuneassist.runs.limit_checks import check_limits, knows_boost
from tuneassist.runs.torque import torque_nm
from tuneassist.settings import Setup
from tuneassist.unit_sentences import said_in

IN_BOOST = "leanest lambda in boost"
AS_MADE = "so the car came, and the standard tune leaves it so: keep it in mind for the others"
HEAT, UNITLESS = "exhaust_temp", ("knock",)
BY_HEADERS = "read by its headers"
"""How a run says that its columns, load among them, are not those that the setup names."""
NAME_STANDARD = (
    "Name a standard (--standard) to correct it, or give the air of each run with air in the list"
)


def air_between(lower: Tune, upper: Tune, settings: RunSettings) -> str:
    """Say why the torque of two runs cannot be compared for their air; empty where it can.

    Parameters
    ----------
    lower, upper
        Tunes with a run.
    settings
        ``max_air_effect_pct`` and ``different_air``.
    """
    if lower.standard or upper.standard:
        if lower.standard == upper.standard:
            return ""
        bare = upper if lower.standard else lower
        return (
            f"only one of the runs is corrected to {lower.standard or upper.standard}, that of "
            f"{bare.name} is as measured. Give its air with air in the list"
        )
    found = air_refusal(lower.air, upper.air, settings, names=(lower.name, upper.name))
    return "" if found is None else f"{_in_own_units(found.description, lower)} {NAME_STANDARD}"


def air_uncertainty(lower: Tune, upper: Tune, settings: RunSettings) -> str:
    """Say how the weather may affect a comparison of two runs as measured; empty if not at all."""
    if lower.standard or upper.standard:
        return ""
    names = (lower.name, upper.name)
    effect = air_effect_pct(lower.air, upper.air)
    if np.isnan(effect):
        return f"that {' and '.join(names)} ran in the same air: the air of both is not known"
    if abs(effect) <= settings.max_air_effect_pct:
        return ""
    words = air_difference_words(lower.air, upper.air, names=names)
    return f"the order without the weather. {_in_own_units(words, lower)}"


def _in_own_units(words: str, tune: Tune) -> str:
    """Write words on the air in the tune's units."""
    return said_in(words, units_for(tune.setup, tune.logged))


def run_limits(tune: Tune) -> tuple[tuple[Finding, ...], str]:
    """Check a tune's full-load run against the tune's own limits.

    Returns
    -------
    findings, unmonitored
        A finding for each limit that was exceeded, or one that none was; and the limits that the
        run has no channel for, in words.
    """
    pulls, settings = _pulls_of(tune)
    if not pulls:
        return (), ""
    limits, ignition = tune.setup.limits, tune.setup.engine.ignition
    table, _ = check_limits(
        pulls, side=tune.name, limits=limits, ignition=ignition, settings=settings
    )
    is_boost_known = all(knows_boost(pull.samples, limits) for pull in pulls)
    found = tuple(_exceeded(tune, table, is_boost_known=is_boost_known))
    names = table["limit_name"].nunique()
    if names and not found:
        words = "limit" if names == 1 else "limits"
        sentence = (
            f"{tune.name}: its full-load run exceeds none of the {names} {words} that it has "
            "channels for"
        )
        found = (Finding("limits", "ok", (tune.name,), sentence),)
    monitored = set(table["channel"])
    unmonitored = [name for name in (*limits.ceilings, "lambda") if name not in monitored]
    unread = ", ".join(name.replace("_", " ") for name in unmonitored)
    words = f"limits of {tune.name} at full load on {unread}: its run has no such channel"
    return found, words if unread else ""


def _pulls_of(tune: Tune) -> tuple[tuple[Pull, ...], RunSettings]:
    """Return the pulls to check against the limits; rows of a table have no spikes."""
    settings = RunSettings()
    if tune.pulls or tune.run is None:
        is_table = bool(tune.pulls) and all(pull.full_load_channel == TABLE for pull in tune.pulls)
        return tune.pulls, replace(settings, spike_samples=1) if is_table else settings
    return (table_pull(tune.run, tune.name),), replace(settings, spike_samples=1)


TABLE = "table"
"""How the rows of a table are known to be full load: by the user's statement."""


def table_pull(curve: pd.DataFrame, name: str) -> Pull:
    """Return a table of a run as a pull, torque from power where it has none."""
    samples = curve.sort_values("rpm", ignore_index=True)
    if "torque_nm" not in samples:
        samples = samples.assign(torque_nm=torque_nm(samples["power_kw"], samples["rpm"]))
    return Pull(name, 1, samples, "rising", TABLE)


def _exceeded(tune: Tune, table: pd.DataFrame, *, is_boost_known: bool) -> Iterator[Finding]:
    """Yield one finding for each limit that was exceeded, with the worst of all pulls."""
    for name, rows in table.groupby("limit_name", sort=False):
        over = rows[rows["is_breach"].astype(bool)]
        if over.empty:
            continue
        beyond = (over["worst"] - over["limit"]).abs().to_numpy(dtype=float)
        worst = over.iloc[int(beyond.argmax())]
        is_uncertain = name == IN_BOOST and not is_boost_known
        caveat = "; whether it was in boost is not known" if is_uncertain else ""
        topic: Topic = "heat" if worst["channel"] == HEAT else "limits"
        span = f"from {over['rpm_from'].min():.0f} to {over['rpm_to'].max():.0f} rpm"
        sentence = f"{tune.name}: {_worst_words(worst, tune.setup)}, exceeded {span}{caveat}"
        if tune.kind == STANDARD:  # all zeros by rule, so that no grid can mend it
            sentence += f"; {AS_MADE}"
        is_remark = is_uncertain or tune.kind == STANDARD
        yield Finding(topic, "remark" if is_remark else "breach", (tune.name,), sentence)


def _worst_words(row: pd.Series, setup: Setup) -> str:
    channel, name = str(row["channel"]), str(row["limit_name"])
    seen, limit = (_in_own_unit(float(row[key]), channel, setup) for key in ("worst", "limit"))
    noun = {HEAT: "exhaust"}.get(channel, channel_words(channel))
    if channel in UNITLESS:
        seen = f"{noun} {seen}"
    elif channel != "lambda":
        seen = f"{seen} {noun}"
    way = "above" if row["worst"] > row["limit"] else "below"
    of = f"{name.removeprefix(f'{channel} ')} of {limit.removeprefix('lambda ')}"
    return f"{seen} at full load at {row['rpm_at_worst']:.0f} rpm, {way} its own {of}"


def _in_own_unit(value: float, channel: str, setup: Setup) -> str:
    if channel == "lambda":
        return mixture(value, setup)
    show = number if channel in UNITLESS else reading
    return show(value, channel, setup)
