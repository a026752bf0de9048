"""Every picture can be read: no text on another, none cut off, with awkward cars and maps too."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure
from picture_checks import faults, texts_drawn
from report_makers import PETROL, SAMPLES, full_load, run

from tuneassist.evidence.coverage import coverage_table
from tuneassist.files.setup_file import read_setup
from tuneassist.grid import Axes, Grid
from tuneassist.log_trace import NOT_HELD, USED, trace_log
from tuneassist.loop.advice import RoundSummary
from tuneassist.loop.response import Response
from tuneassist.loop.tune_set import Tune
from tuneassist.reading import read_log
from tuneassist.runs import compare_runs
from tuneassist.settings import (
    Ceiling,
    EngineSettings,
    Setup,
    Target,
    default_limits,
)
from tuneassist.show import plots
from tuneassist.show.cell_picture import deviation_picture
from tuneassist.show.map_dangers import BOOST_UNKNOWN, deviation_dangers, map_dangers, step_dangers
from tuneassist.show.run_units import SYSTEMS, units_of
from tuneassist.simulate.full_load import stock_diesel, tuned_diesel

MANY_CELLS = 400
LONG = "Workshop demonstrator, 2.0 turbo estate, with a long name that nobody would shorten " * 2


def car(rpm: int, load: int, *, gauge: bool = False, diesel: bool = False) -> Setup:
    """So many breakpoints, the loads across the start of boost."""
    loads = np.linspace(-60.0, 150.0, load) if gauge else np.linspace(30.0, 250.0, load)
    axes = Axes(np.linspace(800.0, 6800.0, rpm).round(), loads.round(),
                load_unit="kPa gauge" if gauge else "kPa")  # fmt: skip
    ignition = "compression" if diesel else "spark"
    limits = default_limits(ignition)
    if not diesel:
        limits = replace(limits, ceilings={"boost": Ceiling(120.0), "exhaust_temp": Ceiling(900.0)})
    table = np.full((rpm, load), 1.3 if diesel else 0.9)
    return Setup(
        axes,
        Target(table, "floor" if diesel else "aim"),
        engine=EngineSettings(label=LONG, ignition=ignition),
        limits=limits,
    )


def cells_of(setup: Setup, *, is_blank: bool = False) -> pd.DataFrame:
    """Deviations from rich to lean along the load, steps against them; or nothing at all."""
    size, axes = setup.axes.size, setup.axes
    value = np.tile(np.linspace(-12.0, 12.0, len(axes.load)), len(axes.rpm))
    value = np.full(size, np.nan) if is_blank else value
    return pd.DataFrame(
        {
            "rpm": axes.cell_rpm(), "load": axes.cell_load(), "holds": 0 if is_blank else 2,
            "target_lambda": setup.target.table.ravel(), "deviation_pct": value,
            "ci_low_pct": value - 1.5, "ci_high_pct": value + 1.5,
            "confidence": "none" if is_blank else "good", "step_pct": np.nan_to_num(value),
            "grid_pct": np.nan_to_num(value), "exhaust_temp_c_max": np.nan if is_blank else 650.0,
        }
    )  # fmt: skip


CARS = {
    "24 x 24": (car(24, 24), False),
    "two by two": (car(2, 2), False),
    "nothing known": (car(5, 5), True),
    "gauge": (car(6, 8, gauge=True), False),
    "diesel floor": (car(6, 8, diesel=True), False),
}


def map_figures(setup: Setup, is_blank: bool) -> list[Figure]:
    cells = cells_of(setup, is_blank=is_blank)
    table = coverage_table(setup.axes, target=setup.target.table, cells=cells, margin_cells=0.5)
    places = pd.DataFrame({"rpm": setup.axes.cell_rpm(), "load": setup.axes.cell_load()})
    holds = places.assign(residual_pct=cells["deviation_pct"], is_used=True)
    spots = places.iloc[::3].assign(
        where="row", found_pct=5.0, surface_pct=1.0, is_contradicted=lambda t: t.index % 2 == 0
    )
    needed = cells["deviation_pct"].to_numpy()
    frames = [
        plots.plot_cells(cells, setup, is_simulated=True),
        plots.plot_step(cells, setup, is_simulated=True),
        plots.plot_holds(holds, setup.axes, setup=setup, is_simulated=True),
        plots.plot_spots(spots, needed, setup, is_simulated=True),
    ]
    if setup.axes.size > MANY_CELLS:  # slow to draw: the fullest two say it all
        frames = frames[:1]
    figures = [
        plots.stand_alone(frame.figure, car=LONG, date="2026-11-26", is_simulated=True)  # type: ignore[arg-type]
        for frame in frames
    ]
    cover = plots.coverage_figure(table, setup.axes, holds=places, label=LONG, is_simulated=True,
                                  setup=setup, date="2026-11-26")  # fmt: skip
    return [*figures, cover]


@pytest.mark.parametrize("name", CARS)
def test_no_text_of_a_map_is_on_another_or_cut_off(name: str) -> None:
    for figure in map_figures(*CARS[name]):
        assert faults(figure) == []
        words = " ".join(" ".join(words.split()) for words, _ in texts_drawn(figure))
        assert "boost" in words
        assert "demonstrator" in words
        assert "2026-11-26" in words
        assert "simulated data" in words


# --- curves --------------------------------------------------------------------------------------

DIESEL = EngineSettings(ignition="compression")
SIDES = [
    [full_load(curve, seed=seed + 10 * side, name=f"simulated {seed} {side}") for seed in range(2)]
    for side, curve in enumerate((stock_diesel(), tuned_diesel()))
]
FOUND = compare_runs(SIDES[0], SIDES[1], engine=DIESEL)
RUN = pd.DataFrame({"rpm": [1000.0, 2000.0, 3000.0], "torque_nm": [200.0, 320.0, 260.0],
                    "exhaust_temp_c": [500.0, 640.0, 730.0]})  # fmt: skip
VAN = replace(car(4, 4, diesel=True), limits=replace(default_limits("compression"), ceilings={
    "torque": Ceiling(310.0), "exhaust_temp": Ceiling(720.0, 760.0)}))  # fmt: skip
TUNES = [
    Tune("standard", VAN, Grid.zeros(VAN.axes), kind="standard", run=RUN),
    Tune("a towing tune for the mountains", VAN, Grid.zeros(VAN.axes), kind="towing"),
    Tune("power", VAN, Grid.zeros(VAN.axes), kind="power", run=RUN.assign(
        torque_nm=RUN["torque_nm"] + 40.0)),
]  # fmt: skip
PREDICTED = {TUNES[1].name: RUN[["rpm"]].assign(torque_nm=280.0, torque_low_nm=270.0,
                                                torque_high_nm=290.0)}  # fmt: skip
TRACE = trace_log(
    read_log(SAMPLES / "petrol-session-1.csv", setup=read_setup(PETROL)), setup=read_setup(PETROL)
)


def many_rounds() -> Figure:
    rounds = [RoundSummary(n, 144, 10 * n, 6.0 / n) for n in range(1, 13)]
    return plots.plot_rounds(plots.rounds_frame(rounds)).figure  # type: ignore[return-value]


def answer() -> Figure:
    names = [f"{a} speed and {b} load" for a in ("low", "high") for b in ("low", "high")]
    regions = pd.DataFrame({"region": names, "holds": 9, "change_pct": 4.0, "response": 1.0,
                            "low": 0.98, "high": 1.02})  # fmt: skip
    found = Response("as expected", "well", 1.0, 0.99, 1.01, regions=regions)
    return plots.plot_response(found, is_simulated=True).figure  # type: ignore[return-value]


CURVES: dict[str, Callable[[], Figure]] = {
    "full load": lambda: plots.full_load_figure(
        FOUND,
        zero=FOUND.equivalence(),
        units=units_of((), None, SYSTEMS["imperial"]),
        car=LONG,
        is_simulated=True,
    ),
    "zero": lambda: plots.zero_figure(FOUND.equivalence(), car=LONG, is_simulated=True),
    "tunes": lambda: plots.tunes_figure(TUNES, predicted=PREDICTED, is_simulated=True),
    "no runs": lambda: plots.tunes_figure(TUNES[1:2]),
    "trace": lambda: plots.trace_figure(TRACE, read_setup(PETROL), is_simulated=True),
    "rounds": many_rounds,
    "response": answer,
}


@pytest.mark.parametrize("name", CURVES)
def test_no_text_of_curves_is_on_another_or_cut_off(name: str) -> None:
    figure = CURVES[name]()
    assert faults(figure) == []
    # one scale each: no frame lies on another
    places = [tuple(np.round(frame.get_position().bounds, 6)) for frame in figure.axes]
    assert len(set(places)) == len(places)


def test_the_check_sees_texts_that_overlap_or_are_cut() -> None:
    figure = Figure()
    figure.text(0.5, 0.5, "one")
    figure.text(0.51, 0.5, "other")
    figure.text(0.99, 0.1, "too far right")
    assert faults(figure) == ["cut off: 'too far right'", "overlap: 'one' and 'other'"]


# --- danger --------------------------------------------------------------------------------------


BLACK = 60.0
"""Darker than this is ink; the deepest fill has a luma of 140. [of 255]"""


def grey_of(figure: Figure) -> np.ndarray:
    """Luma of a picture as a grey printer makes it (ITU-R BT.601-7)."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    return np.asarray(canvas.buffer_rgba())[..., :3] @ np.array([0.299, 0.587, 0.114])


