"""One round of the loop: assess the answer to the last change, pool, then propose or halt."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from tuneassist.correction import LimitedStep
from tuneassist.errors import NoEvidenceError
from tuneassist.evidence.duplicate_holds import is_original
from tuneassist.evidence.repeats import said_once
from tuneassist.grid import Grid
from tuneassist.loop.held_then import acting_on_lambda
from tuneassist.loop.pooling import Round, pool_rounds
from tuneassist.loop.response import (
    Response,
    ResponseSettings,
    measure_response,
    moving_readings,
)
from tuneassist.one_log import is_by_hand
from tuneassist.pipeline import (
    Evidence,
    LogEvidence,
    Proposal,
    cells_with_boost,
    gather,
    no_evidence_words,
    propose_on,
    raw_step,
    with_total_need,
)
from tuneassist.settings import CorrectionSettings, Setup
from tuneassist.spots import overruled_notes
from tuneassist.threads import on_one_thread

FOUND_BY_HAND = (
    "values found by hand do not show whether the grid in the controller acts: log a session"
)
"""Why a round of such values alone measures no response."""


@dataclass(frozen=True, eq=False)
class RoundResult:
    """The result of a new round.

    Parameters
    ----------
    round
        The round, with its response; without the logs that were set aside.
    proposal
        The next step; all zeros after a halt.
    set_aside
        Logs of this round set aside, with the reason.
    """

    round: Round
    proposal: Proposal
    set_aside: dict[str, str]

    @property
    def is_halt(self) -> bool:
        """Whether the loop must stop until the tuner has found the cause."""
        return self.round.response.is_halt


@on_one_thread
def add_round(
    earlier: Sequence[Round],
    logs: Sequence[LogEvidence],
    *,
    setup: Setup,
    current: Grid,
    fuel: Grid | None = None,
    settings: ResponseSettings | None = None,
) -> RoundResult:
    """Assess a new round and propose the next step on the evidence of all rounds.

    Parameters
    ----------
    earlier
        The rounds that count, oldest first.
    logs
        Evidence of the new logs.
    setup
        The car's setup.
    current
        The grid that the controller held while the logs were recorded, as stated.
    fuel
        What was taken from the fuel beside a boost grid then, as stated; None is nothing.
    settings
        Thresholds of the response; None takes the defaults.

    Returns
    -------
    RoundResult
        After a halt the new round's evidence is kept but nothing is proposed, and the cells show
        what that round measured by itself.

    Raises
    ------
    NoEvidenceError
        When the new logs have no usable evidence.
    RuleBreachError
        When the checker finds a breach.
    """
    if all(log.holds.empty and (log.blocks is None or log.blocks.empty) for log in logs):
        fates = pd.concat([log.fates for log in logs], axis=1).sum(axis=1)
        raise NoEvidenceError(no_evidence_words(fates, logs))
    number = max((one.number for one in earlier), default=0) + 1
    kept, set_aside = tuple(logs), dict[str, str]()
    response = Response("first round", "there is no earlier round to compare with")
    acting = acting_on_lambda(current, fuel)
    if earlier:
        last = earlier[-1]
        known = pool_rounds(earlier, setup=setup, current=last.in_force, fuel=last.fuel)
        kept, set_aside = _of_this_engine(
            known, logs, before=last.acting, now=acting, setup=setup, settings=settings
        )
        response = _respond(
            known, kept, before=last.acting, now=acting, setup=setup, settings=settings
        )
    made = Round(number, kept, current, response, fuel)
    if response.is_halt:
        # this round contradicts what the earlier rounds predict, so it is shown alone
        seen = gather(kept, setup=setup, current=acting)
        return RoundResult(made, _nothing(seen, response, setup, current), set_aside)
    evidence = pool_rounds([*earlier, made], setup=setup, current=current, fuel=fuel)
    notes = (
        *(f"log {name} was set aside: {why}" for name, why in set_aside.items()),
        *_overruled(evidence, setup),
    )
    names = [log.name for log in logs]
    evidence = replace(evidence, notes=(*evidence.notes, *said_once(notes, names)))
    paced = replace(setup, correction=_paced(setup, response))
    return RoundResult(
        made, propose_on(evidence, setup=paced, current=current, fuel=fuel), set_aside
    )


def _overruled(evidence: Evidence, setup: Setup) -> tuple[str, ...]:
    """Name the values found by hand that the map overrules."""
    if evidence.fit is None:
        return ()
    used = evidence.holds[evidence.holds["is_used"]]
    return overruled_notes(used, evidence.fit.left_out_residual, setup.axes)


def _respond(
    known: Evidence,
    logs: Sequence[LogEvidence],
    *,
    before: Grid,
    now: Grid,
    setup: Setup,
    settings: ResponseSettings | None,
) -> Response:
    acts_on = setup.correction.acts_on
    logged = [log for log in logs if not is_by_hand(log)]
    if not logged:
        return Response("cannot tell", FOUND_BY_HAND)
    holds = with_total_need(
        pd.concat([log.holds for log in logged], ignore_index=True), now, acts_on=acts_on
    )
    own = holds[is_original(holds)]
    if own["stop"].eq("").sum() < (settings or ResponseSettings()).min_holds:
        own = pd.concat([own, moving_readings(logged, setup.axes)], ignore_index=True)
    return measure_response(known, own, before=before, now=now, setup=setup, settings=settings)


def _of_this_engine(
    known: Evidence,
    logs: Sequence[LogEvidence],
    *,
    before: Grid,
    now: Grid,
    setup: Setup,
    settings: ResponseSettings | None,
) -> tuple[tuple[LogEvidence, ...], dict[str, str]]:
    """Set logs aside that contradict the earlier rounds where the round's other logs do not."""
    if sum(not is_by_hand(log) for log in logs) < 2:
        return tuple(logs), {}
    verdicts = [
        _respond(known, [log], before=before, now=now, setup=setup, settings=settings)
        for log in logs
    ]
    bad = [answer.is_halt for answer in verdicts]
    if all(bad) or not any(bad) or sum(bad) * 2 > len(bad):
        return tuple(logs), {}
    kept = tuple(log for log, is_bad in zip(logs, bad, strict=True) if not is_bad)
    aside = {
        log.name: answer.why for log, answer in zip(logs, verdicts, strict=True) if answer.is_halt
    }
    return kept, aside


def _paced(setup: Setup, response: Response) -> CorrectionSettings:
    """The gain for the measured response: half the response takes twice the gain."""
    low, high = response.response_low, response.response_high
    if not np.isfinite(response.response) or low <= 1.0 <= high:
        return setup.correction
    pace = float(np.clip(response.response, SLOWEST, FASTEST))
    return replace(setup.correction, gain=setup.correction.gain / pace)


#: Responses beyond these change the gain no further. [1]
SLOWEST, FASTEST = 0.7, 1.5


def _nothing(evidence: Evidence, response: Response, setup: Setup, current: Grid) -> Proposal:
    """Propose no change, and give the halt as every cell's reason."""
    cells = raw_step(evidence.cells, setup).assign(raw_pct=0.0)
    nothing = np.zeros(setup.axes.size)
    limited = LimitedStep(
        grid=current,
        step_pct=nothing,
        reasons=tuple(f"no change: the loop has halted, {response.verdict}" for _ in nothing),
        needs_less_fuel_pct=nothing,
        held_back=(),
        projected=current.flat(),
        source=cells,
    )
    halted = replace(evidence, notes=(*evidence.notes, f"halted: {response.why}"))
    return Proposal(setup, current, halted, limited, cells_with_boost(limited, setup, None))
