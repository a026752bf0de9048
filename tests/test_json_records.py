"""Records built into settings again: the very same objects, and complaints that name the key."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tuneassist.errors import SetupError
from tuneassist.files.json_file import built
from tuneassist.files.result_reader import setup_of_record
from tuneassist.files.setup_file import read_setup
from tuneassist.settings import Ceiling, LimitSettings, Setup, as_plain

SAMPLES = Path(__file__).parents[1] / "sample_logs"


def record(name: str = "van") -> dict[str, Any]:
    plain = as_plain(read_setup(SAMPLES / f"{name}-setup.toml"))
    return dict(json.loads(json.dumps(plain)))


@pytest.mark.parametrize("name", ["van", "petrol"])
def test_a_setup_of_a_record_is_the_setup_that_was_kept(name: str) -> None:
    kept = read_setup(SAMPLES / f"{name}-setup.toml")
    back = setup_of_record(record(name))
    assert back == kept
    assert back.source == kept.source
    assert as_plain(back) == record(name)
    assert isinstance(back.limits.ceilings["exhaust_temp"], Ceiling)
    assert not back.axes.rpm.flags.writeable


def test_what_a_newer_program_adds_is_passed_over_and_what_an_older_one_lacks_has_its_default() -> (
    None
):
    plain = record()
    plain["steady"]["of_tomorrow"] = 1
    del plain["steady"]["window_s"], plain["given"], plain["unread"]
    back = setup_of_record(plain)
    assert (back.steady.window_s, back.given, back.unread) == (1.5, frozenset(), frozenset())


def _set(*path: Any) -> Callable[[dict[str, Any]], None]:
    def change(plain: dict[str, Any]) -> None:
        for key in path[:-2]:
            plain = plain[key]
        plain[path[-2]] = path[-1]

    return change


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (_set("steady", "window_s", "long"), '"steady.window_s": expected float, got str'),
        (_set("steady", "window_s", True), '"steady.window_s": expected float, got bool'),
        (_set("steady", "min_samples", 4.5), '"steady.min_samples": expected int, got float'),
        (_set("limits", "lean_in_boost", "often"), '"limits.lean_in_boost": invalid enum value'),
        (_set("limits", "regions", [{"rpm": [1], "load": [1, 2]}]), '"limits.regions[0].rpm": '),
        (_set("axes", "rpm", [1000, "x"]), '"axes.rpm": could not convert string to float'),
        (_set("channels", {"rpm": {"unit": "rpm"}}), '"channels[...]": object missing required'),
        (_set("given", "steady"), '"given": expected array, got str'),
    ],
)
def test_a_value_of_another_kind_is_refused_with_its_key(
    change: Callable[[dict[str, Any]], None], words: str
) -> None:
    plain = record()
    change(plain)
    with pytest.raises(ValueError) as found:
        setup_of_record(plain)
    assert str(found.value).startswith(words)


def test_what_an_object_itself_refuses_is_said_in_its_own_words() -> None:
    plain = record()
    plain["steady"]["window_s"] = 0
    with pytest.raises(
        SetupError, match=r"^steady\.window_s is 0\.0\. It must be greater than 0\.$"
    ):
        built(Setup, plain)


def test_no_caller_changes_ceilings_that_are_in_force() -> None:
    given = {"torque": Ceiling(400.0)}
    limits = LimitSettings(ceilings=given)
    given["torque"] = Ceiling(9999.0)
    assert limits.ceilings["torque"].ceiling == 400.0
    with pytest.raises(TypeError):
        setup_of_record(record()).limits.ceilings["torque"] = Ceiling(9999.0)  # type: ignore[index]


def test_a_blank_of_an_array_is_not_a_number() -> None:
    plain = record()
    plain["target"]["table"][0][0] = None
    assert np.isnan(setup_of_record(plain).target.table[0, 0])