def test_a_grey_print_tells_lean_from_rich_without_the_numbers() -> None:
    setup = car(2, 2)
    cells = cells_of(setup).assign(deviation_pct=[-8.0, 8.0, -7.0, 7.0])
    frame = plots.plot_cells(cells, setup)
    for text in frame.texts:
        text.set_visible(False)
    grey = grey_of(frame.figure)  # type: ignore[arg-type]
    for cell, is_lean in enumerate((False, True, False, True)):
        row, column = divmod(cell, 2)
        corners = frame.transData.transform(
            [[column - 0.38, row - 0.38], [column + 0.38, row + 0.38]]
        )
        (x0, y0), (x1, y1) = corners
        rows = grey.shape[0] - np.array([y0, y1]).round().astype(int)  # from the top
        part = grey[min(rows) : max(rows), int(x0) : int(x1)]
        top, bottom = np.array_split(part, 2)
        assert (top.min() < BLACK) == is_lean
        assert (bottom.min() < BLACK) != is_lean


def test_the_start_of_boost_lies_where_the_rules_have_it() -> None:
    setup = car(3, 12)  # 30, 50, ... 250 kPa; in boost above 105 kPa
    dangers = map_dangers(cells_of(setup), setup)
    assert dangers.is_boost.reshape(3, 12)[0].tolist() == [False] * 4 + [True] * 8
    gauge = car(3, 8, gauge=True)  # -60, -30, 0, 30 ... kPa gauge
    assert map_dangers(cells_of(gauge), gauge).is_boost[:8].tolist() == [False] * 3 + [True] * 5
    other = replace(setup, axes=replace(setup.axes, load_name="air", load_unit="mg/stroke"))
    blind = map_dangers(cells_of(other), other)
    assert blind.boost_words == BOOST_UNKNOWN
    by_load = replace(other, limits=replace(other.limits, boost_above_load=100.0))
    assert map_dangers(cells_of(by_load), by_load).is_boost[:5].tolist() == [False] * 4 + [True]


