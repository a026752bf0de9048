"""How much of a correction a milder tune may keep in each cell, by ceilings and what was seen."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from tuneassist.channels import CHANNELS
from tuneassist.grid import Floats
from tuneassist.loop.derive_settings import DeriveSettings, MildTune
from tuneassist.loop.torque_prediction import TwoRuns, load_scale, reading_top, torque_band
from tuneassist.loop.tune_model import Tune
from tuneassist.own_units import channel_words, reading
from tuneassist.settings import CEILING_CHANNELS, Ceiling, Setup
from tuneassist.units import convert

WATCHED = ("torque", "boost", "exhaust_temp")
"""Ceilings under which a prediction is held."""
TRIED = np.linspace(0.0, 1.0, 201)
"""Shares of which the largest allowed is taken: steps of half a percent of the correction. [1]"""


@dataclass(frozen=True, eq=False)
class ShareBound:
    """Most share of the correction that one rule allows each cell.

    Parameters
    ----------
    name, words
        The rule, and it in words.
    most
        In cell order. [1]
    """

    name: str
    most: Floats
    words: str


def heavy_weight(setup: Setup, settings: DeriveSettings) -> Floats:
    """How much a cell's load counts as full load: 0 cruising, 1 full, in cell order. [1]"""
    scale = load_scale(setup.axes, setup.limits.barometer_kpa)
    low, high = settings.cruise_below_share, settings.full_load_from_share
    weight = np.clip((scale - low) / (high - low), 0.0, 1.0)
    return np.tile(weight, len(setup.axes.rpm))


def low_weight(setup: Setup, settings: DeriveSettings) -> Floats:
    """How much a cell's speed counts as low: 1 low, 0 not, in cell order. [1]"""
    above = (setup.axes.rpm - settings.low_speed_rpm) / settings.blend_rpm
    return np.repeat(1.0 - np.clip(above, 0.0, 1.0), len(setup.axes.load))


def ceilings_of(plan: MildTune, setup: Setup, standard: Tune) -> Mapping[str, Ceiling]:
    """Return a tune's ceilings: those of the setup, lowered for a load that lasts, and its own.

    A ceiling is not lowered below what the standard tune's run reaches: nothing is milder.
    """
    lowered = {
        "exhaust_temp": (1.0, plan.sustained_exhaust_c),
        "torque": (1.0 - plan.sustained_torque_pct / 100.0, 0.0),
        "boost": (1.0 - plan.sustained_boost_pct / 100.0, 0.0),
    }
    ceilings = dict(setup.limits.ceilings)
    for name, (times, less) in lowered.items():
        if name in ceilings and name not in plan.ceilings:
            old = ceilings[name]
            lower = times * old.ceiling - less
            least = max(lower, _reached(standard, CEILING_CHANNELS[name][0]))
            ceilings[name] = _with_ceiling(old, name, min(least, old.ceiling))
    return {**ceilings, **plan.ceilings}


def _with_ceiling(old: Ceiling, name: str, value: float) -> Ceiling:
    """Return a ceiling at a value that is rounded in the unit of the setup."""
    if value >= old.ceiling:
        return old
    inside = CHANNELS[name].unit
    unit = old.given_unit or inside
    shown = np.floor(10.0 * float(convert(value, inside, unit))) / 10.0
    return replace(old, ceiling=float(convert(shown, unit, inside)))


def _reached(standard: Tune, column: str) -> float:
    if standard.run is None or column not in standard.run:
        return -np.inf
    values = standard.run[column].to_numpy(dtype=float)
    return float(np.max(values[np.isfinite(values)], initial=-np.inf))


def share_bounds(
    setup: Setup, two: TwoRuns | None, settings: DeriveSettings, plan: MildTune
) -> list[ShareBound]:
    """List every bound on the share of the correction under load.

    Parameters
    ----------
    setup
        With the tune's ceilings.
    two
        The runs; None where there are none to use.
    settings, plan
        Margins, and what was asked for.
    """
    heavy = heavy_weight(setup, settings)
    kept = (1.0 - heavy) * plan.cruise_share + heavy * settings.share_without_run
    unseen = np.maximum(kept, settings.share_without_run)
    if two is None:
        most = np.where(heavy > 0, unseen, 1.0)
        return [ShareBound("no run", most, "no full-load runs of both that can be compared")]
    covered = _is_covered(setup, two)
    found = [
        ShareBound(
            "no run",
            np.where((heavy > 0) & ~covered, unseen, 1.0),
            "the runs do not cover this speed",
        )
    ]
    return found + list(_of_ceilings(setup, two, settings, unseen, heavy))


