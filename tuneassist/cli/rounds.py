"""``tuneassist rounds``: the tune loop, one folder per tune."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tuneassist.cli.options import AsJson, Logs, SetupFile, Strict

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tuneassist.cli.round_result import JudgedRound
    from tuneassist.correction import UnsafeHeld
    from tuneassist.files.tune_folder import TuneFolder
    from tuneassist.loop.history import Event, RoundMark
    from tuneassist.parallel import LogsAtHand
    from tuneassist.reading import Log

HALTED = 6
"""Exit status of a round that halted the loop, by the contract."""

Folder = Annotated[
    Path, typer.Argument(metavar="DIR", help="The tune's folder.", show_default=False)
]
Answer = Annotated[
    str,
    typer.Argument(
        metavar="ANSWER",
        help="not-loaded, sign-mended, loop-opened, wrong-log or fuel-changed.",
        show_default=False,
    ),
]
Grid = Annotated[
    Path | None,
    typer.Option(
        "--grid",
        "-g",
        metavar="FILE",
        help="Correction grid that the controller holds now. Left out: all zeros.",
        show_default=False,
    ),
]


def start(folder: Folder, setup: SetupFile, *, grid: Grid = None) -> None:
    """Open a tune: a new folder that keeps setup, grids, evidence and history.

    Everything in it is plain text, and nothing in it is ever deleted.
    """
    from tuneassist.cli.console import screen, show
    from tuneassist.cli.in_force import refuse_step
    from tuneassist.files.tune_folder import start_tune
    from tuneassist.show.rounds import started_screen

    if grid is not None:
        refuse_step(grid)
    tune = start_tune(folder, setup=setup, grid=grid, time=_now())
    show(screen(), started_screen(folder, setup=tune.setup, has_grid=grid is not None))


def add(folder: Folder, logs: Logs, strict: Strict = False, json: AsJson = False) -> None:
    """Add logs recorded with what the controller holds now, and propose the next grid.

    First the engine's answer to the last change is measured; when it did not answer as it should,
    nothing is proposed and the exit status is 6. Else the proposal rests on all rounds so far. A
    log that cannot be used is set aside and named.
    """
    from dataclasses import replace

    from tuneassist.cli.inputs import find_logs, is_simulated, reduce_logs
    from tuneassist.cli.round_result import count_visits, judge_round, round_contents
    from tuneassist.files.round_files import fingerprints
    from tuneassist.files.tune_folder import open_tune
    from tuneassist.loop.history import Event, RoundMark, require, round_details

    with open_tune(folder) as tune:
        require(tune.state, "add")
        number = tune.state.next_number
        tune.require_room(number)
        found = _named(reduce_logs(find_logs(logs), setup=tune.setup, is_strict=strict), number)
        read = [one.log for one in found.used]
        _refuse_known(read, tune)
        simulated = is_simulated(read, tune.setup)
        said = [one.evidence for one in found.used]
        earlier = tune.state.evidence
        mark = RoundMark(
            number,
            _new_mark(),
            tune.state.current,
            tuple((log.name, log.sha256) for log in read),
            verdict="",
            is_halt=False,
        )
        visits = count_visits(said, tune.setup)
        with found.told():
            judged = judge_round(tune, said, mark=mark, earlier=earlier, visits=visits)
        judged = judged.beside(found.unusable)
        contents = round_contents(tune, judged, logs=read, earlier=earlier, is_simulated=simulated)
        tune.write_round(number, contents)
        mark = replace(judged.mark, files=fingerprints(contents))
        after = tune.happened(Event("add", _now(), round_details(mark)))
    _tell_round(after, judged, logs=read, is_simulated=simulated, as_json=json)


def accept(folder: Folder) -> None:
    """Say that the last proposal is in the controller now."""
    _step(folder, "accept")


def reject(folder: Folder) -> None:
    """Say that the last proposal was not loaded; its evidence still counts."""
    _step(folder, "reject")


def undo(folder: Folder) -> None:
    """Go back to the state before the last step; nothing is deleted."""
    _step(folder, "undo")


def found(folder: Folder, answer: Answer, json: AsJson = False) -> None:
    """Say what you found after the loop halted, so that it can go on.

    not-loaded: the accepted grid was not in the controller after all; the round is judged again.
    sign-mended, loop-opened: mended now; log again. wrong-log: a log of another car or table; log
    again. fuel-changed: fuel, injector, pressure or sensor changed; the evidence starts afresh
    from this round.
    """
    from tuneassist.files.tune_folder import open_tune
    from tuneassist.loop.history import JUDGED_AGAIN, require

    with open_tune(folder) as tune:
        require(tune.state, "found", answer=answer)
        if answer in JUDGED_AGAIN:
            after, judged, simulated = _judge_again(tune, answer)
        else:
            after, judged, simulated = _happened(tune, "found", {"answer": answer}), None, False
    if judged is not None:
        _tell_round(after, judged, logs=(), is_simulated=simulated, as_json=json)
    elif json:
        _show_status(after, as_json=True)
    else:
        _tell_step(after, "found")


def status(folder: Folder, json: AsJson = False) -> None:
    """Show every round, the engine's answers, and whether to go on or stop, and why."""
    from tuneassist.files.tune_folder import open_tune

    with open_tune(folder, is_reading=True) as tune:
        _show_status(tune, as_json=json)


