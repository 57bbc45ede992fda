"""What is said of units: the right fault, nothing that cannot be known, and what would decide.

Faulty units are the reference units of ``fixtures/units``: networks solved by ngspice with another structure than the fitting
model. Others are circuits of the program's own model on the reference bench, where a single thing must be shown. How often the
diagnosis is right is the business of ``make evidence`` (docs/diagnosis.md).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from skrf.frequency import Frequency
from skrf.media import DefinedGammaZ0
from skrf.network import Network, connect

from fixtures.units.measure import Quality, measure
from harness.analysis import Termination
from harness.analysis.diagnosis import CLASSES, HEALTHY, NOT_DISTINGUISHABLE, UNEXPLAINED, diagnose
from harness.analysis.diagnosis.words import DECIDES, SURE, TRY
from harness.errors import DataError
from harness.records import Sweep
from harness.sampler import three_port
from tests.diagnosis_bench import FOUR, GRID, TWO, built, diagnosed, diagnosed_unit, intended, on_bench
from tests.unit_population import Unit, population

# words-and-commands: the names of faults
FAULTS = (
    "turns", "double termination", "termination missing", "braid grounded at both ends", "braid grounded at neither end",
    "wrong core", "cracked core", "open winding", "shorted turns", "high-resistance joint", "resistor out of value",
    "line mismatch", "unexplained",
)  # fmt: skip
PLAIN_CRACK = "F06-34"
CLEAR = 12.0
"""Standard deviations from health that the solver's own networks say: plain cases."""


def plain_case(fault: str) -> Unit:
    """Return the first reference unit whose fault is a plain one, and no other fault's spitting image.

    A gap in a core of high permeability makes one that looks like a core of low permeability; a joint behind a current source
    does not show.
    """
    units = (unit for unit in population().with_fault(fault) if unit.separation[1] > CLEAR)
    return next(
        unit for unit in units if unit.where not in ("sample", "winding") and (fault != "cracked core" or unit.id == PLAIN_CRACK)
    )


QUICK = ("turns", "double termination", "termination missing", "shorted turns")
"""Those that every run tries; the others are tried by ``make check``."""


@pytest.mark.parametrize(
    "fault",
    [pytest.param(name, marks=() if name in QUICK else pytest.mark.thorough) for name in FAULTS if name != "unexplained"],
)
def test_a_plain_fault_is_found_in_a_network_that_the_model_did_not_make(fault: str) -> None:
    unit = plain_case(fault)
    found = diagnosed_unit(unit)
    assert next(iter(found.weights)) == fault
    assert sum(found.weights.values()) == pytest.approx(1.0)
    entry = found.faults[0]
    assert entry.fault == fault
    assert entry.weight == pytest.approx(found.weights[fault], abs=0.05)
    assert entry.says
    assert entry.try_ == TRY[fault]
    if fault == "turns":
        assert entry.turns == unit.turns
        assert found.circuit["turns"] == unit.turns
    if fault == "high-resistance joint":
        assert entry.where == unit.where
        assert found.circuit["joint_ohm"] == pytest.approx(unit.changed[f"joint_{unit.where.replace(' ', '_')}"], rel=0.3)  # type: ignore[union-attr]
    if fault == "resistor out of value":
        assert found.circuit["resistor_ohm"] == pytest.approx(unit.parts["resistor"], rel=0.05)


HARD = {"F00-21": "turns", "F03-15": "braid grounded at both ends", "F04-21": "braid grounded at neither end", "H017": HEALTHY}
"""Seven turns too many in a core that hides them; a braid whose bonds' inductance shows; fits that end beside their place."""


@pytest.mark.thorough
@pytest.mark.parametrize("name", HARD)
def test_a_hard_case_is_found(name: str) -> None:
    unit = next(unit for unit in population().units if unit.id == name)
    found = diagnosed_unit(unit)
    assert next(iter(found.weights)) == HARD[name]
    assert [entry.fault for entry in found.faults] == list(unit.faults)
    assert found.circuit["turns"] == unit.turns


