"""The bench sheet: one page whatever the car, its ceilings in its units, holds ticked when held."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from types import MappingProxyType, SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from report_makers import PETROL, VAN, run
from test_rounds_commands import Car

from tuneassist.errors import InputError, LogError
from tuneassist.files.zero_result import ZeroResult, read_zero_result
from tuneassist.grid import Axes
from tuneassist.loop.holds_done import is_done
from tuneassist.loop.plan import Plan
from tuneassist.settings import (
    CEILING_CHANNELS,
    Ceiling,
    ChannelSource,
    CorrectionSettings,
    EngineSettings,
    Setup,
    SteadySettings,
    Target,
    default_limits,
)

pytest.importorskip("jinja2")

from tuneassist.show.bench_ceilings import ceiling_rows, past_hard
from tuneassist.show.bench_sheet import (
    MOST_ROWS,
    NARROW_BLOCKS,
    BenchDay,
    bench_sheet_html,
    hold_table,
    warm_words,
)
from tuneassist.workflow import tune_steps
from tuneassist.workflow.sheet import warning_of, with_done

AXES = Axes(
    rpm=np.linspace(1000.0, 6500.0, 12),
    load=np.linspace(-4.35, 25.25, 12),
    load_name="manifold pressure",
    load_unit="psi gauge",
)
UNITS_GIVEN = {"exhaust_temp": "degF", "boost": "inHg", "torque": "lbf.ft", "rail_pressure": "psi"}
HOSTILE = "Ü{{ 7*7 }}車<script>alert(1)</script> " + "Wwwwww " * 40
CHROMIUM = next(
    (path for name in ("chromium", "chromium-browser", "google-chrome", "chrome")
     if (path := shutil.which(name))), None,
)  # fmt: skip


def car(ignition: str = "spark", acts_on: str = "fuel", label: str = "car") -> Setup:
    """A car with every ceiling there is, in units of its own."""
    ceilings = {
        name: Ceiling(1234.5, 2345.6, given_unit=UNITS_GIVEN.get(name)) for name in CEILING_CHANNELS
    }
    return Setup(
        axes=AXES,
        target=Target(np.ones(AXES.shape), unit="afr"),
        engine=EngineSettings(label=label, ignition=ignition, rev_limit_rpm=7200),  # type: ignore[arg-type]
        correction=CorrectionSettings(acts_on=acts_on),  # type: ignore[arg-type]
        limits=replace(default_limits(ignition), ceilings=MappingProxyType(ceilings)),  # type: ignore[arg-type]
        channels={"coolant_temp": ChannelSource("W", unit="degF")},
    )


def plan_of(count: int, *, sweeps: int = 0) -> Plan:
    number = np.arange(1, count + 1)
    holds = pd.DataFrame(
        {
            "number": number, "start_s": 13.0 * number, "rpm": 1000.0 + 50.0 * number,
            "load": -4.35 + 0.3 * number, "hold_s": 12.0, "rest_s": np.where(number % 2, 28.0, 0.0),
            "move_s": 1.0, "band": np.where(number % 2, "heavy", "light"), "doubt_pct": 1.0,
            "why": "",
        }
    )  # fmt: skip
    rows = [(12.25, 1500.0, 6500.0, 114.0, 1.0)] * sweeps
    swept = pd.DataFrame(rows, columns=["load", "rpm", "rpm_to", "sweep_s", "move_s"])
    return Plan(holds, pd.DataFrame(), 1.0, 0.5, 60.0, False, sweeps=swept)


def worst(ignition: str) -> BenchDay:
    """As much of everything as a sheet may be given."""
    return BenchDay(
        car(ignition, label=HOSTILE),
        "2026-11-26",
        "0.1.0",
        plan=plan_of(90, sweeps=4),
        done=[number < 20 for number in range(90)],
        zero=ZeroResult("different", "torque differs by 3 % there; " * 9, "2026-11-25"),
        in_controller="loaded-01/grid.csv",
        warning="HALT: " + "somebody must look at the engine " * 9,
        is_simulated=True,
    )


class _Words(HTMLParser):
    """Words of a page, and its boxes."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.words, self.boxes, self.tags = "", {"done": 0, "to tick": 0}, set()
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        if (said := dict(attrs).get("aria-label")) in self.boxes:
            self.boxes[said] += 1

    def handle_data(self, data: str) -> None:
        self.words += data


