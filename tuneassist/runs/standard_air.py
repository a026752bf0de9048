"""One pull's factor to standard air, and the range in which its standard allows it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from tuneassist.runs import standard_air_factors as factors
from tuneassist.runs.air import AirState
from tuneassist.runs.refusal import Refusal
from tuneassist.runs.settings import RunSettings, Standard
from tuneassist.settings import Ignition

SPARK_RANGE = (0.93, 1.07)  # ISO 1585, R85 Annex 5 clause 5.4.1 [M]
COMPRESSION_RANGE = (0.9, 1.1)  # clause 5.4.2 [M; a service manual prints it, R]
J1349_KPA, J1349_C = (90.0, 105.0), (15.0, 35.0)  # dry pressure, air temperature [M]

TITLES: Mapping[Standard, str] = MappingProxyType(
    {
        "none": "as measured",
        "iso1585": "ISO 1585 / UN R85",
        "sae-j1349": "SAE J1349 (JUN90 form)",
        "din70020": "DIN 70020",
    }
)

NO_AIR = (
    "The pressure and temperature of the ambient air are not known: log a barometer and the air "
    "temperature, or give them."
)
NO_FUEL = (
    "ISO 1585 for compression ignition needs the fuel per litre and cycle and, when charged, the "
    "charge pressure ratio: give runs.fuel_mg_per_l_cycle and runs.charge_pressure_ratio, or "
    "runs.engine_factor."
)
SPARK_ONLY = "The implemented form of SAE J1349 is for spark ignition only: use iso1585."


@dataclass(frozen=True)
class AirCorrection:
    """The factor for one pull's torque and power.

    Parameters
    ----------
    standard
        Which formula.
    factor
        The factor; nan where it cannot be calculated, 1 for "none". [1]
    is_in_range
        Whether the standard allows it. A standard without a known range counts as in range, with
        a note.
    conditions
        The air as text, to be reported with a factor outside its range.
    notes
        What was assumed.
    refusal
        Why there is no factor, or why it is out of range; None otherwise.
    """

    standard: Standard
    factor: float
    is_in_range: bool
    conditions: str
    notes: tuple[str, ...] = ()
    refusal: Refusal | None = None


def air_correction(
    air: AirState | None,
    settings: RunSettings,
    *,
    ignition: Ignition,
    pressure_ratio: float | None = None,
) -> AirCorrection:
    """Calculate the factor of ``settings.standard`` for one pull.

    Parameters
    ----------
    air
        Air ahead of the filter; None where it is not known.
    settings
        Standard, edition, fuel and charging.
    ignition
        "spark" or "compression": ISO 1585 has a formula for each, J1349 one for spark here.
    pressure_ratio
        r as logged, used where ``settings.charge_pressure_ratio`` is not given. [1]

    Examples
    --------
    >>> found = air_correction(AirState(97.0, 34.85), RunSettings(standard="iso1585"),
    ...                        ignition="spark")
    >>> round(found.factor, 5), found.is_in_range
    (1.04529, True)
    """
    standard = settings.standard
    if standard == "none":
        return AirCorrection("none", 1.0, True, _conditions(air))
    if air is None:
        return _without(standard, "no air state", NO_AIR)
    if standard == "iso1585":
        return _iso1585(air, settings, ignition, pressure_ratio)
    if standard == "sae-j1349":
        return _j1349(air, settings, ignition)
    factor = float(factors.din70020(air.pressure_kpa, air.kelvin))
    note = "DIN 70020 uses total pressure; its range of validity is not known to this program."
    return AirCorrection(standard, factor, True, _conditions(air), (note,))


def _iso1585(
    air: AirState, settings: RunSettings, ignition: Ignition, pressure_ratio: float | None
) -> AirCorrection:
    notes = _humidity_notes(air)
    if ignition == "spark":
        factor = float(factors.iso1585_spark(air.dry_kpa, air.kelvin))
        return _checked_range("iso1585", factor, SPARK_RANGE, air, notes)
    exponent = _exponent(settings, pressure_ratio)
    if exponent is None:
        return _without("iso1585", "fuel not known", NO_FUEL, _conditions(air))
    base = factors.atmospheric_factor(
        air.dry_kpa, air.kelvin, charging=settings.charging, edition=settings.edition
    )
    own: tuple[str, ...] = (
        f"Engine factor {exponent:.4g}, edition {settings.edition}, {settings.charging} charging.",
    )
    if settings.charging == "turbo":
        own += ("An engine whose control compensates for thin air must not be corrected again "
                "(GRPE-70-02, 2014).",)  # fmt: skip
    return _checked_range("iso1585", float(base**exponent), COMPRESSION_RANGE, air, notes + own)


def _exponent(settings: RunSettings, pressure_ratio: float | None) -> float | None:
    """f_m, or None where fuel or pressure ratio is missing."""
    if settings.engine_factor is not None:
        return settings.engine_factor
    ratio = settings.charge_pressure_ratio or pressure_ratio
    if settings.charging == "natural":
        ratio = 1.0
    if settings.fuel_mg_per_l_cycle is None or ratio is None:
        return None
    per_charge = settings.fuel_mg_per_l_cycle / ratio
    return float(factors.engine_factor(per_charge, edition=settings.edition))


def _j1349(air: AirState, settings: RunSettings, ignition: Ignition) -> AirCorrection:
    if ignition != "spark":
        return _without("sae-j1349", "spark only", SPARK_ONLY, _conditions(air))
    is_rounded = settings.j1349_form == "1.18"
    factor = float(factors.sae_j1349(air.dry_kpa, air.kelvin, is_rounded=is_rounded))
    inside = J1349_KPA[0] <= air.dry_kpa <= J1349_KPA[1] and J1349_C[0] <= air.temp_c <= J1349_C[1]
    notes = (
        *_humidity_notes(air),
        "SAE J1349 assumes a mechanical efficiency of 85 %; its range is given from memory.",
    )
    if inside:
        return AirCorrection("sae-j1349", factor, True, _conditions(air), notes)
    refusal = Refusal(
        "outside the standard's range",
        f"SAE J1349 is valid from {J1349_KPA[0]:g} to {J1349_KPA[1]:g} kPa dry and from "
        f"{J1349_C[0]:g} to {J1349_C[1]:g} degC; {_conditions(air)}. Its factor would be "
        f"{factor:.4f}.",
        MappingProxyType({"factor": factor, "dry_kpa": air.dry_kpa, "temp_c": air.temp_c}),
    )
    return AirCorrection("sae-j1349", factor, False, _conditions(air), notes, refusal)


def _checked_range(
    standard: Standard,
    factor: float,
    limits: tuple[float, float],
    air: AirState,
    notes: tuple[str, ...],
) -> AirCorrection:
    low, high = limits
    found = AirCorrection(standard, factor, low <= factor <= high, _conditions(air), notes)
    if found.is_in_range:
        return found
    refusal = Refusal(
        "outside the standard's range",
        f"{TITLES[standard]} is valid for factors from {low:g} to {high:g}; this one is "
        f"{factor:.4f} at {found.conditions}.",
        MappingProxyType(
            {
                "factor": factor,
                "low": low,
                "high": high,
                "dry_kpa": air.dry_kpa,
                "temp_c": air.temp_c,
            }
        ),
    )
    return replace(found, refusal=refusal)


def _without(
    standard: Standard, name: str, description: str, conditions: str = ""
) -> AirCorrection:
    refusal = Refusal(name, description)
    return AirCorrection(standard, float("nan"), False, conditions, refusal=refusal)


def _conditions(air: AirState | None) -> str:
    if air is None:
        return "air not known"
    wet = air.vapour_kpa
    vapour = "humidity not known" if wet is None else f"{air.dry_kpa:.2f} kPa of it dry"
    return f"{air.pressure_kpa:.2f} kPa ({vapour}), {air.temp_c:.1f} degC, {air.source}"


def _humidity_notes(air: AirState) -> tuple[str, ...]:
    """Describe the largest error from unknown humidity: that of saturated air."""
    if air.vapour_kpa is not None:
        return ()
    wettest = replace(air, relative_humidity_pct=100.0)
    share = 100.0 * (air.dry_kpa / wettest.dry_kpa - 1.0)
    return (
        f"Humidity is not known: total pressure is taken as dry. In saturated air the dry pressure "
        f"would be {share:.1f} % lower, and the factor higher by about as much.",
    )
