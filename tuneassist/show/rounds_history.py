"""Screen of a tune's history, and the rules that were broken knowingly, in words."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from tuneassist.loop.history import TuneState
from tuneassist.loop.steps_taken import StepTaken
from tuneassist.show.display import counted, dim, plain, title
from tuneassist.show.log_summary import bullets


def history_screen(steps: Sequence[StepTaken], *, folder: Path) -> RenderableType:
    """Return every step with its time, what was done, reasons, and what was loaded then.

    Parameters
    ----------
    steps
        Oldest first.
    folder
        The tune's folder.
    """
    table = Table(box=None, padding=(0, 1), header_style="bold")
    table.add_column("step", justify="right", no_wrap=True)
    table.add_column("time (UTC)", no_wrap=True)
    table.add_column("done")
    table.add_column("controller holds", no_wrap=True)
    for one in steps:
        mark = " (undone)" if one.is_undone else ""
        waits = f"; {one.to_load} waits" if one.to_load else ""
        style = "dim" if one.is_undone else ""
        table.add_row(
            str(one.number), plain(one.time[:16].replace("T", " ")),
            Text(f"{plain(one.what)}{mark}{waits}"), plain(one.controller_holds), style=style,
        )  # fmt: skip
    parts: list[RenderableType] = [dim(f"{plain(folder)}: {counted(len(steps), 'step')}"), table]
    if reasons := [_reason_words(one) for one in steps if one.reason or one.breaches]:
        parts += [title("Reasons, and rules that were broken"), bullets(reasons)]
    return Group(*parts)


def _reason_words(one: StepTaken) -> str:
    why = f'reason: "{one.reason}". ' if one.reason else ""
    return f"Step {one.number}, {one.what}: {why}{' '.join(map(_sentence, one.breaches))}"


def broken_rules(state: TuneState, *, by: str = "") -> tuple[str, ...]:
    """Return the rules that were broken knowingly by what was loaded or set up, in sentences.

    Parameters
    ----------
    state
        The state of the tune.
    by
        Name of the grid or setup that is asked for; empty for all.
    """
    words = []
    for one in state.grids:
        if by not in ("", one.name):
            continue
        if one.breaches and one.name in (*state.loaded, state.to_load):
            place = "" if one.name in (state.current, state.to_load) else ", not loaded any more"
            rules = " ".join(map(_sentence, one.breaches))
            words.append(f'{one.name}/grid.csv{place}, despite: "{one.despite}". {rules}')
    for change in state.setups:
        if change.breaches and by in ("", change.name):
            rules = " ".join(map(_sentence, change.breaches))
            words.append(f"{change.name} ({change.source}), by the grid loaded then: {rules}")
    return tuple(words)


def _sentence(words: str) -> str:
    return f"{words.rstrip('.')}."
