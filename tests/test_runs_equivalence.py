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

from tuneassist.runs import RunSettings, judge_equivalence
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
    found = judge_equivalence(runs([300, 301, 299], [300.5, 299.5, 301]), SETTINGS)
    assert found.verdict == "equivalent"
    assert found.statement == "equivalent within 2 % from 1500 to 3000 rpm."
    assert list(found.bands["verdict"]) == ["equivalent"] * 3
    assert list(found.bands["rpm_from"]) == [1500.0, 2000.0, 2500.0]
    assert found.bands["more_runs"].isna().all()
    # the interval that is shown decides, in ratios
    assert (found.bands["low_pct"] > -2.0).all()
    assert (found.bands["high_pct"] < 2.0).all()


def test_unlike_runs_are_different_and_the_band_is_named() -> None:
    curves = runs([300, 301, 299], [300.5, 299.5, 301])
    is_high = (curves["side"] == "after") & (curves["rpm"] >= 2550)
    curves.loc[is_high, "torque_nm"] *= 1.05  # at ten of the band's eleven speeds
    found = judge_equivalence(curves, SETTINGS)
    assert found.verdict == "different"
    assert "2500 to 3000 rpm" in found.statement
    # means: 1.0011 (1 + 0.05 * 10/11) = 1.04662
    assert "+4.66 %" in found.statement
    assert list(found.bands["verdict"]) == ["equivalent", "equivalent", "different"]


def test_a_small_difference_inside_the_margin_is_equivalent_though_not_zero() -> None:
    # 0.5 % apart with next to no scatter: certainly not zero, certainly within 2 %
    found = judge_equivalence(runs([300, 300.03, 299.97], [301.5, 301.53, 301.47]), SETTINGS)
    assert (found.bands["p_zero"] < 0.001).all()
    assert found.verdict == "equivalent"


def test_scattered_runs_cannot_tell_and_say_how_many_more() -> None:
    found = judge_equivalence(runs([300, 304, 296], [301, 305, 297]), SETTINGS)
    assert found.verdict == "cannot tell"
    more = found.bands["more_runs"].iloc[0]
    assert found.statement.startswith(f"cannot tell: {more:.0f} more runs a side")
    assert f"{more:.0f} more runs a side" in found.bands["statement"].iloc[0]
    hopeless = judge_equivalence(runs([300, 360, 240], [301, 361, 241]), SETTINGS)
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
    found = judge_equivalence(runs(before, after), SETTINGS)
    assert found.verdict == "cannot tell"
    assert f"at least {more}" in found.statement
    assert found.refusals[-1].name == "no bands"


def test_a_run_that_does_not_cover_a_band_does_not_count_there() -> None:
    curves = runs([300, 301, 299], [300.5, 299.5, 301])
    short = (curves["side"] == "after") & (curves["pull"] > 1) & (curves["rpm"] > 2700)
    found = judge_equivalence(curves[~short], SETTINGS)
    assert len(found.bands) == 2
    assert [r.where for r in found.refusals] == ["2500 to 3000 rpm"]
    assert found.refusals[0].numbers["n_after"] == 1.0
    assert "could not be judged" in found.statement


def test_copies_of_one_run_prove_nothing() -> None:
    found = judge_equivalence(runs([300, 300, 300], [300, 300, 300]), SETTINGS)
    assert found.verdict == "cannot tell"
    assert {r.name for r in found.refusals} == {"copies", "no bands"}


def test_pairs_take_out_a_drift_that_hides_the_answer() -> None:
    drift = np.array([0.0, 9.0, 17.0, 26.0])
    curves = runs(list(300 + drift), list(300.5 + drift + [0.3, -0.4, 0.2, -0.1]))
    assert judge_equivalence(curves, SETTINGS).verdict == "cannot tell"
    assert judge_equivalence(curves, replace(SETTINGS, design="paired")).verdict == "equivalent"
    odd = judge_equivalence(runs([300, 301], [300, 301, 302]), replace(SETTINGS, design="paired"))
    assert {r.name for r in odd.refusals} == {"not paired", "no bands"}


def test_the_verdict_does_not_depend_on_the_unit_of_torque() -> None:
    curves = runs([300, 302, 299], [301, 299.5, 301])
    in_pounds = curves.assign(torque_nm=curves["torque_nm"] / 1.3558179483314)
    first, second = (judge_equivalence(c, SETTINGS).bands for c in (curves, in_pounds))
    pd.testing.assert_frame_equal(first, second)


@settings(max_examples=20)
@given(st.lists(st.floats(0.0, 1.0), min_size=1, max_size=12))
def test_holm_equals_that_of_statsmodels(p: list[float]) -> None:
    wanted = multipletests(p, method="holm")[1]
    np.testing.assert_allclose(holm(np.array(p)), wanted, atol=1e-12)


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
    rpm = np.arange(2002) * 500.0 + 250.0  # the outermost two are in no whole band
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
    called = judge_equivalence(curves, SETTINGS).bands["verdict"] == "equivalent"
    assert len(called) == 2000
    assert called.mean() <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 2000)
    assert called.mean() > 0.01  # a test that never calls anything equivalent would pass too
