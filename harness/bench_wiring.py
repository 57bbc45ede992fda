"""Wiring of ``bench``: the instrument on which answers are tried, what is plugged in, and the check of a whole dialect."""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy import complex128
from numpy.typing import NDArray

from harness import files, wiring
from harness.bench_making import Draft, bench_text, dialect_text, make_bench
from harness.errors import CommandRefused, ReplyError, Stopped, UsageError
from harness.operators import AlwaysDone, SimulatedHand, TerminalKeys, TerminalOperator, error_console
from harness.operators.terminal_questions import TerminalAsker
from harness.ports import Operator, Request
from harness.proving import Wish
from harness.records import Bench, Grid, HookUp, Trace

if TYPE_CHECKING:
    from drivers.analyser import DialectAnalyser
    from drivers.conversation import Conversation
    from drivers.dialect import Dialect
    from drivers.finding import Found
    from drivers.transport import Transport

NONSENSE = "tapproof-no-such-word"
SWEEPS = 8
"""How many sweeps the noise is taken from."""
Clock = Callable[[], float]


class LiveTrial:
    """A Trial on the instrument behind an address. The link is opened anew where it was lost."""

    def __init__(
        self,
        address: str,
        *,
        margin_s: float,
        paths: Callable[[], str],
        clock: Clock = time.monotonic,
        opened: Callable[[str], Transport] | None = None,
    ) -> None:
        self._address, self._margin_s, self._paths, self._clock = address, margin_s, paths, clock
        self._opened = opened or _open
        self._talk: Conversation | None = None

    def close(self) -> None:
        """Close the link; never raises."""
        if self._talk is not None:
            self._talk.session.close()
            self._talk = None

    def identify(self, text: str) -> tuple[str, bool]:
        """Return identity and echo; always over a new conversation, for everything that frames a reply may have changed."""
        self.close()
        talk = self._with(text)
        said = talk.identify()
        return said, talk.dialect.echo == "on"

    def say(self, text: str, number: int, grid: Grid) -> str:
        """Send one set-up message and return it as sent."""
        talk = self._with(text)
        message = talk.dialect.set_up(grid)[number]
        talk.say(message)
        talk.check_errors()
        return message

    def refuses(self, text: str) -> str:
        """Return how the instrument refuses a word that it cannot know."""
        try:
            self._with(text).say(NONSENSE)
        except CommandRefused as refused:
            return refused.message
        raise ReplyError(f"{NONSENSE!r} was not refused", hint="Look up how a refusal begins, or answer that there is none (-).")

    def errors(self, text: str) -> None:
        """Empty the error queue, whatever stands in it, and see that it stays empty."""
        talk = self._with(text)
        try:
            talk.check_errors()
        except CommandRefused:
            talk.check_errors()

    def read_back(self, text: str, number: int, grid: Grid) -> str:
        """Return the answer to one query for settings, which fits ``grid`` as all set-up messages set it."""
        talk = self._with(text)
        self._set(talk, grid)
        entry = talk.dialect.file.read_back[number]
        said = talk.ask(entry.send)
        talk.dialect.check_read_back(entry, said, grid)
        talk.check_errors()
        return said

    def sweep(self, text: str, grid: Grid) -> float:
        """Return the seconds of one sweep."""
        talk = self._with(text)
        self._set(talk, grid)
        begun = self._clock()
        talk.trigger(self._margin_s, None)
        return self._clock() - begun

    def axis(self, text: str, grid: Grid) -> str:
        """Return the frequencies in words."""
        talk = self._with(text)
        self._set(talk, grid)  # a whole sweep on the bench's grid may have come in between
        axis = talk.axis(grid)
        return f"{axis.size} frequencies, {axis[0]:.10g} Hz to {axis[-1]:.10g} Hz"

    def trace(self, text: str, trace: Trace, grid: Grid) -> NDArray[complex128]:
        """Return one trace."""
        return self._with(text).trace(trace, grid.points)

    def whole(self, text: str, grid: Grid, traces: tuple[Trace, ...]) -> tuple[dict[Trace, NDArray[complex128]], float]:
        """Return the traces of a sweep taken over a link of its own, as a proof takes it."""
        from drivers.analyser import DialectAnalyser, Options

        self.close()
        transport = self._opened(self._address)
        slow = self._margin_s / grid.points
        both = self._paths() == "two-path"
        options = Options(paths="two-path" if both else "one-path", margin_s=self._margin_s, point_time_s=slow)
        analyser = DialectAnalyser(transport, _parsed(text), options=options, clock=self._clock)
        try:
            analyser.set_up(grid)
            begun = self._clock()
            return analyser.sweep(traces), self._clock() - begun
        finally:
            analyser.close()

    def _set(self, talk: Conversation, grid: Grid) -> None:
        for message in talk.dialect.set_up(grid):
            talk.say(message)
            talk.check_errors()

    def _with(self, text: str) -> Conversation:
        """Return the conversation, the dialect of ``text`` spoken in it from now on."""
        from drivers.conversation import Conversation

        dialect = _parsed(text)
        if self._talk is not None and self._talk.session.gone:
            self.close()
        if self._talk is None:
            self._talk = Conversation(self._opened(self._address), dialect, margin_s=self._margin_s, clock=self._clock)
        self._talk.dialect = dialect
        return self._talk


def _parsed(text: str) -> Dialect:
    from drivers.dialect import parse_dialect

    return parse_dialect(text, "the dialect so far")


def _open(address: str) -> Transport:
    from drivers.links import open_link

    return open_link(address)


