"""Screening: what a fault could gain over the healthy fit, without a full fit for each.

Near a healthy build all that a build leaves open acts linearly. So only the fault's own few knobs are turned; what the others
would do about it is taken out of the residuals by projection (variable projection, the slopes kept from the healthy fit). What
comes out is the start of a full fit, and good enough as it is for an explanation that gains nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from harness.analysis.diagnosis.fit import STEP, Candidate, Fit, descend, distance_of, judged, slopes_of
from harness.analysis.diagnosis.observed import Observed

Floats = NDArray[np.float64]
TRIES = 8
"""Slopes taken of a fault's own knobs, at most."""


@dataclass(frozen=True)
class Screen:
    """A healthy fit and its slopes, (2n + knobs, knobs)."""

    observed: Observed
    healthy: Fit
    slopes: Floats = field(repr=False)

    @classmethod
    def around(cls, observed: Observed, healthy: Fit) -> Screen:
        """Return the screen around a healthy fit."""
        return cls(observed, healthy, slopes_of(observed, healthy.candidate, healthy.z))

    def fit(self, candidate: Candidate) -> Fit:
        """Return the approximate fit of a candidate whose knobs are the healthy ones, some replaced or gone, and its own."""
        known = {knob: number for number, knob in enumerate(self.healthy.candidate.knobs)}
        shared = [number for number, knob in enumerate(candidate.knobs) if knob in known]
        own = [number for number in range(len(candidate.knobs)) if number not in shared]
        from_healthy = [known[candidate.knobs[number]] for number in shared]
        z = np.array([knob.start for knob in candidate.knobs])
        z[shared] = self.healthy.z[from_healthy]
        measured = 2 * self.observed.values.size
        slopes = np.vstack([self.slopes[:measured, from_healthy], np.eye(len(candidate.knobs))[:, shared]])
        base = np.linalg.qr(slopes)[0]

        def left(turned: Floats) -> Floats:
            moved = z.copy()
            moved[own] = turned
            return distance_of(self.observed, candidate, moved)

        z[own] = _turned(left, base, z[own])
        whole = left(z[own])
        rows = np.zeros((len(whole), z.size))
        rows[:, shared] = slopes
        rows[:, own] = _slopes(left, z[own], whole)
        z[shared] -= np.linalg.lstsq(slopes, whole, rcond=None)[0]
        outside = whole - base @ (base.T @ whole)
        return judged(candidate, z, float(outside @ outside), rows, done=False)


def _turned(left: Callable[[Floats], Floats], base: Floats, start: Floats) -> Floats:
    """Return the fault's own knobs where what the others cannot take up is least."""

    def outside(whole: Floats) -> Floats:
        return np.asarray(whole - base @ (base.T @ whole), dtype=np.float64)

    def slopes(turned: Floats, _: Floats) -> Floats:
        return outside(_slopes(left, turned, left(turned)))

    return descend(lambda turned: outside(left(turned)), slopes, start, TRIES).z if start.size else start


def _slopes(left: Callable[[Floats], Floats], turned: Floats, base: Floats) -> Floats:
    """Return the derivatives of the distance by the fault's own knobs."""
    found = np.empty((base.size, turned.size))
    for number in range(turned.size):
        moved = turned.copy()
        moved[number] += STEP
        found[:, number] = (left(moved) - base) / STEP
    return found
