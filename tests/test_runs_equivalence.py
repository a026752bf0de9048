"""Zero means zero: TOST against statsmodels' published values, verdicts at their borders, power."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.weightstats import ttost_ind, ttost_paired

from tuneassist.runs import RunSettings, assess_equivalence
from tuneassist.runs.tost import holm, runs_needed, tost

SETTINGS = RunSettings()
GRID = np.arange(1500.0, 3001.0, 50.0)  # three bands of 500 rpm

# The clinic data of statsmodels' test_tost.py (BSD licence): first and last 15 of var1 and var2
VAR1 = (
    (2.84, 2.51, 2.41, 2.95, 3.14, 3.79, 4.14, 3.85, 3.02, 3.45, 5.37, 3.81, 4.19, 3.16, 3.84),
    (2.60, 2.82, 2.18, 3.46, 4.01, 3.04, 3.47, 4.06, 2.91, 3.59, 4.51, 3.16, 3.86, 3.31, 3.02),
)
VAR2 = (
    (4.00, 3.26, 4.14, 3.42, 3.25, 4.34, 4.97, 4.31, 3.11, 3.41, 5.02, 4.21, 4.59, 5.30, 4.32),
    (3.76, 3.66, 3.65, 3.60, 3.48, 2.87, 3.24, 3.92, 3.99, 4.21, 4.21, 3.31, 3.61, 2.97, 2.73),
)


@pytest.mark.parametrize(
    ("data", "design", "published"),
    # references section 12: expected values of that file, whose comments give R's tost() [R, C]:
    # difference, standard error, df, 90 % interval, p
    [
        (VAR1, "paired", (0.1646667, 0.1357514, 14, -0.07443, 0.40377, 0.00316688)),
        (VAR1, "welch", (0.1646667, 0.2531626, 26.7485, -0.26669, 0.59602, 0.04853084)),
        (VAR1, "pooled", (0.1646667, 0.2531626, 28, -0.26600, 0.59533, 0.04827315)),
        (VAR2, "paired", (0.5626667, 0.2478276, 14, 0.12617, 0.99917, 0.44120340)),
        (VAR2, "welch", (0.5626667, 0.2149872, 24.1100, 0.19492, 0.93042, 0.43179368)),
    ],
)
def test_tost_of_the_published_clinic_data(
    data: tuple[tuple[float, ...], tuple[float, ...]], design: str, published: tuple[float, ...]
) -> None:
    # theirs is first minus second, ours second minus first
    second, first = (np.array(v) for v in data)
    found = tost(first, second, low=-0.6, high=0.6, alpha=0.05, design=design)  # type: ignore[arg-type]
    ours = (found.difference, found.se, found.df, found.low, found.high, found.p)
    half_a_digit = (5e-8, 5e-8, 5e-5, 6e-6, 6e-6, 5e-9)
    for value, wanted, tolerance in zip(ours, published, half_a_digit, strict=True):
        assert value == pytest.approx(wanted, abs=tolerance)
    # the interval lies inside the margin exactly where p is below alpha
    assert (found.low > -0.6 and found.high < 0.6) is (found.p < 0.05)


@pytest.mark.parametrize(
    ("bound", "design", "df", "p"),
    [(1.0, "pooled", 10, 0.965097), (0.5, "paired", 5, 0.954854)],  # pingouin's docs [R, C]
)
def test_tost_of_a_second_library_s_documentation(
    bound: float, design: str, df: float, p: float
) -> None:
    first, second = np.array([4.0, 7, 8, 6, 3, 2]), np.array([6.0, 8, 7, 10, 11, 9])
    found = tost(first, second, low=-bound, high=bound, alpha=0.05, design=design)  # type: ignore[arg-type]
    assert found.df == pytest.approx(df)
    assert found.p == pytest.approx(p, abs=5e-7)


def test_tost_from_the_summary_figures() -> None:
    # n 30 + 30, s 0.5 %, difference 0.1 %, margin 0.5 %: df 58, p 0.0014993, -0.1158..0.3158 [C]
    shape = stats.norm.ppf((np.arange(30) + 0.5) / 30)
    first = (shape - shape.mean()) / shape.std(ddof=1) * 0.5
    found = tost(first, first + 0.1, low=-0.5, high=0.5, alpha=0.05, design="pooled")
    assert found.df == pytest.approx(58)
    assert found.p == pytest.approx(0.0014993, abs=5e-8)
    assert (found.low, found.high) == (pytest.approx(-0.1158, abs=5e-5),
                                       pytest.approx(0.3158, abs=5e-5))  # fmt: skip


@pytest.mark.parametrize("design", ["welch", "pooled", "paired"])
def test_tost_equals_statsmodels_functions_with_lopsided_bounds(design: str) -> None:
    rng = np.random.default_rng(0)
    first, second = rng.normal(0, 1, 6), rng.normal(0.3, 1, 6)
    found = tost(first, second, low=-2.0, high=1.5, alpha=0.05, design=design)  # type: ignore[arg-type]
    if design == "paired":
        wanted = ttost_paired(second, first, -2.0, 1.5)[0]
    else:
        spread = "unequal" if design == "welch" else "pooled"
        wanted = ttost_ind(second, first, -2.0, 1.5, usevar=spread)[0]
    assert found.p == pytest.approx(float(wanted), rel=1e-12)


# --- verdicts -----------------------------------------------------------------------------------


def runs(before: list[float], after: list[float], grid: np.ndarray = GRID) -> pd.DataFrame:
    """Curves that are flat at the torque given, one per run."""
    parts = [
        pd.DataFrame({"side": side, "log": side, "pull": number, "rpm": grid, "torque_nm": torque})
        for side, torques in (("before", before), ("after", after))
        for number, torque in enumerate(torques, start=1)
    ]
    return pd.concat(parts, ignore_index=True)


def test_like_runs_are_equivalent_band_by_band_and_together() -> None:
    found = assess_equivalence(runs([300, 301, 299], [300.5, 299.5, 301]), SETTINGS)
    assert found.verdict == "equivalent"
    assert found.statement == (
        "equivalent at every speed from 1500 to 3000 rpm: torque within 2 %. Not tested, because "
        "not logged on both sides: lambda, boost, exhaust temperature."
    )
    assert list(found.bands["verdict"]) == ["equivalent"] * 3
    assert list(found.bands["rpm_from"]) == [1500.0, 2000.0, 2500.0]
    assert found.bands["more_runs"].isna().all()
    # the interval that is shown decides, in ratios
    assert (found.bands["low"] > -2.0).all()
    assert (found.bands["high"] < 2.0).all()


def test_unlike_runs_are_different_and_the_band_is_named() -> None:
    curves = runs([300, 301, 299], [300.5, 299.5, 301])
    is_high = (curves["side"] == "after") & (curves["rpm"] >= 2550)
    curves.loc[is_high, "torque_nm"] *= 1.05  # at ten of the band's eleven speeds
    found = assess_equivalence(curves, SETTINGS)
    assert found.verdict == "different"
    # means: 300.333/300 x 1.05 = 1.05117, at the speeds that differ and at no other
    assert "torque +5.12 %" in found.statement
    assert "not shown equivalent at 2550 to 3000 rpm" in found.statement
    assert list(found.bands["verdict"]) == ["equivalent", "equivalent", "different"]


def test_a_small_difference_inside_the_margin_is_equivalent_though_not_zero() -> None:
    # 0.5 % apart with next to no scatter: certainly not zero, certainly within 2 %
    found = assess_equivalence(runs([300, 300.03, 299.97], [301.5, 301.53, 301.47]), SETTINGS)
    assert (found.bands["p_zero"] < 0.001).all()
    assert found.verdict == "equivalent"


def test_scattered_runs_cannot_tell_and_say_how_many_more() -> None:
    found = assess_equivalence(runs([300, 304, 296], [301, 305, 297]), SETTINGS)
    assert found.verdict == "cannot tell"
    more = found.bands["more_runs"].iloc[0]
    assert found.statement.startswith(f"cannot tell: {more:.0f} more runs a side")
    assert f"{more:.0f} more runs a side" in found.bands["statement"].iloc[0]
    hopeless = assess_equivalence(runs([300, 360, 240], [301, 361, 241]), SETTINGS)
    assert hopeless.verdict == "cannot tell"
    assert "more than 30 runs" in hopeless.statement


@pytest.mark.parametrize(
    ("before", "after", "more"),
    [
        ([300], [301, 300], "1 more run "),
        ([], [300, 301], "2 more runs "),
        ([300], [301], "1 more run "),
    ],
)
def test_fewer_than_two_runs_cannot_tell_and_say_what_is_missing(
    before: list[float], after: list[float], more: str
) -> None:
    found = assess_equivalence(runs(before, after), SETTINGS)
    assert found.verdict == "cannot tell"
    assert f"at least {more}" in found.statement
    assert found.refusals[-1].name == "no bands"


def test_a_run_that_does_not_cover_a_band_does_not_count_there() -> None:
    curves = runs([300, 301, 299], [300.5, 299.5, 301])
    short = (curves["side"] == "after") & (curves["pull"] > 1) & (curves["rpm"] > 2700)
    found = assess_equivalence(curves[~short], SETTINGS)
    assert len(found.bands) == 2
    assert [r.where for r in found.refusals] == ["torque, 2500 to 3000 rpm"]
    assert found.refusals[0].numbers["n_after"] == 1.0
    assert "could not be tested" in found.statement


def test_copies_of_one_run_prove_nothing() -> None:
    found = assess_equivalence(runs([300, 300, 300], [300, 300, 300]), SETTINGS)
    assert found.verdict == "cannot tell"
    assert {r.name for r in found.refusals} == {"copies", "no bands"}


def test_pairs_take_out_a_drift_that_hides_the_answer() -> None:
    drift = np.array([0.0, 9.0, 17.0, 26.0])
    curves = runs(list(300 + drift), list(300.5 + drift + [0.3, -0.4, 0.2, -0.1]))
    assert assess_equivalence(curves, SETTINGS).verdict == "cannot tell"
    assert assess_equivalence(curves, replace(SETTINGS, design="paired")).verdict == "equivalent"
    odd = assess_equivalence(runs([300, 301], [300, 301, 302]), replace(SETTINGS, design="paired"))
    assert {r.name for r in odd.refusals} == {"not paired", "no bands"}


def test_the_verdict_does_not_depend_on_the_unit_of_torque() -> None:
    curves = runs([300, 302, 299], [301, 299.5, 301])
    in_pounds = curves.assign(torque_nm=curves["torque_nm"] / 1.3558179483314)
    first, second = (assess_equivalence(c, SETTINGS).bands for c in (curves, in_pounds))
    pd.testing.assert_frame_equal(first, second)


@settings(max_examples=20)
@given(st.lists(st.floats(0.0, 1.0), min_size=1, max_size=12))
def test_holm_equals_that_of_statsmodels(p: list[float]) -> None:
    wanted = multipletests(p, method="holm")[1]
    np.testing.assert_allclose(holm(np.array(p)), wanted, atol=1e-12)


# --- every channel at every speed ----------------------------------------------------------------

LIKE = {"lambda": 0.855, "boost_kpa": 100.0, "exhaust_temp_c": 850.0}
SCATTER = {"lambda": 0.002, "boost_kpa": 0.5, "exhaust_temp_c": 2.0}
NAMES = {"lambda": "lambda", "boost_kpa": "boost", "exhaust_temp_c": "exhaust temperature"}


def watched(seed: int = 0, *, runs_a_side: int = 4, grid: np.ndarray = GRID) -> pd.DataFrame:
    """Like runs with all channels, each scattered from run to run."""
    rng = np.random.default_rng(seed)
    each = 300.0 * (1.0 + rng.normal(0.0, 0.002, (2, runs_a_side)))
    curves = runs(list(each[0]), list(each[1]), grid)
    run = curves.groupby(["side", "pull"], sort=False).ngroup().to_numpy()
    own = rng.normal(0.0, 1.0, (len(LIKE), 2 * runs_a_side))
    return curves.assign(
        **{n: v + SCATTER[n] * own[k][run] for k, (n, v) in enumerate(LIKE.items())}
    )


def shifted(curves: pd.DataFrame, column: str, by: float, low: float = 0.0, high: float = 1e5):
    is_there = (curves["side"] == "after") & curves["rpm"].between(low, high)
    return curves.assign(**{column: curves[column] + by * is_there})


def test_like_runs_are_equivalent_in_every_channel_that_is_logged() -> None:
    found = assess_equivalence(watched(), SETTINGS)
    assert found.verdict == "equivalent"
    assert found.statement == (
        "equivalent at every speed from 1500 to 3000 rpm: torque within 2 %, lambda within 2 %, "
        "boost within 4 kPa, exhaust temperature within 20 degC."
    )


def test_a_grid_that_moves_lambda_is_different_though_torque_is_not() -> None:
    found = assess_equivalence(shifted(watched(), "lambda", 0.80 - 0.855), SETTINGS)
    assert found.verdict == "different"
    # 0.80/0.855 - 1 = -6.4 %
    assert "lambda -6." in found.statement
    assert "not shown equivalent at 1500 to 3000 rpm" in found.statement
    assert "torque" not in found.statement
    by_channel = found.bands.groupby("channel")["verdict"].unique()
    assert by_channel["lambda"].tolist() == ["different"]
    assert by_channel["torque"].tolist() == ["equivalent"]


@pytest.mark.parametrize(
    ("column", "by"),
    [("lambda", -0.055), ("boost_kpa", 9.0), ("exhaust_temp_c", -45.0)],
)
def test_a_narrow_difference_names_its_channel_and_its_speeds(column: str, by: float) -> None:
    found = assess_equivalence(shifted(watched(), column, by, 2200.0, 2300.0), SETTINGS)
    assert found.verdict == "different"
    assert f"{NAMES[column]} " in found.statement
    assert "not shown equivalent at 2200 to 2300 rpm" in found.statement
    others = found.bands[found.bands["channel"] != NAMES[column]]
    assert (others["verdict"] == "equivalent").all()


def test_a_mean_over_a_band_hides_no_crossing() -> None:
    curves = watched()
    lower = (curves["side"] == "after") & curves["rpm"].between(2000, 2250)
    upper = (curves["side"] == "after") & curves["rpm"].between(2251, 2500)
    curves.loc[lower, "torque_nm"] *= 1.03
    curves.loc[upper, "torque_nm"] *= 0.97
    found = assess_equivalence(curves, SETTINGS)
    assert found.verdict == "different"
    assert "not shown equivalent at 2000 to 2500 rpm" in found.statement


def test_the_speeds_beyond_the_last_whole_band_are_judged_too() -> None:
    grid = np.arange(1350.0, 3151.0, 50.0)
    clean = assess_equivalence(watched(grid=grid), SETTINGS)
    assert clean.verdict == "equivalent"
    assert "from 1350 to 3150 rpm" in clean.statement
    for low, high in ((1350.0, 1400.0), (3100.0, 3150.0)):
        found = assess_equivalence(shifted(watched(grid=grid), "lambda", 0.05, low, high), SETTINGS)
        assert f"not shown equivalent at {low:g} to {high:g} rpm" in found.statement


@pytest.mark.parametrize(
    ("column", "field", "unit"),
    [
        ("torque_nm", "margin_pct", "%"),
        ("lambda", "lambda_margin_pct", "%"),
        ("boost_kpa", "boost_margin_kpa", "kPa"),
        ("exhaust_temp_c", "exhaust_margin_c", "degC"),
    ],
)
@pytest.mark.parametrize("way", [1.0, -1.0])
def test_each_channel_has_its_own_margin(column: str, field: str, unit: str, way: float) -> None:
    margin, curves = getattr(SETTINGS, field), watched()
    is_after = curves["side"] == "after"
    # no scatter worth the name, and the difference alone decides
    base = curves.groupby(["side", "pull"], sort=False).ngroup() * 1e-4
    for share, verdict in ((0.99, "equivalent"), (1.01, "different")):
        by = 1.0 + way * share * margin / 100.0
        value = 500.0 * np.where(is_after, by, 1.0) if unit == "%" else (
            500.0 + np.where(is_after, way * share * margin, 0.0))  # fmt: skip
        found = assess_equivalence(curves.assign(**{column: value + base}), SETTINGS)
        assert found.verdict == verdict
    assert dict(zip(found.bands["channel"], found.bands["unit"], strict=True))["boost"] == "kPa"


def test_a_channel_of_one_side_alone_is_said_not_to_be_judged() -> None:
    curves = watched()
    curves.loc[curves["side"] == "after", "lambda"] = np.nan
    found = assess_equivalence(curves, SETTINGS)
    assert found.verdict == "equivalent"
    assert "Not tested, because not logged on both sides: lambda." in found.statement
    assert "lambda" not in set(found.bands["channel"])


def test_a_channel_that_one_run_alone_covers_is_refused_there_and_said() -> None:
    curves = watched()
    gone = (curves["side"] == "after") & (curves["pull"] > 1) & (curves["rpm"] > 2700)
    curves.loc[gone, "lambda"] = np.nan
    found = assess_equivalence(curves, SETTINGS)
    assert [r.where for r in found.refusals] == ["lambda, 2500 to 3000 rpm"]
    assert "Some bands could not be tested" in found.statement


def test_a_sensor_that_reads_alike_in_every_run_is_judged_by_its_difference() -> None:
    curves = watched().assign(**{"lambda": 0.855})
    assert assess_equivalence(curves, SETTINGS).verdict == "equivalent"
    moved = assess_equivalence(shifted(curves, "lambda", -0.055), SETTINGS)
    assert moved.verdict == "different"
    assert "lambda -6.43 %" in moved.statement  # 0.80/0.855 - 1


def test_cars_that_are_alike_are_called_different_at_most_5_times_in_100() -> None:
    # so much scatter, speed by speed and from run to run, that none is ever called equivalent
    def is_called_different(seed: int) -> bool:
        rng = np.random.default_rng(seed)
        curves = watched(seed, runs_a_side=3, grid=np.arange(1500.0, 2501.0, 50.0))
        run = curves.groupby(["side", "pull"], sort=False).ngroup().to_numpy()
        noise = {
            name: size * (rng.normal(0.0, 1.0, 6)[run] + rng.normal(0.0, 1.0, len(curves)))
            for name, size in (("torque_nm", 15.0), ("lambda", 0.04), ("boost_kpa", 8.0),
                               ("exhaust_temp_c", 40.0))
        }  # fmt: skip
        curves = curves.assign(**{name: curves[name] + v for name, v in noise.items()})
        return assess_equivalence(curves, replace(SETTINGS, max_runs=2)).verdict == "different"

    called = [is_called_different(seed) for seed in range(60)]
    assert np.mean(called) <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 60)


def test_tost_of_many_columns_is_that_of_each() -> None:
    rng = np.random.default_rng(3)
    first, second = rng.normal(0, 1, (5, 7)), rng.normal(0.2, 2, (5, 7))
    for design in ("welch", "pooled", "paired"):
        options = {"low": -2.0, "high": 1.5, "alpha": 0.05, "design": design}
        whole = tost(first, second, **options)  # type: ignore[arg-type]
        for k in range(7):
            one = tost(first[:, k], second[:, k], **options)  # type: ignore[arg-type]
            for name in ("difference", "se", "df", "p", "p_zero", "low", "high"):
                assert getattr(whole, name)[k] == pytest.approx(float(getattr(one, name)))


# --- power and error rates ----------------------------------------------------------------------


def test_runs_needed_have_the_power_that_was_asked_for() -> None:
    # simulated TOST at zero difference: power at n is at least 80 %, at n - 2 it is less
    rng = np.random.default_rng(1)
    low, high = 100 * np.log(0.98), 100 * np.log(1.02)
    n = runs_needed(1.5, 0.0, low=low, high=high, settings=SETTINGS)
    assert n is not None

    def power(size: int) -> float:
        a, b = rng.normal(0, 1.5, (4000, size)), rng.normal(0, 1.5, (4000, size))
        d = b.mean(axis=1) - a.mean(axis=1)
        va, vb = a.var(axis=1, ddof=1) / size, b.var(axis=1, ddof=1) / size
        df = (va + vb) ** 2 / ((va**2 + vb**2) / (size - 1))
        half = stats.t.ppf(0.95, df) * np.sqrt(va + vb)
        return float(np.mean((d - half > low) & (d + half < high)))

    assert power(n) > 0.78  # standard error 0.6 %
    assert power(n - 2) < 0.80


def test_runs_needed_grow_with_scatter_and_with_the_difference() -> None:
    options = {"low": -2.0, "high": 2.0, "settings": SETTINGS}
    by_scatter = [runs_needed(sd, 0.0, **options) for sd in (0.3, 0.8, 1.5, 2.5)]  # type: ignore[arg-type]
    assert by_scatter == sorted(by_scatter)  # type: ignore[type-var]
    assert by_scatter[0] == 2
    near, far = (runs_needed(0.8, d, **options) for d in (0.2, 1.0))  # type: ignore[arg-type]
    assert near is not None
    assert far is not None
    assert near < far
    assert runs_needed(0.8, 2.0, **options) is None  # type: ignore[arg-type]
    assert runs_needed(9.0, 0.0, **options) is None  # type: ignore[arg-type]


@pytest.mark.parametrize("edge", [1.02, 0.98])
def test_pairs_at_the_margin_are_called_equivalent_at_most_5_times_in_100(edge: float) -> None:
    # 3 runs a side, 0.5 % scatter. Each of 2000 pairs has a band of its own, with one speed in its
    # middle: a band is called equivalent by its own test alone. The benchmark has more pairs.
    rng = np.random.default_rng(2)
    rpm = np.arange(2000) * 500.0 + 250.0
    torque = rng.normal(300.0, 1.5, (6, len(rpm)))
    torque[3:] *= edge
    curves = pd.DataFrame(
        {
            "side": np.repeat(["before", "after"], 3 * len(rpm)),
            "log": "simulated",
            "pull": np.repeat(np.arange(6), len(rpm)),
            "rpm": np.tile(rpm, 6),
            "torque_nm": torque.ravel(),
        }
    )
    called = assess_equivalence(curves, SETTINGS).bands["verdict"] == "equivalent"
    assert len(called) == 2000
    assert called.mean() <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 2000)
    assert called.mean() > 0.01  # a test that never calls anything equivalent would pass too
