"""What a scene shows: from the unit's three-port to the corrected traces of a sweep.

The terminated two-port is M = S_oo + S_oi·Γ·(1 − S_ii·Γ)⁻¹·S_io; a one-path sweep meets the receiver's match as
T = M21/(1 − M22·Γr) and M11 + M12·M21·Γr/(1 − M22·Γr) (textbook). All arrays may carry leading axes: many units at once.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from harness.analysis.guard.scenes import Scene
from harness.analysis.readings import Complex

Floats = NDArray[np.float64]
Z0 = 50.0


@dataclass(frozen=True)
class Around:
    """What is around the unit: load → its reflection (F,), the receiver's match (F,), the thru's transmission (F,)."""

    frequency_hz: Floats = field(repr=False)
    loads: Mapping[str, Complex] = field(repr=False)
    receiver: Complex = field(repr=False)
    thru: Complex = field(repr=False)

    def gamma(self, thing: str | None) -> Complex:
        """Return the reflection of a load, or of an open connector."""
        if thing is None or thing not in self.loads:
            return np.ones(self.frequency_hz.size, dtype=np.complex128)
        return self.loads[thing]


def attach(s: Complex, port: int, x: Complex) -> Complex:
    """Return the three-port (..., F, 3, 3) with a two-port ``x`` (..., F, 2, 2) on one port, x's port 2 toward the unit."""
    bottom = 1 - x[..., 1, 1] * s[..., port, port]
    column, row = s[..., :, port].copy(), s[..., port, :].copy()
    made: Complex = s + column[..., :, None] * row[..., None, :] * (x[..., 1, 1] / bottom)[..., None, None]
    made[..., port, :] = row * (x[..., 0, 1] / bottom)[..., None]
    made[..., :, port] = column * (x[..., 1, 0] / bottom)[..., None]
    made[..., port, port] = x[..., 0, 0] + x[..., 0, 1] * x[..., 1, 0] * s[..., port, port] / bottom
    return made


def series_and_shunt(impedance: Complex, admittance: Complex) -> Complex:
    """Return a shunt admittance (S), then a series impedance (Ω), as a two-port (..., 2, 2); textbook, from ABCD."""
    a, b, c, d = np.ones_like(impedance), impedance / Z0, admittance * Z0, 1 + impedance * admittance
    bottom = a + b + c + d
    rows = [[(a + b - c - d) / bottom, 2 / bottom], [2 / bottom, (-a + b - c + d) / bottom]]
    return np.moveaxis(np.array(rows, dtype=np.complex128), (0, 1), (-2, -1))


def line(frequency_hz: Floats, delay: Floats, ratio: Floats) -> Complex:
    """Return lossless lines (..., F, 2, 2): one-way delay (s) and impedance over 50 Ω, each of shape (...)."""
    angle = 2 * np.pi * frequency_hz * delay[..., None]
    cosine, sine = np.cos(angle), 1j * np.sin(angle)
    b, c = sine * ratio[..., None], sine / ratio[..., None]
    bottom = 2 * cosine + b + c
    rows = [[(b - c) / bottom, 2 / bottom], [2 / bottom, (b - c) / bottom]]
    return np.moveaxis(np.array(rows, dtype=np.complex128), (0, 1), (-2, -1))


# An extra is described by two standard normal numbers. Usual sizes, chosen, no source: an adapter is some 35 mm of line up to
# 25 % off 50 Ω, a cable longer; a loose connector is some ohms and nanohenries.
EXTRA_KNOBS = {None: 0, "tee": 0, "cable": 2, "loose": 2}
EXTRA_STARTS = {None: ((),), "tee": ((),), "cable": ((0.0, -1.0), (0.0, 1.0), (2.0, 0.0)), "loose": ((0.0, 0.0),)}


def _extra(scene: Scene, around: Around, z: Floats) -> Complex:
    """Return the extra two-port for z of shape (..., knobs)."""
    f = around.frequency_hz
    if scene.extra == "tee":
        flat = np.full(f.shape, 1 / Z0, dtype=np.complex128)
        return series_and_shunt(0 * flat, flat)
    if scene.extra == "cable":
        return line(f, 150e-12 * np.exp(0.8 * z[..., 0]), np.exp(0.2 * z[..., 1]))
    impedance = 8.0 * np.exp(0.8 * z[..., 0])[..., None] + 2j * np.pi * f * 9e-9 * np.exp(0.8 * z[..., 1])[..., None]
    return series_and_shunt(np.asarray(impedance, dtype=np.complex128), np.zeros(impedance.shape, dtype=np.complex128))


def read(scene: Scene, s: Complex, around: Around, traces: Sequence[str], z: Floats) -> Complex:
    """Return what the sweep of a scene shows, shape (..., traces, F).

    ``s``: (..., F, 3, 3). ``z``: numbers of the extra, (..., knobs). Traces "s12" or "s22" among ``traces`` mean a full two-path
    correction: the receiver's match is removed.
    """
    full = "s22" in traces
    receiver = np.zeros_like(around.receiver) if full else around.receiver
    if scene.joined != "unit":
        m = _no_unit(scene, around)
    else:
        if scene.extra is not None:
            s = attach(s, scene.extra_on, _extra(scene, around, z))
        m = _two_port(scene, s, around)
    share = receiver / (1 - m[..., 1, 1] * receiver)
    found = {
        "s11": m[..., 0, 0] + m[..., 0, 1] * m[..., 1, 0] * share,
        "s21": m[..., 1, 0] / (1 - m[..., 1, 1] * receiver),
        "s12": m[..., 0, 1],
        "s22": m[..., 1, 1],
    }
    lead = s.shape[:-3]
    return np.stack([np.broadcast_to(found[trace], (*lead, around.frequency_hz.size)) for trace in traces], axis=-2)


def _no_unit(scene: Scene, around: Around) -> Complex:
    m = np.zeros((around.frequency_hz.size, 2, 2), dtype=np.complex128)
    if scene.joined == "thru":
        m[:, 0, 1] = m[:, 1, 0] = around.thru
        return m
    m[:, 0, 0] = around.gamma("A") if scene.joined == "load" else 1.0
    m[:, 1, 1] = 1.0
    return m


def _two_port(scene: Scene, s: Complex, around: Around) -> Complex:
    """Return the two-port between the cables (..., F, 2, 2); a cable that hangs free is open and lets nothing through."""
    ends = [scene.port("1"), scene.port("2")]
    used = [port for port in ends if port is not None]
    rest = [port for port in range(3) if port not in used]
    gamma = np.stack([around.gamma(scene.on[port]) for port in rest], axis=-1)[..., None, :]
    s_ii, s_io = s[..., rest, :][..., rest], s[..., rest, :][..., used]
    waves = np.linalg.solve(np.eye(len(rest)) - s_ii * gamma, s_io)
    seen = s[..., used, :][..., used] + (s[..., used, :][..., rest] * gamma) @ waves
    m = np.zeros((*s.shape[:-2], 2, 2), dtype=np.complex128)
    m[..., 0, 0] = m[..., 1, 1] = 1.0
    places = [number for number, port in enumerate(ends) if port is not None]
    for row, to in enumerate(places):
        for column, source in enumerate(places):
            m[..., to, source] = seen[..., row, column]
    return m
