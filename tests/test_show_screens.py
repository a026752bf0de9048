"""What screens are made of: marks, shades, layout by width, words for people."""

from __future__ import annotations

import io
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console, RenderableType

from tuneassist.evidence.coverage import STATES, count_blank, count_states, coverage_table
from tuneassist.evidence.delay import SensorDelay
from tuneassist.grid import Axes
from tuneassist.own_units import mixture
from tuneassist.reading import ColumnReport, Dialect, Log
from tuneassist.settings import EngineSettings, Setup, Target
from tuneassist.show.cautions import cautions
from tuneassist.show.cell_grid import Cell, cell_grid
from tuneassist.show.cell_picture import coverage_picture, deviation_picture
from tuneassist.show.check import columns_table, file_words
from tuneassist.show.coverage import blank_words, coverage_record
from tuneassist.show.display import SAFE_SHADES, UNSAFE_SHADES, Display, plain, shade, signed
from tuneassist.show.labels import RULE_WORDS, delay_words
from tuneassist.show.log_summary import bullets, sample_shares_table
from tuneassist.show.plots import FORMATS, coverage_figure, picture, plot_format
from tuneassist.show.proposal import deviation_section
from tuneassist.show.report_cells import deviation_map


def text_of(renderable: RenderableType, *, width: int = 80) -> str:
    stream = io.StringIO()
    Console(file=stream, width=width, markup=False, highlight=False).print(renderable)
    return stream.getvalue()


def axes_of(rows: int, columns: int) -> Axes:
    return Axes(
        rpm=np.linspace(800.0, 7000.0, rows).round(),
        load=np.linspace(20.0, 250.0, columns).round(),
        load_name="manifold pressure",
    )


@given(st.floats(allow_nan=True, allow_infinity=True))
def test_a_number_takes_five_characters_up_to_9999_percent(value: float) -> None:
    text = signed(value)
    if abs(value) < 9999:
        assert len(text) <= 5
    if not math.isfinite(value):
        assert text == ""


@given(st.floats(min_value=-99, max_value=99))
def test_sign_and_colour_tell_the_same_side(value: float) -> None:
    for watch in (1, -1):
        style = shade(value, unsafe_sign=watch)
        if style:
            assert (style in UNSAFE_SHADES) == (value * watch > 0)
            assert (style in SAFE_SHADES) == (value * watch < 0)
            assert signed(value)[0] == ("+" if value > 0 else "-")


@pytest.mark.parametrize(("columns", "blocks"), [(12, 1), (13, 2), (24, 2), (25, 3)])
def test_twelve_load_columns_fit_80_characters_and_more_go_into_blocks(
    columns: int, blocks: int
) -> None:
    axes = axes_of(3, columns)
    cells = [Cell("-12.5", "●")] * axes.size
    text = text_of(cell_grid(axes, cells, Display(width=80)))
    assert max(len(line.rstrip()) for line in text.splitlines()) <= 80
    assert text.count("rpm") == blocks
    assert text.count("-12.5●") == axes.size


def test_each_cell_stands_under_its_load_and_beside_its_rpm() -> None:
    axes = Axes(rpm=np.array([1000.0, 2000.0]), load=np.array([30.0, 45.5, 60.0]))
    cells = [Cell(str(i)) for i in range(6)]
    head, first, second = (
        line.split() for line in text_of(cell_grid(axes, cells, Display())).splitlines()
    )
    assert head == ["rpm", "30", "45.5", "60"]
    assert first == ["1000", "0", "1", "2"]
    assert second == ["2000", "3", "4", "5"]


def small_setup(ignition: str = "spark", kind: str = "aim") -> Setup:
    axes = Axes(rpm=np.array([1000.0, 2000.0]), load=np.array([30.0, 60.0]))
    return Setup(
        axes=axes,
        target=Target(np.array([[1.0, 1.0], [0.9, np.nan]]), kind=kind),  # type: ignore[arg-type]
        engine=EngineSettings(ignition=ignition),  # type: ignore[arg-type]
    )


