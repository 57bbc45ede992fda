"""The guard on simulated benches, reduced: mistakes that are caught and named, right runs that are left alone, bad units.

The full table is in the evidence (tests/evidence). Thresholds are the requirement's: all of a small sample of the mistakes
whose change is eight standard deviations or more, no alarm in a small sample of right runs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from fixtures.units.measure import Quality
from harness.analysis import Terminations
from harness.analysis.guard import Guard, checks, looks
from harness.records import Sweep
from sequences import hookups
from tests.guard_runs import CLEAR, GuardedBench, guarded, right_run, tables
from tests.intervals.population import STRATA, Stratum, draw_case
from tests.unit_population import Unit, measured, population, type_of

SEED = 41
ONE_PATH = Stratum("one-path", "external", 30)
NAMED = {
    "coupled": {
        "nothing connected": "nothing connected",
        "thru left in": "thru left in",
        "load forgotten": "load forgotten",
        "sample and line swapped": "sample and line swapped",
        "tee load left on": "tee load left on",
        "standard measured twice": "load on analyser 1",
    },
    "line": {"sample and line swapped": "sample and line swapped", "nothing connected": "nothing connected"},
    "coupled-far": {"line in and out swapped": "line in and out swapped"},
}


@pytest.fixture(scope="module")
def bench() -> GuardedBench:
    return guarded(draw_case(ONE_PATH, 1, SEED))


@pytest.mark.thorough
def test_mistakes_are_named_and_right_hook_ups_pass(bench: GuardedBench) -> None:
    for hookup in (hookups.COUPLED, hookups.LINE, hookups.COUPLED_FAR, hookups.SAMPLE_PORT):
        for mistake, name in sorted(NAMED.get(hookup.name, {}).items(), key=lambda pair: pair[0] != "standard measured twice"):
            look = bench.look(bench.take(hookup, mistake))
            assert not look.ok, mistake
            assert look.looks_like == name
            assert hookup.name in look.hint
        sweep = bench.take(hookup)
        assert bench.look(sweep).ok
        bench.accept(sweep)


def test_the_change_of_a_mistake_is_counted_in_deviations_of_a_right_hook_up(bench: GuardedBench) -> None:
    """Nothing in place of a unit is far off; a winding of the other sense, and a hook-up that is right, are no change at all."""
    fresh = replace(bench, sweeps={}, spreads={})
    fresh.take(hookups.COUPLED, "nothing connected")
    assert fresh.deviation(hookups.COUPLED) > CLEAR
    fresh.take(hookups.COUPLED)
    assert fresh.deviation(hookups.COUPLED) < 1


def test_what_it_says_names_the_reading_and_the_mistake(bench: GuardedBench) -> None:
    fresh = replace(bench, sweeps={}, spreads={})
    look = fresh.look(fresh.take(hookups.COUPLED, "thru left in"))
    assert "S21 is -0.0 dB" in look.says or "S21 is 0.0 dB" in look.says
    assert "the thru still joins the two cables" in look.says


def test_a_tees_load_is_said_together_with_the_resistor_that_looks_the_same(bench: GuardedBench) -> None:
    """A 50 Ω load across the sample port and one across the winding are the same circuit but for the leakage between."""
    fresh = replace(bench, sweeps={}, spreads={})
    look = fresh.look(fresh.take(hookups.COUPLED, "tee load left on"))
    assert look.looks_like == "tee load left on"
    assert "built wrong would look the same" in look.says


def test_the_other_sense_of_the_winding_is_no_mistake(bench: GuardedBench) -> None:
    """A type does not say which end of the winding goes to the port; both coupled sweeps turn round with it."""
    fresh = replace(bench, sweeps={}, spreads={})
    for hookup in (hookups.COUPLED, hookups.COUPLED_FAR):
        sweep = fresh.take(hookup)
        turned = replace(sweep, traces={**sweep.traces, "s21": -sweep.trace("s21")})
        assert fresh.look(turned).ok
        fresh.accept(turned)


@pytest.mark.parametrize("stratum", [STRATA[1], STRATA[11]], ids=str)
def test_right_runs_are_left_alone(stratum: Stratum) -> None:
    assert right_run(draw_case(stratum, 2, SEED)) == []


def test_a_noisy_contact_is_doubted(bench: GuardedBench) -> None:
    fresh = replace(bench, sweeps={}, spreads={})
    fresh.accept(fresh.take(hookups.COUPLED))
    sweep = fresh.take(hookups.LINE)
    rng = np.random.default_rng(3)
    shaken = sweep.trace("s21") * (1 + 0.01 * rng.normal(size=sweep.frequency_hz.size))
    look = fresh.look(replace(sweep, traces={**sweep.traces, "s21": shaken}))
    assert not look.ok
    assert look.looks_like == "loose connector"
    assert "scatter" in look.says
    assert fresh.look(sweep).ok


def test_a_repeat_that_moved_is_doubted(bench: GuardedBench) -> None:
    """0.5 dB between two repeats of one hook-up: the stated connectors and cables change some hundredths."""
    fresh = replace(bench, sweeps={}, spreads={})
    fresh.accept(fresh.take(hookups.LINE))
    again = fresh.take(hookups.LINE)
    assert fresh.look(again).ok
    moved = replace(again, traces={**again.traces, "s21": again.trace("s21") * 10 ** (-0.5 / 20)})
    look = fresh.look(moved)
    assert not look.ok
    assert "the same hook-up before" in look.says


# -- units that are built wrong: from the circuit solver, not from the program's model ------------------------------------------


def run_of(unit: Unit) -> tuple[Guard, dict[str, Sweep], Terminations]:
    found = measured(unit)
    return Guard.of(type_of(unit), tables(), {}, Quality().residuals()), dict(found.sweeps), found.terminations


def one_of(fault: str) -> Unit:
    return population().with_fault(fault)[3]


@pytest.mark.parametrize(
    "fault",
    ["turns", *(pytest.param(fault, marks=pytest.mark.thorough) for fault in ("wrong core", "braid grounded at both ends"))],
)
def test_a_badly_built_unit_is_no_wrong_hook_up(fault: str) -> None:
    guard, sweeps, terminations = run_of(one_of(fault))
    for name, look in looks(guard, sweeps, terminations).items():
        assert look.ok or "built wrong would look the same" in look.says, (name, look.says)


def test_healthy_units_of_the_circuit_solver_pass() -> None:
    for unit in population().group("healthy")[::90]:
        assert checks(*run_of(unit)) == ()


# -- folders -------------------------------------------------------------------------------------------------------------------


def healthy_folder() -> tuple[Guard, dict[str, Sweep], Terminations]:
    return run_of(population().group("healthy")[1])


def swapped(sweeps: dict[str, Sweep], one: str, other: str) -> dict[str, Sweep]:
    return {**sweeps, one: replace(sweeps[other], name=one), other: replace(sweeps[one], name=other)}


def test_swapped_files_are_noticed_and_named() -> None:
    guard, sweeps, terminations = healthy_folder()
    found = checks(guard, swapped(sweeps, "coupled", "line"), terminations)
    assert [check.name for check in found] == ["hook-up coupled", "hook-up line"]
    assert not any(check.ok for check in found)
    assert "coupled looks like a sweep of line" in found[0].says
    assert "line looks like a sweep of coupled" in found[1].says


def test_a_file_under_the_name_of_its_opposite_is_noticed() -> None:
    """Seen from the other side the coupling changes its sign; a copy does not."""
    guard, sweeps, terminations = healthy_folder()
    copied = {**sweeps, "coupled-far": replace(sweeps["coupled"], name="coupled-far")}
    (check,) = checks(guard, copied, terminations)
    assert "coupled-far looks like a sweep of coupled" in check.says


def test_sweeps_of_bounded_loads_are_guarded_too() -> None:
    guard, sweeps, _ = healthy_folder()
    assumed = Terminations.of_default_class(population().frequency_hz.size)
    assert checks(guard, sweeps, assumed) == ()
    assert len(checks(guard, swapped(sweeps, "coupled", "line"), assumed)) == 2


def test_a_type_whose_core_nobody_knows_is_guarded_with_an_ideal_one() -> None:
    unit = population().group("healthy")[1]
    type_ = type_of(unit)
    strange = type_.model_copy(update={"build": type_.build.model_copy(update={"core": "from the junk box"})})
    guard = Guard.of(strange, tables(), {}, Quality().residuals())
    found = measured(unit)
    open_ended = {"s11": np.ones(population().frequency_hz.size, dtype=np.complex128)}
    nothing = Sweep("coupled", population().frequency_hz, {**open_ended, "s21": 0 * open_ended["s11"]}, 2)
    taken: dict[str, Sequence[Sweep]] = {"coupled": [nothing]}
    assert guard.look("coupled", taken, found.terminations).looks_like == "nothing connected"
