"""Figures of full-load runs: curves with bands, gain, channels along the pull, a set of tunes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from tuneassist.loop.tune_set import Tune, run_torque
from tuneassist.own_units import channel_words
from tuneassist.runs.limit_checks import FLOORS
from tuneassist.show.figures.colours import AFTER, BEFORE, INK
from tuneassist.show.figures.drawing import (
    frame_or_new,
    in_legend,
    label_axes,
    legend_below,
    set_title,
)
from tuneassist.show.figures.limits import CurveLimit, draw_limits, limit_key
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
EDGE_ROOM, LIMIT_ROOM = 0.05, 0.1
"""Room beyond the outermost curve or limit, as a share of the scale; beyond a limit, more. [1]"""
PREDICTED_DASHES = (0, (4, 2))
"""Dashes of what is predicted and not measured."""
_MARKS = ("o", "s", "^", "D", "v")


def plot_full_load(
    mean: pd.DataFrame,
    quantity: str = "torque",
    *,
    curves: pd.DataFrame | None = None,
    unit: str = "",
    is_simulated: bool = False,
    ax: Frame | None = None,
) -> Frame:
    """Draw full-load curves before and after: single pulls behind the band of their mean.

    Parameters
    ----------
    mean
        As in `tuneassist.runs.RunsComparison.mean`.
    quantity
        "torque" or "power".
    curves
        As in `tuneassist.runs.RunsComparison.curves`: each pull is drawn thin; None draws none.
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
        if curves is not None:
            _draw_pulls(
                frame, curves[curves["side"] == side], f"{quantity}_{inside}", factor, colour
            )
        rpm = part["rpm"].to_numpy(dtype=float)
        value, low, high = (
            part[f"{quantity}_{middle}{inside}"].to_numpy(dtype=float) / factor
            for middle in ("", "low_", "high_")
        )
        runs = int(part["n"].max())
        frame.fill_between(rpm, low, high, color=colour, alpha=0.2, linewidth=0)
        words = f"{side}, mean of {runs} pulls" if runs > 1 else f"{side}, one pull"
        frame.plot(rpm, value, style, color=colour, linewidth=1.8, label=words, zorder=3)
        if np.isfinite(value).any():
            top = int(np.nanargmax(value))
            peaks.append((float(rpm[top]), float(value[top])))
    _number_peaks(frame, peaks)
    label_axes(frame, "engine speed (rpm)", f"{quantity} ({unit})")
    frame.set_ylim(0, max(frame.get_ylim()[1], 0.0) * 1.08)
    band = "shade: 95 % interval of the mean" if mean["n"].max() > 1 else "one pull: no interval"
    legend_below(frame, rule=f"{'thin: single pulls; ' if curves is not None else ''}{band}.")
    set_title(frame, f"Full-load {quantity}", is_simulated=is_simulated)
    return frame


def _number_peaks(frame: Frame, peaks: Sequence[tuple[float, float]]) -> None:
    """Write each peak's value: the higher above its curve, the other below, to avoid overlap."""
    highest = max((peak for _, peak in peaks), default=0.0)
    for at, peak in peaks:
        is_above = peak == highest
        frame.annotate(f"{peak:.1f}", (at, peak), xytext=(0, 4 if is_above else -4), ha="center",
                       va="bottom" if is_above else "top", textcoords="offset points", fontsize=8,
                       color=INK)  # fmt: skip


def _draw_pulls(
    frame: Frame, curves: pd.DataFrame, column: str, factor: float, colour: str
) -> None:
    """Draw each pull thin, as one line with gaps."""
    parts = [
        np.vstack([part[["rpm", column]].to_numpy(dtype=float), [np.nan, np.nan]])
        for _, part in curves.groupby(["log", "pull"], sort=False)
    ]
    if parts:
        x, y = np.vstack(parts).T
        frame.plot(x, y / factor, "-", color=colour, linewidth=0.6, alpha=0.55, zorder=1)


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
    frame.margins(y=0.1)
    legend_below(frame, rule="+ is more torque than before")
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
    label_axes(frame, "engine speed (rpm)", f"{name} ({unit})" if unit != name.lower() else name)
    least = units.converted([0.0, LEAST_SPANS[column]], channel, inside)
    _widen_scale(frame, float(least[1] - least[0]), [limit.value for limit in limits])
    draw_limits(frame, limits)
    legend_below(frame, [*frame.get_legend_handles_labels()[0], *limit_key(limits)])
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


