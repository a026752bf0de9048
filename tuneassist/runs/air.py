"""State of the intake air, and its water vapour.

The power standards use the dry pressure: total less vapour. At 30 degC and 60 % humidity the total
pressure would give 0.998 instead of 1.030.

References
----------
40 CFR 1065.645 (2015), vapour pressure after Goff and the amount of water in air; its two worked
examples are reproduced to the printed digits.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tuneassist.errors import InputError
from tuneassist.grid import Floats

ZERO_CELSIUS_K = 273.15
TRIPLE_POINT_K = 273.16


@dataclass(frozen=True)
class AirState:
    """Air ahead of the engine's filter during a pull.

    Parameters
    ----------
    pressure_kpa
        Total pressure, vapour included. [kPa]
    temp_c
        Temperature at the filter inlet, not after a charge cooler. [degC]
    relative_humidity_pct, dew_point_c
        Humidity, one of the two or neither. [%], [degC]
    source
        Source of the figures.
    """

    pressure_kpa: float
    temp_c: float
    relative_humidity_pct: float | None = None
    dew_point_c: float | None = None
    source: str = "given"

    def __post_init__(self) -> None:
        _check("pressure_kpa", self.pressure_kpa, 40.0, 120.0, "an absolute pressure in kPa")
        _check("temp_c", self.temp_c, -50.0, 80.0, "an air temperature in degC")
        if self.relative_humidity_pct is not None:
            _check("relative_humidity_pct", self.relative_humidity_pct, 0.0, 100.0, "a percent")
        if self.dew_point_c is not None:
            _check("dew_point_c", self.dew_point_c, -80.0, self.temp_c, "at most temp_c")

    @property
    def kelvin(self) -> float:
        """Temperature. [K]"""
        return self.temp_c + ZERO_CELSIUS_K

    @property
    def vapour_kpa(self) -> float | None:
        """Water vapour pressure; None where humidity is not known. [kPa]"""
        if self.dew_point_c is not None:
            return float(vapour_pressure_kpa(self.dew_point_c))
        if self.relative_humidity_pct is not None:
            return self.relative_humidity_pct / 100.0 * float(vapour_pressure_kpa(self.temp_c))
        return None

    @property
    def dry_kpa(self) -> float:
        """Dry pressure; the total where humidity is not known. [kPa]"""
        return self.pressure_kpa - (self.vapour_kpa or 0.0)


def _check(name: str, value: float, low: float, high: float, right: str) -> None:
    if not low <= value <= high:
        raise InputError(
            f"air: {name} is {value!r}.", mend=f"It must be {right}, {low:g} to {high:g}."
        )


def vapour_pressure_kpa(temp_c: npt.ArrayLike) -> Floats:
    """Saturation pressure of water vapour over water.

    Parameters
    ----------
    temp_c
        Temperature, or dew point. [degC]

    Returns
    -------
    numpy.ndarray
        [kPa]

    Examples
    --------
    >>> vapour_pressure_kpa([9.5, 20.0]).round(6).tolist()  # 1.186581 and 2.3371 are printed
    [1.186581, 2.337079]
    """
    t = np.asarray(temp_c, dtype=float) + ZERO_CELSIUS_K
    down, up = TRIPLE_POINT_K / t, t / TRIPLE_POINT_K
    log10 = (
        10.79574 * (1.0 - down)
        - 5.028 * np.log10(up)
        + 1.50475e-4 * (1.0 - 10.0 ** (-8.2969 * (up - 1.0)))
        + 0.42873e-3 * (10.0 ** (4.76955 * (1.0 - down)) - 1.0)
        - 0.2138602
    )
    return np.asarray(10.0**log10)
