"""What stands against an unsafe step whatever the cells say: a doubt about log, sensor or fuel.

A spark engine is hurt by lean mixture, a compression engine by fuel without air. Where a log cannot
prove what it says, the side that hurts counts: its cells may move the safe way only, or the lean
end of their own evidence moves out by what cannot be decided.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import ndimage, stats

from tuneassist.evidence.consistency import OddLog
from tuneassist.evidence.lattice import DRIFT_LN, DRIFT_SPANS, LatticeFit
from tuneassist.evidence.sensor import SensorLife, sensor_life, trims_life
from tuneassist.evidence.side_channels import KNOCK_SAMPLES, MIXED_SAMPLES
from tuneassist.evidence.standing_trims import STANDING_PCT, standing_words
from tuneassist.grid import Axes, Floats
from tuneassist.settings import Setup

Mask = npt.NDArray[np.bool_]

#: What bars a cell, in words.
KNOCK_WORDS = "knock was logged here or next door"
MIXED_WORDS = (
    "the manifold pressure is absolute in vacuum and gauge in boost, so nobody knows where the "
    "samples belong"
)
#: Of a sure drift the upper end of its 95 % interval counts. [standard errors]
DRIFT_END_SPANS = 2.0
#: Holds went through the loads in order beyond this rank correlation of time and load, from so
#: many holds on; the mixture may then be leaner by this much, a sensor's ordinary drift in an hour
#: (common practice, no source). [1], [1], [ln]
ORDERED, MIN_ORDER_HOLDS, ORDER_LN = 0.85, 8, 0.02
#: So did they where one time parts light holds from heavy ones beyond this correlation, each side
#: with a quarter of the holds at least: a step at that time is then a map that changes there. [1]
PARTED, LEAST_SIDE = 0.8, 0.25
#: Holds of the heavier half scatter about the surface as they should not where they do so this many
#: times as much as those of the lighter half, from so many holds in each on; by chance one log of
#: twenty holds in 250 does (F of 10 and 10), one of forty in 10,000. [1], [1]
SCATTER_RATIO, MIN_HALF_HOLDS = 2.5, 8
#: A scale moves every cell: the whole map is off where even the tenth of its known cells that is
#: off least is off by so much of `CorrectionSettings.uniform_offset_pct`, while a map's own errors
#: come near zero or change sign somewhere. Of 38 simulated engines whose own errors reach 8 to 12 %
#: and are over 5 % in the middle, this takes 11 for a scale; of 200 with errors up to 3 % on a
#: scale that is off by 7 % or more it misses none. [1], [1]
LEAST_TENTH, LEAST_SHARE = 0.1, 0.65


@dataclass(frozen=True)
class UnsafeDoubt:
    """What stands against an unsafe step in every cell.

    Parameters
    ----------
    barred
        Why no cell may move the unsafe way; empty where nothing bars it.
    lean_ln
        How much leaner the mixture may be than the cells say. [ln]
    notes
        Sentences for people.
    """

    barred: tuple[str, ...] = ()
    lean_ln: float = 0.0
    notes: tuple[str, ...] = ()


def doubt_of_logs(
    names: Sequence[str],
    holds: pd.DataFrame,
    *,
    fit: LatticeFit | None,
    aside: Sequence[OddLog],
    lives: Mapping[int, SensorLife] | None = None,
) -> UnsafeDoubt:
    """Ask of every log whether its sensor lives and stays, and what the odd ones say.

    Parameters
    ----------
    names
        Names of the logs.
    holds
        All holds, with ``log_number``, ``is_used`` and what `sensor_life` needs.
    fit
        The fit of the holds used, with the drift of each log.
    aside
        Logs set aside.
    lives
        What `sensor_lives` says; None: the holds are asked here.
    """
    barred, notes, lean_ln = list[str](), list[str](), 0.0
    used = holds[holds["is_used"]].groupby("log_number")
    known = sensor_lives(holds[holds["is_used"]]) if lives is None else lives
    lives = {int(str(number)): known[int(str(number))] for number, _ in used}
    if not any(life.answers for life in lives.values()):
        barred += [f"log {names[number]}: {life.why}" for number, life in lives.items()]
    for number, own in used:
        if _follows_load(own):
            notes.append(
                f"log {names[int(str(number))]}: its holds went through the loads in order, so "
                "that a sensor that drifts looks like a map that changes with load: repeat a light "
                "hold at the end, or mix the order"
            )
            lean_ln = max(lean_ln, ORDER_LN)
    for number, drift_ln, end_ln in _drifts(holds, fit):
        size = 100.0 * abs(float(np.expm1(drift_ln)))
        notes.append(
            f"over log {names[number]} lambda drifts or steps by {size:.1f} % (sensor, fuel "
            "pressure, heat soak): the leaner end counts"
        )
        lean_ln = max(lean_ln, end_ln)
    scatter_ln = _scatter_under_load(holds, fit)
    if scatter_ln > 0:
        notes.append(
            f"under load the holds scatter by {100.0 * scatter_ln:.1f} % about the map, far more "
            "than at light load (misfire, a leak, a hot sensor, fuel pressure): the leaner end "
            "counts"
        )
        lean_ln = max(lean_ln, scatter_ln)
    for odd in aside:
        if odd.offset_ln > 0:
            notes.append(
                f"log {names[odd.index]} was set aside and reads leaner than the others: nothing "
                "shows that it is the wrong one, so the leaner reading counts"
            )
            lean_ln = max(lean_ln, odd.offset_ln)
    return UnsafeDoubt(tuple(barred), lean_ln, tuple(notes))


def sensor_lives(holds: pd.DataFrame) -> dict[int, SensorLife]:
    """Whether the sensor of each log answers, by the log's number.

    Parameters
    ----------
    holds
        All holds that are values, with ``log_number`` and what `sensor_life` needs.
    """
    return {int(str(number)): sensor_life(own) for number, own in holds.groupby("log_number")}


def dead_logs(
    holds: pd.DataFrame,
    *,
    by_trims: Collection[int] = (),
    lives: Mapping[int, SensorLife] | None = None,
) -> list[OddLog]:
    """Logs whose sensor does not answer, where that of another log does.

    Parameters
    ----------
    holds
        All holds that are values, with ``log_number`` and what `sensor_life` needs.
    by_trims
        Numbers of the logs without a lambda channel. A controller that keeps lambda at its target
        leaves nothing that could follow it, so that only trims that never move are dead.
    lives
        What `sensor_lives` says; None: the holds are asked here.
    """
    found = dict(sensor_lives(holds) if lives is None else lives)
    for number in found.keys() & set(by_trims):
        found[number] = trims_life(holds[holds["log_number"] == number])
    lives = found
    if not any(life.answers for life in lives.values()):
        return []
    return [OddLog(number, life.why) for number, life in lives.items() if life.is_dead]


def _follows_load(holds: pd.DataFrame) -> bool:
    """Tell whether a log's holds went through the loads in order."""
    if len(holds) < MIN_ORDER_HOLDS:
        return False
    time, load = (stats.rankdata(holds[name]) for name in ("start_s", "load"))
    if abs(np.corrcoef(time, load)[0, 1]) > ORDERED:
        return True
    count = len(holds)
    at = np.arange(int(np.ceil(LEAST_SIDE * count)), int((1.0 - LEAST_SIDE) * count) + 1)
    late, heavy = time[:, None] > at, load[:, None] > at
    both = np.corrcoef(late, heavy, rowvar=False)[: len(at), len(at) :]
    return bool(np.nanmax(np.abs(both)) > PARTED)


