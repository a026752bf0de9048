"""From deviation to raw step: what each cell asks for, before any safety rule.

Worked in ln(lambda/target), so that a gain of one half, applied twice, is a gain of one. Nothing is
asked for without evidence, inside the dead band, or leaner than a target that is a floor by more
than the room kept above it.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.grid import Floats
from tuneassist.settings import CorrectionSettings

Flags = npt.NDArray[np.bool_]
USABLE_WORDS = ("low", "fair", "good")
SEEN = ("target_lambda", "deviation_pct", "ci_low_pct", "ci_high_pct", "confidence")


def propose_raw(
    cells: pd.DataFrame,
    *,
    target_kind: Literal["aim", "floor"],
    correction: CorrectionSettings,
    floor_margin_pct: float = 0.0,
) -> pd.DataFrame:
    """Add the step that each cell asks for, and why.

    Parameters
    ----------
    cells
        One row per cell with ``target_lambda, deviation_pct, ci_low_pct, ci_high_pct, confidence``.
        A positive deviation is leaner than target. [%]
    target_kind
        "aim": both sides of the target are corrected. "floor": only the rich side is.
    correction
        Gain, dead band, and what the grid acts on.
    floor_margin_pct
        Room kept above a floor, as `tuneassist.settings.Setup.floor_margin_pct`. [%]

    Returns
    -------
    pandas.DataFrame
        A copy with ``raw_pct`` (percent of fuel, + is more fuel; or percent of absolute manifold
        pressure, + is more air; 0 where nothing is asked for) and ``reason``.

    Examples
    --------
    >>> cells = pd.DataFrame({"target_lambda": [0.9], "deviation_pct": [5.0], "ci_low_pct": [4.0],
    ...     "ci_high_pct": [6.0], "confidence": ["good"]})
    >>> raw = propose_raw(cells, target_kind="aim", correction=CorrectionSettings())
    >>> float(raw["raw_pct"].iloc[0].round(6))
    5.0
    """
    room = floor_margin_pct if target_kind == "floor" else 0.0
    deviation = _above_room(cells["deviation_pct"].to_numpy(dtype=float), room)
    known = is_evidence(cells)
    in_dead_band = known & _is_in_dead_band(cells, deviation, correction, room)
    above_floor = known & ~in_dead_band & (target_kind == "floor") & (deviation >= 0)
    asked = known & ~in_dead_band & ~above_floor
    raw = np.zeros(len(cells))
    raw[asked] = _step(deviation[asked], correction)
    seen = zip(*(cells[name].tolist() for name in SEEN), strict=True)
    kinds = zip(known.tolist(), in_dead_band.tolist(), above_floor.tolist(), strict=True)
    reasons = [
        _reason(cell, step, kind, correction, room)
        for cell, step, kind in zip(seen, raw.tolist(), kinds, strict=True)
    ]
    return cells.assign(raw_pct=raw, reason=reasons)


def is_evidence(cells: pd.DataFrame) -> Flags:
    """Tell which cells have a target, a confidence above "none" and a finite deviation."""
    target = cells["target_lambda"].to_numpy(dtype=float)
    deviation = cells["deviation_pct"].to_numpy(dtype=float)
    word = np.isin(cells["confidence"].to_numpy(dtype=object).astype(str), USABLE_WORDS)
    sound = np.isfinite(target) & (target > 0) & np.isfinite(deviation) & (deviation > -100)
    return np.asarray(word & sound)


def _above_room(deviation: Floats, room: float) -> Floats:
    """Deviation from so much above the target. [%]"""
    return deviation if room == 0 else 100.0 * ((1 + deviation / 100) / (1 + room / 100) - 1)


def _is_in_dead_band(
    cells: pd.DataFrame, deviation: Floats, correction: CorrectionSettings, room: float
) -> Flags:
    """Within tolerance, and the interval holds zero; an unknown one counts as holding it."""
    low = _above_room(cells["ci_low_pct"].to_numpy(dtype=float), room)
    high = _above_room(cells["ci_high_pct"].to_numpy(dtype=float), room)
    holds_zero = ~((low > 0) | (high < 0))
    return np.asarray(holds_zero & (np.abs(deviation) <= correction.tolerance_pct))


def _step(deviation: Floats, correction: CorrectionSettings) -> Floats:
    """Fuel follows lambda/target; air at unchanged fuel follows target/lambda. [%]"""
    way = 1.0 if correction.acts_on == "fuel" else -1.0
    return np.asarray(100.0 * np.expm1(way * correction.gain * np.log1p(deviation / 100.0)))


def _reason(
    cell: tuple[float, float, float, float, str],
    step: float,
    kinds: tuple[bool, bool, bool],
    correction: CorrectionSettings,
    room: float,
) -> str:
    target, deviation, low, high, word = cell
    known, in_dead_band, above_floor = kinds
    if not np.isfinite(target):
        return "left alone: the target table has no value here"
    if not known:
        return "no change: no evidence that can be trusted"
    side = "leaner" if deviation > 0 else "richer"
    seen = f"{abs(deviation):.1f} % {side} than target ({low:+z.1f} to {high:+z.1f} %, {word})"
    kept = f" of the {room:g} % kept above the floor" if room else ""
    if in_dead_band:
        return f"no change: {seen} is within the {correction.tolerance_pct:g} % tolerance{kept}"
    if above_floor:
        return f"no change: {seen}, and the target is a floor"
    end = f", {room:g} % above the floor" if room else ""
    return f"{seen}: asks for {abs(step):.1f} % {direction_words(step, correction.acts_on)}{end}"


def direction_words(step: float, acts_on: Literal["fuel", "boost"]) -> str:
    """Name a step's direction: more or less fuel, or air."""
    return f"{'more' if step > 0 else 'less'} {'fuel' if acts_on == 'fuel' else 'boost'}"
