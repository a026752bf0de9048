"""Evaluate a round of a tune, and make the contents of its folder."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from tuneassist.correction import unsafe_record
from tuneassist.files.grid_file import write_grid_text
from tuneassist.files.json_file import parse_record
from tuneassist.files.plan_section import read_plan_settings
from tuneassist.files.round_evidence import StoredEvidence, evidence_contents, response_record
from tuneassist.files.round_files import PUT_BACK
from tuneassist.files.serialise import sha256_of, stable_json
from tuneassist.files.tune_folder import TuneFolder
from tuneassist.files.tune_setup import TARGET
from tuneassist.grid import Grid
from tuneassist.loop.advice import (
    Advice,
    RoundSummary,
    advise,
    summarise_round,
    summary_from_record,
    summary_record,
)
from tuneassist.loop.exceeded_ceilings import exceeded_ceilings
from tuneassist.loop.history import RoundEntry
from tuneassist.loop.rounds import RoundResult, add_round
from tuneassist.one_log import is_by_hand
from tuneassist.pipeline import LogEvidence, Proposal
from tuneassist.reading import Log
from tuneassist.settings import Setup
from tuneassist.show.rounds import grid_name
from tuneassist.workflow.proposal_files import InputFile, proposal_contents


@dataclass(frozen=True, eq=False)
class EvaluatedRound:
    """A round, its result, and what to do next.

    Parameters
    ----------
    mark
        The round's entry in the history.
    result
        The engine's response and the proposal.
    logs
        Evidence of each of its logs, including those set aside.
    visits
        Samples nearest to each breakpoint. [1]
    look, advice
        Summary of the round, and whether to go on.
    """

    mark: RoundEntry
    result: RoundResult
    logs: tuple[LogEvidence, ...]
    visits: Grid
    look: RoundSummary
    advice: Advice

    def beside(self, unusable: Mapping[str, str]) -> EvaluatedRound:
        """Return the same round, with the logs that could not be used.

        Parameters
        ----------
        unusable
            Why each was set aside, by name.
        """
        made = self.result.proposal.beside(unusable)
        return replace(self, result=replace(self.result, proposal=made))

    @property
    def shown(self) -> Proposal:
        """The proposal with the logs and holds of this round only, for screens and records."""
        evidence = self.result.proposal.evidence
        own = replace(
            evidence,
            logs=self.logs,
            holds=pd.concat([log.holds for log in self.logs], ignore_index=True),
            set_aside={**evidence.set_aside, **self.result.set_aside},
        )
        return replace(self.result.proposal, evidence=own)


def evaluate_round(
    tune: TuneFolder,
    logs: Sequence[LogEvidence],
    *,
    mark: RoundEntry,
    earlier: Sequence[RoundEntry],
    visits: Grid,
) -> EvaluatedRound:
    """Evaluate a round with the ones before it, and propose the next step.

    Parameters
    ----------
    tune
        The tune.
    logs
        Evidence of the round's logs.
    mark
        The round's entry without its verdict.
    earlier
        Earlier rounds that count.
    visits
        Samples nearest to each breakpoint. [1]
    """
    setup, current = tune.setup, tune.grid(mark.in_force)
    fuel = tune.fuel(mark.fuel)
    result = add_round(tune.rounds(earlier), logs, setup=setup, current=current, fuel=fuel)
    result = replace(result, round=replace(result.round, number=mark.number))
    response = result.round.response
    look = summarise_round(mark.number, result.proposal.cells, response, setup=setup)
    before = None  # figures by another target do not compare
    if earlier and earlier[-1].setup == tune.state.setup:
        before = summary_from_record(dict(tune.evidence(earlier[-1]).summary))[0]
    advice = advise(
        result.proposal.cells,
        response,
        setup=setup,
        now=look,
        before=before,
        plan=read_plan_settings(tune.setup_path),
        exceeded=exceeded_ceilings(logs, setup),
    )
    evaluated = replace(mark, verdict=response.verdict, is_halt=result.is_halt)
    return EvaluatedRound(evaluated, result, tuple(logs), visits, look, advice)


def round_contents(
    tune: TuneFolder,
    evaluated: EvaluatedRound,
    *,
    logs: Sequence[Log],
    earlier: Sequence[RoundEntry],
    is_simulated: bool,
    as_read: Mapping[str, Any] | None = None,
) -> dict[str, str]:
    """Return the contents of a round's folder by file name.

    Parameters
    ----------
    tune
        The tune.
    evaluated
        The round.
    logs
        The logs as read; empty when the round is evaluated again.
    earlier
        Earlier rounds that it is based on.
    is_simulated
        Whether label or logs say that the data are simulated.
    as_read
        The earlier ``proposal.json`` of a round that is evaluated again, for its record of reading.
    """
    contents = proposal_contents(
        evaluated.shown,
        logs=logs,
        inputs=_inputs(tune, evaluated, earlier),
        in_force=grid_name(evaluated.mark.in_force),
        is_simulated=is_simulated,
        has_halted=evaluated.result.is_halt,
        as_read=() if as_read is None else as_read.get("logs", ()),
    )
    record = json.loads(contents["proposal.json"])
    if as_read is not None:
        record["logs"] = as_read.get("logs", [])
    if evaluated.result.is_halt:
        record["checked"] = "nothing was changed: the loop has halted"
    record["round"] = round_record(evaluated, [one.name for one in earlier])
    contents["proposal.json"] = stable_json(record)
    stored = StoredEvidence(
        made=evaluated.mark.made,
        logs=evaluated.logs,
        set_aside=evaluated.result.set_aside,
        response=evaluated.result.round.response,
        summary={
            **summary_record(evaluated.look, evaluated.advice),
            **unsafe_record(evaluated.shown.unsafe_held),
        },
        visits=evaluated.visits,
    )
    in_force = write_grid_text(evaluated.result.round.in_force)
    return {**contents, "in-force.csv": in_force, **evidence_contents(stored, tune.setup.axes)}


def round_record(evaluated: EvaluatedRound, earlier: Sequence[str]) -> dict[str, Any]:
    """Return the ``round`` section of ``proposal.json``.

    Parameters
    ----------
    evaluated
        The round.
    earlier
        Names of the rounds that it is based on.
    """
    return {
        "number": evaluated.mark.number,
        "in_force": evaluated.mark.in_force,
        "rests_on": [*earlier, *([] if evaluated.result.is_halt else [evaluated.mark.name])],
        "response": response_record(evaluated.result.round.response),
        "logs_set_aside": dict(evaluated.result.set_aside),
        "advice": evaluated.advice.word,
        "why": evaluated.advice.why,
        "check": evaluated.advice.check,
    }


def _inputs(
    tune: TuneFolder, evaluated: EvaluatedRound, earlier: Sequence[RoundEntry]
) -> list[InputFile]:
    """Return every file that a round is based on, with its hash."""
    mark, paths = evaluated.mark, [("setup", tune.setup_path)]
    by_hand = {log.name for log in evaluated.logs if is_by_hand(log)}
    if (target := tune.setup_path.with_name(TARGET)).exists():
        paths.append(("target", target))
    paths.append(("grid", tune.grid_path(mark.in_force)))
    paths += [("evidence", tune.path / one.name / "holds.csv") for one in earlier]
    files = [
        InputFile(role, path.relative_to(tune.path).as_posix(), sha256_of(path))
        for role, path in paths
    ]
    return [
        *files,
        *(InputFile("spots" if n in by_hand else "log", n, sha256) for n, sha256 in mark.logs),
    ]


def count_visits(logs: Sequence[LogEvidence], setup: Setup) -> Grid:
    """Count the samples nearest to each breakpoint, including moves.

    Parameters
    ----------
    logs
        The reduced logs.
    setup
        The car's setup.
    """
    seen = np.zeros(setup.axes.size)
    for log in logs:
        seen += 0 if log.visits is None else log.visits
    return Grid(setup.axes, seen.reshape(setup.axes.shape))


def earlier_record(tune: TuneFolder, mark: RoundEntry) -> Mapping[str, Any]:
    """Read the ``proposal.json`` of a round.

    Parameters
    ----------
    tune
        The tune.
    mark
        The round.
    """
    files = tune.files(mark)
    where = str(files.folder / "proposal.json")
    return parse_record(files.read("proposal.json"), where=where, mend=PUT_BACK)


def changes_any_cell(tune: TuneFolder, mark: RoundEntry) -> bool:
    """Return whether a round proposed a change.

    Parameters
    ----------
    tune
        The tune.
    mark
        The round.
    """
    step = tune.files(mark).grid("step.csv", tune.setup.axes)
    return bool((np.nan_to_num(step.values) != 0).any())
