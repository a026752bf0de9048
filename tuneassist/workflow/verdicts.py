"""The verdict on a tune, a proposal or a proposal's folder, from what each of them holds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from tuneassist.files.result_reader import ResultFolder, read_result
from tuneassist.files.setup_file import read_setup
from tuneassist.files.tune_folder import TuneFolder
from tuneassist.files.tune_setup import SETUP
from tuneassist.inert import inert
from tuneassist.loop.advice import NO_LOGS, advice_in_force, summary_from_record
from tuneassist.loop.exceeded_ceilings import ExceededCeiling, exceeded_ceilings, exceeded_words
from tuneassist.loop.history import START, TuneState
from tuneassist.loop.history_changes import FUEL_FILE
from tuneassist.loop.verdict import Verdict, VerdictBasis, decide
from tuneassist.pipeline import LogEvidence, Proposal
from tuneassist.workflow import tune_rules

CHECK_AND_TYPE = "Check step.csv, then type the whole of {grid} into the controller."
"""What to do with a proposal that changes cells."""
CHECK_IF_ZEROS = (
    "Check step.csv. If the controller holds no corrections yet, type the whole of {grid} into it."
)
"""The same where the grid in force was taken as all zeros."""
MORE_HOLDS = (
    "No cell changes: resolve what holds steps back, log more holds where `tuneassist coverage` "
    "shows none, or finish."
)
"""What to do with a proposal that changes nothing."""


def verdict_of_proposal(proposal: Proposal, folder: Path, *, has_grid: bool = True) -> Verdict:
    """Return the verdict on a proposal that was written.

    Parameters
    ----------
    proposal
        The proposal.
    folder
        Its folder, as typed.
    has_grid
        Whether the grid in force was given; without it all zeros were assumed.
    """
    evidence, cells = proposal.evidence, proposal.cells
    basis = VerdictBasis(
        setup=proposal.setup,
        cells=cells,
        binding=proposal.limited.binding,
        exceeded=exceeded_ceilings(evidence.logs, proposal.setup),
        unusable={**evidence.set_aside, **evidence.unusable},
        less_fuel=int((cells["needs_less_fuel_pct"] > 0).sum()),
        action=_load_action(
            folder, has_step=bool((cells["step_pct"] != 0).any()), has_grid=has_grid
        ),
    )
    return decide(basis)


def basis_of_result(result: ResultFolder) -> VerdictBasis:
    """Return what the folder of a proposal says towards a verdict.

    Parameters
    ----------
    result
        The folder, read.
    """
    record = result.record
    has_step = bool((result.cells["step_pct"] != 0).any())
    return VerdictBasis(
        setup=result.setup,
        cells=result.cells,
        binding=result.binding,
        exceeded=_exceeded_of(record),
        unusable=_unusable_of(record),
        less_fuel=len(record.get("needs_less_fuel", ())),
        action=_load_action(result.path, has_step=has_step),
    )


def verdict_of_tune(tune: TuneFolder) -> Verdict:
    """Return the verdict on a tune as it stands.

    Parameters
    ----------
    tune
        The tune.
    """
    rounds = tune.state.rounds
    if not rounds:
        action = _log_action(tune)
        return decide(VerdictBasis(setup=tune.setup, advice=NO_LOGS, action=action))
    last = rounds[-1]
    return decide(basis_of_tune(tune, read_result(tune.path / last.name, known=dict(last.files))))


def basis_of_tune(tune: TuneFolder, last: ResultFolder) -> VerdictBasis:
    """Return what a tune says towards a verdict.

    Parameters
    ----------
    tune
        The tune.
    last
        The folder of its last round, read.
    """
    state = tune.state
    mark = state.rounds[-1]
    stored = tune.evidence(mark)
    look, advice = summary_from_record(dict(stored.summary))
    is_by_setup = mark.setup == state.setup
    advice = advice_in_force(
        advice,
        number=mark.number,
        is_by_setup_in_force=is_by_setup,
        is_of_grid_held=state.holds_what_was_logged,
    )
    has_step = bool((last.cells["step_pct"].fillna(0.0) != 0).any())
    return VerdictBasis(
        setup=tune.setup,
        cells=last.cells,
        binding=last.binding,
        advice=advice,
        look=look,
        outcome=state.outcome(mark),
        exceeded=exceeded_ceilings(stored.logs, tune.setup),
        exceeded_before=_exceeded_before(tune, stored.logs),
        broken=broken_in_force(tune),
        unusable={**_unusable_of(last.record), **stored.set_aside},
        less_fuel=len(last.record.get("needs_less_fuel", ())),
        action=_tune_action(tune, has_step=has_step, is_finished=advice.word == "finished"),
    )


def _exceeded_before(tune: TuneFolder, logs: Sequence[LogEvidence]) -> str:
    """Say which ceiling the last round exceeded by a setup that was changed since it was logged.

    A ceiling that is raised, or left out, does not make the reading safe.
    """
    last = tune.state.rounds[-1].number
    later = 0
    for event in tune.events:
        if event.kind == "add" and event.details.get("number") == last:
            later = 0
        later += event.kind == "setup"
    names = ["", *(one.name for one in tune.state.setups)]
    for name in names[max(len(names) - 1 - later, 0) : -1]:
        before = exceeded_ceilings(logs, read_setup(tune.path / name / SETUP))
        if before:
            words = exceeded_words(before).partition(". ")[0]
            return f"By the setup before it was changed, round {last} {words[0].lower()}{words[1:]}"
    return ""


def broken_in_force(tune: TuneFolder) -> tuple[str, ...]:
    """Return the rules that the grid in the controller, or the one that waits, breaks.

    Parameters
    ----------
    tune
        The tune.
    """
    state = tune.state
    found: list[str] = []
    for name in (state.current, state.to_load):
        entry = state.grid_entry(name)
        found += entry.breaches if entry else ()
    if not found and state.setups and state.setups[-1].breaches:
        found += tune_rules.breaches_in_itself(tune, tune.grid(state.current))
    return tuple(found)


def _tune_action(tune: TuneFolder, *, has_step: bool, is_finished: bool) -> str:
    """Return what to do next where no danger comes before it."""
    state, folder = tune.state, inert(tune.path)
    if state.is_halted:
        return f"Check the engine, then report it: tuneassist rounds found {folder} ANSWER"
    if state.is_pending and state.fuel_waits:
        return _fuel_action(tune, state.rounds[-1].name, has_step=has_step)
    if state.is_pending and not has_step:
        return f"Nothing to type in; close the round: tuneassist rounds accept {folder}"
    if state.is_pending and is_finished:
        return f"To leave out the last small step: tuneassist rounds reject {folder}"
    if state.is_pending:
        return f"Check step.csv. {_accept_action(tune, state.rounds[-1].name)}"
    return _free_action(tune, is_finished=is_finished)


def _free_action(tune: TuneFolder, *, is_finished: bool) -> str:
    """Return what to do next while no proposal waits."""
    state = tune.state
    if state.to_load:
        return _accept_action(tune, state.to_load)
    if is_finished:
        return "Prove it with full-load runs: tuneassist runs --before LOG --after LOG"
    return _log_action(tune)


def _accept_action(tune: TuneFolder, name: str) -> str:
    folder = inert(tune.path)
    grid = inert(tune.path / name / "grid.csv")
    return f"Type in the whole of {grid}, then: tuneassist rounds accept {folder}"


def _fuel_action(tune: TuneFolder, name: str, *, has_step: bool) -> str:
    """Return the next step where fuel is to be taken away beside the boost grid."""
    fuel = inert(tune.path / name / FUEL_FILE)
    both = f"{inert(tune.path / name / 'grid.csv')} and {fuel}" if has_step else fuel
    return f"Type in the whole of {both}, then: tuneassist rounds accept {inert(tune.path)}"


def _log_action(tune: TuneFolder) -> str:
    held = _grid_file(tune.state)
    return f"Log with {held} in the controller, then: tuneassist rounds add {inert(tune.path)} LOG"


def _grid_file(state: TuneState) -> str:
    return f"{START}-grid.csv" if state.current == START else f"{state.current}/grid.csv"


def _load_action(folder: Path, *, has_step: bool, has_grid: bool = True) -> str:
    if not has_step:
        return MORE_HOLDS
    words = CHECK_AND_TYPE if has_grid else CHECK_IF_ZEROS
    return words.format(grid=inert(folder / "grid.csv"))


def _unusable_of(record: Mapping[str, Any]) -> dict[str, str]:
    """Return the logs that a record says were set aside."""
    found: dict[str, str] = {}
    for name in ("set_aside", "logs_set_aside"):
        listed = record.get(name, {})
        if isinstance(listed, Mapping):
            found |= {str(log): str(why) for log, why in listed.items()}
    return found


def _exceeded_of(record: Mapping[str, Any]) -> tuple[ExceededCeiling, ...]:
    """Return the exceeded ceilings that a record holds; older records hold none."""
    return tuple(
        ExceededCeiling(
            channel=str(one.get("channel", "")),
            cells=int(one["cells"]),
            is_hard=bool(one.get("is_hard")),
            words=str(one["words"]),
            rpm=float(one["rpm"]),
            load=float(one["load"]),
        )
        for one in record.get("exceeded_ceilings", ())
    )
