"""Simulated units: the same name is the same unit, healthy ones scatter, and each build fault shows as it should.

Sources: "check-values" are the project's table of exact values (energy balance of the ideal sampler, confirmed with a circuit
solver); the halving by a second termination is also in Pearson Electronics' application note "External Termination".
"""

from __future__ import annotations

import numpy as np
import pytest
from skrf.frequency import Frequency
from skrf.network import Network

from drivers.simulated import SimulatedBench
from drivers.simulated.build_faults import FAULTS
from drivers.simulated.units import build_unit, core_of, type_circuit
from harness.errors import UsageError
from harness.records import SimulatedEntry
from harness.records.bench_file import SimulatedUnitEntry
from harness.sampler import pi_pad, three_port
from tests.simulated_texts import INTERNAL, bench_of, hf30

F = np.linspace(1e6, 100e6, 199)
MID = 18
"""10 MHz."""


def entry(spread: float = 1.0, seed: int = 4, **units: SimulatedUnitEntry) -> SimulatedEntry:
    return SimulatedEntry(seed=seed, build_spread=spread, units=units)


def faulty(fault: str | None, spread: float = 0.0, **build: str) -> np.ndarray:
    """Return the three-port of a unit with a fault."""
    return three_port(build_unit(hf30(**build), entry(spread, X=SimulatedUnitEntry(fault=fault)), "X"), F)


def coupling(s: np.ndarray) -> np.ndarray:
    return -20 * np.log10(np.abs(s[:, 2, 0]))


def loss(s: np.ndarray) -> np.ndarray:
    return -20 * np.log10(np.abs(s[:, 1, 0]))


def return_loss(s: np.ndarray) -> np.ndarray:
    return -20 * np.log10(np.abs(s[:, 0, 0]))


def test_the_same_name_is_the_same_unit() -> None:
    assert build_unit(hf30(), entry(), "CL-0001") == build_unit(hf30(), entry(), "CL-0001")
    assert build_unit(hf30(), entry(), "CL-0001") != build_unit(hf30(), entry(), "CL-0002")
    assert build_unit(hf30(), entry(seed=5), "CL-0001") != build_unit(hf30(), entry(seed=4), "CL-0001")
    own = SimulatedUnitEntry(seed=9)
    assert build_unit(hf30(), entry(seed=4, A=own), "A") == build_unit(hf30(), entry(seed=5, A=own), "A")


def test_a_fault_changes_nothing_else_of_a_unit() -> None:
    healthy = build_unit(hf30(), entry(), "A")
    double = build_unit(hf30(), entry(A=SimulatedUnitEntry(fault="double termination")), "A")
    assert double.internal_resistor == 50.0
    assert double.core_factor == healthy.core_factor
    assert double.line_before == healthy.line_before


def test_without_spread_every_unit_is_nominal() -> None:
    assert build_unit(hf30(), entry(0.0), "CL-0001") == type_circuit(hf30())
    assert build_unit(hf30(**INTERNAL), entry(0.0), "B") == type_circuit(hf30(**INTERNAL))


def test_healthy_units_scatter_and_stay_good() -> None:
    units = [build_unit(hf30(), entry(), f"CL-{number:04}") for number in range(60)]
    factors = np.log([unit.core_factor for unit in units])
    assert np.std(factors) == pytest.approx(0.07, rel=0.3)
    # Common practice, no source: a 30 dB unit within 1 dB, its line better than 25 dB, here up to 54 MHz.
    band = F <= 54e6
    for unit in units:
        s = three_port(unit, F)[band]
        assert np.all(np.abs(coupling(s) - 30.1) < 1.0)
        assert np.all(return_loss(s) > 25.0)


