"""Figures of a three-port over its band. Functions take S of shape (..., F, 3, 3): leading axes are carried through.

Values at band edges and band centres are interpolated in the complex S, by the cubic in log frequency through the four nearest
points. Reasons: decibels and angles of a small reflection jump, its S does not; the map is linear, so errors of the readings go
through it unchanged; and straight lines are not enough at the low edge, where the core's corner bends the coupling between two
points (five turns, 1.8 MHz between points at 1.5 and 2 MHz: a chord reads 0.013 dB too weak, this less than 0.001 dB).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from harness.analysis.bands import Band
from harness.analysis.levels import loss_db, swr_of_reflection
from harness.analysis.points import Points
from harness.analysis.readings import Complex
from harness.records import LINE_OUT, CouplingAt, SamplerType
from harness.records.sweep import RELATIVE_GRID_TOLERANCE

FIGURE_NAMES = ("coupling_db", "return_loss_db", "flatness_db", "insertion_loss_db", "swr")
Real = NDArray[np.float64]


def at_frequencies(frequency_hz: Real, s: Complex, at_hz: Real) -> Complex:
    """Return S at ``at_hz``, shape (..., len(at_hz), 3, 3): exact on the grid, held at its ends."""
    return np.moveaxis(Points.on(frequency_hz, at_hz).take(np.moveaxis(s, -3, 0)), 0, -3)


def inside(frequency_hz: Real, band_hz: tuple[float, float]) -> NDArray[np.bool_]:
    """Tell which frequencies lie in the band, its edges included to a relative 1e-9."""
    low, high = band_hz
    return np.asarray(
        (frequency_hz >= low * (1 - RELATIVE_GRID_TOLERANCE)) & (frequency_hz <= high * (1 + RELATIVE_GRID_TOLERANCE))
    )


def in_band(frequency_hz: Real, s: Complex, band_hz: tuple[float, float]) -> tuple[Real, Complex]:
    """Return (frequencies, S) over the band: both edges, interpolated where they fall between points, and what lies between."""
    wanted = band_points(frequency_hz, band_hz)
    return wanted, at_frequencies(frequency_hz, s, wanted)


def band_points(frequency_hz: Real, band_hz: tuple[float, float]) -> Real:
    """Return the frequencies over which figures are taken: both edges of the band and the grid between them, in Hz."""
    low, high = band_hz
    within = (frequency_hz > low * (1 + RELATIVE_GRID_TOLERANCE)) & (frequency_hz < high * (1 - RELATIVE_GRID_TOLERANCE))
    return np.concatenate([[low], frequency_hz[within], [high]])


def coupling_db(s: Complex) -> Real:
    """Return the coupling −20·log10 abs(S31) in dB, shape (..., F)."""
    return loss_db(s[..., 2, 0])


def insertion_loss_db(s: Complex) -> Real:
    """Return −20·log10 abs(S21) in dB, shape (..., F); it includes the power that goes to the sample."""
    return loss_db(s[..., 1, 0])


def line_reflection(s: Complex, sides: Sequence[str]) -> Real:
    """Return the larger of abs(S11) and, where ``sides`` has "line out", abs(S22), shape (..., F)."""
    near = np.abs(s[..., 0, 0])
    return np.asarray(np.maximum(near, np.abs(s[..., 1, 1])) if LINE_OUT in sides else near, dtype=np.float64)


def figure_values(s: Complex, sides: Sequence[str]) -> dict[str, Real]:
    """Return each figure of FIGURE_NAMES, shape (...), of S over the band.

    coupling_db: mid-range of the coupling, (max + min)/2. flatness_db: half of max − min. return_loss_db, swr: the worst of the
    band and of ``sides``. insertion_loss_db: the worst of the band.
    """
    coupling = coupling_db(s)
    most, least = coupling.max(axis=-1), coupling.min(axis=-1)
    reflection = line_reflection(s, sides).max(axis=-1)
    return {
        "coupling_db": np.asarray((most + least) / 2),
        "return_loss_db": loss_db(reflection),
        "flatness_db": np.asarray((most - least) / 2),
        "insertion_loss_db": np.asarray(insertion_loss_db(s).max(axis=-1)),
        "swr": swr_of_reflection(reflection),
    }


def wanted_centres(bands: Sequence[Band], band_hz: tuple[float, float]) -> Real:
    """Return the centres, in Hz, of the bands whose centre lies in ``band_hz``, in the order of ``bands``."""
    return np.array([band.centre_hz for band in bands if band_hz[0] <= band.centre_hz <= band_hz[1]], dtype=np.float64)


def coupling_at(frequency_hz: Real, s: Complex, band_hz: tuple[float, float], bands: Sequence[Band]) -> tuple[CouplingAt, ...]:
    """Return the coupling at the centre of each band whose centre lies in ``band_hz``, in their order, without intervals."""
    centres = wanted_centres(bands, band_hz)
    values = coupling_db(at_frequencies(frequency_hz, s, centres))
    return tuple(CouplingAt(hz=float(hz), db=float(db)) for hz, db in zip(centres, values, strict=True))


def usable_band(frequency_hz: Real, s: Complex, sides: Sequence[str], type_: SamplerType) -> tuple[float, float] | None:
    """Return the usable band (low, high) in Hz, or None.

    It is the widest run, by ratio of its ends, of measured frequencies without a gap that has a point in the type's band, and at
    all of which the coupling is within the type's flatness of the unit's nominal coupling (so its own flatness is kept too) and
    return loss and insertion loss meet the type's tolerances. None where the nominal coupling is outside its tolerance, or no
    two neighbouring points are usable.
    """
    tolerance = type_.tolerance
    nominal = figure_values(in_band(frequency_hz, s, type_.band_hz)[1], sides)["coupling_db"]
    if abs(nominal - tolerance.coupling) > tolerance.coupling_error:
        return None
    good = (
        (np.abs(coupling_db(s) - nominal) <= tolerance.flatness)
        & (loss_db(line_reflection(s, sides)) >= tolerance.return_loss)
        & (insertion_loss_db(s) <= tolerance.insertion_loss)
    )
    wanted = inside(frequency_hz, type_.band_hz)
    best: tuple[float, float] | None = None
    for first, last in _runs(good):
        low, high = float(frequency_hz[first]), float(frequency_hz[last])
        touches = bool(np.any(wanted[first : last + 1]))
        if touches and high > low and (best is None or high / low > best[1] / best[0]):
            best = low, high
    return best


def _runs(good: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return (first, last) index of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], good, [False]]).astype(np.int8)))
    return [(int(first), int(after) - 1) for first, after in zip(edges[::2], edges[1::2], strict=True)]
