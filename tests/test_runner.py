"""The runner: the loop over steps, doubts, stops, and going on after an interruption."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest

from harness.errors import LinkError, Stopped
from harness.ports import Answer
from harness.records import CalibrationRecord, Sweep, parse_bench, parse_type
from harness.runner import Ports, Run, run
from harness.steps import Connect, Measure
from sequences.plans import proof_plan
from tests.fakes import FakeClock, IdealAnalyser, MemoryStore, ScriptedOperator
from tests.texts import BENCH_TEXT, TYPE_TEXT

TYPE = parse_type(TYPE_TEXT, "type")
BENCH = parse_bench(BENCH_TEXT, "bench")
ONE = np.ones(BENCH.grid.points, dtype=np.complex128)
UNIT = {
    "coupled": {"s11": 0.01 * ONE, "s21": 0.0313 * ONE},
    "line": {"s11": 0.02 * ONE, "s21": 0.999 * ONE},
    "coupled-far": {"s11": 0.01 * ONE, "s21": -0.0313 * ONE},
    "sample": {"s11": 0.99 * ONE},
}


class World:
    """Everything a run needs, in memory."""

    def __init__(self, analyser: IdealAnalyser | None = None, answers: list[Answer] | None = None) -> None:
        self.analyser = analyser or IdealAnalyser(UNIT)
        self.operator = ScriptedOperator(answers or [], self.analyser.connect)
        self.store = MemoryStore()
        self.calibrations: list[CalibrationRecord] = []
        self.ports = Ports(self.analyser, self.operator, self.store, FakeClock(), "run-1", self.keep)

    def keep(self, record: CalibrationRecord, raw: Mapping[str, Sweep]) -> CalibrationRecord:
        assert "cal-thru" in raw
        self.calibrations.append(record)
        return record

    def run(self) -> Run:
        settings = self.analyser.set_up(BENCH.grid)
        return run(proof_plan("line-sampler", TYPE, BENCH, calibrated=False), BENCH, settings, self.ports)


def test_a_whole_run_takes_every_hook_up_once_and_in_order() -> None:
    world = World()
    done = world.run()
    expected = [step.hookup.name for step in done.plan.steps if isinstance(step, Connect)]
    assert world.analyser.taken == expected == world.operator.hookups()
    assert set(done.sweeps("unit")) == set(UNIT)
    assert done.sweeps("unit")["coupled"][0].trace("s21") == pytest.approx(0.0313 * ONE)


def test_a_calibration_made_in_the_run_is_filed_once_with_its_verification() -> None:
    world = World()
    done = world.run()
    (record,) = world.calibrations
    assert record.id == "run-1"
    assert record.loads == ("A", "B")
    assert record.verification_db is not None
    assert record.verification_db < -100  # an ideal analyser repeats itself exactly
    assert done.calibration is not None
    assert done.calibration.loads["A"] == pytest.approx(0.02 * ONE)


def test_stop_keeps_what_is_done_and_the_next_run_goes_on_at_the_last_connect() -> None:
    world = World(answers=["done", "done", "done", "stop"])
    with pytest.raises(Stopped) as caught:
        world.run()
    assert caught.value.exit_status == 130
    assert list(world.store.sweeps) == ["cal-short.sweep", "cal-open.sweep", "cal-load.sweep"]
    world.operator.requests.clear()
    world.analyser.taken.clear()
    world.run()
    assert world.analyser.taken[0] == "load-A"  # the hook-up that was being made
    assert "cal-short" not in world.operator.hookups()


def test_a_broken_link_loses_only_the_sweep_it_broke() -> None:
    analyser = IdealAnalyser(UNIT, error_after=9, error=LinkError("the device vanished"))
    world = World(analyser)
    with pytest.raises(LinkError):
        world.run()
    kept = len(world.store.sweeps)
    assert kept == 9
    analyser.error = None
    again = world.run()
    assert world.analyser.taken.count("cal-short") == 1
    assert set(again.sweeps("unit")) == set(UNIT)
    assert len(world.calibrations) >= 1
    assert {record.id for record in world.calibrations} == {"run-1"}


def test_going_on_uses_the_time_the_standards_were_swept() -> None:
    world = World()
    world.run()
    first = world.calibrations[0].made
    del world.store.sweeps["sample.1.sweep"]
    world.calibrations.clear()
    world.run()
    assert world.calibrations[0].made == first


def test_a_doubtful_standard_is_asked_about_and_taken_again() -> None:
    wrong = IdealAnalyser({**UNIT, "cal-short": {"s11": 0.0 * ONE}})
    world = World(wrong, answers=["done", "repeat"])

    def mend(hookup: object) -> None:
        wrong.shows = UNIT if len(wrong.taken) else wrong.shows
        wrong.connect(hookup)  # type: ignore[arg-type]

    world.operator.hand = mend
    world.run()
    doubts = [request for request in world.operator.requests if request.kind == "doubt"]
    assert len(doubts) == 1
    assert "short" in doubts[0].title
    assert world.analyser.taken[:2] == ["cal-short", "cal-short"]
    assert world.store.notes[0]["what"] == "repeat"


def test_an_open_in_the_place_of_a_load_of_the_bench_is_asked_about() -> None:
    """Each load of the hook-ups is measured at analyser 1; an open reflects everything, a load next to nothing."""
    wrong = IdealAnalyser({**UNIT, "load-B": {"s11": ONE}})
    world = World(wrong)

    def mend(hookup: object) -> None:
        wrong.shows = UNIT if wrong.taken[-1:] == ["load-B"] else wrong.shows
        wrong.connect(hookup)  # type: ignore[arg-type]

    world.operator.hand = mend
    ask = world.operator.ask
    world.operator.ask = lambda request: "repeat" if request.kind == "doubt" else ask(request)  # type: ignore[method-assign]
    done = world.run()
    assert world.analyser.taken.count("load-B") == 2
    assert "load B" in world.store.notes[0]["title"]
    assert done.calibration is not None
    assert done.calibration.loads["B"] == pytest.approx(0.02 * ONE)


def test_an_override_is_written_down() -> None:
    drifted = IdealAnalyser({**UNIT, "verify-thru": {"s11": 0 * ONE, "s21": 0.9 * ONE}})
    plan = proof_plan("line-sampler", TYPE, BENCH, calibrated=False)
    before = sum(isinstance(step, Connect) for step in plan.steps) - len(UNIT)
    answers: list[Answer] = ["done"] * before
    world = World(drifted, answers=[*answers, "override"])
    done = world.run()
    assert len(done.overrides) == 1
    assert "verification" in done.overrides[0]
    assert world.store.notes[-1]["what"] == "override"


def test_the_operator_sees_number_total_and_time_left() -> None:
    world = World()
    world.run()
    connects = [request for request in world.operator.requests if request.kind == "connect"]
    assert [request.number for request in connects] == list(range(1, len(connects) + 1))
    left = [request.seconds_left for request in connects]
    assert all(one is not None and two is not None and one > two for one, two in itertools.pairwise(left))
    assert connects[1].before == connects[0].hookup


def test_repeats_are_kept_apart() -> None:
    world = World()
    bench = BENCH.model_copy(update={"repeats": BENCH.repeats.model_copy(update={"hookup": 2})})
    settings = world.analyser.set_up(bench.grid)
    done = run(proof_plan("line-sampler-quick", TYPE, bench, calibrated=False), bench, settings, world.ports)
    assert len(done.sweeps("unit")["coupled"]) == 2
    assert [step.id for step in done.plan.steps if isinstance(step, Measure) and step.sweep == "coupled"] == [
        "coupled.1.sweep",
        "coupled.2.sweep",
    ]


def test_progress_counts_down() -> None:
    world = World()
    world.run()
    progress = [event for event in world.operator.events if event.kind == "progress"]
    assert progress[0].fraction == 0.0
    assert progress[1].fraction == 1.0
    assert replace(progress[0]).seconds_left is not None
