"""Steps the unsafe way that a rule held back: reported first, to operators and scripts.

A step the unsafe way is one toward what damages the engine: leaner or more air for a spark engine,
more fuel or more air for a compression engine. The rule keeps the grid safe; that the logs asked
for the step is still worth knowing.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from tuneassist.correction.reasons import HeldBack
from tuneassist.settings import Setup

SIZE_RULES = frozenset(
    {
        "evidence",
        "own_need",
        "max_step_pct",
        "step_at_confidence",
        "max_total_pct",
        "max_slope_rpm_pct",
        "max_slope_load_pct",
        "resolution_pct",
    }
)
"""Rules that limit a step whichever way it goes; every other rule holds unsafe steps only."""
CEILINGS, FORESEEN = "ceilings", "foreseen"
"""Hold the unsafe way only, which for the air of a hot diesel is less of it; what is foreseen also
holds a spark engine's fuel where its injectors end, which is not unsafe to ask for."""


class UnsafeHeld(NamedTuple):
    """A cell that asked the unsafe way: place, step asked for, step given, rules and their words.

    Steps in percent; the words are those of the cell's reason, without "held by".
    """

    rpm: float
    load: float
    asked_pct: float
    got_pct: float
    rules: tuple[str, ...]
    why: tuple[str, ...]


def unsafe_held(held_back: Sequence[HeldBack], *, setup: Setup) -> tuple[UnsafeHeld, ...]:
    """Pick the cells that asked the unsafe way and were held back as unsafe.

    Parameters
    ----------
    held_back
        From `tuneassist.correction.LimitedStep`.
    setup
        Ignition, and what the grid acts on.

    Returns
    -------
    tuple of UnsafeHeld
        One per cell, in the order given.
    """
    spark_fuel = setup.engine.ignition == "spark" and setup.correction.acts_on == "fuel"
    safe_way = 1.0 if spark_fuel else -1.0
    cells: dict[tuple[float, float], list[HeldBack]] = {}
    for one in held_back:
        is_unsafe = safe_way * one.would_have_got_pct < 0 or one.rule == CEILINGS
        is_unsafe |= one.rule == FORESEEN and not spark_fuel
        if one.rule not in SIZE_RULES and is_unsafe:
            cells.setdefault((one.rpm, one.load), []).append(one)
    return tuple(
        UnsafeHeld(
            rpm,
            load,
            found[0].would_have_got_pct,
            found[0].got_pct,
            tuple(one.rule for one in found),
            tuple(one.words.removeprefix("held by ") for one in found),
        )
        for (rpm, load), found in cells.items()
    )


def unsafe_record(held: Sequence[UnsafeHeld]) -> dict[str, Any]:
    """Return the record for scripts: whether a step was held, by which rules, and where."""
    rules = Counter(rule for one in held for rule in one.rules)
    return {
        "unsafe_step_held": bool(held),
        "unsafe_step_rules": dict(rules.most_common()),
        "unsafe_steps": [
            {**one._asdict(), "rules": list(one.rules), "why": list(one.why)} for one in held
        ],
    }


def unsafe_of_record(record: Mapping[str, Any]) -> tuple[UnsafeHeld, ...] | None:
    """Return what `unsafe_record` was made of; None where a record has none.

    Raises
    ------
    ValueError
        When the record is of another shape.
    """
    if "unsafe_steps" not in record:
        return None
    try:
        return tuple(_held_of(one) for one in record["unsafe_steps"])
    except (KeyError, TypeError) as error:
        raise ValueError('"unsafe_steps" is of another shape') from error


def _held_of(one: Mapping[str, Any]) -> UnsafeHeld:
    rpm, load, asked, got = (float(one[name]) for name in UnsafeHeld._fields[:4])
    return UnsafeHeld(
        rpm, load, asked, got, tuple(map(str, one["rules"])), tuple(map(str, one["why"]))
    )