def small_cells() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "target_lambda": [1.0, 1.0, 0.9, np.nan],
            "deviation_pct": [8.0, -8.0, np.nan, 4.0],
            "confidence": ["good", "low", "none", "good"],
            "ci_low_pct": [7.0, -9.0, np.nan, 3.0],
            "ci_high_pct": [9.0, -7.0, np.nan, 5.0],
        }
    )


def styles_of(renderable: RenderableType) -> dict[str, str]:
    """Background of each deviation on the screen."""
    console = Console(width=80, color_system="256", force_terminal=True)
    found = {}
    for segment in console.render(renderable):
        word = segment.text.strip().rstrip("●◐○")
        if segment.style and segment.style.bgcolor and word:
            found[word] = str(segment.style.bgcolor.number)
    return found


def test_orange_is_lean_for_spark_and_rich_for_compression() -> None:
    orange, blue = "172", "68"
    spark = styles_of(deviation_section(small_cells(), small_setup("spark"), Display()))
    assert (spark["+8.0"], spark["-8.0"]) == (orange, blue)
    diesel = styles_of(deviation_section(small_cells(), small_setup("compression"), Display()))
    assert (diesel["+8.0"], diesel["-8.0"]) == (blue, orange)


def test_a_cell_beyond_the_outermost_holds_is_marked_on_screen_picture_and_page() -> None:
    cells = small_cells().assign(
        reason=["4 % more fuel", "(no hold of its own, beyond the outermost holds)", "", ""]
    )
    for display, mark in ((Display(), "△"), (Display(is_ascii=True), "^")):
        text = text_of(deviation_section(cells, small_setup(), display))
        assert f"-8.0{mark}" in text
        assert f"{mark} beyond the outermost readings" in text
        assert f"+8.0{mark}" not in text
    shown = deviation_picture(cells, small_setup()).cells
    assert [Display().mark(one.mark) for one in shown] == ["", "△", "", ""]
    page = deviation_map("Before", cells, small_setup())
    assert "beyond the outermost readings" in str(page)


def test_leaner_than_a_floor_is_not_coloured() -> None:
    floor = styles_of(
        deviation_section(small_cells(), small_setup("compression", "floor"), Display())
    )
    assert "+8.0" not in floor
    assert floor["-8.0"] == "172"


@pytest.mark.parametrize("is_ascii", [False, True])
def test_confidence_and_absence_are_marked_without_colour(is_ascii: bool) -> None:
    display = Display(is_ascii=is_ascii)
    text = text_of(deviation_section(small_cells(), small_setup(), display))
    assert f"+8.0{display.confidence('good')}" in text
    assert f"-8.0{display.confidence('low')}" in text
    assert text.splitlines()[5].split() == ["2000", display.no_evidence, display.left_alone]
    assert "+4.0" not in text  # a cell that is left alone claims nothing
    assert (
        len({display.confidence(w) for w in ("good", "fair", "low")} | {display.no_evidence}) == 4
    )
    assert text.isascii() == is_ascii


def test_a_cell_beyond_the_sensors_stop_shows_its_side_and_no_size() -> None:
    cells = small_cells().assign(ci_low_pct=[7.0, -9.0, 12.4, 3.0])
    display = Display(is_ascii=True)
    text = text_of(deviation_section(cells, small_setup(), display))
    assert text.splitlines()[5].split() == ["2000", ">+12", display.left_alone]
    assert styles_of(deviation_section(cells, small_setup(), display))[">+12"] == "172"
    small = cells.assign(ci_low_pct=np.nan, ci_high_pct=[9.0, -7.0, -0.24, 5.0])
    assert "<-0.2" in text_of(deviation_section(small, small_setup(), display))


def test_shares_name_each_filter_and_leave_out_those_that_took_nothing() -> None:
    fates = pd.Series({"engine cold": 250, "moving": 0, "used": 750})
    text = text_of(sample_shares_table(fates, Display()))
    assert "engine not warm yet" in text
    assert "25.0 %" in text
    assert "75.0 %" in text
    assert "moving" not in text


