"""A tune's folder: plain files that a person can read, none of them ever deleted.

::

    tune.json        format, program version, label, fingerprint of what the evidence rests on
    setup.toml       the setup as it was at the start; its limits may be edited
    target.csv       the target file that the setup refers to, where there is one
    start-grid.csv   what the controller held at the start
    history.json     what happened, oldest first: the one record from which the state follows
    round-NN/        what counts of a round: the four files of a proposal, ``in-force.csv``, and the
                     evidence (see `tuneassist.files.round_evidence`)
    kept/            rounds that were undone, judged again or taken out

Every file and every round folder is written beside its place, forced to the disk and renamed. An
event in ``history.json`` is what makes a round count, and is written after the round's folder is
complete; a folder without an event, left by a program that was killed, goes to ``kept``. Where a
folder belongs follows from the history alone, and every command first puts each in its place.
"""

from __future__ import annotations

import contextlib
import errno
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, cast

import filelock
import numpy as np

from tuneassist import __version__
from tuneassist.errors import InputError, OutputError
from tuneassist.files.grid_file import read_grid, write_grid_text
from tuneassist.files.proposal_folder import sync_folder, write_proposal, writing_to
from tuneassist.files.round_evidence import StoredEvidence, known_format, read_evidence
from tuneassist.files.setup_file import read_setup
from tuneassist.files.text import WRONG_SHAPE, read_json, stable_json
from tuneassist.files.tune_places import free_place, tidy
from tuneassist.files.tune_setup import SETUP, fingerprint, require_same_setup, setup_texts
from tuneassist.grid import Grid, compose_pct
from tuneassist.loop.history import KINDS, START, Event, RoundMark, TuneState, replay, round_name
from tuneassist.loop.pool import Round
from tuneassist.settings import Setup

FORMAT = 1
"""Form in which a tune's folder is written."""
TUNE, HISTORY, START_GRID = "tune.json", "history.json", "start-grid.csv"
LOCK = ".tuneassist-lock"
MISMATCH_PCT = 0.01
"""How far a proposed grid may be from what step and grid in force compose to: a spreadsheet saves
the digits that it shows, and no controller takes finer ones. [%]"""
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
        All that happened.
    state
        What follows from it.
    """

    path: Path
    setup: Setup
    events: tuple[Event, ...]
    state: TuneState

    def grid_path(self, name: str) -> Path:
        """Return the file of a grid: "start" or a round's name."""
        return self.path / START_GRID if name == START else self.path / name / "grid.csv"

    def grid(self, name: str) -> Grid:
        """Read a grid by its name.

        Raises
        ------
        InputError
            When a proposed grid is not what was proposed.
        """
        path = self.grid_path(name)
        found = read_grid(path, axes=self.setup.axes)
        if name != START:
            before, step = (
                read_grid(path.with_name(part), axes=self.setup.axes).values
                for part in ("in-force.csv", "step.csv")
            )
            apart = np.abs(compose_pct(before, step) - found.values)
            is_changed = (np.isfinite(before) != np.isfinite(found.values)).any()
            if is_changed or (apart[np.isfinite(apart)] > MISMATCH_PCT).any():
                raise InputError(
                    "this is not the grid that was proposed.",
                    where=str(path),
                    mend="Put it back as it was. If the controller holds other values than "
                    "proposed, start a new tune with --grid.",
                )
        return found

    def evidence(self, mark: RoundMark) -> StoredEvidence:
        """Read what a round's logs said."""
        folder = self.path / mark.name
        if not folder.is_dir():
            raise InputError(
                f"the folder of round {mark.number} is missing.",
                where=str(folder),
                mend="Restore it from a copy, or take the round back with "
                "`tuneassist rounds undo`.",
            )
        return read_evidence(folder, self.setup.axes)

    def rounds(self, marks: Sequence[RoundMark]) -> list[Round]:
        """Read rounds as they were made."""
        found = [(mark, self.evidence(mark)) for mark in marks]
        return [
            Round(mark.number, stored.counted, self.grid(mark.in_force), stored.response)
            for mark, stored in found
        ]

    def write_round(self, number: int, contents: Mapping[str, str]) -> Path:
        """Write a round's folder whole; it does not count before `happened` says so."""
        place = self.path / round_name(number)
        if place.exists():
            place = free_place(self.path, place.name)
        return write_proposal(place, contents)

    def happened(self, event: Event) -> TuneFolder:
        """Put an event into the history and every folder in its place.

        Raises
        ------
        InputError
            When the event is not possible now; nothing is written.
        OutputError
            When the history cannot be written.
        """
        events = (*self.events, event)
        state = replay(events)
        replace_text(self.path / HISTORY, history_text(events))
        tidy(self.path, state)
        return replace(self, events=events, state=state)


