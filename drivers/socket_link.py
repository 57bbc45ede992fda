"""A TCP socket as a transport. Also carries VISA's bare sockets, so that replies are framed and timed by this program alone."""

from __future__ import annotations

import select
import socket

from drivers.links import SocketAddress, closed_error, link_error
from drivers.transport import LinkKind

WRITE_TIMEOUT_S = 5.0
PIECE = 65_536
# Winsock's select raises ValueError for a closed socket, as Python does for a file number of -1.
GONE = (OSError, ValueError)


class SocketLink:
    """One TCP connection."""

    kind: LinkKind = "stream"
    checked = True
    """TCP carries a checksum of its own (RFC 9293)."""

    def __init__(self, address: str, where: SocketAddress, open_timeout_s: float) -> None:
        """Connect; LinkError where nothing answers."""
        self.address = address
        try:
            self._socket = socket.create_connection((where.host, where.port), timeout=open_timeout_s)
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._socket.settimeout(WRITE_TIMEOUT_S)
        except (OSError, UnicodeError) as error:
            raise link_error(address, "opening", error) from error

    def write(self, data: bytes) -> None:
        """Send all of ``data``."""
        try:
            self._socket.sendall(data)
        except GONE as error:
            raise link_error(self.address, "writing to", error) from error

    def read(self, timeout: float) -> bytes:
        """Return what has come, waiting at most ``timeout`` seconds for the first byte."""
        try:
            ready, _, _ = select.select([self._socket], [], [], max(timeout, 0.0))
            if not ready:
                return b""
            data = self._socket.recv(PIECE)
        except GONE as error:
            raise link_error(self.address, "reading from", error) from error
        if not data:
            self.close()
            raise closed_error(self.address)
        return data

    def drain(self) -> bytes:
        """Drop what has come, and return the end of it."""
        came = b""
        while data := self.read(0.0):
            came = (came + data)[-PIECE:]
        return came

    def clear(self) -> None:
        """Do nothing: a bare socket has no device clear."""

    def close(self) -> None:
        """Close the connection; never raises."""
        self._socket.close()
