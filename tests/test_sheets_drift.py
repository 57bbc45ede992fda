"""The drift sheet: the change with its threshold, and what changed. The source stands beside each check."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from harness.errors import UsageError
from harness.records import Proof
from harness.sheets.drift import common, drift_sheet
from tests.sheet_pages import check_page, console, printed
from tests.sheet_records import HOSTILE, bands, drift, table, unit_proof
from tests.test_sheets_build import measured, parsed, words_of


def rechecked(**changes: Any) -> Proof:
    return unit_proof(coupling_table=table(29.9, -0.5), drift=drift(**changes).model_dump())


@cache
def page(kind: str) -> str:
    same = {"drifted": False, "where_hz": None, "explanation": (), "changed": "", "stated": (), "trend": None}
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
    assert "5.2; threshold 3.6 (p = 0.0005)" in text
    assert "−0.203 dB −0.264 to −0.142 dB" in text
    assert "CL-0007 no drift" in words_of(page("same"))
    assert "is not in this log" in words_of(page("elsewhere"))


def test_a_feature_whose_interval_holds_zero_is_not_bold() -> None:
    rows = {row[0].text: row.get("class") for row in parsed(page("drifted")).iter() if row.tag.endswith("}tr") and len(row)}
    assert rows["level"] == "badly"
    assert rows["delay"] is None


def test_the_change_is_the_difference_of_both_tables() -> None:
    # Of two curves with known values on different grids: 0.2 dB less at every frequency; intervals of 0.1 and 0.3 dB.
    now, before = table(29.9, 0.0, 0.1, 101), table(30.1, 0.0, 0.3, 77)
    hz, change, half, half0 = common(now, before)
    assert hz.size == 101
    assert change == pytest.approx(np.full(101, -0.2))
    assert half == pytest.approx(np.full(101, 0.1))
    assert half0 == pytest.approx(np.full(101, 0.3))


def test_the_grey_band_is_the_root_sum_of_squares() -> None:
    # JCGM 100, 5.1.2: independent uncertainties of a difference add as squares: 0.1 and 0.1 dB make 0.141 dB.
    root = parsed(page("same"))
    svg = next(one for one in root.iter() if one.get("aria-labelledby") == "difference-title")
    _, top, _, bottom = map(float, (svg.get("data-field") or "").split())
    least, most = map(float, (svg.get("data-scale") or "").split()[2:])
    grey = next(one for one in svg.iter() if one.get("class") == "threshold")
    ys = [float(pair.split()[1]) for pair in (grey.get("d") or "")[1:].removesuffix(" Z").split(" L")]
    edges = {round(least + (bottom - y) / (bottom - top) * (most - least), 3) for y in ys}
    assert edges == {0.141, -0.141}


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


@pytest.mark.needs_browser
@pytest.mark.parametrize("kind", KINDS)
def test_it_prints_on_one_a4_page(kind: str, tmp_path: Path) -> None:
    pages, words = printed(tmp_path, page(kind))
    assert pages == 1
    assert "Change of the coupling" in words


@pytest.mark.needs_browser
def test_nothing_overlaps_or_is_cut_on_a_wide_and_on_a_narrow_screen(tmp_path: Path) -> None:
    for which, seen in measured(tmp_path, {kind: page(kind) for kind in KINDS}, [1280, 390]).items():
        assert seen["bad"] == [], which
        assert seen["wide"] <= int(which.split()[-1])


@pytest.mark.needs_browser
def test_the_console_stays_silent(tmp_path: Path) -> None:
    assert console(tmp_path, page("drifted")) == []
