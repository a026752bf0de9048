"""Risks of a step in the unsafe direction: uncertainty about log, sensor or fuel.

Lean mixture damages a spark engine, fuel without air a compression engine. If a log cannot prove
its readings, the worse case is assumed: its cells may move in the safe direction only, or the lean
end of their evidence is moved out by the amount that is uncertain.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import ndimage

from tuneassist.evidence.consistency import OddLog
from tuneassist.evidence.lattice import DRIFT_LN, DRIFT_SE, LatticeFit
from tuneassist.evidence.sensor_response import SensorResponse, sensor_response, trim_response
from tuneassist.evidence.side_channels import KNOCK_SAMPLES, MIXED_SAMPLES
from tuneassist.evidence.standing_trims import STANDING_PCT, standing_words
from tuneassist.grid import Axes, Floats
from tuneassist.settings import Setup

Mask = npt.NDArray[np.bool_]

#: Reasons that bar a cell from an unsafe step.
KNOCK_WORDS = "knock was logged here or next door"
UNSETTLED_WORDS = "no hold here or next door shows how hot the exhaust gets once it has settled"
MIXED_WORDS = (
    "the manifold pressure is absolute in vacuum and gauge in boost, so nobody knows where the "
    "samples belong"
)
#: Of a significant drift the upper end of its 95 % interval counts. [standard errors]
DRIFT_END_SE = 2.0
#: Rank correlation of time and load above which holds count as logged in order of load, and the
#: fewest holds for it; the mixture may then be leaner by this much, a usual sensor drift in an hour
#: (common practice, no source). [1], [1], [ln]
ORDERED, MIN_ORDER_HOLDS, ORDER_LN = 0.85, 8, 0.02
#: They also count as in order if one point in time separates light from heavy holds with at least
#: this correlation, at least a quarter of the holds on each side: a step of the sensor at that time
#: would look like a change of the map. [1]
PARTED, LEAST_SIDE = 0.8, 0.25
#: Ratio of the scatter about the surface of the heavier half of the holds to that of the lighter
#: half above which it is excessive, and the fewest holds in each half. By chance one log of twenty
#: holds in 250 exceeds it (F of 10 and 10), one of forty in 10,000. [1], [1]
SCATTER_RATIO, MIN_HALF_HOLDS = 2.5, 8
#: Where a fault comes and goes, good and bad holds lie about one scatter to either side of their
#: mean, and a cell may have seen bad ones only: the good ones are so many scatters from it. [1]
BOTH_SIDES = 2.0
#: A wrong scale moves every cell: the whole map is off if even the tenth of its known cells that is
#: off least is off by this share of `CorrectionSettings.uniform_offset_pct`. A map's own errors
#: come near zero or change sign somewhere. Of 38 simulated engines whose own errors reach 8 to 12 %
#: and are over 5 % in the middle, this takes 11 for a scale; of 200 with errors up to 3 % on a
#: scale that is off by 7 % or more it misses none. [1], [1]
LEAST_TENTH, LEAST_SHARE = 0.1, 0.65


@dataclass(frozen=True)
class StepRisk:
    """Risks of an unsafe step that hold for every cell.

    Parameters
    ----------
    barred
        Why no cell may move in the unsafe direction; empty if nothing bars it.
    lean_ln
        How much leaner the mixture may be than the cells show. [ln]
    notes
        Notes for the user.
    """

    barred: tuple[str, ...] = ()
    lean_ln: float = 0.0
    notes: tuple[str, ...] = ()


def risk_of_logs(
    names: Sequence[str],
    holds: pd.DataFrame,
    *,
    fit: LatticeFit | None,
    aside: Sequence[OddLog],
    lives: Mapping[int, SensorResponse] | None = None,
    readings: pd.DataFrame | None = None,
) -> StepRisk:
    """Check sensor response, hold order, drift and scatter of the logs, and the outlying logs.

    Parameters
    ----------
    names
        Names of the logs.
    holds
        All holds, with ``log_number``, ``is_used`` and what `sensor_response` needs.
    fit
        The fit of the holds used, with the drift of each log.
    aside
        Logs set aside.
    lives
        Result of `sensor_responses`, of logs without holds as well; None to work it out here.
    readings
        What the order of the loads is read from, where some logs have no holds; None for the holds
        used.
    """
    used = holds[holds["is_used"]]
    known = sensor_responses(used) if lives is None else lives
    found = [
        *_order_risks(names, used if readings is None else readings),
        *_drift_risks(names, fit),
        *_scatter_risks(holds, fit),
        *_outlier_risks(names, aside),
    ]
    barred = _unproven_sensors(names, known, aside)
    lean_ln = max((size_ln for _, size_ln in found), default=0.0)
    return StepRisk(barred, lean_ln, tuple(note for note, _ in found))


def with_unknown_order(risk: StepRisk) -> StepRisk:
    """Return the risk beside readings whose order is not known: a drift may hide in them.

    Parameters
    ----------
    risk
        As the logs show it.
    """
    return replace(risk, lean_ln=max(risk.lean_ln, ORDER_LN))


def _unproven_sensors(
    names: Sequence[str], responses: Mapping[int, SensorResponse], aside: Sequence[OddLog]
) -> tuple[str, ...]:
    """Say of each log why its sensor proves nothing; empty if the sensor of any log responds."""
    left_out = {odd.index for odd in aside}
    found = {number: one for number, one in responses.items() if number not in left_out}
    if any(response.answers for response in found.values()):
        return ()
    return tuple(f"log {names[number]}: {response.why}" for number, response in found.items())


_Risk = tuple[str, float]
"""A note, and how much leaner the mixture may be. [ln]"""


def _order_risks(names: Sequence[str], used: pd.DataFrame) -> list[_Risk]:
    """Find the logs that went through the loads in order."""
    return [
        (
            f"log {names[int(str(number))]}: the loads were logged in order, so sensor "
            "drift looks like a map error that depends on load: repeat a light hold at the end, or "
            "mix the order",
            ORDER_LN,
        )
        for number, own in used.groupby("log_number")
        if _follows_load(own)
    ]


def _drift_risks(names: Sequence[str], fit: LatticeFit | None) -> list[_Risk]:
    """Find the logs whose need drifts or steps."""
    return [
        (
            f"over log {names[number]} lambda drifts or steps by "
            f"{100.0 * abs(float(np.expm1(drift_ln))):.1f} % (sensor, fuel pressure, heat soak): "
            "the leaner end is used",
            end_ln,
        )
        for number, drift_ln, end_ln in _drifts(fit)
    ]


def _scatter_risks(holds: pd.DataFrame, fit: LatticeFit | None) -> list[_Risk]:
    """Find excessive scatter under load."""
    scatter_ln = _scatter_under_load(holds, fit)
    if scatter_ln <= 0:
        return []
    note = (
        f"under load the holds scatter by {100.0 * scatter_ln:.1f} % about the map, far more "
        "than at light load (misfire, a leak, a hot sensor, fuel pressure): the leaner end "
        "is used"
    )
    return [(note, BOTH_SIDES * scatter_ln)]


def _outlier_risks(names: Sequence[str], aside: Sequence[OddLog]) -> list[_Risk]:
    """Find the logs set aside that read leaner than the others."""
    return [
        (
            f"log {names[odd.index]} was set aside and reads leaner than the others: nothing shows "
            "which of them is wrong, so the leaner reading is used",
            odd.offset_ln,
        )
        for odd in aside
        if odd.offset_ln > 0
    ]


def sensor_responses(holds: pd.DataFrame) -> dict[int, SensorResponse]:
    """Return the sensor response of each log by its number.

    Parameters
    ----------
    holds
        All holds that are values, with ``log_number`` and what `sensor_response` needs.
    """
    found = dict[int, SensorResponse]()
    for number, own in holds.groupby("log_number"):
        has_passages = "is_passage" in own and own["is_passage"].any()
        found[int(str(number))] = sensor_response(own, in_parts=not has_passages)
    return found


def logs_with_dead_sensor(
    holds: pd.DataFrame,
    *,
    by_trims: Collection[int] = (),
    lives: Mapping[int, SensorResponse] | None = None,
) -> list[OddLog]:
    """Return the logs with a dead sensor: all where another log's responds, else the stuck ones.

    A lambda that stands at one value over a whole log tells nothing, whether or not another log
    says more. Where it only fails for a time, the rest of the log counts the safe way.

    Parameters
    ----------
    holds
        All holds that are values, with ``log_number`` and what `sensor_response` needs.
    by_trims
        Numbers of the logs without a lambda channel. In closed loop lambda stays at its target, so
        only trims that never move count as dead.
    lives
        Result of `sensor_responses`; None to work it out here.
    """
    found = dict(sensor_responses(holds) if lives is None else lives)
    for number in found.keys() & set(by_trims):
        found[number] = trim_response(holds[holds["log_number"] == number])
    is_any_alive = any(response.answers for response in found.values())
    return [
        OddLog(number, response.why)
        for number, response in found.items()
        if response.is_dead and (is_any_alive or np.isfinite(response.stuck_at))
    ]


def _follows_load(holds: pd.DataFrame) -> bool:
    """Tell whether a log's holds were logged in order of load."""
    if len(holds) < MIN_ORDER_HOLDS:
        return False
    time, load = (holds[name].rank().to_numpy() for name in ("start_s", "load"))
    if abs(np.corrcoef(time, load)[0, 1]) > ORDERED:
        return True
    count = len(holds)
    at = np.arange(int(np.ceil(LEAST_SIDE * count)), int((1.0 - LEAST_SIDE) * count) + 1)
    is_after, is_heavy = time[:, None] > at, load[:, None] > at
    both = np.corrcoef(is_after, is_heavy, rowvar=False)[: len(at), len(at) :]
    return bool(np.nanmax(np.abs(both)) > PARTED)


