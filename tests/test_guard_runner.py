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
from harness.runner import Run, run
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


def test_yes_stops_at_a_doubt() -> None:
    world = Guarded({"coupled": 1}, {})

    class Hand(AlwaysDone):
        def ask(self, request):  # type: ignore[no-untyped-def]
            if request.kind == "connect" and request.hookup is not None:
                world.analyser.connect(request.hookup)
            return super().ask(request)

    ports = replace(world.ports, operator=Hand(world.operator))
    with pytest.raises(CalibrationError, match="hook-up coupled") as caught:
        run(proof_plan("line-sampler", TYPE, BENCH, calibrated=False), BENCH, world.analyser.set_up(BENCH.grid), ports)
    assert "without --yes" in caught.value.hint


def test_without_a_guard_nothing_is_doubted() -> None:
    world = World()
    done: Run = world.run()
    assert set(done.sweeps("unit")) == set(UNIT)
