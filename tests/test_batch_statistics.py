"""Statistics of small batches against handbooks, published tables and scipy. The source stands beside each value."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from harness.analysis.batch.chart import D2_OF_TWO, D4_OF_TWO, chart_constants, individuals_chart
from harness.analysis.batch.outliers import critical_distance, find_outliers, generalised_esd
from harness.analysis.batch.run_rules import RULES, run_signals
from harness.analysis.batch.spread import spread
from harness.analysis.batch.tolerance import one_sided_factor, tolerance_interval, two_sided_factor
from harness.analysis.batch.words import FALSE_ALARMS
from harness.analysis.batch.yields import Capability, capability, proportion
from harness.errors import DataError

# --- tolerance intervals ---


@pytest.mark.parametrize(("count", "factor"), [(5, 5.077), (10, 3.393), (20, 2.760), (50, 2.382)])
def test_exact_two_sided_factors(count: int, factor: float) -> None:
    """95 % confidence, 95 % coverage: exact factors, computed apart from this code (ISO 16269-6 tabulates the same quantity)."""
    assert two_sided_factor(count) == pytest.approx(factor, abs=5e-4)


def test_the_handbooks_tolerance_interval() -> None:
    """NIST/SEMATECH e-Handbook, 7.2.6.3: n 43, mean 97.07, s 0.0268, 99 % confidence, 90 % coverage."""
    howe = two_sided_factor(43, 0.90, 0.99, "howe")
    assert howe == pytest.approx(2.2173, abs=5e-5)
    assert 97.07 - howe * 0.0268 == pytest.approx(97.0106, abs=5e-5)
    assert 97.07 + howe * 0.0268 == pytest.approx(97.1294, abs=5e-5)
    assert one_sided_factor(43, 0.90, 0.99, "handbook") == pytest.approx(1.8752, abs=5e-5)
    assert one_sided_factor(43, 0.90, 0.99) == pytest.approx(1.8740, abs=5e-5)  # exact, computed apart from this code


def test_a_tolerance_interval_names_its_method_and_is_made_of_mean_and_spread() -> None:
    values = [30.0, 30.2, 30.1, 29.9, 30.3]
    found = tolerance_interval(values)
    assert (found.method, found.coverage, found.confidence) == ("exact", 0.95, 0.95)
    assert (found.low + found.high) / 2 == pytest.approx(np.mean(values))
    assert (found.high - found.low) / 2 == pytest.approx(5.077 * np.std(values, ddof=1), rel=1e-4)


@pytest.mark.parametrize("count", [4, 12])
def test_tolerance_intervals_hold_what_they_promise(count: int) -> None:
    """The definition itself: 95 % of the intervals hold at least 95 % of the population. 20,000 samples, seed 7."""
    samples = np.random.default_rng(7).normal(size=(20_000, count))
    reach = two_sided_factor(count) * samples.std(axis=1, ddof=1)
    mean = samples.mean(axis=1)
    held = stats.norm.cdf(mean + reach) - stats.norm.cdf(mean - reach)
    assert np.mean(held >= 0.95) == pytest.approx(0.95, abs=4 * math.sqrt(0.95 * 0.05 / 20_000))


def test_a_tolerance_interval_of_one_value_is_refused() -> None:
    with pytest.raises(DataError, match="two values or more"):
        two_sided_factor(1)
    with pytest.raises(DataError, match="does not exist"):
        one_sided_factor(2, 0.95, 0.99, "handbook")


# --- control charts ---


def test_the_handbooks_individuals_chart() -> None:
    """NIST/SEMATECH e-Handbook, 6.3.2.2."""
    chart = individuals_chart([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    assert chart.centre == pytest.approx(50.81, abs=1e-9)
    assert chart.mean_moving_range == pytest.approx(1.8778, abs=5e-5)
    assert chart.high == pytest.approx(55.8041, abs=5e-5)
    assert chart.low == pytest.approx(45.8159, abs=5e-5)
    assert chart.wide_ranges == ()


def test_chart_constants() -> None:
    """ASTM MNL7, to the digits printed there; d2 of ten (3.078) from the same table."""
    two, five, ten = chart_constants(2), chart_constants(5), chart_constants(10)
    assert (round(two.d2, 3), round(two.upper_d4, 3), two.lower_d3) == (D2_OF_TWO, D4_OF_TWO, 0.0)
    assert five.a2 == pytest.approx(0.577, abs=5e-4)
    assert five.c4 == pytest.approx(0.9400, abs=5e-5)
    assert five.upper_d4 == pytest.approx(2.114, abs=6e-4)
    assert ten.d2 == pytest.approx(3.078, abs=6e-4)


def test_chart_constants_are_what_ranges_do() -> None:
    """d2 and d3 are mean and standard deviation of the range over σ: 200,000 samples of four, seed 3."""
    ranges = np.ptp(np.random.default_rng(3).normal(size=(200_000, 4)), axis=1)
    assert chart_constants(4).d2 == pytest.approx(ranges.mean(), abs=0.01)
    assert chart_constants(4).d3 == pytest.approx(ranges.std(), abs=0.01)


def test_a_missing_unit_breaks_the_moving_range() -> None:
    whole, broken = individuals_chart([1.0, 2.0, 9.0, 10.0]), individuals_chart([1.0, 2.0, None, 9.0, 10.0])
    assert whole.moving_ranges == (1.0, 7.0, 1.0)
    assert broken.moving_ranges == (1.0, None, None, 1.0)
    assert broken.mean_moving_range == 1.0
    with pytest.raises(DataError, match="follow each other"):
        individuals_chart([1.0, None, 2.0])
    with pytest.raises(DataError, match="2 to 25"):
        chart_constants(1)


def test_a_wide_step_is_told() -> None:
    assert individuals_chart([0.0, 0.1, 0.0, 0.1, 0.0, 0.1, 5.0, 5.1, 5.0]).wide_ranges == (6,)


# --- run rules ---


def speaks(number: int, values: list[float | None]) -> list[int]:
    """Return the units at which a rule speaks, centre 0 and sigma 1."""
    return [signal.last for signal in run_signals(values, 0.0, 1.0, (number,))]


def test_one_point_beyond_three_sigma() -> None:
    """Nelson, J. Quality Technology 16 (1984): beyond, and not on, the limit."""
    assert speaks(1, [0.0, 3.0, -3.0, 3.01]) == [3]


VECTORS: list[tuple[int, list[float | None], list[float | None]]] = [
    (2, [0.1] * 9, [0.1] * 8 + [-0.1]),
    (3, [0.0, 0.1, 0.2, 0.3, 0.4, 0.5], [0.0, 0.1, 0.2, 0.3, 0.3, 0.5]),
    (3, [0.5, 0.4, 0.3, 0.2, 0.1, 0.0], [0.5, 0.4, 0.3, 0.2, 0.1]),
    (4, [0.1, -0.1] * 7, [0.1, -0.1] * 6 + [0.1]),
    (5, [2.1, 0.0, 2.1], [2.1, 0.0, -2.1]),
    (5, [0.0, -2.1, -2.1], [0.0, -2.0, -2.1]),
    (6, [1.1, 1.1, 0.0, 1.1, 1.1], [1.1, 1.1, 0.0, 1.0, 1.1]),
    (7, [0.9, -0.9, 0.5] * 5, [0.9, -0.9, 0.5] * 4 + [0.9, -1.0, 0.5]),
    (8, [1.1, -1.1] * 4, [1.1] * 8),
]
"""Rule, a run that it is about, and one that just is not; straight from the words of the eight tests in Nelson's article."""


