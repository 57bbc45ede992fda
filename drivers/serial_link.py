"""A serial port as a transport, by pyserial."""

from __future__ import annotations

import errno
from typing import Any

import serial

from drivers.links import SerialAddress, link_error
from drivers.transport import SLICE_S, LinkKind
from harness.errors import LinkError

try:
    from termios import error as _termios_error
except ImportError:  # Windows has no termios

    class _termios_error(Exception):  # type: ignore[no-redef]  # noqa: N801
        """Stands where there is no termios; never raised."""


# A pulled cable raises any of these at once; termios.error is no OSError, and pyserial lets a TypeError through when a port
# is closed under a read.
GONE = (serial.SerialException, OSError, _termios_error, TypeError)
WRITE_TIMEOUT_S = 5.0
PIECE, MOST_PIECES = 65_536, 1000
_PARITY = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}


class SerialLink:
    """A serial port, opened for this program alone."""

    kind: LinkKind = "stream"
    checked = False
    """No checksum: a USB bridge protects its own cable, not the line behind it."""

    def __init__(self, address: str, settings: SerialAddress) -> None:
        """Open the port; LinkError where it does not open."""
        self.address = address
        try:
            self._port: Any = serial.serial_for_url(
                settings.port,
                baudrate=settings.baud,
                bytesize=settings.bits,
                parity=_PARITY[settings.parity],
                stopbits=settings.stop,
                rtscts=settings.flow == "rtscts",
                xonxoff=settings.flow == "xonxoff",
                timeout=SLICE_S,
                write_timeout=WRITE_TIMEOUT_S,
                exclusive=True,
            )
        except (*GONE, ValueError) as error:
            raise link_error(address, "opening", error) from error

    def write(self, data: bytes) -> None:
        """Send all of ``data``."""
        try:
            self._port.write(data)
        except GONE as error:
            raise self._lost("writing to", error) from error

    def read(self, timeout: float) -> bytes:
        """Return what has come, waiting at most ``timeout`` seconds for the first byte."""
        try:
            if abs(self._port.timeout - timeout) > 1e-3:
                self._port.timeout = timeout
            return bytes(self._port.read(max(1, self._port.in_waiting)))
        except GONE as error:
            raise self._lost("reading from", error) from error

    def drain(self) -> bytes:
        """Drop what has come, and return the end of it.

        It is read, not flushed: a flush would drop unseen what comes while one looks.
        """
        came = b""
        try:
            for _ in range(MOST_PIECES):
                waiting = self._port.in_waiting
                if not waiting:
                    break
                came = (came + self._port.read(waiting))[-PIECE:]
        except GONE as error:
            raise self._lost("reading from", error) from error
        return came

    def clear(self) -> None:
        """Do nothing: a serial port has no device clear."""

    def close(self) -> None:
        """Close the port; never raises."""
        try:
            self._port.close()
        except GONE:
            return

    def _lost(self, doing: str, error: BaseException) -> LinkError:
        if not self._port.is_open:
            return LinkError(f"{doing} {self.address}: the link is closed", hint="Start again.")
        if "returned no data" in str(error):  # what pyserial says without a number when the device was pulled
            error = OSError(errno.ENODEV, "")
        return link_error(self.address, doing, error)
