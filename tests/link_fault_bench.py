"""One link fault on one link: set up, sweep, change the cables, let the fault strike, sweep, and go on afterwards.

The truth is what the simulated receivers showed last, kept on the instrument's side of the link. The links are real ones (a
pseudo-terminal, a TCP socket, HiSLIP), or a virtual wire whose time passes in reads only.
"""

from __future__ import annotations

import contextlib
import tempfile
import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy import complex128
from numpy.typing import NDArray

from drivers.analyser import DialectAnalyser, Options
from drivers.conversation import SLOWEST_BYTES_PER_SECOND
from drivers.links import open_link
from drivers.simulated import SimulatedBench, serve
from drivers.simulated.languages import Piece, language_of
from drivers.simulated.link import Link
from drivers.simulated.link_faults import Spoiler
from drivers.transport import LinkKind, Transport
from harness.errors import InstrumentError, LinkError, TapproofError
from harness.records import Grid, Trace
from sequences import hookups
from tests.fake_links import FakeClock, dialect
from tests.link_fault_cases import ANY_CLEAR_ERROR, MARGIN_S, PLAIN, POINTS, SCPI, Case
from tests.simulated_texts import bench_of

GRID = Grid(1e6, 100e6, POINTS)
KINDS_OF_ERROR = tuple(ANY_CLEAR_ERROR.split("|"))
TRACES: tuple[Trace, ...] = ("s11", "s21")
RECONNECT_S = 2.0
PATIENCE_S = 30.0
"""The margin on a real link wherever no deadline has to run out: a machine may be slow."""
Traces = dict[Trace, NDArray[complex128]]


class PatientAnalyser(DialectAnalyser):
    """An analyser whose margin can be changed after the set-up."""

    def allow(self, margin_s: float) -> None:
        """From now on replies may be this late, and no later."""
        self._talk.margin_s = margin_s
        if self._grid is not None:
            self._talk.busy_s = self._busy_seconds(self._grid)


class RecordingBench(SimulatedBench):
    """A simulated bench that remembers what its receivers showed last."""

    shown: Traces = {}
    sweeps = 0

    def raw(self, traces: tuple[Trace, ...], grid: Grid, averages: int | None = None) -> Traces:
        self.shown = super().raw(traces, grid, averages)
        self.sweeps += 1
        return self.shown


@dataclass
class VirtualWire:
    """The instrument's end of a link without a real link: pieces wait until the clock says that they are due."""

    spoiler: Spoiler
    clock: FakeClock
    coming: deque[tuple[float, Piece]] = field(default_factory=deque)
    last_due: float = 0.0
    silent: bool = False
    away: bool = False
    back_at: float | None = None
    users: int = 0

    def hear(self, data: bytes) -> None:
        for piece in [] if self.silent else self.spoiler.pieces(data):
            self.last_due = max(self.last_due, self.clock.seconds) + piece.delay
            self.coming.append((self.last_due, piece))

    def present(self) -> bool:
        if self.away and self.back_at is not None and self.clock.seconds >= self.back_at:
            self.away = False
        return not self.away

    def act(self, piece: Piece) -> None:
        """What a piece does to the link once its bytes are sent."""
        self.coming.clear()
        self.last_due = 0.0
        self.spoiler.hang_up()
        self.silent = piece.then == "silent"
        self.away = piece.then == "vanish"
        self.back_at = None if piece.back is None else self.clock.seconds + piece.back
        if piece.then != "silent":
            self.users += 1


