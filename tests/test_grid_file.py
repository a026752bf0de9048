"""Grid files: written and read back unchanged, as spreadsheets save them, and damaged."""

import codecs
import csv
import io
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tuneassist.errors import GridError
from tuneassist.files.grid_file import read_grid, write_grid_text
from tuneassist.grid import Axes, Grid

AXES = Axes(rpm=np.array([800.0, 1200.0, 1600.0]), load=np.array([30.0, 45.5, 60.0, 75.0]))
VALUES = np.array([[0.0, 1.5, -2.25, 0.1], [np.nan, 3.3, 0.0, 12.0], [-0.7, 0.0, 4.0, np.nan]])
TEXT = "rpm/load,30,45.5,60,75\n800,0,1.5,-2.25,0.1\n1200,,3.3,0,12\n1600,-0.7,0,4,\n"


def _file(tmp_path, content):
    path = tmp_path / "grid.csv"
    path.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
    return path


def test_the_text_is_the_contracts_layout():
    assert write_grid_text(Grid(AXES, VALUES)) == TEXT


def test_the_layout_is_what_a_plain_csv_reader_expects():
    rows = list(csv.reader(io.StringIO(TEXT)))
    assert [len(row) for row in rows] == [5, 5, 5, 5]
    assert rows[2] == ["1200", "", "3.3", "0", "12"]


rising = st.lists(
    st.floats(-1e6, 1e6, allow_subnormal=False), min_size=2, max_size=6, unique=True
).map(sorted)


@st.composite
def grids(draw):
    axes = Axes(rpm=np.array(draw(rising)), load=np.array(draw(rising)))
    cell = st.one_of(
        st.just(np.nan),
        st.floats(-99.999, 1e12),
        st.floats(-99, 300).map(lambda value: round(value, 1)),
    )
    cells = draw(st.lists(cell, min_size=axes.size, max_size=axes.size))
    return Grid(axes, np.array(cells).reshape(axes.shape))


@settings(max_examples=150, deadline=None)
@given(grid=grids())
def test_write_then_read_is_the_identity_to_the_last_bit(tmp_path_factory, grid):
    path = tmp_path_factory.mktemp("grid") / "g.csv"
    path.write_text(write_grid_text(grid), encoding="utf-8", newline="")
    back = read_grid(path)
    np.testing.assert_array_equal(back.axes.rpm, grid.axes.rpm)
    np.testing.assert_array_equal(back.axes.load, grid.axes.load)
    np.testing.assert_array_equal(back.values, grid.values)
    assert write_grid_text(back) == write_grid_text(grid)


def _saved(text, *, delimiter=",", decimal=".", end="\n", blank_cells=0, blank_rows=0, quote=False):
    """Emulate a spreadsheet's save: the rules of its CSV export, without the program."""
    rows = [
        [cell.replace(".", decimal) for cell in row] + [""] * blank_cells
        for row in csv.reader(io.StringIO(text))
    ]
    rows += [[""] * len(rows[0])] * blank_rows
    out = io.StringIO()
    style = csv.QUOTE_ALL if quote else csv.QUOTE_MINIMAL
    csv.writer(out, delimiter=delimiter, lineterminator=end, quoting=style).writerows(rows)
    return out.getvalue()


@pytest.mark.parametrize(
    "content",
    [
        _saved(TEXT, end="\r\n").encode(),
        _saved(TEXT, end="\r").encode(),
        codecs.BOM_UTF8 + _saved(TEXT, end="\r\n").encode(),
        _saved(TEXT, delimiter=";", decimal=",").encode(),
        _saved(TEXT, delimiter=";", decimal=",", end="\r\n", quote=True).encode("cp1252"),
        _saved(TEXT, delimiter=";").encode(),
        _saved(TEXT, delimiter="\t", decimal=",").encode("utf-16"),
        _saved(TEXT, delimiter="\t").encode(),
        _saved(TEXT, blank_cells=3, blank_rows=4).encode(),
        _saved(TEXT, delimiter=";", decimal=",", blank_cells=1, blank_rows=1).encode(),
        (TEXT + "\n\n\n").encode(),
        TEXT.rstrip("\n").encode(),
        TEXT.replace(",75\n", ",75,\u00a0\n").encode("cp1252"),
        TEXT.replace("rpm/load", "RPM / Load").encode(),
        TEXT.replace("12\n", "1.2E+01\n").replace("45.5", "+45.50").encode(),
    ],
)
def test_what_spreadsheets_save_is_read_as_the_same_grid(tmp_path, content):
    grid = read_grid(_file(tmp_path, content), axes=AXES)
    np.testing.assert_array_equal(grid.values, VALUES)
    assert grid.axes is AXES