@pytest.mark.parametrize("build", [{}, INTERNAL, {"pad_db": '"6 dB"'}, {"shunt_ohm": '"10 ohm"', "series_ohm": '"41 ohm"'}])
def test_units_are_passive_and_reciprocal(build: dict[str, str]) -> None:
    details = {"turns": "turns: 31", "high-resistance joint": "high-resistance joint: line in, 0.5 ohm"}
    faults = [None, *(details.get(name, name) for name in FAULTS)]
    inside = "internal_ohm" in build
    if not inside:
        faults.remove("termination missing")
    if not inside and not any("ohm" in key or "pad" in key for key in build):
        faults.remove("resistor out of value")
    for number, fault in enumerate(faults):
        s = three_port(build_unit(hf30(**build), entry(seed=number, X=SimulatedUnitEntry(fault=fault)), "X"), F)
        network = Network(frequency=Frequency.from_f(F, unit="hz"), s=s, z0=50)
        assert network.is_reciprocal(tol=1e-9)
        assert network.is_passive(tol=1e-9)


# -- each fault ---------------------------------------------------------------------------------------------------------------


def test_turns() -> None:
    # check-values: 31 turns 29.8318 dB, 32 turns 30.1072 dB.
    assert (coupling(faulty(None)) - coupling(faulty("turns: 31")))[MID] == pytest.approx(0.2754, abs=0.005)


def test_double_termination() -> None:
    # Pearson, "External Termination": a second 50 Ω halves the output.
    change = coupling(faulty("double termination")) - coupling(faulty(None))
    assert change[MID] == pytest.approx(6.02, abs=0.02)
    # An inside resistor makes the port look like 50 Ω; without one it reflects nearly everything.
    assert np.abs(faulty("double termination")[MID, 2, 2]) < 0.05
    assert np.abs(faulty(None)[MID, 2, 2]) > 0.95


def test_termination_missing() -> None:
    # A nominal 30 dB unit with its resistor inside reads 36.1257 dB (check-values), without it 30.1072 dB.
    healthy, missing = faulty(None, **INTERNAL), faulty("termination missing", **INTERNAL)
    assert coupling(healthy)[MID] == pytest.approx(36.126, abs=0.03)
    assert coupling(missing)[MID] == pytest.approx(30.107, abs=0.03)


def test_braid() -> None:
    assert np.all(coupling(faulty("braid grounded at both ends")) >= 60.0)
    healthy, neither = faulty(None), faulty("braid grounded at neither end")
    even = {name: np.abs(s[:, 2, 0] + s[:, 2, 1]) / 2 for name, s in (("healthy", healthy), ("neither", neither))}
    assert np.all(even["neither"] > 5 * even["healthy"])
    # The capacitive part rises with frequency: 20 dB a decade at the low end.
    assert even["neither"][MID] / even["neither"][0] == pytest.approx(10.0, rel=0.05)


def test_core() -> None:
    # N²·Z_c of the sample port's reflection falls with μ: less inductive at the low end.
    healthy, wrong, cracked = (faulty(fault)[0, 2, 2] for fault in (None, "wrong core", "cracked core"))
    assert np.angle(wrong) > np.angle(cracked) > np.angle(healthy) > 0
    iron = faulty("wrong core: T-50-2")
    stacked = build_unit(hf30(stack="2"), entry(0.0, X=SimulatedUnitEntry(fault="wrong core")), "X")
    assert stacked.core == core_of("FT-50-generic-125", 2)
    # A_L of T-50-2 is 4.9 nH (check-values, the manufacturer's): the winding's inductance is a shunt across 50 Ω in series with
    # the leakage, and divides the sample by that (first-order high pass, textbook).
    at = 1
    winding, leakage = 4.9e-9 * 32**2, type_circuit(hf30()).winding_leakage
    omega = 2 * np.pi * F[at]
    expected = 20 * np.log10(np.abs(50 + 1j * omega * (winding + leakage)) / (omega * winding))
    assert (coupling(iron) - coupling(faulty(None)))[at] == pytest.approx(expected, abs=0.03)


def test_winding() -> None:
    assert np.all(coupling(faulty("open winding")) > 50.0)
    shorted = coupling(faulty("shorted turns")) - coupling(faulty(None))
    assert shorted[0] > 1.0
    assert np.all(np.diff(shorted[:MID]) < 0)