def _widen_scale(frame: Frame, least: float, limits: Sequence[float]) -> None:
    """Widen a scale to its limits and, about its middle, to the smallest span, with some room."""
    ends = [*(float(end) for end in frame.dataLim.intervaly), *limits]
    low, high = min(ends), max(ends)
    room = 0.5 * max(least - (high - low), 0.0) + EDGE_ROOM * max(high - low, least)
    more = LIMIT_ROOM * max(high - low, least)  # the forbidden side, with the label on it
    frame.set_ylim(
        low - room - (more if low in limits else 0.0),
        high + room + (more if high in limits else 0.0),
    )


def nearby_limits(
    limit_checks: pd.DataFrame | None, column: str, mean: pd.DataFrame, units: OutputUnits
) -> list[CurveLimit]:
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
        CurveLimit(float(limit), f"{channel_words(str(name))} {limit:.4g}", str(name) not in FLOORS)
        for limit, name in zip(shown, near["limit_name"], strict=True)
    ]


def plot_tunes(
    tunes: Sequence[Tune],
    *,
    unit: str = "N.m",
    predicted: Mapping[str, pd.DataFrame] | None = None,
    is_simulated: bool = False,
    ax: Frame | None = None,
) -> Frame:
    """Draw the full-load torque of every tune of a set, measured or predicted.

    Parameters
    ----------
    tunes
        From least to most power.
    unit
        Unit word of the torque.
    predicted
        For tunes without a run: name to ``rpm, torque_nm`` as predicted, drawn dashed, with the
        band of ``torque_low_nm, torque_high_nm`` where there is one.
    is_simulated
        Whether the data are simulated; the title then says so.
    ax
        Where to draw; None makes a figure.
    """
    frame = frame_or_new(ax)
    factor = UNITS[unit].factor
    predictions, missing = predicted or {}, []
    for number, tune in enumerate(tunes):
        own = predictions.get(tune.name)
        run = tune.run if tune.run is not None else own
        if run is None:
            missing.append(tune.name)
            continue
        look = _look_of_tune(number, len(tunes), is_predicted=tune.run is None)
        curve = run_torque(run)
        words = f"{in_legend(tune.name)}{_what_it_is(tune)}"
        frame.plot(curve["rpm"], curve["torque_nm"] / factor, label=words,
                   markevery=max(len(curve) // 8, 1), **look)  # fmt: skip
        if tune.run is None and "torque_low_nm" in run:
            frame.fill_between(run["rpm"], run["torque_low_nm"] / factor,
                               run["torque_high_nm"] / factor, color=look["color"], alpha=0.15,
                               linewidth=0)  # fmt: skip
    shown = OutputUnits(torque=unit)
    limits = _ceilings_of(tunes, "torque", "N.m", shown) if frame.lines else []
    label_axes(frame, "engine speed (rpm)", f"torque ({unit})")
    least = max(float(np.ptp(frame.dataLim.intervaly)), 0.0) if frame.lines else 1.0
    if frame.lines:
        _widen_scale(frame, least, [limit.value for limit in limits])
        frame.set_ylim(0.0, frame.get_ylim()[1])  # so that a gain looks as large as it is
    draw_limits(frame, limits)
    without = f" Without a run: {', '.join(missing)}." if missing else ""
    is_predicted = any(tune.run is None and tune.name not in missing for tune in tunes)
    dashed = "; dashed: predicted, not measured" if is_predicted else ""
    rule = f"Solid lines: measured{dashed}.{without}"
    legend_below(frame, [*frame.get_legend_handles_labels()[0], *limit_key(limits)], rule=rule)
    set_title(frame, "The set of tunes at full load", is_simulated=is_simulated)
    return frame


def _what_it_is(tune: Tune) -> str:
    """Say a tune's kind where its name does not, and that its curve is predicted."""
    kind = "" if tune.kind == tune.name else tune.kind
    parts = [word for word in (kind, "predicted" if tune.run is None else "") if word]
    return f" ({', '.join(parts)})" if parts else ""


def _look_of_tune(number: int, count: int, *, is_predicted: bool) -> dict[str, Any]:
    """Return colour, marker and line of a tune: whole where it was measured."""
    return {
        "color": _between(BEFORE, AFTER, number / max(count - 1, 1)),
        "marker": _MARKS[number % len(_MARKS)],
        "markersize": 4,
        "linewidth": 1.8,
        "linestyle": PREDICTED_DASHES if is_predicted else "-",
    }


def _of(names: Sequence[str], tunes: Sequence[Tune]) -> str:
    return "" if len(names) == len(tunes) else f" of {', '.join(names)}"


def plot_tunes_along(
    tunes: Sequence[Tune],
    column: str,
    *,
    units: OutputUnits | None = None,
    is_simulated: bool = False,
    ax: Frame | None = None,
) -> Frame:
    """Draw a limited channel of every tune's full-load run, with the ceilings of the tunes.

    Parameters
    ----------
    tunes
        From least to most power; those whose run lacks the channel are not drawn.
    column
        One of `ALONG_WORDS`.
    units
        Units of the drawing; None uses the internal unit.
    is_simulated
        Whether the data are simulated; the title then says so.
    ax
        Where to draw; None makes a figure.
    """
    frame = frame_or_new(ax)
    units = units or OutputUnits()
    name, inside = ALONG_WORDS[column]
    channel, unit = channel_of(column), units.unit_of(channel_of(column), inside)
    for number, tune in enumerate(tunes):
        if tune.run is None or column not in tune.run or not tune.run[column].notna().any():
            continue
        run = tune.run.sort_values("rpm")
        values = units.converted(run[column], channel, inside)
        frame.plot(run["rpm"], values, label=in_legend(tune.name),
                   markevery=max(len(run) // 8, 1),
                   **_look_of_tune(number, len(tunes), is_predicted=False))  # fmt: skip
    limits = _ceilings_of(tunes, channel, inside, units) if frame.lines else []
    label_axes(frame, "engine speed (rpm)", f"{name} ({unit})" if unit != name.lower() else name)
    least = units.converted([0.0, LEAST_SPANS[column]], channel, inside)
    if frame.lines:
        _widen_scale(frame, float(least[1] - least[0]), [limit.value for limit in limits])
    draw_limits(frame, limits)
    legend_below(frame, [*frame.get_legend_handles_labels()[0], *limit_key(limits)])
    set_title(frame, f"{name} at full load", is_simulated=is_simulated)
    return frame


def _ceilings_of(
    tunes: Sequence[Tune], channel: str, inside: str, units: OutputUnits
) -> list[CurveLimit]:
    """Return a channel's ceilings of the tunes, each value once with its tunes."""
    names: dict[float, list[str]] = {}
    for tune in tunes:
        ceiling = tune.setup.limits.ceilings.get(channel)
        if ceiling is not None:
            names.setdefault(ceiling.ceiling, []).append(tune.name)
    return [
        CurveLimit(
            float(units.converted(value, channel, inside)),
            f"{channel_words(channel)} ceiling {units.reading(value, channel, inside)}"
            f"{_of(own, tunes)}",
            is_ceiling=True,
        )
        for value, own in names.items()
    ]


def _between(first: str, second: str, share: float) -> Any:
    from matplotlib.colors import to_rgb

    return tuple((1 - share) * a + share * b for a, b in zip(to_rgb(first), to_rgb(second),
                                                             strict=True))  # fmt: skip
