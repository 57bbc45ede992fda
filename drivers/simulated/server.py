"""The simulated analyser behind a real link: a TCP socket on the loopback address, or a pseudo-terminal.

Each link has one daemon thread that moves bytes between the link and an instrument without I/O. Closing wakes the thread,
waits for it and closes every descriptor. Closing a pseudo-terminal's master is "unplugged" for the other side.
"""

from __future__ import annotations

import abc
import contextlib
import os
import selectors
import socket
import threading
import time
from collections.abc import Callable, Mapping
from types import TracebackType
from typing import Self

from drivers.simulated.bench import SimulatedBench
from drivers.simulated.languages import Model, language_of
from harness.errors import LinkError, UsageError
from harness.records import Bench, SamplerType, Sweep

PIECE = 65536


class Served:
    """A simulated analyser that is being served. ``address`` is for open_link; ``bench`` is where the hand moves cables."""

    def __init__(self, bench: SimulatedBench, link: Link) -> None:
        self.bench = bench
        self._link = link

    @property
    def address(self) -> str:
        """The address of the link: "socket://127.0.0.1:PORT" or "serial:///dev/…"."""
        return self._link.address

    def close(self) -> None:
        """End the link ("unplugged") and wait until its thread has ended; harmless when done before."""
        self._link.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()


def start(
    bench: Bench,
    sampler_type: SamplerType | None = None,
    link: str | None = None,
    *,
    session: str = "",
    adapter_sweeps: Mapping[str, Sweep] | None = None,
    between: Callable[[Model], Model] | None = None,
) -> Served:
    """Start the simulated bench of a bench file behind a link of its own and return it.

    ``link``: "tcp" or "pty", or an address "simulated://tcp"; by default the bench file's address (bare "simulated://" is
    tcp). ``session``, ``adapter_sweeps``: see SimulatedBench. ``between`` may wrap the instrument (a place for link faults).
    UsageError for a link or dialect that is not simulated, LinkError where the platform has no pseudo-terminals.
    """
    kind = (bench.analyser.address if link is None else link).removeprefix("simulated://") or "tcp"
    if kind not in ("tcp", "pty"):
        raise UsageError(f"simulated link {kind!r} is not known", hint="Allowed are simulated://tcp and simulated://pty.")
    simulated = SimulatedBench(bench, sampler_type, session=session, adapter_sweeps=adapter_sweeps)
    model = language_of(simulated)
    delay = simulated.entry.ready_delay
    return Served(simulated, serve(model if between is None else between(model), kind, ready_delay=delay))


def serve(model: Model, kind: str, *, ready_delay: float = 0.0, clock: Callable[[], float] = time.monotonic) -> Link:
    """Serve an instrument over "tcp" or "pty" and return the running link, with ``address`` and ``close``.

    ``ready_delay``: for so many seconds by ``clock`` after a client has connected the instrument reads nothing, as one that is
    starting up (a pseudo-terminal does not show when somebody connects: there, after the start).
    """
    link: Link = _Terminal(model) if kind == "pty" else _Tcp(model)
    link.ready_delay, link.clock = ready_delay, clock
    link.start()
    return link


class Link(abc.ABC):
    """What both links have: the thread, the wake-up pair, the selector, and bytes that wait to be sent."""

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
        self._ready_at: float | None = None
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

    def _stop(self, mask: int) -> None:
        self._running = False

    def _loop(self) -> None:
        self._begin()
        while self._running:
            timeout = None if self._ready_at is None else max(0.0, self._ready_at - self.clock())
            for key, mask in self._selector.select(timeout):
                key.data(mask)
            if self._ready_at is not None and self.clock() >= self._ready_at:
                self._ready_at = None
                self._listen()

    def _connected(self) -> None:
        """Begin to listen to the instrument's user, at once or after the ready delay."""
        if self.ready_delay > 0:
            self._ready_at = self.clock() + self.ready_delay
        else:
            self._listen()

    @abc.abstractmethod
    def _begin(self) -> None:
        """Wait for a user, or take one as connected."""

    @abc.abstractmethod
    def _listen(self) -> None:
        """Read what the user sends from now on."""

    @abc.abstractmethod
    def _shut(self) -> None:
        """Close what the link itself has opened; the thread has ended."""

    def _move(self, mask: int, read: Callable[[int], bytes], write: Callable[[bytes], int]) -> bool:
        """Read what came and send what waits; False when the other side has gone.

        Nothing is read while an answer waits, so that the other side cannot make the answers grow without bound.
        """
        try:
            if mask & selectors.EVENT_READ and not self._sending:
                data = read(PIECE)
                if not data:
                    return False
                self._sending = self._model.receive(data)
            if self._sending:
                self._sending = self._sending[write(self._sending) :]
        except BlockingIOError:
            return True
        except OSError:
            return False
        return True

    def _wanted(self) -> int:
        return selectors.EVENT_WRITE if self._sending else selectors.EVENT_READ


class _Tcp(Link):
    """One client at a time on 127.0.0.1; the next may come when it has gone."""

    def __init__(self, model: Model) -> None:
        super().__init__(model)
        self._listener = socket.create_server(("127.0.0.1", 0), backlog=4)
        self._listener.setblocking(False)
        self._client: socket.socket | None = None
        self.address = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"

    def _begin(self) -> None:
        self._selector.register(self._listener, selectors.EVENT_READ, self._accept)

    def _accept(self, mask: int) -> None:
        try:
            client, _ = self._listener.accept()
        except OSError:
            return
        client.setblocking(False)
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._client = client
        self._selector.unregister(self._listener)
        self._connected()

    def _listen(self) -> None:
        if self._client is not None:
            self._selector.register(self._client, selectors.EVENT_READ, self._serve)

    def _serve(self, mask: int) -> None:
        client = self._client
        if client is None:
            return
        if self._move(mask, client.recv, client.send):
            self._selector.modify(client, self._wanted(), self._serve)
            return
        self._drop()
        self._begin()

    def _drop(self) -> None:
        if self._client is not None:
            with contextlib.suppress(KeyError):
                self._selector.unregister(self._client)
            self._client.close()
            self._client, self._sending = None, b""
            self._model.hang_up()

    def _shut(self) -> None:
        self._drop()
        self._listener.close()


class _Terminal(Link):
    """A pseudo-terminal in raw mode. The slave stays open here, so that the master does not see one user's going."""

    def __init__(self, model: Model) -> None:
        try:
            import pty
            import tty
        except ImportError:
            raise LinkError(
                "this platform has no pseudo-terminals", hint='Use address = "simulated://tcp" in the bench file.'
            ) from None
        super().__init__(model)
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.address = f"serial://{os.ttyname(self._slave)}"

    def _begin(self) -> None:
        self._connected()

    def _listen(self) -> None:
        self._selector.register(self._master, selectors.EVENT_READ, self._serve)

    def _serve(self, mask: int) -> None:
        alive = self._move(mask, lambda size: os.read(self._master, size), lambda data: os.write(self._master, data))
        if alive:
            self._selector.modify(self._master, self._wanted(), self._serve)
        else:
            self._selector.unregister(self._master)

    def _shut(self) -> None:
        with contextlib.suppress(KeyError):
            self._selector.unregister(self._master)
        os.close(self._master)
        os.close(self._slave)
