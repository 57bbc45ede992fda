"""HiSLIP for the simulated SCPI analyser: IVI-6.1, version 1.0, synchronized mode, one client, on the loopback address.

A client opens two connections to one port: the synchronous one carries messages, the asynchronous one device clear, message
size, status, locks and remote control. :class:`Conversation` is the protocol without I/O.
"""

from __future__ import annotations

import contextlib
import selectors
import socket
import struct
from dataclasses import dataclass
from enum import IntEnum

from drivers.simulated.languages import Model, Piece
from drivers.simulated.link import PIECE, Link

HEADER = struct.Struct("!2sBBIQ")
PROLOGUE = b"HS"
LARGEST = 1 << 20
"""The largest payload that is taken, and what is said to AsyncMaximumMessageSize."""
VERSION_1_0 = 0x0100
SESSION = 1
MESSAGE_AVAILABLE = 0x10
"""Bit 4 of the status byte (IEEE 488.2, 11.2.1.2)."""


class Kind(IntEnum):
    """Message types (IVI-6.1, table 4)."""

    INITIALIZE = 0
    INITIALIZE_RESPONSE = 1
    FATAL_ERROR = 2
    ERROR = 3
    ASYNC_LOCK = 4
    ASYNC_LOCK_RESPONSE = 5
    DATA = 6
    DATA_END = 7
    DEVICE_CLEAR_COMPLETE = 8
    DEVICE_CLEAR_ACKNOWLEDGE = 9
    ASYNC_REMOTE_LOCAL_CONTROL = 10
    ASYNC_REMOTE_LOCAL_RESPONSE = 11
    TRIGGER = 12
    INTERRUPTED = 13
    ASYNC_INTERRUPTED = 14
    ASYNC_MAXIMUM_MESSAGE_SIZE = 15
    ASYNC_MAXIMUM_MESSAGE_SIZE_RESPONSE = 16
    ASYNC_INITIALIZE = 17
    ASYNC_INITIALIZE_RESPONSE = 18
    ASYNC_DEVICE_CLEAR = 19
    ASYNC_STATUS_QUERY = 21
    ASYNC_STATUS_RESPONSE = 22
    ASYNC_DEVICE_CLEAR_ACKNOWLEDGE = 23
    ASYNC_LOCK_INFO = 24
    ASYNC_LOCK_INFO_RESPONSE = 25


@dataclass(frozen=True)
class Message:
    """One HiSLIP message."""

    kind: int
    control: int = 0
    parameter: int = 0
    payload: bytes = b""

    def packed(self) -> bytes:
        """Return the message's bytes."""
        return HEADER.pack(PROLOGUE, self.kind, self.control, self.parameter, len(self.payload)) + self.payload


class FatalError(Exception):
    """The connection cannot go on; ``code`` after IVI-6.1, table 14."""

    def __init__(self, code: int, says: str) -> None:
        super().__init__(says)
        self.code = code

    def packed(self) -> bytes:
        """Return the message that says so to the client."""
        return Message(Kind.FATAL_ERROR, self.code, 0, str(self).encode("ascii")).packed()


class Reader:
    """Collects the messages of one connection."""

    def __init__(self) -> None:
        self._buffer = bytearray()

    def feed(self, data: bytes) -> list[Message]:
        """Take bytes as they come and return the messages that are complete; FatalError for a header that is none."""
        self._buffer += data
        found: list[Message] = []
        while len(self._buffer) >= HEADER.size:
            prologue, kind, control, parameter, length = HEADER.unpack_from(self._buffer)
            if prologue != PROLOGUE or length > LARGEST:
                raise FatalError(1, "Poorly formed message header")
            end = HEADER.size + length
            if len(self._buffer) < end:
                break
            found.append(Message(kind, control, parameter, bytes(self._buffer[HEADER.size : end])))
            del self._buffer[:end]
        return found


