"""The runner: one loop over the steps of a plan, through ports.

It decides nothing about figures. It makes the operator's hook-ups in order, takes the sweeps, puts each on disk at once, looks at
every standard and at every sweep of the unit before it is accepted, and goes back to the last hook-up when something has to be
done again.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from harness import calibration as cal
from harness.analysis.guard import Look
from harness.errors import CalibrationError, Stopped, StoreError
from harness.ports import Analyser, Answer, Clock, Event, Operator, Request, Store
from harness.records import Bench, CalibrationRecord, HookUp, Settings, Sweep
from harness.records.proof import Check
from harness.steps import CheckStandard, Connect, Measure, Plan, Solve, Step, Verify

TIME_COMMENT = "time: "
About = Literal["standard", "verification", "hook-up"]
KeepCalibration = Callable[[CalibrationRecord, Mapping[str, Sweep]], CalibrationRecord]
Guard = Callable[[str, Mapping[str, Sequence[Sweep]], cal.Calibration | None], Look]
"""Looks at the last sweep of a name: (name, all corrected sweeps of the unit so far, the calibration) → what it looks like."""


@dataclass(frozen=True)
class Ports:
    """The world, as the runner sees it.

    ``run_id`` names this run and stays the same when it goes on after an interruption; a calibration made in the run carries
    it, so filing the same calibration twice files it once. ``guard`` looks at each sweep of the unit; None: nobody does.
    """

    analyser: Analyser
    operator: Operator
    store: Store
    clock: Clock
    run_id: str
    keep_calibration: KeepCalibration
    guard: Guard | None = None


@dataclass
class Run:
    """What a run has so far. ``raw`` maps a Measure step's id to its sweep; ``calibration`` is None before Solve."""

    plan: Plan
    bench: Bench
    settings: Settings
    calibration: cal.Calibration | None = None
    raw: dict[str, Sweep] = field(default_factory=dict)
    verification: dict[str, Check] = field(default_factory=dict)
    overrides: list[str] = field(default_factory=list)

    def sweeps(self, kind: str) -> dict[str, list[Sweep]]:
        """Return the raw sweeps of one kind by sweep name, repeats in order."""
        found: dict[str, list[Sweep]] = {}
        for step in self.plan.steps:
            if isinstance(step, Measure) and step.kind == kind and step.id in self.raw:
                found.setdefault(step.sweep, []).append(self.raw[step.id])
        return found

    def corrected(self, until: int) -> dict[str, list[Sweep]]:
        """Return the unit's sweeps that the first ``until`` steps took, corrected, by name, repeats in order."""
        found: dict[str, list[Sweep]] = {}
        for step in self.plan.steps[:until]:
            if isinstance(step, Measure) and step.kind == "unit" and step.id in self.raw:
                raw = self.raw[step.id]
                made = raw if self.calibration is None else cal.correct(raw, self.calibration.terms)
                found.setdefault(step.sweep, []).append(made)
        return found

    def latest(self, sweep: str) -> Sweep:
        """Return the raw sweep called ``sweep`` that was taken last."""
        ids = [step.id for step in self.plan.steps if isinstance(step, Measure) and step.sweep == sweep and step.id in self.raw]
        return self.raw[ids[-1]]


def run(plan: Plan, bench: Bench, settings: Settings, ports: Ports, calibration: cal.Calibration | None = None) -> Run:
    """Walk through the plan and return what it gave.

    Sweeps that the store already holds are not taken again: the run goes on at the last Connect before the first one that is
    missing. Raises Stopped when the operator ends the run, InstrumentError and StoreError as they come; what is done is kept.
    """
    state = Run(plan, bench, settings, calibration)
    walker = _Walker(state, ports)
    walker.position = resume_position(plan, ports.store, state.raw)
    walker.replay()
    walker.walk()
    return state


def extend(done: Run, steps: tuple[Step, ...], ports: Ports) -> Run:
    """Make more hook-ups after a finished run and return the run with them; raises what ``run`` does."""
    state = replace(done, plan=replace(done.plan, steps=(*done.plan.steps, *steps)))
    walker = _Walker(state, ports)
    walker.position = len(done.plan.steps)
    walker.hookup = next((step.hookup for step in reversed(done.plan.steps) if isinstance(step, Connect)), None)
    walker.walk()
    return state


def resume_position(plan: Plan, store: Store, raw: dict[str, Sweep]) -> int:
    """Return where to go on: the last Connect before the first Measure that the store does not hold; fills ``raw``."""
    connect = 0
    for position, step in enumerate(plan.steps):
        if isinstance(step, Connect):
            connect = position
        elif isinstance(step, Measure):
            kept = store.kept(step.id)
            if kept is None:
                return connect
            raw[step.id] = kept
    return len(plan.steps)


