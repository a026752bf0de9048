"""The files of a set of tunes of which some were made: one folder per tune, and their list."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path, PurePosixPath
from typing import Any

import numpy as np

from tuneassist import __version__
from tuneassist.channels import CHANNELS
from tuneassist.correction import check_grid
from tuneassist.errors import RuleBreachError
from tuneassist.files.grid_file import MAX_BYTES, grid_of, write_grid_text
from tuneassist.files.json_file import read_record
from tuneassist.files.safe_files import read_bounded
from tuneassist.files.serialise import frame_csv, sha256_of, shortest_number, stable_json
from tuneassist.files.setup_file import SetupFiles, read_setup, read_setup_files
from tuneassist.files.tunes_folder import LIST_FILE, TuneFiles
from tuneassist.grid import Grid
from tuneassist.loop.derive import DerivedSet, DerivedTune
from tuneassist.loop.tune_model import Tune
from tuneassist.settings import Ceiling, Setup, as_plain
from tuneassist.units import convert

DECIMALS = 10
"""Decimals of a percent in ``grid.csv``; cuts only floating-point noise. [1]"""
LONGEST_NAME = 40
"""Most letters of a tune's folder. [1]"""
RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)", re.IGNORECASE)
"""Names that Windows keeps for itself."""
RECORD, GRID_HASH = "derived.json", "grid_sha256"
"""The record beside a grid that was made, and its key for the grid's fingerprint."""
SHARED_SETUP = "car.toml"
"""Name of the setup in the new folder."""


@dataclass(frozen=True, eq=False)
class _Places:
    """Where each setup and tune goes in the new folder."""

    setups: Mapping[Path, str]
    folders: Mapping[str, str]


def set_contents(
    made: DerivedSet, standard: TuneFiles, strong: TuneFiles
) -> dict[str, bytes | str]:
    """Return the files of the set by their path in its folder.

    Parameters
    ----------
    made
        The tunes.
    standard, strong
        The files that they were made from; they are copied.

    Raises
    ------
    RuleBreachError
        When a grid, read back from its text, breaks a rule.
    """
    places = _places(made, standard, strong)
    contents: dict[str, bytes | str] = {}
    for path, name in places.setups.items():
        contents |= _setup_contents(read_setup_files(path), name)
    for source in (standard, strong):
        contents |= _copied(source, places.folders[source.tune.name])
    inputs = [*_inputs("standard", standard), *_inputs("strong", strong)]
    for one in made.made:
        folder = places.folders[one.tune.name]
        text = _checked_text(one.tune)
        contents[f"{folder}/grid.csv"] = text
        contents[f"{folder}/cells.csv"] = frame_csv(one.cells, exact=("rpm", "load"))
        record = {**_record(one, made, inputs), GRID_HASH: sha256(text.encode()).hexdigest()}
        contents[f"{folder}/{RECORD}"] = stable_json(record)
    contents[LIST_FILE] = _list_text(made, standard, strong, places)
    return contents


def is_as_derived(grid: Path) -> bool:
    """Tell whether a grid is still the one that the record beside it describes.

    Parameters
    ----------
    grid
        Its file; without a record, or with one that has no fingerprint, there is nothing to tell.
    """
    record = grid.with_name(RECORD)
    if not record.is_file():
        return True
    return bool(read_record(record).get(GRID_HASH, sha256_of(grid)) == sha256_of(grid))


def _places(made: DerivedSet, standard: TuneFiles, strong: TuneFiles) -> _Places:
    folders: dict[str, str] = {}
    for tune in made.tunes:
        folders[tune.name] = _free(folder_name(tune.name), set(folders.values()))
    setups = {strong.setup: SHARED_SETUP}
    if standard.setup.resolve() != strong.setup.resolve():
        setups[standard.setup] = f"{folders[standard.tune.name]}/{SHARED_SETUP}"
    else:
        setups[standard.setup] = SHARED_SETUP
    return _Places(setups, folders)


def folder_name(name: str) -> str:
    """Return a tune's name as a folder's: plain letters, digits and dashes.

    Examples
    --------
    >>> folder_name("For the trailer!"), folder_name("CON"), folder_name("...")
    ('for-the-trailer', 'tune-con', 'tune')
    """
    plain = re.sub(r"[^a-z0-9]+", "-", name.casefold()).strip("-")[:LONGEST_NAME].strip("-")
    if not plain:
        return "tune"
    return f"tune-{plain}" if RESERVED.fullmatch(plain) else plain


def _free(name: str, taken: set[str]) -> str:
    free, number = name, 2
    while free in taken:
        free, number = f"{name}-{number}", number + 1
    return free


def _setup_contents(files: SetupFiles, name: str) -> dict[str, bytes | str]:
    """Copy a setup, and the table of targets that it names, beside it."""
    contents: dict[str, bytes | str] = {name: files.setup}
    if files.target_name is not None and files.target is not None:
        target = PurePosixPath(files.target_name.replace("\\", "/"))
        contents[str(PurePosixPath(name).parent / target)] = files.target
    return contents


