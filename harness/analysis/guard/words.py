"""What the guard says: what the sweep shows, what was expected, what it looks like, and what to do."""

from __future__ import annotations

import numpy as np

from harness.analysis.guard.look import APART, Verdict, Weighed
from harness.quantities import show_db
from harness.records import Sweep

TIGHTEN = "Take the connections apart, look at them, tighten them, and sweep again."


def says(sweep: Sweep, verdict: Verdict) -> str:
    """Return what a doubtful sweep looks like."""
    return f"{_levels(sweep)}; {_like(verdict)}"


def _levels(sweep: Sweep) -> str:
    keys = [key for key in ("s11", "s21") if key in sweep.traces]
    shown = [f"{key.upper()} is {show_db(_middle(sweep, key), 1)}" for key in keys]
    return f"{' and '.join(shown)} in the middle of the values over the sweep"


def _middle(sweep: Sweep, key: str) -> float:
    return 20 * float(np.log10(max(float(np.median(np.abs(sweep.trace(key)))), 1e-7)))


def _like(verdict: Verdict) -> str:
    best = verdict.wrong[0]
    others = [one for one in alike(verdict)[1:] if one.scene.says != best.scene.says][:2]
    text = f"it looks as if {best.scene.says}"
    text = "".join([text, *(f", or {other.scene.says}" for other in others)])
    if verdict.ambiguous:
        text += f". A unit that is built wrong would look the same ({_inside(verdict)})"
    return text


_DOUBLES = {"loose": "a joint inside, near that connector", "cable": "a mismatch inside", "tee": "a resistor inside"}


def _inside(verdict: Verdict) -> str:
    extra = verdict.wrong[0].scene.extra
    own = [_DOUBLES[extra]] if extra is not None else []
    near = [one.unit.says for one in verdict.built[:1] if one.cost < verdict.wrong[0].cost + APART]
    return "; ".join(dict.fromkeys(own + near))


def alike(verdict: Verdict) -> list[Weighed]:
    """Return the mistakes that explain the sweep about as well as the best."""
    return [one for one in verdict.wrong if one.cost < verdict.wrong[0].cost + APART]


def hint(name: str, verdict: Verdict) -> str:
    """Return what to do about a doubt."""
    text = f"Make the hook-up {name} again, and sweep again"
    if any(one.scene.mistake == "line in and out swapped" for one in alike(verdict)[:1]):
        text += "; where it was right, one of the coupled sweeps before has line in and out swapped"
    return f"{text}. Override if everything is where it belongs: the unit may be built like this."


def fits(sweep: Sweep, verdict: Verdict) -> str:
    """Return what is said of a sweep that is not doubted."""
    if verdict.built and verdict.built[0].cost < verdict.right.cost - APART:
        return f"{sweep.name} looks like the hook-up asked for, on a unit that is not built as it should be"
    return f"{sweep.name} looks like the hook-up asked for"
