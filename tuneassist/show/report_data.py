"""The data of a report: results as read or calculated, without layout."""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd

from tuneassist.grid import Grid
from tuneassist.loop.advice import Advice, RoundSummary
from tuneassist.loop.history import ProposalOutcome
from tuneassist.loop.response import Response
from tuneassist.loop.tune_set import Tune, TunesReport
from tuneassist.loop.verdict import VerdictBasis
from tuneassist.runs import Equivalence, RunsComparison
from tuneassist.settings import Setup
from tuneassist.show.run_units import OutputUnits

NO_BINDING = pd.DataFrame(columns=["rule", "rpm", "load", "would_have_got_pct", "got_pct", "words"])


@dataclass(frozen=True, eq=False)
class ReportRound:
    """A round, or a single proposal.

    Parameters
    ----------
    name
        "round 2", or "the proposal".
    in_force
        Which grid the controller held while it was logged, as text.
    cells
        As in ``cells.csv``, with ``target_lambda``: deviations under the grid in force. [%]
    expected
        The same cells with the deviations expected after the step. [%]
    binding
        What the rules held back.
    less_fuel
        Cells that need less fuel by other means, as sentences.
    fuel
        The grid of fuel to take away beside a boost step; None without it. [% of fuel quantity]
    boost_unit
        Unit word in which boost is shown; empty for a fuel grid.
    counts_from
        The barometer that boost counts from, in words.
    fate
        State of the proposal; a single proposal is "proposed".
    outcome
        The same as text, with later changes.
    summary, response, advice
        From the loop; None for a single proposal.
    coverage
        From `tuneassist.evidence.coverage.coverage_table`; None without samples.
    logs
        Name and SHA-256 of each log.
    notes
        Sentences for the user.
    made_at
        When, as ISO 8601.
    grid
        The whole grid after its step, with all digits; None where it is not known.
    """

    name: str
    in_force: str
    cells: pd.DataFrame
    expected: pd.DataFrame
    binding: pd.DataFrame = field(default_factory=lambda: NO_BINDING)
    less_fuel: tuple[str, ...] = ()
    fuel: Grid | None = None
    boost_unit: str = ""
    counts_from: str = ""
    fate: ProposalOutcome = "proposed"
    outcome: str = ""
    summary: RoundSummary | None = None
    response: Response | None = None
    advice: Advice | None = None
    coverage: pd.DataFrame | None = None
    logs: tuple[tuple[str, str], ...] = ()
    notes: tuple[str, ...] = ()
    made_at: str = ""
    grid: Grid | None = None

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
class ControllerGrid:
    """The grid in the controller as reported by the user, and the name of its file."""

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
        Verdict of "zero means zero"; None if not requested.
    assumed
        Ignition assumed for the runs; empty if it was given.
    ignition
        The ignition that the runs were judged by.
    """

    found: RunsComparison
    units: OutputUnits
    zero: Equivalence | None = None
    assumed: str = ""
    ignition: str = "spark"


@dataclass(frozen=True, eq=False)
class TunesPart:
    """The set of tunes, the findings, and the units of its runs."""

    tunes: tuple[Tune, ...]
    report: TunesReport
    units: OutputUnits = field(default_factory=OutputUnits)


@dataclass(frozen=True, eq=False)
class ReportData:
    """All data of a page.

    Parameters
    ----------
    setup
        The car's setup; None where only full-load logs or tunes without one were given.
    version, made_at
        Of this program, and when the page is made.
    is_simulated
        Whether any of the data are simulated.
    rounds
        Oldest first; empty where no result was given.
    controller_grid
        The grid in the controller; None for a single proposal.
    residuals
        From `tuneassist.evidence.residuals.hold_residuals`; None without holds.
    answers
        Findings after halts, as text.
    broken_rules
        Rules that grids or setups broke knowingly, with the reason, as text.
    full_load, tunes
        None where not given.
    next_steps
        What to do, with commands, for the tuner.
    to_load
        A grid that was brought back and waits to be loaded; None without one.
    traces
        Samples over time: ``log, time_s, rpm, load, deviation_pct, fate``; None where not known.
    basis
        What the verdict rests on, apart from full-load runs and tunes.
    """

    setup: Setup | None
    version: str
    made_at: str
    is_simulated: bool
    rounds: tuple[ReportRound, ...] = ()
    controller_grid: ControllerGrid | None = None
    residuals: pd.DataFrame | None = None
    answers: tuple[str, ...] = ()
    broken_rules: tuple[str, ...] = ()
    full_load: FullLoadPart | None = None
    tunes: TunesPart | None = None
    next_steps: tuple[str, ...] = ()
    to_load: ControllerGrid | None = None
    traces: pd.DataFrame | None = None
    basis: VerdictBasis = field(default_factory=VerdictBasis)
