"""The charts of a unit sheet: coupling with its interval and tolerance, return loss and insertion loss of the line."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from markupsafe import Markup

from harness.analysis import Band
from harness.records import CouplingTable, Proof, Sweep
from harness.sheets.chart import Floats, FrequencyChart, worst_points

BESIDE = 2.0
"""The charts reach this factor beyond the band on either side, as far as the sweep goes."""
SMALL = (90.0, 33.0)
DEEPEST_DB = 70.0
"""A return loss above this is drawn at the upper edge: nothing tells it from a perfect match."""


def shown_range(hz: Floats, band_hz: tuple[float, float]) -> tuple[float, float]:
    """Return the frequencies that a chart shows: the band and a little beside it, where there are points."""
    low, high = max(float(hz[0]), band_hz[0] / BESIDE), min(float(hz[-1]), band_hz[1] * BESIDE)
    return (low, high) if low < high else (float(hz[0]), float(hz[-1]))


def table_arrays(table: CouplingTable) -> tuple[Floats, Floats, Floats, Floats]:
    """Return Hz, dB, low and high of a coupling table."""
    return tuple(np.array(each, dtype=np.float64) for each in (table.hz, table.db, table.low, table.high))  # type: ignore[return-value]


def inside(hz: Floats, shown: tuple[float, float]) -> Floats:
    """Return which points a chart shows."""
    return np.flatnonzero((hz >= shown[0] * (1 - 1e-9)) & (hz <= shown[1] * (1 + 1e-9)))  # type: ignore[return-value]


def coupling_chart(proof: Proof, bands: Sequence[Band]) -> Markup | None:
    """Return coupling over frequency; None where the record has no table of it."""
    if proof.coupling_table is None or len(proof.coupling_table.hz) < 2:
        return None
    hz, db, low, high = table_arrays(proof.coupling_table)
    shown = shown_range(hz, proof.band_hz)
    at = inside(hz, shown).astype(int)
    hz, db, low, high = (each[at] for each in (hz, db, low, high))
    band = (hz >= proof.band_hz[0]) & (hz <= proof.band_hz[1])
    band = band if band.any() else np.ones(hz.size, dtype=bool)
    least, most = proof.figures["coupling_db"].tolerance if "coupling_db" in proof.figures else (None, None)
    every = [float(low[band].min()), float(high[band].max()), *(one for one in (least, most) if one is not None)]
    room = 0.15 * (max(every) - min(every)) or 0.5
    chart = FrequencyChart(
        "coupling",
        f"Coupling over frequency: {db[band].min():.2f} to {db[band].max():.2f} dB in the band",
        "coupling, dB",
        hz=shown,
        values=(min(every) - room, max(every) + room),
        digits=2,
    )
    for limit, above in ((least, False), (most, True)):
        if limit is not None:
            chart.limit(limit, proof.band_hz, f"tolerance {limit:g} dB", above=above)
    chart.between(hz, low, high)
    chart.curve("coupling", hz, db)
    chart.bands(bands)
    return chart.svg()


def line_charts(proof: Proof, sweeps: Mapping[str, Sweep], bands: Sequence[Band]) -> tuple[Markup, ...]:
    """Return return loss and insertion loss of the line from the unit's three-port; none where the sweeps are not there."""
    unit = sweeps.get("unit")
    if unit is None or unit.frequency_hz.size < 2:
        return ()
    shown = shown_range(unit.frequency_hz, proof.band_hz)
    at = inside(unit.frequency_hz, shown).astype(int)
    hz = unit.frequency_hz[at]
    sides = [("line in", "s11", "c1"), ("line out", "s22", "c2")][: 2 if both_sides(sweeps) else 1]
    losses = {key: _loss(unit, key, at) for key in ("s11", "s22", "s21") if key in unit.traces}
    return (
        _return_loss(proof, hz, [(label, losses[key], kind) for label, key, kind in sides if key in losses], shown, bands),
        _insertion_loss(proof, hz, losses["s21"], shown, bands),
    )


def both_sides(sweeps: Mapping[str, Sweep]) -> bool:
    """Return whether the match at line out was measured, and not only taken near that at line in."""
    return "coupled-far" in sweeps or ("line" in sweeps and "s22" in sweeps["line"].traces)


def _loss(unit: Sweep, key: str, at: Floats) -> Floats:
    size = np.nan_to_num(np.abs(unit.traces[key][at]), nan=1.0, posinf=1e6)
    return np.asarray(-20 * np.log10(np.maximum(size, 1e-6)), dtype=np.float64)


def _return_loss(
    proof: Proof, hz: Floats, curves: list[tuple[str, Floats, str]], shown: tuple[float, float], bands: Sequence[Band]
) -> Markup:
    least = proof.figures["return_loss_db"].tolerance[0] if "return_loss_db" in proof.figures else None
    lowest = min([float(values.min()) for _, values, _ in curves] + ([least] if least is not None else []))
    highest = min(max(float(values.max()) for _, values, _ in curves), DEEPEST_DB)
    bottom = min(lowest - 4.0, highest - 10.0)
    chart = FrequencyChart(
        "return-loss",
        f"Return loss over frequency: at least {min(float(values.min()) for _, values, _ in curves):.1f} dB in what is shown",
        "return loss, dB",
        hz=shown,
        values=(bottom, highest + 4.0),
        digits=1,
        size=SMALL,
    )
    if least is not None:
        chart.limit(least, proof.band_hz, f"at least {least:g} dB")
    for label, values, kind in curves:
        chart.curve(label, *worst_points(hz, np.minimum(values, DEEPEST_DB), low_is_worst=True), kind)
    chart.bands(bands)
    return chart.svg()


def _insertion_loss(proof: Proof, hz: Floats, values: Floats, shown: tuple[float, float], bands: Sequence[Band]) -> Markup:
    most = proof.figures["insertion_loss_db"].tolerance[1] if "insertion_loss_db" in proof.figures else None
    band = values[(hz >= proof.band_hz[0]) & (hz <= proof.band_hz[1])]
    every = [0.0, float((band if band.size else values).max()), *([most] if most is not None else [])]
    least = min(0.0, float((band if band.size else values).min()))
    top = max(every) * 1.2 or 0.1
    chart = FrequencyChart(
        "insertion-loss",
        f"Insertion loss over frequency: at most {every[1]:.3f} dB in the band",
        "insertion loss, dB",
        hz=shown,
        values=(least - 0.04 * (top - least), top),
        digits=3,
        size=SMALL,
    )
    if most is not None:
        chart.limit(most, proof.band_hz, f"at most {most:g} dB", above=False)
    chart.curve("insertion loss", *worst_points(hz, values, low_is_worst=False))
    chart.bands(bands)
    return chart.svg()
