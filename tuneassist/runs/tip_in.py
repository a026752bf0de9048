"""Response to pedal steps: delay, rise time, overshoot, and the time to 90 %.

A step counts if the pedal rests, moves far enough within a short time, and holds. Its response
counts if engine speed stays nearly constant: otherwise the torque curve would be measured. Times
start when the pedal has moved a tenth of its way.

A first-order response of time constant tau rises from 10 to 90 % in tau ln 9. The settled torque is
that of the last quarter of the window; for a slow response (tau of a sixth of the window) it is
some 3 % low.

The time to 90 % runs from the start of the pedal's movement to when the answer first reaches 90 %
of its own settled rise: the dead time and the usual 10 to 90 % rise in one figure (common practice,
no source). Where torque is not logged, boost or manifold pressure answers in its place, else the
acceleration of the engine; times of different signals are not compared.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import pandas as pd
from scipy.ndimage import median_filter

from tuneassist.grid import Floats
from tuneassist.runs.pulls import last_known
from tuneassist.runs.refusal import Refusal
from tuneassist.runs.settings import RunSettings
from tuneassist.runs.torque import PullTorque, pull_torque

STEPS = [
    "side", "log", "step", "start_s", "rpm", "rpm_from", "rpm_to", "pedal_from_pct",
    "pedal_to_pct", "torque_from_nm", "torque_to_nm", "first_torque_s", "rise_s", "overshoot_pct",
    "resolution_s", "overshoot_noise_pct", "signal", "ninety_s", "boost_ninety_s",
    "acceleration_ninety_s",
]  # fmt: skip
MEASURES = {
    "time to first torque": ("first_torque_s", "s"),
    "rise from 10 to 90 %": ("rise_s", "s"),
    "overshoot": ("overshoot_pct", "%"),
    "tip-in to 90 % torque": ("ninety_s", "s"),
    "tip-in to 90 % boost": ("boost_ninety_s", "s"),
    "tip-in to 90 % acceleration": ("acceleration_ninety_s", "s"),
}
NINETY = MappingProxyType(
    {"torque": "ninety_s", "boost": "boost_ninety_s", "acceleration": "acceleration_ninety_s"}
)
"""Column of the time to 90 % of each signal, best signal first."""
BOOST = ("boost_kpa", "manifold_pressure_kpa")
"""Columns that answer where torque is not logged."""
STEP_BEGUN = 0.1  # share of the pedal movement at which time starts


@dataclass(frozen=True, eq=False)
class TipIns:
    """Responses to the steps of one log.

    Parameters
    ----------
    table
        Columns `STEPS`, one row per step that could be evaluated.
    refusals
        Steps that could not be evaluated, and why.
    """

    table: pd.DataFrame
    refusals: tuple[Refusal, ...] = ()


def tip_ins(
    samples: pd.DataFrame, *, side: str, name: str, settings: RunSettings | None = None
) -> TipIns:
    """Find the pedal steps in a log, and the torque response to each.

    Parameters
    ----------
    samples
        Columns time_s, rpm, pedal_pct or throttle_pct, and torque_nm or power_kw, else boost_kpa or
        manifold_pressure_kpa.
    side
        "before" or "after".
    name
        The log's name.
    settings
        Definition of a step and of a response.

    Returns
    -------
    TipIns
        ``overshoot_noise_pct`` is the overshoot that noise alone may cause; ``resolution_s`` is the
        time between samples, the smallest meaningful difference of times. Of the three times to
        90 %, only that of ``signal`` is known; what is said of torque is nan for other signals.
    """
    settings = settings or RunSettings()
    empty = pd.DataFrame(columns=STEPS)
    column = next((c for c in ("pedal_pct", "throttle_pct") if c in samples), None)
    if column is None or not {"time_s", "rpm"} <= set(samples):
        return TipIns(empty, (Refusal("no pedal", "No pedal or throttle is logged.", where=name),))
    usable = samples[samples["time_s"].notna() & (samples["rpm"] > 0)]
    if not usable["time_s"].is_monotonic_increasing:
        return TipIns(empty, (Refusal("time turns back", "Time does not rise.", where=name),))
    found_torque = pull_torque(usable, settings) if len(usable) > 1 else None
    if found_torque is None:
        return TipIns(empty, (Refusal("no torque", "The log is empty.", where=name),))
    pedal = last_known(usable, column, settings.max_gap_s)
    basis = pd.DataFrame({"time": usable["time_s"], "rpm": usable["rpm"], "pedal": pedal})
    return _answers_of_best(usable, basis, found_torque, side=side, name=name, settings=settings)


def _answers_of_best(
    usable: pd.DataFrame,
    basis: pd.DataFrame,
    found_torque: PullTorque | Refusal,
    *,
    side: str,
    name: str,
    settings: RunSettings,
) -> TipIns:
    """Evaluate the steps by torque, else by boost, else by acceleration."""
    if not isinstance(found_torque, Refusal):
        trace = basis.assign(answer=found_torque.torque_nm)
        return _answers(trace, "torque", side, name, settings)
    boost = next((c for c in BOOST if c in usable and usable[c].notna().any()), None)
    if boost is not None:
        return _answers(basis.assign(answer=usable[boost]), "boost", side, name, settings)
    found = _answers(
        basis.assign(answer=_acceleration(basis, settings)), "acceleration", side, name, settings
    )
    if len(found.table):
        return found
    return TipIns(found.table, (Refusal("no torque", found_torque.description, where=name),))


def _acceleration(basis: pd.DataFrame, settings: RunSettings) -> Floats:
    """Rise of speed over ``settings.acceleration_s``, centred. [rpm/s]"""
    time, rpm = basis["time"].to_numpy(dtype=float), basis["rpm"].to_numpy(dtype=float)
    half = 0.5 * settings.acceleration_s
    return np.asarray(
        (np.interp(time + half, time, rpm) - np.interp(time - half, time, rpm)) / (2.0 * half)
    )


def _answers(
    trace: pd.DataFrame, signal: str, side: str, name: str, settings: RunSettings
) -> TipIns:
    """Evaluate the answer of one signal to every step of a log."""
    trace = trace.dropna()
    rows, refusals = [], []
    for number, start in enumerate(_step_starts(trace, settings), start=1):
        response = _response(trace, start, signal, settings)
        if isinstance(response, Refusal):
            where = f"{name}, step {number}"
            refusals.append(Refusal(response.name, response.description, response.numbers, where))
        else:
            rows.append({"side": side, "log": name, "step": number, **response})
    return TipIns(pd.DataFrame(rows, columns=STEPS), tuple(refusals))


def _step_starts(trace: pd.DataFrame, settings: RunSettings) -> Floats:
    """Times at which a pedal step starts."""
    time, pedal = trace["time"].to_numpy(), trace["pedal"].to_numpy()
    if len(time) < 5:
        return np.empty(0)
    rise = np.interp(time + settings.step_rise_s, time, pedal) - pedal
    is_rising = rise >= settings.step_min_pct
    starts = is_rising & ~np.concatenate([[False], is_rising[:-1]])
    return np.asarray(time[starts])


def _response(
    trace: pd.DataFrame, start_s: float, signal: str, settings: RunSettings
) -> dict[str, object] | Refusal:
    """Evaluate one step, or return why it cannot be evaluated."""
    before = _between(trace, start_s - settings.step_before_s, start_s)
    later = _between(trace, start_s, start_s + settings.response_s)
    if len(before) < 3 or len(later) < 10:
        return _refused(
            "too few samples", "there are too few samples around it", start_s, n=len(later)
        )
    base = float(before["pedal"].median())
    span = settings.step_rise_s + settings.step_hold_s
    top = float(later.loc[later["time"] <= start_s + span, "pedal"].median())
    moved = later["time"] > start_s + 2 * settings.step_rise_s
    leaves = later[moved & ((later["pedal"] - top).abs() > settings.step_quiet_pct)]
    end_s = float(leaves["time"].iloc[0]) if len(leaves) else float(later["time"].iloc[-1])
    window = later[later["time"] < end_s] if len(leaves) else later
    quiet = float(np.ptp(before["pedal"]))
    if quiet > settings.step_quiet_pct:
        return _refused(
            "pedal not at rest", "the pedal did not rest before it", start_s, range=quiet
        )
    if end_s - start_s < span or top - base < settings.step_min_pct:
        return _refused("pedal not held", "the pedal was not held", start_s, held_s=end_s - start_s)
    rpm = pd.concat([before["rpm"], window["rpm"]])
    change = 100.0 * float(np.ptp(rpm)) / float(rpm.mean())
    if change > settings.step_rpm_band_pct:
        return _refused(
            "speed moved", "engine speed did not stay constant", start_s, rpm_change_pct=change
        )
    return _response_values(before, window, (base, top), signal, settings)


def _between(trace: pd.DataFrame, start_s: float, end_s: float) -> pd.DataFrame:
    """Return the rows from one time to another, both included; time does not fall."""
    time = trace["time"].to_numpy()
    first, last = np.searchsorted(time, start_s), np.searchsorted(time, end_s, side="right")
    return trace.iloc[first:last]


@dataclass(frozen=True, eq=False)
class _Answer:
    """A signal from rest to its settled value; ``filtered`` has no single spikes."""

    time: Floats
    filtered: Floats
    low: float
    high: float
    noise: float

    @property
    def rise(self) -> float:
        return self.high - self.low

    def crossing_s(self, share: float) -> float:
        """Time at which this share of the rise is first reached. [s]"""
        return crossing_s(self.time, self.filtered, self.low + share * self.rise)


def _answer(
    before: pd.DataFrame, window: pd.DataFrame, signal: str, settings: RunSettings
) -> _Answer | Refusal:
    """Return the answer of the signal to a step, or why it has none."""
    time = window["time"].to_numpy(dtype=float)
    filtered = median_filter(window["answer"].to_numpy(dtype=float), size=3, mode="nearest")
    low, noise = float(before["answer"].median()), float(before["answer"].std())
    tail = filtered[-max(len(filtered) // 4, 4) :]
    rise = float(np.median(tail)) - low
    name, least = {
        "torque": ("_nm", settings.step_min_nm),
        "boost": ("_kpa", settings.step_min_kpa),
        "acceleration": ("_rpm_s", settings.step_min_acceleration),
    }[signal]
    if rise < max(least, 3.0 * noise):
        return _refused(
            "no answer", f"{signal} hardly changed", float(time[0]), **{f"rise{name}": rise}
        )
    half = len(tail) // 2
    drift = abs(float(np.median(tail[half:]) - np.median(tail[:half])))
    if drift > settings.unsettled_share * rise:
        return _refused("not settled", f"{signal} was still moving at the end", float(time[0]),
                        **{f"drift{name}": drift})  # fmt: skip
    return _Answer(time, filtered, low, float(np.median(tail)), noise)


def _response_values(
    before: pd.DataFrame,
    window: pd.DataFrame,
    pedal: tuple[float, float],
    signal: str,
    settings: RunSettings,
) -> dict[str, object] | Refusal:
    """Return times and overshoot of a valid response."""
    base, top = pedal
    answer = _answer(before, window, signal, settings)
    if isinstance(answer, Refusal):
        return answer
    moved = window["pedal"].to_numpy(dtype=float)
    step_s = crossing_s(answer.time, moved, base + STEP_BEGUN * (top - base))
    rpm, width = float(window["rpm"].mean()), settings.band_width_rpm
    middle = width * round(rpm / width)  # bands are centred on round speeds
    found: dict[str, object] = {
        "start_s": step_s, "rpm": rpm, "rpm_from": middle - width / 2.0,
        "rpm_to": middle + width / 2.0, "pedal_from_pct": base, "pedal_to_pct": top,
        "resolution_s": float(np.median(np.diff(answer.time))), "signal": signal,
        NINETY[signal]: answer.crossing_s(settings.answered_share) - step_s,
    }  # fmt: skip
    return found | _torque_values(answer, step_s, settings) if signal == "torque" else found


def _torque_values(answer: _Answer, step_s: float, settings: RunSettings) -> dict[str, object]:
    """Return what is said of torque alone."""
    begun_nm = max(settings.first_torque_share * answer.rise, 3.0 * answer.noise)
    first = crossing_s(answer.time, answer.filtered, answer.low + begun_nm)
    top = max(float(answer.filtered.max()) - answer.high, 0.0)
    return {
        "torque_from_nm": answer.low, "torque_to_nm": answer.high,
        "first_torque_s": first - step_s, "rise_s": answer.crossing_s(0.9) - answer.crossing_s(0.1),
        "overshoot_pct": 100.0 * top / answer.rise,
        "overshoot_noise_pct": 100.0 * 2.0 * answer.noise / answer.rise,
    }  # fmt: skip


def crossing_s(time_s: Floats, values: Floats, level: float) -> float:
    """Time at which a signal first rises to a level, between samples by a straight line.

    Examples
    --------
    >>> crossing_s(np.array([0.0, 1.0, 2.0]), np.array([0.0, 4.0, 8.0]), 6.0)
    1.5
    """
    above = np.flatnonzero(values >= level)
    if not above.size:
        return float("nan")
    k = int(above[0])
    if k == 0:
        return float(time_s[0])
    share = (level - values[k - 1]) / (values[k] - values[k - 1])
    return float(time_s[k - 1] + share * (time_s[k] - time_s[k - 1]))


def _refused(name: str, why: str, start_s: float, **numbers: float) -> Refusal:
    return Refusal(
        name,
        f"Pedal step at {start_s:.1f} s not evaluated: {why}.",
        MappingProxyType({"start_s": float(start_s), **{k: float(v) for k, v in numbers.items()}}),
    )
