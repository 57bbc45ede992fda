"""Decisions of figures and unit against the type's tolerances, from draws."""

import numpy as np
import pytest
from scipy.stats import norm

from harness.analysis.decision import decide, decide_figures, interval, meets, tolerances, unit_decision
from harness.analysis.gum import conformance_probability
from harness.records import BudgetLine, Figure
from harness.records.proof import Check
from tests.analysis_bench import type_of

VALUES = {"coupling_db": 30.1, "return_loss_db": 33.0, "flatness_db": 0.2, "insertion_loss_db": 0.05, "swr": 1.05}


def drawn(values: dict[str, float], u: float = 1e-3, count: int = 4001) -> dict[str, np.ndarray]:
    """Return evenly spaced quantiles of a normal distribution around each value."""
    quantiles = norm.ppf((np.arange(count) + 0.5) / count)
    return {name: value + u * quantiles for name, value in values.items()}


@pytest.mark.parametrize(
    ("probability", "decision"),
    [
        (1.0, "conforms"),
        (0.975, "conforms"),
        (0.9749, "undecided"),
        (0.5, "undecided"),
        (0.0251, "undecided"),
        (0.025, "does not conform"),
        (1 - 0.975, "does not conform"),
        (0.0, "does not conform"),
        (float("nan"), "undecided"),
    ],
)
def test_a_probability_decides(probability: float, decision: str) -> None:
    assert decide(probability) == decision


@pytest.mark.parametrize("tolerance", [(29.0, 31.0), (None, 0.1), (25.0, None), (None, None)])
def test_draws_at_the_ends_meet_the_tolerance(tolerance: tuple[float | None, float | None]) -> None:
    low, high = tolerance
    ends = np.array([end for end in (low, high) if end is not None])
    assert meets(ends, tolerance).all()
    beyond = [end + step for end, step in ((low, -1e-9), (high, 1e-9)) if end is not None]
    assert not meets(np.array(beyond), tolerance).any() or not beyond
    assert not meets(np.array([np.nan]), tolerance).any()


@pytest.mark.parametrize(
    ("value", "decision"), [(0.1 + 1.97e-3, "does not conform"), (0.1 - 1.97e-3, "conforms"), (0.1, "undecided")]
)
def test_the_guard_band_is_1_96_standard_uncertainties(value: float, decision: str) -> None:
    """JCGM 106: at a guard band of 1.96 u the conformance probability is 0.975."""
    values = VALUES | {"insertion_loss_db": value}
    figures, _ = decide_figures(values, drawn(values), type_of(), {})
    assert figures["insertion_loss_db"].decision == decision
    expected = conformance_probability(value, 1e-3, None, 0.1)
    assert figures["insertion_loss_db"].probability == pytest.approx(expected, abs=1e-3)


def test_intervals_are_those_of_the_contract() -> None:
    """Coupling two-sided, 1.96 u either way; the others one-sided, 1.645 u toward the bad side, the other end free."""
    spread = drawn(VALUES)
    assert interval("coupling_db", 30.1, spread["coupling_db"]) == pytest.approx((30.1 - 1.96e-3, 30.1 + 1.96e-3), abs=2e-5)
    low, high = interval("return_loss_db", 33.0, spread["return_loss_db"])
    assert low == pytest.approx(33.0 - 1.645e-3, abs=2e-5)
    assert high is None
    for name in ("flatness_db", "insertion_loss_db", "swr"):
        low, high = interval(name, VALUES[name], spread[name])
        assert low is None
        assert high == pytest.approx(VALUES[name] + 1.645e-3, abs=2e-5)


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
    good, together = decide_figures(VALUES, drawn(VALUES), type_of(), {})
    assert {figure.decision for figure in good.values()} == {"conforms"}
    assert unit_decision(good.values(), together) == "conforms"
    values = VALUES | {"flatness_db": 0.6}
    bad, together = decide_figures(values, drawn(values), type_of(), {})
    assert bad["flatness_db"].decision == "does not conform"
    assert unit_decision(bad.values(), together) == "does not conform"


