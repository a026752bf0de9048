"""From a notebook: the loop, files, frames and views, by the rules of the command line."""

from __future__ import annotations

import re
import subprocess
import sys
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from tuneassist import (
    Axes,
    Coverage,
    Grid,
    GridError,
    InputError,
    Log,
    LogError,
    OutputError,
    Proposal,
    Setup,
    Tune,
    coverage,
    propose,
    read_grid,
    read_log,
    read_setup,
    write_grid,
    write_proposal,
)
from tuneassist.cli.app import app
from tuneassist.files.tune_folder import open_tune
from tuneassist.pipeline import CELL_COLUMNS
from tuneassist.show.notebook import MOST_CELLS

ROOT = Path(__file__).resolve().parent.parent
SETUP = ROOT / "sample_logs" / "petrol-setup.toml"
FIRST, SECOND = (ROOT / "sample_logs" / f"petrol-session-{n}.csv" for n in (1, 2))
HOSTILE = '<script>alert("x")</script>\u202e<img src=x onerror=y>'


def ok(*arguments: object) -> None:
    found = CliRunner().invoke(app, [str(a) for a in arguments])
    assert found.exit_code == 0, found.output


@pytest.fixture(scope="module")
def setup() -> Setup:
    return read_setup(SETUP)


@pytest.fixture(scope="module")
def log(setup: Setup) -> Log:
    return read_log(FIRST, setup=setup)


@pytest.fixture(scope="module")
def proposal(log: Log, setup: Setup) -> Proposal:
    return propose(log, setup=setup)


@pytest.fixture(scope="module")
def covered(log: Log, setup: Setup) -> Coverage:
    return coverage(log, setup=setup)


@pytest.fixture(scope="module")
def by_command(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("command") / "out"
    ok("propose", FIRST, "--setup", SETUP, "--out", folder)
    return folder


# ---- files


def test_a_proposal_from_python_is_the_command_lines_to_the_byte(
    proposal: Proposal, log: Log, by_command: Path, tmp_path: Path
) -> None:
    folder = write_proposal(proposal, tmp_path / "out", logs=log)
    for name in ("grid.csv", "step.csv", "cells.csv"):
        assert (folder / name).read_bytes() == (by_command / name).read_bytes()
    mine, theirs = (
        re.sub(
            r'^ *"(made_at|grid_in_force)".*$', "", (where / "proposal.json").read_text("utf-8"),
            flags=re.MULTILINE,
        )
        for where in (folder, by_command)
    )  # fmt: skip
    assert mine == theirs
    assert str(SETUP) in mine


def test_a_proposal_is_not_written_over_another_unless_asked(
    proposal: Proposal, log: Log, tmp_path: Path
) -> None:
    folder = write_proposal(proposal, tmp_path / "out", logs=log)
    (folder / "grid.csv").write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match="already holds a result"):
        write_proposal(proposal, folder, logs=log)
    assert (folder / "grid.csv").read_text(encoding="utf-8") == "mine"
    write_proposal(proposal, folder, logs=log, overwrite=True)
    assert read_grid(folder / "grid.csv", axes=proposal.setup.axes).axes.is_same(
        proposal.setup.axes
    )


def test_a_proposal_names_no_log_or_grid_that_it_does_not_rest_on(
    proposal: Proposal, log: Log, tmp_path: Path
) -> None:
    with pytest.raises(LogError, match="was made from"):
        write_proposal(proposal, tmp_path / "out", logs=replace(log, name="other.csv"))
    axes = proposal.setup.axes
    other = write_grid(Grid(axes, np.ones(axes.shape)), tmp_path / "other.csv")
    with pytest.raises(GridError, match="another grid"):
        write_proposal(proposal, tmp_path / "out", logs=log, grid=other)
    assert not (tmp_path / "out").exists()


def test_a_setup_changed_in_python_is_not_told_as_the_files(
    proposal: Proposal, log: Log, tmp_path: Path
) -> None:
    setup = proposal.setup
    changed = replace(setup, correction=replace(setup.correction, floor_margin_pct=1.5))
    folder = write_proposal(replace(proposal, setup=changed), tmp_path / "out", logs=log)
    assert '"role": "setup"' not in (folder / "proposal.json").read_text("utf-8")


