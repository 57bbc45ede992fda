"""Peak envelope power and mean power: of known waveforms, and of a trace.

Peak envelope power (PEP) is the power of a carrier whose amplitude is that of the envelope's crest; mean power is taken over the
modulation. Over each other: unmodulated carrier 1; two equal tones 2 (3.01 dB); AM of depth m (1 + m)²/(1 + m²/2).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.analysis.levels import Array
from harness.errors import DataError, UsageError

LEAST_SAMPLES = 6.0
"""Samples of one cycle that a trace needs (chosen, no source)."""


@dataclass(frozen=True)
class Waveform:
    """``pep_over_mean``: the ratio of peak envelope power and mean power."""

    name: str
    pep_over_mean: float


def waveform(name: str, depth: float | None = None) -> Waveform:
    """Return "cw", "two-tone" or "am" with its depth from above 0 to 1. UsageError for others."""
    if depth is not None and name != "am":
        raise UsageError(f"--depth goes with --waveform am, not with {name}", hint="Leave it out.")
    if name == "cw":
        return Waveform("unmodulated carrier", 1.0)
    if name == "two-tone":
        return Waveform("two equal tones", 2.0)
    if name != "am":
        raise UsageError(f"--waveform: {name!r} is not known", hint="Known: cw, two-tone, am (with --depth 80%).")
    if depth is None or not 0 < depth <= 1:
        raise UsageError("--waveform am needs its depth, above 0 % and at most 100 %", hint="Add, for example, --depth 80%.")
    return Waveform(f"AM of {depth:.0%}", (1 + depth) ** 2 / (1 + depth**2 / 2))


@dataclass(frozen=True)
class TraceLevels:
    """``peak``: V at the crest of the envelope; ``rms``: V r.m.s. over the whole trace."""

    peak: float
    rms: float

    def pep(self, ohms: float) -> float:
        """Return the peak envelope power in W at a resistance in Ω."""
        return self.peak**2 / (2 * ohms)

    def mean(self, ohms: float) -> float:
        """Return the mean power in W at a resistance in Ω."""
        return self.rms**2 / ohms


def trace_levels(seconds: Array, volts: Array, carrier_hz: float) -> TraceLevels:
    """Return crest and r.m.s. of a trace, evenly sampled; an offset is taken off.

    Crests between samples are found from the samples around them. DataError: fewer than 100 samples, uneven, not
    finite, under LEAST_SAMPLES a cycle of ``carrier_hz``, shorter than ten cycles, or nothing but zero.
    """
    if seconds.size != volts.size or seconds.size < 100 or not (np.isfinite(seconds).all() and np.isfinite(volts).all()):
        raise DataError(f"a trace of {volts.size} samples; at least 100 finite ones are needed", hint="Export the whole trace.")
    step = float(seconds[-1] - seconds[0]) / (seconds.size - 1)
    if step <= 0 or np.max(np.abs(np.diff(seconds) - step)) > 0.1 * step:
        raise DataError("the trace's times do not rise evenly", hint="Export it with all digits of the time.")
    cycle = 1 / (carrier_hz * step)
    if cycle < LEAST_SAMPLES * 0.999:
        raise DataError(
            f"{cycle:.1f} samples of a cycle; at least {LEAST_SAMPLES:g} are needed to see its crests",
            hint="Take the trace with a faster sweep.",
        )
    if seconds.size < 10 * cycle:
        raise DataError("the trace is shorter than ten cycles of the carrier", hint="Take it with a slower sweep.")
    level = np.asarray(volts - volts.mean(), dtype=np.float64)
    rms = float(np.sqrt(np.mean(level**2)))
    if rms == 0.0:
        raise DataError("the trace is flat: there is no signal in it", hint="Check the scope's channel and trigger.")
    return TraceLevels(_crest(level, cycle), rms)


def _crest(volts: NDArray[np.float64], cycle: float) -> float:
    """Return the crest of a carrier of ``cycle`` samples: at each top A² = m² + ((r − l)/(2·sin θ))², l and r the angle θ away.

    Exact for a sine whose envelope is slow against it; θ is about a twelfth of a cycle, where noise is not made larger.
    """
    apart = max(1, round(cycle / 12))
    left, middle, right = volts[: -2 * apart], volts[apart:-apart], volts[2 * apart :]
    size = np.abs(middle)
    top = (size >= np.abs(volts[apart - 1 : -apart - 1])) & (size >= np.abs(volts[apart + 1 : volts.size - apart + 1]))
    beside = (right - left) / (2 * np.sin(2 * np.pi * apart / cycle))
    return float(np.sqrt(np.max((middle**2 + beside**2)[top], initial=float(np.max(size)) ** 2)))
