"""The verdict of a report: that of the tune or proposal, with full-load runs and tunes."""

from __future__ import annotations

from dataclasses import replace

from tuneassist.loop.verdict import Verdict, decide
from tuneassist.show.report_data import FullLoadPart, ReportData, TunesPart
from tuneassist.show.report_runs import breach_words

READ_ON = "Read the parts below before anything is loaded."
"""What to do after a report without a tune."""
AFTER = "after: "
"""How a breach begins that the car has now."""
AS_IT_CAME = (
    "Before the change a limit was exceeded at full load; along the pulls after it none was"
)
"""Said where only the pulls before the change exceed a limit: the car came so."""


def verdict_of(data: ReportData) -> Verdict:
    """Return the verdict on everything that a report holds.

    Parameters
    ----------
    data
        The parts of the report.
    """
    basis = data.basis
    over, remarks, sound = _full_load(data.full_load)
    remarks += _tunes(data.tunes)
    return decide(
        replace(
            basis,
            over_at_full_load=over,
            remarks=(*basis.remarks, *remarks),
            sound=(*basis.sound, *sound),
            action=basis.action or READ_ON,
        )
    )


def _full_load(
    part: FullLoadPart | None,
) -> tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]:
    """Return what was exceeded, what is in doubt, and what speaks for the tune."""
    if part is None:
        return (), (), ()
    found = part.found
    words = breach_words(found, part.units)
    now = tuple(one for one in words if one.startswith(AFTER))
    if now or (words and part.zero is not None):
        return now or words, (), ()
    if part.zero is not None and part.zero.verdict == "different":
        return (), ("With all corrections at zero it is not the standard car",), ()
    if found.limit_checks.empty:
        return (), ("No channel with a limit was logged at full load: nothing was checked",), ()
    if words:
        return (), (), (AS_IT_CAME,)
    return (), (), ("No limit was exceeded along the full-load pulls",)


def _tunes(part: TunesPart | None) -> tuple[str, ...]:
    return () if part is None or part.report.is_ok else ("The set of tunes failed its checks",)
