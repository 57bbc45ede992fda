"""The parts a diagnosis stands on: circuit at its connectors, materials, whitening, screening.

Sources: scikit-rf for cascades; the manufacturer's permeability of material 43 (file of November 2020, as quoted in the tables);
the reference bench of ``fixtures/units/measure.py``, which is not part of the program, for the size of errors.
"""

from __future__ import annotations

import numpy as np
import pytest
from skrf.frequency import Frequency
from skrf.media import DefinedGammaZ0
from skrf.network import Network, connect

from fixtures.units.measure import Quality
from harness.analysis import DelayAndLoss, Terminations, readings_of
from harness.analysis.diagnosis.changes import changes, other_classes
from harness.analysis.diagnosis.circuits import Fitted
from harness.analysis.diagnosis.explanations import candidate_of, try_one, turns_share
from harness.analysis.diagnosis.fit import descend, slopes_of, start_of
from harness.analysis.diagnosis.intended import LIKE_43, causal, class_of
from harness.analysis.diagnosis.knobs import Around, Offset, Within
from harness.analysis.diagnosis.observed import LOOSE, Observed, ReadingErrors, kept, observe
from harness.analysis.diagnosis.screen import Screen
from harness.errors import DataError, UsageError
from harness.records import KITS
from harness.sampler import CoreMaterial, parse_materials, three_port
from tests.diagnosis_bench import FOUR, GRID, built, intended, on_bench, table

F_SKRF = Frequency.from_f(GRID, unit="hz")


def network(s: np.ndarray) -> Network:
    return Network(frequency=F_SKRF, s=s, z0=50)


def seen(run: object, meant: object, **given: object) -> Observed:
    return observe(GRID, readings_of(run.sweeps, run.terminations), ReadingErrors(), **given)  # type: ignore[attr-defined, arg-type]


def test_what_stands_before_the_sample_connector_is_a_cascade() -> None:
    circuit = built(intended())
    line = DefinedGammaZ0(frequency=F_SKRF, z0=50, gamma=2j * np.pi * GRID * 60e-12)  # 60 ps a metre
    before = line.inductor(8e-9) ** line.line(1.0, unit="m")
    expected = connect(network(three_port(circuit, GRID)), 2, before, 0).s
    assert np.abs(Fitted(circuit, 8e-9, 60e-12).matrix(GRID) - expected).max() < 1e-12


def test_a_unit_is_read_with_its_adapters() -> None:
    meant = intended()
    run = on_bench(built(meant))
    unit = three_port(built(meant), GRID)
    mismatched = DefinedGammaZ0(frequency=F_SKRF, z0=35, gamma=2j * np.pi * GRID / 2e8).line(0.03, unit="m", z0=35)
    mismatched.renormalize(50)
    adapters = {"line in": np.asarray(mismatched.s), "sample": DelayAndLoss(80e-12, 0.05)}
    dressed = connect(network(unit), 0, mismatched, 1)
    dressed = connect(dressed, 2, network(DelayAndLoss(80e-12, 0.05).matrix(GRID)), 1)
    bare = seen(run, meant)
    with_adapters = seen(run, meant, adapters=adapters)
    where = kept(GRID)
    expected = bare.predict(dressed.s[where])
    assert np.abs(with_adapters.predict(unit[where]) - expected).max() < 1e-12


def test_an_adapter_on_no_connector_is_refused() -> None:
    meant = intended()
    with pytest.raises(DataError, match="an adapter on 'line up'"):
        seen(on_bench(built(meant)), meant, adapters={"line up": DelayAndLoss(1e-12)})


def test_a_table_of_permeability_becomes_a_sum_of_cells_that_keeps_its_rows() -> None:
    material = parse_materials(table("materials"))["43"].material
    assert isinstance(material, CoreMaterial)
    rows = np.array(material.table)
    cells = causal(material)
    there = cells.permeability(rows[:, 0])
    # The table is not quite what a sum of relaxations and resonances can be: 48 at 1 MHz is too little loss for 418 at 3.5.
    assert np.abs(there - (rows[:, 1] - 1j * rows[:, 2])).max() < 0.07 * 851
    everywhere = cells.permeability(np.geomspace(1e5, 1e9, 200))
    assert np.all(everywhere.imag < 0)
    assert all(strength > 0 for strength, _, _ in cells.cells)


