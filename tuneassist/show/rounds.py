"""Screens of the tune loop: a round with the engine's answer, the status, and one-line steps."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from tuneassist.correction import UnsafeHeld
from tuneassist.loop.advice import Advice, RoundSummary
from tuneassist.loop.history import ANSWERS, REASSESSED_ANSWERS, START, Event, RoundEntry, TuneState
from tuneassist.loop.response import Response
from tuneassist.pipeline import Proposal
from tuneassist.reading import Log
from tuneassist.settings import Setup
from tuneassist.show.look import Look, counted, dim, plain, title
from tuneassist.show.notes import logs_words, proposal_notes
from tuneassist.show.proposal import header, proposal_screen, unsafe_section
from tuneassist.show.samples import bullets, doubts, shares_table

_ADVICE_WORDS = {"continue": "GO ON", "finished": "FINISHED", "halt": "HALT"}
_CHECK_WORDS = {"hard": "STOP", "ceiling": "CHECK", "held": "CHECK"}


def verdict_word(advice: Advice) -> str:
    """Return the one word: what was exceeded overrides everything but a halt."""
    if advice.word == "halt" or not advice.check:
        return _ADVICE_WORDS[advice.word]
    return _CHECK_WORDS[advice.check]


def started_screen(folder: Path, *, setup: Setup, has_grid: bool) -> RenderableType:
    """Say that a tune was started and what comes next."""
    label = plain(setup.engine.label) or "car without a label"
    held = "the grid given" if has_grid else "all zeros"
    return Group(
        Text(f"{label}: tune started in {plain(folder)}"),
        Text(f"The controller holds {held} now, kept as {START}-grid.csv."),
        title("Next"),
        bullets((f"Log, then: tuneassist rounds add {plain(folder)} LOG...",)),
    )


def round_screen(
    proposal: Proposal,
    response: Response,
    *,
    number: int,
    in_force: str,
    advice: Advice,
    logs: Sequence[Log],
    folder: Path,
    look: Look,
    is_simulated: bool,
) -> RenderableType:
    """Return the screen of a round: the engine's answer, then the proposal, if there is one.

    Parameters
    ----------
    proposal
        With the logs and holds of this round.
    response
        How the engine answered the last change.
    number
        Of the round.
    in_force
        File of the grid that the controller held.
    advice
        Whether to go on.
    logs
        The logs as read, for their notes.
    folder
        Where the round was written.
    look
        Width and marks.
    is_simulated
        Whether the logs say so.
    """
    answer = response_section(response, number)
    evidence = proposal.evidence
    if response.is_halt:
        words = f"{logs_words(evidence)}, {counted(len(evidence.holds), 'hold')}"
        return Group(
            header(proposal.setup, words, is_simulated=is_simulated),
            answer,
            title("Where the samples went"),
            shares_table(evidence.fates, look),
            doubts([note for note in proposal_notes(proposal, logs) if response.why not in note]),
            advice_section(Advice("halt", "Nothing is proposed until you say what you found.")),
            _written(folder, "step.csv is all zeros, grid.csv is the grid in force"),
            _next(halted_steps(folder.parent)),
        )
    return Group(
        proposal_screen(
            proposal, logs=logs, in_force=in_force, look=look, is_simulated=is_simulated
        ),
        answer,
        advice_section(advice),
        _written(folder, "step.csv, grid.csv, cells.csv, proposal.json, and the evidence"),
        _next(
            (
                *cause_first(advice),
                *pending_steps(
                    folder,
                    has_step=bool((proposal.limited.step_pct != 0).any()),
                    is_finished=advice.word == "finished",
                ),
            )
        ),
    )


def response_section(response: Response, number: int) -> RenderableType:
    """Return what the engine did with the last change."""
    parts: list[RenderableType] = [
        title(f"Round {number}: the engine's answer to the last change"),
        bullets((f"{response.verdict}: {response.why}",), mark="!" if response.is_halt else "-"),
    ]
    if math.isfinite(response.response) and len(response.regions):
        table = Table(box=None, padding=(0, 1), header_style="bold")
        table.add_column("where")
        for name in ("holds", "change", "answer", "95 % interval"):
            table.add_column(name, justify="right", no_wrap=True)
        for row in response.regions.to_dict("records"):
            table.add_row(
                str(row["region"]),
                f"{row['holds']}",
                f"{row['change_pct']:.1f} %",
                f"{row['response']:.2f}",
                f"{row['low']:.2f} to {row['high']:.2f}",
            )
        parts.append(table)
    return Group(*parts)


def advice_section(advice: Advice) -> RenderableType:
    """Return whether to go on, and why."""
    line = Text("\n")
    word = verdict_word(advice)
    line.append(f" {word} ", style="bold" if word == "GO ON" else "bold reverse")
    return Group(line, bullets((advice.why,), mark=" "))


def _written(folder: Path, what: str) -> RenderableType:
    return Group(title("Written"), Text(f"  {plain(folder)}: {what}", overflow="fold"))


def _next(steps: Sequence[str]) -> RenderableType:
    return Group(title("Next"), bullets(steps))


def cause_first(advice: Advice | None) -> tuple[str, ...]:
    """Say what comes before any grid where a limit was exceeded."""
    if advice is None or advice.check not in ("hard", "ceiling"):
        return ()
    return (
        "Find the cause of what was exceeded first, and keep out of those cells. The step there "
        "goes the safe way only.",
    )


def pending_steps(
    folder: Path, *, has_step: bool = True, is_finished: bool = False
) -> tuple[str, ...]:
    """Say what a proposal waits for.

    Parameters
    ----------
    folder
        The round's folder.
    has_step
        Whether any cell changes.
    is_finished
        Whether the advice is to stop.
    """
    tune = plain(folder.parent)
    if not has_step:
        return (
            "Nothing to type in: no cell changes, and the controller keeps the grid that it holds.",
            "To log once more, close this round first (the grid is the same): tuneassist rounds "
            f"accept {tune}",
        )
    if is_finished:
        return (
            "Nothing need be loaded any more. To leave the last small step out: tuneassist rounds "
            f"reject {tune}",
            f"To load it all the same: type {plain(folder / 'grid.csv')} into the controller, it "
            f"is the whole grid. Then: tuneassist rounds accept {tune}",
        )
    return (
        "Read step.csv against what you know of this engine; cells.csv says why, cell by cell.",
        f"Type {plain(folder / 'grid.csv')} into the controller: it is the whole grid. Then: "
        f"tuneassist rounds accept {tune}",
        f"Not loaded? Then: tuneassist rounds reject {tune}",
    )


def halted_steps(tune: Path) -> tuple[str, ...]:
    """Say how a halted loop goes on."""
    again = "; the round is judged again"
    words = [
        f"{answer}: {meaning}{again if answer in REASSESSED_ANSWERS else ''}"
        for answer, meaning in ANSWERS.items()
    ]
    return (
        f"Look at the engine first. Then say what you found: tuneassist rounds found "
        f"{plain(tune)} ANSWER, where ANSWER is one of",
        *words,
        f"Added by mistake? tuneassist rounds undo {plain(tune)}",
    )


def next_steps(
    state: TuneState, folder: Path, advice: Advice | None = None, *, has_step: bool = True
) -> tuple[str, ...]:
    """Say what to do now.

    Parameters
    ----------
    state
        Of the tune.
    folder
        The tune's.
    advice
        After the last round, where there is one.
    has_step
        Whether the last proposal changes any cell.
    """
    if state.is_halted:
        return halted_steps(folder)
    if state.is_pending:
        steps = pending_steps(
            folder / state.rounds[-1].name,
            has_step=has_step,
            is_finished=advice is not None and advice.word == "finished",
        )
        return (*cause_first(advice), *steps)
    log = (
        f"Log with what the controller holds now ({grid_name(state.current)}), then: "
        f"tuneassist rounds add {plain(folder)} LOG..."
    )
    log_steps = (*cause_first(advice), log)
    if advice is not None and advice.word == "finished" and not advice.check:
        return (f"Nothing, or to make sure: {log[0].lower()}{log[1:]}",)
    return log_steps


def grid_name(name: str) -> str:
    """Name the file in a tune's folder that holds a grid: "start", or a round's name."""
    return f"{START}-grid.csv" if name == START else f"{name}/grid.csv"


def step_screen(
    state: TuneState,
    kind: str,
    *,
    folder: Path,
    took_back: Event | None = None,
    was_held: str = "",
    advice: Advice | None = None,
    has_step: bool = True,
) -> RenderableType:
    """Say in a line what a step did, and what comes next.

    Parameters
    ----------
    state
        The state after it.
    kind
        What was done.
    folder
        The tune's folder.
    took_back
        For ``undo``: the event that no longer counts.
    was_held
        For ``undo``: name of the grid that the loop counted on before.
    advice, has_step
        Whether to go on, and whether any cell changes, where a proposal waits.
    """
    held = grid_name(state.current)
    words = {
        "accept": f"Accepted: the controller holds {held} now.",
        "reject": f"Rejected: the controller still holds {held}. The evidence counts.",
        "undo": f"Taken back: {took_back.kind if took_back else 'nothing'}. Nothing was deleted.",
        "found": "Noted. This round does not count; it is kept under kept/. Log again: the "
        f"controller holds {held}.",
    }
    told: list[RenderableType] = [Text(words[kind])]
    steps = next_steps(state, folder, advice, has_step=has_step)
    if kind == "undo" and took_back is not None:
        told.append(Text(_back_words(took_back, folder)))
        if was_held not in ("", state.current):
            steps = (_load_words(state.current, was_held), *steps)
    return Group(*told, _next(steps))


def _load_words(name: str, was_held: str) -> str:
    """Say that the loop's belief has changed, and the controller has not."""
    return (
        f"Undo changes nothing in the controller. The loop counts on {grid_name(name)} again: "
        f"where {grid_name(was_held)} was loaded, load {grid_name(name)} before the next log."
    )


