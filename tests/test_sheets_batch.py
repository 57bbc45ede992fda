"""The batch sheet: all curves, the run chart, the table. The source stands beside each check."""

from __future__ import annotations

import re
import time
from functools import cache

import numpy as np
import pytest

from harness.analysis.batch import BatchUnit, batch_statistics, in_words
from harness.records import Proof
from harness.sheets.batch import batch_sheet
from tests.sheet_pages import check_page
from tests.sheet_records import HOSTILE, bands, failed_proof, table, unit_proof
from tests.test_sheets_build import parsed, words_of


def unit_of(proof: Proof) -> BatchUnit:
    faults = tuple((fault.fault, fault.weight) for fault in proof.faults)
    value = proof.figures["coupling_db"].value
    when = proof.circumstances.when
    return BatchUnit(
        proof.unit, proof.type.name, proof.proof, when, proof.decision, proof.figures, faults, (value,), proof.decision
    )


def batch_of(count: int, name: str = "CL-{:04d}") -> list[Proof]:
    """Units of steady coupling with a small spread, the fourth of them loaded twice."""
    rng = np.random.default_rng(20240504)
    base, wrong = unit_proof(), failed_proof()
    found = []
    for number, off in enumerate(rng.normal(0, 0.06, count), start=1):
        like = wrong if number == 4 else base
        level = like.figures["coupling_db"].value + float(off)
        figures = like.figures | {"coupling_db": like.figures["coupling_db"].model_copy(update={"value": level})}
        changes = {"unit": name.format(number), "figures": figures, "coupling_table": table(level)}
        found.append(like.model_copy(update=changes))
    return found


def sheet_of(proofs: list[Proof], name: str = "autumn", missing: tuple[BatchUnit, ...] = ()) -> str:
    units = [*(unit_of(proof) for proof in proofs), *missing]
    types = {proof.type.name: proof.type for proof in proofs}
    statistics = {type_: batch_statistics(units, record) for type_, record in types.items()}
    return batch_sheet(name, units, statistics, {proof.unit: proof for proof in proofs}, bands=bands())


@cache
def page(count: int) -> str:
    return sheet_of(batch_of(count), missing=(BatchUnit("CL-9999", missing="withdrawn"),))


@cache
def hostile_page() -> str:
    return sheet_of([proof.model_copy(update={"unit": f"{proof.unit}{HOSTILE}{'n' * 40}"}) for proof in batch_of(6)], HOSTILE * 4)


@pytest.mark.parametrize("count", [1, 2, 6, 200])
def test_the_page_is_sound(count: int) -> None:
    check_page(page(count))
    check_page(hostile_page())


def test_the_sheet_says_what_the_statistics_say() -> None:
    text = words_of(page(12))
    assert "11 of 12 units conform" in text
    units = [*(unit_of(proof) for proof in batch_of(12)), BatchUnit("CL-9999", missing="withdrawn")]
    for sentence in in_words(batch_statistics(units, unit_proof().type)):
        assert " ".join(sentence.split()) in text
    assert "1 without a proof that counts" in text


def test_every_unit_has_a_curve_a_point_and_a_line() -> None:
    root = parsed(page(200))
    curves = [one for one in root.iter() if (one.get("class") or "").startswith("curve ")]
    points = [one for one in root.iter() if one.get("class") in ("dot", "dot-bad")]
    rows = [one for one in root.iter() if one.tag.endswith("}tr")]
    assert (len(curves), len(points), len(rows)) == (200, 200, 202)
    assert [one.get("data-name") for one in curves if one.get("class") == "curve bad"] == ["CL-0004"]
    assert curves[-1].get("class") == "curve bad"  # drawn last: nothing hides it


def test_one_far_off_unit_does_not_flatten_the_others() -> None:
    # The chart covers the tolerance, 29 to 31 dB; the unit at 36 dB is named beneath and marked at the run chart's edge.
    root = parsed(page(12))
    scale = next(one.get("data-scale") for one in root.iter() if one.get("data-scale"))
    assert [float(number) for number in (scale or "").split()[2:]] == pytest.approx([28.7, 31.3])
    assert re.search(r"Beyond the chart: CL-0004 at 36\.\d\d dB\.", words_of(page(12)))


def test_a_batch_of_200_is_made_in_a_moment() -> None:
    proofs = batch_of(200)
    began = time.process_time()
    text = sheet_of(proofs)
    assert time.process_time() - began < 1.5
    assert len(text.encode()) < 400_000


def test_the_same_records_give_the_same_bytes() -> None:
    assert sheet_of(batch_of(6)) == sheet_of(batch_of(6))


def test_proofs_without_curves_leave_the_run_chart() -> None:
    text = sheet_of([proof.model_copy(update={"coupling_table": None}) for proof in batch_of(6)])
    check_page(text)
    assert "In the order of building" in words_of(text)
    assert 'class="curve' not in text
