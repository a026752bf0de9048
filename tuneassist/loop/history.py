"""What happened to a tune as a list of events, and the state that follows from it.

Nothing is ever removed from the list: `undo` is an event too, and takes back the last one that
counts. The state is derived from the whole list, so that no second record can disagree with it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any, Literal, get_args

from tuneassist.errors import InputError
from tuneassist.loop.history_changes import (
    FUEL_FILE,
    LOADED,
    RESTORED,
    SETUP_CHANGE,
    GridEntry,
    SetupEntry,
    files_of,
    grid_entry,
    setup_entry,
    text_of,
)

Kind = Literal["start", "add", "accept", "reject", "found", "undo", "load", "restore", "setup"]
KINDS: tuple[Kind, ...] = get_args(Kind)
FIRST_KINDS: tuple[Kind, ...] = KINDS[:6]
"""Those of the first form of a history."""
ProposalOutcome = Literal["proposed", "accepted", "edited", "rejected", "halted"]
"""What became of a round's proposal: it waits, was loaded as it was or after edits by hand, was not
loaded, or there was none."""
WITH_FUEL = "with_fuel"
"""Detail of an ``accept``: the round's fuel to take away was typed in as well."""
START = "start"
"""Name of the grid that the controller held when the tune was started."""

ANSWERS: Mapping[str, str] = MappingProxyType(
    {
        "not-loaded": "the accepted grid was not in the controller after all",
        "sign-mended": "the sign was reversed, and is corrected now",
        "loop-opened": "a closed loop undid the change; it is open now, or its trims are logged",
        "wrong-log": "a log of another car or table, or a faulty log",
        "fuel-changed": "fuel, injector, fuel pressure or sensor changed: start the evidence "
        "anew from this round",
    }
)
"""What a tuner may find after a halt, in words."""

MAX_EVENTS = 5000
"""Most events of a tune: the state after each is held in memory while they are replayed. [1]"""

REASSESSED_ANSWERS = ("not-loaded", "fuel-changed")
"""Answers after which the halted round itself counts and gets a proposal."""


@dataclass(frozen=True)
class Event:
    """One event of a tune.

    Parameters
    ----------
    kind
        One of `KINDS`.
    time
        When, as ISO 8601 in UTC.
    details
        Plain values; ``add``, and a ``found`` or ``setup`` that evaluates a round again, have
        those of `round_details`; ``load``, ``restore`` and ``setup`` those of `change_details`.
    """

    kind: Kind
    time: str
    details: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class RoundEntry:
    """A round as recorded in the history.

    Parameters
    ----------
    number
        Its number, from 1.
    made
        Identity of the folder that holds the round's files.
    in_force
        Name of the grid that the controller held while it was logged: "start" or "round-NN".
    logs
        Name and SHA-256 of each log.
    verdict
        The verdict on the engine's response.
    is_halt
        Whether the loop stopped there.
    is_evidence
        False where the engine has changed since, so that its evidence no longer counts.
    files
        Name and SHA-256 of each file of its folder; empty where version 0.1.0 wrote it.
    setup
        Name of the setup with which it was evaluated; empty for the one at the start.
    fuel
        Name of the round whose fuel to take away was in the fuel table while it was logged; empty
        for none.
    """

    number: int
    made: str
    in_force: str
    logs: tuple[tuple[str, str], ...]
    verdict: str
    is_halt: bool
    is_evidence: bool = True
    files: tuple[tuple[str, str], ...] = ()
    setup: str = ""
    fuel: str = ""

    @property
    def name(self) -> str:
        """Name of its folder, and of the grid that it proposed."""
        return round_name(self.number)

    @property
    def takes_fuel(self) -> bool:
        """Whether a grid of fuel to take away stands beside its proposal."""
        return any(name == FUEL_FILE for name, _ in self.files)


@dataclass(frozen=True)
class Answer:
    """What the tuner found after a halt.

    Parameters
    ----------
    number
        The round that halted.
    verdict
        Why it halted.
    answer
        One of `ANSWERS`.
    time
        When it was given.
    """

    number: int
    verdict: str
    answer: str
    time: str


