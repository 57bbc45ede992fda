"""Drift: what changed between two proofs of one unit, and whether their uncertainty can explain it. Pure.

The entries, in order: ``see(Taken)`` gives the unit as one proof saw it with every error that may be in it; ``difference`` of
two gives the change with the covariance that no drift would give it; ``judge`` gives the two tests and the features;
``curves_of`` the curves with their thresholds;
``what_changed`` tells it in words; ``explain`` finds what in the build fits the change; ``trend_of`` looks at all proofs.
"""

from harness.analysis.drift.curves import curves_of
from harness.analysis.drift.difference import Difference, Kinship, Pair, difference
from harness.analysis.drift.explain import explain
from harness.analysis.drift.judging import Judged, judge
from harness.analysis.drift.seen import Seen, Taken, see
from harness.analysis.drift.trend import Point, trend_of
from harness.analysis.drift.wording import what_changed

__all__ = [
    "Difference",
    "Judged",
    "Kinship",
    "Pair",
    "Point",
    "Seen",
    "Taken",
    "curves_of",
    "difference",
    "explain",
    "judge",
    "see",
    "trend_of",
    "what_changed",
]
