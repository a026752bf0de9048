"""The customer's sheet: its numbers, what it may not say or hold, and one sheet of paper."""

from __future__ import annotations

import html
import json
import re
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from report_makers import VAN, full_load, run, write_full_load, write_sides
from test_runs_feel import compared, pulls, tip_ins

from tuneassist.files.setup_file import read_setup
from tuneassist.grid import Grid
from tuneassist.loop.tune_set import Tune, TunesReport
from tuneassist.runs import RunsComparison
from tuneassist.settings import CEILING_CHANNELS
from tuneassist.show.cell_picture import ROUNDING
from tuneassist.show.customer_page import (
    NO_ANSWER,
    NO_POWER,
    TITLES,
    customer_html,
    customer_pictures,
    drive_rows,
    tiles_of,
)
from tuneassist.show.customer_words import CHANNEL_NAMES, RULE_GROUPS, WATCHED_RULES
from tuneassist.show.labels import RULE_WORDS
from tuneassist.show.report_data import FullLoadPart, ReportData, TunesPart
from tuneassist.show.run_units import SYSTEMS, OutputUnits, units_of
from tuneassist.simulate.full_load import FullLoadPlan, stock_diesel
from tuneassist.workflow.report import ReportRequest, report_data, write_report

GENTLE = FullLoadPlan(exhaust_c=640.0, boost_kpa=110.0, stabs=0, part_load=0)
"""A pull within the van's ceilings on exhaust heat and boost."""
LONG = "The blue van of the builder from over the hill, long wheelbase, high roof, tow bar " * 8
BROWSER = next((p for n in ("chromium", "chromium-browser") if (p := shutil.which(n))), None)

IMPERIAL = units_of((), None, SYSTEMS["imperial"])


def text_of(page: str) -> str:
    body = re.sub(r"(?s)<style>.*?</style>|<svg.*?</svg>|<[^>]+>", " ", page)
    return " ".join(html.unescape(body).split())


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> tuple[object, ...]:
    folder = tmp_path_factory.mktemp("customer")
    sides = [
        write_full_load(folder / name, full_load(curve, seed=seed, plan=GENTLE))
        for name, curve, seed in (
            ("before.csv", stock_diesel(), 1), ("after.csv", stock_diesel().scaled(12.0), 2),
        )
    ]  # fmt: skip
    return ("--before", sides[0], "--after", sides[1], "--ignition", "compression")


@pytest.fixture(scope="module")
def sheet(files: tuple[object, ...], tmp_path_factory: pytest.TempPathFactory) -> str:
    out = tmp_path_factory.mktemp("sheet") / "sheet.html"
    done = run("report", *files, "--units", "imperial", "--customer", "--out", out, "--json")
    assert done.exit_code == 0, done.output
    assert json.loads(done.stdout)["sections"] == list(TITLES)
    return out.read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def full(begun_home: Path) -> ReportData:
    """All that a sheet can hold, with names far too long and more tunes than it names."""
    data = report_data(ReportRequest(folder=begun_home / "tune"))
    assert data.setup is not None
    found = compared(
        [*pulls("b", (-5, 0, 5)), tip_ins("bt", seed=1)],
        [*pulls("a", (15, 20, 25)), tip_ins("at", seed=2)],
    )
    limits = {
        "boost": ("kPa gauge", 100.0), "exhaust_temp": ("degC", 850.0), "torque": ("N.m", 400.0),
        "rail_pressure": ("kPa", 180e3), "injector_duty": ("%", 85.0), "lambda": ("lambda", 0.92),
    }  # fmt: skip
    checks = pd.DataFrame([
        {"side": "after", "channel": name, "unit": unit, "limit": limit, "worst": 0.95 * limit,
         "limit_name": "leanest lambda in boost" if name == "lambda" else f"{name} ceiling",
         "is_breach": False}
        for name, (unit, limit) in limits.items()
    ])  # fmt: skip
    found = replace(found, limit_checks=checks)
    binding = pd.DataFrame([
        {"rule": rule, "rpm": 1000.0, "load": 50.0, "would_have_got_pct": 1.0, "got_pct": 0.0,
         "words": " ".join(CEILING_CHANNELS).replace("_", " ")}
        for rule in RULE_WORDS
    ])  # fmt: skip
    engine = replace(data.setup.engine, label=LONG, fuel=LONG)
    car = replace(data.setup, engine=engine)
    tune = Tune(LONG, car, Grid(car.axes, np.zeros(car.axes.shape)), "towing")
    part = TunesPart((tune,) * 12, TunesReport((), ()))
    rounds = (*data.rounds[:-1], replace(data.rounds[-1], binding=binding))
    return replace(data, setup=car, tunes=part, rounds=rounds,
                   full_load=FullLoadPart(found, IMPERIAL))  # fmt: skip


