"""The reference units: complete, physical, as common practice says, and of another structure than the program's model."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from drivers.simulated.build_faults import FAULTS as SIMULATED_FAULTS
from fixtures.units import generate, solve
from fixtures.units.measure import Quality, residual
from fixtures.units.netlist import MATERIALS, Deck, _magnetic_section
from harness.analysis import readings_of
from harness.analysis.estimator import estimate
from harness.sampler import three_port
from tests.analysis_bench import sweeps_of
from tests.unit_misfit import misfit
from tests.unit_population import FOLDER, Unit, intended_circuit, measured, population, type_of

POPULATION = population()
GRID = POPULATION.frequency_hz
HEALTHY = POPULATION.group("healthy")
BAND = (GRID >= 1.8e6) & (GRID <= 54e6)
ROUNDING = 1e-6
"""Rounding to complex64 may lift a singular value of one by this."""
PERFECT = Quality(
    directivity_db=-400, source_match_db=-400, tracking=0.0, noise_db=-400, load_known_db=-400, receiver_known_db=-400
)


def at(hertz: float) -> int:
    """Return the grid's nearest point."""
    return int(np.argmin(np.abs(GRID - hertz)))


def db(value: np.ndarray) -> np.ndarray:
    return np.asarray(-20 * np.log10(np.abs(value)))


def coupling(unit: Unit, hertz: float) -> float:
    return float(db(unit.s[at(hertz), 2, 0]))


def rule(turns: float, internal: bool) -> float:
    """Return 20·log10(turns), and 6.02 dB more with a resistor inside: the rule of the trade."""
    return float(20 * np.log10(turns) + (20 * np.log10(2) if internal else 0))


def allowed(unit: Unit) -> float:
    """Return by how many dB the coupling at 10 MHz may miss the rule: flux leaks from a core of low permeability."""
    return 1.5 if unit.material == "iron powder" else 0.7


def intended_rule(unit: Unit) -> float:
    return rule(unit.intended["turns"], unit.intended["termination"] == "internal")


def test_the_population_is_large_enough_and_says_where_it_comes_from() -> None:
    assert len(HEALTHY) >= 320
    assert sum(unit.visible() for unit in POPULATION.group("fault")) >= 480
    assert len(POPULATION.group("two faults")) >= 50
    assert len({unit.id for unit in POPULATION.units}) == len(POPULATION.units)
    assert POPULATION.origin.startswith("ngspice-39")
    assert POPULATION.date
    assert POPULATION.seed == generate.SEED
    assert [task[0] for task in generate.tasks()] == [unit.id for unit in POPULATION.units]
    assert sum(path.stat().st_size for path in FOLDER.iterdir() if path.is_file()) <= 6e6


def test_the_grid_runs_from_1_to_100_mhz_in_equal_ratios() -> None:
    assert GRID.size == 51
    assert (GRID[0], GRID[-1]) == pytest.approx((1e6, 100e6), rel=1e-12)
    assert np.diff(np.log(GRID)) == pytest.approx(np.log(100) / 50)


def test_every_fault_that_can_be_named_is_there() -> None:
    count = Counter(unit.faults for unit in POPULATION.group("fault"))
    assert {name for (name,) in count} == set(SIMULATED_FAULTS)
    assert min(count.values()) >= 40


@pytest.mark.parametrize("fault", sorted(set(SIMULATED_FAULTS) - {"high-resistance joint"}))
def test_most_units_with_a_fault_can_be_seen(fault: str) -> None:
    found = POPULATION.with_fault(fault)
    assert sum(unit.visible() for unit in found) >= 0.5 * len(found)


def test_healthy_units_are_as_varied_as_promised() -> None:
    assert {unit.material for unit in HEALTHY} == set(MATERIALS)
    assert min(Counter(unit.material for unit in HEALTHY).values()) >= 20
    ends = Counter(unit.termination for unit in HEALTHY)
    assert min(ends["internal"], ends["external"]) >= 120
    assert {unit.turns for unit in HEALTHY} >= set(range(12, 41))
    assert {len(unit.parts["winding_share"]) for unit in HEALTHY} == {3, 4, 5, 6}
    factors = [unit.parts["a_l_factor"] for unit in HEALTHY]
    assert (min(factors), max(factors)) == pytest.approx((0.75, 1.25), abs=0.01)
    for unit in HEALTHY:
        assert (unit.turns, unit.material, unit.termination) == tuple(
            unit.intended[key] for key in ("turns", "material", "termination")
        )


