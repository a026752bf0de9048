"""How late lambda arrives: against truth, its uncertainty, and when it says that it cannot tell."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from frames import columns_of
from scipy.signal import lfilter

from tuneassist.evidence.delay import (
    MIN_MOVES,
    SensorDelay,
    align,
    estimate_delay,
    known_delay,
)
from tuneassist.pipeline import reduce_log
from tuneassist.settings import Setup, SteadySettings
from tuneassist.simulate import SessionPlan, TrueEngine, draw_engine, simulate_session

DEFAULT = SteadySettings()
STEP_S = 0.02


def stepped(
    *,
    moves: int = 30,
    delay_s: float = 0.3,
    slope: float = 0.1,
    noise: float = 0.003,
    seed: int = 1,
) -> tuple[pd.DataFrame, np.ndarray]:
    """Steps of load every 6 s, ln(lambda) = slope ln(load / 80), late by a delay and 0.1 s of lag.

    No wall film; speed at rest, so that the delay hardly depends on flow. Returns the samples at
    10 Hz and the surface at them.
    """
    rng = np.random.default_rng(seed)
    levels = 80.0 * np.exp(np.cumsum(rng.choice([-0.25, 0.25], moves + 1)) % 1.0 - 0.5)
    inner_s = np.arange(0.0, 6.0 * (moves + 1), STEP_S)
    load = np.interp(inner_s % 6.0, [0.0, 0.2], [0.0, 1.0])
    number = (inner_s // 6.0).astype(int)
    load = levels[np.maximum(number - 1, 0)] * (1 - load) + levels[number] * load
    true = slope * np.log(load / 80.0)
    late = np.interp(inner_s - delay_s, inner_s, true)
    keep = np.exp(-STEP_S / 0.1)
    late = lfilter([1 - keep], [1, -keep], late, zi=[keep * late[0]])[0]
    at = slice(None, None, round(0.1 / STEP_S))
    n = len(inner_s[at])
    line = pd.DataFrame(
        {
            "time_s": inner_s[at],
            "rpm": 3000 + 3 * rng.standard_normal(n),
            "load": load[at] * (1 + 0.003 * rng.standard_normal(n)),
            "lambda": np.exp(late[at] + noise * rng.standard_normal(n)),
        }
    )
    return line, true[at]


def found(
    line: pd.DataFrame, surface: np.ndarray, settings: SteadySettings = DEFAULT
) -> SensorDelay:
    usable = np.ones(len(line), dtype=bool)
    return estimate_delay(columns_of(line), surface=surface, is_usable=usable, settings=settings)


# --- against truth ------------------------------------------------------------------------------


@pytest.mark.parametrize("delay_s", [0.0, 0.15, 0.4, 0.9])
def test_a_known_delay_is_found(delay_s: float) -> None:
    answer = found(*stepped(delay_s=delay_s))
    assert answer.source == "log"
    # less than the 0.1 s between rows
    assert answer.delay_s == pytest.approx(delay_s, abs=0.08)
    assert 0 < answer.standard_error_s < 0.1
    assert abs(answer.delay_s - delay_s) < 2 * answer.standard_error_s
    assert answer.moves == pytest.approx(30, abs=6)  # some steps lead back to the same load


def middle_delay_s(engine: TrueEngine, samples: pd.DataFrame, flow: float) -> float:
    """True gas delay at the samples whose speed times load is nearest to the log's middle."""
    near = (samples["rpm"] * samples["load"] - flow).abs().nsmallest(50).index
    rpm, load = (samples.loc[near, c].to_numpy(dtype=float) for c in ("rpm", "load"))
    return float(engine.delay_s(rpm, load).mean())


