"""Screens of the tune loop: a round with the engine's response, the status, one-line steps."""

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
from tuneassist.loop.history_changes import FUEL_FILE
from tuneassist.loop.response import Response
from tuneassist.loop.verdict import Verdict
from tuneassist.pipeline import Proposal
from tuneassist.reading import Log
from tuneassist.settings import Setup
from tuneassist.show.display import Display, counted, dim, plain, title
from tuneassist.show.log_summary import bullets, notes_section, sample_shares_table
from tuneassist.show.notes import logs_words, proposal_notes
from tuneassist.show.proposal import (
    CHECK_STEP,
    also_section,
    header,
    proposal_screen,
    sample_fates,
    unsafe_notes,
)
from tuneassist.show.rounds_history import broken_rules
from tuneassist.show.verdict import unsaid, verdict_line


def started_screen(folder: Path, *, setup: Setup, has_grid: bool) -> RenderableType:
    """Show that a tune was started and what comes next."""
    label = plain(setup.engine.label) or "car without a label"
    held = "the grid given" if has_grid else "all zeros"
    return Group(
        Text(f"{label}: tune started in {plain(folder)}"),
        Text(f"The controller now holds {held}, saved as {START}-grid.csv."),
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
    display: Display,
    is_simulated: bool,
    verdict: Verdict | None = None,
) -> RenderableType:
    """Return the screen of a round: the engine's response and, without a halt, the proposal.

    Parameters
    ----------
    proposal
        With the logs and holds of this round.
    response
        How the engine responded to the last change.
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
    display
        Width and marks.
    is_simulated
        Whether the logs are marked as simulated.
    verdict
        What the screen opens with, which is not said again; None for nothing.
    """
    section = response_section(response, number, verdict)
    if response.is_halt:
        notes = [note for note in proposal_notes(proposal, logs) if response.why not in note]
        evidence = _halted_evidence(proposal, notes, display, is_simulated=is_simulated)
        return Group(*evidence[:1], section, *evidence[1:], *_halted_end(folder))
    screen = proposal_screen(
        proposal, logs=logs, in_force=in_force, display=display, is_simulated=is_simulated,
        between=(section,),
    )  # fmt: skip
    has_step = bool((proposal.limited.step_pct != 0).any())
    end = _proposed_end(
        folder, advice, verdict, has_step=has_step, takes_fuel=proposal.fuel is not None
    )
    return Group(screen, *end)


def _halted_evidence(
    proposal: Proposal, notes: Sequence[str], display: Display, *, is_simulated: bool
) -> tuple[RenderableType, ...]:
    """Return header, samples and notes of a halted round, which has no proposal to show."""
    evidence = proposal.evidence
    words = f"{logs_words(evidence)}, {counted(len(evidence.holds), 'hold')}"
    return (
        header(proposal.setup, words, is_simulated=is_simulated),
        title("Where the samples went"),
        sample_shares_table(sample_fates(evidence), display),
        notes_section(notes),
    )


def _halted_end(folder: Path) -> tuple[RenderableType, ...]:
    """Return the end of a halted round: what was written and how to go on."""
    return (
        _written(folder, "step.csv is all zeros, grid.csv is the grid in force"),
        *halted_end(folder.parent),
    )


def halted_end(tune: Path) -> tuple[RenderableType, ...]:
    """Return what a halt can be reported as, below a verdict that names the command."""
    _, *answers, mistake = halted_steps(tune)
    lead = "Nothing is proposed until you report what you found. ANSWER is one of"
    return (title(lead), bullets(answers), Text(), bullets((mistake,)))


def _proposed_end(
    folder: Path, advice: Advice, verdict: Verdict | None, *, has_step: bool, takes_fuel: bool
) -> tuple[RenderableType, ...]:
    """Return the end of a round with a proposal: advice, files and next steps."""
    steps = pending_steps(
        folder,
        has_step=has_step,
        is_finished=advice.word == "finished",
        takes_fuel=takes_fuel,
        is_stopped=is_stopped(advice),
    )
    more = f", {FUEL_FILE}" if takes_fuel else ""
    return (
        advice_section(advice, verdict),
        _written(folder, f"step.csv, grid.csv, cells.csv, proposal.json{more}, and the evidence"),
        also_section(steps_beside((*cause_first(advice), *steps), verdict)),
    )


