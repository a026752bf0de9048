"""The history of a tune: what may follow what, and that undo goes back exactly."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tuneassist.errors import InputError
from tuneassist.loop.history import (
    ANSWERS,
    KINDS,
    REASSESSED_ANSWERS,
    START,
    Event,
    TuneState,
    replay,
    require,
    require_restorable,
)
from tuneassist.loop.history_changes import LOADED, RESTORED, SETUP_CHANGE

BEGIN = Event("start", "t0")


def added(state: TuneState, made: str, *, is_halt: bool = False) -> dict[str, Any]:
    """What a command would say of a round that is added now."""
    return {
        "number": state.next_number,
        "made": made,
        "in_force": state.current,
        "logs": [{"name": f"{made}.csv", "sha256": f"sha of {made}"}],
        "verdict": "no answer" if is_halt else "as expected",
        "is_halt": is_halt,
    }


def answered(state: TuneState, answer: str, made: str, *, is_halt: bool = False) -> dict[str, Any]:
    """What a command would say of an answer now."""
    if answer not in REASSESSED_ANSWERS or not state.rounds:
        return {"answer": answer}
    halted = state.rounds[-1]
    before = state.loaded[-2] if answer == "not-loaded" and len(state.loaded) > 1 else None
    again = {
        **added(state, made, is_halt=is_halt),
        "number": halted.number,
        "in_force": before or halted.in_force,
        "logs": [{"name": name, "sha256": sha} for name, sha in halted.logs],
    }
    return {"answer": answer, **again}


def brought_in(state: TuneState, word: str, made: str) -> dict[str, Any]:
    """What a command would say of a grid loaded by hand, or brought back from the start."""
    is_hand = word == "load"
    return {
        "name": state.next_name(LOADED if is_hand else RESTORED),
        "made": made,
        "of": state.edited if is_hand else state.grid_after(0),
        "source": "mine.csv" if is_hand else "",
        "breaches": [],
        "despite": "",
        "files": {},
    }


def set_up(state: TuneState, made: str, *, is_halt: bool = False) -> dict[str, Any]:
    """What a command would say of a setup: a proposal that waits is evaluated again."""
    change = {
        "name": state.next_name(SETUP_CHANGE),
        "made": f"{made} setup",
        "rests_on": "sha",
        "source": "new.toml",
        "reason": "",
        "breaches": [],
    }
    if not state.is_pending:
        return {"change": change}
    waits = state.rounds[-1]
    again = {
        **added(state, made, is_halt=is_halt),
        "number": waits.number,
        "in_force": waits.in_force,
        "logs": [{"name": name, "sha256": sha} for name, sha in waits.logs],
    }
    return {"change": change, **again}


def build(*steps: str) -> list[Event]:
    """Events from words: "add", "halt" (an add that halts), "accept", an answer, ..."""
    events = [BEGIN]
    for index, word in enumerate(steps):
        state, time = replay(events), f"t{index + 1}"
        if word in ("add", "halt"):
            details = added(state, f"m{index}", is_halt=word == "halt")
            events.append(Event("add", time, details))
        elif word in ANSWERS:
            events.append(Event("found", time, answered(state, word, f"m{index}")))
        elif word in ("load", "restore"):
            events.append(Event(word, time, brought_in(state, word, f"m{index}")))
        elif word == "setup":
            events.append(Event(word, time, set_up(state, f"m{index}")))
        else:
            assert word in KINDS
            events.append(Event(word, time))  # type: ignore[arg-type]
    return events


def state_after(*steps: str) -> TuneState:
    return replay(build(*steps))


def check_sound(state: TuneState) -> None:
    """What holds in every state that can be reached."""
    names = {one.name for one in state.rounds}
    assert [one.number for one in state.rounds] == list(range(1, len(state.rounds) + 1))
    assert state.loaded[0] == START
    assert len({one.name for one in state.grids}) == len(state.grids)
    assert not (state.to_load and (state.is_pending or state.to_load in state.loaded))
    names |= {one.name for one in state.grids}
    assert set(state.loaded[1:]) <= names
    assert state.to_load in {"", *names}
    assert len(set(state.loaded)) == len(state.loaded)
    assert not (state.is_pending and state.is_halted)
    assert not (state.is_pending and not state.rounds)
    assert all(not one.is_halt for one in state.rounds[:-1])
    assert all(one.in_force in {START, *names} for one in state.rounds)
    made = [one.made for one in (*state.rounds, *state.dropped, *state.grids)]
    assert len(set(made)) == len(made)


STEPS = ("add", "halt", "accept", "reject", "undo", "load", "restore", "setup", *ANSWERS)


@given(st.lists(st.sampled_from(STEPS), max_size=30))
def test_any_commands_are_refused_cleanly_or_lead_to_a_sound_state(steps: list[str]) -> None:
    events, undo_stack = [BEGIN], [replay([BEGIN])]
    for index, word in enumerate(steps):
        state, time, made = undo_stack[-1], f"t{index}", f"m{index}"
        event = Event("undo", time) if word == "undo" else None
        if word in ("add", "halt"):
            event = Event("add", time, added(state, made, is_halt=word == "halt"))
        elif word in ANSWERS:
            event = Event("found", time, answered(state, word, made, is_halt=index % 3 == 0))
        elif word in ("load", "restore"):
            event = Event(word, time, brought_in(state, word, made))
        elif word == "setup":
            event = Event(word, time, set_up(state, made, is_halt=index % 5 == 0))
        event = event or Event(word, time)  # type: ignore[arg-type]
        try:
            after = replay([*events, event])
        except InputError as error:
            assert error.problem  # a sentence, and nothing has changed
            assert replay(events) == state
            continue
        check_sound(after)
        events.append(event)
        if word == "undo":
            undo_stack.pop()
            assert after == undo_stack[-1]  # exactly the state before
        else:
            undo_stack.append(after)


@given(st.lists(st.sampled_from(STEPS), max_size=25))
def test_what_require_allows_is_what_replay_takes(steps: list[str]) -> None:
    """A command asks `require` before it works for seconds; the two must not disagree."""
    events = [BEGIN]
    for index, word in enumerate(steps):
        state = replay(events)
        kind: Any = "add" if word == "halt" else "found" if word in ANSWERS else word
        details: dict[str, Any] = {}
        if kind == "add":
            details = added(state, f"m{index}", is_halt=word == "halt")
        elif kind == "found":
            details = answered(state, word, f"m{index}")
        elif kind in ("load", "restore"):
            details = brought_in(state, word, f"m{index}")
        elif kind == "setup":
            details = set_up(state, f"m{index}")
        event = Event(kind, f"t{index}", details)
        try:
            if kind == "restore":
                require_restorable(state, 0)
            require(state, kind, answer=word if kind == "found" else "")
        except InputError:
            with pytest.raises(InputError):
                replay([*events, event])
        else:
            replay([*events, event])
            events.append(event)


def test_the_seven_commands_of_a_tune() -> None:
    state = state_after("add", "accept", "add", "reject")
    assert state.loaded == (START, "round-01")
    assert [one.in_force for one in state.rounds] == [START, "round-01"]
    assert not state.is_pending
    undone = state_after("add", "accept", "add", "reject", "undo")
    assert undone.is_pending
    assert undone == state_after("add", "accept", "add")


def refusal(*steps: str) -> str:
    with pytest.raises(InputError) as caught:
        build(*steps)
        replay(build(*steps))
    return str(caught.value)


@pytest.mark.parametrize(
    ("steps", "says"),
    [
        (("add", "add"), "neither accepted nor rejected"),
        (("accept",), "no proposal to accept"),
        (("add", "accept", "accept"), "no proposal to accept"),
        (("add", "accept", "reject"), "no proposal to reject"),
        (("undo",), "nothing to undo"),
        (("add", "undo", "undo"), "nothing to undo"),
        (("add", "accept", "halt", "add"), "halted at round 2"),
        (("add", "accept", "halt", "accept"), "halted at round 2"),
        (("add", "accept", "halt", "load"), "halted at round 2"),
        (("add", "accept", "halt", "restore"), "halted at round 2"),
        (("add", "accept", "halt", "setup"), "halted at round 2"),
        (("add", "accept", "restore", "add"), "waits to be loaded"),
        (("add", "restore"), "cannot follow"),
        (("add", "wrong-log"), "has not halted"),
        (("add", "reject", "halt", "not-loaded"), "no grid was accepted between"),
        (("add", "accept", "add", "reject", "halt", "not-loaded"), "no grid was accepted between"),
    ],
)
def test_what_cannot_be_done_is_refused_with_what_can(steps: tuple[str, ...], says: str) -> None:
    assert says in refusal(*steps)


def test_an_unknown_answer_is_refused_with_those_that_are_known() -> None:
    with pytest.raises(InputError, match="Known: not-loaded"):
        require(state_after("add", "accept", "halt"), "found", answer="perhaps")


def test_not_loaded_takes_the_grid_back_out_and_the_round_counts() -> None:
    state = state_after("add", "accept", "halt", "not-loaded")
    assert state.loaded == (START,)
    assert [one.in_force for one in state.rounds] == [START, START]
    assert state.is_pending
    assert len(state.evidence) == 2
    assert [one.answer for one in state.answers] == ["not-loaded"]


def test_fuel_changed_starts_the_evidence_afresh_from_the_halted_round() -> None:
    state = state_after("add", "accept", "halt", "fuel-changed", "accept", "add")
    assert [one.number for one in state.evidence] == [2, 3]
    assert [one.number for one in state.rounds] == [1, 2, 3]
    assert state.loaded == (START, "round-01", "round-02")


@pytest.mark.parametrize("answer", [a for a in ANSWERS if a not in REASSESSED_ANSWERS])
def test_a_mended_cause_drops_the_round_and_keeps_grid_answer_and_logs(answer: str) -> None:
    state = state_after("add", "accept", "halt", answer)
    assert [one.number for one in state.rounds] == [1]
    assert state.current == "round-01"
    assert state.next_number == 2
    assert not state.is_pending
    assert state.known_logs() == {"sha of m0": "round-01", "sha of m2": "round-02"}


def test_a_halted_round_is_no_evidence_before_it_is_answered() -> None:
    state = state_after("add", "accept", "halt")
    assert [one.number for one in state.evidence] == [1]


def test_undone_logs_may_be_added_again() -> None:
    assert state_after("add", "undo").known_logs() == {}


def test_a_proposal_loaded_after_edits_is_neither_accepted_nor_rejected() -> None:
    state = state_after("add", "load")
    assert state.loaded == (START, "loaded-01")
    assert state.outcome(state.rounds[0]) == "edited"
    assert state_after("add", "load", "undo") == state_after("add")
    assert state_after("add", "accept", "load").grid_after(1) == "loaded-01"


def test_a_grid_brought_back_waits_until_it_is_loaded() -> None:
    state = state_after("add", "accept", "add", "restore")
    assert (state.current, state.to_load) == ("round-01", "restored-01")
    assert state.outcome(state.rounds[1]) == "rejected"
    state = state_after("add", "accept", "add", "restore", "accept", "add")
    assert state.rounds[-1].in_force == "restored-01"
    assert state.grid_after(1) == "round-01"
    with pytest.raises(InputError, match="never held"):
        state.grid_after(2)


def test_a_setup_stays_with_the_rounds_that_it_evaluated() -> None:
    state = state_after("add", "accept", "setup", "add", "setup")
    assert [one.setup for one in state.rounds] == ["", "setup-02"]
    assert state.is_pending
    assert state_after("add", "setup", "undo") == state_after("add")


def test_nothing_is_ever_taken_out_of_the_history() -> None:
    events = build("add", "accept", "undo", "undo", "add")
    assert [event.kind for event in events] == ["start", "add", "accept", "undo", "undo", "add"]
    assert replay(events).next_number == 2


def test_a_history_without_its_start_or_with_a_wrong_round_is_refused() -> None:
    with pytest.raises(InputError, match="does not begin"):
        replay([])
    with pytest.raises(InputError, match="does not begin"):
        replay([Event("undo", "t")])
    wrong = {**added(TuneState(), "m"), "in_force": "round-07"}
    with pytest.raises(InputError, match="cannot follow"):
        replay([BEGIN, Event("add", "t", wrong)])
