"""The analyser that the runner uses: a dialect spoken over a transport, in words of the trade.

Before each sweep the identity and the settings are asked again, and the settings once more when its data have been read: an
analyser that was exchanged, reset or touched since the set-up is noticed, and so is a reply that has slipped by one.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy import complex128
from numpy.typing import NDArray

from drivers.conversation import Conversation, Spoken
from drivers.dialect import Dialect
from drivers.pieces import OVERLAP, Piece, Traces, is_repeated, join, split
from drivers.rehearsal import Tried, rehearse
from drivers.transcript import Transcript
from drivers.transport import Clock, Transport
from harness.errors import InstrumentError, LinkError, ReplyError, ReplyTimeout, UsageError
from harness.ports import Progress
from harness.records.sweep import Grid, Settings, Trace

__all__ = ["DialectAnalyser", "Options", "Tried"]
RETRY_S = 0.25


@dataclass(frozen=True)
class Options:
    """How an analyser is treated.

    ``point_time_s``, ``margin_s``, ``factor``: see DialectAnalyser. ``double_reading``: read each trace twice on links that
    carry a checksum as well; on others it is always done. ``max_points``: the most points of one sweep; longer grids are swept
    in pieces. ``corrects_itself``: the analyser corrects, so its correction must be on and its grid must not be cut.
    ``reconnect_s``: how long to wait for a link that has vanished.
    """

    paths: Literal["one-path", "two-path"] = "one-path"
    point_time_s: float = 0.001
    margin_s: float = 5.0
    factor: float = 2.0
    double_reading: bool = False
    max_points: int | None = None
    corrects_itself: bool = False
    reconnect_s: float = 10.0


class DialectAnalyser:
    """An Analyser over a transport."""

    def __init__(
        self,
        transport: Transport,
        dialect: Dialect,
        *,
        options: Options | None = None,
        paths: Literal["one-path", "two-path"] = "one-path",
        point_time_s: float = 0.001,
        margin_s: float = 5.0,
        factor: float = 2.0,
        clock: Clock = time.monotonic,
        reopen: Callable[[], Transport] | None = None,
        pause: Callable[[float], None] = time.sleep,
    ) -> None:
        """``paths``: what the analyser measures in one sweep; times in seconds; ``options`` in their place where given.

        A sweep may take ``margin_s`` + ``factor`` × ``point_time_s`` × points × averages × paths. ``reopen`` opens the link
        anew where it has vanished (raises LinkError); without it a vanished link is an error. ``pause`` waits between tries.
        Raises FileError where the dialect still has values to be filled in, and UsageError for an analyser that corrects
        itself with a dialect that cannot ask whether it does. Nothing is sent yet.
        """
        dialect.require_complete()
        self._options = options or Options(paths, point_time_s, margin_s, factor)
        if self._options.corrects_itself and dialect.file.correction is None:
            raise UsageError(
                f"the bench file says that the analyser corrects its data, and the dialect {dialect.name} has no [correction] to "
                "ask whether it does: a correction that was lost would not be noticed",
                hint='Add [correction] with send and on to the dialect, or set by = "host" in the bench file.',
            )
        self._clock, self._reopen, self._pause = clock, reopen, pause
        self._talk = Conversation(transport, dialect, margin_s=self._options.margin_s, factor=self._options.factor, clock=clock)
        self._twice = self._options.double_reading or not transport.checked
        self._grid: Grid | None = None
        self._pieces: tuple[Piece, ...] = ()
        self._spoken: tuple[Spoken, ...] = ()
        self._before: Traces = {}

    @property
    def transcript(self) -> Transcript:
        """What went over the wire so far."""
        return self._talk.session.transcript

    def identify(self) -> str:
        """Return the identity line. LinkError where it is not the instrument of the dialect, or another than before."""
        return self._talk.identify()

    def set_up(self, grid: Grid) -> Settings:
        """Set the grid and return what the instrument says it is set to.

        Raises UsageError for a spacing the dialect has no word for, and for a grid that would have to be cut on an analyser
        that corrects itself; CommandRefused; and ReplyError where the settings or the frequencies read back are not those
        asked for. A grid in pieces is set up piece by piece; ``said`` then holds the answers of each.
        """
        self._talk.dialect.set_up(grid)  # UsageError before anything is sent
        pieces = self._split(grid)
        with self._noted():
            return self._set_up(grid, pieces)

    def _set_up(self, grid: Grid, pieces: tuple[Piece, ...]) -> Settings:
        talk = self._talk
        identity = talk.identify()
        self._grid = None
        spoken = tuple(talk.set_up(piece.grid) for piece in pieces)
        if self._options.corrects_itself:
            talk.require_correction(spoken[0].said)
        self._before, self._pieces, self._spoken = {}, pieces, spoken
        axis = np.concatenate([spoken[0].frequency_hz, *(one.frequency_hz[OVERLAP:] for one in spoken[1:])])
        talk.dialect.check_axis(axis, grid)
        self._grid = grid
        talk.busy_s = self._busy_seconds(grid)
        return Settings(identity, axis, spoken[0].averages, _said(spoken))

    def sweep(self, traces: tuple[Trace, ...], progress: Progress | None = None) -> dict[Trace, NDArray[complex128]]:
        """Sweep once and return each trace as complex128 of shape (points,).

        Where the link has vanished and can be opened again, the sweep is begun anew; so it is where its data are those of the
        sweep before. Both are remarked in the transcript. Raises UsageError before anything is sent for traces that cannot be
        measured; ReplyError where the analyser is no longer set as it was set up.
        """
        self._ready(traces)
        told = _Told(progress, self.sweep_seconds(traces))
        with self._noted():
            try:
                return self._new_sweep(traces, told)
            except LinkError as error:
                if self._reopen is None or not self._talk.session.gone:
                    raise
                self._come_back(error, self._reopen)
            return self._new_sweep(traces, told)

    def rehearse(self, grid: Grid) -> Iterator[Tried]:
        """Try every message of the dialect in turn, and yield what came back; goes on after a failure.

        The analyser counts as not set up afterwards. Ends early where the link is gone. Raises UsageError for a spacing the
        dialect has no word for.
        """
        seconds = self._once(grid.points) * grid.averages
        try:
            yield from rehearse(self._talk, grid, self._measurable(), seconds)
        finally:
            self._grid = None

    def sweep_seconds(self, traces: tuple[Trace, ...]) -> float:
        """Return the expected seconds of one sweep; 0.0 before the set-up."""
        if self._grid is None:
            return 0.0
        return sum(self._piece_seconds(number) for number in range(len(self._pieces)))

    def deadline_seconds(self) -> float:
        """Return how long a sweep may take before it counts as lost."""
        return self._talk.sweep_limits(self.sweep_seconds(())).overall_s

    def close(self) -> None:
        """Close the link; never raises."""
        self._reopen = None
        self._talk.session.close()

    @contextmanager
    def _noted(self) -> Iterator[None]:
        """Keep the error that ends a set-up or a sweep in the transcript."""
        try:
            yield
        except InstrumentError as error:
            self._talk.session.remark(f"given up, {error.kind}: {error.message}")
            raise

    # -- one sweep --------------------------------------------------------------------------------------------------------

    def _new_sweep(self, traces: tuple[Trace, ...], told: _Told) -> Traces:
        """Return a sweep that is not the one before."""
        found = self._one_sweep(traces, told)
        repeated = is_repeated(self._before, found)
        if repeated is not None:
            self._talk.session.remark(f"{repeated} is in part the one of the sweep before, to the last digit: sweep again")
            found = self._one_sweep(traces, told)
            if (repeated := is_repeated(self._before, found)) is not None:
                raise ReplyError(
                    f"{repeated.upper()} is (in part) the one of the sweep before, to the last digit, twice in a row: the "
                    "analyser does not sweep when it is told to, or says too early that it is done",
                    hint="Check [sweep] in the dialect: trigger, and the query that waits for the end; switch hold off.",
                )
        self._before = self._before | found
        return found

    def _one_sweep(self, traces: tuple[Trace, ...], told: _Told) -> Traces:
        grid = self._ready(traces)
        self._talk.identify()
        return join(grid, self._pieces, [self._sweep_piece(number, traces, told) for number in range(len(self._pieces))])

    def _sweep_piece(self, number: int, traces: tuple[Trace, ...], told: _Told) -> Traces:
        talk, piece, spoken = self._talk, self._pieces[number], self._spoken[number]
        if len(self._pieces) > 1:
            talk.set_up(piece.grid)
        self._compare(spoken, "since the set-up")
        talk.check_errors()
        talk.trigger(self._piece_seconds(number), told.piece())
        found = {trace: talk.trace(trace, piece.grid.points, twice=self._twice) for trace in traces}
        self._compare(spoken, "while the sweep ran")
        return found

    def _compare(self, spoken: Spoken, when: str) -> None:
        try:
            self._talk.compare_settings(spoken.said, when)
        except ReplyError:
            self._grid = None
            raise

    # -- a link that vanished ---------------------------------------------------------------------------------------------

    def _come_back(self, lost: LinkError, reopen: Callable[[], Transport]) -> None:
        """Open the link again, find the same instrument, and see that it is set up; LinkError with what went wrong else."""
        session = self._talk.session
        session.remark(f"the link vanished; waiting {self._options.reconnect_s:.0f} s at most for it")
        until = self._clock() + self._options.reconnect_s
        while True:
            session.transport.close()
            failed: InstrumentError
            try:
                self._talk.reconnect(reopen())
                self._talk.identify()
                break
            except LinkError as error:
                if not session.gone:  # another instrument, and it answers well
                    raise
                failed = error
            except ReplyTimeout as error:
                failed = error
            if self._clock() >= until:
                raise LinkError(
                    f"{lost.message}; it did not come back within {self._options.reconnect_s:.0f} s: {failed.message}",
                    hint="Check cable and power, and start again: the run goes on where it stopped.",
                ) from failed
            self._pause(RETRY_S)
        self._stand_again()

    def _stand_again(self) -> None:
        """Set the instrument up again where it lost its settings; ReplyError where it lost its correction with them."""
        grid = self._grid
        if grid is None:
            return
        session = self._talk.session
        try:
            if len(self._pieces) == 1:
                self._talk.compare_settings(self._spoken[0].said, "while the link was away")
                session.remark("the same instrument is back, set as before: a new sweep")
                return
        except ReplyError as error:
            if self._options.corrects_itself:
                self._grid = None
                raise
            session.remark(error.message)
        self.set_up(grid)
        session.remark("the same instrument is back and set up again: a new sweep")

    # -- inside -----------------------------------------------------------------------------------------------------------

    def _split(self, grid: Grid) -> tuple[Piece, ...]:
        pieces = split(grid, self._options.max_points)
        if len(pieces) > 1 and self._options.corrects_itself:
            raise UsageError(
                f"{grid.points} points are asked for, and the analyser sweeps {self._options.max_points} at most; it corrects "
                "itself, and its correction holds for one sweep only",
                hint='Ask for fewer points in the bench file, or let the host correct (by = "host").',
            )
        return pieces

    def _once(self, points: int, sweep_time_s: float | None = None) -> float:
        """Return the seconds of one sweep before averaging."""
        one = self._options.point_time_s * points if sweep_time_s is None else sweep_time_s
        return one * (2 if self._options.paths == "two-path" else 1)

    def _piece_seconds(self, number: int) -> float:
        grid = self._pieces[number].grid
        return self._once(grid.points, self._spoken[number].sweep_time_s) * grid.averages

    def _busy_seconds(self, grid: Grid) -> float:
        longest = max(self._piece_seconds(number) for number in range(len(self._pieces)))
        data = self._talk.data_limits(grid.points, 2).overall_s
        return self._options.factor * longest + data

    def _measurable(self) -> tuple[Trace, ...]:
        """Return the traces that dialect and paths allow."""
        return tuple(trace for trace in self._talk.dialect.traces if self._options.paths == "two-path" or trace in ("s11", "s21"))

    def _ready(self, traces: tuple[Trace, ...]) -> Grid:
        """Return the grid that is set; UsageError where there is none, or for traces that cannot be measured."""
        dialect = self._talk.dialect
        missing = [trace for trace in traces if trace not in self._measurable()]
        if missing or not traces:
            raise UsageError(
                f"this analyser cannot measure {', '.join(dict.fromkeys(missing)) or 'a sweep without traces'}; the dialect "
                f"{dialect.name} has {', '.join(dialect.traces)}, the bench says {self._options.paths}",
                hint="Check paths in the bench file, and the dialect's traces.",
            )
        if self._grid is None:
            raise UsageError("the analyser is not set up", hint="Set it up before the sweep.")
        return self._grid


class _Told:
    """Progress over pieces and repeated sweeps: it goes on from where it was and never runs backward."""

    def __init__(self, progress: Progress | None, expected_s: float) -> None:
        self._progress, self._expected_s = progress, expected_s
        self._last = 0.0

    def piece(self) -> Progress | None:
        """Return the progress of one piece."""
        if self._progress is None:
            return None
        base, progress = self._last, self._progress

        def tell(so_far: float, expected: float) -> None:
            self._last = base + so_far
            progress(self._last, self._expected_s)

        return tell


def _said(spoken: tuple[Spoken, ...]) -> dict[str, str]:
    """Return what was said, each query named with its piece where there are several."""
    if len(spoken) == 1:
        return spoken[0].said
    count = len(spoken)
    return {f"{text} (piece {n} of {count})": said for n, one in enumerate(spoken, start=1) for text, said in one.said.items()}
