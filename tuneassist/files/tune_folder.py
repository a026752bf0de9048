"""A tune's folder: human-readable files, none of them ever deleted.

::

    tune.json        format, program version, label, fingerprint of what the evidence depends on
    setup.toml       the setup as it was at the start; its limits may be edited
    target.csv       the target file that the setup refers to, where there is one
    start-grid.csv   what the controller held at the start
    history.json     events, oldest first: the single record that the state is derived from
    round-NN/        a round that counts: the four files of a proposal, ``in-force.csv``, and the
                     evidence (see `tuneassist.files.round_evidence`)
    loaded-NN/       a grid as it was loaded after edits by hand
    restored-NN/     the grid of an earlier round, to be loaded again
    setup-NN/        a setup that replaced the one before; the last is in force
    kept/            folders of steps that were undone, reassessed or taken out

Every file and every folder is written beside its place, flushed to the disk and renamed. An
event in ``history.json`` is what makes a folder count, and is written after the folder is
complete; a folder without an event, left by a program that was killed, goes to ``kept``. The
history alone says where a folder belongs, and every command first moves each to its place.
"""

from __future__ import annotations

import contextlib
import errno
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, cast

import filelock

from tuneassist import __version__
from tuneassist.errors import InputError, OutputError
from tuneassist.files.brought_in_grid import read_brought_in
from tuneassist.files.grid_file import read_grid, write_grid_text
from tuneassist.files.json_file import read_record, take, take_list
from tuneassist.files.result_writer import write_proposal
from tuneassist.files.round_evidence import StoredEvidence, known_format, read_evidence
from tuneassist.files.round_files import PUT_BACK, RoundFiles, differing_cell, fuel_grid
from tuneassist.files.safe_files import snippet, write_atomically
from tuneassist.files.serialise import WRONG_SHAPE, stable_json
from tuneassist.files.setup_file import read_setup, read_setup_files, setup_of
from tuneassist.files.tune_layout import (
    HISTORY,
    LOCK,
    START_GRID,
    TUNE,
    free_kept_path,
    refuse_links,
    restore_layout,
)
from tuneassist.files.tune_setup import (
    RESTS_ON,
    SETUP,
    evidence_fingerprint,
    read_tune_setup,
    setup_copies,
)
from tuneassist.grid import Grid
from tuneassist.loop.history import (
    FIRST_KINDS,
    KINDS,
    START,
    WITH_FUEL,
    Event,
    Kind,
    RoundEntry,
    TuneState,
    replay,
    round_name,
)
from tuneassist.loop.pooling import Round
from tuneassist.loop.retarget import retargeted
from tuneassist.settings import Setup

FORMAT = 3
"""Newest format of a tune's folder; from 2 on steps bring in grids and setups, in 3 fuel was taken
away beside a boost grid."""
FORMAT_WITHOUT_FUEL = 2
"""Format that is written where no fuel was taken away, so that older programs read it. They would
take the engine's answer to less fuel for an answer to the boost."""
_READ_ONLY = (errno.EACCES, errno.EPERM, errno.EROFS)