def _scatter_under_load(holds: pd.DataFrame, fit: LatticeFit | None) -> float:
    """Return the scatter of the heavier half of the holds if it is excessive, else 0. [ln]

    Its causes are usually one-sided, so the mean of such holds is biased.
    """
    if fit is None or not holds["is_used"].any():
        return 0.0
    load = holds.loc[holds["is_used"], "load"].to_numpy(dtype=float)
    if len(load) < 2 * MIN_HALF_HOLDS:  # a log of moves alone has none
        return 0.0
    heavy = load > np.median(load)
    if min(heavy.sum(), (~heavy).sum()) < MIN_HALF_HOLDS:
        return 0.0
    squared = fit.left_out_residual**2
    standardised = squared / fit.left_out_se**2
    ratio = standardised[heavy].mean() / max(standardised[~heavy].mean(), 1e-12)
    return float(np.sqrt(squared[heavy].mean())) if ratio > SCATTER_RATIO**2 else 0.0


def _drifts(fit: LatticeFit | None) -> list[tuple[int, float, float]]:
    """Return logs with significant drift, its size and its upper end. [ln]"""
    if fit is None:
        return []
    logs = fit.log_numbers.tolist()
    is_significant = np.abs(fit.drift_ln) >= np.maximum(DRIFT_SE * fit.drift_se_ln, DRIFT_LN)
    end = np.abs(fit.drift_ln) + DRIFT_END_SE * fit.drift_se_ln
    found = np.flatnonzero(is_significant)
    return [(logs[k], float(fit.drift_ln[k]), float(end[k])) for k in found]


