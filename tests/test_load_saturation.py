"""A load that stands at the end of its sensor or gauge: found, said, and nothing learned from it.

All logs are simulated, so that the truth is known.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from lean_judge import proposed, turned_lean

from tuneassist.errors import SetupError
from tuneassist.evidence.load_saturation import find_load_saturation
from tuneassist.grid import Floats
from tuneassist.reduction import reduce_log, reduce_parts
from tuneassist.settings import Setup, SteadySettings
from tuneassist.simulate import SessionPlan, TrueEngine, draw_engine, simulate_session
from tuneassist.simulate.engine import draw_surface

BAROMETER_KPA = 101.325
SETTINGS = SteadySettings()


def drive(seed: int, holds: int = 75, **plan: bool) -> tuple[TrueEngine, pd.DataFrame, Setup]:
    rng = np.random.default_rng(seed)
    engine = draw_engine(rng)
    engine = replace(engine, error=draw_surface(engine.car, rng, largest_pct=3.0))
    session = SessionPlan(holds=holds, warm_up_s=0.0, **plan)
    samples = simulate_session(engine, session, rng=rng).samples
    return engine, samples, Setup(axes=engine.car.axes, target=engine.car.target)


def ends(load: Floats, unit: str = "kPa", base_kpa: float = 0.0) -> dict[str, float]:
    found = find_load_saturation(load, unit, base_kpa=base_kpa, settings=SETTINGS)
    return {end.side: end.value for end in found}


@pytest.mark.parametrize(("seed", "end_kpa"), [(1, 130.0), (2, 140.0), (4, 140.0)])
def test_boost_above_the_end_of_its_sensor_leans_nothing(seed: int, end_kpa: float) -> None:
    engine, samples, setup = drive(seed)
    true_load = samples["load"].to_numpy()
    ended = samples.assign(load=np.minimum(true_load, end_kpa))
    believed = replace(setup, steady=replace(setup.steady, load_highest=1000.0))
    # believed, samples of more boost stand as holds at the end and tell of its cells
    wrong = reduce_log(ended, name="simulated", setup=believed).holds
    assert (wrong["load"] > end_kpa - 1.0).sum() >= 3
    found = proposed(ended, setup)
    assert not (found.evidence.holds["load"] > end_kpa - 0.5).any()
    assert turned_lean(engine, found) == 0
    (note,) = (n for n in found.evidence.notes if "load is at" in n)
    assert f"load is at {end_kpa:g} kPa, the highest reading" in note
    assert "log a load with a wider range" in note
    assert "set load_highest under [steady]" in note
    taken = found.evidence.fates["load at its end"]
    assert taken == pytest.approx(np.sum(true_load > end_kpa), rel=0.15)


@pytest.mark.parametrize("step_kpa", [0.0, 0.1 * 6.894757, 1.0])
@pytest.mark.parametrize("is_polled", [False, True])
def test_an_honest_load_has_no_end(step_kpa: float, is_polled: bool) -> None:
    for seed in range(6):
        load = drive(seed, is_polled=is_polled)[1]["load"].to_numpy()
        assert ends(np.round(load / step_kpa) * step_kpa if step_kpa else load) == {}


def test_the_end_is_found_in_a_coarse_log_that_comes_back_to_it() -> None:
    load = drive(5)[1]["load"].to_numpy()
    assert ends(np.minimum(load, 140.0).round(0)) == {"highest": 140.0}
    psi = np.round((np.minimum(load, 140.0) - BAROMETER_KPA) / 6.894757, 1)
    assert ends(psi, "psi", BAROMETER_KPA) == {"highest": 5.6}


def test_a_gauge_that_ends_at_zero_files_all_vacuum_at_the_barometer() -> None:
    load = drive(5)[1]["load"].to_numpy() - BAROMETER_KPA
    assert ends(np.maximum(load, 0.0), "kPa", BAROMETER_KPA) == {"lowest": 0.0}


def test_an_engine_without_boost_stands_at_the_barometer_and_at_idle_by_itself() -> None:
    load = drive(5)[1]["load"].to_numpy()
    pulls = np.minimum(load, 99.4).round(0)  # 1 kPa a step, again and again at full load
    assert (pulls == 99.0).sum() > 200
    assert ends(pulls) == {}
    assert ends(np.maximum(load, 35.0).round(0)) == {}
    # a fine logger shows that the noise ends there, as with a sensor of one bar and a turbo
    assert ends(np.minimum(load, 104.9)) == {"highest": 104.9}


def test_a_load_that_hardly_moves_tells_no_end() -> None:
    still = np.full(2000, 150.0)
    assert ends(still) == {}
    still[:60] = np.linspace(40.0, 149.0, 60)
    assert ends(still) == {}


def test_what_ends_with_the_engine_has_no_end() -> None:
    load = np.minimum(drive(5)[1]["load"].to_numpy(), 140.0)
    assert ends(load, "percent") == {}  # full throttle
    assert ends(load, "mg/stroke") == {}  # the controller's own limit
    assert ends(load, "g/s") == {"highest": 140.0}
    assert ends(np.maximum(load, 60.0), "g/s") == {"highest": 140.0}  # no flow in an overrun


def test_an_end_by_hand_goes_first() -> None:
    _, samples, setup = drive(5)
    by_hand = replace(setup, steady=replace(setup.steady, load_highest=150.0, load_lowest=40.0))
    found = reduce_log(samples, name="simulated", setup=by_hand)
    load = samples["load"]
    assert found.fates["load at its end"] == ((load >= 150.0) | (load <= 40.0)).sum()
    notes = [n for n in found.notes if "load is at" in n]
    assert [("150 kPa" in n, "40 kPa" in n) for n in notes] == [(True, False), (False, True)]
    assert not any("under [steady]" in n for n in notes)
    with pytest.raises(SetupError, match="load_lowest"):
        replace(setup.steady, load_highest=40.0, load_lowest=40.0)
    replace(setup.steady, load_highest=10.0, load_lowest=-14.7)  # a gauge


def test_part_by_part_the_end_is_that_of_the_first_part() -> None:
    _, samples, setup = drive(5)
    ended = samples.assign(load=samples["load"].clip(upper=130.0))
    whole = reduce_log(ended, name="x", setup=setup)
    parts = [ended.iloc[:6000], ended.iloc[6000:]]
    found = reduce_parts(parts, name="x", setup=setup)
    assert found.fates["load at its end"] == whole.fates["load at its end"] > 0
    assert [n for n in found.notes if "load is at" in n] == [
        n for n in whole.notes if "load is at" in n
    ]