def test_every_unit_is_passive() -> None:
    for unit in POPULATION.units:
        assert np.linalg.svd(unit.s, compute_uv=False).max() <= 1 + ROUNDING, unit.id


def test_an_intended_unit_makes_a_type_and_a_circuit() -> None:
    for unit in POPULATION.units[::40]:
        assert type_of(unit).build.turns == unit.intended["turns"]
        assert np.isfinite(three_port(intended_circuit(unit), GRID)).all()


def test_healthy_units_couple_as_the_rule_of_the_trade_says() -> None:
    # Common practice, no source: turns = root of the power ratio; a good line is better than 25 dB.
    off = np.array([coupling(unit, 10e6) - intended_rule(unit) for unit in HEALTHY])
    assert (np.abs(off) < [allowed(unit) for unit in HEALTHY]).all()
    assert abs(np.median(off)) < 0.1
    assert min(db(unit.s[BAND, 0, 0]).min() for unit in HEALTHY) > 25
    assert max(db(unit.s[BAND, 1, 0]).max() for unit in HEALTHY) < 0.1


def test_material_43_is_as_its_file_says() -> None:
    # Manufacturer's permeability file of November 2020, quoted by a secondary source: MHz, mu', mu".
    for mhz, real, loss in ((1.0, 851, 48), (3.5, 708, 418), (7.0, 394, 394), (14.0, 226, 293), (28.0, 127, 211)):
        f = mhz * 1e6
        cells = MATERIALS["43-like"]
        mu = sum(m / (1 + 1j * f / f0 if q is None else 1 - (f / f0) ** 2 + 1j * f / (q * f0)) for m, f0, q in cells)
        assert abs(mu - (real - 1j * loss)) < 0.09 * abs(real - 1j * loss)


def test_a_magnetic_section_is_the_permeability_it_stands_for() -> None:
    parts = {"size": "FT-50", "a_l_factor": 1.0, "corner_factor": 1.0, "material": "43-like"}
    deck = Deck("section")
    _magnetic_section(deck, "a", "b", 1.0, parts)
    values = [float(line.split()[-1]) for line in deck.lines[1:]]
    omega = 2 * np.pi * 7e6
    # Flux rate over magnetomotive force is the one-turn impedance; the catalogue's A_L is 440 nH at a permeability of 800.
    (c1, r1), (c2, r2, l2) = values[:2], values[2:]
    impedance = 1 / (r1 + 1 / (1j * omega * c1)) + 1 / (r2 + 1j * omega * l2 + 1 / (1j * omega * c2))
    expected = 1j * omega * 440e-9 / 800 * (394 - 394j)
    assert abs(impedance - expected) < 0.06 * abs(expected)


def test_turns_shift_the_coupling_by_their_ratio() -> None:
    for unit in POPULATION.with_fault("turns"):
        assert 10 <= unit.turns <= 40
        assert unit.turns != unit.intended["turns"]
        expected = rule(unit.turns, unit.termination == "internal")
        assert coupling(unit, 10e6) == pytest.approx(expected, abs=allowed(unit))


@pytest.mark.parametrize(("fault", "change"), [("double termination", 6.02), ("termination missing", -6.02)])
def test_a_load_too_many_or_too_few_is_six_decibels(fault: str, change: float) -> None:
    # Pearson Electronics, "External Termination": an external 50 ohm on an internally terminated monitor halves the output.
    found = POPULATION.with_fault(fault)
    off = np.array([coupling(unit, 10e6) - intended_rule(unit) for unit in found])
    assert (np.abs(off - change) < [allowed(unit) for unit in found]).all()
    assert np.median(off) == pytest.approx(change, abs=0.15)


def test_a_braid_grounded_at_both_ends_takes_the_coupling_away() -> None:
    found = POPULATION.with_fault("braid grounded at both ends")
    lowest = np.array([db(unit.s[BAND, 2, 0]).min() for unit in found])
    assert lowest.min() > 50
    assert np.median(lowest) > 60
    assert all((db(unit.s[BAND, 2, 0]) - intended_rule(unit)).min() > 20 for unit in found)


