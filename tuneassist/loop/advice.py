"""Continue, finished or halt, with the reason and what the last round gained."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal, get_args

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from tuneassist.correction.reasons import NO_EVIDENCE_BESIDE
from tuneassist.errors import InputError, SetupError
from tuneassist.grid import Floats
from tuneassist.loop.exceeded_ceilings import ExceededCeiling, exceeded_words
from tuneassist.loop.operating_points import driving_weight
from tuneassist.loop.response import Response
from tuneassist.loop.settings import PlanSettings
from tuneassist.settings import Setup

Word = Literal["continue", "finished", "halt"]
Check = Literal["", "held", "broken", "ceiling", "hard"]


HELD_WORDS = (
    "Limits hold them there, and another round alone does not change that. cells.csv names the "
    "limit: correct the cells around them by hand, or change the limit if that is safe."
)
#: A step of no more than half of what a grid file shows counts as none. [%]
SMALLEST_STEP_PCT = 0.05


@dataclass(frozen=True)
class AdviceSettings:
    """When a tune is finished.

    Parameters
    ----------
    tolerance_pct
        A cell is inside when its deviation is no larger. One percent of lambda is about what a
        good wide-band sensor repeats (common practice, no source). [%]
    inside_share
        Share of the weight of the cells that matter which has to be inside. The rest are edges
        that one more round of the same kind seldom improves. [1]
    sure_share
        Mean chance, over the same cells, that the true deviation is inside, from the fit's
        standard errors; so that a lucky round with wide intervals does not end the tune. [1]
    still_share
        No further gain is possible when steps stay below the dead band or inside the interval, in
        this share of the weight. [1]
    far_pct
        No tune is finished while a cell that is known lies clearly farther than this from target
        and the proposal still moves it: the shares above may pass over a single cell.
        [%]
    gain_share
        A round that the engine answered gained nothing when it took less than this share off the
        rms deviation. [1]
    """

    tolerance_pct: float = 1.0
    inside_share: float = 0.95
    sure_share: float = 0.90
    still_share: float = 0.97
    far_pct: float = 2.0
    gain_share: float = 0.05

    def __post_init__(self) -> None:
        if not self.far_pct >= self.tolerance_pct > 0:
            raise SetupError(
                f"tolerance_pct is {self.tolerance_pct!r}, and far_pct is {self.far_pct!r}.",
                mend="Give tolerance_pct above 0, and far_pct at least as large.",
            )
        for name in ("inside_share", "sure_share", "still_share", "gain_share"):
            if not 0 <= getattr(self, name) <= 1:
                raise SetupError(f"{name} is {getattr(self, name)!r}.", mend="Give 0 to 1.")


@dataclass(frozen=True)
class RoundSummary:
    """A round in figures.

    Parameters
    ----------
    number
        Its number.
    cells_seen
        Cells with evidence from the rounds up to this one.
    cells_inside
        Those of them within tolerance under the grid in force.
    rms_pct
        Root mean square of their deviation under the grid in force; None without a cell. [%]
    response, response_low, response_high
        Measured over expected change with its 95 % interval; None where not known. [1]
    """

    number: int
    cells_seen: int
    cells_inside: int
    rms_pct: float | None
    response: float | None = None
    response_low: float | None = None
    response_high: float | None = None


@dataclass(frozen=True)
class Advice:
    """What to do next.

    Parameters
    ----------
    word
        "continue", "finished" or "halt".
    why
        A sentence or two.
    check
        What comes before it: "hard" or "ceiling" where that was exceeded, "broken" where the grid
        in the controller breaks a rule knowingly, "held" where rules keep cells from target, so
        that another round alone changes nothing; "" for nothing.
    """

    word: Word
    why: str
    check: Check = ""


def miss_pct(cells: pd.DataFrame, setup: Setup) -> Floats:
    """Return the part of each cell's deviation that is a fault: a floor has no lean side. [%]"""
    deviation = cells["deviation_pct"].to_numpy(dtype=float)
    return np.minimum(deviation, 0.0) if setup.target.kind == "floor" else deviation


