"""A second engine, third part: what happens between the throttle and the logger.

In the order of the gas: manifold and boost fill; the controller meters fuel by what it read a cycle
ago; two wall films give and take; cylinders differ and combustion scatters; the exhaust carries
the mixture along as plug flow; the sensor follows. All of it at 100 steps a second, each
first-order part solved exactly over a step.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from other_drives import DT_S, RATE_HZ, Drive, throttle_of, wandering
from other_truth import BAROMETER_KPA, Body, Floats, OtherEngine, Rng, error_at
from other_truth import volumetric_efficiency as breathing
from scipy.interpolate import RegularGridInterpolator
from scipy.linalg import solve_banded

GAS_J_KG_K = 287.0
INTAKE_K, EXHAUST_K = 310.0, 950.0
AFR_STOICH = 14.7
WARM_C, COLD_C, ENRICHED_BELOW_C = 88.0, 20.0, 68.0
CUT_RPM = 1400.0
"""Fuel is cut on a closed throttle above this speed, and comes back below it."""


@dataclass(frozen=True, eq=False)
class Table:
    """A controller's table: values at breakpoints, bilinear between them, the edge outside."""

    rpm: Floats
    load: Floats
    cells: Floats

    def at(self, rpm: npt.ArrayLike, load: npt.ArrayLike) -> Floats:
        """Look up."""
        look_up = RegularGridInterpolator((self.rpm, self.load), self.cells)
        rpm = np.clip(rpm, self.rpm[0], self.rpm[-1])
        load = np.clip(load, self.load[0], self.load[-1])
        points = np.stack(np.broadcast_arrays(rpm, load), axis=-1)
        return np.asarray(look_up(points)).reshape(points.shape[:-1])


@dataclass(frozen=True)
class Options:
    """What may be switched on."""

    has_trims: bool = False
    has_fuel_cut: bool = True
    warm_up_s: float = 0.0
    """Length of the warm-up that the drive begins with. [s]"""
    spike_share: float = 0.0
    """Share of the logged lambda values that are wild."""


@dataclass(frozen=True, eq=False)
class Trace:
    """The engine's own story, 100 times a second."""

    rpm: Floats
    load: Floats
    """Manifold pressure. [kPa absolute]"""
    throttle: Floats
    coolant: Floats
    is_cut: npt.NDArray[np.bool_]
    injected: Floats
    """Fuel metered, as a share of what one litre at 100 kPa and 1000 rpm draws in lambda 1."""
    port: Floats
    """Fuel that reaches the cylinders, in the same unit."""
    film_fast: Floats
    film_slow: Floats
    sensed: Floats
    """Lambda at the sensor, before noise and ends."""
    trim_short: Floats
    trim_long: Floats
    """Trims as shares."""
    day: float
    """The log's own offset, in ln: no log can tell it from the truth."""

    @property
    def time(self) -> Floats:
        """Seconds since the start. [s]"""
        return np.arange(len(self.rpm)) * DT_S


def filtered(drive: Floats, keep: Floats | float, start: float) -> Floats:
    """Solve ``y[k] = keep[k] y[k-1] + drive[k]`` from ``y[-1] = start``, keep varying in time."""
    keep = np.broadcast_to(np.asarray(keep, float), drive.shape)
    bands = np.zeros((2, len(drive)))
    bands[0] = 1.0
    bands[1, :-1] = -keep[1:]
    right = np.array(drive, float)
    right[0] += keep[0] * start
    return np.asarray(solve_banded((1, 0), bands, right, overwrite_ab=True, overwrite_b=True))


def lagged(values: Floats, time_s: Floats | float) -> Floats:
    """Follow values with a first-order lag whose time constant may vary, starting at rest."""
    keep = np.exp(-DT_S / np.broadcast_to(np.asarray(time_s, float), values.shape))
    return filtered((1.0 - keep) * values, keep, float(values[0]))


def manifold_time(body: Body, rpm: Floats, load: Floats) -> Floats:
    """Filling time constant: volume over the flow drawn; less where the throttle is not choked. [s]

    From ``dp/dt = R T / V (flow in - flow out)`` with the flows of `throttle_of`.
    """
    drawn_l_s = body.displacement_l * breathing(rpm) * rpm / 120.0
    x = np.clip(load / BAROMETER_KPA, 0.0, 0.95)
    return body.manifold_l / drawn_l_s * np.where(x <= 0.5, 1.0, 2.0 * (1.0 - x))


