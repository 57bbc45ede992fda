"""Which residual sizes a proof at a bench uses: the newest characterisation's, where it fits and is not too old."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from harness import assess, files
from harness.ports import Clock, Event, Operator
from harness.records import Bench, Characterised, Residuals, SamplerType, UncertaintyEntry
from harness.runner import Run

MAX_AGE_DAYS = 366.0
"""Twelve months, as kits are commonly checked once a year; common practice, no source."""


def stated(bench: Bench) -> UncertaintyEntry:
    """Return what the bench file states, or the default class."""
    return bench.uncertainty or UncertaintyEntry()


def sizes_for(bench: Bench, analyser: str, root: Path, now: datetime, tell: Callable[[Event], None]) -> Residuals | None:
    """Return the characterised sizes for a proof, or None where the bench file's stand.

    A characterisation that does not fit is told and not used. StoreError where the newest one is damaged.
    """
    entry = stated(bench)
    found = files.latest_characterisation(root, bench.name) if entry.characterised else None
    if found is None:
        return None
    reasons = unfit(found, bench, analyser, now)
    for reason in reasons:
        tell(Event("note", f"The bench's characterisation is not used: {reason}. The stated sizes stand."))
    if reasons:
        return None
    # What depends on the day, and not on the standards, is the bench file's.
    update = {"per_kelvin": entry.residuals().per_kelvin, "calibrated_celsius": entry.calibrated_celsius}
    return found.residuals.model_copy(update=update)


def residuals(
    done: Run, type_: SamplerType, ambient_celsius: float | None, root: Path, clock: Clock, operator: Operator
) -> Residuals:
    """Return the residuals of a finished run: from the bench's characterisation where one fits, else from its file."""
    known = sizes_for(done.bench, done.settings.identity, root, clock.now(), operator.tell)
    return assess.residuals_of(done.bench, type_, ambient_celsius, known)


def unfit(found: Characterised, bench: Bench, analyser: str, now: datetime) -> tuple[str, ...]:
    """Return why a characterisation does not fit a run at ``bench`` at the time ``now``; empty where it does."""
    reasons = []
    days = (now - datetime.fromisoformat(found.made)).total_seconds() / 86400
    if days > MAX_AGE_DAYS:
        reasons.append(f"it was made on {found.made[:10]} and is more than 12 months old; characterise the bench again")
    if days < -1 / 24:
        reasons.append(f"it was made on {found.made[:10]}, in the future by this computer's clock")
    if found.analyser != analyser:
        reasons.append(f"it belongs to the analyser {found.analyser!r}; this one says {analyser!r}")
    return tuple(reasons)