@dataclass(frozen=True)
class TuneState:
    """The state that follows from the history.

    Parameters
    ----------
    rounds
        Rounds that were not undone or taken out, oldest first.
    loaded
        Names of the grids that the controller has held, oldest first; the last is in it now.
    is_pending
        Whether the last round's proposal is neither accepted nor rejected.
    answers
        What was found after halts, oldest first.
    dropped
        Rounds taken out by an answer: their logs never count.
    last
        The last event that counts, which `undo` would take back; None right after the start.
    grids
        Grids loaded after hand edits or brought back, oldest first.
    to_load
        Name of the grid that was brought back and waits to be loaded; empty without one.
    setups
        Setups that replaced the one before, oldest first; the last is in force.
    fuels
        Beside each of ``loaded``: name of the round whose fuel to take away was in the fuel table;
        empty for none.
    """

    rounds: tuple[RoundEntry, ...] = ()
    loaded: tuple[str, ...] = (START,)
    is_pending: bool = False
    answers: tuple[Answer, ...] = ()
    dropped: tuple[RoundEntry, ...] = ()
    last: Event | None = None
    grids: tuple[GridEntry, ...] = ()
    to_load: str = ""
    setups: tuple[SetupEntry, ...] = ()
    fuels: tuple[str, ...] = ("",)

    @property
    def fuel(self) -> str:
        """Name of the round whose fuel to take away is in the fuel table; empty for none."""
        return self.fuels[-1]

    @property
    def fuel_to_load(self) -> str:
        """The same as it belongs to what waits to be loaded."""
        if self.to_load:
            return self.fuel_with(self.to_load)
        waits = self.rounds[-1] if self.is_pending else None
        return waits.name if waits is not None and waits.takes_fuel else self.fuel

    @property
    def fuel_waits(self) -> bool:
        """Whether a proposal waits that has fuel to take away beside it."""
        return self.is_pending and self.rounds[-1].takes_fuel

    def fuel_with(self, name: str) -> str:
        """Return whose fuel to take away was in force with a grid, or with the one it copies."""
        brought_in = self.grid_entry(name)
        of = brought_in.of if brought_in is not None and name not in self.loaded else name
        held = [fuel for grid, fuel in zip(self.loaded, self.fuels, strict=True) if grid == of]
        return held[-1] if held else ""

    @property
    def setup(self) -> str:
        """Name of the setup in force; empty for the one at the start."""
        return self.setups[-1].name if self.setups else ""

    def next_name(self, kind: str) -> str:
        """Return the name of the next grid or setup of a kind, such as "loaded-01"."""
        names = [*(one.name for one in self.grids), *(one.name for one in self.setups)]
        taken = sum(name.startswith(f"{kind}-") for name in names)
        return f"{kind}-{taken + 1:02d}"

    def grid_entry(self, name: str) -> GridEntry | None:
        """Return a grid that a step brought in; None for the start's or a round's."""
        return next((one for one in self.grids if one.name == name), None)

    @property
    def folders(self) -> dict[str, str]:
        """Name and identity of every folder that counts."""
        brought_in = {one.name: one.made for one in self.grids}
        setups = {one.name: one.made for one in self.setups}
        return {one.name: one.made for one in self.rounds} | brought_in | setups

    def grid_after(self, number: int) -> str:
        """Return the name of the grid that was loaded after a round; 0 is before the first.

        Raises
        ------
        InputError
            When there is no such round, or its proposal was never loaded.
        """
        if not 0 <= number <= len(self.rounds):
            raise InputError(
                f"there is no round {number} in this tune.",
                mend=f"Name one from 0, the grid before the first round, to {len(self.rounds)}.",
            )
        if number == 0:
            return self.rounds[0].in_force if self.rounds else START
        family = [round_name(number)]  # the round's grid, and the edits by hand that came of it
        for one in self.grids:
            if one.of in family and one.name.startswith(f"{LOADED}-"):
                family.append(one.name)
        held = [name for name in self.loaded if name in family]
        if not held:
            raise InputError(
                f"the proposal of round {number} was not loaded: the controller never held it.",
                mend="`tuneassist rounds history` shows which grid was loaded when.",
            )
        return held[-1]

    @property
    def current(self) -> str:
        """Name of the grid in the controller."""
        return self.loaded[-1]

    @property
    def holds_what_was_logged(self) -> bool:
        """Whether the controller holds the grid of the last logs, or what they led to."""
        if not self.rounds:
            return True
        entry = self.grid_entry(self.current)
        is_copy = entry is not None and self.current.startswith(RESTORED)
        held = entry.of if entry is not None and is_copy else self.current
        return held in (self.rounds[-1].in_force, self.rounds[-1].name)

    def outcome(self, entry: RoundEntry) -> ProposalOutcome:
        """Return what became of a round's proposal."""
        if entry.is_halt:
            return "halted"
        if self.is_pending and entry is self.rounds[-1]:
            return "proposed"
        if entry.name in self.loaded:
            return "accepted"
        edited = {one.of for one in self.grids if one.name in self.loaded}
        return "edited" if entry.name in edited else "rejected"

    def rounds_with_outcome(self, outcome: ProposalOutcome) -> tuple[str, ...]:
        """Return the names of the rounds whose proposal has an outcome, oldest first."""
        return tuple(one.name for one in self.rounds if self.outcome(one) == outcome)

    @property
    def edited(self) -> str:
        """Name of the grid that a hand-made one is an edit of: what waits, else what is held."""
        if self.to_load:
            return self.to_load
        return self.rounds[-1].name if self.is_pending else self.current

    @property
    def is_halted(self) -> bool:
        """Whether the loop waits for what the tuner has found."""
        return bool(self.rounds) and self.rounds[-1].is_halt

    @property
    def next_number(self) -> int:
        """Number of the next round."""
        return self.rounds[-1].number + 1 if self.rounds else 1

    def known_logs(self) -> dict[str, str]:
        """SHA-256 of every log that was added and not undone, with its round's name."""
        marks = (*self.dropped, *self.rounds)
        return {sha256: one.name for one in marks for _, sha256 in one.logs}

    @property
    def evidence(self) -> tuple[RoundEntry, ...]:
        """Rounds whose evidence counts; a halted one waits."""
        return tuple(one for one in self.rounds if one.is_evidence and not one.is_halt)