COMMANDS = (start, add, accept, reject, status, undo, found)
"""Sub-commands in the order of the help."""


def _now() -> str:
    from datetime import UTC, datetime

    return datetime.now(UTC).isoformat(timespec="seconds")


def _new_mark() -> str:
    import secrets

    return secrets.token_hex(6)


def _named(logs: LogsAtHand, number: int) -> LogsAtHand:
    """Name logs after their round, since the next session's file often has the same name."""
    from dataclasses import replace

    from tuneassist.loop.history import round_name

    where = round_name(number)
    used = [one.called(f"{where}/{one.log.name}") for one in logs.used]
    unusable = {f"{where}/{name}": why for name, why in logs.unusable.items()}
    return replace(logs, used=used, unusable=unusable)


def _refuse_known(logs: Sequence[Log], tune: TuneFolder) -> None:
    """Refuse a log that the tune has: evidence counted twice looks surer than it is."""
    from tuneassist.errors import LogError

    known = tune.state.known_logs()
    for log in logs:
        if log.sha256 in known:
            raise LogError(
                f"this log was added in {known[log.sha256]} already, byte for byte.",
                where=str(log.path),
                mend="Add each log once: evidence counted twice looks surer than it is.",
            )


def _happened(tune: TuneFolder, kind: Any, details: dict[str, Any] | None = None) -> TuneFolder:
    from tuneassist.loop.history import Event

    return tune.happened(Event(kind, _now(), details or {}))


def _step(folder: Path, kind: Any) -> None:
    """Do a step that needs no more than its name."""
    from tuneassist.files.round_check import require_sound
    from tuneassist.files.tune_folder import open_tune
    from tuneassist.loop.history import require

    with open_tune(folder) as tune:
        require(tune.state, kind)
        if kind == "accept":
            require_sound(tune, tune.state.rounds[-1])
        last, details, was_held = tune.state.last, {}, tune.state.current
        if kind == "undo" and last is not None:
            details = {"took_back": last.kind, "of": last.time}
        after = _happened(tune, kind, details)
    _tell_step(after, kind, took_back=last, was_held=was_held)


def _judge_again(tune: TuneFolder, answer: str) -> tuple[TuneFolder, JudgedRound, bool]:
    """Judge the halted round again, as it is after what the tuner has found."""
    from dataclasses import replace

    from tuneassist.cli.round_result import earlier_record, judge_round, round_contents
    from tuneassist.files.json_file import take_words
    from tuneassist.files.round_files import fingerprints
    from tuneassist.loop.history import round_details

    halted = tune.state.rounds[-1]
    stored = tune.evidence(halted)
    as_read = earlier_record(tune, halted)
    earlier: tuple[RoundMark, ...] = tune.state.evidence
    mark = replace(halted, made=_new_mark())
    if answer == "not-loaded":
        mark = replace(mark, in_force=tune.state.loaded[-2])
    else:
        earlier = ()
    judged = judge_round(tune, stored.logs, mark=mark, earlier=earlier, visits=stored.visits)
    judged = judged.beside(take_words(as_read, "set_aside"))
    simulated = bool(as_read.get("simulated", False))
    contents = round_contents(
        tune, judged, logs=(), earlier=earlier, is_simulated=simulated, as_read=as_read
    )
    tune.write_round(mark.number, contents)
    made = replace(judged.mark, files=fingerprints(contents))
    details = {"answer": answer, **round_details(made)}
    return _happened(tune, "found", details), judged, simulated


def _tell_round(
    tune: TuneFolder,
    judged: JudgedRound,
    *,
    logs: Sequence[Log],
    is_simulated: bool,
    as_json: bool,
) -> None:
    """Print a round that was written, and end with the exit status that it deserves."""
    from tuneassist.cli.console import look_of, screen, show, show_json
    from tuneassist.show.rounds import grid_name, round_screen

    folder = tune.path / judged.mark.name
    if as_json:
        show_json(_round_summary(judged, folder, logs, is_simulated=is_simulated))
    else:
        console = screen()
        show(
            console,
            round_screen(
                judged.shown,
                judged.result.round.response,
                number=judged.mark.number,
                in_force=grid_name(judged.mark.in_force),
                advice=judged.advice,
                logs=logs,
                folder=folder,
                look=look_of(console),
                is_simulated=is_simulated,
            ),
        )
    if judged.result.is_halt:
        from tuneassist.cli.console import tell

        tell(f"round {judged.mark.number} halted: {judged.result.round.response.why}.")
        raise typer.Exit(HALTED)


