"""The circuit model against ngspice: netlists and results stand in ``fixtures/circuits``."""

import runpy
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from harness.sampler import InductanceCore, LadderCore, LineSection, Mismatch, Pad, SamplerCircuit, ideal_circuit, three_port

FOLDER = Path(__file__).parent.parent / "fixtures" / "circuits"
SOLVER = runpy.run_path(str(FOLDER / "generate.py"))

AGREEMENT = 1e-6
"""In every S-parameter, absolute: what the model promises."""

PLAIN_CORE = InductanceCore(inductance=440e-9, effective_area=12.92e-6)
LOSSLESS = LineSection(impedance=50.0, length=0.025, velocity_factor=0.695, loss_db_per_m=0.0)


def plain(turns: float) -> SamplerCircuit:
    """Return lossless line sections, the plain core, and a braid bonded at line in by one micro-ohm."""
    circuit = ideal_circuit(turns, core=PLAIN_CORE)
    return replace(circuit, line_before=LOSSLESS, line_after=LOSSLESS, braid_lead_resistance=1e-6)


def full() -> SamplerCircuit:
    """Return a circuit with every parasitic, lossless lines, braid bonded at line in. Values as in the netlists."""
    return SamplerCircuit(
        turns=32,
        core=PLAIN_CORE,
        line_before=LOSSLESS,
        line_after=LOSSLESS,
        primary_leakage=1e-9,
        winding_leakage=300e-9,
        winding_resistance=0.05,
        winding_capacitance=5e-12,
        winding_joint=1e-3,
        stray_capacitance=0.02e-12,
        braid_loop_inductance=4e-9,
        braid_resistance=0.5e-3,
        braid_lead_inductance=0.05e-9,
        braid_lead_resistance=0.2e-3,
        braid_ground_capacitance=1e-12,
        braid_winding_capacitance=3e-12,
        sample_capacitance=1e-12,
    )


def lossy(impedance: float, length: float) -> LineSection:
    """Return a line of 2 dB/m, as constant series resistance."""
    return LineSection(impedance=impedance, length=length, velocity_factor=0.659, loss_db_per_m=2.0, loss_exponent=0.0)


NETWORKS: dict[str, SamplerCircuit] = {
    "external": plain(32),
    "internal": replace(plain(10), internal_resistor=50.0),
    "pi-pad": replace(plain(10), pad=Pad("pi", 96.0, 71.0, 96.0)),
    "tee-pad": replace(plain(10), internal_resistor=120.0, pad=Pad("tee", 27.0, 33.0, 22.0), sample_joint=3.0, core_gap=0.1e-3),
    "low-shunt": replace(plain(10), pad=Pad("ell", 5.0, 45.0), braid_end="line out", line_in_joint=0.4, line_out_joint=0.7),
    "braid-both-ends": replace(full(), braid="both ends"),
    "braid-neither-end": replace(full(), braid="neither end"),
    "lossy-lines": replace(full(), line_before=lossy(50.0, 0.03), line_after=lossy(53.0, 0.04)),
    "shorted-turns": replace(plain(32), shorted_turns=2.0, shorted_turns_leakage=8e-9, shorted_turns_resistance=2e-3),
    "dispersive-core": replace(plain(18), core=LadderCore(cells=((6.0, 300e-9), (25.0, 140e-9)))),
    "open-winding": replace(
        plain(32),
        core=LadderCore(cells=((15.0, 440e-9),)),
        winding_open=True,
        break_capacitance=0.3e-12,
        internal_resistor=50.0,
        winding_capacitance=5e-12,
        stray_capacitance=0.02e-12,
        mismatch=Mismatch(impedance=75.0, length=0.02, velocity_factor=0.695, position=0.01),
    ),
}

# One small change of a value that belongs to the network: the comparison must see it.
CHANGES: dict[str, SamplerCircuit] = {
    "external": replace(NETWORKS["external"], turns=32.001),
    "internal": replace(NETWORKS["internal"], internal_resistor=50.01),
    "pi-pad": replace(NETWORKS["pi-pad"], pad=Pad("pi", 96.0, 71.01, 96.0)),
    "tee-pad": replace(NETWORKS["tee-pad"], core_gap=0.1001e-3),
    "low-shunt": replace(NETWORKS["low-shunt"], braid_end="line in"),
    "braid-both-ends": replace(NETWORKS["braid-both-ends"], braid_loop_inductance=4.01e-9),
    "braid-neither-end": replace(NETWORKS["braid-neither-end"], braid_winding_capacitance=3.001e-12),
    "lossy-lines": replace(NETWORKS["lossy-lines"], line_after=lossy(53.01, 0.04)),
    "shorted-turns": replace(NETWORKS["shorted-turns"], shorted_turns_leakage=8.001e-9),
    "dispersive-core": replace(NETWORKS["dispersive-core"], core_factor=1.0001),
    "open-winding": replace(NETWORKS["open-winding"], break_capacitance=0.301e-12),
}


def test_every_netlist_has_a_circuit_and_a_result():
    netlists = sorted(path.stem for path in FOLDER.glob("*.cir"))
    assert netlists == sorted(NETWORKS) == sorted(CHANGES)
    assert netlists == sorted(path.stem for path in FOLDER.glob("*.csv"))


@pytest.mark.parametrize("name", sorted(NETWORKS))
def test_model_agrees_with_the_circuit_solver(name):
    frequency, solved = SOLVER["read_result"](name)
    assert frequency.size > 20
    np.testing.assert_allclose(three_port(NETWORKS[name], frequency), solved, rtol=0, atol=AGREEMENT)


@pytest.mark.parametrize("name", sorted(NETWORKS))
def test_the_comparison_sees_a_small_change(name):
    frequency, solved = SOLVER["read_result"](name)
    assert np.abs(three_port(CHANGES[name], frequency) - solved).max() > AGREEMENT


@pytest.mark.parametrize("name", sorted(NETWORKS))
def test_results_carry_their_origin(name):
    first = SOLVER["result_path"](name).read_text(encoding="utf-8").splitlines()[0]
    assert first.startswith("# origin: ngspice-39, ")
    assert first.endswith(f"netlist {name}.cir")


needs_solver = pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed")


@needs_solver
@pytest.mark.needs_ngspice
@pytest.mark.parametrize("name", sorted(NETWORKS))
def test_the_solver_gives_the_committed_result_again(name):
    frequency, solved = SOLVER["run_netlist"](FOLDER / f"{name}.cir")
    committed_frequency, committed = SOLVER["read_result"](name)
    np.testing.assert_allclose(frequency, committed_frequency, rtol=1e-12)
    np.testing.assert_allclose(solved, committed, rtol=0, atol=1e-9)


@needs_solver
@pytest.mark.needs_ngspice
@pytest.mark.parametrize("broken", ["XX ca", "LC ca cb nothing", "LC ca cb 0\nRLC ca ca"])
def test_a_failed_analysis_is_not_taken_for_a_result(tmp_path, broken):
    netlist = tmp_path / "broken.cir"
    netlist.write_text((FOLDER / "external.cir").read_text(encoding="utf-8").replace("LC ca cb 440n", broken))
    with pytest.raises(RuntimeError, match="the solver failed"):
        SOLVER["run_netlist"](netlist)