class _Walker:
    """The loop's state: where it stands, and which hook-up is made."""

    def __init__(self, state: Run, ports: Ports) -> None:
        self.state = state
        self.ports = ports
        self.position = 0
        self.hookup: HookUp | None = None

    def walk(self) -> None:
        """Do every step that is left."""
        while self.position < len(self.state.plan.steps):
            self.advance()

    def replay(self) -> None:
        """Do again what needs no cable for the steps behind: solve and file the calibration, look at the standards.

        Goes back to a standard, a verification or a hook-up that is doubtful: the interruption may have come before the question.
        What the operator has overridden is not asked again.
        """
        steps = self.state.plan.steps[: self.position]
        if 0 < self.position < len(self.state.plan.steps):
            done = sum(isinstance(step, Measure) for step in steps)
            kept = "1 sweep of the interrupted run is kept" if done == 1 else f"{done} sweeps of the interrupted run are kept"
            self.ports.operator.tell(Event("note", f"Going on: {kept}."))
        for number, step in enumerate(steps):
            if self._doubtful(step, number):
                self.position = self._last_connect(number)
                return

    def _doubtful(self, step: Step, number: int) -> bool:
        """Do again what step ``number`` does without cables; True where what it looks at is doubtful."""
        if isinstance(step, Connect):
            return False
        if isinstance(step, Solve):
            self._solve()
            return False
        overridden = self._overridden(step, number)
        match step:
            case CheckStandard():
                return not overridden and not self._look_at(step).ok
            case Measure():
                return not overridden and not self._guarded(step, number).ok
            case Verify():
                look = self._judge(step)
                if look.ok or overridden:
                    self._accept(look, step)
                return not look.ok and not overridden

    def _overridden(self, step: CheckStandard | Measure | Verify, number: int) -> bool:
        """Tell whether the operator has overridden a doubt about what step ``number`` looks at; it is written down again."""
        if isinstance(step, Measure) and step.kind != "unit":
            return False
        said = self.ports.store.overridden(self._measured(step, number))
        if said is not None:
            self.state.overrides.append(said)
        return said is not None

    def _measured(self, step: CheckStandard | Measure | Verify, number: int) -> str:
        """Return the id of the Measure step whose sweep step ``number`` looks at."""
        if isinstance(step, Measure):
            return step.id
        before = self.state.plan.steps[:number]
        return next(one.id for one in reversed(before) if isinstance(one, Measure) and one.sweep == step.sweep)

    def advance(self) -> None:
        """Do the step that is due, and move on, or back to the last hook-up."""
        step = self.state.plan.steps[self.position]
        self.ports.operator.tell(Event("step", step.id, step=step, seconds_left=self.state.plan.seconds_from(self.position)))
        again = self._do(step)
        self.position = self._last_connect(self.position) if again else self.position + 1

    def _do(self, step: Step) -> bool:
        """Do one step; True when the hook-up has to be made and measured again."""
        match step:
            case Connect():
                self._connect(step)
            case Measure():
                self._measure(step)
                return self._guard(step)
            case CheckStandard():
                return self._check(step)
            case Solve():
                self._solve()
            case Verify():
                return self._verify(step)
        return False

    def _last_connect(self, before: int) -> int:
        steps = self.state.plan.steps
        return max(n for n in range(before + 1) if isinstance(steps[n], Connect))

    def _connect(self, step: Connect) -> None:
        plan = self.state.plan
        number = sum(isinstance(s, Connect) for s in plan.steps[: self.position + 1])
        request = Request(
            kind="connect",
            title=f"Hook-up {number} of {plan.connections}: {step.hookup.name}",
            lines=step.says,
            hookup=step.hookup,
            before=self.hookup,
            number=number,
            total=plan.connections,
            seconds_left=plan.seconds_from(self.position),
        )
        self._ask(request)
        self.hookup = step.hookup

    def _ask(self, request: Request) -> Answer:
        answer = self.ports.operator.ask(request)
        if answer == "stop":
            raise Stopped("stopped by the operator; the finished sweeps are kept", hint="Run the same command again to go on.")
        return answer

    def _measure(self, step: Measure) -> None:
        traces = self.ports.analyser.sweep(step.traces, self._progress(step))
        sweep = Sweep(
            name=step.sweep,
            frequency_hz=self.state.settings.frequency_hz,
            traces={str(key): value for key, value in traces.items()},
            ports=step.ports,
            comments=(f"{TIME_COMMENT}{self.ports.clock.now().isoformat()}", f"analyser: {self.state.settings.identity}"),
        )
        self.ports.store.keep(step.id, sweep)
        self.state.raw[step.id] = sweep
        self.ports.operator.tell(Event("swept", step.sweep, step=step, sweep=sweep))

    def _guarded(self, step: Measure, number: int) -> Look:
        """Return the guard's look at the sweep that step ``number`` took."""
        if step.kind != "unit" or self.ports.guard is None:
            return Look(True, "", "")
        return self.ports.guard(step.sweep, self.state.corrected(number + 1), self.state.calibration)

    def _guard(self, step: Measure) -> bool:
        look = self._guarded(step, self.position)
        title = f"This does not look like the hook-up {step.sweep}"
        return not look.ok and self._doubt("hook-up", title, look.says, look.hint, step)

    def _progress(self, step: Measure) -> Callable[[float, float], None]:
        after = self.state.plan.seconds_from(self.position + 1)

        def tell(so_far: float, expected: float) -> None:
            left = max(expected - so_far, 0.0) + after
            fraction = min(so_far / expected, 1.0) if expected > 0 else 1.0
            event = Event("progress", step.sweep, step=step, fraction=fraction, seconds=expected, seconds_left=left)
            self.ports.operator.tell(event)

        return tell

    def _look_at(self, step: CheckStandard) -> cal.Plausibility:
        before = {name: sweeps[-1] for name, sweeps in self.state.sweeps("standard").items() if name != step.sweep}
        return cal.check_standard(step.standard, self.state.latest(step.sweep), before, self.state.bench.standards)

    def _check(self, step: CheckStandard) -> bool:
        look = self._look_at(step)
        return not look.ok and self._doubt("standard", f"This does not look like the {step.standard}", look.says, look.hint, step)

    def _doubt(self, about: About, title: str, says: str, hint: str, step: CheckStandard | Measure | Verify) -> bool:
        """Ask what to do about something that looks wrong; True to do it again. An override is written down."""
        answers: tuple[Answer, ...] = ("repeat", "override", "stop")
        answer = self._ask(Request("doubt", title, (says, hint), hookup=self.hookup, answers=answers, about=about))
        if answer == "override":
            self.state.overrides.append(f"{title}: {says}")
            self.ports.store.note("override", step=self._measured(step, self.position), title=title, says=says)
        else:
            self.ports.store.note("repeat", title=title, says=says)
        return answer == "repeat"

    def _solve(self) -> None:
        bench = self.state.bench
        record = CalibrationRecord(
            id=self.ports.run_id,
            bench=bench.name,
            analyser=self.state.settings.identity,
            made=min(time_of(sweep) for sweep in self._calibration_sweeps().values()),
            paths=bench.analyser.paths,
            standards=bench.standards,
            loads=tuple(name.removeprefix("load-") for name in self.state.sweeps("load")),
        )
        self.state.calibration = cal.build(record, self._calibration_sweeps())

    def _calibration_sweeps(self) -> dict[str, Sweep]:
        return {name: sweeps[-1] for kind in ("standard", "load") for name, sweeps in self.state.sweeps(kind).items()}

    def _judge(self, step: Verify) -> cal.Verification:
        if self.state.calibration is None:
            raise CalibrationError("there is no calibration to verify", hint="Run 'tapproof calibrate' first.")
        within = self.state.bench.correction.verify_within
        return cal.verify(step.standard, self.state.latest(step.sweep), self.state.calibration, within)

    def _verify(self, step: Verify) -> bool:
        look = self._judge(step)
        title = "The verification does not agree with the calibration"
        if not look.ok and self._doubt("verification", title, look.says, look.hint, step):
            return True
        self._accept(look, step)
        return False

    def _accept(self, look: cal.Verification, step: Verify) -> None:
        """Keep what the verification said, and file a calibration that this run has made."""
        self.state.verification[step.sweep] = Check(name=step.sweep, says=look.says, ok=look.ok)
        self.ports.operator.tell(Event("note", look.says))
        calibration = self.state.calibration
        if calibration is not None and calibration.record.verification_db is None:
            record = calibration.record.model_copy(update={"verification_db": look.error_db})
            kept = self.ports.keep_calibration(record, self._calibration_sweeps())
            self.state.calibration = cal.build(kept, self._calibration_sweeps())


def time_of(sweep: Sweep) -> str:
    """Return the time a raw sweep was taken, as its comment says it (ISO 8601); StoreError where it says none."""
    for comment in sweep.comments:
        if comment.startswith(TIME_COMMENT):
            return comment.removeprefix(TIME_COMMENT)
    raise StoreError(f"the kept sweep {sweep.name} does not say when it was taken", hint="Start the run anew.")