def even(unit: Unit) -> np.ndarray:
    """Return the even, capacitive part of the coupling against its odd part."""
    return np.abs(unit.s[:, 2, 0] + unit.s[:, 2, 1]) / np.abs(unit.s[:, 2, 0] - unit.s[:, 2, 1])


def test_a_floating_braid_adds_an_even_part_that_rises_with_frequency() -> None:
    floating = np.array([even(unit) for unit in POPULATION.with_fault("braid grounded at neither end")])
    sound = np.array([even(unit) for unit in HEALTHY])
    assert (floating[:, at(50e6)] > 5 * floating[:, at(3e6)]).all()
    assert np.median(floating[:, at(20e6)]) > 5 * np.median(sound[:, at(20e6)])


def test_an_open_winding_gives_next_to_nothing_at_the_low_end() -> None:
    for unit in POPULATION.with_fault("open winding"):
        assert coupling(unit, 1e6) - intended_rule(unit) > 10, unit.id


def test_a_shorted_turn_and_a_poor_core_fall_off_at_the_low_end() -> None:
    for unit in POPULATION.with_fault("shorted turns"):
        assert coupling(unit, 1e6) > coupling(unit, 20e6) + 0.2, unit.id
    weak = [unit for unit in POPULATION.with_fault("wrong core") if unit.material == "iron powder"]
    assert len(weak) >= 8
    assert np.median([coupling(unit, 1e6) - coupling(unit, 20e6) for unit in weak]) > 0.5


def test_a_joint_in_the_line_costs_what_a_series_resistor_costs() -> None:
    # 1 + r/(2·Z0) in S21, textbook.
    found = [unit for unit in POPULATION.with_fault("high-resistance joint") if unit.where in ("line in", "line out")]
    assert len(found) >= 20
    for unit in found:
        ohm = unit.changed[f"joint_{str(unit.where).replace(' ', '_')}"]
        assert float(db(unit.s[at(2e6), 1, 0])) == pytest.approx(20 * np.log10(1 + ohm / 100), abs=0.07)


def test_a_resistor_out_of_value_shifts_the_load_of_the_winding() -> None:
    for unit in POPULATION.with_fault("resistor out of value"):
        ohm = unit.changed["resistor"]
        expected = rule(unit.turns, False) - 20 * np.log10(ohm / (ohm + 50))
        assert coupling(unit, 10e6) == pytest.approx(expected, abs=allowed(unit))


def test_a_line_mismatch_reflects_more_than_healthy_lines_do() -> None:
    usual = float(np.median([np.abs(unit.s[-1, 0, 0]) for unit in HEALTHY]))
    seen = [unit for unit in POPULATION.with_fault("line mismatch") if unit.visible()]
    assert np.median([np.abs(unit.s[-1, 0, 0]) for unit in seen]) > 2 * usual


def test_a_sample_joint_without_a_resistor_inside_hardly_shows() -> None:
    hidden = [
        unit
        for unit in POPULATION.with_fault("high-resistance joint")
        if unit.where in ("sample", "winding") and unit.termination == "external"
    ]
    assert len(hidden) >= 3
    for unit in hidden:
        assert not unit.visible(sweeps=2), unit.id


def test_a_perfect_bench_shows_exactly_the_readings() -> None:
    unit = HEALTHY[3]
    run = measured(unit, bench=PERFECT)
    loads, receiver = run.terminations.loads, run.terminations.receiver
    assert receiver is not None
    expected = sweeps_of(unit.s, loads["A"].gamma, loads["B"].gamma, receiver.gamma, GRID)
    assert set(run.sweeps) == set(expected)
    for name, sweep in run.sweeps.items():
        for trace in sweep.traces:
            np.testing.assert_allclose(sweep.trace(trace), expected[name].trace(trace), rtol=0, atol=1e-12)