def test_simulated_sessions_are_told_within_their_own_uncertainty() -> None:
    spans, gaps, said = [], [], []
    for extra_s in (0.0, 0.3, 0.5):
        for seed in range(100, 108):
            rng = np.random.default_rng(seed)
            engine = draw_engine(rng)
            engine = replace(engine, chain=replace(engine.chain, extra_delay_s=extra_s))
            plan = SessionPlan(holds=40, warm_up_s=0.0, gaps=0)
            samples = simulate_session(engine, plan, rng=rng).samples
            setup = Setup(axes=engine.car.axes, target=engine.car.target)
            delay = reduce_log(samples, name="simulated", setup=setup).delay
            if delay.source == "default":
                said.append(delay.why)
                continue
            gap = delay.delay_s - middle_delay_s(engine, samples, delay.reference_flow)
            gaps.append(abs(gap))
            spans.append(abs(gap) / delay.standard_error_s)
    assert len(gaps) >= 20  # of 24
    assert all("hardly answers" in why for why in said)
    assert np.mean(np.array(spans) <= 3.0) >= 0.95
    assert np.mean(np.array(gaps) <= 0.15) >= 0.95
    assert np.sqrt(np.mean(np.square(spans))) < 1.5  # and not by luck of a wide error


@pytest.mark.parametrize("rows", [2, 5])
def test_lambda_a_few_rows_later_is_found_that_much_later(rows: int) -> None:
    line, surface = stepped(delay_s=0.2)
    later = line.assign(**{"lambda": line["lambda"].shift(rows).bfill()})
    first, second = found(line, surface), found(later, surface)
    assert second.delay_s - first.delay_s == pytest.approx(0.1 * rows, abs=0.03)


def test_spikes_do_not_sway_it() -> None:
    line, surface = stepped(delay_s=0.3)
    rng = np.random.default_rng(6)
    wild = line["lambda"].where(rng.uniform(size=len(line)) > 0.03, line["lambda"] * 1.3)
    assert found(line.assign(**{"lambda": wild}), surface).delay_s == pytest.approx(0.3, abs=0.06)


def test_more_noise_is_more_uncertainty() -> None:
    quiet = found(*stepped(noise=0.001)).standard_error_s
    loud = found(*stepped(noise=0.01)).standard_error_s
    assert loud > quiet >= 0.05  # what a wetted wall may hide is always in it


# --- when the log cannot tell -------------------------------------------------------------------


def assert_default(answer: SensorDelay, why: str) -> None:
    assert answer.source == "default"
    assert answer.delay_s == DEFAULT.default_delay_s == 0.2
    assert np.isnan(answer.standard_error_s)
    assert why in answer.why


@pytest.mark.parametrize("seed", range(12))
def test_the_default_is_said_when_lambda_does_not_answer(seed: int) -> None:
    # Swings fitted to noise alone look certain by their standard error in half of these logs.
    assert_default(found(*stepped(slope=0.0, noise=0.005, seed=seed)), "hardly answers")


def test_a_weak_answer_is_an_answer() -> None:
    # moves of 0.25 in ln(load) change lambda by 1.25 %, the noise of a sample is 1 %
    sources = [found(*stepped(slope=0.05, noise=0.01, seed=seed)).source for seed in range(6)]
    assert sources == ["log"] * 6


def test_the_default_is_said_when_there_are_few_moves() -> None:
    assert MIN_MOVES == 8
    line, surface = stepped(moves=8, seed=4, slope=0.2)
    counts = {moves: found(*stepped(moves=moves, slope=0.2, seed=4)) for moves in (7, 8)}
    assert_default(counts[7], "only 7 usable moves in the log, 8 needed")
    assert counts[8].source == "log"
    assert_default(found(line.head(40), surface[:40]), "only 0 usable moves")


def test_a_slow_log_with_moves_enough_says_that_its_samples_are_too_few() -> None:
    line, surface = stepped(moves=12, seed=4, slope=0.2)
    slow = found(line.iloc[::8].reset_index(drop=True), surface[::8])
    assert_default(slow, "log lambda more often")
    assert f"{MIN_MOVES} needed" not in slow.why


def test_the_default_is_said_when_no_lambda_is_a_value() -> None:
    line, surface = stepped()
    nothing = np.zeros(len(line), dtype=bool)
    answer = estimate_delay(columns_of(line), surface=surface, is_usable=nothing, settings=DEFAULT)
    assert answer.source == "default"


