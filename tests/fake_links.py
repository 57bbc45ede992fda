"""Fakes for the drivers' tests: a clock that moves only when somebody waits, a transport with a script, two small analysers.

The analysers know nothing of the drivers: they take bytes and give bytes, as the dialect files describe it.
"""

from __future__ import annotations

import struct
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import numpy as np

from drivers.dialect import Dialect, parse_dialect
from drivers.transport import LinkKind
from harness.errors import LinkError

FOLDER = Path(__file__).parents[1] / "drivers" / "dialects"
Piece = tuple[float, bytes]
"""(seconds after the message was sent, bytes)."""


def shipped(name: str) -> str:
    """The text of a shipped dialect file."""
    return (FOLDER / f"{name}.toml").read_text(encoding="utf-8")


def dialect(name: str, *changes: tuple[str, str]) -> Dialect:
    """A shipped dialect with lines changed."""
    text = shipped(name)
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return parse_dialect(text, f"{name}.toml")


@dataclass
class FakeClock:
    """Monotonic seconds that pass only in reads."""

    seconds: float = 100.0

    def __call__(self) -> float:
        return self.seconds


@dataclass
class FakeTransport:
    """A link to ``answer``: called with what is sent, gives pieces with their delays. Time passes in ``read`` only."""

    answer: Callable[[bytes], Iterable[Piece]]
    clock: FakeClock = field(default_factory=FakeClock)
    address: str = "fake://"
    kind: LinkKind = "stream"
    checked: bool = True
    sent: list[bytes] = field(default_factory=list)
    waits: list[float] = field(default_factory=list)
    clears: int = 0
    closed: int = 0
    coming: deque[Piece] = field(default_factory=deque)
    vanished: bool = False

    def write(self, data: bytes) -> None:
        self._look()
        self.sent.append(data)
        pieces = [(self.clock.seconds + delay, piece) for delay, piece in self.answer(data)]
        self.coming = deque(sorted([*self.coming, *pieces], key=lambda piece: piece[0]))

    def read(self, timeout: float) -> bytes:
        self._look()
        self.waits.append(timeout)
        if self.coming and self.coming[0][0] <= self.clock.seconds + timeout:
            due, data = self.coming.popleft()
            self.clock.seconds = max(self.clock.seconds, due)
            return data
        self.clock.seconds += timeout
        return b""

    def drain(self) -> bytes:
        self._look()
        came = b""
        while self.coming and self.coming[0][0] <= self.clock.seconds:
            came += self.coming.popleft()[1]
        return came

    def clear(self) -> None:
        self.clears += 1
        self.coming.clear()

    def close(self) -> None:
        self.closed += 1
        self.vanished = True

    def _look(self) -> None:
        if self.vanished:
            raise LinkError(f"reading from {self.address}: the device is gone", hint="Check the cable.")


def at_once(model: Callable[[bytes], bytes]) -> Callable[[bytes], list[Piece]]:
    """An analyser's whole answer in one piece, with no delay."""

    def answer(data: bytes) -> list[Piece]:
        reply = model(data)
        return [(0.0, reply)] if reply else []

    return answer


def cut(data: bytes, *places: int) -> list[bytes]:
    """``data`` in pieces, cut at ``places``."""
    edges = [0, *sorted(places), len(data)]
    return [data[one:other] for one, other in pairwise(edges) if other > one]


DRIFT = 1e-6
"""What is added to every point from one sweep to the next: no two sweeps of a receiver are the same."""


class FakePlain:
    """An analyser that speaks the plain serial language."""

    def __init__(self, identity: str = "FAKE PLAIN 1") -> None:
        self.identity = identity
        self.low, self.high, self.points, self.averages = 1e6, 2e6, 5, 1
        self.taken = 0
        self._rest = b""

    def __call__(self, data: bytes) -> bytes:
        *lines, self._rest = (self._rest + data).split(b"\n")
        return b"".join(self.line(line.decode()) for line in lines)

    def line(self, text: str) -> bytes:
        lines = self.lines(text)
        return "".join(f"{line}\r\n" for line in lines).encode() + b"ok: "

    def lines(self, text: str) -> list[str]:
        word, *given = text.split() or [""]
        traces = {"gamma": 0.5, "forward": 0.25}
        if word == "span" and len(given) == 3:
            if float(given[1]) > 3e9:
                return ["error: span"]
            self.low, self.high, self.points = float(given[0]), float(given[1]), int(given[2])
            return []
        if word == "average" and given:
            self.averages = int(given[0])
            return []
        if word in traces:
            if not self.taken:
                return ["error: nothing taken"]
            drift = DRIFT * (self.taken - 1)
            return [f"{traces[word] * n / self.points + drift:+.12e} {-1 / n:+.12e}" for n in range(1, self.points + 1)]
        self.taken += word == "take"
        axis = [f"{hz:018.3f}" for hz in np.linspace(self.low, self.high, self.points)]
        span = [f"{self.low:.3f} {self.high:.3f} {self.points}"]
        known = {"who": [self.identity], "span": span, "average": [str(self.averages)], "take": [], "axis": axis, "": []}
        return known.get(word, ["error: unknown"])