def risk_of_scale(cells: pd.DataFrame, setup: Setup, *, is_sensor_proven: bool = True) -> StepRisk:
    """Check whether the whole map is off by one amount, as with a wrong scale or sensor.

    Parameters
    ----------
    cells
        From `tuneassist.evidence.cell_table.cell_table`.
    setup
        Its ``correction`` gives the threshold, and the offset that is known and explained.
    is_sensor_proven
        Whether a sensor was seen to respond. If not, the note offers no key to accept the offset.
    """
    rules = setup.correction
    known = cells["deviation_pct"].dropna().to_numpy(dtype=float)
    if not len(known):
        return StepRisk()
    middle = float(np.median(known))
    unexplained = known - rules.known_offset_pct
    size = unexplained * np.sign(np.median(unexplained))
    is_whole = np.quantile(size, LEAST_TENTH) >= LEAST_SHARE * rules.uniform_offset_pct
    if np.median(size) <= rules.uniform_offset_pct or not is_whole:
        return StepRisk()
    if setup.target.kind == "floor" and middle > 0:
        return StepRisk()  # part load is leaner than a smoke floor, and asks for nothing
    note = _scale_note(middle, is_sensor_proven=is_sensor_proven)
    is_unsafe = middle < 0 if setup.engine.ignition == "spark" else middle > 0
    return StepRisk((note,) if is_unsafe else (), 0.0, () if is_unsafe else (note,))


def _scale_note(middle: float, *, is_sensor_proven: bool) -> str:
    side = "richer" if middle < 0 else "leaner"
    offset = f"the whole map reads {abs(middle):.0f} % {side} than target"
    if not is_sensor_proven:
        return f"{offset}, which means nothing until the lambda sensor is seen to respond"
    return (
        f"{offset}. Likely causes: lambda or AFR on another fuel's scale, a wrong stoichiometric "
        "AFR, the sensor's calibration, injector size, fuel pressure. If the cause is known and "
        f"the reading is right, set known_offset_pct = {middle:.0f} in [correction]"
    )


