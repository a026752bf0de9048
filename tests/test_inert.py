"""Words of others are inert and short wherever they reach a person, whatever is in them."""

from __future__ import annotations

import csv
import io
import json
import pickle
import unicodedata

import pandas as pd
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from rich.table import Table
from rich.text import Text

from tuneassist import errors
from tuneassist.files.json_file import parse_record
from tuneassist.files.serialise import frame_csv, stable_json
from tuneassist.files.toml_table import read_toml
from tuneassist.inert import (
    NAME_LENGTH,
    SENTENCE_LENGTH,
    clipped,
    from_sheet_text,
    inert,
    listed,
    one_line,
    quoted,
    sheet_text,
)
from tuneassist.reading import read_log
from tuneassist.show.display import plain
from tuneassist.show.report import report_html
from tuneassist.show.report_data import ReportData
from tuneassist.show.safe_console import SafeConsole

# Unicode general categories of what has no shape of its own: controls, formats, surrogates,
# separators of lines and paragraphs (The Unicode Standard, table 4-4).
SHAPELESS = {"Cc", "Cf", "Cs", "Zl", "Zp"}
# Default_Ignorable_Code_Point beyond those categories (DerivedCoreProperties.txt)
FILLERS = "\u034f\u115f\u1160\u17b4\u3164\ufe0f\uffa0\U000e0101"
NASTY = "\x1b[31m\x07\x7f\x9b2J\u202e\u2066\u200b\u2028\u2029\ufeff\u00ad\udce9\n\r\t" + FILLERS
ANY = st.text(max_size=60) | st.text(
    st.sampled_from(NASTY + "=+-@;'\",<&|\\ a1é中\U0001f697"), max_size=40
)
FORMULA_SIGNS = "=+-@＝＋－＠"


def is_harmless(text: str) -> bool:
    """By the character database, which the program does not ask."""
    return not any(unicodedata.category(mark) in SHAPELESS or mark in FILLERS for mark in text)


@given(ANY)
def test_inert_words_hold_no_control_no_bidirectional_and_no_shapeless_mark(text):
    assert is_harmless(inert(text))
    assert is_harmless(plain(text))
    assert inert(inert(text)) == inert(text)


def test_words_without_such_marks_stay_as_they_are():
    for text in ("Crank speed (rpm)", "Öldruck °C ±3 µm", "中文 λ", "🚗"):
        assert inert(text) == text


def test_blanks_of_every_width_and_line_ends_become_plain_blanks():
    assert inert("a\u00a0b\tc\nd\u3000e\u2028f") == "a b c d e f"


@given(ANY, st.integers(20, 100))
def test_clipped_words_keep_both_ends_and_never_pass_the_length(text, most):
    short = clipped(text * 10, most)
    assert len(short) <= most
    if len(text * 10) > most:
        assert (text * 10).startswith(short.partition(" ... ")[0])


def test_long_lists_say_how_many_more_there_are():
    assert listed([f"{n}.csv" for n in range(5000)]).endswith("11.csv and 4,988 more")
    assert len(listed(["x" * 5000] * 5000)) < 12 * (NAME_LENGTH + 2) + 20


@given(ANY)
def test_json_stays_valid_and_reads_back_with_every_letter(text):
    written = stable_json({"name": text, text: 1})
    assert is_harmless(written.replace("\n", ""))
    written.encode("utf-8")
    read = json.loads(written)
    whole = "".join("\ufffd" if "\ud800" <= mark <= "\udfff" else mark for mark in text)
    assert read["name"] == (1 if text == "name" else whole)


def pieces(cell: str) -> list[str]:
    """What a spreadsheet makes of a cell's text where it cuts at semicolons as well."""
    return [cell, *cell.split(";")]


FORMULAS = st.lists(
    st.sampled_from(
        [";", "=1", "@A1", "+1", "-1", "＝1", " ", '"', "'", "\t", "\r", "\n", "a", ","]
    ),
    max_size=12,
).map("".join)


@given(FORMULAS | ANY, FORMULAS)
@example("lean;=1", "=1")
@example('a;"=1', '"@A1')
@example("'=1;'=1", "\t=1;\r+1")
def test_text_cells_of_a_csv_never_begin_a_formula_also_when_cut_at_semicolons(first, second):
    words = pd.DataFrame({"reason": [first], "why": [second]}, dtype=object)
    frame = pd.concat([pd.DataFrame({"rpm": [-1.5]}), words], axis=1)
    text = frame_csv(frame)
    assert is_harmless(text.replace("\n", ""))
    header, row = csv.reader(io.StringIO(text))
    assert header == ["rpm", "reason", "why"]
    assert float(row[0]) == -1.5  # a number stays one
    for cell in (row[1], row[2]):
        for piece in pieces(cell):
            assert not piece.lstrip(' "').startswith(tuple(FORMULA_SIGNS))
    for piece in text.splitlines()[1].split(";")[1:]:  # the raw line, cut as such a sheet does
        assert not piece.lstrip(' "').startswith(tuple(FORMULA_SIGNS))


