"""Propose from values found by hand, with logs beside them or without."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from tuneassist import pipeline
from tuneassist.arguments import of_kind
from tuneassist.errors import InputError, NoEvidenceError, SetupError
from tuneassist.evidence.step_risk import joined_reasons
from tuneassist.files.serialise import sha256_of
from tuneassist.files.setup_file import read_setup
from tuneassist.files.spot_file import read_spots, spots_of
from tuneassist.grid import Grid
from tuneassist.one_log import LogEvidence
from tuneassist.parallel import LogsAtHand
from tuneassist.pipeline import Evidence, Proposal, grid_in_force, logs_of
from tuneassist.reading import Log
from tuneassist.reduction import reduce_log
from tuneassist.settings import READ_SETUP, Setup
from tuneassist.show.labels import grid_words
from tuneassist.spots import (
    LEFT_OUT,
    Meaning,
    Spots,
    called,
    overruled_notes,
    spot_table,
    spots_evidence,
)
from tuneassist.threads import on_one_thread
from tuneassist.workflow.grid_in_force import read_in_force
from tuneassist.workflow.logs import is_simulated
from tuneassist.workflow.output_paths import require_free_folder
from tuneassist.workflow.pictures import draw_spots
from tuneassist.workflow.proposal import WrittenProposal, input_files, write_proposal_files
from tuneassist.workflow.proposal_files import InputFile

NO_SMOKE_READING = (
    "the target is a smoke floor, and no lambda was logged with the values found by hand: for more "
    'fuel propose from logs, or set kind = "aim" under [target]'
)
"""Why spots give a compression engine no more fuel."""


@on_one_thread
def propose_spots(
    spots: Spots | pd.DataFrame | str | os.PathLike[str],
    *,
    setup: Setup,
    current: Grid | None = None,
    logs: Log | Iterable[Log] = (),
    values: Meaning | None = None,
) -> Proposal:
    """Make a proposal from values found by hand.

    Parameters
    ----------
    spots
        A file, a frame with its columns (``rpm, load, correction_pct``), or what `read_spots` gave.
    setup
        The car's setup.
    current
        The grid that the controller held; None is all zeros.
    logs
        Logs as read, taken under the same grid.
    values
        Whether they are the "total" correction or a "change" on top of ``current``; None takes the
        word of the column.

    Returns
    -------
    Proposal
        Limited, and passed by the independent checker. A spot counts as a hold.

    Raises
    ------
    InputError
        When a value cannot be used, or nothing tells what the values are.
    NoEvidenceError
        When the spots leave every cell too uncertain.
    RuleBreachError
        When the checker objects.

    Examples
    --------
    >>> import tuneassist
    >>> setup = tuneassist.read_setup("sample_logs/petrol-setup.toml")
    >>> found = pd.DataFrame({"rpm": [1500, 2000, 2500, 3000] * 3,
    ...     "load": [40] * 4 + [60] * 4 + [75] * 4, "correction_pct": [3, 4, 5, 6] * 3})
    >>> proposal = propose_spots(found, setup=setup)
    >>> int((proposal.to_frame()["step_pct"] > 0).sum()) > 5
    True
    """
    of_kind(setup, Setup, what="setup", mend=READ_SETUP, error=SetupError)
    grid = grid_in_force(current, setup)
    read = logs_of(logs, may_be_none=True)
    found = _spots_at_hand(spots, setup, values)
    reduced = [reduce_log(log.samples, name=log.name, setup=setup) for log in read]
    return _proposed(found, reduced, setup=setup, current=grid)


def spots_on_surface(spots: Spots, proposal: Proposal) -> pd.DataFrame:
    """Return each spot beside what the surface of a proposal says there, for its picture.

    Parameters
    ----------
    spots
        As read by `tuneassist.read_spots`.
    proposal
        Made from them.

    Returns
    -------
    pandas.DataFrame
        As `tuneassist.spots.spot_table`.
    """
    evidence = proposal.evidence
    return spot_table(spots, holds=evidence.holds, fit=evidence.fit, setup=proposal.setup,
                      current=proposal.current)  # fmt: skip


def _spots_at_hand(
    spots: Spots | pd.DataFrame | str | os.PathLike[str], setup: Setup, values: Meaning | None
) -> Spots:
    if isinstance(spots, Spots):
        return spots if values is None else replace(spots, meaning=values)
    if isinstance(spots, pd.DataFrame):
        return spots_of(spots, setup=setup, values=values)
    return read_spots(Path(spots), setup=setup, values=values)


def _proposed(
    spots: Spots, logs: Sequence[LogEvidence], *, setup: Setup, current: Grid
) -> Proposal:
    """Make the proposal; raises what `propose_spots` raises."""
    require_meaning(spots, current)
    aimed = _aimed(setup, has_logs=bool(logs))
    own = called(spots, free_name(spots.name, [log.name for log in logs]))
    hand = spots_evidence(own, setup=aimed, current=current)
    if hand.holds.empty and not logs:
        why = "; ".join(note for note in hand.notes if note.startswith(LEFT_OUT))
        raise NoEvidenceError(
            f"No spot can be used: {why}. Are speed and load in the units that their headers say?"
        )
    evidence = pipeline.gather([hand, *logs], setup=aimed, current=current)
    evidence = _with_doubts(evidence, setup)
    return pipeline.propose_on(evidence, setup=aimed, current=current)


def require_meaning(spots: Spots, current: Grid) -> None:
    """Refuse values that may be the total or a change, where these differ.

    Parameters
    ----------
    spots
        The values.
    current
        The grid in force.

    Raises
    ------
    InputError
        When nothing tells.
    """
    if spots.meaning is not None or not np.nan_to_num(current.values).any():
        return
    raise InputError(
        "nothing tells whether the values are the total correction or a change on top of the grid "
        "in force.",
        where=spots.name,
        mend="Head the column total_pct or change_pct, or give --values total or change "
        '(in Python: values="total").',
    )


def free_name(name: str, taken: Sequence[str]) -> str:
    """Return the name of a list of spots, told apart from a log of the same name."""
    return f"{name} (spots)" if name in taken else name


def _aimed(setup: Setup, *, has_logs: bool) -> Setup:
    """Return the setup with the target as an aim: a value found by hand is what was wanted."""
    if setup.target.kind == "aim":
        return setup
    if has_logs:
        raise SetupError(
            "the target is a floor: lambda in the logs is compared with it, values found by hand "
            "are not.",
            where=setup.source,
            mend='Give the spots alone, or set kind = "aim" under [target].',
        )
    return replace(setup, target=replace(setup.target, kind="aim"))


def _with_doubts(evidence: Evidence, setup: Setup) -> Evidence:
    """Name the spots that the map overrules; bar more fuel where smoke was not read."""
    fit, cells = evidence.fit, evidence.cells
    notes = evidence.notes
    if fit is not None:
        used = evidence.holds[evidence.holds["is_used"]]
        notes = (*notes, *overruled_notes(used, fit.left_out_residual, setup.axes))
    is_blind = setup.target.kind == "floor" and setup.correction.acts_on == "fuel"
    if is_blind and setup.engine.ignition == "compression":
        barred = [joined_reasons((old, NO_SMOKE_READING)) for old in cells["unsafe_step_barred"]]
        cells, notes = cells.assign(unsafe_step_barred=barred), (*notes, NO_SMOKE_READING)
    return replace(evidence, cells=cells, notes=notes)


def propose_spots_files(
    spots: Path,
    reduce: Callable[[Setup], LogsAtHand] | None,
    *,
    setup: Path,
    out: Path,
    grid: Path | None = None,
    values: Meaning | None = None,
    overwrite: bool = False,
    plot: Path | None = None,
) -> WrittenProposal:
    """Propose from a file of spots and write the result; refuse a taken folder before any work.

    Parameters
    ----------
    spots
        A list of spots, or a grid with blanks.
    reduce
        Reads the logs with the setup; None without logs.
    setup, grid
        Files of the setup and of the grid in force; None is all zeros.
    out
        Folder for the result.
    values
        As for `propose_spots`.
    overwrite
        Replace an earlier result.
    plot
        Picture of the spots and the surface; None draws none.

    Raises
    ------
    TuneassistError
        When an input cannot be used, there is no evidence, or the grid breaks a rule.
    """
    require_free_folder(out, overwrite=overwrite)
    car = read_setup(setup)
    current = Grid.zeros(car.axes) if grid is None else read_in_force(grid, car.axes)
    found = read_spots(spots, setup=car, values=values)
    require_meaning(found, current)
    logs = LogsAtHand([], {}) if reduce is None else reduce(car)
    read = tuple(one.log for one in logs.used)
    with logs.naming_unusable():
        made = _proposed(found, [one.evidence for one in logs.used], setup=car, current=current)
    made = made.beside(logs.unusable) if logs.unusable else made
    in_force, simulated = grid_words(grid), is_simulated(read, car)
    folder = write_proposal_files(
        out,
        made,
        logs=read,
        inputs=[
            *input_files(car, setup, grid, read),
            InputFile("spots", str(spots), sha256_of(spots)),
        ],
        in_force=in_force,
        is_simulated=simulated,
        overwrite=overwrite,
    )
    done = WrittenProposal(made, read, folder, in_force, simulated)
    if plot is not None:
        draw_spots(plot, spots_on_surface(found, made), done)
    return done
