"""Framing: where a reply begins and ends. Bytes in, verdicts out; no I/O, no clock.

A framer is fed pieces as they come and answers with a verdict: "more" (the reply cannot be complete), "whole" (it is complete),
or "quiet" (it is complete if nothing follows: the bytes alone cannot tell). What cannot be a reply raises ReplyError at once.
Every framer is used for one reply.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, Literal, Protocol, TypeVar

from drivers.transcript import escaped
from harness.errors import ReplyError

Verdict = Literal["more", "quiet", "whole"]
EchoMode = Literal["off", "on", "find out"]
CR, LF = 0x0D, 0x0A
LINE_ENDS = b"\r\n"
TAIL = 60
LONGEST_LINE = 4096
T = TypeVar("T")


@dataclass(frozen=True)
class Reply:
    """One framed reply: its lines without their ends, or the payload of a block. ``echoed`` tells whether an echo came."""

    lines: tuple[bytes, ...] = ()
    payload: bytes = b""
    echoed: bool = False


class Framer(Protocol):
    """Collects the pieces of one reply."""

    def feed(self, data: bytes) -> Verdict:
        """Take a piece; raises ReplyError where what has come can be no reply."""

    def reply(self) -> Reply:
        """Return the reply after "whole", or after "quiet" and silence; raises ReplyError where it is incomplete."""

    def tail(self) -> bytes:
        """Return the last bytes that came, for messages."""


@dataclass(frozen=True)
class Query(Generic[T]):
    """One message and how its reply is read. ``data`` holds the exact bytes; ``what`` is the message in words for errors."""

    what: str
    data: bytes
    framer: Framer
    read: Callable[[Reply], T]


class Until:
    """Takes anything; never complete but by silence."""

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._total = 0
        self._tail = b""

    def feed(self, data: bytes) -> Verdict:
        """Take a piece; ReplyError beyond the limit."""
        self._total += len(data)
        self._tail = (self._tail + data)[-LONGEST_LINE:]
        if self._total > self._limit:
            raise ReplyError(f"{self._total} bytes came that nobody asked for", hint="Is the address the instrument's?")
        return "quiet"

    def reply(self) -> Reply:
        """Return an empty reply."""
        return Reply()

    def tail(self) -> bytes:
        """Return the last 4096 bytes at most."""
        return self._tail


class PromptAtLast:
    """Takes anything until the prompt stands last, once or several times in a row, at the start of a line; then silence settles.

    An instrument that answers an empty line with the prompt alone writes two prompts on one line.
    """

    def __init__(self, prompt: bytes, limit: int) -> None:
        self._prompt = prompt
        self._scan = _Lines(limit, limit)
        self._tail = b""
        self._stands = False

    def feed(self, data: bytes) -> Verdict:
        """Take a piece; ReplyError beyond the limit."""
        self._tail = (self._tail + data)[-TAIL:]
        self._scan.feed(data)
        self._scan.lines.clear()
        rest = bytes(self._scan.rest)
        self._stands = bool(rest) and not rest.replace(self._prompt, b"")
        return "quiet" if self._stands else "more"

    def reply(self) -> Reply:
        """Return an empty reply; ReplyError where the prompt does not stand last."""
        if not self._stands:
            raise ReplyError(f"no prompt came; the last bytes are {escaped(self._tail)!r}", hint="Check the dialect's prompt.")
        return Reply()

    def tail(self) -> bytes:
        """Return the last 60 bytes that came."""
        return self._tail


class Echo:
    """Strips a byte-exact copy of what was sent, with its line end, from the front of a reply."""

    def __init__(self, sent: bytes, mode: EchoMode) -> None:
        self._sent = sent.rstrip(LINE_ENDS)
        self._open = mode != "off" and bool(self._sent)
        self._must = mode == "on"
        self._held = bytearray()
        self._end = 0
        self.found = False

    def feed(self, data: bytes) -> bytes:
        """Return what follows the echo; b"" as long as that is undecided."""
        if not self._open:
            return self._after_end(data)
        self._held += data
        size = len(self._sent)
        if len(self._held) <= size and self._sent.startswith(self._held):
            return b""
        self._open = False
        held = bytes(self._held)
        if held.startswith(self._sent) and held[size : size + 1] in (b"\r", b"\n"):
            self.found = True
            self._end = held[size]
            return self._after_end(held[size + 1 :])
        if self._must:
            raise ReplyError(
                f"the echo is not what was sent: sent {escaped(self._sent)!r}, came {escaped(held[: size + 20])!r}",
                hint="A byte was lost or changed on the way: check the cable and the baud rate. Or the instrument does not echo.",
            )
        return held

    def _after_end(self, data: bytes) -> bytes:
        """Drop the second half of a CRLF or LFCR that ended the echo."""
        if self._end and data:
            other = CR + LF - self._end
            self._end = 0
            return data[1:] if data[0] == other else data
        return data


class _Lines:
    """Splits at CRLF, LF, CR and LFCR. The second half of a pair is swallowed when it comes, be it in the next piece."""

    def __init__(self, limit: int, longest: int) -> None:
        self.lines: list[bytes] = []
        self.rest = bytearray()
        self.ended_by = 0
        """The line end that was the last byte so far; 0 where it was another byte, or a pair is complete."""
        self._limit = limit
        self._longest = longest
        self._total = 0

    def feed(self, data: bytes) -> None:
        """Take a piece; ReplyError beyond the limits."""
        self._total += len(data)
        if self._total > self._limit:
            raise ReplyError(
                f"the reply is longer than the {self._limit} bytes that were expected at most; it begins "
                f"{escaped(self.lines[0][:TAIL] if self.lines else bytes(self.rest[:TAIL]))!r}",
                hint="Check that the dialect is the instrument's.",
            )
        start = 0
        while start < len(data):
            start = self._take(data, start)

    def _take(self, data: bytes, start: int) -> int:
        """Take one line, or what there is of it; return where the next begins."""
        if self.ended_by and data[start] == CR + LF - self.ended_by:
            self.ended_by = 0
            return start + 1
        ends = [place for place in (data.find(b"\r", start), data.find(b"\n", start)) if place >= 0]
        stop = min(ends, default=len(data))
        self.rest += data[start:stop]
        if len(self.rest) > self._longest:
            raise ReplyError(
                f"a line of the reply is longer than {self._longest} bytes: {escaped(bytes(self.rest[:TAIL]))!r} …",
                hint="Check the baud rate, and that the dialect is the instrument's.",
            )
        self.ended_by = 0
        if not ends:
            return stop
        self.lines.append(bytes(self.rest))
        self.rest.clear()
        self.ended_by = data[stop]
        return stop + 1


class PromptedLines:
    """Lines, then the prompt. The prompt counts only at the start of a line and the end of what has come.

    ``count`` lines are expected; None takes any number and settles by silence. A first line that begins with ``refusal`` is the
    whole reply.
    """

    def __init__(
        self,
        prompt: bytes,
        count: int | None,
        *,
        sent: bytes = b"",
        echo: EchoMode = "off",
        refusal: bytes = b"",
        limit: int = 65_536,
        what: str = "the reply",
    ) -> None:
        self._prompt, self._count, self._refusal, self._what = prompt, count, refusal, what
        self._echo = Echo(sent, echo)
        self._scan = _Lines(limit, LONGEST_LINE)
        self._tail = b""

    def feed(self, data: bytes) -> Verdict:
        """Take a piece. "quiet" where the prompt stands, but lines may be missing or their number is not known."""
        self._tail = (self._tail + data)[-TAIL:]
        self._scan.feed(self._echo.feed(data))
        rest = bytes(self._scan.rest)
        count = self._expected()
        got = len(self._scan.lines)
        if count is None or got < count:
            return "quiet" if rest == self._prompt else "more"
        if got > count or not self._may_follow(rest, got):
            raise self._too_much(count, got)
        return "whole" if rest == self._prompt else "more"

    def reply(self) -> Reply:
        """Return the lines; ReplyError where fewer came than expected."""
        count, got = self._expected(), len(self._scan.lines)
        if count is not None and got != count:
            raise ReplyError(
                f"{self._what}: {count} lines were expected, {got} came before the prompt",
                hint="Sweep again; if it stays so, the points the instrument is set to are not those of the bench file.",
            )
        return Reply(tuple(self._scan.lines), echoed=self._echo.found)

    def tail(self) -> bytes:
        """Return the last 60 bytes that came."""
        return self._tail

    def _expected(self) -> int | None:
        lines = self._scan.lines
        return 1 if self._refusal and lines and lines[0].startswith(self._refusal) else self._count

    def _may_follow(self, rest: bytes, got: int) -> bool:
        """Tell whether ``rest`` can be the beginning of the prompt, or of a refusal where no line has come."""
        if self._prompt.startswith(rest):
            return True
        refusal = self._refusal
        return bool(refusal) and got == 0 and (refusal.startswith(rest) or rest.startswith(refusal))

    def _too_much(self, count: int, got: int) -> ReplyError:
        return ReplyError(
            f"{self._what}: {count} lines and the prompt were expected; {got} lines came, the last bytes {escaped(self._tail)!r}",
            hint="A late reply, an echo that the dialect does not know of, or more points than asked for.",
        )


class CountedLines:
    """A known number of lines with no prompt after them: one line is a SCPI response message.

    Line ends in front of the first line are dropped (the second half of an earlier terminator).
    """

    def __init__(
        self,
        count: int,
        *,
        sent: bytes = b"",
        echo: EchoMode = "off",
        limit: int = 65_536,
        longest: int = LONGEST_LINE,
        what: str = "the reply",
    ) -> None:
        self._count, self._what = count, what
        self._echo = Echo(sent, echo)
        self._scan = _Lines(limit, longest)
        self._started = False
        self._tail = b""

    def feed(self, data: bytes) -> Verdict:
        """Take a piece. "quiet" where the last line ended with a lone CR: an LF may follow."""
        self._tail = (self._tail + data)[-TAIL:]
        data = self._echo.feed(data)
        if not self._started:
            data = data.lstrip(LINE_ENDS)
            self._started = bool(data)
        self._scan.feed(data)
        got = len(self._scan.lines)
        if got < self._count:
            return "more"
        if self._scan.rest or any(self._scan.lines[self._count :]):
            raise ReplyError(
                f"{self._what}: more came than one reply; the last bytes are {escaped(self._tail)!r}",
                hint="A late reply, an echo that the dialect does not know of, or more points than asked for.",
            )
        return "quiet" if got == self._count and self._scan.ended_by == CR else "whole"

    def reply(self) -> Reply:
        """Return the lines; ReplyError where they are incomplete."""
        if len(self._scan.lines) < self._count:
            raise ReplyError(f"{self._what}: {self._count} lines were expected, {len(self._scan.lines)} came", hint="Try again.")
        return Reply(tuple(self._scan.lines[: self._count]), echoed=self._echo.found)

    def tail(self) -> bytes:
        """Return the last 60 bytes that came."""
        return self._tail
