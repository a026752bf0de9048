"""What `keys` lists is what a setup file may hold, with the defaults that are in force."""

from __future__ import annotations

import inspect
import json
import re
import subprocess
import sys
from dataclasses import dataclass, fields
from pathlib import Path

import pytest
from typer.testing import CliRunner

from tuneassist.channels import CHANNELS
from tuneassist.cli.app import app
from tuneassist.field_facts import SAME, described, documented, setting
from tuneassist.files.setup_file import _KEYS, read_setup
from tuneassist.files.setup_keys import describe_keys
from tuneassist.grid import Axes
from tuneassist.loop.settings import PlanSettings, RegionWeight, TuneSettings
from tuneassist.runs.settings import RunSettings
from tuneassist.settings import (
    Ceiling,
    ChannelSource,
    CorrectionSettings,
    EngineSettings,
    LimitSettings,
    Region,
    SteadySettings,
    Target,
)
from tuneassist.units import UNITS

KEYS = describe_keys()
CLASSES = (
    Axes, Ceiling, ChannelSource, CorrectionSettings, EngineSettings, LimitSettings, PlanSettings,
    Region, RegionWeight, RunSettings, SteadySettings, Target, TuneSettings,
)  # fmt: skip
NO_SETTING = {(Axes, "where")}


def keys_of(section: str) -> set[str]:
    return set(KEYS.loc[KEYS["section"] == section, "key"])


@pytest.mark.parametrize("section", ["engine", "target", "steady", "correction", "plan", "axes"])
def test_every_key_that_the_file_may_hold_is_listed_and_no_other(section: str) -> None:
    assert keys_of(section) == set(_KEYS[section]) - {"region"}


def test_limits_channels_and_units_are_listed() -> None:
    assert keys_of("limits") == set(_KEYS["limits"]) - {"region", "ceilings"}
    assert keys_of("channels") == set(CHANNELS)
    assert keys_of("units.words") == set(UNITS)
    assert {"ceiling", "hard"} <= keys_of("limits.ceilings.NAME")


def test_every_key_says_what_it_means() -> None:
    assert KEYS["meaning"].str.len().min() > 3
    assert not KEYS["meaning"].str.contains(r"`|\bNone\b").any()


def test_listed_defaults_are_those_in_force() -> None:
    steady = KEYS[KEYS["section"] == "steady"].set_index("key")["default"]
    for name, value in vars(SteadySettings()).items():
        assert steady[name] == ("" if value is None else f"{value:g}")


def test_a_file_of_listed_keys_and_defaults_is_a_setup(tmp_path) -> None:
    lines = [
        "[axes]",
        "rpm = [1000, 2000]",
        "load = [40, 80]",
        "[target]",
        "table = [[1, 1], [1, 1]]",
    ]
    for section in ("steady", "correction"):
        lines.append(f"[{section}]")
        for row in KEYS[(KEYS["section"] == section) & KEYS["default"].ne("")].itertuples():
            is_bare = row.default.replace(".", "").isdigit() or row.default in ("true", "false")
            lines.append(f"{row.key} = " + (row.default if is_bare else f'"{row.default}"'))
    path = tmp_path / "car.toml"
    path.write_text("\n".join(lines), encoding="utf-8")
    assert read_setup(path).steady == SteadySettings()


def test_the_command_lists_one_section_and_refuses_an_unknown_one() -> None:
    runner = CliRunner()
    found = runner.invoke(app, ["keys", "channels", "--json"])
    assert {row["section"] for row in json.loads(found.stdout)["keys"]} == {
        "channels",
        "channels.NAME",
    }
    assert "injector_duty" in runner.invoke(app, ["keys"]).stdout
    refused = runner.invoke(app, ["keys", "steering"])
    assert refused.exit_code == 2
    assert "unknown section 'steering'" in " ".join(refused.output.split())


def test_the_readmes_lines_are_a_setup(tmp_path) -> None:
    readme = (Path(__file__).resolve().parent.parent / "README.md").read_text(encoding="utf-8")
    lines = readme.split("```toml\n", 1)[1].split("```", 1)[0]
    path = tmp_path / "car.toml"
    rest = "[axes]\nrpm = [1000, 2000]\nload = [40, 80]\n[target]\ntable = [[1, 1], [1, 1]]\n"
    path.write_text(lines + rest, encoding="utf-8")
    assert set(read_setup(path).channels) == {"rpm", "boost", "lambda", "coolant_temp"}
    assert read_setup(path).unread == {"throttle"}


@pytest.mark.parametrize("flags", [["-O"], ["-OO"]])
def test_the_keys_are_listed_where_python_strips_the_docstrings(flags: list[str]) -> None:
    done = subprocess.run(
        [sys.executable, *flags, "-m", "tuneassist", "keys", "--json"],
        capture_output=True,
        check=False,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["keys"] == KEYS.to_dict("records")


@pytest.mark.parametrize("kind", CLASSES)
def test_every_setting_says_what_it_means_and_its_unit(kind: type) -> None:
    told = {name: one for one in described(kind) for name in one.names}
    assert set(told) == {f.name for f in fields(kind) if (kind, f.name) not in NO_SETTING}
    assert all(len(one.why) > 3 and one.why.endswith((".", ")")) for one in told.values())
    suffixes = {"_pct": "%", "_s": "s", "_c": "degC", "_rpm": "rpm", "_lambda": "lambda"}
    for f in fields(kind):
        for suffix, unit in suffixes.items():
            if f.name.endswith(suffix) and "_per_" not in f.name and kind is not Region:
                right = {unit, "% per cell"} if suffix == "_pct" else {unit}
                assert f.metadata["unit"] in right, f.name


@pytest.mark.parametrize("kind", CLASSES)
def test_help_shows_every_setting_with_its_unit_and_reason(kind: type) -> None:
    words = inspect.getdoc(kind) or ""
    section = words.partition("\n\nParameters\n----------\n")[2]
    for one in described(kind):
        entry = re.search(rf"^{re.escape(', '.join(one.names))}\n((?:    .*\n?)+)", section, re.M)
        assert entry is not None, one.names
        said = " ".join(entry.group(1).split())
        assert said.startswith(one.why)
        assert all(f"[{unit}]" in said for unit in one.units if unit)
    assert max(map(len, words.splitlines())) <= 96


def test_settings_of_one_meaning_share_an_entry_and_other_sections_stay() -> None:
    @documented
    @dataclass(frozen=True)
    class Oven:
        """An oven.

        Raises
        ------
        ValueError
            When cold.
        """

        low_c: float = setting(90.0, unit="degC", why="""From here
            it bakes.""")  # fmt: skip
        share: float = setting(0.5, unit="1", why=SAME)
        name: str = setting("", why="A word.")
        shelf: int = 3

    assert inspect.getdoc(Oven) == (
        "An oven.\n\nParameters\n----------\nlow_c, share\n    From here it bakes. [degC], [1]\n"
        "name\n    A word.\n\nRaises\n------\nValueError\n    When cold."
    )
    assert (Oven().low_c, Oven(share=0.25).share) == (90.0, 0.25)