def _back_words(event: Event, folder: Path) -> str:
    """Say how a step that was taken back is done again."""
    rest = f" {event.details.get('answer', '')}" if event.kind == "found" else ""
    if event.kind == "add":
        logs = event.details.get("logs", ())
        rest = "".join(f" {plain(str(log['name']).rpartition('/')[2])}" for log in logs)
    return f"To bring it back: tuneassist rounds {event.kind} {plain(folder)}{rest}"


def status_screen(
    state: TuneState,
    looks: Sequence[RoundSummary],
    advice: Advice,
    *,
    setup: Setup,
    folder: Path,
    look: Look,
    has_step: bool = True,
    held: Sequence[UnsafeHeld] = (),
) -> RenderableType:
    """Return every round, what was found after halts, and what to do next.

    Parameters
    ----------
    state
        What follows from the history.
    looks
        One per round that stands.
    advice
        Whether to go on.
    setup
        For the label.
    folder
        The tune's folder.
    look
        Width and marks.
    has_step
        Whether any cell changes, where a proposal waits.
    held
        What asked the unsafe way in the last round and was held.
    """
    label = plain(setup.engine.label) or "car without a label"
    parts: list[RenderableType] = [
        Text(label, style="bold"),
        dim(f"{plain(folder)}: {counted(len(looks), 'round')}"),
        _grids_table(state),
    ]
    if looks:
        parts += [title("Rounds"), _rounds_table(state, looks, look), dim(_LEGEND)]
    if state.answers:
        told = tuple(
            f"round {one.number} ({one.verdict}): {one.answer}, {ANSWERS[one.answer]}"
            for one in state.answers
        )
        parts += [title("What was found after halts"), bullets(told)]
    parts += [advice_section(advice), unsafe_section(held, setup)]
    parts.append(_next(next_steps(state, folder, advice, has_step=has_step)))
    return Group(*parts)


