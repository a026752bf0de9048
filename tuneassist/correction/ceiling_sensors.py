"""Which ceilings are monitored: the channel was logged and its sensor responds."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from tuneassist.correction.cell_readings import in_boost, nearest_reading, read_tops
from tuneassist.correction.limiter_input import LimiterInput
from tuneassist.correction.raw_step import Flags
from tuneassist.grid import Floats
from tuneassist.own_units import units_for
from tuneassist.settings import (
    CEILING_CHANNELS,
    FUEL_MONITORS,
    INTAKE_AIR_C,
    LIVE_EXHAUST_RANGE_C,
    LIVE_EXHAUST_TOP_C,
    Setup,
)

HEAT = "exhaust_temp"
CHANNELS_TO_LOG = {
    "torque": "torque",
    "exhaust_temp": "exhaust_temp",
    "boost": "boost or manifold_pressure",
}
MIN_SAMPLES = 2  # one sample of exhaust heat gives no reading: another must confirm it [1]


def dead_sensor_reason(name: str, top: Floats, setup: Setup | None = None) -> str:
    """Say why a channel's sensor looks dead; empty where it responds or was not logged.

    Parameters
    ----------
    name
        Channel with a ceiling.
    top
        Highest reading of every cell, nan never seen. [unit inside]
    setup
        Units to say it in; None says it in those inside.
    """
    known = top[np.isfinite(top)]
    if not len(known):
        return ""
    low, high = float(known.min()), float(known.max())
    if name == HEAT and high <= LIVE_EXHAUST_TOP_C:
        units = units_for(setup)
        top_words = units.said(round(high), "degC")
        return f"never passes {units.said(LIVE_EXHAUST_TOP_C, 'degC')} (highest {top_words})"
    if name == HEAT and high - low < LIVE_EXHAUST_RANGE_C:
        units = units_for(setup)
        return (
            f"moves by less than {units.said_change(LIVE_EXHAUST_RANGE_C, 'degC')} over the whole "
            f"map ({units.span(round(low), round(high), 'degC')})"
        )
    if name in FUEL_MONITORS and len(known) > 1 and low == high:
        return f"never moves (always {units_for(setup).said(high, CEILING_CHANNELS[name][1])})"
    return ""


def is_monitored(inputs: LimiterInput) -> Flags:
    """Cells near which one of `FUEL_MONITORS` was read, by a sensor that responds."""
    monitored = np.zeros(len(inputs.current), dtype=bool)
    for name in FUEL_MONITORS:
        top = inputs.seen.get(name)
        if top is not None and not dead_sensor_reason(name, top):
            near = nearest_reading(top, inputs.axes)
            monitored |= np.isfinite(near) & ((name != HEAT) | (near > INTAKE_AIR_C))
    return monitored


def what_to_log(inputs: LimiterInput) -> str:
    """Say what to log, or to give a ceiling, so that more fuel is monitored."""
    bounded = [name for name in FUEL_MONITORS if name in inputs.limits.ceilings]
    dead = [
        f"{name} {reason} and counts as not logged"
        for name in bounded
        if name in inputs.seen
        and (reason := dead_sensor_reason(name, inputs.seen[name], inputs.setup))
    ]
    if not bounded:
        return "set a ceiling on torque, exhaust_temp or boost, and log it"
    logs = " or ".join(CHANNELS_TO_LOG[name] for name in bounded)
    return "; ".join([*dead, f"log {logs}"])


def unmonitored_ceilings(cells: pd.DataFrame, *, setup: Setup) -> tuple[str, ...]:
    """Name the ceilings in force that protect nothing: no reading, or a dead sensor.

    Parameters
    ----------
    cells
        One row per cell, with a column ``<column>_max`` for each channel that was logged.
    setup
        Its limits.

    Returns
    -------
    tuple of str
        Channel names; boost counts as monitored where manifold pressure was logged.
    """
    tops = read_tops(cells, setup.limits)
    return tuple(
        name for name, top in tops.items() if np.isnan(top).all() or dead_sensor_reason(name, top)
    )


def ceiling_notes(cells: pd.DataFrame, *, setup: Setup) -> tuple[str, ...]:
    """Say which ceilings protect nothing, everywhere or in boost, and why.

    Parameters
    ----------
    cells, setup
        As in `unmonitored_ceilings`; ``samples`` shows where the engine has been.
    """
    return tuple(_notes(cells, setup))


def _notes(cells: pd.DataFrame, setup: Setup) -> Iterator[str]:
    tops = read_tops(cells, setup.limits)
    missing = [name for name, top in tops.items() if np.isnan(top).all()]
    if missing:
        yield (
            "no log has a reading for these ceilings, so they protect nothing: "
            + ", ".join(missing)
        )
    for name, top in tops.items():
        if dead := dead_sensor_reason(name, top, setup):
            yield f"{name} {dead}: it counts as not logged, and its ceiling protects nothing"
    heat = tops.get(HEAT)
    if heat is not None and HEAT not in missing and not dead_sensor_reason(HEAT, heat):
        yield from _unread_in_boost(cells, setup, heat)


def _unread_in_boost(cells: pd.DataFrame, setup: Setup, heat: Floats) -> Iterator[str]:
    if "samples" not in cells:
        return
    axes = setup.axes
    blank = in_boost(cells, axes, setup.limits) & np.isnan(nearest_reading(heat, axes))
    blank &= cells["samples"].to_numpy() >= MIN_SAMPLES
    if not blank.any():
        return
    first = int(np.flatnonzero(blank)[0])
    rpm, load = axes.cell_rpm()[first], axes.cell_load()[first]
    count = int(blank.sum())
    yield (
        f"{HEAT} has no reading in {count} {'cell' if count == 1 else 'cells'} in boost that the "
        f"logs visit, such as {rpm:g} rpm, {load:g}: its ceiling protects nothing there"
    )
