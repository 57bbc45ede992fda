"""Blocks: arbitrary block data of IEEE 488.2, framed. Bytes in, verdicts out; no I/O.

A definite block is ``#``, one digit d, d digits of byte count, the bytes, and the message terminator. The count must be the
one that the points, values and item size give, and it is compared before a byte of the payload is taken. The terminator (LF or
CRLF) must come: where one byte of the payload is lost, the terminator takes the place of the last one, and nothing follows.
"""

from __future__ import annotations

from drivers.framing import LINE_ENDS, TAIL, Echo, EchoMode, Reply, Verdict
from drivers.transcript import escaped
from harness.errors import ReplyError


def block_header(length: int) -> bytes:
    """Return the header of a definite block of ``length`` bytes with the fewest digits (IEEE 488.2)."""
    digits = str(length)
    return f"#{len(digits)}{digits}".encode("ascii")


class DefiniteBlock:
    """One definite-length block of exactly ``length`` bytes. ``why`` tells where the length comes from, for errors."""

    def __init__(self, length: int, *, why: str = "", sent: bytes = b"", echo: EchoMode = "off", what: str = "the reply") -> None:
        self._length, self._why, self._what = length, why, what
        self._echo = Echo(sent, echo)
        self._buffer = bytearray()
        self._payload_at: int | None = None
        self._ended = False
        self._tail = b""

    def feed(self, data: bytes) -> Verdict:
        """Take a piece; "more" until payload and terminator are complete."""
        self._tail = (self._tail + data[-TAIL:])[-TAIL:]
        data = self._echo.feed(data)
        self._buffer += data if self._buffer else data.lstrip(LINE_ENDS)
        if self._payload_at is None:
            self._payload_at = self._read_header()
        if self._payload_at is None:
            return "more"
        end = self._payload_at + self._length
        if len(self._buffer) < end:
            return "more"
        after = bytes(self._buffer[end : end + 3])
        if not b"\r\n".startswith(after) and after != b"\n":
            raise ReplyError(
                f"{self._what}: {escaped(after)!r} follows the block where its terminator must stand",
                hint="The byte count of the block is wrong, or a late reply is mixed in.",
            )
        self._ended = after.endswith(b"\n")
        return "whole" if self._ended else "more"

    def reply(self) -> Reply:
        """Return the payload; ReplyError where it is incomplete."""
        start = self._payload_at
        if start is None or not self._ended:
            raise ReplyError(f"{self._what}: the block is incomplete", hint="Try again.")
        return Reply(payload=bytes(self._buffer[start : start + self._length]), echoed=self._echo.found)

    def tail(self) -> bytes:
        """Return the last 60 bytes that came."""
        return self._tail

    def _read_header(self) -> int | None:
        """Return where the payload begins, None as long as the header is incomplete; ReplyError where it is wrong."""
        buffer = self._buffer
        if not buffer:
            return None
        if buffer[:1] != b"#":
            raise ReplyError(
                f"{self._what}: a binary block was expected, and {escaped(bytes(buffer[:TAIL]))!r} came",
                hint="Check the data form of the dialect: the instrument may be sending text.",
            )
        if len(buffer) < 2:
            return None
        if buffer[1:2] == b"0":
            raise ReplyError(
                f"{self._what}: the block has no length (#0), so a lost byte could not be noticed",
                hint="Set the instrument to blocks of definite length, or use the ascii data form in the dialect.",
            )
        size = buffer[1] - 0x30
        digits = bytes(buffer[2 : 2 + size]) if 1 <= size <= 9 else b"?"
        if not digits.isdigit() and digits:
            raise ReplyError(f"{self._what}: {escaped(bytes(buffer[:11]))!r} is no block header", hint="Sweep again.")
        if len(digits) < size:
            return None
        if int(digits) != self._length:
            why = f" ({self._why})" if self._why else ""
            raise ReplyError(
                f"{self._what}: a block of {self._length} bytes was expected{why}, its header says {int(digits)}",
                hint="The points or the data form that the instrument is set to are not those that were asked for.",
            )
        return 2 + size