# -- holds done -------------------------------------------------------------------------------


def held(rpm: float, load: float, seconds: float = 9.0) -> dict[str, float]:
    return {"rpm": rpm, "load": load, "start_s": 100.0, "end_s": 100.0 + seconds}


@pytest.mark.parametrize(
    ("stood", "wanted"),
    [
        (held(2000.0, 1.0), [True, False]),
        (held(2120.0, 1.0), [True, False]),  # 0.24 of a step of 500 rpm
        (held(2130.0, 1.0), [False, True]),  # 0.26: nearer to the other, and that one only
        (held(2260.0, 1.0), [False, True]),
        (held(1740.0, 1.0), [False, False]),  # 0.52 of a step off
        (held(2000.0, 2.6), [False, False]),  # 0.59 of a step of 2.69 psi off
        (held(2000.0, 1.0, 5.9), [False, False]),  # half of 12 s is 6 s
        (held(2000.0, 1.0, 6.0), [True, False]),
    ],
)
def test_a_hold_that_stood_ticks_the_planned_one_nearest_it_and_no_other(stood, wanted):
    planned = pd.DataFrame({"rpm": [2000.0, 2250.0], "load": [1.0, 1.0], "hold_s": 12.0})
    assert is_done(planned, pd.DataFrame([stood]), AXES).tolist() == wanted


# -- ceilings ---------------------------------------------------------------------------------


@pytest.mark.parametrize("ignition", ["spark", "compression"])
@pytest.mark.parametrize("acts_on", ["fuel", "boost"])
def test_every_ceiling_is_there_in_its_unit_with_what_to_do(ignition, acts_on):
    setup = car(ignition, acts_on)
    rows = ceiling_rows(setup)
    assert len(rows) == len(CEILING_CHANNELS) + 1  # and the mixture
    limits = {row.name: (row.limit, row.hard) for row in rows}
    # 1234.5 degC = 2254.1 degF; 1234.5 kPa = 364.5 inHg; 1234.5 N.m = 910.5 lbf.ft (NIST SP 811)
    assert limits["Exhaust temp"] == ("2254 degF", "hard 4254 degF")
    assert limits["Boost"][0] == "364.5 inHg gauge"
    assert limits["Torque"][0] == "910.5 lbf.ft"
    assert "AFR" in rows[-1].limit
    for row in rows:
        assert row.look_at.endswith(".")
        assert ("leaner" in row.enter) <= (ignition == "spark")
        assert ("more fuel" in row.enter and "no more fuel" not in row.enter) <= (
            ignition == "spark"
        )


def test_spark_and_compression_are_told_apart_in_words():
    spark, diesel = ceiling_rows(car("spark")), ceiling_rows(car("compression"))
    assert {row.enter for row in spark}.isdisjoint({row.enter for row in diesel})
    assert spark[-1].limit.startswith("leaner than")
    assert diesel[-1].limit.startswith("richer than")
    assert past_hard(car("spark")) == "2 % more fuel"
    assert past_hard(car("compression")) == "2 % less fuel"
    assert past_hard(car("spark", "boost")) == "2 % less boost"
    bare = replace(car(), limits=replace(car().limits, ceilings=MappingProxyType({})))
    assert [row.name for row in ceiling_rows(bare)] == ["Knock", "Mixture in boost"]
    assert past_hard(bare) == ""


