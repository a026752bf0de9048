"""What `keys` lists is what a setup file may hold, with the defaults that are in force."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from tuneassist.channels import CHANNELS
from tuneassist.cli.app import app
from tuneassist.files.setup_file import _KEYS, read_setup
from tuneassist.files.setup_keys import describe_keys
from tuneassist.settings import SteadySettings
from tuneassist.units import UNITS

KEYS = describe_keys()


def keys_of(section: str) -> set[str]:
    return set(KEYS.loc[KEYS["section"] == section, "key"])


@pytest.mark.parametrize("section", ["engine", "target", "steady", "correction", "plan", "axes"])
def test_every_key_that_the_file_may_hold_is_listed_and_no_other(section: str) -> None:
    assert keys_of(section) == set(_KEYS[section]) - {"region"}


def test_limits_channels_and_units_are_listed() -> None:
    assert keys_of("limits") == set(_KEYS["limits"]) - {"region", "ceilings"}
    assert keys_of("channels") == set(CHANNELS)
    assert keys_of("units") == set(UNITS)
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
            is_number = row.default.replace(".", "").isdigit()
            lines.append(f"{row.key} = " + (row.default if is_number else f'"{row.default}"'))
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
    assert "is no section" in refused.output


def test_the_readmes_lines_are_a_setup(tmp_path) -> None:
    readme = (Path(__file__).resolve().parent.parent / "README.md").read_text(encoding="utf-8")
    lines = readme.split("```toml\n", 1)[1].split("```", 1)[0]
    path = tmp_path / "car.toml"
    rest = "[axes]\nrpm = [1000, 2000]\nload = [40, 80]\n[target]\ntable = [[1, 1], [1, 1]]\n"
    path.write_text(lines + rest, encoding="utf-8")
    assert set(read_setup(path).channels) == {"rpm", "boost", "lambda", "coolant_temp"}
    assert read_setup(path).unread == {"throttle"}
