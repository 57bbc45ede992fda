"""One more hook-up, offered at the bench where it would decide between the faults that a proof names."""

from __future__ import annotations

from harness import explaining
from harness.errors import Stopped
from harness.files import Journal
from harness.ports import Operator, Request
from harness.records import Bench, Proof, SamplerType
from harness.runner import Run
from harness.steps import Plan, Step
from sequences.line_sampler import more_steps

TAKEN, LEFT_OUT = "more", "no more"
"""Notes of the journal: the hook-up was agreed to, or left out; an interrupted run does not ask again."""


def offered(proof: Proof, done: Run, operator: Operator, journal: Journal) -> tuple[Step, ...]:
    """Return the steps of the hook-up that would decide, where the operator takes it now; none where nothing is to be taken.

    Raises Stopped where the operator stops; the finished sweeps are kept.
    """
    wanted = explaining.wanted_sweep(proof, done.sweeps("unit"))
    steps = () if wanted is None else more_steps(wanted[0], proof.type, done.bench)
    if wanted is None or not steps or any(note.get("sweep") == wanted[0] for note in _notes(journal)):
        return ()
    name, asks = wanted
    faults = " or ".join(dict.fromkeys(fault.fault for fault in proof.faults))
    seconds = Plan(proof.circumstances.sequence, steps, done.plan.sweep_seconds).seconds_from(0)
    lines = (f"It looks like {faults}. What would decide: {asks}.", f"It takes about {max(seconds / 60, 0.1):.1f} minutes.")
    request = Request("offer", f"One more hook-up: {name}", lines, seconds_left=seconds, answers=("done", "skip", "stop"))
    answer = operator.ask(request)
    if answer == "stop":
        raise Stopped("stopped by the operator; the finished sweeps are kept", hint="Run the same command again to go on.")
    journal.note(TAKEN if answer == "done" else LEFT_OUT, sweep=name)
    return steps if answer == "done" else ()


def agreed(journal: Journal, type_: SamplerType, bench: Bench) -> tuple[Step, ...]:
    """Return the steps of the hook-ups that were agreed to before the run was interrupted."""
    return tuple(step for name in _taken(journal) for step in more_steps(name, type_, bench))


def remarks(journal: Journal) -> tuple[str, ...]:
    """Return a sentence for the record for each hook-up that was made besides the sequence."""
    return tuple(f"{name} was taken besides the sequence, for the diagnosis." for name in _taken(journal))


def _taken(journal: Journal) -> list[str]:
    return [note["sweep"] for note in _notes(journal) if note["what"] == TAKEN]


def _notes(journal: Journal) -> list[dict[str, str]]:
    return [note for note in journal.notes() if note["what"] in (TAKEN, LEFT_OUT) and "sweep" in note]
