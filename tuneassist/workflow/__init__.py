"""What the program does: a proposal, a round of a tune, coverage; what commands and notebooks call.

Every call takes and gives objects and shows nothing. A command reads its options, makes one call,
shows what came back; a notebook makes the same call.

::

    logs          files to reduced logs, named, none of them twice
    result        a proposal as the contents of its four files, checked in the form they are read
    write         a proposal or a grid into files
    coverage      how well logs cover the cells
    plan          what to hold next, from a tune or from logs
    report        what a report is made from, and the page
    report_source a tune's or a proposal's folder, as a report takes it
    round_result  a round judged, and the contents of its folder
    runs          full-load runs before and after
    steps         the steps of a tune: start, add, accept, reject, undo, found, status
    verify        a grid file held against every rule
    tune          a tune's folder as an object with these steps
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from tuneassist.lazy import modules_of

if TYPE_CHECKING:
    from tuneassist.workflow import (  # noqa: F401 - known to type checkers
        check,
        coverage,
        limits,
        log_files,
        logs,
        pictures,
        plan,
        proposal,
        proposal_files,
        report,
        round_evaluation,
        runs,
        tune_steps,
        tunes,
        verify,
    )
else:
    __getattr__ = modules_of(__name__)