def test_material_classes_by_initial_permeability() -> None:
    assert [class_of(value) for value in (2000, 850, 125, 10)] == [
        "high-permeability",
        "43-like",
        "low-permeability ferrite",
        "iron powder",
    ]
    assert intended().material == LIKE_43


def test_knobs_are_standard_normal_inside() -> None:
    around, within = Around("a", 5.0, 0.1), Within("w", 1.0, 100.0)
    assert around.value(0.0) == 5.0
    assert around.value(1.0) == pytest.approx(5.0 * np.exp(0.1))
    assert Offset("o", 2.0, 0.5).value(-1.0) == pytest.approx(1.5)
    # Φ(0) = 1/2; Φ(1.959964) = 0.975 (tables of the normal distribution)
    assert within.value(0.0) == pytest.approx(10.0)
    assert within.value(1.959964) == pytest.approx(100**0.975, rel=1e-6)
    assert 1.0 <= within.value(-9) <= within.value(9) <= 100.0


def test_a_constant_error_of_the_bench_is_not_taken_for_many_independent_ones() -> None:
    """On forty benches a constant added to the line match is estimated as well as the whitening says, not sixfold better."""
    meant = intended()
    circuit = built(meant)
    exact = three_port(circuit, GRID)[kept(GRID)]
    scores, naive = [], []
    for seed in range(40):
        observed = seen(on_bench(circuit, seed), meant)
        column = observed.names.index("coupled s11")
        pattern = np.zeros_like(observed.values)
        pattern[:, column] = 1.0
        white = observed.whiten @ pattern.T.ravel()
        left = observed.values - observed.predict(exact)
        error = observed.whiten @ left.T.ravel()
        scores.append(abs(np.vdot(white, error)) ** 2 / np.vdot(white, white).real)
        own = left[:, column] / observed.size[:, column]
        naive.append(abs(own.sum()) ** 2 / own.size)
    assert 0.3 < np.mean(scores) < 1.7
    assert np.mean(naive) > 5.0


def test_whitened_errors_of_the_reference_bench_are_no_larger_than_stated() -> None:
    meant = intended()
    circuit = built(meant)
    exact = three_port(circuit, GRID)[kept(GRID)]
    found = []
    for seed in range(20):
        observed = seen(on_bench(circuit, seed), meant)
        distance = observed.distance(observed.predict(exact))
        found.append(distance @ distance / distance.size)
    assert np.mean(found) < 1.1


def test_loosened_errors_are_the_likelier_ones_where_the_misfit_is_large() -> None:
    meant = intended()
    observed = seen(on_bench(built(meant)), meant)
    good = observed.predict(three_port(built(meant), observed.frequency_hz))
    bad = observed.predict(three_port(built(meant, turns=36.0), observed.frequency_hz))
    assert observed.looser(good) < 0 < observed.looser(bad)
    assert LOOSE > 1


@pytest.mark.parametrize("adapters", [{}, {"line in": DelayAndLoss(80e-12, 0.1), "sample": DelayAndLoss(50e-12, 0.3)}])
def test_slopes_agree_with_differences_of_another_step(adapters: dict[str, DelayAndLoss]) -> None:
    meant = intended()
    observed = seen(on_bench(built(meant)), meant, adapters=adapters)
    candidate = candidate_of(meant, ())
    z = start_of(candidate.knobs)
    slopes = slopes_of(observed, candidate, z)
    names = [knob.name for knob in candidate.knobs]
    for name in ("sample delay", "a_l", "leakage"):  # seen at the connector, through the core alone, through the whole circuit
        number = names.index(name)
        up, down = z.copy(), z.copy()
        up[number], down[number] = 0.02, -0.02
        ends = [observed.distance(observed.predict(candidate.fitted(each).matrix(observed.frequency_hz))) for each in (up, down)]
        expected = (ends[0] - ends[1]) / 0.04
        assert np.abs(slopes[: expected.size, number] - expected).max() < 0.01 * np.abs(expected).max()


