"""The conversation with one analyser: single messages of its dialect over a session, with deadlines and error queue.

Deadlines: margin + factor × expected time for a sweep, margin + bytes at 960 a second (9600 baud) for data.
"""

from __future__ import annotations

import time
from collections import deque
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy import complex128, float64
from numpy.typing import NDArray

from drivers.dialect import Dialect, parse_error_entry, same_words
from drivers.framing import Query
from drivers.recovery import IdentityRecovery, PromptRecovery, another
from drivers.transport import Clock, Limits, Recovery, Session, Transport
from harness.errors import CommandRefused, LinkError, ReplyError
from harness.ports import Progress
from harness.records.sweep import Grid, Trace

MOST_ERRORS = 32
MOST_NAMED = 16
"""Messages that are named as sent before an error."""
MOST_READINGS = 5
"""How often one trace is read until two readings agree."""
SLOWEST_BYTES_PER_SECOND = 960.0
LARGEST_TRACE = 1e3
"""A linear ratio that no analyser at a passive unit can show (60 dB of gain): the bytes are misread."""
T = TypeVar("T")


@dataclass(frozen=True)
class Spoken:
    """What the analyser said to a set-up: its answers by query, its averages, its frequencies, the time of one sweep if known."""

    said: dict[str, str]
    averages: int
    frequency_hz: NDArray[float64]
    sweep_time_s: float | None