def drawn(data: ReportData) -> str:
    return customer_html(data, customer_pictures(data))


def with_ignition(data: ReportData, ignition: str) -> ReportData:
    assert data.setup is not None
    engine = replace(data.setup.engine, ignition=ignition)  # type: ignore[arg-type]
    return replace(data, setup=replace(data.setup, engine=engine))


def test_the_numbers_are_those_of_the_runs_command(files: tuple[object, ...], sheet: str) -> None:
    record = json.loads(run("runs", *files, "--json").stdout)["main_figures"]
    text = text_of(sheet)
    units = IMPERIAL
    names = [(row["figure"], row["quantity"]) for row in record]
    assert names == [
        ("peak", "torque"), ("peak", "power"), ("low down", "torque"), ("low down", "power"),
    ]  # fmt: skip
    for row in record:
        before, after, gain, low, high = (
            units.shown(row[name], row["unit"])
            for name in ("before", "after", "gain", "low", "high")
        )
        assert f"before {before:.1f} → after {after:.1f} {units.word(row['unit'])}" in text
        assert f"{gain:+.1f} ({row['gain_pct']:+.1f} %)" in text
        assert f"95 % interval {low:+.1f} to {high:+.1f}" in text
    assert sheet.count("<svg") == 2
    assert "Exhaust heat: at most " in text
    assert "Black smoke" in text


def test_main_figures_by_hand() -> None:
    found = compared(pulls("b", (-5, 0, 5)), pulls("a", (15, 20, 25)))
    table = found.main_figures.set_index(["figure", "quantity"])
    row = table.loc[("low down", "torque")]
    # the mean of 200 + 0.05 (rpm - 1500) over 1500-2500 is 225, 20 more after; the interval is
    # t(0.975, 4) = 2.776445 times sqrt(25/3 + 25/3): 11.3348
    figures = row[["before", "after", "gain", "low", "high"]].tolist()
    assert figures == pytest.approx([225.0, 245.0, 20.0, 8.6652, 31.3348], abs=1e-3)
    peak = table.loc[("peak", "torque")]  # a rising line is highest where the runs end
    assert peak["is_at_edge"]
    at = 200.0 + 0.05 * (peak["rpm_before"] - 1500.0)
    assert peak[["before", "gain", "low"]].tolist() == pytest.approx([at, 20.0, 8.6652], abs=1e-3)
    high_up = compared(pulls("b", (0, 5), start=2600.0), pulls("a", (9, 10), start=2600.0))
    assert set(high_up.main_figures["figure"]) == {"peak"}


@pytest.mark.parametrize(
    ("shifts", "words"),
    [((1, 6, -4), "the runs differ among themselves"), ((20,), "fewer than two runs on a side")],
)
def test_no_gain_is_claimed_that_the_repeats_do_not_allow(
    shifts: tuple[float, ...], words: str
) -> None:
    found = compared(pulls("b", (-5, 0, 5)), pulls("a", shifts))
    for tile in tiles_of(found, OutputUnits()):
        assert not tile.is_claimed
        assert words in tile.claim
    page = drawn(ReportData(None, "0", "2026-01-01 10:00 UTC", is_simulated=False,
                            full_load=FullLoadPart(found, OutputUnits())))  # fmt: skip
    assert "no gain can be claimed" in page
    assert 'class="change"' not in page
    assert "still rising where the runs end" in page


def test_a_loss_is_called_less() -> None:
    found = compared(pulls("b", (15, 20, 25)), pulls("a", (-5, 0, 5)))
    assert all(one.is_claimed and one.claim == "LESS than before"
               for one in tiles_of(found, OutputUnits()))  # fmt: skip


def test_the_drive_has_the_pedal_and_smoothness_of_the_feel_table(full: ReportData) -> None:
    assert full.full_load is not None
    found: RunsComparison = full.full_load.found
    rows = drive_rows(found, OutputUnits())
    of = found.feel.set_index("measure")
    time = of.loc["tip-in to 90 % torque"].iloc[0] if of.index.duplicated().any() else of.loc[
        "tip-in to 90 % torque"]  # fmt: skip
    assert rows[0].name.startswith("Pedal down until 90 % of the torque")
    assert (rows[0].before, rows[0].after) == (f"{time['before']:.2f}", f"{time['after']:.2f}")
    assert [row.name[:10] for row in rows] == ["Pedal down", "Unevenness"]
    assert NO_ANSWER not in drawn(full)


