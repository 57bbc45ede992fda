"""A VISA instrument (HiSLIP, USBTMC, GPIB, VXI-11) as a transport, by pyvisa with its pure Python backend.

Bare sockets do not come here: see :mod:`drivers.links`.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

from drivers.links import link_error
from drivers.transport import LinkKind
from harness.errors import LinkError

PIECE = 65_536
MESSAGE_GAP_S = 5.0
"""The longest gap within one message once its first byte has come."""
WRITE_TIMEOUT_MS = 5000
BACKEND = "@py"

_BY_NAME = {
    "error_resource_not_found": ("there is no such instrument", "Check the address, the cable, and that the analyser is on."),
    "error_invalid_resource_name": ("it is no VISA resource", "It looks like TCPIP::192.0.2.7::hislip0::INSTR."),
    "error_timeout": ("nothing answers there", "Check the address, the cable, and that the analyser is on."),
    "error_connection_lost": ("the connection is lost", "Check the cable and that the analyser is on, and start again."),
    "error_resource_locked": ("another program has it locked", "Close the other program."),
    "error_resource_busy": ("another program has it open", "Close the other program."),
    "error_invalid_object": ("the link is closed", "Start again."),
    "error_library_not_found": ("a VISA library is missing", "Install the driver that this kind of link needs."),
}


class VisaLink:
    """One VISA resource that ends in INSTR.

    The first byte of a message is waited for alone, in slices: the backend drops what it has of a message when its timeout
    runs out, and of one byte there is nothing to drop. The rest is then read with a longer timeout.
    """

    kind: LinkKind = "message"

    def __init__(
        self,
        address: str,
        resource: str,
        open_timeout_s: float,
        *,
        manager: Any = None,
        pause: Callable[[float], None] = time.sleep,
    ) -> None:
        """Open ``resource``; LinkError where it does not open. ``manager``: a resource manager, for tests."""
        import pyvisa

        self.address = address
        self._pause = pause
        self._errors = (pyvisa.Error, OSError, ValueError, EOFError, RuntimeError, AssertionError)
        self._done = pyvisa.constants.StatusCode.success_max_count_read
        self._timed_out = pyvisa.constants.StatusCode.error_timeout
        self._last = 0x0A
        try:
            manager = manager if manager is not None else pyvisa.ResourceManager(BACKEND)
            self._resource: Any = manager.open_resource(resource, open_timeout=int(1000 * open_timeout_s))
        except self._errors as error:
            raise self._translate("opening", error) from error

    def write(self, data: bytes) -> None:
        """Send ``data`` as one message."""
        try:
            self._resource.timeout = WRITE_TIMEOUT_MS
            self._resource.write_raw(data)
        except self._errors as error:
            raise self._translate("writing to", error) from error

    def read(self, timeout: float) -> bytes:
        """Return one message, or a piece of a long one, waiting at most ``timeout`` seconds for its first byte.

        Where a message ends without a newline, the newline is added: its end is then told by the link alone.
        """
        first, ended = self._read(timeout, 1)
        if not first:
            return b""
        if ended:
            return self._completed(first)
        rest, ended = self._read(MESSAGE_GAP_S, PIECE)
        if not rest and not ended:
            raise LinkError(
                f"reading from {self.address}: a message broke off after its first byte",
                hint="Check the cable; switch the analyser off and on if it stays so.",
            )
        return self._completed(first + rest) if ended else first + rest

    def drain(self) -> None:
        """Do nothing: a reply that nobody waits for is dropped by the protocol, and by :meth:`clear`."""

    def clear(self) -> None:
        """Send a device clear."""
        try:
            self._resource.timeout = WRITE_TIMEOUT_MS
            self._resource.clear()
        except self._errors as error:
            raise self._translate("clearing", error) from error

    def close(self) -> None:
        """Close the resource; never raises."""
        try:
            self._resource.close()
        except self._errors:
            return

    def _read(self, timeout: float, count: int) -> tuple[bytes, bool]:
        """Return (bytes, whether the message ended with them)."""
        import pyvisa

        try:
            self._resource.timeout = max(1, int(1000 * timeout))
            with self._resource.ignore_warning(self._done):
                data, status = self._resource.visalib.read(self._resource.session, count)
        except pyvisa.VisaIOError as error:
            if error.error_code == self._timed_out:
                return b"", False
            raise self._translate("reading from", error) from error
        except self._errors as error:
            raise self._translate("reading from", error) from error
        if not data:
            self._pause(min(timeout, 0.02))
            # The backend returns at once with nothing after the end of a message; waiting here keeps the loop from spinning.
        return bytes(data), status != self._done

    @staticmethod
    def _completed(data: bytes) -> bytes:
        return data if data.endswith(b"\n") else data + b"\n"

    def _translate(self, doing: str, error: BaseException) -> LinkError:
        code = getattr(error, "error_code", None)
        name = getattr(code, "name", None)
        if isinstance(code, int) and name is None:
            import pyvisa

            name = next((status.name for status in pyvisa.constants.StatusCode if status.value == code), None)
        if name in _BY_NAME:
            what, hint = _BY_NAME[name]
            return LinkError(f"{doing} {self.address}: {what}", hint=hint)
        found = link_error(self.address, doing, error)
        if "install" in found.message.lower():
            found.hint = "Install what the message names, beside this program. Network addresses need nothing more."
        return found
