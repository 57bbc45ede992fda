"""Contacts that come and go: a trace noisier than all others of the run, or a repeat unlike the ones before."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from harness.analysis.guard.weighing import sizes
from harness.analysis.noise import noise_of
from harness.analysis.readings import repeats_of
from harness.quantities import show_db
from harness.records import Residuals, Sweep

NOISIER = 10.0
"""How much noisier than the others a trace must be before its contact is doubted."""
LEAST = 3e-4
"""Noise, linear, that no contact is doubted for: −70 dB."""
FAR = 8.0
"""How far a repeat may be from those before: r.m.s. over frequency, in standard deviations."""


def noisy(newest: Sweep, others: Sequence[Sweep]) -> str | None:
    """Return what is to be said of a sweep that is much noisier than the others of the run, else None."""
    usual = [noise_of(trace) for sweep in others for trace in sweep.traces.values()]
    if not usual:
        return None
    for key, trace in newest.traces.items():
        noise = noise_of(trace)
        if noise > LEAST and noise > NOISIER * max(usual):
            return (
                f"{key.upper()} is restless: neighbouring points scatter by {show_db(_db(noise), 0)}, in the sweeps before by "
                f"{show_db(_db(max(usual)), 0)} at most; it looks like a loose connector"
            )
    return None


def unlike_the_repeats(name: str, sweeps: Mapping[str, Sequence[Sweep]], residuals: Residuals) -> str | None:
    """Return what is to be said of a repeat that differs from those before by more than connectors and cables do, else None."""
    taken = repeats_of(sweeps, name)
    if len(taken) < 2:
        return None
    newest, before = taken[-1], taken[:-1]
    size = sizes(residuals)
    for key, trace in newest.traces.items():
        mean = np.mean([sweep.trace(key) for sweep in before], axis=0)
        level = np.abs(mean)
        moved = 2 * size["cable"] + size["connector"] + size["drift"]
        allowed = (
            np.hypot(level * moved, noise_of(trace))
            if key in ("s21", "s12")
            else np.hypot(size["connector"] + size["drift"], np.hypot(level * moved, noise_of(trace)))
        )
        allowed = allowed * math.sqrt(1 + 1 / len(before))
        far = float(np.sqrt(np.mean(np.square(np.abs(trace - mean) / np.maximum(allowed, 1e-6)))))
        if far > FAR:
            worst = float(np.max(np.abs(trace - mean)))
            return (
                f"{key.upper()} differs from the same hook-up before by up to {show_db(_db(worst), 0)}, {far:.0f} times what "
                "connectors and cables change; it looks like a loose connector, here or before"
            )
    return None


def _db(size: float) -> float:
    return 20 * math.log10(max(size, 1e-15))
