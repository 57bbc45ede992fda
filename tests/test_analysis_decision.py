"""Decisions of figures and unit against the type's tolerances."""

import pytest

from harness.analysis.decision import decide, decide_figures, tolerances, unit_decision
from harness.records import Figure
from tests.analysis_bench import type_of

VALUES = {"coupling_db": 30.1, "return_loss_db": 33.0, "flatness_db": 0.2, "insertion_loss_db": 0.05, "swr": 1.05}


@pytest.mark.parametrize(
    ("value", "tolerance", "decision"),
    [
        (30.0, (29.0, 31.0), "conforms"),
        (29.0, (29.0, 31.0), "conforms"),
        (31.0, (29.0, 31.0), "conforms"),
        (31.0000001, (29.0, 31.0), "does not conform"),
        (28.9999999, (29.0, 31.0), "does not conform"),
        (24.9, (25.0, None), "does not conform"),
        (90.0, (25.0, None), "conforms"),
        (0.11, (None, 0.1), "does not conform"),
        (-0.01, (None, 0.1), "conforms"),
        (float("nan"), (None, 0.1), "does not conform"),
        (float("nan"), (None, None), "does not conform"),
    ],
)
def test_a_figure_is_judged_by_its_tolerance_with_the_ends(
    value: float, tolerance: tuple[float | None, float | None], decision: str
) -> None:
    assert decide(value, tolerance) == decision


def test_tolerances_are_the_types() -> None:
    """30 ± 1 dB; at least 25 dB, which is an SWR of 1.11917; ± 0.5 dB; 0.1 dB."""
    found = tolerances(type_of())
    assert found["coupling_db"] == (29.0, 31.0)
    assert found["return_loss_db"] == (25.0, None)
    assert found["flatness_db"] == (None, 0.5)
    assert found["insertion_loss_db"] == (None, 0.1)
    least, most = found["swr"]
    assert least is None
    assert most == pytest.approx(1.11917, abs=5e-6)


def test_the_worst_figure_decides_the_unit() -> None:
    good = decide_figures(VALUES, type_of())
    assert {figure.decision for figure in good.values()} == {"conforms"}
    assert unit_decision(good.values()) == "conforms"
    bad = decide_figures(VALUES | {"flatness_db": 0.6}, type_of())
    assert bad["flatness_db"].decision == "does not conform"
    assert unit_decision(bad.values()) == "does not conform"


def test_undecided_stands_between() -> None:
    undecided, failed = Figure(value=1, decision="undecided"), Figure(value=1, decision="does not conform")
    assert unit_decision([Figure(value=1, decision="conforms"), undecided]) == "undecided"
    assert unit_decision([undecided, failed]) == "does not conform"


def test_a_perfect_32_turn_unit_fails_30_db_within_a_tenth() -> None:
    """No whole number of turns gives 30.000 dB; 32 give 30.1072 dB."""
    figures = decide_figures(VALUES | {"coupling_db": 30.1072}, type_of(coupling_error="0.1 dB"))
    assert figures["coupling_db"].decision == "does not conform"
