"""The simulated analyser's raw error terms: smooth functions of frequency made of cables and reflections, drifting slowly.

Each port is an error box: directivity, match, a gain outward (from source to connector) and a gain back (from connector to
receiver). Reflection tracking is outward times back of one port, transmission tracking outward of the driving times back of the
receiving port. A port has the same match whether it drives or receives (no switch error), so eight-term and twelve-term
corrections both hold; leakage reaches the receiver beside everything that is connected.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from drivers.simulated.algebra import Complexes, Floats
from drivers.simulated.parts import draws


@dataclass(frozen=True)
class Quality:
    """How large the error terms are, in dB: reflections and leakage relative to a total one, tracking as ± so many dB.

    ``cables``: whether the delay and phase of the cables are in the trackings.
    """

    directivity: float = -25.0
    source_match: float = -20.0
    receiver_match: float = -22.0
    tracking: float = 1.0
    leakage: float = -85.0
    cables: bool = True


RAW = Quality()
CORRECTED_ONE_PATH = Quality(directivity=-45.0, source_match=-42.0, tracking=0.02, leakage=-100.0, cables=False)
"""What is left when a one-path analyser corrects itself: its receiver match stays as it is."""
CORRECTED_TWO_PATH = Quality(
    directivity=-45.0, source_match=-42.0, receiver_match=-42.0, tracking=0.02, leakage=-100.0, cables=False
)


def quality_of(paths: str, by: str) -> Quality:
    """Return the quality of a "one-path" or "two-path" analyser whose data is corrected by "host" or "analyser"."""
    if by == "host":
        return RAW
    return CORRECTED_ONE_PATH if paths == "one-path" else CORRECTED_TWO_PATH


Direction = Literal["forward", "reverse"]
RAYLEIGH_95 = float(np.sqrt(-2 * np.log(0.05)))
"""Bound that the magnitude of a complex normal number with σ = 1 in each part keeps with 95 %: 2.4477."""


@dataclass(frozen=True)
class Reflections:
    """A main reflection with two small ones at other distances: Σ a·exp(−j2πf·t), a complex, t in s (there and back)."""

    amplitudes: tuple[complex, ...]
    times: tuple[float, ...]

    def __call__(self, frequency_hz: Floats) -> Complexes:
        """Return the sum, shape (F,)."""
        angles = np.exp(-2j * np.pi * frequency_hz[:, None] * np.array(self.times))
        return np.asarray(angles @ np.array(self.amplitudes), dtype=np.complex128)


def _phasor(rng: np.random.Generator) -> complex:
    return complex(np.exp(2j * np.pi * rng.uniform()))


def draw_reflections(rng: np.random.Generator, size_db: float) -> Reflections:
    """Return reflections whose sum stays within 2 dB of ``size_db`` (main 1, the others 0.12 and 0.08 of it)."""
    size = 10 ** (size_db / 20)
    amplitudes = tuple(size * part * _phasor(rng) for part in (1.0, 0.12, 0.08))
    return Reflections(amplitudes, tuple(float(time) for time in rng.uniform(0.2e-9, 9e-9, size=3)))


@dataclass(frozen=True)
class Tracking:
    """A gain near one with ripple, and the delay of a cable. Ripples: (dB, s, rad); level in dB; delay in s; phase in rad."""

    level_db: float
    ripples: tuple[tuple[float, float, float], ...]
    delay: float
    phase: float

    def __call__(self, frequency_hz: Floats) -> Complexes:
        """Return the complex gain, shape (F,)."""
        gain_db = self.level_db + sum(
            size * np.cos(2 * np.pi * frequency_hz * time + angle) for size, time, angle in self.ripples
        )
        turn = -2 * np.pi * frequency_hz * self.delay + self.phase
        return np.asarray(10 ** (gain_db / 20) * np.exp(1j * turn), dtype=np.complex128)


def draw_gain(rng: np.random.Generator, quality: Quality = RAW) -> Tracking:
    """Return one gain of a port: two of them make a tracking within its ± dB. 0.15 to 0.75 m of cable with ripple."""
    ripples = tuple(
        (float(rng.uniform(0.3, 1.0) * size), float(rng.uniform(2e-9, 25e-9)), float(rng.uniform(0, 2 * np.pi)))
        for size in (0.15 * quality.tracking, 0.1 * quality.tracking)
    )
    level = float(rng.uniform(-0.25, 0.25) * quality.tracking)
    # A response in time is real, so its angle at 0 Hz is 0° (or 180°); what couplers and receivers leave of it is small.
    delay, phase = float(rng.uniform(0.75e-9, 3.75e-9)), float(rng.uniform(-0.25, 0.25))
    return Tracking(level, ripples, delay, phase) if quality.cables else Tracking(level, ripples, 0.0, 0.0)


class Drift:
    """A random walk of a few complex numbers that wander over virtual time, smooth over frequency.

    ``size_db``: how far it has gone in an hour, r.m.s., relative to a total reflection; it grows with the root of time.
    """

    def __init__(self, rng: np.random.Generator, size_db: float) -> None:
        self._rng = rng
        self._size = 10 ** (size_db / 20)
        self._at = np.zeros(2, dtype=np.complex128)
        self._delay = float(rng.uniform(2e-9, 12e-9))

    def advance(self, seconds: float) -> None:
        """Walk on for ``seconds``."""
        step = self._rng.normal(size=(2, 2)) @ np.array([1, 1j])
        self._at = self._at + step * self._size * np.sqrt(seconds / 3600.0) / 2

    def __call__(self, frequency_hz: Floats) -> Complexes:
        """Return where the walk is, shape (F,)."""
        return np.asarray(self._at[0] + self._at[1] * np.exp(-2j * np.pi * frequency_hz * self._delay), dtype=np.complex128)


class Flex:
    """What moving one analyser cable does to the waves in it: a complex factor near one that turns slowly with frequency.

    ``size``: 95 % bound, linear, at any one frequency, of the change from one laying to the next; each laying by itself, against
    the mean of all, is smaller by the root of two.
    """

    def __init__(self, rng: np.random.Generator, size: float) -> None:
        self._rng = rng
        self._size = size / RAYLEIGH_95 / np.sqrt(2)
        self._change = Reflections((0j,), (0.0,))
        self.move()

    def move(self) -> None:
        """Lay the cable anew."""
        if self._size > 0:
            amplitude = complex(self._rng.normal(), self._rng.normal()) * self._size
            self._change = Reflections((amplitude,), (float(self._rng.uniform(0.0, 10e-9)),))

    def __call__(self, frequency_hz: Floats) -> Complexes:
        """Return the factor on a wave that passes the cable once, shape (F,)."""
        return np.asarray(1 + self._change(frequency_hz), dtype=np.complex128)


@dataclass(frozen=True)
class PortTerms:
    """One port's error terms at the frequencies of a sweep, each of shape (F,)."""

    directivity: Complexes
    match: Complexes
    reflection_tracking: Complexes


