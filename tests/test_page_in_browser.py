"""The pages in a real browser: no request, no complaint, keyboard, both schemes, and on paper.

axe-core (Deque, rules of WCAG 2.2 A and AA) judges the accessibility. How the shop's page looks is
held against `page_looks.json`, in coarse blocks of colour for each landmark: other fonts move words
by pixels, and hardly move a block's mean. To keep a new look, delete that file and run this twice.
"""

from __future__ import annotations

import io
import json
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from report_makers import run
from test_bench_sheet import worst

sync_api = pytest.importorskip("playwright.sync_api")
axe = pytest.importorskip("axe_playwright_python.sync_playwright")
BROWSER = next((p for n in ("chromium", "chromium-browser") if (p := shutil.which(n))), None)
pytestmark = pytest.mark.skipif(BROWSER is None, reason="no Chromium is installed")
MAX_PAGE_BYTES = 1_500_000
LOOKS = Path(__file__).with_name("page_looks.json")
LANDMARKS = (".verdict", "[aria-labelledby=grid] table.map", "#live-map", "#panel")
BLOCKS = (12, 8)
"""Blocks of colour across and down a landmark."""
MOST_OFF, MOST_OFF_BLOCK = 8.0, 60.0
"""How far colours may be off, of 255: the mean of a landmark, and one block."""
PLACE_PX = 4.0
"""How far left edge and width of a landmark may be off: the style sheet sets them. [px]"""
MOST_SHEETS = 5
ROWS_ALIKE = "document.querySelectorAll('details tr:nth-child(n+4)').forEach(one => one.remove())"
"""Of a folded table three rows are judged: contrast takes its time, and the rows are alike."""
COLOURS = "el => [getComputedStyle(el).backgroundColor, getComputedStyle(el).color]"