def start_tune(folder: Path, *, setup: Path, grid: Path | None, time: str) -> TuneFolder:
    """Open a new tune.

    Parameters
    ----------
    folder
        Missing or empty.
    setup
        The car's setup file.
    grid
        What the controller holds now; None is all zeros.
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
            mend="Look at it with `tuneassist rounds status`, or name another folder.",
        )
    car = read_setup(setup)
    held = read_grid(grid, axes=car.axes) if grid else Grid.zeros(car.axes)
    texts = setup_texts(setup)
    record = {
        "format": FORMAT,
        "program": "tuneassist",
        "version": __version__,
        "label": car.engine.label,
        "started_at": time,
        "setup_from": str(setup),
        "evidence_rests_on_sha256": fingerprint(texts),
    }
    contents = {
        **texts,
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
        Nothing will be changed, so that a folder that cannot be written is good enough.

    Raises
    ------
    InputError
        When there is no tune, it cannot be read, or another program works on it.
    """
    if not (folder / HISTORY).is_file():
        raise InputError(
            "there is no tune here.",
            where=str(folder),
            mend="Start one with `tuneassist rounds start`.",
        )
    with _locked(folder, is_reading=is_reading) as is_locked:
        if is_locked:
            tidy(folder, replay(read_history(folder)))
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
    record = _json(folder / TUNE)
    known_format(READERS, record.get("format"), where=str(folder / TUNE))
    events = read_history(folder)
    require_same_setup(folder, record)
    return TuneFolder(folder, read_setup(folder / SETUP), events, replay(events))


def history_text(events: Sequence[Event]) -> str:
    """Return the content of ``history.json``."""
    plain = [{"kind": e.kind, "time": e.time, **e.details} for e in events]
    return stable_json({"format": FORMAT, "events": plain})


def read_history(folder: Path) -> tuple[Event, ...]:
    """Read what happened.

    Raises
    ------
    InputError
        When the file cannot be meant as it stands, or was written by a newer program.
    """
    path = folder / HISTORY
    record = _json(path)
    reader = known_format(READERS, record.get("format"), where=str(path))
    try:
        events = cast("tuple[Event, ...]", reader(record))
        replay(events)
        return events
    except InputError:
        raise
    except WRONG_SHAPE as error:
        raise InputError(
            f"the history cannot be read: {type(error).__name__}, {error}.",
            where=str(path),
            mend="Restore it from a copy.",
        ) from error


def _read_1(record: Mapping[str, Any]) -> tuple[Event, ...]:
    """Read format 1; keys that are not known are kept as details."""
    events = []
    for one in record["events"]:
        if one["kind"] not in KINDS:
            raise ValueError(f'"{one["kind"]}" is no event')
        details = {name: value for name, value in one.items() if name not in ("kind", "time")}
        events.append(Event(one["kind"], str(one["time"]), details))
    return tuple(events)


READERS: Mapping[int, Callable[[Mapping[str, Any]], tuple[Event, ...]]] = {1: _read_1}
"""One reader per format that was ever written."""


def _json(path: Path) -> Mapping[str, Any]:
    try:
        record = read_json(path)
    except OSError as error:
        raise InputError(
            f"the file cannot be read: {error.strerror or error}.", where=str(path)
        ) from error
    except ValueError as error:
        raise InputError(
            f"this is no valid JSON: {error}.", where=str(path), mend="Restore it from a copy."
        ) from error
    if not isinstance(record, dict):
        raise InputError("this is no record of a tune.", where=str(path))
    return record


def replace_text(path: Path, text: str) -> None:
    """Replace a file's content, whole or not at all."""
    fresh = path.with_name(f".{path.name}.tuneassist-writing")
    with writing_to(path):
        with fresh.open("w", encoding="utf-8", newline="") as stream:
            stream.write(text)
            stream.flush()
            os.fsync(stream.fileno())
        fresh.replace(path)
        sync_folder(path.parent)