class ErrorTerms:
    """All raw error terms of a simulated analyser, by the seed; ``session`` only changes how they drift and how cables lie.

    ``port(1, f)`` and ``port(2, f)`` give a port's terms; ``transmission("forward", f)`` is the gain from a through wave to the
    reading of S21. Port 1 has the source match, port 2 the receiver match. ``flex``: 95 % bound, linear, of what one move
    of a cable does to the waves in it; ``move(1)`` lays the cable of port 1 anew.
    """

    def __init__(self, seed: int, session: str, drift_db: float, quality: Quality = RAW, flex: float = 0.0) -> None:
        match_db = {1: quality.source_match, 2: quality.receiver_match}
        self._terms: dict[str, Reflections] = {}
        self._gains: dict[str, Tracking] = {}
        for port in (1, 2):
            self._terms[f"directivity {port}"] = draw_reflections(draws(seed, "directivity", port), quality.directivity)
            self._terms[f"match {port}"] = draw_reflections(draws(seed, "match", port), match_db[port])
            for way in ("outward", "back"):
                self._gains[f"{way} {port}"] = draw_gain(draws(seed, way, port), quality)
        self._leakage = {way: draw_reflections(draws(seed, "leakage", way), quality.leakage) for way in ("forward", "reverse")}
        # Two gains make one tracking: each drifts by 3 dB less, so that the tracking drifts by what was asked.
        sizes = dict.fromkeys(self._terms, drift_db) | dict.fromkeys(self._gains, drift_db - 10 * np.log10(2))
        self._drift = {name: Drift(draws(seed, "drift", name, session), float(size)) for name, size in sizes.items()}
        self._flex = {port: Flex(draws(seed, "cable", port, session), flex) for port in (1, 2)}

    def move(self, port: int) -> None:
        """Lay the cable of analyser port 1 or 2 anew."""
        self._flex[port].move()

    def advance(self, seconds: float) -> None:
        """Let the terms drift for ``seconds`` of virtual time."""
        for drift in self._drift.values():
            drift.advance(seconds)

    def _term(self, name: str, frequency_hz: Floats) -> Complexes:
        return np.asarray(self._terms[name](frequency_hz) + self._drift[name](frequency_hz), dtype=np.complex128)

    def _gain(self, name: str, frequency_hz: Floats) -> Complexes:
        laid = self._flex[int(name[-1])](frequency_hz)
        return np.asarray(self._gains[name](frequency_hz) * (1 + self._drift[name](frequency_hz)) * laid, dtype=np.complex128)

    def port(self, number: int, frequency_hz: Floats) -> PortTerms:
        """Return the terms of analyser port 1 or 2 as they are now."""
        return PortTerms(
            self._term(f"directivity {number}", frequency_hz),
            self._term(f"match {number}", frequency_hz),
            self._gain(f"outward {number}", frequency_hz) * self._gain(f"back {number}", frequency_hz),
        )

    def transmission(self, way: Direction, frequency_hz: Floats) -> Complexes:
        """Return the transmission tracking of a direction as it is now, shape (F,)."""
        drive, receive = (1, 2) if way == "forward" else (2, 1)
        return self._gain(f"outward {drive}", frequency_hz) * self._gain(f"back {receive}", frequency_hz)

    def leakage(self, way: Direction, frequency_hz: Floats) -> Complexes:
        """Return the leakage of a direction, shape (F,)."""
        return self._leakage[way](frequency_hz)


def readings(terms: ErrorTerms, s: Complexes, way: Direction, frequency_hz: Floats) -> tuple[Complexes, Complexes]:
    """Return the (reflection, transmission) that the receivers show in one direction, for a two-port s of shape (F, 2, 2).

    The usual forward (reverse) model: the two-port between the driving port's error box and the receiving port's match.
    """
    drive, receive = (0, 1) if way == "forward" else (1, 0)
    near, far = terms.port(drive + 1, frequency_hz), terms.port(receive + 1, frequency_hz)
    s_in, s_out = s[:, drive, drive], s[:, receive, receive]
    s_through, s_back = s[:, receive, drive], s[:, drive, receive]
    bottom = (1 - near.match * s_in) * (1 - far.match * s_out) - near.match * far.match * s_through * s_back
    inward = s_in * (1 - far.match * s_out) + far.match * s_through * s_back
    reflection = near.directivity + near.reflection_tracking * inward / bottom
    through = terms.leakage(way, frequency_hz) + terms.transmission(way, frequency_hz) * s_through / bottom
    return np.asarray(reflection, dtype=np.complex128), np.asarray(through, dtype=np.complex128)