def test_warm_is_told_by_the_channel_that_the_log_has():
    volts = {"coolant_volts": ChannelSource("V")}
    oil = {"oil_temp": ChannelSource("O", unit="degC")}
    assert warm_words(car()) == "Coolant at 158 degF or more"  # 70 degC
    assert warm_words(replace(car(), channels={})) == "Coolant at 158 degF or more"  # as its heat
    assert warm_words(replace(car(), channels=volts)) == "Coolant sender at 0.8 V or less"
    assert warm_words(replace(car(), channels=oil)) == "Oil at 60 degC or more"
    blind = replace(car(), channels={}, unread=frozenset({"coolant_temp", "oil_temp"}))
    assert warm_words(blind) == "Engine at work for 5 min"
    hot = replace(car(), steady=SteadySettings(min_coolant_c=80.0))
    assert warm_words(hot) == "Coolant at 176 degF or more"


# -- the page ---------------------------------------------------------------------------------


@pytest.mark.parametrize("count", [0, 1, 36, 45, 60, 90])
def test_holds_that_do_not_fit_are_counted_and_the_others_stand_in_order(count):
    plain_car = replace(car(), limits=default_limits("spark"))
    day = BenchDay(plain_car, "2026-11-26", "0", plan=plan_of(count), done=[True] * min(count, 5) +
                   [False] * max(count - 5, 0))  # fmt: skip
    table = hold_table(day)
    shown = [int(row.number) for block in table.blocks for row in block if row.number]
    room = MOST_ROWS * NARROW_BLOCKS
    assert (table.done, table.total) == (min(count, 5), count)
    if count <= room:
        assert shown == list(range(1, count + 1))
        assert table.left_out == ""
    else:
        assert shown == list(range(6, 6 + len(shown)))
        assert f"5 holds done and {count - 5 - len(shown)} more to hold" in table.left_out
    assert table.is_narrow == (count > 3 * MOST_ROWS)


def test_the_name_of_a_car_is_text_and_the_page_loads_nothing():
    page = bench_sheet_html(worst("spark"))
    seen = _Words(page)
    assert "script" not in seen.tags
    assert "Ü{{ 7*7 }}車<script>alert(1)</script>" in seen.words
    assert not re.search(r"(?:src|href)=\"(?!data:,)|url\(|@import|https?:", page)
    assert "SIMULATED DATA" in seen.words
    odd = BenchDay(car(label="a\u202eb\x1b[31m"), "2026-11-26", "0")
    assert "a b [31m" in _Words(bench_sheet_html(odd)).words


@pytest.mark.parametrize(
    ("verdict", "ticked", "said"),
    [
        (None, 0, "tuneassist runs --zero"),
        ("equivalent", 1, "EQUIVALENT, 2026-11-25"),
        ("different", 0, "DIFFERENT: find the cause before any tuning, 2026-11-25"),
        ("cannot tell", 0, "CANNOT TELL: more runs are needed, 2026-11-25"),
    ],
)
def test_only_an_equivalent_zero_run_is_ticked_with_its_date(verdict, ticked, said):
    zero = None if verdict is None else ZeroResult(verdict, f"{verdict}: x", "2026-11-25")
    seen = _Words(bench_sheet_html(BenchDay(car(), "2026-11-26", "0", zero=zero)))
    assert seen.boxes["done"] == ticked
    assert said in seen.words