@dataclass(frozen=True, eq=False)
class TuneFolder:
    """A tune as read, its lock held.

    Parameters
    ----------
    path
        The folder.
    setup
        The car's setup.
    events
        All events.
    state
        The state after them.
    setup_path
        The file that the setup was read from.
    """

    path: Path
    setup: Setup
    events: tuple[Event, ...]
    state: TuneState
    setup_path: Path

    def grid_path(self, name: str) -> Path:
        """Return the file of a grid: "start", or the name of a round or of a step's grid."""
        return self.path / START_GRID if name == START else self.path / name / "grid.csv"

    def files(self, entry: RoundEntry) -> RoundFiles:
        """Return a round's folder, with the fingerprints in the history."""
        return RoundFiles(self.path / entry.name, dict(entry.files))

    def grid(self, name: str) -> Grid:
        """Read a grid by its name.

        Raises
        ------
        InputError
            When a proposed grid was changed.
        """
        if name == START:
            return read_grid(self.grid_path(name), axes=self.setup.axes)
        if brought_in := self.state.grid_entry(name):
            return read_brought_in(self.path, brought_in, self.setup.axes)
        known = next((entry.files for entry in self.state.rounds if entry.name == name), ())
        return RoundFiles(self.path / name, dict(known)).proposed(self.setup.axes)

    def fuel(self, name: str) -> Grid | None:
        """Read a round's grid of fuel to take away; None for an empty name.

        Raises
        ------
        InputError
            When it was changed, or gives fuel.
        """
        if not name:
            return None
        known = next((entry.files for entry in self.state.rounds if entry.name == name), ())
        return fuel_grid(RoundFiles(self.path / name, dict(known)), self.setup.axes)

    def in_force(self, entry: RoundEntry) -> Grid:
        """Read the grid that the controller held while a round was logged.

        Raises
        ------
        InputError
            When the round stored another grid than the one that it names.
        """
        kept = self.files(entry).grid("in-force.csv", self.setup.axes)
        if cell := differing_cell(self.grid(entry.in_force), kept):
            raise InputError(
                f"this is not the grid with which round {entry.number} was logged: {cell}.",
                where=str(self.grid_path(entry.in_force)),
                mend=PUT_BACK,
            )
        return kept

    def evidence(self, entry: RoundEntry) -> StoredEvidence:
        """Read the evidence of a round's logs, counted from the target in force."""
        files = self.files(entry)
        if not files.folder.is_dir():
            raise InputError(
                f"the folder of round {entry.number} is missing.",
                where=str(files.folder),
                mend="Restore it from a copy, or take the round back with "
                "`tuneassist rounds undo`.",
            )
        stored = read_evidence(files.folder, self.setup.axes, known=files.known)
        if stored.made != entry.made:
            raise InputError(
                "this evidence belongs to another round.",
                where=str(files.folder / "evidence.json"),
                mend=PUT_BACK,
            )
        return self._from_target_in_force(stored, entry)

    def _from_target_in_force(self, stored: StoredEvidence, entry: RoundEntry) -> StoredEvidence:
        if entry.setup == self.state.setup:
            return stored
        before = read_setup(self.path / entry.setup / SETUP).target.table
        now, axes = self.setup.target.table, self.setup.axes
        logs = (retargeted(log, axes=axes, before=before, now=now) for log in stored.logs)
        return replace(stored, logs=tuple(logs))

    def rounds(self, marks: Sequence[RoundEntry]) -> list[Round]:
        """Read rounds as they were made."""
        found = [(entry, self.evidence(entry)) for entry in marks]
        return [
            Round(
                entry.number,
                stored.counted,
                self.in_force(entry),
                stored.response,
                self.fuel(entry.fuel),
            )
            for entry, stored in found
        ]

    def require_room(self, name: str) -> None:
        """Refuse a step whose folder's place is taken by something else.

        Raises
        ------
        InputError
            Before any work is done.
        """
        place = self.path / name
        if place.exists() or place.is_symlink():
            what, _, number = name.partition("-")
            raise InputError(
                f"this is in the place of {what} {int(number)}, but is not one of this tune.",
                where=str(place),
                mend="Move it away or rename it, then repeat.",
            )

    def write_round(self, number: int, contents: Mapping[str, str]) -> Path:
        """Write a round's folder whole; it does not count before `record_event`."""
        return self.write_folder(round_name(number), contents)

    def write_folder(self, name: str, contents: Mapping[str, bytes | str]) -> Path:
        """Write a step's folder whole; it does not count before `record_event`."""
        place = self.path / name
        if place.exists():
            place = free_kept_path(self.path, place.name)
        return write_proposal(place, contents)

    def require_possible(self, event: Event) -> None:
        """Refuse an event that is not possible now, before its folder is written."""
        replay((*self.events, event))

    def record_event(self, event: Event) -> TuneFolder:
        """Add an event to the history and move every folder to its place.

        Raises
        ------
        InputError
            When the event is not possible now; nothing is written.
        OutputError
            When the history cannot be written.
        """
        events = (*self.events, event)
        state = replay(events)
        write_atomically(self.path / HISTORY, history_text(events).encode("utf-8"))
        restore_layout(self.path, state)
        after = replace(self, events=events, state=state)
        if state.setup == self.state.setup:
            return after
        setup, path = _setup_in_force(self.path, state)
        return replace(after, setup=setup, setup_path=path)


def start_tune(folder: Path, *, setup: Path, grid: Path | None, time: str) -> TuneFolder:
    """Open a new tune.

    Parameters
    ----------
    folder
        Missing or empty.
    setup
        The car's setup file.
    grid
        The grid in the controller now; None is all zeros.
    time
        When, as ISO 8601.

    Returns
    -------
    TuneFolder
        As read back.

    Raises
    ------
    InputError
        When setup or grid cannot be used, or the folder holds a tune.
    OutputError
        When the folder cannot be written, or holds something else.
    """
    if (folder / HISTORY).exists() or (folder / TUNE).exists():
        raise InputError(
            "a tune has been started here already.",
            where=str(folder),
            mend="See `tuneassist rounds status`, or name another folder.",
        )
    read = read_setup_files(setup)
    car = setup_of(read)
    held = read_grid(grid, axes=car.axes) if grid else Grid.zeros(car.axes)
    record = {
        "format": FORMAT_WITHOUT_FUEL,
        "program": "tuneassist",
        "version": __version__,
        "label": car.engine.label,
        "started_at": time,
        "setup_from": str(setup),
        RESTS_ON: evidence_fingerprint(read),
    }
    contents: dict[str, bytes | str] = {
        **setup_copies(read),
        START_GRID: write_grid_text(held),
        TUNE: stable_json(record),
        HISTORY: history_text((Event("start", time),)),
    }
    write_proposal(folder, contents)
    return read_tune(folder)


