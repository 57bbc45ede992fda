"""What the questions need of the world: a person who answers, and an instrument on which the answers are tried."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from numpy import complex128
from numpy.typing import NDArray

from harness.records import Grid, HookUp, Trace

NONE = "-"
"""The answer that means: there is no such thing."""


@dataclass(frozen=True)
class Question:
    """One question. ``default``: what an empty answer means; None: an answer is needed. ``choices``: all there are, if any.

    ``optional``: "-" answers that there is no such thing.
    """

    key: str
    text: str
    help: str = ""
    default: str | None = None
    choices: tuple[str, ...] = ()
    optional: bool = False


class Asker(Protocol):
    """The person at the bench. Raises Stopped where the person ends it."""

    def ask(self, question: Question) -> str:
        """Return the answer as typed, the default for an empty one."""

    def connect(self, hookup: HookUp, says: tuple[str, ...]) -> None:
        """Return when the person says that the cables are as the hook-up names them."""

    def tell(self, text: str) -> None:
        """Show a line."""


class Trial(Protocol):
    """An instrument, spoken to by the dialect of a text: every method takes it. InstrumentError and its kinds, FileError."""

    def identify(self, text: str) -> tuple[str, bool]:
        """Return what the instrument calls itself, and whether it echoes what it is sent."""

    def say(self, text: str, number: int, grid: Grid) -> str:
        """Send the set-up message of this number for ``grid`` and return it as sent."""

    def refuses(self, text: str) -> str:
        """Send a word that no instrument knows and return how it was refused; ReplyError where it was not."""

    def errors(self, text: str) -> None:
        """Read the error queue until it is empty: what stood in it before is thrown away."""

    def read_back(self, text: str, number: int, grid: Grid) -> str:
        """Ask for settings and return the answer, which fits ``grid``."""

    def sweep(self, text: str, grid: Grid) -> float:
        """Set up, sweep once and return the seconds that it took."""

    def axis(self, text: str, grid: Grid) -> str:
        """Read the frequencies, which are those of ``grid``, and return them in words."""

    def trace(self, text: str, trace: Trace, grid: Grid) -> NDArray[complex128]:
        """Read one trace of the sweep that was taken last, complex128 of shape (points,)."""

    def whole(self, text: str, grid: Grid, traces: tuple[Trace, ...]) -> tuple[dict[Trace, NDArray[complex128]], float]:
        """Set up, sweep and read as a proof does it, every check on; return the traces, and the seconds that it took."""
