"""The ends of the coupling over the band, and what errors do to them: against order statistics and by hand."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.stats import norm

from harness.analysis import evaluate
from harness.analysis.ends import leans, outward_of
from harness.records import KITS, Sweep
from tests.analysis_bench import GRID, ideal_unit, known, phasor, sweeps_of, type_of

POINTS = 10


def power_of(db: NDArray[np.float64]) -> NDArray[np.float32]:
    return np.asarray(10 ** (-db / 10), dtype=np.float32)


def s31_of(db: NDArray[np.float64]) -> NDArray[np.complex128]:
    return np.asarray(10 ** (-db / 20), dtype=np.complex128)


def expected_largest(count: int) -> float:
    """Return the mean of the largest of so many standard normal numbers: the integral of x·dΦ(x)ⁿ (1.5388 for ten)."""
    return float(quad(lambda x: x * count * norm.pdf(x) * norm.cdf(x) ** (count - 1), -10, 10)[0])


def test_the_lean_of_a_broad_end_is_that_of_the_largest_of_many() -> None:
    """A level stretch of ten independent points is weakest, one far away strongest: mid-range too large by half of 1.54 σ.

    400 benches: the mean of the largest has a standard deviation of 0.03 σ.
    """
    rng, sigma = np.random.default_rng(1), 0.02
    curve = np.concatenate([np.full(POINTS, 30.0), [29.0]])
    seen, taken_off = [], []
    for _ in range(400):
        x = curve + sigma * rng.standard_normal(curve.size)
        draws = x + sigma * rng.standard_normal((500, curve.size))
        lean = leans(outward_of(power_of(draws), s31_of(x)))
        middle = (x.max() + x.min()) / 2
        seen.append(middle - 29.5)
        taken_off.append(middle - lean["coupling_db"].estimate - 29.5)
        assert lean["coupling_db"].estimate == pytest.approx(lean["flatness_db"].estimate)
        shifted = (draws.max(axis=1) + draws.min(axis=1)) / 2 - lean["coupling_db"].estimate - lean["coupling_db"].draws
        assert np.mean(shifted) == pytest.approx(taken_off[-1] + 29.5, abs=4 * sigma / np.sqrt(500))
    assert expected_largest(POINTS) == pytest.approx(1.5388, abs=1e-4)
    assert np.mean(seen) / sigma == pytest.approx(expected_largest(POINTS) / 2, abs=0.1)
    assert np.mean(taken_off) / sigma == pytest.approx(0, abs=0.1)


def test_sharp_ends_have_no_lean() -> None:
    """Both ends stand far out of the errors: their places never change."""
    x = np.array([31.0, 30.0, 30.1, 29.0])
    draws = x + 0.05 * np.random.default_rng(2).standard_normal((100, 4))
    found = leans(outward_of(power_of(draws), s31_of(x)))
    assert found["coupling_db"].estimate == found["coupling_db"].draws == 0
    assert found["flatness_db"].estimate == found["flatness_db"].draws == 0


def test_the_lean_by_hand() -> None:
    """One draw that swaps two points: 30.10 and 30.00 dB are drawn as 30.05 and 30.15; the strongest stays where it is.

    Weakest: the draw reaches 30.15 at the second point, 0.10 over its own first; the estimate is 0.10 over itself there. So the
    draw lies 0.10 outward, the estimate 2·0.10 + 0.10; the middle has half of each.
    """
    found = leans(outward_of(power_of(np.array([[30.05, 30.15, 29.0]])), s31_of(np.array([30.10, 30.0, 29.0]))))
    for figure in ("coupling_db", "flatness_db"):
        assert found[figure].estimate == pytest.approx(0.15, abs=1e-5)
        assert found[figure].draws == pytest.approx(0.05, abs=1e-5)


def test_noise_is_taken_off_the_value_and_said() -> None:
    """A unit flat but for its upper end, at −75 dB of noise. Without the correction the middle lies 0.007 dB too high here, three
    and a half times the standard deviation of the mean."""
    unit = ideal_unit(32)
    unit[-60:, 2, 0] *= 10 ** (np.linspace(0, 0.5, 60) / 20)
    unit[:, 0, 2] = unit[:, 2, 0]
    clean = sweeps_of(unit, phasor(30, 1e-9, 0.4), phasor(32, 2e-9, 2.0), phasor(20, 6e-10, -1.0))
    terminations = known(phasor(30, 1e-9, 0.4), phasor(32, 2e-9, 2.0), phasor(20, 6e-10, -1.0))
    band = type_of(high="99 MHz")
    true = evaluate(clean, band, terminations, residuals=KITS["lab"], draws=100)
    errors = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        noisy = {
            name: Sweep(name, GRID, {key: value + noise(rng) for key, value in sweep.traces.items()}, sweep.ports)
            for name, sweep in clean.items()
        }
        found = evaluate(noisy, band, terminations, residuals=KITS["lab"], draws=400)
        errors.append(found.figures["coupling_db"].value - true.figures["coupling_db"].value)
        assert "dB taken off, by which noise pushes the ends outward" in found.how["flatness_db"]
    assert abs(np.mean(errors)) < 2.5 * np.std(errors) / np.sqrt(12)
    assert "taken off, by which" not in true.how["flatness_db"]


def noise(rng: np.random.Generator) -> NDArray[np.complex128]:
    return np.asarray(10**-3.75 * (rng.normal(size=GRID.size) + 1j * rng.normal(size=GRID.size)) / np.sqrt(2))
