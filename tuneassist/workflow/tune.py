"""A tune's folder as an object: ``tuneassist rounds`` for notebooks."""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from pathlib import Path

import pandas as pd

from tuneassist.arguments import file_path
from tuneassist.correction import UnsafeHeld
from tuneassist.errors import InputError, LogError
from tuneassist.files.tune_folder import open_tune
from tuneassist.grid import Grid
from tuneassist.inert import inert, one_line
from tuneassist.loop.advice import Advice, RoundSummary
from tuneassist.loop.history import Kind
from tuneassist.loop.response import Response
from tuneassist.parallel import LogsAtHand
from tuneassist.pipeline import Proposal
from tuneassist.settings import Setup
from tuneassist.show.figures.tune import rounds_frame
from tuneassist.show.notebook import page, proposal_html, sentences
from tuneassist.show.rounds_history import broken_rules
from tuneassist.spots import Meaning
from tuneassist.workflow import tune_changes, tune_history, tune_setup, tune_steps
from tuneassist.workflow.logs import reduce_logs

FileName = str | os.PathLike[str]


@dataclass(frozen=True, eq=False)
class TuneRound:
    """A round of a tune: the engine's response, the proposal, and whether to go on.

    Parameters
    ----------
    number
        Its number, from 1.
    folder
        Folder of its files.
    response
        The engine's response to the last change.
    proposal
        The proposal; after a halt it changes nothing.
    advice
        Whether to go on, and why.
    look
        Summary of the round.
    is_halt
        Whether the loop has halted: record the cause with `Tune.found`, or undo the round.
    """

    number: int
    folder: Path
    response: Response
    proposal: Proposal
    advice: Advice
    look: RoundSummary
    is_halt: bool

    def to_frame(self) -> pd.DataFrame:
        """Return the proposal's cells, as in ``cells.csv``."""
        return self.proposal.to_frame()

    def __repr__(self) -> str:
        """Show the response and what to do next; `proposal` has the rest."""
        return "\n".join([f"Round {self.number} in {inert(self.folder)}", *self._lines()])

    def _repr_html_(self) -> str:
        title = f"Round {self.number} in {self.folder}"
        shown = "" if self.is_halt else proposal_html(self.proposal)
        return page(title, sentences(line.strip() for line in self._lines()), shown)

    def _lines(self) -> list[str]:
        answer = f"  engine: {self.response.verdict}, {one_line(self.response.why)}"
        if self.is_halt:
            return [answer, "  halted: no further proposal until found() records the cause"]
        return [answer, f"  {self.advice.word}: {one_line(self.advice.why)}"]


@dataclass(frozen=True, eq=False)
class Standing:
    """The status of a tune.

    Parameters
    ----------
    path
        Its folder.
    looks
        Summary of each round, oldest first.
    advice
        Whether to go on, and why.
    controller_holds
        Name of the grid in the controller: "start", or that of its folder.
    proposed
        Name of the round whose proposal is pending; None without one.
    rejected
        Names of the rounds whose proposal was not loaded.
    is_halted
        Whether the loop has halted and waits for `Tune.found`.
    unsafe_held
        Changes in the unsafe direction that were held back in the last round; None if not recorded.
    to_load
        Name of the grid that was brought back and waits to be loaded; None without one.
    broken_rules
        Rules that grids or setups broke knowingly, with the reason, as text.
    """

    path: Path
    looks: tuple[RoundSummary, ...]
    advice: Advice
    controller_holds: str
    proposed: str | None
    rejected: tuple[str, ...]
    is_halted: bool
    unsafe_held: tuple[UnsafeHeld, ...] | None
    to_load: str | None = None
    broken_rules: tuple[str, ...] = ()

    def to_frame(self) -> pd.DataFrame:
        """Return one row per round: number, cells_seen, cells_inside, rms_pct, response ..."""
        return rounds_frame(self.looks)

    def __repr__(self) -> str:
        """Show the status on a few lines; `to_frame` has the rounds."""
        return "\n".join([f"Tune in {inert(self.path)}", *self._lines()])

    def _repr_html_(self) -> str:
        table = self.to_frame().round(3).to_html(index=False, border=1) if self.looks else ""
        return page(f"Tune in {self.path}", sentences(x.strip() for x in self._lines()), table)

    def _lines(self) -> list[str]:
        waits = f", {self.proposed} is proposed" if self.proposed else ""
        waits = f", {self.to_load} is to be loaded" if self.to_load else waits
        halted = ", halted" if self.is_halted else ""
        return [
            f"  {len(self.looks)} round(s); the controller holds {self.controller_holds}"
            f"{waits}{halted}",
            *(f"  rules broken knowingly: {one_line(words)}" for words in self.broken_rules),
            f"  {self.advice.word}: {one_line(self.advice.why)}",
        ]