@settings(max_examples=60, deadline=None)
@given(
    grid=grids(),
    style=st.fixed_dictionaries(
        {
            "delimiter": st.sampled_from(";\t"),
            "end": st.sampled_from(["\n", "\r\n"]),
            "blank_cells": st.integers(0, 2),
            "blank_rows": st.integers(0, 2),
            "quote": st.booleans(),
        }
    ),
)
def test_any_grid_survives_a_save_with_decimal_commas(tmp_path_factory, grid, style):
    text = _saved(write_grid_text(grid), decimal=",", **style)
    path = _file(tmp_path_factory.mktemp("grid"), text)
    np.testing.assert_array_equal(read_grid(path).values, grid.values)


def test_breakpoints_shown_with_fewer_digits_are_the_setups(tmp_path):
    axes = Axes(rpm=np.array([800.0, 1600.0]), load=np.array([100 / 3, 200 / 3]))
    text = "rpm/load,33.3333,66.6667\n800,1,2\n1600,3,4\n"
    assert read_grid(_file(tmp_path, text), axes=axes).axes is axes


def test_a_breakpoint_just_past_the_tolerance_is_another_one(tmp_path):
    # closest load breakpoints are 14.5 apart: 1e-4 of that is 0.00145
    inside = TEXT.replace("45.5", "45.5014")
    assert read_grid(_file(tmp_path, inside), axes=AXES).axes is AXES
    with pytest.raises(GridError, match=r"load breakpoint 2 is 45\.5015"):
        read_grid(_file(tmp_path, TEXT.replace("45.5", "45.5015")), axes=AXES)