@given(ANY | FORMULAS)
@example("'=1;'=1")
def test_a_text_cell_reads_back_as_the_inert_words_that_it_was(text):
    assert from_sheet_text(sheet_text(text)) == inert(text)


@given(ANY, ANY, ANY)
def test_every_error_is_one_inert_line_that_travels_between_processes(problem, where, mend):
    for error in (
        errors.LogError(problem, where=where, mend=mend),
        errors.OutputError(problem),
        errors.NoEvidenceError(problem),
    ):
        assert is_harmless(str(error))
        again = pickle.loads(pickle.dumps(error))
        assert (type(again), str(again), vars(again)) == (type(error), str(error), vars(error))


def test_an_error_about_endless_words_keeps_its_beginning_and_its_end():
    error = errors.LogError(
        f"channels.rpm names the column {'x' * 10**6!r}, which is not in the log.",
        where="y" * 10**6,
        mend="z" * 10**6,
    )
    assert len(str(error)) < 2 * SENTENCE_LENGTH + NAME_LENGTH + 10
    assert error.problem.startswith("channels.rpm names the column")
    assert error.problem.endswith("which is not in the log.")


def test_a_grid_that_breaks_endless_rules_names_a_thousand_and_counts_the_rest():
    error = errors.RuleBreachError("grid.csv: many.", tuple(f"cell {n}\x1b" for n in range(3000)))
    lines = str(error).splitlines()
    assert len(lines) == 1002
    assert lines[-1] == "And 2,000 more."
    assert lines[1] == "cell 0?"
    assert str(pickle.loads(pickle.dumps(error))) == str(error)


@given(ANY)
def test_a_screen_shows_only_inert_words_wherever_they_stand(text):
    table = Table(title=Text(text))
    table.add_column(Text(text))
    table.add_row(Text(text), text)
    out = io.StringIO()
    console = SafeConsole(file=out, markup=False, highlight=False, emoji=False, width=200)
    console.print(table, text, Text(text, style="bold"))
    assert is_harmless(out.getvalue().replace("\n", ""))


def test_markup_in_words_is_shown_as_it_is_written():
    out = io.StringIO()
    SafeConsole(file=out, markup=False, highlight=False, emoji=False).print(
        Text("[red]a[/red] :car:"), "[bold]b [link=file:///x]c"
    )
    assert out.getvalue() == "[red]a[/red] :car: [bold]b [link=file:///x]c\n"


def test_colours_of_the_console_itself_stay():
    out = io.StringIO()
    SafeConsole(file=out, force_terminal=True, color_system="standard", markup=False).print(
        Text("a\x1b[2J", style="bold")
    )
    assert "\x1b[1m" in out.getvalue()
    assert "\x1b[2J" not in out.getvalue()


def test_a_quotation_is_escaped_and_short():
    assert quoted("a\x1b'") == '"a\\x1b\'"'
    assert len(quoted("x" * 10**6)) == 82
    assert one_line("a\nb" * 10**6).startswith("a ba b")


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("[limits]\nmax_step_pct = 0x" + "f" * 5000, "key limits.max_step_pct"),
        ("[limits]\nmax_step_pct = " + "9" * 5000, ""),
        ("[axes]\nrpm = [[1, 0x" + "f" * 300 + "]]", "key axes.rpm"),
    ],
)
def test_whole_numbers_beyond_every_float_are_refused_by_name(tmp_path, text, key):
    path = tmp_path / "setup.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(errors.SetupError, match=r"number is too (large|long)") as caught:
        read_toml(path)
    assert key in caught.value.where
    assert len(str(caught.value)) < 600


@pytest.mark.parametrize(
    ("data", "words"),
    [(b"[" * 200_000, "nested too deeply"), (b'{"a": "\xff"}', "utf-8"), (b"{", "JSON")],
)
def test_records_nested_too_deeply_or_in_no_encoding_are_no_records(data, words):
    with pytest.raises(errors.InputError, match=words):
        parse_record(data, where="history.json")


def test_a_page_takes_out_what_nobody_else_did():
    data = ReportData(setup=None, version="1\u202e\x9b", made_at="now\udce9", is_simulated=False)
    page = report_html(data, sections=())
    assert is_harmless(page.replace("\n", ""))
    assert "tuneassist 1??" in page


def test_a_log_read_by_the_library_has_a_name_that_can_be_shown(tmp_path):
    path = tmp_path / "a\u202e\u200b.csv"
    rows = "".join(f"{n},{1000 + n}\n" for n in range(30))
    path.write_text(f"Time (s),Engine speed (rpm)\n{rows}", encoding="utf-8")
    log = read_log(path)
    assert (log.name, log.path) == ("a??.csv", path)