@dataclass(frozen=True)
class Tune:
    """A tune in its folder: log, propose, load, log again.

    Each call locks the folder, does what the command of the same name does, and unlocks it.
    Commands and notebooks can therefore take turns on one tune.

    Parameters
    ----------
    path
        The folder; open it with `Tune.start` or `Tune.open`.

    Examples
    --------
    >>> import tempfile
    >>> import tuneassist
    >>> home = tempfile.TemporaryDirectory()
    >>> tune = tuneassist.Tune.start(
    ...     f"{home.name}/hatchback", setup="sample_logs/petrol-setup.toml"
    ... )
    >>> first = tune.add("sample_logs/petrol-session-1.csv")
    >>> first.number, first.is_halt, len(first.to_frame()) == tune.setup().axes.size
    (1, False, True)
    >>> tune.status().proposed
    'round-01'
    >>> tune.add("sample_logs/petrol-session-2.csv")
    Traceback (most recent call last):
    ...
    tuneassist.errors.InputError: the proposal of round 1 is neither accepted nor rejected. ...
    >>> tune.accept().controller_holds
    'round-01'
    >>> tune.undo().controller_holds, tune.reject().rejected
    ('start', ('round-01',))
    >>> home.cleanup()
    """

    path: Path

    @classmethod
    def start(cls, folder: FileName, *, setup: FileName, grid: FileName | None = None) -> Tune:
        """Start a tune in a new folder.

        Parameters
        ----------
        folder
            Missing or empty; its parent must exist.
        setup
            The car's setup file; a copy goes into the folder.
        grid
            File of the grid in the controller; None is all zeros.

        Raises
        ------
        InputError
            When setup or grid cannot be used, or the folder holds a tune.
        OutputError
            When the folder cannot be written, or holds other files.
        """
        held = None if grid is None else file_path(grid)
        return cls(tune_steps.start(file_path(folder), setup=file_path(setup), grid=held).path)

    @classmethod
    def open(cls, folder: FileName) -> Tune:
        """Open an existing tune.

        Parameters
        ----------
        folder
            The tune's folder.

        Raises
        ------
        InputError
            When the folder holds no tune, or it cannot be read.
        """
        path = file_path(folder)
        with open_tune(path, is_reading=True):
            return cls(path)

    def setup(self) -> Setup:
        """Read the tune's setup."""
        with open_tune(self.path, is_reading=True) as tune:
            return tune.setup

    def grid_in_force(self) -> Grid:
        """Read the grid that is in the controller, according to the history."""
        with open_tune(self.path, is_reading=True) as tune:
            return tune.grid(tune.state.current)

    def add(
        self,
        logs: FileName | Iterable[FileName] | None = None,
        *,
        spots: FileName | None = None,
        values: Meaning | None = None,
        strict: bool = False,
    ) -> TuneRound:
        """Add logs of the grid in the controller, and propose the next one.

        Parameters
        ----------
        logs
            One log file or several; None where there are ``spots`` alone.
        spots
            File of values found by hand with that grid; they count as holds.
        values
            Whether they are the "total" correction or a "change"; None takes the column's word.
        strict
            Raise when a log cannot be used, instead of setting it aside.

        Returns
        -------
        TuneRound
            A halt without a proposal if the engine did not answer as it should.

        Raises
        ------
        InputError
            When no round may be added now.
        LogError
            When no log can be used, or one is in the tune already.
        NoEvidenceError
            When the logs hold no evidence.
        """
        by_hand = None if spots is None else tune_steps.ByHand(file_path(spots), values)
        if logs is None and by_hand is not None:
            return _round(tune_steps.add(self.path, None, by_hand=by_hand))
        paths = _paths(() if logs is None else logs)

        def reduce(setup: Setup) -> LogsAtHand:
            return reduce_logs(paths, setup=setup, is_strict=strict)

        return _round(tune_steps.add(self.path, reduce, by_hand=by_hand))

    def accept(
        self,
        grid: FileName | None = None,
        *,
        despite: str | None = None,
        with_fuel: bool = True,
    ) -> Standing:
        """Record what is now in the controller.

        Parameters
        ----------
        grid
            File of the whole grid that was really loaded; None is the last proposal.
        despite
            Why a grid that breaks a rule was loaded all the same.
        with_fuel
            Whether a boost proposal's fuel to take away, where it has any, was typed in too.

        Raises
        ------
        RuleBreachError
            When the grid breaks a rule and no reason is given.
        """
        if grid is None and despite is None:
            return self._standing(tune_steps.step(self.path, "accept", with_fuel=with_fuel))
        if grid is None:
            raise InputError("a reason was given without a grid.", mend="Name the grid's file.")
        path = file_path(grid)
        return self._standing(
            tune_changes.load(self.path, path, despite=despite, with_fuel=with_fuel)
        )

    def restore(self, number: int, *, despite: str | None = None) -> Standing:
        """Write the grid that was loaded after a round as the one to load next.

        Parameters
        ----------
        number
            Of the round; 0 is the grid before the first.
        despite
            Why a grid that breaks a rule now is to be loaded all the same.

        Raises
        ------
        InputError
            When there is no such grid, or the loop has halted.
        RuleBreachError
            When the grid breaks a rule and no reason is given.
        """
        return self._standing(tune_changes.restore(self.path, number, despite=despite))

    def change_setup(self, setup: FileName, *, reason: str | None = None) -> Standing:
        """Put another target or other limits in force; a proposal that waits is evaluated again.

        Parameters
        ----------
        setup
            The new setup file. Axes, load, channels and what the grid acts on must stay.
        reason
            Why it is changed.

        Raises
        ------
        SetupError
            When the setup cannot be used, or would give the evidence another meaning.
        """
        done = tune_setup.change_setup(self.path, file_path(setup), reason=reason)
        return self._standing(done)

    def history(self) -> pd.DataFrame:
        """Return every step: number, time, kind, what, reason, breaches, controller_holds ..."""
        return pd.DataFrame([asdict(one) for one in tune_history.history(self.path)])

    def reject(self) -> Standing:
        """Record that the last proposal was not loaded; its evidence still counts."""
        return self._step("reject")

    def undo(self) -> Standing:
        """Undo the last step; nothing is deleted."""
        return self._step("undo")

    def found(self, answer: str) -> TuneRound | Standing:
        """Record what caused a halt, so that the loop can go on.

        Parameters
        ----------
        answer
            "not-loaded" or "fuel-changed", after which the round is evaluated again; "sign-mended",
            "loop-opened" or "wrong-log", after which it does not count.
        """
        came = tune_steps.found(self.path, answer)
        if isinstance(came, tune_steps.AddedRound):
            return _round(came)
        return self._standing(came)

    def status(self) -> Standing:
        """Return the status: every round, what is loaded and whether to go on."""
        return _standing(tune_steps.status(self.path))

    def _repr_html_(self) -> str:
        return self.status()._repr_html_()

    def _step(self, kind: Kind) -> Standing:
        return self._standing(tune_steps.step(self.path, kind))

    def _standing(self, done: tune_steps.StepDone) -> Standing:
        """Return the status; raise when the pending proposal must not be loaded."""
        if done.objection is not None:
            raise InputError(done.warning)
        return _standing(tune_steps.status_of(done.tune))