class VirtualTransport:
    """One user's end of a virtual wire."""

    def __init__(self, wire: VirtualWire, kind: LinkKind, checked: bool) -> None:
        self.address, self.kind, self.checked = "virtual://", kind, checked
        self._wire = wire
        if not wire.present():
            raise LinkError("opening virtual://: there is no such device", hint="Check the cable.")
        wire.users += 1
        wire.silent = False
        self._user = wire.users

    def write(self, data: bytes) -> None:
        self._look()
        self._wire.hear(data)

    def read(self, timeout: float) -> bytes:
        self._look()
        wire = self._wire
        if not wire.coming or wire.coming[0][0] > wire.clock.seconds + timeout:
            wire.clock.seconds += timeout
            return b""
        due, piece = wire.coming.popleft()
        wire.clock.seconds = max(wire.clock.seconds, due)
        if piece.then:
            wire.act(piece)
            self._look()
        return piece.data

    def drain(self) -> bytes:
        self._look()
        came = b""
        while self._wire.coming and self._wire.coming[0][0] <= self._wire.clock.seconds:
            _, piece = self._wire.coming.popleft()
            came += piece.data
            if piece.then:
                self._wire.act(piece)
                self._look()
        return came

    def clear(self) -> None:
        self._look()
        if self.kind == "message":
            self._wire.coming.clear()

    def close(self) -> None:
        if self._wire.users == self._user:
            self._wire.users += 1
            self._wire.coming.clear()
            self._wire.spoiler.hang_up()

    def _look(self) -> None:
        if self._wire.users != self._user or not self._wire.present():
            raise LinkError("reading from virtual://: the device is gone", hint="Check the cable.")


@dataclass
class Rig:
    """A simulated bench with a spoiler on one link. ``link``: "serial", "tcp" or "hislip"; ``clock`` None for a real link."""

    link: str
    bench: RecordingBench
    spoiler: Spoiler
    clock: FakeClock | None
    folder: Path
    served: Link | None = None
    wire: VirtualWire | None = None

    def plug_in(self) -> None:
        """Put the instrument on its link, or there again."""
        if self.clock is not None:
            self.wire = VirtualWire(self.spoiler, self.clock)
            return
        if self.served is not None:
            self.served.close()
        self.served = serve(self.spoiler, {"serial": "pty"}.get(self.link, self.link), folder=self.folder)

    def open(self) -> Transport:
        """Open the link as a user does."""
        if self.wire is not None:
            return VirtualTransport(self.wire, "message" if self.link == "hislip" else "stream", self.link != "serial")
        assert self.served is not None
        return open_link(self.served.address)

    def analyser(self, case: Case) -> PatientAnalyser:
        """A new analyser on the link, patient where the link is real."""
        spoken = dialect("plain-serial" if self.link == "serial" else "scpi-simulated", *case.changes.get(self.link, ()))
        comes_back = self.clock is None and "recovered" in case.end(self.link)
        options = Options(
            margin_s=self.margin(""),
            double_reading=case.double,
            reconnect_s=PATIENCE_S if comes_back else RECONNECT_S,
        )
        pause = time.sleep if self.clock is None else self._pass
        now: Callable[[], float] = self.clock or time.monotonic
        return PatientAnalyser(self.open(), spoken, options=options, clock=now, reopen=self.open, pause=pause)

    def margin(self, end: str) -> float:
        """The margin for a fault that ends so: a short one where a deadline has to run out, or where time is virtual."""
        return MARGIN_S if self.clock is not None or "timeout" in end else PATIENCE_S

    def now(self) -> float:
        """The time on the rig's clock."""
        return time.monotonic() if self.clock is None else self.clock.seconds

    def _pass(self, seconds: float) -> None:
        assert self.clock is not None
        self.clock.seconds += seconds


@contextmanager
def rig_of(link: str, case: Case, *, real: bool, seed: int = 1) -> Iterator[Rig]:
    """A bench with its instrument on the link, real or virtual."""
    bench = RecordingBench(bench_of("serial" if link == "serial" else "scpi"))
    spoiler = Spoiler(lambda: language_of(bench), bench.identity, case.echo, seed)
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        rig = Rig(link, bench, spoiler, None if real else FakeClock(), folder)
        rig.plug_in()
        try:
            yield rig
        finally:
            if rig.served is not None:
                rig.served.close()


@dataclass(frozen=True)
class Outcome:
    """How one fault ended. ``end``: as in :class:`Case`, or what must never be: "WRONG", "HANG", "TRACEBACK", "LOST"."""

    case: Case
    link: str
    end: str
    says: str
    seconds: float
    afterwards: str
    real: bool = False

    @property
    def as_stated(self) -> bool:
        """Whether it ended as the case states, and said what it has to say."""
        stated, allowed = self.case.end(self.link), self.case.end(self.link, real=self.real)
        says_so = self.end == "right" or self.case.says in self.says
        return self.end in allowed.split("|") and (says_so or allowed != stated)


