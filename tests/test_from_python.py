"""Used from Python: values compare and travel, mistakes get their own words, threads are few."""

from __future__ import annotations

import copy
import pickle
import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import scipy.linalg  # noqa: F401 - so that its own linear algebra library is loaded and counted
from threadpoolctl import threadpool_info, threadpool_limits

from tuneassist import (
    Axes,
    Grid,
    GridError,
    InputError,
    Log,
    LogError,
    Proposal,
    Setup,
    SetupError,
    TuneassistError,
    gather,
    propose,
    read_grid,
    read_log,
    read_setup,
    reduce_log,
    threads,
    write_grid_text,
)
from tuneassist.evidence.delay import _Moves
from tuneassist.evidence.disputes import Disputes
from tuneassist.evidence.sample_checks import checked_parts
from tuneassist.loop.response import Response
from tuneassist.loop.rounds import _nothing
from tuneassist.proposal_repr import LINES, WIDTH
from tuneassist.runs.refusal import Refusal
from tuneassist.runs.side_runs import NamedSamples
from tuneassist.settings import Target
from tuneassist.threads import on_one_thread, one_thread

ROOT = Path(__file__).resolve().parent.parent
SETUP = ROOT / "sample_logs" / "petrol-setup.toml"
LOG = ROOT / "sample_logs" / "petrol-session-1.csv"


@pytest.fixture(scope="module")
def setup() -> Setup:
    return read_setup(SETUP)


@pytest.fixture(scope="module")
def log(setup: Setup) -> Log:
    return read_log(LOG, setup=setup)


@pytest.fixture(scope="module")
def proposal(log: Log, setup: Setup) -> Proposal:
    return propose([log], setup=setup)


def axes(**other: Any) -> Axes:
    return Axes(
        **{
            "rpm": np.array([800.0, 1200.0]),
            "load": np.array([-20.0, 0.0]),
            "load_unit": "kPa gauge",
            **other,
        }
    )


# ---- values


@pytest.mark.parametrize(
    "moved", [copy.copy, copy.deepcopy, lambda v: pickle.loads(pickle.dumps(v))]
)
def test_a_setup_survives_copies_and_pickle_whole(
    moved: Callable[[Setup], Setup], setup: Setup
) -> None:
    again = moved(setup)
    assert again == setup
    assert hash(again) == hash(setup)
    assert again.source == setup.source
    assert again.given == setup.given
    with pytest.raises(ValueError, match="read-only"):
        again.axes.rpm[0] = 1.0
    with pytest.raises(ValueError, match="read-only"):
        again.target.table[0, 0] = 1.0
    with pytest.raises(TypeError):
        again.limits.ceilings["knock"] = None  # type: ignore[index]


def test_a_proposal_survives_pickle(proposal: Proposal) -> None:
    again = pickle.loads(pickle.dumps(proposal))
    assert again.setup == proposal.setup
    assert again.grid == proposal.grid
    pd.testing.assert_frame_equal(again.cells, proposal.cells)


def test_equal_axes_grids_targets_and_setups_are_equal_and_hash_alike() -> None:
    table = np.array([[0.9, np.nan], [1.0, 1.0]])
    for make in (
        axes,
        lambda: Grid(axes(), [[0.0, np.nan], [1.0, 2.0]]),
        lambda: Target(table),
        lambda: Setup(axes(), Target(table)),
        lambda: Refusal("few", "too few runs", {"runs": 1.0}),
    ):
        one, other = make(), make()
        assert one == other
        assert hash(one) == hash(other)
        assert len({one, other}) == 1


@pytest.mark.parametrize(
    "other",
    [
        axes(rpm=np.array([800.0, 1201.0])),
        axes(load=np.array([-20.0, 0.0, 5.0])),
        axes(load_unit="psi"),
        axes(load_name="boost"),
        "axes",
        None,
    ],
)
def test_axes_that_differ_are_not_equal(other: object) -> None:
    assert axes() != other


def test_axes_are_equal_whatever_file_they_came_from_and_whatever_the_sign_of_zero() -> None:
    assert axes() == axes(where="another.csv", load=np.array([-20.0, -0.0]))
    assert hash(axes()) == hash(axes(load=np.array([-20.0, -0.0])))


def test_a_setup_with_one_other_limit_is_another() -> None:
    plain = Setup(axes(), Target(np.ones((2, 2))))
    assert plain != replace(plain, limits=replace(plain.limits, max_step_pct=3.0))
    assert plain != replace(plain, target=Target(np.full((2, 2), 0.9)))


def test_frozen_records_of_arrays_compare_without_an_error() -> None:
    frame = pd.DataFrame({"rpm": [1.0, 2.0]})
    hold = np.array([1, 2])
    moves = _Moves(0.1, *[np.zeros(2)] * 3, (), *[np.zeros(2)] * 4, ())
    for one, other in (
        (NamedSamples("a", frame), NamedSamples("a", frame)),
        (Disputes(hold, hold * 0.1, hold * 0.1), Disputes(hold, hold * 0.1, hold * 0.1)),
        (moves, replace(moves)),
    ):
        assert isinstance(one == other, bool)
        assert isinstance(hash(one), int)


