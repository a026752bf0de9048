"""The report page: parsed for what it must and must not hold, its numbers, refusals, and a look
through a browser where one is installed."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from html.parser import HTMLParser
from pathlib import Path
from typing import ClassVar

import numpy as np
import pandas as pd
import pytest
from report_makers import (
    PETROL,
    SAMPLES,
    VAN,
    run,
    write_session,
    write_sides,
    write_tune,
    write_tunes,
)

from tuneassist.files.result_reader import read_result, setup_of_record
from tuneassist.files.setup_file import read_setup
from tuneassist.grid import Axes
from tuneassist.settings import (
    Ceiling,
    ChannelSource,
    LimitSettings,
    Region,
    Setup,
    Target,
    as_plain,
)
from tuneassist.show.cautions import cautions
from tuneassist.show.report_svg import inline_svg
from tuneassist.workflow.report import ReportRequest, report_data, write_report


class Page(HTMLParser):
    """What a page is made of, by the standard library's parser."""

    VOID: ClassVar = {"meta", "link", "br", "img", "hr", "input"}

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.headings: list[int] = []
        self.titles: dict[str, str] = {}
        self.cells: list[tuple[str, str]] = []
        self.words = ""
        self._id = ""
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        values = dict(attrs)
        self.tags.append((tag, values))
        self.words += " "
        if re.fullmatch(r"h[1-6]", tag):
            self.headings.append(int(tag[1]))
        if tag in ("title", "desc"):
            self._id = values.get("id") or ""
        if tag in ("td", "th"):
            self.cells.append((tag, ""))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop() == tag, f"</{tag}> closes something else"

    def handle_data(self, data: str) -> None:
        inside = self.open[-1] if self.open else ""
        if inside in ("title", "desc") and self._id:
            self.titles[self._id] = self.titles.get(self._id, "") + data
        if inside in ("td", "th"):
            tag, words = self.cells[-1]
            self.cells[-1] = (tag, words + data)
        if inside not in ("style", "script", "title", "desc"):
            self.words += data

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [values for name, values in self.tags if name == tag]

    @property
    def text(self) -> str:
        return " ".join(self.words.split())


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A tune of two rounds, full-load logs, a set of tunes, and a proposal: all simulated."""
    made = tmp_path_factory.mktemp("report")
    write_tune(made)
    write_sides(made)
    write_tunes(made / "set")
    log = SAMPLES / "van-session-1.csv"
    assert run("propose", log, "--setup", VAN, "--out", made / "van", "-q").exit_code == 0
    return made


def write(folder: Path, name: str, *arguments: object) -> str:
    out = folder / f"{name}.html"
    result = run("report", *arguments, "--out", out, "--overwrite")
    assert result.exit_code == 0, result.output
    return out.read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def pages(folder: Path) -> dict[str, str]:
    sides = ("--before", folder / "before.csv", "--after", folder / "after.csv")
    whole = (folder / "tune", *sides, "--tunes", folder / "set")
    return {
        "tune": write(folder, "tune", *whole),
        "proposal": write(folder, "proposal", folder / "van", SAMPLES / "van-session-1.csv"),
        "full load": write(folder, "full-load", *sides, "--setup", VAN),
    }


NAMES = ("tune", "proposal", "full load")


@pytest.mark.parametrize("name", NAMES)
def test_the_page_asks_no_address_for_anything(pages: dict[str, str], name: str) -> None:
    text, page = pages[name], Page(pages[name])
    assert not page.open, "something is not closed"
    scripts = page.all("script")
    assert len(scripts) == (2 if name in ("tune", "proposal") else 0)  # its own, and its data
    assert not any("src" in values for values in scripts)
    policy = [m["content"] or "" for m in page.all("meta") if "http-equiv" in m]
    assert len(policy) == 1
    assert policy[0].startswith("default-src 'none'; ")
    assert "connect-src" not in policy[0]
    assert not page.all("iframe")
    for tag, values in page.tags:
        for key, value in values.items():
            assert not key.startswith("on"), (tag, key)
            if key in ("src", "href", "xlink:href", "srcset", "action", "data", "poster"):
                assert value is not None
                assert value.startswith(("#", "data:")), (tag, key, value)
    for target in re.findall(r"url\(([^)]*)\)", text):
        assert target.startswith("#"), target
    assert "@import" not in text
    assert "://" not in text


@pytest.mark.parametrize("name", NAMES)
def test_the_page_can_be_read_without_eyes(pages: dict[str, str], name: str) -> None:
    page = Page(pages[name])
    assert page.all("html")[0]["lang"] == "en"
    assert any(meta.get("name") == "viewport" for meta in page.all("meta"))
    assert page.headings.count(1) == 1
    assert page.headings[0] == 1
    deeper = np.diff(page.headings)
    assert (deeper <= 1).all(), page.headings
    assert all(values.get("scope") in ("col", "row") for values in page.all("th"))
    assert len(page.all("th")) > 10
    assert not [image for image in page.all("img") if not image.get("alt")]
    ids = [values["id"] for _, values in page.tags if values.get("id")]
    assert len(ids) == len(set(ids))
    for values in page.all("table"):
        assert values["aria-labelledby"] in ids
    for drawing in page.all("svg"):
        assert drawing.get("role") == "img"
        for part in (drawing["aria-labelledby"] or "").split():
            assert len(page.titles[part]) > 5
    for _, values in page.tags:
        for reference in re.findall(r"url\(#([^)]+)\)", " ".join(str(v) for v in values.values())):
            assert reference in ids
        if (values.get("href") or "").startswith("#"):
            assert (values["href"] or "")[1:] in ids


@pytest.mark.parametrize("name", NAMES)
def test_simulated_data_are_called_so(pages: dict[str, str], name: str) -> None:
    page = Page(pages[name])
    assert "SIMULATED DATA" in page.text
    head = re.search(r"<title>(.*?)</title>", pages[name])
    assert head is not None
    assert "simulated" in head[1]
    drawn = re.findall(r"<svg.*?</svg>", pages[name], re.DOTALL)
    assert drawn
    assert all("simulated" in drawing for drawing in drawn)


@pytest.mark.parametrize(("name", "ignition"), [("tune", "spark"), ("proposal", "compression")])
def test_the_cautions_are_those_of_the_engine(
    pages: dict[str, str], name: str, ignition: str
) -> None:
    text = Page(pages[name]).text
    for sentence in cautions(ignition):  # type: ignore[arg-type]
        assert sentence in text


def test_the_tuner_gets_every_section(pages: dict[str, str]) -> None:
    def titles(name: str) -> list[str]:
        return re.findall(r"<h2 id=\"[^\"]+\">(.*?)</h2>", pages[name])

    assert titles("full load")[0] == "Full-load runs"
    assert titles("tune") == [
        "The grid to type in", "The map, cell by cell", "What was limited, and why",
        "What is left to do", "What was asked", "Cells before and after",
        "Coverage and confidence", "Rounds", "Full-load runs", "The set of tunes", "Cautions",
        "Evidence, cell by cell",
    ]  # fmt: skip
    for word in ("max_step_pct", "SHA-256", "tuneassist rounds", "step.csv", "default"):
        assert word in Page(pages["tune"]).text


def test_the_maps_hold_the_numbers_of_cells_csv(folder: Path, pages: dict[str, str]) -> None:
    cells = pd.read_csv(folder / "tune" / "round-01" / "cells.csv")
    start = pages["tune"].index("Before: round 1")
    shown = Page(pages["tune"][pages["tune"].index("<table", start) :].split("</table>")[0] +
                 "</table>")  # fmt: skip
    words = [text for tag, text in shown.cells if tag == "td"]
    known = cells["deviation_pct"].notna()
    assert len(words) == len(cells)
    for word, value in zip(np.array(words)[known], cells.loc[known, "deviation_pct"], strict=True):
        assert float(word) == pytest.approx(value, abs=0.0501)
    assert set(np.array(words)[~known]) <= {"·", "╳"}


def test_a_touched_cell_shows_what_cells_csv_holds_and_not_a_rounded_copy(
    folder: Path, pages: dict[str, str]
) -> None:
    # 1.951 kept as 1.95 would be shown as 1.9 beside the table's 2.0
    found = re.search(r'id="page-data">(.*?)</script>', pages["tune"], re.DOTALL)
    assert found is not None
    sent = [one["dev"] for one in json.loads(found[1])["cells"]]
    last = sorted((folder / "tune").glob("round-*"))[-1]
    kept = pd.read_csv(last / "cells.csv")["deviation_pct"]
    assert [one for one in sent if one is not None] == kept.dropna().tolist()


def test_what_a_step_should_lead_to_is_lambda_over_one_plus_step(folder: Path) -> None:
    from tuneassist.workflow.report_source import expected_cells

    axes = Axes(rpm=np.array([1.0, 2.0]), load=np.array([1.0, 2.0]))
    cells = pd.DataFrame({n: [10.0, -5.0, 0.0, np.nan] for n in
                          ("deviation_pct", "ci_low_pct", "ci_high_pct")})  # fmt: skip
    cells["step_pct"] = [10.0, -4.0, 0.0, 0.0]
    fuel = expected_cells(cells, Setup(axes=axes, target=Target(np.ones((2, 2)))))
    # 1.10/1.10 = 1; 0.95/0.96 = 0.98958
    np.testing.assert_allclose(fuel["deviation_pct"], [0.0, -1.041667, 0.0, np.nan], atol=1e-6)
    acts = Setup(axes=axes, target=Target(np.ones((2, 2)))).correction
    boost = Setup(
        axes=axes, target=Target(np.ones((2, 2))),
        correction=acts.__class__(acts_on="boost"),
    )  # fmt: skip
    # air: 1.10 x 1.10 = 1.21; 0.95 x 0.96 = 0.912
    moved = expected_cells(cells, boost)["deviation_pct"]
    np.testing.assert_allclose(moved, [21.0, -8.8, 0.0, np.nan], atol=1e-9)


def test_cells_outside_tolerance_are_listed_farthest_first() -> None:
    from tuneassist.loop.advice import Advice
    from tuneassist.show.report_blocks import DataTable
    from tuneassist.show.report_data import ReportData, ReportRound
    from tuneassist.show.report_rounds import open_work_section

    axes = Axes(rpm=np.arange(1.0, 5.0) * 1000, load=np.array([40.0, 80.0, 120.0, 160.0]))
    deviation = np.array([0.2, 1.0, -1.1, 3.0, -5.0, 9.0, np.nan, 2.0] + [1.5] * 8)
    cells = pd.DataFrame(
        {
            "rpm": axes.cell_rpm(), "load": axes.cell_load(), "target_lambda": 1.0,
            "deviation_pct": deviation, "ci_low_pct": deviation - 0.5,
            "ci_high_pct": deviation + 0.5, "confidence": "good", "step_pct": 0.0,
        }
    )  # fmt: skip
    cells.loc[5, "target_lambda"] = np.nan  # left alone: no fault, however far
    cells.loc[7, "confidence"] = "none"

    def listed(word: str, kind: str = "aim") -> list[tuple[str, ...]]:
        one = ReportRound("round 3", "", cells, cells, advice=Advice(word, "why"))  # type: ignore[arg-type]
        car = Setup(axes=axes, target=Target(np.ones((4, 4)), kind=kind))  # type: ignore[arg-type]
        data = ReportData(car, "0", "now", is_simulated=True, rounds=(one,))
        section = open_work_section(data)
        return [row for b in section.blocks if isinstance(b, DataTable) for row in b.rows]

    rows = listed("finished")
    assert [row[1] for row in rows] == ["-5.0", "+3.0", *["+1.5"] * 8]  # -1.1 is the eleventh
    assert rows[0] == ("2000 rpm, 40 kPa", "-5.0", "-5.5 to -4.5", "good")
    assert [row[1] for row in listed("finished", "floor")] == ["-5.0", "-1.1"]
    assert listed("continue") == []


def test_the_report_judges_zero_in_the_units_and_over_the_speeds_asked_for(folder: Path) -> None:
    sides = ("--before", folder / "before.csv", "--after", folder / "after.csv")
    rest = ("--zero", "--units", "ps", "--driven", 2000, 3000, "--tunes", folder / "set")
    text = Page(write(folder, "zero", *sides, "--setup", VAN, *rest)).text
    assert "With all corrections at zero, is it the standard car? DIFFERENT." in text
    assert "from 2000 to 3000 rpm" in text
    assert re.search(r"DIFFERENT\. Torque .*exhaust temperature [+\d.]+ degC", text)
    assert "degc" not in text
    # 152 kW of the tuned curve / 0.73549875 kW (DIN 66036) = 207 PS
    assert re.search(r"after, power[^P]*20[5-9]\.\d PS", text)
    assert "bar gauge" in text or "In bar" in text
    assert " kW" not in text
    plain = Page(write(folder, "no-zero", *sides, "--setup", VAN)).text
    assert "is it the standard car" not in plain
    assert run("report", folder / "tune", "--zero", "--out", folder / "x.html").exit_code == 2


def test_limits_exceeded_at_full_load_stand_out(pages: dict[str, str]) -> None:
    for name in ("full load",):
        text = Page(pages[name]).text
        assert "Caution: Limits exceeded along the pull" in text
        assert "exhaust temp" in text
        assert "above the exhaust temp ceiling of 720 degC, in 3 of 3 pulls" in text
        assert "Limits were exceeded at full load after the change" in text
        assert "EXCEEDED, only before" not in text
        assert text.startswith("STOP simulated 2.0 turbo-diesel van SIMULATED DATA A limit was ")


def test_a_limit_that_only_the_standard_car_exceeded_is_no_danger_now(folder: Path) -> None:
    sides = ("--before", folder / "after.csv", "--after", folder / "before.csv")
    text = Page(write(folder, "came-so", *sides, "--setup", VAN)).text
    assert not text.startswith("STOP")
    assert "the full-load pulls after the change; before it one was" in text
    assert "Caution: Limits exceeded along the pull" in text  # it is still listed
    assert "Fix the cause before the car is driven hard" not in text


def test_a_halted_tune_says_so_first_and_proposes_nothing(tmp_path: Path) -> None:
    tune = write_tune(tmp_path, rounds=1)
    assert run("rounds", "accept", tune).exit_code == 0
    log = tmp_path / "not-loaded.csv"  # the accepted grid never reached the engine
    write_session(log, grid=None, number=2)
    assert run("rounds", "add", tune, log).exit_code == 6
    page = Page(write(tmp_path, "halted", tune))
    assert "Caution: The loop has halted: nothing is proposed." in page.text
    assert "STOP" in page.text[:100]
    assert "The loop has halted: " in page.text
    assert "Expected after the step" not in page.text
    sheet = write(tmp_path, "halted", tune, "--customer")
    assert (
        "There are no results to hand over for this car yet: the engine did not answer the last "
        "change as it should."
    ) in Page(sheet).text
    assert not re.search("<(svg|table|section|h2|li>)", sheet)


def test_words_from_files_cannot_become_markup(tmp_path: Path) -> None:
    text = PETROL.read_text(encoding="utf-8")
    mark = 'simulated <img src=x onerror=alert(1)> & \\"$x_{\\"'
    setup = tmp_path / "car.toml"
    setup.write_text(
        re.sub(r'label = ".*?"', lambda _: f'label = "{mark}"', text, count=1), encoding="utf-8"
    )
    log = SAMPLES / "petrol-session-1.csv"
    assert run("propose", log, "-s", setup, "-o", tmp_path / "p", "-q").exit_code == 0
    page = write(tmp_path, "odd", tmp_path / "p", log)
    assert "<img" not in page
    assert "&lt;img src=x" in page
    assert Page(page).all("h1")


def test_python_calls_write_the_page_of_the_command(folder: Path, tmp_path: Path) -> None:
    data = report_data(ReportRequest(folder=folder / "tune"))
    done = write_report(data, tmp_path / "python.html", is_customer=True)
    result = run(
        "report", folder / "tune", "--customer", "--out", tmp_path / "command.html", "--json"
    )
    assert list(done.titles) == json.loads(result.stdout)["sections"]
    assert done.figures == ()
    pages = [(tmp_path / f"{name}.html").read_text("utf-8") for name in ("python", "command")]
    of_python, of_command = (re.sub(r"\d\d:\d\d UTC", "", page) for page in pages)
    assert of_python == of_command


def test_figures_are_written_as_png_and_svg(folder: Path) -> None:
    out = folder / "with-figures.html"
    figures = folder / "figures"
    result = run("report", folder / "tune", "--out", out, "--figures", figures, "--json")
    assert result.exit_code == 0, result.output
    record = json.loads(result.stdout)
    names = sorted(path.name for path in figures.iterdir())
    assert sorted(Path(path).name for path in record["figures"]) == names
    for stem in ("cells-before", "cells-measured-last", "cells-expected", "step", "coverage",
                 "holds", "rounds", "response"):  # fmt: skip
        assert (figures / f"{stem}.png").read_bytes().startswith(b"\x89PNG")
        assert b"<svg" in (figures / f"{stem}.svg").read_bytes()
    assert len(names) == 16


def test_the_same_figure_gives_the_same_drawing() -> None:
    from matplotlib.figure import Figure

    def drawn(name: str) -> str:
        figure = Figure()
        frame = figure.add_subplot()
        frame.fill_between([1, 2], [1, 2], hatch="//")
        frame.set_title("a < b & c")
        return inline_svg(figure, name=name, title="t <&>", alt="words")

    assert drawn("one") == drawn("one")
    ids = [set(re.findall(r'\bid="([^"]+)"', drawn(name))) for name in ("one", "two")]
    assert ids[0]
    assert not ids[0] & ids[1]
    assert "<style" not in drawn("one")
    assert "://" not in drawn("one")


# --- reading results back -----------------------------------------------------------------------


@pytest.mark.parametrize("path", [PETROL, VAN], ids=["petrol", "van"])
def test_a_setup_comes_back_from_the_record_as_it_was(path: Path) -> None:
    setup = read_setup(path)
    back = setup_of_record(json.loads(json.dumps(as_plain(setup))))
    assert as_plain(back) == as_plain(setup)
    assert back.axes.is_same(setup.axes)
    np.testing.assert_array_equal(back.target.table, setup.target.table)


def test_a_setup_with_everything_in_it_comes_back() -> None:
    axes = Axes(rpm=np.array([1.0, 2.0]), load=np.array([1.0, 2.0]))
    setup = Setup(
        axes=axes,
        target=Target(np.array([[1.0, np.nan], [0.9, 1.0]])),
        channels={"load": ChannelSource("P", "V", ((0.0, 20.0), (5.0, 250.0)), "kPa")},
        limits=LimitSettings(
            ceilings={"exhaust_temp": Ceiling(800.0, 850.0)},
            regions=(Region((1.0, 2.0), (1.0, 1.5), "low", max_step_pct=1.0),),
        ),
        given=frozenset({"limits.max_step_pct"}),
    )
    back = setup_of_record(json.loads(json.dumps(as_plain(setup))))
    assert back.channels["load"] == setup.channels["load"]
    assert back.limits == setup.limits
    assert back.given == setup.given
    assert np.isnan(back.target.table[0, 1])


@pytest.fixture
def proposal(folder: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(folder / "van", tmp_path / "van"))


def refused(*arguments: object) -> str:
    result = run("report", *arguments)
    assert result.exit_code == 3, result.output
    assert result.stdout == ""
    return str(result.stderr)


def test_a_result_reads_back_as_it_was_written(folder: Path) -> None:
    result = read_result(folder / "van")
    assert result.is_simulated
    assert result.cells["step_pct"].to_numpy() == pytest.approx(result.step.flat(), abs=1e-4)
    assert result.setup.engine.ignition == "compression"
    assert len(result.binding) == len(result.record["limits_that_acted"])


def test_numbers_that_contradict_each_other_are_no_report(proposal: Path, tmp_path: Path) -> None:
    grid = (proposal / "grid.csv").read_text(encoding="utf-8")
    changed = re.sub(r",-(\d)", r",-1\1", grid, count=1)  # ten percent less fuel in one cell
    assert changed != grid
    (proposal / "grid.csv").write_text(changed, encoding="utf-8")
    out = tmp_path / "out.html"
    assert "cells.csv and grid.csv do not agree" in refused(proposal, "--out", out)
    assert not out.exists()


@pytest.mark.parametrize("name", ["cells.csv", "proposal.json"])
def test_a_damaged_file_is_named(proposal: Path, tmp_path: Path, name: str) -> None:
    (proposal / name).write_text("{broken", encoding="utf-8")
    assert name in refused(proposal, "--out", tmp_path / "out.html")


def test_cells_of_other_axes_are_refused(proposal: Path, tmp_path: Path) -> None:
    lines = (proposal / "cells.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    (proposal / "cells.csv").write_text("".join([lines[0], *lines[2:]]), encoding="utf-8")
    assert "not those of the setup's axes" in refused(proposal, "--out", tmp_path / "out.html")


def test_a_log_that_the_proposal_was_not_made_from_is_refused(
    proposal: Path, tmp_path: Path
) -> None:
    other = SAMPLES / "petrol-session-1.csv"
    assert "none of the logs" in refused(proposal, other, "--out", tmp_path / "out.html")


def test_a_folder_that_is_neither_and_a_tune_without_rounds_are_refused(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    out = tmp_path / "out.html"
    assert "neither a tune nor a proposal" in refused(tmp_path / "empty", "--out", out)
    assert run("rounds", "start", tmp_path / "tune", "-s", PETROL).exit_code == 0
    assert "no round has been added" in refused(tmp_path / "tune", "--out", out)


def test_an_old_page_is_kept(folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.html"
    out.write_text("mine", encoding="utf-8")
    assert "--overwrite" in refused(folder / "van", "--out", out)
    assert out.read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize(
    "arguments",
    [(), ("no-folder.csv",), ("--before", "a.csv"), (".", "..")],
    ids=["nothing", "a log alone", "one side", "two folders"],
)
def test_wrong_usage_ends_with_2(arguments: tuple[str, ...], tmp_path: Path) -> None:
    result = run("report", *arguments, "--out", tmp_path / "out.html")
    assert result.exit_code == 2, result.output


def test_what_is_missing_is_named_with_how_to_install_it(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "jinja2", None)
    said = refused(folder / "van", "--out", tmp_path / "out.html")
    assert "jinja2" in said
    assert 'pip install "tuneassist[report]"' in said


# --- through a browser --------------------------------------------------------------------------

BROWSER = next((p for n in ("chromium", "chromium-browser") if (p := shutil.which(n))), None)
FLAGS = ("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
         "--disable-background-networking", "--disable-component-update",
         "--disable-sync")  # fmt: skip
# Runs inside a copy of the page. The policy lets it ask for nothing at all, and tells of each try.
WATCH = """<head><meta http-equiv="Content-Security-Policy" content="default-src 'none';
style-src 'unsafe-inline'; script-src 'unsafe-inline'; img-src data:"><script>
window.tried = [];
addEventListener('securitypolicyviolation', e => tried.push(e.blockedURI));
</script>"""
PROBE = """<script>
addEventListener('load', () => {
  const wide = [...document.querySelectorAll('body *')].filter(e => !e.closest('.scroll')
    && !e.closest('svg') && e.getBoundingClientRect().right > innerWidth + 1);
  const flat = [...document.querySelectorAll('svg')].filter(e =>
    e.getBoundingClientRect().height < 100);
  document.title = 'PROBE' + JSON.stringify({width: innerWidth,
    page: document.documentElement.scrollWidth, wide: wide.length, asked: tried,
    drawings: document.querySelectorAll('svg').length, flat: flat.length});
});
</script></body>"""


@pytest.mark.skipif(BROWSER is None, reason="no Chromium is installed")
@pytest.mark.parametrize("width", [360, 1920])
def test_the_page_fits_a_phone_and_a_screen_in_a_browser(
    pages: dict[str, str], tmp_path: Path, width: int
) -> None:
    # the page stands in a frame of the wanted width: a headless window has a least width
    page = tmp_path / "page.html"
    own = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", pages["tune"])
    page.write_text(own.replace("<head>", WATCH).replace("</body>", PROBE), encoding="utf-8")
    outer = tmp_path / "outer.html"
    outer.write_text(
        f'<iframe src="page.html" width="{width}" height="800" style="border:0"></iframe><script>'
        "addEventListener('load', () => setTimeout(() => document.body.dataset.said = "
        "frames[0].document.title, 300))</script>",
        encoding="utf-8",
    )
    command = [str(BROWSER), *FLAGS, f"--user-data-dir={tmp_path / 'profile'}", "--dump-dom",
               "--enable-logging=stderr", "--allow-file-access-from-files",
               "--virtual-time-budget=4000", outer.as_uri()]  # fmt: skip
    done = subprocess.run(
        command, capture_output=True, text=True, encoding="utf-8", timeout=90, check=True
    )
    found = re.search(r'data-said="PROBE(.*?)"', done.stdout)
    assert found is not None, done.stderr[-2000:]
    said = json.loads(found[1].replace("&quot;", '"'))
    assert said["width"] == width
    assert said["page"] <= width
    assert said["wide"] == 0
    assert said["asked"] == []
    assert said["drawings"] > 3
    assert said["flat"] == 0
    assert "CONSOLE" not in done.stderr
