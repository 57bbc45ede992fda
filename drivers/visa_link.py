"""A VISA instrument (HiSLIP, USBTMC, GPIB, VXI-11) as a transport, by pyvisa with its pure Python backend.

Bare sockets do not come here: see :mod:`drivers.links`. The backend's calls run in a thread of their own: it may wait beyond its
own time limit (a peer that sends byte by byte, or one that closes within a message that is being thrown away).
"""

from __future__ import annotations

import contextlib
import socket
import time
import traceback
from collections.abc import Callable, Iterable, Iterator
from types import FrameType
from typing import Any, TypeVar

from drivers.links import link_error
from drivers.side_thread import Job, SideThread
from drivers.transport import SLICE_S, LinkKind
from harness.errors import LinkError

PIECE = 8192
MESSAGE_GAP_S = 5.0
"""The longest gap within one message once its first byte has come."""
WRITE_TIMEOUT_MS = 5000
PATIENCE_S = 6.0
"""How long a call that writes or clears may take, whatever the backend's own limit does."""
BACKEND = "@py"
NO_CHECKSUM = ("ASRL", "GPIB")

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
_BY_TEXT = {
    "dropped by server": ("the analyser closed the connection", "Check that no other program took it, and start again."),
    "synchronization error": ("what came is no message of this protocol", "Check the address; switch the analyser off and on."),
    "message type": ("what came is no message of this protocol", "Check the address; switch the analyser off and on."),
}
"""What the pure Python backend says where it has no error number."""

T = TypeVar("T")


def _frames_of(error: BaseException) -> Iterator[FrameType]:
    seen: BaseException | None = error
    while seen is not None:
        yield from (frame for frame, _ in traceback.walk_tb(seen.__traceback__))
        seen = seen.__cause__ or seen.__context__


def _close_leftovers(frames: Iterable[FrameType]) -> None:
    """Close the sockets that the pure Python backend leaves open where it cannot connect; only its frames know of them.

    A call that still waits for one of them is woken by the shutdown and ends.
    """
    for frame in frames:
        for name in ("_sync", "_async"):
            left = getattr(frame.f_locals.get("self"), name, None)
            if isinstance(left, socket.socket):
                with contextlib.suppress(OSError):
                    left.shutdown(socket.SHUT_RDWR)
                left.close()


