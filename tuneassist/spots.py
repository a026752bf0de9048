"""Values found by hand: the correction at which the mixture suited, as readings of the map.

On the rollers a tuner turns the correction until the mixture suits, and writes it down. Such a spot
tells what the engine needs in total there, so that it counts as a hold does. No sensor was logged:

- nothing checks the gauge by its response, but a value that was turned until the mixture suited is
  a response; a spot vouches for itself and for no log;
- without a time for each, in which order they were found is not known, so a drift of the gauge
  during the day would look like a map: the lean end of what was seen in a cell is moved out by a
  usual drift. With times a drift is fitted as that of a log is;
- spots at one place that differ by more than their doubts contradict each other. Nothing tells
  which is right, so both count as little as they agree.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.spatial import cKDTree

from tuneassist.evidence.delay import SensorDelay
from tuneassist.evidence.disputes import MIN_RESIDUAL_LN, OVERRULED_WEIGHT, SAME_PLACE_CELLS
from tuneassist.evidence.holds import Settling
from tuneassist.evidence.lattice import LatticeFit, places_in_cells
from tuneassist.evidence.need import correction_need_ln, inside_axes, target_at
from tuneassist.evidence.refresh import Refresh
from tuneassist.evidence.residuals import hold_residuals
from tuneassist.grid import Axes, Floats, Grid
from tuneassist.one_log import BY_HAND, BY_HAND_IN_ORDER, FATES, LogEvidence
from tuneassist.settings import Setup

Mask = npt.NDArray[np.bool_]
Meaning = Literal["total", "change"]
"""What a value is: the whole correction, or what comes on top of the grid in force."""

#: Standard deviation of a value found by hand where none is given: a gauge is read to about half a
#: percent, and the mixture that suits is met to about one (common practice, no source). [%]
USUAL_DOUBT_PCT = 1.0
#: No spot counts as more exact than this, however often it was repeated: the gauge stays the same,
#: and reads no finer (common practice, no source). [%]
LEAST_DOUBT_PCT = 0.3
#: Spots at one place contradict each other from this many standard deviations on, beside what the
#: map may rise between them. One honest pair in 500 does. [1], [ln per cell]
CONTRADICTS_SD, RISE_LN = 3.0, 0.03
#: On a floor lambda itself falls with load, by some 30 % from cell to cell where a diesel begins to
#: smoke. [ln per cell]
FLOOR_RISE_LN = 0.35
#: Spots named in one sentence. [1]
NAMED = 6
LEFT_OUT = "not used"
"""Start of the note on spots that cannot be used."""
NO_LIMIT = "takes no fuel away, so that it is no limit on a smoke floor"
"""Why a spot is left out on a floor: the mixture may suit anywhere above it."""
WHERE_WORDS = {
    "outside the table": "outside the axes",
    "no target there": "where the target has no value",
}
"""Why a spot is left out, by its fate."""


@dataclass(frozen=True, eq=False)
class Spots:
    """Values found by hand.

    Parameters
    ----------
    table
        One row per spot: ``where`` (its place in the file), ``rpm``, ``load`` in the axes' unit,
        ``correction_pct``, ``doubt_pct`` (standard deviation of one reading) and ``repeats``;
        ``time_s`` where each has its time.
    meaning
        What ``correction_pct`` is; None where nothing tells.
    name
        Of the file, for messages.
    sha256
        Hash of the file's bytes; empty without a file.
    notes
        What was recognised and left out, for the user.
    """

    table: pd.DataFrame
    meaning: Meaning | None = None
    name: str = "spots"
    sha256: str = ""
    notes: tuple[str, ...] = ()


def spots_evidence(spots: Spots, *, setup: Setup, current: Grid) -> LogEvidence:
    """Turn spots into holds.

    Parameters
    ----------
    spots
        With their meaning; without one, ``current`` must correct nothing.
    setup
        Axes, target, and what the grid corrects.
    current
        The grid that the controller held.

    Returns
    -------
    LogEvidence
        One hold for each spot inside the axes with a target, marked as found by hand.
    """
    table, fate = spots.table, _fates(spots.table, setup)
    used, left_out = (
        table[fate == "used"].reset_index(drop=True),
        _left_out(table, fate, setup.axes),
    )
    holds = _holds(used, spots.meaning or "total", setup=setup, current=current)
    above = np.zeros(len(holds), dtype=bool)
    if setup.target.kind == "floor":
        above = (holds["need_ln"] >= 0.0).to_numpy()
        fate[np.flatnonzero(fate == "used")[above]] = "no target there"
        holds = holds[~above].reset_index(drop=True)
    pairs = _contradictions(setup.axes, holds, is_floor=setup.target.kind == "floor")
    words = BY_HAND_IN_ORDER if "time_s" in table else BY_HAND
    counts = pd.Series(fate).value_counts().reindex(FATES, fill_value=0).astype(int)
    return LogEvidence(
        name=spots.name,
        holds=_widened(holds, pairs).assign(log=spots.name),
        fates=counts.rename("count"),
        samples=len(table),
        refresh=Refresh({}, float("nan")),
        delay=SensorDelay(0.0, 0.0, 0.0, 1.0, 0.0, 0, "setup", words),
        settling=Settling(0.0, "setup", words),
        stops=(0.0, float("inf")),
        peaks=pd.DataFrame(index=range(setup.axes.size)),
        notes=(
            words,
            *spots.notes,
            *left_out,
            *_above_floor(used[above], setup.axes),
            *_contradiction_notes(holds, pairs, setup.axes),
        ),
    )


def _fates(table: pd.DataFrame, setup: Setup) -> npt.NDArray[np.object_]:
    """Say what becomes of each spot, in the words of `FATES`."""
    rpm, load = (table[name].to_numpy(dtype=float) for name in ("rpm", "load"))
    margin = setup.steady.outside_margin_cells
    is_inside = inside_axes(setup.axes, rpm, load, margin_cells=margin).astype(bool)
    is_wanted = np.isfinite(target_at(setup.axes, setup.target.table, rpm, load))
    found = np.where(is_wanted, "used", "no target there").astype(object)
    found[~is_inside] = "outside the table"
    return found


def _holds(table: pd.DataFrame, meaning: Meaning, *, setup: Setup, current: Grid) -> pd.DataFrame:
    rpm, load = (table[name].to_numpy(dtype=float) for name in ("rpm", "load"))
    need = correction_need_ln(
        table["correction_pct"].to_numpy(dtype=float), setup.correction.acts_on
    )
    if meaning == "total":
        filled = Grid(current.axes, np.nan_to_num(current.values)).at(rpm, load)
        need = need - correction_need_ln(filled, setup.correction.acts_on)
    repeats = table["repeats"].to_numpy(dtype=float)
    doubt_pct = table["doubt_pct"].to_numpy(dtype=float) / np.sqrt(repeats)
    return pd.DataFrame(
        {
            "where": table["where"].astype(str),
            "rpm": rpm,
            "load": load,
            "need_ln": need,
            "within_se": np.maximum(doubt_pct, LEAST_DOUBT_PCT) / 100.0,
            "target_lambda": target_at(setup.axes, setup.target.table, rpm, load),
            "samples": repeats.astype(int),
            "stop": "",
            # without times the order in which they were found is not known
            "start_s": table["time_s"].to_numpy(dtype=float) if "time_s" in table else 0.0,
        }
    )


def _contradictions(axes: Axes, holds: pd.DataFrame, *, is_floor: bool) -> pd.DataFrame:
    """Pairs of spots at one place that differ by more than their doubts: ``one, other, apart``."""
    columns = ["one", "other", "apart"]
    if len(holds) < 2:
        return pd.DataFrame(columns=columns)
    at = places_in_cells(axes, *(holds[name].to_numpy(dtype=float) for name in ("rpm", "load")))
    pairs = cKDTree(at).query_pairs(SAME_PLACE_CELLS, p=np.inf, output_type="ndarray")
    one, other = pairs.T
    need, se = (holds[name].to_numpy(dtype=float) for name in ("need_ln", "within_se"))
    apart = np.abs(need[one] - need[other])
    rise = (FLOOR_RISE_LN if is_floor else RISE_LN) * np.abs(at[one] - at[other]).sum(axis=1)
    is_odd = apart > CONTRADICTS_SD * np.hypot(se[one], se[other]) + rise
    found = pd.DataFrame({"one": one[is_odd], "other": other[is_odd], "apart": apart[is_odd]})
    return found.sort_values("apart", ascending=False, ignore_index=True)


def _widened(holds: pd.DataFrame, pairs: pd.DataFrame) -> pd.DataFrame:
    """Let spots that contradict each other count as little as they agree."""
    apart = np.zeros(len(holds))
    for side in ("one", "other"):
        np.maximum.at(apart, pairs[side].to_numpy(dtype=int), pairs["apart"].to_numpy(dtype=float))
    return holds.assign(within_se=np.hypot(holds["within_se"], apart / 2.0))


def _contradiction_notes(holds: pd.DataFrame, pairs: pd.DataFrame, axes: Axes) -> tuple[str, ...]:
    if pairs.empty:
        return ()
    named = [
        f"{holds['where'][one]} and {holds['where'][other]} ({100.0 * np.expm1(apart):.1f} % apart "
        f"near {_place(holds.loc[one], axes)})"
        for one, other, apart in pairs.head(NAMED).itertuples(index=False, name=None)
    ]
    return (
        "spots at one place contradict each other, so they count little; find them again: "
        f"{_listed(named, len(pairs))}",
    )


def _left_out(table: pd.DataFrame, fate: npt.NDArray[np.object_], axes: Axes) -> tuple[str, ...]:
    """Name the spots that cannot be used."""
    notes = []
    for word, why in WHERE_WORDS.items():
        rows = table[fate == word]
        named = [f"{row['where']} ({_place(row, axes)})" for _, row in rows.head(NAMED).iterrows()]
        if named:
            notes.append(f"{LEFT_OUT}, {why}: {_listed(named, len(rows))}")
    return tuple(notes)


def _above_floor(rows: pd.DataFrame, axes: Axes) -> tuple[str, ...]:
    """Name the spots that tell no limit on a floor."""
    named = [f"{row['where']} ({_place(row, axes)})" for _, row in rows.head(NAMED).iterrows()]
    if not named:
        return ()
    return (f"{LEFT_OUT}, {NO_LIMIT}: {_listed(named, len(rows))}",)


def overruled_notes(holds: pd.DataFrame, left_out_ln: Floats, axes: Axes) -> tuple[str, ...]:
    """Name the spots that all others around them contradict.

    Parameters
    ----------
    holds
        The holds that the fit used, those of logs included, with ``weight``.
    left_out_ln
        Residual of each from the fit without it. [ln]
    axes
        For the unit of load.
    """
    if "where" not in holds:
        return ()
    is_odd = _is_overruled(holds, left_out_ln)
    odd, size = holds[is_odd], left_out_ln[is_odd]
    named = [
        f"{row['where']} ({_place(row, axes)}: {100.0 * abs(np.expm1(by)):.1f} % "
        f"{'leaner' if by > 0 else 'richer'})"
        for (_, row), by in zip(odd.head(NAMED).iterrows(), size, strict=False)
    ]
    if not named:
        return ()
    return (f"spots that those around them contradict: {_listed(named, len(odd))}",)


def _place(row: pd.Series, axes: Axes) -> str:
    return f"{row['rpm']:.4g} rpm, {row['load']:.4g} {axes.load_unit}"


def _listed(named: list[str], count: int) -> str:
    more = [f"and {count - len(named)} more"] if count > len(named) else []
    return "; ".join([*named, *more])


def called(spots: Spots, name: str) -> Spots:
    """Return the same spots under another name."""
    return replace(spots, name=name)


def spot_table(
    spots: Spots, *, holds: pd.DataFrame, fit: LatticeFit | None, setup: Setup, current: Grid
) -> pd.DataFrame:
    """Return each spot that was used beside what the surface says at its place.

    Parameters
    ----------
    spots
        The values found by hand.
    holds, fit
        Those of the evidence with the spots in it.
    setup, current
        Of the proposal.

    Returns
    -------
    pandas.DataFrame
        ``where, rpm, load, found_pct, surface_pct, is_contradicted``: both in percent of the total
        need, + is leaner; contradicted by a spot at the same place or by all those around. [%]
    """
    used = spots.table[_fates(spots.table, setup) == "used"].reset_index(drop=True)
    own = _holds(used, spots.meaning or "total", setup=setup, current=current)
    pairs = _contradictions(setup.axes, own, is_floor=setup.target.kind == "floor")
    odd = set(own["where"].iloc[np.unique(pairs[["one", "other"]].to_numpy(dtype=int))])
    if fit is not None:
        fitted = holds[holds["is_used"]]
        odd |= set(fitted["where"][_is_overruled(fitted, fit.left_out_residual)])
    gap = hold_residuals(holds, fit, setup.axes, kind="aim")["residual_pct"]
    need = holds["total_need_ln"].to_numpy(dtype=float)
    table = holds.reset_index(drop=True)[["where", "rpm", "load"]].assign(
        found_pct=100.0 * np.expm1(need),
        surface_pct=100.0 * np.expm1(need - np.log1p(gap.to_numpy(dtype=float) / 100.0)),
    )
    table = table[table["where"].notna()].reset_index(drop=True)
    return table.assign(is_contradicted=table["where"].isin(odd))


def _is_overruled(holds: pd.DataFrame, left_out_ln: Floats) -> npt.NDArray[np.bool_]:
    is_odd = holds["where"].notna().to_numpy() & (holds["weight"] < OVERRULED_WEIGHT).to_numpy()
    return np.asarray(is_odd & (np.abs(left_out_ln) >= MIN_RESIDUAL_LN))