def _is_covered(setup: Setup, two: TwoRuns) -> npt.NDArray[np.bool_]:
    """Cells whose speed has a speed of both runs within half a step of them."""
    apart = np.abs(setup.axes.rpm[:, None] - two.rpm[None, :]).min(axis=1)
    step = float(np.diff(two.rpm).min())
    return np.repeat(apart <= step, len(setup.axes.load))


def _of_ceilings(
    setup: Setup, two: TwoRuns, settings: DeriveSettings, unseen: Floats, heavy: Floats
) -> Iterator[ShareBound]:
    for name in WATCHED:
        if name not in setup.limits.ceilings:
            continue
        words = channel_words(name)
        by_speed = allowed_share(name, setup, two, settings)
        is_known = np.isfinite(by_speed)
        if not is_known.all():
            blind = _around(np.where(is_known, 1.0, 0.0), setup, two) < 1.0
            most = np.where(blind & (heavy > 0), unseen, 1.0)
            yield ShareBound(f"{name} not seen", most, f"the runs do not show {words} here")
        most = _around(np.where(is_known, by_speed, 1.0), setup, two)
        yield ShareBound(
            name, _at_full_load(most, setup, two, heavy), ceiling_words(name, setup, settings)
        )


def _around(by_speed: Floats, setup: Setup, two: TwoRuns) -> Floats:
    """Smallest value of the speeds between each row's neighbours, in cell order."""
    rpm = setup.axes.rpm
    before = np.concatenate([[-np.inf], rpm[:-1]])
    after = np.concatenate([rpm[1:], [np.inf]])
    rows = [
        np.min(by_speed[(two.rpm > low) & (two.rpm < high)], initial=1.0)
        for low, high in zip(before, after, strict=True)
    ]
    return np.repeat(np.array(rows), len(setup.axes.load))


def _at_full_load(most: Floats, setup: Setup, two: TwoRuns, heavy: Floats) -> Floats:
    """Bound the cells that full load may touch and those of more load; lighter ones by weight.

    So the grid falls off toward full load without a hump before it.
    """
    axes = setup.axes
    rpm = axes.rpm
    low = [
        np.min(two.load[0][np.abs(two.rpm - at) <= reach], initial=np.inf)
        for at, reach in zip(rpm, np.maximum(*_gaps(rpm)), strict=True)
    ]
    first = np.clip(np.searchsorted(axes.load, low, "right") - 1, 0, len(axes.load) - 1)
    is_touched = np.arange(len(axes.load))[None, :] >= first[:, None]
    return np.where(is_touched.ravel(), most, 1.0 - heavy * (1.0 - most))


def _gaps(rpm: Floats) -> tuple[Floats, Floats]:
    gaps = np.diff(rpm)
    return np.concatenate([gaps[:1], gaps]), np.concatenate([gaps, gaps[-1:]])


def allowed_share(name: str, setup: Setup, two: TwoRuns, settings: DeriveSettings) -> Floats:
    """Most share at every speed that keeps a prediction under a ceiling; nan where not known."""
    top = under_ceiling(name, setup, settings)
    share = np.broadcast_to(TRIED[:, None], (len(TRIED), len(two.rpm)))
    if name == "torque":
        values = torque_band(two, share, settings)[2]
    else:
        values = reading_top(two, CEILING_CHANNELS[name][0], share, settings)
    fits = np.logical_and.accumulate(values <= top, axis=0)
    most = TRIED[np.maximum(fits.sum(axis=0) - 1, 0)]
    return np.where(np.isnan(values).any(axis=0), np.nan, most)


def under_ceiling(name: str, setup: Setup, settings: DeriveSettings) -> float:
    """Return a ceiling less its margin. [unit inside]"""
    top = setup.limits.ceilings[name].ceiling
    if name == "exhaust_temp":
        return top - settings.margin_exhaust_c
    margin = settings.margin_torque_pct if name == "torque" else settings.margin_boost_pct
    return top * (1.0 - margin / 100.0)


def ceiling_words(name: str, setup: Setup, settings: DeriveSettings) -> str:
    """Write a tune's ceiling, and what is left of it by the margin."""
    top = reading(setup.limits.ceilings[name].ceiling, name, setup)
    under = reading(under_ceiling(name, setup, settings), name, setup)
    return f"its {channel_words(name)} ceiling of {top}, with margin {under}"
