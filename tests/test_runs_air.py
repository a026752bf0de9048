"""Runs in air that differs: the yardstick at published figures, and refusals at their border."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tuneassist.errors import SetupError
from tuneassist.runs import AirState, NamedSamples, RunSettings, compare_runs
from tuneassist.runs.air_difference import KnownAir, air_effect_pct, air_refusal, mean_air
from tuneassist.settings import EngineSettings
from tuneassist.simulate.full_load import (
    FullLoadLog,
    FullLoadPlan,
    simulate_full_load,
    stock_diesel,
)

SETTINGS, NAMES = RunSettings(), ("before", "after")
FAIR = KnownAir(99.0, 24.85)
PETROL = EngineSettings(ignition="spark")
PLAN = FullLoadPlan(boost_kpa=0.0)


def log(plan: FullLoadPlan, seed: int) -> FullLoadLog:
    return simulate_full_load(stock_diesel(), plan, rng=np.random.default_rng(seed), name=f"{seed}")


@pytest.mark.parametrize(
    ("kpa", "kelvin", "factor"),
    # ISO 1585, UN R85 Annex 5 clause 5.4.1 (references 2.1): alpha_a against 99 kPa, 298 K
    [(97, 308, 1.04529), (95, 298, 1.05074), (99, 313, 1.02990), (101.325, 288, 0.95281)],
)
def test_what_air_is_worth_is_by_iso_1585(kpa: float, kelvin: float, factor: float) -> None:
    effect = air_effect_pct(FAIR, KnownAir(kpa, kelvin - 273.15))
    assert effect == pytest.approx(100.0 * (1.0 / factor - 1.0), abs=1e-3)


def test_what_one_side_does_not_know_is_taken_as_equal() -> None:
    nan = float("nan")
    # (99/95)^1.2 = 1.05074, with the temperature of one side not known
    assert air_effect_pct(FAIR, KnownAir(95.0, nan)) == pytest.approx(
        100 * (1 / 1.05074 - 1), abs=1e-3
    )
    # (313/298)^0.6 = 1.02990
    assert air_effect_pct(FAIR, KnownAir(nan, 39.85)) == pytest.approx(
        100 * (1 / 1.02990 - 1), abs=1e-3
    )
    assert np.isnan(air_effect_pct(FAIR, KnownAir()))
    assert np.isnan(air_effect_pct(KnownAir(99.0, nan), KnownAir(nan, 20.0)))


def test_the_mean_air_is_over_the_pulls_that_know_it() -> None:
    found = mean_air([KnownAir(98.0, 20.0), KnownAir(100.0), KnownAir(is_charged=True)])
    assert (found.pressure_kpa, found.temp_c, found.is_charged) == (99.0, 20.0, True)


@pytest.mark.parametrize(("effect", "is_refused"), [(0.99, False), (1.01, True), (-1.01, True)])
def test_air_is_asked_about_at_the_border(effect: float, is_refused: bool) -> None:
    other = KnownAir(99.0 * (1.0 + effect / 100.0) ** (1 / 1.2), 24.85)
    found = air_refusal(FAIR, other, SETTINGS, names=NAMES)
    assert (found is not None) is is_refused
    assert (
        air_refusal(FAIR, other, replace(SETTINGS, different_air="as measured"), names=NAMES)
        is None
    )


@pytest.mark.parametrize("is_charged", [True, False])
def test_the_temperature_of_a_charged_engine_is_doubted(is_charged: bool) -> None:
    hot = KnownAir(99.0, 60.0, is_charged)
    found = air_refusal(FAIR, hot, SETTINGS, names=NAMES)
    assert found is not None
    assert ("the charge temperature" in found.description) is is_charged


def test_air_that_is_not_known_is_no_refusal_but_is_said() -> None:
    assert air_refusal(FAIR, KnownAir(), SETTINGS, names=NAMES) is None
    sides = [
        NamedSamples(str(n), log(PLAN, n).samples.drop(columns=["barometer_kpa", "intake_temp_c"]))
        for n in (1, 2)
    ]
    found = compare_runs([sides[0]], [sides[1]], engine=PETROL)
    assert found.is_usable
    assert any("is not known" in note and "weather" in note for note in found.notes)
    half = [NamedSamples(s.name, s.samples.assign(barometer_kpa=99.0)) for s in sides]
    notes = compare_runs([half[0]], [half[1]], engine=PETROL).notes
    assert any("taken as equal" in note for note in notes)


def test_a_comparison_in_different_air_has_no_gain_and_no_verdict() -> None:
    thin = replace(PLAN, barometer_kpa=93.5, air_temp_c=28.0)
    found = compare_runs([log(PLAN, 1)], [log(thin, 2)], engine=PETROL)
    assert not found.is_usable
    assert found.driven.empty
    assert [r.name for r in found.refusals if r.name == "different air"] == ["different air"]
    zero = found.equivalence()
    assert zero.verdict == "cannot tell"
    assert "kPa" in zero.statement
    assert len(found.mean)  # each side for itself is there
    # the air given stands above the log
    air = AirState(99.0, 24.85)
    assert compare_runs([log(PLAN, 1)], [log(thin, 2)], engine=PETROL, air_after=air).is_usable


def test_the_word_for_different_air_is_checked() -> None:
    with pytest.raises(SetupError, match="different_air"):
        RunSettings(different_air="maybe")  # type: ignore[arg-type]
    assert pd.notna(RunSettings().max_air_effect_pct)
