"""Noise from the data, and its removal: against noise put on, and curves that are not noise."""

import numpy as np
import pytest
from scipy.interpolate import BSpline

from harness.analysis import evaluate
from harness.analysis.noise import noise_of, smooth, splines
from harness.records import KITS, Sweep
from tests.analysis_bench import GRID, ideal_unit, known, phasor, sweeps_of, type_of

LOAD_A, LOAD_B, RECEIVER = phasor(30, 1e-9, 0.4), phasor(32, 2e-9, 2.0), phasor(20, 6e-10, -1.0)


def noise(seed: int, size: float, points: int = GRID.size) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return np.asarray(size * (rng.normal(size=points) + 1j * rng.normal(size=points)) / np.sqrt(2))


@pytest.mark.parametrize("size", [1e-2, 1e-4, 1e-6])
def test_noise_is_found_whatever_smooth_curve_it_sits_on(size: float) -> None:
    """A reflection of −10 dB behind 2 m of cable (20 ns there and back): the mean over traces within 5 %, each within 35 %."""
    curve = phasor(10, 20e-9, 0.3) * (size > 1e-5) + phasor(10, 1e-9, 0.1)
    found = [noise_of(curve + noise(seed, size)) for seed in range(40)]
    assert np.mean(found) == pytest.approx(size, rel=0.05)
    assert np.max(np.abs(np.array(found) / size - 1)) < 0.35


@pytest.mark.parametrize("count", [4, 9, 142])
def test_the_splines_are_scipys(count: int) -> None:
    knots = np.concatenate([[0.0] * 3, np.linspace(0, 1, count), [1.0] * 3])
    place = np.sort(np.concatenate([[0.0, 1.0], np.linspace(0, 1, count)[1:-1], np.random.default_rng(1).random(300)]))
    assert splines(place, knots, 3) == pytest.approx(BSpline.design_matrix(place, knots, 3).toarray(), abs=1e-14)


def test_a_glitch_is_no_noise() -> None:
    trace = noise(1, 1e-4)
    trace[100] += 0.1
    assert noise_of(trace) == pytest.approx(1e-4, rel=0.35)


def test_a_trace_without_noise_stays_as_it_is() -> None:
    curve = phasor(10, 3e-9, 0.3)
    found = smooth(GRID, {"S31": curve})["S31"]
    assert found.basis is None
    assert np.array_equal(found.values, curve)


def test_noise_is_taken_off_and_the_curve_stays() -> None:
    """A low corner at 0.5 MHz, 3 ns of line and a resonance of Q 10: the error stays under the noise, nowhere four times."""
    x = GRID / 40e6
    curve = 0.03 * np.exp(-2j * np.pi * GRID * 3e-9) / (1 - 0.5e6j / GRID) + 0.002 / (1 + 10j * (x - 1 / x))
    for seed in range(10):
        found = smooth(GRID, {"S31": curve + noise(seed, 1e-4)})["S31"]
        error = np.abs(found.values - curve)
        assert np.sqrt(np.mean(error**2)) < 0.8e-4
        assert np.max(error) < 4e-4


def test_a_narrow_notch_above_the_noise_is_not_smoothed_away() -> None:
    curve = phasor(30, 1e-9, 0.0)
    curve[100:103] *= 0.9
    found = smooth(GRID, {"S31": curve + noise(2, 1e-4)})["S31"]
    assert np.abs(found.values[101]) < 0.93 * np.abs(curve[90])


def test_a_grid_of_few_points_is_left_alone() -> None:
    hz = np.linspace(1e6, 10e6, 11)
    trace = noise(3, 1e-3, 11)
    assert noise_of(trace) == 0
    assert smooth(hz, {"S31": trace})["S31"].basis is None


def with_noise(sweep: Sweep, seed: int) -> Sweep:
    """Return a sweep with noise of −75 dB on every trace."""
    traces = {
        key: np.asarray(trace + noise(1000 * seed + 10 * len(sweep.name) + int(key[1:]), 10**-3.75))
        for key, trace in sweep.traces.items()
    }
    return Sweep(sweep.name, GRID, traces, sweep.ports)


def test_flatness_is_not_biased_by_noise() -> None:
    """A unit that is flat to 0.000 dB at −75 dB noise: the points alone show more than ±0.05 dB, the curve little."""
    sweeps = sweeps_of(ideal_unit(32), LOAD_A, LOAD_B, RECEIVER)
    found, raw = [], []
    for seed in range(5):
        noisy = {name: with_noise(sweep, seed) for name, sweep in sweeps.items()}
        evaluation = evaluate(noisy, type_of(), known(LOAD_A, LOAD_B, RECEIVER), residuals=KITS["lab"], draws=500)
        found.append(evaluation.figures["flatness_db"].value)
        s31 = 20 * np.log10(np.abs(evaluation.three_port.trace("s31")[2:107]))
        raw.append(np.ptp(s31) / 2)
        assert "noise taken off by a cubic spline" in evaluation.how["flatness_db"]
    assert np.mean(raw) > 0.05
    assert np.mean(found) < 0.03
