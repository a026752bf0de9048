"""The engine's answer to the last change, on holds made by hand with known answers."""

from __future__ import annotations

import tracemalloc
from functools import lru_cache

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from tuneassist.evidence.delay import SensorDelay
from tuneassist.evidence.holds import Settling
from tuneassist.evidence.refresh import Refresh
from tuneassist.grid import Axes, Floats, Grid
from tuneassist.loop import response as module
from tuneassist.loop.response import Response, ResponseSettings, measure_response
from tuneassist.pipeline import FATES, Evidence, LogEvidence, gather
from tuneassist.settings import CorrectionSettings, Setup, Target

AXES = Axes(rpm=np.array([1000.0, 2000, 3000, 4000, 5000]), load=np.array([20.0, 40, 60, 80]))
SETUP = Setup(axes=AXES, target=Target(np.ones(AXES.shape)))
START = Grid.zeros(AXES)
SCATTER = 0.003  # of a hold's need [ln]


def need_pct(rpm: Floats, load: Floats) -> Floats:
    """A smooth need from -4 to +8 %."""
    return 2.0 + 4.0 * np.sin(rpm / 1500.0) + 0.05 * (load - 50.0)


def places(n: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
    return rng.uniform(1000, 5000, n), rng.uniform(20, 80, n)


def holds(rpm: Floats, load: Floats, need_ln: Floats) -> pd.DataFrame:
    one = np.ones(len(rpm))
    return pd.DataFrame(
        {
            "start_s": 20.0 * np.arange(len(rpm)),
            "end_s": 20.0 * np.arange(len(rpm)) + 10.0,
            "rpm": rpm,
            "load": load,
            "samples": 50.0 * one,
            "effective_n": 20.0 * one,
            "need_ln": need_ln,
            "within_se": 0.001 * one,
            "target_lambda": one,
            "stop": "",
            "log": "hand-made",
        }
    )


def log_of(frame: pd.DataFrame, name: str = "hand-made") -> LogEvidence:
    return LogEvidence(
        name=name,
        holds=frame.assign(log=name),
        fates=pd.Series(0, index=FATES),
        samples=0,
        refresh=Refresh({}, 0.1),
        delay=SensorDelay(0.1, 0.01, 0.0, 1.0, 0.1, 10, "log", "hand-made"),
        settling=Settling(1.0, "log", "hand-made"),
        stops=(0.0, np.inf),
        peaks=pd.DataFrame(index=range(AXES.size)),
    )


@pytest.fixture(scope="module")
def first() -> Evidence:
    rng = np.random.default_rng(1)
    rpm, load = places(60, rng)
    ln = np.log1p(need_pct(rpm, load) / 100) + SCATTER * rng.standard_normal(60)
    return gather([log_of(holds(rpm, load, ln))], setup=SETUP, current=START)


def full_step() -> Grid:
    rpm, load = AXES.cell_rpm(), AXES.cell_load()
    return Grid(AXES, need_pct(rpm, load).reshape(AXES.shape))


def second(
    now: Grid, *, acts: float = 1.0, more_pct: float = 0.0, wild: float = 0.0, n: int = 40
) -> pd.DataFrame:
    """Holds of a second round on an engine to which the grid acts by a share."""
    rng = np.random.default_rng(2)
    rpm, load = places(n, rng)
    ln = np.log1p(need_pct(rpm, load) / 100) + np.log1p(more_pct / 100)
    ln -= acts * np.log1p(now.at(rpm, load) / 100)
    return holds(rpm, load, ln + np.hypot(SCATTER, wild) * rng.standard_normal(n))


def judge(first: Evidence, new: pd.DataFrame, now: Grid, before: Grid = START) -> Response:
    return measure_response(first, new, before=before, now=now, setup=SETUP)


def test_an_engine_that_answers_has_a_response_of_one_inside_a_narrow_interval(first):
    now = full_step()
    found = judge(first, second(now), now)
    assert found.verdict == "as expected"
    assert not found.is_halt
    assert found.response_low < 1.0 < found.response_high
    assert found.response_high - found.response_low < 0.2
    assert abs(found.offset_pct) < 0.5


@pytest.mark.parametrize(
    ("acts", "verdict", "says"),
    [
        (0.0, "no answer", "Read the table back"),
        (-1.0, "wrong way", "sign"),
        (0.6, "weak answer", "only part"),
        (2.0, "strong answer", "added to what was there"),
    ],
)
def test_a_grid_that_does_not_act_as_it_should_halts_the_loop(first, acts, verdict, says):
    now = full_step()
    found = judge(first, second(now, acts=acts), now)
    assert found.verdict == verdict
    assert found.is_halt
    assert says in found.why
    assert found.response_low < acts < found.response_high


@pytest.mark.parametrize("more_pct", [10.0, -8.0])
@pytest.mark.parametrize("has_step", [True, False])
def test_a_need_that_changed_everywhere_is_told_with_its_size(first, more_pct, has_step):
    now = full_step() if has_step else START
    found = judge(first, second(now, more_pct=more_pct), now)
    assert found.verdict == "need changed everywhere"
    assert found.is_halt
    assert found.offset_pct == pytest.approx(more_pct, abs=0.5)
    assert ("more" if more_pct > 0 else "less") in found.why


def test_a_small_drift_does_not_stop_the_loop_but_is_measured(first):
    now = full_step()
    found = judge(first, second(now, more_pct=1.5), now)
    assert not found.is_halt
    assert found.offset_low_pct < 1.5 < found.offset_high_pct
    assert found.offset_low_pct > 0


def test_holds_that_nothing_explains_are_not_of_this_engine(first):
    now = full_step()
    found = judge(first, second(now, wild=0.05), now)
    assert found.verdict == "not the same engine"
    assert found.misfit_pct > 3.0


def test_the_interval_holds_the_truth_as_often_as_it_says(first):
    """100 second rounds; the first round's own error is shared, so it is drawn afresh too."""
    now = Grid(AXES, np.full(AXES.shape, 5.0))
    rng = np.random.default_rng(5)
    hits = 0
    for _ in range(100):
        old, new = (places(25, rng) for _ in range(2))
        known = np.log1p(need_pct(*old) / 100) + SCATTER * rng.standard_normal(25)
        earlier = gather([log_of(holds(*old, known))], setup=SETUP, current=START)
        ln = np.log1p(need_pct(*new) / 100) - np.log1p(0.05) + SCATTER * rng.standard_normal(25)
        found = judge(earlier, holds(*new, ln), now)
        hits += found.response_low <= 1.0 <= found.response_high
    # 95 % less 2 standard errors of a share over 100 draws, sqrt(0.95 x 0.05 / 100) = 0.022; with
    # the earlier fit's own error left out it is 88
    assert hits >= 91


def test_a_part_of_the_map_that_did_not_answer_is_named(first):
    now = full_step()
    new = second(now, n=80)
    deaf = (new["rpm"] < new["rpm"].median()) & (new["load"] < new["load"].median())
    undone = np.log1p(now.at(new["rpm"], new["load"]) / 100)
    new["need_ln"] = new["need_ln"].where(~deaf, new["need_ln"] + undone)
    found = judge(first, new, now)
    assert found.is_halt
    words = dict(zip(found.regions["region"], found.regions["response"], strict=True))
    assert abs(words["low speed and low load"]) < 0.4
    assert words["high speed and high load"] > 0.7


def test_too_few_holds_or_too_small_a_change_tell_nothing(first):
    now = full_step()
    rules = ResponseSettings()
    enough = judge(first, second(now).head(rules.min_holds), now)
    assert np.isfinite(enough.response)
    few = judge(first, second(now).head(rules.min_holds - 1), now)
    assert few.verdict == "cannot tell"
    assert np.isnan(few.response)
    assert f"only {rules.min_holds - 1} of the new holds" in few.why
    assert "repeat a few holds" in few.why
    tiny = Grid(AXES, np.full(AXES.shape, 0.5 * rules.min_change_pct))
    small = judge(first, second(tiny), tiny)
    assert small.verdict == "cannot tell"
    assert "too small" in small.why
    assert not small.is_halt


def test_holds_where_the_earlier_rounds_do_not_reach_are_left_out():
    rng = np.random.default_rng(3)
    rpm, load = rng.uniform(1000, 2000, 30), rng.uniform(20, 40, 30)
    corner = gather(
        [log_of(holds(rpm, load, np.full(30, 0.03) + 0.003 * rng.standard_normal(30)))],
        setup=SETUP,
        current=START,
    )
    now = Grid(AXES, np.full(AXES.shape, 3.0))
    far = second(now)
    far = far[(far["rpm"] > 3500) & (far["load"] > 60)]
    assert len(far) >= 3
    assert judge(corner, far, now).holds == 0


def test_a_boost_grid_is_expected_to_act_the_other_way(first):
    """More air leans: the need rises where a boost grid adds (contract, signs)."""
    setup = Setup(axes=AXES, target=SETUP.target, correction=CorrectionSettings(acts_on="boost"))
    now = Grid(AXES, np.full(AXES.shape, 4.0))
    rng = np.random.default_rng(2)
    rpm, load = places(40, rng)
    ln = np.log1p(need_pct(rpm, load) / 100) + np.log(1.04) + SCATTER * rng.standard_normal(40)
    found = measure_response(first, holds(rpm, load, ln), before=START, now=now, setup=setup)
    assert found.verdict == "as expected"


def test_the_fit_is_generalised_least_squares_as_statsmodels_has_it():
    rng = np.random.default_rng(4)
    x = rng.standard_normal((12, 2))
    root = rng.standard_normal((12, 12))
    covariance = root @ root.T + 12.0 * np.eye(12)
    y = x @ np.array([0.8, -0.3]) + 0.1 * rng.standard_normal(12)
    pair = module._Comparison(y, y, np.full(12, 12.0), root, y, y)
    line = module._fit_line(pair, [x[:, 0], x[:, 1]])
    wanted = sm.GLS(y, x, sigma=covariance).fit(cov_type="fixed scale")
    assert line.value == pytest.approx(wanted.params, rel=1e-9)
    assert line.error == pytest.approx(wanted.bse, rel=1e-9)  # no hold is wild, so not widened


def test_many_new_holds_take_memory_by_their_number_and_not_by_its_square(first):
    now = full_step()
    few, count = judge(first, second(now), now), 4000
    tracemalloc.start()
    many = judge(first, second(now, n=count), now)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert few.verdict == many.verdict == "as expected"
    assert many.holds > 0.9 * count
    assert peak < 0.5 * 8 * count**2  # half of one table of every hold against every other


# --- the log of another car -----------------------------------------------------------------------


def near_by(rng: np.random.Generator, rms_pct: float):  # type: ignore[no-untyped-def]
    """A smooth difference of another engine's surface: three round bumps, so large all in all."""
    middle = np.stack([rng.uniform(1000, 5000, 3), rng.uniform(20, 80, 3)])
    height = rng.choice([-1.0, 1.0], 3) * rng.uniform(0.5, 1.0, 3)

    def raw(rpm: Floats, load: Floats) -> Floats:
        u, v = (rpm[:, None] - middle[0]) / 900.0, (load[:, None] - middle[1]) / 15.0
        return np.asarray(np.exp(-0.5 * (u**2 + v**2)) @ height)

    size = float(np.sqrt(np.mean(raw(*places(2000, np.random.default_rng(0))) ** 2)))
    return lambda rpm, load: rms_pct / 100.0 * raw(rpm, load) / size


@lru_cache(maxsize=10)
def earlier(seed: int) -> Evidence:
    rng = np.random.default_rng(seed)
    rpm, load = places(60, rng)
    ln = np.log1p(need_pct(rpm, load) / 100) + 0.004 * rng.standard_normal(60)
    return gather([log_of(holds(rpm, load, ln))], setup=SETUP, current=START)


def two_rounds(
    seed: int, *, rms_pct: float = 0.0, days: int = 1, day_pct: float = 0.0, wild: int = 0
) -> Response:
    """A round of 60 holds and one of 40, of 0.4 % scatter; the second on days of their own."""
    rng, now = np.random.default_rng(1000 + seed), full_step()
    rpm, load = places(40, rng)
    ln = np.log1p(need_pct(rpm, load) / 100) - np.log1p(now.at(rpm, load) / 100)
    ln = ln + 0.004 * rng.standard_normal(40) + near_by(rng, rms_pct)(rpm, load)
    day = np.arange(40) % days
    ln += (day_pct / 100.0 * rng.standard_normal(days))[day]
    ln[:wild] += 0.04
    return judge(
        earlier(seed % 10), holds(rpm, load, ln).assign(log=[f"day {k}" for k in day]), now
    )


def test_another_car_is_found_though_its_surface_lies_near() -> None:
    """3.2 % rms from what is predicted, with holds that scatter by 0.4 %: 19 of 20 are asked for.

    The middle of the misfit alone misses some: a bump here and there leaves most holds alone.
    """
    found = [two_rounds(seed, rms_pct=3.2).verdict for seed in range(20)]
    assert found.count("not the same engine") >= 19


@pytest.mark.parametrize("days", [1, 3])
def test_honest_rounds_on_other_days_are_not_taken_for_another_car(days: int) -> None:
    """Days differ by 1 % (one standard deviation); of 60 rounds none is called another's."""
    found = [two_rounds(seed, days=days, day_pct=1.0).verdict for seed in range(60)]
    assert found.count("not the same engine") == 0
    assert found.count("as expected") >= 57


def test_a_few_wild_holds_do_not_make_another_car() -> None:
    found = [two_rounds(seed, wild=3).verdict for seed in range(20)]
    assert found.count("not the same engine") <= 1


def test_the_slightest_misfit_of_very_many_holds_is_no_other_car(first) -> None:
    """A fifth more scatter in 4000 holds is beyond chance, and of no matter."""
    now = full_step()
    more = second(now, n=4000, wild=0.7 * SCATTER)
    assert judge(first, more, now).verdict == "as expected"
    assert judge(first, second(now, n=4000, wild=3.0 * SCATTER), now).is_halt
