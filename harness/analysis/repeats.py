"""Connector repeats, folded in (Type A): what making a hook-up again changed, against what the bench states of its connectors.

The spread of the repeats tells one number: how many times larger than stated the errors of a hook-up are. The statement counts
for STATED_DEGREES degrees of freedom beside those of the repeats (the usual combination of a stated and an observed variance).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from harness.analysis.inputs import CALIBRATION, HOOKUP_GROUPS, is_real, ledger_of
from harness.analysis.noise import noise_of
from harness.analysis.phasors import mean_square
from harness.analysis.readings import Reading, Terminations
from harness.analysis.scene import Scene
from harness.analysis.sizes import size_of
from harness.records import Residuals

STATED_DEGREES = 6.0
"""Chosen, no source: a stated size is known to about 30 % of itself, ν = ½·0.3⁻² (GUM G.4.2)."""


def hookup_scale(readings: Sequence[Reading], scene: Scene, residuals: Residuals, terminations: Terminations) -> float:
    """Return the factor on the stated sizes of connectors and cables; 1 where no hook-up was repeated.

    It includes ν/(ν − 2), so that a normal error of this size has the variance of the t-distribution that belongs to it.
    """
    expected = _expected(scene, residuals, terminations)
    seen = stated = degrees = 0.0
    for number, reading in enumerate(readings):
        count = len(reading.values)
        if count < 2:
            continue
        noise = float(np.mean([noise_of(values) ** 2 for values in reading.values]))
        spread = np.sum(np.abs(reading.values - reading.value) ** 2, axis=0) / (count - 1)
        predicted = expected[:, number] * count
        weight = predicted / (predicted + noise + 1e-30) ** 2
        seen += float(np.sum(weight * (spread - noise)))
        stated += float(np.sum(weight * predicted))
    repeats = {reading.sweep: len(reading.values) for reading in readings}
    degrees = 2.0 * sum(count - 1 for count in repeats.values())
    if degrees == 0 or stated <= 0:
        return 1.0
    every = STATED_DEGREES + degrees
    squared = (STATED_DEGREES + degrees * max(seen, 0.0) / stated) / every
    return float(np.sqrt(squared * every / (every - 2)))


def _expected(scene: Scene, residuals: Residuals, terminations: Terminations) -> NDArray[np.float64]:
    """Return the mean square that hook-up errors of the stated size give to each reading's mean, (F, m)."""
    total = np.zeros(scene.value.shape)
    for key, effect in ledger_of(scene).effects.items():
        if key[0] in HOOKUP_GROUPS and key[1] != CALIBRATION:
            size = size_of(key[0], residuals, terminations)
            total += np.abs(effect) ** 2 * size.linear**2 * mean_square("real" if is_real(key) else size.kind)
    return total
