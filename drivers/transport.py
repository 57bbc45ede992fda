"""Transport: a link that carries bytes, and the only loop that waits for a reply.

A :class:`Transport` moves bytes and knows nothing of what they mean. A :class:`Session` sends one message, waits for its
reply under one monotonic deadline and an idle limit, bounds what it takes, and remembers when it has lost its place: after any
timeout or reply that cannot be read the session is *dirty*, and the next exchange first finds its place again, or fails.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, Protocol, TypeVar

from drivers.framing import LINE_ENDS, TAIL, Framer, Query, Reply, Until
from drivers.transcript import Transcript, escaped
from harness.errors import CommandRefused, InstrumentError, LinkError, ReplyError, ReplyTimeout

SLICE_S = 0.25
"""The longest wait of one read, so that progress, Ctrl-C and deadlines are looked at four times a second."""
QUIET_S = 0.05
"""Silence that settles a reply whose end cannot be told from its bytes alone."""
SILENCE_S = 0.25
"""Silence after which a line is taken as still, when the session finds its place again."""
DRAIN_LIMIT = 16_000_000

LinkKind = Literal["stream", "message"]
Progress = Callable[[float, float], None]
Clock = Callable[[], float]
T = TypeVar("T")


class Transport(Protocol):
    """A link that carries bytes. Methods raise LinkError, with message and hint, when the device is gone.

    ``address``: what was opened. ``kind``: "stream" (serial, socket) or "message" (a link with a device clear of its own).
    ``checked``: whether the link carries a checksum of its own, so that a changed bit cannot come through it.
    """

    address: str
    kind: LinkKind
    checked: bool

    def write(self, data: bytes) -> None:
        """Send all of ``data``."""

    def read(self, timeout: float) -> bytes:
        """Return whatever has come, waiting at most ``timeout`` seconds (at most SLICE_S) for the first byte; b"" if none."""

    def drain(self) -> bytes:
        """Drop what has come and not been read; return it, or a piece of it."""

    def clear(self) -> None:
        """Send a device clear where the link has one; else do nothing."""

    def close(self) -> None:
        """Close the link; never raises."""


@dataclass(frozen=True)
class Limits:
    """How long an exchange may take: over all, and without any byte coming, in seconds. ``expected_s`` is for progress."""

    overall_s: float
    idle_s: float
    expected_s: float = 0.0


Recovery = Callable[["Session"], None]
"""Finds the session's place again after a timeout or an unreadable reply; raises InstrumentError where it cannot."""