def test_a_grid_is_written_whole_and_never_over_another_file(tmp_path: Path) -> None:
    axes = Axes(rpm=np.array([800.0, 1200.0]), load=np.array([30.0, 60.0]))
    grid = Grid(axes, np.array([[0.1 + 0.2, np.nan], [-1.0, 2.0]]))
    file = write_grid(grid, tmp_path / "grid.csv")
    assert "800,0.3,\n" in file.read_text("utf-8")
    with pytest.raises(OutputError, match="overwrite=True"):
        write_grid(Grid.zeros(axes), file)
    np.testing.assert_allclose(read_grid(file, axes=axes).values, grid.values, atol=1e-9)
    write_grid(Grid.zeros(axes), file, overwrite=True)
    assert read_grid(file, axes=axes) == Grid.zeros(axes)


# ---- frames


def test_a_proposals_frame_is_its_cells_file(proposal: Proposal, by_command: Path) -> None:
    written = pd.read_csv(by_command / "cells.csv", keep_default_na=False, na_values=[""])
    frame = proposal.to_frame()
    assert tuple(frame) == tuple(written) == CELL_COLUMNS
    assert frame["reason"].tolist() == written["reason"].tolist()
    said = proposal.cells["evidence"].ne("")
    assert said.any()
    for reason, evidence in zip(
        frame["reason"][said], proposal.cells["evidence"][said], strict=True
    ):
        assert reason.endswith(f"({evidence})")
    np.testing.assert_allclose(frame["grid_pct"], written["grid_pct"], atol=1e-4)
    frame.loc[:, "grid_pct"] = 99.0
    assert not (proposal.cells["grid_pct"] == 99.0).any()


def test_a_grids_frame_has_speeds_down_and_loads_across(proposal: Proposal) -> None:
    frame = proposal.grid.to_frame()
    axes = proposal.setup.axes
    assert frame.index.name == "rpm" and axes.load_unit in str(frame.columns.name)
    assert frame.iloc[2, 3] == proposal.grid.flat()[2 * axes.shape[1] + 3]


def test_coverage_from_python_is_what_the_command_counts(covered: Coverage) -> None:
    shown = CliRunner().invoke(
        app, ["coverage", str(FIRST), "--setup", str(SETUP), "--json"]
    ).stdout  # fmt: skip
    for state, count in covered.states.items():
        assert f'"{state}": {count}' in shown
    assert f'"cells_without_evidence": {covered.without_evidence}' in shown
    assert covered.is_simulated and len(covered.residuals()) == len(covered.evidence.holds)


# ---- views


