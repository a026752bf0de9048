"""The page's block on what the customer feels: torque low down, smoothness, answer to the pedal."""

from __future__ import annotations

from tuneassist.runs import RunsComparison
from tuneassist.show.display import plain
from tuneassist.show.feel import FEEL_TITLE, feel_rows, feel_words
from tuneassist.show.report_blocks import Block, Bullets, DataTable
from tuneassist.show.run_units import OutputUnits


def feel_blocks(found: RunsComparison, units: OutputUnits) -> list[Block]:
    """Return the sheet as blocks of the page: before and after with intervals, and in words.

    Parameters
    ----------
    found
        The comparison.
    units
        Units shown.
    """
    rows = tuple(
        (f"{row.name} ({row.where})", row.verdict, row.before, row.after,
         f"{row.change} ({row.percent})" if row.percent else row.change, row.interval)
        for row in feel_rows(found, units)
    )  # fmt: skip
    level = f"{100 * found.settings.level:g} % interval"
    head = ("figure", "in words", "before", "after", "change", level)
    words = Bullets(tuple(plain(line) for line in feel_words(found)))
    if not rows:
        return [words] if words.items else []
    return [DataTable(FEEL_TITLE, head, rows, frozenset({2, 3, 4, 5})), words]
