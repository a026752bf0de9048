"""A lone hold that the surface overrules is a doubt, not a detail; two to one is a verdict."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tuneassist.evidence.cell_table import cell_table
from tuneassist.evidence.disputes import MAJORITY, find_disputes
from tuneassist.evidence.lattice import fit_lattice
from tuneassist.grid import Axes, Grid, bilinear_weights
from tuneassist.settings import CorrectionSettings, Target

AXES = Axes(rpm=np.arange(1000.0, 7000.0, 500.0), load=np.arange(30.0, 210.0, 20.0))
SCATTER = 0.002
BUMP = (4000.0, 150.0)


def holds(*more: tuple[float, float, float], seed: int = 1) -> pd.DataFrame:
    """One hold at every breakpoint of a smooth surface, and more: rpm, load and what is added."""
    rng = np.random.default_rng(seed)
    rpm, load, extra = (
        np.append(every, [one[i] for one in more])
        for i, every in enumerate((AXES.cell_rpm(), AXES.cell_load(), np.zeros(AXES.size)))
    )
    need = 0.02 * np.sin(rpm / 2000.0) + 0.03 * (load - 100.0) / 100.0
    need = need + extra + rng.normal(0.0, SCATTER, len(rpm))
    return pd.DataFrame({"rpm": rpm, "load": load, "need_ln": need, "samples": 50.0, "stop": ""})


def without_own(frame: pd.DataFrame) -> pd.DataFrame:
    """Take away the smooth surface's own hold at the bump."""
    is_own = (frame["rpm"] == BUMP[0]) & (frame["load"] == BUMP[1])
    first = frame.index[is_own][0]
    return frame.drop(index=first).reset_index(drop=True)


def fitted(frame: pd.DataFrame):
    weights = bilinear_weights(AXES, frame["rpm"], frame["load"])
    own = np.full(len(frame), 5e-4)
    return weights, fit_lattice(AXES, weights, frame["need_ln"], own)


def disputes(frame: pd.DataFrame):
    weights, fit = fitted(frame)
    rpm, load = (frame[name].to_numpy() for name in ("rpm", "load"))
    return find_disputes(AXES, rpm, load, weights, fit)


def table(frame: pd.DataFrame) -> pd.DataFrame:
    weights, fit = fitted(frame)
    frame = frame.assign(total_need_ln=frame["need_ln"], within_se=5e-4, log_number=0)
    return cell_table(
        AXES,
        target=Target(np.ones(AXES.shape)),
        current=Grid.zeros(AXES),
        holds=frame,
        weights=weights,
        fit=fit,
        correction=CorrectionSettings(),
    )


def at(cells: pd.DataFrame, rpm: float, load: float) -> pd.Series:
    return cells[(cells["rpm"] == rpm) & (cells["load"] == load)].iloc[0]


@pytest.mark.parametrize(("extra", "word"), [(0.04, "leaner"), (-0.04, "richer")])
def test_a_lone_bump_is_shown_and_its_cell_is_no_longer_sure(extra: float, word: str) -> None:
    cells = table(without_own(holds((*BUMP, extra))))
    cell = at(cells, *BUMP)
    truth = 100 * np.expm1(0.02 * np.sin(BUMP[0] / 2000) + 0.03 * (BUMP[1] - 100) / 100 + extra)
    assert cell["is_disputed"]
    assert cell["confidence"] == "low"
    assert cell["ci_low_pct"] - 0.7 < truth < cell["ci_high_pct"] + 0.7  # the hold's own scatter
    assert f"% {word} than those around it: repeat it" in cell["evidence"]
    assert int(cells["is_disputed"].sum()) == 1
    assert cells.loc[~cells["is_disputed"], "confidence"].eq("good").mean() > 0.9


def test_a_smooth_engine_has_no_disputes() -> None:
    for seed in range(20):
        assert len(disputes(holds(seed=seed)).hold) == 0


@pytest.mark.parametrize("agreeing", [1, 2])
def test_two_to_one_is_a_verdict(agreeing: int) -> None:
    """The smooth surface's own hold is one against; another makes the majority."""
    smooth = [(*BUMP, 0.0)] * (agreeing - 1)
    found = disputes(holds((*BUMP, 0.04), *smooth))
    assert MAJORITY == 2
    assert (len(found.hold) == 0) == (agreeing >= MAJORITY)


def test_a_bump_that_was_held_often_is_believed() -> None:
    cells = table(without_own(holds(*[(*BUMP, 0.04)] * 4)))
    bump = at(cells, *BUMP)
    assert not bump["is_disputed"]
    assert bump["confidence"] == "good"
    assert bump["deviation_pct"] > 4.0


def test_a_corner_beyond_the_outermost_readings_says_so() -> None:
    frame = holds()
    corner = (frame["rpm"] > 5400) & (frame["load"] > 160)
    corner |= (frame["rpm"] == 6500) & (frame["load"] == 150)
    cells = table(frame[~corner].reset_index(drop=True))
    beyond = cells[cells["evidence"] == "no hold of its own, beyond the outermost readings"]
    assert len(beyond) >= 2
    held = at(cells, 3000, 90)
    # the doubt grows with the distance; the level that may walk over speed is doubt of both
    assert beyond["se_pct"].min() > 1.5 * held["se_pct"]
    inner = frame["rpm"].eq(3000) & frame["load"].eq(90)  # a gap among holds is another matter
    between = at(table(frame[~inner].reset_index(drop=True)), 3000, 90)
    assert between["evidence"] == "no hold of its own, read between its neighbours"
