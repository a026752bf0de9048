"""Torque and power of a pull, from whichever of them was logged.

P = T n / 9549.29659 in kW, N.m and rpm; the figure is 30000/pi.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.grid import Floats
from tuneassist.runs.refusal import Refusal
from tuneassist.runs.settings import RunSettings
from tuneassist.units import UNITS

NM_RPM_PER_KW = 30_000.0 / np.pi
"""Torque times speed that makes one kilowatt: 9549.29659. [N.m rpm/kW]"""


def power_kw(torque_nm: npt.ArrayLike, rpm: npt.ArrayLike) -> Floats:
    """Power of a torque at a speed. [kW]

    Examples
    --------
    >>> round(float(power_kw(200.0, 3000.0)), 4)
    62.8319
    """
    return np.asarray(np.asarray(torque_nm, dtype=float) * np.asarray(rpm, float) / NM_RPM_PER_KW)


def torque_nm(power_kw: npt.ArrayLike, rpm: npt.ArrayLike) -> Floats:
    """Torque of a power at a speed; nan at standstill. [N.m]

    Examples
    --------
    >>> round(float(torque_nm(201.5855, 5500.0)), 2)
    350.0
    """
    speed = np.asarray(rpm, dtype=float)
    turning = np.where(speed > 0, speed, np.nan)
    return np.asarray(np.asarray(power_kw, dtype=float) * NM_RPM_PER_KW / turning)


def inertia_torque_nm(time_s: npt.ArrayLike, rpm: npt.ArrayLike, inertia_kg_m2: float) -> Floats:
    """Torque that accelerates a known inertia: I dw/dt, losses not included. [N.m]

    Parameters
    ----------
    time_s
        Rising times. [s]
    rpm
        Speed of the shaft that the inertia is seen from. [rpm]
    inertia_kg_m2
        Inertia. [kg m2]
    """
    omega = np.asarray(rpm, dtype=float) * np.pi / 30.0
    return np.asarray(inertia_kg_m2 * np.gradient(omega, np.asarray(time_s, dtype=float)))


@dataclass(frozen=True, eq=False)
class PullTorque:
    """Torque of each sample, and its source.

    Parameters
    ----------
    torque_nm
        Shape (n,), nan where it is not known. [N.m]
    source
        "torque", "power" or "inertia".
    notes
        Findings and assumptions.
    disagreement_pct
        Median of power over torque times speed, less one, where both are logged. [%]
    """

    torque_nm: Floats
    source: str
    notes: tuple[str, ...] = ()
    disagreement_pct: float = float("nan")


def pull_torque(samples: pd.DataFrame, settings: RunSettings) -> PullTorque | Refusal:
    """Return the torque of a pull's samples.

    Parameters
    ----------
    samples
        The pull, with rpm and time_s.
    settings
        Tolerance between torque and power, which one to trust, inertia.

    Returns
    -------
    Output or Refusal
        A refusal where torque cannot be determined.
    """
    torque = _column(samples, "torque_nm")
    from_power = torque_nm(_column(samples, "power_kw"), samples["rpm"])
    has_torque, has_power = (bool(np.isfinite(v).any()) for v in (torque, from_power))
    if has_torque and has_power:
        return _from_both(torque, from_power, settings)
    if has_torque:
        return PullTorque(torque, "torque")
    if has_power:
        return PullTorque(
            from_power, "power", ("Torque was calculated from logged power and speed.",)
        )
    if settings.inertia_kg_m2 is None:
        return Refusal(
            "no torque or power",
            "Neither torque nor power was found: log one of them; where a column has it by another "
            "name, name the column under [channels] of the setup, or head it Torque or Power with "
            "its unit. On an inertia roller give the inertia (--inertia).",
        )
    torque = inertia_torque_nm(samples["time_s"], samples["rpm"], settings.inertia_kg_m2)
    note = (
        "Torque was calculated from the acceleration of the given inertia; losses are not included."
    )
    return PullTorque(torque, "inertia", (note,))


def _from_both(torque: Floats, from_power: Floats, settings: RunSettings) -> PullTorque:
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = from_power / torque
    usable = ratio[np.isfinite(ratio)]
    apart_pct = 100.0 * (float(np.median(usable)) - 1.0) if usable.size else float("nan")
    is_torque = settings.trust == "torque"
    chosen, source = (torque, "torque") if is_torque else (from_power, "power")
    if abs(apart_pct) <= settings.torque_power_tolerance_pct:
        return PullTorque(chosen, source, (), apart_pct)
    note = (
        f"Logged power is {apart_pct:+z.1f} % away from logged torque times speed, more than "
        f"{settings.torque_power_tolerance_pct:g} %; {source} was used.{_unit_mix_up(apart_pct)}"
    )
    return PullTorque(chosen, source, (note,), apart_pct)


def _unit_mix_up(apart_pct: float) -> str:
    """Name the unit mix-up that gives this ratio within half a percent."""
    ratio = 1.0 + apart_pct / 100.0
    slips = MappingProxyType(
        {
            "power in hp, read as kW": 1.0 / UNITS["hp"].factor,
            "power in PS, read as kW": 1.0 / UNITS["PS"].factor,
            "torque in lbf.ft, read as N.m": UNITS["lbf.ft"].factor,
        }
    )
    near = [words for words, slip in slips.items() if abs(ratio / slip - 1.0) < 0.005]
    return f" The ratio matches {' or '.join(near)}." if near else ""


def _column(samples: pd.DataFrame, name: str) -> Floats:
    if name not in samples:
        return np.full(len(samples), np.nan)
    return samples[name].to_numpy(dtype=float)
