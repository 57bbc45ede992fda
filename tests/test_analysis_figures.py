"""Figures of known three-ports: closed forms, definitions worked by hand, and interpolation against scikit-rf."""

import numpy as np
import pytest
from scipy.interpolate import KroghInterpolator

from harness.analysis import Band
from harness.analysis.figures import FIGURE_NAMES, at_frequencies, coupling_at, figure_values, in_band, usable_band
from harness.records import LINE_IN, LINE_OUT
from harness.sampler import InductanceCore, ideal_circuit, three_port
from tests.analysis_bench import GRID, ideal_unit, phasor, random_unit, type_of

BOTH = (LINE_IN, LINE_OUT)

# Exact lossless sampler, S11 = 1/D, S21 = 2N²/D, S31 = 2N/D, D = 2N² + 1, confirmed with ngspice:
# turns, coupling dB, insertion loss dB, return loss dB.
EXACT = [
    (8, 18.1294, 0.067595, 42.212),
    (10, 20.0433, 0.043321, 46.064),
    (16, 24.0993, 0.016948, 54.202),
    (20, 26.0315, 0.010851, 58.073),
    (31, 29.8318, 0.004518, 65.680),
    (32, 30.1072, 0.004240, 66.231),
    (33, 30.3743, 0.003987, 66.765),
    (50, 33.9811, 0.001737, 73.981),
    (100, 40.0004, 0.000434, 86.021),
]


@pytest.mark.parametrize(("turns", "coupling", "insertion", "match"), EXACT)
def test_the_exact_sampler(turns: int, coupling: float, insertion: float, match: float) -> None:
    values = figure_values(ideal_unit(turns), BOTH)
    assert tuple(values) == FIGURE_NAMES
    assert values["coupling_db"] == pytest.approx(coupling, abs=6e-5)
    assert values["insertion_loss_db"] == pytest.approx(insertion, abs=6e-7)
    assert values["return_loss_db"] == pytest.approx(match, abs=6e-4)
    assert values["flatness_db"] == pytest.approx(0, abs=1e-12)
    assert values["swr"] == pytest.approx((2 * turns**2 + 2) / (2 * turns**2), rel=1e-12)


def shaped(coupling_db: np.ndarray, line_in: float = 0.01, line_out: float = 0.01, loss_db: float = 0.05) -> np.ndarray:
    s = np.zeros((coupling_db.size, 3, 3), dtype=complex)
    s[:, 2, 0] = s[:, 0, 2] = 10 ** (-coupling_db / 20)
    s[:, 0, 0], s[:, 1, 1], s[:, 1, 0] = line_in, -1j * line_out, 10 ** (-loss_db / 20)
    return s


def test_nominal_coupling_is_the_middle_of_the_range_not_the_mean() -> None:
    values = figure_values(shaped(np.array([30.0, 30.0, 30.0, 30.0, 31.0])), BOTH)
    assert values["coupling_db"] == pytest.approx(30.5)
    assert values["flatness_db"] == pytest.approx(0.5)
    assert values["insertion_loss_db"] == pytest.approx(0.05)


def test_the_line_match_is_the_worst_of_the_sides_that_were_seen() -> None:
    s = shaped(np.full(5, 30.0), line_in=0.01, line_out=0.1)
    assert figure_values(s, BOTH)["return_loss_db"] == pytest.approx(20)
    assert figure_values(s, BOTH)["swr"] == pytest.approx(1.22222, abs=5e-6)
    assert figure_values(s, (LINE_IN,))["return_loss_db"] == pytest.approx(40)
    assert figure_values(s, (LINE_IN,))["swr"] == pytest.approx(1.02020, abs=5e-6)


def test_one_bad_point_of_the_band_counts() -> None:
    """Return loss 20 dB and insertion loss 1 dB at one point, 40 dB and 0.05 dB at the others: the worst of the band is meant."""
    s = shaped(np.full(5, 30.0))
    s[3, 0, 0], s[1, 1, 0] = 0.1j, 10 ** (-1 / 20)
    values = figure_values(s, BOTH)
    assert values["return_loss_db"] == pytest.approx(20)
    assert values["swr"] == pytest.approx(1.22222, abs=5e-6)
    assert values["insertion_loss_db"] == pytest.approx(1)