def test_a_two_path_bench_shows_all_four_traces_of_matched_ports() -> None:
    unit = HEALTHY[5]
    run = measured(unit, bench=PERFECT, two_path=True)
    assert run.terminations.receiver is None
    loads = run.terminations.loads
    expected = sweeps_of(unit.s, loads["A"].gamma, loads["B"].gamma, None, GRID)
    for name, sweep in run.sweeps.items():
        np.testing.assert_allclose(sweep.matrix(), expected[name].matrix(), rtol=0, atol=1e-12)


def test_a_run_is_drawn_the_same_way_each_time_and_every_run_anew() -> None:
    unit = HEALTHY[0]
    one, again, other = measured(unit), measured(unit), measured(unit, 1)
    np.testing.assert_array_equal(one.sweeps["line"].trace("s21"), again.sweeps["line"].trace("s21"))
    assert np.abs(one.sweeps["line"].trace("s21") - other.sweeps["line"].trace("s21")).max() > 1e-4


def test_a_residual_keeps_its_size_and_turns_slowly() -> None:
    rng = np.random.default_rng(5)
    drawn = np.array([residual(rng, 0.01, GRID, 10e-9) for _ in range(4000)])
    assert np.mean(np.abs(drawn[:, 20]) <= 0.01) == pytest.approx(0.95, abs=0.012)
    step = np.abs(np.diff(drawn[:, :10], axis=1)).mean() / np.abs(drawn).mean()
    assert step < 0.02


def test_what_a_bench_shows_lies_within_its_quality() -> None:
    stated = Quality().residuals()
    assert stated.directivity == -45.0
    noise = []
    for unit in HEALTHY[::12]:
        run = measured(unit)
        found = estimate(GRID, readings_of(run.sweeps, run.terminations)).s
        ratio = np.abs(found[:, 2, 0] / unit.s[:, 2, 0] - 1)
        assert ratio.max() < 0.03, unit.id
        assert np.abs(found - unit.s)[:, (0, 1, 2), (0, 1, 2)].max() < 0.05, unit.id
        quiet = measured(unit, bench=replace(Quality(), noise_db=-400.0))
        noise.append(run.sweeps["sample"].trace("s11") - quiet.sweeps["sample"].trace("s11"))
    assert 20 * np.log10(np.sqrt(np.mean(np.abs(noise) ** 2))) == pytest.approx(-90, abs=0.5)


@pytest.mark.parametrize("number", [0, 60, 150, 250])
def test_the_model_follows_a_healthy_unit_closely_but_not_exactly(number: int) -> None:
    left = misfit(HEALTHY[number], GRID, 54e6)
    assert 1e-4 < left.coupling_db < 0.3
    assert 1e-4 < left.line < 0.02


def test_the_index_holds_the_very_network_that_is_drawn() -> None:
    by_id = {unit.id: unit for unit in POPULATION.units}
    for task in generate.tasks()[::25]:
        facts, _, parts, changes = generate.draw(task)
        unit = by_id[task[0]]
        held = [json.loads(json.dumps(value)) for value in (facts, parts, changes)]
        assert held == [unit.intended, unit.parts, unit.changed]


@pytest.mark.needs_ngspice
@pytest.mark.parametrize("name", ["H000", "H201", "F00-05", "F03-01", "F07-02", "F08-11", "P1-03"])
def test_the_solver_gives_the_committed_unit_again(name: str) -> None:
    (unit,) = [unit for unit in POPULATION.units if unit.id == name]
    s = solve.solve(dict(unit.parts), name)
    np.testing.assert_allclose(s, s.transpose(0, 2, 1), rtol=0, atol=1e-9)
    np.testing.assert_allclose(s, unit.s, rtol=0, atol=2e-7)


@pytest.mark.evidence
def test_how_well_the_model_follows_all_healthy_units() -> None:
    for high, coupling_most, line_most in ((54e6, 0.15, 0.02), (100e6, 0.3, 0.04)):
        left = [misfit(unit, GRID, high) for unit in HEALTHY]
        for name in ("coupling_db", "through_db", "line", "sample"):
            values = [getattr(each, name) for each in left]
            print(f"to {high / 1e6:.0f} MHz: {name} median {np.median(values):.4g}, 95 % {np.quantile(values, 0.95):.4g}")
        assert np.quantile([each.coupling_db for each in left], 0.95) < coupling_most
        assert np.quantile([each.line for each in left], 0.95) < line_most
