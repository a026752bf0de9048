"""How well logs cover the cells: which are seen, held and trusted."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from tuneassist.arguments import of_kind
from tuneassist.errors import SetupError
from tuneassist.evidence.coverage import count_blank, count_states, coverage_table
from tuneassist.evidence.residuals import hold_residuals
from tuneassist.files.setup_file import read_setup
from tuneassist.grid import Grid
from tuneassist.inert import inert
from tuneassist.parallel import LogsAtHand
from tuneassist.pipeline import Evidence, LogEvidence, gather, grid_in_force, logs_of, reduce_log
from tuneassist.reading import Log
from tuneassist.settings import READ_SETUP, Setup
from tuneassist.show.cell_picture import coverage_picture
from tuneassist.show.notebook import page, picture_table, sentences
from tuneassist.workflow.logs import is_simulated


@dataclass(frozen=True, eq=False)
class Coverage:
    """How well logs cover each cell.

    Parameters
    ----------
    setup
        The car's setup.
    evidence
        The evidence of all logs.
    table
        One row per cell: see `tuneassist.evidence.coverage.coverage_table`.
    is_simulated
        Whether label or logs say that the data are simulated.
    """

    setup: Setup
    evidence: Evidence
    table: pd.DataFrame
    is_simulated: bool = False

    @property
    def states(self) -> dict[str, int]:
        """Number of cells by state: left alone, unseen, seen, held, trusted."""
        return count_states(self.table)

    @property
    def without_evidence(self) -> int:
        """Number of cells with a target and no evidence."""
        return count_blank(self.table)

    def beside(self, unusable: Mapping[str, str]) -> Coverage:
        """Return the same coverage, with the logs that could not be used.

        Parameters
        ----------
        unusable
            Why each was set aside, by name.
        """
        return replace(self, evidence=self.evidence.beside(unusable))

    def to_frame(self) -> pd.DataFrame:
        """Return one row per cell, as a frame of its own.

        Returns
        -------
        pandas.DataFrame
            ``rpm, load, is_wanted, samples_seen, holds, confidence, is_seen, is_held, is_trusted,
            worth, effective_n, state`` in cell order; ``worth`` counts moving samples in holds.
        """
        return self.table.copy()

    def residuals(self) -> pd.DataFrame:
        """Return how far each hold is from the fit.

        Returns
        -------
        pandas.DataFrame
            ``log, rpm, load, residual_pct, is_used``; + is leaner than the fit. [%]
        """
        evidence, setup = self.evidence, self.setup
        return hold_residuals(evidence.holds, evidence.fit, setup.axes, kind=setup.target.kind)

    def __repr__(self) -> str:
        """Show the counts on a few lines; `to_frame` has the cells."""
        counts = ", ".join(f"{count} {state}" for state, count in self.states.items())
        logs = f"{len(self.evidence.logs)} log(s), {len(self.evidence.holds)} holds"
        label = inert(self.setup.engine.label) or "car without a label"
        return f"Coverage of {label}\n  {logs}\n  cells: {counts}"

    def _repr_html_(self) -> str:
        title, *lines = repr(self).splitlines()
        simulated = " (simulated data)" if self.is_simulated else ""
        return page(
            f"{title}{simulated}",
            sentences([line.strip() for line in lines]),
            picture_table(
                "Evidence of each cell, in holds", coverage_picture(self.table, self.setup.axes)
            ),
        )


def coverage(logs: Log | Iterable[Log], *, setup: Setup, current: Grid | None = None) -> Coverage:
    """Find out which cells the logs have seen, held and made trustworthy.

    Parameters
    ----------
    logs
        One log or several, as read.
    setup
        The car's setup.
    current
        The grid that was in the controller while they were recorded; None is all zeros.

    Returns
    -------
    Coverage
        The same cells as ``tuneassist coverage`` shows.

    Raises
    ------
    InputError
        When no log is given, or an argument is not a log, a setup or a grid on its axes.

    Examples
    --------
    >>> import tuneassist
    >>> setup = tuneassist.read_setup("sample_logs/petrol-setup.toml")
    >>> log = tuneassist.read_log("sample_logs/petrol-session-1.csv", setup=setup)
    >>> found = tuneassist.coverage(log, setup=setup)
    >>> sum(found.states.values()) == len(found.to_frame()) == setup.axes.size
    True
    >>> sorted(set(found.to_frame().query("is_trusted")["confidence"]))
    ['fair', 'good']
    """
    of_kind(setup, Setup, what="setup", mend=READ_SETUP, error=SetupError)
    grid, read = grid_in_force(current, setup), logs_of(logs)
    reduced = [reduce_log(log.samples, name=log.name, setup=setup) for log in read]
    return cover_reduced(reduced, setup, current=grid, is_simulated=is_simulated(read, setup))


def cover_files(reduce: Callable[[Setup], LogsAtHand], *, setup: Path) -> Coverage:
    """Find out which cells log files have seen, held and made trustworthy.

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
    simulated = is_simulated([one.log for one in found.used], car)
    seen = cover_reduced([one.evidence for one in found.used], car, is_simulated=simulated)
    return seen.beside(found.unusable)


def cover_reduced(
    logs: Sequence[LogEvidence],
    setup: Setup,
    *,
    current: Grid | None = None,
    is_simulated: bool = False,
) -> Coverage:
    """Return how well reduced logs cover the cells.

    Parameters
    ----------
    logs
        The reduced logs.
    setup, current
        As for `coverage`.
    is_simulated
        Whether label or logs say that the data are simulated.
    """
    evidence = gather(logs, setup=setup, current=grid_in_force(current, setup))
    table = coverage_table(
        setup.axes,
        target=setup.target.table,
        visits=[log.visits for log in logs if log.visits is not None],
        cells=evidence.cells,
        margin_cells=setup.steady.outside_margin_cells,
    )
    return Coverage(setup, evidence, table, is_simulated)