class Conversation:
    """One dialect over one session. Every method raises InstrumentError and its kinds."""

    def __init__(
        self, transport: Transport, dialect: Dialect, *, margin_s: float, factor: float = 2.0, clock: Clock = time.monotonic
    ) -> None:
        self.dialect = dialect
        self.identity: str | None = None
        self.busy_s = 0.0
        """What a sweep and a trace that are still going on may take, beyond the margin; for finding the place again."""
        self.margin_s, self.factor = margin_s, factor
        self._unchecked: deque[str] = deque(maxlen=MOST_NAMED)
        self.session = Session(transport, clock=clock)
        self.session.recover = self._recovery(transport)
        self.session.dirty = dialect.prompted
        # An instrument with a prompt may have half a line in its buffer from before; the first exchange clears that.

    def reconnect(self, transport: Transport) -> None:
        """Go on over a new link; the identity that was found before must answer there as well."""
        self.session.reconnect(transport)
        self._unchecked.clear()

    # -- single messages --------------------------------------------------------------------------------------------------

    def identify(self) -> str:
        """Return the identity line. LinkError where it is not the instrument of the dialect, or another than before."""
        found = self.exchange(self.dialect.identify())
        if self.dialect.echo == "find out":
            self.dialect = self.dialect.with_echo(found.echoed)
            self.session.remark(f"echo {self.dialect.echo}")
        wanted = self.dialect.file.identify.contains
        if not found.text or wanted not in found.text:
            raise LinkError(
                f"the instrument at {self.session.transport.address} says it is {found.text!r}; the dialect "
                f"{self.dialect.name} is for one that says {wanted or 'who it is'!r}",
                hint="Check the address and the dialect in the bench file.",
            )
        if self.identity is not None and found.text != self.identity:
            raise another(self.identity, found.text)
        self.identity = found.text
        return found.text

    def exchange(self, query: Query[T], limits: Limits | None = None, progress: Progress | None = None) -> T:
        """Send a query and return its value."""
        self._unchecked.append(query.what)
        return self.session.exchange(query, limits or Limits(self.margin_s, self.margin_s), progress)

    def ask(self, text: str) -> str:
        """Return the one line that answers ``text``."""
        return self.exchange(self.dialect.ask(text)).strip()

    def say(self, text: str, limits: Limits | None = None, progress: Progress | None = None) -> None:
        """Send a message that has no answer of its own."""
        message = self.dialect.command(text)
        if isinstance(message, bytes):
            self._unchecked.append(text)
            self.session.send(message)
        else:
            self.exchange(message, limits, progress)

    def check_errors(self) -> None:
        """Read the error queue until 0; CommandRefused with every entry and what was sent since the last check."""
        if self.dialect.file.errors is None:
            return
        text = self.dialect.file.errors.send
        entries: list[str] = []
        sent = list(self._unchecked)
        for _ in range(MOST_ERRORS):
            code, says = parse_error_entry(self.exchange(self.dialect.ask(text)), text)
            if code == 0:
                break
            entries.append(f"{code} {says}")
        else:
            entries.append(f"and the queue was not empty after {MOST_ERRORS} entries")
        self._unchecked.clear()
        if entries:
            raise CommandRefused(
                f"the analyser reports {'; '.join(dict.fromkeys(entries))} after {', '.join(repr(one) for one in sent)}",
                hint="Check the range in the bench file, and the message in the dialect.",
            )

    # -- set-up -----------------------------------------------------------------------------------------------------------

    def set_up(self, grid: Grid) -> Spoken:
        """Set the grid; ReplyError where settings or frequencies read back are not those asked for."""
        for text in self.dialect.set_up(grid):
            self.say(text)
            self.check_errors()
        said = self.ask_settings()
        numbers: dict[str, float] = {}
        for entry in self.dialect.file.read_back:
            numbers |= self.dialect.check_read_back(entry, said[entry.send], grid)
        return Spoken(said, int(numbers["averages"]), self.axis(grid), numbers.get("sweep_time"))

    def ask_settings(self) -> dict[str, str]:
        """Return what the analyser says to each query of the set-up, and whether it corrects where the dialect asks that."""
        return {text: self.ask(text) for text in self._settings()}

    def compare_settings(self, said: dict[str, str], when: str) -> None:
        """ReplyError where the analyser's settings are not ``said``. An answer that differs is asked for a second time."""
        for text in self._settings():
            now = self.ask(text)
            if now != said[text]:
                again = self.ask(text)
                if again != said[text]:
                    raise ReplyError(
                        f"the analyser's settings changed {when}: {text} said {said[text]!r}, now {again!r}",
                        hint="It was switched off, reset or set by hand: start again, and calibrate again if it corrects itself.",
                    )
                self.session.remark(f"{text}: {now!r} came once, then {again!r} as before")

    def require_correction(self, said: dict[str, str]) -> None:
        """ReplyError where the analyser says that it does not correct its data."""
        entry = self.dialect.file.correction
        if entry is not None and not same_words(entry.on, said[entry.send]):
            raise ReplyError(
                f"the bench file says that the analyser corrects its data, and it says that it does not: {entry.send} "
                f"says {said[entry.send]!r} (wanted: {entry.on!r})",
                hint="Calibrate the analyser at its panel for this sweep and switch its correction on, then start again.",
            )

    def axis(self, grid: Grid) -> NDArray[float64]:
        """Return the frequencies as the instrument says them, checked against ``grid``."""
        axis = self.exchange(self.dialect.axis(grid.points), self.data_limits(grid.points, 1))
        self.dialect.check_axis(axis, grid)
        self.check_errors()
        return axis

    # -- sweeping ---------------------------------------------------------------------------------------------------------

    def trigger(self, expected_s: float, progress: Progress | None) -> None:
        """Start one sweep and wait for its end."""
        entry = self.dialect.file.sweep
        limits = self.sweep_limits(expected_s)
        self.session.remark(f"sweep: {limits.expected_s:.1f} s expected, {limits.overall_s:.1f} s allowed")
        for text in entry.trigger:
            self.say(text, limits, progress)
        if entry.done is None:
            self.check_errors()
            return
        said = self.exchange(self.dialect.ask(entry.done), limits, progress).strip()
        if said.lstrip("+") != entry.done_says:
            raise ReplyError(
                f"{entry.done}: {entry.done_says!r} was expected at the end of the sweep, {said!r} came",
                hint="Check the dialect's [sweep].",
            )
        self.check_errors()

    def trace(self, trace: Trace, points: int, *, twice: bool = False) -> NDArray[complex128]:
        """Return one trace of the sweep that is done, complex128 of shape (points,).

        ``twice``: it is read until two readings in a row agree in every digit, at most MOST_READINGS times; an unreadable
        reply counts as a reading that does not agree. Each such reading is remarked in the transcript.
        """
        if not twice:
            return self._reading(trace, points)
        before: NDArray[complex128] | None = None
        for number in range(1, MOST_READINGS + 1):
            try:
                now = self._reading(trace, points)
            except ReplyError as error:
                if number == MOST_READINGS:
                    raise
                self.session.remark(f"{trace}, reading {number} is set aside: {error.message}")
                before = None
                continue
            if before is not None and np.array_equal(before, now):
                return now
            if before is not None:
                self.session.remark(f"{trace}, readings {number - 1} and {number} differ: read again")
            before = now
        raise ReplyError(
            f"{self.dialect.file.traces[trace].send}: read {MOST_READINGS} times, and no two readings in a row agree",
            hint="The line changes bytes on their way: shorten it, lower the baud rate, keep it away from the transmitter.",
        )

    def _reading(self, trace: Trace, points: int) -> NDArray[complex128]:
        entry = self.dialect.file.traces[trace]
        for text in entry.select:
            self.say(text)
        values = self.exchange(self.dialect.trace(trace, points), self.data_limits(points, 2))
        self.check_errors()
        largest = float(np.max(np.abs(values)))
        if largest > LARGEST_TRACE:
            raise ReplyError(
                f"{entry.send}: a ratio of {largest:.3g} cannot be (at most {LARGEST_TRACE:g}); the numbers are misread",
                hint="Check data form and byte order in the dialect.",
            )
        return values

    # -- deadlines and recovery -------------------------------------------------------------------------------------------

    def sweep_limits(self, expected_s: float) -> Limits:
        """Return how long a sweep of ``expected_s`` may take."""
        allowed = self.margin_s + self.factor * expected_s
        return Limits(allowed, allowed, expected_s)

    def data_limits(self, points: int, values: int) -> Limits:
        """Return how long a reply of ``points`` × ``values`` numbers may take."""
        file = self.dialect.file
        size = self.dialect.reply_bytes(points, values, file.axis_form if values == 1 else file.data.form)
        return Limits(self.margin_s + size / SLOWEST_BYTES_PER_SECOND, self.margin_s)

    def _settings(self) -> tuple[str, ...]:
        file = self.dialect.file
        more = () if file.correction is None else (file.correction.send,)
        return (*(entry.send for entry in file.read_back), *more)

    def _recovery(self, transport: Transport) -> Recovery:
        if self.dialect.prompted:
            return PromptRecovery(self.dialect.prompt, self.dialect.end, self._recovery_limits)
        return IdentityRecovery(
            self._identity_query,
            lambda: self.identity,
            self._recovery_limits,
            clear_first=transport.kind == "message",
            clear_message=b"*CLS" + self.dialect.end,
        )

    def _identity_query(self) -> Query[str]:
        query = self.dialect.identify()
        return Query(query.what, query.data, query.framer, lambda reply: query.read(reply).text)

    def _recovery_limits(self) -> Limits:
        """As long as what may still be going on takes: a sweep, and a trace on its way."""
        allowed = self.margin_s + self.busy_s
        return Limits(allowed, allowed)