class Conversation:
    """What the server says on its two connections. ``clearing``: between device clear and its completion nothing is taken."""

    def __init__(self) -> None:
        self.clearing = False
        self.message = b""
        self.identifier = 0
        self._largest = LARGEST

    def asynchronous(self, message: Message, waiting: bool) -> Message:
        """Return the answer on the asynchronous connection; ``waiting``: an answer of the instrument is not yet fetched."""
        if message.kind == Kind.ASYNC_DEVICE_CLEAR:
            self.clearing, self.message = True, b""
            return Message(Kind.ASYNC_DEVICE_CLEAR_ACKNOWLEDGE)
        if message.kind == Kind.ASYNC_MAXIMUM_MESSAGE_SIZE and len(message.payload) == 8:
            self._largest = max(256, min(LARGEST, struct.unpack("!Q", message.payload)[0]))
            return Message(Kind.ASYNC_MAXIMUM_MESSAGE_SIZE_RESPONSE, payload=struct.pack("!Q", LARGEST))
        if message.kind == Kind.ASYNC_STATUS_QUERY:
            return Message(Kind.ASYNC_STATUS_RESPONSE, MESSAGE_AVAILABLE if waiting else 0)
        plain = {
            Kind.ASYNC_LOCK: Message(Kind.ASYNC_LOCK_RESPONSE, 1),
            Kind.ASYNC_LOCK_INFO: Message(Kind.ASYNC_LOCK_INFO_RESPONSE),
            Kind.ASYNC_REMOTE_LOCAL_CONTROL: Message(Kind.ASYNC_REMOTE_LOCAL_RESPONSE),
        }
        return plain.get(Kind(message.kind) if message.kind in set(Kind) else Kind.ERROR, _unknown())

    def synchronous(self, message: Message) -> tuple[bytes | None, Message | None]:
        """Return (a message for the instrument or None, an answer of the protocol itself or None)."""
        if message.kind == Kind.DEVICE_CLEAR_COMPLETE:
            self.clearing, self.message = False, b""
            return None, Message(Kind.DEVICE_CLEAR_ACKNOWLEDGE)
        if message.kind == Kind.TRIGGER:
            return None, None
        if message.kind not in (Kind.DATA, Kind.DATA_END):
            return None, _unknown()
        if self.clearing:
            return None, None
        self.message += message.payload
        self.identifier = message.parameter
        if len(self.message) > LARGEST:
            self.message = b""
            return None, Message(Kind.ERROR, 4, payload=b"Message too large")
        if message.kind == Kind.DATA:
            return None, None
        whole, self.message = self.message, b""
        return whole if whole.endswith(b"\n") else whole + b"\n", None

    def framed(self, pieces: list[Piece]) -> list[Piece]:
        """Return an answer's pieces as messages: Data, and DataEnd for the last one that has data."""
        last = max((number for number, piece in enumerate(pieces) if piece.data), default=-1)
        return [
            Piece(self._frames(piece, number == last) if piece.data else b"", piece.delay, piece.then, piece.back)
            for number, piece in enumerate(pieces)
        ]

    def _frames(self, piece: Piece, last: bool) -> bytes:
        room = self._largest - HEADER.size
        parts = [piece.data[start : start + room] for start in range(0, len(piece.data), room)]
        kinds = [Kind.DATA] * (len(parts) - 1) + [Kind.DATA_END if last and piece.frame != "open" else Kind.DATA]
        identifier = self.identifier ^ 0x40 if piece.frame == "other id" else self.identifier
        messages = [Message(kind, 0, identifier, part) for kind, part in zip(kinds, parts, strict=True)]
        packed = bytearray(b"".join(message.packed() for message in messages))
        if piece.frame == "no prologue":
            packed[:2] = b"hs"
        if piece.frame == "too long":
            packed[8:16] = struct.pack("!Q", len(piece.data) + 1_000_000)
        return bytes(packed)


def _unknown() -> Message:
    return Message(Kind.ERROR, 1, payload=b"Unrecognized Message Type")