@pytest.fixture(scope="module")
def page_file(begun_home: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("page") / "page.html"
    assert run("report", begun_home / "tune", "--out", out).exit_code == 0
    return out


@pytest.fixture(scope="module")
def page_files(page_file: Path, begun_home: Path) -> dict[str, Path]:
    """Every page that the program writes."""
    from tuneassist.show.bench_sheet import bench_sheet_html

    files = {"shop": page_file, "customer": page_file.with_name("customer.html")}
    files["bench sheet"] = page_file.with_name("sheet.html")
    done = run("report", begun_home / "tune", "--customer", "--out", files["customer"])
    assert done.exit_code == 0
    files["bench sheet"].write_text(bench_sheet_html(worst("spark")), encoding="utf-8")
    return files


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with sync_api.sync_playwright() as tool:
        started = tool.chromium.launch(executable_path=BROWSER, args=["--no-sandbox"])
        yield started
        started.close()


class Look:
    """A page that was opened, and what it complained of and asked for."""

    def __init__(self, browser: Any, file: Path, width: int = 1280, **options: Any) -> None:
        context = browser.new_context(viewport={"width": width, "height": 900}, **options)
        self.page = context.new_page()
        self.told: list[str] = []
        self.asked: list[str] = []
        self.page.on("console", lambda message: self.told.append(message.text))
        self.page.on("pageerror", lambda error: self.told.append(str(error)))
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.goto(file.as_uri())

    def text(self, selector: str) -> str:
        return " ".join(self.page.inner_text(selector).split())


@pytest.fixture
def look(browser: Any, page_file: Path) -> Iterator[Look]:
    found = Look(browser, page_file)
    yield found
    found.page.context.close()


@pytest.mark.parametrize("name", ["shop", "customer", "bench sheet"])
def test_nothing_is_asked_broken_or_hard_to_read(
    browser: Any, page_files: dict[str, Path], name: str
) -> None:
    file = page_files[name]
    assert file.stat().st_size < MAX_PAGE_BYTES
    look = Look(browser, file)
    page = look.page
    page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
    for width, scheme in ((w, s) for w in (360, 1280) for s in ("light", "dark")):
        page.set_viewport_size({"width": width, "height": 900})
        page.emulate_media(color_scheme=scheme)
        assert page.evaluate("document.documentElement.scrollWidth") == width
        page.evaluate(ROWS_ALIKE)
        found = axe.Axe().run(
            page,
            context={"exclude": [["figure svg"]]},  # images with an alt
            options={"resultTypes": ["violations"]},
        )
        violations = [(v["id"], v["nodes"][0]["html"]) for v in found.response["violations"]]
        assert violations == [], (width, scheme)
    assert look.told == []
    assert look.asked == [file.as_uri()]
    page.context.close()


def places_and_colours(page: Any) -> dict[str, Any]:
    """Where each landmark is, and its colours in coarse blocks."""
    from PIL import Image

    shown = {}
    page.evaluate("scrollTo(0, 0)")
    boxes = {landmark: page.locator(landmark).bounding_box() for landmark in LANDMARKS}
    for landmark, box in boxes.items():
        picture = Image.open(io.BytesIO(page.locator(landmark).screenshot())).convert("RGB")
        coarse = np.asarray(picture.resize(BLOCKS, Image.Resampling.BOX), dtype=int)
        width = min(box["width"], page.viewport_size["width"] - box["x"])  # more is moved into view
        shown[landmark] = {"x": box["x"], "y": box["y"], "width": width,
                           "colours": coarse.reshape(-1, 3).tolist()}  # fmt: skip
    return shown


def differences(seen: dict[str, Any], kept: dict[str, Any]) -> list[str]:
    """Say what does not look as it was kept; heights, and so places down, hang on the fonts."""
    found = []
    for landmark, was in kept.items():
        now = seen[landmark]
        if max(abs(now[side] - was[side]) for side in ("x", "width")) > PLACE_PX:
            found.append(f"{landmark} is elsewhere")
        gap = np.abs(np.subtract(now["colours"], was["colours"]))
        if gap.mean() > MOST_OFF or gap.max() > MOST_OFF_BLOCK:
            found.append(f"{landmark} has other colours: {gap.mean():.1f}, {gap.max()}")
    order = sorted(kept, key=lambda name: kept[name]["y"])
    if [seen[name]["y"] for name in order] != sorted(seen[name]["y"] for name in order):
        found.append("the order is another")
    if seen[".verdict"]["y"] != 0:
        found.append(".verdict is not on top")
    return found


@pytest.mark.parametrize("width", [360, 1280])
def test_the_page_looks_as_it_was_kept(browser: Any, page_file: Path, width: int) -> None:
    look = Look(browser, page_file, width)
    assert "SIMULATED DATA" in look.text(".verdict")
    seen = places_and_colours(look.page)
    kept = json.loads(LOOKS.read_text(encoding="utf-8")) if LOOKS.exists() else {}
    if str(width) not in kept:
        LOOKS.write_text(json.dumps({**kept, str(width): seen}), encoding="utf-8")
        pytest.fail(f"{LOOKS.name} lacked this width and has it now: look at it, and keep it")
    assert differences(seen, kept[str(width)]) == []
    look.page.add_style_tag(content="body { font-family: serif; word-spacing: .1em }")
    assert differences(places_and_colours(look.page), kept[str(width)]) == []
    for harm, told in (
        (".verdict { margin-top: 40px }", ".verdict is not on top"),
        ("#live-map td { background: none !important }", "#live-map has other colours"),
        (".verdict { background: #8a0f0f !important }", ".verdict has other colours"),
    ):
        look.page.add_style_tag(content=harm)
        words = differences(places_and_colours(look.page), kept[str(width)])
        assert any(one.startswith(told) for one in words), (harm, words)
    look.page.context.close()


@pytest.mark.parametrize(("paper", "height_in"), [("A4", 297 / 25.4), ("Letter", 11.0)])
def test_the_printed_sheets_are_few_named_and_numbered(
    look: Look, tmp_path: Path, paper: str, height_in: float
) -> None:  # ISO 216: 210 x 297 mm; Letter: 8.5 x 11 in
    pypdf = pytest.importorskip("pypdf")
    look.page.emulate_media(color_scheme="dark")
    look.page.pdf(path=str(tmp_path / "page.pdf"), format=paper)
    sheets = pypdf.PdfReader(tmp_path / "page.pdf").pages
    assert float(sheets[0].mediabox.height) / 72 == pytest.approx(height_in, abs=0.02)
    assert len(sheets) <= MOST_SHEETS
    if paper == "A4":  # words are read from the shorter sheet
        return
    headings = look.page.locator("h2, .caption").all_text_contents()
    texts = [sheet.extract_text() for sheet in sheets]
    for number, shown in enumerate(texts, 1):
        lines = [" ".join(line.split()) for line in shown.splitlines()]
        lines = [line for line in lines if line]
        foot = " ".join(lines[:3])  # what stands in the margin comes first in the file
        assert f"page {number} of {len(sheets)}" in foot
        assert "simulated 1.6 turbo petrol hatchback (SIMULATED DATA)" in foot
        assert lines[-1] not in headings
    text = " ".join(" ".join(shown.split()) for shown in texts)
    assert text.count("The grid to type in:") == 1
    assert "Tap or click" not in text and "No cell chosen" not in text


def test_paper_is_light_and_has_only_what_is_needed(look: Look) -> None:
    page = look.page
    page.locator("label[for=view-grid]").click()
    light = page.locator("#live-map .tone-u2").first.evaluate(COLOURS)
    page.emulate_media(media="print", color_scheme="dark")
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    assert page.locator("body").evaluate(COLOURS) == ["rgb(255, 255, 255)", "rgb(0, 0, 0)"]
    assert page.locator("#live-map .tone-u2").first.evaluate(COLOURS) == light
    record = json.loads(page.locator("#page-data").text_content())
    shown = page.locator("#live-map .value").all_inner_texts()  # the deviation, whatever was chosen
    assert [one.strip() for one in shown] == [cell[0] for cell in record["views"][0]["cells"]]
    for hidden in ("#views", "#panel", "#scatter", "a[download]"):
        assert not page.locator(hidden).is_visible()
    rows = page.locator("details:last-of-type table").first.locator("tbody tr")
    printed = [one.inner_text() for one in rows.all() if one.is_visible()]
    assert 0 < len(printed) < rows.count()
    needed = [c for c in record["cells"] if c["step"] or "held" in c["why"] or
              c["confidence"] == "low"]  # fmt: skip
    assert len(printed) == len(needed)
    page.evaluate("dispatchEvent(new Event('afterprint'))")
    shown = page.locator("#live-map .value").all_text_contents()
    assert [one.strip() for one in shown] == [cell[0] for cell in record["views"][3]["cells"]]


def test_a_label_stays_words_at_the_foot_of_a_sheet(look: Look, tmp_path: Path) -> None:
    from tuneassist.show.report_print import MOST_LABEL, sheet_style

    pypdf = pytest.importorskip("pypdf")
    hostile = 'a"; } </style><script>alert(1)</script>\\ \u00e4\u8eca {}'
    style = sheet_style(hostile, "today", is_simulated=False)
    look.page.set_content(f"<style>{style}</style><p>body</p>")
    look.page.pdf(path=str(tmp_path / "page.pdf"), format="A4")
    text = " ".join(pypdf.PdfReader(tmp_path / "page.pdf").pages[0].extract_text().split())
    assert hostile.replace(" ", "") in text.replace(" ", "")
    assert "today, page 1 of 1" in text
    assert look.told == []
    assert "x" * MOST_LABEL not in sheet_style("x" * 500, "today", is_simulated=True)


def test_the_keyboard_goes_to_a_cell_and_shows_its_holds(look: Look) -> None:
    record = json.loads(look.page.locator("#page-data").text_content())
    wanted = next(i for i, cell in enumerate(record["cells"]) if len(cell["holds"]) > 1)
    row, column = divmod(wanted, len(record["load"]))
    look.page.locator("#live-map td[tabindex='0']").focus()
    for key in ("Control+Home", *["ArrowDown"] * row, *["ArrowRight"] * column, "Enter"):
        look.page.keyboard.press(key)
    place = f"{record['rpm'][row]:g} rpm, {record['load'][column]:g} kPa"
    assert look.text("#panel-title").startswith(place)
    holds = look.page.locator("#panel .holds tbody tr")
    assert holds.count() == len(record["cells"][wanted]["holds"])
    assert record["cells"][wanted]["why"] in look.text("#panel-body")
    assert "What would make it surer" in look.text("#panel-body")
    assert look.page.locator("#trace .held.chosen").count() == 1
    assert look.page.locator("#trace .sample").count() > 5
    assert look.page.locator("#scatter .mine").count() == holds.count()
    look.page.keyboard.press("Escape")
    assert look.text("#panel-title") == "No cell chosen"
    assert look.page.locator("#live-map td:focus").count() == 1


def test_a_hold_of_the_scatter_marks_its_cell(look: Look) -> None:
    record = json.loads(look.page.locator("#page-data").text_content())
    look.page.locator("#scatter .hold").nth(3).focus()
    assert look.page.locator("#live-map td.hint").count() >= 1
    look.page.keyboard.press("Enter")
    chosen = int(look.page.locator("#live-map td.chosen").get_attribute("data-cell"))
    assert 3 in record["cells"][chosen]["holds"]
    assert look.page.locator("#scatter .hold.chosen").count() == 1


def test_the_switch_changes_every_view_of_the_map(look: Look) -> None:
    record = json.loads(look.page.locator("#page-data").text_content())
    names = [view["name"] for view in record["views"]]
    assert names == ["deviation", "interval", "step", "grid", "lambda"]
    for view in record["views"]:
        look.page.locator(f"label[for=view-{view['name']}]").click()
        shown = look.page.locator("#live-map .value").all_inner_texts()
        assert [one.strip() for one in shown] == [cell[0] for cell in view["cells"]]
        assert look.text("#view-note") == view["note"]
    assert len({json.dumps(view["cells"]) for view in record["views"]}) == len(names)


def test_rich_and_lean_are_told_apart_without_colour(look: Look) -> None:
    unsafe = look.page.locator("#live-map td[class*=tone-u]").first
    safe = look.page.locator("#live-map td[class*=tone-s]").first
    assert unsafe.inner_text().startswith("+")
    assert safe.inner_text().startswith("-")
    corner = "el => getComputedStyle(el).backgroundImage"
    assert "gradient" in unsafe.evaluate(corner)
    assert safe.evaluate(corner) == "none"


def test_the_grid_is_saved_as_the_file_to_type_in(
    look: Look, begun_home: Path, tmp_path: Path
) -> None:
    with look.page.expect_download() as waiting:
        look.page.locator("a[download]").click()
    waiting.value.save_as(tmp_path / "saved.csv")
    assert waiting.value.suggested_filename == "round-1-grid.csv"
    assert (tmp_path / "saved.csv").read_bytes() == (
        begun_home / "tune" / "round-01" / "grid.csv"
    ).read_bytes()


def test_without_a_script_the_map_is_a_table(browser: Any, page_file: Path) -> None:
    look = Look(browser, page_file, java_script_enabled=False)
    assert not look.page.locator("#live").is_visible()
    assert look.page.locator(".still table.map").is_visible()
    look.page.locator("summary", has_text="Cells before and after").click()
    assert look.page.locator("details[open] table.map").count() >= 3
    look.page.context.close()


def test_a_label_cannot_end_the_data() -> None:
    from tuneassist.show.report_interactive import safe_json

    hostile = {"a": "</script><script>alert(1)</script><!-- & \u2028"}
    text = safe_json(hostile)
    assert not re.search("[<>&]", text)
    assert json.loads(text) == hostile


def test_a_rejected_step_is_not_shown_as_if_it_were_loaded(
    begun_home: Path, tmp_path: Path
) -> None:
    from tuneassist.show.report_interactive import page_data
    from tuneassist.workflow.report import ReportRequest, report_data

    tune = Path(shutil.copytree(begun_home / "tune", tmp_path / "tune"))
    waits = report_data(ReportRequest(folder=tune))
    assert waits.setup is not None
    assert run("rounds", "reject", tune).exit_code == 0
    rejected = report_data(ReportRequest(folder=tune))
    steps = [
        {cell["step"] for cell in page_data(data, waits.setup)["cells"]}
        for data in (waits, rejected)
    ]
    assert len(steps[0]) > 5
    assert steps[1] == {0.0}
