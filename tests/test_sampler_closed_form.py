"""Closed forms of the sampler against tables that were computed or published outside the program."""

import math

import numpy as np
import pytest

from harness.errors import UsageError
from harness.sampler import IdealCore, InductanceCore, closed_form, ideal_circuit, three_port

# Exact lossless sampler, D = 2N² + 1, worked out from the formula and confirmed with ngspice:
# turns, coupling dB, insertion loss dB, return loss dB, series impedance mΩ.
EXACT = [
    (8, 18.1294, 0.067595, 42.212, 781.25),
    (10, 20.0433, 0.043321, 46.064, 500.0),
    (16, 24.0993, 0.016948, 54.202, 195.312),
    (20, 26.0315, 0.010851, 58.073, 125.0),
    (31, 29.8318, 0.004518, 65.680, 52.029),
    (32, 30.1072, 0.004240, 66.231, 48.828),
    (33, 30.3743, 0.003987, 66.765, 45.914),
    (50, 33.9811, 0.001737, 73.981, 20.0),
    (100, 40.0004, 0.000434, 86.021, 5.0),
]

# Ideal core, computed outside the program: turns, load of the winding Ω, coupling, insertion loss, return loss dB.
IDEAL_CORE = [
    (3, 50, 10.0120, 0.4696, 25.575),
    (5, 50, 14.1514, 0.1720, 34.151),
    (10, 50, 20.0433, 0.0433, 46.064),
    (18, 50, 25.1188, 0.0134, 56.245),
    (32, 50, 30.1072, 0.0042, 66.231),
    (100, 50, 40.0004, 0.0004, 86.021),
    (10, 25, 26.0423, 0.0217, 52.063),
    (32, 25, 36.1257, 0.0021, 72.249),
]


def in_db(matrix):
    """Return coupling, insertion loss and return loss in dB of one 3×3 matrix."""
    return tuple(float(-20 * math.log10(abs(matrix[row, 0]))) for row in (2, 1, 0))


@pytest.mark.parametrize(("turns", "coupling", "insertion", "match", "series"), EXACT)
def test_exact_lossless_form(turns, coupling, insertion, match, series):
    exact = closed_form.lossless(turns)
    found = [float(closed_form.loss_db(value)) for value in (exact.s31, exact.s21, exact.s11)]
    assert found[0] == pytest.approx(coupling, abs=6e-5)
    assert found[1] == pytest.approx(insertion, abs=6e-7)
    assert found[2] == pytest.approx(match, abs=6e-4)
    assert closed_form.series_impedance(turns, 50.0).real * 1e3 == pytest.approx(series, abs=6e-4)


@pytest.mark.parametrize("turns", [row[0] for row in EXACT])
def test_energy_of_the_exact_form_balances(turns):
    exact = closed_form.lossless(turns)
    assert exact.s11**2 + exact.s21**2 + exact.s31**2 == pytest.approx(1.0, abs=1e-14)
    assert 2 * exact.s31**2 + exact.s33**2 == pytest.approx(1.0, abs=1e-14)


@pytest.mark.parametrize("turns", [row[0] for row in EXACT])
def test_circuit_is_the_exact_form_when_nothing_is_lost(turns):
    exact = closed_form.lossless(turns)
    expected = np.array(
        [
            [exact.s11, exact.s21, exact.s31],
            [exact.s21, exact.s11, -exact.s31],
            [exact.s31, -exact.s31, exact.s33],
        ]
    )
    for matrix in three_port(ideal_circuit(turns), [1e3, 7.1e6, 1e9]):
        np.testing.assert_allclose(matrix, expected, rtol=0, atol=1e-12)


