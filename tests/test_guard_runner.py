"""The guard in the runner: the operator is told before the next prompt, may repeat, override or stop; and going on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import pytest

from harness import calibration as cal
from harness.analysis.guard import Look
from harness.errors import CalibrationError, Stopped
from harness.operators import AlwaysDone
from harness.ports import Answer
from harness.records import Sweep
from harness.runner import Run, extend, run
from sequences import hookups
from sequences.line_sampler import more_steps
from sequences.plans import proof_plan
from tests.test_runner import BENCH, TYPE, UNIT, World


class Guarded(World):
    """A world whose guard doubts the sweeps it is told to, so many times, and remembers what it was shown."""

    def __init__(self, doubts: dict[str, int], answers: dict[str, list[Answer]]) -> None:
        super().__init__()
        self.doubts, self.replies = doubts, answers
        self.shown: list[tuple[str, dict[str, int], bool]] = []
        self.ports = replace(self.ports, guard=self.guard)
        ask = self.operator.ask

        def answer(request):  # type: ignore[no-untyped-def]
            given = ask(request)
            return self.replies[request.hookup.name].pop(0) if request.kind == "doubt" else given

        self.operator.ask = answer  # type: ignore[method-assign]

    def guard(self, name: str, sweeps: Mapping[str, Sequence[Sweep]], calibration: cal.Calibration | None) -> Look:
        self.shown.append((name, {key: len(value) for key, value in sweeps.items()}, calibration is not None))
        if self.doubts.get(name, 0) <= 0:
            return Look(True, "", "")
        self.doubts[name] -= 1
        return Look(False, "load forgotten", "it looks as if line out is open: load A is missing", "Make it again.")


def names(world: World) -> list[str]:
    return [name for name in world.analyser.taken if name in UNIT]


def test_each_unit_sweep_is_looked_at_with_all_before_it() -> None:
    world = Guarded({}, {})
    world.run()
    assert [(name, counts) for name, counts, _ in world.shown] == [
        ("coupled", {"coupled": 1}),
        ("line", {"coupled": 1, "line": 1}),
        ("coupled-far", {"coupled": 1, "line": 1, "coupled-far": 1}),
        ("sample", {"coupled": 1, "line": 1, "coupled-far": 1, "sample": 1}),
    ]
    assert all(calibrated for _, _, calibrated in world.shown)


def test_a_doubt_comes_before_the_next_prompt_and_repeat_makes_the_hook_up_again() -> None:
    world = Guarded({"line": 2}, {"line": ["repeat", "repeat"]})
    done = world.run()
    assert names(world) == ["coupled", "line", "line", "line", "coupled-far", "sample"]
    kinds = [(request.kind, request.hookup.name) for request in world.operator.requests if request.hookup]
    assert kinds[kinds.index(("doubt", "line")) + 1] == ("connect", "line")
    assert world.shown[2] == ("line", {"coupled": 1, "line": 1}, True)  # the sweep that was doubted is not held against it
    assert done.overrides == []
    assert [note["what"] for note in world.store.notes] == ["repeat", "repeat"]
    doubt = next(request for request in world.operator.requests if request.kind == "doubt")
    assert doubt.answers == ("repeat", "override", "stop")
    assert "load A is missing" in doubt.lines[0]


def test_an_override_goes_on_and_is_written_down() -> None:
    world = Guarded({"coupled": 1}, {"coupled": ["override"]})
    done = world.run()
    assert names(world) == list(UNIT)
    assert len(done.overrides) == 1
    assert "coupled" in done.overrides[0]
    assert "load A is missing" in done.overrides[0]
    assert world.store.notes[-1]["what"] == "override"


def test_a_doubt_that_was_stopped_at_is_asked_again() -> None:
    world = Guarded({"line": 2}, {"line": ["stop", "repeat"]})
    with pytest.raises(Stopped):
        world.run()
    assert names(world) == ["coupled", "line"]
    world.analyser.taken.clear()
    world.run()
    assert names(world) == ["line", "coupled-far", "sample"]


def test_a_kept_sweep_that_is_doubtful_is_gone_back_to() -> None:
    world = Guarded({}, {})
    world.run()
    world.analyser.taken.clear()
    world.doubts = {"coupled-far": 1}
    again = world.run()
    assert names(world) == ["coupled-far", "sample"]
    assert set(again.sweeps("unit")) == set(UNIT)


class Hand(AlwaysDone):
    """``--yes`` whose hand moves the cables of a world."""

    def __init__(self, world: World) -> None:
        super().__init__(world.operator)
        self.world = world

    def ask(self, request):  # type: ignore[no-untyped-def]
        if request.kind == "connect" and request.hookup is not None:
            self.world.analyser.connect(request.hookup)
        return super().ask(request)


def run_with_yes(world: Guarded) -> Run:
    ports = replace(world.ports, operator=Hand(world))
    return run(proof_plan("line-sampler", TYPE, BENCH, calibrated=False), BENCH, world.analyser.set_up(BENCH.grid), ports)


def test_yes_makes_a_doubtful_hook_up_again_and_is_content_where_it_looks_right_then() -> None:
    world = Guarded({"line": 1}, {})
    done = run_with_yes(world)
    assert names(world) == ["coupled", "line", "line", "coupled-far", "sample"]
    assert done.overrides == []
    told = [event.text for event in world.operator.events if event.kind == "note"]
    assert "→ made again (--yes)" in told
    assert any("load A is missing" in text for text in told)


def test_yes_overrides_a_doubt_that_stays_and_it_is_written_down() -> None:
    world = Guarded({"coupled": 2, "sample": 2}, {})
    done = run_with_yes(world)
    assert names(world) == ["coupled", "coupled", "line", "coupled-far", "sample", "sample"]
    assert ["coupled" in said for said in done.overrides] == [True, False]
    assert "sample" in done.overrides[1]
    assert [note["what"] for note in world.store.notes] == ["repeat", "override", "repeat", "override"]


def test_yes_answers_no_doubt_about_a_standard() -> None:
    world = Guarded({}, {})
    world.analyser.shows = {**UNIT, "cal-short": {"s11": 0 * UNIT["line"]["s11"]}}
    with pytest.raises(CalibrationError, match="does not look like the short") as caught:
        run_with_yes(world)
    assert "without --yes" in caught.value.hint


def test_what_was_overridden_is_not_asked_again_and_stands_in_the_record_of_the_run_that_goes_on() -> None:
    world = Guarded({"coupled": 1}, {"coupled": ["override"]})
    world.operator.answers = ["done"] * 10 + ["stop"]  # eight hook-ups of the calibration, coupled, the doubt; stops at line
    with pytest.raises(Stopped):
        world.run()
    assert names(world) == ["coupled"]
    world.operator.requests.clear()
    world.doubts = {"coupled": 9}  # it would be doubted for ever
    done = world.run()
    assert names(world) == list(UNIT)
    assert [request.kind for request in world.operator.requests] == ["connect"] * 3
    assert len(done.overrides) == 1
    assert "load A is missing" in done.overrides[0]


def test_an_override_counts_for_the_sweep_that_it_was_said_of_and_no_other() -> None:
    world = Guarded({"coupled": 1}, {"coupled": ["override", "repeat"]})
    world.run()
    world.store.keep("coupled.1.sweep", world.store.sweeps["coupled.1.sweep"])  # swept anew
    world.doubts = {"coupled": 1}
    world.analyser.taken.clear()
    done = world.run()
    assert names(world) == list(UNIT)
    assert done.overrides == []


def test_a_verification_that_was_overridden_is_not_asked_again() -> None:
    world = Guarded({}, {})
    world.analyser.shows = {**UNIT, "verify-thru": {"s11": 0 * UNIT["line"]["s11"], "s21": 0.9 * UNIT["line"]["s21"]}}
    kinds: list[str] = []
    ask = world.operator.ask

    def answer(request):  # type: ignore[no-untyped-def]
        kinds.append(request.kind)
        if request.kind == "doubt":
            return "override"
        return "stop" if request.hookup.name == "line" and kinds.count("doubt") == 1 and "stop" not in kinds else ask(request)

    world.operator.ask = answer  # type: ignore[method-assign]
    world.ports = replace(world.ports, guard=None)
    with pytest.raises(Stopped):
        world.run()
    kinds.append("stop")
    done = world.run()
    assert kinds.count("doubt") == 1
    assert len(done.overrides) == 1
    assert "verification" in done.overrides[0]
    assert done.verification["verify-thru"].ok is False


def test_one_more_hook_up_goes_on_where_the_run_ended() -> None:
    world = Guarded({"sample": 1}, {"sample": ["repeat"]})
    settings = world.analyser.set_up(BENCH.grid)
    done = run(proof_plan("line-sampler-quick", TYPE, BENCH, calibrated=False), BENCH, settings, world.ports)
    world.operator.requests.clear()
    more = extend(done, more_steps("sample", TYPE, BENCH), world.ports)
    assert names(world) == ["coupled", "line", "sample", "sample"]  # guarded like all others
    assert set(more.sweeps("unit")) == {"coupled", "line", "sample"}
    assert set(done.sweeps("unit")) == {"coupled", "line"}
    first = world.operator.requests[0]
    assert (first.kind, first.number, first.total) == ("connect", 11, 11)
    assert first.before == hookups.LINE
    assert not any("adapters stay" in line for line in first.lines)


def test_without_a_guard_nothing_is_doubted() -> None:
    world = World()
    done: Run = world.run()
    assert set(done.sweeps("unit")) == set(UNIT)
