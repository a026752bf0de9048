"""Whether the lambda sensor responds: lambda must follow the target between holds, log-wide.

A dead sensor reads the same at every operating point. Against a target that is richer in boost it
then shows a map that is rich at light load and lean in boost, or the reverse, and the scatter of
its holds looks normal. It is found because lambda stays put while the target moves. If the target
never moves, lambda must at least vary between holds by more than its noise. A log that shows
neither proves nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.evidence.need import target_at
from tuneassist.evidence.visits import nearest_cell
from tuneassist.grid import Axes, Floats

#: Moves from hold to hold in each part of a log that must show a response: enough to tell a slope
#: of 1 from 0 if the map is about 5 % off and the target moves by as much. [1]
PART_MOVES = 12
#: Fewest moves for a verdict. [1]
MIN_MOVES = 4
#: The target counts as moving from this root mean square change between holds. [ln]
TARGET_MOVES_LN = 0.015
#: Share of the target's moves that lambda must follow: a map's own errors may hide half of them,
#: a dead sensor follows none. [1]
LEAST_FOLLOWED = 0.3
#: and that must differ from zero by this many standard errors. If the map's errors hide it, lambda
#: must vary, and a share of this size must not be ruled out. [1]
FOLLOWED_SE = 2.0
#: To rule it out, the share must stay below by this many standard errors. [1]
RULED_OUT_SE = 4.0
#: Load quantiles above which the holds must show a response of their own: a sensor may fail when
#: hot, and moves from light load into boost and back would hide that. [1]
HEAVY_QUANTILES = (0.5, 0.75)
#: Lambda varies if it differs between holds by this many times its own noise, and by at least this
#: much. [1], [ln]
ANSWER_NOISES, ANSWER_LN = 3.0, 0.004
#: Moves of the target in a row without a change of lambda that make a dead stretch, and the size
#: from which a move counts. With a map about 5 % off one in ten moves does so by chance. [1], [ln]
STILL_MOVES, CLEAR_MOVE_LN = 5, 0.02

#: Trims whose range over all holds is smaller are stuck: a tenth of a usual logging step. [ln]
STUCK_LN = 1e-4

#: Standard error of a reading made of moving samples. A dead sensor sees no transients, so that
#: only what is left of its own noise counts; neighbouring cells of a map differ by 1 to 2 %. [ln]
PASSAGE_SE = 0.003

#: A lambda that stands still tells nothing where it is off target by this much; one that stands on
#: a target that stands as well may be a map that is right. [ln]
STUCK_OFF_LN = 0.02

Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class SensorResponse:
    """Whether the sensor of a log responds.

    Parameters
    ----------
    answers
        True if lambda responds over the whole log.
    why
        The reason if it does not; else empty.
    is_dead
        True if it was seen not to respond; False if there is too little data.
    stuck_at
        Lambda at which it stands over the whole log, off target; nan where it does not. [lambda]
    """

    answers: bool
    why: str = ""
    is_dead: bool = False
    stuck_at: float = float("nan")


def sensor_response(holds: pd.DataFrame, *, in_parts: bool = True) -> SensorResponse:
    """Check whether lambda responds to the moves from hold to hold.

    Parameters
    ----------
    holds
        The holds of one log: ``start_s, load, need_ln, within_se, target_lambda, stop``.
    in_parts
        Whether each part of the log must show it by itself. Passages of a sweep at one load are
        neighbours in the target, so that only all of them together show it.

    Returns
    -------
    SensorResponse
        Trims count as a response, because they are part of the need.
    """
    values = holds[holds["stop"].eq("")].sort_values("start_s")
    moves = len(values) - 1
    if moves < MIN_MOVES:
        return SensorResponse(
            False,
            f"its {len(values)} steady holds are too few to show that the lambda sensor responds",
        )
    target = np.log(values["target_lambda"].to_numpy(dtype=float))
    asked = np.diff(target)
    seen = np.diff(values["need_ln"].to_numpy(dtype=float) + target)
    own = values["within_se"].to_numpy(dtype=float)
    noise = np.hypot(own[1:], own[:-1])
    time_s = values["start_s"].to_numpy(dtype=float)
    stuck_at = _stuck_at(asked, seen, noise, values)
    if np.isfinite(stuck_at):
        return SensorResponse(False, _stuck_words(stuck_at), is_dead=True, stuck_at=stuck_at)
    still = _still_run(asked, seen, noise) if in_parts else None
    if still is not None:
        return SensorResponse(False, _words(time_s, *still), is_dead=True)
    parts = max(1, moves // PART_MOVES) if in_parts else 1
    for part in np.array_split(np.arange(moves), parts):
        if not _answers(asked[part], seen[part], noise[part]):
            why = _words(time_s, int(part[0]), int(part[-1]) + 1)
            return SensorResponse(False, why, is_dead=True)
    load = values["load"].to_numpy(dtype=float)
    for quantile in HEAVY_QUANTILES:
        heavy = load >= np.quantile(load, quantile)
        if not _answers_there(target[heavy], values["need_ln"].to_numpy()[heavy], own[heavy]):
            why = (
                f"lambda does not respond from load {load[heavy].min():.4g} on, although the "
                "target moves: is the sensor too hot there, or saturated?"
            )
            return SensorResponse(False, why, is_dead=True)
    return SensorResponse(True)


def _stuck_at(asked: Floats, seen: Floats, noise: Floats, holds: pd.DataFrame) -> float:
    """Return the lambda at which the sensor stands; nan where it moves, or stands on target."""
    need = holds["need_ln"].to_numpy(dtype=float)
    is_target_moving = float(np.sqrt(np.mean(asked**2))) >= TARGET_MOVES_LN
    is_off = abs(float(np.median(need))) >= STUCK_OFF_LN
    if _is_varying(seen, noise) or _answers(asked, seen, noise):
        return float("nan")
    if not (is_target_moving or is_off):
        return float("nan")  # a map that is right reads so, too
    return float(np.median(holds["target_lambda"].to_numpy(dtype=float) * np.exp(need)))


def _is_varying(seen: Floats, noise: Floats) -> bool:
    """Tell whether lambda differs from hold to hold by more than its noise."""
    variation = float(np.sqrt(np.mean(seen**2)))
    return variation >= max(ANSWER_NOISES * float(np.sqrt(np.mean(noise**2))), ANSWER_LN)


def trim_response(holds: pd.DataFrame) -> SensorResponse:
    """Check whether the trims of a log without lambda move at all.

    Parameters
    ----------
    holds
        The holds of one log: ``need_ln, stop``.
    """
    need = holds.loc[holds["stop"].eq(""), "need_ln"].to_numpy(dtype=float)
    if len(need) <= MIN_MOVES:
        return SensorResponse(
            False, f"its {len(need)} steady holds are too few to show that the trims work"
        )
    if np.ptp(need) < STUCK_LN:
        return SensorResponse(
            False, "the fuel trims never move: is closed loop active, and logged?", is_dead=True
        )
    return SensorResponse(True)


def _answers_there(target: Floats, need: Floats, own: Floats) -> bool:
    """Tell whether lambda responds among some of the holds; True if there are too few moves."""
    asked, seen = np.diff(target), np.diff(need + target)
    if len(asked) < MIN_MOVES or np.sqrt(np.mean(asked**2)) < TARGET_MOVES_LN:
        return True
    return _answers(asked, seen, np.hypot(own[1:], own[:-1]))


def _answers(asked: Floats, seen: Floats, noise: Floats) -> bool:
    """Tell whether lambda follows the target, or varies by more than noise and may follow it."""
    is_varying = _is_varying(seen, noise)
    if np.sqrt(np.mean(asked**2)) < TARGET_MOVES_LN:
        return is_varying
    total = float(asked @ asked)
    followed = float(asked @ seen) / total
    rest = seen - followed * asked
    error = float(np.sqrt(rest @ rest / max(len(seen) - 1, 1) / total))
    if followed >= max(LEAST_FOLLOWED, FOLLOWED_SE * error):
        return True
    return is_varying and followed + RULED_OUT_SE * error >= LEAST_FOLLOWED


def _still_run(asked: Floats, seen: Floats, noise: Floats) -> tuple[int, int] | None:
    """Return first and last hold of a run of clear moves without a response; None without one."""
    clear = np.flatnonzero(np.abs(asked) >= CLEAR_MOVE_LN)
    is_still: Mask = np.abs(seen[clear]) < np.minimum(2.0 * noise[clear], CLEAR_MOVE_LN / 2.0)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], is_still, [False]]).astype(int)))
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        if stop - start >= STILL_MOVES:
            return int(clear[start]), int(clear[stop - 1]) + 1
    return None


def _stuck_words(value: float) -> str:
    return (
        f"lambda does not respond and stands at {value:.2f} whatever the engine does: is the "
        "sensor working, heated and wired to this channel?"
    )


def _words(time_s: Floats, first: int, last: int) -> str:
    return (
        f"lambda does not respond to the {last - first} moves between {time_s[first]:.0f} and "
        f"{time_s[last]:.0f} s: is the sensor working, heated and wired to this channel?"
    )


def with_passages(
    holds: pd.DataFrame, blocks: pd.DataFrame, *, axes: Axes, target_lambda: Floats
) -> pd.DataFrame:
    """Add readings made of moving samples for logs with too few holds to check a sensor by.

    Parameters
    ----------
    holds
        All holds that are values, with ``log_number`` and what `sensor_response` needs.
    blocks
        Blocks of moving samples, with ``log_number``, in order of log and time.
    axes, target_lambda
        Breakpoints, and the wanted lambda there. [lambda]

    Returns
    -------
    pandas.DataFrame
        The holds, and of those logs one reading for each passage through a cell.
    """
    counts = holds["log_number"].value_counts()
    few = ~blocks["log_number"].isin(counts.index[counts > MIN_MOVES])
    moving = blocks[few]
    if moving.empty:
        return holds
    rpm, load = (moving[name].to_numpy(dtype=float) for name in ("rpm", "load"))
    place = np.stack([moving["log_number"].to_numpy(), nearest_cell(axes, rpm, load)])
    passage = np.cumsum(np.any(np.diff(place, axis=1, prepend=-1) != 0, axis=0))
    names = ["log_number", "start_s", "rpm", "load", "need_ln", "samples"]
    mean = moving[names].groupby(passage).mean()
    target = target_at(axes, target_lambda, mean["rpm"].to_numpy(), mean["load"].to_numpy())
    number = mean["log_number"].astype(int)
    seen = mean.assign(target_lambda=target, within_se=PASSAGE_SE, stop="", log_number=number)
    seen["is_passage"] = True
    return pd.concat([holds.assign(is_passage=False), seen[np.isfinite(target)]], ignore_index=True)
