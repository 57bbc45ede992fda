"""Drift between two proofs: what is asked of it, on pairs of proofs whose true errors are drawn apart from the program.

What is asked (false alarms 3 to 6 %, the powers, the four damages that are named) is the project's own requirement; here with
few pairs, at full size in ``python -m tests.intervals.drift``.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import curve_fit
from scipy.stats import binom
from scipy.stats import f as f_distribution

from harness.analysis.drift import Difference, Kinship, Pair, Point, Seen, difference, judge, see, trend_of, what_changed
from harness.analysis.drift.difference import S31, interpolated
from harness.analysis.drift.judging import DEGREES, operator_of, shapes
from harness.errors import DataError
from tests.intervals.drift import CHANGED, DAMAGES, QUIET, Damage, Kind, named, told
from tests.intervals.drift_pairs import BAND_HZ, HZ, draw_pair, with_level, with_notch

SEED = 11
PAIRS = 20
Seens = tuple[Seen, Seen]


@pytest.fixture(scope="module")
def steady() -> Seens:
    pair = draw_pair(SEED, 0)
    return see(pair.reference), see(pair.now)


@pytest.fixture(scope="module")
def weaker() -> Difference:
    pair = draw_pair(SEED, 1, change=with_level)
    return difference(Pair(see(pair.reference), see(pair.now)), Kinship(), BAND_HZ)


def level_width(found: Difference) -> float:
    level = judge(found, draws=200).features[0]
    return level.high - level.low


# -- false alarms and power ----------------------------------------------------------------------------------------------------


def test_pairs_without_drift_are_rarely_told_to_have_drifted() -> None:
    alarms = sum(any(told(QUIET, SEED, number)) for number in range(PAIRS))
    assert alarms <= binom.ppf(0.999, PAIRS, 0.06)


@pytest.mark.parametrize("kind", CHANGED, ids=lambda kind: kind.says)
def test_a_change_that_has_to_be_found_is_found(kind: Kind) -> None:
    assert all(any(told(kind, SEED, number)) for number in range(2))


@pytest.mark.parametrize("damage", DAMAGES, ids=lambda damage: damage.says)
def test_damage_is_named(damage: Damage) -> None:
    assert named(damage, SEED, 0) == (True, True)


# -- the features --------------------------------------------------------------------------------------------------------------


def test_features_are_read_off_a_change_that_consists_of_them() -> None:
    """By definition: weaker by 0.2 dB on the whole and by 0.1 dB more at the upper than at the lower end; turned by 3° in the
    middle, 40 ps longer (the phase of a delay τ is −2πfτ)."""
    hz = np.linspace(2e6, 54e6, 60)
    middle, half = (hz[0] + hz[-1]) / 2, (hz[-1] - hz[0]) / 2
    db = 0.2 + 0.05 * (hz - middle) / half
    change = 10 ** (-db / 20) * np.exp(1j * (np.radians(3) - 2 * np.pi * (hz - middle) * 40e-12))
    logarithm = np.log(change)
    operator = operator_of(shapes(hz), np.eye(2 * hz.size) * 1e-6)
    found = operator @ np.concatenate([logarithm.real, logarithm.imag])
    assert found == pytest.approx([0.2, 0.1, 0.0, 3.0, 40.0], abs=1e-9)


def test_the_curvature_is_how_far_the_ends_lie_above_the_middle() -> None:
    hz = np.linspace(2e6, 54e6, 61)
    curve = -shapes(hz)[: hz.size, 2] * 20 / np.log(10)
    assert (curve[0] + curve[-1]) / 2 - curve[30] == pytest.approx(1.0, abs=1e-9)


def test_a_level_of_0_15_db_is_measured_within_its_interval(weaker: Difference) -> None:
    level = judge(weaker).features[0]
    assert level.low < 0.15 < level.high
    assert level.low > 0


def test_the_joint_threshold_is_that_of_the_f_distribution(weaker: Difference) -> None:
    """Five normal numbers over a common scale with ν degrees of freedom: Hotelling's form, 5·F(5, ν) (scipy.stats)."""
    test = judge(weaker).tests[1]
    assert test.threshold == pytest.approx(5 * f_distribution.ppf(0.975, 5, DEGREES))
    assert test.p == pytest.approx(f_distribution.sf(test.statistic / 5, 5, DEGREES))


