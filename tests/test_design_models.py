"""The design engine's models: three whole designs against ngspice, the fast model against the full one, pads and energy."""

import runpy
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import skrf

from harness.sampler import Pad, find_core, ideal_circuit, nominal_circuit, three_port
from harness.sampler.design import DesignWish, Tolerances, design, shipped_parts
from harness.sampler.design.engine import of_build
from harness.sampler.design.fast import solve, unit_of
from harness.sampler.design.made import make
from harness.sampler.design.pads import attenuator_for, e24_pi, exact_pi, nearest_e24, pi_attenuation
from harness.sampler.design.response import whole_matrix
from harness.sampler.design.unloaded import unloaded

PARTS = shipped_parts()
FOLDER = Path(__file__).parent.parent / "fixtures" / "designs"
SOLVER = runpy.run_path(str(FOLDER / "generate.py"))
BAND = (1.8e6, 54e6)
GRID = np.geomspace(*BAND, 41)

COMMON = {"band_hz": BAND, "line_power": 100.0, "line": "RG-142", "wire_awg": 24, "draws": 0}
WISHES = {
    "bare-winding": DesignWish(coupling_db=30, core="FT-50-generic-2000", turns=32, kind="bare winding", **COMMON),
    "winding-and-pad": DesignWish(
        coupling_db=30, core="FT-82-generic-2000", termination="internal", turns=8, kind="winding and pad", **COMMON
    ),
    "two-windings": DesignWish(
        coupling_db=50, core="FT-50-generic-2000", turns=18, second_turns=18, second_core="FT-37-generic-2000", **COMMON
    ),
}
DESIGNS = {name: design(wish, PARTS) for name, wish in WISHES.items()}
MADE = {name: make(found.wish, found.build, PARTS) for name, found in DESIGNS.items()}


def db(ratio):
    """Return −20·log10 of magnitudes."""
    return -20 * np.log10(np.abs(ratio))


def open_port(matrix, gamma=0.0):
    """Return S11 of the line and volts on the open sample port for 1 √W, the line loaded with ``gamma`` (multiport algebra)."""
    load = np.diag([0, gamma, 1]).astype(complex)
    waves = np.linalg.solve(np.eye(3) - matrix @ load, matrix)
    return waves[:, 0, 0], 2 * np.sqrt(50) * np.abs(waves[:, 2, 0])


# ---- the solver ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", sorted(WISHES))
def test_whole_design_agrees_with_the_circuit_solver(name):
    frequency, solved = SOLVER["read_result"](name)
    assert frequency.size > 30
    np.testing.assert_allclose(whole_matrix(MADE[name], frequency), solved, rtol=0, atol=1e-6)


@pytest.mark.parametrize("name", sorted(WISHES))
def test_the_comparison_sees_a_small_change(name):
    frequency, solved = SOLVER["read_result"](name)
    made = MADE[name]
    changed = replace(made, first=replace(made.first, turns=made.first.turns * 1.001))
    assert np.abs(whole_matrix(changed, frequency) - solved).max() > 1e-6


@pytest.mark.parametrize("name", sorted(WISHES))
def test_reported_figures_are_those_of_the_solver(name):
    frequency, solved = SOLVER["read_result"](name)
    found = DESIGNS[name]
    for curve, admittance in ((found.coupling.into_50, 1 / 50), (found.coupling.with_tee_load, 2 / 50)):
        gamma = (1 / 50 - admittance) / (1 / 50 + admittance)
        seen = db(solved[:, 2, 0] * (1 + gamma) / (1 - solved[:, 2, 2] * gamma))
        inside = (frequency > BAND[0]) & (frequency < BAND[1])
        reported = np.interp(np.log(frequency[inside]), np.log(found.frequencies_hz), curve.db)
        np.testing.assert_allclose(reported, seen[inside], atol=2e-3)
    returned = np.interp(np.log(frequency[inside]), np.log(found.frequencies_hz), found.line.return_loss_at_db)
    np.testing.assert_allclose(returned, db(solved[inside, 0, 0]), atol=0.1)


@pytest.mark.parametrize("name", sorted(WISHES))
def test_open_sample_port_is_that_of_the_solver(name):
    # The netlist's own stray capacitances; the fast model is used for this, so a few per cent are allowed.
    frequency, solved = SOLVER["read_result"](name)
    inside = (frequency > BAND[0]) & (frequency < BAND[1])
    match, volts = open_port(solved[inside], 0.2j)
    fast = solve(MADE[name].unit(frequency[inside]), frequency[inside], port_y=0.0, line_gamma=0.2j)
    np.testing.assert_allclose(np.abs(fast.port_volts), volts, rtol=0.04)
    np.testing.assert_allclose(fast.s11, match, atol=0.015)