def test_a_cell_hurts_where_it_is_lean_in_boost_or_over_the_smoke_floor() -> None:
    setup = car(2, 12)
    cells = cells_of(setup).assign(deviation_pct=lambda table: -table["deviation_pct"])
    found = deviation_dangers(cells, deviation_picture(cells, setup), setup)
    is_lean, is_boost = cells["deviation_pct"] >= 1.0, cells["load"] > 105.0
    assert found.is_hurting.tolist() == (is_lean & is_boost).tolist()
    assert 0 < found.is_hurting.sum() < is_lean.sum()  # and lean below boost is not framed
    diesel = car(2, 12, diesel=True)
    cells = cells_of(diesel)
    found = deviation_dangers(cells, deviation_picture(cells, diesel), diesel)
    assert found.is_hurting.tolist() == (cells["deviation_pct"] <= -1.0).tolist()
    # a spark engine is given less fuel in boost; a diesel more fuel near its 720 degC
    less = cells_of(setup).assign(step_pct=-2.0)
    assert step_dangers(less, setup).is_hurting.tolist() == is_boost.tolist()
    more = cells.assign(
        step_pct=2.0, exhaust_temp_c_max=np.r_[np.full(12, 690.0), np.full(12, 600)]
    )
    is_near_boost = cells["load"].to_numpy() - 101.325 > 0.95 * 124.1  # the default ceiling
    expected = is_near_boost | (np.arange(24) < 12)
    assert step_dangers(more, diesel).is_hurting.tolist() == expected.tolist()


