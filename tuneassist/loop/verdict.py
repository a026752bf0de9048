"""The verdict on a tune or a proposal: STOP, CHECK or GO ON, why, where, and what to do next.

Screens, JSON and the report page show this one object, so that they cannot disagree.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd

from tuneassist.correction.cell_readings import in_boost
from tuneassist.loop.advice import Advice, AdviceSettings, RoundSummary, miss_pct
from tuneassist.loop.exceeded_ceilings import ExceededCeiling, exceeded_words
from tuneassist.loop.history import ProposalOutcome
from tuneassist.settings import Setup

VerdictWord = Literal["STOP", "CHECK", "GO ON"]
MOST_CELLS = 3
"""Cells that a verdict names. [1]"""
ROUNDING = "resolution_pct"
"""The rule that rounds a step; it does not hold a cell back."""
BARRED = "unsafe_step_barred"
"""The rule that holds steps the unsafe way where the logs leave a doubt."""
STEP_WAS: Mapping[str, str] = {
    "accepted": "the step of {} was loaded",
    "edited": "the step of {} was loaded with edits by hand",
    "rejected": "the step of {} was not loaded",
}
"""What became of a step that waits no more."""
_KNOWN = ("low", "fair", "good")
STILL_LEAN_PCT = 2.0
"""A step that leaves a spark engine so much leaner than target in boost is a doubt: twice the
tolerance of a tune, about what a wideband sensor may be off; common practice, no source. [%]"""


@dataclass(frozen=True)
class NotedCell:
    """A cell that matters: its place, in rpm and the unit of load, and why."""

    rpm: float
    load: float
    why: str


@dataclass(frozen=True)
class Verdict:
    """The verdict.

    Parameters
    ----------
    word
        "STOP" for a danger or a halt, "CHECK" for a doubt, else "GO ON".
    reason
        One sentence.
    cells
        At most `MOST_CELLS`, those that matter most first.
    action
        What to do next: one command or one deed.
    """

    word: VerdictWord
    reason: str
    cells: tuple[NotedCell, ...]
    action: str

    def record(self) -> dict[str, Any]:
        """Return it as plain values, as ``--json`` prints it."""
        return {**asdict(self), "cells": [asdict(cell) for cell in self.cells]}


@dataclass(frozen=True, eq=False)
class VerdictBasis:
    """What a verdict rests on.

    Parameters
    ----------
    setup
        The car's setup; None where there is none.
    cells
        In cell order, as in ``cells.csv`` with ``target_lambda``; None without a proposal. [%]
    binding
        What the rules held back: ``rule, rpm, load, would_have_got_pct, got_pct, words``.
    advice, look
        After the last round, and its summary; None outside a tune.
    outcome
        What became of the proposal.
    exceeded
        Ceilings that the last logs exceeded.
    exceeded_before
        The same by a setup that was changed since, as a sentence; empty for none.
    broken
        Rules broken by the grid that is loaded or waits to be, as sentences.
    over_at_full_load
        Limits exceeded in full-load runs, as sentences.
    unusable
        Logs that were set aside: name and reason.
    less_fuel
        Cells whose air must not rise and that need less fuel instead. [1]
    remarks
        Further doubts, as sentences.
    sound
        What speaks for the tune, as sentences; said where nothing speaks against it.
    action
        What to do where nothing comes before it.
    """

    setup: Setup | None = None
    cells: pd.DataFrame | None = None
    binding: pd.DataFrame | None = None
    advice: Advice | None = None
    look: RoundSummary | None = None
    outcome: ProposalOutcome = "proposed"
    exceeded: Sequence[ExceededCeiling] = ()
    exceeded_before: str = ""
    broken: Sequence[str] = ()
    over_at_full_load: Sequence[str] = ()
    unusable: Mapping[str, str] | None = None
    less_fuel: int = 0
    remarks: Sequence[str] = ()
    sound: Sequence[str] = ()
    action: str = ""


def decide(basis: VerdictBasis) -> Verdict:
    """Return the verdict; a danger overrides a halt, a halt a doubt, and a doubt the rest.

    Parameters
    ----------
    basis
        What is known.
    """
    stop = _danger(basis) or _halt(basis)
    doubt = None if stop else _doubt(basis)
    word: VerdictWord = "STOP" if stop else "CHECK" if doubt else "GO ON"
    reason, action = stop or doubt or (_go_on(basis), basis.action)
    return Verdict(word, _sentence(reason), _noted(basis), action)


def _danger(basis: VerdictBasis) -> tuple[str, str] | None:
    """Return an exceeded limit or broken rule, and what to do about it."""
    if basis.over_at_full_load:
        more = len(basis.over_at_full_load) - 1
        reason = f"A limit was exceeded at full load: {basis.over_at_full_load[0]}{_more(more)}"
        return reason, "Find and fix the cause before the car is driven hard."
    if basis.exceeded:
        return exceeded_words(basis.exceeded).partition(". ")[0], (
            "Find and fix the cause of the exceeded limit, and keep out of those cells."
        )
    if basis.advice is not None and basis.advice.check in ("hard", "ceiling"):
        return basis.advice.why.partition(". ")[0], "Find and fix the cause before the next log."
    if basis.broken:
        more = len(basis.broken) - 1
        return f"A rule was broken knowingly: {_unkeyed(basis.broken[0])}{_more(more)}", (
            "Load a grid that keeps every rule: the next proposal, or an earlier grid with "
            "`tuneassist rounds restore`."
        )
    return None


def _unkeyed(breach: str) -> str:
    """Return a breach in words, without the key of its rule."""
    return breach.partition(": ")[2].rstrip(".") or breach


def _halt(basis: VerdictBasis) -> tuple[str, str] | None:
    if basis.advice is None or basis.advice.word != "halt":
        return None
    return f"The loop has halted: {_lower(_first(basis.advice.why))}", basis.action


def _doubt(basis: VerdictBasis) -> tuple[str, str] | None:
    """Return the first doubt, and what to do about it."""
    if basis.exceeded_before:
        return basis.exceeded_before, (
            "Make sure that the engine bears it, and keep out of those cells until you are."
        )
    return _doubt_in_logs(basis) or _doubt_beside(basis)


def _doubt_in_logs(basis: VerdictBasis) -> tuple[str, str] | None:
    """Return what the logs themselves leave in doubt."""
    if (barred := _of_rule(basis.binding, BARRED)) is not None:
        why = str(barred["words"].iloc[0]).removeprefix("held by ")
        return f"{_cells(len(barred))} held back by {_brief(why)}", (
            "Resolve the doubt and log again; the steps that remain go the safe way."
        )
    if count := _still_lean(basis):
        return f"The step leaves {_cells(count)} in boost leaner than target", (
            f"Keep out of there under load until the next round. {basis.action}".strip()
        )
    if words := _beyond_sensor(basis):
        return words, "Log these cells with a sensor that can show them before they are driven."
    if basis.less_fuel:
        return f"Air must not rise in {_cells(basis.less_fuel)}", (
            "Reduce fuel there by other means, then log again."
        )
    if basis.unusable:
        name, why = next(iter(basis.unusable.items()))
        more = _more(len(basis.unusable) - 1)
        return f"A log was set aside, {name}: {_first(why)}{more}", "Mend that log or leave it out."
    return None


def _doubt_beside(basis: VerdictBasis) -> tuple[str, str] | None:
    """Return a doubt that does not come from the logs of cells."""
    if basis.remarks:
        return basis.remarks[0], basis.action
    if basis.advice is not None and basis.advice.check == "held":
        return "Limits hold the cells farthest from target, and another round changes nothing", (
            "Correct the cells around them by hand, or change the limit if that is safe."
        )
    return None


def _go_on(basis: VerdictBasis) -> str:
    """Return why to go on, or that the tune is finished and what proves it."""
    advice, look = basis.advice, basis.look
    proof = "".join(f"; {_lower(words)}" for words in basis.sound)
    if advice is not None and advice.word == "finished":
        return f"The tune is finished: {_first(advice.why)}{proof}"
    if basis.cells is None:
        return "; ".join(basis.sound) or (_first(advice.why) if advice else "Nothing was found")
    inside, known = _inside(basis)
    if not known:
        return "No cell is known yet: log more holds"
    if look is not None:
        inside, known = look.cells_inside, look.cells_seen
    moved = int(basis.cells["step_pct"].fillna(0.0).ne(0.0).sum())
    near = f"within {AdviceSettings().tolerance_pct:g} % of target"
    if moved and basis.outcome in STEP_WAS:
        was = STEP_WAS[basis.outcome].format(_cells(moved))
        return f"{inside} of {known} known cells were {near} when last logged, and {was}{proof}"
    step = f"the step moves {_cells(moved)}" if moved else "no cell changes"
    return f"{inside} of {known} known cells are {near}, and {step}{proof}"


def _inside(basis: VerdictBasis) -> tuple[int, int]:
    """Return how many known cells are inside tolerance, of how many."""
    if basis.cells is None or basis.setup is None:
        return 0, 0
    cells = basis.cells
    is_known = cells["confidence"].isin(_KNOWN) & cells["target_lambda"].notna()
    miss = np.abs(miss_pct(cells[is_known], basis.setup))
    miss = miss[np.isfinite(miss)]
    return int((miss <= AdviceSettings().tolerance_pct).sum()), miss.size


def _noted(basis: VerdictBasis) -> tuple[NotedCell, ...]:
    """Return the cells that matter: over a ceiling, lean in boost, then farthest from target."""
    over = [NotedCell(one.rpm, one.load, _over_words(one, basis)) for one in basis.exceeded]
    taken = {(one.rpm, one.load) for one in over}
    rest = [one for one in _off_target(basis) if (one.rpm, one.load) not in taken]
    return tuple([*over, *rest][:MOST_CELLS])


def _over_words(one: ExceededCeiling, basis: VerdictBasis) -> str:
    """Return a ceiling's worst reading without its place, and how many cells are over it."""
    unit = basis.setup.axes.load_unit if basis.setup is not None else ""
    words = one.words.replace(f" at {one.rpm:g} rpm and {one.load:g} {unit}", "", 1)
    return f"{words}; {_cells(one.cells)} over it"


