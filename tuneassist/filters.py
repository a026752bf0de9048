"""What the filters leave of a log's time line: one mask for each, and what the rest needs.

Everything here works on plain arrays, on a part of a log as on all of it, with what has been found
out about the log (`LogNature`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from tuneassist.channels import load_offset
from tuneassist.evidence.delay import align
from tuneassist.evidence.holds import Stretches, number_stretches, smooth_mask
from tuneassist.evidence.need import TRIM_COLUMNS, inside_axes, need_values, target_at
from tuneassist.evidence.refresh import Refresh
from tuneassist.evidence.side_channels import EXCLUDED_BY
from tuneassist.evidence.steady import is_cut, is_warm, warm_by_clock
from tuneassist.evidence.travel import Standing, find_standing
from tuneassist.grid import Floats
from tuneassist.one_log import LogNature
from tuneassist.settings import Setup, SteadySettings

#: What the filters of movement take; a moving sample is evidence all the same.
MOVEMENT = ("moving", "sweeping")

Mask = npt.NDArray[np.bool_]
Rows = npt.NDArray[np.int64]
Columns = Mapping[str, Floats]


@dataclass(frozen=True, eq=False)
class Filtered:
    """Rows of a log's time line, with what each filter leaves of them.

    Parameters
    ----------
    line
        ``time_s``, the main channels (lambda as logged) and the others that are asked, shape (n,).
    masks
        Rows that each filter leaves, by the fate of those that it takes, in their order.
    standing
        Where speed and load stand still.
    lam
        Lambda beside what it tells about; None without one, or while the delay is not known.
        [lambda]
    """

    line: Columns
    masks: dict[str, Mask]
    standing: Standing
    lam: Floats | None = None

    @property
    def is_usable(self) -> Mask:
        """Rows that every filter leaves."""
        return np.asarray(np.logical_and.reduce(list(self.masks.values())))

    @property
    def is_usable_moving(self) -> Mask:
        """Rows that every filter but those of movement leaves."""
        others = (mask for name, mask in self.masks.items() if name not in MOVEMENT)
        return np.asarray(np.logical_and.reduce(list(others)))

    def at(self, rows: slice) -> Filtered:
        """Return the same of some rows."""
        return Filtered(
            {name: values[rows] for name, values in self.line.items()},
            {name: mask[rows] for name, mask in self.masks.items()},
            self.standing.at(rows),
            None if self.lam is None else self.lam[rows],
        )


def filter_places(line: Columns, *, nature: LogNature, setup: Setup) -> Filtered:
    """Ask every filter that needs no lambda in its place.

    Parameters
    ----------
    line
        The log, or a part of it, on its time line.
    nature
        What is known of the log; without ``bands`` they are found in these rows.
    setup
        Axes, target and thresholds.
    """
    settings, axes = setup.steady, setup.axes
    time_s, rpm, load = line["time_s"], line["rpm"], line["load"]
    is_known = np.isfinite(rpm) & np.isfinite(load)
    standing = find_standing(
        time_s,
        rpm,
        load,
        axes=axes,
        offset=load_offset(axes, setup.limits.barometer_kpa),
        interval_s=nature.refresh.interval_s,
        settings=settings,
        bands=nature.bands,
    )
    table = setup.target.table
    has_target = np.isfinite(table).all() or np.isfinite(target_at(axes, table, rpm, load))
    masks = {
        "no value": is_known,
        "engine cold": _warm(line, nature, settings),
        **_teaching(line),
        "fuel cut": np.ones(len(time_s), dtype=bool),  # until lambda is in its place
        "outside the table": inside_axes(
            axes, rpm, load, margin_cells=settings.outside_margin_cells
        ),
        "no target there": is_known & has_target,
        "moving": standing.is_steady,
        "sweeping": standing.is_standing,
    }
    return Filtered(line, masks, standing)


def with_lambda_in_place(rows: Filtered, *, nature: LogNature, setup: Setup) -> Filtered:
    """Put lambda beside what it tells about, and look for fuel cuts by it."""
    line = rows.line
    if "lambda" not in line:
        return rows
    lam = align(
        line["time_s"],
        line["rpm"],
        line["load"],
        line["lambda"],
        nature.delay,
        max_gap_s=longest_gap_s(nature.refresh, setup.steady),
    )
    return with_lambda(rows, lam, nature=nature, setup=setup)


def with_lambda(rows: Filtered, lam: Floats, *, nature: LogNature, setup: Setup) -> Filtered:
    """Take a lambda for that of these rows, and look for fuel cuts by it."""
    fuelled = _fuelled(rows.line, lam, nature.driver, setup)
    return replace(rows, lam=lam, masks={**rows.masks, "fuel cut": fuelled})


def need_at(
    line: Columns, at: Rows | slice, lam: Floats | None, *, nature: LogNature, setup: Setup
) -> tuple[Floats, Floats, npt.NDArray[np.int8]]:
    """Tell what some rows need.

    Parameters
    ----------
    line
        The time line.
    at
        The rows.
    lam
        Their lambda; None where only trims were logged. [lambda]
    nature, setup
        As for `filter_places`.

    Returns
    -------
    target, need, stop
        Wanted lambda; need; and the place in `STOP_WORDS`. [lambda], [ln], [1]
    """
    target = target_at(setup.axes, setup.target.table, line["rpm"][at], line["load"][at])
    need, stop = need_values(
        lam,
        target_lambda=target,
        trims={name: line[name][at] for name in TRIM_COLUMNS if name in line},
        stops=nature.stops,
        settings=setup.steady,
    )
    return target, need, stop


def stretches_of(
    rows: Filtered, *, nature: LogNature, setup: Setup, load_before: float = float("nan")
) -> Stretches:
    """Return the usable rows as the reduction needs them.

    Parameters
    ----------
    rows
        With lambda in its place.
    nature, setup
        As for `filter_places`.
    load_before
        As in `Stretches`.
    """
    line, usable = rows.line, rows.is_usable
    at = np.flatnonzero(usable)
    lam = None if rows.lam is None else rows.lam[at]
    target, need, stop = need_at(line, at, lam, nature=nature, setup=setup)
    stretch = number_stretches(
        usable,
        line["time_s"],
        max_gap_s=longest_gap_s(nature.refresh, setup.steady),
        is_joined=rows.standing.is_joined,
    )
    time_s, rpm, load = (line[name][at] for name in ("time_s", "rpm", "load"))
    return Stretches(time_s, rpm, load, need, target, stop, stretch[at], load_before)


def longest_gap_s(refresh: Refresh, settings: SteadySettings) -> float:
    """Return the longest pause that a stretch may hold: three samples of a slow logger. [s]"""
    return max(settings.max_gap_s, 3.0 * refresh.interval_s)


def _warm(line: Columns, nature: LogNature, settings: SteadySettings) -> Mask:
    if nature.warmth is None:
        return warm_by_clock(line["time_s"], nature.start_s, settings)
    return is_warm(nature.warmth, line[nature.warmth], settings)


def _teaching(line: Columns) -> dict[str, Mask]:
    """Masks of what hides the need (see `tuneassist.evidence.side_channels`)."""
    count = len(line["time_s"])
    return {
        fate: ~(line[column] > 0) if column in line else np.ones(count, dtype=bool)
        for fate, column in EXCLUDED_BY.items()
    }


def _fuelled(line: Columns, lam: Floats, driver: str | None, setup: Setup) -> Mask:
    """Look at the rows that could be a fuel cut; the target is looked up there only."""
    table = setup.target.table
    wish = None if driver is None else line[driver]
    lowest = float(np.nanmin(table)) if np.isfinite(table).any() else 1.0

    def cut(lam: Floats, wish: Floats | None, target: Floats | float) -> Mask:
        ignition = setup.engine.ignition
        return is_cut(lam, wish, target=target, settings=setup.steady, ignition=ignition)

    fuelled = np.ones(len(lam), dtype=bool)
    maybe = np.flatnonzero(cut(lam, wish, min(lowest, 1.0)))
    if not len(maybe):
        return fuelled
    target = target_at(setup.axes, table, line["rpm"][maybe], line["load"][maybe])
    known = np.where(np.isfinite(target), target, 1.0)
    fuelled[maybe] = ~cut(lam[maybe], None if wish is None else wish[maybe], known)
    return smooth_mask(fuelled)
