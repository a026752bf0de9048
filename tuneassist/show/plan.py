"""The screen of a plan: the holds in order, the expected result and the cautions."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from tuneassist.loop.plan import Plan
from tuneassist.settings import Setup
from tuneassist.show.display import Display, counted, dim, plain, title
from tuneassist.show.log_summary import notes_section
from tuneassist.show.proposal import caution_of, header
from tuneassist.show.verdict import opening


def plan_screen(
    plan: Plan, *, setup: Setup, display: Display, is_simulated: bool = False
) -> RenderableType:
    """Return the whole screen.

    Parameters
    ----------
    plan
        The holds in order.
    setup
        Label, axes and ignition.
    display
        Width and marks.
    is_simulated
        Whether the evidence is simulated.
    """
    sign = "+-" if display.is_ascii else "±"
    return Group(
        *_opening(plan),
        header(setup, "what to hold next", is_simulated=is_simulated),
        title("What to hold next, in this order"),
        _holds_table(plan, setup, display),
        dim(f"  near: holds in the cell or next to it so far; now, then: known to {sign} this"),
        notes_section(plan.notes, first=(caution_of(setup),)),
    )


def _opening(plan: Plan) -> tuple[RenderableType, ...]:
    if plan.holds.empty and plan.sweeps.empty:
        return opening("CHECK", "No hold would help in this time: see the notes.")
    reason = f"{step_words(plan)} in {clock(plan.total_s)} on a warm engine: {_gain_words(plan)}."
    return opening("GO ON", reason, "Hold them in this order and log all of it.")


def step_words(plan: Plan) -> str:
    """Count the holds, and the sweeps ahead of them where there are any."""
    holds = counted(len(plan.holds), "hold")
    return holds if plan.sweeps.empty else f"{counted(len(plan.sweeps), 'sweep')}, then {holds}"


def written_lines(paths: Sequence[Path]) -> tuple[RenderableType, ...]:
    """List the other files written, one per line."""
    lines = [Text(f"  {plain(path)}", overflow="fold") for path in paths]
    return (title("Written"), *lines) if lines else ()


def _gain_words(plan: Plan) -> str:
    return (
        f"the map is known to {plan.doubt_before_pct:.2f} % now and to about "
        f"{plan.doubt_after_pct:.2f} % after (standard error, weighted by driving)"
    )


def _holds_table(plan: Plan, setup: Setup, display: Display) -> Table:
    table = Table(box=None, padding=(0, 1), header_style="bold")
    for name in ("no.", "at", "rpm", plain(setup.axes.load_unit), "hold s", "rest s"):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("load", no_wrap=True)
    for name in ("near", "now %", "then %"):
        table.add_column(name, justify="right", no_wrap=True)
    for row in plan.holds.to_dict("records"):
        table.add_row(
            str(row["number"]),
            clock(row["start_s"]),
            f"{row['rpm']:.0f}",
            f"{row['load']:.4g}",
            f"{row['hold_s']:.0f}",
            f"{row['rest_s']:.0f}" if row["rest_s"] >= 1 else display.no_evidence,
            str(row["band"]),
            f"{row['holds_near']:.0f}",
            f"{row['doubt_pct']:.1f}",
            f"{row['doubt_after_pct']:.1f}",
        )
    return table


def clock(seconds: float) -> str:
    """Format a time as minutes and seconds.

    Examples
    --------
    >>> clock(754.6), clock(3599.7)
    ('12:35', '60:00')
    """
    whole = round(seconds)
    return f"{whole // 60}:{whole % 60:02d}"


def plan_record(plan: Plan, *, setup: Setup, is_simulated: bool) -> dict[str, Any]:
    """Return a plan as plain values, for JSON."""
    return {
        "label": setup.engine.label,
        **({"simulated": True} if is_simulated else {}),
        "total_s": plan.total_s,
        "doubt_before_pct": plan.doubt_before_pct,
        "doubt_after_pct": plan.doubt_after_pct,
        "is_spread": plan.is_spread,
        "holds": plan.holds.to_dict("records"),
        "sweeps": plan.sweeps.to_dict("records"),
        "notes": list(plan.notes),
    }
