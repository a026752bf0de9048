"""Tails that moves leave in the holds: found, taken out, and doubted; on logs of known truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tuneassist.evidence.groups import Groups
from tuneassist.evidence.lattice import fit_lattice
from tuneassist.evidence.tail import MIN_HOLDS, Tail, find_tail
from tuneassist.grid import Axes, Grid, bilinear_weights
from tuneassist.pipeline import Evidence, gather, reduce_log
from tuneassist.reduction import reduce_parts
from tuneassist.settings import Setup
from tuneassist.simulate import SessionPlan, TrueEngine, draw_engine, simulate_session
from tuneassist.simulate.signals import ar1_noise

STEP_S, FROM_S = 0.1, 1.5


class Made:
    """Holds of known need: a tail alike in all, one by the direction of the move, and noise."""

    def __init__(
        self,
        rng: np.random.Generator,
        *,
        alike: float = 0.0,
        by_move: float = 0.0,
        fading_s: float = 5.0,
        holds: int = 60,
    ) -> None:
        count = rng.integers(60, 140, holds)
        self.groups = Groups.of(np.repeat(np.arange(holds), count))
        place = np.arange(count.sum()) - self.groups.spread(self.groups.start)
        self.age_s = FROM_S + STEP_S * place
        self.move = rng.normal(0.0, 40.0, holds)
        size = alike + by_move * np.sign(self.move)
        tail = self.groups.spread(size) * np.exp(-self.age_s / fading_s)
        self.left = self.groups.mean(tail)
        level = self.groups.spread(rng.normal(0.0, 0.03, holds))
        noise = ar1_noise(len(tail), rho=0.7, sd=0.007, rng=rng)
        self.need = level + tail + noise

    def found(self) -> Tail | None:
        return find_tail(self.groups, self.age_s, self.need, self.move)


@pytest.mark.parametrize(("alike", "by_move"), [(0.02, 0.0), (0.0, 0.02), (-0.015, 0.0)])
@pytest.mark.parametrize("fading_s", [3.0, 6.0])
def test_a_tail_is_found_and_what_it_leaves_lies_within_its_errors(
    alike: float, by_move: float, fading_s: float
) -> None:
    made = Made(np.random.default_rng(1), alike=alike, by_move=by_move, fading_s=fading_s)
    tail = made.found()
    assert tail is not None
    assert tail.chance > 0.99
    mean, shared, moved = tail.left_in(made.groups, made.age_s, made.move)
    before = float(np.sqrt(np.mean(made.left**2)))
    rest = mean - made.left
    assert np.sqrt(np.mean(rest**2)) < 0.5 * before
    # 2.5 standard errors, and what a move's direction is smoothed by: a tenth of the tail
    assert np.abs(np.mean(rest)) < 2.5 * np.median(shared) + 0.1 * before
    assert (np.sign(moved) == np.sign(made.move))[moved != 0].all()


def test_a_log_without_a_tail_is_left_as_it_is() -> None:
    """By the prior alone one log in ten may be doubted; it then moves next to nothing."""
    found = 0
    for seed in range(40):
        made = Made(np.random.default_rng(seed))
        tail = made.found()
        if tail is None:
            continue
        found += 1
        mean, shared, _ = tail.left_in(made.groups, made.age_s, made.move)
        assert np.abs(mean).max() < 0.001
        assert shared.max() < 0.0015
    assert found <= 4


def test_too_few_holds_and_equal_moves_are_no_trouble() -> None:
    rng = np.random.default_rng(3)
    assert Made(rng, alike=0.02, holds=MIN_HOLDS - 1).found() is None
    made = Made(rng, alike=0.02)
    made.move[:] = 0.0
    tail = made.found()
    assert tail is not None
    mean, _, moved = tail.left_in(made.groups, made.age_s, made.move)
    assert np.isfinite(mean).all()
    assert (moved == 0).all()
    empty = np.zeros(0)
    assert find_tail(Groups.of(empty.astype(np.int64)), empty, empty, empty) is None


def test_spikes_do_not_make_a_tail() -> None:
    rng = np.random.default_rng(4)
    made = Made(rng)
    young = made.age_s < 2.5
    made.need[young & (rng.uniform(size=len(made.need)) < 0.1)] += 0.3
    tail = made.found()
    if tail is not None:
        assert np.abs(tail.left_in(made.groups, made.age_s, made.move)[0]).max() < 0.001


def test_an_error_that_holds_share_widens_every_interval_by_itself_and_moves_nothing() -> None:
    axes = Axes(rpm=np.linspace(1000, 6000, 6), load=np.linspace(30, 180, 5))
    rng = np.random.default_rng(1)
    rpm, load = rng.uniform(1000, 6000, 50), rng.uniform(30, 180, 50)
    weights = bilinear_weights(axes, rpm, load)
    y = 1e-5 * rpm + 0.004 * rng.standard_normal(50)
    own = np.full(50, 0.001)
    plain = fit_lattice(axes, weights, y, own)
    alike = fit_lattice(axes, weights, y, own, shared=np.full((50, 1), 0.01))
    assert np.array_equal(alike.theta, plain.theta)
    # an error alike in all holds is an error of the level: 0.01^2 in every variance
    assert alike.covariance - plain.covariance == pytest.approx(np.full((30, 30), 1e-4), rel=1e-6)
    signed = 0.01 * np.sign(rng.standard_normal(50))[:, None]
    other = fit_lattice(axes, weights, y, own, shared=signed)
    more = np.diag(other.covariance - plain.covariance)
    assert (more > 0).all()
    # what goes up and down with the moves averages out in part, but for a corner beyond the holds
    assert np.median(more) < 0.2e-4
    assert np.sum(more > 1e-4) <= 1


# --- whole logs -----------------------------------------------------------------------------------


def engine_of(seed: int, *, largest_pct: float | None = None, **chain: float) -> TrueEngine:
    engine = draw_engine(np.random.default_rng(seed))
    if largest_pct is not None:
        share = largest_pct / float(np.abs(engine.error.at(*engine.operating_points())).max())
        error = engine.error
        error = replace(error, plane=error.plane * share, heights=error.heights * share)
        engine = replace(engine, error=error)
    return replace(engine, chain=replace(engine.chain, **chain))


def samples_of(engine: TrueEngine, seed: int, **plan: object) -> tuple[pd.DataFrame, Setup]:
    setup = Setup(axes=engine.car.axes, target=engine.car.target)
    made = simulate_session(engine, SessionPlan(**plan), rng=np.random.default_rng(seed))  # type: ignore[arg-type]
    return made.samples, setup


def evidence_of(engine: TrueEngine, seed: int, **plan: object) -> Evidence:
    samples, setup = samples_of(engine, seed, **plan)
    log = reduce_log(samples, name="simulated", setup=setup)
    return gather([log], setup=setup, current=Grid.zeros(setup.axes))


def inside(engine: TrueEngine, evidence: Evidence) -> np.ndarray:
    cells = evidence.cells[evidence.cells["confidence"].ne("none")]
    truth = engine.true_deviation_pct(cells["rpm"].to_numpy(), cells["load"].to_numpy())
    return ((cells["ci_low_pct"] <= truth) & (truth <= cells["ci_high_pct"])).to_numpy()


SLOW = {"rate_hz": 1.0, "ramp_s": (2.0, 3.0)}
CREEP = {"tail_pct": 2.0, "tail_s": 6.0}


@pytest.mark.parametrize(
    ("largest_pct", "chain", "plan"),
    [
        (0.5, {}, {}),
        (0.5, CREEP, {}),
        (0.5, CREEP | {"tail_follows_load": True}, {}),
        (None, CREEP, {}),
        (None, {}, SLOW),
        (0.5, {}, SLOW),
    ],
    ids=["flat", "flat, tail", "flat, tail by load", "tail", "1 Hz", "flat, 1 Hz"],
)
def test_intervals_hold_the_truth_on_flat_maps_with_tails_and_at_one_sample_a_second(
    largest_pct: float | None, chain: dict[str, float], plan: dict[str, object]
) -> None:
    """Cells of one engine go together, so that of five engines 90 % are asked for, not 95.

    With the tail left in the holds it is 32 % on a flat map, where three engines are enough to tell
    it, and 87 % on an ordinary one.
    """
    held = []
    for seed in range(3 if largest_pct else 5):
        engine = engine_of(seed, largest_pct=largest_pct, **chain)
        held.append(inside(engine, evidence_of(engine, seed, **plan)))
    assert np.concatenate(held).mean() >= 0.90


def test_a_tail_is_told_and_an_ordinary_log_is_not_touched() -> None:
    creeping = evidence_of(engine_of(1, **CREEP), 1)
    assert any("creeps during the holds" in note for note in creeping.notes)
    assert creeping.holds["tail_ln"].mean() > 0.003
    ordinary = evidence_of(engine_of(1), 1)
    assert not any("creeps" in note for note in ordinary.notes)
    assert "tail_se" not in ordinary.holds


def test_what_is_uncertain_about_a_tail_widens_what_a_cell_says_by_itself() -> None:
    samples, setup = samples_of(engine_of(1, **CREEP), 1)
    log = reduce_log(samples, name="simulated", setup=setup)
    sure = replace(log, holds=log.holds.assign(tail_se=0.0, tail_move_se=0.0))
    width = []
    for one in (log, sure):
        cells = gather([one], setup=setup, current=Grid.zeros(setup.axes)).cells
        # cells that holds tell of: what moves say has doubts of its own
        width.append((cells["own_high_pct"] - cells["own_low_pct"])[cells["holds"] > 1].dropna())
    assert len(width[0]) > 20
    assert (width[0] > width[1]).all()
    # the error is alike in all holds: it is there in cells of many holds as in those of one
    assert np.sqrt((width[0] ** 2 - width[1] ** 2).min()) > 300.0 * log.holds["tail_se"].median()


def test_the_tail_of_a_long_log_is_the_same_wherever_its_rest_is_cut() -> None:
    samples, setup = samples_of(engine_of(2, **CREEP, tail_follows_load=True), 2, holds=60)
    first = len(samples) // 2
    rest = samples.iloc[first:]
    one = reduce_parts([samples.iloc[:first], rest], name="x", setup=setup)
    cuts = np.array_split(np.arange(len(rest)), 4)
    many = reduce_parts(
        [samples.iloc[:first], *(rest.iloc[rows] for rows in cuts)], name="x", setup=setup
    )
    assert one.holds["tail_move_se"].abs().max() > 0
    pd.testing.assert_frame_equal(many.holds, one.holds, rtol=1e-9)