def test_leading_axes_are_carried_through() -> None:
    draws = np.stack([ideal_unit(8, 5), ideal_unit(32, 5), ideal_unit(100, 5)])
    band_hz, inside = in_band(GRID[:5], draws, (1.2e6, 2.4e6))
    assert inside.shape == (3, band_hz.size, 3, 3)
    assert figure_values(inside, BOTH)["coupling_db"] == pytest.approx([18.1294, 30.1072, 40.0004], abs=6e-5)


def test_interpolation_is_the_cubic_through_the_four_nearest_points() -> None:
    """In log frequency, near both ends of the grid through the first or last four: scipy's KroghInterpolator. Exact on it."""
    s = random_unit(4)
    wanted = np.concatenate([GRID[:2] + 0.2e6, GRID[-3:-1] + 0.3e6, GRID[40:60:7] + 0.1e6])
    found = at_frequencies(GRID, s, wanted)
    for hz, value in zip(wanted, found, strict=True):
        first = int(np.clip(np.searchsorted(GRID, hz) - 2, 0, GRID.size - 4))
        four = slice(first, first + 4)
        assert np.allclose(value, KroghInterpolator(np.log(GRID[four]), s[four])(np.log(hz)), atol=1e-11)
    assert np.array_equal(at_frequencies(GRID, s, GRID), s)


def test_a_grid_of_three_points_has_a_parabola() -> None:
    hz = np.array([1e6, 2e6, 4e6])
    s = (np.log(hz) ** 2)[:, None, None] * np.ones((1, 3, 3)) + 0j
    assert np.allclose(at_frequencies(hz, s, np.array([3e6])), np.log(3e6) ** 2)


def test_the_low_corner_between_two_points_is_followed() -> None:
    """A first-order corner at 0.5 MHz, 10·log10(1 + (f_L/f)²) dB (common practice): read at 1.8 MHz from points of 0.5 MHz.

    Straight lines, as scikit-rf draws them, lie 0.023 dB beside it.
    """
    from skrf.network import Network

    s = np.asarray((0.1 / (1 - 0.5e6j / GRID))[:, None, None] * np.ones((1, 3, 3)), dtype=np.complex128)
    at = np.array([1.8e6])
    true = 20 + 10 * np.log10(1 + (0.5e6 / at) ** 2)
    straight = Network(f=GRID, f_unit="Hz", s=s, z0=50).interpolate(at, f_kwargs={"unit": "Hz"}, kind="linear").s
    assert -20 * np.log10(np.abs(straight[:, 2, 0])) - true == pytest.approx(0.023, abs=0.001)
    assert -20 * np.log10(np.abs(at_frequencies(GRID, s, at)[:, 2, 0])) - true == pytest.approx(0, abs=0.001)


def test_interpolation_is_fine_enough_between_points() -> None:
    """1 ns of line in 0.5 MHz steps, against its closed form and scikit-rf's cubic spline: within 0.0001 dB (1.2e-5)."""
    from skrf.network import Network

    turning = phasor(30, 1e-9, 0.3)[:, None, None] * np.ones((1, 3, 3))
    wanted = (GRID[:-1] + GRID[1:]) / 2
    found = at_frequencies(GRID, turning, wanted)
    true = phasor(30, 1e-9, 0.3, wanted)[:, None, None]
    assert np.max(np.abs(found / true - 1)) < 1.2e-5
    cubic = Network(f=GRID, f_unit="Hz", s=turning, z0=50).interpolate(wanted, f_kwargs={"unit": "Hz"}, kind="cubic").s
    assert np.max(np.abs(found / cubic - 1)) < 1.2e-5


def test_the_band_has_its_edges_and_nothing_outside() -> None:
    s = random_unit(6)
    band_hz, inside = in_band(GRID, s, (1.8e6, 54e6))
    assert (band_hz[0], band_hz[-1]) == (1.8e6, 54e6)
    assert np.all(np.diff(band_hz) > 0)
    assert band_hz.size == 2 + np.count_nonzero((GRID > 1.8e6) & (GRID < 54e6))
    assert np.allclose(inside[0], KroghInterpolator(np.log(GRID[:4]), s[:4])(np.log(1.8e6)))


