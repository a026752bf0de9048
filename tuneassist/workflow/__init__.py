"""What the program does, as calls that take and return objects and show nothing.

A command reads its options, makes one call and shows the result; a notebook makes the same call.

::

    logs              read and reduce log files
    log_files         which files of a folder are logs
    check             how logs are read, and what they are worth as evidence
    coverage          how well logs cover the cells
    proposal          propose from log files, and write proposals and grids
    proposal_files    the contents of a proposal's four files
    grid_in_force     read the grid in the controller
    limits            the safety rules in force
    spots             propose from values found by hand
    verify            check a grid file against every rule
    tune              a tune's folder as an object, for notebooks
    tune_steps        start, add, accept, reject, undo, found and status of a tune
    tune_changes      a grid loaded after edits by hand, or an earlier one brought back
    tune_setup        another target or other limits in the middle of a tune
    tune_rules        the rules that such a grid breaks, and the reason to take it
    tune_history      all steps of a tune
    round_evaluation  evaluate a round, and make the contents of its folder
    verdicts          STOP, CHECK or GO ON, for a tune, a proposal or a proposal's folder
    plan              what to hold next, from a tune or from logs
    sheet             the bench sheet of a day, one page to print
    runs              compare full-load runs before and after a change
    tunes             check a set of tunes of one car
    derive            make milder tunes from a strong one and the standard one
    report            make a report
    report_source     read a tune's or a proposal's folder for a report
    setup_start       a setup to start from, made from logs
    log_survey        what a log shows before there is a setup
    first_table       breakpoints where a log was, and a cautious target
    simulated_log     drive a simulated car with a grid, and write its log
    pictures          draw pictures into files
    output_paths      refuse output files and folders that could not be written
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from tuneassist.lazy import modules_of

if TYPE_CHECKING:
    from tuneassist.workflow import (  # noqa: F401 - known to type checkers
        check,
        coverage,
        derive,
        limits,
        log_files,
        logs,
        output_paths,
        pictures,
        plan,
        proposal,
        proposal_files,
        report,
        round_evaluation,
        runs,
        setup_start,
        sheet,
        simulated_log,
        spots,
        tune_changes,
        tune_history,
        tune_setup,
        tune_steps,
        tunes,
        verdicts,
        verify,
    )
else:
    __getattr__ = modules_of(__name__)