def _copied(source: TuneFiles, folder: str) -> dict[str, bytes | str]:
    grid: bytes | str = write_grid_text(source.tune.grid)
    if source.grid is not None:
        grid = read_bounded(source.grid, most=MAX_BYTES, what="a grid")
    contents: dict[str, bytes | str] = {f"{folder}/grid.csv": grid}
    if source.run is not None:
        contents[f"{folder}/{_run_name(source.run)}"] = source.run.read_bytes()
    return contents


def _run_name(path: Path) -> str:
    """Name a copied run; every ending counts, since it may say how the file is packed."""
    return "run" + "".join(re.sub(r"[^.a-z0-9]", "", end.casefold()) for end in path.suffixes[-2:])


def _inputs(role: str, source: TuneFiles) -> Iterator[dict[str, str]]:
    for what, path in (("setup", source.setup), ("grid", source.grid), ("run", source.run)):
        if path is not None:
            yield {
                "role": f"{what} of the {role} tune",
                "name": path.name,
                "sha256": sha256_of(path),
            }


def _checked_text(tune: Tune) -> str:
    """Write a grid, and hold it against every rule as it will be read from its file."""
    axes = tune.setup.axes
    text = write_grid_text(Grid(axes, np.round(tune.grid.values, DECIMALS)))
    read = grid_of(text.encode("utf-8"), where=f"the grid of {tune.name}", axes=axes)
    breaches = check_grid(read, current=None, setup=tune.setup)
    if breaches:
        raise RuleBreachError(
            f"The grid of {tune.name} as written breaks a rule; nothing is written.",
            tuple(breach.sentence for breach in breaches),
        )
    return text


def _record(
    one: DerivedTune, made: DerivedSet, inputs: Sequence[Mapping[str, str]]
) -> dict[str, Any]:
    return {
        "program": "tuneassist",
        "version": __version__,
        "made_at": datetime.now(UTC).isoformat(timespec="seconds"),
        "label": one.tune.setup.engine.label,
        "name": one.tune.name,
        "kind": one.tune.kind,
        "made_from": {"standard": made.standard.name, "strong": made.strong.name},
        "inputs": list(inputs),
        "asked": as_plain(one.plan),
        "settings": as_plain(made.settings),
        "ceilings": as_plain(one.tune.setup.limits.ceilings),
        "runs": made.two.words if made.two is not None else None,
        "prediction": one.prediction.to_dict("records"),
        "bounds_that_acted": one.bounds.to_dict("records"),
        "notes": [*made.notes, *one.notes],
        "checked": "grid.csv, read back from its text, breaks no rule",
    }


# -- the list ---------------------------------------------------------------------------------


def _list_text(made: DerivedSet, standard: TuneFiles, strong: TuneFiles, places: _Places) -> str:
    lines = [f"setup = {toml_text(SHARED_SETUP)}"]
    for tune in made.tunes:
        source = next((s for s in (standard, strong) if s.tune.name == tune.name), None)
        folder = places.folders[tune.name]
        entry = {"name": toml_text(tune.name), "kind": toml_text(tune.kind)}
        setup = strong.setup if source is None else source.setup
        if places.setups[setup] != SHARED_SETUP:
            entry["setup"] = toml_text(places.setups[setup])
        entry["grid"] = toml_text(f"{folder}/grid.csv")
        if source is not None and source.run is not None:
            entry["run"] = toml_text(f"{folder}/{_run_name(source.run)}")
            if source.air:
                entry["air"] = f"[{', '.join(map(shortest_number, source.air))}]"
        if own := _own_ceilings(tune.setup, setup):
            entry["ceilings"] = own
        lines += ["", "[[tune]]", *(f"{key} = {value}" for key, value in entry.items())]
    return "\n".join(lines) + "\n"


def _own_ceilings(setup: Setup, path: Path) -> str:
    """Write the ceilings that differ from those of the setup's file; empty where none does."""
    general = read_setup(path).limits.ceilings
    entries = [
        f"{name} = {_ceiling_text(name, ceiling)}"
        for name, ceiling in setup.limits.ceilings.items()
        if ceiling != general.get(name)
    ]
    return "{ " + ", ".join(entries) + " }" if entries else ""


def _ceiling_text(name: str, ceiling: Ceiling) -> str:
    inside = CHANNELS[name].unit
    unit = ceiling.given_unit or inside
    numbers = {"ceiling": ceiling.ceiling, "hard": ceiling.hard}
    parts = [
        f"{key} = {shortest_number(round(float(convert(value, inside, unit)), 6))}"
        for key, value in numbers.items()
        if value is not None
    ]
    if ceiling.given_unit is not None or unit != "1":
        parts.append(f"unit = {toml_text(unit)}")
    return "{ " + ", ".join(parts) + " }"


def toml_text(words: str) -> str:
    r"""Write a text as TOML.

    Examples
    --------
    >>> toml_text('a "b"'), toml_text("c\\d")
    ('"a \\"b\\""', '"c\\\\d"')
    """
    return json.dumps(words, ensure_ascii=False).replace("\x7f", "\\u007f")