@pytest.mark.parametrize(("number", "run", "near"), VECTORS)
def test_every_rule_speaks_at_the_end_of_its_run_and_not_before(
    number: int, run: list[float | None], near: list[float | None]
) -> None:
    assert speaks(number, run) == [len(run) - 1]
    assert speaks(number, near) == []


@pytest.mark.parametrize(("number", "run", "near"), VECTORS)
def test_a_missing_unit_breaks_every_run(number: int, run: list[float | None], near: list[float | None]) -> None:
    assert speaks(number, [*run[:1], None, *run[1:]]) == []


@pytest.mark.parametrize(("number", "run", "near"), VECTORS)
def test_the_rules_know_no_up_and_down(number: int, run: list[float | None], near: list[float | None]) -> None:
    assert speaks(number, [None if value is None else -value for value in run]) == [len(run) - 1]


def test_a_run_that_goes_on_is_told_once() -> None:
    (signal,) = run_signals([0.1] * 12, 0.0, 1.0, (2,))
    assert (signal.first, signal.last) == (0, 11)


def test_values_without_spread_are_no_signal() -> None:
    assert run_signals([30.0] * 20, 30.0, 0.0, [rule.number for rule in RULES]) == ()


@pytest.mark.parametrize(("count", "share"), FALSE_ALARMS.items())
def test_the_stated_false_alarms_are_those_of_steady_batches(count: int, share: float) -> None:
    """400 normal batches each, seed 11; four standard errors, and the half of the last digit that is printed."""
    rng = np.random.default_rng(11)
    batches = [list(rng.normal(size=count)) for _ in range(400)]
    charts = [(values, individuals_chart(values)) for values in batches]
    alarms = np.mean([bool(run_signals(values, chart.centre, chart.sigma)) for values, chart in charts])
    assert alarms == pytest.approx(share, abs=0.005 + 4 * math.sqrt(share * (1 - share) / 400))


