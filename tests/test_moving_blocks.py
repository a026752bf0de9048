"""Blocks of moving samples: cut, averaged and filtered alike however the log comes in."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from tuneassist.evidence.moving_blocks import (
    BLOCK_COLUMNS,
    SPIKE_INTERVAL_S,
    SPIKE_LN,
    TRANSIENT_COLUMNS,
    TRANSIENTS_S,
    MovingBlocks,
    first_order_lag,
    no_blocks,
)
from tuneassist.grid import Axes

AXES = Axes(rpm=np.linspace(1000, 6000, 6), load=np.array([40.0, 80, 120, 160]))
STEP_S = 0.05
GAP_S = 1.0
Rows = dict[str, np.ndarray]


def blocks(has_lambda: bool = True, offset: float = 0.0, interval_s: float = STEP_S):  # type: ignore[no-untyped-def]
    return MovingBlocks(
        AXES,
        load_offset=offset,
        interval_s=interval_s,
        max_gap_s=GAP_S,
        has_lambda=has_lambda,
    )


def rows_of(seconds: float, **columns: np.ndarray | float) -> Rows:
    """A log at rest, with the given columns instead."""
    time_s = np.arange(0.0, seconds, STEP_S)
    at_rest = {"time_s": time_s, "rpm": 3000.0, "load": 100.0, "need_ln": 0.02, "is_usable": True}
    return {name: np.zeros(len(time_s)) + value for name, value in (at_rest | columns).items()}


def table_of(rows: Rows, cuts: list[int] | None = None, **how: object) -> pd.DataFrame:
    found = blocks(**how)  # type: ignore[arg-type]
    rows = {**rows, "is_usable": rows["is_usable"].astype(bool)}
    for part in np.split(np.arange(len(rows["time_s"])), cuts or []):
        found.add(**{name: values[part] for name, values in rows.items()})
    return found.table()


def drive(seed: int, count: int = 300) -> Rows:
    """A wild drive on uneven time, with pauses, blanks, spikes and rows that may not count."""
    rng = np.random.default_rng(seed)
    step_s = rng.uniform(0.02, 0.2, count)
    step_s[rng.random(count) < 0.02] += 3.0
    rpm = np.clip(3000 + 150 * np.cumsum(rng.standard_normal(count)), 800, 7000)
    load = np.clip(90 + 5 * np.cumsum(rng.standard_normal(count)), 20, 190)
    need = 0.02 * rng.standard_normal(count) + 0.1 * (rng.random(count) < 0.03)
    is_usable = rng.random(count) < 0.8
    for values in (rpm, load):
        values[rng.random(count) < 0.05] = np.nan
        values[: rng.integers(0, 4)] = np.nan
    is_usable &= np.isfinite(rpm) & np.isfinite(load)
    need[rng.random(count) < 0.1] = np.nan
    return {
        "time_s": np.cumsum(step_s),
        "rpm": rpm,
        "load": load,
        "need_ln": need,
        "is_usable": is_usable.astype(float),
    }


@given(st.integers(0, 10_000), st.lists(st.integers(0, 300), max_size=12))
def test_a_log_in_parts_has_the_blocks_of_the_whole_log_to_the_bit(
    seed: int, cuts: list[int]
) -> None:
    rows = drive(seed)
    whole, parts = table_of(rows), table_of(rows, sorted(cuts))
    assert len(whole) > 10
    pd.testing.assert_frame_equal(parts, whole, check_exact=True)


@given(st.lists(st.integers(0, 600), max_size=5))
def test_blocks_that_end_on_even_time_end_alike_in_parts(cuts: list[int]) -> None:
    # at 20 Hz the clock of the blocks meets whole numbers but for its rounding
    rows = rows_of(30.0)
    pd.testing.assert_frame_equal(table_of(rows, sorted(cuts)), table_of(rows), check_exact=True)


def test_row_by_row_is_the_whole_log_too() -> None:
    rows = drive(3)
    pd.testing.assert_frame_equal(
        table_of(rows, list(range(300))), table_of(rows), check_exact=True
    )


@pytest.mark.parametrize("tau_s", TRANSIENTS_S)
def test_the_lag_is_scipys_filter_on_even_time(tau_s: float) -> None:
    values = np.cumsum(np.random.default_rng(1).standard_normal(500))
    keep = np.exp(-STEP_S / tau_s)
    first = keep * values[0]  # scipy's state, for a filter that begins at rest at the first value
    witness, _ = signal.lfilter([1.0 - keep], [1.0, -keep], values, zi=[first])
    found = first_order_lag(values, np.full(500, keep), values[0])
    np.testing.assert_allclose(found, witness, rtol=1e-12, atol=1e-12)


def test_high_passed_load_and_speed_are_scipys_on_even_time() -> None:
    time_s = rows_of(20.0)["time_s"]
    rows = rows_of(
        20.0, rpm=3000 + 900 * np.sin(time_s), load=100 + 40 * np.sin(0.7 * time_s + 1.0)
    )
    found = table_of(rows, offset=10.0)
    at = np.searchsorted(time_s, found["start_s"] - 1e-9)
    ends = np.searchsorted(time_s, found["end_s"] - 1e-9)
    for name, values in (("load", rows["load"] + 10.0), ("speed", rows["rpm"])):
        for number, tau_s in enumerate(TRANSIENTS_S):
            keep = np.exp(-STEP_S / tau_s)
            logs = np.log(values)
            slow, _ = signal.lfilter([1.0 - keep], [1.0, -keep], logs, zi=[keep * logs[0]])
            fast = logs - slow
            means = [fast[a : b + 1].mean() for a, b in zip(at, ends, strict=True)]
            np.testing.assert_allclose(found[f"{name}_transient_{number}"], means, atol=1e-10)
    assert found[list(TRANSIENT_COLUMNS)].abs().max().min() > 0.01


def test_at_rest_a_block_ends_after_two_seconds() -> None:
    found = table_of(rows_of(12.0))
    assert len(found) == pytest.approx(6, abs=1)
    starts = found["start_s"].diff().dropna()
    np.testing.assert_allclose(starts, 2.0, atol=STEP_S + 1e-9)
    assert found["samples"].sum() == len(rows_of(12.0)["time_s"])


@pytest.mark.parametrize(("name", "start", "cell"), [("rpm", 1500.0, 1000.0), ("load", 45.0, 40.0)])
def test_a_fast_move_ends_a_block_after_half_a_cell(name: str, start: float, cell: float) -> None:
    # 2 cells a second: half a cell takes 0.25 s, of which the clock of 2 s takes an eighth
    rows = rows_of(1.9)
    rows[name] = start + cell * 2.0 * np.clip(rows["time_s"] - 0.4, 0.0, None)
    found = table_of(rows)
    starts = found["start_s"].to_numpy()
    spans = np.diff(starts[(starts > 0.9) & (starts < 1.85)])
    assert len(spans) >= 2
    np.testing.assert_allclose(spans, 0.225, atol=STEP_S)


def test_a_pause_starts_everything_anew() -> None:
    rows = rows_of(4.0, load=np.linspace(60.0, 140.0, 80))
    later = {**rows, "time_s": rows["time_s"] + 100.0, "rpm": rows["rpm"] + 2000.0}
    both = {name: np.concatenate([rows[name], later[name]]) for name in rows}
    found, alone = table_of(both), table_of(later)
    after = found[found["start_s"] >= 100.0].reset_index(drop=True)
    pd.testing.assert_frame_equal(after, alone)
    assert not ((found["start_s"] < 99.0) & (found["end_s"] > 99.0)).any()


def test_after_a_pause_another_level_is_no_spike() -> None:
    rows = rows_of(2.0)
    later = {**rows, "time_s": rows["time_s"] + 100.0, "need_ln": rows["need_ln"] + 0.2}
    both = {name: np.concatenate([rows[name], later[name]]) for name in rows}
    assert table_of(both)["samples"].sum() == len(both["time_s"])


def test_a_short_hole_in_the_values_does_not_end_a_block() -> None:
    rows = rows_of(1.9)
    rows["need_ln"][10:14] = np.nan
    found = table_of(rows)
    assert len(found) == 1
    assert found["samples"][0] == len(rows["time_s"]) - 4


def test_spikes_are_left_out_and_steps_are_not() -> None:
    rows = rows_of(1.9)
    rows["need_ln"][20] += 2.0 * SPIKE_LN
    found = table_of(rows)
    assert found["samples"].sum() == len(rows["time_s"]) - 1
    np.testing.assert_allclose(found["need_ln"], 0.02, atol=1e-12)
    step = rows_of(1.9)
    step["need_ln"][20:] += 2.0 * SPIKE_LN
    # until the step is the middle of the last five, two rows are taken for spikes
    assert table_of(step)["samples"].sum() == len(step["time_s"]) - 2
    slow = table_of(rows, interval_s=2.0 * SPIKE_INTERVAL_S)
    assert slow["samples"].sum() == len(rows["time_s"])


def test_trims_alone_have_no_slow_transient() -> None:
    time_s = rows_of(10.0)["time_s"]
    rows = rows_of(10.0, load=100 + 40 * np.sin(time_s))
    trims, both = table_of(rows, has_lambda=False), table_of(rows)
    assert both["load_transient_2"].abs().max() > 0.1
    assert (trims[["load_transient_2", "speed_transient_2"]] == 0.0).all(axis=None)
    fast = ["load_transient_0", "load_transient_1"]
    pd.testing.assert_frame_equal(trims[fast], both[fast])


def test_blanks_at_the_start_do_not_look_like_a_move() -> None:
    rows = rows_of(3.0)
    for name in ("rpm", "load"):
        rows[name][:10] = np.nan
    rows["is_usable"][:10] = 0.0
    found = table_of(rows)
    assert (found[list(TRANSIENT_COLUMNS)].abs() < 1e-9).all(axis=None)
    assert (found["rate_per_s"] < 1e-9).all()


def test_rates_are_those_of_load_and_speed_together() -> None:
    rows = rows_of(8.0)
    rows["load"] = 40.0 * np.exp(0.1 * rows["time_s"])
    rows["rpm"] = 2000.0 * np.exp(0.05 * rows["time_s"])
    late = table_of(rows).query("start_s > 4")
    np.testing.assert_allclose(late["rate_per_s"], 0.15, rtol=1e-3)


def test_a_log_without_usable_rows_has_an_empty_table() -> None:
    found = table_of(rows_of(3.0, is_usable=0.0))
    pd.testing.assert_frame_equal(found, no_blocks())
    assert list(found) == list(BLOCK_COLUMNS)