class Session:
    """One conversation with one instrument over one transport."""

    def __init__(self, transport: Transport, *, clock: Clock = time.monotonic, recover: Recovery | None = None) -> None:
        self.transport = transport
        self.transcript = Transcript()
        self.dirty = False
        self.gone = False
        """Whether the link itself has failed; nothing more can be said before :meth:`reconnect`."""
        self.recover = recover
        self._clock = clock
        self._opened = clock()
        self._recovering = False
        self._answered = ""
        self.remark(f"opened {transport.address}")

    def seconds(self) -> float:
        """Return the seconds since the session began."""
        return self._clock() - self._opened

    def remark(self, text: str) -> None:
        """Put a remark into the transcript."""
        self.transcript.remark(self.seconds(), text)

    def send(self, data: bytes) -> None:
        """Send a message that has no reply. Raises LinkError; resynchronises first where the session is dirty."""
        self._be_clean()
        self._write(data)

    def exchange(self, query: Query[T], limits: Limits, progress: Progress | None = None) -> T:
        """Send ``query`` and return its reply, read and checked.

        ``progress`` is called with (seconds so far, seconds expected) while the reply is awaited. Raises ReplyTimeout,
        ReplyError, LinkError and CommandRefused; after any of them but the last the session is dirty.
        """
        self._be_clean()
        self._drain()
        self.dirty, self._answered = True, ""
        self._write(query.data)
        reply = self._wait(query.framer, query.what, limits, progress)
        try:
            value = query.read(reply)
        except CommandRefused:
            self.dirty = False
            raise
        except InstrumentError as error:
            self.remark(f"{error.kind}: {error.message}")
            raise
        self.dirty, self._answered = False, query.what
        return value

    def wait_for_silence(self, seconds: float = SILENCE_S, limit_s: float = 10.0) -> bytes:
        """Read and drop until nothing has come for ``seconds``; return the last 4096 bytes of what came.

        Raises ReplyTimeout where bytes keep coming for ``limit_s``.
        """
        framer = Until(DRAIN_LIMIT)
        self._wait(framer, "waiting for silence", Limits(limit_s, seconds), None, quiet_s=seconds, silence_is_enough=True)
        return framer.tail()

    def wait_for(self, framer: Framer, what: str, limits: Limits, quiet_s: float = SILENCE_S) -> Reply:
        """Return a reply that nothing was sent for, or that was sent with :meth:`write_bare`; for recoveries."""
        return self._wait(framer, what, limits, None, quiet_s=quiet_s)

    def write_bare(self, data: bytes) -> None:
        """Send without looking at the dirty mark; for recoveries."""
        self._write(data)

    def lost(self, error: LinkError) -> None:
        """The device vanished: nothing more can be said over this link. It is closed, and ``error`` remarked."""
        self.dirty = self.gone = True
        self.remark(f"{error.kind}: {error.message}")
        self.transport.close()

    def reconnect(self, transport: Transport) -> None:
        """Go on over a new link, with the same transcript. Dirty: what the instrument is at is not known."""
        self.transport.close()
        self.transport, self.gone, self.dirty, self._answered = transport, False, True, ""
        self.remark(f"opened {transport.address} again")

    def close(self) -> None:
        """Close the link; never raises."""
        self.remark("closed")
        self.transport.close()

    def _be_clean(self) -> None:
        if not self.dirty or self._recovering:
            return
        if self.recover is None:
            raise InstrumentError(
                f"the last exchange with {self.transport.address} did not end properly, and its place cannot be found again",
                hint="Close the link and start again.",
            )
        self._recovering = True
        self.remark("finding the place again")
        try:
            self.recover(self)
        finally:
            self._recovering = False
        self.remark("place found")
        self.dirty = False

    def _write(self, data: bytes) -> None:
        self.transcript.sent(self.seconds(), data)
        try:
            self.transport.write(data)
        except LinkError as error:
            self.lost(error)
            raise

    def _wait(
        self,
        framer: Framer,
        what: str,
        limits: Limits,
        progress: Progress | None,
        *,
        quiet_s: float = QUIET_S,
        silence_is_enough: bool = False,
    ) -> Reply:
        """The only loop that waits. One deadline over all, one without bytes; slices of at most SLICE_S."""
        start = last = self._clock()
        total = 0
        verdict = "quiet" if silence_is_enough else "more"
        while True:
            now = self._clock()
            silent_left = last + (quiet_s if verdict == "quiet" else limits.idle_s) - now
            left = start + limits.overall_s - now
            if verdict == "quiet" and silent_left <= 0:
                return framer.reply()
            if min(left, silent_left) <= 0:
                raise self._timeout(what, limits, now - start, total, framer)
            data = self._read(min(SLICE_S, left, silent_left))
            if progress is not None:
                progress(self._clock() - start, limits.expected_s)
            if not data:
                continue
            last, total = self._clock(), total + len(data)
            verdict = self._feed(framer, data)
            if verdict == "whole":
                return framer.reply()

    def _drain(self) -> None:
        """Drop what came unasked; ReplyError where it came after a reply: one of the two was not the answer.

        A greeting before the first reply, and line ends, are dropped without a word.
        """
        try:
            came = self.transport.drain()
        except LinkError as error:
            self.lost(error)
            raise
        self.transcript.received(self.seconds(), came)
        if not self._answered or not came.strip(LINE_ENDS):
            return
        after, self._answered, self.dirty = self._answered, "", True
        unasked = ReplyError(
            f"after the reply to {after} more came that nobody had asked for, the last bytes {escaped(came[-TAIL:])!r}",
            hint="A late reply, or the same one twice: the one before may be to another question. Check cable and dialect.",
        )
        self.remark(f"{unasked.kind}: {unasked.message}")
        raise unasked

    def _read(self, timeout: float) -> bytes:
        try:
            data = self.transport.read(timeout)
        except LinkError as error:
            self.lost(error)
            raise
        self.transcript.received(self.seconds(), data)
        return data

    def _feed(self, framer: Framer, data: bytes) -> str:
        try:
            return framer.feed(data)
        except InstrumentError as error:
            self.remark(f"{error.kind}: {error.message}")
            raise

    def _timeout(self, what: str, limits: Limits, waited: float, total: int, framer: Framer) -> ReplyTimeout:
        came = f"{total} bytes came, the last {escaped(framer.tail())!r}" if total else "nothing came"
        message = (
            f"no complete reply to {what} from {self.transport.address} after {waited:.1f} s "
            f"(allowed: {limits.overall_s:.1f} s in all, {limits.idle_s:.1f} s without a byte): {came}"
        )
        self.remark(f"timeout: {message}")
        return ReplyTimeout(
            message,
            hint="Check power, cable and address, and that the dialect is the instrument's. A slow sweep needs a larger "
            "timeout_margin or point_time in the bench file.",
        )
