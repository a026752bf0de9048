"""Results made visible: terminal screens and plots. Takes results, computes and prints nothing.

Every function here returns something that `rich` can render, a figure, or plain values for JSON.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from tuneassist.lazy import modules_of

if TYPE_CHECKING:
    from tuneassist.show import (
        check as check,
    )
    from tuneassist.show import (
        coverage as coverage,
    )
    from tuneassist.show import (
        inert_console as inert_console,
    )
    from tuneassist.show import (
        keys as keys,
    )
    from tuneassist.show import (
        look as look,
    )
    from tuneassist.show import (
        notes as notes,
    )
    from tuneassist.show import (
        plan as plan,
    )
    from tuneassist.show import (
        proposal as proposal,
    )
    from tuneassist.show import (
        report as report,
    )
    from tuneassist.show import (
        rounds as rounds,
    )
    from tuneassist.show import (
        rules as rules,
    )
    from tuneassist.show import (
        runs as runs,
    )
    from tuneassist.show import (
        tunes as tunes,
    )
else:
    __getattr__ = modules_of(__name__)
