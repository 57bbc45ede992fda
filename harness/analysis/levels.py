"""Levels and match: decibels, reflection, return loss, SWR, mismatch loss, power and voltage. All take numbers or arrays.

Definitions: return loss −20·log10 abs(Γ), positive (IEEE sense); SWR (1 + abs(Γ))/(1 − abs(Γ)); mismatch loss
−10·log10(1 − abs(Γ)²); 0 dBm is one milliwatt; voltages are r.m.s. at 50 Ω unless another resistance is given.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from harness.errors import UsageError

MOST_DB = 200.0
"""A ratio smaller than this many dB below one is shown as this; no bench tells them apart, and JSON has no infinity."""
MOST_SWR = 1e6
"""A reflection of one or more is shown as this SWR."""

Array = NDArray[np.float64]


def loss_db(ratio: ArrayLike) -> Array:
    """Return −20·log10 abs(ratio) in dB, at most MOST_DB. Return loss, insertion loss and coupling are this of S11, S21, S31."""
    return np.asarray(-20 * np.log10(np.maximum(np.abs(ratio), 10 ** (-MOST_DB / 20))), dtype=np.float64)


def ratio_of_loss(db: ArrayLike) -> Array:
    """Return the magnitude 10^(−db/20): abs(Γ) of a return loss."""
    return np.asarray(10 ** (-np.asarray(db, dtype=np.float64) / 20), dtype=np.float64)


def swr_of_reflection(reflection: ArrayLike) -> Array:
    """Return the SWR of a reflection, complex or magnitude; MOST_SWR where it is one or more."""
    most = (MOST_SWR - 1) / (MOST_SWR + 1)
    size = np.minimum(np.abs(reflection), most)
    return np.asarray((1 + size) / (1 - size), dtype=np.float64)


def reflection_of_swr(swr: ArrayLike) -> Array:
    """Return abs(Γ) of an SWR; UsageError below 1."""
    value = np.asarray(swr, dtype=np.float64)
    if not np.all(value >= 1):
        raise UsageError(f"SWR {float(np.min(value)):g} is below 1; an SWR is 1 or more", hint="Write it as, for example, 1.5.")
    return np.asarray((value - 1) / (value + 1), dtype=np.float64)


def swr_of_return_loss(db: ArrayLike) -> Array:
    """Return the SWR of a return loss in dB."""
    return swr_of_reflection(ratio_of_loss(db))


def return_loss_of_swr(swr: ArrayLike) -> Array:
    """Return the return loss in dB of an SWR, at most MOST_DB; UsageError below 1."""
    return loss_db(reflection_of_swr(swr))


def mismatch_loss_db(reflection: ArrayLike) -> Array:
    """Return the mismatch loss in dB of a reflection, complex or magnitude, at most MOST_DB."""
    passed = np.maximum(1 - np.abs(reflection) ** 2, 10 ** (-MOST_DB / 10))
    return np.asarray(-10 * np.log10(passed), dtype=np.float64)


def watts_of_dbm(dbm: ArrayLike) -> Array:
    """Return the power in W of a level in dBm."""
    return np.asarray(1e-3 * 10 ** (np.asarray(dbm, dtype=np.float64) / 10), dtype=np.float64)


def dbm_of_watts(watts: ArrayLike) -> Array:
    """Return the level in dBm of a power in W; UsageError for zero and below."""
    value = np.asarray(watts, dtype=np.float64)
    if not np.all(value > 0):
        raise UsageError(f"{float(np.min(value)):g} W has no level in dBm; a power above 0 W has", hint="Give a power above 0 W.")
    return np.asarray(10 * np.log10(value / 1e-3), dtype=np.float64)


def volts_rms(watts: ArrayLike, ohms: float = 50.0) -> Array:
    """Return the r.m.s. voltage in V of a power in W at a resistance in Ω."""
    return np.asarray(np.sqrt(np.asarray(watts, dtype=np.float64) * ohms), dtype=np.float64)


def volts_peak_to_peak(watts: ArrayLike, ohms: float = 50.0) -> Array:
    """Return the peak-to-peak voltage in V of a sine of this power in W."""
    return np.asarray(2 * np.sqrt(2.0) * volts_rms(watts, ohms), dtype=np.float64)