def round_name(number: int) -> str:
    """Return a round's name.

    Examples
    --------
    >>> round_name(3)
    'round-03'
    """
    return f"round-{number:02d}"


def round_details(entry: RoundEntry) -> dict[str, Any]:
    """Return the details of a round for its event, as plain values."""
    return {
        "number": entry.number,
        "made": entry.made,
        "in_force": entry.in_force,
        "logs": [{"name": name, "sha256": sha256} for name, sha256 in entry.logs],
        "verdict": entry.verdict,
        "is_halt": entry.is_halt,
        **({"files": dict(entry.files)} if entry.files else {}),
        **({"fuel": entry.fuel} if entry.fuel else {}),
    }


def _mark(details: Mapping[str, Any]) -> RoundEntry:
    def taken(name: str, kind: type) -> Any:
        value = details.get(name)
        if not isinstance(value, kind) or (kind is int and isinstance(value, bool)):
            raise InputError(f'the event of a round has no valid "{name}".')
        return value

    return RoundEntry(
        number=taken("number", int),
        made=taken("made", str),
        in_force=taken("in_force", str),
        logs=tuple((_text(log, "name"), _text(log, "sha256")) for log in taken("logs", list)),
        verdict=taken("verdict", str),
        is_halt=taken("is_halt", bool),
        files=files_of(details.get("files", {})),
        fuel=text_of({"fuel": "", **details}, "fuel"),
    )


def _text(record: object, name: str) -> str:
    value = record.get(name) if isinstance(record, Mapping) else None
    if not isinstance(value, str):
        raise InputError(f'a log of a round has no valid "{name}".')
    return value


def replay(events: Sequence[Event]) -> TuneState:
    """Derive the state.

    Parameters
    ----------
    events
        All that happened, oldest first; the first is the start.

    Returns
    -------
    TuneState

    Raises
    ------
    InputError
        When an event was not possible at its place.
    """
    if not events or events[0].kind != "start":
        raise InputError("the history does not begin with the start of the tune.")
    if len(events) > MAX_EVENTS:
        raise InputError(f"the history has {len(events)} events, more than {MAX_EVENTS}.")
    states = [TuneState()]
    for event in events[1:]:
        if event.kind == "undo":
            require(states[-1], "undo")
            states.pop()
        else:
            states.append(state_after(states[-1], event))
    return states[-1]


