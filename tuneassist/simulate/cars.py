"""Two simulated cars: breakpoints, target, air flow and load range.

No figure comes from a real car. Typical values for the kind of engine are common practice, no
source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tuneassist.grid import Axes, Floats, bilinear_weights
from tuneassist.settings import Ignition, Target
from tuneassist.simulate.signals import AIR_GAS_CONSTANT


@dataclass(frozen=True, eq=False)
class Car:
    """The fixed properties of a simulated car.

    Parameters
    ----------
    label
        Label of the car; says that it is simulated.
    ignition
        "spark" or "compression".
    axes, target
        The controller's breakpoints and target lambda.
    displacement_l, cylinders
        Size of the engine. [l], [1]
    afr_stoich
        Stoichiometric air-fuel ratio of its fuel. [1]
    max_load_rpm, max_load
        Highest load of the engine over speed, as points. [rpm], [load unit]
    lowest_load
        Lowest load that can be held with the throttle or the pedal open. [load unit]
    idle_rpm, idle_load, overrun_load
        Idle speed and load, and the load while fuel is cut. [rpm], [load unit]
    """

    label: str
    ignition: Ignition
    axes: Axes
    target: Target
    displacement_l: float
    afr_stoich: float
    max_load_rpm: Floats
    max_load: Floats
    lowest_load: float
    idle_rpm: float
    idle_load: float
    overrun_load: float
    cylinders: int = 4

    @property
    def lowest_rpm(self) -> float:
        """Lowest speed of the usable envelope. [rpm]"""
        return float(self.max_load_rpm[0])

    @property
    def highest_rpm(self) -> float:
        """Highest speed of the usable envelope. [rpm]"""
        return float(self.max_load_rpm[-1])

    def highest_load(self, rpm: Floats) -> Floats:
        """Highest load at a speed. [load unit]"""
        return np.asarray(np.interp(rpm, self.max_load_rpm, self.max_load), dtype=float)

    def is_inside(self, rpm: Floats, load: Floats) -> np.ndarray:
        """Return which points the engine can hold."""
        in_rpm = (rpm >= self.lowest_rpm) & (rpm <= self.highest_rpm)
        return in_rpm & (load >= self.lowest_load) & (load <= self.highest_load(rpm))

    def manifold_kpa(self, rpm: Floats, load: Floats) -> Floats:
        """Absolute manifold pressure; a diesel's follows the fuel it burns. [kPa]"""
        if self.ignition == "spark":
            return np.asarray(load, dtype=float)
        spool = 1.0 / (1.0 + np.exp(-(rpm - 1700.0) / 260.0))
        return np.asarray(100.0 + 142.0 * spool * (load / 60.0) ** 1.35, dtype=float)

    def air_g_s(self, rpm: Floats, load: Floats) -> Floats:
        """Air mass flow by speed and density, four-stroke. [g/s]"""
        filling = 0.88 - 0.10 * ((rpm - 3400.0) / 3400.0) ** 2
        charge_k = 305.0 if self.ignition == "spark" else 320.0
        density_g_l = 1000.0 * self.manifold_kpa(rpm, load) / (AIR_GAS_CONSTANT * charge_k)
        return np.asarray(filling * density_g_l * self.displacement_l * rpm / 120.0, dtype=float)

    def target_lambda(self, rpm: Floats, load: Floats) -> Floats:
        """Target lambda, interpolated as the controller does. [lambda]"""
        return np.asarray(bilinear_weights(self.axes, rpm, load) @ self.target.table.ravel())

    def commanded_lambda(self, rpm: Floats, load: Floats) -> Floats:
        """Lambda without any fuelling error. [lambda]

        Petrol fuelling follows the target. A diesel's load is its fuel: the air sets lambda.
        """
        if self.ignition == "spark":
            return self.target_lambda(rpm, load)
        strokes_per_s = rpm / 120.0 * self.cylinders
        fuel_g_s = np.maximum(load, 0.1) * strokes_per_s / 1000.0
        return np.asarray(self.air_g_s(rpm, load) / (fuel_g_s * self.afr_stoich), dtype=float)


def _petrol_target(rpm: Floats, load: Floats) -> Floats:
    boost = np.clip((load - 80.0) / 100.0, 0.0, 1.0)
    revs = np.clip((rpm - 2500.0) / 4000.0, 0.0, 1.0)
    return np.round(1.0 - np.outer(0.6 + 0.4 * revs, 0.20 * boost), 3)


def petrol_car() -> Car:
    """Return the simulated turbo petrol hatchback: load is absolute manifold pressure in kPa."""
    rpm = np.array([800, 1200, 1600, 2000, 2500, 3000, 3500, 4000, 4600, 5200, 5800, 6500.0])
    load = np.array([30, 40, 50, 60, 70, 80, 95, 110, 125, 140, 160, 180.0])
    return Car(
        label="simulated 1.6 turbo petrol hatchback",
        ignition="spark",
        axes=Axes(rpm=rpm, load=load, load_name="manifold pressure", load_unit="kPa"),
        target=Target(_petrol_target(rpm, load)),
        displacement_l=1.6,
        afr_stoich=14.7,
        max_load_rpm=np.array([900, 1500, 2200, 3000, 5000, 5800, 6500.0]),
        max_load=np.array([88, 108, 160, 178, 178, 168, 150.0]),
        lowest_load=32.0,
        idle_rpm=850.0,
        idle_load=34.0,
        overrun_load=24.0,
    )


def van_car() -> Car:
    """Return the simulated turbo-diesel van: load is injected fuel in mg per stroke."""
    rpm = np.array([900, 1200, 1500, 1800, 2200, 2600, 3000, 3400, 3800, 4200.0])
    load = np.array([6, 12, 20, 28, 36, 44, 52, 60.0])
    return Car(
        label="simulated 2.0 turbo-diesel van",
        ignition="compression",
        axes=Axes(rpm=rpm, load=load, load_name="injected fuel", load_unit="mg/stroke"),
        target=Target(np.full((len(rpm), len(load)), 1.30), kind="floor"),
        displacement_l=2.0,
        afr_stoich=14.5,
        max_load_rpm=np.array([1000, 1400, 1800, 2200, 3200, 3800, 4200.0]),
        max_load=np.array([18, 28, 46, 58, 60, 54, 46.0]),
        lowest_load=7.0,
        idle_rpm=820.0,
        idle_load=7.0,
        overrun_load=0.0,
    )
