"""Milder tunes from a strong one and the standard one: economy, towing and the like.

::

    shares by region -> wanted grid -> bounds by ceilings, runs, next stronger tune
                     -> closest grid within slopes and resolution -> prediction -> checker

A bound holds a cell's share; between breakpoints the share is no larger than the largest around it.
With weights w of the controller's interpolation and d = ln(g1/g0) of each cell, concavity gives
E[exp(s d)] <= E[exp(d)]^s, so that the share of the interpolated corrections is at most s.

In no cell is a tune less safe than the strong one, nor outside the two; a spark engine's fuel in
boost is the richer of the two. Corrections compose by multiplication, so that a share acts on
ln(1 + c/100).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from tuneassist.correction import check_grid
from tuneassist.correction.between import unsafe_way
from tuneassist.errors import GridError, RuleBreachError, SetupError
from tuneassist.grid import Floats, Grid
from tuneassist.loop.derive_bounds import (
    WATCHED,
    ShareBound,
    allowed_share,
    ceiling_words,
    ceilings_of,
    heavy_weight,
    low_weight,
    share_bounds,
)
from tuneassist.loop.derive_frame import CLOSE_PCT, Corners, TuneFrame, corners_of
from tuneassist.loop.derive_reasons import acted_bounds, cells_table
from tuneassist.loop.derive_settings import ECONOMY, TOWING, DeriveSettings, MildTune, usual_tune
from tuneassist.loop.settings import TuneSettings
from tuneassist.loop.torque_prediction import TwoRuns, predict_run, two_runs
from tuneassist.loop.tune_model import Tune
from tuneassist.own_units import channel_words, reading
from tuneassist.runs import RunSettings
from tuneassist.settings import Setup
from tuneassist.threads import on_one_thread


@dataclass(frozen=True, eq=False)
class DerivedTune:
    """One tune made.

    Parameters
    ----------
    tune
        Name, kind, grid and the setup with its ceilings; without a run.
    plan
        What was asked for.
    cells
        One row per cell: ``rpm, load, standard_pct, strong_pct, share_asked, share, grid_pct,
        bound, reason``. [%], [1]
    prediction
        Of its full-load run, as `predict_run` returns it; empty without runs.
    bounds
        Every bound that held a cell back: name, words, and from which to which speed.
    kept
        Share of the correction in every cell before rounding. [1]
    notes
        What it cannot be, in words.
    """

    tune: Tune
    plan: MildTune
    cells: pd.DataFrame
    prediction: pd.DataFrame
    bounds: pd.DataFrame
    kept: Floats
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class DerivedSet:
    """The standard tune, the tunes made from mild to strong, and the strong tune.

    Parameters
    ----------
    standard, strong
        What they were made from.
    made
        From the mildest to the strongest.
    two
        The full-load runs of both; None where they cannot be used.
    settings
        In force.
    notes
        What is not seen, in words.
    """

    standard: Tune
    strong: Tune
    made: tuple[DerivedTune, ...]
    two: TwoRuns | None
    settings: DeriveSettings
    notes: tuple[str, ...] = field(default=())

    @property
    def tunes(self) -> tuple[Tune, ...]:
        """All tunes, least power first."""
        return (self.standard, *(one.tune for one in self.made), self.strong)


def usual_tunes() -> tuple[MildTune, ...]:
    """Return the tunes that are made where none is asked for."""
    return usual_tune(ECONOMY), usual_tune(TOWING)


@on_one_thread
def derive_tunes(
    standard: Tune,
    strong: Tune,
    plans: Sequence[MildTune] = (),
    *,
    settings: DeriveSettings | None = None,
    rules: TuneSettings | None = None,
    runs: RunSettings | None = None,
) -> DerivedSet:
    """Make milder tunes from a strong one and the standard one.

    Parameters
    ----------
    standard, strong
        With the same breakpoints, and full-load runs where there are any.
    plans
        The tunes to make; none makes those of `usual_tunes`.
    settings, rules, runs
        Regions and margins; how runs are compared; how far their air may differ.

    Returns
    -------
    DerivedSet
        Every grid has passed the checker and lies between the two in each cell.

    Raises
    ------
    SetupError, GridError
        When the two are not of one car, or a name appears twice.
    RuleBreachError
        When one of the two breaks a rule of its setup, or the checker objects to a tune made.
    """
    settings, rules, runs = (
        settings or DeriveSettings(),
        rules or TuneSettings(),
        runs or RunSettings(),
    )
    wanted = tuple(plans) or usual_tunes()
    _require_one_car(standard, strong)
    _require_names(standard, strong, wanted)
    standard = _filled(standard)
    _require_values(standard, strong)
    for tune in (standard, strong):
        _require_clean(tune, strong.setup)
    for plan in wanted:
        _require_lower(plan, strong)
    found = two_runs(standard, strong, rules=rules, runs=runs, settings=settings)
    two = None if isinstance(found, str) else found
    made: list[DerivedTune] = []
    for plan in sorted(wanted, key=_strength, reverse=True):
        above = made[0] if made else None
        made.insert(0, _derived(plan, (standard, strong), above, two, settings))
    notes = (f"nothing is predicted: {found}",) if isinstance(found, str) else ()
    return DerivedSet(standard, strong, tuple(made), two, settings, (*notes, *_notes(strong, two)))


def _strength(plan: MildTune) -> tuple[float, float, float]:
    return plan.full_load_share, plan.low_speed_share, plan.cruise_share


def _notes(strong: Tune, two: TwoRuns | None) -> list[str]:
    setup, notes = strong.setup, []
    if unsafe_way(setup) < 0:
        notes.append(
            "these grids correct the fuel of a spark engine: they decide its mixture, hardly its "
            "torque. In boost and at high load every tune keeps the richer of standard and strong"
        )
    if two is not None and not two.is_load_known:
        notes.append(
            "the runs do not tell the load of full load at every speed: log it. All loads from "
            f"{two.load[0].min():g} {setup.axes.load_unit} on are taken to be possible"
        )
    names = [
        name for name in ("torque", "boost", "exhaust_temp") if name not in setup.limits.ceilings
    ]
    if names:
        listed = ", ".join(name.replace("_", " ") for name in names)
        notes.append(f"the setup has no ceiling on {listed}, so nothing is held under one")
    return notes


# -- what cannot be used ----------------------------------------------------------------------


def _require_one_car(standard: Tune, strong: Tune) -> None:
    own, other = standard.setup, strong.setup
    if not (own.axes.is_same(other.axes) and own.axes.load_unit == other.axes.load_unit):
        raise GridError(
            f"{standard.name} and {strong.name} do not have the same breakpoints.",
            where=other.source,
            mend="Give both a setup with the axes of the controller.",
        )
    for what, one, two in (
        ("engine.ignition", own.engine.ignition, other.engine.ignition),
        ("engine.fuel", own.engine.fuel, other.engine.fuel),
        ("correction.acts_on", own.correction.acts_on, other.correction.acts_on),
    ):
        if one != two:
            raise SetupError(
                f"{what} is {one} for {standard.name} and {two} for {strong.name}.",
                where=other.source,
                mend="Tunes of one car agree on it.",
            )


def _require_names(standard: Tune, strong: Tune, plans: Sequence[MildTune]) -> None:
    names = [tune.name.strip().casefold() for tune in (standard, strong)]
    names += [plan.name.strip().casefold() for plan in plans]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise SetupError(
            f'two tunes are called "{twice[0]}".', mend="Give every tune a name of its own."
        )


def _filled(standard: Tune) -> Tune:
    """Return the standard tune with zeros for blanks: they change nothing."""
    grid = standard.grid
    return replace(standard, grid=Grid(grid.axes, np.nan_to_num(grid.values)))


def _require_values(standard: Tune, strong: Tune) -> None:
    """Raise where the strong tune has no value and the standard one changes something."""
    axes = strong.grid.axes
    bare = np.isnan(strong.grid.flat()) & (np.abs(standard.grid.flat()) > CLOSE_PCT)
    if bare.any():
        cell = int(bare.argmax())
        raise GridError(
            f"{strong.name} is blank at {axes.cell_rpm()[cell]:g} rpm, {axes.cell_load()[cell]:g} "
            f"{axes.load_unit}, where {standard.name} holds {standard.grid.flat()[cell]:+zg} %.",
            mend="Write its value there, 0 where it corrects nothing.",
        )


def _require_lower(plan: MildTune, strong: Tune) -> None:
    """Raise where a milder tune is given a higher ceiling than the strong one has."""
    setup = strong.setup
    for name, own in plan.ceilings.items():
        top = setup.limits.ceilings.get(name)
        if top is not None and own.ceiling > top.ceiling:
            lower, upper = (reading(one.ceiling, name, setup) for one in (top, own))
            raise SetupError(
                f"{plan.name}: its ceiling on {channel_words(name)} is {upper}, above the {lower} "
                f"of {strong.name}.",
                mend="A milder tune has no higher ceiling; leave it out, or lower it.",
            )


def _require_clean(tune: Tune, setup: Setup) -> None:
    breaches = check_grid(tune.grid, current=None, setup=setup)
    if breaches:
        raise RuleBreachError(
            f"The grid of {tune.name} breaks {len(breaches)} rule(s), so no tune is made from it.",
            tuple(breach.sentence for breach in breaches),
        )


# -- one tune ---------------------------------------------------------------------------------


def _derived(
    plan: MildTune,
    ends: tuple[Tune, Tune],
    above: DerivedTune | None,
    two: TwoRuns | None,
    settings: DeriveSettings,
) -> DerivedTune:
    """Make one tune, no stronger than the next stronger one in any cell."""
    standard, strong = ends
    ceilings = ceilings_of(plan, strong.setup, standard)
    setup = replace(strong.setup, limits=replace(strong.setup.limits, ceilings=ceilings))
    frame = TuneFrame(setup, corners_of(standard, strong), above.tune if above else strong)
    asked = wanted_shares(plan, setup, settings)
    bounds: Sequence[ShareBound] = share_bounds(setup, two, settings, plan)
    if above is not None:
        bounds = [*bounds, _under_stronger(asked, above)]
    tried = frame.closest(asked, bounds)
    prediction = pd.DataFrame() if two is None else predict_run(tried.grid, two, settings)
    made = Tune(name=plan.name.strip(), setup=setup, grid=tried.grid, kind=plan.kind)
    _require_between(made, frame.corners)
    cells = cells_table(frame, asked, bounds, tried)
    notes = () if two is None else _standard_beyond(setup, two, settings)
    kept = frame.corners.share_of(tried.projected)
    return DerivedTune(made, plan, cells, prediction, acted_bounds(cells), kept, notes)


def _under_stronger(asked: Floats, above: DerivedTune) -> ShareBound:
    """Keep a tune as far under the next stronger one as asked, where that one was held back."""
    of_above = above.cells["share_asked"].to_numpy(dtype=float)
    part = np.minimum(asked / np.where(of_above > 0, of_above, np.inf), 1.0)
    most = np.where(np.isfinite(above.kept), part * np.clip(above.kept, 0.0, 1.0), 1.0)
    return ShareBound("next stronger", most, f"its part of what {above.tune.name} keeps")


def _standard_beyond(setup: Setup, two: TwoRuns, settings: DeriveSettings) -> tuple[str, ...]:
    """Say where the standard tune's run leaves no room under a ceiling."""
    notes = []
    for name in WATCHED:
        if name not in setup.limits.ceilings:
            continue
        shut = allowed_share(name, setup, two, settings) == 0.0
        if shut.any():
            span = f"{two.rpm[shut].min():.0f} to {two.rpm[shut].max():.0f} rpm"
            words = ceiling_words(name, setup, settings)
            notes.append(
                f"{two.milder.name} itself leaves no room under {words}, at {span}: there this "
                "tune keeps its values"
            )
    return tuple(notes)


def wanted_shares(plan: MildTune, setup: Setup, settings: DeriveSettings) -> Floats:
    """Share of the correction asked for in every cell, blended between the regions. [1]"""
    heavy, low = heavy_weight(setup, settings), low_weight(setup, settings)
    loaded = low * plan.low_speed_share + (1.0 - low) * plan.full_load_share
    return np.asarray((1.0 - heavy) * plan.cruise_share + heavy * loaded)


def _require_between(made: Tune, corners: Corners) -> None:
    """Raise unless the checker is content and every cell lies between the two, on the safe side."""
    values = made.grid.flat()
    low, high = (pick(corners.standard, corners.strong) for pick in (np.minimum, np.maximum))
    is_value = np.isfinite(corners.safer)
    is_out = is_value & ~((values >= low - CLOSE_PCT) & (values <= high + CLOSE_PCT))
    if is_out.any() or (np.isfinite(values) != is_value).any():
        raise RuleBreachError(f"{made.name} would leave the two tunes; nothing is written.")
    breaches = check_grid(made.grid, current=None, setup=made.setup)
    if breaches:
        raise RuleBreachError(
            f"The checker objects to {made.name}; nothing is written.",
            tuple(breach.sentence for breach in breaches),
        )
