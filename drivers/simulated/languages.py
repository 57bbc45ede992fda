"""Which language the simulated analyser speaks."""

from __future__ import annotations

from typing import Protocol

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
