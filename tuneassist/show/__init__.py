"""Results made visible: terminal screens and plots. Takes results, computes and prints nothing.

Every function here returns something that `rich` can render, a figure, or plain values for JSON.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from tuneassist.lazy import modules_of

if TYPE_CHECKING:
    from tuneassist.show import (  # noqa: F401 - known to type checkers
        check,
        coverage,
        derived,
        display,
        notes,
        plan,
        proposal,
        rounds,
        rounds_history,
        rules,
        runs,
        safe_console,
        setup_keys,
        tunes,
        verdict,
    )
else:
    __getattr__ = modules_of(__name__)
