"""The drift sheet: a proof beside its unit's reference proof; drifted or not, where, by how much, and what fits the change."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from harness.analysis import Band
from harness.errors import UsageError
from harness.quantities import show_frequency
from harness.records import CouplingTable, Proof
from harness.records.drift import Drift, DriftFeature, DriftTest
from harness.records.figure import decimals_of
from harness.records.figure_text import figure_words, value_text
from harness.sheets.chart import Floats, FrequencyChart
from harness.sheets.page import render
from harness.sheets.script import readout_script
from harness.sheets.svg import Drawing
from harness.sheets.unit import drift_of
from harness.sheets.unit_curves import inside, shown_range, table_arrays
from harness.sheets.unit_words import MARKS, band_text, decision_text, when_text

METER = (120.0, 9.0)


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
        proof=proof,
        verdict="drifted" if drift.drifted else "no drift",
        kind="does-not-conform" if drift.drifted else "conforms",
        mark=MARKS[proof.decision],
        decision=decision_text(proof),
        band=band_text(proof.band_hz),
        now=when_text(proof.circumstances.when),
        before=when_text(drift.reference_when or "") if drift.reference_when else "",
        where=None if drift.where_hz is None else " to ".join(show_frequency(one) for one in drift.where_hz),
        difference=None if reference is None else difference_chart(proof, reference, drift, bands),
        both=None if reference is None else both_chart(proof, reference, bands),
        tests=[_test(place, one) for place, one in enumerate(drift.tests, start=1)],
        features=[_feature(one) for one in drift.features],
        rows=() if reference is None else _rows(reference, proof),
        script=script,
        policy=policy,
    )


def common(now: CouplingTable, before: CouplingTable) -> tuple[Floats, Floats, Floats, Floats]:
    """Return Hz, the change of the coupling (now less before) in dB, and half of each proof's 95 % interval.

    At the later proof's frequencies that lie in both sweeps; the earlier proof is read between its points, linearly over log
    frequency.
    """
    hz, db, low, high = table_arrays(now)
    hz0, db0, low0, high0 = table_arrays(before)
    at = inside(hz, (float(hz0[0]), float(hz0[-1]))).astype(int)
    hz, place = hz[at], np.log(hz[at])
    change = db[at] - np.interp(place, np.log(hz0), db0)
    half, half0 = (high - low)[at] / 2, np.interp(place, np.log(hz0), (high0 - low0) / 2)
    return hz, np.asarray(change), half, np.asarray(half0)


def difference_chart(proof: Proof, reference: Proof, drift: Drift, bands: Sequence[Band]) -> Markup | None:
    """Return the change of the coupling over frequency, with what the two proofs' intervals allow together."""
    if proof.coupling_table is None or reference.coupling_table is None:
        return None
    hz, change, half, half0 = common(proof.coupling_table, reference.coupling_table)
    if hz.size < 2:
        return None
    allowed = np.sqrt(half**2 + half0**2)
    shown = shown_range(hz, proof.band_hz)
    at = inside(hz, shown).astype(int)
    most = 1.2 * float(max(np.abs(change[at]).max(), allowed[at].max())) or 0.1
    chart = FrequencyChart(
        "difference",
        f"Change of the coupling over frequency: {change[at].min():+.3f} to {change[at].max():+.3f} dB",
        "change of the coupling, dB",
        hz=shown,
        values=(-most, most),
        digits=3,
        size=(186.0, 62.0),
    )
    chart.between(hz[at], -allowed[at], allowed[at], "threshold")
    if drift.where_hz is not None:
        chart.span(drift.where_hz)
    chart.limit(0.0, shown, ends=False)
    chart.curve("change", hz[at], change[at])
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
        size=(90.0, 44.0),
    )
    for (hz, db, low, high), label, kind in zip(cut, ("before", "now"), ("c2", "c1"), strict=True):
        chart.between(hz, low, high, "interval")
        chart.curve(label, hz, db, kind)
    chart.bands(bands)
    return chart.svg()


def _test(place: int, one: DriftTest) -> Test:
    result = f"{one.statistic:.3g}; threshold {one.threshold:.3g} (p = {one.p:.2g})"
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
    value, low, high = (f"{each:+.{digits}f}".replace("-", "−") for each in (one.value, one.low, one.high))
    return one.name, f"{value} {one.unit}", f"{low} to {high} {one.unit}", not one.low <= 0 <= one.high


def _rows(reference: Proof, proof: Proof) -> list[Row]:
    return [
        Row(figure_words(name), value_text(name, reference.figures[name]), value_text(name, figure))
        for name, figure in proof.figures.items()
        if name in reference.figures
    ]
