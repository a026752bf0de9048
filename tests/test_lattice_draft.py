"""A draft of a fit leaves out what only its reader would use, and nothing else."""

import numpy as np
import pytest

from tuneassist.evidence import lattice
from tuneassist.evidence.lattice import fit_lattice
from tuneassist.grid import Axes, bilinear_weights

RPM, LOAD = np.arange(1000.0, 7000.0, 1000.0), np.arange(20.0, 200.0, 30.0)
AXES = Axes(rpm=RPM, load=LOAD, load_unit="kPa")


@pytest.mark.parametrize("logs", [1, 3])
def test_a_draft_has_the_values_strengths_and_residuals_of_the_whole_fit(logs: int) -> None:
    rng = np.random.default_rng(2)
    rpm, load = rng.uniform(1000, 6000, 90), rng.uniform(20, 170, 90)
    need = 0.03 * np.sin(rpm / 1500.0) + 0.0004 * load + rng.normal(0.0, 0.006, 90)
    need[5] += 0.2  # a bad hold, which loses weight
    asked = (AXES, bilinear_weights(AXES, rpm, load), need, np.full(90, 0.002))
    moved = 0.3 * rng.normal(size=(90, 2))
    whole, draft = (
        fit_lattice(*asked, np.arange(90) % logs, transients=moved, is_draft=is_draft)
        for is_draft in (False, True)
    )
    for name in ("theta", "strengths", "weight", "left_out_residual", "left_out_se", "transients"):
        np.testing.assert_array_equal(getattr(draft, name), getattr(whole, name))
    assert whole.weight[5] < 0.5
    # the whole fit counts that the strengths are not known
    assert (whole.standard_error >= draft.standard_error).all()


def test_a_draft_leaves_the_costly_steps_out(monkeypatch: pytest.MonkeyPatch) -> None:
    def costly(*_: object) -> None:
        raise AssertionError("asked for what a draft leaves out")

    monkeypatch.setattr(lattice, "_strength_covariance", costly)
    monkeypatch.setattr(lattice, "_evaluate_flat", costly)
    rpm, load = np.meshgrid(AXES.rpm, AXES.load)
    weights = bilinear_weights(AXES, rpm.ravel(), load.ravel())
    need = 0.0002 * load.ravel()
    draft = fit_lattice(AXES, weights, need, np.full(36, 0.002), is_draft=True)
    assert draft.theta == pytest.approx(AXES.cell_load() * 0.0002, abs=1e-3)
