"""Figures: axes come back, simulated is said, nothing is shown; colours for colour-blind people."""

from __future__ import annotations

import inspect
from dataclasses import replace
from itertools import product

import matplotlib as mpl
import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest
from matplotlib.axes import Axes as Frame
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from report_makers import full_load

from tuneassist.evidence.coverage import coverage_table
from tuneassist.evidence.residuals import hold_residuals
from tuneassist.grid import Axes, Grid
from tuneassist.log_trace import USED, LogTrace
from tuneassist.loop.advice import RoundSummary
from tuneassist.loop.response import Response
from tuneassist.loop.tune_set import Tune
from tuneassist.pipeline import gather, reduce_log
from tuneassist.reading import read_log
from tuneassist.runs import RunsComparison, compare_runs
from tuneassist.settings import EngineSettings, Setup, Target
from tuneassist.show import plots
from tuneassist.show.figures import colours
from tuneassist.show.run_units import OutputUnits
from tuneassist.simulate.full_load import stock_diesel, tuned_diesel

Floats = npt.NDArray[np.float64]

# --- colours ------------------------------------------------------------------------------------

# G. M. Machado, M. M. Oliveira, L. A. F. Fernandes, IEEE Trans. Vis. Comput. Graph. 15(6), 2009,
# 1283-1291, severity 1.0, for linear RGB; the digits are those that colorspacious 1.1.2 has
# (machado_et_al_2009_matrix, "deuteranomaly" and "protanomaly" at 100).
DEUTERANOPIA = np.array([[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
                         [-0.011820, 0.042940, 0.968881]])  # fmt: skip
PROTANOPIA = np.array([[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
                       [-0.003882, -0.048116, 1.051998]])  # fmt: skip
NORMAL = np.eye(3)
# IEC 61966-2-1, sRGB to CIE XYZ, D65 white
TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
WHITE = np.array([0.9505, 1.0, 1.0890])
TOLD_APART = 20.0
"""CIE 1976 difference at which fields side by side are told apart at a glance; one that is just
noticed is 2.3 (M. Mahy et al., Color Res. Appl. 19, 1994, 105-121, from memory)."""


def linear(colour: str) -> Floats:
    """IEC 61966-2-1, the inverse of the transfer function."""
    c = np.array(to_rgb(colour))
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def lab(rgb: Floats) -> Floats:
    """CIE 15: L*a*b* of linear RGB."""
    t = TO_XYZ @ np.clip(rgb, 0.0, 1.0) / WHITE
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def apart(one: str, other: str, eyes: Floats) -> float:
    return float(np.linalg.norm(lab(eyes @ linear(one)) - lab(eyes @ linear(other))))


def contrast(one: str, other: str) -> float:
    """WCAG 2.2, contrast ratio of relative luminances."""
    high, low = sorted((float(TO_XYZ[1] @ linear(c)) for c in (one, other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("eyes", [DEUTERANOPIA, PROTANOPIA], ids=["deuteranopia", "protanopia"])
def test_the_matrices_keep_grey_grey(eyes: Floats) -> None:
    np.testing.assert_allclose(eyes.sum(axis=1), 1.0, atol=2e-6)


def test_the_yardstick_sees_the_pair_that_colour_blind_people_mix_up() -> None:
    # a red and a green of like brightness: far apart for most, near for deuteranopes
    assert apart("#c03000", "#6a7a00", NORMAL) > 45
    assert apart("#c03000", "#6a7a00", DEUTERANOPIA) < TOLD_APART


@pytest.mark.parametrize(
    "eyes", [NORMAL, DEUTERANOPIA, PROTANOPIA], ids=["normal", "deuteranopia", "protanopia"]
)
def test_the_two_directions_stay_apart(eyes: Floats) -> None:
    for watch, calm in product(colours.UNSAFE_FILLS, colours.SAFE_FILLS):
        assert apart(watch, calm, eyes) > TOLD_APART, (watch, calm)
    for fills in (colours.UNSAFE_FILLS, colours.SAFE_FILLS):  # and deepen away from white
        steps = [apart(fill, colours.PAPER, eyes) for fill in fills]
        assert steps == sorted(steps)
    assert apart(colours.BEFORE, colours.AFTER, eyes) > TOLD_APART


def test_numbers_can_be_read_on_every_fill() -> None:
    fills = (*colours.UNSAFE_FILLS, *colours.SAFE_FILLS, colours.NOTHING, colours.PAPER)
    assert min(contrast(colours.INK, fill) for fill in fills) > 4.5  # WCAG 2.2, 1.4.3 AA
    for line in (colours.BEFORE, colours.AFTER, colours.LIMIT):
        assert contrast(line, colours.PAPER) > 4.5
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0, abs=0.01)


def test_a_fill_follows_size_and_side() -> None:
    fills = [colours.fill_of(v, unsafe_sign=1) for v in (0.99, 1.0, 3.0, 6.0, -1.0, -99.0)]
    orange, blue = colours.UNSAFE_FILLS, colours.SAFE_FILLS
    assert fills == [colours.PAPER, *orange, blue[0], blue[2]]
    assert colours.fill_of(float("nan"), unsafe_sign=1) == colours.NOTHING


# --- figures ------------------------------------------------------------------------------------

AXES = Axes(rpm=np.array([1000.0, 2000.0]), load=np.array([30.0, 60.0, 90.0]))
CAR = Setup(axes=AXES, target=Target(np.array([[1.0, 1.0, 1.0], [1.0, 0.9, np.nan]])))


def cells() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "rpm": AXES.cell_rpm(),
            "load": AXES.cell_load(),
            "target_lambda": CAR.target.table.ravel(),
            "holds": [3, 1, 0, 2, 0, 0],
            "deviation_pct": [8.0, -4.0, np.nan, 0.2, np.nan, 5.0],
            "ci_low_pct": [7.0, -6.0, np.nan, -0.5, 12.0, 4.0],
            "ci_high_pct": [9.0, -2.0, np.nan, 0.9, np.nan, 6.0],
            "confidence": ["good", "low", "none", "fair", "none", "good"],
            "step_pct": [8.0, -4.0, 0.0, 0.0, 0.0, 0.0],
            "grid_pct": [8.0, -4.0, 0.0, 0.0, 0.0, np.nan],
        }
    )


def comparison() -> RunsComparison:
    sides = [
        full_load(curve, seed=seed, name=f"simulated {seed}")
        for seed, curve in enumerate((stock_diesel(), tuned_diesel()))
    ]
    return compare_runs(sides[:1], sides[1:], engine=EngineSettings(ignition="compression"))


FOUND = comparison()
LOOKS = [RoundSummary(1, 100, 20, 4.0), RoundSummary(2, 110, 90, 1.0, 0.97, 0.9, 1.05)]
ANSWER = Response(
    "as expected", "well", 0.97, 0.9, 1.05,
    regions=pd.DataFrame([{"region": "low load", "holds": 9, "change_pct": 4.0, "response": 0.9,
                           "low": 0.7, "high": 1.1}]),
)  # fmt: skip
RESIDUALS = pd.DataFrame(
    {
        "rpm": [1000.0, 1500.0, 1800.0, 2000.0],
        "load": [30.0, 40.0, 60.0, 90.0],
        "residual_pct": [2.0, -3.0, 0.1, np.nan],
        "is_used": [True, True, True, False],
    }
)
RUN = pd.DataFrame({"rpm": [1000.0, 2000.0, 3000.0], "power_kw": [10.0, 25.0, 36.0]})
TUNES = [Tune("standard", CAR, Grid.zeros(AXES), kind="standard", run=RUN)]
COVERAGE = coverage_table(
    AXES, target=CAR.target.table, points=[], cells=cells(), margin_cells=0.5
)  # fmt: skip
SPOTS = RESIDUALS.assign(
    found_pct=3.0, surface_pct=2.0, is_contradicted=[False, True, False, False]
)
TRACE = LogTrace(
    "a log",
    pd.DataFrame({"time_s": [0.0, 1.0, 2.0], "rpm": 1500.0, "load": 40.0,
                  "need_pct": [1.0, 2.0, np.nan], "fate": ["engine cold", USED, "moving"]}),
    pd.DataFrame({"start_s": [1.0], "end_s": [1.5], "rpm": 1500.0, "load": 40.0, "need_ln": 0.02}),
)  # fmt: skip
CALLS = {
    "plot_cells": (cells(), CAR),
    "plot_step": (cells(), CAR),
    "plot_coverage": (COVERAGE, AXES),
    "plot_rounds": (plots.rounds_frame(LOOKS),),
    "plot_response": (ANSWER,),
    "plot_holds": (RESIDUALS, AXES),
    "plot_full_load": (FOUND.mean,),
    "plot_gain": (FOUND.gain,),
    "plot_along": (FOUND.mean, "exhaust_temp_c"),
    "plot_tunes": (TUNES,),
    "plot_tunes_along": (TUNES, "exhaust_temp_c"),
    "plot_zero": (FOUND.equivalence(),),
    "plot_spots": (SPOTS, np.full(6, 2.0), CAR),
    "plot_trace": (TRACE,),
}


def test_every_plot_is_in_the_list_of_calls() -> None:
    assert {name for name in plots.__all__ if name.startswith("plot_")} - {"plot_format"} == set(
        CALLS
    )


@pytest.mark.parametrize("name", CALLS)
def test_axes_come_back_and_simulated_is_said(name: str) -> None:
    plot = getattr(plots, name)
    assert inspect.signature(plot).parameters["ax"].default is None
    given = Figure(layout="constrained").add_subplot()
    assert plot(*CALLS[name], is_simulated=True, ax=given) is given
    assert "simulated data" in given.get_title(loc="left")
    own = plot(*CALLS[name])
    assert isinstance(own, Frame)
    assert "simulated" not in own.get_title(loc="left")
    assert plots.picture(own.figure, "png").startswith(b"\x89PNG")


@pytest.mark.parametrize("name", CALLS)
def test_no_argument_is_changed(name: str) -> None:
    frames = [a for a in CALLS[name] if isinstance(a, pd.DataFrame)]
    before = [frame.copy(deep=True) for frame in frames]
    getattr(plots, name)(*CALLS[name])
    for old, new in zip(before, frames, strict=True):
        pd.testing.assert_frame_equal(old, new)


def test_no_figure_is_kept_by_the_window_system() -> None:
    from matplotlib import pyplot

    plots.plot_cells(cells(), CAR)
    assert pyplot.get_fignums() == []


def test_numbers_and_marks_stand_in_the_cells() -> None:
    texts = [t.get_text() for t in plots.plot_cells(cells(), CAR).texts]
    assert texts == ["+8.0", "-4.0○", "·", "+0.2◐", ">+12.0", "╳"]
    steps = [t.get_text() for t in plots.plot_step(cells(), CAR).texts]
    assert steps == ["+8.0", "-4.0", "·", "0.0", "·", "╳"]


def test_orange_is_the_side_that_hurts_for_both_kinds_of_engine() -> None:
    def fills(ignition: str) -> list[str]:
        engine = EngineSettings(ignition=ignition)  # type: ignore[arg-type]
        frame = plots.plot_cells(cells(), Setup(axes=AXES, target=CAR.target, engine=engine))
        return [mpl.colors.to_hex(p.get_facecolor()) for p in frame.patches]

    lean, rich = fills("spark")[:2]
    assert lean in colours.UNSAFE_FILLS
    assert rich in colours.SAFE_FILLS
    lean, rich = fills("compression")[:2]
    assert lean in colours.SAFE_FILLS
    assert rich in colours.UNSAFE_FILLS


def test_holds_are_told_apart_by_shape_as_well() -> None:
    labels = [c.get_label() for c in plots.plot_holds(RESIDUALS, AXES).collections]
    assert labels == [
        "leaner by 1 % or more: 1", "richer by 1 % or more: 1", "within 1 % of the fit: 1",
        "not used: 1",
    ]  # fmt: skip


def test_a_full_load_curve_is_drawn_in_the_unit_asked_for() -> None:
    lines = {
        unit: plots.plot_full_load(FOUND.mean, "power", unit=unit).lines[0].get_ydata()
        for unit in ("kW", "PS")
    }
    # DIN 66036: 1 PS = 0.73549875 kW, from its definition 75 kgf.m/s
    np.testing.assert_allclose(lines["kW"] / lines["PS"], 0.73549875, rtol=1e-9)
    styles = [line.get_linestyle() for line in plots.plot_full_load(FOUND.mean).lines]
    assert styles == ["--", "-"]  # before and after without colour


def test_limits_near_the_curve_are_drawn_with_their_names() -> None:
    frame = plots.plot_along(FOUND.mean, "exhaust_temp_c", limit_checks=FOUND.limit_checks)
    words = {t.get_text() for t in frame.texts}
    assert words == {"exhaust temp ceiling 720", "exhaust temp hard ceiling 760"}


def test_residuals_are_what_is_left_of_the_holds_after_the_fit() -> None:
    from report_makers import PETROL, SAMPLES

    from tuneassist.files.setup_file import read_setup

    setup = read_setup(PETROL)
    log = read_log(SAMPLES / "petrol-session-1.csv", setup=setup)
    current = Grid.zeros(setup.axes)
    evidence = gather(
        [reduce_log(log.samples, name="simulated", setup=setup)], setup=setup, current=current
    )
    found = hold_residuals(evidence.holds, evidence.fit, setup.axes, kind=setup.target.kind)
    assert len(found) == len(evidence.holds)
    # by hand, for one hold, with scipy's own bilinear interpolation
    from scipy.interpolate import RegularGridInterpolator

    assert evidence.fit is not None
    surface = RegularGridInterpolator(
        (setup.axes.rpm, setup.axes.load), evidence.fit.theta.reshape(setup.axes.shape)
    )
    inside = evidence.holds["load"].between(setup.axes.load[0], setup.axes.load[-1])
    inside &= evidence.holds["rpm"].between(setup.axes.rpm[0], setup.axes.rpm[-1])
    rows = evidence.holds[inside]
    left = rows["total_need_ln"] - surface(rows[["rpm", "load"]].to_numpy())
    np.testing.assert_allclose(
        found.loc[inside.to_numpy(), "residual_pct"], 100 * np.expm1(left), atol=1e-9
    )
    assert hold_residuals(evidence.holds, None, setup.axes, kind="aim")["residual_pct"].isna().all()


# --- what can be read ---------------------------------------------------------------------------


def boxes(frame: Frame, artists: list[object]) -> list[mpl.transforms.Bbox]:
    """Where artists lie once the figure is laid out. [pixels]"""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    canvas = FigureCanvasAgg(frame.figure)
    canvas.draw()
    return [artist.get_window_extent(canvas.get_renderer()) for artist in artists]  # type: ignore[attr-defined]


def test_nothing_of_the_engines_answer_is_cut_off() -> None:
    whole = pd.DataFrame({"region": ["low speed and low load", "high speed and high load"]})
    whole = whole.assign(holds=9, change_pct=4.0, response=1.0, low=0.98, high=1.02)
    frame = plots.plot_response(replace(ANSWER, regions=whole), is_simulated=True)
    words = [frame.xaxis.label, frame._left_title, *frame.get_yticklabels()]  # type: ignore[attr-defined]
    paper = frame.figure.bbox
    for box in boxes(frame, words):
        assert paper.x0 <= box.x0
        assert box.x1 <= paper.x1


@pytest.mark.parametrize("quantity", ["torque", "power"])
def test_peaks_of_two_close_curves_do_not_collide(quantity: str) -> None:
    # a gain of 2 %, whose two peaks are at one speed
    mean = FOUND.mean[FOUND.mean["side"] == "before"]
    columns = [c for c in mean if c.startswith(quantity)]
    after = mean.assign(side="after", **{c: 1.02 * mean[c] for c in columns})
    frame = plots.plot_full_load(pd.concat([mean, after]), quantity)
    peaks = [text for text in frame.texts if text.get_text().replace(".", "").isdigit()]
    first, second = boxes(frame, peaks)
    assert not first.overlaps(second)


def test_the_numbers_of_a_cell_stand_clear_of_a_hold_in_its_middle() -> None:
    holds = pd.DataFrame({"rpm": AXES.cell_rpm(), "load": AXES.cell_load()})
    frame = plots.plot_coverage(COVERAGE, AXES, holds=holds)
    words = list(frame.texts)
    assert words

    for box in boxes(frame, words):
        dots = frame.transData.transform(frame.lines[0].get_xydata())
        assert not any(box.contains(x, y) for x, y in dots)


@pytest.mark.parametrize(
    ("column", "level", "least"),
    [("lambda", 0.81, 0.2), ("boost_kpa", 96.0, 40.0), ("exhaust_temp_c", 820.0, 150.0)],
)
def test_a_flat_channel_is_not_drawn_as_a_mountain_range(
    column: str, level: float, least: float
) -> None:
    rpm = np.arange(2000.0, 6000.0, 50.0)
    flat = level * (1.0 + 0.001 * np.sin(rpm))
    mean = pd.DataFrame({"side": "after", "rpm": rpm, column: flat})
    low, high = plots.plot_along(mean, column).get_ylim()
    assert low < level < high
    assert least <= high - low < 1.3 * least
    if column == "boost_kpa":  # 1 psi = 6.894757 kPa (NIST SP 811)
        low, high = plots.plot_along(mean, column, units=OutputUnits(pressure="psi")).get_ylim()
        assert (high - low) * 6.894757 == pytest.approx(least * 1.1, rel=0.03)


def test_lambda_has_its_target_beside_it() -> None:
    rpm = np.arange(2000.0, 6000.0, 50.0)
    mean = pd.DataFrame(
        {"side": "after", "rpm": rpm, "lambda": 0.83, "lambda_target": np.linspace(0.9, 0.8, 80)}
    )
    lines = {line.get_label(): line for line in plots.plot_along(mean, "lambda").lines}
    np.testing.assert_allclose(lines["target"].get_ydata(), mean["lambda_target"])


def test_a_channel_along_the_pull_is_drawn_in_the_units_of_the_person() -> None:
    rpm = np.arange(2000.0, 6000.0, 50.0)
    mean = pd.DataFrame({"side": "after", "rpm": rpm, "lambda": 0.85, "exhaust_temp_c": 800.0})
    limit = {"channel": "exhaust_temp", "limit_name": "exhaust_temp ceiling", "limit": 850.0}
    units = OutputUnits(temperature="degF", afr_stoich=14.7)
    hot = plots.plot_along(mean, "exhaust_temp_c", limit_checks=pd.DataFrame([limit]), units=units)
    # 800 and 850 degC are 1472 and 1562 degF
    assert hot.lines[0].get_ydata()[0] == pytest.approx(1472.0)
    assert hot.lines[1].get_ydata()[0] == pytest.approx(1562.0)
    assert [text.get_text() for text in hot.texts if "ceiling" in text.get_text()] == [
        "exhaust temp ceiling 1562"
    ]
    assert hot.get_ylabel() == "Exhaust temperature (degF)"
    low, high = hot.get_ylim()
    assert 150.0 * 1.8 <= high - low < 150.0 * 1.8 * 1.3
    rich = plots.plot_along(mean, "lambda", units=units)
    assert rich.lines[0].get_ydata()[0] == pytest.approx(0.85 * 14.7)
    assert "AFR" in rich.get_ylabel()
