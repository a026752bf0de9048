"""The steps of a tune. Each locks the folder, does one thing and returns the result.

The commands ``tuneassist rounds`` and `tuneassist.Tune` call them.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from tuneassist.correction import UnsafeHeld, unsafe_of_record, unsafe_record
from tuneassist.errors import InputError, LogError, TuneassistError
from tuneassist.files.json_file import take_words
from tuneassist.files.round_files import PUT_BACK, fingerprints
from tuneassist.files.round_verification import verify_round
from tuneassist.files.spot_file import read_spots
from tuneassist.files.tune_folder import TuneFolder, open_tune, start_tune
from tuneassist.loop.advice import (
    NO_LOGS,
    Advice,
    RoundSummary,
    advice_in_force,
    summary_from_record,
    with_broken_rules,
)
from tuneassist.loop.history import (
    REASSESSED_ANSWERS,
    WITH_FUEL,
    Event,
    Kind,
    RoundEntry,
    TuneState,
    require,
    round_details,
    round_name,
)
from tuneassist.loop.verdict import Verdict
from tuneassist.parallel import LogsAtHand
from tuneassist.reading import Log
from tuneassist.settings import Setup
from tuneassist.spots import Meaning, Spots, called, spots_evidence
from tuneassist.unit_sentences import restated_as_made
from tuneassist.workflow import round_evaluation, tune_rules
from tuneassist.workflow.grid_in_force import refuse_step_file
from tuneassist.workflow.logs import is_simulated, with_prefix
from tuneassist.workflow.round_evaluation import EvaluatedRound
from tuneassist.workflow.spots import free_name, require_meaning
from tuneassist.workflow.verdicts import verdict_of_tune

Reduce = Callable[[Setup], LogsAtHand]
"""Reads a round's logs with the tune's setup."""


@dataclass(frozen=True, eq=False)
class AddedRound:
    """A round that was added, or evaluated again after a halt.

    Parameters
    ----------
    tune
        The tune after the step.
    evaluated
        The round and its result.
    logs
        The logs as read; empty if the round was evaluated again.
    is_simulated
        Whether label or logs say that the data are simulated.
    """

    tune: TuneFolder
    evaluated: EvaluatedRound
    logs: tuple[Log, ...]
    is_simulated: bool

    @property
    def folder(self) -> Path:
        """The round's folder."""
        return self.tune.path / self.evaluated.mark.name

    @property
    def verdict(self) -> Verdict:
        """The verdict on the tune after the round."""
        return verdict_of_tune(self.tune)


@dataclass(frozen=True, eq=False)
class StepDone:
    """A step without logs, and the proposal that is pending after it.

    Parameters
    ----------
    tune
        The tune after the step.
    kind
        The kind of step.
    took_back
        The event that ``undo`` took back.
    was_held
        Name of the grid that was in the controller before.
    advice
        Advice of the round whose proposal is pending; None without one.
    has_step
        Whether the pending proposal changes a cell; True without one.
    objection
        Why the pending proposal must not be loaded; None if it may be.
    """

    tune: TuneFolder
    kind: Kind
    took_back: Event | None = None
    was_held: str = ""
    advice: Advice | None = None
    has_step: bool = True
    objection: TuneassistError | None = None

    @property
    def warning(self) -> str:
        """The message when the pending proposal must not be loaded, else empty."""
        if self.objection is None:
            return ""
        waits = "the pending proposal may not be loaded"
        return f"{self.kind} is done, but {waits}: {self.objection}"


