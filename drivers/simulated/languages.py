"""Which language the simulated analyser speaks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Protocol, runtime_checkable

from drivers.simulated.bench import SimulatedBench
from drivers.simulated.plain_serial import PlainSerial
from drivers.simulated.scpi import Scpi
from harness.errors import UsageError


class Model(Protocol):
    """An instrument without I/O. Anything of this shape can be served, also a wrapper that spoils what goes through it."""

    def receive(self, data: bytes) -> bytes:
        """Take bytes as they come, in any pieces, and return the bytes sent in answer (perhaps none yet)."""

    def hang_up(self) -> None:
        """The other side has closed the link: forget what was begun."""


@dataclass(frozen=True)
class Piece:
    """Part of an answer: ``data``, sent ``delay`` seconds after the piece before it; ``then`` something happens to the link.

    "close": the instrument ends the connection. "vanish": it is gone, and so is its address. "silent": it takes everything and
    answers nothing. The last two end after ``back`` seconds, or never where that is None. ``frame`` is for links with messages
    of their own: "open" leaves the message without end, the others spoil its header (see drivers.simulated.hislip).
    """

    data: bytes = b""
    delay: float = 0.0
    then: Literal["", "close", "vanish", "silent"] = ""
    back: float | None = None
    frame: Literal["", "open", "other id", "no prologue", "too long"] = ""


@runtime_checkable
class Fitful(Protocol):
    """An instrument that answers in pieces, each in its time, and may fail."""

    def pieces(self, data: bytes) -> list[Piece]:
        """Take bytes as they come, in any pieces, and return what is sent in answer."""


def language_of(bench: SimulatedBench) -> Model:
    """Return the instrument that the bench file's dialect speaks to; UsageError for a dialect that is not simulated."""
    dialect = bench.bench.analyser.dialect
    if dialect == "plain-serial":
        return PlainSerial(bench)
    if dialect.startswith("scpi"):
        return Scpi(bench)
    raise UsageError(
        f"the simulated analyser does not speak the dialect {dialect!r}",
        hint="On a simulated bench the dialect is plain-serial, or one whose name begins with scpi.",
    )
