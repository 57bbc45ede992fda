"""The transcript: what went over the wire, when, in which direction. It is the evidence of a proof.

One line an entry: seconds since the link was opened, direction, escaped bytes. ``>`` is sent, ``<`` received, ``#`` a remark.
Long pieces stand as their length and hash. Memory is bounded: beyond the limit the oldest entries are dropped and counted.
"""

from __future__ import annotations

import hashlib
from collections import deque

LONGEST_SHOWN = 240
"""Bytes of one message that are written out; more stand as length and hash, with their beginning."""
HEAD_SHOWN = 48
MOST_ENTRIES = 20_000

_NAMED = {0x09: "\\t", 0x0A: "\\n", 0x0D: "\\r", 0x5C: "\\\\"}
_ESCAPES = {byte: f"\\x{byte:02x}" for byte in range(256) if not 0x20 <= byte < 0x7F} | _NAMED


def escaped(data: bytes) -> str:
    """Return ``data`` as printable ASCII: backslash escapes for everything else."""
    return data.decode("latin-1").translate(_ESCAPES)


class Transcript:
    """Collects entries. Received pieces are joined until something is sent or remarked, so that blocks hash as a whole."""

    def __init__(self, most_entries: int = MOST_ENTRIES) -> None:
        self._lines: deque[str] = deque(maxlen=most_entries)
        self._count = 0
        self._head = bytearray()
        self._length = 0
        self._hash = hashlib.sha256()
        self._since = 0.0

    def sent(self, seconds: float, data: bytes) -> None:
        """Note that ``data`` was sent at ``seconds``."""
        self._flush()
        digest = hashlib.sha256(data).hexdigest()
        self._append(seconds, ">", _shown(data[: LONGEST_SHOWN + 1], len(data), digest))

    def received(self, seconds: float, data: bytes) -> None:
        """Note that ``data`` came at ``seconds``; pieces that follow each other make one entry."""
        if not data:
            return
        if self._length == 0:
            self._since = seconds
        room = LONGEST_SHOWN + 1 - len(self._head)
        self._head += data[: max(room, 0)]
        self._length += len(data)
        self._hash.update(data)

    def remark(self, seconds: float, text: str) -> None:
        """Note something that is no byte: a deadline that ran out, a resynchronisation."""
        self._flush()
        self._append(seconds, "#", "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text))

    def text(self) -> str:
        """Return the transcript, one entry a line, LF after each; the first line tells how many entries were dropped."""
        self._flush()
        dropped = self._count - len(self._lines)
        head = [f"# the first {dropped} entries were dropped"] if dropped else []
        return "".join(f"{line}\n" for line in [*head, *self._lines])

    def take(self) -> str:
        """Return the transcript and begin anew: each proof of a batch keeps what went over the link for it."""
        text = self.text()
        self._lines.clear()
        self._count = 0
        return text

    def _flush(self) -> None:
        if self._length:
            self._append(self._since, "<", _shown(bytes(self._head), self._length, self._hash.hexdigest()))
        self._head.clear()
        self._length = 0
        self._hash = hashlib.sha256()

    def _append(self, seconds: float, direction: str, shown: str) -> None:
        self._lines.append(f"{seconds:12.6f} {direction} {shown}")
        self._count += 1


def _shown(head: bytes, length: int, digest: str) -> str:
    if length <= LONGEST_SHOWN:
        return escaped(head)
    return f"({length} bytes, sha256 {digest}, begins) {escaped(head[:HEAD_SHOWN])}"