def state_after(state: TuneState, event: Event) -> TuneState:
    """Return the state after one more event that is no ``undo``; raises as `require` does."""
    steps: dict[str, Callable[[TuneState, Event], TuneState]] = {
        "add": _added,
        "accept": _accepted,
        "reject": lambda before, _: replace(before, is_pending=False, to_load=""),
        "found": _found,
        "load": _loaded,
        "restore": _restored,
        "setup": _set_up,
    }
    if event.kind not in steps:
        raise InputError(f'"{event.kind}" is not possible at this place of a history.')
    require(state, event.kind, answer=str(event.details.get("answer", "")))
    return replace(steps[event.kind](state, event), last=event)


def require(state: TuneState, kind: Kind, *, answer: str = "") -> None:
    """Refuse a step that is not possible now.

    Parameters
    ----------
    state
        The state now.
    kind
        The step to take.
    answer
        For ``found``: one of `ANSWERS`.

    Raises
    ------
    InputError
        With the steps that are possible instead.
    """
    if kind == "undo":
        if state.last is None:
            raise InputError("nothing to undo: the tune has just been started.")
        return
    if kind == "found":
        _require_answer(state, answer)
        return
    if state.is_halted:
        halted = state.rounds[-1]
        raise InputError(
            f"the loop has halted at round {halted.number} ({halted.verdict}), and nothing was "
            "proposed.",
            mend="Report what you found with `tuneassist rounds found` (answers: "
            f"{', '.join(ANSWERS)}), or take the round back with `tuneassist rounds undo`.",
        )
    if kind == "add" and state.to_load:
        raise InputError(
            f"{state.to_load}/grid.csv waits to be loaded.",
            mend="Run `tuneassist rounds accept` when the controller holds it now, "
            "`tuneassist rounds reject` when it was not loaded.",
        )
    if kind == "add" and state.is_pending:
        raise InputError(
            f"the proposal of round {state.rounds[-1].number} is neither accepted nor rejected.",
            mend="Run `tuneassist rounds accept` when the controller holds its grid.csv now, "
            "`tuneassist rounds reject` when it was not loaded.",
        )
    if kind in ("accept", "reject") and not (state.is_pending or state.to_load):
        last = f"The last step was: {state.last.kind}. " if state.last else ""
        raise InputError(
            f"there is no proposal to {kind}.",
            mend=f"{last}Log with what the controller holds now and run `tuneassist rounds add`.",
        )


def require_restorable(state: TuneState, number: int) -> str:
    """Return the name of the grid that was loaded after a round, to be brought back.

    Raises
    ------
    InputError
        When it cannot be brought back now: raises as `require` and `TuneState.grid_after` do, and
        when the controller holds it already.
    """
    require(state, "restore")
    name = state.grid_after(number)
    if name == state.current:
        raise InputError(
            f"the controller holds the grid of round {number} already, as you reported.",
            mend="To drop a proposal that waits, run `tuneassist rounds reject`.",
        )
    return name


def _require_answer(state: TuneState, answer: str) -> None:
    if answer not in ANSWERS:
        raise InputError(f'"{answer}" is not a known answer.', mend=f"Known: {', '.join(ANSWERS)}.")
    if not state.is_halted:
        raise InputError(
            "the loop has not halted, so there is nothing to answer.",
            mend="To take the last step back, run `tuneassist rounds undo`.",
        )
    if answer == "not-loaded" and not _was_just_loaded(state):
        raise InputError(
            f"no grid was accepted between round {state.rounds[-1].number} and the one before, "
            'so the answer cannot be "not-loaded".',
            mend="Look for another cause, or take wrongly accepted steps back with "
            "`tuneassist rounds undo`.",
        )


def _was_just_loaded(state: TuneState) -> bool:
    """Return whether the grid in force in the last round was accepted right before it."""
    is_loaded = len(state.loaded) > 1 and state.rounds[-1].in_force == state.current
    return is_loaded and all(one.in_force != state.current for one in state.rounds[:-1])