# --- outliers ---

ROSNER = [
    *(-0.25, 0.68, 0.94, 1.15, 1.20, 1.26, 1.26, 1.34, 1.38, 1.43, 1.49, 1.49, 1.55, 1.56, 1.58, 1.65, 1.69, 1.70, 1.76, 1.77),
    *(1.81, 1.91, 1.94, 1.96, 1.99, 2.06, 2.09, 2.10, 2.14, 2.15, 2.23, 2.24, 2.26, 2.35, 2.37, 2.40, 2.47, 2.54, 2.62, 2.64),
    *(2.90, 2.92, 2.92, 2.93, 3.21, 3.26, 3.30, 3.59, 3.68, 4.30, 4.64, 5.34, 5.42, 6.01),
]


def test_rosners_example() -> None:
    """NIST/SEMATECH e-Handbook, 1.3.5.17.3, after Rosner (Technometrics 25, 1983): three outliers of ten looked for."""
    steps = generalised_esd(list(enumerate(ROSNER)), 10, 0.05)
    distances = [3.118, 2.942, 3.179, 2.810, 2.815, 2.848, 2.279, 2.310, 2.101, 2.067]
    criticals = [3.158, 3.151, 3.143, 3.136, 3.128, 3.120, 3.111, 3.103, 3.094, 3.085]
    assert [step.distance for step in steps] == pytest.approx(distances, abs=1.1e-3)
    assert [step.critical for step in steps] == pytest.approx(criticals, abs=1.1e-3)
    found = find_outliers(ROSNER)
    assert sorted(ROSNER[at] for at in found.indices) == [5.34, 5.42, 6.01]
    assert "generalised ESD" in found.method


def test_grubbs_example() -> None:
    """NIST/SEMATECH e-Handbook, 1.3.5.17.1 (mass spectrometer data): G = 2.4687 for 245.57, an outlier."""
    data = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]
    found = find_outliers(data)
    assert found.steps[0].distance == pytest.approx(2.4687, abs=1e-4)  # 2.46876: printed cut, not rounded
    assert found.indices == (7,)
    assert "Grubbs" in found.method


@pytest.mark.parametrize(
    ("count", "critical"), [(3, 1.155), (4, 1.481), (5, 1.715), (6, 1.887), (8, 2.126), (10, 2.290), (14, 2.507)]
)
def test_critical_values_of_grubbs(count: int, critical: float) -> None:
    """Table of two-sided 5 % values: LibreTexts, Chemistry, Analytic References, Appendix 7 (to its last digit)."""
    assert critical_distance(count) == pytest.approx(critical, abs=1.1e-3)


def test_too_few_values_have_no_outliers_and_say_so() -> None:
    found = find_outliers([30.0, None, 36.0, 30.1])
    assert found.indices == ()
    assert "from 4 on" in found.limits
    assert find_outliers([30.0] * 10).indices == ()


def test_an_outlier_is_told_by_its_place_among_missing_ones() -> None:
    assert find_outliers([None, 30.0, 30.1, None, 29.9, 36.0, 30.05, 29.95]).indices == (5,)


# --- units against measurement ---

DYESTUFF = [
    [1545, 1440, 1440, 1520, 1580],
    [1540, 1555, 1490, 1560, 1495],
    [1595, 1550, 1605, 1510, 1560],
    [1445, 1440, 1595, 1465, 1545],
    [1595, 1630, 1515, 1635, 1625],
    [1520, 1455, 1450, 1480, 1445],
]


def test_the_dyestuff_example() -> None:
    """Davies and Goldsmith, Statistical Methods in Research and Production, 6.4, as distributed with the R package lme4:
    variance between batches 1764.05, within 2451.25 (REML, in a balanced layout the same as the moment estimate)."""
    found = spread(DYESTUFF)
    assert found.between**2 == pytest.approx(1764.05, abs=5e-3)
    assert found.measurement**2 == pytest.approx(2451.25, abs=5e-3)
    assert found.freedom == (5, 24)


