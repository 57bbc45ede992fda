"""The published examples: GUM H.1 and H.2, mismatch of a power meter, JCGM 106, E_n."""

import numpy as np
import pytest

from harness.analysis.gum import (
    conformance_probability,
    coverage_factor,
    e_n,
    effective_degrees,
    monte_carlo,
    most_mismatch,
    type_a,
)
from harness.records.figure import decimals_of

# JCGM 100:2008, H.2: five simultaneous readings of voltage (V), current (mA) and phase (rad).
H2 = np.array(
    [
        [5.007, 4.994, 5.005, 4.990, 4.999],
        [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3],
        [1.0456, 1.0438, 1.0468, 1.0428, 1.0433],
    ]
)
# JCGM 100:2008, H.1: end gauge, lengths in nm; standard, difference, expansion, temperature, their differences; u; ν.
H1_MEANS = [50_000_623.0, 215.0, 11.5e-6, -0.1, 0.0, 0.0]
H1_U = [25.0, 9.7, 1.2e-6, 0.41, 0.58e-6, 0.029]
H1_DEGREES = [18.0, 25.6, float("inf"), float("inf"), 50.0, 2.0]


def impedance(inputs: np.ndarray) -> np.ndarray:
    volts, amperes, phase = inputs
    z = volts / amperes
    return np.array([z * np.cos(phase), z * np.sin(phase), z])


def test_gum_h2_by_the_law_of_propagation() -> None:
    """R 127.732 (0.071), X 219.847 (0.295), Z 254.260 (0.236); r(R,X) −0.588, r(R,Z) −0.485, r(X,Z) 0.993."""
    means, covariance = type_a(H2)
    found = impedance(means)
    assert found == pytest.approx([127.732, 219.847, 254.260], abs=5e-4)
    steps = np.diag(1e-6 * means)
    slopes = np.array([(impedance(means + step) - impedance(means - step)) / (2 * step.sum()) for step in steps]).T
    result = slopes @ covariance @ slopes.T
    u = np.sqrt(np.diag(result))
    assert u == pytest.approx([0.071, 0.295, 0.236], abs=1e-3)  # printed with u of X cut, not rounded, from 0.2956
    r = result / np.outer(u, u)
    assert [r[0, 1], r[0, 2], r[1, 2]] == pytest.approx([-0.588, -0.485, 0.993], abs=5e-4)


def test_gum_h2_by_monte_carlo() -> None:
    means, covariance = type_a(H2)
    drawn = monte_carlo(impedance, means, covariance, 200_000, 1)
    assert drawn.std(axis=1) == pytest.approx([0.071, 0.295, 0.236], abs=2e-3)
    r = np.asarray(np.corrcoef(drawn))
    assert [r[0, 1], r[0, 2], r[1, 2]] == pytest.approx([-0.588, -0.485, 0.993], abs=5e-3)


def test_gum_h2_by_gtc() -> None:
    import GTC

    volts, amperes, phase = GTC.type_a.multi_estimate_real(H2.tolist())
    z = volts / amperes
    means, covariance = type_a(H2)
    drawn = monte_carlo(impedance, means, covariance, 200_000, 2)
    expected = [one.u for one in (z * GTC.cos(phase), z * GTC.sin(phase), z)]
    assert drawn.std(axis=1) == pytest.approx(expected, rel=0.02)


def end_gauge(inputs: np.ndarray) -> np.ndarray:
    standard, difference, expansion, temperature, expansion_apart, temperature_apart = inputs
    return np.asarray(standard + difference - standard * (expansion_apart * temperature + expansion * temperature_apart))


def test_gum_h1() -> None:
    """50.000838 mm, u 32 nm, ν_eff 16, t_99(16) 2.92, U99 93 nm."""
    means = np.array(H1_MEANS)
    assert end_gauge(means) / 1e6 == pytest.approx(50.000838, abs=5e-7)
    parts = [float(end_gauge(means + step) - end_gauge(means)) for step in np.diag(H1_U)]
    u = float(np.hypot.reduce(parts))
    degrees = effective_degrees(parts, H1_DEGREES)
    assert u == pytest.approx(32, abs=0.5)
    assert int(degrees) == 16
    assert coverage_factor(degrees, 0.99) == pytest.approx(2.92, abs=5e-3)
    assert coverage_factor(degrees, 0.99) * u == pytest.approx(93, abs=0.5)
    assert effective_degrees([1.0], [float("inf")]) == float("inf")
    assert coverage_factor(float("inf")) == pytest.approx(1.96, abs=5e-4)


def test_gum_h1_by_monte_carlo_holds_what_the_linear_way_cannot_see() -> None:
    """H.1.7: the second-order term of expansion and temperature, 50 mm × 0.58e-6 × 0.41 = 11.9 nm, makes 34 nm of 32 nm."""
    drawn = monte_carlo(end_gauge, H1_MEANS, np.diag(np.square(H1_U)), 200_000, 3)
    assert drawn.mean() / 1e6 == pytest.approx(50.000838, abs=1e-6)
    assert drawn.std() == pytest.approx(34, abs=0.5)


@pytest.mark.parametrize(("one", "other", "percent"), [(1.50, 1.20, 3.67), (1.30, 1.20, 2.39), (1.03, 1.50, 0.59)])
def test_mismatch_of_a_power_meter(one: float, other: float, percent: float) -> None:
    """Examples of a power meter's manual."""
    assert 100 * most_mismatch(one, other) == pytest.approx(percent, abs=5e-3)


def test_conformance_probability() -> None:
    """JCGM 106: guard band 1.645 u → 0.9500, 2 u → 0.97725; at the limit itself one half; two-sided Φ − Φ."""
    assert conformance_probability(10 - 1.645, 1.0, None, 10.0) == pytest.approx(0.9500, abs=5e-5)
    assert conformance_probability(10 - 2, 1.0, None, 10.0) == pytest.approx(0.97725, abs=5e-6)
    assert conformance_probability(10, 1.0, 10.0, None) == pytest.approx(0.5)
    assert conformance_probability(0, 1.0, -1.96, 1.96) == pytest.approx(0.95, abs=5e-5)


def test_e_n() -> None:
    """ISO/IEC 17043: 30.10 (U 0.05) against 30.00 (U 0.08) → 1.060; with 0.06 and 0.08 exactly 1."""
    assert e_n(30.10, 0.05, 30.00, 0.08) == pytest.approx(1.060, abs=5e-4)
    assert e_n(30.10, 0.06, 30.00, 0.08) == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("u", "decimals"), [(0.14, 2), (0.014, 3), (1.4, 1), (14, 0), (140, 0), (0.099, 3), (0.1, 2), (0.0, 4), (1e-9, 4)]
)
def test_digits_follow_the_uncertainty(u: float, decimals: int) -> None:
    """GUM 7.2.6: at most two significant digits of the uncertainty, the value to the same place."""
    assert decimals_of(u) == decimals