@dataclass(frozen=True, eq=False)
class TuneStatus:
    """The status of a tune.

    Parameters
    ----------
    path
        Its folder.
    setup
        The car's setup.
    state
        Its state, from its history.
    looks
        Summary of each round, oldest first.
    advice
        Whether to go on, and why.
    has_step
        Whether the pending proposal changes a cell; True without one.
    held
        Changes in the unsafe direction that were held back in the last round; None if not recorded.
    verdict
        STOP, CHECK or GO ON, with the reason and the cells that matter.
    """

    path: Path
    setup: Setup
    state: TuneState
    looks: tuple[RoundSummary, ...]
    advice: Advice
    has_step: bool
    held: tuple[UnsafeHeld, ...] | None
    verdict: Verdict

    def _broken_rules(self) -> list[dict[str, Any]]:
        """Return what was loaded or set up although it breaks a rule, with the reasons."""
        state = self.state
        known = (*state.loaded, state.to_load)
        grids = [(g.name, g.despite, g.breaches) for g in state.grids if g.name in known]
        setups = [(s.name, s.reason, s.breaches) for s in state.setups]
        return [
            {"name": name, "despite": reason, "breaches": list(breaches)}
            for name, reason, breaches in (*grids, *setups)
            if breaches
        ]

    def record(self) -> dict[str, Any]:
        """Return the status as plain values, as ``rounds status --json`` prints it."""
        proposed = self.state.rounds_with_outcome("proposed")
        held = self.held
        return {
            "rounds": [asdict(look) for look in self.looks],
            "advice": self.advice.word,
            "why": self.advice.why,
            "check": self.advice.check,
            "controller_holds": self.state.current,
            "proposed": proposed[0] if proposed else None,
            "rejected": list(self.state.rounds_with_outcome("rejected")),
            "edited": list(self.state.rounds_with_outcome("edited")),
            "to_load": self.state.to_load or None,
            **({"fuel_taken_away_by": self.state.fuel} if self.state.fuel else {}),
            "setup": self.state.setup or None,
            "broken_rules": self._broken_rules(),
            **({"unsafe_step_held": None} if held is None else unsafe_record(held)),
            "verdict": self.verdict.record(),
        }


def start(folder: Path, *, setup: Path, grid: Path | None = None) -> TuneFolder:
    """Start a tune in a new folder.

    Parameters
    ----------
    folder
        Missing or empty.
    setup
        The setup's file.
    grid
        File of the grid in the controller; None is all zeros.

    Raises
    ------
    GridError
        When ``grid`` is the step of a proposal.
    TuneassistError
        What `tuneassist.files.tune_folder.start_tune` raises.
    """
    if grid is not None:
        refuse_step_file(grid)
    return start_tune(folder, setup=setup, grid=grid, time=now())


@dataclass(frozen=True)
class ByHand:
    """Values found by hand with what the controller holds now.

    Parameters
    ----------
    path
        A list of spots, or a grid with blanks.
    values
        As for `tuneassist.spots.Spots.meaning`; None takes the word of the column.
    """

    path: Path
    values: Meaning | None = None


def add(folder: Path, reduce: Reduce | None, *, by_hand: ByHand | None = None) -> AddedRound:
    """Add a round of logs: evaluate the engine's response first, then propose or halt.

    Parameters
    ----------
    folder
        The tune's folder.
    reduce
        Reads the logs; called while the folder is locked, once a round may be added. None without
        logs.
    by_hand
        Values found by hand, beside the logs or alone; None for none.

    Raises
    ------
    InputError
        When no round may be added now, or the folder holds no tune.
    LogError
        When a log cannot be used or is in the tune already.
    NoEvidenceError
        When the logs hold no evidence.
    """
    with open_tune(folder) as tune:
        require(tune.state, "add")
        number = tune.state.next_number
        tune.require_room(round_name(number))
        given = LogsAtHand([], {}) if reduce is None else reduce(tune.setup)
        found = with_prefix(round_name(number), given)
        read = tuple(one.log for one in found.used)
        _refuse_known({log.path: log.sha256 for log in read}, tune)
        spots = () if by_hand is None else (_read_by_hand(tune, by_hand, number, read),)
        simulated = is_simulated(read, tune.setup)
        earlier = tune.state.evidence
        mark = _mark(tune, number, (*read, *spots))
        evaluated = _evaluate(tune, found, mark, earlier, spots)
        contents = round_evaluation.round_contents(
            tune, evaluated, logs=read, earlier=earlier, is_simulated=simulated
        )
        tune.write_round(number, contents)
        mark = replace(evaluated.mark, files=fingerprints(contents))
        after = tune.record_event(Event("add", now(), round_details(mark)))
    return AddedRound(after, evaluated, read, simulated)


def step(folder: Path, kind: Kind, *, with_fuel: bool = True) -> StepDone:
    """Accept or reject what waits to be loaded, or undo the last step.

    Parameters
    ----------
    folder
        The tune's folder.
    kind
        "accept", "reject" or "undo".
    with_fuel
        Of ``accept``: whether the fuel to take away, where the proposal has it, was typed in too.

    Raises
    ------
    InputError
        When the step is not possible now, or the files to accept are not the ones proposed.
    """
    with open_tune(folder) as tune:
        require(tune.state, kind)
        if kind == "accept":
            require_fuel_waits(tune.state, with_fuel=with_fuel)
            verify_what_waits(tune)
        last, was_held = tune.state.last, tune.state.current
        details: dict[str, Any] = {}
        if kind == "accept" and with_fuel and tune.state.fuel_waits:
            details = {WITH_FUEL: True}
        if kind == "undo" and last is not None:
            details = {"took_back": last.kind, "of": last.time}
        after = _happened(tune, kind, details)
    return with_pending(StepDone(after, kind, took_back=last, was_held=was_held))