def test_undecided_stands_between() -> None:
    undecided, failed = Figure(value=1, decision="undecided"), Figure(value=1, decision="does not conform")
    assert unit_decision([Figure(value=1, decision="conforms"), undecided], 0.9) == "undecided"
    assert unit_decision([undecided, failed], 0.01) == "does not conform"


def test_two_figures_that_only_just_conform_leave_the_unit_undecided() -> None:
    """Each at 0.98 and independent of the other, 0.9604 together: under 0.975."""
    rng = np.random.default_rng(3)
    figures = [Figure(value=1, decision="conforms")] * 2
    both = (rng.uniform(size=100_000) < 0.98) & (rng.uniform(size=100_000) < 0.98)
    assert unit_decision(figures, float(np.mean(both))) == "undecided"
    assert unit_decision(figures, 0.98) == "conforms"


def test_the_unit_is_judged_by_all_figures_at_once() -> None:
    """Return loss and SWR are one thing: together they are as likely as alone, not as their product."""
    values = VALUES | {"return_loss_db": 25.0, "swr": 1.2222}
    spread = drawn(values) | {"swr": np.full(4001, 1.05)}
    _, together = decide_figures(values, spread, type_of(), {})
    assert together == pytest.approx(0.5, abs=1e-3)


def test_a_failed_check_keeps_a_unit_from_conforming() -> None:
    figures = [Figure(value=1, decision="conforms")]
    assert unit_decision(figures, 1.0, [Check(name="a", says="b", ok=False)]) == "undecided"
    assert unit_decision(figures, 1.0, [Check(name="a", says="b", ok=True)]) == "conforms"


def test_a_perfect_32_turn_unit_fails_30_db_within_a_tenth() -> None:
    """No whole number of turns gives 30.000 dB; 32 give 30.1072 dB."""
    values = VALUES | {"coupling_db": 30.1072}
    figures, _ = decide_figures(values, drawn(values), type_of(coupling_error="0.1 dB"), {})
    assert figures["coupling_db"].decision == "does not conform"


def test_an_undecided_figure_says_what_would_decide_it() -> None:
    lines = (
        BudgetLine(input="connector repeatability", size="−50 dB", share=0.6),
        BudgetLine(input="load A", size="30 dB", share=0.3),
        BudgetLine(input="isolation", size="−80 dB", share=0.1),
    )
    values = VALUES | {"coupling_db": 31.0}
    figures, _ = decide_figures(values, drawn(values), type_of(), {"coupling_db": lines})
    says = figures["coupling_db"].decides
    assert says is not None
    assert "connector repeatability makes 60%" in says
    assert "repeat connections" in says
    assert "a better load A" in says
    assert "isolation" not in says
    assert figures["return_loss_db"].decides is None


def test_a_refusal_needs_a_unit_at_the_tolerance_to_look_as_bad_seldom() -> None:
    """Draws all outside the tolerance, but one good unit in five would look so: undecided, and with one in fifty refused."""
    values = VALUES | {"flatness_db": 0.6}
    for as_bad, decision in ((0.2, "undecided"), (0.02, "does not conform")):
        figures, together = decide_figures(values, drawn(values), type_of(), {}, {"flatness_db": as_bad})
        assert figures["flatness_db"].probability == pytest.approx(as_bad)
        assert figures["flatness_db"].decision == decision
        assert unit_decision(figures.values(), together) == decision


def test_looking_no_worse_than_a_good_unit_makes_none_conform() -> None:
    """An estimate inside the tolerance whose draws are as likely outside stays undecided."""
    values = VALUES | {"flatness_db": 0.5 + 1e-4}
    figures, together = decide_figures(values, drawn(values), type_of(), {}, {"flatness_db": 1.0})
    assert figures["flatness_db"].probability == pytest.approx(0.5)
    assert unit_decision(figures.values(), together) == "undecided"
