"""STOP, CHECK or GO ON: what overrides what, which cells are named, and that all screens agree."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from shutil import copytree

import numpy as np
import pandas as pd
import pytest
from test_rounds_commands import flat, ok

from tuneassist.grid import Axes
from tuneassist.loop.advice import Advice
from tuneassist.loop.exceeded_ceilings import ExceededCeiling
from tuneassist.loop.verdict import NotedCell, VerdictBasis, decide
from tuneassist.settings import EngineSettings, Setup, Target
from tuneassist.workflow import tune_steps

AXES = Axes(
    rpm=np.array([1000.0, 3000.0, 5000.0]),
    load=np.array([40.0, 90.0, 160.0]),
    load_name="manifold pressure",
    load_unit="kPa",
)
SETUP = Setup(
    axes=AXES, target=Target(np.ones(AXES.shape)), engine=EngineSettings(ignition="spark")
)
BINDING = pd.DataFrame(
    {
        "rule": ["lean_in_boost", "resolution_pct"],
        "rpm": [5000.0, 5000.0],
        "load": [160.0, 160.0],
        "would_have_got_pct": [-6.0, 0.04],
        "got_pct": [0.0, 0.0],
        "words": ["held by the ban on leaning in boost", "held by the resolution"],
    }
)
WORDS = "exhaust temp 930 degC at 5000 rpm and 160 kPa, ceiling 900"
HOT = ExceededCeiling("exhaust_temp", 2, False, WORDS, 5000, 160)


def cells(*deviations: float) -> pd.DataFrame:
    """Nine cells with these deviations, the rest at target; each asks for its step."""
    deviation = np.zeros(AXES.size)
    deviation[: len(deviations)] = deviations
    return pd.DataFrame(
        {
            "rpm": AXES.cell_rpm(),
            "load": AXES.cell_load(),
            "target_lambda": 1.0,
            "deviation_pct": deviation,
            "ci_low_pct": deviation - 0.5,
            "ci_high_pct": deviation + 0.5,
            "step_pct": deviation,
            "confidence": "good",
        }
    )


BASIS = VerdictBasis(
    setup=SETUP,
    cells=cells(4.0, 0.0, 0.0, 0.0, 0.0, 2.0, 0.0, 0.0, -6.0),
    binding=BINDING,
    action="Type it in.",
)


def test_go_on_names_lean_cells_in_boost_before_those_farther_off_elsewhere() -> None:
    verdict = decide(BASIS)
    assert verdict.word == "GO ON"
    assert verdict.action == "Type it in."
    assert (
        verdict.reason == "6 of 9 known cells are within 1 % of target, and the step moves 3 cells."
    )
    assert [(cell.rpm, cell.load) for cell in verdict.cells] == [
        (3000, 160),
        (5000, 160),
        (1000, 40),
    ]
    lean, held, _ = (cell.why for cell in verdict.cells)
    assert lean == "2.0 % leaner than target in boost; step +2.0 %"
    assert held == "6.0 % richer than target in boost; held back by the ban on leaning in boost"


def test_lean_cells_in_boost_that_the_step_does_not_mend_ask_for_a_check() -> None:
    capped = cells(0.0, 0.0, 0.0, 0.0, 0.0, 19.7).assign(step_pct=0.0)
    capped.loc[5, "step_pct"] = 15.0  # (1 + 0.197) / (1 + 0.15) - 1 = 4.1 %
    verdict = decide(replace(BASIS, cells=capped, binding=None))
    assert verdict.word == "CHECK"
    assert verdict.reason == "The step leaves 1 cell in boost leaner than target."
    mended = capped.assign(step_pct=capped["step_pct"] * 1.2)  # 18 %: 1.4 % is left
    assert decide(replace(BASIS, cells=mended, binding=None)).word == "GO ON"
    outside = cells(19.7).assign(step_pct=0.0)
    assert decide(replace(BASIS, cells=outside, binding=None)).word == "GO ON"


def test_a_diesel_fears_the_rich_side() -> None:
    diesel = replace(SETUP, engine=EngineSettings(ignition="compression", fuel="diesel"))
    first = decide(replace(BASIS, setup=diesel)).cells[0]
    assert first.why.startswith("6.0 % richer than target in boost")


@pytest.mark.parametrize(
    ("known", "says"),
    [
        ({"exceeded": (HOT,)}, f"Exceeded: {WORDS}."),
        (
            {"over_at_full_load": ("after: too hot", "x")},
            "at full load: after: too hot; and 1 more.",
        ),
        (
            {"broken": ("5000 rpm is leaner than 0.92.",)},
            "knowingly: 5000 rpm is leaner than 0.92.",
        ),
    ],
)
@pytest.mark.parametrize("word", ["finished", "halt", "continue"])
def test_a_danger_overrides_everything(known: dict[str, object], says: str, word: str) -> None:
    advice = Advice(word, "All is well.")  # type: ignore[arg-type]
    verdict = decide(replace(BASIS, advice=advice, unusable={"a.csv": "bad"}, **known))  # type: ignore[arg-type]
    assert verdict.word == "STOP"
    assert verdict.reason.endswith(says)
    assert verdict.action not in ("", "Type it in.")


def test_the_cell_over_its_ceiling_comes_first_and_once() -> None:
    first, *rest = decide(replace(BASIS, exceeded=(HOT,))).cells
    assert first == NotedCell(5000, 160, "exhaust temp 930 degC, ceiling 900; 2 cells over it")
    assert [(cell.rpm, cell.load) for cell in rest] == [(3000, 160), (1000, 40)]


def test_a_halt_stops_and_keeps_the_way_on() -> None:
    verdict = decide(replace(BASIS, advice=Advice("halt", "The sign is wrong. More.")))
    assert (verdict.word, verdict.action) == ("STOP", "Type it in.")
    assert verdict.reason == "The loop has halted: the sign is wrong."


def test_a_finished_tune_goes_on_with_what_proves_it() -> None:
    advice = Advice("finished", "97 % is within 1 % of target, with confidence. More.")
    verdict = decide(replace(BASIS, advice=advice, sound=("No limit was exceeded at full load",)))
    assert verdict.word == "GO ON"
    assert verdict.reason == (
        "The tune is finished: 97 % is within 1 % of target, with confidence; no limit was "
        "exceeded at full load."
    )


BARRED = BINDING.assign(
    rule="unsafe_step_barred", words="held by a doubt (the sensor is dead. Ask)"
)
BEYOND = BASIS.cells.assign(deviation_pct=np.nan, ci_high_pct=np.nan)  # type: ignore[union-attr]


@pytest.mark.parametrize(
    ("known", "says"),
    [
        ({"binding": BARRED}, "2 cells held back by a doubt (the sensor is dead)."),
        ({"cells": BEYOND}, "Sensor or trim was at its limit in 9 cells: not corrected."),
        ({"unusable": {"b.csv": "no lambda"}}, "A log was set aside, b.csv: no lambda."),
        ({"unusable": {"b.csv": "is it wired?"}}, "A log was set aside, b.csv: is it wired?"),
        ({"less_fuel": 1}, "Air must not rise in 1 cell."),
        ({"remarks": ("The set failed",)}, "The set failed."),
        ({"advice": Advice("continue", "x", "held")}, "another round changes nothing."),
    ],
)
def test_a_doubt_asks_for_a_check(known: dict[str, object], says: str) -> None:
    verdict = decide(replace(BASIS, **known))  # type: ignore[arg-type]
    assert verdict.word == "CHECK"
    assert verdict.reason.endswith(says)


def test_screen_json_and_page_give_the_same_verdict(begun_home: Path, tmp_path: Path) -> None:
    tune = tmp_path / "tune"
    copytree(begun_home / "tune", tune)
    verdict = json.loads(ok("rounds", "status", tune, "--json"))["verdict"]
    opening = f"{verdict['word']} {verdict['reason']}"
    assert flat(ok("rounds", "status", tune)).startswith(opening)
    assert len(verdict["cells"]) == 3
    ok("report", tune, "--out", tmp_path / "page.html")
    page = flat(re.sub("<[^>]+>", "", (tmp_path / "page.html").read_text(encoding="utf-8")))
    assert verdict["reason"] in page
    assert verdict["action"] in page


def test_a_broken_rule_in_the_controller_stops_until_it_is_out_of_it(
    begun_home: Path, tmp_path: Path
) -> None:
    tune = tmp_path / "tune"
    copytree(begun_home / "tune", tune)
    text = (tune / "round-01" / "grid.csv").read_text(encoding="utf-8")
    rows = text.splitlines()
    rows[-1] = ",".join([rows[-1].split(",")[0], *["60"] * (rows[-1].count(","))])
    (tmp_path / "mine.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    ok("rounds", "accept", tune, "--grid", tmp_path / "mine.csv", "--despite", "race fuel")
    assert flat(ok("rounds", "status", tune)).startswith("STOP A rule was broken knowingly: ")
    ok("rounds", "restore", tune, 0)
    ok("report", tune, "--out", tmp_path / "page.html")
    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert ">STOP<" in page.replace(" ", "").replace("\n", "")
    assert "The grid to type in" in page
    assert "Do not load this grid" not in page  # it is the cure: it keeps every rule
    ok("rounds", "accept", tune)
    assert json.loads(ok("rounds", "status", tune, "--json"))["verdict"]["word"] == "GO ON"


def test_a_ceiling_that_was_raised_after_it_was_exceeded_stays_in_doubt(
    begun_home: Path, tmp_path: Path
) -> None:
    """The hottest exhaust of this log is far above 500 degC, and no setup makes it cooler."""
    tune = tmp_path / "tune"
    copytree(begun_home / "tune", tune)
    text = (begun_home / "car.toml").read_text(encoding="utf-8")
    for name, ceiling in (("low", 500), ("high", 1000)):
        more = f"exhaust_temp = {{ ceiling = {ceiling}, hard = {ceiling} }}"
        (tmp_path / f"{name}.toml").write_text(
            f"{text}\n[limits.ceilings]\n{more}\n", encoding="utf-8"
        )

    def verdict() -> dict[str, str]:
        return dict(json.loads(ok("rounds", "status", tune, "--json"))["verdict"])

    assert verdict()["word"] == "GO ON"
    ok("rounds", "setup", tune, tmp_path / "low.toml")
    assert verdict()["word"] == "STOP"
    ok("rounds", "setup", tune, tmp_path / "high.toml")
    doubt = verdict()
    assert doubt["word"] == "CHECK"
    assert re.match(
        r"By the setup before it was changed, round 1 exceeded: exhaust temp .* 500\.$",
        doubt["reason"],
    )
    assert "engine bears it" in doubt["action"]
    ok("rounds", "undo", tune)
    ok("rounds", "undo", tune)
    assert verdict()["word"] == "GO ON"


def test_another_grid_in_the_controller_is_not_called_finished(
    begun_home: Path, tmp_path: Path
) -> None:
    """After the proposal was loaded, the tune is finished; with the grid before it, it is not."""
    tune = tmp_path / "tune"
    copytree(begun_home / "tune", tune)
    done = Advice("finished", "97 % is within 1 % of target.")

    def said() -> tuple[str, str]:
        status = tune_steps.status(tune)
        return tune_steps.last_advice(status.state, done).word, status.verdict.reason

    assert said()[0] == "finished"
    ok("rounds", "accept", tune)
    word, reason = said()
    assert word == "finished"
    assert re.search(r"were within 1 % .* the step of \d+ cells was loaded\.", reason)
    (tmp_path / "mine.csv").write_bytes((tune / "round-01" / "grid.csv").read_bytes())
    ok("rounds", "accept", tune, "--grid", tmp_path / "mine.csv")
    assert said()[0] == "continue"
    ok("rounds", "restore", tune, 0)
    ok("rounds", "accept", tune)
    assert said()[0] == "finished"  # the last logs were of this one
    ok("rounds", "undo", tune)
    ok("rounds", "undo", tune)
    ok("rounds", "undo", tune)
    ok("rounds", "undo", tune)
    ok("rounds", "reject", tune)
    assert said()[1].endswith("was not loaded.")
