"""A second engine, first part: what it needs, and what it is made of.

The truth is the logarithm of needed over delivered fuel on a field far finer than any table:
10 rpm by 1 kPa. It is put together from causes, not from a table's breakpoints: tuned intake
lengths, a cam change-over, breathing that changes when boost sets in, an injector that is off
where it opens briefly, and smooth trends. Nothing here is shared with the program's own simulator.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.ndimage import map_coordinates

Floats = npt.NDArray[np.float64]
Rng = np.random.Generator

RPM_RANGE, LOAD_RANGE = (800.0, 6500.0), (20.0, 200.0)
RPM_STEP, LOAD_STEP = 10.0, 1.0
FINE_RPM = np.arange(RPM_RANGE[0], RPM_RANGE[1] + RPM_STEP / 2, RPM_STEP)
FINE_LOAD = np.arange(LOAD_RANGE[0], LOAD_RANGE[1] + LOAD_STEP / 2, LOAD_STEP)
BAROMETER_KPA = 100.0
KINDS = ("usual", "cam", "flat")
CAM_STEP = 0.06
"""Step of the kind "cam": 6 % of fuel at the change-over."""
FIELD_RMS = (0.04, 0.06)
"""Range of the field's rms over the region where the engine can run, before a cam step."""

LARGEST_RMS = 2.5
"""No place is farther off than about so many times the rms."""


@dataclass(frozen=True)
class Body:
    """What makes the engine's dynamics; drawn per engine."""

    displacement_l: float = 1.8
    manifold_l: float = 3.0
    exhaust_l: float = 4.0
    """Gas volume from the valves to the sensor."""
    film_scale: float = 1.0
    """Factor on what both wall films take up."""
    compensation: float = 0.5
    """Share of the film that the controller's own acceleration fuel makes good."""
    turbo_s: float = 0.8
    """Time constant of boost at 3000 rpm and 150 kPa."""
    turbine_breathing: float = 0.03
    """Fuel error, in ln, per bar of boost that is still to come."""
    sensor_s: float = 0.10
    """Time constant of the wideband at 0.02 kg/s of exhaust and ambient pressure."""
    sensor_noise: float = 0.004
    sensor_ends: tuple[float, float] = (0.68, 1.38)
    cylinder_spread: float = 0.015
    """Amplitude of the mixture's swing over one engine cycle, as a share."""
    cycle_noise: float = 0.012
    """Scatter of the mixture from one combustion to the next, as a share."""
    wander: float = 0.0025
    wander_s: float = 35.0
    offset: float = 0.0015
    """Standard deviation of the log's own offset, in ln."""
    tail: float = 0.0
    """Slow settling after a move: this share at most, dying away over `tail_s`."""
    tail_s: float = 6.0


@dataclass(frozen=True, eq=False)
class OtherEngine:
    """A truth and a body. `field` is ln(needed / delivered) on `FINE_RPM` x `FINE_LOAD`."""

    field: Floats
    body: Body
    kind: str
    cam_rpm: float


def error_at(engine: OtherEngine, rpm: npt.ArrayLike, load: npt.ArrayLike) -> Floats:
    """ln(lambda / target) at steady state without any correction."""
    rpm, load = np.broadcast_arrays(np.asarray(rpm, float), np.asarray(load, float))
    row = (rpm - FINE_RPM[0]) / RPM_STEP
    column = (load - FINE_LOAD[0]) / LOAD_STEP
    places = np.stack([row.ravel(), column.ravel()])
    error = map_coordinates(engine.field, places, order=1, mode="nearest")
    return np.asarray(error).reshape(row.shape)


def truth(engine: OtherEngine, rpm: npt.ArrayLike, load: npt.ArrayLike) -> Floats:
    """Deviation at steady state with a grid of zeros, in percent; + is leaner than target."""
    return 100.0 * np.expm1(error_at(engine, rpm, load))


def volumetric_efficiency(rpm: npt.ArrayLike) -> Floats:
    """What the controller's model knows of breathing: a smooth hump over speed."""
    return np.asarray(0.92 - 0.20 * ((np.asarray(rpm, float) - 4200.0) / 3400.0) ** 2 / 1.5)


def largest_load(rpm: npt.ArrayLike) -> Floats:
    """Highest manifold pressure that the turbocharger reaches. [kPa absolute]"""
    return np.asarray(95.0 + 100.0 * np.clip((np.asarray(rpm, float) - 1200.0) / 1600.0, 0.0, 1.0))


def smallest_load(rpm: npt.ArrayLike) -> Floats:
    """Lowest manifold pressure at which the engine can be held. [kPa absolute]"""
    return np.asarray(26.0 + 8.0 * (np.asarray(rpm, float) - 800.0) / 5700.0)


def is_reachable(rpm: npt.ArrayLike, load: npt.ArrayLike) -> npt.NDArray[np.bool_]:
    return np.asarray((load <= largest_load(rpm)) & (load >= smallest_load(rpm)))