def _round_summary(
    judged: JudgedRound, folder: Path, logs: Sequence[Log], *, is_simulated: bool
) -> dict[str, Any]:
    from tuneassist.cli.result import proposal_summary
    from tuneassist.cli.round_result import round_record
    from tuneassist.files.proposal_folder import RESULT_FILES
    from tuneassist.show.notes import proposal_notes
    from tuneassist.show.rounds import grid_name

    summary = proposal_summary(
        judged.shown,
        logs=logs,
        files={name: folder / name for name in RESULT_FILES},
        notes=proposal_notes(judged.shown, logs),
        in_force=grid_name(judged.mark.in_force),
        is_simulated=is_simulated,
    )
    summary["logs"] = [name for name, _ in judged.mark.logs]
    return {"round": round_record(judged, ()), **summary}


def _tell_step(
    tune: TuneFolder, kind: str, *, took_back: Event | None = None, was_held: str = ""
) -> None:
    from tuneassist.cli.console import screen, show, tell
    from tuneassist.cli.round_result import changes_any_cell
    from tuneassist.errors import TuneassistError
    from tuneassist.files.round_check import require_sound
    from tuneassist.loop.advice import look_of_record
    from tuneassist.show.rounds import step_screen

    advice, has_step, last = None, True, None
    if tune.state.is_pending:
        last = tune.state.rounds[-1]
    if last is not None and tune.files(last).folder.is_dir():  # else told by what needs it
        try:  # the step is done; what is shown next is what would be typed in
            require_sound(tune, last)
        except TuneassistError as error:
            words = f"{kind} is done, but the proposal that waits may not be loaded: {error}"
            tell(words)
            raise typer.Exit(error.exit_status) from None
        advice = look_of_record(dict(tune.evidence(last).look))[1]
        has_step = changes_any_cell(tune, last)
    view = step_screen(
        tune.state,
        kind,
        folder=tune.path,
        took_back=took_back,
        was_held=was_held,
        advice=advice,
        has_step=has_step,
    )
    show(screen(), view)


def _held_in_last(tune: TuneFolder) -> tuple[UnsafeHeld, ...] | None:
    """What asked the unsafe way in the last round; None where that was not kept."""
    from tuneassist.correction import unsafe_of_record
    from tuneassist.errors import InputError
    from tuneassist.files.round_files import PUT_BACK

    if not tune.state.rounds:
        return ()
    last = tune.state.rounds[-1]
    try:
        return unsafe_of_record(dict(tune.evidence(last).look))
    except ValueError as error:
        if isinstance(error, InputError):
            raise
        raise InputError(
            f"the evidence kept of this round cannot be read: {error}.",
            where=str(tune.path / last.name),
            mend=PUT_BACK,
        ) from error


def _grids(tune: TuneFolder) -> dict[str, Any]:
    """Tell scripts apart what is in the controller, what is proposed, and what was rejected."""
    proposed = tune.state.names_of("proposed")
    return {
        "controller_holds": tune.state.current,
        "proposed": proposed[0] if proposed else None,
        "rejected": list(tune.state.names_of("rejected")),
    }


def _show_status(tune: TuneFolder, *, as_json: bool) -> None:
    from dataclasses import asdict

    from tuneassist.cli.console import look_of, screen, show, show_json
    from tuneassist.cli.round_result import changes_any_cell
    from tuneassist.correction import unsafe_record
    from tuneassist.files.round_check import require_sound
    from tuneassist.loop.advice import NO_LOGS, look_of_record
    from tuneassist.show.rounds import status_screen

    for one in tune.state.rounds:
        require_sound(tune, one)
    seen = [look_of_record(dict(tune.evidence(one).look)) for one in tune.state.rounds]
    looks = [look for look, _ in seen]
    advice = seen[-1][1] if seen else NO_LOGS
    held = _held_in_last(tune)
    if as_json:
        rounds = [asdict(look) for look in looks]
        unsafe = {"unsafe_step_held": None} if held is None else unsafe_record(held)
        said = {"rounds": rounds, "advice": advice.word, "why": advice.why, "check": advice.check}
        show_json({**said, **_grids(tune), **unsafe})
        return
    console = screen()
    is_pending = tune.state.is_pending
    view = status_screen(
        tune.state,
        looks,
        advice,
        setup=tune.setup,
        folder=tune.path,
        look=look_of(console),
        has_step=not is_pending or changes_any_cell(tune, tune.state.rounds[-1]),
        held=held or (),
    )
    show(console, view)