class VisaLink:
    """One VISA resource that ends in INSTR.

    The first byte of a message is waited for alone, in slices: the backend drops what it has of a message when its timeout
    runs out, and of one byte there is nothing to drop. The rest is then read with a longer timeout. A read that has not ended
    in the time that :meth:`read` was given goes on in the side thread, and the next :meth:`read` waits for it.
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
        patience_s: float = PATIENCE_S,
    ) -> None:
        """Open ``resource``; LinkError where it does not open within ``open_timeout_s`` + ``patience_s``.

        ``manager``: a resource manager, for tests.
        """
        import pyvisa

        self.address = address
        self.checked = not resource.upper().startswith(NO_CHECKSUM)
        self._pause = pause
        self._done = pyvisa.constants.StatusCode.success_max_count_read
        self._timed_out = pyvisa.constants.StatusCode.error_timeout
        self._reading: Job[bytes] | None = None
        self._held = b""
        self._closed = False
        self._side = SideThread(f"link to {resource}")
        self._resource: Any = self._open(resource, open_timeout_s, open_timeout_s + patience_s, manager)

    def write(self, data: bytes) -> None:
        """Send ``data`` as one message."""
        self._end_reading()

        def send() -> None:
            self._resource.timeout = WRITE_TIMEOUT_MS
            self._resource.write_raw(data)

        self._call("writing to", send)

    def read(self, timeout: float) -> bytes:
        """Return one message, or a piece of a long one, waiting at most ``timeout`` seconds.

        Where a message ends without a newline, the newline is added: its end is then told by the link alone.
        """
        if self._held:
            data, self._held = self._held, b""
            return data
        job = self._reading
        if job is None:
            job = self._reading = self._begin("reading from", lambda: self._piece(min(max(timeout, 0.001), SLICE_S)))
        # The backend's own limit runs out a little later than ours: without the margin every empty read would end twice.
        return self._read_out(job) if job.wait(timeout + 0.02) else b""

    def drain(self) -> bytes:
        """Drop what a read that was given up has brought since, and return it.

        A reply that nobody waits for is dropped by the protocol.
        """
        self._end_reading()
        came, self._held = self._held, b""
        return came

    def clear(self) -> None:
        """Send a device clear, and drop what came before it took hold.

        The backend takes a reply that crosses the clear for its acknowledgement, and raises; the next try finds it gone.
        """
        self._end_reading()
        self._held = b""

        def clear() -> None:
            self._resource.timeout = WRITE_TIMEOUT_MS
            for last in (False, False, True):
                try:
                    self._resource.clear()
                except RuntimeError as error:
                    if last or "message type" not in str(error):
                        raise
                else:
                    return

        self._call("clearing", clear)

    def close(self) -> None:
        """Close the resource; never raises."""
        self._closed = True
        try:
            self._resource.close()
        except Exception:
            return
        finally:
            self._side.end()

    # -- inside -----------------------------------------------------------------------------------------------------------

    def _open(self, resource: str, open_timeout_s: float, limit_s: float, manager: Any) -> Any:
        """Return the opened resource. The backend's handshake has no deadline over all: a peer can hold it for ever."""
        import pyvisa

        def opened() -> Any:
            try:
                using = manager if manager is not None else pyvisa.ResourceManager(BACKEND)
                found = using.open_resource(resource, open_timeout=int(1000 * open_timeout_s))
            except Exception as error:
                _close_leftovers(_frames_of(error))  # here: raised again in another thread, it loses what it came from
                raise
            if self._closed:  # too late: nobody waits for it any more
                found.close()
            return found

        job = self._side.begin(opened)
        try:
            if job.wait(limit_s):
                return job.result()
        except Exception as error:  # what backends raise has no common base
            self._side.end()
            raise self._translate("opening", error) from error
        self._closed = True
        self._side.end()
        _close_leftovers(self._side.frames())
        raise LinkError(
            f"opening {self.address}: something takes the connection there, and it did not answer as such an instrument within "
            f"{limit_s:.0f} s",
            hint="Check address and port: another program may listen there. If they are right, switch the analyser off and on.",
        )

    def _begin(self, doing: str, call: Callable[[], T]) -> Job[T]:
        if self._closed:
            raise LinkError(f"{doing} {self.address}: the link is closed", hint="Start again.")
        return self._side.begin(call)

    def _call(self, doing: str, call: Callable[[], T]) -> T:
        """Make a call of the backend in the side thread and return what it returns; LinkError where it fails or does not end."""
        job = self._begin(doing, call)
        if not job.wait(PATIENCE_S):
            raise self._stuck(doing, PATIENCE_S)
        try:
            return job.result()
        except Exception as error:
            raise self._translate(doing, error) from error

    def _end_reading(self) -> None:
        """Wait for a read that was given up, and keep what it brings; LinkError where it does not end."""
        job = self._reading
        if job is None:
            return
        if not job.wait(MESSAGE_GAP_S + 2 * SLICE_S):
            raise self._stuck("reading from", MESSAGE_GAP_S)
        self._held += self._read_out(job)

    def _read_out(self, job: Job[bytes]) -> bytes:
        self._reading = None
        try:
            return job.result()
        except LinkError:
            raise
        except Exception as error:
            raise self._translate("reading from", error) from error

    def _stuck(self, doing: str, seconds: float) -> LinkError:
        self.close()
        return LinkError(
            f"{doing} {self.address}: the transfer did not come to an end within {seconds:.0f} s",
            hint="Check the cable; switch the analyser off and on if it stays so.",
        )

    def _piece(self, timeout: float) -> bytes:
        """Return one message or a piece of it, b"" where none begins in time; runs in the side thread."""
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
        for text, (what, hint) in _BY_TEXT.items():
            if text in str(error):
                return LinkError(f"{doing} {self.address}: {what}", hint=hint)
        found = link_error(self.address, doing, error)
        if "install" in found.message.lower():
            found.hint = "Install what the message names, beside this program. Network addresses need nothing more."
        return found