class Page(HTMLParser):
    """Collects tags, and what stands in cells."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.feed(text)
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


KNOWN_TAGS = {"div", "b", "p", "pre", "ul", "li", "table", "caption", "thead", "tbody", "tr", "th",
              "td"}  # fmt: skip


def test_views_have_no_scripts_and_every_cell_its_own_ink_and_fill(
    proposal: Proposal, covered: Coverage
) -> None:
    size = proposal.setup.axes.size
    views = ((proposal.grid, 1), (proposal.evidence, 1), (proposal, 2), (covered, 1))
    for shown, maps in views:
        text = shown._repr_html_()
        page = Page(text)
        assert {tag for tag, _ in page.tags} <= KNOWN_TAGS
        assert {name for _, given in page.tags for name in given} <= {"style", "title"}
        boxes = [given["style"] or "" for tag, given in page.tags if tag in ("td", "th")]
        assert all("color:#" in style and "background:#" in style for style in boxes)
        assert sum(tag == "td" for tag, _ in page.tags) == maps * size
        assert len(text) < 250 * maps * size


def test_words_from_files_are_inert_in_every_view(proposal: Proposal, covered: Coverage) -> None:
    setup = proposal.setup
    car = replace(setup, engine=replace(setup.engine, label=HOSTILE),
                  axes=replace(setup.axes, load_name=HOSTILE))  # fmt: skip
    evidence = replace(proposal.evidence, notes=(HOSTILE,), setup=car)
    grid = Grid(car.axes, proposal.grid.values)
    hostile = (grid, evidence, replace(proposal, setup=car, evidence=evidence),
               replace(covered, setup=car, evidence=evidence))  # fmt: skip
    for shown in hostile:
        text = shown._repr_html_()
        assert "&lt;script&gt;" in text
        assert "<script" not in text and "<img" not in text and "\u202e" not in text


def test_a_large_grid_is_told_in_a_sentence() -> None:
    axes = Axes(rpm=np.arange(64.0), load=np.arange(64.0))
    text = Grid.zeros(axes)._repr_html_()
    assert axes.size > MOST_CELLS and len(text) < 500 and "to_frame()" in text


# ---- the loop


def seen(folder: Path) -> dict[str, str]:
    """Every file of a tune, without what is drawn anew each time."""
    changing = r'"(made|time|started_at|made_at|of|setup_from|source|[a-z-]+\.(csv|json))": "[^"]*"'
    return {
        file.relative_to(folder).as_posix(): re.sub(changing, "", file.read_text("utf-8"))
        for file in sorted(folder.rglob("*"))
        if file.is_file()
    }


@pytest.fixture(scope="module")
def tune(tmp_path_factory: pytest.TempPathFactory) -> Tune:
    made = Tune.start(tmp_path_factory.mktemp("loop") / "tune", setup=SETUP)
    made.add(FIRST)
    return made


def test_a_tune_from_python_is_the_command_lines_file_by_file(tune: Tune, tmp_path: Path) -> None:
    folder = tmp_path / "tune"
    ok("rounds", "start", folder, "--setup", SETUP)
    ok("rounds", "add", folder, FIRST)
    assert seen(folder) == seen(tune.path)
    assert "round-01/grid.csv" in seen(folder)


def test_a_tune_takes_steps_by_the_rules_of_the_loop(tune: Tune) -> None:
    with pytest.raises(InputError, match="neither accepted nor rejected"):
        tune.add(SECOND)
    zeros = Grid.zeros(tune.setup().axes)
    assert tune.grid_in_force() == zeros
    assert tune.accept().controller_holds == "round-01"
    assert tune.grid_in_force() != zeros
    with pytest.raises(InputError, match="no proposal to accept"):
        tune.accept()
    with pytest.raises(LogError, match=r"was added in round-01 already"):
        tune.add(FIRST)
    with pytest.raises(InputError, match="has not halted"):
        tune.found("wrong-log")
    assert tune.undo().proposed == "round-01"
    standing = Tune.open(tune.path).status()
    assert len(standing.to_frame()) == 1 and "round-01 is proposed" in repr(standing)
    assert Page(standing._repr_html_()).tags and Page(tune._repr_html_()).tags


def test_a_tune_that_another_program_works_on_is_refused(tune: Tune) -> None:
    before = seen(tune.path)
    with open_tune(tune.path), pytest.raises(InputError, match="another program is working"):
        tune.reject()
    assert seen(tune.path) == before


def test_an_undo_that_brings_back_a_damaged_proposal_says_so(tmp_path: Path, tune: Tune) -> None:
    import shutil

    own = Tune(Path(shutil.copytree(tune.path, tmp_path / "own")))
    own.accept()
    grid = own.path / "round-01" / "grid.csv"
    grid.write_text(grid.read_text("utf-8").replace("\n800,", "\n801,"), encoding="utf-8")
    with pytest.raises(InputError, match="undo is done, but the pending proposal may not"):
        own.undo()


# ---- a quick start


def test_naming_the_package_loads_nothing_heavy() -> None:
    code = (
        "import sys, tuneassist; tuneassist.__all__; dir(tuneassist); "
        "print(sorted({m.split('.')[0] for m in sys.modules}"
        " & {'numpy', 'pandas', 'scipy', 'rich', 'matplotlib'}),"
        " sorted(m for m in sys.modules if m.startswith('tuneassist.')))"
    )
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert said.stdout.strip() == "[] []"