def _off_target(basis: VerdictBasis) -> list[NotedCell]:
    cells, setup = basis.cells, basis.setup
    if cells is None or setup is None:
        return []
    deviation, low, high = (
        cells[name].to_numpy(dtype=float) for name in ("deviation_pct", "ci_low_pct", "ci_high_pct")
    )
    size = np.where(np.isfinite(deviation), deviation, np.where(np.isfinite(low), low, high))
    size = miss_pct(pd.DataFrame({"deviation_pct": size}), setup)
    unsafe_sign = 1.0 if setup.engine.ignition == "spark" else -1.0
    boost = in_boost(cells, setup.axes, setup.limits)
    is_off = np.abs(size) > AdviceSettings().tolerance_pct
    is_off &= cells["target_lambda"].notna().to_numpy() & cells["confidence"].ne("none").to_numpy()
    hurts = (size * unsafe_sign > 0) & boost
    table = cells.assign(size=np.abs(size), hurts=hurts, boost=boost)[is_off]
    order = table.sort_values(["hurts", "size"], ascending=False, kind="stable")
    return [
        NotedCell(row["rpm"], row["load"], _why(row, basis))
        for row in order.head(MOST_CELLS).to_dict("records")
    ]


def _why(row: Mapping[Any, Any], basis: VerdictBasis) -> str:
    """Return how far a cell is off, and what happens to it."""
    boost = " in boost" if row["boost"] else ""
    deviation, low, high = (row[name] for name in ("deviation_pct", "ci_low_pct", "ci_high_pct"))
    if not np.isnan(deviation):
        side = "leaner" if deviation > 0 else "richer"
        off = f"{abs(deviation):.1f} % {side} than target{boost}"
    elif not np.isnan(low):
        off = f"more than {abs(low):.1f} % leaner than target{boost}"
    else:
        off = f"more than {abs(high):.1f} % richer than target{boost}"
    if held := _held_words(row, basis.binding):
        return f"{off}; held back by {held}"
    step = row["step_pct"]
    return f"{off}; step {step:+z.1f} %" if step else f"{off}; no step"