def test_an_edge_on_a_grid_point_is_not_counted_twice() -> None:
    band_hz, _ = in_band(GRID, random_unit(6), (GRID[3] * (1 + 1e-12), GRID[9] * (1 - 1e-12)))
    assert band_hz.size == 7


# First-order low corner: f over f_L, loss in dB (Pearson Electronics application notes and 10·log10(1 + (f_L/f)²)).
LOW_CORNER = [(2, 0.9691), (5, 0.1703), (10, 0.0432), (100, 0.000434)]


@pytest.mark.parametrize(("ratio", "loss"), LOW_CORNER)
def test_coupling_between_points_follows_the_low_corner(ratio: float, loss: float) -> None:
    """A 32-turn unit whose core puts f_L at 1 MHz; the centres fall between points of the grid."""
    corner, turns = 1e6, 32
    a_l = 50 / (2 * np.pi * turns**2 * corner)
    grid = np.linspace(1e6, 101e6, 402)
    s = three_port(ideal_circuit(turns, core=InductanceCore(inductance=a_l)), grid)
    centre = ratio * corner
    band = Band(name="made up", low_hz=centre - 1e3, high_hz=centre + 1e3)
    found = coupling_at(grid, s, (1e6, 101e6), [band])[0]
    assert found.db - 30.1072 == pytest.approx(loss, abs=3e-3)


def test_coupling_is_given_at_centres_inside_the_band_only() -> None:
    bands = [Band(name="low", low_hz=1e6, high_hz=2e6), Band(name="in", low_hz=7e6, high_hz=7.3e6)]
    bands += [Band(name="half in", low_hz=50e6, high_hz=56e6), Band(name="out", low_hz=54e6, high_hz=56e6)]
    found = coupling_at(GRID, ideal_unit(32), (1.8e6, 54e6), bands)
    assert [one.hz for one in found] == [7.15e6, 53e6]
    assert [one.db for one in found] == pytest.approx([30.1072] * 2, abs=6e-5)
    assert coupling_at(GRID, ideal_unit(32), (1.8e6, 54e6), []) == ()


def test_the_usable_band_ends_where_the_coupling_leaves_its_flatness() -> None:
    tilt = np.where(GRID > 70.2e6, 31.0, np.where(GRID < 1.4e6, 29.0, 30.2))
    assert usable_band(GRID, shaped(tilt), BOTH, type_of()) == pytest.approx((GRID[1], GRID[GRID <= 70.2e6][-1]))


def test_the_usable_band_ends_where_the_line_does_not_match() -> None:
    s = shaped(np.full(GRID.size, 30.2))
    s[GRID > 60e6, 1, 1] = 0.06
    assert usable_band(GRID, s, BOTH, type_of()) == pytest.approx((1e6, GRID[GRID <= 60e6][-1]))
    assert usable_band(GRID, s, (LINE_IN,), type_of()) == pytest.approx((1e6, 100e6))


def test_a_gap_leaves_the_wider_part_by_ratio() -> None:
    """A bad match near 10 MHz and above 60 MHz leaves 1 to 9.9 MHz, 9.9 to one, and 10.9 to 60 MHz, 5.5 to one."""
    s = shaped(np.full(GRID.size, 30.2))
    s[((GRID > 10e6) & (GRID < 10.8e6)) | (GRID > 60e6), 0, 0] = 0.06
    assert usable_band(GRID, s, BOTH, type_of()) == pytest.approx((1e6, GRID[GRID < 10e6][-1]))


@pytest.mark.parametrize(("db", "loss"), [(36.1, 0.05), (30.2, 0.2)])
def test_a_unit_out_of_tolerance_has_no_usable_band(db: float, loss: float) -> None:
    assert usable_band(GRID, shaped(np.full(GRID.size, db), loss_db=loss), BOTH, type_of()) is None
