"""The simulated analyser behind a real link: a TCP socket on the loopback address, HiSLIP on it, or a pseudo-terminal.

Each link has one daemon thread that moves bytes between the link and an instrument without I/O. Closing a pseudo-terminal's
master is "unplugged" for the other side.
"""

from __future__ import annotations

import contextlib
import os
import selectors
import socket
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from types import TracebackType
from typing import Self

from drivers.simulated.bench import SimulatedBench
from drivers.simulated.hislip import HislipLink
from drivers.simulated.languages import Model, language_of
from drivers.simulated.link import Link
from harness.errors import LinkError, UsageError
from harness.records import Bench, SamplerType, Sweep

KINDS = ("tcp", "hislip", "pty")


class Served:
    """A simulated analyser that is being served. ``address`` is for open_link; ``bench`` is where the hand moves cables."""

    def __init__(self, bench: SimulatedBench, link: Link) -> None:
        self.bench = bench
        self._link = link

    @property
    def address(self) -> str:
        """The address of the link: "socket://127.0.0.1:PORT", "visa://TCPIP::127.0.0.1::hislip0,PORT::INSTR", "serial:///dev/…"."""
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

    ``link``: "tcp", "hislip" or "pty", or an address "simulated://tcp"; by default the bench file's (bare "simulated://": tcp).
    ``session``, ``adapter_sweeps``: see SimulatedBench. ``between`` may wrap the instrument (a place for link faults).
    UsageError for a link or dialect that is not simulated, LinkError where the platform has no pseudo-terminals.
    """
    kind = (bench.analyser.address if link is None else link).removeprefix("simulated://") or "tcp"
    if kind not in KINDS:
        allowed = ", ".join(f"simulated://{kind}" for kind in KINDS)
        raise UsageError(f"simulated link {kind!r} is not known", hint=f"Allowed are {allowed}.")
    if kind == "hislip" and not bench.analyser.dialect.startswith("scpi"):
        raise UsageError(
            f"HiSLIP carries SCPI, and the dialect is {bench.analyser.dialect!r}",
            hint="Use simulated://tcp or simulated://pty with this dialect.",
        )
    simulated = SimulatedBench(bench, sampler_type, session=session, adapter_sweeps=adapter_sweeps)
    model = language_of(simulated)
    delay = simulated.entry.ready_delay
    return Served(simulated, serve(model if between is None else between(model), kind, ready_delay=delay))


def serve(
    model: Model,
    kind: str,
    *,
    ready_delay: float = 0.0,
    clock: Callable[[], float] = time.monotonic,
    folder: Path | None = None,
) -> Link:
    """Serve an instrument over "tcp", "hislip" or "pty" and return the running link, with ``address`` and ``close``.

    ``ready_delay``: for so many seconds by ``clock`` after a client has connected the instrument reads nothing, as one that is
    starting up (a pseudo-terminal does not show when somebody connects: there, after the start). ``folder``: where a link
    to the pseudo-terminal is put, so that its address stays the same when it vanishes and comes back.
    """
    link: Link = _Terminal(model, folder) if kind == "pty" else HislipLink(model) if kind == "hislip" else _Tcp(model)
    link.ready_delay, link.clock = ready_delay, clock
    link.start()
    return link


class _Tcp(Link):
    """One client at a time on 127.0.0.1; the next may come when it has gone."""

    def __init__(self, model: Model) -> None:
        super().__init__(model)
        self._listener = socket.create_server(("127.0.0.1", 0), backlog=4)
        self._listener.setblocking(False)
        self._port = self._listener.getsockname()[1]
        self._client: socket.socket | None = None
        self.address = f"socket://127.0.0.1:{self._port}"

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
        if client is not None and not self._move(mask, client.recv, client.send):
            self._hang_up()

    def _watch(self) -> None:
        if self._client is not None and self._ready_at is None:
            self._selector.modify(self._client, self._wanted(), self._serve)

    def _hang_up(self) -> None:
        self._drop()
        self._begin()

    def _vanish(self) -> None:
        if self._client is None:
            self._selector.unregister(self._listener)
        self._listener.close()  # first, so that a user who comes at once finds nobody
        self._drop()

    def _return(self) -> None:
        if self._listener.fileno() < 0:
            self._listener = socket.create_server(("127.0.0.1", self._port), backlog=4)
            self._listener.setblocking(False)
            self._begin()

    def _drop(self) -> None:
        if self._client is not None:
            with contextlib.suppress(KeyError):
                self._selector.unregister(self._client)
            self._client.close()
            self._client = None
            self._forget()

    def _shut(self) -> None:
        self._drop()
        self._listener.close()


class _Terminal(Link):
    """A pseudo-terminal in raw mode. The slave stays open here, so that the master does not see one user's going."""

    def __init__(self, model: Model, folder: Path | None) -> None:
        try:
            import pty
            import tty
        except ImportError:
            raise LinkError(
                "this platform has no pseudo-terminals", hint='Use address = "simulated://tcp" in the bench file.'
            ) from None
        super().__init__(model)
        self._openpty, self._setraw = pty.openpty, tty.setraw
        self._name = None if folder is None else folder / "analyser"
        self._open = False
        self._plug_in()

    def _plug_in(self) -> None:
        self._master, self._slave = self._openpty()
        self._open = True
        self._setraw(self._slave)
        os.set_blocking(self._master, False)
        device = os.ttyname(self._slave)
        if self._name is not None:
            self._name.symlink_to(device)
        self.address = f"serial://{self._name or device}"

    def _begin(self) -> None:
        self._connected()

    def _listen(self) -> None:
        self._selector.register(self._master, selectors.EVENT_READ, self._serve)

    def _serve(self, mask: int) -> None:
        if not self._move(mask, lambda size: os.read(self._master, size), lambda data: os.write(self._master, data)):
            self._selector.unregister(self._master)

    def _watch(self) -> None:
        if self._open and self._master in self._selector.get_map():
            self._selector.modify(self._master, self._wanted(), self._serve)

    def _hang_up(self) -> None:
        self._vanish()

    def _vanish(self) -> None:
        self._forget()
        self._shut()

    def _return(self) -> None:
        if not self._open:
            self._plug_in()
            self._listen()

    def _shut(self) -> None:
        if not self._open:
            return
        self._open = False
        with contextlib.suppress(KeyError):
            self._selector.unregister(self._master)
        os.close(self._master)
        os.close(self._slave)
        if self._name is not None:
            self._name.unlink()
