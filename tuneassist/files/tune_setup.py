"""The setup that a tune stands on: copied with its target file, and held against later changes."""

from __future__ import annotations

import contextlib
import hashlib
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from tuneassist.errors import InputError
from tuneassist.files.text import stable_json

SETUP, TARGET = "setup.toml", "target.csv"
"""Names of the copies."""


def setup_texts(setup: Path) -> dict[str, str]:
    """Return the setup's text and that of the target file which it refers to."""
    text = setup.read_bytes().decode("utf-8-sig")
    values = tomllib.loads(text)
    name = values["target"].get("file")
    if name is None:
        return {SETUP: text}
    target = (setup.parent / str(name)).read_bytes()
    return {SETUP: _with_target_file(text, values, setup), TARGET: _as_text(target)}


def _as_text(data: bytes) -> str:
    for encoding in ("utf-16",) if data[:2] in (b"\xff\xfe", b"\xfe\xff") else ("utf-8-sig",):
        with contextlib.suppress(UnicodeDecodeError):
            return data.decode(encoding)
    return data.decode("cp1252")


def _with_target_file(text: str, values: Mapping[str, Any], setup: Path) -> str:
    """Let the setup's text refer to the target file by the name that it has in the tune."""
    wanted = {**values, "target": {**values["target"], "file": TARGET}}
    for found in re.finditer(r"""\bfile["']?\s*=\s*("(?:[^"\\]|\\.)*"|'[^']*')""", text):
        tried = f'{text[: found.start(1)]}"{TARGET}"{text[found.end(1) :]}'
        if stable_json(tomllib.loads(tried)) == stable_json(wanted):
            return tried
    raise InputError(
        "the place of target.file cannot be found in the text.",
        where=str(setup),
        mend=f'Write it on a line of its own under [target]: file = "{TARGET}".',
    )


def fingerprint(texts: Mapping[str, str]) -> str:
    """Fingerprint what the evidence rests on: all of a setup but labels, limits and gains.

    Parameters
    ----------
    texts
        Contents of ``setup.toml`` and, where there is one, of ``target.csv``.

    Returns
    -------
    str
        SHA-256, 64 hexadecimal digits.
    """
    values = tomllib.loads(texts[SETUP])
    engine = {k: v for k, v in values.get("engine", {}).items() if k not in _FREE_ENGINE_KEYS}
    parts = {
        **{name: values.get(name, {}) for name in ("axes", "target", "channels", "steady")},
        "engine": engine,
        "acts_on": values.get("correction", {}).get("acts_on", "fuel"),
        "ceilings": sorted(values.get("limits", {}).get("ceilings", {})),
        "target_file": texts.get(TARGET, ""),
    }
    return hashlib.sha256(stable_json(parts).encode("utf-8")).hexdigest()


_FREE_ENGINE_KEYS = ("label", "rev_limit_rpm")


def require_same_setup(folder: Path, record: Mapping[str, Any]) -> None:
    """Refuse a setup under which the evidence kept would mean something else."""
    try:
        texts = {
            name: (folder / name).read_text(encoding="utf-8")
            for name in (SETUP, TARGET)
            if (folder / name).exists() or name == SETUP
        }
        is_same = fingerprint(texts) == record.get("evidence_rests_on_sha256")
    except (OSError, ValueError):  # read_setup says what is wrong with it
        return
    if not is_same:
        raise InputError(
            "axes, target, channels, steady, what the grid acts on, or the list of ceilings was "
            "changed since the tune was started, and the evidence kept stands on what it was.",
            where=str(folder / SETUP),
            mend="Put it back (limits and gains may be changed), or start a new tune with --grid.",
        )
