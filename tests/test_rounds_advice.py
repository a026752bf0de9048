"""When to go on, when to stop, and what the words say, at each boundary."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tuneassist.correction.reasons import NO_EVIDENCE_BESIDE
from tuneassist.errors import SetupError
from tuneassist.grid import Axes
from tuneassist.loop.advice import (
    Advice,
    AdviceSettings,
    RoundSummary,
    advise,
    summarise_round,
    summary_from_record,
    summary_record,
)
from tuneassist.loop.response import Response
from tuneassist.loop.settings import PlanSettings, RegionWeight
from tuneassist.settings import Setup, Target

AXES = Axes(rpm=np.arange(1000.0, 6000.0, 1000.0), load=np.array([20.0, 40, 60, 80]))
SETUP = Setup(axes=AXES, target=Target(np.ones(AXES.shape)))
FIRST = Response("first round", "")
ANSWERED = Response("as expected", "", 1.0, 0.9, 1.1)
RULES = AdviceSettings()
EVEN = PlanSettings(top_weight=1.0)  # every cell weighs the same
BEFORE = RoundSummary(1, 20, 2, 5.0)


def cells(deviation: float = 0.2, se: float = 0.3, step: float = 0.0) -> pd.DataFrame:
    """20 cells, all alike."""
    n = AXES.size
    return pd.DataFrame(
        {
            "rpm": AXES.cell_rpm(),
            "load": AXES.cell_load(),
            "target_lambda": np.ones(n),
            "confidence": "good",
            "deviation_pct": deviation,
            "se_pct": se,
            "ci_low_pct": deviation - 2.0 * se,
            "ci_high_pct": deviation + 2.0 * se,
            "step_pct": step,
        }
    )


def told(
    table: pd.DataFrame,
    response: Response = ANSWERED,
    *,
    number: int = 2,
    setup: Setup = SETUP,
    before: RoundSummary | None = BEFORE,
    plan: PlanSettings = EVEN,
) -> Advice:
    now = summarise_round(number, table, response, setup=setup)
    return advise(table, response, setup=setup, now=now, before=before, plan=plan)


def test_inside_with_confidence_is_finished_and_says_what_the_round_bought() -> None:
    advice = told(cells())
    assert advice.word == "finished"
    assert "with confidence" in advice.why
    assert "from 5.00 to 0.20 %" in advice.why


def test_one_cell_in_twenty_may_be_outside_and_two_may_not() -> None:
    table = cells(step=1.0, se=0.05)
    table.loc[0, "deviation_pct"] = 1.9
    assert told(table).word == "finished"  # 19 of 20 inside
    table.loc[1, "deviation_pct"] = 1.9
    advice = told(table)
    assert advice.word == "continue"
    assert "10 % of the driven map" in advice.why


def test_inside_by_luck_is_not_the_end() -> None:
    """Standard error 0.9 %: the truth lies within +-1 % with a chance of 0.73 only."""
    advice = told(cells(se=0.9, step=2.0))
    assert advice.word == "continue"
    assert "not with confidence yet" in advice.why


def test_what_cannot_be_told_from_scatter_is_no_reason_to_go_on() -> None:
    table = cells(deviation=0.8, se=1.0)  # no step is sure
    assert told(table).word == "finished"
    assert "no further gain" in told(table).why
    assert told(table, FIRST, number=1, before=None).word == "continue"  # never after one round


def test_a_lone_cell_that_is_surely_far_keeps_it_going_and_is_named() -> None:
    table = cells(step=1.0, se=0.05)
    table.loc[7, "deviation_pct"] = RULES.far_pct + 0.11  # half the interval is 0.1
    advice = told(table)
    assert advice.word == "continue"
    assert "2000 rpm and 80 kPa by +2.1 %" in advice.why
    table.loc[7, "deviation_pct"] = RULES.far_pct + 0.09
    assert told(table).word == "finished"


def test_a_step_that_a_rule_holds_at_nothing_is_no_engine_at_rest() -> None:
    """5 % lean and sure, with no step proposed: it must not pass for finished."""
    advice = told(cells(deviation=5.0, se=0.2))
    assert advice.word == "continue"
    assert "Limits hold them there, and another round alone does not change that" in advice.why
    assert advice.check == "held"
    assert "and 17 more" in advice.why


def test_a_round_that_bought_nothing_ends_it_once_inside() -> None:
    table = cells(deviation=0.9, se=0.5, step=0.8)
    table.loc[:3, ["deviation_pct", "step_pct", "ci_low_pct", "ci_high_pct"]] = 0.9, 2.0, 0.1, 1.7
    gained = told(table, before=RoundSummary(1, 20, 2, 5.0))
    assert gained.word == "continue"
    nothing = told(table, before=RoundSummary(1, 20, 2, 0.9))
    assert nothing.word == "finished"
    assert "gained nothing" in nothing.why


@pytest.mark.parametrize("verdict", ["no answer", "wrong way", "not the same engine"])
def test_a_halt_is_passed_on_with_its_reason(verdict: str) -> None:
    advice = told(cells(), Response(verdict, "look at the controller"))
    assert advice == Advice("halt", "Look at the controller.")


def test_cells_that_are_not_driven_do_not_keep_it_going() -> None:
    table = cells()
    fast = table["rpm"] >= 4000
    table.loc[fast, ["deviation_pct", "step_pct"]] = 6.0
    assert told(table).word == "continue"
    region = RegionWeight((4000.0, 6000.0), (0.0, 100.0), 0.0)
    assert told(table, plan=replace(EVEN, regions=(region,))).word == "finished"


def test_cells_without_evidence_point_to_the_plan() -> None:
    table = cells()
    table.loc[:4, "confidence"] = "none"
    assert "5 of 20 cells have no evidence" in told(table).why
    assert "tuneassist plan" in told(table).why
    table["confidence"] = "low"
    assert told(table).word == "continue"


def test_cells_that_a_slope_holds_to_unseen_ones_are_named_with_the_limit() -> None:
    table = cells().assign(reason="")
    table.loc[3, "deviation_pct"] = -7.0
    table.loc[4, "deviation_pct"] = -6.0
    table.loc[3, "reason"] = (
        "7.0 % richer than target; held by the slope along rpm (10 % per cell) to 2000 rpm, 80, "
        f"{NO_EVIDENCE_BESIDE}: hold there if the engine can, else raise max_slope_rpm_pct"
    )
    why = told(table).why
    assert "holds 1000 rpm and 80 kPa by -7.0 %" in why
    assert "raise max_slope_rpm_pct; cells.csv" in why
    assert "max_slope_load_pct" not in why
    table.loc[3, "deviation_pct"] = 0.2  # within tolerance: nothing is amiss
    assert "The slope" not in told(table).why


def test_leaner_than_a_floor_is_inside() -> None:
    floor = Setup(axes=AXES, target=Target(np.ones(AXES.shape), kind="floor"))
    look = summarise_round(1, cells(deviation=8.0), FIRST, setup=floor)
    assert (look.cells_inside, look.rms_pct) == (20, 0.0)
    assert told(cells(deviation=8.0), setup=floor).word == "finished"
    assert summarise_round(1, cells(deviation=-8.0), FIRST, setup=floor).cells_inside == 0


def test_a_look_counts_what_is_known_and_wanted() -> None:
    table = cells(deviation=1.0)
    table.loc[0, "deviation_pct"] = 1.01
    table.loc[1, "confidence"] = "none"
    table.loc[2, "target_lambda"] = np.nan
    look = summarise_round(3, table, ANSWERED, setup=SETUP)
    assert (look.number, look.cells_seen, look.cells_inside) == (3, 18, 17)
    # 17 cells at 1.00 and one at 1.01
    assert look.rms_pct == pytest.approx(np.sqrt((17 + 1.01**2) / 18))
    assert (look.response, look.response_low, look.response_high) == (1.0, 0.9, 1.1)
    nothing = summarise_round(1, table.iloc[:0], FIRST, setup=SETUP)
    assert (nothing.cells_seen, nothing.rms_pct, nothing.response) == (0, None, None)


def test_a_look_reads_back_from_its_record() -> None:
    look, advice = RoundSummary(2, 20, 19, 0.4, 1.0, 0.9, 1.1), Advice("continue", "w", "held")
    assert summary_from_record(summary_record(look, advice)) == (look, advice)


@pytest.mark.parametrize(
    "wrong", [{"tolerance_pct": 0.0}, {"inside_share": 1.1}, {"gain_share": -0.1}]
)
def test_settings_out_of_range_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(SetupError):
        AdviceSettings(**wrong)
