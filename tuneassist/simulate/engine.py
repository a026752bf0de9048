"""An engine with a known fuelling error, against which a proposal is scored."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from tuneassist.grid import Floats, Grid, bilinear_weights
from tuneassist.simulate.cars import Car, petrol_car
from tuneassist.simulate.signals import gas_delay_s


@dataclass(frozen=True, eq=False)
class ErrorSurface:
    """A smooth fuelling error: a plane, a twist and round bumps over scaled speed and load.

    Parameters
    ----------
    plane
        Constant, slope in speed, slope in load and twist. [%]
    centres, widths
        Middle and width of each bump in scaled units, shape (k, 2). [1]
    heights
        Height of each bump, shape (k,). [%]
    span
        Lowest and highest speed, lowest and highest load that scale to 0 and 1.
    """

    plane: Floats
    centres: Floats
    widths: Floats
    heights: Floats
    span: tuple[float, float, float, float]

    def at(self, rpm: Floats, load: Floats) -> Floats:
        """Fuelling error, + is leaner than commanded, shape (n,). [%]"""
        u = (rpm - self.span[0]) / (self.span[1] - self.span[0])
        v = (load - self.span[2]) / (self.span[3] - self.span[2])
        total = self.plane[0] + self.plane[1] * u + self.plane[2] * v + self.plane[3] * u * v
        for (cu, cv), (wu, wv), height in zip(self.centres, self.widths, self.heights, strict=True):
            total = total + height * np.exp(-0.5 * (((u - cu) / wu) ** 2 + ((v - cv) / wv) ** 2))
        return np.asarray(total, dtype=float)


def draw_surface(
    car: Car,
    rng: np.random.Generator,
    *,
    bumps: int = 9,
    bump_width: tuple[float, float] = (0.11, 0.32),
    largest_pct: float | None = None,
) -> ErrorSurface:
    """Draw a fuelling error for a car.

    Parameters
    ----------
    car
        Gives the range of speed and load, and where the largest error is measured.
    rng
        Source of randomness.
    bumps
        Number of round bumps, one to four cells of a 12 x 12 grid wide (one sigma).
    largest_pct
        Largest absolute error inside the load range; None draws 8 to 12. [%]

    Returns
    -------
    ErrorSurface
    """
    axes = car.axes
    span = (axes.rpm[0], axes.rpm[-1], axes.load[0], axes.load[-1])
    plane = rng.normal(0.0, [2.0, 2.5, 2.5, 2.0])
    centres = rng.uniform(0.0, 1.0, (bumps, 2))
    widths = rng.uniform(*bump_width, (bumps, 2))
    heights = rng.normal(0.0, 4.0, bumps)
    largest = float(rng.uniform(8.0, 12.0)) if largest_pct is None else largest_pct
    raw = ErrorSurface(plane, centres, widths, heights, tuple(map(float, span)))  # type: ignore[arg-type]
    rpm, load = dense_points(car)
    scale = largest / float(np.abs(raw.at(rpm, load)).max())
    return ErrorSurface(plane * scale, centres, widths, heights * scale, raw.span)


def dense_points(car: Car, per_axis: int = 60) -> tuple[Floats, Floats]:
    """Evenly spread operating points inside the car's load range, each shape (n,)."""
    rpm, load = np.meshgrid(
        np.linspace(car.lowest_rpm, car.highest_rpm, per_axis),
        np.linspace(car.lowest_load, float(car.max_load.max()), per_axis),
        indexing="ij",
    )
    is_inside = car.is_inside(rpm.ravel(), load.ravel())
    return rpm.ravel()[is_inside], load.ravel()[is_inside]


