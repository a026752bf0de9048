"""Range of each channel in a log, reported where a filter drops a large share of the samples.

The logged range next to the expected one shows at once that the coolant was read in the wrong unit,
or that an absolute load was logged for a gauge axis.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import pandas as pd

from tuneassist.grid import Axes, Floats
from tuneassist.own_units import units_for
from tuneassist.settings import Setup, SteadySettings
from tuneassist.units import convert, unit_named

COLUMNS = ("rpm", "load", "coolant_temp_c", "coolant_volts", "oil_temp_c")
MOSTLY_SWEEP = 0.5
"""Share of sweeping samples from which the whole log is called a sweep. [1]"""
ATMOSPHERE_KPA = 101.325
"""Standard atmosphere, ISO 2533:1975 (from memory). [kPa]"""


class ChannelRanges:
    """Lowest and highest value of each channel over the parts of a log."""

    def __init__(self) -> None:
        self._low_high: dict[str, tuple[float, float]] = {}

    def add(self, samples: pd.DataFrame) -> None:
        """Add a part of the log."""
        for name in COLUMNS:
            if name not in samples:
                continue
            values = samples[name].to_numpy(dtype=float)
            values = values[np.isfinite(values)]
            if values.size:
                low, high = self._low_high.get(name, (np.inf, -np.inf))
                self._low_high[name] = (
                    min(low, float(values.min())),
                    max(high, float(values.max())),
                )

    def notes(self, fates: pd.Series, *, name: str, setup: Setup) -> tuple[str, ...]:
        """Compare logged and expected ranges where a filter dropped a large share.

        Parameters
        ----------
        fates
            Number of samples by their fate.
        name
            The log's name.
        setup
            Axes and thresholds.
        """
        total = max(int(fates.sum()), 1)
        share = {fate: float(fates.get(fate, 0)) / total for fate in fates.index}
        notes = []
        for fate, words in (("outside the table", _outside_words), ("engine cold", _cold_words)):
            if share.get(fate, 0.0) >= setup.steady.noted_share:
                sentence = " ".join(words(self._low_high, setup))
                notes.append(f"{name}: {100.0 * share[fate]:.1f} % of the samples {sentence}")
        sweep = share.get("sweeping", 0.0)
        if sweep >= setup.steady.noted_share:
            notes.append(_sweep_words(name, sweep))
        return tuple(notes)


def _sweep_words(name: str, share: float) -> str:
    part = "" if share >= MOSTLY_SWEEP else " in part"
    return (
        f"{name}: This log is a sweep{part}: speed or load moves slowly through the cells in "
        f"{100.0 * share:.1f} % of the samples. They are used as moving samples; a hold of about "
        "ten seconds at a point teaches more surely."
    )


def _outside_words(ranges: Mapping[str, tuple[float, float]], setup: Setup) -> Iterator[str]:
    axes, margin = setup.axes, setup.steady.outside_margin_cells
    ways = [("rpm", "speed", "rpm", axes.rpm), ("load", axes.load_name, axes.load_unit, axes.load)]
    past = [
        f"{word} runs from {_number(ranges[name][0])} to {_number(ranges[name][1])} {unit} in the "
        f"log, its axis from {points[0]:g} to {points[-1]:g}"
        for name, word, unit, points in ways
        if name in ranges and _is_past(ranges[name], points, margin)
    ]
    yield f"lie outside the axes: {'; '.join(past)}."
    if "load" in ranges and _is_past(ranges["load"], axes.load, margin):
        yield _load_question(axes)


def _load_question(axes: Axes) -> str:
    if unit_named(axes.load_unit).quantity != "pressure":
        return "Is this the load that the axis uses, and in the same unit?"
    apart = convert(ATMOSPHERE_KPA, "kPa", axes.load_unit)
    return (
        "Is one of them absolute and the other gauge pressure (a difference of about "
        f"{_number(float(apart))} {axes.load_unit}), or is the unit different?"
    )


def _cold_words(ranges: Mapping[str, tuple[float, float]], setup: Setup) -> Iterator[str]:
    steady: SteadySettings = setup.steady
    units = units_for(setup)
    if "coolant_temp_c" in ranges:
        low, high = ranges["coolant_temp_c"]
        yield (
            "count as a cold engine: coolant runs from "
            f"{units.span(round(low), round(high), 'degC')} in the log, and the minimum is "
            f"{units.said(steady.min_coolant_c, 'degC')} (steady.min_coolant_c)."
        )
        if high < steady.min_coolant_c:
            unit = units.word("degC")
            yield f"Was the engine never warm, or is the column in another unit than {unit}?"
    elif "coolant_volts" in ranges:
        low, high = ranges["coolant_volts"]
        yield (
            f"count as a cold engine: the coolant sender runs from {low:.2f} to {high:.2f} V in "
            f"the log, and the maximum is {steady.max_coolant_volts:g} V "
            "(steady.max_coolant_volts)."
        )
    elif "oil_temp_c" in ranges:
        low, high = ranges["oil_temp_c"]
        yield (
            f"count as a cold engine: oil runs from {units.span(round(low), round(high), 'degC')} "
            f"in the log, and the minimum is {units.said(steady.min_oil_c, 'degC')} "
            "(steady.min_oil_c)."
        )
    else:
        yield (
            f"lie in the first {steady.unproven_warm_s:g} s, and no channel shows that the engine "
            "was warm then (steady.unproven_warm_s)."
        )


def _is_past(logged: tuple[float, float], points: Floats, margin: float) -> bool:
    low = points[0] - margin * (points[1] - points[0])
    high = points[-1] + margin * (points[-1] - points[-2])
    return bool(logged[0] < low or logged[1] > high)


def _number(value: float) -> str:
    return f"{value:.0f}" if abs(value) >= 1000 else f"{value:.3g}"
