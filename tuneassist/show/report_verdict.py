"""The verdict of a report: that of the tune or proposal, with full-load runs and tunes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from tuneassist.loop.verdict import Verdict, VerdictBasis, decide
from tuneassist.runs import Equivalence, RunsComparison
from tuneassist.show.report_data import FullLoadPart, ReportData, TunesPart
from tuneassist.show.report_runs import breach_words
from tuneassist.show.run_units import OutputUnits

READ_ON = "Read the parts below before anything is loaded."
"""What to do after a report without a tune."""
ZERO_DOUBTS = {
    "different": "With all corrections at zero it is not the standard car",
    "cannot tell": "These runs cannot tell whether zero means zero",
}
"""What the verdicts of a zero check leave in doubt."""


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


def verdict_of_runs(
    found: RunsComparison, units: OutputUnits, zero: Equivalence | None, gain: Sequence[str]
) -> Verdict:
    """Return the verdict on full-load runs alone.

    Parameters
    ----------
    found, units
        The comparison, and the units it is shown in.
    zero
        Verdict of "zero means zero"; None if not requested.
    gain
        The gain, as sentences; said where nothing speaks against it.
    """
    over, remarks, sound = _full_load(FullLoadPart(found, units, zero))
    if zero is not None and zero.verdict == "equivalent":
        sound = (*sound, "zero means zero")
    return decide(
        VerdictBasis(over_at_full_load=over, remarks=remarks, sound=(*sound, *gain), action="")
    )


def _full_load(
    part: FullLoadPart | None,
) -> tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]:
    """Return what was exceeded, what is in doubt, and what speaks for the tune."""
    if part is None:
        return (), (), ()
    found = part.found
    checks = found.limit_checks
    is_after = checks["side"].eq("after")
    over = breach_words(checks[is_after], part.units)
    if over and part.zero is not None and (came := breach_words(checks[~is_after], part.units)):
        return (), (f"The car exceeds a limit as it came: {came[0]}",), ()
    if over:
        return over, (), ()
    if part.zero is not None and (doubt := ZERO_DOUBTS.get(part.zero.verdict)):
        return (), (doubt,), ()
    if not is_after.any():
        return (), ("No channel with a limit was logged at full load: nothing was checked",), ()
    sound = "No limit was exceeded along the full-load pulls"
    if len(found.breaches):
        sound += " after the change; before it one was"
    return (), (), (sound,)


def _tunes(part: TunesPart | None) -> tuple[str, ...]:
    return () if part is None or part.report.is_ok else ("The set of tunes failed its checks",)
