"""Full-load runs: gain, equivalence to the standard car, and pedal response.

The path::

    pulls -> torque -> standard air -> curves -> mean, gain, peaks, limits
                                                      -> equivalence
                                                      -> drivability, tip-in -> what is felt
"""

from tuneassist.runs.air import AirState
from tuneassist.runs.compare import RunsComparison, compare_runs
from tuneassist.runs.equivalence import Equivalence, assess_equivalence
from tuneassist.runs.pulls import Pull, PullsFound, find_pulls
from tuneassist.runs.refusal import Refusal, refusals_frame
from tuneassist.runs.settings import RunSettings
from tuneassist.runs.side_runs import LogLike, NamedSamples
from tuneassist.runs.standard_air import AirCorrection, air_correction
from tuneassist.runs.tip_in import TipIns, tip_ins

__all__ = [
    "AirCorrection",
    "AirState",
    "Equivalence",
    "LogLike",
    "NamedSamples",
    "Pull",
    "PullsFound",
    "Refusal",
    "RunSettings",
    "RunsComparison",
    "TipIns",
    "air_correction",
    "assess_equivalence",
    "compare_runs",
    "find_pulls",
    "refusals_frame",
    "tip_ins",
]
