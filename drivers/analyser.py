"""The analyser that the runner uses: a dialect spoken over a transport, in words of the trade.

Deadlines: margin + factor × point time × points × averages × paths for a sweep, margin + bytes at 960 a second (9600 baud) for
data. Before each sweep the settings are asked again, so that an analyser that was reset or touched since the set-up is noticed.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import Literal, TypeVar

import numpy as np
from numpy import complex128, float64
from numpy.typing import NDArray

from drivers.dialect import Dialect, parse_error_entry
from drivers.dialect_file import ReadBackEntry
from drivers.framing import Query
from drivers.recovery import IdentityRecovery, PromptRecovery
from drivers.transcript import Transcript
from drivers.transport import Clock, Limits, Recovery, Session, Transport
from harness.errors import CommandRefused, InstrumentError, LinkError, ReplyError, UsageError
from harness.ports import Progress
from harness.quantities import show_frequency
from harness.records.sweep import Grid, Settings, Trace

MOST_ERRORS = 32
MOST_NAMED = 12
"""Messages that are named as sent before an error."""
SLOWEST_BYTES_PER_SECOND = 960.0
LARGEST_TRACE = 1e3
"""A linear ratio that no analyser at a passive unit can show (60 dB of gain): the bytes are misread."""
T = TypeVar("T")


@dataclass(frozen=True)
class Tried:
    """One message of a rehearsal: what was said, whether it went as the dialect describes, and what came back, in words."""

    what: str
    ok: bool
    says: str


class DialectAnalyser:
    """An Analyser over a transport. ``paths``: what the analyser measures in one sweep; times in seconds."""

    def __init__(
        self,
        transport: Transport,
        dialect: Dialect,
        *,
        paths: Literal["one-path", "two-path"] = "one-path",
        point_time_s: float = 0.001,
        margin_s: float = 5.0,
        factor: float = 2.0,
        clock: Clock = time.monotonic,
    ) -> None:
        """Raises FileError where the dialect still has values to be filled in; nothing is sent yet."""
        dialect.require_complete()
        self._dialect = dialect
        self._paths = 2 if paths == "two-path" else 1
        self._point_time_s, self._margin_s, self._factor = point_time_s, margin_s, factor
        self._identity: str | None = None
        self._grid: Grid | None = None
        self._said: dict[str, str] = {}
        self._unchecked: deque[str] = deque(maxlen=MOST_NAMED)
        self._sweep_time_s: float | None = None
        self._session = Session(transport, clock=clock)
        self._session.recover = self._recovery()
        self._session.dirty = dialect.prompted
        # An instrument with a prompt may have half a line in its buffer from before; the first exchange clears that.

    @property
    def transcript(self) -> Transcript:
        """What went over the wire so far."""
        return self._session.transcript

    def identify(self) -> str:
        """Return the identity line. LinkError where it is not the instrument of the dialect, or another than before."""
        found = self._exchange(self._dialect.identify())
        if self._dialect.echo == "find out":
            self._dialect = self._dialect.with_echo(found.echoed)
            self._session.remark(f"echo {self._dialect.echo}")
        wanted = self._dialect.file.identify.contains
        if not found.text or wanted not in found.text:
            raise LinkError(
                f"the instrument at {self._session.transport.address} says it is {found.text!r}; the dialect "
                f"{self._dialect.name} is for one that says {wanted or 'who it is'!r}",
                hint="Check the address and the dialect in the bench file.",
            )
        if self._identity is not None and found.text != self._identity:
            raise LinkError(
                f"another instrument answers: it was {self._identity!r}, it is now {found.text!r}",
                hint="Start again with the analyser that the run began with.",
            )
        self._identity = found.text
        return found.text

    def set_up(self, grid: Grid) -> Settings:
        """Set the grid and return what the instrument says it is set to.

        Raises UsageError for a spacing the dialect has no word for, CommandRefused, and ReplyError where the settings or the
        frequencies read back are not those asked for.
        """
        messages = self._dialect.set_up(grid)
        identity = self.identify()
        self._grid = None
        for text in messages:
            self._say(text)
            self._check_errors()
        said = self._ask_settings()
        numbers: dict[str, float] = {}
        for entry in self._dialect.file.read_back:
            numbers |= self._dialect.check_read_back(entry, said[entry.send], grid)
        axis = self._axis(grid)
        self._grid, self._said = grid, said
        self._sweep_time_s = numbers.get("sweep_time")
        return Settings(identity, axis, int(numbers["averages"]), said)

    def sweep(self, traces: tuple[Trace, ...], progress: Progress | None = None) -> dict[Trace, NDArray[complex128]]:
        """Sweep once and return each trace as complex128 of shape (points,).

        Raises UsageError before anything is sent for traces that cannot be measured; ReplyError where the analyser is no
        longer set as it was set up.
        """
        grid = self._ready(traces)
        self._compare_settings()
        self._trigger(progress)
        self._check_errors()
        return {trace: self._trace(trace, grid) for trace in traces}

    def rehearse(self, grid: Grid) -> Iterator[Tried]:
        """Try every message of the dialect in turn, and yield what came back; goes on after a failure.

        The analyser counts as not set up afterwards. Ends early where the link is gone. Raises UsageError for a spacing the
        dialect has no word for.
        """
        file = self._dialect.file
        trial: list[tuple[str, Callable[[], str]]] = [(file.identify.send, self.identify)]
        trial += [(text, partial(self._say_checked, text)) for text in self._dialect.set_up(grid)]
        trial += [(entry.send, partial(self._try_read_back, entry, grid)) for entry in file.read_back]
        trial.append((file.axis.send, partial(self._try_axis, grid)))
        trial.append((", ".join((*file.sweep.trigger, *filter(None, [file.sweep.done]))), partial(self._try_sweep, grid)))
        trial += [(file.traces[trace].send, partial(self._try_trace, trace, grid)) for trace in self._measurable()]
        try:
            for what, attempt in trial:
                tried, gone = self._try(what, attempt)
                yield tried
                if gone:
                    return
        finally:
            self._grid = None

    def sweep_seconds(self, traces: tuple[Trace, ...]) -> float:
        """Return the expected seconds of one sweep; 0.0 before the set-up."""
        grid = self._grid
        if grid is None:
            return 0.0
        once = self._point_time_s * grid.points if self._sweep_time_s is None else self._sweep_time_s
        return once * grid.averages * self._paths

    def deadline_seconds(self) -> float:
        """Return how long a sweep may take before it counts as lost."""
        return self._sweep_limits().overall_s

    def close(self) -> None:
        """Close the link; never raises."""
        self._session.close()

    # -- rehearsing -------------------------------------------------------------------------------------------------------

    def _try(self, what: str, attempt: Callable[[], str]) -> tuple[Tried, bool]:
        """Return what came of one message, and whether the link is gone."""
        try:
            return Tried(what, True, attempt()), False
        except LinkError as error:
            return Tried(what, False, error.message), True
        except InstrumentError as error:
            return Tried(what, False, f"{error.message}{self._reason()}"), False

    def _say_checked(self, text: str) -> str:
        self._say(text)
        self._check_errors()
        return "taken"

    def _try_read_back(self, entry: ReadBackEntry, grid: Grid) -> str:
        said = self._exchange(self._dialect.ask(entry.send)).strip()
        self._dialect.check_read_back(entry, said, grid)
        return said

    def _try_axis(self, grid: Grid) -> str:
        axis = self._axis(grid)
        return f"{axis.size} frequencies, {show_frequency(float(axis[0]))} to {show_frequency(float(axis[-1]))}"

    def _try_sweep(self, grid: Grid) -> str:
        self._grid = grid
        begun = self._session.seconds()
        self._trigger(None)
        self._check_errors()
        return f"swept in {self._session.seconds() - begun:.1f} s"

    def _try_trace(self, trace: Trace, grid: Grid) -> str:
        values = self._trace(trace, grid)
        return f"{trace.upper()}: {values.size} points, the largest {float(np.max(np.abs(values))):.3g}"

    def _reason(self) -> str:
        """Return what the instrument's error queue says to a message that failed, or nothing."""
        try:
            self._check_errors()
        except InstrumentError as error:
            return f"; {error.message}"
        return ""

    # -- inside -----------------------------------------------------------------------------------------------------------

    def _recovery(self) -> Recovery:
        transport = self._session.transport
        if self._dialect.prompted:
            return PromptRecovery(self._dialect.prompt, self._dialect.end, self._recovery_limits)
        return IdentityRecovery(
            self._identity_query,
            lambda: self._identity,
            self._recovery_limits,
            clear_first=transport.kind == "message",
            clear_message=b"*CLS" + self._dialect.end,
        )

    def _identity_query(self) -> Query[str]:
        query = self._dialect.identify()
        return Query(query.what, query.data, query.framer, lambda reply: query.read(reply).text)

    def _exchange(self, query: Query[T], limits: Limits | None = None, progress: Progress | None = None) -> T:
        self._unchecked.append(query.what)
        return self._session.exchange(query, limits or Limits(self._margin_s, self._margin_s), progress)

    def _say(self, text: str, limits: Limits | None = None, progress: Progress | None = None) -> None:
        """Send a message that has no answer of its own."""
        message = self._dialect.command(text)
        if isinstance(message, bytes):
            self._unchecked.append(text)
            self._session.send(message)
        else:
            self._exchange(message, limits, progress)

    def _trigger(self, progress: Progress | None) -> None:
        """Start one sweep and wait for its end."""
        entry = self._dialect.file.sweep
        limits = self._sweep_limits()
        self._session.remark(f"sweep: {limits.expected_s:.1f} s expected, {limits.overall_s:.1f} s allowed")
        for text in entry.trigger:
            self._say(text, limits, progress)
        if entry.done is None:
            return
        said = self._exchange(self._dialect.ask(entry.done), limits, progress).strip()
        if said.lstrip("+") != entry.done_says:
            raise ReplyError(
                f"{entry.done}: {entry.done_says!r} was expected at the end of the sweep, {said!r} came",
                hint="Check the dialect's [sweep].",
            )

    def _axis(self, grid: Grid) -> NDArray[float64]:
        """Return the frequencies as the instrument says them, checked against ``grid``."""
        axis = self._exchange(self._dialect.axis(grid.points), self._data_limits(grid.points, 1))
        self._dialect.check_axis(axis, grid)
        self._check_errors()
        return axis

    def _trace(self, trace: Trace, grid: Grid) -> NDArray[complex128]:
        """Return one trace of the sweep that is done."""
        entry = self._dialect.file.traces[trace]
        for text in entry.select:
            self._say(text)
        values = self._exchange(self._dialect.trace(trace, grid.points), self._data_limits(grid.points, 2))
        self._check_errors()
        _check_size(values, entry.send)
        return values

    def _check_errors(self) -> None:
        """Read the error queue until 0; CommandRefused with every entry and what was sent since the last check."""
        if self._dialect.file.errors is None:
            return
        text = self._dialect.file.errors.send
        entries: list[str] = []
        sent = list(self._unchecked)
        for _ in range(MOST_ERRORS):
            code, says = parse_error_entry(self._exchange(self._dialect.ask(text)), text)
            if code == 0:
                break
            entries.append(f"{code} {says}")
        else:
            entries.append(f"and the queue was not empty after {MOST_ERRORS} entries")
        self._unchecked.clear()
        if entries:
            raise CommandRefused(
                f"the analyser reports {'; '.join(entries)} after {', '.join(repr(one) for one in sent)}",
                hint="Check the range in the bench file, and the message in the dialect.",
            )

    def _ask_settings(self) -> dict[str, str]:
        return {entry.send: self._exchange(self._dialect.ask(entry.send)).strip() for entry in self._dialect.file.read_back}

    def _compare_settings(self) -> None:
        """ReplyError where the analyser is not set as it was after the set-up."""
        for send, now in self._ask_settings().items():
            if now != self._said[send]:
                self._grid = None
                raise ReplyError(
                    f"the analyser's settings changed since the set-up: {send} said {self._said[send]!r}, now {now!r}",
                    hint="It was switched off, reset or set by hand: set up again, and calibrate again if it corrects itself.",
                )

    def _measurable(self) -> tuple[Trace, ...]:
        """Return the traces that dialect and paths allow."""
        return tuple(trace for trace in self._dialect.traces if self._paths == 2 or trace in ("s11", "s21"))

    def _ready(self, traces: tuple[Trace, ...]) -> Grid:
        """Return the grid that is set; UsageError where there is none, or for traces that cannot be measured."""
        missing = [trace for trace in traces if trace not in self._measurable()]
        if missing or not traces:
            raise UsageError(
                f"this analyser cannot measure {', '.join(dict.fromkeys(missing)) or 'a sweep without traces'}; the dialect "
                f"{self._dialect.name} has {', '.join(self._dialect.traces)}, the bench says {self._paths}-path",
                hint="Check paths in the bench file, and the dialect's traces.",
            )
        if self._grid is None:
            raise UsageError("the analyser is not set up", hint="Set it up before the sweep.")
        return self._grid

    def _sweep_limits(self) -> Limits:
        expected = self.sweep_seconds(())
        allowed = self._margin_s + self._factor * expected
        return Limits(allowed, allowed, expected)

    def _recovery_limits(self) -> Limits:
        """As long as what may still be going on takes: a sweep, and a trace on its way."""
        allowed = self._sweep_limits().overall_s
        if self._grid is not None:
            allowed += self._data_limits(self._grid.points, 2).overall_s
        return Limits(allowed, allowed)

    def _data_limits(self, points: int, values: int) -> Limits:
        file = self._dialect.file
        size = self._dialect.reply_bytes(points, values, file.axis_form if values == 1 else file.data.form)
        return Limits(self._margin_s + size / SLOWEST_BYTES_PER_SECOND, self._margin_s)


def _check_size(values: NDArray[complex128], what: str) -> None:
    largest = float(np.max(np.abs(values)))
    if largest > LARGEST_TRACE:
        raise ReplyError(
            f"{what}: a ratio of {largest:.3g} cannot be (at most {LARGEST_TRACE:g}); the numbers are misread",
            hint="Check data form and byte order in the dialect.",
        )
