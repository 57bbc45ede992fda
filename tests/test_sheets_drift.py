"""The drift sheet: the change with its threshold, and what changed. The source stands beside each check."""

from __future__ import annotations

from functools import cache
from typing import Any

import pytest

from harness.errors import UsageError
from harness.records import Proof
from harness.sheets.drift import drift_sheet
from tests.sheet_pages import check_page
from tests.sheet_records import HOSTILE, bands, curve, drift, table, unit_proof
from tests.test_sheets_build import parsed, words_of


def rechecked(**changes: Any) -> Proof:
    return unit_proof(coupling_table=table(29.9, -0.5), drift=drift(**changes).model_dump())


@cache
def page(kind: str) -> str:
    same: dict[str, Any] = {"drifted": False, "where_hz": None, "explanation": (), "changed": "", "stated": (), "trend": None}
    same |= {"curves": (curve("coupling", "dB", lambda x: 0.05 * x, lambda x: 0.15 + 0 * x),)}
    proofs: dict[str, tuple[Proof, Proof | None]] = {
        "drifted": (rechecked(), unit_proof()),
        "same": (rechecked(**same), unit_proof()),
        "elsewhere": (rechecked(), None),
        "hostile": (
            rechecked(changed=HOSTILE * 3, stated=(HOSTILE, "n" * 200)).model_copy(update={"unit": HOSTILE}),
            unit_proof(),
        ),
    }
    return drift_sheet(*proofs[kind], bands=bands())


KINDS = ("drifted", "same", "elsewhere", "hostile")


@pytest.mark.parametrize("kind", KINDS)
def test_the_page_is_sound(kind: str) -> None:
    check_page(page(kind))


def test_it_says_first_whether_the_unit_drifted() -> None:
    text = words_of(page("drifted"))
    assert (
        "CL-0007 drifted Coupling fell by 0.2 dB. The change stands out from 30 MHz to 54 MHz. As it is now the unit conforms"
        in text
    )
    assert "cracked core , probability 0.72" in text or "cracked core, probability 0.72" in text
    assert "5.2; threshold 3.6 (p below 0.001)" in text
    assert "−0.203 dB −0.264 to −0.142 dB" in text
    assert "CL-0007 no drift" in words_of(page("same"))
    assert "is not in this log" in words_of(page("elsewhere"))


def test_a_feature_whose_interval_holds_zero_is_not_bold() -> None:
    rows = {row[0].text: row.get("class") for row in parsed(page("drifted")).iter() if row.tag.endswith("}tr") and len(row)}
    assert rows["level"] == "badly"
    assert rows["delay"] is None


def test_each_curve_stands_there_with_its_threshold() -> None:
    # What was drawn is read back by the chart's own scale: the record's numbers, to a thousandth of the picture's height.
    root, record = parsed(page("drifted")), drift()
    for place, one in enumerate(record.curves, start=1):
        svg = next(each for each in root.iter() if each.get("aria-labelledby") == f"difference-{place}-title")
        _, top, _, bottom = map(float, (svg.get("data-field") or "").split())
        least, most = map(float, (svg.get("data-scale") or "").split()[2:])

        def values(kind: str, svg: Any = svg, scale: Any = (top, bottom, least, most)) -> list[list[float]]:
            top, bottom, least, most = scale
            paths = [each.get("d") or "" for each in svg.iter() if each.get("class") == kind]
            return [
                [least + (bottom - float(pair.split()[1])) / (bottom - top) * (most - least) for pair in path[1:].split(" L")]
                for path in paths
            ]

        near = 2e-3 * (most - least)
        (change,) = values("curve c1")
        assert change == pytest.approx(one.change, abs=near)
        low, high = values("edge")
        assert high == pytest.approx(one.threshold, abs=near)
        assert low == pytest.approx([-each for each in one.threshold], abs=near)
    text = words_of(page("drifted"))
    assert "change of the match of line in, imaginary part, of a total reflection" in text
    assert text.count("The line leaves its threshold.") == 2
    assert "The line stays within its threshold." in words_of(page("same"))


def test_a_bar_beyond_the_middle_is_beyond_the_threshold() -> None:
    boxes = [one for one in parsed(page("drifted")).iter() if one.tag.endswith("}rect") and one.get("class") in ("dot", "over")]
    assert [one.get("class") for one in boxes] == ["over", "dot"]
    assert [float(one.get("width") or 0) > 59.5 for one in boxes] == [True, False]


def test_a_proof_that_was_not_compared_has_no_drift_sheet() -> None:
    for found in (None, {"drifted": False, "level_db": 0.01}, drift(reference=None).model_dump()):
        with pytest.raises(UsageError, match="was not compared"):
            drift_sheet(unit_proof(drift=found), None, bands=bands())


def test_the_same_records_give_the_same_bytes() -> None:
    assert drift_sheet(rechecked(), unit_proof(), bands=bands()) == page("drifted")