@pytest.mark.parametrize(("detail", "ohm"), [("line in", 1.0), ("line out", 1.0), ("line out, 2 ohm", 2.0)])
def test_joint_in_the_line(detail: str, ohm: float) -> None:
    # A series resistance R in a matched line: S21 = 1/(1 + R/2Z0) (textbook).
    change = loss(faulty(f"high-resistance joint: {detail}")) - loss(faulty(None))
    assert change[MID] == pytest.approx(20 * np.log10(1 + ohm / 100), rel=0.02)


def test_joint_at_the_sample_port_hardly_shows() -> None:
    change = coupling(faulty("high-resistance joint: sample")) - coupling(faulty(None))
    assert np.max(np.abs(change)) < 0.02


def test_resistor_out_of_value() -> None:
    # Load of the winding: R ∥ 50 Ω. From 25 Ω to 75 ∥ 50 = 30 Ω is 20·log10(30/25).
    change = coupling(faulty(None, **INTERNAL)) - coupling(faulty("resistor out of value: 75 ohm", **INTERNAL))
    assert change[MID] == pytest.approx(20 * np.log10(30 / 25), abs=0.02)
    pad = faulty("resistor out of value", pad_db='"6 dB"')
    assert np.max(np.abs(coupling(pad) - coupling(faulty(None, pad_db='"6 dB"')))) > 0.1


def test_line_mismatch() -> None:
    # A short line of impedance Z reflects (Z/Z0 − Z0/Z)/2·βl (textbook); here 75 Ω, 20 mm of velocity factor 0.695.
    extra = faulty("line mismatch")[MID, 0, 0] - faulty(None)[MID, 0, 0]
    angle = 2 * np.pi * F[MID] * 0.02 / (299792458.0 * 0.695)
    assert np.abs(extra) == pytest.approx((75 / 50 - 50 / 75) / 2 * angle, rel=0.03)


def test_pad_is_the_one_of_the_textbook() -> None:
    # 6 dB, 50 Ω pi pad: 150.5 Ω, 37.4 Ω, 150.5 Ω (any table of attenuators).
    pad = pi_pad(6.0)
    assert (round(pad.first, 1), round(pad.second, 1), round(pad.third, 1)) == (150.5, 37.4, 150.5)


# -- text ---------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fault", "why"),
    [
        ("turns", "whole number"),
        ("turns: 0", "whole number"),
        ("turns: 1_0", "whole number"),
        ("turns: thirty", "whole number"),
        ("double termination: 3", "no detail"),
        ("termination missing", "no resistor inside"),
        ("resistor out of value", "no resistor inside"),
        ("cracked core: 0.1", "unit"),
        ("cracked core: 0 mm", "above 0"),
        ("shorted turns: 32", "only 32 turns"),
        ("high-resistance joint", "where"),
        ("high-resistance joint: lid", "where"),
        ("high-resistance joint: line in, much", "number with a unit"),
        ("wrong core: cheese", "not in the tables"),
        ("rain in the box", "not known"),
    ],
)
def test_bad_faults_are_refused(fault: str, why: str) -> None:
    with pytest.raises(UsageError) as caught:
        faulty(fault)
    assert why in caught.value.message
    assert caught.value.hint


def test_types_that_are_not_simulated_are_refused() -> None:
    with pytest.raises(UsageError, match="second winding"):
        type_circuit(hf30(second_turns="10"))
    with pytest.raises(UsageError, match="not in the tables"):
        type_circuit(hf30(line='"bell wire"'))
    with pytest.raises(UsageError, match="not in the tables"):
        type_circuit(hf30(core='"FT-50-999"'))


def test_the_bench_builds_the_unit_of_its_file() -> None:
    text = bench_of(extra='[simulated.units."CL-0004"]\nfault = "turns: 31"\n')
    bench = SimulatedBench(text, hf30())
    bench.insert_unit("CL-0004")
    assert bench.circuit is not None
    assert bench.circuit.turns == 31
    np.testing.assert_array_equal(bench.unit_three_port(F), three_port(bench.circuit, F))
    bench.insert_unit("CL-0005")
    assert bench.circuit.turns == 32
