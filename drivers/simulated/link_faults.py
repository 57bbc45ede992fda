"""Faults of links and instruments, by script: what an instrument hears, says, and when, spoiled on purpose.

A :class:`Spoiler` stands between the instrument and its link. It knows no clock: an answer is a list of pieces with delays.
Every draw comes from its seed. The functions at the end make answers that are late, torn, changed, or without end.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import pairwise

from drivers.simulated.languages import Model, Piece

DIGITS = b"0123456789"
LONGEST_LINE = 5000


@dataclass(frozen=True)
class Told:
    """What a fault has to work with: the answer that was due, the last answer to the same message, and a source of draws."""

    answer: bytes
    before: bytes
    draws: random.Random


Spoil = Callable[[Told], list[Piece]]


@dataclass(frozen=True)
class LinkFault:
    """One fault. It strikes the message ``at`` (any message where that is ""), after ``skip`` of them, ``times`` times.

    ``hears``: the message that the instrument takes in its place (b"" for none). ``reset``: it has been switched off and on
    before. ``becomes``: from now on it calls itself this. ``spoil``: what comes of its answer. ``times`` None: always.
    """

    at: str = ""
    spoil: Spoil | None = None
    hears: Callable[[bytes], bytes] | None = None
    reset: bool = False
    becomes: str = ""
    times: int | None = 1
    skip: int = 0


@dataclass
class _Armed:
    fault: LinkFault
    seen: int = 0
    struck: int = 0

    def strikes(self, message: str) -> bool:
        """Tell whether this message is hit, and count it."""
        if self.fault.at and message != self.fault.at:
            return False
        self.seen += 1
        if self.seen <= self.fault.skip or (self.fault.times is not None and self.struck >= self.fault.times):
            return False
        self.struck += 1
        return True


@dataclass
class Spoiler:
    """An instrument with faults. ``fresh`` builds it as it is after switching on; ``identity``: what it calls itself.

    ``echo``: every message comes back before its answer, as from an instrument that echoes.
    """

    fresh: Callable[[], Model]
    identity: str = ""
    echo: bool = False
    seed: int = 1
    struck: list[str] = field(default_factory=list)
    """The messages that a fault has struck."""

    def __post_init__(self) -> None:
        self._inner = self.fresh()
        self._armed: list[_Armed] = []
        self._draws = random.Random(self.seed)  # noqa: S311  # repeatable noise, no secret
        self._name = self.identity
        self._before: dict[str, bytes] = {}
        self._rest = b""

    def arm(self, *faults: LinkFault) -> None:
        """Let these faults strike from now on."""
        self._armed += [_Armed(fault) for fault in faults]

    def disarm(self) -> None:
        """Let nothing strike any more. An instrument that has become another stays that other."""
        self._armed.clear()

    def become_itself(self) -> None:
        """Put the first instrument back on the link."""
        self._name = self.identity

    def pieces(self, data: bytes) -> list[Piece]:
        """Take bytes as they come, in any pieces, and return what is sent in answer."""
        *messages, self._rest = (self._rest + data).split(b"\n")
        self._rest = self._rest[-LONGEST_LINE:]
        return [piece for message in messages for piece in self._answer(message)]

    def receive(self, data: bytes) -> bytes:
        """Return the answer without its delays, for a link that knows none."""
        return b"".join(piece.data for piece in self.pieces(data))

    def hang_up(self) -> None:
        """The other side has closed the link."""
        self._rest = b""
        self._inner.hang_up()

    def _answer(self, message: bytes) -> list[Piece]:
        text = message.decode("latin-1").strip()
        fault = next((armed.fault for armed in self._armed if armed.strikes(text)), None)
        if fault is None:
            answer = self._ask(message + b"\n")
            self._before[text] = answer
            return [Piece(answer)] if answer else []
        self.struck.append(text)
        if fault.reset:
            self._inner = self.fresh()
        self._name = fault.becomes or self._name
        answer = self._ask(message + b"\n" if fault.hears is None else fault.hears(message + b"\n"))
        if fault.spoil is not None:
            return fault.spoil(Told(answer, self._before.get(text, b""), self._draws))
        return [Piece(answer)] if answer else []

    def _ask(self, heard: bytes) -> bytes:
        answer = self._inner.receive(heard)
        if self._name != self.identity:
            answer = answer.replace(self.identity.encode("ascii"), self._name.encode("ascii"))
        return heard.rstrip(b"\r\n") + b"\r\n" + answer if self.echo and heard else answer


# -- what can be done to an answer -----------------------------------------------------------------------------------------------


def late(seconds: float) -> Spoil:
    """Return a spoil that sends the whole answer ``seconds`` later."""
    return lambda told: [Piece(told.answer, seconds)]


def torn(*places: float, gap: float = 0.0) -> Spoil:
    """Return a spoil that cuts the answer at ``places`` (fractions of its length) and waits ``gap`` seconds between."""

    def spoil(told: Told) -> list[Piece]:
        edges = [0, *(int(place * len(told.answer)) for place in places), len(told.answer)]
        parts = [told.answer[one:other] for one, other in pairwise(edges)]
        return [Piece(part, gap if number else 0.0) for number, part in enumerate(parts) if part]

    return spoil


def byte_by_byte(gap: float = 0.0) -> Spoil:
    """Return a spoil that sends every byte alone."""
    return lambda told: [Piece(told.answer[n : n + 1], gap) for n in range(len(told.answer))]


def changed(change: Callable[[bytes], bytes]) -> Spoil:
    """Return a spoil that changes the bytes of the answer."""
    return lambda told: [Piece(change(told.answer))]


def without_byte(place: float) -> Spoil:
    """Return a spoil that loses the byte at this fraction of the answer."""
    return changed(lambda answer: answer[: _at(answer, place)] + answer[_at(answer, place) + 1 :])


def with_bytes(place: float, more: bytes) -> Spoil:
    """Return a spoil that puts bytes in at this fraction of the answer."""
    return changed(lambda answer: answer[: _at(answer, place)] + more + answer[_at(answer, place) :])


def flipped(place: float, bit: int, *, digit: bool = False) -> Spoil:
    """Return a spoil that flips a bit of the byte at this fraction of the answer; ``digit``: of the next digit of a text."""

    def change(answer: bytes) -> bytes:
        at = _at(answer, place)
        while digit and at < len(answer) - 1 and answer[at] not in DIGITS:
            at += 1
        return answer[:at] + bytes([answer[at] ^ (1 << bit)]) + answer[at + 1 :]

    return changed(change)


def flipped_somewhere(told: Told) -> list[Piece]:
    """Spoil: one bit is flipped, wherever the draws put it."""
    at, bit = told.draws.randrange(len(told.answer)), told.draws.randrange(8)
    return [Piece(told.answer[:at] + bytes([told.answer[at] ^ (1 << bit)]) + told.answer[at + 1 :])]


def half_old(told: Told) -> list[Piece]:
    """Spoil: the first half is of this sweep, the second of the one before."""
    middle = len(told.answer) // 2
    return [Piece(told.answer[:middle] + told.before[middle:])]


def old(told: Told) -> list[Piece]:
    """Spoil: the answer of the time before, whole."""
    return [Piece(told.before)]


def never(told: Told) -> list[Piece]:
    """Spoil: no answer at all."""
    return []


def silent(back: float | None = None) -> Spoil:
    """Return a spoil after which the other side takes everything and answers nothing."""
    return lambda told: [Piece(then="silent", back=back)]


def cut_off(place: float, then: str = "") -> Spoil:
    """Return a spoil that stops at this fraction of the answer; ``then`` "close" or "vanish" the link ends there."""

    def spoil(told: Told) -> list[Piece]:
        data = told.answer[: _at(told.answer, place)]
        if then == "close":
            return [Piece(data, frame="open", then="close")]
        if then == "vanish":
            return [Piece(data, frame="open", then="vanish")]
        return [Piece(data, frame="open")]

    return spoil


def unplugged(back: float | None) -> Spoil:
    """Return a spoil after which the device is gone, and there again after ``back`` seconds (None: never)."""
    return lambda told: [Piece(then="vanish", back=back)]


def again(gap: float = 0.0, copies: int = 1) -> Spoil:
    """Return a spoil that sends the answer and then ``copies`` of it, each ``gap`` seconds after the one before."""
    return lambda told: [Piece(told.answer), *[Piece(told.answer, gap)] * copies]


def endless(part: bytes, gap: float, count: int) -> Spoil:
    """Return a spoil that sends the answer's first half and then ``part`` again and again, ``count`` times, and never ends."""

    def spoil(told: Told) -> list[Piece]:
        return [Piece(told.answer[: len(told.answer) // 2], frame="open"), *[Piece(part, gap, frame="open")] * count]

    return spoil


def noise(size: int) -> Spoil:
    """Return a spoil that sends ``size`` bytes of noise in place of the answer."""
    return lambda told: [Piece(told.draws.randbytes(size))]


def framed(kind: str) -> Spoil:
    """Return a spoil of HiSLIP's own frame: a message of another id, without prologue, or with a length that lies."""

    def spoil(told: Told) -> list[Piece]:
        if kind == "other id":
            return [Piece(told.answer, frame="other id"), Piece(told.answer)]
        return [Piece(told.answer, frame="no prologue" if kind == "no prologue" else "too long")]

    return spoil


def _at(answer: bytes, place: float) -> int:
    return min(int(place * len(answer)), max(len(answer) - 1, 0))