@given(st.integers(2, 6), st.integers(0, 1000))
def test_the_test_of_equal_units_is_scipys(count: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    groups = [list(rng.normal(size=rng.integers(1, 5))) for _ in range(count)]
    groups[0] += [0.1, 0.2]
    found = spread(groups)
    f, p = stats.f_oneway(*groups)
    assert (found.f, found.p) == (pytest.approx(f), pytest.approx(p))


@pytest.mark.parametrize("sizes", [[3] * 6, [2, 5, 1, 1, 4, 2]])
def test_the_intervals_hold_the_truth(sizes: list[int]) -> None:
    """1,500 simulated batches, units 0.12 dB, measurement 0.05 dB, seed 5: each 95 % interval holds its truth.

    The ratio's interval is exact for equal counts (Searle, Variance Components); for unequal ones it is an approximation.
    """
    rng = np.random.default_rng(5)
    within = shares = 0
    share = 0.12**2 / (0.12**2 + 0.05**2)
    for _ in range(1500):
        found = spread([list(rng.normal(0, 0.12) + rng.normal(0, 0.05, size)) for size in sizes])
        within += found.measurement_interval[0] <= 0.05 <= found.measurement_interval[1]
        shares += found.share_interval[0] <= share <= found.share_interval[1]
    assert within / 1500 == pytest.approx(0.95, abs=0.023)
    assert shares / 1500 == pytest.approx(0.95, abs=0.023)


def test_no_repeats_or_one_unit_cannot_be_taken_apart() -> None:
    for groups in ([[1.0], [2.0]], [[1.0, 2.0]], []):
        with pytest.raises(DataError, match="cannot be told apart"):
            spread(groups)


def test_repeats_without_any_spread_are_no_division_by_zero() -> None:
    found = spread([[1.0, 1.0], [1.0, 1.0]])
    assert (found.measurement, found.between, found.share) == (0.0, 0.0, 0.0)


# --- yield and capability ---


def test_yield_intervals() -> None:
    """Clopper and Pearson: k = n has the lower end (α/2)^(1/n), k = 0 the upper end 1 − (α/2)^(1/n). Their formula for both ends
    and one-sided 0.0001051275 for 5 of 100,000: documentation of the R package GenBinomApps."""
    every, none = proportion(10, 10), proportion(0, 7)
    assert (every.low, every.high) == (pytest.approx(0.025 ** (1 / 10)), 1.0)
    assert (none.low, none.high) == (0.0, pytest.approx(1 - 0.025 ** (1 / 7)))
    assert proportion(5, 100_000, confidence=0.90).high == pytest.approx(0.0001051275, abs=5e-11)
    with pytest.raises(DataError):
        proportion(3, 2)


@given(st.integers(1, 60), st.data())
def test_yield_intervals_are_scipys_exact_ones(units: int, data: st.DataObject) -> None:
    conform = data.draw(st.integers(0, units))
    theirs = stats.binomtest(conform, units).proportion_ci(0.95, method="exact")
    found = proportion(conform, units)
    assert (found.low, found.high) == (pytest.approx(theirs.low), pytest.approx(theirs.high))


def test_no_capability_index_for_few_values() -> None:
    """NIST/SEMATECH e-Handbook, 6.1.6: indices are for 50 values and more."""
    values = list(np.random.default_rng(2).normal(30.1, 0.1, 50))
    reason = capability(values[:49], 29, 31)
    assert isinstance(reason, str)
    assert "49" in reason
    found = capability(values, 29, 31)
    assert isinstance(found, Capability)
    assert found.ppk == pytest.approx((31 - np.mean(values)) / (3 * np.std(values, ddof=1)))
    assert found.low < found.ppk < found.high


def test_the_interval_of_the_index_holds_the_truth() -> None:
    """True Ppk 1.5 (mean 30.2 dB, 0.8 dB from the limit of 31, σ 0.8/4.5 dB): 2,000 batches
    of 60, seed 9; the formula is approximate."""
    rng = np.random.default_rng(9)
    found = [capability(list(rng.normal(30.2, 0.8 / 4.5, 60)), 29, 31) for _ in range(2000)]
    held = np.mean([isinstance(each, Capability) and each.low <= 1.5 <= each.high for each in found])
    assert held == pytest.approx(0.95, abs=0.02)
