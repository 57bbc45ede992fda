"""The two ends of the coupling over the band, weakest and strongest, and how far errors push them outward.

The largest of many values that each have an error lies too high: errors choose the place. Where the curve is sharp one place
stays the largest whatever the errors do; where it is broad many compete. The weakest coupling is mostly broad and the strongest
sharp, so the middle of both leans too, and not only their distance.

What is needed is a place that the errors of its own value did not choose. With x the estimate and w a draw of its errors, x + w
and x − w have independent errors, for those of x are as large as w: take the place where x + w is largest, and read x − w there
(data fission: Leiner, Duan, Wasserman and Ramdas, Journal of the American Statistical Association, 2023,
doi:10.1080/01621459.2023.2270748). On a broad end the mean of that over the draws has no bias, on a sharp one it is the estimate
itself; between them it lies a little inward.

So the figures are freed of what noise does to them, which the sweeps themselves show; and the draws of the coupling are laid
round its value, not round where all errors push them once more. What errors that turn slowly have done to the estimate is left
in it: they leave few places to choose from, and taking it off in this way would take off too much.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.analysis.levels import loss_db
from harness.analysis.readings import Complex

Real = NDArray[np.float64]
Outward = NDArray[np.float64]
"""For each draw, (n, 2, 2): weakest and strongest end; how far outward the estimate's end lies, and the draw's from it, in dB."""


@dataclass(frozen=True)
class Lean:
    """In dB, of a figure: ``estimate``, too large by errors; ``draws``, how much more the draws around it are, in the mean."""

    estimate: float
    draws: float


def outward_of(power: NDArray[np.float32], values: Complex) -> Outward:
    """Return how far each draw shows the ends to be pushed outward; ``power``: its abs² of S31, (n, T); ``values``: (T,).

    With k the place of the draw's end and k₀ that of the estimate's: the draw's excess at k over k₀, and that with twice the
    estimate's at k₀ over k, which is x(k₀) less (x − w)(k), and w(k₀), of no mean, left out. None is ever below zero.
    """
    seen = loss_db(values)
    every = np.arange(len(power))
    found = np.empty((len(power), 2, 2))
    for end, (places, own) in enumerate(((power.argmin(axis=1), seen.argmax()), (power.argmax(axis=1), seen.argmin()))):
        sign = 1.0 if end == 0 else -1.0
        drawn = sign * 10 * np.log10(np.maximum(power[every, own], 1e-20) / np.maximum(power[every, places], 1e-20))
        found[:, end, 1] = drawn
        found[:, end, 0] = 2 * sign * (seen[own] - seen[places]) + drawn
    return found


def leans(outward: Outward) -> Mapping[str, Lean]:
    """Return the lean of the mid-range coupling, either way, and of the flatness."""
    weakest, strongest = outward.mean(axis=0)
    return {
        "coupling_db": Lean(*((weakest - strongest) / 2).tolist()),
        "flatness_db": Lean(*((weakest + strongest) / 2).tolist()),
    }
