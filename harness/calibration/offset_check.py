"""Is a raw sweep that of the short, or of the load, behind the offset? Seen against the same standard without it.

The raw sweep of the short straight on the analyser's cable takes the analyser's own cable off; what is left of the offset
short is c, within the analyser's raw source match and directivity (see ``phase.RIPPLE_BOUND``).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.calibration.phase import fit_phase_line

Complexes = NDArray[np.complex128]
Floats = NDArray[np.float64]

OFFSETS = ("offset short", "offset load")
FORGOTTEN_DELAY = 0.8e-9
"""A way in s, one way, below which there is no offset: 0.16 m of cable at two thirds of the speed of light."""
LEAST_TURN = 0.2
"""The offset must turn the reflection by so much of a round over the band, or no ripple shows."""
MOST_TURN_A_POINT = 0.25
LOSS_DB = -9.0
"""Below this a total reflection behind the offset is none."""
LOAD_DB = -14.0
NO_OFFSET_DB = -60.0
ALIKE = 0.7
"""Two total reflections are the same (or opposite) where their correlation is above this."""
METRES_PER_SECOND = 2e8
"""Two thirds of the speed of light, as in coax with solid polyethylene; common practice, no source."""


@dataclass(frozen=True)
class Doubt:
    """What an offset's sweep looks like instead, why, and what to do."""

    looks_like: str
    says: str
    hint: str


def doubt_of_offset_short(frequency_hz: Floats, raw: Complexes, direct: Complexes) -> Doubt | None:
    """Return what is wrong with the raw sweep of the short behind the offset, or None. ``direct``: raw, the short itself."""
    ratio = raw / direct
    line = fit_phase_line(frequency_hz, ratio)
    if _db(ratio) < LOSS_DB:
        return Doubt(
            "a load behind the offset",
            f"its level is {_db(ratio):.1f} dB against the short itself; of a short behind the offset at least {LOSS_DB:.0f} dB "
            "is expected",
            "Screw the short, and not a load, to the far end of the offset, and sweep again.",
        )
    if abs(line.delay) < FORGOTTEN_DELAY and line.ripple_degrees < 30:
        opened = abs(line.at_zero_degrees) > 90
        return Doubt(
            "an open without the offset" if opened else "the short without the offset",
            f"it comes back only {line.delay * 1e9:+.2f} ns after the short itself, one way; the offset adds 2.5 to 10 ns",
            "Put the offset between the analyser's cable and the short, and sweep again.",
        )
    # Short and open differ at 0 Hz: a missing short leaves the far end open.
    if line.at_zero_is_known and abs(line.at_zero_degrees) > 110:
        return Doubt(
            "an open behind the offset",
            f"drawn back along the cable to 0 Hz its angle is {line.at_zero_degrees:+.0f}° from the short's, which is an open's; "
            "±110° are allowed",
            "The short is missing: screw it to the far end of the offset, and sweep again.",
        )
    return _length(frequency_hz, line.delay)


def _length(frequency_hz: Floats, delay: float) -> Doubt | None:
    turn = 2 * abs(delay) * float(np.ptp(frequency_hz))
    step = 2 * abs(delay) * float(np.max(np.diff(frequency_hz)))
    if turn < LEAST_TURN:
        least = LEAST_TURN / 2 / float(np.ptp(frequency_hz)) * METRES_PER_SECOND
        return Doubt(
            "an offset that is too short",
            f"it turns the reflection by {turn:.2f} of a round over this band; at least {LEAST_TURN:.2f} is needed",
            f"Take an offset of {least:.1f} m or more, and sweep again.",
        )
    if step > MOST_TURN_A_POINT:
        return Doubt(
            "an offset that is too long",
            f"from one point to the next it turns the reflection by {step:.2f} of a round; at most "
            f"{MOST_TURN_A_POINT:.2f} is allowed",
            "Take a shorter offset, or more points under [sweep] in the bench file.",
        )
    return None


def doubt_of_offset_load(raw: Complexes, load: Complexes, short: Complexes, offset_short: Complexes) -> Doubt | None:
    """Return what is wrong with the raw sweep of the load behind the offset, or None.

    ``load``, ``short``: raw, straight on the analyser's cable. ``offset_short``: raw, accepted before.
    """
    away = (raw - load) / np.abs(short - load)
    if _db(away) > LOAD_DB:
        like, todo = _total_reflection(raw - load, offset_short - load)
        return Doubt(
            like,
            f"it is {_db(away):.1f} dB of a total reflection away from the load itself, like {like}; at most "
            f"{LOAD_DB:.0f} dB is allowed",
            f"{todo}: screw the load to the far end of the offset, and sweep again.",
        )
    if _db(away) < NO_OFFSET_DB:
        return Doubt(
            "the load without the offset",
            f"it differs from the load itself by only {_db(away):.0f} dB of a total reflection; no cable is as good as "
            f"{NO_OFFSET_DB:.0f} dB",
            "Put the offset between the analyser's cable and the load, and sweep again.",
        )
    return None


def _total_reflection(seen: Complexes, short: Complexes) -> tuple[str, str]:
    """Return what a total reflection looks like beside that of the short behind the offset, and what happened."""
    same = float(np.real(np.mean(seen * np.conj(short))) / np.sqrt(np.mean(np.abs(seen) ** 2) * np.mean(np.abs(short) ** 2)))
    if same > ALIKE:
        return "the short behind the offset", "The short is still there"
    if same < -ALIKE:
        return "an open behind the offset", "The load is missing"
    return "a total reflection", "The load is not at the end of the offset"


def _db(trace: Complexes) -> float:
    return 10 * float(np.log10(max(float(np.mean(np.abs(trace) ** 2)), 1e-30)))
