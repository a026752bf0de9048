"""No screen, page or message shows a negative zero: "-0.00 psi" is no difference at all."""

from __future__ import annotations

import math
import re
from pathlib import Path

import pandas as pd
import pytest

import tuneassist
from tuneassist.own_units import with_unit
from tuneassist.runs.equivalence import _words
from tuneassist.runs.settings import RunSettings
from tuneassist.show.report_runs import _or_none
from tuneassist.show.run_units import OutputUnits
from tuneassist.show.runs import _or_dash, driven_words

PACKAGE = Path(tuneassist.__file__).parent
NEGATIVE_ZERO = re.compile(r"-0(\.0*)?(?![.\d])")
SIGNED = re.compile(r"""[:"']\+\.\d[fge]|:\+[fge]\}""")
"""A format with a sign that lets a negative zero through: Python's "z" turns it to a positive."""


def test_the_patterns_find_what_they_are_for() -> None:
    assert NEGATIVE_ZERO.search("-0.00 psi")
    assert NEGATIVE_ZERO.search("-0 %")
    assert not NEGATIVE_ZERO.search("-0.01 psi, -10.0")
    assert SIGNED.search('f"{change:+.2f}"')
    assert SIGNED.search('_or_dash(change, "+.2f")')
    assert not SIGNED.search('f"{change:+z.2f}"')


@pytest.mark.parametrize(
    "path", sorted(PACKAGE.rglob("*.py")), ids=lambda path: str(path.relative_to(PACKAGE))
)
def test_every_format_with_a_sign_coerces_negative_zero(path: Path) -> None:
    lines = path.read_text(encoding="utf-8").splitlines()
    found = [f"{n}: {line.strip()}" for n, line in enumerate(lines, 1) if SIGNED.search(line)]
    assert not found


@pytest.mark.parametrize("verdict", ["equivalent", "different", "cannot tell"])
def test_a_difference_that_rounds_to_zero_has_no_minus_in_a_verdict(verdict: str) -> None:
    row = {
        "channel": "boost", "rpm_from": 2000.0, "rpm_to": 3000.0, "rpm": 2500.0, "unit": "psi",
        "difference": -0.001, "low": -0.004, "high": -0.0, "margin": 0.29, "verdict": verdict,
        "more_runs": math.nan,
    }  # fmt: skip
    words = _words(row, RunSettings())
    assert "+0.00 psi" in words
    assert not NEGATIVE_ZERO.search(words)


def test_numbers_of_a_screen_that_round_to_zero_have_no_minus() -> None:
    row = pd.Series(
        {"quantity": "torque", "unit": "N.m", "before": 200.0, "after": 199.99, "gain": -0.01,
         "gain_pct": -0.005, "low": -0.04, "high": 0.02, "rpm_from": 1600, "rpm_to": 2600,
         "method": ""}
    )  # fmt: skip
    shown = [
        driven_words(row.to_dict(), OutputUnits()),
        _or_dash(-0.001),
        _or_dash(-0.001, "+z.2f"),
        _or_none(-0.001),
        with_unit(-0.0, "psi"),
    ]
    assert not [words for words in shown if NEGATIVE_ZERO.search(words)]
