"""The two plots of a build sheet: coupling with its parts, and what the sampler puts in series with the line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from markupsafe import Markup

from harness.analysis import Band
from harness.sampler import IdealCore, SamplerCircuit
from harness.sampler.closed_form import loss_db
from harness.sampler.design import Design
from harness.sampler.design.fast import Floats, solve
from harness.sampler.design.made import Made
from harness.sampler.design.response import whole_matrix
from harness.sheets.plots import Box, CurveOf, frequency_plot

BELOW, ABOVE, POINTS = 4.0, 2.0, 121
"""The plots go from a quarter of the low edge to twice the high edge."""

_STILL: dict[str, float] = dict.fromkeys(
    (
        "primary_leakage", "winding_leakage", "winding_capacitance", "stray_capacitance", "braid_loop_inductance",
        "braid_lead_inductance", "braid_ground_capacitance", "braid_winding_capacitance", "sample_capacitance",
    ),
    0.0,
)  # fmt: skip


def wide_grid(band_hz: tuple[float, float]) -> Floats:
    """Return the plots' frequencies in Hz, evenly in the logarithm."""
    return np.asarray(np.geomspace(band_hz[0] / BELOW, band_hz[1] * ABOVE, POINTS), dtype=np.float64)


def coupling_parts(made: Made, frequency_hz: Floats) -> tuple[CurveOf, ...]:
    """Return coupling in dB: the whole, turns and resistors alone, with the core alone, with leakage and capacitance alone."""
    variants = (
        ("all together", made),
        ("turns and load alone", _with(_with(made, still=True), ideal=True)),
        ("with the core", _with(made, still=True)),
        ("with the strays", _with(made, ideal=True)),
    )
    return tuple(
        CurveOf(label, frequency_hz, loss_db(whole_matrix(one, frequency_hz)[:, 2, 0]), style)
        for style, (label, one) in enumerate(variants)
    )


def _with(made: Made, *, still: bool = False, ideal: bool = False) -> Made:
    """Return a build without leakage and capacitance (``still``), or on ideal cores."""

    def change(circuit: SamplerCircuit) -> SamplerCircuit:
        changed = replace(circuit, **_STILL) if still else circuit  # type: ignore[arg-type]  # only float fields are named above
        return replace(changed, core=IdealCore()) if ideal else changed

    return replace(made, first=change(made.first), second=None if made.second is None else change(made.second))


def coupling_plot(design: Design, made: Made, bands: Sequence[Band]) -> Markup:
    """Return the plot of coupling and its parts with the tolerance as a box over the band."""
    wish = design.wish
    error = wish.tolerances.coupling_error
    box = Box("tolerance", wish.band_hz, (wish.coupling_db - error, wish.coupling_db + error))
    curves = coupling_parts(made, wide_grid(wish.band_hz))
    middle, room = design.coupling.into_50.nominal_db, max(2.0 * error, 4.0 * design.coupling.into_50.flatness_db)
    low, high = min(box.values[0], middle) - room, max(box.values[1], middle) + room
    return frequency_plot(
        "coupling-plot",
        f"Coupling over frequency: {middle:.2f} dB nominal, flat to ± {design.coupling.into_50.flatness_db:.2f} dB over the band",
        "coupling, dB",
        curves,
        bands=bands,
        box=box,
        values=(low, high),
    )


def series_plot(design: Design, made: Made, bands: Sequence[Band]) -> Markup:
    """Return the plot of Z_s, what the winding puts in series with the line, in mΩ."""
    frequency = wide_grid(design.wish.band_hz)
    series = solve(made.unit(frequency), frequency).series * 1e3
    least = float(np.abs(series).max()) * 1e-3
    curves = (
        CurveOf("amount", frequency, np.abs(series)),
        CurveOf("resistance", frequency, np.maximum(np.real(series), least), 1),
        CurveOf("reactance, amount", frequency, np.maximum(np.abs(np.imag(series)), least), 2),
    )
    most = design.line.winding_series_ohm * 1e3
    return frequency_plot(
        "series-plot",
        f"Impedance in series with the line over frequency: at most {most:.0f} mΩ in the band",
        "in series with the line, mΩ",
        curves,
        bands=bands,
        log_values=True,
    )