def new_bench(name: str, address: str, folder: Path, *, force: bool, margin_s: float) -> tuple[Path, Path]:
    """Ask a person at the terminal, try on the instrument, write bench and dialect; return their paths.

    UsageError: a file is there, an address that is none; Stopped: nothing was written.
    """
    from drivers.links import parse_address

    bench_path, dialect_path = folder / f"{name}.toml", folder / f"{name}-dialect.toml"
    files.check_name(name, "bench")
    for path in (bench_path, dialect_path):
        files.check_free(path, force=force)
    parse_address(address)
    asker = TerminalAsker(error_console(), TerminalKeys())
    asker.require_terminal()
    draft = Draft(name=name, address=address, margin_s=margin_s)
    trial = LiveTrial(address, margin_s=margin_s, paths=lambda: draft.paths)
    try:
        make_bench(draft, asker, trial)
    finally:
        trial.close()
    files.write_asked(dialect_path, dialect_text(draft), force=force)
    files.write_asked(bench_path, bench_text(draft, dialect_path.name), force=force)
    files.read_bench(str(bench_path))  # what was written reads back, or says why not
    return bench_path, dialect_path


def find() -> tuple[list[Found], str]:
    """Return what is plugged in, and why VISA could not look ("" where it could)."""
    from drivers.finding import serial_ports, visa_resources

    resources, why = visa_resources()
    return [*serial_ports(), *resources], why


# -- bench check ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class CheckedMessage:
    """One message that was tried: what came back, in how many seconds; ``line``: where it stands in the dialect file."""

    what: str
    ok: bool
    says: str
    seconds: float
    line: int | None


@dataclass(frozen=True)
class Noise:
    """Noise of a sweep in dB relative to a total reflection. ``floor``: what S21 shows of nothing; ``trace``: of each trace."""

    floor_db: float
    trace_db: dict[Trace, float]
    sweeps: int
    seconds: float
    """Of one sweep with its reading."""


@dataclass(frozen=True)
class BenchCheck:
    """The bench whose dialect is tried, the dialect's source, and the analyser."""

    bench: Bench
    source: str
    text: str
    analyser: DialectAnalyser
    operator: Operator
    clock: Clock = time.monotonic

    def messages(self) -> Iterator[CheckedMessage]:
        """Try every message once and yield what came back."""
        begun = self.clock()
        for tried in self.analyser.rehearse(self.bench.grid):
            now = self.clock()
            yield CheckedMessage(tried.what, tried.ok, tried.says, now - begun, line_of_message(self.text, tried.what))
            begun = now

    def noise(self) -> Noise:
        """Sweep several times with both cables open. Raises InstrumentError, and Stopped where the operator stops."""
        says = ("Take everything off both cables: leave them open.", "The noise of the analyser is measured.")
        if self.operator.ask(Request("connect", "Open cables", says, HookUp("open", ()))) == "stop":
            raise Stopped("stopped by the operator")
        self.analyser.set_up(self.bench.grid)
        begun = self.clock()
        taken = [self.analyser.sweep(("s11", "s21")) for _ in range(SWEEPS)]
        return noise_of(taken, (self.clock() - begun) / SWEEPS)


def noise_of(taken: list[dict[Trace, NDArray[complex128]]], seconds: float) -> Noise:
    """Return the noise of sweeps of the same thing.

    Trace noise: the standard deviation of one complex point about its mean over the sweeps, the root mean square over the
    trace. Floor: the root mean square of S21.
    """
    spread = {
        trace: float(np.sqrt(np.mean(np.var(np.array([one[trace] for one in taken]), axis=0, ddof=1)))) for trace in taken[0]
    }
    floor = float(np.sqrt(np.mean([np.mean(np.abs(one["s21"]) ** 2) for one in taken])))
    return Noise(_db(floor), {trace: _db(value) for trace, value in spread.items()}, len(taken), seconds)


def _db(ratio: float) -> float:
    return 20 * float(np.log10(max(ratio, 1e-15)))


def line_of_message(text: str, sent: str) -> int | None:
    """Return the line of a dialect's text where the message ``sent`` stands, its numbers filled in; None where none is found.

    Of several messages that were tried as one, joined by ", ", the first one's.
    """
    wanted = (sent, sent.split(", ")[0])
    for number, line in enumerate(text.splitlines(), start=1):
        for written in _QUOTED.findall(line):
            pieces = _FIELD.split(written.replace('\\"', '"'))
            pattern = "".join(".+" if piece.startswith("{") else re.escape(piece) for piece in pieces)
            if len(written) > 1 and any(re.fullmatch(pattern, one) for one in wanted):
                return number
    return None


_QUOTED = re.compile(r'"((?:[^"\\]|\\.)*)"')
_FIELD = re.compile(r"(\{[^{}]*\})")


@contextmanager
def open_check(name: str, *, yes: bool, quiet: bool, operator: Operator | None = None) -> Iterator[BenchCheck]:
    """Open the link of a bench for its check. UsageError for ``yes`` on a real bench; FileError names the dialect's line."""
    bench = files.read_bench(name)
    if yes and not bench.is_simulated:
        raise UsageError(f"--yes answers for simulated benches only; {bench.name} is real", hint="Run without --yes.")
    text, source = files.read_dialect_text(bench.analyser.dialect, name)
    asked: Operator = operator or TerminalOperator(error_console(), TerminalKeys(), quiet=quiet)
    asked = AlwaysDone(asked) if yes else asked
    with ExitStack() as stack:
        linked = wiring.link_bench(bench, Wish(unit="", type_=None, bench=name), stack)
        if linked.connect is not None:
            asked = SimulatedHand(asked, linked.connect)
        yield BenchCheck(bench, source, text, linked.analyser, asked)
