"""Propose from log files, and write proposals and grids."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tuneassist import pipeline
from tuneassist.arguments import file_path, of_kind
from tuneassist.errors import GridError, LogError, TuneassistError
from tuneassist.files import result_writer
from tuneassist.files.grid_file import write_grid_text
from tuneassist.files.safe_files import write_atomically
from tuneassist.files.serialise import sha256_of
from tuneassist.files.setup_file import read_setup
from tuneassist.files.toml_table import read_toml
from tuneassist.grid import Grid
from tuneassist.one_log import is_by_hand
from tuneassist.parallel import LogsAtHand
from tuneassist.pipeline import Proposal, logs_of
from tuneassist.reading import Log
from tuneassist.settings import Setup
from tuneassist.show.labels import grid_words
from tuneassist.workflow.as_written import DECIMALS
from tuneassist.workflow.grid_in_force import read_in_force
from tuneassist.workflow.logs import is_simulated
from tuneassist.workflow.output_paths import require_free_folder, require_new_file
from tuneassist.workflow.proposal_files import InputFile, proposal_contents

ZEROS = "all zeros, for no grid in force was given"
FROM_PYTHON = "handed over in Python; its values are current_grid_pct"
"""The grid in force in ``proposal.json``, without a file."""
OVERWRITE = "pass overwrite=True"


def write_proposal(
    proposal: Proposal,
    folder: str | os.PathLike[str],
    *,
    logs: Log | Iterable[Log] = (),
    grid: str | os.PathLike[str] | None = None,
    overwrite: bool = False,
) -> Path:
    """Write a proposal's four files, as ``tuneassist propose`` does: all of them or none.

    Parameters
    ----------
    proposal
        What was proposed.
    folder
        Missing or empty; its parent must exist.
    logs
        The logs that it was made from, as read; none for one that was made from spots alone.
    grid
        File of the grid in force, for its hash; None without one.
    overwrite
        Replace an earlier proposal in this folder.

    Returns
    -------
    Path
        The folder, with links resolved.

    Raises
    ------
    LogError
        When these are not the proposal's logs.
    GridError
        When the file holds a different grid in force.
    OutputError
        When the folder is not empty, or cannot be written.
    RuleBreachError
        When the grid, read back from its text, breaks a rule.

    Examples
    --------
    >>> import tempfile
    >>> import tuneassist
    >>> setup = tuneassist.read_setup("sample_logs/petrol-setup.toml")
    >>> log = tuneassist.read_log("sample_logs/petrol-session-1.csv", setup=setup)
    >>> proposal = tuneassist.propose(log, setup=setup)
    >>> with tempfile.TemporaryDirectory() as home:
    ...     folder = tuneassist.write_proposal(proposal, f"{home}/first-tune", logs=log)
    ...     print(sorted(file.name for file in folder.iterdir()))
    ['cells.csv', 'grid.csv', 'proposal.json', 'step.csv']
    """
    of_kind(proposal, Proposal, what="proposal", mend="Make one with propose(log, setup=setup).")
    by_hand = all(is_by_hand(log) for log in proposal.evidence.logs)
    read = logs_of(logs, may_be_none=by_hand)
    _require_its_logs(proposal, read)
    setup = proposal.setup
    held = None if grid is None else _held_file(file_path(grid), proposal)
    return write_proposal_files(
        file_path(folder),
        proposal,
        logs=read,
        inputs=input_files(setup, _setup_file(setup), held, read),
        in_force=_in_force_words(proposal, held),
        is_simulated=is_simulated(read, setup),
        overwrite=overwrite,
    )


def write_grid(grid: Grid, file: str | os.PathLike[str], *, overwrite: bool = False) -> Path:
    """Write a grid file, as ``tuneassist propose`` writes ``grid.csv``.

    Parameters
    ----------
    grid
        The grid.
    file
        A new file.
    overwrite
        Replace a file of this name.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    OutputError
        When the name is taken, or the file cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> import numpy as np
    >>> import tuneassist
    >>> axes = tuneassist.Axes(rpm=np.array([800.0, 1200.0]), load=np.array([30.0, 60.0]))
    >>> with tempfile.TemporaryDirectory() as home:
    ...     file = tuneassist.write_grid(tuneassist.Grid.zeros(axes), f"{home}/grid.csv")
    ...     print(file.read_text(encoding="utf-8"))
    rpm/load,30,60
    800,0,0
    1200,0,0
    <BLANKLINE>
    """
    of_kind(grid, Grid, what="grid", mend="Take a proposal's .grid.", error=GridError)
    path = file_path(file)
    require_new_file(path, overwrite=overwrite, ask=OVERWRITE)
    text = write_grid_text(Grid(grid.axes, np.round(grid.values, DECIMALS)))
    write_atomically(path, text.encode("utf-8"))
    return path


@dataclass(frozen=True, eq=False)
class WrittenProposal:
    """A proposal that was made from files and written.

    Parameters
    ----------
    proposal
        What was proposed.
    logs
        The logs as read, without unusable ones.
    folder
        The folder that it was written to.
    in_force
        The grid in force, in words.
    is_simulated
        Whether label or logs say that the data are simulated.
    """

    proposal: Proposal
    logs: tuple[Log, ...]
    folder: Path
    in_force: str
    is_simulated: bool


def propose_files(
    reduce: Callable[[Setup], LogsAtHand],
    *,
    setup: Path,
    out: Path,
    grid: Path | None = None,
    overwrite: bool = False,
) -> WrittenProposal:
    """Propose from files and write the result; refuse a taken folder before any work.

    Parameters
    ----------
    reduce
        Reads the logs with the setup.
    setup, grid
        Files of the setup and of the grid in force; None is all zeros.
    out
        Folder for the result.
    overwrite
        Replace an earlier result.

    Raises
    ------
    TuneassistError
        When an input cannot be used, the logs hold no evidence, or the grid breaks a rule.
    """
    require_free_folder(out, overwrite=overwrite)
    in_force = grid_words(grid)
    car = read_setup(setup)
    current = Grid.zeros(car.axes) if grid is None else read_in_force(grid, car.axes)
    found = reduce(car)
    read = tuple(one.log for one in found.used)
    simulated = is_simulated(read, car)
    with found.naming_unusable():
        reduced = [one.evidence for one in found.used]
        made = pipeline.propose_from(reduced, setup=car, current=current)
    made = made.beside(found.unusable)
    folder = write_proposal_files(
        out,
        made,
        logs=read,
        inputs=input_files(car, setup, grid, read),
        in_force=in_force,
        is_simulated=simulated,
        overwrite=overwrite,
    )
    return WrittenProposal(made, read, folder, in_force, simulated)


def write_proposal_files(
    folder: Path,
    proposal: Proposal,
    *,
    logs: Sequence[Log],
    inputs: Sequence[InputFile],
    in_force: str,
    is_simulated: bool,
    overwrite: bool,
) -> Path:
    """Write a proposal's four files.

    Parameters
    ----------
    folder
        Missing, empty or to be overwritten.
    proposal, logs, inputs, in_force, is_simulated
        As for `proposal_contents`.
    overwrite
        Replace an earlier result.
    """
    contents = proposal_contents(
        proposal, logs=logs, inputs=inputs, in_force=in_force, is_simulated=is_simulated
    )
    return result_writer.write_proposal(folder, contents, overwrite=overwrite)


def input_files(
    car: Setup, setup: Path | None, grid: Path | None, logs: Sequence[Log]
) -> list[InputFile]:
    """Return every file that a proposal is based on, with its hash.

    Parameters
    ----------
    car
        The setup.
    setup, grid
        Files of the setup and of the grid in force; None without one.
    logs
        The logs as read.
    """
    files = []
    if setup is not None:
        files.append(InputFile("setup", str(setup), sha256_of(setup)))
        if "target.file" in car.given:
            target = str(read_toml(setup).table("target").values["file"])
            files.append(InputFile("target", target, sha256_of(setup.parent / target)))
    if grid is not None:
        files.append(InputFile("grid", str(grid), sha256_of(grid)))
    return [*files, *(InputFile("log", log.name, log.sha256) for log in logs)]


def _require_its_logs(proposal: Proposal, logs: Sequence[Log]) -> None:
    """Refuse logs that the proposal was not made from."""
    rests_on = sorted(log.name for log in proposal.evidence.logs if not is_by_hand(log))
    given = sorted(log.name for log in logs)
    if given != rests_on:
        raise LogError(
            f"the proposal was made from {', '.join(rests_on)}, not from {', '.join(given)}.",
            mend="Pass the logs that it was made from.",
        )


def _setup_file(setup: Setup) -> Path | None:
    """Return the setup's file; None if the setup was made or changed in Python."""
    path = Path(setup.source)
    try:
        return path if path.is_file() and read_setup(path) == setup else None
    except (TuneassistError, OSError):
        return None


def _held_file(path: Path, proposal: Proposal) -> Path:
    if read_in_force(path, proposal.setup.axes) != proposal.current:
        raise GridError(
            "this is another grid than the proposal's grid in force.",
            where=str(path),
            mend="Name the file of the grid in force.",
        )
    return path


def _in_force_words(proposal: Proposal, held: Path | None) -> str:
    if held is not None:
        return str(held)
    return FROM_PYTHON if np.any(np.nan_to_num(proposal.current.values)) else ZEROS