def _scatter_under_load(holds: pd.DataFrame, fit: LatticeFit | None) -> float:
    """Scatter of the heavier half of the holds where it is far beyond that of the rest, else 0.

    What makes it is seldom even-handed, so that the mean of such holds is no middle. [ln]
    """
    if fit is None:
        return 0.0
    load = holds.loc[holds["is_used"], "load"].to_numpy(dtype=float)
    heavy = load > np.median(load)
    if min(heavy.sum(), (~heavy).sum()) < MIN_HALF_HOLDS:
        return 0.0
    squared, spans = fit.left_out_residual**2, (fit.left_out_residual / fit.left_out_se) ** 2
    ratio = spans[heavy].mean() / max(spans[~heavy].mean(), 1e-12)
    return float(np.sqrt(squared[heavy].mean())) if ratio > SCATTER_RATIO**2 else 0.0


def _drifts(holds: pd.DataFrame, fit: LatticeFit | None) -> list[tuple[int, float, float]]:
    """Logs whose need drifts beyond doubt, by how much, and by how much at most. [ln]"""
    if fit is None:
        return []
    logs = np.unique(holds.loc[holds["is_used"], "log_number"].to_numpy(dtype=int)).tolist()
    sure = np.abs(fit.drift_ln) >= np.maximum(DRIFT_SPANS * fit.drift_se_ln, DRIFT_LN)
    end = np.abs(fit.drift_ln) + DRIFT_END_SPANS * fit.drift_se_ln
    return [(logs[k], float(fit.drift_ln[k]), float(end[k])) for k in np.flatnonzero(sure)]