def test_a_given_delay_is_not_questioned() -> None:
    given = replace(DEFAULT, lambda_delay_s=0.7)
    answer = found(*stepped(), settings=given)
    assert (answer.delay_s, answer.source) == (0.7, "setup")
    assert known_delay(given, why="x", source="setup").at(np.array([900.0]), np.array([9.0])) == 0.7


def test_a_lambda_of_zero_is_no_value_and_no_crash() -> None:
    line, surface = stepped()
    line.loc[20:25, "lambda"] = 0.0
    usable = (line["lambda"] > 0).to_numpy()
    answer = estimate_delay(columns_of(line), surface=surface, is_usable=usable, settings=DEFAULT)
    assert answer.delay_s == pytest.approx(0.3, abs=0.05)


# --- the delay at an operating point, and aligning ----------------------------------------------


def made(delay_s: float = 0.3, flow_delay_s: float = 0.0, flow: float = 100.0) -> SensorDelay:
    return SensorDelay(delay_s, 0.05, flow_delay_s, flow, 0.1, 20, "log", "by hand")


def test_the_delay_goes_with_the_inverse_of_the_flow_within_bounds() -> None:
    delay = made(0.3, 0.1)
    # d + d1 (ref / flow - 1): at half the flow 0.3 + 0.1, at twice 0.3 - 0.05; ratio held to 3
    flows = np.array([100.0, 50.0, 200.0, 10.0])
    np.testing.assert_allclose(delay.at(flows, np.ones(4)), [0.3, 0.4, 0.25, 0.5])
    assert made(0.01, 0.1).at(np.array([300.0]), np.array([1.0]))[0] == 0.0  # never negative


def aligned(line: pd.DataFrame, delay: SensorDelay, *, max_gap_s: float) -> np.ndarray:
    names = ("time_s", "rpm", "load", "lambda")
    return align(*(line[name].to_numpy(dtype=float) for name in names), delay, max_gap_s=max_gap_s)


def test_align_by_hand() -> None:
    # Rows 0.1 s apart, delay 0.3 s: row i gets the reading of row i + 3, the last three get none
    # but what lies within the longest gap, which is the last reading.
    line = pd.DataFrame(
        {
            "time_s": np.arange(8) * 0.1,
            "rpm": 10.0,
            "load": 10.0,
            "lambda": [0.80, 0.81, 0.82, 0.83, 0.84, 0.85, 0.86, 0.87],
        }
    )
    found = aligned(line, made(0.3), max_gap_s=0.05)
    np.testing.assert_allclose(found[:5], [0.83, 0.84, 0.85, 0.86, 0.87])
    assert np.isnan(found[5:]).all()
    np.testing.assert_allclose(aligned(line, made(0.3), max_gap_s=1.0)[5:], 0.87)
    # 0.34 s is nearer to the third row later than to the fourth, 0.36 s is not
    assert aligned(line, made(0.34), max_gap_s=1.0)[0] == 0.83
    assert aligned(line, made(0.36), max_gap_s=1.0)[0] == 0.84


def test_align_reads_nothing_across_a_pause_and_keeps_stops_exact() -> None:
    line = pd.DataFrame(
        {
            "time_s": [0.0, 0.1, 5.0, 5.1],
            "rpm": 10.0,
            "load": 10.0,
            "lambda": [1.0, 1.0, 1.36, 1.36],
        }
    )
    found = aligned(line, made(2.0), max_gap_s=1.0)
    assert np.isnan(found[:2]).all()
    assert aligned(line, made(0.05), max_gap_s=1.0)[2] == 1.36


def test_align_where_the_place_is_unknown_takes_the_middle_delay() -> None:
    line = pd.DataFrame(
        {"time_s": np.arange(5) * 0.1, "rpm": np.nan, "load": 1.0, "lambda": np.arange(5.0)}
    )
    assert aligned(line, made(0.2), max_gap_s=1.0)[:3].tolist() == [2.0, 3.0, 4.0]
    assert aligned(line.head(1), made(0.2), max_gap_s=1.0).tolist() == [0.0]