# ---- what is handed in


def test_paths_may_be_text(tmp_path: Path, setup: Setup, proposal: Proposal) -> None:
    path = tmp_path / "grid.csv"
    path.write_text(write_grid_text(proposal.grid), encoding="utf-8")
    assert read_grid(str(path), axes=setup.axes) == read_grid(path, axes=setup.axes)
    assert read_setup(str(SETUP)) == setup


@pytest.mark.parametrize("wrong", [None, 3, ["grid.csv"], b"grid.csv"])
def test_what_is_no_path_is_told_so(wrong: Any) -> None:
    with pytest.raises(GridError, match="file name"):
        read_grid(wrong)
    with pytest.raises(SetupError, match="file name"):
        read_setup(wrong)
    with pytest.raises(LogError, match="file name"):
        read_log(wrong)


def test_one_log_a_list_and_a_generator_give_the_same_proposal(
    log: Log, setup: Setup, proposal: Proposal
) -> None:
    assert propose(log, setup=setup).grid == proposal.grid
    assert propose((one for one in [log]), setup=setup).grid == proposal.grid


@pytest.mark.parametrize(
    "wrong",
    [[], (), None, 3, "session.csv", ["session.csv"], Path("session.csv"), [pd.DataFrame()]],
)
def test_what_are_no_logs_is_told_so(wrong: Any, setup: Setup) -> None:
    with pytest.raises(LogError, match="read_log"):
        propose(wrong, setup=setup)


def test_nothing_gathered_is_told_so(setup: Setup) -> None:
    with pytest.raises(InputError, match="no log was given"):
        gather([], setup=setup, current=Grid.zeros(setup.axes))


def test_a_setup_or_grid_of_another_kind_is_told_so(log: Log, setup: Setup) -> None:
    wrong: Any = "car.toml"
    for call in (
        lambda: propose([log], setup=wrong),
        lambda: reduce_log(log.samples, name="log", setup=wrong),
        lambda: read_log(LOG, setup=wrong),
    ):
        with pytest.raises(SetupError, match="read_setup"):
            call()
    with pytest.raises(GridError, match="read_grid"):
        propose([log], setup=setup, current=wrong)
    with pytest.raises(GridError, match="other breakpoints"):
        propose([log], setup=setup, current=Grid.zeros(axes()))


def test_axes_and_tables_of_words_are_told_so() -> None:
    with pytest.raises(GridError, match="rpm axis holds a value that is not a number"):
        axes(rpm="ab")
    with pytest.raises(GridError, match="table holds a value that is not a number"):
        Grid(axes(), [["a", "b"], ["c", "d"]])  # type: ignore[arg-type]


@pytest.mark.parametrize("column", ["time_s", "rpm", "load", "lambda"])
def test_a_frame_without_a_needed_column_is_told_so(column: str, log: Log, setup: Setup) -> None:
    frame = log.samples.drop(columns=column)
    with pytest.raises(LogError, match=f"no column {column}") as told:
        reduce_log(frame, name="mine", setup=setup)
    assert told.value.where == "mine"
    with pytest.raises(LogError, match=f"no column {column}"):
        propose([replace(log, samples=frame)], setup=setup)


@pytest.mark.parametrize(
    ("mend", "words"),
    [
        (lambda f: f.sample(frac=1.0, random_state=1), "time runs backwards"),
        (lambda f: f.iloc[::-1], "time runs backwards"),
        (lambda f: pd.concat([f, f]), "pass sessions one at a time"),
        (lambda f: f.assign(time_s=np.nan), "time_s is blank in"),
        (lambda f: f.assign(rpm="fast"), "rpm is not numeric"),
        (lambda f: f.to_numpy(), "DataFrame"),
    ],
)
def test_a_frame_that_is_out_of_order_is_told_so(
    mend: Callable[[pd.DataFrame], Any], words: str, log: Log, setup: Setup
) -> None:
    with pytest.raises(LogError, match=words):
        reduce_log(mend(log.samples), name="mine", setup=setup)


def test_time_that_runs_back_between_two_parts_is_told_so() -> None:
    part = pd.DataFrame({"time_s": [0.0, 1.0], "rpm": 1.0, "load": 1.0, "lambda": 1.0})
    assert len(list(checked_parts([part, part.assign(time_s=[1.0, 2.0])], name="long"))) == 2
    with pytest.raises(LogError, match=r"row 1 of the frame.*1 s is followed by 0 s"):
        list(checked_parts([part, part], name="long"))


def test_a_frame_sorted_as_told_is_reduced_as_the_log_is(log: Log, setup: Setup) -> None:
    shuffled = log.samples.sample(frac=1.0, random_state=1).sort_values("time_s")
    found = reduce_log(shuffled, name="mine", setup=setup)
    known = reduce_log(log.samples, name="mine", setup=setup)
    pd.testing.assert_frame_equal(found.holds, known.holds)


