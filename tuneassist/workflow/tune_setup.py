"""Another target or other limits in the middle of a tune, as a step of its history."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from tuneassist.files.json_file import take_words
from tuneassist.files.round_files import fingerprints
from tuneassist.files.serialise import stable_json
from tuneassist.files.setup_file import SetupFiles, read_setup_files, setup_of
from tuneassist.files.tune_folder import TuneFolder, open_tune
from tuneassist.files.tune_layout import CHANGE
from tuneassist.files.tune_setup import (
    SETUP,
    evidence_fingerprint,
    refuse_other_meaning,
    setup_copies,
)
from tuneassist.inert import NAME_LENGTH, one_line
from tuneassist.loop.history import Event, require, round_details
from tuneassist.loop.history_changes import SETUP_CHANGE, SetupEntry, change_details
from tuneassist.workflow import round_evaluation
from tuneassist.workflow.round_evaluation import EvaluatedRound
from tuneassist.workflow.tune_rules import breaches_in_itself, checked_reason, named
from tuneassist.workflow.tune_steps import StepDone, new_mark, now, with_pending


def change_setup(folder: Path, setup: Path, *, reason: str | None = None) -> StepDone:
    """Put another setup in force; a proposal that waits is evaluated again.

    Parameters
    ----------
    folder
        The tune's folder.
    setup
        The new setup's file. Only target, limits, gains, label and plan may differ from the one in
        force: the evidence stays, and counts from the new target.
    reason
        Why it is changed.

    Raises
    ------
    SetupError
        When the setup cannot be used, or would give the evidence another meaning.
    InputError
        When the loop has halted, or the reason cannot be used.
    RuleBreachError
        When the checker objects to the proposal under the new setup; nothing is changed.
    """
    words = checked_reason(reason)
    with open_tune(folder) as tune:
        require(tune.state, "setup")
        read = read_setup_files(setup)
        car = setup_of(read)
        refuse_other_meaning(tune.setup, car)
        entry = SetupEntry(
            name=tune.state.next_name(SETUP_CHANGE),
            made=new_mark(),
            rests_on=evidence_fingerprint(read),
            source=one_line(setup.name, NAME_LENGTH),
            reason=words,
        )
        tune.require_room(entry.name)
        changed = replace(
            tune,
            setup=car,
            setup_path=setup,
            state=replace(tune.state, setups=(*tune.state.setups, entry)),
        )
        broken = breaches_in_itself(changed, tune.grid(tune.state.current))
        entry = replace(entry, breaches=named(broken))
        evaluated = _evaluated(tune, changed) if tune.state.is_pending else None
        _write_setup(tune, entry, read, broken)
        details = {"change": change_details(entry)}
        if evaluated is not None:
            placed = replace(changed, setup_path=folder / entry.name / SETUP)
            details |= _write_again(tune, placed, evaluated)
        after = tune.record_event(Event("setup", now(), details))
    return with_pending(StepDone(after, "setup", was_held=tune.state.current))


def _evaluated(tune: TuneFolder, changed: TuneFolder) -> EvaluatedRound:
    """Evaluate the round whose proposal waits by the changed setup."""
    waits = tune.state.rounds[-1]
    stored = changed.evidence(waits)
    as_read = round_evaluation.earlier_record(tune, waits)
    return round_evaluation.evaluate_round(
        changed,
        stored.logs,
        mark=replace(waits, made=new_mark(), setup=changed.state.setup),
        earlier=tune.state.evidence[:-1],
        visits=stored.visits,
    ).beside(take_words(as_read, "set_aside"))


def _write_again(
    tune: TuneFolder, changed: TuneFolder, evaluated: EvaluatedRound
) -> dict[str, Any]:
    """Write the round anew, and return its details."""
    as_read = round_evaluation.earlier_record(tune, tune.state.rounds[-1])
    contents = round_evaluation.round_contents(
        changed,
        evaluated,
        logs=(),
        earlier=tune.state.evidence[:-1],
        is_simulated=bool(as_read.get("simulated", False)),
        as_read=as_read,
    )
    tune.write_round(evaluated.mark.number, contents)
    return round_details(replace(evaluated.mark, files=fingerprints(contents)))


def _write_setup(
    tune: TuneFolder, entry: SetupEntry, read: SetupFiles, broken: tuple[str, ...]
) -> None:
    record = {
        "made": entry.made,
        "source": entry.source,
        "reason": entry.reason,
        "breaches": list(broken),
    }
    tune.write_folder(entry.name, {**setup_copies(read), CHANGE: stable_json(record)})