def test_cells_beyond_a_ceiling_are_those_read_above_it_or_above_it_by_the_axis() -> None:
    setup = car(2, 12)  # boost ceiling 120 kPa gauge: 221 kPa by the axis; exhaust 900 degC
    hot = cells_of(setup).assign(exhaust_temp_c_max=np.r_[901.0, np.full(23, 650.0)])
    table = map_dangers(hot, setup).is_beyond.reshape(2, 12)
    assert np.argwhere(table).tolist() == [[0, 0], [0, 10], [0, 11], [1, 10], [1, 11]]


def test_the_part_of_a_curve_beyond_a_ceiling_is_heavy_and_its_label_off_the_curve() -> None:
    rpm = np.arange(1000.0, 5000.0, 50.0)
    mean = pd.DataFrame({"side": "after", "rpm": rpm, "exhaust_temp_c": rpm / 5.0, "lambda": 1.2})
    limits = pd.DataFrame([
        {"channel": "exhaust_temp", "limit_name": "exhaust_temp ceiling", "limit": 800.0},
        {"channel": "lambda", "limit_name": "smoke floor", "limit": 1.25},
    ])  # fmt: skip
    hot = plots.plot_along(mean, "exhaust_temp_c", limit_checks=limits)
    heavy = [line for line in hot.lines if line.get_linewidth() > 3.0]
    assert len(heavy) == 1
    drawn = np.isfinite(heavy[0].get_ydata())
    assert drawn.tolist() == (rpm / 5.0 > 800.0).tolist()
    smoky = plots.plot_along(mean, "lambda", limit_checks=limits)
    hatches = [{p.get_hatch() for p in frame.patches} - {None} for frame in (hot, smoky)]
    assert hatches[0].isdisjoint(hatches[1])  # a ceiling and a floor lean to opposite sides
    ends = {
        name: frame.patches[0].get_extents() for name, frame in (("hot", hot), ("smoky", smoky))
    }
    assert hot.transData.inverted().transform(ends["hot"])[0, 1] == pytest.approx(800.0)
    assert smoky.transData.inverted().transform(ends["smoky"])[1, 1] == pytest.approx(1.25)
    for frame in (hot, smoky):
        boxes = dict(texts_drawn(frame.figure))  # type: ignore[arg-type]
        label = next(box for words, box in boxes.items() if ("ceiling" in words and "800" in words)
                     or "floor 1.25" in words)  # fmt: skip
        x, y = frame.transData.transform(frame.lines[0].get_xydata()).T
        fine = np.arange(x.min(), x.max(), 0.5)
        assert not any(map(label.padded(1.0).contains, fine, np.interp(fine, x, y)))


# --- what the new pictures show ------------------------------------------------------------------


def test_a_trace_says_of_every_sample_what_became_of_it() -> None:
    setup = read_setup(PETROL)
    samples, holds = TRACE.samples, TRACE.holds
    assert samples["fate"].notna().all()
    assert {USED, NOT_HELD, "engine cold", "moving", "fuel cut"} <= set(samples["fate"])
    held = samples[samples["fate"].eq(USED)]
    nearest = np.searchsorted(holds["start_s"], held["time_s"], side="right") - 1
    assert (held["time_s"].to_numpy() <= holds["end_s"].to_numpy()[nearest]).all()
    assert held["time_s"].min() > samples.loc[samples["fate"].eq("engine cold"), "time_s"].max()
    words = " ".join(text for text, _ in texts_drawn(plots.trace_figure(TRACE, setup)))
    share = 100.0 * float(samples["fate"].eq("engine cold").mean())
    assert f"engine cold: {share:.1f} %" in words
    assert f"{len(holds)} holds" in words