def reasons_by_cell(cells: pd.DataFrame, axes: Axes, setup: Setup) -> list[str]:
    """Return for each cell why it must not move in the unsafe direction; empty if it may.

    Parameters
    ----------
    cells
        One row per cell, with the counts of samples with knock and mixed pressure, if any.
    axes
        Breakpoints.
    setup
        Its ``engine`` says whether knock matters.
    """
    texts = _unsettled_reasons(cells, setup)
    if (MIXED_SAMPLES in cells) and cells[MIXED_SAMPLES].gt(0).any():
        texts = [MIXED_WORDS] * len(cells)
    if KNOCK_SAMPLES not in cells or setup.engine.ignition != "spark":
        return texts
    near = _highest_near(cells[KNOCK_SAMPLES], axes) > 0
    return [
        joined_reasons((text, KNOCK_WORDS if at else ""))
        for text, at in zip(texts, near, strict=True)
    ]


def _unsettled_reasons(cells: pd.DataFrame, setup: Setup) -> list[str]:
    """Say of a compression engine's cells that no hold near shows how hot they get.

    Exhaust heat follows load by many seconds, so that a passage says nothing of it.
    """
    if setup.engine.ignition == "spark" or "holds_near" not in cells:
        return [""] * len(cells)
    is_held = cells["holds_near"].to_numpy(dtype=float) > 0
    return ["" if held else UNSETTLED_WORDS for held in is_held]


def standing_trims_pct(cells: pd.DataFrame, setup: Setup, is_boost: Mask) -> Floats:
    """Return the size of frozen negative trims in or next to each boost cell; 0 elsewhere. [%]

    Parameters
    ----------
    cells
        One row per cell, with `STANDING_PCT` if trims stood still.
    setup
        Only spark engines are checked, unless ``standing_trims_act`` says that the trims act.
    is_boost
        Cells in boost.
    """
    is_asked = setup.engine.ignition == "spark" and not setup.correction.standing_trims_act
    if STANDING_PCT not in cells or not is_asked:
        return np.zeros(len(cells))
    return np.where(is_boost, _highest_near(cells[STANDING_PCT], setup.axes), 0.0)


def _highest_near(values: pd.Series, axes: Axes) -> Floats:
    """Return the highest value of each cell and its eight neighbours; blanks are 0."""
    table = values.fillna(0.0).to_numpy(dtype=float).reshape(axes.shape)
    return np.asarray(ndimage.maximum_filter(table, size=3, mode="nearest").ravel())


def with_standing_trims(cells: pd.DataFrame, setup: Setup, *, is_boost: Mask) -> pd.DataFrame:
    """Move the lean end of each cell's local evidence out by the trims that may not act.

    Parameters
    ----------
    cells, setup, is_boost
        As for `standing_trims_pct`. ``own_high_pct``, the lean end, is moved; ``lean_doubt_pct`` is
        at least the trim; `STANDING_PCT` becomes the trim that counts in each cell.
    """
    size = standing_trims_pct(cells, setup, is_boost)
    if not size.any():
        return cells.drop(columns=STANDING_PCT, errors="ignore")
    high = (100.0 + cells["own_high_pct"]) / (1.0 - size / 100.0) - 100.0
    return cells.assign(
        own_high_pct=cells["own_high_pct"].where(size == 0.0, high),
        lean_doubt_pct=np.maximum(cells["lean_doubt_pct"], size),
        **{STANDING_PCT: size},
    )


def standing_trim_notes(cells: pd.DataFrame) -> tuple[str, ...]:
    """Return the note on trims that stood still in boost, if there were any."""
    return (standing_words(float(cells[STANDING_PCT].max())),) if STANDING_PCT in cells else ()


def joined_reasons(texts: Sequence[str]) -> str:
    """Join the reasons that are not empty."""
    return "; ".join(text for text in texts if text)


def knock_notes(cells: pd.DataFrame, setup: Setup) -> tuple[str, ...]:
    """Return the note on cells with knock."""
    if KNOCK_SAMPLES not in cells or setup.engine.ignition != "spark":
        return ()
    seen = cells[cells[KNOCK_SAMPLES].gt(0)].sort_values(KNOCK_SAMPLES, ascending=False)
    if seen.empty:
        return ()
    worst = seen.iloc[0]
    way = "made leaner" if setup.correction.acts_on == "fuel" else "given more air"
    return (
        f"knock was logged in {len(seen)} cells, most at {worst['rpm']:g} rpm and "
        f"{worst['load']:g} {setup.axes.load_unit}: these cells and their neighbours are not "
        f"{way}. Find the cause (fuel, ignition timing, heat, sensor) before correcting the "
        "mixture; if the column does not show knock, set knock = false under [channels]",
    )
