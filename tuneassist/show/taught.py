"""What one log teaches, in words and as plain values."""

from __future__ import annotations

import numpy as np

from tuneassist.evidence.log_taught import SHOWN_S, LogTaught, QuickChange

_NOTHING_MOVED = "no moving samples to tell by"


def taught_facts(taught: LogTaught) -> dict[str, tuple[str, str]]:
    """Return key in JSON to name on the screen and text."""
    return {
        "transients": ("quick changes", transient_words(taught)),
        "drift": ("drift", drift_words(taught)),
        "minutes": ("usable time", minutes_words(taught)),
    }


def transient_words(taught: LogTaught) -> str:
    """Describe what quick changes do to lambda, and how much of the scatter that explains."""
    if not taught.changes:
        return _NOTHING_MOVED
    changes = "; ".join(change_words(change) for change in taught.changes)
    if not np.isfinite(taught.transient_share):
        return changes
    return (
        f"{changes}. This explains {100.0 * taught.transient_share:.0f} % of the scatter of the "
        "moving samples about the map, and is taken out of them"
    )


def change_words(change: QuickChange) -> str:
    """Describe what one quick change does to lambda.

    Examples
    --------
    >>> change_words(QuickChange("load", 10.0, 1.23, 0.41, 0.34))
    'a quick 10 % rise in load reads 1.2 % leaner (+-0.4, 95 %) over the first second and fades in \
about 0.3 s'
    >>> change_words(QuickChange("speed", 10.0, -0.2, 0.5, float("nan")))
    'a quick 10 % rise in speed: no effect seen (0.2 % richer, +-0.5)'
    """
    side = "leaner" if change.reads_pct >= 0 else "richer"
    what = f"a quick {change.change_pct:g} % rise in {change.signal}"
    size, half = f"{abs(change.reads_pct):.1f} % {side}", f"+-{change.half_width_pct:.1f}"
    if not change.is_seen:
        return f"{what}: no effect seen ({size}, {half})"
    over = "the first second" if SHOWN_S == 1.0 else f"the first {SHOWN_S:g} s"
    return (
        f"{what} reads {size} ({half}, 95 %) over {over} and fades in about {change.fades_s:.1f} s"
    )


def drift_words(taught: LogTaught) -> str:
    """Describe the drift of the log."""
    if not np.isfinite(taught.drift_pct):
        return "cannot be told: too few readings over time"
    side = "leaner" if taught.drift_pct >= 0 else "richer"
    size, half = f"{abs(taught.drift_pct):.1f} % {side}", f"+-{taught.drift_half_width_pct:.1f}"
    if not taught.is_drifting:
        return f"none seen ({size} over the log, {half}, 95 %)"
    return f"{size} in the course of the log ({half}, 95 %)"


def minutes_words(taught: LogTaught) -> str:
    """Describe how much of the log taught something, in parts that add up as they are shown."""
    in_all, held = round(taught.taught_min, 1), round(taught.held_min, 1)
    return (
        f"{in_all:.1f} of {taught.logged_min:.1f} min: {held:.1f} in holds, "
        f"{max(in_all - held, 0.0):.1f} while moving"
    )


def minutes_in_words(taught: LogTaught) -> str:
    """Return how much of the log taught something, in a few words."""
    return f"{taught.taught_min:.1f} of {taught.logged_min:.1f} min usable"


def taught_record(taught: LogTaught) -> dict[str, object]:
    """Return the same as plain values."""
    return {
        "quick_changes": [
            {
                "signal": one.signal,
                "rise_pct": one.change_pct,
                "reads_leaner_pct": one.reads_pct,
                "half_width_pct": one.half_width_pct,
                "fades_seconds": one.fades_s,
                "is_seen": one.is_seen,
            }
            for one in taught.changes
        ],
        "transient_share": taught.transient_share,
        "drift_pct": taught.drift_pct,
        "drift_half_width_pct": taught.drift_half_width_pct,
        "is_drifting": taught.is_drifting,
        "minutes_in_holds": taught.held_min,
        "minutes_moving": taught.moving_min,
        "minutes_that_teach": taught.taught_min,
        "minutes_logged": taught.logged_min,
        "words": {key: words for key, (_, words) in taught_facts(taught).items()},
    }
