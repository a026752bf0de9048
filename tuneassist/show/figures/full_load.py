"""Figures of full-load runs: curves with bands, gain, channels along the pull, a set of tunes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from tuneassist.loop.tunes import Tune
from tuneassist.runs.output import torque_nm
from tuneassist.show.figures.colours import AFTER, BEFORE, INK, LIMIT, PAPER
from tuneassist.show.figures.paint import frame_or_new, head, no_math, plain_scales
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
        Whether the data are; then the title says so.
    ax
        Where to draw; None makes a figure.
    """
    frame = frame_or_new(ax)
    inside = _INSIDE[quantity]
    unit = unit or {"nm": "N.m", "kw": "kW"}[inside]
    factor = UNITS[unit].factor
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
        frame.annotate(f"{value[top]:.0f}", (rpm[top], value[top]), xytext=(0, 5), ha="center",
                       textcoords="offset points", fontsize=8, color=INK)  # fmt: skip
    plain_scales(frame, "engine speed (rpm)", f"{quantity} ({unit})")
    frame.set_ylim(0, frame.get_ylim()[1] * 1.08)
    frame.legend(loc="lower center", frameon=False, fontsize=8)
    head(frame, f"Full-load {quantity}", is_simulated=is_simulated)
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
        Whether the data are; then the title says so.
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
    plain_scales(frame, "engine speed (rpm)", f"gain in torque ({unit})")
    frame.legend(loc="best", frameon=False, fontsize=8)
    head(frame, "Gain at every speed", is_simulated=is_simulated)
    return frame


def plot_along(
    mean: pd.DataFrame,
    column: str,
    *,
    watched: pd.DataFrame | None = None,
    is_simulated: bool = False,
    ax: Frame | None = None,
) -> Frame:
    """Draw a channel along the pull, before and after, with its limits.

    Parameters
    ----------
    mean
        As in `tuneassist.runs.RunsComparison.mean`.
    column
        One of `ALONG_WORDS`.
    watched
        As in `tuneassist.runs.RunsComparison.watched`: limits of the same channel are drawn.
    is_simulated
        Whether the data are; then the title says so.
    ax
        Where to draw; None makes a figure.
    """
    frame = frame_or_new(ax)
    name, unit = ALONG_WORDS[column]
    for side, part in mean.groupby("side", sort=False):
        colour, style = LINES[str(side)]
        frame.plot(part["rpm"], part[column], style, color=colour, linewidth=1.8, label=str(side),
                   zorder=3 if side == "before" else 2)  # fmt: skip
    for limit, words in limits_of(watched, column, mean):
        frame.axhline(limit, color=LIMIT, linestyle=":", linewidth=1.6)
        frame.annotate(no_math(words), (0.99, limit), xycoords=("axes fraction", "data"),
                       xytext=(0, 2), textcoords="offset points", ha="right", va="bottom",
                       fontsize=7.5, color=LIMIT, zorder=4,
                       bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.6,
                             "alpha": 0.85})  # fmt: skip
    plain_scales(frame, "engine speed (rpm)", f"{name} ({unit})" if unit != name.lower() else name)
    frame.margins(y=0.12)
    frame.legend(loc="best", frameon=False, fontsize=8)
    head(frame, f"{name} along the pull", is_simulated=is_simulated)
    return frame


def limits_of(
    watched: pd.DataFrame | None, column: str, mean: pd.DataFrame
) -> list[tuple[float, str]]:
    """Return a channel's limits that lie near what was seen, with their names."""
    if watched is None or watched.empty:
        return []
    channel = column.removesuffix("_kpa").removesuffix("_c").removesuffix("_pct")
    own = watched[watched["channel"].eq(channel)].drop_duplicates("limit_name")
    low, high = float(mean[column].min()), float(mean[column].max())
    room = max(high - low, 0.1 * abs(high))
    return [
        (float(limit), f"{str(name).replace('_', ' ')} {limit:g}")
        for limit, name in zip(own["limit"], own["limit_name"], strict=True)
        if low - room <= limit <= high + room
    ]


def plot_tunes(
    tunes: Sequence[Tune], *, is_simulated: bool = False, ax: Frame | None = None
) -> Frame:
    """Draw the full-load torque of every tune of a set that has a run.

    Parameters
    ----------
    tunes
        From least to most power.
    is_simulated
        Whether the data are; then the title says so.
    ax
        Where to draw; None makes a figure.
    """
    frame = frame_or_new(ax)
    with_run = [(tune, run_torque(tune.run)) for tune in tunes if tune.run is not None]
    for number, (tune, run) in enumerate(with_run):
        shade = 0.75 * number / max(len(with_run) - 1, 1)
        style: Any = _STYLES[number % len(_STYLES)]
        frame.plot(run["rpm"], run["torque_nm"], linestyle=style, linewidth=1.8,
                   color=_between(BEFORE, AFTER, shade / 0.75), label=no_math(tune.name),
                   marker=_MARKS[number % len(_MARKS)], markevery=max(len(run) // 8, 1),
                   markersize=4)  # fmt: skip
    plain_scales(frame, "engine speed (rpm)", "torque (N.m)")
    frame.legend(loc="best", frameon=False, fontsize=8)
    head(frame, "The set of tunes at full load", is_simulated=is_simulated)
    return frame


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


def _between(first: str, second: str, share: float) -> Any:
    from matplotlib.colors import to_rgb

    return tuple((1 - share) * a + share * b for a, b in zip(to_rgb(first), to_rgb(second),
                                                             strict=True))  # fmt: skip