def _held_words(row: Mapping[Any, Any], binding: pd.DataFrame | None) -> str:
    """Return the rule that took most of a cell's step; empty where none did."""
    if binding is None or binding.empty:
        return ""
    is_here = binding["rpm"].eq(row["rpm"]) & binding["load"].eq(row["load"])
    here = binding[is_here & binding["rule"].ne(ROUNDING)]
    if here.empty:
        return ""
    lost = (here["would_have_got_pct"] - here["got_pct"]).abs()
    most = here.iloc[int(lost.to_numpy().argmax())]
    if most["rule"] == BARRED:
        return "a doubt about the logs"  # the verdict's own sentence or the notes say which
    return _brief(str(most["words"]).removeprefix("held by ").partition(": ")[0])


def _still_lean(basis: VerdictBasis) -> int:
    """Return how many cells a fuel step leaves lean in boost, where that breaks pistons."""
    cells, setup = basis.cells, basis.setup
    if cells is None or setup is None or setup.engine.ignition != "spark":
        return 0
    if setup.correction.acts_on != "fuel":
        return 0
    step = 1.0 + cells["step_pct"].fillna(0.0) / 100.0
    left = (1.0 + cells["deviation_pct"] / 100.0) / step - 1.0
    is_known = cells["confidence"].isin(_KNOWN) & cells["target_lambda"].notna()
    is_lean = is_known & (100.0 * left > STILL_LEAN_PCT)
    return int((is_lean & in_boost(cells, setup.axes, setup.limits)).sum())


def _beyond_sensor(basis: VerdictBasis) -> str:
    """Say where the sensor or a trim was at its limit; empty where it was not."""
    if basis.cells is None:
        return ""
    cells = basis.cells
    bound = cells["ci_high_pct"].notna()
    if basis.setup is None or basis.setup.target.kind == "aim":  # leaner than a floor is no fault
        bound |= cells["ci_low_pct"].notna()
    count = int((cells["deviation_pct"].isna() & bound).sum())
    return f"Sensor or trim was at its limit in {_cells(count)}: not corrected" if count else ""


def _of_rule(binding: pd.DataFrame | None, rule: str) -> pd.DataFrame | None:
    if binding is None or binding.empty:
        return None
    found = binding[binding["rule"].eq(rule)]
    return None if found.empty else found


def _cells(count: int) -> str:
    return f"{count} cell{'' if count == 1 else 's'}"


def _more(count: int) -> str:
    return f"; and {count} more" if count > 0 else ""


def _first(words: str) -> str:
    return words.partition(". ")[0].rstrip(".")


def _brief(words: str) -> str:
    """Cut to the first sentence, and close a bracket that was opened in it."""
    first = _first(words)
    return f"{first})" if first.count("(") > first.count(")") else first


def _lower(words: str) -> str:
    return f"{words[:1].lower()}{words[1:]}"


def _sentence(words: str) -> str:
    end = "" if words.endswith("?") else "."
    return f"{words[:1].upper()}{words[1:].rstrip('.')}{end}"
