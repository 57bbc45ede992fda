"""The drift sheet: a proof beside its unit's reference proof; drifted or not, where, by how much, and what fits the change."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from harness.analysis import Band
from harness.errors import UsageError
from harness.quantities import show_frequency
from harness.records import Proof
from harness.records.drift import Drift, DriftCurve, DriftFeature, DriftTest
from harness.records.figure import decimals_of
from harness.records.figure_text import figure_words, value_text
from harness.sheets.chart import FrequencyChart
from harness.sheets.page import render
from harness.sheets.script import readout_script
from harness.sheets.svg import Drawing
from harness.sheets.unit import drift_of
from harness.sheets.unit_curves import inside, shown_range, table_arrays
from harness.sheets.unit_words import MARKS, band_text, decision_text, sentence, when_text

METER = (120.0, 9.0)
WIDE = 0.9
"""A change over more than this part of the chart is tinted nowhere."""
WHOLE, BESIDE = (186.0, 50.0), (186.0, 35.0)


@dataclass(frozen=True)
class Shown:
    """A curve of the change: its name, its chart, whether it is beyond its threshold somewhere, and whether a part is tinted."""

    name: str
    chart: Markup
    beyond: bool
    tinted: bool


@dataclass(frozen=True)
class Row:
    """A figure in both proofs."""

    name: str
    before: str
    now: str


@dataclass(frozen=True)
class Test:
    """A test: its name, what it is, statistic and threshold, and their picture."""

    name: str
    says: str
    result: str
    meter: Markup


def drift_sheet(proof: Proof, reference: Proof | None, *, bands: Sequence[Band]) -> str:
    """Return the sheet as HTML text; the same records give the same bytes.

    ``reference``: the reference proof, None where the log does not hold it. UsageError for a proof without a comparison.
    """
    drift = drift_of(proof)
    if drift is None or drift.reference is None:
        raise UsageError(
            f"the proof {proof.proof} of {proof.unit} was not compared with a reference proof",
            hint="'tapproof recheck UNIT' proves it again and compares.",
        )
    script, policy = readout_script()
    return render(
        "drift.html",
        unit=proof.unit,
        type=proof.type,
        drift=drift,
        changed=sentence(drift.changed),
        explanation=[(one.fault, one.where, f"{one.weight:.2f}", sentence(one.says)) for one in drift.explanation],
        proof=proof,
        verdict="drifted" if drift.drifted else "no drift",
        kind="does-not-conform" if drift.drifted else "conforms",
        mark=MARKS[proof.decision],
        decision=decision_text(proof),
        band=band_text(proof.band_hz),
        now=when_text(proof.circumstances.when),
        before=when_text(drift.reference_when or "") if drift.reference_when else "",
        where=None if drift.where_hz is None else " to ".join(show_frequency(one) for one in drift.where_hz),
        curves=curve_charts(drift, bands),
        both=None if reference is None else both_chart(proof, reference, bands),
        tests=[_test(place, one) for place, one in enumerate(drift.tests, start=1)],
        features=[_feature(one) for one in drift.features],
        rows=() if reference is None else _rows(reference, proof),
        script=script,
        policy=policy,
    )


def curve_charts(drift: Drift, bands: Sequence[Band]) -> tuple[Shown, ...]:
    """Return the charts of the curves that the record keeps, the coupling's first, each with its threshold."""
    found = []
    for place, one in enumerate(drift.curves, start=1):
        if len(one.hz) > 1:
            where = drift.where_hz
            where = where if where and where[1] - where[0] < WIDE * (one.hz[-1] - one.hz[0]) else None
            chart = change_chart(f"difference-{place}", one, WHOLE if place == 1 else BESIDE, where, bands)
            beyond = any(abs(change) > threshold for change, threshold in zip(one.change, one.threshold, strict=True))
            found.append(Shown(one.name, chart, beyond, where is not None))
    return tuple(found)


