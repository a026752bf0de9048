"""Correction factors from measured power and torque to standard air.

The measured value is multiplied by the factor. The source of each formula is marked: [R] read in
a publicly available copy, [M] from memory, original not seen.

References
----------
ISO 1585; UN Regulation No. 85, Annex 5, clauses 5.4.1 and 5.4.2; SAE J1349 JUN90; DIN 70020.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from tuneassist.grid import Floats
from tuneassist.runs.settings import Charging, Edition

REFERENCE_KPA, REFERENCE_K = 99.0, 298.0  # dry; 298 K and not 298.15 [M]
DIN_REFERENCE_KPA, DIN_REFERENCE_K = 101.3, 293.0  # 1013 mbar total [R, secondary]
MECHANICAL_EFFICIENCY = 0.85  # assumed by SAE J1349 JUN90 [R, secondary]

TURBO_EXPONENT: Mapping[Edition, float] = MappingProxyType(
    {"r85": 1.5, "iso-air": 1.2, "iso-liquid": 0.7}
)
"""Temperature exponent of the atmospheric factor: 1.5 [M], 1.2 and 0.7 [R, service manual]."""


def iso1585_spark(dry_kpa: npt.ArrayLike, kelvin: npt.ArrayLike) -> Floats:
    """Factor for spark ignition: R85 Annex 5 clause 5.4.1, ISO 1585 [M].

    Parameters
    ----------
    dry_kpa
        Dry pressure. [kPa]
    kelvin
        Temperature at the inlet. [K]

    Examples
    --------
    >>> round(float(iso1585_spark(97.0, 308.0)), 5)
    1.04529
    """
    dry, t = np.asarray(dry_kpa, dtype=float), np.asarray(kelvin, dtype=float)
    return np.asarray((REFERENCE_KPA / dry) ** 1.2 * (t / REFERENCE_K) ** 0.6)


def atmospheric_factor(
    dry_kpa: npt.ArrayLike,
    kelvin: npt.ArrayLike,
    *,
    charging: Charging,
    edition: Edition = "r85",
) -> Floats:
    """f_a for compression ignition: R85 Annex 5 clause 5.4.2.

    Parameters
    ----------
    dry_kpa, kelvin
        As in `iso1585_spark`.
    charging
        "natural" and "mechanical" share a form [R, service manual]; "turbo" has its own.
    edition
        Temperature exponent of a turbocharged engine; see `TURBO_EXPONENT`.

    Examples
    --------
    >>> round(float(atmospheric_factor(97.0, 308.0, charging="turbo")), 5)
    1.06587
    """
    dry, t = np.asarray(dry_kpa, dtype=float), np.asarray(kelvin, dtype=float)
    pressure, warmth = REFERENCE_KPA / dry, t / REFERENCE_K
    if charging == "turbo":
        return np.asarray(pressure**0.7 * warmth ** TURBO_EXPONENT[edition])
    return np.asarray(pressure * warmth**0.7)


def fuel_per_cycle(
    fuel_g_s: npt.ArrayLike, displacement_l: float, rpm: npt.ArrayLike, *, strokes: int = 4
) -> Floats:
    """q, fuel per litre of displacement and working cycle [R, service manual].

    Parameters
    ----------
    fuel_g_s
        Fuel flow. [g/s]
    displacement_l
        Displacement. [l]
    rpm
        Engine speed. [rpm]
    strokes
        4 or 2.

    Returns
    -------
    numpy.ndarray
        [mg/(l cycle)]

    Examples
    --------
    >>> float(fuel_per_cycle(4.0, 2.0, 4000.0))
    60.0
    """
    z = 30_000.0 * strokes
    flow = np.asarray(fuel_g_s, dtype=float)
    return np.asarray(z * flow / (displacement_l * np.asarray(rpm, dtype=float)))


def engine_factor(fuel_per_charge: npt.ArrayLike, *, edition: Edition = "r85") -> Floats:
    """f_m of q_c = q/r: R85 Annex 5 clause 5.4.2.2 [R, as quoted].

    Parameters
    ----------
    fuel_per_charge
        q over the charge pressure ratio r. [mg/(l cycle)]
    edition
        "r85" keeps f_m at 0.3 below 40; in the iso forms the line continues down to 37.2.

    Examples
    --------
    >>> engine_factor([30, 45, 60, 80]).round(3).tolist()
    [0.3, 0.48, 1.02, 1.2]
    """
    low = 40.0 if edition == "r85" else 37.2
    held = np.clip(np.asarray(fuel_per_charge, dtype=float), low, 65.0)
    return np.asarray(0.036 * held - 1.14)


def sae_j1349(dry_kpa: npt.ArrayLike, kelvin: npt.ArrayLike, *, is_rounded: bool = True) -> Floats:
    """Factor of SAE J1349, JUN90 form, spark ignition [R, secondary].

    Indicated power is corrected; friction, taken as 15 % of it, is not. Which constants later
    issues print was not verified.

    Parameters
    ----------
    dry_kpa, kelvin
        As in `iso1585_spark`.
    is_rounded
        True: 1.18 and 0.18 as printed. False: 1/0.85 and 1/0.85 - 1.

    Examples
    --------
    >>> round(float(sae_j1349(97.0, 308.0)), 5)
    1.04437
    """
    dry, t = np.asarray(dry_kpa, dtype=float), np.asarray(kelvin, dtype=float)
    indicated = 1.18 if is_rounded else 1.0 / MECHANICAL_EFFICIENCY
    air = REFERENCE_KPA / dry * np.sqrt(t / REFERENCE_K)
    return np.asarray(indicated * air - (indicated - 1.0))


def din70020(total_kpa: npt.ArrayLike, kelvin: npt.ArrayLike) -> Floats:
    """Factor of DIN 70020, from total and not dry pressure [R, secondary].

    Parameters
    ----------
    total_kpa
        Pressure, vapour included. [kPa]
    kelvin
        Temperature at the inlet. [K]

    Examples
    --------
    >>> round(float(din70020(98.0, 303.0)), 5)
    1.05116
    """
    total, t = np.asarray(total_kpa, dtype=float), np.asarray(kelvin, dtype=float)
    return np.asarray(DIN_REFERENCE_KPA / total * np.sqrt(t / DIN_REFERENCE_K))