class FakeScpi:
    """An analyser that speaks the SCPI of the dialect scpi-simulated; errors go into its queue."""

    def __init__(self, identity: str = "FAKE,SCPI,1,0") -> None:
        self.identity = identity
        self.values = {
            "SENSE:FREQUENCY:START": "1E6",
            "SENSE:FREQUENCY:STOP": "2E6",
            "SENSE:SWEEP:POINTS": "5",
            "SENSE:SWEEP:SPACING": "LIN",
            "SENSE:AVERAGE:COUNT": "1",
            "SENSE:AVERAGE:STATE": "0",
            "FORMAT:DATA": "ASC,0",
            "FORMAT:BORDER": "NORM",
            "INITIATE:CONTINUOUS": "1",
            "SENSE:CORRECTION:STATE": "0",
        }
        self.errors: list[str] = []
        self.taken = 0
        self._rest = b""

    def __call__(self, data: bytes) -> bytes:
        *lines, self._rest = (self._rest + data).split(b"\n")
        answers = [self.message(line.decode()) for line in lines]
        return b"".join(answer + b"\n" for answer in answers if answer is not None)

    def message(self, text: str) -> bytes | None:
        header, _, given = text.upper().partition(" ")
        if header == "TRACE:DATA?":
            return self.data(given)
        if header == "SYSTEM:ERROR?":
            return (self.errors.pop(0) if self.errors else '+0,"No error"').encode()
        if header in ("*IDN?", "*OPC?"):
            return self.identity.encode() if header == "*IDN?" else b"1"
        if header == "*CLS":
            self.errors.clear()
        elif header == "INITIATE:IMMEDIATE":
            self.taken += 1
        elif header.endswith("?") and header[:-1] in self.values:
            return self.values[header[:-1]].encode()
        elif header in self.values:
            self.set(header, given)
        else:
            self.errors.append('-113,"Undefined header"')
        return None

    def set(self, header: str, given: str) -> None:
        short = {
            "LINEAR": "LIN",
            "LOGARITHMIC": "LOG",
            "ON": "1",
            "OFF": "0",
            "ASCII": "ASC,0",
            "NORMAL": "NORM",
            "SWAPPED": "SWAP",
        }
        if header == "SENSE:FREQUENCY:STOP" and float(given) > 3e9:
            self.errors.append('-222,"Data out of range"')
            return
        self.values[header] = short.get(given, given)

    def data(self, which: str) -> bytes | None:
        low, high = (float(self.values[f"SENSE:FREQUENCY:{edge}"]) for edge in ("START", "STOP"))
        points = int(self.values["SENSE:SWEEP:POINTS"])
        space = np.geomspace if self.values["SENSE:SWEEP:SPACING"] == "LOG" else np.linspace
        numbers = [float(value) for value in space(low, high, points)]
        if which != "FREQ":
            if not self.taken:
                self.errors.append('-230,"Data corrupt or stale"')
                return None
            scale = {"S11": 0.5, "S21": 0.25, "S12": 0.125, "S22": 0.0625}[which]
            drift = DRIFT * (self.taken - 1)
            numbers = [part for n in range(1, points + 1) for part in (scale * n / points + drift, -1 / n)]
        form = self.values["FORMAT:DATA"]
        if form.startswith("ASC"):
            return ",".join(f"{number:+.12E}" for number in numbers).encode()
        order = "<" if self.values["FORMAT:BORDER"] == "SWAP" else ">"
        kind = "f" if form.endswith("32") else "d"
        payload = struct.pack(f"{order}{len(numbers)}{kind}", *numbers)
        length = str(len(payload)).encode()
        return b"#" + str(len(length)).encode() + length + payload