def require_fuel_waits(state: TuneState, *, with_fuel: bool) -> None:
    """Refuse to leave out fuel to take away where there is none.

    Parameters
    ----------
    state
        The state of the tune.
    with_fuel
        Whether fuel to take away, where the proposal has it, was typed in.

    Raises
    ------
    InputError
        When there is none to leave out.
    """
    if not with_fuel and not state.fuel_waits:
        raise InputError(
            "no proposal with fuel to take away waits, so there is none to leave out.",
            mend="Accept without --without-fuel (in Python: with_fuel=True).",
        )


def verify_what_waits(tune: TuneFolder) -> None:
    """Refuse a proposal, or a grid brought back, that must not be loaded.

    Parameters
    ----------
    tune
        The tune.

    Raises
    ------
    InputError
        When a file was changed, is missing or damaged.
    RuleBreachError
        When the grid breaks a rule that is in force now.
    """
    if tune.state.is_pending:
        verify_round(tune, tune.state.rounds[-1])
    else:
        tune_rules.verify_to_load(tune)


def found(folder: Path, answer: str) -> AddedRound | StepDone:
    """Record what caused a halt; after some answers the halted round is evaluated again.

    Parameters
    ----------
    folder
        The tune's folder.
    answer
        One of `tuneassist.loop.history.ANSWERS`.

    Raises
    ------
    InputError
        When the loop has not halted, or there is no such answer.
    """
    with open_tune(folder) as tune:
        require(tune.state, "found", answer=answer)
        if answer in REASSESSED_ANSWERS:
            return _evaluate_again(tune, answer)
        after = _happened(tune, "found", {"answer": answer})
    return with_pending(StepDone(after, "found"))


def status(folder: Path) -> TuneStatus:
    """Read the status of a tune and check every round against the history.

    Parameters
    ----------
    folder
        The tune's folder.
    """
    with open_tune(folder, is_reading=True) as tune:
        return status_of(tune)


def status_of(tune: TuneFolder) -> TuneStatus:
    """Return the status of a tune that is open.

    Parameters
    ----------
    tune
        The tune.

    Raises
    ------
    InputError
        When a round's files have changed.
    """
    rounds = tune.state.rounds
    for one in rounds:
        verify_round(tune, one)
    for brought_in in tune.state.grids:
        tune.grid(brought_in.name)
    seen = [stored_summary(tune, one) for one in rounds]
    is_pending = tune.state.is_pending
    return TuneStatus(
        tune.path,
        tune.setup,
        tune.state,
        looks=tuple(look for look, _ in seen),
        advice=last_advice(tune.state, seen[-1][1]) if seen else NO_LOGS,
        has_step=not is_pending or round_evaluation.changes_any_cell(tune, rounds[-1]),
        held=_held_in_last(tune),
        verdict=verdict_of_tune(tune),
    )


def stored_summary(tune: TuneFolder, mark: RoundEntry) -> tuple[RoundSummary, Advice]:
    """Return a round's summary and its advice, the words in the units to show."""
    look, advice = summary_from_record(dict(tune.evidence(mark).summary))
    return look, replace(advice, why=restated_as_made(advice.why, tune.setup))


def last_advice(state: TuneState, advice: Advice) -> Advice:
    """Return the advice after the last round, or why it no longer holds.

    Parameters
    ----------
    state
        The state of the tune.
    advice
        As given after the last round.
    """
    last, entry = state.rounds[-1], state.grid_entry(state.current)
    given = advice_in_force(
        advice,
        number=last.number,
        is_by_setup_in_force=last.setup == state.setup,
        is_of_grid_held=state.holds_what_was_logged,
    )
    return given if entry is None else with_broken_rules(given, entry.breaches)


def now() -> str:
    """Return the time as ISO 8601 in UTC, to the second."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def new_mark() -> str:
    """Return a new identity of a step's folder."""
    return secrets.token_hex(6)


def _read_by_hand(tune: TuneFolder, given: ByHand, number: int, logs: Sequence[Log]) -> Spots:
    """Read values found by hand, under a name of their own in the round."""
    held = tune.grid(tune.state.current)
    found = read_spots(given.path, setup=tune.setup, values=given.values)
    require_meaning(found, held)
    _refuse_known({given.path: found.sha256}, tune)
    return called(found, free_name(f"{round_name(number)}/{found.name}", [x.name for x in logs]))


