"""Notes and doubts of a proposal as sentences, without repeats."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

import pandas as pd

from tuneassist.correction import UnsafeHeld
from tuneassist.evidence.repeats import said_once, unusable_notes
from tuneassist.inert import one_line
from tuneassist.one_log import is_by_hand
from tuneassist.pipeline import Evidence, LogEvidence, Proposal
from tuneassist.reading import Log
from tuneassist.reading.columns import AFR_CONVERTED
from tuneassist.settings import Setup
from tuneassist.show.display import counted, signed

PLACES = 6
"""Cells named in one sentence. [1]"""
EXAMPLES = 3
"""Cells named per rule. [1]"""
REASONS = 3
"""Reasons named in one sentence. [1]"""


def proposal_notes(proposal: Proposal, logs: Sequence[Log]) -> tuple[str, ...]:
    """Collect the notes about reading, about each log and about the fit."""
    names = [*(log.name for log in logs), *(log.name for log in proposal.evidence.logs)]
    notes = [(log.name, note) for log in logs for note in log.notes]
    notes += [
        (log.name, f"{counted(count, 'row')} dropped: {reason}")
        for log in logs
        for reason, count in log.dropped
    ]
    notes += [(log.name, note) for log in proposal.evidence.logs for note in _log_doubts(log)]
    evidence = proposal.evidence
    aside = unusable_notes(evidence.unusable, [log.name for log in evidence.logs])
    return (
        *aside,
        *said_once([f"{name}: {one_line(note)}" for name, note in notes], names),
        *(note for note in evidence.notes if note not in aside),
        *_stop_doubts(proposal.cells, proposal.setup),
    )


def proposal_doubts(proposal: Proposal, logs: Sequence[Log]) -> tuple[str, ...]:
    """Collect what a quiet run must print too: unsafe steps held back, and every doubt.

    The note on a conversion requested in the setup is not a doubt.
    """
    held = unsafe_words(proposal.unsafe_held, proposal.setup)
    notes = (note for note in proposal_notes(proposal, logs) if AFR_CONVERTED not in note)
    return (*([held] if held else []), *notes)


def logs_words(evidence: Evidence) -> str:
    """Describe how many logs were used, and of how many if some were unusable."""
    used = sum(not is_by_hand(log) for log in evidence.logs)
    unusable = len(evidence.unusable)
    if evidence.logs and not used + unusable:
        return "values found by hand"
    return f"{used} of {counted(used + unusable, 'log')}" if unusable else counted(used, "log")


def unsafe_words(held: Sequence[UnsafeHeld], setup: Setup) -> str:
    """Describe how many unsafe steps were held back and why; empty if none."""
    if not held:
        return ""
    counts = Counter(why for one in held for why in one.why).most_common()
    reasons = [f"{in_brief(why)} ({counted(count, 'cell')})" for why, count in counts]
    if len(reasons) == 1:  # the sentence starts with the number
        reasons = [in_brief(why) for why, _ in counts]
    if len(reasons) > REASONS:
        reasons[REASONS:] = [f"and {counted(len(reasons) - REASONS, 'more reason')}"]
    text = "; ".join(reasons)
    cells = counted(len(held), "cell")
    return f"{cells} held back from {_unsafe_way(setup)}, the unsafe way, by: {text}"


def in_brief(why: str) -> str:
    """Cut a doubt to its first sentence; the notes have all of it.

    Examples
    --------
    >>> in_brief("a doubt (the sensor seems dead. Log again)")
    'a doubt (the sensor seems dead)'
    >>> in_brief("the largest step (15 %)")
    'the largest step (15 %)'
    """
    first, dot, _ = why.partition(". ")
    return f"{first})" if dot and first.count("(") > first.count(")") else first


def held_by_rule(binding: pd.DataFrame) -> list[tuple[str, pd.DataFrame]]:
    """Return each rule with the cells that it held back, the rule with most cells first.

    A cell that both of its neighbours hold is one cell, where it lost most.

    Parameters
    ----------
    binding
        What the rules held back: ``rule, rpm, load, would_have_got_pct, got_pct``. [%]
    """
    cells = _by_loss(binding).drop_duplicates(["rule", "rpm", "load"]).sort_index()
    groups = [(str(rule), group) for rule, group in cells.groupby("rule")]
    return sorted(groups, key=lambda item: len(item[1]), reverse=True)


def most_affected(group: pd.DataFrame, setup: Setup) -> list[str]:
    """Return the cells that a rule reduced most, each with the step before and after.

    Parameters
    ----------
    group
        What one rule held back: ``rpm, load, would_have_got_pct, got_pct``. [%]
    setup
        For the unit of load.
    """
    first = _by_loss(group).head(EXAMPLES)
    return [
        f"{rpm:g} rpm, {load:g} {setup.axes.load_unit}: "
        f"{signed(before, wide=True)} became {signed(after, wide=True)}"
        for rpm, load, before, after in zip(
            first["rpm"], first["load"], first["would_have_got_pct"], first["got_pct"], strict=True
        )
    ]


def first_reason(group: pd.DataFrame) -> str:
    """Return the rule's reason at the cell that it reduced most."""
    return str(_by_loss(group)["words"].iloc[0])


def _by_loss(group: pd.DataFrame) -> pd.DataFrame:
    lost = (group["would_have_got_pct"] - group["got_pct"]).abs()
    return group.loc[lost.sort_values(ascending=False, kind="stable").index]


def _unsafe_way(setup: Setup) -> str:
    """Name the unsafe step for this engine."""
    if setup.correction.acts_on == "boost":
        return "more air"
    return "less fuel" if setup.engine.ignition == "spark" else "more fuel"


def _stop_doubts(cells: pd.DataFrame, setup: Setup) -> Iterator[str]:
    """Name the cells known only from a sensor or trim at its limit."""
    unit = setup.axes.load_unit
    for column, words in (("ci_low_pct", "leaner"), ("ci_high_pct", "richer")):
        rows = cells[cells["deviation_pct"].isna() & cells[column].notna()]
        first = rows.head(PLACES)
        places = [
            f"{rpm:g} rpm, {load:g} {unit} ({words} than {signed(bound, wide=True)} %)"
            for rpm, load, bound in zip(first["rpm"], first["load"], first[column], strict=True)
        ]
        if len(rows) > PLACES:
            places.append(f"and {len(rows) - PLACES} more")
        if places:
            yield (
                f"sensor or trim at its limit, {words} than it can show and not corrected: "
                f"{'; '.join(places)}"
            )


def _log_doubts(log: LogEvidence) -> Iterator[str]:
    if log.delay.source == "default":
        yield f"the lambda delay is the default {log.delay.delay_s:.2f} s: {log.delay.why}"
    if log.settling.source == "default":
        yield f"the settling time is the default {log.settling.settle_s:.1f} s: {log.settling.why}"
    if log.refresh.is_polled:
        yield "the logger repeats old values; only new ones count"
