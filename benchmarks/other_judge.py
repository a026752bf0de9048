"""A second engine, fourth part: the setup, plain cell means, and what a correction leaves.

Points are judged where the log was, all alike, on a mesh far finer than the table: what is left of
the truth there after the cells' deviations have been taken out, as a controller would do it.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
from other_dynamics import ENRICHED_BELOW_C, Table
from other_truth import LOAD_RANGE, RPM_RANGE, Floats, OtherEngine, error_at
from scipy.ndimage import maximum_filter

MESH_RPM, MESH_LOAD = 50.0, 2.0
"""Spacing of the mesh of points. [rpm, kPa]"""
REACH = 2
"""A point counts as visited with a row of the log within so many mesh steps, both ways."""
INSIDE_PCT = 1.0
STEADY_RPM_S, STEADY_KPA_S = 50.0, 3.0
"""Plain means take samples that move less than this."""
CLASSES = ("good", "fair", "low")
COLUMNS = {
    "time_s": "Time (s)",
    "rpm": "Engine speed (rpm)",
    "map_kpa": "Manifold pressure (kPa absolute)",
    "lambda": "Lambda (lambda)",
    "coolant_c": "Coolant temperature (degC)",
    "throttle_pct": "Throttle position (percent)",
    "trim_short_pct": "Fuel trim short (percent)",
    "trim_long_pct": "Fuel trim long (percent)",
}
CHANNELS = {
    "time_s": ("time", "s"),
    "rpm": ("rpm", "rpm"),
    "map_kpa": ("load", "kPa"),
    "lambda": ("lambda", "lambda"),
    "coolant_c": ("coolant_temp", "degC"),
    "throttle_pct": ("throttle", "percent"),
    "trim_short_pct": ("fuel_trim_short", "percent"),
    "trim_long_pct": ("fuel_trim_long", "percent"),
}


def usual_axes(rows: int = 16, columns: int = 12) -> tuple[Floats, Floats]:
    """Breakpoints of a table: closer at low speed, as controllers have them."""
    share = np.linspace(0.0, 1.0, rows)
    rpm = np.round(RPM_RANGE[0] + (RPM_RANGE[1] - RPM_RANGE[0]) * (0.7 * share + 0.3 * share**2))
    return rpm, np.round(np.linspace(*LOAD_RANGE, columns), 1)


def target_table(rpm: Floats, load: Floats) -> Table:
    """Lambda wanted: 1 in light load, richer with load and speed."""
    falling = np.interp(load, [0.0, 80.0, 100.0, 200.0], [1.0, 1.0, 0.95, 0.83])
    richer = 1.0 - 0.03 * np.clip((rpm[:, None] - 2500.0) / 4000.0, 0.0, 1.0)
    return Table(rpm, load, np.round(np.where(falling < 1.0, falling * richer, 1.0), 3))


def setup_text(
    target: Table,
    names: tuple[str, ...],
    max_step_pct: float = 25.0,
    max_total_pct: float = 25.0,
) -> str:
    """Write a setup; the wide limits let evidence be judged, not caution."""
    channels = "\n".join(
        f'{CHANNELS[n][0]} = {{ column = "{COLUMNS[n]}", unit = "{CHANNELS[n][1]}" }}'
        for n in names
    )
    table = ",\n".join(f"  {[float(v) for v in row]}" for row in target.cells)
    return f"""[engine]
label = "a second engine, simulated"
ignition = "spark"
fuel = "petrol"
afr_stoich = 14.7
rev_limit_rpm = 6800

[channels]
{channels}

[axes]
rpm = {[float(v) for v in target.rpm]}
load = {[float(v) for v in target.load]}
load_name = "manifold pressure"
load_unit = "kPa"

[target]
unit = "lambda"
kind = "aim"
table = [
{table},
]

[correction]
acts_on = "fuel"

[limits]
boost_leanest_lambda = 0.99
max_step_pct = {max_step_pct}
max_total_pct = {max_total_pct}
"""


def write_log(frame: pd.DataFrame, path: Path) -> None:
    frame.rename(columns=COLUMNS).to_csv(path, index=False)


def grid_text(grid: Table) -> str:
    """A grid file: percent at breakpoints, + is more fuel."""
    head = ",".join(["rpm/load", *(f"{v:g}" for v in grid.load)])
    rows = [
        ",".join([f"{rpm:g}", *(f"{v:.6g}" for v in row)])
        for rpm, row in zip(grid.rpm, grid.cells, strict=True)
    ]
    return "\n".join([head, *rows]) + "\n"


def visited_points(frame: pd.DataFrame) -> tuple[Floats, Floats]:
    """Mesh points near which the warm, fuelled engine was logged: speeds and loads."""
    seen = frame[is_warm_and_fuelled(frame)]
    rpm = np.arange(RPM_RANGE[0], RPM_RANGE[1] + 1.0, MESH_RPM)
    load = np.arange(LOAD_RANGE[0], LOAD_RANGE[1] + 1.0, MESH_LOAD)
    count = np.zeros((len(rpm), len(load)))
    row = np.clip(np.rint((seen["rpm"] - rpm[0]) / MESH_RPM), 0, len(rpm) - 1).astype(int)
    column = np.clip(np.rint((seen["map_kpa"] - load[0]) / MESH_LOAD), 0, len(load) - 1)
    np.add.at(count, (row, column.astype(int)), 1.0)
    near = maximum_filter(count, size=2 * REACH + 1, mode="constant") > 0.0
    at = np.nonzero(near)
    return rpm[at[0]], load[at[1]]


def is_warm_and_fuelled(frame: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Rows that say something of the map: warm, and not on a closed throttle in gear."""
    closed = (frame["throttle_pct"] < 2.0) & (frame["rpm"] > 1300.0)
    return np.asarray((frame["coolant_c"] > ENRICHED_BELOW_C + 2.0) & ~closed)