@pytest.mark.parametrize(("turns", "load", "coupling", "insertion", "match"), IDEAL_CORE)
def test_ideal_core_table(turns, load, coupling, insertion, match):
    inside = None if load == 50 else 50.0
    assert closed_form.winding_load(inside) == load
    waves = closed_form.scattering(closed_form.series_impedance(turns, load), turns)
    solved = three_port(ideal_circuit(turns, internal_resistor=inside), [7.1e6])[0]
    for found in (in_db(solved), tuple(float(closed_form.loss_db(s)) for s in (waves.s31, waves.s21, waves.s11))):
        assert found[0] == pytest.approx(coupling, abs=6e-5)
        assert found[1] == pytest.approx(insertion, abs=6e-5)
        assert found[2] == pytest.approx(match, abs=6e-4)
    assert closed_form.ideal_coupling_db(turns, load) == pytest.approx(coupling, abs=6e-5)
    to_load = abs(solved[2, 0]) ** 2 * 50 / load  # a resistor inside takes as much as the port
    assert abs(solved[0, 0]) ** 2 + abs(solved[1, 0]) ** 2 + to_load == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("internal", [None, 50.0])
def test_series_form_with_a_core_is_the_circuit(internal):
    frequency = np.geomspace(1e4, 1e8, 31)
    core = InductanceCore(inductance=440e-9)
    load = closed_form.winding_load(internal)
    waves = closed_form.scattering(closed_form.series_impedance(3, load, core.admittance(frequency)), 3)
    solved = three_port(ideal_circuit(3, core=core, internal_resistor=internal), frequency)
    np.testing.assert_allclose(solved[:, 0, 0], waves.s11, rtol=0, atol=1e-12)
    np.testing.assert_allclose(solved[:, 1, 0], waves.s21, rtol=0, atol=1e-12)
    np.testing.assert_allclose(solved[:, 2, 0], waves.s31, rtol=0, atol=1e-12)


# With A_L = 440 nH, worked out outside the program; the last is iron powder T-50-2, 4.9 nH (manufacturer).
@pytest.mark.parametrize(
    ("turns", "a_l", "corner", "digits"),
    [(32, 440e-9, 17.7e3, 0.05e3), (10, 440e-9, 181e3, 0.5e3), (3, 440e-9, 2.0e6, 0.05e6), (32, 4.9e-9, 1.585e6, 0.001e6)],
)
def test_low_corner(turns, a_l, corner, digits):
    assert closed_form.low_corner(turns, 50.0, a_l) == pytest.approx(corner, abs=digits)


def test_three_turns_are_no_sampler_for_160_metres():
    # 13.3 dB at 1.8 MHz instead of 10.0, A_L = 440 nH: worked out outside the program.
    solved = three_port(ideal_circuit(3, core=InductanceCore(inductance=440e-9)), [1.8e6])[0]
    assert in_db(solved)[0] == pytest.approx(13.3, abs=0.05)


# First-order low end: f/f_L, loss dB, phase °. Computed; a decade away under 6° and 1 % (Pearson Electronics, "Phase Shift").
@pytest.mark.parametrize(
    ("ratio", "loss", "phase"),
    [(1, 3.0103, 45.0), (2, 0.9691, 26.565), (5, 0.1703, 11.310), (10, 0.0432, 5.711), (100, 0.000434, 0.573)],
)
def test_low_end_table(ratio, loss, phase):
    found = closed_form.low_end(ratio)
    assert found.loss_db == pytest.approx(loss, abs=6e-5 if ratio < 100 else 6e-7)
    assert found.phase_deg == pytest.approx(phase, abs=6e-4)


def test_low_end_is_what_the_circuit_does():
    # A thousand turns see the line as a current source, so the first-order form holds.
    core = InductanceCore(inductance=440e-9)
    corner = closed_form.low_corner(1000, 50.0, 440e-9)
    solved = three_port(ideal_circuit(1000, core=core), [corner, 2 * corner])[:, 2, 0]
    ideal = three_port(ideal_circuit(1000, core=IdealCore()), [corner])[0, 2, 0]
    assert float(closed_form.loss_db(solved[0] / ideal)) == pytest.approx(3.0103, abs=1e-3)
    assert float(np.degrees(np.angle(solved[1] / ideal))) == pytest.approx(26.565, abs=1e-2)


