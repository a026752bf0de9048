"""Every step of a tune in words: what was done, why, and which grid the controller held then."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from tuneassist.loop.history import START, WITH_FUEL, Event, TuneState, replay, state_after
from tuneassist.loop.history_changes import FUEL_FILE


@dataclass(frozen=True)
class StepTaken:
    """A step of a tune.

    Parameters
    ----------
    number
        Its number, from 1.
    time
        When, as ISO 8601 in UTC.
    kind
        Kind of its event.
    what
        What was done, in words.
    reason
        The tuner's reason for it; empty where none was asked for.
    breaches
        The rules that its grid broke, in words.
    controller_holds
        Name of the grid in the controller after it: "start", or the name of a folder.
    to_load
        Name of the grid that waits to be loaded after it; empty without one.
    is_undone
        Whether a later step took it back.
    """

    number: int
    time: str
    kind: str
    what: str
    reason: str = ""
    breaches: tuple[str, ...] = ()
    controller_holds: str = START
    to_load: str = ""
    is_undone: bool = False


def steps_taken(events: Sequence[Event]) -> tuple[StepTaken, ...]:
    """Return every step, oldest first, those that were undone included.

    Parameters
    ----------
    events
        The whole history.

    Raises
    ------
    InputError
        When the history is not sound.
    """
    replay(events)
    states, counting = [TuneState()], [0]
    steps: list[StepTaken] = []
    for number, event in enumerate(events):
        before = states[-1]
        if event.kind == "undo":
            states.pop()
            gone = counting.pop()
            steps[gone] = replace(steps[gone], is_undone=True)
            what = f"step {gone + 1} taken back: {steps[gone].what}"
        else:
            if number:
                states.append(state_after(before, event))
                counting.append(number)
            what = _WORDS[event.kind](before, event.details)
        steps.append(_step(number, event, what, states[-1]))
    return tuple(steps)


def _step(number: int, event: Event, what: str, state: TuneState) -> StepTaken:
    change = event.details.get("change") if event.kind == "setup" else event.details
    told: Mapping[str, Any] = change if isinstance(change, Mapping) else {}
    waits = state.rounds[-1].name if state.is_pending else state.to_load
    return StepTaken(
        number=number + 1,
        time=event.time,
        kind=event.kind,
        what=what,
        reason=str(told.get("despite") or told.get("reason") or ""),
        breaches=tuple(str(one) for one in told.get("breaches", ())),
        controller_holds=state.current,
        to_load=waits,
    )


def _added(_: TuneState, details: Mapping[str, Any]) -> str:
    logs = ", ".join(str(log["name"]).rpartition("/")[2] for log in details["logs"])
    halted = "halted, " if details["is_halt"] else ""
    return f"round {details['number']} added ({logs}): {halted}{details['verdict']}"


def _found(before: TuneState, details: Mapping[str, Any]) -> str:
    again = "; evaluated again" if "number" in details else ""
    return f"found for round {before.rounds[-1].number}: {details['answer']}{again}"


def _set_up(before: TuneState, details: Mapping[str, Any]) -> str:
    again = f"; round {details['number']} evaluated again" if before.is_pending else ""
    return f"{details['change']['source']} is the setup from now on{again}"


def _waits(before: TuneState, _: Mapping[str, Any]) -> str:
    return before.to_load or before.rounds[-1].name


def _fuel(details: Mapping[str, Any]) -> str:
    return f", and its {FUEL_FILE} in the fuel table" if details.get(WITH_FUEL) else ""


_WORDS: Mapping[str, Callable[[TuneState, Mapping[str, Any]], str]] = {
    "start": lambda *_: "tune started",
    "add": _added,
    "accept": lambda before, told: f"{_waits(before, told)} loaded{_fuel(told)}",
    "reject": lambda *given: f"{_waits(*given)} not loaded",
    "found": _found,
    "load": lambda _, told: f"{told['source']} loaded, {told['of']} edited by hand{_fuel(told)}",
    "restore": lambda _, told: f"{told['of']} to be loaded again, as {told['name']}",
    "setup": _set_up,
}