@dataclass(frozen=True)
class MeasurementChain:
    """The measurement chain from the cylinder to the logged lambda.

    Parameters
    ----------
    pipe_l
        Exhaust volume ahead of the sensor. [l]
    extra_delay_s
        Further delay, such as a slow gateway. [s]
    sensor_tau_s
        The sensor's time constant; 0.05 to 0.1 s is published for wide-band sensors. [s]
    richest, leanest
        The sensor's stops. [lambda]
    offset_pct
        Sensor or ground offset, as a share of lambda. [%]
    tail_pct, tail_s, tail_follows_load
        Lambda error at the end of a move, its decay time constant, and whether the error has the
        opposite sign after a move to less load. [%], [s]
    """

    pipe_l: float = 1.5
    extra_delay_s: float = 0.0
    sensor_tau_s: float = 0.08
    richest: float = 0.68
    leanest: float = 1.36
    offset_pct: float = 0.0
    tail_pct: float = 0.0
    tail_s: float = 6.0
    tail_follows_load: bool = False


@dataclass(frozen=True)
class Noise:
    """Scatter and noise of an engine and its signals.

    Parameters
    ----------
    hold_pct
        Hold-to-hold scatter of the fuelling. [%]
    lambda_pct, lambda_tau_s
        Size and correlation time of the noise in lambda. [%], [s]
    rpm_sd, load_share
        White noise of the speed signal, and of the load signal as a share of load. [rpm], [1]
    wander_rpm, wander_share, wander_tau_s
        Drift of true speed and load about the set point, and its time constant. [rpm], [1], [s]
    """

    hold_pct: float = 0.4
    lambda_pct: float = 0.7
    lambda_tau_s: float = 0.3
    rpm_sd: float = 5.0
    load_share: float = 0.005
    wander_rpm: float = 4.0
    wander_share: float = 0.002
    wander_tau_s: float = 2.0


