"""The plot of what the best explanation leaves of the readings. The project's own rules, no outside source."""

from __future__ import annotations

import re

import pytest

from harness.records.proof_diagnosis import FitRemainder
from harness.sheets.remainder import FULL, LEFT, MOST_ROWS, RIGHT, ROW, TOP, WIDTH, remainder_plot
from tests.sheet_records import remainder
from tests.test_sheets_build import parsed, words_of


def bars(found: FitRemainder, kind: str) -> list[tuple[float, float, float]]:
    """Place, foot and top of each bar of a kind."""
    root = parsed(str(remainder_plot(found)))
    paths = [one.get("d") or "" for one in root.iter() if one.get("class") == f"bar {kind}"]
    return [tuple(map(float, bar)) for path in paths for bar in re.findall(r"M([\d.]+) ([\d.]+)V([\d.]+)", path)]  # type: ignore[misc]


def test_bars_stand_at_their_frequency_and_are_as_tall_as_the_reading_is_off() -> None:
    hz, off = (1e6, 1e7, 1e8), (0.5, 2.0, 3.5)
    found = FitRemainder(hz=hz, off={"coupled s21": off})
    near, far = bars(found, "near"), bars(found, "far")
    assert [len(near), len(far)] == [2, 1]
    places = [x for x, _, _ in (*near, *far)]
    assert places == pytest.approx([LEFT, (LEFT + WIDTH - RIGHT) / 2, WIDTH - RIGHT])  # a decade is as long as the next one
    tall = [foot - top for _, foot, top in (*near, *far)]
    assert tall == pytest.approx([(ROW - 0.9) * each / FULL for each in off], abs=0.002)


def test_the_readings_that_are_furthest_off_are_shown_in_their_order_with_their_largest_number() -> None:
    text = words_of(str(remainder_plot(remainder(far=40.0))))
    names = [name for name in remainder().off if name in text]
    assert len(names) == MOST_ROWS
    assert names == ["coupled s21", "coupled-far s11", "coupled-far s21", "sample s11"]
    assert "max 40" in text
    assert "standard deviations" in text
    assert "frequency, MHz" in text
    assert max(foot - top for _, foot, top in bars(remainder(far=40.0), "far")) == pytest.approx(
        ROW - 0.9
    )  # cut at the row's edge


def test_where_the_explanation_is_too_far_off_is_tinted() -> None:
    root = parsed(str(remainder_plot(remainder())))
    (span,) = [one for one in root.iter() if one.get("class") == "span"]
    assert float(span.get("y") or 0) == TOP
    assert float(span.get("x") or 0) + float(span.get("width") or 0) == pytest.approx(WIDTH - RIGHT, abs=0.01)


@pytest.mark.parametrize(
    "found",
    [
        FitRemainder(hz=(), off={}),
        FitRemainder(hz=(1e6,), off={"line s21": (1.0,)}),
        FitRemainder(hz=(1e6, 2e6), off={"line s21": (1.0,)}),
        FitRemainder(hz=(0.0, 2e6), off={"line s21": (1.0, 2.0)}),
    ],
)
def test_a_record_without_readings_has_no_plot(found: FitRemainder) -> None:
    assert remainder_plot(found) is None