def test_descent_finds_a_known_least_square() -> None:
    # Rosenbrock's function as squares: (10(y − x²))² + (1 − x)², least at (1, 1) (Rosenbrock 1960); a hundredfold, for a descent
    # rests where it gains less than AT_REST.
    found = descend(
        lambda z: 10 * np.array([10 * (z[1] - z[0] ** 2), 1 - z[0]]),
        lambda z, _: 10 * np.array([[-20 * z[0], 10.0], [-1.0, 0.0]]),
        np.array([-1.2, 1.0]),
        100,
    )
    assert found.done
    assert found.z == pytest.approx([1.0, 1.0], abs=0.2)


def test_screening_comes_near_the_full_fit() -> None:
    meant = intended()
    run = on_bench(built(meant, line_in_joint=0.7), seed=3)
    observed = seen(run, meant)
    healthy = try_one(observed, meant, ())
    screen = Screen.around(observed, healthy.fit)
    joint = next(change for change in changes(meant) if change.where == "line in" and change.fault == "high-resistance joint")
    near, full = screen.fit(candidate_of(meant, (joint,))), try_one(observed, meant, (joint,)).fit
    assert abs(near.cost - full.cost) < 0.1 * (healthy.fit.cost - full.cost)
    assert near.values["joint"] == pytest.approx(0.7, abs=0.15)
    assert full.values["joint"] == pytest.approx(0.7, abs=0.15)


def test_a_decimated_grid_keeps_both_ends() -> None:
    linear = np.linspace(1e6, 100e6, 201)
    index = kept(linear)
    assert index[0] == 0
    assert index[-1] == 200
    assert 20 <= index.size <= 32
    assert np.all(np.diff(index) > 0)


def test_priors_of_wrong_counts_sum_to_one() -> None:
    assert sum(turns_share(count, 32) for count in range(2, 65) if count != 32) == pytest.approx(1.0)
    assert turns_share(31, 32) > turns_share(27, 32)


def test_faults_know_what_they_can_befall() -> None:
    outside, inside = intended(), intended(termination='"internal"\ninternal_ohm = 50')
    assert "termination missing" not in {change.fault for change in changes(outside)}
    assert "resistor out of value" not in {change.fault for change in changes(outside)}
    assert {"termination missing", "resistor out of value"} <= {change.fault for change in changes(inside)}
    assert len(other_classes(outside)) == 3


@pytest.mark.parametrize("turns", ["1", "2", "3", "300"])
def test_every_fault_of_every_number_of_turns_is_a_circuit(turns: str) -> None:
    meant = intended(turns=turns, termination='"internal"\ninternal_ohm = 50')
    for change in changes(meant):
        candidate = candidate_of(meant, (change,))
        for z in (-9.0, 0.0, 9.0):
            s = candidate.fitted(np.full(len(candidate.knobs), z)).matrix(GRID)
            assert np.isfinite(s).all()


def test_sizes_of_a_bench_become_linear() -> None:
    plain = ReadingErrors.of(KITS["plain"])
    # −36 dB is 0.0158 of a total reflection; ± 0.08 dB is 0.93 % (definitions of the decibel)
    assert plain.directivity == pytest.approx(0.01585, rel=1e-3)
    assert plain.reflection_tracking == pytest.approx(0.00925, rel=1e-2)
    assert ReadingErrors.of(KITS["lab"]).directivity < plain.directivity


def test_a_core_of_no_known_material_is_refused() -> None:
    with pytest.raises(UsageError):
        intended(core='"FT-50-99"')


def test_readings_are_needed() -> None:
    with pytest.raises(DataError, match="no reading"):
        observe(GRID, (), ReadingErrors())


def test_bounded_loads_widen_what_a_reading_may_be_off() -> None:
    meant = intended()
    run = on_bench(built(meant), bench=Quality())
    known = seen(run, meant)
    bounded = Terminations.of_default_class(GRID.size)
    wide = observe(GRID, readings_of({name: run.sweeps[name] for name in FOUR}, bounded), ReadingErrors())
    column = "coupled s21"
    assert np.all(wide.size[:, wide.names.index(column)] > 3 * known.size[:, known.names.index(column)])
