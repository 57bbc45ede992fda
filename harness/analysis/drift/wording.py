"""What changed, in words: which feature, where in frequency, by how much."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from harness.analysis.drift.difference import S11, S21, S22, S31, S33
from harness.analysis.drift.judging import Judged, View
from harness.quantities import show_frequency
from harness.records.drift import DriftFeature

NAMES = {
    S31: "the coupling",
    S21: "the insertion loss",
    S11: "the match of line in",
    S22: "the match of line out",
    S33: "the sample port's reflection",
}
WHOLE = 0.75
"""A change over more than this part of the band is over the whole band."""
STANDS_OUT = 0.5
"""A region ends where the deviation falls under this part of its largest."""


def what_changed(judged: Judged, hz: NDArray[np.float64]) -> tuple[str, tuple[float, float] | None]:
    """Return what changed in words, and the range where it stands out; "nothing that …" and None without drift."""
    if not judged.drifted:
        return "nothing that the uncertainty of the two proofs does not explain", None
    said, where = [], None
    features = judged.tests[1].drifted
    if features:
        said += [_feature(one) for one in judged.features if one.low * one.high > 0]
    views = sorted(judged.views, key=lambda view: -float(np.max(np.abs(view.standard))))
    told: set[int] = set()
    for view in views:
        out = float(np.max(np.abs(view.standard))) > judged.peak_threshold
        if view.place in told or not (out or (features and view.place == S31 and not said)):
            continue
        told.add(view.place)
        region = _region(view, hz)
        where = where or region
        said.append(_curve(view, hz, region))
    if where is None:
        where = _region(next(view for view in judged.views if view.place == S31), hz)
    return "; ".join(said), where


def _feature(one: DriftFeature) -> str:
    interval = f"({one.low:+.3g} to {one.high:+.3g} {one.unit})"
    words = {
        "level": f"the coupling is {abs(one.value):.3f} dB {'weaker' if one.value > 0 else 'stronger'} on the whole",
        "tilt": f"it {'falls off' if one.value > 0 else 'grows'} by {abs(one.value):.3f} dB from the band's low to its high end",
        "curvature": f"the ends of the band are {abs(one.value):.3f} dB {'weaker' if one.value > 0 else 'stronger'} "
        "against its middle",
        "phase": f"its phase has turned by {one.value:+.2f} degrees",
        "delay": f"its delay is {abs(one.value):.0f} ps {'longer' if one.value > 0 else 'shorter'}",
    }
    return f"{words[one.name]} {interval}"


def _region(view: View, hz: NDArray[np.float64]) -> tuple[float, float]:
    """Return the range around the largest deviation where it stays above STANDS_OUT of it, on the same side."""
    at = int(np.argmax(np.abs(view.standard)))
    sided = view.standard * np.sign(view.standard[at])
    low = high = at
    while low > 0 and sided[low - 1] > STANDS_OUT * sided[at]:
        low -= 1
    while high < hz.size - 1 and sided[high + 1] > STANDS_OUT * sided[at]:
        high += 1
    return float(hz[low]), float(hz[high])


def _curve(view: View, hz: NDArray[np.float64], region: tuple[float, float]) -> str:
    at = int(np.argmax(np.abs(view.standard)))
    value, sigma = float(view.values[at]), float(view.sigma[at])
    whole = (region[1] - region[0]) / (hz[-1] - hz[0]) > WHOLE
    where = "over the whole band" if whole else f"between {show_frequency(region[0])} and {show_frequency(region[1])}"
    peak = show_frequency(float(hz[at]))
    if view.place in (S31, S21):
        sense = ("weaker", "stronger") if view.place == S31 else ("larger", "smaller")
        much = f"{abs(value):.3f} ± {2 * sigma:.3f} dB {sense[0] if value > 0 else sense[1]}"
    else:
        much = f"changed by {abs(value):.4f} ± {2 * sigma:.4f} of a total reflection in its {view.part} part"
    verb = "is" if view.place in (S31, S21) else "has"
    return f"{NAMES[view.place]} {verb} {much} at {peak}, {where}"
