"""What would tell two explanations apart: a sweep that has not been taken and shows them differently, else a test by hand."""

from __future__ import annotations

import numpy as np

from harness.analysis.diagnosis import words
from harness.analysis.diagnosis.explanations import Trial
from harness.analysis.diagnosis.observed import Observed
from harness.analysis.readings import UNIT_HOOKUPS

SIZE = 0.006
"""What a reading of the sweep to come may be off, of a total reflection or of the reading: a good bench. Chosen, no source."""
ENOUGH = 4.0
"""Standard deviations between the two explanations from which a sweep would decide."""
ASKED = {"sample": "the sample-port sweep (sample)", "coupled-far": "the sweep from the far side (coupled-far)"}


def decides(observed: Observed, one: Trial, other: Trial) -> tuple[str | None, str]:
    """Return the sweep that would tell which of two explanations holds, None where none would; and what to do, in words."""
    apart = {name: separation(name, one, other, observed) for name in ASKED if name not in observed.sweeps}
    best = max(apart, key=lambda name: apart[name], default=None)
    if best is not None and apart[best] >= ENOUGH:
        return best, ASKED[best]
    by_hand = words.DECIDES.get(frozenset({one.name, other.name}))
    if by_hand is not None:
        return None, by_hand
    return (None, words.LOOK) if best is None or apart[best] < 1 else (best, f"{ASKED[best]}, and {words.LOOK}")


def separation(sweep: str, one: Trial, other: Trial, observed: Observed) -> float:
    """Return how many standard deviations apart a sweep would show two explanations, root mean square over frequency."""
    ports = UNIT_HOOKUPS[sweep]
    first, second = (trial.fit.fitted.matrix(observed.frequency_hz) for trial in (one, other))
    pairs = [(ports.driven, ports.driven)] if ports.received is None else [(ports.received, ports.driven)]
    found = []
    for out, into in pairs:
        scale = 1.0 if out == into else np.maximum(np.abs(first[:, out, into]), np.abs(second[:, out, into]))
        found.append(np.sqrt(np.mean((np.abs(first[:, out, into] - second[:, out, into]) / (SIZE * scale)) ** 2)))
    return float(max(found))
