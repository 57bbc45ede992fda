"""What every link of the simulated analyser has: a thread, a selector, and answers that may be late, cut, or never come.

An instrument without I/O gives pieces; the link sends each when it is due. Closing wakes the thread, waits for it and closes
every descriptor.
"""

from __future__ import annotations

import abc
import selectors
import socket
import threading
import time
from collections import deque
from collections.abc import Callable

from drivers.simulated.languages import Fitful, Model, Piece

PIECE = 65536
MOST_WAITING = 100_000
"""Pieces that may wait to be sent; beyond them nothing more is read."""


class Link(abc.ABC):
    """One link: the thread, the wake-up pair, the selector, and pieces that wait to be sent."""

    address = ""
    ready_delay = 0.0
    clock: Callable[[], float] = staticmethod(time.monotonic)

    def __init__(self, model: Model) -> None:
        self._model = model
        self._selector = selectors.DefaultSelector()
        self._wake_in, self._wake_out = socket.socketpair()
        self._selector.register(self._wake_in, selectors.EVENT_READ, self._stop)
        self._running = True
        self._closed = False
        self._sending = b""
        self._waiting: deque[tuple[float, Piece]] = deque()
        self._last_due = 0.0
        self._silent = False
        self._ready_at: float | None = None
        self._returns_at: float | None = None
        self._thread = threading.Thread(target=self._loop, name=f"simulated analyser, {type(self).__name__}", daemon=True)

    def start(self) -> None:
        """Start the thread."""
        self._thread.start()

    def close(self) -> None:
        """Wake the thread, wait for it, close everything; harmless when done before."""
        if self._closed:
            return
        self._closed = True
        self._wake_out.send(b"x")
        self._thread.join()
        self._shut()
        self._selector.close()
        self._wake_in.close()
        self._wake_out.close()

    # -- what each kind of link does in its own way -----------------------------------------------------------------------

    @abc.abstractmethod
    def _begin(self) -> None:
        """Wait for a user, or take one as connected."""

    @abc.abstractmethod
    def _listen(self) -> None:
        """Read what the user sends from now on."""

    @abc.abstractmethod
    def _shut(self) -> None:
        """Close what the link itself has opened; the thread has ended."""

    @abc.abstractmethod
    def _watch(self) -> None:
        """Tell the selector what is wanted now: reading, or writing as well."""

    @abc.abstractmethod
    def _hang_up(self) -> None:
        """End the connection from this side; a user may come again."""

    @abc.abstractmethod
    def _vanish(self) -> None:
        """Be gone: neither the user that is there nor a new one finds anything."""

    @abc.abstractmethod
    def _return(self) -> None:
        """Be there again after :meth:`_vanish`, under the same address."""

    # -- the loop -----------------------------------------------------------------------------------------------------------

    def _stop(self, mask: int) -> None:
        self._running = False

    def _loop(self) -> None:
        self._begin()
        while self._running:
            for key, mask in self._selector.select(self._until_next()):
                key.data(mask)
            self._on_time()

    def _until_next(self) -> float | None:
        due = None if self._sending or not self._waiting else self._waiting[0][0]
        times = [at for at in (self._ready_at, self._returns_at, due) if at is not None]
        return max(0.0, min(times) - self.clock()) if times else None

    def _on_time(self) -> None:
        if self._ready_at is not None and self.clock() >= self._ready_at:
            self._ready_at = None
            self._listen()
        if self._returns_at is not None and self.clock() >= self._returns_at:
            self._returns_at, self._silent = None, False
            self._return()
        self._flow()

    def _connected(self) -> None:
        """Begin to listen to the instrument's user, at once or after the ready delay."""
        if self.ready_delay > 0:
            self._ready_at = self.clock() + self.ready_delay
        else:
            self._listen()

    # -- answers ------------------------------------------------------------------------------------------------------------

    def _answers(self, data: bytes) -> list[Piece]:
        """Return what the instrument answers to ``data``; nothing while it is silent."""
        if self._silent:
            return []
        if isinstance(self._model, Fitful):
            return self._model.pieces(data)
        answer = self._model.receive(data)
        return [Piece(answer)] if answer else []

    def _queue(self, pieces: list[Piece]) -> None:
        """Let pieces wait until each is due, in their order."""
        for piece in pieces:
            now = self.clock() if piece.delay else 0.0
            self._last_due = max(self._last_due, now) + piece.delay
            self._waiting.append((self._last_due, piece))

    def _flow(self) -> None:
        """Send, or do, what is due."""
        while self._waiting and not self._sending and self._waiting[0][0] <= self.clock():
            _, piece = self._waiting.popleft()
            self._sending = piece.data
            if piece.then and piece.data:
                self._waiting.appendleft((0.0, Piece(then=piece.then, back=piece.back)))
            elif piece.then:
                self._act(piece)
                return
        self._watch()

    def _act(self, piece: Piece) -> None:
        self._waiting.clear()
        if piece.then == "close":
            self._hang_up()
            return
        self._silent = piece.then == "silent"
        if piece.then == "vanish":
            self._vanish()
        if piece.back is not None:
            self._returns_at = self.clock() + piece.back

    def _forget(self) -> None:
        """The user has gone: nothing waits to be sent any more, and the instrument forgets what was begun."""
        self._sending, self._silent = b"", False
        self._waiting.clear()
        self._last_due = 0.0
        self._model.hang_up()

    def _move(self, mask: int, read: Callable[[int], bytes], write: Callable[[bytes], int]) -> bool:
        """Read what came and send what waits; False when the other side has gone.

        Nothing is read while an answer is being sent, so that the other side cannot make the answers grow without bound.
        """
        try:
            if mask & selectors.EVENT_READ and not self._sending:
                data = read(PIECE)
                if not data:
                    return False
                self._queue(self._answers(data))
                if self._waiting and self._waiting[0][0] <= self.clock() and not self._waiting[0][1].then:
                    self._sending = self._waiting.popleft()[1].data
            if self._sending:
                self._sending = self._sending[write(self._sending) :]
        except BlockingIOError:
            return True
        except OSError:
            return False
        return True

    def _wanted(self) -> int:
        if self._sending:
            return selectors.EVENT_WRITE
        return selectors.EVENT_READ if len(self._waiting) < MOST_WAITING else 0
