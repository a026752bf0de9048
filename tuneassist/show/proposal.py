"""The screen of a proposal: evidence, proposed step, limits that held it back, next steps."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pandas as pd
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from tuneassist.correction import UnsafeHeld
from tuneassist.loop.history_changes import FUEL_FILE
from tuneassist.one_log import is_by_hand
from tuneassist.pipeline import Evidence, Proposal
from tuneassist.reading import Log
from tuneassist.settings import Setup
from tuneassist.show.boost import boost_section, fuel_words, less_fuel_section, written_fuel
from tuneassist.show.boost_picture import boost_unit
from tuneassist.show.cautions import short_caution
from tuneassist.show.cell_grid import axis_words, picture_grid
from tuneassist.show.cell_picture import (
    ROUNDING,
    deviation_picture,
    step_picture,
)
from tuneassist.show.display import Display, counted, dim, plain, title
from tuneassist.show.labels import outcome_words, rule_words, step_words
from tuneassist.show.log_summary import (
    bullets,
    moving_used,
    notes_section,
    sample_shares_table,
)
from tuneassist.show.map_legend import deviation_legend, step_legend
from tuneassist.show.notes import (
    EXAMPLES,
    first_reason,
    held_by_rule,
    in_brief,
    logs_words,
    most_affected,
    proposal_notes,
    unsafe_words,
)

CHECK_STEP = "Check step.csv against what you know of this engine; cells.csv explains each cell."
"""First step before a grid is typed in."""
ZEROS_ASSUMED = (
    "If the controller already holds corrections, do not type grid.csv in: it was made from all "
    "zeros and would erase them. Propose again with --grid set to what the controller holds."
)
"""Warning where no grid in force was given."""


def proposal_screen(
    proposal: Proposal,
    *,
    logs: Sequence[Log],
    in_force: str,
    display: Display,
    is_simulated: bool = False,
    between: Sequence[RenderableType] = (),
) -> RenderableType:
    """Return maps, limits, samples and notes; the verdict comes before them.

    Parameters
    ----------
    proposal
        The proposal.
    logs
        The logs as read, for their notes.
    in_force
        Which grid was assumed in the controller, as text.
    display
        Width and marks.
    is_simulated
        Whether the logs are marked as simulated; shown beside the label.
    between
        What comes after the limits and before the samples.
    """
    setup = proposal.setup
    return Group(
        header(setup, _header_words(proposal), is_simulated=is_simulated),
        Text(f"grid in force: {plain(in_force)}"),
        deviation_section(proposal.cells, setup, display),
        step_section(proposal, display),
        boost_section(proposal, boost_unit(setup, logs), display),
        limits_section(proposal.limited.binding, setup),
        less_fuel_section(proposal, display),
        *between,
        *_samples_section(proposal.evidence, display),
        notes_section(
            proposal_notes(proposal, logs),
            first=(*unsafe_notes(proposal.unsafe_held, setup), caution_of(setup)),
        ),
    )


def _samples_section(evidence: Evidence, display: Display) -> tuple[RenderableType, ...]:
    """Return where the samples of the logs went; nothing where no log was read."""
    if all(is_by_hand(log) for log in evidence.logs):
        return ()
    return (
        title("Where the samples went"),
        sample_shares_table(sample_fates(evidence), display),
        moving_used(),
    )


def sample_fates(evidence: Evidence) -> pd.Series:
    """Return samples of the logs by what became of them; a value found by hand is no sample."""
    logged = [log.fates for log in evidence.logs if not is_by_hand(log)]
    return pd.concat(logged or [log.fates for log in evidence.logs], axis=1).sum(axis=1).astype(int)


def header(setup: Setup, words: str, *, is_simulated: bool) -> RenderableType:
    """Return the car's label, what the grid acts on, and whether the data are simulated."""
    first = Text(plain(setup.engine.label) or "car without a label", style="bold")
    if is_simulated:
        first.append("   ").append(" SIMULATED DATA ", style="bold reverse")
    kind = "spark ignition" if setup.engine.ignition == "spark" else "compression ignition"
    acts = "the grid corrects fuel"
    if setup.correction.acts_on == "boost":
        acts = "the grid corrects absolute manifold pressure"
    return Group(first, dim(f"{kind}, {acts}; {words}"))


def _header_words(proposal: Proposal) -> str:
    evidence = proposal.evidence
    spots = [log for log in evidence.logs if is_by_hand(log)]
    samples = sum(log.samples for log in evidence.logs) - sum(log.samples for log in spots)
    holds = len(evidence.holds) - sum(len(log.holds) for log in spots)
    found = [f"{counted(sum(log.samples for log in spots), 'spot')} found by hand"] * bool(spots)
    if len(spots) < len(evidence.logs) or evidence.unusable:
        found.append(
            f"{logs_words(evidence)}, {counted(samples, 'sample')}, {counted(holds, 'hold')}"
        )
    return "; ".join(found)