def summarise_round(
    number: int,
    cells: pd.DataFrame,
    response: Response,
    *,
    setup: Setup,
    settings: AdviceSettings | None = None,
) -> RoundSummary:
    """Summarise a round.

    Parameters
    ----------
    number
        Its number.
    cells
        Evidence of the rounds up to it, deviations under the grid in force; after a halt that of
        the round alone.
    response
        How the engine answered.
    setup
        Kind of target.
    settings
        Tolerance; None takes the defaults.
    """
    rules = settings or AdviceSettings()
    seen = cells[cells["confidence"].ne("none") & cells["target_lambda"].notna()]
    miss = miss_pct(seen, setup)
    return RoundSummary(
        number=number,
        cells_seen=len(seen),
        cells_inside=int((np.abs(miss) <= rules.tolerance_pct).sum()),
        rms_pct=float(np.sqrt(np.mean(miss**2))) if len(miss) else None,
        response=_or_none(response.response),
        response_low=_or_none(response.response_low),
        response_high=_or_none(response.response_high),
    )


def _or_none(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def advise(
    cells: pd.DataFrame,
    response: Response,
    *,
    setup: Setup,
    now: RoundSummary,
    before: RoundSummary | None = None,
    settings: AdviceSettings | None = None,
    plan: PlanSettings | None = None,
    exceeded: Sequence[ExceededCeiling] = (),
) -> Advice:
    """Say whether another round is worth it, and what comes before it.

    Parameters
    ----------
    cells
        Cells of the proposal, with ``deviation_pct, se_pct, confidence, step_pct``.
    response
        How the engine answered the last change.
    setup
        Axes and kind of target.
    now, before
        This round and the one before it; None where there is none.
    settings
        When a tune is finished; None takes the defaults.
    plan
        Where the car is driven; None takes the defaults.
    exceeded
        Ceilings that this round's logs exceeded: they come first.

    Returns
    -------
    Advice
    """
    advice = _advise(
        cells, response, setup=setup, now=now, before=before, rules=settings or AdviceSettings(),
        plan=plan or PlanSettings(),
    )  # fmt: skip
    if not exceeded:
        return advice
    check: Check = "hard" if any(one.is_hard for one in exceeded) else "ceiling"
    return replace(advice, why=f"{exceeded_words(exceeded)} {advice.why}", check=check)


def _advise(
    cells: pd.DataFrame,
    response: Response,
    *,
    setup: Setup,
    now: RoundSummary,
    before: RoundSummary | None,
    rules: AdviceSettings,
    plan: PlanSettings,
) -> Advice:
    if response.is_halt:
        return Advice("halt", f"{_sentence(response.why)}")
    relevant = _relevant_cells(cells, setup, plan)
    if relevant.empty:
        why = "No cell has fair or good confidence yet. Log more holds"
        return Advice("continue", f"{why}; `tuneassist plan` says which.")
    inside, sure = _shares_inside(relevant, setup, rules)
    bought = _gain_words(now, before) if np.isfinite(response.response) else ""
    blank = _slope_held_words(relevant, setup, rules) + _no_evidence_words(cells)
    known, within = "of the driven map that is known well", f"within {rules.tolerance_pct:g} %"
    share = f"{100.0 * inside:.0f} % {known} is {within}"
    if far := _far_words(relevant, setup, rules):
        is_held = far.endswith(HELD_WORDS)
        return Advice("continue", f"{far}{bought}{blank}", "held" if is_held else "")
    end = ""
    if inside >= rules.inside_share and sure >= rules.sure_share:
        end = " of target, with confidence"
    elif now.number > 1 and _is_converged(relevant, setup, rules):
        end = (
            "; what is left is smaller than the scatter of holds. This kind of log gives no "
            "further gain"
        )
    elif _gained_nothing(response, now, before, rules) and inside >= rules.inside_share:
        end = ", and the last round gained nothing"
    if end:
        return Advice("finished", f"{share}{end}.{bought}{blank}")
    lead = f"{100.0 * (1.0 - inside):.0f} % {known} is not {within} of target"
    if inside >= rules.inside_share:
        lead = f"{share} of target, but not with confidence yet"
    return Advice("continue", f"{lead}.{bought}{blank}")


def _far_words(relevant: pd.DataFrame, setup: Setup, rules: AdviceSettings) -> str:
    """Name the cells that lie beyond `AdviceSettings.far_pct` with the whole of their interval.

    Empty where there are none, or so many that the shares show it.
    """
    half = 0.5 * (relevant["ci_high_pct"] - relevant["ci_low_pct"])
    is_far = np.abs(miss_pct(relevant, setup)) - half > rules.far_pct
    is_moved = relevant["step_pct"].abs().gt(SMALLEST_STEP_PCT)
    if not is_far.any():
        return ""
    listed = f"Far from target: {_listed(relevant[is_far], setup)}"
    if is_moved.any():
        is_few = _share(is_far, relevant) <= 1.0 - rules.inside_share
        return f"{listed}." if is_few and (is_far & is_moved).any() else ""
    return f"{listed}. {HELD_WORDS}"


def _slope_held_words(relevant: pd.DataFrame, setup: Setup, rules: AdviceSettings) -> str:
    """Name the cells that a slope rule holds to cells without evidence, and the way out."""
    if "reason" not in relevant:
        return ""
    reasons = relevant["reason"].astype(str)
    is_off = np.abs(miss_pct(relevant, setup)) > rules.tolerance_pct
    is_held = is_off & reasons.str.contains(NO_EVIDENCE_BESIDE, regex=False).to_numpy()
    if not is_held.any():
        return ""
    limits = " or ".join(
        name
        for name in ("max_slope_rpm_pct", "max_slope_load_pct")
        if reasons[is_held].str.contains(name, regex=False).any()
    )
    return (
        f" The slope to cells without evidence holds {_listed(relevant[is_held], setup)}: hold "
        "there, and where the engine cannot be held correct those cells by hand or raise "
        f"{limits}; cells.csv names them."
    )


def _listed(far: pd.DataFrame, setup: Setup) -> str:
    """Name the farthest cells."""
    worst = far.loc[pd.Series(np.abs(miss_pct(far, setup)), index=far.index).nlargest(3).index]
    unit = setup.axes.load_unit
    cells = ", ".join(
        f"{cell.rpm:g} rpm and {cell.load:g} {unit} by {cell.deviation_pct:+z.1f} %"
        for cell in worst.itertuples()
    )
    more = f" and {len(far) - len(worst)} more" if len(far) > len(worst) else ""
    return f"{cells}{more} (+ is lean)"


def _sentence(words: str) -> str:
    """Give words a capital and a full stop."""
    return f"{words[:1].upper()}{words[1:].rstrip('.')}."


def _relevant_cells(cells: pd.DataFrame, setup: Setup, plan: PlanSettings) -> pd.DataFrame:
    """Cells of fair or good confidence, with the weight of their operating points."""
    rpm, load = (cells[name].to_numpy(dtype=float) for name in ("rpm", "load"))
    weighed = cells.assign(weight=driving_weight(setup.axes, rpm, load, plan))
    is_known = weighed["confidence"].isin(["fair", "good"]) & weighed["target_lambda"].notna()
    return weighed[is_known & weighed["weight"].gt(0)]


def _share(is_so: npt.NDArray[np.bool_] | Floats, relevant: pd.DataFrame) -> float:
    return float(np.average(is_so, weights=relevant["weight"].to_numpy(dtype=float)))


def _shares_inside(
    relevant: pd.DataFrame, setup: Setup, rules: AdviceSettings
) -> tuple[float, float]:
    """Share of the weight inside tolerance, and the mean chance that the true value is."""
    miss = miss_pct(relevant, setup)
    error = relevant["se_pct"].clip(lower=1e-6).to_numpy(dtype=float)
    deviation = relevant["deviation_pct"].to_numpy(dtype=float)
    low = special.ndtr((-rules.tolerance_pct - deviation) / error)
    high = special.ndtr((rules.tolerance_pct - deviation) / error)
    chance = 1.0 - low if setup.target.kind == "floor" else high - low
    return _share(np.abs(miss) <= rules.tolerance_pct, relevant), _share(chance, relevant)


def _is_converged(relevant: pd.DataFrame, setup: Setup, rules: AdviceSettings) -> bool:
    """Return whether the proposed steps are within the scatter of holds."""
    step = relevant["step_pct"].abs().to_numpy(dtype=float)
    half = 0.5 * (relevant["ci_high_pct"] - relevant["ci_low_pct"]).to_numpy(dtype=float)
    is_significant = (step > setup.correction.tolerance_pct) & (step > half)
    # a step that a rule held at zero does not mean that the tune has converged
    is_far = np.abs(miss_pct(relevant, setup)) > np.maximum(half, rules.tolerance_pct)
    return _share(~(is_significant | is_far), relevant) >= rules.still_share


def _gained_nothing(
    response: Response, now: RoundSummary, before: RoundSummary | None, rules: AdviceSettings
) -> bool:
    if before is None or before.rms_pct is None or now.rms_pct is None:
        return False
    is_answered = response.verdict == "as expected"
    return is_answered and now.rms_pct > (1.0 - rules.gain_share) * before.rms_pct


def _gain_words(now: RoundSummary, before: RoundSummary | None) -> str:
    if before is None or before.rms_pct is None or now.rms_pct is None:
        return ""
    return (
        f" The last change took the rms deviation from {before.rms_pct:.2f} to {now.rms_pct:.2f} %."
    )


def _no_evidence_words(cells: pd.DataFrame) -> str:
    """Point to the cells without evidence."""
    is_wanted = cells["target_lambda"].notna()
    blank = int((cells["confidence"].eq("none") & is_wanted).sum())
    if blank == 0:
        return ""
    total = int(is_wanted.sum())
    return (
        f" {blank} of {total} cells have no evidence; `tuneassist plan` says which can be held and "
        "which are out of reach."
    )


def summary_record(summary: RoundSummary, advice: Advice) -> dict[str, Any]:
    """Return a round's summary and the advice after it as plain values."""
    return {**summary.__dict__, "advice": advice.word, "why": advice.why, "check": advice.check}


def summary_from_record(record: dict[str, Any]) -> tuple[RoundSummary, Advice]:
    """Return what `summary_record` was made of.

    Raises
    ------
    InputError
        When a part of it is missing.
    """
    if not {"number", "cells_seen", "cells_inside", "advice", "why"} <= set(record):
        raise InputError(
            "the round's summary is incomplete.",
            where="evidence.json",
            mend="Restore the round's folder from a copy, or take the round back with "
            "`tuneassist rounds undo`.",
        )
    known: dict[str, Any] = {name: record.get(name) for name in RoundSummary.__dataclass_fields__}
    check = record.get("check", "")
    if check not in get_args(Check):
        raise InputError(f"{check!r} is not a known check of a round.", where="evidence.json")
    return RoundSummary(**known), Advice(record["advice"], str(record["why"]), check)


NO_LOGS = Advice("continue", "No logs yet.")
"""Before the first round."""


def advice_in_force(
    advice: Advice, *, number: int, is_by_setup_in_force: bool, is_of_grid_held: bool = True
) -> Advice:
    """Return the advice after a round, or why it no longer holds.

    Parameters
    ----------
    advice
        As given after the round.
    number
        Of the round.
    is_by_setup_in_force
        Whether the round was evaluated by the setup that is in force now.
    is_of_grid_held
        Whether the controller holds the grid with which the round was logged, or its proposal.
    """
    if advice.word == "halt":
        return advice
    if is_by_setup_in_force and (is_of_grid_held or advice.word != "finished"):
        return advice
    if is_by_setup_in_force:
        why = (
            f"The controller holds another grid than round {number} was logged with, or led to. "
            "Log with it before the tune is called finished."
        )
        return replace(advice, word="continue", why=why)
    why = (
        f"The setup was changed after round {number}, whose figures are by the one before. Log "
        "with what the controller holds now; all evidence counts, by the new target."
    )
    return Advice("continue", why)


def with_broken_rules(advice: Advice, breaches: Sequence[str]) -> Advice:
    """Return the advice while the controller holds a grid that breaks rules knowingly.

    Parameters
    ----------
    advice
        As given after the last round.
    breaches
        The rules that the grid in the controller breaks, in words.
    """
    if not breaches or advice.word == "halt":
        return advice
    more = f" (and {len(breaches) - 1} more)" if len(breaches) > 1 else ""
    why = f"The grid in the controller breaks a rule: {breaches[0].rstrip('.')}{more}. {advice.why}"
    return replace(advice, why=why, check=advice.check if advice.check == "hard" else "broken")
