"""Sweeps that come from a folder: swapped or renamed files, and hook-ups that were wrong when they were taken."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from harness.analysis.guard.guard import Guard, Look
from harness.analysis.readings import Sweeps, Terminations, repeats_of
from harness.records import Sweep
from harness.records.proof import Check

ORDER = ("coupled", "line", "coupled-far", "sample")
"""The order in which the sweeps are looked at: that of a run."""


def looks(guard: Guard, sweeps: Sweeps, terminations: Terminations) -> dict[str, Look]:
    """Return a look at each unit sweep, by name; what is doubtful is not used to look at the others."""
    trusted: dict[str, Sequence[Sweep]] = {}
    found: dict[str, Look] = {}
    for name in ORDER:
        if name not in sweeps:
            continue
        taken = {**trusted, name: repeats_of(sweeps, name)}
        found[name] = guard.look(name, taken, terminations)
        if found[name].ok:
            trusted = taken
    return found


def checks(guard: Guard, sweeps: Sweeps, terminations: Terminations) -> tuple[Check, ...]:
    """Return one failed check for each doubtful sweep; none where all look right."""
    found: Mapping[str, Look] = looks(guard, sweeps, terminations)
    return tuple(Check(name=f"hook-up {name}", says=_says(name, look), ok=False) for name, look in found.items() if not look.ok)


def _says(name: str, look: Look) -> str:
    if look.is_hookup is None:
        return f"{name}: {look.says}"
    return f"{name} looks like a sweep of {look.is_hookup}: files swapped or renamed? {look.says}"