def _mark(tune: TuneFolder, number: int, logs: Sequence[Log | Spots]) -> RoundEntry:
    """Return the entry of a round without its verdict."""
    return RoundEntry(
        number,
        new_mark(),
        tune.state.current,
        tuple((log.name, log.sha256) for log in logs),
        verdict="",
        is_halt=False,
        fuel=tune.state.fuel,
    )


def _evaluate(
    tune: TuneFolder,
    found: LogsAtHand,
    mark: RoundEntry,
    earlier: Sequence[RoundEntry],
    by_hand: Sequence[Spots],
) -> EvaluatedRound:
    held = tune.grid(mark.in_force)
    reduced = [one.evidence for one in found.used]
    reduced += [spots_evidence(one, setup=tune.setup, current=held) for one in by_hand]
    visits = round_evaluation.count_visits(reduced, tune.setup)
    with found.naming_unusable():
        evaluated = round_evaluation.evaluate_round(
            tune, reduced, mark=mark, earlier=earlier, visits=visits
        )
    return evaluated.beside(found.unusable)


def _refuse_known(hashes: Mapping[Path, str], tune: TuneFolder) -> None:
    """Refuse a log, or a list of spots, that the tune has already."""
    known = tune.state.known_logs()
    for path, sha256 in hashes.items():
        if sha256 in known:
            raise LogError(
                f"this log was added in {known[sha256]} already, byte for byte.",
                where=str(path),
                mend="Add each log once: evidence counted twice looks more certain than it is.",
            )


def _happened(tune: TuneFolder, kind: Kind, details: Mapping[str, Any]) -> TuneFolder:
    return tune.record_event(Event(kind, now(), details))


def _evaluate_again(tune: TuneFolder, answer: str) -> AddedRound:
    """Evaluate the halted round again with what the tuner has found."""
    halted = tune.state.rounds[-1]
    stored = tune.evidence(halted)
    as_read = round_evaluation.earlier_record(tune, halted)
    earlier: tuple[RoundEntry, ...] = tune.state.evidence
    mark = replace(halted, made=new_mark())
    if answer == "not-loaded":
        mark = replace(mark, in_force=tune.state.loaded[-2], fuel=tune.state.fuels[-2])
    else:
        earlier = ()
    evaluated = round_evaluation.evaluate_round(
        tune, stored.logs, mark=mark, earlier=earlier, visits=stored.visits
    ).beside(take_words(as_read, "set_aside"))
    simulated = bool(as_read.get("simulated", False))
    contents = round_evaluation.round_contents(
        tune, evaluated, logs=(), earlier=earlier, is_simulated=simulated, as_read=as_read
    )
    tune.write_round(mark.number, contents)
    made = replace(evaluated.mark, files=fingerprints(contents))
    after = _happened(tune, "found", {"answer": answer, **round_details(made)})
    return AddedRound(after, evaluated, (), simulated)


def with_pending(done: StepDone) -> StepDone:
    """Add what is known about the pending proposal; the step itself is done in any case.

    Parameters
    ----------
    done
        The step.
    """
    tune = done.tune
    if tune.state.to_load:
        return _with_restored(done)
    if not tune.state.is_pending:
        return done
    last = tune.state.rounds[-1]
    if not tune.files(last).folder.is_dir():  # reported by the step that needs it
        return done
    try:
        verify_round(tune, last)
    except TuneassistError as error:
        return replace(done, objection=error)
    advice = stored_summary(tune, last)[1]
    return replace(done, advice=advice, has_step=round_evaluation.changes_any_cell(tune, last))


def _with_restored(done: StepDone) -> StepDone:
    """Say why a grid that was brought back may not be loaded, where that is so."""
    if not (done.tune.path / done.tune.state.to_load).is_dir():
        return done  # reported by the step that needs it
    try:
        tune_rules.verify_to_load(done.tune)
    except TuneassistError as error:
        return replace(done, objection=error)
    return done


def _held_in_last(tune: TuneFolder) -> tuple[UnsafeHeld, ...] | None:
    """Return what was held back in the unsafe direction in the last round; None if not recorded."""
    if not tune.state.rounds:
        return ()
    last = tune.state.rounds[-1]
    try:
        return unsafe_of_record(dict(tune.evidence(last).summary))
    except ValueError as error:
        if isinstance(error, InputError):
            raise
        raise InputError(
            f"the evidence kept of this round cannot be read: {error}.",
            where=str(tune.path / last.name),
            mend=PUT_BACK,
        ) from error
