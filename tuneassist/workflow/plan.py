"""Plan what to hold next, from a tune's folder or from logs."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from tuneassist.evidence.repeats import unusable_notes
from tuneassist.files.plan_section import read_plan_settings
from tuneassist.files.safe_files import write_atomically
from tuneassist.files.serialise import frame_csv
from tuneassist.files.setup_file import read_setup
from tuneassist.files.tune_folder import open_tune
from tuneassist.files.tune_layout import HISTORY
from tuneassist.grid import Floats, Grid
from tuneassist.loop.plan import Plan, plan_holds
from tuneassist.loop.pooling import pool_rounds
from tuneassist.loop.settings import PlanSettings
from tuneassist.parallel import LogsAtHand
from tuneassist.pipeline import Evidence, gather
from tuneassist.settings import Setup
from tuneassist.workflow.logs import is_simulated
from tuneassist.workflow.output_paths import require_new_file
from tuneassist.workflow.pictures import draw_plan, require_picture
from tuneassist.workflow.round_evaluation import count_visits


@dataclass(frozen=True, eq=False)
class PlanStart:
    """What a plan starts from.

    Parameters
    ----------
    setup
        The car's setup.
    settings
        Weights and times, from the setup's file.
    evidence
        The evidence so far; None if nothing was logged.
    visits
        Samples nearest to each breakpoint, moves included; None as above. [1]
    is_simulated
        Whether label or logs say that the data are simulated.
    known_logs
        SHA-256 of each log that the evidence came from, to the log's or its round's name.
    """

    setup: Setup
    settings: PlanSettings
    evidence: Evidence | None
    visits: Floats | None
    is_simulated: bool
    known_logs: Mapping[str, str] = field(default_factory=dict)

    @property
    def unusable(self) -> Mapping[str, str]:
        """Why each log that could not be used was set aside, by name."""
        return dict(self.evidence.unusable) if self.evidence else {}

    def with_hold_s(self, seconds: float) -> PlanStart:
        """Return the same start with another length of each hold.

        Parameters
        ----------
        seconds
            The length. [s]

        Raises
        ------
        InputError
            When the length is out of range.
        """
        return replace(self, settings=replace(self.settings, hold_s=seconds))

    def plan(self, minutes: float) -> Plan:
        """Choose what to hold next; notes name the logs that could not be used.

        Parameters
        ----------
        minutes
            Time available on a warm engine. [min]

        Raises
        ------
        TuneassistError
            What `tuneassist.loop.plan.plan_holds` raises.
        """
        made = plan_holds(
            self.evidence,
            setup=self.setup,
            minutes=minutes,
            settings=self.settings,
            visits=self.visits,
        )
        if self.evidence is None:
            return made
        notes = unusable_notes(self.unusable, [log.name for log in self.evidence.logs])
        return replace(made, notes=(*notes, *made.notes))


def is_tune(folder: Path) -> bool:
    """Return whether a folder holds a tune.

    Parameters
    ----------
    folder
        The folder.
    """
    return (folder / HISTORY).is_file()


def start_of_tune(folder: Path) -> PlanStart:
    """Start from the rounds of a tune.

    Parameters
    ----------
    folder
        The tune's folder.

    Raises
    ------
    InputError
        When it holds no tune, or the tune cannot be read.
    """
    with open_tune(folder, is_reading=True) as tune:
        marks, car = tune.state.evidence, tune.setup
        settings = read_plan_settings(tune.setup_path)
        simulated = is_simulated([], car)
        if not marks:
            return PlanStart(car, settings, None, None, simulated)
        current = tune.grid(tune.state.current)
        fuel = tune.fuel(tune.state.fuel)
        evidence = pool_rounds(tune.rounds(marks), setup=car, current=current, fuel=fuel)
        visits = np.sum([tune.evidence(mark).visits.flat() for mark in marks], axis=0)
        known = tune.state.known_logs()
    return PlanStart(car, settings, evidence, visits, simulated, known)


def start_of_logs(reduce: Callable[[Setup], LogsAtHand], *, setup: Path) -> PlanStart:
    """Start from logs that were recorded with an all-zero grid.

    Parameters
    ----------
    reduce
        Reads the logs with the setup.
    setup
        The setup's file.

    Raises
    ------
    TuneassistError
        When setup or logs cannot be used, or the logs hold no evidence.
    """
    car = read_setup(setup)
    found = reduce(car)
    logs = [one.evidence for one in found.used]
    evidence = gather(logs, setup=car, current=Grid.zeros(car.axes)).beside(found.unusable)
    visits = count_visits(logs, car).flat()
    simulated = is_simulated([one.log for one in found.used], car)
    known = {one.log.sha256: one.log.name for one in found.used}
    return PlanStart(car, read_plan_settings(setup), evidence, visits, simulated, known)


def require_plan_files(csv: Path | None, sheet: Path | None, *, overwrite: bool) -> None:
    """Refuse files that could not be written, before any work is done.

    Parameters
    ----------
    csv, sheet
        As for `write_plan`.
    overwrite
        Replace files of these names.

    Raises
    ------
    InputError
        When matplotlib is missing, or the sheet's suffix is no picture's.
    OutputError
        When a name is taken, or a folder does not exist.
    """
    if csv is not None:
        require_new_file(csv, overwrite=overwrite)
    if sheet is not None:
        require_picture(sheet, overwrite=overwrite)


def write_plan(
    plan: Plan, start: PlanStart, *, csv: Path | None = None, sheet: Path | None = None
) -> list[Path]:
    """Write a plan into files, each whole or not at all.

    Parameters
    ----------
    plan
        What to hold next.
    start
        What it was made from.
    csv
        Sweeps and holds as CSV; None writes none.
    sheet
        One page for the operator; None draws none.

    Returns
    -------
    list of Path
        The files written.
    """
    if csv is not None:
        write_atomically(csv, frame_csv(plan.to_frame()).encode("utf-8"))
    if sheet is not None:
        draw_plan(sheet, plan, start)
    return [path for path in (csv, sheet) if path is not None]