_LEGEND = (
    "Seen: cells that the rounds so far tell about. Inside: within 1 % of target under the grid in "
    "force. Answer: measured over expected change, 1 is as it should be."
)


def _grids_table(state: TuneState) -> Table:
    """Tell apart what is in the controller, what is proposed, and what was rejected."""
    table = Table(box=None, padding=(0, 1), show_header=False)
    table.add_row("the controller holds", f"{grid_name(state.current)}, by what you said")
    for name in state.rounds_with_outcome("proposed"):
        table.add_row("proposed", f"{grid_name(name)}, not loaded yet")
    if rejected := state.rounds_with_outcome("rejected"):
        table.add_row("rejected", f"{', '.join(rejected)}: do not load")
    return table


def _rounds_table(state: TuneState, looks: Sequence[RoundSummary], look: Look) -> Table:
    table = Table(box=None, padding=(0, 1), header_style="bold")
    table.add_column("round", justify="right", no_wrap=True)
    table.add_column("in force", no_wrap=True)
    for name in ("seen", "inside", "rms"):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("answer (95 %)", no_wrap=True)
    table.add_column("then")
    for mark, one in zip(state.rounds, looks, strict=True):
        table.add_row(
            str(one.number),
            mark.in_force,
            str(one.cells_seen),
            str(one.cells_inside),
            "" if one.rms_pct is None else f"{one.rms_pct:.2f} %",
            _answer_words(one, look),
            _then_words(mark, state),
        )
    return table


def _answer_words(one: RoundSummary, look: Look) -> str:
    if one.response is None or one.response_low is None or one.response_high is None:
        return look.nothing
    return f"{one.response:.2f} ({one.response_low:.2f} to {one.response_high:.2f})"


def _then_words(mark: RoundEntry, state: TuneState) -> str:
    word = state.outcome(mark)
    if word == "halted":
        return f"HALTED: {mark.verdict}"
    if word == "proposed":
        return "proposed, not loaded"
    return word if mark.is_evidence else f"{word}; no evidence since"
