"""The setup of a tune: copied with its target file, and checked for later changes."""

from __future__ import annotations

import hashlib
import re
import tomllib
from dataclasses import replace
from itertools import islice
from pathlib import Path

from tuneassist.errors import InputError, SetupError
from tuneassist.files.grid_file import decoded
from tuneassist.files.serialise import stable_json
from tuneassist.files.setup_file import SetupFiles, read_setup_files, setup_of
from tuneassist.settings import Setup

SETUP, TARGET = "setup.toml", "target.csv"
"""Names of the copies."""
RESTS_ON = "evidence_rests_on_sha256"
"""Key of ``tune.json`` that holds the fingerprint."""
_FILE = re.compile(r"""\bfile["']?\s*=\s*("(?:[^"\\\n]|\\.)*"|'[^'\n]*')""")
MOST_PLACES = 100
"""Places of the text that are tried: each is a full parse of the text. [1]"""


def setup_copies(files: SetupFiles) -> dict[str, bytes]:
    """Return the files of a setup that a tune stores: the bytes as read.

    Only a target file of another name is renamed in the setup's text.
    """
    if files.target is None:
        return {SETUP: files.setup}
    if files.target_name == TARGET:
        return {SETUP: files.setup, TARGET: files.target}
    return {SETUP: _with_target_file(files).encode("utf-8"), TARGET: files.target}


def _with_target_file(files: SetupFiles) -> str:
    """Change the setup's text to the target file's name in the tune."""
    text = files.setup.decode("utf-8-sig")
    values = tomllib.loads(text)
    wanted = stable_json({**values, "target": {**values["target"], "file": TARGET}})
    for found in islice(_FILE.finditer(text), MOST_PLACES):
        tried = f'{text[: found.start(1)]}"{TARGET}"{text[found.end(1) :]}'
        if _has_values(tried, wanted):
            return tried
    raise InputError(
        "target.file cannot be found in the text.",
        where=str(files.path),
        mend=f'Write it on a line of its own under [target]: file = "{TARGET}".',
    )


def _has_values(text: str, wanted: str) -> bool:
    try:
        return stable_json(tomllib.loads(text)) == wanted
    except tomllib.TOMLDecodeError:  # the match was inside another text
        return False


def evidence_fingerprint(files: SetupFiles, *, is_as_written: bool = False) -> str:
    """Fingerprint what the evidence depends on: all of a setup but labels, limits and gains.

    Parameters
    ----------
    files
        The setup as read and checked.
    is_as_written
        Keep the target file's line ends, as version 0.1.0 did.

    Returns
    -------
    str
        SHA-256, 64 hexadecimal digits.
    """
    values = tomllib.loads(files.setup.decode("utf-8-sig"))
    engine = {k: v for k, v in values.get("engine", {}).items() if k not in _FREE_ENGINE_KEYS}
    target, table = dict(values["target"]), ""
    if files.target is not None:
        target["file"] = TARGET
        table = decoded(files.target, str(files.path))
    parts = {
        **{name: values.get(name, {}) for name in ("axes", "target", "channels", "steady")},
        "target": target,
        "engine": engine,
        "acts_on": values.get("correction", {}).get("acts_on", "fuel"),
        "ceilings": sorted(values.get("limits", {}).get("ceilings", {})),
        "target_file": table if is_as_written else table.replace("\r\n", "\n"),
    }
    return hashlib.sha256(stable_json(parts).encode("utf-8")).hexdigest()


_FREE_ENGINE_KEYS = ("label", "rev_limit_rpm")


def refuse_other_meaning(before: Setup, now: Setup) -> None:
    """Refuse a setup that gives the stored evidence another meaning.

    Parameters
    ----------
    before, now
        The setup in force, and the one to replace it: target, limits and gains may differ.

    Raises
    ------
    SetupError
        When anything else differs; names it.
    """
    engine = replace(before.engine, label=now.engine.label, rev_limit_rpm=now.engine.rev_limit_rpm)
    differs = {
        "[axes]": before.axes != now.axes,
        "target.kind": before.target.kind != now.target.kind,
        "[engine]": engine != now.engine,
        "[channels]": (before.channels, before.unread) != (now.channels, now.unread),
        "[steady]": before.steady != now.steady,
        "correction.acts_on": before.correction.acts_on != now.correction.acts_on,
    }
    names = ", ".join(name for name, is_other in differs.items() if is_other)
    if names:
        raise SetupError(
            f"it differs from the setup of the tune in {names}, but the stored evidence depends "
            "on that.",
            where=now.source,
            mend="Change the target, limits and gains alone, or start a new tune with --grid.",
        )


def read_tune_setup(folder: Path, rests_on: object) -> Setup:
    """Read a tune's setup; refuse one that would change the meaning of the stored evidence.

    Parameters
    ----------
    folder
        The tune's folder, or the one of a setup that came later.
    rests_on
        The fingerprint that it had when it came into force.

    Raises
    ------
    InputError
        When it cannot be read, was changed, or cannot be compared.
    """
    files = read_setup_files(folder / SETUP)
    setup = setup_of(files)
    own = (evidence_fingerprint(files), evidence_fingerprint(files, is_as_written=True))
    if files.target_name not in (None, TARGET) or rests_on not in own:
        raise InputError(
            "axes, target, channels, steady, what the grid acts on, or the list of ceilings was "
            "changed since the tune was started, but the stored evidence depends on it.",
            where=str(folder / SETUP),
            mend="Restore it (limits and gains may be changed). For another target run "
            "`tuneassist rounds setup`, for other axes start a new tune with --grid.",
        )
    return setup