def test_the_sheet_has_nothing_of_the_shops_tables(full: ReportData) -> None:
    text = text_of(drawn(full)).lower()
    for word in ("rms", "cell", "confidence", "tuneassist ru", "tuneassist ro", "step.csv", "_pct",
                 "sha-256", "hold ", "grid"):  # fmt: skip
        assert word not in text, word
    assert "fair" not in text.split()
    for name in CHANNEL_NAMES.values():
        assert name.lower() in text or name == "Knock"
    assert "and 7 more" in text
    assert LONG[:60].lower() not in text  # names as long as novels are cut


def test_every_rule_and_channel_has_words_for_a_customer() -> None:
    named = [rule for _, rules in RULE_GROUPS for rule in rules] + list(WATCHED_RULES)
    assert sorted(named) == sorted(set(RULE_WORDS) - {ROUNDING})
    assert set(CHANNEL_NAMES) == {*CEILING_CHANNELS, "lambda"}


def test_a_limit_exceeded_at_full_load_leaves_one_plain_sentence(tmp_path: Path) -> None:
    before, after = write_sides(tmp_path)
    out, figures = tmp_path / "page.html", tmp_path / "figures"
    done = run("report", "--before", before, "--after", after, "--ignition", "compression",
               "--customer", "--out", out, "--figures", figures, "--json")  # fmt: skip
    assert done.exit_code == 0, done.output
    record = json.loads(done.stdout)
    assert (record["sections"], record["figures"]) == ([], [])
    assert "no sheet for the customer" in record["note"]
    assert not figures.exists()
    page = out.read_text(encoding="utf-8")
    assert (
        "no results to hand over for this car yet: at full load exhaust heat and boost went past "
        "the limits that protect the engine."
    ) in text_of(page)
    assert not re.search("<(svg|table|h2|li>)", page)
    assert "N.m" not in page


def test_without_full_load_runs_no_gain_is_invented(begun_home: Path, tmp_path: Path) -> None:
    data = report_data(ReportRequest(folder=begun_home / "tune"))
    done = write_report(data, tmp_path / "page.html", is_customer=True)
    assert done.figures == ()
    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    text = text_of(page)
    assert NO_POWER in text
    look = data.rounds[-1].summary
    assert look is not None
    assert f"measured at {look.cells_seen} points" in text
    assert f"in the last check {look.cells_inside} of them" in text
    assert "has not been tried on the car" in text
    assert not re.search('<svg|tiles"|N\\.m|kW', page)


def test_words_of_a_setup_stay_words_on_the_sheet() -> None:
    car = read_setup(VAN)
    engine = replace(car.engine, label='<img src=x onerror=1>"\u202e$', fuel="<b>")
    page = drawn(ReportData(replace(car, engine=engine), "0", "2026-01-01", is_simulated=False))
    assert "<img" not in page
    assert "<b>" not in page
    assert "\u202e" not in page
    assert "&lt;img src=x" in page


@pytest.mark.skipif(BROWSER is None, reason="no Chromium is installed")
def test_the_fullest_sheet_prints_on_one_page_and_passes_a_browser(
    full: ReportData, tmp_path: Path
) -> None:
    sync_api = pytest.importorskip("playwright.sync_api")
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    pypdf = pytest.importorskip("pypdf")
    out = tmp_path / "page.html"
    out.write_text(drawn(full), encoding="utf-8")
    with sync_api.sync_playwright() as tool:
        browser = tool.chromium.launch(executable_path=BROWSER, args=["--no-sandbox"])
        for scheme in ("light", "dark"):
            page = browser.new_page(viewport={"width": 360, "height": 800}, color_scheme=scheme)
            told: list[str] = []
            page.on("console", lambda message, told=told: told.append(message.text))
            page.on("request", lambda request, told=told: told.append(request.url))
            page.goto(out.as_uri())
            assert told == [out.as_uri()]
            assert page.evaluate("document.documentElement.scrollWidth") == 360
            found = axe.Axe().run(page, context={"exclude": [["figure svg"]]})  # with an alt
            assert [one["id"] for one in found.response["violations"]] == []
        for ignition, paper in ((i, p) for i in ("spark", "compression") for p in ("A4", "Letter")):
            out.write_text(drawn(with_ignition(full, ignition)), encoding="utf-8")
            page.goto(out.as_uri())
            page.pdf(path=str(tmp_path / "page.pdf"), format=paper)
            printed = pypdf.PdfReader(tmp_path / "page.pdf").pages
            assert len(printed) == 1, (ignition, paper)
            assert "answers for it" in " ".join(printed[0].extract_text().split())
        browser.close()