@pytest.mark.parametrize("name", sorted(WISHES))
def test_results_carry_their_origin(name):
    first = (FOLDER / f"{name}.csv").read_text(encoding="utf-8").splitlines()[0]
    assert first.startswith("# origin: ngspice-39, ")
    assert first.endswith(f"netlist {name}.cir")


@pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed")
@pytest.mark.needs_ngspice
@pytest.mark.parametrize("name", sorted(WISHES))
def test_the_solver_gives_the_committed_result_again(name):
    frequency, solved = SOLVER["run_design"](name)
    committed_frequency, committed = SOLVER["read_result"](name)
    np.testing.assert_allclose(frequency, committed_frequency, rtol=1e-12)
    np.testing.assert_allclose(solved, committed, rtol=0, atol=1e-9)


# ---- the fast model against the full one ---------------------------------------------------------------------------

ARRANGEMENTS = {
    "bare": {},
    "internal": {"termination": "internal"},
    "pi": {"pad": Pad("pi", 96.0, 71.0, 96.0)},
    "tee": {"pad": Pad("tee", 26.0, 35.0, 26.0)},
    "low value": {"shunt_ohm": 5.0, "series_ohm": 45.0},
}


@pytest.mark.parametrize("turns", [3, 10, 32])
@pytest.mark.parametrize("arrangement", sorted(ARRANGEMENTS))
def test_fast_model_against_the_full_one(arrangement, turns):
    core = find_core("FT-50-43", PARTS.cores, PARTS.materials)
    circuit = nominal_circuit(turns=turns, core=core, **ARRANGEMENTS[arrangement])
    full, fast = three_port(circuit, GRID), solve(unit_of(circuit, GRID), GRID)
    np.testing.assert_allclose(db(fast.s31), db(full[:, 2, 0]), rtol=0, atol=0.02)
    np.testing.assert_allclose(fast.s11, full[:, 0, 0], rtol=0, atol=0.003)
    np.testing.assert_allclose(db(fast.s21), db(full[:, 1, 0]), rtol=0, atol=0.006)
    match, volts = open_port(full, 0.2 * np.exp(1j))
    unloaded_fast = solve(unit_of(circuit, GRID), GRID, port_y=0.0, line_gamma=0.2 * np.exp(1j))
    np.testing.assert_allclose(np.abs(unloaded_fast.port_volts), volts, rtol=0.04)
    np.testing.assert_allclose(unloaded_fast.s11, match, rtol=0, atol=0.03)


@pytest.mark.parametrize("turns", [3, 10, 32, 100])
def test_fast_model_is_exact_without_parasitics(turns):
    # Lossless closed form: D = 2N² + 1, S11 = 1/D, S21 = 2N²/D, S31 = 2N/D.
    solved = solve(unit_of(ideal_circuit(turns), GRID), GRID)
    total = 2 * turns**2 + 1
    np.testing.assert_allclose(solved.s11, 1 / total, rtol=1e-12)
    np.testing.assert_allclose(solved.s21, 2 * turns**2 / total, rtol=1e-12)
    np.testing.assert_allclose(solved.s31, 2 * turns / total, rtol=1e-12)


@pytest.mark.parametrize("name", sorted(ARRANGEMENTS))
def test_power_in_is_power_out(name):
    # Conservation of energy, ideal core: what is neither reflected nor passed on is in the port and the resistors.
    circuit = replace(
        ideal_circuit(10, internal_resistor=50.0 if name == "internal" else None),
        pad=ARRANGEMENTS[name].get("pad") or (Pad("ell", 5.0, 45.0) if name == "low value" else None),
    )
    open_too = [] if name == "bare" else [(0.0, 0.2j)]  # an ideal winding with nothing at all on it has no end of volts
    for port, gamma in [(1 / 50, 0.0), (1 / 25, 0.3j), *open_too]:
        solved = solve(unit_of(circuit, GRID), GRID, port_y=port, line_gamma=gamma)
        spent = sum(solved.resistor_watts) + port * np.abs(solved.port_volts) ** 2
        passed = np.abs(solved.s21) ** 2 * (1 - abs(gamma) ** 2)
        np.testing.assert_allclose(np.abs(solved.s11) ** 2 + passed + spent, 1.0, rtol=1e-9)


# ---- nothing on the sample port ------------------------------------------------------------------------------------


def ideal_made(line_swr=1.0):
    """Return 32 turns on FT-50-43 without parasitics at 1500 W."""
    wish = DesignWish(coupling_db=30, band_hz=BAND, line_power=1500, line_swr=line_swr, core="FT-50-43", turns=32, draws=0)
    made = make(wish, of_build(wish, design(wish, PARTS).build, PARTS).build, PARTS)
    return replace(made, first=ideal_circuit(32, core=made.cores[0].core))


