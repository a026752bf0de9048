"""What a report is made from: results as they were read or worked out, nothing laid out yet."""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd

from tuneassist.grid import Grid
from tuneassist.loop.advice import Advice, RoundSummary
from tuneassist.loop.history import ProposalOutcome
from tuneassist.loop.response import Response
from tuneassist.loop.tune_set import Tune, TunesReport
from tuneassist.runs import Equivalence, RunsComparison
from tuneassist.settings import Setup
from tuneassist.show.run_units import OutputUnits

NO_BINDING = pd.DataFrame(columns=["rule", "rpm", "load", "would_have_got_pct", "got_pct", "words"])


@dataclass(frozen=True, eq=False)
class ReportRound:
    """A round, or a proposal that stands alone.

    Parameters
    ----------
    name
        "round 2", or "the proposal".
    in_force
        Which grid the controller held while it was logged, in words.
    cells
        As in ``cells.csv``, with ``target_lambda``: deviations under the grid in force. [%]
    expected
        The same cells with the deviations that the step should lead to. [%]
    binding
        What the rules held back.
    less_fuel
        Cells that need less fuel by other means, as sentences.
    fate
        What became of the proposal; one that stands alone is "proposed".
    outcome
        The same in words, with what has changed since.
    look, response, advice
        From the loop; None for a proposal that stands alone.
    coverage
        From `tuneassist.evidence.coverage.coverage_table`; None where samples are not known.
    logs
        Name and SHA-256 of each log.
    notes
        Sentences that a user should read.
    made_at
        When, as ISO 8601.
    """

    name: str
    in_force: str
    cells: pd.DataFrame
    expected: pd.DataFrame
    binding: pd.DataFrame = field(default_factory=lambda: NO_BINDING)
    less_fuel: tuple[str, ...] = ()
    fate: ProposalOutcome = "proposed"
    outcome: str = ""
    look: RoundSummary | None = None
    response: Response | None = None
    advice: Advice | None = None
    coverage: pd.DataFrame | None = None
    logs: tuple[tuple[str, str], ...] = ()
    notes: tuple[str, ...] = ()
    made_at: str = ""

    @property
    def is_step(self) -> bool:
        """Whether its step changes a cell, and waits or was loaded."""
        is_open = self.fate in ("proposed", "accepted") and not self.is_halt
        return is_open and bool((self.cells["step_pct"] != 0).any())

    @property
    def is_halt(self) -> bool:
        """Whether the loop stopped there."""
        return self.response is not None and self.response.is_halt


@dataclass(frozen=True, eq=False)
class HeldGrid:
    """The grid that the controller holds, as far as the loop was told, and its file's name."""

    name: str
    grid: Grid


@dataclass(frozen=True, eq=False)
class FullLoadPart:
    """Full-load runs before and after.

    Parameters
    ----------
    found
        The comparison.
    units
        Of torque, power and boost.
    zero
        Verdict of "zero means zero"; None where it was not asked for.
    assumed
        Ignition that the runs were judged as without being told; empty where it was told.
    """

    found: RunsComparison
    units: OutputUnits
    zero: Equivalence | None = None
    assumed: str = ""


@dataclass(frozen=True, eq=False)
class TunesPart:
    """The set of tunes, what was found in it, and the units in which its runs are shown."""

    tunes: tuple[Tune, ...]
    report: TunesReport
    units: OutputUnits = field(default_factory=OutputUnits)


@dataclass(frozen=True, eq=False)
class ReportData:
    """Everything that a page may show.

    Parameters
    ----------
    setup
        The car's setup; None where only full-load logs or tunes without one were given.
    version, made_at
        Of this program, and when the page is made.
    is_simulated
        Whether any of the data are.
    rounds
        Oldest first; empty where no result was given.
    held
        What the controller holds; None for a proposal that stands alone.
    residuals
        From `tuneassist.evidence.residuals.hold_residuals`; None where holds are not known.
    answers
        What was found after halts, in words.
    full_load, tunes
        None where not given.
    next_steps
        What to do, with commands, for the tuner.
    """

    setup: Setup | None
    version: str
    made_at: str
    is_simulated: bool
    rounds: tuple[ReportRound, ...] = ()
    held: HeldGrid | None = None
    residuals: pd.DataFrame | None = None
    answers: tuple[str, ...] = ()
    full_load: FullLoadPart | None = None
    tunes: TunesPart | None = None
    next_steps: tuple[str, ...] = ()