def test_a_zero_test_is_read_with_the_date_of_its_file(tmp_path):
    path = tmp_path / "zero.json"
    path.write_text(
        json.dumps({"simulated": True, "label": "van", "zero": {"verdict": "equivalent",
                    "statement": "equivalent: all"}}), encoding="utf-8",
    )  # fmt: skip
    os.utime(path, (1_764_158_400, 1_764_158_400))  # 2025-11-26 12:00 UTC
    found = read_zero_result(path)
    assert found == ZeroResult("equivalent", "equivalent: all", "2025-11-26", "van", True)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{}", "no zero test"),
        ("[]", "not a record"),
        ("{", "not valid JSON"),
        ('{"zero": 3}', '"zero" is 3'),
        ('{"zero": {"verdict": "fine", "statement": "x"}}', "the verdict is 'fine'"),
        ('{"zero": {"verdict": "equivalent"}}', "statement"),
        ('{"simulated": "no", "zero": {"verdict": "equivalent", "statement": ""}}', "simulated"),
    ],
)
def test_a_file_without_a_zero_test_is_refused_with_how_to_get_one(tmp_path, text, said):
    path = tmp_path / "zero.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=re.escape(said)) as caught:
        read_zero_result(path)
    assert str(path) in str(caught.value)


# -- the command ------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def later_log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A log of the begun tune's car that its tune does not have."""
    return Car(tmp_path_factory.mktemp("later")).log("later.csv", 2)


def test_a_tune_gives_its_sheet_with_holds_and_what_waits(begun_home, later_log, tmp_path):
    out = tmp_path / "sheet.html"
    asked = ("sheet", begun_home / "tune", "--minutes", "5", "--out", out)
    done = run(*asked, "--done", later_log, "--json")
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    seen = _Words(out.read_text(encoding="utf-8"))
    assert told["holds"] > 3
    assert f"{told['done']} of {told['holds']} done" in seen.words
    assert seen.boxes["done"] == told["done"] > 0
    assert "The grid of round-01 waits" in seen.words
    assert "In the controller: start-grid.csv" in seen.words
    again = run(*asked)
    assert again.exit_code == 3
    assert "name is taken" in again.output


def test_a_log_that_the_plan_was_made_from_ticks_nothing():
    day = BenchDay(car(), "2026-11-26", "0", plan=plan_of(1), known_logs={"ab12": "round-01"})
    log = SimpleNamespace(sha256="ab12", name="a.csv")
    reduced = SimpleNamespace(used=[SimpleNamespace(log=log)], unusable={})
    with pytest.raises(LogError, match=r"made from this log already \(round-01\)"):
        with_done(day, lambda setup: reduced)


def test_a_halt_and_an_exceeded_ceiling_come_before_all_else(begun_home):
    status = tune_steps.status(begun_home / "tune")
    assert "waits" in warning_of(status)
    stop = replace(status.verdict, word="STOP", reason="The engine did not answer.")
    assert warning_of(replace(status, verdict=stop)) == "STOP: The engine did not answer."
    accepted = replace(status, state=replace(status.state, is_pending=False))
    assert warning_of(accepted) == ""


def test_a_log_of_the_day_that_cannot_be_read_is_set_aside_and_named(
    begun_home, later_log, tmp_path
):
    day = tmp_path / "day"
    day.mkdir()
    (day / "empty.csv").write_text("nothing,here\n", encoding="utf-8")
    shutil.copy(later_log, day)
    asked = ("sheet", begun_home / "tune", "--minutes", "2", "--out", tmp_path / "sheet.html")
    done = run(*asked, "--done", day)
    assert done.exit_code == 0, done.output
    assert "empty.csv was set aside: " in done.stderr


def test_without_the_template_library_it_is_told_what_to_install(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "jinja2", None)
    result = run("sheet", "--setup", VAN, "--out", tmp_path / "sheet.html")
    assert result.exit_code == 3
    assert "needs jinja2" in result.output
    assert not (tmp_path / "sheet.html").exists()