def draw_engine(rng: Rng, kind: str = "usual") -> OtherEngine:
    """Draw an engine: "usual", "cam" with a 6 % change-over, or "flat" without any error."""
    if kind not in KINDS:
        raise ValueError(f"no kind of engine {kind!r}; known: {', '.join(KINDS)}")
    smooth = _scaled(_smooth_causes(rng), rng.uniform(*FIELD_RMS))
    cam_rpm = rng.uniform(3200.0, 4900.0)
    small = rng.choice([-1.0, 1.0]) * rng.uniform(0.0, 0.012)
    step = rng.choice([-1.0, 1.0]) * CAM_STEP if kind == "cam" else small
    field = smooth + _change_over(cam_rpm, step)
    body = draw_body(rng)
    if kind == "flat":
        field = np.zeros_like(field)
    return OtherEngine(field, body, kind, cam_rpm)


def with_body(engine: OtherEngine, **changes: float) -> OtherEngine:
    return replace(engine, body=replace(engine.body, **changes))


def draw_body(rng: Rng) -> Body:
    displacement = rng.uniform(1.4, 2.4)
    return Body(
        displacement_l=displacement,
        manifold_l=displacement * rng.uniform(1.2, 2.5),
        exhaust_l=rng.uniform(2.0, 7.0),
        film_scale=rng.uniform(0.7, 1.3),
        compensation=rng.uniform(0.2, 0.8),
        turbo_s=rng.uniform(0.4, 1.2),
        turbine_breathing=rng.uniform(0.01, 0.05),
        sensor_s=rng.uniform(0.06, 0.15),
        sensor_noise=rng.uniform(0.003, 0.006),
        sensor_ends=(rng.uniform(0.65, 0.72), rng.uniform(1.33, 1.50)),
        cylinder_spread=rng.uniform(0.005, 0.025),
        cycle_noise=rng.uniform(0.008, 0.016),
        wander=rng.uniform(0.0015, 0.0035),
        wander_s=rng.uniform(20.0, 60.0),
    )


def _scaled(field: Floats, rms: float) -> Floats:
    inside = is_reachable(FINE_RPM[:, None], FINE_LOAD[None, :])
    field = field - 0.7 * field[inside].mean()
    field = field / np.sqrt(np.mean(field[inside] ** 2))
    field = LARGEST_RMS * np.tanh(field / LARGEST_RMS)
    return np.asarray(field * rms / np.sqrt(np.mean(field[inside] ** 2)))


def _smooth_causes(rng: Rng) -> Floats:
    speed = 2.0 * (FINE_RPM[:, None] - 800.0) / 5700.0 - 1.0
    load = 2.0 * (FINE_LOAD[None, :] - 20.0) / 180.0 - 1.0
    weights = rng.normal(0.0, 1.0, (4, 4)) * _FALLING
    trend = np.polynomial.legendre.leggrid2d(speed[:, 0], load[0], weights)
    field = 0.022 * trend + _resonances(rng) * (0.6 + 0.4 * FINE_LOAD[None, :] / 100.0)
    field = field + _boost_breathing(rng) * (1.0 + 0.3 * rng.normal() * speed)
    return np.asarray(field + _injector(rng))


_FALLING = 1.0 / (1.0 + np.add.outer(np.arange(4.0), np.arange(4.0))) ** 0.7


def _resonances(rng: Rng) -> Floats:
    """Tuned lengths: the in-phase part of damped resonators, in the ratio of their wave orders."""
    tuned = rng.uniform(4200.0, 6000.0) / np.array([1.0, 1.35, 1.9, 2.7])
    height = rng.normal(0.0, 1.0, 4) * np.array([0.022, 0.020, 0.016, 0.010])
    ratio = FINE_RPM[:, None] / tuned[None, :]
    damping = rng.uniform(0.22, 0.34, 4)
    wave = (1.0 - ratio**2) / ((1.0 - ratio**2) ** 2 + (damping * ratio) ** 2) * damping
    return np.asarray((wave @ height)[:, None])


def _boost_breathing(rng: Rng) -> Floats:
    """Above ambient the slope over load changes, within a few kPa."""
    rounding = 3.0
    beyond = rounding * np.logaddexp(0.0, (FINE_LOAD[None, :] - BAROMETER_KPA) / rounding)
    return np.asarray(rng.normal(0.0, 0.07) * beyond / 100.0)


def _injector(rng: Rng) -> Floats:
    """Fuel that is missing or too much where the injector opens for one or two milliseconds."""
    width_ms = 0.9 + 9.0 * FINE_LOAD[None, :] / 100.0 * volumetric_efficiency(FINE_RPM)[:, None]
    return np.asarray(rng.normal(0.0, 0.10) * np.exp(-(width_ms - 2.0) / 1.2))


def _change_over(rpm: float, step: float, width_rpm: float = 25.0) -> Floats:
    share = 1.0 / (1.0 + np.exp(-(FINE_RPM[:, None] - rpm) / width_rpm))
    return np.asarray(step * (share - 0.5) * (0.85 + 0.15 * FINE_LOAD[None, :] / 100.0))