@dataclass(frozen=True, eq=False)
class TrueEngine:
    """A car with its true fuelling error, wall film, measurement chain and noise.

    Add faults with `dataclasses.replace`.

    Parameters
    ----------
    car
        Breakpoints, target, air flow and load range.
    error
        The fuelling error.
    chain, noise
        Lambda measurement, and the scatter of all signals.
    wetting, evaporation_s
        Wall film that the controller does not compensate; a diesel has none. [1], [s]
    extra_need_pct
        Extra fuel needed everywhere, for example after a change of fuel. [%]
    grid_response
        Share of a loaded grid that acts: 1 as it should, 0 not loaded or in the wrong table, -1
        loaded with the sign reversed. [1]
    acts_on
        "fuel" or "boost": what a grid corrects.
    """

    car: Car
    error: ErrorSurface
    chain: MeasurementChain = field(default_factory=MeasurementChain)
    noise: Noise = field(default_factory=Noise)
    wetting: float = 0.12
    evaporation_s: float = 0.4
    extra_need_pct: float = 0.0
    grid_response: float = 1.0
    acts_on: str = "fuel"

    def true_error_pct(self, rpm: Floats, load: Floats) -> Floats:
        """Fuelling error with no grid loaded, + is lean, shape (n,). [%]"""
        ratio = (1 + self.error.at(rpm, load) / 100) * (1 + self.extra_need_pct / 100)
        return 100.0 * (ratio - 1.0)

    def true_lambda(self, rpm: Floats, load: Floats, grid: Grid | None = None) -> Floats:
        """Lambda at rest with a grid loaded, shape (n,). [lambda]"""
        bare = self.car.commanded_lambda(rpm, load) * (1 + self.true_error_pct(rpm, load) / 100)
        if grid is None:
            return np.asarray(bare, dtype=float)
        loaded = 1.0 + self.grid_response * grid.at(rpm, load) / 100.0
        return np.asarray(bare * loaded if self.acts_on == "boost" else bare / loaded, dtype=float)

    def true_deviation_pct(self, rpm: Floats, load: Floats, grid: Grid | None = None) -> Floats:
        """Deviation from target at rest with a grid loaded, + is lean, shape (n,). [%]

        Parameters
        ----------
        rpm, load
            Operating points. [rpm], [load unit]
        grid
            Correction grid in the controller; None is all zeros.

        Returns
        -------
        ndarray
            100 (lambda/target - 1); nan where the target has none.
        """
        wanted = self.car.target_lambda(rpm, load)
        return np.asarray(100.0 * (self.true_lambda(rpm, load, grid) / wanted - 1.0))

    def miss_pct(self, rpm: Floats, load: Floats, grid: Grid | None = None) -> Floats:
        """Deviation that is a fault: all of it, or only the rich side of a floor. [%]"""
        deviation = self.true_deviation_pct(rpm, load, grid)
        return np.minimum(deviation, 0.0) if self.car.target.kind == "floor" else deviation

    def operating_points(self, per_axis: int = 60) -> tuple[Floats, Floats]:
        """Evenly spread points inside the load range, to score a grid. [rpm], [load unit]"""
        return dense_points(self.car, per_axis)

    def score(self, grid: Grid | None = None, *, within_pct: float = 1.0) -> tuple[float, float]:
        """Score a grid at the operating points.

        Parameters
        ----------
        grid
            Correction grid in the controller; None is all zeros.
        within_pct
            Band about the target that counts as met. [%]

        Returns
        -------
        share, rms
            Share of points within the band [%], and the root mean square of the miss [%].
        """
        miss = self.miss_pct(*self.operating_points(), grid)
        miss = miss[np.isfinite(miss)]
        return 100.0 * float(np.mean(np.abs(miss) <= within_pct)), float(np.sqrt(np.mean(miss**2)))

    def best_grid(self) -> Grid:
        """Return the grid with the smallest squared miss over the operating points.

        Returns
        -------
        Grid
            The best grid if it acts as intended: Gauss-Newton on the bilinear weights, damped so
            that cells outside the load range hold 0.
        """
        sound, axes = replace(self, grid_response=1.0), self.car.axes
        sign = -1.0 if self.acts_on == "boost" else 1.0
        rpm, load = self.operating_points()
        known = np.isfinite(self.miss_pct(rpm, load))
        rpm, load = rpm[known], load[known]
        weights = bilinear_weights(axes, rpm, load).toarray()
        damping = (0.1 if self.car.target.kind == "floor" else 1e-3) * np.eye(axes.size)
        found = np.zeros(axes.size)
        for _ in range(12):
            miss = sound.miss_pct(rpm, load, Grid(axes, found.reshape(axes.shape)))
            acting = weights * (miss != 0.0)[:, None]
            aim = acting.T @ miss - sign * damping @ found
            step = np.linalg.solve(acting.T @ acting + damping, aim)
            found = np.clip(found + sign * step, -50.0, 50.0)
            if np.abs(step).max() < 1e-3:
                break
        return Grid(axes, found.reshape(axes.shape))

    def delay_s(self, rpm: Floats, load: Floats) -> Floats:
        """Gas transport delay to the sensor, without the sensor's own lag. [s]"""
        flow = self.car.air_g_s(rpm, load)
        return self.chain.extra_delay_s + gas_delay_s(rpm, flow, volume_l=self.chain.pipe_l)


def draw_engine(rng: np.random.Generator, *, car: Car | None = None) -> TrueEngine:
    """Draw an engine for a car: its fuelling error and a typical measurement chain.

    Parameters
    ----------
    rng
        Source of randomness.
    car
        None takes the simulated petrol hatchback.

    Returns
    -------
    TrueEngine
    """
    car = petrol_car() if car is None else car
    spark = car.ignition == "spark"
    chain = MeasurementChain(
        pipe_l=float(rng.uniform(0.8, 3.0)),
        sensor_tau_s=float(rng.uniform(0.05, 0.12)),
        richest=0.68,
        leanest=1.36 if spark else 5.0,
    )
    return TrueEngine(
        car=car,
        error=draw_surface(car, rng),
        chain=chain,
        wetting=float(rng.uniform(0.05, 0.2)) if spark else 0.0,
        evaporation_s=float(rng.uniform(0.25, 0.6)),
    )