def test_every_rule_of_the_program_has_words() -> None:
    from tuneassist.correction import checker

    names = {check.__name__ for check in checker.CHECKS}
    short = {name.removeprefix("max_").removesuffix("_pct") for name in RULE_WORDS}
    short |= {name.removesuffix("_lambda") for name in RULE_WORDS}
    assert names - short == set()


def test_a_files_words_reach_the_terminal_without_control_marks() -> None:
    assert plain("a\x1b[31mb\x07\n") == "a [31mb"
    assert "[bold]" in text_of(bullets(["a [bold] header"]))
    assert "\x1b" not in text_of(bullets(["x\x1b[2Jy"]))


def test_delay_words_give_doubt_flow_part_and_the_reason_of_a_default() -> None:
    found = SensorDelay(0.21, 0.01, 0.05, 1e5, 0.1, 40, "log", "from 40 moves")
    assert delay_words(found).startswith("0.21 s +-0.02 (95 %), from 40 moves")
    assert "0.05 s more" in delay_words(found)
    sure = replace(found, lag_standard_error_s=0.05, flow_delay_s=0.0)
    assert delay_words(sure).endswith("sensor lag 0.10 s +-0.10")
    default = SensorDelay(0.2, float("nan"), 0.0, 1.0, 0.1, 0, "default", "only 2 usable moves")
    assert delay_words(default) == "0.20 s, the default: only 2 usable moves"


def test_a_mixture_is_written_in_the_unit_of_the_target() -> None:
    axes = Axes(rpm=np.array([1.0, 2.0]), load=np.array([1.0, 2.0]))
    setup = Setup(
        axes=axes,
        target=Target(np.ones((2, 2)), unit="afr"),
        engine=EngineSettings(afr_stoich=14.7),
    )
    assert mixture(0.9, setup) == "13.23 AFR"  # 0.9 x 14.7
    assert mixture(0.9, None) == "lambda 0.900"


def test_cautions_begin_with_the_way_that_is_safe_and_cover_what_can_kill() -> None:
    assert "richer is the safe way" in cautions("spark")[0]
    assert "less fuel is the safe way" in cautions("compression")[0]
    assert "boost" in cautions("compression", "boost")[1]
    for ignition in ("spark", "compression"):
        whole = " ".join(cautions(ignition)).lower()  # type: ignore[arg-type]
        for word in ("rolling road", "carbon monoxide", "hot", "law", "licensed"):
            assert word in whole


def coverage_of(points: list[tuple[list[float], list[float]]]) -> pd.DataFrame:
    """2 x 2 cells at 1000/2000 rpm and 30/60 kPa; the last has no target."""
    cells = pd.DataFrame({"holds": [2, 1, 0, 3], "confidence": ["good", "low", "none", "good"]})
    setup = small_setup()
    return coverage_table(
        setup.axes,
        target=setup.target.table,
        points=[(np.array(rpm), np.array(load)) for rpm, load in points],
        cells=cells,
        margin_cells=0.5,
    )


def test_coverage_counts_each_sample_for_the_nearest_cell_over_all_logs() -> None:
    table = coverage_of([([1000, 1499, 1501], [30, 44, 44]), ([2000, np.nan], [61, 30])])
    # 1499 is nearer to 1000, 1501 to 2000; 44 is nearer to 30; a gap counts nowhere
    assert table["samples_seen"].tolist() == [2, 0, 1, 1]
    assert table["is_seen"].tolist() == [True, False, True, True]


def test_coverage_leaves_out_samples_beyond_the_margin() -> None:
    # margin: half of the outermost cell's width, 500 rpm and 15 kPa
    assert coverage_of([([500, 2500], [15, 75])])["samples_seen"].tolist() == [1, 0, 0, 1]
    assert coverage_of([([499, 2501], [30, 30])])["samples_seen"].sum() == 0
    assert coverage_of([([1000, 1000], [14.9, 75.1])])["samples_seen"].sum() == 0


def test_coverage_gives_the_highest_state_and_leaves_cells_without_target_alone() -> None:
    table = coverage_of([([2000], [30])])
    assert table["state"].tolist() == ["trusted", "held", "seen", "left alone"]
    counts = count_states(table)
    assert list(counts) == list(STATES)
    assert counts == {"left alone": 1, "unseen": 0, "seen": 1, "held": 1, "trusted": 1}
    assert coverage_of([])["state"].tolist()[2] == "unseen"


