"""A column's unit: settled by its values where none is given, and held against both."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tuneassist.channels import CHANNELS, Channel
from tuneassist.errors import LogError
from tuneassist.reading.guard import (
    Mixture,
    check_unit,
    fitting_units,
    judge_by,
    measured,
    setup_line,
)
from tuneassist.reading.log import Floats
from tuneassist.reading.picks import Pick, UnclearError, is_gauge_axis
from tuneassist.settings import Setup
from tuneassist.units import convert, units_of

_FAR_OFF_SHARE = 0.15  # fewer samples than this near the axis: the unit is in doubt
_AT_HOME_SHARE = 0.5  # more than this on the axis in another unit: that is the likely one


def check_values(pick: Pick, numbers: Floats, setup: Setup | None, *, where: str) -> None:
    """Refuse a unit that cannot be what a column's values are in.

    Parameters
    ----------
    pick
        The column, with its unit settled.
    numbers
        Its values, or an even choice of them. [unit as read]
    setup
        The car's setup, for the fuel and the axes.
    where
        File and column, for messages.
    """
    channel = judging_channel(pick, setup.axes.load_unit if setup else (pick.unit or "1"), setup)
    if channel.quantity == "number":
        return
    check_unit(
        numbers, pick.unit or "", channel, mixture_of(setup), where=where, header=pick.heading.text
    )
    if setup is not None:
        _check_axis(pick, numbers, channel, setup, where=where)


def judging_channel(pick: Pick, load_unit: str, setup: Setup | None) -> Channel:
    """Return the channel whose ranges hold for the column as logged, gauge or absolute."""
    if not pick.shift:
        return judge_by(pick.channel, load_unit, is_gauge_axis(setup))
    if pick.channel == "load":
        return judge_by("load", load_unit, pick.shift > 0)
    as_logged = CHANNELS["boost" if pick.shift > 0 else "manifold_pressure"]
    return replace(as_logged, name=pick.channel)


def mixture_of(setup: Setup | None) -> Mixture:
    """Return what the guard must know of the setup's fuel; petrol without one."""
    if setup is None:
        return Mixture()
    return Mixture(setup.engine.afr_stoich, setup.engine.ignition == "spark")


def settle_unit(
    pick: Pick,
    numbers: Floats,
    channel: Channel,
    mixture: Mixture,
    setup: Setup | None,
    *,
    where: str,
) -> tuple[Pick, list[str]]:
    """Give a column without a unit the only one that its values allow, and say so."""
    if pick.unit is not None:
        return pick, []
    kept = measured(numbers, channel.plausible)
    inside = channel.unit
    if not len(kept) or ((kept == 0).all() and channel.quantity != "temperature"):
        return replace(pick, unit=inside, unit_how="inside"), []
    fitting, by = fitting_units(kept, channel, mixture), ""
    if len(fitting) > 1 and pick.channel in ("rpm", "load") and setup is not None:
        at_home = [u for u in fitting if _axis_share(kept, u, channel, setup) > _AT_HOME_SHARE]
        fitting, by = (tuple(at_home), " on the table's axis") if at_home else (fitting, "")
    if len(fitting) == 1:
        note = (
            f"Column {pick.heading.text!r} has no unit; its values can only be "
            f"{pick.channel.replace('_', ' ')} in {fitting[0]}{by}."
        )
        return replace(pick, unit=fitting[0], unit_how="values"), [note]
    low, high = (float(q) for q in np.quantile(kept, [0.1, 0.95]))
    choice = fitting or units_of(channel.quantity)
    doubt = "could be" if fitting else "fit none of"
    raise UnclearError(
        f"no unit is given, and values between {low:g} and {high:g} {doubt} {', '.join(choice)}.",
        where=where,
        mend="Under [channels] write: "
        f"{setup_line(pick.channel, pick.heading.text, choice[0])}, with the right unit.",
    )


def _axis_share(
    numbers: Floats, unit: str, channel: Channel, setup: Setup, slack: float = 1.0
) -> float:
    """Share of the values that lie on the setup's axis when read in this unit."""
    is_rpm = channel.name == "rpm"
    points = setup.axes.rpm if is_rpm else setup.axes.load
    values = convert(numbers, unit, "rpm" if is_rpm else setup.axes.load_unit)
    low, high = float(points[0]), float(points[-1])
    low, high = min(low * slack, low / slack), max(high * slack, high / slack)
    return float(np.mean((values >= low) & (values <= high))) if len(values) else 1.0


def _check_axis(pick: Pick, numbers: Floats, channel: Channel, setup: Setup, *, where: str) -> None:
    """Refuse a unit that puts the log beside the table while another puts it on the table."""
    if pick.channel not in ("rpm", "load") or pick.shift or pick.unit is None:
        return
    kept = measured(numbers, channel.plausible)
    near = _axis_share(kept, pick.unit, channel, setup, slack=0.8)
    if near >= _FAR_OFF_SHARE:
        return
    likely = [
        unit
        for unit in fitting_units(kept, channel, mixture_of(setup))
        if unit != pick.unit and _axis_share(kept, unit, channel, setup) >= _AT_HOME_SHARE
    ]
    if likely:
        low, high = (float(q) for q in np.quantile(kept, [0.1, 0.95]))
        raise LogError(
            f"values between {low:g} and {high:g} {pick.unit} lie beside the table's "
            f"{pick.channel} axis; they look like {' or '.join(likely)}.",
            where=where,
            mend="If so, write under [channels]: "
            f"{setup_line(pick.channel, pick.heading.text, likely[0])}.",
        )