def manifold_pressure(body: Body, drive: Drive) -> tuple[Floats, Floats]:
    """Pressure as manifold and turbocharger let it rise, and boost still to come. [kPa]"""
    asked = np.maximum(drive.load - BAROMETER_KPA, 0.0)
    spin = (drive.rpm / 3000.0) * (0.5 + 0.5 * (drive.load / 150.0))
    boost = lagged(asked, body.turbo_s / np.clip(spin, 0.3, 3.0))
    natural = np.minimum(drive.load, BAROMETER_KPA)
    pressure = lagged(natural + boost, manifold_time(body, drive.rpm, drive.load))
    return pressure, asked - boost


@dataclass(frozen=True, eq=False)
class Films:
    """Shares taken up and times of giving back, of a fast and a slow wall film."""

    fast_share: Floats
    fast_s: Floats
    slow_share: Floats
    slow_s: Floats


def wall_films(body: Body, rpm: Floats, load: Floats, coolant: Floats) -> Films:
    """Two films in the manner of Aquino (SAE 810494): hot valve and port, and cooler runner walls.

    Together they take up and give back what published single films do, cited from memory:
    X between 0.1 and 0.5, tau between 0.2 and 2 s warm, both growing with pressure and when cold;
    a quick stream strips the walls.
    """
    cold = 1.0 + np.maximum(WARM_C - coolant, 0.0) / 50.0
    pressure, stripping = load / 100.0, np.sqrt(2500.0 / rpm)
    fast = body.film_scale * (0.09 + 0.08 * pressure) * np.sqrt(cold * stripping)
    slow = body.film_scale * (0.02 + 0.04 * pressure) * np.sqrt(cold) * stripping
    evaporation_s = cold * (0.7 + 0.5 * pressure) * stripping
    return Films(
        fast_share=np.minimum(fast, 0.4),
        fast_s=0.18 * evaporation_s,
        slow_share=np.minimum(slow, 0.3),
        slow_s=1.3 * evaporation_s,
    )


def through_film(
    injected: Floats, share: Floats, time_s: Floats, start: float
) -> tuple[Floats, Floats]:
    """Film mass after each step, and what evaporates during it: nothing is lost."""
    keep = np.exp(-DT_S / time_s)
    taken = share * injected
    film = filtered(taken * time_s * (1.0 - keep), keep, start)
    before = np.concatenate([[start], film[:-1]])
    return film, taken - (film - before) / DT_S


@dataclass(frozen=True, eq=False)
class _Air:
    """What fuel and exhaust hang on and no feedback changes."""

    wanted: Floats
    """Fuel that the controller meters before trims."""
    needed: Floats
    """Fuel that would give lambda 1."""
    films: Films
    keep: Floats
    """Of the sensor's reading, what is left after a step."""
    emitted: Floats
    """Where in time the gas at the sensor was metered, in steps."""
    mixing: Floats
    """Factor by which cylinders and combustion differ."""


def simulate(
    engine: OtherEngine,
    drive: Drive,
    target: Table,
    rng: Rng,
    *,
    options: Options | None = None,
    grid: Table | None = None,
) -> Trace:
    """Run the engine through a drive. `grid`: corrections in force, percent, + is more fuel."""
    options = options or Options()
    load, missing = manifold_pressure(engine.body, drive)
    coolant = _coolant(len(load), options)
    is_cut = drive.is_closed & (drive.rpm > CUT_RPM) & options.has_fuel_cut
    aim = target.at(drive.rpm, load)
    wanted = _metered(engine.body, drive.rpm, load, coolant) / aim
    if grid is not None:
        wanted = wanted * (1.0 + grid.at(drive.rpm, load) / 100.0)
    wanted = np.where(is_cut, 0.0, wanted)
    day = engine.body.offset * rng.normal()
    error = day + _fuel_error(engine, drive.rpm, load, missing, rng)
    drawn = breathing(drive.rpm) * drive.rpm / 1000.0 * load / 100.0
    films = wall_films(engine.body, drive.rpm, load, coolant)
    flow = exhaust_flow(engine.body, drive.rpm, load)
    air = _Air(
        wanted=wanted,
        needed=drawn * np.exp(error),
        films=films,
        keep=np.exp(-DT_S / sensor_time(engine.body, flow)),
        emitted=emission_step(engine.body, drive.rpm, flow),
        mixing=_mixing(engine.body, drive.rpm, rng),
    )
    throttle = np.where(drive.is_closed, 0.0, throttle_of(drive.load, drive.rpm))
    if options.has_trims:
        ready = (load < 85.0) & (aim > 0.99) & (coolant > ENRICHED_BELOW_C) & ~is_cut
        fuel = _closed_loop(air, drive.rpm, load, aim, ready)
    else:
        fuel = _open_loop(air)
    return Trace(drive.rpm, load, throttle, coolant, is_cut, **fuel, day=day)


