"""What a set of tunes is predicted to give, and what to measure before one is handed over."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tuneassist.grid import Floats
from tuneassist.loop.derive import DerivedSet, DerivedTune
from tuneassist.loop.derive_frame import CLOSE_PCT
from tuneassist.loop.derive_reasons import SAFE_SIDE
from tuneassist.loop.derive_settings import TOWING
from tuneassist.loop.torque_prediction import TwoRuns
from tuneassist.own_units import channel_words, reading
from tuneassist.runs.torque import power_kw


@dataclass(frozen=True)
class Point:
    """A value with its 95 % interval, and the speed that it belongs to.

    Parameters
    ----------
    rpm, value, low, high
        [rpm], and [N.m] or [kW].
    """

    rpm: float
    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Output:
    """Full-load output of one tune.

    Parameters
    ----------
    name
        The tune.
    is_predicted
        False where its own run was measured.
    low_down, peak_torque, peak_power
        Torque at `DeriveSettings.low_down_rpm`, and the peaks; None where not known. A predicted
        peak is known only where the strong tune stays below it at every speed without prediction:
        elsewhere the real peak may lie there.
    """

    name: str
    is_predicted: bool
    low_down: Point | None = None
    peak_torque: Point | None = None
    peak_power: Point | None = None


def outputs(made: DerivedSet) -> tuple[Output, ...]:
    """Return the output of every tune of the set, least power first."""
    two, at = made.two, made.settings.low_down_rpm
    if two is None:
        return tuple(Output(one.name, one.run is None) for one in made.tunes)
    measured = [
        _output(tune.name, two.rpm, (torque - half, torque, torque + half), at, is_predicted=False)
        for tune, torque, half in zip(
            (made.standard, made.strong), two.torque, two.half_width, strict=True
        )
    ]
    predicted = [_predicted(one, at, two) for one in made.made]
    return measured[0], *predicted, measured[1]


def _predicted(one: DerivedTune, at: float, two: TwoRuns) -> Output:
    names = ("torque_low_nm", "torque_nm", "torque_high_nm")
    low, mid, high = (one.prediction[name].to_numpy(dtype=float) for name in names)
    rpm = one.prediction["rpm"].to_numpy(dtype=float)
    found = _output(one.tune.name, rpm, (low, mid, high), at, is_predicted=True)
    unseen = ~np.isin(two.rpm, rpm[np.isfinite(mid)])
    most_torque = np.maximum(*two.torque)[unseen]
    most_power = power_kw(most_torque, two.rpm[unseen])
    return replace(
        found,
        peak_torque=_if_highest(found.peak_torque, most_torque),
        peak_power=_if_highest(found.peak_power, most_power),
    )


def _if_highest(peak: Point | None, elsewhere: Floats) -> Point | None:
    """Return the peak unless the speeds without prediction may hold a higher one."""
    return None if peak is None or (elsewhere > peak.value).any() else peak


def _output(
    name: str, rpm: Floats, band: tuple[Floats, Floats, Floats], at: float, *, is_predicted: bool
) -> Output:
    power = tuple(power_kw(torque, rpm) for torque in band)
    near = np.abs(rpm - at) <= np.diff(rpm).min() / 2.0
    low_down = _top(rpm[near], [torque[near] for torque in band])
    return Output(name, is_predicted, low_down, _top(rpm, list(band)), _top(rpm, list(power)))


def _top(rpm: Floats, band: list[Floats]) -> Point | None:
    """Highest middle value with its interval; None where none is known."""
    if not np.isfinite(band[1]).any():
        return None
    place = int(np.nanargmax(band[1]))
    return Point(float(rpm[place]), *(float(part[place]) for part in (band[1], band[0], band[2])))


def kept_for_safety(one: DerivedTune, made: DerivedSet) -> str:
    """Say where the strong tune's correction is kept for safety; empty where it is nowhere."""
    cells = one.cells
    is_kept = cells["bound"].eq(SAFE_SIDE) & (cells["share"] > cells["share_asked"])
    if not is_kept.any():
        return ""
    strong = made.strong.name
    if np.allclose(one.tune.grid.flat(), made.strong.grid.flat(), atol=CLOSE_PCT, equal_nan=True):
        return (
            f"its grid is that of {strong}: every correction of {strong} goes the safe way and is "
            "kept whole. What makes the tunes differ has to be set elsewhere"
        )
    count = int(is_kept.sum())
    return (
        f"{count} cell{'' if count == 1 else 's'} kept more than asked: to be no less safe than "
        f"{strong}"
    )


def to_measure(one: DerivedTune, made: DerivedSet) -> tuple[str, ...]:
    """Say what to measure before a tune is handed over."""
    setup, two = one.tune.setup, made.two
    names = [channel_words(name) for name in setup.limits.ceilings if name != "torque"]
    channels = ", ".join(["lambda", *names, "barometer and intake temperature"])
    said = [
        f"three full-load pulls{_span_words(two)}, with {channels}; name them as its run in the "
        "list and check again"
    ]
    if one.plan.kind == TOWING:
        said.append(_hold_words(one))
    if setup.engine.ignition == "spark":
        said.append("knock, listened to or logged, where it is in boost")
    return tuple(said)


def _span_words(two: TwoRuns | None) -> str:
    return "" if two is None else f", {two.rpm.min():.0f} to {two.rpm.max():.0f} rpm or wider"


def _hold_words(one: DerivedTune) -> str:
    """Ask for a hold at the hottest speed, as long as the exhaust gets hotter."""
    setup = one.tune.setup
    top = at = ""
    if "exhaust_temp" in setup.limits.ceilings:
        ceiling = setup.limits.ceilings["exhaust_temp"].ceiling
        top = f", and stays under {reading(ceiling, 'exhaust_temp', setup)}"
    if len(one.prediction) and one.prediction["exhaust_temp_c"].notna().any():
        place = int(np.nanargmax(one.prediction["exhaust_temp_c"].to_numpy(dtype=float)))
        at = f" at {one.prediction['rpm'].iloc[place]:.0f} rpm"
    return f"full load held{at} until the exhaust gets no hotter{top}"
