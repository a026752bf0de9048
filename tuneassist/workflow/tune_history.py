"""All steps of a tune."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

from tuneassist.files.tune_folder import open_tune
from tuneassist.loop.steps_taken import StepTaken, steps_taken


def history(folder: Path) -> tuple[StepTaken, ...]:
    """Read every step of a tune, oldest first.

    Parameters
    ----------
    folder
        The tune's folder.

    Raises
    ------
    InputError
        When it holds no tune, or the tune cannot be read.
    """
    with open_tune(folder, is_reading=True) as tune:
        return steps_taken(tune.events)


def history_record(steps: tuple[StepTaken, ...]) -> dict[str, Any]:
    """Return the steps as plain values, as ``rounds history --json`` prints them.

    Parameters
    ----------
    steps
        Every step.
    """
    return {"steps": [asdict(one) for one in steps]}