def _added(state: TuneState, event: Event) -> TuneState:
    entry = _mark(event.details)
    if (entry.number, entry.in_force) != (state.next_number, state.current):
        raise InputError(
            f"round {entry.number} under {entry.in_force} cannot follow here: round "
            f"{state.next_number} under {state.current} would."
        )
    _require_fuel(entry, state.fuel)
    entry = replace(entry, setup=state.setup)
    return replace(state, rounds=(*state.rounds, entry), is_pending=not entry.is_halt)


def _require_fuel(entry: RoundEntry, in_force: str) -> None:
    if entry.fuel != in_force:
        raise InputError(
            f"round {entry.number} was logged with the fuel taken away by "
            f"{entry.fuel or 'no round'}, where {in_force or 'no round'} belongs."
        )


def _accepted(state: TuneState, event: Event) -> TuneState:
    name = state.to_load or state.rounds[-1].name
    return replace(
        state,
        loaded=(*state.loaded, name),
        fuels=(*state.fuels, _fuel_after(state, event)),
        is_pending=False,
        to_load="",
    )


def _loaded(state: TuneState, event: Event) -> TuneState:
    entry = grid_entry(event.details)
    _require_next(entry, state.next_name(LOADED), is_possible=entry.of == state.edited)
    return replace(
        state,
        grids=(*state.grids, entry),
        loaded=(*state.loaded, entry.name),
        fuels=(*state.fuels, _fuel_after(state, event)),
        is_pending=False,
        to_load="",
    )


def _fuel_after(state: TuneState, event: Event) -> str:
    """Return whose fuel is taken away after a grid was loaded: a copy brings back its own."""
    with_fuel = event.details.get(WITH_FUEL, False)
    if not isinstance(with_fuel, bool) or (with_fuel and not state.fuel_waits):
        raise InputError(f'an event has no valid "{WITH_FUEL}".')
    return state.fuel_to_load if with_fuel or state.to_load else state.fuel


def _restored(state: TuneState, event: Event) -> TuneState:
    entry = grid_entry(event.details)
    was_held = entry.of in state.loaded and entry.of != state.current
    _require_next(entry, state.next_name(RESTORED), is_possible=was_held)
    return replace(state, grids=(*state.grids, entry), is_pending=False, to_load=entry.name)


def _set_up(state: TuneState, event: Event) -> TuneState:
    entry = setup_entry(event.details.get("change"))
    _require_next(entry, state.next_name(SETUP_CHANGE), is_possible=True)
    after = replace(state, setups=(*state.setups, entry))
    if not state.is_pending:
        return after
    waits, again = state.rounds[-1], _mark(event.details)
    if (again.number, again.in_force, again.logs) != (waits.number, waits.in_force, waits.logs):
        raise InputError(f"round {again.number} is not the one whose proposal waits.")
    _require_fuel(again, waits.fuel)
    again = replace(again, setup=entry.name)
    return replace(after, rounds=(*state.rounds[:-1], again), is_pending=not again.is_halt)


def _require_next(entry: GridEntry | SetupEntry, name: str, *, is_possible: bool) -> None:
    if entry.name != name or not is_possible:
        raise InputError(f"{entry.name} cannot follow here.")


def _found(state: TuneState, event: Event) -> TuneState:
    answer, halted = str(event.details.get("answer", "")), state.rounds[-1]
    answered = Answer(halted.number, halted.verdict, answer, event.time)
    state = replace(state, answers=(*state.answers, answered))
    if answer not in REASSESSED_ANSWERS:  # the controller is right now; the round's logs are not
        return replace(state, rounds=state.rounds[:-1], dropped=(*state.dropped, halted))
    earlier, loaded, fuels = state.rounds[:-1], state.loaded, state.fuels
    if answer == "not-loaded":
        loaded, fuels = loaded[:-1], fuels[:-1]
    else:
        earlier = tuple(replace(one, is_evidence=False) for one in earlier)
    entry = replace(_mark(event.details), setup=state.setup)
    if (entry.number, entry.in_force, entry.logs) != (halted.number, loaded[-1], halted.logs):
        raise InputError(f"round {entry.number} is not the one that halted.")
    _require_fuel(entry, fuels[-1])
    return replace(
        state,
        rounds=(*earlier, entry),
        loaded=loaded,
        fuels=fuels,
        is_pending=not entry.is_halt,
    )