def deviation_section(cells: pd.DataFrame, setup: Setup, display: Display) -> RenderableType:
    """Return deviation and confidence by rpm and load, with the legend."""
    is_floor = setup.target.kind == "floor"
    heading = (
        "How far lambda is from target" if not is_floor else "How far lambda is from its floor"
    )
    picture = deviation_picture(cells, setup)
    return Group(
        title(f"{heading}, percent: + leaner, - richer"),
        dim(axis_words(setup.axes)),
        picture_grid(picture, display),
        legend_lines(deviation_legend(picture, setup, display)),
    )


def legend_lines(words: str) -> RenderableType:
    """Return a legend as dimmed lines; nothing where there is nothing to explain."""
    return dim(words) if words else Group()


def step_section(proposal: Proposal, display: Display) -> RenderableType:
    """Return the steps by rpm and load, with a mark where a rule held one back."""
    setup = proposal.setup
    picture = step_picture(proposal.cells, proposal.limited.binding, setup)
    return Group(
        title(f"Proposed step, {step_words(setup)}"),
        dim(axis_words(setup.axes)),
        picture_grid(picture, display),
        legend_lines(step_legend(picture, display)),
    )


def limits_section(binding: pd.DataFrame, setup: Setup) -> RenderableType:
    """Return what was held back and why, by rule, the rounding last."""
    real = binding[binding["rule"] != ROUNDING]
    heading = title("What was limited, and why")
    rounded = int((binding["rule"] == ROUNDING).sum())
    last = dim(
        f"  {counted(rounded, 'step')} rounded toward no change to the controller's resolution "
        f"({setup.limits.resolution_pct:g} %)."
    )
    if real.empty:
        return Group(heading, Text("  No rule held a step back."), last)
    table = Table.grid(padding=(0, 2, 0, 0))
    table.add_column(justify="right", no_wrap=True)
    table.add_column(overflow="fold")
    for rule, group in held_by_rule(real):
        table.add_row(f"  {counted(len(group), 'cell')}", Text(rule_words(rule), "bold"))
        for line in _examples(group, setup):
            table.add_row("", Text(plain(line)))
    return Group(heading, table, last)


def _examples(group: pd.DataFrame, setup: Setup) -> tuple[str, str]:
    """Name the most affected cells, and why the first of them was held back."""
    cells = most_affected(group, setup)
    more = f"; and {len(group) - EXAMPLES} more" if len(group) > EXAMPLES else ""
    why = in_brief(first_reason(group).removeprefix("held by "))
    whose = "Reason" if len(group) == 1 else "Reason for the first"
    return f"{'; '.join(cells)}{more}", f"{whose}: {why}"


def unsafe_notes(held: Sequence[UnsafeHeld], setup: Setup) -> tuple[str, ...]:
    """Return the sentence on unsafe steps held back; nothing if there are none."""
    words = unsafe_words(held, setup)
    return (words,) if words else ()


def caution_of(setup: Setup) -> str:
    """Return the safe way in a sentence, and where to find all cautions."""
    return short_caution(setup.engine.ignition, setup.correction.acts_on)


def written_screen(
    folder: Path,
    *,
    setup: Setup,
    has_step: bool,
    has_grid: bool,
    takes_fuel: bool = False,
) -> RenderableType:
    """Show where the files are, and what the verdict's next step leaves to say."""
    shown = plain(folder)
    fuel = (written_fuel(folder, has_step=has_step),) if takes_fuel else ()
    steps: tuple[str, ...]
    if not has_step and takes_fuel:
        steps = (*fuel, "Log again and propose with the same --grid.")
    elif not has_step:
        steps = ()
    else:
        steps = (
            *(() if has_grid else (ZEROS_ASSUMED,)),
            f"grid.csv is the whole grid of {_kind(setup)} corrections, not an addition to the one "
            "in force. cells.csv explains each cell.",
            *fuel,
            "Once it is loaded, log again and propose with --grid on that grid.csv.",
        )
    return Group(
        title("Written"),
        Text(
            f"  {shown}: step.csv, grid.csv, cells.csv, proposal.json"
            f"{f', {FUEL_FILE}' if takes_fuel else ''}",
            overflow="fold",
        ),
        also_section(steps),
    )


def also_section(steps: Sequence[str], heading: str = "Also") -> RenderableType:
    """Return what goes with the next step, which the verdict names; nothing if there is none."""
    return Group(title(heading), bullets(steps)) if steps else Group()


def _kind(setup: Setup) -> str:
    return "fuel" if setup.correction.acts_on == "fuel" else "air pressure"


def short_words(proposal: Proposal, folder: Path, *, has_grid: bool) -> str:
    """Return the one line of a quiet run."""
    moved = int((proposal.cells["step_pct"] != 0).sum())
    zeros = "" if has_grid else "; no --grid was given, the grid in force was taken as all zeros"
    return (
        f"{plain(folder)}: {counted(moved, 'cell')} of {len(proposal.cells)} changed"
        f"{fuel_words(proposal)}{zeros}"
    )


def outcome_shares(outcomes: pd.Series) -> dict[str, dict[str, object]]:
    """Return samples, share and label per outcome, for JSON."""
    total = max(int(outcomes.sum()), 1)
    return {
        str(outcome): {
            "samples": int(count),
            "share": round(int(count) / total, 6),
            "words": outcome_words(str(outcome)),
        }
        for outcome, count in outcomes.items()
    }