def response_section(
    response: Response, number: int, verdict: Verdict | None = None
) -> RenderableType:
    """Return how the engine responded to the last change, beyond what the verdict says of it."""
    why = unsaid(f"{response.why}.", verdict).rstrip(".")
    words = f"{response.verdict}: {why}" if why else response.verdict
    parts: list[RenderableType] = [
        title(f"Round {number}: engine response to the last change"),
        bullets((words,), mark="!" if response.is_halt else "-"),
    ]
    if math.isfinite(response.response) and len(response.regions):
        table = Table(box=None, padding=(0, 1), header_style="bold")
        table.add_column("where")
        for name in ("holds", "change", "response", "95 % interval"):
            table.add_column(name, justify="right", no_wrap=True)
        for row in response.regions.to_dict("records"):
            table.add_row(
                str(row["region"]),
                f"{row['holds']}",
                f"{row['change_pct']:.1f} %",
                f"{row['response']:z.2f}",
                f"{row['low']:z.2f} to {row['high']:z.2f}",
            )
        parts.append(table)
    return Group(*parts)


def advice_section(advice: Advice, verdict: Verdict | None = None) -> RenderableType:
    """Return what the verdict at the top leaves to say on how far the tune is."""
    words = unsaid(advice.why, verdict)
    heading = "What to check" if advice.word == "halt" else "How far the tune is"
    return Group(title(heading), bullets((words,), mark=" ")) if words else Group()


def steps_beside(steps: Sequence[str], verdict: Verdict | None) -> tuple[str, ...]:
    """Return the steps that the verdict's action does not name.

    Parameters
    ----------
    steps
        What to do now, such as from `next_steps`.
    verdict
        What the screen opens with; None for nothing.
    """
    if verdict is None:
        return tuple(steps)
    action = verdict.action
    command = action[action.find("tuneassist ") :] if "tuneassist " in action else ""
    return tuple(step for step in steps if not _is_said(step, action, command))


def _is_said(step: str, action: str, command: str) -> bool:
    if step.startswith(CAUSE_FIRST):
        return AVOID_CELLS in action
    is_check = step == CHECK_STEP and "step.csv" in action
    return is_check or (bool(command) and (step.endswith(command) or f"{command}," in step))


def _written(folder: Path, what: str) -> RenderableType:
    return Group(title("Written"), Text(f"  {plain(folder)}: {what}", overflow="fold"))


def _next(steps: Sequence[str]) -> RenderableType:
    return Group(title("Next"), bullets(steps))


def cause_first(advice: Advice | None) -> tuple[str, ...]:
    """Return what to do before loading a grid where a limit was exceeded."""
    if advice is not None and advice.check == "broken":
        return (
            "Load a grid that keeps every rule: accept the next proposal, or bring one back with "
            "`tuneassist rounds restore`.",
        )
    if not is_stopped(advice):
        return ()
    return (f"{CAUSE_FIRST}, and {AVOID_CELLS}. Their steps go the safe way only.",)


def is_stopped(advice: Advice | None) -> bool:
    """Tell whether an exceeded limit has to be explained before anything is loaded."""
    return advice is not None and advice.check in ("hard", "ceiling")


CAUSE_FIRST = "First find the cause of the exceeded limit"
AVOID_CELLS = "keep out of those cells"
"""What the verdict's action says too."""