def _coolant(n: int, options: Options) -> Floats:
    if options.warm_up_s <= 0.0:
        return np.full(n, WARM_C)
    time_s = options.warm_up_s / np.log((WARM_C - COLD_C) / (WARM_C - ENRICHED_BELOW_C - 6.0))
    return WARM_C - (WARM_C - COLD_C) * np.exp(-np.arange(n) * DT_S / time_s)


def _metered(body: Body, rpm: Floats, load: Floats, coolant: Floats) -> Floats:
    """Fuel for lambda 1 by the pressure of a cycle ago, with enrichments."""
    steps = np.arange(len(rpm))
    read = np.interp(steps - 120.0 / rpm * RATE_HZ, steps, load)
    fuel = breathing(rpm) * rpm / 1000.0 * read / 100.0
    fuel = fuel * (1.0 + 0.004 * np.maximum(ENRICHED_BELOW_C - coolant, 0.0))
    acceleration = np.log(read) - np.log(lagged(read, 0.35))
    film = 0.2 * body.compensation
    return fuel * np.clip(1.0 + film * acceleration, 0.8, 1.4)


def _fuel_error(
    engine: OtherEngine, rpm: Floats, load: Floats, missing: Floats, rng: Rng
) -> Floats:
    """What steady breathing, boost to come, warm walls and slow wandering add, in ln."""
    body, n = engine.body, len(rpm)
    error = error_at(engine, rpm, load) + body.turbine_breathing * missing / 100.0
    error = error + body.wander * wandering(n, body.wander_s, rng)
    heat = np.log(rpm * load)
    return np.asarray(error + body.tail * np.tanh((heat - lagged(heat, body.tail_s)) / 0.7))


def exhaust_flow(body: Body, rpm: Floats, load: Floats) -> Floats:
    """Mass flow. [kg/s]"""
    density = load * 1000.0 / (GAS_J_KG_K * INTAKE_K)
    flow = body.displacement_l / 1000.0 * breathing(rpm) * rpm / 120.0 * density
    return flow * (1.0 + 1.0 / AFR_STOICH)


def exhaust_pressure(flow: Floats) -> Floats:
    """Ambient plus a resistance that grows with the square of the flow. [kPa absolute]"""
    return BAROMETER_KPA + 1.5 * (flow / 0.02) ** 2 / (1.0 + 0.03 * (flow / 0.02) ** 2)


def sensor_time(body: Body, flow: Floats) -> Floats:
    """Time constant: slower in a weak stream, quicker where pressure drives gas inside. [s]"""
    stream = 0.6 + 0.4 * np.sqrt(0.02 / flow)
    pressure = np.sqrt(BAROMETER_KPA / exhaust_pressure(flow))
    return body.sensor_s * np.clip(stream * pressure, 0.5, 2.0)


def emission_step(body: Body, rpm: Floats, flow: Floats) -> Floats:
    """When the gas that is at the sensor was metered, in steps; at least one step ago.

    Plug flow: the exhaust displaces its volume at its own density, which goes with pressure;
    before that lie 1.75 revolutions from metering to the open exhaust valve.
    """
    steps = np.arange(len(rpm), dtype=float)
    density = exhaust_pressure(flow) * 1000.0 / (GAS_J_KG_K * EXHAUST_K)
    displaced_l = np.cumsum(flow / density * 1000.0) * DT_S
    left = np.interp(displaced_l - body.exhaust_l, displaced_l, steps)
    turned = np.cumsum(rpm / 60.0) * DT_S
    metered = np.interp(np.interp(left, steps, turned) - 1.75, turned, steps)
    return np.maximum(np.minimum(metered, steps - 1.0), 0.0)


