"""Of a long log a few thousand blocks are kept, alike many of each cell, however it was cut."""

import numpy as np
import pandas as pd
import pytest

from tuneassist.evidence import moving_blocks
from tuneassist.evidence.moving_blocks import MAX_BLOCKS, MovingBlocks, spread_over_cells
from tuneassist.evidence.visits import nearest_cell
from tuneassist.grid import Axes

RPM, LOAD = np.arange(1000.0, 7000.0, 500.0), np.arange(20.0, 200.0, 15.0)
AXES = Axes(rpm=RPM, load=LOAD, load_unit="kPa")
ROWS = 60_000


def _blocks(part_rows: int, rows: int = ROWS) -> pd.DataFrame:
    rng = np.random.default_rng(3)
    walk = np.cumsum(rng.normal(0.0, 0.04, (2, ROWS)), axis=1)
    place = 0.5 + 0.4 * np.sin(walk[0]), 0.5 + 0.4 * np.sin(walk[1])
    rpm, load = 1000.0 + 5500.0 * place[0] ** 2, 20.0 + 165.0 * place[1]
    need, time_s = rng.normal(0.0, 0.02, ROWS), np.arange(ROWS) * 0.1
    seen = MovingBlocks(AXES, load_offset=0.0, interval_s=0.1, max_gap_s=0.5)
    for start in range(0, rows, part_rows):
        at = slice(start, min(start + part_rows, rows))
        usable = np.ones(at.stop - at.start, dtype=bool)
        seen.add(time_s[at], rpm[at], load[at], need[at], usable)
    return seen.table()


@pytest.fixture
def every(monkeypatch: pytest.MonkeyPatch) -> pd.DataFrame:
    with monkeypatch.context() as without:
        without.setattr(moving_blocks, "MAX_BLOCKS", ROWS)
        return _blocks(ROWS)


def test_a_long_log_keeps_as_many_blocks_of_each_busy_cell(every: pd.DataFrame) -> None:
    kept = _blocks(ROWS)
    assert len(every) > 1.5 * MAX_BLOCKS
    assert MAX_BLOCKS - AXES.size < len(kept) <= MAX_BLOCKS
    counts = [
        np.bincount(nearest_cell(AXES, b["rpm"].to_numpy(), b["load"].to_numpy()), minlength=144)
        for b in (every, kept)
    ]
    assert (counts[1] == np.minimum(counts[0], counts[1].max())).all()


def test_a_kept_block_is_what_it_was(every: pd.DataFrame) -> None:
    kept = _blocks(ROWS)
    found = every.set_index("start_s").loc[kept["start_s"]].reset_index()
    pd.testing.assert_frame_equal(found[kept.columns], kept)
    assert kept["start_s"].is_monotonic_increasing
    # by lot, over the whole log: neither its beginning nor its end
    assert np.quantile(kept["start_s"], [0.25, 0.5, 0.75]) == pytest.approx(
        np.quantile(every["start_s"], [0.25, 0.5, 0.75]), abs=0.05 * ROWS * 0.1
    )


@pytest.mark.parametrize("waiting", [500, 3000])
def test_it_does_not_matter_where_a_log_is_cut_and_when_blocks_are_dropped(
    monkeypatch: pytest.MonkeyPatch, waiting: int
) -> None:
    monkeypatch.setattr(moving_blocks, "MAX_CELL_BLOCKS", 30)
    whole = _blocks(ROWS)
    monkeypatch.setattr(moving_blocks, "WAITING_BLOCKS", waiting)
    pd.testing.assert_frame_equal(_blocks(1777), whole, rtol=1e-9)


def test_a_short_log_keeps_every_block(monkeypatch: pytest.MonkeyPatch) -> None:
    few = _blocks(2000, rows=20_000)
    assert 1000 < len(few) < MAX_BLOCKS
    monkeypatch.setattr(moving_blocks, "WAITING_BLOCKS", 100)
    monkeypatch.setattr(moving_blocks, "MAX_CELL_BLOCKS", 1)
    pd.testing.assert_frame_equal(_blocks(2000, rows=20_000), few, rtol=1e-9)


def test_readings_are_chosen_by_lot_alike_many_of_each_cell() -> None:
    rng = np.random.default_rng(5)
    cell, lot = rng.integers(0, 9, 500) ** 2, rng.random(500)
    chosen = spread_over_cells(cell, lot, 200, 22)
    counts = np.bincount(cell[chosen])
    assert set(counts[counts > 0]) == {22}
    for one in np.unique(cell):
        assert lot[chosen & (cell == one)].max() < lot[~chosen & (cell == one)].min()