def pending_steps(
    folder: Path,
    *,
    has_step: bool = True,
    is_finished: bool = False,
    takes_fuel: bool = False,
    is_stopped: bool = False,
) -> tuple[str, ...]:
    """Return the next steps while a proposal is open.

    Parameters
    ----------
    folder
        The round's folder.
    has_step
        Whether any cell changes.
    is_finished
        Whether the advice is to stop.
    takes_fuel
        Whether fuel is to be taken away beside it.
    is_stopped
        Whether the cause of an exceeded limit has to be found before it is loaded.
    """
    tune = plain(folder.parent)
    if takes_fuel:
        return fuel_steps(folder, has_step=has_step, is_stopped=is_stopped)
    if not has_step:
        return (
            "Nothing to type in: no cell changes, and the grid in the controller stays.",
            "To log once more, close this round first (the grid is the same): tuneassist rounds "
            f"accept {tune}",
        )
    if is_finished:
        return (
            "No further step is needed. To skip the last small step: tuneassist rounds "
            f"reject {tune}",
            f"To load it anyway: type {plain(folder / 'grid.csv')} into the controller; it "
            f"is the whole grid. Then: tuneassist rounds accept {tune}",
        )
    return (
        CHECK_STEP,
        f"{_type_in(is_stopped)} {plain(folder / 'grid.csv')} into the controller: it is the whole "
        f"grid. Then: tuneassist rounds accept {tune}",
        f"Not loaded? Then: tuneassist rounds reject {tune}",
    )


def _type_in(is_stopped: bool) -> str:
    return "Only when the cause is found and fixed: type" if is_stopped else "Type"


def fuel_steps(folder: Path, *, has_step: bool, is_stopped: bool = False) -> tuple[str, ...]:
    """Return the next steps while a proposal with fuel to take away is open.

    Parameters
    ----------
    folder
        The round's folder.
    has_step
        Whether any cell of the boost grid changes.
    is_stopped
        Whether the cause of an exceeded limit has to be found before it is loaded.
    """
    tune = plain(folder.parent)
    air = f"{plain(folder / 'grid.csv')} into the boost grid"
    start = _type_in(is_stopped)
    both = f"{start} {air} and {plain(folder / FUEL_FILE)} into the fuel table, together: each is"
    alone = f"{start} {plain(folder / FUEL_FILE)} into the fuel table: it is"
    return (
        CHECK_STEP,
        f"{both if has_step else alone} the whole grid. Then: tuneassist rounds accept {tune}",
        f"Only the boost grid typed in? Then: tuneassist rounds accept {tune} --without-fuel",
        f"Nothing loaded? Then: tuneassist rounds reject {tune}",
        "Log next with what the controller holds then. The answer is judged by both grids, so "
        "that what you report here must be what was typed in.",
    )


def restored_steps(tune: Path, name: str) -> tuple[str, ...]:
    """Return what to do with a grid that was brought back.

    Parameters
    ----------
    tune
        The tune's folder.
    name
        Of the grid.
    """
    return (
        f"Type {plain(tune / name / 'grid.csv')} into the controller: it is the whole grid. Then: "
        f"tuneassist rounds accept {plain(tune)}",
        f"Not loaded? Then: tuneassist rounds reject {plain(tune)}",
    )


def halted_steps(tune: Path) -> tuple[str, ...]:
    """Return how to continue a halted loop."""
    again = "; the round is evaluated again"
    words = [
        f"{answer}: {meaning}{again if answer in REASSESSED_ANSWERS else ''}"
        for answer, meaning in ANSWERS.items()
    ]
    return (
        f"Check the engine first. Then report what you found: tuneassist rounds found "
        f"{plain(tune)} ANSWER, where ANSWER is one of",
        *words,
        f"Added by mistake? tuneassist rounds undo {plain(tune)}",
    )


