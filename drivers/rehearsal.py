"""The rehearsal: every message of a dialect tried in turn on the instrument, and what came back, in words."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial

import numpy as np

from drivers.conversation import Conversation
from drivers.dialect_file import ReadBackEntry
from harness.errors import InstrumentError, LinkError
from harness.quantities import show_frequency
from harness.records.sweep import Grid, Trace


@dataclass(frozen=True)
class Tried:
    """One message of a rehearsal: what was said, whether it went as the dialect describes, and what came back, in words."""

    what: str
    ok: bool
    says: str


def rehearse(talk: Conversation, grid: Grid, traces: tuple[Trace, ...], sweep_s: float) -> Iterator[Tried]:
    """Try every message and yield what came back; goes on after a failure, and ends early where the link is gone.

    Raises UsageError for a spacing the dialect has no word for.
    """
    file = talk.dialect.file
    trial: list[tuple[str, Callable[[], str]]] = [(file.identify.send, talk.identify)]
    trial += [(text, partial(_say, talk, text)) for text in talk.dialect.set_up(grid)]
    trial += [(entry.send, partial(_read_back, talk, entry, grid)) for entry in file.read_back]
    if file.correction is not None:
        trial.append((file.correction.send, partial(talk.ask, file.correction.send)))
    trial.append((file.axis.send, partial(_axis, talk, grid)))
    trial.append((", ".join((*file.sweep.trigger, *filter(None, [file.sweep.done]))), partial(_sweep, talk, sweep_s)))
    trial += [(file.traces[trace].send, partial(_trace, talk, trace, grid)) for trace in traces]
    for what, attempt in trial:
        tried, gone = _try(talk, what, attempt)
        yield tried
        if gone:
            return


def _try(talk: Conversation, what: str, attempt: Callable[[], str]) -> tuple[Tried, bool]:
    """Return what came of one message, and whether the link is gone."""
    try:
        return Tried(what, True, attempt()), False
    except LinkError as error:
        return Tried(what, False, error.message), True
    except InstrumentError as error:
        return Tried(what, False, f"{error.message}{_reason(talk)}"), False


def _say(talk: Conversation, text: str) -> str:
    talk.say(text)
    talk.check_errors()
    return "taken"


def _read_back(talk: Conversation, entry: ReadBackEntry, grid: Grid) -> str:
    said = talk.ask(entry.send)
    talk.dialect.check_read_back(entry, said, grid)
    return said


def _axis(talk: Conversation, grid: Grid) -> str:
    axis = talk.axis(grid)
    return f"{axis.size} frequencies, {show_frequency(float(axis[0]))} to {show_frequency(float(axis[-1]))}"


def _sweep(talk: Conversation, expected_s: float) -> str:
    begun = talk.session.seconds()
    talk.trigger(expected_s, None)
    return f"swept in {talk.session.seconds() - begun:.1f} s"


def _trace(talk: Conversation, trace: Trace, grid: Grid) -> str:
    values = talk.trace(trace, grid.points)
    return f"{trace.upper()}: {values.size} points, the largest {float(np.max(np.abs(values))):.3g}"


def _reason(talk: Conversation) -> str:
    """Return what the instrument's error queue says to a message that failed, or nothing."""
    try:
        talk.check_errors()
    except InstrumentError as error:
        return f"; {error.message}"
    return ""