def test_a_healthy_unit_has_no_fault_and_a_fitted_circuit() -> None:
    unit = population().group("healthy")[0]
    found = diagnosed_unit(unit)
    assert found.faults == ()
    assert found.explanation == HEALTHY
    assert {"turns", "a_l_nh", "leakage_nh", "winding_pf", "resistor_ohm"} <= set(found.circuit)
    assert found.circuit["turns"] == unit.turns
    assert (found.circuit["resistor_ohm"] is None) == (unit.termination == "external")
    assert found.core in (unit.material, NOT_DISTINGUISHABLE)
    assert found.remainder.residual.shape == (len(found.remainder.names), found.remainder.hz.size)


@pytest.mark.thorough
def test_two_faults_at_once_are_both_named() -> None:
    meant = intended()
    found = diagnosed(on_bench(built(meant, turns=30.0, line_out_joint=2.0)), meant, TWO)
    assert next(iter(found.weights)) in ("turns + high-resistance joint", "high-resistance joint + turns")
    named = {entry.fault: entry for entry in found.faults}
    assert set(named) == {"turns", "high-resistance joint"}
    assert named["turns"].turns == 30
    assert named["high-resistance joint"].where == "line out"


@pytest.mark.thorough
def test_twice_the_turns_and_double_termination_wait_for_the_sample_port() -> None:
    """Both read 6.02 dB low (check-values, computed: 2N/D with twice N, and half the load); S33 tells them apart."""
    meant = intended(turns="16")
    # A receiver that reflects would show S33 in the coupled sweep. Leakage and core lie between what 16 and 32 turns bring.
    unit = built(meant, internal_resistor=50.0, winding_leakage=2 * meant.circuit.winding_leakage, core_factor=1.25)
    bench = Quality(receiver_return_loss_db=(60.0, 60.0))
    low = np.geomspace(1e6, 20e6, 51)
    run = measure(three_port(unit, low), low, 5, bench=bench)
    two, four = diagnosed(run, meant, TWO), diagnosed(run, meant, FOUR)
    named = {entry.fault: entry for entry in two.faults}
    assert {"double termination", "turns"} <= set(named)
    assert named["turns"].turns in (31, 32, 33)
    assert "sample-port sweep" in str(named["double termination"].needs)
    assert ({"double termination", "turns"}, "sample") in [({pair.one, pair.other}, pair.sweep) for pair in two.open_pairs]
    assert [entry.fault for entry in four.faults] == ["double termination"]
    assert four.faults[0].needs is None
    assert four.open_pairs == ()
    assert four.faults[0].weight > SURE


def test_a_joint_behind_a_current_source_is_not_claimed() -> None:
    meant = intended()
    found = diagnosed(on_bench(built(meant, sample_joint=3.0)), meant, TWO)
    assert found.faults == ()


def test_a_small_joint_gives_a_bound_and_no_fault() -> None:
    meant = intended()
    found = diagnosed(on_bench(built(meant, line_in_joint=0.05)), meant)
    assert found.faults == ()
    bound = found.circuit["line_joint_most_ohm"]
    assert bound is not None
    assert 0.05 < bound < 2.0


def test_a_change_below_the_residual_errors_is_not_claimed() -> None:
    """1 % of a resistor is its tolerance."""
    meant = intended(termination='"internal"\ninternal_ohm = 50')
    found = diagnosed(on_bench(built(meant, internal_resistor=50.5)), meant)
    assert found.faults == ()


def notched(sweep: Sweep, at: float) -> Sweep:
    """Return a sweep whose transmission has a narrow hole, as no part of a sampler makes."""
    hole = 1 - 0.5 / (1 + 1j * 8 * (sweep.frequency_hz / at - at / sweep.frequency_hz))
    return replace(sweep, traces={**sweep.traces, "s21": sweep.traces["s21"] * hole})


