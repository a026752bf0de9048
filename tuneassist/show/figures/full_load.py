"""Figures of full-load runs: curves with bands, gain, channels along the pull, a set of tunes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from tuneassist.loop.tune_set import Tune, run_torque
from tuneassist.own_units import channel_words
from tuneassist.show.figures.colours import AFTER, BEFORE, INK, LIMIT, PAPER
from tuneassist.show.figures.drawing import escape_math, frame_or_new, label_axes, set_title
from tuneassist.show.run_units import OutputUnits
from tuneassist.units import UNITS

if TYPE_CHECKING:
    from matplotlib.axes import Axes as Frame

LINES: Mapping[str, tuple[str, str]] = {"before": (BEFORE, "--"), "after": (AFTER, "-")}
_INSIDE = {"torque": "nm", "power": "kw"}
ALONG_WORDS = {
    "lambda": ("Lambda", "lambda"),
    "boost_kpa": ("Boost", "kPa gauge"),
    "manifold_pressure_kpa": ("Manifold pressure", "kPa abs"),
    "exhaust_temp_c": ("Exhaust temperature", "degC"),
    "rail_pressure_kpa": ("Rail pressure", "kPa"),
    "injector_duty_pct": ("Injector duty", "%"),
    "intake_temp_c": ("Intake air temperature", "degC"),
}
"""Channels along the pull: name and unit."""
LEAST_SPANS = {
    "lambda": 0.2, "boost_kpa": 40.0, "manifold_pressure_kpa": 40.0, "exhaust_temp_c": 150.0,
    "rail_pressure_kpa": 20_000.0, "injector_duty_pct": 20.0, "intake_temp_c": 20.0,
}  # fmt: skip
"""Smallest span of a scale, so that noise does not look significant. [unit of the column]"""
EDGE_ROOM = 0.05
"""Room beyond the outermost curve or limit, as a share of the scale. [1]"""
_STYLES = ("-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1)))
_MARKS = ("o", "s", "^", "D", "v")


def plot_full_load(
    mean: pd.DataFrame,
    quantity: str = "torque",
    *,
    unit: str = "",
    is_simulated: bool = False,
    ax: Frame | None = None,
) -> Frame:
    """Draw full-load curves before and after, with the band of the mean over the runs.

    Parameters
    ----------
    mean
        As in `tuneassist.runs.RunsComparison.mean`.
    quantity
        "torque" or "power".
    unit
        Unit word to draw in; empty for N.m and kW.
    is_simulated
        Whether the data are simulated; the title then says so.
    ax
        Where to draw; None makes a figure.
    """
    frame = frame_or_new(ax)
    inside = _INSIDE[quantity]
    unit = unit or {"nm": "N.m", "kw": "kW"}[inside]
    factor = UNITS[unit].factor
    peaks: list[tuple[float, float]] = []
    for side, part in mean.groupby("side", sort=False):
        colour, style = LINES[str(side)]
        rpm = part["rpm"].to_numpy(dtype=float)
        value, low, high = (
            part[f"{quantity}_{middle}{inside}"].to_numpy(dtype=float) / factor
            for middle in ("", "low_", "high_")
        )
        runs = int(part["n"].max())
        frame.fill_between(rpm, low, high, color=colour, alpha=0.2, linewidth=0)
        words = f"{side}, mean of {runs}" if runs > 1 else f"{side}, one run"
        frame.plot(rpm, value, style, color=colour, linewidth=1.8, label=words)
        top = int(np.nanargmax(value))
        peaks.append((float(rpm[top]), float(value[top])))
    highest = max(peak for _, peak in peaks) if peaks else 0.0
    for at, peak in peaks:  # the higher one above its curve, the other below, to avoid overlap
        is_above = peak == highest
        frame.annotate(f"{peak:.0f}", (at, peak), xytext=(0, 4 if is_above else -4), ha="center",
                       va="bottom" if is_above else "top", textcoords="offset points", fontsize=8,
                       color=INK)  # fmt: skip
    label_axes(frame, "engine speed (rpm)", f"{quantity} ({unit})")
    frame.set_ylim(0, frame.get_ylim()[1] * 1.08)
    frame.legend(loc="lower center", frameon=False, fontsize=8)
    set_title(frame, f"Full-load {quantity}", is_simulated=is_simulated)
    return frame


def plot_gain(
    gain: pd.DataFrame, *, unit: str = "N.m", is_simulated: bool = False, ax: Frame | None = None
) -> Frame:
    """Draw the gain in torque at every speed with its interval.

    Parameters
    ----------
    gain
        As in `tuneassist.runs.RunsComparison.gain`.
    unit
        Unit word of the torque.
    is_simulated
        Whether the data are simulated; the title then says so.
    ax
        Where to draw; None makes a figure.
    """
    frame = frame_or_new(ax)
    factor = UNITS[unit].factor
    rpm = gain["rpm"].to_numpy(dtype=float)
    value, low, high = (
        gain[name].to_numpy(dtype=float) / factor
        for name in ("gain_nm", "gain_low_nm", "gain_high_nm")
    )
    frame.axhline(0.0, color=INK, linewidth=1)
    if np.isfinite(low).any():
        frame.fill_between(rpm, low, high, color=AFTER, alpha=0.2, linewidth=0,
                           label="95 % interval")  # fmt: skip
    frame.plot(rpm, value, "-", color=AFTER, linewidth=1.8, label="gain")
    label_axes(frame, "engine speed (rpm)", f"gain in torque ({unit})")
    frame.margins(y=0.2)  # room for the legend
    frame.legend(loc="best", frameon=False, fontsize=8)
    set_title(frame, "Gain at every speed", is_simulated=is_simulated)
    return frame


def plot_along(
    mean: pd.DataFrame,
    column: str,
    *,
    limit_checks: pd.DataFrame | None = None,
    units: OutputUnits | None = None,
    is_simulated: bool = False,
    ax: Frame | None = None,
) -> Frame:
    """Draw a channel along the pull, before and after, with its limits and its target.

    Parameters
    ----------
    mean
        As in `tuneassist.runs.RunsComparison.mean`; lambda has its target drawn beside it where
        there is a column ``lambda_target``.
    column
        One of `ALONG_WORDS`.
    limit_checks
        As in `tuneassist.runs.RunsComparison.limit_checks`: limits of the same channel are drawn.
    units
        Units of the drawing; None uses the internal unit.
    is_simulated
        Whether the data are simulated; the title then says so.
    ax
        Where to draw; None makes a figure. The scale spans at least `LEAST_SPANS`.
    """
    frame = frame_or_new(ax)
    name = ALONG_WORDS[column][0]
    units = units or OutputUnits()
    channel, inside = channel_of(column), ALONG_WORDS[column][1]
    unit = units.unit_of(channel, inside)
    limits = nearby_limits(limit_checks, column, mean, units)
    for side, part in mean.groupby("side", sort=False):
        colour, style = LINES[str(side)]
        frame.plot(part["rpm"], units.converted(part[column], channel, inside), style, color=colour,
                   linewidth=1.8, label=str(side), zorder=3 if side == "before" else 2)  # fmt: skip
    if column == "lambda" and "lambda_target" in mean:
        _draw_target(frame, mean, units)
    for limit, words in limits:
        frame.axhline(limit, color=LIMIT, linestyle=":", linewidth=1.6)
        frame.annotate(escape_math(words), (0.99, limit), xycoords=("axes fraction", "data"),
                       xytext=(0, 2), textcoords="offset points", ha="right", va="bottom",
                       fontsize=7.5, color=LIMIT, zorder=4,
                       bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.6,
                             "alpha": 0.85})  # fmt: skip
    label_axes(frame, "engine speed (rpm)", f"{name} ({unit})" if unit != name.lower() else name)
    least = units.converted([0.0, LEAST_SPANS[column]], channel, inside)
    _widen_scale(frame, float(least[1] - least[0]))
    frame.legend(loc="best", frameon=False, fontsize=8)
    set_title(frame, f"{name} along the pull", is_simulated=is_simulated)
    return frame


def channel_of(column: str) -> str:
    """Return the channel of a column.

    Examples
    --------
    >>> channel_of("exhaust_temp_c")
    'exhaust_temp'
    """
    return column.removesuffix("_kpa").removesuffix("_c").removesuffix("_pct")


def _draw_target(frame: Frame, mean: pd.DataFrame, units: OutputUnits) -> None:
    """Draw the target of the last side only; target and load differ little between sides."""
    part = mean[mean["side"] == mean["side"].iloc[-1]]
    if part["lambda_target"].notna().any():
        target = units.converted(part["lambda_target"], "lambda", "lambda")
        frame.plot(part["rpm"], target, "-.", color=INK, linewidth=1.1, label="target", zorder=1)


def _widen_scale(frame: Frame, least: float) -> None:
    """Widen a scale about its middle to the smallest span, with some room at both ends."""
    low, high = (float(end) for end in frame.dataLim.intervaly)
    room = 0.5 * max(least - (high - low), 0.0) + EDGE_ROOM * max(high - low, least)
    frame.set_ylim(low - room, high + room)


def nearby_limits(
    limit_checks: pd.DataFrame | None, column: str, mean: pd.DataFrame, units: OutputUnits
) -> list[tuple[float, str]]:
    """Return a channel's limits near the measured range, with their names.

    Parameters
    ----------
    limit_checks, mean
        As in `tuneassist.runs.RunsComparison`.
    column
        One of `ALONG_WORDS`.
    units
        Units of the limits.
    """
    if limit_checks is None or limit_checks.empty:
        return []
    channel, inside = channel_of(column), ALONG_WORDS[column][1]
    own = limit_checks[limit_checks["channel"].eq(channel)].drop_duplicates("limit_name")
    low, high = float(mean[column].min()), float(mean[column].max())
    room = max(high - low, 0.1 * abs(high), LEAST_SPANS[column])
    near = own[(own["limit"] >= low - room) & (own["limit"] <= high + room)]
    shown = units.converted(near["limit"], channel, inside)
    return [
        (float(limit), f"{channel_words(str(name))} {limit:.4g}")
        for limit, name in zip(shown, near["limit_name"], strict=True)
    ]


def plot_tunes(
    tunes: Sequence[Tune],
    *,
    unit: str = "N.m",
    is_simulated: bool = False,
    ax: Frame | None = None,
) -> Frame:
    """Draw the full-load torque of every tune of a set that has a run.

    Parameters
    ----------
    tunes
        From least to most power.
    unit
        Unit word of the torque.
    is_simulated
        Whether the data are simulated; the title then says so.
    ax
        Where to draw; None makes a figure.
    """
    frame = frame_or_new(ax)
    with_run = [(tune, run_torque(tune.run)) for tune in tunes if tune.run is not None]
    for number, (tune, run) in enumerate(with_run):
        shade = 0.75 * number / max(len(with_run) - 1, 1)
        style: Any = _STYLES[number % len(_STYLES)]
        torque = run["torque_nm"] / UNITS[unit].factor
        frame.plot(run["rpm"], torque, linestyle=style, linewidth=1.8,
                   color=_between(BEFORE, AFTER, shade / 0.75), label=escape_math(tune.name),
                   marker=_MARKS[number % len(_MARKS)], markevery=max(len(run) // 8, 1),
                   markersize=4)  # fmt: skip
    label_axes(frame, "engine speed (rpm)", f"torque ({unit})")
    frame.legend(loc="best", frameon=False, fontsize=8)
    set_title(frame, "The set of tunes at full load", is_simulated=is_simulated)
    return frame


def _between(first: str, second: str, share: float) -> Any:
    from matplotlib.colors import to_rgb

    return tuple((1 - share) * a + share * b for a, b in zip(to_rgb(first), to_rgb(second),
                                                             strict=True))  # fmt: skip
