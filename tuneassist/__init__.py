"""Turn logged dyno sessions into a safe, limited correction grid, and show how far to trust it.

The path of the data::

    reading      log files -> samples in one unit each
    evidence     samples -> holds and moving samples -> deviation per cell with its interval
    correction   deviation -> raw correction -> limited step, verified by an independent checker
    pipeline     the stages in order
    workflow     what the commands do: proposals, rounds, coverage, reports
    files        read setups; write grids and proposals, all files or none

Public names are imported on first use, so that the command line starts at once.

Examples
--------
Read a setup and a log, and propose. A notebook shows proposal, grid and evidence as tables.

>>> import tuneassist as ta
>>> setup = ta.read_setup("sample_logs/petrol-setup.toml")
>>> log = ta.read_log("sample_logs/petrol-session-1.csv", setup=setup)
>>> proposal = ta.propose(log, setup=setup)
>>> proposal.to_frame().shape, proposal.grid.to_frame().shape
((144, 13), (12, 12))
>>> ta.plot_cells(proposal.cells, setup, is_simulated=True).get_title(loc="left")
'Deviation from target, % (simulated data)'

Change a setting and propose again. No cell changes by more than the setting allows.

>>> from dataclasses import replace
>>> careful = replace(setup, limits=replace(setup.limits, max_step_pct=2.0))
>>> bool(proposal.to_frame()["step_pct"].abs().max() > 2.0)
True
>>> bool(ta.propose(log, setup=careful).to_frame()["step_pct"].abs().max() <= 2.0)
True

Write the four files, or only a grid. Existing files are not overwritten.

>>> from pathlib import Path
>>> from tempfile import TemporaryDirectory
>>> home = TemporaryDirectory()
>>> folder = ta.write_proposal(proposal, Path(home.name) / "first", logs=log)
>>> file = ta.write_grid(proposal.grid, Path(home.name) / "grid.csv")
>>> file.read_bytes() == (folder / "grid.csv").read_bytes()
True
>>> ta.write_grid(proposal.grid, file)
Traceback (most recent call last):
...
tuneassist.errors.OutputError: ... Name a new file, or pass overwrite=True.
>>> ta.check_grid(ta.read_grid(file, axes=setup.axes), current=proposal.current, setup=setup,
...               cells=proposal.limited.source)  # no rule is broken
()

Values found by hand on the rollers make a map as well. Each counts as a hold, and logs may stand
beside them.

>>> known = proposal.cells[proposal.cells["confidence"] == "good"].iloc[::12]
>>> by_hand = known[["rpm", "load"]].assign(correction_pct=known["deviation_pct"].round(1))
>>> both = ta.propose_spots(by_hand, setup=setup, logs=log)
>>> len(both.evidence.holds) == len(proposal.evidence.holds) + len(by_hand)
True

Find out how well the logs cover the cells. `Tune` is the loop over several rounds.

>>> found = ta.coverage(log, setup=setup)
>>> list(found.states)
['left alone', 'unseen', 'seen', 'held', 'trusted']

Compare full-load runs before and after a change, here of a simulated car.

>>> import numpy as np
>>> from tuneassist.simulate import FullLoadPlan, simulate_full_load, stock_diesel, tuned_diesel
>>> rng = np.random.default_rng(7)
>>> stock, tuned = (
...     simulate_full_load(car, FullLoadPlan(), rng=rng, name=f"simulated {number}")
...     for number, car in enumerate((stock_diesel(), tuned_diesel()))
... )
>>> runs = ta.compare_runs([stock], [tuned], engine=ta.EngineSettings(ignition="compression"))
>>> bool((runs.gain["gain_pct"] > 0).all())
True
>>> home.cleanup()
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tuneassist.correction import Breach, check_grid, describe_limits
    from tuneassist.errors import (
        GridError,
        InputError,
        LogError,
        NoEvidenceError,
        OutputError,
        RuleBreachError,
        SetupError,
        TuneassistError,
    )
    from tuneassist.files.grid_file import read_grid, write_grid_text
    from tuneassist.files.setup_file import read_setup
    from tuneassist.files.spot_file import read_spots
    from tuneassist.grid import Axes, Grid, bilinear_weights, compose_pct, step_between_pct
    from tuneassist.log_trace import trace_log
    from tuneassist.loop.advice import Advice, AdviceSettings
    from tuneassist.loop.settings import PlanSettings
    from tuneassist.pipeline import Evidence, LogEvidence, Proposal, gather, propose, reduce_log
    from tuneassist.reading import Log, read_log
    from tuneassist.runs import RunsComparison, RunSettings, compare_runs
    from tuneassist.settings import (
        Ceiling,
        ChannelSource,
        CorrectionSettings,
        EngineSettings,
        LimitSettings,
        Region,
        Setup,
        SteadySettings,
        Target,
        default_limits,
    )
    from tuneassist.show.plots import (
        full_load_figure,
        plot_along,
        plot_cells,
        plot_coverage,
        plot_full_load,
        plot_gain,
        plot_holds,
        plot_response,
        plot_rounds,
        plot_spots,
        plot_step,
        plot_trace,
        plot_tunes,
        plot_zero,
        proposal_figure,
        spots_figure,
        stand_alone,
        trace_figure,
        tunes_figure,
        zero_figure,
    )
    from tuneassist.spots import Spots
    from tuneassist.workflow.coverage import Coverage, coverage
    from tuneassist.workflow.derive import derive_folder
    from tuneassist.workflow.proposal import write_grid, write_proposal
    from tuneassist.workflow.spots import propose_spots, spots_on_surface
    from tuneassist.workflow.tune import Standing, Tune, TuneRound

__version__ = "0.1.0"

_HOMES = {
    "tuneassist.correction": (
        "Breach",
        "check_grid",
        "describe_limits",
    ),
    "tuneassist.errors": (
        "GridError",
        "InputError",
        "LogError",
        "NoEvidenceError",
        "OutputError",
        "RuleBreachError",
        "SetupError",
        "TuneassistError",
    ),
    "tuneassist.files.grid_file": (
        "read_grid",
        "write_grid_text",
    ),
    "tuneassist.files.setup_file": ("read_setup",),
    "tuneassist.files.spot_file": ("read_spots",),
    "tuneassist.grid": (
        "Axes",
        "Grid",
        "bilinear_weights",
        "compose_pct",
        "step_between_pct",
    ),
    "tuneassist.log_trace": ("trace_log",),
    "tuneassist.loop.advice": (
        "Advice",
        "AdviceSettings",
    ),
    "tuneassist.loop.settings": ("PlanSettings",),
    "tuneassist.pipeline": (
        "Evidence",
        "LogEvidence",
        "Proposal",
        "gather",
        "propose",
        "reduce_log",
    ),
    "tuneassist.reading": (
        "Log",
        "read_log",
    ),
    "tuneassist.runs": (
        "RunSettings",
        "RunsComparison",
        "compare_runs",
    ),
    "tuneassist.settings": (
        "Ceiling",
        "ChannelSource",
        "CorrectionSettings",
        "EngineSettings",
        "LimitSettings",
        "Region",
        "Setup",
        "SteadySettings",
        "Target",
        "default_limits",
    ),
    "tuneassist.show.plots": (
        "full_load_figure",
        "plot_along",
        "plot_cells",
        "plot_coverage",
        "plot_full_load",
        "plot_gain",
        "plot_holds",
        "plot_response",
        "plot_rounds",
        "plot_spots",
        "plot_step",
        "plot_trace",
        "plot_tunes",
        "plot_zero",
        "proposal_figure",
        "spots_figure",
        "stand_alone",
        "trace_figure",
        "tunes_figure",
        "zero_figure",
    ),
    "tuneassist.spots": ("Spots",),
    "tuneassist.workflow.coverage": (
        "Coverage",
        "coverage",
    ),
    "tuneassist.workflow.derive": ("derive_folder",),
    "tuneassist.workflow.tune": (
        "Standing",
        "Tune",
        "TuneRound",
    ),
    "tuneassist.workflow.proposal": (
        "write_grid",
        "write_proposal",
    ),
    "tuneassist.workflow.spots": (
        "propose_spots",
        "spots_on_surface",
    ),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}

__all__ = [
    "Advice",
    "AdviceSettings",
    "Axes",
    "Breach",
    "Ceiling",
    "ChannelSource",
    "CorrectionSettings",
    "Coverage",
    "EngineSettings",
    "Evidence",
    "Grid",
    "GridError",
    "InputError",
    "LimitSettings",
    "Log",
    "LogError",
    "LogEvidence",
    "NoEvidenceError",
    "OutputError",
    "PlanSettings",
    "Proposal",
    "Region",
    "RuleBreachError",
    "RunSettings",
    "RunsComparison",
    "Setup",
    "SetupError",
    "Spots",
    "Standing",
    "SteadySettings",
    "Target",
    "Tune",
    "TuneRound",
    "TuneassistError",
    "__version__",
    "bilinear_weights",
    "check_grid",
    "compare_runs",
    "compose_pct",
    "coverage",
    "default_limits",
    "derive_folder",
    "describe_limits",
    "full_load_figure",
    "gather",
    "plot_along",
    "plot_cells",
    "plot_coverage",
    "plot_full_load",
    "plot_gain",
    "plot_holds",
    "plot_response",
    "plot_rounds",
    "plot_spots",
    "plot_step",
    "plot_trace",
    "plot_tunes",
    "plot_zero",
    "proposal_figure",
    "propose",
    "propose_spots",
    "read_grid",
    "read_log",
    "read_setup",
    "read_spots",
    "reduce_log",
    "spots_figure",
    "spots_on_surface",
    "stand_alone",
    "step_between_pct",
    "trace_figure",
    "trace_log",
    "tunes_figure",
    "write_grid",
    "write_grid_text",
    "write_proposal",
    "zero_figure",
]


def __getattr__(name: str) -> Any:
    """Import a public name on first use."""
    home = _HOME_OF.get(name)
    if home is None:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(home), name)


def __dir__() -> list[str]:
    """List the public names."""
    return __all__
