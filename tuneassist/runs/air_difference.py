"""Whether two sides ran in the same air, and the effect of the difference on torque.

The effect is estimated from the known air of each side by the ISO 1585 formula for spark ignition,
the most sensitive to pressure of those implemented here. It decides whether to compare; it is not
the correction itself.
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
"""Name of the refusal to compare runs in different air."""


@dataclass(frozen=True)
class KnownAir:
    """Known state of the intake air.

    Parameters
    ----------
    pressure_kpa
        Ambient pressure, dry where humidity is known; nan where it is not known. [kPa]
    temp_c
        Temperature of the air drawn in; nan where it is not known. [degC]
    is_charged
        Whether the engine is charged: the logged inlet temperature may be the charge temperature.
    """

    pressure_kpa: float = float("nan")
    temp_c: float = float("nan")
    is_charged: bool = False

    @property
    def text(self) -> str:
        """The known pressure and temperature as text."""
        parts = [f"{self.pressure_kpa:.1f} kPa"] if np.isfinite(self.pressure_kpa) else []
        parts += [f"{self.temp_c:.1f} degC"] if np.isfinite(self.temp_c) else []
        return " and ".join(parts) or "not known"


def mean_air(seen: Sequence[KnownAir]) -> KnownAir:
    """Mean air of several pulls, each quantity over the pulls that have it."""
    known = np.array([(one.pressure_kpa, one.temp_c) for one in seen], dtype=float).reshape(-1, 2)
    means = [
        float(column[np.isfinite(column)].mean()) if np.isfinite(column).any() else float("nan")
        for column in known.T
    ]
    return KnownAir(means[0], means[1], any(one.is_charged for one in seen))


def air_effect_pct(first: KnownAir, second: KnownAir) -> float:
    """Extra torque of the second side from its air alone. [%]

    A quantity known on one side only is taken as equal; nan where both are unknown.

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
    """Refuse to compare uncorrected torque in different air; None where it may be compared.

    Parameters
    ----------
    first, second
        Air of each side.
    settings
        ``max_air_effect_pct`` and ``different_air``.
    names
        Names of the sides.
    """
    effect = air_effect_pct(first, second)
    if settings.different_air == "as measured" or not abs(effect) > settings.max_air_effect_pct:
        return None
    return Refusal(
        DIFFERENT_AIR, f"{air_difference_words(first, second, names=names)}, more than "
        f"{settings.max_air_effect_pct:g} %: the runs are not compared uncorrected.",
        MappingProxyType({"air_effect_pct": effect, "most_pct": settings.max_air_effect_pct}),
    )  # fmt: skip


def air_difference_words(first: KnownAir, second: KnownAir, *, names: tuple[str, str]) -> str:
    """Describe the air of two sides and the effect of the difference."""
    effect = air_effect_pct(first, second)
    is_charge = first.is_charged or second.is_charged
    caveat = " (as logged; on a charged engine this may be the charge temperature)" * is_charge
    return (
        f"The air differs: {first.text} for {names[0]} and {second.text} for {names[1]}{caveat}. "
        f"This alone changes torque by {effect:+z.1f} %"
    )