def doubt_of_scale(
    cells: pd.DataFrame, setup: Setup, *, is_sensor_proven: bool = True
) -> UnsafeDoubt:
    """Ask whether the whole map is off by one amount, which is a scale or a sensor until proven.

    Parameters
    ----------
    cells
        From `tuneassist.evidence.cells.cell_table`.
    setup
        Its ``correction`` says from when on, and what offset is known and explained.
    is_sensor_proven
        Whether a sensor was seen to answer; the reading of one that was not explains nothing, and
        no key is offered that would take it for true.
    """
    rules = setup.correction
    known = cells["deviation_pct"].dropna().to_numpy(dtype=float)
    if not len(known):
        return UnsafeDoubt()
    middle = float(np.median(known))
    unexplained = known - rules.known_offset_pct
    size = unexplained * np.sign(np.median(unexplained))
    is_whole = np.quantile(size, LEAST_TENTH) >= LEAST_SHARE * rules.uniform_offset_pct
    if np.median(size) <= rules.uniform_offset_pct or not is_whole:
        return UnsafeDoubt()
    says = _scale_words(middle, is_sensor_proven=is_sensor_proven)
    is_unsafe = middle < 0 if setup.engine.ignition == "spark" else middle > 0
    return UnsafeDoubt((says,) if is_unsafe else (), 0.0, () if is_unsafe else (says,))


def _scale_words(middle: float, *, is_sensor_proven: bool) -> str:
    side = "richer" if middle < 0 else "leaner"
    says = f"the whole map reads {abs(middle):.0f} % {side} than target"
    if not is_sensor_proven:
        return f"{says}, which says nothing before the lambda sensor is seen to answer"
    return (
        f"{says}. Likely causes: lambda or AFR on another fuel's scale, a wrong stoichiometric "
        "AFR, the sensor's calibration, injector size, fuel pressure. When the cause is known and "
        f"this is right, say so with known_offset_pct = {middle:.0f} in [correction]"
    )


def doubt_of_places(cells: pd.DataFrame, axes: Axes, setup: Setup) -> list[str]:
    """Say of every cell why it must not move the unsafe way; empty where nothing bars it.

    Parameters
    ----------
    cells
        One row per cell, with the samples of knock, and of a mixed pressure, where there were any.
    axes
        Breakpoints.
    setup
        Its ``engine`` says whether knock matters.
    """
    texts = [""] * len(cells)
    if (MIXED_SAMPLES in cells) and cells[MIXED_SAMPLES].gt(0).any():
        texts = [MIXED_WORDS] * len(cells)
    if KNOCK_SAMPLES not in cells or setup.engine.ignition != "spark":
        return texts
    near = _highest_near(cells[KNOCK_SAMPLES], axes) > 0
    return [joined((text, KNOCK_WORDS if at else "")) for text, at in zip(texts, near, strict=True)]


def standing_trims_pct(cells: pd.DataFrame, setup: Setup, is_boost: Mask) -> Floats:
    """Size of the negative trim that stood still in or next to each cell in boost; 0 elsewhere. [%]

    Parameters
    ----------
    cells
        One row per cell, with `STANDING_PCT` where trims stood still.
    setup
        A spark engine is asked about, unless ``standing_trims_act`` says that they act.
    is_boost
        Cells in boost.
    """
    is_asked = setup.engine.ignition == "spark" and not setup.correction.standing_trims_act
    if STANDING_PCT not in cells or not is_asked:
        return np.zeros(len(cells))
    return np.where(is_boost, _highest_near(cells[STANDING_PCT], setup.axes), 0.0)


def _highest_near(values: pd.Series, axes: Axes) -> Floats:
    """Highest value of each cell and its eight neighbours, blanks being 0."""
    table = values.fillna(0.0).to_numpy(dtype=float).reshape(axes.shape)
    return np.asarray(ndimage.maximum_filter(table, size=3, mode="nearest").ravel())


def with_standing_trims(cells: pd.DataFrame, setup: Setup, *, is_boost: Mask) -> pd.DataFrame:
    """Move the lean end of what each cell says by itself out by the trims that may not act.

    Parameters
    ----------
    cells, setup, is_boost
        As for `standing_trims_pct`; ``own_high_pct`` is the lean end, ``lean_doubt_pct`` says that
        it stays at target, and `STANDING_PCT` becomes what counts in each cell.
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
    """Say what `with_standing_trims` found: trims that stood still in boost, and what that does."""
    return (standing_words(float(cells[STANDING_PCT].max())),) if STANDING_PCT in cells else ()


def joined(texts: Sequence[str]) -> str:
    """Join the reasons that are there."""
    return "; ".join(text for text in texts if text)


def knock_notes(cells: pd.DataFrame, setup: Setup) -> tuple[str, ...]:
    """Say where knock was logged."""
    if KNOCK_SAMPLES not in cells or setup.engine.ignition != "spark":
        return ()
    seen = cells[cells[KNOCK_SAMPLES].gt(0)].sort_values(KNOCK_SAMPLES, ascending=False)
    if seen.empty:
        return ()
    worst = seen.iloc[0]
    way = "made leaner" if setup.correction.acts_on == "fuel" else "given more air"
    return (
        f"knock was logged in {len(seen)} cells, most at {worst['rpm']:g} rpm and "
        f"{worst['load']:g} {setup.axes.load_unit}: neither they nor the cells next door are "
        f"{way}. Find its cause (fuel, ignition timing, heat, sensor) before the mixture; if the "
        "column shows no knock, set knock = false under [channels]",
    )
