"""What a command imports is a third of the time of a short one."""

import subprocess
import sys

import pytest

#: Slow to import, and not needed by what most runs do: scipy.stats alone takes as long as pandas.
HEAVY = ("scipy.stats", "scipy.signal", "statsmodels", "matplotlib", "jinja2", "dask")


@pytest.mark.parametrize("module", ["workflow.proposal", "cli.propose", "loop.advice", "loop.plan"])
def test_a_command_leaves_out_the_heavy_packages_that_it_does_not_need(module: str) -> None:
    code = (
        f"import sys, tuneassist.{module}\n"
        f"print(*(name for name in {HEAVY!r} if name in sys.modules))"
    )
    run = [sys.executable, "-c", code]
    found = subprocess.run(run, capture_output=True, text=True, check=True, timeout=120)
    assert found.stdout.split() == []