def _mixing(body: Body, rpm: Floats, rng: Rng) -> Floats:
    """Swing over the engine cycle, and scatter that averages over the cycles within a step."""
    cycle = np.cumsum(rpm / 120.0) * DT_S
    swing = np.zeros(len(rpm))
    for order, share in ((1.0, 1.0), (2.0, 0.5)):
        is_seen = order * rpm / 120.0 < 0.45 * RATE_HZ
        phase = 2.0 * np.pi * (order * cycle + rng.uniform())
        swing += np.where(is_seen, share * np.sin(phase), 0.0)
    scatter = rng.normal(0.0, 1.0, len(rpm)) * np.sqrt(120.0 / rpm * RATE_HZ)
    return 1.0 + body.cylinder_spread * swing + body.cycle_noise * scatter


def _open_loop(air: _Air) -> dict[str, Floats]:
    fuel, films = air.wanted, air.films
    first = float(fuel[0])
    starts = [float(first * x[0] * t[0]) for x, t in _pairs(films)]
    (fast, from_fast), (slow, from_slow) = (
        through_film(fuel, share, time_s, start)
        for (share, time_s), start in zip(_pairs(films), starts, strict=True)
    )
    port = fuel * (1.0 - films.fast_share - films.slow_share) + from_fast + from_slow
    phi = np.maximum(port / air.needed * air.mixing, 0.0)
    arriving = np.interp(air.emitted, np.arange(len(phi)), phi)
    sensed = filtered((1.0 - air.keep) * arriving, air.keep, float(arriving[0]))
    none = np.zeros(len(phi))
    return _fuel(fuel, port, fast, slow, sensed, none, none)


def _pairs(films: Films) -> list[tuple[Floats, Floats]]:
    return [(films.fast_share, films.fast_s), (films.slow_share, films.slow_s)]


def _fuel(*columns: Floats) -> dict[str, Floats]:
    """Name the columns; the last but two is the fuel-air ratio at the sensor."""
    names = ("injected", "port", "film_fast", "film_slow", "sensed", "trim_short", "trim_long")
    fuel = dict(zip(names, columns, strict=True))
    fuel["sensed"] = 1.0 / np.maximum(fuel["sensed"], 0.05)
    return fuel


@dataclass(frozen=True)
class LoopGains:
    """The controller's own lambda loop: integral and step gain, learning, and its bounds."""

    per_s: float = 0.35
    step: float = 0.05
    learn_s: float = 12.0
    short_limit: float = 0.25
    long_limit: float = 0.20
    error_limit: float = 0.10
    rest_s: float = 3.0
    """The loop stays open so long after it was interrupted."""


def _closed_loop(
    air: _Air,
    rpm: Floats,
    load: Floats,
    aim: Floats,
    ready: npt.NDArray[np.bool_],
) -> dict[str, Floats]:
    """The same physics as `_open_loop`, step by step, for the sensor acts back on the fuel."""
    gains, films = LoopGains(), air.films
    keep_fast, keep_slow = (np.exp(-DT_S / t) for _, t in _pairs(films))
    whole = np.floor(air.emitted).astype(int)
    columns = [air.wanted, air.needed, air.mixing, air.keep, whole, air.emitted - whole, aim]
    columns += [films.fast_share, films.fast_s, keep_fast]
    columns += [films.slow_share, films.slow_s, keep_slow, _closed(ready, gains), _zones(rpm, load)]
    state = _LoopState(gains, [c.tolist() for c in columns])
    rows = [state.step(k) for k in range(len(rpm))]
    return _fuel(*np.array(rows).T)


def _closed(ready: npt.NDArray[np.bool_], gains: LoopGains) -> npt.NDArray[np.bool_]:
    """Ready for so long already that the loop may close."""
    steps = np.arange(len(ready))
    last_open = np.maximum.accumulate(np.where(ready, -1, steps))
    return np.asarray(steps - last_open > gains.rest_s * RATE_HZ)


def _zones(rpm: Floats, load: Floats) -> npt.NDArray[np.int64]:
    """Zone of the learned trims: six of speed by four of load."""
    row = np.clip(((rpm - 800.0) / 950.0).astype(int), 0, 5)
    return np.asarray(row * 4 + np.clip(((load - 20.0) / 20.0).astype(int), 0, 3))


