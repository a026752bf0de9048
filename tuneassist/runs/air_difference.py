"""Whether two sides ran in the same air, and what the difference alone is worth in torque.

Two runs of one engine in different air differ by the weather. The difference is told from what is
known of the air of each side, and valued by the formula of ISO 1585 for spark ignition, which of
those known here answers most to pressure: a yardstick for asking, not the correction itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from tuneassist.runs.air import ZERO_CELSIUS_K
from tuneassist.runs.refusal import Refusal
from tuneassist.runs.settings import RunSettings
from tuneassist.runs.standard_air_factors import REFERENCE_K, REFERENCE_KPA, iso1585_spark

DIFFERENT_AIR = "different air"
"""Name of the refusal to compare what ran in different air."""


@dataclass(frozen=True)
class KnownAir:
    """What is known of the air that an engine breathed.

    Parameters
    ----------
    pressure_kpa
        Ambient pressure, dry where humidity is known; nan where it is not known. [kPa]
    temp_c
        Temperature of the air drawn in; nan where it is not known. [degC]
    is_charged
        Whether the engine is charged, so that a logged inlet temperature may be the charge's.
    """

    pressure_kpa: float = float("nan")
    temp_c: float = float("nan")
    is_charged: bool = False

    @property
    def words(self) -> str:
        """Pressure and temperature, as far as they are known."""
        parts = [f"{self.pressure_kpa:.1f} kPa"] if np.isfinite(self.pressure_kpa) else []
        parts += [f"{self.temp_c:.1f} degC"] if np.isfinite(self.temp_c) else []
        return " and ".join(parts) or "not known"


def mean_air(seen: Sequence[KnownAir]) -> KnownAir:
    """Mean of the air of several pulls, each quantity over the pulls that know it."""
    known = np.array([(one.pressure_kpa, one.temp_c) for one in seen], dtype=float).reshape(-1, 2)
    means = [
        float(column[np.isfinite(column)].mean()) if np.isfinite(column).any() else float("nan")
        for column in known.T
    ]
    return KnownAir(means[0], means[1], any(one.is_charged for one in seen))


def air_effect_pct(first: KnownAir, second: KnownAir) -> float:
    """Torque that the second side has more than the first by its air alone. [%]

    A quantity that one of them does not know is taken as equal; nan where nothing is shared.

    Examples
    --------
    >>> round(air_effect_pct(KnownAir(99.0, 24.85), KnownAir(97.0, 34.85)), 2)  # 1/1.04529
    -4.33
    """
    pressure = (first.pressure_kpa, second.pressure_kpa)
    temp = (first.temp_c + ZERO_CELSIUS_K, second.temp_c + ZERO_CELSIUS_K)
    is_known = [bool(np.isfinite(pair).all()) for pair in (pressure, temp)]
    if not any(is_known):
        return float("nan")
    factors = iso1585_spark(
        pressure if is_known[0] else (REFERENCE_KPA, REFERENCE_KPA),
        temp if is_known[1] else (REFERENCE_K, REFERENCE_K),
    )
    return float(100.0 * (factors[0] / factors[1] - 1.0))


def air_refusal(
    first: KnownAir, second: KnownAir, settings: RunSettings, *, names: tuple[str, str]
) -> Refusal | None:
    """Refuse to compare torque as measured in air that differs; None where it may be compared.

    Parameters
    ----------
    first, second
        Air of each side.
    settings
        ``max_air_effect_pct`` and ``different_air``.
    names
        What the sides are called.
    """
    effect = air_effect_pct(first, second)
    if settings.different_air == "as measured" or not abs(effect) > settings.max_air_effect_pct:
        return None
    return Refusal(
        DIFFERENT_AIR, f"{air_difference_words(first, second, names=names)}, more than "
        f"{settings.max_air_effect_pct:g} %: it is not compared uncorrected.",
        MappingProxyType({"air_effect_pct": effect, "most_pct": settings.max_air_effect_pct}),
    )  # fmt: skip


def air_difference_words(first: KnownAir, second: KnownAir, *, names: tuple[str, str]) -> str:
    """Say what the air of two sides was, and what the difference is worth."""
    effect = air_effect_pct(first, second)
    is_charge = first.is_charged or second.is_charged
    doubt = " (as logged; of a charged engine that may be the charge's temperature)" * is_charge
    return (
        f"The air differs, {first.words} for {names[0]} and {second.words} for {names[1]}{doubt}, "
        f"which alone is worth {effect:+z.1f} % of torque"
    )
