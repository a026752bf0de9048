"""Fuel to take away where a boost grid may give no more air: a second grid, for the fuel table.

Only for compression ignition: there fuel without air is smoke, and less fuel is the safe way. Less
fuel would lean a spark engine in boost, so that there is no such grid for one.

The second grid is found as any fuel grid is: from the deviation that is left after the boost step,
by the limiter, within the rules for fuel, and the independent checker checks it. It only takes
away; a value of the fuel grid in force that took away more stays.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from tuneassist.correction.cell_readings import read_tops
from tuneassist.correction.limiter import LimitedStep, limit_step
from tuneassist.correction.raw_step import Flags, propose_raw
from tuneassist.grid import Floats, Grid, compose_pct
from tuneassist.settings import Setup

FOLLOWS_AIR = ("deviation_pct", "ci_low_pct", "ci_high_pct", "own_high_pct")
"""Columns that more air makes leaner. [%]"""


@dataclass(frozen=True, eq=False)
class LessFuel:
    """Fuel to take away beside a boost step, within every rule for fuel.

    Parameters
    ----------
    setup
        The rules that it was held to: those of the car, for a grid that acts on fuel.
    current
        What was taken away before. [% of fuel quantity]
    limited
        The step and the whole fuel grid after it; no value is above zero.
    """

    setup: Setup
    current: Grid
    limited: LimitedStep

    @property
    def grid(self) -> Grid:
        """The whole grid to type into the fuel table. [% of fuel quantity, + is more fuel]"""
        return self.limited.grid


def less_fuel(limited: LimitedStep, *, setup: Setup, current: Grid | None) -> LessFuel | None:
    """Find the fuel to take away where a boost step may not rise.

    Parameters
    ----------
    limited
        The boost step, with the cells whose air must not rise.
    setup
        The setup of the boost grid.
    current
        What the fuel table takes away already; None is nothing. [% of fuel quantity]

    Returns
    -------
    LessFuel
        None where there is nothing to take away: a grid that acts on fuel, a spark engine, or no
        cell that is short of air.
    """
    if setup.correction.acts_on == "fuel" or setup.engine.ignition == "spark":
        return None
    own = fuel_setup(setup)
    held = Grid.zeros(setup.axes) if current is None else current
    made = limit_step(_asked(limited, own), current=held, setup=own)
    return LessFuel(own, held, made) if (made.step_pct != 0).any() else None


def fuel_setup(setup: Setup) -> Setup:
    """Return the setup as it holds for a fuel grid beside a boost grid.

    Parameters
    ----------
    setup
        The setup of the boost grid. Its gain is the boost's, which may follow the engine's answer
        to boost: fuel acts on lambda one to one. Fuel does not set the boost, so that a ceiling on
        boost asks for no step back of the fuel.
    """
    ceilings = {name: one for name, one in setup.limits.ceilings.items() if name != "boost"}
    return replace(
        setup,
        correction=replace(setup.correction, acts_on="fuel", gain=1.0),
        limits=replace(setup.limits, ceilings=ceilings),
    )


def _asked(limited: LimitedStep, own: Setup) -> pd.DataFrame:
    """Return the cells after the boost step, with the fuel that those short of air ask for.

    A cell that asks for less fuel without being short of air gets its air in this step or a later
    one: it is held as a cell without evidence is, and does not make way for another either.
    """
    raw = propose_raw(
        after_air(limited.source, limited.step_pct),
        target_kind=own.target.kind,
        correction=own.correction,
        floor_margin_pct=own.floor_margin_pct,
    )
    asked = np.minimum(raw["raw_pct"].to_numpy(dtype=float), 0.0)
    is_open = (limited.needs_less_fuel_pct > 0) | _is_past_hard(raw, own)
    is_held = (asked < 0) & ~is_open
    return raw.assign(
        raw_pct=np.where(is_open, asked, 0.0),
        confidence=np.where(is_held, "none", raw["confidence"].astype(str)),
    )


def _is_past_hard(cells: pd.DataFrame, own: Setup) -> Flags:
    """Cells with a reading past a hard ceiling, whose fuel steps back."""
    past = np.zeros(len(cells), dtype=bool)
    for name, top in read_tops(cells, own.limits).items():
        hard = own.limits.ceilings[name].hard
        past |= top > (np.inf if hard is None else hard)
    return past


def after_air(cells: pd.DataFrame, step_pct: Floats) -> pd.DataFrame:
    """Return the cells as a boost step leaves them: leaner by the air that it adds.

    Parameters
    ----------
    cells
        In cell order.
    step_pct
        The boost step, shape (cells,). [%]
    """
    step = np.nan_to_num(np.asarray(step_pct, dtype=float))
    moved = {
        name: compose_pct(cells[name].to_numpy(dtype=float), step)
        for name in FOLLOWS_AIR
        if name in cells
    }
    if "lambda_measured" in cells:
        moved["lambda_measured"] = cells["lambda_measured"].to_numpy(dtype=float) * (
            1.0 + step / 100.0
        )
    return cells.assign(**moved)