@contextlib.contextmanager
def open_tune(folder: Path, *, is_reading: bool = False) -> Iterator[TuneFolder]:
    """Lock a tune, put its folders in place and read it.

    Parameters
    ----------
    folder
        The tune's folder.
    is_reading
        Nothing will be changed, so the folder may be read-only.

    Raises
    ------
    InputError
        When there is no tune, it cannot be read, or another program is using it.
    """
    if not (folder / HISTORY).is_file():
        raise InputError(
            "there is no tune here.",
            where=str(folder),
            mend="Start one with `tuneassist rounds start`.",
        )
    refuse_links(folder)
    with _locked(folder, is_reading=is_reading) as is_locked:
        if is_locked:
            restore_layout(folder, _replayed(folder, read_history(folder)))
        yield read_tune(folder)


@contextlib.contextmanager
def _locked(folder: Path, *, is_reading: bool) -> Iterator[bool]:
    lock = filelock.FileLock(folder / LOCK, timeout=0)
    try:
        lock.acquire()
    except filelock.Timeout:
        raise InputError(
            "another program is working on this tune.",
            where=str(folder),
            mend="Let it end, then repeat.",
        ) from None
    except OSError as error:
        if is_reading and error.errno in _READ_ONLY:
            yield False
            return
        raise OutputError(f"{folder}: the tune cannot be locked: {error.strerror}.") from error
    try:
        yield True
    finally:
        lock.release()


def read_tune(folder: Path) -> TuneFolder:
    """Read a tune whose lock is held."""
    record = read_record(folder / TUNE)
    known_format(READERS, record.get("format"), where=str(folder / TUNE))
    events = read_history(folder)
    state = _replayed(folder, events)
    if state.setups:
        read_tune_setup(folder, record.get(RESTS_ON))
    setup, path = _setup_in_force(folder, state)
    return TuneFolder(folder, setup, events, state, path)


def _setup_in_force(folder: Path, state: TuneState) -> tuple[Setup, Path]:
    """Read the setup that a state is in, which a step of it may have put in force."""
    if state.setups:
        rests_on: Any = state.setups[-1].rests_on
    else:
        rests_on = read_record(folder / TUNE).get(RESTS_ON)
    place = folder / state.setup
    return read_tune_setup(place, rests_on), place / SETUP


def _replayed(folder: Path, events: Sequence[Event]) -> TuneState:
    try:
        return replay(events)
    except InputError as error:
        raise InputError(
            error.problem, where=str(folder / HISTORY), mend="Restore it from a copy."
        ) from error


def history_text(events: Sequence[Event]) -> str:
    """Return the content of ``history.json``."""
    plain = [{"kind": e.kind, "time": e.time, **e.details} for e in events]
    has_fuel = any(event.get(WITH_FUEL) for event in plain)
    form = FORMAT if has_fuel else FORMAT_WITHOUT_FUEL
    return stable_json({"format": form, "events": plain})


def read_history(folder: Path) -> tuple[Event, ...]:
    """Read the events.

    Raises
    ------
    InputError
        When the file is invalid, or was written by a newer program.
    """
    path = folder / HISTORY
    record = read_record(path)
    reader = known_format(READERS, record.get("format"), where=str(path))
    try:
        events = cast("tuple[Event, ...]", reader(record))
        replay(events)
        return events
    except InputError as error:
        if error.where:
            raise
        raise InputError(error.problem, where=str(path), mend=error.mend) from error
    except WRONG_SHAPE as error:
        raise InputError(
            f"the history cannot be read: {type(error).__name__}, {error}.",
            where=str(path),
            mend="Restore it from a copy.",
        ) from error


def _read_1(record: Mapping[str, Any]) -> tuple[Event, ...]:
    """Read format 1, which has no steps that bring in grids or setups."""
    return _read_events(record, FIRST_KINDS)


def _read_2(record: Mapping[str, Any]) -> tuple[Event, ...]:
    return _read_events(record, KINDS)


def _read_events(record: Mapping[str, Any], kinds: Sequence[Kind]) -> tuple[Event, ...]:
    """Read the events; unknown keys are kept as details."""
    events = []
    for one in take_list(record, "events", dict):
        kind = take(one, "kind", str)
        if kind not in kinds:
            raise ValueError(f'"{snippet(kind)}" is not a known event')
        details = {name: value for name, value in one.items() if name not in ("kind", "time")}
        events.append(Event(kind, take(one, "time", str), details))
    return tuple(events)


READERS: Mapping[int, Callable[[Mapping[str, Any]], tuple[Event, ...]]] = {
    1: _read_1,
    2: _read_2,
    FORMAT: _read_2,
}
"""One reader per format that was ever written."""
