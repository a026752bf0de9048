"""Standard air, torque and power, against published and hand-worked figures.

Flags as in the project's references: [R] read in a copy that anyone can open, [C] worked by hand
from the formula, [M] formula or limit from memory, the original not seen.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tuneassist.errors import InputError, SetupError
from tuneassist.runs import AirState, Refusal, RunSettings, air_correction
from tuneassist.runs.air import vapour_pressure_kpa
from tuneassist.runs.standard_air_factors import (
    atmospheric_factor,
    din70020,
    engine_factor,
    fuel_per_cycle,
    iso1585_spark,
    sae_j1349,
)
from tuneassist.runs.torque import (
    NM_RPM_PER_KW,
    PullTorque,
    inertia_torque_nm,
    power_kw,
    pull_torque,
    torque_nm,
)

ISO = RunSettings(standard="iso1585")


def at_kelvin(dry_kpa: float, kelvin: float) -> AirState:
    return AirState(dry_kpa, kelvin - 273.15, relative_humidity_pct=0.0)


# --- ISO 1585, UN R85 Annex 5 -------------------------------------------------------------------

SPARK = [
    # ps kPa, T K, alpha_a [C of a formula that is M], inside 0.93..1.07 [M]
    (99, 298, 1.00000, True), (97, 308, 1.04529, True), (95, 298, 1.05074, True),
    (99, 313, 1.02990, True), (101.325, 288, 0.95281, True), (93.3, 313, 1.10586, False),
    (104, 283, 0.91383, False),
]  # fmt: skip


@pytest.mark.parametrize(("dry", "kelvin", "factor", "is_inside"), SPARK)
def test_spark_factor_of_r85_annex_5_clause_5_4_1(
    dry: float, kelvin: float, factor: float, is_inside: bool
) -> None:
    assert float(iso1585_spark(dry, kelvin)) == pytest.approx(factor, abs=5e-6)
    found = air_correction(at_kelvin(dry, kelvin), ISO, ignition="spark")
    assert found.factor == pytest.approx(factor, abs=5e-6)
    assert found.is_in_range is is_inside


@pytest.mark.parametrize(
    ("per_charge", "factor"),
    # R85 Annex 5 clause 5.4.2.2 [R as quoted], figures [C]
    [(30, 0.3), (40, 0.3), (45, 0.48), (50, 0.66), (55, 0.84), (60, 1.02), (65, 1.2), (80, 1.2)],
)
def test_engine_factor_of_clause_5_4_2_2(per_charge: float, factor: float) -> None:
    assert float(engine_factor(per_charge)) == pytest.approx(factor, abs=1e-9)


def test_engine_factor_of_the_later_edition_runs_down_to_0_2() -> None:
    # [R, service manual]: lower limit 37.2, where f_m is about 0.2
    assert float(engine_factor(37.2, edition="iso-air")) == pytest.approx(0.2, abs=1e-3)
    assert float(engine_factor(20.0, edition="iso-liquid")) == pytest.approx(0.2, abs=1e-3)
    assert float(engine_factor(37.2, edition="r85")) == pytest.approx(0.3, abs=1e-9)


@pytest.mark.parametrize(
    ("charging", "edition", "factor", "corrected"),
    [
        # ps 97 kPa, T 308 K [C]; exponent 1.5 [M], 0.7 natural and 1.2 [R, service manual];
        # alpha_c at q_c 50, 30 (f_m 0.3) and 80
        ("natural", "r85", 1.04447, (1.02914, 1.01314, 1.05360)),
        ("turbo", "r85", 1.06587, (1.04300, 1.01932, 1.07956)),
        ("turbo", "iso-air", 1.05537, (1.03621, 1.01630, 1.06681)),
    ],
)
def test_compression_factors_of_clause_5_4_2(
    charging: str, edition: str, factor: float, corrected: tuple[float, float, float]
) -> None:
    base = float(atmospheric_factor(97.0, 308.0, charging=charging, edition=edition))  # type: ignore[arg-type]
    assert base == pytest.approx(factor, abs=5e-6)
    exponents = engine_factor([50.0, 30.0, 80.0])  # all three figures with R85's f_m
    np.testing.assert_allclose(base**exponents, corrected, atol=5e-6)


def test_liquid_cooled_charge_has_the_exponent_0_7() -> None:
    # [R, service manual] for the exponent; (99/97)^0.7 (308/298)^0.7 = 1.01440 x 1.02337 [C]
    found = float(atmospheric_factor(97.0, 308.0, charging="turbo", edition="iso-liquid"))
    assert found == pytest.approx(1.03811, abs=5e-5)


def test_fuel_per_cycle_of_the_worked_example() -> None:
    # [C]: 4.0 g/s, 2.0 l, 4000 /min -> q 60.0; r 1 -> f_m 1.02; r 1.8 -> q_c 33.33, f_m 0.3
    q = float(fuel_per_cycle(4.0, 2.0, 4000.0))
    assert q == pytest.approx(60.0)
    assert float(engine_factor(q)) == pytest.approx(1.02)
    assert q / 1.8 == pytest.approx(33.33, abs=5e-3)
    assert float(engine_factor(q / 1.8)) == pytest.approx(0.3)
    assert float(fuel_per_cycle(4.0, 2.0, 4000.0, strokes=2)) == pytest.approx(30.0)


def test_compression_correction_takes_fuel_and_pressure_ratio() -> None:
    settings = RunSettings(standard="iso1585", fuel_mg_per_l_cycle=100.0, charge_pressure_ratio=2.0)
    found = air_correction(at_kelvin(97, 308), settings, ignition="compression")
    assert found.factor == pytest.approx(1.04300, abs=5e-6)  # q_c 50, turbo, exponent 1.5 [C]
    logged = RunSettings(standard="iso1585", fuel_mg_per_l_cycle=100.0)
    assert air_correction(
        at_kelvin(97, 308), logged, ignition="compression", pressure_ratio=2.0
    ).factor == pytest.approx(1.04300, abs=5e-6)
    natural = RunSettings(standard="iso1585", fuel_mg_per_l_cycle=50.0, charging="natural")
    found = air_correction(at_kelvin(97, 308), natural, ignition="compression", pressure_ratio=2.0)
    assert found.factor == pytest.approx(1.02914, abs=5e-6)  # r is 1 without charging
    given_factor = RunSettings(standard="iso1585", engine_factor=0.66)
    assert air_correction(
        at_kelvin(97, 308), given_factor, ignition="compression"
    ).factor == pytest.approx(1.04300, abs=5e-6)


def test_compression_without_fuel_is_refused_and_says_what_to_give() -> None:
    found = air_correction(at_kelvin(97, 308), ISO, ignition="compression")
    assert math.isnan(found.factor)
    assert not found.is_in_range
    assert found.refusal is not None
    assert "fuel_mg_per_l_cycle" in found.refusal.description


@pytest.mark.parametrize(
    ("ignition", "factor", "is_inside"),
    [("spark", 1.0699, True), ("spark", 1.0701, False), ("spark", 0.9301, True),
     ("spark", 0.9299, False), ("compression", 1.0999, True), ("compression", 1.1001, False),
     ("compression", 0.9001, True), ("compression", 0.8999, False)],
)  # fmt: skip
def test_validity_range_at_its_borders(ignition: str, factor: float, is_inside: bool) -> None:
    # 0.93..1.07 and 0.9..1.1 [M; the second also R, service manual]
    settings = RunSettings(standard="iso1585", engine_factor=1.0, charging="natural")
    pressure = 99.0 / factor ** (1 / 1.2 if ignition == "spark" else 1.0)
    found = air_correction(at_kelvin(pressure, 298), settings, ignition=ignition)  # type: ignore[arg-type]
    assert found.factor == pytest.approx(factor)
    assert found.is_in_range is is_inside
    assert (found.refusal is None) is is_inside


def test_a_factor_outside_its_range_is_reported_with_the_conditions() -> None:
    found = air_correction(at_kelvin(93.3, 313), ISO, ignition="spark")
    assert found.refusal is not None
    for part in ("1.1059", "0.93", "1.07", "93.30 kPa", "39.9 degC"):
        assert part in found.refusal.description
    assert found.refusal.numbers["factor"] == pytest.approx(1.10586, abs=5e-6)


# --- SAE J1349, DIN 70020 -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("dry", "kelvin", "printed", "unrounded"),
    # JUN90 form [R, secondary web quotation], unrounded form [C]
    [(99, 298, 1.0, 1.0), (97, 308, 1.04437, 1.04424), (90, 298, 1.11800, 1.11765)],
)
def test_sae_j1349_jun90(dry: float, kelvin: float, printed: float, unrounded: float) -> None:
    assert float(sae_j1349(dry, kelvin)) == pytest.approx(printed, abs=5e-6)
    assert float(sae_j1349(dry, kelvin, is_rounded=False)) == pytest.approx(unrounded, abs=5e-6)
    for form, value in (("1.18", printed), ("unrounded", unrounded)):
        settings = RunSettings(standard="sae-j1349", j1349_form=form)  # type: ignore[arg-type]
        found = air_correction(at_kelvin(dry, kelvin), settings, ignition="spark")
        assert found.factor == pytest.approx(value, abs=5e-6)


def test_sae_j1349_is_refused_for_compression_and_outside_its_conditions() -> None:
    settings = RunSettings(standard="sae-j1349")
    diesel = air_correction(at_kelvin(97, 308), settings, ignition="compression")
    assert diesel.refusal is not None
    assert math.isnan(diesel.factor)
    # 90..105 kPa and 15..35 degC are from memory [M]
    assert air_correction(at_kelvin(90.1, 298), settings, ignition="spark").is_in_range
    for air in (at_kelvin(89.9, 298), at_kelvin(97, 273.15 + 35.1), at_kelvin(97, 288)):
        assert not air_correction(air, settings, ignition="spark").is_in_range


@pytest.mark.parametrize(
    ("mbar", "kelvin", "factor"),
    # K = (1013/p) sqrt(T/293), total pressure [R, secondary web quotation], figures [C]
    [(980, 303, 1.05116), (950, 308, 1.09327)],
)
def test_din_70020_takes_total_pressure(mbar: float, kelvin: float, factor: float) -> None:
    assert float(din70020(mbar / 10.0, kelvin)) == pytest.approx(factor, abs=5e-6)
    wet = AirState(mbar / 10.0, kelvin - 273.15, relative_humidity_pct=80.0)
    found = air_correction(wet, RunSettings(standard="din70020"), ignition="spark")
    assert found.factor == pytest.approx(factor, abs=5e-6)
    assert "range of validity is not known" in found.notes[0]


# --- humidity -----------------------------------------------------------------------------------


def test_vapour_pressure_of_40_cfr_1065_645() -> None:
    # 9.5 and 20 degC are printed [R]; the others [C]
    found = vapour_pressure_kpa([9.5, 20.0, 25.0, 30.0, 40.0])
    half_a_digit = np.array([5e-7, 5e-5, 5e-6, 5e-6, 5e-6])
    assert np.all(np.abs(found - [1.186581, 2.3371, 3.16682, 4.24272, 7.37733]) <= half_a_digit)


def test_amount_of_water_of_40_cfr_1065_645() -> None:
    # p_abs 99.980 kPa: dew point 9.5 degC -> 0.011868; 50.77 % at 20 degC -> 0.011868 [R]
    by_dew = AirState(99.980, 20.0, dew_point_c=9.5).vapour_kpa
    by_humidity = AirState(99.980, 20.0, relative_humidity_pct=50.77).vapour_kpa
    assert by_dew is not None
    assert by_humidity is not None
    assert by_dew / 99.980 == pytest.approx(0.011868, abs=5e-7)
    assert by_humidity / 99.980 == pytest.approx(0.011868, abs=5e-7)


def test_wet_pressure_would_be_3_percent_wrong() -> None:
    # 100.0 kPa, 303.15 K, 60 %: p_v 2.5456, p_d 97.4544, alpha_a 1.02959; wet 0.99822 [C]
    air = AirState(100.0, 30.0, relative_humidity_pct=60.0)
    assert air.vapour_kpa == pytest.approx(2.5456, abs=5e-5)
    assert air.dry_kpa == pytest.approx(97.4544, abs=5e-5)
    assert air_correction(air, ISO, ignition="spark").factor == pytest.approx(1.02959, abs=5e-6)
    unknown = air_correction(AirState(100.0, 30.0), ISO, ignition="spark")
    assert unknown.factor == pytest.approx(0.99822, abs=5e-6)
    # saturated air: 100/(100 - 4.24272) = 1.0443
    assert "Humidity is not known" in unknown.notes[0]
    assert "4.4 %" in unknown.notes[0]


def test_impossible_air_is_an_error_that_names_it() -> None:
    with pytest.raises(InputError, match="pressure_kpa"):
        AirState(1013.0, 20.0)
    with pytest.raises(InputError, match="dew_point_c"):
        AirState(99.0, 20.0, dew_point_c=21.0)
    assert AirState(99.0, 20.0, dew_point_c=20.0).dry_kpa < 99.0


def test_no_air_is_a_refusal_and_none_needs_no_air() -> None:
    assert math.isnan(air_correction(None, ISO, ignition="spark").factor)
    found = air_correction(None, RunSettings(), ignition="spark")
    assert (found.factor, found.is_in_range, found.refusal) == (1.0, True, None)


def test_settings_refuse_what_cannot_be() -> None:
    for wrong in (
        {"standard": "iso"}, {"margin_pct": 0.0}, {"alpha": 0.5}, {"level": 1.0},
        {"driven_rpm": (2600.0, 1600.0)}, {"relative_humidity_pct": 101.0},
        {"relative_humidity_pct": 50.0, "dew_point_c": 10.0}, {"min_samples": 0},
        {"smooth_min_points": 3},
    ):  # fmt: skip
        with pytest.raises(SetupError, match="runs"):
            RunSettings(**wrong)  # type: ignore[arg-type]


# --- torque and power ---------------------------------------------------------------------------


def test_power_is_torque_times_speed_over_9549_3() -> None:
    assert pytest.approx(9549.29659, abs=5e-6) == NM_RPM_PER_KW
    # references 10.2 [C]
    assert float(power_kw(200.0, 3000.0)) == pytest.approx(62.8319, abs=5e-5)
    assert float(power_kw(350.0, 5500.0)) == pytest.approx(201.5855, abs=5e-5)
    assert math.isnan(float(torque_nm(10.0, 0.0)))


@given(st.floats(1.0, 2000.0), st.floats(300.0, 9000.0))
def test_torque_and_power_undo_each_other(torque: float, rpm: float) -> None:
    assert float(torque_nm(power_kw(torque, rpm), rpm)) == pytest.approx(torque, rel=1e-12)


def test_inertia_torque_of_the_printed_coast_down() -> None:
    # 40 CFR 1066.270(c)(4) [R]: I 62.16 lbf s2/ft, 36.66 -> 22.0 ft/s in 5.00 s: 182.2 lbf. A
    # roller of 1 ft radius turns force into torque, and ft/s into rad/s, number for number.
    rpm = np.array([36.66, 22.0]) * 30.0 / np.pi
    found = inertia_torque_nm([0.0, 5.0], rpm, 62.16)
    np.testing.assert_allclose(found, -182.253, atol=5e-4)  # printed value is truncated


def samples(**columns: object) -> pd.DataFrame:
    return pd.DataFrame({"time_s": np.arange(4.0), "rpm": [2000.0, 2500, 3000, 3500], **columns})


def test_power_alone_gives_torque_and_says_so() -> None:
    frame = samples(power_kw=power_kw(200.0, [2000.0, 2500, 3000, 3500]))
    found = pull_torque(frame, RunSettings())
    assert isinstance(found, PullTorque)
    np.testing.assert_allclose(found.torque_nm, 200.0)
    assert found.source == "power"
    assert found.notes


@pytest.mark.parametrize(("apart", "is_said"), [(1.9, False), (2.1, True), (-2.1, True)])
def test_disagreement_of_torque_and_power_is_said(apart: float, is_said: bool) -> None:
    power = power_kw(200.0 * (1 + apart / 100), [2000.0, 2500, 3000, 3500])
    found = pull_torque(samples(torque_nm=200.0, power_kw=power), RunSettings())
    assert isinstance(found, PullTorque)
    np.testing.assert_allclose(found.torque_nm, 200.0)
    assert found.disagreement_pct == pytest.approx(apart)
    assert bool(found.notes) is is_said
    other = pull_torque(samples(torque_nm=200.0, power_kw=power), RunSettings(trust="power"))
    assert isinstance(other, PullTorque)
    np.testing.assert_allclose(other.torque_nm, 200.0 * (1 + apart / 100))


def test_a_mixed_up_unit_is_named() -> None:
    # hp 0.74569987158227 kW (550 ft lbf/s, exact)
    power = power_kw(200.0, [2000.0, 2500, 3000, 3500]) / 0.74569987158227
    found = pull_torque(samples(torque_nm=200.0, power_kw=power), RunSettings())
    assert isinstance(found, PullTorque)
    assert "hp, read as kW" in found.notes[0]
    assert "PS" not in found.notes[0]


def test_neither_torque_nor_power_needs_an_inertia() -> None:
    assert isinstance(pull_torque(samples(), RunSettings()), Refusal)
    found = pull_torque(samples(), RunSettings(inertia_kg_m2=3.0))
    assert isinstance(found, PullTorque)
    # 500 rpm/s is 52.360 rad/s2, times 3 kg m2
    np.testing.assert_allclose(found.torque_nm, 157.0796, atol=5e-5)
