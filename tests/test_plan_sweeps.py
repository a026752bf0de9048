"""A plan asks for sweeps of speed only where they teach more in their time than holds."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pandas as pd
import pytest

from tuneassist.evidence.lattice import fit_lattice
from tuneassist.evidence.map_fit import FittedBlocks
from tuneassist.grid import Axes, bilinear_weights
from tuneassist.loop.plan import Plan, plan_holds
from tuneassist.loop.settings import PlanSettings
from tuneassist.loop.sweeps import CLEARLY_MORE, MAX_SHARE, RATE_RPM_S
from tuneassist.loop.uncertainty import map_uncertainty
from tuneassist.pipeline import Evidence
from tuneassist.settings import Ceiling, EngineSettings, LimitSettings, Setup, Target
from tuneassist.show.plan import plan_record, step_words

LOADS = np.array([30.0, 50, 70, 90, 130, 170])
#: Narrow cells, as of a table with a breakpoint every 125 rpm, and the wide ones of a coarse table.
NARROW = Axes(rpm=np.arange(1000.0, 3500.0, 125.0), load=LOADS)
WIDE = Axes(rpm=np.arange(1000.0, 7000.0, 1000.0), load=LOADS)


def setup(axes: Axes, **limits: object) -> Setup:
    return Setup(
        axes=axes,
        target=Target(np.ones(axes.shape)),
        engine=EngineSettings(),
        limits=LimitSettings(**limits),  # type: ignore[arg-type]
    )


def known(axes: Axes, **columns: np.ndarray) -> Evidence:
    """Evidence of a bumpy surface along speed, from a few holds all over the map."""
    rng = np.random.default_rng(3)
    rpm = rng.uniform(axes.rpm[0], axes.rpm[-1], 40)
    load = rng.uniform(axes.load[0], axes.load[-1], 40)
    need = 0.04 * np.sin(rpm / 60.0) + rng.normal(0, 0.004, 40)
    fit = fit_lattice(axes, bilinear_weights(axes, rpm, load), need, np.full(40, 1e-3))
    holds = pd.DataFrame(
        {"rpm": rpm, "load": load, "samples": 60, "within_se": 1e-3, "is_used": True}
    )
    cells = pd.DataFrame({"rpm": axes.cell_rpm(), "load": axes.cell_load(), **columns})
    return Evidence(
        cells.assign(is_disputed=False, ci_low_pct=0.0, ci_high_pct=0.0), holds, fit, ()
    )


#: A slow brake, on which a hold takes long: a sweep of narrow cells then teaches more.
SLOW = PlanSettings(hold_s=30.0)


def planned(
    axes: Axes, evidence: Evidence, *, settings: PlanSettings = SLOW, **limits: object
) -> Plan:
    visits = np.full(axes.size, 100.0)
    return plan_holds(
        evidence, setup=setup(axes, **limits), minutes=15.0, visits=visits, settings=settings
    )


@lru_cache(maxsize=1)
def narrow() -> Plan:
    return planned(NARROW, known(NARROW))


def test_narrow_cells_are_swept_and_the_sweep_fits_into_the_time() -> None:
    plan = narrow()
    assert len(plan.sweeps) > 0
    spent = plan.sweeps["sweep_s"] + plan.sweeps["move_s"]
    assert spent.sum() <= MAX_SHARE * 15 * 60
    assert plan.total_s <= 15 * 60
    length = plan.sweeps["rpm_to"] - plan.sweeps["rpm"]
    assert np.allclose(plan.sweeps["sweep_s"], 2.0 * length / RATE_RPM_S)
    # holds begin when the sweeps are done
    assert plan.holds["start_s"].min() >= spent.sum()


def test_wide_cells_are_held_for_a_sweep_takes_longer() -> None:
    plan = planned(WIDE, known(WIDE))
    assert plan.sweeps.empty
    quick = planned(NARROW, known(NARROW), settings=PlanSettings(hold_s=10.0))
    assert quick.sweeps.empty  # so quick a hold teaches more in the same time
    assert not any("sweep first" in note for note in plan.notes)


def test_a_plan_with_sweeps_leaves_less_doubt_than_holds_in_the_same_time(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("tuneassist.loop.sweeps.CLEARLY_MORE", 1e9)
    only_holds = planned(NARROW, known(NARROW))
    assert CLEARLY_MORE > 1.0
    assert only_holds.sweeps.empty
    assert narrow().doubt_after_pct < only_holds.doubt_after_pct


def test_no_sweep_is_asked_for_in_boost_or_at_heavy_load() -> None:
    assert narrow().sweeps["load"].max() < SLOW.heavy_share * LOADS[-1]
    assert narrow().sweeps["load"].max() <= LimitSettings().boost_above_kpa
    low = planned(NARROW, known(NARROW), boost_above_load=60.0)
    assert (low.sweeps["load"] <= 50.0).all()


def test_no_sweep_crosses_a_place_where_a_ceiling_was_exceeded() -> None:
    hot = np.where((NARROW.cell_rpm() == 2250.0), 990.0, 500.0)
    plan = planned(
        NARROW, known(NARROW, exhaust_temp_c_max=hot), ceilings={"exhaust_temp": Ceiling(900.0)}
    )
    crosses = (plan.sweeps["rpm"] <= 2250.0) & (plan.sweeps["rpm_to"] >= 2250.0)
    assert not crosses.any()


def test_without_a_usable_surface_holds_are_spread_and_nothing_is_swept() -> None:
    plan = planned(NARROW, Evidence(pd.DataFrame(), known(NARROW).holds.iloc[:0], None, ()))
    assert plan.is_spread
    assert plan.sweeps.empty


def test_sweeps_stand_in_notes_table_and_json_ahead_of_the_holds() -> None:
    plan = narrow()
    assert plan.notes[0].startswith("sweep first, ahead of the holds:")
    assert "then" in step_words(plan)
    frame = plan.to_frame()
    assert frame["kind"].tolist() == ["sweep"] * len(plan.sweeps) + ["hold"] * len(plan.holds)
    assert frame["start_s"].is_monotonic_increasing
    assert (frame.loc[frame["kind"] == "sweep", "rpm_to"] > plan.sweeps["rpm"].to_numpy()).all()
    record = plan_record(plan, setup=setup(NARROW), is_simulated=False)
    assert len(record["sweeps"]) == len(plan.sweeps)


def test_moving_samples_that_are_worth_enough_holds_show_where_to_hold_without_any_hold() -> None:
    one = known(WIDE)
    places = pd.DataFrame({"rpm": [1500.0, 4500.0], "load": [50.0, 90.0], "weight": 1.0})
    moving = FittedBlocks(
        rpm=np.full(24, 1500.0), load=np.full(24, 50.0), log_number=np.zeros(24, dtype=np.int64),
        samples=np.full(24, 20.0), need_ln=np.zeros(24), variance=np.full(24, 1e-4),
        weights=bilinear_weights(WIDE, np.full(24, 1500.0), np.full(24, 50.0)),
        weight=np.ones(24), worth=np.full(24, 0.6), growth=1.0, transient=np.zeros(24),
    )  # fmt: skip

    def is_assumed(moving: FittedBlocks | None) -> bool:
        swept = replace(one, holds=one.holds.iloc[:0], moving=moving)
        assert swept.fit is not None
        swept = replace(swept, fit=replace(swept.fit, is_surface=True))
        found = map_uncertainty(swept, places, axes=WIDE, kind="aim", settings=PlanSettings())
        assert np.isfinite(found.noise).all()
        return found.is_assumed

    assert is_assumed(None)
    assert not is_assumed(moving)  # 24 blocks of 0.6 are worth 14 holds, 12 are asked for
    assert is_assumed(replace(moving, worth=np.full(24, 0.4)))
