"""The map of holds and moving blocks together."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pandas as pd

from tuneassist.evidence.map_fit import MapFit, fit_holds, fit_map
from tuneassist.evidence.moving_blocks import BLOCK_COLUMNS, TRANSIENT_COLUMNS, no_blocks
from tuneassist.grid import Axes, Floats, bilinear_weights
from tuneassist.settings import Setup, Target

AXES = Axes(rpm=np.linspace(1000, 6000, 8), load=np.linspace(30, 180, 7))
SETUP = Setup(axes=AXES, target=Target(np.ones(AXES.shape)))
#: Of load and of speed at each time constant: a wall film that holds back, and little else.
SIZES = np.array([0.12, 0.05, 0.0, -0.04, 0.0, 0.0])


def need_of(rpm: Floats, load: Floats) -> Floats:
    u, v = (rpm - 1000) / 5000, (load - 30) / 150
    return np.asarray(0.05 * np.sin(3 * u) * np.cos(2.5 * v))


def surface() -> Floats:
    return need_of(AXES.cell_rpm(), AXES.cell_load())


class Logs:
    """Some holds and many moving blocks of a known engine, in two logs."""

    def __init__(self, *, holds: int = 30, blocks: int = 300, off: float = 0.0, seed: int = 1):
        rng = np.random.default_rng(seed)
        self.holds = self._holds(rng, holds)
        self.blocks = self._blocks(rng, blocks, off)

    @staticmethod
    def _places(rng: np.random.Generator, count: int) -> tuple[Floats, Floats]:
        return rng.uniform(1000, 6000, count), rng.uniform(30, 180, count)

    def _holds(self, rng: np.random.Generator, count: int) -> pd.DataFrame:
        rpm, load = self._places(rng, count)
        columns = {"start_s": 20.0 * np.arange(count), "rpm": rpm, "load": load}
        total = bilinear_weights(AXES, rpm, load) @ surface()
        total = total + 0.003 * rng.standard_normal(count)
        log_number = (np.arange(count) >= count // 2).astype(np.int64)
        return pd.DataFrame({**columns, "total_need_ln": total, "within_se": 0.001}).assign(
            log_number=log_number
        )

    def _blocks(self, rng: np.random.Generator, count: int, off: float) -> pd.DataFrame:
        rpm, load = self._places(rng, count)
        moves = 0.1 * rng.standard_normal((count, len(TRANSIENT_COLUMNS)))
        total = bilinear_weights(AXES, rpm, load) @ surface() + moves @ SIZES
        total = total + off * np.sin(rpm / 400.0) + 0.006 * rng.standard_normal(count)
        table = pd.DataFrame(0.0, index=range(count), columns=list(BLOCK_COLUMNS))
        table[list(TRANSIENT_COLUMNS)] = moves
        log_number = (np.arange(count) >= count // 2).astype(np.int64)
        return table.assign(
            start_s=5.0 + 3.0 * np.arange(count),
            rpm=rpm,
            load=load,
            samples=20.0,
            rate_per_s=np.abs(moves).sum(axis=1),
            total_need_ln=total,
            log_number=log_number,
        )

    def fit(self) -> MapFit:
        found = fit_map(SETUP, *self.of_holds(), blocks=self.blocks)
        assert found is not None
        return found

    def of_holds(self):  # type: ignore[no-untyped-def]
        places = bilinear_weights(AXES, self.holds["rpm"], self.holds["load"])
        number = self.holds["log_number"].to_numpy(dtype=np.int64)
        return self.holds, places, number, np.ones(len(self.holds), dtype=bool)


@lru_cache(maxsize=2)
def honest() -> tuple[Logs, MapFit]:
    logs = Logs()
    return logs, logs.fit()


def test_the_transients_of_a_known_engine_are_found_and_taken_out() -> None:
    logs, found = honest()
    np.testing.assert_allclose(found.fit.transients, SIZES, atol=0.025)
    assert found.blocks is not None
    moves = logs.blocks[list(TRANSIENT_COLUMNS)].to_numpy()
    expected = logs.blocks["total_need_ln"] - moves @ found.fit.transients
    np.testing.assert_allclose(found.blocks.need_ln, expected, atol=1e-9)


def test_blocks_make_the_map_better_than_the_holds_alone() -> None:
    logs, found = honest()
    alone = fit_holds(SETUP, *logs.of_holds())
    assert alone is not None
    off = [np.sqrt(np.mean((fit.theta - surface()) ** 2)) for fit in (found.fit, alone)]
    assert off[0] < 0.7 * off[1]
    inside = np.abs(found.fit.theta - surface()) < found.fit.half_width()
    assert inside.mean() > 0.85


def test_blocks_that_contradict_the_holds_lose_weight() -> None:
    _, found = honest()
    wrong = Logs(off=0.04).fit()
    assert found.blocks is not None
    assert wrong.blocks is not None
    assert found.blocks.growth < 2.0
    assert np.median(wrong.blocks.variance) > 4.0 * np.median(found.blocks.variance)
    assert wrong.blocks.worth.sum() < 0.3 * found.blocks.worth.sum()


def test_what_is_said_of_single_readings_is_cut_to_the_holds() -> None:
    logs, found = honest()
    for name in ("weight", "left_out_residual", "left_out_se"):
        assert len(getattr(found.fit, name)) == len(logs.holds), name
    assert found.blocks is not None
    for name in ("rpm", "load", "need_ln", "variance", "weight", "worth", "log_number"):
        assert len(getattr(found.blocks, name)) == len(logs.blocks), name
    assert (found.blocks.worth <= 1.0).all()


def test_the_order_of_the_logs_does_not_matter() -> None:
    logs, found = honest()
    other = Logs()
    for name in ("holds", "blocks"):
        table = getattr(logs, name)
        turned = pd.concat([table[table["log_number"] == one] for one in (1, 0)])
        turned = turned.assign(log_number=1 - turned["log_number"]).reset_index(drop=True)
        setattr(other, name, turned)
    swapped = other.fit()
    np.testing.assert_allclose(swapped.fit.theta, found.fit.theta, atol=2e-5)
    np.testing.assert_allclose(
        swapped.fit.standard_error, found.fit.standard_error, rtol=0.02, atol=1e-6
    )


def test_without_blocks_the_map_is_that_of_the_holds() -> None:
    logs = Logs()
    found = fit_map(SETUP, *logs.of_holds(), blocks=no_blocks())
    alone = fit_holds(SETUP, *logs.of_holds())
    assert found is not None
    assert alone is not None
    assert found.blocks is None
    assert np.array_equal(found.fit.theta, alone.theta)
    assert np.array_equal(found.fit.covariance, alone.covariance)


def test_without_anything_there_is_no_map_and_blocks_alone_make_one() -> None:
    logs = Logs(holds=0)
    assert fit_map(SETUP, *logs.of_holds(), blocks=no_blocks()) is None
    found = logs.fit()
    assert np.sqrt(np.mean((found.fit.theta - surface()) ** 2)) < 0.006
    assert len(found.fit.weight) == 0


def test_blocks_that_may_have_drifted_count_for_less() -> None:
    logs = Logs()
    faded = replace_blocks(logs, fade_ln=0.02)
    fresh, old = honest()[1], faded.fit()
    assert fresh.blocks is not None
    assert old.blocks is not None
    assert (old.blocks.variance > fresh.blocks.variance).all()


def replace_blocks(logs: Logs, **columns: float) -> Logs:
    logs.blocks = logs.blocks.assign(**columns)
    return logs