def _paths(logs: FileName | Iterable[FileName]) -> list[Path]:
    """Return the given log files as a list of paths."""
    if isinstance(logs, (str, os.PathLike)):
        return [file_path(logs, error=LogError)]
    mend = 'Give a log file, such as "session.csv", or a list of them.'
    if not isinstance(logs, Iterable):
        raise LogError("these are not log files.", mend=mend)
    found = [file_path(log, error=LogError) for log in logs]
    if not found:
        raise LogError("no log was given.", mend=mend)
    return found


def _round(came: tune_steps.AddedRound) -> TuneRound:
    evaluated = came.evaluated
    return TuneRound(
        number=evaluated.mark.number,
        folder=came.folder,
        response=evaluated.result.round.response,
        proposal=evaluated.shown,
        advice=evaluated.advice,
        look=evaluated.look,
        is_halt=evaluated.result.is_halt,
    )


def _standing(found: tune_steps.TuneStatus) -> Standing:
    proposed = found.state.rounds_with_outcome("proposed")
    return Standing(
        path=found.path,
        looks=found.looks,
        advice=found.advice,
        controller_holds=found.state.current,
        proposed=proposed[0] if proposed else None,
        rejected=found.state.rounds_with_outcome("rejected"),
        is_halted=found.state.is_halted,
        unsafe_held=found.held,
        to_load=found.state.to_load or None,
        broken_rules=broken_rules(found.state),
    )