def test_sample_load_removed():
    # Worked out with the 2020 table of material 43: 7 MHz, 1500 W forward, no stray: 2.15 kV, S21 −0.824 dB,
    # return loss 18.23 dB.
    found = unloaded(ideal_made(), np.array([7e6]), strays=(0.0, 3e-12, 5e-12, 10e-12))
    assert found.at[0].volts == pytest.approx(2150, abs=10)
    assert found.at[0].insertion_loss_db == pytest.approx(0.824, abs=1e-3)
    assert found.at[0].return_loss_db == pytest.approx(18.23, abs=0.01)
    # Same source, strays of 3, 5, 10 pF: S21 −0.50/−0.15/−0.03 dB, return loss 20/25/32 dB.
    assert [row.insertion_loss_db for row in found.at[1:]] == pytest.approx([0.50, 0.15, 0.03], abs=0.01)
    assert [row.return_loss_db for row in found.at[1:]] == pytest.approx([20, 25, 32], abs=0.51)
    assert not found.safe


def test_up_to_three_kilovolts_somewhere_in_the_band():
    # Same source: with strays up to 3.3 kV somewhere in the band, matched line.
    found = unloaded(ideal_made(), np.geomspace(*BAND, 201), strays=(3e-12, 5e-12, 10e-12))
    assert found.volts == pytest.approx(3300, rel=0.03)


def test_unloaded_against_the_full_model_with_line_swr():
    made = ideal_made(line_swr=1.5)
    found = unloaded(made, GRID, phases=24, strays=(5e-12,))
    matrix = three_port(replace(made.first, winding_capacitance=5e-12), GRID)
    power = 1500 / (1 - 0.2**2)
    phases = np.exp(2j * np.pi * np.arange(24) / 24)
    worst = max(open_port(matrix, 0.2 * phase)[1].max() for phase in phases) * np.sqrt(power)
    assert found.volts == pytest.approx(worst, rel=1e-9)


def test_heat_in_the_core_is_what_the_line_loses():
    # Conservation of energy with nothing on the port: what is neither reflected nor passed on heats the core.
    made = ideal_made()
    matrix = three_port(replace(made.first, winding_capacitance=5e-12), GRID)
    match, _ = open_port(matrix)
    through = matrix[:, 1, 0] + matrix[:, 1, 2] * matrix[:, 2, 0] / (1 - matrix[:, 2, 2])
    lost = 1500 * (1 - np.abs(match) ** 2 - np.abs(through) ** 2)
    assert unloaded(made, GRID, strays=(5e-12,)).core_heat == pytest.approx(lost.max(), rel=1e-9)


def test_a_resistor_inside_makes_an_open_port_harmless():
    wish = DesignWish(coupling_db=30, band_hz=BAND, line_power=1500, core="FT-50-43", termination="internal", draws=0)
    found = design(wish, PARTS)
    assert found.unloaded.safe
    assert not any("nothing on the sample port" in said for said in found.cautions)
    # Without the instrument the whole I/N·50 Ω stands there: 5.48 A·sqrt(1.5)/16·50 Ω = 21 V.
    assert found.unloaded.volts == pytest.approx(np.sqrt(1500 / 50 * 1.5) / 16 * 50, rel=0.03)


# ---- pads ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("attenuation", [1.0, 3.0, 6.0, 10.0, 20.0, 30.0])
def test_pads_against_a_reference_library(attenuation):
    media = skrf.media.DefinedGammaZ0(skrf.Frequency(1, 1, 1, unit="MHz"), z0=50)
    for pad in (exact_pi(attenuation), e24_pi(attenuation).pad):
        network = media.shunt(media.resistor(pad.first) ** media.short()) ** media.resistor(pad.second)
        network = network ** media.shunt(media.resistor(pad.third) ** media.short())
        assert pi_attenuation(pad) == pytest.approx(float(db(network.s[0, 1, 0])), abs=1e-9)
    assert pi_attenuation(exact_pi(attenuation)) == pytest.approx(attenuation, abs=1e-9)
    assert e24_pi(attenuation).attenuation_db == pytest.approx(attenuation, rel=0.08)


def test_preferred_values():
    # IEC 60063: E24 has 47, 51 and 91, 100 next to each other.
    assert [nearest_e24(value) for value in (48.0, 50.0, 96.2, 0.2, 9.6e3)] == [47.0, 51.0, 100.0, 0.2, 10e3]


@pytest.mark.parametrize(("needed", "given"), [(-1.0, 0.0), (0.5, 1.0), (11.76, 12.0), (13.5, 16.0), (20.0, 20.0), (33.0, 33.0)])
def test_attenuator_is_one_or_two_usual_ones(needed, given):
    assert attenuator_for(needed) == given


def test_tolerances_leave_room_for_the_power_that_goes_to_the_sample():
    # Lossless table: 3 turns insert 0.4696 dB, 32 turns 0.0042 dB.
    assert Tolerances.usual(10.0).insertion_loss > 0.4696
    assert Tolerances.usual(30.0).insertion_loss == pytest.approx(0.11, abs=0.011)
