"""Draw pictures into files; refuse a name that could not be written before any work is done."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from tuneassist.files.safe_files import write_atomically
from tuneassist.show.figures.full_load import ALONG_WORDS, plot_along, plot_full_load, plot_gain
from tuneassist.show.plan_sheet import plan_sheet
from tuneassist.show.plots import coverage_figure, picture, plot_format, require_matplotlib
from tuneassist.workflow.output_paths import require_new_file

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from tuneassist.loop.plan import Plan
    from tuneassist.show.run_units import OutputUnits
    from tuneassist.workflow.coverage import Coverage
    from tuneassist.workflow.plan import PlanStart
    from tuneassist.workflow.runs import FullLoad

ALONG = ("lambda", "boost_kpa", "exhaust_temp_c")
"""Channels drawn over speed, if they were logged."""
FRAME_SIZE_IN = (5.0, 3.4)
"""Width and height of one frame of the full-load picture. [in]"""


def require_picture(path: Path, *, overwrite: bool) -> None:
    """Refuse a picture that could not be written, before any work is done.

    Parameters
    ----------
    path
        The file.
    overwrite
        Replace a file of this name.

    Raises
    ------
    InputError
        When matplotlib is missing, or the suffix is not a picture's.
    OutputError
        When the name is taken, or the folder does not exist.
    """
    require_matplotlib()
    plot_format(path.suffix)
    require_new_file(path, overwrite=overwrite)


def draw_coverage(path: Path, seen: Coverage) -> None:
    """Draw how well logs cover the cells.

    Parameters
    ----------
    path
        The file.
    seen
        The coverage.
    """
    figure = coverage_figure(
        seen.table,
        seen.setup.axes,
        holds=seen.evidence.holds,
        label=seen.setup.engine.label,
        is_simulated=seen.is_simulated,
    )
    _write(path, figure)


def draw_plan(path: Path, plan: Plan, start: PlanStart) -> None:
    """Draw a plan as one page for the operator.

    Parameters
    ----------
    path
        The file.
    plan
        The plan.
    start
        What it was made from.
    """
    _write(path, plan_sheet(plan, setup=start.setup, is_simulated=start.is_simulated))


def draw_full_load(path: Path, made: FullLoad, units: OutputUnits) -> None:
    """Draw torque, power, gain and the limited channels into one picture.

    Parameters
    ----------
    path
        The file.
    made
        The comparison.
    units
        Units shown.
    """
    from matplotlib.figure import Figure  # an extra: it may be missing

    found, simulated = made.found, made.is_simulated
    along = [c for c in ALONG if c in found.mean and c in ALONG_WORDS]
    along = [c for c in along if found.mean[c].notna().any()]
    rows = (3 + len(along) + 1) // 2
    size = (2 * FRAME_SIZE_IN[0], rows * FRAME_SIZE_IN[1])
    figure = Figure(figsize=size, layout="constrained")
    frames = list(figure.subplots(rows, 2, squeeze=False).ravel())
    plot_full_load(found.mean, "torque", unit=units.torque, is_simulated=simulated, ax=frames[0])
    plot_full_load(found.mean, "power", unit=units.power, is_simulated=simulated, ax=frames[1])
    plot_gain(found.gain, unit=units.torque, is_simulated=simulated, ax=frames[2])
    for frame, column in zip(frames[3:], along, strict=False):
        plot_along(found.mean, column, limit_checks=found.limit_checks, units=units,
                   is_simulated=simulated, ax=frame)  # fmt: skip
    for frame in frames[3 + len(along) :]:
        frame.set_axis_off()
    _write(path, figure)


def _write(path: Path, figure: Figure) -> None:
    write_atomically(path, picture(figure, plot_format(path.suffix)))