# ---- repr


def test_a_proposal_shows_itself_on_one_screen(proposal: Proposal) -> None:
    lines = repr(proposal).splitlines()
    assert len(lines) <= 20
    assert max(map(len, lines)) <= 80
    step = proposal.cells["step_pct"]
    moved = step[step != 0]
    assert f"changed     {len(moved)} of 144 cells, {moved.min():+.1f} to {moved.max():+.1f} %" in (
        repr(proposal)
    )
    rounding = "resolution_pct"
    held = {(o.rpm, o.load) for o in proposal.limited.held_back if o.rule != rounding}
    assert f"held back   {len(held)}" in repr(proposal)
    assert f"{len(proposal.unsafe_held)} of them the unsafe way" in repr(proposal)
    assert "none found" in repr(proposal)


def test_many_long_doubts_still_fit_one_screen(proposal: Proposal) -> None:
    notes = tuple(f"doubt {n}: " + "very " * 60 + "long" for n in range(9))
    engine = replace(proposal.setup.engine, label="a\nb\x1b[2J" * 50)
    doubted = replace(
        proposal,
        evidence=replace(proposal.evidence, notes=notes),
        setup=replace(proposal.setup, engine=engine),
    )
    lines = repr(doubted).splitlines()
    assert len(lines) <= LINES == 20
    assert max(map(len, lines)) <= WIDTH == 80
    assert "\x1b" not in repr(doubted)
    assert "doubt 0" in repr(doubted)
    assert "and 6 more" in repr(doubted)


def test_a_halt_stands_ahead_of_all_other_doubts(proposal: Proposal) -> None:
    halted = Response("no answer", "the grid was not loaded")
    notes = tuple(f"doubt {n}" for n in range(9))
    shown = _nothing(
        replace(proposal.evidence, notes=notes), halted, proposal.setup, proposal.current
    )
    doubts = repr(shown).partition("doubts")[2].splitlines()
    assert doubts[1].strip() == "- halted: the grid was not loaded"
    assert "changed     0 of 144 cells" in repr(shown)


# ---- threads


OBEYING: set[str] = set()
"""Libraries of this process that can be set: other tests may have loaded some that cannot."""


def threads_now() -> set[int]:
    return {pool["num_threads"] for pool in threadpool_info() if pool["filepath"] in OBEYING}


@pytest.fixture
def free_threads() -> None:
    """Take the limits back from whatever thread of an earlier test was the first to set one."""
    threads._take_control()
    with threadpool_limits(limits=2):
        OBEYING.update(p["filepath"] for p in threadpool_info() if p["num_threads"] == 2)
    assert OBEYING


@pytest.mark.skipif(not threadpool_info(), reason="no library for linear algebra tells its threads")
@pytest.mark.usefixtures("free_threads")
def test_inside_one_thread_and_afterwards_what_the_caller_had() -> None:
    with threadpool_limits(limits=2):
        assert threads_now() == {2}
        assert on_one_thread(threads_now)() == {1}
        assert threads_now() == {2}
        with pytest.raises(ZeroDivisionError), one_thread():
            _ = 1 // 0
        assert threads_now() == {2}


@pytest.mark.skipif(not threadpool_info(), reason="no library for linear algebra tells its threads")
@pytest.mark.usefixtures("free_threads")
def test_two_callers_side_by_side_leave_the_threads_as_they_were() -> None:
    entered, go_on = threading.Event(), threading.Event()

    def first() -> None:
        with one_thread():
            entered.set()
            go_on.wait(10.0)

    with threadpool_limits(limits=2):
        other = threading.Thread(target=first)
        other.start()
        entered.wait(10.0)
        with one_thread():
            go_on.set()
            other.join()
            assert threads_now() == {1}  # the first has left, this one is still inside
        assert threads_now() == {2}


@pytest.mark.skipif(not threadpool_info(), reason="no library for linear algebra tells its threads")
@pytest.mark.usefixtures("free_threads")
def test_proposing_solves_on_one_thread(
    log: Log, setup: Setup, monkeypatch: pytest.MonkeyPatch
) -> None:
    from tuneassist.evidence import lattice

    seen: list[set[int]] = []
    search = lattice._search

    def watched(*args: Any, **kwargs: Any) -> Any:
        seen.append(threads_now())
        return search(*args, **kwargs)

    monkeypatch.setattr(lattice, "_search", watched)
    with threadpool_limits(limits=2):
        propose([log], setup=setup)
        assert seen
        assert all(threads == {1} for threads in seen)
        assert threads_now() == {2}


def test_every_error_of_these_is_the_packages_own() -> None:
    assert issubclass(LogError, TuneassistError)
    assert issubclass(GridError, TuneassistError)
    assert issubclass(SetupError, TuneassistError)
