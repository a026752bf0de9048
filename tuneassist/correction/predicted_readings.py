"""Predicted heat, torque and duty after a step, kept under their ceilings.

A reading under its ceiling shows how much room is left; the step has to fit into it. What grows
with what:

- torque and exhaust heat of a compression engine grow with its fuel, torque also with air; less
  air at the same fuel makes its exhaust hotter;
- a spark engine's exhaust is heated by a leaner mixture, since richer is its safe way; where the
  grid raises its boost, fuel follows the air, and torque, heat and duty with it;
- injector duty grows with fuel;
- boost is what a boost grid sets, so that its own rule bounds it; rail pressure does not follow.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from tuneassist.correction.bounds import Bound, ratio_bound
from tuneassist.correction.ceiling_sensors import HEAT, is_monitored, what_to_log
from tuneassist.correction.cell_readings import highest_around, nearest_reading, with_neighbours
from tuneassist.correction.limiter_input import LimiterInput
from tuneassist.grid import Floats
from tuneassist.own_units import channel_words, reading
from tuneassist.settings import FULL_DUTY_PCT, INTAKE_AIR_C

GROWS_WITH_GRID: Mapping[tuple[bool, bool], Mapping[str, int]] = {
    (True, True): {"injector_duty": 1, "exhaust_temp": -1},
    (True, False): {"torque": 1, "exhaust_temp": 1, "injector_duty": 1},
    (False, True): {"torque": 1, "exhaust_temp": 1, "injector_duty": 1},
    (False, False): {"torque": 1, "exhaust_temp": -1},
}
"""Spark ignition and whether the grid acts on fuel, to the readings that grow with the grid's value
(+1) or with its inverse (-1)."""

HALFWAY = 0.5  # share of a cell's step where its neighbour's samples begin [1]


def foreseen(inputs: LimiterInput) -> Bound | None:
    """Predicted torque, exhaust heat and duty stay under their ceilings, with a margin."""
    grows = GROWS_WITH_GRID[inputs.is_spark, inputs.acts_on_fuel]
    largest = {name: _largest_ratio(inputs, name) for name in grows if name in inputs.seen}
    if not largest:
        return None
    more = {name: room for name, room in largest.items() if grows[name] > 0}
    less = {name: room for name, room in largest.items() if grows[name] < 0}

    def words(cell: int) -> str:
        binding = (more if inputs.raw[cell] > 0 else less) or largest
        return _bound_words(inputs, min(binding, key=lambda name: float(binding[name][cell])), cell)

    return ratio_bound(
        inputs,
        "foreseen",
        words,
        low=1.0 / _smallest_ratio(inputs, less),
        high=_smallest_ratio(inputs, more),
    )


def _smallest_ratio(inputs: LimiterInput, rooms: Mapping[str, Floats]) -> Floats:
    free = np.full(len(inputs.current), np.inf)
    return np.asarray(np.min([free, *rooms.values()], axis=0))


def _is_spark_duty(inputs: LimiterInput, name: str) -> bool:
    """Richer is safe for a spark engine: only an injector at full duty stops it."""
    return name == "injector_duty" and inputs.is_spark and inputs.acts_on_fuel


def _limit_of(inputs: LimiterInput, name: str) -> float:
    return FULL_DUTY_PCT if _is_spark_duty(inputs, name) else inputs.limits.ceilings[name].ceiling


def _largest_ratio(inputs: LimiterInput, name: str) -> Floats:
    """Largest multiple that keeps a reading under its limit, at least 1; inf without a reading.

    Halfway to a neighbour half of a cell's step is at work, on readings as high as the neighbour's.
    That does not keep a spark engine lean: its duty counts in the cell itself only.
    """
    own = _ratio_to_limit(inputs, name, nearest_reading(inputs.seen[name], inputs.axes))
    if _is_spark_duty(inputs, name):
        return own
    around = _ratio_to_limit(inputs, name, highest_around(inputs.seen[name], inputs.axes))
    largest = np.minimum(own, 1.0 + (around - 1.0) / HALFWAY)
    # a reading beyond its ceiling is left to the ceiling rule
    return np.where(with_neighbours(inputs.beyond[name], inputs.axes), np.inf, largest)


def _ratio_to_limit(inputs: LimiterInput, name: str, near: Floats) -> Floats:
    """Largest multiple that keeps a reading under its limit with the margin; inf without a rise."""
    base = INTAKE_AIR_C if name == HEAT else 0.0
    rise = near - base
    is_read = rise > 0
    room = (_limit_of(inputs, name) - base) / np.where(is_read, rise, 1.0) - 1.0
    largest = np.maximum(1.0 + room / (1.0 + inputs.limits.foresee_margin_pct / 100.0), 1.0)
    return np.where(is_read, largest, np.inf)


def _bound_words(inputs: LimiterInput, name: str, cell: int) -> str:
    near = float(nearest_reading(inputs.seen[name], inputs.axes)[cell])
    if _is_spark_duty(inputs, name):
        return (
            f"the injectors' limit: duty is {near:.0f} % now, and full duty delivers no more fuel; "
            "reduce boost instead"
        )
    ceiling = inputs.limits.ceilings[name].ceiling
    return (
        f"the {channel_words(name)} ceiling of {reading(ceiling, name, inputs.setup)}, which a "
        f"larger step may pass here or on the way to a neighbour (read now: "
        f"{reading(near, name, inputs.setup)})"
    )


def raise_fuel_unwatched(inputs: LimiterInput) -> Bound | None:
    """Compression: more fuel only where a reading with a ceiling shows its effect."""
    if inputs.is_spark or not inputs.acts_on_fuel or inputs.limits.raise_fuel_unwatched:
        return None
    shut = ~is_monitored(inputs)

    def words(cell: int) -> str:
        return (
            "the lack of a reading near this cell that shows the effect of more fuel: "
            f"{what_to_log(inputs)}, or accept the risk: raise_fuel_unwatched = true in [limits]"
        )

    return ratio_bound(inputs, "raise_fuel_unwatched", words, high=np.where(shut, 1.0, np.inf))