class _LoopState:
    """Films, sensor and trims of the closed loop, in plain numbers for speed."""

    def __init__(self, gains: LoopGains, columns: list[list[float]]) -> None:
        self.gains, self.columns = gains, columns
        fuel, needed, x1, t1, x2, t2 = (columns[i][0] for i in (0, 1, 7, 8, 10, 11))
        self.fast, self.slow = fuel * x1 * t1, fuel * x2 * t2
        self.phi_now = fuel / needed
        self.phi: list[float] = []
        self.short, self.error = 0.0, 0.0
        self.learned = [0.0] * 24

    def step(self, k: int) -> tuple[float, ...]:
        c = [column[k] for column in self.columns]
        wanted, needed, mixing, keep, whole, part, aim = c[:7]
        x1, t1, keep1, x2, t2, keep2, is_closed, zone = c[7:]
        long = self.learned[zone]
        fuel = wanted * (1.0 + self.short) * (1.0 + long)
        fast = keep1 * self.fast + x1 * fuel * t1 * (1.0 - keep1)
        slow = keep2 * self.slow + x2 * fuel * t2 * (1.0 - keep2)
        port = fuel - (fast - self.fast + slow - self.slow) / DT_S
        self.fast, self.slow = fast, slow
        phi = max(port / needed * mixing, 0.0)
        self.phi.append(phi)
        before = self.phi[whole]
        behind = self.phi[min(whole + 1, k)]
        self.phi_now = keep * self.phi_now + (1.0 - keep) * (before + part * (behind - before))
        row = (fuel, port, fast, slow, self.phi_now, self.short, long)
        self._trim(1.0 / max(self.phi_now, 0.05) / aim - 1.0, bool(is_closed), zone)
        return row

    def _trim(self, error: float, is_closed: bool, zone: int) -> None:
        g = self.gains
        if not is_closed:
            self.short, self.error = 0.98 * self.short, 0.0
            return
        error = min(max(error, -g.error_limit), g.error_limit)
        short = self.short + g.per_s * DT_S * error + g.step * (error - self.error)
        self.error = error
        moved = DT_S / g.learn_s * short
        long = min(max(self.learned[zone] + moved, -g.long_limit), g.long_limit)
        short -= long - self.learned[zone]
        self.learned[zone] = long
        self.short = min(max(short, -g.short_limit), g.short_limit)


LOGGERS = {"20 Hz": 20.0, "10 Hz": 10.0, "2 Hz": 2.0, "1 Hz": 1.0, "polled": 10.0}
"""Rows a second of each logger; the polled one renews one channel per row in turn."""


def logged(
    engine: OtherEngine,
    trace: Trace,
    rng: Rng,
    logger: str = "20 Hz",
    options: Options | None = None,
) -> pd.DataFrame:
    """What a logger writes: noise, ends and steps of its sensors, at its own rate."""
    options = options or Options()
    every = round(RATE_HZ / LOGGERS[logger])
    rows = np.arange(int(rng.integers(every)), len(trace.rpm), every)
    n = len(rows)
    reading = trace.sensed[rows] * (1.0 + engine.body.sensor_noise * rng.normal(size=n))
    wild = rng.random(n) < options.spike_share
    reading = np.where(wild, reading * rng.uniform(0.75, 1.30, n), reading)
    frame = pd.DataFrame(
        {
            "time_s": np.round(rows * DT_S, 3),
            "rpm": np.round(trace.rpm[rows] + 3.0 * rng.normal(size=n)),
            "map_kpa": np.round(trace.load[rows] + 0.3 * rng.normal(size=n), 1),
            "lambda": np.round(np.clip(reading, *engine.body.sensor_ends), 3),
            "coolant_c": np.round(trace.coolant[rows]),
            "throttle_pct": np.round(trace.throttle[rows] + 0.1 * rng.normal(size=n), 1).clip(0.0),
        }
    )
    if options.has_trims:
        frame["trim_short_pct"] = np.round(100.0 * trace.trim_short[rows], 1)
        frame["trim_long_pct"] = np.round(100.0 * trace.trim_long[rows], 1)
    return _polled(frame) if logger == "polled" else frame


def _polled(frame: pd.DataFrame) -> pd.DataFrame:
    """Renew one channel per row in turn; the others repeat what they last had.

    The log begins where each channel has been read once.
    """
    channels = [name for name in frame if name != "time_s"]
    turn = np.arange(len(frame)) % len(channels)
    polled = frame.copy()
    for number, name in enumerate(channels):
        polled[name] = frame[name].where(turn == number).ffill()
    return polled.dropna().reset_index(drop=True)
