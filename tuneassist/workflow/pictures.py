"""Draw pictures into files; refuse a name that could not be written before any work is done."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from tuneassist.files.safe_files import write_atomically
from tuneassist.files.setup_file import read_setup
from tuneassist.log_trace import trace_log
from tuneassist.loop.tune_model import units_of_set
from tuneassist.reading import read_log
from tuneassist.show.plan_sheet import plan_sheet
from tuneassist.show.plots import (
    coverage_figure,
    full_load_figure,
    picture,
    plot_format,
    proposal_figure,
    require_matplotlib,
    spots_figure,
    trace_figure,
    tunes_figure,
)
from tuneassist.show.run_units import OutputUnits
from tuneassist.workflow.logs import is_simulated
from tuneassist.workflow.output_paths import require_new_file

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

    from tuneassist.loop.plan import Plan
    from tuneassist.runs import Equivalence
    from tuneassist.workflow.coverage import Coverage
    from tuneassist.workflow.plan import PlanStart
    from tuneassist.workflow.proposal import WrittenProposal
    from tuneassist.workflow.runs import FullLoad
    from tuneassist.workflow.tunes import CheckedTunes


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
        setup=seen.setup,
        readings=seen.evidence.cells,
        date=_today(),
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


def draw_full_load(
    path: Path, made: FullLoad, units: OutputUnits, zero: Equivalence | None = None
) -> None:
    """Draw torque, power, gain, the limited channels and the zero check into one picture.

    Parameters
    ----------
    path
        The file.
    made
        The comparison.
    units
        Units shown.
    zero
        The zero check; None leaves it out.
    """
    figure = full_load_figure(
        made.found, zero=zero, units=units, car=made.setup.engine.label if made.setup else "",
        date=_today(), is_simulated=made.is_simulated,
    )  # fmt: skip
    _write(path, figure)


def draw_trace(path: Path, log: Path, setup: Path) -> None:
    """Draw a log over time: its holds, and what was dropped and why.

    Parameters
    ----------
    path
        The file.
    log, setup
        Files of the log and of the setup.

    Raises
    ------
    TuneassistError
        When one of them cannot be read.
    """
    car = read_setup(setup)
    read = read_log(log, setup=car)
    figure = trace_figure(
        trace_log(read, setup=car), car, date=_today(), is_simulated=is_simulated([read], car)
    )
    _write(path, figure)


def draw_proposal(path: Path, done: WrittenProposal) -> None:
    """Draw a proposal: deviation, step, and the holds with their distance from the fit.

    Parameters
    ----------
    path
        The file.
    done
        The proposal.
    """
    figure = proposal_figure(done.proposal, date=_today(), is_simulated=done.is_simulated)
    _write(path, figure)


def draw_spots(path: Path, spots: pd.DataFrame, done: WrittenProposal) -> None:
    """Draw values found by hand over the surface, beside the step proposed from them.

    Parameters
    ----------
    path
        The file.
    spots
        From `tuneassist.spots.spot_table`.
    done
        The proposal.
    """
    figure = spots_figure(spots, done.proposal, date=_today(), is_simulated=done.is_simulated)
    _write(path, figure)


def draw_tunes(path: Path, found: CheckedTunes) -> None:
    """Draw a set of tunes on one sheet.

    Parameters
    ----------
    path
        The file.
    found
        The set, and the predictions of its check.
    """
    tunes, predicted = found.tunes, found.report.predicted
    own = units_of_set(tunes)
    units = OutputUnits(torque=own.torque, temperature=own.temperature)
    simulated = is_simulated([], tunes[0].setup if tunes else None)
    figure = tunes_figure(
        tunes, units=units, predicted=predicted, date=_today(), is_simulated=simulated
    )
    _write(path, figure)


def _today() -> str:
    return datetime.now(UTC).date().isoformat()


def _write(path: Path, figure: Figure) -> None:
    write_atomically(path, picture(figure, plot_format(path.suffix)))