@pytest.mark.thorough
def test_what_no_explanation_fits_is_called_unexplained_and_where() -> None:
    meant = intended()
    run = on_bench(built(meant))
    sweeps = {name: notched(sweep, 20e6) if name.startswith("coupled") else sweep for name, sweep in run.sweeps.items()}
    found = diagnose(sweeps, run.terminations, meant)
    assert next(iter(found.weights)) == UNEXPLAINED
    assert found.faults[0].fault == UNEXPLAINED
    assert "MHz" in found.faults[0].says
    left = found.remainder
    assert left.band_hz is not None
    low, high = left.band_hz
    assert low < 20e6 < high
    row = left.names.index("coupled s21")
    assert row in left.of_sweep("coupled")
    assert abs(np.log(left.hz[np.argmax(np.abs(left.whitened[row]))] / 20e6)) < 0.4
    read = sweeps["coupled"].traces["s21"][np.isin(GRID, left.hz)]
    assert left.db[row] == pytest.approx(20 * np.log10(np.abs(read / (read - left.residual[row]))))  # definition of the decibel
    assert [left.names[number] for number in left.of_sweep("sample")] == ["sample s11"]


@pytest.mark.thorough
def test_a_two_path_bench_and_repeats_are_read_as_well() -> None:
    meant = intended()
    s = three_port(built(meant, turns=31.0), GRID)
    run, again = measure(s, GRID, 3, two_path=True), measure(s, GRID, 3, two_path=True)
    found = diagnose({name: [run.sweeps[name], again.sweeps[name]] for name in TWO}, run.terminations, meant)
    assert found.faults[0].fault == "turns"
    assert found.faults[0].turns == 31


def test_with_bounded_loads_less_is_known_and_nothing_wrong_is_said() -> None:
    meant = intended()
    run = on_bench(built(meant))
    bounded = replace(
        run.terminations,
        loads={name: Termination.bounded(GRID.size, 30.0) for name in ("A", "B")},
        receiver=Termination.bounded(GRID.size, 20.0),
    )
    found = diagnose(run.sweeps, bounded, meant)
    assert found.faults == ()


def test_adapters_that_stay_on_the_unit_are_no_fault_of_it() -> None:
    """Three centimetres of 35 Ω line at line in: known, they belong to the bench; not known, to the unit."""
    meant = intended()
    piece = adapter(35.0, 0.03)
    dressed = connect(Network(f=GRID, f_unit="hz", s=three_port(built(meant), GRID), z0=50), 0, piece, 1).s
    run = measure(dressed, GRID, 4)
    two = {name: run.sweeps[name] for name in TWO}
    assert diagnose(two, run.terminations, meant, {"line in": np.asarray(piece.s)}).faults == ()
    assert [entry.fault for entry in diagnose(two, run.terminations, meant).faults] == ["line mismatch"]


def adapter(impedance: float, length: float) -> Network:
    """Return a piece of loss-free line, port 1 toward the cable, by scikit-rf."""
    frequency = Frequency.from_f(GRID, unit="hz")
    piece = DefinedGammaZ0(frequency=frequency, z0=impedance, gamma=2j * np.pi * GRID / 2e8).line(length, unit="m", z0=impedance)
    piece.renormalize(50)
    return piece


def test_line_and_coupled_are_needed() -> None:
    meant = intended()
    run = on_bench(built(meant))
    with pytest.raises(DataError, match="coupled is missing"):
        diagnose({"line": run.sweeps["line"]}, run.terminations, meant)


def test_the_same_sweeps_give_the_same_diagnosis() -> None:
    meant = intended()
    run = on_bench(built(meant))
    first, second = diagnosed(run, meant, TWO), diagnosed(run, meant, TWO)
    assert first.weights == second.weights
    assert first.circuit == second.circuit
    assert np.array_equal(first.remainder.residual, second.remainder.residual)


def test_every_fault_has_its_words() -> None:
    assert set(TRY) == set(FAULTS)
    assert all(pair <= set(FAULTS) for pair in DECIDES)
    assert len(CLASSES) == 4
    # design notes: a shorted turn and a braid grounded at both ends are told apart by the continuity test
    assert "continuity" in DECIDES[frozenset({"shorted turns", "braid grounded at both ends"})]