def test_the_picture_of_a_set_tells_predictions_from_runs_and_names_what_is_missing() -> None:
    lines = {
        str(line.get_label()): line for line in plots.plot_tunes(TUNES, predicted=PREDICTED).lines
    }
    styles = {
        name: line.get_linestyle() for name, line in lines.items() if not name.startswith("_")
    }
    assert styles == {"standard": "-", "power": "-",
                      "a towing tune for the mountains (towing, predicted)": "--"}  # fmt: skip
    words = " ".join(text for text, _ in texts_drawn(plots.tunes_figure(TUNES)))
    assert "Without a run: a towing tune" in words.replace("\n", " ")
    assert "torque ceiling 310 N.m" in words
    assert "exhaust temp ceiling 720 degC" in words


def test_a_tune_with_an_odd_name_is_in_the_legend_and_held_against_the_ceiling() -> None:
    odd = replace(TUNES[2], name="_$x$ <b>")
    frame = plots.plot_tunes([odd])
    words = " ".join(text for text, _ in texts_drawn(frame.figure))  # type: ignore[arg-type]
    assert "_\\$x\\$ <b> (power)" in words
    assert any(line.get_linewidth() > 3.0 for line in frame.lines)  # 360 N.m, the ceiling is 310


def test_single_pulls_stand_behind_their_mean() -> None:
    frame = plots.plot_full_load(FOUND.mean, curves=FOUND.curves)
    thin = [line for line in frame.lines if line.get_linewidth() < 1.0]
    pulls = FOUND.curves.groupby(["side", "log", "pull"]).ngroups
    assert (
        sum(int(np.isnan(line.get_ydata()).sum()) for line in thin) == pulls
    )  # one gap after each
    assert max(line.get_zorder() for line in thin) < 3


def test_coverage_is_shaded_by_the_width_of_the_interval_and_darker_is_surer() -> None:
    setup = car(2, 2)
    cells = cells_of(setup).assign(ci_low_pct=0.0, ci_high_pct=[1.0, 3.0, 6.0, 12.0])
    table = coverage_table(setup.axes, target=setup.target.table, cells=cells, margin_cells=0.5)
    assert table["half_width_pct"].tolist() == [0.5, 1.5, 3.0, 6.0]
    frame = plots.plot_coverage(table, setup.axes)
    assert [text.get_text() for text in frame.texts] == ["±0.5", "±1.5", "±3.0", "±6.0"]
    luma = [float(np.dot(patch.get_facecolor()[:3], [0.299, 0.587, 0.114]))
            for patch in frame.patches[:4]]  # fmt: skip
    assert luma == sorted(luma)
    assert min(np.diff(luma)) > 0.04


def test_pictures_of_the_command_line_are_whole_and_their_text_stays_text(tmp_path: Path) -> None:
    spots = tmp_path / "spots.csv"
    rows = "1500,40,3\n2000,60,4\n2500,75,5\n3000,60,5\n3000,60,14\n2000,40,3\n"
    spots.write_text(f"rpm,load,total_pct\n{rows}", encoding="utf-8")
    drawn = tmp_path / "spots.svg"
    done = run("spots", spots, "--setup", PETROL, "--out", tmp_path / "out", "--plot", drawn)
    assert done.exit_code == 0, done.output
    assert "Picture written" in done.output
    svg = drawn.read_text(encoding="utf-8")
    assert ">+5..+14<" in svg.replace("−", "-")
    assert "contradicted by other spots" in svg
    assert "Verdana" in svg
    log = SAMPLES / "petrol-session-1.csv"
    two = run("check", log, log, "--setup", PETROL, "--plot", tmp_path / "trace.png")
    assert two.exit_code == 2
    alone = run("check", log, "--plot", tmp_path / "trace.png")
    assert alone.exit_code == 2
    assert "--setup" in alone.output