def test_a_cell_read_while_moving_counts_by_its_worth_in_holds() -> None:
    cells = pd.DataFrame(
        {
            "holds": [0, 0, 1, 0],
            "confidence": ["fair", "none", "good", "none"],
            "worth": [2.37, 0.5, 1.0, 0.0],
            "effective_n": [4.0, 0.0, 9.0, 0.0],
        }
    )
    setup = replace(small_setup(), target=Target(np.ones((2, 2))))
    points = [(np.array([1000.0, 2000.0]), np.array([60.0, 60.0]))]
    table = coverage_table(
        setup.axes, target=setup.target.table, points=points, cells=cells, margin_cells=0.5
    )
    assert table["state"].tolist() == ["trusted", "held", "trusted", "seen"]
    assert table["worth"].tolist() == [2.37, 0.5, 1.0, 0.0]
    assert table["effective_n"].tolist() == [4.0, 0.0, 9.0, 0.0]
    shown = coverage_picture(table, setup.axes).cells
    assert [cell.text for cell in shown] == ["2.4", "0.5", "1", "seen"]
    record = coverage_record(table, count_states(table))
    assert {"worth", "effective_n", "holds"} <= set(record["cells"][0])  # type: ignore[index]


def test_a_cell_read_between_neighbours_is_never_called_unseen() -> None:
    cells = pd.DataFrame({"holds": [0, 0, 0, 0], "confidence": ["low", "fair", "none", "none"]})
    setup = small_setup()
    table = coverage_table(
        setup.axes, target=setup.target.table, points=[], cells=cells, margin_cells=0.5
    )
    assert table["state"].tolist() == ["held", "trusted", "unseen", "left alone"]
    assert count_blank(table) == 1  # the last has no target and is not missed
    assert "1 of 3 cells have no evidence" in blank_words(table)


@pytest.mark.parametrize(
    ("kind", "words"),
    [("parquet", "Parquet table"), ("arrow", "Arrow table"), ("mdf", "MDF table")],
)
def test_a_file_that_is_no_text_is_named_by_its_format(kind: str, words: str) -> None:
    dialect = Dialect(encoding=kind, header_line=0, data_line=1)
    assert file_words(log_of(dialect)) == words
    assert "separated by commas" in file_words(log_of(Dialect("utf-8", ",")))


def log_of(dialect: Dialect) -> Log:
    return Log("a", Path("a"), "", pd.DataFrame(), (), (), (), 0, dialect)


def test_the_picture_says_that_data_are_simulated_and_survives_odd_labels() -> None:
    setup = small_setup()
    holds = pd.DataFrame({"rpm": [1200.0, 9000.0], "load": [40.0, 10.0]})
    figure = coverage_figure(
        coverage_of([]), setup.axes, holds=holds, label="$x_{ \x1b[0m", is_simulated=True
    )
    title = figure.axes[0].get_title(loc="left")
    assert "simulated data" in title
    assert "\x1b" not in title
    assert picture(figure, "png").startswith(b"\x89PNG")
    texts = {text.get_text() for text in figure.axes[0].texts}
    assert texts == {"2 good", "1 low"}


def test_pictures_are_asked_for_by_suffix() -> None:
    assert [plot_format(f".{kind.upper()}") for kind in FORMATS] == list(FORMATS)


def test_the_table_of_columns_survives_headers_that_look_like_markup() -> None:
    log = Log(
        name="a.csv",
        path=Path("a.csv"),
        sha256="0" * 64,
        samples=pd.DataFrame({"time_s": [0.0, 1.0]}),
        columns=(ColumnReport("Drehzahl [1/min]", "rpm", "rpm", "rpm", "header", "header"),),
        dropped=(),
        notes=(),
        rows_read=2,
        dialect=Dialect(),
    )
    text = " ".join(text_of(columns_table(log, None), width=120).split())
    assert "Drehzahl [1/min]" in text
    assert "no numbers" in text