def left_pct(
    engine: OtherEngine,
    deviation: Table,
    points: tuple[Floats, Floats],
    grid: Table | None = None,
) -> Floats:
    """What is left at points after the deviations are taken out, percent; blank cells take none."""
    cells = Table(deviation.rpm, deviation.load, np.log1p(np.nan_to_num(deviation.cells) / 100.0))
    left = error_at(engine, *points) - cells.at(*points)
    if grid is not None:
        left = left - np.log1p(grid.at(*points) / 100.0)
    return 100.0 * np.expm1(left)


def truth_at_cells(engine: OtherEngine, rpm: Floats, load: Floats, grid: Table | None) -> Floats:
    """The true deviation at breakpoints, with the grid in force. [percent]"""
    error = error_at(engine, rpm, load)
    if grid is not None:
        error = error - np.log1p(grid.at(rpm, load) / 100.0)
    return 100.0 * np.expm1(error)


@dataclass(frozen=True)
class Verdict:
    """What a table of deviations leaves, and how often its intervals hold the truth."""

    inside: float
    """Share of the visited points within `INSIDE_PCT`."""
    rms_pct: float
    blank: float
    """Weight of cells without a value, over the visited points."""
    held: dict[str, int]
    cells: dict[str, int]
    """Cells whose interval holds the truth, and cells with an interval, by confidence."""


def judge(
    engine: OtherEngine,
    cells: pd.DataFrame,
    points: tuple[Floats, Floats],
    grid: Table | None = None,
    day: float = 0.0,
) -> Verdict:
    """Judge a table of cells (``rpm, load, deviation_pct``, and the intervals where it has any).

    `day`: an offset in ln that the intervals are to hold beside the truth, such as the log's own.
    """
    table = cells.pivot_table("deviation_pct", "rpm", "load", aggfunc="first", dropna=False)
    deviation = Table(
        table.index.to_numpy(float), table.columns.to_numpy(float), table.to_numpy(float)
    )
    left = left_pct(engine, deviation, points, grid)
    held, count = _interval_counts(engine, cells, grid, day)
    is_blank = Table(deviation.rpm, deviation.load, np.isnan(deviation.cells).astype(float))
    return Verdict(
        inside=float(np.mean(np.abs(left) <= INSIDE_PCT)),
        rms_pct=float(np.sqrt(np.mean(left**2))),
        blank=float(np.mean(is_blank.at(*points))),
        held=held,
        cells=count,
    )


def _interval_counts(
    engine: OtherEngine, cells: pd.DataFrame, grid: Table | None, day: float
) -> tuple[dict[str, int], dict[str, int]]:
    if "ci_low_pct" not in cells:
        return {}, {}
    known = cells.dropna(subset=["ci_low_pct", "ci_high_pct"])
    true = truth_at_cells(engine, known["rpm"].to_numpy(), known["load"].to_numpy(), grid)
    true = 100.0 * np.expm1(np.log1p(true / 100.0) + day)
    is_held = (known["ci_low_pct"] <= true) & (true <= known["ci_high_pct"])
    by_class = is_held.groupby(known["confidence"])
    held = {name: int(n) for name, n in by_class.sum().items()}
    return held, {name: int(n) for name, n in by_class.size().items()}


def plain_cells(frame: pd.DataFrame, target: Table) -> pd.DataFrame:
    """Mean of each bin's steady samples, put on its breakpoint; blank where there are none."""
    kept = frame[is_warm_and_fuelled(frame) & is_steady(frame)]
    rpm, load = kept["rpm"].to_numpy(float), kept["map_kpa"].to_numpy(float)
    need = np.log(kept["lambda"].to_numpy(float) / target.at(rpm, load))
    for name in ("trim_short_pct", "trim_long_pct"):
        if name in kept:
            need = need + np.log1p(kept[name].to_numpy(float) / 100.0)
    row, column = _nearest(target.rpm, rpm), _nearest(target.load, load)
    cell = row * len(target.load) + column
    size = len(target.rpm) * len(target.load)
    count = np.bincount(cell, minlength=size)
    total = np.bincount(cell, weights=need, minlength=size)
    with np.errstate(invalid="ignore"):
        mean = total / np.where(count > 0, count, np.nan)
    return pd.DataFrame(
        {
            "rpm": np.repeat(target.rpm, len(target.load)),
            "load": np.tile(target.load, len(target.rpm)),
            "deviation_pct": 100.0 * np.expm1(mean),
        }
    )


def is_steady(frame: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Rows where speed and load, averaged over a second, move slowly."""
    time = frame["time_s"].to_numpy(float)
    width = max(round(1.0 / float(np.median(np.diff(time)))), 1)
    steady = np.ones(len(frame), bool)
    for name, limit in (("rpm", STEADY_RPM_S), ("map_kpa", STEADY_KPA_S)):
        smooth = frame[name].rolling(width, center=True, min_periods=1).mean()
        steady &= np.abs(np.gradient(smooth.to_numpy(float), time)) < limit
    return steady


def _nearest(breakpoints: Floats, values: Floats) -> npt.NDArray[np.int64]:
    return np.searchsorted((breakpoints[1:] + breakpoints[:-1]) / 2.0, values)


def best_cells(engine: OtherEngine, target: Table, grid: Table | None = None) -> pd.DataFrame:
    """The truth itself at the breakpoints, with the grid in force."""
    rpm = np.repeat(target.rpm, len(target.load))
    load = np.tile(target.load, len(target.rpm))
    true = truth_at_cells(engine, rpm, load, grid)
    return pd.DataFrame({"rpm": rpm, "load": load, "deviation_pct": true})