def change_chart(
    name: str, one: DriftCurve, size: tuple[float, float], where_hz: tuple[float, float] | None, bands: Sequence[Band]
) -> Markup:
    """Return a curve's change over frequency and what it stays within without drift."""
    hz, change, allowed = (np.array(each, dtype=np.float64) for each in (one.hz, one.change, one.threshold))
    shown, digits = (float(hz[0]), float(hz[-1])), 3 if one.unit == "dB" else 4
    most = 1.2 * float(max(np.abs(change).max(), allowed.max())) or 0.1
    chart = FrequencyChart(
        name,
        f"Change of the {one.name} over frequency: {change.min():+.{digits}f} to {change.max():+.{digits}f} {one.unit}",
        f"change of the {one.name}, {one.unit}",
        hz=shown,
        values=(-most, most),
        unit=one.unit if one.unit == "dB" else "",
        digits=digits,
        size=size,
    )
    chart.between(hz, -allowed, allowed, "threshold")
    if where_hz is not None:
        chart.span(where_hz)
    chart.edge(hz, -allowed)
    chart.edge(hz, allowed)
    chart.limit(0.0, shown, ends=False, kind="axes")
    chart.curve("change", hz, change)
    chart.bands(bands)
    return chart.svg()


def both_chart(proof: Proof, reference: Proof, bands: Sequence[Band]) -> Markup | None:
    """Return the coupling in both proofs with their intervals."""
    if proof.coupling_table is None or reference.coupling_table is None:
        return None
    tables = [table_arrays(one) for one in (reference.coupling_table, proof.coupling_table)]
    shown = shown_range(tables[1][0], proof.band_hz)
    cut = [tuple(each[inside(table[0], shown).astype(int)] for each in table) for table in tables]
    if any(table[0].size < 2 for table in cut):
        return None
    every = np.concatenate([np.concatenate(table[2:]) for table in cut])
    room = 0.1 * float(every.max() - every.min()) or 0.1
    chart = FrequencyChart(
        "both",
        "Coupling over frequency in both proofs",
        "coupling, dB",
        hz=shown,
        values=(float(every.min()) - room, float(every.max()) + room),
        size=(90.0, 36.0),
    )
    for (hz, db, low, high), label, kind in zip(cut, ("before", "now"), ("c2", "c1"), strict=True):
        chart.between(hz, low, high, "interval" if kind == "c1" else "interval-2")
        chart.curve(label, hz, db, kind)
    chart.bands(bands)
    return chart.svg()


def _test(place: int, one: DriftTest) -> Test:
    chance = "p below 0.001" if one.p < 0.001 else f"p = {one.p:.2g}"
    result = f"{one.statistic:.3g}; threshold {one.threshold:.3g} ({chance})"
    return Test(one.name, one.says, result, _meter(f"test-{place}", one.statistic, one.threshold))


def _meter(name: str, statistic: float, threshold: float) -> Markup:
    """Return a bar as long as the statistic, with the threshold marked at the middle of the scale; cut at twice of it."""
    width, height = METER
    drawing = Drawing(width, height, says=f"{statistic:.3g}, threshold {threshold:.3g}", name=name, kind="drawing chart")
    ratio = min(statistic / threshold, 2.0) if threshold > 0 else 2.0
    drawing.box((0.5, 1.2), (width - 1) * ratio / 2, 3.0, "dot" if ratio <= 1 else "over")
    drawing.line((width / 2, 0.4), (width / 2, 5.0), "axes")
    drawing.text((width / 2, 8.2), "threshold", "label small", "middle")
    return drawing.svg()


def _feature(one: DriftFeature) -> tuple[str, str, str, bool]:
    digits = max(1, decimals_of((one.high - one.low) / 2, 4))
    value, low, high = (f"{round(each, digits) + 0.0:+.{digits}f}".replace("-", "−") for each in (one.value, one.low, one.high))
    return one.name, f"{value} {one.unit}", f"{low} to {high} {one.unit}", not one.low <= 0 <= one.high


def _rows(reference: Proof, proof: Proof) -> list[Row]:
    return [
        Row(figure_words(name), value_text(name, reference.figures[name]), value_text(name, figure))
        for name, figure in proof.figures.items()
        if name in reference.figures
    ]