class HislipLink(Link):
    """One client with its two connections on 127.0.0.1; the next may come when it has gone."""

    def __init__(self, model: Model) -> None:
        super().__init__(model)
        self._listener = socket.create_server(("127.0.0.1", 0), backlog=4)
        self._listener.setblocking(False)
        self._port = self._listener.getsockname()[1]
        self.address = f"visa://TCPIP::127.0.0.1::hislip0,{self._port}::INSTR"
        self._readers: dict[socket.socket, Reader] = {}
        self._sync: socket.socket | None = None
        self._async: socket.socket | None = None
        self._talk = Conversation()

    def _begin(self) -> None:
        self._selector.register(self._listener, selectors.EVENT_READ, self._accept)

    def _accept(self, mask: int) -> None:
        try:
            client, _ = self._listener.accept()
        except OSError:
            return
        client.setblocking(False)
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._readers[client] = Reader()
        if self.ready_delay > 0 and self._sync is None:
            self._ready_at = self.clock() + self.ready_delay
        else:
            self._listen()

    def _listen(self) -> None:
        for client in self._readers:
            if client not in self._selector.get_map():
                self._selector.register(client, selectors.EVENT_READ, lambda mask, client=client: self._serve(client, mask))

    def _serve(self, client: socket.socket, mask: int) -> None:
        if client not in self._readers:  # its other connection ended a moment before
            return
        try:
            on_sync = client is self._sync
            alive = self._move(mask, client.recv, client.send) if on_sync else self._take(client, client.recv(PIECE))
        except FatalError as error:
            self._say(client, error.packed())
            alive = False
        except BlockingIOError:
            return
        except OSError:
            alive = False
        if not alive:
            self._gone(client)

    def _take(self, client: socket.socket, data: bytes) -> bool:
        """Take what came on a connection that is not the synchronous one; False where it has ended."""
        if not data:
            return False
        for message in self._readers[client].feed(data):
            if client is not self._async:
                self._initialize(client, message)
            elif not self._silent:
                self._on_async(client, message)
        return True

    def _initialize(self, client: socket.socket, message: Message) -> None:
        if message.kind == Kind.INITIALIZE and self._sync is None:
            self._sync, self._talk = client, Conversation()
            self._say(client, Message(Kind.INITIALIZE_RESPONSE, 0, (VERSION_1_0 << 16) | SESSION).packed())
        elif message.kind == Kind.INITIALIZE:
            raise FatalError(4, "Server refused connection due to maximum number of clients exceeded")
        elif message.kind == Kind.ASYNC_INITIALIZE and self._async is None and message.parameter == SESSION:
            self._async = client
            self._say(client, Message(Kind.ASYNC_INITIALIZE_RESPONSE).packed())
        else:
            raise FatalError(3, "Invalid Initialization sequence")

    def _on_async(self, client: socket.socket, message: Message) -> None:
        waiting = bool(self._waiting or self._sending)
        if message.kind == Kind.ASYNC_DEVICE_CLEAR:
            self._waiting.clear()
        self._say(client, self._talk.asynchronous(message, waiting).packed())

    def _answers(self, data: bytes) -> list[Piece]:
        """Return the answers to bytes of the synchronous connection, as messages."""
        out: list[Piece] = []
        if self._sync is None:
            return out
        for message in self._readers[self._sync].feed(data):
            if self._silent:
                continue
            whole, answer = self._talk.synchronous(message)
            if answer is not None:
                out.append(Piece(answer.packed()))
            if whole is not None:
                self._interrupt()
                out += self._talk.framed(super()._answers(whole))
        return out

    def _interrupt(self) -> None:
        """Drop an answer that was not sent before a new message came, and say so on both connections (IVI-6.1, 3.1)."""
        if not self._waiting:
            return
        self._waiting.clear()
        self._sending += Message(Kind.INTERRUPTED, 0, self._talk.identifier).packed()
        if self._async is not None:
            self._say(self._async, Message(Kind.ASYNC_INTERRUPTED, 0, self._talk.identifier).packed())

    def _say(self, client: socket.socket, data: bytes) -> bool:
        """Send a short message at once; a client that takes not even that is lost."""
        try:
            return client.send(data) == len(data)
        except OSError:
            return False

    def _watch(self) -> None:
        if self._sync is not None and self._sync in self._selector.get_map():
            client = self._sync
            self._selector.modify(client, self._wanted(), lambda mask: self._serve(client, mask))

    def _gone(self, client: socket.socket) -> None:
        """One connection has ended: where it is one of the client's two, so has the other."""
        if client in (self._sync, self._async):
            self._hang_up()
        else:
            self._end(client)

    def _end(self, client: socket.socket) -> None:
        with contextlib.suppress(KeyError):
            self._selector.unregister(client)
        client.close()
        self._readers.pop(client, None)

    def _hang_up(self) -> None:
        for client in tuple(self._readers):
            self._end(client)
        self._sync = self._async = None
        self._forget()

    def _vanish(self) -> None:
        self._selector.unregister(self._listener)
        self._listener.close()  # first, so that a user who comes at once finds nobody
        self._hang_up()

    def _return(self) -> None:
        if self._listener.fileno() < 0:
            self._listener = socket.create_server(("127.0.0.1", self._port), backlog=4)
            self._listener.setblocking(False)
            self._begin()

    def _shut(self) -> None:
        self._hang_up()
        self._listener.close()
