"""The curves of a comparison, each with what its deviation must stay below: what a drift record keeps of them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from harness.analysis.drift.difference import S21, S31
from harness.analysis.drift.judging import Judged, View
from harness.analysis.drift.wording import NAMES
from harness.records.drift import DriftCurve

DIGITS = 6
"""Significant digits that are kept: a picture needs no more."""


def curves_of(judged: Judged, hz: NDArray[np.float64]) -> tuple[DriftCurve, ...]:
    """Return the change of the coupling with its threshold and, where another curve deviates most, that one after it.

    The threshold is that of the test of the largest deviation, at each frequency: so many standard deviations of the difference.
    A change of S21 or S31 is in dB, one of a reflection is a part of a total reflection (its real or imaginary part).
    """
    coupling = next((view for view in judged.views if view.place == S31), None)
    furthest = max(judged.views, key=lambda view: float(np.max(np.abs(view.standard))))
    shown = [view for view in (coupling, None if furthest is coupling else furthest) if view is not None]
    return tuple(_curve(view, hz, judged.peak_threshold) for view in shown)


def _curve(view: View, hz: NDArray[np.float64], threshold: float) -> DriftCurve:
    in_db = view.place in (S21, S31)
    return DriftCurve(
        name=NAMES[view.place].removeprefix("the ") + ("" if in_db else f", {view.part} part"),
        unit="dB" if in_db else "of a total reflection",
        hz=tuple(float(one) for one in hz),
        change=_rounded(view.values),
        threshold=_rounded(threshold * view.sigma),
    )


def _rounded(values: NDArray[np.float64]) -> tuple[float, ...]:
    return tuple(float(f"{value:.{DIGITS}g}") for value in values)
