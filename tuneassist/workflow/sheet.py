"""Make the bench sheet of a day: from a tune, from logs, or from a setup alone."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import pandas as pd

from tuneassist import __version__
from tuneassist.errors import InputError, LogError, NoEvidenceError
from tuneassist.files.safe_files import write_atomically
from tuneassist.files.setup_file import read_setup
from tuneassist.files.zero_result import ZeroResult, read_zero_result
from tuneassist.inert import quoted
from tuneassist.loop.holds_done import is_done
from tuneassist.parallel import LogsAtHand
from tuneassist.reading import Log
from tuneassist.settings import Setup
from tuneassist.show.bench_sheet import BenchDay, bench_sheet_html
from tuneassist.show.page_templates import page_templates
from tuneassist.show.rounds import grid_name
from tuneassist.workflow import tune_steps
from tuneassist.workflow.logs import is_simulated
from tuneassist.workflow.output_paths import require_new_file
from tuneassist.workflow.plan import PlanStart

HELD = ("rpm", "load", "start_s", "end_s")
"""What the holds of a log say about where and how long the car was held."""
Reduce = Callable[[Setup], LogsAtHand]


def day_of_setup(setup: Path) -> BenchDay:
    """Return the day of a car of which nothing was logged.

    Parameters
    ----------
    setup
        The setup's file.

    Raises
    ------
    SetupError
        When it cannot be used.
    """
    return _new_day(read_setup(setup))


def day_of_plan(start: PlanStart, minutes: float) -> BenchDay:
    """Return the day with a plan; where none can be made, the sheet says why.

    Parameters
    ----------
    start
        What the plan starts from.
    minutes
        Time available on a warm engine. [min]

    Raises
    ------
    InputError
        When the time is too short for a single hold.
    """
    day = replace(
        _new_day(start.setup),
        is_simulated=start.is_simulated,
        set_aside=start.unusable,
        known_logs=start.known_logs,
    )
    try:
        return replace(day, plan=start.plan(minutes))
    except NoEvidenceError as error:
        return replace(day, why_no_plan=str(error))


def day_of_tune(folder: Path, start: PlanStart, minutes: float) -> BenchDay:
    """Return the day of a tune, with its warning where it has halted or a proposal waits.

    Parameters
    ----------
    folder
        The tune's folder.
    start, minutes
        As for `day_of_plan`.

    Raises
    ------
    InputError
        As for `day_of_plan`, or when the tune cannot be read.
    """
    status = tune_steps.status(folder)
    holds = grid_name(status.state.current)
    return replace(day_of_plan(start, minutes), in_controller=holds, warning=warning_of(status))


def warning_of(status: tune_steps.TuneStatus) -> str:
    """Return what comes before any pull: a halt, an exceeded ceiling, or a grid that waits.

    Parameters
    ----------
    status
        The tune's status.
    """
    advice = status.advice
    if status.verdict.word == "STOP" or advice.check in ("ceiling", "hard"):
        return f"{status.verdict.word}: {status.verdict.reason}"
    if status.state.is_pending:
        last = status.state.rounds[-1].name
        return f"The grid of {last} waits: load it and accept it, or reject it, before logging."
    return ""


def _new_day(setup: Setup) -> BenchDay:
    today = datetime.now().astimezone().strftime("%Y-%m-%d")
    return BenchDay(setup, today, __version__, is_simulated=is_simulated([], setup))


def with_done(day: BenchDay, reduce: Reduce) -> BenchDay:
    """Mark the holds of the plan that were held in logs recorded since it was made.

    Parameters
    ----------
    day
        The day, with its plan.
    reduce
        Reads the logs with the setup.

    Raises
    ------
    TuneassistError
        When the logs cannot be used, or the plan was made from one of them.
    """
    if day.plan is None:
        return day
    found = reduce(day.setup)
    _refuse_known([one.log for one in found.used], day)
    held = pd.concat([one.evidence.holds[list(HELD)] for one in found.used], ignore_index=True)
    done = is_done(day.plan.holds, held, day.setup.axes)
    simulated = day.is_simulated or is_simulated([one.log for one in found.used], day.setup)
    set_aside = {**day.set_aside, **found.unusable}
    return replace(day, done=tuple(done.tolist()), is_simulated=simulated, set_aside=set_aside)


def _refuse_known(logs: Sequence[Log], day: BenchDay) -> None:
    """Refuse a log that the plan counts already: what it asks for is to be held once more."""
    for log in logs:
        if log.sha256 in day.known_logs:
            raise LogError(
                f"the plan was made from this log already ({day.known_logs[log.sha256]}).",
                where=log.name,
                mend="Name logs with --done that were recorded since.",
            )


def with_zero(day: BenchDay, path: Path) -> BenchDay:
    """Add what a zero test said.

    Parameters
    ----------
    day
        The day.
    path
        JSON of ``tuneassist runs --zero --json``.

    Raises
    ------
    InputError
        When it cannot be read, or is of another car.
    """
    zero = read_zero_result(path)
    _require_same_car(zero, day.setup, path)
    return replace(day, zero=zero)


def _require_same_car(zero: ZeroResult, setup: Setup, path: Path) -> None:
    label = setup.engine.label
    if zero.label and label and zero.label != label:
        raise InputError(
            f"this zero test is of {quoted(zero.label)}, and the setup is of {quoted(label)}.",
            where=str(path),
            mend="Name the zero test of this car.",
        )


def require_sheet(out: Path, *, overwrite: bool) -> None:
    """Refuse a sheet that could not be made or written, before any work is done.

    Parameters
    ----------
    out
        The page.
    overwrite
        Replace a file of this name.

    Raises
    ------
    InputError
        When the template library is not installed.
    OutputError
        When the name is taken, or the folder does not exist.
    """
    page_templates("a bench sheet")
    require_new_file(out, overwrite=overwrite)


def write_sheet(day: BenchDay, out: Path) -> None:
    """Write the page, whole or not at all.

    Parameters
    ----------
    day
        What it is made from.
    out
        The page.
    """
    write_atomically(out, bench_sheet_html(day).encode("utf-8"))