DAMAGED = {
    "empty": ("", "the file is empty"),
    "only separators": (",,,\n,,\n", "the file is empty"),
    "only blank quotes": ('""\n""\n', 'row 1, column 1: the first cell is ""'),
    "no corner": (TEXT.replace("rpm/load", ""), 'row 1, column 1: the first cell is ""'),
    "transposed": (
        TEXT.replace("rpm/load", "load/rpm"),
        'column 1: the first cell is "load/rpm"',
    ),
    "a log": ("Time (s),RPM\n0.0,900\n", 'the first cell is "Time (s)"'),
    "text": (TEXT.replace("3.3", "ok"), 'row 3, column 3: "ok" is not a plain number'),
    "sheet error": (TEXT.replace("3.3", "#REF!"), 'row 3, column 3: "#REF!" is not'),
    "percent sign": (TEXT.replace("3.3", "3.3%"), 'row 3, column 3: "3.3%" is not'),
    "nan word": (TEXT.replace("3.3", "nan"), "leave a cell without a value empty"),
    "inf word": (TEXT.replace("3.3", "inf"), 'row 3, column 3: "inf" is not'),
    "huge": (TEXT.replace("3.3", "1e999"), "row 3, column 3: 1e999 is too large"),
    "no fuel": (TEXT.replace("3.3", "-100"), "row 3, column 3: -100 % takes away all"),
    "cut line": (TEXT.replace(",0,12\n", "\n"), "row 3, column 3: the row ends after 3 of 5 cells"),
    "cut file": (TEXT[:-10], "row 4, column 2: the row ends after 2 of 5 cells"),
    "blank row inside": (TEXT.replace("1200,,3.3,0,12\n", "\n"), "row 3, column 1: the row ends"),
    "long row": (TEXT.replace(",0,12\n", ",0,12,7\n"), 'row 3, column 6: "7" is beyond'),
    "no rpm": (TEXT.replace("1200", ""), "row 3, column 1: a breakpoint is missing"),
    "no load": (TEXT.replace("45.5", ""), "row 1, column 3: a breakpoint is missing"),
    "text load": (TEXT.replace("45.5", "kPa"), 'row 1, column 3: "kPa" is not a plain number'),
    "load falls": (TEXT.replace("45.5", "20"), "load axis does not rise: 30 is followed by 20"),
    "rpm repeats": (TEXT.replace("1200", "800"), "rpm axis does not rise: 800 is followed by 800"),
    "one row": ("rpm/load,30,60\n800,1,2\n", "the rpm axis has 1 breakpoint(s)"),
    "header only": ("rpm/load,30,60\n", "the rpm axis has 0 breakpoint(s)"),
    "corner only": ("rpm/load\n", "the rpm axis has 0 breakpoint(s)"),
    "thousands": (TEXT.replace("1200", '"1,200"'), "row 3, column 1: a comma inside a cell"),
    "thousands without a point anywhere": (
        'rpm/load,30,60\n"1,000",0,0\n"1,500",0,0\n',
        "row 2, column 1: a comma inside a cell could be a decimal comma or a thousands separator",
    ),
    "both marks": (
        TEXT.replace(",", ";").replace("1200", "1.200,0"),
        "row 3, column 1: a comma inside a cell could be",
    ),
    "open quote": (TEXT.replace("3.3", '"3.3'), "the row cannot be split into cells"),
    "binary": (b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR", "the file is not text"),
    "workbook": (b"PK\x03\x04\x14\x00\x06\x00", "not as a workbook"),
    "escape codes": (b"\x1b[2Jrpm,1,2\n", 'the first cell is "?[2Jrpm"'),
    "odd utf-16": (codecs.BOM_UTF16_LE + b"r", "the file is not text"),
    "too large": (b"1" * 4_000_001, "too large to be a grid"),
}


@pytest.mark.parametrize("name", DAMAGED)
def test_a_damaged_grid_is_refused_with_its_place(tmp_path, name):
    content, said = DAMAGED[name]
    path = _file(tmp_path, content)
    with pytest.raises(GridError, match=re.escape(said)) as caught:
        read_grid(path)
    assert str(caught.value).startswith(str(path))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            TEXT + "2000,1,1,1,1\n",
            "has 4 rpm rows and 4 load columns; the setup's axes have 3 and 4",
        ),
        (TEXT[: TEXT.rindex("1600")], "has 2 rpm rows and 4 load columns"),
        (TEXT.replace("1200", "1250"), "row 3, column 1: rpm breakpoint 2 is 1250"),
        (TEXT.replace("1200", "1250"), "the setup's axes.rpm has 1200"),
        (TEXT.replace(",75\n", ",80\n"), "row 1, column 5: load breakpoint 4 is 80"),
        (TEXT.replace("1200", "700"), "rpm breakpoint 2 is 700"),
    ],
)
def test_a_grid_with_other_axes_names_the_breakpoint(tmp_path, text, said):
    with pytest.raises(GridError, match=re.escape(said)):
        read_grid(_file(tmp_path, text), axes=AXES)


def test_a_missing_file_and_a_folder_are_refused(tmp_path):
    with pytest.raises(GridError, match="cannot be read"):
        read_grid(tmp_path / "none.csv")
    with pytest.raises(GridError, match="cannot be read"):
        read_grid(tmp_path)


@settings(max_examples=300, deadline=None)
@given(
    data=st.one_of(
        st.binary(max_size=200), st.text(',;\t\r\n"0123.e- ', max_size=80).map(str.encode)
    )
)
def test_no_bytes_at_all_end_in_anything_but_a_grid_or_a_grid_error(tmp_path_factory, data):
    path = _file(tmp_path_factory.mktemp("grid"), b"rpm/load" + data)
    try:
        grid = read_grid(path)
    except GridError as error:
        assert str(path) in str(error)
    else:
        assert grid.values.shape == grid.axes.shape