def right(rig: Rig, found: Traces, swept_before: int) -> bool:
    """Whether these are the numbers of a new sweep, to the digits that the link carries."""
    return rig.bench.sweeps > swept_before and all(
        np.allclose(found[trace], rig.bench.shown[trace], rtol=1e-11, atol=1e-14) for trace in TRACES
    )


def strike(case: Case, link: str, *, real: bool, seed: int = 1, slack_s: float = 0.0) -> Outcome:
    """Let the fault strike and return how it ended. ``slack_s``: what a busy machine may need on top of the deadlines."""
    with rig_of(link, case, real=real, seed=seed) as rig, closing(rig.analyser(case)) as analyser:
        rig.bench.connect(hookups.THRU)
        if case.stage == "sweep":
            analyser.set_up(GRID)
            first = analyser.sweep(TRACES)
            assert right(rig, first, 0)
            kept = {trace: values.copy() for trace, values in first.items()}
            rig.bench.connect(hookups.standard("short"))
        remarks = len(analyser.transcript.text().splitlines())
        analyser.allow(margin := rig.margin(case.end(link)))
        rig.spoiler.arm(*case.script(PLAIN if link == "serial" else SCPI, link))
        begun, swept = rig.now(), rig.bench.sweeps
        end, says = _end_of(case, analyser, rig, swept)
        seconds = rig.now() - begun
        if not rig.spoiler.struck:
            end = "NOT STRUCK"
        if seconds > allowed_seconds_of(link, margin) + slack_s:
            end = "HANG"
        said = analyser.transcript.text().splitlines()[remarks:]
        if end in KINDS_OF_ERROR and f"given up, {end}: " not in "".join(said):
            end = "LOST"
        if end == "right" and (notes := [line.partition(" # ")[2] for line in said if _is_recovery(line)]):
            end, says = "recovered", "; ".join(notes)
        afterwards = _go_on(case, analyser, rig)
        if case.stage == "sweep" and any(not np.array_equal(first[trace], kept[trace]) for trace in TRACES):
            end = "LOST"
        return Outcome(case, link, end, says, seconds, afterwards, real)


def allowed_seconds_of(link: str, margin_s: float = MARGIN_S) -> float:
    """What the struck sweep may take: its deadline, that of its data, as long again to find the place, and the reconnection.

    Sweep: margin + 2 × expected. Data: margin + bytes at 9600 baud. See drivers.conversation.
    """
    spoken = dialect("plain-serial" if link == "serial" else "scpi-simulated")
    data = margin_s + spoken.reply_bytes(POINTS, 2, spoken.file.data.form) / SLOWEST_BYTES_PER_SECOND
    return 2 * (margin_s + 2 * POINTS * 0.001 + data) + RECONNECT_S + margin_s


def _end_of(case: Case, analyser: DialectAnalyser, rig: Rig, swept: int) -> tuple[str, str]:
    try:
        if case.stage != "sweep":
            analyser.set_up(GRID)
        found = analyser.sweep(TRACES)
    except TapproofError as error:
        hinted = bool(error.hint) and bool(error.message)
        return (error.kind if hinted else "NO HINT"), f"{error.message}. {error.hint}"
    except Exception as error:
        return "TRACEBACK", repr(error)
    return ("right" if right(rig, found, swept) else "WRONG"), ""


def _is_recovery(line: str) -> bool:
    words = (" # finding the place", " as before", "set aside", "read again", "sweep again", "a new sweep")
    return " # " in line and any(word in line for word in words)


def _go_on(case: Case, analyser: DialectAnalyser, rig: Rig) -> str:
    """Go on after the fault as the runner does; returns how: in the same session, set up again, or started again."""
    rig.spoiler.disarm()
    rig.spoiler.become_itself()

    def sweep() -> bool:
        swept = rig.bench.sweeps
        return right(rig, analyser.sweep(TRACES), swept)

    with contextlib.suppress(TapproofError):
        return "goes on" if sweep() else "WRONG"
    with contextlib.suppress(InstrumentError):
        analyser.set_up(GRID)
        return "set up again" if sweep() else "WRONG"
    analyser.close()
    rig.plug_in()
    with closing(rig.analyser(case)) as analyser:
        analyser.set_up(GRID)
        return "started again" if sweep() else "WRONG"
