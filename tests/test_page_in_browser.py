"""The shop's page in a real browser: no request, no complaint, keyboard, switch, and both schemes.

axe-core (Deque, rules of WCAG 2.2 A and AA) judges the accessibility.
"""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from report_makers import run

sync_api = pytest.importorskip("playwright.sync_api")
axe = pytest.importorskip("axe_playwright_python.sync_playwright")
BROWSER = next((p for n in ("chromium", "chromium-browser") if (p := shutil.which(n))), None)
pytestmark = pytest.mark.skipif(BROWSER is None, reason="no Chromium is installed")
MAX_PAGE_BYTES = 1_500_000


@pytest.fixture(scope="module")
def page_file(begun_home: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("page") / "page.html"
    assert run("report", begun_home / "tune", "--out", out).exit_code == 0
    return out


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


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [360, 1280])
def test_the_verdict_is_on_top_and_nothing_is_asked_or_broken(
    browser: Any, page_file: Path, width: int, scheme: str
) -> None:
    look = Look(browser, page_file, width, color_scheme=scheme)
    box = look.page.locator(".verdict").bounding_box()
    assert (box["x"], box["y"], box["width"]) == (0, 0, width)
    assert "SIMULATED DATA" in look.text(".verdict")
    assert look.page.evaluate("document.documentElement.scrollWidth") == width
    look.page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
    found = axe.Axe().run(look.page, context={"exclude": [["figure svg"]]})  # images with an alt
    violations = found.response["violations"]
    assert [(one["id"], one["nodes"][0]["html"]) for one in violations] == []
    assert look.told == []
    assert look.asked == [page_file.as_uri()]
    look.page.context.close()


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


def test_the_page_is_light_enough(page_file: Path) -> None:
    assert page_file.stat().st_size < MAX_PAGE_BYTES


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