def next_steps(
    state: TuneState, folder: Path, advice: Advice | None = None, *, has_step: bool = True
) -> tuple[str, ...]:
    """Return what to do now.

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
            takes_fuel=state.fuel_waits,
            is_stopped=is_stopped(advice),
        )
        return (*cause_first(advice), *steps)
    if state.to_load:
        return (*restored_steps(folder, state.to_load), *_fuel_of_restored(state, folder))
    log = (
        f"Log with what the controller holds now ({grid_name(state.current)}), then: "
        f"tuneassist rounds add {plain(folder)} LOG..."
    )
    log_steps = (*cause_first(advice), log)
    if advice is not None and advice.word == "finished" and not advice.check:
        return (f"Nothing is required. To confirm: {log[0].lower()}{log[1:]}",)
    return log_steps


def _fuel_of_restored(state: TuneState, folder: Path) -> tuple[str, ...]:
    """Say what belongs into the fuel table with a boost grid that was brought back."""
    if state.fuel_to_load == state.fuel:
        return ()
    if not state.fuel_to_load:
        return ("The fuel table goes with it: set all that was taken from the fuel back to 0.",)
    path = plain(folder / state.fuel_to_load / FUEL_FILE)
    return (f"The fuel table goes with it: type {path} into it, the whole grid.",)


def grid_name(name: str) -> str:
    """Return the file of a grid in a tune's folder, for "start" or a round's name."""
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
    verdict: Verdict | None = None,
) -> RenderableType:
    """Show in one line what a step did, and what comes next.

    Parameters
    ----------
    state
        The state after it.
    kind
        Kind of step.
    folder
        The tune's folder.
    took_back
        For ``undo``: the event that no longer counts.
    was_held
        For ``undo``: name of the grid that the loop assumed before.
    advice, has_step
        Whether to go on, and whether any cell changes, where a proposal waits.
    verdict
        On the tune after the step; a danger or a doubt comes first.
    """
    held = grid_name(state.current)
    if state.fuel:
        held += f", and the fuel table {state.fuel}/{FUEL_FILE},"
    words = {
        "accept": f"Accepted: the controller holds {held} now.",
        "reject": f"Rejected: the controller still holds {held}. The evidence still counts.",
        "undo": f"Undone: {took_back.kind if took_back else 'nothing'}. Nothing was deleted.",
        "found": "Recorded. This round does not count; it is saved under kept/. Log again: the "
        f"controller holds {held}.",
        "load": f"Recorded: the controller holds {held} now, as you gave it. The evidence counts.",
        "restore": f"Written: {grid_name(state.to_load)}. The controller still holds {held}.",
        "setup": f"The setup is {state.setup}/setup.toml from now on. The evidence counts from "
        f"its target.{' The proposal was evaluated again.' if state.is_pending else ''}",
    }
    is_other = kind == "undo" and was_held not in ("", state.current)
    parts = _step_opening(words[kind], verdict, must_load=is_other)
    brought_in = {"load": state.current, "restore": state.to_load, "setup": state.setup}
    if broken := broken_rules(state, by=brought_in.get(kind, "none")):
        parts += [title("Rules broken knowingly"), bullets(broken, mark="!")]
    steps = next_steps(state, folder, advice, has_step=has_step)
    if kind == "undo" and took_back is not None:
        parts.append(Text(_back_words(took_back, folder)))
        if was_held not in ("", state.current):
            steps = (_load_words(state.current, was_held), *steps)
    return Group(*parts, _next(steps))


def _step_opening(words: str, verdict: Verdict | None, *, must_load: bool) -> list[RenderableType]:
    """Return what the step did, behind the verdict where that is not to go on."""
    if verdict is None:
        return [Text(words)]
    if verdict.word == "GO ON":
        return [verdict_line("CHECK" if must_load else "GO ON", words)]
    return [verdict_line(verdict.word, verdict.reason), Text(words)]


def _load_words(name: str, was_held: str) -> str:
    """Warn that undo changed the assumed grid, but not the controller."""
    return (
        f"Undo changes nothing in the controller. The loop assumes {grid_name(name)} again: "
        f"if {grid_name(was_held)} was loaded, load {grid_name(name)} before the next log."
    )


def _back_words(event: Event, folder: Path) -> str:
    """Return how to redo an undone step."""
    rest = f" {event.details.get('answer', '')}" if event.kind == "found" else ""
    if event.kind == "load":
        return f"To redo it: tuneassist rounds accept {plain(folder)} --grid FILE{_again(event)}"
    if event.kind == "restore":
        rest = f" {event.details.get('number', '')}{_again(event)}"
    if event.kind == "setup":
        rest = f" {plain(event.details['change']['source'])}"
    if event.kind == "add":
        logs = event.details.get("logs", ())
        rest = "".join(f" {plain(str(log['name']).rpartition('/')[2])}" for log in logs)
    return f"To redo it: tuneassist rounds {event.kind} {plain(folder)}{rest}"


def _again(event: Event) -> str:
    """Return the option that a grid that breaks a rule needs."""
    return ' --despite "REASON"' if event.details.get("despite") else ""


def status_screen(
    state: TuneState,
    summaries: Sequence[RoundSummary],
    advice: Advice,
    *,
    setup: Setup,
    folder: Path,
    display: Display,
    has_step: bool = True,
    held: Sequence[UnsafeHeld] = (),
    verdict: Verdict | None = None,
) -> RenderableType:
    """Return every round, what was found after halts, and what to do next.

    Parameters
    ----------
    state
        State from the history.
    summaries
        One per round that counts.
    advice
        Whether to go on.
    setup
        For the label.
    folder
        The tune's folder.
    display
        Width and marks.
    has_step
        Whether any cell changes, where a proposal waits.
    held
        Unsafe steps held back in the last round.
    verdict
        What the screen opens with, which is not said again; None for nothing.
    """
    label = plain(setup.engine.label) or "car without a label"
    parts: list[RenderableType] = [
        Text(label, style="bold"),
        dim(f"{plain(folder)}: {counted(len(summaries), 'round')}"),
        _grids_table(state),
    ]
    if summaries:
        parts += [title("Rounds"), _rounds_table(state, summaries, display), dim(_LEGEND)]
    if state.answers:
        answers = tuple(
            f"round {one.number} ({one.verdict}): {one.answer}, {ANSWERS[one.answer]}"
            for one in state.answers
        )
        parts += [title("What was found after halts"), bullets(answers)]
    if broken := broken_rules(state):
        parts += [title("Rules broken knowingly"), bullets(broken, mark="!")]
    parts += [advice_section(advice, verdict), notes_section((), first=unsafe_notes(held, setup))]
    if state.is_halted:
        return Group(*parts, *halted_end(folder))
    steps = next_steps(state, folder, advice, has_step=has_step)
    return Group(*parts, also_section(steps_beside(steps, verdict)))


_LEGEND = (
    "Seen: cells with evidence so far. Inside: within 1 % of target with the grid in force. "
    "Response: measured over expected change, 1 is as expected."
)


def _grids_table(state: TuneState) -> Table:
    """List what is in the controller, what is proposed, and what was rejected."""
    table = Table(box=None, padding=(0, 1), show_header=False)
    edited = state.grid_entry(state.current)
    origin = f": {edited.of} edited by hand" if edited and edited.source else ""
    origin = f": {edited.of} again" if edited and not edited.source else origin
    table.add_row("the controller holds", f"{grid_name(state.current)}, as you reported{origin}")
    if state.fuel:
        table.add_row("the fuel table holds", f"{state.fuel}/{FUEL_FILE}, as you reported")
    if state.to_load:
        table.add_row("to load", f"{grid_name(state.to_load)}, not loaded yet")
    if state.setup:
        table.add_row("setup", f"{state.setup}/setup.toml")
    for name in state.rounds_with_outcome("proposed"):
        table.add_row("proposed", f"{grid_name(name)}, not loaded yet")
    if rejected := state.rounds_with_outcome("rejected"):
        table.add_row("rejected", f"{', '.join(rejected)}: do not load")
    return table


def _rounds_table(state: TuneState, summaries: Sequence[RoundSummary], display: Display) -> Table:
    table = Table(box=None, padding=(0, 1), header_style="bold")
    table.add_column("round", justify="right", no_wrap=True)
    table.add_column("in force", no_wrap=True)
    for name in ("seen", "inside", "rms"):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("response (95 %)")
    table.add_column("then", min_width=8)
    for mark, one in zip(state.rounds, summaries, strict=True):
        table.add_row(
            str(one.number),
            mark.in_force,
            str(one.cells_seen),
            str(one.cells_inside),
            "" if one.rms_pct is None else f"{one.rms_pct:.2f} %",
            _response_words(one, display),
            _then_words(mark, state),
        )
    return table


def _response_words(one: RoundSummary, display: Display) -> str:
    if one.response is None or one.response_low is None or one.response_high is None:
        return display.no_evidence
    return f"{one.response:z.2f} ({one.response_low:z.2f} to {one.response_high:z.2f})"


def _then_words(mark: RoundEntry, state: TuneState) -> str:
    word = state.outcome(mark)
    if word == "halted":
        return f"HALTED: {mark.verdict}"
    if word == "proposed":
        return "proposed, not loaded"
    told = "edited by hand" if word == "edited" else word
    return told if mark.is_evidence else f"{told}; no evidence since"