# -- what both proofs share ----------------------------------------------------------------------------------------------------


def test_less_in_common_makes_the_interval_wider(steady: Seens) -> None:
    widths = [
        level_width(difference(Pair(*steady), kin, BAND_HZ))
        for kin in (Kinship(calibration=True), Kinship(), Kinship(standards=False, analyser=False))
    ]
    assert widths[0] < widths[1] < widths[2]


def test_a_check_standard_takes_the_calibrations_off() -> None:
    pair = draw_pair(SEED, 2, check=True)
    assert pair.check is not None
    unit, check = Pair(see(pair.reference), see(pair.now)), Pair(see(pair.check[0]), see(pair.check[1]))
    alone, beside = difference(unit, Kinship(), BAND_HZ), difference(unit, Kinship(), BAND_HZ, check)
    assert np.trace(beside.covariance) < np.trace(alone.covariance)
    assert np.all(np.linalg.eigvalsh(beside.covariance) > -1e-12)
    assert not judge(beside).drifted


def test_a_proof_against_itself_shows_nothing_at_all(steady: Seens) -> None:
    found = difference(Pair(steady[0], steady[0]), Kinship(), BAND_HZ)
    assert np.max(np.abs(found.values)) < 1e-12
    judged = judge(found)
    assert not judged.drifted
    assert what_changed(judged, found.hz) == ("nothing that the uncertainty of the two proofs does not explain", None)


def test_another_grid_is_interpolated_and_widens() -> None:
    hz = np.linspace(1e6, 60e6, 71)
    fine, coarse = draw_pair(SEED, 3), draw_pair(SEED, 3, hz=hz)
    before, after = see(fine.reference), see(coarse.now)
    found = difference(Pair(before, after), Kinship(standards=False), BAND_HZ)
    assert set(found.hz) <= set(hz)
    added = np.diag(interpolated(Pair(before, after), found.hz, found.places))
    assert np.max(added[found.curve(S31)]) > 0
    assert np.all(np.diag(found.covariance) >= added)
    assert not np.any(interpolated(Pair(before, before), found.hz, found.places))


def test_too_little_in_common_is_refused(steady: Seens) -> None:
    with pytest.raises(DataError, match="in common"):
        difference(Pair(*steady), Kinship(), (1.8e6, 2.2e6))


# -- words and trend -----------------------------------------------------------------------------------------------------------


def test_a_notch_is_told_where_it_is() -> None:
    pair = draw_pair(SEED, 4, change=with_notch)
    found = difference(Pair(see(pair.reference), see(pair.now)), Kinship(), BAND_HZ)
    changed, where = what_changed(judge(found), found.hz)
    assert where is not None
    assert where[0] < 21e6 < where[1]
    assert where[1] - where[0] < 8e6
    assert "the coupling" in changed
    assert "weaker" in changed


def test_a_level_is_told_in_decibels(weaker: Difference) -> None:
    changed, _ = what_changed(judge(weaker), weaker.hz)
    assert "weaker on the whole" in changed


def test_the_trend_is_a_weighted_straight_line() -> None:
    """Against scipy's curve_fit with absolute standard deviations."""
    days, level, sigma = [0.0, 200.0, 400.0, 900.0], [0.0, 0.02, 0.05, 0.12], [0.01, 0.02, 0.015, 0.01]
    found = trend_of([Point(*each) for each in zip(days, level, sigma, strict=True)])
    assert found is not None
    years = np.array(days) / 365.25
    fitted, covariance = curve_fit(lambda t, a, b: a + b * t, years, level, sigma=sigma, absolute_sigma=True)
    half = 1.959964 * np.sqrt(covariance[1, 1])
    assert (found.db_per_year, found.low, found.high) == pytest.approx((fitted[1], fitted[1] - half, fitted[1] + half), rel=1e-5)
    assert "weaker" in found.says


def test_two_proofs_or_one_day_make_no_trend() -> None:
    point = Point(0.0, 0.0, 0.01)
    assert trend_of([point, replace(point, days=300.0)]) is None
    assert trend_of([point, replace(point, days=0.1), replace(point, days=0.2)]) is None


def test_the_pairs_are_on_the_grid_that_they_say(steady: Seens) -> None:
    assert np.array_equal(steady[0].frequency_hz, HZ)