def test_a_setup_alone_gives_a_sheet_to_write_holds_into(tmp_path):
    out, zero = tmp_path / "sheet.html", tmp_path / "zero.json"
    assert run("sheet", "--setup", VAN, "--out", out).exit_code == 0
    seen = _Words(out.read_text(encoding="utf-8"))
    assert "No holds planned" in seen.words
    assert seen.boxes["to tick"] > 10 + 3 * 10
    assert "compression ignition" in seen.words
    zero.write_text(
        '{"label": "other", "zero": {"verdict": "equivalent", "statement": ""}}', "utf-8"
    )
    refused = run("sheet", "--setup", VAN, "--zero", zero, "--out", tmp_path / "b.html")
    assert refused.exit_code == 3
    assert "is of 'other'" in refused.output
    assert not (tmp_path / "b.html").exists()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "name a tune's folder"),
        ((PETROL.parent,), "--minutes is needed"),
        ((PETROL.parent, "--minutes", "nan"), "greater than 0"),
        ((PETROL.parent, "--minutes", "5"), "no tune was started"),
        (("--setup", PETROL, "--minutes", "5"), "need a plan"),
        (("--setup", PETROL, "--done", PETROL), "need a plan"),
    ],
)
def test_wrong_usage_is_told_and_nothing_is_written(tmp_path, words, said):
    out = tmp_path / "sheet.html"
    result = run("sheet", *words, "--out", out)
    assert result.exit_code == 2
    assert said in " ".join(result.output.split())
    assert not out.exists()


# -- on paper ---------------------------------------------------------------------------------

LOOK = """<script>
const cut = e => e.scrollHeight > e.clientHeight + 4 || e.scrollWidth > e.clientWidth + 4;
const all = [...document.querySelectorAll('.sheet, .holds, .passed, .car, .stop, td, th, li')];
const foot = document.querySelector('footer').getBoundingClientRect();
const page = document.querySelector('.sheet').getBoundingClientRect();
document.title = JSON.stringify({
  cut: all.filter(cut).map(e => e.outerHTML.slice(0, 80)),
  inside: foot.bottom <= page.bottom + 1,
});
</script>"""


def chromium(folder: Path, *words: str) -> str:
    assert CHROMIUM is not None
    done = subprocess.run(
        [CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu",
         f"--user-data-dir={folder / 'profile'}", *words],
        capture_output=True, check=True, timeout=120,
    )  # fmt: skip
    return done.stdout.decode("utf-8", "replace")


@pytest.mark.skipif(CHROMIUM is None, reason="no Chromium here")
@pytest.mark.parametrize("paper", ["A4", "letter"])
def test_the_fullest_sheet_is_one_page_of_a4_and_of_letter(tmp_path, paper):
    pypdf = pytest.importorskip("pypdf")
    page = bench_sheet_html(worst("spark"))
    path, pdf = tmp_path / "sheet.html", tmp_path / "sheet.pdf"
    path.write_text(page.replace("@page {", f"@page {{ size: {paper};"), encoding="utf-8")
    chromium(tmp_path, "--no-pdf-header-footer", f"--print-to-pdf={pdf}", path.as_uri())
    pages = pypdf.PdfReader(pdf).pages
    assert len(pages) == 1
    # ISO 216: 210 x 297 mm; Letter: 8.5 x 11 in
    height = {"A4": 297 / 25.4, "letter": 11.0}[paper]
    assert float(pages[0].mediabox.height) / 72 == pytest.approx(height, abs=0.02)
    assert "Signed (name, time)" in pages[0].extract_text()


@pytest.mark.skipif(CHROMIUM is None, reason="no Chromium here")
@pytest.mark.parametrize("ignition", ["spark", "compression"])
def test_nothing_on_the_fullest_sheet_is_cut_off(tmp_path, ignition):
    path = tmp_path / "sheet.html"
    page = bench_sheet_html(worst(ignition))
    path.write_text(page.replace("</body>", f"{LOOK}</body>"), encoding="utf-8")
    shown = chromium(tmp_path, "--dump-dom", path.as_uri())
    found = re.search(r"<title>(.*?)</title>", shown, re.DOTALL)
    assert found is not None
    assert json.loads(found[1].replace("&lt;", "<").replace("&amp;", "&")) == {
        "cut": [],
        "inside": True,
    }