# The rule of the trade: turns = square root of the power ratio, rounded (common practice, no source).
@pytest.mark.parametrize(("coupling", "turns"), [(10, 3), (20, 10), (30, 32), (40, 100), (50, 316)])
def test_rule_of_the_trade(coupling, turns):
    assert closed_form.turns_for(coupling) == turns


def test_one_volt_per_ampere_is_fifty_turns_and_twenty_milliohm():
    # Ion Physics, current-monitor notes: 1 V/A into 50 Ω inserts 20 mΩ.
    assert closed_form.series_impedance(50, 50.0).real == pytest.approx(0.020)


def test_a_load_outside_halves_an_internally_terminated_monitor():
    # Pearson Electronics, "External Termination": 50 Ω outside on 50 Ω inside halves the output.
    both = closed_form.winding_load(50.0, 50.0)
    assert both / closed_form.winding_load(50.0, 1e15) == pytest.approx(0.5)


# Turns in one layer of heavy-build wire, by the formula, computed outside; wire mm NEMA MW 1000 (quoted), bore in inches.
WIRES = {20: 0.879, 22: 0.701, 24: 0.565, 26: 0.452, 28: 0.366, 30: 0.295}
LAYERS = [
    (0.281, (22, 28, 36, 46, 58, 72)),
    (0.187, (13, 18, 23, 29, 37, 47)),
    (0.520, (44, 56, 70, 88, 110, 137)),
    (0.900, (78, 99, 123, 155, 193, 240)),
]


@pytest.mark.parametrize(("bore", "turns"), LAYERS)
def test_turns_in_one_layer(bore, turns):
    found = tuple(closed_form.turns_in_one_layer(wire * 1e-3, bore * 0.0254) for wire in WIRES.values())
    assert found == turns


def test_316_turns_need_a_61_mm_core_and_wire_of_0_3_mm():
    # FT-240 has a bore of 1.4 inch.
    assert closed_form.turns_in_one_layer(0.295e-3, 1.4 * 0.0254) >= 316
    assert closed_form.turns_in_one_layer(0.366e-3, 1.4 * 0.0254) < 316


def test_wire_that_does_not_pass_and_hole_left():
    assert closed_form.turns_in_one_layer(7e-3, 6e-3) == 0
    assert closed_form.turns_in_one_layer(4e-3, 6e-3) == 1
    assert closed_form.turns_in_one_layer(3e-3, 6e-3) == 2  # two wires side by side fill the bore
    assert closed_form.hole_left(0.5e-3, 7e-3) == pytest.approx(6e-3)
    assert closed_form.hole_left(4e-3, 7e-3) == 0.0


def test_wire_diameter_by_astm_b258():
    # The standard's two defining gauges: 36 is 0.0050 in, 0000 is 0.4600 in; 39 steps apart.
    assert closed_form.wire_diameter(36) == pytest.approx(0.005 * 0.0254)
    assert closed_form.wire_diameter(0) * 92 ** (3 / 39) == pytest.approx(0.46 * 0.0254)


@pytest.mark.parametrize(
    "call",
    [
        lambda: closed_form.lossless(0),
        lambda: closed_form.lossless(math.nan),
        lambda: closed_form.winding_load(-1.0),
        lambda: closed_form.winding_load(None, 0.0),
        lambda: closed_form.series_impedance(10, 0.0),
        lambda: closed_form.low_corner(10, 50.0, -1e-9),
        lambda: closed_form.low_end(0.0),
        lambda: closed_form.turns_for(-3.0),
        lambda: closed_form.wire_diameter(41),
        lambda: closed_form.wire_diameter(-1),
        lambda: closed_form.turns_in_one_layer(0.0, 6e-3),
        lambda: closed_form.hole_left(1e-3, math.inf),
    ],
)
def test_impossible_values_are_refused(call):
    with pytest.raises(UsageError):
        call()
